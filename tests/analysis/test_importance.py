"""Sizes of factors where arithmetic by hand says what they are."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.core.factors import Component, Numeric

SHARES = [Component("rye"), Component("oat"), Component("corn")]
CORNERS = [(1, 0, 0), (0, 1, 0), (0, 0, 1)]
HALVES = [(0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5), (1 / 3, 1 / 3, 1 / 3)]


def blends(score, noise=(-0.01, 0.01)):
    rows = [(*blend, score(*blend) + error) for blend in CORNERS + HALVES for error in noise]
    return pd.DataFrame(rows, columns=["rye", "oat", "corn", "y"])


def sizes(found):
    return found.ranking.set_index("factor")["size"].to_dict()


def test_a_share_makes_the_difference_between_blends_that_exist():
    table = blends(lambda rye, oat, corn: 5 * rye + 3 * oat + 4 * corn)
    found = sizes(fit(table, "y", SHARES, model="blend"))
    # Rye in place of oat: 5 - 3; corn in place of either: 1
    assert found == pytest.approx({"rye": 2, "oat": 2, "corn": 1}, abs=1e-9)


def test_two_shares_that_work_together_count_where_they_meet():
    table = blends(lambda rye, oat, corn: 5 * rye + 3 * oat + 4 * corn + 4 * rye * oat)
    found = sizes(fit(table, "y", SHARES, model="blend"))
    # Without corn, 3 + 2 rye + 4 rye (1 - rye) is 5.25 at three quarters and 3 at none
    assert found == pytest.approx({"rye": 2.25, "oat": 2.25, "corn": 1}, abs=1e-9)


def test_limits_of_shares_are_kept():
    # Two fifths of the blend are free: replacing oat by rye there makes 2 points a whole, 0.8
    shares = [Component("rye", 0, 0.4), Component("oat", 0.3, 0.7), Component("corn", 0.3, 0.7)]
    table = blends(lambda rye, oat, corn: 0)
    table[["rye", "oat", "corn"]] = 0.4 * table[["rye", "oat", "corn"]] + [0, 0.3, 0.3]
    table["y"] += 5 * table["rye"] + 3 * table["oat"] + 4 * table["corn"]
    found = sizes(fit(table, "y", shares, model="blend"))
    assert found == pytest.approx({"rye": 0.8, "oat": 0.8, "corn": 0.4}, abs=1e-9)


def test_numbers_are_sized_at_the_corner_where_they_make_most():
    corners = [(rest, fat) for rest in (20, 60) for fat in (5, 15)] * 4
    table = pd.DataFrame(corners, columns=["rest", "fat"])
    x, z = (table["rest"] - 40) / 20, (table["fat"] - 10) / 5
    table["y"] = 6 + x + 0.5 * x * z + np.repeat([0.01, -0.01], 8)
    factors = [Numeric("rest", 20, 60), Numeric("fat", 5, 15)]
    found = sizes(fit(table, "y", factors, model="interactions"))
    assert found["rest"] == pytest.approx(3, abs=1e-9)
    assert found["fat"] == pytest.approx(1, abs=1e-9)


def crossed(scale=1.0):
    """Return 16 bakes where only the pair of rest and fat is at work, and a little of salt."""
    corners = [(a, b, c) for a in (0, 1) for b in (0, 1) for c in (0, 1)] * 2
    table = pd.DataFrame(corners, columns=["salt", "rest", "fat"])
    x, z = 2 * table["rest"] - 1, 2 * table["fat"] - 1
    noise = np.random.default_rng(1).normal(0, 0.1, 16)
    return table.assign(y=scale * (6 + x * z + 0.1 * table["salt"] + noise))


def test_factors_that_tie_share_the_chance():
    found = fit(crossed(), "y", ["salt", "rest", "fat"], model=["salt", "rest:fat"])
    chances = found.ranking.set_index("factor")["chance_largest"]
    assert chances.to_dict() == pytest.approx({"rest": 0.5, "fat": 0.5, "salt": 0})


@pytest.mark.parametrize("scale", [1e-14, 1e14])
def test_the_unit_of_the_response_changes_no_chance(scale):
    names = ["salt", "rest", "fat"]
    usual, other = (fit(crossed(s), "y", names, model="interactions") for s in (1.0, scale))
    assert other.ranking["factor"].tolist() == usual.ranking["factor"].tolist()
    for column in ("size", "high"):
        expected = (scale * usual.ranking[column]).tolist()
        assert other.ranking[column].tolist() == pytest.approx(expected, rel=1e-6, abs=0)
    # Rounding may turn a draw or two of 4,000 whose sizes all but tie
    expected = usual.ranking["chance_largest"].tolist()
    assert other.ranking["chance_largest"].tolist() == pytest.approx(expected, abs=2 / 4000)


def test_nothing_is_sure_to_be_largest_while_an_error_is_unknown():
    # One oven heat a load and two loads: what the heat does can not be told from the loads
    rng = np.random.default_rng(3)
    table = pd.DataFrame(
        [(n // 8, 200 + 20 * (n // 8), n % 2, n) for n in range(16)],
        columns=["load", "heat", "fat", "bake"],
    )
    table["y"] = 5.0 * table["load"] + rng.normal(0, 0.1, 16)
    found = fit(table, "y", ["heat", "fat"], model="main", groups=("load",))
    assert np.isnan(found.effects.set_index("term").loc["heat", "se"])
    assert found.ranking["chance_largest"].tolist() == [0.5, 0.5]
