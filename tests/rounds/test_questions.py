"""The pages of questions: a short one for a first round, one with every key, one for a crossing."""

import re
import tomllib
from dataclasses import fields

import pytest

from trials.base.errors import TrialsError
from trials.core.factors import Categorical, Numeric
from trials.design.crossings import WORDS
from trials.doors.cli import run
from trials.doors.start import planned_round
from trials.recipe.formula import Formula
from trials.rounds.idea import (
    Idea,
    Process,
    plan_of,
    read_idea,
    recipe_in_words,
    write_idea,
)
from trials.rounds.kitchen import Batch, Heat, Kitchen, Prices, Step
from trials.rounds.questions import ALL, CROSS, QUESTIONS, SHORT
from trials.rounds.round import Round
from trials.tasting.panel import Taster


@pytest.mark.parametrize("which", QUESTIONS)
def test_each_page_is_an_idea_that_can_be_planned(tmp_path, which, capsys):
    words = [] if which == "short" else [f"--{which}"]
    assert run(["new", str(tmp_path / "one"), *words]) == 0
    assert run(["plan", str(tmp_path / "one")]) == 0
    assert "Next: trials sheets" in capsys.readouterr().out
    assert Round.open(tmp_path / "one").plan.count() >= 8


@pytest.mark.parametrize(
    ("line", "changes"),
    [
        ('name = "sugar", low = 70, high = 100, unit = "g"', ("grams", "sugar")),
        ('name = "white sugar", low = 70, high = 100, unit = "g"', ("grams", "white sugar")),
        ('name = "ginger", levels = ["with", "without"]', ("grams", "ginger")),
        ('name = "fat", levels = ["butter", "lard"]', ("swap", "butter")),
        # Nothing of these says what is weighed, or it was said otherwise
        ('name = "sugar", low = 70, high = 100, unit = "%"', None),
        ('name = "sugar", low = 70, high = 100, unit = "g", by_hand = true', None),
        ('name = "honey", low = 70, high = 100, unit = "g"', None),
        ('name = "tin", levels = ["dark", "light"]', None),
        ('name = "fat", levels = ["lard", "margarine"]', None),
        ('name = "kind", levels = ["butter", "sugar"]', None),
    ],
)
def test_what_is_named_as_the_recipe_has_it_is_weighed(tmp_path, line, changes):
    path = write_idea(tmp_path)
    text = re.sub(r"factors = \[.*?\n\]", f"factors = [{{ {line} }}]", SHORT, flags=re.DOTALL)
    path.write_text(text, "utf-8")
    (factor,) = read_idea(tmp_path).factors
    assert factor.changes == changes


@pytest.mark.parametrize(
    ("low", "high", "centre"), [(70, 100, 90), (90, 120, 90), (60, 90, 90), (100, 120, None)]
)
def test_the_reference_bake_has_the_recipe_s_own_amount(tmp_path, low, high, centre):
    # 90 g of sugar in the recipe; half-way where that is no setting of the round
    path = write_idea(tmp_path)
    path.write_text(SHORT.replace("low = 70, high = 100", f"low = {low}, high = {high}"), "utf-8")
    idea = read_idea(tmp_path)
    sugar = next(one for one in idea.factors if one.name == "sugar")
    assert sugar.centre == centre
    table = plan_of(idea).table
    assert set(table.loc[table["role"] == "reference", "sugar"]) == {centre or (low + high) / 2}


def test_a_plan_that_tunes_keeps_its_middle_half_way(tmp_path):
    path = write_idea(tmp_path)
    path.write_text(f'aim = "optimise"\n{SHORT}', "utf-8")
    sugar = next(one for one in read_idea(tmp_path).factors if one.name == "sugar")
    assert (sugar.changes, sugar.centre) == (("grams", "sugar"), None)


def test_a_first_round_needs_under_forty_lines():
    assert len(SHORT.splitlines()) < 40


