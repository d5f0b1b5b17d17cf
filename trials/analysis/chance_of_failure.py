"""The chance that a bake fails at any setting, from a rule of one's own or from the bakes."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from trials.analysis.failing import Failing
from trials.analysis.failures import Failures, explain_failures
from trials.analysis.fast_rows import fast_basis
from trials.analysis.results import Findings
from trials.analysis.rival_models import Candidate
from trials.design.basis import real_settings
from trials.design.plan import reference_setting
from trials.design.terms import Term, model_matrix, model_terms
from trials.errors import FitError
from trials.factors import Component, Factor
from trials.tables import in_words

Failure = Callable[[dict[str, Any]], float] | Failures | Failing | None


def chance_of_failure(
    failure: Failure, factors: Sequence[Factor]
) -> Callable[[np.ndarray], np.ndarray] | None:
    """Return a function of an array of settings that gives the chance that a bake fails.

    Parameters
    ----------
    failure : callable, Failures, Failing or None
        A function of a bake (a dict of real settings), or what the failed bakes said.
    factors : sequence of Factor

    Returns
    -------
    callable or None
        None where nothing is known.

    Raises
    ------
    FitError
        When it is neither, or speaks of other factors.

    Examples
    --------
    >>> from trials.factors import Numeric
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


def recorded_failures(fits: Sequence[Findings], factors: Sequence[Factor]) -> Failures | None:
    """Return what the failed bakes in the findings say; None when there are too few for a model.

    Parameters
    ----------
    fits : sequence of Findings
        The one that knows of most failed bakes speaks for all.
    factors : sequence of Factor

    Examples
    --------
    >>> recorded_failures.__name__
    'recorded_failures'
    """
    found = max(fits, key=lambda one: len(one.failed))
    names = [factor.name for factor in factors]
    lost, made = found.failed, found.residuals
    if not len(lost) or "bake" not in made or not set(names) <= set(lost) & set(made):
        return None
    lost = lost[lost["status"].isin(["failed", "not served"])]
    bakes = [table.drop_duplicates("bake") for table in (made, lost)]
    bakes = [one[one["role"] != "control"] if "role" in one else one for one in bakes]
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


def _parents(term: Term) -> tuple[str, ...]:
    return term.factors if term.order > 1 else ()
