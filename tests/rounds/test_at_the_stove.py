"""Nobody leaves hot oil: it has a pair of hands from switching it on to the last piece.

The rule is that of the fire offices (stay with it, off before leaving). Whether the oil is hot when
the frying begins is worked out here minute by minute, from the degrees that the kitchen says.
"""

import re
import tomllib

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.base.errors import RoundError
from trials.base.words import in_words
from trials.core.factors import Categorical, Numeric
from trials.design.layout import lay_out
from trials.design.propose import in_short
from trials.doors import demo, large_demo
from trials.doors.cli import run
from trials.doors.start import planned_round
from trials.rounds.kitchen import Heat, Kitchen, Step, kitchen_from
from trials.rounds.questions import CROSS
from trials.rounds.stove import is_preheating, is_tended
from trials.rounds.timetable import timetable
from trials.show.timetable import timetable_sheet


def check_stays(made, thing, hands):
    """Assert that somebody is there whenever it is on, and nobody does two things at once."""
    for _, tasks in made.tasks.groupby("day"):
        there = tasks[tasks["needs"].str.contains("hands")]
        for minute in range(int(tasks["start"].min()), int(tasks["end"].max())):
            now = there[(there["start"] <= minute) & (minute < there["end"])]
            assert len(now) <= hands, (minute, now)
        hot = tasks[tasks["needs"].str.contains(thing)].sort_values("start")
        assert len(hot)
        assert hot["needs"].str.contains("hands").all()
        heats = hot["step"].str.startswith(f"{thing}: ")
        assert heats.any()
        for _, own in hot.groupby("bake"):
            on, fried = own[heats[own.index]], own[~heats[own.index]]
            # Nobody leaves it between its heating, or a use, and the next use
            assert set(fried["start"]) <= {*on["end"], *fried["end"]}
            # What one cook heats before mixing is off meanwhile, and brought back
            off = on[~on["end"].isin(fried["start"])]
            assert len(off) <= 1
            assert off["step"].str.startswith(f"{thing}: heat to ").all()
            assert off.empty or on["step"].str.startswith(f"{thing}: back to ").any()


def check_hot(made, thing, heat, setting):
    """Assert that frying begins no colder than it should: on while somebody stays, else off."""
    for _, tasks in made.tasks.groupby("day"):
        on = tasks[tasks["step"].str.startswith(f"{thing}: ")]
        fried = tasks[tasks["needs"].str.contains(thing) & ~tasks["step"].str.contains(": ")]
        degrees = heat.room
        for minute in range(int(tasks["start"].min()), int(tasks["end"].max())):
            if (fried["start"] == minute).any():
                assert degrees >= setting - 1e-6, minute
            if ((on["start"] <= minute) & (minute < on["end"])).any():
                degrees = min(setting, degrees + heat.up)
            elif ((fried["start"] <= minute) & (minute < fried["end"])).any():
                degrees = setting
            else:
                degrees = max(heat.room, degrees - heat.down)


@pytest.mark.usefixtures("solver")
def test_the_only_cook_of_the_demo_never_leaves_the_pan():
    made = timetable(demo.plan(), demo.STEPS, demo.KITCHEN)
    check_stays(made, "pan", 1)
    check_hot(made, "pan", demo.KITCHEN.heats[0], 175)
    for said in made.sentences():
        assert "Nobody leaves the pan while it is on" in said
        assert "These times leave none" not in said
        assert "switch it off before you turn to anything else" in said
    # An oven is closed: it heats while the cook mixes
    ovens = made.tasks[made.tasks["step"].str.startswith("oven: ")]
    assert set(ovens["needs"]) == {"oven"}


@pytest.mark.usefixtures("solver")
def test_of_two_people_one_stays_and_the_other_mixes():
    made = timetable(large_demo.plan(), large_demo.STEPS, large_demo.KITCHEN, effort=0.2)
    check_stays(made, "pot", 2)
    heating = made.tasks[made.tasks["step"].str.startswith("pot: ")]
    mixing = made.tasks[made.tasks["step"] == "mix the batter"]
    both = [
        one
        for one in heating.to_dict("records")
        for other in mixing[mixing["day"] == one["day"]].to_dict("records")
        if one["start"] < other["end"] and other["start"] < one["end"]
    ]
    assert both


