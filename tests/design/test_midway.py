"""A round that changes midway: what stays, what is lost, and which bake mends it."""

import numpy as np
import pandas as pd
import pytest

from trials.base.errors import TrialsError
from trials.core.factors import Categorical, Numeric
from trials.core.terms import basis, coded_settings, model_terms
from trials.design.exchange import optimal
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.midway import add, best_extra, drop, placed, repeat, still_tells
from trials.design.power import power

REST, SALT, WATER = Numeric("rest", 20, 60), Numeric("salt", 1, 3), Numeric("water", 92, 108)
OIL = Numeric("oil", 165, 180, hard_to_change=True)
FAT = Categorical("fat", ["butter", "lard", "sunflower oil"])
HALF = fractional_factorial([REST, SALT, WATER, Categorical("fat", ["a", "b"])], bakes=8,
                            references=1, seed=1)  # fmt: skip
FILLS = optimal(
    [OIL, REST, SALT], model="interactions", bakes=16, criterion="D", loads=4, days=2, seed=1
)


def test_dropped_bakes_go_and_the_rest_keep_their_names_days_and_places():
    plan = drop(HALF, ["B02", "B05"], "ran out of lard")
    kept = HALF.table[~HALF.table["bake"].isin(["B02", "B05"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(plan.table, kept)
    assert plan.reasons[-1] == "Dropped B02 and B05: ran out of lard."
    assert len(HALF.table) == 9


def test_a_repeated_bake_has_the_same_settings_and_a_name_of_its_own():
    plan = repeat(FILLS, ["B01", "B16"])
    names = ["oil", "rest", "salt"]
    assert plan.table["bake"].is_unique
    assert plan.table[names].iloc[-2:].to_numpy().tolist() == (
        FILLS.table[names].iloc[[0, 15]].to_numpy().tolist()
    )
    assert (plan.table["day"].iloc[-2:] == 2).all()
    # In a fill of that day that is as hot
    assert (plan.table.groupby("load")["oil"].nunique() == 1).all()
    assert plan.table["load"].nunique() == FILLS.table["load"].nunique()


def test_a_bake_of_another_heat_gets_a_fill_of_its_own():
    plan = add(FILLS, {"oil": 170, "rest": 20, "salt": 1})
    assert plan.table["load"].iloc[-1] == 5
    assert plan.table.dtypes.equals(FILLS.table.dtypes)


def test_a_plan_that_lost_nothing_tells_as_much_as_power_says():
    plan = full_factorial([REST, SALT], replicates=4, seed=1)
    left = drop(plan, "B03")
    change = still_tells(plan, left, tasters=8, tasters_left=7)
    before = power(plan, effect=0.7, tasters=8)["smallest_effect"]
    after = power(left, effect=0.7, tasters=7)["smallest_effect"]
    assert np.allclose(change.table["smallest_before"], before)
    assert np.allclose(change.table["smallest_after"], after)
    assert "15 bakes instead of 16, 7 tasters instead of 8." in repr(change)
    assert "The same 3 effects are told apart." in repr(change)
    assert "<table" in change._repr_html_()


def test_a_taster_at_home_costs_what_power_says_without_a_bake_less():
    plan = full_factorial([REST, SALT], replicates=4, seed=1)
    change = still_tells(plan, plan, tasters=8, tasters_left=4)
    assert (change.table["smallest_after"] > change.table["smallest_before"]).all()
    assert change.table["told_after"].all()


def test_what_is_lost_is_named_and_the_lost_bake_mends_it():
    plan = full_factorial([REST, SALT, WATER], seed=1)
    whole = ["rest", "salt", "water", "rest:salt", "rest:water", "salt:water"]
    gone = plan.table.iloc[2]
    left = drop(drop(plan, plan.table["bake"].iloc[2]), plan.table["bake"].iloc[5])
    change = still_tells(plan, left)
    assert "No longer told" in repr(change)
    assert "The others are judged as if that were nothing." in repr(change)
    assert change.table.set_index("term").loc[["rest", "salt", "water"], "told_after"].all()
    mended = best_extra(left, model=whole)
    assert mended.change.table["told_after"].sum() > change.table["told_after"].sum()
    once = drop(plan, gone["bake"])
    one = best_extra(once, model=[*whole, "rest:salt:water"])
    # Seven bakes for eight effects: only the lost setting tells them all again
    assert one.settings == {name: gone[name] for name in ("rest", "salt", "water")}
    assert "it tells of what was lost" in repr(one)


def information(plan, ratio):
    """The information matrix from its definition: days fixed, loads in the covariance."""
    bakes = plan.table
    bakes = bakes[bakes["role"] != "reference"]
    made = basis(model_terms(plan.model, plan.factors), plan.factors)
    X = made.rows(coded_settings(plan.factors, bakes))
    days = pd.get_dummies(bakes["day"]).to_numpy(dtype=float)[:, 1:]
    X = np.hstack([X, days])
    V = np.eye(len(X))
    for name in plan.groups:
        ids = bakes[name].to_numpy()
        V += ratio * (ids[:, None] == ids)
    return X.T @ np.linalg.inv(V) @ X


@pytest.mark.parametrize("ratio", [0.3, 1.0, 4.0])
def test_the_gain_of_every_choice_is_the_determinant_s(ratio):
    left = drop(FILLS, ["B03", "B10"])
    found = best_extra(left, variance_ratio=ratio)
    before = np.linalg.slogdet(information(left, ratio))[1]
    for row in found.choices.to_dict("records"):
        setting = {name: row[name] for name in ("oil", "rest", "salt")}
        grown = placed(left, setting, {"day": row["day"], "load": row["load"]})
        after = np.linalg.slogdet(information(grown, ratio))[1]
        assert row["gain"] == pytest.approx(np.exp(after - before), rel=1e-4)


def test_no_bake_of_the_grid_mends_more():
    left = drop(FILLS, ["B03", "B10"])
    found = best_extra(left)
    loads = [*left.table.loc[left.table["day"] == 2, "load"].unique(), 5]
    best = -np.inf
    for load in loads:
        held = left.table.loc[left.table["load"] == load, "oil"]
        for oil in held.unique() if len(held) else (165, 180):
            for rest in (20, 60):
                for salt in (1, 3):
                    setting = {"oil": float(oil), "rest": float(rest), "salt": float(salt)}
                    grown = placed(left, setting, {"day": 2, "load": int(load)})
                    best = max(best, np.linalg.slogdet(information(grown, 1.0))[1])
    assert np.linalg.slogdet(information(found.plan, 1.0))[1] == pytest.approx(best, abs=1e-9)
    assert "One bake more would mend most: oil" in repr(found)


def test_an_excluded_setting_is_neither_added_nor_proposed():
    table = [{"fat": "lard", "rest": (40, 60)}]
    plan = optimal([REST, FAT], model="main", bakes=8, criterion="D", exclude=table, seed=1)
    with pytest.raises(TrialsError, match="leaves out rest 60, fat lard"):
        add(plan, {"rest": 60, "fat": "lard"})
    choices = best_extra(drop(plan, "B01")).choices
    assert not ((choices["fat"] == "lard") & (choices["rest"] >= 40)).any()


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: drop(HALF, "B99"), "bakes names B99"),
        (lambda: drop(HALF, []), "no name"),
        (lambda: drop(HALF, HALF.table["bake"].tolist()), "no bake is left"),
        (lambda: repeat(HALF, "tea"), "bakes names tea"),
        (lambda: add(HALF, {"rest": 20}), "no setting for salt, water and fat"),
        (lambda: add(HALF, {"rest": 20, "salt": 1, "water": 92, "fat": "jam"}), "no level 'jam'"),
        (lambda: add(HALF, {"rest": 20, "salt": 1, "water": 92, "fat": "a"}, day=0), "day is 0"),
        (lambda: still_tells(HALF, HALF, tasters_left=0), "tasters_left is 0"),
    ],
)
def test_what_can_not_be_is_refused(make, named):
    with pytest.raises(TrialsError) as error:
        make()
    assert named in str(error.value)


def test_pages_speak_of_effects_and_not_of_columns():
    left = drop(full_factorial([REST, SALT], seed=1), "B02")
    page = still_tells(left, left)._repr_html_() + best_extra(left)._repr_html_()
    assert "not told apart" in page
    assert "rest with salt" in page
    assert "NaN" not in page
    assert "e+" not in page
