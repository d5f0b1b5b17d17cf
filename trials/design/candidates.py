"""The settings an optimal plan may use: where to start and what to try next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from trials.base.errors import FactorError, PlanError
from trials.base.words import in_words, tidy_number
from trials.core.exclusion import Exclusion
from trials.core.factors import Categorical, Component, Factor, Numeric
from trials.core.terms import Basis, Term, component_positions

# Points that stand for the whole region where a mean over it has no closed form
REGION_POINTS = 8192
# Settings listed in full; beyond this many they are drawn
MOST_LISTED = 60_000
# Places along a line through a blend
BLEND_PLACES = 11
# Settings of a number that may be set anywhere, before they are refined
CONTINUOUS = 21


@dataclass(frozen=True, eq=False)
class Candidates:
    """What may be baked.

    Parameters
    ----------
    factors : tuple of Factor
    levels : tuple of ndarray
        Per factor the coded settings to try; for a component its limits.
    exclusion : Exclusion
    """

    factors: tuple[Factor, ...]
    levels: tuple[np.ndarray, ...]
    exclusion: Exclusion

    @cached_property
    def parts(self) -> np.ndarray:
        """Which factors are components."""
        return component_positions(self.factors)

    def moves(self, settings: np.ndarray, factor: int) -> tuple[np.ndarray, np.ndarray]:
        """Return the settings to try instead, and which may be made; see `climb`."""
        if factor in self.parts:
            tries, may = self._blend_moves(settings, factor)
        else:
            tries = np.repeat(settings[:, None], len(self.levels[factor]), axis=1)
            tries[:, :, factor] = self.levels[factor]
            may = np.ones(tries.shape[:2], dtype=bool)
        if not self.exclusion.empty:
            may = may & self.allows(tries)
        return tries, may

    def allows(self, settings: np.ndarray) -> np.ndarray:
        """Return which settings may be baked, looked up where they lie on the grid."""
        if self._table is None:
            return self.exclusion.allows(settings)
        index, on_grid = [], True
        for place, values in enumerate(self.levels):
            at = np.abs(settings[..., place, None] - values).argmin(axis=-1)
            on_grid = on_grid and bool((np.abs(values[at] - settings[..., place]) < 1e-9).all())
            index.append(at)
        return self._table[tuple(index)] if on_grid else self.exclusion.allows(settings)

    @cached_property
    def _table(self) -> np.ndarray | None:
        """Which settings of the grid may be baked; None where the grid is too large to list."""
        sizes = [len(values) for values in self.levels]
        if self.exclusion.empty or len(self.parts) or np.prod(sizes, dtype=float) > MOST_LISTED:
            return None
        return self.exclusion.allows(np.stack(np.meshgrid(*self.levels, indexing="ij"), axis=-1))

    def nudges(self, step: float) -> "Nudges":
        """Return the moves of a numeric factor by a step either way."""
        return Nudges(self, step)

    def _blend_moves(self, settings: np.ndarray, factor: int) -> tuple[np.ndarray, np.ndarray]:
        """Along the Cox direction of a component, and from it to each other component."""
        parts = self.parts
        low, high = (np.array([_limits(self.factors[p])[end] for p in parts]) for end in (0, 1))
        at = int(np.flatnonzero(parts == factor)[0])
        shares = settings[:, parts]
        lines = [_cox(shares, at, low, high)]
        lines += [_pair(shares, at, other, low, high) for other in range(len(parts)) if other != at]
        blends = np.concatenate(lines, axis=1)
        tries = np.repeat(settings[:, None], blends.shape[1], axis=1)
        tries[:, :, parts] = blends
        inside = (blends >= low - 1e-9) & (blends <= high + 1e-9)
        return tries, np.asarray(inside.all(axis=2))

    def draw(self, rng: np.random.Generator, count: int) -> np.ndarray:
        """Return settings of the grid drawn by chance, excluded or not, shape (count, factors)."""
        drawn = np.empty((count, len(self.factors)))
        for place, factor in enumerate(self.factors):
            if not isinstance(factor, Component):
                drawn[:, place] = rng.choice(self.levels[place], count)
        if len(self.parts):
            limits = np.array([_limits(self.factors[p]) for p in self.parts])
            drawn[:, self.parts] = random_blends(rng, count, limits[:, 0], limits[:, 1])
        return drawn

    def listed(self, rng: np.random.Generator) -> np.ndarray:
        """Return the settings of the grid that may be baked, all or many of them."""
        sizes = [len(values) for values in self.levels]
        if len(self.parts) or np.prod(sizes, dtype=float) > MOST_LISTED:
            points = self.draw(rng, 20_000)
        else:
            grid = np.meshgrid(*self.levels, indexing="ij")
            points = np.column_stack([axis.ravel() for axis in grid])
        points = points[self.exclusion.allows(points)]
        if not len(points):
            raise PlanError(
                "exclude leaves nothing to bake: every setting of "
                f"{in_words(factor.name for factor in self.factors)} that could be tried is "
                "excluded. Exclude less, or give the factors other limits."
            )
        return points

    def region(self, count: int = REGION_POINTS) -> np.ndarray:
        """Return points spread over everything that may be baked, always the same ones."""
        rng = np.random.default_rng(20)
        points = np.empty((0, len(self.factors)))
        for _ in range(20):
            drawn = self._anywhere(rng, count)
            points = np.concatenate([points, drawn[self.exclusion.allows(drawn)]])
            if len(points) >= count:
                return points[:count]
        return points if len(points) >= 100 else self.listed(rng)

    def _anywhere(self, rng: np.random.Generator, count: int) -> np.ndarray:
        drawn = self.draw(rng, count)
        for place, factor in enumerate(self.factors):
            if isinstance(factor, Numeric):
                drawn[:, place] = rng.uniform(-1, 1, count)
        return drawn

    def moment(self, basis: Basis) -> np.ndarray:
        """Return the mean of f f' over everything that may be baked."""
        if self.exclusion.empty and not len(self.parts) and not basis.nested:
            return basis.moments()
        rows = basis.rows(self.region())
        return rows.T @ rows / len(rows)


