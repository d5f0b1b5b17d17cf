"""Settings that never go together: a rule or a table, checked on every setting tried."""

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from trials.base.errors import FactorError, PlanError
from trials.base.words import in_words
from trials.core.factors import Categorical, Factor
from trials.core.terms import real_settings

Exclude: TypeAlias = (
    Callable[[dict[str, Any]], Any] | pd.DataFrame | Sequence[Mapping[str, Any]] | None
)

# A rule is kept as the settings it removed; more of them than this would be no use to a reader.
MOST_KEPT = 200


class Exclusion:
    """Which settings may be baked.

    Parameters
    ----------
    factors : sequence of Factor
    exclude : callable, DataFrame, sequence of mappings or None
        A function of a bake (a dict of real settings) that is true where it must not be made; or
        a table whose rows are combinations that never go together: factor name -> a level, or
        (low, high) for a range with both ends in it; an empty cell means any setting.
    """

    def __init__(self, factors: Sequence[Factor], exclude: Exclude) -> None:
        self.factors = tuple(factors)
        self.rule = exclude if callable(exclude) else None
        self.ranges: list[list[tuple[int, float, float]]] = []
        if not (exclude is None or callable(exclude)):
            self.ranges = _ranges(factors, exclude)
        self._known: dict[bytes, bool] = {}

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "_known": {}}

    @property
    def empty(self) -> bool:
        """Whether nothing is excluded."""
        return self.rule is None and not self.ranges

    def allows(self, settings: np.ndarray) -> np.ndarray:
        """Return which settings may be baked, for an array of shape (..., factors)."""
        allowed = np.ones(settings.shape[:-1], dtype=bool)
        for combination in self.ranges:
            within = np.ones_like(allowed)
            for position, low, high in combination:
                values = settings[..., position]
                within &= (values >= low - 1e-9) & (values <= high + 1e-9)
            allowed &= ~within
        if self.rule is not None:
            allowed &= self._ruled(settings.reshape(-1, settings.shape[-1])).reshape(allowed.shape)
        return allowed

    def _ruled(self, settings: np.ndarray) -> np.ndarray:
        # Rounded only to remember by (negative zero is the same setting as zero): a rule that says
        # "from 166" must be asked about 166 itself
        keys = [row.tobytes() for row in np.round(settings, 9) + 0.0]
        new = {key: place for place, key in enumerate(keys) if key not in self._known}
        if new:
            real = real_settings(self.factors, settings[list(new.values())])
            for key, values in zip(new, zip(*real.values(), strict=True), strict=True):
                self._known[key] = not self._ask(dict(zip(real, values, strict=True)))
        return np.array([self._known[key] for key in keys], dtype=bool)

    def _ask(self, bake: dict[str, Any]) -> bool:
        assert self.rule is not None
        try:
            return bool(self.rule(dict(bake)))
        except Exception as error:
            raise PlanError(
                f"exclude fails on the bake {bake}: {type(error).__name__}: {error}. It is given "
                f"a dict with {in_words(factor.name for factor in self.factors)} and returns True "
                "or False."
            ) from None

    def record(self, grid: Sequence[np.ndarray]) -> tuple[dict[str, Any], ...]:
        """Return what is excluded as plain combinations, a rule as the settings it removed."""
        if self.rule is None:
            return tuple(self._written(combination) for combination in self.ranges)
        looked_at = [place for place in range(len(grid)) if self._matters(grid, place)]
        base = np.array([values[0] for values in grid])
        removed: list[dict[str, Any]] = []
        for values in product(*(grid[place] for place in looked_at)):
            setting = base.copy()
            setting[looked_at] = values
            if not self.allows(setting[None])[0] and len(removed) < MOST_KEPT:
                real = real_settings(self.factors, setting[None])
                names = [self.factors[place].name for place in looked_at]
                removed.append({name: real[name][0] for name in names})
        return tuple(removed)

    def _matters(self, grid: Sequence[np.ndarray], place: int) -> bool:
        rng = np.random.default_rng(0)
        trials_ = np.column_stack([rng.choice(values, 400) for values in grid])
        answers = []
        for value in grid[place]:
            trials_[:, place] = value
            answers.append(self.allows(trials_))
        return bool((np.array(answers) != answers[0]).any())

    def _written(self, combination: Sequence[tuple[int, float, float]]) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for position, low, high in combination:
            factor = self.factors[position]
            if isinstance(factor, Categorical):
                result[factor.name] = factor.levels[int(low)]
            else:
                ends = tuple(factor.decode([low, high]).tolist())
                result[factor.name] = ends[0] if low == high else ends
        return result


def _ranges(factors: Sequence[Factor], exclude: Any) -> list[list[tuple[int, float, float]]]:
    rows = exclude.to_dict("records") if isinstance(exclude, pd.DataFrame) else list(exclude)
    names = [factor.name for factor in factors]
    result = []
    for row in rows:
        if not isinstance(row, Mapping):
            raise PlanError(
                f"exclude holds {row!r}; expected a function of a bake, a table with a column per "
                "factor, or a list of combinations such as {'oil': (175, 180), 'water': 108}."
            )
        unknown = [name for name in row if name not in names]
        if unknown:
            raise PlanError(
                f'exclude names "{unknown[0]}", which is not a factor; expected {in_words(names)}.'
            )
        held = {name: cell for name, cell in row.items() if not _blank(cell)}
        if held:
            result.append(
                [
                    (names.index(name), *_ends(factors[names.index(name)], cell))
                    for name, cell in held.items()
                ]
            )
    return result


def _blank(cell: object) -> bool:
    return (
        cell is None or cell == "" or cell is pd.NA or (isinstance(cell, float) and np.isnan(cell))
    )


def _ends(factor: Factor, cell: Any) -> tuple[float, float]:
    is_range = isinstance(cell, tuple | list | np.ndarray)
    if isinstance(cell, pd.Interval):
        cell, is_range = (cell.left, cell.right), True
    if isinstance(factor, Categorical) and is_range:
        raise PlanError(
            f'exclude gives "{factor.name}" the range {cell!r}, but it has kinds; name one kind '
            "in each row."
        )
    if is_range and len(cell) != 2:
        raise PlanError(f'exclude gives "{factor.name}" {cell!r}; expected (low, high).')
    try:
        low, high = factor.code(cell if is_range else [cell, cell])
    except FactorError as error:
        raise PlanError(f"exclude: {error}") from None
    if low > high:
        raise PlanError(f'exclude gives "{factor.name}" the range {cell!r}; low comes first.')
    return float(low), float(high)
