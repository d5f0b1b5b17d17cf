"""Baker's percentages against worked examples of the trade, and the laws they must keep."""

import math
import tomllib

import numpy as np
import pandas as pd
import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.recipe.formulas import drop_doughnut, formulas, ginger_snap
from trials.base.errors import FormulaError
from trials.recipe.formula import Formula, allergens
from trials.recipe.ingredients import shipped

quick = settings(deadline=None, max_examples=60)

PIZZA = {"bread flour": 100, "water": 58, "salt": 1.75, "sugar": 2, "instant yeast": 0.375}


def test_flour_from_a_cake_formula_of_377_5_percent():
    # Gisslen, Professional Baking, yield procedure: 3000 g batter of 377.5 % need 794.7 g flour
    cake = Formula("cake", {"cake flour": 100, "sugar": 127.5, "egg": 150})
    assert cake.grams(dough=3000)["grams"].iloc[0] == pytest.approx(794.7, abs=0.05)


def test_pizza_of_162_125_percent():
    # baker's-math slides (slideplayer 7820492): 100/58/1.75/2/0.375; grams of 1000 g by hand
    dough = Formula("pizza", PIZZA)
    assert dough.totals()["dough"] == 162.125
    found = dough.grams(dough=1000)["grams"].round(2).tolist()
    assert found == [616.81, 357.75, 10.79, 12.34, 2.31]


def baguette():
    # Wild Yeast, "Baker's percentage 4": poolish and final dough in grams
    poolish = {"bread flour": 468, "water": 468, "instant yeast": 0.3}
    final = {"bread flour": 900, "water": 468, "instant yeast": 9, "salt": 27, "poolish": 936}
    return Formula("baguette", {"poolish": poolish, "dough": final})


def test_baguette_with_poolish():
    # worked from it: hydration 68.42 % and salt 1.974 % as weighed, 34.21 % pre-fermented
    bread = baguette()
    held = bread.table.groupby("ingredient")["percent"].sum()
    assert held["water"] == pytest.approx(68.42, abs=0.005)
    assert held["salt"] == pytest.approx(1.974, abs=0.0005)
    assert bread.totals()["added water"] == pytest.approx(68.42, abs=0.005)
    # the yeast's own water comes on top: 0.68 % of 5.08 g in 100 g
    assert bread.totals()["hydration"] == pytest.approx(68.42 + 0.68 * 0.0508, abs=0.005)
    assert bread.totals("poolish")["flour"] == pytest.approx(34.21, abs=0.01)
    assert 171.05 <= bread.totals()["dough"] <= 171.08
    flour = bread.grams(dough=2340).query("ingredient == 'bread flour'")["grams"].sum()
    assert flour == pytest.approx(1368, abs=0.5)


def test_final_dough_can_take_in_the_poolish_in_its_own_percentages():
    # the same loaf as the source also gives it: final dough 100/52/1/3/104 of its own flour
    poolish = {"bread flour": 100, "water": 100, "instant yeast": 0.0641}
    final = {"bread flour": 100, "water": 52, "instant yeast": 1, "salt": 3, "poolish": 104}
    bread = Formula("baguette", {"poolish": poolish, "dough": final})
    assert bread.totals()["added water"] == pytest.approx(baguette().totals()["added water"], 1e-3)
    assert bread.part("poolish").totals()["added water"] == pytest.approx(100)


def test_soaker_is_taken_in_by_weight():
    # 30 of a soaker of 50 oats and 50 water: 15 each
    soaker = {"oats": 50, "water": 50}
    dough = {"bread flour": 100, "water": 60, "soaker": 30}
    bread = Formula("a", {"soaker": soaker, "dough": dough})
    assert bread.mix.parts["soaker"] == {"oats": 15, "water": 15}
    assert bread.totals()["hydration"] == pytest.approx(75 + 15 * 0.0822)


