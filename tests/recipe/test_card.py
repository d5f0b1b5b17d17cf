"""The card: origin, allergens, and the reader's units."""

from dataclasses import replace

import pytest

from tests.recipe.formulas import drop_doughnut, ginger_snap
from trials.base.errors import FormulaError
from trials.recipe.card import card
from trials.recipe.crossing import cross
from trials.recipe.formula import Formula


def test_card_says_where_the_recipe_came_from_and_what_it_holds():
    changed = drop_doughnut().swap("butter", "lard")
    found = card(changed, changed.grams(flour=500))
    assert found.origin == "own, invented for the checks"
    assert found.allergens == ("egg", "gluten", "wheat")
    assert list(found.amounts) == ["ingredient", "amount", "percent"]
    # water 68 and the 17.94 % of 12 that the butter brought, 70.15 % of 500 g, as a scale shows it
    assert found.amounts["amount"].tolist()[:3] == ["375 g", "125 g", "351 g"]


def test_ounces_are_those_of_the_grams():
    # 453.59237 g are 16 oz: 80 % and 20 % of them; what is less than one ounce is in spoons
    found = card(ginger_snap(), ginger_snap().grams(flour=453.59237), "ounces").amounts
    assert found["amount"].tolist()[:2] == ["12.8 oz", "3.2 oz"]
    assert not any(one.startswith("0.") for one in found["amount"])


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


def test_a_card_shows_itself_with_its_origin_and_cautions():
    snap = ginger_snap().swap("molasses", "honey")
    found = card(snap, snap.grams(flour=300), settings={"oven": (190, "°C"), "rest": (30, "min")})
    shown = found._repr_html_()
    assert "not said" in shown
    assert "<td>oven</td><td>190 °C</td>" in shown
    assert "infants under 12 months" in shown
    assert "infants under 12 months" in repr(found)
    assert "May hold" in shown


def test_degrees_are_the_reader_s():
    # 200 °C is 392 °F
    snap = ginger_snap()
    for units in ("ounces", "household"):
        found = card(snap, snap.grams(flour=300), units, {"oven": (200, "°C"), "fat": ("lard", "")})
        assert found.settings == (("oven", "392 °F"), ("fat", "lard"))


def test_origin_travels_through_crossings_and_swaps_to_the_card():
    other = replace(ginger_snap(), origin="adapted from a neighbour's card")
    child = cross(drop_doughnut(), other, 0.25).swap("butter", "lard")
    shown = card(child, child.grams(dough=500))._repr_html_()
    assert "own, invented for the checks" in shown
    assert "adapted from a neighbour&#39;s card" in shown


def test_names_never_become_markup():
    sly = replace(drop_doughnut(), name="<script>", origin="<b>me</b>")
    shown = card(sly, sly.grams(flour=100))._repr_html_()
    assert "<script" not in shown
    assert "<b>me" not in shown


def test_parts_are_named_once():
    parts = Formula("p", {"dough": {"bread flour": 100, "water": 60}, "soak": {"honey": 9}})
    shown = card(parts, parts.grams(dough=500))._repr_html_()
    assert shown.count('<th colspan="3" scope="rowgroup">dough</th>') == 1
    assert shown.count('<th colspan="3" scope="rowgroup">soak</th>') == 1
