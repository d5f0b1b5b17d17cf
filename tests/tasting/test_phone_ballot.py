"""The phone ballot, filled in a real browser with the network off."""

import json
import re

import pandas as pd
import pytest

from tests.browser import needs_browser, opened, overlaps_and_clips, until
from tests.tasting.test_ballots import CODES, EVERY, LIKING, PANEL, serving
from trials.base.errors import TastingError
from trials.base.files import read_csv
from trials.core.measures import Measure
from trials.tasting.panel import Taster
from trials.tasting.phone import ballot_file, phone_ballots, result_columns

SAMPLES = CODES["Ida"][1:]


def data_of(markup: str) -> dict:
    return json.loads(re.search(r'id="ballot">(.*?)</script>', markup, re.S).group(1))


def write(tmp_path, **changes):
    made = phone_ballots("Round 1", serving(), EVERY, PANEL, mark="rbcdfghjk", **changes)
    path = tmp_path / ballot_file("Ida")
    path.write_text(made["Ida"], "utf-8")
    return path


def start(page):
    page.get_by_label("I agree").check()
    page.get_by_role("button", name="Start").tap()


def to_the_end(page):
    while not page.locator("#check").is_visible():
        page.locator("#next").tap()


def saved(page, tmp_path):
    with page.expect_download() as download:
        page.get_by_role("button", name="Save as a file").tap()
    path = tmp_path / download.value.suggested_filename
    download.value.save_as(path)
    return path


def tap_bar(page, name, share):
    bar = page.get_by_role("slider", name=name)
    bar.evaluate("bar => bar.scrollIntoView({block: 'center'})")
    box = bar.bounding_box()
    page.touchscreen.tap(box["x"] + share * box["width"], box["y"] + box["height"] / 2)


def test_the_columns_are_those_of_the_tastings_sheet_and_the_rounds_mark():
    assert result_columns(EVERY) == [
        "taster",
        "sitting",
        "place",
        "code",
        "crispness",
        "sweetness",
        "words",
        "again",
        "bites",
        "liking",
        "note",
        "round",
    ]


def test_a_file_holds_one_tasters_codes_and_nothing_of_the_bakes():
    rows = serving().assign(day=3, load=5, fat="lard")
    made = phone_ballots("Round 1", rows, EVERY, PANEL)
    record = data_of(made["Ida"])
    assert [sample["code"] for sample in record["samples"]] == SAMPLES
    body = made["Ida"].split("<body>")[1].split("<script>")[0]
    assert not any(code in body for code in CODES["Bo"])
    assert not re.search(r"\bB\d\d\b|lard|\bday\b|\bload\b|trial|control|hazelnut|Bo\b", body)


def test_a_reference_is_named_only_when_asked():
    rows = serving()
    rows.loc[rows["code"] == "914", "kind"] = "reference"
    blind = phone_ballots("R", rows, [LIKING], PANEL)["Ida"]
    assert blind == phone_ballots("R", serving(), [LIKING], PANEL)["Ida"]
    named = data_of(phone_ballots("R", rows, [LIKING], PANEL, reference_named=True)["Ida"])
    told = [sample["told"] for sample in named["samples"]]
    assert told[0] == "First taste 946 to warm up; no score."
    assert told[1] == "This is the reference; score it too."
    assert told[2:] == ["", "", ""]


def test_names_never_become_markup_or_end_the_data():
    name = "</script><script>alert(1)</script>"
    measure = Measure("</script><b>liking</b>", "hedonic 9")
    markup = phone_ballots("R", serving().assign(taster=name), [measure], [Taster(name)])[name]
    assert markup.count("<script") == 2
    assert data_of(markup)["taster"] == name


def test_another_order_or_round_never_meets_what_an_older_file_kept():
    keys = {
        data_of(phone_ballots(name, rows, [LIKING], PANEL)["Ida"])["key"]
        for name in ("Round 1", "Round 2")
        for rows in (serving(), serving().iloc[:-1], serving().iloc[1:])
    }
    assert len(keys) == 4  # Bo's last row is no part of Ida's file; her warm-up is shown on it


