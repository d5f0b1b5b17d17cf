"""Rounds simulated before they are baked, one or many: really fitted, and judged."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, overload

import joblib
import numpy as np
import pandas as pd

from trials.analysis.contrasts import contrasts
from trials.analysis.fitting import fit
from trials.analysis.importance import factor_contrasts
from trials.analysis.question import group_codes, question
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import PlanError, TrialsError
from trials.base.html import answer
from trials.base.progress import under_way
from trials.base.words import in_words, percent, readable, tidy_number
from trials.core.exclusion import Exclusion
from trials.core.factors import Categorical, Component, Factor, exists
from trials.core.measures import Measure, measure_named
from trials.core.plan import Plan, new_seed, whole_number
from trials.core.scales import OneOf
from trials.core.terms import Term, model_matrix, model_terms, parse_term, real_settings
from trials.core.verdicts import MATTERS, NOT_SETTLED, TOO_SMALL
from trials.deciding.choosing import recommend
from trials.design.candidates import candidates

# -- A round simulated before it is baked: assumed effects, every level of error, failures.


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

    Examples
    --------
    >>> from trials.core.factors import Numeric
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


def simulated(
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
    again: Sequence[tuple[str, str]] = (),
) -> pd.DataFrame:
    """Return invented scores of a plan, as its round might give them.

    `again` names the tasters and bakes of hidden repeats: a second score of the same view of a
    bake, drawn after all others, so that those are the same without any.
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
        scores = _tasted(bakes, truth, _names(tasters), spreads, measure.name, rng, again)
    whole = isinstance(measure.field, OneOf) if rounded is None else rounded
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
    again: Sequence[tuple[str, str]],
) -> pd.DataFrame:
    own = spreads.taster * rng.normal(0, 1, len(names))
    noise = rng.normal(0, 1, (len(bakes), len(names), 2))
    views = truth[:, None] + own[None, :] + spreads.taster_by_bake * noise[..., 1]
    scores = views + spreads.tasting * noise[..., 0]
    tables = [
        bakes.assign(taster=name, **{column: scores[:, place]}) for place, name in enumerate(names)
    ]
    at = {bake: place for place, bake in enumerate(bakes["bake"])}
    for name, bake in again:
        second = views[at[bake], list(names).index(name)] + spreads.tasting * rng.normal()
        tables.append(bakes.iloc[[at[bake]]].assign(taster=name, **{column: second}))
    return pd.concat(tables, ignore_index=True)


# -- Many rounds rehearsed before the first is baked: each simulated, really fitted, and judged.


REGION = 4000  # settings among which the truly best one is sought
ALPHA = 0.05


@dataclass(frozen=True, eq=False)
class Rehearsals:
    """What came of many rehearsed rounds.

    Parameters
    ----------
    plan : Plan
    rounds : int
        Rounds that could be fitted.
    effects : DataFrame
        term, level, reference, true, estimate (the mean over the rounds), seen (share of rounds
        in which it was told from nothing at 5 %), covered (share in which the 95 % interval
        held the truth), matters, too_small, not_settled (shares of verdicts).
    factors : DataFrame
        factor, true_size, named_first (share of rounds).
    right_first : float
        Share of rounds in which the factor that truly is the largest was named first.
    wrong : float
        Share of rounds in which an effect not worth noticing, or one of the other sign, was said
        to matter.
    shortfall : ndarray, shape (rounds,)
        How far the recommended setting falls short of the best one, in truth; missing without a
        goal.
    unfitted : tuple of str
        Why other rounds could not be fitted.
    sentences : tuple of str
    """

    plan: Plan
    rounds: int
    effects: pd.DataFrame
    factors: pd.DataFrame
    right_first: float
    wrong: float
    shortfall: np.ndarray = field(repr=False)
    unfitted: tuple[str, ...]
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        tables = (self.factors, self.effects)
        return answer(self.sentences, map(readable, tables))


@dataclass(frozen=True, eq=False)
class _Truth:
    """What is true of every effect, every factor and every setting."""

    effects: dict[tuple[str, str, str], float]
    sizes: dict[str, float]
    best: float


