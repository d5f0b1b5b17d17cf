"""All that was entered in a round.

Where it comes from, kept as it came, merged, and what must be mended.
"""

import hashlib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from trials.base.errors import Place, RoundError, SheetError
from trials.base.files import read_csv, write_csv
from trials.base.keeping import RECEIVED, received, sound_path, written_by_us
from trials.base.words import in_words, tidy_number
from trials.core.factors import Numeric
from trials.core.roles import WITHOUT_SCORE
from trials.core.scales import Number, Order
from trials.core.slips import far_readings
from trials.rounds.amounts import dough_weights, shared_doughs, weighed_otherwise, weights
from trials.rounds.forms import ACTUAL as REALLY
from trials.rounds.forms import (
    BAKES,
    BLIND,
    TASTINGS,
    Form,
    cook_form,
    read_serving,
    scored_servings,
    tasting_form,
)
from trials.rounds.reading import (
    LARGEST_FILE,
    Address,
    Cell,
    Entry,
    Grid,
    Note,
    Problem,
    Reading,
    Value,
    check_lines,
    exact,
    holds_entries,
    in_order,
    kind_of,
    read_cell,
    read_grid,
    shortened,
    table_grid,
)
from trials.rounds.round import ACTUAL, Round
from trials.rounds.workbook import read_workbook

# -- Where scores come from: the round's own sheets and what people dropped into `incoming/`.


INCOMING = "incoming"
PASTED = ".txt"  # a ballot that was sent as text and put into a file
TABLES = (".xlsx", ".csv", PASTED)
OTHER_SHEETS = (".xls", ".xlsm", ".xlsb", ".xltx", ".xltm", ".ods", ".fods", ".tsv", ".numbers")
WHOSE = {BAKES: "the cook's sheet", TASTINGS: "the tasters' sheet"}


@dataclass(frozen=True)
class Source:
    """One file to read.

    Parameters
    ----------
    path : Path
    shown : str
        What messages call it.
    expected : str
        "bakes" or "tastings" when the file may be only that.
    whole : bool
        Whether every row of the form must be in it.
    other_name : bool
        Whether it lies beside the round's own sheets under another name.
    """

    path: Path
    shown: str
    expected: str = ""
    whole: bool = False
    other_name: bool = False


def sources(round_: Round) -> list[Source]:
    """Return the files of a round that may hold entries, those of `incoming/` last."""
    found = [
        Source(round_.folder / name, name, kind, whole=True)
        for kind in (BAKES, TASTINGS)
        for name in (f"{kind}.xlsx", f"{kind}.csv")
        if (round_.folder / name).is_file()
    ]
    found += _under_other_names(round_.folder, [source.path for source in found])
    folder = round_.folder / INCOMING
    dropped = sorted(folder.iterdir()) if folder.is_dir() else []
    found += [
        Source(path, f"{INCOMING}/{path.name}")
        for path in dropped
        # A spreadsheet keeps a locked shadow of a file that is open.
        if path.is_file() and not path.name.startswith((".", "~$"))
    ]
    return found


def _under_other_names(folder: Path, own: list[Path]) -> list[Source]:
    """Return sheets that a person saved beside the round's own under a name like theirs."""
    named = re.compile(rf"(^|[^a-z])({BAKES}|{TASTINGS})([^a-z]|$)")
    return [
        Source(path, path.name, other_name=True)
        for path in sorted(folder.iterdir())
        if path.is_file()
        and path.suffix.casefold() in (".xlsx", ".csv", *OTHER_SHEETS)
        and not path.name.startswith((".", "~$"))
        and named.search(path.stem.casefold())
        and not any(path.samefile(one) for one in own)
    ]


