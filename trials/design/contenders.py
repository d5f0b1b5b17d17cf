"""The plans that could serve a budget: every family that fits, and the searches beside them."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from trials.design.basis import coded_settings
from trials.design.blend import extreme_vertices, simplex_centroid, simplex_lattice
from trials.design.candidates import candidates
from trials.design.exchange import optimal
from trials.design.exclusion import Exclude, Exclusion
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.folding import fold_over
from trials.design.kitchen import Loads
from trials.design.plan import Plan
from trials.design.screening import definitive_screening, plackett_burman
from trials.design.squares import graeco_latin_square, latin_square
from trials.design.surface import box_behnken, central_composite
from trials.design.terms import model_terms
from trials.errors import TrialsError
from trials.factors import Categorical, Component, Factor, Numeric, group_names

MODELS = {"screen": "main", "interactions": "interactions", "optimise": "quadratic"}
FRACTIONS, HADAMARD = (64, 32, 16, 8), (36, 28, 24, 20, 12)
MOST_MIDDLES = 4
MOST_HALVES = 10  # pairs that half a mirror plan is tried for
# Starts of a search that is only weighed, and of the one for the plan proposed
QUICK, IN_FULL = 2, 6

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
    controls : int
    exclude : optional
    keep : Plan, DataFrame or None
    seed : int
    """

    factors: tuple[Factor, ...]
    bakes: int
    aim: str
    days: int
    loads: Loads
    controls: int
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
        return {"days": self.days, "controls": self.controls, "seed": self.seed}


def textbook(wish: Wish) -> tuple[list[Plan], list[str]]:
    """Return the textbook's plans that fit, and why others do not.

    Examples
    --------
    >>> wish = Wish((Numeric("rest", 20, 60), Numeric("fat", 5, 15)), 8, "screen", 1, None, 0,
    ...             None, None, 1)
    >>> [plan.count() for plan in textbook(wish)[0]]
    [8, 4]
    """
    if wish.keep is not None:
        return made(wish, _mirrored(wish))
    makers = _blends(wish) if wish.blend else _families(wish)
    return made(wish, makers)


def searched(wish: Wish, starts: int = QUICK) -> tuple[list[Plan], list[str]]:
    """Return plans by exchange for the aim's model, for a simpler one where that can not be."""
    plans: list[Plan] = []
    refusals: list[str] = []
    for model, potential in _models(wish):
        makers = (_search(wish, model, potential, *shared, starts) for shared in _loads(wish))
        found, why = made(wish, makers)
        plans += found
        refusals += why
        if found:
            break
    return plans, refusals


def in_full(wish: Wish, plan: Plan) -> Plan:
    """Return a plan that was found by a quick search, searched for as long as it deserves."""
    judged = plan.rows[plan.rows["role"] != "control"]
    counts = {name: int(judged[name].nunique()) for name in plan.groups}
    potential = "interactions" if "potential" in plan.details else None
    maker = _search(wish, list(plan.model), potential, counts or None, plan.count(), IN_FULL)
    again, _ = made(wish, [maker])
    return again[0] if again else plan


def made(wish: Wish, makers: Iterator[Maker] | Sequence[Maker]) -> tuple[list[Plan], list[str]]:
    """Return the plans that can be made and fit the wish, and why others can not be made."""
    rules = Exclusion(wish.factors, wish.exclude)
    record = _record(wish, rules)
    plans: list[Plan] = []
    refusals: list[str] = []
    for maker in makers:
        try:
            plan = maker()
        except TrialsError as error:
            refusals.append(str(error))
            continue
        settings = coded_settings(wish.factors, plan.rows)
        allowed = bool(rules.allows(settings).all())
        if plan.count() <= wish.bakes and allowed and _honours(plan, wish):
            plans.append(plan if plan.excluded else replace(plan, excluded=record))
    return plans, refusals


def _record(wish: Wish, rules: Exclusion) -> tuple[dict[str, Any], ...]:
    if rules.empty:
        return ()
    grid = candidates(wish.factors, model_terms("main", wish.factors), rules).levels
    return rules.record(grid)


def _honours(plan: Plan, wish: Wish) -> bool:
    """Say whether bakes have the days, and share what the kitchen makes them share."""
    if wish.keep is None and plan.days != wish.days:
        return False
    needed = set(group_names(wish.factors)) | ({"load"} if isinstance(wish.loads, int) else set())
    if isinstance(wish.loads, int) and len(group_names(wish.factors)) == 1:
        needed = set(group_names(wish.factors))
    return needed <= set(plan.groups)


def _models(wish: Wish) -> list[tuple[str, str | None]]:
    """Return the models to search for, the aim's own first, each with its potential terms."""
    if wish.blend:
        return [("blend", None), ("main", None)]
    # Main effects kept as clear of pairs as the bakes allow
    simple = ("main", "interactions" if len(wish.factors) > 1 else None)
    steps = {
        "screen": [simple],
        "interactions": [("interactions", None), simple],
        "optimise": [("quadratic", None), ("interactions", None), simple],
    }
    return steps[wish.aim]


