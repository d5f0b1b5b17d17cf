"""Repeated readings of one thing: their mean, and their spread kept beside it."""

import html
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.errors import MeasureError
from trials.tables import number, tidy_number

Given = float | Sequence[float]


@dataclass(frozen=True)
class Reading:
    """What an instrument said of one bake.

    Parameters
    ----------
    name : str
    value : float
        The mean of the readings, or what was worked out of means.
    unit : str
        Empty for a bare ratio.
    sd : float or None
        The readings' standard deviation, carried over by first-order propagation where the value
        was worked out; None for single readings.
    count : int
        The fewest readings behind any of its parts. Pieces of one bake share one bake: they make
        its mean surer and are no further bakes.
    """

    name: str
    value: float
    unit: str = ""
    sd: float | None = None
    count: int = 1

    @property
    def sentence(self) -> str:
        """The reading in words."""
        unit = f" {self.unit}" if self.unit else ""
        said = f"{self.name} {tidy_number(self.value, 4)}{unit}"
        if self.sd is None:
            return f"{said}, one reading."
        return f"{said}; spread {tidy_number(self.sd, 2)}{unit} over {self.count} readings or more."

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.sentence)}</p>"


def averaged(
    name: str, given: Given, unit: str, low: float, high: float, *, above: bool = True
) -> Reading:
    """Return the mean of readings, each seen to be possible.

    Parameters
    ----------
    name : str
    given : float or sequence of float
    unit : str
    low, high : float
        What such a reading can be; anything else is a slip of the scale or the hand.
    above : bool
        Whether `low` itself is impossible.

    Returns
    -------
    Reading

    Raises
    ------
    MeasureError
        For no reading, what is no number, and what can not be.

    Examples
    --------
    >>> averaged("width", [78, 79, 77], "mm", 0, 1000)
    Reading(name='width', value=78.0, unit='mm', sd=1.0, count=3)
    """
    readings = [_checked(name, one, unit, low, high, above) for one in _listed(given)]
    if not readings:
        raise MeasureError(f"{name}: there is no reading.")
    sd = float(np.std(readings, ddof=1)) if len(readings) > 1 else None
    return Reading(name, float(np.mean(readings)), unit, sd, len(readings))


def worked_out(name: str, unit: str, formula: Callable[..., float], *parts: Reading) -> Reading:
    """Return what a formula makes of readings, with their spread carried over.

    Parameters
    ----------
    name, unit : str
    formula : callable
        Of the parts' values.
    *parts : Reading
        Taken as read independently of each other.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.2: first-order propagation, derivatives by central differences.

    Examples
    --------
    >>> side = averaged("side", [9.0, 11.0], "mm", 0, 100)
    >>> area = worked_out("area", "mm²", lambda length: length * length, side)
    >>> round(area.sd / side.sd, 3)
    20.0
    """
    values = [part.value for part in parts]
    variance = 0.0
    for at, part in enumerate(parts):
        if part.sd:
            step = 1e-6 * (abs(part.value) or 1.0)
            up, down = list(values), list(values)
            up[at], down[at] = part.value + step, part.value - step
            variance += ((formula(*up) - formula(*down)) / (2 * step) * part.sd) ** 2
    spread = any(part.sd is not None for part in parts)
    count = min(part.count for part in parts)
    return Reading(name, formula(*values), unit, math.sqrt(variance) if spread else None, count)


def bake_readings(table: pd.DataFrame, column: str) -> pd.DataFrame:
    """Return the mean and the spread of each bake's readings.

    Parameters
    ----------
    table : DataFrame
        A row per piece, with the columns bake and `column`; text as typed is read, empty cells
        are left out.
    column : str

    Returns
    -------
    DataFrame
        Columns bake, `column` (the mean, which is what the analysis takes), spread and readings.

    Raises
    ------
    MeasureError
        When a column is missing or a cell holds no number.

    Examples
    --------
    >>> bake_readings(pd.DataFrame({"bake": ["B01", "B01"], "height": ["31", "33"]}), "height")
      bake  height    spread  readings
    0  B01    32.0  1.414214         2
    """
    for name in ("bake", column):
        if name not in table:
            raise MeasureError(f'the table of readings has no column "{name}".')
    rows = []
    for place, bake, found in zip(table.index, table["bake"], table[column], strict=True):
        text = "" if pd.isna(found) else str(found).strip()
        value = number(text)
        if text and value is None:
            raise MeasureError(f'row {place}, "{column}": {text!r} is no number.')
        if value is not None:
            rows.append((str(bake), value))
    values = pd.DataFrame(rows, columns=["bake", column])
    found = values.groupby("bake", sort=True)[column].agg(["mean", "std", "count"]).reset_index()
    return found.set_axis(["bake", column, "spread", "readings"], axis=1)


def _listed(given: Given) -> list[object]:
    if isinstance(given, Iterable) and not isinstance(given, str):
        return list(given)
    return [given]


def _checked(name: str, given: object, unit: str, low: float, high: float, above: bool) -> float:
    value = number(given) if isinstance(given, str) else given
    if isinstance(value, bool) or not isinstance(value, int | float | np.number):
        raise MeasureError(f"{name} is {given!r}; give a number{f' in {unit}' if unit else ''}.")
    value = float(value)
    if not math.isfinite(value) or not low <= value <= high or (above and value == low):
        limits = f"{'above' if above else 'from'} {tidy_number(low)} to {tidy_number(high)}"
        raise MeasureError(
            f"{name} of {tidy_number(value)} {unit}".rstrip()
            + f" can not be; expected {limits}{f' {unit}' if unit else ''}. Look at the scale, the "
            "unit and the decimal point."
        )
    return value
