"""Results as figures, each with its text description."""

from importlib import import_module
from typing import Any

_HOMES = {
    "chance_by_bakes": "plan_curves",
    "plan_efficiency": "plan_shares",
    "plan_error_sources": "plan_shares",
    "plan_errors": "plan_charts",
    "plan_leverage": "plan_shares",
    "plan_map": "plan_charts",
    "plan_predictions": "plan_curves",
    "plan_relations": "plan_charts",
    "bake_day": "day_chart",
    "contours": "contour_maps",
    "effects": "effect_chart",
    "failure_map": "failure_chart",
    "frontier": "trade_off_chart",
    "good_region": "trade_off_chart",
    "half_normal": "half_normal_plot",
    "influence": "check_charts",
    "interactions": "interaction_lines",
    "places": "taster_charts",
    "residuals": "check_charts",
    "story": "story_chart",
    "tasters": "taster_charts",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"trials.pictures.{_HOMES[name]}"), name)
    raise AttributeError(f"trials.pictures has no picture {name!r}")


def __dir__() -> list[str]:
    return __all__
