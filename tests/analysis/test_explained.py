"""Shares of what the settings explain: sums of squares, and Shapley values by their definition."""

from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trials.analysis.explained import explained
from trials.analysis.fitting import fit
from trials.base.errors import FitError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure
from trials.core.terms import model_matrix
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import full_factorial

REFERENCE = Path(__file__).parents[1] / "reference"
OPEN = Measure("liking", "number")
NO_SPREAD = Spreads(0, 0, 0, 0, 0, 0)


def test_balanced_two_level_shares_are_those_of_sums_of_squares():
    # Montgomery, filtration rate 2^4: effects A 21.625, C 9.875, D 14.625, AC -18.125, AD 16.625
    table = pd.read_csv(REFERENCE / "filtration_2p4.csv")
    found = explained(fit(table, "y", list("ACD"), model=["A", "C", "D", "A:C", "A:D"], groups=()))
    squares = {"A": 21.625**2, "C": 9.875**2, "D": 14.625**2, "AC": 18.125**2, "AD": 16.625**2}
    total = sum(squares.values())
    shares = found.set_index("factor")
    assert shares.loc["A", "alone"] == pytest.approx(squares["A"] / total)
    assert shares.loc["A", "together"] == pytest.approx((squares["AC"] + squares["AD"]) / 2 / total)
    assert shares.loc["C", "share"] == pytest.approx((squares["C"] + squares["AC"] / 2) / total)
    assert found["share"].sum() == pytest.approx(1)
    assert list(found["factor"]) == ["A", "D", "C"]
    assert ((found["low"] < found["share"]) & (found["share"] < found["high"])).all()


def test_shapley_values_by_their_definition():
    """Every order in which factors become known; each is paid what it then explains."""
    factors = [
        Numeric("oil", 160, 180),
        Categorical("fat", ["butter", "lard", "oil"]),
        Numeric("rest", 20, 60),
    ]
    table = pd.DataFrame(
        [(o, f, r) for o in (160, 170, 180) for f in factors[1].levels for r in (20, 60)],
        columns=["oil", "fat", "rest"],
    )
    rng = np.random.default_rng(4)
    table["liking"] = rng.normal(size=len(table))
    model = ["oil", "fat", "rest", "oil:fat", "oil^2", "oil:rest"]
    findings = fit(table, "liking", factors, model=model)
    expected = findings.expected(table[["oil", "fat", "rest"]])
    if findings.averaged is not None:
        expected = findings.averaged.draws.mean(axis=1) @ _rows(findings, table).T
    value = {(): 0.0}
    for size in (1, 2, 3):
        for known in permutations(["oil", "fat", "rest"], size):
            means = pd.Series(expected).groupby([table[n] for n in known]).transform("mean")
            value[known] = float(means.var(ddof=0))
    orders = list(permutations(["oil", "fat", "rest"]))
    for factor in ("oil", "fat", "rest"):
        gains = [
            value[order[: order.index(factor) + 1]] - value[order[: order.index(factor)]]
            for order in orders
        ]
        share = np.mean(gains) / value[("oil", "fat", "rest")]
        found = explained(findings).set_index("factor")
        assert found.loc[factor, "share"] == pytest.approx(share)


def _rows(findings, table):
    return model_matrix(findings.averaged.terms, findings.factors, table).X


def test_many_factors_that_do_not_work_together():
    factors = [Numeric(f"factor {n}", 0, 1) for n in range(16)]
    rng = np.random.default_rng(1)
    table = pd.DataFrame(rng.choice([0.0, 1.0], (40, 16)), columns=[f.name for f in factors])
    table["liking"] = 2 * table["factor 3"] + rng.normal(0, 0.1, 40)
    found = explained(fit(table, "liking", factors, model="main"))
    assert found["factor"].iloc[0] == "factor 3"
    assert found["share"].iloc[0] > 0.9


def test_a_spent_plan_uses_the_average_over_models():
    factors = [Numeric(name, 0, 1) for name in "abcd"]
    plan = full_factorial(factors, seed=1)
    scores = rehearse(plan, {"a": 3.0, "a:b": 2.0}, tasters=4, measure=OPEN, seed=2)
    found = explained(fit(scores, "liking", factors, model="interactions"))
    assert found["share"].sum() == pytest.approx(1)
    assert list(found["factor"][:2]) == ["a", "b"]


def test_scores_without_noise_have_no_interval_to_speak_of():
    factors = [Numeric("a", 0, 1), Numeric("b", 0, 1)]
    plan = full_factorial(factors, replicates=3, seed=1)
    scores = rehearse(plan, {"a": 3.0}, measure=OPEN, spreads=NO_SPREAD, seed=2)
    found = explained(fit(scores, "liking", factors, model="main")).set_index("factor")
    assert found.loc["a", "share"] == pytest.approx(1)


def test_a_blend_is_refused():
    flours = [Component("rye"), Component("wheat")]
    table = pd.DataFrame({"rye": [0, 0.5, 1] * 3, "wheat": [1, 0.5, 0] * 3, "y": range(9)})
    with pytest.raises(FitError, match="blend"):
        explained(fit(table, "y", flours, model="blend"))
