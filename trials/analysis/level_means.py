"""The mean at each level of a factor: as weights, as joint draws, and the chance to be best."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.drawing import expected_draws
from trials.analysis.results import Findings
from trials.factors import Categorical, Factor
from trials.measures import Measure


def mean_rows(findings: Findings, factor: str, levels: Sequence[Any]) -> np.ndarray:
    """Return weights on the coefficients for the mean at each level of a factor.

    The other numbers are held at the middle, the other kinds averaged.

    Examples
    --------
    >>> mean_rows.__name__
    'mean_rows'
    """
    grid = _settings(findings, factor, levels)
    X = findings.rows(grid.drop(columns="_place"))
    X = np.hstack([X, np.zeros((len(X), len(findings.engine.beta) - X.shape[1]))])
    return pd.DataFrame(X).groupby(grid["_place"]).mean().to_numpy()


def level_draws(findings: Findings, factor: str, levels: Sequence[Any]) -> np.ndarray:
    """Return joint draws of the mean at each level of a factor, shape (levels, draws).

    Examples
    --------
    >>> level_draws.__name__
    'level_draws'
    """
    grid = _settings(findings, factor, levels)
    draws = expected_draws(findings, grid.drop(columns="_place"))
    return pd.DataFrame(draws).groupby(grid["_place"]).mean().to_numpy()


def chances_best(draws: np.ndarray, measure: Measure | None = None) -> np.ndarray:
    """Return the chance of each row to be the best in joint draws; ties are shared.

    Parameters
    ----------
    draws : ndarray, shape (variants, draws)
    measure : Measure, optional
        Its goal says what is best; higher when there is none.

    Examples
    --------
    >>> chances_best(np.array([[1.0, 2.0], [3.0, 2.0]])).tolist()
    [0.25, 0.75]
    """
    worth = _worth(draws, measure.goal if measure else None)
    size = max(float(np.abs(worth).max()), 1e-300)
    best = worth >= worth.max(axis=0) - 1e-12 * size
    return (best / best.sum(axis=0)).mean(axis=1)


def _worth(values: np.ndarray, goal: Any) -> np.ndarray:
    if goal is None or goal == "higher":
        return values
    if goal == "lower":
        return -values
    kind, first, second = goal
    if kind == "target":
        return -np.abs(values - first)
    return -np.maximum(np.maximum(first - values, values - second), 0.0)


def _settings(findings: Findings, factor: str, levels: Sequence[Any]) -> pd.DataFrame:
    """Return every level with all kinds of the other factors; `_place` numbers the levels."""
    table = pd.DataFrame({"_place": range(len(levels)), factor: list(levels)})
    for other in findings.factors:
        if other.name == factor:
            continue
        kinds = list(other.levels) if isinstance(other, Categorical) else [_middle(other)]
        table = table.merge(pd.DataFrame({other.name: kinds}), how="cross")
    return table


def _middle(factor: Factor) -> float:
    low, high = factor.levels
    return (float(low) + float(high)) / 2
