"""What error a plan's effects are judged by: days, loads, bakes, and how many of each are free."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from trials.design.kitchen import FEW_DAYS, same
from trials.design.plan import Plan, kitchen_group
from trials.design.terms import Model, ModelMatrix, Term, model_matrix, model_terms
from trials.errors import PlanError
from trials.tables import in_words

SINGULAR = 1e-10


@dataclass(frozen=True, eq=False)
class Strata:
    """The bakes of a plan, their model and the levels of their error.

    Parameters
    ----------
    plan : Plan
    matrix : ModelMatrix
        Of the bakes but for reference bakes, whose setting is their own.
    fixed : ndarray, shape (bakes, q)
        Differences between few days.
    levels : mapping
        Name of each random level above the bake -> which bakes share it, (bakes, bakes).
    merged : mapping
        Levels that can not be told from another (a day that is one load) -> that other.
    """

    plan: Plan
    matrix: ModelMatrix
    fixed: np.ndarray
    levels: Mapping[str, np.ndarray]
    merged: Mapping[str, str]

    @property
    def bakes(self) -> int:
        """The number of bakes judged."""
        return len(self.matrix.X)

    @cached_property
    def X(self) -> np.ndarray:
        """The columns of the model and then those of the days."""
        return np.hstack([self.matrix.X, self.fixed])

    @cached_property
    def estimable(self) -> np.ndarray:
        """Which columns of X the plan can tell from all others."""
        size = np.linalg.norm(self.X, axis=0)
        # A column of zeros, of kinds that never meet, can not be told either
        size[size == 0] = 1.0
        sizes, directions = np.linalg.eigh((self.X / size).T @ (self.X / size))
        lost = directions[:, sizes < SINGULAR * sizes[-1]]
        return np.abs(lost).max(axis=1, initial=0.0) < 1e-6

    def components(self, variances: Mapping[str, float]) -> tuple[list[np.ndarray], np.ndarray]:
        """Return the matrices of the levels, the bake last, and the variance of each.

        Parameters
        ----------
        variances : mapping
            "bake" and any of the levels; those merged are added to what they are merged with.
        """
        names = [*self.levels, "bake"]
        sums = dict.fromkeys(names, 0.0)
        for name, variance in variances.items():
            home = self.merged.get(name, name)
            if home in sums:
                sums[home] += variance
        return [*self.levels.values(), np.eye(self.bakes)], np.array([sums[n] for n in names])

    def fit(self, variances: Mapping[str, float]) -> "Judgement":
        """Return what the plan tells when the errors have these variances."""
        matrices, values = self.components(variances)
        if values[-1] <= 0:
            raise PlanError("the spread between bakes is 0; give sd_bake or sd_tasting above 0.")
        V = sum(value * matrix for value, matrix in zip(values, matrices, strict=True))
        X = self.X[:, self.estimable]
        W = np.linalg.inv(V)
        return Judgement(self, X, W, np.linalg.inv(X.T @ W @ X), matrices)

    def free(self) -> pd.DataFrame:
        """Return the units of each level of error and the degrees of freedom left there."""
        sets = {name: _marks(matrix) for name, matrix in self.levels.items()}
        rows = []
        for name, marks in sets.items():
            others = [self.X, *(m for other, m in sets.items() if other != name)]
            left = _rank([*others, marks]) - _rank(others)
            rows.append({"level": self.words(name), "units": marks.shape[1], "df": left})
        left = self.bakes - _rank([self.X, *sets.values()])
        rows.append({"level": "bakes", "units": self.bakes, "df": left})
        return pd.DataFrame(rows)

    def words(self, name: str) -> str:
        """Return what a level is called in the kitchen, in the plural."""
        if name in ("bake", "day"):
            return f"{name}s"
        held = " ".join(factor.name for factor in self.plan.factors if factor.group == name)
        if name == "load" and any(word in held.casefold() for word in ("oil", "fry", "fat temp")):
            name = "oil"
        elif name == "load" and "oven" in held.casefold():
            name = "oven"
        word = kitchen_group(name)
        return f"{word}es" if word.endswith("ch") else f"{word}s"

    def sits_on(self, term: Term) -> str:
        """Return the level that a term is judged on, in words: "oil fills", "bakes" or both."""
        columns = self.matrix.of(term)
        if not self.estimable[columns].all():
            return "nothing"
        loose = self.fit({"bake": 1.0}).covariance(columns)
        on = []
        for name in self.levels:
            tight = self.fit({"bake": 1.0, name: 1e7}).covariance(columns)
            growth = np.trace(tight) / np.trace(loose)
            if growth > 1e4:
                return self.words(name)
            # A third of what tells about it lies between the units of this level
            if growth > 1.5:
                on.append(self.words(name))
        return in_words([*on, "bakes"])


@dataclass(frozen=True, eq=False)
class Judgement:
    """The covariance of a plan's estimates under stated variances.

    Parameters
    ----------
    strata : Strata
    X, W : ndarray
        The columns that can be estimated, and the inverse covariance of the bakes.
    cov : ndarray
        Covariance of the estimates of those columns.
    matrices : list of ndarray
        Of the levels, the bake last.
    """

    strata: Strata
    X: np.ndarray
    W: np.ndarray
    cov: np.ndarray
    matrices: list[np.ndarray]

    def covariance(self, columns: np.ndarray) -> np.ndarray:
        """Return the covariance of the estimates of some columns of the whole model."""
        at = np.cumsum(self.strata.estimable)[columns] - 1
        return self.cov[np.ix_(at, at)]

    def df(self, columns: np.ndarray) -> float:
        """Return the denominator degrees of freedom of the F test of some columns.

        Kenward and Roger's, at the stated variances; those of the right level where the plan
        is balanced; 0 where the error of a level can not be estimated.

        References
        ----------
        Kenward & Roger 1997, Biometrics 53:983.
        """
        at = np.cumsum(self.strata.estimable)[columns] - 1
        L = np.eye(len(self.cov))[:, at]
        core = L @ np.linalg.inv(L.T @ self.cov @ L) @ L.T
        pieces = [self.W @ matrix @ self.W for matrix in self.matrices]
        spread = [core @ self.cov @ (self.X.T @ piece @ self.X) @ self.cov for piece in pieces]
        weights = self._variance_of_variances(np.array([np.trace(part) for part in spread]))
        if weights is None:
            return 0.0
        return _kenward_roger_df(len(columns), spread, weights)

    def _variance_of_variances(self, slopes: np.ndarray) -> np.ndarray | None:
        """Return the covariance of REML variances; None where one that matters has none."""
        P = self.W - self.W @ self.X @ self.cov @ self.X.T @ self.W
        PK = [P @ matrix for matrix in self.matrices]
        information = np.array([[np.sum(one * other.T) / 2 for other in PK] for one in PK])
        # Scaled, so that the judgement does not hang on the unit of the scores
        scale = np.array([np.trace(self.W @ matrix) for matrix in self.matrices])
        sizes, directions = np.linalg.eigh(information / np.outer(scale, scale))
        sound = sizes > 1e-9 * max(sizes[-1], 1e-300)
        if P.shape[0] == self.X.shape[1] or sizes[-1] < 1e-18:
            return None
        missing = directions[:, ~sound].T @ (slopes / scale)
        if np.abs(missing).max(initial=0.0) > 1e-6 * np.abs(slopes / scale).max():
            return None
        kept = directions[:, sound]
        return (kept / sizes[sound]) @ kept.T / np.outer(scale, scale)


def _kenward_roger_df(q: int, spread: list[np.ndarray], weights: np.ndarray) -> float:
    traces = np.array([np.trace(part) for part in spread])
    A1 = float(traces @ weights @ traces)
    A2 = sum(
        weights[i, j] * float(np.sum(one * other.T))
        for i, one in enumerate(spread)
        for j, other in enumerate(spread)
    )
    if A2 <= 0:
        return np.inf
    if q == 1:
        return 2 / A2
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    below = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
    # The two vanish together, where the error has two degrees of freedom
    mean, width = 1 - A2 / q, 1 - c2 * B
    shape = 1.0 if abs(width) < 1e-9 else (mean / width) ** 2
    fourth = 1 - c3 * B
    if abs(fourth) < 1e-9:
        return 4.0
    excess = shape * (1 + c1 * B) / fourth - 1
    return max(float(4 + (q + 2) / excess), 0.0) if abs(excess) > 1e-12 else float("inf")


def strata(plan: Plan, model: Model = None) -> Strata:
    """Return the levels of error of a plan.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> oil = Numeric("oil temperature", 165, 180, hard_to_change=True)
    >>> bakes = pd.DataFrame({"oil temperature": [165, 165, 180, 180] * 2,
    ...                       "load": [1, 1, 2, 2, 3, 3, 4, 4]})
    >>> strata(lay_out([oil], bakes, family="split", model="main", seed=1)).free()
           level  units  df
    0  oil fills      4   2
    1      bakes      8   4
    """
    table = plan.table
    table = table[table["role"] != "control"].reset_index(drop=True)
    terms = model_terms(plan.model if model is None else model, plan.factors)
    matrix = model_matrix(terms, plan.factors, table)
    levels: dict[str, np.ndarray] = {}
    merged: dict[str, str] = {}
    for name in plan.groups:
        _add(name, same(table[name]), levels, merged)
    days = same(table["day"])
    fixed = np.zeros((len(table), 0))
    if table["day"].nunique() > 1:
        _add("day", days, levels, merged)
        if "day" in levels and table["day"].nunique() < FEW_DAYS:
            del levels["day"]
            marks = _marks(days)
            fixed = marks[:, :-1] - marks[:, -1:]
    return Strata(plan, matrix, fixed, levels, merged)


def _add(
    name: str, shared: np.ndarray, levels: dict[str, np.ndarray], merged: dict[str, str]
) -> None:
    """Add a level, or merge it with the one that it can not be told from."""
    if (shared == np.eye(len(shared))).all():
        merged[name] = "bake"
        return
    for other, known in levels.items():
        if (known == shared).all():
            merged[name] = other
            return
    # One load for all bakes is part of the mean
    if not shared.all():
        levels[name] = shared


def _marks(shared: np.ndarray) -> np.ndarray:
    """Return one column of 0 and 1 for each set of bakes that share something."""
    return np.unique(shared, axis=1)


def _rank(parts: list[np.ndarray]) -> int:
    together = np.hstack(parts)
    return int(np.linalg.matrix_rank(together)) if together.size else 0
