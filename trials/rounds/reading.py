"""What a sheet holds, read against its form.

Each cell a value, a problem with its place, or a note.
"""

import functools
import math
import re
import unicodedata
import zipfile
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any, TypeVar, assert_never
from xml.etree import ElementTree

import pandas as pd

from trials.base.errors import MeasureError, Place, SheetError, TrialsError
from trials.base.words import in_words, number, tidy_number, two_meanings
from trials.core.factors import Categorical, Component, Factor
from trials.core.measures import Measure
from trials.core.roles import STATUSES
from trials.core.scales import LARGEST, Line, ManyOf, Number, OneOf, Order, Refusal, Text
from trials.recipe.instruments import averaged
from trials.rounds.forms import BAKES, BLIND, LEFT, ROUND, TASTINGS, Column, Form

# -- Cells as they were found, and what is said about them: problems to mend and notes to read.
#
# A cell of a sheet is looked at before it is believed: the spreadsheet may have made a date of
# ``7.5`` or a truth of ``TRUE``, and none of that may pass as a score.


MEND = "Correct the cell and read again; everything else was kept."
LONGEST_SHOWN = 60  # characters of a cell that a message repeats


@dataclass(frozen=True)
class Problem:
    """Something entered that can not be used, and how to mend it.

    Parameters
    ----------
    place : Place
        File, sheet, row and column.
    found : str
        What stands there, as a clause.
    expected : str
        What would be read, as a clause; empty when `found` says it all.
    mend : str
        What to do, as a sentence.

    Examples
    --------
    >>> place = Place("tastings.xlsx", "Tastings", 14, "crispness")
    >>> print(Problem(place, "11 is off the scale", "a number from 0 to 10"))
    tastings.xlsx, sheet Tastings, row 14, "crispness": 11 is off the scale; expected a number
    from 0 to 10. Correct the cell and read again; everything else was kept.
    """

    place: Place
    found: str
    expected: str = ""
    mend: str = MEND

    def __str__(self) -> str:
        return f"{self.place}: {self.message}"

    @property
    def message(self) -> str:
        """What was found, expected and is to be done, without the place."""
        expected = f"; expected {self.expected}" if self.expected else ""
        return f"{self.found}{expected}. {self.mend}"


@dataclass(frozen=True)
class Note:
    """Something that was read, but not quite as it stood, or that deserves a look.

    Parameters
    ----------
    place : Place
    said : str
    slip : bool
        Whether an answer may be wrong by it, so that every answer says it too.
    asks : tuple of str
        What is still to be said, in words, one for each cell: "why B05 failed".

    Examples
    --------
    >>> print(Note(Place("tastings.csv", row=3, column="liking"), "'7,5' was read as 7.5."))
    tastings.csv, row 3, "liking": '7,5' was read as 7.5.
    """

    place: Place
    said: str
    slip: bool = False
    asks: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.place}: {self.said}"


@dataclass(frozen=True)
class Cell:
    """One cell as found.

    Parameters
    ----------
    kind : str
        empty, text, number, percent, date, time, truth, error or formula.
    value : str, float or None
        The text or the number; what the sheet shows for any other kind.

    Examples
    --------
    >>> cell_of(" 7 "), cell_of(True).kind, cell_of(float("inf")).kind
    (Cell(kind='text', value='7'), 'truth', 'error')
    """

    kind: str
    value: str | float | None = None

    @property
    def text(self) -> str:
        """The cell as a person would read it."""
        if self.value is None:
            return ""
        return self.value if isinstance(self.value, str) else exact(self.value)


EMPTY = Cell("empty")
Said = TypeVar("Said", Problem, Note)


@dataclass(frozen=True, eq=False)
class Grid:
    """One sheet as found: its header, its rows with their numbers, and what it says it is.

    Parameters
    ----------
    file, sheet : str
        As the person sees them; a plain table has no sheet.
    header : tuple of str
        The text of row 1.
    rows : tuple of (int, tuple of Cell)
        Every row that is not wholly empty, with its number in the spreadsheet.
    merged : tuple of (str, int)
        Merged areas, each with its first row.
    kind, round_id : str
        What the hidden mark of the file says: "bakes" or "tastings", of which round; empty
        where there is no mark.
    notes : tuple of Note
        What was seen while opening.
    own_sheets : tuple of str
        Sheets beside the form that hold anything.
    """

    file: str
    sheet: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    merged: tuple[tuple[str, int], ...] = ()
    kind: str = ""
    round_id: str = ""
    notes: tuple[Note, ...] = ()
    own_sheets: tuple[str, ...] = ()

    def place(self, row: int | None = None, column: str = "") -> Place:
        """Return a place in this sheet."""
        return Place(self.file, self.sheet, row, column)


