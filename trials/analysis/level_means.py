"""The mean at each level of a factor: as weights, as joint draws, and the chance to be best."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.drawing import DRAWS, SEED, expected_draws, shares_of_best
from trials.analysis.results import Findings
from trials.factors import Categorical, Factor
from trials.measures import Measure

_SPREADS = 200  # of the spread between levels, equally likely beforehand


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


def rival_draws(findings: Findings, rows: np.ndarray) -> np.ndarray:
    """Return joint draws of several means that know how easily chance makes a winner.

    The best of several looks better than it is, the more so the less they truly differ. So the
    means count as drawn from one normal distribution, whose spread they themselves tell.

    Parameters
    ----------
    findings : Findings
    rows : ndarray, shape (means, columns)
        Weights on the coefficients; see :func:`mean_rows`.

    Returns
    -------
    ndarray, shape (means, draws)

    References
    ----------
    Gelman 2006, Bayesian Analysis 1:515 (half-Cauchy spread of a hierarchical model; its scale
    here is the error of a mean).

    Examples
    --------
    >>> rival_draws.__name__
    'rival_draws'
    """
    basis = _contrast_basis(len(rows))
    weights = basis @ rows
    cov = weights @ np.nan_to_num(findings.engine.cov) @ weights.T
    differences = weights @ findings.engine.beta
    noise, turned = np.linalg.eigh((cov + cov.T) / 2)
    if noise.max(initial=0.0) <= 0 or not len(noise):
        return np.repeat((rows @ findings.engine.beta)[:, None], DRAWS, axis=1)
    noise = np.maximum(noise, 1e-12 * noise.max())
    df = min(findings.engine.estimate(row)[2] for row in weights)
    drawn = _shrunk_draws(turned.T @ differences, noise, df)
    middle, se, _ = findings.engine.estimate(rows.mean(axis=0))
    level = np.random.default_rng(SEED + 1).normal(middle, se if se > 0 else 0.0, DRAWS)
    return level + basis.T @ (turned @ drawn)


def _shrunk_draws(differences: np.ndarray, noise: np.ndarray, df: float) -> np.ndarray:
    """Return draws of independent differences under a normal of unknown spread."""
    rng = np.random.default_rng(SEED)
    at = (np.arange(_SPREADS) + 0.5) / _SPREADS
    spread = noise.mean() * np.tan(np.pi * at / 2) ** 2
    total = noise[:, None] + spread
    logs = -0.5 * (np.log(total) + np.square(differences)[:, None] / total).sum(axis=0)
    chance = np.exp(logs - logs.max())
    picked = spread[rng.choice(_SPREADS, size=DRAWS, p=chance / chance.sum())]
    kept = picked / (noise[:, None] + picked)
    wide = np.sqrt(df / rng.chisquare(df, DRAWS)) if np.isfinite(df) and df > 0 else 1.0
    error = np.sqrt(noise[:, None] * kept) * rng.standard_normal((len(noise), DRAWS))
    return kept * differences[:, None] + error * wide


def _contrast_basis(count: int) -> np.ndarray:
    """Return orthonormal rows that sum to zero."""
    centred = np.eye(count) - 1 / count
    return np.linalg.svd(centred)[2][: count - 1]


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
    return shares_of_best(_worth(draws, measure.goal if measure else None))


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
