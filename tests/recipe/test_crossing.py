"""Crossing parents: exact at the ends, affine between, and what differs named."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.recipe.formulas import drop_doughnut, formulas, ginger_snap
from trials.base.errors import FormulaError
from trials.recipe.crossing import apply_changes, cross, distance, side_by_side, traits
from trials.recipe.formula import Formula
from trials.recipe.ingredients import Ingredient, shipped

quick = settings(deadline=None, max_examples=60)


@quick
@given(formulas(), formulas(), st.floats(0, 1))
def test_every_total_is_affine_in_the_share(a, b, share):
    found = cross(a, b, share).totals()
    line = (1 - share) * a.totals() + share * b.totals()
    assert found.tolist() == pytest.approx(line.tolist(), rel=1e-9, abs=1e-9)


@quick
@given(formulas(), formulas())
def test_ends_are_the_parents(a, b):
    for share, parent in ((0, a), (1, b)):
        found = cross(a, b, share)
        assert found.mix.parts == parent.mix.parts
        assert (found.name, found.origin) == (parent.name, parent.origin)


def test_parents_on_another_scale_count_by_their_own_flour():
    # 500 g flour and 300 g water are 60 %
    grams = Formula("a", {"bread flour": 500, "water": 300})
    half = cross(grams, Formula("b", {"bread flour": 100, "water": 80}), 0.5)
    assert half.parts == {"bread flour": 100, "water": 70}


def test_parts_that_only_one_parent_has_come_in_by_their_share():
    plain = Formula("plain", {"bread flour": 100, "water": 60})
    filled = {"dough": {"buckwheat flour": 100}, "filling": {"butter": 40}}
    child = cross(plain, Formula("filled", filled), 0.25)
    assert child.mix.parts["filling"] == {"butter": 10}
    assert child.mix.parts["dough"]["buckwheat flour"] == 25


def test_the_same_ingredient_by_another_name_is_one():
    a = Formula("a", {"bread flour": 100, "butter": 10})
    b = Formula("b", {"Bread Flour": 100, "unsalted butter": 20})
    assert cross(a, b, 0.5).parts == {"bread flour": 100, "butter": 15}
    assert distance(a, Formula("c", {"Bread Flour": 100, "butter, unsalted": 10})) == 0


def test_origin_travels_through_crossing_and_swap():
    child = cross(drop_doughnut(), ginger_snap(), 0.5).swap("molasses", "honey")
    assert "own, invented for the checks" in child.origin
    assert "rye ginger snap (origin not said)" in child.origin


@pytest.mark.parametrize("share", [-0.1, 1.1, 25])
def test_share_outside_0_to_1(share):
    with pytest.raises(FormulaError, match="0 to 1 was expected"):
        cross(drop_doughnut(), ginger_snap(), share)


@pytest.mark.parametrize("share", [float("nan"), "half", None, True])
def test_share_that_is_no_number(share):
    with pytest.raises(FormulaError, match=r'"share" is .*; expected a number'):
        cross(drop_doughnut(), ginger_snap(), share)


def test_parents_must_count_flour_alike():
    a = Formula("a", {"bread flour": 80, "cornstarch": 20}, also_flour="starch")
    with pytest.raises(FormulaError, match="count different things as flour"):
        cross(a, ginger_snap(), 0.5)


def with_acorn(water):
    own = shipped().with_ingredients((Ingredient("acorn flour", "flour", water),))
    return Formula(f"acorn {water}", {"acorn flour": 100, "water": 50}, ingredients=own)


def test_own_rows_of_both_parents_come_along():
    child = cross(drop_doughnut(), with_acorn(9), 0.5)
    assert child.mix.find("acorn flour").water == 9
    assert cross(with_acorn(9), drop_doughnut(), 0.5).parts["acorn flour"] == 50
    with pytest.raises(FormulaError, match="different rows"):
        cross(with_acorn(9), with_acorn(10), 0.5)


def test_one_part_can_be_crossed_by_itself():
    a = Formula("a", {"dough": {"bread flour": 100}, "filling": {"sugar": 10}})
    b = Formula("b", {"dough": {"rice flour": 100}, "filling": {"butter": 40}})
    child = cross(a, b, 0.25, part="filling")
    assert child.mix.parts == {
        "dough": {"bread flour": 100},
        "filling": {"sugar": 7.5, "butter": 10},
    }
    with pytest.raises(FormulaError, match='neither parent has a part "glaze"'):
        cross(a, b, 0.5, part="glaze")


def test_part_with_another_share_of_the_flour_can_not_be_crossed_by_itself():
    a = Formula("a", {"sponge": {"bread flour": 50}, "dough": {"bread flour": 50}})
    b = Formula("b", {"sponge": {"bread flour": 20}, "dough": {"bread flour": 80}})
    with pytest.raises(FormulaError, match="another share of the flour"):
        cross(a, b, 0.5, part="sponge")


def test_side_by_side_holds_every_ingredient_and_total():
    table = side_by_side(drop_doughnut(), ginger_snap(), 0.5).set_index("ingredient")
    columns = ["part", "buckwheat drop doughnut", "rye ginger snap"]
    child = "buckwheat drop doughnut × 50 % rye ginger snap"
    assert list(table) == [*columns, child, "difference"]
    assert table.loc["butter", child] == (12 + 45) / 2
    assert table.loc["butter", "difference"] == 33
    assert table.loc["molasses", "buckwheat drop doughnut"] == 0
    assert table.loc["hydration", "difference"] == pytest.approx(
        ginger_snap().totals()["hydration"] - drop_doughnut().totals()["hydration"]
    )
    with pytest.raises(FormulaError, match="both parents are called"):
        side_by_side(drop_doughnut(), drop_doughnut())


def test_distance_by_hand():
    # flour 1/2 against 1/3, water 1/2 against nothing, milk nothing against 2/3
    a = Formula("a", {"bread flour": 100, "water": 100})
    b = Formula("b", {"bread flour": 100, "milk": 200})
    assert distance(a, b) == pytest.approx(100 * (1 / 6 + 1 / 2 + 2 / 3) / 2)
    assert distance(a, Formula("c", {"rice flour": 100})) == pytest.approx(100)


@quick
@given(formulas(), formulas())
def test_distance_is_a_distance(a, b):
    assert distance(a, a) == 0
    assert 0 <= distance(a, b) <= 100 + 1e-9
    assert distance(a, b) == pytest.approx(distance(b, a))


def test_traits_set_on_the_first_parent_give_the_totals_of_the_second():
    a = Formula("a", {"bread flour": 100, "water": 60, "butter": 10, "sugar": 5, "salt": 2})
    b = Formula("b", {"bread flour": 70, "rice flour": 30, "water": 90, "lard": 4, "honey": 9})
    found = traits(a, b, {"oven": 180, "rest": 30}, {"oven": 200, "rest": 30})
    kinds = {trait.name: (trait.kind, trait.a, trait.b) for trait in found}
    assert kinds["rice flour"] == ("flour", 0, 30)
    assert kinds["kind of fat"] == ("fat", "butter", "lard")
    assert kinds["sweetener"] == ("sweetener", "sugar", "honey")
    assert kinds["oven"] == ("process", 180, 200)
    assert "rest" not in kinds
    changes = [(trait.changes, trait.b) for trait in found if trait.changes]
    baked = apply_changes(a, changes).totals()
    for total in ("hydration", "fat", "sugar", "salt"):
        assert baked[total] == pytest.approx(b.totals()[total])
    assert {trait.is_number for trait in found if trait.kind in ("flour", "total")} == {True}


def test_part_of_one_parent_is_a_trait():
    a = Formula("a", {"dough": {"bread flour": 100}, "filling": {"sugar": 10}})
    b = Formula("b", {"dough": {"bread flour": 100}, "soak": {"honey": 40}})
    found = {trait.name: trait for trait in traits(a, b) if trait.kind == "part"}
    assert set(found) == {"filling", "soak"}
    soaked = apply_changes(a, [(found["soak"].changes, 1.0), (found["filling"].changes, 1.0)])
    assert soaked.mix.parts == b.mix.parts


def test_the_same_parents_have_no_traits():
    assert traits(drop_doughnut(), drop_doughnut()) == ()
