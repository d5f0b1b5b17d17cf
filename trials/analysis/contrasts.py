"""Effects between real settings, F tests, and the unit that each is judged against."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, Protocol

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.results import EFFECT_COLUMNS, Estimator
from trials.analysis.settings_compared import compared
from trials.analysis.small_sample import FTest
from trials.analysis.verdicts import CONFIDENCE, verdict
from trials.design.plan import reference_setting
from trials.design.terms import ModelMatrix, Term
from trials.factors import Component, Factor, Numeric

BLENDED = ("half and half", "mean of both alone")
EQUAL_PARTS = ("equal parts", "what smaller mixtures make")


class Tester(Estimator, Protocol):
    """An estimator that can also test several sums of coefficients together."""

    def test(self, contrasts: np.ndarray, /) -> FTest:
        """Return the F test that all the sums are zero."""
        ...


@dataclass(frozen=True, eq=False)
class Contrast:
    """A difference between two settings, as weights on the model's columns.

    Parameters
    ----------
    term : Term
    level, reference : str
        The two settings in words.
    weights : ndarray, shape (columns,)
    """

    term: Term
    level: str
    reference: str
    weights: np.ndarray


def contrasts(matrix: ModelMatrix, factors: Sequence[Factor], columns: int) -> list[Contrast]:
    """Return the differences that a table of effects shows, term by term.

    A number is compared high with low; a kind with the first kind; a square is the height of the
    ends over the middle; an interaction is half the difference between two effects (so that in
    a two-level plan it is the textbook's effect). A blend component goes from its least to its
    greatest share, the others keeping their proportions (Cox 1971, Biometrika 58:155), numbers in
    the middle and over all kinds alike; with a process factor, half of how much that differs
    between the factor's settings. Two components: what half and half makes beyond the mean of
    both alone (Scheffe 1958).

    Parameters
    ----------
    matrix : ModelMatrix
    factors : sequence of Factor
    columns : int
        The number of columns of the whole fit, nuisance columns included.

    Returns
    -------
    list of Contrast

    Examples
    --------
    >>> from trials.design.terms import model_matrix, model_terms
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> matrix = model_matrix(model_terms("main", [rest]), [rest], pd.DataFrame({"rest": [20]}))
    >>> one = contrasts(matrix, [rest], 2)[0]
    >>> one.level, one.reference, one.weights.tolist()
    ('60 min', '20 min', [0.0, 2.0])
    """
    known = {factor.name: factor for factor in factors}
    found = []
    for term in matrix.terms:
        if any(isinstance(known[name], Component) for name in term.factors):
            found += _blend_contrasts(term, matrix, factors, columns)
        else:
            found += _plain_contrasts(term, matrix, known, columns)
    return found


def _plain_contrasts(
    term: Term, matrix: ModelMatrix, known: Mapping[str, Factor], columns: int
) -> list[Contrast]:
    choices = [compared(known[name], power) for name, power in term.powers]
    place = matrix.of(term)
    found = []
    for combination in product(*choices):
        weights = np.ones(1)
        for own, _, _ in combination:
            weights = np.outer(weights, own).ravel()
        row = np.zeros(columns)
        row[place] = weights / 2 ** (len(term.powers) - 1)
        level = ", ".join(high for _, high, _ in combination)
        reference = ", ".join(low for _, _, low in combination)
        found.append(Contrast(term, level, reference, row))
    return found


def _blend_contrasts(
    term: Term, matrix: ModelMatrix, factors: Sequence[Factor], columns: int
) -> list[Contrast]:
    """Return the contrasts of a term with shares in it, its process factors as everywhere."""
    known = {factor.name: factor for factor in factors}
    process = _process(term, known)
    shares = [f for f in map(known.__getitem__, term.factors) if isinstance(f, Component)]
    if len(shares) == 1:
        values = _along_the_blend(shares[0], matrix, factors)
        words = {shares[0].name: (shares[0].show(shares[0].high), shares[0].show(shares[0].low))}
    else:
        # The most that shares in equal parts add to what the smaller terms make of them
        values = {term: len(shares) ** -len(shares)}
        words = {shares[0].name: BLENDED if len(shares) == 2 else EQUAL_PARTS}
    found = []
    for combination in product(*(compared(known[name], power) for name, power in process)):
        weights = np.ones(1)
        for own, _, _ in combination:
            weights = np.outer(weights, own).ravel()
        row = np.zeros(columns)
        for one, value in values.items():
            if _process(one, known) == process:
                row[matrix.of(one)] = value * weights / 2 ** len(process)
        ends = words | {
            name: (high, low)
            for (name, _), (_, high, low) in zip(process, combination, strict=True)
        }
        said = [ends[name] for name in term.factors if name in ends]
        level, reference = (", ".join(pair[side] for pair in said) for side in (0, 1))
        found.append(Contrast(term, level, reference, row))
    return found


def _process(term: Term, known: Mapping[str, Factor]) -> list[tuple[str, int]]:
    """Return the powers of a term's process factors."""
    return [pair for pair in term.powers if not isinstance(known[pair[0]], Component)]


def _along_the_blend(
    component: Component, matrix: ModelMatrix, factors: Sequence[Factor]
) -> dict[Term, float]:
    """Return how much the product of shares in every term changes from a least to a greatest."""
    low, high = (along(component, share, factors) for share in component.levels)
    names = {factor.name for factor in factors if isinstance(factor, Component)}

    def product_of(term: Term, setting: Mapping[str, Any]) -> float:
        own = [float(setting[name]) ** power for name, power in term.powers if name in names]
        return float(np.prod(own)) if own else 0.0

    return {term: product_of(term, high) - product_of(term, low) for term in matrix.terms}


def along(component: Component, share: float, factors: Sequence[Factor]) -> dict[str, Any]:
    """Return the setting with one share changed and the others in the same proportions.

    Examples
    --------
    >>> along(Component("rye"), 0.5, [Component("rye"), Component("oat")])
    {'rye': 0.5, 'oat': 0.5}
    """
    setting = reference_setting(factors)
    others = [f.name for f in factors if isinstance(f, Component) and f.name != component.name]
    rest = 1 - setting[component.name]
    for name in others:
        setting[name] *= (1 - share) / rest
    setting[component.name] = share
    for factor in factors:
        if isinstance(factor, Numeric):
            setting[factor.name] = (factor.low + factor.high) / 2
    return setting


def effects_table(
    found: Sequence[Contrast], engine: Estimator, margin: float | None
) -> pd.DataFrame:
    """Return the table of effects with intervals and verdicts.

    Parameters
    ----------
    found : sequence of Contrast
    engine : Estimator
    margin : float or None
        The smallest difference worth noticing, in response units.

    Returns
    -------
    DataFrame
        term, level, reference, estimate, se, df, low, high, p, verdict. Where no error was
        measured at the effect's level, se to p are missing and nothing is settled.

    Examples
    --------
    >>> effects_table([], None, 0.7).columns[0]
    'term'
    """
    rows = []
    for one in found:
        estimate, se, df = engine.estimate(one.weights)
        low, high, p = interval(estimate, se, df)
        judged = verdict(low, high, margin)
        rows.append(
            (one.term.name, one.level, one.reference, estimate, se, df, low, high, p, judged)
        )
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS))


