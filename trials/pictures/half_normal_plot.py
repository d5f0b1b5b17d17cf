"""Effects of a plan without repeats against what chance alone would look like."""

import textwrap

import matplotlib
import numpy as np
import pandas as pd
from matplotlib import patheffects
from matplotlib.axes import Axes
from scipy import stats

from trials.analysis.contrasts import contrasts
from trials.analysis.results import Findings
from trials.analysis.unreplicated import Lenth, half_normal_scores, lenth
from trials.analysis.verdicts import decimals, kitchen_term, rounded, signed
from trials.design.terms import model_matrix
from trials.errors import FitError
from trials.pictures.picture import BAND, INK, PALE, STYLE, Picture, blank, colours
from trials.tables import in_words

MOST_NAMES = 10  # the largest effects carry their names
LONGEST = 48  # letters of a name on one line
LEAST_GAP = 0.035  # of the height, between two names


def half_normal(findings: Findings) -> Picture:
    """Draw the sizes of all effects against half-normal scores.

    Effects that are only chance lie along a straight line through the corner; those that are more
    lie to the right of it.

    Parameters
    ----------
    findings : Findings
        Of a plan in which every effect has the same error: two levels, all bakes in balance.

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

    Examples
    --------
    >>> half_normal.__name__
    'half_normal'
    """
    effects = _alike(findings)
    judged = lenth(effects)
    table = half_normal_scores(effects)
    out = set(judged.table["term"][judged.table["stands_out"]])
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.6, 5.2)
        _margins(axes, judged, float(table["size"].max()))
        _line(axes, judged)
        _points(axes, table, out)
        _names(axes, table, out)
        axes.set_xlabel(f"size of the effect on {findings.response}, without sign")
        axes.set_ylabel("half-normal score: the smallest effects below")
    title = f"What stands out of chance: {findings.response}"
    return Picture(figure, _words(findings, judged, out), title)


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
        rows = rows[~rows["role"].isin(["control", "centre"])]
    matrix = model_matrix(findings.terms, findings.factors, rows)
    return np.column_stack(
        [matrix.X @ one.weights for one in contrasts(matrix, findings.factors, matrix.X.shape[1])]
    )


def _margins(axes: Axes, judged: Lenth, largest: float) -> None:
    reach = 1.12 * max(largest, judged.simulated_margin)
    one, every = judged.simulated_margin, judged.simulated_simultaneous_margin
    axes.axvspan(0, one, color=BAND, zorder=0, linewidth=0)
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


def _line(axes: Axes, judged: Lenth) -> None:
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


def _words(findings: Findings, judged: Lenth, out: set[str]) -> str:
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
