from itertools import permutations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.base.errors import TastingError
from trials.recipe.ingredients import shipped
from trials.tasting.panel import (
    Taster,
    bakes_to_avoid,
    check_avoided,
    check_panel,
    may_taste,
    taster_from,
    why_not,
)
from trials.tasting.serving import all_codes, draw_codes, look, reads_as_something

# --- who may taste what ---


@pytest.mark.parametrize(
    ("avoids", "thing"),
    [
        ("milk", "milk"),
        ("milk", "butter"),
        ("Milk", "BUTTER, unsalted"),
        ("lactose", "cream"),
        ("dairy products", "clarified butter"),
        ("gluten", "wheat"),
        ("wheat", "gluten"),
        ("wheat", "rye flour"),
        ("wheat", "wholewheat"),
        ("wheat", "wheatgerm"),
        ("wheat", "buckwheat noodles"),
        ("wheat", "buckwheat and wheat flour"),
        ("wheat", "buckwheat pancake mix"),
        ("gluten", "buckwheat flour"),
        ("coeliac", "buckwheat"),
        ("buckwheat", "roasted buckwheat groats"),
        ("flour", "buckwheat flour"),
        ("milk", "buttermilk"),
        ("butter", "buttermilk"),
        ("almonds", "almondmilk"),
        ("oats", "oatmeal"),
        ("nuts", "hazel-nuts"),
        ("nut", "walnuts"),
        ("nuts", "butternut"),
        ("nuts", "coconut"),
        ("eggs", "eggwash"),
        ("ham", "hams"),
        ("gluten-free", "spelt"),
        ("eggs", "egg"),
        ("egg", "yolks"),
        ("nuts", "hazelnut"),
        ("tree nuts", "ground almonds"),
        ("hazelnut", "praliné"),
        ("peanuts", "groundnut oil"),
        ("peanut", "nuts"),
        ("sesame", "tahini"),
        ("soya", "soy lecithin"),
        ("sulphites", "sulfites"),
        ("pork", "lard"),
        ("vegan", "honey"),
        ("vegetarian", "lard"),
        ("alcohol", "dark rum"),
        ("crème", "creme"),
        ("cinnamon", "ground cinnamon"),
        ("orange zest", "zest"),
        ("anchovies", "anchovy"),
    ],
)
def test_who_avoids_it_is_not_served_it(avoids, thing):
    taster = Taster("Ida", avoids=[avoids])
    assert not may_taste(taster, [thing], [])
    assert not may_taste(taster, ["salt"], ["water", thing])
    assert "Ida avoids" in why_not(taster, [thing], [])[0]


@pytest.mark.parametrize(
    ("avoids", "thing"),
    [
        ("milk", "sunflower oil"),
        ("milk", "wheat flour"),
        ("sesame", "salt"),
        ("egg", "sugar"),
        ("gluten", "butter"),
        ("fish", "fresh yeast"),
        ("pork", "butter"),
        ("wheat", "buckwheat"),
        ("wheat flour", "Dark Buckwheat Flour"),
        ("rye", "buckwheat flour"),
        ("buckwheat", "wheat flour"),
        ("nuts", "doughnuts"),
        ("nuts", "nutmeg"),
        ("egg", "eggplant"),
        ("oats", "coating"),
        ("ham", "graham"),
    ],
)
def test_nobody_goes_hungry_without_a_reason(avoids, thing):
    assert may_taste(Taster("Ida", avoids=[avoids]), [], [thing])


def test_nothing_said_of_a_sample_is_a_doubt():
    assert not may_taste(Taster("Ida", avoids=["milk"]), [], [])
    assert may_taste(Taster("Bo"), [], [])


@settings(max_examples=40, deadline=None)
@given(st.text(min_size=1, max_size=12).filter(lambda t: any(c.isalnum() for c in t)))
def test_the_very_word_is_never_served_however_it_is_written(word):
    taster = Taster("Ida", avoids=[word])
    for written in (word, word.upper(), f"  {word} "):
        assert not may_taste(taster, [written], ["salt"]) or not written.strip(", ;")
        assert not may_taste(Taster("Ida", also_avoids=word), [written], ["salt"])


