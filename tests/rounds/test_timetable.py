"""A bake day hour by hour."""

from dataclasses import replace

import pandas as pd
import pytest

from tests.rounds.rounds_to_bake import KITCHEN, STEPS, doughnut, doughnut_plan
from trials.base.errors import RoundError
from trials.core.factors import Categorical, Numeric
from trials.design.layout import lay_out
from trials.rounds.kitchen import Heat, Kitchen, Step, clock, clock_minutes
from trials.rounds.timetable import timetable
from trials.show.bake_sheets import bake_sheets


@pytest.fixture(scope="module")
def made():
    return timetable(doughnut_plan(), STEPS, KITCHEN, effort=0.5)


def test_every_bake_has_every_step_and_its_own_proof(made):
    plan = doughnut_plan()
    for row in plan.table.to_dict("records"):
        own = made.tasks[made.tasks["bake"] == row["bake"]].set_index("step")
        assert {step.name for step in STEPS if step.per == "bake"} <= set(own.index)
        proof = own.loc["proof"]
        assert proof["end"] - proof["start"] == row["proof"]
        wait = own.loc["shape and fry", "start"] - proof["end"]
        assert 0 <= wait <= 5


def test_the_pot_keeps_the_order_that_the_plan_drew(made):
    for day, bakes in doughnut_plan().table.groupby("day"):
        fried = made.tasks[(made.tasks["day"] == day) & (made.tasks["step"] == "shape and fry")]
        assert list(fried.sort_values("start")["bake"]) == list(bakes["bake"])


def test_the_day_s_own_work_comes_before_any_bake(made):
    for _, tasks in made.tasks.groupby("day"):
        own = tasks[tasks["bake"] == "whole day"]
        assert len(own) == 1
        mixing = tasks[tasks["step"] == "mix the batter"]
        assert own["end"].iloc[0] <= mixing["start"].min()


def test_oil_is_heated_cooled_and_given_time_to_recover(made):
    heating = made.tasks[made.tasks["step"].str.startswith("pot: ")]
    words = set(heating["step"].str.extract(r"pot: (\w+)")[0])
    assert {"heat", "back"} <= words
    # From 20 to 165 °C at 6 °C a minute: 145 / 6 = 24.2, so 25 minutes; to 180: 26.7, so 27
    first = heating.groupby("day").first()
    minutes = (first["end"] - first["start"]).to_numpy()
    hot = first["step"].str.contains("180").to_numpy()
    middle = first["step"].str.contains("172").to_numpy()
    expected = [27 if one else 26 if two else 25 for one, two in zip(hot, middle, strict=True)]
    assert list(minutes) == expected


def test_never_later_than_the_list_and_the_gap_is_told(made):
    for day in made.days.to_dict("records"):
        assert clock_minutes(day["finish"]) <= clock_minutes(day["in simple order"])
        told = clock_minutes(day["finish"]) - clock_minutes(day["no earlier than"])
        assert day["minutes to gain"] == told >= 0


def test_the_last_safe_tasting_follows_from_when_each_bake_was_ready(made):
    for day in made.days.to_dict("records"):
        ready = made.ready[made.ready["day"] == day["day"]]
        last = ready["ready"].map(clock_minutes).max()
        tasks = made.tasks[made.tasks["day"] == day["day"]]
        fried = tasks.loc[tasks["step"] == "shape and fry", "end"].min()
        assert clock_minutes(day["taste from"]) == last
        assert clock_minutes(day["taste until"]) == fried + 120
        assert day["together"] == (last <= fried + 120)


def test_a_day_that_does_not_fit_says_how_many_bakes_would():
    short = Kitchen(heats=KITCHEN.heats, until="12:00")
    made = timetable(doughnut_plan(), STEPS, short, effort=0)
    day = made.days.iloc[0]
    assert not day["fits"]
    assert 0 < day["would fit"] < day["bakes"]
    assert f"the first {day['would fit']} bakes would fit" in made.sentences()[0]
    for count, fits in ((day["would fit"], True), (day["would fit"] + 1, False)):
        plan = doughnut_plan()
        fewer = replace(plan, rows=plan.rows.head(int(count)))
        assert timetable(fewer, STEPS, short, effort=0).days["fits"].iloc[0] == fits


@pytest.mark.parametrize(
    ("until", "told"),
    [
        ("9:40", "Day 1: 2 bakes, 9:00 to 10:20"),
        ("9:40", "the first bake would fit; move the rest"),
        ("9:30", "no bake would fit; start earlier."),
    ],
)
def test_one_bake_and_none_are_told_as_such(until, told):
    flour = Categorical("flour", ["spelt", "rye"])
    plan = lay_out(
        [flour], pd.DataFrame({"flour": ["spelt", "rye"]}), family="two", model="main", seed=1
    )
    steps = [Step("bake", 40, "oven")]
    assert told in timetable(plan, steps, Kitchen(until=until)).sentences()[0]
    alone = replace(plan, rows=plan.rows.head(1))
    assert timetable(alone, steps).sentences()[0].startswith("Day 1: 1 bake, 9:00 to 9:40,")


def test_cooling_is_slower_than_heating():
    oil = Heat("pot", up=6, down=1.5)
    assert oil.minutes(180, 165) == 10  # 15 °C at 1.5 a minute
    assert oil.minutes(165, 180) == 3  # 15 °C at 6 a minute: 2.5, whole minutes
    assert oil.minutes(165, 165) == 0


