"""The chance of a score in ordered categories, and its derivatives.

A score falls into category j when a hidden value lies between two thresholds. With m the linear
predictor, P(score <= j) = F(threshold_j - m).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

_SMALLEST = 1e-300


@dataclass(frozen=True)
class Link:
    """A distribution of the hidden value: its F, and the first three derivatives of F."""

    name: str
    cumulative: Callable[[np.ndarray], np.ndarray]
    derivatives: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]


def _logit_derivatives(t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    F, rest = special.expit(t), special.expit(-t)
    f = F * rest
    return f, f * (rest - F), f * (1 - 6 * f)


def _probit_derivatives(t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    # Beyond 39 the density is zero in double precision; the products must not become 0 * inf.
    t = np.clip(t, -40, 40)
    f = np.exp(-0.5 * t**2) / np.sqrt(2 * np.pi)
    return f, -t * f, (t**2 - 1) * f


LINKS = {
    "logit": Link("logit", special.expit, _logit_derivatives),
    "probit": Link("probit", special.ndtr, _probit_derivatives),
}


@dataclass(frozen=True, eq=False)
class Scores:
    """Scores in categories with everything that may explain them, as plain arrays.

    Parameters
    ----------
    category : ndarray of int, shape (scores,)
        0 to categories - 1, each of them taken at least once.
    X : ndarray, shape (scores, columns)
        Without an intercept: the thresholds take its place.
    member : tuple of ndarray of int, shape (scores,)
        For each grouping, which of its groups a score belongs to.
    link : Link
    """

    category: np.ndarray
    X: np.ndarray
    member: tuple[np.ndarray, ...]
    link: Link

    @property
    def thresholds(self) -> int:
        """How many thresholds part the categories."""
        return int(self.category.max())


@dataclass(frozen=True, eq=False)
class ScoreDerivatives:
    """Derivatives of each score's log-likelihood by m and by the thresholds above and below it.

    ``slope`` is the first by m and ``weight`` minus the second; a suffix names one more derivative.
    """

    log_likelihood: np.ndarray
    slope: np.ndarray
    weight: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    slope_upper: np.ndarray
    slope_lower: np.ndarray
    weight_m: np.ndarray
    weight_upper: np.ndarray
    weight_lower: np.ndarray


def chance_between(link: Link, upper: np.ndarray, lower: np.ndarray) -> np.ndarray:
    """Return F(upper) - F(lower), never quite zero.

    Examples
    --------
    >>> float(chance_between(LINKS["logit"], np.array([np.inf]), np.array([0.0]))[0])
    0.5
    """
    # In the upper tail the difference is taken from above, where it does not cancel.
    high = lower > 0
    top = np.where(high, -lower, upper)
    bottom = np.where(high, -upper, lower)
    return np.maximum(link.cumulative(top) - link.cumulative(bottom), _SMALLEST)


def score_derivatives(scores: Scores, edges: np.ndarray, m: np.ndarray) -> ScoreDerivatives:
    """Return the derivatives at some thresholds and linear predictors.

    Parameters
    ----------
    scores : Scores
    edges : ndarray, shape (categories + 1,)
        The thresholds, between minus and plus infinity.
    m : ndarray, shape (scores,)

    Returns
    -------
    ScoreDerivatives
    """
    upper, lower = edges[scores.category + 1] - m, edges[scores.category] - m
    P = chance_between(scores.link, upper, lower)
    f_up, g_up, h_up = (each / P for each in _at(scores.link, upper))
    f_low, g_low, h_low = (each / P for each in _at(scores.link, lower))
    A, B, C = f_up - f_low, g_up - g_low, h_up - h_low
    return ScoreDerivatives(
        log_likelihood=np.log(P),
        slope=-A,
        weight=np.maximum(A**2 - B, 0.0),
        upper=f_up,
        lower=-f_low,
        slope_upper=-(g_up - A * f_up),
        slope_lower=g_low - A * f_low,
        weight_m=2 * A**3 - 3 * A * B + C,
        weight_upper=2 * A * (g_up - A * f_up) - (h_up - B * f_up),
        weight_lower=-2 * A * (g_low - A * f_low) + (h_low - B * f_low),
    )


def _at(link: Link, t: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return the derivatives of F; the outer edges of the scale are infinite and give zeros."""
    finite = np.isfinite(t)
    found = link.derivatives(np.where(finite, t, 0.0))
    return tuple(np.where(finite, each, 0.0) for each in found)
