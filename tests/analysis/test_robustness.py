"""Kitchen errors around a setting, held to sums that can be done by hand."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.robustness import ALL_TOGETHER, robustness
from trials.analysis.searching import expected_under_wobble
from trials.errors import FitError
from trials.factors import Categorical, Component, Numeric
from trials.measures import Measure

OIL, WATER = Numeric("oil", 165, 180, "°C"), Numeric("water", 92, 108, "%")
LIKING = Measure("liking", "hedonic 9", goal="higher")


@pytest.fixture(scope="module")
def found():
    rng = np.random.default_rng(8)
    grid = np.array(np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))).reshape(2, -1).T
    bakes = pd.DataFrame({"oil": OIL.decode(grid[:, 0]), "water": WATER.decode(grid[:, 1])})
    a, b = grid.T
    bakes["liking"] = 6 + 0.4 * a - 2 * a**2 - 0.5 * b**2 + a * b + rng.normal(0, 0.1, len(grid))
    return fit(bakes, "liking", [OIL, WATER], model="quadratic")


def squares(found):
    names = [term.name for term in found.terms]
    beta = found.engine.beta[1:]
    return beta[names.index("oil^2")], beta[names.index("water^2")]


def test_what_is_lost_is_the_bend_times_the_squared_error(found):
    # E f(x + e) = f(x) + sum of squares' coefficients times variances; pairs cancel
    table = robustness(found, LIKING, {"oil": 172.5, "water": 100}, {"oil": 3, "water": 1})
    a, b = squares(found)
    lost = table.set_index("factor")["lost"]
    assert lost["oil"] == pytest.approx(-a * (3 / 7.5) ** 2, rel=1e-9)
    assert lost["water"] == pytest.approx(-b * (1 / 8) ** 2, rel=1e-9)
    assert lost[ALL_TOGETHER] == pytest.approx(lost["oil"] + lost["water"], rel=1e-9)
    assert table["expected"].nunique() == 1
    assert (table["expected"] - table["with_error"]).tolist() == pytest.approx(table["lost"])


def test_the_spread_by_simulation(found):
    table = robustness(found, LIKING, {"oil": 175, "water": 100}, {"oil": 3})
    rng = np.random.default_rng(99)
    oil = pd.DataFrame({"oil": rng.normal(175, 3, 20_000), "water": 100.0})
    low, high = np.quantile(found.expected(oil), [0.025, 0.975])
    assert table["low"].iloc[0] == pytest.approx(low, abs=0.15)
    assert table["high"].iloc[0] == pytest.approx(high, abs=0.05)
    assert table["noticeable"].iloc[0]
    small = robustness(found, LIKING, {"oil": 175, "water": 100}, {"oil": 0.2})
    assert not small["noticeable"].iloc[0]


def test_a_target_loses_on_both_sides(found):
    here = {"oil": 172.5, "water": 100}
    at = float(found.expected(pd.DataFrame([here]))[0])
    aimed = Measure("liking", "hedonic 9", goal=("target", at, 1))
    table = robustness(found, aimed, here, {"oil": 3})
    assert table["lost"].iloc[0] > 0


def test_a_rule_of_degree_three():
    factors = [Numeric(name, -1, 1) for name in "abc"]
    rng = np.random.default_rng(1)
    sd = np.array([0.3, 0.0, 0.7])
    powers = [(2, 0, 0), (0, 0, 2), (1, 0, 1), (1, 1, 1), (0, 0, 3), (1, 0, 2), (0, 1, 2)]
    here = rng.normal(size=(5, 3))
    for power in powers:
        mean = expected_under_wobble(lambda X, p=power: (X**p).prod(axis=1), factors, sd)(here)
        # Moments of a normal error: E(x+e)^2 = x^2 + s^2, E(x+e)^3 = x^3 + 3 x s^2
        moments = [
            {0: np.ones(5), 1: x, 2: x**2 + s**2, 3: x**3 + 3 * x * s**2}[p]
            for x, s, p in zip(here.T, sd, power, strict=True)
        ]
        assert mean == pytest.approx(np.prod(moments, axis=0), rel=1e-9), power


def test_a_blend_keeps_its_sum():
    parts = [Component("rye"), Component("wheat")]
    shares = np.linspace(0, 1, 12)
    bakes = pd.DataFrame({"rye": shares, "wheat": 1 - shares})
    bakes["liking"] = 5 + 4 * shares * (1 - shares) + np.tile([0.05, -0.05], 6)
    found = fit(bakes, "liking", parts, model="blend")
    table = robustness(found, LIKING, {"rye": 0.5, "wheat": 0.5}, {"rye": 0.05})
    # Rye 0.5 + e of 1 + e: the share errs by about e / 2, the loss is 4 (e / 2)^2
    assert table["lost"].iloc[0] == pytest.approx(4 * 0.025**2, rel=0.2)


def test_bad_input(found):
    here = {"oil": 172.5, "water": 100}
    with pytest.raises(FitError, match="wobble names no error"):
        robustness(found, LIKING, here, {"oil": 0})
    with pytest.raises(FitError, match="is no factor"):
        robustness(found, LIKING, here, {"oven": 1})
    with pytest.raises(FitError, match="no setting was given for water"):
        robustness(found, LIKING, {"oil": 170}, {"oil": 1})
    with pytest.raises(FitError, match="0 or more"):
        robustness(found, LIKING, here, {"oil": 1, "water": -1})
    kinds = fit(
        pd.DataFrame({"fat": ["butter", "lard"] * 4, "liking": [5, 6, 5.2, 6.1, 5, 6, 5.1, 6]}),
        "liking",
        [Categorical("fat", ["butter", "lard"])],
    )
    with pytest.raises(FitError, match="it has kinds"):
        robustness(kinds, LIKING, {"fat": "lard"}, {"fat": 1})
