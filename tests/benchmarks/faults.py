"""Everything that can go wrong with a round's folder, tried: damages, kills, hostile files.

Run it as a command from the root of the repository:

    python -m tests.benchmarks.faults [--damages 200] [--seed N] [--toml 10000]
                                      [--readers 100000] [--kills] [--unwritable] [--points]

Each part (`--damages 0` leaves one out) writes its own section of the table. `--unwritable` gives
every command a folder that nobody may write, and one on a disk that is read-only; `--points` runs
the tests that stand for what can go wrong with people, files, the server and folders.

Damages are drawn by a seeded generator, cell by mutation. What must come of each kind stands below,
written before anything ran: `refused` (exit 1, naming the file), `noted` (a note naming the file,
the scores used as they stand) or `kept` (every score as it was, or as it was typed anew). After
each, every file that was there is there still, or its bytes are under `received/`, and nothing
beside the folder was touched. The table goes to `results/faults.md`.
"""

import argparse
import contextlib
import io
import random
import re
import shutil
import string
import subprocess
import sys
import tempfile
import traceback
import xml.etree.ElementTree as ElementTree
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

import trials
from tests.killing import killed_at_each
from tests.rounds.ginger_round import (
    MEASURES,
    cell,
    edit_book,
    make_round,
    save_as_an_editor,
    serving,
    tidy_scores,
)
from trials.base.errors import SheetError, TrialsError
from trials.base.files import read_csv, write_csv
from trials.doors.cli import run
from trials.rounds.diary import write_note
from trials.rounds.gathering import gathered
from trials.rounds.idea import read_idea, write_idea
from trials.rounds.round import Round
from trials.rounds.scores import record_scores
from trials.rounds.workbook import write_workbooks

RESULTS = Path(__file__).parent / "results" / "faults.md"
LIKING = [one.name for one in MEASURES if one.per == "tasting"]
ID_COLUMNS = ("taster", "code")


@dataclass(frozen=True)
class Damage:
    """One way to damage a round.

    `work` damages the folder and returns the file that must be named (for "kept": nothing, or the
    score that was typed as (row, column, value) of the tastings).
    """

    name: str
    expected: str
    work: Callable[[Path, random.Random], object]
    asks: tuple[str, ...] = ("check", "FOLDER")


def _sheet(folder: Path, chance: random.Random, column: str, value: object) -> str:
    """Type a value into a drawn row of the tasters' workbook."""
    row = chance.randrange(2, 16)
    edit_book(
        folder / "tastings.xlsx",
        lambda book: setattr(cell(book["Tastings"], row, column), "value", value),
    )
    return "tastings.xlsx"


def _typed(column: str, *values: object) -> Callable[[Path, random.Random], str]:
    return lambda folder, chance: _sheet(folder, chance, column, chance.choice(values))


def _csv(file: str, change: Callable[[pd.DataFrame, random.Random], pd.DataFrame]):
    def work(folder: Path, chance: random.Random) -> str:
        save_as_an_editor(change(read_csv(folder / file), chance), folder / file)
        return file

    return work


def _book(change: Callable[[object, random.Random], None], file: str = "tastings.xlsx"):
    def work(folder: Path, chance: random.Random) -> str:
        edit_book(folder / file, lambda book: change(book, chance))
        return file

    return work


def _sorted_alone(column: str):
    def change(table: pd.DataFrame, chance: random.Random) -> pd.DataFrame:
        new = table.copy()
        new[column] = sorted(table[column], reverse=True)
        return new

    return change


def _one_cell(columns: tuple[str, ...]):
    def change(table: pd.DataFrame, chance: random.Random) -> pd.DataFrame:
        column = chance.choice(columns)
        rows = list(table.index)
        one, other = chance.sample(rows, 2)
        if table.loc[one, column] == table.loc[other, column]:
            other = next(at for at in rows if table.loc[at, column] != table.loc[one, column])
        new = table.copy()
        new.loc[one, column] = table.loc[other, column]
        return new

    return change


def _another_score(folder: Path, chance: random.Random) -> tuple[int, str, float]:
    # B08 failed: a score for it is another damage
    made = [at for at, bake in enumerate(_served()["bake"], start=2) if bake != "B08"]
    row, value = chance.choice(made), float(chance.randrange(0, 101)) / 10
    edit_book(
        folder / "tastings.xlsx",
        lambda book: setattr(cell(book["Tastings"], row, "ginger heat"), "value", value),
    )
    return (row, "ginger heat", value)


def _shuffled(book, chance: random.Random) -> None:
    sheet = book["Tastings"]
    rows = [[one.value for one in row] for row in sheet.iter_rows(min_row=2)]
    chance.shuffle(rows)
    for number, row in enumerate(rows, start=2):
        for at, value in enumerate(row, start=1):
            sheet.cell(row=number, column=at).value = value


def _delete_row(book, chance: random.Random) -> None:
    book["Tastings"].delete_rows(chance.randrange(2, 16))


def _double_row(book, chance: random.Random) -> None:
    sheet, row = book["Tastings"], chance.randrange(2, 16)
    last = sheet.max_row + 1
    for one in list(sheet[row]):
        sheet.cell(row=last, column=one.column).value = one.value


def _rename(book, chance: random.Random) -> None:
    title = chance.choice([one for one in book["Tastings"][1] if str(one.value) in LIKING])
    title.value = f"{title.value} of mine"