@dataclass(frozen=True, eq=False)
class Nudges:
    """Moves of numeric factors by one step either way, all else as in the candidates."""

    candidates: Candidates
    step: float

    def __call__(self, settings: np.ndarray, factor: int) -> tuple[np.ndarray, np.ndarray]:
        """Return the settings to try instead, and which may be made."""
        kind = self.candidates.factors[factor]
        if not isinstance(kind, Numeric) or kind.settings:
            return self.candidates.moves(settings, factor)
        tries = np.repeat(settings[:, None], 2, axis=1)
        moved = tries[:, :, factor] + self.step * np.array([-1.0, 1.0])
        tries[:, :, factor] = np.clip(moved, -1, 1)
        return tries, self.candidates.exclusion.allows(tries)


def candidates(
    factors: Sequence[Factor],
    terms: Sequence[Term],
    exclusion: Exclusion,
    settings: Mapping[str, Sequence[Any]] | None = None,
    continuous: bool = False,
) -> Candidates:
    """Return what may be baked for a model.

    A number gets the settings that can be made, else its ends, with as many in between as its
    highest power needs; five where something is excluded, so that a corner can be approached;
    21 where it may be set anywhere.

    Examples
    --------
    >>> from trials.core.terms import model_terms
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> candidates([rest], model_terms("quadratic", [rest]), Exclusion([rest], None)).levels
    (array([-1.,  0.,  1.]),)
    """
    settings = dict(settings or {})
    names = [factor.name for factor in factors]
    for name in settings:
        if name not in names:
            raise PlanError(
                f'settings names "{name}", which is not a factor; expected {in_words(names)}.'
            )
    least = CONTINUOUS if continuous else 2 if exclusion.empty else 5
    levels = tuple(_levels(factor, terms, settings.get(factor.name), least) for factor in factors)
    check_blend(factors)
    return Candidates(tuple(factors), levels, exclusion)


def _levels(
    factor: Factor, terms: Sequence[Term], wanted: Sequence[Any] | None, least: int
) -> np.ndarray:
    if wanted is not None:
        return _wanted(factor, wanted)
    if isinstance(factor, Categorical):
        return np.arange(len(factor.levels), dtype=float)
    if isinstance(factor, Component):
        return np.array([factor.low, factor.high])
    if factor.settings:
        return factor.code(factor.settings)
    power = max([p for term in terms for name, p in term.powers if name == factor.name] or [1])
    return np.linspace(-1, 1, max(least, power + 1))


def _wanted(factor: Factor, wanted: Sequence[Any]) -> np.ndarray:
    if isinstance(factor, Component):
        raise PlanError(f'settings: "{factor.name}" is a share of a blend; give it limits instead.')
    try:
        coded = np.unique(np.asarray(factor.code(wanted), dtype=float))
    except FactorError as error:
        raise PlanError(f"settings: {error}") from None
    if isinstance(factor, Numeric) and (np.abs(coded) > 1 + 1e-9).any():
        raise PlanError(
            f'settings gives "{factor.name}" {in_words(map(tidy_number, wanted))}; expected '
            f"settings between {factor.show(factor.low)} and {factor.show(factor.high)}."
        )
    if len(coded) < 2:
        raise PlanError(f'settings gives "{factor.name}" {len(coded)} setting; two are needed.')
    return coded


