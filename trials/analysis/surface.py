"""The shape of a fitted surface.

Slopes, bends, its peak, how sure that peak is, and the way up.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trials.analysis.draws import shares_of_best, usable
from trials.analysis.forecast import Forecast, forecast_of
from trials.analysis.region import kitchen_step, region, setting_words
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import FitError, PlanError
from trials.base.html import answer
from trials.base.words import in_words, readable, tidy_number
from trials.core.exclusion import Exclude
from trials.core.factors import Categorical, Component, Factor, Numeric, exists
from trials.core.plan import reference_setting
from trials.core.terms import real_settings
from trials.core.verdicts import CONFIDENCE

# -- A fit's second-order surface in its numbers: slopes and bends as sums of coefficients.


@dataclass(frozen=True, eq=False)
class Quadratic:
    """A second-order surface in coded numbers: constant + b'x + x'Bx, as sums of coefficients.

    Parameters
    ----------
    forecast : Forecast
    names : tuple of str
        The numeric factors, in order.
    base : ndarray, shape (factors,)
        The setting at which the numbers are 0 and the kinds are held.
    places : ndarray of int
        Where the numbers stand among all factors.
    constant : ndarray, shape (columns,)
        Weights on the model's columns; likewise `linear` (numbers, columns) and `square`
        (numbers, numbers, columns).
    """

    forecast: Forecast
    names: tuple[str, ...]
    base: np.ndarray
    places: np.ndarray
    constant: np.ndarray
    linear: np.ndarray
    square: np.ndarray

    @property
    def b(self) -> np.ndarray:
        """The slopes at the middle."""
        return self.linear @ self.forecast.mean

    @property
    def B(self) -> np.ndarray:
        """The bends: squares on the diagonal, half of each pair beside it."""
        return self.square @ self.forecast.mean

    def at(self, x: np.ndarray) -> np.ndarray:
        """Return whole settings for coded numbers, the kinds held."""
        X = np.repeat(self.base[None], len(x), axis=0)
        X[:, self.places] = x
        return X

    def real(self, x: np.ndarray) -> pd.DataFrame:
        """Return real settings for coded numbers, beyond the limits too."""
        return pd.DataFrame(real_settings(self.forecast.findings.factors, self.at(x)))


def quadratic(findings: Findings, at: Mapping[str, Any] | None = None) -> Quadratic:
    """Return the second-order surface of a fit in its numeric factors."""
    factors = findings.factors
    setting = _held(factors, at or {})
    numbers = [
        n
        for n, factor in enumerate(factors)
        if isinstance(factor, Numeric) and _is_there(factor, setting)
    ]
    if any(isinstance(factor, Component) for factor in factors):
        raise FitError("the shares of a blend have no free peak of their own; use recommend.")
    if not numbers:
        raise FitError("no factor is a number there, so there is no surface to climb.")
    _check_order(findings)
    forecast = forecast_of(findings)
    k = len(numbers)
    base = _base(factors, setting)
    units = np.eye(k)
    points = [np.zeros(k), *units, *-units]
    pairs = [(i, j) for i in range(k) for j in range(i)]
    points += [units[i] + units[j] for i, j in pairs]
    X = np.repeat(base[None], len(points), axis=0)
    X[:, numbers] = points
    rows = forecast.basis.rows(X)
    middle, up, down, both = rows[0], rows[1 : 1 + k], rows[1 + k : 1 + 2 * k], rows[1 + 2 * k :]
    square = np.zeros((k, k, rows.shape[1]))
    for i in range(k):
        square[i, i] = (up[i] + down[i]) / 2 - middle
    for (i, j), corner in zip(pairs, both, strict=True):
        square[i, j] = square[j, i] = (corner - up[i] - up[j] + middle) / 2
    return Quadratic(
        forecast=forecast,
        names=tuple(factors[n].name for n in numbers),
        base=base,
        places=np.array(numbers),
        constant=middle,
        linear=(up - down) / 2,
        square=square,
    )


def _check_order(findings: Findings) -> None:
    numbers = {factor.name for factor in findings.factors if isinstance(factor, Numeric)}
    terms = findings.averaged.terms if findings.averaged else findings.terms
    for term in terms:
        if sum(power for name, power in term.powers if name in numbers) > 2:
            raise FitError(
                f'the model holds "{term.name}", which is beyond squares and pairs, so its shape '
                "has no simple name; fit a quadratic model."
            )


def _held(factors: Sequence[Factor], at: Mapping[str, Any]) -> dict[str, Any]:
    """Return the reference setting with the kinds that are to be held."""
    names = [factor.name for factor in factors]
    for name in at:
        if name not in names:
            raise FitError(
                f'there is no factor "{name}" to hold; expected {in_words(names, "or")}.'
            )
    numbers = [f.name for f in factors if f.name in at and not isinstance(f, Categorical)]
    if numbers:
        raise FitError(
            f"at holds {in_words(numbers)}, a number; the surface runs over all numbers, so only "
            "kinds are held."
        )
    return reference_setting(factors) | dict(at)


def _is_there(factor: Factor, setting: Mapping[str, Any]) -> bool:
    """Say whether a factor has a setting at all where the kinds are held."""
    there = exists(factor, {name: [value] for name, value in setting.items()})
    return there is None or bool(there[0])


def _base(factors: Sequence[Factor], setting: Mapping[str, Any]) -> np.ndarray:
    """Return the coded setting with all numbers at 0, and 0 for what has no setting there."""
    return np.array(
        [
            float(factor.code([setting[factor.name]])[0])
            if isinstance(factor, Categorical) and _is_there(factor, setting)
            else 0.0
            for factor in factors
        ]
    )


# -- The steepest way up a surface, as bakes along it in real units.


@checked_types(FitError)
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
    >>> from trials.analysis.fitting import fit
    >>> rest, salt = [-1, 0, 1] * 3, [-1, -1, -1, 0, 0, 0, 1, 1, 1]
    >>> rows = pd.DataFrame({"rest": [40 + 20 * r for r in rest], "salt": [2 + s for s in salt]})
    >>> rows["liking"] = [7 - (r - 0.5) ** 2 - s ** 2 + 0.01 * (n % 2)
    ...                   for n, (r, s) in enumerate(zip(rest, salt))]
    >>> found = fit(rows, "liking", ["rest", "salt"], model="quadratic")
    >>> way = steepest(found, 2, reach=1)
    >>> way[["step", "rest", "inside"]].values.tolist()
    [[0, 40.0, True], [1, 50.0, True], [2, 60.0, True]]
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


# -- The shape of a fitted surface: its peak, how sure that peak is, and the way up.


PEAK, LOWEST, SADDLE, RIDGE, NO_BEND = "peak", "lowest point", "saddle", "ridge", "no bend"
SLOPE, UNSETTLED = "no peak in reach", "not settled"
DOWN, UP, LEVEL, UNKNOWN = "bends down", "bends up", "flat", "not known"
MOST_PLACES = 3000
_ROUNDING = 1e-9  # of the largest coefficient: what rounding leaves of a bend or a slope of none


@dataclass(frozen=True, eq=False)
class Canonical:
    """The shape of a surface.

    Parameters
    ----------
    shape : str
        "peak", "lowest point", "saddle", "ridge", "no peak in reach", "no bend" or "not settled".
    stationary : dict
        Where the surface is level, in real units, the kinds as held; beyond the limits too.
    coded : ndarray, shape (numbers,)
    inside : bool
        Whether that lies within the limits.
    predicted : float
        What is expected there.
    axes : DataFrame
        One row per direction, the most sharply bent down first: eigenvalue (change in the response
        half a range away), low, high (95 %), bend (in words), then the direction's share of each
        factor.
    sentences : tuple of str
    """

    shape: str
    stationary: Mapping[str, Any]
    coded: np.ndarray
    inside: bool
    predicted: float
    axes: pd.DataFrame = field(repr=False)
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        return answer(self.sentences, [readable(self.axes)])


@checked_types(FitError)
def canonical(findings: Findings, at: Mapping[str, Any] | None = None) -> Canonical:
    """Say what shape a fitted surface has: a peak, a lowest point, a saddle or a ridge.

    The eigenvalues are the bends along the surface's own axes, in coded units (low -1, high 1). A
    direction is flat when even half a range away its bend would surely change less than is worth
    noticing; an eigenvalue whose interval holds zero names no shape. Where the surface still rises
    at the edge along such a direction, there is no peak in reach, however level its bend; it is a
    ridge only where no slope worth noticing is left either.

    Parameters
    ----------
    findings : Findings
        Of a model with squares, such as "quadratic".
    at : mapping, optional
        The kinds to hold; the reference kinds when left out.

    Returns
    -------
    Canonical
        The shape, where the surface is level, its bends with their intervals, and sentences.

    Raises
    ------
    FitError
        When no factor is a number, a blend varies or the model goes beyond squares and pairs.

    References
    ----------
    Box & Wilson 1951, J. R. Stat. Soc. B 13:1-45. Errors of eigenvalues: Bisgaard & Ankenman
    1996, Technometrics 38:238-246 (each is a sum of coefficients, its direction held).

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> rest, salt = [-1, 0, 1] * 3, [-1, -1, -1, 0, 0, 0, 1, 1, 1]
    >>> rows = pd.DataFrame({"rest": [40 + 20 * r for r in rest], "salt": [2 + s for s in salt]})
    >>> rows["liking"] = [7 - (r - 0.5) ** 2 - s ** 2 + 0.01 * (n % 2)
    ...                   for n, (r, s) in enumerate(zip(rest, salt))]
    >>> found = fit(rows, "liking", ["rest", "salt"], model="quadratic")
    >>> shape = canonical(found)
    >>> shape.shape, {name: round(value) for name, value in shape.stationary.items()}
    ('peak', {'rest': 50, 'salt': 2})
    """
    made = quadratic(findings, at)
    values, vectors = np.linalg.eigh((made.B + made.B.T) / 2)
    vectors = vectors * np.where(np.abs(vectors).max(axis=0) == vectors.max(axis=0), 1.0, -1.0)
    axes = _axes(made, values, vectors)
    bends = np.einsum("iic->ic", made.square).any()
    x = -0.5 * np.linalg.pinv(made.B, rcond=1e-10, hermitian=True) @ made.b
    level = np.abs(made.b + 2 * made.B @ x).max() <= 1e-8 * max(np.abs(made.b).max(), 1e-300)
    up = _way_up(made, axes) if bends else None
    shape = _shape(axes, up) if bends else NO_BEND
    inside = bool(level and (np.abs(x) <= 1 + 1e-9).all())
    setting = made.real(x[None]).iloc[0].to_dict()
    predicted = float(made.forecast.expect(made.at(x[None]))[0])
    said = _shape_words(findings, made, shape, setting, inside, predicted, axes, up)
    return Canonical(shape, setting, x, inside, predicted, axes, said)


def _axes(made: Quadratic, values: np.ndarray, vectors: np.ndarray) -> pd.DataFrame:
    margin = made.forecast.findings.margin
    least = _ROUNDING * float(np.abs(made.forecast.mean).max())
    rows = []
    for place, value in enumerate(values):
        direction = vectors[:, place]
        weights = np.einsum("i,j,ijc->c", direction, direction, made.square)
        low, high = _interval(made.forecast, weights)
        rows.append(
            {"eigenvalue": float(value), "low": low, "high": high}
            | {"bend": _bend(low, high, margin, least)}
            | dict(zip(made.names, direction, strict=True))
        )
    return pd.DataFrame(rows)


def _interval(forecast: Forecast, weights: np.ndarray) -> tuple[float, float]:
    """Return the 95 % interval of a sum of coefficients."""
    if forecast.findings.averaged is not None:
        edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
        low, high = np.quantile(weights @ forecast.draws, edges)
        return float(low), float(high)
    if not np.any(weights):
        return 0.0, 0.0
    engine = forecast.findings.engine
    padded = np.concatenate([weights, np.zeros(len(engine.beta) - len(weights))])
    estimate, se, df = engine.estimate(padded)
    if not np.isfinite(se) or df <= 0:
        return float("nan"), float("nan")
    reach = float(stats.t.ppf((1 + CONFIDENCE) / 2, df)) * se
    return estimate - reach, estimate + reach


def _bend(low: float, high: float, margin: float | None, least: float) -> str:
    if max(abs(low), abs(high)) <= max(least, margin or 0.0):
        return LEVEL
    if high < 0:
        return DOWN
    return UP if low > 0 else UNKNOWN


@dataclass(frozen=True, eq=False)
class _WayUp:
    """What is known of the slopes along the directions that do not surely bend.

    Parameters
    ----------
    there : ndarray or None
        Where the surface rises to along one of them, coded, if a slope there is sure.
    to_the_edge : bool
        Whether it surely still rises at the edge of what was tried.
    level : bool
        Whether no slope along any of them is worth noticing.
    """

    there: np.ndarray | None
    to_the_edge: bool
    level: bool


def _way_up(made: Quadratic, axes: pd.DataFrame) -> _WayUp | None:
    """Return what is known of the slopes along directions that are flat, or not known."""
    loose = axes["bend"].isin([LEVEL, UNKNOWN]).to_numpy()
    if not loose.any():
        return None
    directions = axes[list(made.names)].to_numpy(float)
    bent = directions[~loose]
    # Where it is level along the directions that do bend, and half-way along the others
    values = axes["eigenvalue"].to_numpy(float)[~loose]
    start = np.clip(-(bent @ made.b / (2 * values)) @ bent, -1, 1)
    margin = made.forecast.findings.margin
    least = max(_ROUNDING * float(np.abs(made.forecast.mean).max()), margin or 0.0)
    measure = made.forecast.findings.measure
    sign = -1.0 if measure is not None and measure.goal == "lower" else 1.0
    sure: list[tuple[float, bool, np.ndarray]] = []
    level = True
    for direction in directions[loose]:
        low, high = _interval(made.forecast, _slope(made, start, direction))
        level &= max(abs(low), abs(high)) <= least
        if not (low > least or high < -least):
            continue
        way = direction * (sign if low > 0 else -sign)
        edge = start + _room(start, way) * way
        there = np.array(_interval(made.forecast, _slope(made, edge, way))) * sign
        sure.append((max(abs(low), abs(high)), bool(there.min() > 0), edge))
    if not sure:
        return _WayUp(None, False, level)
    _, to_the_edge, edge = max(sure, key=lambda one: one[:2])
    return _WayUp(edge, to_the_edge, level)


def _slope(made: Quadratic, x: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Return the slope at x along a direction, as a sum of coefficients."""
    return np.asarray(direction @ (made.linear + 2 * np.einsum("j,ijc->ic", x, made.square)))


