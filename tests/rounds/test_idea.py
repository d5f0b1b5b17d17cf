"""An idea in the baker's words becomes a round, with all that a bake day needs."""

import itertools
import re

import pytest

from trials.base.errors import PlanError, RoundError
from trials.doors.start import planned_round
from trials.rounds.idea import plan_of, read_idea, write_idea
from trials.rounds.kitchen import Batch, Heat
from trials.rounds.timetable import timetable
from trials.show.sheets import write_sheets


@pytest.fixture
def folder(tmp_path):
    return write_idea(tmp_path, "all").parent


def change(folder, old, new):
    path = folder / "idea.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def test_the_page_of_questions_is_itself_an_idea_with_a_day(folder):
    idea = read_idea(folder)
    assert idea.batch == Batch(pieces=30, piece=14)
    assert [step.name for step in idea.steps] == ["mix", "chill", "roll and cut", "bake"]
    assert idea.kitchen.heats == (Heat("oven", "oven", up=10, down=3),)
    assert idea.prices is None


def test_it_goes_all_the_way_to_sheets_and_a_timetable(folder):
    change(folder, "bakes = 16", "bakes = 8")
    change(folder, 'aim = "interactions"', 'aim = "screen"')
    change(folder, "# [prices]", "[prices]")
    change(folder, '# currency = "EUR"', 'currency = "EUR"')
    change(folder, "# per_kilogram", "per_kilogram")
    made = planned_round(folder)
    assert made.prices.currency == "EUR"
    assert timetable(made, effort=0).days["bakes"].sum() == len(made.plan.table)
    names = {path.name for path in write_sheets(made)}
    assert {"timetable.html", "shopping-list.html"} <= names


def test_all_of_the_day_may_be_left_out(folder):
    path = folder / "idea.toml"
    path.write_text(path.read_text("utf-8").split("# From here on")[0], "utf-8")
    idea = read_idea(folder)
    assert (idea.batch, idea.steps, idea.kitchen, idea.prices) == (None, (), None, None)


def test_an_ingredient_of_one_s_own_stands_beside_the_idea(folder):
    change(folder, "molasses = 15", '"acorn syrup" = 15')
    with pytest.raises(RoundError, match=r'"acorn syrup" is not in the ingredient table'):
        read_idea(folder)
    rows = "name,group,water_g,sugar_g,source\nacorn syrup,sugar,30,66,my own pack\n"
    (folder / "ingredients.csv").write_text(rows, "utf-8")
    change(folder, "bakes = 16", "bakes = 8")
    change(folder, 'aim = "interactions"', 'aim = "screen"')
    made = planned_round(folder)
    (folder / "ingredients.csv").unlink()  # the round keeps the row itself
    formulas = type(made).open(folder).formulas
    assert formulas["B01"].table_of_ingredients.source("acorn syrup") == "my own pack"


def test_all_unknown_ingredients_are_named_at_once(folder):
    change(folder, "molasses = 15", '"acorn syrup" = 15\n"birch bark" = 2')
    with pytest.raises(RoundError, match='"acorn syrup" and "birch bark" are not in') as refused:
        read_idea(folder)
    said = str(refused.value)
    assert "ingredients.csv beside idea.toml" in said
    assert "vegetable and water" in said  # the last of the groups
    # The line that is shown, filled in, is a line that is read
    line = re.search(r"acorn syrup,group[a-z,]*", said)[0]
    heads = re.search(r"name,group,water_g[a-z_,]*", said)[0].rstrip(",")
    row = line.replace("group,water,fat,sugar,salt,allergens", "sugar,30,0,66,0,")
    (folder / "ingredients.csv").write_text(f"{heads}\n{row}\n", "utf-8")
    change(folder, '\n"birch bark" = 2', "")
    assert read_idea(folder).formula.table_of_ingredients.find("acorn syrup").sugar == 66


