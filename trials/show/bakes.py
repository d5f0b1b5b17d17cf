"""Bake by bake, in pictures.

Where failures live, what a fit leaves over, the course of a development.
"""

from itertools import combinations
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy import stats

from trials.analysis.diagnostics import Diagnostics
from trials.analysis.failing import Failing
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.words import decimals, in_words, percent, rounded, signed, tidy_number
from trials.core.factors import Factor, Numeric
from trials.core.proportions import exact_interval
from trials.deciding.story import Story
from trials.show.style import BAND, INK, PALE, STYLE, Picture, blank, blanks, colours

# -- Where failures live: every bake at its setting, failed or not, with how little that says.


MOST_CELLS = 4  # settings of a factor that are drawn as cells; more are drawn along a line
_ACROSS = 5  # bakes side by side in a cell


@checked_types(FitError)
def failure_map(found: Failing) -> Picture:
    """Draw where bakes failed, on the two factors that part them best.

    Parameters
    ----------
    found : Failing

    Returns
    -------
    Picture
        A cross for a bake that failed, a ring for one that stood; each cell says how many failed
        and which chances of failing that fits (exact 95 % interval).
    """
    bakes = found.bakes
    names = _best_pair(bakes, found.factors)
    chosen = [next(one for one in found.factors if one.name == name) for name in names]
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.4, 4.6 if len(names) > 1 else 2.8)
        x, x_cells = _scale(axes, bakes, chosen[0], "x")
        y, y_cells = np.zeros(len(bakes)), True
        if len(names) > 1:
            y, y_cells = _scale(axes, bakes, chosen[1], "y")
        else:
            axes.set_yticks([])
            axes.set_ylim(-0.5, 0.5)
            axes.spines["left"].set_visible(False)
        cells = _cells(bakes, x, y)
        if x_cells and y_cells:
            x, y = _spread_out(cells, x, y)
            _captions(axes, cells)
        _marks(axes, bakes["failed"].to_numpy(dtype=bool), x, y)
        figure.legend(loc="outside upper right", ncols=2, frameon=False, fontsize=9)
    return Picture(figure, _words(found, names, cells), "Where bakes failed")


def _best_pair(bakes: pd.DataFrame, factors: tuple[Factor, ...]) -> list[str]:
    """Return the two factors with the cell in which failing is surest (or the only factor)."""
    names = [factor.name for factor in factors]
    if len(names) == 1:
        return names
    pairs = list(combinations(names, 2))
    surest = []
    for pair in pairs:
        counts = bakes.groupby(list(pair), observed=True)["failed"].agg(["sum", "size"])
        surest.append(
            round(
                float(exact_interval(counts["sum"].to_numpy(), counts["size"].to_numpy())[0].max()),
                9,
            )
        )
    return list(pairs[int(np.argmax(surest))])


def _scale(axes: Axes, bakes: pd.DataFrame, factor: Factor, side: str) -> tuple[np.ndarray, bool]:
    """Return where each bake lies along an axis, and whether the axis has cells."""
    kinds = bakes[factor.name].drop_duplicates().tolist()
    ordered = sorted(kinds) if isinstance(factor, Numeric) else list(factor.levels)
    ordered = [one for one in ordered if one in kinds]
    cells = len(ordered) <= MOST_CELLS or not isinstance(factor, Numeric)
    getattr(axes, f"set_{side}label")(_title(factor))
    if not cells:
        return bakes[factor.name].to_numpy(dtype=float), False
    labels = [factor.show(one) for one in ordered]
    getattr(axes, f"set_{side}ticks")(range(len(ordered)), labels)
    getattr(axes, f"set_{side}lim")(-0.5, len(ordered) - 0.5)
    for edge in range(1, len(ordered)):
        draw: Any = axes.axvline if side == "x" else axes.axhline
        draw(edge - 0.5, color=BAND, linewidth=1.2, zorder=0)
    axes.tick_params(axis="x" if side == "x" else "y", length=0)
    return bakes[factor.name].map({one: at for at, one in enumerate(ordered)}).to_numpy(float), True


