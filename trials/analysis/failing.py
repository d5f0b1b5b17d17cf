"""Where bakes fail: counts by region, a model where the failures carry one, in words."""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.asking import tidy_table
from trials.analysis.factor_columns import chosen_factors
from trials.analysis.failure_counts import MOST_SHOWN, above_expectation, regions
from trials.analysis.failures import Failures, explain_failures
from trials.analysis.rival_models import Candidate
from trials.analysis.setting_rows import averaged_rows, settings_table, shown_settings
from trials.analysis.verdicts import readable
from trials.design.terms import Model, ModelMatrix, Term, model_matrix, model_terms
from trials.errors import FitError
from trials.factors import Component, Factor
from trials.rounds.round import Round
from trials.tables import in_words, percent, tidy_number

FAILED, MADE = ("failed", "not served"), "made"
MOSTLY = 0.75  # of the failed bakes share a setting
_OTHER_COLUMNS = ("day", "load", "bake", "role", "taster", "status", "reason")


@dataclass(frozen=True, eq=False)
class Failing:
    """What the failed bakes of a round say.

    Parameters
    ----------
    factors : tuple of Factor
    bakes : DataFrame
        One row per bake: bake, failed, reason, the settings, and `survivors` (the mean score of a
        bake that stood; missing where none was asked for).
    counts : DataFrame
        region, bakes, failed, share, low, high (exact), and the mean score of the bakes there
        that stood.
    failures : Failures
        The penalised model, where there are failures enough; `recommend` takes it as it is.
    terms : tuple of Term
        The terms of that model.
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
        """Return the chance that a bake fails at each row of settings.

        Parameters
        ----------
        settings : dict or DataFrame
            A real setting for every factor.

        Returns
        -------
        ndarray
            From the penalised model; with too few failures for one, the share that failed,
            wherever it is.

        Raises
        ------
        FitError, FactorError
            When a factor has no setting, or one that is not its own.
        """
        fit = self.failures.fit
        if fit is None:
            share = float(self.bakes["failed"].mean())
            return np.full(len(settings_table(settings, self.factors)), share)
        X = self._columns(settings)
        slopes = fit.coefficients["estimate"].to_numpy()[1:]
        return 1 / (1 + np.exp(-(fit.intercept + X.to_numpy() @ slopes)))

    def at(self, settings: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
        """Return the chance of failing at settings with its interval (penalised likelihood).

        Raises
        ------
        FitError
            When there are too few failures for a model: look at `counts`.
        """
        if self.failures.fit is None:
            raise FitError(f"{self.failures.notes[-1]} Look at the counts.")
        table = settings_table(settings, self.factors)
        return table.join(self.failures.fit.chances(self._columns(settings)))

    def _columns(self, settings: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
        table = settings_table(settings, self.factors)
        matrix = model_matrix(self.terms, self.factors, table)
        return _without_intercept(matrix)

    def worst(self, most: int = MOST_SHOWN) -> pd.DataFrame:
        """Return all bakes, then the regions where more failed than expected, the surest first.

        Parameters
        ----------
        most : int
            How many regions; all of them are in `counts`.
        """
        return above_expectation(self.counts, most)[0]

    def summary(self) -> tuple[str, ...]:
        """Return what was found as sentences, then what was assumed."""
        return self.sentences + self.notes

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(one)}</p>" for one in self.summary())
        shown, left_out = above_expectation(self.counts)
        table = readable(shown).to_html(index=False, border=0, escape=True)
        return said + table + _rest_words(left_out)


def failing(
    data: Round | pd.DataFrame,
    factors: Sequence[Factor | str] | None = None,
    *,
    response: str | None = None,
    model: Model = None,
    level: float = 0.95,
) -> Failing:
    """Say where bakes fail.

    Under three failures there are only counts; from three on a penalised logistic model with
    about one term per five failures, a pair of factors only after both of them.

    Parameters
    ----------
    data : Round or DataFrame
        A round whose sheets are in, or a table with columns bake, status ("made", "failed", "not
        served", "not baked") and one per factor. A bake that was made and not fit to serve counts
        as failed; one that was not baked does not count.
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
        bakes["failed"], bakes[names], _candidates(matrix), factors=chosen, level=level
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
        sentences=_sentences(bakes, counts, found, used, chosen, liking),
        notes=(*found.notes, *left_out),
    )


def _widest(factors: Sequence[Factor]) -> str:
    blend = any(isinstance(factor, Component) for factor in factors)
    return "main" if blend else "interactions"