def _titled(book, chance: random.Random) -> None:
    book["Tastings"].insert_rows(1)
    book["Tastings"]["A1"] = "Tasting"


def _beside(book, chance: random.Random) -> None:
    sheet = book["Tastings"]
    sheet.cell(row=chance.randrange(2, 16), column=sheet.max_column + 2).value = 7


def _cut(file: str):
    def work(folder: Path, chance: random.Random) -> str:
        content = (folder / file).read_bytes()
        (folder / file).write_bytes(content[: chance.randrange(1, len(content))])
        return file

    return work


def _other_name(folder: Path, chance: random.Random) -> str:
    name = chance.choice(["Tastings.xlsx", "tastings (1).xlsx", "tastings copy.XLSX"])
    (folder / "tastings.xlsx").rename(folder / name)
    return name


def _semicolons(folder: Path, chance: random.Random) -> None:
    for file in ("plan.csv", "serving.csv", "tastings.csv", "bakes.csv"):
        text = (folder / file).read_text("utf-8").replace(",", ";").replace("\n", "\r\n")
        (folder / file).write_text(text, "utf-8-sig")


def _settings(folder: Path, chance: random.Random) -> str:
    path = folder / "round.toml"
    lines = path.read_text("utf-8").splitlines()
    at = chance.choice(
        [n for n, line in enumerate(lines) if line.startswith(("seed", "low", "per"))]
    )
    key = lines[at].partition("=")[0]
    lines[at] = f"{key}= {chance.choice(['[]', '{}', '-1e99', 'nan', '2026-01-01'])}"
    path.write_text("\n".join(lines), "utf-8")
    return "round.toml"


def _spread(folder: Path, chance: random.Random) -> str:
    edit_book(
        folder / "bakes.xlsx",
        lambda book: setattr(cell(book["Bakes"], chance.randrange(2, 9), "spread"), "value", 615),
    )
    return "bakes.xlsx"


def _really(folder: Path, chance: random.Random) -> str:
    edit_book(
        folder / "bakes.xlsx",
        lambda book: setattr(
            cell(book["Bakes"], chance.randrange(2, 10), "actual oven heat"), "value", 196
        ),
    )
    return "bakes.xlsx"


def _no_status(folder: Path, chance: random.Random) -> str:
    row = chance.randrange(2, 9)
    for name, value in (("status", None), ("reason", "tore while turning")):
        edit_book(
            folder / "bakes.xlsx",
            lambda book, name=name, value=value: setattr(
                cell(book["Bakes"], row, name), "value", value
            ),
        )
    return "bakes.xlsx"


def _in_actual(table: pd.DataFrame, chance: random.Random) -> pd.DataFrame:
    new = table.copy()
    new.loc[chance.choice(list(table.index)), "oven heat"] = "188"
    return new


def _diary(folder: Path, chance: random.Random) -> None:
    table = read_csv(folder / "diary.csv").assign(weather=chance.choice(["rain", "=1+1"]))
    save_as_an_editor(table, folder / "diary.csv")
    write_note(folder, "Another.")
    assert list(read_csv(folder / "diary.csv")["weather"])[:-1] == list(table["weather"])


def _other_program(folder: Path, chance: random.Random) -> str:
    name = chance.choice(["tastings.ods", "my bakes.numbers", "Tastings.xls"])
    (folder / name).write_bytes(b"PK anything")
    return name


def _leads_out(folder: Path, chance: random.Random) -> str:
    name = chance.choice(["tastings.xlsx", "bakes.xlsx", "plan.csv", "serving.csv", "round.toml"])
    elsewhere = folder.with_name("beside") / "mine.txt"
    (folder / name).rename(folder / f"my {name}")
    (folder / name).symlink_to(elsewhere)
    return name


def _evil_bake(table: pd.DataFrame, chance: random.Random) -> pd.DataFrame:
    new = table.copy()
    new.loc[chance.choice(list(table.index)), "bake"] = chance.choice(["../../evil", "/etc/x", ""])
    return new


def _received_is_a_file(folder: Path, chance: random.Random) -> str:
    (folder / "received").rename(folder / "what was received")
    (folder / "received").write_text("mine")
    return "received"


def _marked(folder: Path, chance: random.Random) -> None:
    path = folder / chance.choice(["round.toml", "tastings.csv", "serving.csv", "plan.csv"])
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())


# A table of one's own: what was entered in the round, with settings, one row a tasting
TABLE = "mine.csv"
FIT = ("fit", f"FOLDER/{TABLE}", "ginger heat", "--factors", "oven heat", "fat", "--model", "main")


def _typed_in_table(column: str, *values: object, whole_bake: bool = False):
    """Type a value into one row of a table of one's own, or into all rows of one bake."""

    def work(folder: Path, chance: random.Random) -> str:
        table = trials.scores(Round.open(folder))
        table = table[table["taster"].notna() & (table["status"] == "made")]
        table = table.drop(columns=["said of it"]).reset_index(drop=True).astype(object)
        row = chance.randrange(len(table))
        rows = table.index == row
        if whole_bake:
            rows = table["bake"] == table.loc[row, "bake"]
        table.loc[rows, column] = chance.choice(values)
        if column == "reason":
            table.loc[rows, "status"] = ""
        write_csv(table, folder / TABLE)
        return f'row {int(np.flatnonzero(rows)[0]) + 2}, "{column}"'

    return work