def rested(rests):
    rest = Numeric("rest", 5, 60, "min")
    bakes = pd.DataFrame({"rest": [float(one) for one in rests]})
    return lay_out([rest], bakes, family="ends", model="main", seed=1)


def fried(rests, steps, kitchen, **asked):
    return timetable(rested(rests), steps, kitchen, **asked)


STEPS = [
    Step("mix", 10, "hands"),
    Step("rest", 15),
    Step("fry", 8, "pan"),
    Step("weigh", 3, "hands"),
]


@settings(max_examples=10, deadline=None)
@given(
    mix=st.integers(1, 20),
    fry=st.integers(1, 20),
    up=st.sampled_from([4.0, 6.0, 25.0]),
    down=st.sampled_from([0.5, 1.5, 8.0]),
    effort=st.sampled_from([0, 0.1]),
)
def test_oil_is_hot_when_the_frying_begins_and_somebody_is_there(mix, fry, up, down, effort):
    heat = Heat("pan", setting=175, up=up, down=down)
    kitchen = Kitchen({"hands": 1, "pan": 1}, (heat,), until="23:00")
    steps = [Step("mix", mix, "hands"), Step("fry", fry, "pan"), Step("weigh", 3, "hands")]
    made = fried([20, 40, 60], steps, kitchen, effort=effort)
    check_stays(made, "pan", 1)
    check_hot(made, "pan", heat, 175)


@pytest.mark.usefixtures("solver")
def test_frying_takes_hands_where_its_step_forgets_them():
    made = fried([20, 40], STEPS, Kitchen({"hands": 1, "pan": 1}, (Heat("pan"),)))
    assert set(made.tasks.loc[made.tasks["step"] == "fry", "needs"]) == {"pan and hands"}
    check_stays(made, "pan", 1)


@pytest.mark.usefixtures("solver")
@pytest.mark.parametrize("effort", [0, 0.1])
def test_what_was_heated_before_mixing_comes_back_however_fast_it_cools(effort):
    """After 30 minutes at 8 degrees a minute: 240 / (8 + 6) = 17.1, so 18 of the rest's 20."""
    heat = Heat("pan", down=8)
    steps = [Step("mix", 10, "hands", wait=0), Step("rest", "rest"), Step("fry", 8, "pan")]
    made = fried([20, 20], steps, Kitchen({"hands": 1, "pan": 1}, (heat,)), effort=effort)
    check_stays(made, "pan", 1)
    check_hot(made, "pan", heat, 180)
    back = made.tasks[made.tasks["step"] == "pan: back to 180°"]
    assert (back["end"] - back["start"]).tolist() == [18, 18]


TWO_HEATS = {"hands": 1, "pan": 1, "griddle": 1}


@pytest.mark.usefixtures("solver")
def test_each_of_two_heats_has_the_rest_before_it():
    """The pan takes 27 minutes from cold and has 20: it alone is heated before the mixing."""
    steps = [Step("mix", 10, "hands"), Step("rest", "rest"), Step("fry", 8, "pan", wait=0),
             Step("settle", 30, wait=0), Step("brown", 8, "griddle")]  # fmt: skip
    kitchen = Kitchen(TWO_HEATS, (Heat("pan"), Heat("griddle")))
    made = fried([20, 20], steps, kitchen)
    for thing in ("pan", "griddle"):
        check_stays(made, thing, 1)
        check_hot(made, thing, Heat(thing), 180)
    first = made.tasks[made.tasks["bake"] == "B01"].set_index("step")
    assert first.loc["pan: heat to 180°", "end"] <= first.loc["mix", "start"]
    assert first.loc["griddle: heat to 180°", "start"] >= first.loc["fry", "end"]


