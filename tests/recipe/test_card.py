"""The card: origin, allergens, and the reader's units."""

import pytest

from tests.recipe.formulas import drop_doughnut, ginger_snap
from trials.errors import FormulaError
from trials.recipe.card import card


def test_card_says_where_the_recipe_came_from_and_what_it_holds():
    changed = drop_doughnut().swap("butter", "lard")
    found = card(changed, changed.grams(flour=500))
    assert found.origin == "own, invented for the checks"
    assert found.allergens == ("egg", "gluten", "wheat")
    assert list(found.amounts) == ["ingredient", "amount", "percent"]
    # water 68 and the 17.94 % of 12 that the butter brought: 70.15 % of 500 g
    assert found.amounts["amount"].tolist()[:3] == ["375 g", "125 g", "350.8 g"]


def test_ounces_are_those_of_the_grams():
    # 453.59237 g are 16 oz: 80 % and 20 % of them
    found = card(ginger_snap(), ginger_snap().grams(flour=453.59237), "ounces").amounts
    assert found["amount"].tolist()[:2] == ["12.8 oz", "3.2 oz"]


def test_cups_are_marked_as_approximate():
    # 244 g milk, and as much of the lighter water, are about a cup (USDA cup weight, from memory)
    batter = drop_doughnut().swap("water", "milk", match="weight")
    found = card(batter, batter.grams(flour=100 * 244 / 68), "household")
    amounts = found.amounts.set_index("ingredient")["amount"]
    assert amounts["milk"] == "about 1 cup"
    assert "approximate" in found.note


def test_unknown_units():
    with pytest.raises(FormulaError, match="grams, ounces or household"):
        card(drop_doughnut(), drop_doughnut().grams(flour=1), "stones")