def _room(x: np.ndarray, direction: np.ndarray) -> float:
    """Return how far it is from x along a direction to the edge of what was tried."""
    moving = np.abs(direction) > 1e-12
    return float(((np.sign(direction) - x)[moving] / direction[moving]).min().clip(min=0))


def _shape(axes: pd.DataFrame, up: _WayUp | None) -> str:
    bends = set(axes["bend"])
    if bends == {DOWN}:
        return PEAK
    if bends == {UP}:
        return LOWEST
    if {UP, DOWN} <= bends:
        return SADDLE
    assert up is not None
    if up.to_the_edge:
        return SLOPE
    return RIDGE if UNKNOWN not in bends and up.level else UNSETTLED


def _shape_words(
    findings: Findings,
    made: Quadratic,
    shape: str,
    setting: Mapping[str, Any],
    inside: bool,
    predicted: float,
    axes: pd.DataFrame,
    up: _WayUp | None,
) -> tuple[str, ...]:
    name = findings.response
    towards, climbs = "", "climbs"
    if up is not None and up.there is not None:
        ends = made.real(np.round(up.there, 2)[None]).iloc[0].to_dict()
        towards = setting_words(findings.factors, {key: _tidy(end) for key, end in ends.items()})
        if findings.measure is not None and findings.measure.goal == "lower":
            climbs = "falls"
    shown = {key: _tidy(value) for key, value in setting.items()}
    where = setting_words(findings.factors, shown)
    said = {
        PEAK: f"{name} has a peak at {where}, where {tidy_number(predicted, 3)} is expected.",
        LOWEST: f"{name} is lowest at {where}, where {tidy_number(predicted, 3)} is expected.",
        SADDLE: f"{name} has no single best: from {where} it rises one way and falls another "
        "(a saddle). The best lies on the edge of what was tried, or beyond.",
        RIDGE: f"{name} has several equally good settings; no single best (a ridge): along at "
        "least one direction nothing worth noticing is lost.",
        SLOPE: f"{name} shows no peak in reach: it {climbs} towards {towards}, to the edge of what "
        "was tried.",
        UNSETTLED: f"Where {name} is best is not settled: along at least one direction these bakes "
        "can not tell a bend from none, so there may be a peak or no single best."
        + (f" From the middle it {climbs} towards {towards}." if towards else ""),
        NO_BEND: f"{name} was fitted without squares, so it can show no peak: the best lies at an "
        "edge.",
    }
    sentences = [said[shape]]
    if shape in (PEAK, LOWEST) and not inside:
        sentences.append("That lies outside what was tried; move towards it before you believe it.")
    flat = axes[axes["bend"].isin([LEVEL, UNKNOWN])]
    if shape in (RIDGE, UNSETTLED) and len(flat):
        direction = flat.iloc[int(np.argmin(np.abs(flat["eigenvalue"])))][list(made.names)]
        sentences.append(f"Along that direction: {_moved_together(made, direction)}.")
    return tuple(sentences)


