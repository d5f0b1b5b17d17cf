"""The timetable to print: each day's picture, and what to do at which minute."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import matplotlib
import pandas as pd
from matplotlib.axes import Axes

from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.html import render
from trials.base.words import minus
from trials.recipe.cautions import HOT_OIL, is_frying
from trials.rounds.kitchen import clock
from trials.rounds.round import Round
from trials.rounds.timetable import Timetable, timetable
from trials.show.bake_sheets import TEMPLATES, round_cautions
from trials.show.style import INK, PALE, STYLE, Picture, blank

# -- A bake day as bars: what is busy when, and with which bake.


NO_HANDS = "by itself"
WIDTH, LEFT = 9.6, 2.6  # inches: the whole picture, and what names and margins take of it
LETTER = 0.09  # inches that one letter of a label takes
LARGE, SMALL = 9.5, 7.4  # points of those letters, and in a bar that is short
ROW = 0.34  # inches
# Greys far enough apart for any printer, each with a pattern of its own
LOOKS: tuple[dict[str, Any], ...] = (
    {"facecolor": "#bdbdbd"},
    {"facecolor": "#ffffff", "hatch": "////"},
    {"facecolor": "#e4e4e4", "hatch": "...."},
    {"facecolor": "#8f8f8f"},
)
LOOK_WORDS = ("grey", "striped", "dotted", "dark grey")
REST: dict[str, Any] = {"facecolor": "#ffffff"}


@dataclass(frozen=True)
class _Lane:
    """One row of bars: what is busy, with which step."""

    thing: str
    step: str
    bars: tuple[tuple[int, int, str], ...]


@checked_types(FitError)
def bake_day(made: Timetable, day: int | None = None) -> Picture:
    """Draw one bake day, a group of rows for each thing that is used and for what goes by itself.

    Parameters
    ----------
    made : Timetable
    day : int, optional
        The first day when left out.

    Returns
    -------
    Picture
    """
    day = int(made.days["day"].iloc[0]) if day is None else int(day)
    tasks = made.tasks[(made.tasks["day"] == day) & (made.tasks["end"] > made.tasks["start"])]
    lanes = _lanes(tasks)
    first, last = int(tasks["start"].min()), int(tasks["end"].max())
    with matplotlib.rc_context(STYLE):
        figure, axes = blank(WIDTH, 1.15 + ROW * len(lanes))
        _draw(axes, lanes, (last - first + 30) / (WIDTH - LEFT))
        _hours(axes, first, last)
    row = made.days[made.days["day"] == day].iloc[0]
    words = made.sentences()[list(made.days["day"]).index(day)]
    return Picture(figure, words, f"Day {day}: {row['start']} to {row['finish']}")


def _lanes(tasks: pd.DataFrame) -> list[_Lane]:
    """Return the rows of bars, by thing, then by step as each begins."""
    things: dict[str, dict[str, list[tuple[int, int, str]]]] = {}
    for row in tasks.sort_values(["start", "end"]).to_dict("records"):
        needs = [one for one in re.split(r", | and ", row["needs"]) if one] or [NO_HANDS]
        for thing in needs:
            heated = _HEATS.match(row["step"])
            heats = heated is not None and heated[1] == thing
            tended = heated[1] if heated else next(filter(is_frying, needs), "")
            step = f"stays with the {_named(tended)}" if tended and tended != thing else row["step"]
            step = "heats or cools" if heats else step.removeprefix(f"{thing}, ")
            label = _heat(row["step"]) if heats else str(row["bake"])
            bar = (int(row["start"]), int(row["end"]), label)
            things.setdefault(_named(thing), {}).setdefault(step, []).append(bar)
    order = sorted(things, key=lambda thing: (thing == NO_HANDS, thing != "hands", thing))
    return [
        _Lane(thing, step if at == 0 else "", tuple(bars))
        for thing in order
        for step, own in things[thing].items()
        for at, bars in enumerate(_stacked(own))
    ]


def _named(thing: str) -> str:
    """Return what a thing is called in the picture; a way of frying is its oil."""
    return HOT_OIL.subject if is_frying(thing) else thing


_HEATS = re.compile(r"(.+): (?:heat|cool|back) ?to ")


def _heat(step: str) -> str:
    """Return the temperature that a step heats or cools to: "pan: back to 190 °C" is "190°"."""
    found = re.search(r"(-?[\d.]+) ?°", step)
    return f"{minus(found.group(1))}°" if found else ""


def _stacked(bars: list[tuple[int, int, str]]) -> list[list[tuple[int, int, str]]]:
    """Return bars in as many rows as they need so that none lies over another."""
    rows: list[list[tuple[int, int, str]]] = []
    for bar in bars:
        row = next((row for row in rows if row[-1][1] <= bar[0]), None)
        if row is None:
            rows.append([bar])
        else:
            row.append(bar)
    return rows


def _draw(axes: Axes, lanes: list[_Lane], minutes_an_inch: float) -> None:
    things = list(dict.fromkeys(lane.thing for lane in lanes))
    for place, lane in enumerate(lanes):
        look = REST if lane.thing == NO_HANDS else LOOKS[things.index(lane.thing) % len(LOOKS)]
        for at, (start, end, label) in enumerate(lane.bars):
            axes.barh(place, end - start, left=start, height=0.78, edgecolor=INK,
                      linewidth=0.6, **look)  # fmt: skip
            after = lane.bars[at + 1][0] if at + 1 < len(lane.bars) else end + 10_000
            _label(axes, place, (start, end, after), label, minutes_an_inch)
        if place and lane.thing != lanes[place - 1].thing:
            axes.axhline(place - 0.5, color=PALE, linewidth=0.8)
    axes.set_yticks(range(len(lanes)), [_name(lanes, place) for place in range(len(lanes))])
    axes.set_ylim(len(lanes) - 0.4, -0.6)
    busy = [f"{LOOK_WORDS[at % len(LOOKS)]}: {thing}" for at, thing in enumerate(things)]
    axes.set_xlabel(", ".join(one for one in busy if not one.endswith(NO_HANDS))
                    + (", white: goes by itself" if NO_HANDS in things else ""))  # fmt: skip
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _label(
    axes: Axes, place: int, bar: tuple[int, int, int], label: str, minutes_an_inch: float
) -> None:
    """Write a bake's name into its bar, behind it where it is short, else upright in it."""
    start, end, after = bar
    wide = LETTER * len(label) * minutes_an_inch
    small = SMALL / LARGE * wide
    box = {"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"}
    if label and end - start >= wide + 1:
        axes.text((start + end) / 2, place, label, ha="center", va="center", fontsize=LARGE,
                  color=INK, bbox=box)  # fmt: skip
    elif label and end - start >= small + 0.5:
        axes.text((start + end) / 2, place, label, ha="center", va="center", fontsize=SMALL,
                  color=INK, bbox=box)  # fmt: skip
    elif label and after - end >= wide + 1:
        axes.text(end + 0.6, place, label, ha="left", va="center", fontsize=LARGE, color=INK)
    elif label:
        axes.text((start + end) / 2, place, label, ha="center", va="center", fontsize=SMALL,
                  color=INK, rotation=90, bbox=box | {"boxstyle": "square,pad=0"})  # fmt: skip


