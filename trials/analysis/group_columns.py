"""Columns that say what scores share: gaps in them filled, ids that name two things refused."""

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from trials.errors import FitError, Place
from trials.factors import is_blank
from trials.tables import in_words

NEVER_BLANK = ("day", "bake")  # a score without one of these belongs to no known bake
_OUTER = (("bake", "load"), ("bake", "day"), ("load", "day"))


def group_codes(table: pd.DataFrame, name: str) -> np.ndarray:
    """Return whole numbers for the levels of a group; "day/load" is load within day.

    Examples
    --------
    >>> group_codes(pd.DataFrame({"day": [1, 1, 2], "load": [1, 2, 1]}), "day/load")
    array([0, 1, 2])
    """
    columns = columns_of(table, name)
    return table.groupby(columns, sort=False, dropna=False).ngroup().to_numpy()


def columns_of(table: pd.DataFrame, name: str) -> list[str]:
    """Return the columns that a group is made of.

    Examples
    --------
    >>> columns_of(pd.DataFrame({"day": [1], "load": [1]}), "day/load")
    ['day', 'load']
    """
    if name in table:
        return [name]
    parts = name.split("/")
    missing = [part for part in parts if part not in table]
    if missing:
        known = in_words(map(str, table.columns), "or")
        raise FitError(f'groups names "{missing[0]}", which is no column; expected {known}.')
    return parts


def with_own_groups(table: pd.DataFrame, names: Iterable[str], notes: list[str]) -> pd.DataFrame:
    """Return the table with every gap in a group filled by a group of its own.

    A group with a few gaps must not vanish: its effects would be judged against the wrong unit.
    Columns without any entry stay as they are, as no groups at all.

    Parameters
    ----------
    table : DataFrame
        One row per score, with a column `row`.
    names : iterable of str
        Columns that may be groups.
    notes : list of str
        Gets a word on each column that had gaps.

    Raises
    ------
    FitError
        When a score has no bake, or no day, where others have.

    Examples
    --------
    >>> shared = pd.DataFrame({"bake": [1, 2, 3], "load": ["a", "a", None], "row": [1, 2, 3]})
    >>> said = []
    >>> with_own_groups(shared, ["load"], said)["load"].tolist()
    ['a', 'a', 'alone: 3']
    >>> said
    ['1 bake names no load; each is taken as a load of its own.']
    """
    filled = table.copy()
    for name in names:
        if name not in table:
            continue
        gaps = table[name].map(is_blank).to_numpy(dtype=bool)
        if not gaps.any() or gaps.all():
            continue
        if name in NEVER_BLANK:
            raise FitError(
                f"the {name} is missing, where other scores have one; fill it in.",
                Place(row=int(table["row"][gaps].iloc[0]) + 1, column=name),
            )
        unit = "bake" if name != "taster" and "bake" in table else "row"
        alone = table.loc[gaps, unit]
        filled[name] = table[name].astype(object)
        filled.loc[gaps, name] = [f"alone: {value}" for value in alone]
        notes.append(_gap_words(name, unit, alone.nunique()))
    return filled


def _gap_words(name: str, unit: str, count: int) -> str:
    things = {"bake": "bake", "row": "score"}[unit] + ("s" if count > 1 else "")
    verb = "name" if count > 1 else "names"
    return f"{count} {things} {verb} no {name}; each is taken as a {name} of its own."


def check_labels(table: pd.DataFrame) -> None:
    """Refuse a bake that stands in two loads, and ids that start again each day.

    Raises
    ------
    FitError
        Naming the id and how to mend it.

    Examples
    --------
    >>> check_labels(pd.DataFrame({"day": [1, 1, 2], "bake": ["B01", "B02", "B03"]}))
    """
    for inner, outer in _OUTER:
        if not {inner, outer} <= set(table.columns):
            continue
        pairs = table[[inner, outer]].dropna().drop_duplicates()
        twice = pairs[inner][pairs[inner].duplicated()]
        if len(twice):
            raise FitError(
                f'the {inner} "{twice.iloc[0]}" stands in more than one {outer}; a {inner} belongs '
                f"to one. If they are numbered anew in each {outer}, give every {inner} an id of "
                f"its own, or name the groups, as in {_example(table.columns, inner, outer)}."
            )


def _example(columns: Sequence[str], inner: str, outer: str) -> str:
    names = [name for name in ("day", "load", "bake", "taster") if name in columns]
    named = [f"{outer}/{inner}" if name == inner else name for name in names]
    return "groups=(" + ", ".join(f'"{name}"' for name in named) + ")"


def unknown_bakes(table: pd.DataFrame) -> str | None:
    """Return a warning where many tasted, but nothing says which bake each of them got.

    Examples
    --------
    >>> unknown_bakes(pd.DataFrame({"taster": [1, 2]})) is None
    True
    >>> unknown_bakes(pd.DataFrame({"taster": [1, 1, 2, 2]}))[:37]
    'No column says which bake each taster'
    """
    if "bake" in table or "taster" not in table or not table["taster"].duplicated().any():
        return None
    return (
        "No column says which bake each taster got, so every tasting counts as a bake of its own. "
        'If several tasted one bake, add a column "bake": otherwise the verdicts are too sure.'
    )


def check_unit(table: pd.DataFrame, used: tuple[str, ...], groups: Iterable[str] | None) -> None:
    """Refuse a fit that would take every tasting of one bake for a bake of its own."""
    if groups is None or "bake" not in table or table["bake"].isna().any():
        return
    columns = {part for name in used for part in columns_of(table, name)}
    if "bake" not in columns and table["bake"].duplicated().any():
        raise FitError(
            f"{table['bake'].nunique()} bakes were scored {len(table)} times; without the group "
            '"bake" every tasting would count as a bake. Add "bake" to groups, leave groups out, '
            "or average the scores of each bake first."
        )
