"""How often people are right who can tell a difference, and who guess: the models of the tests.

For each test: the chance of a right answer when guessing, and the chance as a function of d-prime,
the distance of two samples in standard deviations of one impression (Thurstone, equal spreads).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from trials.errors import TastingError

_LARGEST_D_PRIME = 20.0  # beyond it a right answer is certain in floating point


@dataclass(frozen=True)
class GuessingModel:
    """One kind of difference test.

    Parameters
    ----------
    name : str
    guess : float
        Chance of a right answer when nothing can be told.
    chance : callable
        Chance of a right answer at a d-prime of 0 or more.

    Examples
    --------
    >>> model = guessing_model("triangle")
    >>> round(model.chance(0.0), 6), round(model.chance(1.0), 3)
    (0.333333, 0.418)
    """

    name: str
    guess: float
    chance: Callable[[float], float]

    def d_prime(self, share: float) -> float:
        """Return the d-prime at which a share of answers is right: 0 at guessing, inf at 1.

        Examples
        --------
        >>> round(guessing_model("paired").d_prime(0.76), 2)
        1.0
        """
        if share <= self.guess:
            return 0.0
        if share >= 1 or share > self.chance(_LARGEST_D_PRIME):
            return float("inf")
        return float(
            optimize.brentq(
                lambda d: self.chance(d) - share, 0.0, _LARGEST_D_PRIME, xtol=1e-12, rtol=1e-12
            )
        )

    def discriminators(self, share: float) -> float:
        """Return the share of people who can tell, if the others guess and never err otherwise.

        Examples
        --------
        >>> round(guessing_model("triangle").discriminators(0.6), 3)
        0.4
        """
        return max(0.0, (share - self.guess) / (1 - self.guess))


def _triangle(d: float) -> float:
    # The odd one x is picked when it lies farther from y and z than they from each other. With
    # u = (y - z) / sqrt(2) and v = (2x - y - z) / sqrt(6), independent with variance 1 and v with
    # mean d sqrt(2/3), that is v^2 / u^2 > 3: a non-central F with 1 and 1 degrees of freedom.
    return float(stats.ncf.sf(3, 1, 1, d * d * 2 / 3)) if d > 0 else 1 / 3


def _duo_trio(d: float) -> float:
    a, b = stats.norm.cdf(d / np.sqrt(2)), stats.norm.cdf(d / np.sqrt(6))
    return float(1 - a - b + 2 * a * b)


def _paired(d: float) -> float:
    return float(stats.norm.cdf(d / np.sqrt(2)))


_MODELS = {
    "triangle": GuessingModel("triangle", 1 / 3, _triangle),
    "duo-trio": GuessingModel("duo-trio", 1 / 2, _duo_trio),
    "paired": GuessingModel("paired", 1 / 2, _paired),
}


def guessing_model(test: str) -> GuessingModel:
    """Return the model of a test.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}

    Returns
    -------
    GuessingModel

    Raises
    ------
    TastingError
        For a test not known here.

    References
    ----------
    Ennis, D. M. (1993). The power of sensory discrimination methods. Journal of Sensory Studies
    8, 353-370.

    Examples
    --------
    >>> guessing_model("duo-trio").guess
    0.5
    """
    if test not in _MODELS:
        raise TastingError(f'"{test}" is no test known here; choose one of {", ".join(_MODELS)}.')
    return _MODELS[test]
