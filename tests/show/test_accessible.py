"""Every page is read by an outside checker of accessibility, by day and by night.

The checker is axe-core (Deque), which tests the rules of WCAG 2.2 that a program can test.
"""

from pathlib import Path

import pytest

from tests.browser import accessibility, needs_browser, opened

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
def test_the_checker_sees_what_is_wrong(tmp_path):
    path = tmp_path / "bad.html"
    path.write_text("<!doctype html><title>x</title><body><img src='data:,'><p>x</p>")
    with opened(path) as page:
        found = accessibility(page)
    assert any(one.startswith("image-alt") for one in found)
    assert any(one.startswith("html-has-lang") for one in found)
