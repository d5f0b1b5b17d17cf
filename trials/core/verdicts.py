"""Verdicts, and numbers and terms as a baker reads them."""

from enum import StrEnum

import numpy as np

CONFIDENCE = 0.95
UPPER = (1 + CONFIDENCE) / 2  # the quantile at the upper end of such an interval
POWERED = 0.8  # the chance with which a plan should see what is worth noticing


class Verdict(StrEnum):
    """What an interval says beside the margin worth noticing."""

    MATTERS = "matters"
    TOO_SMALL = "too small to matter"
    NOT_SETTLED = "not settled"


MATTERS, TOO_SMALL, NOT_SETTLED = (one.value for one in Verdict)


def worth_words(margin: float, *, named: bool) -> str:
    """Return what is worth noticing, and that it is the usual where nobody named it.

    Examples
    --------
    >>> worth_words(0.7, named=False)
    'worth noticing is 0.7, the usual, as none was named'
    """
    usual = "" if named else ", the usual, as none was named"
    return f"worth noticing is {margin:g}{usual}"


def verdict(low: float, high: float, margin: float | None) -> str:
    """Return the verdict on an effect from its interval and the margin worth noticing.

    An interval of no width was not measured, and without a margin nothing says what matters.

    Examples
    --------
    >>> verdict(0.8, 1.6, 0.7), verdict(-0.3, 0.3, 0.7), verdict(0.4, 1.1, 0.7)
    ('matters', 'too small to matter', 'not settled')
    >>> verdict(5.0, 5.0, 0.7), verdict(0.8, 1.6, None)
    ('not settled', 'not settled')
    """
    if not (np.isfinite(low) and np.isfinite(high) and low < high) or margin is None:
        return NOT_SETTLED
    if low > margin or high < -margin:
        return MATTERS
    if -margin < low and high < margin:
        return TOO_SMALL
    return NOT_SETTLED
