"""What changed a response, in pictures.

Effects, pairs, and what stands out where no error was measured.
"""

import textwrap
from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator
from scipy import stats

from trials.analysis.brief import BEND, Change, changes, digits_of
from trials.analysis.contrasts import contrasts
from trials.analysis.draws import spoken_means
from trials.analysis.no_error import Lenth, half_normal_scores, lenth
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.words import decimals, in_words, kitchen_term, minus, rounded, signed
from trials.core.factors import Factor
from trials.core.roles import Role
from trials.core.terms import model_matrix
from trials.core.verdicts import MATTERS, NOT_SETTLED, TOO_SMALL
from trials.show.style import (
    BANDED,
    DASHES,
    FONT,
    INK,
    MARKERS,
    NARROW,
    PALE,
    SMALL,
    STYLE,
    WIDE,
    Picture,
    blanks,
    both,
    colours,
    factor_colours,
    folded,
    foot,
    name_ends,
    stage,
)

# -- Effects with their intervals, the largest first, against what is worth noticing.


MOST_ROWS = 16
ROW, ROOMY = 0.3, 0.5  # inches of a row, and of one whose name stands above it
LEFT_LETTERS, PHONE_LETTERS = 38, 44  # of a row's name on one line
LOOKS: dict[str, dict[str, Any]] = {
    MATTERS: {"marker": "o", "fillstyle": "full"},
    NOT_SETTLED: {"marker": "o", "markerfacecolor": "white"},
    TOO_SMALL: {"marker": "s", "markerfacecolor": "white", "markersize": 6},
}


@checked_types(FitError)
def effects(findings: Findings, *, ax: Axes | None = None) -> Picture:
    """Draw every change with its interval: single changes first, then those that work together.

    Parameters
    ----------
    findings : Findings
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        Differences in response units, the largest single change first; of what works together,
        one change at each setting of the other. The band is what is too small to notice. A factor
        has the colour that it has in :func:`interactions`.
    """
    alone, pairs = changes(findings)
    told = [one for one in alone if one.low != 0 or one.high != 0] or alone
    shown = told[: MOST_ROWS - len(pairs)] if len(pairs) < MOST_ROWS - 2 else told[:MOST_ROWS]
    left = len(alone) - len(shown)
    digits = digits_of(findings)
    wide, narrow = both(
        lambda phone: _effects_figure(findings, shown, pairs, digits, left, phone, ax), ax
    )
    words = _words(findings, [*shown, *pairs], digits)
    return Picture(wide, words, f"What changed {findings.response}", narrow, ax)


def _effects_figure(
    findings: Findings,
    alone: Sequence[Change],
    pairs: Sequence[Change],
    digits: int,
    left: int,
    phone: bool,
    ax: Axes | None,
) -> Figure:
    heads = bool(pairs)
    rows: list[Change | str] = [*(["one change by itself"] if heads else []), *alone]
    rows += ["one change, at each setting of another", *pairs] if heads else []
    names = [_wrapped(one, phone) for one in rows]
    line = SMALL * 1.35 / 72
    rooms = [
        (ROOMY if phone and not isinstance(one, str) else ROW) + line * name.count("\n")
        for one, name in zip(rows, names, strict=True)
    ]
    edges = np.concatenate([[0.0], np.cumsum(rooms)])
    with stage(ax, NARROW if phone else WIDE, 1.05 + edges[-1]) as (figure, axes):
        axes.set_ylim(edges[-1] + 0.05, -0.05)
        axes.axvline(0, color=PALE, linewidth=0.8, zorder=1)
        if findings.margin is not None:
            axes.axvspan(-findings.margin, findings.margin, zorder=0, **BANDED)
        tints = factor_colours(findings.factors)
        places = (edges[:-1] + edges[1:]) / 2
        for at, one in enumerate(rows):
            if not isinstance(one, str):
                spot = edges[at + 1] - 0.2 if phone else places[at]
                _row(axes, one, spot, digits, phone, tints[one.factor.removesuffix(BEND)])
        _name_rows(axes, rows, names, edges, phone)
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(5 if phone else 7))
        axes.xaxis.set_major_formatter(lambda value, _: minus(f"{value:g}"))
        axes.set_xlabel(_below(findings, left, phone))
        foot(figure, _marks_explained(findings), ax=ax)
    return figure


