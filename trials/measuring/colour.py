"""Differences of colour between two crusts, measured as L*, a*, b*."""

import math
from collections.abc import Sequence

import numpy as np

from trials.errors import MeasureError
from trials.measuring.readings import Reading

Lab = Sequence[float] | Sequence[Sequence[float]]
_FAR = 25.0**7


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
