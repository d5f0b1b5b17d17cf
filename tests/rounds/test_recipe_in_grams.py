"""A recipe given in grams is baked as it is written, and a setting in grams is what is weighed."""

import re

import openpyxl
import pandas as pd
import pytest

import trials
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.layout import lay_out
from trials.doors.start import planned_round
from trials.recipe.formula import Formula
from trials.rounds.amounts import dough_weights, weights
from trials.rounds.idea import read_idea
from trials.rounds.kitchen import Batch
from trials.rounds.round import Round
from trials.rounds.scores import check
from trials.show.bake_sheets import bake_sheets
from trials.show.cook_page import cook_page

RECIPE = 'formula = "shortbread: 200 g cake flour, 80 g butter, 60 g sugar, 2 g salt"\n'
FACTOR = """
bakes = 4
[[factors]]
kind = "numeric"
name = "butter"
low = 80
high = 120
unit = "g"
changes = ["grams", "butter"]
[[tasters]]
name = "Bo"
"""


def idea(folder, text):
    folder.mkdir()
    (folder / "idea.toml").write_text("seed = 1\n" + text, encoding="utf-8")
    return planned_round(folder)


def test_a_recipe_in_grams_is_weighed_as_it_is_written(tmp_path):
    one = idea(tmp_path / "one", RECIPE + FACTOR)
    table = weights(one).set_index(["bake", "ingredient"])["exact"]
    for row in one.plan.table.to_dict("records"):
        assert table[row["bake"], "butter"] == pytest.approx(row["butter"])
        assert table[row["bake"], "cake flour"] == pytest.approx(200)
        assert table[row["bake"], "sugar"] == pytest.approx(60)
    assert "for the whole recipe" not in bake_sheets(one)


@pytest.mark.parametrize(
    ("recipe", "dough"),
    [
        ('formula = "a: 200 g cake flour, 80 g butter"\n', 280),
        ('formula = "a: 100 g cake flour, 80 g butter"\n', 180),  # grams, though flour is 100
        ('formula = "a: 100 % cake flour, 80 % butter"\n', 500),
        ('[formula]\nname = "a"\n[formula.parts]\n"cake flour" = 200\nbutter = 80\n', 280),
        ('[formula]\nname = "a"\n[formula.parts]\n"cake flour" = 100\nbutter = 80\n', 500),
        ('formula = "a: 200 g cake flour, 80 g butter"\n[batch]\ndough = 400\n', 400),
        ('formula = "a: 200 g cake flour, 80 g butter"\n[batch]\npiece = 40\n', 280),
        ('formula = "a: 200 g cake flour, 80 g butter"\n[batch]\npieces = 5\npiece = 40\n', 200),
    ],
)
def test_a_batch_that_is_said_goes_before_the_recipe(tmp_path, recipe, dough):
    head, bracket, tables = recipe.partition("[")
    factor = FACTOR.replace('"grams", "butter"', '"percent", "butter"').replace('"g"', '"%"')
    one = idea(tmp_path / "one", head + factor + bracket + tables)
    assert one.batch.grams == pytest.approx(dough)


def shared(folder, batch):
    """Two ways of cooking divided from one dough, whose butter is set in grams."""
    factors = [
        Numeric("butter", 80, 120, "g", changes=("grams", "butter"), hard_to_change="dough"),
        Categorical("cooking", ["oven", "dry griddle"]),
    ]
    rows = [
        {"butter": butter, "cooking": one, "dough": dough}
        for dough, butter in enumerate((80, 120), start=1)
        for one in factors[1].levels
    ]
    return Round.create(
        folder,
        plan=lay_out(factors, pd.DataFrame(rows), family="test", model="main", seed=1),
        measures=[Measure("liking", "hedonic 9")],
        tasters=[trials.Taster("Bo")],
        formula=Formula("shortbread", {"cake flour": 200, "butter": 80, "sugar": 60}),
        batch=batch,
    )


def test_a_dough_for_two_bakes_says_so_where_it_is_weighed(tmp_path):
    one = shared(tmp_path / "one", Batch(dough=340))
    sheet = bake_sheets(one).split('class="dough"')[1].split("</section>")[0]
    assert "<h2>Weigh, for 2 bakes</h2>" in sheet
    bakes = dough_weights(one).query("ingredient == 'butter'")
    first = bakes["grams"].iloc[0]
    assert f"for the whole recipe; here {first:g} g" in sheet


