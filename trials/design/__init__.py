"""Which bakes: the families of plans and what each can tell.

A table of names that are loaded when used.
"""

from importlib import import_module
from typing import Any

_HOMES = {
    "full_factorial": "trials.design.factorial",
    "fractional_factorial": "trials.design.factorial",
    "fold_over": "trials.design.factorial",
    "plackett_burman": "trials.design.screening",
    "conference_screening": "trials.design.screening",
    "central_composite": "trials.design.surface",
    "box_behnken": "trials.design.surface",
    "simplex_lattice": "trials.design.blend",
    "simplex_centroid": "trials.design.blend",
    "extreme_vertices": "trials.design.blend",
    "latin_square": "trials.design.squares",
    "graeco_latin_square": "trials.design.squares",
    "optimal": "trials.design.exchange",
    "add_bakes": "trials.design.exchange",
    "variants": "trials.design.side_by_side",
    "drop": "trials.design.midway",
    "add": "trials.design.midway",
    "repeat": "trials.design.midway",
    "still_tells": "trials.design.midway",
    "best_extra": "trials.design.midway",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
