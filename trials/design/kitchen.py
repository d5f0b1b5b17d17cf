"""Which bakes share a day, a load or a dough, before anything is set: the kitchen's own order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.design.basis import Basis
from trials.design.plan import kitchen_group, plural, whole_number
from trials.errors import PlanError
from trials.factors import Factor, group_names
from trials.tables import in_words

# Fewer days than this are taken out as they are, not treated as drawn by chance
FEW_DAYS = 5

Loads = int | Mapping[str, int] | None
Ratios = float | Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Kitchen:
    """Who shares what.

    Parameters
    ----------
    frame : DataFrame
        One row per bake: `day` and a column of numbers for each group.
    groups : tuple of str
        The groups, "load" first.
    """

    frame: pd.DataFrame
    groups: tuple[str, ...]

    def shared(self, factors: Sequence[Factor]) -> list[tuple[np.ndarray, int]]:
        """Return the bakes that share each setting of the hard-to-change factors."""
        result = []
        for place, factor in enumerate(factors):
            if factor.group:
                ids = self.frame[factor.group].to_numpy(dtype=float, na_value=np.nan)
                known = pd.unique(ids[~np.isnan(ids)])
                result += [(np.flatnonzero(ids == value), place) for value in known]
        return result

    def covariance(self, ratios: Ratios, days: bool) -> np.ndarray:
        """Return the covariance of the bakes in units of one bake's variance."""
        result = np.eye(len(self.frame))
        for name in (*self.groups, *(("day",) if days else ())):
            ratio = ratios.get(name, 1.0) if isinstance(ratios, Mapping) else ratios
            result += ratio * same(self.frame[name])
        return result


def same(ids: pd.Series) -> np.ndarray:
    """Return 1 where two bakes have the same number, else 0; a missing number is like no other.

    Examples
    --------
    >>> same(pd.Series([1, 1, 2]))
    array([[1., 1., 0.],
           [1., 1., 0.],
           [0., 0., 1.]])
    """
    codes = pd.factorize(ids)[0]
    alone = np.arange(len(codes)) + len(codes)
    codes = np.where(codes < 0, alone, codes)
    return (codes[:, None] == codes).astype(float)


def set_up(factors: Sequence[Factor], bakes: int, days: int | None, loads: Loads) -> Kitchen:
    """Return the kitchen's order of some bakes.

    Days and loads hold equally many bakes, one after another. A group that is not "load" is
    crossed with it when the bakes of a day fill every combination equally often (a dough split
    over several oil fills: a strip-plot), else nested: the finer within the coarser.

    Parameters
    ----------
    factors : sequence of Factor
    bakes : int
    days : int or None
        None is one day.
    loads : int, mapping or None
        How many of each group: 6, or {"load": 6, "dough": 4}.

    Raises
    ------
    PlanError
        When a number is missing or does not divide, naming what would work.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> oil = Numeric("oil", 165, 180, hard_to_change=True)
    >>> set_up([oil], 4, 2, 2).frame["load"].tolist()
    [1, 1, 2, 2]
    """
    days = whole_number("days", 1 if days is None else days, least=1)
    counts = _counts(factors, loads, bakes, days)
    for name, count in counts.items():
        if count % days:
            raise PlanError(
                f"{_argument(name)} is {count}, which {days} days can not share equally; a "
                f"{kitchen_group(name)} belongs to one day. {_multiples(days, count)} would work."
            )
    if days > bakes:
        raise PlanError(f"days is {days}, more than the {bakes} bakes; at most {bakes} works.")
    for name, count in counts.items():
        if bakes % count:
            raise PlanError(
                f"{_argument(name)} is {count}, which does not divide {bakes} bakes. "
                f"{_divisors(bakes, days)} {name}s, or {_multiples(count, bakes)} bakes, would "
                "work."
            )
    frame = pd.DataFrame({"day": _in_turn(bakes, days)})
    groups = tuple(counts)
    for name in groups:
        others = {other: counts[other] for other in groups[: groups.index(name)]}
        frame[name] = _numbers(name, counts[name], others, frame, days)
    return Kitchen(frame, groups)


