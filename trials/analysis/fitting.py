"""The fit of one response: the right error for every effect, and a verdict for each."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.asking import question_of
from trials.analysis.averaging import FEW_ERROR_DF, averaged, spoken_effects
from trials.analysis.contrasts import Tester, contrasts, effects_table, tests_table
from trials.analysis.importance import averaged_chances, ranking, without_lost
from trials.analysis.levels import levels_of_terms, unit_count, unit_words
from trials.analysis.mixed import MixedFit, fit_mixed
from trials.analysis.no_error import KnownErrorFit, exact_fit, is_orthogonal, unit_means
from trials.analysis.preparing import CONTROL, Question
from trials.analysis.repeats import is_of_tasting
from trials.analysis.results import Averaged, Findings
from trials.analysis.settling import settling_table
from trials.analysis.small_sample import small_sample
from trials.analysis.two_ways import beliefs, both_ways, kitchen_explanations, term_chances
from trials.analysis.unreplicated import FEWEST_EFFECTS, lenth
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

LENTH = "Lenth's method"

# Bakes left for error below which even a named model is averaged with simpler ones
FEWEST_FOR_A_NAMED_MODEL = 3
# Bakes left for error from which a fit and the average over simpler models choose alike
ENOUGH_TO_CHOOSE = 60
FIT_METHODS = ("kenward-roger", "satterthwaite")


@dataclass(frozen=True, eq=False)
class Estimated:
    """A question with its answer in numbers.

    Parameters
    ----------
    question : Question
    engine : Tester
        Coefficients with their errors.
    variance : DataFrame
        source, variance, sd, share.
    residuals : ndarray, shape (rows,)
        What the model leaves of each score, random groups included.
    method : str
    notes : tuple of str
    error_df : float
        How many bakes are left to measure the error between bakes; infinite where it does not
        come to that.
    """

    question: Question
    engine: Tester
    variance: pd.DataFrame
    residuals: np.ndarray
    method: str
    notes: tuple[str, ...] = ()
    error_df: float = float("inf")


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
    return _findings(_estimated(asked, method))


def _estimated(asked: Question, method: str) -> Estimated:
    exact = exact_fit(asked.y, asked.X, asked.groups)
    if exact is not None:
        note = "The scores follow the model exactly: there is no error to judge the effects by."
        return _known(asked, exact, "exact solution", (note,))
    if len(asked.y) <= asked.X.shape[1]:
        return _without_error(asked)
    mixed = fit_mixed(asked.y, asked.X, asked.groups)
    if "bake" in mixed.unidentified:
        return _without_error(_on_bakes(asked))
    lost = [name for name in mixed.unidentified if not is_of_tasting(name)]
    notes = tuple(
        f"No error was measured between {unit_words(name, asked.table, asked.factors)}: "
        "what changes only between them can not be judged. Repeat a setting on another of them."
        for name in lost
    )
    return Estimated(
        question=asked,
        engine=small_sample(mixed, method=method),
        variance=_variance(mixed, asked),
        residuals=mixed.conditional_residuals,
        method=_method_words(mixed, method),
        notes=notes,
        error_df=_error_df(mixed),
    )


def _error_df(mixed: MixedFit) -> float:
    """Return how many bakes are left for the error between bakes."""
    left = mixed.error_df
    return left["bake"] if "bake" in left else left["residual"]


def _method_words(mixed: MixedFit, method: str) -> str:
    if not mixed.terms:
        return "ordinary least squares, one value per unit"
    names = in_words(term.name for term in mixed.terms)
    adjusted = {"kenward-roger": "Kenward-Roger", "satterthwaite": "Satterthwaite"}.get(method, "")
    return f"REML with random {names}; {adjusted} standard errors and degrees of freedom"


def _variance(mixed: MixedFit, asked: Question) -> pd.DataFrame:
    names = [term.name for term in mixed.terms] + [unit_words(None, asked.table).removesuffix("s")]
    values = np.asarray(mixed.variances, dtype=float)
    total = np.nansum(values)
    return pd.DataFrame(
        {
            "source": names,
            "variance": values,
            "sd": np.sqrt(values),
            "share": values / total,
        }
    )


def _known(
    asked: Question,
    engine: KnownErrorFit,
    method: str,
    notes: tuple[str, ...],
    error_df: float = float("inf"),
) -> Estimated:
    empty = pd.DataFrame({"source": [], "variance": [], "sd": [], "share": []})
    left = asked.y - asked.X @ engine.beta
    return Estimated(asked, engine, empty, left, method, notes, error_df)


def _on_bakes(asked: Question) -> Question:
    """Return the question with one row per bake, its mean score as the response."""
    codes = {group.name: group.codes for group in asked.groups}
    crossed = [codes["taster"]] if "taster" in codes else []
    means, first = unit_means(asked.y, codes["bake"], crossed)
    matrix = replace(asked.matrix, X=asked.matrix.X[first])
    proposed = replace(asked.proposed, X=asked.proposed.X[first])
    return replace(
        asked,
        y=means,
        table=asked.table.iloc[first]
        .drop(columns="taster", errors="ignore")
        .reset_index(drop=True),
        matrix=matrix,
        proposed=proposed,
        nuisance=asked.nuisance[first],
        groups=tuple(
            replace(group, codes=group.codes[first])
            for group in asked.groups
            if group.name != "bake" and not is_of_tasting(group.name)
        ),
    )


def _without_error(asked: Question) -> Estimated:
    """Return effects of a plan that spent every bake on an effect, judged by Lenth's method."""
    X = asked.X
    beta = np.linalg.lstsq(X, asked.y, rcond=None)[0]
    cov = np.full((len(beta), len(beta)), np.nan)
    spent = (
        f"All {len(asked.y)} {unit_words(None, asked.table)} are spent on {X.shape[1]} quantities, "
        "so no error was measured."
    )
    levels = levels_of_terms(asked.matrix, asked.groups, _silent(asked))
    judged = [
        int(column)
        for term in asked.matrix.terms
        if levels[term.name] is None and len(asked.matrix.of(term)) == 1
        for column in asked.matrix.of(term)
    ]
    if len(judged) >= FEWEST_EFFECTS and is_orthogonal(X[:, judged]):
        length = np.sqrt((X[:, judged[0]] ** 2).mean())
        try:
            found = lenth({asked.matrix.columns[c]: 2 * beta[c] * length for c in judged})
        except FitError as error:
            return _untold(asked, beta, f"{spent} As it happens, {error.message}")
        cov[np.ix_(judged, judged)] = np.diag(np.full(len(judged), (found.pse / length / 2) ** 2))
        note = (
            f"{spent} The table of effects judges each by the smaller ones (Lenth's method: a "
            f"margin of {found.margin:.2g}); repeat a few bakes to measure how alike two bakes are."
        )
        engine = KnownErrorFit(beta, cov, found.df)
        return _known(asked, engine, LENTH, (note,), 0.0)
    return _untold(
        asked, beta, f"{spent} Nothing can be told from chance; repeat some of the settings."
    )


