"""Repeat tastings: told apart from bakes and people, and never counted as either."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials.analysis.fitting import fit
from trials.analysis.question import OWN_VIEW

SPREADS = {"bake": 0.5, "taster": 0.8, OWN_VIEW: 0.6, "tasting": 0.9}


def tasted(rng, *, bakes=12, tasters=6, times=2, effect=0.0, repeated=None):
    """Scores of bakes at two hydrations; `repeated` bakes are tasted `times`, the others once."""
    repeated = bakes if repeated is None else repeated
    of_bake = rng.normal(0, SPREADS["bake"], bakes)
    of_taster = rng.normal(0, SPREADS["taster"], tasters)
    rows = []
    for bake in range(bakes):
        high = bake % 2
        for taster in range(tasters):
            view = rng.normal(0, SPREADS[OWN_VIEW])
            for _ in range(times if bake < repeated else 1):
                score = 6 + effect * (high - 0.5) + of_bake[bake] + of_taster[taster] + view
                score += rng.normal(0, SPREADS["tasting"])
                rows.append((f"B{bake:02d}", f"T{taster}", 96 + 12 * high, score))
    return pd.DataFrame(rows, columns=["bake", "taster", "hydration", "liking"])


def test_the_spreads_come_back():
    rng = np.random.default_rng(5)
    found = [
        fit(tasted(rng, bakes=24, tasters=8), "liking", ["hydration"], model="main").variance
        for _ in range(20)
    ]
    mean = pd.concat(found).groupby("source")["variance"].mean()
    for source, sd in SPREADS.items():
        assert mean[source] == pytest.approx(sd**2, rel=0.2), source


def test_repeats_everywhere_change_no_degree_of_freedom():
    """Twelve bakes stay twelve bakes, whoever tastes them and however often."""
    rng = np.random.default_rng(8)
    for times in (1, 2, 3):
        data = tasted(rng, times=times)
        found = fit(data, "liking", ["hydration"], model="main")
        assert found.effects["df"].iloc[0] == pytest.approx(10)
        exact = data.groupby(["bake", "hydration"])["liking"].mean().reset_index()
        low, high = (exact["liking"][exact["hydration"] == level] for level in (96, 108))
        pooled = np.sqrt((low.var() + high.var()) / 2 * (2 / 6))
        if "bake" not in found.engine.fit.at_boundary:
            assert found.effects["se"].iloc[0] == pytest.approx(pooled, rel=1e-4)


@pytest.mark.slow
def test_no_more_false_findings_with_a_few_hidden_repeats():
    """At 5 %, 300 rounds without any effect: at most 8 % rejected (three standard errors)."""
    rng = np.random.default_rng(21)
    p = [
        fit(tasted(rng, bakes=8, tasters=4, repeated=2), "liking", ["hydration"], model="main")
        .effects["p"]
        .iloc[0]
        for _ in range(300)
    ]
    assert np.mean(np.array(p) < 0.05) < 0.088


def test_repeats_that_only_echo_count_once():
    rng = np.random.default_rng(3)
    data = tasted(rng, times=1)
    echoed = pd.concat([data, data[data["bake"] == "B01"]], ignore_index=True)
    once, again = (fit(one, "liking", ["hydration"], model="main") for one in (data, echoed))
    assert again.effects["se"].iloc[0] == pytest.approx(once.effects["se"].iloc[0])
    assert any("repeat tasting" in note for note in again.notes)


def test_one_taster_repeats_within_the_bake():
    """With one taster the bake already holds the repeats together."""
    rng = np.random.default_rng(4)
    found = fit(tasted(rng, tasters=1, repeated=6), "liking", ["hydration"], model="main")
    assert set(found.variance["source"]) == {"bake", "tasting"}
    assert found.effects["df"].iloc[0] < 11


def test_a_new_bake_is_as_sure_as_its_own_spread_and_no_tasting_makes_it_less():
    rng = np.random.default_rng(6)
    found = fit(tasted(rng), "liking", ["hydration"], model="main")
    row = found.predict({"hydration": 96}).iloc[0]
    reach = row["new_high"] - row["estimate"]
    # Never surer than if the bakes' spread were known, nor as wide as one more tasting would be
    assert reach > stats.norm.ppf(0.975) * np.sqrt(row["se"] ** 2 + found.spread["bake"])
    assert reach < stats.norm.ppf(0.975) * np.sqrt(found.spread["bake"] + found.spread["tasting"])


def test_a_plan_that_spends_every_bake_is_judged_on_bake_means():
    rng = np.random.default_rng(7)
    data = tasted(rng, bakes=8, repeated=3)
    for name, period in (("fat", 4), ("sugar", 2)):
        data[name] = [int(bake[1:]) // period % 2 for bake in data["bake"]]
    model = ["hydration", "fat", "sugar", "hydration:fat", "hydration:sugar", "fat:sugar"]
    model += ["hydration:fat:sugar"]
    found = fit(data, "liking", ["hydration", "fat", "sugar"], model=model)
    assert found.method == "Lenth's method"
    assert found.averaged is not None