def test_bakes_to_avoid_names_every_taster():
    contents = {"B01": (["milk"], []), "B02": ([], ["lard"]), "B03": ("", "")}
    found = bakes_to_avoid([Taster("Ida", "milk"), Taster("Bo")], contents)
    assert found == {"Ida": frozenset({"B01", "B03"}), "Bo": frozenset()}


# --- names ---


def test_a_text_is_one_thing_to_avoid():
    # Common practice, no source: a list of one letter each is never what a person means
    assert Taster("Ida", "milk").avoids == ("milk",)
    assert Taster("Ida", "butter, unsalted").avoids == ("butter, unsalted",)
    assert Taster("Ida", "").avoids == ()
    assert Taster("Ida", also_avoids="jackfruit").also_avoids == ("jackfruit",)
    assert taster_from({"name": "Ida", "avoids": "milk"}).avoids == ("milk",)


@pytest.mark.parametrize("both", ["milk, eggs", "milk; eggs", "milk and eggs"])
def test_things_written_into_one_text_are_all_avoided(both):
    taster = Taster("Ida", both)
    assert not may_taste(taster, [], ["butter"])
    assert not may_taste(taster, [], ["egg white"])


# The nine US and fourteen EU allergens, as Regulation (EU) 1169/2011 Annex II and the US Food
# Allergen Labeling Act (with sesame, 2023) name them; diets are common practice, no source.
NAMED_BY_LAW = [
    *("milk", "eggs", "fish", "crustacean shellfish", "tree nuts", "peanuts", "wheat", "soybeans"),
    *("sesame", "gluten", "crustaceans", "celery", "mustard", "sulphites", "lupin", "molluscs"),
]


@pytest.mark.parametrize("name", [*NAMED_BY_LAW, "vegan", "halal", "pork", "alcohol", "honey"])
def test_what_the_law_names_is_known(name):
    check_avoided([Taster("Ida", [name, name.upper(), f"{name}-free", f"no {name}"])])


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        *(("mlik", "milk"), ("mjölk", "milk"), ("almonnd", "almond"), ("seasme", "sesame")),
        *(("penut", "peanut"), ("portk", "pork"), ("skim mlik", "milk"), ("m", "")),
    ],
)
def test_what_nothing_knows_is_refused_with_the_nearest_name(written, meant):
    with pytest.raises(TastingError, match="also_avoids") as told:
        check_avoided([Taster("Bo"), Taster("Ida", [written])])
    assert f'Ida avoids "{written}"' in told.value.message
    assert meant in told.value.message.replace(written, "")
    check_avoided([Taster("Ida", also_avoids=[written])])


def test_the_bakers_own_rows_and_what_is_served_beside_are_known():
    table = shipped().with_rows(
        pd.DataFrame({"name": ["cloudberries"], "group": "fruit", "water_g": 87})
    )
    with pytest.raises(TastingError):
        check_avoided([Taster("Ida", "cloudberries")])
    check_avoided([Taster("Ida", "cloudberries")], table)
    check_avoided([Taster("Ida", "nori flakes")], served=["nori flakes"])


@pytest.mark.parametrize("row", shipped().rows, ids=lambda row: row.name)
def test_every_row_of_the_table_can_be_avoided_by_its_name_and_its_allergens(row):
    check_avoided([Taster("Ida", [row.name, *row.allergens])])
    assert not may_taste(Taster("Ida", [row.name]), [], [row.name])


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Taster(""),
        lambda: Taster("  "),
        lambda: Taster(7),
        lambda: Taster("x" * 61),
        lambda: Taster("a\x00b"),
        lambda: Taster("Ida", avoids=["milk", " "]),
        lambda: Taster("Ida", avoids=[3]),
        lambda: Taster("Ida", avoids=None),
        lambda: check_panel([]),
        lambda: check_panel(["Ida", "ida"]),
        lambda: check_panel(["Zoë", "Zoe"]),
        lambda: check_panel(["Ada B", "Ada-B"]),
        lambda: check_panel(["Ada B", "ada.b"]),
        lambda: check_panel(["Ada  B", "Ada B"]),
        lambda: check_panel(["🙂", "🎂"]),
        lambda: check_panel(["Ida", 3]),
    ],
)
def test_what_can_not_be_is_refused(wrong):
    with pytest.raises(TastingError):
        wrong()


# --- codes ---


