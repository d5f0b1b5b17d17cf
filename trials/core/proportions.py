"""The exact interval of a share: how often it happens, told from how often it did."""

from typing import Any

from trials.core.verdicts import CONFIDENCE


def exact_interval(count: Any, n: Any, level: float = CONFIDENCE) -> tuple[Any, Any]:
    """Return the exact interval of a share, of one count or of many at once.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> [round(float(end), 3) for end in exact_interval(0, 10)]
    [0.0, 0.308]
    """
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(count, n, alpha=1 - level, method="beta")
    return low, high
