"""What failed bakes say, in a baker's words."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.failure_terms import Part
from trials.analysis.failures import MOST_NAMED, Explanation, Failures
from trials.analysis.setting_rows import averaged_rows, shown_settings
from trials.design.plan import reference_setting
from trials.design.terms import ModelMatrix, Term, model_matrix, model_terms
from trials.factors import Factor
from trials.tables import in_words, percent, tidy_number

MOSTLY = 0.75  # of the failed bakes share a setting


def failing_sentences(
    bakes: pd.DataFrame,
    counts: pd.DataFrame,
    found: Failures,
    factors: Sequence[Factor],
    liking: str,
) -> tuple[str, ...]:
    """Return what failed, where most often, and the chances by what explains it.

    Examples
    --------
    >>> failing_sentences.__name__
    'failing_sentences'
    """
    lost, every = bakes[bakes["failed"]], counts.iloc[0]
    if lost.empty:
        return (
            f"None of {len(bakes)} bakes failed; the chance of failing could still be up to "
            f"{percent(every['high'])}.",
        )
    said = [_how_many(bakes, lost, factors)]
    if len(lost) < len(bakes):
        worst = _worst(counts)
        if worst is not None:
            said.append(_in_that_corner(worst, counts, liking))
        for one in found.explanations[:MOST_NAMED]:
            said += _by_the_model(one, len(found.explanations) > 1, factors)
        said += _without_room(lost, found, factors)
    return tuple(said)


def _how_many(bakes: pd.DataFrame, lost: pd.DataFrame, factors: Sequence[Factor]) -> str:
    shared = [
        f"{factor.name} {factor.show(lost[factor.name].iloc[0])}"
        for factor in factors
        if lost[factor.name].nunique() == 1 and len(lost) > 1
    ]
    where = f", all with {in_words(shared)}" if shared else ""
    reasons = in_words(reason for reason in dict.fromkeys(lost["reason"]) if reason)
    why = f" ({reasons})" if reasons else ""
    ids = in_words(sorted(lost["bake"].astype(str)))
    return f"{len(lost)} of {len(bakes)} bakes failed{why}{where}: {bakes_word(len(lost))} {ids}."


def _worst(counts: pd.DataFrame) -> pd.Series | None:
    """Return the region where failing is surest, if it stands out from all bakes at all."""
    inner = counts.iloc[1:]
    inner = inner[(inner["failed"] > 1) & (inner["share"] > counts["share"].iloc[0])]
    if inner.empty:
        return None
    return inner.sort_values("low", ascending=False, kind="stable").iloc[0]


def _in_that_corner(worst: pd.Series, counts: pd.DataFrame, liking: str) -> str:
    said = (
        f"Most often at {worst['region']}: {worst['failed']} of {worst['bakes']} bakes, which fits "
        f"a chance of {percent(worst['low'])} to {percent(worst['high'])}."
    )
    if not liking:
        return said
    if not np.isfinite(worst["survivors"]):
        return f"{said} No bake there has a score for {liking}, so nothing speaks for that corner."
    there, everywhere = (
        tidy_number(mean, 3) for mean in (worst["survivors"], counts["survivors"].iloc[0])
    )
    return (
        f"{said} What stood there scored {there} for {liking} on average, all that stood "
        f"{everywhere}."
    )


def _by_the_model(one: Explanation, rivalled: bool, factors: Sequence[Factor]) -> list[str]:
    """Return the chances by each part of an explanation, as far as a sentence can tell them."""
    known = {factor.name: factor for factor in factors}
    said = []
    for part in one.parts:
        lead = f"If it hangs on {part.words}, the" if rivalled else "The"
        if part.needs != (part.term,):
            said.append(f"{lead} chance that a bake fails: {_together_words(one, part)}.")
        elif part.term in known:
            lead = lead if rivalled else f"By {part.term}, the"
            by = _by_factor(one, known[part.term], factors)
            said.append(f"{lead} chance that a bake fails: {by}.")
    return said


def _by_factor(one: Explanation, factor: Factor, factors: Sequence[Factor]) -> str:
    settings = pd.DataFrame({factor.name: list(shown_settings(factor))})
    names = list(dict.fromkeys(name for part in one.parts for name in part.needs))
    terms = model_terms(names, factors)
    rows = averaged_rows(terms, factors, settings)
    labels = [label for label in _labels(terms, factors) if label]
    X = pd.DataFrame(rows[:, rows.shape[1] - len(labels) :], columns=labels)
    chances = one.fit.chances(one.columns(X))
    parts = [
        f"{_chance_words(row)} at {factor.show(value)}"
        for value, row in zip(settings[factor.name], chances.itertuples(), strict=True)
    ]
    return in_words(parts)


def _labels(terms: Sequence[Term], factors: Sequence[Factor]) -> list[str]:
    matrix = model_matrix(terms, factors, pd.DataFrame([reference_setting(factors)]))
    return list(without_intercept(matrix).columns)


def _together_words(one: Explanation, part: Part) -> str:
    """Return the chance at two settings together, and away from either."""
    own = one.fit.coefficients["column"].iloc[1:].to_list()
    X = pd.DataFrame(0.0, index=range(2), columns=own)
    X[part.own[0]] = [1.0, 0.0]
    there, elsewhere = one.fit.chances(X).itertuples()
    return f"{_chance_words(there)} at {part.words}, {_chance_words(elsewhere)} away from either"


def _chance_words(row: Any) -> str:
    return f"{percent(row.chance)} ({percent(row.low)} to {percent(row.high)})"


def _without_room(lost: pd.DataFrame, found: Failures, factors: Sequence[Factor]) -> list[str]:
    """Return a sentence on settings that most failed bakes share and no model holds."""
    if not found.explanations:
        return []
    held = {name for term in model_terms(list(found.needs), factors) for name in term.factors}
    shared = []
    for factor in factors:
        counts = lost[factor.name].value_counts()
        if factor.name not in held and counts.iloc[0] >= MOSTLY * len(lost):
            shared.append(f"{factor.name} {factor.show(counts.index[0])} ({counts.iloc[0]})")
    if not shared:
        return []
    return [
        f"Most of the {len(lost)} that failed also share {in_words(shared)}, which the model has "
        "no room for: read its chances with the counts beside them."
    ]


def bakes_word(count: int) -> str:
    """Return "bake" or "bakes".

    Examples
    --------
    >>> bakes_word(1), bakes_word(0)
    ('bake', 'bakes')
    """
    return "bake" if count == 1 else "bakes"


def without_intercept(matrix: ModelMatrix) -> pd.DataFrame:
    """Return the columns of a model's terms as a table, by name.

    Examples
    --------
    >>> without_intercept.__name__
    'without_intercept'
    """
    own = np.flatnonzero(matrix.owner >= 0)
    return pd.DataFrame(matrix.X[:, own], columns=[matrix.columns[place] for place in own])
