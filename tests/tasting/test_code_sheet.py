"""The key to the codes."""

import re
import subprocess

import pandas as pd
import pytest

from tests.browser import needs_browser, opened, page_count, printed
from tests.tasting.test_ballots import CODES, serving
from trials.base.errors import TastingError
from trials.tasting.paper import code_sheet


def test_every_code_stands_by_its_taster_and_by_its_bake():
    markup = code_sheet("Round 1", serving())
    assert "not for tasters" in markup
    by_taster, by_bake = markup.split("By bake, for the labels")
    for taster, codes in CODES.items():
        line = by_taster.split(f">{taster}</th>")[1].split("</tr>")[0]
        assert re.findall(r"<b>(\d{3})</b>", line) == codes
        for place, code in enumerate(codes):
            line = by_bake.split(f"<b>B{place + 7:02d}</b>")[1].split("</tr>")[0]
            assert f"{code} ({taster})" in line


def test_a_missing_column_is_said():
    with pytest.raises(TastingError, match="no column 'bake'"):
        code_sheet("R", serving().drop(columns="bake"))


@needs_browser
def test_sittings_that_fit_share_a_page_and_none_is_split(tmp_path):
    rows = serving()
    rows.loc[rows["taster"] == "Bo", "sitting"] = 2
    assert page_count(printed(code_sheet("R", rows), tmp_path)) == 1
    many = pd.concat([rows.assign(sitting=sitting) for sitting in range(1, 7)])
    markup = code_sheet("R", many)
    file = printed(markup, tmp_path)
    assert 2 <= page_count(file) < 6
    text = subprocess.run(["pdftotext", "-layout", file, "-"], capture_output=True, text=True)
    pages = text.stdout.split("\f")
    for sitting in range(1, 7):
        (own,) = [page for page in pages if f"sitting {sitting}" in page]
        part = own.split(f"sitting {sitting}")[1].split("sitting ")[0]
        by_taster, by_bake = part.split("By bake, for the labels")
        for taster, codes in CODES.items():
            assert all(code in by_taster and f"{code} ({taster})" in by_bake for code in codes)


def test_the_first_page_says_what_it_is_for_and_the_key_alone_is_not_to_be_opened():
    markup = code_sheet("R", serving(), sealed_for=["Ida"])
    cover, _, rest = markup.partition('class="sheet cover">')[2].partition("</section>")
    told = " ".join(re.sub(r"<[^>]+>", " ", cover).split())
    assert told.startswith("Read this page first")
    assert "Do not open" not in told
    assert "begins on page 3" in told
    assert not re.search(r"B\d\d", cover)
    assert rest.index("Do not open until the scores are in") < rest.index("By taster")
    assert "Read this page first" not in code_sheet("R", serving())


@needs_browser
def test_on_a_screen_the_key_is_folded_until_it_is_asked_for(tmp_path):
    path = tmp_path / "key.html"
    path.write_text(code_sheet("R", serving(), sealed_for=["Ida"]), "utf-8")
    with opened(path) as page:
        assert not page.get_by_text("By bake, for the labels").is_visible()
        page.get_by_label("Show the key").check()
        assert page.get_by_text("By bake, for the labels").is_visible()
        page.get_by_label("Show the key").uncheck()
        page.emulate_media(media="print")
        assert page.get_by_text("By bake, for the labels").is_visible()
        assert not page.get_by_label("Show the key").is_visible()
    path.write_text(code_sheet("R", serving()), "utf-8")
    with opened(path) as page:
        assert page.get_by_text("By bake, for the labels").is_visible()


@pytest.mark.parametrize("alone", [True, False])
def test_two_codes_of_one_bake_are_two_plates(alone):
    rows = serving()
    rows = rows[rows["taster"] == "Ida"] if alone else rows
    again = rows.iloc[[0]].assign(code="999", kind="repeat", place=9)
    page = second_page(code_sheet("R", pd.concat([rows, again]), sealed_for=["Ida"]))
    assert "two codes" in page
    assert "two codes" not in second_page(code_sheet("R", rows, sealed_for=["Ida"]))


def second_page(markup):
    page = markup.split('<section class="sheet">')[1].split("</section>")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def test_a_cook_and_a_friend_blind_each_other():
    """The cook alone has read the key; so the friend moves the cook's plates and not the cook."""
    page = second_page(code_sheet("R", serving(), sealed_for=["Ida"]))
    (friend,) = set(CODES) - {"Ida"}
    steps = ["You, Ida, are alone", f"First {friend}, then yourself", "Close this key",
             f"{friend} comes in without you, looks under none of your plates",
             f"{friend} turns the slips of the row", "Come back and taste",
             f"{friend} scores by the codes of the ballot", "turn your slips"]  # fmt: skip
    places = [page.index(step) for step in steps]
    assert places == sorted(places)
    assert "eyes shut" not in page


def test_alone_a_cook_shuffles_and_nobody_else_is_spoken_of():
    rows = serving()
    alone = code_sheet("R", rows[rows["taster"] == "Ida"], sealed_for=["Ida"])
    page = second_page(alone)
    assert "eyes shut" in page
    assert "Bo" not in page


@needs_browser
@pytest.mark.parametrize("guests", [0, 1, 4])
def test_the_second_page_is_one_page_so_that_the_key_begins_on_the_third(tmp_path, guests):
    rows = serving()
    own = rows[rows["taster"] == "Ida"]
    named = [own.assign(taster=f"Maximiliane {at}") for at in range(guests)]
    file = printed(code_sheet("R", pd.concat([own, *named]), sealed_for=["Ida"]), tmp_path)
    text = subprocess.run(["pdftotext", "-layout", file, "-"], capture_output=True, text=True)
    pages = text.stdout.split("\f")
    assert "Nobody else there? Blind yourself" in " ".join(pages[1].split())
    assert "does not count as blind" in " ".join(pages[1].split())
    assert "By taster, in serving order" in pages[2]