def test_work_per_load_is_done_once_for_all_its_bakes():
    steps = (Step("mix the load's dough", 15, "hands", per="load"), *STEPS[1:])
    made = timetable(doughnut_plan(), steps, KITCHEN, effort=0)
    mixed = made.tasks[made.tasks["step"] == "mix the load's dough"]
    assert list(mixed["bake"].sort_values()) == [
        "oil fill 1",
        "oil fill 2",
        "oil fill 3",
        "oil fill 4",
    ]
    assert not set(made.ready["bake"]) & set(mixed["bake"])


def test_a_baked_pair_on_one_oven_keeps_its_order_without_named_heat():
    rest = Numeric("rest", 20, 60, "min")
    bakes = pd.DataFrame({"rest": [20, 60, 20, 60]})
    plan = lay_out([rest], bakes, family="twice", model="main", seed=5)
    steps = [Step("mix", 10, "hands"), Step("rest", "rest", wait=0), Step("bake", 12, "oven")]
    tasks = timetable(plan, steps).tasks
    baked = tasks[tasks["step"] == "bake"].sort_values("start")
    assert list(baked["bake"]) == list(plan.table["bake"])


def test_a_laminated_day_on_one_oven_rests_between_folds_and_cools_the_oven():
    oven = Numeric("oven", 190, 215, "°C", hard_to_change=True)
    bakes = pd.DataFrame({"oven": [190, 190, 215, 215], "load": [1, 1, 2, 2]})
    plan = lay_out([oven], bakes, family="two heats", model="main", seed=2)
    steps = [
        Step("mix", 15, "hands", per="load"),
        Step("fold", 8, "hands"),
        Step("rest cold", 30),
        Step("fold again", 8, "hands"),
        Step("rest cold again", 30),
        Step("shape", 12, "hands", wait=120),
        Step("bake", 18, "oven"),
    ]
    kitchen = Kitchen(heats=(Heat("oven", "oven", up=10, down=2.5, between_bakes=4),))
    made = timetable(plan, steps, kitchen, effort=0.5)
    baked = made.tasks[made.tasks["step"] == "bake"].sort_values("start")
    assert list(baked["bake"]) == list(plan.table["bake"])
    first, second = plan.table["oven"].iloc[[0, -1]]
    # 25 °C at 10 a minute up is 2.5 and so no more than the 4 of recovery; down at 2.5 it is 10
    between = 4 if second > first else 10
    ends, starts = baked["end"].to_numpy(), baked["start"].to_numpy()
    assert starts[2] - ends[1] >= between
    assert all(starts[1:] - ends[:-1] >= 4)
    assert made.days["minutes to gain"].iloc[0] == 0


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        ([], "no step is named"),
        ([Step("fry", 5, "wok")], '"fry" needs "wok".*it has hands, pot or oven'),
        ([Step("rest", "resting")], 'minutes from "resting", which is no factor'),
        ([Step("mix", 5, "hands", per="week")], 'per "week"; expected bake, day or load'),
        ([Step("a", 5), Step("b", 5, per="day")], "before the steps of a bake"),
        ([Step("a", 5, per="day")], "no step is done per bake"),
    ],
)
def test_steps_that_can_not_be_done_are_refused(steps, message):
    with pytest.raises(RoundError, match=message):
        timetable(doughnut_plan(), steps, effort=0)


def test_kitchens_that_can_not_be_are_refused():
    with pytest.raises(RoundError, match="no factor"):
        timetable(doughnut_plan(), STEPS, Kitchen(heats=(Heat("pot", "oven heat"),)), effort=0)
    with pytest.raises(RoundError, match="say when it ends"):
        timetable(doughnut_plan(), STEPS, Kitchen(until="8:00"), effort=0)
    with pytest.raises(RoundError, match="degrees a minute above 0"):
        Heat("pot", up=0)
    with pytest.raises(RoundError, match="takes -5 minutes"):
        Step("mix", -5)


@pytest.mark.parametrize("text", ["9", "25:00", "9:60", "9:5", "nine", "-1:30"])
def test_what_is_no_time_is_refused(text):
    with pytest.raises(RoundError, match="is not a time"):
        clock_minutes(text)


def test_clocks_read_back():
    assert [clock_minutes(clock(minutes)) for minutes in (0, 65, 1439)] == [0, 65, 1439]


def test_a_step_that_exists_only_for_some_bakes_is_left_out_of_the_others(tmp_path):
    method = Categorical("method", ["fried", "baked"])
    frying = Numeric("frying time", 4, 8, "min", only_when=("method", ["fried"]))
    heat = Numeric("oil temperature", 165, 180, "°C", only_when=("method", ["fried"]))
    bakes = pd.DataFrame(
        {
            "method": ["fried", "baked", "fried", "baked"],
            "frying time": [4, "", 8, ""],
            "oil temperature": [165, "", 180, ""],
        }
    )
    plan = lay_out([method, frying, heat], bakes, family="nested", model="main", seed=1)
    steps = [Step("mix", 10, "hands"), Step("fry", "frying time", "pot"), Step("cool", 10)]
    kitchen = Kitchen(heats=(Heat("pot", "oil temperature"),))
    made = doughnut(tmp_path, plan=plan, steps=steps, kitchen=kitchen)
    tasks = timetable(made, effort=0).tasks
    for row in plan.table.to_dict("records"):
        own = set(tasks.loc[tasks["bake"] == row["bake"], "step"])
        assert ("fry" in own) == (row["method"] == "fried")
        assert any(step.startswith("pot: ") for step in own) == (row["method"] == "fried")
    markup = bake_sheets(made)
    assert markup.count("<td>fry</td>") == 2
    # A baked piece has no frying temperature: no line, no hot oil
    assert "–</td>" not in markup
    assert markup.count("<td>oil temperature</td>") == markup.count("<td>frying time</td>") == 2
