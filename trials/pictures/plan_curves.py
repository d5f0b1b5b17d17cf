"""What plans can tell, in curves: how surely they predict, and the chance against the bakes."""

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter

from trials.design.effect_tests import CHANCE, chance_of, effect_tests, longer, read_spreads
from trials.design.plan import Plan, whole_number
from trials.design.promise import LEVEL_WORDS
from trials.design.quality import quality
from trials.design.strata import strata
from trials.design.terms import Model, kitchen_names
from trials.errors import PlanError
from trials.pictures.picture import DASHES, INK, MARKERS, PALE, STYLE, Picture, blank, colours
from trials.tables import in_words, percent, tidy_number

MOST_CURVES = 4


def plan_predictions(plans: Plan | Mapping[str, Plan], model: Model = None) -> Picture:
    """Draw how surely plans predict over everything that may be baked.

    Parameters
    ----------
    plans : Plan or mapping of name to Plan
        Up to four, to compare.
    model : str or list of str, optional
        The one model to judge all by; each plan's own when left out.

    Returns
    -------
    Picture
        For each share of all settings, the variance of a prediction that is not passed there: a
        low and flat curve predicts well everywhere.

    Raises
    ------
    PlanError
        When there are more than four plans.

    References
    ----------
    Zahran, Anderson-Cook & Myers 2003, J. Qual. Technol. 35:377.

    Examples
    --------
    >>> plan_predictions.__name__
    'plan_predictions'
    """
    named = _named(plans)
    spaces = {name: quality(plan, model).space for name, plan in named.items()}
    said: list[str] = []
    ends: list[tuple[float, float, str]] = []
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.0, 4.0)
        for place, (name, space) in enumerate(spaces.items()):
            said.append(_space_words(name, space))
            if not np.isfinite(space["variance"]).all():
                continue
            _curve(axes, space["share"], space["variance"], place, len(spaces))
            ends.append((1.0, float(space["variance"].iloc[-1]), name))
        axes.set_xlim(0, 1)
        axes.set_ylim(bottom=0)
        _name_ends(axes, ends)
        axes.xaxis.set_major_formatter(PercentFormatter(1, symbol=" %"))
        axes.set_xlabel("share of all settings that could be baked")
        axes.set_ylabel("variance of a prediction\n(one bake's is 1)")
    return Picture(figure, " ".join(said), "How surely settings are predicted")


def _space_words(name: str, space: pd.DataFrame) -> str:
    if not np.isfinite(space["variance"]).all():
        return f"{name or 'This plan'} can not predict: some effects can not be told apart."
    half, most = np.interp([0.5, 1.0], space["share"], space["variance"])
    return (
        f"{name or 'This plan'}: over half of all settings a prediction has at most "
        f"{tidy_number(half, 2)} of one bake's variance, nowhere more than {tidy_number(most, 2)}."
    )


def chance_by_bakes(
    plans: Plan | Mapping[str, Plan],
    *,
    effect: float,
    term: str | None = None,
    tasters: int = 6,
    sd_bake: float | None = None,
    sd_tasting: float | None = None,
    sd_load: float | None = None,
    sd_day: float | None = None,
    model: Model = None,
) -> Picture:
    """Draw the chance to see an effect against the bakes, plans being imagined longer.

    Parameters
    ----------
    plans : Plan or mapping of name to Plan
        Up to four. One plan gets a curve for each kind of unit that its effects are judged on.
    effect : float
        The difference to be seen, in points.
    term : str, optional
        The effect to draw; of each kind of unit the hardest to see when left out.
    tasters : int
    sd_bake, sd_tasting, sd_load, sd_day : float, optional
        As for :func:`trials.power`; usual ones when left out.
    model : str or list of str, optional

    Returns
    -------
    Picture

    Raises
    ------
    PlanError
        When there are more than four plans, or `term` is none of a plan's.

    Examples
    --------
    >>> chance_by_bakes.__name__
    'chance_by_bakes'
    """
    named = _named(plans)
    given = (sd_bake, sd_tasting, sd_load, sd_day)
    curves: list[tuple[str, np.ndarray, np.ndarray, int]] = []
    for name, plan in named.items():
        curves += _power_curves(name, plan, effect, term, tasters, given, model)
    ends: list[tuple[float, float, str]] = []
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.4, 4.2)
        axes.axhline(CHANCE, color=PALE, linewidth=0.9)
        axes.text(0.005, CHANCE, "4 in 5", transform=axes.get_yaxis_transform(), fontsize=9,
                  va="bottom", color=INK)  # fmt: skip
        for place, (label, bakes, chances, now) in enumerate(curves):
            _curve(axes, bakes, chances, place, len(curves))
            here = float(np.interp(now, bakes, chances))
            axes.plot([now], [here], marker=MARKERS[place], color=colours(len(curves))[place],
                      markersize=8, zorder=4)  # fmt: skip
            ends.append((float(bakes[-1]), float(chances[-1]), label))
        axes.set_ylim(0, 1.02)
        _name_ends(axes, ends)
        axes.yaxis.set_major_formatter(PercentFormatter(1, symbol=" %"))
        axes.set_xlabel("bakes (the mark is the plan as it is)")
        axes.set_ylabel(f"chance to see {effect:g} points")
    words = _power_words(curves, effect, next(iter(named.values())), given)
    return Picture(figure, words, f"Chance to see {effect:g} points, by bakes")


