"""Two parents as factors: at its ends a crossing is each parent, whatever else is varied."""

import numpy as np
import pandas as pd
import pytest

from tests.recipe.formulas import drop_doughnut
from trials.base.errors import FactorError, PlanError
from trials.core.factors import Categorical, Numeric, check_nested
from trials.core.measures import Measure
from trials.design.crossings import (
    crossed_by_word,
    crossing_factors,
    not_crossed,
    parent_settings,
    parents_among,
    share_name,
    with_parents,
)
from trials.design.exchange import optimal
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.layout import lay_out
from trials.recipe.crossing import apply_changes
from trials.recipe.formula import Formula
from trials.rounds.round import Round

# Invented, and our own: two laminated doughs that share neither flour nor fat
PLAIN = Formula(
    "rye ginger swirl",
    {
        "dough": {"bread flour": 70, "medium rye flour": 30, "water": 54, "sugar": 8, "salt": 1.8},
        "lamination": {"butter": 45},
        "filling": {"ground ginger": 2, "molasses": 12},
    },
    origin="own, invented",
)
SWEET = Formula(
    "buckwheat honey fold",
    {
        "dough": {
            "bread flour": 80,
            "buckwheat flour": 20,
            "milk": 40,
            "water": 16,
            "honey": 14,
            "salt": 1.6,
        },
        "lamination": {"lard": 36},
    },
    origin="own, invented as well",
)
AT = {"oven": 215, "rest": 30, "folds": "3, 3, 3"}, {"oven": 190, "rest": 30, "folds": "4, 3"}


def settings(**changes):
    return crossing_factors(PLAIN, SWEET, *AT, **changes)


def test_every_trait_is_offered_with_both_choices_and_the_share_is_one_more():
    found = {factor.name: factor for factor in settings(units={"oven": "°C"})}
    assert found["share of buckwheat honey fold"].levels == (0, 1)
    assert found["buckwheat flour"].levels == (0, 20)
    assert found["medium rye flour"].levels == (0, 30)
    assert found["kind of fat"].levels == ("butter", "lard")
    assert found["oven"].levels == (190, 215)
    assert found["oven"].unit == "°C"
    assert found["folds"].levels == ("3, 3, 3", "4, 3")
    assert "rest" not in found  # alike in both
    assert "filling" not in found  # the share carries it
    assert "filling" in {factor.name for factor in settings(share=False)}


@pytest.mark.parametrize(
    "only",
    [
        [],
        ["kind of fat"],
        ["sweetener", "kind of fat", "oven"],
        ["buckwheat flour", "medium rye flour", "hydration", "fat", "folds"],
        ["sugar", "salt", "kind of fat", "sweetener", "hydration", "buckwheat flour"],
    ],
)
def test_with_the_share_both_parents_come_out_whole(only):
    factors = settings(only=[share_name(SWEET), *only])
    for (_, row), parent in zip(
        parent_settings(factors, PLAIN, SWEET, *AT).iterrows(), (PLAIN, SWEET), strict=True
    ):
        changes = [(one.changes, row[one.name]) for one in factors if one.changes]
        baked = apply_changes(PLAIN, changes)
        assert baked.totals().to_numpy() == pytest.approx(parent.totals().to_numpy(), abs=1e-6)
        kept = {(part, name): percent for part, name, percent in baked.mix.rows() if percent > 1e-9}
        wanted = {(part, name): percent for part, name, percent in parent.mix.rows()}
        assert kept == pytest.approx(wanted, abs=1e-6)


def test_on_a_half_crossing_one_kind_of_fat_is_left_and_it_is_the_one_set():
    factors = settings(only=[share_name(SWEET), "kind of fat"])
    share, fat = factors
    for kind, gone in (("butter", "lard"), ("lard", "butter")):
        half = apply_changes(PLAIN, [(share.changes, 0.5), (fat.changes, kind)])
        names = set(half.table["ingredient"])
        assert kind in names
        assert gone not in names
        mean = (PLAIN.totals()["fat"] + SWEET.totals()["fat"]) / 2
        assert half.totals()["fat"] == pytest.approx(mean)


def test_names_that_are_no_trait_and_parents_that_do_not_differ_are_refused():
    with pytest.raises(FactorError, match='"crumb" is not what differs between the parents'):
        settings(only=["crumb"])
    with pytest.raises(FactorError, match='"crumb" is not what differs'):
        settings(hard_to_change={"crumb": True})
    with pytest.raises(FactorError, match="do not differ"):
        crossing_factors(drop_doughnut(), drop_doughnut())
    with pytest.raises(FactorError, match="both parents are called"):
        parent_settings(settings(), PLAIN, PLAIN)


