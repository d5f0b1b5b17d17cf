"""Failed bakes counted by region, with exact intervals: the least that can be said."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype
from scipy import stats

from trials.errors import FitError
from trials.tables import tidy_number


def count_failures(
    failed: Sequence[bool] | np.ndarray, settings: pd.DataFrame, *, level: float = 0.95
) -> pd.DataFrame:
    """Count failures by region: each setting of each factor, and each pair of settings.

    Parameters
    ----------
    failed : sequence of bool, one per bake
    settings : DataFrame, one row per bake
        Real settings. A number with more than three values is parted at the middle of its range.
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
    rows = [(name, int(mask.sum()), int(y[mask].sum())) for name, mask in regions(settings)]
    table = pd.DataFrame(rows, columns=["region", "bakes", "failed"])
    n, k, tail = table["bakes"], table["failed"], (1 - level) / 2
    table["share"] = k / n
    table["low"] = np.where(k > 0, stats.beta.ppf(tail, np.maximum(k, 1), n - k + 1), 0.0)
    table["high"] = np.where(k < n, stats.beta.ppf(1 - tail, k + 1, np.maximum(n - k, 1)), 1.0)
    return table


def regions(settings: pd.DataFrame) -> list[tuple[str, np.ndarray]]:
    """Return every region with a bake in it: each setting of each factor, and each pair.

    Parameters
    ----------
    settings : DataFrame, one row per bake
        Real settings. A number with more than three values is parted at the middle of its range.

    Returns
    -------
    list of (str, ndarray of bool)
        The region in words and which bakes lie in it; all bakes first.

    Examples
    --------
    >>> [name for name, _ in regions(pd.DataFrame({"oil": [165, 180]}))]
    ['all bakes', 'oil 165', 'oil 180']
    """
    found = {name: _regions(str(name), settings[name]) for name in settings.columns}
    masks = [("all bakes", np.ones(len(settings), dtype=bool))]
    masks += [region for own in found.values() for region in own]
    masks += [
        (f"{name}, {other_name}", mask & other)
        for one, two in combinations(found.values(), 2)
        for name, mask in one
        for other_name, other in two
    ]
    return [(name, mask) for name, mask in masks if mask.any()]


def _regions(name: str, values: pd.Series) -> list[tuple[str, np.ndarray]]:
    distinct = values.unique()
    numeric = is_numeric_dtype(values) and not is_bool_dtype(values)
    if numeric and len(distinct) > 3:
        middle = (values.min() + values.max()) / 2
        said = tidy_number(middle)
        low = (values <= middle).to_numpy()
        return [(f"{name} up to {said}", low), (f"{name} above {said}", ~low)]
    ordered = sorted(distinct) if numeric else distinct
    return [
        (f"{name} {tidy_number(value) if numeric else value}", (values == value).to_numpy())
        for value in ordered
    ]


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
