"""Columns as factors: a number over its range, or kinds, every setting read and checked."""

from collections.abc import Hashable, Iterable, Sequence
from typing import Any

import pandas as pd

from trials.errors import FitError, Place, TrialsError
from trials.factor_checks import check_name
from trials.factors import Categorical, Factor, Numeric, check_factors
from trials.tables import in_words, number

MOST_KINDS = 12  # a text column with more kinds than this is hardly a factor


def chosen_factors(
    table: pd.DataFrame,
    factors: Sequence[Factor | str] | None,
    response: str,
    others: Iterable[str],
) -> tuple[Factor, ...]:
    """Return the factors that columns stand for; their settings in the table are read in place.

    Parameters
    ----------
    table : DataFrame
        With a column `row`, the place of each row in the table that was given.
    factors : sequence of Factor or str
        A name stands for the column as it is.
    response : str
        What is explained, and so no factor.
    others : iterable of str
        Columns that are no factors either, for the message.

    Raises
    ------
    FitError
        Naming the column, and the cell where there is one.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 60], "fat": ["lard", "butter"], "row": [1, 2]})
    >>> [type(one).__name__ for one in chosen_factors(table, ["rest", "fat"], "liking", ())]
    ['Numeric', 'Categorical']
    """
    if factors is None or isinstance(factors, str):
        taken = {response, "row", *others}
        known = in_words([name for name in table.columns if name not in taken], "or")
        raise FitError(f"say which columns are the factors: factors=[...] of {known}.")
    # A reference bake is a recipe of its own: its settings say nothing of what was varied
    own = table[table["role"] != "control"] if "role" in table else table
    own = table if own.empty else own
    chosen = tuple(_factor(own, one) if isinstance(one, str) else one for one in factors)
    check_factors(chosen)
    for factor in chosen:
        if factor.name == response:
            raise FitError(f'"{response}" can not explain itself; leave it out of the factors.')
        if factor.name not in table:
            raise FitError(f'there is no column "{factor.name}" for the factor of that name.')
        settings = _read_settings(own, factor)
        if settings.nunique() < 2:
            raise FitError(
                f'"{factor.name}" never moved: every row with a score has '
                f"{factor.show(settings.iloc[0])}. Leave it out of the factors."
            )
        rest = table[factor.name].drop(own.index)
        table[factor.name] = pd.concat([settings.astype(object), rest]).sort_index().infer_objects()
    return chosen


def in_order(settings: pd.Series, factor: Factor) -> list[Any]:
    """Return the settings that occur: numbers from low to high, kinds as the factor lists them.

    Examples
    --------
    >>> in_order(pd.Series(["lard", "butter"]), Categorical("fat", ["butter", "lard", "oil"]))
    ['butter', 'lard']
    """
    found = settings.drop_duplicates().tolist()
    if isinstance(factor, Categorical):
        return [level for level in factor.levels if level in found]
    return sorted(found)


def _read_settings(table: pd.DataFrame, factor: Factor) -> pd.Series:
    settings = []
    for row, value in zip(table["row"], table[factor.name], strict=True):
        try:
            settings.append(factor.read(value))
        except TrialsError as error:
            place = Place(row=int(row) + 1, column=factor.name)
            raise FitError(error.message, place) from None
    return pd.Series(settings, index=table.index)


def _is_infinite(value: object) -> bool:
    return str(value).strip().casefold().lstrip("+-") in ("inf", "infinity")


def _factor(table: pd.DataFrame, name: str) -> Factor:
    """Return the factor that a column is: a number over its range, or kinds."""
    check_name(name)
    if name not in table:
        known = in_words([str(column) for column in table.columns if column != "row"], "or")
        raise FitError(f'there is no column "{name}" for a factor; expected {known}.')
    column = table[name]
    if column.isna().any() or (column.astype(str).str.strip() == "").any():
        row = int(table["row"][column.isna() | (column.astype(str).str.strip() == "")].iloc[0])
        raise FitError("the setting is missing.", Place(row=row + 1, column=name))
    endless = column.map(_is_infinite).to_numpy(dtype=bool)
    if endless.any():
        row = int(table["row"][endless].iloc[0])
        raise FitError("the setting is infinite.", Place(row=row + 1, column=name))
    listed = ~column.map(lambda value: isinstance(value, Hashable)).to_numpy(dtype=bool)
    if listed.any():
        row = int(table["row"][listed].iloc[0])
        raise FitError(
            f"{column[listed].iloc[0]!r} is no setting; a number or a kind was expected.",
            Place(row=row + 1, column=name),
        )
    kinds = list(dict.fromkeys(column.tolist()))
    if len(kinds) < 2:
        raise FitError(f'"{name}" never moved: every row has {kinds[0]}. Leave it out.')
    numbers = [number(str(kind)) for kind in kinds]
    as_kinds = isinstance(column.dtype, pd.CategoricalDtype) or column.dtype == bool
    if not as_kinds and None not in numbers:
        values = [float(value) for value in numbers if value is not None]
        return Numeric(name, min(values), max(values))
    if len(kinds) > MOST_KINDS:
        raise FitError(
            f'"{name}" has {len(kinds)} different texts; a factor of kinds has a few. '
            "If it names tasters or bakes, give it as a group."
        )
    ordered = sorted(kinds, key=str)
    return Categorical(name, ordered)
