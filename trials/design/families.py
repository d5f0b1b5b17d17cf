"""The families of plans: what each makes, when it fits, and its words.

A new family registers here, in :data:`FAMILIES`, and nowhere else: `propose` then weighs it beside
the others, and the reasons of a plan say what it makes.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from trials.core.exclusion import Exclude
from trials.core.factors import Categorical, Component, Factor, Numeric
from trials.core.plan import GIVEN, Plan
from trials.core.terms import model_terms
from trials.design.blend import extreme_vertices, simplex_centroid, simplex_lattice
from trials.design.factorial import MIRROR_BAKES, fold_over, fractional_factorial, full_factorial
from trials.design.layout import Loads
from trials.design.screening import conference_screening, plackett_burman
from trials.design.squares import graeco_latin_square, latin_square
from trials.design.surface import box_behnken, central_composite

MODELS = {"screen": "main", "interactions": "interactions", "optimise": "quadratic"}
FRACTIONS, HADAMARD = (64, 32, 16, 8), (36, 28, 24, 20, 12)
MOST_MIDDLES = 4
MOST_HALVES = 10  # pairs that half a mirror plan is tried for
OPTIMAL = "optimal plan"
FIRST_PART, FILLED = "first part", "filled up"

Maker = Callable[[], Plan]


@dataclass(frozen=True, eq=False)
class Wish:
    """What is asked of a plan.

    Parameters
    ----------
    factors : tuple of Factor
    bakes : int
        The most that can be afforded.
    aim : str
    days : int
    loads : int, dict or None
    references : int
    exclude : optional
    keep : Plan, DataFrame or None
    seed : int
    """

    factors: tuple[Factor, ...]
    bakes: int
    aim: str
    days: int
    loads: Loads
    references: int
    exclude: Exclude
    keep: Plan | pd.DataFrame | None
    seed: int

    @property
    def blend(self) -> bool:
        """Whether shares of a blend are among the factors."""
        return any(isinstance(factor, Component) for factor in self.factors)

    @property
    def model(self) -> str:
        """The model that the aim asks for."""
        return "blend" if self.blend else MODELS[self.aim]

    @property
    def targets(self) -> list[str]:
        """The effects that are asked about."""
        return [term.name for term in model_terms(self.model, self.factors)]

    @property
    def kitchen(self) -> dict[str, Any]:
        """What every family is told."""
        return {"days": self.days, "references": self.references, "seed": self.seed}


@dataclass(frozen=True)
class Family:
    """A family of plans.

    Parameters
    ----------
    key : str
        What `Plan.family` says.
    words : str
        What it makes, for those who do not know its textbook name; "{of}" stands for what the
        plan that it was made of is.
    makes : callable
        Wish -> makers of its plans, of every size that the budget allows. None of a family that
        `propose` does not weigh as it stands: found by a search, or made by hand.
    fits : callable
        Whether a wish is one for it.
    """

    key: str
    words: str
    makes: Callable[[Wish], Iterator[Maker]] = lambda _: iter(())
    fits: Callable[[Wish], bool] = lambda _: True


def _new(wish: Wish) -> bool:
    return wish.keep is None and not wish.blend


def _new_blend(wish: Wish) -> bool:
    return wish.keep is None and wish.blend


def _tuning(wish: Wish) -> bool:
    return _new(wish) and wish.aim == "optimise"


def _square(wish: Wish, count: int) -> bool:
    """Say whether the factors are as many kinds in each of so many."""
    kinds = {len(one.levels) if isinstance(one, Categorical) else 0 for one in wish.factors}
    alike = len(wish.factors) == count and len(kinds) == 1 and 0 not in kinds
    return _new(wish) and wish.aim == "screen" and alike


def _mirrors(wish: Wish) -> bool:
    return isinstance(wish.keep, Plan) and wish.days == 1 and not wish.references


def _full(wish: Wish) -> Iterator[Maker]:
    whole = int(np.prod([len(one.levels) for one in wish.factors], dtype=float).clip(max=1e6))
    for copies in (4, 3, 2, 1):
        if copies * whole <= wish.bakes:
            yield partial(
                full_factorial, wish.factors, replicates=copies, loads=wish.loads, **wish.kitchen
            )


def _fractions(wish: Wish) -> Iterator[Maker]:
    """Make fractions of every size, the largest also with middle-setting bakes."""
    numeric = any(isinstance(factor, Numeric) for factor in wish.factors)
    sizes = [(size, 0) for size in FRACTIONS if size <= wish.bakes]
    # Middle bakes would be loads and doughs of their own, beside those that were asked for
    if sizes and numeric and wish.bakes > sizes[0][0] and not wish.loads:
        sizes.append((sizes[0][0], min(wish.bakes - sizes[0][0], MOST_MIDDLES)))
    for size, middles in sizes:
        yield partial(
            fractional_factorial,
            wish.factors,
            bakes=size + middles,
            centre_bakes=middles,
            loads=wish.loads,
            **wish.kitchen,
        )


def _hadamard(wish: Wish) -> Iterator[Maker]:
    for size in HADAMARD:
        if size <= wish.bakes:
            yield partial(plackett_burman, wish.factors, bakes=size, **wish.kitchen)


def bent(wish: Wish) -> list[str]:
    """Return single changes and bends, without pairs."""
    terms = model_terms("quadratic", wish.factors)
    return [term.name for term in terms if len(term.factors) == 1]


def _conference(wish: Wish) -> Iterator[Maker]:
    def made() -> Plan:
        plan = conference_screening(wish.factors, **wish.kitchen)
        # Its lows, middles and highs judge bends too, where tuning asks for them
        return replace(plan, model=tuple(bent(wish))) if wish.aim == "optimise" else plan

    yield made


def _squared(wish: Wish) -> Iterator[Maker]:
    square = latin_square if len(wish.factors) == 3 else graeco_latin_square
    # Each square is a day of its own
    yield partial(
        square,
        wish.factors,
        replicates=wish.days,
        references=wish.references,
        seed=wish.seed,
    )


def _mirrored(wish: Wish) -> Iterator[Maker]:
    """Make mirror bakes for a plan that is kept: of all factors, of one, and halves."""
    kept = wish.keep
    if not isinstance(kept, Plan):
        return
    room = wish.bakes - kept.count()
    names = [factor.name for factor in kept.factors]
    if room >= kept.count("trial"):
        yield partial(fold_over, kept, seed=wish.seed)
        for name in names:
            yield partial(fold_over, kept, factors=[name], seed=wish.seed)
    elif room >= kept.count("trial") // 2 and wish.aim != "screen":
        for pair in list(combinations(names, 2))[:MOST_HALVES]:
            yield partial(fold_over, kept, pair=pair, seed=wish.seed)


def _once(maker: Callable[..., Plan]) -> Callable[[Wish], Iterator[Maker]]:
    """Return what makes one plan of the factors, of the one size that it has."""
    return lambda wish: iter([partial(maker, wish.factors, **wish.kitchen)])


def _blends(maker: Callable[..., Plan]) -> Callable[[Wish], Iterator[Maker]]:
    """Return what makes blends twice and once each."""
    return lambda wish: (
        partial(maker, wish.factors, replicates=copies, **wish.kitchen) for copies in (2, 1)
    )


FAMILIES = (
    Family("full factorial", "every combination of the settings", _full, _new),
    Family(
        "two-level fraction", "a chosen part of all combinations of low and high", _fractions, _new
    ),
    Family(
        "Hadamard screening",
        "a few combinations of low and high for many changes",
        _hadamard,
        _new,
    ),
    Family(
        "conference-matrix screening",
        "a few bakes at low, middle and high for many changes",
        _conference,
        _new,
    ),
    Family(
        "central composite",
        "all ends together, each end alone, and middles",
        _once(central_composite),
        _tuning,
    ),
    Family(
        "three-level surface",
        "the ends of two or three changes at a time, the rest at the middle",
        _once(box_behnken),
        _tuning,
    ),
    Family(
        "Latin square",
        "each kind once in every row and column",
        _squared,
        partial(_square, count=3),
    ),
    Family(
        "Graeco-Latin square",
        "each kind once in every row and column",
        _squared,
        partial(_square, count=4),
    ),
    Family("simplex lattice", "blends in even steps", _blends(simplex_lattice), _new_blend),
    Family(
        "simplex centroid", "each alone and in equal parts", _blends(simplex_centroid), _new_blend
    ),
    Family(
        "extreme vertices",
        "blends at the limits of what may be mixed",
        _blends(extreme_vertices),
        _new_blend,
    ),
    Family(MIRROR_BAKES, "{of}, with mirror bakes", _mirrored, _mirrors),
    Family(OPTIMAL, "chosen for what you ask"),
    Family(FIRST_PART, "the first part of {of}"),
    Family(FILLED, "{of}, and bakes added where they tell most"),
    Family("whole variants", "whole recipes side by side"),
    Family("next bakes", "the bakes made so far, and those that what they say asks for"),
    Family("confirmation bakes", "one setting held against the reference"),
    Family(GIVEN, "as you gave it"),
)
_BY_KEY = {family.key: family for family in FAMILIES}


def made_of(plan: Plan, *, named: bool = True) -> str:
    """Return what a plan's family makes, its textbook name in brackets where that is wanted.

    Examples
    --------
    >>> made_of(full_factorial([Numeric("rest", 20, 60)], seed=1))
    'every combination of the settings (full factorial)'
    """
    return _words(plan.family, str(plan.details.get("of", "")), named)


def _words(key: str, of: str, named: bool) -> str:
    family = _BY_KEY.get(key)
    if family is None:
        return key
    if "{of}" in family.words:
        return family.words.format(of=_words(of, "", named))
    return f"{family.words} ({key})" if named else family.words


def keys() -> tuple[str, ...]:
    """Return the keys of all families.

    Examples
    --------
    >>> "full factorial" in keys()
    True
    """
    return tuple(_BY_KEY)
