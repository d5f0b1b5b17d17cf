"""Repeat tastings: a second score of one bake by one taster is neither a bake nor a person."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

OWN_VIEW = "taster/bake"  # the group: what one taster thinks of one bake


def tasted_twice(table: pd.DataFrame) -> bool:
    """Say whether any taster scored any bake more than once.

    Examples
    --------
    >>> tasted_twice(pd.DataFrame({"taster": ["Ada", "Ada"], "bake": ["B01", "B01"]}))
    True
    """
    if not {"taster", "bake"} <= set(table.columns):
        return False
    pairs = table[["taster", "bake"]]
    return bool(pairs.notna().all(axis=None) and pairs.duplicated().any())


def without_echoes(table: pd.DataFrame, response: str, notes: list[str]) -> pd.DataFrame:
    """Return the scores without repeats, if every repeat only says again what was said.

    Repeats that agree to the last digit would make a taster look free of noise; each then counts
    once, and a note says so.

    Parameters
    ----------
    table : DataFrame
        One row per score.
    response : str
    notes : list of str
        Gets the note.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> said = pd.DataFrame({"taster": ["Ada"] * 3, "bake": ["B01", "B01", "B02"],
    ...                      "liking": [6.0, 6.0, 7.0]})
    >>> len(without_echoes(said, "liking", []))
    2
    """
    if not tasted_twice(table):
        return table
    spread = table.groupby(["taster", "bake"])[response].agg(np.ptp)
    if spread.max() > 0:
        return table
    notes.append("Every repeat tasting got the score of the first one; each counts once.")
    return table.drop_duplicates(["taster", "bake"]).reset_index(drop=True)


def own_views(table: pd.DataFrame, groups: Iterable[str]) -> tuple[str, ...]:
    """Return the group that keeps repeats within their taster and bake, where one is needed.

    Parameters
    ----------
    table : DataFrame
        One row per score.
    groups : iterable of str
        The groups found so far.

    Returns
    -------
    tuple of str
        Empty where nobody tasted twice, or where a bake or a taster says the same already.

    Examples
    --------
    >>> twice = pd.DataFrame({"taster": list("AABBAB"), "bake": [1, 1, 1, 1, 2, 2]})
    >>> own_views(twice, ["bake", "taster"])
    ('taster/bake',)
    """
    if not ({"taster", "bake"} <= set(groups) and tasted_twice(table)):
        return ()
    pairs = len(table[["taster", "bake"]].drop_duplicates())
    alone = pairs in (table["bake"].nunique(), table["taster"].nunique())
    return () if alone else (OWN_VIEW,)


def is_of_tasting(source: str) -> bool:
    """Say whether a source of spread belongs to the tasting and not to the bake.

    Examples
    --------
    >>> is_of_tasting("taster"), is_of_tasting(OWN_VIEW), is_of_tasting("bake")
    (True, True, False)
    """
    return source in ("taster", "tasting", OWN_VIEW)
