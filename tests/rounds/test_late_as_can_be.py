"""Nobody mixes before the heat can take it: what comes before it is done as late as it can be."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rounds.rounds_to_bake import doughnut
from tests.rounds.test_scheduling import CAPACITY, TIMES, bakes, check
from trials.core.factors import Categorical, Numeric
from trials.design.layout import lay_out
from trials.rounds.forms import read_serving
from trials.rounds.kitchen import Heat, Kitchen, Step
from trials.rounds.timetable import as_late, finish_of, list_schedule, timetable
from trials.show.sheets import write_sheets
from trials.show.timetable import timetable_sheet

FLOUR = Categorical("flour", ["spelt", "rye"])
MIX = Step("mix", 15, "hands")
BAKE = Step("bake", 30, "oven")


def plan(count, **columns):
    rows = pd.DataFrame({"flour": (["spelt", "rye"] * count)[:count], **columns})
    return lay_out([FLOUR], rows, family="loaves", model="main", seed=1)


def begins(made, step):
    own = made.tasks[made.tasks["step"] == step]
    return own.sort_values("bake")["from"].tolist()


@pytest.mark.usefixtures("solver")
def test_loaves_of_one_oven_are_mixed_when_it_can_take_them():
    made = timetable(plan(4), [MIX, BAKE])
    assert begins(made, "bake") == ["9:15", "9:45", "10:15", "10:45"]
    assert begins(made, "mix") == ["9:00", "9:30", "10:00", "10:30"]
    assert made.days["finish"].tolist() == ["11:15"]
    assert "wait" not in made.sentences()[0]


@pytest.mark.usefixtures("solver")
def test_all_that_comes_before_the_oven_is_late_and_rests_are_kept():
    steps = [Step("mix", 10, "hands"), Step("rest", 20), Step("shape", 10, "hands"),
             Step("bake", 40, "oven")]  # fmt: skip
    made = timetable(plan(3), steps)
    assert begins(made, "bake") == ["9:40", "10:20", "11:00"]
    assert begins(made, "shape") == ["9:30", "10:10", "10:50"]
    assert begins(made, "rest") == ["9:10", "9:50", "10:30"]
    assert begins(made, "mix") == ["9:00", "9:40", "10:20"]
    assert made.tasks["rests for"].isna().all()


@pytest.mark.usefixtures("solver")
def test_who_must_still_wait_is_said_in_minutes(tmp_path):
    """The icing holds the hands for 20 of each 30 minutes, so two are mixed during the first bake.

    Between icings 10 minutes are left, and mixing takes 15: B02 and B03 share 9:15 to 9:45.
    """
    steps = [MIX, Step("bake", 30, "oven", wait=0), Step("ice", 20, "hands")]
    made = timetable(plan(3), steps)
    assert begins(made, "bake") == ["9:15", "9:45", "10:15"]
    assert begins(made, "mix") == ["9:00", "9:15", "9:30"]
    told = 'Not all of them wait alike before "bake": B02 15 min and B03 30 min.'
    assert told in made.sentences()[0]
    round_ = doughnut(tmp_path, plan=plan(3), steps=steps, formula=None)
    assert "B02 15 min and B03 30 min." in timetable_sheet(round_)


@pytest.mark.usefixtures("solver")
@pytest.mark.parametrize(("back", "baked", "told"), [(5, "10:05", False), (6, "10:06", True)])
def test_waits_that_are_nearly_alike_are_not_told(back, baked, told):
    """The oven is hot at 9:30 and comes back while B01 is iced: B02 is mixed before that."""
    steps = [MIX, Step("bake", 30, "oven", wait=0), Step("ice", 20, "hands")]
    kitchen = Kitchen(heats=(Heat("oven", setting=200, up=6, between_bakes=back),))
    made = timetable(plan(2), steps, kitchen)
    assert begins(made, "bake") == ["9:30", baked]
    assert begins(made, "mix") == ["9:15", "9:45"]
    assert (f'before "bake": B02 {back} min.' in made.sentences()[0]) == told
    assert ("wait" in made.sentences()[0]) == told


@pytest.mark.usefixtures("solver")
def test_mixing_comes_nearer_to_the_oven_than_weighing():
    """Hands are free for 30 minutes of the first bake, and for 10 between two icings.

    B02 is mixed right before its bake at 9:45, so B03 is weighed before that.
    """
    steps = [Step("weigh", 5, "hands"), Step("mix", 10, "hands"),
             Step("bake", 30, "oven", wait=0), Step("ice", 20, "hands")]  # fmt: skip
    made = timetable(plan(3), steps)
    assert begins(made, "bake") == ["9:15", "9:45", "10:15"]
    assert begins(made, "mix") == ["9:05", "9:35", "10:05"]
    assert begins(made, "weigh") == ["9:00", "9:25", "9:30"]
    # B03's flour stands for 30 minutes, which harms nobody
    assert "wait" not in made.sentences()[0]


@pytest.mark.usefixtures("solver")
def test_a_dough_that_is_divided_is_mixed_for_the_first_that_needs_it():
    """The oven is hot at 10:00: 180 degrees at 3 a minute; it takes 3 minutes after a bake."""
    water = Numeric("hydration", 60, 70, "%", hard_to_change="dough",
                    changes=("total", "hydration"))  # fmt: skip
    rows = pd.DataFrame({"hydration": [60.0] * 2, "flour": ["spelt", "rye"], "dough": [1, 1]})
    divided = lay_out([water, FLOUR], rows, family="one", model=["flour"], seed=1)
    steps = [Step("weigh", 10, "hands", per="day"), Step("mix", 20, "hands", per="dough"),
             Step("shape", 10, "hands"), BAKE]  # fmt: skip
    kitchen = Kitchen(heats=(Heat("oven", setting=200, up=3),))
    made = timetable(divided, steps, kitchen)
    assert begins(made, "bake") == ["10:00", "10:33"]
    assert begins(made, "shape") == ["9:50", "10:23"]
    assert begins(made, "mix") == ["9:30"]
    assert begins(made, "weigh") == ["9:20"]
    # The dough is mixed at 9:50
    assert 'Not all of them wait alike before "shape": B02 33 min.' in made.sentences()[0]


@pytest.mark.usefixtures("solver")
def test_what_may_wait_only_so_long_is_not_moved_apart_from_the_heat():
    steps = [Step("scald", 10, "hands"), Step("mix", 15, "hands", wait=5), BAKE]
    made = timetable(plan(3), steps)
    assert begins(made, "bake") == ["9:25", "9:55", "10:25"]
    tasks = made.tasks.set_index(["bake", "step"])
    for bake in ("B01", "B02", "B03"):
        assert 0 <= tasks.loc[(bake, "bake"), "waited"] <= 5
        assert tasks.loc[(bake, "scald"), "end"] == tasks.loc[(bake, "mix"), "start"]


@settings(max_examples=60, deadline=None)
@given(times=TIMES, setup=st.integers(0, 8))
def test_as_late_as_can_be_is_no_longer_can_be_worked_and_not_a_minute_later(times, setup):
    chains = bakes(times, wait=None, setup=setup)
    listed = list_schedule(chains, CAPACITY)
    late = as_late(chains, CAPACITY, listed)
    check(chains, late)
    assert finish_of(chains, late) == finish_of(chains, listed)
    stood, stands = (
        sum(
            (own[2] - own[0] - mix - rest) ** 2
            for own, (mix, rest, _) in zip(day, times, strict=True)
        )
        for day in (listed, late)
    )
    assert stands <= stood
    for (mix, rest, _), before, own in zip(times, listed, late, strict=True):
        assert own[2] == before[2]
        assert own[1] == own[2] - rest
        later = own[0] + 1
        if later + mix <= own[1]:
            moved = [(later, *one[1:]) if one is own else one for one in late]
            with pytest.raises(AssertionError):
                check(chains, moved)


def test_sittings_have_the_numbers_of_the_servings_on_every_day(tmp_path):
    """Bites keep an hour, a bake takes 45 minutes: each day has two sittings, 1 to 4 in all."""
    steps = [MIX, Step("bake", 45, "oven"), Step("cool", 60)]
    two_days = plan(8, day=[1] * 4 + [2] * 4)
    kitchen = Kitchen(fresh=60)
    unserved = " ".join(timetable(two_days, steps, kitchen).sentences())
    for number, pair in enumerate(("B01 and B02", "B03 and B04", "B05 and B06", "B07 and B08"), 1):
        assert f"sitting {number} ({pair})" in unserved
    round_ = doughnut(tmp_path, plan=two_days, steps=steps, kitchen=kitchen, formula=None)
    write_sheets(round_)
    serving = read_serving(round_)
    said = timetable(round_).sentences()
    for day, sentence in zip((1, 2), said, strict=True):
        baked = two_days.table.loc[two_days.table["day"] == day, "bake"]
        own = serving[serving["bake"].isin(baked)]
        for number, served in own.groupby("sitting"):
            pair = " and ".join(sorted(served["bake"].unique()))
            assert f"sitting {number} ({pair})" in sentence


def test_a_part_of_a_day_served_at_two_sittings_names_both(tmp_path):
    """Two bites a sitting, and three bakes that keep until 11:35; then the fourth is ready."""
    steps = [MIX, Step("bake", 20, "oven"), Step("cool", 60)]
    asked = {"steps": steps, "kitchen": Kitchen(fresh=60), "sitting": 2}
    round_ = doughnut(tmp_path, plan=plan(4), formula=None, **asked)
    write_sheets(round_)
    serving = read_serving(round_)
    first = sorted({int(one) for one in serving.loc[serving["bake"] != "B04", "sitting"]})
    last = sorted({int(one) for one in serving.loc[serving["bake"] == "B04", "sitting"]})
    said = timetable(round_).sentences()[0]
    assert len(first) == 2
    assert "Taste in 3 sittings" in said
    assert f"sittings {first[0]} and {first[1]} (B01, B02 and B03)" in said
    assert f"sitting {last[0]} (B04)" in said