def _row(axes: Axes, one: Change, place: float, digits: int, phone: bool, tint: Any) -> None:
    if np.isfinite(one.low):
        axes.plot([one.low, one.high], [place, place], color=tint, linewidth=1.6, zorder=2)
    look = {"markersize": 7, "color": tint, **LOOKS[one.verdict]}
    axes.plot([one.estimate], [place], zorder=3, linestyle="none", **look)
    if not phone:
        axes.annotate(
            f"{signed(one.estimate, digits)}  {one.verdict}",
            (1.01, place),
            xycoords=axes.get_yaxis_transform(),
            va="center",
            fontsize=9,
            color=INK,
        )


def _wrapped(one: Change | str, phone: bool) -> str:
    """Return the name of a row, on as many lines as it needs."""
    return folded(
        one if isinstance(one, str) else _row_name(one), PHONE_LETTERS if phone else LEFT_LETTERS
    )


def _name_rows(
    axes: Axes,
    rows: Sequence[Change | str],
    names: Sequence[str],
    edges: np.ndarray,
    phone: bool,
) -> None:
    """Name the rows: left of them, or above them where there is no room."""
    weights = ["bold" if isinstance(one, str) else "normal" for one in rows]
    if not phone:
        axes.set_yticks((edges[:-1] + edges[1:]) / 2, names, fontsize=9)
        for label, weight in zip(axes.get_yticklabels(), weights, strict=True):
            label.set_fontweight(weight)
        return
    axes.set_yticks([])
    for top, name, weight in zip(edges, names, weights, strict=False):
        axes.annotate(
            name,
            (0, top + 0.04),
            xycoords=axes.get_yaxis_transform(),
            va="top",
            fontsize=SMALL,
            color=INK,
            weight=weight,
            # The band's edges and the line of no change pass behind the letters
            path_effects=[patheffects.withStroke(linewidth=2.5, foreground="white")],
        )


def _row_name(one: Change) -> str:
    over = f"{one.to} over {one.start}" if one.start else one.to
    return f"{one.factor}: {over}{f', with {one.at}' if one.at else ''}"


def _below(findings: Findings, left: int, phone: bool) -> str:
    """Return what the axis shows, which side is better, and what is left out."""
    goal = findings.measure.goal if findings.measure else None
    better = {"higher": "better to the right →", "lower": "← better to the left"}
    lines = [better[str(goal)]] if str(goal) in better else []
    lines += [f"difference in {findings.response}{_unit(findings)}"]
    lines += [f"{left} more, smaller or likely nothing, are in the table"] if left else []
    return "\n".join(folded(line, 36 if phone else 60) for line in lines)


def _marks_explained(findings: Findings) -> list[Any]:
    """Return what explains dots, bars and band, once."""
    used: list[Any] = [
        Line2D([], [], linestyle="none", **{"markersize": 7, "color": INK, **look}, label=word)
        for word, look in LOOKS.items()
    ]
    used.append(Line2D([], [], color=INK, linewidth=1.6, label="bar: likely range (95 %)"))
    if findings.margin is not None:
        small = f"band: under {findings.margin:g}, not worth noticing"
        used.append(Patch(label=small, **BANDED))
    return used


def _unit(findings: Findings) -> str:
    unit = findings.measure.unit if findings.measure else ""
    return f" ({unit})" if unit else ""


def _words(findings: Findings, shown: Sequence[Change], digits: int) -> str:
    ordered = sorted(shown, key=lambda one: (one.verdict != MATTERS, -abs(one.estimate)))
    said = [f"{one.what} {signed(one.estimate, digits)} ({one.verdict})" for one in ordered[:2]]
    more = f"; {len(shown) - len(said)} more in the table" if len(shown) > len(said) else ""
    return f"Changes in {findings.response}: {in_words(said)}{more}."


# -- What one factor does at each setting of another, with the bakes themselves.


MOST_PAIRS = 3
TICK_LETTERS = 16  # of a setting below an axis, on one line
SLOPES = (
    "A line's slope is what the change along the axis does, at that setting of the other: where "
    "slopes differ, the two work together."
)
Colour = tuple[float, float, float]


