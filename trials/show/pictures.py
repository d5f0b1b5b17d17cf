"""Results as figures, each with its text description."""

from importlib import import_module
from typing import Any

_HOMES = {
    "chance_by_bakes": "trials.show.plans",
    "plan_efficiency": "trials.show.plans",
    "plan_error_sources": "trials.show.plans",
    "plan_errors": "trials.show.plans",
    "plan_leverage": "trials.show.plans",
    "plan_map": "trials.show.plans",
    "plan_predictions": "trials.show.plans",
    "plan_relations": "trials.show.plans",
    "bake_day": "trials.show.timetable",
    "contours": "trials.show.surfaces",
    "effects": "trials.show.effects",
    "failure_map": "trials.show.bakes",
    "frontier": "trials.show.surfaces",
    "good_region": "trials.show.surfaces",
    "half_normal": "trials.show.effects",
    "influence": "trials.show.bakes",
    "interactions": "trials.show.effects",
    "places": "trials.show.tasters",
    "residuals": "trials.show.bakes",
    "story": "trials.show.bakes",
    "tasters": "trials.show.tasters",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"trials.show.pictures has no picture {name!r}")


def __dir__() -> list[str]:
    return __all__