def read_source(source: Source, forms: Mapping[str, Form]) -> tuple[Reading, bool]:
    """Return what a file holds, and whether anything was entered in it.

    A file that can not be read is a problem of its own; the other files are read all the same.
    """
    reading, here = Reading(), Place(source.shown)
    suffix = source.path.suffix.casefold()
    if suffix == PASTED and not _is_ballot(source.path):
        reading.note(here, "this text is no ballot, and was not read.")
        return reading, True
    if suffix not in (*TABLES, *OTHER_SHEETS):
        reading.note(here, "this is neither a workbook nor CSV, and was not read.")
        return reading, True
    try:
        grid = _opened(source, suffix)
    except SheetError as error:
        place = error.place or here
        place = Place(source.shown, place.sheet, place.row, place.column)
        mend = "The other files were read."
        reading.refuse(place, error.message.rstrip("."), "", mend)
        return reading, True
    kind = kind_of(grid)
    if kind not in forms:
        _refuse_kind(source, grid, kind, reading)
        return reading, True
    if source.expected and kind != source.expected:
        reading.refuse(
            grid.place(),
            f"this is {WHOSE[kind]}",
            WHOSE[source.expected],
            f"Put the right file here; {WHOSE[kind]} belongs into {kind}{suffix}.",
        )
        return reading, True
    reading = read_grid(grid, forms[kind], whole=source.whole)
    if source.other_name and reading.entries:
        said = f"this was read beside {kind}.xlsx; it belongs there, or into {INCOMING}/."
        reading.note(here, said)
    return reading, holds_entries(grid, forms[kind])


def is_table(path: Path) -> bool:
    """Say whether a file is of a kind whose entries are read."""
    suffix = path.suffix.casefold()
    return suffix in TABLES and (suffix != PASTED or _is_ballot(path))


def _is_ballot(path: Path) -> bool:
    """Say whether a text that was pasted into a file holds the head of a ballot early on."""
    with path.open("rb") as file:
        return b"taster," in file.read(500)


def _opened(source: Source, suffix: str) -> Grid:
    if suffix in (".csv", PASTED):
        check_lines(source.path, source.shown)
        grid = table_grid(source.shown, read_csv(source.path))
        return replace(grid, notes=_letters_guessed(source))
    if suffix in OTHER_SHEETS:
        raise SheetError(
            f"files that end in {suffix} are not opened. Save it as a workbook (.xlsx) without "
            "macros or as CSV, and read again.",
            Place(source.shown),
        )
    return read_workbook(source.path, source.shown, source.expected)


def _letters_guessed(source: Source) -> tuple[Note, ...]:
    try:
        source.path.read_bytes().decode("utf-8")
    except UnicodeDecodeError:
        said = "not saved as UTF-8; its letters were read as Windows-1252. Look at names and notes."
        return (Note(Place(source.shown), said),)
    return ()


def _refuse_kind(source: Source, grid: Grid, kind: str, reading: Reading) -> None:
    if kind:
        mend = "Take it out of the folder, or write the sheets anew."
        reading.refuse(grid.place(), "nothing is tasted in this round", "", mend)
    else:
        reading.refuse(
            grid.place(1),
            "this is neither the cook's nor the tasters' sheet",
            'the column "bake", or the columns "taster" and "code"',
            "Give the columns their names back and read again; nothing of it was read.",
        )


# -- What several files say together: agreement, completion, or a question.
#
# The entries of several people's files agree, complete each other, or contradict each other; a
# contradiction is asked about and never settled by which file came last.


def merge(readings: Iterable[Reading]) -> tuple[dict[Address, Entry], list[Problem]]:
    """Return what all files say together, and where they contradict each other.

    The outcome is the same in whichever order the files come.
    """
    together: dict[Address, list[Entry]] = {}
    for reading in readings:
        for entry in reading.entries:
            together.setdefault(entry.address, []).append(entry)
    agreed: dict[Address, Entry] = {}
    questions = []
    for address in sorted(together):
        entries = sorted(together[address], key=_entry_order)
        other = next((e for e in entries if not _equal(e.value, entries[0].value)), None)
        if other is None:
            agreed[address] = Entry(address, _fullest(entries), entries[0].place)
        else:
            questions.append(_question(entries[0], other))
    return agreed, in_order(questions)


