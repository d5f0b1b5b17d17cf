"""What instruments and kitchen stand-ins say of a bake.

Formulas with units, colours, readings averaged.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import MeasureError
from trials.base.html import answer
from trials.base.words import number, tidy_number

__all__ = [
    "Reading",
    "averaged",
    "bake_loss",
    "bake_readings",
    "break_force",
    "colour_difference",
    "height",
    "moisture",
    "oil_uptake",
    "snap_stress",
    "specific_volume",
    "spread_factor",
]

# -- Repeated readings of one thing: their mean, and their spread kept beside it.


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
        return answer([self.sentence])


@checked_types(MeasureError)
def averaged(
    name: str, given: Given, unit: str, low: float, high: float, *, above: bool = True
) -> Reading:
    """Return the mean of readings, each seen to be possible.

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


@checked_types(MeasureError)
def bake_readings(table: pd.DataFrame, column: str) -> pd.DataFrame:
    """Return the mean and the spread of each bake's readings.

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


# -- Differences of colour between two crusts, measured as L*, a*, b*.


Lab = Sequence[float] | Sequence[Sequence[float]]
_FAR = 25.0**7


@checked_types(MeasureError)
def colour_difference(one: Lab, other: Lab, *, formula: str = "CIEDE2000") -> Reading:
    """Return how far apart two colours look.

    Parameters
    ----------
    one, other : (L*, a*, b*), or several of them
        Spots of one crust are averaged (five or more, in one light); their spread about the mean
        is kept.
    formula : {"CIEDE2000", "CIE 1976"}
        The newer follows the eye better; the older is the straight distance.

    Returns
    -------
    Reading
        About 1 is just seen side by side (common practice, no source).

    Raises
    ------
    MeasureError
        For what is no colour.

    References
    ----------
    Sharma, Wu & Dalal 2005, Color Research and Application 30, 21-30 (equations 2 to 22);
    CIE 1976 L*a*b* distance.

    Examples
    --------
    >>> round(colour_difference((50, 2.5, 0), (73, 25, -18)).value, 4)
    27.1492
    """
    formulas = {"CIEDE2000": ciede2000, "CIE 1976": cie76}
    if formula not in formulas:
        raise MeasureError(f'no colour formula {formula!r}; expected "CIEDE2000" or "CIE 1976".')
    distance = formulas[formula]
    spots, others = _spots(one), _spots(other)
    mean, reference = spots.mean(axis=0), others.mean(axis=0)
    scatter = [
        distance(spot, middle) ** 2
        for group, middle in ((spots, mean), (others, reference))
        for spot in group
        if len(group) > 1
    ]
    groups = sum(len(group) > 1 for group in (spots, others))
    sd = math.sqrt(sum(scatter) / (len(scatter) - groups)) if scatter else None
    count = min(len(spots), len(others))
    return Reading("colour difference", distance(mean, reference), "ΔE", sd, count)


def cie76(one: Sequence[float], other: Sequence[float]) -> float:
    """Return the straight distance in L*a*b*.

    Examples
    --------
    >>> cie76((50, 3, 0), (50, 0, 4))
    5.0
    """
    return math.dist(one, other)


def ciede2000(one: Sequence[float], other: Sequence[float]) -> float:
    """Return the CIEDE2000 difference, all weights 1.

    References
    ----------
    Sharma, Wu & Dalal 2005, equations 2 to 22.

    Examples
    --------
    >>> round(ciede2000((50, 2.6772, -79.7751), (50, 0, -82.7485)), 4)
    2.0425
    """
    l1, a1, b1 = one
    l2, a2, b2 = other
    grey = 0.5 * (1 - _seventh((math.hypot(a1, b1) + math.hypot(a2, b2)) / 2))
    c1, h1 = _polar((1 + grey) * a1, b1)
    c2, h2 = _polar((1 + grey) * a2, b2)
    turn = _turn(c1 * c2, h2 - h1)
    d_hue = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2))
    lightness, chroma, hue = (l1 + l2) / 2, (c1 + c2) / 2, _mean_hue(c1 * c2, h1, h2)
    s_l = 1 + 0.015 * (lightness - 50) ** 2 / math.sqrt(20 + (lightness - 50) ** 2)
    s_c = 1 + 0.045 * chroma
    s_h = 1 + 0.015 * chroma * _hue_weight(hue)
    rotation = (
        -2 * _seventh(chroma) * math.sin(math.radians(60 * math.exp(-(((hue - 275) / 25) ** 2))))
    )
    of_l, of_c, of_h = (l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h
    return math.sqrt(of_l**2 + of_c**2 + of_h**2 + rotation * of_c * of_h)


def _seventh(chroma: float) -> float:
    return math.sqrt(chroma**7 / (chroma**7 + _FAR))


def _polar(a: float, b: float) -> tuple[float, float]:
    return math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360 if a or b else 0.0


def _turn(product: float, difference: float) -> float:
    """Return the turn from one hue to the other, in degrees, the short way (equation 10)."""
    if product == 0:
        return 0.0
    if difference > 180:
        return difference - 360
    return difference + 360 if difference < -180 else difference


def _mean_hue(product: float, one: float, other: float) -> float:
    """Return the mean hue in degrees (equation 14)."""
    if product == 0:
        return one + other
    if abs(one - other) <= 180:
        return (one + other) / 2
    return (one + other + (360 if one + other < 360 else -360)) / 2


def _hue_weight(hue: float) -> float:
    terms = ((-0.17, 1, -30), (0.24, 2, 0), (0.32, 3, 6), (-0.20, 4, -63))
    return 1 + sum(part * math.cos(math.radians(times * hue + by)) for part, times, by in terms)


def _spots(given: Lab) -> np.ndarray:
    try:
        spots = np.atleast_2d(np.asarray(given, dtype=float))
    except (TypeError, ValueError):
        raise MeasureError(f"{given!r} is no colour; give L*, a* and b* as numbers.") from None
    if spots.ndim != 2 or spots.shape[1] != 3 or not len(spots) or not np.isfinite(spots).all():
        raise MeasureError(f"{given!r} is no colour; give L*, a* and b* as numbers.")
    if (spots[:, 0] < 0).any() or (spots[:, 0] > 100).any() or (abs(spots[:, 1:]) > 150).any():
        raise MeasureError(
            f"{given!r} can not be a colour: L* goes from 0 to 100, a* and b* from -150 to 150."
        )
    return spots


# -- What instruments and kitchen stand-ins say of a bake: formulas with units, readings averaged.
#
# Every argument may be one reading or several of one bake; several are averaged and their spread
# is kept. A reading that can not be is refused.


GRAVITY = 9.81  # newton a kilogram, as kitchen scales are good for
_LONGEST = 2_000  # mm
_HEAVIEST = 100_000  # g


@checked_types(MeasureError)
def spread_factor(width: Given, thickness: Given) -> Reading:
    """Return how far biscuits spread: width over thickness.

    References
    ----------
    AACC method 10-50.05 (width over thickness of six cookies), as summarised by the society.

    Examples
    --------
    >>> round(spread_factor(78.4, 9.8).value, 6)
    8.0
    """
    wide = averaged("width", width, "mm", 0, _LONGEST)
    thick = averaged("thickness", thickness, "mm", 0, _LONGEST)
    return worked_out("spread factor", "", lambda w, t: w / t, wide, thick)


@checked_types(MeasureError)
def height(readings: Given) -> Reading:
    """Return the mean height of pieces, in millimetres.

    Examples
    --------
    >>> height([31, 33]).value
    32.0
    """
    return averaged("height", readings, "mm", 0, _LONGEST)


@checked_types(MeasureError)
def specific_volume(volume: Given, weight: Given) -> Reading:
    """Return millilitres a gram, from seeds displaced and the scale.

    References
    ----------
    Seed displacement, AACC method 10-05.01 (title from memory).

    Examples
    --------
    >>> specific_volume(1650, 440).value
    3.75
    """
    room = averaged("volume", volume, "ml", 0, 100_000)
    mass = averaged("weight", weight, "g", 0, _HEAVIEST)
    found = worked_out("specific volume", "ml/g", lambda v, w: v / w, room, mass)
    return _possible(found, 0.5, 20)


@checked_types(MeasureError)
def bake_loss(dough: Given, baked: Given) -> Reading:
    """Return what was lost in the oven, in per cent of the dough's weight.

    Examples
    --------
    >>> round(bake_loss(500, 440).value, 6)
    12.0
    """
    before = averaged("dough", dough, "g", 0, _HEAVIEST)
    after = averaged("baked", baked, "g", 0, _HEAVIEST)
    found = worked_out("bake loss", "%", lambda d, b: 100 * (d - b) / d, before, after)
    return _possible(found, 0, 95)


@checked_types(MeasureError)
def oil_uptake(
    raw: Given, raw_moisture: Given, fried: Given, fried_moisture: Given, *, of: str = "fried"
) -> Reading:
    """Return the oil a piece took up, from weights and moistures before and after frying.

    The change of weight alone says nothing: water lost and oil gained cancel each other.

    Examples
    --------
    >>> round(oil_uptake(60, 0.36, 63.5, 0.24).value, 1)
    15.5
    """
    parts = (
        averaged("raw weight", raw, "g", 0, _HEAVIEST),
        averaged("raw moisture", raw_moisture, "", 0, 0.95, above=False),
        averaged("fried weight", fried, "g", 0, _HEAVIEST),
        averaged("fried moisture", fried_moisture, "", 0, 0.95, above=False),
    )
    told = {"fried": lambda r, f: 100 / f, "raw": lambda r, f: 100 / r, "grams": lambda r, f: 1.0}
    if of not in told:
        raise MeasureError(f'oil uptake is told of {of!r}; expected "fried", "raw" or "grams".')
    share = told[of]
    found = worked_out(
        "oil uptake",
        "g" if of == "grams" else f"% of {of} weight",
        lambda r, mr, f, mf: (f * (1 - mf) - r * (1 - mr)) * share(r, f),
        *parts,
    )
    if found.value < 0:
        raise MeasureError(
            "less dry matter came out of the oil than went in, which can not be. Weigh the same "
            "piece before and after, and give moistures as shares from 0 to 1."
        )
    return found


@checked_types(MeasureError)
def moisture(wet: Given, dry: Given) -> Reading:
    """Return the water in a sample as a share of its weight, from drying it.

    Examples
    --------
    >>> round(moisture(10, 7.6).value, 3)
    0.24
    """
    before = averaged("wet weight", wet, "g", 0, _HEAVIEST)
    after = averaged("dry weight", dry, "g", 0, _HEAVIEST)
    return _possible(worked_out("moisture", "", lambda w, d: (w - d) / w, before, after), 0, 0.95)


@checked_types(MeasureError)
def break_force(mass: Given) -> Reading:
    """Return the force that broke a piece, from the mass that hung or stood on it.

    Examples
    --------
    >>> round(break_force([2.8, 3.0]).value, 3)
    28.449
    """
    hung = averaged("mass", mass, "kg", 0, 200)
    return worked_out("break force", "N", lambda kilograms: kilograms * GRAVITY, hung)


@checked_types(MeasureError)
def snap_stress(force: Given, span: float, width: Given, thickness: Given) -> Reading:
    """Return the stress at which a bar snaps in three-point bending.

    References
    ----------
    Textbook formula of a simply supported beam (from memory).

    Examples
    --------
    >>> round(snap_stress(28, 40, 60, 8).value, 3)
    437.5
    """
    pressed = averaged("force", force, "N", 0, 10_000)
    between = averaged("span", span, "mm", 0, _LONGEST)
    wide = averaged("width", width, "mm", 0, _LONGEST)
    thick = averaged("thickness", thickness, "mm", 0, _LONGEST)
    if thick.value >= between.value:
        raise MeasureError("the bar is thicker than the span; set the supports farther apart.")
    return worked_out(
        "snap stress",
        "kPa",
        lambda f, s, b, h: 1000 * 3 * f * s / (2 * b * h * h),
        pressed,
        between,
        wide,
        thick,
    )


def _possible(found: Reading, low: float, high: float) -> Reading:
    if not low <= found.value <= high:
        raise MeasureError(
            f"{found.name} would be {found.value:.3g} {found.unit}".rstrip()
            + f", which can not be (from {low:g} to {high:g}). Look at the weights and units again."
        )
    return found
