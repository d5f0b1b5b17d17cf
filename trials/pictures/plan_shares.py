"""What a plan can tell, in bars: its efficiency, what each bake decides, what is left for error."""

from typing import Any

import matplotlib
import numpy as np
from matplotlib.ticker import MaxNLocator, PercentFormatter

from trials.design.plan import Plan
from trials.design.quality import quality
from trials.design.terms import Model
from trials.pictures.picture import BAND, INK, PALE, STYLE, Picture, blank, colours
from trials.tables import in_words, percent

# What each alphabetic criterion asks, in a baker's words
CRITERIA = {
    "D": "sharpness of all effects together",
    "A": "sharpness of one effect, on average",
    "G": "surety of the worst prediction",
    "I": "surety of predictions, on average",
}


def plan_efficiency(plan: Plan, model: Model = None) -> Picture:
    """Draw how near a plan comes to one with all bakes at the ends and no two effects related.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.

    Returns
    -------
    Picture

    References
    ----------
    Atkinson, Donev & Tobias 2007, Optimum Experimental Designs, ch. 10 (there by the letters D, A,
    G and I, in this order).

    Examples
    --------
    >>> plan_efficiency.__name__
    'plan_efficiency'
    """
    table = quality(plan, model).efficiency
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.2, 2.4)
        axes.barh(range(len(table)), table["percent"] / 100, height=0.55, color=colours(1)[0])
        axes.axvline(1, color=PALE, linewidth=0.9)
        for place, value in enumerate(table["percent"]):
            axes.text(
                value / 100, place, f" {percent(value / 100)}", va="center", fontsize=9, color=INK
            )
        axes.set_yticks(range(len(table)), [CRITERIA[name] for name in table["criterion"]])
        axes.invert_yaxis()
        axes.tick_params(axis="y", length=0)
        axes.set_xlim(0, 1.12 * max(1.0, float(table["percent"].max()) / 100))
        axes.xaxis.set_major_formatter(PercentFormatter(1, symbol=" %"))
        axes.set_xlabel("of what the same bakes could do at best, if nothing were related")
    said = [f"{CRITERIA[row.criterion]} {percent(row.percent / 100)}" for row in table.itertuples()]
    text = (
        f"Efficiency: {in_words(said)}. 100 % is a plan with all bakes at the ends and no two "
        "effects related, which does not exist for every model."
    )
    return Picture(figure, text, "How efficient the plan is")


def plan_leverage(plan: Plan, model: Model = None) -> Picture:
    """Draw how much each bake's own score pulls what is fitted for it.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.

    Returns
    -------
    Picture
        At 1 a bake is believed whatever its score: nothing contradicts it.

    References
    ----------
    Hoaglin & Welsch 1978, Am. Stat. 32:17 (the hat matrix; twice the mean is high).

    Examples
    --------
    >>> plan_leverage.__name__
    'plan_leverage'
    """
    table = quality(plan, model).leverage
    mean = float(table["leverage"].mean())
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(max(5.0, 1.2 + 0.28 * len(table)), 3.0)
        places = np.arange(len(table))
        axes.vlines(places, 0, table["leverage"], color=PALE, linewidth=1.2)
        axes.plot(places, table["leverage"], "o", color=colours(1)[0], markersize=6)
        axes.axhline(mean, color=INK, linewidth=0.8, linestyle="--")
        axes.text(len(table) - 0.4, mean, " mean", va="center", fontsize=9, color=INK)
        axes.set_xticks(places, table["bake"], rotation=90)
        axes.set_xlim(-0.7, len(table) - 0.3)
        axes.set_ylim(0, 1.05)
        axes.set_ylabel("pull of its own score")
    high = table.loc[table["leverage"] > min(2 * mean, 1 - 1e-9), "bake"].tolist()
    told = f" Far above: {in_words(high)}." if high else " None lies far above the others."
    whole = (
        " Every bake is spent on an effect: none can be contradicted." if mean > 1 - 1e-9 else ""
    )
    text = (
        f"Leverage of {len(table)} bakes: {table['leverage'].min():.2f} to "
        f"{table['leverage'].max():.2f}, {mean:.2f} on average.{whole or told}"
    )
    return Picture(figure, text, "How much each bake decides alone")


def plan_error_sources(plan: Plan, model: Model = None) -> Picture:
    """Draw the units of each level of error, and how many are left to measure the error with.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.

    Returns
    -------
    Picture

    Examples
    --------
    >>> plan_error_sources.__name__
    'plan_error_sources'
    """
    table = quality(plan, model).levels
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(6.8, 1.2 + 0.5 * len(table))
        places = range(len(table))
        look: dict[str, Any] = {"height": 0.55, "edgecolor": INK, "linewidth": 0.8}
        axes.barh(places, table["units"], color=BAND, **look)
        axes.barh(places, table["df"], color=colours(1)[0], **look)
        for place, row in enumerate(table.itertuples()):
            axes.text(row.units, place, f"  {row.df} of {row.units} left for error", va="center",
                      fontsize=9, color=INK)  # fmt: skip
        axes.set_yticks(places, table["level"])
        axes.invert_yaxis()
        axes.tick_params(axis="y", length=0)
        axes.set_xlim(0, 1.5 * float(table["units"].max()))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel("units; the dark part is left to measure the error with")
    said = [f"{row.units} {row.level}, {row.df} of them left" for row in table.itertuples()]
    return Picture(figure, f"What is left for error: {'; '.join(said)}.", "What is left for error")