def test_a_second_heat_before_the_mixing_leaves_the_first_where_it_was():
    """The griddle has 10 minutes, and cools for 90: a rest of 60, two times 10, and 8 at the pan.

    It is back after 88 * 0.5 / 6.5 = 6.8 minutes; the pan is heated from cold in the rest.
    """
    steps = [Step("mix", 10, "hands"), Step("rest", "rest"), Step("fry", 8, "pan", wait=0),
             Step("settle", 10, wait=0), Step("brown", 8, "griddle")]  # fmt: skip
    heats = Heat("pan"), Heat("griddle", down=0.5)
    made = fried([60], steps, Kitchen(TWO_HEATS, heats), effort=0)
    for heat in heats:
        check_stays(made, heat.thing, 1)
        check_hot(made, heat.thing, heat, 180)
    tasks = made.tasks.set_index("step")
    minutes = tasks["end"] - tasks["start"]
    assert minutes["griddle: heat to 180°"] == minutes["pan: heat to 180°"] == 27
    assert tasks.loc["griddle: heat to 180°", "end"] <= tasks.loc["mix", "start"]
    assert minutes["griddle: back to 180°"] == 7


def test_what_is_used_twice_cools_only_in_between():
    """The pan is off for 7 minutes at most, and back after 7 * 4 / 8 = 3.5 of them."""
    steps = [Step("mix", 10, "hands"), Step("rest", "rest"), Step("fry", 8, "pan", wait=0),
             Step("settle", 7, wait=0), Step("fry again", 8, "pan")]  # fmt: skip
    heat = Heat("pan", up=4, down=4)
    made = fried([60], steps, Kitchen({"hands": 1, "pan": 1}, (heat,)), effort=0)
    check_hot(made, "pan", heat, 180)


def test_what_cools_too_far_since_the_bake_before_is_refused_with_its_minutes():
    """B02 has 10 minutes; since B01 the pan cooled for 20 at 8 degrees, and 160 / 14 = 11.4."""
    kitchen = Kitchen({"hands": 1, "pan": 1}, (Heat("pan", down=8),))
    steps = [Step("mix", 10, "hands"), Step("rest", "rest"), Step("fry", 8, "pan")]
    with pytest.raises(RoundError) as refused:
        fried([60, 10], steps, kitchen)
    said = str(refused.value)
    assert 'bake B02: "fry" comes 10 min after "mix"' in said
    assert "heating takes 12 min" in said


def test_two_heats_at_once_are_more_than_two_cooks_can_stay_with():
    """One mixes, one heats the pan, and the griddle must be on 19 minutes before the frying."""
    steps = [Step("mix", 10, "hands", wait=0), Step("fry", 8, "pan", wait=0),
             Step("brown", 8, "griddle")]  # fmt: skip
    heats = Heat("pan"), Heat("griddle")
    with pytest.raises(RoundError, match=r'B01: "brown" .*27 min.*2 pairs of hands.*hands = 3'):
        fried([20], steps, Kitchen(TWO_HEATS | {"hands": 2}, heats))
    made = fried([20], steps, Kitchen(TWO_HEATS | {"hands": 3}, heats))
    for thing in ("pan", "griddle"):
        check_stays(made, thing, 3)


@pytest.mark.usefixtures("solver")
def test_an_order_in_which_oil_would_cool_too_far_is_not_taken():
    """The day that works down the list can be worked, and other orders are only better or none."""
    steps = [Step("mix", 20, "hands"), Step("rest", "rest"), Step("fry", 8, "pan"),
             Step("weigh", 12, "hands")]  # fmt: skip
    heat = Heat("pan")
    made = fried([20, 12, 10], steps, Kitchen({"hands": 1, "pan": 1}, (heat,)))
    check_stays(made, "pan", 1)
    check_hot(made, "pan", heat, 180)


@pytest.mark.usefixtures("solver")
@pytest.mark.parametrize("effort", [0, 0.1])
def test_where_the_list_lets_oil_cool_too_far_all_is_prepared_before_and_weighed_after(effort):
    """One bake rests for 10 minutes only, and a minute off takes 1.5 / 7.5 of one to come back.

    Down the list it is off for 10 of weighing, 15 of preparing, 20 of mixing and 10 of rest: 11
    minutes. Prepared before and weighed after, for the 20 and 10: 6.
    """
    steps = [Step("prepare", 15, "hands"), Step("mix", 20, "hands"), Step("rest", "rest"),
             Step("fry", 8, "pan"), Step("weigh", 10, "hands")]  # fmt: skip
    heat = Heat("pan")
    made = fried([20, 20, 10], steps, Kitchen({"hands": 1, "pan": 1}, (heat,)), effort=effort)
    check_stays(made, "pan", 1)
    check_hot(made, "pan", heat, 180)
    frying = made.tasks[made.tasks["step"] == "fry"].sort_values("start")
    assert frying["bake"].tolist() == ["B01", "B02", "B03"]
    # No sentence can say when a list would end that can not be worked
    assert made.days["in simple order"].tolist() == made.days["finish"].tolist()


