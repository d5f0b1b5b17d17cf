"""The test of each effect that a plan will make: by which error, with how many degrees of freedom.

Spreads left out are usual values for a few friends who taste, named as such in every answer.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from trials.design.plan import Plan, whole_number
from trials.design.strata import Judgement, Strata, strata
from trials.design.terms import Model, Term
from trials.errors import PlanError
from trials.factors import Categorical, Component, Factor
from trials.tables import tidy_number

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
USUAL_SOURCE = "usual spread assumed (common practice, no source)"
CHANCE = 0.8

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
    critical = stats.f.isf(alpha, columns, min(df, 1e6))
    return float(1 - special.ncfdtr(columns, min(df, 1e6), noncentrality, critical))


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
