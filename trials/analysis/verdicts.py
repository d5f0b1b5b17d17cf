"""Verdicts, and numbers and terms as a baker reads them."""

import numpy as np
import pandas as pd
from pandas.api.types import is_float_dtype

from trials.tables import tidy_number

CONFIDENCE = 0.95
MATTERS, TOO_SMALL, NOT_SETTLED = "matters", "too small to matter", "not settled"
MOST_DECIMALS, MOST_ZEROS = 6, -3  # written out; beyond them a power of ten reads better


def kitchen_term(name: str) -> str:
    """Return a term as the baker reads it.

    Examples
    --------
    >>> kitchen_term("fat:hydration"), kitchen_term("hydration^2")
    ('fat with hydration', 'hydration, bend')
    """
    return name.replace("^2", ", bend").replace(":", " with ")


def decimals(errors: pd.Series) -> int:
    """Return the decimals that errors of this size deserve; below 0 for tens and hundreds.

    Two where no error is known.

    Examples
    --------
    >>> decimals(pd.Series([0.2, 0.3])), decimals(pd.Series([1.6])), decimals(pd.Series([12.0]))
    (1, 1, 0)
    >>> decimals(pd.Series([2e-12])), decimals(pd.Series([2e9]))
    (12, -9)
    """
    sizes = np.asarray(errors, dtype=float)
    sizes = sizes[np.isfinite(sizes) & (sizes > 0)]
    if not len(sizes):
        return 2
    return int(np.ceil(-np.log10(np.median(sizes) / 2)))


def rounded(value: float, digits: int, sign: str = "") -> str:
    """Return a number rounded to as many decimals, or to tens and hundreds where below 0.

    Numbers whose last digit worth showing stands far from the point are written with their power
    of ten, so that the same result reads the same in any unit.

    Parameters
    ----------
    value : float
    digits : int
        As from :func:`decimals`.
    sign : "" or "+"
        "+" puts a sign before what is above nothing, too.

    Examples
    --------
    >>> rounded(6.234, 1), rounded(1234.0, -1), rounded(-0.01, 1)
    ('6.2', '1230', '0.0')
    >>> rounded(1.234e-12, 13), rounded(1.234e9, -7)
    ('1.2e-12', '1.23e+09')
    """
    if not np.isfinite(value):
        return "unknown"
    near = round(float(value), digits)
    plain = MOST_ZEROS <= digits <= MOST_DECIMALS
    if near == 0:
        return f"{0:.{max(digits, 0)}f}" if plain else "0"
    if plain:
        return f"{near:{sign}.{max(digits, 0)}f}"
    figures = max(digits + int(np.floor(np.log10(abs(near)))), 0)
    return f"{near:{sign}.{figures}e}"


def signed(value: float, digits: int) -> str:
    """Return a difference with its sign, or a plain zero; see :func:`rounded`.

    Examples
    --------
    >>> signed(1.234, 1), signed(-0.01, 1)
    ('+1.2', '0.0')
    """
    return rounded(value, digits, "+")


def readable(table: pd.DataFrame, figures: int = 3) -> pd.DataFrame:
    """Return a table whose numbers are text of as many figures, whatever their size.

    Examples
    --------
    >>> readable(pd.DataFrame({"what": ["fat", "rest"], "se": [2.34567e-12, 0.5]}))
       what        se
    0   fat  2.35e-12
    1  rest       0.5
    """
    return table.apply(
        lambda column: (
            [tidy_number(value, figures) if np.isfinite(value) else "" for value in column]
            if is_float_dtype(column)
            else column
        )
    )


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