def _tidy(value: Any) -> Any:
    return float(f"{value:.4g}") if isinstance(value, float) else value


def _moved_together(made: Quadratic, direction: pd.Series) -> str:
    """Return a direction as changes in real units, the largest a quarter of its range."""
    known = {factor.name: factor for factor in made.forecast.findings.factors}
    scale = 0.5 / np.abs(direction.to_numpy(dtype=float)).max()
    words = []
    for name in made.names:
        factor = known[name]
        assert isinstance(factor, Numeric)
        change = float(direction[name]) * scale * (factor.high - factor.low) / 2
        if abs(float(direction[name])) * scale >= 0.05:
            sign = "+" if change > 0 else ""
            words.append(
                f"{name} {sign}{tidy_number(change, 2)}{factor.unit and ' ' + factor.unit}"
            )
    return in_words(words) + (" together" if len(words) > 1 else "")


@checked_types(FitError)
def peak_region(
    findings: Findings,
    *,
    at: Mapping[str, Any] | None = None,
    exclude: Exclude = None,
    level: float = CONFIDENCE,
) -> pd.DataFrame:
    """Return the settings where the peak may be.

    Where errors are measured: all settings at which "the surface is level here" is not refuted
    (Box & Hunter 1954). Where explanations are averaged, or no error is known, by joint draws: the
    settings that were the best in most draws, until they make up `level` of all. Settings that are
    alike in a draw share it, so where nothing is known to matter the region is all of it.

    Parameters
    ----------
    findings : Findings
    at : mapping, optional
        The kinds to hold; the reference kinds when left out.
    exclude : optional
        As for `recommend`.
    level : float
        How sure that the region holds the peak.

    Returns
    -------
    DataFrame
        A column per factor, estimate, and `p` (how well a level surface there agrees with the
        bakes) or `chance_best`; attrs["method"] says which way was taken. Empty when no setting
        within the limits can be the peak.

    Raises
    ------
    FitError
        As for :func:`canonical`.
    PlanError
        When every setting is excluded.

    References
    ----------
    Box & Hunter 1954, Biometrika 41:190-199.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> rest, salt = [-1, 0, 1] * 3, [-1, -1, -1, 0, 0, 0, 1, 1, 1]
    >>> rows = pd.DataFrame({"rest": [40 + 20 * r for r in rest], "salt": [2 + s for s in salt]})
    >>> rows["liking"] = [7 - (r - 0.5) ** 2 - s ** 2 + 0.01 * (n % 2)
    ...                   for n, (r, s) in enumerate(zip(rest, salt))]
    >>> found = fit(rows, "liking", ["rest", "salt"], model="quadratic")
    >>> bool(peak_region(found)["rest"].between(45, 55).all())
    True
    """
    if not 0 < level < 1:
        raise FitError(f"level is {level}; between 0 and 1 is expected, such as 0.95.")
    made = quadratic(findings, at)
    looked = region(findings.factors, exclude)
    X = looked.grid(MOST_PLACES * 3)
    kinds = np.setdiff1d(np.arange(len(findings.factors)), made.places)
    X = X[(X[:, kinds] == made.base[kinds]).all(axis=1)]
    if not len(X):
        raise PlanError(
            "every setting with the kinds that are held is excluded, so the peak can lie nowhere. "
            "Look at exclude, or hold other kinds."
        )
    table = looked.frame(X).assign(estimate=made.forecast.expect(X))
    goal = findings.measure.goal if findings.measure else None
    if findings.averaged is None and usable(findings.engine, len(made.constant)):
        p = level_here(made, X[:, made.places])
        kept = table.assign(p=p)[p >= 1 - level].sort_values("p", ascending=False, kind="stable")
        kept.attrs["method"] = "Box and Hunter: a level surface is not refuted there"
    else:
        drawn = made.forecast.drawn(X)
        share = shares_of_best(-drawn if goal == "lower" else drawn)
        kept = table.assign(chance_best=share).iloc[_likeliest(share, level)]
        kept.attrs["method"] = "joint draws: the best setting in that share of them"
    method = kept.attrs["method"]
    kept = kept.reset_index(drop=True)
    kept.attrs["method"] = method
    return kept


