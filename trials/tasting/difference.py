"""Is the new one different? Exact tests of difference, likeness, preference and rank order.

Each test counts right answers and asks how often guessing alone would do as well. All chances are
exact binomial ones; a test for likeness turns the question round. The people asked are the panel:
a few tasters speak for themselves and not for a market.
"""

import html
import math
from dataclasses import dataclass

from scipy import stats

from trials.errors import TastingError
from trials.tasting.answers_needed import critical_number, power, sample_size, share_right
from trials.tasting.guessing import GuessingModel, guessing_model
from trials.tasting.ranks import RankingResult, ranking
from trials.tasting.replicated import ReplicatedResult, replicated

__all__ = [
    "DifferenceResult",
    "RankingResult",
    "ReplicatedResult",
    "critical_number",
    "duo_trio",
    "paired",
    "power",
    "ranking",
    "replicated",
    "sample_size",
    "triangle",
]


@dataclass(frozen=True)
class DifferenceResult:
    """What a difference test found.

    Parameters
    ----------
    test : str
        ``triangle``, ``duo-trio`` or ``paired``.
    right, n : int
        Right answers (paired: times chosen) of so many.
    level : float
        Error allowed.
    sided : int
        1, or 2 for a paired test without an expected direction.
    likeness : float or None
        None in a test for difference; in a test for likeness, the share of people able to tell
        that would still count as alike.
    p : float
        Chance of a result this far or farther, if nobody could tell (likeness: if that share
        could).
    critical : int or None
        Difference: least number right that settles it. Likeness: the most number right that does.
        None when no number does: too few answers.
    d_prime, d_prime_low, d_prime_high : float
        Distance of the samples in standard deviations of one impression, with its 95 % interval
        (exact, Clopper & Pearson 1934, carried over from the share right). Below guessing it is
        0, except in a two-sided paired test, where the sign says which was chosen.
    discriminators : float
        Share of people who can tell, if all others guess.
    """

    test: str
    right: int
    n: int
    level: float
    sided: int
    likeness: float | None
    p: float
    critical: int | None
    d_prime: float
    d_prime_low: float
    d_prime_high: float
    discriminators: float

    @property
    def settled(self) -> bool:
        """Whether the question asked is answered with yes at the level."""
        return self.p <= self.level

    @property
    def sentence(self) -> str:
        """The finding in plain words."""
        counted = f"{self.right} of {self.n} {_VERB[self.test]}"
        if self.likeness is not None:
            return f"{counted}. {_likeness_words(self)}"
        return f"{counted}. {_difference_words(self)}"

    def _repr_html_(self) -> str:
        return (
            f"<p>{html.escape(self.sentence)}</p><p>d-prime {self.d_prime:.2f} "
            f"(95 % {self.d_prime_low:.2f} to {self.d_prime_high:.2f}), p = {self.p:.3g}</p>"
        )


_VERB = {
    "triangle": "picked the odd one",
    "duo-trio": "picked the one like the reference",
    "paired": "chose it",
}


