"""What a plan will show.

Its strata, the test of each effect, power, and how many bakes it would take.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, product

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from trials.base.arguments import checked_types
from trials.base.errors import PlanError, TrialsError
from trials.base.words import in_words, tidy_number
from trials.core.factors import Categorical, Component, Factor
from trials.core.plan import Plan, kitchen_group, plural, whole_number
from trials.core.roles import Role
from trials.core.terms import Model, ModelMatrix, Term, model_matrix, model_terms
from trials.design.aliasing import aliases, effects_up_to
from trials.design.layout import FEW_DAYS, same

# -- What error a plan's effects are judged by: days, loads, bakes, and how many of each are free.


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
        """Return the matrices of the levels, the bake last, and the variance of each."""
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
    """Return the levels of error of a plan."""
    table = plan.table
    table = table[table["role"] != Role.REFERENCE].reset_index(drop=True)
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


# -- The test of each effect that a plan will make: by which error, with how many degrees of
#    freedom.
#
# Spreads left out are usual values for a few friends who taste, named as such in every answer.


# Liking points; assumptions for planning only, and named as such in every answer. A tasting is a
# taster's own taste for one bake and the scatter of one score.
TASTE_SD = 0.5
SCORE_SD = 1.1
USUAL = {
    "bake": 0.25,
    "tasting": float(np.hypot(TASTE_SD, SCORE_SD)),
    "load": 0.25,
    "day": 0.2,
}
USUAL_SOURCE = "usual spread assumed: common practice, no source"
CHANCE = 0.8
FEWEST_FOR_ERROR = 1.5  # with fewer bakes left for error, what is usual in a kitchen stands in
FEWEST_OF_A_GROUP = 2.0  # the same for doughs, oil fills and oven heats (rehearsed)
# The middle 95 % of a scaled inverse chi-square on four degrees of freedom hold spreads of 0.6 to
# 2.9 times the centre: about what kitchens differ by, and no more than four bakes' worth of it
USUAL_DF = 4.0

Spreads = Mapping[str, tuple[float, str]]


@dataclass(frozen=True, eq=False)
class EffectTest:
    """One term's F test: what it would be judged by."""

    term: str
    se: float
    df: float
    columns: int
    per_unit: float  # noncentrality of an effect of size 1
    judged_on: str


def read_spreads(
    plan: Plan,
    sd_bake: float | None,
    sd_tasting: float | None,
    sd_load: float | None,
    sd_day: float | None,
) -> dict[str, tuple[float, str]]:
    """Return each spread with where it comes from."""
    given = {"bake": sd_bake, "tasting": sd_tasting, "load": sd_load, "day": sd_day}
    earlier = plan.details.get("spreads", {})
    result = {}
    for name, value in given.items():
        if value is not None:
            result[name] = (between(f"sd_{name}", value, 0.0, 1e9, ends=True), "as given")
        elif name in earlier:
            found = between(
                f"the earlier round's {name} spread", earlier[name], 0.0, 1e9, ends=True
            )
            result[name] = (found, "from the earlier round")
        else:
            result[name] = (USUAL[name], USUAL_SOURCE)
    return result


def between(argument: str, value: float, low: float, high: float, ends: bool = False) -> float:
    """Return a number once it lies within its limits."""
    number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
    inside = number and (low <= value <= high if ends else low < value < high)
    if not inside:
        raise PlanError(
            f"{argument} is {value!r}; a number {'from' if ends else 'between'} "
            f"{tidy_number(low)} {'to' if ends else 'and'} {tidy_number(high)} works."
        )
    return float(value)


def read_effects(effect: float | Mapping[str, float], terms: list[str]) -> dict[str, float]:
    """Return the effect of every term, checked."""
    if isinstance(effect, Mapping):
        unknown = [name for name in effect if name not in terms]
        if unknown:
            raise PlanError(f'effect names "{unknown[0]}", which is not among {", ".join(terms)}.')
        given = dict(effect)
    else:
        given = dict.fromkeys(terms, effect)
    return {
        term: abs(between("effect", given.get(term, 0.0), -1e9, 1e9, ends=True)) for term in terms
    }


