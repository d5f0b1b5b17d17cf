"""Tasters side by side: each against the others, and what changes along a sitting."""

from collections.abc import Mapping

import matplotlib
import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke
from matplotlib.ticker import MaxNLocator

from trials.analysis.tasters import Tasters
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.words import in_words, minus
from trials.show.style import (
    INK,
    NARROW,
    PALE,
    SMALL,
    STYLE,
    WIDE,
    Picture,
    blanks,
    both,
    colours,
    folded,
    foot,
    name_ends,
    stage,
)

MOST_TASTERS = 12


@checked_types(FitError)
def tasters(found: Tasters) -> Picture:
    """Draw each taster's bakes against the mean of the others.

    Parameters
    ----------
    found : Tasters

    Returns
    -------
    Picture
        A panel per taster, twelve at the most; each dot is a bake, the taster's own level taken
        out. On the line, taster and others agree; steeper means a wider use of the scale.

    Raises
    ------
    FitError
        When only one taster tasted.

    References
    ----------
    ISO 11132, agreement of each assessor with the panel.
    """
    names = found.table["taster"].tolist()
    if len(names) < 2:
        raise FitError("one taster has nobody to agree with; there is nothing to draw.")
    shown = names[:MOST_TASTERS]
    both_means = found.bakes[["own", "others"]].to_numpy()
    low, high = float(np.nanmin(both_means)), float(np.nanmax(both_means))
    edge = 0.14 * (high - low) or 1.0  # a bake's name stands above its dot, below the title
    marks = [mark for mark in MaxNLocator(4).tick_values(low, high) if low <= mark <= high]

    def draw(phone: bool) -> Figure:
        across = 1 if phone else 2 if len(shown) == 4 else 3
        figure, panels = blanks(len(shown), NARROW if phone else WIDE / 3, 3.1, across)
        with matplotlib.rc_context(STYLE):
            for place, (axes, name) in enumerate(zip(panels, shown, strict=True)):
                own = found.bakes[found.bakes["taster"] == name].dropna(subset=["own", "others"])
                axes.plot(
                    [low - edge, high + edge], [low - edge, high + edge], color=PALE,
                    linewidth=0.8, zorder=1,
                )  # fmt: skip
                sns.scatterplot(
                    own, x="others", y="own", ax=axes, color=colours(1)[0], alpha=0.75, s=32,
                    linewidth=0,
                )  # fmt: skip
                axes.set_xlim(low - edge, high + edge)
                axes.set_ylim(low - edge, high + edge)
                _name_farthest(axes, own)
                axes.set_box_aspect(1)
                axes.set_xticks(marks)
                axes.set_yticks(marks)
                axes.set_title(_title(found.table.iloc[place]), fontsize=9, loc="left", color=INK)
                axes.set_ylabel("own mean of a bake" if place % across == 0 else "")
                axes.set_xlabel("mean of the others" if place >= len(shown) - across else "")
            foot(figure, note=GOOD_TASTER)
        return figure

    wide, narrow = draw(False), draw(True)
    title = f"How tasters agree about {found.response}"
    return Picture(wide, _words(found, shown), title, narrow)


FAR = 1.0  # points from the others from which a bake is named
GOOD_TASTER = (
    "Good: dots near the line, from its lower end to its upper one. Flatter than the line: uses "
    "less of the scale than the others; scattered: a taste of one's own, or chance. The bake "
    "farthest from the line is named; a darker dot is several bakes."
)


def _name_farthest(axes: Axes, own: pd.DataFrame) -> None:
    """Name the bake about which a taster and the others differ most."""
    apart = (own["own"] - own["others"]).abs()
    if apart.empty or apart.max() < FAR:
        return
    row = own.loc[apart.idxmax()]
    axes.annotate(
        str(row["bake"]), (row["others"], row["own"]), xytext=(0, 5),
        textcoords="offset points", ha="center", va="bottom", fontsize=SMALL, color=INK, zorder=4,
        path_effects=[withStroke(linewidth=2.4, foreground="white")],
    )  # fmt: skip


