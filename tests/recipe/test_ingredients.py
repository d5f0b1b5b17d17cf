"""The table against the public one, and the names by which it is asked."""

import re

import pandas as pd
import pytest

from trials.base.errors import FormulaError, SheetError
from trials.base.files import write_text
from trials.recipe.ingredients import ASKS, MEANS, Ingredient, shipped

# USDA National Nutrient Database for Standard Reference, release 26 (2013), per 100 g: NDB
# number, water, fat, sugars, protein. Typed from the trade sheet that read them in that release.
SPOT_CHECKS = [
    ("wheat flour, all-purpose", "20081", 11.92, 0.98, 0.27, 10.33),
    ("wheat flour, bread", "20083", 13.36, 1.66, 0.31, 11.98),
    ("wheat flour, cake", "20084", 12.51, 0.86, 0.31, 8.20),
    ("buckwheat flour", "20011", 11.15, 3.10, 2.60, 12.62),
    ("rye flour, medium", "20064", 10.97, 1.52, 1.10, 10.88),
    ("butter, unsalted", "01145", 17.94, 81.11, 0.06, 0.85),
    ("butter oil, anhydrous (ghee / clarified butter)", "01003", 0.24, 99.48, 0.0, 0.28),
    ("lard", "04002", 0.0, 100.0, 0.0, 0.0),
    ("egg, whole, raw", "01123", 76.15, 9.51, 0.37, 12.56),
    ("milk, whole 3.25 %", "01077", 88.13, 3.25, 5.05, 3.15),
    ("buttermilk, cultured low-fat", "01088", 90.13, 0.88, 4.79, 3.31),
    ("honey", "19296", 17.10, 0.0, 82.12, 0.30),
    ("molasses", "19304", 21.87, 0.10, 74.72, 0.0),
]


@pytest.mark.parametrize(("name", "ndb", "water", "fat", "sugar", "protein"), SPOT_CHECKS)
def test_row_is_as_published(name, ndb, water, fat, sugar, protein):
    row = shipped().find(name)
    assert (row.water, row.fat, row.sugar, row.protein) == (water, fat, sugar, protein)
    assert f"NDB {ndb}" in shipped().source(name)
    assert row.verified == "yes"


@pytest.mark.parametrize(("name", "water"), [("egg white", 87.57), ("egg yolk", 52.31)])
def test_egg_parts_are_as_published(name, water):
    # NDB 01124 and 01125, release 26
    assert shipped().find(name).water == water


@pytest.mark.parametrize(
    ("name", "alcohol"), [("rum", 33.4), ("red wine", 10.6), ("beer", 3.9), ("vanilla", 34.4)]
)
def test_alcohol_by_difference(name, alcohol):
    # the trade sheet's checks of 100 - (water + protein + fat + ash + carbohydrate)
    assert shipped().find(name).alcohol == alcohol


def test_spirits_of_40_percent_by_volume_agree_with_density():
    # 40 ml ethanol of 0.789 g/ml (20 °C) in 100 ml that weigh 0.94 g/ml: 33.6 g per 100 g
    spirits = shipped().find("vodka")
    assert 40 * 0.789 / spirits.density == pytest.approx(spirits.alcohol, abs=0.3)


def test_memory_and_stand_ins_are_marked():
    counts = shipped().table["verified"].value_counts()
    assert counts.to_dict() == {"yes": 119, "no": 58, "proxy": 2}


def test_every_everyday_name_leads_to_a_row():
    table = shipped()
    assert {name: table.find(name).name for name in MEANS} == MEANS
    for rows in ASKS.values():
        assert all(table.find(name).name == name for name in rows)


@pytest.mark.parametrize(
    ("several", "row"),
    [("pears", "pear, raw"), ("carrots", "carrot, raw"), ("mashed potatoes", "potato, boiled")],
)
def test_several_of_a_thing_are_that_thing(several, row):
    assert shipped().find(several).name == row


def test_several_that_could_be_two_rows_are_asked_about_as_one_is():
    with pytest.raises(FormulaError, match='"sweet potato, raw" or "sweet potato, baked"'):
        shipped().find("sweet potatoes")


def test_capitals_and_spaces_do_not_matter():
    assert shipped().find("  Bread   FLOUR ") is shipped().find("bread flour")


@pytest.mark.parametrize("name", ["flour", "oil", "yeast", "chocolate", "rye flour", "cocoa"])
def test_ambiguous_name_is_a_question(name):
    with pytest.raises(FormulaError, match="Which one"):
        shipped().find(name)


