"""Bakes that best tell rival explanations apart."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trials.errors import FitError

PASSES = 5
_SEED = 1996


@dataclass(frozen=True, eq=False)
class Rival:
    """One explanation of the bakes so far.

    Parameters
    ----------
    share : float
        How probable it is.
    X : ndarray, shape (bakes, columns)
        Its columns in the bakes so far, those that are always in first.
    pool : ndarray, shape (settings, columns)
        The same columns at the settings that may be baked next.
    always : int
        How many columns are always in (the mean, days): nothing is assumed about their size.
    """

    share: float
    X: np.ndarray
    pool: np.ndarray
    always: int = 1


@dataclass(frozen=True, eq=False)
class Forecasts:
    """What every explanation expects at the settings that may be baked next.

    Parameters
    ----------
    shares : ndarray, shape (models,)
    means : ndarray, shape (models, settings)
    spreads : ndarray, shape (models, settings, settings)
        Covariance of the expectations in units of the error's variance, without the new error.
    precision : ndarray, shape (models,)
        The expected inverse of the error's variance.
    """

    shares: np.ndarray
    means: np.ndarray
    spreads: np.ndarray
    precision: np.ndarray

    def md(self, bakes: Sequence[int]) -> float:
        """Return the criterion for bakes at these places of the settings."""
        return float(self._md(np.asarray(bakes, dtype=int)[None])[0])

    def _md(self, designs: np.ndarray) -> np.ndarray:
        """Return the criterion of many designs at once, shape (designs,)."""
        count = designs.shape[1]
        means = self.means[:, designs]
        spreads = self.spreads[:, designs[:, :, None], designs[:, None, :]] + np.eye(count)
        inverse = np.linalg.inv(spreads)
        total = np.zeros(len(designs))
        for i, own in enumerate(self.shares):
            traces = np.einsum("jdab,dba->jd", inverse, spreads[i])
            apart = means[i] - means
            apart = np.einsum("jda,jdab,jdb->jd", apart, inverse, apart)
            total += own * (self.shares @ (traces - count + self.precision[i] * apart))
        return total / 2


def forecasts_of(y: np.ndarray, rivals: Sequence[Rival], size: float = 1.0) -> Forecasts:
    """Return what rival explanations expect, each fitted to the bakes so far.

    Parameters
    ----------
    y : ndarray, shape (bakes,)
    rivals : sequence of Rival
    size : float
        The expected size of an active coefficient in units of the error.

    Returns
    -------
    Forecasts

    Raises
    ------
    FitError
        When there are fewer than two explanations.

    References
    ----------
    Meyer, Steinberg & Box 1996, Technometrics 38:303-313.

    Examples
    --------
    >>> X = np.array([[1, -1.0], [1, 1], [1, -1], [1, 1]])
    >>> pool = np.array([[1, -1.0], [1, 1]])
    >>> rivals = [Rival(0.5, X, pool), Rival(0.5, X[:, :1], pool[:, :1])]
    >>> found = forecasts_of(np.array([5, 6, 5.2, 6.1]), rivals)
    >>> found.md([0, 1]) > found.md([0])
    True
    """
    if len(rivals) < 2:
        raise FitError("one explanation alone needs no bake to tell it from others.")
    means, spreads, precision = [], [], []
    for rival in rivals:
        prior = np.full(rival.X.shape[1], 1 / size**2)
        prior[: rival.always] = 0.0
        inverse = np.linalg.inv(np.diag(prior) + rival.X.T @ rival.X)
        beta = inverse @ rival.X.T @ y
        left = float(((y - rival.X @ beta) ** 2).sum() + prior @ beta**2)
        means.append(rival.pool @ beta)
        spreads.append(rival.pool @ inverse @ rival.pool.T)
        precision.append((len(y) - rival.always) / left)
    shares = np.array([rival.share for rival in rivals])
    return Forecasts(shares / shares.sum(), np.array(means), np.array(spreads), np.array(precision))


def telling_apart(found: Forecasts, bakes: int, starts: int = 4) -> tuple[list[int], float]:
    """Return the bakes that best tell the explanations apart, and their criterion.

    Parameters
    ----------
    found : Forecasts
    bakes : int
    starts : int
        Searches from sets drawn by chance; the best is kept.

    Returns
    -------
    list of int
        Places among the settings, in ascending order; a setting may come twice.
    float

    References
    ----------
    Meyer, Steinberg & Box 1996, Technometrics 38:303-313 (criterion and exchange).

    Examples
    --------
    >>> telling_apart.__name__
    'telling_apart'
    """
    rng = np.random.default_rng(_SEED)
    settings = np.arange(found.means.shape[1])
    best: tuple[list[int], float] = ([], -np.inf)
    for _ in range(starts):
        design = rng.integers(len(settings), size=bakes)
        value = -np.inf
        for _ in range(PASSES):
            before = value
            for place in range(bakes):
                tried = np.repeat(design[None], len(settings), axis=0)
                tried[:, place] = settings
                scores = found._md(tried)
                design = tried[int(np.argmax(_rounded(scores)))]
                value = float(scores.max())
            if value <= before * (1 + 1e-9):
                break
        if value > best[1] * (1 + 1e-9) or not best[0]:
            best = (sorted(int(place) for place in design), value)
    return best


def _rounded(values: np.ndarray) -> np.ndarray:
    top = np.abs(values).max()
    return np.round(values / top, 9) if top > 0 else values
