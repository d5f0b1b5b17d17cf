"""Whether a measured response asks for another scale: logarithm, root or inverse."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import brentq, minimize_scalar

from trials.analysis.cross_products import RandomTerm
from trials.analysis.mixed import fit_mixed
from trials.errors import FitError

WIDEST = 3.0
SCALES = (
    (1.0, "as it is"),
    (0.0, "its logarithm"),
    (0.5, "its square root"),
    (-1.0, "its inverse"),
    (-0.5, "the inverse of its square root"),
    (2.0, "its square"),
)


@dataclass(frozen=True)
class PowerScale:
    """The power of the response that makes the model fit best.

    Parameters
    ----------
    power, low, high : float
        The best power and its 95 % interval; 1 is the response as it is, 0 its logarithm.
    suggested : float
        The simplest power within the interval.
    words : str
        The suggestion in words.
    """

    power: float
    low: float
    high: float
    suggested: float
    words: str


def power_scale(y: np.ndarray, X: np.ndarray, terms: Sequence[RandomTerm] = ()) -> PowerScale:
    """Return the power of a positive response that a model fits best, with its interval.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Above zero.
    X : ndarray, shape (n, p)
        Fixed part.
    terms : sequence of RandomTerm
        Random part.

    Returns
    -------
    PowerScale
        The interval ends at -3 and 3, beyond which no power is of use.

    Raises
    ------
    FitError
        When a value is zero or below.

    References
    ----------
    Box & Cox 1964, J. R. Stat. Soc. B 26:211; for mixed models Gurka, Edwards, Muller & Kupper
    2006, J. R. Stat. Soc. A 169:273.

    Examples
    --------
    >>> x = np.tile([-1.0, 1.0], 20)
    >>> noise = np.repeat(stats.norm.ppf((np.arange(20) + 0.5) / 20), 2)
    >>> found = power_scale(np.exp(2 + x + noise), np.column_stack([np.ones(40), x]))
    >>> found.words
    'its logarithm'
    """
    y = np.asarray(y, dtype=float)
    if not (y > 0).all():
        raise FitError(
            "a logarithm or a root needs values above zero; the smallest found is "
            f"{y.min():g}. Leave the response as it is."
        )
    y = y / np.exp(np.log(y).mean())

    def likelihood(power: float) -> float:
        return _likelihood(y, X, tuple(terms), power)

    found = minimize_scalar(
        lambda power: -likelihood(power), bounds=(-WIDEST, WIDEST), method="bounded"
    )
    best = float(found.x)
    limit = likelihood(best) - stats.chi2.ppf(0.95, 1) / 2

    def above(power: float) -> float:
        return likelihood(power) - limit

    low = float(brentq(above, -WIDEST, best)) if above(-WIDEST) < 0 else -WIDEST
    high = float(brentq(above, best, WIDEST)) if above(WIDEST) < 0 else WIDEST
    inside = [(power, words) for power, words in SCALES if low <= power <= high]
    suggested, words = inside[0] if inside else (round(best, 1), f"its power {best:.1f}")
    return PowerScale(best, low, high, suggested, words)


def _likelihood(y: np.ndarray, X: np.ndarray, terms: tuple[RandomTerm, ...], power: float) -> float:
    """Return the log-likelihood in units of y, whose geometric mean is one."""
    logs = np.log(y)
    changed = logs if abs(power) < 1e-8 else np.expm1(power * logs) / power
    return fit_mixed(changed, X, terms, method="ML").loglik
