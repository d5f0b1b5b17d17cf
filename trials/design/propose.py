"""From a budget and an aim to a plan: every family that fits is made, weighed and compared."""

from collections.abc import Sequence, Sized
from dataclasses import replace

import numpy as np
import pandas as pd

from trials.design.contenders import MODELS, QUICK, Wish, in_full, searched, textbook
from trials.design.effect_tests import between
from trials.design.exclusion import Exclude
from trials.design.first_part import first_part
from trials.design.kitchen import Loads
from trials.design.plan import Plan, new_seed, whole_number
from trials.design.promise import Promise, promise
from trials.design.proposal_words import Answers, part_of, spoken
from trials.design.terms import model_matrix, model_terms
from trials.errors import PlanError
from trials.factors import Factor, check_factors, group_names
from trials.tables import in_words

WORTH, TASTERS = 0.7, 6  # points of liking, and friends at the table, when nothing is said
ALIKE = 0.02  # plans whose chances differ by less are alike, and the smaller one is proposed
# The mean distance of two draws from one normal, in standard deviations: 2 / sqrt(pi)
APART = 2 / np.pi**0.5
SIZES = (8, 12, 16, 20, 24, 28, 32, 36, 40, 48, 56, 64, 80, 96, 128)


def propose(
    factors: Sequence[Factor],
    bakes: int,
    *,
    aim: str = "screen",
    days: int = 1,
    loads: Loads = None,
    controls: int = 0,
    exclude: Exclude = None,
    keep: Plan | pd.DataFrame | None = None,
    seed: int | None = None,
    tasters: int | Sized | None = None,
    worth_noticing: float | None = None,
    alike: float | None = None,
    later: int = 0,
) -> Plan:
    """Propose the plan that tells most for a budget of bakes.

    Every family that fits the factors and the kitchen is made and weighed by one number: the
    mean chance to see an effect that is worth noticing, what it is mixed with counted against it.

    Parameters
    ----------
    factors : sequence of Factor
    bakes : int
        The most you can afford; reference bakes come on top.
    aim : {"screen", "interactions", "optimise"}
        Find what matters; see what works together; tune.
    days : int
    loads : int, dict or None
        How many oil fills, oven heats or doughs; as many as serve when left out.
    controls : int
        Reference bakes.
    exclude : optional
        Settings that never go together: a table, or a function that says yes to what must not
        be baked.
    keep : Plan or DataFrame, optional
        Bakes made already, which count among `bakes`.
    seed : int, optional
    tasters : int or sequence, optional
        Who tastes each bake, or how many; assumed when left out.
    worth_noticing : float, optional
        The difference that would change your mind, in points; assumed when left out.
    alike : float, optional
        How far apart two bakes of one recipe usually come out, in points; assumed when left out.
    later : int
        How many more bakes a second round may have. Then these are the first part of the plan for
        both together, and the second round (`next_round`) does what these speak for: finish it,
        where it is of low and high settings, or better.

    Returns
    -------
    Plan
        With its reasons, the assumptions and the two runners-up.

    Raises
    ------
    PlanError
        When no plan fits: what stands in the way, and what would work.

    References
    ----------
    See :func:`trials.design.promise.promise` and the families themselves.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> factors = [Numeric(name, 0, 1) for name in ("rest", "fat", "salt", "malt", "milk")]
    >>> plan = propose(factors, 16, aim="interactions", seed=1)
    >>> plan.family, plan.count()
    ('two-level fraction', 16)
    """
    wish = _wish(factors, bakes, aim, days, loads, controls, exclude, keep, seed)
    answers = _answers(tasters, worth_noticing, alike)
    later = whole_number("later", later, least=0)
    if later:
        return _in_two_parts(wish, later, answers)
    return _explained(wish, answers)


def _explained(wish: Wish, answers: Answers) -> Plan:
    ranked = _ranked(wish, answers)
    best = _searched_in_full(ranked[0], wish, answers)
    reasons = spoken(best, ranked[1:], wish, answers, _cost(best, ranked, wish, answers))
    return replace(best.plan, reasons=reasons)


def _ranked(wish: Wish, answers: Answers) -> list[Promise]:
    """Return what every plan that fits promises, the best one first."""
    plans, _ = textbook(wish)
    weighed = [_weighed(plan, wish, answers) for plan in plans]
    if not any(_can_not_be_better(one, wish) for one in weighed):
        found, refusals = searched(wish)
        weighed += [_weighed(plan, wish, answers) for plan in found]
        if not weighed:
            raise PlanError(f"no plan fits {wish.bakes} bakes: {_why(refusals)}")
    return sorted(weighed, key=_place)


