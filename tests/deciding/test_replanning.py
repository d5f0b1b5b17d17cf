"""After a failed bake: slips are baked again, results stay, nothing that was made is moved."""

import pandas as pd
import pytest
from openpyxl import load_workbook

import trials
from tests.deciding.small_development import first_round, scored
from trials.base.errors import RoundError
from trials.deciding.replanning import is_slip, record_replan, replan, replanned
from trials.rounds.forms import read_serving
from trials.rounds.scores import record_scores


@pytest.fixture
def round_(tmp_path):
    return first_round(tmp_path / "round-1")


@pytest.fixture
def plan(round_):
    return replanned(round_, states(round_))


def states(round_):
    """Three made, one slip, one result, one not served, two left."""
    table = round_.plan.table[["bake"]].copy()
    status = ["made", "failed", "made", "failed", "not served", "made", "", ""]
    reason = ["", "mis-weighed the butter", "", "raw core", "", "", "", ""]
    return pd.DataFrame({"bake": table["bake"], "status": status, "reason": reason})


def test_what_was_done_stays(round_, plan):
    before, after = round_.plan.table, plan.table
    assert after.iloc[:6].equals(before.iloc[:6])
    assert sorted(after["bake"].iloc[:8]) == sorted(before["bake"])


def test_slips_are_baked_again_and_results_are_not(round_, plan):
    assert plan.details["rebaked"] == {"B09": "B05", "B10": "B02"}
    names = [factor.name for factor in plan.factors]
    rows = plan.table.set_index("bake")[names]
    assert rows.loc["B10"].tolist() == rows.loc["B02"].tolist()
    said = " ".join(plan.reasons)
    assert "A slip, baked again: B05 (not served) and B02 (mis-weighed the butter)." in said
    assert "A result, not baked again: B04 (raw core)." in said
    assert "That is 2 bakes more than planned, 10 instead of 8." in said
    assert "What fails by its own formula or settings should not be baked again" in said


@pytest.mark.parametrize("group", ["load", "dough"])
def test_bakes_that_are_left_change_places_within_what_they_share(tmp_path, group):
    """An oil fill is heated once: its bakes stay with it, in whatever order."""
    oil = trials.Numeric("oil", 165, 180, "°C", hard_to_change=True if group == "load" else group)
    rest, salt = trials.Numeric("rest", 20, 60, "min"), trials.Numeric("salt", 1, 3, "%")
    plan = trials.design.optimal(
        [oil, rest, salt], model="main", bakes=16, criterion="D", days=2, loads={group: 4}, seed=1
    )
    liking = trials.Measure("liking", "hedonic 9")
    made = trials.Round.create(tmp_path / "round-1", plan=plan, measures=[liking], seed=1)
    status = ["made", "failed", *[""] * 14]
    table = pd.DataFrame({"bake": plan.table["bake"], "status": status, "reason": "raw core"})
    again = replanned(made, table).table
    before = plan.table
    assert again["bake"].tolist() != before["bake"].tolist()
    assert again["bake"].iloc[:2].tolist() == before["bake"].iloc[:2].tolist()
    # Every place still belongs to the day and the oil fill that it belonged to
    assert again[["day", group, "oil"]].equals(before[["day", group, "oil"]])
    homes = before.set_index("bake")[group]
    assert again[group].tolist() == homes[again["bake"]].tolist()


def test_it_says_what_can_still_be_told(plan):
    assert "7 bakes instead of 8" in " ".join(plan.reasons)


@pytest.mark.parametrize(
    ("reason", "slip"),
    [
        ("forgot the salt", True),
        ("spilled half of it", True),
        ("power cut", True),
        ("crust dark before the core was done", False),
        ("torn while turning", False),
        ("fell apart in the oil", False),
        ("burst and lost its filling", False),
        ("did not hold", False),
        ("lost its shape", False),
        ("fell on the floor", True),
        ("dropped the tray", True),
        ("burnt by mistake", True),
        ("", False),
    ],
)
def test_reasons_of_the_bench(reason, slip):
    assert is_slip(reason) is slip