def keys(text):
    """Every key that a page shows, in a table or behind a #."""
    return re.findall(r"^(?:# )?\s*(\w+) =", text, re.MULTILINE)


@pytest.mark.parametrize(
    ("record", "beside"),
    [
        (
            Idea,
            {"second", "process", "formula", "factors", "measures", "tasters", "exclude"}
            | {"batch", "steps", "kitchen", "prices"},
        ),
        (Numeric, set()),
        (Categorical, set()),
        (Taster, set()),
        (Step, set()),
        (Heat, set()),
        (Batch, set()),
        (Kitchen, {"heats"}),
        (Prices, set()),
        (Process, set()),
        (Formula, {"parts", "ingredients"}),
    ],
)
def test_no_key_is_without_a_word(record, beside):
    # tables (beside) are headed, not written behind a name; own ingredients are a file
    # and "assumed" is no answer, but what is taken where there is none
    known = {one.name for one in fields(record)} - beside - {"assumed"}
    assert known <= set(keys(ALL))
    for table in beside - {"parts", "ingredients"}:
        assert re.search(rf"\[\[?(kitchen\.)?{table}\b", ALL)


def test_every_word_for_what_is_crossed_stands_on_the_page():
    assert all(re.search(rf"\b{word}\b", CROSS) for word in WORDS)


def crossed(tmp_path, **answers):
    folder = write_idea(tmp_path, "cross").parent
    path = folder / "idea.toml"
    text = path.read_text("utf-8")
    for name, value in answers.items():
        text = re.sub(rf"^{name} = .*$", f"{name} = {value}", text, flags=re.MULTILINE)
    path.write_text(text, "utf-8")
    return folder


def test_two_parents_become_factors_trait_by_trait(tmp_path):
    idea = read_idea(crossed(tmp_path, cross='["fat", "flour", "water", "sugar", "leavening"]'))
    found = {factor.name: factor for factor in idea.factors}
    # by hand, from the two recipes: 84 g butter in 300 g flour against 36 g lard, buckwheat 120 g
    # of it against none, baking powder 15 g against none
    assert found["kind of fat"].levels == ("butter", "lard")
    assert (found["buckwheat flour"].low, found["buckwheat flour"].high) == (0, 40)
    assert (found["baking powder"].low, found["baking powder"].high) == (0, 5)
    assert found["sugar"].high > 8  # with what buttermilk and flour bring
    assert "hydration" in found
    assert "cooking" not in found


def test_both_parents_are_baked_beside_the_crossings(tmp_path):
    folder = crossed(tmp_path, cross='["share", "cooking"]', bakes="6")
    made = planned_round(folder)
    first, second = (
        recipe_in_words(tomllib.loads(CROSS)[name])["parts"] for name in ("formula", "second")
    )
    of_bake = made.formulas
    parents = made.plan.details["parents"]
    for name, parts in (("buckwheat scone", first), ("griddle bread", second)):
        (bake,) = parents[name]
        amounts = of_bake[bake].mix.parts["dough"]
        flour = sum(parts.get(one, 0) for one in ("all-purpose flour", "buckwheat flour"))
        assert amounts == pytest.approx({key: 100 * one / flour for key, one in parts.items()})
    share = made.plan.factor("share of griddle bread")
    assert share.show(0.5) == "50 %"
    assert share.read("50 %") == share.read(0.5) == 0.5
    assert "100 %" in made.plan._repr_html_()