@pytest.mark.usefixtures("solver")
def test_one_cook_heats_before_mixing_where_the_rest_is_shorter_than_the_heating():
    steps = [Step("mix", 10, "hands"), Step("rest", "rest"), Step("fry", 8, "pan")]
    heat = Heat("pan")  # 27 min from cold, longer than the rest of 20
    made = fried([20, 40, 20], steps, Kitchen({"hands": 1, "pan": 1}, (heat,)))
    check_hot(made, "pan", heat, 180)
    tasks = made.tasks.set_index(["bake", "step"])
    assert tasks.loc[("B01", "pan: heat to 180°"), "end"] <= tasks.loc[("B01", "mix"), "start"]
    for row in rested([20, 40, 20]).table.to_dict("records"):
        bake, rest = row["bake"], row["rest"]
        assert tasks.loc[(bake, "fry"), "start"] - tasks.loc[(bake, "mix"), "end"] == rest
        assert pd.isna(tasks.loc[(bake, "rest"), "rests for"])


def test_what_one_cook_can_not_do_is_refused_with_what_to_mend():
    steps = [Step("mix", 10, "hands", wait=0), Step("fry", 8, "pan")]
    kitchen = Kitchen({"hands": 1, "pan": 1}, (Heat("pan"),))
    with pytest.raises(RoundError, match=r'"fry" comes 0 min after "mix".*hands = 2'):
        fried([20, 40], steps, kitchen)
    two = Kitchen({"hands": 2, "pan": 1}, (Heat("pan"),))
    check_stays(fried([20, 40], steps, two), "pan", 2)


@pytest.mark.usefixtures("solver")
@pytest.mark.parametrize("per", ["bake", "day"])
def test_a_step_that_heats_the_oil_ends_when_the_frying_begins(per):
    heat = Step("heat the oil", 12, "pot", per=per)
    steps = [heat, *STEPS[:2], Step("fry", 8, "pot")]
    made = fried([20, 40, 60], steps, Kitchen({"hands": 1, "pot": 1}))
    heating = made.tasks[made.tasks["step"] == "heat the oil"]
    assert len(heating) == (3 if per == "bake" else 1)
    frying = made.tasks[made.tasks["step"] == "fry"].set_index("bake")["start"]
    for row in heating.to_dict("records"):
        assert row["end"] == frying[row["bake"]]
        assert row["end"] - row["start"] == 12
        assert "hands" in row["needs"]
    assert "Nobody leaves the pot while it is on" in made.sentences()[0]


DAILY = [
    Step("heat the oil", 12, "pot", per="day"),
    Step("mix", 10, "hands"),
    Step("rest", "rest"),
    Step("fry", 8, "pot"),
]


@pytest.mark.usefixtures("solver")
@pytest.mark.parametrize("hands", [1, 2])
def test_oil_that_is_heated_once_and_left_is_told(hands):
    """Only the first bake is fried in what was just heated; the others come later."""
    made = fried([20, 20, 60], DAILY, Kitchen({"hands": hands, "pot": 1}))
    frying = made.tasks[made.tasks["step"] == "fry"].sort_values("start")
    left = frying["bake"][frying["start"].to_numpy() > frying["end"].shift().to_numpy()]
    assert len(left)
    said = made.sentences()[0]
    assert f"Before {in_words(left)} these times hold nobody to the pot" in said
    assert "take it off the heat, and heat it again" in said
    assert "These times leave none" not in said


def test_oil_that_is_never_left_is_told_no_more_than_that():
    """B02 is fried the minute in which B01 is out: both rest while the oil is heated."""
    steps = [*DAILY[:1], Step("fry", 8, "pot")]
    made = fried([20, 20], steps, Kitchen({"hands": 1, "pot": 1}))
    frying = made.tasks[made.tasks["step"] == "fry"]
    assert frying["start"].iloc[1] == frying["end"].iloc[0]
    assert "heat it again" not in made.sentences()[0]


