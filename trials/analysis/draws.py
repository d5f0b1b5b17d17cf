"""Joint draws of what a fit leaves possible: the ground for "the largest" and "the best"."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from trials.analysis.results import Estimator, Findings, drawn_intervals
from trials.analysis.settings import averaged_rows, shown_settings
from trials.core.terms import model_matrix
from trials.core.verdicts import CONFIDENCE

_SAME = 1e-9  # of the largest in a draw: below this, what is between two is rounding
SEED = 2718  # of the draws alone: the same findings always print the same chances
DRAWS = 4000


def coefficient_draws(
    mean: np.ndarray,
    cov: np.ndarray,
    level_df: np.ndarray,
    *,
    number: int = DRAWS,
    seed: int = SEED,
) -> np.ndarray:
    """Return joint draws of coefficients: normal around the estimates, the errors uncertain too.

    References
    ----------
    Box & Tiao 1973, Bayesian Inference in Statistical Analysis, section 2.7 (multivariate t).

    Examples
    --------
    >>> coefficient_draws(np.array([1.0]), np.array([[0.0]]), np.array([5.0]), number=2)
    array([[1., 1.]])
    """
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh((cov + cov.T) / 2)
    # The symmetric root is the same on any machine; eigenvectors alone may turn with rounding
    root = (vectors * np.sqrt(np.maximum(values, 0))) @ vectors.T
    noise = root @ rng.standard_normal((len(mean), number))
    for df in np.unique(np.round(level_df, 6)):
        if np.isfinite(df) and df > 0:
            own = np.round(level_df, 6) == df
            noise[own] *= np.sqrt(df / rng.chisquare(df, number))
    return mean[:, None] + noise


def shares_of_best(worth: np.ndarray) -> np.ndarray:
    """Return the share of joint draws in which each row is the best; rows alike share a draw.

    Examples
    --------
    >>> shares_of_best(np.array([[1.0, 2.0], [3.0, 2.0]])).tolist()
    [0.25, 0.75]
    """
    best = worth >= worth.max(axis=0) - _SAME * np.abs(worth).max(axis=0)
    return np.asarray((best / best.sum(axis=0)).mean(axis=1))


def usable(engine: Estimator, columns: int) -> bool:
    """Say whether an estimator has an error for every one of its first columns."""
    cov = engine.cov[:columns, :columns]
    return bool(np.isfinite(cov).all() and np.diag(cov).max(initial=0) > 0)


def expected_draws(findings: Findings, settings: pd.DataFrame) -> np.ndarray:
    """Return joint draws of the expected response at settings.

    Averaged over models where those were averaged (see :class:`Findings`), else from the fit
    itself.
    """
    if findings.averaged is not None:
        terms = findings.averaged.terms
        return model_matrix(terms, findings.factors, settings).X @ findings.averaged.draws
    X = findings.rows(settings)
    columns = X.shape[1]
    engine, level_df = findings.engine, findings.level_df
    if findings.judge is not None:
        engine = findings.judge
        level_df = np.array([engine.estimate(row)[2] for row in np.eye(len(engine.beta))])[:columns]
    beta = engine.beta[:columns]
    if not usable(engine, columns):
        return np.repeat((X @ beta)[:, None], DRAWS, axis=1)
    return X @ coefficient_draws(beta, engine.cov[:columns, :columns], level_df)


def one_more(findings: Findings, settings: pd.DataFrame) -> pd.DataFrame:
    """Return low, high, new_low and new_high at settings, by the error that is spoken of.

    The mean over many bakes, and what one bake made there scores: the same range for a bake that
    was made, when it is repeated, and for a setting that was not.
    """
    assert findings.again is not None
    return drawn_intervals(expected_draws(findings, settings), findings.again)


def spoken_means(findings: Findings, by: Sequence[str]) -> pd.DataFrame:
    """Return means at real settings of some factors, as sentences and pictures speak of them."""
    if findings.told is None:
        return replace(findings, engine=findings.judge or findings.engine).means(by)
    known = {factor.name: factor for factor in findings.factors}
    levels = [shown_settings(known[name]) for name in by]
    settings = pd.MultiIndex.from_product(levels, names=list(by)).to_frame(index=False)
    rows = averaged_rows(findings.told.terms, findings.factors, settings)
    draws = rows @ findings.told.draws
    low, high = np.quantile(draws, ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2), axis=1)
    return settings.assign(mean=draws.mean(axis=1), low=low, high=high)
