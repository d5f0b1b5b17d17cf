"""Where bakes fail: counts by region, a model where the failures carry one, in words."""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.asking import tidy_table
from trials.analysis.factor_columns import chosen_factors
from trials.analysis.failing_words import bakes_word, failing_sentences, without_intercept
from trials.analysis.failure_counts import MOST_SHOWN, above_expectation, regions
from trials.analysis.failures import Failures, explain_failures
from trials.analysis.rival_models import Candidate
from trials.analysis.setting_rows import settings_table
from trials.analysis.verdicts import readable
from trials.design.terms import Model, ModelMatrix, Term, model_matrix, model_terms
from trials.errors import FitError
from trials.factors import Component, Factor
from trials.rounds.round import Round
from trials.tables import in_words

FAILED, MADE = ("failed", "not served"), "made"
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
        """Return the chance that a bake fails at each row of settings.

        Parameters
        ----------
        settings : dict or DataFrame
            A real setting for every factor.

        Returns
        -------
        ndarray
            From the penalised models, averaged over those that fit alike; with too few failures
            for one, the share that failed, wherever it is.

        Raises
        ------
        FitError, FactorError
            When a factor has no setting, or one that is not its own.
        """
        if not self.failures.explanations:
            share = float(self.bakes["failed"].mean())
            return np.full(len(settings_table(settings, self.factors)), share)
        return self.failures.chance(self._columns(settings))

    def at(self, settings: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
        """Return the chance of failing at settings with its interval (penalised likelihood).

        Where several explanations fit alike, the chance is their average and the interval holds
        all of theirs.

        Raises
        ------
        FitError
            When there are too few failures for a model: look at `counts`.
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
    about one term per five failures: a factor, or two settings together where most failures meet.
    Explanations that fit alike are averaged.

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
        sentences=failing_sentences(bakes, counts, found, chosen, liking),
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
    notes = [f"{unknown} {bakes_word(unknown)} without a status left out."] if unknown else []
    bakes = bakes[bakes["status"].isin([MADE, *FAILED])]
    if "role" in bakes:
        lost = int((bakes["status"].isin(FAILED) & (bakes["role"] == "control")).sum())
        bakes = bakes[bakes["role"] != "control"]
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


def _rest_words(left_out: int) -> str:
    if not left_out:
        return ""
    regions_word = "region" if left_out == 1 else "regions"
    return (
        f"<p>And {left_out} more {regions_word} with more failures than expected: see counts.</p>"
    )


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


def _survivors(bakes: pd.DataFrame, names: list[str]) -> list[float]:
    stood = ~bakes["failed"].to_numpy()
    values = bakes["survivors"].to_numpy(dtype=float)
    found = [values[mask & stood & np.isfinite(values)] for _, mask in regions(bakes[names])]
    return [float(own.mean()) if len(own) else float("nan") for own in found]
