"""The three lines that a page opens with, where a reader is easily misled."""

import html
import re

import numpy as np
import pandas as pd
import pytest

import trials
from tests.deciding.small_development import FACTORS, FORMULA, LIKING, TASTERS
from trials.deciding.first_lines import first_lines
from trials.deciding.next_bakes import NextStep
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import full_factorial
from trials.rounds.scores import record_scores
from trials.show.sheets import write_sheets

QUIET = Spreads(tasting=0.5, taster_by_bake=0.1, taster=0.4, bake=0.3, load=0, day=0)
METHOD = trials.Categorical("method", ["oven", "griddle"])


def opened(home, truth, change, factors=FACTORS, measures=(LIKING,), seed=4):
    """Return what stands before the first heading of the page of eight invented bakes."""
    round_ = trials.Round.create(
        home / "round-1",
        plan=full_factorial(factors, seed=3),
        measures=list(measures),
        formula=FORMULA,
        tasters=TASTERS[:2],
        seed=5,
        invented=True,
    )
    names = [taster.name for taster in TASTERS[:2]]
    table = rehearse(
        round_.plan, truth, mean=5.5, measure=LIKING, tasters=names, spreads=QUIET, seed=seed
    )
    write_sheets(round_)
    record_scores(round_, change(table.assign(status="made")))
    text = trials.report(round_).read_text(encoding="utf-8")
    block = text.split('<div class="answer">')[1].split("</div>")[0]
    said = html.unescape(re.sub(r"<[^>]*>", " ", block)).replace("\u00a0", " ")
    return " ".join(said.split())


def test_what_is_sure_stands_beside_what_to_do(tmp_path):
    said = opened(tmp_path, {"fat": -2.5}, lambda table: table)
    assert "Go for fat butter. Besides, but not settled: hydration" in said
    assert "Sure so far: fat matters for liking." in said


def test_a_method_that_failed_is_named_and_not_gone_for(tmp_path):
    def torn(table):
        griddle = table[table["method"] == "griddle"]
        lost = table["bake"].isin(griddle["bake"].unique()[:3])
        bakes = table[lost].drop_duplicates("bake")
        bakes = bakes.assign(taster=None, status="failed", reason="tore", liking=np.nan)
        return pd.concat([table[~lost], bakes], ignore_index=True)

    said = opened(tmp_path, {"hydration": 1.2}, torn, (FACTORS[0], METHOD, FACTORS[2]))
    assert "3 of 8 bakes failed (tore), all with method griddle" in said
    do = said.split("Next.")[0]
    assert "Keep off method griddle for now: 3 of its 4 bakes failed." in do
    assert "method oven" in do


def test_a_lucky_bake_is_told_to_be_partly_luck(tmp_path):
    def lucky(table):
        return table.assign(liking=table["liking"].mask(table["bake"] == "B05", 9.0))

    said = opened(tmp_path, {"fat": 0.1}, lucky, seed=21)
    found = re.search(
        r"best bake so far, B05, scored 9.0: partly luck; expect about ([\d.]+)", said
    )
    assert 5 < float(found.group(1)) < 9
    low, high = re.search(r"score between (\d\.\d) and (\d\.\d)", said).groups()
    assert 1 <= float(low) < float(high) <= 9  # the ends of the scale


def test_what_a_compromise_gives_up_is_said(tmp_path):
    oily = trials.Measure("oiliness", ("intensity", 0, 10), goal="lower", worth_noticing=1.0)

    def soaked(table):
        wet = (table["hydration"].astype(float) - 55) / 5
        noise = np.random.default_rng(8).normal(0, 0.4, len(table))
        return table.assign(oiliness=(4 + 2.5 * wet + noise).clip(0, 10).round(1))

    said = opened(tmp_path, {"hydration": 2.4}, soaked, measures=(LIKING, oily), seed=5)
    given = re.search(r"It gives up ([\d.]+) of liking for less oiliness", said)
    assert 0 < float(given.group(1)) <= LIKING.worth_noticing
    assert "chance of 0 %" not in said


@pytest.mark.parametrize(
    ("moved", "said"),
    [
        (0.01, "in fewer than 1 of 10 cases: they would make it surer rather than better."),
        (0.3, "in 3 of 10 cases."),
    ],
)
def test_bakes_that_hardly_move_the_choice_are_said_to_make_it_surer(moved, said):
    weighed = pd.DataFrame([{"action": "fill the gaps", "moved": moved}])
    step = NextStep(full_factorial(FACTORS, seed=3), (), "fill the gaps", weighed)
    told = first_lines({}, "nothing was scored", step).bake_next
    assert told.startswith("Fill the gaps: 8 bakes over 1 day;")
    assert told.endswith(said)


