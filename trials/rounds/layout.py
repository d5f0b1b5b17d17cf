"""How a form is laid out, whichever library draws it: widths, areas, what each cell takes."""

import textwrap
from collections.abc import Iterable, Mapping
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
        "score: never 0.",
        "Never taste raw dough or batter (raw flour, raw egg). Never leave hot oil alone; never "
        "put water on burning oil.",
    ),
    TASTINGS: (
        "Find the code that stands with the piece; leave a cell empty where you have no score.",
        "Tell the cook before tasting what you must avoid, and do not taste it.",
    ),
}
MOST_PLACES = 504  # of a ranking: no round has more codes
_LONGEST_LIST = 255  # characters a drop-down may hold


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


def count_left(form: Form, values: Mapping[Address, Value]) -> int:
    """Return how many scores of a form are not entered, bakes that were not served aside."""
    return sum(
        (form.kind, key, column.name) not in values
        for key in form.rows()
        if values.get((form.kind, key, "status"), "made") == "made"
        for column in form.scores
    )


def area(form: Form, names: list[str]) -> str:
    """Return the cells of some columns, from the first of them to the last."""
    positions = [at for at, column in enumerate(form.columns, start=1) if column.name in names]
    first, last = column_letters(min(positions)), column_letters(max(positions))
    return f"{first}2:{last}{len(form.blank) + 1}"


def open_rows(form: Form) -> str:
    """Return the part of a formula that is 1 where a bake may still have scores."""
    if form.kind != BAKES:
        return ""
    status = area(form, ["status"])
    return f'(({status}="")+({status}="made"))'


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