def _search(
    wish: Wish,
    model: str | list[str],
    potential: str | None,
    loads: Loads,
    bakes: int,
    starts: int,
) -> Maker:
    tuning = wish.aim == "optimise" and potential is None

    def maker() -> Plan:
        plan = optimal(
            wish.factors,
            model=model,
            bakes=bakes,
            criterion="I" if tuning else "D",
            loads=loads,
            exclude=wish.exclude,
            keep=wish.keep,
            starts=starts,
            potential=potential,
            **wish.kitchen,
        )
        extra = {"potential": potential} if potential else {}
        return replace(plan, details={**plan.details, **extra})

    return maker


def _loads(wish: Wish) -> list[tuple[Loads, int]]:
    """Return how many loads to try, each with the bakes that fill them evenly.

    The loads are as asked, else a few numbers that fit.
    """
    groups = group_names(wish.factors)
    if wish.loads is not None or not groups:
        return [(wish.loads, wish.bakes)]
    counts = dict.fromkeys((6, 8, 4, 2 * wish.days, 3 * wish.days))
    fits = [n for n in counts if n <= wish.bakes // 2 and n % wish.days == 0]
    # Those that waste no bake first
    fits.sort(key=lambda count: wish.bakes % count)
    if len(groups) > 1:
        return [(dict.fromkeys(groups, fits[0] if fits else 2 * wish.days), wish.bakes)]
    return [({groups[0]: n}, wish.bakes - wish.bakes % n) for n in fits[:2]] or [(None, wish.bakes)]


def _families(wish: Wish) -> Iterator[Maker]:
    """Return makers of the textbook's plans of every size that the budget allows."""
    factors, kitchen, bakes = wish.factors, wish.kitchen, wish.bakes
    whole = int(np.prod([len(factor.levels) for factor in factors], dtype=float).clip(max=1e6))
    for copies in (4, 3, 2, 1):
        if copies * whole <= bakes:
            yield lambda copies=copies: full_factorial(  # type: ignore[misc]
                factors, replicates=copies, loads=wish.loads, **kitchen
            )
    for size, middles in _fractions(wish):
        yield lambda size=size, middles=middles: fractional_factorial(  # type: ignore[misc]
            factors, bakes=size + middles, centre_bakes=middles, loads=wish.loads, **kitchen
        )
    for size in HADAMARD:
        if size <= bakes:
            yield lambda size=size: plackett_burman(factors, bakes=size, **kitchen)  # type: ignore[misc]
    yield lambda: definitive_screening(factors, **kitchen)
    if wish.aim == "optimise":
        yield lambda: central_composite(factors, **kitchen)
        yield lambda: box_behnken(factors, **kitchen)
    if wish.aim == "screen" and _square(factors):
        # Each square is a day of its own
        plain = {**{n: v for n, v in kitchen.items() if n != "days"}, "replicates": wish.days}
        square = latin_square if len(factors) == 3 else graeco_latin_square
        yield lambda: square(factors, **plain)


def _square(factors: Sequence[Factor]) -> bool:
    counts = {len(f.levels) if isinstance(f, Categorical) else 0 for f in factors}
    return len(factors) in (3, 4) and len(counts) == 1 and 0 not in counts


def _fractions(wish: Wish) -> Iterator[tuple[int, int]]:
    """Return sizes of fractions, the largest also with middle-setting bakes."""
    numeric = any(isinstance(factor, Numeric) for factor in wish.factors)
    sizes = [size for size in FRACTIONS if size <= wish.bakes]
    for size in sizes:
        yield size, 0
    if sizes and numeric and wish.bakes > sizes[0]:
        yield sizes[0], min(wish.bakes - sizes[0], MOST_MIDDLES)


def _mirrored(wish: Wish) -> Iterator[Maker]:
    """Return makers of mirror bakes for a plan that is kept: of all factors, of one, and halves."""
    kept, seed = wish.keep, wish.seed
    if not isinstance(kept, Plan) or wish.days > 1 or wish.controls:
        return
    room = wish.bakes - kept.count()
    names = [factor.name for factor in kept.factors]
    if room >= kept.count("trial"):
        yield lambda: fold_over(kept, seed=seed)
        for name in names:
            yield lambda name=name: fold_over(kept, factors=[name], seed=seed)  # type: ignore[misc]
    elif room >= kept.count("trial") // 2 and wish.aim != "screen":
        for pair in list(combinations(names, 2))[:MOST_HALVES]:
            yield lambda pair=pair: fold_over(kept, pair=pair, seed=seed)  # type: ignore[misc]


def _blends(wish: Wish) -> Iterator[Maker]:
    factors, kitchen = wish.factors, wish.kitchen
    for copies in (2, 1):
        yield lambda copies=copies: simplex_lattice(  # type: ignore[misc]
            factors, degree=2, replicates=copies, **kitchen
        )
        yield lambda copies=copies: simplex_centroid(factors, replicates=copies, **kitchen)  # type: ignore[misc]
        yield lambda copies=copies: extreme_vertices(factors, replicates=copies, **kitchen)  # type: ignore[misc]
