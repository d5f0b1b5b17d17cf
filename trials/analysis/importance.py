"""Which factor mattered most, and how sure that is.

The size of a factor is the largest difference that two of its levels make at any levels of the
others, so a factor that only works together with another is not overlooked.
"""

from collections.abc import Collection, Mapping, Sequence
from itertools import combinations, product

import numpy as np
import pandas as pd

from trials.analysis.contrasts import along, interval
from trials.analysis.draws import coefficient_draws, shares_of_best, usable
from trials.analysis.results import Averaged, Estimator
from trials.core.factors import Categorical, Component, Factor, Numeric
from trials.core.terms import Term, model_matrix

RANKING_COLUMNS = ["factor", "size", "low", "high", "chance_largest"]
MOST_CORNERS = 4096
_CORNER_SEED = 577
_TIE = 1e-9  # of the largest size: below this, what is between two is rounding
_SLACK = 1e-9  # of a whole blend: rounding


def ranking(
    terms: Sequence[Term],
    factors: Sequence[Factor],
    engine: Estimator,
    level_df: np.ndarray,
    averaged: Averaged | None = None,
) -> pd.DataFrame:
    """Return the factors by importance, first the one that is likeliest to be the largest.

    References
    ----------
    Searle, Casella & McCulloch 1992, Variance Components, ch. 7-8: the chances come from joint
    draws of the coefficients, shrunk towards nothing by as much as the estimates themselves show
    to be noise (empirical Bayes; one variance for main effects, one for the rest).
    """
    reaches = {factor.name: factor_contrasts(factor, terms, factors) for factor in factors}
    chances = (
        averaged_chances(averaged, factors)
        if averaged is not None
        else _own_chances(reaches, engine, level_df, _orders(terms, factors))
    )
    rows = [(name, *_size(rows, engine), chances[name]) for name, rows in reaches.items()]
    return in_order(pd.DataFrame(rows, columns=RANKING_COLUMNS))


def _own_chances(
    reaches: Mapping[str, np.ndarray], engine: Estimator, level_df: np.ndarray, orders: np.ndarray
) -> dict[str, float]:
    beta, cov = engine.beta[: len(orders)], engine.cov[: len(orders), : len(orders)]
    if not np.isfinite(cov).all() or (level_df[1:] == 0).any():
        # Where an error is not known, nothing speaks for one factor before another
        return dict.fromkeys(reaches, 1 / len(reaches))
    if not usable(engine, len(orders)):
        return _chances(reaches, beta[:, None])
    return _chances(reaches, coefficient_draws(*_shrunk(beta, cov, orders), level_df))


def averaged_chances(found: Averaged, factors: Sequence[Factor]) -> dict[str, float]:
    """Return for each factor the chance that it is the largest, averaged over models."""
    reaches = {factor.name: factor_contrasts(factor, found.terms, factors) for factor in factors}
    return _chances(reaches, found.draws)


def without_lost(ranked: pd.DataFrame, lost: Collection[str]) -> pd.DataFrame:
    """Return a ranking in which factors whose own effect was left out have no size and no chance.

    Examples
    --------
    >>> table = pd.DataFrame([("oil", 2.0, 1.0, 3.0, 0.9)], columns=RANKING_COLUMNS)
    >>> without_lost(table, ["oil"]).isna().sum(axis=1).tolist()
    [4]
    """
    ranked = ranked.copy()
    ranked.loc[ranked["factor"].isin(lost), list(RANKING_COLUMNS[1:])] = np.nan
    # Where nothing does anything all are equally large; the share of those left out is the others'
    left = ranked["chance_largest"].sum()
    if left > 0:
        ranked["chance_largest"] /= left
    return in_order(ranked)


def in_order(ranked: pd.DataFrame) -> pd.DataFrame:
    """Return a ranking with the factor first that is likeliest to be the largest, then by size.

    A size that few bakes tell badly may be large by chance; the chance of being the largest knows
    that, and names the most important factor more often.

    Examples
    --------
    >>> rows = [("oil", 2.0, -1.0, 5.0, 0.3), ("rest", 1.5, 1.0, 2.0, 0.7)]
    >>> in_order(pd.DataFrame(rows, columns=RANKING_COLUMNS))["factor"].tolist()
    ['rest', 'oil']
    """
    order = ["chance_largest", "size"]
    return ranked.sort_values(order, ascending=False, kind="stable", ignore_index=True)


def factor_contrasts(
    factor: Factor, terms: Sequence[Term], factors: Sequence[Factor]
) -> np.ndarray:
    """Return every difference that two levels of a factor make, at the corners of the others.

    Examples
    --------
    >>> from trials.core.terms import model_terms
    >>> both = [Numeric("rest", 20, 60), Numeric("fat", 5, 15)]
    >>> factor_contrasts(both[0], model_terms("interactions", both), both)
    array([[ 0.,  2.,  0., -2.],
           [ 0.,  2.,  0.,  2.]])
    """
    if isinstance(factor, Component):
        return _blend_differences(factor, terms, factors)
    partners = {name for term in terms if factor.name in term.factors for name in term.factors}
    # A nested factor moves only where it exists; what is nested in this one moves with it
    partners |= {factor.only_when[0]} if factor.only_when else set()
    partners |= {o.name for o in factors if o.only_when and o.only_when[0] == factor.name}
    bent = any(name == factor.name and power > 1 for term in terms for name, power in term.powers)
    own = _levels(factor, bent)
    others = [one for one in factors if one.name in partners and one.name != factor.name]
    corners = _corners([_levels(one, False) for one in others])
    base = {one.name: _levels(one, False)[0] for one in factors}
    tables = []
    for level in own:
        rows = [dict(zip((one.name for one in others), corner, strict=True)) for corner in corners]
        tables.append(pd.DataFrame([{**base, **row, factor.name: level} for row in rows]))
    X = [model_matrix(terms, factors, table).X for table in tables]
    return np.vstack([X[b] - X[a] for a, b in combinations(range(len(own)), 2)])