def _in_two_parts(wish: Wish, later: int, answers: Answers) -> Plan:
    """Return what to bake first of the plan for all bakes, this round's and those of later."""
    shared = wish.loads is not None or bool(group_names(wish.factors))
    if shared or wish.blend or wish.days > 1 or wish.keep is not None:
        raise PlanError(
            f"later is {later}, but a first part is only chosen among bakes of one day that share "
            "nothing, follow on none and are no blends. Leave later out; more bakes can be planned "
            "after any round."
        )
    together = replace(wish, bakes=wish.bakes + later, controls=0)
    ranked = _ranked(together, answers)
    # What is left for later should tell what these can not
    whole = next((one for one in ranked if not one.lost), ranked[0])
    whole = _searched_in_full(whole, together, answers)
    if whole.plan.count() <= wish.bakes:
        said = f"{together.bakes} bakes would tell hardly more, so none of it is left for later."
        return _explained(wish, answers).because(said)
    model = "interactions" if wish.model == "main" else wish.model
    part = first_part(whole.plan, wish.bakes, model=model, controls=wish.controls)
    best = _weighed(part, wish, answers)
    found = (whole.plan.count(), whole.smallest)
    cost = _cost(whole, ranked, together, answers) if whole.lost else found
    reasons = spoken(best, [], wish, answers, cost)
    return replace(part, reasons=(*reasons, part_of(whole, part)))


def _wish(
    factors: Sequence[Factor],
    bakes: int,
    aim: str,
    days: int,
    loads: Loads,
    controls: int,
    exclude: Exclude,
    keep: Plan | pd.DataFrame | None,
    seed: int | None,
) -> Wish:
    if aim not in MODELS:
        raise PlanError(f"aim is {aim!r}; expected {in_words(map(repr, MODELS), 'or')}.")
    return Wish(
        factors=check_factors(factors),
        bakes=whole_number("bakes", bakes, least=2),
        aim=aim,
        days=whole_number("days", days, least=1),
        loads=loads,
        controls=whole_number("controls", controls, least=0),
        exclude=exclude,
        keep=keep,
        seed=new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**53),
    )


def _answers(
    tasters: int | Sized | None, worth_noticing: float | None, alike: float | None
) -> Answers:
    """Return who tastes, what matters and how alike bakes are, and what of that was assumed."""
    count = len(tasters) if isinstance(tasters, Sized) else tasters
    named = {"tasters": count, "worth_noticing": worth_noticing, "alike": alike}
    return Answers(
        tasters=TASTERS if count is None else whole_number("tasters", count, least=1),
        worth=WORTH
        if worth_noticing is None
        else between("worth_noticing", worth_noticing, 0, 1e9),
        sd_bake=None if alike is None else between("alike", alike, 0, 1e9) / APART,
        assumed=tuple(name for name, value in named.items() if value is None),
    )


def _weighed(plan: Plan, wish: Wish, answers: Answers) -> Promise:
    return promise(
        plan,
        wish.targets,
        worth=answers.worth,
        tasters=answers.tasters,
        sd_bake=answers.sd_bake,
    )


def _place(one: Promise) -> tuple[int, int, bool]:
    """Return a plan's place: by chance, then by bakes, then the textbook's before a search's."""
    return -round(one.score / ALIKE), one.plan.count(), one.plan.family == "optimal plan"


def _can_not_be_better(one: Promise, wish: Wish) -> bool:
    """Say whether a plan spends all bakes, at the ends, on effects that are wholly unrelated."""
    if one.plan.count() < wish.bakes or one.lost or one.table["mixed"].max() > 1e-9:
        return False
    if one.plan.days > 1 or one.plan.groups:
        return False
    bakes = one.plan.table
    bakes = bakes[bakes["role"] != "control"]
    X = model_matrix(model_terms(wish.model, wish.factors), wish.factors, bakes).X
    return bool(np.abs(X.T @ X - len(X) * np.eye(X.shape[1])).max() < 1e-9 * len(X))


def _searched_in_full(one: Promise, wish: Wish, answers: Answers) -> Promise:
    """Return the plan, searched for longer if a search found it and that tells more."""
    if one.plan.family != "optimal plan" or one.plan.details["starts"] != QUICK:
        return one
    longer = _weighed(in_full(wish, one.plan), wish, answers)
    return longer if round(longer.score, 9) >= round(one.score, 9) else one


def _why(refusals: Sequence[str]) -> str:
    """Return what stands in the way of the simplest plan, which is tried last."""
    return refusals[-1] if refusals else "settings that never go together leave nothing."


def _cost(
    best: Promise, ranked: Sequence[Promise], wish: Wish, answers: Answers
) -> tuple[int, float] | None:
    """Return the bakes that would tell every effect of the aim, and what they would show."""
    if not best.lost or any(not one.lost for one in ranked):
        return None
    for size in SIZES:
        if size <= max(wish.bakes, len(wish.targets) + wish.days):
            continue
        larger = replace(wish, bakes=size, keep=None, loads=_like(wish.loads, wish.bakes, size))
        for plan in searched(larger, starts=1)[0]:
            told = _weighed(plan, wish, answers)
            if not told.lost:
                return size, told.smallest
    return None


def _like(loads: Loads, bakes: int, size: int) -> Loads:
    """Return as many loads as keep their size, where their number was given."""
    if isinstance(loads, int):
        return size * loads // bakes if size * loads % bakes == 0 else loads
    return loads