def test_oil_with_its_degrees_is_heated_again_and_nothing_is_left_to_say():
    heat = Heat("pot")
    made = fried([20, 20, 60], DAILY, Kitchen({"hands": 1, "pot": 1}, (heat,)))
    again = made.tasks["step"].str.startswith("pot: back to")
    assert set(made.tasks.loc[again, "bake"]) >= {"B02", "B03"}
    assert "heat it again" not in made.sentences()[0]


def test_frying_that_no_step_heats_is_told_once():
    made = fried([20, 20, 60], DAILY[1:], Kitchen({"hands": 1, "pot": 1}))
    said = made.sentences()[0]
    assert "These times leave none for heating the pot" in said
    assert "heat it again" not in said


@pytest.mark.parametrize("thing", ["pot", "fried in oil", ""])
def test_the_heat_that_is_missing_can_be_written_as_it_is_said(thing):
    steps = [Step("mix", 10, "hands"), Step("fry", 8, thing)]
    things = {"hands": 1, "pot": 1} | ({thing: 1} if thing else {})
    said = fried([20, 20], steps, Kitchen(things)).sentences()[0]
    assert len(re.search("These times .*", said)[0].partition(" Hold all")[0].split()) <= 50
    needs = re.findall(r'needs = \["(.*?)"\]', said)
    assert needs == ([] if thing else ["pot"])
    written = re.findall(r'(thing = ".*?"|setting = \d+|up = \d+)', said)
    assert "up = 6 (degrees a minute; a line each)" in said
    (heat,) = kitchen_from({"heats": [tomllib.loads("\n".join(written))]}).heats
    steps = [steps[0], Step("fry", 8, thing or needs[0])]
    said = fried([20, 20], steps, Kitchen(things, (heat,))).sentences()[0]
    assert "These times leave none" not in said


def crossed(folder, second, heat, more=""):
    """Plan the invented crossing with another second way of cooking."""
    if not (folder / "idea.toml").exists():
        assert run(["new", "--cross", str(folder)]) == 0
    text = CROSS.replace('second = "dry griddle"', f'second = "{second}"')
    text = text.replace('heat = ["210 °C", "medium"]', f"heat = {heat}")
    (folder / "idea.toml").write_text(f"seed = 1\n{text}{more}", "utf-8")
    return planned_round(folder)


@pytest.mark.usefixtures("solver")
def test_two_parents_on_a_card_are_heated_to_what_is_said_of_them_and_never_left(tmp_path):
    """The ways of cooking of a crossing are things of their own, each as hot as it says."""
    round_ = crossed(tmp_path, "fried in oil", '["190 °C", "175 °C"]')
    oven, oil = round_.kitchen.heats
    assert (oven.thing, oven.setting, oven.up) == ("oven", 190, 10)
    assert (oil.thing, oil.setting, oil.up, oil.down) == ("fried in oil", 175, 6, 1.5)
    made = timetable(round_)
    check_stays(made, "fried in oil", 1)
    check_hot(made, "fried in oil", oil, 175)
    ovens = made.tasks[made.tasks["step"].str.startswith("oven: heat to 190°")]
    assert list(ovens["end"] - ovens["start"]) == [17] * 2  # 170 degrees, once a day
    assert made.days["fits"].all()
    for said in made.sentences():
        assert "Nobody leaves the hot oil while it is on" in said
        assert "These times leave none" not in said
    (told,) = (one for one in round_.plan.reasons if one.startswith("Taken as usual"))
    assert "oven heats 10 degrees a minute and fried in oil 6" in told
    # How to say otherwise stands behind the plan
    (how,) = (one for one in round_.plan.reasons if one.startswith("Time yours once"))
    assert 'thing = "fried in oil", setting = 175, up = 6' in how
    assert how not in in_short(round_.plan)
    assert told in in_short(round_.plan)


def test_what_a_person_says_of_a_heat_stands_before_what_is_usual(tmp_path):
    own = '[[kitchen.heats]]\nthing = "fried in oil"\nsetting = 180\nup = 20\n'
    round_ = crossed(tmp_path, "fried in oil", '["190 °C", "175 °C"]', own)
    assert round_.kitchen.heats[0] == Heat("fried in oil", setting=180, up=20)
    assert [one.thing for one in round_.kitchen.heats] == ["fried in oil", "oven"]
    (told,) = (one for one in round_.plan.reasons if one.startswith("Taken as usual"))
    assert "fried in oil" not in told


