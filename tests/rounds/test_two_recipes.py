"""Two recipes that rise by different things, crossed: steps, what is baked, what the cook reads."""

import re

import pandas as pd
import pytest

from trials.base.errors import TrialsError
from trials.core.factors import Numeric
from trials.doors.cli import run
from trials.recipe.crossing import LIFTED
from trials.rounds.idea import plan_of, read_idea
from trials.rounds.kitchen import Kitchen, Step, check_steps
from trials.rounds.questions import ALL, CROSS
from trials.rounds.round import Round
from trials.rounds.scores import check, scores

PAGE = '''
formula = """
onion bun: 300 g bread flour, 160 g oat drink, 45 g margarine, 15 g sugar,
7 g dry yeast, 6 g salt, 150 g onions, 5 g caraway"""
second = """
pan bread: 300 g all-purpose flour, 180 g soy yoghurt, 30 g sunflower oil,
10 g baking powder, 6 g salt, 40 g onions"""
cross = ["kind of fat", "leavening", "cooking"]
bakes = 6
parents = 1
days = 2
seed = 5

[[process]]
name = "cooking"
first = "oven"
second = "pan with sunflower oil"
heat = ["200 °C", "medium"]
minutes = [20, 8]

[[tasters]]
name = "Vera"
avoids = []

[[tasters]]
name = "Tomas"
avoids = []
'''
RISE = '\n[[steps]]\nname = "rise"\nminutes = 60\n'
COOKED = ["oven, 200 °C", "pan with sunflower oil, medium"]


def page(tmp_path, more="", **answers):
    text = PAGE
    for name, value in answers.items():
        text = re.sub(rf"^{name} = .*$", f"{name} = {value}", text, flags=re.MULTILINE)
    (tmp_path / "idea.toml").write_text(text + more, "utf-8")
    return tmp_path


def names(idea):
    return [step.name for step in idea.steps]


def step(name, **more):
    said = "".join(f"{key} = {value}\n" for key, value in more.items())
    return f'\n[[steps]]\nname = "{name}"\n{said}'


def test_a_rise_that_is_written_leaves_the_cooking_of_the_process(tmp_path):
    idea = read_idea(page(tmp_path, RISE))
    assert names(idea) == ["mix", "rise", *COOKED]
    assert [one.minutes for one in idea.steps] == [15, 60, 20, 8]
    assert idea.kitchen.things["pan with sunflower oil"] == 1


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        (step("knead", minutes=9, needs='["hands"]') + RISE, ["knead", "rise", *COOKED]),
        # A dough that is divided rests once, and is mixed once before it
        (RISE + 'per = "dough"\n', ["mix", "rise", *COOKED]),
        # A dough that is shaped is mixed before, and once
        (RISE + step("shape", minutes=9, needs='["hands"]'), ["mix", "rise", "shape", *COOKED]),
        (step("roll and cut", minutes=9, needs='["hands"]'), ["mix", "roll and cut", *COOKED]),
        (step("weigh", minutes=9, needs='["hands"]') + RISE, ["weigh", "mix", "rise", *COOKED]),
        (step("the dough", minutes=9, needs='["hands"]') + RISE, ["the dough", "rise", *COOKED]),
        (step("mix and shape", minutes=9, needs='["hands"]'), ["mix and shape", *COOKED]),
        # A rest of one kind alone is no cooking
        (step("rest", minutes=9, only_when='["cooking", ["oven"]]'),
         ["mix and shape", "rest", *COOKED]),
        # What is written to cook is all there is
        (step("in it goes", minutes=9, needs='["oven"]'), ["in it goes"]),
        (step("turn", minutes=9, needs='["hands"]', only_when='["cooking", ["oven"]]'), ["turn"]),
        (step("bake", minutes=9), ["bake"]),
    ],
)  # fmt: skip
def test_written_steps_come_before_the_cooking_unless_they_do_it(tmp_path, more, expected):
    idea = read_idea(page(tmp_path, more))
    assert names(idea) == expected
    assert len({one.per for one in idea.steps if one.name in ("mix", "rise")}) <= 1


def test_sheets_and_timetable_have_the_rise_and_the_cooking(tmp_path):
    folder = page(tmp_path, RISE)
    assert run(["plan", str(folder)]) == 0
    assert run(["sheets", str(folder)]) == 0
    times = pd.read_csv(folder / "timetable.csv").set_index("bake")
    for row in Round.open(folder).plan.table.to_dict("records"):
        done = [one for one in times.loc[row["bake"], "step"] if not one.startswith("oven: ")]
        oven = row["cooking"] == "oven"
        assert done == ["mix", "rise", COOKED[0] if oven else COOKED[1]]
    sheets = (folder / "bake-sheets.html").read_text("utf-8")
    assert all(one in sheets for one in COOKED)


