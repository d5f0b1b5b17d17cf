"""A round that changes midway: what was served and entered stays, the rest follows the change."""

import pandas as pd
import pytest

import trials
from tests.deciding.small_development import FORMULA, LIKING
from tests.rounds.small_idea import begun
from trials.base.errors import PlanError, SheetError, TastingError
from trials.doors.cli import run
from trials.rounds.forms import read_serving
from trials.rounds.scores import record_scores
from trials.rounds.serving import write_notes

METHOD = trials.Categorical("method", ["fried", "baked", "griddled"])
OIL = trials.Numeric(
    "oil temperature", 165, 190, "°C", hard_to_change=True, only_when=("method", ["fried"])
)
HYDRATION = trials.Numeric("hydration", 50, 60, "%", changes=("total", "hydration"))


@pytest.fixture
def round_(tmp_path):
    """Ten bakes of two days, half of the first day made and tasted by both."""
    asked = {"days": 2, "loads": 4, "references": 2, "seed": 3, "doughs": 8}
    plan = trials.propose([METHOD, OIL, HYDRATION], 8, **asked)
    made = trials.Round.create(
        tmp_path / "round-1",
        plan=plan,
        measures=[LIKING],
        formula=FORMULA,
        tasters=[trials.Taster("Ada"), trials.Taster("Ben")],
        seed=5,
    )
    trials.write_sheets(made)
    return made


@pytest.fixture
def midway(round_):
    """The first day is over: its bakes made, its sitting tasted."""
    serving = read_serving(round_)
    first = round_.plan.table.query("day == 1")["bake"]
    tasted = serving[serving["bake"].isin(first)][["taster", "code", "bake"]]
    tasted = tasted.assign(status="", reason="", liking=5.0)
    own = pd.DataFrame({"bake": first, "status": "made", "reason": "", "taster": pd.NA})
    record_scores(round_, pd.concat([tasted, own], ignore_index=True))
    return round_


def keys(table):
    return set(
        table[["taster", "sitting", "place", "bake", "code"]].itertuples(index=False, name=None)
    )


def again(round_):
    return trials.Round.open(round_.folder)


def test_one_more_taster_gets_what_is_still_to_be_tasted(midway):
    before, scored = read_serving(midway), trials.scores(midway)
    trials.replan(midway, record=True, joins=trials.Taster("Cy", "egg"))
    changed = again(midway)
    after = read_serving(changed)
    assert keys(before) <= keys(after)
    new = after[after["taster"] == "Cy"]
    # FORMULA holds egg: everything is kept from Cy
    assert new.empty
    assert [one.name for one in changed.tasters] == ["Ada", "Ben", "Cy"]
    trials.replan(changed, record=True, joins="Dee")
    last = again(changed)
    new = read_serving(last)
    dees = new[new["taster"] == "Dee"]
    day_two = set(last.plan.table.query("day == 2")["bake"])
    assert set(dees["bake"]) == day_two
    assert not new["code"].duplicated().any()
    assert trials.scores(last)["liking"].sum() == scored["liking"].sum()
    trials.write_sheets(last)
    assert not trials.check(last)
    assert (last.folder / "ballots" / "ballot-Dee.html").is_file()
    with pytest.raises(TastingError, match="Dee tastes in this round already"):
        trials.replan(last, joins="Dee")


def test_who_leaves_keeps_the_scores_and_is_served_no_more(midway):
    old = midway.folder / "tastings.xlsx"
    handed_out = old.read_bytes()
    trials.replan(midway, record=True, leaves="Ben")
    changed = again(midway)
    after = read_serving(changed)
    day_one = set(changed.plan.table.query("day == 1")["bake"])
    assert set(after.loc[after["taster"] == "Ben", "bake"]) == day_one
    scores = trials.scores(changed)
    assert (scores.loc[scores["taster"] == "Ben", "liking"] == 5).all()
    # The workbook of before holds rows that were taken off: they are passed over
    (changed.folder / "incoming").mkdir(exist_ok=True)
    (changed.folder / "incoming" / "old.xlsx").write_bytes(handed_out)
    assert not trials.check(changed)
    # The next round plans with those who say on which days they come
    assert {one.name: one.days for one in changed.tasters}["Ben"] == (1,)
    with pytest.raises(TastingError, match="nobody would be left"):
        trials.replan(changed, leaves=["Ada", "Ben"])