def exact(value: float) -> str:
    """Return a number as text that reads back as exactly the same number.

    Examples
    --------
    >>> exact(7.0), exact(0.1 + 0.2)
    ('7', '0.30000000000000004')
    """
    short = tidy_number(value)
    return short if float(short) == value else repr(float(value))


def cell_of(value: object, formula: str = "", *, percent: bool = False) -> Cell:
    """Return the cell that holds a value as a workbook or a plain table gives it.

    Examples
    --------
    >>> cell_of(None, "=3+4")
    Cell(kind='formula', value='=3+4')
    >>> cell_of(datetime(2026, 5, 7))
    Cell(kind='date', value='2026-05-07')
    """
    if formula:
        return Cell("formula", formula)
    if value is None:
        return EMPTY
    if isinstance(value, bool):
        return Cell("truth", str(value).upper())
    if isinstance(value, int | float):
        found = _number_cell(value)
        return Cell("percent", f"{tidy_number(100 * value)}%") if percent else found
    if isinstance(value, datetime):
        midnight = (value.hour, value.minute, value.second) == (0, 0, 0)
        return Cell("date", value.date().isoformat() if midnight else value.isoformat(" "))
    if isinstance(value, date):
        return Cell("date", value.isoformat())
    if isinstance(value, time | timedelta):
        return Cell("time", str(value))
    text = str(value).strip()
    return Cell("text", text) if text else EMPTY


def _number_cell(value: float) -> Cell:
    try:
        finite = math.isfinite(float(value))
    except OverflowError:
        finite = False
    return Cell("number", float(value)) if finite else Cell("error", "a number too large to hold")


def shortened(text: str) -> str:
    """Return text as a message repeats it: in quotes, one line, not too long.

    Examples
    --------
    >>> shortened("n/a"), len(shortened("x" * 1000))
    ("'n/a'", 62)
    """
    text = " ".join(text.split())
    return repr(text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 1] + "…")


def wrong_kind(cell: Cell) -> str:
    """Return why a cell is neither text nor number, as a clause; empty when it is one.

    Examples
    --------
    >>> wrong_kind(Cell("date", "2026-05-07"))
    'the date 2026-05-07, which the spreadsheet probably made of what was typed'
    >>> wrong_kind(Cell("text", "n/a"))
    ''
    """
    said = {
        "date": "the date {}, which the spreadsheet probably made of what was typed",
        "time": "the time {}, which the spreadsheet probably made of what was typed",
        "truth": "{}, which is yes or no and not a score",
        "percent": "{}, which the spreadsheet keeps as a hundredth of it",
        "error": "the error {}",
        "formula": "the formula {}, which a score sheet does not work out",
    }
    return said[cell.kind].format(cell.text[:LONGEST_SHOWN]) if cell.kind in said else ""


def read_number(cell: Cell) -> tuple[float | None, str]:
    """Return the number of a cell and what to say about how it was read."""
    if cell.kind == "number" and isinstance(cell.value, float):
        return cell.value, ""
    wrong = wrong_kind(cell)
    if wrong:
        return None, wrong
    value = number(cell.text)
    if value is None:
        return None, f"{shortened(cell.text)} is not a number"
    large = two_meanings(cell.text)
    if large:
        return None, f"{shortened(cell.text)} may mean {tidy_number(value)} or {large}"
    if "," in cell.text or not cell.text.isascii():
        return value, f"{shortened(cell.text)} was read as {exact(value)}."
    return value, ""


def in_order(said: Iterable[Said]) -> list[Said]:
    """Return problems or notes by file, sheet, row and column, each once."""
    return sorted(set(said), key=_reading_order)


def _reading_order(said: Problem | Note) -> tuple[str, str, int, str, str]:
    place = said.place
    return (place.file, place.sheet, place.row or 0, place.column, str(said))


# -- One cell of a form as the value that was entered, or a problem with its place, or a note.


LONGEST_TEXT = 32_767  # characters; what one cell of a workbook can hold
LEAVE_EMPTY = (
    "Leave the cell empty where there is no score, or correct it, and read again; "
    "everything else was kept."
)
MAKE_TEXT = "Type it as words and read again; everything else was kept."
_LOST = "\ufffd"  # stands where a byte could not be read as a letter

