"""Plan, bake, taste and learn: rounds of test bakes with honest statistics.

The names below are loaded when they are used, so that ``import trials`` costs nothing.

Examples
--------
>>> import trials
>>> trials.Numeric("rest", 20, 60, "min").show(40)
'40 min'
"""

from importlib import import_module
from typing import Any

from trials.base.version import __version__ as __version__

# name -> where it lives; modules stand with an empty name behind the colon
_HOMES = {
    "Batch": "trials.rounds.kitchen:Batch",
    "Categorical": "trials.core.factors:Categorical",
    "Component": "trials.core.factors:Component",
    "Findings": "trials.analysis.results:Findings",
    "Formula": "trials.recipe.formula:Formula",
    "Heat": "trials.rounds.kitchen:Heat",
    "Kitchen": "trials.rounds.kitchen:Kitchen",
    "Measure": "trials.core.measures:Measure",
    "Numeric": "trials.core.factors:Numeric",
    "Plan": "trials.core.plan:Plan",
    "Prices": "trials.rounds.kitchen:Prices",
    "Round": "trials.rounds.round:Round",
    "Step": "trials.rounds.kitchen:Step",
    "Taster": "trials.tasting.panel:Taster",
    "TrialsError": "trials.base.errors:TrialsError",
    "add_photo": "trials.rounds.diary:add_photo",
    "agreement_on": "trials.analysis.tasters:agreement_on",
    "album": "trials.show.album:album",
    "aliases": "trials.design.aliasing:aliases",
    "as_categories": "trials.analysis.as_categories:as_categories",
    "card": "trials.recipe.card:card",
    "check": "trials.rounds.scores:check",
    "checks": "trials.analysis.diagnostics:checks",
    "colour_difference": "trials.recipe.instruments:colour_difference",
    "compare": "trials.analysis.comparing:compare",
    "controlled": "trials.analysis.comparing:controlled",
    "cross": "trials.recipe.crossing:cross",
    "crossing_factors": "trials.doors.crossings:crossing_factors",
    "demo": "trials.doors.demo:",
    "describe_tasters": "trials.analysis.tasters:describe_tasters",
    "design": "trials.design:",
    "difference": "trials.tasting.difference:",
    "failing": "trials.analysis.failing:failing",
    "fit": "trials.analysis.fitting:fit",
    "fit_rounds": "trials.analysis.rounds_together:fit_rounds",
    "next_round": "trials.deciding.next_bakes:next_round",
    "panel_size": "trials.tasting.panel_size:panel_size",
    "parent_settings": "trials.doors.crossings:parent_settings",
    "pictures": "trials.show.pictures:",
    "power": "trials.design.power:power",
    "propose": "trials.design.propose:propose",
    "quality": "trials.design.quality:quality",
    "read_side_test": "trials.rounds.bench:read_side_test",
    "recommend": "trials.analysis.choice:recommend",
    "rehearsals": "trials.deciding.rehearsal:rehearsals",
    "rehearse": "trials.deciding.rehearsal:rehearse",
    "replan": "trials.deciding.replanning:replan",
    "report": "trials.show.page:report",
    "scores": "trials.rounds.scores:scores",
    "serve_ballots": "trials.doors.server:serve_ballots",
    "shopping_list": "trials.rounds.amounts:shopping_list",
    "side_test": "trials.rounds.bench:side_test",
    "simple_effects": "trials.analysis.contrasts:simple_effects",
    "timetable": "trials.rounds.timetable:timetable",
    "with_parents": "trials.doors.crossings:with_parents",
    "word_table": "trials.rounds.scores:word_table",
    "write_note": "trials.rounds.diary:write_note",
    "write_sheets": "trials.show.sheets:write_sheets",
}
__all__ = sorted([*_HOMES, "__version__"])


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"trials has no {name!r}")
    home, _, inner = _HOMES[name].partition(":")
    module = import_module(home)
    return getattr(module, inner) if inner else module


def __dir__() -> list[str]:
    return __all__