@pytest.mark.parametrize("bakes", [6, 8])
@pytest.mark.parametrize("days", [1, 2])
def test_both_sides_are_among_the_bakes_and_none_is_made_twice(tmp_path, bakes, days):
    """Three things crossed in two ways make eight bakes, and the two recipes are two of them."""
    folder = crossed(tmp_path, bakes=str(bakes))
    path = folder / "idea.toml"
    path.write_text(path.read_text("utf-8").replace("days = 2", f"days = {days}\ndoughs = {bakes}"))
    plan = planned_round(folder).plan
    names = [factor.name for factor in plan.factors]
    assert (len(names), plan.count()) == (3, bakes)
    assert not plan.table.duplicated(names).any()
    rows = plan.table.set_index("bake")
    (first,), (second,) = plan.details["parents"].values()
    assert (rows.loc[first, names] != rows.loc[second, names]).all()
    assert rows.loc[first, "cooking"] == "oven"
    assert rows.loc[first, "kind of fat"] == "butter"
    assert plan.table["day"].value_counts().nunique() == 1
    if bakes == 8:
        for name in names:
            assert set(plan.table.groupby("day")[name].value_counts()) == {4 // days}


def test_where_sides_are_no_bakes_of_the_plan_they_take_the_place_of_as_many(tmp_path):
    """A third way of cooking: the plan of eight has not both sides, so six crossings and they."""
    folder = crossed(
        tmp_path,
        cross='["kind of fat", "leavening", "salt", "cooking"]',
        heat='["210 °C", "medium", "175 °C"]\nalso = ["shallow-fry"]',
        minutes="[18, 14, 12]",
        bakes="10",
    )
    plan = planned_round(folder).plan
    assert plan.count() == 10
    assert {len(own) for own in plan.details["parents"].values()} == {1}


def test_a_third_method_may_be_tried(tmp_path):
    folder = crossed(
        tmp_path,
        heat='["210 °C", "medium", "175 °C"]\nalso = ["shallow-fry"]',
        minutes="[18, 14, 12]",
    )
    cooking = next(one for one in read_idea(folder).factors if one.name == "cooking")
    assert cooking.levels == ("oven", "dry griddle", "shallow-fry")
    assert set(plan_of(read_idea(folder)).table["cooking"]) == set(cooking.levels)


def test_what_is_crossed_is_set_in_figures_that_a_cook_reads(tmp_path):
    # the first parent's water: 60 % buttermilk, about nine tenths of it water, and what butter has
    plan = plan_of(read_idea(crossed(tmp_path, cross='["water", "fat", "leavening"]')))
    numbers = [factor for factor in plan.factors if isinstance(factor, Numeric)]
    assert len(numbers) == 3
    for factor in numbers:
        shown = {factor.show(value) for value in plan.table[factor.name]}
        assert len(shown) == 2
        assert all(re.fullmatch(r"none|\d+(\.\d{1,2})? % of flour", one) for one in shown)
    assert "buckwheat scone is baked whole." in plan.reasons


def test_a_parent_without_water_may_be_crossed_in_its_water(tmp_path):
    # All the water of the first is in its milk and egg: none can be taken away
    bun = "milk bun: 500 g bread flour, 240 g milk, 50 g egg, 60 g butter, 60 g sugar, 8 g salt"
    path = crossed(tmp_path, cross='["water", "cooking"]') / "idea.toml"
    text = re.sub(r'formula = """.*?"""', f'formula = "{bun}"', path.read_text("utf-8"), flags=re.S)
    path.write_text(text, "utf-8")
    made = planned_round(tmp_path)
    assert "milk bun is baked whole." in made.plan.reasons
    assert len(made.formulas) == 8


def test_heat_and_minutes_of_each_method_are_its_steps(tmp_path):
    idea = read_idea(crossed(tmp_path))
    mix, oven, griddle = idea.steps
    assert (mix.minutes, mix.only_when) == (15, None)
    assert (oven.name, oven.minutes, oven.needs) == ("oven, 210 °C", 18, ("oven",))
    assert oven.only_when == ("cooking", ("oven",))
    assert (griddle.minutes, griddle.only_when) == (14, ("cooking", ("dry griddle",)))
    assert idea.kitchen.things["dry griddle"] == 1
    # What is not crossed is cooked as the first is
    path = tmp_path / "not" / "idea.toml"
    path.parent.mkdir()
    text = CROSS.replace('"leavening", "cooking"', '"leavening"')
    path.write_text(text, "utf-8")
    assert [one.name for one in read_idea(path.parent).steps] == ["mix and shape", "oven, 210 °C"]
    path.write_text(text.replace("[18, 14]", "[18]"), "utf-8")
    with pytest.raises(TrialsError, match=r"minutes of .* says 1; one each for oven and dry"):
        read_idea(path.parent)


@pytest.mark.parametrize(
    ("written", "parts"),
    [
        ("bun: 200 g bread flour, 120 g water", {"bread flour": 200, "water": 120}),
        ("bun: 0,2 kg bread flour; 2,5 g salt,120g water",
         {"bread flour": 200, "salt": 2.5, "water": 120}),
        ("bun:\n100 % bread flour\n60% water", {"bread flour": 100, "water": 60}),
        ("bun: 100 bread flour, 2 ginger", {"bread flour": 100, "ginger": 2}),
        ("bun: 100 g bread flour, 5 g water, 7 g water", {"bread flour": 100, "water": 12}),
        ("bun: 90 g wheat flour, bread, 2,5 g salt,\n50 g water,",
         {"wheat flour, bread": 90, "salt": 2.5, "water": 50}),
    ],
)  # fmt: skip
def test_a_recipe_is_read_as_it_stands_on_a_card(written, parts):
    assert recipe_in_words(written) == {"name": "bun", "parts": pytest.approx(parts)}


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("200 g bread flour, 120 g water", "the name of the recipe, a colon"),
        ("bun: ", "the name of the recipe, a colon"),
        ("bun: 200 g bread flour, water", '"water" has no amount'),
        ("bun: 200 g bread flour, 2 eggs", "about 50 g"),
        ("bun: 200 g bread flour, 1 tsp salt", '"1 tsp salt" is not a weight'),
        ("bun: 200 g bread flour, 60 % water", "not measured alike"),
        ("bun: 1,000 g bread flour, 600 g water", '"1,000 g bread flour" can be read as 1000'),
        ("bun: 1.000 g bread flour, 600 g water", '"1.000 g bread flour" can be read as 1000'),
    ],
)
def test_a_recipe_that_is_not_weighed_is_refused(written, said):
    with pytest.raises(TrialsError, match=said):
        recipe_in_words(written)