def test_a_step_may_be_of_the_bakes_alone_that_have_any_yeast(tmp_path):
    folder = page(tmp_path, RISE + 'only_when = ["dry yeast", ["with"]]\n')
    assert run(["plan", str(folder)]) == 0
    assert run(["sheets", str(folder)]) == 0
    times = pd.read_csv(folder / "timetable.csv")
    rising = set(times.loc[times["step"] == "rise", "bake"])
    plan = Round.open(folder).plan
    assert rising == set(plan.table.loc[plan.table["dry yeast"] > 0, "bake"])
    assert 0 < len(rising) < len(plan.table)
    with pytest.raises(TrialsError, match="no factor of kinds"):
        check_steps(plan, [Step("rise", 60, only_when=("dry yeast", ["lots"]))], Kitchen())


def test_the_step_that_is_asked_for_can_be_written_as_it_is_said(tmp_path, capsys):
    folder = page(tmp_path)
    assert run(["plan", str(folder)]) == 0
    said = re.sub(r"\s+", " ", capsys.readouterr().out)
    (asked,) = re.findall(r"Nothing says when the dough rises:.*? come after it\.", said)
    written = re.findall(r'(name = "rise"|minutes = \d+|only_when = \[.*?\]\])', asked)
    assert len(written) == 3
    assert "The heat and minutes that [[process]] gives stay" in asked
    page(tmp_path, "\n".join(["", "[[steps]]", *written, ""]))
    assert run(["plan", str(folder)]) == 0
    assert "Nothing says when" not in capsys.readouterr().out
    assert names(read_idea(folder)) == ["mix", "rise", *COOKED]


def test_pages_say_what_becomes_of_steps_and_of_the_second_recipe():
    (minutes,) = (one for one in ALL.splitlines() if one.startswith("# minutes = ["))
    assert "after the [[steps]]" in minutes
    said = re.sub(r"\s+#?\s*", " ", CROSS.partition("parents = ")[2].partition("days =")[0])
    assert "The second recipe itself is not baked" in said
    assert '"share"' in said


def test_that_the_second_recipe_is_not_baked_comes_first_and_in_short(tmp_path):
    plan = plan_of(read_idea(page(tmp_path)))
    (at,) = (at for at, one in enumerate(plan.reasons) if one.startswith("pan bread itself"))
    said, figures = plan.reasons[at : at + 2]
    assert len(said.split()) <= 45
    assert "%" not in said
    assert said.startswith("pan bread itself is not baked: its bake takes from it kind of fat")
    assert "Its dough is onion bun's: bread flour, oat drink and onions" in said
    assert "no all-purpose flour or soy yoghurt" in said
    assert "bread flour 100 % (its own: 0 %)" in figures
    # and as it says, so it is
    (cross,) = re.findall(r"cross = (\[.*?\])", said)
    whole = plan_of(read_idea(page(tmp_path, cross=cross))).reasons
    assert "pan bread is baked whole." in whole
    assert not any("itself is not baked" in one for one in whole)


def test_a_second_recipe_cooked_as_the_first_is_said_so(tmp_path):
    plan = plan_of(read_idea(page(tmp_path, cross='["kind of fat", "leavening"]')))
    (said,) = (one for one in plan.reasons if one.startswith("pan bread itself"))
    assert "cooking too (oven)" in said
    assert 'cross = ["share", "cooking"]' in said


@pytest.mark.parametrize("seed", range(3))
def test_no_bake_of_two_recipes_that_rise_is_left_without_leavening(tmp_path, seed):
    plan = plan_of(read_idea(page(tmp_path, seed=seed)))
    own = {"dry yeast": 7 / 3, "baking powder": 10 / 3}  # of 300 g of flour, in percent
    shares = plan.table[list(own)] / pd.Series(own)
    assert ((shares.max(axis=1) > 0.99) | (shares.min(axis=1) > 0.49)).all()
    assert LIFTED in plan.reasons
    both = plan.table.loc[(shares > 0).all(axis=1), "bake"]
    (said,) = [one for one in plan.reasons if one.startswith("Leavening is crossed as ")]
    assert set(re.findall(r"B\d\d", said)) == set(both)


