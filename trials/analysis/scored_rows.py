"""Which rows of a table hold a score, and which bakes gave none."""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.errors import FitError, Place
from trials.factors import Factor, is_blank
from trials.tables import in_words, number

WITHOUT_SCORE = ("failed", "not served", "not baked")
STATUSES = ("made", *WITHOUT_SCORE)


def with_columns(table: pd.DataFrame, response: str, groups: Iterable[str] | None) -> pd.DataFrame:
    """Return a copy of a table with its names as text and `row`, the place of each score.

    Raises
    ------
    FitError
        When there is no such response, a name stands twice, or groups is one word.

    Examples
    --------
    >>> with_columns(pd.DataFrame({"liking": [6, 7]}), "liking", None)["row"].tolist()
    [1, 2]
    """
    table = pd.DataFrame(table).copy()
    table.columns = [str(name) for name in table.columns]
    if response not in table:
        known = in_words(map(str, table.columns), "or")
        raise FitError(f'there is no column "{response}" to explain; expected {known}.')
    twice = table.columns[table.columns.duplicated()]
    if len(twice):
        raise FitError(f'the column "{twice[0]}" appears twice; give each its own name.')
    if groups is not None and isinstance(groups, str):
        raise FitError(f'groups is {groups!r}; give a list of names, such as ("bake", "taster").')
    table["row"] = range(1, len(table) + 1)
    return table.reset_index(drop=True)


def check_row(response: str, factors: Sequence[Factor | str], groups: Iterable[str]) -> None:
    """Refuse the name `row` for anything that was varied, scored or shared.

    Examples
    --------
    >>> check_row("liking", ["rest"], ["day"])
    """
    names = {response, *groups, *(one if isinstance(one, str) else one.name for one in factors)}
    if "row" in names:
        raise FitError(
            'the name "row" is kept for the place of a score in the table; call that column '
            'something else, such as "tray row".'
        )


def usable_rows(
    table: pd.DataFrame, response: str, notes: list[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows with a score, and the bakes that gave none with their reasons.

    Parameters
    ----------
    table : DataFrame
        As from :func:`with_columns`; its response and status are made plain in place.
    response : str
    notes : list of str
        What was left out is added to it.

    Raises
    ------
    FitError
        When a cell can not be read, no score is left, or all are the same.

    Examples
    --------
    >>> table = pd.DataFrame({"liking": ["6,5", "", "7"], "row": [1, 2, 3]})
    >>> notes = []
    >>> usable_rows(table, "liking", notes)[0]["liking"].tolist(), notes
    ([6.5, 7.0], ['1 row without a score was left out.'])
    """
    pairs = zip(table[response], table["row"], strict=True)
    values = [_value(value, response, row) for value, row in pairs]
    table[response] = values
    failed = pd.DataFrame({"bake": [], "status": [], "reason": []})
    if "status" in table:
        pairs = zip(table["status"], table["row"], strict=True)
        table["status"] = [_status(value, row) for value, row in pairs]
        named = table if "bake" in table else table.assign(bake=table["row"].astype(str))
        lost = table["status"].isin(WITHOUT_SCORE)
        failed = named[lost].drop_duplicates("bake").reset_index(drop=True)
        table = table[~named["bake"].isin(set(failed["bake"]))]
    kept = table[table[response].notna()].reset_index(drop=True)
    if kept.empty:
        why = "every bake failed or was not served" if len(failed) else "every cell is empty"
        raise FitError(f'there is no score in "{response}": {why}.')
    if kept[response].nunique() == 1:
        raise FitError(
            f'every score in "{response}" is {kept[response].iloc[0]:g}; '
            "nothing varies, so nothing can be explained."
        )
    gone = _unscored(table, response)
    if gone:
        notes.append(f"{gone} row{'s' if gone > 1 else ''} without a score {_were(gone)} left out.")
    return kept, failed


def _unscored(table: pd.DataFrame, response: str) -> int:
    """Return how many rows of bakes that were made should hold this score and do not.

    In a table of tastings and bakes the rows of the other kind hold none by their nature.
    """
    if "taster" in table:
        tasted = table["taster"].notna()
        scored = table[response].notna()
        table = table[tasted == bool((tasted & scored).any())]
    return int(table[response].isna().sum())


def _were(count: int) -> str:
    return "were" if count > 1 else "was"


def _status(value: Any, row: int) -> str:
    """Return the status of a bake; an empty cell is one that was made."""
    said = "made" if is_blank(value) else str(value).strip().casefold()
    if said not in STATUSES:
        raise FitError(
            f"the status is {value!r}; expected {in_words(STATUSES, 'or')}.",
            Place(row=row + 1, column="status"),
        )
    return said


def _value(value: Any, response: str, row: int) -> float:
    if isinstance(value, str):
        found = number(value) if value.strip() else float("nan")
        if found is None:
            raise FitError(
                f"{value!r} is not a number. Correct the cell, or leave it empty if nothing "
                "was scored.",
                Place(row=row + 1, column=response),
            )
        return found
    if value is None or value is pd.NA or value is pd.NaT:
        return float("nan")
    found = float(value)
    if np.isinf(found):
        raise FitError("the score is infinite.", Place(row=row + 1, column=response))
    return found
