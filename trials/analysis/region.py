"""Where to look for the best setting: limits, what is left out, blends, what a kitchen can set."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.failing import Failure, chance_of_failure
from trials.analysis.settings import settings_table
from trials.base.errors import FitError, PlanError
from trials.base.words import in_words, percent, tidy_number
from trials.core.exclusion import Exclude, Exclusion
from trials.core.factors import Categorical, Component, Factor, Numeric
from trials.core.terms import coded_settings, component_positions, real_settings
from trials.design.candidates import check_blend, random_blends

# -- What a kitchen can set: the places of a dial, and shares that are weighed and sum to one.


STEPS_IN_RANGE = 15  # a dial is set to about this many places (common practice, no source)
SHARE_STEP = 0.01
NEAR = 1e-9


def kitchen_step(span: float) -> float:
    """Return a round step (1, 2 or 5) that parts a range into fifteen or some more.

    Examples
    --------
    >>> kitchen_step(15), kitchen_step(40), kitchen_step(2)
    (1.0, 2.0, 0.1)
    """
    ideal = span / STEPS_IN_RANGE
    power = 10.0 ** np.floor(np.log10(ideal) + NEAR)
    return float(max(step for step in (1, 2, 5) if step * power <= ideal * (1 + NEAR)) * power)


def dial_values(factor: Factor, exact: bool) -> np.ndarray | None:
    """Return the coded settings that a kitchen can make; None where any number will do.

    Examples
    --------
    >>> dial_values(Numeric("rest", 20, 60, "min", step=20), exact=False)
    array([-1.,  0.,  1.])
    """
    if isinstance(factor, Categorical):
        return np.arange(len(factor.levels), dtype=float)
    assert isinstance(factor, Numeric)
    if factor.settings:
        return factor.code(factor.settings)
    if factor.step:
        places = np.arange(np.floor((factor.high - factor.low) / factor.step + NEAR) + 1)
        real = factor.low + places * factor.step
    elif exact:
        return None
    else:
        step = kitchen_step(factor.high - factor.low)
        first, last = np.ceil(factor.low / step - NEAR), np.floor(factor.high / step + NEAR)
        real = np.arange(first, last + 1) * step
    known = np.concatenate([real, [factor.low, factor.high, factor.middle]])
    known = np.array(sorted({float(f"{value:.12g}") for value in known}))
    return factor.code(np.clip(known, factor.low, factor.high))


def share_values(parts: Sequence[Component], exact: bool) -> np.ndarray | None:
    """Return no share and the step in which all shares of a blend are weighed; None for any.

    Examples
    --------
    >>> share_values([Component("rye", 0, 0.5)], exact=False)
    array([0.  , 0.01])
    """
    if exact:
        return None
    return np.array([0.0, min(SHARE_STEP, *(kitchen_step(p.high - p.low) for p in parts))])


def summed(shares: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the nearest shares within limits that sum to one.

    Examples
    --------
    >>> summed(np.array([0.6, 0.6]), np.zeros(2), np.ones(2))
    array([0.5, 0.5])
    """
    bottom = (shares - high).min(axis=-1, keepdims=True)
    top = (shares - low).max(axis=-1, keepdims=True)
    for _ in range(60):
        middle = (bottom + top) / 2
        over = np.clip(shares - middle, low, high).sum(axis=-1, keepdims=True) > 1
        bottom, top = np.where(over, middle, bottom), np.where(over, top, middle)
    return settled(np.clip(shares - top, low, high), low, high)