@pytest.fixture(scope="module")
def planned():
    factors = settings(
        only=[share_name(SWEET), "kind of fat", "oven"],
        units={"oven": "°C"},
        hard_to_change={"oven": True},
    )
    plan = optimal(factors, model="main", bakes=12, criterion="D", days=2, loads=4, seed=4)
    parents = parent_settings(factors, PLAIN, SWEET, *AT)
    return plan, with_parents(plan, parents, each=2)


def test_parents_join_loads_with_their_oven_and_days_in_turn(planned):
    plan, longer = planned
    assert longer.count() == plan.count() + 4
    assert (longer.table.groupby("load")["oven"].nunique() == 1).all()
    assert longer.table["bake"].is_unique
    assert list(longer.table["load"]) == sorted(longer.table["load"])
    for name, oven, share in (("rye ginger swirl", 215, 0), ("buckwheat honey fold", 190, 1)):
        rows = longer.table[longer.table["bake"].isin(longer.details["parents"][name])]
        assert len(rows) == 2
        assert set(rows["oven"]) == {oven}
        assert set(rows[share_name(SWEET)]) == {share}
        assert set(rows["role"]) == {"trial"}
        assert rows["day"].nunique() == 2
    added = {bake for bakes in longer.details["parents"].values() for bake in bakes}
    others = longer.table[~longer.table["bake"].isin(added)]
    columns = [factor.name for factor in plan.factors] + ["day", "load"]
    pd.testing.assert_frame_equal(
        others[columns].reset_index(drop=True), plan.table[columns], check_dtype=False
    )


def test_parents_are_weighed_whole_in_a_round(planned, tmp_path):
    _, longer = planned
    liking = Measure("liking", "hedonic 9")
    round_ = Round.create(tmp_path / "one", plan=longer, measures=[liking], formula=PLAIN, seed=1)
    formulas = Round.open(round_.folder).formulas
    for parent in (PLAIN, SWEET):
        for bake in longer.details["parents"][parent.name]:
            assert formulas[bake].totals().to_numpy() == pytest.approx(parent.totals().to_numpy())
            assert "own, invented" in formulas[bake].origin
    assert Round.open(round_.folder).plan.details["parents"] == longer.details["parents"]


def test_a_plan_without_a_parent_s_oven_is_refused():
    oven = Numeric("oven", 190, 215, "°C", hard_to_change=True)
    plan = full_factorial([oven], replicates=2, loads=4, seed=1)
    with pytest.raises(PlanError, match='no load of this plan is at 200 °C, where "x" is baked'):
        with_parents(plan, pd.DataFrame({"oven": [200.0]}, index=["x"]))
    with pytest.raises(PlanError, match="no setting for oven"):
        with_parents(plan, pd.DataFrame({"rest": [200.0]}, index=["x"]))


def test_the_same_plan_takes_its_parents_to_the_same_places():
    rest = Numeric("rest", 20, 60, "min")
    parents = pd.DataFrame({"rest": [20.0, 60.0]}, index=["a", "b"])
    plan = full_factorial([rest], replicates=4, seed=3)
    once, again = with_parents(plan, parents), with_parents(plan, parents)
    pd.testing.assert_frame_equal(once.table, again.table)


# Invented: two fried cakes that share all but amounts, and one of them a topping of carrot
FRITTER = Formula("fritter", {"chickpea flour": 100, "water": 80, "onion": 20, "salt": 2})
PANCAKE = Formula("pancake", {"chickpea flour": 100, "water": 10, "onion": 40, "salt": 2})
COOKED = {"cooking": "deep-fried"}, {"cooking": "pan-fried"}
OIL = Numeric("oil", 165, 185, "°C", only_when=("cooking", ["deep-fried"]))


def test_a_parent_has_no_setting_where_there_is_none(tmp_path):
    factors = (*crossing_factors(FRITTER, PANCAKE, *COOKED, only=["cooking"], share=False), OIL)
    parents = parent_settings(factors, FRITTER, PANCAKE, *COOKED)
    assert parents.loc["fritter", "oil"] == 175
    assert pd.isna(parents.loc["pancake", "oil"])
    plan = optimal(factors, model="main", bakes=8, criterion="D", seed=1)
    longer = with_parents(plan, parents)
    round_ = Round.create(tmp_path / "one", plan=longer, measures=[Measure("liking", "hedonic 9")])
    assert Round.open(round_.folder).plan.count() == 10  # it reads what it wrote
    with pytest.raises(PlanError, match='"oil" has a setting in row 3'):
        with_parents(plan, parents.assign(oil=175.0))