def _counts(factors: Sequence[Factor], loads: Loads, bakes: int, days: int) -> dict[str, int]:
    needed = group_names(factors)
    if loads is None:
        given: dict[str, int] = {}
    elif isinstance(loads, Mapping):
        given = dict(loads)
    else:
        own = needed[0] if len(needed) == 1 else "load"
        given = {own: loads}
    unknown = [name for name in given if name != "load" and name not in needed]
    if unknown:
        raise PlanError(
            f'loads names "{unknown[0]}", but no factor is hard to change by it; expected '
            f"{in_words(dict.fromkeys(('load', *needed)), 'or')}."
        )
    missing = [name for name in needed if name not in given]
    if missing:
        names = [factor.name for factor in factors if factor.group == missing[0]]
        works = [n for n in range(days, bakes // 2 + 1) if bakes % n == 0 and n % days == 0]
        shown = {**given, missing[0]: max(works, default=6)}
        example = ", ".join(f'"{name}": {count}' for name, count in shown.items())
        raise PlanError(
            f"{in_words(names)} is hard to change, but loads does not say how many "
            f"{plural(kitchen_group(missing[0], factors))} there are. Say it, as in "
            f"loads={{{example}}}."
        )
    order = sorted(given, key=lambda name: name != "load")
    return {name: whole_number(_argument(name), given[name], least=1) for name in order}


def _argument(name: str) -> str:
    return "loads" if name == "load" else f'loads["{name}"]'


def _in_turn(bakes: int, count: int) -> np.ndarray:
    return np.arange(bakes) * count // bakes + 1


def _numbers(
    name: str, count: int, others: Mapping[str, int], frame: pd.DataFrame, days: int
) -> np.ndarray:
    bakes = len(frame)
    if not others:
        return _in_turn(bakes, count)
    within, cells = count // days, bakes // days
    for size in others.values():
        cells //= max(size // days, 1)
    filled = days * within * int(np.prod([size // days for size in others.values()]))
    if bakes % filled == 0 and cells >= within:
        place = frame.groupby(["day", *others]).cumcount().to_numpy()
        return place % within + (frame["day"].to_numpy() - 1) * within + 1
    for other, size in others.items():
        if count % size and size % count:
            raise PlanError(
                f"{bakes} bakes in {size} {other}s and {count} {name}s: a {kitchen_group(name)} "
                f"can be split over every {other} when the bakes are a multiple of {filled}, or "
                "lie within them when one number is a multiple of the other. "
                f"{_multiples(filled, bakes)} bakes would work."
            )
    return _in_turn(bakes, count)


def _divisors(bakes: int, days: int) -> str:
    works = [n for n in range(days, bakes + 1) if bakes % n == 0 and n % days == 0]
    return in_words(works[:8], "or") or "No number of"


def _multiples(step: int, near: int) -> str:
    below = near // step * step
    return in_words([n for n in (below, below + step) if n > 0], "or")


def group_columns(basis: Basis, factors: Sequence[Factor], group: str) -> int:
    """Return how many columns of a model change only with a group: its own terms.

    Examples
    --------
    >>> from trials.design.basis import basis
    >>> from trials.design.terms import model_terms
    >>> from trials.factors import Numeric
    >>> oil, rest = Numeric("oil", 165, 180, hard_to_change=True), Numeric("rest", 20, 60)
    >>> columns = basis(model_terms("quadratic", [oil, rest]), [oil, rest])
    >>> group_columns(columns, [oil, rest], "load")
    2
    """
    own = np.array([factor.group == group for factor in factors])
    held = basis.index > 0
    return int((held.any(axis=1) & ~held[:, ~own].any(axis=1)).sum())
