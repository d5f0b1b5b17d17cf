"""What a sheet holds, read against its form.

Rows are found by what they are called and columns by their names, never by where they stand.
"""

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from trials.errors import Place
from trials.rounds.cells import Cell, Grid, cell_of, exact, shortened, wrong_kind
from trials.rounds.entries import Entry, Reading, read_cell
from trials.rounds.forms import BAKES, LEFT, ROUND, TASTINGS, Column, Form
from trials.tables import in_words, number

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
        for row, values in zip(table.index, table.itertuples(index=False, name=None), strict=True)
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
    """Return what a sheet holds, read against its form.

    Parameters
    ----------
    grid : Grid
        The sheet as found.
    form : Form
        The form that it is a copy of.
    whole : bool
        Whether every row of the form must be there; one person's copy may hold fewer.

    Returns
    -------
    Reading
    """
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
        reading.note(grid.place(column="position"), f"{_EARLIER}; read by its codes.")
    _say_missing_rows(grid, form, known, reading, whole=whole)
    return reading


def holds_entries(grid: Grid, form: Form) -> bool:
    """Say whether anything stands where a person enters it."""
    names = {_plain(name) for column in form.columns if column.entered for name in column.names()}
    places = [at for at, title in enumerate(grid.header) if _plain(title) in names]
    return any(
        cells[at].kind != "empty" for _, cells in grid.rows for at in places if at < len(cells)
    )


class _Rows:
    """The rows of a form, and which of them a sheet has shown so far."""

    def __init__(self, form: Form) -> None:
        self.form = form
        self.shown = form.blank.to_dict("records")
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
    key = known.find(tuple(cell.text for cell in keys.values()))
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
            if column.name == "position" and _stood_before(form, key, cell, shown["position"]):
                known.earlier = True
                continue
            _check_shown(place, cell, shown[column.name], reading)
        elif column.entered and cell.kind != "empty":
            value = read_cell(column, cell, place, reading)
            if value is not None:
                reading.entries.append(Entry((form.kind, key, column.name), value, place))


def _stood_before(form: Form, key: tuple[str, ...], cell: Cell, given: int) -> bool:
    """Say whether a piece is where it stood in its sitting before a replan put others in."""
    value = cell.value if cell.kind == "number" else number(cell.text)
    return isinstance(value, float) and 0 < given - value <= form.moved.get(key, 0)


def _check_shown(place: Place, cell: Cell, given: Any, reading: Reading) -> None:
    """Refuse a row whose given cells were changed: it may have been torn from another row."""
    if pd.isna(given):
        same, words = cell.kind == "empty", "an empty cell"
    elif isinstance(given, str):
        same, words = cell.text == given, repr(given)
    else:
        value = cell.value if cell.kind == "number" else number(cell.text)
        # A plain table saved by a spreadsheet shows ten digits at most.
        same = isinstance(value, float) and math.isclose(value, float(given), rel_tol=1e-6)
        words = exact(float(given))
    if same:
        return
    found = wrong_kind(cell) or (shortened(cell.text) if cell.text else "nothing")
    mend = "Put back what stood there, or the whole row, and read again; the entries were kept."
    reading.refuse(place, f"this cell is given and was changed to {found}", words, mend)


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
