"""Sizes of factors where arithmetic by hand says what they are."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.factors import Component, Numeric

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
