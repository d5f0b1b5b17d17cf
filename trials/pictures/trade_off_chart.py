"""What one goal costs another, and which settings are as good as the chosen one."""

from collections.abc import Mapping
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from trials.analysis.chance_of_failure import Failure
from trials.analysis.choosing import FewFindings, Measures, choice
from trials.analysis.recommendation import Recommendation
from trials.analysis.region import setting_words
from trials.analysis.searching import best_setting
from trials.analysis.trade_off import frontier_of
from trials.design.exclusion import Exclude
from trials.errors import FitError
from trials.factors import Categorical
from trials.measures import Measure
from trials.pictures.picture import BAND, INK, PALE, STYLE, Picture, blank, colours

_DIRECTION = {"higher": "more is better", "lower": "less is better"}


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

    Examples
    --------
    >>> frontier.__name__
    'frontier'
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
    return Picture(figure, _words(table, first, second, star, where), "What one goal costs another")


def _axis(measure: Measure) -> str:
    goal = measure.goal
    way = _DIRECTION.get(goal, "") if isinstance(goal, str) else f"{goal[0]} {goal[1]:g}"
    return f"expected {measure.name}{measure.unit and ' in ' + measure.unit} ({way})"


def _words(
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

    Examples
    --------
    >>> good_region.__name__
    'good_region'
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
