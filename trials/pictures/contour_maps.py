"""What is expected over two factors at a time, with the bakes on top."""

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke

from trials.analysis.forecast import Forecast, forecast_of
from trials.analysis.reached import baked_settings, outside
from trials.analysis.region import coded, setting_words
from trials.analysis.results import Findings
from trials.analysis.verdicts import MOST_ZEROS, rounded
from trials.design.plan import reference_setting
from trials.errors import FitError
from trials.factors import Numeric
from trials.pictures.picture import INK, STYLE, Picture, blanks
from trials.tables import in_words, percent

MOST_MAPS = 3
PLACES = 81
LINES = 7
# Pale to mid: black lines and black marks stay readable on every shade, printed in grey too
HATCH = "#555555"
SHADES = "YlGnBu"
SHADES_FROM, SHADES_TO = 0.0, 0.55


def contours(
    findings: Findings,
    pairs: Sequence[tuple[str, str]] | None = None,
    at: Mapping[str, Any] | None = None,
) -> Picture:
    """Draw what is expected over pairs of factors, the others held.

    Parameters
    ----------
    findings : Findings
    pairs : sequence of (str, str), optional
        Numeric factors to draw together; when left out, those that change the response most.
    at : mapping, optional
        Where the other factors are held, such as the settings of a recommendation (then marked with
        a star); the reference setting when left out.

    Returns
    -------
    Picture
        Lines of equal expected response; dots are the bakes, with their mean score, crosses those
        that failed; hatched is where no bake reaches, so that the model only guesses.

    Raises
    ------
    FitError
        When there are no two numbers to draw, or a name is none.

    References
    ----------
    Box & Wilson 1951, J. R. Stat. Soc. B 13:1-45 (contours of a response surface).

    Examples
    --------
    >>> contours.__name__
    'contours'
    """
    held = reference_setting(findings.factors) | dict(at or {})
    known = {factor.name: factor for factor in findings.factors}
    for name in held:
        if name not in known:
            raise FitError(
                f'there is no factor "{name}" to hold; expected {in_words(known, "or")}.'
            )
    chosen = [_checked(pair, known) for pair in pairs] if pairs else _strongest(findings, held)
    if not chosen:
        raise FitError("a contour map needs two factors that are numbers.")
    forecast = forecast_of(findings)
    grids = [_grid(forecast, pair, held) for pair in chosen]
    every = np.concatenate([grid.ravel() for _, _, grid in grids])
    # A surface without slope has one level only, and two that differ are needed
    room = 1e-9 * (np.abs(every).max() or 1.0)
    levels = np.linspace(every.min(), every.max() + room, LINES + 2)
    with matplotlib.rc_context(STYLE):
        figure, axes = blanks(len(chosen), 4.6, 4.3)
        said = [
            _map(one, findings, pair, grid, levels, held if at else None)
            for one, pair, grid in zip(axes, chosen, grids, strict=True)
        ]
        below = f"Lines: {findings.response} expected.\n{_held_words(findings, chosen, held)}"
        figure.supxlabel(below, fontsize=9, color=INK)
    title = f"What is expected of {findings.response}"
    return Picture(figure, " ".join(said) + f" {_held_words(findings, chosen, held)}", title)


def _checked(pair: tuple[str, str], known: Mapping[str, Any]) -> tuple[str, str]:
    for name in pair:
        if name not in known:
            raise FitError(f'there is no factor "{name}"; expected {in_words(known, "or")}.')
        if not isinstance(known[name], Numeric):
            raise FitError(f'"{name}" is not a number that stands alone, so it has no contour map.')
    if pair[0] == pair[1]:
        raise FitError(f'a map needs two different factors; "{pair[0]}" is named twice.')
    return pair[0], pair[1]


