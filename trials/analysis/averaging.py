"""Averaging.

Effects over models when few bakes are left for error, beside the other way of judging them.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.contrasts import contrasts
from trials.analysis.explanations import (
    Candidate,
    ErrorPrior,
    Priors,
    RivalModels,
    average_models,
)
from trials.analysis.no_error import unit_means
from trials.analysis.question import Question, group_codes, is_of_tasting
from trials.analysis.results import EFFECT_COLUMNS, Averaged, Findings
from trials.analysis.wording import LIKELY
from trials.base.errors import FitError
from trials.base.words import in_words, kitchen_term, percent
from trials.core.factors import Factor
from trials.core.terms import ModelMatrix, Term, is_blend
from trials.core.verdicts import CONFIDENCE, NOT_SETTLED, TOO_SMALL, verdict
from trials.design.power import USUAL

# -- Averaging over models when few bakes are left for error, in the words of effects.


FEW_ERROR_DF = 6  # fewer bakes than this left for error, and averaging stands beside the effects
FEWEST_FREE = 3  # bakes beyond the blocks, for explanations to be compared at all
DRAWS, SEED = 4000, 1993
_ROUNDING = 1e-9  # of the largest response
# How much loads may differ from one another, as a share of the variance between bakes
LOAD_RATIOS = (0.0, 0.5, 2.0)
# Times the usual spread of days in a kitchen that rounds may lie apart; scores weigh the two
DAY_TIMES = (1.0, 3.0)


def averaged(
    asked: Question, priors: Priors | None = None, error: ErrorPrior | None = None
) -> Averaged | None:
    """Return what all models that respect heredity say together about the bakes.

    References
    ----------
    Box & Meyer 1993, J. Qual. Technol. 25:94-105; see :mod:`trials.analysis.rival_models`.
    """
    matrix = asked.proposed
    if is_blend(matrix.terms, asked.factors):
        return None
    y, first = _bake_values(asked)
    fixed = [n for n, name in enumerate(asked.nuisance_names) if name != _with_prior(asked)]
    blocks = np.hstack([np.ones((len(first), 1)), asked.nuisance[first][:, fixed]])
    if len(y) < blocks.shape[1] + FEWEST_FREE or not _varies(y, blocks):
        return None
    found = average_models(
        y,
        [_candidate(term, matrix, first) for term in matrix.terms],
        blocks=blocks,
        covariances=_covariances(asked, first),
        priors=priors,
        error=error,
    )
    drawn = found.draws(DRAWS, SEED)
    draws = np.vstack([drawn.blocks[:, :1].T, drawn.coefficients.to_numpy().T])
    margin = asked.margin
    return Averaged(
        terms=matrix.terms,
        table=_table(matrix, asked.factors, draws, found, margin),
        draws=draws,
        explanations=tuple(found.sentences()),
        df=float(found.posterior.df),
    )


def _bake_values(asked: Question) -> tuple[np.ndarray, np.ndarray]:
    """Return one value per bake, corrected for who tasted it, and a row of each."""
    codes = {group.name: group.codes for group in asked.groups}
    if "bake" not in codes:
        return asked.y, np.arange(len(asked.y))
    crossed = [codes["taster"]] if "taster" in codes else []
    return unit_means(asked.y, codes["bake"], crossed)


def _varies(y: np.ndarray, blocks: np.ndarray) -> bool:
    """Say whether bakes differ by more than the blocks and rounding explain."""
    scaled = y / np.abs(y).max(initial=np.finfo(float).tiny)
    left = scaled - blocks @ np.linalg.lstsq(blocks, scaled, rcond=None)[0]
    return bool(np.linalg.norm(left) > _ROUNDING)


def _candidate(term: Term, matrix: ModelMatrix, first: np.ndarray) -> Candidate:
    return Candidate(
        term.name,
        matrix.X[np.ix_(first, matrix.of(term))],
        parents=_parents(term, matrix.terms),
        labels=tuple(matrix.columns[column] for column in matrix.of(term)),
    )


def _parents(term: Term, terms: Sequence[Term]) -> tuple[str, ...]:
    """Return the terms of one order less that are part of this one."""
    if term.order < 2:
        return ()
    own = dict(term.powers)
    return tuple(
        other.name
        for other in terms
        if other.order == term.order - 1
        and all(power <= own.get(name, 0) for name, power in other.powers)
    )


def _with_prior(asked: Question) -> str | None:
    """Return the block whose levels are held to the usual spread of days in a kitchen.

    Free of any prior, four bakes of a second day would tell almost nothing about their level.
    """
    return asked.block if asked.joined else None


def _covariances(asked: Question, first: np.ndarray) -> list[np.ndarray]:
    own = [g for g in asked.groups if g.name != "bake" and not is_of_tasting(g.name)]
    shared = [group.codes[first] for group in own]
    alike = sum((_alike(codes) for codes in shared), np.zeros((len(first), len(first))))
    found = [np.eye(len(first)) + r * alike for r in (LOAD_RATIOS if shared else (0.0,))]
    block = _with_prior(asked)
    if block is None:
        return found if shared else []
    days = _alike(group_codes(asked.table, block)[first])
    usual = _usual_day(len(asked.y) / len(first), tasted="taster" in asked.table)
    return [one + times**2 * usual * days for one in found for times in DAY_TIMES]


def _alike(codes: np.ndarray) -> np.ndarray:
    return np.equal.outer(codes, codes).astype(float)


def _usual_day(scores: float, *, tasted: bool) -> float:
    """Return the usual variance between days as a share of that of one bake's mean score."""
    bake = USUAL["bake"] ** 2 + (USUAL["tasting"] ** 2 / scores if tasted else 0.0)
    return float(USUAL["day"] ** 2 / bake)