def test_pre_ferment_of_a_pre_ferment():
    # half of the sponge (50 of 100) is starter, and half of the sponge goes into the dough
    starter = {"bread flour": 50, "water": 50}
    sponge = {"bread flour": 50, "starter": 50}
    parts = {"starter": starter, "sponge": sponge, "dough": {"bread flour": 100, "sponge": 50}}
    found = Formula("a", parts).mix.parts
    flour = 100 + 25 + 12.5
    assert found["starter"]["water"] == pytest.approx(100 * 12.5 / flour)
    assert found["sponge"] == {"bread flour": pytest.approx(100 * 25 / flour)}


def test_french_bread_in_pounds():
    # a trade handout quoted on a baking page: hydration 65.0 %, salt 2.0 %
    poolish = {"bread flour": 19.32, "water": 19.32, "fresh yeast": 0.02}
    final = {"bread flour": 40.12, "water": 19.32, "salt": 1.19, "fresh yeast": 0.72}
    bread = Formula("French bread", {"poolish": poolish, "dough": {**final, "poolish": 38.66}})
    assert round(bread.totals()["added water"], 1) == 65.0
    assert round(bread.totals()["salt"], 1) == 2.0


def test_brioche_is_wetter_than_its_water():
    # a textbook formula (copied on a baking forum), 1152.5 g; water 9 % but 60.9 % by the table
    weights = {"bread flour": 500, "salt": 12.5, "sugar": 60, "butter": 250}
    brioche = Formula("brioche", {**weights, "fresh yeast": 35, "water": 45, "egg": 250})
    totals = brioche.totals()
    assert brioche.grams(flour=500)["grams"].sum() == pytest.approx(1152.5)
    assert totals["added water"] == pytest.approx(9)
    assert round(totals["hydration"], 1) == 60.9
    assert round(totals["fat"], 1) == 47.1


def test_shortbread_has_the_water_of_its_butter():
    # 66.7 x 17.94 / 100
    short = Formula("shortbread", {"all-purpose flour": 100, "butter": 66.7, "sugar": 33.3})
    assert short.totals()["hydration"] == pytest.approx(11.97, abs=0.005)


def test_share_of_dough_by_hand():
    # 58 water, what yeast, salt and sugar bring, and in all the flour's own 13.36, of 162.125
    totals = Formula("pizza", PIZZA).totals(of="dough")
    water = 58 + (0.375 * 5.08 + 1.75 * 0.2 + 2 * 0.02) / 100
    assert totals["hydration"] == pytest.approx(100 * water / 162.125)
    assert totals["water"] == pytest.approx(100 * (water + 13.36) / 162.125)
    assert totals["dough"] == pytest.approx(100)


def test_what_counts_as_flour_can_be_said():
    parts = {"bread flour": 80, "cornstarch": 20, "almond flour": 10, "water": 60}
    assert Formula("a", parts).totals()["hydration"] == 75
    assert Formula("b", parts, also_flour="starch").totals()["hydration"] == 60
    both = Formula("c", parts, also_flour=("starch", "almond flour"))
    assert both.totals()["hydration"] == pytest.approx(60 / 1.1)
    assert both.flours == ("bread flour", "cornstarch", "almond flour")


def test_coconut_milk_is_a_liquid():
    # NDB 12118: 72.88 g water per 100 g
    batter = Formula("a", {"rice flour": 100, "coconut milk": 100})
    assert batter.totals()["hydration"] == pytest.approx(72.88)


def test_frying_oil_is_neither_in_the_totals_nor_in_the_dough():
    parts = {"batter": {"bread flour": 100, "water": 90}, "frying oil": {"sunflower oil": 900}}
    fried = Formula("a", parts)
    assert fried.totals()["fat"] == pytest.approx(1.66)
    grams = fried.grams(dough=190).set_index("ingredient")["grams"]
    assert grams.to_dict() == pytest.approx({"bread flour": 100, "water": 90, "sunflower oil": 900})
    counted = Formula("a", parts, aside=())
    assert counted.totals()["fat"] == pytest.approx(901.66)
    assert Formula.from_dict(counted.to_dict()) == counted