@pytest.mark.parametrize("typed", ["weighed", "rounded", "setting", "another"])
def test_the_weighed_figure_typed_as_the_setting_is_noted_with_what_to_type(tmp_path, typed):
    factor = Numeric("butter", 80, 120, "g", changes=("grams", "butter"))
    one = Round.create(
        tmp_path / "one",
        plan=lay_out(
            [factor], pd.DataFrame({"butter": [80, 120]}), family="test", model="main", seed=1
        ),
        measures=[Measure("liking", "hedonic 9")],
        tasters=[trials.Taster("Bo")],
        formula=Formula("shortbread", {"cake flour": 200, "butter": 80, "sugar": 60}),
        batch=Batch(dough=400),
    )
    trials.write_sheets(one)
    bake = one.plan.table.query("butter == 80")["bake"].iloc[0]
    weighed = weights(one).query("bake == @bake and ingredient == 'butter'")["grams"].iloc[0]
    sheet = bake_sheets(one).split(f'class="bake">{bake}<')[1].split("</section>")[0]
    assert f"80 g for the whole recipe; here {weighed:g} g" in sheet
    assert f"80 g for the whole recipe; here {weighed:g} g" in cook_page(one)
    value = {"weighed": weighed, "rounded": round(weighed), "setting": 80, "another": 86}[typed]
    table = pd.read_csv(one.folder / "bakes.csv", dtype=str, keep_default_na=False)
    table.loc[table["bake"] == bake, "actual butter"] = f"{value:g}"
    table.to_csv(one.folder / "bakes.csv", index=False)
    said = [note.said for note in check(one).notes if "what was weighed" in note.said]
    assert len(said) == (typed in ("weighed", "rounded"))
    assert all("type 80;" in one for one in said)


def loaf(folder, dough=380, part=(), oil=("grams", "g", 80, 120)):
    """A loaf whose olive oil is set in grams, or is butter in its place."""
    kind, unit, low, high = oil
    factors = [
        Numeric("olive oil", low, high, unit, changes=(kind, "olive oil", *part)),
        Categorical("fat", ["olive oil", "butter"], changes=("swap", "olive oil", *part)),
        Numeric("oven", 165, 185, "°C"),
    ]
    rows = [
        {"olive oil": amount, "fat": fat, "oven": 165}
        for amount in (low, high)
        for fat in factors[1].levels
    ]
    mixed = {"cake flour": 200, "water": 80, "olive oil": 100}
    return Round.create(
        folder,
        plan=lay_out(factors, pd.DataFrame(rows), family="test", model="main", seed=1),
        measures=[Measure("liking", "hedonic 9")],
        tasters=[trials.Taster("Bo")],
        formula=Formula("loaf", {"dough": mixed} if part else mixed),
        batch=Batch(dough=dough),
    )


def sheets_of(one):
    """Return what stands on each bake's sheet: to set, and already in what is weighed."""
    found = {}
    for text in bake_sheets(one).split('class="bake">')[1:]:
        told = re.sub(r"<[^>]+>", " ", text.split("</section>")[0])
        told = re.sub(r"\s+", " ", told).partition("Times and heat")[0]
        there, _, weighed = told.partition("Already in what you weigh")
        found[text[:3]] = (there.partition("Settings")[2], weighed)
    return found


@pytest.mark.parametrize("part", [(), ("dough",)])
@pytest.mark.parametrize(
    ("oil", "shown"),
    [
        (("grams", "g", 80, 120), "120 g"),
        (("percent", "% of flour", 40, 60), "60 % of flour"),
    ],
)
def test_what_a_swap_replaced_can_not_be_added_as_well(tmp_path, oil, shown, part):
    """Butter is 80 % fat (81.1 in the table): 148 g for 120 g of oil, and no oil beside it."""
    one = loaf(tmp_path / "one", oil=oil, part=part)
    grams = weights(one).set_index(["bake", "ingredient"])["grams"]
    told, phone = sheets_of(one), cook_page(one)
    for row in one.plan.table.query(f"`olive oil` == {oil[3]}").to_dict("records"):
        settings, weighed = told[row["bake"]]
        assert "oven 165 °C" in settings
        assert "olive oil" not in settings
        assert "fat" not in settings
        if row["fat"] == "butter":
            said = f"{grams[row['bake'], 'butter']:g} g butter in place of {shown}"
            assert f"olive oil: {said}" in weighed
            assert said in phone
            assert "as written" not in weighed
            assert (row["bake"], "olive oil") not in grams.index
        else:
            assert f"olive oil: {shown}" in weighed
            assert "in place of" not in weighed


