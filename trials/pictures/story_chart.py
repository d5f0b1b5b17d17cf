"""The course of a development: what the chosen setting is expected to be, round by round."""

import numpy as np

from trials.deciding.story import Story
from trials.pictures.picture import INK, PALE, Picture, blank
from trials.tables import tidy_number


def story(told: Story) -> Picture:
    """Draw the expected value of the chosen setting after each round, with what is still open.

    Parameters
    ----------
    told : Story
        As :func:`trials.deciding.story.story` returns it.

    Returns
    -------
    Picture

    Examples
    --------
    >>> story.__name__
    'story'
    """
    course = told.course
    figure, axes = blank(7.2, 3.6)
    x = course["bakes"].to_numpy(float)
    expected = course["expected"].to_numpy(float)
    reach = np.vstack([expected - course["low"], course["high"] - expected])
    axes.errorbar(
        x, expected, yerr=reach, fmt="o-", color=INK, ecolor=PALE, capsize=4, linewidth=1.2
    )
    room = max(float(x.max()) * 0.12, 1.0)
    seen = np.flatnonzero(course["observed"].notna())
    for again in seen:
        # Beside the bar of what was foretold, so that neither hides the other
        at = (x[again] + 0.25 * room, course["observed"].iloc[again])
        axes.scatter(*at, marker="D", s=60, facecolor="white", edgecolor=INK, zorder=5)
        axes.annotate(
            "baked again", at, xytext=(9, 0), textcoords="offset points", va="center", color=INK,
            annotation_clip=False,
        )  # fmt: skip
    axes.set_xlim(max(0.0, float(x.min()) - room), float(x.max()) + 2.2 * room)
    axes.set_xticks(x, [f"{bakes:.0f}" for bakes in x])
    for place, name in enumerate(course["round"]):
        axes.annotate(
            _short(str(name)), (x[place], course["low"].iloc[place]),
            xytext=(0, -6), textcoords="offset points", ha="center", va="top", color=INK,
        )  # fmt: skip
    axes.margins(y=0.2)
    axes.set_xlabel("bakes so far")
    axes.set_ylabel(f"{told.measure}, chosen setting")
    return Picture(figure, _text(told), f"{told.measure} of the chosen setting, round by round")


def _short(name: str) -> str:
    """Return the last words of a round's name."""
    return name.rsplit(", ", 1)[-1]


def _text(told: Story) -> str:
    said = []
    for row in told.course.itertuples():
        again = np.isfinite(row.observed)
        expected = "was foretold at" if again else "is expected at"
        one = (
            f"After {_short(str(row.round))} ({row.bakes} bakes) {told.measure} {expected} "
            f"{tidy_number(row.expected, 2)}, between {tidy_number(row.low, 2)} and "
            f"{tidy_number(row.high, 2)}"
        )
        if again:
            one += f"; baked again it came out at {tidy_number(row.observed, 2)}"
        said.append(f"{one}.")
    return " ".join(said)
