"""Where bakes fail, in a baker's words, and the chance that one fails at any setting."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from trials.analysis.explanations import Candidate
from trials.analysis.failures import (
    MOST_NAMED,
    MOST_SHOWN,
    Explanation,
    Failures,
    Part,
    above_expectation,
    explain_failures,
    regions,
)
from trials.analysis.forecast import fast_basis
from trials.analysis.question import chosen_factors, evidence_of, listed_factors, tidy_table
from trials.analysis.results import Findings
from trials.analysis.settings import averaged_rows, settings_table, shown_settings
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import figure, in_words, percent, readable
from trials.core.factors import Categorical, Component, Factor, Varied, is_blank
from trials.core.plan import reference_setting
from trials.core.roles import Role, Status
from trials.core.terms import Model, ModelMatrix, Term, model_matrix, model_terms, real_settings
from trials.core.verdicts import CONFIDENCE

# -- What failed bakes say, in a baker's words.


MOSTLY = 0.75  # of the failed bakes share a setting


def failing_sentences(
    bakes: pd.DataFrame,
    counts: pd.DataFrame,
    found: Failures,
    factors: Sequence[Factor],
    liking: str,
) -> tuple[str, ...]:
    """Return what failed, where most often, and the chances by what explains it."""
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
            said += chances_sentences(one, len(found.explanations) > 1, factors)
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


def kinds_that_fail(findings: Findings, factor: Factor) -> list[tuple[Any, int, int]]:
    """Return the kinds of which more than half of at least two bakes failed: kind, bakes, failed.

    Only where other kinds fail in half as many of theirs, so that the kind is worth naming.
    """
    if not isinstance(factor, Categorical):
        return []
    lost, made = findings.failed, findings.residuals
    if not {"status", "bake", factor.name} <= set(lost) or not {"bake", factor.name} <= set(made):
        return []
    lost = lost[lost["status"].isin(FAILED)]
    lost, made = (
        (one[one["role"] != Role.REFERENCE] if "role" in one else one).drop_duplicates("bake")
        for one in (lost, made)
    )
    failed, well = (table[factor.name].value_counts() for table in (lost, made))
    counts = pd.DataFrame({"failed": failed, "made": well}).fillna(0).astype(int)
    shares = counts["failed"] / counts.sum(axis=1)
    return [
        (kind, int(counts.loc[kind].sum()), int(counts.loc[kind, "failed"]))
        for kind in counts.index
        if counts.loc[kind].sum() > 1
        and shares[kind] > 0.5
        and shares.drop(kind).max() <= shares[kind] / 2
    ]


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
    there, everywhere = (figure(mean) for mean in (worst["survivors"], counts["survivors"].iloc[0]))
    return (
        f"{said} What was made there scored {there} for {liking} on average, all that were made "
        f"{everywhere}."
    )


def chances_sentences(
    one: Explanation, rivalled: bool, factors: Sequence[Factor], event: str = "that a bake fails"
) -> list[str]:
    """Return the chances by each part of an explanation, as far as a sentence can tell them."""
    known = {factor.name: factor for factor in factors}
    said = []
    for part in one.parts:
        lead = f"If it hangs on {part.words}, the" if rivalled else "The"
        if part.needs != (part.term,):
            said.append(f"{lead} chance {event}: {_together_words(one, part)}.")
        elif part.term in known:
            lead = lead if rivalled else f"By {part.term}, the"
            by = _by_factor(one, known[part.term], factors)
            said.append(f"{lead} chance {event}: {by}.")
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
    """Return the columns of a model's terms as a table, by name."""
    own = np.flatnonzero(matrix.owner >= 0)
    return pd.DataFrame(matrix.X[:, own], columns=[matrix.columns[place] for place in own])


# -- Where bakes fail: counts by region, a model where the failures carry one, in words.


FAILED, MADE = (Status.FAILED, Status.NOT_SERVED), Status.MADE
_OTHER_COLUMNS = ("day", "load", "bake", "role", "taster", "status", "reason")


