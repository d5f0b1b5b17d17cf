"""When to taste: all of a sitting at once, held alike, or each as it is ready."""

import re

import pandas as pd
import pytest

import trials
from tests.rounds.small_idea import begun
from trials.doors.cli import run
from trials.rounds.forms import read_serving
from trials.rounds.timetable import timetable

STEPS = """
[[steps]]
name = "mix"
minutes = 20
needs = ["hands"]

[[steps]]
name = "rest"
minutes = 40

[[steps]]
name = "bake"
minutes = 15
needs = ["oven"]

[kitchen]
things = { hands = 1, oven = 1 }
"""


def planned(folder, change=None, more=""):
    begun(folder)
    idea = folder / "idea.toml"
    text = idea.read_text(encoding="utf-8")
    for old, new in (change or {}).items():
        assert old in text
        text = text.replace(old, new)
    idea.write_text("seed = 1\n" + text + more, encoding="utf-8")
    assert run(["plan", str(folder)]) == run(["sheets", str(folder)]) == 0
    return trials.Round.open(folder)


def correlations(round_):
    at = {bake: place for place, bake in enumerate(round_.plan.table["bake"])}
    for _, own in read_serving(round_).groupby(["taster", "sitting"]):
        yield own["bake"].map(at).corr(own["place"], method="spearman")


@pytest.mark.parametrize("seed", range(1, 6))
def test_with_one_taster_serving_does_not_follow_baking(tmp_path, seed):
    round_ = planned(tmp_path / "r", {'name = "rye': f'name = "no {seed} rye'})
    assert all(abs(one) <= 0.5 for one in correlations(round_))
    notes = (round_.folder / "serving-notes.txt").read_text(encoding="utf-8")
    assert "held alike until the last of them is ready" in notes


def test_fresh_pieces_are_served_as_they_come(tmp_path):
    round_ = planned(tmp_path / "r", {'taste = "together"': 'taste = "fresh"'}, STEPS)
    assert round_.taste == "fresh"
    serving = read_serving(round_)
    assert set(serving["kind"]) == {"sample"}
    assert sorted(serving["bake"]) == sorted(round_.plan.table["bake"])
    made = timetable(round_)
    ready = made.tasks.groupby("bake")["end"].max()
    for _, own in serving.groupby("sitting"):
        times = ready[own.sort_values("place")["bake"]]
        assert times.is_monotonic_increasing
    said = " ".join(made.sentences())
    assert "Taste each as it is ready" in said
    assert "tasted together" not in said
    notes = (round_.folder / "serving-notes.txt").read_text(encoding="utf-8")
    assert "the order of tasting is the order of baking" in notes
    after = trials.Round.open(round_.folder)
    assert after.taste == "fresh"


