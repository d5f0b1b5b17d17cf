"""What one factor does at each setting of another, with the bakes themselves."""

from collections.abc import Sequence

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from trials.analysis.drawing import spoken_means
from trials.analysis.results import Findings
from trials.errors import FitError
from trials.factors import Factor
from trials.pictures.picture import DASHES, INK, MARKERS, STYLE, Picture, blanks, colours
from trials.tables import in_words

MOST_PAIRS = 3


def interactions(findings: Findings, pairs: Sequence[tuple[str, str]] | None = None) -> Picture:
    """Draw the mean response along one factor, a line for each setting of another.

    Parameters
    ----------
    findings : Findings
    pairs : sequence of (str, str), optional
        Which factors to draw together; the largest interactions when left out.

    Returns
    -------
    Picture
        Means with 95 % intervals at real settings; small dots are the bakes.

    Raises
    ------
    FitError
        When the model holds no pair and none is named.

    Examples
    --------
    >>> interactions.__name__
    'interactions'
    """
    chosen = list(pairs) if pairs else _largest(findings)
    if not chosen:
        raise FitError("the model has no pair of factors; name one: pairs=[(first, second)].")
    with matplotlib.rc_context(STYLE):
        figure, axes = blanks(len(chosen), 4.2, 3.6)
        said = [_panel(one, findings, pair) for one, pair in zip(axes, chosen, strict=True)]
    title = f"What works together for {findings.response}"
    return Picture(figure, " ".join(said), title)


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
    width = 0.08 * (len(settings) - 1 or 1)
    ends = []
    for place, kind in enumerate(kinds):
        own = means[means[across.name] == kind]
        shift = (place - (len(kinds) - 1) / 2) * width
        x = np.arange(len(settings)) + shift
        _line(axes, x, own, place, len(kinds))
        _bakes(axes, findings, along, across, settings, kind, shift, place, len(kinds))
        ends.append((float(own["mean"].iloc[-1]), across.show(kind)))
    _name_lines(axes, ends, len(settings) - 1 + width * len(kinds))
    axes.set_xticks(range(len(settings)), [along.show(value) for value in settings])
    axes.set_xlim(-0.35, len(settings) - 0.3)
    axes.set_xlabel(along.name)
    axes.set_ylabel(f"mean {findings.response}")
    axes.set_title(f"lines: {across.name}", fontsize=10, loc="left")
    return _words(findings, along, across, means)


def _line(axes: Axes, x: np.ndarray, own: pd.DataFrame, place: int, count: int) -> None:
    colour = colours(count)[place]
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
    count: int,
) -> None:
    rows = findings.residuals
    rows = rows[rows[across.name] == kind]
    if "role" in rows:
        rows = rows[rows["role"] == "trial"]
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
            markersize=3,
            alpha=0.45,
            color=colours(count)[place],
            zorder=2,
        )


def _name_lines(axes: Axes, ends: Sequence[tuple[float, str]], x: float) -> None:
    """Write each line's name at its end, moved apart where two would overlap."""
    low, high = axes.get_ylim()
    gap = 0.075 * (high - low)
    last = -np.inf
    for value, name in sorted(ends):
        y = max(value, last + gap)
        last = y
        axes.annotate(name, (x, y), color=INK, fontsize=9, va="center", annotation_clip=False)


def _factor(findings: Findings, name: str) -> Factor:
    for factor in findings.factors:
        if factor.name == name:
            return factor
    known = in_words((factor.name for factor in findings.factors), "or")
    raise FitError(f'there is no factor "{name}"; expected {known}.')


def _words(findings: Findings, along: Factor, across: Factor, means: pd.DataFrame) -> str:
    said = []
    for kind, own in means.groupby(across.name, sort=False):
        values = [
            f"{value:.1f} at {along.show(setting)}"
            for setting, value in zip(own[along.name], own["mean"], strict=True)
        ]
        said.append(f"{across.name} {across.show(kind)}: {in_words(values)}")
    return f"Mean {findings.response} by {along.name} and {across.name}. {'; '.join(said)}."
