"""The sheet for each bake."""

import re
from dataclasses import replace

import pandas as pd
import pytest

from tests.browser import (
    broken_words,
    needs_browser,
    opened,
    overlaps_and_clips,
    page_count,
    printed,
)
from tests.rounds.rounds_to_bake import DOUGHNUT, FACTORS, STEPS, doughnut, doughnut_plan
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.layout import lay_out
from trials.recipe.cautions import HOT_OIL, KIT
from trials.recipe.formula import Formula
from trials.recipe.weighing import shown_grams, weigh
from trials.rounds.amounts import shopping_list, weights
from trials.rounds.kitchen import Batch, Prices
from trials.rounds.round import Round
from trials.show.bake_sheets import bake_sheets, shopping_page, weigh_table
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster


def words(markup: str) -> str:
    body = markup.split("<body>")[1]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def sheet_of(markup: str, bake: str) -> str:
    return markup.split(f'class="bake">{bake}<')[1].split("</section>")[0]


FINER = "What has a decimal is weighed on the scale that shows 0.1 g."


@pytest.fixture
def round_(tmp_path):
    return doughnut(tmp_path)


def test_each_bake_has_one_sheet_in_baking_order(round_):
    markup = bake_sheets(round_)
    shown = re.findall(r'class="bake">(B\d\d)<', markup)
    assert shown == list(round_.plan.table["bake"])
    assert markup.count('<section class="sheet">') == len(shown)


def test_a_sheet_shows_the_grams_settings_place_and_day(round_):
    batch = Batch(pieces=12, piece=40)
    markup = bake_sheets(round_, batch, steps=STEPS)
    grams = weights(round_, batch)
    for row in round_.plan.table.to_dict("records"):
        sheet = words("<body>" + sheet_of(markup, row["bake"]))
        assert f"day {row['day']}, oil fill {row['load']}" in sheet
        for factor in round_.plan.factors:
            assert factor.show(row[factor.name]) in sheet
        own = grams[grams["bake"] == row["bake"]]
        for one in own.to_dict("records"):
            assert f"{one['ingredient']} " in sheet
            assert shown_grams(one["grams"], one["scale"]) in sheet
        assert (set(own["scale"]) == {1, 0.1}) == (FINER in sheet)
        weighing = sheet.partition("Weigh")[2].partition("How it went")[0]
        assert "in all" in weighing
        assert "43." not in weighing  # percent of the flour are for the formula, not for a scale
        assert "of flour" not in weighing
        assert f"proof {row['proof']:g} min" in sheet


@pytest.mark.parametrize(
    ("scales", "dough", "said"),
    [((1,), 2000, ""), ((1, 0.1), 2000, ""), ((1, 0.1), 400, FINER)],
)
def test_the_finer_scale_is_named_where_something_goes_on_it(scales, dough, said):
    """By hand: of 163.5 parts yeast is 12.2 g in 2000 g and 2.4 g in 400 g, salt 24 and 4.9 g."""
    formula = Formula("bun", {"bread flour": 100, "water": 60.5, "salt": 2, "instant yeast": 1})
    grams = weigh(formula.grams(dough=dough).assign(part=""), scales)
    table = grams.rename(columns={"grams": "exact", "weighed": "grams"})
    assert weigh_table(table)["notes"] == ([said] if said else [])


@pytest.mark.parametrize(
    ("changes", "same"),
    [
        (("total", "hydration"), True),
        (("percent", "sugar"), True),
        (("grams", "sugar"), False),
    ],
)
def test_why_all_else_differs_where_one_thing_varies_is_said(tmp_path, changes, same):
    unit = "g" if changes[0] == "grams" else "%"
    low, high = (60, 75) if changes[0] == "total" else (5, 20)
    factor = Numeric("amount", low, high, unit, changes=changes)
    one = Round.create(
        tmp_path / "one",
        plan=lay_out(
            [factor], pd.DataFrame({"amount": [low, high]}), family="test", model="main", seed=1
        ),
        measures=[Measure("liking", "hedonic 9")],
        formula=Formula("bun", {"bread flour": 100, "water": 60, "sugar": 5}),
        batch=Batch(dough=500),
    )
    assert bake_sheets(one).count("mixed to the same weight") == (2 if same else 0)


