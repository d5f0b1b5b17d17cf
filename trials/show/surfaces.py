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
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from trials.analysis.choice import (
    Choice,
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
from trials.base.words import MOST_ZEROS, in_words, percent, rounded, tidy_number
from trials.core.exclusion import Exclude
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.core.plan import reference_setting
from trials.core.roles import Role
from trials.show.style import (
    BANDED,
    INK,
    NARROW,
    PALE,
    SMALL,
    SMALL_LETTERS,
    STAR,
    STYLE,
    WIDE,
    Picture,
    blanks,
    both,
    colours,
    folded,
    foot,
    stage,
)

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
    *,
    ax: Axes | None = None,
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
    ax : matplotlib Axes, optional
        Where to draw one pair, the first; a figure of its own when left out.

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
    said: list[str] = []
    where = _held_words(findings, chosen, held)

    def draw(phone: bool) -> Figure:
        said.clear()
        shown: dict[str, Any] = {}
        if ax is not None:
            with stage(ax, 0, 0) as (figure, _):
                said.append(
                    _map(ax, findings, chosen[0], grids[0], levels, held if at else None, shown)
                )
                foot(figure, tuple(shown.values()), ax=ax)
            return figure
        width = NARROW if phone else WIDE / 2 if len(chosen) > 1 else 5.6
        figure, panels = blanks(len(chosen), width, 3.1 if phone else 3.6, 1 if phone else 2)
        with matplotlib.rc_context(STYLE):
            for one, pair, grid in zip(panels, chosen, grids, strict=True):
                kept = held if at else None
                said.append(_map(one, findings, pair, grid, levels, kept, shown))
            foot(figure, tuple(shown.values()), where)
        return figure

    wide, narrow = both(draw, ax)
    title = f"What is expected of {findings.response}"
    return Picture(wide, f"{' '.join(said)} {where}".strip(), title, narrow, ax)


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
    shown: dict[str, Any],
) -> str:
    """Draw one map, and add to `shown` what explains its marks."""
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
    line = f"line: {findings.response} expected"
    shown.setdefault("line", Line2D([], [], color=INK, linewidth=0.9, label=line))
    beyond = _beyond(findings, pair, grid)
    if beyond.any():
        with matplotlib.rc_context({"hatch.color": HATCH, "hatch.linewidth": 0.8}):
            axes.contourf(
                horizontal, vertical, beyond.astype(float), levels=[0.5, 1.5], colors="none",
                hatches=["////"], zorder=1,
            )  # fmt: skip
        hatched = "hatched: beyond the bakes, only guessed"
        shown["beyond"] = Patch(facecolor="white", edgecolor=HATCH, hatch="////", label=hatched)
    ends = [(float(one.min()), float(one.max())) for one in (horizontal, vertical)]
    marks = _failed(axes, findings, pair, shown)
    spot = (float(chosen[pair[0]]), float(chosen[pair[1]])) if chosen is not None else None
    marks += _bakes(axes, findings, pair, digits, shown, spot)
    if spot is not None:
        axes.plot(*spot, zorder=5, clip_on=False, **STAR)
        told = "star: the setting that was asked for"
        shown["star"] = Line2D([], [], linestyle="none", label=told, **STAR)
        marks.append(spot)
    _frame(axes, findings, pair, ends)
    _name_levels(axes, lines, marks, ends, digits)
    axes.set_xlabel(folded(f"{first.name}{first.unit and f' ({first.unit})'}", 34))
    axes.set_ylabel(folded(f"{second.name}{second.unit and f' ({second.unit})'}", 34))
    return _words(findings, first, second, grid, beyond, digits)


MARGIN = 0.1  # of a map's width and height, around it, for bakes at its corners
MOST_TICKS = 5