def _table(
    matrix: ModelMatrix,
    factors: Sequence[Factor],
    draws: np.ndarray,
    found: RivalModels,
    margin: float | None,
) -> pd.DataFrame:
    chances = found.activity.set_index("term")["probability"]
    edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
    rows = []
    for one in contrasts(matrix, factors, len(draws)):
        values = one.weights @ draws
        low, high = np.quantile(values, edges)
        judged = verdict(low, high, margin)
        rows.append(
            (
                one.term.name,
                one.level,
                one.reference,
                values.mean(),
                values.std(),
                low,
                high,
                chances[one.term.name],
                judged,
            )
        )
    names = ["term", "level", "reference", "estimate", "sd", "low", "high", "chance", "verdict"]
    return pd.DataFrame(rows, columns=names)


def effects_at_work(
    asked: Question,
    found: Averaged,
    itself: pd.DataFrame,
    sure: float,
    beside: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return the effects that sentences speak of where the error of the kitchen is known.

    Once it is `sure` enough that a term is at work, its effect and interval are those of a term
    at work. Until then nothing is an effect that may be at work: its interval is its own
    (`itself`, the whole model's) and reaches nothing. Intervals hold those of another method that
    stands `beside`, so that the more careful of the two judges.

    References
    ----------
    Barbieri & Berger 2004, Ann. Stat. 32:870 (terms taken for what they are once likelier in than
    out); the chance asked for here is higher, so that rounds of pure noise say nothing.
    """
    margin = asked.margin
    edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
    own, other = ({} if table is None else _by_row(table) for table in (itself, beside))
    every = contrasts(asked.proposed, asked.factors, len(found.draws))
    rows = []
    for one, row in zip(every, found.table.itertuples(), strict=True):
        values = one.weights @ found.draws
        at_work = values[values != 0]
        key, se, df = (row.term, row.level), float(values.std()), found.df
        if row.chance >= sure and len(at_work) > len(values) / 2:
            values, se = at_work, float(at_work.std())
            low, high = np.quantile(values, edges)
        elif key in own and np.isfinite(own[key].low):
            se, df = own[key].se, own[key].df
            low, high = min(own[key].low, 0.0), max(own[key].high, 0.0)
        else:
            low, high = _with_width(*np.quantile(values, edges))
        if key in other:
            low, high = np.fmin(low, other[key].low), np.fmax(high, other[key].high)
        judged = verdict(low, high, margin)
        if key not in own:
            judged = _careful(judged, NOT_SETTLED)
        numbers = (float(values.mean()), se, df, float(low), float(high), np.nan)
        rows.append((row.term, row.level, row.reference, *numbers, judged))
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS))


def _by_row(effects: pd.DataFrame) -> dict[tuple[str, str], Any]:
    return {(row.term, row.level): row for row in effects.itertuples()}


def spoken_effects(effects: pd.DataFrame, found: Averaged | None) -> pd.DataFrame:
    """Return the effects that the sentences speak of.

    Where few bakes are left for error these are the averaged ones. Averaging shrinks what the
    bakes can not show, so that something is too small to matter is said only where the effect's
    own interval says it as well.

    Examples
    --------
    >>> spoken_effects(pd.DataFrame({"term": ["fat"]}), None)["term"].tolist()
    ['fat']
    """
    if found is None:
        return effects
    own = effects.set_index(["term", "level"])["verdict"].to_dict()
    table = found.table.rename(columns={"sd": "se"})
    judged = [
        _careful(row.verdict, own.get((row.term, row.level), NOT_SETTLED))
        for row in table.itertuples()
    ]
    ends = [_with_width(row.low, row.high) for row in table.itertuples()]
    table[["low", "high"]] = np.array(ends).reshape(-1, 2)
    return table.assign(df=float(FEW_ERROR_DF), p=np.nan, verdict=judged)[list(EFFECT_COLUMNS)]


def _with_width(low: float, high: float) -> tuple[float, float]:
    """Return the ends of an interval, unknown where nearly all that is possible is one value."""
    return (low, high) if low < high else (np.nan, np.nan)


def _careful(by_averaging: str, by_itself: str) -> str:
    if by_averaging == TOO_SMALL and by_itself != TOO_SMALL:
        return NOT_SETTLED
    return by_averaging


# -- Two ways of judging effects where no error was measured, side by side.


_LEVEL = 0.05


def side_by_side(findings: Findings) -> pd.DataFrame:
    """Return every effect as it comes, and averaged over all explanations.

    References
    ----------
    Lenth 1989, Technometrics 31:469-473; Box & Meyer 1993, J. Qual. Technol. 25:94-105.
    """
    found = findings.averaged
    if found is None:
        raise FitError(
            "nothing was averaged: the model was named, or so many bakes were left for the error "
            "that it could change nothing; the table of effects says it all."
        )
    alone = findings.effects[["term", "level", "reference", "estimate", "low", "high", "verdict"]]
    averaged = found.table.rename(
        columns={
            "estimate": "averaged",
            "low": "averaged_low",
            "high": "averaged_high",
            "verdict": "averaged_verdict",
        }
    ).drop(columns="sd")
    return averaged.merge(alone, on=["term", "level", "reference"], how="left")[
        [*alone.columns, "averaged", "averaged_low", "averaged_high", "chance", "averaged_verdict"]
    ]


def both_ways(effects: pd.DataFrame, found: Averaged) -> str:
    """Return one sentence on what Lenth's method and averaging over explanations say."""
    out = [kitchen_term(term) for term in effects["term"][effects["p"] < _LEVEL].unique()]
    chances = term_chances(found)
    likely = sorted((t for t in chances if chances[t] >= LIKELY), key=lambda t: -chances[t])
    stand = "stands" if len(out) < 2 else "stand"
    said = (
        f"Judged by the smaller effects (Lenth's method), {in_words(out) or 'nothing'} {stand} out"
    )
    if not likely:
        return f"{said}; averaged over all explanations nothing is more likely at work than not."
    named = in_words(f"{kitchen_term(term)} {percent(chances[term])}" for term in likely)
    return f"{said}; averaged over all explanations, the chance to be at work is {named}."


def kitchen_explanations(found: Averaged) -> tuple[str, ...]:
    """Return which explanations fit about as well, pairs and bends in kitchen words."""
    said = list(found.explanations)
    for term in found.terms:
        if term.order > 1:
            said = [one.replace(term.name, kitchen_term(term.name)) for one in said]
    return tuple(said)


def term_chances(found: Averaged) -> dict[str, float]:
    """Return the chance that each term is at work at all."""
    return {str(row.term): float(row.chance) for row in found.table.itertuples()}


def beliefs(priors: Priors | None = None) -> str:
    """Return in words what averaging takes for granted beforehand.

    Examples
    --------
    >>> beliefs().startswith("Before the bakes each factor")
    True
    """
    held = priors or Priors()
    return (
        f"Before the bakes each factor is given a chance of {percent(held.main)} to be at work, a "
        f"pair beside two such factors {percent(held.all_parents)} and beside one "
        f"{percent(held.some_parents)}."
    )