def test_the_change_is_recorded_and_the_old_plan_kept(round_, plan):
    changed = record_replan(round_, plan)
    assert changed.plan.table.astype(str).equals(plan.table.astype(str))
    assert changed.plan.reasons == plan.reasons
    kept = [path.name for path in (round_.folder / "received").iterdir()]
    assert any(name.endswith("plan.csv") for name in kept)
    assert any(name.endswith("round.toml") for name in kept)


def test_a_plan_that_leaves_out_a_bake_is_refused(round_):
    fewer = trials.design.drop(round_.plan, "B01")
    with pytest.raises(RoundError, match="leaves out B01"):
        record_replan(round_, fewer)


def test_nothing_entered_changes_nothing(round_):
    for plan in (replan(round_), replan(trials.Round.open(trials.write_sheets(round_)[0].parent))):
        assert plan.table.equals(round_.plan.table)
        assert plan.details["left"] == round_.plan.table["bake"].tolist()
        assert "every bake is still to be made" in " ".join(plan.reasons)


def test_everything_made_leaves_nothing_to_do(round_):
    plan = replan(scored(round_))
    assert plan.table.equals(round_.plan.table)
    assert "8 bakes are made and stay as they are; none is left." in plan.reasons


def test_a_day_lost_is_still_to_be_made(round_):
    table = states(round_).assign(status=["made"] * 4 + ["not baked"] * 4, reason="")
    plan = replanned(round_, table)
    assert plan.details["rebaked"] == {}
    assert sorted(plan.details["left"]) == ["B05", "B06", "B07", "B08"]
    assert "still to be made: B05, B06, B07 and B08" in " ".join(plan.reasons)


@pytest.fixture
def midway(round_):
    """Two bakes made and scored, one slip, one result, the rest still to come."""
    trials.write_sheets(round_)
    bakes = round_.plan.table["bake"].tolist()
    serving = read_serving(round_)
    tasted = serving[serving["bake"].isin(bakes[:2])][["taster", "bake"]]
    tasted = tasted.assign(status="", reason="", liking=range(3, 3 + len(tasted)))
    own = states(round_).iloc[:4].assign(taster=pd.NA, liking=float("nan"))
    own["status"] = ["made", "made", "failed", "failed"]
    own["reason"] = ["", "", "mis-weighed the butter", "raw core"]
    record_scores(round_, pd.concat([tasted, own], ignore_index=True))
    return round_


def entered(round_):
    table = trials.scores(round_)
    table = table[table["liking"].notna() | (table["status"] == "failed")].copy()
    # A failed bake has no plate; whose ballot it stood on is no entry, but a score would be one
    no_plate = (table["status"] == "failed") & table["liking"].isna()
    table.loc[no_plate, ["taster", "code"]] = pd.NA
    table = table.drop_duplicates(["bake", "taster", "code"])
    return table.set_index(["bake", "code"])[["taster", "liking", "status", "reason"]].sort_index()


def test_nothing_that_was_entered_is_lost(midway):
    before = entered(midway)
    replan(midway, record=True)
    changed = trials.Round.open(midway.folder)
    assert not trials.check(changed)
    assert entered(changed).equals(before)
    trials.write_sheets(changed)
    assert not trials.check(changed)
    assert entered(changed).equals(before)


@pytest.mark.parametrize("ending", ["xlsx", "csv"])  # with all the scores, and with none
def test_what_was_dropped_in_is_carried_over_and_kept(midway, ending):
    incoming = midway.folder / "incoming"
    incoming.mkdir()
    sheet = (midway.folder / f"tastings.{ending}").rename(incoming / f"from-Ada.{ending}")
    content = sheet.read_bytes()
    before = entered(midway)
    assert before["liking"].notna().sum() == 6
    replan(midway, record=True)
    changed = trials.Round.open(midway.folder)
    assert not trials.check(changed)
    assert entered(changed).equals(before)
    kept = (midway.folder / "received").glob(f"*-from-Ada.{ending}")
    assert content in [path.read_bytes() for path in kept]