@pytest.mark.parametrize(
    ("second", "heat", "expected"),
    [
        ("shallow-fry", "347 °F", Heat("shallow-fry", setting=347, room=68, up=10.8, down=2.7)),
        ("deck oven", "230 °C, then 200 °C", Heat("deck oven", setting=230, up=10, down=3)),
        ("dutch oven", "230 °C", Heat("dutch oven", setting=230, up=10, down=3)),
        ("dry griddle", "medium", None),
        ("dry griddle", "200 °C", None),
        ("fried in oil", "medium", None),
        ("air fryer", "180 °C", None),
    ],
)
def test_a_way_of_cooking_heats_as_usual_where_it_says_its_degrees(
    tmp_path, second, heat, expected
):
    round_ = crossed(tmp_path, second, f'["medium", "{heat}"]')
    assert round_.kitchen.heats == ((expected,) if expected else ())
    assert any(one.startswith("Taken as usual") for one in round_.plan.reasons) == bool(expected)
    if second == "dutch oven":
        assert "Nobody leaves" not in timetable(round_, effort=0).sentences()[0]


@pytest.mark.parametrize(
    ("step", "tended"),
    [
        (Step("shallow-fry, medium", 14, "shallow-fry"), True),
        (Step("dry griddle, medium", 14, "dry griddle"), True),
        (Step("cook", 12, "griddle"), True),
        (Step("brown both sides", 12, "skillet"), True),
        (Step("fry until golden", 6, "pot"), True),
        (Step("shape and fry", 10), True),
        (Step("bake", 12, "oven"), False),
        (Step("bake in the pan", 12, ("oven", "loaf pan")), False),
        (Step("chill before frying", 30, "fridge"), False),
        (Step("drain and cool", 10), False),
        (Step("boil", 3, "pot"), False),
        # Frying is known without its pot, and oil by its name
        (Step("frying", 6), True),
        (Step("frying", 6, "hands"), True),
        (Step("drop into hot oil", 6), True),
        (Step("drop into the oil", 6, "hands"), True),
        (Step("cook", 6, "oil"), True),
        (Step("cook", 6, ("frying oil", "hands")), True),
        (Step("cook", 6, "deep fryer"), True),
        (Step("cook the fritters", 6, "hands"), True),
        (Step("brown in a frying pan", 6, "hands"), True),
        (Step("rest in the hot oil", 6, "pot"), True),
        (Step("cool the oil", 6, "oil"), True),
        (Step("keep for 2 min in hot oil", 2, "pan"), True),
        (Step("frying dough", 6, "pot"), True),
        (Step("doughnuts, fried", 6, "pot"), True),
        (Step("cook in lard", 6, "pot"), True),
        (Step("drop into the ghee", 6, "pot"), True),
        (Step("mix the frying batter", 6, "hands"), False),
        (Step("top with fried onions", 6, "hands"), False),
        # Fat that is worked into a dough is cold
        (Step("rub in the fat", 10, "hands"), False),
        (Step("stir in the oil", 10, "hands"), False),
        (Step("cut in fat", 10, "hands"), False),
        (Step("mix butter into the fat", 10, "hands"), False),
        (Step("rest for 5 min in the pan", 5, "pan"), False),
        (Step("fry", 6, "dutch-oven"), True),
        (Step("fry the cakes", 6, "cake pan"), True),
        # What is placed or turned at the stove is no rest
        (Step("set on the griddle", 6, "griddle"), True),
        (Step("set the pan on the heat", 6, "pan"), True),
        (Step("rest, then brown", 6, "pan"), True),
        (Step("rest in the hot pan", 6, "pan"), True),
        # A tin stands in the oven, and a proof is a proof wherever it is
        (Step("proof in the pan", 60, "loaf pan"), False),
        (Step("proof in the pan", 60, "pan"), False),
        (Step("set", 30, "tart pan"), False),
        (Step("cool in the pan", 20, "pan"), False),
        (Step("let rise, covered", 20, "skillet"), False),
        (Step("fill", 5, "muffin tins"), False),
        (Step("line", 5, ("cake pan", "hands")), False),
        (Step("cut before frying", 5, "hands"), False),
        (Step("weigh the fritters", 5, "hands"), False),
        (Step("brush the pan with oil", 5, "hands"), False),
        (Step("brush", 5, ("oil brush", "hands")), False),
    ],
)
def test_what_stands_at_the_stove_is_known_by_its_words(step, tended):
    assert is_tended(step) == tended


