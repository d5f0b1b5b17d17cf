"""What a plan can tell, in pictures.

Where its bakes lie, its errors, what is related, its chances.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, PercentFormatter

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import in_words, percent, tidy_number
from trials.core.factors import Categorical, Factor
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
    SMALL,
    SMALL_LETTERS,
    STYLE,
    WIDE,
    Picture,
    blanks,
    colours,
    folded,
    foot,
    name_ends,
    stage,
)

# -- What a plan can tell, in pictures: where its bakes lie, its errors, what is related.


MOST_ROWS = 30


@checked_types(PlanError)
def plan_errors(plan: Plan, model: Model = None, *, ax: Axes | None = None) -> Picture:
    """Draw how sharply a plan judges each effect, and against what.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

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
    names = [folded(_kitchen(term, plan.factors), 34) for term in table["term"]]
    places, tall = _rows(names)
    with stage(ax, WIDE, 0.8 + tall) as (figure, axes):
        for place, row in zip(places, table.itertuples(), strict=True):
            _error_bar(axes, place, row, levels, palette)
        axes.set_yticks(places, names, fontsize=9)
        axes.set_ylim(tall, 0)
        axes.set_xlim(0, 1.45 * float(known.max()) if known.notna().any() else 1)
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("standard error of the effect, in spreads of one bake")
        foot(figure, note=f"How to read it: shorter is sharper.{_not_drawn(found, table)}", ax=ax)
    return Picture(figure, _error_words(found, plan), "How sharply each effect is judged", ax=ax)


LINE, APART = 0.165, 0.1  # inches: a line of a row's name, and the room between two rows


def _rows(names: Sequence[str]) -> tuple[np.ndarray, float]:
    """Return where the middles of rows lie, each as tall as its name, and how tall all are."""
    edges = np.cumsum([0.0, *(LINE * (name.count("\n") + 1) + APART for name in names)])
    return (edges[:-1] + edges[1:]) / 2, float(edges[-1])


def _not_drawn(found: Quality, table: pd.DataFrame) -> str:
    left = len(found.effects) - len(table)
    return f" {left} more effects are not drawn; trials.quality lists them." if left else ""


