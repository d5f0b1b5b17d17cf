"""Numbers and names as a sentence says them, and numbers as people type them."""

import html
import math
import re
from collections.abc import Iterable

import numpy as np
import pandas as pd
from pandas.api.types import is_float_dtype

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
MINUS = "\u2212"
_BELOW = re.compile(r"(?<![\w.,:/)\u2013\u2212-])-(?=\.?\d)")  # no date, range, name or option
_UNIT = re.compile(r"(?<=\d) (?=%|°[CF]|k?g\b|mm\b|min\b|oz\b|tsp\b|tbsp\b|cups?\b|points?\b)")
_WHOLE = 1e15  # up to here a double holds every whole number, with room to spare
MOST_DECIMALS, MOST_ZEROS = 6, -3  # written out; beyond them a power of ten reads better


class InWords:
    """A small record that shows itself in a notebook in the words that a terminal shows."""

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(repr(self))}</p>"


def is_number(text: str) -> bool:
    """Say whether text is a finite number, with a point or a comma for the decimals.

    Examples
    --------
    >>> [is_number(text) for text in ("7,5", " 8 ", "7½", "n/a", "1e400", "")]
    [True, True, False, False, False, False]
    """
    return number(text) is not None


def number(text: str) -> float | None:
    """Return the number that was typed, or None when it is not one.

    Examples
    --------
    >>> number("7,5"), number("n/a")
    (7.5, None)
    """
    text = text.strip()
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text.replace(",", "."))
    return value if math.isfinite(value) else None


# 1,250 is a thousand and a quarter in one country and one and a quarter in the next
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


def two_meanings(text: str) -> str:
    """Return what a number may mean besides what :func:`number` reads; empty for one meaning.

    Examples
    --------
    >>> two_meanings("1,250"), two_meanings("0,125"), two_meanings("7,5")
    ('1250', '', '')
    """
    return text.strip().replace(",", "") if _THOUSANDS.fullmatch(text.strip()) else ""


def tidy_number(value: float, digits: int = 6) -> str:
    """Write a number shortly, without trailing zeros.

    Whole numbers keep all their digits up to fifteen of them, as many as a double can hold; what
    is larger, or so small that zeros would hide it, is written with its power of ten.

    Examples
    --------
    >>> tidy_number(172.0), tidy_number(1 / 3), tidy_number(-0.0)
    ('172', '0.333333', '0')
    >>> tidy_number(2.5e-12), tidy_number(1e9), tidy_number(1e20)
    ('2.5e-12', '1000000000', '1e+20')
    """
    if value == 0:
        return "0"
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e+" in text and abs(value) < _WHOLE else text


def figure(value: float) -> str:
    """Write a score or a reading with one decimal, or finer where that would show next to nothing.

    Examples
    --------
    >>> figure(6.04), figure(1234.56), figure(0.034), figure(0.0)
    ('6.0', '1234.6', '0.034', '0.0')
    """
    return tidy_number(value, 2) if 0 < abs(value) < 0.5 else f"{value:.1f}"


def minus(text: str) -> str:
    """Return words in which a number below zero has a minus sign, not a hyphen.

    Examples
    --------
    >>> minus("-1.5 to +2 in round-1 of 2026-11-29, --bakes 8")
    '−1.5 to +2 in round-1 of 2026-11-29, --bakes 8'
    """
    return _BELOW.sub(MINUS, text)


def kept_together(text: str) -> str:
    """Return words in which a number keeps its unit on its line, by a space that never breaks.

    Examples
    --------
    >>> kept_together("92 % at 180 °C")
    '92\\xa0% at 180\\xa0°C'
    """
    return _UNIT.sub("\u00a0", str(text))


def percent(share: float) -> str:
    """Write a share as whole per cent.

    Examples
    --------
    >>> percent(0.456), percent(1)
    ('46 %', '100 %')
    """
    return f"{100 * share:.0f} %"


def in_words(items: Iterable[object], last: str = "and") -> str:
    """Join names as a sentence does.

    Examples
    --------
    >>> in_words(["fat", "sugar", "rest"]), in_words(["fat"])
    ('fat, sugar and rest', 'fat')
    """
    words = [str(item) for item in items]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def how_many(count: int, noun: str) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> how_many(1, "day"), how_many(4, "dough batch")
    ('1 day', '4 dough batches')
    """
    return f"{count} {noun}" + ("" if count == 1 else "es" if noun.endswith("ch") else "s")


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

    Examples
    --------
    >>> rounded(6.234, 1), rounded(1234.0, -1), rounded(-0.01, 1)
    ('6.2', '1230', '0.0')
    >>> rounded(1.234e-12, 13), rounded(1.234e9, -7)
    ('1.2e-12', '1.23e+09')
    >>> rounded(-1.25, 2)
    '−1.25'
    """
    return minus(_rounded(value, digits, sign))


def _rounded(value: float, digits: int, sign: str) -> str:
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