def test_a_setting_that_was_baked_has_the_range_that_its_bake_is_told_with(tmp_path):
    # Quiet bakes, so that the best setting is one that was made
    said = opened(tmp_path, {"fat": 2.4, "hydration": 1.8}, lambda table: table)
    low, high = re.search(
        r"Baked again it would score between (\d\.\d) and (\d\.\d)", said
    ).groups()
    round_ = trials.Round.open(tmp_path / "round-1")
    best = trials.fit(round_, "liking").bakes.iloc[0]
    assert [low, high] == [f"{best['low']:.1f}", f"{best['high']:.1f}"]


def test_new_bakes_that_are_made_as_one_that_failed_was_are_named(tmp_path):
    def best_is_raw(table):
        lost = table["bake"] == "B02"
        failed = pd.DataFrame([{"bake": "B02", "status": "failed", "reason": "raw inside"}])
        return pd.concat([table[~lost], failed], ignore_index=True)

    opened(tmp_path, {"fat": 1.5, "hydration": 0.8}, best_is_raw)
    round_ = trials.Round.open(tmp_path / "round-1")
    names = [factor.name for factor in FACTORS]
    lost = round_.plan.table.set_index("bake").loc["B02", names]
    for count, action in ((4, "decide between the best"), (3, "fill the gaps")):
        step = trials.next_round(round_, count, action=action)
        new = step.plan.table[~step.plan.table["bake"].isin(round_.plan.table["bake"])]
        alike = new.loc[(new[names] == lost).all(axis=1), "bake"].tolist()
        assert alike
        are = "is" if len(alike) == 1 else "are"
        assert f"bake B02; {' and '.join(alike)} {are} made as B02 was." in repr(step)


def test_a_bake_that_was_never_made_did_not_fail(tmp_path):
    def one_not_baked(table):
        never = pd.DataFrame([{"bake": "B02", "status": "not baked"}])
        return pd.concat([table[table["bake"] != "B02"], never], ignore_index=True)

    opened(tmp_path, {"fat": 1.5, "hydration": 0.8}, one_not_baked)
    said = repr(trials.next_round(trials.Round.open(tmp_path / "round-1"), 3, action="fill"))
    assert "made as B02" not in said
    assert "; ;" not in said


def told_of(scores):
    """Return the line on how sure, of bakes at two rests with the scores of one taster."""
    table = pd.DataFrame({"bake": [f"B{n + 1:02d}" for n in range(len(scores))], "liking": scores})
    table = table.assign(rest=[20, 60] * (len(scores) // 2), taster="Ada")
    rest = trials.Numeric("rest", 20, 60, "min")
    found = trials.fit(table, "liking", [rest], measure=LIKING)
    judged = found.spoken["verdict"].iloc[0]
    without = [
        trials.fit(table.drop(at), "liking", [rest], measure=LIKING).spoken["verdict"].iloc[0]
        for at in table.index
    ]
    said = first_lines({"liking": found}, "none", "nothing").how_sure
    return judged, [table["bake"][at] for at, one in enumerate(without) if one != judged], said


@pytest.mark.parametrize(
    ("scores", "count", "words"),
    [
        ([4, 7, 4, 6, 4, 6, 4, 6, 4, 6, 4, 6], 1, "Without {} {settled}: bake that again."),
        ([4, 8, 4, 5, 4, 6, 4, 5, 4, 8, 5, 7], 2, "Without {} or {} {settled}: bake them again."),
        (
            [4, 8, 4, 5, 4, 6, 4, 5, 4, 7, 5, 7],
            3,
            "Without {}, {} or {} {settled}: bake them again.",
        ),
        ([4, 5, 3, 7, 5, 5, 2, 7, 5, 6, 4, 7], 5, "Leave out any one of 5 bakes, and {settled}."),
    ],
)
def test_a_finding_that_hangs_on_a_few_bakes_is_not_called_sure_alone(scores, count, words):
    """Its direction may stay sure, so nothing is said to rest on that bake alone."""
    judged, turning, said = told_of(scores)
    assert judged == "matters"
    assert len(turning) == count
    settled = "it would not be settled that rest matters for liking"
    assert words.format(*turning, settled=settled) in said
    assert "Sure so far, with every bake counted: rest matters for liking." in said


def test_a_finding_that_any_bake_can_be_spared_for_says_nothing_of_it():
    judged, turning, said = told_of([2, 8, 2, 8, 3, 8, 2, 7, 2, 8, 3, 8])
    assert (judged, turning) == ("matters", [])
    assert "Sure so far: rest matters for liking." in said
    assert "it would not be settled" not in said


def test_tasters_who_only_copy_are_named_first():
    table = pd.DataFrame({"bake": [f"B{n}" for n in range(8)], "rest": [20, 60] * 4})
    table["liking"] = [4, 6, 5, 7, 4, 6, 4, 8]
    both = pd.concat([table.assign(taster=name) for name in ("Ada", "Ben")])
    rest = trials.Numeric("rest", 20, 60, "min")
    found = trials.fit(both, "liking", [rest], measure=LIKING)
    said = first_lines({"liking": found}, "none", "nothing").how_sure
    assert "The scores of Ada and Ben are the same in every row (typed twice?)" in said
