"""Force over distance from a texture meter or a scale under a press: peak, area and slope."""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.integrate import trapezoid

from trials.base.errors import Place, SheetError
from trials.base.files import read_csv
from trials.base.words import number

FEWEST, MOST = 5, 200_000  # points of a curve
# Factors to newton and millimetre
_FORCE = {"n": 1.0, "kn": 1000.0, "g": 0.00981, "gf": 0.00981, "kg": 9.81, "kgf": 9.81}
_DISTANCE = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_RISE = (0.2, 0.8)  # of the peak: between them the slope is taken


@dataclass(frozen=True)
class ForceCurve:
    """What a curve of force over distance comes to.

    Parameters
    ----------
    peak : float
        Newtons, the largest force.
    distance_to_peak : float
        Millimetres from the first touch to the peak.
    area : float
        Newton millimetres (millijoules) under the curve up to the peak.
    slope : float
        Newtons a millimetre, the least-squares line between 20 and 80 % of the peak on the way up.
    points : int
    """

    peak: float
    distance_to_peak: float
    area: float
    slope: float
    points: int


def read_curve(path: str | Path) -> pd.DataFrame:
    """Read a curve that an instrument exported.

    Parameters
    ----------
    path : str or Path
        A CSV with a column whose name begins with "force" and one that begins with "distance",
        the unit in brackets: N, kN, g, gf, kg or kgf; mm, cm or m. Without a unit: N and mm.

    Returns
    -------
    DataFrame
        Columns distance (mm) and force (N), as recorded.

    Raises
    ------
    SheetError
        With its place: no such column, a unit that is not known, a cell that is no number.
    """
    path = Path(path)
    table = read_csv(path)
    curve = pd.DataFrame(
        {
            what: _column(table, what, units, path.name)
            for what, units in (("distance", _DISTANCE), ("force", _FORCE))
        }
    )
    if not FEWEST <= len(curve) <= MOST:
        raise SheetError(
            f"the curve has {len(curve)} points; expected {FEWEST} to {MOST}.", Place(path.name)
        )
    return curve


def curve_values(curve: pd.DataFrame, *, touch: float = 0.05) -> ForceCurve:
    """Return the peak of a curve, the way to it, the work and the stiffness.

    Parameters
    ----------
    curve : DataFrame
        Columns distance (mm, rising) and force (N).
    touch : float
        Newtons: where the force first passes it the probe touches, and distance is counted from
        there.

    Returns
    -------
    ForceCurve

    Raises
    ------
    SheetError
        When nothing was touched, the distance goes back before the peak, or the first point is
        the peak.

    Examples
    --------
    >>> ramp = pd.DataFrame({"distance": [0.0, 1, 2, 3, 4, 5], "force": [0.0, 2, 4, 6, 8, 1]})
    >>> curve_values(ramp)
    ForceCurve(peak=8.0, distance_to_peak=3.0, area=15.0, slope=2.0, points=6)
    """
    distance, force = (curve[name].to_numpy(float) for name in ("distance", "force"))
    at = int(np.argmax(force))
    peak = float(force[at])
    start = int(np.argmax(force > touch))
    if not peak > touch:
        raise SheetError(f"the force never passes {touch:g} N: nothing was touched.")
    if at == start:
        raise SheetError("the curve begins at its peak; record it from before the first touch.")
    way, up = distance[start : at + 1] - distance[start], force[start : at + 1]
    if (np.diff(way) < 0).any():
        raise SheetError("the distance goes back before the peak; export one press as one curve.")
    rise = (up >= _RISE[0] * peak) & (up <= _RISE[1] * peak)
    if rise.sum() < 2 or np.ptp(way[rise]) == 0:
        rise = np.ones(len(up), bool)  # a steep rise of few points: all of it
    span = way[rise] - way[rise].mean()
    if not (span**2).sum() > 0:
        raise SheetError("the distance stands still up to the peak; look at its column.")
    return ForceCurve(
        peak=peak,
        distance_to_peak=float(way[-1]),
        area=float(trapezoid(up, way)),
        slope=float((span * up[rise]).sum() / (span**2).sum()),
        points=len(force),
    )


def _column(table: pd.DataFrame, what: str, units: dict[str, float], file: str) -> pd.Series:
    names = [name for name in table.columns if name.casefold().startswith(what)]
    if len(names) != 1:
        raise SheetError(
            f'{len(names)} columns begin with "{what}"; expected one, as "{what} (N)" or so.',
            Place(file),
        )
    found = re.search(r"[(\[]\s*(\w+)\s*[)\]]", names[0])
    unit = found.group(1).casefold() if found else next(iter(units))
    if unit not in units:
        raise SheetError(
            f'the unit "{found.group(1) if found else ""}" is not known; expected one of '
            f"{', '.join(units)}.",
            Place(file, row=1, column=names[0]),
        )
    values = []
    for row, text in table[names[0]].items():
        value = number(text)
        if value is None:
            place = Place(file, row=int(str(row)), column=names[0])
            raise SheetError(f"{text!r} is no number.", place)
        values.append(value * units[unit])
    return pd.Series(values, dtype=float)