@pytest.mark.parametrize(
    ("name", "heats"),
    [
        ("warm the oil to 175", True),
        ("bring the oil to 175 °C", True),
        ("get the oil hot", True),
        ("heat the lard", True),
        ("warm the milk", False),
        ("bring the dough to 24 °C", False),
        ("get the pans out", False),
    ],
)
def test_what_heats_for_frying_is_known_by_its_words(name, heats):
    assert is_preheating(Step(name, 15, "pot")) == heats


def test_a_pot_is_oil_where_it_is_hotter_than_water():
    step = Step("cook", 5, "pot")
    assert is_tended(step, [Heat("pot", "oil temperature")])
    assert is_tended(step, [Heat("pot", setting=175)])
    assert not is_tended(step, [Heat("pot", setting=95)])
    oil = Step("cook", 5, "oil")
    assert is_tended(oil, [Heat("oil", setting=175)])
    vessel = Step("cook", 5, "vessel")
    assert is_tended(vessel, [Heat("vessel", "oil temperature")])
    assert is_tended(Step("cool in the pot", 5, "pot"), [Heat("pot", "oil temperature")])


@pytest.mark.parametrize("thing", ["dutch oven", "Dutch-oven", "casserole"])
def test_bread_in_a_covered_pot_is_no_frying(thing):
    hot = [Heat(thing, setting=230)]
    assert not is_tended(Step("bake", 40, thing), hot)
    assert not is_tended(Step("bake the bread", 40, ("oven", thing)), hot)
    assert is_tended(Step("cook", 6, thing), [Heat(thing, setting=175)])
    assert is_tended(Step("bake", 6, thing), [Heat(thing, "oil temperature")])


# How long a bake keeps


@pytest.mark.usefixtures("solver")
def test_a_bake_keeps_from_leaving_the_heat_and_not_from_what_is_done_after():
    steps = [Step("mix", 10, "hands"), Step("bake", 20, "oven"), Step("cool", 50),
             Step("weigh each bake", 4, "hands")]  # fmt: skip
    made = fried([20, 40], steps, Kitchen({"hands": 1, "oven": 1}, safe=120))
    minutes = made.tasks.set_index(["bake", "step"])["end"]
    for row in made.ready.to_dict("records"):
        hours, rest = map(int, row["taste by"].split(":"))
        assert 60 * hours + rest == minutes[(row["bake"], "bake")] + 120
    fresh = fried([20, 40], steps, Kitchen({"hands": 1, "oven": 1}, fresh=15))
    for row in fresh.ready.to_dict("records"):
        ready, by = (sum(a * b for a, b in zip(map(int, row[one].split(":")), (60, 1), strict=True))
                     for one in ("ready", "taste by"))  # fmt: skip
        assert by == ready + 15


def test_what_is_never_heated_keeps_from_its_last_step():
    steps = [Step("mix", 10, "hands"), Step("fill", 20, "hands"), Step("set", 30)]
    made = fried([20], steps, Kitchen({"hands": 1}))
    assert made.ready["taste by"].tolist() == ["12:00"]  # ready at 10:00


@pytest.mark.parametrize(
    "after",
    [
        Step("boil the syrup", 10, ("pot", "hands")),
        Step("toast the nuts", 10, ("pan", "hands")),
        Step("toast walnuts in the oven", 10, "oven"),
        Step("cook the custard", 10, ("pot", "hands")),
        Step("glaze in a pot", 10, ("pot", "hands")),
        Step("cool in the oven", 40, "oven"),
        Step("let it cool completely", 40, "oven"),
        Step("cool in the oven with the door ajar", 40, "oven"),
        Step("glaze", 10, "hands"),
    ],
)
def test_what_is_cooked_for_a_bake_makes_it_keep_no_longer(after):
    """Its own heat is what counts; a syrup boiled an hour later cooks nothing of it."""
    steps = [Step("mix", 10, "hands"), Step("bake", 20, "oven"), Step("cool", 30), after]
    things = {"hands": 1, "oven": 1, "pot": 1, "pan": 1}
    made = fried([20], steps, Kitchen(things))
    own = made.tasks.set_index("step")
    keeps = own.loc["bake", "end"] + 120
    hours, rest = map(int, made.ready["taste by"][0].split(":"))
    assert 60 * hours + rest == keeps