@checked_types(FitError)
def interactions(
    findings: Findings,
    pairs: Sequence[tuple[str, str]] | None = None,
    *,
    ax: Axes | None = None,
) -> Picture:
    """Draw the mean response along one factor, a line for each setting of another.

    Parameters
    ----------
    findings : Findings
    pairs : sequence of (str, str), optional
        Which factors to draw together; the largest interactions when left out.
    ax : matplotlib Axes, optional
        Where to draw one pair, the first; a figure of its own when left out.

    Returns
    -------
    Picture
        Means with 95 % intervals at real settings; small dots are the bakes.

    Raises
    ------
    FitError
        When the model holds no pair and none is named, or a pair names one factor twice.
    """
    chosen = list(pairs) if pairs else _largest(findings)
    if not chosen:
        raise FitError("the model has no pair of factors; name one: pairs=[(first, second)].")
    for one, other in chosen:
        if one == other:
            raise FitError(f'a pair is two different factors; "{one}" is named twice.')
    said: list[str] = []

    def draw(phone: bool) -> Figure:
        said.clear()
        if ax is not None:
            with stage(ax, 0, 0) as (figure, _):
                said.append(_panel(ax, findings, chosen[0]))
            return figure
        width = NARROW if phone else WIDE / 2 if len(chosen) > 1 else 5.2
        figure, panels = blanks(len(chosen), width, 3.2, 1 if phone else 2)
        with matplotlib.rc_context(STYLE):
            said.extend(
                _panel(one, findings, pair) for one, pair in zip(panels, chosen, strict=True)
            )
            foot(figure, _pair_marks(), SLOPES)
        return figure

    wide, narrow = both(draw, ax)
    title = f"What works together for {findings.response}"
    return Picture(wide, " ".join(said), title, narrow, ax)


def _pair_marks() -> list[Any]:
    return [
        Line2D([], [], color=INK, marker="o", label="mean, with what is likely (95 %)"),
        Line2D([], [], color=INK, marker="o", markersize=3.5, markerfacecolor="white",
               linestyle="none", label="small: single bakes"),
    ]  # fmt: skip


def _largest(findings: Findings) -> list[tuple[str, str]]:
    terms = findings.told.terms if findings.told else findings.terms
    pairs = {term.name: term.factors for term in terms if len(term.factors) == 2}
    own = findings.spoken[findings.spoken["term"].isin(pairs)]
    order = own.assign(size=own["estimate"].abs()).sort_values("size", ascending=False)
    names = list(dict.fromkeys(order["term"]))[:MOST_PAIRS]
    return [(pairs[name][0], pairs[name][1]) for name in names]


def _panel(axes: Axes, findings: Findings, pair: tuple[str, str]) -> str:
    along, across = (_factor(findings, name) for name in pair)
    means = spoken_means(findings, [along.name, across.name])
    settings = list(dict.fromkeys(means[along.name]))
    kinds = list(dict.fromkeys(means[across.name]))
    # One colour belongs to one factor on a page; its settings differ in marks and dashes
    colour = factor_colours(findings.factors)[across.name]
    width = 0.08 * (len(settings) - 1 or 1)
    ends = []
    for place, kind in enumerate(kinds):
        own = means[means[across.name] == kind]
        shift = (place - (len(kinds) - 1) / 2) * width
        x = np.arange(len(settings)) + shift
        _line(axes, x, own, place, colour)
        _bakes(axes, findings, along, across, settings, kind, shift, place, colour)
        ends.append((float(x[-1]), float(own["mean"].iloc[-1]), across.show(kind)))
    axes.set_xlim(-0.35, len(settings) - 0.5)
    letters = TICK_LETTERS if len(settings) < 3 else 10
    axes.set_xticks(
        range(len(settings)), [folded(along.show(value), letters) for value in settings], fontsize=9
    )
    axes.set_xlabel(folded(along.name, 30))
    axes.set_ylabel(folded(f"mean {findings.response}", 30))
    axes.set_title(folded(f"lines: {across.name}", 32), fontsize=FONT, loc="left", color=colour)
    name_ends(axes, ends, [colour] * len(ends), 14)
    return _pair_words(findings, along, across, means)


def _line(axes: Axes, x: np.ndarray, own: pd.DataFrame, place: int, colour: Colour) -> None:
    mean = own["mean"].to_numpy()
    ends = [mean - own["low"].to_numpy(), own["high"].to_numpy() - mean]
    axes.errorbar(
        x,
        mean,
        yerr=np.maximum(np.nan_to_num(ends), 0),
        color=colour,
        marker=MARKERS[place % len(MARKERS)],
        linestyle=DASHES[place % len(DASHES)],
        capsize=3,
        linewidth=1.8,
        zorder=3,
    )


