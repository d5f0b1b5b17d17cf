"""Averaging over models when few bakes are left for error, in the words of effects."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trials.analysis.contrasts import contrasts
from trials.analysis.model_search import Priors
from trials.analysis.no_error import unit_means
from trials.analysis.preparing import Question
from trials.analysis.repeats import is_of_tasting
from trials.analysis.results import EFFECT_COLUMNS, Averaged
from trials.analysis.rival_models import Candidate, RivalModels, average_models
from trials.analysis.verdicts import CONFIDENCE, NOT_SETTLED, TOO_SMALL, verdict
from trials.design.terms import ModelMatrix, Term, is_blend
from trials.factors import Factor

FEW_ERROR_DF = 6  # fewer bakes than this left for error, and averaging stands beside the effects
FEWEST_FREE = 3  # bakes beyond the blocks, for explanations to be compared at all
DRAWS, SEED = 4000, 1993
_ROUNDING = 1e-9  # of the largest response
# How much loads may differ from one another, as a share of the variance between bakes
LOAD_RATIOS = (0.0, 0.5, 2.0)


def averaged(asked: Question, priors: Priors | None = None) -> Averaged | None:
    """Return what all models that respect heredity say together about the bakes.

    Parameters
    ----------
    asked : Question
    priors : Priors, optional
        What is believed beforehand; the house's own when left out.

    Returns
    -------
    Averaged or None
        None for a blend, whose terms have no heredity, and where there are too few bakes to
        compare explanations or their means are all alike.

    References
    ----------
    Box & Meyer 1993, J. Qual. Technol. 25:94-105; see :mod:`trials.analysis.rival_models`.

    Examples
    --------
    >>> averaged.__name__
    'averaged'
    """
    matrix = asked.proposed
    if is_blend(matrix.terms, asked.factors):
        return None
    y, first = _bake_values(asked)
    blocks = np.hstack([np.ones((len(first), 1)), asked.nuisance[first]])
    if len(y) < blocks.shape[1] + FEWEST_FREE or not _varies(y, blocks):
        return None
    found = average_models(
        y,
        [_candidate(term, matrix, first) for term in matrix.terms],
        blocks=blocks,
        covariances=_covariances(asked, first),
        priors=priors,
    )
    drawn = found.draws(DRAWS, SEED)
    draws = np.vstack([drawn.blocks[:, :1].T, drawn.coefficients.to_numpy().T])
    margin = asked.measure.margin if asked.measure else None
    return Averaged(
        terms=matrix.terms,
        table=_table(matrix, asked.factors, draws, found, margin),
        draws=draws,
        explanations=tuple(found.sentences()),
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


def _covariances(asked: Question, first: np.ndarray) -> list[np.ndarray]:
    own = [g for g in asked.groups if g.name != "bake" and not is_of_tasting(g.name)]
    shared = [group.codes[first] for group in own]
    if not shared:
        return []
    alike = sum(np.equal.outer(codes, codes).astype(float) for codes in shared)
    return [np.eye(len(first)) + ratio * alike for ratio in LOAD_RATIOS]


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


def spoken_effects(effects: pd.DataFrame, found: Averaged | None) -> pd.DataFrame:
    """Return the effects that the sentences speak of.

    Where few bakes are left for error these are the averaged ones. Averaging shrinks what the
    bakes can not show, so that something is too small to matter is said only where the effect's
    own interval says it as well.

    Parameters
    ----------
    effects : DataFrame
        With the columns of findings' effects.
    found : Averaged or None

    Returns
    -------
    DataFrame
        With the columns of effects.

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
    return table.assign(df=float(FEW_ERROR_DF), p=np.nan, verdict=judged)[list(EFFECT_COLUMNS)]


def _careful(by_averaging: str, by_itself: str) -> str:
    if by_averaging == TOO_SMALL and by_itself != TOO_SMALL:
        return NOT_SETTLED
    return by_averaging