# What people write where there is nothing to write
EMPTY_WORDS = ("", "-", "–", "—", "?", "n/a", "n.a.", "na")

Value = float | str
Address = tuple[str, tuple[str, ...], str]  # form, row, column


@dataclass(frozen=True)
class Entry:
    """One value that was entered, and where it stands."""

    address: Address
    value: Value
    place: Place


@dataclass(eq=False)
class Reading:
    """What one file holds: entries, problems to mend and notes; filled while it is read."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)

    def refuse(self, place: Place, found: str, expected: str = "", mend: str = MEND) -> None:
        """Add a problem."""
        self.problems.append(Problem(place, found, expected, mend))

    def note(self, place: Place, said: str, *, slip: bool = False) -> None:
        """Add a note."""
        self.notes.append(Note(place, said, slip))


def read_cell(
    column: Column,
    cell: Cell,
    place: Place,
    reading: Reading,
    then: Mapping[str, Sequence[float]] | None = None,
) -> Value | None:
    """Return the value that was entered; None, with a problem added, when it can not be used.

    Limits of a factor that held when the bake was made go before those of now.
    """
    free = column.role in ("note", "words", "reason")
    if cell.kind == "text" and cell.text.casefold() in EMPTY_WORDS and not free:
        reading.note(place, f"{shortened(cell.text)} counts as empty.")
        return None
    if column.measure is not None:
        return _read_score(column.measure, cell, place, reading)
    if column.role == "setting":
        return _read_setting(column, cell, place, reading, then or {})
    text = _read_text(cell, place, reading)
    if text is not None and column.role == BLIND:
        if text.casefold() not in ("yes", "no"):
            reading.refuse(place, f"{shortened(text)} is neither yes nor no", column.expects())
            return None
        return text.casefold()
    if text is None or column.role != "status":
        return text
    if text.casefold() not in STATUSES:
        reading.refuse(place, f"{shortened(text)} is no status", column.expects())
        return None
    return text.casefold()


def _read_score(measure: Measure, cell: Cell, place: Place, reading: Reading) -> Value | None:
    match measure.field:
        case Text():
            return _read_text(cell, place, reading)
        case ManyOf() | OneOf(spelled=True) if cell.kind in ("text", "number"):
            return _on_scale(measure, cell.text, place, reading)
        case Number(several=True) if cell.kind == "text" and ";" in cell.text:
            return _read_several(measure, cell.text, place, reading)
        case OneOf() | ManyOf() | Line() | Order() | Number():
            value, said = read_number(cell)
            if value is None:
                reading.refuse(place, said, measure.expects(), LEAVE_EMPTY)
                return None
            if said:
                reading.note(place, said)
            return _on_scale(measure, exact(value), place, reading)
        case never:
            assert_never(never)


def _on_scale(measure: Measure, text: str, place: Place, reading: Reading) -> Value | None:
    """Return the value of an entry, or None once a problem tells why it is not on the scale."""
    found = measure.entry(text)
    if isinstance(found, Refusal):
        reading.refuse(place, found.found, found.expected, found.mend or MEND)
        return None
    return found


def _read_several(measure: Measure, text: str, place: Place, reading: Reading) -> Value | None:
    """Give the mean of several readings of one bake; their spread is told and stays in the file."""
    try:
        values = [float(measure.read(part)) for part in text.split(";") if part.strip()]
        found = averaged(measure.name, values, measure.unit, -LARGEST, LARGEST, above=False)
    except MeasureError as error:
        reading.refuse(place, error.message.rstrip("."))
        return None
    reading.note(place, f"{len(values)} readings were averaged: {found.sentence}")
    return found.value


def _read_setting(
    column: Column,
    cell: Cell,
    place: Place,
    reading: Reading,
    then: Mapping[str, Sequence[float]],
) -> Value | None:
    """Return what was really set; `then` holds limits that were wider when the bake was made."""
    factor = column.factor
    if factor is None:
        return None
    try:
        if isinstance(factor, Categorical):
            wrong = wrong_kind(cell)
            if wrong:
                reading.refuse(place, wrong, column.expects())
                return None
            level = factor.read(cell.text)
            return level if isinstance(level, str) else float(level)
        value, said = read_number(cell)
        if value is None and cell.text.casefold() == factor.show(factor.low) == "none":
            value, said = factor.low, ""  # as the sheets say it
        if value is None:
            reading.refuse(place, said, column.expects(), LEAVE_EMPTY)
            return None
        if (isinstance(factor, Component) or factor.is_share) and 1 < value <= 100:
            # Sheets show a share in percent, and so it may be typed
            typed = tidy_number(value)
            said += f" {typed} was read as {typed} %: 1 is the whole here."
            value /= 100
        value = float(factor.read(value))
    except TrialsError as error:
        reading.refuse(place, error.message.rstrip("."))
        return None
    low, high = then.get(factor.name, (factor.low, factor.high))
    outside = not low <= value <= high
    if outside:
        far = not 2 * low - high <= value <= 2 * high - low
        planned = f"the {factor.show(low)} to {factor.show(high)} that was planned"
        said += f" {factor.show(value)} is {'far ' if far else ''}outside {planned}; it is used as "
        said += "what was really done."
    if said:
        reading.note(place, said.strip(), slip=outside)
    return value


def _one_line(text: str) -> str:
    """Return text without the breaks and tabs that a person may type."""
    return text.translate({ord(mark): " " for mark in "\n\r\t"})


def _read_text(cell: Cell, place: Place, reading: Reading) -> str | None:
    wrong = "" if cell.kind == "truth" else wrong_kind(cell)
    if wrong:
        reading.refuse(place, wrong, "words", MAKE_TEXT)
    elif any(mark == _LOST or unicodedata.category(mark) == "Cc" for mark in _one_line(cell.text)):
        mend = "Save the file as UTF-8, or write the words again, and read again."
        reading.refuse(place, f"{shortened(cell.text)} holds letters that were lost", "", mend)
    elif len(cell.text) > LONGEST_TEXT:
        mend = "Shorten it, or keep it in a file of its own; everything else was kept."
        found = f"{len(cell.text)} characters are more than a cell can hold"
        reading.refuse(place, found, f"at most {LONGEST_TEXT}", mend)
    else:
        return cell.text
    return None


# -- Looking a file over before it is opened: its size, its kind, and what hides inside.
#
# A workbook is a zip archive of XML; one that was cut short, carries macros, swells to gigabytes
# or defines XML entities is refused here, before any reader touches it.


LARGEST_FILE = 20_000_000  # bytes; a round's workbook is under one hundred thousand
LARGEST_XML = 20_000_000  # bytes of XML once unpacked, all parts together
MOST_TAGS = 250_000  # of one part; the largest form has some seventy thousand
MOST_PARTS = 500
MOST_ROWS = 2_000  # a round has at most 504 codes
MOST_COLUMNS = 200
MOST_CELLS = 100_000  # of one merged area
MOST_LINES = 100_000  # of a plain table; notes may hold line breaks
_CORNERS = re.compile(r"([A-Z]{1,3})([0-9]{1,7})(?::([A-Z]{1,3})([0-9]{1,7}))?")
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
_XML = (".xml", ".rels", ".vml")
_SAVE_AGAIN = "Save it again as a workbook (.xlsx) or as CSV, and read again."


def looked_over(path: Path, shown: str) -> bytes:
    """Return the content of a workbook that is safe to open."""
    here = Place(shown)
    if not path.is_file():
        raise SheetError("there is no such file.", here)
    if path.stat().st_size > LARGEST_FILE:
        raise SheetError(
            f"the file has {path.stat().st_size // 1_000_000} MB, too large for a score sheet. "
            "Copy the entries into the workbook as it was given out; this file was not read.",
            here,
        )
    content = path.read_bytes()
    if content.startswith(_OLD_WORKBOOK):
        raise SheetError(
            f"the file has a password or the format of an old spreadsheet. {_SAVE_AGAIN}", here
        )
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            _check_parts(archive, here)
    except SheetError:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError):
        raise _damaged(here) from None
    return content


def _damaged(here: Place) -> SheetError:
    return SheetError(
        "this is not a workbook, or it is damaged or was cut short. "
        "Fetch the file once more or save it again; nothing of it was read.",
        here,
    )


def _check_parts(archive: zipfile.ZipFile, here: Place) -> None:
    parts = archive.infolist()
    names = {part.filename for part in parts}
    if "[Content_Types].xml" not in names or len(names) < len(parts):
        raise zipfile.BadZipFile
    if any(part.flag_bits & 1 for part in parts):
        raise SheetError(f"the file is protected by a password. {_SAVE_AGAIN}", here)
    if any(name.casefold().endswith("vbaproject.bin") for name in names):
        raise SheetError(
            f"the workbook carries macros, which are never opened. {_SAVE_AGAIN}", here
        )
    xml = [part for part in parts if part.filename.casefold().endswith(_XML)]
    if len(parts) > MOST_PARTS or sum(part.file_size for part in xml) > LARGEST_XML:
        raise _swollen(here)
    for part in xml:
        content = archive.read(part)
        _check_xml(content, here)
        _check_areas(content, here)


def _swollen(here: Place) -> SheetError:
    return SheetError(
        "the workbook unpacks to far more than a score sheet holds (perhaps a million empty "
        "rows). Copy the entries into the workbook as it was given out; nothing was read.",
        here,
    )


def _check_xml(content: bytes, here: Place) -> None:
    plain = content.replace(b"\x00", b"")  # also finds it in UTF-16
    if b"<!DOCTYPE" in plain or b"<!ENTITY" in plain:
        raise SheetError(
            f"the workbook defines XML entities, which no spreadsheet writes. {_SAVE_AGAIN}", here
        )
    if plain.count(b"<") > MOST_TAGS:
        raise _swollen(here)


def _check_areas(content: bytes, here: Place) -> None:
    """Refuse merged cells and links over areas so large that listing their cells never ends."""
    if not any(mark in content.replace(b"\x00", b"") for mark in (b"mergeCell", b"hyperlink")):
        return
    try:
        for _, element in ElementTree.iterparse(BytesIO(content)):
            name = element.tag.rpartition("}")[2]
            if name in ("mergeCell", "hyperlink") and _cells(element.get("ref", "")) > MOST_CELLS:
                raise SheetError(
                    f"the cells {element.get('ref')} are one area, far larger than a form. "
                    "Undo the merging or the link, save, and read again; nothing was read.",
                    here,
                )
            element.clear()
    except ElementTree.ParseError:
        raise _damaged(here) from None


def _cells(area: str) -> float:
    """Return how many cells an area has; whole columns and what is no area are endless."""
    corners = _CORNERS.fullmatch(area.replace("$", ""))
    if not corners:
        return math.inf
    left, top, right, bottom = (corner or "" for corner in corners.groups())
    if not right:
        return 1
    high = abs(int(bottom) - int(top)) + 1
    return high * (abs(_column(right) - _column(left)) + 1)


def _column(letters: str) -> int:
    return functools.reduce(lambda sum_, letter: 26 * sum_ + ord(letter) - 64, letters, 0)


def check_lines(path: Path, shown: str) -> None:
    """Refuse a plain table with far more lines than any form has."""
    if not path.is_file() or path.stat().st_size > LARGEST_FILE:
        return  # said by whoever reads it
    content = path.read_bytes()
    lines = max(content.count(b"\n"), content.count(b"\r"))
    if lines > MOST_LINES:
        raise SheetError(
            f"the file has {lines} lines, far more than a form. Delete the empty lines below "
            "the entries and read again; nothing was read.",
            Place(shown),
        )


def check_extent(rows: int, columns: int, place: Place) -> None:
    """Refuse a sheet that reaches far beyond any form.

    Examples
    --------
    >>> check_extent(65, 12, Place("tastings.xlsx", "Tastings"))
    """
    if rows > MOST_ROWS or columns > MOST_COLUMNS:
        raise SheetError(
            f"the sheet reaches to row {rows} and column {columns}; a form has at most "
            f"{MOST_ROWS} rows and {MOST_COLUMNS} columns. Delete the empty rows and columns "
            "below and beside the form, save, and read again; nothing was read.",
            place,
        )


# -- What a sheet holds, read against its form.
#
# Rows are found by what they are called and columns by their names, never by where they stand.


_EARLIER = "handed out before the round was replanned"


def table_grid(file: str, table: pd.DataFrame) -> Grid:
    """Return the grid of a plain table as :func:`trials.tables.read_csv` gives it.

    Examples
    --------
    >>> table_grid("t.csv", pd.DataFrame({"bake": ["B01"]}, index=[2])).rows
    ((2, (Cell(kind='text', value='B01'),)),)
    """
    rows = tuple(
        (int(row), tuple(cell_of(value) for value in values))
        for row, values in zip(table.index, table.to_numpy(dtype=object).tolist(), strict=True)
    )
    return Grid(file, "", tuple(map(str, table.columns)), rows)


def kind_of(grid: Grid) -> str:
    """Return which form a sheet is, by its hidden mark or else its columns; empty for neither.

    Examples
    --------
    >>> kind_of(Grid("t.csv", "", ("Taster", "code", "liking"), ()))
    'tastings'
    """
    if grid.kind in (BAKES, TASTINGS):
        return grid.kind
    names = {name.casefold() for name in grid.header}
    if {"taster", "code"} <= names:
        return TASTINGS
    return BAKES if "bake" in names else ""


def read_grid(grid: Grid, form: Form, *, whole: bool) -> Reading:
    """Return what a sheet holds, read against its form."""
    reading = Reading(notes=list(grid.notes))
    columns = _found_columns(grid, form, reading)
    if columns is None or not _is_of_this_round(grid, form, columns, reading):
        return reading
    for area, row in grid.merged:
        mend = "Take the merging away and enter each cell; everything else was kept."
        reading.refuse(grid.place(row), f"the cells {area} are merged into one", "", mend)
    known = _Rows(form)
    for row, cells in grid.rows:
        key = _key(grid, row, cells, columns, known, reading)
        if key is not None:
            _read_row(grid, row, cells, columns, known, key, reading)
    _say_numbered_ids(grid, known, reading)
    if known.earlier:
        by = "codes" if form.kind == TASTINGS else "names"
        reading.note(grid.place(column=form.keys[-1]), f"{_EARLIER}; read by its {by}.")
    _say_missing_rows(grid, form, known, reading, whole=whole)
    return reading


def holds_entries(grid: Grid, form: Form) -> bool:
    """Say whether anything stands where a person enters it."""
    names = {_plain(name) for column in form.columns if column.entered for name in column.names()}
    places = [at for at, title in enumerate(grid.header) if _plain(title) in names]
    return any(
        cells[at].kind != "empty" for _, cells in grid.rows for at in places if at < len(cells)
    )


def holds_more(grid: Grid, form: Form) -> bool:
    """Say whether a sheet holds anything that the form did not give out."""
    titles = [_plain(title) for title in grid.header]
    given = {_plain(name) for one in form.columns if not one.entered for name in one.names()}
    keys = {_plain(name) for one in form.columns if one.role == "key" for name in one.names()}
    if grid.own_sheets or (grid.rows and not keys & set(titles)):
        return True
    shown = {at for at, title in enumerate(titles) if title in given}
    return any(
        cell.kind != "empty"
        for _, cells in grid.rows
        for at, cell in enumerate(cells)
        if at not in shown
    )


class _Rows:
    """The rows of a form, and which of them a sheet has shown so far."""

    def __init__(self, form: Form) -> None:
        self.form = form
        self.shown = form.records
        self.position = form.rows()
        self.seen: dict[tuple[str, ...], int] = {}
        self.numbered: set[str] = set()
        self.earlier = False  # whether a piece stands where it did before a replan
        folded = [tuple(part.casefold() for part in key) for key in self.position]
        self.folded = {
            fold: key
            for fold, key in zip(folded, self.position, strict=True)
            if folded.count(fold) == 1
        }

    def find(self, key: tuple[str, ...]) -> tuple[str, ...] | None:
        """Return the row that is meant, capital letters aside where that is unambiguous."""
        if key in self.position:
            return key
        return self.folded.get(tuple(part.casefold() for part in key))


def _found_columns(grid: Grid, form: Form, reading: Reading) -> dict[int, Column] | None:
    """Return the form's columns by where they stand in the sheet; None without the row ids."""
    named = {_plain(name): column for column in form.columns for name in column.names()}
    columns: dict[int, Column] = {}
    for position, title in enumerate(grid.header):
        column = named.get(_plain(title))
        if column is not None and column in columns.values():
            reading.refuse(grid.place(1, column.name), "this column stands here twice")
        elif column is not None:
            columns[position] = column
        else:
            _judge_extra(grid, position, title, reading)
    there = {column.name for column in columns.values()}
    lacking = [column for column in form.columns if column.name not in there]
    for column in lacking:
        if column.role in ("key", "score", "status"):
            reading.refuse(
                grid.place(1, column.name),
                "there is no such column",
                "the columns as they were given out",
                "Put it back, or its name as it was, and read again; everything else was kept.",
            )
        elif column.entered:
            reading.note(grid.place(1, column.name), "there is no such column; read as empty.")
    return columns if set(form.keys) <= there else None