def _name(lanes: list[_Lane], place: int) -> str:
    lane = lanes[place]
    first = place == 0 or lanes[place - 1].thing != lane.thing
    return f"{lane.thing.upper()}   {lane.step}" if first else lane.step


def _hours(axes: Axes, first: int, last: int) -> None:
    step = next(step for step in (30, 60, 120, 240, 480) if (last - first) / step <= 14)
    ticks = list(range(first // step * step, last + step, step))
    axes.set_xticks(ticks, [clock(tick).replace(" next day", "⁺") for tick in ticks])
    axes.set_xlim(first - 5, last + 25)
    axes.grid(axis="x", color=PALE, linewidth=0.4, alpha=0.6)
    axes.set_axisbelow(True)


# -- The timetable to print: each day's picture, and what to do at which minute.


LINES_AT_EASE = 44  # more than these are set closer, so that a day keeps to one page


def timetable_sheet(round_: Round, made: Timetable | None = None) -> str:
    """Return the bake days of a round as a page to print, a sheet for each day."""
    made = made or timetable(round_)
    return render(
        TEMPLATES,
        "timetable.html",
        title=f"Timetable: {round_.name}",
        round_name=round_.name,
        invented=round_.invented,
        cautions=round_cautions(round_),
        days=[_day(made, day) for day in made.days.to_dict("records")],
        pictures=True,
    )


def _day(made: Timetable, day: Mapping[str, Any]) -> dict[str, Any]:
    number = day["day"]
    at = list(made.days["day"]).index(number)
    tasks = made.tasks[made.tasks["day"] == number].to_dict("records")
    lines = [
        task | {"really": "" if pd.isna(task["rests for"]) else f"{task['rests for']:.0f}'"}
        for task in tasks
        if task["end"] > task["start"]
    ]
    bound = []
    if day["in simple order"] != day["finish"]:
        bound.append(
            f"Working down the list of bakes would end at {day['in simple order']}, this order "
            f"at {day['finish']}."
        )
    if day["minutes to gain"]:
        bound.append(
            f"No order can end before {day['no earlier than']}, so at most "
            f"{day['minutes to gain']} min could still be gained."
        )
    if any(line["really"] for line in lines):
        bound.append("A rest that runs longer than planned has its real minutes behind it.")
    return {
        "number": number,
        "said": made.sentences()[at],
        "bound": " ".join(bound),
        "picture": _picture(made, number),
        "tasks": lines,
        "dense": len(lines) > LINES_AT_EASE,
    }


def _picture(made: Timetable, day: int) -> dict[str, str]:
    drawn = bake_day(made, day)
    return {"text": f"Bars of what is busy when. {drawn.text}", "data": drawn.data(200)}