def interval(estimate: float, se: float, df: float) -> tuple[float, float, float]:
    """Return the 95 % interval and the two-sided p value of an estimate, by Student's t.

    Examples
    --------
    >>> [round(value, 3) for value in interval(1.0, 0.2, 10)]
    [0.554, 1.446, 0.001]
    """
    if not np.isfinite(se) or df <= 0:
        return float("nan"), float("nan"), float("nan")
    if se == 0:
        return estimate, estimate, float(estimate == 0)
    reach = float(stats.t.ppf((1 + CONFIDENCE) / 2, df)) * se
    return estimate - reach, estimate + reach, float(2 * stats.t.sf(abs(estimate) / se, df))


def tests_table(
    matrix: ModelMatrix, engine: Tester, columns: int, against: Mapping[str, str]
) -> pd.DataFrame:
    """Return the F test of every term, each adjusted for all others.

    Parameters
    ----------
    matrix : ModelMatrix
    engine : Tester
    columns : int
        The number of columns of the whole fit.
    against : mapping
        Term name -> the unit whose spread it is judged against, in words.

    Returns
    -------
    DataFrame
        term, num_df, den_df, F, p, tested_against.
    """
    rows = []
    for term in matrix.terms:
        L = np.eye(columns)[matrix.of(term)]
        test = engine.test(L)
        words = against[term.name]
        rows.append((term.name, float(len(L)), test.den_df, test.F, test.p, words))
    return pd.DataFrame(rows, columns=["term", "num_df", "den_df", "F", "p", "tested_against"])