def _judge_extra(grid: Grid, position: int, title: str, reading: Reading) -> None:
    counts_what_is_left = _plain(title).startswith(LEFT)
    filled = [
        (row, cells[position])
        for row, cells in grid.rows
        if position < len(cells) and cells[position].kind != "empty"
    ]
    if counts_what_is_left and not filled:
        return
    if title and not counts_what_is_left:
        mend = "Move what it says to the notes, or take the column out, and read again."
        reading.refuse(grid.place(1, title), "this column is none of the form's", "", mend)
    elif filled:
        row, cell = filled[0]
        mend = "Move it to the column it belongs to, and read again; everything else was kept."
        found = f"{shortened(cell.text)} stands in column {position + 1}, beside the form"
        reading.refuse(grid.place(row), found, "", mend)


def _is_of_this_round(
    grid: Grid, form: Form, columns: Mapping[int, Column], reading: Reading
) -> bool:
    position = next((at for at, column in columns.items() if column.name == ROUND), None)
    marks = {grid.round_id}
    if position is not None and not grid.round_id:
        # Most rows decide; a row that says otherwise is a problem of its own.
        cells = [cells[position].text for _, cells in grid.rows if position < len(cells)]
        marks |= {max(set(cells), key=lambda mark: (cells.count(mark), mark))} if cells else set()
    marks.discard("")
    foreign = marks - form.ids
    if foreign:
        reading.refuse(
            grid.place(),
            f"this sheet belongs to another round (its mark is {shortened(min(foreign))})",
            f"this round's mark, {form.round_id}",
            "Put it into the folder of its own round; nothing of it was read.",
        )
        return False
    if not marks:
        reading.note(
            grid.place(), "nothing says which round this is of; read because its names fit."
        )
    return True


