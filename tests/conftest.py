"""What several tests share: one demo round, made once."""

import os
import shutil

import pytest

from trials.base.html import find_browser
from trials.doors import large_demo as demo
from trials.show.page import report


def pytest_addoption(parser) -> None:
    parser.addoption("--site", default="", help="the documentation, where it is built already")


def pytest_configure() -> None:
    # What is printed is wrapped to a width that is told; workers side by side are told one
    os.environ.pop("COLUMNS", None)
    if os.environ.get("TRIALS_BROWSER") == "required" and find_browser() is None:
        pytest.exit("the browser tests may not be skipped here, and no Chromium is installed", 1)


@pytest.fixture(scope="session")
def demo_round(tmp_path_factory):
    """The demo's round with its sheets, invented scores and page."""
    round_ = demo.baked(tmp_path_factory.mktemp("demo") / "round-1")
    report(round_, round_.folder / "page.html")
    return round_


@pytest.fixture
def demo_copy(demo_round, tmp_path):
    """A copy of the demo's folder that a test may spoil."""
    return shutil.copytree(demo_round.folder, tmp_path / "round-1")
