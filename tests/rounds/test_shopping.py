"""What to buy, what a day uses, and whether the pieces reach."""

import html
import re

import pandas as pd
import pytest

from tests.rounds.rounds_to_bake import doughnut
from trials.base.errors import RoundError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.layout import lay_out
from trials.doors.cli import run
from trials.recipe.formula import Formula
from trials.rounds.amounts import (
    ample_words,
    batch_sentence,
    per_day,
    pieces_needed,
    pieces_sentence,
    shopping_list,
    weights,
)
from trials.rounds.kitchen import Batch, Kitchen, Prices, Step
from trials.rounds.overlooked import overlooked
from trials.rounds.round import Round
from trials.show.bake_sheets import bake_sheets, each_day, shopping_page
from trials.show.cook_page import cook_page
from trials.tasting.panel import Taster


@pytest.fixture
def round_(tmp_path):
    return doughnut(tmp_path)


def test_the_list_is_the_sum_of_all_sheets_and_a_tenth(round_):
    table = shopping_list(round_).set_index("ingredient")
    sums = weights(round_).groupby("ingredient")["grams"].sum()
    for name, row in table.iterrows():
        assert row["grams"] == pytest.approx(sums[name])
        assert 0 <= row["buy"] - 1.1 * row["grams"] < 1
    assert table.loc["bread flour", "bakes"] == len(round_.plan.table)
    fats = round_.plan.table["fat"].value_counts()
    assert table.loc["butter", "bakes"] == fats["butter"]


def test_prices_give_a_cost_in_their_currency(round_):
    table = shopping_list(round_, prices=Prices({"Butter": 10.0}, "EUR"))
    table = table.set_index("ingredient")
    assert table.loc["butter", "cost (EUR)"] == pytest.approx(table.loc["butter", "buy"] / 100)
    assert table["cost (EUR)"].isna().sum() == len(table) - 1


def test_a_price_without_a_currency_or_a_use_is_refused(round_):
    with pytest.raises(RoundError, match="need a currency"):
        Prices({"butter": 10}, " ")
    with pytest.raises(RoundError, match='"butter" costs -1'):
        Prices({"butter": -1}, "EUR")
    with pytest.raises(RoundError, match='"saffron" has a price but is not used'):
        shopping_list(round_, prices=Prices({"saffron": 5000}, "EUR"))
    with pytest.raises(RoundError, match="spill is -1 %"):
        shopping_list(round_, spill=-1)


def test_days_add_up_to_the_round(round_):
    days = per_day(round_, oil_fill=1500)
    grams = weights(round_)
    flour = grams[grams["ingredient"].isin(["bread flour", "buckwheat flour"])]["grams"].sum()
    assert days["flour"].sum() == pytest.approx(flour)
    assert days["dough"].sum() == pytest.approx(grams["grams"].sum())
    assert list(days["oil"]) == [3000, 3000]  # two loads a day, a fresh fill for each
    assert days["bakes"].sum() == len(round_.plan.table)


def test_pieces_are_counted_up_and_compared(round_):
    # 8 tasters x 1/2 piece + 4 measured + 1 kept = 9, a tenth more = 9.9, so 10
    assert pieces_needed(8, share=0.5, measured=4) == 10
    assert pieces_needed(10, kept=0) == 11
    with pytest.raises(RoundError, match="0 or more"):
        pieces_needed(-1)
    said = pieces_sentence(round_, Batch(), 10)
    assert "what a piece weighs" in said
    assert "under [batch] in idea.toml: piece = " in said
    assert "12 pieces a bake; 10 are needed" in pieces_sentence(
        round_, Batch(pieces=12, piece=40), 10
    )
    assert "Make 400 g of dough" in pieces_sentence(round_, Batch(dough=320, piece=40), 10)