@pytest.mark.parametrize(
    "last",
    [
        Step("boil in lye", 2, "pot"),
        Step("glaze and bake", 5, "hands"),
        Step("brush with egg, bake 10 min", 10, "hands"),
        Step("glaze", 5, "oven"),
        Step("dip into the hot oil", 5, "hands"),
        Step("fry the apple fritters", 5, "hands"),
        Step("dry", 60, "oven"),
        Step("cook", 5, "griddle"),
        Step("bake", 5, "stone"),
    ],
)
def test_the_last_heat_of_a_bake_itself_counts(last):
    steps = [Step("mix", 10, "hands"), Step("bake", 20, "oven"), last, Step("stand", 10)]
    made = fried([20], steps, Kitchen({"hands": 1, "oven": 1, **dict.fromkeys(last.needs, 1)}))
    hours, rest = map(int, made.ready["taste by"][0].split(":"))
    assert 60 * hours + rest == made.tasks["end"].iloc[-2] + 120


def test_where_only_something_beside_is_cooked_that_heat_counts():
    """No step says that the cake itself was heated: the clock starts early rather than late."""
    steps = [Step("cook the custard", 20, ("pot", "hands")), Step("fill", 5, "hands"),
             Step("set", 60)]  # fmt: skip
    made = fried([20], steps, Kitchen({"hands": 1, "pot": 1}))
    hours, rest = map(int, made.ready["taste by"][0].split(":"))
    assert 60 * hours + rest == made.tasks["end"].iloc[0] + 120


@pytest.mark.usefixtures("solver")
@pytest.mark.parametrize("effort", [0.0, 5.0])
@pytest.mark.parametrize("thing", ["oven", "deck oven", "bakestone", "stone"])
def test_bakes_go_onto_the_heat_in_their_order_whatever_it_is_called(thing, effort):
    steps = [Step("mix", 5, "hands"), Step("rest", "rest"), Step("bake", 10, (thing, "hands")),
             Step("slice", 2, "hands")]  # fmt: skip
    made = fried([60, 5, 20, 5], steps, Kitchen({"hands": 1, thing: 1}), effort=effort)
    baked = made.tasks[made.tasks["step"] == "bake"].sort_values("start")
    assert baked["bake"].tolist() == ["B01", "B02", "B03", "B04"]


def test_tins_of_which_there_are_many_are_used_side_by_side():
    steps = [
        Step("mix", 5, "hands"),
        Step("bake", 40, ("oven", "loaf tin")),
        Step("cool", 90, "loaf tin"),
    ]
    made = fried([20, 40], steps, Kitchen({"hands": 1, "oven": 1, "loaf tin": 2}))
    baked = made.tasks[made.tasks["step"] == "bake"].set_index("bake")
    assert baked.loc["B02", "start"] == baked.loc["B01", "end"]


def test_what_cools_longer_than_it_keeps_is_said():
    steps = [Step("bake", 20, "oven"), Step("cool", 150)]
    made = fried([20, 40], steps, Kitchen({"hands": 1, "oven": 1}))
    said = made.sentences()[0]
    assert "Ready only when it should be eaten already" in said
    assert "B01 (by 11:20)" in said


# What the page says of the order


def test_the_page_says_of_the_order_only_what_there_is_to_say(tmp_path):
    """Worked down the list and proved: nothing can be gained, so no sentence says how little."""
    round_ = demo.planned(tmp_path / "round-1")
    steps = [Step("bake", 20, "oven")]
    page = timetable_sheet(round_, timetable(round_, steps, Kitchen({"hands": 1, "oven": 1})))
    assert "o order can end before" not in page
    assert "Working down the list" not in page
    cooking = Categorical("cooking", ["oven", "pan"])
    plan = lay_out(
        [cooking], pd.DataFrame({"cooking": ["oven", "pan"]}), family="two", model="main", seed=1
    )
    assert timetable(plan, steps).days["minutes to gain"].tolist() == [0]