@pytest.mark.parametrize(
    ("days", "loads", "said"),
    [
        ("3", None, "how many oven heats there are. Say it, as in loads = 6."),
        ("2", "4", "as in loads = { load = 4, dough = 4 }."),
        ("2", "{ load = 3, dough = 3 }", "2 days can not share equally"),
    ],
)
def test_loads_are_asked_for_as_the_file_writes_them(folder, days, loads, said):
    change(folder, "bakes = 16", "bakes = 8")
    change(folder, 'aim = "interactions"', 'aim = "screen"')
    change(folder, "days = 2 ", f"days = {days} ")
    change(folder, "# hard_to_change = true     # several", "hard_to_change = true     # several")
    if loads:
        change(folder, "# loads = 4 ", f"loads = {loads} ")
        wet = 'changes = ["total", "hydration"]'
        change(folder, wet, f'{wet}\nhard_to_change = "dough"')
    with pytest.raises(PlanError) as refused:
        planned_round(folder)
    assert said in str(refused.value)
    assert str(refused.value).startswith("idea.toml: ")
    assert "={" not in str(refused.value)
    assert '["' not in str(refused.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('needs = ["oven"]', 'needs = ["stove"]', r'^idea.toml: "bake" needs "stove"'),
        ("minutes = 40", 'minutes = "chilling"', r'^idea.toml: "chill" takes its minutes from'),
        ("piece = 14", "piece = -1", r"^idea.toml: piece is -1"),
        ('# currency = "EUR"', "[prices]\nper_kilogram = {butter = 9}", "prices need a currency"),
        ("pieces = 30", "peices = 30", r'^idea.toml, line \d+: "peices".*"pieces"'),
        ("butter = 50", "butter = -50", r"idea.toml.*butter"),
        ("butter = 50", 'butter = "much"', r"idea.toml.*butter"),
        ("salt = 1\n", "salt = 1\nSALT = 1\n", r"idea.toml.*(SALT|salt)"),
        ('"bread flour" = 80\n"medium rye flour" = 20\n', "", r"idea.toml.*flour"),
    ],
)
def test_what_can_not_be_is_said_with_its_place(folder, old, new, message):
    change(folder, old, new)
    change(folder, "bakes = 16", "bakes = 8")
    change(folder, 'aim = "interactions"', 'aim = "screen"')
    with pytest.raises(RoundError, match=message):
        planned_round(folder)


@pytest.mark.parametrize(
    ("written", "said"),
    [("latter = 4\n", 'is "later" meant'), ('chef = "Ada"\n', "expected name, bakes, days")],
)
def test_a_misspelt_question_is_named(folder, written, said):
    path = folder / "idea.toml"
    path.write_text(written + path.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(RoundError, match=said):
        read_idea(folder)


def test_bakes_can_be_left_for_a_second_round(folder):
    change(folder, "hard_to_change = true", "")
    change(folder, "days = 2 ", "days = 1 ")
    change(folder, "# later = 4 ", "later = 4 ")
    change(folder, "bakes = 16", "bakes = 12")
    plan = plan_of(read_idea(folder))
    assert plan.count() == 12
    assert "the part to bake first of a plan of 16 bakes" in plan.reasons[-1]


@pytest.mark.parametrize(
    ("unit", "low", "high", "heat"),
    [
        ("°C", 165, 185, Heat("oven", "oven", room=20, up=10, down=3)),
        ("°F", 330, 365, Heat("oven", "oven", room=68, up=18, down=5.4)),
    ],
)
def test_an_oven_takes_its_time_to_another_heat_though_nobody_says_so(
    tmp_path, unit, low, high, heat
):
    path = write_idea(tmp_path)
    text = path.read_text("utf-8").replace(
        'low = 165, high = 185, unit = "°C"', f'low = {low}, high = {high}, unit = "{unit}"'
    )
    path.write_text(text, "utf-8")
    (found,) = read_idea(tmp_path).kitchen.heats
    assert found == heat
    # No bake goes in while the oven changes: each step up or down of the day takes its minutes
    made = planned_round(tmp_path)
    baked = timetable(made, effort=0).tasks.query("step == 'bake'").sort_values("start")
    heats = made.plan.table.set_index("bake")["oven"]
    for _, own in baked.groupby("day"):
        rows = own.to_dict("records")
        for one, then in itertools.pairwise(rows):
            change = heats[then["bake"]] - heats[one["bake"]]
            least = change / heat.up if change > 0 else -change / heat.down
            assert then["start"] - one["end"] >= least - 1e-9


def test_what_is_said_of_an_oven_stands(folder):
    (heat,) = read_idea(folder).kitchen.heats
    assert heat == Heat("oven", "oven", up=10, down=3)
    # An oven that nothing sets has no heat to change
    change(folder, 'name = "oven"\nlow = 165\nhigh = 190\nunit = "°C"',
           'name = "rest"\nlow = 165\nhigh = 190\nunit = "min"')  # fmt: skip
    path = folder / "idea.toml"
    text = path.read_text("utf-8")
    begin, end = text.index("[[kitchen.heats]]"), text.index("# What a kilogram")
    path.write_text(text[:begin] + text[end:], "utf-8")
    assert read_idea(folder).kitchen.heats == ()
