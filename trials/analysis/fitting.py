"""The fit of one response.

The right error for every effect, a verdict for each, and what would settle the rest.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.averaging import (
    FEW_ERROR_DF,
    averaged,
    beliefs,
    both_ways,
    effects_at_work,
    kitchen_explanations,
    spoken_effects,
    term_chances,
)
from trials.analysis.best_bakes import bake_table, best_bakes, error_again
from trials.analysis.contrasts import Tester, contrasts, effects_table, tests_table
from trials.analysis.importance import ranking, without_lost
from trials.analysis.kitchen_error import (
    SPOKEN_BELIEFS,
    SURE_AT_WORK,
    CarefulFit,
    KitchenError,
    careful,
    kitchen_error,
    without_width,
)
from trials.analysis.mixed import MixedFit, NothingLeftError, RandomTerm, fit_mixed
from trials.analysis.no_error import (
    FEWEST_EFFECTS,
    KnownErrorFit,
    exact_fit,
    is_orthogonal,
    lenth,
    unit_means,
)
from trials.analysis.question import (
    READING,
    REFERENCE_BAKE,
    TASTING,
    Question,
    is_of_tasting,
    question_of,
)
from trials.analysis.results import Averaged, Findings
from trials.analysis.settling import settling_table
from trials.analysis.small_sample import small_sample
from trials.analysis.wording import failure_sentence, few_tasters_note, sentences, smallest_shown
from trials.base.errors import FitError
from trials.base.words import in_words
from trials.core.factors import Factor, Varied
from trials.core.measures import Measure
from trials.core.plan import kitchen_group, plural
from trials.core.roles import Role
from trials.core.terms import Model, ModelMatrix

# -- Which unit each effect is judged against: loads, bakes or tastings.


MOSTLY = 0.9  # of what a term varies lies between the units of the group it belongs to
_ROUNDING = 1e-18  # of a sum of squares: what rounding coded settings leaves of it


def levels_of_terms(
    matrix: ModelMatrix, groups: Sequence[RandomTerm], silent: np.ndarray
) -> dict[str, str | None]:
    """Return for each term the coarsest group that it belongs to, or None.

    A term belongs to a group when over nine tenths of what it varies lies between the groups'
    units and not within them: one bake at 181 °C in a load set to 180 °C does not make the heat of
    the oil a thing of single bakes. The share is of the centred sum of squares, each part per
    degree of freedom (epsilon squared, the adjusted share), so that loads of one bake each do not
    count as evidence. Only the word follows this rule; standard errors and degrees of freedom are
    worked out from the settings as they were.

    References
    ----------
    Kelley 1935, Proc. Natl. Acad. Sci. 21:554-559 (epsilon squared). The limit of nine tenths is a
    convention of ours.
    """
    coarse_first = sorted(groups, key=lambda group: int(group.codes.max()))
    found: dict[str, str | None] = {}
    for term in matrix.terms:
        block = matrix.X[:, matrix.of(term)][~silent]
        codes = {group.name: group.codes[~silent] for group in coarse_first}
        units = _units(block, list(codes.values()))
        shares = {name: share_between(block[units], own[units]) for name, own in codes.items()}
        found[term.name] = next((n for n, share in shares.items() if share > MOSTLY), None)
    return found


def _units(block: np.ndarray, coarse_first: Sequence[np.ndarray]) -> np.ndarray:
    """Return one row of each unit that a term was set for: a bake, however often it was tasted."""
    for codes in reversed(coarse_first):
        _, first, own = np.unique(codes, return_index=True, return_inverse=True)
        if np.abs(block - block[first][own]).max(initial=0) < 1e-9:
            return np.asarray(first)
    return np.arange(len(block))


def share_between(block: np.ndarray, codes: np.ndarray) -> float:
    """Return how much of what some columns vary lies between groups, adjusted for chance.

    Examples
    --------
    >>> oil = np.array([[165.0], [165], [180], [181]])
    >>> round(share_between(oil, np.array([0, 0, 1, 1])), 4)
    0.9969
    """
    _, own, sizes = np.unique(codes, return_inverse=True, return_counts=True)
    means = np.array([block[own == place].mean(axis=0) for place in range(len(sizes))])
    within = float(((block - means[own]) ** 2).sum())
    total = float(((block - block.mean(axis=0)) ** 2).sum())
    if within <= _ROUNDING * total:
        return 1.0
    return 1 - (within / (len(block) - len(sizes))) / (total / (len(block) - 1))


def unit_words(level: str | None, table: pd.DataFrame, factors: Sequence[Factor] = ()) -> str:
    """Return the unit of a level in words, in the plural."""
    if level is not None:
        outer_first = [plural(kitchen_group(name, factors)) for name in level.split("/")]
        return " within ".join(reversed(outer_first))
    known = "bake" in table and bool(table["bake"].notna().all())
    once = known and bool(table["bake"].is_unique)
    if not once and "taster" in table and table["taster"].notna().any():
        return plural(TASTING)
    if known and not once:
        return plural(READING)
    return "bakes" if "bake" in table else "rows"


def unit_count(level: str | None, groups: Sequence[RandomTerm], rows: int) -> int:
    """Return how many units a level has.

    Examples
    --------
    >>> unit_count(None, [], 16)
    16
    """
    sizes: Mapping[str, int] = {group.name: int(group.codes.max()) + 1 for group in groups}
    return sizes[level] if level is not None else rows


# -- The estimates that answer a question, each with the right error, or none where none is left.


LENTH = "Lenth's method"


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


def estimated(asked: Question, method: str) -> Estimated:
    """Return the estimates that answer a question, and the error that each is judged against.

    References
    ----------
    Patterson & Thompson 1971 (REML); Kenward & Roger 1997, Biometrics 53:983; Lenth 1989 where
    every bake was spent on an effect.
    """
    exact = exact_fit(asked.y, asked.X, asked.groups)
    if exact is not None:
        note = "The scores follow the model exactly: there is no error to judge the effects by."
        return _known(asked, exact, "exact solution", (note,))
    if len(asked.y) <= asked.X.shape[1]:
        return _without_error(asked)
    try:
        mixed = fit_mixed(asked.y, asked.X, asked.groups)
    except NothingLeftError:
        if not asked.groups or any(_of_a_bake(group.name) for group in asked.groups):
            raise
        return _alike_in_groups(asked)
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
        method=_method_words(mixed, method, asked),
        notes=notes,
        error_df=_error_df(mixed),
    )


def _error_df(mixed: MixedFit) -> float:
    """Return how many bakes are left for the error between bakes."""
    left = mixed.error_df
    return left["bake"] if "bake" in left else left["residual"]


def _method_words(mixed: MixedFit, method: str, asked: Question) -> str:
    if not mixed.terms:
        known = "bake" in asked.table and bool(asked.table["bake"].notna().all())
        units = "one value per bake" if known else "each row taken as a bake of its own"
        return f"ordinary least squares, {units}"
    names = in_words(term.name for term in mixed.terms)
    adjusted = {"kenward-roger": "Kenward-Roger", "satterthwaite": "Satterthwaite"}.get(method, "")
    return f"REML with random {names}; {adjusted} standard errors and degrees of freedom"


def _variance(mixed: MixedFit, asked: Question) -> pd.DataFrame:
    names = [term.name for term in mixed.terms]
    own = unit_words(None, asked.table).removesuffix("s")
    # A group of one's own may bear the name of what is left
    names.append(own if own not in names else f"single {own}")
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
    levels = levels_of_terms(asked.matrix, asked.groups, silent_rows(asked))
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


def _of_a_bake(name: str) -> bool:
    return is_of_tasting(name) or name.rsplit("/", 1)[-1] == "bake"


def _alike_in_groups(asked: Question) -> Estimated:
    """Return the effects of bakes that came out the same within their oil fill or oven heat."""
    beta = np.linalg.lstsq(asked.X, asked.y, rcond=None)[0]
    groups = in_words(unit_words(group.name, asked.table, asked.factors) for group in asked.groups)
    note = (
        f"Bakes that share their {groups} all scored the same, so no error was measured between "
        "bakes. Score finer, or repeat some of the settings."
    )
    return _untold(asked, beta, note)


def _untold(asked: Question, beta: np.ndarray, note: str) -> Estimated:
    engine = KnownErrorFit(beta, np.full((len(beta), len(beta)), np.nan), 0.0)
    return _known(asked, engine, "least squares without error", (note,), 0.0)


def silent_rows(asked: Question) -> np.ndarray:
    """Return which rows say nothing of the factors: reference bakes with a level of their own."""
    if REFERENCE_BAKE in asked.nuisance_names:
        return (asked.table["role"] == Role.REFERENCE).to_numpy()
    return np.zeros(len(asked.y), dtype=bool)


# -- The fit of one response: the right error for every effect, and a verdict for each.


# Bakes left for error below which even a named model is averaged with simpler ones
FEWEST_FOR_A_NAMED_MODEL = 3
# Bakes left for error from which a fit and the average over simpler models choose alike
ENOUGH_TO_CHOOSE = 60
# Bakes left for error below which, in a kitchen whose usual error is known, effects are spoken of
# as averaged: three looks at 12, 16 and 20 bakes lie below, a round of 24 with pairs mostly above
ENOUGH_TO_SPEAK = 16
FIT_METHODS = ("kenward-roger", "satterthwaite")


def fit(
    data: Any,
    response: str,
    factors: Sequence[Varied | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    method: str = "kenward-roger",
    held: Mapping[str, Any] | None = None,
    alone: bool = False,
    outside_range: bool = False,
) -> Findings:
    """Learn what changed a response, each effect being judged against the right error.

    Parameters
    ----------
    data : Round, sequence of rounds or tables, DataFrame, or Evidence
        A round whose scores are in, with the rounds before it; or any tidy table with one row per
        score. See :func:`trials.evidence`.
    response : str
        The measure, or the column, to explain.
    factors : sequence of Factor or str, optional
        Needed for a table; a name stands for the column as it is.
    model : str, list of str or None
        "main", "interactions", "quadratic", "blend", or terms such as "fat:hydration". None
        takes the plan's own, else "interactions"; of several rounds the union of their plans',
        with a bend for every number that had three levels.
    groups : iterable of str or None
        One random intercept each; "day/load" is load within day and does not add "day". None
        takes those of day, load, bake and taster that the table has; () is for none.
    measure : Measure, optional
        The scale, and what is worth noticing.
    method : "kenward-roger" or "satterthwaite"
        How degrees of freedom are found. Where a variance is estimated at zero it keeps its place
        here, so that bakes stay bakes; programs that drop it and go on hand back the degrees of
        freedom of the tastings (six bakes of three: 4 here, where they say 16).
    held : mapping, optional
        Factor -> its setting in rounds that did not vary it.
    alone : bool
        Take a round without the rounds before it.
    outside_range : bool
        Of a table, settings outside the range that their factor was given were really so; else
        they are refused as slips.

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
    >>> liking = Measure("liking", "hedonic 9", worth_noticing=0.5)
    >>> found = fit(table, "liking", ["rest", "fat"], model="main", measure=liking)
    >>> found.effects[["term", "level", "reference", "verdict"]]
       term level reference              verdict
    0  rest    60        20              matters
    1   fat   oil    butter  too small to matter
    """
    if method not in FIT_METHODS:
        raise FitError(f"method is {method!r}; expected {in_words(map(repr, FIT_METHODS), 'or')}.")
    groups = tuple(groups) if isinstance(groups, Iterator) else groups
    asked = question_of(
        data,
        response,
        factors,
        model=model,
        groups=groups,
        measure=measure,
        held=held,
        alone=alone,
        outside_range=outside_range,
    )
    found = answered(asked, method=method)
    return replace(found, asked={"model": model, "groups": groups, "method": method})


def answered(asked: Question, *, method: str = "kenward-roger") -> Findings:
    """Return the findings that answer a question already put."""
    answer, kitchen = estimated(asked, method), kitchen_error(asked)
    judge = None
    if kitchen is not None:
        own = {"on_bakes": answer.question is not asked, "either": answer.method == LENTH}
        judge = careful(answer.question, answer.engine, kitchen, **own)
        if without_width(answer.engine):
            answer = replace(answer, error_df=_left_over(asked))
    return _findings(answer, kitchen, judge)


def _findings(
    answer: Estimated, kitchen: KitchenError | None, judge: CarefulFit | None
) -> Findings:
    asked = answer.question
    margin = asked.margin
    columns = asked.X.shape[1]
    effects = effects_table(contrasts(asked.matrix, asked.factors, columns), answer.engine, margin)
    units = _unit_words(asked)
    level_df = _level_df(answer)
    known = kitchen.prior() if kitchen is not None else None
    chosen_by = averaged(asked, error=known) if _weighs_models(answer) else None
    # Of several rounds one average speaks and chooses: it knows how far days of a kitchen lie apart
    told = chosen_by if answer.error_df < _few(asked) or asked.joined else None
    ranked = ranking(asked.matrix.terms, asked.factors, judge or answer.engine, level_df, chosen_by)
    left_out = _left_out(asked)
    ranked = without_lost(ranked, [*_lost_factors(asked), *left_out])
    asked_for = ranked[~ranked["factor"].isin(left_out)]
    spoken = _spoken(answer, effects, told, kitchen, judge)
    # What the notes say was left out has no number to be spoken of
    spoken = spoken[~spoken["term"].isin(_lost_factors(asked))].reset_index(drop=True)
    rounds = len(asked.evidence.rounds) if asked.evidence else 1
    to_settle = settling_table(spoken, margin, units, rounds)
    against = {term.name: units[term.name][0] for term in asked.matrix.terms}
    found = Findings(
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
        notes=_notes(answer, spoken, told, kitchen),
        method=answer.method,
        averaged=chosen_by,
        told=told,
        spoken=spoken,
        level_df=level_df,
        evidence=asked.evidence,
        judge=judge,
    )
    found = replace(found, again=error_again(found, kitchen, answer.error_df))
    found = replace(found, bakes=bake_table(found))
    best = best_bakes(found)
    return replace(found, sentences=(*found.sentences, *([best] if best else [])))


def _spoken(
    answer: Estimated,
    effects: pd.DataFrame,
    told: Averaged | None,
    kitchen: KitchenError | None,
    judge: CarefulFit | None,
) -> pd.DataFrame:
    """Return the effects that sentences and pictures speak of."""
    if kitchen is None or judge is None:
        return spoken_effects(effects, told)
    asked = answer.question
    found = contrasts(asked.matrix, asked.factors, asked.X.shape[1])
    itself = effects_table(found, judge, asked.margin)
    enough = FEWEST_FOR_A_NAMED_MODEL if asked.model_named else ENOUGH_TO_SPEAK
    if len(asked.factors) == 1 or (answer.error_df >= enough and not asked.joined):
        return itself
    at_work = averaged(asked, SPOKEN_BELIEFS, kitchen.prior())
    if at_work is None:
        return itself
    lenth_too = effects if answer.method == LENTH else None
    return effects_at_work(asked, at_work, itself, SURE_AT_WORK, lenth_too)


def _left_over(asked: Question) -> float:
    """Return how many bakes a model leaves over, where it happens to fit all of them."""
    known = "bake" in asked.table and bool(asked.table["bake"].notna().all())
    bakes = asked.table["bake"].nunique() if known else len(asked.y)
    return float(max(bakes - asked.X.shape[1], 0))


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


def _unit_words(asked: Question) -> dict[str, tuple[str, int]]:
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
    opening = asked.evidence.opening(asked.response) if asked.evidence else ()
    return opening + said + _failed_words(asked)


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
    said = failure_sentence(asked.failed, asked.table, asked.factors, corner=True)
    return (said,) if said else ()


def _notes(
    answer: Estimated,
    effects: pd.DataFrame,
    together: Averaged | None,
    kitchen: KitchenError | None,
) -> tuple[str, ...]:
    asked = answer.question
    notes = list(asked.notes + answer.notes)
    if kitchen is not None:
        notes.append(kitchen.words())
    if together:
        notes.append(_few_words(answer))
    if asked.measure is not None and asked.measure.worth_noticing is None:
        notes.append(f"Worth noticing for {asked.response}: {asked.measure.margin_source}.")
    if asked.measure is None:
        notes.append(
            "No smallest difference worth noticing was named, so nothing is called too small."
        )
    if "taster" in asked.table and (asked.measure is None or asked.measure.per == "tasting"):
        tasters = list(dict.fromkeys(asked.table["taster"].dropna().astype(str)))
        shown = smallest_shown(effects, asked.matrix.terms)
        notes.append(few_tasters_note(tasters, asked.measure, shown))
    return tuple(note for note in notes if note)