def _alike(column: str):
    """Write one name of a table in other letters than all others of it."""

    def work(folder: Path, chance: random.Random) -> str:
        place = _typed_in_table(column, "")(folder, chance)
        before = trials.scores(Round.open(folder))
        before = before[before["taster"].notna() & (before["status"] == "made")]
        table, row = read_csv(folder / TABLE), int(place.split(",")[0].split()[1])
        name = str(before[column].iloc[row - 2])
        others = {name.swapcase(), name.lower(), name.upper()} - {name}
        table.loc[row, column] = chance.choice(sorted(others))
        write_csv(table, folder / TABLE)
        return f'"{column}"'

    return work


DAMAGES = (
    Damage("a score off the scale", "refused", _typed("ginger heat", 11, -1, 99, 1e9)),
    Damage("words for a score", "refused", _typed("ginger heat", "so so", "seven", "7/10", "7..5")),
    Damage("one of two meanings", "refused", _typed("ginger heat", "1,250")),
    Damage("true for a score", "refused", _typed("ginger heat", True, False)),
    Damage("a formula for a score", "refused", _typed("ginger heat", "=3+4", "=cmd|'/C calc'!A0")),
    Damage("an error for a score", "refused", _typed("ginger heat", "#DIV/0!", "#N/A")),
    Damage("between two points", "refused", _typed("sweetness", 2.5, 3.1)),
    Damage("an unknown word", "refused", _typed("said of it", "gooey", "snappy; gooey")),
    Damage("another taster", "refused", _typed("taster", "Somebody", "", None)),
    Damage("another code", "refused", _typed("code", "000", "9999", None)),
    Damage("a row deleted", "refused", _book(_delete_row)),
    Damage("a row doubled", "refused", _book(_double_row)),
    Damage("a column renamed", "refused", _book(_rename)),
    Damage("a title row inserted", "refused", _book(_titled)),
    Damage("a number beside the form", "refused", _book(_beside)),
    Damage("a workbook cut short", "refused", _cut("tastings.xlsx")),
    Damage("bakes of serving sorted alone", "refused", _csv("serving.csv", _sorted_alone("bake"))),
    Damage("codes of serving sorted alone", "refused", _csv("serving.csv", _sorted_alone("code"))),
    Damage("one cell of serving", "refused", _csv("serving.csv", _one_cell(("bake", "code")))),
    Damage(
        "a setting of the plan sorted alone",
        "refused",
        _csv("plan.csv", _sorted_alone("oven heat")),
    ),
    Damage("one cell of the plan", "refused", _csv("plan.csv", _one_cell(("oven heat", "fat")))),
    Damage("a setting of round.toml", "refused", _settings),
    Damage("a word for no score", "noted", _typed("ginger heat", "n/a")),
    Damage("a reading ten times too large", "noted", _spread),
    Damage("a setting beyond the plan", "noted", _really),
    Damage("the sheet under another name", "noted", _other_name),
    Damage("a reason without a status", "noted", _no_status),
    Damage("a setting typed into actual.csv", "refused", _csv("actual.csv", _in_actual)),
    Damage("a sheet of another program", "refused", _other_program),
    Damage("a file that leads out of the folder", "refused", _leads_out),
    Damage("a bake called by a path", "refused", _csv("plan.csv", _evil_bake)),
    Damage("a file where received should be", "refused", _received_is_a_file),
    Damage("in a table, true for a score", "refused", _typed_in_table("ginger heat", "True"), FIT),
    Damage("in a table, two meanings", "refused", _typed_in_table("ginger heat", "1,250"), FIT),
    Damage("in a table, bakes alike", "refused", _alike("bake"), FIT),
    Damage("in a table, tasters alike", "refused", _alike("taster"), FIT),
    Damage("in a table, 999", "noted", _typed_in_table("ginger heat", 999, 9999), FIT),
    Damage(
        "in a table, a setting ten times too large",
        "noted",
        _typed_in_table("oven heat", 1750, 1650, whole_bake=True),
        FIT,
    ),
    Damage(
        "in a table, a kind one letter off",
        "noted",
        _typed_in_table("fat", "buter", "buttre", "buttter", whole_bake=True),
        FIT,
    ),
    Damage(
        "in a table, a reason without a status",
        "noted",
        _typed_in_table("reason", "tore", whole_bake=True),
        FIT,
    ),
    Damage("another score", "kept", _another_score),
    Damage("rows in another order", "kept", lambda f, c: (_book(_shuffled)(f, c), None)[1]),
    Damage("tables saved by a spreadsheet", "kept", _semicolons),
    Damage("a column of one's own in the diary", "kept", _diary),
    Damage("a mark in front of a text", "kept", _marked),
)


# -- One damage, and what came of it.


@dataclass
class Outcome:
    """What came of one damage."""

    kind: str
    as_expected: bool
    lost: int
    traceback: str
    outside: int
    said: str