# What a phone sent to the server, as `incoming/` names it: whose, when, and a digest.
SENT_AT = "%Y%m%dT%H%M%S%fZ"
_SENT = re.compile(r"(ballot-.+)-([0-9a-f]{8})-(\d{8}T\d{12}Z)-[0-9a-f]{16}\.csv")


def corrected(readings: Mapping[str, Reading]) -> tuple[list[Reading], list[Note]]:
    """Return what files say once each phone's later answers stand before its earlier ones.

    Somebody who changes an answer and sends again means the later one. Both files are kept, and
    a note names the times. Between two phones, or a phone and a sheet, a contradiction is asked
    about as ever.

    Parameters
    ----------
    readings : mapping of str to Reading
        By the name of the file they are of.
    """
    phones: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for shown in readings:
        found = _SENT.fullmatch(shown.rpartition("/")[2])
        if found:
            phones.setdefault((found[1], found[2]), []).append((found[3], shown))
    standing, notes = dict(readings), []
    for sent in phones.values():
        latest: dict[Address, tuple[str, Entry]] = {}
        for time, shown in sorted(sent, reverse=True):
            kept = []
            for entry in readings[shown].entries:
                later, its = latest.setdefault(entry.address, (time, entry))
                if its is entry or _equal(its.value, entry.value):
                    kept.append(entry)
                else:
                    notes.append(_changed(entry, time, its, later))
            standing[shown] = replace(readings[shown], entries=kept)
    return list(standing.values()), notes


def _changed(entry: Entry, time: str, its: Entry, later: str) -> Note:
    said = f"{_shown(entry.value)} was sent at {_clock(time)}, {_shown(its.value)} at"
    return Note(entry.place, f"{said} {_clock(later)} from the same phone: the later one counts.")


def _clock(time: str) -> str:
    when = datetime.strptime(time, SENT_AT).replace(tzinfo=UTC).astimezone()
    return when.strftime("%Y-%m-%d %H:%M:%S")


def _question(first: Entry, other: Entry) -> Problem:
    kept, said = (_shown(entry.value) for entry in (first, other))
    return Problem(
        first.place,
        f"{kept} stands here, but {said} in {other.place}",
        "one value",
        "Which is right? Make both the same or empty one, and read again; nothing was overwritten.",
    )


def _shown(value: Value) -> str:
    return shortened(value) if isinstance(value, str) else exact(value)


def _equal(one: Value, other: Value) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return one == other
    # A spreadsheet keeps fifteen to sixteen digits of a number.
    return math.isclose(one, other, rel_tol=1e-14, abs_tol=0)


def _fullest(entries: Iterable[Entry]) -> Value:
    """Return the value with the most digits among those that agree."""
    values = [entry.value for entry in entries]
    return max(values, key=lambda value: (len(str(value)), str(value)))


def _entry_order(entry: Entry) -> tuple[str, str, int, str]:
    place = entry.place
    return (place.file, place.sheet, place.row or 0, str(entry.value))


# -- Every file that was read is kept as it came, and which of them the scores were made of.
#
# `received/readings.csv` lists each reading: when, which files, and the kept copy of each. The
# last reading is what the scores are, and they can be made again from the kept copies alone.


READINGS = "readings.csv"
_COLUMNS = ("reading", "time", "file", "expected", "whole", "kept")


def keep(round_: Round, files: Iterable[Source]) -> list[Source]:
    """Keep the files under `received/` and return them as kept; absurdly large ones are left."""
    return [
        Source(received(round_.folder, file.path), file.shown, file.expected, file.whole)
        for file in files
        if file.path.is_file() and file.path.stat().st_size <= LARGEST_FILE
    ]


