"""A round keeps what its bake day needs, and opens without it."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.rounds.rounds_to_bake import KITCHEN, STEPS, doughnut
from trials.base.errors import RoundError
from trials.rounds.amounts import shopping_list, weights
from trials.rounds.kitchen import (
    Batch,
    Heat,
    Kitchen,
    Prices,
    Step,
    batch_from,
    batch_record,
    kitchen_from,
    kitchen_record,
    prices_from,
    prices_record,
    step_from,
    step_record,
)
from trials.rounds.round import Round
from trials.rounds.timetable import timetable
from trials.show.bake_sheets import bake_sheets

BATCH = Batch(pieces=12, piece=40, loss=4, scales=(1, 0.5))
PRICES = Prices({"butter": 9.5, "bread flour": 1.2}, "EUR")
MINUTES = st.one_of(st.floats(0, 600), st.integers(0, 600))


@pytest.fixture
def round_(tmp_path):
    return doughnut(tmp_path, batch=BATCH, steps=STEPS, kitchen=KITCHEN, prices=PRICES)


def test_what_a_bake_day_needs_comes_back_from_the_folder(round_):
    again = Round.open(round_.folder)
    assert again.batch == BATCH
    assert again.steps == STEPS
    assert again.kitchen == KITCHEN
    assert again.prices == PRICES


def test_a_folder_that_says_nothing_of_it_opens_as_before(tmp_path):
    made = doughnut(tmp_path)
    text = (made.folder / "round.toml").read_text("utf-8")
    assert not re.search(r"batch|steps|kitchen|prices", text)
    again = Round.open(made.folder)
    assert (again.batch, again.steps, again.kitchen, again.prices) == (Batch(), (), None, None)


def test_the_same_round_made_again_is_opened_and_another_batch_is_another_round(tmp_path, round_):
    kept = {"steps": STEPS, "kitchen": KITCHEN, "prices": PRICES}
    assert doughnut(tmp_path, batch=BATCH, **kept).batch == BATCH
    with pytest.raises(RoundError, match="already holds another round"):
        doughnut(tmp_path, batch=Batch(dough=600), **kept)


def test_sheets_shopping_and_timetable_take_what_the_round_keeps(round_):
    assert weights(round_)["exact"].equals(weights(round_, BATCH)["exact"])
    assert "cost (EUR)" in shopping_list(round_)
    assert "shape and fry" in bake_sheets(round_)
    days = timetable(round_, effort=0).days
    assert days.equals(timetable(round_.plan, STEPS, KITCHEN, effort=0).days)


@given(dough=st.one_of(st.none(), st.floats(1, 1e5)), loss=st.floats(0, 99))
def test_a_batch_is_the_same_after_it_was_written(dough, loss):
    batch = Batch(dough=dough, loss=loss)
    assert batch_from(batch_record(batch)) == batch


@given(minutes=st.one_of(MINUTES, st.just("proof")), wait=st.one_of(st.none(), MINUTES))
def test_a_step_is_the_same_after_it_was_written(minutes, wait):
    step = Step("fry", minutes, ("pot", "hands"), per="load", wait=wait)
    assert step_from(step_record(step)) == step


def test_a_kitchen_and_prices_are_the_same_after_they_were_written():
    kitchen = Kitchen(
        {"hands": 2, "oven": 1}, (Heat("oven", setting=200),), "7:30", "15:00", 90, fresh=60
    )
    assert kitchen_from(kitchen_record(kitchen)) == kitchen
    assert kitchen_from({}) == Kitchen()
    assert prices_from(prices_record(PRICES)) == PRICES


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("[batch]\ndoughs = 3", r'line \d+: "doughs" .*is "dough" meant'),
        ("[batch]\ndough = -3", "dough is -3"),
        ("[batch]\ndough = 'much'", r"line \d+: \"dough\" .* is 'much'; expected a number"),
        ("[prices]\nper_kilogram = {butter = 3}", "need a currency"),
        (
            "[prices]\ncurrency = 'EUR'\nper_kilogram = {butter = 'dear'}",
            r"line \d+: \"butter\" .* is 'dear'; expected a number",
        ),
        ("[[steps]]\nname = 'mix'", r'line \d+: "minutes" .*is missing'),
        ("[[steps]]\nname = 'mix'\nminutes = nan", r'line \d+: "minutes" .* is nan'),
        ("[kitchen]\nuntil = 'late'", "'late' is not a time"),
        ("[kitchen.things]\nhands = 1.5", r'line \d+: "hands" .* is 1\.5'),
        ("[[kitchen.heats]]\nfactor = 'oven'", r'line \d+: "thing" .*is missing'),
    ],
)
def test_a_spoiled_table_is_named_with_its_file(tmp_path, table, message):
    made = doughnut(tmp_path)
    path = made.folder / "round.toml"
    path.write_text(path.read_text("utf-8") + "\n" + table + "\n", "utf-8")
    with pytest.raises(RoundError, match=message):
        Round.open(made.folder)


def test_a_step_that_needs_what_is_not_there_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(RoundError, match='"fry" needs "wok"'):
        doughnut(tmp_path, steps=[Step("fry", 5, "wok")])
    assert not (tmp_path / "round").exists()