@overload
def rehearse(
    plan: Plan,
    effects: Effects,
    *,
    rounds: Literal[1] = 1,
    measure: Measure | str | None = None,
    mean: float = 6.0,
    tasters: int | Sequence[str] = 1,
    spreads: Spreads | None = None,
    failures: Sequence[Failure] = (),
    rounded: bool | None = None,
    seed: int | None = None,
) -> pd.DataFrame: ...
@overload
def rehearse(
    plan: Plan,
    effects: Effects,
    *,
    rounds: int,
    measure: Measure | str | None = None,
    mean: float = 6.0,
    tasters: int | Sequence[str] = 1,
    spreads: Spreads | None = None,
    failures: Sequence[Failure] = (),
    rounded: bool | None = None,
    seed: int | None = None,
) -> Rehearsals: ...


@checked_types(PlanError)
def rehearse(
    plan: Plan,
    effects: Effects,
    *,
    rounds: int = 1,
    measure: Measure | str | None = None,
    mean: float = 6.0,
    tasters: int | Sequence[str] = 1,
    spreads: Spreads | None = None,
    failures: Sequence[Failure] = (),
    rounded: bool | None = None,
    seed: int | None = None,
) -> pd.DataFrame | Rehearsals:
    """Rehearse a round before it is baked: invent its scores, or see what many would have said.

    Parameters
    ----------
    plan : Plan
    effects : mapping
        What is assumed to be true: term -> how much more the high setting gives than the low one
        ("rest": 0.8, "rest:fat": 0.5, "rest^2": -0.6), or level -> amount for a factor of kinds.
    rounds : int
        1 returns the invented scores of one round. More are each simulated, really fitted, and
        judged against what was assumed.
    measure : Measure, optional
        What is scored; liking on nine points, the higher the better, when left out.
    mean : float
        The response at the middle of everything.
    tasters : int or sequence of str
        How many, or their names; not used for a measure per bake.
    spreads : Spreads, optional
        How unlike bakes, loads, days, tasters and scores are.
    failures : sequence of Failure
        Settings at which bakes fail; the first that fits a bake counts.
    rounded : bool, optional
        Whether scores are whole and kept on the scale; as the scale asks when left out.
    seed : int, optional
        Each round draws from a stream of its own.

    Returns
    -------
    DataFrame or Rehearsals
        Of one round a row per score: bake, day, load, role, the factors, taster, status, reason
        and a column named as the measure; a failed bake has no score. Of more rounds what they
        found.

    Raises
    ------
    PlanError
        When there is no taster, a failure names no factor of the plan, or no round could be
        fitted, saying why.

    Notes
    -----
    Runs where joblib's active backend says (``with joblib.parallel_config(n_jobs=2): ...``).

    References
    ----------
    Morris, White & Crowther 2019, Statistics in Medicine 38, 2074-2102 (judging a method by
    simulated data whose truth is known).

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> rest, fat = Numeric("rest", 20, 60), Numeric("fat", 5, 15)
    >>> plan = full_factorial([rest, fat], replicates=3, seed=1)
    >>> rehearse(plan, {"rest": 3.0}, tasters=2, seed=1)["liking"].between(1, 9).all()
    np.True_
    >>> found = rehearse(plan, {"rest": 3.0}, rounds=4, tasters=6, seed=1)
    >>> found.right_first, found.factors["factor"].tolist()
    (1.0, ['rest', 'fat'])
    """
    rounds = whole_number("rounds", rounds, least=1)
    measure = measure_named(measure or "liking")
    assumed: dict[str, Any] = {
        "mean": mean,
        "measure": measure,
        "tasters": tasters,
        "spreads": spreads,
        "failures": failures,
        "rounded": rounded,
    }
    if rounds == 1:
        return simulated(plan, effects, seed=seed, **assumed)
    streams = np.random.default_rng(new_seed() if seed is None else seed).integers(
        2**53, size=rounds
    )
    jobs = [joblib.delayed(_one_round)(plan, effects, assumed, int(stream)) for stream in streams]
    # Backends that hand back one by one show how far they are
    backend, _ = joblib.parallel.get_active_backend()
    lazily = getattr(backend, "supports_return_generator", False)
    answers: list[tuple[pd.DataFrame, str, float] | str] = []
    with under_way("Rehearsing", rounds) as done:
        for answer in joblib.Parallel(return_as="generator" if lazily else "list")(jobs):
            answers.append(answer)
            done(len(answers))
    told = [answer for answer in answers if not isinstance(answer, str)]
    unfitted = tuple(answer for answer in answers if isinstance(answer, str))
    if not told:
        raise PlanError(f"none of {rounds} rehearsed rounds could be fitted: {unfitted[0]}")
    truth = _truth(plan, effects, mean, measure)
    return _summed_up(plan, measure, tasters, told, unfitted, truth)