def _title(row: pd.Series) -> str:
    """Return a taster's name with what stands out of their scores."""
    said = ""
    if np.isfinite(row["agreement_low"]):
        said = "agrees with the others" if row["agreement_low"] > 0 else "agreement not clear"
        said = "orders them the other way" if row["agreement_high"] < 0 else said
    name = folded(str(row["taster"]), 30)
    return f"{name}\n{said}" if said else name


@checked_types(FitError)
def places(found: Tasters, *, ax: Axes | None = None) -> Picture:
    """Draw how far scores lie from what each taster makes of such a bake, by place.

    Parameters
    ----------
    found : Tasters
        Described with the table that holds the place of each piece.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        A thin line per taster (means of each place), the two that change most named; a thick one
        for all.

    Raises
    ------
    FitError
        When no position is known.
    """
    if found.places.empty:
        raise FitError("no position is known; describe the tasters with the table of scores.")
    whole = found.places.groupby("place")["apart"].mean()
    lines = {
        str(name): own.groupby("place")["apart"].mean()
        for name, own in found.places.groupby("taster", sort=False)
    }

    def draw(phone: bool) -> Figure:
        with stage(ax, NARROW if phone else WIDE, 3.2) as (figure, axes):
            axes.axhline(0, color=PALE, linewidth=0.8, zorder=1)
            for line in lines.values():
                axes.plot(line.index, line, color=PALE, linewidth=0.9, zorder=2)
            sns.lineplot(
                x=whole.index, y=whole.to_numpy(), ax=axes, color=colours(1)[0], marker="o",
                linewidth=2.4, zorder=3,
            )  # fmt: skip
            _whole_ticks(axes, whole, phone)
            axes.set_xlabel("place in the sitting")
            axes.set_ylabel(folded(f"{found.response}: score less what this taster makes of such "
                                   "a bake", 30))  # fmt: skip
            if len(lines) > 1:
                ends = [
                    (float(line.index[-1]), float(line.iloc[-1]), name)
                    for name, line in _drifting(lines)
                ]
                name_ends(axes, ends, [PALE] * len(ends), 9 if phone else 18)
            handles = [
                Line2D([], [], color=colours(1)[0], linewidth=2.4, marker="o", label="all tasters"),
                Line2D([], [], color=PALE, linewidth=0.9, label="each taster"),
            ]
            foot(figure, handles, GOOD_PLACES, ax)
        return figure

    wide, narrow = both(draw, ax)
    said = [one for one in found.sentences if "All tasters together" in one]
    ends = f"{whole.iloc[0]:+.1f} at place {whole.index[0]:g}, {whole.iloc[-1]:+.1f} at place "
    text = minus(
        f"How far scores of {found.response} lie from what each taster makes of such a bake, by "
        "place in the sitting: "
        f"{ends}{whole.index[-1]:g}. {' '.join(said)}".strip()
    )  # fmt: skip
    return Picture(wide, text, f"Along a sitting: {found.response}", narrow, ax)


GOOD_PLACES = (
    "Good: the thick line stays flat, near 0. Falling: tasters tire, or early pieces please more; "
    "the orders of serving are drawn so that no bake gains by its place. The two tasters that "
    "change most are named."
)


def _drifting(lines: Mapping[str, pd.Series]) -> list[tuple[str, pd.Series]]:
    """Return the two tasters whose scores change most from their first place to their last."""
    ranked = sorted(lines.items(), key=lambda one: -abs(one[1].iloc[-1] - one[1].iloc[0]))
    return ranked[:2]


def _words(found: Tasters, shown: list[str]) -> str:
    table = found.table.set_index("taster").loc[shown, "agreement"].dropna()
    said = [f"{name} {value:.2f}" for name, value in table.items()]
    more = len(found.table) - len(shown)
    rest = f" {more} more are not drawn." if more else ""
    told = f"Agreement with the others (correlation): {in_words(said)}." if said else ""
    return f"Each taster's mean of each bake against the mean of the others. {told}{rest}".strip()


def _whole_ticks(axes: Axes, whole: pd.Series, phone: bool) -> None:
    marks = whole.index.to_numpy()
    step = -(-len(marks) // (8 if phone else 20))
    axes.set_xticks(marks[::step], [f"{mark:g}" for mark in marks[::step]])
