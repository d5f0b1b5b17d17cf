"""No number for what was never baked: it is named, and the rest is compared."""

import numpy as np
import pandas as pd
import pytest

import trials
from trials.analysis.fitting import fit
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure

LIKING = Measure("liking", "hedonic 9", goal="higher")
COOKING = Categorical("cooking", ["oven", "griddle", "deep-fry"])
PAN = Numeric("pan temperature", 160, 190, "°C", only_when=("cooking", ["griddle", "deep-fry"]))
FAT = Categorical("fat", ["butter", "lard"])


def baked(kinds=("oven", "griddle"), heats=(160, 190)):
    """Eight bakes that were made, and a ninth, deep-fried, that was not."""
    rng = np.random.default_rng(1)
    rows = []
    for place in range(8):
        cooking = kinds[place % 2]
        heat = None if cooking == "oven" else heats[place // 2 % 2]
        fat = ("butter", "lard")[place // 4 if cooking == "oven" else (place // 2 + place // 4) % 2]
        rows.append((f"B0{place + 1}", cooking, heat, fat, "made", round(5 + rng.normal())))
    rows.append(("B09", "deep-fry", 180, "lard", "failed", np.nan))
    names = ["bake", "cooking", "pan temperature", "fat", "status", "liking"]
    return pd.DataFrame(rows, columns=names)


def test_a_level_never_baked_is_named_and_the_others_are_compared():
    found = fit(baked(), "liking", [COOKING, PAN, FAT], measure=LIKING, model="main")
    for table in (found.effects, found.spoken):
        own = table[table["term"] == "cooking"]
        assert own[["level", "reference"]].values.tolist() == [["griddle", "oven"]]
        assert not table.isin(["deep-fry"]).any(axis=None)
    assert any("deep-fry was never baked" in note for note in found.notes)
    assert trials.recommend(found, LIKING).settings["cooking"] != "deep-fry"


def test_a_part_of_a_range_that_was_never_reached_has_no_number():
    table = baked(heats=(160, 170))
    found = fit(table, "liking", [COOKING, PAN, FAT], measure=LIKING, model="main")
    row = found.effects.set_index("term").loc["pan temperature"]
    assert (row["level"], row["reference"]) == ("170 °C", "160 °C")
    # As far apart as the means of the pieces that were cooked so, fat held (balanced in the table)
    own = table[(table["cooking"] == "griddle") & (table["status"] == "made")]
    means = own.groupby("pan temperature")["liking"].mean()
    assert row["estimate"] == pytest.approx(means[170] - means[160])
    assert any("only 160 °C to 170 °C was baked" in note for note in found.notes)


def test_a_heat_a_little_off_its_limit_has_reached_it():
    found = fit(baked(heats=(161, 188)), "liking", [COOKING, PAN, FAT], measure=LIKING)
    row = found.effects.set_index("term").loc["pan temperature"]
    assert (row["level"], row["reference"]) == ("190 °C", "160 °C")


def test_a_factor_of_which_one_level_was_baked_goes_with_what_belongs_to_it():
    found = fit(
        baked(kinds=("oven", "oven")).assign(
            flour=["rye", "rye", "oat", "oat", "rye", "rye", "oat", "oat", "oat"]
        ),
        "liking",
        [COOKING, PAN, FAT, Categorical("flour", ["rye", "oat"])],
        measure=LIKING,
        model=None,
    )
    assert {factor.name for factor in found.factors} == {"fat", "flour"}
    assert any("only oven was baked" in note for note in found.notes)
