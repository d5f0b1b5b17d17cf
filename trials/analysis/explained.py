"""How much of what the settings explain is each factor's, interactions shared out by a rule."""

from collections.abc import Sequence
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.draws import coefficient_draws, usable
from trials.analysis.results import Findings
from trials.base.errors import FitError
from trials.core.factors import Categorical, Component, Factor
from trials.core.terms import Term, model_matrix
from trials.core.verdicts import CONFIDENCE

MOST_CELLS = 2**14
MOST_SETTINGS = 5  # of a number; more are stood for by the ends and the middle
DRAWS = 500

Subset = tuple[str, ...]


def explained(findings: Findings) -> pd.DataFrame:
    """Return each factor's share of the variation that the settings explain.

    The variation is that of the expected response when every setting that was tried is as likely as
    every other, independently for each factor. What factors do together is shared equally among
    them; the shares add up to one. Noise in the estimates adds a little to every share, the
    more so the fewer the bakes.

    Parameters
    ----------
    findings : Findings
        Averaged over models where few bakes are left for error.

    Returns
    -------
    DataFrame
        factor, share, alone, together (share = alone + together), low, high (the middle 95 % of
        what the bakes leave possible; missing where no error is known). Largest first.

    Raises
    ------
    FitError
        For a blend, whose shares can not vary independently, or when more factors work together
        than can be reckoned.

    References
    ----------
    Owen 2014, SIAM/ASA J. Uncertain. Quantif. 2:245-251: for independent inputs these are the
    Shapley values of the variance.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2,
    ...                       "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2]})
    >>> explained(fit(table, "liking", ["rest", "fat"], model="main"))[["factor", "share"]].round(3)
      factor  share
    0   rest  0.968
    1    fat  0.032
    """
    if any(isinstance(factor, Component) for factor in findings.factors):
        raise FitError("shares of a blend can not vary one without the other; use the ranking.")
    terms, coefficients = _coefficients(findings)
    known = {factor.name: factor for factor in findings.factors}
    parts = {factor.name: np.zeros((2, coefficients.shape[1])) for factor in findings.factors}
    for together in _linked(terms):
        factors = [known[name] for name in together]
        own = [term for term in terms if set(term.factors) <= set(together)]
        for subset, variance in _variances(factors, own, terms, findings, coefficients).items():
            for name in subset:
                parts[name][int(len(subset) > 1)] += variance / len(subset)
    return _table(parts)


def _coefficients(findings: Findings) -> tuple[tuple[Term, ...], np.ndarray]:
    """Return terms and their coefficients, the best in the first column, draws behind."""
    if findings.told is not None:
        draws = findings.told.draws
        return findings.told.terms, np.column_stack([draws.mean(axis=1), draws[:, :DRAWS]])
    width = len(findings.level_df)
    beta = findings.engine.beta[:width]
    if not usable(findings.engine, width):
        return findings.terms, beta[:, None]
    cov = findings.engine.cov[:width, :width]
    draws = coefficient_draws(beta, cov, findings.level_df, number=DRAWS)
    return findings.terms, np.column_stack([beta, draws])


def _linked(terms: Sequence[Term]) -> list[Subset]:
    """Return the factors in groups that no term links to one another."""
    groups: list[list[str]] = []
    for term in terms:
        joined = [name for group in groups if set(group) & set(term.factors) for name in group]
        groups = [group for group in groups if not set(group) & set(term.factors)]
        groups.append(list(dict.fromkeys([*joined, *term.factors])))
    return [tuple(group) for group in groups]


def _variances(
    factors: Sequence[Factor],
    own: Sequence[Term],
    terms: Sequence[Term],
    findings: Findings,
    coefficients: np.ndarray,
) -> dict[Subset, np.ndarray]:
    """Return the variance that is of each set of factors and of no fewer."""
    names = [factor.name for factor in factors]
    levels = _levels(factors, findings.residuals)
    grid = pd.DataFrame(list(product(*levels)), columns=names)
    others = [factor for factor in findings.factors if factor.name not in names]
    for factor in others:
        grid[factor.name] = factor.levels[0]
    matrix = model_matrix(terms, findings.factors, grid)
    held = np.isin(matrix.owner, [terms.index(term) for term in own])
    surface = matrix.X[:, held] @ coefficients[held]
    surface = surface.reshape(*(len(one) for one in levels), -1)
    subsets = {
        subset
        for term in own
        for size in range(1, len(term.factors) + 1)
        for subset in combinations([name for name in names if name in term.factors], size)
    }
    axes = range(len(names))
    parts: dict[Subset, np.ndarray] = {(): surface.mean(axis=tuple(axes), keepdims=True)}
    for subset in sorted(subsets, key=lambda one: (len(one), one)):
        gone = tuple(axis for axis in axes if names[axis] not in subset)
        part = surface.mean(axis=gone, keepdims=True)
        for smaller, known in parts.items():
            if set(smaller) < set(subset):
                part = part - known
        parts[subset] = part
    return {subset: (part**2).mean(axis=tuple(axes)) for subset, part in parts.items() if subset}


def _levels(factors: Sequence[Factor], tried: pd.DataFrame) -> list[list[Any]]:
    """Return the settings of each factor that were tried, thinned where they are too many."""
    found = []
    for factor in factors:
        settings = tried[factor.name].drop_duplicates().tolist()
        if not isinstance(factor, Categorical) and len(settings) > MOST_SETTINGS:
            settings = [factor.low, (factor.low + factor.high) / 2, factor.high]
        found.append(settings)
    if np.prod([len(one) for one in found]) > MOST_CELLS:
        found = [
            own if isinstance(factor, Categorical) else [min(own), max(own)]
            for factor, own in zip(factors, found, strict=True)
        ]
    if np.prod([len(one) for one in found]) > MOST_CELLS:
        raise FitError(
            f"{len(factors)} factors are linked by interactions, too many to share out what they "
            "explain; fit fewer interactions."
        )
    return found


def _table(parts: dict[str, np.ndarray]) -> pd.DataFrame:
    total = sum(part.sum(axis=0) for part in parts.values())
    rows = []
    for name, part in parts.items():
        alone, together = part / np.where(total > 0, total, np.nan)
        low, high = np.nan, np.nan
        if len(alone) > 1:
            edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
            low, high = np.nanquantile(alone[1:] + together[1:], edges)
        rows.append((name, alone[0] + together[0], alone[0], together[0], low, high))
    names = ["factor", "share", "alone", "together", "low", "high"]
    table = pd.DataFrame(rows, columns=names)
    return table.sort_values("share", ascending=False, kind="stable", ignore_index=True)
