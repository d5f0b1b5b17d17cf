"""Kitchen errors around a setting, held to sums that can be done by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, stats

from trials.analysis.choice import expected_under_wobble
from trials.analysis.fitting import fit
from trials.analysis.robustness import ALL_TOGETHER, DRAWS, robustness
from trials.base.errors import FitError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure

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


def bent_by_oil(found, oil, sd):
    """Return the quantile function of the fitted response when only the oil errs.

    Along one factor the fit is c + b z + a z^2 in a standard normal z; with a below 0 the response
    stays under y where z lies outside the two roots, so its distribution is known exactly.
    """
    # Three points fix the parabola in z
    points = pd.DataFrame({"oil": oil + sd * np.array([-1.0, 0, 1]), "water": 100.0})
    lower, middle, upper = found.expected(points)
    a, b = (lower + upper) / 2 - middle, (upper - lower) / 2
    top = middle - b**2 / (4 * a)

    def chance_below(y):
        half = np.sqrt((y - top) / a)
        left, right = -b / (2 * a) - half, -b / (2 * a) + half
        return stats.norm.cdf(left) + stats.norm.sf(right)

    def quantile(share):
        return optimize.brentq(lambda y: chance_below(y) - share, top - 100, top - 1e-9)

    return quantile, top


def test_the_spread_is_that_of_a_bent_normal_error(found):
    quantile, top = bent_by_oil(found, 175, 3)
    table = robustness(found, LIKING, {"oil": 175, "water": 100}, {"oil": 3})
    # A sample quantile of n draws lies within four standard errors of its share:
    # sqrt(p (1 - p) / n) for 4000 draws, so the shares are 0.025 and 0.975, give or take 0.01
    reach = 4 * np.sqrt(0.025 * 0.975 / DRAWS)
    assert quantile(0.025 - reach) < table["low"].iloc[0] < quantile(0.025 + reach)
    assert quantile(0.975 - reach) < table["high"].iloc[0] < min(quantile(0.975 + reach), top)
    assert table["noticeable"].iloc[0]
    small = robustness(found, LIKING, {"oil": 175, "water": 100}, {"oil": 0.2})
    assert not small["noticeable"].iloc[0]


def test_a_target_loses_on_both_sides(found):
    """The mean distance from a target, by integrating over the error; one corner, no polynomial."""
    here = {"oil": 172.5, "water": 100}
    at = float(found.expected(pd.DataFrame([here]))[0])
    aimed = Measure("liking", "hedonic 9", goal=("target", at, 1))
    table = robustness(found, aimed, here, {"oil": 3})
    lower, middle, upper = found.expected(
        pd.DataFrame({"oil": [169.5, 172.5, 175.5], "water": [100.0] * 3})
    )
    a, b = (lower + upper) / 2 - middle, (upper - lower) / 2

    def distance(z, power):
        return abs(a * z**2 + b * z) ** power * stats.norm.pdf(z)

    corners = sorted([0.0, -b / a])
    first, second = (
        integrate.quad(distance, -8, 8, args=(power,), points=corners)[0] for power in (1, 2)
    )
    # A mean of so many draws lies within four standard errors
    reach = 4 * np.sqrt((second - first**2) / DRAWS)
    assert table["lost"].iloc[0] == pytest.approx(first, abs=reach)


def test_what_was_never_tried_is_said(found):
    table = robustness(found, LIKING, {"oil": 200, "water": 100}, {"oil": 3})
    assert table["outside_tried"].tolist() == ["oil: 165 °C to 180 °C tried, 200 °C asked"]
    inside = robustness(found, LIKING, {"oil": 170, "water": 100}, {"oil": 3, "water": 1})
    assert (inside["outside_tried"] == "").all()


def test_what_has_no_setting_can_not_be_a_little_off():
    method = Categorical("method", ["baked", "fried"])
    heat = Numeric("heat", 165, 180, "°C", only_when=("method", ["fried"]))
    rest = Numeric("rest", 20, 60, "min")
    bakes = pd.DataFrame(
        {
            "method": ["baked", "fried", "fried"] * 6,
            "heat": ["", 165, 180] * 6,
            "rest": [20] * 9 + [60] * 9,
        }
    )
    bakes["liking"] = np.random.default_rng(1).normal(6, 1, len(bakes))
    nested = fit(bakes, "liking", [method, heat, rest], model="main")
    here = {"method": "baked", "heat": "", "rest": 40}
    table = robustness(nested, LIKING, here, {"heat": 3, "rest": 2})
    assert table["factor"].tolist() == ["rest"]
    with pytest.raises(FitError, match="heat has no setting there"):
        robustness(nested, LIKING, here, {"heat": 3})


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
    with pytest.raises(FitError, match=r"sum to 1\.4 in row 1; the shares of a blend sum to 1"):
        robustness(found, LIKING, {"rye": 0.7, "wheat": 0.7}, {"rye": 0.05})
    # Rye weighed 0.05 too heavy or too light: its share is then 0.55 / 1.05 or 0.45 / 0.95
    at = found.expected(
        pd.DataFrame(
            {"rye": [0.5, 0.55 / 1.05, 0.45 / 0.95], "wheat": [0.5, 0.5 / 1.05, 0.5 / 0.95]}
        )
    )
    assert table["lost"].iloc[0] == pytest.approx(at[0] - at[1:].mean(), rel=1e-9)


def test_a_share_of_nothing_is_not_weighed_below_nothing():
    parts = [Component("rye"), Component("wheat")]
    shares = np.linspace(0, 1, 12)
    bakes = pd.DataFrame({"rye": shares, "wheat": 1 - shares})
    bakes["liking"] = 5 + 2 * shares + np.tile([0.05, -0.05], 6)
    found = fit(bakes, "liking", parts, model="main")
    table = robustness(found, LIKING, {"rye": 0.0, "wheat": 1.0}, {"rye": 0.05})
    # A straight line in rye: the least is at none of it, which half of all errors would cross
    assert table["low"].iloc[0] == pytest.approx(table["expected"].iloc[0], rel=1e-9)
    # None, or 0.05 too much of 1.05
    ends = found.expected(pd.DataFrame({"rye": [0, 0.05 / 1.05], "wheat": [1, 1 / 1.05]}))
    assert table["with_error"].iloc[0] == pytest.approx(ends.mean(), rel=1e-9)


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
