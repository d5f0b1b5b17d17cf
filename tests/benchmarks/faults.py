"""Everything that can go wrong with a round's folder, tried: damages, kills, hostile files.

Run it as a command from the root of the repository:

    python -m tests.benchmarks.faults [--damages 200] [--seed N] [--toml 10000]
                                      [--readers 100000] [--kills]

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
import shutil
import string
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import trials
from tests.killing import killed_at_each
from tests.rounds.ginger_round import MEASURES, cell, edit_book, make_round, serving, tidy_scores
from trials.base.errors import SheetError, TrialsError
from trials.base.files import read_csv, write_csv
from trials.doors.cli import run
from trials.rounds.diary import write_note
from trials.rounds.idea import IDEA, read_idea, write_idea
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
        table = read_csv(folder / file)
        write_csv(change(table, chance), folder / file)
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


DAMAGES = (
    Damage("a score off the scale", "refused", _typed("ginger heat", 11, -1, 99, 1e9)),
    Damage("words for a score", "refused", _typed("ginger heat", "n/a", "seven", "7/10", "7..5")),
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
    Damage("a reading ten times too large", "noted", _spread),
    Damage("a setting beyond the plan", "noted", _really),
    Damage("the sheet under another name", "noted", _other_name),
    Damage("another score", "kept", _another_score),
    Damage("rows in another order", "kept", lambda f, c: (_book(_shuffled)(f, c), None)[1]),
    Damage("tables saved by a spreadsheet", "kept", _semicolons),
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
    table.loc[given, "ginger heat"] = chance.uniform(2, 9, int(given.sum())).round(1)
    record_scores(round_, table)
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
        status, said, broken = command(["check", str(folder)])
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


def readers(count: int, seed: int) -> list[str]:
    """Give every reader of tables what is no table, or almost one; return the tracebacks."""
    chance, broken = random.Random(seed), []
    with tempfile.TemporaryDirectory() as place:
        folder = filled_round(Path(place) / "ginger snap").folder
        round_ = Round.open(folder)
        files = [folder / name for name in ("tastings.csv", "bakes.csv", "actual.csv", "diary.csv")]
        write_note(folder, "Oil foamed.", bake="B01")
        texts = {path: path.read_bytes() for path in files}
        for at in range(count):
            path = files[at % len(files)]
            content = bytearray(texts[path])
            for _ in range(chance.choice((1, 1, 3, 20))):
                spot = chance.randrange(len(content) + 1)
                some = bytes(chance.randrange(256) for _ in range(chance.randrange(4)))
                content[spot : spot + chance.randrange(6)] = some
            try:
                path.write_bytes(bytes(content))
                _read(round_, path)
            except TrialsError:
                pass
            except BaseException:
                broken.append(f"{path.name}: {bytes(content)!r}\n{traceback.format_exc()}")
            path.write_bytes(texts[path])
    return broken


def _read(round_: Round, path: Path) -> None:
    from trials.rounds.diary import read_diary
    from trials.rounds.forms import BAKES, TASTINGS, cook_form, tasting_form
    from trials.rounds.gathering import Source, read_source

    if path.name == "diary.csv":
        read_diary(path.parent)
    elif path.name == "actual.csv":
        read_csv(path)
    else:
        forms = {BAKES: cook_form(round_), TASTINGS: tasting_form(round_, serving())}
        read_source(Source(path, path.name), forms)


# -- Killed at each file operation.


def killed() -> Iterator[tuple[str, int, str]]:
    """Kill each command that writes at each of its file operations; yield what came of it."""
    from PIL import Image

    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        clean = filled_round(home / "clean" / "ginger snap").folder
        idea = write_idea(home / "idea" / "mine").parent
        shutil.copy(idea / IDEA, home / IDEA)
        Image.new("RGB", (9, 9)).save(home / "one.png")
        before = trials.scores(Round.open(clean))
        number = iter(range(10**6))

        def made(source: Path) -> Callable[[], Path]:
            return lambda: Path(shutil.copytree(source, home / str(next(number)) / source.name))

        def asked(*words: str) -> Callable[[Path], object]:
            def work(folder: Path) -> None:
                out = io.StringIO()
                with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
                    status = run([word.replace("FOLDER", str(folder)) for word in words])
                if status:
                    raise SheetError(out.getvalue())

            return work

        photo, gaps = str(home / "one.png"), ("--action", "fill the gaps")
        commands = {
            "plan": (asked("plan", "FOLDER"), made(idea)),
            "sheets": (asked("sheets", "FOLDER"), made(clean)),
            "check": (asked("check", "FOLDER"), made(clean)),
            "replan": (asked("replan", "FOLDER", "--record"), made(clean)),
            "note": (asked("note", "FOLDER", "It rained."), made(clean)),
            "photo": (asked("photo", "FOLDER", "B01", photo), made(clean)),
            "report": (asked("report", "FOLDER"), made(clean)),
            "next": (asked("next", "FOLDER", "--bakes", "4", *gaps), made(clean)),
            "story": (asked("story", "FOLDER"), made(clean)),
        }
        for name, (work, make) in commands.items():
            wrong: list[str] = []

            def after(folder: Path, at: int, work=work, name=name, wrong=wrong) -> None:
                try:
                    work(folder)
                    if name != "plan" and not trials.scores(Round.open(folder)).equals(before):
                        wrong.append(f"{at}: scores differ")
                    if list(folder.rglob(".trials*")):
                        wrong.append(f"{at}: drafts are left")
                except BaseException as error:
                    wrong.append(f"{at}: {error}")
                shutil.rmtree(folder.parent, ignore_errors=True)

            try:
                total = killed_at_each(work, make, after)
            except Exception as error:
                yield name, 0, f"could not be tried: {error}"
                continue
            yield name, total, "; ".join(wrong)


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
    parser.add_argument("--seed", type=int, default=20261128)
    parser.add_argument("--toml", type=int, default=10_000)
    parser.add_argument("--readers", type=int, default=100_000)
    parser.add_argument("--kills", action="store_true", help="kill at each operation (an hour)")
    asked = parser.parse_args()
    said = [f"# Faults, tried with seed {asked.seed}", ""]
    found = list(damages(asked.damages, asked.seed))
    said += ["## Damages", "", report_of(found), ""]
    for one in found:
        if one.traceback or not one.as_expected or one.lost or one.outside:
            print(f"{one.kind}: {one.said} {one.traceback}", file=sys.stderr)
    broken = hostile_toml(asked.toml, asked.seed)
    said += ["## Hostile settings", "", f"{asked.toml} tried, {len(broken)} tracebacks.", ""]
    more = readers(asked.readers, asked.seed)
    said += ["## Readers of tables", "", f"{asked.readers} tried, {len(more)} tracebacks.", ""]
    for text, count in Counter((*broken, *more)).most_common(5):
        print(count, text, file=sys.stderr)
    if asked.kills:
        lines = ["| command | operations | wrong |", "|---|---|---|"]
        lines += [f"| {name} | {total} | {wrong or 'none'} |" for name, total, wrong in killed()]
        said += ["## Killed at each file operation", "", *lines, ""]
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text("\n".join(said), "utf-8")
    print("\n".join(said))
    return int(bool(broken or more))


if __name__ == "__main__":
    raise SystemExit(main())