def test_a_stranger_or_nothing_to_ask_is_refused():
    with pytest.raises(TastingError, match="not among the tasters"):
        phone_ballots("R", serving(), [LIKING], [Taster("Ida")])
    with pytest.raises(TastingError, match="nothing to ask"):
        phone_ballots("R", serving(), [Measure("spread", "number", per="bake")], PANEL)


@needs_browser
def test_a_ballot_is_filled_reloaded_half_way_finished_and_read_back(tmp_path):
    with opened(write(tmp_path), phone=True) as page:
        assert page.get_by_role("button", name="Start").is_disabled()
        start(page)
        page.get_by_label("8 like very much").check()
        tap_bar(page, "crispness", 0.5)  # the very middle counts as a mark
        page.get_by_label("3 just about right").check()
        page.get_by_label("burnt").check()
        page.get_by_label("nutty").check()
        page.get_by_label("yes").check()
        page.get_by_label("bites").fill("7,5")
        page.get_by_label("In your own words").fill('=1+1, "crisp"\n<b>ø</b>')
        page.reload()
        assert page.locator("#code").text_content() == SAMPLES[0]
        assert page.get_by_label("8 like very much").is_checked()
        assert page.get_by_role("slider", name="crispness").get_attribute("aria-valuenow") == "5"
        page.locator("#next").tap()
        page.get_by_label("1 dislike extremely").check()
        to_the_end(page)
        assert page.locator("#open li").count() == 4
        table = read_csv(saved(page, tmp_path))
    assert list(table.columns) == result_columns(EVERY)
    assert list(table["code"]) == SAMPLES
    assert list(table["place"]) == ["1", "2", "3", "4", "5"]
    assert set(table["round"]) == {"rbcdfghjk"}
    first = table.iloc[0]
    assert first["liking"] == "8"
    assert first["crispness"] == "5"
    assert first["sweetness"] == "3"
    assert first["words"] == "nutty; burnt"
    assert first["again"] == "yes"
    assert first["bites"] == "7,5"
    assert first["note"] == '=1+1, "crisp"\n<b>ø</b>'
    read = {one.name: one.read(first[one.name]) for one in EVERY if one.per == "tasting"}
    assert read["bites"] == 7.5
    second = table.iloc[1]
    assert second["liking"] == "1"
    # What was not touched is empty, never the middle of the scale
    assert second["crispness"] == second["sweetness"] == second["again"] == ""
    assert (table.iloc[2:][["liking", "crispness", "sweetness", "note"]] == "").all(axis=None)


@needs_browser
def test_an_untouched_bar_has_no_thumb_and_a_mark_can_be_taken_away(tmp_path):
    with opened(write(tmp_path), phone=True) as page:
        start(page)
        bar = page.get_by_role("slider", name="crispness")
        assert bar.get_attribute("aria-valuenow") is None
        assert bar.locator("b").is_hidden()
        for share, value in ((0.25, "2.5"), (0.0, "0"), (1.0, "10")):
            tap_bar(page, "crispness", min(max(share, 0.001), 0.999))
            assert bar.get_attribute("aria-valuenow") == value
        assert bar.locator("b").is_visible()
        page.get_by_role("button", name="take the mark away").tap()
        assert bar.locator("b").is_hidden()
        to_the_end(page)
        assert read_csv(saved(page, tmp_path))["crispness"].iloc[0] == ""


@needs_browser
def test_a_bar_is_moved_with_the_keyboard(tmp_path):
    with opened(write(tmp_path)) as page:
        page.get_by_label("I agree").check()
        page.get_by_role("button", name="Start").click()
        bar = page.get_by_role("slider", name="crispness")
        bar.press("Home")
        bar.press("PageUp")
        bar.press("ArrowRight")
        assert bar.get_attribute("aria-valuenow") == "1.1"
        bar.press("End")
        assert bar.get_attribute("aria-valuenow") == "10"