def test_pieces_and_losses():
    dough = Formula("pizza", PIZZA)
    assert dough.grams(pieces=20, piece=50)["grams"].sum() == pytest.approx(1000)
    # bake loss 12.0 %: 440 g baked are 500 g dough
    assert dough.grams(dough=440, loss=12)["grams"].sum() == pytest.approx(500)


def test_columns_are_the_promised_ones():
    assert list(Formula("pizza", PIZZA).grams(flour=100)) == ["ingredient", "percent", "grams"]
    assert list(baguette().grams(flour=1)) == ["part", "ingredient", "percent", "grams"]


@quick
@given(formulas(), st.floats(1, 1e5))
def test_grams_sum_to_the_dough(formula, dough):
    grams = formula.grams(dough=dough)["grams"]
    assert math.fsum(grams) == pytest.approx(dough, rel=1e-12)
    assert (grams > 0).all()


@quick
@given(formulas())
def test_totals_are_linear_in_the_parts(formula):
    whole = formula.totals()
    by_part = sum(formula.totals(part) for part in formula.mix.parts)
    assert by_part.tolist() == pytest.approx(whole.tolist(), rel=1e-9, abs=1e-12)
    assert whole["flour"] == pytest.approx(100, rel=1e-12)


@quick
@given(formulas(), st.floats(0.01, 1000))
def test_scale_of_what_is_written_does_not_matter(formula, factor):
    scaled = {
        part: {name: amount * factor for name, amount in held.items()}
        for part, held in formula.parts.items()
    }
    other = Formula("scaled", scaled).totals()
    assert other.tolist() == pytest.approx(formula.totals().tolist(), rel=1e-9)


@quick
@given(formulas())
def test_formula_survives_a_settings_file(formula):
    text = tomli_w.dumps(formula.to_dict())
    again = Formula.from_dict(tomllib.loads(text))
    assert again == formula
    assert again.totals().equals(formula.totals())


def test_numbers_of_a_table_survive_a_settings_file():
    bread = Formula("a", {"bread flour": np.int64(100), "water": np.float64(62.5)})
    assert Formula.from_dict(tomllib.loads(tomli_w.dumps(bread.to_dict()))) == bread


def test_own_rows_and_origin_survive_a_settings_file():
    row = {"name": "acorn flour", "group": "flour", "water_g": 9.0}
    own = shipped().with_rows(pd.DataFrame([row]))
    bread = Formula("a", {"acorn flour": 100, "water": 60}, origin="own, May", ingredients=own)
    again = Formula.from_dict(tomllib.loads(tomli_w.dumps(bread.to_dict())))
    assert again == bread
    assert again.origin == "own, May"
    assert again.swap("water", "milk").mix.find("acorn flour").water == 9


def test_allergens_of_all_parts():
    fried = {"batter": {"bread flour": 100, "egg": 20}, "frying oil": {"peanut oil": 900}}
    assert allergens(Formula("a", fried)) == ("egg", "gluten", "peanut", "wheat")
    assert "milk" in allergens(drop_doughnut())
    assert "rye" in allergens(ginger_snap())


def test_formulas_are_equal_by_what_they_say():
    assert drop_doughnut() == drop_doughnut()
    assert hash(drop_doughnut()) == hash(drop_doughnut())
    assert drop_doughnut() != ginger_snap()


def test_what_is_given_is_not_shared():
    given_ = {"bread flour": 100, "water": 60}
    bread = Formula("a", given_)
    given_["water"] = 900
    assert bread.parts["water"] == 60


