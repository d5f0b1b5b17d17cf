"""Verdicts, and numbers and terms as a baker reads them."""

import numpy as np
import pandas as pd

CONFIDENCE = 0.95
MATTERS, TOO_SMALL, NOT_SETTLED = "matters", "too small to matter", "not settled"


def kitchen_term(name: str) -> str:
    """Return a term as the baker reads it.

    Examples
    --------
    >>> kitchen_term("fat:hydration"), kitchen_term("hydration^2")
    ('fat with hydration', 'hydration, bend')
    """
    return name.replace("^2", ", bend").replace(":", " with ")


def decimals(errors: pd.Series) -> int:
    """Return the decimals that errors of this size deserve.

    Examples
    --------
    >>> decimals(pd.Series([0.2, 0.3])), decimals(pd.Series([1.6])), decimals(pd.Series([12.0]))
    (1, 1, 0)
    """
    sizes = np.asarray(errors, dtype=float)
    sizes = sizes[np.isfinite(sizes) & (sizes > 0)]
    if not len(sizes):
        return 2
    return int(np.clip(np.ceil(-np.log10(np.median(sizes) / 2)), 0, 6))


def signed(value: float, digits: int) -> str:
    """Return a difference with its sign, or a plain zero.

    Examples
    --------
    >>> signed(1.234, 1), signed(-0.01, 1)
    ('+1.2', '0.0')
    """
    if not np.isfinite(value):
        return "unknown"
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def verdict(low: float, high: float, margin: float | None) -> str:
    """Return the verdict on an effect from its interval and the margin worth noticing.

    Parameters
    ----------
    low, high : float
        The interval, in response units; NaN where no error was measured.
    margin : float or None
        Without a margin nothing is too small, and what differs from nothing matters.

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