def _frame(
    axes: Axes,
    findings: Findings,
    pair: tuple[str, str],
    ends: Sequence[tuple[float, float]],
) -> None:
    """Give the map a margin, and ticks at its ends and where bakes lie."""
    for side, name, (low, high) in zip("xy", pair, ends, strict=True):
        room = MARGIN * (high - low)
        getattr(axes, f"set_{side}lim")(low - room, high + room)
        baked = sorted(set(baked_settings(findings)[name].dropna().round(9)))
        if len(baked) > MOST_TICKS:
            inner = MaxNLocator(4).tick_values(low, high)
            baked = [one for one in inner if low + room < one < high - room]
        ticks = sorted({low, high, *map(float, baked)})
        getattr(axes, f"set_{side}ticks")(ticks, [tidy_number(one, 4) for one in ticks])
        axes.spines["bottom" if side == "x" else "left"].set_bounds(low, high)


def _name_levels(
    axes: Axes,
    lines: Any,
    marks: Sequence[tuple[float, float]],
    ends: Sequence[tuple[float, float]],
    digits: int,
) -> None:
    """Write each line's number on it, where it is farthest from bakes, edges and other numbers."""
    low = np.array([end[0] for end in ends])
    span = np.array([end[1] - end[0] for end in ends])
    # A bake's number stands above its dot, so both are kept clear of
    taken = [(np.array(mark) - low) / span for mark in marks]
    taken += [one + np.array([0, 0.05]) for one in taken]
    for level, paths in zip(lines.levels, lines.allsegs, strict=True):
        spots = np.vstack([(one - low) / span for one in paths]) if paths else np.zeros((0, 2))
        spots = spots[((spots > 0.05) & (spots < 0.95)).all(axis=1)]
        if not len(spots):
            continue
        edge = 2 * np.minimum(spots, 1 - spots).min(axis=1)
        near = [np.hypot(*((spots - one) * (0.8, 1.4)).T) for one in taken]
        free = np.minimum.reduce([edge, *near])
        best = int(np.argmax(free))
        if free[best] < LEAST_ROOM:
            continue
        taken.append(spots[best])
        across, up = map(float, low + spots[best] * span)
        axes.text(
            across, up, rounded(level, digits), fontsize=SMALL, color=INK,
            ha="center", va="center", zorder=4, bbox=PLATE,
        )  # fmt: skip


# Behind a number: a line that shows between its digits would read as a colon
PLATE: dict[str, Any] = {"boxstyle": "square,pad=0.05", "facecolor": "white", "edgecolor": "none"}
LEAST_ROOM = 0.1  # of a map, between a line's number and whatever else is written


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


def _failed(
    axes: Axes, findings: Findings, pair: tuple[str, str], shown: dict[str, Any]
) -> list[tuple[float, float]]:
    """Cross the settings at which bakes failed; return where."""
    lost = findings.failed
    if not len(lost) or not set(pair) <= set(lost):
        return []
    spots = lost[lost["status"] != "not baked"][list(pair)].dropna().drop_duplicates()
    look: dict[str, Any] = {
        "linestyle": "none",
        "marker": "x",
        "color": INK,
        "markeredgewidth": 1.8,
    }
    axes.plot(spots[pair[0]], spots[pair[1]], markersize=13, zorder=2.5, clip_on=False, **look)
    shown["failed"] = Line2D([], [], markersize=8, label="a bake failed", **look)
    return [(float(a), float(b)) for a, b in spots.to_numpy()]


