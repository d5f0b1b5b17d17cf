"""No file of a round is overwritten or taken away before it is kept; a change is one step."""

import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image

import trials
from tests.killing import killed_at_each
from tests.rounds.ginger_round import (
    edit_book,
    enter,
    make_round,
    save_as_an_editor,
    serving,
    tidy_scores,
)
from trials.base import keeping
from trials.base.errors import RoundError, SheetError
from trials.base.files import read_csv, write_bytes, write_csv
from trials.base.keeping import one_step, put, take_away
from trials.deciding.replanning import replan
from trials.doors.cli import run
from trials.rounds.diary import photos, read_diary, write_note
from trials.rounds.scores import record_scores
from trials.rounds.workbook import write_workbooks


@pytest.fixture
def round_(tmp_path):
    return make_round(tmp_path / "ginger snap")


@pytest.fixture
def filled(round_):
    record_scores(round_, tidy_scores())
    return round_


def contents(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in folder.rglob("*") if path.is_file()]


# A step is all or nothing


def three_files(folder: Path) -> None:
    with one_step(folder):
        put(folder / "plan.csv", b"new plan")
        put(folder / "new" / "sheet.html", b"new sheet")
        put(folder / "round.toml", b"new settings")
        take_away(folder / "old.csv")


def test_a_step_that_is_killed_is_whole_or_not_at_all(tmp_path):
    number = iter(range(1000))

    def make():
        folder = tmp_path / str(next(number))
        folder.mkdir()
        for name in ("plan.csv", "round.toml", "old.csv"):
            (folder / name).write_bytes(f"my {name}".encode())
        return folder

    def after(folder, at):
        with one_step(folder):
            pass  # what the next command does first
        plan, settings = ((folder / name).read_bytes() for name in ("plan.csv", "round.toml"))
        old = [b"my plan.csv", b"my round.toml", True]
        assert [plan, settings, (folder / "old.csv").exists()] in (
            old,
            [b"new plan", b"new settings", False],
        ), at
        assert {b"my plan.csv", b"my round.toml", b"my old.csv"} <= set(contents(folder)), at
        drafts = [path.name for path in folder.rglob(".*")]
        assert not drafts, (at, drafts)

    assert killed_at_each(three_files, make, after) > 10


def test_an_error_in_a_step_changes_nothing(tmp_path):
    (tmp_path / "plan.csv").write_bytes(b"mine")

    def work():
        with one_step(tmp_path):
            put(tmp_path / "plan.csv", b"new")
            raise SheetError("no")

    with pytest.raises(SheetError):
        work()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"plan.csv": b"mine"}


def test_what_the_program_can_write_again_is_not_kept_and_what_was_changed_by_hand_is(tmp_path):
    page = tmp_path / "page.html"
    for content in (b"one", b"two"):
        with one_step(tmp_path):
            put(page, content)
    assert b"one" not in contents(tmp_path)
    page.write_bytes(b"two, with my words")
    with one_step(tmp_path):
        put(page, b"three")
    assert b"two, with my words" in contents(tmp_path / "received")


def test_a_change_through_a_link_out_of_the_folder_is_refused(tmp_path):
    home, outside = tmp_path / "round", tmp_path / "outside"
    home.mkdir()
    outside.mkdir()
    (home / "photos").symlink_to(outside)
    with pytest.raises(RoundError, match="leads out of the round"), one_step(home):
        put(home / "photos" / "B01-1.jpg", b"picture")
    assert not list(outside.iterdir())


@pytest.mark.parametrize("name", ["received", "ballots", "page.html"])
def test_a_file_for_a_folder_or_a_folder_for_a_file_changes_nothing(tmp_path, name):
    home = tmp_path / "round"
    home.mkdir()
    (home / "plan.csv").write_bytes(b"mine")
    (home / name).mkdir() if "." in name else (home / name).write_bytes(b"mine")

    def work():
        with one_step(home):
            put(home / "plan.csv", b"new")
            put(home / "ballots" / "Ida.html", b"new")
            put(home / "page.html", b"new")

    with pytest.raises(RoundError, match=f"{name}: this is a"):
        work()
    assert contents(home) == [b"mine"] * (1 if "." in name else 2)


