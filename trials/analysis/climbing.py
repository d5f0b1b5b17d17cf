"""The steepest way up a surface, as bakes along it in real units."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize

from trials.analysis.kitchen_settings import kitchen_step
from trials.analysis.quadratic import Quadratic, quadratic
from trials.analysis.results import Findings
from trials.analysis.verdicts import CONFIDENCE
from trials.errors import FitError
from trials.factors import Numeric


def steepest(
    findings: Findings,
    steps: int = 5,
    *,
    reach: float = 1.5,
    at: Mapping[str, Any] | None = None,
    downhill: bool | None = None,
    exact: bool = False,
) -> pd.DataFrame:
    """Return bakes along the steepest way up from the middle.

    Without bends the way is straight; with them it is the best setting at each distance from the
    middle, which bends as the surface does.

    Parameters
    ----------
    findings : Findings
    steps : int
        How many bakes, evenly spaced, the middle not counted.
    reach : float
        How far from the middle the last one lies, in half-ranges.
    at : mapping, optional
        The kinds to hold; the reference kinds when left out.
    downhill : bool, optional
        The way down; when left out, as the measure's goal says.
    exact : bool
        Do not round the settings; else to a factor's own step, or a hundred and fiftieth of its
        range.

    Returns
    -------
    DataFrame
        step, distance (half-ranges), a column per factor in real units, estimate, low, high
        (95 %, for the mean of many bakes) and inside (the limits that were tried).

    Raises
    ------
    FitError
        When the surface is level at the middle, or has no numbers to move.

    References
    ----------
    Box & Wilson 1951, J. R. Stat. Soc. B 13:1-45; Draper 1963, Technometrics 5:469-479 (ridge
    analysis).

    Examples
    --------
    >>> steepest.__name__
    'steepest'
    """
    if not (isinstance(steps, int) and steps >= 1) or not reach > 0:
        raise FitError("steps must be a whole number from 1, and reach above 0.")
    made = quadratic(findings, at)
    measure = findings.measure
    down = (measure is not None and measure.goal == "lower") if downhill is None else downhill
    sign = -1.0 if down else 1.0
    if np.abs(made.b).max() <= 1e-12 * max(np.abs(made.forecast.mean).max(), 1e-300):
        raise FitError("the surface is level at the middle, so no way up is steeper than another.")
    distances = np.linspace(0, reach, steps + 1)
    x = np.array([best_at_distance(sign * made.b, sign * made.B, r) for r in distances])
    x = x if exact else _rounded(made, x)
    table = made.real(x)
    found = findings.predict(table) if findings.averaged is None else _drawn(made, x)
    return table.assign(
        estimate=made.forecast.expect(made.at(x)),
        low=found["low"],
        high=found["high"],
        inside=(np.abs(x) <= 1 + 1e-9).all(axis=1),
    ).pipe(lambda frame: pd.concat([_labels(distances), frame], axis=1))


def _rounded(made: Quadratic, x: np.ndarray) -> np.ndarray:
    """Return coded numbers whose real settings are round; beyond the limits too."""
    factors = [made.forecast.findings.factors[place] for place in made.places]
    columns = []
    for own, factor in zip(x.T, factors, strict=True):
        assert isinstance(factor, Numeric)
        start = factor.low if factor.step else 0.0
        step = factor.step or kitchen_step(factor.high - factor.low) / 10
        steps = np.round((factor.decode(own) - start) / step)
        columns.append(factor.code([float(f"{start + n * step:.12g}") for n in steps]))
    return np.column_stack(columns)


def _labels(distances: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame({"step": range(len(distances)), "distance": distances})


def _drawn(made: Quadratic, x: np.ndarray) -> pd.DataFrame:
    edges = [(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2]
    low, high = np.quantile(made.forecast.drawn(made.at(x)), edges, axis=1)
    return pd.DataFrame({"low": low, "high": high})


def best_at_distance(b: np.ndarray, B: np.ndarray, radius: float) -> np.ndarray:
    """Return the x of a given length that makes b'x + x'Bx largest.

    References
    ----------
    Draper 1963, Technometrics 5:469-479: x = -(B - mu I)^-1 b / 2 with mu above every
    eigenvalue of B.

    Examples
    --------
    >>> best_at_distance(np.array([3.0, 4.0]), np.zeros((2, 2)), 1.0)
    array([0.6, 0.8])
    """
    if radius == 0:
        return np.zeros_like(b)
    values, vectors = np.linalg.eigh(B)
    along = vectors.T @ b
    top, size = values[-1], float(np.linalg.norm(b))

    def length(mu: float) -> float:
        return float(np.linalg.norm(along / (2 * (mu - values)))) - radius

    scale = max(size, float(np.abs(values).max()))
    near, far = top + 1e-10 * scale, top + size / (2 * radius) + 1e-10 * scale
    if length(near) <= 0:
        # The steepest bend has no slope of its own: what length is left goes along it
        x = vectors @ np.where(values < top - 1e-9 * scale, along / (2 * (near - values)), 0)
        return x + vectors[:, -1] * np.sqrt(max(radius**2 - x @ x, 0.0))
    mu = near if length(far) >= 0 else optimize.brentq(length, near, far, xtol=1e-14 * scale)
    if length(far) >= 0:
        mu = far
    x = vectors @ (along / (2 * (mu - values)))
    return x * radius / np.linalg.norm(x)
