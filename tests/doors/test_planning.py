"""A plan is made again while nothing was entered, and never over what somebody entered."""

import os

import pytest

from tests.rounds.ginger_round import enter
from trials.base.errors import RoundError
from trials.base.files import read_csv, write_csv, write_text
from trials.doors.cli import run
from trials.doors.start import planned_round
from trials.rounds.diary import write_note
from trials.rounds.idea import write_idea
from trials.rounds.round import Round, read_actual, write_actual
from trials.rounds.scores import check
from trials.show.sheets import write_sheets

KEPT = ("idea.toml", "plan.csv", "actual.csv", "round.toml")


def change(folder, old, new):
    path = folder / "idea.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


@pytest.fixture
def folder(tmp_path):
    """A small idea that was planned, and its sheets written."""
    folder = write_idea(tmp_path / "mine", "all").parent
    change(folder, "bakes = 16", "bakes = 8")
    change(folder, 'aim = "interactions"', 'aim = "screen"')
    write_sheets(planned_round(folder))
    return folder


def everything(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_idea_gives_the_plan_that_is_there(folder):
    before = everything(folder)
    said = []
    planned_round(folder, tell=said.append)
    assert everything(folder) == before
    assert said == []


def test_a_changed_idea_replaces_the_plan_and_takes_every_sheet_of_it_away(folder):
    old = everything(folder)
    change(folder, "low = 165", "low = 170")
    said = []
    new = planned_round(folder, tell=said.append)
    assert said == [
        "Nothing was entered yet, so the earlier plan was replaced (kept in received/) and its "
        "sheets taken away; write them again."
    ]
    assert new.plan.factors[0].low == 170
    left = everything(folder)
    kept = {name for name in left if name.startswith("received/")}
    assert set(left) - kept == set(KEPT)
    kept_bytes = {left[name] for name in kept}
    assert {old["plan.csv"], old["round.toml"], old["serving.csv"]} <= kept_bytes
    write_sheets(new)
    assert not check(new)
    assert set(read_csv(folder / "serving.csv")["bake"]) <= set(new.plan.rows["bake"])
    # Replaced once more: what the first replacing kept was entered by nobody
    change(folder, "low = 170", "low = 172")
    assert planned_round(folder).plan.factors[0].low == 172


def test_reading_blank_sheets_enters_nothing(folder):
    check(Round.open(folder))
    change(folder, "low = 165", "low = 170")
    planned_round(folder)
    assert not (folder / "scores.csv").exists()


def _actual(folder):
    round_ = Round.open(folder)
    table = read_actual(round_)
    table.loc[1, "status"] = "failed"
    write_actual(round_, table)


def _extra_column(folder):
    table = read_csv(folder / "tastings.csv").assign(thoughts="")
    table.iloc[0, -1] = "too sweet"
    write_csv(table, folder / "tastings.csv")


ENTRIES = {
    "a score": (lambda f: enter(f / "tastings.xlsx", 2, "liking", 7), "tastings.xlsx"),
    "a score in the twin": (lambda f: enter(f / "tastings.csv", 2, "liking", 7), "tastings.csv"),
    "a weight": (lambda f: enter(f / "bakes.xlsx", 2, "bake loss", 12), "bakes.xlsx"),
    "a status": (lambda f: enter(f / "bakes.xlsx", 2, "status", "failed"), "bakes.xlsx"),
    "a setting": (lambda f: enter(f / "bakes.xlsx", 2, "actual oven", 171), "bakes.xlsx"),
    "a note": (lambda f: enter(f / "tastings.csv", 2, "note", "soapy"), "tastings.csv"),
    "what can not be read": (lambda f: enter(f / "bakes.csv", 2, "status", "odd"), "bakes.csv"),
    "a column of one's own": (_extra_column, "tastings.csv"),
    "a spoilt sheet": (lambda f: (f / "bakes.xlsx").write_bytes(b"PK"), "bakes.xlsx"),
    "what was done": (_actual, "actual.csv"),
    "a ballot": (lambda f: write_text(f / "incoming/ballot-Ida.csv", "taster,code\n"), "incoming/"),
    "a photo": (lambda f: write_text(f / "photos/B01-1.jpg", "picture"), "photos/"),
    "a diary note": (lambda f: write_note(f, "It spread.", bake="B01"), "diary.csv"),
}


@pytest.mark.parametrize("what", ENTRIES)
def test_what_was_entered_is_never_planned_over(folder, what):
    write, named = ENTRIES[what]
    write(folder)
    change(folder, "low = 165", "low = 170")
    before = everything(folder)
    with pytest.raises(RoundError) as refused:
        planned_round(folder)
    assert f"see {named}. Nothing was changed." in str(refused.value)
    assert f"trials replan {folder} --limit oven=170..190" in str(refused.value)
    assert "new folder" in str(refused.value)
    assert everything(folder) == before


def test_scores_read_once_and_then_emptied_still_count(folder):
    sheet = folder / "tastings.xlsx"
    blank = sheet.read_bytes()
    enter(sheet, 2, "liking", 7)
    check(Round.open(folder))
    sheet.write_bytes(blank)
    change(folder, "low = 165", "low = 170")
    with pytest.raises(RoundError, match=r"see actual\.csv and received/"):
        planned_round(folder)


def test_a_note_on_the_project_is_no_entry_and_stays(folder):
    write_note(folder, "Ordered more rye.")
    change(folder, "low = 165", "low = 170")
    planned_round(folder)
    assert "Ordered more rye." in (folder / "diary.csv").read_text("utf-8")


def test_an_idea_that_can_not_be_planned_leaves_the_plan_that_is_there(folder):
    change(folder, 'needs = ["oven"]', 'needs = ["stove"]')
    before = everything(folder)
    with pytest.raises(RoundError, match="stove"):
        planned_round(folder)
    change(folder, 'needs = ["stove"]', 'needs = ["oven"]')
    change(folder, 'name = "liking"', 'name = "place"')
    with pytest.raises(ValueError, match="place"):
        planned_round(folder)
    assert {**everything(folder), "idea.toml": b""} == {**before, "idea.toml": b""}


def test_the_command_says_it_in_one_line(folder, capsys):
    change(folder, "low = 165", "low = 170")
    assert run(["plan", str(folder)]) == 0
    assert capsys.readouterr().out.startswith("Nothing was entered yet, so the earlier plan was")
    write_sheets(Round.open(folder))
    enter(folder / "bakes.xlsx", 2, "bake loss", 12)
    change(folder, "low = 170", "low = 172")
    assert run(["plan", str(folder)]) == 1
    assert capsys.readouterr().err.startswith("idea.toml: the idea was changed, but something")


def test_a_plan_that_was_filled_up_is_read_like_any_other(tmp_path):
    """Six bakes of two factors are a full plan of four and two more."""
    home = tmp_path / "six"
    idea = write_idea(home).read_text("utf-8")
    idea = idea.replace("bakes = 8 ", "bakes = 6 ").replace("days = 2 ", "days = 1 ")
    idea = idea.replace("references = 2", "references = 1")
    idea = "".join(one for one in idea.splitlines(True) if 'name = "sugar"' not in one)
    write_text(home / "idea.toml", idea)
    round_ = planned_round(home)
    assert any("added where they tell most" in one for one in round_.plan.reasons)
    write_sheets(round_)
    assert len(check(round_)) == 0


def test_sheets_of_an_idea_that_was_changed_after_its_plan_say_so(tmp_path, capsys):
    folder = tmp_path / "r"
    run(["new", str(folder)])
    idea = folder / "idea.toml"
    run(["plan", str(folder)])
    later = idea.stat().st_mtime + 60
    text = idea.read_text(encoding="utf-8")
    idea.write_text(text.replace("high = 24", "high = 25"), encoding="utf-8")
    os.utime(idea, (later, later))
    capsys.readouterr()
    assert run(["sheets", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "idea.toml was changed after this plan was made" in said
    assert f"trials plan {folder}" in said
    # Planned again, also where nothing but words was changed, it is of the idea as it stands
    os.utime(idea)
    run(["plan", str(folder)])
    run(["plan", str(folder)])
    capsys.readouterr()
    assert run(["sheets", str(folder)]) == 0
    assert "was changed after" not in capsys.readouterr().out