def _variances(
    spreads: Spreads, groups: tuple[str, ...], tasters: int, repeats: int
) -> dict[str, float]:
    tasters = whole_number("tasters", tasters, least=1)
    repeats = whole_number("repeats", repeats, least=1)
    taste = (TASTE_SD / USUAL["tasting"]) ** 2
    tasting = spreads["tasting"][0] ** 2 * (taste + (1 - taste) / repeats) / tasters
    # Every group of bakes is taken to differ as loads do
    between = dict.fromkeys(groups, spreads["load"][0] ** 2)
    return {"bake": spreads["bake"][0] ** 2 + tasting, "day": spreads["day"][0] ** 2, **between}


def effect_tests(
    plan: Plan,
    spreads: Spreads,
    tasters: int,
    repeats: int,
    model: Model,
) -> list[EffectTest]:
    """Return the test of every term of a plan's model."""
    levels = strata(plan, model)
    judgement = levels.fit(_variances(spreads, plan.groups, tasters, repeats))
    return effect_tests_at(levels, judgement)


def effect_tests_at(levels: Strata, judgement: Judgement) -> list[EffectTest]:
    """Return the test of every term under stated variances."""
    return [_one_test(term, levels, judgement) for term in levels.matrix.terms]


def _one_test(term: Term, levels: Strata, judgement: Judgement) -> EffectTest:
    columns = levels.matrix.of(term)
    where = levels.sits_on(term)
    if where == "nothing":
        return EffectTest(term.name, np.inf, 0.0, len(columns), 0.0, where)
    cov = judgement.covariance(columns)
    inverse = np.linalg.inv(cov)
    patterns, contrasts = _shapes(term, levels.plan.factors)
    # The pair of kinds that the plan tells apart least well
    per_unit = min(float(pattern @ inverse @ pattern) for pattern in patterns)
    se = max(float(np.sqrt(contrast @ cov @ contrast)) for contrast in contrasts)
    return EffectTest(term.name, se, judgement.df(columns), len(columns), per_unit, where)


