"""One dough for several bakes: what is mixed is set for the dough, how it is cooked for the bake.

A split-plot: what is in the dough is judged between doughs, all else within them.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd
from scipy import stats

from trials.base.errors import FormulaError, PlanError
from trials.base.words import how_many, in_words
from trials.core.factors import Categorical, Component, Factor, group_names, is_blank
from trials.core.plan import MIXED_ONCE, Plan, kitchen_group, plural, whole_number
from trials.core.roles import Role
from trials.core.terms import kitchen_names
from trials.design.aliasing import apart_words
from trials.design.families import Wish
from trials.design.power import USUAL_DF, Promise
from trials.recipe.formula import ASIDE
from trials.recipe.units import TIMES, unit

DOUGH = MIXED_ONCE[0]
LONG_REST = 360.0  # minutes: what rests longer is begun the evening before (common practice)
OVERNIGHT = re.compile(r"\bover.?night\b|\d\s*days?\b", re.IGNORECASE)
_LASTS = re.compile(r"(\d+(?:[.,]\d+)?)\s*(h|hours?)\b", re.IGNORECASE)
SURE = 0.975  # both ends of an interval leave as much out beyond them
# How a kind says that it is a way of cooking, and a setting that it is one of the mixing
_COOKING = re.compile(
    r"\b(cook|method|bak(e|ed|ing)\b(?! (powder|soda))|oven|pan\b|fry|fri(ed|es)|deep|shallow"
    r"|griddl|steam|boil|grill|toast|roast)",
    re.IGNORECASE,
)
_MIXING = re.compile(r"\b(mix|knead|autolys|preferment|cream(ed|ing)\b|whisk)", re.IGNORECASE)


@dataclass(frozen=True)
class Doughs:
    """What a kitchen can mix.

    Parameters
    ----------
    most : int or None
        The most doughs in all; None where nothing was said.
    bakes : int
        The fewest bakes that one dough makes.
    """

    most: int | None = None
    bakes: int = 1


def in_the_dough(factors: Sequence[Factor]) -> tuple[Factor, ...]:
    """Return what is set when a dough is mixed: what its formula holds, how it is mixed.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> fat = Categorical("fat", ["butter", "lard"], changes=("swap", "butter"))
    >>> syrup = Numeric("syrup", 50, 70, "%", changes=("percent", "sugar", "syrup"))
    >>> [one.name for one in in_the_dough([fat, syrup, Categorical("cooking", ["oven", "pan"])])]
    ['fat']
    """
    return tuple(one for one in factors if _mixed_in(one))


def _mixed_in(factor: Factor) -> bool:
    if factor.group:
        return factor.group in MIXED_ONCE
    if factor.changes is None:
        return bool(_MIXING.search(factor.name)) or _rests_long(factor)
    _, _, *part = factor.changes
    return not part or str(part[0]).casefold() not in ASIDE


def _rests_long(factor: Factor) -> bool:
    """Say whether a factor is a rest of the dough itself, which the dough's bakes have together."""
    if any(map(_COOKING.search, [factor.name, *map(str, factor.levels)])):
        return False
    return any(outlasts_a_day(factor, setting) for setting in factor.levels)


def outlasts_a_day(factor: Factor, setting: Any) -> bool:
    """Say whether a setting lasts longer than a baking day, so that it is begun the evening before.

    Such a rest is one of the whole dough: what is baked today can not be of a dough that rests
    overnight.

    Examples
    --------
    >>> rest = Categorical("rest", ["none", "overnight", "14 h", "2 days"])
    >>> [outlasts_a_day(rest, kind) for kind in rest.levels]
    [False, True, True, True]
    """
    if is_blank(setting) or isinstance(factor, Component):
        return False
    if not isinstance(factor, Categorical):
        return _minutes(float(setting), factor.unit) >= LONG_REST
    lasts = _LASTS.search(str(setting))
    long = lasts and _minutes(float(lasts[1].replace(",", ".")), lasts[2]) >= LONG_REST
    return bool(long or OVERNIGHT.search(str(setting)))


def _minutes(amount: float, written: str) -> float:
    """Return a time in minutes; 0 for anything that is no time."""
    try:
        return amount * TIMES.get(unit(written), 0.0)
    except FormulaError:
        return 0.0