def test_a_parent_in_a_shared_pot_has_none_where_it_is_not_fried():
    oil = Numeric("oil", 165, 185, "°C", hard_to_change=True, only_when=OIL.only_when)
    cooking = crossing_factors(FRITTER, PANCAKE, *COOKED, only=["cooking"], share=False)
    plan = optimal([*cooking, oil], model="main", bakes=8, criterion="D", loads=2, seed=1)
    parents = parent_settings(plan.factors, FRITTER, PANCAKE, *COOKED).replace({"oil": {175: 165}})
    longer = with_parents(plan, parents)
    (bake,) = longer.details["parents"]["pancake"]
    assert pd.isna(longer.table.set_index("bake").loc[bake, "oil"])


def test_rows_are_counted_as_a_spreadsheet_does():
    kinds = Categorical("cooking", ["deep-fried", "pan-fried"])
    with pytest.raises(FactorError, match="in row 3"):
        check_nested([kinds, OIL], {"cooking": ["deep-fried", "pan-fried"], "oil": [170, 170]})


def test_a_factor_of_one_s_own_stands_at_what_the_parent_has():
    onion = Numeric("onion", 20, 40, "%", changes=("percent", "onion"))
    narrow = Numeric("onion", 25, 35, "%", changes=("percent", "onion"))
    share = crossing_factors(FRITTER, PANCAKE, only=[share_name(PANCAKE)])
    assert list(parent_settings([*share, onion], FRITTER, PANCAKE)["onion"]) == [20, 40]
    assert list(parent_settings([*share, narrow], FRITTER, PANCAKE)["onion"]) == [25, 35]


def test_an_ingredient_in_both_at_different_amounts_can_be_crossed():
    assert crossed_by_word(["onion"], FRITTER, PANCAKE) == ["onion"]
    (onion,) = crossing_factors(FRITTER, PANCAKE, only=["onion"], share=False)
    assert (onion.low, onion.high) == (20, 40)
    assert apply_changes(FRITTER, [(onion.changes, 40)]).parts["onion"] == 40
    assert list(parent_settings([onion], FRITTER, PANCAKE)["onion"]) == [20, 40]


def test_only_what_was_given_and_differs_is_listed():
    other = Formula("other", {"bread flour": 100, "water": 60, "onion": 20, "salt": 2})
    with pytest.raises(FactorError, match="do not differ in it") as refused:
        crossed_by_word(["onion"], FRITTER, other, *COOKED)
    said = str(refused.value)
    # neither was given fat or sugar, and salt is alike
    assert "they differ in bread flour, water and cooking. The words are" in said


def test_what_is_not_crossed_is_known():
    def names(*factors):
        return [trait.name for trait in not_crossed(factors, FRITTER, PANCAKE, *COOKED)]

    onion = Numeric("bulb", 20, 40, "%", changes=("percent", "onion"))
    assert names() == ["water", "onion", "cooking"]
    assert names(onion) == ["water", "cooking"]
    assert names(Numeric("wet", 20, 80, changes=("total", "hydration"))) == ["onion", "cooking"]
    assert names(*crossing_factors(FRITTER, PANCAKE, only=[share_name(PANCAKE)])) == ["cooking"]


# Parents among the bakes: two-level designs may be reflected in any factor (Box, Hunter & Hunter
# 2005, ch. 6: every choice of signs is the same design), which says which half fraction it is

FOUR = [
    Categorical("fat", ["butter", "lard"]),
    Categorical("cooking", ["oven", "griddle"]),
    Numeric("water", 55, 65, "%"),
    Numeric("sugar", 4, 10, "%"),
]


def sides(factors, first, second):
    return pd.DataFrame([first, second], columns=[one.name for one in factors], index=["a", "b"])


