"""Columns that say what scores share: gaps in them filled, ids that name two things refused."""

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
import pandas as pd

from trials.analysis.repeats import OWN_VIEW
from trials.errors import FitError, Place
from trials.factor_checks import RESERVED, is_blank
from trials.factors import Factor
from trials.tables import in_words

_ABOUT_AS_OFTEN = 2  # a number that stands more than twice as often as another is a score
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


def plain_groups(groups: Iterable[str], table: pd.DataFrame) -> tuple[str, ...]:
    """Return group names as the table has them: "Day/Load" is "day/load".

    Examples
    --------
    >>> plain_groups(["Bake", "oven"], pd.DataFrame({"bake": [1], "oven": [1]}))
    ('bake', 'oven')
    """
    return tuple(
        name
        if name in table
        else "/".join(
            part.strip().casefold() if part.strip().casefold() in RESERVED else part
            for part in name.split("/")
        )
        for name in groups
    )


def bake_group(groups: Iterable[str] | None) -> str:
    """Return the group whose levels are the bakes: "day/bake" where it was named so.

    Examples
    --------
    >>> bake_group(["day/bake", "taster"]), bake_group(None)
    ('day/bake', 'bake')
    """
    names = list(groups or ())
    within = [name for name in names if name.endswith("/bake") and name != OWN_VIEW]
    return within[0] if within and "bake" not in names else "bake"


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


def check_settings(table: pd.DataFrame, factors: Sequence[Factor], bake: str) -> None:
    """Refuse a bake whose rows disagree about a setting that belongs to the bake.

    A factor that varies within most of the bakes that have several rows belongs to the tasting
    (every bake served with and without icing), and may.

    Parameters
    ----------
    table : DataFrame
        One row per score, with a column `row`; settings as the factors read them.
    factors : sequence of Factor
    bake : str
        The group whose levels are the bakes.

    Raises
    ------
    FitError
        Naming the row, and what the bake's other rows have.

    Examples
    --------
    >>> from trials.factors import Categorical
    >>> fat = Categorical("fat", ["butter", "oil"])
    >>> served = pd.DataFrame({"bake": ["B01", "B01"], "fat": ["butter", "oil"], "row": [1, 2]})
    >>> check_settings(served, [fat], "bake")
    """
    if "bake" not in table or table["bake"].map(is_blank).any():
        return
    bakes = group_codes(table, bake)
    several = np.bincount(bakes)[bakes] > 1
    own, bakes = table[several], bakes[several]
    for factor in factors:
        kinds = own[factor.name].groupby(bakes).nunique(dropna=False)
        differing = kinds.index[kinds > 1]
        if not 0 < len(differing) <= len(kinds) / 2:
            continue
        rows = own[bakes == differing[0]]
        shown = rows[factor.name].map(factor.show)
        usual = shown.mode(dropna=False)
        usual = shown.iloc[0] if shown.iloc[0] in set(usual) else usual.iloc[0]
        odd = rows[shown != usual]
        others = "its other rows" if len(odd) == 1 else "others of its rows"
        raise FitError(
            f"this row has {shown[odd.index[0]]}, but bake {rows['bake'].iloc[0]} has {usual} in "
            f"{others}; a bake has one setting. Correct the cell, or the bake.",
            Place(row=int(odd["row"].iloc[0]) + 1, column=factor.name),
        )


def unknown_bakes(
    table: pd.DataFrame, factors: Sequence[Factor], response: str, used: Sequence[str]
) -> str | None:
    """Return a warning where rows share settings, and nothing says which bake each came from.

    Parameters
    ----------
    table : DataFrame
        One row per score.
    factors : sequence of Factor
    response : str
    used : sequence of str
        The groups; where the settings change only between the units of one, that is the bake.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest, alone = Numeric("rest", 20, 60), pd.DataFrame({"rest": [20, 60]})
    >>> unknown_bakes(alone, [rest], "liking", ()) is None
    True
    >>> unknown_bakes(pd.concat([alone, alone]), [rest], "liking", ())[:48]
    '4 rows share their settings with other rows, and'
    """
    if "bake" in table and not table["bake"].map(is_blank).all():
        return None
    own = table[table["role"] != "control"] if "role" in table else table
    settings = own.groupby([one.name for one in factors], dropna=False, sort=False).ngroup()
    shared = int(settings.duplicated(keep=False).sum())
    held = [group_codes(own, name) for name in used]
    if not shared or any(settings.groupby(unit).nunique().max() == 1 for unit in held):
        return None
    spare = {response, "row", *RESERVED, *(one.name for one in factors)}
    spare |= {part for name in used for part in columns_of(table, name)}
    labels = [name for name in own if name not in spare and _is_label(own[name], settings)]
    told = (
        f"{shared} rows share their settings with other rows, and no column says which bake each "
        "came from, so each row was taken as a bake of its own"
    )
    if not labels:
        return f'{told}. If a row is a tasting, add a column "bake": else verdicts are too sure.'
    named = ", ".join(f'"{name}"' for name in dict.fromkeys([*labels, *used]))
    return (
        f"{told}; {in_words(labels)} {'were' if len(labels) > 1 else 'was'} not used. If a row is "
        f"a tasting, verdicts are too sure: write groups=({named}{',' * (',' not in named)}), or "
        'call the column that names the bake "bake".'
    )


def _is_name(cell: object) -> bool:
    return isinstance(cell, Hashable) and not is_blank(cell)


def _is_label(column: pd.Series, settings: pd.Series) -> bool:
    """Say whether a column looks like the names of things that rows share, such as bottles.

    A label stands in several rows, about as often as any other, and does not only say a setting
    in other words.
    """
    if pd.api.types.is_bool_dtype(column) or not column.map(_is_name).all():
        return False
    counts = column.value_counts()
    if len(counts) < 2 or counts.min() < 2:
        return False
    if pd.api.types.is_numeric_dtype(column) and (
        (column % 1 != 0).any() or counts.max() > _ABOUT_AS_OFTEN * counts.min()
    ):
        return False
    by_setting = column.groupby(settings).nunique().max()
    return bool(by_setting > 1 or len(counts) == settings.nunique())


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
