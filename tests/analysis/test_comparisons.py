"""Whole variants against R's adjusted comparisons, by hand, and by simulation."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials.analysis.comparing import (
    chances_best,
    compare,
    compare_nested,
    range_factor,
    range_p,
    reference_factor,
    reference_p,
)
from trials.analysis.fitting import fit
from trials.base.errors import FitError
from trials.core.factors import Categorical
from trials.core.measures import Measure

REFERENCE = Path(__file__).parents[1] / "reference"
CAKE = pd.read_csv(REFERENCE / "cake.csv")


def expected(name):
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


class TestCake:
    """Cochran & Cox 1957, p. 300; R 4.2.2, emmeans 1.8.4-1 and multcomp 1.4-22."""

    def test_all_pairs_of_recipes_in_the_split_plot(self):
        factors = ["recipe", Categorical("temperature", [175, 185, 195, 205, 215, 225])]
        cake = fit(CAKE, "angle", factors, groups=("replicate", "replicate/recipe"))
        pairs = compare(cake, "recipe").pairs
        for known, row in zip(
            expected("cake_expected.json")["pairs_recipe_tukey"], pairs.itertuples(), strict=True
        ):
            assert known["contrast"] == f"{row.level} - {row.reference}"
            assert row.difference == pytest.approx(known["estimate"], rel=1e-9)
            assert row.se == pytest.approx(known["SE"], rel=1e-5)
            assert row.df == pytest.approx(known["df"], rel=1e-5)
            assert row.p == pytest.approx(known["p.value"], rel=1e-5)

    def test_replicate_means_by_tukey_and_dunnett(self):
        means = CAKE.groupby(["replicate", "recipe"], as_index=False)["angle"].mean()
        found = fit(means, "angle", ["recipe"], groups=())
        known = expected("more_expected.json")["cake_multiple"]
        # R's ptukey is off by 3e-5 here, as scipy's own quadrature says
        for row in compare(found, "recipe").pairs.itertuples():
            assert row.p == pytest.approx(
                known["tukey_p"][f"{row.reference} - {row.level}"], abs=5e-5
            )
            root = np.sqrt(2) * row.difference / row.se
            assert row.p == pytest.approx(stats.studentized_range.sf(root, 3, 42), abs=1e-9)
        # multcomp's own quadrature is good to about 1e-3
        for row in compare(found, "recipe", reference="A").pairs.itertuples():
            assert row.p == pytest.approx(known["dunnett_p"][f"{row.level} - A"], abs=1e-3)


def test_dunnett_against_scipy():
    """scipy.stats.dunnett is another road to the same p values and intervals (errors 1e-3)."""
    rng = np.random.default_rng(11)
    groups = [rng.normal(mean, 1, size) for mean, size in ((0, 9), (0.5, 5), (1.2, 6), (2, 4))]
    table = pd.DataFrame(
        {
            "fat": np.repeat(["butter", "ghee", "lard", "oil"], [len(one) for one in groups]),
            "spread": np.concatenate(groups),
        }
    )
    pairs = compare(fit(table, "spread", ["fat"]), "fat", reference="butter").pairs
    known = stats.dunnett(*groups[1:], control=groups[0], random_state=np.random.default_rng(1))
    interval = known.confidence_interval()
    assert pairs["p"].to_numpy() == pytest.approx(known.pvalue, abs=2e-3)
    assert pairs["low"].to_numpy() == pytest.approx(interval.low, abs=0.01)
    assert pairs["high"].to_numpy() == pytest.approx(interval.high, abs=0.01)


@pytest.mark.parametrize("df", [1.0, 2.5, 11.3, 400.0])
@pytest.mark.parametrize("count", [2, 3, 10])
def test_ranges_against_scipy(count, df):
    for t in (0.5, 2.0, 4.0):
        known = stats.studentized_range.sf(t * np.sqrt(2), count, df)
        assert range_p(t, df, count) == pytest.approx(known, abs=2e-6)
    assert range_p(range_factor(df, count), df, count) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize("df", [3.0, 12.5])
def test_products_of_correlations_against_many_dimensions(df):
    """Unequal bakes a variant: the exact sums against scipy's multivariate t (errors 1e-3)."""
    factors = np.sqrt(np.array([3, 5, 2, 6]) / (np.array([3, 5, 2, 6]) + 4))
    correlation = np.outer(factors, factors)
    np.fill_diagonal(correlation, 1.0)
    for t in (1.0, 2.5):
        edge = np.full(4, t)
        rng = np.random.default_rng(1)
        known = stats.multivariate_t(shape=correlation, df=df, seed=rng).cdf(
            edge, lower_limit=-edge, maxpts=400_000
        )
        assert reference_p(t, df, correlation) == pytest.approx(1 - known, abs=1e-3)


