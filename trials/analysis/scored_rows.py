"""Which rows of a table hold a score, and which bakes gave none."""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.group_columns import group_codes
from trials.errors import FitError, Place
from trials.factor_checks import RESERVED
from trials.factors import Factor, is_blank
from trials.measures import Measure
from trials.rounds.round import STATUSES, WITHOUT_SCORE
from trials.tables import in_words, number, tidy_number

_LARGEST = 1e150  # squares of anything beyond leave the range of a double
_LISTED = 5  # bakes that a note names


def as_table(data: Any, but: str = "") -> pd.DataFrame:
    """Return a copy of what was given as a table, its names as text.

    The columns that every table of scores has (day, load, bake, role, taster, status) are known
    however they are written: "Bake", "TASTER".

    Parameters
    ----------
    data : DataFrame, mapping of columns or list of rows
    but : str
        A column whose name stays as it is: what is explained.

    Raises
    ------
    FitError
        When it is no table, or two columns claim the same name.

    Examples
    --------
    >>> as_table({"Bake": ["B01"], "liking": [6]}).columns.tolist()
    ['bake', 'liking']
    """
    try:
        table = pd.DataFrame(data).copy()
    except (ValueError, TypeError):
        raise FitError(
            f"{_shown(data)} is no table of scores; give a round, or a table with one row per "
            "score and every column of one length, such as a pandas DataFrame."
        ) from None
    if not len(table.columns):
        raise FitError("there is no table: one row per score was expected, with named columns.")
    table.columns = _plainly_named([str(name) for name in table.columns], but)
    return table


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:40]}..."


def _plainly_named(names: Sequence[str], but: str) -> list[str]:
    """Return column names with those that every table of scores has in small letters."""
    plain: dict[str, str] = {}
    for kept in RESERVED:
        same = [name for name in names if name.strip().casefold() == kept and name != but]
        if len(same) > 1 and kept not in same:
            raise FitError(
                f"the columns {in_words(repr(name) for name in same)} could each be the {kept}; "
                "rename all but one."
            )
        if kept not in same:
            plain |= dict.fromkeys(same, kept)
    return [plain.get(name, name) for name in names]


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
    table = as_table(table, but=response)
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
    table: pd.DataFrame, response: str, notes: list[str], bake: str = "bake"
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows with a score, and the bakes that gave none with their reasons.

    Parameters
    ----------
    table : DataFrame
        As from :func:`with_columns`; its response and status are made plain in place.
    response : str
    notes : list of str
        What was left out is added to it.
    bake : str
        The group whose levels are the bakes: "day/bake" where ids start again each day.

    Raises
    ------
    FitError
        When a cell can not be read, a bake has two statuses, no score is left, or all are the
        same.

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
        table, failed = _without_failed(table, response, notes, bake)
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


def _without_failed(
    table: pd.DataFrame, response: str, notes: list[str], bake: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of bakes that were made and served, and one row of each other bake."""
    stated = ~table["status"].map(is_blank).to_numpy(dtype=bool)
    pairs = zip(table["status"], table["row"], strict=True)
    table["status"] = [_status(value, row) for value, row in pairs]
    named, units = table.assign(bake=table["row"].astype(str)), np.arange(len(table))
    if "bake" in table:
        gaps = table["bake"].map(is_blank)
        alone = "row " + (table["row"] + 1).astype(str)
        named = table.assign(bake=table["bake"].astype(object).mask(gaps, alone))
        units = group_codes(named, bake)
    _check_statuses(named[stated], units[stated])
    lost = table["status"].isin(WITHOUT_SCORE).to_numpy(dtype=bool)
    failed = named[lost & ~pd.Series(units).where(lost).duplicated().to_numpy()]
    gone = np.isin(units, units[lost])
    scores = int(table.loc[gone, response].notna().sum())
    if scores:
        notes.append(_lost_words(scores, failed, "bake" in table))
    return table[~gone], failed.reset_index(drop=True)


def _check_statuses(table: pd.DataFrame, units: np.ndarray) -> None:
    """Refuse a bake that is said to be two things; empty cells say nothing."""
    first = table["status"].groupby(units).transform("first")
    differs = (table["status"] != first).to_numpy(dtype=bool)
    if differs.any():
        row = table[differs].iloc[0]
        raise FitError(
            f"bake {row['bake']} is {row['status']} here and {first[differs].iloc[0]} in another "
            "of its rows; a bake has one status.",
            Place(row=int(row["row"]) + 1, column="status"),
        )


def _lost_words(scores: int, failed: pd.DataFrame, has_bakes: bool) -> str:
    names = failed["bake"] if has_bakes else "row " + (failed["row"] + 1).astype(str)
    told = [f"{name} ({said})" for name, said in zip(names, failed["status"], strict=True)]
    more = [f"{len(told) - _LISTED} more"] if len(told) > _LISTED else []
    which = in_words([*told[:_LISTED], *more])
    things = "1 score was" if scores == 1 else f"{scores} scores were"
    return f"{things} left out, as the bake failed or was not served: {which}."


def check_scale(table: pd.DataFrame, response: str, measure: Measure | None) -> None:
    """Refuse a score that is off the scale of its measure; means between two points are not.

    Raises
    ------
    FitError
        Naming the cell and the scale.

    Examples
    --------
    >>> scored = pd.DataFrame({"liking": [6.5, 7], "row": [1, 2]})
    >>> check_scale(scored, "liking", Measure("liking", "hedonic 9"))
    """
    if measure is None or measure.low is None or measure.high is None:
        return
    off = ~table[response].between(measure.low, measure.high)
    if off.any():
        found = table[off].iloc[0]
        scale = f"{tidy_number(measure.low)} to {tidy_number(measure.high)}"
        raise FitError(
            f'{tidy_number(found[response])} is off the scale of "{measure.name}", {scale}. '
            "Correct the cell, or give the measure that it was scored on.",
            Place(row=int(found["row"]) + 1, column=response),
        )


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
        return _reckoned(found, Place(row=row + 1, column=response))
    if value is None or value is pd.NA or value is pd.NaT:
        return float("nan")
    place = Place(row=row + 1, column=response)
    try:
        # A complex number would lose its second part with no more than a warning
        found = float("x" if isinstance(value, complex | np.complexfloating) else value)
    except (TypeError, ValueError):
        raise FitError(f"{_shown(value)} is not a number; scores are.", place) from None
    if np.isinf(found):
        raise FitError("the score is infinite.", place)
    return _reckoned(found, place)


def _reckoned(found: float, place: Place) -> float:
    if abs(found) > _LARGEST:
        raise FitError(
            f"{tidy_number(found)} is too large to be reckoned with; write the scores in a larger "
            "unit.",
            place,
        )
    return found
