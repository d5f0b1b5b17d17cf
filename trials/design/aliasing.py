"""What a plan can not tell apart: words of regular fractions, the alias matrix of any plan."""

from collections.abc import Sequence
from itertools import combinations_with_replacement

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import in_words
from trials.core.factors import Categorical, Component, Factor, can_meet
from trials.core.plan import Plan, whole_number
from trials.core.roles import Role
from trials.core.terms import Term, is_blend, kitchen_names, model_matrix, parse_term

# A share of an effect smaller than this is rounding
NOTHING = 1e-9


@checked_types(PlanError)
def aliases(plan: Plan, order: int = 2) -> pd.DataFrame:
    """Return which effects of a plan are mixed up with which others.

    Parameters
    ----------
    plan : Plan
    order : int
        The highest order of effect to look at: 2 for pairs and squares, 3 for triples.

    Returns
    -------
    DataFrame
        term; aliased_with; coefficient: how much of the other effect the estimate of this one
        holds, in coded units; complete: whether the two can not be told apart at all. One row
        for each effect and each other of the same or a higher order that it is mixed with; in a
        regular fraction the coefficients are 1 or -1, the signs of its words. Each kind of a
        categorical factor but the last has a column of its own, as in "fat = butter".

    Notes
    -----
    A main effect is estimated with all other main effects in the model, so its coefficients are
    its row of the alias matrix; a higher effect beside the mean and the main effects. Differences
    between days are taken out where there are several. Reference bakes are left out.

    References
    ----------
    Box & Wilson 1951, J. R. Stat. Soc. B 13:1 (alias matrix); Box & Hunter 1961, Technometrics
    3:311 (words).

    Examples
    --------
    >>> from trials.design.layout import lay_out
    >>> from trials.core.factors import Numeric
    >>> factors = [Numeric(name, -1, 1) for name in ("rest", "salt", "heat")]
    >>> half = pd.DataFrame({"rest": [-1, 1, -1, 1], "salt": [-1, -1, 1, 1]})
    >>> half["heat"] = half["rest"] * half["salt"]
    >>> aliases(lay_out(factors, half, family="half", model="main", seed=1))
       term aliased_with  coefficient  complete
    0  rest    salt:heat          1.0      True
    1  salt    rest:heat          1.0      True
    2  heat    rest:salt          1.0      True
    """
    order = whole_number("order", order, least=1, most=4)
    table = plan.table
    table = table[table["role"] != Role.REFERENCE].reset_index(drop=True)
    terms = effects_up_to(plan, table, order)
    matrix = model_matrix(terms, plan.factors, table)
    owned = np.flatnonzero(matrix.owner >= 0)
    X = matrix.X[:, owned]
    orders = np.array([matrix.terms[owner].order for owner in matrix.owner[owned]])
    owners = matrix.owner[owned]
    base = _base(plan, table, blend=is_blend(terms, plan.factors))
    names = [matrix.columns[column] for column in owned]
    rows = _main_rows(X, orders, base, names) + _higher_rows(X, orders, owners, base, names)
    columns = ["term", "aliased_with", "coefficient", "complete"]
    return pd.DataFrame(rows, columns=columns)


def apart_words(plan: Plan, lost: Sequence[str], terms: Sequence[str]) -> str:
    """Return what the bakes of a plan can not tell apart, and from what, by name.

    Parameters
    ----------
    plan : Plan
    lost : sequence of str
        The terms that can not be told.
    terms : sequence of str
        All that is asked about, the lost ones too.

    Examples
    --------
    >>> from trials.design.layout import lay_out
    >>> from trials.core.factors import Numeric
    >>> factors = [Numeric("rest", 0, 1), Numeric("syrup", 0, 1)]
    >>> both = pd.DataFrame({"rest": [0, 0, 1, 1], "syrup": [0, 0, 1, 1]})
    >>> plan = lay_out(factors, both, family="both", model="main", seed=1)
    >>> apart_words(plan, ["syrup"], ["rest", "syrup"])
    'syrup apart from rest'
    """
    table = plan.table
    table = table[table["role"] != Role.REFERENCE].reset_index(drop=True)
    names = [factor.name for factor in plan.factors]
    asked = tuple(parse_term(term, names) for term in terms)
    matrix = model_matrix(asked, plan.factors, table)
    base = _base(plan, table, blend=False)
    own_columns = matrix.owner >= 0
    owners = np.concatenate([np.full(base.shape[1], -1), matrix.owner[own_columns]])
    X = np.hstack([base, matrix.X[:, own_columns]])
    others: dict[str, None] = {}
    days = False
    for term in lost:
        own = owners == list(terms).index(term)
        share = np.linalg.lstsq(X[:, ~own], X[:, own], rcond=None)[0]
        if np.abs(X[:, own] - X[:, ~own] @ share).max(initial=0.0) > 1e-6:
            continue  # told from each by itself, but too few are left to judge it by
        held = set(owners[~own][np.abs(share).max(axis=1) > 1e-6].tolist())
        others |= dict.fromkeys(one for at, one in enumerate(terms) if at in held)
        # The same of every day is a mean, and no difference between days
        days = days or bool(np.ptp(share[: base.shape[1]], axis=0).max(initial=0.0) > 1e-6)
    found = [name for name in others if name not in lost]
    shown = kitchen_names(list(lost), plan.factors)
    if found or days:
        named = [kitchen_names(found, plan.factors)] if found else []
        return f"{shown} apart from {in_words([*named, 'the days'] if days else named)}"
    return f"{shown} apart from {'one another' if len(lost) > 1 else 'the other changes'}"


