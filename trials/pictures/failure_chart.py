"""Where failures live: every bake at its setting, failed or not, with how little that says."""

from itertools import combinations
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy import stats

from trials.analysis.failing import Failing
from trials.factors import Factor, Numeric
from trials.pictures.picture import BAND, INK, STYLE, Picture, blank, colours
from trials.tables import in_words, percent

MOST_CELLS = 4  # settings of a factor that are drawn as cells; more are drawn along a line
_ACROSS = 5  # bakes side by side in a cell
_LEVEL = 0.95


def failure_map(found: Failing) -> Picture:
    """Draw where bakes failed, on the two factors that part them best.

    Parameters
    ----------
    found : Failing

    Returns
    -------
    Picture
        A cross for a bake that failed, a ring for one that stood; each cell says how many failed
        and which chances of failing that fits (exact 95 % interval).

    Examples
    --------
    >>> failure_map.__name__
    'failure_map'
    """
    bakes = found.bakes
    names = _best_pair(bakes, found.factors)
    chosen = [next(one for one in found.factors if one.name == name) for name in names]
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(7.4, 4.6 if len(names) > 1 else 2.8)
        x, x_cells = _scale(axes, bakes, chosen[0], "x")
        y, y_cells = np.zeros(len(bakes)), True
        if len(names) > 1:
            y, y_cells = _scale(axes, bakes, chosen[1], "y")
        else:
            axes.set_yticks([])
            axes.set_ylim(-0.5, 0.5)
            axes.spines["left"].set_visible(False)
        cells = _cells(bakes, x, y)
        if x_cells and y_cells:
            x, y = _spread_out(cells, x, y)
            _captions(axes, cells)
        _marks(axes, bakes["failed"].to_numpy(dtype=bool), x, y)
        figure.legend(loc="outside upper right", ncols=2, frameon=False, fontsize=9)
    return Picture(figure, _words(found, names, cells), "Where bakes failed")


def _best_pair(bakes: pd.DataFrame, factors: tuple[Factor, ...]) -> list[str]:
    """Return the two factors with the cell in which failing is surest (or the only factor)."""
    names = [factor.name for factor in factors]
    if len(names) == 1:
        return names
    pairs = list(combinations(names, 2))
    surest = []
    for pair in pairs:
        counts = bakes.groupby(list(pair), observed=True)["failed"].agg(["sum", "size"])
        surest.append(round(float(_low(counts["sum"], counts["size"]).max()), 9))
    return list(pairs[int(np.argmax(surest))])


def _low(failed: pd.Series, bakes: pd.Series) -> np.ndarray:
    k, n = failed.to_numpy(dtype=float), bakes.to_numpy(dtype=float)
    return np.where(k > 0, stats.beta.ppf((1 - _LEVEL) / 2, np.maximum(k, 1), n - k + 1), 0.0)


def _high(failed: pd.Series, bakes: pd.Series) -> np.ndarray:
    k, n = failed.to_numpy(dtype=float), bakes.to_numpy(dtype=float)
    return np.where(k < n, stats.beta.ppf((1 + _LEVEL) / 2, k + 1, np.maximum(n - k, 1)), 1.0)


def _scale(axes: Axes, bakes: pd.DataFrame, factor: Factor, side: str) -> tuple[np.ndarray, bool]:
    """Return where each bake lies along an axis, and whether the axis has cells."""
    kinds = bakes[factor.name].drop_duplicates().tolist()
    ordered = sorted(kinds) if isinstance(factor, Numeric) else list(factor.levels)
    ordered = [one for one in ordered if one in kinds]
    cells = len(ordered) <= MOST_CELLS or not isinstance(factor, Numeric)
    getattr(axes, f"set_{side}label")(_title(factor))
    if not cells:
        return bakes[factor.name].to_numpy(dtype=float), False
    labels = [factor.show(one) for one in ordered]
    getattr(axes, f"set_{side}ticks")(range(len(ordered)), labels)
    getattr(axes, f"set_{side}lim")(-0.5, len(ordered) - 0.5)
    for edge in range(1, len(ordered)):
        draw: Any = axes.axvline if side == "x" else axes.axhline
        draw(edge - 0.5, color=BAND, linewidth=1.2, zorder=0)
    axes.tick_params(axis="x" if side == "x" else "y", length=0)
    return bakes[factor.name].map({one: at for at, one in enumerate(ordered)}).to_numpy(float), True


def _title(factor: Factor) -> str:
    return factor.name[:1].upper() + factor.name[1:]


def _cells(bakes: pd.DataFrame, x: np.ndarray, y: np.ndarray) -> pd.DataFrame:
    table = pd.DataFrame({"x": x, "y": y, "failed": bakes["failed"].astype(int)})
    return table.groupby(["x", "y"])["failed"].agg(["sum", "size"]).reset_index()


def _spread_out(cells: pd.DataFrame, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return places in which the bakes of one cell stand side by side, in rows."""
    x, y = x.copy(), y.copy()
    for cell in cells.itertuples():
        own = np.flatnonzero((x == cell.x) & (y == cell.y))
        rows = -(-len(own) // _ACROSS)
        for place, bake in enumerate(own):
            row, column = divmod(place, _ACROSS)
            across = min(_ACROSS, len(own) - row * _ACROSS)
            x[bake] = cell.x + 0.14 * (column - (across - 1) / 2)
            y[bake] = cell.y + 0.16 * ((rows - 1) / 2 - row) + 0.06
    return x, y


def _captions(axes: Axes, cells: pd.DataFrame) -> None:
    low, high = _low(cells["sum"], cells["size"]), _high(cells["sum"], cells["size"])
    between = ":" if cells["x"].nunique() < 3 else "\n"
    for cell, at_least, at_most in zip(cells.itertuples(), low, high, strict=True):
        chance = f"chance {percent(at_least)} to {percent(at_most)}"
        axes.text(
            cell.x,
            cell.y - 0.46,
            f"{cell.sum} of {cell.size} failed{between} {chance}",
            ha="center",
            va="bottom",
            fontsize=8.5,
            color=INK,
        )


def _marks(axes: Axes, failed: np.ndarray, x: np.ndarray, y: np.ndarray) -> None:
    red = colours(4)[3]
    axes.scatter(
        x[~failed], y[~failed], s=60, marker="o", facecolor="white", edgecolor=INK, label="stood"
    )
    axes.scatter(
        x[failed], y[failed], s=80, marker="X", color=red, edgecolor=INK, zorder=3, label="failed"
    )


def _words(found: Failing, names: list[str], cells: pd.DataFrame) -> str:
    failed, bakes = int(found.bakes["failed"].sum()), len(found.bakes)
    hit = found.bakes[found.bakes["failed"]]
    if hit.empty:
        return f"None of {bakes} bakes failed; they are drawn by {in_words(names)}."
    by = hit.groupby(names, observed=True).size().sort_values(ascending=False, kind="stable")
    known = {factor.name: factor for factor in found.factors}
    parts = []
    for at, count in by.head(4).items():
        at = at if isinstance(at, tuple) else (at,)
        where = in_words(
            f"{name} {known[name].show(value)}" for name, value in zip(names, at, strict=True)
        )
        parts.append(f"{count} at {where}")
    more = f"; {len(by) - 4} more cells" if len(by) > 4 else ""
    words = "; ".join(parts)
    return f"{failed} of {bakes} bakes failed, by {in_words(names)}: {words}{more}."
