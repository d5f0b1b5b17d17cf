"""Scores as categories through the door: published wine, simulated rounds, what is refused."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trials.analysis.as_categories import as_categories
from trials.base.errors import FitError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import fractional_factorial, full_factorial

REFERENCE = Path(__file__).parents[1] / "reference"
EXPECTED = json.loads((REFERENCE / "wine_expected.json").read_text(encoding="utf-8"))
MORE = json.loads((REFERENCE / "more_expected.json").read_text(encoding="utf-8"))
LIKING = Measure("liking", "hedonic 9")
# Listed so that "cold" and "no" are what is compared with, as in R's treatment coding
WINE_FACTORS = (Categorical("temp", ["cold", "warm"]), Categorical("contact", ["no", "yes"]))


@pytest.fixture
def wine():
    return pd.read_csv(REFERENCE / "wine.csv")


def change(found, factor):
    return found.effects.set_index("term").loc[factor, "estimate"]


# Randall 1989; R 4.2.2, ordinal 2022.11-16, clmm: its estimates hold five digits, see test_ordinal.
def test_wine_with_judges(wine):
    expected = {row["term"]: row["Estimate"] for row in EXPECTED["clmm_laplace"]["coef"]}
    found = as_categories(wine, "rating", WINE_FACTORS, model="main", groups=("judge",))
    assert change(found, "temp") == pytest.approx(expected["tempwarm"], rel=2e-5)
    assert change(found, "contact") == pytest.approx(expected["contactyes"], rel=2e-5)
    assert found.fit.log_likelihood == pytest.approx(EXPECTED["clmm_laplace"]["logLik"], rel=1e-7)
    variance = EXPECTED["clmm_laplace"]["judge_variance"]
    assert found.fit.spreads["judge"] ** 2 == pytest.approx(variance, rel=2e-5)


def test_wine_with_the_bottle_as_the_unit(wine):
    expected = MORE["wine_clmm_crossed"]
    wine = wine.rename(columns={"bottle": "bake", "judge": "taster"})
    found = as_categories(wine, "rating", WINE_FACTORS, model="main")
    assert list(found.fit.spreads.index) == ["bake", "taster"]
    assert change(found, "temp") == pytest.approx(expected["coef"]["tempwarm"], rel=2e-5)
    gain = 2 * (expected["logLik"] - expected["logLik_without_temp"])
    tests = found.tests.set_index("term")
    assert tests.loc["temp", "statistic"] == pytest.approx(gain, rel=1e-5)
    # No spread between bottles: what is judged on eight bottles is as cautious as Kenward-Roger
    assert tests.loc["temp", "p_careful"] > 10 * tests.loc["temp", "p"]
    assert found.agree
    assert list(tests["verdict"]) == ["shown", "shown"]
    assert "agree: temp and contact" in found.sentences[0]


def test_wine_by_probit(wine):
    expected = MORE["wine_clmm_probit"]["coef"]
    found = as_categories(
        wine, "rating", WINE_FACTORS, model="main", groups=("judge",), link="probit"
    )
    assert change(found, "temp") == pytest.approx(expected["tempwarm"], rel=2e-5)


def test_leaving_the_bake_out_is_refused(wine):
    wine = wine.rename(columns={"bottle": "bake", "judge": "taster"})
    for groups in (("taster",), ()):
        with pytest.raises(FitError, match="every tasting would count as a bake"):
            as_categories(wine, "rating", WINE_FACTORS, groups=groups)


def doughnuts(effects, *, bakes=32, tasters=6, seed=1, **spread):
    factors = [
        Numeric("hydration", 92, 108, "%"),
        Categorical("fat", ["butter", "sunflower oil"]),
        Numeric("sugar", 4, 12, "%"),
        Numeric("proof", 40, 70, "min"),
    ]
    plan = full_factorial(factors, replicates=bakes // 16, seed=3)
    scores = rehearse(plan, effects, tasters=tasters, seed=seed, spreads=Spreads(**spread))
    return factors, scores


def test_a_round_of_likings():
    factors, scores = doughnuts({"fat": -1.6})
    found = as_categories(scores, "liking", factors, model="main", measure=LIKING)
    tests = found.tests.set_index("term")
    assert tests.loc["fat", "verdict"] == "shown"
    assert tests.loc["fat", "verdict_as_numbers"] == "shown"
    assert found.at_least == 6
    row = found.effects.set_index("term").loc["fat"]
    assert row["estimate"] < 0
    assert row["chance_at_level"] < row["chance_at_reference"]
    assert any(one.startswith("Fat, sunflower oil over butter") for one in found.sentences)
    assert "<table" in found._repr_html_()


def test_five_points():
    factors, scores = doughnuts({"sugar": 1.5}, seed=2)
    scores["sweetness"] = np.clip((scores["liking"] - 3).round(), 1, 5)
    measure = Measure("sweetness", "just about right 5")
    found = as_categories(scores, "sweetness", factors, model="main", measure=measure)
    assert set(found.fit.categories) <= {1, 2, 3, 4, 5}
    assert found.tests.set_index("term").loc["sugar", "verdict"] == "shown"


def test_bootstrap_is_asked_for_and_seeded():
    factors, scores = doughnuts({"fat": -1.5}, bakes=16, tasters=3)
    scores, factors = scores[scores["proof"] == 40], [factors[1]]
    asked = {"model": "main", "measure": LIKING, "bootstraps": 19, "seed": 5}
    found = as_categories(scores, "liking", factors, **asked)
    again = as_categories(scores, "liking", factors, **asked)
    assert found.tests["p_bootstrap"].notna().all()
    pd.testing.assert_frame_equal(found.tests, again.tests)


def test_a_spent_plan_is_asked_for_single_factors():
    factors = [Numeric(name, 0, 1) for name in "abcde"]
    plan = fractional_factorial(factors, bakes=16, seed=1)
    scores = rehearse(plan, {"a": 2.0}, tasters=6, seed=1)
    found = as_categories(scores, "liking", factors, measure=LIKING)
    assert list(found.tests["term"]) == list("abcde")
    assert any("only single factors" in note for note in found.notes)
    with pytest.raises(FitError, match="all 16 bakes are spent"):
        as_categories(scores, "liking", factors, model="interactions", measure=LIKING)


def test_what_can_not_be_read_as_categories():
    table = pd.DataFrame({"rest": [20, 60] * 10, "spread": np.linspace(60, 80, 20)})
    with pytest.raises(FitError, match="20 different values"):
        as_categories(table, "spread", ["rest"], model="main")
    table["liking"] = [5, 7] * 10
    table.loc[0, "liking"] = 4
    with pytest.raises(FitError, match="never overlap"):
        as_categories(table, "liking", ["rest"], model="main")
    flours = [Component("rye"), Component("wheat")]
    table = pd.DataFrame(
        {"rye": [0, 1, 0.5] * 4, "wheat": [1, 0, 0.5] * 4, "liking": [5, 6, 7] * 4}
    )
    with pytest.raises(FitError, match="blend"):
        as_categories(table, "liking", flours, model="blend")


@pytest.mark.slow
def test_null_rounds_with_bakes_that_differ():
    """Eight bakes, bake spread as large as a score's: taken for tastings, half would be found."""
    shown = 0
    for seed in range(40):
        factors = [Numeric("rest", 20, 60)]
        plan = full_factorial(factors, replicates=4, seed=seed)
        scores = rehearse(plan, {}, tasters=6, seed=seed, spreads=Spreads(bake=1.0))
        found = as_categories(scores, "liking", factors, model="main", measure=LIKING)
        shown += found.tests["verdict"].eq("shown").sum()
    # 40 rounds at 5 %: the binomial puts 99.9 % at 7 or fewer
    assert shown <= 7