def effects_up_to(plan: Plan, table: pd.DataFrame, order: int) -> tuple[Term, ...]:
    """Return every effect up to an order that the settings of a plan could show at all.

    Squares of numbers with two settings, and products of a blend's shares, are left out: the
    first are part of the mean, the second belong to the blend.
    """
    numbers = {f.name for f in plan.factors if not isinstance(f, Categorical | Component)}
    levels = {factor.name: table[factor.name].nunique() for factor in plan.factors}
    parts = {factor.name for factor in plan.factors if isinstance(factor, Component)}
    names = [factor.name for factor in plan.factors if levels[factor.name] > 1]
    found = []
    for size in range(1, order + 1):
        for held in combinations_with_replacement(names, size):
            repeated = {name for name in held if held.count(name) > 1}
            wide = all(name in numbers and levels[name] > held.count(name) for name in repeated)
            meets = can_meet(factor for factor in plan.factors if factor.name in held)
            if wide and meets and not (parts and len(parts.intersection(held)) > 1 and size > 2):
                found.append(_term(held, plan.factors))
    return tuple(found)


def _term(held: Sequence[str], factors: Sequence[Factor]) -> Term:
    order = [factor.name for factor in factors]
    return Term(tuple((name, held.count(name)) for name in order if name in held))


def _base(plan: Plan, table: pd.DataFrame, blend: bool) -> np.ndarray:
    """Return the mean, or differences between days beside it, that every estimate is freed from."""
    days = pd.get_dummies(table["day"]).to_numpy(dtype=float)
    loads = table["load"]
    # A day that is one load is part of the error, not of the model
    if loads.notna().all() and loads.nunique() == days.shape[1]:
        days = days[:, :0]
    if days.shape[1] < 2:
        return np.ones((len(table), 0 if blend else 1))
    return days


def _main_rows(
    X: np.ndarray, orders: np.ndarray, base: np.ndarray, names: Sequence[str]
) -> list[tuple[str, str, float, bool]]:
    main, higher = np.flatnonzero(orders == 1).tolist(), np.flatnonzero(orders > 1).tolist()
    full = np.hstack([base, X[:, main]])
    if np.linalg.matrix_rank(full) < full.shape[1]:
        pairs = [(i, j) for i in main for j in range(len(names)) if j > i]
        return _pairs(_freed(X, base), pairs, names)
    alias = np.linalg.lstsq(full, X[:, higher], rcond=None)[0][base.shape[1] :]
    freed = _freed(X, base)
    rows = []
    for row, i in enumerate(main):
        for column, j in enumerate(higher):
            if abs(alias[row, column]) > NOTHING:
                rows.append((names[i], names[j], _tidy(alias[row, column]), _same(freed, i, j)))
    return rows


def _higher_rows(
    X: np.ndarray,
    orders: np.ndarray,
    owners: np.ndarray,
    base: np.ndarray,
    names: Sequence[str],
) -> list[tuple[str, str, float, bool]]:
    main = X[:, orders == 1]
    freed = _freed(X, np.hstack([base, main]))
    higher = np.flatnonzero(orders > 1).tolist()
    pairs = [
        (i, j)
        for i in higher
        for j in higher
        if owners[i] != owners[j] and (orders[j] > orders[i] or (orders[j] == orders[i] and j > i))
    ]
    return _pairs(freed, pairs, names)


def _pairs(
    freed: np.ndarray, pairs: Sequence[tuple[int, int]], names: Sequence[str]
) -> list[tuple[str, str, float, bool]]:
    products = freed.T @ freed
    rows = []
    for i, j in pairs:
        if products[i, i] < NOTHING * len(freed) or products[j, j] < NOTHING * len(freed):
            continue
        slope = products[i, j] / products[i, i]
        if abs(slope) > NOTHING:
            rows.append((names[i], names[j], _tidy(slope), _same(freed, i, j)))
    return rows


def _freed(X: np.ndarray, base: np.ndarray) -> np.ndarray:
    return X - base @ np.linalg.lstsq(base, X, rcond=None)[0] if base.shape[1] else X


def _same(freed: np.ndarray, i: int, j: int) -> bool:
    one, other = freed[:, i], freed[:, j]
    sizes = float(one @ one) * float(other @ other)
    return bool(sizes > 0 and float(one @ other) ** 2 > (1 - NOTHING) * sizes)


def _tidy(value: float) -> float:
    # 12 digits, so that a word's coefficient is exactly 1 or -1
    return float(np.round(value, 12))