def _likeliest(share: np.ndarray, level: float) -> np.ndarray:
    """Return the places that make up a share of all draws, the likeliest first, ties and all."""
    order = np.argsort(-np.round(share, 12), kind="stable")
    enough = int(np.argmax(np.cumsum(share[order]) >= level - 1e-12))
    return order[share[order] >= share[order[enough]] - 1e-12]


def level_here(made: Quadratic, x: np.ndarray) -> np.ndarray:
    """Return the p value of "the surface is level here" at coded numbers.

    The slopes at a fixed place are sums of coefficients, so their F test is exact where all are
    judged against one error; where numbers are judged against different units the fewest degrees
    of freedom are used.
    """
    found = made.forecast.findings
    columns = len(made.constant)
    cov = found.engine.cov[:columns, :columns]
    finite = found.level_df[np.isfinite(found.level_df) & (found.level_df > 0)]
    df = float(finite.min()) if len(finite) else float("inf")
    weights = made.linear[None] + 2 * np.einsum("pj,ijc->pic", x, made.square)
    slopes = weights @ made.forecast.mean
    spread = np.einsum("pic,cd,pjd->pij", weights, cov, weights)
    k = x.shape[1]
    F = np.einsum("pi,pij,pj->p", slopes, np.linalg.pinv(spread, hermitian=True), slopes) / k
    return stats.f.sf(F, k, df) if np.isfinite(df) else stats.chi2.sf(F * k, k)
