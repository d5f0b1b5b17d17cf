"""The fit of one response: the right error for every effect, and a verdict for each."""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.asking import question_of
from trials.analysis.averaging import FEW_ERROR_DF, averaged, spoken_effects
from trials.analysis.contrasts import contrasts, effects_table, tests_table
from trials.analysis.estimating import LENTH, Estimated, estimated, silent_rows
from trials.analysis.importance import ranking, without_lost
from trials.analysis.levels import levels_of_terms, unit_count, unit_words
from trials.analysis.preparing import Question
from trials.analysis.results import Averaged, Findings
from trials.analysis.settling import settling_table
from trials.analysis.two_ways import beliefs, both_ways, kitchen_explanations, term_chances
from trials.analysis.wording import (
    failure_sentence,
    few_tasters_note,
    sentences,
    smallest_shown,
)
from trials.design.terms import Model
from trials.errors import FitError
from trials.factors import Factor
from trials.measures import Measure
from trials.rounds.round import Round
from trials.tables import in_words

# Bakes left for error below which even a named model is averaged with simpler ones
FEWEST_FOR_A_NAMED_MODEL = 3
# Bakes left for error from which a fit and the average over simpler models choose alike
ENOUGH_TO_CHOOSE = 60
FIT_METHODS = ("kenward-roger", "satterthwaite")


def fit(
    data: Round | pd.DataFrame | Any,
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    method: str = "kenward-roger",
) -> Findings:
    """Learn what changed a response, each effect being judged against the right error.

    Parameters
    ----------
    data : Round or DataFrame
        A round whose scores are in, or any tidy table with one row per score.
    response : str
        The measure, or the column, to explain.
    factors : sequence of Factor or str, optional
        Needed for a table; a name stands for the column as it is.
    model : str, list of str or None
        "main", "interactions", "quadratic", "blend", or terms such as "fat:hydration". None
        takes the plan's own, else "interactions".
    groups : iterable of str or None
        One random intercept each; "day/load" is load within day and does not add "day". None
        takes those of day, load, bake and taster that the table has; () is for none.
    measure : Measure, optional
        The scale, and what is worth noticing.
    method : "kenward-roger" or "satterthwaite"
        How degrees of freedom are found.

    Returns
    -------
    Findings

    Raises
    ------
    FitError
        When the table can not answer: what was found, and what would help.
    SheetError
        When the sheets of a round hold mistakes.

    References
    ----------
    Patterson & Thompson 1971 (REML); Kenward & Roger 1997, Biometrics 53:983; Lenth 1989 where
    every bake was spent on an effect.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2,
    ...                       "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2]})
    >>> found = fit(table, "liking", ["rest", "fat"], model="main")
    >>> found.effects[["term", "level", "reference", "verdict"]]
       term level reference      verdict
    0  rest    60        20      matters
    1   fat   oil    butter  not settled
    """
    if method not in FIT_METHODS:
        raise FitError(f"method is {method!r}; expected {in_words(map(repr, FIT_METHODS), 'or')}.")
    asked = question_of(data, response, factors, model=model, groups=groups, measure=measure)
    return answered(asked, method=method)


def answered(asked: Question, *, method: str = "kenward-roger") -> Findings:
    """Return the findings that answer a question already put.

    Parameters
    ----------
    asked : Question
    method : "kenward-roger" or "satterthwaite"

    Examples
    --------
    >>> answered.__name__
    'answered'
    """
    return _findings(estimated(asked, method))


def _findings(answer: Estimated) -> Findings:
    asked = answer.question
    margin = asked.measure.margin if asked.measure else None
    columns = asked.X.shape[1]
    effects = effects_table(contrasts(asked.matrix, asked.factors, columns), answer.engine, margin)
    units = _units(asked)
    level_df = _level_df(answer)
    chosen_by = averaged(asked) if _weighs_models(answer) else None
    told = chosen_by if answer.error_df < _few(asked) else None
    ranked = ranking(asked.matrix.terms, asked.factors, answer.engine, level_df, chosen_by)
    left_out = _left_out(asked)
    ranked = without_lost(ranked, [*_lost_factors(asked), *left_out])
    asked_for = ranked[~ranked["factor"].isin(left_out)]
    spoken = spoken_effects(effects, told)
    least = int(np.ceil(FEW_ERROR_DF - answer.error_df)) if told else 1
    to_settle = settling_table(spoken, margin, units, least)
    against = {term.name: units[term.name][0] for term in asked.matrix.terms}
    return Findings(
        response=asked.response,
        factors=asked.factors,
        terms=asked.matrix.terms,
        effects=effects,
        tests=tests_table(asked.matrix, answer.engine, columns, against),
        variance=answer.variance,
        ranking=ranked,
        residuals=_residual_table(answer),
        engine=answer.engine,
        margin=margin,
        measure=asked.measure,
        spread=_spread(answer.variance),
        to_settle=to_settle,
        failed=asked.failed,
        sentences=_said(answer, effects, spoken, asked_for, to_settle, told),
        notes=_notes(answer, effects, told),
        method=answer.method,
        averaged=chosen_by,
        told=told,
        spoken=spoken,
        level_df=level_df,
    )