def settled(shares: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return shares whose small rest to one is given to the largest that have room for it.

    Examples
    --------
    >>> settled(np.array([0.5, 0.49]), np.zeros(2), np.ones(2))
    array([0.51, 0.49])
    """
    made = np.array(shares)
    order = np.argsort(-made, axis=-1, kind="stable")
    for place in range(made.shape[-1]):
        at = order[..., place : place + 1]
        own = np.take_along_axis(made, at, axis=-1)
        wanted = own + 1 - made.sum(axis=-1, keepdims=True)
        np.put_along_axis(made, at, np.clip(wanted, low[at], high[at]), axis=-1)
    return made


# -- Where to look for the best setting: limits, what is left out, blends, what a kitchen can set.
#
# A setting is a row of numbers as in :mod:`trials.design.basis`: the coded value of a number, the
# position of a kind among its levels, the share of a component.


MOST_CANDIDATES = 4000
CHANCE_POINTS = 2000
MOST_BLENDS = 60  # crossed with numbers and kinds
_SEED = 1414


@dataclass(frozen=True, eq=False)
class Region:
    """The settings that may be recommended.

    Parameters
    ----------
    factors : tuple of Factor
    excluded : callable or None
        Which of an array of settings may not be baked.
    chance_of_failure : callable or None
        Of an array of settings.
    failure_limit : float
    values : tuple
        For each factor the coded settings that a kitchen can make; None where any can be.
    """

    factors: tuple[Factor, ...]
    excluded: Callable[[np.ndarray], np.ndarray] | None
    chance_of_failure: Callable[[np.ndarray], np.ndarray] | None
    failure_limit: float
    values: tuple[np.ndarray | None, ...]

    @cached_property
    def parts(self) -> np.ndarray:
        """Which factors are shares of the blend."""
        return component_positions(self.factors)

    @cached_property
    def low(self) -> np.ndarray:
        """The lowest number of each factor."""
        return np.array([_ends(factor)[0] for factor in self.factors])

    @cached_property
    def high(self) -> np.ndarray:
        """The highest number of each factor."""
        return np.array([_ends(factor)[1] for factor in self.factors])

    def within(self, X: np.ndarray) -> np.ndarray:
        """Return which settings lie inside all limits, a blend summing to one."""
        inside = ((self.low - NEAR <= X) & (self.high + NEAR >= X)).all(axis=-1)
        if len(self.parts):
            inside = inside & (np.abs(X[..., self.parts].sum(axis=-1) - 1) <= NEAR)
        return np.asarray(inside)

    def allows(self, X: np.ndarray) -> np.ndarray:
        """Return which settings may be recommended, for an array of shape (settings, factors)."""
        allowed = self.within(X)
        if self.excluded is not None and allowed.any():
            allowed[allowed] = ~self.excluded(X[allowed])
        if self.chance_of_failure is not None and allowed.any():
            allowed[allowed] = self.chance_of_failure(X[allowed]) < self.failure_limit
        return allowed

    def snapped(self, X: np.ndarray) -> np.ndarray:
        """Return the nearest settings that a kitchen can make (limits kept, a blend's sum kept)."""
        made = np.clip(X, self.low, self.high)
        for place, values in enumerate(self.values):
            if values is not None and not isinstance(self.factors[place], Component):
                nearest = np.abs(made[:, place, None] - values).argmin(axis=1)
                made[:, place] = values[nearest]
        if len(self.parts):
            made[:, self.parts] = self._blended(made[:, self.parts])
        for place, host, kinds in self.nested:
            made[~np.isin(made[:, host], kinds), place] = 0.0
        return made

    @cached_property
    def nested(self) -> list[tuple[int, int, np.ndarray]]:
        """The factors that exist only for some kinds of another: place, the other's, those."""
        names = [factor.name for factor in self.factors]
        when = [(n, f.only_when) for n, f in enumerate(self.factors) if f.only_when]
        hosts = [(n, names.index(host), kinds) for n, (host, kinds) in when]
        return [(n, host, self.factors[host].code(kinds)) for n, host, kinds in hosts]

    def _blended(self, shares: np.ndarray) -> np.ndarray:
        low, high = self.low[self.parts], self.high[self.parts]
        values = self.values[self.parts[0]]
        made = summed(shares, low, high)
        if values is not None:
            step = float(values[1] - values[0])
            made = settled(np.clip(np.round(made / step) * step, low, high), low, high)
        return np.round(made, 12)

    def frame(self, X: np.ndarray) -> pd.DataFrame:
        """Return settings in real units, one column per factor."""
        return pd.DataFrame(real_settings(self.factors, np.atleast_2d(X)))

    def candidates(self, most: int = MOST_CANDIDATES) -> np.ndarray:
        """Return allowed settings all over the region, a grid first and then points by chance."""
        drawn = self.snapped(np.vstack([self._grid(most), self._by_chance(CHANCE_POINTS)]))
        drawn = drawn[np.sort(np.unique(np.round(drawn, 9), axis=0, return_index=True)[1])]
        kept = drawn[self.allows(drawn)]
        if not len(kept):
            raise PlanError(self._nothing_left(drawn))
        return kept

    def grid(self, most: int = MOST_CANDIDATES) -> np.ndarray:
        """Return the allowed settings of an even grid (blends: of points by chance)."""
        drawn = self.snapped(self._grid(most))
        drawn = drawn[np.unique(np.round(drawn, 9), axis=0, return_index=True)[1]]
        return drawn[self.allows(drawn)]

    def _grid(self, most: int) -> np.ndarray:
        kinds = [f for f in self.factors if isinstance(f, Categorical)]
        numbers = [f for f in self.factors if isinstance(f, Numeric)]
        rng = np.random.default_rng(_SEED)
        count = MOST_BLENDS if numbers or kinds else most // 2
        blends = self._blends(rng, count) if len(self.parts) else np.empty((1, 0))
        combos = int(np.prod([len(f.levels) for f in kinds], dtype=float)) * len(blends)
        places = next(
            (n for n in (21, 15, 11, 9, 7, 5, 3) if combos * n ** len(numbers) <= most), 2
        )
        if combos * float(places) ** len(numbers) > 16 * most:
            return self._by_chance(most)
        axes = [
            np.arange(len(f.levels)) if isinstance(f, Categorical) else np.linspace(-1, 1, places)
            for f in self.factors
            if not isinstance(f, Component)
        ]
        grid = np.array(list(product(*axes)), dtype=float)
        others = np.delete(np.arange(len(self.factors)), self.parts)
        whole = np.empty((len(grid) * len(blends), len(self.factors)))
        whole[:, others] = np.repeat(grid, len(blends), axis=0)
        whole[:, self.parts] = np.tile(blends, (len(grid), 1))
        return whole

    def _blends(self, rng: np.random.Generator, count: int) -> np.ndarray:
        """Return blends: as far as each share goes either way, then blends by chance."""
        low, high = self.low[self.parts], self.high[self.parts]
        ends = np.vstack([np.diag(high - low) * sign for sign in (3.0, -3.0)]) + (low + high) / 2
        return np.vstack([summed(ends, low, high), random_blends(rng, count, low, high)])

    def _by_chance(self, count: int) -> np.ndarray:
        rng = np.random.default_rng(_SEED)
        drawn = self.low + (self.high - self.low) * rng.random((count, len(self.factors)))
        for place, factor in enumerate(self.factors):
            if isinstance(factor, Categorical):
                drawn[:, place] = rng.integers(len(factor.levels), size=count)
        if len(self.parts):
            low, high = self.low[self.parts], self.high[self.parts]
            drawn[:, self.parts] = random_blends(rng, count, low, high)
        return drawn

    def _nothing_left(self, drawn: np.ndarray) -> str:
        free = self.within(drawn)
        if self.excluded is not None:
            free[free] = ~self.excluded(drawn[free])
        if not free.any():
            return (
                "every setting between the limits is excluded, so there is nothing to recommend. "
                "Look at exclude, or widen the limits of a factor."
            )
        assert self.chance_of_failure is not None
        chances = self.chance_of_failure(drawn[free])
        least = drawn[free][int(np.argmin(chances))]
        return (
            "no setting keeps the chance that a bake fails below "
            f"{percent(self.failure_limit)}; the least is {percent(chances.min())}, at "
            f"{setting_words(self.factors, self.frame(least))}. "
            "Raise failure_limit, or bake near that setting to learn more."
        )


def region(
    factors: Sequence[Factor],
    exclude: Exclude = None,
    failure: Failure = None,
    failure_limit: float = 0.1,
    *,
    exact: bool = False,
) -> Region:
    """Return the settings that may be recommended.

    Examples
    --------
    >>> rest = Numeric("rest", 20, 60, "min", step=20)
    >>> made = region([rest], [{"rest": 60}])
    >>> made.frame(made.candidates())["rest"].tolist()
    [20.0, 40.0]
    """
    check_blend(factors)
    if not isinstance(failure_limit, Real) or not 0 < failure_limit <= 1:
        raise FitError(
            f"failure_limit is {failure_limit!r}; a chance above 0 and up to 1 is expected."
        )
    parts = [factor for factor in factors if isinstance(factor, Component)]
    values = tuple(
        share_values(parts, exact) if isinstance(factor, Component) else dial_values(factor, exact)
        for factor in factors
    )
    return Region(
        tuple(factors),
        _excluded(factors, exclude),
        chance_of_failure(failure, factors),
        failure_limit,
        values,
    )


def _excluded(
    factors: Sequence[Factor], exclude: Exclude
) -> Callable[[np.ndarray], np.ndarray] | None:
    """Return which settings are excluded; a rule is asked about the very numbers that are shown."""
    if exclude is None:
        return None
    if not callable(exclude):
        table = Exclusion(factors, exclude)
        return None if table.empty else lambda X: ~table.allows(X)
    rule = exclude

    def ruled_out(X: np.ndarray) -> np.ndarray:
        real = real_settings(factors, X)
        bakes = [
            dict(zip(real, values, strict=True)) for values in zip(*real.values(), strict=True)
        ]
        try:
            return np.array([bool(rule(bake)) for bake in bakes])
        except Exception as error:
            names = in_words(factor.name for factor in factors)
            raise PlanError(
                f"exclude fails: {type(error).__name__}: {error}. It is given a bake, a dict with "
                f"{names}, and returns True or False."
            ) from None

    return ruled_out


def _ends(factor: Factor) -> tuple[float, float]:
    if isinstance(factor, Categorical):
        return 0.0, float(len(factor.levels) - 1)
    return (factor.low, factor.high) if isinstance(factor, Component) else (-1.0, 1.0)


def setting_words(factors: Sequence[Factor], frame: pd.DataFrame | Mapping[str, Any]) -> str:
    """Return one setting in words.

    Examples
    --------
    >>> setting_words([Numeric("rest", 20, 60, "min")], {"rest": 40})
    'rest 40 min'
    """
    row = frame.iloc[0] if isinstance(frame, pd.DataFrame) else frame
    return ", ".join(f"{f.name} {_shown(f, row[f.name])}" for f in factors)


def _shown(factor: Factor, value: Any) -> str:
    if isinstance(factor, Component):
        return f"{tidy_number(100 * float(value), 4)} %"
    return factor.show(value)


def coded(factors: Sequence[Factor], settings: Mapping[str, Any]) -> np.ndarray:
    """Return one setting as a row of numbers.

    Examples
    --------
    >>> coded([Numeric("rest", 20, 60)], {"rest": 40})
    array([[0.]])
    """
    own = {one.name: settings[one.name] for one in factors if one.name in settings}
    return coded_settings(factors, settings_table(own, factors))