def _shapes(term: Term, factors: tuple[Factor, ...]) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Return the coefficients of an effect of size 1 and the contrasts that measure it.

    Two kinds differ and all others lie half-way: of all patterns with that difference the one
    that is hardest to see.
    """
    by_name = {factor.name: factor for factor in factors}
    held = [by_name[name] for name in term.factors]
    kinds = [factor for factor in held if isinstance(factor, Categorical)]
    if not kinds:
        unit = _size(term, held)
        return [np.array([unit])], [np.array([1 / unit])]
    patterns, contrasts = [], []
    pairs = [list(combinations(range(len(kind.levels)), 2)) for kind in kinds]
    for chosen in product(*pairs):
        pattern: np.ndarray = np.ones(1)
        contrast: np.ndarray = np.ones(1)
        for kind, (one, other) in zip(kinds, chosen, strict=True):
            mark = np.zeros(len(kind.levels))
            mark[one], mark[other] = 1.0, -1.0
            pattern = np.kron(pattern, mark[:-1])
            contrast = np.kron(contrast, mark[:-1] - mark[-1])
        patterns.append(pattern / 2)
        contrasts.append(contrast * 2 / 2 ** len(kinds))
    return patterns, contrasts


def _size(term: Term, held: list[Factor]) -> float:
    """Return the coefficient that makes an effect of size 1."""
    shares = [factor for factor in held if isinstance(factor, Component)]
    if shares and term.order == 1:
        return 1 / (shares[0].high - shares[0].low)
    if len(shares) == 2:
        return 4.0  # half of each: the bulge midway is a quarter of the coefficient
    return 1.0 if all(power % 2 == 0 for _, power in term.powers) else 0.5


def chance_of(test: EffectTest, effect: float, alpha: float) -> float:
    """Return the chance that a test finds an effect."""
    return _chance_at(effect**2 * test.per_unit, test.columns, test.df, alpha)


def _chance_at(noncentrality: float, columns: int, df: float, alpha: float) -> float:
    if not df >= 0.5:
        return float("nan")
    df = min(df, 1e6)
    return chance_beyond(columns, df, noncentrality, float(stats.f.isf(alpha, columns, df)))


def chance_beyond(columns: int, df: float, noncentrality: float, limit: float) -> float:
    """Return the chance that a noncentral F lies beyond a limit; a number whatever is asked.

    As a mixture of beta distributions with Poisson weights, summed from the heaviest weight
    outwards; every term is positive, so nothing cancels. (scipy's own is NaN at scattered
    noncentralities above about 1,500.)

    References
    ----------
    Johnson, Kotz & Balakrishnan 1995, Continuous Univariate Distributions 2, section 30.4.

    Examples
    --------
    >>> round(chance_beyond(1, 10, 9.0, 4.9646), 4)
    0.7714
    """
    if np.isinf(noncentrality):
        return 1.0
    half = noncentrality / 2
    # Beyond ten standard deviations of a Poisson count there is nothing that a double would show,
    # and a hundred places in each are as good as all of them
    reach = 10 * np.sqrt(half) + 60
    step = max(1, int(np.sqrt(half) / 100))
    counts = np.arange(max(0, int(half - reach)), int(half + reach) + 1, step)
    weights = np.exp(special.xlogy(counts, half) - half - special.gammaln(counts + 1))
    inside = columns * limit / (columns * limit + df)
    below = special.betainc(columns / 2 + counts, df / 2, inside)
    return float(np.clip(1 - weights @ below / weights.sum(), 0.0, 1.0))


def smallest(test: EffectTest, chance: float, alpha: float) -> float:
    """Return the smallest effect that a test finds with a given chance."""
    if not test.df >= 0.5 or test.per_unit <= 0:
        return float("inf")
    high = 1.0
    while _chance_at(high, test.columns, test.df, alpha) < chance:
        high *= 2
    needed = optimize.brentq(
        lambda size: _chance_at(size, test.columns, test.df, alpha) - chance, 0.0, high, xtol=1e-10
    )
    return float(np.sqrt(needed / test.per_unit))


def longer(test: EffectTest, now: int, then: int) -> EffectTest:
    """Return the test of a plan with more units of the level it is judged on."""
    grown = test.per_unit * then / now
    return EffectTest(
        test.term,
        test.se * np.sqrt(now / then),
        test.df + then - now,
        test.columns,
        grown,
        test.judged_on,
    )


def with_words(table: pd.DataFrame, spreads: Spreads, tasters: int, repeats: int) -> pd.DataFrame:
    """Return a table that carries the spreads it was made with, in words."""
    table.attrs["spreads"] = {
        name: f"{tidy_number(value, 3)}, {source}" for name, (value, source) in spreads.items()
    }
    table.attrs["tasters"] = tasters
    table.attrs["repeats"] = repeats
    return table


# -- The chance that a plan shows an effect, before anything is baked.
#
# Every effect is judged against the level it sits on: one pot of oil held at one temperature is
# one trial of that temperature, however many pieces are fried in it and however many people taste
# them.


@checked_types(PlanError)
def power(
    plan: Plan,
    *,
    effect: float | Mapping[str, float],
    sd_bake: float | None = None,
    sd_tasting: float | None = None,
    sd_load: float | None = None,
    sd_day: float | None = None,
    tasters: int = 1,
    repeats: int = 1,
    model: Model = None,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Return the chance that each effect of a plan would be found to matter.

    Parameters
    ----------
    plan : Plan
    effect : float or mapping
        The true difference to be found, in units of the score, one or one per term: from low to
        high; between two kinds, all others half-way; of a pair, half the difference that one
        makes to the other's effect; of a square, from the middle to the ends.
    sd_bake, sd_load, sd_day : float, optional
        Spread (standard deviation) between bakes of one recipe, between loads, between days.
    sd_tasting : float, optional
        Spread of one taster's score of one bake, beyond how high that taster scores in general.
    tasters : int
        Tasters who score every bake.
    repeats : int
        Times that each scores it. They shrink the scatter of a score, not a taster's own taste.
    model : str or list of str, optional
        The plan's own when left out.
    alpha : float
        The chance of a false finding.

    Returns
    -------
    DataFrame
        term, effect, se, df, power, smallest_effect (found with 80 % chance), judged_on. Spreads
        that were left out come from ``plan.details["spreads"]``, where an earlier round left
        them, else from usual values; ``attrs["spreads"]`` says which, in words.

    Raises
    ------
    PlanError
        When a spread or an effect is negative or not a number, or the effect names no term.

    Notes
    -----
    Noncentral F with Kenward and Roger's degrees of freedom at the stated spreads. Reference
    bakes are left out, so the chance is a little understated where there are some. A df of 0
    means that nothing is left to judge the effect by: its power is missing.

    References
    ----------
    Kenward & Roger 1997, Biometrics 53:983; Goos & Jones 2011, ch. 10; ISO 3534-3, "power".

    Examples
    --------
    >>> from trials.design.layout import lay_out
    >>> from trials.core.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> bakes = pd.DataFrame({"rest": [20, 60] * 8})
    >>> plan = lay_out([rest], bakes, family="both ends", model="main", seed=1)
    >>> table = power(plan, effect=1, sd_bake=0.3, sd_tasting=1.5, tasters=8).round(2)
    >>> print(table.to_string(index=False))
    term  effect  se    df  power  smallest_effect  judged_on
    rest     1.0 0.3  14.0   0.86             0.92      bakes
    """
    spreads = read_spreads(plan, sd_bake, sd_tasting, sd_load, sd_day)
    tests = effect_tests(plan, spreads, tasters, repeats, model)
    effects = read_effects(effect, [test.term for test in tests])
    alpha = between("alpha", alpha, 0.0, 1.0)
    rows = [
        {
            "term": test.term,
            "effect": effects[test.term],
            "se": test.se,
            "df": test.df,
            "power": chance_of(test, effects[test.term], alpha),
            "smallest_effect": smallest(test, CHANCE, alpha),
            "judged_on": test.judged_on,
        }
        for test in tests
    ]
    return with_words(pd.DataFrame(rows), spreads, tasters, repeats)


