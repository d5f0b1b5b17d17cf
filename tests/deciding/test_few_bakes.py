"""Six bakes and one taster, one of them fallen apart: what a person is told first (invented)."""

import re

import numpy as np
import pandas as pd
import pytest

import trials
from trials.analysis.answers import Answers
from trials.analysis.question import kept_evidence
from trials.deciding.choosing import best_so_far
from trials.design.layout import lay_out
from trials.doors.cli import run
from trials.rounds.forms import read_serving
from trials.rounds.scores import record_scores

UNTRIED = "No bake has tried this setting yet."
FAILED = r"1 of 6 bakes failed \(fell apart in the oil\): bake B0\d[.;]"
FACTORS = (
    trials.Numeric("potato", 0, 80, "%"),
    trials.Categorical("cooking", ["deep-fried", "pan-fried"]),
    trials.Numeric("rest", 0, 60),
    trials.Numeric("onion", 20, 40, "%"),
    trials.Numeric("oil temperature", 165, 178, "°C", only_when=("cooking", ["deep-fried"])),
)
BAKED = [
    (0, "deep-fried", 0, 40, 178),
    (80, "deep-fried", 0, 20, 165),
    (0, "deep-fried", 60, 40, 165),
    (80, "pan-fried", 60, 40, np.nan),
    (0, "pan-fried", 60, 20, np.nan),
    (80, "deep-fried", 60, 20, 178),
]
SCORES = (7.0, np.nan, 8.0, 4.0, 6.5, 6.5)  # the second fell apart


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    home = tmp_path_factory.mktemp("few") / "round-1"
    settings = pd.DataFrame(BAKED, columns=[one.name for one in FACTORS])
    plan = lay_out(FACTORS, settings, family="own", model="main", seed=3)
    names = [one.name for one in FACTORS]
    scored = plan.rows[["bake", *names]].merge(settings.assign(liking=SCORES), on=names)
    scores = scored.set_index("bake")["liking"]
    liking = trials.Measure("liking", "hedonic 9", goal="higher")
    round_ = trials.Round.create(
        home, plan=plan, measures=[liking], tasters=[trials.Taster("Ada")], seed=5, invented=True
    )
    trials.write_sheets(round_)
    served = read_serving(round_)[["taster", "code", "bake"]]
    made = scores.dropna()
    served = served[served["bake"].isin(made.index)].assign(status="made", reason="")
    lost = {"bake": scores.index[scores.isna()], "status": "failed"}
    lost["reason"] = "fell apart in the oil"
    tasted = served.assign(liking=served["bake"].map(made))
    record_scores(round_, pd.concat([tasted, pd.DataFrame(lost)], ignore_index=True))
    return home


def said_by(capsys, *words):
    assert run(list(map(str, words))) == 0
    return capsys.readouterr().out


def test_a_setting_that_nobody_baked_is_said_to_be_such_wherever_it_is_named(
    folder, tmp_path, capsys
):
    best = best_so_far(Answers(kept_evidence(trials.Round.open(folder))))
    rows = pd.DataFrame(BAKED, columns=[one.name for one in FACTORS])
    chosen = pd.Series(best.settings).replace("", np.nan)
    alike = (rows[list(best.settings)] == chosen) | (
        rows[list(best.settings)].isna() & chosen.isna()
    )
    assert not alike.all(axis=1).any()
    fit = said_by(capsys, "fit", folder)
    assert f"{UNTRIED} Expected: liking" in fit
    assert UNTRIED in said_by(capsys, "next", folder, "--bakes", 3, "--to", tmp_path / "next")
    assert UNTRIED in said_by(capsys, "story", folder)
    page = trials.report(trials.Round.open(folder), tmp_path / "page.html").read_text("utf-8")
    assert UNTRIED in page.split('<div class="answer">')[1].split("</div>")[0]


def test_failed_bakes_are_named_by_fit_and_next(folder, tmp_path, capsys):
    assert re.search(FAILED, said_by(capsys, "fit", folder))
    said = said_by(capsys, "next", folder, "--bakes", 3, "--to", tmp_path / "next")
    assert re.search(FAILED, said)


def test_what_is_expected_lies_on_the_scale(folder, capsys):
    said = said_by(capsys, "story", folder)
    size, low, high = map(
        float,
        re.search(
            r"expected at ([\d.]+)\. One bake of it would come out between ([\d.]+) and ([\d.]+)\.",
            said,
        ).groups(),
    )
    assert 1 <= low <= size <= high <= 9


def test_what_was_left_out_has_no_number(folder):
    found = Answers(kept_evidence(trials.Round.open(folder))).on("liking")
    note = next(one for one in found.notes if "was left out" in one)
    gone = set(re.findall(r'"([^"]+)"', note.split(" can not be told")[0]))
    assert gone
    assert not gone & set(found.spoken["term"])
    numbered = [one for one in found.sentences if re.search(r"over .*: [+−]?\d", one)]
    assert numbered
    assert not any(one.lower().startswith(tuple(gone)) for one in numbered)


@pytest.mark.parametrize(("most", "sittings"), [(None, 1), (5, 2)])
def test_few_bakes_of_one_taster_meet_at_one_sitting(tmp_path, most, sittings):
    settings = pd.DataFrame(BAKED, columns=[one.name for one in FACTORS])
    round_ = trials.Round.create(
        tmp_path / "round-1",
        plan=lay_out(FACTORS, settings, family="own", model="main", seed=3),
        measures=[trials.Measure("liking", "hedonic 9", goal="higher")],
        tasters=[trials.Taster("Ada")],
        seed=5,
        sitting=most,
    )
    trials.write_sheets(round_)
    serving = read_serving(round_)
    assert serving["sitting"].nunique() == sittings
    assert set(serving["bake"]) == set(round_.plan.table["bake"])
    notes = (round_.folder / "serving-notes.txt").read_text("utf-8")
    assert ("write sitting = 7 into round.toml" in notes) == (sittings > 1)
    assert ("All 7 pieces are tasted at one sitting" in notes) == (sittings == 1)
