"""What a fit leaves over, bake by bake, and which bakes it leans on."""

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy import stats

from trials.analysis.checks import Checks
from trials.analysis.verdicts import decimals, rounded, signed
from trials.errors import FitError
from trials.pictures.picture import INK, PALE, STYLE, Picture, blank, blanks, colours
from trials.tables import in_words

MOST_NAMED = 4


def residuals(found: Checks) -> Picture:
    """Draw what the model leaves of each bake: in baking order, and against pure chance.

    Parameters
    ----------
    found : Checks

    Returns
    -------
    Picture
        Left: one dot per bake, days parted by lines; bakes far out are named. Right: the same,
        sorted, against what a normal distribution would give.

    References
    ----------
    Daniel & Wood 1980, Fitting Equations to Data, ch. 3 (residuals in order, normal plots).

    Examples
    --------
    >>> residuals.__name__
    'residuals'
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


def influence(found: Checks) -> Picture:
    """Draw how much each bake alone moves the effects.

    Parameters
    ----------
    found : Checks

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

    Examples
    --------
    >>> influence.__name__
    'influence'
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


def _drift_words(found: Checks) -> str:
    drift = found.table[found.table["check"] == "baking order"]
    return str(drift["said"].iloc[0]) if len(drift) else ""
