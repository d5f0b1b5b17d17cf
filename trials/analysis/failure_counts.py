"""Failed bakes counted by region, with exact intervals: the least that can be said."""

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype
from scipy import stats

from trials.errors import FitError
from trials.factors import Factor, is_blank
from trials.tables import tidy_number

MOST_SHOWN = 8  # regions in a short view; pairs of settings soon make fifty


def count_failures(
    failed: Sequence[bool] | np.ndarray,
    settings: pd.DataFrame,
    *,
    factors: Sequence[Factor] = (),
    level: float = 0.95,
) -> pd.DataFrame:
    """Count failures by region: each setting of each factor, and each pair of settings.

    Parameters
    ----------
    failed : sequence of bool, one per bake
    settings : DataFrame, one row per bake
        Real settings. A number with more than three values is parted at the middle of its range.
    factors : sequence of Factor
        For the units of the settings.
    level : float
        Of the exact intervals.

    Returns
    -------
    DataFrame
        region, bakes, failed, share, low, high; all bakes first. Regions without a bake are
        left out: nothing is known there.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> count_failures([0, 0, 0, 1], pd.DataFrame({"oil": [165, 165, 180, 180]})).round(2)
             region  bakes  failed  share   low  high
    0     all bakes      4       1   0.25  0.01  0.81
    1  oil 165           2       0   0.00  0.00  0.84
    2  oil 180           2       1   0.50  0.01  0.99
    """
    y = as_failed(failed)
    if len(settings) != len(y):
        raise FitError(f"there are {len(y)} bakes and {len(settings)} rows of settings.")
    rows = [
        (name, int(mask.sum()), int(y[mask].sum())) for name, mask in regions(settings, factors)
    ]
    table = pd.DataFrame(rows, columns=["region", "bakes", "failed"])
    n, k, tail = table["bakes"], table["failed"], (1 - level) / 2
    table["share"] = k / n
    table["low"] = np.where(k > 0, stats.beta.ppf(tail, np.maximum(k, 1), n - k + 1), 0.0)
    table["high"] = np.where(k < n, stats.beta.ppf(1 - tail, k + 1, np.maximum(n - k, 1)), 1.0)
    return table


def above_expectation(counts: pd.DataFrame, most: int = MOST_SHOWN) -> tuple[pd.DataFrame, int]:
    """Return the regions where more bakes failed than their number would lead one to expect.

    Parameters
    ----------
    counts : DataFrame
        As from :func:`count_failures`.
    most : int
        How many regions to return, from the surest on (the highest lower end of the interval).

    Returns
    -------
    DataFrame
        All bakes first, then those regions.
    int
        How many such regions were left out.

    Raises
    ------
    FitError
        When `most` is not a whole number from 1.

    Examples
    --------
    >>> oil = pd.DataFrame({"oil": [165, 165, 180, 180]})
    >>> shown, left_out = above_expectation(count_failures([0, 0, 0, 1], oil))
    >>> shown["region"].tolist(), left_out
    (['all bakes', 'oil 180'], 0)
    """
    if not isinstance(most, int) or most < 1:
        raise FitError(f"most is {most!r}; how many regions to show is a whole number from 1.")
    every, inner = counts.iloc[:1], counts.iloc[1:]
    hit = inner[inner["failed"] > inner["bakes"] * every["share"].iloc[0] * (1 + 1e-9)]
    ranked = hit.sort_values("low", ascending=False, kind="stable")
    shown = pd.concat([every, ranked.iloc[:most]]).reset_index(drop=True)
    return shown, max(len(ranked) - most, 0)


def regions(settings: pd.DataFrame, factors: Sequence[Factor] = ()) -> list[tuple[str, np.ndarray]]:
    """Return every region with a bake in it: each setting of each factor, and each pair.

    Parameters
    ----------
    settings : DataFrame, one row per bake
        Real settings. A number with more than three values is parted at the middle of its range.
    factors : sequence of Factor
        For the units of the settings.

    Returns
    -------
    list of (str, ndarray of bool)
        The region in words and which bakes lie in it; all bakes first.

    Examples
    --------
    >>> [name for name, _ in regions(pd.DataFrame({"oil": [165, 180]}))]
    ['all bakes', 'oil 165', 'oil 180']
    """
    known = {factor.name: factor for factor in factors}
    found = {
        name: _regions(str(name), settings[name], known.get(name)) for name in settings.columns
    }
    masks = [("all bakes", np.ones(len(settings), dtype=bool))]
    masks += [region for own in found.values() for region in own]
    masks += [
        (f"{name}, {other_name}", mask & other)
        for one, two in combinations(found.values(), 2)
        for name, mask in one
        for other_name, other in two
    ]
    return [(name, mask) for name, mask in masks if mask.any()]


def _regions(name: str, values: pd.Series, factor: Factor | None) -> list[tuple[str, np.ndarray]]:
    """Return the regions of one factor; where it has no setting (nested), it has no region."""
    distinct = [value for value in values.unique() if not is_blank(value)]
    numeric = is_numeric_dtype(values) and not is_bool_dtype(values)
    if numeric and len(distinct) > 3:
        middle = (values.min() + values.max()) / 2
        said = factor.show(middle) if factor else tidy_number(middle)
        low, high = (values <= middle).to_numpy(), (values > middle).to_numpy()
        return [(f"{name} up to {said}", low), (f"{name} above {said}", high)]
    ordered = sorted(distinct) if numeric else distinct
    return [
        (f"{name} {_shown(value, factor, numeric)}", (values == value).to_numpy())
        for value in ordered
    ]


def _shown(value: Any, factor: Factor | None, numeric: bool) -> str:
    if factor:
        return factor.show(value)
    return tidy_number(value) if numeric else str(value)


def as_failed(failed: Sequence[bool] | np.ndarray) -> np.ndarray:
    """Return 1 for every bake that failed and 0 for every other.

    Raises
    ------
    FitError
        When there is no bake, or something that is neither.

    Examples
    --------
    >>> as_failed([True, False])
    array([1., 0.])
    """
    y = np.asarray(failed, dtype=float)
    if not len(y):
        raise FitError("there are no bakes.")
    if not np.isin(y, (0.0, 1.0)).all():
        raise FitError("failed must be yes or no for every bake; leave out those never baked.")
    return y