def test_what_was_decided_stays_when_it_can_not_be_put_in_its_place(tmp_path, monkeypatch):
    real = keeping.os.replace

    def stubborn(source, target):
        if str(target).endswith("sheet.html"):
            raise PermissionError(13, "open in another program")
        real(source, target)

    def work():
        with one_step(tmp_path):
            put(tmp_path / "plan.csv", b"new plan")
            put(tmp_path / "sheet.html", b"new sheet")

    with monkeypatch.context() as patch:
        patch.setattr(keeping.os, "replace", stubborn)
        with pytest.raises(PermissionError):
            work()
    keeping.finished(tmp_path)
    assert (tmp_path / "plan.csv").read_bytes() == b"new plan"
    assert (tmp_path / "sheet.html").read_bytes() == b"new sheet"
    assert not list(tmp_path.glob(".trials*"))


def test_a_file_of_a_round_written_by_itself_is_kept_too(round_):
    path = round_.folder / "album.html"
    path.write_bytes(b"my words")
    write_bytes(path, b"pictures")
    assert path.read_bytes() == b"pictures"
    assert b"my words" in contents(round_.folder / "received")


def test_a_round_that_was_moved_is_not_made_anew(round_):
    round_.folder.rename(round_.folder.with_name("moved"))
    with pytest.raises(RoundError, match="not in"):
        trials.write_sheets(round_)
    with pytest.raises(RoundError, match="not in"):
        write_workbooks(round_, serving())
    assert not round_.folder.exists()


def test_what_is_typed_into_actual_csv_is_pointed_out_until_the_sheets_say_it(filled):
    trials.check(filled)
    path = filled.folder / "actual.csv"
    save_as_an_editor(read_csv(path), path)
    assert not trials.check(filled)  # saved by a spreadsheet, and nothing changed
    enter(path, 3, "oven heat", "188")
    for _ in range(2):
        (problem,) = trials.check(filled)
        assert (problem.place.row, problem.place.column) == (3, "oven heat")
        assert "bakes.xlsx" in str(problem)
        with pytest.raises(SheetError, match=r"actual\.csv"):
            trials.scores(filled)
    enter(filled.folder / "bakes.xlsx", 3, "actual oven heat", 188)
    assert not trials.check(filled)
    assert 188 in set(trials.scores(filled)["oven heat"])
    assert "188" in set(read_csv(path)["oven heat"])


# Sheets that hold what the form does not know are refused, never wiped


def _title_row(book):
    book.worksheets[0].insert_rows(1)
    book.worksheets[0]["A1"] = "Tasting of Sunday"


def _renamed(book):
    for title in book.worksheets[0][1]:
        title.value = f"my {title.value}"


def _renamed_scores(book):
    for title in book.worksheets[0][1]:
        if str(title.value) in ("liking", "ginger heat", "sweetness", "said of it"):
            title.value = f"my {title.value}"


def _deleted_header(book):
    for title in book.worksheets[0][1]:
        title.value = None


def _own_sheet(book):
    book.create_sheet("my sums")["A1"] = 7


def _beside(book):
    book.worksheets[0].cell(row=4, column=book.worksheets[0].max_column + 2).value = 7.5


CHANGED = (_title_row, _renamed, _renamed_scores, _deleted_header, _own_sheet, _beside)


