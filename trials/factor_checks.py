"""What a factor may be called, set to, change and depend on, before there is a factor."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from trials.errors import FactorError
from trials.recipe.formula import Formula
from trials.tables import in_words, tidy_number

# Columns every plan or table of scores has; a factor of the same name would hide one of them.
RESERVED = ("day", "load", "bake", "role", "taster", "status")
NO_SETTING = "–"  # shown where a nested factor does not exist
_FURTHEST = 1e50  # ranges from the middle: the third power of anything further can not be squared
CHANGES = ("total", "percent", "swap", "flour share", "cross")

Setting = float | int | str
Change = tuple[Any, ...]
OnlyWhen = tuple[str, Sequence[Setting]]


def check_name(name: str) -> None:
    """Refuse a name that no factor can have; a FactorError says why."""
    if not isinstance(name, str) or not name.strip():
        raise FactorError(f"a factor needs a name; found {name!r}.")
    if name != name.strip() or any(mark in name for mark in "\n\r\t"):
        raise FactorError(f"the name {name!r} starts or ends with a space or holds a line break.")
    if name.casefold() in RESERVED:
        raise FactorError(
            f'"{name}" is a column that every plan has; choose another name, such as "{name} kind".'
        )


def group_of(hard_to_change: bool | str) -> str | None:
    """Return what bakes share when a factor is hard to change, "load" unless it is named.

    Examples
    --------
    >>> group_of(True), group_of("dough"), group_of(False)
    ('load', 'dough', None)
    """
    if isinstance(hard_to_change, str):
        return hard_to_change.strip() or None
    return "load" if hard_to_change else None


def checked_change(name: str, change: Change | None) -> Change | None:
    """Return what a factor changes in the formula once it is one of the changes there are.

    Raises
    ------
    FactorError
        Naming the factor and what was expected.
    """
    if change is None:
        return None
    if isinstance(change, str) or len(change) not in (2, 3) or change[0] not in CHANGES:
        raise FactorError(
            f'"{name}" changes {change!r}; expected two or three parts, the first being '
            f'{in_words(CHANGES, "or")}, as in ("total", "hydration").'
        )
    if (change[0] == "cross") != isinstance(change[1], Formula):
        raise FactorError(f'"{name}": a ("cross", formula) needs the other parent\'s formula.')
    return tuple(change)


def checked_when(name: str, when: OnlyWhen | None, *, alone: bool) -> OnlyWhen | None:
    """Return for which kinds of which factor another exists, once that can be.

    Parameters
    ----------
    name : str
        The factor's own.
    when : tuple or None
        The other factor and some of its kinds.
    alone : bool
        Whether it is easily changed and changes nothing in the formula.

    Raises
    ------
    FactorError
        Naming the factor and what was expected.
    """
    if when is None:
        return None
    shaped = isinstance(when, Sequence) and not isinstance(when, str) and len(when) == 2
    if not shaped or isinstance(when[1], str) or not len(when[1]):
        raise FactorError(
            f'"{name}" has only_when {when!r}; expected a factor and some of its kinds, as '
            'in ("method", ["fried"]).'
        )
    if not alone:
        raise FactorError(
            f'"{name}" exists only for some kinds of "{when[0]}"; such a setting can be '
            "neither hard to change nor a change of the formula. Leave only_when out, or that."
        )
    return str(when[0]), tuple(plain(kind) for kind in when[1])


def is_blank(value: object) -> bool:
    """Say whether a cell holds no setting.

    Examples
    --------
    >>> is_blank(""), is_blank(float("nan")), is_blank(0)
    (True, True, False)
    """
    if isinstance(value, str):
        return value.strip() in ("", NO_SETTING)
    return value is None or type(value).__name__ in ("NAType", "NaTType") or value != value


def finite(name: str, value: Any) -> float:
    """Return a finite number; a FactorError, naming the factor, for anything else."""
    try:
        found = float(value)
    except (TypeError, ValueError):
        raise FactorError(f'"{name}" has {value!r} where a number was expected.') from None
    if not np.isfinite(found):
        raise FactorError(f'"{name}" has {value!r} where a finite number was expected.')
    return found


def checked_range(name: str, low: Any, high: Any) -> tuple[float, float]:
    """Return the limits of a factor as numbers; a FactorError for none that can be used.

    Examples
    --------
    >>> checked_range("rest", 20, 60)
    (20.0, 60.0)
    """
    low, high = finite(name, low), finite(name, high)
    told = f'"{name}" runs from {tidy_number(low)} to {tidy_number(high)}; '
    if not low < high:
        raise FactorError(f"{told}the low setting must be below the high one.")
    if not np.isfinite(high - low):
        raise FactorError(f"{told}no computer reckons that far. Write it in a larger unit.")
    return low, high


def coded_settings(name: str, real: np.ndarray, low: float, high: float) -> np.ndarray:
    """Return settings coded -1 at the low limit and +1 at the high one.

    Raises
    ------
    FactorError
        When a setting lies too far outside the limits to be reckoned with.

    Examples
    --------
    >>> coded_settings("rest", np.array([20.0, 40.0]), 20, 60)
    array([-1.,  0.])
    """
    with np.errstate(over="ignore"):
        coded = 2 * (real - low) / (high - low) - 1
    beyond = np.flatnonzero(np.abs(coded) > _FURTHEST)
    if len(beyond):
        raise FactorError(
            f'"{name}" has the setting {tidy_number(real[beyond[0]])}, too far outside '
            f"{tidy_number(low)} to {tidy_number(high)} to be reckoned with; correct the setting, "
            "or the range of the factor."
        )
    return coded


def plain(level: object) -> Setting:
    """Return a level as Python's own text or number, whatever table it came from."""
    if isinstance(level, np.generic):
        level = level.item()
    return level.strip() if isinstance(level, str) else level  # type: ignore[return-value]


def key_of(level: object) -> str:
    """Return the text by which a level is known: 10, 10.0 and "10" are one level."""
    if isinstance(level, bool):
        return str(level)
    return tidy_number(float(level), 15) if isinstance(level, int | float) else str(level)