def test_a_replaced_setting_says_of_which_recipe_its_grams_are(tmp_path):
    one = loaf(tmp_path / "one", dough=190)
    weighed = [text for _, text in sheets_of(one).values() if "in place of" in text]
    assert len(weighed) == 2
    assert all(re.search(r"g butter in place of \d+ g for the whole recipe", t) for t in weighed)


def test_grams_of_what_stands_in_place_typed_as_the_setting_are_noted(tmp_path):
    one = loaf(tmp_path / "one")
    trials.write_sheets(one)
    bake = one.plan.table.query("fat == 'butter' and `olive oil` == 120")["bake"].iloc[0]
    weighed = weights(one).query("bake == @bake and ingredient == 'butter'")["grams"].iloc[0]
    table = pd.read_csv(one.folder / "bakes.csv", dtype=str, keep_default_na=False)
    table.loc[table["bake"] == bake, "actual olive oil"] = f"{weighed:g}"
    table.to_csv(one.folder / "bakes.csv", index=False)
    said = [note.said for note in check(one).notes if "what was weighed" in note.said]
    assert len(said) == 1
    assert f"{weighed:g} g of butter is what was weighed for {bake}" in said[0]
    assert "type 120;" in said[0]


def test_the_score_sheet_names_what_stands_in_place_of_a_setting(tmp_path):
    one = loaf(tmp_path / "one")
    trials.write_sheets(one)
    sheet = openpyxl.load_workbook(one.folder / "bakes.xlsx")["Bakes"]
    titles = [cell.value for cell in sheet[1]]
    at, fat = titles.index("olive oil (g)"), titles.index("fat")
    for row in sheet.iter_rows(min_row=2):
        said = ', as butter"' in row[at].number_format
        assert said == (row[fat].value == "butter")
        assert row[at].value in (80, 120)
    assert not check(one).problems


@pytest.mark.parametrize(("planned", "typed"), [("none", "20"), (20, "none")])
def test_a_kind_in_grams_may_be_none_of_it(tmp_path, planned, typed):
    kinds = Categorical("sugar", ["none", 20, 40], changes=("grams", "sugar"))
    rows = pd.DataFrame({"sugar": ["none", 20, 40]})
    one = Round.create(
        tmp_path / "one",
        plan=lay_out([kinds], rows, family="test", model="main", seed=1),
        measures=[Measure("liking", "hedonic 9")],
        tasters=[trials.Taster("Bo")],
        formula=Formula("shortbread", {"cake flour": 200, "butter": 80, "sugar": 60}),
        batch=Batch(dough=400),
    )
    trials.write_sheets(one)
    bake = one.plan.table.set_index("sugar")["bake"][planned]
    table = pd.read_csv(one.folder / "bakes.csv", dtype=str, keep_default_na=False)
    table.loc[table["bake"] == bake, "actual sugar"] = typed
    table.to_csv(one.folder / "bakes.csv", index=False)
    assert not check(one)


@pytest.mark.parametrize(
    ("recipe", "name", "means"),
    [
        ("a: 200 g cake flour, 80 g butter, 90 g brown sugar", "sugar", "brown sugar"),
        ("a: 200 g cake flour, 80 g olive oil, 90 g sugar", "oil", "olive oil"),
        ("a: 200 g cake flour, 80 g butter, 90 g sugar, 40 g brown sugar", "sugar", "sugar"),
        ("a: 200 g cake flour, 80 g butter, 90 g icing sugar, 40 g brown sugar", "sugar", None),
        ("a: 200 g cake flour, 80 g butter", "sugar", None),
    ],
)
def test_a_plain_name_is_the_one_thing_that_is_called_so(tmp_path, recipe, name, means):
    """Who writes sugar and has brown sugar alone would have weighed the same in every bake."""
    folder = tmp_path / "one"
    folder.mkdir()
    factor = f'{{ name = "{name}", low = 60, high = 90, unit = "g" }}'
    (folder / "idea.toml").write_text(
        f'formula = "{recipe}"\nbakes = 4\nfactors = [{factor}]\n', "utf-8"
    )
    (found,) = read_idea(folder).factors
    assert found.changes == (None if means is None else ("grams", means))
