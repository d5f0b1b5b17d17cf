"""Logistic regression with Firth's penalty: maxima and profiles, on plain arrays."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

from trials.errors import FitError

_STEPS = 1_000  # nearly always under 20; along a ridge of the penalty some hundreds
_ROUNDING = 1e-14  # a gain this small that no longer shrinks fast is rounding
_MANY = 50
_FLATTEST = 1e-3  # of Fisher's information
_FARTHEST = 60  # doublings of a standard error; the penalised likelihood always falls in the end


@dataclass(frozen=True, eq=False)
class PenalisedFit:
    """Where the penalised likelihood is highest.

    Parameters
    ----------
    beta : ndarray
        Log odds, intercept and all.
    log_likelihood : float
        Penalised: log-likelihood plus half the log determinant of the information.
    information : ndarray
        Fisher's, X'WX.
    """

    beta: np.ndarray
    log_likelihood: float
    information: np.ndarray


def maximise_penalised(
    X: np.ndarray,
    y: np.ndarray,
    *,
    fixed: Mapping[int, float] | None = None,
    start: np.ndarray | None = None,
) -> PenalisedFit:
    """Maximise the penalised likelihood, some coefficients held if asked.

    The penalty is that of all columns, also where one is held (Heinze & Schemper 2002).

    Parameters
    ----------
    X : ndarray, shape (bakes, columns)
        With an intercept.
    y : ndarray of 0 and 1
    fixed : mapping of int to float, optional
        Column to the value at which it is held.
    start : ndarray, optional

    Returns
    -------
    PenalisedFit

    Raises
    ------
    FitError
        When it does not come to rest.

    References
    ----------
    Firth 1993, Biometrika 80:27-38; Heinze & Schemper 2002, Stat. Med. 21:2409-2419.

    Examples
    --------
    Of 4 bakes 1 failed; the penalty adds half a failure and half a success (Firth 1993, 3.3):

    >>> fit = maximise_penalised(np.ones((4, 1)), np.array([1, 0, 0, 0.0]))
    >>> bool(np.isclose(special.expit(fit.beta[0]), 1.5 / 5))
    True
    """
    held = dict(fixed or {})
    free = np.array([at for at in range(X.shape[1]) if at not in held], dtype=int)
    beta = np.zeros(X.shape[1]) if start is None else start.copy()
    for at, value in held.items():
        beta[at] = value
    height, information, score = _penalised(X, y, beta)
    curvature, before = information[np.ix_(free, free)], np.inf
    for taken in range(_STEPS):
        slope = score[free]
        step = np.linalg.solve(curvature, slope)
        # Twice the gain in log-likelihood that is left; about the square of what is left in beta.
        gain = float(slope @ step)
        if gain < 1e-20 or (gain < _ROUNDING and (gain >= before or taken > _MANY)):
            return PenalisedFit(beta, height, information)
        before = gain
        # Far leaps leave the region where the information can be inverted.
        length = min(1.0, 5.0 / np.abs(X[:, free] @ step).max())
        while True:
            tried = beta.copy()
            tried[free] += length * step
            new, new_information, new_score = _penalised(X, y, tried)
            if new >= height - 1e-13 * (1 + abs(height)) or length < 1e-12:
                break
            length /= 2
        beta, height, information, score = tried, new, new_information, new_score
        curvature = _curvature(X, y, beta, information, free, near=gain < 0.1)
    raise FitError("the model of failures did not come to rest; use fewer terms.")


def _penalised(
    X: np.ndarray, y: np.ndarray, beta: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    m = X @ beta
    chance, rest = special.expit(m), special.expit(-m)
    weight = chance * rest
    information = X.T @ (weight[:, None] * X)
    sign, log_determinant = np.linalg.slogdet(information)
    if sign <= 0:
        return -np.inf, information, np.zeros_like(beta)
    height = float(np.sum(special.log_expit(np.where(y > 0, m, -m))) + 0.5 * log_determinant)
    leverage = weight * np.einsum("ij,ji->i", X, np.linalg.solve(information, X.T))
    return height, information, X.T @ (y - chance + leverage * (0.5 - chance))


def _curvature(
    X: np.ndarray,
    y: np.ndarray,
    beta: np.ndarray,
    information: np.ndarray,
    free: np.ndarray,
    *,
    near: bool,
) -> np.ndarray:
    """Return Fisher's information far off, and near the summit the curvature, penalty and all."""
    expected = information[np.ix_(free, free)]
    if not near:
        return expected
    observed = np.empty_like(expected)
    for row, at in enumerate(free):
        step = np.zeros(len(beta))
        step[at] = 1e-5 / np.sqrt(information[at, at])
        ahead, behind = _penalised(X, y, beta + step)[2], _penalised(X, y, beta - step)[2]
        observed[row] = (behind - ahead)[free] / (2 * step[at])
    observed = (observed + observed.T) / 2
    length = np.sqrt(np.diag(expected))
    values, vectors = np.linalg.eigh(observed / np.outer(length, length))
    # On a ridge or a saddle the size of the bend still says how far to go.
    bent = (vectors * np.maximum(np.abs(values), _FLATTEST)) @ vectors.T
    return bent * np.outer(length, length)


def profile_interval(
    X: np.ndarray, y: np.ndarray, fit: PenalisedFit, at: int, level: float
) -> tuple[float, float]:
    """Return the values of one coefficient that the penalised likelihood does not rule out.

    Parameters
    ----------
    X, y
        As fitted.
    fit : PenalisedFit
    at : int
        Which column.
    level : float

    Returns
    -------
    low, high : float

    References
    ----------
    Heinze & Schemper 2002, Stat. Med. 21:2409-2419.
    """
    drop = stats.chi2.ppf(level, 1) / 2
    se = float(np.sqrt(np.linalg.inv(fit.information)[at, at]))

    def above(value: float) -> float:
        profile = maximise_penalised(X, y, fixed={at: value}, start=fit.beta)
        return profile.log_likelihood - fit.log_likelihood + drop

    ends = []
    for side in (-1.0, 1.0):
        reach = se
        for _ in range(_FARTHEST):
            if above(fit.beta[at] + side * reach) < 0:
                break
            reach *= 1.5
        found = optimize.brentq(
            lambda distance, side=side: above(fit.beta[at] + side * distance),
            0.0,
            reach,
            xtol=1e-10 * se,
            rtol=1e-10,
        )
        ends.append(float(fit.beta[at] + side * found))
    return ends[0], ends[1]