def test_dunnett_table():
    """Dunnett 1955, Table 2b (from memory): two-sided 5 %, correlation 1/2, 10 df: 2.57, 2.76."""
    for count, known in ((2, 2.57), (3, 2.76)):
        half = np.full((count, count), 0.5) + 0.5 * np.eye(count)
        assert reference_factor(10, half) == pytest.approx(known, abs=0.006)
        assert reference_p(known, 10, half) == pytest.approx(0.05, abs=0.001)


def variants(rng, effects, bakes=4, tasters=3):
    rows = []
    for kind, effect in effects.items():
        for bake in range(bakes):
            own = rng.normal(effect, 0.4)
            rows += [
                (f"{kind}{bake}", f"T{t}", kind, own + rng.normal(0, 0.8)) for t in range(tasters)
            ]
    return pd.DataFrame(rows, columns=["bake", "taster", "variant", "liking"])


@pytest.mark.slow
def test_all_intervals_hold_together():
    """95 % families of four variants: over 40 rounds at least 88 % (two errors below) hold."""
    rng = np.random.default_rng(17)
    truth = {"A": 6.0, "B": 6.2, "C": 6.8, "D": 5.5}
    held = 0
    for _ in range(40):
        pairs = compare(fit(variants(rng, truth), "liking", ["variant"]), "variant").pairs
        true = np.array([truth[r.level] - truth[r.reference] for r in pairs.itertuples()])
        held += bool(((pairs["low"] <= true) & (true <= pairs["high"])).all())
    assert held / 40 >= 0.88


def test_sentences_name_the_best_and_the_rest():
    rng = np.random.default_rng(2)
    liking = Measure("liking", "hedonic 9", goal="higher")
    far = fit(variants(rng, {"A": 4.0, "B": 7.5}), "liking", ["variant"], measure=liking)
    near = fit(variants(rng, {"A": 6.0, "B": 6.1}), "liking", ["variant"], measure=liking)
    assert "B is best so far" in compare(far, "variant").sentences[0]
    assert "could still be" in compare(near, "variant").sentences[0]
    assert "B over A" in compare(far, "variant")._repr_html_()


def test_best_follows_the_goal():
    draws = np.array([[1.0, 1.0], [3.0, 3.0], [5.0, 5.0]])
    goals = {"lower": 0, "higher": 2, ("target", 3.1, 0.5): 1, ("between", 4, 6): 2}
    for goal, best in goals.items():
        measure = Measure("spread", "number", goal=goal)
        assert chances_best(draws, measure)[best] == 1
    both = Measure("spread", "number", goal=("between", 2, 6))
    assert chances_best(draws, both).tolist() == [0, 0.5, 0.5]


def test_settings_nested_in_methods():
    """By hand: fried (60 + 64) / 2 = 62 against baked 70; within fried 64 - 60."""
    rng = np.random.default_rng(5)
    base = {"fried cool": 60.0, "fried hot": 64.0, "baked": 70.0}
    noise = rng.normal(0, 0.5, (4, 3))
    noise -= noise.mean(axis=0)
    rows = [(kind, base[kind] + noise[i, j]) for i in range(4) for j, kind in enumerate(base)]
    found = fit(pd.DataFrame(rows, columns=["way", "spread"]), "spread", ["way"])
    ways = {"fried": ["fried cool", "fried hot"], "baked": ["baked"]}
    nested = compare_nested(found, "way", ways)
    assert nested.pairs["difference"].tolist() == pytest.approx([8, 4])
    s2 = (noise**2).sum() / 9
    assert nested.pairs["se"].tolist() == pytest.approx(
        [np.sqrt(s2 * (1 / 4 + 1 / 8)), np.sqrt(s2 / 2)]
    )
    with pytest.raises(FitError, match="two methods"):
        compare_nested(found, "way", {"fried": ["fried cool"], "all": ["fried cool", "baked"]})


def test_without_error_nothing_is_ranked():
    table = pd.DataFrame({"fat": ["butter", "ghee", "lard", "oil"], "spread": [60, 62, 63, 71.0]})
    said = compare(fit(table, "spread", ["fat"]), "fat").sentences
    assert "no error was measured" in said[0]


def test_unknown_names_are_said():
    rng = np.random.default_rng(1)
    found = fit(variants(rng, {"A": 6.0, "B": 7.0}), "liking", ["variant"])
    with pytest.raises(FitError, match="there is no factor"):
        compare(found, "fat")
    with pytest.raises((FitError, ValueError), match="C"):
        compare(found, "variant", reference="C")
