"""What a row of the kitchen's table compares, held against means of the fit itself."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.results import kitchen_effects
from trials.core.factors import Categorical, Component, Numeric

OIL = Numeric("oil", 165, 180, "°C")
WATER = Numeric("water", 92, 108)
FAT = Categorical("fat", ["butter", "lard, soft", "suet"])


@pytest.fixture(scope="module")
def found():
    rng = np.random.default_rng(4)
    grid = pd.MultiIndex.from_product(
        [[165, 180], [92, 108], FAT.levels, range(3)], names=["oil", "water", "fat", "copy"]
    ).to_frame(index=False)
    grid["liking"] = rng.normal(6, 1, len(grid))
    terms = ["oil", "fat", "water", "fat:oil", "fat:oil:water", "fat:water", "oil:water"]
    return fit(grid, "liking", [FAT, OIL, WATER], model=terms)


def signed_number(text):
    return float(text.replace("−", "-"))


def rows(found):
    table = kitchen_effects(found)
    return table.set_index(["what changed", "to"])


def means(found, **at):
    return found.predict(at)["estimate"].iloc[0]


def lard_over_butter(found, oil, water):
    other = {"oil": oil, "water": water}
    return means(found, fat="lard, soft", **other) - means(found, fat="butter", **other)


def test_an_effect_says_where_the_others_are_held(found):
    shown = rows(found)
    estimate = signed_number(
        shown.loc[("fat (at oil 172.5 °C and water 100)", "lard, soft"), "difference"]
    )
    wanted = lard_over_butter(found, 172.5, 100)
    assert estimate == pytest.approx(wanted, abs=0.05 + 1e-9)  # shown to one decimal
    oil = signed_number(
        shown.loc[("oil (at water 100, averaged over fat)", "180 °C"), "difference"]
    )
    change = [
        means(found, oil=180, water=100, fat=fat) - means(found, oil=165, water=100, fat=fat)
        for fat in FAT.levels
    ]
    assert oil == pytest.approx(np.mean(change), abs=0.05 + 1e-9)


def test_two_factors_are_half_the_change_of_one_between_the_settings_of_the_other(found):
    row = rows(found).loc[
        ("fat with oil (half the change, at water 100)", "lard, soft over butter at oil 180 °C")
    ]
    assert row["from"] == "lard, soft over butter at oil 165 °C"
    wanted = (lard_over_butter(found, 180, 100) - lard_over_butter(found, 165, 100)) / 2
    assert signed_number(row["difference"]) == pytest.approx(wanted, abs=0.05 + 1e-9)


def test_three_factors_are_half_the_change_of_a_pair(found):
    row = rows(found).loc[
        (
            "fat with oil with water (half the change)",
            "lard, soft over butter with 180 °C over 165 °C at water 108",
        )
    ]
    pair = [
        (lard_over_butter(found, 180, water) - lard_over_butter(found, 165, water)) / 2
        for water in (92, 108)
    ]
    assert signed_number(row["difference"]) == pytest.approx(
        (pair[1] - pair[0]) / 2, abs=0.05 + 1e-9
    )


def test_a_nested_factor_says_where_it_exists():
    method = Categorical("method", ["baked", "fried"])
    heat = Numeric("heat", 165, 180, "°C", only_when=("method", ["fried"]))
    bakes = pd.DataFrame(
        {
            "method": ["baked", "baked", "fried", "fried"] * 5,
            "heat": ["", "", 165, 180] * 5,
            "rest": [20, 60, 20, 60] * 2 + [60, 20, 60, 20] * 3,
        }
    )
    bakes["liking"] = np.random.default_rng(1).normal(6, 1, len(bakes))
    rest = Numeric("rest", 20, 60, "min")
    said = kitchen_effects(fit(bakes, "liking", [method, heat, rest], model="main"))
    assert said["what changed"].tolist() == [
        "method (at heat 172.5 °C)",
        "heat (only where method is fried)",
        "rest",
    ]
    found = fit(bakes, "liking", [method, heat, rest], model="main")
    at = found.predict(
        [
            {"method": "baked", "heat": "", "rest": 40},
            {"method": "fried", "heat": 172.5, "rest": 40},
        ]
    )["estimate"]
    assert found.effects["estimate"].iloc[0] == pytest.approx(at[1] - at[0])


def test_a_blend_reads_as_it_did():
    shares = np.linspace(0, 1, 12)
    bakes = pd.DataFrame({"rye": shares, "wheat": 1 - shares})
    bakes["liking"] = 5 + 4 * shares * (1 - shares) + np.tile([0.05, -0.05], 6)
    found = fit(bakes, "liking", [Component("rye"), Component("wheat")], model="blend")
    last = kitchen_effects(found).iloc[-1]
    assert (last["what changed"], last["from"], last["to"]) == (
        "rye with wheat",
        "mean of both alone",
        "half and half",
    )
