"""Difference tests that each person does several times: what people share and where they differ.

If nobody can tell, every answer is an independent guess, whoever gives it, so the exact test on
all answers stands (Kunert & Meyners 1999). How many can tell, and how unlike they are, takes a
model: each person's share of true recognitions is drawn from a beta distribution (Brockhoff 2003).
"""

import html
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

from trials.errors import TastingError
from trials.tasting.guessing import guessing_model

_EDGE = 1e-6  # shares lie between 0 and 1; the fit stays this far inside


@dataclass(frozen=True)
class ReplicatedResult:
    """What a replicated difference test found.

    Parameters
    ----------
    test : str
    right, n, people : int
        Right answers of all answers, given by so many people.
    p : float
        Chance of so many right or more, if nobody could tell.
    recognised, recognised_low, recognised_high : float
        Share of servings truly told apart, beyond guessing, with its 95 % profile interval.
    unlike : float
        How unlike people are: 0 all the same, 1 each either always or never can tell.
    p_unlike : float
        Chance of a spread this large if all people were the same.
    """

    test: str
    right: int
    n: int
    people: int
    p: float
    recognised: float
    recognised_low: float
    recognised_high: float
    unlike: float
    p_unlike: float

    @property
    def sentence(self) -> str:
        """The finding in plain words."""
        told = "They can be told apart" if self.p <= 0.05 else "Not settled"
        spread = (
            "Some people can tell and others can not."
            if self.p_unlike <= 0.05
            else "Nothing shows that some people tell better than others."
        )
        return (
            f"{self.right} of {self.n} answers by {self.people} people were right. {told} "
            f"(p = {self.p:.2g}): about {100 * self.recognised:.0f} % of servings are recognised "
            f"({100 * self.recognised_low:.0f} to {100 * self.recognised_high:.0f} %). {spread}"
        )

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.sentence)}</p>"


def replicated(test: str, right: Sequence[int], repeats: int | Sequence[int]) -> ReplicatedResult:
    """Test and describe a difference that each person judged several times.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}
    right : sequence of int
        Right answers of each person.
    repeats : int or sequence of int
        Answers of each person.

    Returns
    -------
    ReplicatedResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    Brockhoff, P. B. (2003). The statistical power of replications in difference tests. Food
    Quality and Preference 14, 405-417 (chance-corrected beta-binomial).
    Kunert, J. & Meyners, M. (1999). On the triangle test with replications. Food Quality and
    Preference 10, 477-482.
    Self, S. G. & Liang, K.-Y. (1987). Journal of the American Statistical Association 82, 605-610
    (likelihood ratio at the edge, for ``p_unlike``).

    Examples
    --------
    >>> found = replicated("triangle", [4, 4, 1, 2, 4, 1], 4)
    >>> found.right, found.n, found.p < 0.001
    (16, 24, True)
    """
    model = guessing_model(test)
    hits, trials = _checked_counts(right, repeats)
    fit = _Likelihood(hits, trials, model.guess)
    best_share, best = fit.maximum()
    same_share, same = fit.maximum_if_all_alike()
    if same >= best:
        best_share, best = same_share, same
    ratio = max(0.0, 2 * (best - same))
    low, high = fit.interval(best_share, best)
    return ReplicatedResult(
        test=test,
        right=int(hits.sum()),
        n=int(trials.sum()),
        people=len(hits),
        p=float(stats.binom.sf(hits.sum() - 1, trials.sum(), model.guess)),
        recognised=best_share,
        recognised_low=low,
        recognised_high=high,
        unlike=0.0 if same >= best else fit.profile(best_share)[1],
        p_unlike=float(stats.chi2.sf(ratio, 1)) / 2 if ratio > 0 else 1.0,
    )


@dataclass(frozen=True, eq=False)
class _Likelihood:
    """The chance-corrected beta-binomial likelihood of everybody's counts."""

    hits: np.ndarray
    trials: np.ndarray
    guess: float

    def at(self, share: float, unlike: float) -> float:
        """Return the log-likelihood of a mean share recognised and of how unlike people are."""
        total = 1 / unlike - 1
        a, b = share * total, (1 - share) * total
        people = Counter(zip(self.hits.tolist(), self.trials.tolist(), strict=True))
        return sum(count * self._of_person(x, n, a, b) for (x, n), count in people.items())

    def _of_person(self, x: int, n: int, a: float, b: float) -> float:
        """Sum over how many of the x right answers were true recognitions rather than guesses."""
        j = np.arange(x + 1)
        misses = n - x
        terms = (
            np.log(special.comb(x, j))
            + (misses + j) * np.log(1 - self.guess)
            + (x - j) * np.log(self.guess)
            + special.betaln(a + j, b + misses)
            - special.betaln(a, b)
        )
        return float(special.logsumexp(terms) + np.log(special.comb(n, x)))

    def alike(self, share: float) -> float:
        """Return the log-likelihood if all people recognise the same share."""
        chance = self.guess + (1 - self.guess) * share
        return float(stats.binom.logpmf(self.hits, self.trials, chance).sum())

    def maximum_if_all_alike(self) -> tuple[float, float]:
        share = (self.hits.sum() / self.trials.sum() - self.guess) / (1 - self.guess)
        share = min(1.0, max(0.0, float(share)))
        return share, self.alike(share)

    def profile(self, share: float) -> tuple[float, float]:
        """Return the largest log-likelihood at a share, and how unlike people are there."""
        share = min(1 - _EDGE, max(_EDGE, share))
        found = optimize.minimize_scalar(
            lambda unlike: -self.at(share, unlike),
            bounds=(_EDGE, 1 - _EDGE),
            method="bounded",
            options={"xatol": 1e-7},
        )
        if self.alike(share) >= -found.fun:
            return self.alike(share), 0.0
        return float(-found.fun), float(found.x)

    def maximum(self) -> tuple[float, float]:
        found = optimize.minimize_scalar(
            lambda share: -self.profile(share)[0],
            bounds=(_EDGE, 1 - _EDGE),
            method="bounded",
            options={"xatol": 1e-7},
        )
        return float(found.x), float(-found.fun)

    def interval(self, share: float, best: float) -> tuple[float, float]:
        drop = float(stats.chi2.ppf(0.95, 1)) / 2

        def over(at: float) -> float:
            return self.profile(at)[0] - (best - drop)

        inside = min(1 - _EDGE, max(_EDGE, share))
        low = 0.0 if over(_EDGE) >= 0 else optimize.brentq(over, _EDGE, inside, xtol=1e-6)
        high = 1.0 if over(1 - _EDGE) >= 0 else optimize.brentq(over, inside, 1 - _EDGE, xtol=1e-6)
        return float(low), float(high)


def _checked_counts(
    right: Sequence[int], repeats: int | Sequence[int]
) -> tuple[np.ndarray, np.ndarray]:
    hits = np.asarray(right, dtype=float)
    if hits.ndim != 1 or len(hits) < 1:
        raise TastingError("Give the right answers of each person as a list, as [3, 4, 1].")
    trials = np.asarray(repeats, dtype=float)
    if trials.ndim == 0:
        trials = np.full(len(hits), float(trials))
    if trials.shape != hits.shape:
        raise TastingError(
            f"There are right answers of {len(hits)} people and repeats of {trials.size}. "
            "Give one number for all, or one for each."
        )
    for i, (x, n) in enumerate(zip(hits, trials, strict=True), start=1):
        if not (float(x).is_integer() and float(n).is_integer() and 0 <= x <= n and n >= 1):
            raise TastingError(f"Person {i}: {x:g} right answers of {n:g} can not be.")
    return hits.astype(int), trials.astype(int)