def filled_round(folder: Path) -> Round:
    """Make the round that is damaged: eight bakes, two tasters, every score in."""
    round_ = make_round(folder)
    table, chance = tidy_scores(), np.random.default_rng(7)
    given = table["ginger heat"].notna()
    count = int(given.sum())
    table.loc[given, "ginger heat"] = chance.uniform(2, 9, count).round(1)
    table.loc[given, "liking"] = chance.integers(2, 9, count).astype(float)
    record_scores(round_, table)
    write_note(folder, "The oil foamed.", bake="B01")
    trials.check(round_)
    # As sheets are written by the command: with digests of the serving
    settings = folder / "round.toml"
    if '"serving.csv"' not in settings.read_text("utf-8"):
        from trials.rounds.round import writing

        (folder / "serving.csv").unlink()
        with writing(folder):
            write_csv(serving(), folder / "serving.csv")
    return round_


def command(words: list[str]) -> tuple[int, str, str]:
    """Run one command; return its exit status, what it said, and a traceback if there was one."""
    out = io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            status = run(words)
    except BaseException:
        return 2, out.getvalue(), traceback.format_exc()
    return status, out.getvalue(), ""


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def tried(damage: Damage, clean: Path, chance: random.Random) -> Outcome:
    """Damage a copy of a round, check it, write its sheets anew, and see what came of it."""
    with tempfile.TemporaryDirectory() as place:
        outside = Path(place) / "beside"
        outside.mkdir()
        (outside / "mine.txt").write_text("mine")
        folder = Path(shutil.copytree(clean, Path(place) / "ginger snap"))
        before = trials.scores(Round.open(folder))
        named = damage.work(folder, chance)
        there = contents(folder)
        asked = [word.replace("FOLDER", str(folder)) for word in damage.asks]
        status, said, broken = command(asked)
        right = _as_expected(damage, folder, before, named, status, said)
        # What writes the sheets anew may refuse, and may not lose anything
        try:
            write_workbooks(Round.open(folder), serving())
        except TrialsError:
            pass
        except BaseException:
            broken = broken or traceback.format_exc()
        left = set(contents(folder).values())
        made_again = ("scores.csv", "actual.csv", "received/")
        lost = sum(
            content not in left and not name.startswith(made_again)
            for name, content in there.items()
        )
        beside = int(contents(outside) != {"mine.txt": b"mine"})
        beside += len([one for one in Path(place).iterdir() if one not in (outside, folder)])
        return Outcome(damage.name, right, lost, broken, beside, said)


def _as_expected(
    damage: Damage, folder: Path, before: pd.DataFrame, named: object, status: int, said: str
) -> bool:
    if damage.expected == "refused":
        return status == 1 and str(named) in said
    if status != 0:
        return False
    if damage.expected == "noted":
        return any(line.startswith(str(named)) for line in said.splitlines())
    old, new = _by_row(before), _by_row(trials.scores(Round.open(folder)))
    if isinstance(named, tuple):
        row, column, value = named
        served = _served().iloc[row - 2]
        old[str(served["taster"]), str(served["code"]), str(served["bake"])][column] = value
    return old == new


def _by_row(table: pd.DataFrame) -> dict[tuple[str, ...], dict[str, object]]:
    """Return what was entered, by taster, code and bake."""
    names = [*LIKING, "spread", "kept its shape", "status", "reason", "note"]
    return {
        tuple("" if pd.isna(row[key]) else str(row[key]) for key in ("taster", "code", "bake")): {
            # A spreadsheet keeps fifteen to sixteen digits of a number
            name: None
            if pd.isna(row[name])
            else row[name]
            if isinstance(row[name], str)
            else round(float(row[name]), 12)
            for name in names
        }
        for row in table.to_dict("records")
    }


def _served() -> pd.DataFrame:
    """Return the scored servings in the order of the tasters' sheet."""
    order = serving()
    order = order[order["kind"] != "warm-up"]
    return order.sort_values(["taster", "sitting", "place", "code"], ignore_index=True)


