"""Cells as they were found, and what is said about them: problems to mend and notes to read.

A cell of a sheet is looked at before it is believed: the spreadsheet may have made a date of
``7.5`` or a truth of ``TRUE``, and none of that may pass as a score.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TypeVar

from trials.errors import Place
from trials.tables import number, tidy_number

MEND = "Correct the cell and read again; everything else was kept."
LONGEST_SHOWN = 60  # characters of a cell that a message repeats
# 1,250 is a thousand and a quarter in one country and one and a quarter in the next.
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


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

    Examples
    --------
    >>> print(Note(Place("tastings.csv", row=3, column="liking"), "'7,5' was read as 7.5."))
    tastings.csv, row 3, "liking": '7,5' was read as 7.5.
    """

    place: Place
    said: str

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
    """

    file: str
    sheet: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    merged: tuple[tuple[str, int], ...] = ()
    kind: str = ""
    round_id: str = ""
    notes: tuple[Note, ...] = ()

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

    Parameters
    ----------
    value : object
        Text, a number, a truth, a date, a time or None.
    formula : str
        The formula behind the value, when there is one.
    percent : bool
        Whether the sheet shows the number as a percentage.

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
    """Return the number of a cell and what to say about how it was read.

    Returns
    -------
    (float or None, str)
        No number when the cell holds none; then the text says why. Otherwise the text is a note
        when the number did not stand there as it was read.

    Examples
    --------
    >>> read_number(Cell("text", "7,5"))
    (7.5, "'7,5' was read as 7.5.")
    >>> read_number(Cell("text", "n/a"))
    (None, "'n/a' is not a number")
    >>> read_number(Cell("text", "1,250"))[0] is None
    True
    """
    if cell.kind == "number" and isinstance(cell.value, float):
        return cell.value, ""
    wrong = wrong_kind(cell)
    if wrong:
        return None, wrong
    value = number(cell.text)
    if value is None:
        return None, f"{shortened(cell.text)} is not a number"
    if _THOUSANDS.fullmatch(cell.text):
        plain, large = tidy_number(value), cell.text.replace(",", "")
        return None, f"{shortened(cell.text)} may mean {plain} or {large}"
    if "," in cell.text or not cell.text.isascii():
        return value, f"{shortened(cell.text)} was read as {exact(value)}."
    return value, ""


def in_order(said: Iterable[Said]) -> list[Said]:
    """Return problems or notes by file, sheet, row and column, each once."""
    return sorted(set(said), key=_reading_order)


def _reading_order(said: Problem | Note) -> tuple[str, str, int, str, str]:
    place = said.place
    return (place.file, place.sheet, place.row or 0, place.column, str(said))