@needs_browser
def test_the_copied_text_is_the_saved_file_and_everything_answered_is_said(tmp_path):
    made = phone_ballots("Round 1", serving(), [LIKING], PANEL)
    path = tmp_path / "b.html"
    path.write_text(made["Ida"], "utf-8")
    with opened(path, phone=True) as page:
        page.context.grant_permissions(["clipboard-read", "clipboard-write"])
        start(page)
        for _ in SAMPLES:
            page.get_by_label("6 like slightly").check()
            page.locator("#next").tap()
        assert page.locator("#complete").is_visible()
        assert page.locator("#incomplete").is_hidden()
        page.get_by_role("button", name="Copy as text").tap()
        until(page, "document.getElementById('done').textContent.includes('copied')")
        copied = page.evaluate("navigator.clipboard.readText()")
        assert copied == saved(page, tmp_path).read_text("utf-8")


@needs_browser
def test_thanks_come_after_sending_and_stay_through_a_reload(tmp_path):
    with opened(write(tmp_path), phone=True) as page:
        start(page)
        page.get_by_label("8 like very much").check()
        to_the_end(page)
        heading = page.locator("#ending")
        assert "Thank" not in heading.text_content()
        saved(page, tmp_path)
        assert heading.text_content() == "Thank you, Ida"
        page.reload()
        assert heading.text_content() == "Thank you, Ida"
        assert "saved as ballot-Ida.csv" in page.locator("#done").text_content()
        # The tasters read no table: neither a field nor a line shows what the file holds
        assert "taster,sitting" not in page.locator("main").inner_text()
        assert page.locator("textarea:visible").count() == 0
        while (
            page.locator("#code").text_content() != SAMPLES[0]
            or page.locator("#check").is_visible()
        ):
            page.locator("#back").tap()
        page.get_by_label("2 dislike very much").check()
        to_the_end(page)
        assert "Thank" not in heading.text_content()
        assert "changed an answer" in page.locator("#done").text_content()


@needs_browser
def test_the_buttons_cover_nothing_and_focus_follows_the_piece(tmp_path):
    with opened(write(tmp_path), phone=True) as page:
        start(page)
        assert page.evaluate("document.activeElement.id") == "code"
        below = page.locator("#next").bounding_box()["y"]
        last = page.get_by_label("In your own words").bounding_box()
        assert last["y"] + last["height"] < below
        page.locator("#next").tap()
        assert page.evaluate("document.activeElement.textContent") == SAMPLES[1]
        assert page.evaluate("scrollY") == 0


@needs_browser
def test_every_step_fits_the_phone(tmp_path):
    with opened(write(tmp_path, allergens=["wheat", "milk"]), phone=True) as page:
        assert overlaps_and_clips(page) == []
        start(page)
        assert overlaps_and_clips(page) == []
        to_the_end(page)
        assert overlaps_and_clips(page) == []


@needs_browser
def test_two_sittings_say_which_one_it_is(tmp_path):
    second = serving().assign(sitting=2, code=lambda rows: "1" + rows["code"].str[1:])
    made = phone_ballots("R", pd.concat([serving(), second]), [LIKING], PANEL)
    path = tmp_path / "b.html"
    path.write_text(made["Ida"], "utf-8")
    with opened(path, phone=True) as page:
        start(page)
        assert page.locator("#where").text_content() == "Sitting 1. Piece 1 of 5"
        for _ in SAMPLES:
            page.get_by_label("6 like slightly").check()
            page.locator("#next").tap()
        # A sitting ends with sending; nobody presses on through the next day first
        with page.expect_download() as download:
            page.get_by_role("button", name="Save as a file").tap()
        assert download.value.suggested_filename == "ballot-Ida-sitting-1.csv"
        table = read_csv(download.value.path())
        assert list(table["code"]) == SAMPLES
        assert set(table["sitting"]) == {"1"}
        page.get_by_role("button", name="All sittings").tap()
        assert "saved" in page.get_by_role("button", name="Sitting 1").text_content()
        page.get_by_role("button", name="Start").tap()
        assert page.locator("#where").text_content() == "Sitting 2. Piece 1 of 5"