def ways_of_cooking(factors: Sequence[Factor]) -> tuple[Categorical, ...]:
    """Return the kinds that are ways of cooking: named so, or with settings that are theirs alone.

    Examples
    --------
    >>> [one.name for one in ways_of_cooking([Categorical("made", ["fried", "baked"])])]
    ['made']
    """
    hosts = {one.only_when[0] for one in factors if one.only_when}
    return tuple(
        one
        for one in factors
        if isinstance(one, Categorical)
        and one.changes is None
        and not one.group
        and (one.name in hosts or any(map(_COOKING.search, [one.name, *map(str, one.levels)])))
    )


def divided_wishes(wish: Wish, doughs: Doughs) -> list[Wish]:
    """Return the wish with doughs divided over ways of cooking, the divisions that suit first.

    None where nothing is to be divided: no way of cooking is crossed with what is in the dough,
    each bake may have a dough of its own, or the kitchen's groups were said otherwise.

    Parameters
    ----------
    wish : Wish
    doughs : Doughs

    References
    ----------
    Cochran & Cox 1957, Experimental Designs, ch. 7 (split plots).
    """
    own, ways = in_the_dough(wish.factors), ways_of_cooking(wish.factors)
    said = doughs.most is not None
    fills = _fills(wish)
    if wish.keep is not None or wish.blend or fills is None:
        if said:
            raise PlanError(f"doughs is {doughs.most}, but {_why_not(wish)}.")
        return []
    if said and not own:
        raise PlanError(
            f"doughs is {doughs.most}, but nothing that varies is in the dough. Leave doughs out, "
            "or say what a factor changes in the formula."
        )
    names = {one.name for one in own}
    whole = len(own) == len(wish.factors)
    if doughs.most is not None and whole and doughs.most < wish.bakes:
        raise PlanError(
            f"doughs is {doughs.most}, but all that varies is in the dough, so bakes of one dough "
            f"would be alike: {doughs.most} bakes tell as much. Say bakes = {doughs.most}, or "
            "leave doughs out."
        )
    if not own or whole or any(one.only_when and one.only_when[0] not in names for one in own):
        return []
    if (doughs.most or 0) >= wish.bakes or not (said or ways):
        return []
    across = len(ways[0].levels) if ways else 2
    shared = [_set_for(one, DOUGH) if one in own else one for one in wish.factors]
    found = [
        replace(
            wish,
            factors=tuple(shared),
            bakes=bakes,
            loads={name: fill or count for name, fill in fills.items()} | {DOUGH: count},
        )
        for bakes, count in _divisions(wish, across, doughs)
    ]
    if doughs.most is not None and not found and doughs.most < _least(wish):
        more = _divisions(wish, across, replace(doughs, most=_least(wish)))
        works = [f"doughs = {_least(wish)}"] if more else []
        raise PlanError(
            f"doughs is {doughs.most}: over {how_many(wish.days, 'day')} some day would have one "
            "dough alone, which can not be told from its day. What works: "
            f"{'; or '.join([*works, f'doughs = {wish.bakes}, a dough for each bake'])}."
        )
    if said and not found:
        raise PlanError(
            f"doughs is {doughs.most}, from which {wish.bakes} bakes over "
            f"{how_many(wish.days, 'day')} can not be divided equally; doughs = {wish.bakes} is a "
            "dough for each bake."
        )
    return found


def _fills(wish: Wish) -> dict[str, int] | None:
    """Return what bakes of one way alone share, an oil fill, and how many where that was said.

    None where bakes of every way share a heat, or doughs were said among the loads.
    """
    others = [name for name in group_names(wish.factors) if name != DOUGH]
    if not all(one.only_when for one in wish.factors if one.group in others):
        return None
    if wish.loads is None:
        return dict.fromkeys(others, 0)
    if isinstance(wish.loads, int):
        return {others[0]: wish.loads} if len(others) == 1 else None
    return None if set(wish.loads) != set(others) else dict(wish.loads)


def _why_not(wish: Wish) -> str:
    """Return what keeps doughs from being divided, and what to write instead."""
    if wish.blend:
        return "every blend is a dough of its own. Leave doughs out"
    if wish.keep is not None:
        return "bakes are kept, whose doughs are mixed. Leave doughs out"
    if wish.loads is not None:
        return (
            'loads is said as well. Leave one of them out, or say doughs there too: loads={"dough":'
            ' ...}, and hard_to_change="dough" for each factor of the dough'
        )
    held = [
        one.name for one in wish.factors if one.group not in (None, DOUGH) and not one.only_when
    ]
    others = group_names([one for one in wish.factors if one.name in held])
    return (
        f"bakes share {in_words(plural(kitchen_group(one, wish.factors)) for one in others)} too "
        f"({in_words(held)}), and both are not shared out at once. Leave doughs out, or "
        f"hard_to_change of {in_words(held)}"
    )


