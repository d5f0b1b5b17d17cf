"""Bake by bake, in pictures.

Where failures live, what a fit leaves over, the course of a development.
"""

from itertools import combinations, pairwise
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from scipy import stats

from trials.analysis.diagnostics import Diagnostics
from trials.analysis.failing import Failing
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.words import decimals, in_words, percent, rounded, signed, tidy_number
from trials.core.factors import Factor, Numeric
from trials.core.proportions import exact_interval
from trials.deciding.story import Story
from trials.show.style import (
    BANDED,
    COLOURS,
    INK,
    NARROW,
    PALE,
    SMALL,
    SMALL_LETTERS,
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

# -- Where failures live: every bake at its setting, failed or not, with how little that says.


MOST_CELLS = 4  # settings of a factor that are drawn as cells; more are drawn along a line
_ACROSS = 5  # bakes side by side in a cell


@checked_types(FitError)
def failure_map(found: Failing, *, ax: Axes | None = None) -> Picture:
    """Draw where bakes failed, on the two factors that part them best.

    Parameters
    ----------
    found : Failing
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        A cross for a bake that failed, a ring for one that was made; each cell says how many failed
        and which chances of failing that fits (exact 95 % interval). Where a mark stands within its
        cell means nothing.
    """
    bakes = found.bakes
    names = _best_pair(bakes, found.factors)
    chosen = [next(one for one in found.factors if one.name == name) for name in names]
    cells: list[pd.DataFrame] = []

    def draw(phone: bool) -> Figure:
        rows = bakes[names[1]].nunique() if len(names) > 1 else 1
        height = max(1.2 + 1.15 * min(rows, MOST_CELLS), 2.4)
        with stage(ax, NARROW if phone else WIDE, height) as (figure, axes):
            x, x_cells = _scale(axes, bakes, chosen[0], "x", phone)
            y, y_cells = np.zeros(len(bakes)), True
            if len(names) > 1:
                y, y_cells = _scale(axes, bakes, chosen[1], "y", phone)
            else:
                axes.set_yticks([])
                axes.set_ylim(-0.5, 0.5)
                axes.spines["left"].set_visible(False)
            cells[:] = [_cells(bakes, x, y)]
            crowded = x_cells and y_cells
            if crowded:
                x, y = _spread_out(cells[0], x, y)
                _captions(axes, cells[0], phone)
            marks = _marks(axes, bakes["failed"].to_numpy(dtype=bool), x, y)
            foot(figure, marks, NO_PLACE if crowded else "", ax)
        return figure

    wide, narrow = both(draw, ax)
    return Picture(wide, _words(found, names, cells[0]), "Where bakes failed", narrow, ax)


NO_PLACE = (
    "Bakes of one cell stand side by side only to be counted: where a mark stands within its cell "
    "means nothing. The chance is what so few bakes leave possible (95 %)."
)


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


def _scale(
    axes: Axes, bakes: pd.DataFrame, factor: Factor, side: str, phone: bool
) -> tuple[np.ndarray, bool]:
    """Return where each bake lies along an axis, and whether the axis has cells."""
    kinds = bakes[factor.name].drop_duplicates().tolist()
    ordered = sorted(kinds) if isinstance(factor, Numeric) else list(factor.levels)
    ordered = [one for one in ordered if one in kinds]
    cells = len(ordered) <= MOST_CELLS or not isinstance(factor, Numeric)
    getattr(axes, f"set_{side}label")(folded(_title(factor), 30))
    if not cells:
        return bakes[factor.name].to_numpy(dtype=float), False
    across = (2.3 if phone else 6.0) * SMALL_LETTERS / len(ordered)
    letters = int(across) if side == "x" else 10 if phone else 16
    labels = [folded(factor.show(one), letters) for one in ordered]
    getattr(axes, f"set_{side}ticks")(range(len(ordered)), labels, fontsize=9)
    getattr(axes, f"set_{side}lim")(-0.5, len(ordered) - 0.5)
    for edge in range(1, len(ordered)):
        draw: Any = axes.axvline if side == "x" else axes.axhline
        draw(edge - 0.5, color=PALE, linewidth=0.8, zorder=0)
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


def _captions(axes: Axes, cells: pd.DataFrame, phone: bool) -> None:
    low, high = exact_interval(cells["sum"].to_numpy(), cells["size"].to_numpy())
    narrow = cells["x"].nunique() > (1 if phone else 2)
    # In the narrowest cells the numbers stand alone: the note below says what they are
    between = "\n" if narrow else ": "
    bare = phone and cells["x"].nunique() > 2
    for cell, at_least, at_most in zip(cells.itertuples(), low, high, strict=True):
        chance = f"{'' if phone else 'chance '}{percent(at_least)} to {percent(at_most)}"
        axes.text(
            cell.x,
            cell.y - 0.47,
            f"{cell.sum} of {cell.size}{'' if bare else ' failed'}{between}{chance}",
            ha="center",
            va="bottom",
            fontsize=SMALL,
            color=INK,
        )


def _marks(axes: Axes, failed: np.ndarray, x: np.ndarray, y: np.ndarray) -> list[Any]:
    red = colours(4)[3]
    made = axes.scatter(
        x[~failed], y[~failed], s=60, marker="o", facecolor="white", edgecolor=INK, label="made"
    )
    lost = axes.scatter(
        x[failed], y[failed], s=80, marker="X", color=red, edgecolor=INK, zorder=3, label="failed"
    )
    return [made, lost]


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
LEFT_OVER = (
    "How to read it: good is dots around 0 without a trend or a jump between days (left), and "
    "along the line (right); a bake far off is worth a look at its notes."
)
DECIDES = (
    "How to read it: the higher, the more an effect rests on that one bake; where a verdict hangs "
    "on it, bake it again before relying on the verdict."
)


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
    figure, (left, right) = blanks(2, WIDE / 2, 3.4)
    with matplotlib.rc_context(STYLE):
        _in_order(left, bakes)
        left.set_ylabel(folded(f"{found.response} less what the model expects", 34))
        _against_chance(right, bakes)
        foot(figure, note=LEFT_OVER)
    far = bakes[bakes["far_out"]]
    digits = decimals(pd.Series([bakes["residual"].std()]))
    named = [f"{r.bake} ({signed(float(r.residual), digits)})" for r in far.itertuples()]
    lies = f"Far out: {in_words(named)}." if named else "No bake lies far out."
    spread = rounded(float(bakes["residual"].abs().median()), digits)
    text = (
        f"What the model leaves of {found.response} for {len(bakes)} bakes in baking order; "
        f"half of them lie within {spread}. {lies} {_drift_words(found)}"
    ).strip()
    return Picture(figure, text, f"What is left of {found.response}")


@checked_types(FitError)
def influence(found: Diagnostics, *, ax: Axes | None = None) -> Picture:
    """Draw how much each bake alone moves the effects.

    Parameters
    ----------
    found : Diagnostics
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

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
    with stage(ax, WIDE, 3.3) as (figure, axes):
        places = np.arange(len(bakes))
        axes.vlines(places, 0, bakes["influence"], color=PALE, linewidth=1.2, zorder=1)
        blue = colours(1)[0]
        handles = []
        for fill, own, what in (
            ("white", ~decides, "moves effects"),
            (blue, decides, "a verdict hangs on it"),
        ):
            handles += axes.plot(
                places[own],
                bakes["influence"][own],
                "o",
                markersize=6,
                markerfacecolor=fill,
                markeredgecolor=blue,
                zorder=3,
                clip_on=False,  # one at 0 stands on the axis
                label=what,
            )
        _bake_ticks(axes, bakes["bake"].tolist(), 6.2)
        axes.set_ylim(0, 1.08 * (float(bakes["influence"].max()) or 1.0))
        axes.set_ylabel("largest change of an effect\nwithout this bake\n(standard errors)")
        axes.set_xlabel("bake")
        foot(figure, handles, DECIDES, ax)
    top = bakes.sort_values("influence", ascending=False, kind="stable").iloc[0]
    hangs = bakes["bake"][decides].tolist()
    verdicts = (
        f"A verdict hangs on {in_words(hangs)}." if hangs else "No verdict hangs on a single bake."
    )
    text = (
        f"How much each bake alone moves the effects on {found.response}: most of all "
        f"{top['bake']} ({top['influence']:.1f} standard errors). {verdicts}"
    )
    return Picture(figure, text, f"Which bakes decide about {found.response}", ax=ax)


def _in_order(axes: Axes, bakes: pd.DataFrame) -> None:
    axes.axhline(0, color=PALE, linewidth=0.8, zorder=1)
    places = np.arange(len(bakes))
    blue = colours(1)[0]
    axes.plot(places, bakes["residual"], "-", color=PALE, linewidth=0.7, zorder=1)
    axes.plot(places, bakes["residual"], "o", markersize=5, color=blue, zorder=2)
    days = bakes["day"].to_numpy()
    turns = np.flatnonzero(days[1:] != days[:-1]) + 1
    starts = [0, *turns.tolist(), len(bakes)] if len(turns) else []
    for count, (start, end) in enumerate(pairwise(starts)):
        if count % 2 == 0:
            axes.axvspan(start - 0.5, end - 0.5, zorder=0, **BANDED)
        few = len(starts) <= MOST_DAYS + 1
        if few or count % (len(starts) // MOST_DAYS + 1) == 0:
            axes.text(
                (start + end - 1) / 2, 1.01, _day_words(days[start], len(starts) - 1),
                transform=axes.get_xaxis_transform(), ha="center", va="bottom", fontsize=SMALL,
                color=INK,
            )  # fmt: skip
    axes.set_xlim(-0.5, len(bakes) - 0.5)
    _name_far(axes, places, bakes)
    _bake_ticks(axes, bakes["bake"].tolist(), 2.8)
    axes.set_xlabel("bake, in baking order")


MOST_DAYS = 6  # that are named above their bakes


def _day_words(day: Any, days: int) -> str:
    name = str(day).rsplit(" ", 1)[-1]
    return f"day {name}" if days <= 4 and name.isdigit() else name


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
    axes.set_xlabel("where chance alone would put it\n(standard deviations)")
    axes.set_title("on the line: nothing but chance", fontsize=SMALL, loc="left")


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


def _bake_ticks(axes: Axes, names: list[str], inches: float) -> None:
    """Name every bake, upright where that leaves no room, or every second, third ... of them."""
    widest = max(len(name) for name in names)
    level = len(names) * (widest + 1) <= inches * SMALL_LETTERS
    step = 1 if level else -(-len(names) // int(inches * 72 / (1.25 * SMALL)))
    places = range(0, len(names), step)
    axes.set_xticks(
        list(places), [names[place] for place in places], rotation=0 if level else 90,
        fontsize=SMALL,
    )  # fmt: skip


def _drift_words(found: Diagnostics) -> str:
    drift = found.table[found.table["check"] == "baking order"]
    return str(drift["said"].iloc[0]) if len(drift) else ""


# -- The course of a development: what the chosen setting is expected to be, round by round.


@checked_types(FitError)
def story(told: Story, *, ax: Axes | None = None) -> Picture:
    """Draw the expected value of the chosen setting after each round, with what is still open.

    Parameters
    ----------
    told : Story
        As :func:`trials.deciding.story.story` returns it.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        The setting chosen after each round, what it came out at when it was baked again, and the
        reference bakes of each round, all with their 95 % intervals.

    Raises
    ------
    FitError
        When there is one round: one point has no course.
    """
    course = told.course
    if len(course) < 2:
        raise FitError("one round is one point; the picture of a story begins with the second.")

    def draw(phone: bool) -> Figure:
        with stage(ax, NARROW if phone else WIDE, 3.0) as (figure, axes):
            handles = [
                _course(axes, course, what, words, shift, look)
                for what, words, shift, look in _STORY_MARKS
                if course[what].notna().any()
            ]
            axes.set_xlim(-0.5, len(course) - 0.5)
            room = int((2.3 if phone else 6.0) * SMALL_LETTERS / len(course)) - 1
            names = [
                f"{folded(_short(str(row.round)), room)}\n{folded(f'{row.bakes} bakes', room)}"
                for row in course.itertuples()
            ]
            axes.set_xticks(range(len(course)), names, fontsize=SMALL)
            axes.set_xlabel("bakes so far")
            axes.set_ylabel(folded(f"{told.measure}, setting to go for", 30))
            handles.append(Line2D([], [], color=INK, label="bar: likely range (95 %)"))
            foot(figure, handles, ax=ax)
        return figure

    wide, narrow = both(draw, ax)
    name = f"{told.measure[:1].upper()}{told.measure[1:]}"
    title = f"{name} of the chosen setting, round by round"
    return Picture(wide, _text(told), title, narrow, ax)


# What is drawn of a round: its column, its words, where it stands, its look
_STORY_MARKS: tuple[tuple[str, str, float, dict[str, Any]], ...] = (
    ("reference", "reference bakes", -0.14,
     {"marker": "s", "color": PALE, "linestyle": ":", "markersize": 6}),
    ("expected", "expected of the setting chosen so far", 0.0,
     {"marker": "o", "color": INK, "linestyle": "-", "markersize": 7}),
    ("observed", "baked again", 0.14,
     {"marker": "D", "color": COLOURS[1], "linestyle": "none", "markersize": 7,
      "markerfacecolor": "white"}),
)  # fmt: skip


def _course(
    axes: Axes, course: pd.DataFrame, what: str, words: str, shift: float, look: dict[str, Any]
) -> Any:
    """Draw one thing round by round, and return what explains it."""
    ends = ("low", "high") if what == "expected" else (f"{what}_low", f"{what}_high")
    value = course[what].to_numpy(float)
    reach = np.vstack([value - course[ends[0]], course[ends[1]] - value])
    axes.errorbar(
        np.arange(len(course)) + shift, value, yerr=reach, capsize=3,
        linewidth=1.2, **look,
    )  # fmt: skip
    return Line2D([], [], label=words, **look)


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
        if np.isfinite(row.reference):
            one += f"; the reference bakes had {tidy_number(row.reference, 2)}"
        said.append(f"{one}.")
    return " ".join(said)
