"""Scores as categories beside the same scores as numbers.

A nine-point scale has words, not centimetres. Here the same question is asked twice, of the scores
as numbers and of the scores as ordered categories, and a plain word says whether it matters.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.fitting import fit, levels_of_terms, unit_count
from trials.analysis.ordinal import OrdinalFit, OrdinalTest, fit_ordinal, likelihood_ratio
from trials.analysis.question import Question, evidence_of, question_of
from trials.analysis.results import Findings
from trials.analysis.settings import averaged_rows, shown_settings
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import in_words, kitchen_term, percent, tidy_number
from trials.core.factors import Varied
from trials.core.measures import Measure, measure_named
from trials.core.roles import Role
from trials.core.scales import LIKED_FROM, OneOf
from trials.core.terms import Model, is_blend

LEVEL = 0.05
MOST_CATEGORIES = 12  # a scale with more steps than this is a line, and is read as numbers
SHOWN, HINTED, NOT_SHOWN = "shown", "hinted at", "not shown"


@dataclass(frozen=True, eq=False)
class AsCategories:
    """Scores as ordered categories, with the same scores as numbers beside them.

    Parameters
    ----------
    response : str
    tests : DataFrame
        term, statistic, df, p (likelihood ratio by chi-square), p_careful (the same gain judged
        on the bakes or loads there are), p_bootstrap (missing unless asked for), verdict ("shown",
        "hinted at", "not shown"), p_as_numbers and verdict_as_numbers.
    effects : DataFrame
        For each factor: level, reference, estimate (hidden scale; log odds for the logit link) and
        the chance of `at_least` or better at the reference and at the level, the others at the
        middle.
    at_least : object
        The category that those chances are of.
    fit : OrdinalFit
        Steps of the scale, slopes, spreads.
    numbers : Findings
        The fit of the scores as numbers.
    agree : bool
        Whether no term is shown by one and not even hinted at by the other.
    sentences, notes : tuple of str
    """

    response: str
    tests: pd.DataFrame = field(repr=False)
    effects: pd.DataFrame = field(repr=False)
    at_least: Any
    fit: OrdinalFit = field(repr=False)
    numbers: Findings = field(repr=False)
    agree: bool
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    def summary(self) -> tuple[str, ...]:
        """Return what was found as sentences, then what was assumed."""
        return self.sentences + self.notes

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        shown = self.tests[["term", "verdict", "verdict_as_numbers"]].rename(
            columns={"verdict": "as categories", "verdict_as_numbers": "as numbers"}
        )
        return answer(self.sentences, [shown], self.notes)


@checked_types(FitError)
def as_categories(
    data: Any,
    response: str,
    factors: Sequence[Varied | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | str | None = None,
    link: str = "logit",
    bootstraps: int = 0,
    seed: int = 0,
) -> AsCategories:
    """Ask of scores as ordered categories what was asked of them as numbers.

    Each term is judged by likelihood ratio with bakes, loads and tasters in the model. Chi-square
    is too hopeful when bakes are few, so a term counts as shown only when its gain also stands
    on the bakes there are, or by the parametric bootstrap where that was asked for.

    Parameters
    ----------
    data : Round, sequence of rounds or tables, DataFrame, or Evidence
        A round whose scores are in, with those before it; or any tidy table with one row per score.
    response : str
        A score on a scale of at most twelve steps, such as 1 to 9 or 1 to 5.
    factors, model, groups, measure
        As for :func:`trials.fit`. A plan whose pairs would spend every bake is asked for single
        factors only, and a note says so.
    link : "logit" or "probit"
    bootstraps : int
        Sets of scores to draw for each term; 199 or more where a verdict is near (slow).
    seed : int
        Of the bootstrap; the same seed gives the same answer.

    Returns
    -------
    AsCategories

    Raises
    ------
    FitError
        When the scores are no categories, the bake is left out, every bake is spent on the terms
        asked for, or settings part the scores without overlap.

    References
    ----------
    McCullagh 1980, J. R. Stat. Soc. B 42:109-142; Davison & Hinkley 1997, ch. 4 (bootstrap). The
    careful chance turns the gain into the F that it would be were the bake means normal (Wilks'
    statistic of a linear model is a function of F); using it here is our choice, and cautious.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 60] * 8, "liking": [5, 6, 5, 7, 6, 6, 5, 7, 4, 7,
    ...                       6, 7, 5, 5, 5, 6]})
    >>> found = as_categories(table, "liking", ["rest"], model="main")
    >>> found.tests[["term", "verdict", "verdict_as_numbers"]]
       term verdict verdict_as_numbers
    0  rest   shown              shown
    """
    measure = None if measure is None else measure_named(measure)
    data = data if isinstance(data, pd.DataFrame) else evidence_of(data)
    asked, model, notes = _within_reach(data, response, factors, model, groups, measure)
    _check_scale(asked)
    numbers = fit(data, response, factors, model=model, groups=groups, measure=measure)
    scale = _scale(asked)
    X, owner = _columns(asked)
    labels = {group.name: pd.Series(group.codes) for group in asked.groups}
    found = fit_ordinal(asked.y, X, labels, scale=scale, link=link)
    tested = [
        likelihood_ratio(
            asked.y,
            X,
            [name for name, own in owner.items() if own == term.name],
            labels,
            scale=scale,
            link=link,
            bootstraps=bootstraps,
            seed=seed,
        )
        for term in asked.matrix.terms
    ]
    tests = _tests_table(asked, tested, numbers)
    at_least = _good(found.categories, asked.measure)
    effects = _effects(asked, found, at_least)
    agree = _agree(tests)
    return AsCategories(
        response=response,
        tests=tests,
        effects=effects,
        at_least=at_least,
        fit=found,
        numbers=numbers,
        agree=agree,
        sentences=_sentences(response, tests, effects, at_least, agree),
        notes=(*notes, *found.notes, *_cautions(tests), *asked.notes),
    )


def _within_reach(
    data: Any,
    response: str,
    factors: Sequence[Varied | str] | None,
    model: Model,
    groups: Iterable[str] | None,
    measure: Measure | None,
) -> tuple[Question, Model, tuple[str, ...]]:
    """Return the question with a model that leaves bakes for the error between bakes."""
    asked = question_of(data, response, factors, model=model, groups=groups, measure=measure)
    if is_blend(asked.matrix.terms, asked.factors):
        raise FitError("a blend is not read as categories; use the fit of the scores as numbers.")
    units, spent = _units(asked), asked.X.shape[1]
    if spent < units:
        return asked, model, ()
    if model is not None:
        raise FitError(
            f"all {units} bakes are spent on {spent} quantities, so nothing is left to say how "
            'alike two bakes are; ask for fewer terms, such as model="main".'
        )
    asked = question_of(data, response, factors, model="main", groups=groups, measure=measure)
    if asked.X.shape[1] >= units:
        raise FitError(
            f"all {units} bakes are spent on {asked.X.shape[1]} quantities even without pairs of "
            "factors; repeat some of the bakes."
        )
    note = (
        f"With pairs of factors all {units} bakes would be spent, so only single factors are "
        "asked about here; pairs that work together count as differences between bakes."
    )
    return asked, "main", (note,)


def _units(asked: Question) -> int:
    for group in asked.groups:
        if group.name == "bake":
            return int(group.codes.max()) + 1
    return len(asked.y)


def _check_scale(asked: Question) -> None:
    steps = len(np.unique(asked.y))
    if steps > MOST_CATEGORIES:
        raise FitError(
            f'"{asked.response}" has {steps} different values; as categories it can be read with '
            f"{MOST_CATEGORIES} at the most. Use the fit of the scores as numbers."
        )


def _scale(asked: Question) -> list[float] | None:
    measure = asked.measure
    if measure is None or not isinstance(measure.field, OneOf) or measure.field.spelled:
        return None
    return sorted({point.value for point in measure.field.points} | set(asked.y.tolist()))


def _columns(asked: Question) -> tuple[pd.DataFrame, dict[str, str]]:
    """Return the columns without the intercept, and which term each belongs to ("" for blocks)."""
    matrix = asked.matrix
    own = [place for place, term in enumerate(matrix.owner) if term >= 0]
    names = [matrix.columns[place] for place in own]
    owner = {
        name: matrix.terms[matrix.owner[place]].name for name, place in zip(names, own, strict=True)
    }
    blocks = [f"block {place + 1}" for place in range(asked.nuisance.shape[1])]
    X = pd.DataFrame(np.hstack([matrix.X[:, own], asked.nuisance]), columns=names + blocks)
    return X, owner


def _tests_table(asked: Question, tested: list[OrdinalTest], numbers: Findings) -> pd.DataFrame:
    reference = asked.table["role"] == Role.REFERENCE if "role" in asked.table else False
    silent = np.broadcast_to(np.asarray(reference, dtype=bool), len(asked.y))
    levels = levels_of_terms(asked.matrix, asked.groups, silent)
    as_numbers = numbers.tests.set_index("term")
    rows = []
    for term, test in zip(asked.matrix.terms, tested, strict=True):
        units = unit_count(levels[term.name], asked.groups, len(asked.y))
        error = float(as_numbers["error_df"].get(term.name, np.nan))
        careful = _careful_chance(test, units, error)
        other = float(as_numbers["p"].get(term.name, np.nan))
        rows.append(
            (
                term.name,
                test.statistic,
                test.df,
                test.p,
                careful,
                test.p_bootstrap if test.p_bootstrap is not None else np.nan,
                _verdict(test, careful),
                other,
                SHOWN if other < LEVEL else NOT_SHOWN,
            )
        )
    names = ["term", "statistic", "df", "p", "p_careful", "p_bootstrap", "verdict"]
    return pd.DataFrame(rows, columns=[*names, "p_as_numbers", "verdict_as_numbers"])


def _careful_chance(test: OrdinalTest, units: int, error_df: float) -> float:
    """Return the chance of a gain, were it that of a linear model on so many units."""
    if not np.isfinite(error_df) or error_df <= 0:
        return float("nan")
    F = error_df / test.df * np.expm1(min(test.statistic / units, 500.0))
    return max(test.p, float(stats.f.sf(F, test.df, error_df)))


def _verdict(test: OrdinalTest, careful: float) -> str:
    if test.p_bootstrap is not None:
        return SHOWN if test.p_bootstrap < LEVEL else NOT_SHOWN
    if careful < LEVEL:
        return SHOWN
    return HINTED if test.p < LEVEL else NOT_SHOWN


def _good(categories: tuple[Any, ...], measure: Measure | None) -> Any:
    """Return the category that counts as good: the first "like", else the middle or above."""
    if measure is not None and measure.liking:
        likes = [one for one in categories[1:] if one >= LIKED_FROM]
        if likes:
            return likes[0]
    return categories[max(1, len(categories) // 2)]


def _effects(asked: Question, found: OrdinalFit, at_least: Any) -> pd.DataFrame:
    slopes = found.slopes["estimate"].to_numpy()
    place = found.categories.index(at_least)
    lead = asked.matrix.owner < 0
    rows = []
    for factor in asked.factors:
        if factor.name not in {term.name for term in asked.matrix.terms}:
            continue
        settings = pd.DataFrame({factor.name: list(shown_settings(factor))})
        own = averaged_rows(asked.matrix.terms, asked.factors, settings)[:, ~lead]
        own = np.hstack([own, np.zeros((len(own), len(slopes) - own.shape[1]))])
        table = pd.DataFrame(own, columns=found.slopes["column"])
        chances = found.chances(table).iloc[:, place:].sum(axis=1).to_numpy()
        heights = own @ slopes
        levels = [factor.show(value) for value in settings[factor.name]]
        for n in range(1, len(levels)):
            change = heights[n] - heights[0]
            rows.append((factor.name, levels[n], levels[0], change, chances[0], chances[n]))
    names = ["term", "level", "reference", "estimate", "chance_at_reference", "chance_at_level"]
    return pd.DataFrame(rows, columns=names)


def _agree(tests: pd.DataFrame) -> bool:
    here, there = tests["verdict"], tests["verdict_as_numbers"]
    known = tests["p_as_numbers"].notna()
    apart = ((here == SHOWN) & (there != SHOWN)) | ((here == NOT_SHOWN) & (there == SHOWN))
    return not bool((apart & known).any())


def _sentences(
    response: str, tests: pd.DataFrame, effects: pd.DataFrame, at_least: Any, agree: bool
) -> tuple[str, ...]:
    shown = tests[tests["verdict"] == SHOWN]["term"]
    said = [_whether_they_agree(response, tests, agree)]
    said += [
        f"{row.term[:1].upper()}{row.term[1:]}, {row.level} over {row.reference}: a score of "
        f"{_word(at_least)} or better from a middling taster "
        f"{percent(row.chance_at_level)} against {percent(row.chance_at_reference)} of the time."
        for row in effects[effects["term"].isin(shown)].itertuples()
    ]
    return tuple(said)


def _whether_they_agree(response: str, tests: pd.DataFrame, agree: bool) -> str:
    def named(column: str, verdict: str) -> list[str]:
        return [kitchen_term(term) for term in tests["term"][tests[column] == verdict]]

    here, there = named("verdict", SHOWN), named("verdict_as_numbers", SHOWN)
    if agree:
        what = f"{in_words(there or here)} shown to change it" if here or there else "nothing shown"
        return f"{response[:1].upper()}{response[1:]} as categories and as numbers agree: {what}."
    only_here = [one for one in here if one not in there]
    only_there = [one for one in there if one not in here + named("verdict", HINTED)]
    parts = [f"{in_words(only_here)} only as categories"] if only_here else []
    parts += [f"{in_words(only_there)} only as numbers"] if only_there else []
    return (
        f"{response[:1].upper()}{response[1:]} as categories and as numbers do not agree: "
        f"{in_words(parts)}. Take what both show; the rest hangs on how the scale is read."
    )


def _cautions(tests: pd.DataFrame) -> tuple[str, ...]:
    near = tests["term"][tests["verdict"] == HINTED]
    if near.empty:
        return ()
    return (
        f"{in_words(kitchen_term(term) for term in near)}: shown by chi-square, which is too "
        "hopeful with this few bakes; bootstraps=199 settles it.",
    )


def _word(category: Any) -> str:
    return tidy_number(category) if isinstance(category, float) else str(category)
