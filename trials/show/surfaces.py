"""Surfaces.

What is expected over two factors, which settings are as good, what one goal costs another.
"""

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke

from trials.analysis.choice import (
    FewFindings,
    Measures,
    Recommendation,
    best_setting,
    choice,
    frontier_of,
)
from trials.analysis.failing import Failure
from trials.analysis.forecast import Forecast, forecast_of
from trials.analysis.reached import baked_settings, outside
from trials.analysis.region import coded, setting_words
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.words import MOST_ZEROS, in_words, percent, rounded
from trials.core.exclusion import Exclude
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.core.plan import reference_setting
from trials.core.roles import Role
from trials.show.style import BAND, INK, PALE, STYLE, Picture, blank, blanks, colours

# -- What is expected over two factors at a time, with the bakes on top.


MOST_MAPS = 3
PLACES = 81
LINES = 7
# Pale to mid: black lines and black marks stay readable on every shade, printed in grey too
HATCH = "#555555"
SHADES = "YlGnBu"
SHADES_FROM, SHADES_TO = 0.0, 0.55


@checked_types(FitError)
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
    reference = (
        rows["role"] == Role.REFERENCE if "role" in rows else pd.Series(False, index=rows.index)
    )
    made = rows[~reference].groupby(list(pair), sort=False)["observed"]
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


# -- What one goal costs another, and which settings are as good as the chosen one.


_DIRECTION = {"higher": "more is better", "lower": "less is better"}


@checked_types(FitError)
def frontier(
    findings: FewFindings,
    measures: Measures,
    *,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
) -> Picture:
    """Draw the settings where improving one measure costs another.

    Parameters
    ----------
    findings : mapping of measure name to Findings
    measures : sequence of Measure or mapping of name to Measure
        Two or more with a goal; the first two are drawn.
    exclude, failure, failure_limit, weights, limits
        As for :func:`trials.recommend`.

    Returns
    -------
    Picture
        Pale dots are settings that another beats; the line holds those that none beats; the star is
        the recommended one.

    Raises
    ------
    FitError
        When fewer than two measures have a goal.
    """
    asked = choice(findings, measures, exclude, failure, failure_limit, weights, limits)
    table = frontier_of(asked)
    first, second = (one.measure for one in asked.forecasts[:2])
    every = asked.means(asked.candidates)
    chosen = best_setting(asked.region, asked.candidates, asked.score)[None]
    star = [float(own[0]) for own in asked.means(chosen)]
    blue = colours(1)[0]
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(6.4, 4.8)
        axes.plot(every[0], every[1], ".", color=PALE, markersize=2.5, alpha=0.5, zorder=1)
        line = "-" if len(asked.goals) == 2 else "none"
        axes.plot(
            table[first.name], table[second.name], marker="o", linestyle=line, color=blue,
            markersize=5, zorder=2, label="nothing beats these",
        )  # fmt: skip
        axes.plot(
            star[0], star[1], marker="*", linestyle="none", markersize=17, color=INK,
            markeredgecolor="white", zorder=3, label="recommended",
        )  # fmt: skip
        axes.set_xlabel(_axis(first))
        axes.set_ylabel(_axis(second))
        axes.legend(fontsize=9, frameon=False, loc="best")
    where = setting_words(asked.region.factors, asked.region.frame(chosen))
    return Picture(
        figure, _frontier_words(table, first, second, star, where), "What one goal costs another"
    )


def _axis(measure: Measure) -> str:
    goal = measure.goal
    way = _DIRECTION.get(goal, "") if isinstance(goal, str) else f"{goal[0]} {goal[1]:g}"
    return f"expected {measure.name}{measure.unit and ' in ' + measure.unit} ({way})"


def _frontier_words(
    table: pd.DataFrame, first: Measure, second: Measure, star: list[float], where: str
) -> str:
    ends = table.iloc[[0, -1]]
    return (
        f"{len(table)} settings that no other beats. At one end {first.name} "
        f"{ends[first.name].iloc[0]:.2g} with {second.name} {ends[second.name].iloc[0]:.2g}, at "
        f"the other {ends[first.name].iloc[1]:.2g} with {ends[second.name].iloc[1]:.2g}. "
        f"Recommended: "
        f"{where}, with {first.name} {star[0]:.2g} and {second.name} {star[1]:.2g}."
    )


@checked_types(FitError)
def good_region(found: Recommendation) -> Picture:
    """Draw, factor by factor, which settings are as good as the recommended one.

    Parameters
    ----------
    found : Recommendation

    Returns
    -------
    Picture
        For each factor its whole range with the good part of it; the taller, the more of the good
        settings hold it. The star is the recommended setting.

    Raises
    ------
    FitError
        When there is nothing to draw.
    """
    if not found.factors:
        raise FitError("the recommendation holds no factor.")
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.2, 0.9 + 0.62 * len(found.factors))
        for row, factor in enumerate(found.factors):
            _strip(axes, row, factor, found)
        names = [factor.name for factor in found.factors]
        axes.set_yticks(range(len(names)), names)
        axes.set_ylim(len(names) - 0.4, -0.7)
        axes.set_xlim(-0.04, 1.04)
        axes.set_xticks([])
        axes.set_xlabel("dark: as good, the taller the more often; star: recommended")
        axes.tick_params(axis="y", length=0)
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
    ranges = [f"{row.factor}: {row.good}" for row in found.good_ranges.itertuples()]
    text = (
        f"{len(found.good_settings)} settings more likely than not as good as the recommended one. "
        f"{'; '.join(ranges)}."
    )
    return Picture(figure, text, "Settings that are as good")


def _strip(axes: Axes, row: int, factor: Any, found: Recommendation) -> None:
    good = found.good_settings[factor.name].dropna()
    if isinstance(factor, Categorical):
        ends = np.linspace(0, 1, len(factor.levels) + 1)
        middles = (ends[:-1] + ends[1:]) / 2
        place = dict(zip(factor.levels, middles, strict=True))
        labels = [(place[level], factor.show(level)) for level in factor.levels]
        width = 0.9 / len(factor.levels)
    else:
        span = factor.high - factor.low
        values = sorted({factor.low, factor.high, *map(float, good)})
        place = {value: (value - factor.low) / span for value in values}
        labels = [(0.0, factor.show(factor.low)), (1.0, factor.show(factor.high))]
        width = 0.012
    axes.barh(row, 1.0, height=0.34, color=BAND, zorder=0)
    shares = good.value_counts(normalize=True)
    for value, share in shares.items():
        key = value if isinstance(factor, Categorical) else float(value)
        height = 0.34 * float(share / shares.max())
        axes.bar(
            place[key], height, width=width, bottom=row + 0.17 - height, color=colours(1)[0],
            zorder=1,
        )  # fmt: skip
    for x, label in labels:
        side = {0.0: "left", 1.0: "right"}.get(x, "center")
        axes.text(x, row + 0.2, label, fontsize=8, color=INK, ha=side, va="top")
    setting = found.settings[factor.name]
    if setting in place:
        axes.plot(place[setting], row, marker="*", markersize=14, color=INK,
                  markeredgecolor="white", zorder=3)  # fmt: skip