def record_reading(round_: Round, kept: Iterable[Source]) -> Path:
    """Write down that these kept files are what the scores were made of.

    The same files read again are not written down again.
    """
    path = round_.folder / "received" / READINGS
    before = _readings(path)
    found = sorted(
        [file.shown, file.expected, "yes" if file.whole else "no", file.path.name] for file in kept
    )
    rows = pd.DataFrame(found, columns=["file", "expected", "whole", "kept"], dtype=object)
    last = before[before["reading"] == before["reading"].max()]
    if len(last) and sorted(last[list(rows.columns)].to_numpy().tolist()) == found:
        return path
    number = int(before["reading"].max()) + 1 if len(before) else 1
    time = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = rows.assign(reading=number, time=time)[list(_COLUMNS)]
    return write_csv(pd.concat([before, rows], ignore_index=True) if len(before) else rows, path)


def last_reading(round_: Round) -> list[Source]:
    """Return the kept files of the last reading."""
    path = round_.folder / "received" / READINGS
    readings = _readings(path)
    if readings.empty:
        raise SheetError("no scores were read so far.", Place(f"received/{READINGS}"))
    last = readings[readings["reading"] == readings["reading"].max()]
    return [
        Source(_unchanged(path.parent, row.kept), row.file, row.expected, row.whole == "yes")
        for row in last.itertuples(index=False)
    ]


def _readings(path: Path) -> pd.DataFrame:
    if not path.is_file():
        return pd.DataFrame(columns=list(_COLUMNS))
    table = read_csv(path, _COLUMNS)[list(_COLUMNS)]
    for row, text in table["reading"].items():
        if not re.fullmatch(r"[0-9]{1,9}", text):
            place = Place(f"{RECEIVED}/{READINGS}", row=int(str(row)), column="reading")
            raise SheetError(
                f"{shortened(text)} is no number of a reading. Put back what stood there, or take "
                "the file out of the folder; the scores are read from the sheets.",
                place,
            )
    return table.astype({"reading": int}).reset_index(drop=True)


def _unchanged(home: Path, name: str) -> Path:
    """Return a file kept in a folder, by its very name, once it is as it was kept."""
    here = Place(f"{RECEIVED}/{shortened(name)[1:-1]}")
    path = next((one for one in home.iterdir() if one.name == name), None)
    if path is None or not path.is_file():
        raise SheetError("this kept file is missing.", here)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    if not path.name.split("-")[1:2] == [digest[:16]]:
        raise SheetError("this kept file was changed after it was kept.", here)
    return path


# -- All that was entered in a round, merged, with what must be mended or looked at.


@dataclass(frozen=True, eq=False)
class Gathered:
    """What all files of a round say together; read once and passed on.

    Parameters
    ----------
    round_ : Round
    serving : DataFrame
        Who was served which bake under which code.
    forms : dict
        The forms by their kind.
    bake_of : dict
        The bake behind each taster and code.
    entries : dict
        Every agreed entry by form, row and column.
    problems, notes : list
        What must be mended, and what was read not quite as it stood.
    used : list of Source
        The files that held anything.
    """

    round_: Round = field(repr=False)
    serving: pd.DataFrame = field(repr=False)
    forms: Mapping[str, Form]
    bake_of: Mapping[tuple[str, ...], str]
    entries: Mapping[Address, Entry]
    problems: list[Problem] = field(repr=False)
    notes: list[Note] = field(repr=False)
    used: list[Source] = field(repr=False)

    def value(self, kind: str, key: tuple[str, ...], column: str) -> float | str | None:
        """Return one entry's value; None where nothing was entered."""
        entry = self.entries.get((kind, key, column))
        return None if entry is None else entry.value


def gathered(round_: Round) -> Gathered:
    """Return what all files of a round say together, every file read once; nothing is written."""
    found = gather(round_, read_serving(round_), sources(round_))
    typed = _typed_into_actual(round_, found)
    return replace(found, problems=in_order([*found.problems, *typed])) if typed else found