def _key(
    grid: Grid,
    row: int,
    cells: tuple[Cell, ...],
    columns: Mapping[int, Column],
    known: _Rows,
    reading: Reading,
) -> tuple[str, ...] | None:
    """Return which row of the form this is; None, with a problem, when it is none."""
    by_name = {columns[at].name: cell for at, cell in enumerate(cells) if at in columns}
    keys = {name: by_name.get(name, Cell("empty")) for name in known.form.keys}
    for name, cell in keys.items():
        found = wrong_kind(cell)
        if cell.kind == "empty":
            found = "nothing stands here, though the row holds something (a line of totals?)"
        if found:
            mend = "Put the id back as it was given out, or take the row out, and read again."
            reading.refuse(grid.place(row, name), found, f"a {name} of this round", mend)
            return None
    texts = tuple(cell.text for cell in keys.values())
    key = known.find(texts)
    if key is None and texts in known.form.off:
        known.earlier = True
        if _row_filled(cells, columns):
            found = f"{_named(texts)} was taken off when the round was replanned, yet it has scores"
            mend = "If it was served, say so with the round's diary: trials note. Empty the row."
            reading.refuse(grid.place(row), found, "nothing", mend)
        return None
    if key is None:
        _refuse_foreign(grid, row, keys, known, reading)
        return None
    if key in known.seen:
        reading.refuse(
            grid.place(row, known.form.keys[-1]),
            f"{_named(key)} stands here a second time, first in row {known.seen[key]}",
            "",
            "Keep one of the two rows and read again; nothing of the second was read.",
        )
        return None
    known.numbered |= {name for name, cell in keys.items() if cell.kind == "number"}
    known.seen[key] = row
    return key