def test_the_codes_are_those_the_rule_leaves():
    every = {"".join(digits) for digits in permutations("123456789", 3)}
    assert len(every) == 504
    left = set(all_codes())
    assert left < every
    for code in every - left:
        a, b, c = map(int, code)
        known = {"128", "168", "187", "192", "247", "256", "314", "365", "512", "786"}
        heat = int(code) % 5 == 0 and 145 <= int(code) <= 475
        assert b - a == c - b or heat or code in known
    for run in ("123", "321", "789", "258", "159", "951", "135"):
        assert run not in left
    for oven in ("165", "175", "185", "325", "375", "425"):
        assert reads_as_something(oven)


@pytest.mark.parametrize(
    ("one", "other"),
    [("134", "734"), ("654", "954"), ("168", "891"), ("169", "691"), ("178", "718")],
)
def test_look_alikes_have_one_look(one, other):
    assert look(one) == look(other)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 4), max_size=200), st.integers(0, 10**6))
def test_codes_come_once_and_no_two_of_a_sitting_look_alike(sittings, seed):
    codes = draw_codes(sittings, seed=seed)
    assert len(set(codes)) == len(codes)
    assert set(codes) <= set(all_codes())
    for sitting in set(sittings):
        looks = [look(c) for s, c in zip(sittings, codes, strict=True) if s == sitting]
        assert len(set(looks)) == len(looks)
    assert codes == draw_codes(sittings, seed=seed)


def test_few_codes_do_not_look_alike_in_the_whole_round():
    codes = draw_codes([1, 2, 3, 4] * 40, seed=5)
    assert len({look(code) for code in codes}) == 160


def test_codes_given_out_are_not_given_again():
    taken = list(zip([1] * 60, draw_codes([1] * 60, seed=1), strict=True))
    new = draw_codes([1] * 30 + [2] * 30, seed=1, taken=taken)
    assert not {code for _, code in taken} & set(new)
    assert len({look(code) for code in [*new[:30], *(c for _, c in taken)]}) == 90


def test_running_out_says_how_many_there_are():
    fits_round, fits_sitting = len(all_codes()), len({look(code) for code in all_codes()})
    assert len(set(draw_codes([1] * fits_sitting, seed=3))) == fits_sitting
    with pytest.raises(TastingError, match=rf"504.*{fits_round}.*{fits_sitting}"):
        draw_codes([1] * (fits_sitting + 1), seed=3)
    with pytest.raises(TastingError, match="the round has no more"):
        draw_codes(list(range(fits_round + 1)), seed=3)


def test_how_a_thing_is_keeps_nothing_else_away():
    """Raw egg is egg, and no raw lemon; who writes only "raw" is kept from what says so."""
    otto = Taster("Otto", avoids=["raw egg"])
    assert may_taste(otto, [], ["lemon peel, raw", "whole milk", "bread flour"])
    assert not may_taste(otto, [], ["egg, whole, raw"])
    assert not may_taste(otto, ["egg"], [])
    assert not may_taste(Taster("Pia", avoids=["raw"]), [], ["raw"])


def test_peanut_is_no_tree_nut_and_nuts_are_both():
    """Regulation (EU) 1169/2011, Annex II, names peanuts (5) apart from nuts (8)."""
    jo = Taster("Jo", avoids=["peanut"])
    hazelnut = (["tree nuts (hazelnut)"], ["hazelnuts"])
    assert may_taste(jo, *hazelnut)
    assert may_taste(jo, ["tree nuts"], ["almonds, whole"])
    assert not may_taste(jo, ["peanut"], [])
    assert not may_taste(jo, [], ["mixed nuts"])
    for word in ("nuts", "tree nuts", "hazelnut", "nut"):
        assert not may_taste(Taster("Bo", avoids=[word]), *hazelnut)
    for word in ("nuts", "tree nuts"):
        assert not may_taste(Taster("Bo", avoids=[word]), [], ["coconut, desiccated"])
        assert not may_taste(Taster("Bo", avoids=[word]), ["peanut"], [])


def test_oil_is_not_read_out_of_what_is_boiled():
    assert may_taste(Taster("Bo", avoids=["peanut oil"]), [], ["potato, boiled"])
    assert not may_taste(Taster("Bo", avoids=["peanut oil"]), ["peanut"], ["peanut oil"])