def refused_doughs(wish: Wish, doughs: Doughs, fits: Callable[[Wish], bool]) -> PlanError:
    """Return the refusal of doughs that are too few for what is in them, with numbers that work.

    Parameters
    ----------
    wish : Wish
    doughs : Doughs
        As they were said.
    fits : callable
        Whether a plan is found for a wish: only numbers for which one was are named.
    """
    own = [one.name for one in in_the_dough(wish.factors)]
    most = doughs.most or 0
    works = [f"doughs = {wish.bakes}, a dough for each bake"] if fits(wish) else []
    for count in range(most + 1, wish.bakes):
        made = [one for one in _said_wishes(wish, count, doughs) if _doughs_of(one) == count]
        if any(map(fits, made)):
            left = "" if made[0].bakes == wish.bakes else f" ({made[0].bakes} bakes)"
            works = [f"doughs = {count}{left}", *works]
            break
    for bakes in range(wish.bakes + 1, 2 * wish.bakes + 1):
        larger = replace(wish, bakes=bakes)
        made = [one for one in _said_wishes(larger, most, doughs) if one.bakes == bakes]
        if any(map(fits, made)):
            works.append(f"bakes = {bakes} with doughs = {most}")
            break
    mend = f"What works: {'; or '.join(works)}" if works else "Leave one of them out"
    return PlanError(
        f"doughs is {most} and bakes is {wish.bakes}: so few doughs, divided equally, can not "
        f"judge all that is in the dough ({in_words(own)}). {mend}."
    )


def _doughs_of(wish: Wish) -> int:
    return wish.loads.get(DOUGH, 0) if isinstance(wish.loads, Mapping) else 0


def _said_wishes(wish: Wish, most: int, doughs: Doughs) -> list[Wish]:
    """Return the divisions of so many doughs, none where they can not be divided equally."""
    try:
        return divided_wishes(wish, replace(doughs, most=most))
    except PlanError:
        return []


def _set_for(factor: Factor, group: str | bool) -> Factor:
    """Return a factor set for a dough, or for each bake; a blend is neither."""
    return factor if isinstance(factor, Component) else replace(factor, hard_to_change=group)


def _least(wish: Wish) -> int:
    """Return the fewest doughs: a day's only dough could not be told from its day."""
    return 2 * wish.days if wish.days > 1 else 1


