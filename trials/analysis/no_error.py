"""Fits that measure no error: scores without noise, and plans that spend every bake."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from trials.analysis.cross_products import RandomTerm
from trials.analysis.small_sample import FTest

_EXACT = 1e-9  # of the spread of the scores: below this, what is left over is rounding
_DIGITS_LOST = 1e-13  # of the size of the scores: what least squares loses of a coefficient
_NAN = float("nan")


@dataclass(frozen=True, eq=False)
class KnownErrorFit:
    """Coefficients with an error that came from elsewhere, or with none.

    Parameters
    ----------
    beta : ndarray, shape (p,)
    cov : ndarray, shape (p, p)
        Zero where the scores follow the model exactly, NaN where no error was measured.
    df : float
        Degrees of freedom of the error.
    rounding : float
        What is no larger, in units of the response, came of rounding and is nothing.

    Examples
    --------
    >>> KnownErrorFit(np.array([5.0, 1.0]), np.eye(2) * 0.04, 5).estimate(np.array([0, 2.0]))
    (2.0, 0.4, 5)
    """

    beta: np.ndarray
    cov: np.ndarray
    df: float
    rounding: float = 0.0

    def estimate(self, weights: np.ndarray) -> tuple[float, float, float]:
        """Return the estimate, its standard error and the degrees of freedom."""
        used = np.flatnonzero(weights)
        own = weights[used]
        variance = float(own @ self.cov[np.ix_(used, used)] @ own)
        se = float(np.sqrt(variance)) if variance >= 0 else _NAN
        value = float(self._settled(weights @ self.beta))
        return value, se, self.df if np.isfinite(se) else 0.0

    def test(self, contrasts: np.ndarray) -> FTest:
        """Return the F test that all the sums of coefficients are zero."""
        rows = np.atleast_2d(contrasts)
        used = np.flatnonzero(np.abs(rows).sum(axis=0))
        cov = rows[:, used] @ self.cov[np.ix_(used, used)] @ rows[:, used].T
        values = self._settled(rows @ self.beta)
        if not np.isfinite(cov).all():
            return FTest(float(len(rows)), 0.0, _NAN, _NAN, 1.0)
        if not cov.any():
            F = float("inf") if values.any() else _NAN
            return FTest(float(len(rows)), self.df, F, 0.0 if values.any() else _NAN, 1.0)
        F = float(values @ np.linalg.solve(cov, values)) / len(rows)
        return FTest(float(len(rows)), self.df, F, float(stats.f.sf(F, len(rows), self.df)), 1.0)

    def _settled(self, values: np.ndarray) -> np.ndarray:
        return np.where(np.abs(values) <= self.rounding, 0.0, values)


def exact_fit(y: np.ndarray, X: np.ndarray, groups: Sequence[RandomTerm]) -> KnownErrorFit | None:
    """Return the fit of scores that follow the model exactly; None when they do not.

    Parameters
    ----------
    y : ndarray, shape (n,)
    X : ndarray, shape (n, p)
    groups : sequence of RandomTerm
        Tasters and the like may still differ from one another by fixed amounts.

    Examples
    --------
    >>> X = np.array([[1.0, -1], [1, 1], [1, -1], [1, 1]])
    >>> exact_fit(np.array([4.0, 6, 4, 6]), X, ()).beta.round(6).tolist()
    [5.0, 1.0]
    >>> exact_fit(np.array([4.0, 6, 4, 7]), X, ()) is None
    True
    """
    spread = np.abs(y - y.mean()).max()
    tried: list[np.ndarray] = [np.empty((len(y), 0))]
    tried += [_centred(group.codes) for group in groups]
    for block in tried:
        whole = np.hstack([X, block])
        if np.linalg.matrix_rank(whole) < whole.shape[1] or whole.shape[1] >= len(y):
            continue
        beta = np.linalg.lstsq(whole, y, rcond=None)[0]
        left = y - whole @ beta
        if np.abs(left).max() <= _EXACT * spread:
            p = X.shape[1]
            df = float(len(y) - whole.shape[1])
            rounding = max(_EXACT * spread, _DIGITS_LOST * np.abs(y).max())
            return KnownErrorFit(beta[:p], np.zeros((p, p)), df, rounding)
    return None


def _centred(codes: np.ndarray) -> np.ndarray:
    """Return columns for the levels of a group that sum to zero over the levels."""
    count = int(codes.max()) + 1
    return np.vstack([np.eye(count - 1), -np.ones(count - 1)])[codes]


def unit_means(
    y: np.ndarray, unit: np.ndarray, crossed: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean score of each unit, corrected for who happened to taste it.

    Parameters
    ----------
    y : ndarray, shape (n,)
    unit : ndarray of int, shape (n,)
        Which bake each score belongs to.
    crossed : sequence of ndarray of int
        Other groupings, such as tasters; with all cells filled the plain means come out.

    Returns
    -------
    means : ndarray, shape (units,)
    first : ndarray of int, shape (units,)
        A row of each unit.

    References
    ----------
    Searle 1971, Linear Models, ch. 7 (two-way least squares means).

    Examples
    --------
    >>> unit_means(np.array([5.0, 7, 6, 8]), np.array([0, 0, 1, 1]), [np.array([0, 1, 0, 1])])[0]
    array([6., 7.])
    """
    first = np.unique(unit, return_index=True)[1]
    count = len(first)
    blocks = [np.eye(count)[unit], *(_centred(codes) for codes in crossed)]
    solution = np.linalg.lstsq(np.hstack(blocks), y, rcond=None)[0]
    return solution[:count], first


def is_orthogonal(X: np.ndarray) -> bool:
    """Say whether all columns are orthogonal and of one length, as in a two-level plan.

    Examples
    --------
    >>> is_orthogonal(np.array([[1, -1], [1, 1.0]])), is_orthogonal(np.array([[1, 0], [1, 1.0]]))
    (True, False)
    """
    gram = X.T @ X
    return bool(np.allclose(gram, np.eye(len(gram)) * gram[0, 0], atol=1e-9 * gram[0, 0]))
