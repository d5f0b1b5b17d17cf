"""The chance that a plan shows an effect, before anything is baked.

Every effect is judged against the level it sits on: one pot of oil held at one temperature is one
trial of that temperature, however many pieces are fried in it and however many people taste them.
"""

from collections.abc import Mapping

import pandas as pd

from trials.design.effect_tests import (
    CHANCE,
    between,
    chance_of,
    effect_tests,
    read_effects,
    read_spreads,
    smallest,
    with_words,
)
from trials.design.plan import Plan
from trials.design.terms import Model


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
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
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
    """Return the smallest effect that each term would show with a given chance.

    Parameters
    ----------
    plan, sd_bake, sd_tasting, sd_load, sd_day, tasters, repeats, model, alpha
        As for :func:`power`.
    chance : float
        Between `alpha` and 1.

    Returns
    -------
    DataFrame
        term, smallest_effect, judged_on.

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> bakes = pd.DataFrame({"rest": [20, 60] * 8})
    >>> plan = lay_out([Numeric("rest", 20, 60)], bakes, family="ends", model="main", seed=1)
    >>> smallest_effect(plan, tasters=8)["smallest_effect"].round(2).tolist()
    [0.75]
    """
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