def _power_curves(
    name: str,
    plan: Plan,
    effect: float,
    term: str | None,
    tasters: int,
    given: tuple[float | None, ...],
    model: Model,
) -> list[tuple[str, np.ndarray, np.ndarray, int]]:
    tasters = whole_number("tasters", tasters, least=1)
    tests = effect_tests(plan, read_spreads(plan, *given), tasters, 1, model)
    tests = [one for one in tests if one.df >= 0.5 and one.per_unit > 0]
    if term is not None:
        known = [one.term for one in tests]
        tests = [one for one in tests if one.term == term]
        if not tests:
            raise PlanError(f'term names "{term}"; expected {in_words(known, "or")}.')
    free = strata(plan, model).free().set_index("level")["units"]
    found = []
    for level in dict.fromkeys(one.judged_on for one in tests):
        own = [one for one in tests if one.judged_on == level]
        hardest = min(own, key=lambda one: (round(one.per_unit, 9), round(one.df, 6)))
        units = int(free.get(level, free["bakes"]))
        grown = np.unique(np.round(np.linspace(0.5, 3, 41) * units).astype(int))
        tested = [longer(hardest, units, int(count)) for count in grown]
        kept = [place for place, one in enumerate(tested) if one.df >= 1]
        chances = np.array([chance_of(tested[place], effect, 0.05) for place in kept])
        bakes = grown[kept] * plan.count() / units
        label = ", ".join(part for part in (name, _label(level, hardest.term, plan)) if part)
        found.append((label, bakes, chances, plan.count()))
    return found


def _label(level: str, term: str, plan: Plan) -> str:
    return f"{kitchen_names([term], plan.factors)} (on {level})"


def _power_words(
    curves: Sequence[tuple[str, np.ndarray, np.ndarray, int]],
    effect: float,
    plan: Plan,
    given: tuple[float | None, ...],
) -> str:
    said = []
    for label, bakes, chances, now in curves:
        here = float(np.interp(now, bakes, chances))
        enough = bakes[chances >= CHANCE]
        need = f"{int(np.ceil(enough[0]))} bakes would reach 80 %" if len(enough) else (
            f"even {int(bakes[-1])} bakes would not reach 80 %"
        )  # fmt: skip
        said.append(f"{label}: {percent(here)} with {now} bakes, {need}")
    spreads = read_spreads(plan, *given)
    there = {
        "bake",
        "tasting",
        *(["load"] if plan.groups else []),
        *(["day"] if plan.days > 1 else []),
    }
    usual = [
        LEVEL_WORDS[name]
        for name, (_, source) in spreads.items()
        if source != "as given" and name in there
    ]
    assumed = f" Usual spreads are assumed {in_words(usual)}." if usual else ""
    return f"Chance to see {effect:g} points. {'; '.join(said)}.{assumed}"


def _named(plans: Plan | Mapping[str, Plan]) -> dict[str, Plan]:
    named = {"": plans} if isinstance(plans, Plan) else dict(plans)
    if not 1 <= len(named) <= MOST_CURVES:
        raise PlanError(f"plans holds {len(named)} plans; 1 to {MOST_CURVES} can be compared.")
    return named


def _curve(axes: Axes, x: Any, y: Any, place: int, count: int) -> None:
    axes.plot(x, y, color=colours(count)[place], linestyle=DASHES[place % len(DASHES)], linewidth=2)


def _name_ends(axes: Axes, ends: Sequence[tuple[float, float, str]]) -> None:
    """Write each curve's name beside its right end, the highest on top, moved apart."""
    low, high = axes.get_ylim()
    gap = 0.065 * (high - low)
    named = sorted((one for one in ends if one[2]), key=lambda one: one[1])
    right = max((x for x, _, _ in named), default=0.0)
    heights: list[float] = []
    for _, y, _ in named:
        heights.append(max(y, heights[-1] + gap) if heights else y)
    above = max(max(heights, default=low) - high, 0.0)
    for (_, _, name), y in zip(named, heights, strict=True):
        axes.annotate(
            name,
            (right, y - above),
            xytext=(7, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
            color=INK,
            annotation_clip=False,
        )