def damages(count: int, seed: int) -> Iterator[Outcome]:
    """Draw damages, each kind about equally often, and try them."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as place:
        clean = filled_round(Path(place) / "ginger snap").folder
        kinds = [DAMAGES[at % len(DAMAGES)] for at in range(count)]
        chance.shuffle(kinds)
        for damage in kinds:
            yield tried(damage, clean, chance)


# -- Hostile settings, and every reader against anything.


VALUES = (
    *("-1", "0", '""', "[]", "{}", "true", "1e300", "inf", "nan", "5", '"../../x"', "[[1]]"),
    *(
        "2026-01-01",
        "1979-05-27T07:32:00Z",
        "'''a\nb'''",
        "[" * 40 + "]" * 40,
        "9" * 400,
        "{a.b = 1}",
    ),
)


def mutated(text: str, chance: random.Random) -> str:
    """Return a settings file with something in it changed."""
    lines = text.splitlines()
    for _ in range(chance.choice((1, 1, 1, 2, 5))):
        at = chance.randrange(len(lines))
        key = lines[at].partition("=")[0].strip()
        how = chance.randrange(7)
        if how <= 2:
            lines[at] = f"{key or 'x'} = {chance.choice(VALUES)}"
        elif how == 3:
            lines[at] = ""
        elif how == 4:
            lines[at] = lines[chance.randrange(len(lines))]
        elif how == 5:
            lines[at] = f"[{key or 'x'}]"
        else:
            cut = chance.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:cut] + chance.choice(string.printable) + lines[at][cut:]
    return "\n".join(lines)


def hostile_toml(count: int, seed: int) -> list[str]:
    """Open rounds and ideas with mutated settings; return the tracebacks."""
    chance, broken = random.Random(seed), []
    with tempfile.TemporaryDirectory() as place:
        folder = filled_round(Path(place) / "ginger snap").folder
        idea = write_idea(Path(place) / "mine")
        texts = {
            folder / "round.toml": ((folder / "round.toml").read_text("utf-8"), Round.open),
            idea: (idea.read_text("utf-8"), read_idea),
        }
        for at in range(count):
            path, (text, read) = list(texts.items())[at % 2]
            path.write_text(mutated(text, chance), "utf-8")
            try:
                read(path.parent)
            except TrialsError:
                pass
            except BaseException:
                broken.append(traceback.format_exc() + path.read_text("utf-8"))
    return broken


@dataclass(frozen=True)
class Reader:
    """One reader: the file it reads, as the program or a person wrote it, and what reads it."""

    path: Path
    read: Callable[[Path], object]


def all_readers(home: Path) -> list[Reader]:
    """Return every reader of tables and workbooks, each with a sound file in a filled round."""
    from trials.doors.server import Links
    from trials.recipe.ingredients import shipped
    from trials.rounds.bench import read_side_test, side_test
    from trials.rounds.diary import read_diary
    from trials.rounds.forms import BAKES, TASTINGS, cook_form, read_serving, tasting_form
    from trials.rounds.gathering import Source, last_reading, read_source
    from trials.rounds.round import read_plan, read_settings

    folder = filled_round(home / "ginger snap").folder
    round_ = Round.open(folder)
    forms = {BAKES: cook_form(round_), TASTINGS: tasting_form(round_, serving())}
    settings = read_settings(folder)
    settings.pop("written")  # or every change would be refused as a change alone
    test = side_test(folder, "Which fat stays firm?", ["lard", "butter"], DENT, seed=1)
    answers = read_csv(test.folder / "answers.csv")
    save_as_an_editor(answers.assign(found="2,5"), test.folder / "answers.csv")
    save_as_an_editor(read_csv(SHIPPED).head(12), folder / "ingredients.csv")
    Links(folder, ["Ida", "Bo"])
    table = trials.scores(round_)
    save_as_an_editor(table[table["taster"].notna()], folder / TABLE)
    other = home / "without sheets"
    other.mkdir()
    for name in ("round.toml", "plan.csv", "actual.csv"):
        shutil.copy(folder / name, other)
    (folder / "sent.txt").write_bytes((folder / "tastings.csv").read_bytes())

    def sheet(path: Path) -> object:
        return read_source(Source(path, path.name), forms)

    def own_table(path: Path) -> object:
        measures = [one for one in MEASURES if one.per == "tasting"]
        return trials.evidence(read_csv(path), ["oven heat", "fat"], measures)

    return [
        *(Reader(folder / f"{kind}.{end}", sheet) for kind in forms for end in ("csv", "xlsx")),
        Reader(folder / "sent.txt", sheet),
        Reader(folder / "plan.csv", lambda path: read_plan(path.parent, settings)),
        Reader(folder / "serving.csv", lambda path: read_serving(round_)),
        Reader(other / "actual.csv", lambda path: gathered(replace(round_, folder=other))),
        Reader(folder / "diary.csv", lambda path: read_diary(path.parent)),
        Reader(folder / "links.csv", lambda path: Links(path.parent, ["Ida", "Bo"])),
        Reader(folder / "ingredients.csv", lambda path: shipped().with_rows(path)),
        Reader(folder / "received" / "readings.csv", lambda path: last_reading(round_)),
        Reader(test.folder / "answers.csv", lambda path: read_side_test(test, diary=False)),
        Reader(folder / TABLE, own_table),
    ]


def spoiled(content: bytes, chance: random.Random) -> bytes:
    """Return content with some of its bytes, cells or lines changed; of a workbook its cells."""
    if content.startswith(b"PK"):
        return _spoiled_book(content, chance)
    how, new = chance.randrange(4), bytearray(content)
    if how == 0:  # another cell
        lines = content.decode("utf-8").split("\n")
        at = chance.randrange(len(lines))
        cells = lines[at].split(",")
        cells[chance.randrange(len(cells))] = chance.choice(CELLS)
        lines[at] = ",".join(cells)
        return "\n".join(lines).encode("utf-8", "surrogatepass")
    if how == 1:  # lines in another order, doubled or gone
        lines = content.split(b"\n")
        for _ in range(chance.randrange(1, 4)):
            lines[chance.randrange(len(lines))] = chance.choice(lines)
        return b"\n".join(lines[: chance.randrange(1, len(lines) + 1)])
    for _ in range(chance.choice((1, 1, 3, 20))):
        spot = chance.randrange(len(new) + 1)
        some = bytes(chance.randrange(256) for _ in range(chance.randrange(4)))
        new[spot : spot + chance.randrange(6)] = some
    return bytes(new)


def _spoiled_book(content: bytes, chance: random.Random) -> bytes:
    """Return a workbook that opens, with some of one of its parts changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        names = old.namelist()
        inside = chance.choice([one for one in names if "sheet" in one or "Strings" in one])
        for name in names:
            part = old.read(name)
            new.writestr(name, _spoiled_part(part, chance) if name == inside else part)
    return out.getvalue()