def _few(asked: Question) -> int:
    """Return how many bakes left for error are too few to take the whole model at its word."""
    return FEWEST_FOR_A_NAMED_MODEL if asked.model_named else FEW_ERROR_DF


def _weighs_models(answer: Estimated) -> bool:
    """Say whether simpler models are weighed beside the one that was fitted."""
    asked = answer.question
    enough = FEWEST_FOR_A_NAMED_MODEL if asked.model_named else ENOUGH_TO_CHOOSE
    return answer.error_df < enough and len(asked.factors) > 1


def _lost_factors(asked: Question) -> list[str]:
    """Return the factors whose own effect was asked for and had to be left out."""
    told = set(asked.matrix.terms)
    gone = [term for term in asked.proposed.terms if term.order == 1 and term not in told]
    return [term.name for term in gone]


def _left_out(asked: Question) -> list[str]:
    """Return the factors that no term of the model names: nothing was asked of them."""
    named = {name for term in asked.proposed.terms for name in term.factors}
    return [factor.name for factor in asked.factors if factor.name not in named]


def _steady_units(answer: Estimated) -> tuple[str, ...]:
    """Return the units, in words, that differ by more than the mean of their tasters' scores."""
    asked, spread = answer.question, _spread(answer.variance)
    if "taster" not in asked.table or not {"bake", "tasting"} <= set(spread):
        return ()
    scores = len(asked.y) / asked.table["bake"].nunique()
    own = {"bakes": spread["bake"], "loads": spread["bake"] + spread.get("load", 0.0)}
    return tuple(unit for unit, value in own.items() if value >= spread["tasting"] / scores)


def _units(asked: Question) -> dict[str, tuple[str, int]]:
    """Return for every term the unit it is judged on, in words, and how many there are."""
    levels = levels_of_terms(asked.proposed, asked.groups, silent_rows(asked))
    return {
        name: (
            unit_words(level, asked.table, asked.factors),
            unit_count(level, asked.groups, len(asked.y)),
        )
        for name, level in levels.items()
    }


def _said(
    answer: Estimated,
    effects: pd.DataFrame,
    spoken: pd.DataFrame,
    ranked: pd.DataFrame,
    to_settle: pd.DataFrame,
    together: Averaged | None,
) -> tuple[str, ...]:
    asked = answer.question
    said = sentences(
        asked.response,
        asked.measure,
        asked.proposed.terms,
        spoken,
        ranked,
        to_settle,
        steady=_steady_units(answer),
        chances=term_chances(together) if together else None,
    )
    if together:
        both = (both_ways(effects, together),) if answer.method == LENTH else ()
        said += both + kitchen_explanations(together)
    return said + _failed_words(asked)


def _few_words(answer: Estimated) -> str:
    units = "bakes" if answer.error_df != 1 else "bake"
    left = f"only {answer.error_df:.0f} {units}" if answer.error_df else "no bake"
    return (
        f"After all the effects {left} would be left to measure how alike two bakes are, so the "
        "sentences average over every simpler explanation, each weighed by how well it fits; the "
        f"table of effects takes them all as they come. {beliefs()} Repeated bakes would tell more."
    )


def _level_df(answer: Estimated) -> np.ndarray:
    count = answer.question.matrix.X.shape[1]
    whole = np.eye(answer.question.X.shape[1])[:count]
    return np.array([answer.engine.estimate(row)[2] for row in whole])


def _spread(variance: pd.DataFrame) -> dict[str, float]:
    known = variance[np.isfinite(variance["variance"])]
    return dict(zip(known["source"], known["variance"], strict=True))


def _residual_table(answer: Estimated) -> pd.DataFrame:
    table = answer.question.table
    names = [name for name in ("row", "bake", "day", "load", "role", "taster") if name in table]
    names += [factor.name for factor in answer.question.factors]
    return table[names].assign(
        observed=answer.question.y,
        fitted=answer.question.y - answer.residuals,
        residual=answer.residuals,
    )


def _failed_words(asked: Question) -> tuple[str, ...]:
    if asked.failed.empty:
        return ()
    # Reference bakes stand apart: they say nothing of the settings that were tried
    table, failed = (
        one[one["role"] != "control"] if "role" in one else one
        for one in (asked.table, asked.failed)
    )
    made = table["bake"].nunique() if "bake" in table else len(table)
    said = failure_sentence(failed, made + len(failed), asked.factors)
    return (said,) if said else ()


def _notes(answer: Estimated, effects: pd.DataFrame, together: Averaged | None) -> tuple[str, ...]:
    asked = answer.question
    notes = list(asked.notes + answer.notes)
    if together:
        notes.append(_few_words(answer))
    if asked.measure is not None and asked.measure.worth_noticing is None:
        notes.append(f"Worth noticing for {asked.response}: {asked.measure.margin_source}.")
    if asked.measure is None:
        notes.append(
            "No smallest difference worth noticing was named, so nothing is called too small."
        )
    if "taster" in asked.table:
        tasters = list(dict.fromkeys(asked.table["taster"].dropna().astype(str)))
        shown = smallest_shown(effects, asked.matrix.terms)
        notes.append(few_tasters_note(tasters, asked.measure, shown))
    return tuple(note for note in notes if note)