@pytest.mark.parametrize(
    ("old", "new", "heavier", "water"),
    [
        ("butter", "lard", "less", "water is added for what butter holds"),
        ("lard", "butter", "more", "water is left out for what butter holds"),
        ("lard", "sunflower oil", "", ""),
    ],
)
def test_why_another_fat_weighs_otherwise_is_said(tmp_path, old, new, heavier, water):
    fat = Categorical("fat", [old, new], changes=("swap", old))
    one = Round.create(
        tmp_path / "one",
        plan=lay_out([fat], pd.DataFrame({"fat": [old, new]}), family="test", model="main", seed=1),
        measures=[Measure("liking", "hedonic 9")],
        formula=Formula("bun", {"bread flour": 100, "water": 60, old: 20}),
    )
    sheets = bake_sheets(one)
    bakes = one.plan.table.set_index("fat")["bake"]
    said = f"{new[0].upper()}{new[1:]} for {old} at as much fat"
    assert said not in sheet_of(sheets, bakes[old])
    told = sheet_of(sheets, bakes[new])
    assert (f"{said}: it weighs {heavier}, and {water}." in told) == bool(heavier)
    assert (said in told) == bool(heavier)


def test_what_is_hard_to_change_is_marked_and_reference_bakes_are_named(round_):
    markup = bake_sheets(round_)
    assert markup.count("oil temperature\u00a0▪") == len(round_.plan.table)
    assert "proof\u00a0▪" not in markup
    references = round_.plan.table.query("role == 'reference'")["bake"]
    for bake in references:
        assert "reference bake" in sheet_of(markup, bake)


def test_a_dough_made_once_names_the_bakes_that_share_it(tmp_path):
    flour = Categorical("flour", ["bread flour", "spelt flour"], hard_to_change="dough")
    bakes = pd.DataFrame(
        {"flour": ["bread flour"] * 2 + ["spelt flour"] * 2, "dough": [1, 1, 2, 2]}
    )
    plan = lay_out([flour], bakes, family="doughs", model="main", seed=1)
    made = doughnut(tmp_path, plan=plan, formula=None)
    markup = bake_sheets(made)
    for _, rows in plan.table.groupby("dough"):
        first, second = rows["bake"]
        said = f"dough batch {rows['dough'].iloc[0]} (one for this and {second})"
        assert said in sheet_of(markup, first)


def test_cautions_stand_on_every_sheet(round_):
    markup = bake_sheets(round_)
    sheets = markup.split('<section class="sheet">')[1:]
    for sheet in sheets:
        assert KIT.text in sheet
        assert HOT_OIL.text in sheet
        assert "May hold egg" in sheet
    assert all("invented" in sheet for sheet in sheets)


def test_the_round_s_sheet_warns_of_what_any_bake_brings(tmp_path):
    fat = Categorical("fat", ["butter", "peanut oil"], changes=("swap", "butter"))
    plan = lay_out(
        [fat], pd.DataFrame({"fat": list(fat.levels)}), family="fats", model="main", seed=1
    )
    made = doughnut(tmp_path, plan=plan)
    assert re.search(r"May hold [^.]*peanut", shopping_page(made))


def test_a_round_without_a_formula_has_sheets_of_settings(tmp_path):
    markup = bake_sheets(doughnut(tmp_path, formula=None))
    assert "Weigh" not in words(markup)
    assert "165 °C" in markup


def test_prices_are_shown_with_their_currency_and_summed(round_):
    priced = replace(round_, prices=Prices({"butter": 10, "milk": 1.5}, "EUR"))
    sheet = words(shopping_page(priced))
    cost = shopping_list(priced)["cost (EUR)"]
    assert "cost (EUR)" in sheet
    assert f"{cost.sum():.2f}" in sheet
    assert "cost" not in words(shopping_page(round_))


