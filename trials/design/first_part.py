"""A plan in two parts: which of its bakes to make first."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trials.design.laying_out import lay_out
from trials.design.plan import Plan
from trials.design.terms import Model, model_matrix, model_terms
from trials.errors import PlanError

PART = ", first part"  # behind the name of the family
STARTS = 20  # of the search for the first part


def first_part(plan: Plan, bakes: int, *, model: Model, controls: int = 0) -> Plan:
    """Return the part of a plan to bake first: the bakes that tell most without the rest.

    Parameters
    ----------
    plan : Plan
        The whole, made on one day and in no loads.
    bakes : int
        How many of its bakes are made first.
    model : str or sequence of str
        The effects that are asked about; single factors count before the others.
    controls : int
        Reference bakes beside them.

    Returns
    -------
    Plan
        With the seed of the whole.

    Raises
    ------
    PlanError
        When so few bakes can not tell the single factors apart, or the plan has no such part.

    References
    ----------
    DuMouchel & Jones 1994, Technometrics 36:37 (D-optimality with primary and potential terms);
    Fedorov 1972, Theory of Optimal Experiments, ch. 3 (exchange).

    Examples
    --------
    >>> from trials.design.factorial import fractional_factorial
    >>> from trials.factors import Numeric
    >>> five = [Numeric(name, 0, 1) for name in "abcde"]
    >>> whole = fractional_factorial(five, bakes=16, seed=1)
    >>> first_part(whole, 12, model="interactions").sentence()
    '12 bakes over 1 day'
    """
    if not 0 < bakes < plan.count() or plan.days > 1 or plan.groups:
        raise PlanError(
            f"a first part of {bakes} bakes was asked for of {plan.sentence()}; expected fewer "
            "bakes than it has, of a plan of one day in which bakes share nothing."
        )
    table = plan.table.drop(columns=["bake", "day", "load"])
    terms = model_terms(model, plan.factors)
    matrix = model_matrix(terms, plan.factors, table)
    single = np.array([place < 0 or terms[place].order == 1 for place in matrix.owner])
    if np.linalg.matrix_rank(matrix.X[:, single]) > bakes:
        raise PlanError(
            f"{bakes} bakes are too few for a first part of {plan.count()}: the single changes "
            f"alone need {int(single.sum())}. Bake more of them first, or leave later out."
        )
    # Where the bakes can tell all that is asked, nothing of it is a mere guess
    potential = ~single & (bakes < matrix.X.shape[1])
    chosen = _most_telling(matrix.X, potential, bakes, np.random.default_rng(plan.seed))
    part = table.iloc[chosen]
    return lay_out(
        plan.factors,
        part,
        family=f"{plan.family}{PART}",
        model=_told(plan, part),
        controls=controls,
        seed=plan.seed,
        excluded=plan.excluded,
    )


def _told(plan: Plan, part: pd.DataFrame) -> Sequence[str] | str:
    """Return the widest model that a part can tell: that of the whole, pairs, single changes."""
    for model in (plan.model, "interactions"):
        X = model_matrix(model_terms(model, plan.factors), plan.factors, part).X
        if np.linalg.matrix_rank(X) == X.shape[1]:
            return model
    return "main"


def _most_telling(
    X: np.ndarray, potential: np.ndarray, size: int, rng: np.random.Generator
) -> np.ndarray:
    """Return the rows with the largest determinant, potential columns being a guess around zero."""
    # A whole primary column is worth far less than any bake: it only keeps the matrix regular
    prior = np.diag(np.where(potential, 1.0, 1e-6))
    best, chosen = -np.inf, np.arange(size)
    for _ in range(STARTS):
        rows = np.sort(rng.permutation(len(X))[:size])
        rows, value = _exchanged(X, prior, rows)
        if value > best:
            best, chosen = value, rows
    return np.sort(chosen)


def _exchanged(X: np.ndarray, prior: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, float]:
    """Return rows after every exchange that gains, and the log determinant they reach."""
    rows = rows.copy()
    while True:
        inverse = np.linalg.inv(prior + X[rows].T @ X[rows])
        d = X @ inverse @ X.T
        others = np.setdiff1d(np.arange(len(X)), rows)
        leaving, coming = d[rows, rows][:, None], d[others, others][None]
        # What the determinant is multiplied by (Fedorov's delta, plus one)
        gain = (1 - leaving) * (1 + coming) + d[np.ix_(rows, others)] ** 2
        if not gain.size or gain.max() <= 1 + 1e-9:
            return rows, round(float(np.linalg.slogdet(prior + X[rows].T @ X[rows])[1]), 9)
        # Equal gains differ by rounding only, which must not choose between them
        out, into = divmod(int(np.argmax(np.round(gain, 9))), len(others))
        rows[out] = others[into]