def test_a_recipe_that_never_rose_may_be_baked_flat(tmp_path):
    folder = page(tmp_path)
    path = folder / "idea.toml"
    path.write_text(path.read_text("utf-8").replace("10 g baking powder, ", ""), "utf-8")
    plan = plan_of(read_idea(folder))
    assert (plan.table["dry yeast"] == 0).any()
    assert plan.excluded == ()
    assert not any("leavening at all" in one or "any leavening" in one for one in plan.reasons)


def test_bakes_that_have_no_leavening_are_named(tmp_path):
    plan = plan_of(read_idea(page(tmp_path, cross='["dry yeast", "kind of fat", "cooking"]')))
    flat = list(plan.table.loc[plan.table["dry yeast"] == 0, "bake"])
    assert flat
    (said,) = (one for one in plan.reasons if "no leavening at all" in one)
    assert re.findall(r"B\d+", said) == flat


def test_where_the_plan_needs_a_bake_without_leavening_it_is_named(tmp_path):
    # All of one, or none of both: without the latter either is there just where the other is not
    more = '\n[[exclude]]\n"dry yeast" = [0.1, 2.3]\n\n[[exclude]]\n"baking powder" = [0.1, 3.3]\n'
    more += '\n[[exclude]]\n"dry yeast" = [2.3, 2.4]\n"baking powder" = [3.3, 3.4]\n'
    plan = plan_of(read_idea(page(tmp_path, more)))
    own = plan.table.set_index("bake")[["dry yeast", "baking powder"]]
    flat = list(own.index[(own == 0).all(axis=1)])
    assert flat
    (said,) = (one for one in plan.reasons if "no leavening at all" in one)
    assert re.findall(r"B\d+", said) == flat


def test_each_leavening_s_own_absence_needs_no_word_where_another_always_lifts(tmp_path, capsys):
    folder = page(tmp_path)
    assert run(["plan", str(folder)]) == 0
    said = capsys.readouterr().out
    assert said.count(LIFTED) == 1
    assert "alone lifts" not in said


def test_a_little_is_better_than_none_where_there_is_no_other_plan(tmp_path):
    # With so little yeast every crossing would need all of the baking powder: none could vary it
    plan = plan_of(read_idea(page(tmp_path, '\n[[exclude]]\n"dry yeast" = [1, 2.4]\n')))
    assert (plan.table[["dry yeast", "baking powder"]].sum(axis=1) > 0).all()
    assert LIFTED in plan.reasons


def test_what_is_crossed_is_shown_in_figures_of_a_kitchen(tmp_path):
    folder = page(tmp_path)
    assert run(["plan", str(folder)]) == 0
    assert run(["sheets", str(folder)]) == 0
    sheets = (folder / "bake-sheets.html").read_text("utf-8")
    assert "2.33 % of flour" in sheets
    assert "2.333" not in sheets
    assert "0 % of flour" not in re.findall(r"\b\d[\d.]* % of flour", sheets)
    assert "none" in sheets
    own = {"bread flour", "oat drink", "onions"}
    found = re.findall(r"(bread flour|oat drink|onions)</.*?>([\d.]+ g)<", sheets, flags=re.S)
    assert {name for name, _ in found} == own
    assert all("." not in grams for _, grams in found)


def test_none_may_be_typed_as_the_sheets_say_it(tmp_path):
    folder = page(tmp_path)
    assert run(["plan", str(folder)]) == 0
    assert run(["sheets", str(folder)]) == 0
    path = folder / "bakes.csv"
    sheet = pd.read_csv(path, dtype=str, keep_default_na=False)
    (at, *_) = sheet.index[sheet["dry yeast"].astype(float) > 0]
    sheet.loc[at, ["status", "actual dry yeast"]] = ["made", "none"]
    sheet.to_csv(path, index=False)
    one = Round.open(folder)
    assert not check(one)
    read = scores(one).drop_duplicates("bake").set_index("bake")["dry yeast"]
    assert read[sheet.loc[at, "bake"]] == 0


@pytest.mark.parametrize(
    ("setting", "shown"),
    [(7 / 3, "2.33 %"), (10.57721, "10.6 %"), (62.25, "62.25 %"), (0.375, "0.375 %"), (0, "0 %")],
)
def test_what_is_typed_stays_and_what_is_computed_is_shortened(setting, shown):
    water = Numeric("water", 0, 80, "%", changes=("percent", "water"))
    assert water.show(setting) == shown