def _typed_into_actual(round_: Round, found: Gathered) -> list[Problem]:
    """Return what somebody typed into `actual.csv`, which the sheets do not say.

    The file is written from the sheets, so what is typed there alone would be gone with the next
    reading.
    """
    path = round_.folder / ACTUAL
    if not path.is_file() or written_by_us(round_.folder, path):
        return []
    try:
        table = read_csv(sound_path(path, round_.folder))
    except SheetError as error:
        mend = f"Take it out of the folder: {ACTUAL} is written anew from the sheets."
        return [Problem(error.place or Place(ACTUAL), error.message.rstrip("."), "", mend)]
    columns = {column.name: column for column in found.forms[BAKES].columns if column.entered}
    problems = []
    for row, cells in table.iterrows() if "bake" in table else ():
        for name in table.columns:
            column = columns.get(name) or columns.get(f"{REALLY}{name}")
            text = str(cells[name])
            if column is None or not text:
                continue
            place, reading = Place(ACTUAL, row=int(str(row)), column=name), Reading()
            value = read_cell(column, Cell("text", text), place, reading)
            said = found.value(BAKES, (str(cells["bake"]),), column.name)
            if value is not None and said is not None and _equal(value, said):
                continue
            stands = "and nothing" if said is None else f"and {_shown(said)}"
            problems.append(
                Problem(
                    place,
                    f"{shortened(text)} stands here {stands} in the sheets, which this file is "
                    "written from",
                    "",
                    f'Enter it for {cells["bake"]} under "{column.name}" in {BAKES}.xlsx, or empty '
                    "it here, and read again; everything is kept.",
                )
            )
    return problems


def gather(round_: Round, serving: pd.DataFrame, files: Iterable[Source]) -> Gathered:
    """Return what the files say together, read against the round's forms."""
    files = list(files)
    served = scored_servings(serving)
    forms = {BAKES: cook_form(round_)}
    if len(served):
        forms[TASTINGS] = tasting_form(round_, serving)
    bake_of: dict[tuple[str, ...], str] = {
        (str(row.taster), str(row.code)): str(row.bake) for row in served.itertuples(index=False)
    }
    of_file: dict[str, Reading] = {}
    used = []
    for source in files:
        led = _led_out(source, round_)
        reading, holds_any = (led, False) if led else read_source(source, forms)
        of_file[source.shown] = reading
        if led is None and (holds_any or reading.entries or reading.problems):
            used.append(source)
    readings, corrections = corrected(of_file)
    entries, questions = merge(readings)
    problems = [problem for reading in readings for problem in reading.problems] + questions
    notes = [note for reading in readings for note in reading.notes] + corrections
    problems += _gone(round_, forms, of_file)
    problems += _scored_though_not_made(forms, entries, bake_of)
    problems += _shared_places(forms, entries)
    notes += _notes_on_bakes(forms, entries, bake_of)
    notes += _notes_on_far_readings(forms, entries)
    notes += _notes_on_blindness(round_, forms, entries)
    notes += _notes_on_weighed_settings(round_, entries)
    notes += _open_now(round_, files)
    return Gathered(
        round_, serving, forms, bake_of, entries, in_order(problems), in_order(notes), used
    )


def _gone(
    round_: Round, forms: Mapping[str, Form], of_file: Mapping[str, Reading]
) -> list[Problem]:
    """Return the sheets of the round that held entries when last read, and are there no more."""
    path = round_.folder / RECEIVED / READINGS
    before = _readings(path)
    problems = []
    for row in before[before["reading"] == before["reading"].max()].itertuples(index=False):
        stem, _, _ = str(row.file).rpartition(".")
        if row.file in of_file or stem not in forms or (round_.folder / row.file).exists():
            continue
        # Whatever it held may have been carried on to its twin, or come by another file
        kept = read_source(Source(path.parent / row.kept, row.file, row.expected), forms)[0]
        now = {(one.address, str(one.value)) for other in of_file.values() for one in other.entries}
        if all((one.address, str(one.value)) in now for one in kept.entries):
            continue
        problems.append(
            Problem(
                Place(str(row.file)),
                f"gone; a copy lies in {RECEIVED}/{row.kept}",
                "",
                f"Put it back under the name {row.file} (trials sheets does so), and read again; "
                "the rest was read.",
            )
        )
    return problems