@pytest.mark.parametrize("change", CHANGED, ids=lambda change: change.__name__.strip("_"))
@pytest.mark.parametrize("scored", [True, False], ids=["scored", "blank"])
def test_sheets_refuse_a_workbook_that_holds_more_than_the_form(round_, change, scored):
    if scored:
        record_scores(round_, tidy_scores())
    book = round_.folder / "tastings.xlsx"
    edit_book(book, change)
    before = {path: path.read_bytes() for path in round_.folder.glob("*.*")}
    if not scored and change is _renamed_scores:
        write_workbooks(round_, serving())  # nothing was entered, and what stood there is kept
        assert before[book] in contents(round_.folder / "received")
        return
    with pytest.raises(SheetError, match=r"tastings\.xlsx") as refused:
        write_workbooks(round_, serving())
    assert "ove the file out of the folder" in str(refused.value)
    assert {path: path.read_bytes() for path in round_.folder.glob("*.*")} == before


def test_every_command_keeps_the_workbooks_it_writes_anew(filled):
    enter(filled.folder / "tastings.xlsx", 2, "words of", "typed later")
    books = [(filled.folder / name).read_bytes() for name in ("tastings.xlsx", "bakes.xlsx")]
    write_workbooks(filled, serving())
    assert books[0] in [*contents(filled.folder)]
    assert "typed later" in set(trials.scores(filled)["note"])


def test_a_replan_keeps_what_is_too_large_or_no_table_where_it_is(filled):
    folder = filled.folder / "incoming"
    folder.mkdir()
    photo = folder / "whole table.jpg"
    photo.write_bytes(b"x" * 21_000_000)
    replan(filled, record=True)
    assert photo.stat().st_size == 21_000_000


# What commands are told to write to


@pytest.mark.parametrize("name", ["plan.csv", "round.toml", "tastings.xlsx", "idea.toml"])
def test_a_page_is_never_written_over_a_file_of_the_round(filled, name, capsys):
    before = (filled.folder / name).read_bytes() if (filled.folder / name).exists() else None
    words = ["report", str(filled.folder), "--replace", "--to", str(filled.folder / name)]
    assert run(words) == 1
    assert "belongs to a round" in capsys.readouterr().err
    assert ((filled.folder / name).read_bytes() if before is not None else None) == before


def test_a_file_elsewhere_is_written_over_on_request_only(filled, tmp_path, capsys):
    mine = tmp_path / "mine.html"
    mine.write_text("mine")
    assert run(["report", str(filled.folder), "--to", str(mine)]) == 1
    assert "--replace" in capsys.readouterr().err
    assert mine.read_text() == "mine"


def test_effects_are_never_written_over_the_table_they_are_of(tmp_path, capsys):
    table = tmp_path / "scores.csv"
    write_csv(pd.DataFrame({"fat": [1, 2, 1, 2], "liking": [3, 5, 4, 6]}), table)
    before = table.read_bytes()
    words = ["fit", str(table), "liking", "--factors", "fat", "--csv", str(table), "--replace"]
    assert run(words) == 1
    assert "the file that was read" in capsys.readouterr().err
    assert table.read_bytes() == before


# Filled sheets under other names


OTHER_NAMES = ("Tastings.xlsx", "tastings (1).xlsx", "tastings.XLSX", "my tastings.xlsx")


@pytest.mark.parametrize("name", OTHER_NAMES)
def test_a_filled_sheet_under_another_name_is_read_and_named(round_, name):
    blank = (round_.folder / "tastings.xlsx").read_bytes()
    enter(round_.folder / "tastings.xlsx", 2, "liking", 7)
    (round_.folder / "tastings.xlsx").rename(round_.folder / name)
    (round_.folder / "tastings.xlsx").write_bytes(blank)
    found = trials.check(round_)
    assert not found
    assert any(name in str(note) for note in found.notes)
    assert trials.scores(round_)["liking"].max() == 7


def test_a_sheet_of_another_program_is_named(round_):
    (round_.folder / "tastings.ods").write_bytes(b"PK anything")
    (problem,) = trials.check(round_)
    assert problem.place.file == "tastings.ods"
    assert ".xlsx" in str(problem)


# Several at once


def at_once(words: list[list[str]]) -> list[int]:
    def one(word):
        return subprocess.run([sys.executable, "-c", *word], capture_output=True).returncode

    with ThreadPoolExecutor(10) as pool:
        return list(pool.map(one, words))


