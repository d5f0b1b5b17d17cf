"""What a bake's settings make of a formula, in one order whatever order they come in."""

import itertools

import numpy as np
import pytest

from tests.recipe.formulas import drop_doughnut, ginger_snap
from trials.base.errors import FormulaError
from trials.recipe.crossing import apply_changes, cross
from trials.recipe.formula import Formula

HYDRATION = (("total", "hydration"), 108)
FAT = (("total", "fat"), 20)
SUGAR = (("percent", "sugar"), 12)
KIND = (("swap", "butter"), "lard")
BUCKWHEAT = (("flour share", "buckwheat flour"), 15)
RYE = (("flour share", "medium rye flour"), 30)


@pytest.mark.parametrize("order", list(itertools.permutations([HYDRATION, FAT, KIND, SUGAR])))
def test_order_given_does_not_matter(order):
    bake = apply_changes(drop_doughnut(), list(order))
    expected = apply_changes(drop_doughnut(), [HYDRATION, FAT, KIND, SUGAR])
    assert bake.parts == pytest.approx(expected.parts)


def test_fat_kind_is_no_hydration_factor():
    for fat in ("butter", "lard", "sunflower oil", "clarified butter"):
        bake = apply_changes(drop_doughnut(), [(("swap", "butter"), fat)])
        for total in ("fat", "hydration"):
            assert bake.totals()[total] == pytest.approx(drop_doughnut().totals()[total])


def test_all_that_was_asked_is_so_at_the_end():
    bake = apply_changes(drop_doughnut(), [KIND, RYE, SUGAR, HYDRATION, FAT, BUCKWHEAT])
    assert bake.totals()["hydration"] == pytest.approx(108)
    assert bake.totals()["fat"] == pytest.approx(20)
    assert bake.parts["sugar"] == 12
    assert "butter" not in bake.parts
    # neither share shrinks the other; the bread flour fills up
    shares = [bake.parts[flour] for flour in ("buckwheat flour", "medium rye flour", "bread flour")]
    assert shares == pytest.approx([15, 30, 55])


def test_cross_comes_first():
    change = (("cross", ginger_snap()), 0.5)
    bake = apply_changes(drop_doughnut(), [HYDRATION, BUCKWHEAT, change])
    by_hand = cross(drop_doughnut(), ginger_snap(), 0.5)
    by_hand = by_hand.with_flour_share("buckwheat flour", 15).with_total("hydration", 108)
    assert bake.parts == pytest.approx(by_hand.parts)


def test_swap_for_itself_is_no_change():
    assert apply_changes(drop_doughnut(), [(("swap", "butter"), "butter")]) == drop_doughnut()
    assert apply_changes(drop_doughnut(), []) == drop_doughnut()


def test_swap_of_what_was_set_to_nothing_is_no_change():
    bake = apply_changes(drop_doughnut(), [(("percent", "butter"), 0), KIND])
    assert not {"butter", "lard"} & set(bake.parts)


def test_swap_may_need_the_hydration_that_follows():
    # honey for all the sugar brings water, and the snap has none to leave out: it gets wetter,
    # by the 17.1 % of water in honey (USDA 19296); 30 % hydration has room for it
    snap = Formula("snap", {"all-purpose flour": 100, "butter": 40, "sugar": 40})
    swap = (("swap", "sugar"), "honey")
    wetter = apply_changes(snap, [swap])
    gained = wetter.totals()["hydration"] - snap.totals()["hydration"]
    assert gained == pytest.approx(0.171 * wetter.parts["honey"], rel=0.001)
    bake = apply_changes(snap, [swap, (("total", "hydration"), 30)])
    assert bake.totals()["hydration"] == pytest.approx(30)


def test_change_of_a_part():
    parts = {"dough": {"bread flour": 100, "water": 60, "sugar": 5}, "glaze": {"sugar": 20}}
    glazed = Formula("glazed", parts)
    bake = apply_changes(glazed, [(("percent", "sugar", "glaze"), 10)])
    assert bake.mix.parts["glaze"]["sugar"] == 10
    bake = apply_changes(glazed, [(("total", "sugar", "Dough"), 8)])
    assert bake.totals("dough")["sugar"] == pytest.approx(8)
    assert bake.mix.parts["glaze"]["sugar"] == 20


def test_settings_may_be_numpy_numbers():
    bake = apply_changes(drop_doughnut(), [(("percent", "sugar"), np.int64(12))])
    assert bake.parts["sugar"] == 12


def test_origin_travels():
    assert apply_changes(drop_doughnut(), [KIND, HYDRATION]).origin == drop_doughnut().origin


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ([(("melt", "butter"), 1)], "is not a change"),
        ([("total", 1)], "is not a change"),
        ([(("total",), 1)], "is not a change"),
        ([(("cross", "lard"), 1)], "needs the other formula"),
        ([(("total", ginger_snap()), 1)], "total"),
        ([(("swap", "butter"), 3)], "a name was expected"),
        ([(("percent", "sugar"), "much")], "a number from 0 up"),
        ([(("percent", "sugar"), np.nan)], "is nan"),
        ([(("cross", ginger_snap()), 50)], "0 to 1"),
        ([SUGAR, (("percent", "white sugar"), 4)], "set by two factors"),
        ([HYDRATION, HYDRATION], "set by two factors"),
        ([(("total", "hydration"), 20)], "too much"),
    ],
)
def test_changes_that_can_not_be_made(changes, says):
    with pytest.raises(FormulaError, match=says):
        apply_changes(drop_doughnut(), changes)
