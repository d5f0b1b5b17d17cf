"""Optimal plans: the bakes that tell most, for any model and any kitchen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import how_many, in_words, percent
from trials.core.exclusion import Exclude, Exclusion
from trials.core.factors import Factor, Varied, check_factors
from trials.core.plan import Plan, kitchen_group, new_seed, plural, whole_number
from trials.core.roles import Role
from trials.core.terms import Basis, Model, Term, basis, kitchen_names, model_terms, real_settings
from trials.design.candidates import Candidates, candidates
from trials.design.layout import (
    FEW_DAYS,
    Kitchen,
    Loads,
    Ratios,
    after,
    group_columns,
    joined,
    judged,
    kept_settings,
    lay_out,
    read_kept,
    set_up,
)
from trials.design.search import (
    SINGULAR,
    Effort,
    Found,
    Search,
    best_of_many,
    refined,
    repeated,
    usual_effort,
)

# -- What is asked of an optimal plan, checked, and made into arrays to search.


# A column whose range beside others is this share of its size is rounding
NO_RANGE = 1e-8


@dataclass(frozen=True, eq=False)
class Request:
    """What was asked for, checked."""

    factors: tuple[Factor, ...]
    terms: tuple[Term, ...]
    criterion: str
    ratio: Ratios
    potential: tuple[Term, ...]


def checked_criterion(text: str) -> str:
    """Return the criterion once it is one."""
    if text not in ("I", "D"):
        raise PlanError(
            f'criterion is {text!r}; "I" (best predictions) or "D" (best effects) works.'
        )
    return text


def checked_ratio(ratio: Ratios) -> Ratios:
    """Return the variance ratios once they are numbers within reason."""
    for value in ratio.values() if isinstance(ratio, Mapping) else [ratio]:
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1e6:
            raise PlanError(f"variance_ratio is {value!r}; a number from 0 to 1000000 works.")
    return ratio


def potential_terms(
    potential: Model, terms: Sequence[Term], factors: Sequence[Factor]
) -> tuple[Term, ...]:
    """Return the potential terms that are not among those to be judged anyway."""
    if potential is None:
        return ()
    return tuple(term for term in model_terms(potential, factors) if term not in terms)


def build_search(
    request: Request, options: Candidates, kitchen: Kitchen, kept: int, *, by_chance: bool = False
) -> tuple[Search, bool]:
    """Return the arrays to search, and whether days are fixed effects in them."""
    own = basis(request.terms, request.factors)
    columns, precision = _with_potential(request, own, options)
    fixed, days_fixed = np.zeros((len(kitchen.frame), 0)), False
    if not by_chance:
        fixed, days_fixed = _day_columns(kitchen, own, request.factors, kept)
    prior = np.concatenate([precision, np.zeros(fixed.shape[1])])
    moment = None
    if request.criterion == "I":
        moment = np.zeros((len(prior), len(prior)))
        moment[: columns.size, : columns.size] = options.moment(columns)
    several = kitchen.frame["day"].nunique() > 1
    V = kitchen.covariance(request.ratio, days=kept > 0 and several and not days_fixed)
    bakes = len(kitchen.frame)
    hard = {place for place, factor in enumerate(request.factors) if factor.group}
    free = tuple(
        (bake, place)
        for bake in range(kept, bakes)
        for place in range(len(request.factors))
        if place not in hard
    )
    shared = tuple(
        (rows, place) for rows, place in kitchen.shared(request.factors) if rows.min() >= kept
    )
    W = np.linalg.inv(V)
    W[np.abs(W) < 1e-14 * np.abs(W).max()] = 0.0
    parts = tuple(int(place) for place in options.parts)
    return Search(columns, fixed, W, prior, moment, free, shared, parts), days_fixed


def _day_columns(
    kitchen: Kitchen, columns: Basis, factors: Sequence[Factor], kept: int
) -> tuple[np.ndarray, bool]:
    """Return the fixed columns of the days; none where a load's own terms would be lost in them.

    With bakes kept from before the columns are those of the fit that follows: few days are taken
    as they are, many as drawn by chance. A new day that holds a single bake, or a model that all
    bakes can not judge beside the days, is left to chance too: one bake more must still tell
    something.
    """
    days = kitchen.frame["day"]
    count = days.nunique()
    for name in kitchen.groups:
        if count + group_columns(columns, factors, name) > kitchen.frame[name].nunique():
            count = 1
    alone = kept and days.iloc[kept:].value_counts().min() < 2
    too_many = kept and (count >= FEW_DAYS or columns.size + count - 1 > len(days))
    if count < 2 or alone or too_many:
        return np.zeros((len(days), 0)), False
    marks = pd.get_dummies(days).to_numpy(dtype=float)
    return marks[:, :-1] - marks[:, -1:], True


def _with_potential(request: Request, own: Basis, options: Candidates) -> tuple[Basis, np.ndarray]:
    """Return the columns to search by and their prior precision, nil for the model's own.

    A potential column is scaled by its range beside the model's. One without any is a mixture of
    the model's own wherever a bake may be made (an exclusion that takes one pair of kinds away
    leaves no interaction of the two), so nothing could judge it and it is left out.
    """
    if not request.potential:
        return own, np.zeros(own.size)
    both = basis((*request.terms, *request.potential), request.factors)
    rows = both.rows(options.region(2000))
    base, more = rows[:, : own.size], rows[:, own.size :]
    left = more - base @ np.linalg.lstsq(base, more, rcond=None)[0]
    told = np.ptp(left, axis=0) > NO_RANGE * np.abs(more).max(axis=0)
    kept = np.concatenate([np.ones(own.size, dtype=bool), told])
    columns = replace(both, index=both.index[kept], owner=both.owner[kept])
    return columns, np.concatenate([np.zeros(own.size), np.ptp(left, axis=0)[told] ** 2])


def potential_left_out(request: Request, columns: Basis) -> tuple[list[str], list[str]]:
    """Return the potential terms that a search could not hold, wholly and in part."""
    terms = (*request.terms, *request.potential)
    wanted = np.bincount(basis(terms, request.factors).owner + 1, minlength=len(terms) + 1)
    held = np.bincount(columns.owner + 1, minlength=len(terms) + 1)
    counts = list(zip(terms, held[1:].tolist(), wanted[1:].tolist(), strict=True))
    wholly = [term.name for term, has, had in counts if not has]
    return wholly, [term.name for term, has, had in counts if 0 < has < had]


def check_size(
    request: Request, search: Search, options: Candidates, kitchen: Kitchen, bakes: int
) -> None:
    """Refuse a model that the bakes, the loads or the settings can not judge."""
    own = basis(request.terms, request.factors)
    need = own.size + search.fixed.shape[1]
    if bakes < need:
        shown = in_words(term.name for term in request.terms[:4])
        more = ", ..." if len(request.terms) > 4 else ""
        days = f", and {search.fixed.shape[1]} more for the days" if search.fixed.size else ""
        raise PlanError(
            f"bakes is {bakes}, but what is asked ({shown}{more}) takes {own.size} to tell its "
            f"differences apart{days}. {need} bakes or more work, or fewer questions: leave "
            "something out of what varies."
        )
    for name in kitchen.groups:
        hard, there = group_columns(own, request.factors, name), kitchen.frame[name].nunique()
        if hard and there < hard + 1:
            over = int(kitchen.frame["day"].nunique())
            least = hard + over
            works = [n for n in range(least, bakes + 1) if bakes % n == 0 and n % over == 0]
            one = kitchen_group(name, request.factors)
            what = plural(one)
            shared = f"; {in_words(works, 'or')} would share them equally" if works else ""
            raise PlanError(
                f"{bakes} bakes share {there} {one if there == 1 else what}, too few for "
                f"{how_many(hard, 'effect')} that can change only between {what}: {least} or more "
                f"are needed{shared} ({hard + 3} or more to judge them with any certainty)."
            )
    points = options.listed(np.random.default_rng(0))
    _check_estimable(own, request.terms, points, "exclude or settings")


def _check_estimable(
    columns: Basis, terms: Sequence[Term], points: np.ndarray, argument: str
) -> None:
    """Refuse a model that no bakes among the points could judge, naming its terms."""
    rows = columns.rows(points)
    sizes, directions = np.linalg.eigh(rows.T @ rows / len(rows))
    lost = directions[:, sizes < SINGULAR * sizes[-1]]
    if not lost.shape[1]:
        return
    owners = columns.owner[np.abs(lost).max(axis=1) > 1e-5]
    names = dict.fromkeys("the mean" if o < 0 else terms[o].name for o in owners)
    raise PlanError(
        f"{argument} leaves settings that can not judge {in_words(names)}: they always change "
        "together or not at all. Exclude less, allow more settings, or leave a term out."
    )


def explain(request: Request, options: Candidates, kitchen: Kitchen) -> None:
    """Raise what is to be said when no start could judge the whole model."""
    groups = in_words(f"{kitchen.frame[name].nunique()} {name}s" for name in kitchen.groups)
    where = f" in {groups}" if groups else ""
    raise PlanError(
        f"no plan of {len(kitchen.frame)} bakes{where} was found that can judge all of "
        f"{in_words(term.name for term in request.terms)}. More bakes, more loads, fewer questions "
        "or fewer settings left out would work."
    )


# -- Optimal plans: the bakes that tell most, for any model and any kitchen.


_DAYS_BY_CHANCE = (
    "The new bakes were chosen as if days differed by chance alone: so few can not be told from "
    "their day. Bake a reference bake beside them, or more of them."
)
# More bakes than any kitchen's round; the covariance of all of them is held in memory
MOST_BAKES = 500


@checked_types(PlanError)
def optimal(
    factors: Sequence[Varied],
    *,
    model: Model,
    bakes: int,
    criterion: str = "I",
    days: int | None = None,
    loads: Loads = None,
    variance_ratio: Ratios = 1.0,
    exclude: Exclude = None,
    keep: Plan | pd.DataFrame | None = None,
    references: int = 0,
    seed: int | None = None,
    starts: int | None = None,
    replicates: int = 0,
    potential: Model = None,
    settings: Mapping[str, Sequence[Any]] | None = None,
    continuous: bool = False,
) -> Plan:
    """Return the plan that judges a model best with the bakes there are.

    Parameters
    ----------
    factors : sequence of Factor
        Numbers, kinds and components, easy or hard to change.
    model : str or list of str
        The terms to be judged; see :func:`trials.design.terms.model_terms`.
    bakes : int
        Trial bakes, kept ones included, reference bakes not.
    criterion : {"I", "D"}
        "I": the smallest mean variance of a prediction over everything that may be baked, for
        tuning. "D": the largest determinant of the information matrix, for finding what matters.
    days : int, optional
        Days of equally many bakes; their differences are taken out as fixed effects, unless
        each load is a day of its own or a hard-to-change factor would be lost in them. With kept
        bakes that is so for fewer than five days in all, as the fit takes them, unless new bakes
        are too few to be told from their day; the plan then says so.
    loads : int or mapping, optional
        How many of what bakes share: 6, or {"load": 6, "dough": 4}, crossed when every
        combination can be filled equally often, else nested.
    variance_ratio : float or mapping
        Variance between loads over that between the bakes of a load, one or one per group.
    exclude : callable, DataFrame or sequence of mappings, optional
        What never goes together; see :class:`trials.design.exclusion.Exclusion`. Never broken.
    keep : Plan or DataFrame, optional
        Bakes already made, in real settings, with `day` and `load` where they had any.
    references : int
        Reference bakes to add.
    seed : int, optional
        The same seed gives the same plan.
    starts : int, optional
        Starts drawn by chance; 5 to 100 when left out, fewer for larger plans. They run where
        joblib's active backend says: ``with joblib.parallel_config("dask"): optimal(...)``.
    replicates : int
        Bakes that repeat another bake's settings, for an estimate of error that no model needs.
    potential : str or list of str, optional
        Terms that may matter, beyond those of the model: judged as far as bakes allow (Bayesian
        D; DuMouchel & Jones 1994), each with a prior standard deviation of one error.
    settings : mapping, optional
        The only settings to use of some numeric factors, in real units.
    continuous : bool
        Whether numeric factors may be set anywhere between their limits, to their `step` or a
        hundredth of the range; else at the ends, and in between as the model's powers need.

    Returns
    -------
    Plan
        ``details`` holds criterion, value, starts, interrupted and kept.

    Raises
    ------
    PlanError
        When an argument can not work, naming it, what was found and what would work.

    References
    ----------
    Meyer & Nachtsheim 1995, Technometrics 37:60; Goos & Jones 2011, Optimal Design of
    Experiments; DuMouchel & Jones 1994, Technometrics 36:37; Arnouts, Goos & Jones 2010,
    Qual. Reliab. Eng. Int. 26:127 (strip-plots).

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> factors = [Numeric("water", 92, 108, "%"), Numeric("rest", 20, 60, "min")]
    >>> plan = optimal(factors, model="interactions", bakes=8, criterion="D", seed=1)
    >>> plan.coded.abs().min().tolist()
    [1.0, 1.0]
    """
    factors = check_factors(factors)
    bakes = whole_number("bakes", bakes, least=1, most=MOST_BAKES)
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**53)
    terms = model_terms(model, factors)
    before = read_kept(factors, keep)
    kept = judged(before)
    new = bakes - len(kept)
    if new < 1:
        raise PlanError(
            f"bakes is {bakes}, but {len(kept)} are kept; bakes counts those too, so "
            f"{len(kept) + 1} or more works."
        )
    exclusion = Exclusion(factors, exclude)
    options = candidates(factors, terms, exclusion, settings, continuous)
    kitchen = joined(kept, set_up(factors, new, days, loads))
    request = Request(
        factors,
        terms,
        checked_criterion(criterion),
        checked_ratio(variance_ratio),
        potential_terms(potential, terms, factors),
    )
    search, days_fixed, effort, found = _searched(request, options, kitchen, kept, seed, starts)
    if continuous and not found.interrupted:
        found = refined(search, options, found)
    if replicates:
        found = repeated(search, options, found, len(kept), replicates)
    frame = pd.DataFrame(real_settings(factors, found.settings))
    plan = _laid_out(
        request, frame, kitchen, before, references, seed, exclusion.record(options.levels)
    )
    return _described(plan, request, search, found, effort, days_fixed, before)


def _searched(
    request: Request,
    options: Candidates,
    kitchen: Kitchen,
    kept: pd.DataFrame,
    seed: int,
    starts: int | None,
) -> tuple[Search, bool, Effort, Found]:
    """Return the best of many starts, what was searched and how long, and if days were fixed."""
    bakes = len(kitchen.frame)
    search, days_fixed = build_search(request, options, kitchen, len(kept))
    check_size(request, search, options, kitchen, bakes)
    given = kept_settings(request.factors, kept, bakes)
    effort = _effort(search, bakes, starts)
    found = best_of_many(search, options, given, seed, effort)
    if len(kept) and days_fixed and not np.isfinite(found.score):
        search, days_fixed = build_search(request, options, kitchen, len(kept), by_chance=True)
        found = best_of_many(search, options, given, seed, effort)
    if not np.isfinite(found.score):
        explain(request, options, kitchen)
    return search, days_fixed, effort, found


@checked_types(PlanError)
def add_bakes(
    plan: Plan,
    bakes: int,
    *,
    model: Model = None,
    criterion: str = "D",
    seed: int | None = None,
    days: int | None = None,
    loads: Loads = None,
    variance_ratio: Ratios = 1.0,
    exclude: Exclude = None,
    references: int = 0,
    starts: int | None = None,
    settings: Mapping[str, Sequence[Any]] | None = None,
) -> Plan:
    """Return a plan with bakes added that mend most what the bakes made so far leave open.

    Parameters
    ----------
    plan : Plan
        The bakes already made; they keep their names, days and loads.
    bakes : int
        Bakes to add.
    model : str or list of str, optional
        What is to be judged now; the plan's own model when left out.
    exclude : callable, DataFrame or sequence of mappings, optional
        What never goes together from now on; the plan's own exclusions when left out.
    criterion, seed, days, loads, variance_ratio, references, starts, settings
        As for :func:`optimal`, for the bakes added. Loads left out hold as many bakes as the
        plan's, or one each.

    Returns
    -------
    Plan
        The kept bakes first, then the new ones, on days and in loads of their own.

    Raises
    ------
    PlanError
        As for :func:`optimal`.

    References
    ----------
    Dykstra 1971, Technometrics 13:682 (augmentation of an existing plan).

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> factors = [Numeric("water", 92, 108, "%"), Numeric("rest", 20, 60, "min")]
    >>> plan = optimal(factors, model="main", bakes=4, criterion="D", seed=1)
    >>> add_bakes(plan, 4, model="quadratic", seed=1).count()
    8
    """
    added = whole_number("bakes", bakes, least=1)
    return optimal(
        plan.factors,
        model=plan.model if model is None else model,
        bakes=plan.count() + added,
        criterion=criterion,
        days=days,
        loads=_like_before(plan, added) if loads is None else loads,
        variance_ratio=variance_ratio,
        exclude=list(plan.excluded) or None if exclude is None else exclude,
        keep=plan,
        references=references,
        seed=plan.seed + 1 if seed is None else seed,
        starts=starts,
        settings=settings,
    )


def _like_before(plan: Plan, bakes: int) -> dict[str, int] | None:
    made = plan.table
    made = made[made["role"] != Role.REFERENCE]
    loads = {}
    for name in plan.groups:
        size = max(1, int(made.groupby(name).size().median()))
        loads[name] = min(bakes // n for n in range(1, size + 1) if bakes % n == 0)
    return loads or None


def _effort(search: Search, bakes: int, starts: int | None) -> Effort:
    effort = usual_effort(search, bakes)
    if starts is None:
        return effort
    return replace(effort, starts=whole_number("starts", starts, least=1, most=100_000))


def _laid_out(
    request: Request,
    frame: pd.DataFrame,
    kitchen: Kitchen,
    before: pd.DataFrame,
    references: int,
    seed: int,
    excluded: tuple[dict[str, Any], ...],
) -> Plan:
    shared = kitchen.frame.drop(columns=[c for c in kitchen.frame if c in frame])
    new = pd.concat([frame, shared], axis=1).iloc[len(judged(before)) :].reset_index(drop=True)
    plan = lay_out(
        request.factors,
        new,
        family="optimal plan",
        model=tuple(term.name for term in request.terms),
        references=references,
        seed=seed,
        excluded=excluded,
    )
    return after(before, plan) if len(before) else plan


def _described(
    plan: Plan,
    request: Request,
    search: Search,
    found: Found,
    effort: Effort,
    days_fixed: bool,
    before: pd.DataFrame,
) -> Plan:
    bakes = len(search.W)
    value = -found.score
    if request.criterion == "D":
        value = 100 * float(np.exp(found.score / search.information_size)) / bakes
    details = {
        "criterion": request.criterion,
        "value": value,
        "variance_ratio": request.ratio,
        "starts": effort.starts,
        "interrupted": found.interrupted,
        "days_fixed": days_fixed,
        "kept": before["bake"].tolist(),
    }
    reasons = [_reason(request, value)]
    if len(judged(before)) and not days_fixed and 1 < plan.days < FEW_DAYS:
        reasons.append(_DAYS_BY_CHANCE)
    wholly, partly = potential_left_out(request, search.basis)
    if wholly or partly:
        details["potential_left_out"] = [*wholly, *partly]
        reasons += _not_looked_for(request, wholly, partly)
    if found.interrupted:
        reasons.append(
            "The search was stopped before its end: this is the best plan found by then."
        )
    return replace(plan, details=details, reasons=tuple(reasons))


def _not_looked_for(request: Request, wholly: list[str], partly: list[str]) -> list[str]:
    why = "what may be baked can not tell this apart from the effects to be judged"
    said = []
    if wholly:
        said.append(f"Not looked for: {kitchen_names(wholly, request.factors)}; {why}.")
    if partly:
        said.append(f"Looked for in part only: {kitchen_names(partly, request.factors)}; {why}.")
    return said


def _reason(request: Request, value: float) -> str:
    if request.criterion == "D":
        return "All that is asked is judged as sharply together as the best plan found allows."
    return (
        "Over everything that may be baked, the best plan found tells what to expect with "
        f"{percent(value**0.5)} of the error of one bake on average (root mean square)."
    )