def _divisions(wish: Wish, across: int, doughs: Doughs) -> list[tuple[int, int]]:
    """Return how many bakes from how many doughs, those with every way in each dough first."""
    most = wish.bakes if doughs.most is None else doughs.most
    found = [
        (bakes, count)
        for bakes in range(wish.bakes, max(wish.bakes - across, 1) - 1, -1)
        for count in range(_least(wish), min(most, bakes - 1) + 1, wish.days)
        if bakes % count == 0 and bakes // count >= doughs.bakes
    ]

    def suits(one: tuple[int, int]) -> tuple[int, ...]:
        bakes, count = one
        apart, unused = abs(bakes // count - across), wish.bakes - bakes
        return (-count, unused) if doughs.most is not None else (apart, unused, -count)

    return sorted(found, key=suits)


def apart(wish: Wish) -> Wish:
    """Return a wish with a dough for each bake."""
    factors = tuple(
        _set_for(one, False) if one.group in MIXED_ONCE else one for one in wish.factors
    )
    loads = dict(wish.loads) if isinstance(wish.loads, Mapping) else {}
    loads.pop(DOUGH, None)
    return replace(wish, factors=factors, loads=loads or None)


def is_divided(plan: Plan) -> bool:
    """Say whether several bakes of a plan are divided from one dough.

    Examples
    --------
    >>> from trials.design.layout import lay_out
    >>> fat = Categorical("fat", ["butter", "lard"], hard_to_change="dough")
    >>> bakes = pd.DataFrame({"fat": ["butter", "lard"], "cooking": "oven", "dough": [1, 2]})
    >>> cooking = Categorical("cooking", ["oven", "pan"])
    >>> is_divided(lay_out([fat, cooking], bakes, family="two", model="main"))
    False
    """
    return DOUGH in plan.groups and _trials(plan)[DOUGH].nunique() < plan.count()


def _trials(plan: Plan) -> pd.DataFrame:
    return plan.rows[plan.rows["role"] != Role.REFERENCE]


def divided_words(best: Promise, each: Promise | None) -> list[str]:
    """Say what is divided, what judges what, and what that costs the questions of the dough.

    Parameters
    ----------
    best : Promise
        Of the plan with divided doughs.
    each : Promise or None
        Of the plan with a dough for each bake, where there is one.
    """
    plan = best.plan
    if not is_divided(plan):
        return []
    trials = _trials(plan)
    count = int(trials[DOUGH].nunique())
    own = [one for one in plan.factors if one.group == DOUGH]
    within = [one.name for one in plan.factors if not one.group]
    judged = [
        f"what is in the dough ({kitchen_names([one.name for one in own], plan.factors)}) is "
        f"judged by {count} doughs",
        f"{kitchen_names(within, plan.factors)} by {plan.count()} bakes",
    ]
    said = [f"{count} doughs, each divided {_over(trials, plan)}; {', '.join(judged)}."]
    return [*said, *_cost_words(best, each, [one.name for one in own])]


def _over(trials: pd.DataFrame, plan: Plan) -> str:
    """Return what each dough is divided over: the ways of cooking, or so many bakes."""
    sizes = trials.groupby(DOUGH).size()
    bakes = f"into {sizes.max()} bakes"
    ways = ways_of_cooking(plan.factors)
    if not ways:
        return bakes
    kinds = trials.groupby(DOUGH)[ways[0].name].nunique()
    levels = in_words(map(str, ways[0].levels))
    if (kinds == len(ways[0].levels)).all():
        return f"over {levels}"
    return f"over {kinds.min()} of {levels}" if kinds.nunique() == 1 else f"{bakes} of {levels}"


NONE_LEFT = "No dough is left over"


def _cost_words(best: Promise, each: Promise | None, own: Sequence[str]) -> Iterator[str]:
    """Yield by how much less sure the questions of the dough are than with a dough for each."""
    if each is None:
        return
    now, then = _widths(best, own), _widths(each, own)
    both = [name for name in own if name in now and name in then]
    if not both:
        return
    widest = max(both, key=lambda name: now[name] / then[name])
    bakes = each.plan.count()
    yield (
        f"That costs the dough's own questions: {kitchen_names(both, best.plan.factors)} would be "
        f"known to ± {now[widest]:.1f} points and not to ± {then[widest]:.1f} (a quick estimate). "
        f"For a dough each, say doughs = {bakes}."
    )
    left = best.table.set_index("term").loc[both, "df"].min()
    if left < 0.5:
        yield (
            f"{NONE_LEFT} to measure how alike two doughs are: what is usual in a kitchen stands "
            "in for it."
        )


def _widths(promised: Promise, names: Sequence[str]) -> dict[str, float]:
    """Return how far each effect would be known, as the fit speaks of it.

    Its error and what is usual in a kitchen count together.
    """
    told = promised.told.set_index("term")
    return {
        name: float(told.loc[name, "se"] * stats.t.ppf(SURE, told.loc[name, "df"] + USUAL_DF))
        for name in names
        if name in told.index
    }


def equally_words(asked: Wish, divided: Wish) -> list[str]:
    """Say so where fewer bakes are planned than were asked for, as doughs are divided equally."""
    left = asked.bakes - divided.bakes
    if not left:
        return []
    return [
        f"You asked for {asked.bakes} bakes; {divided.bakes} are planned, as many as doughs can be "
        f"divided into equally: keep {'the other' if left == 1 else f'the other {left}'} for a "
        "bake that fails, or for the next round."
    ]


def undivided_words(wish: Wish, tried: Sequence[Promise]) -> list[str]:
    """Say why doughs are not divided where they might have been, and what would let them be."""
    singles = {one.name for one in wish.factors}
    told = [(one, [name for name in one.lost if name in singles]) for one in tried]
    if not told:
        return []
    one, lost = min(told, key=lambda pair: len(pair[1]))
    count = int(_trials(one.plan)[DOUGH].nunique())
    apart = apart_words(one.plan, lost, list(one.table["term"]))
    return [
        f"Each bake has a dough of its own. To mix only {count} and divide each over the ways of "
        f"cooking, type doughs = {count}; but {count} doughs could not tell {apart}."
    ]


def checked_doughs(doughs: int | None, bakes_a_dough: int) -> Doughs:
    """Return what a kitchen can mix once both are whole numbers."""
    most = None if doughs is None else whole_number("doughs", doughs, least=1)
    return Doughs(most, whole_number("bakes_a_dough", bakes_a_dough, least=1))