def kept_sheet(round_: Round, name: str) -> Path | None:
    """Return the copy of a sheet that is gone, as it was read last; None where it is not."""
    before = _readings(round_.folder / RECEIVED / READINGS)
    last = before[(before["reading"] == before["reading"].max()) & (before["file"] == name)]
    if last.empty or (round_.folder / name).exists():
        return None
    path = round_.folder / RECEIVED / str(last["kept"].iloc[0])
    return path if path.is_file() else None


def _open_now(round_: Round, files: Iterable[Source]) -> list[Note]:
    """Name the workbooks that a spreadsheet holds open: what is not saved yet is not in them."""
    return [
        Note(
            Place(source.shown),
            "this is open in a spreadsheet. It was read as saved last; save it and close it, then "
            "read again, so that nothing is missing and nothing is written over.",
        )
        for source in files
        if open_elsewhere(source.path)
    ]


def open_elsewhere(path: Path) -> bool:
    """Say whether a spreadsheet holds a file open, by the lock file that it lays beside it."""
    locks = (f".~lock.{path.name}#", f"~${path.name}", f"~${path.name[2:]}")
    return any((path.parent / lock).exists() for lock in locks)


def _led_out(source: Source, round_: Round) -> Reading | None:
    """Return the problem of a sheet that is a link out of the round's folder; it is not opened."""
    try:
        sound_path(source.path, round_.folder)
    except RoundError as error:
        reading = Reading()
        reading.refuse(Place(source.shown), error.message.rstrip("."), mend="It was not read.")
        return reading
    return None


def _bake(address: Address, bake_of: Mapping[tuple[str, ...], str]) -> str:
    kind, key, _ = address
    return key[0] if kind == BAKES else bake_of[key]


def _scores(
    forms: Mapping[str, Form],
    entries: Mapping[Address, Entry],
    bake_of: Mapping[tuple[str, ...], str],
) -> dict[str, list[Entry]]:
    """Return the scores of each bake: what is neither told in words nor a setting."""
    scored = {kind: {column.name for column in form.scores} for kind, form in forms.items()}
    scores: dict[str, list[Entry]] = {}
    for address, entry in entries.items():
        if address[2] in scored[address[0]]:
            scores.setdefault(_bake(address, bake_of), []).append(entry)
    return scores


def _shared_places(forms: Mapping[str, Form], entries: Mapping[Address, Entry]) -> list[Problem]:
    """Return the places of a ranking that one taster gave twice, or that no sitting has."""
    if TASTINGS not in forms:
        return []
    form = forms[TASTINGS]
    sitting = form.blank["sitting"].tolist()
    pieces: dict[tuple[str, int], list[tuple[str, ...]]] = {}
    for key, row in form.rows().items():
        pieces.setdefault((key[0], sitting[row]), []).append(key)
    problems = []
    for column in form.scores:
        if column.measure is None or not isinstance(column.measure.field, Order):
            continue
        for keys in pieces.values():
            found = [entries.get((TASTINGS, key, column.name)) for key in keys]
            problems += _places([entry for entry in found if entry is not None], len(keys))
    return problems


def _places(ranked: list[Entry], pieces: int) -> list[Problem]:
    problems, first = [], dict[Value, Entry]()
    mend = "Give every piece of the sitting a place of its own, and read again; the rest was kept."
    for one in _by_place(ranked):
        taken = first.setdefault(one.value, one)
        found = f"place {exact(float(one.value))}"
        if taken is not one:
            found = f"{found} was given twice in this sitting, first in {taken.place}"
            problems.append(Problem(one.place, found, "each place once", mend))
        elif float(one.value) > pieces:
            expected = f"places 1 to {pieces}, as many as were served"
            problems.append(Problem(one.place, f"{found} is more than there are", expected, mend))
    return problems