@pytest.mark.parametrize(
    "first",
    [
        ("butter", "oven", 55.0, 4.0),
        ("butter", "oven", 65.0, 4.0),
        ("lard", "oven", 65.0, 4.0),
        ("lard", "griddle", 65.0, 4.0),
    ],
)
@pytest.mark.parametrize("days", [1, 2])
def test_a_half_fraction_holds_both_parents_whichever_half_it_is(first, days):
    other = {"butter": "lard", "lard": "butter", "oven": "griddle", "griddle": "oven",
             55.0: 65.0, 65.0: 55.0, 4.0: 10.0, 10.0: 4.0}  # fmt: skip
    plan = fractional_factorial(FOUR, bakes=8, days=days, seed=1)
    both = sides(FOUR, first, [other[one] for one in first])
    found = parents_among(plan, both)
    names = [one.name for one in FOUR]
    for name, setting in both.iterrows():
        (bake,) = found.details["parents"][name]
        assert list(found.rows.set_index("bake").loc[bake, names]) == list(setting)
    # The same plan: as many of each on each day, and the product of three is the fourth or its
    # opposite, as its generator says
    high = {one.name: one.levels[1] if isinstance(one, Categorical) else one.high for one in FOUR}
    X = np.column_stack([np.where(found.rows[name] == high[name], 1, -1) for name in names])
    assert np.abs(X.T @ X - 8 * np.eye(4)).max() < 1e-9
    assert found.rows[["bake", "day", "role"]].equals(plan.rows[["bake", "day", "role"]])
    assert found.rows.dtypes.equals(plan.rows.dtypes)
    (word,) = found.details["generators"]
    made, _, of = word.partition(" = ")
    product = np.prod([X[:, names.index(one)] for one in of.removeprefix("−").split(" × ")], axis=0)
    sign = -1 if of.startswith("−") else 1
    assert (X[:, names.index(made)] == sign * product).all()


def test_parents_are_among_the_bakes_only_where_a_reflection_brings_them_there():
    three = [Numeric("water", 55, 65), Numeric("sugar", 4, 10), Numeric("salt", 1, 2)]
    half = fractional_factorial(three, bakes=4, seed=1)
    # I = ABC: no two of its bakes are opposite in everything
    assert parents_among(half, sides(three, [55, 4, 1], [65, 10, 2])) is None
    assert parents_among(half, sides(three, [55, 4, 1], [65, 10, 1])) is not None
    whole = full_factorial(three, seed=1)
    assert parents_among(whole, sides(three, [55, 4, 1], [65, 10, 2])) is not None
    assert parents_among(whole, sides(three, [55, 4, 1], [65, 10, 2]), each=2) is None
    twice = full_factorial(three, replicates=2, seed=1)
    found = parents_among(twice, sides(three, [55, 4, 1], [65, 10, 2]), each=2)
    assert [len(own) for own in found.details["parents"].values()] == [2, 2]
    # A middle is no end, and does not change places with one
    middle = optimal(three[:1], model="quadratic", bakes=3, seed=1)
    at_middle = sides(three[:1], [60], [65])
    assert parents_among(middle, at_middle).rows.equals(middle.rows)
    assert parents_among(middle, sides(three[:1], [57], [65])) is None


def test_reference_bakes_stay_what_they_are_and_odd_settings_are_not_turned():
    plan = fractional_factorial(FOUR, bakes=8, references=2, seed=1)
    first = ["lard", "griddle", 65.0, 4.0]
    found = parents_among(plan, sides(FOUR, first, ["butter", "oven", 55.0, 10.0]))
    names, kept = [one.name for one in FOUR], plan.rows["role"] == "reference"
    assert kept.sum() == 2
    assert found.rows.loc[kept, names].equals(plan.rows.loc[kept, names])


@pytest.mark.parametrize(("between", "there"), [(60.0, True), (58.0, False)])
def test_only_ends_and_their_middle_are_turned(between, there):
    """58 % is not in the middle of 55 and 65: turned, it would be another setting."""
    two = [Numeric("water", 55, 65, "%"), Categorical("fat", ["butter", "lard", "ghee"])]
    settings = {"water": [55.0, between, 65], "fat": ["butter", "butter", "lard"]}
    plan = lay_out(two, pd.DataFrame(settings), family="own", model="main", seed=1)
    found = parents_among(plan, sides(two, [65.0, "butter"], [between, "butter"]))
    assert (found is not None) == there


def test_no_reflection_bakes_what_never_goes_together():
    never = [{"fat": "lard", "cooking": "griddle"}]
    plan = optimal(FOUR[:3], model="main", bakes=6, exclude=never, seed=1)
    both = sides(FOUR[:3], ["butter", "oven", 55], ["lard", "oven", 65])
    found = parents_among(plan, both, exclude=never)
    for one in (plan, found):
        bad = (one.rows["fat"] == "lard") & (one.rows["cooking"] == "griddle")
        assert not bad.any()
    assert parents_among(plan, sides(FOUR[:3], ["lard", "griddle", 55], ["butter", "oven", 65]),
                         exclude=never) is None  # fmt: skip
