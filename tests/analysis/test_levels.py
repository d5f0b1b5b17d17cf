"""Which unit an effect is judged against, where kitchens do not hold still."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.answers import fit
from trials.analysis.fitting import share_between
from trials.core.factors import Categorical, Numeric

OIL = Numeric("oil", 165, 180, "°C", hard_to_change=True)
FAT = Categorical("fat", ["butter", "lard"])
WATER = Numeric("water", 92, 108)


def bakes(tasters=1):
    """Return six loads of oil with four bakes each."""
    table = pd.DataFrame(
        {
            "bake": [f"B{n:02d}" for n in range(1, 25)],
            "load": np.repeat([f"L{n}" for n in range(1, 7)], 4),
            "oil": np.repeat([165.0, 180, 165, 180, 180, 165], 4),
            "fat": ["butter", "lard", "lard", "butter"] * 6,
            "water": [92.0, 92, 108, 108] * 3 + [108.0, 108, 92, 92] * 3,
        }
    )
    rng = np.random.default_rng(5)
    table["liking"] = 6 + np.repeat(rng.normal(0, 0.5, 6), 4) + rng.normal(0, 0.4, 24)
    if tasters == 1:
        return table
    served = table.loc[table.index.repeat(tasters)].reset_index(drop=True)
    served["taster"] = np.tile([f"T{n}" for n in range(tasters)], 24)
    return served.assign(liking=served["liking"] + rng.normal(0, 0.8, len(served)))


def against(table, model="main", *, outside_range=False):
    found = fit(table, "liking", [OIL, FAT, WATER], model=model, outside_range=outside_range)
    return found.tests.set_index("term")["judged_against"].to_dict()


@pytest.mark.parametrize("tasters", [1, 4])
@pytest.mark.parametrize("measured", [180.0, 181.0, 178.0])
def test_one_setting_a_little_off_does_not_make_a_factor_of_the_load_one_of_bakes(
    tasters, measured
):
    table = bakes(tasters)
    table.loc[table["bake"] == "B06", "oil"] = measured
    # A heat that was measured beyond the planned ones is said to have been so
    found = against(table, outside_range=measured > OIL.high)
    assert found == {"oil": "oil fills", "fat": "bakes", "water": "bakes"}


def test_the_measured_setting_still_enters_the_fit():
    # Only the word follows where the variation lies; the degrees of freedom are the engine's
    table = bakes()
    table.loc[5, "oil"] = 181.0
    off = fit(table, "liking", [OIL, FAT, WATER], model="main", outside_range=True)
    off = off.tests.set_index("term")
    planned = fit(bakes(), "liking", [OIL, FAT, WATER], model="main").tests.set_index("term")
    assert off.loc["oil", "F"] != planned.loc["oil", "F"]
    # Six loads less the mean and the oil: four degrees of freedom, and hardly more
    assert planned.loc["oil", "error_df"] == pytest.approx(4, abs=1e-6)
    assert 4 <= off.loc["oil", "error_df"] < 4.5


def test_a_factor_changed_within_every_load_is_one_of_bakes():
    table = bakes()
    # Half the bakes of every load at either heat
    table["oil"] = np.tile([165.0, 180], 12)
    assert against(table)["oil"] == "bakes"
    # Two of six loads hold both heats: a third of the variation is within loads
    mixed = bakes()
    mixed.loc[mixed["load"].isin(["L1", "L2"]), "oil"] = [165.0, 180] * 4
    assert against(mixed)["oil"] == "bakes"


def test_loads_of_one_bake_are_no_evidence():
    # Eight of nine loads hold a single bake: 8 of 9 parts of any factor lie between loads by
    # arithmetic alone, so the adjusted share is 1 - (2 / 1) / (10 / 9) with heats at -1 and 1
    heat = np.array([1.0, -1, 1, -1, 1, -1, 1, -1, 1, -1])[:, None]
    load = np.array([0, 0, 1, 2, 3, 4, 5, 6, 7, 8])
    assert share_between(heat, load) == pytest.approx(1 - 2 / (10 / 9))


def test_the_adjusted_share_by_hand():
    # Two loads of three: means 1 and 10; within 2 + 0 on 4, total 2 + 6 * 4.5^2 on 5
    values = np.array([0.0, 1, 2, 10, 10, 10])[:, None]
    wanted = 1 - (2 / 4) / ((2 + 6 * 4.5**2) / 5)
    assert share_between(values, np.array([4, 4, 4, 7, 7, 7])) == pytest.approx(wanted)


@pytest.mark.parametrize("seed", range(5))
def test_the_share_is_about_nothing_where_units_are_dealt_by_chance(seed):
    # Epsilon squared of 40 groups of 5 has mean 0 and standard deviation about
    # sqrt(2 / 39) * 39 / 199 = 0.045 (from the F distribution); four of them allowed
    rng = np.random.default_rng(seed)
    share = share_between(rng.normal(size=(200, 1)), np.repeat(np.arange(40), 5))
    assert abs(share) < 4 * 0.045
