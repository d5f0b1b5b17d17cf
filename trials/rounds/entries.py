"""One cell of a form as the value that was entered, or a problem with its place, or a note."""

import unicodedata
from dataclasses import dataclass, field

from trials.errors import MeasureError, Place, TrialsError
from trials.factors import Categorical
from trials.measures import Measure, several_readings
from trials.measuring.readings import averaged
from trials.rounds.cells import (
    MEND,
    Cell,
    Note,
    Problem,
    exact,
    read_number,
    shortened,
    wrong_kind,
)
from trials.rounds.forms import BLIND, Column
from trials.rounds.round import STATUSES

LONGEST_TEXT = 32_767  # characters; what one cell of a workbook can hold
LARGEST = 1e12  # of a reading, either way
LEAVE_EMPTY = (
    "Leave the cell empty where there is no score, or correct it, and read again; "
    "everything else was kept."
)
MAKE_TEXT = "Type it as words and read again; everything else was kept."
_LOST = "\ufffd"  # stands where a byte could not be read as a letter

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

    def note(self, place: Place, said: str) -> None:
        """Add a note."""
        self.notes.append(Note(place, said))


def read_cell(column: Column, cell: Cell, place: Place, reading: Reading) -> Value | None:
    """Return the value that was entered; None, with a problem added, when it can not be used.

    Parameters
    ----------
    column : Column
        What is entered there.
    cell : Cell
        What was found; not empty.
    place : Place
        Where.
    reading : Reading
        Gets the problem, or the note on how the cell was read.
    """
    if column.measure is not None:
        return _read_score(column.measure, cell, place, reading)
    if column.role == "setting":
        return _read_setting(column, cell, place, reading)
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
    try:
        if measure.kind == "words":
            return _read_text(cell, place, reading)
        if measure.kind in ("check all", "passed") and cell.kind in ("text", "number"):
            return measure.read(cell.text)
        if several_readings(measure) and cell.kind == "text" and ";" in cell.text:
            return _read_several(measure, cell.text, place, reading)
        value, said = read_number(cell)
        if value is None:
            reading.refuse(place, said, measure.expects(), LEAVE_EMPTY)
            return None
        if said:
            reading.note(place, said)
        return measure.read(exact(value))
    except MeasureError as error:
        reading.refuse(place, error.message.rstrip("."))
        return None


def _read_several(measure: Measure, text: str, place: Place, reading: Reading) -> Value:
    """Return the mean of several readings of one bake; their spread is told and stays in the file.

    Raises
    ------
    MeasureError
        When one of them is no number.
    """
    values = [float(measure.read(part)) for part in text.split(";") if part.strip()]
    found = averaged(measure.name, values, measure.unit, -LARGEST, LARGEST, above=False)
    reading.note(place, f"{len(values)} readings were averaged: {found.sentence}")
    return found.value


def _read_setting(column: Column, cell: Cell, place: Place, reading: Reading) -> Value | None:
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
        if value is None:
            reading.refuse(place, said, column.expects(), LEAVE_EMPTY)
            return None
        value = float(factor.read(value))
    except TrialsError as error:
        reading.refuse(place, error.message.rstrip("."))
        return None
    span = factor.high - factor.low
    if not factor.low - span <= value <= factor.high + span:
        said += f" {factor.show(value)} is far outside what was planned; look at it again."
    if said:
        reading.note(place, said.strip())
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