def smallest_effect(
    plan: Plan,
    *,
    chance: float = CHANCE,
    sd_bake: float | None = None,
    sd_tasting: float | None = None,
    sd_load: float | None = None,
    sd_day: float | None = None,
    tasters: int = 1,
    repeats: int = 1,
    model: Model = None,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Return the smallest effect that each term would show with a given chance."""
    alpha = between("alpha", alpha, 0.0, 1.0)
    chance = between("chance", chance, alpha, 1.0)
    spreads = read_spreads(plan, sd_bake, sd_tasting, sd_load, sd_day)
    rows = [
        {
            "term": test.term,
            "smallest_effect": smallest(test, chance, alpha),
            "judged_on": test.judged_on,
        }
        for test in effect_tests(plan, spreads, tasters, repeats, model)
    ]
    return with_words(pd.DataFrame(rows), spreads, tasters, repeats)


# -- What a plan promises for a question: the chance to see each effect, aliases counted in.


# A pair that was not asked about is taken to be about half as large as what is worth noticing
# (common practice: pairs are smaller than main effects; no source)
STRAY = 0.5
ALPHA = 0.05
USUAL_CHANCE = 0.8
FEWEST_EFFECTS = 3  # for Lenth's method
FEW_LEFT = 3  # fewer bakes left for error than this tell it worse than the smaller effects do
LEVEL_WORDS = {
    "bake": "between two bakes of one recipe",
    "tasting": "between one taster's scores of one bake",
    "load": "between two loads",
    "day": "between two days",
}


@dataclass(frozen=True, eq=False)
class Promise:
    """What a plan would tell of the effects that are asked about.

    Parameters
    ----------
    plan : Plan
    table : DataFrame
        term, chance (to see an effect worth noticing and not be misled by a pair that it is mixed
        with), mixed (how much of pairs that are not asked about it holds, 0 for none), smallest
        (seen with 80 % chance), said (said to matter in about half of such rounds),
        judged_on (empty for terms that the plan can not tell), df, bend (whether it is one: then
        the chance is that of naming the right side of a peak), se (the standard error).
    score : float
        The mean chance.
    spreads : str
        The spreads assumed, in words.
    """

    plan: Plan
    table: pd.DataFrame
    score: float
    spreads: str

    @property
    def tuning(self) -> float | None:
        """The mean chance to name the right side of a peak, over all bends; None without any."""
        bends = self.table.loc[self.table["bend"], "chance"]
        return float(bends.mean()) if len(bends) else None

    @property
    def smallest(self) -> float:
        """The difference that the easily changed effects show with 80 % chance (the median)."""
        return float(self.table["smallest"].median())

    @property
    def said(self) -> float:
        """The difference that half of such rounds say matters: the median, quickly reckoned."""
        return float(self.table["said"].median())

    @property
    def lost(self) -> list[str]:
        """The terms that can not be told at all."""
        return self.table.loc[self.table["judged_on"] == "", "term"].tolist()

    @property
    def told(self) -> pd.DataFrame:
        """The terms that can be told apart from one another."""
        return self.table[self.table["judged_on"] != ""]


def promise(
    plan: Plan,
    targets: Sequence[str],
    *,
    worth: float,
    tasters: int,
    sd_bake: float | None = None,
) -> Promise:
    """Return what a plan promises for the effects that are asked about.

    A bend is not there to be found significant but to be gone by: its chance is that a round names
    the right side of a peak (`peak_sides`).

    References
    ----------
    Noncentral t for the chance; where every bake but one or two is spent on an effect, a third of
    the effects as degrees of freedom (Lenth 1989). Box & Wilson 1951 for the alias matrix.
    """
    ways = _known(plan, targets, worth, tasters, sd_bake)
    found = [_promised(plan, targets, way, worth, tasters, sd_bake) for way in ways]
    # Bends may be told better with pairs as strangers than with every pair in the model
    return max(found, key=lambda one: -1.0 if one.tuning is None else round(one.tuning, 9))


def said_to_matter(se: float, df: float, worth: float) -> float:
    """Return the true difference that about half of such rounds say matters: quickly reckoned.

    A verdict holds the interval to what is worth noticing, not to nothing. Weighing simpler
    explanations and what is usual in a kitchen makes it about as careful as the bakes left for
    error are; a rehearsal (`trials plan --rehearse`) tries it out.

    Examples
    --------
    >>> round(said_to_matter(0.51, 7, 0.7), 1)
    1.9
    """
    return worth + se * float(stats.t.ppf(0.975, max(df, FEWEST_FOR_ERROR)))


def worth_of_tasting(bakes: int, tasters: int, sd_bake: float | None = None) -> tuple[float, float]:
    """Return how many bakes these are worth with one more taster, and with each tasted twice.

    Examples
    --------
    >>> [round(one) for one in worth_of_tasting(8, 2)]
    [12, 13]
    """
    bake = (USUAL["bake"] if sd_bake is None else sd_bake) ** 2
    now = bake + (TASTE_SD**2 + SCORE_SD**2) / tasters
    one_more = bake + (TASTE_SD**2 + SCORE_SD**2) / (tasters + 1)
    twice = bake + (TASTE_SD**2 + SCORE_SD**2 / 2) / tasters
    return bakes * now / one_more, bakes * now / twice


def bakes_for_too_small(worth: float, tasters: int, sd_bake: float | None = None) -> int:
    """Return how many bakes make the interval of one of two settings as wide as the margin.

    Examples
    --------
    >>> bakes_for_too_small(0.7, 2)
    25
    """
    bake = (USUAL["bake"] if sd_bake is None else sd_bake) ** 2
    each = bake + (TASTE_SD**2 + SCORE_SD**2) / tasters
    return int(np.ceil(4 * each * (stats.norm.ppf(0.975) / worth) ** 2))


@dataclass(frozen=True, eq=False)
class _Way:
    """One model that a plan may be judged by: its power table, and the effects allowed for."""

    known: pd.DataFrame
    model: list[str]
    allowed: list[str]
    words: str


def _promised(
    plan: Plan,
    targets: Sequence[str],
    way: _Way,
    worth: float,
    tasters: int,
    sd_bake: float | None,
) -> Promise:
    known = way.known
    stray = _stray(plan, way.allowed)
    sides = peak_sides(plan, way.model, worth=worth, tasters=tasters, sd_bake=sd_bake)
    bends = {bend for bend in targets if _bends(bend, plan)}
    # Lenth's method reads the error off the smaller effects; a blend's are related by nature
    blend = any(isinstance(factor, Component) for factor in plan.factors)
    spare = 0.0 if blend or len(known) < FEWEST_EFFECTS else len(known) / 3
    rows = []
    for term in targets:
        if term not in known.index or not np.isfinite(known.loc[term, "se"]):
            rows.append((term, 0.0, 0.0, np.nan, np.nan, "", 0.0, term in bends, np.nan))
            continue
        own = known.loc[term]
        df = float(own["df"])
        few = not df or (df < FEW_LEFT and own["judged_on"] == "bakes")
        df = max(df, spare) if few else df
        mixed = stray.get(term, 0.0)
        if term in bends:
            chance = sides.get(term, 0.0) * _unspoilt(mixed)
        else:
            chance = _seen(worth / own["se"], df) * _unspoilt(mixed) if df else 0.0
        smallest = own["smallest_effect"]
        if few and df:
            smallest = _smallest(own["se"], df)
        judged = (own["judged_on"], float(own["df"]), term in bends, float(own["se"]))
        least = 0.0 if own["judged_on"] == "bakes" else FEWEST_OF_A_GROUP
        said = said_to_matter(float(own["se"]), max(float(own["df"]), least), worth)
        rows.append((term, chance, mixed, smallest, said, *judged))
    names = ["term", "chance", "mixed", "smallest", "said", "judged_on", "df", "bend", "se"]
    table = pd.DataFrame(rows, columns=names)
    return Promise(plan, table, float(table["chance"].mean()), way.words)


def _known(
    plan: Plan, targets: Sequence[str], worth: float, tasters: int, sd_bake: float | None
) -> list[_Way]:
    """Return the models that a plan may be judged by, each with its power table.

    All targets if they can be; else the plan's own model; else that less what the bakes can not
    tell, as the analysis would leave it out: what is left out then counts as a stranger.
    """
    own = [term.name for term in model_terms(plan.model, plan.factors)]
    bent = any(_bends(term, plan) for term in targets)
    # Someone who tunes goes by the curve: a pair that the model leaves out bends it unseen
    kept = [term for term in targets if term in own] if bent else list(targets)
    tries: list[Callable[[], tuple[list[str], list[str]]]] = [
        lambda: (list(targets), list(targets)),
        lambda: (own, kept),
        lambda: (_told_terms(plan, own),) * 2,
    ]
    found: list[_Way] = []
    for attempt in tries:
        model, allowed = attempt()
        try:
            table = power(plan, effect=worth, tasters=tasters, sd_bake=sd_bake, model=model)
        except TrialsError:
            continue
        if len(table) and np.isfinite(table["se"]).all():
            words = _spread_words(plan, table.attrs.get("spreads", {}))
            found.append(_Way(table.set_index("term"), model, allowed, words))
            # Without bends the widest model is the one that the analysis takes
            if not bent:
                break
    columns = ["se", "df", "smallest_effect", "judged_on"]
    return found or [_Way(pd.DataFrame(columns=columns), [], list(targets), "")]


def _bends(term: str, plan: Plan) -> bool:
    found = model_terms([term], plan.factors)[0]
    return len(found.powers) == 1 and found.powers[0][1] == 2


def peak_sides(
    plan: Plan,
    model: Sequence[str],
    *,
    worth: float,
    tasters: int,
    sd_bake: float | None = None,
) -> dict[str, float]:
    """Return for each bend of a model the chance that a round names the right side of its peak.

    The peak is taken to lie half-way between the middle and an end, the middle being better than
    the mean of the ends by what is worth noticing. The right side is named where the fitted curve
    has its peak inside, between the middle and that same end. A plan that can not tell the bend
    names an end, never the inside: a chance of nought.

    References
    ----------
    Slope and bend are estimated with normal errors; both must fall on the right side, which is a
    probability of an orthant (Owen 1956, Ann. Math. Stat. 27:1075, as scipy works it out).
    """
    by_name = {term.name: term for term in model_terms(list(model), plan.factors)}
    pairs = {
        name: by_name[term.powers[0][0]]
        for name, term in by_name.items()
        if _bends(name, plan) and term.powers[0][0] in by_name
    }
    if not pairs:
        return {}
    levels = strata(plan, list(model))
    spreads = read_spreads(plan, sd_bake, None, None, None)
    judgement = levels.fit(_variances(spreads, plan.groups, tasters, 1))
    chances = {}
    for name, slope in pairs.items():
        columns = np.concatenate([levels.matrix.of(slope), levels.matrix.of(by_name[name])])
        if not levels.estimable[columns].all():
            continue
        cov = judgement.covariance(columns)
        chances[name] = float(np.mean([_side_named(worth, cov, side) for side in (-1.0, 1.0)]))
    return chances


def _side_named(worth: float, cov: np.ndarray, side: float) -> float:
    """Return the chance that the slope at the middle leads up, and that at the end leads back."""
    slope_and_bend = np.array([side * worth, -worth])
    towards = np.array([[side, 0.0], [-side, -2.0]])
    mean, spread = towards @ slope_and_bend, towards @ cov @ towards.T
    return float(stats.multivariate_normal(-mean, spread, allow_singular=True).cdf(np.zeros(2)))


def _told_terms(plan: Plan, model: Sequence[str]) -> list[str]:
    """Return the terms of a model that the bakes can tell, each beside those before it."""
    levels = strata(plan, list(model))
    matrix = levels.matrix
    base = np.hstack([matrix.X[:, matrix.owner < 0], levels.fixed])
    told = []
    for term in matrix.terms:
        grown = np.hstack([base, matrix.X[:, matrix.of(term)]])
        if np.linalg.matrix_rank(grown) == grown.shape[1]:
            base = grown
            told.append(term.name)
    return told


def _spread_words(plan: Plan, spreads: Mapping[str, str]) -> str:
    """Return the spreads that a plan is weighed with in one line, and where they come from."""
    there = {"bake", "tasting", *(["load"] if plan.groups else [])}
    there |= {"day"} if plan.days > 1 else set()
    parts = {name: words.split(", ", 1) for name, words in spreads.items() if name in there}
    loads = plural(kitchen_group(next(iter(plan.groups), "load"), plan.factors))
    words = LEVEL_WORDS | {"load": f"between two {loads}"}
    said = [f"{value} {words[name]}" for name, (value, _) in parts.items()]
    sources = {
        source: [words[n].split(" ", 1)[1] for n, part in parts.items() if part[1] == source]
        for _, source in parts.values()
    }
    return (
        f"the usual ups and downs (standard deviations, in points) of {in_words(said)} "
        f"({in_words(_sources(sources))})"
    )


def _sources(names: Mapping[str, Sequence[str]]) -> list[str]:
    if len(names) == 1:
        return list(names)
    return [f"{in_words(those)} {source}" for source, those in names.items()]


def _stray(plan: Plan, targets: Sequence[str]) -> dict[str, float]:
    """Return for each target how much it holds of effects that are not asked about.

    Targets that are mixed with one another are told apart by the fit, at a price that their
    errors already show.
    """
    try:
        mixed = aliases(plan, order=2)
    except TrialsError:
        return {}
    owners = _owners(plan)
    sizes: dict[str, float] = {}
    for row in mixed.itertuples():
        one, other = owners[row.term], owners[row.aliased_with]
        for target, stranger in ((one, other), (other, one)):
            if target in targets and stranger not in targets:
                sizes[target] = sizes.get(target, 0.0) + row.coefficient**2
    return {name: size**0.5 for name, size in sizes.items()}


def _owners(plan: Plan) -> dict[str, str]:
    """Return the term that each column of an effect belongs to; kinds have several each."""
    table = plan.table[plan.table["role"] != Role.REFERENCE]
    matrix = model_matrix(effects_up_to(plan, table, 2), plan.factors, table)
    owned = zip(matrix.columns, matrix.owner, strict=True)
    return {column: matrix.terms[place].name for column, place in owned if place >= 0}


def _seen(ratio: float, df: float) -> float:
    """Return the chance that a t test finds an effect of so many standard errors."""
    return chance_beyond(1, df, ratio**2, float(special.fdtri(1, df, 1 - ALPHA)))


def _unspoilt(mixed: float) -> float:
    """Return the chance that what an effect is mixed with moves it by less than half its size."""
    if mixed < 1e-9:
        return 1.0
    return float(2 * special.ndtr(0.5 / (STRAY * mixed)) - 1)


def _smallest(se: float, df: float) -> float:
    """Return the effect seen with 80 % chance, by bisection."""
    low, high = 0.0, 100.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if _seen(middle, df) < USUAL_CHANCE else (low, middle)
    return se * high


# -- What it would take: how many bakes, and whether more tasters or more bakes help.


def bakes_needed(
    plan: Plan,
    *,
    effect: float | Mapping[str, float],
    chance: float = CHANCE,
    sd_bake: float | None = None,
    sd_tasting: float | None = None,
    sd_load: float | None = None,
    sd_day: float | None = None,
    tasters: int = 1,
    repeats: int = 1,
    model: Model = None,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Return how many bakes, or loads, a plan of the same make would need to show an effect."""
    alpha = between("alpha", alpha, 0.0, 1.0)
    chance = between("chance", chance, alpha, 1.0)
    spreads = read_spreads(plan, sd_bake, sd_tasting, sd_load, sd_day)
    levels = strata(plan, model)
    free = levels.free().set_index("level")
    tests = effect_tests(plan, spreads, tasters, repeats, model)
    effects = read_effects(effect, [test.term for test in tests])
    rows = []
    for test in tests:
        level = test.judged_on if test.judged_on in free.index else "bakes"
        now = int(free.loc[level, "units"])
        needed = _needed(test, effects[test.term], now, chance, alpha)
        bakes = None if needed is None else int(np.ceil(needed * levels.bakes / now))
        rows.append(
            {
                "term": test.term,
                "effect": effects[test.term],
                "judged_on": test.judged_on,
                "now": now,
                "needed": needed,
                "bakes": bakes,
            }
        )
    table = pd.DataFrame(rows).astype({"needed": "Int64", "bakes": "Int64"})
    return with_words(table, spreads, tasters, repeats)


@checked_types(PlanError)
def tasters_or_bakes(
    plan: Plan,
    *,
    sd_bake: float | None = None,
    sd_tasting: float | None = None,
    sd_load: float | None = None,
    sd_day: float | None = None,
    tasters: int = 1,
    repeats: int = 1,
    model: Model = None,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Return what twice the tasters and twice the bakes would each bring."""
    alpha = between("alpha", alpha, 0.0, 1.0)
    spreads = read_spreads(plan, sd_bake, sd_tasting, sd_load, sd_day)
    free = strata(plan, model).free().set_index("level")["units"]
    now = effect_tests(plan, spreads, tasters, repeats, model)
    more = effect_tests(plan, spreads, 2 * tasters, repeats, model)
    rows = []
    for test, tasted in zip(now, more, strict=True):
        units = int(free.get(test.judged_on, free["bakes"]))
        both = (
            smallest(tasted, CHANCE, alpha),
            smallest(longer(test, units, 2 * units), CHANCE, alpha),
        )
        even = abs(both[0] - both[1]) < 0.05 * max(both)
        rows.append(
            {
                "term": test.term,
                "now": smallest(test, CHANCE, alpha),
                "twice_the_tasters": both[0],
                "twice_the_bakes": both[1],
                "better": "either" if even else "tasters" if both[0] < both[1] else "bakes",
            }
        )
    return with_words(pd.DataFrame(rows), spreads, tasters, repeats)


def _needed(test: EffectTest, effect: float, now: int, chance: float, alpha: float) -> int | None:
    def reached(units: int) -> bool:
        there = longer(test, now, units)
        return there.df >= 1 and chance_of(there, effect, alpha) >= chance

    if test.per_unit <= 0 or effect == 0 or not reached(10_000):
        return None
    low, high = 1, 10_000
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle + 1, high)
    return low