def _scored_though_not_made(
    forms: Mapping[str, Form],
    entries: Mapping[Address, Entry],
    bake_of: Mapping[tuple[str, ...], str],
) -> list[Problem]:
    problems = []
    for bake, scored in _scores(forms, entries, bake_of).items():
        status = entries.get((BAKES, (bake,), "status"))
        if status is not None and status.value in WITHOUT_SCORE:
            problems.append(_against_status(bake, status, _by_place(scored)))
    return problems


def _against_status(bake: str, status: Entry, scored: list[Entry]) -> Problem:
    """Return the one problem of a bake: at its score, or with several at the status they deny."""
    first, became = scored[0], _became(status.value)
    expected = "no score for such a bake, not even 0"
    if len(scored) == 1:
        value = shortened(first.value) if isinstance(first.value, str) else exact(first.value)
        found = f"{value} was scored for {bake}, which {became} ({status.place})"
        mend = f'Take the score out, or set the status of {bake} to "made", and read again.'
        return Problem(first.place, found, expected, mend)
    found = f"{bake} {became}, yet {len(scored)} scores stand for it, the first in {first.place}"
    mend = f'Set the status of {bake} to "made", or take its scores out, and read again.'
    return Problem(status.place, found, expected, mend)


def _by_place(entries: Iterable[Entry]) -> list[Entry]:
    return sorted(entries, key=lambda one: (one.place.file, one.place.row or 0, one.place.column))


def _became(status: object) -> str:
    return str(status) if status == "failed" else f"was {status}"


def _notes_on_blindness(
    round_: Round, forms: Mapping[str, Form], entries: Mapping[Address, Entry]
) -> list[Note]:
    """Say which scores of a cook are not blind, and which do not say; and what becomes of them."""
    if TASTINGS not in forms:
        return []
    form, cooks = forms[TASTINGS], {taster.name for taster in round_.tasters if taster.cooks}
    names = {column.name for column in form.scores}
    scored = {key for kind, key, column in entries if kind == TASTINGS and column in names}
    answer = {key: entries.get((TASTINGS, key, BLIND)) for key in form.rows() if key[0] in cooks}
    known = {key for key, one in answer.items() if one is not None and one.value == "no"}
    silent = {key for key, one in answer.items() if one is None} & scored
    others = scored - known - silent
    here = Place(f"{TASTINGS}.xlsx", form.sheet, column=BLIND)
    became = "kept apart" if others else "used, and all that is found is marked as not blind"
    notes = []
    for cook in sorted(cooks):
        codes = sorted(code for name, code in silent if name == cook)
        if codes:
            said = f"{cook} cooks, and of {in_words(codes)} it is not said whether it was blind"
            mend = f'write "yes" beside each that was, or they are {became}.'
            asks = tuple(f"whether {code} was blind" for code in codes)
            notes.append(Note(here, f"{said}: {mend}", asks=asks))
    for key in sorted(known):
        entry = answer[key]
        if entry is not None:
            said = f"{key[0]} knew the bake behind {key[1]}; such scores are {became}."
            notes.append(Note(entry.place, said))
    return notes


def _notes_on_far_readings(
    forms: Mapping[str, Form], entries: Mapping[Address, Entry]
) -> list[Note]:
    """Name readings without a scale of their own that stand far from all others of the measure."""
    notes = []
    for kind, form in forms.items():
        for column in form.scores:
            if column.measure is None or not isinstance(column.measure.field, Number):
                continue
            here = [one for at, one in entries.items() if at[0] == kind and at[2] == column.name]
            notes += _far_of(column.measure.unit, here)
    return notes