def _bakes(
    axes: Axes,
    findings: Findings,
    pair: tuple[str, str],
    digits: int,
    shown: dict[str, Any],
    star: tuple[float, float] | None,
) -> list[tuple[float, float]]:
    """Draw the settings that were baked, with their mean scores; return where."""
    rows = findings.residuals
    reference = (
        rows["role"] == Role.REFERENCE if "role" in rows else pd.Series(False, index=rows.index)
    )
    made = rows[~reference].groupby(list(pair), sort=False)["observed"]
    spots = made.agg(["mean", "size"]).reset_index()
    look: dict[str, Any] = {
        "linestyle": "none",
        "marker": "o", "markersize": 6, "markerfacecolor": "white",
            "markeredgecolor": INK}  # fmt: skip
    axes.plot(spots[pair[0]], spots[pair[1]], zorder=4.5, clip_on=False, **look)
    shown["bakes"] = Line2D([], [], label="baked there, with the mean score", **look)
    for spot in spots.itertuples(index=False):
        axes.annotate(
            rounded(spot[2], digits),
            (spot[0], spot[1]),
            xytext=(0, 10 if star == (spot[0], spot[1]) else 5),
            textcoords="offset points",
            ha="center",
            fontsize=SMALL,
            fontweight="bold",
            color=INK,
            zorder=4,
            annotation_clip=False,
            bbox=PLATE,
        )
    return [(float(spot[0]), float(spot[1])) for spot in spots.itertuples(index=False)]


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
    ax: Axes | None = None,
) -> Picture:
    """Draw the settings where improving one measure costs another.

    Parameters
    ----------
    findings : mapping of measure name to Findings
    measures : sequence of Measure or mapping of name to Measure
        Two or more with a goal; the first two are drawn.
    exclude, failure, failure_limit, weights, limits
        As for :func:`trials.recommend`.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        The line holds the settings that none beats, and ends where going on would gain less than
        is worth noticing; its ends and the star, the recommended setting, have 95 % intervals;
        rings are the bakes so far.

    Raises
    ------
    FitError
        When fewer than two measures have a goal.
    """
    asked = choice(findings, measures, exclude, failure, failure_limit, weights, limits)
    table = frontier_of(asked)
    first, second = (one.measure for one in asked.forecasts[:2])
    chosen = best_setting(asked.region, asked.candidates, asked.score)[None]
    star = [float(own[0]) for own in asked.means(chosen)]
    worth = worth_trading(table, asked, chosen)
    where = setting_words(asked.region.factors, asked.region.frame(chosen))

    def draw(phone: bool) -> Figure:
        with stage(ax, NARROW if phone else 6.4, 3.2 if phone else 3.8) as (figure, axes):
            handles = _frontier_lines(axes, worth, asked, chosen)
            axes.set_xlabel(folded(_axis(first), 38))
            axes.set_ylabel(folded(_axis(second), 36))
            axes.margins(0.08)
            foot(figure, handles, _trade_words(worth, asked), ax)
        return figure

    wide, narrow = both(draw, ax)
    said = _frontier_words(worth, first, second, star, where)
    return Picture(wide, said, "What one goal costs another", narrow, ax)


def worth_trading(table: pd.DataFrame, asked: Choice, chosen: np.ndarray) -> pd.DataFrame:
    """Return the part of a frontier along which a goal still gains what is worth noticing.

    At either end the setting is taken that comes within what is worth noticing of the best of one
    goal and costs the other least; beyond it the line would fall for no gain. It reaches the chosen
    setting in any case. Nothing is left where all that is gained is too little to notice.
    """
    if len(asked.goals) != 2:
        return table
    one, other = (goal.loss(table[goal.name].to_numpy()) for goal in asked.goals)
    near_one = np.flatnonzero(one <= one.min() + asked.goals[0].notice + 1e-12)
    near_other = np.flatnonzero(other <= other.min() + asked.goals[1].notice + 1e-12)
    first = near_one[np.argmin(other[near_one])]
    last = near_other[np.argmin(one[near_other])]
    if one[first] >= one[last] or other[last] >= other[first]:
        return table.iloc[:0]
    here = asked.losses(chosen)[0]
    low = np.minimum([one[first], other[last]], here) - 1e-12
    high = np.maximum([one[last], other[first]], here) + 1e-12
    losses = np.column_stack([one, other])
    return table[((losses >= low) & (losses <= high)).all(axis=1)]