def test_a_slip_in_a_recipe_names_its_line(tmp_path):
    path = write_idea(tmp_path, "cross")
    path.write_text(CROSS.replace("36 g lard", "lard"), "utf-8")
    with pytest.raises(TrialsError, match=r'idea.toml.*second: "lard" has no amount'):
        read_idea(tmp_path)
    path.write_text(CROSS.replace("36 g lard", "36 g lrad"), "utf-8")
    with pytest.raises(TrialsError, match=r'"lrad" is not in the ingredient table.*"lard"'):
        read_idea(tmp_path)


def test_all_that_is_unclear_in_two_recipes_is_told_at_once(tmp_path):
    path = write_idea(tmp_path, "cross")
    text = CROSS.replace("all-purpose flour", "flour").replace("36 g lard", "36 g oil")
    path.write_text(text, "utf-8")
    with pytest.raises(TrialsError, match=r'"flour" could be .* "oil" could be '):
        read_idea(tmp_path)
    path.write_text(text.replace("24 g sugar", "24 g suger"), "utf-8")
    with pytest.raises(TrialsError, match=r'"suger" is not in .*"flour" could be .*"oil" could be'):
        read_idea(tmp_path)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"cross": '["lamination"]'}, "they differ in"),
        ({"cross": "[]"}, "say what is crossed"),
        ({"first": '"oven"\nthird = "pan"'}, "third"),
    ],
)
def test_what_can_not_be_crossed_is_said(tmp_path, change, said):
    with pytest.raises(TrialsError, match=said):
        read_idea(crossed(tmp_path, **change))


