"""Verdicts, and numbers and terms as a baker reads them."""

from enum import StrEnum

import numpy as np

CONFIDENCE = 0.95


class Verdict(StrEnum):
    """What an interval says beside the margin worth noticing."""

    MATTERS = "matters"
    TOO_SMALL = "too small to matter"
    NOT_SETTLED = "not settled"


MATTERS, TOO_SMALL, NOT_SETTLED = (one.value for one in Verdict)


def verdict(low: float, high: float, margin: float | None) -> str:
    """Return the verdict on an effect from its interval and the margin worth noticing.

    Examples
    --------
    >>> verdict(0.8, 1.6, 0.7), verdict(-0.3, 0.3, 0.7), verdict(0.4, 1.1, 0.7)
    ('matters', 'too small to matter', 'not settled')
    """
    if not (np.isfinite(low) and np.isfinite(high)):
        return NOT_SETTLED
    edge = margin or 0.0
    if low > edge or high < -edge:
        return MATTERS
    if margin is not None and -edge < low and high < edge:
        return TOO_SMALL
    return NOT_SETTLED
