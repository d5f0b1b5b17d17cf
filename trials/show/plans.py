"""What a plan can tell, in pictures.

Where its bakes lie, its errors, what is related, its chances.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, PercentFormatter

from trials.base.arguments import checked_types
from trials.base.errors import FitError, PlanError
from trials.base.words import in_words, percent, tidy_number
from trials.core.factors import Factor
from trials.core.plan import Plan, whole_number
from trials.core.roles import Role
from trials.core.terms import Model, kitchen_names
from trials.design.power import (
    CHANCE,
    LEVEL_WORDS,
    chance_of,
    effect_tests,
    longer,
    read_spreads,
    strata,
)
from trials.design.quality import Quality, quality
from trials.show.style import (
    BAND,
    DASHES,
    FONT,
    INK,
    MARKERS,
    PALE,
    STYLE,
    Picture,
    blank,
    blanks,
    colours,
)

# -- What a plan can tell, in pictures: where its bakes lie, its errors, what is related.


MOST_ROWS = 30
MOST_MAPPED = 24  # effects that a map of relations can name legibly


@checked_types(PlanError)
def plan_errors(plan: Plan, model: Model = None) -> Picture:
    """Draw how sharply a plan judges each effect, and against what.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.

    Returns
    -------
    Picture
        Standard errors, one bake's spread being 1; shorter is sharper.
    """
    found = quality(plan, model)
    table = found.effects.head(MOST_ROWS)
    levels = list(dict.fromkeys(table["judged_on"]))
    palette = dict(zip(levels, colours(len(levels)), strict=True))
    known = table["se"].where(np.isfinite(table["se"]))
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.6, 1.4 + 0.3 * len(table))
        for place, row in enumerate(table.itertuples()):
            _error_bar(axes, place, row, levels, palette)
        axes.set_yticks(range(len(table)), [_kitchen(t, plan.factors) for t in table["term"]])
        axes.set_ylim(len(table) - 0.4, -0.6)
        axes.set_xlim(0, 1.35 * float(known.max()) if known.notna().any() else 1)
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("standard error of the effect, in spreads of one bake (shorter is sharper)")
    return Picture(figure, _error_words(found, plan), "How sharply each effect is judged")


def _error_bar(
    axes: Axes, place: int, row: Any, levels: Sequence[str], palette: Mapping[str, Any]
) -> None:
    if not np.isfinite(row.se):
        axes.text(0.0, place, " can not be told apart", va="center", fontsize=9, color=INK)
        return
    axes.plot([0, row.se], [place, place], color=PALE, linewidth=1.2, zorder=1)
    axes.plot(
        [row.se],
        [place],
        marker=MARKERS[levels.index(row.judged_on) % len(MARKERS)],
        color=palette[row.judged_on],
        markersize=7,
        zorder=2,
    )
    axes.annotate(
        f"{row.se:.2f}, judged on {row.judged_on}",
        (row.se, place),
        xytext=(8, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
        color=INK,
    )


def _kitchen(term: str, factors: Sequence[Factor]) -> str:
    return kitchen_names([term], factors)


def _error_words(found: Quality, plan: Plan) -> str:
    table = found.effects
    lost = [_kitchen(t, plan.factors) for t in table.loc[~np.isfinite(table["se"]), "term"]]
    said = []
    for level, rows in table[np.isfinite(table["se"])].groupby("judged_on", sort=False):
        names = [_kitchen(term, plan.factors) for term in rows["term"]]
        shown = in_words(names) if len(names) <= 6 else f"{len(names)} effects"
        said.append(f"{shown}: {rows['se'].min():.2f} to {rows['se'].max():.2f} on {level}")
    more = f" Not told apart: {in_words(lost)}." if lost else ""
    return f"Standard errors in spreads of one bake: {'; '.join(said)}.{more}"


@checked_types(PlanError)
def plan_relations(plan: Plan, model: Model = None) -> Picture:
    """Draw which effects of a plan are related, as a map of correlations.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        "interactions" when left out, so that pairs show whatever the plan was made for.

    Returns
    -------
    Picture
        White: unrelated. Black: can not be told apart. The number is the size of the relation.
    """
    found = quality(plan, "interactions" if model is None else model).correlations.abs()
    found = found.iloc[:MOST_MAPPED, :MOST_MAPPED]
    names = [_column(name, plan.factors) for name in found.index]
    side = max(2.2, 0.29 * len(names))
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(side + 0.085 * max(map(len, names)) + 1.9, side + 0.5)
        image = axes.imshow(found.to_numpy(), cmap="Greys", vmin=0, vmax=1)
        # Columns go by the numbers of the rows: names on both sides would leave the map no room
        numbers = range(1, len(names) + 1)
        axes.set_xticks(range(len(names)), [str(number) for number in numbers])
        rows = [f"{name}  {number}" for name, number in zip(names, numbers, strict=True)]
        axes.set_yticks(range(len(names)), rows)
        axes.tick_params(length=0, labelsize=FONT)
        for edge in axes.spines.values():
            edge.set_visible(False)
        axes.set_xticks(np.arange(len(names)) + 0.5, minor=True)
        axes.set_yticks(np.arange(len(names)) + 0.5, minor=True)
        axes.grid(which="minor", color=BAND, linewidth=0.6)
        axes.tick_params(which="minor", length=0)
        _numbers(axes, found)
        bar = figure.colorbar(image, ax=axes, shrink=0.6)
        bar.set_ticks([0, 1], labels=["unrelated", "the same"])
        bar.outline.set_visible(False)
    return Picture(figure, _relation_words(found, names), "Which effects are related")


def _column(name: str, factors: Sequence[Factor]) -> str:
    try:
        return _kitchen(name, factors)
    except FitError:
        # A column of one kind, such as "fat = lard:sugar", is no term by itself
        return name.replace(" = ", " ").replace(":", " with ")


def _numbers(axes: Axes, found: pd.DataFrame) -> None:
    sizes = found.to_numpy()
    for row in range(len(found)):
        for column in range(row):
            value = sizes[row, column]
            if value > 0.005 and len(found) <= 16:
                colour = "white" if value > 0.5 else INK
                axes.text(column, row, f"{value:.1f}", ha="center", va="center", color=colour,
                          fontsize=8)  # fmt: skip


def _relation_words(found: pd.DataFrame, names: Sequence[str]) -> str:
    size = found.to_numpy()
    below = np.argwhere(np.tril(size, -1) > 0.005)
    if not len(below):
        return f"None of the {len(names)} effects is related to any other."
    ranked = sorted(below.tolist(), key=lambda at: -size[at[0], at[1]])
    worst = [f"{names[j]} and {names[i]} ({size[i, j]:.2f})" for i, j in ranked[:3]]
    whole = int((np.tril(size, -1) > 1 - 1e-9).sum())
    told = f" {whole} pairs can not be told apart." if whole else ""
    pairs = len(names) * (len(names) - 1) // 2
    return (
        f"{len(below)} of {pairs} pairs of effects are related, most of all {in_words(worst)}."
        f"{told}"
    )


@checked_types(PlanError)
def plan_map(plan: Plan) -> Picture:
    """Draw where the bakes of a plan lie, two numbers at a time.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Picture
        A panel for each of the first pairs of numeric factors; a larger dot is a setting baked
        more often.

    Raises
    ------
    PlanError
        When fewer than two factors are numbers.
    """
    numbers = [f for f in plan.factors if plan.rows[f.name].dtype.kind == "f"][:3]
    if len(numbers) < 2:
        raise PlanError("a map needs two factors that are numbers.")
    pairs = [(a, b) for place, a in enumerate(numbers) for b in numbers[place + 1 :]]
    rows = plan.table
    rows = rows[rows["role"] != Role.REFERENCE]
    with matplotlib.rc_context(STYLE):
        figure, panels = blanks(len(pairs), 3.3, 3.1)
        for axes, (one, other) in zip(panels, pairs, strict=True):
            counts = rows.groupby([one.name, other.name]).size().reset_index(name="bakes")
            axes.scatter(
                counts[one.name],
                counts[other.name],
                s=40 + 30 * counts["bakes"],
                color=BAND,
                edgecolor=INK,
                zorder=2,
            )
            for row in counts.itertuples(index=False):
                axes.annotate(str(row[2]), (row[0], row[1]), ha="center", va="center", fontsize=8)
            axes.set_xlabel(_axis(one))
            axes.set_ylabel(_axis(other))
            axes.set_xticks(sorted(counts[one.name].unique()))
            axes.set_yticks(sorted(counts[other.name].unique()))
            axes.margins(0.15)
    shown = in_words(f"{a.name} by {b.name}" for a, b in pairs)
    settings = rows[[factor.name for factor in plan.factors]].drop_duplicates()
    words = (
        f"Where the {len(rows)} bakes lie, for {shown}: {len(settings)} different settings; the "
        "number in a dot is how many bakes it holds."
    )
    return Picture(figure, words, "Where the bakes lie")


def _axis(factor: Factor) -> str:
    return f"{factor.name} ({factor.unit})" if factor.unit else factor.name


# -- What plans can tell, in curves: how surely they predict, and the chance against the bakes.


MOST_CURVES = 4


@checked_types(PlanError)
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


@checked_types(PlanError)
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


# -- What a plan can tell, in bars: its efficiency, what each bake decides, what is left for error.


# What each alphabetic criterion asks, in a baker's words
CRITERIA = {
    "D": "sharpness of all effects together",
    "A": "sharpness of one effect, on average",
    "G": "surety of the worst prediction",
    "I": "surety of predictions, on average",
}


@checked_types(PlanError)
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


@checked_types(PlanError)
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


@checked_types(PlanError)
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