def test_a_limit_is_lowered_for_what_is_left_only(midway):
    mark = pd.read_csv(midway.folder / "bakes.csv")["round"].iloc[0]
    hot = midway.plan.table.query("`oil temperature` == 190")
    assert set(hot["day"]) == {1, 2}
    scores = trials.scores(midway)
    trials.replan(midway, record=True, limits={"oil temperature": (None, 180)})
    changed = again(midway)
    table = changed.plan.table.set_index("bake")["oil temperature"]
    for bake, day in zip(hot["bake"], hot["day"], strict=True):
        assert table[bake] == (190 if day == 1 else 180)
    assert changed.plan.factor("oil temperature").high == 180
    assert pd.read_csv(changed.folder / "bakes.csv")["round"].iloc[0] == mark
    said = " ".join(changed.plan.reasons)
    assert "stays as baked" in said
    assert "instead of 190 °C" in said
    assert not trials.check(changed)
    assert trials.scores(changed)["liking"].sum() == scores["liking"].sum()
    with pytest.raises(PlanError, match="can only come closer"):
        trials.replan(changed, limits={"oil temperature": (165, 200)})


def test_a_sheet_of_before_is_asked_which_setting_was_baked(round_):
    old = pd.read_csv(round_.folder / "bakes.csv", dtype=str, keep_default_na=False)
    hot = old.index[old["oil temperature"] == "190"]
    trials.replan(round_, record=True, limits={"oil temperature": (None, 180)})
    changed = again(round_)
    (changed.folder / "incoming").mkdir(exist_ok=True)
    path = changed.folder / "incoming" / "cook.csv"
    old.to_csv(path, index=False)
    assert not trials.check(changed)  # nothing entered: nothing to ask
    old.loc[hot[0], "status"] = "made"
    old.to_csv(path, index=False)
    (problem,) = trials.check(changed)
    assert "planned at 190 °C then and at 180 °C now" in str(problem)


def test_a_kind_is_left_out_and_its_bakes_become_others(midway):
    before = midway.plan.table
    plan = trials.replan(midway, record=True, without={"method": "fried"})
    after = plan.table
    day_two = after[after["day"] == 2]
    assert "fried" not in set(day_two["method"])
    assert day_two["oil temperature"].isna().all()
    assert day_two["load"].isna().all()
    assert after[after["day"] == 1].equals(before[before["day"] == 1])
    assert {"method": "fried"} in plan.excluded
    changed = again(midway)
    trials.write_sheets(changed)
    assert not trials.check(changed)


def test_bakes_move_to_another_day_under_their_codes(midway):
    before = read_serving(midway)
    plan = trials.replan(midway, record=True, move={"day 2": 3})
    assert set(plan.table["day"]) == {1, 3}
    assert keys(read_serving(again(midway))) == keys(before)
    one = plan.table.query("day == 3")["bake"].iloc[0]
    trials.replan(again(midway), record=True, move={one: 4})
    changed = again(midway)
    after = read_serving(changed)
    codes = set(zip(before["code"], before["bake"], strict=True))
    assert set(zip(after["code"], after["bake"], strict=True)) == codes
    alone = after[after["bake"] == one]
    assert alone["sitting"].nunique() == 1
    assert alone["sitting"].iloc[0] not in set(before["sitting"])
    places = after.groupby(["taster", "sitting"])["place"]
    assert (places.max() == places.size()).all()
    assert not trials.check(changed)
    made = changed.plan.table["bake"].iloc[0]
    with pytest.raises(PlanError, match="made already"):
        trials.replan(changed, move={made: 4})


def test_what_is_known_of_a_sitting_over_two_days_can_be_told(midway):
    serving = read_serving(midway)
    first, last = (midway.plan.table.query(f"day == {day}")["bake"].iloc[1] for day in (1, 2))
    swapped = serving.assign(bake=serving["bake"].replace({first: last, last: first}))
    write_notes(midway, swapped)
    notes = (midway.folder / "serving-notes.txt").read_text("utf-8")
    assert "bakes of day 1 and 2 fall into parts" in notes