def _frontier_lines(
    axes: Axes, worth: pd.DataFrame, asked: Choice, chosen: np.ndarray
) -> list[Any]:
    """Draw bakes, line, ends and star; return what explains them."""
    first, second = (one.measure.name for one in asked.forecasts[:2])
    blue, handles = colours(1)[0], []
    bakes = _both_scored(asked)
    if len(bakes):
        handles += axes.plot(
            bakes[first], bakes[second], "o", markersize=5, markerfacecolor="white",
            markeredgecolor=PALE, zorder=1, label="a bake so far",
        )  # fmt: skip
    lined = len(asked.goals) == 2
    if len(worth):
        handles += axes.plot(
            worth[first], worth[second], color=blue, linewidth=2.4, zorder=3,
            linestyle="-" if lined else "none", marker="" if lined else "o", markersize=5,
            label="nothing beats these",
        )  # fmt: skip
    names = [factor.name for factor in asked.region.factors]
    ends = worth[names].iloc[[0, -1]] if lined and len(worth) else worth[names].iloc[:0]
    points = [(coded(asked.region.factors, row), row, False) for row in ends.to_dict("records")]
    own = asked.region.frame(chosen)
    points.append((chosen, own.iloc[0].to_dict(), True))
    for X, row, is_star in points:
        found = [
            one.intervals(X, pd.DataFrame([row])[[f.name for f in one.findings.factors]], at)
            for at, one in enumerate(asked.forecasts[:2])
        ]
        _crossed(axes, found, is_star, blue)
    handles.append(Line2D([], [], linestyle="none", label="recommended", **STAR))
    handles.append(Line2D([], [], color=INK, linewidth=1, label="cross: likely range (95 %)"))
    return handles


def _crossed(axes: Axes, found: Sequence[Mapping[str, float]], is_star: bool, tint: Any) -> None:
    x, y = (one["estimate"] for one in found)
    reach = [
        [[max(one["estimate"] - one["low"], 0)], [max(one["high"] - one["estimate"], 0)]]
        if np.isfinite(one["low"])
        else None
        for one in found
    ]
    axes.errorbar(
        x, y, xerr=reach[0], yerr=reach[1], fmt="*" if is_star else "s",
        markersize=15 if is_star else 6, color=INK if is_star else tint,
        markeredgecolor="white" if is_star else tint, ecolor=INK if is_star else tint,
        elinewidth=1, capsize=2, zorder=5 if is_star else 4,
    )  # fmt: skip


def _both_scored(asked: Choice) -> pd.DataFrame:
    """Return the mean scores of the bakes for which both measures are known."""
    means = []
    for one in asked.forecasts[:2]:
        rows = one.findings.bakes_scored()
        if "bake" not in rows:
            return pd.DataFrame()
        means.append(rows.groupby("bake")["observed"].mean().rename(one.measure.name))
    return pd.concat(means, axis=1).dropna()


def _trade_words(worth: pd.DataFrame, asked: Choice) -> str:
    if len(asked.goals) != 2:
        return (
            "With more than two goals, dots can lie behind one another: each is best at some mix."
        )
    margins = in_words(f"{goal.notice:g} of {goal.name}" for goal in asked.goals)
    if worth.empty:
        return f"No trade is worth it: within {margins} of the best of each, both are had at once."
    return f"The line ends where going on would gain less than is worth noticing ({margins})."


def _axis(measure: Measure) -> str:
    goal = measure.goal
    way = _DIRECTION.get(goal, "") if isinstance(goal, str) else f"{goal[0]} {goal[1]:g}"
    return f"expected {measure.name}{measure.unit and ' in ' + measure.unit} ({way})"


def _frontier_words(
    worth: pd.DataFrame, first: Measure, second: Measure, star: list[float], where: str
) -> str:
    went = (
        f"Recommended: {where}, with {first.name} {tidy_number(star[0], 2)} and {second.name} "
        f"{tidy_number(star[1], 2)}."
    )
    if worth.empty:
        return f"{first.name} and {second.name} are had at once; no trade is worth noticing. {went}"
    ends = [
        f"{first.name} {tidy_number(float(row[first.name]), 2)} with {second.name} "
        f"{tidy_number(float(row[second.name]), 2)}"
        for _, row in worth.iloc[[0, -1]].iterrows()
    ]
    return f"What {first.name} costs in {second.name}: from {ends[0]} to {ends[1]}. {went}"


