"""What a plan can tell, in pictures: where its bakes lie, its errors, what is related."""

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from trials.design.plan import Plan
from trials.design.quality import Quality, quality
from trials.design.terms import Model, kitchen_names
from trials.errors import FitError, PlanError
from trials.factors import Factor
from trials.pictures.picture import (
    BAND,
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
from trials.tables import in_words

MOST_ROWS = 30
MOST_MAPPED = 24  # effects that a map of relations can name legibly


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

    Examples
    --------
    >>> plan_errors.__name__
    'plan_errors'
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

    Examples
    --------
    >>> plan_relations.__name__
    'plan_relations'
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

    Examples
    --------
    >>> plan_map.__name__
    'plan_map'
    """
    numbers = [f for f in plan.factors if plan.rows[f.name].dtype.kind == "f"][:3]
    if len(numbers) < 2:
        raise PlanError("a map needs two factors that are numbers.")
    pairs = [(a, b) for place, a in enumerate(numbers) for b in numbers[place + 1 :]]
    rows = plan.table
    rows = rows[rows["role"] != "control"]
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
