"""Power against R, the trade's own sums, and rounds that were simulated."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.design.exchange import optimal
from trials.design.layout import lay_out
from trials.design.power import (
    bakes_needed,
    chance_beyond,
    power,
    smallest_effect,
    strata,
    tasters_or_bakes,
)

EXPECTED = json.loads(
    (Path(__file__).parents[1] / "reference" / "power_expected.json").read_text(encoding="utf-8")
)
TWO_SAMPLE = [row for row in EXPECTED["R_reference"] if row["test"].startswith("two-sample")]
ANOVA = [row for row in EXPECTED["R_reference"] if row["test"] == "one-way anova"]
OIL = Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True)
OTHERS = [
    Numeric("hydration", 92, 108, "%"),
    Numeric("buckwheat", 15, 35, "%"),
    Categorical("fat", ["butter", "lard", "sunflower oil"]),
    Numeric("sugar", 4, 12, "%"),
    Numeric("proof", 40, 70, "min"),
]


def ends(bakes: int, **columns):
    names = [Numeric("rest", 20, 60, "min")]
    table = pd.DataFrame({"rest": [20, 60] * (bakes // 2), **columns})
    return lay_out(names, table, family="both ends", model="main", seed=1)


def kinds(groups: int, each: int):
    factor = Categorical("flour", [f"f{n}" for n in range(groups)])
    table = pd.DataFrame({"flour": [level for level in factor.levels for _ in range(each)]})
    return lay_out([factor], table, family="side by side", model="main", seed=1)


def split(wholes: int, each: int, days=None):
    heat = [165] * (wholes // 2) + [180] * (wholes // 2)
    table = pd.DataFrame(
        {
            "oil temperature": np.repeat(heat, each),
            "hydration": [92, 108] * (wholes * each // 2),
            "load": np.repeat(range(wholes), each),
            "day": 1 if days is None else np.repeat(days, each),
        }
    )
    return lay_out([OIL, OTHERS[0]], table, family="split", model="main", seed=1)


@pytest.mark.parametrize("row", TWO_SAMPLE, ids=lambda row: f"{row['n_per_group']}-{row['delta']}")
def test_two_kinds_as_r_has_it(row):
    plan = kinds(2, row["n_per_group"])
    found = power(
        plan, effect=row["delta"], sd_bake=row["sd"], sd_tasting=0, alpha=row["alpha"]
    )  # fmt: skip
    # R's own tolerance for power.t.test is about 1e-4 of a root; its power is direct: 1e-9
    assert found["power"].iloc[0] == pytest.approx(row["power_strict"], rel=1e-9)


@pytest.mark.parametrize("row", ANOVA, ids=lambda row: f"{row['groups']}x{row['n_per_group']}")
def test_several_kinds_as_r_has_it(row):
    # R's between_var is the variance of the means; two kinds apart by d and the others half-way
    # have the variance d^2 / (2 (groups - 1))
    plan = kinds(row["groups"], row["n_per_group"])
    apart = np.sqrt(2 * (row["groups"] - 1) * row["between_var"])
    found = power(plan, effect=apart, sd_bake=np.sqrt(row["within_var"]), sd_tasting=0)
    # The degrees of freedom are computed from matrices here, which costs two digits
    assert found["power"].iloc[0] == pytest.approx(row["power"], rel=1e-7)


def t_test_power(df: float, shift: np.ndarray, limit: float) -> np.ndarray:
    """The chance that |z + shift| is beyond limit times an independent spread, by quadrature.

    Student's own construction of t (Johnson, Kotz & Balakrishnan 1995, section 31.1); it shares
    nothing with a noncentral F but the definition.
    """
    chances = (np.arange(4000) + 0.5) / 4000
    spread = np.sqrt(limit * special.chdtri(df, 1 - chances) / df)
    return (special.ndtr(shift[:, None] - spread) + special.ndtr(-shift[:, None] - spread)).mean(1)


def test_no_noncentrality_leaves_a_power_out():
    """10,000 pairs of noncentrality and degrees of freedom, up to what no kitchen reaches."""
    sizes = np.geomspace(1e-3, 1e8, 500)
    for df in np.unique(np.geomspace(1, 3000, 22).round())[:20]:
        limit = float(stats.f.isf(0.05, 1, df))
        found = np.array([chance_beyond(1, df, size, limit) for size in sizes])
        assert np.isfinite(found).all()
        assert (np.diff(found) > -1e-9).all()
        # The rule of midpoints is as near as this where the spread is that of one or two bakes
        np.testing.assert_allclose(found, t_test_power(df, np.sqrt(sizes), limit), atol=5e-4)


def test_a_larger_effect_never_needs_more_bakes_and_none_goes_missing():
    """It was 2,583 bakes where 18 do, and none at all for 60: a NaN read as "not reached"."""
    plan = kinds(2, 8)
    effects = np.linspace(0.15, 6, 120)
    rows = [
        bakes_needed(plan, effect=effect, sd_bake=1, sd_tasting=0).iloc[0] for effect in effects
    ]
    needed = [row["needed"] for row in rows]
    assert not any(pd.isna(one) for one in needed)
    assert (np.diff(np.array(needed, dtype=int)) <= 0).all()
    # Cohen 1988, table 2.4.1 (two-tailed 0.05, power 0.80): n a group for d = 0.20, 0.50, 0.80, 1
    for d, each in ((0.2, 393), (0.5, 64), (0.8, 26), (1.0, 17)):
        found = bakes_needed(plan, effect=d, sd_bake=1, sd_tasting=0)["bakes"].iloc[0]
        assert abs(int(found) - 2 * each) <= 2


def test_a_large_effect_is_seen_for_sure():
    effects = np.linspace(5, 400, 300)
    chances = [power(kinds(2, 8), effect=e, sd_bake=0.25)["power"].iloc[0] for e in effects]
    assert np.isfinite(chances).all()
    assert min(chances[60:]) > 1 - 1e-9


def test_bakes_needed_as_r_has_it():
    needed = bakes_needed(kinds(2, 5), effect=1, sd_bake=1, sd_tasting=0)
    per_kind = EXPECTED["sample_size"]["t_n_for_80"]
    assert needed["needed"].iloc[0] == int(np.ceil(2 * per_kind))
    needed = bakes_needed(kinds(2, 5), effect=1, sd_bake=1, sd_tasting=0, chance=0.9)
    assert needed["needed"].iloc[0] == int(np.ceil(2 * EXPECTED["sample_size"]["t_n_for_90"]))


@pytest.mark.parametrize(
    ("tasting", "bake", "tasters", "bakes", "se"),
    [(1.5, 0.3, 6, 8, 0.48), (1.5, 0.3, 8, 8, 0.43), (1.5, 0.3, 8, 16, 0.30),
     (1.5, 0.3, 12, 16, 0.26), (1.5, 0.5, 8, 16, 0.36)],
)  # fmt: skip
def test_precision_a_small_kitchen_can_expect(tasting, bake, tasters, bakes, se):
    # The trade sheet's table, two decimals
    found = power(ends(bakes), effect=1, sd_tasting=tasting, sd_bake=bake, tasters=tasters)
    assert round(found["se"].iloc[0], 2) == se


def test_four_oil_fills_leave_two_degrees_of_freedom():
    # The trade sheet: sd_w 0.3, W 4, N 16, n 8: SE 0.43, 2 df, 1.8 to be significant at all
    found = power(split(4, 4), effect=1, sd_load=0.3, sd_bake=0.3, sd_tasting=1.5, tasters=8)
    heat = found.iloc[0]
    assert round(heat["se"], 2) == 0.43
    assert heat["df"] == pytest.approx(2, abs=1e-6)
    assert heat["judged_on"] == "oil fills"
    assert round(stats.t.ppf(0.975, heat["df"]) * heat["se"], 1) == 1.8
    assert found.iloc[1]["judged_on"] == "bakes"
    assert found.iloc[1]["df"] == pytest.approx(16 - 4 - 1, abs=1e-6)


def test_the_demo_rounds_figures():
    # The trade sheet, scenario A: temperature 0.33 on 4 df, about 1.2; others 0.20, about 0.6
    plan = optimal(
        [OIL, *OTHERS], model="main", bakes=24, days=6, loads=6, references=6, criterion="D", seed=1
    )
    found = power(plan, effect=1, tasters=8).set_index("term")
    heat = found.loc["oil temperature"]
    assert round(heat["se"], 2) == 0.33
    assert heat["df"] == pytest.approx(4, abs=0.2)
    assert heat["smallest_effect"] == pytest.approx(1.2, abs=0.1)
    assert heat["judged_on"] == "oil fills"
    for name in ("hydration", "buckwheat", "sugar", "proof"):
        assert round(found.loc[name, "se"], 2) == 0.20
        assert round(found.loc[name, "smallest_effect"], 1) == 0.6
        assert found.loc[name, "judged_on"] == "bakes"


def test_more_tasters_do_not_mend_oil_fills():
    plan = split(6, 4)
    table = tasters_or_bakes(plan, tasters=8).set_index("term")
    assert table.loc["oil temperature", "better"] == "bakes"
    crowd = smallest_effect(plan, tasters=1000).set_index("term")["smallest_effect"]
    # With tasting error gone, two spreads remain: 4 s_w^2 / W + 4 s_b^2 / N
    se = np.sqrt(4 * 0.25**2 / 6 + 4 * (0.25**2 + (0.5**2 + 1.1**2) / 1000) / 24)
    assert crowd["oil temperature"] > 2.8 * se


def test_few_days_are_taken_out_and_a_day_that_is_a_load_is_not():
    two = strata(split(4, 4, days=[1, 2, 1, 2]))
    assert two.fixed.shape[1] == 1
    same = strata(split(4, 4, days=[1, 2, 3, 4]))
    assert same.fixed.shape[1] == 0
    assert same.merged == {"day": "load"}
    found = power(split(4, 4, days=[1, 2, 3, 4]), effect=1, tasters=8)
    bake = 0.25**2 + (0.5**2 + 1.1**2) / 8
    assert found["se"].iloc[0] == pytest.approx(np.sqrt(0.25**2 + 0.2**2 + bake / 4), rel=1e-9)


def test_against_simulated_rounds():
    # Balanced split plot: the exact test of the whole plot is the F of the load means
    plan = split(6, 4)
    spreads = {"sd_load": 0.4, "sd_bake": 0.3, "sd_tasting": 1.2}
    found = power(plan, effect=1.0, tasters=6, **spreads)
    table = plan.table
    rng = np.random.default_rng(20)
    loads = table["load"].to_numpy(dtype=int) - 1
    hot = np.where(table["oil temperature"] == 180, 0.5, -0.5)
    wet = np.where(table["hydration"] == 108, 0.5, -0.5)
    rounds = 20_000
    noise = np.sqrt(0.3**2 + 1.2**2 / 6)
    scores = hot + wet + rng.normal(0, 0.4, (rounds, 6))[:, loads]
    scores = scores + rng.normal(0, noise, (rounds, len(table)))
    means = np.stack([scores[:, loads == load].mean(axis=1) for load in range(6)], axis=1)
    warm = np.array([hot[loads == load][0] > 0 for load in range(6)])
    seen = stats.ttest_ind(means[:, warm], means[:, ~warm], axis=1).pvalue < 0.05
    X = np.column_stack([np.eye(6)[loads], wet])
    residual = scores - scores @ X @ np.linalg.inv(X.T @ X) @ X.T
    slope = scores @ wet / (wet @ wet)
    t = slope / np.sqrt((residual**2).sum(axis=1) / 17 / (wet @ wet))
    also = np.abs(t) > stats.t.ppf(0.975, 17)
    for name, hits in (("oil temperature", seen), ("hydration", also)):
        expected = found.set_index("term").loc[name, "power"]
        error = np.sqrt(expected * (1 - expected) / rounds)
        assert abs(hits.mean() - expected) < 4 * error


def test_where_a_spread_comes_from():
    plan = ends(8)
    said = power(plan, effect=1, sd_bake=0.4).attrs["spreads"]
    assert said["bake"] == "0.4, as given"
    assert said["tasting"].startswith("1.21, usual spread assumed")
    later = lay_out(
        plan.factors, plan.table, family="both ends", model="main", seed=1,
        details={"spreads": {"bake": 0.31}},
    )  # fmt: skip
    assert power(later, effect=1).attrs["spreads"]["bake"] == "0.31, from the earlier round"


def test_a_full_plan_leaves_no_error():
    table = pd.DataFrame({"rest": [20, 60]})
    plan = lay_out([Numeric("rest", 20, 60)], table, family="two", model="main", seed=1)
    row = power(plan, effect=1).iloc[0]
    assert row["df"] == 0
    assert np.isnan(row["power"])
    assert np.isinf(row["smallest_effect"])


def test_repeats_shrink_the_scatter_but_not_the_taste():
    once, often = (
        power(ends(8), effect=1, sd_bake=0, repeats=repeats)["se"].iloc[0] for repeats in (1, 10**4)
    )
    assert once == pytest.approx(2 * np.sqrt(1.46 / 8))
    assert often == pytest.approx(2 * np.sqrt(0.25 / 8), rel=1e-3)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sd_bake": -1}, "sd_bake is -1; a number from 0"),
        ({"sd_bake": 0, "sd_tasting": 0}, "spread between bakes is 0"),
        ({"tasters": 0}, "tasters is 0"),
        ({"effect": {"sugar": 1}}, 'effect names "sugar"'),
        ({"effect": float("nan")}, '"effect" is not a number'),
        ({"alpha": 1.5}, "alpha is 1.5"),
    ],
)
def test_what_can_not_be_is_refused(changes, words):
    with pytest.raises(PlanError, match=words):
        power(ends(8), **({"effect": 1} | changes))