def _spoiled_part(part: bytes, chance: random.Random) -> bytes:
    values = list(re.finditer(rb"(?<=<v>)[^<]*(?=</v>)|(?<=<t>)[^<]*(?=</t>)", part))
    if values and chance.randrange(4):
        at = chance.choice(values)
        typed = chance.choice(CELLS).encode("utf-8", "replace")
        typed = typed.replace(b"&", b"&amp;").replace(b"<", b"&lt;")
        return part[: at.start()] + typed + part[at.end() :]
    spot = chance.randrange(len(part))
    return part[:spot] + part[spot + chance.randrange(9) :]


CELLS = (
    *("", "0", "-1", "7,5", "1,250", "1e400", "inf", "nan", "True", "#N/A", "=1+1", "'=1", "n/a"),
    *("B01", "b01", "B99", "../../evil", "failed", "made", "Ida", "ida", "yes", "2026-05-07"),
    *('"', '""', '"a', ";", "\t", "\r", "\ufeff", "\u202e", "\x07", "é" * 300, "9" * 400, "½", "٣"),
)
SLOW = (TABLE, "actual.csv")  # not so fast to read
DENT = trials.Measure("dent", "number", unit="mm")
SHIPPED = Path(trials.__path__[0]) / "recipe" / "ingredients.csv"


def readers(count: int, seed: int) -> list[str]:
    """Give every reader what is no table, or almost one; return the tracebacks.

    What takes ten times as long as a plain table comes a tenth as often.
    """
    chance, broken = random.Random(seed), []
    # In memory where there is such a place: the disk is not what is tried
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as place:
        known = all_readers(Path(place))
        sound = {one.path: one.path.read_bytes() for one in known}
        turn = [
            one
            for one in known
            for _ in range(1 if one.path.suffix == ".xlsx" or one.path.name in SLOW else 10)
        ]
        for at in range(count):
            reader = turn[at % len(turn)] if count >= len(turn) else known[at % len(known)]
            content = spoiled(sound[reader.path], chance)
            reader.path.write_bytes(content)
            try:
                reader.read(reader.path)
            except TrialsError:
                pass
            except BaseException:
                broken.append(f"{reader.path.name}: {content!r}\n{traceback.format_exc()}")
            reader.path.write_bytes(sound[reader.path])
    return broken


# -- Killed at each file operation.


def asked(*words: str) -> Callable[[Path], None]:
    """Return what runs a command on a folder; an error where it does not end well."""

    def work(folder: Path) -> None:
        out = io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            status = run([word.replace("FOLDER", str(folder)) for word in words])
        if status:
            raise SheetError(out.getvalue())

    return work


COMMANDS = {
    "plan": ("plan", "FOLDER"),
    "sheets": ("sheets", "FOLDER"),
    "check": ("check", "FOLDER"),
    "replan": ("replan", "FOLDER", "--record"),
    "note": ("note", "FOLDER", "It rained."),
    "photo": ("photo", "FOLDER", "B01", "FOLDER/../../one.png"),
    "report": ("report", "FOLDER"),
    "next": ("next", "FOLDER", "--bakes", "4", "--action", "fill the gaps"),
    "story": ("story", "FOLDER"),
}


def killed(
    names: Sequence[str] = tuple(COMMANDS), points: int | None = None
) -> Iterator[tuple[str, int, str]]:
    """Kill each command that writes at each of its file operations; yield what came of it.

    Afterwards the same command, given once more, works; every score is there; nothing half
    written is left; and what a person wrote is there or kept, whatever happened.
    """
    from PIL import Image

    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        clean = filled_round(home / "clean" / "ginger snap").folder
        idea = write_idea(home / "idea" / "mine").parent
        Image.new("RGB", (9, 9)).save(home / "one.png")
        before = trials.scores(Round.open(clean))
        number = iter(range(10**6))
        for name in names:
            source = idea if name == "plan" else clean
            # What is entered and what was planned; the rest is written again
            mine = {
                content
                for file, content in contents(source).items()
                if file.endswith((".xlsx", "plan.csv", "serving.csv", ".toml", "diary.csv"))
            }
            wrong: list[str] = []

            def make(source: Path = source) -> Path:
                return Path(shutil.copytree(source, home / str(next(number)) / source.name))

            work = asked(*COMMANDS[name])

            def after(
                folder: Path,
                at: int,
                work: Callable[[Path], None] = work,
                name: str = name,
                wrong: list[str] = wrong,
                mine: set[bytes] = mine,
            ) -> None:
                try:
                    left = tuple(contents(folder).values())
                    # A diary that was added to holds all that it held
                    lost = [one for one in mine if not any(new.startswith(one) for new in left)]
                    work(folder)
                    back = trials.scores(Round.open(folder))
                    if name != "plan" and not back.equals(before):
                        wrong.append(f"{at}: scores differ")
                    if list(folder.parent.rglob(".trials*")):
                        wrong.append(f"{at}: drafts are left")
                    if lost:
                        wrong.append(f"{at}: {len(lost)} files are lost")
                except BaseException as error:
                    wrong.append(f"{at}: {error}")
                shutil.rmtree(folder.parent, ignore_errors=True)

            try:
                total = killed_at_each(work, make, after, points, beside=True)
            except Exception as error:
                yield name, 0, f"could not be tried: {error}"
                continue
            yield name, total, "; ".join(wrong)


# -- A folder that can not be written: questions are answered, the rest is refused in a line.


