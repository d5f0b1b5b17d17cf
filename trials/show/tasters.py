"""Tasters side by side: each against the others, and what changes along a sitting."""

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from trials.analysis.tasters import Tasters
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.words import in_words
from trials.show.style import INK, PALE, STYLE, Picture, blanks, colours

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
    both = found.bakes[["own", "others"]].to_numpy()
    low, high = float(np.nanmin(both)), float(np.nanmax(both))
    edge = 0.05 * (high - low)
    marks = [mark for mark in MaxNLocator(4).tick_values(low, high) if low <= mark <= high]
    with matplotlib.rc_context(STYLE):
        figure, panels = blanks(len(shown), 2.7, 2.6)
        for place, (axes, name) in enumerate(zip(panels, shown, strict=True)):
            own = found.bakes[found.bakes["taster"] == name]
            axes.plot([low, high], [low, high], color=PALE, linewidth=0.8, zorder=1)
            axes.plot(
                own["others"], own["own"], "o", markersize=4.5, color=colours(1)[0], alpha=0.75
            )
            axes.set_xlim(low - edge, high + edge)
            axes.set_ylim(low - edge, high + edge)
            axes.set_aspect("equal")
            axes.set_xticks(marks)
            axes.set_yticks(marks)
            axes.set_title(_title(found.table.iloc[place]), fontsize=9, loc="left")
            if place % 3 == 0:
                axes.set_ylabel("own mean of a bake")
            if place >= len(shown) - 3:
                axes.set_xlabel("mean of the others")
    return Picture(figure, _words(found, shown), f"How tasters agree about {found.response}")


@checked_types(FitError)
def places(found: Tasters) -> Picture:
    """Draw how far scores lie from what each taster makes of such a bake, by place.

    Parameters
    ----------
    found : Tasters
        Described with the table that holds the column position.

    Returns
    -------
    Picture
        A thin line per taster (means of each place), a thick one for all.

    Raises
    ------
    FitError
        When no position is known.
    """
    if found.places.empty:
        raise FitError("no position is known; describe the tasters with the table of scores.")
    whole = found.places.groupby("place")["apart"].mean()
    with matplotlib.rc_context(STYLE):
        figure, (axes,) = blanks(1, 7.4, 3.6)
        axes.axhline(0, color=PALE, linewidth=0.8, zorder=1)
        for _, own in found.places.groupby("taster", sort=False):
            line = own.groupby("place")["apart"].mean()
            axes.plot(line.index, line, color=PALE, linewidth=0.9, alpha=0.8, zorder=2)
        axes.plot(whole.index, whole, "o-", color=colours(1)[0], linewidth=2.2, zorder=3)
        _whole_ticks(axes, whole)
        axes.set_xlabel("place in the sitting")
        axes.set_ylabel(f"{found.response}: score less what\nthis taster makes of such a bake")
        axes.set_title("thick: all tasters; thin: each", fontsize=9, loc="left", color=INK)
    said = [one for one in found.sentences if "All tasters together" in one]
    ends = f"{whole.iloc[0]:+.1f} at place {whole.index[0]:g}, {whole.iloc[-1]:+.1f} at place "
    text = (
        f"How far scores of {found.response} lie from what each taster makes of such a bake, by "
        "place in the sitting: "
        f"{ends}{whole.index[-1]:g}. {' '.join(said)}"
    ).strip()
    return Picture(figure, text, f"Along a sitting: {found.response}")


def _title(row: pd.Series) -> str:
    if not np.isfinite(row["agreement"]):
        return str(row["taster"])
    return f"{row['taster']}  (agreement {row['agreement']:.2f})"


def _words(found: Tasters, shown: list[str]) -> str:
    table = found.table.set_index("taster").loc[shown, "agreement"].dropna()
    said = [f"{name} {value:.2f}" for name, value in table.items()]
    more = len(found.table) - len(shown)
    rest = f" {more} more are not drawn." if more else ""
    told = f"Agreement with the others (correlation): {in_words(said)}." if said else ""
    return f"Each taster's mean of each bake against the mean of the others. {told}{rest}".strip()


def _whole_ticks(axes: Axes, whole: pd.Series) -> None:
    marks = whole.index.to_numpy()
    if len(marks) <= 20:
        axes.set_xticks(marks, [f"{mark:g}" for mark in marks])
