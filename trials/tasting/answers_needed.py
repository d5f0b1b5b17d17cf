"""How many answers a difference test needs, and how many right ones settle it; all exact."""

import numpy as np
from scipy import stats

from trials.errors import TastingError
from trials.tasting.guessing import GuessingModel, guessing_model
from trials.tasting.request import whole_number

_STEADY = 60  # a size counts once the power has held for so many sizes in a row
_LARGEST_PANEL = 2000


def critical_number(
    test: str, n: int, *, level: float = 0.05, sided: int = 1, likeness: float | None = None
) -> int | None:
    """Return the number of right answers that settles a test of n answers.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}
    n : int
    level : float
    sided : {1, 2}
    likeness : float, optional

    Returns
    -------
    int or None
        The least number right for a difference; for likeness the most. None when no number does.

    Raises
    ------
    TastingError
        For a test not known here.

    Examples
    --------
    >>> [critical_number("triangle", n) for n in (6, 24, 36)], critical_number("duo-trio", 4)
    ([5, 13, 18], None)
    """
    model = guessing_model(test)
    n = whole_number("n", n, 1)
    if not 0 < level < 1:
        raise TastingError(f"level is {level!r}; give a share between 0 and 1, as 0.05.")
    if sided not in ((1, 2) if test == "paired" else (1,)):
        raise TastingError(f"sided is {sided!r}; a {test} test knows 1, and only a paired test 2.")
    counts = np.arange(n + 1)
    if likeness is not None:
        alike = stats.binom.cdf(counts, n, share_right(model, likeness)) <= level
        if sided == 2:
            alike &= counts >= n / 2
        return int(counts[alike].max()) if alike.any() else None
    settles = sided * stats.binom.sf(counts - 1, n, model.guess) <= level
    return int(counts[settles].min()) if settles.any() else None


def power(
    test: str,
    n: int,
    *,
    discriminators: float | None = None,
    d_prime: float | None = None,
    likeness: float | None = None,
    level: float = 0.05,
    sided: int = 1,
) -> float:
    """Return the chance that n answers settle the question.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}
    n : int
        Answers, one a person.
    discriminators : float, optional
        Share of people who can tell, as things are.
    d_prime : float, optional
        Instead of it: the distance of the samples.
    likeness : float, optional
        For a test of likeness: the share that would still count as alike. The truth is then
        0 discriminators when nothing else is said.
    level : float
    sided : {1, 2}

    Returns
    -------
    float

    Raises
    ------
    TastingError
        When it is not said how large the difference is.

    Examples
    --------
    >>> round(power("triangle", 24, discriminators=0.5), 2)
    0.93
    """
    if likeness is not None and discriminators is None and d_prime is None:
        discriminators = 0.0
    right = _true_share(guessing_model(test), discriminators, d_prime)
    critical = critical_number(test, n, level=level, sided=sided, likeness=likeness)
    if critical is None:
        return 0.0
    if likeness is not None:
        low = n - critical - 1 if sided == 2 else -1
        return float(stats.binom.cdf(critical, n, right) - stats.binom.cdf(low, n, right))
    upper = float(stats.binom.sf(critical - 1, n, right))
    return upper + (float(stats.binom.cdf(n - critical, n, right)) if sided == 2 else 0.0)


def sample_size(
    test: str,
    *,
    discriminators: float | None = None,
    d_prime: float | None = None,
    likeness: float | None = None,
    level: float = 0.05,
    sided: int = 1,
    chance: float = 0.8,
) -> int:
    """Return how many answers it takes.

    Exact power goes up and down from one size to the next: the size returned is the first from
    which on it stays at or above ``chance``.

    Parameters
    ----------
    test, discriminators, d_prime, likeness, level, sided
        As in ``power``.
    chance : float
        Chance wanted of settling the question.

    Returns
    -------
    int

    Raises
    ------
    TastingError
        When not even 2000 answers do.

    Examples
    --------
    >>> sample_size("triangle", discriminators=0.5), sample_size("duo-trio", discriminators=0.5)
    (16, 28)
    """
    if not 0 < chance < 1:
        raise TastingError(f"chance is {chance!r}; give a share between 0 and 1, as 0.8.")
    enough = 0
    for n in range(1, _LARGEST_PANEL + 1):
        reached = power(
            test,
            n,
            discriminators=discriminators,
            d_prime=d_prime,
            likeness=likeness,
            level=level,
            sided=sided,
        )
        enough = enough + 1 if reached >= chance else 0
        if enough == _STEADY:
            return n - _STEADY + 1
    raise TastingError(
        f"Not even {_LARGEST_PANEL} answers settle a difference this small. Ask for a larger one."
    )


def share_right(model: GuessingModel, discriminators: float) -> float:
    """Return the share of right answers when a share of people can tell and the others guess.

    Raises
    ------
    TastingError
        When the share is not between 0 and 1.

    Examples
    --------
    >>> round(share_right(guessing_model("triangle"), 0.4), 3)
    0.6
    """
    if not 0 < discriminators < 1:
        raise TastingError(
            f"likeness is {discriminators!r}; give the share of people able to tell that would "
            "still count as alike, as 0.3."
        )
    return model.guess + (1 - model.guess) * discriminators


def _true_share(model: GuessingModel, discriminators: float | None, d_prime: float | None) -> float:
    if (discriminators is None) == (d_prime is None):
        raise TastingError("Say how large the difference is: discriminators or d_prime, not both.")
    if discriminators is not None:
        if not 0 <= discriminators <= 1:
            raise TastingError(
                f"discriminators is {discriminators!r}; give a share between 0 and 1, as 0.3."
            )
        return model.guess + (1 - model.guess) * discriminators
    if d_prime is None or not d_prime >= 0:
        raise TastingError(f"d_prime is {d_prime!r}; give a number from 0 up, as 1.0.")
    return model.chance(float(d_prime))
