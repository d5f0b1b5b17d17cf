"""Plan, bake, taste and learn: rounds of test bakes with honest statistics.

The names stand in `__init__.pyi`, for editors and type checkers; they are loaded when they are
used, so that ``import trials`` costs nothing.

Examples
--------
>>> import trials
>>> trials.Numeric("rest", 20, 60, "min").show(40)
'40 min'
"""

from typing import TYPE_CHECKING

from trials.base.offered import offered, shown_by
from trials.base.progress import running_shell
from trials.base.version import __version__ as __version__

if TYPE_CHECKING:
    from trials.analysis.results import Findings
    from trials.deciding.story import Story
    from trials.rounds.timetable import Timetable

__all__, __getattr__, __dir__ = offered(__file__, __name__)


def _findings(found: "Findings") -> str:
    from trials.show.notebook import findings_html

    return findings_html(found)


def _timetable(made: "Timetable") -> str:
    from trials.show.notebook import timetable_html

    return timetable_html(made)


def _story(told: "Story") -> str:
    from trials.show.notebook import story_html

    return story_html(told)


if (_shell := running_shell()) is not None:
    # These records lie below the layer that draws their pictures
    shown_by(
        _shell,
        {
            ("trials.analysis.results", "Findings"): _findings,
            ("trials.rounds.timetable", "Timetable"): _timetable,
            ("trials.deciding.story", "Story"): _story,
        },
    )