def test_a_bake_made_again_is_served_to_whom_the_lost_one_was_meant_for(midway):
    old = read_serving(midway)
    last = trials.scores(midway).dropna(subset="liking")["sitting"].max()
    plan = replan(midway, record=True)
    changed = trials.Round.open(midway.folder)
    new = read_serving(changed)
    ((again, lost),) = plan.details["rebaked"].items()
    meant = old.loc[old["bake"] == lost, "taster"].tolist()
    gone = midway.plan.table["bake"].iloc[2:4].tolist()
    assert sorted(new.loc[new["bake"] == again, "taster"]) == sorted(meant)
    old = old[~old["bake"].isin(gone)]
    kept = new[new["bake"] != again].set_index(["taster", "code"])["bake"]
    assert kept.sort_index().equals(old.set_index(["taster", "code"])["bake"].sort_index())
    assert not new["code"].duplicated().any()
    # What was on the table keeps its place; sittings still to come have no gap
    stood, stands = (
        one[one["sitting"] <= last].set_index(["taster", "code"])["place"] for one in (old, new)
    )
    assert len(stood)
    assert stands[stood.index].equals(stood)
    places = new[new["sitting"] > last].groupby(["taster", "sitting"])["place"]
    assert (places.max() == places.size()).all()
    trials.write_sheets(changed)
    ballot = (changed.folder / "ballots" / f"ballot-{meant[0]}.html").read_text(encoding="utf-8")
    assert new.loc[(new["bake"] == again) & (new["taster"] == meant[0]), "code"].item() in ballot


def test_asked_twice_it_answers_the_same(midway):
    first = replan(midway, record=True)
    second = replan(trials.Round.open(midway.folder), record=True)
    assert second.table.astype(str).equals(first.table.astype(str))
    assert second.reasons == first.reasons
    assert second.details["rebaked"] == first.details["rebaked"]


def test_what_failed_is_asked_of_nobody_any_more(midway):
    """Who holds a ballot with a bake that fell apart would look for a plate that is not there."""
    failed = midway.plan.table["bake"].iloc[3]
    codes = read_serving(midway).query("bake == @failed")["code"].tolist()
    replan(midway, record=True)
    changed = trials.Round.open(midway.folder)
    served = set(read_serving(changed)["bake"])
    assert failed not in served
    trials.write_sheets(changed)
    for path in [*changed.folder.glob("ballots/ballot-*.html"), changed.folder / "code-sheet.html"]:
        assert not any(f">{code}<" in path.read_text(encoding="utf-8") for code in codes)
    table = changed.plan.rows
    days = table[table["bake"].isin(served)].groupby("day")["bake"].nunique()
    notes = (changed.folder / "serving-notes.txt").read_text(encoding="utf-8")
    assert all(f"Day {day}: each of {count} bakes" in notes for day, count in days.items())


def test_a_failure_that_was_none_is_served_again(midway):
    failed = midway.plan.table["bake"].iloc[3]
    meant = read_serving(midway).query("bake == @failed")["taster"].tolist()
    replan(midway, record=True)
    changed = trials.Round.open(midway.folder)
    book = load_workbook(changed.folder / "bakes.xlsx")
    sheet = book["Bakes"]
    heads = {cell.value: cell.column for cell in sheet[1]}
    row = next(one[0].row for one in sheet.iter_rows() if one[heads["bake"] - 1].value == failed)
    sheet.cell(row, heads["status"]).value = "made"
    sheet.cell(row, heads["reason"]).value = None
    book.save(changed.folder / "bakes.xlsx")
    replan(changed, record=True)
    again = read_serving(trials.Round.open(midway.folder)).query("bake == @failed")
    assert set(meant) <= set(again["taster"])
