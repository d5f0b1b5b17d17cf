"""What joint draws expect of a setting: in the mean, and of one new bake."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trials.analysis.repeats import is_of_tasting
from trials.analysis.verdicts import CONFIDENCE

FEWEST_TO_ESTIMATE = 3  # bakes from which a spread is taken when the fit measured none
SEED = 2236


def measured_spread(
    spread: Mapping[str, float], level_df: Sequence[float] | np.ndarray
) -> tuple[float, float] | None:
    """Return the variance of one new bake as a fit measured it; None where it did not.

    Day, load and bake spreads add; those of tasters and tastings are no part of a bake.

    Parameters
    ----------
    spread : mapping of source to variance
    level_df : sequence of float
        Degrees of freedom of the errors.

    Returns
    -------
    (float, float) or None
        The variance, and how many degrees of freedom it rests on at least; infinite when it is
        taken as it is.

    Examples
    --------
    >>> measured_spread({"bake": 0.25, "tasting": 1.0}, [6.0])
    (0.25, 6.0)
    """
    known = {name: value for name, value in spread.items() if not is_of_tasting(name)}
    if not known:
        return None
    finite = [float(df) for df in level_df if np.isfinite(df) and df > 0]
    return float(sum(known.values())), min(finite, default=float("inf"))


def spread_left(observed: np.ndarray, fitted: np.ndarray) -> tuple[float, float]:
    """Return the variance of one new bake from what joint draws leave over.

    Where a fit spent every bake, the draws say it: the mean square left by a draw of the
    coefficients is the variance, because its own error makes up for the bakes spent on the fit.

    Parameters
    ----------
    observed : ndarray, shape (bakes,)
    fitted : ndarray, shape (bakes, draws)

    Returns
    -------
    float, float
        The variance, taken as it is; 0 from fewer than three bakes.

    Examples
    --------
    >>> spread_left(np.array([1.0, 2.0, 3.0]), np.array([[2.0], [2.0], [2.0]]))
    (0.6666666666666666, inf)
    """
    if len(observed) < FEWEST_TO_ESTIMATE:
        return 0.0, float("inf")
    return float(((observed[:, None] - fitted) ** 2).mean()), float("inf")


def bakes_drawn(expected: np.ndarray, own: tuple[float, float], seed: int = SEED) -> np.ndarray:
    """Return draws of one new bake at each setting, its own spread included.

    Parameters
    ----------
    expected : ndarray, shape (settings, draws)
    own : (float, float)
        The variance of one bake, and the degrees of freedom it rests on.
    seed : int

    Examples
    --------
    >>> bakes_drawn(np.zeros((1, 4)), (0.0, np.inf)).shape
    (1, 4)
    """
    variance, df = own
    rng = np.random.default_rng(seed)
    noise = np.sqrt(variance) * rng.standard_normal(expected.shape)
    if np.isfinite(df):
        noise *= np.sqrt(df / rng.chisquare(df, expected.shape[1]))
    return np.asarray(expected + noise)


def drawn_intervals(
    expected: np.ndarray, own: tuple[float, float], seed: int = SEED
) -> pd.DataFrame:
    """Return low, high, new_low and new_high: the middle 95 % of what joint draws expect.

    Parameters
    ----------
    expected : ndarray, shape (settings, draws)
    own : (float, float)
        As for :func:`bakes_drawn`.
    seed : int

    Examples
    --------
    >>> drawn_intervals(np.array([[5.0, 5.0]]), (0.0, np.inf))
       low  high  new_low  new_high
    0  5.0   5.0      5.0       5.0
    """
    edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
    low, high = np.quantile(expected, edges, axis=1)
    new_low, new_high = np.quantile(bakes_drawn(expected, own, seed), edges, axis=1)
    return pd.DataFrame({"low": low, "high": high, "new_low": new_low, "new_high": new_high})
