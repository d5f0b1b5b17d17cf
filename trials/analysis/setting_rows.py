"""Settings as tables, and a model's rows at settings."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.design.terms import Term, model_matrix
from trials.errors import FitError
from trials.factors import Categorical, Component, Factor, Numeric
from trials.nesting import check_nested, exists
from trials.tables import in_words, tidy_number

SHARES_ROUNDED = 1e-6  # by how much shares may miss 1, as they do when they were rounded


def averaged_rows(
    terms: Sequence[Term], factors: Sequence[Factor], settings: pd.DataFrame
) -> np.ndarray:
    """Return a model's rows at some settings, averaged over the kinds of the other factors.

    Other numbers are held at the middle of their range.

    Parameters
    ----------
    terms : sequence of Term
    factors : sequence of Factor
    settings : DataFrame
        Columns for some of the factors.

    Returns
    -------
    ndarray, shape (settings, columns)

    Examples
    --------
    >>> fat = Categorical("fat", ["butter", "lard"])
    >>> rest = Numeric("rest", 20, 60)
    >>> both = [Term((("rest", 1),)), Term((("fat", 1),))]
    >>> averaged_rows(both, [rest, fat], pd.DataFrame({"rest": [60.0]}))
    array([[1., 1., 0.]])
    """
    table = settings.copy()
    others = [factor for factor in factors if factor.name not in settings]
    for factor in others:
        table[factor.name] = _held(factor)
    matrix = model_matrix(terms, factors, table)
    # The kinds of a factor are coded to sum to zero, so averaged over them its columns vanish
    kinds = {factor.name for factor in others if isinstance(factor, Categorical)}
    gone = [own >= 0 and bool(kinds & set(matrix.terms[own].factors)) for own in matrix.owner]
    return np.where(gone, 0.0, matrix.X)


def settings_table(settings: Any, factors: Sequence[Factor]) -> pd.DataFrame:
    """Return settings as a table with one column per factor, each setting read and checked.

    Raises
    ------
    FitError
        When these are no settings, a factor has none, or the shares of a blend do not sum to 1.
    FactorError
        When a setting is not its factor's, or stands where its factor does not exist.

    Examples
    --------
    >>> settings_table({"rest": "20"}, [Numeric("rest", 10, 30)])
       rest
    0  20.0
    """
    rows = [settings] if isinstance(settings, Mapping) else settings
    try:
        table = pd.DataFrame(rows).reset_index(drop=True)
    except (ValueError, TypeError):
        example = {factor.name: factor.middle for factor in factors}
        raise FitError(f"{settings!r} is no setting; one for each factor: {example!r}.") from None
    missing = [factor.name for factor in factors if factor.name not in table]
    if missing:
        raise FitError(f"no setting was given for {in_words(missing)}.")
    read = pd.DataFrame(
        {factor.name: [factor.read(value) for value in table[factor.name]] for factor in factors}
    )
    check_nested(factors, read)
    check_shares(factors, read)
    return read


def check_shares(factors: Sequence[Factor], table: pd.DataFrame) -> None:
    """Refuse settings in which the shares of the blend do not sum to 1.

    Examples
    --------
    >>> check_shares([Component("rye"), Component("wheat")], pd.DataFrame({"rye": [1], "wheat": 0}))
    """
    parts = [factor.name for factor in factors if isinstance(factor, Component)]
    if not parts:
        return
    total = table[parts].astype(float).sum(axis=1)
    wrong = np.flatnonzero((total - 1).abs() > SHARES_ROUNDED)
    if len(wrong):
        raise FitError(
            f"the shares of {in_words(parts)} sum to {tidy_number(total.iloc[wrong[0]])} in row "
            f"{wrong[0] + 1}; the shares of a blend sum to 1 (a quarter is 0.25)."
        )


def shown_settings(factor: Factor) -> tuple[Any, ...]:
    """Return the settings at which a factor's means are shown.

    Examples
    --------
    >>> shown_settings(Numeric("rest", 20, 60))
    (20.0, 60.0)
    """
    return tuple(factor.levels)


def host_names(factors: Iterable[Factor]) -> list[str]:
    """Return the factors that others of these are nested in."""
    return [factor.only_when[0] for factor in factors if factor.only_when]


def only_existing(settings: pd.DataFrame, factors: Sequence[Factor]) -> pd.DataFrame:
    """Return the settings in which every nested factor exists.

    Examples
    --------
    >>> heat = Numeric("fry heat", 165, 180, only_when=("method", ["fried"]))
    >>> table = pd.DataFrame({"method": ["baked", "fried"], "fry heat": [165, 165]})
    >>> only_existing(table, [heat])["method"].tolist()
    ['fried']
    """
    for factor in factors:
        there = exists(factor, settings)
        if there is not None:
            settings = settings[there].reset_index(drop=True)
    return settings


def _held(factor: Factor) -> Any:
    """Return the setting that codes to the middle, or any kind (its columns are dropped)."""
    if isinstance(factor, Numeric):
        return (factor.low + factor.high) / 2
    return factor.middle