def check_blend(factors: Sequence[Factor]) -> None:
    """Refuse components whose limits can not sum to one.

    Examples
    --------
    >>> check_blend([Component("rye", 0, 0.3), Component("wheat", 0, 0.3)])
    Traceback (most recent call last):
    trials.base.errors.PlanError: the shares of rye and wheat can reach 60 % at most; they must...
    """
    parts = [factor for factor in factors if isinstance(factor, Component)]
    if not parts:
        return
    names = in_words(part.name for part in parts)
    low, high = sum(part.low for part in parts), sum(part.high for part in parts)
    if len(parts) == 1:
        raise PlanError(f'"{names}" is the only component; a blend needs at least two.')
    if high < 1 - 1e-9:
        raise PlanError(
            f"the shares of {names} can reach {100 * high:.4g} % at most; they must be able to sum "
            "to 100 %. Raise some of the upper limits."
        )
    if low > 1 + 1e-9:
        raise PlanError(
            f"the shares of {names} are at least {100 * low:.4g} % together; they must be able to "
            "sum to 100 %. Lower some of the lower limits."
        )
    if high < 1 + 1e-9 or low > 1 - 1e-9:
        raise PlanError(
            f"the limits of {names} leave a single blend; nothing varies. Widen some limits."
        )


def _limits(factor: Factor) -> tuple[float, float]:
    assert isinstance(factor, Component)
    return factor.low, factor.high


def random_blends(
    rng: np.random.Generator, count: int, low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Return blends drawn by chance within limits, shape (count, components).

    Drawn evenly over the simplex above the lower limits and redrawn while beyond an upper one;
    where the limits are so tight that few would pass, the excess is shared out instead.

    Examples
    --------
    >>> low, high = np.array([0.1, 0.2]), np.array([0.5, 0.9])
    >>> blends = random_blends(np.random.default_rng(1), 3, low, high)
    >>> bool(np.allclose(blends.sum(axis=1), 1) and (blends <= high).all())
    True
    """
    spare = 1 - low.sum()
    drawn = low + spare * rng.dirichlet(np.ones(len(low)), count)
    for _ in range(30):
        bad = np.flatnonzero((drawn > high + 1e-12).any(axis=1))
        if not len(bad):
            return drawn
        drawn[bad] = low + spare * rng.dirichlet(np.ones(len(low)), len(bad))
    for _ in range(200):
        over = np.maximum(drawn - high, 0)
        if over.max() < 1e-12:
            break
        room = np.where(over > 0, 0, high - drawn)
        drawn = np.minimum(drawn, high)
        drawn += (
            over.sum(axis=1, keepdims=True)
            * room
            / np.maximum(room.sum(axis=1, keepdims=True), 1e-300)
        )
    return drawn


def _cox(shares: np.ndarray, at: int, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return blends along the line that keeps the others in proportion.

    References
    ----------
    Cox 1971, Biometrika 58:155.
    """
    rest = 1 - shares[:, at]
    others = np.delete(shares, at, axis=1)
    # All in one component: the others have no proportion to keep, so they share alike
    alone = rest < 1e-9
    ratio = np.where(alone[:, None], 1 / others.shape[1], others / np.maximum(rest, 1e-9)[:, None])
    lo, hi = np.delete(low, at), np.delete(high, at)
    safe = np.maximum(ratio, 1e-12)
    most = np.minimum(np.where(ratio > 1e-12, hi / safe, np.inf).min(axis=1), 1 - low[at])
    least = np.maximum(np.where(ratio > 1e-12, lo / safe, 0).max(axis=1), 1 - high[at])
    share = np.linspace(0, 1, BLEND_PLACES)
    total = least[:, None] + (np.maximum(most, least) - least)[:, None] * share
    blends = np.empty((len(shares), BLEND_PLACES, shares.shape[1]))
    blends[:, :, at] = 1 - total
    blends[:, :, np.arange(shares.shape[1]) != at] = total[:, :, None] * ratio[:, None, :]
    return blends


def _pair(shares: np.ndarray, at: int, other: int, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return blends that give one component what another loses: both ends and half-way."""
    both = shares[:, at] + shares[:, other]
    least = np.maximum(low[at], both - high[other])
    most = np.minimum(high[at], both - low[other])
    values = least[:, None] + (most - least)[:, None] * np.array([0.0, 0.5, 1.0])
    blends = np.repeat(shares[:, None], 3, axis=1)
    blends[:, :, at] = values
    blends[:, :, other] = both[:, None] - values
    return blends