READING = ("check", "fit")
# Once all is loaded and has run on a copy, whoever may write anywhere becomes somebody who may not
_AS_NOBODY = """
import contextlib, io, os, shutil, sys, tempfile
from pathlib import Path
from trials.doors.cli import run
folder, nobody, *words = sys.argv[1:]
copy = shutil.copytree(folder, Path(tempfile.mkdtemp()) / Path(folder).name)
for path in [copy, *copy.rglob("*")]:
    path.chmod(0o755)
with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
    run([word.replace("FOLDER", str(copy)) for word in words])
shutil.rmtree(copy.parent)
if nobody and os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
sys.exit(run([word.replace("FOLDER", folder) for word in words]))
"""


def unwritable(names: Sequence[str] | None = None, disk: bool = True) -> Iterator[tuple[str, str]]:
    """Give commands a folder nobody may write; yield each with what was wrong, nothing if nothing.

    With `disk` the folder lies on a read-only disk as well, where this computer lets one be made.
    """
    from PIL import Image

    commands = COMMANDS | {"fit": ("fit", "FOLDER")}
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        home.chmod(0o755)
        Image.new("RGB", (9, 9)).save(home / "one.png")
        sources = {
            "plan": write_idea(home / "idea" / "mine").parent,
            "": filled_round(home / "round" / "ginger snap").folder,
        }
        for path in home.rglob("*"):
            path.chmod(0o555 if path.is_dir() else 0o444)
        for name in names or commands:
            folder = sources.get(name, sources[""])
            yield f"{name}, no permission", _unwritten(folder, name, commands[name], home, "nobody")
        mounted = disk and _read_only(home / "disk", sources)
        try:
            for name in (names or commands) if mounted else ():
                folder = home / "disk" / sources.get(name, sources[""]).name
                yield f"{name}, read-only", _unwritten(folder, name, commands[name], home, "")
        finally:
            if mounted:
                subprocess.run(["umount", str(home / "disk")], check=True)
            for path in [home, *home.rglob("*")]:
                path.chmod(0o755 if path.is_dir() else 0o644)


def _read_only(disk: Path, sources: dict[str, Path]) -> bool:
    """Make a disk that holds the folders and can only be read; False where that is not allowed."""
    disk.mkdir()
    disk.chmod(0o755)
    made = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(disk)], capture_output=True)
    if made.returncode:
        disk.rmdir()
        return False
    for folder in sources.values():
        shutil.copytree(folder, disk / folder.name)
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    return True


def _unwritten(folder: Path, name: str, words: Sequence[str], home: Path, nobody: str) -> str:
    """Return what was wrong when a command was given a folder that it can not write."""
    before = contents(folder)
    given = [word.replace("FOLDER/../..", str(home)) for word in words]
    done = subprocess.run(
        [sys.executable, "-c", _AS_NOBODY, str(folder), nobody, *given],
        capture_output=True,
        text=True,
    )
    expected = 0 if name in READING else 1
    said = done.stderr.strip()
    if done.returncode != expected or "Traceback" in said:
        return f"exit {done.returncode}: {said or done.stdout}"
    if expected and "can not be written" not in said:
        return f"does not say so: {said}"
    return "" if contents(folder) == before else "something was written"


# -- What can go wrong with people, files, the server and folders, by the tests that stand for it.


POINTS = {
    "avoids: slips refused, checked again": (
        "rounds/test_safe.py",
        "rounds/test_questions.py::test_a_slip_is_refused_at_the_plan_with_its_file",
    ),
    "ballots that collide": (
        "rounds/test_safe.py::test_names_that_would_share_a_ballot_are_refused",
    ),
    "a taster who corrects": (
        "doors/test_ballot_server.py::test_a_taster_who_corrects_and_sends_again_is_believed",
    ),
    "workbooks are kept": (
        "rounds/test_nothing_lost.py::test_sheets_refuse_a_workbook_that_holds_more_than_the_form",
        "rounds/test_nothing_lost.py::test_every_command_keeps_the_workbooks_it_writes_anew",
    ),
    "a change is one step": (
        "rounds/test_nothing_lost.py::test_a_step_that_is_killed_is_whole_or_not_at_all",
        "rounds/test_nothing_lost.py::test_an_error_in_a_step_changes_nothing",
        "rounds/test_nothing_lost.py::"
        "test_a_replan_keeps_what_is_too_large_or_no_table_where_it_is",
        "rounds/test_nothing_lost.py::test_a_killed_change_loses_no_score",
    ),
    "plan and serving are protected": (
        "rounds/test_settings_files.py::test_a_column_that_was_sorted_by_itself_is_caught",
        "rounds/test_mishaps.py",
    ),
    "sheets under other names": (
        "rounds/test_nothing_lost.py::test_a_filled_sheet_under_another_name_is_read_and_named",
        "rounds/test_nothing_lost.py::test_a_sheet_of_another_program_is_named",
    ),
    "never written over": (
        "rounds/test_nothing_lost.py::test_a_page_is_never_written_over_a_file_of_the_round",
        "rounds/test_nothing_lost.py::test_a_file_elsewhere_is_written_over_on_request_only",
        "rounds/test_nothing_lost.py::test_effects_are_never_written_over_the_table_they_are_of",
    ),
    "many at once": (
        "rounds/test_nothing_lost.py::test_notes_of_many_processes_at_once_are_all_kept",
        "rounds/test_nothing_lost.py::test_photos_of_many_threads_at_once_are_all_kept",
        "rounds/test_nothing_lost.py::test_own_columns_of_the_diary_survive",
    ),
    "slips in rounds and tables": ("rounds/test_slips.py", "analysis/test_table_slips.py"),
    "the demo keeps off": ("doors/test_demo_keeps_off.py",),
    "the server": ("doors/test_ballot_server.py",),
    "what arrives": ("rounds/test_incoming.py",),
    "hostile settings and folders": ("rounds/test_settings_files.py",),
    "nothing grows, questions write nothing": ("rounds/test_queries.py",),
}


