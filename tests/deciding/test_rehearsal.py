"""Invented rounds: the truth is what was asked for, and every level of error is there."""

import numpy as np
import pandas as pd
import pytest

from trials.base.errors import PlanError, TrialsError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Failure, Spreads, rehearse, true_means
from trials.design.factorial import full_factorial
from trials.design.layout import lay_out

REST = Numeric("rest", 20, 60, "min")
OIL = Numeric("oil", 165, 180, hard_to_change=True)
FAT = Categorical("fat", ["butter", "lard"])
FLOUR = Categorical("flour", ["rye", "oat", "wheat"])
SILENT = Spreads(tasting=0, taster_by_bake=0, taster=0, bake=0, load=0, day=0)


def many(count, loads=None, days=1):
    """A plan of one setting per load, many times over."""
    frame = pd.DataFrame({"oil": [165.0, 180.0] * (count // 2)})
    frame["load"] = np.arange(count) // (count // loads) + 1 if loads else pd.NA
    frame["day"] = np.arange(count) // (count // days) + 1
    factors = [OIL if loads else Numeric("oil", 165, 180)]
    if loads:
        frame["oil"] = np.where(frame["load"] % 2, 165.0, 180.0)
    return lay_out(factors, frame, family="many", model="main", seed=1)


def test_a_number_s_effect_is_from_low_to_high_and_its_square_from_middle_to_ends():
    table = pd.DataFrame({"rest": [20, 40, 60]})
    assert true_means(table, [REST], {"rest": 1.0, "rest^2": 0.4}, 6.0).tolist() == [5.9, 6.0, 6.9]


def test_a_pair_is_half_the_difference_between_two_effects():
    table = pd.DataFrame({"rest": [20, 60, 20, 60], "oil": [165, 165, 180, 180]})
    low, high = np.diff(true_means(table, [REST, OIL], {"rest:oil": 0.8}, 6.0))[[0, 2]]
    assert (high - low) / 2 == pytest.approx(0.8)


def test_kinds_are_the_second_over_the_first_or_what_each_adds():
    two = true_means(pd.DataFrame({"fat": ["butter", "lard"]}), [FAT], {"fat": 0.6}, 6.0)
    assert two[1] - two[0] == pytest.approx(0.6)
    flours = pd.DataFrame({"flour": ["rye", "oat", "wheat"]})
    added = {"rye": -0.5, "oat": 0.2}
    assert true_means(flours, [FLOUR], {"flour": added}, 6.0).tolist() == [5.5, 6.2, 6.0]


def test_the_rest_works_more_in_one_kind_than_in_another():
    table = pd.DataFrame({"rest": [20, 60, 20, 60], "flour": ["rye", "rye", "oat", "oat"]})
    means = true_means(table, [REST, FLOUR], {"rest:flour": {"rye": 1.0, "oat": -0.5}}, 6.0)
    assert np.diff(means)[[0, 2]].tolist() == [1.0, -0.5]


def test_without_error_the_scores_are_the_truth():
    plan = full_factorial([REST, FAT], seed=1)
    scores = rehearse(plan, {"rest": 1.0}, spreads=SILENT, rounded=False, seed=1)
    assert np.array_equal(scores["liking"], 6 + (scores["rest"] - 40) / 40)


def test_scores_on_a_scale_are_whole_and_stay_on_it():
    plan = many(200)
    scores = rehearse(plan, {"oil": 6.0}, tasters=3, seed=1)["liking"]
    assert set(scores) <= set(range(1, 10))
    assert {1.0, 9.0} <= set(scores)


@pytest.mark.parametrize("name", ["bake", "load", "day", "taster", "taster_by_bake"])
def test_every_level_of_error_is_as_large_as_was_asked(name):
    spreads = Spreads(**{**dict.fromkeys(SILENT.__dict__, 0.0), name: 2.0})
    plan = many(2000, loads=1000, days=500)
    scores = rehearse(
        plan, {}, tasters=400 if name == "taster" else 2, spreads=spreads, rounded=False, seed=1
    )
    units = {"taster_by_bake": ["bake", "taster"]}.get(name, [name])
    means = scores.groupby(units)["liking"].mean()
    # Nothing else varies: inside a unit all scores are alike
    assert scores.groupby(units)["liking"].std().fillna(0).max() < 1e-9
    # The spread of n draws is off by 1 / sqrt(2 n) of itself; four of those errors are allowed
    assert means.std() == pytest.approx(2.0, rel=4 / np.sqrt(2 * len(means)))


def test_a_failed_bake_has_no_score_at_all():
    plan = many(400)
    failures = [Failure({"oil": (175, 185)}, 0.5, "raw core"), Failure({"oil": 165.0}, 0.0)]
    scores = rehearse(plan, {}, tasters=3, failures=failures, seed=1)
    failed = scores["status"] == "failed"
    assert scores.loc[failed, "liking"].isna().all()
    assert (scores.loc[failed, "reason"] == "raw core").all()
    assert scores.loc[~failed, "liking"].notna().all()
    assert set(scores.loc[failed, "oil"]) == {180.0}
    share = failed.sum() / (scores["oil"] == 180).sum()
    assert share == pytest.approx(0.5, abs=4 * np.sqrt(0.25 / 200))


def test_a_measure_per_bake_has_one_row_per_bake_and_no_taster():
    uptake = Measure("oil uptake", "number", unit="%", per="bake")
    scores = rehearse(many(10), {}, measure=uptake, mean=17, tasters=5, seed=1)
    assert len(scores) == 10
    assert scores["taster"].isna().all()
    assert (scores["oil uptake"] % 1 != 0).any()


def test_the_same_seed_gives_the_same_scores():
    first, again, other = (rehearse(many(20), {}, tasters=3, seed=s) for s in (4, 4, 5))
    assert first.equals(again)
    assert not first.equals(other)


def test_what_can_not_be_rehearsed_is_refused():
    plan = many(4)
    with pytest.raises(PlanError, match="tasters is 0"):
        rehearse(plan, {}, tasters=0)
    with pytest.raises(PlanError, match="tasters names nobody"):
        rehearse(plan, {}, tasters=[])
    with pytest.raises(PlanError, match="names salt"):
        rehearse(plan, {}, failures=[Failure({"salt": 1}, 1.0)], seed=1)
    with pytest.raises(TrialsError, match='"salt" is not made of the factors'):
        rehearse(plan, {"salt": 1.0})
