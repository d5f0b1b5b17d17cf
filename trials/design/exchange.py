"""Optimal plans: the bakes that tell most, for any model and any kitchen."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from trials.design.basis import real_settings
from trials.design.candidates import Candidates, candidates
from trials.design.coordinate_exchange import Search
from trials.design.exclusion import Exclude, Exclusion
from trials.design.finishing import refined, repeated
from trials.design.kept import after, joined, judged, kept_settings, read_kept
from trials.design.kitchen import FEW_DAYS, Kitchen, Loads, Ratios, set_up
from trials.design.laying_out import lay_out
from trials.design.plan import Plan, new_seed, whole_number
from trials.design.request import (
    Request,
    build_search,
    check_size,
    checked_criterion,
    checked_ratio,
    explain,
    potential_left_out,
    potential_terms,
)
from trials.design.starts import Effort, Found, best_of_many, usual_effort
from trials.design.terms import Model, kitchen_names, model_terms
from trials.errors import PlanError
from trials.factors import Factor, check_factors
from trials.tables import percent

_DAYS_BY_CHANCE = (
    "The new bakes were chosen as if days differed by chance alone: so few can not be told from "
    "their day. Bake a reference bake beside them, or more of them."
)
# More bakes than any kitchen's round; the covariance of all of them is held in memory
MOST_BAKES = 500


def optimal(
    factors: Sequence[Factor],
    *,
    model: Model,
    bakes: int,
    criterion: str = "I",
    days: int | None = None,
    loads: Loads = None,
    variance_ratio: Ratios = 1.0,
    exclude: Exclude = None,
    keep: Plan | pd.DataFrame | None = None,
    controls: int = 0,
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
    controls : int
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
    >>> from trials.factors import Numeric
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
        request, frame, kitchen, before, controls, seed, exclusion.record(options.levels)
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


def augment(
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
    controls: int = 0,
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
    criterion, seed, days, loads, variance_ratio, controls, starts, settings
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
    >>> from trials.factors import Numeric
    >>> factors = [Numeric("water", 92, 108, "%"), Numeric("rest", 20, 60, "min")]
    >>> plan = optimal(factors, model="main", bakes=4, criterion="D", seed=1)
    >>> augment(plan, 4, model="quadratic", seed=1).count()
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
        controls=controls,
        seed=plan.seed + 1 if seed is None else seed,
        starts=starts,
        settings=settings,
    )


def _like_before(plan: Plan, bakes: int) -> dict[str, int] | None:
    made = plan.table
    made = made[made["role"] != "control"]
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
    controls: int,
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
        controls=controls,
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
