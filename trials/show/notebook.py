"""Records that a notebook shows with a picture: they lie below the layer that draws it.

A record shows its words and numbers by itself; `trials/__init__.py` tells IPython to show these
with their pictures.
"""

from markupsafe import Markup

from trials.analysis.brief import changes_table
from trials.analysis.results import Findings
from trials.base.html import answer
from trials.base.html import table as as_table
from trials.deciding.story import Story
from trials.rounds.timetable import Timetable
from trials.show.bakes import story
from trials.show.effects import effects
from trials.show.timetable import bake_day


def findings_html(found: Findings) -> str:
    """Return findings as a notebook shows them: sentences, one picture, every change, notes."""
    shown = changes_table(found)
    return (
        answer(found.sentences) + Markup(effects(found).html()) + answer((), [shown], found.notes)
    )


def timetable_html(made: Timetable) -> str:
    """Return a timetable as a notebook shows it: its sentences, a picture of each day, its table.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> from trials.rounds.kitchen import Kitchen, Step
    >>> from trials.rounds.timetable import timetable
    >>> plan = full_factorial([Numeric("rest", 20, 60, "min")], replicates=2, seed=1)
    >>> "<img alt=" in timetable_html(timetable(plan, [Step("bake", 20, "oven")], Kitchen()))
    True
    """
    drawn = Markup().join(Markup(bake_day(made, day).html()) for day in made.days["day"])
    return answer(made.sentences()) + drawn + answer(tables=[made.days])


def story_html(told: Story) -> str:
    """Return a story as a notebook shows it: its sentences, its course, its table and its card."""
    # One point has no course
    drawn = Markup(story(told).html()) if len(told.course) > 1 else Markup()
    card = Markup(told.card._repr_html_()) if told.card else Markup()
    return answer(told.sentences) + drawn + as_table(told.shown(), names=True) + card