def test_too_coarse_a_weighing_is_marked(round_):
    markup = bake_sheets(round_, Batch(dough=80, scales=(1,)))
    assert "instant yeast *" in markup
    assert "too little to weigh well on this scale" in markup
    assert "*" not in words(bake_sheets(round_, Batch(dough=2000))).replace("* too", "")


def test_names_never_become_markup(tmp_path):
    made = doughnut(tmp_path, name="<script>alert(1)</script>")
    body = bake_sheets(made).split("<body>")[1]
    assert "<script" not in body


@needs_browser
def test_a_bake_is_a_page_and_nothing_else_takes_one(tmp_path, round_):
    markup = bake_sheets(round_, Batch(pieces=12, piece=40), steps=STEPS)
    assert page_count(printed(markup, tmp_path)) == len(round_.plan.table)


@needs_browser
def test_a_formula_of_three_parts_still_prints_one_page_a_bake(tmp_path):
    parts = Formula(
        "filled",
        {
            "batter": dict(DOUGHNUT.parts),
            "filling": {"milk": 60, "sugar": 15, "egg": 12, "corn starch": 5, "butter": 4},
            "glaze": {"sugar, powdered": 30, "water": 6},
            "frying oil": {"sunflower oil": 300},
        },
    )
    changes = (None, ("total", "hydration", "batter"), ("swap", "butter", "batter"), None)
    factors = [
        replace(factor, changes=change) for factor, change in zip(FACTORS, changes, strict=True)
    ]
    plan = replace(doughnut_plan(), factors=tuple(factors))
    made = doughnut(tmp_path, formula=parts, plan=plan)
    markup = bake_sheets(made, Batch(dough=900), steps=STEPS)
    assert "filling" in markup
    assert page_count(printed(markup, tmp_path)) == len(made.plan.table)


@needs_browser
def test_nothing_is_cut_off_on_the_screen(tmp_path, round_):
    path = tmp_path / "sheets.html"
    path.write_text(bake_sheets(round_, steps=STEPS), "utf-8")
    with opened(path) as page:
        assert overlaps_and_clips(page) == []


LONG = [  # names of about 30 letters, beside kinds that are as long
    Categorical("kind of fat", ["lard", "butter, unsalted"], changes=("swap", "lard")),
    Categorical("cooking", ["oven", "dry griddle, brushed with melted butter"]),
    Numeric("medium rye flour", 0, 30, "%", changes=("flour share", "medium rye flour")),
    Numeric("temperature of the water added", 20, 40, "°C"),
    Numeric("rest of the shaped pieces cold", 0, 720, "min"),
    Categorical("leavening", ["baking powder", "sourdough, refreshed twice"]),
    Numeric("hydration", 60, 72, "%", changes=("total", "hydration")),
]


@needs_browser
@pytest.mark.parametrize("count", [2, 7])
@pytest.mark.parametrize(("width", "media"), [(900, "screen"), (640, "screen"), (703, "print")])
def test_no_word_is_broken_on_a_sheet_or_a_ballot(tmp_path, count, width, media):
    factors = LONG[:count]
    rows = pd.DataFrame(
        [
            {
                one.name: one.levels[turn % 2] if isinstance(one, Categorical) else one.high
                for one in factors
            }
            for turn in range(2)
        ]
    )
    round_ = Round.create(
        tmp_path / "one",
        plan=lay_out(factors, rows, family="test", model="main", seed=1),
        measures=[Measure("liking", "hedonic 9"), Measure("bake loss", "number", per="bake")],
        formula=Formula("griddle bread", {"bread flour": 100, "water": 62, "lard": 12}),
        tasters=[Taster("Ida"), Taster("Me", cooks=True)],
    )
    write_sheets(round_)
    for name in ("bake-sheets.html", "code-sheet.html", "ballots/ballot-Me.html"):
        with opened(round_.folder / name, width=width) as page:
            page.emulate_media(media=media)
            assert broken_words(page) == [], name
            if name != "ballots/ballot-Me.html" or width > 800:  # paper at its own width
                assert page.evaluate(WIDER) == 0, name


WIDER = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
