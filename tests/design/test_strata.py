"""Degrees of freedom of a plan's errors, down to a single one."""

import numpy as np
import pandas as pd
import pytest

from trials.core.factors import Categorical, Numeric
from trials.design.layout import lay_out
from trials.design.power import power


@pytest.mark.parametrize("kinds", [2, 3, 4])
@pytest.mark.parametrize("left", [1, 2, 3, 4, 5, 9])
def test_one_error_has_the_degrees_of_freedom_that_are_left(kinds, left):
    # Analysis of variance: bakes less kinds (Fisher 1925), whatever the number of kinds
    fat = Categorical("fat", [f"fat {n}" for n in range(kinds)])
    bakes = pd.DataFrame({"fat": [fat.levels[n % kinds] for n in range(kinds + left)]})
    plan = lay_out([fat], bakes, family="kinds", model="main", seed=1)
    table = power(plan, effect=1, sd_bake=1, sd_tasting=0)
    assert table["df"].iloc[0] == pytest.approx(left, rel=1e-6)
    assert np.isfinite(table["smallest_effect"].iloc[0])


@pytest.mark.parametrize("loads", [4, 5, 6, 8])
def test_kinds_that_sit_on_loads_have_the_loads_less_their_number(loads):
    heat = Categorical("heat", ["low", "mid", "high"], hard_to_change=True)
    count = 4 * loads
    bakes = pd.DataFrame({"load": np.arange(count) // 4 + 1, "rest": [20.0, 60.0] * (count // 2)})
    bakes["heat"] = [heat.levels[(load - 1) % 3] for load in bakes["load"]]
    plan = lay_out([heat, Numeric("rest", 20, 60)], bakes, family="split", model="main", seed=1)
    found = power(plan, effect=1).set_index("term")["df"]
    # Split-plot analysis (Yates 1935): whole plots less treatments; balanced within
    assert found["heat"] == pytest.approx(loads - 3, rel=0.02)
    assert found["rest"] == pytest.approx(count - loads - 1, rel=1e-6)


def test_kinds_that_never_meet_are_not_told():
    # Every bake holds the middle kind of one factor: a product of the two is zero throughout
    fat, flour = (Categorical(name, ["low", "mid", "high"]) for name in ("fat", "flour"))
    met = [("mid", "low"), ("mid", "mid"), ("mid", "high"), ("low", "mid"), ("high", "mid")]
    bakes = pd.DataFrame(2 * met, columns=["fat", "flour"])
    together = lay_out([fat, flour], bakes, family="cross", model="interactions", seed=1)
    assert power(together, effect=1).set_index("term")["power"].isna()["fat:flour"]
    alone = lay_out([fat, flour], bakes, family="cross", model="main", seed=1)
    assert power(alone, effect=1)["power"].notna().all()