@pytest.mark.parametrize(
    ("name", "steps", "word"),
    [
        ("farl", (), "dough"),
        ("honey cake", (), "batter"),
        ("farl", (Step("whisk the batter", 5, "hands"),), "batter"),
        ("cake of the hearth", (Step("knead the dough", 9, "hands"),), "dough"),
    ],
)
def test_a_batter_is_not_called_a_dough(tmp_path, name, steps, word):
    """By its steps, else by its name: on the sheets, the day's list and the cook's page."""
    rest = Numeric("heat", 170, 190, "°C")
    plan = lay_out([rest], pd.DataFrame({"heat": [170, 190]}), family="ends", model="main")
    formula = Formula(name, {"bread flour": 100, "milk": 70, "egg": 30, "salt": 1})
    one = Round.create(
        tmp_path / "one",
        plan=plan,
        measures=[Measure("liking", "hedonic 9", goal="higher")],
        formula=formula,
        tasters=[Taster("Ada"), Taster("Ben")],
        steps=steps,
    )
    assert word in each_day(one).columns
    assert f"Make 400 g of {word}" in pieces_sentence(one, Batch(dough=320, piece=40), 10)
    assert f"<span>{word}, g</span>" in cook_page(one)
    sheets = bake_sheets(one)
    if not steps:
        assert ("rested" in sheets) == (word == "dough")
        assert ("Usual for bread" in sheets) == (word == "dough")
        assert ("comes out without wet batter" in sheets) == (word == "batter")


def cooked(place, kinds, **more):
    """A round of a griddle bread that is cooked in some ways."""
    factors = [Categorical("cooking", kinds), Numeric("rest", 20, 60, "min")]
    rows = pd.DataFrame([{"cooking": kind, "rest": rest} for kind in kinds for rest in (20, 60)])
    return Round.create(
        place / "one",
        plan=lay_out(factors, rows, family="test", model="main", seed=1),
        measures=[Measure("liking", "hedonic 9")],
        formula=Formula("griddle bread", {"bread flour": 100, "water": 62, "lard": 12}),
        **more,
    )