def _blend_differences(
    component: Component, terms: Sequence[Term], factors: Sequence[Factor]
) -> np.ndarray:
    """Return every difference that a share makes, the other shares filling up the blend.

    The others keep the proportions of the middle blend, or one of them makes room alone where
    its limits let it.
    """
    shares = np.linspace(component.low, component.high, 5)
    kinds = [one for one in factors if not isinstance(one, Component)]
    corners = _corners([_levels(one, False) for one in kinds])
    rows = []
    for blends in _fillings(component, shares, factors):
        for corner in corners:
            process = dict(zip((one.name for one in kinds), corner, strict=True))
            X = model_matrix(terms, factors, pd.DataFrame([{**b, **process} for b in blends])).X
            rows += [X[b] - X[a] for a, b in combinations(range(len(shares)), 2)]
    return np.array(rows)


def _fillings(
    component: Component, shares: np.ndarray, factors: Sequence[Factor]
) -> list[list[dict[str, float]]]:
    """Return, for each way to fill up a blend, its settings from the least share to the most."""
    others = [f for f in factors if isinstance(f, Component) and f.name != component.name]
    ways = [[along(component, share, factors) for share in shares]]
    for one in others:
        least = {other.name: other.low for other in others if other is not one}
        rest = [1 - share - sum(least.values()) for share in shares]
        if one.low <= min(rest) + _SLACK and max(rest) <= one.high + _SLACK:
            pairs = zip(shares, rest, strict=True)
            ways.append([{component.name: s, one.name: max(r, 0.0), **least} for s, r in pairs])
    return ways


def _levels(factor: Factor, bent: bool) -> list:
    if isinstance(factor, Categorical):
        return list(factor.levels)
    if isinstance(factor, Numeric) and bent:
        return list(np.linspace(factor.low, factor.high, 5))
    return [factor.low, factor.high]


def _corners(levels: Sequence[Sequence]) -> list[tuple]:
    count = int(np.prod([len(one) for one in levels], dtype=float))
    if count <= MOST_CORNERS:
        return list(product(*levels))
    rng = np.random.default_rng(_CORNER_SEED)
    picks = [rng.integers(len(one), size=MOST_CORNERS) for one in levels]
    return [
        tuple(one[pick[row]] for one, pick in zip(levels, picks, strict=True))
        for row in range(MOST_CORNERS)
    ]


def _size(rows: np.ndarray, engine: Estimator) -> tuple[float, float, float]:
    if not rows.any():  # its term was left out: nothing is known of its size
        return float("nan"), float("nan"), float("nan")
    values = rows @ engine.beta[: rows.shape[1]]
    sizes = np.abs(values)
    largest = int(np.argmax(sizes >= (1 - _TIE) * sizes.max()))
    weights = np.concatenate([rows[largest], np.zeros(len(engine.beta) - rows.shape[1])])
    estimate, se, df = engine.estimate(weights)
    low, high, _ = interval(abs(estimate), se, df)
    return abs(float(estimate)), max(0.0, low) if np.isfinite(low) else low, high


def _orders(terms: Sequence[Term], factors: Sequence[Factor]) -> np.ndarray:
    """Return for each model column 0 (intercept), 1 (main effect or share) or 2 (the rest)."""
    row = pd.DataFrame([{factor.name: factor.levels[0] for factor in factors}])
    matrix = model_matrix(terms, factors, row)
    return np.array([0 if own < 0 else min(terms[own].order, 2) for own in matrix.owner])


def _chances(reaches: Mapping[str, np.ndarray], draws: np.ndarray) -> dict[str, float]:
    """Return how often each factor is the largest in joint draws; those that tie share the win."""
    sizes = np.array([np.abs(rows @ draws).max(axis=0) for rows in reaches.values()])
    return dict(zip(reaches, map(float, shares_of_best(sizes)), strict=True))


def _shrunk(beta: np.ndarray, cov: np.ndarray, orders: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the coefficients drawn towards zero by the noise that they show together."""
    prior = np.zeros(len(beta))
    for order in (1, 2):
        own = orders == order
        if own.any():
            noise = np.diag(cov)[own]
            spread = np.mean(beta[own] ** 2 - noise)
            prior[own] = max(spread, 0.05 * noise.mean())
    shrinks = orders > 0
    gain = np.zeros_like(cov)
    inner = cov[np.ix_(shrinks, shrinks)]
    gain[np.ix_(shrinks, shrinks)] = np.linalg.solve(
        inner + np.diag(prior[shrinks]), np.diag(prior[shrinks])
    ).T
    mean, spread = beta.copy(), cov.copy()
    mean[shrinks] = gain[np.ix_(shrinks, shrinks)] @ beta[shrinks]
    after = gain[np.ix_(shrinks, shrinks)] @ inner
    spread[np.ix_(shrinks, shrinks)] = (after + after.T) / 2
    spread[~shrinks] = 0
    spread[:, ~shrinks] = 0
    return mean, spread