def _table(
    data: Round | pd.DataFrame, factors: Sequence[Factor | str] | None, response: str | None
) -> tuple[pd.DataFrame, Sequence[Factor | str] | None, str]:
    table, known = tidy_table(data, factors)
    if not isinstance(data, Round):
        missing = [name for name in ("bake", "status", response) if name and name not in table]
        if missing:
            raise FitError(f"the table has no column {in_words(missing)}.")
        return table, known, response or ""
    likings = [measure.name for measure in data.measures if measure.kind == "hedonic"]
    return table, known, response or (likings[0] if likings else "")


def _bakes(table: pd.DataFrame, liking: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return one row per bake that was made or failed, and what was left out."""
    known = {MADE, *FAILED, "not baked", ""}
    wrong = set(table["status"].fillna("")) - known
    if wrong:
        raise FitError(
            f"status {in_words(sorted(map(str, wrong)))} is not known; expected made, failed, not "
            "served or not baked."
        )
    bakes = table.drop_duplicates("bake").set_index("bake", drop=False)
    bakes["survivors"] = table.groupby("bake")[liking].mean() if liking else np.nan
    unknown = int((bakes["status"].fillna("") == "").sum())
    notes = [f"{unknown} {_bakes_word(unknown)} without a status left out."] if unknown else []
    bakes = bakes[bakes["status"].isin([MADE, *FAILED])]
    if "role" in bakes:
        lost = int((bakes["status"].isin(FAILED) & (bakes["role"] == "control")).sum())
        bakes = bakes[bakes["role"] != "control"]
        if lost:
            notes.append(f"{lost} reference {_bakes_word(lost)} failed, counted nowhere here.")
    if bakes.empty:
        raise FitError("no bake was made or failed, so nothing can be said about failing.")
    unserved = int((bakes["status"] == "not served").sum())
    if unserved:
        notes.append(f"{unserved} {_bakes_word(unserved)} made and not served count as failed.")
    reason = bakes["reason"] if "reason" in bakes else pd.Series("", index=bakes.index)
    bakes = bakes.assign(
        failed=bakes["status"].isin(FAILED), reason=reason.fillna("").astype(str)
    ).reset_index(drop=True)
    return bakes.assign(row=range(1, len(bakes) + 1)), tuple(notes)


def _rest_words(left_out: int) -> str:
    if not left_out:
        return ""
    regions_word = "region" if left_out == 1 else "regions"
    return (
        f"<p>And {left_out} more {regions_word} with more failures than expected: see counts.</p>"
    )


def _bakes_word(count: int) -> str:
    return "bake" if count == 1 else "bakes"


def _candidates(matrix: ModelMatrix) -> list[Candidate]:
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


def _without_intercept(matrix: ModelMatrix) -> pd.DataFrame:
    own = np.flatnonzero(matrix.owner >= 0)
    return pd.DataFrame(matrix.X[:, own], columns=[matrix.columns[place] for place in own])


def _survivors(bakes: pd.DataFrame, names: list[str]) -> list[float]:
    stood = ~bakes["failed"].to_numpy()
    values = bakes["survivors"].to_numpy(dtype=float)
    found = [values[mask & stood & np.isfinite(values)] for _, mask in regions(bakes[names])]
    return [float(own.mean()) if len(own) else float("nan") for own in found]


def _sentences(
    bakes: pd.DataFrame,
    counts: pd.DataFrame,
    found: Failures,
    terms: Sequence[Term],
    factors: Sequence[Factor],
    liking: str,
) -> tuple[str, ...]:
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
        said += [_by_the_model(term, found, terms, factors) for term in terms if term.order == 1]
        said += _without_room(lost, terms, factors)
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
    return f"{len(lost)} of {len(bakes)} bakes failed{why}{where}: {_bakes_word(len(lost))} {ids}."


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


def _by_the_model(
    term: Term, found: Failures, terms: Sequence[Term], factors: Sequence[Factor]
) -> str:
    factor = next(one for one in factors if one.name == term.name)
    settings = pd.DataFrame({factor.name: list(shown_settings(factor))})
    rows = averaged_rows(terms, factors, settings)
    lead = rows.shape[1] - (len(found.fit.coefficients) - 1)  # type: ignore[union-attr]
    columns = found.fit.coefficients["column"].iloc[1:]  # type: ignore[union-attr]
    chances = found.fit.chances(pd.DataFrame(rows[:, lead:], columns=columns))  # type: ignore[union-attr]
    parts = [
        f"{percent(row.chance)} ({percent(row.low)} to {percent(row.high)}) at {factor.show(value)}"
        for value, row in zip(settings[factor.name], chances.itertuples(), strict=True)
    ]
    return f"By {factor.name}, the chance that a bake fails: {in_words(parts)}."


def _without_room(
    lost: pd.DataFrame, terms: Sequence[Term], factors: Sequence[Factor]
) -> list[str]:
    """Return a sentence on settings that most failed bakes share and the model does not hold."""
    if not terms:
        return []
    held = {name for term in terms for name in term.factors}
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
