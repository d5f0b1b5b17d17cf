"""Setting totals and swapping, against worked examples and the laws they must keep."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.recipe.formulas import drop_doughnut, formulas, ginger_snap
from trials.base.errors import FormulaError
from trials.recipe.formula import TOTALS, Formula

quick = settings(deadline=None, max_examples=60)


def shortbread(**others):
    return Formula(
        "shortbread", {"all-purpose flour": 100, "butter": 66.7, "sugar": 33.3, **others}
    )


def same_amounts(one, other):
    table = other.table.set_index(["part", "ingredient"])["percent"]
    expected = one.table.set_index(["part", "ingredient"])["percent"].to_dict()
    assert table.to_dict() == pytest.approx(expected, rel=1e-9)


def test_clarified_butter_at_equal_fat():
    # 66.7 g butter (54.10 g fat) = 54.38 g clarified butter + 11.84 g water
    swapped = shortbread().swap("butter", "clarified butter", match="fat").parts
    assert swapped["clarified butter"] == pytest.approx(54.38, abs=0.005)
    assert swapped["water"] == pytest.approx(11.84, abs=0.005)


def test_oil_at_equal_fat():
    # 100 g butter = 81.1 g oil + 17.9 g water
    cake = Formula("a", {"cake flour": 100, "butter": 100})
    swapped = cake.swap("butter", "sunflower oil", match="fat").parts
    assert swapped["sunflower oil"] == pytest.approx(81.1, abs=0.05)
    assert swapped["water"] == pytest.approx(17.9, abs=0.05)


def test_honey_at_equal_sugars():
    # 100 g sugar = 121.5 g honey, which brings 20.8 g water
    swapped = Formula("a", {"bread flour": 100, "sugar": 100, "water": 60}).swap("sugar", "honey")
    assert swapped.parts["honey"] == pytest.approx(121.5, abs=0.05)
    assert 60 - swapped.parts["water"] == pytest.approx(20.8, abs=0.05)
    assert swapped.totals()["hydration"] == pytest.approx(60 + 100 * 0.0002)


def test_swap_at_equal_weight_keeps_the_dough_and_at_equal_water_the_hydration():
    cake = Formula("a", {"cake flour": 100, "milk": 80, "water": 10})
    by_weight = cake.swap("milk", "buttermilk", match="weight")
    assert by_weight.totals()["dough"] == 190
    # 88.13 / 90.13 of the weight
    by_water = cake.swap("milk", "buttermilk")
    assert by_water.parts["buttermilk"] == pytest.approx(80 * 88.13 / 90.13)
    assert by_water.totals()["hydration"] == pytest.approx(cake.totals()["hydration"])


SWAPS = [
    ("butter", "clarified butter"),
    ("lard", "margarine"),
    ("sugar", "molasses"),
    ("milk", "cream"),
    ("egg", "egg white"),
    ("salt", "baking soda"),
]


def with_water_to_spare(formula):
    # cream for lard, the wettest swap below, brings 1 / 0.37 x 0.577 = 1.6 times the lard in water
    for part in formula.mix.parts:
        formula = formula.with_percent("water", 2 * formula.mix.weight(), part=part)
    return formula


@quick
@given(formulas(), st.sampled_from(SWAPS))
def test_swap_there_and_back_returns_the_formula(formula, pair):
    old, new = pair
    assume(old in set(formula.table["ingredient"]))
    formula = with_water_to_spare(formula)
    there = formula.swap(old, new)
    assert new in set(there.table["ingredient"])
    same_amounts(formula, there.swap(new, old))


@quick
@given(formulas(), st.sampled_from(["clarified butter", "margarine", "sunflower oil", "cream"]))
def test_swap_of_fat_keeps_fat_and_hydration(formula, new):
    assume("lard" in set(formula.table["ingredient"]))
    wet = with_water_to_spare(formula)
    before, after = wet.totals(), wet.swap("lard", new, match="fat").totals()
    for total in ("fat", "hydration", "flour"):
        assert after[total] == pytest.approx(before[total], rel=1e-9)


@pytest.mark.parametrize(
    ("old", "new", "grams"),
    # fresh : active dry : instant = 1 : 0.4 : 0.33, common practice
    [
        ("fresh yeast", "active dry yeast", 0.4),
        ("fresh yeast", "instant yeast", 0.33),
        ("instant yeast", "fresh yeast", 1 / 0.33),
        ("yeast, active dry", "yeast, compressed fresh", 2.5),
    ],
)
def test_yeast_is_swapped_for_what_raises_as_much(old, new, grams):
    bread = Formula("a", {"bread flour": 100, "water": 60, old: 1})
    swapped = bread.swap(old, new)
    assert swapped.parts[new] == pytest.approx(grams)
    assert swapped.totals()["hydration"] == pytest.approx(bread.totals()["hydration"])
    with pytest.raises(FormulaError, match='"baking soda" has no yeast'):
        bread.swap(old, "baking soda")


def test_swap_for_itself_changes_nothing():
    assert drop_doughnut().swap("butter", "unsalted butter") == drop_doughnut()


def test_swap_keeps_place_and_origin():
    swapped = drop_doughnut().swap("butter", "lard")
    assert list(swapped.parts)[4] == "lard"
    assert swapped.origin == "own, invented for the checks"


def test_swap_in_one_part_only():
    parts = {"dough": {"bread flour": 100, "butter": 5, "water": 50}, "filling": {"butter": 20}}
    swapped = Formula("a", parts).swap("butter", "lard", part="filling")
    assert swapped.mix.parts["dough"]["butter"] == 5
    assert swapped.mix.parts["filling"] == {"lard": pytest.approx(20 * 0.8111)}
    # the butter's water goes where water is
    assert swapped.mix.parts["dough"]["water"] == pytest.approx(50 + 20 * 0.1794)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda f: f.swap("lard", "butter"), '"lard" is not in the formula'),
        (lambda f: f.swap("butter", "salt"), '"salt" has no fat'),
        (lambda f: f.swap("butter", "butr"), "Near names"),
        (lambda f: f.swap("butter", "lard", match="taste"), "sugar, water, yeast or weight"),
        (lambda f: f.swap("sugar", "honey"), "has only 0 % to take away: .* too much"),
        (lambda f: f.swap("sugar", "bread flour", match="sugar"), "only one is flour"),
        (lambda f: f.without("milk"), "not in the formula"),
        (lambda f: f.without("all-purpose flour"), "total flour is zero"),
        (lambda f: f.halved("glaze"), 'no part "glaze"'),
        (lambda f: f.with_total("hydration", 10), "without any .* 1.97.* too much"),
        (lambda f: f.with_total("hydration", -1), "from 0 up"),
        (lambda f: f.with_total("hydration", float("nan")), "is not a number [(]nan[)]"),
        (lambda f: f.with_total("wetness", 10), 'no total "wetness"'),
        (lambda f: f.with_total("protein", 20), "by="),
        (lambda f: f.with_total("fat", 20, by="all-purpose flour"), "is flour"),
        (lambda f: f.with_total("salt", 2, by="lard"), '"lard" brings no salt'),
        (lambda f: f.with_total("alcohol", 2, by="sugar"), '"sugar" brings no alcohol'),
        (lambda f: f.with_totals({"water": 30, "hydration": 20}), "the same ingredient"),
        (lambda f: f.with_percent("all-purpose flour", 50), "set its share"),
        (lambda f: f.with_percent("salt", -2), "from 0 up"),
        (lambda f: f.with_flour_share("butter", 20), "does not count as flour"),
        (lambda f: f.with_flour_share("buckwheat flour", 120), "20 less"),
        (lambda f: f.with_flour_share("all-purpose flour", 80), "fill up 20 %"),
    ],
)
def test_change_that_can_not_be_made(change, says):
    with pytest.raises(FormulaError, match=says):
        change(shortbread())


@quick
@given(formulas(), st.sampled_from(["hydration", "fat", "sugar", "salt"]), st.floats(0, 200))
def test_total_that_is_set_is_met(formula, total, more):
    target = formula.totals()[total] + more
    found = formula.with_total(total, target, by="lard" if total == "fat" else None)
    assert found.totals()[total] == pytest.approx(target, rel=1e-9, abs=1e-9)
    assert found.totals()["flour"] == pytest.approx(100)


def test_excess_that_is_said_is_the_least_target_that_works():
    # 66.7 % butter of 17.94 g and 33.3 % sugar of 0.02 g water
    least = 66.7 * 0.1794 + 33.3 * 0.0002
    assert shortbread().with_total("hydration", least).totals()["hydration"] == least
    with pytest.raises(FormulaError, match=f"{least:.3g} %, {least - 5:.3g} too much"):
        shortbread().with_total("hydration", 5)


def test_totals_that_disturb_one_another_are_set_together():
    # honey brings water, butter brings water, salted or not a little sugar
    wanted = {"fat": 14.0, "sugar": 12.0, "salt": 1.5, "hydration": 101.5}
    one = drop_doughnut().swap("sugar", "honey").with_totals(wanted)
    other = drop_doughnut().swap("sugar", "honey").with_totals(dict(reversed(wanted.items())))
    assert one.totals()[list(wanted)].to_dict() == pytest.approx(wanted)
    same_amounts(one, other)


def test_impossible_pre_ferment_is_an_error():
    # all water is in the poolish: no final dough can be drier than it makes it
    poolish = {"bread flour": 50, "water": 70}
    bread = Formula("a", {"poolish": poolish, "dough": {"bread flour": 50, "water": 5}})
    with pytest.raises(FormulaError, match='in part "dough" it is already 70 %, 10 too much'):
        bread.with_total("hydration", 60)
    drier = bread.with_total("hydration", 60, by="water", part="poolish")
    assert drier.totals("poolish")["hydration"] == 60


def test_percent_sets_adds_and_removes():
    doughnut = drop_doughnut()
    assert doughnut.with_percent("butter", 20).parts["butter"] == 20
    assert doughnut.with_percent("orange juice", 3).parts["orange juice"] == 3
    assert "butter" not in doughnut.with_percent("unsalted butter", 0).parts


def test_percent_asks_which_part():
    parts = {"dough": {"bread flour": 100, "sugar": 5}, "glaze": {"sugar": 10}}
    glazed = Formula("a", parts)
    with pytest.raises(FormulaError, match="say which part"):
        glazed.with_percent("sugar", 7)
    assert glazed.with_percent("sugar", 7, part="glaze").mix.parts["glaze"]["sugar"] == 7


def test_flour_share_leaves_the_proportion_of_the_others():
    # 80:20 of the 60 % that are left
    snap = ginger_snap().with_flour_share("buckwheat flour", 40)
    assert snap.parts["all-purpose flour"] == pytest.approx(48)
    assert snap.parts["medium rye flour"] == pytest.approx(12)
    assert snap.with_flour_share("buckwheat", 0).parts == pytest.approx(ginger_snap().parts)


def test_leaving_out_and_halving():
    parts = {"dough": {"bread flour": 100, "water": 60}, "glaze": {"sugar": 10, "water": 4}}
    glazed = Formula("a", parts)
    assert glazed.without("glaze").mix.parts == {"dough": parts["dough"]}
    assert glazed.without("water", part="glaze").mix.parts["glaze"] == {"sugar": 10}
    assert glazed.without("sugar").mix.parts["glaze"] == {"water": 4}
    assert glazed.halved("Glaze").mix.parts["glaze"] == {"sugar": 5, "water": 2}


def test_halving_a_part_with_flour_keeps_flour_at_100():
    bread = Formula("a", {"sponge": {"bread flour": 50, "water": 50}, "dough": {"rice flour": 50}})
    halved = bread.halved("sponge")
    assert halved.totals()["flour"] == pytest.approx(100)
    # 25 of 75
    assert halved.totals("sponge")["flour"] == pytest.approx(100 / 3)


@pytest.mark.parametrize("total", TOTALS)
def test_every_total_can_be_set(total):
    carrier = {"protein": "egg white", "alcohol": "rum"}.get(total)
    found = drop_doughnut()
    target = found.totals()[total] + 3
    found = found.with_total(total, target, by=carrier)
    assert found.totals()[total] == pytest.approx(target)