@checked_types(FitError)
def good_region(found: Recommendation, *, ax: Axes | None = None) -> Picture:
    """Draw, factor by factor, which settings are as good as the recommended one.

    Parameters
    ----------
    found : Recommendation
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

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
    wide, narrow = both(lambda phone: _region_figure(found, phone, ax), ax)
    ranges = [f"{row.factor}: {row.good}" for row in found.good_ranges.itertuples()]
    text = (
        f"{len(found.good_settings)} settings more likely than not as good as the recommended one. "
        f"{'; '.join(ranges)}."
    )
    return Picture(wide, text, "Settings that are as good", narrow, ax)


def _region_figure(found: Recommendation, phone: bool, ax: Axes | None) -> Figure:
    names = [folded(factor.name, 40 if phone else 24) for factor in found.factors]
    letters = [_setting_letters(factor, phone) for factor in found.factors]
    line = SMALL * 1.3 / 72
    rooms = [
        0.34 + line * (_lines_below(factor, own) + (name.count("\n") + 1.3) * phone)
        for factor, name, own in zip(found.factors, names, letters, strict=True)
    ]
    tops = np.concatenate([[0.0], np.cumsum(rooms)])
    with stage(ax, NARROW if phone else WIDE, 0.35 + tops[-1]) as (figure, axes):
        axes.set_ylim(tops[-1], -0.05)
        bars = []
        for top, factor, name, own in zip(tops, found.factors, names, letters, strict=False):
            if phone:
                axes.text(0, top, name, fontsize=SMALL, weight="bold", color=INK, va="top")
            bar = top + 0.12 + line * (name.count("\n") + 1.3) * phone
            _strip(axes, bar, factor, found, own)
            bars.append(bar)
        axes.set_yticks(bars, [""] * len(bars) if phone else names)
        axes.set_xlim(-0.04, 1.04)
        axes.set_xticks([])
        axes.tick_params(axis="y", length=0)
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
        foot(figure, _region_marks(), ax=ax)
    return figure


BAR = 0.22  # inches that a factor's range is high


def _setting_letters(factor: Any, phone: bool) -> int:
    """Return how many letters of a setting's name stand on one line."""
    across = (NARROW if phone else WIDE - 2) * SMALL_LETTERS
    count = len(factor.levels) if isinstance(factor, Categorical) else 3
    return max(int(0.9 * across / count), 8)


def _lines_below(factor: Any, letters: int) -> int:
    if not isinstance(factor, Categorical):
        return 1
    return max(folded(factor.show(one), letters).count("\n") + 1 for one in factor.levels)


def _region_marks() -> list[Any]:
    return [
        Patch(facecolor=colours(1)[0], label="as good; the taller, the more often"),
        Patch(label="all that may be baked", **BANDED),
        Line2D([], [], linestyle="none", label="recommended", **STAR),
    ]


def _strip(axes: Axes, middle: float, factor: Any, found: Recommendation, letters: int) -> None:
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
    axes.barh(middle, 1.0, height=BAR, zorder=0, **BANDED)
    shares = good.value_counts(normalize=True)
    for value, share in shares.items():
        key = value if isinstance(factor, Categorical) else float(value)
        height = BAR * float(share / shares.max())
        axes.bar(
            place[key], height, width=width, bottom=middle + BAR / 2 - height,
            color=colours(1)[0], zorder=1,
        )  # fmt: skip
    for x, label in labels:
        side = {0.0: "left", 1.0: "right"}.get(x, "center")
        axes.text(
            x, middle + BAR / 2 + 0.03, folded(label, letters), fontsize=SMALL, color=INK,
            ha=side, va="top", linespacing=1.15,
        )  # fmt: skip
    setting = found.settings[factor.name]
    if setting in place:
        axes.plot(place[setting], middle, marker="*", markersize=14, color=INK,
                  markeredgecolor="white", zorder=3)  # fmt: skip