@pytest.mark.parametrize(
    ("people", "taste", "told"),
    [(1, "together", True), (2, "together", True), (4, "together", False), (2, "fresh", False)],
)
def test_a_hidden_repeat_is_explained_when_it_is_planned(tmp_path, capsys, people, taste, told):
    """Where a taster will get one, and only there: at the plan, and beside the servings."""
    folder = tmp_path / "r"
    begun(folder)
    idea = folder / "idea.toml"
    text = idea.read_text(encoding="utf-8").replace('taste = "together"', f'taste = "{taste}"')
    more = "".join(f'[[tasters]]\nname = "Taster {n}"\navoids = []\n' for n in range(2, people + 1))
    idea.write_text(text.replace("[formula] ", f"{more}[formula] ", 1), encoding="utf-8")
    capsys.readouterr()
    assert run(["plan", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert ("under another code (a hidden repeat)" in said) == told
    assert run(["sheets", str(folder)]) == 0
    served = pd.read_csv(folder / "serving.csv")
    assert served["kind"].eq("repeat").any() == told
    notes = (folder / "serving-notes.txt").read_text(encoding="utf-8")
    assert ("a hidden repeat" in notes) == told


def test_sittings_hold_what_keeps_together(tmp_path):
    """Bites keep an hour: the day's bakes fall into sittings of what is ready within one."""
    round_ = planned(tmp_path / "r", more=STEPS + "fresh = 60\n")
    made = timetable(round_)
    ready = made.tasks.groupby("bake")["end"].max()
    serving = read_serving(round_)
    assert serving["sitting"].nunique() > 2
    for _, own in serving.groupby("sitting"):
        times = ready[own["bake"].unique()]
        assert times.max() - times.min() <= 60
    said = made.sentences()[0]
    assert "can not be tasted together" in said
    assert "sitting 1 (" in said


@pytest.mark.parametrize(("keeps", "sittings"), [(99, 2), (100, 1), (10, 4)])
def test_a_sitting_has_time_to_taste_in(keeps, sittings):
    """Four bakes leave the oven 30 minutes apart: with 10 to taste in, the first must keep 100."""
    fat = trials.Categorical("fat", ["butter", "lard"])
    plan = trials.design.full_factorial([fat], replicates=2, seed=1)
    made = timetable(plan, [trials.Step("bake", 30, "oven")], trials.Kitchen(safe=keeps))
    ready = made.ready
    assert ready["part"].nunique() == sittings
    said = made.sentences()[0]
    assert ("can not be tasted together" in said) == (sittings > 1)
    assert ("under 10 min before" in said) == (keeps == 99)
    for clocks in re.findall(r"between (\d+):(\d+) and (\d+):(\d+)", said):
        first, last = (60 * int(h) + int(m) for h, m in (clocks[:2], clocks[2:]))
        assert last - first >= min(10, keeps)
    if sittings > 1:
        # Three bakes leave the oven after the first, 30 minutes apart, and ten are for tasting
        assert "write safe = 100 under [kitchen]" in said


def test_what_is_ready_at_once_is_tasted_at_once_however_short_it_keeps():
    fat = trials.Categorical("fat", ["butter", "lard"])
    plan = trials.design.full_factorial([fat], replicates=2, seed=1)
    kitchen = trials.Kitchen({"hands": 2}, fresh=5)
    made = timetable(plan, [trials.Step("fill", 30, "hands")], kitchen)
    assert list(made.ready["part"]) == [1, 1, 2, 2]


def test_another_word_is_refused_with_its_line(tmp_path, capsys):
    folder = tmp_path / "r"
    begun(folder)
    idea = folder / "idea.toml"
    text = idea.read_text(encoding="utf-8").replace('"together"  ', '"warm"  ')
    idea.write_text(text, encoding="utf-8")
    capsys.readouterr()
    assert run(["plan", str(folder)]) == 1
    said = capsys.readouterr().err
    assert "idea.toml, line 5" in said
    assert "together" in said


# The bake day


def test_a_varied_rest_is_kept_to_the_minute():
    rest = trials.Numeric("rest", 20, 60, "min")
    plan = trials.design.full_factorial([rest], replicates=3, seed=1)
    steps = [trials.Step("mix", 10, "hands"), trials.Step("rest", "rest"),
             trials.Step("bake", 25, "oven")]  # fmt: skip
    made = timetable(plan, steps)
    tasks = made.tasks.set_index(["bake", "step"])
    for bake, minutes in plan.table[["bake", "rest"]].to_numpy():
        mixed, began = tasks.loc[(bake, "mix"), "end"], tasks.loc[(bake, "rest"), "start"]
        assert began == mixed
        assert tasks.loc[(bake, "bake"), "start"] - began == minutes
    assert made.tasks["rests for"].isna().all()


@pytest.mark.parametrize("effort", [0, 1.0])
def test_a_rest_begins_at_once_and_its_real_length_is_told(effort):
    """The oven is short: worked down the list some rests run longer; mixed later none need to."""
    fat = trials.Categorical("fat", ["butter", "lard"])
    plan = trials.design.full_factorial([fat], replicates=3, seed=1)
    steps = [trials.Step("mix", 10, "hands"), trials.Step("rest", 15),
             trials.Step("bake", 40, "oven")]  # fmt: skip
    made = timetable(plan, steps, effort=effort)
    tasks = made.tasks.set_index(["bake", "step"])
    longer = 0
    for bake in plan.table["bake"]:
        assert tasks.loc[(bake, "rest"), "start"] == tasks.loc[(bake, "mix"), "end"]
        real = tasks.loc[(bake, "bake"), "start"] - tasks.loc[(bake, "rest"), "start"]
        told = tasks.loc[(bake, "rest"), "rests for"]
        assert (told == real) if real > 15 else pd.isna(told)
        longer += real > 15
    assert longer == 0 if effort else longer > 0


@pytest.mark.parametrize("effort", [0, 1.0])
def test_at_the_earliest_is_said_only_where_it_is_proved(effort):
    """Two bakes that wait for one oven are proved; a bound that is not met is told as a bound."""
    rest = trials.Numeric("rest", 20, 60, "min")
    plan = trials.design.full_factorial([rest], replicates=4, seed=2)
    steps = [trials.Step("mix", 10, "hands"), trials.Step("rest", "rest"),
             trials.Step("fry", 5, ("oven", "hands"))]  # fmt: skip
    made = timetable(plan, steps, effort=effort)
    proved = made.days["minutes to gain"].iloc[0] == 0
    said = made.sentences()[0]
    assert ("at the earliest" in said) == proved
    assert ("not before" in said) == (not proved)


def test_which_would_you_eat_again_can_be_what_decides(tmp_path):
    round_ = planned(
        tmp_path / "r",
        {
            'name = "liking"\nscale = "hedonic 9"         # from 1 to 9': (
                'name = "eat again"\nscale = "ranking"'
            ),
            "cooks = true": "cooks = false",
        },
    )
    fat = round_.plan.table.set_index("bake")["fat"]
    bake_of = read_serving(round_).set_index("code")["bake"]
    path = round_.folder / "tastings.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    lard = table["code"].map(bake_of).map(fat) == "lard"
    for _, own in table.groupby("sitting"):
        order = own.assign(lard=lard[own.index]).sort_values("lard", kind="stable").index
        table.loc[order, "eat again"] = [str(place) for place in range(1, len(order) + 1)]
    table.to_csv(path, index=False)
    found = trials.fit(round_, "eat again")
    effect = found.spoken.query("term == 'fat'")["estimate"].iloc[0]
    assert effect < -40
    # The first of a sitting is ahead of all the others, the last of none
    shares = found.evidence.table["eat again"].dropna()
    assert (shares.min(), shares.max()) == (0, 100)
    best = trials.recommend({"eat again": found}, [found.measure])
    assert best.settings["fat"] == "butter"
    assert run(["next", str(round_.folder), "--bakes", "4"]) == 0


def test_a_piece_that_should_be_eaten_already_is_not_to_be_tasted(tmp_path):
    """It is said once, as late, and not among those that are tasted as they come."""
    late = STEPS + '\n[[steps]]\nname = "cool"\nminutes = 150\n'
    round_ = planned(tmp_path / "r", {'taste = "together"': 'taste = "fresh"'}, late)
    for said in timetable(round_).sentences():
        assert "Ready only when it should be eaten already" in said
        assert "Taste each as it is ready" not in said