def _row_filled(cells: tuple[Cell, ...], columns: Mapping[int, Column]) -> bool:
    return any(
        column.entered and at < len(cells) and cells[at].kind != "empty"
        for at, column in columns.items()
    )


def _refuse_foreign(
    grid: Grid, row: int, keys: Mapping[str, Cell], known: _Rows, reading: Reading
) -> None:
    texts = [cell.text for cell in keys.values()]
    last = known.form.keys[-1]
    if len(texts) == 1:
        found, expected = f"{shortened(texts[0])} is no bake of this round", "a bake of the plan"
    elif not any(key[0].casefold() == texts[0].casefold() for key in known.position):
        last, found = known.form.keys[0], f"nobody called {shortened(texts[0])} tastes here"
        expected = in_words(dict.fromkeys(key[0] for key in known.position), "or")
    else:
        owners = [key[0] for key in known.position if key[1] == texts[1]]
        found = f"{shortened(texts[1])} is no code of {texts[0]}'s"
        found += f"; it is {in_words(owners)}'s" if owners else ""
        expected = "a code as it was given out"
    mend = "Correct it, or take the row out, and read again; everything else was kept."
    reading.refuse(grid.place(row, last), found, expected, mend)


def _read_row(
    grid: Grid,
    row: int,
    cells: tuple[Cell, ...],
    columns: Mapping[int, Column],
    known: _Rows,
    key: tuple[str, ...],
    reading: Reading,
) -> None:
    shown = known.shown[known.position[key]]
    form = known.form
    for position, column in columns.items():
        cell = cells[position] if position < len(cells) else Cell("empty")
        place = grid.place(row, column.name)
        if column.role == "shown":
            if column.name == ROUND and cell.text in form.older_ids:
                continue
            if column.name == "place" and _stood_before(form, key, cell, shown["place"]):
                known.earlier = True
                continue
            before = form.was.get(key, {})
            stood = column.name in before and _same(cell, before[column.name])
            if stood and not _same(cell, shown[column.name]):
                known.earlier = True
                if column.factor is not None and _row_filled(cells, columns):
                    _ask_which(place, column.factor, before[column.name], shown, key, reading)
                continue
            _check_shown(place, cell, shown[column.name], reading)
        elif column.entered and cell.kind != "empty":
            then = form.limits.get(key, {})
            value = read_cell(column, cell, place, reading, then)
            if value is not None:
                reading.entries.append(Entry((form.kind, key, column.name), value, place))


