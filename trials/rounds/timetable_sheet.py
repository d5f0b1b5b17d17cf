"""The timetable to print: each day's picture, and what to do at which minute."""

import base64
import html
from collections.abc import Mapping
from typing import Any

from trials.pictures.day_chart import bake_day
from trials.printing import PRINT_STYLE, page
from trials.rounds.round import Round
from trials.rounds.round_sheet import CAUTION_STYLE, caution_box, round_cautions
from trials.rounds.timetable import Timetable, timetable

LINES_AT_EASE = 44  # more than these are set closer, so that a day keeps to one page
_STYLE = (
    PRINT_STYLE
    + CAUTION_STYLE
    + """
@page { margin: 9mm 12mm; }
.sheet { break-after: page; }
.sheet:last-child { break-after: auto; }
.day { display: block; max-width: 100%; max-height: 92mm; margin: 2mm auto; }
.steps { columns: 2; column-gap: 8mm; font-size: 9.5pt; line-height: 1.3; }
.dense { columns: 3; column-gap: 6mm; font-size: 8pt; line-height: 1.2; }
.dense b { width: 18mm !important; }
.steps p { margin: 0; padding: .25mm 0; break-inside: avoid; border-bottom: .15mm solid #bbb;
           display: flex; gap: 2mm; }
.steps b { flex: none; width: 21mm; }
.steps span { flex: 1; }
.steps i { flex: none; width: 3.6mm; height: 3.6mm; border: .3mm solid #000; align-self: center; }
"""
)


def timetable_sheet(round_: Round, made: Timetable | None = None) -> str:
    """Return the bake days of a round as a page to print, a sheet for each day.

    Parameters
    ----------
    round_ : Round
        With its steps.
    made : Timetable, optional
        Laid out now when left out.

    Returns
    -------
    str
        A whole HTML page, A4, that opens without a network.

    Raises
    ------
    RoundError
        When the round names no steps, or they can not be done in its kitchen.
    """
    made = made or timetable(round_)
    sheets = [_sheet(round_, made, day) for day in made.days.to_dict("records")]
    return page(f"Timetable: {round_.name}", "\n".join(sheets), _STYLE, pictures=True)


def _sheet(round_: Round, made: Timetable, day: Mapping[str, Any]) -> str:
    number = day["day"]
    at = list(made.days["day"]).index(number)
    invented = " All of it is invented, to show the way." if round_.invented else ""
    tasks = made.tasks[made.tasks["day"] == number].to_dict("records")
    lines = [_line(task) for task in tasks if task["end"] > task["start"]]
    dense = " dense" if len(lines) > LINES_AT_EASE else ""
    return (
        f'<section class="sheet"><h1>Day {number}: {html.escape(round_.name)}</h1>'
        f"<p>{html.escape(made.sentences()[at])}</p>"
        f'<p class="quiet">Working down the list of bakes would end at '
        f"{day['in simple order']}; no order can end before {day['no earlier than']}"
        f"{_to_gain(day['minutes to gain'])}.{invented}</p>"
        f'{_picture(made, number)}<div class="steps{dense}">{"".join(lines)}</div>'
        f"{caution_box(round_cautions(round_))}</section>"
    )


def _to_gain(minutes: int) -> str:
    return f", so at most {minutes} min could still be gained" if minutes else ""


def _picture(made: Timetable, day: int) -> str:
    drawn = bake_day(made, day)
    data = base64.b64encode(drawn.png(200)).decode("ascii")
    words = html.escape(f"Bars of what is busy when. {drawn.text}")
    return f'<img class="day" alt="{words}" src="data:image/png;base64,{data}">'


def _line(task: Mapping[str, Any]) -> str:
    return (
        f"<p><b>{task['from']}–{task['to']}</b><span>{html.escape(str(task['bake']))}: "
        f"{html.escape(task['step'])}</span><i></i></p>"
    )
