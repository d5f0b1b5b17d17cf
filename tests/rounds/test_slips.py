"""Slips that are on the scale and still stand out: noted with their cell, never changed."""

import pytest

import trials
from tests.rounds.ginger_round import enter, make_round, tidy_scores
from trials.rounds.scores import record_scores
from trials.show.sheets import write_sheets


@pytest.fixture
def round_(tmp_path):
    return make_round(tmp_path / "ginger snap")


@pytest.fixture
def filled(round_):
    record_scores(round_, tidy_scores())
    return round_


def noted(round_, file, row, column):
    return [
        str(note)
        for note in trials.check(round_).notes
        if (note.place.file, note.place.row, note.place.column) == (file, row, column)
    ]


@pytest.mark.parametrize("typed", [6.1, 610, 999])
def test_a_decimal_point_that_slipped_is_noted_and_used(filled, typed):
    enter(filled.folder / "bakes.xlsx", 4, "spread", typed)
    (said,) = noted(filled, "bakes.xlsx", 4, "spread")
    assert "far from all other readings" in said
    assert typed in set(trials.scores(filled)["spread"])


def test_readings_that_differ_as_bakes_do_are_not_noted(filled):
    for row, spread in enumerate([52, 55, 61, 64, 70, 58, 66], start=2):
        enter(filled.folder / "bakes.xlsx", row, "spread", spread)
    assert not [note for note in trials.check(filled).notes if note.place.column == "spread"]


def test_a_reason_without_a_status_is_noted(filled):
    enter(filled.folder / "bakes.xlsx", 3, "status", None)
    enter(filled.folder / "bakes.xlsx", 3, "reason", "tore while turning")
    (said,) = noted(filled, "bakes.xlsx", 3, "reason")
    assert "no status" in said


@pytest.mark.parametrize(("heat", "far"), [(201, False), (900, True)])
def test_a_setting_beyond_what_was_planned_is_noted_and_used(round_, heat, far):
    enter(round_.folder / "bakes.xlsx", 3, "actual oven heat", heat)
    (said,) = noted(round_, "bakes.xlsx", 3, "actual oven heat")
    assert "outside" in said
    assert ("far outside" in said) == far
    assert float(heat) in set(trials.scores(round_)["oven heat"])


def test_a_share_may_be_typed_in_percent_as_the_sheets_show_it(tmp_path):
    one, other = (
        trials.Formula(name, {"bread flour": 100, "water": water, "salt": 2})
        for name, water in (("plain loaf", 60), ("wet loaf", 80))
    )
    share = trials.Numeric("share", 0, 1, changes=("cross", other))
    rest = trials.Numeric("rest", 20, 60, "min")
    made = trials.Round.create(
        tmp_path / "crossed",
        plan=trials.design.full_factorial([share, rest], seed=1),
        measures=[trials.Measure("height", "number", unit="mm")],
        formula=one,
        seed=1,
    )
    write_sheets(made)
    enter(made.folder / "bakes.xlsx", 3, "actual share", 95)
    (said,) = noted(made, "bakes.xlsx", 3, "actual share")
    assert said.endswith("95 was read as 95 %: 1 is the whole here.")
    enter(made.folder / "bakes.xlsx", 3, "actual share", 0.9)
    assert noted(made, "bakes.xlsx", 3, "actual share") == []