def test_notes_of_many_processes_at_once_are_all_kept(round_):
    code = """
import sys
from trials.rounds.diary import write_note
for word in sys.argv[2:]:
    write_note(sys.argv[1], word)
"""
    said = [f"note {number}" for number in range(20)]
    asked = [[code, str(round_.folder), *said[start::5]] for start in range(5)]
    assert at_once(asked) == [0] * 5
    assert sorted(read_diary(round_.folder)["note"]) == sorted(said)
    assert not list(round_.folder.glob(".trials*"))


def test_photos_of_many_threads_at_once_are_all_kept(round_, tmp_path):
    for number in range(12):
        Image.new("RGB", (9, 9), (20 * number, 0, 0)).save(tmp_path / f"{number}.png")
    with ThreadPoolExecutor(6) as pool:
        list(
            pool.map(
                lambda number: trials.add_photo(round_, "B01", tmp_path / f"{number}.png"),
                range(12),
            )
        )
    assert len(photos(round_, "B01")) == 12


def test_own_columns_of_the_diary_survive(round_):
    write_note(round_.folder, "First.", bake="B01")
    path = round_.folder / "diary.csv"
    write_csv(read_csv(path).assign(weather="rain"), path)
    write_note(round_.folder, "Second.")
    assert list(read_csv(path)["weather"]) == ["rain", ""]
    assert list(read_diary(round_.folder)["note"]) == ["First.", "Second."]


# Killed at some operation, the next command works and every score is there (the benchmark of
# faults kills at every one)


def _photo(folder):
    trials.add_photo(trials.Round.open(folder), "B01", folder.parent / "one.png")


KILLED = {
    "check": lambda folder: trials.check(trials.Round.open(folder)),
    "workbooks": lambda folder: write_workbooks(trials.Round.open(folder), serving()),
    "replan": lambda folder: replan(trials.Round.open(folder), record=True),
    "note": lambda folder: write_note(folder, "Oil foamed."),
    "photo": _photo,
}


@pytest.mark.parametrize("what", KILLED)
def test_a_killed_change_loses_no_score(filled, tmp_path, what):
    enter(filled.folder / "bakes.xlsx", 3, "status", "failed")
    enter(filled.folder / "bakes.xlsx", 3, "reason", "spilled")
    for file, names in (("bakes", ("spread", "kept its shape")), ("tastings", ())):
        for name in names:
            enter(filled.folder / f"{file}.xlsx", 3, name, None)
    lost = trials.Round.open(filled.folder).plan.rows["bake"][1]
    taken = serving()
    for at, row in enumerate(taken[taken["kind"] != "warm-up"].itertuples(), start=2):
        if row.bake == lost:
            for name in ("liking", "ginger heat", "sweetness", "said of it"):
                enter(filled.folder / "tastings.xlsx", at, name, None)
    Image.new("RGB", (9, 9)).save(tmp_path / "one.png")
    before = trials.scores(filled)
    number = iter(range(1000))

    def make():
        place = tmp_path / f"copy-{next(number)}"
        place.mkdir()
        shutil.copy(tmp_path / "one.png", place)
        return shutil.copytree(filled.folder, place / filled.folder.name)

    def after(folder, at):
        KILLED[what](folder)
        back = trials.scores(trials.Round.open(folder))
        key = ["taster", "code", "bake"]
        same = before.merge(back[key], on=key)
        assert len(same) == len(before), at
        names = ["liking", "spread", "note", "status", "reason"]
        old = before.set_index(key)[names].sort_index()
        new = back.set_index(key)[names].sort_index().loc[old.index]
        pd.testing.assert_frame_equal(new, old)
        drafts = [path.name for path in folder.rglob(".trials*")]
        assert not drafts, (at, drafts)

    killed_at_each(KILLED[what], make, after, points=7)


def test_write_bytes_outside_a_step_is_whole_at_once(tmp_path):
    assert write_bytes(tmp_path / "a.txt", b"one").read_bytes() == b"one"