def _title(factor: Factor) -> str:
    return factor.name[:1].upper() + factor.name[1:]


def _cells(bakes: pd.DataFrame, x: np.ndarray, y: np.ndarray) -> pd.DataFrame:
    table = pd.DataFrame({"x": x, "y": y, "failed": bakes["failed"].astype(int)})
    return table.groupby(["x", "y"])["failed"].agg(["sum", "size"]).reset_index()


def _spread_out(cells: pd.DataFrame, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return places in which the bakes of one cell stand side by side, in rows."""
    x, y = x.copy(), y.copy()
    for cell in cells.itertuples():
        own = np.flatnonzero((x == cell.x) & (y == cell.y))
        rows = -(-len(own) // _ACROSS)
        for place, bake in enumerate(own):
            row, column = divmod(place, _ACROSS)
            across = min(_ACROSS, len(own) - row * _ACROSS)
            x[bake] = cell.x + 0.14 * (column - (across - 1) / 2)
            y[bake] = cell.y + 0.16 * ((rows - 1) / 2 - row) + 0.06
    return x, y


def _captions(axes: Axes, cells: pd.DataFrame) -> None:
    low, high = exact_interval(cells["sum"].to_numpy(), cells["size"].to_numpy())
    between = ":" if cells["x"].nunique() < 3 else "\n"
    for cell, at_least, at_most in zip(cells.itertuples(), low, high, strict=True):
        chance = f"chance {percent(at_least)} to {percent(at_most)}"
        axes.text(
            cell.x,
            cell.y - 0.46,
            f"{cell.sum} of {cell.size} failed{between} {chance}",
            ha="center",
            va="bottom",
            fontsize=8.5,
            color=INK,
        )


def _marks(axes: Axes, failed: np.ndarray, x: np.ndarray, y: np.ndarray) -> None:
    red = colours(4)[3]
    axes.scatter(
        x[~failed], y[~failed], s=60, marker="o", facecolor="white", edgecolor=INK, label="stood"
    )
    axes.scatter(
        x[failed], y[failed], s=80, marker="X", color=red, edgecolor=INK, zorder=3, label="failed"
    )


def _words(found: Failing, names: list[str], cells: pd.DataFrame) -> str:
    failed, bakes = int(found.bakes["failed"].sum()), len(found.bakes)
    hit = found.bakes[found.bakes["failed"]]
    if hit.empty:
        return f"None of {bakes} bakes failed; they are drawn by {in_words(names)}."
    by = hit.groupby(names, observed=True).size().sort_values(ascending=False, kind="stable")
    known = {factor.name: factor for factor in found.factors}
    parts = []
    for at, count in by.head(4).items():
        at = at if isinstance(at, tuple) else (at,)
        where = in_words(
            f"{name} {known[name].show(value)}" for name, value in zip(names, at, strict=True)
        )
        parts.append(f"{count} at {where}")
    more = f"; {len(by) - 4} more cells" if len(by) > 4 else ""
    words = "; ".join(parts)
    return f"{failed} of {bakes} bakes failed, by {in_words(names)}: {words}{more}."


# -- What a fit leaves over, bake by bake, and which bakes it leans on.


MOST_NAMED = 4


@checked_types(FitError)
def residuals(found: Diagnostics) -> Picture:
    """Draw what the model leaves of each bake: in baking order, and against pure chance.

    Parameters
    ----------
    found : Diagnostics

    Returns
    -------
    Picture
        Left: one dot per bake, days parted by lines; bakes far out are named. Right: the same,
        sorted, against what a normal distribution would give.

    References
    ----------
    Daniel & Wood 1980, Fitting Equations to Data, ch. 3 (residuals in order, normal plots).
    """
    bakes = found.bakes
    with matplotlib.rc_context(STYLE):
        figure, (left, right) = blanks(2, 4.6, 3.6)
        _in_order(left, bakes)
        left.set_ylabel(f"{found.response} less what the model expects")
        _against_chance(right, bakes)
    far = bakes[bakes["far_out"]]
    digits = decimals(pd.Series([bakes["residual"].std()]))
    named = [f"{r.bake} ({signed(float(r.residual), digits)})" for r in far.itertuples()]
    lies = f"Far out: {in_words(named)}." if named else "None lies far out."
    spread = rounded(float(bakes["residual"].abs().median()), digits)
    text = (
        f"What the model leaves of {found.response} for {len(bakes)} bakes in baking order; "
        f"half of them lie within {spread}. {lies} {_drift_words(found)}"
    ).strip()
    return Picture(figure, text, f"What is left of {found.response}")


@checked_types(FitError)
def influence(found: Diagnostics) -> Picture:
    """Draw how much each bake alone moves the effects.

    Parameters
    ----------
    found : Diagnostics

    Returns
    -------
    Picture
        The largest change of any effect without that bake, in standard errors; bakes that decide a
        verdict are filled and named.

    Raises
    ------
    FitError
        When no bake could be left out.

    References
    ----------
    Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2.
    """
    bakes = found.bakes[found.bakes["influence"].notna()].reset_index(drop=True)
    if bakes.empty:
        raise FitError("no bake could be left out, so there is nothing to draw; repeat some bakes.")
    decides = (bakes["turns"] != "").to_numpy()
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(8.2, 3.4)
        places = np.arange(len(bakes))
        axes.vlines(places, 0, bakes["influence"], color=PALE, linewidth=1.2, zorder=1)
        blue = colours(1)[0]
        for fill, own in (("white", ~decides), (blue, decides)):
            axes.plot(
                places[own],
                bakes["influence"][own],
                "o",
                markersize=6,
                markerfacecolor=fill,
                markeredgecolor=blue,
                zorder=2,
            )
        _bake_ticks(axes, bakes["bake"].tolist())
        axes.set_ylim(0, None)
        axes.set_ylabel("largest change of an effect\nwithout this bake (standard errors)")
        axes.set_xlabel("bake")
        axes.set_title("filled: a verdict hangs on it", fontsize=9, loc="left")
    top = bakes.sort_values("influence", ascending=False, kind="stable").iloc[0]
    hangs = bakes["bake"][decides].tolist()
    verdicts = (
        f"A verdict hangs on {in_words(hangs)}." if hangs else "No verdict hangs on a single bake."
    )
    text = (
        f"How much each bake alone moves the effects on {found.response}: most of all "
        f"{top['bake']} ({top['influence']:.1f} standard errors). {verdicts}"
    )
    return Picture(figure, text, f"Which bakes decide about {found.response}")


def _in_order(axes: Axes, bakes: pd.DataFrame) -> None:
    axes.axhline(0, color=PALE, linewidth=0.8, zorder=1)
    places = np.arange(len(bakes))
    blue = colours(1)[0]
    axes.plot(places, bakes["residual"], "-", color=PALE, linewidth=0.7, zorder=1)
    axes.plot(places, bakes["residual"], "o", markersize=5, color=blue, zorder=2)
    turns = np.flatnonzero(bakes["day"].to_numpy()[1:] != bakes["day"].to_numpy()[:-1])
    for turn in turns:
        axes.axvline(turn + 0.5, color=PALE, linewidth=0.8, linestyle=":", zorder=0)
    _name_far(axes, places, bakes)
    _bake_ticks(axes, bakes["bake"].tolist())
    axes.set_xlabel("bake, in baking order" + ("; dotted: a new day" if len(turns) else ""))


def _against_chance(axes: Axes, bakes: pd.DataFrame) -> None:
    ordered = bakes.sort_values("residual", kind="stable").reset_index(drop=True)
    expected = stats.norm.ppf((np.arange(1, len(ordered) + 1) - 0.375) / (len(ordered) + 0.25))
    values = ordered["residual"].to_numpy()
    middle = float(np.median(values))
    spread = float(stats.median_abs_deviation(values, scale="normal"))
    ends = np.array([expected[0], expected[-1]])
    axes.plot(ends, middle + spread * ends, color=PALE, linewidth=1, zorder=1)
    axes.plot(expected, values, "o", markersize=5, color=colours(1)[0], zorder=2)
    _name_far(axes, expected, ordered)
    axes.set_xlabel("where chance alone would put it (standard deviations)")
    axes.set_title("on the line: nothing but chance", fontsize=9, loc="left")


def _name_far(axes: Axes, places: np.ndarray, bakes: pd.DataFrame) -> None:
    far = np.flatnonzero(bakes["far_out"])
    for place in far[:MOST_NAMED]:
        beyond = place > len(bakes) / 2
        axes.annotate(
            str(bakes["bake"].iloc[place]),
            (places[place], bakes["residual"].iloc[place]),
            xytext=(-6 if beyond else 6, 0),
            textcoords="offset points",
            ha="right" if beyond else "left",
            va="center",
            color=INK,
            fontsize=9,
        )


def _bake_ticks(axes: Axes, names: list[str]) -> None:
    """Name every bake, or so many that the names do not run into each other."""
    widest = max(len(name) for name in names)
    room = max(3, int(48 / (widest + 1)))
    step = -(-len(names) // room)
    places = range(0, len(names), step)
    axes.set_xticks(list(places), [names[place] for place in places])


def _drift_words(found: Diagnostics) -> str:
    drift = found.table[found.table["check"] == "baking order"]
    return str(drift["said"].iloc[0]) if len(drift) else ""


# -- The course of a development: what the chosen setting is expected to be, round by round.


@checked_types(FitError)
def story(told: Story) -> Picture:
    """Draw the expected value of the chosen setting after each round, with what is still open.

    Parameters
    ----------
    told : Story
        As :func:`trials.deciding.story.story` returns it.

    Returns
    -------
    Picture
    """
    course = told.course
    figure, axes = blank(7.2, 3.6)
    x = course["bakes"].to_numpy(float)
    expected = course["expected"].to_numpy(float)
    reach = np.vstack([expected - course["low"], course["high"] - expected])
    axes.errorbar(
        x, expected, yerr=reach, fmt="o-", color=INK, ecolor=PALE, capsize=4, linewidth=1.2
    )
    room = max(float(x.max()) * 0.12, 1.0)
    seen = np.flatnonzero(course["observed"].notna())
    for again in seen:
        # Beside the bar of what was foretold, so that neither hides the other
        at = (x[again] + 0.25 * room, course["observed"].iloc[again])
        axes.scatter(*at, marker="D", s=60, facecolor="white", edgecolor=INK, zorder=5)
        axes.annotate(
            "baked again", at, xytext=(9, 0), textcoords="offset points", va="center", color=INK,
            annotation_clip=False,
        )  # fmt: skip
    axes.set_xlim(max(0.0, float(x.min()) - room), float(x.max()) + 2.2 * room)
    axes.set_xticks(x, [f"{bakes:.0f}" for bakes in x])
    for place, name in enumerate(course["round"]):
        axes.annotate(
            _short(str(name)), (x[place], course["low"].iloc[place]),
            xytext=(0, -6), textcoords="offset points", ha="center", va="top", color=INK,
        )  # fmt: skip
    axes.margins(y=0.2)
    axes.set_xlabel("bakes so far")
    axes.set_ylabel(f"{told.measure}, chosen setting")
    return Picture(figure, _text(told), f"{told.measure} of the chosen setting, round by round")


def _short(name: str) -> str:
    """Return the last words of a round's name."""
    return name.rsplit(", ", 1)[-1]


def _text(told: Story) -> str:
    said = []
    for row in told.course.itertuples():
        again = np.isfinite(row.observed)
        expected = "was foretold at" if again else "is expected at"
        one = (
            f"After {_short(str(row.round))} ({row.bakes} bakes) {told.measure} {expected} "
            f"{tidy_number(row.expected, 2)}, between {tidy_number(row.low, 2)} and "
            f"{tidy_number(row.high, 2)}"
        )
        if again:
            one += f"; baked again it came out at {tidy_number(row.observed, 2)}"
        said.append(f"{one}.")
    return " ".join(said)