@dataclass(frozen=True, eq=False)
class Failing:
    """What the failed bakes of a round say.

    Parameters
    ----------
    factors : tuple of Factor
    bakes : DataFrame
        One row per bake: bake, failed, reason, the settings, and `survivors` (the mean score of a
        bake that was made; missing where none was asked for).
    counts : DataFrame
        region, bakes, failed, share, low, high (exact), and the mean score of the bakes there
        that were made.
    failures : Failures
        The penalised models, where there are failures enough; `recommend` takes them as they are.
    terms : tuple of Term
        The terms that any of those models holds.
    scored : str
        Which score the survivors' means are of; empty for none.
    sentences, notes : tuple of str
    """

    factors: tuple[Factor, ...]
    bakes: pd.DataFrame = field(repr=False)
    counts: pd.DataFrame = field(repr=False)
    failures: Failures = field(repr=False)
    terms: tuple[Term, ...]
    scored: str
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    def chance(self, settings: Mapping[str, Any] | pd.DataFrame) -> np.ndarray:
        """Return the chance that a bake fails at each row of settings."""
        if not self.failures.explanations:
            share = float(self.bakes["failed"].mean())
            return np.full(len(settings_table(settings, self.factors)), share)
        return self.failures.chance(self._columns(settings))

    def at(self, settings: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
        """Return the chance of failing at settings with its interval (penalised likelihood).

        Where several explanations fit alike, the chance is their average and the interval holds
        all of theirs.
        """
        if not self.failures.explanations:
            raise FitError(f"{self.failures.notes[-1]} Look at the counts.")
        table = settings_table(settings, self.factors)
        return table.join(self.failures.chances(self._columns(settings)))

    def _columns(self, settings: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
        table = settings_table(settings, self.factors)
        terms = model_terms(list(self.failures.needs), self.factors)
        return without_intercept(model_matrix(terms, self.factors, table))

    def worst(self, most: int = MOST_SHOWN) -> pd.DataFrame:
        """Return all bakes, then the regions where more failed than expected, the surest first."""
        return above_expectation(self.counts, most)[0]

    def summary(self) -> tuple[str, ...]:
        """Return what was found as sentences, then what was assumed."""
        return self.sentences + self.notes

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        shown, left_out = above_expectation(self.counts)
        return answer(self.summary(), [readable(shown)], _rest_words(left_out))


@checked_types(FitError)
def failing(
    data: Any,
    factors: Sequence[Varied | str] | None = None,
    *,
    response: str | None = None,
    model: Model = None,
    level: float = CONFIDENCE,
) -> Failing:
    """Say where bakes fail.

    Under three failures there are only counts; from three on a penalised logistic model with
    about one term per five failures: a factor, or two settings together where most failures meet.
    Explanations that fit alike are averaged.

    Parameters
    ----------
    data : Round, sequence of rounds, Evidence or DataFrame
        A round whose sheets are in, with those before it; or a table with columns bake, status
        ("made", "failed", "not served", "not baked") and one per factor. A bake that was made and
        not fit to serve counts as failed; one that was not baked does not count.
    factors : sequence of Factor or str, optional
        Needed for a table.
    response : str, optional
        The score of the survivors to show beside; a round's first measure of liking when left
        out.
    model : optional
        Which terms may be chosen from, as for :func:`trials.fit`; pairs of factors when left out.
    level : float
        Of the intervals.

    Returns
    -------
    Failing

    Raises
    ------
    FitError
        When the table lacks a column, or no bake was made or failed.

    References
    ----------
    Firth 1993; Heinze & Schemper 2002; Puhr et al. 2017: see :mod:`trials.analysis.failures`.

    Examples
    --------
    >>> table = pd.DataFrame({"bake": [f"B{n:02d}" for n in range(1, 13)],
    ...     "status": ["made"] * 10 + ["failed"] * 2, "oil": [165, 180] * 5 + [180, 180]})
    >>> print(failing(table, ["oil"]).sentences[0])
    2 of 12 bakes failed, all with oil 180: bakes B11 and B12.
    """
    table, known, liking = _table(data, factors, response)
    bakes, left_out = _bakes(table, liking)
    chosen = chosen_factors(bakes, known, liking, _OTHER_COLUMNS)
    names = [factor.name for factor in chosen]
    terms = model_terms(model or _widest(chosen), chosen)
    matrix = model_matrix(terms, chosen, bakes)
    found = explain_failures(
        bakes["failed"], bakes[names], candidates(matrix), factors=chosen, level=level
    )
    counts = found.counts.assign(survivors=_survivors(bakes, names))
    used = tuple(term for name in found.terms for term in terms if term.name == name)
    return Failing(
        factors=chosen,
        bakes=bakes[["bake", "failed", "reason", *names, "survivors"]],
        counts=counts,
        failures=found,
        terms=used,
        scored=liking,
        sentences=failing_sentences(bakes, counts, found, chosen, liking),
        notes=(*found.notes, *left_out),
    )


def _widest(factors: Sequence[Factor]) -> str:
    blend = any(isinstance(factor, Component) for factor in factors)
    return "main" if blend else "interactions"


def _table(
    data: Any, factors: Sequence[Varied | str] | None, response: str | None
) -> tuple[pd.DataFrame, Sequence[Factor | str] | None, str]:
    chosen = listed_factors(factors)
    gathered = evidence_of(data, chosen)
    table, known = tidy_table(gathered, chosen)
    if not gathered.of_rounds:
        missing = [name for name in ("bake", "status", response) if name and name not in table]
        if missing:
            raise FitError(f"the table has no column {in_words(missing)}.")
        return table, known, response or ""
    likings = [measure.name for measure in gathered.measures if measure.liking]
    return table, known, response or (likings[0] if likings else "")


def _bakes(table: pd.DataFrame, liking: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return one row per bake that was made or failed, and what was left out."""
    known = {*Status, ""}
    wrong = set(table["status"].fillna("")) - known
    if wrong:
        raise FitError(
            f"status {in_words(sorted(map(str, wrong)))} is not known; expected made, failed, not "
            "served or not baked."
        )
    bakes = table.drop_duplicates("bake").set_index("bake", drop=False)
    bakes["survivors"] = table.groupby("bake")[liking].mean() if liking else np.nan
    unknown = int((bakes["status"].fillna("") == "").sum())
    notes = [f"{unknown} {bakes_word(unknown)} without a status left out."] if unknown else []
    bakes = bakes[bakes["status"].isin([MADE, *FAILED])]
    if "role" in bakes:
        lost = int((bakes["status"].isin(FAILED) & (bakes["role"] == Role.REFERENCE)).sum())
        bakes = bakes[bakes["role"] != Role.REFERENCE]
        if lost:
            notes.append(f"{lost} reference {bakes_word(lost)} failed, counted nowhere here.")
    if bakes.empty:
        raise FitError("no bake was made or failed, so nothing can be said about failing.")
    unserved = int((bakes["status"] == "not served").sum())
    if unserved:
        notes.append(f"{unserved} {bakes_word(unserved)} made and not served count as failed.")
    reason = bakes["reason"] if "reason" in bakes else pd.Series("", index=bakes.index)
    bakes = bakes.assign(
        failed=bakes["status"].isin(FAILED), reason=reason.fillna("").astype(str)
    ).reset_index(drop=True)
    return bakes.assign(row=range(1, len(bakes) + 1)), tuple(notes)


def _rest_words(left_out: int) -> list[str]:
    if not left_out:
        return []
    regions_word = "region" if left_out == 1 else "regions"
    return [f"And {left_out} more {regions_word} with more failures than expected: see counts."]


def candidates(matrix: ModelMatrix) -> list[Candidate]:
    """Return what may explain failed bakes: the terms of a model, with their columns."""
    return [
        Candidate(
            term.name,
            matrix.X[:, matrix.of(term)],
            parents=_parents(term),
            labels=tuple(matrix.columns[place] for place in matrix.of(term)),
        )
        for term in matrix.terms
    ]


def _parents(term: Term) -> tuple[str, ...]:
    return term.factors if term.order > 1 else ()


def _survivors(bakes: pd.DataFrame, names: list[str]) -> list[float]:
    made = ~bakes["failed"].to_numpy()
    values = bakes["survivors"].to_numpy(dtype=float)
    found = [values[mask & made & np.isfinite(values)] for _, mask in regions(bakes[names])]
    return [float(own.mean()) if len(own) else float("nan") for own in found]


# -- The chance that a bake fails at any setting, from a rule of one's own or from the bakes.


Failure = Callable[[dict[str, Any]], float] | Failures | Failing | None


def chance_of_failure(
    failure: Failure, factors: Sequence[Factor]
) -> Callable[[np.ndarray], np.ndarray] | None:
    """Return a function of an array of settings that gives the chance that a bake fails.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> oil = Numeric("oil", 165, 180)
    >>> burnt = chance_of_failure(lambda bake: 0.5 * (bake["oil"] > 175), [oil])
    >>> burnt(np.array([[-1.0], [1.0]]))
    array([0. , 0.5])
    """
    if failure is None:
        return None
    if isinstance(failure, Failing):
        failure = failure.failures
    if isinstance(failure, Failures):
        return _modelled_chance(failure, factors)
    if not callable(failure):
        raise FitError(
            f"failure is {failure!r}; expected a function of a bake that gives its chance of "
            "failing, or what the failed bakes said."
        )
    asked = failure

    def chance(X: np.ndarray) -> np.ndarray:
        bakes = pd.DataFrame(real_settings(factors, X)).to_dict("records")
        found = np.array([asked({str(k): v for k, v in bake.items()}) for bake in bakes], float)
        if not ((found >= 0) & (found <= 1)).all():
            raise FitError("failure gives something that is no chance between 0 and 1.")
        return found

    return chance


def _modelled_chance(
    failures: Failures, factors: Sequence[Factor]
) -> Callable[[np.ndarray], np.ndarray] | None:
    if not failures.explanations:
        return None
    terms = model_terms(list(failures.needs), factors)
    wide = fast_basis(terms, factors)
    names = list(model_matrix(terms, factors, pd.DataFrame([reference_setting(factors)])).columns)
    lines = [one.line() for one in failures.explanations]
    missing = [name for _, slopes in lines for name in slopes.index if name not in names]
    if missing:
        raise FitError(
            f"the failures speak of {in_words(missing)}, which the factors "
            f"{in_words(factor.name for factor in factors)} do not give."
        )
    weights = np.array([one.weight for one in failures.explanations])
    constants = np.array([constant for constant, _ in lines])
    slopes = np.column_stack([own.reindex(names, fill_value=0.0) for _, own in lines])

    def chance(X: np.ndarray) -> np.ndarray:
        return special.expit(constants + wide.rows(X) @ slopes) @ weights

    return chance


def within_kinds(table: pd.DataFrame, factors: Sequence[Factor]) -> np.ndarray:
    """Return which rows have only kinds that the factors know.

    Examples
    --------
    >>> rows = pd.DataFrame({"fat": ["butter", "lard", "oil"]})
    >>> within_kinds(rows, [Categorical("fat", ["butter", "lard"])]).tolist()
    [True, True, False]
    """
    known = np.ones(len(table), dtype=bool)
    for factor in factors:
        if isinstance(factor, Categorical):
            kinds = table[factor.name]
            blank = kinds.map(is_blank).astype(bool)  # of no row at all it would be text
            known &= (kinds.isin(factor.levels) | blank).to_numpy(dtype=bool)
    return known


def recorded_failures(fits: Sequence[Findings], factors: Sequence[Factor]) -> Failures | None:
    """Return what the failed bakes in the findings say; None when there are too few for a model."""
    found = max(fits, key=lambda one: len(one.failed))
    names = [factor.name for factor in factors]
    lost, made = found.failed, found.residuals
    if not len(lost) or "bake" not in made or not set(names) <= set(lost) & set(made):
        return None
    lost = lost[lost["status"].isin(["failed", "not served"])]
    # Kinds that were never baked and scored are no choice, so their failures need no steering
    lost = lost[within_kinds(lost, factors)]
    if not len(lost):
        return None
    bakes = [table.drop_duplicates("bake") for table in (made, lost)]
    bakes = [one[one["role"] != Role.REFERENCE] if "role" in one else one for one in bakes]
    failed = np.repeat([False, True], [len(one) for one in bakes])
    settings = pd.concat([one[names] for one in bakes], ignore_index=True)
    parts = any(isinstance(factor, Component) for factor in factors)
    terms = model_terms("main" if parts else "interactions", factors)
    matrix = model_matrix(terms, factors, settings)
    candidates = [
        Candidate(
            term.name,
            matrix.X[:, matrix.of(term)],
            parents=_parents(term),
            labels=tuple(matrix.columns[n] for n in matrix.of(term)),
        )
        for term in terms
    ]
    answer = explain_failures(failed, settings, candidates, factors=factors)
    return answer if answer.fit is not None else None