def triangle(
    correct: int, n: int, *, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether the odd one of three samples was picked more often than by guessing.

    Parameters
    ----------
    correct, n : int
        Right answers of so many; one answer a person (see ``replicated`` for more).
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ISO 4120, Sensory analysis: triangle test. ASTM E1885.

    Examples
    --------
    >>> found = triangle(13, 24)
    >>> found.critical, round(found.p, 4), round(found.d_prime, 2)
    (13, 0.0284, 1.68)
    >>> print(found.sentence)
    13 of 24 picked the odd one. They can be told apart: guessing alone would do as well 3 times
    in 100.
    """
    return _tested(guessing_model("triangle"), correct, n, 1, likeness, level)


def duo_trio(
    correct: int, n: int, *, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether the twin of a reference was picked more often than by guessing.

    Parameters
    ----------
    correct, n : int
        Right answers of so many; one answer a person.
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ISO 10399, Sensory analysis: duo-trio test. ASTM E2610.

    Examples
    --------
    >>> duo_trio(24, 36).critical
    24
    """
    return _tested(guessing_model("duo-trio"), correct, n, 1, likeness, level)


def paired(
    chosen: int, n: int, *, sided: int = 1, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether one of two samples was chosen more often than by chance.

    Parameters
    ----------
    chosen, n : int
        How often the sample was chosen (as crisper, as preferred), of so many answers.
    sided : {1, 2}
        1 when it was expected beforehand which would be chosen; 2 when either might be.
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ISO 5495, Sensory analysis: paired comparison test. ASTM E2164, E2263.

    Examples
    --------
    >>> paired(15, 20, sided=2).critical, paired(15, 20).critical
    (15, 15)
    >>> round(paired(4, 20, sided=2).d_prime, 2)
    -1.19
    """
    if sided not in (1, 2):
        raise TastingError(f"sided is {sided!r}; give 1 (direction expected) or 2 (either way).")
    return _tested(guessing_model("paired"), chosen, n, sided, likeness, level)


def _tested(
    model: GuessingModel, right: int, n: int, sided: int, likeness: float | None, level: float
) -> DifferenceResult:
    right, n = _checked_counts(right, n)
    share = right / n
    ahead = max(right, n - right) if sided == 2 else right
    critical = critical_number(model.name, n, level=level, sided=sided, likeness=likeness)
    if likeness is None:
        p = min(1.0, sided * float(stats.binom.sf(ahead - 1, n, model.guess)))
    else:
        p = float(stats.binom.cdf(ahead, n, share_right(model, likeness)))
    low, high = _exact_interval(right, n)
    return DifferenceResult(
        test=model.name,
        right=right,
        n=n,
        level=level,
        sided=sided,
        likeness=likeness,
        p=p,
        critical=critical,
        d_prime=_signed_d_prime(model, share, sided),
        d_prime_low=_signed_d_prime(model, low, sided),
        d_prime_high=_signed_d_prime(model, high, sided),
        discriminators=model.discriminators(max(share, 1 - share) if sided == 2 else share),
    )


def _signed_d_prime(model: GuessingModel, share: float, sided: int) -> float:
    if sided == 2 and share < model.guess:
        return -model.d_prime(1 - share)
    return model.d_prime(share)


def _exact_interval(right: int, n: int) -> tuple[float, float]:
    low = float(stats.beta.ppf(0.025, right, n - right + 1)) if right > 0 else 0.0
    high = float(stats.beta.ppf(0.975, right + 1, n - right)) if right < n else 1.0
    return low, high


def _checked_counts(right: int, n: int) -> tuple[int, int]:
    for what, count in (("The number of right answers", right), ("The number of answers", n)):
        if isinstance(count, bool) or not hasattr(count, "__index__"):
            raise TastingError(f"{what} is {count!r}; give a whole number.")
    if not 0 <= right <= n or n < 1:
        raise TastingError(
            f"{right} right answers of {n} can not be. Give the right ones first, then all."
        )
    return int(right), int(n)


def _difference_words(found: DifferenceResult) -> str:
    if found.critical is None:
        return f"{found.n} answers are too few to settle anything: ask more people."
    by_chance = _in_hundred(found.p)
    what = "One is chosen over the other" if found.test == "paired" else "They can be told apart"
    if found.settled:
        return f"{what}: guessing alone would do as well {by_chance}."
    least = f"{found.critical} or more would have settled it"
    return (
        f"Not settled: guessing alone would do as well {by_chance}; {least}. "
        "That does not show that they are alike."
    )


def _likeness_words(found: DifferenceResult) -> str:
    limit = f"{100 * float(found.likeness or 0):.0f} % of people"
    if found.settled:
        return f"They are alike for your purpose: fewer than {limit} can tell them apart."
    if found.critical is None:
        return f"{found.n} answers are too few to show that fewer than {limit} can tell."
    return (
        f"Not settled that fewer than {limit} can tell: at most {found.critical} right would "
        "have shown it."
    )


def _in_hundred(p: float) -> str:
    if p < 0.01:
        return "less than once in 100"
    times = math.ceil(100 * p - 0.5)
    return "once in 100" if times == 1 else f"{times} times in 100"