def test_html_is_escaped():
    row = {"name": "<b>flour", "group": "flour", "water": 9.0}
    data = {"name": "a", "parts": {"<b>flour": 100}, "ingredients": [row]}
    assert "<b>flour" not in Formula.from_dict(data)._repr_html_()


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({}, "needs its parts"),
        ({"bread flour": -1}, 'part "dough", "bread flour" is -1 %'),
        ({"bread flour": "many"}, "is 'many'"),
        ({"bread flour": float("nan")}, "is nan"),
        ({"bread flour": float("inf")}, "is inf"),
        ({"bread flour": True}, "is True"),
        ({"bread flour": None}, "is None"),
        ({"butter": 10, "water": 5}, "total flour is zero"),
        ({"bread flour": 0, "water": 5}, "total flour is zero"),
        ({"bread flour": 100, "Butter": 10, "butter": 2}, "differ only in capitals"),
        ({"bread flour": 100, "butter": 10, "unsalted butter": 2}, "same ingredient"),
        ({"Dough": {"bread flour": 100}, "dough": {"water": 2}}, "differ only in capitals"),
        ({"bread flour": 100, "dough": {"water": 2}}, "put each ingredient into a part"),
        ({"dough": {"bread flour": 100}, "filling": {}}, "filling: the part is empty"),
        ({"bread flour": 100, "buter": 10}, "Near names"),
        ({"flour": 100}, "Which one"),
        ({"a": {"bread flour": 9, "b": 3}, "b": {"water": 3, "a": 3}}, "take in one another"),
        ({"frying oil": {"bread flour": 100, "lard": 900}}, "total flour is zero"),
    ],
)
def test_formula_that_can_not_be_mixed_says_where(parts, says):
    with pytest.raises(FormulaError, match=f'formula "bad": .*{says}'):
        Formula("bad", parts)


@pytest.mark.parametrize(
    ("parts", "says"), [(None, '"parts" is None'), ({5: 100}, '5 of "parts" is 5; expected a text')]
)
def test_parts_of_a_wrong_kind_are_refused(parts, says):
    with pytest.raises(FormulaError, match=f'Formula "bad": {says}'):
        Formula("bad", parts)


def test_part_taken_in_twice():
    parts = {"soaker": {"oats": 50, "water": 50}, "a": {"bread flour": 60, "soaker": 30}}
    with pytest.raises(FormulaError, match="taken in twice"):
        Formula("bad", {**parts, "b": {"bread flour": 40, "soaker": 30}})


@pytest.mark.parametrize("name", ["", "  "])
def test_formula_without_a_name(name):
    with pytest.raises(FormulaError, match="needs a name"):
        Formula(name, PIZZA)


@pytest.mark.parametrize("name", [None, 5])
def test_a_name_that_is_no_text_is_refused(name):
    with pytest.raises(FormulaError, match=f'"name" is {name}; expected a text'):
        Formula(name, PIZZA)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({}, "say how much"),
        ({"dough": 100, "flour": 100}, "say how much"),
        ({"pieces": 10}, "say how much"),
        ({"dough": 0}, "dough is 0"),
        ({"dough": -5}, "dough is -5"),
        ({"flour": math.inf}, "flour is inf"),
        ({"pieces": 0, "piece": 40}, "pieces is 0"),
        ({"dough": 100, "loss": 100}, "loss is 100"),
        ({"dough": 100, "loss": -1}, "loss is -1"),
        ({"flour": 100, "loss": 10}, "loss goes with"),
        ({"dough": "1 kg"}, '"dough" is the text "1 kg"'),
    ],
)
def test_amount_that_can_not_be_weighed(asked, says):
    with pytest.raises(FormulaError, match=says):
        Formula("pizza", PIZZA).grams(**asked)


def test_part_without_flour_is_no_formula_of_its_own():
    cake = Formula("a", {"dough": {"bread flour": 100}, "filling": {"butter": 50}})
    with pytest.raises(FormulaError, match="no flour of its own"):
        cake.part("filling")
    with pytest.raises(FormulaError, match='no part "glaze"'):
        cake.totals("glaze")
    with pytest.raises(FormulaError, match='of "flour" or of "dough"'):
        cake.totals(of="piece")


@pytest.mark.parametrize("data", [{"name": "a"}, {"name": "a", "parts": PIZZA, "flavour": "x"}])
def test_saved_formula_that_is_not_one(data):
    with pytest.raises(FormulaError, match="as saved"):
        Formula.from_dict(data)
