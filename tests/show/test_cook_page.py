"""The cook's page, used in a real browser with the network off and read back by the round."""

import json
import re

import pandas as pd
import pytest

from tests.browser import needs_browser, opened, overlaps_and_clips
from tests.rounds.rounds_to_bake import doughnut
from trials.base.files import read_csv, write_text
from trials.core.measures import Measure
from trials.recipe.cautions import HOT_OIL
from trials.rounds.forms import BAKES, cook_form
from trials.rounds.gathering import Source, read_source
from trials.rounds.kitchen import Batch
from trials.rounds.scores import record_scores
from trials.show.cook_page import FILE, cook_page


@pytest.fixture
def round_(tmp_path):
    return doughnut(tmp_path)


@pytest.fixture
def path(tmp_path, round_):
    path = tmp_path / "cook.html"
    path.write_text(cook_page(round_, Batch(pieces=12, piece=40)), "utf-8")
    return path


def saved(page, tmp_path):
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the file").tap()
    assert download.value.suggested_filename == FILE
    path = tmp_path / FILE
    download.value.save_as(path)
    return path


def test_the_page_carries_every_bake_with_its_cautions(round_):
    markup = cook_page(round_)
    record = json.loads(re.search(r'id="round">(.*?)</script>', markup, re.S).group(1))
    assert [one["bake"] for one in record["bakes"]] == list(round_.plan.table["bake"])
    assert all([HOT_OIL.subject, HOT_OIL.text] in one["cautions"] for one in record["bakes"])
    assert "invented" in markup


def test_names_never_end_the_data(tmp_path):
    made = doughnut(tmp_path, name="</script><script>alert(1)</script>")
    assert cook_page(made).count("<script") == 2


def test_a_round_without_a_formula_has_a_page_of_settings(tmp_path):
    assert '"grams": []' in cook_page(doughnut(tmp_path, formula=None))


@needs_browser
def test_bakes_are_done_and_failed_reloaded_saved_and_read_back(tmp_path, round_, path):
    with opened(path, phone=True) as page:
        page.get_by_label("egg is in").tap()
        page.get_by_label("sugar really weighed").fill("9,1")
        page.get_by_label("oil temperature really was").fill("168")
        page.get_by_label("fat really was").select_option("sunflower oil")
        page.get_by_label("oil uptake").fill("16,5")
        page.get_by_label("held its shape").select_option("yes")
        page.get_by_label("core when done, °C").fill("95")
        page.get_by_label("Note").fill("=browned, fast")
        page.locator("#done").tap()
        assert page.locator("#bake").text_content() == "B02"
        page.locator("#failed").tap()
        page.get_by_role("button", name="raw inside").tap()
        page.get_by_role("button", name="not served").tap()
        page.reload()
        assert page.locator("#bake").text_content() == "B02"
        assert page.get_by_label("Reason").input_value() == "raw inside"
        page.locator("#next").tap()
        page.locator("#failed").tap()
        page.locator("#undo").tap()
        assert page.locator("#state").text_content() == "to do"
        file = saved(page, tmp_path)
    table = read_csv(file).set_index("bake")
    assert list(table.index) == list(round_.plan.table["bake"])
    assert table.loc["B01", "status"] == "made"
    assert table.loc["B01", "note"] == "=browned, fast; sugar really 9,1 g; core 95 °C"
    assert list(table.loc["B02", ["status", "reason"]]) == ["not served", "raw inside"]
    assert table.loc["B03", "status"] == ""
    reading, holds_any = read_source(Source(file, FILE), {BAKES: cook_form(round_)})
    assert reading.problems == []
    assert holds_any
    found = {(entry.address[1][0], entry.address[2]): entry.value for entry in reading.entries}
    assert found["B01", "actual oil temperature"] == 168
    assert found["B01", "actual fat"] == "sunflower oil"
    assert found["B01", "oil uptake"] == 16.5
    assert found["B02", "status"] == "not served"


@needs_browser
def test_done_goes_on_to_the_first_bake_that_is_left(path):
    with opened(path, phone=True) as page:
        page.get_by_role("button", name="B03 to do").tap()
        page.locator("#done").tap()
        assert page.locator("#bake").text_content() == "B04"
        page.get_by_role("button", name=re.compile("^B18")).tap()
        page.locator("#done").tap()
        assert page.locator("#bake").text_content() == "B01"
        assert page.locator("#count").text_content() == "2 of 18 bakes are done."


@needs_browser
def test_buttons_are_large_and_nothing_is_cut_off(path):
    with opened(path, phone=True) as page:
        assert overlaps_and_clips(page) == []
        page.locator("#failed").tap()
        assert overlaps_and_clips(page) == []
        for name in ("back", "failed", "done", "next"):
            box = page.locator(f"#{name}").bounding_box()
            assert box["height"] >= 60
            assert box["width"] >= 60


PER_BAKE = (
    Measure("crumb", "check all", words=["holes", "dense"], per="bake"),
    Measure("shape", "just about right 5", anchors=["flat", "round"], per="bake"),
    Measure("colour", ("intensity", 0, 10), per="bake"),
    Measure("smell of the oil", "words", per="bake"),
    Measure("held its shape", "passed", per="bake"),
)


@needs_browser
def test_every_kind_that_is_answered_once_a_bake_is_asked_and_read_back(tmp_path):
    made = doughnut(tmp_path, measures=PER_BAKE)
    path = tmp_path / "cook.html"
    path.write_text(cook_page(made), "utf-8")
    with opened(path, phone=True) as page:
        page.get_by_label("crumb: holes").tap()
        page.get_by_label("crumb: none of these").tap()
        assert not page.get_by_label("crumb: holes").is_checked()
        page.get_by_label("crumb: dense").tap()
        page.get_by_label("crumb: holes").tap()
        assert not page.get_by_label("crumb: none of these").is_checked()
        page.get_by_label("shape", exact=True).select_option(label="5  round")
        page.get_by_label("colour").fill("7,5")
        page.get_by_label("smell of the oil").fill("fresh, not burnt")
        page.get_by_label("held its shape").select_option("no")
        assert not overlaps_and_clips(page)
        page.locator("#done").tap()
        kept = saved(page, tmp_path)
    table = read_csv(kept)
    row = table[table["bake"] == "B01"].iloc[0]
    for measure, value in zip(
        PER_BAKE, ("holes; dense", 5.0, 7.5, "fresh, not burnt", 0.0), strict=True
    ):
        assert measure.read(row[measure.name]) == value


@needs_browser
def test_the_page_begins_where_the_sheets_are(tmp_path, round_):
    table = pd.DataFrame({"bake": ["B01", "B02"], "status": ["made", "failed"]})
    record_scores(round_, table.assign(reason=["", "fell apart"], taster=pd.NA))
    path = write_text(tmp_path / "later.html", cook_page(round_))
    with opened(path, phone=True) as page:
        assert page.locator("#count").text_content() == "2 of 18 bakes are done."
        assert page.get_by_role("button", name="B02 failed").count() == 1
