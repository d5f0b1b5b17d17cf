"""The bake day: one order everywhere, rests told as they are, clock times on the sheets."""

import csv
import html
import re

import pandas as pd
import pytest

from tests.rounds.test_divided_doughs import idea
from trials.core.factors import Categorical, Numeric
from trials.design.layout import lay_out
from trials.doors import demo
from trials.doors.start import planned_round
from trials.rounds import timetable as bake_day
from trials.rounds.kitchen import Heat, Kitchen, Step, clock_minutes
from trials.rounds.timetable import timetable
from trials.show.sheets import write_sheets

REST = """[[steps]]
name = "rest"
minutes = 20

[[steps]]
name = "shape"
"""

needs_solver = pytest.mark.skipif(
    bake_day.cp_model is None, reason="OR-tools is not installed; pip install trials[timetable]"
)


@pytest.fixture(scope="module")
def rested(tmp_path_factory):
    """Doughs that rest once they are divided, eight bakes in the oven and on the griddle."""
    shape = '[[steps]]\nname = "shape"\n'
    return planned_round(idea(tmp_path_factory.mktemp("rested"), shape, REST))


def heated(made, things):
    """Return the bakes in the order in which they go onto any heat."""
    tasks = made.tasks[~made.tasks["step"].str.contains(": ")]
    hot = tasks[tasks["needs"].map(lambda needs: any(one in needs for one in things))]
    return hot.sort_values("start", kind="stable").drop_duplicates("bake")


@pytest.mark.usefixtures("solver")
def test_bakes_go_onto_the_heat_in_the_plan_s_order_whatever_it_is():
    plan = demo.plan()
    made = timetable(plan, demo.STEPS, demo.KITCHEN)
    for day, bakes in plan.table.groupby("day"):
        hot = heated(made, ("oven", "pan"))
        starts = hot[hot["day"] == day].set_index("bake")["start"]
        assert starts[bakes["bake"]].is_monotonic_increasing


@pytest.mark.usefixtures("solver")
def test_a_divided_dough_rests_from_when_it_is_mixed(rested):
    tasks = timetable(rested).tasks.set_index(["bake", "step"])
    for row in rested.plan.table.to_dict("records"):
        mixed = tasks.loc[(f"dough batch {row['dough']}", "weigh and mix"), "end"]
        rest, shaped = (tasks.loc[(row["bake"], step)] for step in ("rest", "shape"))
        assert rest["start"] == mixed
        real = shaped["start"] - mixed
        assert real >= 20
        assert rest["rests for"] == real if real > 20 else pd.isna(rest["rests for"])


@pytest.mark.usefixtures("solver")
def test_a_dough_that_rests_whole_says_how_long_it_really_does():
    fat = Categorical("fat", ["butter", "lard"], hard_to_change="dough")
    cooking = Categorical("cooking", ["oven", "griddle"])
    bakes = pd.DataFrame(
        {
            "fat": ["butter"] * 2 + ["lard"] * 2,
            "cooking": ["oven", "griddle"] * 2,
            "dough": [1, 1, 2, 2],
        }
    )
    plan = lay_out([fat, cooking], bakes, family="two doughs", model="main", seed=1)
    steps = [
        Step("mix", 10, "hands", per="dough"),
        Step("rest", 30, per="dough"),
        Step("shape", 40, "hands"),
        Step("bake", 10, "oven"),
    ]
    tasks = timetable(plan, steps).tasks
    shaped = tasks[tasks["step"] == "shape"].set_index("bake")["start"]
    for dough, own in plan.table.groupby("dough"):
        rest = tasks[(tasks["bake"] == f"dough batch {dough}") & (tasks["step"] == "rest")].iloc[0]
        real = shaped[own["bake"]].min() - rest["start"]
        assert rest["rests for"] == real if real > 30 else pd.isna(rest["rests for"])


@needs_solver
@pytest.mark.parametrize("kitchen", ["demo", "divided"])
def test_small_days_end_alike_with_and_without_the_solver(kitchen, rested, monkeypatch):
    asked = (demo.plan(), demo.STEPS, demo.KITCHEN) if kitchen == "demo" else (rested,)
    with_it = timetable(*asked)
    monkeypatch.setattr(bake_day, "cp_model", None)
    without = timetable(*asked)
    assert with_it.days["finish"].tolist() == without.days["finish"].tolist()
    assert with_it.days["in simple order"].tolist() == without.days["in simple order"].tolist()
    bound = re.compile(r", at the earliest\.| \(not before [\d:]+\)\.")
    for made in (with_it, without):
        for day, said in zip(made.days.to_dict("records"), made.sentences(), strict=True):
            assert ("at the earliest" in said) == (day["finish"] == day["no earlier than"])
    told, again = ([bound.sub("", one) for one in made.sentences()] for made in (with_it, without))
    if kitchen == "demo":
        assert with_it.tasks.equals(without.tasks)
        assert told == again


def test_worked_in_parts_a_day_is_over_sooner_than_down_the_list(monkeypatch):
    monkeypatch.setattr(bake_day, "cp_model", None)
    made = timetable(demo.plan(), demo.STEPS, demo.KITCHEN)
    for day in made.days.to_dict("records"):
        assert clock_minutes(day["finish"]) < clock_minutes(day["in simple order"])
    for thing in ("hands", "oven", "pan"):
        used = made.tasks[made.tasks["needs"].str.contains(thing)].sort_values(["day", "start"])
        for _, own in used.groupby("day"):
            assert (own["start"].iloc[1:].to_numpy() >= own["end"].iloc[:-1].to_numpy()).all()


def test_a_rest_that_the_plan_varies_is_kept_after_a_step_of_its_own():
    rest = Numeric("rest", 20, 40, "min")
    bakes = pd.DataFrame({"rest": [20, 40, 20, 40]})
    plan = lay_out([rest], bakes, family="ends", model="main", seed=1)
    steps = [Step("mix", 10, "hands"), Step("rest", "rest"), Step("fry", 15, ("pan", "hands"))]
    kitchen = Kitchen(things={"hands": 1, "pan": 1}, heats=(Heat("pan"),))
    made = timetable(plan, steps, kitchen)
    assert made.tasks["rests for"].isna().all()
    assert heated(made, ("pan",))["bake"].tolist() == plan.table["bake"].tolist()


def test_the_sheets_show_the_clock_times_of_the_timetable(rested):
    write_sheets(rested)
    with (rested.folder / "timetable.csv").open(encoding="utf-8") as lines:
        table = list(csv.DictReader(lines))
    markup = (rested.folder / "bake-sheets.html").read_text(encoding="utf-8")
    sheets = {}
    for part in markup.split('<section class="sheet">')[1:]:
        text = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", part)).split())
        name = re.match(r"Dough batch \d|B\d+", text)[0]
        sheets[name.replace("Dough", "dough")] = text
    longer = 0
    for row in table:
        if ": " in row["step"] or row["bake"] == "whole day":
            continue
        really = rf" \({row['rests for']}\)" if row["rests for"] else ""
        longer += bool(really)
        said = rf"{re.escape(row['step'])} \d+ min{really} {re.escape(row['from'])}"
        assert re.search(said, sheets[row["bake"]]), (row, sheets[row["bake"]])
    assert longer
    assert "how long it rests here" in markup