def _ask_which(
    place: Place,
    factor: Factor,
    before: Any,
    shown: Mapping[str, Any],
    key: tuple[str, ...],
    reading: Reading,
) -> None:
    """Ask how a bake was made that was entered on a sheet of before a replan."""
    now = factor.show(shown[factor.name])
    reading.refuse(
        place,
        f"{_EARLIER}: {key[0]} was planned at {factor.show(before)} then and at {now} now",
        "the sheet as it is now",
        f"Enter {key[0]} there; if it was made at {factor.show(before)} all the same, say so under "
        f'"actual {factor.name}". Empty the row here, and read again.',
    )


def _stood_before(form: Form, key: tuple[str, ...], cell: Cell, given: int) -> bool:
    """Say whether a piece is where it stood in its sitting before a replan put others in."""
    value = cell.value if cell.kind == "number" else number(cell.text)
    return isinstance(value, float) and 0 < given - value <= form.moved.get(key, 0)


def _check_shown(place: Place, cell: Cell, given: Any, reading: Reading) -> None:
    """Refuse a row whose given cells were changed: it may have been torn from another row."""
    if _same(cell, given):
        return
    if pd.isna(given) or given == "":
        words = "an empty cell"
    else:
        words = repr(given) if isinstance(given, str) else exact(float(given))
    found = wrong_kind(cell) or (shortened(cell.text) if cell.text else "nothing")
    mend = "Put back what stood there, or the whole row, and read again; the entries were kept."
    reading.refuse(place, f"this cell is given and was changed to {found}", words, mend)