def _one_round(
    plan: Plan, effects: Effects, assumed: Mapping[str, Any], seed: int
) -> tuple[pd.DataFrame, str, float] | str:
    """Return a round's effects, the factor it names first and the truth at what it recommends."""
    measure = assumed["measure"]
    scores = simulated(plan, effects, seed=seed, **assumed)
    try:
        findings = _fitted(plan, scores, measure)
        reached = _reached(plan, findings, effects, assumed["mean"], measure)
    except TrialsError as error:
        return str(error)
    columns = ["term", "level", "reference", "estimate", "low", "high", "p", "verdict"]
    return findings.effects[columns], str(findings.ranking["factor"].iloc[0]), reached


def _fitted(plan: Plan, scores: pd.DataFrame, measure: Measure) -> Findings:
    """Return the fit of a round; terms that failed bakes have cost it are left out."""
    factors = [one for one in plan.factors if plan.rows[one.name].nunique() > 1]
    if measure.per == "bake":
        scores = scores.drop(columns="taster")
    own = [name for name in plan.groups if name != "load"]
    asked = question(scores, measure.name, factors, planned=plan.model, extra_groups=own)
    terms = [term.name for term in asked.matrix.terms]
    groups = [group.name for group in asked.groups] if own else None
    return fit(scores, measure.name, factors, model=terms, groups=groups, measure=measure)


def _reached(
    plan: Plan, findings: Findings, effects: Effects, mean: float, measure: Measure
) -> float:
    if measure.goal is None:
        return float("nan")
    chosen = recommend(findings, measure, exclude=list(plan.excluded) or None)
    middles: dict[str, Any] = {factor.name: factor.middle for factor in plan.factors}
    setting = {**middles, **chosen.settings}
    value = true_means(pd.DataFrame([setting]), plan.factors, effects, mean)
    return float(_worth(value, measure)[0])


def _worth(values: np.ndarray, measure: Measure) -> np.ndarray:
    """Return how good values are, larger being better, in the unit of the measure."""
    goal = measure.goal
    if goal in ("higher", "lower"):
        return values if goal == "higher" else -values
    if goal[0] == "target":
        return -np.maximum(np.abs(values - goal[1]) - goal[2], 0)
    return -np.maximum(np.maximum(goal[1] - values, values - goal[2]), 0)


def _truth(plan: Plan, effects: Effects, mean: float, measure: Measure) -> _Truth:
    rules = Exclusion(plan.factors, list(plan.excluded) or None)
    terms = _all_terms(plan.factors, effects)
    options = candidates(plan.factors, terms, rules)
    corners = options.listed(np.random.default_rng(0))
    points = np.vstack([options.region(REGION), corners])
    table = pd.DataFrame(real_settings(plan.factors, points))
    means = true_means(table, plan.factors, effects, mean)
    matrix = model_matrix(terms, plan.factors, table)
    beta = np.linalg.lstsq(matrix.X, means, rcond=None)[0]
    sizes = {
        factor.name: _size(factor_contrasts(factor, terms, plan.factors) @ beta)
        for factor in plan.factors
    }
    best = float("nan") if measure.goal is None else float(_worth(means, measure).max())
    found = contrasts(matrix, plan.factors, len(beta))
    # Rounded, so that what is nothing in truth is exactly nothing
    values = {
        (one.term.name, one.level, one.reference): float(np.round(one.weights @ beta, 9))
        for one in found
    }
    return _Truth(values, sizes, best)


def _size(differences: np.ndarray) -> float:
    return float(np.round(np.abs(differences).max(), 9))


def _all_terms(factors: Sequence[Factor], effects: Effects) -> tuple[Term, ...]:
    """Return every effect up to pairs and squares, and whatever else is assumed to be true."""
    blend = any(isinstance(factor, Component) for factor in factors)
    usual = model_terms("blend" if blend else "quadratic", factors)
    names = [factor.name for factor in factors]
    own = (parse_term(text, names) for text in effects)
    return tuple(sorted(dict.fromkeys((*usual, *own)), key=lambda term: term.order))