def test_one_parent_alone_is_no_crossing(tmp_path):
    path = write_idea(tmp_path, "cross")
    text = path.read_text("utf-8")
    path.write_text(re.sub(r'^second = """.*?"""', "", text, flags=re.M | re.S), "utf-8")
    with pytest.raises(TrialsError, match="give both"):
        read_idea(tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('avoids = ["sesame"]', 'avoids = "mlik"', '"milk"'),
        (
            '"butter", "lard"]',
            '"butter", "lard"], changes = ["swap", "lard"]',
            '"lard" is not in the formula',
        ),
        ('"Ben"', '"ada"', "too alike"),
        (
            'unit = "g"',
            'unit = "g", changes = ["percent", "sugar"]',
            "counts percent of the flour",
        ),
        ('unit = "g"', 'unit = "%", changes = ["grams", "sugar"]', "but the recipe is in grams"),
        ("avoids = []", 'avoids = ["none"]', "write avoids = []"),
    ],
)
def test_a_slip_is_refused_at_the_plan_with_its_file(tmp_path, capsys, old, new, said):
    path = write_idea(tmp_path / "one")
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    assert run(["plan", str(path.parent)]) == 1
    told = capsys.readouterr().err
    assert told.startswith("idea.toml: ")
    assert said in told
    assert not (path.parent / "plan.csv").exists()


def test_parents_are_called_whole_only_where_they_are(tmp_path, capsys):
    folder = crossed(tmp_path, cross='["kind of fat", "cooking"]')
    path = folder / "idea.toml"
    own = """
[[factors]]
kind = "numeric"
name = "butter salt"
low = 2
high = 4
changes = ["percent", "salt"]

[[factors]]
kind = "numeric"
name = "oven heat"
low = 190
high = 210
unit = "°C"
only_when = ["cooking", ["oven"]]
"""
    path.write_text(path.read_text("utf-8") + own, "utf-8")
    assert run(["plan", str(folder)]) == 0
    # What each is made of stands behind the plan, with how it was found
    assert not re.search(r"The bake of|Not crossed", capsys.readouterr().out)
    assert run(["plan", str(folder), "--why"]) == 0
    said = capsys.readouterr().out
    assert "baked whole" not in said
    # the page has salt 1.5 in the scone, where the plan begins at 2, and 2 in the other
    assert (
        "buckwheat scone is there as near as what is varied brings it: salt 2 % (its own: 1.5 %); "
        "its own oven heat is not said, so it is at 200 °C." in said
    )
    assert "griddle bread itself is not baked: " in said
    assert "The bake of griddle bread has " in said
    (same,) = (one for one in said.splitlines() if one.startswith("Not crossed, so as in"))
    assert same.startswith("Not crossed, so as in buckwheat scone in every crossing: ")
    assert "buttermilk (60 %, not 70 %)" in same
    assert "salt" not in same
    for words in (["sheets"], ["check"]):
        assert run([*words, str(folder)]) == 0


def test_whole_parents_are_called_whole(tmp_path, capsys):
    folder = crossed(tmp_path, cross='["share", "cooking"]')
    assert run(["plan", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "buckwheat scone is baked whole.\ngriddle bread is baked whole.\n" in said
    assert "Not crossed" not in said


def test_parents_share_a_heat_that_the_plan_has(tmp_path):
    folder = crossed(tmp_path, cross='["share", "cooking"]')
    path = folder / "idea.toml"
    own = """
[[factors]]
kind = "numeric"
name = "oven heat"
low = 190
high = 210
hard_to_change = true
only_when = ["cooking", ["oven"]]
"""
    text = path.read_text("utf-8").replace("bakes = 8 ", "bakes = 8\nloads = 4 ")
    path.write_text(text + own, "utf-8")
    table = planned_round(folder).plan.table
    assert set(table["oven heat"].dropna()) <= {190, 210}
    assert Round.open(folder).plan.count() == 10
