"""What it would take: how many bakes, and whether more tasters or more bakes help."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from trials.design.effect_tests import (
    CHANCE,
    EffectTest,
    between,
    chance_of,
    effect_tests,
    longer,
    read_effects,
    read_spreads,
    smallest,
    with_words,
)
from trials.design.plan import Plan
from trials.design.strata import strata
from trials.design.terms import Model


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
    """Return how many bakes, or loads, a plan of the same make would need to show an effect.

    Parameters
    ----------
    plan, effect, chance, sd_bake, sd_tasting, sd_load, sd_day, tasters, repeats, model, alpha
        As for :func:`power` and :func:`smallest_effect`.

    Returns
    -------
    DataFrame
        term, effect, judged_on, now (units of that level that the plan has), needed (missing
        where ten thousand would not do), bakes (in all, loads being as large as they are).

    Notes
    -----
    The plan is imagined longer or shorter, its proportions kept: the information grows with the
    number of units, and every unit more is a degree of freedom more.

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> bakes = pd.DataFrame({"rest": [20, 60] * 8})
    >>> plan = lay_out([Numeric("rest", 20, 60)], bakes, family="ends", model="main", seed=1)
    >>> bakes_needed(plan, effect=1, sd_bake=1, sd_tasting=0)["needed"].tolist()
    [34]
    """
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
    """Return what twice the tasters and twice the bakes would each bring.

    Parameters
    ----------
    plan, sd_bake, sd_tasting, sd_load, sd_day, tasters, repeats, model, alpha
        As for :func:`power`.

    Returns
    -------
    DataFrame
        term, now, twice_the_tasters, twice_the_bakes (the smallest effect found with 80 %
        chance; the plan doubled with all its loads), better ("bakes", "tasters" or "either").

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> bakes = pd.DataFrame({"rest": [20, 60] * 8})
    >>> plan = lay_out([Numeric("rest", 20, 60)], bakes, family="ends", model="main", seed=1)
    >>> tasters_or_bakes(plan, sd_bake=1, tasters=8)["better"].tolist()
    ['bakes']
    """
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
