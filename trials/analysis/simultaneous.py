"""Several comparisons at once, each as sure as one alone would be.

All pairs by Tukey's range, all against a reference by Dunnett's multivariate t, and a cap on the
share of false discoveries among many effects.
"""

import numpy as np
from scipy import stats
from scipy.optimize import brentq
from scipy.special import ndtr

from trials.analysis.verdicts import CONFIDENCE

_SEED = 1955  # of the quadrature over several dimensions alone
_POINTS = 20_000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(160)
_TAIL = 1e-13


def range_p(t: float, df: float, count: int) -> float:
    """Return the p value of one pair out of all pairs of some means.

    Parameters
    ----------
    t : float
        The difference over its standard error.
    df : float
    count : int
        How many means are compared.

    References
    ----------
    Tukey 1953; Kramer 1956, Biometrics 12:307 (unequal errors). By Gauss-Legendre sums over the
    normal and the chi density.

    Examples
    --------
    >>> round(range_p(2.306, 8, 2), 3)
    0.05
    """
    if not (np.isfinite(t) and df > 0):
        return float("nan")
    z, z_weights = _normal_nodes()
    s, s_weights = _error_nodes(df)
    gap = ndtr(z) - ndtr(z - abs(t) * np.sqrt(2) * s[:, None])
    within = s_weights @ (gap ** (count - 1) @ (count * z_weights))
    return float(np.clip(1 - within, 0.0, 1.0))


def range_factor(df: float, count: int) -> float:
    """Return how many standard errors the interval of each of all pairs reaches.

    Examples
    --------
    >>> round(range_factor(8, 2), 3)
    2.306
    """
    if not df > 0:
        return float("nan")
    if count == 2:
        return float(stats.t.ppf((1 + CONFIDENCE) / 2, df))
    alone = float(stats.t.ppf((1 + CONFIDENCE) / 2, df))
    pairs = count * (count - 1) / 2
    # Bonferroni's is the widest that any family of pairs asks for
    widest = float(stats.t.isf((1 - CONFIDENCE) / 2 / pairs, df))

    def short_of(reach: float) -> float:
        return 1 - range_p(reach, df, count) - CONFIDENCE

    return float(brentq(short_of, alone, 1.01 * widest, xtol=1e-7))


def reference_p(t: float, df: float, correlation: np.ndarray) -> float:
    """Return the p value of one of several comparisons with the same reference.

    Parameters
    ----------
    t : float
    df : float
    correlation : ndarray, shape (comparisons, comparisons)
        Of the estimated differences.

    References
    ----------
    Dunnett 1955, JASA 50:1096: where each correlation is a product of two numbers, as in balanced
    plans, by Gauss-Legendre sums; else by Genz & Bretz 2002, J. Comput. Graph. Stat. 11:950 (as
    scipy carries it out, with a fixed seed: errors below 0.001).

    Examples
    --------
    >>> round(reference_p(2.306, 8, np.eye(1)), 3)
    0.05
    """
    if not (np.isfinite(t) and df > 0 and np.isfinite(correlation).all()):
        return float("nan")
    if len(correlation) == 1:
        return float(2 * stats.t.sf(abs(t), df))
    return float(1 - _within(abs(t), df, correlation))


def reference_factor(df: float, correlation: np.ndarray) -> float:
    """Return how many standard errors the interval of each comparison reaches.

    Examples
    --------
    >>> round(reference_factor(8, np.eye(1)), 3)
    2.306
    """
    if not (df > 0 and np.isfinite(correlation).all()):
        return float("nan")
    alone = float(stats.t.ppf((1 + CONFIDENCE) / 2, df))
    if len(correlation) == 1:
        return alone
    # Bonferroni's is the widest that any correlation asks for
    widest = float(stats.t.isf((1 - CONFIDENCE) / 2 / len(correlation), df))
    if _within(alone, df, correlation) >= CONFIDENCE:
        return alone

    def short_of(reach: float) -> float:
        return _within(reach, df, correlation) - CONFIDENCE

    return float(brentq(short_of, alone, 1.01 * widest, xtol=1e-4))


def _within(reach: float, df: float, correlation: np.ndarray) -> float:
    """Return the chance that no comparison of no difference goes beyond a reach."""
    factors = _product_factors(correlation)
    if factors is not None:
        z, z_weights = _normal_nodes()
        s, s_weights = _error_nodes(df)
        inside = np.ones((len(s), len(z)))
        for factor in factors:
            own = np.sqrt(1 - factor**2)
            edge = reach * s[:, None]
            inside *= ndtr((edge - factor * z) / own) - ndtr((-edge - factor * z) / own)
        return float(s_weights @ inside @ z_weights)
    edges = np.full(len(correlation), reach)
    return float(
        stats.multivariate_t.cdf(
            edges,
            shape=correlation,
            df=df,
            lower_limit=-edges,
            maxpts=_POINTS * len(correlation),
            random_state=np.random.default_rng(_SEED),
        )
    )


def _product_factors(correlation: np.ndarray) -> np.ndarray | None:
    """Return numbers whose products are the correlations; None when there are none."""
    off = correlation - np.diag(np.diag(correlation))
    if len(off) == 2 and off[0, 1] >= 0:
        factors = np.sqrt(off[0, 1]) * np.ones(2)
    elif len(off) > 2 and (off[np.triu_indices(len(off), 1)] > 0).all():
        logs = np.log(off + np.eye(len(off)))
        total = logs.sum() / (2 * (len(off) - 1))
        factors = np.exp((logs.sum(axis=1) - total) / (len(off) - 2))
    else:
        return None
    rebuilt = np.outer(factors, factors)
    np.fill_diagonal(rebuilt, 0.0)
    fits = np.abs(rebuilt - off).max() < 1e-9 and factors.max() < 1 - 1e-6
    return factors if fits else None


def _normal_nodes() -> tuple[np.ndarray, np.ndarray]:
    """Return points of a normal variable and their chances."""
    z = 9 * _NODES
    return z, 9 * _WEIGHTS * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)


def _error_nodes(df: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points of an estimated over the true standard deviation, and their chances."""
    low, high = stats.chi.ppf([_TAIL, 1 - _TAIL], df) / np.sqrt(df)
    s = low + (high - low) * (_NODES + 1) / 2
    return s, (high - low) / 2 * _WEIGHTS * stats.chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)


def false_discovery_p(p: np.ndarray) -> np.ndarray:
    """Return p values adjusted so that a limit caps the expected share of false discoveries.

    Parameters
    ----------
    p : ndarray
        Missing ones stay missing and do not count.

    References
    ----------
    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289.

    Examples
    --------
    >>> false_discovery_p(np.array([0.01, 0.04, 0.03, np.nan])).round(3).tolist()
    [0.03, 0.04, 0.04, nan]
    """
    known = np.flatnonzero(np.isfinite(p))
    adjusted = np.full(len(p), np.nan)
    if len(known):
        adjusted[known] = stats.false_discovery_control(np.asarray(p, dtype=float)[known])
    return adjusted
