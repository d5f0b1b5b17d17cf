"""What effects compare in blends with process factors, held against the fit's own predictions."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.results import kitchen_effects
from trials.core.factors import Categorical, Component, Numeric
from trials.core.plan import reference_setting

RYE, WHEAT = Component("rye", 0.1, 0.6), Component("wheat", 0.2, 0.8)
OAT = Component("oat", 0.0, 0.4)
OVEN = Numeric("oven", 160, 190, "°C")
FAT = Categorical("fat", ["butter", "lard", "suet"])
FACTORS = [RYE, WHEAT, OAT, OVEN, FAT]


@pytest.fixture(scope="module")
def found():
    blends = [(0.6, 0.4, 0), (0.6, 0.2, 0.2), (0.1, 0.8, 0.1), (0.2, 0.8, 0), (0.4, 0.2, 0.4)]
    blends += [(0.1, 0.5, 0.4), (0.35, 0.5, 0.15), (0.3, 0.45, 0.25)]
    rows = [(*mix, oven, fat) for mix in blends for oven in (160, 190) for fat in FAT.levels]
    table = pd.DataFrame(rows, columns=["rye", "wheat", "oat", "oven", "fat"])
    table["liking"] = np.random.default_rng(2).normal(6, 1, len(table))
    return fit(table, "liking", FACTORS, model="blend")


def at(found, rye, oven, fat):
    """Return what is expected with a share of rye, wheat and oat keeping to one another."""
    # The middle of the blend, from which the others' proportions are taken
    wheat, oat = reference(found)
    left = (1 - rye) / (wheat + oat)
    setting = {"rye": rye, "wheat": wheat * left, "oat": oat * left, "oven": oven, "fat": fat}
    return found.predict(setting)["estimate"].iloc[0]


def reference(found):
    setting = reference_setting(found.factors)
    return setting["wheat"], setting["oat"]


def over_fats(found, rye, oven):
    return np.mean([at(found, rye, oven, fat) for fat in FAT.levels])


def effect(found, term, level):
    rows = found.effects.set_index(["term", "level"])
    return rows.loc[(term, level), "estimate"]


def test_a_share_is_judged_in_the_middle_of_the_numbers_and_over_all_kinds(found):
    known = over_fats(found, 0.6, 175) - over_fats(found, 0.1, 175)
    assert effect(found, "rye", RYE.show(0.6)) == pytest.approx(known, rel=1e-9)


def test_a_share_with_a_number_is_half_the_change_between_its_settings(found):
    hot, cool = (over_fats(found, 0.6, oven) - over_fats(found, 0.1, oven) for oven in (190, 160))
    shown = effect(found, "rye:oven", f"{RYE.show(0.6)}, 190 °C")
    assert shown == pytest.approx((hot - cool) / 2, rel=1e-9)


@pytest.mark.parametrize("kind", ["lard", "suet"])
def test_a_share_with_a_kind_has_a_row_for_every_kind(found, kind):
    own, butter = (at(found, 0.6, 175, fat) - at(found, 0.1, 175, fat) for fat in (kind, "butter"))
    shown = effect(found, "rye:fat", f"{RYE.show(0.6)}, {kind}")
    assert shown == pytest.approx((own - butter) / 2, rel=1e-9)


def test_two_shares_are_what_half_and_half_makes_beyond_both_alone(found):
    # Scheffe 1958: a pair's coefficient over four
    matrix = found.rows(
        pd.DataFrame(
            {"rye": [0.5, 1, 0], "wheat": [0.5, 0, 1], "oat": 0.0, "oven": 175.0, "fat": "butter"}
        )
    )
    both, rye, wheat = matrix @ found.engine.beta[: matrix.shape[1]]
    shown = effect(found, "rye:wheat", "half and half")
    assert shown == pytest.approx(both - (rye + wheat) / 2, rel=1e-9)


def test_the_kitchen_reads_at_which_setting(found):
    said = kitchen_effects(found).set_index("what changed")
    row = said.loc["rye with oven (half the change)"]
    shares = f"{RYE.show(0.6)} over {RYE.show(0.1)}"
    assert (row["from"], row["to"]) == (f"{shares} at oven 160 °C", f"{shares} at oven 190 °C")
    assert "rye (at oven 175 °C, averaged over fat)" in said.index


def test_three_shares_are_what_equal_parts_add():
    parts = [Component(name) for name in ("rye", "wheat", "oat")]
    corners = np.vstack([np.eye(3), (1 - np.eye(3)) / 2, np.full((1, 3), 1 / 3)])
    table = pd.DataFrame(np.tile(corners, (3, 1)), columns=["rye", "wheat", "oat"])
    table["liking"] = np.random.default_rng(3).normal(6, 1, len(table))
    terms = ["rye", "wheat", "oat", "rye:wheat", "rye:oat", "wheat:oat", "rye:wheat:oat"]
    found = fit(table, "liking", parts, model=terms)
    means = table.groupby(["rye", "wheat", "oat"], sort=False)["liking"].mean().to_numpy()
    # Scheffe 1958: at the centroid, 27 times it is 3 times the corners, 12 the pairs
    smaller = 4 / 9 * means[3:6].sum() - 1 / 9 * means[:3].sum()
    assert effect(found, "rye:wheat:oat", "equal parts") == pytest.approx(
        means[6] - smaller, rel=1e-9
    )