@pytest.mark.parametrize(("name", "near"), [("buter", "butter"), ("buckweat", "buckwheat")])
def test_unknown_name_suggests_near_ones(name, near):
    with pytest.raises(FormulaError, match=f'Near names: .*"{near}"'):
        shipped().find(name)


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("fried potato", "potato"),
        ("riced potatoes", "potato"),
        ("dark muscovado sugar", "brown sugar"),
        ("toasted walnuts", "walnut"),
    ],
)
def test_a_name_that_is_not_there_is_answered_by_the_words_it_shares(name, word):
    near = re.findall(r'"([^"]+)"', shipped().nearest(name).partition(": ")[2])
    assert 1 <= len(near) <= 3
    assert word in near[0]
    assert not any("oats" in one for one in near)


@pytest.mark.parametrize("name", ["", "   ", 5, None, "sawdust"])
def test_no_name_at_all_is_an_error(name):
    with pytest.raises(FormulaError, match="not in the ingredient table"):
        shipped().find(name)


def test_possible_allergens_count():
    # the table says "milk/soy possible", "gluten (oats; EU)", "tree nuts (almond)"
    found = {name: shipped().find(name).allergens for name in ("dark chocolate 70-85 %", "oats")}
    assert found == {"dark chocolate 70-85 %": ("milk", "soy"), "oats": ("gluten", "oats")}
    assert shipped().find("almond flour").allergens == ("tree nuts", "almond")


def test_own_rows_are_added_and_take_the_place_of_shipped_ones(tmp_path):
    path = write_text(
        tmp_path / "own.csv",
        "name;group;water_g;fat_g;allergens;source\n"
        "acorn flour;flour;8,5;20;;own drying\nHoney;sugar;20;0;;a jar\n",
    )
    table = shipped().with_rows(path)
    assert table.find("acorn flour").water == 8.5
    assert table.find("honey").water == 20
    assert table.source("honey") == "a jar"
    assert len(table.rows) == len(shipped().rows) + 1
    assert [row.name for row in table.own] == ["acorn flour", "Honey"]
    assert shipped().own == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name,group\na,flour\n", "water_g missing"),
        ("name,group,water_g\na,flour,lots\n", 'own.csv, row 2, "water_g"'),
        ("name,group,water_g\na,flour,\n", "row 2: each ingredient needs"),
        ("name,group,water_g\na,flour,120\n", "row 2: .* 0 to 100 was expected"),
        ("name,group,water_g\na,flour,-1\n", "0 to 100 was expected"),
        ("name,group,water_g,fat_g\na,fat,60,60\n", "sum to 120 g"),
        ("name,group,water_g\na,flour,1\nA,flour,1\n", "differ at most in capitals"),
        ("name,group,water_g,density_g_ml\na,flour,1,900\n", "density 900"),
    ],
)
def test_own_rows_that_can_not_be_used_say_where(tmp_path, text, says):
    with pytest.raises((SheetError, FormulaError), match=says):
        shipped().with_rows(write_text(tmp_path / "own.csv", text))


def test_frame_of_own_rows_counts_rows_as_a_sheet_does():
    rows = pd.DataFrame({"name": ["a", "b"], "group": "flour", "water_g": [9, "x"]})
    with pytest.raises(SheetError, match="row 3"):
        shipped().with_rows(rows)


def test_ingredient_survives_plain_data():
    for row in shipped().rows:
        assert Ingredient.from_dict(row.to_dict()) == row
    with pytest.raises(FormulaError, match="name, group and water"):
        Ingredient.from_dict({"name": "a", "group": "flour"})


@pytest.mark.parametrize(
    ("name", "group", "allergens"),
    [
        ("oat milk", "plant milk", {"oats", "gluten"}),
        ("soy milk", "plant milk", {"soy"}),
        ("almond milk", "plant milk", {"tree nuts", "almond"}),
        ("soya yoghurt", "plant milk", {"soy"}),
        ("spring onions", "vegetable", set()),
        ("fried onions", "vegetable", {"gluten", "wheat"}),
        ("mozzarella", "dairy", {"milk"}),
    ],
)
def test_what_is_poured_in_place_of_milk_and_laid_on_top_has_a_row(name, group, allergens):
    row = shipped().find(name)
    assert (row.group, set(row.allergens), row.verified) == (group, allergens, "no")


def test_a_label_that_is_to_be_read_is_no_allergen():
    margarine, chocolate = shipped().find("margarine"), shipped().find("milk chocolate")
    assert (margarine.allergens, margarine.label) == ((), True)
    assert chocolate.label
    assert not shipped().find("butter").label
    # As a baker writes it in a recipe of their own
    own = {"name": "spread", "group": "fat", "water": 40, "allergens": ["Soy possible"]}
    assert Ingredient.from_dict(own).allergens == ("soy",)
    assert Ingredient.from_dict(own).label
