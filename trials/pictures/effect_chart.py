"""Effects with their intervals, the largest first, against what is worth noticing."""

from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from trials.analysis.results import Findings
from trials.analysis.verdicts import MATTERS, NOT_SETTLED, TOO_SMALL, decimals, kitchen_term, signed
from trials.pictures.picture import BAND, INK, PALE, STYLE, Picture, blank, colours
from trials.tables import in_words

MOST_ROWS = 16


def effects(findings: Findings) -> Picture:
    """Draw every effect with its interval, the largest first.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    Picture
        Differences in response units; the band is what is too small to notice.

    Examples
    --------
    >>> effects.__name__
    'effects'
    """
    table = findings.spoken.copy()
    order = table["estimate"].abs().sort_values(ascending=False, kind="stable").index
    nothing = (table["low"] == 0) & (table["high"] == 0)
    shown = [row for row in order if not nothing[row]][:MOST_ROWS] or list(order[:MOST_ROWS])
    left = len(table) - len(shown)
    table = table.loc[shown].reset_index(drop=True)
    digits = decimals(table["se"])
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(8.2, 1.3 + 0.36 * len(table))
        _band(axes, findings.margin)
        _rows(axes, table, digits)
        axes.set_yticks(range(len(table)), _labels(table))
        axes.set_ylim(len(table) - 0.4, -0.6)
        axes.tick_params(axis="y", length=0)
        more = f"\n{left} more, smaller or likely nothing, are in the table" if left else ""
        axes.set_xlabel(
            f"difference in {findings.response}{_unit(findings)}, with 95 % interval{more}"
        )
        axes.spines["left"].set_visible(False)
    return Picture(figure, _words(findings, table, digits), f"What changed {findings.response}")


def _band(axes: Axes, margin: float | None) -> None:
    if margin is not None:
        axes.axvspan(-margin, margin, color=BAND, zorder=0, linewidth=0)
        axes.text(
            0,
            1.0,
            f"too small to notice: under {margin:g}",
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="bottom",
            color=INK,
            fontsize=9,
        )
    axes.axvline(0, color=PALE, linewidth=0.8, zorder=1)


def _rows(axes: Axes, table: pd.DataFrame, digits: int) -> None:
    blue = colours(1)[0]
    looks: dict[str, dict[str, Any]] = {
        MATTERS: {"marker": "o", "markerfacecolor": blue, "markeredgecolor": blue},
        NOT_SETTLED: {"marker": "o", "markerfacecolor": "white", "markeredgecolor": INK},
        TOO_SMALL: {"marker": "s", "markerfacecolor": PALE, "markeredgecolor": PALE},
    }
    for place, row in enumerate(table.itertuples()):
        if np.isfinite(row.low):
            axes.plot([row.low, row.high], [place, place], color=INK, linewidth=1.4, zorder=2)
        axes.plot([row.estimate], [place], markersize=7, zorder=3, **looks[row.verdict])
    for place, row in enumerate(table.itertuples()):
        axes.annotate(
            f"{signed(row.estimate, digits)}  {row.verdict}",
            (1.01, place),
            xycoords=axes.get_yaxis_transform(),
            va="center",
            fontsize=9,
            color=INK,
        )


def _labels(table: pd.DataFrame) -> list[str]:
    """Return a name for each row; rows of one term are told apart by their levels."""
    several = table["term"].duplicated(keep=False)
    return [
        f"{kitchen_term(row.term)}: {row.level} over {row.reference}"
        if ":" not in row.term
        else kitchen_term(row.term) + (f" ({row.level})" if many else "")
        for row, many in zip(table.itertuples(), several, strict=True)
    ]


def _unit(findings: Findings) -> str:
    unit = findings.measure.unit if findings.measure else ""
    return f" ({unit})" if unit else ""


def _words(findings: Findings, table: pd.DataFrame, digits: int) -> str:
    said = [
        f"{label} {signed(row.estimate, digits)}"
        + (
            f" ({signed(row.low, digits)} to {signed(row.high, digits)})"
            if np.isfinite(row.low)
            else ""
        )
        + f", {row.verdict}"
        for label, row in zip(_labels(table), table.head(6).itertuples(), strict=False)
    ]
    more = f"; {len(table) - 6} smaller ones follow" if len(table) > 6 else ""
    return f"Effects on {findings.response}, the largest first: {in_words(said)}{more}."