def test_bakes_are_added_and_served_to_all(midway):
    plan = trials.replan(midway, record=True, add={"method": "baked", "hydration": 55}, more=1)
    new = plan.table["bake"].tolist()[-2:]
    assert plan.details["made besides"] == new
    changed = again(midway)
    served = read_serving(changed)
    for bake in new:
        assert sorted(served.loc[served["bake"] == bake, "taster"]) == ["Ada", "Ben"]
    trials.write_sheets(changed)
    assert not trials.check(changed)
    with pytest.raises(PlanError, match='a setting for "salt"'):
        trials.replan(changed, add={"method": "baked", "hydration": 55, "salt": 2})


def test_what_is_written_by_hand_is_pointed_out(midway, capsys):
    path = midway.folder / "round.toml"
    text = path.read_text(encoding="utf-8")
    name = '    { name = "Ben", avoids = [] },\n'
    assert name in text
    assert "high = 190.0" in text
    text = text.replace(name, name + name.replace("Ben", "Cy"))
    path.write_text(text.replace("high = 190.0", "high = 180.0"), encoding="utf-8")
    assert run(["check", str(midway.folder)]) == 0
    said = capsys.readouterr().out
    # A notebook says what the command says
    assert {str(note) for note in trials.check(again(midway)).notes} <= set(said.splitlines())
    assert "Cy stands among the tasters in round.toml and is served nothing" in said
    assert "--limit" in said
    assert "planned outside" in said
    words = ["replan", str(midway.folder), "--joins", "Cy", "--limit", "oil temperature=..180"]
    assert run([*words, "--record"]) == 0
    capsys.readouterr()
    assert run(["check", str(midway.folder)]) == 0
    assert "round.toml" not in capsys.readouterr().out
    assert "Cy" in set(read_serving(again(midway))["taster"])


def test_a_changed_idea_names_the_command_that_takes_it_on(tmp_path, capsys):
    folder = tmp_path / "r"
    begun(folder)
    assert run(["plan", str(folder)]) == 0
    assert run(["sheets", str(folder)]) == 0
    table = pd.read_csv(folder / "bakes.csv", dtype=str, keep_default_na=False)
    table.loc[0, "status"] = "made"
    table.to_csv(folder / "bakes.csv", index=False)
    idea = folder / "idea.toml"
    text = idea.read_text(encoding="utf-8").replace("high = 24", "high = 22")
    idea.write_text(text + '\n[[tasters]]\nname = "Cy"\n', encoding="utf-8")
    capsys.readouterr()
    assert run(["plan", str(folder)]) == 1
    said = capsys.readouterr().err
    assert "--joins Cy --limit hydration=16..22" in said
    words = ["replan", str(folder), "--joins", "Cy", "--limit", "hydration=16..22"]
    assert run(words) == 0
    assert "--record" in capsys.readouterr().out
    assert run([*words, "--record"]) == 0
    assert run(["sheets", str(folder)]) == 0
    assert run(["check", str(folder)]) == 0


@pytest.mark.parametrize("words", [["--limit", "oven"], ["--move", "B03=x"], ["--add", "fat"]])
def test_a_wrong_word_is_refused_with_what_was_expected(midway, words, capsys):
    assert run(["replan", str(midway.folder), *words]) == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_a_problem_in_the_sheets_comes_first(midway):
    table = pd.read_csv(midway.folder / "bakes.csv", dtype=str, keep_default_na=False)
    table.loc[0, "status"] = "eaten"
    table.to_csv(midway.folder / "bakes.csv", index=False)
    with pytest.raises(SheetError, match="no status"):
        trials.replan(midway, joins="Cy")


def test_limits_that_came_closer_do_not_judge_what_was_made_before(midway):
    made = midway.plan.table.query("day == 1")["bake"].tolist()
    trials.replan(midway, record=True, limits={"hydration": (None, 55)})
    changed = again(midway)
    left = changed.plan.table.query("day == 2")["bake"].iloc[0]
    (changed.folder / "tastings.xlsx").unlink()  # what was tasted matters nothing here
    own = pd.DataFrame({"bake": [*made, left], "status": "made", "reason": "", "taster": pd.NA})
    record_scores(changed, own.assign(**{"actual hydration": 58.0}))
    notes = [str(note) for note in trials.check(again(midway)).notes if "58" in str(note)]
    assert len(notes) == 1
    assert "outside the 50 % to 55 % that was planned" in notes[0]
