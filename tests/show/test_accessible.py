"""Every page is read by an outside checker of accessibility, by day and by night.

The checker is axe-core (Deque), which tests the rules of WCAG 2.2 that a program can test.
"""

from pathlib import Path

import pytest

from tests.browser import accessibility, needs_browser, opened
from trials.base.files import write_text
from trials.rounds.scores import scores
from trials.show.album import album
from trials.show.page import story

SHEETS = ("bake-sheets.html", "code-sheet.html", "shopping-list.html", "timetable.html")


@pytest.fixture(scope="module")
def folder(demo_round) -> Path:
    return demo_round.folder


@needs_browser
@pytest.mark.parametrize("name", SHEETS)
def test_sheets(folder, name):
    with opened(folder / name) as page:
        assert accessibility(page) == []


@needs_browser
def test_a_ballot_on_paper(folder):
    with opened(next((folder / "ballots").glob("*.html"))) as page:
        assert accessibility(page) == []


@needs_browser
@pytest.mark.parametrize("dark", [False, True])
def test_a_ballot_on_the_phone_at_every_step(folder, dark):
    with opened(next((folder / "ballots" / "phone").glob("*.html")), phone=True, dark=dark) as page:
        assert accessibility(page) == []
        page.get_by_label("I agree").check()
        page.get_by_role("button", name="Start").tap()
        assert accessibility(page) == []
        while not page.locator("#check").is_visible():
            page.locator("#next").tap()
        assert accessibility(page) == []


@needs_browser
@pytest.mark.parametrize("dark", [False, True])
def test_the_cooks_page(folder, dark):
    with opened(folder / "cook-page.html", phone=True, dark=dark) as page:
        assert accessibility(page) == []
        page.locator("#failed").tap()
        assert accessibility(page) == []


@needs_browser
@pytest.mark.parametrize(("width", "dark"), [(1280, False), (768, True), (375, False)])
def test_the_story_and_the_album(folder, demo_round, tmp_path, width, dark):
    pages = [story(demo_round, tmp_path / "story.html")]
    pages.append(write_text(tmp_path / "album.html", album(demo_round, scores(demo_round))))
    for path in pages:
        with opened(path, width=width, dark=dark) as page:
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            assert accessibility(page) == []


@needs_browser
def test_the_checker_sees_what_is_wrong(tmp_path):
    path = tmp_path / "bad.html"
    path.write_text("<!doctype html><title>x</title><body><img src='data:,'><p>x</p>")
    with opened(path) as page:
        found = accessibility(page)
    assert any(one.startswith("image-alt") for one in found)
    assert any(one.startswith("html-has-lang") for one in found)