def _same(cell: Cell, given: Any) -> bool:
    """Say whether a cell holds what was given."""
    if pd.isna(given) or given == "":
        return cell.kind == "empty"
    if isinstance(given, str):
        return cell.text == given
    value = cell.value if cell.kind == "number" else number(cell.text)
    # A plain table saved by a spreadsheet shows ten digits at most.
    return isinstance(value, float) and math.isclose(value, float(given), rel_tol=1e-6)


def _say_numbered_ids(grid: Grid, known: _Rows, reading: Reading) -> None:
    for name in sorted(known.numbered):
        said = "the spreadsheet made numbers of these; they were matched, as none is ambiguous."
        reading.note(grid.place(column=name), said)


def _say_missing_rows(
    grid: Grid, form: Form, known: _Rows, reading: Reading, *, whole: bool
) -> None:
    missing = [key for key in known.position if key not in known.seen]
    if not missing:
        return
    named = in_words([_named(key) for key in missing[:3]] + (["more"] if missing[3:] else []))
    if known.seen and whole and form.added.issuperset(missing):
        reading.note(grid.place(column=form.keys[-1]), f"{_EARLIER}: it has no row for {named}.")
    elif whole:
        reading.refuse(
            grid.place(column=form.keys[-1]),
            f"{len(missing)} of {len(known.position)} rows can not be found: {named}",
            "every row that was given out",
            "Put the rows back, empty if there is nothing to enter, and read again.",
        )
    elif not known.seen:
        reading.note(grid.place(), "this sheet holds no row of the form.")


def _named(key: tuple[str, ...]) -> str:
    return key[0] if len(key) == 1 else f"{key[0]}'s {key[1]}"


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()
