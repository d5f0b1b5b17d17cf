"""A round simulated before it is baked: assumed effects, every level of error, failures."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.preparing import group_codes
from trials.design.plan import Plan, new_seed
from trials.design.terms import Term, parse_term
from trials.errors import PlanError
from trials.factors import Categorical, Factor
from trials.measures import Measure
from trials.nesting import exists
from trials.tables import in_words

Effects = Mapping[str, float | Mapping[Any, float]]


@dataclass(frozen=True)
class Spreads:
    """How much one bake, load, day, taster and score differ from the next, as standard deviations.

    The defaults are for liking on nine points in a small kitchen, as in the demo scenario:
    invented there, and in line with common practice (no source).

    Parameters
    ----------
    tasting : float
        One taster's score of one piece around that taster's own mean of the bake.
    taster_by_bake : float
        How much a taster's view of one bake is the taster's own.
    taster, bake, load, day : float
    """

    tasting: float = 1.1
    taster_by_bake: float = 0.5
    taster: float = 0.8
    bake: float = 0.25
    load: float = 0.25
    day: float = 0.2


@dataclass(frozen=True)
class Failure:
    """Settings at which bakes fail.

    Parameters
    ----------
    where : dict
        Factor -> level, or (low, high) of a number; everything must hold.
    chance : float
        0 to 1.
    reason : str
    """

    where: Mapping[str, Any]
    chance: float
    reason: str = "failed"


def true_means(
    table: pd.DataFrame, factors: Sequence[Factor], effects: Effects, mean: float
) -> np.ndarray:
    """Return the true response at each row of settings.

    Parameters
    ----------
    table : DataFrame
        A column of real settings per factor.
    factors : sequence of Factor
    effects : mapping
        Term -> effect as the table of effects gives it: between the high and the low setting of
        a number, or the second and the first of two kinds; for a square the ends over the
        middle; for an interaction half the difference of two effects. For three kinds or more,
        kind -> what it adds (or, in an interaction, the other's effect there, over its mean).
    mean : float
        At the middle of everything.

    Returns
    -------
    ndarray, shape (rows,)

    Raises
    ------
    FitError
        When a term is not made of the factors.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60)
    >>> true_means(pd.DataFrame({"rest": [20, 60]}), [rest], {"rest": 1.0}, 6.0)
    array([5.5, 6.5])
    """
    names = [factor.name for factor in factors]
    known = {factor.name: factor for factor in factors}
    total = np.full(len(table), float(mean))
    for text, effect in effects.items():
        term = parse_term(text, names)
        total += _contribution(term, effect, known, table)
    return total


def _contribution(
    term: Term, effect: Any, known: Mapping[str, Factor], table: pd.DataFrame
) -> np.ndarray:
    size = np.ones(len(table)) if isinstance(effect, Mapping) else np.full(len(table), effect)
    odd = 0
    for name, power in term.powers:
        factor = known[name]
        values = table[name]
        there = exists(factor, table)
        size = size if there is None else np.where(there, size, 0.0)
        if isinstance(factor, Categorical) and isinstance(effect, Mapping):
            added = {factor.read(level): float(value) for level, value in effect.items()}
            size = size * np.array([added.get(factor.read(value), 0.0) for value in values])
        elif isinstance(factor, Categorical):
            size = size * (2.0 * (factor.code(values) > 0) - 1)
            odd += 1
        else:
            size = size * np.nan_to_num(factor.code(values)) ** power
            odd += power % 2
    return size / 2 if odd else size


def rehearse(
    plan: Plan,
    effects: Effects,
    *,
    mean: float = 6.0,
    measure: Measure | None = None,
    tasters: int | Sequence[str] = 1,
    spreads: Spreads | None = None,
    failures: Sequence[Failure] = (),
    rounded: bool | None = None,
    seed: int | None = None,
) -> pd.DataFrame:
    """Return invented scores of a plan, as its round might give them.

    Parameters
    ----------
    plan : Plan
    effects : mapping
        See :func:`true_means`.
    mean : float
        The response at the middle of everything.
    measure : Measure, optional
        What is scored; liking on nine points when left out.
    tasters : int or sequence of str
        How many, or their names; not used for a measure per bake.
    spreads : Spreads, optional
    failures : sequence of Failure
        The first that fits a bake counts.
    rounded : bool, optional
        Whether scores are whole and kept on the scale; as the scale asks when left out.
    seed : int, optional

    Returns
    -------
    DataFrame
        One row per score: bake, day, load, role, the factors, taster, status, reason and a
        column named as the measure. A failed bake has no score.

    Raises
    ------
    PlanError
        When there is no taster, or a failure names no factor of the plan.

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60)
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main")
    >>> rehearse(plan, {"rest": 1.0}, tasters=2, seed=1)["liking"].between(1, 9).all()
    np.True_
    """
    measure = measure or Measure("liking", "hedonic 9")
    spreads = spreads or Spreads()
    rng = np.random.default_rng(new_seed() if seed is None else seed)
    bakes = plan.table
    truth = true_means(bakes, plan.factors, effects, mean) + _shared(plan, spreads, rng)
    bakes = bakes.assign(**_outcomes(bakes, plan.factors, failures, rng))
    if measure.per == "bake":
        scores = bakes.assign(taster=pd.NA, **{measure.name: truth})
    else:
        scores = _tasted(bakes, truth, _names(tasters), spreads, measure.name, rng)
    whole = measure.kind in ("hedonic", "just about right") if rounded is None else rounded
    if whole:
        scores[measure.name] = np.clip(scores[measure.name].round(), measure.low, measure.high)
    scores.loc[scores["status"] == "failed", measure.name] = np.nan
    return scores


def _names(tasters: int | Sequence[str]) -> list[str]:
    if isinstance(tasters, int):
        if tasters < 1:
            raise PlanError(f"tasters is {tasters}; at least one is needed.")
        return [f"taster {place}" for place in range(1, tasters + 1)]
    if not tasters:
        raise PlanError("tasters names nobody; name at least one, or say how many taste.")
    return list(tasters)


def _shared(plan: Plan, spreads: Spreads, rng: np.random.Generator) -> np.ndarray:
    """Return what day, load and bake add to each bake."""
    bakes = plan.rows
    total = rng.normal(0, 1, len(bakes)) * spreads.bake
    for name, sd in (("day", spreads.day), *((group, spreads.load) for group in plan.groups)):
        codes = group_codes(bakes, name)
        if codes.max() > 0:
            total = total + sd * rng.normal(0, 1, codes.max() + 1)[codes]
    return total


def _outcomes(
    bakes: pd.DataFrame,
    factors: Sequence[Factor],
    failures: Sequence[Failure],
    rng: np.random.Generator,
) -> dict[str, list[str]]:
    draws = rng.random(len(bakes))
    status, reason = ["made"] * len(bakes), [""] * len(bakes)
    for place, (_, bake) in enumerate(bakes.iterrows()):
        hit = next((one for one in failures if _fits(bake, one, factors)), None)
        if hit and draws[place] < hit.chance:
            status[place], reason[place] = "failed", hit.reason
    return {"status": status, "reason": reason}


def _fits(bake: pd.Series, failure: Failure, factors: Sequence[Factor]) -> bool:
    names = {factor.name for factor in factors}
    unknown = [name for name in failure.where if name not in names]
    if unknown:
        raise PlanError(f"a failure names {in_words(unknown)}, which is no factor of the plan.")
    return all(
        wanted[0] <= bake[name] <= wanted[1] if isinstance(wanted, tuple) else bake[name] == wanted
        for name, wanted in failure.where.items()
    )


def _tasted(
    bakes: pd.DataFrame,
    truth: np.ndarray,
    names: Sequence[str],
    spreads: Spreads,
    column: str,
    rng: np.random.Generator,
) -> pd.DataFrame:
    own = spreads.taster * rng.normal(0, 1, len(names))
    noise = rng.normal(0, 1, (len(bakes), len(names), 2))
    scores = truth[:, None] + own[None, :]
    scores = scores + spreads.tasting * noise[..., 0] + spreads.taster_by_bake * noise[..., 1]
    tables = [
        bakes.assign(taster=name, **{column: scores[:, place]}) for place, name in enumerate(names)
    ]
    return pd.concat(tables, ignore_index=True)
