"""The documentation: whole, from every public name, and readable from a folder with no network."""

import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

import trials
from tests.browser import needs_browser, opened
from trials.doors.notebook import notebooks_home

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def site(tmp_path_factory, request):
    """The pages: those named by --site, or built here with notebooks that did not run."""
    named = request.config.getoption("--site")
    if named:
        return Path(named)
    where = tmp_path_factory.mktemp("docs") / "site"
    made = [sys.executable, "-m", "docs.build", where, "--notebooks", notebooks_home()]
    subprocess.run(made, cwd=ROOT, check=True)  # as a person does; a warning is an error
    return where


class Asked(HTMLParser):
    """What a page makes a browser fetch by itself."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        fetched = {
            "script": "src",
            "img": "src",
            "link": "href",
            "iframe": "src",
            "source": "srcset",
        }
        if tag in fetched and told.get(fetched[tag]):
            self.found.append(told[fetched[tag]])


@pytest.mark.slow
def test_no_page_asks_the_network(site):
    pages = sorted(site.rglob("*.html"))
    assert len(pages) > 25
    for path in pages:
        asked = Asked()
        asked.feed(path.read_text(encoding="utf-8"))
        assert asked.found, "at least a style"
        for one in asked.found:
            assert one.startswith("data:") or not re.match(r"(\w+:)?//", one), f"{path}: {one}"
    for path in site.rglob("*.css"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"""@import|url\(["']?(https?:)?//""", text), path


@pytest.mark.slow
def test_every_public_name_has_its_reference(site):
    said = "".join(path.read_text("utf-8") for path in (site / "reference").glob("*.html"))
    ids = set(re.findall(r'id="(trials\.[\w.]+)"', said))
    for name in trials.__all__:
        found = getattr(trials, name)
        if name == "__version__":
            continue
        if type(found).__name__ == "module":
            inner = [one for one in getattr(found, "__all__", ()) if callable(getattr(found, one))]
            assert {f"trials.{name}.{one}" for one in inner} <= ids
        else:
            assert f"trials.{name}" in ids


@pytest.mark.slow
def test_the_glossary_has_the_words_of_the_kitchen(site):
    said = (site / "glossary.html").read_text("utf-8")
    for word in ("bake", "reference bake", "worth noticing", "oil fill", "mirror bakes", "verdict"):
        assert f'id="term-{word.replace(" ", "-")}"' in said


@needs_browser
@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["index", "install", "notebooks/small_kitchen", "reference/analysis", "methods"]
)
def test_it_is_read_from_a_folder(site, name):
    for width in (1280, 820):
        with opened(site / f"{name}.html", width=width) as page:
            assert page.locator("h1").first.is_visible()
            wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert page.evaluate(wide) <= 1, "nothing is cut off or moved sideways"


@needs_browser
@pytest.mark.slow
def test_searching_needs_no_network_either(site):
    with opened(site / "index.html") as page:
        page.goto((site / "search.html").as_uri() + "?q=hydration")
        page.locator("#search-results li").first.wait_for(timeout=15_000)
