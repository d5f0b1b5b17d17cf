"""How a form is laid out, whichever library draws it: widths, areas, what each cell takes."""

import re
import textwrap
from collections.abc import Callable, Collection, Iterable, Mapping
from itertools import groupby
from typing import Any

import pandas as pd

from trials.factors import Categorical
from trials.measures import several_readings
from trials.rounds.entries import Address, Value
from trials.rounds.forms import BAKES, BLIND, TASTINGS, Column, Form
from trials.rounds.round import STATUSES
from trials.tables import tidy_number

LINE_HEIGHT, ROW_HEIGHT = 15.5, 19  # points; a row leaves room for handwriting
GUIDE_WIDTHS = (30, 44, 44)  # characters
CAUTIONS = {
    BAKES: (
        "A bake that tore, leaked, burned or was raw inside gets a status and a reason, and no "
        "score: never 0. Its cells turn grey.",
        "Never taste raw dough or batter (raw flour, raw egg). Never leave hot oil alone; never "
        "put water on burning oil.",
    ),
    TASTINGS: (
        "Find the code that stands with the piece; leave a cell empty where you have no score. "
        "Grey cells need none: that piece was not served.",
        "Tell the cook before tasting what you must avoid, and do not taste it.",
    ),
}
NOT_NEEDED = "not needed"
MOST_PLACES = 504  # of a ranking: no round has more codes
_LONGEST_LIST = 255  # characters a drop-down may hold

Row = tuple[str, ...]  # the keys of a form's row


class SpelledOut(float):
    """A number that a writer spells out in full, where it would stop at sixteen digits."""

    def __format__(self, form: str) -> str:
        return repr(float(self))


def column_letters(position: int) -> str:
    """Return what a spreadsheet calls a column, the first being 1.

    Examples
    --------
    >>> column_letters(1), column_letters(26), column_letters(27)
    ('A', 'Z', 'AA')
    """
    letters = ""
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def holds_numbers(column: Column) -> bool:
    """Say whether numbers are entered in a column."""
    if column.measure is not None:
        return column.measure.kind not in ("check all", "passed", "words")
    return column.role == "setting" and not isinstance(column.factor, Categorical)