@pytest.mark.parametrize(
    ("kinds", "kitchen", "wanted", "unwanted"),
    [
        (["oven", "steamed"], None, [], ["frying oil", "butter"]),
        (["oven", "shallow-fry"], None, ["frying oil (not weighed: oil_fill under [kitchen]"], []),
        (["oven", "shallow-fry"], Kitchen(oil_fill=900), [], ["frying oil (not weighed"]),
        (
            ["oven", "dry griddle, brushed with melted butter"],
            None,
            ["butter, unsalted (not weighed: ", "brushed with melted butter"],
            ["frying oil"],
        ),
    ],
)
def test_the_list_names_what_is_fried_or_brushed_with_and_nothing_else(
    tmp_path, capsys, kinds, kitchen, wanted, unwanted
):
    one = cooked(tmp_path, kinds, kitchen=kitchen)
    said = re.sub(r"<[^>]+>", " ", shopping_page(one)).replace("&#34;", '"')
    besides = said.partition("Also needed, though in no recipe: ")[2].partition("Each day")[0]
    assert all(one in besides for one in wanted)
    assert not any(one in besides for one in unwanted)
    assert run(["shopping", str(one.folder)]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert all(one in printed for one in wanted)


def test_oil_is_bought_for_what_is_fried_and_for_no_other_day(tmp_path):
    """Of four bakes two are fried, both on the first day: one fill, for two bakes."""
    factors = [Categorical("cooking", ["oven", "fried in oil"])]
    rows = pd.DataFrame({"cooking": ["fried in oil"] * 2 + ["oven"] * 2, "day": [1, 1, 2, 2]})
    one = Round.create(
        tmp_path / "one",
        plan=lay_out(factors, rows, family="test", model="main", seed=1),
        measures=[Measure("liking", "hedonic 9")],
        formula=Formula("griddle bread", {"bread flour": 100, "water": 62}),
        kitchen=Kitchen(oil_fill=900),
    )
    table = shopping_list(one).set_index("ingredient")
    assert list(table.loc["frying oil", ["bakes", "grams"]]) == [2, 900]
    assert list(per_day(one)["oil"]) == [900, 0]


@pytest.mark.parametrize(
    ("kind", "avoids", "wanted", "unwanted"),
    [
        ("fried in oil", ["nuts"], ["walnut oil", "peanut oil"], ["sunflower", "soybean"]),
        ("fried in oil", ["peanut"], ["peanut oil"], ["walnut", "sesame"]),
        ("fried in oil", ["milk"], ["butter", "ghee"], ["cocoa", "peanut"]),
        ("fried in oil", ["celery"], [], ["celery", "who avoids"]),
        ("fried in sunflower oil", ["nuts"], [], ["who avoids"]),
        ("steamed", ["nuts"], [], ["who avoids"]),
    ],
)
def test_an_oil_that_nobody_named_is_none_that_a_taster_avoids(
    tmp_path, capsys, kind, avoids, wanted, unwanted
):
    tasters = [Taster("Ada"), Taster("Ben", avoids=avoids)]
    one = cooked(tmp_path, ["oven", kind], tasters=tasters)
    said = re.sub(r"<[^>]+>", " ", shopping_page(one)).partition("who avoids")
    told = (said[1] + said[2]).partition("Also needed")[0]
    assert all(one in told for one in wanted)
    assert not any(one in told for one in unwanted)
    assert run(["shopping", str(one.folder)]) == 0
    assert ("Ben, who avoids" in " ".join(capsys.readouterr().out.split())) == bool(wanted)


def test_what_rests_overnight_is_mixed_the_evening_before(tmp_path):
    long = cooked(tmp_path / "a", ["oven", "overnight, then oven"])
    early = set(long.plan.table.loc[long.plan.table["cooking"] != "oven", "bake"])
    sheets = bake_sheets(long).split('class="bake">')[1:]
    assert {text[:3] for text in sheets if "the evening before" in text} == early
    assert cook_page(long).count("mix this the evening before") == len(early)
    told = next(one for one in overlooked(long) if one.startswith("Mix these"))
    assert set(re.findall(r"B\d\d", told)) == early
    for minutes, count in ((359, 0), (360, 4)):
        steps = (Step("mix", 10, "hands"), Step("rest", minutes), Step("dry", 500, "oven"))
        one = cooked(tmp_path / f"{minutes}", ["oven", "steamed"], steps=steps)
        assert bake_sheets(one).count("the evening before") == count
        assert any(one.startswith("Mix these") for one in overlooked(one)) == (count > 0)


def test_more_dough_than_so_few_tasters_eat_is_said(tmp_path):
    """Yeast is weighed from 202 g on, two tasters eat 200; of whole fifties that is 250.

    It is said where it saves a quarter: from 250 / 0.75 = 333.3 g on; for eight, from 1067 g.
    """
    few = doughnut(tmp_path / "few", batch=Batch(dough=607))
    said = ample_words(few, few.batch)
    assert "below it dough = 250 make less" in said
    assert "bakes of 607 g of dough are more than 2 tasters eat" in said
    assert said in html.unescape(shopping_page(few))
    assert "can be weighed well" in batch_sentence(few, Batch(dough=250))
    assert "too little to weigh well" in batch_sentence(few, Batch(dough=200))
    many = doughnut(tmp_path / "many", tasters=[Taster(f"T{at}") for at in range(8)])
    for round_, most, enough in ((few, 333, 250), (many, 1066, 800)):
        assert ample_words(round_, Batch(dough=most)) == ""
        assert f"dough = {enough} make less" in ample_words(round_, Batch(dough=most + 1))
    assert ample_words(few, Batch(pieces=40, piece=30)) == ""  # who counts pieces has counted


def test_what_a_taster_avoids_is_looked_for_where_packs_are_bought(tmp_path):
    tasters = [Taster("Ada"), Taster("Mira", avoids=["sesame"])]
    page = html.unescape(shopping_page(doughnut(tmp_path / "one", tasters=tasters)))
    assert "Read every label you buy for the sake of Mira, who told you: sesame." in page
    assert "sake of Ada" not in page