def _untold(asked: Question, beta: np.ndarray, note: str) -> Estimated:
    engine = KnownErrorFit(beta, np.full((len(beta), len(beta)), np.nan), 0.0)
    return _known(asked, engine, "least squares without error", (note,), 0.0)


def _silent(asked: Question) -> np.ndarray:
    if CONTROL in asked.nuisance_names:
        return (asked.table["role"] == "control").to_numpy()
    return np.zeros(len(asked.y), dtype=bool)


def _findings(answer: Estimated) -> Findings:
    asked = answer.question
    margin = asked.measure.margin if asked.measure else None
    columns = asked.X.shape[1]
    effects = effects_table(contrasts(asked.matrix, asked.factors, columns), answer.engine, margin)
    units = _units(asked)
    level_df = _level_df(answer)
    chosen_by = averaged(asked) if _weighs_models(answer) else None
    told = chosen_by if answer.error_df < _few(asked) else None
    ranked = ranking(asked.matrix.terms, asked.factors, answer.engine, level_df)
    if chosen_by is not None:
        chances = averaged_chances(chosen_by, asked.factors)
        ranked = ranked.assign(chance_largest=ranked["factor"].map(chances))
    ranked = without_lost(ranked, _lost_factors(asked))
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
        sentences=_said(answer, effects, spoken, ranked, to_settle, told),
        notes=_notes(answer, effects, told),
        method=answer.method,
        averaged=chosen_by,
        few_left=told is not None,
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


def _units(asked: Question) -> dict[str, tuple[str, int]]:
    """Return for every term the unit it is judged on, in words, and how many there are."""
    levels = levels_of_terms(asked.proposed, asked.groups, _silent(asked))
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
        tasted="taster" in asked.table and bool(asked.table["taster"].notna().any()),
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