def _bakes(
    axes: Axes,
    findings: Findings,
    along: Factor,
    across: Factor,
    settings: Sequence,
    kind: object,
    shift: float,
    place: int,
    colour: Colour,
) -> None:
    rows = findings.residuals
    rows = rows[rows[across.name] == kind]
    if "role" in rows:
        rows = rows[rows["role"] == Role.TRIAL]
    unit = "bake" if "bake" in rows else None
    keys = rows.groupby([unit, along.name], sort=False) if unit else None
    points = keys["observed"].mean().reset_index() if keys is not None else rows
    for spot, value in enumerate(settings):
        found = points["observed"][points[along.name] == value]
        axes.plot(
            np.full(len(found), spot + shift),
            found,
            linestyle="none",
            marker=MARKERS[place % len(MARKERS)],
            markersize=3.5,
            markerfacecolor="white",
            color=colour,
            zorder=4,  # over the bars, that none is hidden
        )


def _factor(findings: Findings, name: str) -> Factor:
    for factor in findings.factors:
        if factor.name == name:
            return factor
    known = in_words((factor.name for factor in findings.factors), "or")
    raise FitError(f'there is no factor "{name}"; expected {known}.')


def _pair_words(findings: Findings, along: Factor, across: Factor, means: pd.DataFrame) -> str:
    said = []
    for kind, own in means.groupby(across.name, sort=False):
        values = [
            f"{value:.1f} at {along.show(setting)}"
            for setting, value in zip(own[along.name], own["mean"], strict=True)
        ]
        said.append(f"{across.name} {across.show(kind)}: {in_words(values)}")
    return f"Mean {findings.response} by {along.name} and {across.name}. {'; '.join(said)}."


# -- Effects of a plan without repeats against what chance alone would look like.


MOST_NAMES = 10  # the largest effects carry their names
LONGEST = 48  # letters of a name on one line
CHANCE_ALONE = (
    "How to read it: effects along the thin line look like chance; those to the right of the "
    "dashed line are more than chance would make of one."
)
LEAST_GAP = 0.035  # of the height, between two names


@checked_types(FitError)
def half_normal(findings: Findings, *, ax: Axes | None = None) -> Picture:
    """Draw the sizes of all effects against half-normal scores.

    Effects that are only chance lie along a straight line through the corner; those that are more
    lie to the right of it.

    Parameters
    ----------
    findings : Findings
        Of a plan in which every effect has the same error: two levels, all bakes in balance.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out.

    Returns
    -------
    Picture
        With Lenth's margin for one effect and for all effects at once (simulated).

    Raises
    ------
    FitError
        With fewer than three effects, or effects that are not alike in their errors.

    References
    ----------
    Daniel 1959, Technometrics 1:311-341; Lenth 1989, Technometrics 31:469-473.
    """
    effects = _alike(findings)
    judged = lenth(effects)
    table = half_normal_scores(effects)
    out = set(judged.table["term"][judged.table["stands_out"]])
    with stage(ax, WIDE, 4.8) as (figure, axes):
        _margins(axes, judged, float(table["size"].max()))
        _chance_line(axes, judged)
        _points(axes, table, out)
        _names(axes, table, out)
        axes.set_xlabel(f"size of the effect on {findings.response}, without sign")
        axes.set_ylabel("half-normal score: the smallest effects below")
        foot(figure, note=CHANCE_ALONE, ax=ax)
    title = f"What stands out of chance: {findings.response}"
    return Picture(figure, _half_normal_words(findings, judged, out), title, ax=ax)


def _alike(findings: Findings) -> pd.Series:
    """Return the effects, once it is sure that they share one error."""
    effects = findings.effects
    twice = effects["term"].duplicated()
    if twice.any():
        raise FitError(
            f'"{effects["term"][twice].iloc[0]}" has several levels, so its effects are not '
            "alike in their errors; this picture is for factors of two levels."
        )
    X = _bake_columns(findings)
    gram = X.T @ X
    level = np.sqrt(np.diag(gram))
    shape = gram / np.outer(level, level)
    if not np.allclose(shape, np.eye(len(shape)), atol=1e-6) or not np.allclose(level, level[0]):
        raise FitError(
            "the effects are not alike in their errors, as the bakes are not in balance; this "
            "picture is for plans in which every setting is baked equally often."
        )
    return pd.Series(effects["estimate"].to_numpy(), index=effects["term"])


