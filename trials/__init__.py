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

from trials.version import __version__ as __version__

# name -> where it lives; modules stand with an empty name behind the colon
_HOMES = {
    "Batch": "trials.rounds.batch:Batch",
    "Categorical": "trials.factors:Categorical",
    "Component": "trials.factors:Component",
    "Findings": "trials.analysis.results:Findings",
    "Formula": "trials.recipe.formula:Formula",
    "Heat": "trials.rounds.kitchen:Heat",
    "Kitchen": "trials.rounds.kitchen:Kitchen",
    "Measure": "trials.measures:Measure",
    "Numeric": "trials.factors:Numeric",
    "Plan": "trials.design.plan:Plan",
    "Prices": "trials.rounds.batch:Prices",
    "Round": "trials.rounds.round:Round",
    "Step": "trials.rounds.kitchen:Step",
    "Taster": "trials.tasting.panel:Taster",
    "TrialsError": "trials.errors:TrialsError",
    "add_photo": "trials.rounds.photos:add_photo",
    "agreement_on": "trials.analysis.agreement:agreement_on",
    "album": "trials.rounds.album:album",
    "aliases": "trials.design.aliasing:aliases",
    "as_categories": "trials.analysis.as_categories:as_categories",
    "card": "trials.recipe.card:card",
    "check": "trials.rounds.scores:check",
    "checks": "trials.analysis.checks:checks",
    "colour_difference": "trials.measuring.colour:colour_difference",
    "compare": "trials.analysis.comparisons:compare",
    "controlled": "trials.analysis.discoveries:controlled",
    "cross": "trials.recipe.crossing:cross",
    "crossing_factors": "trials.crossings:crossing_factors",
    "demo": "trials.demo:",
    "describe_tasters": "trials.analysis.tasters:describe_tasters",
    "design": "trials.design:",
    "difference": "trials.tasting.difference:",
    "failing": "trials.analysis.failing:failing",
    "fit": "trials.analysis.fitting:fit",
    "fit_rounds": "trials.analysis.rounds_together:fit_rounds",
    "next_round": "trials.deciding.following:next_round",
    "panel_size": "trials.tasting.panel_size:panel_size",
    "parent_settings": "trials.crossings:parent_settings",
    "pictures": "trials.pictures:",
    "power": "trials.design.power:power",
    "propose": "trials.design.propose:propose",
    "quality": "trials.design.quality:quality",
    "read_side_test": "trials.rounds.side_test:read_side_test",
    "recommend": "trials.analysis.trade_off:recommend",
    "rehearsals": "trials.rehearsing:rehearsals",
    "rehearse": "trials.rehearsal:rehearse",
    "replan": "trials.deciding.following:replan",
    "report": "trials.page:report",
    "scores": "trials.rounds.scores:scores",
    "serve_ballots": "trials.rounds.ballot_server:serve_ballots",
    "shopping_list": "trials.rounds.shopping:shopping_list",
    "side_test": "trials.rounds.side_test:side_test",
    "simple_effects": "trials.analysis.simple_effects:simple_effects",
    "timetable": "trials.rounds.timetable:timetable",
    "with_parents": "trials.crossings:with_parents",
    "word_table": "trials.rounds.word_table:word_table",
    "write_note": "trials.rounds.diary:write_note",
    "write_sheets": "trials.rounds.sheets:write_sheets",
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