def width(column: Column, form: Form) -> int:
    """Return the width of a column in characters."""
    if column.role in ("note", "reason") or (
        column.measure is not None and not column.measure.in_numbers
    ):
        return 28
    texts = [str(value) for value in form.blank[column.name]]
    title = column.title or column.name
    wanted = max([len(word) for word in title.split()] + [len(text) for text in texts] + [6])
    return min(max(wanted, len(title) // 3) + 2, 30)


def title_lines(column: Column, form: Form) -> int:
    """Return how many lines a column's title takes."""
    return text_lines(column.title or column.name, width(column, form) - 1)


def text_lines(text: str, room: int) -> int:
    """Return how many lines a text takes in so many characters, words being kept whole.

    Examples
    --------
    >>> text_lines("actual oil temperature", 12), text_lines("one\\ntwo", 12)
    (2, 2)
    """
    return sum(max(1, len(textwrap.wrap(line, max(room, 1)))) for line in text.split("\n"))


def count_left(
    form: Form, values: Mapping[Address, Value], closed: Collection[Row] = frozenset()
) -> int:
    """Return how many scores of a form are not entered, bakes that were not served aside."""
    return sum(
        (form.kind, key, column.name) not in values
        for key in form.rows()
        if key not in closed and values.get((form.kind, key, "status"), "made") == "made"
        for column in form.scores
    )


def without_score(serving: pd.DataFrame, values: Mapping[Address, Value]) -> frozenset[Row]:
    """Return the tastings, by taster and code, of bakes that failed, or were not served or baked.

    Parameters
    ----------
    serving : DataFrame
    values : mapping
        What is entered in the cook's form.
    """
    lost = {
        key[0]
        for (kind, key, column), value in values.items()
        if kind == BAKES and column == "status" and value != "made"
    }
    rows = serving[serving["bake"].isin(lost)] if len(serving) else serving
    return frozenset((str(row.taster), str(row.code)) for row in rows.itertuples(index=False))


def count_formula(form: Form, closed: Collection[Row] = frozenset()) -> str:
    """Return the formula that counts in a sheet what :func:`count_left` counts.

    Parameters
    ----------
    form : Form
        With at least one row and one score.
    closed : collection of row keys
        Tastings of bakes that were not served.
    """
    names = [column.name for column in form.scores]
    cells = area(form, names)
    if form.kind == BAKES:
        status = area(form, ["status"])
        return f'SUMPRODUCT(({cells}="")*(({status}="")+({status}="made")))'
    shut = _runs(form, names, lambda key: key in closed)
    return "-".join(f"COUNTBLANK({one})" for one in (cells, *shut))


def colours(form: Form, closed: Collection[Row] = frozenset()) -> list[tuple[str, str, str]]:
    """Return which empty scores a sheet colours: cells, the formula for the first, and the look.

    The look is "missing" where a score is still to come, and "not needed" where the bake failed,
    was not served or not baked. The cook's sheet sees that by its own status; the tasters' sheet
    is told it row by row, as nothing in it may say which bake a code is.
    """
    names = [column.name for column in form.scores]
    if not names or not len(form.blank):
        return []
    if form.kind == BAKES:
        cells = area(form, names)
        first, status = cells.split(":")[0], area(form, ["status"]).split("2:")[0]
        open_ = f'OR(${status}2="",${status}2="made")'
        return [
            (cells, f"=AND(ISBLANK({first}),{open_})", "missing"),
            (cells, f"=AND(ISBLANK({first}),NOT({open_}))", NOT_NEEDED),
        ]
    looks = {
        "missing": _runs(form, names, lambda key: key not in closed),
        NOT_NEEDED: _runs(form, names, lambda key: key in closed),
    }
    return [
        (cells, f"=ISBLANK({cells.split(':')[0]})", look)
        for look, runs in looks.items()
        for cells in runs
    ]


def _runs(form: Form, names: list[str], holds: Callable[[Row], bool]) -> list[str]:
    """Return the cells of some columns in each unbroken run of rows for which something holds."""
    first, last = (re.sub(r"\d", "", end) for end in area(form, names).split(":"))
    rows = [(place + 2, holds(key)) for key, place in form.rows().items()]
    runs = [[row for row, _ in run] for held, run in groupby(rows, lambda one: one[1]) if held]
    return [f"{first}{run[0]}:{last}{run[-1]}" for run in runs]


def area(form: Form, names: list[str]) -> str:
    """Return the cells of some columns, from the first of them to the last."""
    positions = [at for at, column in enumerate(form.columns, start=1) if column.name in names]
    first, last = column_letters(min(positions)), column_letters(max(positions))
    return f"{first}2:{last}{len(form.blank) + 1}"


def guarded(column: Column) -> dict[str, Any]:
    """Return what a cell of the column takes and what it says, as a spreadsheet's check."""
    return rule(column) | {
        "input_title": column.name[:32],
        "input_message": column.expects()[:255],
        "error_title": "This can not be read",
        "error_message": f"Enter {column.expects()}."[:255],
    }


def rule(column: Column) -> dict[str, Any]:
    """Return what a cell of the column takes, as a spreadsheet's check of entries."""
    measure, factor = column.measure, column.factor
    if column.role == "status":
        return _list(list(STATUSES))
    if column.role == BLIND or (measure is not None and measure.kind == "passed"):
        return _list(["yes", "no"])
    if isinstance(factor, Categorical):
        return _list([factor.show(level) for level in factor.levels]) if not factor.unit else _any()
    if not holds_numbers(column):
        return _any()
    if measure is not None and measure.kind == "just about right":
        return {"validate": "integer", "criteria": "between", "minimum": 1, "maximum": 5}
    if measure is not None and measure.kind == "ranking":
        return {"validate": "integer", "criteria": "between", "minimum": 1, "maximum": MOST_PLACES}
    if measure is not None and measure.low is not None:
        low, high = measure.low, measure.high
        return {"validate": "decimal", "criteria": "between", "minimum": low, "maximum": high}
    check = {"validate": "decimal", "criteria": "between", "minimum": -1e12, "maximum": 1e12}
    # Several readings are text: the spreadsheet asks once more and lets them in
    several = measure is not None and several_readings(measure)
    return check | {"error_type": "warning"} if several else check


def _any() -> dict[str, Any]:
    return {"validate": "any"}


def _list(choices: list[str]) -> dict[str, Any]:
    fits = len(",".join(choices)) <= _LONGEST_LIST and not any("," in one for one in choices)
    return {"validate": "list", "source": choices} if fits else _any()


def guide(form: Form) -> list[tuple[str, str, str]]:
    """Return the lines of the guide: a header, then what each column takes and means."""
    lines = [("column", "what to enter", "what the points mean")]
    return lines + [
        (column.title or column.name, column.expects(), points(column))
        for column in form.columns
        if column.entered
    ]


def guide_lines(texts: Iterable[str]) -> int:
    """Return the height of a row of the guide in lines."""
    return max(text_lines(text, wide - 3) for text, wide in zip(texts, GUIDE_WIDTHS, strict=True))


def points(column: Column) -> str:
    """Return what the points of a column's scale mean, a line each; empty where it has none."""
    if column.measure is None or not column.measure.points():
        return ""
    words, low, high = column.measure.points(), column.measure.low, column.measure.high
    if column.measure.kind == "ranking":
        return f"1  {words[0]}\nlast  {words[1]}"
    if column.measure.kind == "passed" or low is None or high is None:
        return " or ".join(words)
    ends = len(words) == 2
    at = (low, high) if ends else [low + step for step in range(len(words))]
    return "\n".join(f"{tidy_number(place)}  {word}" for place, word in zip(at, words, strict=True))


def filled(form: Form, values: Mapping[Address, Value]) -> pd.DataFrame:
    """Return the table of a form with its entries, as its plain twin holds it.

    Parameters
    ----------
    form : Form
    values : mapping
        What is entered, by form, row and column.
    """
    table = form.blank.astype(object)
    keys = list(form.rows())
    for column in form.columns:
        if column.entered:
            table[column.name] = [
                written_value(column, values.get((form.kind, key, column.name), "")) for key in keys
            ]
    return table


def written_value(column: Column, value: Value) -> Value:
    """Return a value as it stands in a sheet: yes and no in words, numbers as they are."""
    passed = column.measure is not None and column.measure.kind == "passed"
    return ("yes" if value else "no") if passed and not isinstance(value, str) else value