def _strongest(findings: Findings, held: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the pairs over which the expectation varies most."""
    numbers = [f.name for f in findings.factors if isinstance(f, Numeric) and not f.only_when]
    forecast = forecast_of(findings)
    spread = {
        pair: float(np.ptp(_grid(forecast, pair, held, 9)[2])) for pair in combinations(numbers, 2)
    }
    return sorted(spread, key=lambda pair: -round(spread[pair], 9))[:MOST_MAPS]


def _grid(
    forecast: Forecast, pair: tuple[str, str], held: Mapping[str, Any], places: int = PLACES
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return coded values of both factors and what is expected there."""
    factors = forecast.findings.factors
    names = [factor.name for factor in factors]
    x, y = np.meshgrid(*(_reach(forecast.findings, name, places) for name in pair))
    X = np.repeat(coded(factors, held), x.size, axis=0)
    X[:, names.index(pair[0])], X[:, names.index(pair[1])] = x.ravel(), y.ravel()
    return x, y, forecast.expect(X).reshape(x.shape)


def _reach(findings: Findings, name: str, places: int) -> np.ndarray:
    """Return coded values over a factor's limits, and as far beyond as was baked."""
    factor = next(one for one in findings.factors if one.name == name)
    baked = factor.code(baked_settings(findings)[name].dropna())
    return np.linspace(min(-1.0, float(baked.min())), max(1.0, float(baked.max())), places)


def _map(
    axes: Axes,
    findings: Findings,
    pair: tuple[str, str],
    grid: tuple[np.ndarray, np.ndarray, np.ndarray],
    levels: np.ndarray,
    chosen: Mapping[str, Any] | None,
) -> str:
    first, second = (next(f for f in findings.factors if f.name == name) for name in pair)
    assert isinstance(first, Numeric)
    assert isinstance(second, Numeric)
    x, y, values = grid
    horizontal, vertical = first.decode(x), second.decode(y)
    base = matplotlib.colormaps[SHADES](np.linspace(SHADES_FROM, SHADES_TO, len(levels) - 1))
    axes.contourf(horizontal, vertical, values, levels=levels, colors=base, zorder=0)
    lines = axes.contour(
        horizontal, vertical, values, levels=levels[1:-1], colors=INK, linewidths=0.9, zorder=2
    )
    digits = _decimals(levels)
    axes.clabel(lines, fmt=lambda value: rounded(value, digits), fontsize=8)
    beyond = _beyond(findings, pair, grid)
    if beyond.any():
        with matplotlib.rc_context({"hatch.color": HATCH, "hatch.linewidth": 0.8}):
            axes.contourf(
                horizontal, vertical, beyond.astype(float), levels=[0.5, 1.5], colors="none",
                hatches=["////"], zorder=1,
            )  # fmt: skip
    failed = _failed(axes, findings, pair)
    handles = [Patch(facecolor="white", edgecolor=HATCH, hatch="////", label="beyond the bakes")]
    shown = (handles if beyond.any() else []) + failed
    if shown:
        axes.legend(
            handles=shown, loc="lower left", bbox_to_anchor=(0.05, 1.03), ncols=2, fontsize=8,
            frameon=False, markerscale=0.6,
        )  # fmt: skip
    _bakes(axes, findings, pair, digits)
    if chosen is not None:
        spot = [float(chosen[name]) for name in pair]
        axes.plot(
            *spot, marker="*", markersize=15, color=INK, markeredgecolor="white", zorder=5,
            clip_on=False,
        )  # fmt: skip
    axes.set_xlabel(f"{first.name}{first.unit and f' ({first.unit})'}")
    axes.set_ylabel(f"{second.name}{second.unit and f' ({second.unit})'}")
    return _words(findings, first, second, grid, beyond, digits)


def _decimals(levels: np.ndarray) -> int:
    """Return the decimals at which neighbouring lines read apart; whole numbers stay whole."""
    digits = int(np.ceil(-np.log10(levels[1] - levels[0])))
    return max(digits, 0) if digits >= MOST_ZEROS else digits


def _beyond(
    findings: Findings, pair: tuple[str, str], grid: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> np.ndarray:
    baked = baked_settings(findings)[list(pair)].dropna()
    known = {factor.name: factor for factor in findings.factors}
    points = np.column_stack([known[name].code(baked[name]) for name in pair])
    x, y, _ = grid
    return outside(points, np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape)


def _failed(axes: Axes, findings: Findings, pair: tuple[str, str]) -> list[Any]:
    """Cross the settings at which bakes failed; return what a legend shows of them."""
    lost = findings.failed
    if not len(lost) or not set(pair) <= set(lost):
        return []
    spots = lost[lost["status"] != "not baked"][list(pair)].dropna().drop_duplicates()
    return axes.plot(
        spots[pair[0]], spots[pair[1]], linestyle="none", marker="x", markersize=13, color=INK,
        markeredgewidth=1.8, zorder=2.5, clip_on=False, label="a bake failed",
    )  # fmt: skip


def _bakes(axes: Axes, findings: Findings, pair: tuple[str, str], digits: int) -> None:
    rows = findings.residuals
    control = rows["role"] == "control" if "role" in rows else pd.Series(False, index=rows.index)
    made = rows[~control].groupby(list(pair), sort=False)["observed"]
    spots = made.agg(["mean", "size"]).reset_index()
    axes.plot(
        spots[pair[0]],
        spots[pair[1]],
        linestyle="none",
        marker="o",
        markersize=6,
        markerfacecolor="white",
        markeredgecolor=INK,
        zorder=3,
        clip_on=False,
    )
    for spot in spots.itertuples(index=False):
        axes.annotate(
            rounded(spot[2], digits),
            (spot[0], spot[1]),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
            fontsize=8,
            fontweight="bold",
            color=INK,
            zorder=4,
            annotation_clip=False,
            path_effects=[withStroke(linewidth=2.2, foreground="white")],
        )


def _held_words(
    findings: Findings, chosen: Sequence[tuple[str, str]], held: Mapping[str, Any]
) -> str:
    """Return where the factors are held that are not on every map."""
    shared = set(chosen[0]).intersection(*map(set, chosen)) if len(chosen) == 1 else set()
    others = [factor for factor in findings.factors if factor.name not in shared]
    if not others:
        return ""
    where = "Held where not drawn" if len(chosen) > 1 else "Held"
    return f"{where}: {setting_words(others, held)}."


def _words(
    findings: Findings,
    first: Numeric,
    second: Numeric,
    grid: tuple[np.ndarray, np.ndarray, np.ndarray],
    beyond: np.ndarray,
    digits: int,
) -> str:
    x, y, values = grid
    known = np.where(beyond, np.nan, values)
    if np.isnan(known).all():
        known = values
    ends = []
    for place in (int(np.nanargmax(known)), int(np.nanargmin(known))):
        spots = [
            factor.show(float(f"{factor.decode([axis.flat[place]])[0]:.4g}"))
            for factor, axis in ((first, x), (second, y))
        ]
        value = rounded(values.flat[place], digits)
        ends.append(f"{value} at {first.name} {spots[0]} and {second.name} {spots[1]}")
    hatched = f" {percent(beyond.mean())} of the map is beyond the bakes." if beyond.any() else ""
    return (
        f"{findings.response} over {first.name} and {second.name}: highest {ends[0]}, lowest "
        f"{ends[1]}.{hatched}"
    )