def _bake_columns(findings: Findings) -> np.ndarray:
    """Return what each effect weighs every bake with."""
    rows = findings.residuals
    if "role" in rows:
        rows = rows[~rows["role"].isin([Role.REFERENCE, Role.CENTRE])]
    matrix = model_matrix(findings.terms, findings.factors, rows)
    return np.column_stack(
        [matrix.X @ one.weights for one in contrasts(matrix, findings.factors, matrix.X.shape[1])]
    )


def _margins(axes: Axes, judged: Lenth, largest: float) -> None:
    reach = 1.12 * max(largest, judged.simulated_margin)
    one, every = judged.simulated_margin, judged.simulated_simultaneous_margin
    axes.axvspan(0, one, zorder=0, **BANDED)
    axes.set_xlim(0, reach)
    sides = ((one, "one effect", "--", "right"), (every, "all at once", ":", "left"))
    for place, words, dash, side in sides:
        if place < reach:
            axes.axvline(place, color=INK, linewidth=1, linestyle=dash, zorder=1)
            axes.text(
                place,
                1.01,
                f"chance, {words}",
                transform=axes.get_xaxis_transform(),
                ha=side,
                va="bottom",
                fontsize=8.5,
                color=INK,
            )


def _chance_line(axes: Axes, judged: Lenth) -> None:
    """Draw where effects lie that are chance alone, by Lenth's error."""
    top = float(stats.halfnorm.ppf(0.999))
    axes.plot([0, top * judged.pse], [0, top], color=PALE, linewidth=1, zorder=1)


def _points(axes: Axes, table: pd.DataFrame, out: set[str]) -> None:
    blue = colours(1)[0]
    stands = table["term"].isin(out).to_numpy()
    looks = ((stands, blue, "o", blue), (~stands, "white", "o", INK))
    for own, face, marker, edge in looks:
        axes.scatter(
            table["size"][own],
            table["score"][own],
            s=44,
            marker=marker,
            facecolor=face,
            edgecolor=edge,
            clip_on=False,
            zorder=3,
        )
    axes.set_ylim(0, 1.08 * float(table["score"].max()))


def _names(axes: Axes, table: pd.DataFrame, out: set[str]) -> None:
    """Write the names of the largest, left of their points where there is no room to the right."""
    shown = table[table["term"].isin(out)] if len(out) > MOST_NAMES else table.tail(MOST_NAMES)
    end, above = axes.get_xlim()[1], np.inf
    halo = [patheffects.withStroke(linewidth=2.5, foreground="white")]
    for row in shown.iloc[::-1].itertuples():
        name = f"{kitchen_term(row.term)} {'−' if row.estimate < 0 else '+'}"
        if row.term not in out and len(name) > LONGEST:
            continue
        lines = textwrap.wrap(name, LONGEST)
        if above - row.score < LEAST_GAP * len(lines) * axes.get_ylim()[1]:
            continue
        above = row.score
        left = row.size > 0.6 * end
        axes.annotate(
            "\n".join(lines),
            (row.size, row.score),
            xytext=(-8 if left else 8, 0),
            textcoords="offset points",
            ha="right" if left else "left",
            va="center",
            fontsize=8.5,
            color=INK,
            path_effects=halo,
        ).set_in_layout(False)


def _half_normal_words(findings: Findings, judged: Lenth, out: set[str]) -> str:
    table = judged.table
    digits = decimals(pd.Series([judged.pse]))
    ordered = table.loc[table["estimate"].abs().sort_values(ascending=False, kind="stable").index]
    named = [
        f"{kitchen_term(row.term)} {signed(row.estimate, digits)}"
        for row in ordered.itertuples()
        if row.term in out
    ]
    stand = "stands" if len(named) < 2 else "stand"
    said = f"{in_words(named) or 'none'} {stand} out"
    one, every = (
        rounded(margin, digits)
        for margin in (judged.simulated_margin, judged.simulated_simultaneous_margin)
    )
    return (
        f"Sizes of {len(table)} effects on {findings.response} against what chance looks like: "
        f"{said} beyond {one}, the margin for one effect; for all at once it is {every}."
    )