def points() -> Iterator[tuple[str, int, int]]:
    """Run the tests of each point; yield its name, how many ran and how many did not pass."""
    root = Path(__file__).parents[2]
    for name, tests in POINTS.items():
        with tempfile.TemporaryDirectory() as place:
            report = Path(place) / "report.xml"
            given = [f"tests/{one}" for one in tests]
            command = [sys.executable, "-m", "pytest", "-q", "-m", "", f"--junitxml={report}"]
            subprocess.run([*command, *given], cwd=root, capture_output=True)
            suite = ElementTree.parse(report).getroot()[0]
        count = {key: int(suite.attrib[key]) for key in ("tests", "errors", "failures", "skipped")}
        ran = count["tests"]
        yield name, ran, count["errors"] + count["failures"] + count["skipped"] or int(not ran)


# -- The table.


def report_of(found: list[Outcome]) -> str:
    """Return the table of damages by kind."""
    lines = [
        "| damage | must be | tried | differ | lost | tracebacks | files touched outside |",
        "|---|---|---|---|---|---|---|",
    ]
    for damage in DAMAGES:
        own = [one for one in found if one.kind == damage.name]
        if own:
            counts = (
                len(own),
                sum(not one.as_expected for one in own),
                sum(one.lost for one in own),
                sum(bool(one.traceback) for one in own),
                sum(one.outside for one in own),
            )
            lines.append(f"| {damage.name} | {damage.expected} | {' | '.join(map(str, counts))} |")
    total = (
        len(found),
        sum(not one.as_expected for one in found),
        sum(one.lost for one in found),
        sum(bool(one.traceback) for one in found),
        sum(one.outside for one in found),
    )
    lines.append(f"| all | | {' | '.join(map(str, total))} |")
    return "\n".join(lines)


def main() -> int:
    """Try everything that was asked for and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--damages", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20261129)
    parser.add_argument("--toml", type=int, default=10_000)
    parser.add_argument("--readers", type=int, default=100_000)
    parser.add_argument("--kills", nargs="*", choices=COMMANDS, help="kill at each operation")
    parser.add_argument("--unwritable", action="store_true", help="folders nobody may write")
    parser.add_argument("--points", action="store_true", help="the tests that stand for the rest")
    asked_for = parser.parse_args()
    wrong = 0
    if asked_for.damages:
        found = list(damages(asked_for.damages, asked_for.seed))
        _write("Damages", f"Seed {asked_for.seed}.\n\n{report_of(found)}")
        for one in found:
            if one.traceback or not one.as_expected or one.lost or one.outside:
                wrong += 1
                print(f"{one.kind}: {one.said} {one.traceback}", file=sys.stderr)
    for title, count, try_them in (
        ("Hostile settings", asked_for.toml, hostile_toml),
        ("Readers", asked_for.readers, readers),
    ):
        if count:
            broken = try_them(count, asked_for.seed)
            wrong += len(broken)
            told = f"{count} tried with seed {asked_for.seed}, {len(broken)} tracebacks."
            _write(title, told)
            for text, often in Counter(broken).most_common(5):
                print(often, text, file=sys.stderr)
    asked_kills = () if asked_for.kills is None else asked_for.kills or tuple(COMMANDS)
    for name, total, said in killed(asked_kills):
        wrong += bool(said)
        _write(f"Killed: {name}", f"At each of {total} file operations; wrong: {said or 'none'}.")
    if asked_for.unwritable:
        tried_so = dict(unwritable())
        broken = {name: said for name, said in tried_so.items() if said}
        wrong += len(broken)
        told = "; ".join(f"{name}: {said}" for name, said in broken.items())
        _write("Not to be written", f"{'; '.join(tried_so)}. Wrong: {told or 'none'}.")
    if asked_for.points:
        lines = ["| what | tests | not passed |", "|---|---|---|"]
        for name, count, failed in points():
            wrong += failed
            lines.append(f"| {name} | {count} | {failed} |")
        _write("By their tests", "\n".join(lines))
    return int(bool(wrong))


def _write(title: str, told: str) -> None:
    """Put one section into the table of results; the others stay."""
    text = RESULTS.read_text("utf-8") if RESULTS.is_file() else "# Faults, tried\n"
    first, *parts = re.split(r"^## ", text, flags=re.MULTILINE)
    held = {part.partition("\n")[0]: part.partition("\n")[2].strip() for part in parts}
    held[title] = told
    sections = [f"## {name}\n\n{body}\n" for name, body in held.items()]
    RESULTS.write_text("\n".join([first.rstrip() + "\n", *sections]), "utf-8")
    print(f"{title}\n{told}\n", flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