def _far_of(unit: str, entered: list[Entry]) -> list[Note]:
    told = [(one, float(one.value)) for one in entered if not isinstance(one.value, str)]
    far = far_readings([value for _, value in told])
    near = [value for at, (_, value) in enumerate(told) if at not in far]
    unit = f" {unit}" if unit else ""
    return [
        Note(
            told[at][0].place,
            f"{exact(told[at][1])}{unit} is far from all other readings, "
            f"{tidy_number(min(near))} to {tidy_number(max(near))}{unit}. It is used as it "
            "stands; correct it if it was a slip.",
            slip=True,
        )
        for at in far
    ]


def _notes_on_weighed_settings(round_: Round, entries: Mapping[Address, Entry]) -> list[Note]:
    """Name settings in grams that were typed as weighed, where the batch is of another size."""
    typed = [
        (bake, factor, entries[at])
        for bake in round_.plan.rows["bake"]
        for factor in round_.plan.factors
        if (at := (BAKES, (bake,), REALLY + factor.name)) in entries
        if isinstance(factor, Numeric) and factor.changes and factor.changes[0] == "grams"
    ]
    if not typed or not round_.formula:
        return []
    rows = {row["bake"]: row for row in round_.plan.table.to_dict("records")}
    weighed = [(weights(round_), "bake"), (dough_weights(round_), "dough")]
    doughs = {d.name: d.bakes for d in shared_doughs(round_, round_.formulas)}
    notes = []
    for bake, factor, entry in typed:
        planned, value = float(rows[bake][factor.name]), float(entry.value)
        for table, by in weighed:
            mine = [bake] if by == "bake" else [name for name, of in doughs.items() if bake in of]
            here = weighed_otherwise(round_, rows[bake], table[table[by].isin(mine)])
            grams = here[factor.name].grams if factor.name in here else None
            if grams is None or abs(value - grams) >= min(
                _AS_WEIGHED * grams, abs(value - planned)
            ):
                continue
            new = here[factor.name].instead
            said = (
                f"{tidy_number(value)} g{f' of {new}' if new else ''} is what was weighed for "
                f"{bake}; the setting "
                f'"{factor.name}" is of the recipe as it is written, {factor.show(planned)}. If it '
                f"was weighed as the sheet says, leave this cell empty or type "
                f"{tidy_number(planned)}; else type what it was of the recipe as written."
            )
            notes.append(Note(entry.place, said, slip=True))
            break
    return notes


_AS_WEIGHED = 0.01  # of the grams weighed: as near as this is that figure, rounded by hand


def _notes_on_bakes(
    forms: Mapping[str, Form],
    entries: Mapping[Address, Entry],
    bake_of: Mapping[tuple[str, ...], str],
) -> list[Note]:
    scores = _scores(forms, entries, bake_of)
    expected = set(bake_of.values()) if any(form.scores for form in forms.values()) else set()
    if forms[BAKES].scores:
        expected |= {key[0] for key in forms[BAKES].rows()}
    notes = []
    for (bake,) in forms[BAKES].rows():
        reason = entries.get((BAKES, (bake,), "reason"))
        if reason is not None and (BAKES, (bake,), "status") not in entries:
            said = f"{bake} has the reason {shortened(str(reason.value))} and no status"
            counts = "it counts as made" if bake in scores else "it counts as not told yet"
            mend = f'{said}: {counts}. If it failed, set its status to "failed".'
            notes.append(Note(reason.place, mend, slip=True, asks=(f"what became of {bake}",)))
        status = entries.get((BAKES, (bake,), "status"))
        place = status.place if status else Place(f"{BAKES}.xlsx", forms[BAKES].sheet)
        if status and status.value in WITHOUT_SCORE:
            if (BAKES, (bake,), "reason") not in entries:
                became = f"{bake} {_became(status.value)}"
                notes.append(Note(place, f"{became}; no reason is given.", asks=(f"why {became}",)))
        elif status and scores and bake in expected and bake not in scores:
            notes.append(Note(place, f"{bake} was made, yet nothing was scored for it so far."))
    return notes
