"""What is asked of an optimal plan, checked, and made into arrays to search."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trials.design.basis import Basis, basis
from trials.design.candidates import Candidates
from trials.design.coordinate_exchange import SINGULAR, Search
from trials.design.kitchen import FEW_DAYS, Kitchen, Ratios, group_columns
from trials.design.terms import Model, Term, model_terms
from trials.errors import PlanError
from trials.factors import Factor
from trials.tables import in_words

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
    """Return the arrays to search, and whether days are fixed effects in them.

    Parameters
    ----------
    request, options, kitchen
    kept : int
        How many bakes were made already.
    by_chance : bool
        Whether days are taken as drawn by chance, however few they are.
    """
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
    """Return the potential terms that a search could not hold, wholly and in part.

    Parameters
    ----------
    request : Request
    columns : Basis
        Those of the search; see :func:`build_search`.
    """
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
        days = f" and {search.fixed.shape[1]} differences between days" if search.fixed.size else ""
        raise PlanError(
            f"bakes is {bakes}, but the model ({shown}{more}) has {own.size} columns to "
            f"estimate{days}. {need} bakes or more work, or a smaller model."
        )
    for name in kitchen.groups:
        hard, there = group_columns(own, request.factors, name), kitchen.frame[name].nunique()
        if hard and there < hard + 1:
            raise PlanError(
                f"loads gives {there} {name}s, but {hard} effects change only between them and "
                f"need {hard + 1}. {hard + 1} {name}s or more work ({hard + 3} to judge them with "
                "any certainty)."
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
        f"{in_words(term.name for term in request.terms)}. More bakes, more loads, a smaller model "
        "or fewer exclusions would work."
    )