def _summed_up(
    plan: Plan,
    measure: Measure,
    tasters: int | Sequence[str],
    told: Sequence[tuple[pd.DataFrame, str, float]],
    unfitted: tuple[str, ...],
    truth: _Truth,
) -> Rehearsals:
    every = pd.concat([effects for effects, _, _ in told], keys=range(len(told)), names=["round"])
    keys = zip(every["term"], every["level"], every["reference"], strict=True)
    every = every.assign(true=[truth.effects.get(key, 0.0) for key in keys])
    named = pd.Series([first for _, first, _ in told])
    largest = max(truth.sizes.values())
    right = [name for name, size in truth.sizes.items() if size > largest * (1 - 1e-9)]
    shortfall = truth.best - np.array([reached for _, _, reached in told])
    wrong = _wrong(every, measure.margin or 0.0).groupby("round").any()
    factors = pd.DataFrame(
        {
            "factor": list(truth.sizes),
            "true_size": list(truth.sizes.values()),
            "named_first": [float((named == name).mean()) for name in truth.sizes],
        }
    ).sort_values("true_size", ascending=False, kind="stable", ignore_index=True)
    found = Rehearsals(
        plan=plan,
        rounds=len(told),
        effects=_by_effect(every),
        factors=factors,
        right_first=float(named.isin(right).mean()),
        wrong=float(wrong.mean()),
        shortfall=np.maximum(shortfall, 0.0),
        unfitted=unfitted,
        sentences=(),
    )
    count = tasters if isinstance(tasters, int) else len(tasters)
    return Rehearsals(**{**found.__dict__, "sentences": _sentences(found, measure, count, right)})


def _wrong(every: pd.DataFrame, margin: float) -> pd.Series:
    """Return which verdicts `matters` are wrong: too small in truth, or of the other sign."""
    small = every["true"].abs() <= margin + 1e-12
    other = every["true"] * every["estimate"] < 0
    return (every["verdict"] == MATTERS) & (small | other)


def _by_effect(every: pd.DataFrame) -> pd.DataFrame:
    held = (every["low"] <= every["true"]) & (every["true"] <= every["high"])
    unknown = every["low"].isna()
    marked = every.assign(
        seen=(every["p"] < ALPHA).astype(float),
        covered=held.astype(float).mask(unknown),
        matters=(every["verdict"] == MATTERS).astype(float),
        too_small=(every["verdict"] == TOO_SMALL).astype(float),
        not_settled=(every["verdict"] == NOT_SETTLED).astype(float),
    )
    keys = ["term", "level", "reference"]
    columns = ["true", "estimate", "seen", "covered", "matters", "too_small", "not_settled"]
    return marked.groupby(keys, sort=False)[columns].mean().reset_index()


def _sentences(
    found: Rehearsals, measure: Measure, tasters: int, right: Sequence[str]
) -> tuple[str, ...]:
    scored = "" if measure.per == "bake" else f" by {tasters} taster{'' if tasters == 1 else 's'}"
    said = [
        f"{found.rounds} rehearsals of {found.plan.sentence()}, {measure.name} scored{scored}.",
        f"What matters most, {in_words(right, 'or')}, was named first in "
        f"{percent(found.right_first)} of them.",
        *_verdict_words(found.effects, measure),
        f"Something not worth noticing was said to matter in {percent(found.wrong)} of them.",
    ]
    if np.isfinite(found.shortfall).any():
        typical, seldom = np.mean(found.shortfall), np.quantile(found.shortfall, 0.9)
        unit = measure.unit or "points"
        said.append(
            f"The setting recommended falls short of the best by {tidy_number(typical, 2)} {unit} "
            f"on average, and by more than {tidy_number(seldom, 2)} in one round of ten."
            if seldom > 0
            else "The setting recommended was the best one in nine rounds of ten or more."
        )
    if found.unfitted:
        said.append(f"{len(found.unfitted)} more could not be fitted: {found.unfitted[0]}")
    return tuple(said)


def _verdict_words(effects: pd.DataFrame, measure: Measure) -> list[str]:
    worth = effects[effects["true"].abs() > (measure.margin or 0.0) + 1e-12]
    if worth.empty:
        return []
    shares: dict[str, Any] = worth[["matters", "too_small", "not_settled"]].mean().to_dict()
    return [
        f"Effects worth noticing were said to matter {percent(shares['matters'])} of the time, "
        f"left open {percent(shares['not_settled'])}, and missed {percent(shares['too_small'])}."
    ]
