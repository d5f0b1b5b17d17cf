"""Every caution that applies is there, none that does not, and none can be switched off."""

import inspect
import re

import pytest

from tests.recipe.formulas import drop_doughnut, ginger_snap
from trials.recipe.cautions import SMOKE_POINTS, cautions, cautions_of_all
from trials.recipe.formula import Formula
from trials.recipe.ingredients import shipped
from trials.rounds.kitchen import SAFE_MINUTES


def subjects(formula, settings=None):
    return [caution.subject for caution in cautions(formula, settings)]


def fried(oil):
    return Formula("a", {"batter": {"bread flour": 100, "water": 90}, "frying oil": {oil: 900}})


def test_general_ones_stand_without_a_formula():
    assert subjects(None) == ["before all", "raw dough", "serving", "allergens"]


def test_baked_snap():
    found = subjects(ginger_snap(), {"oven": 190, "thickness": 4})
    assert found == ["before all", "raw dough", "serving", "cooling", "allergens"]


@pytest.mark.parametrize(
    "settings",
    [{"oil temperature": 172}, {"frying time": 90}, {"Oil fill": "fresh"}, {"oil": [165, 180]}],
)
def test_frying_is_seen_from_the_settings(settings):
    assert "hot oil" in subjects(drop_doughnut(), settings)


def test_amount_of_oil_in_a_dough_is_no_frying():
    assert "hot oil" not in subjects(drop_doughnut(), {"olive oil": [5, 12]})


def test_frying_is_seen_from_a_part():
    assert "hot oil" in subjects(fried("sunflower oil"))


@pytest.mark.parametrize(
    ("oil", "heat", "smokes"),
    [
        ("sunflower oil", 190, False),
        ("sunflower oil", 230, True),
        ("butter", 165, True),
        ("lard", 185, False),
        ("lard", 190, True),
        ("olive oil", 220, True),
    ],
)
def test_smoke_point(oil, heat, smokes):
    found = subjects(fried(oil), {"oil temperature": heat})
    assert ("smoke point" in found) is smokes


def test_hottest_setting_of_a_plan_counts():
    found = cautions(fried("lard"), {"oil temperature": [165, 172, 195]})
    texts = {caution.subject: caution.text for caution in found}
    assert "195 °C is above the usual frying range" in texts["frying temperature"]
    assert "188 to 193" in texts["smoke point"]
    assert "frying temperature" not in subjects(fried("lard"), {"oil temperature": 180})


def test_pot_named_by_a_setting():
    found = subjects(drop_doughnut(), {"frying oil": ["lard", "butter"], "oil temperature": 180})
    assert found.count("smoke point") == 1


@pytest.mark.parametrize(
    ("ingredient", "subject"),
    [
        ("rum", "alcohol"),
        ("vanilla", "alcohol"),
        ("honey", "honey and infants"),
        ("cream", "cooling"),
        ("egg", "cooling"),
    ],
)
def test_ingredient_brings_its_caution(ingredient, subject):
    plain = {"rice flour": 100, "water": 60}
    assert subject not in subjects(Formula("a", plain))
    assert subject in subjects(Formula("a", {**plain, ingredient: 10}))


def test_allergens_are_named():
    text = {caution.subject: caution.text for caution in cautions(drop_doughnut())}["allergens"]
    assert text.startswith("May hold egg, gluten, milk and wheat.")


def test_raw_dough_names_what_is_raw():
    texts = {c.subject: c.text for c in cautions(Formula("a", {"rice flour": 100}))}
    assert "raw flour can" in texts["raw dough"]
    texts = {c.subject: c.text for c in cautions(drop_doughnut())}
    assert "raw flour or raw egg" in texts["raw dough"]


def named(text: str) -> list[str]:
    """What a notice names."""
    return re.findall(r"[\w ]+?(?=,| and |$)", text.partition("May hold ")[2].partition(".")[0])


def test_there_is_no_switch():
    assert list(inspect.signature(cautions).parameters) == ["formula", "settings", "held"]
    plain, more = cautions(drop_doughnut()), cautions(drop_doughnut(), held=["sesame"])
    assert [one.subject for one in plain] == [one.subject for one in more]
    assert "sesame" in more[-1].text
    assert set(named(plain[-1].text)) < set(named(more[-1].text))


def test_smoke_points_are_of_rows_of_the_table():
    assert all(shipped().find(name).name == name for name in SMOKE_POINTS)


def test_no_caution_speaks_of_an_agreement_that_nobody_made():
    said = {one.subject: one.text for one in cautions(drop_doughnut())}["serving"]
    assert "agreed" not in said
    # The bread-bakers digest: 185 to 195 °F enriched, 200 to 208 °F lean
    core = [round((degrees - 32) * 5 / 9) for degrees in (185, 195, 200, 208)]
    assert [int(one) for one in re.findall(r"\d+", said)] == core


def test_buckwheat_is_no_wheat_but_its_label_is_read():
    pure = {one.subject: one.text for one in cautions(Formula("a", {"buckwheat flour": 100}))}
    assert named(pure["allergens"]) == []
    assert "often ground beside" in pure["allergens"]
    assert "label" in pure["allergens"]
    rice = {one.subject: one.text for one in cautions(Formula("a", {"rice flour": 100}))}
    assert "uckwheat" not in rice["allergens"]


@pytest.mark.parametrize(
    ("cooking", "hot"),
    [
        ("pan with sunflower oil", True),
        ("skillet with a little lard", True),
        ("loaf pan with oil", False),
        ("dry griddle", False),
        ("oven", False),
    ],
)
def test_a_pan_with_oil_is_hot_oil(cooking, hot):
    dough = Formula("a", {"bread flour": 100, "water": 60})
    assert ("hot oil" in [one.subject for one in cautions(dough, {"cooking": cooking})]) == hot


@pytest.mark.parametrize(
    ("mixed", "settings", "said"),
    [
        ("margarine", {}, "Read the label of margarine: it may hold more, such as milk."),
        ("miso", {}, "Read the label of miso: it may hold more, such as soy and gluten."),
        (
            "carrot",
            {"glaze": "brushed with margarine"},
            "Read the label of margarine: it may hold more, such as milk.",
        ),
    ],
)
def test_a_label_that_is_to_be_read_is_named_in_words(mixed, settings, said):
    dough = Formula("a", {"bread flour": 100, mixed: 10})
    for found in (cautions(dough, settings), cautions_of_all([dough, dough], settings)):
        text = {one.subject: one.text for one in found}["allergens"]
        assert said in text
        assert "check label" not in text
        assert "possible" not in text


def test_what_is_held_for_a_sitting_is_told_from_what_is_kept():
    """Two hours at room temperature, as the timetable counts them; cold or hot beyond."""
    (found,) = [one for one in cautions(drop_doughnut()) if one.subject == "cooling"]
    at_once, _, kept = found.text.partition("kept longer")
    assert f"{SAFE_MINUTES // 60} hours at room temperature" in at_once
    assert "your code" in at_once
    assert "5 °C" not in at_once
    assert "below 5 °C or hot above 57 °C" in kept
    assert "from 57 to 21 °C within 2 hours and to 5 °C within 6 hours in all" in kept