def _error_bar(
    axes: Axes, place: float, row: Any, levels: Sequence[str], palette: Mapping[str, Any]
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
    more = f"Not told apart: {in_words(lost)}." if lost else ""
    known = f"Standard errors in spreads of one bake: {'; '.join(said)}." if said else ""
    return " ".join(filter(None, (known, more)))


@checked_types(PlanError)
def plan_relations(plan: Plan, model: Model = None, *, ax: Axes | None = None) -> Picture:
    """Draw which effects of a plan can be confused: the pairs, the worst first.

    Of a factor with several kinds, the two that are confused most stand for it.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        "interactions" when left out, so that pairs show whatever the plan was made for.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        A bar for each pair of effects: how much of the one shows up as the other. At 100 % they can
        not be told apart; pairs that are not listed can not be confused.
    """
    found = quality(plan, "interactions" if model is None else model).correlations.abs()
    terms = [KINDS.sub("", name) for name in found.index]
    names = [_kitchen(term, plan.factors) for term in dict.fromkeys(terms)]
    by = np.array(terms)
    most = found.groupby(by, sort=False).max().T.groupby(by, sort=False).max()
    pairs = _confused(most, names)
    shown = pairs[:MOST_PAIRS]
    labels = [f"{folded(one, 46)}\n{folded(f'and {other}', 46)}" for one, other, _ in shown]
    tall = max(_rows(labels)[1], 0.3)
    with stage(ax, WIDE, 0.9 + tall) as (figure, axes):
        if shown:
            _pair_bars(axes, labels, [size for _, _, size in shown])
        else:
            axes.set_axis_off()
            axes.text(0, 0.5, "No two effects can be confused.", fontsize=FONT, color=INK)
        foot(figure, note=_pairs_left(pairs, shown, len(names)), ax=ax)
    title = "Which effects can be confused"
    return Picture(figure, _relation_words(pairs, len(names)), title, ax=ax)


MOST_PAIRS = 12
KINDS = re.compile(r" = [^:]*")  # in the name of a column: which kind of a factor it stands for
LEAST_SHARE = 0.05  # of one effect that shows up as another, to be listed


def _confused(found: pd.DataFrame, names: Sequence[str]) -> list[tuple[str, str, float]]:
    """Return the pairs of effects that are related, the most related first."""
    size = found.to_numpy()
    below = np.argwhere(np.tril(size, -1) > LEAST_SHARE)
    ranked = sorted(below.tolist(), key=lambda at: -round(size[at[0], at[1]], 9))
    return [(names[j], names[i], float(size[i, j])) for i, j in ranked]


def _pair_bars(axes: Axes, labels: Sequence[str], sizes: Sequence[float]) -> None:
    tints = [INK if size > 1 - 1e-9 else colours(1)[0] for size in sizes]
    places, tall = _rows(labels)
    axes.barh(places, sizes, height=0.2, color=tints)
    for place, size in zip(places, sizes, strict=True):
        told = "can not be told apart" if size > 1 - 1e-9 else percent(size)
        inside = size > 0.6
        axes.text(
            size - 0.01 if inside else size + 0.01, place, told, va="center", fontsize=SMALL,
            ha="right" if inside else "left", color="white" if inside else INK,
        )  # fmt: skip
    axes.set_yticks(places, labels, fontsize=SMALL)
    axes.set_ylim(tall, 0)
    axes.set_xlim(0, 1)
    axes.xaxis.set_major_locator(MaxNLocator(4))
    axes.xaxis.set_major_formatter(PercentFormatter(1, symbol=" %"))
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("so much of the one shows up as the other")


def _pairs_left(
    pairs: Sequence[tuple[str, str, float]], shown: Sequence[tuple[str, str, float]], effects: int
) -> str:
    """Return what of all pairs is not listed."""
    more = len(pairs) - len(shown)
    whole = effects * (effects - 1) // 2
    free = f"{whole - len(pairs)} of {whole} pairs of effects can not be confused."
    if not more:
        return free
    most = percent(pairs[len(shown)][2])
    return f"{more} more pairs can be confused, each by {most} or less. {free}"


def _relation_words(pairs: Sequence[tuple[str, str, float]], effects: int) -> str:
    if not pairs:
        return f"None of the {effects} effects is related to any other."
    worst = [f"{one} and {other} ({size:.2f})" for one, other, size in pairs[:3]]
    whole = sum(size > 1 - 1e-9 for _, _, size in pairs)
    told = f" {whole} pairs can not be told apart." if whole else ""
    return (
        f"{len(pairs)} of {effects * (effects - 1) // 2} pairs of effects are related, most of all "
        f"{in_words(worst)}.{told}"
    )


@checked_types(PlanError)
def plan_map(plan: Plan, pairs: Sequence[tuple[str, str]] | None = None) -> Picture:
    """Draw where the bakes of a plan lie, two factors at a time.

    Parameters
    ----------
    plan : Plan
    pairs : sequence of (str, str), optional
        Which factors to draw together; when left out, so many pairs that every factor is drawn.

    Returns
    -------
    Picture
        A larger dot is a setting baked more often; its number says how often.

    Raises
    ------
    PlanError
        When the plan varies one factor alone, or a pair names what is none.
    """
    known = {factor.name: factor for factor in plan.factors}
    chosen = list(pairs) if pairs else _every_factor(list(known))
    for name in (name for pair in chosen for name in pair):
        if name not in known:
            raise PlanError(f'there is no factor "{name}"; expected {in_words(known, "or")}.')
    rows = plan.table
    rows = rows[rows["role"] != Role.REFERENCE]
    longest = max(len(known[n].show(v)) for n in known for v in rows[n].dropna().unique())
    width = WIDE / 3 if longest < 12 else WIDE / 2
    figure, panels = blanks(len(chosen), width, 2.7)
    with matplotlib.rc_context(STYLE):
        for axes, pair in zip(panels, chosen, strict=True):
            _map_panel(axes, rows, known[pair[0]], known[pair[1]], width)
        drawn = {name for pair in chosen for name in pair}
        left = [name for name in known if name not in drawn]
        rest = f" Not drawn: {in_words(left)}." if left else ""
        foot(
            figure, note=f"The number in a dot is how many bakes have that pair of settings.{rest}"
        )
    shown = in_words(f"{one} by {other}" for one, other in chosen)
    settings = rows[list(known)].drop_duplicates()
    words = (
        f"Where the {len(rows)} bakes lie, for {shown}: {len(settings)} different settings; the "
        f"number in a dot is how many bakes it holds.{rest}"
    )
    return Picture(figure, words, "Where the bakes lie")


def _every_factor(names: Sequence[str]) -> list[tuple[str, str]]:
    """Return pairs in which every factor is drawn; all of them where these are three or fewer."""
    if len(names) < 2:
        raise PlanError("a map needs two factors; this plan varies one.")
    if len(names) <= 3:
        return [(a, b) for at, a in enumerate(names) for b in names[at + 1 :]]
    pairs = list(zip(names[::2], names[1::2], strict=False))
    return pairs if len(names) % 2 == 0 else [*pairs, (names[0], names[-1])]


def _map_panel(axes: Axes, rows: pd.DataFrame, first: Factor, second: Factor, width: float) -> None:
    spots = rows[[first.name, second.name]].copy()
    for side, factor in (("x", first), ("y", second)):
        kinds = isinstance(factor, Categorical)
        own = [v for v in (factor.levels if kinds else sorted(spots[factor.name].dropna().unique()))
               if (spots[factor.name] == v).any()]  # fmt: skip
        if kinds:
            spots[factor.name] = spots[factor.name].map({one: at for at, one in enumerate(own)})
        places = list(range(len(own))) if kinds else own
        if len(places) > MOST_TICKS:
            middle = own[len(own) // 2]
            places = [own[0], middle, own[-1]]
            own = places
        letters = int((width - 0.9) * SMALL_LETTERS / len(own)) if side == "x" else 14
        names = [factor.show(one) if kinds else tidy_number(float(one), 4) for one in own]
        labels = [folded(name, letters) for name in names]
        getattr(axes, f"set_{side}ticks")(places, labels, fontsize=SMALL)
        getattr(axes, f"set_{side}label")(folded(_axis(factor), 28 if side == "x" else 24))
    counts = spots.astype(float).groupby([first.name, second.name]).size().reset_index(name="bakes")
    axes.scatter(
        counts[first.name],
        counts[second.name],
        s=110 + 28 * counts["bakes"],
        color=BAND,
        edgecolor=INK,
        zorder=2,
    )
    for row in counts.itertuples(index=False):
        axes.annotate(
            str(row[2]), (row[0], row[1]), ha="center", va="center", fontsize=SMALL, color=INK
        )
    axes.margins(0.2)


MOST_TICKS = 5


def _axis(factor: Factor) -> str:
    return f"{factor.name} ({factor.unit})" if factor.unit else factor.name


# -- What plans can tell, in curves: how surely they predict, and the chance against the bakes.


MOST_CURVES = 4


@checked_types(PlanError)
def plan_predictions(
    plans: Plan | Mapping[str, Plan],
    model: Model = None,
    *,
    tasters: int = 6,
    sd_bake: float | None = None,
    sd_tasting: float | None = None,
    ax: Axes | None = None,
) -> Picture:
    """Draw how surely plans predict over everything that may be baked, in points of liking.

    Parameters
    ----------
    plans : Plan or mapping of name to Plan
        Up to four, to compare.
    model : str or list of str, optional
        The one model to judge all by; each plan's own when left out.
    tasters : int
    sd_bake, sd_tasting : float, optional
        As for :func:`trials.power`; usual ones when left out.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        For each share of all settings, how far a prediction may be off there at most (95 %): a low
        and flat curve predicts well everywhere.

    Raises
    ------
    PlanError
        When there are more than four plans.

    References
    ----------
    Zahran, Anderson-Cook & Myers 2003, J. Qual. Technol. 35:377.
    """
    named = _named(plans)
    tasters = whole_number("tasters", tasters, least=1)
    spreads = read_spreads(next(iter(named.values())), sd_bake, sd_tasting, None, None)
    bake, tasting = spreads["bake"][0], spreads["tasting"][0]
    reach = TWO_SIDED * float(np.sqrt(bake**2 + tasting**2 / tasters))
    spaces = {name: quality(plan, model).space for name, plan in named.items()}
    off = {name: reach * np.sqrt(space["variance"]) for name, space in spaces.items()}
    said = [_space_words(name, spaces[name]["share"], off[name]) for name in spaces]
    with stage(ax, WIDE, 3.4) as (figure, axes):
        curves = [
            (name, spaces[name]["share"].to_numpy(), off[name].to_numpy())
            for name in spaces
            if np.isfinite(off[name]).all()
        ]
        axes.set_xlim(0, 1)
        if curves:
            axes.set_ylim(0, 1.08 * max(float(y.max()) for _, _, y in curves))
        _curves(axes, curves)
        axes.xaxis.set_major_formatter(PercentFormatter(1, symbol=" %"))
        axes.set_xlabel("share of all settings that could be baked")
        axes.set_ylabel("a prediction is off by at most\n(points of liking, 95 %)")
        lost = [name or "This plan" for name in spaces if not np.isfinite(off[name]).all()]
        none = (
            f" {in_words(lost)} can not predict: some effects can not be told apart."
            if lost
            else ""
        )
        foot(figure, note=(
            "How to read it: low and flat is good. At 50 %, half of all settings are predicted at "
            f"least so well. {_with_tasters(tasters)}.{none}"), ax=ax)  # fmt: skip
    return Picture(figure, " ".join(said), "How surely settings are predicted", ax=ax)


TWO_SIDED = 1.96  # standard errors to either side of what is known for 95 %


def _with_tasters(tasters: int) -> str:
    return f"With {tasters} taster{'' if tasters == 1 else 's'}, and spreads as they are usual"


def _space_words(name: str, share: pd.Series, off: pd.Series) -> str:
    if not np.isfinite(off).all():
        return f"{name or 'This plan'} can not predict: some effects can not be told apart."
    half, most = np.interp([0.5, 1.0], share, off)
    return (
        f"{name or 'This plan'}: over half of all settings a prediction is off by at most "
        f"{tidy_number(half, 2)} points of liking, nowhere by more than {tidy_number(most, 2)}."
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
    ax: Axes | None = None,
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
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        Curves that lie on one another have one name, which names them all.

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
    with stage(ax, WIDE, 3.6) as (figure, axes):
        axes.axhline(CHANCE, color=PALE, linewidth=0.9)
        axes.set_ylim(0, 1.02)
        _curves(axes, [(label, bakes, chances) for label, bakes, chances, _ in curves])
        for place, (_, bakes, chances, now) in enumerate(curves):
            here = float(np.interp(now, bakes, chances))
            axes.plot([now], [here], marker=MARKERS[place], color=colours(len(curves))[place],
                      markersize=8, zorder=4)  # fmt: skip
        axes.yaxis.set_major_formatter(PercentFormatter(1, symbol=" %"))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel("bakes")
        axes.set_ylabel(f"chance to see {effect:g} points")
        foot(figure, note=(
            "The mark is the plan as it is; the level line is four chances in five. "
            f"{_with_tasters(tasters)}."), ax=ax)  # fmt: skip
    words = _power_words(curves, effect, next(iter(named.values())), given)
    return Picture(figure, words, f"Chance to see {effect:g} points, by bakes", ax=ax)


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


def _curves(axes: Axes, curves: Sequence[tuple[str, np.ndarray, np.ndarray]]) -> None:
    """Draw curves with their names at their ends; those that are the same share one name."""
    tints = colours(len(curves))
    shared: list[list[int]] = []
    for place, (_, x, y) in enumerate(curves):
        # The first is widest, so that what lies on it does not hide it
        axes.plot(
            x, y, color=tints[place], linestyle=DASHES[place % len(DASHES)],
            linewidth=1.8 + 0.8 * (len(curves) - 1 - place), zorder=2 + 0.1 * place,
        )  # fmt: skip
        same = next((own for own in shared if _is_same(curves[own[0]], curves[place])), None)
        if same is None:
            shared.append([place])
        else:
            same.append(place)
    ends = [
        (float(curves[own[0]][1][-1]), float(curves[own[0]][2][-1]),
         "; ".join(curves[at][0] for at in own if curves[at][0]))
        for own in shared
    ]  # fmt: skip
    named = [(end, tints[own[0]]) for end, own in zip(ends, shared, strict=True) if end[2]]
    name_ends(axes, [end for end, _ in named], [tint for _, tint in named])


def _is_same(
    one: tuple[str, np.ndarray, np.ndarray], other: tuple[str, np.ndarray, np.ndarray]
) -> bool:
    """Say whether two curves end in one place and never part by what an eye could see."""
    (_, x, y), (_, others, values) = one, other
    if abs(x[-1] - others[-1]) > 1e-9:
        return False
    return bool(np.abs(np.interp(x, others, values) - y).max() < 0.01 * max(float(y.max()), 1e-9))


# -- What a plan can tell, in bars: its efficiency, what each bake decides, what is left for error.


# What each alphabetic criterion asks, in a baker's words
CRITERIA = {
    "D": "sharpness of all effects together",
    "A": "sharpness of one effect, on average",
    "G": "surety of the worst prediction",
    "I": "surety of predictions, on average",
}


EFFICIENT = (
    "How to read it: 100 % is all bakes at the ends and no two effects related; compare plans of "
    "as many bakes by it, not plans of different sizes."
)


@checked_types(PlanError)
def plan_efficiency(plan: Plan, model: Model = None, *, ax: Axes | None = None) -> Picture:
    """Draw how near a plan comes to one with all bakes at the ends and no two effects related.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture

    References
    ----------
    Atkinson, Donev & Tobias 2007, Optimum Experimental Designs, ch. 10 (there by the letters D, A,
    G and I, in this order).
    """
    table = quality(plan, model).efficiency
    shares = table["percent"] / 100
    with stage(ax, WIDE, 2.0) as (figure, axes):
        sns.barplot(x=shares, y=[CRITERIA[name] for name in table["criterion"]], ax=axes,
                    color=colours(1)[0], width=0.55, saturation=1)  # fmt: skip
        axes.axvline(1, color=PALE, linewidth=0.9)
        for place, value in enumerate(shares):
            inside = value > 0.8
            axes.text(
                value, place, f" {percent(value)} ", va="center", fontsize=9,
                ha="right" if inside else "left", color="white" if inside else INK,
            )  # fmt: skip
        axes.tick_params(axis="y", length=0)
        axes.set_xlim(0, 1.12 * max(1.0, float(shares.max())))
        axes.xaxis.set_major_formatter(PercentFormatter(1, symbol=" %"))
        axes.set_xlabel("of what the same bakes could do at best")
        axes.set_ylabel("")
        foot(figure, note=EFFICIENT, ax=ax)
    said = [f"{CRITERIA[row.criterion]} {percent(row.percent / 100)}" for row in table.itertuples()]
    text = (
        f"Efficiency: {in_words(said)}. 100 % is a plan with all bakes at the ends and no two "
        "effects related, which does not exist for every model."
    )
    return Picture(figure, text, "How efficient the plan is", ax=ax)


@checked_types(PlanError)
def plan_leverage(plan: Plan, model: Model = None, *, ax: Axes | None = None) -> Picture:
    """Draw how much each bake's own score pulls what is fitted for it.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

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
    with stage(ax, WIDE, 2.6) as (figure, axes):
        places = np.arange(len(table))
        axes.vlines(places, 0, table["leverage"], color=PALE, linewidth=1.2)
        axes.plot(places, table["leverage"], "o", color=colours(1)[0], markersize=6)
        axes.plot([-0.7, len(table) - 0.45], [mean, mean], color=INK, linewidth=0.8, linestyle="--")
        axes.text(len(table) - 0.4, mean, " mean", va="center", fontsize=9, color=INK)
        upright = len(table) > 14
        axes.set_xticks(places, table["bake"], rotation=90 if upright else 0, fontsize=SMALL)
        axes.set_xlim(-0.7, len(table) - 0.3)
        axes.set_ylim(0, 1.05)
        axes.set_ylabel("pull of its own score")
        foot(figure, note="How to read it: at 1 a bake is believed whatever its score, as nothing "
             "contradicts it; alike and low is good.", ax=ax)  # fmt: skip
    high = table.loc[table["leverage"] > min(2 * mean, 1 - 1e-9), "bake"].tolist()
    told = f" Far above: {in_words(high)}." if high else " No bake lies far above the others."
    whole = (
        " Every bake is spent on an effect: none can be contradicted." if mean > 1 - 1e-9 else ""
    )
    text = (
        f"Leverage of {len(table)} bakes: {table['leverage'].min():.2f} to "
        f"{table['leverage'].max():.2f}, {mean:.2f} on average.{whole or told}"
    )
    return Picture(figure, text, "How much each bake decides alone", ax=ax)


@checked_types(PlanError)
def plan_error_sources(plan: Plan, model: Model = None, *, ax: Axes | None = None) -> Picture:
    """Draw the units of each level of error, and how many are left to measure the error with.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
    """
    table = quality(plan, model).levels
    with stage(ax, WIDE, 0.9 + 0.42 * len(table)) as (figure, axes):
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
        axes.set_xlabel("how many there are")
        foot(figure, note="How to read it: the dark part is left to measure by how much two alike "
             "differ; four or more make verdicts steady.", ax=ax)  # fmt: skip
    said = [f"{row.units} {row.level}, {row.df} of them left" for row in table.itertuples()]
    text = f"What is left for error: {'; '.join(said)}."
    return Picture(figure, text, "What is left for error", ax=ax)
