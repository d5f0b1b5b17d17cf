"""The bakes in the order of what a repeat is expected to score."""

import re

import numpy as np
import pandas as pd
import pytest

import trials
from trials.analysis.fitting import fit
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure

FACTORS = [Numeric("rest", 20, 60, "min"), Categorical("fat", ["butter", "lard"])]
LIKING = Measure("liking", "hedonic 9", goal="higher")


def tasted(effect, seed, failed=None):
    """Eight bakes by two tasters in whole points; bake sd 0.25, a score's 1.2, as in power."""
    rng = np.random.default_rng(seed)
    rows = []
    for place in range(8):
        rest, fat = (20, 60)[place % 2], ("butter", "lard")[place // 2 % 2]
        truth = 5.5 + effect / 2 * (1 if rest == 60 else -1) + 0.25 * rng.standard_normal()
        for taster in ("Ada", "Ben"):
            score = np.clip(np.round(truth + 1.2 * rng.standard_normal()), 1, 9)
            rows.append((f"B{place + 1:02d}", rest, fat, taster, score, "made", ""))
    names = ["bake", "rest", "fat", "taster", "liking", "status", "reason"]
    table = pd.DataFrame(rows, columns=names)
    if failed:
        lost = table["bake"] == failed
        table.loc[lost, ["liking", "status", "reason"]] = np.nan, "failed", "tore"
    return table


def test_the_best_comes_first_and_what_failed_last_with_its_reason():
    found = fit(tasted(2.5, 4, failed="B03"), "liking", FACTORS, measure=LIKING)
    columns = ["bake", "settings", "mean", "low", "high", "scores", "status"]
    assert list(found.bakes)[:7] == columns
    made = found.bakes[found.bakes["status"] == "made"]
    assert made["mean"].is_monotonic_decreasing
    assert "rest 60 min" in made["settings"].iloc[0]
    last = found.bakes.iloc[-1]
    assert (last["bake"], last["status"], last["reason"]) == ("B03", "failed", "tore")
    assert last["scores"] == ()
    assert np.isnan(last["mean"])


def test_lower_is_better_where_that_is_the_goal():
    lower = Measure("liking", "hedonic 9", goal="lower")
    found = fit(tasted(2.5, 4), "liking", FACTORS, measure=lower)
    assert found.bakes["mean"].is_monotonic_increasing


def test_a_lucky_bake_is_said_to_come_out_lower():
    found = fit(tasted(0.0, 2), "liking", FACTORS, measure=LIKING)
    best = found.bakes.assign(scored=[np.mean(one) for one in found.bakes["scores"]])
    top = best.sort_values("scored").iloc[-1]
    assert top["mean"] < top["scored"]
    said = next(one for one in found.sentences if one.startswith("Best bake so far"))
    first = found.bakes.iloc[0]
    assert f"{first['bake']} scored" in said
    assert f"expect about {first['mean']:.1f}".rstrip("0").rstrip(".") in said


@pytest.mark.parametrize("effect", [0.0, 2.0])
def test_a_repeat_of_the_bake_on_top_comes_out_within_its_interval(effect):
    """The truth is known: 80 rounds of pure noise, or with one effect, and the top bake again."""
    rng, held = np.random.default_rng(1), []
    for seed in range(80):
        found = fit(tasted(effect, seed), "liking", FACTORS, measure=LIKING, model="main")
        top = found.bakes.iloc[0]
        truth = 5.5 + effect / 2 * (1 if "rest 60" in top["settings"] else -1)
        again = truth + np.hypot(0.25, 1.2 / np.sqrt(2)) * rng.standard_normal()
        held.append(top["low"] <= again <= top["high"])
    # 95 % less three standard errors of 80 rounds
    assert np.mean(held) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 80)


@pytest.mark.parametrize("seed", range(3))
def test_one_range_for_a_bake_wherever_it_is_told(seed):
    """As the bakes are told and as its setting is recommended: in the table and in the sentence."""
    found = fit(tasted(1.5, seed), "liking", FACTORS, measure=LIKING)
    best = trials.recommend(found, [LIKING])
    row, scored = best.expected.iloc[0], found.residuals
    here = (scored[list(best.settings)] == pd.Series(best.settings)).all(axis=1)
    own = found.bakes.set_index("bake").loc[scored.loc[here, "bake"].iloc[0]]
    assert (row["new_low"], row["new_high"]) == (own["low"], own["high"])
    low, high = re.search(r"one new bake ([\d.]+) to ([\d.]+)", repr(best)).groups()
    assert (float(low), float(high)) == pytest.approx((own["low"], own["high"]), abs=0.05)


def test_bakes_of_one_setting_have_one_range():
    """Two bakes of a setting are expected to score alike when they are made again."""
    found = fit(tasted(1.5, 3), "liking", FACTORS, measure=LIKING)
    for _, alike in found.bakes.groupby("settings"):
        assert len(alike) == 2
        assert len(alike[["mean", "low", "high"]].drop_duplicates()) == 1


def test_a_line_says_why_a_bake_stands_above_one_that_scored_more():
    """The order is of what a repeat is expected to score; where that is the scored one, no word."""
    told = 0
    for seed in range(6):
        found = fit(tasted(2.5, seed), "liking", FACTORS, measure=LIKING)
        made = found.bakes["scores"].map(np.mean).to_numpy()
        out_of_order = any(made[n:].max() > made[n] for n in range(3))
        said = found.sentences[-1]
        assert ("order of what a repeat is expected to score" in said) == out_of_order
        if out_of_order:
            upper, lower, scored = re.search(
                r"score: (B\d+) above (B\d+), which scored ([\d.]+),", said
            ).groups()
            rows = found.bakes.set_index("bake")
            assert rows.loc[upper, "mean"] >= rows.loc[lower, "mean"]
            assert np.mean(rows.loc[upper, "scores"]) < np.mean(rows.loc[lower, "scores"])
            assert float(scored) == pytest.approx(np.mean(rows.loc[lower, "scores"]), abs=0.05)
            told += 1
    assert 0 < told < 6
