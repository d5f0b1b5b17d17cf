"""From a budget and an aim to a plan.

Every family that fits is made, weighed, compared, and said why.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError, TrialsError
from trials.base.words import in_words
from trials.core.exclusion import Exclude, Exclusion
from trials.core.factors import Varied, check_factors, group_names
from trials.core.plan import Plan, kitchen_group, new_seed, plural, whole_number
from trials.core.roles import Role
from trials.core.terms import (
    Model,
    coded_settings,
    kitchen_names,
    model_matrix,
    model_terms,
    real_settings,
)
from trials.core.verdicts import worth_words
from trials.design.aliasing import apart_words
from trials.design.candidates import candidates
from trials.design.divided import (
    DOUGH,
    NONE_LEFT,
    Doughs,
    apart,
    checked_doughs,
    divided_wishes,
    divided_words,
    equally_words,
    is_divided,
    refused_doughs,
    undivided_words,
)
from trials.design.exchange import optimal
from trials.design.families import (
    FAMILIES,
    FILLED,
    FIRST_PART,
    MODELS,
    OPTIMAL,
    Maker,
    Wish,
    bent,
    made_of,
)
from trials.design.layout import Loads, lay_out
from trials.design.power import (
    Promise,
    bakes_for_too_small,
    between,
    promise,
    worth_of_tasting,
)
from trials.design.sittings import TwoSittings, two_sittings

# -- A plan in two parts: which of its bakes to make first.


STARTS = 20  # of the search for the first part


def first_part(plan: Plan, bakes: int, *, model: Model, references: int = 0) -> Plan:
    """Return the part of a plan to bake first: the bakes that tell most without the rest.

    References
    ----------
    DuMouchel & Jones 1994, Technometrics 36:37 (D-optimality with primary and potential terms);
    Fedorov 1972, Theory of Optimal Experiments, ch. 3 (exchange).
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
        family=FIRST_PART,
        model=_told(plan, part),
        references=references,
        seed=plan.seed,
        excluded=plan.excluded,
        details={"of": plan.details.get("of", plan.family)},
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


# -- The plans that could serve a budget: every family that fits, and the searches beside them.


MOST_SETTINGS = 4096  # that the bakes added are taken from
# Starts of a search that is only weighed, and of the one for the plan proposed
QUICK, IN_FULL = 2, 6


def textbook(wish: Wish) -> tuple[list[Plan], list[str]]:
    """Return the textbook's plans that fit, and why others do not.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> wish = Wish((Numeric("rest", 20, 60), Numeric("fat", 5, 15)), 8, "screen", 1, None, 0,
    ...             None, None, 1)
    >>> [plan.count() for plan in textbook(wish)[0]]
    [8, 4]
    """
    fitting = (family for family in FAMILIES if family.fits(wish))
    return made(wish, (maker for family in fitting for maker in family.makes(wish)))


def searched(wish: Wish, starts: int = QUICK) -> tuple[list[Plan], list[str]]:
    """Return plans by exchange for the aim's model, for a simpler one where that can not be."""
    plans: list[Plan] = []
    refusals: list[str] = []
    for model, potential in _models(wish):
        makers = (_search(wish, model, potential, *shared, starts) for shared in _loads(wish))
        found, why = made(wish, makers)
        plans += found
        refusals += why
        # A bend is worth more to someone who tunes than every pair: both ways are weighed
        if found and not (wish.aim == "optimise" and model == "quadratic"):
            break
    return plans, refusals


def filled(wish: Wish, plan: Plan) -> list[Plan]:
    """Return a plan with the bakes that it leaves of the budget, each where it tells most.

    One bake after the other, where what is believed of the model (pairs and bends as guesses
    around nothing) is least sure. Only where bakes share nothing and no bakes are kept.

    References
    ----------
    DuMouchel & Jones 1994, Technometrics 36:37; Dykstra 1971, Technometrics 13:682 (one by one).
    """
    left = wish.bakes - plan.count()
    shared = plan.groups or plan.days > 1 or wish.days > 1 or wish.keep is not None
    if not 0 < left < plan.count() or shared or wish.blend:
        return []
    rules = Exclusion(wish.factors, wish.exclude)
    terms = model_terms(wish.model, wish.factors)
    pool = candidates(wish.factors, terms, rules).listed(np.random.default_rng(wish.seed))
    pool = pool[rules.allows(pool)][:MOST_SETTINGS]
    if not len(pool):
        return []
    if wish.aim == "screen":
        terms = model_terms("interactions", wish.factors)
    settings = pd.DataFrame(real_settings(wish.factors, pool))
    rows = plan.table.loc[plan.table["role"] != Role.REFERENCE]
    matrix = model_matrix(terms, wish.factors, rows)
    sure = np.array([place < 0 or terms[place].order == 1 for place in matrix.owner])
    information = np.diag(np.where(sure, 1e-6, 1.0)) + matrix.X.T @ matrix.X
    at = model_matrix(terms, wish.factors, settings).X
    chosen = []
    for _ in range(left):
        unsure = np.einsum("ij,jk,ik->i", at, np.linalg.inv(information), at)
        chosen.append(int(np.argmax(np.round(unsure, 9))))
        information += np.outer(at[chosen[-1]], at[chosen[-1]])
    names = [factor.name for factor in wish.factors]
    added = settings.iloc[chosen].assign(role=Role.TRIAL.value)
    both = pd.concat([rows[[*names, "role"]], added], ignore_index=True)
    whole = lay_out(
        wish.factors,
        both,
        family=FILLED,
        model=plan.model,
        references=wish.references,
        seed=wish.seed,
        excluded=plan.excluded,
        details={"of": plan.family, "added": left},
    )
    return [whole]


def in_full(wish: Wish, plan: Plan) -> Plan:
    """Return a plan that was found by a quick search, searched for as long as it deserves."""
    judged = plan.rows[plan.rows["role"] != Role.REFERENCE]
    counts = {name: int(judged[name].nunique()) for name in plan.groups}
    potential = "interactions" if "potential" in plan.details else None
    maker = _search(wish, list(plan.model), potential, counts or None, plan.count(), IN_FULL)
    again, _ = made(wish, [maker])
    return again[0] if again else plan


def made(wish: Wish, makers: Iterator[Maker] | Sequence[Maker]) -> tuple[list[Plan], list[str]]:
    """Return the plans that can be made and fit the wish, and why others can not be made."""
    rules = Exclusion(wish.factors, wish.exclude)
    record = _record(wish, rules)
    plans: list[Plan] = []
    refusals: list[str] = []
    for maker in makers:
        try:
            plan = maker()
        except TrialsError as error:
            refusals.append(str(error))
            continue
        settings = coded_settings(wish.factors, plan.rows)
        allowed = bool(rules.allows(settings).all())
        if plan.count() <= wish.bakes and allowed and _honours(plan, wish):
            plans.append(plan if plan.excluded else replace(plan, excluded=record))
    return plans, refusals


def _record(wish: Wish, rules: Exclusion) -> tuple[dict[str, Any], ...]:
    if rules.empty:
        return ()
    grid = candidates(wish.factors, model_terms("main", wish.factors), rules).levels
    return rules.record(grid)


def _honours(plan: Plan, wish: Wish) -> bool:
    """Say whether bakes have the days, and share what the kitchen makes them share."""
    if wish.keep is None and plan.days != wish.days:
        return False
    needed = set(group_names(wish.factors)) | ({"load"} if isinstance(wish.loads, int) else set())
    if isinstance(wish.loads, int) and len(group_names(wish.factors)) == 1:
        needed = set(group_names(wish.factors))
    return needed <= set(plan.groups)


def _models(wish: Wish) -> list[tuple[str | list[str], str | None]]:
    """Return the models to search for, the aim's own first, each with its potential terms."""
    if wish.blend:
        return [("blend", None), ("main", None)]
    # Main effects kept as clear of pairs as the bakes allow
    pairs = "interactions" if len(wish.factors) > 1 else None
    simple = ("main", pairs)
    steps: dict[str, list[tuple[str | list[str], str | None]]] = {
        "screen": [simple],
        "interactions": [("interactions", None), simple],
        "optimise": [("quadratic", None), (bent(wish), pairs), ("interactions", None), simple],
    }
    return steps[wish.aim]


def _search(
    wish: Wish,
    model: str | list[str],
    potential: str | None,
    loads: Loads,
    bakes: int,
    starts: int,
) -> Maker:
    tuning = wish.aim == "optimise" and potential is None

    def maker() -> Plan:
        plan = optimal(
            wish.factors,
            model=model,
            bakes=bakes,
            criterion="I" if tuning else "D",
            loads=loads,
            exclude=wish.exclude,
            keep=wish.keep,
            starts=starts,
            potential=potential,
            **wish.kitchen,
        )
        extra = {"potential": potential} if potential else {}
        return replace(plan, details={**plan.details, **extra})

    return maker


def _loads(wish: Wish) -> list[tuple[Loads, int]]:
    """Return how many loads to try, each with the bakes that fill them evenly.

    The loads are as asked, else a few numbers that fit.
    """
    groups = group_names(wish.factors)
    if wish.loads is not None or not groups:
        return [(wish.loads, wish.bakes)]
    counts = dict.fromkeys((6, 8, 4, 2 * wish.days, 3 * wish.days))
    fits = [n for n in counts if n <= wish.bakes // 2 and n % wish.days == 0]
    # Those that waste no bake first
    fits.sort(key=lambda count: wish.bakes % count)
    if len(groups) > 1:
        return [(dict.fromkeys(groups, fits[0] if fits else 2 * wish.days), wish.bakes)]
    return [({groups[0]: n}, wish.bakes - wish.bakes % n) for n in fits[:2]] or [(None, wish.bakes)]


# -- Why a plan is proposed, in kitchen words with numbers.


AIM_WORDS = {
    "screen": "find what matters",
    "interactions": "see what works together",
    "optimise": "tune",
}
EFFECT_WORDS = {
    "screen": "single changes",
    "interactions": "single changes and pairs",
    "optimise": "single changes, pairs and bends",
}
SETTLES = 1.5  # degrees of freedom below which a hard-to-change factor can not be judged


@dataclass(frozen=True)
class Answers:
    """What a person said, or what was taken for granted.

    Parameters
    ----------
    tasters : int
    worth : float
        The difference worth noticing, in points.
    sd_bake : float or None
        Spread between bakes of one recipe; None for the usual one.
    assumed : tuple of str
        The questions left unanswered.
    """

    tasters: int
    worth: float
    sd_bake: float | None
    assumed: tuple[str, ...]


def spoken(
    best: Promise,
    others: Sequence[Promise],
    wish: Wish,
    answers: Answers,
    cost: tuple[int, float] | None,
    each: Promise | None = None,
) -> tuple[str, ...]:
    """Give the reasons for a plan: what it tells, what it can not, what was assumed, what lost."""
    return (
        *_count_words(best, wish),
        *divided_words(best, each),
        *_told_apart(best, wish, answers),
        *_small_round_words(best, wish, answers),
        *_hard_words(best),
        *_lost_words(best, others, wish, cost),
        *_reference_words(best.plan),
        _assumed(best, answers),
        *_runners_up(best, others),
    )


# How the sentences begin that say how a plan was found and weighed, not what to make of it
_BEHIND = re.compile(
    rf"To ({'|'.join(AIM_WORDS.values())}) with |As you said: |Assumed: |Weighed (with|and left)\b"
    rf"|The (\d+ )?reference bakes? comes? on top|The bake of |Not crossed, so as in |{NONE_LEFT}"
    r"|Time yours once"
)


def in_short(plan: Plan) -> tuple[str, ...]:
    """Return what to make of a plan: its reasons without how it was found and weighed.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> plan = propose([Numeric("rest", 0, 1)], 4, tasters=2, seed=1)
    >>> len(plan.reasons) - len(in_short(plan)), in_short(plan)[0]
    (3, 'The one change can be judged.')
    """
    return tuple(one for one in plan.reasons if not _BEHIND.match(one))


def _reference_words(plan: Plan) -> list[str]:
    """Return what the reference bakes buy, and whether they can be left out."""
    count = plan.count(Role.REFERENCE)
    if not count:
        return []
    bakes = "The reference bake" if count == 1 else f"The {count} reference bakes"
    comes, shows, them = ("comes", "shows", "it") if count == 1 else ("come", "show", "them")
    shown = "how far the best bake is from what you bake now"
    if plan.days > 1:
        return [f"{bakes} {comes} on top and {shows} what the days differ by, and {shown}."]
    return [
        f"{bakes} {comes} on top and {shows} {shown}. On one day nothing else hangs on {them}: "
        f"where the oven is short, leave {them} out rather than one of the {plan.count()}."
    ]


def part_of(whole: Promise, part: Plan) -> str:
    """Return what a first part belongs to, and what becomes of the bakes left out."""
    left = whole.plan.count() - part.count()
    rest = "the last one" if left == 1 else f"the other {left}"
    return (
        f"They are the part to bake first of a plan of {whole.plan.count()} bakes. What {rest} "
        "should be is decided when these are tasted."
    )


def _told_apart(best: Promise, wish: Wish, answers: Answers) -> list[str]:
    told = best.told
    what = "effects of the blend" if wish.blend else EFFECT_WORDS[wish.aim]
    said = [
        f"To {AIM_WORDS[wish.aim]} with {wish.bakes} bakes: {best.plan.sentence()}, "
        f"{made_of(best.plan)}."
    ]
    if told.empty:
        return [*said, f"None of the {len(best.table)} {what} can be told apart from the others."]
    if len(told) < len(best.table):
        apart = f"Of {len(best.table)} {what}, {len(told)} can be told apart"
    elif len(told) == 1:
        apart = "The one change can be judged"
    else:
        every = "Both" if len(told) == 2 else f"All {len(told)}"
        apart = f"{every} {what} can be told apart from one another"
    pairs = _pair_words(told, wish) if wish.aim == "screen" and not wish.blend else ""
    large = ", though only a large one will be proven" if _large_words(best) else ""
    if len(told) > 1:
        apart += f"{pairs}{large}" if pairs.startswith(",") else f"{large}{pairs}"
    return [*said, f"{apart}.", _seen_words(best, answers)]


def _seen_words(best: Promise, answers: Answers) -> str:
    if not best.said < float("inf"):
        return (
            "No bake is left to tell a difference from chance: repeat some of them, or plan more."
        )
    if best.said > SCALE:
        return (
            f"This can not work: to be said to matter, a change would have to make {best.said:.1f} "
            f"points, more than the scale has. Ask fewer questions, or plan more bakes."
        )
    worth = worth_words(answers.worth, named="worth_noticing" not in answers.assumed)
    return (
        f"A change of {best.said:.1f} points would be said to matter in about half of such rounds "
        f"(a quick estimate); {worth}.{_large_words(best)}"
    )


def _large_words(best: Promise) -> str:
    """Say so where only a change as large as much of the scale would be said to matter."""
    if best.said < LARGE * SCALE:
        return ""
    much = "most" if best.said > SCALE / 2 else "much"
    return (
        f" That is {much} of what liking can change: this round can find a good bake; it will "
        "hardly prove that a smaller change did it."
    )


def _small_round_words(best: Promise, wish: Wish, answers: Answers) -> list[str]:
    """Say what so few bakes can do and can not, and what would help first."""
    bakes = best.plan.count()
    if bakes > SMALL or wish.blend or not best.said < float("inf"):
        return []
    tasters = f"{answers.tasters} taster{'' if answers.tasters == 1 else 's'}"
    many = bakes_for_too_small(answers.worth, answers.tasters, answers.sd_bake)
    more, twice = worth_of_tasting(bakes, answers.tasters, answers.sd_bake)
    found = "" if _large_words(best) else f"{bakes} bakes can find a good bake. "
    said = [
        f"{found}To call a difference too small to matter takes about {max(many, bakes + 1)} bakes "
        f"with {tasters}.",
        f"With one more taster these {bakes} tell as much as about {more:.0f} would; with each "
        f"bake tasted twice, blind, as about {twice:.0f}.",
    ]
    return [*said, *_drop_words(best, wish, answers)]


def _drop_words(best: Promise, wish: Wish, answers: Answers) -> list[str]:
    """Say which question to leave out first, where one fewer lets the others be seen sooner."""
    singles = [term for term in best.table["term"] if ":" not in term and "^" not in term]
    if len(singles) < 3:
        return []
    left = {}
    for factor in wish.factors:
        kept = [name for name in singles if name != factor.name]
        if len(kept) == len(singles):
            continue
        without = promise(
            best.plan, kept, worth=answers.worth, tasters=answers.tasters, sd_bake=answers.sd_bake
        )
        left[factor.name] = without.said
    if not left or not min(left.values()) < best.said - TOLD:
        return []
    first = min(left, key=lambda name: round(left[name], 6))
    same = sum(value < left[first] + TOLD for value in left.values())
    which = "any one of them" if same == len(left) else first
    return [
        f"{TOO_LITTLE}, leave a question out: without {which} it would be "
        f"{left[first]:.1f} points instead of {best.said:.1f}."
    ]


def _count_words(best: Promise, wish: Wish) -> list[str]:
    """Say so first where fewer bakes are planned than were asked for."""
    planned = best.plan.count()
    if planned >= wish.bakes:
        return []
    left = wish.bakes - planned
    return [
        f"You asked for {wish.bakes} bakes; {planned} are planned, as the "
        f"{'other' if left == 1 else f'other {left}'} would tell hardly more: keep "
        f"{'it' if left == 1 else 'them'} for a bake that fails, or for the next round."
    ]


def _pair_words(told: pd.DataFrame, wish: Wish) -> str:
    mixed = told.loc[told["mixed"] > 1e-9, "term"]
    if mixed.empty:
        return ", and from what any two do together"
    which = "one of them alone"
    if len(mixed) < len(told):
        which = f"{kitchen_names(list(mixed), wish.factors, 8, 'or')} alone"
    return f". What two changes do only together would be put down to {which}"


def _hard_words(best: Promise) -> list[str]:
    """Return a word on each hard-to-change factor: on what it is judged, or that it can not be."""
    said = []
    table = best.table.set_index("term")
    unsettled = [one.name for one in best.plan.factors if one.group and _unsettled(best, one.name)]
    for factor in best.plan.factors:
        if not factor.group or factor.name not in table.index:
            continue
        if factor.group == DOUGH and is_divided(best.plan):
            continue  # said with what is divided
        own = table.loc[factor.name]
        units = best.plan.rows.loc[best.plan.rows["role"] != Role.REFERENCE].get(factor.group)
        count = 0 if units is None else int(units.nunique())
        if count == best.plan.count():
            continue
        fills = str(own["judged_on"] or plural(kitchen_group(factor.group)))
        if factor.name in unsettled:
            held = f"{factor.show(factor.middle)}{_others(best, unsettled)}"
            said.append(
                f"{best.plan.count()} bakes in {count} {fills} can not settle {factor.name}: hold "
                f"it at {held}; or {_more_fills(best, factor.name, count, fills)}."
            )
        else:
            said.append(
                f"{factor.name[0].upper()}{factor.name[1:]} is set afresh only {count} times, so "
                f"it is judged on {count} {fills}: a change of "
                f"{own['said']:.1f} points would be said to matter in about half of such rounds."
            )
    return said


def _more_fills(best: Promise, name: str, count: int, fills: str) -> str:
    """Return how a factor that bakes share can be judged after all: with more fills, or alone."""
    own = best.table[best.table["term"] == name]["df"].iloc[0]
    bakes, days = best.plan.count(), best.plan.rows["day"].nunique()
    # Each further fill is one more thing to judge by
    enough = (
        one
        for one in range(count + 1, bakes // 2 + 1)
        if bakes % one == 0 and one % days == 0 and own + one - count >= SETTLES
    )
    more = next(enough, None)
    alone = f"set {name} anew for each bake (leave hard_to_change out)"
    return alone if more is None else f"plan {more} {fills} (loads = {more}), or {alone}"


def _unsettled(best: Promise, name: str) -> bool:
    own = best.table[best.table["term"] == name]
    return bool(len(own)) and own["df"].iloc[0] < SETTLES


def _others(best: Promise, unsettled: Sequence[str]) -> str:
    """Return which single changes can be judged once the unsettled ones are held."""
    singles = [one.name for one in best.plan.factors if one.name not in unsettled]
    judged = [name for name in singles if name in set(best.told["term"])]
    if not judged:
        return ""
    if len(judged) == 1:
        return f", and {judged[0]} can be judged"
    return f", and these {len(judged)} can be judged: {kitchen_names(judged, best.plan.factors, 8)}"


def _lost_words(
    best: Promise, others: Sequence[Promise], wish: Wish, cost: tuple[int, float] | None
) -> list[str]:
    """Return what is not told, and what telling it would cost."""
    if not best.lost:
        return []
    apart = apart_words(best.plan, best.lost, list(best.table["term"]))
    lost = f"{best.plan.count()} bakes can not tell {apart}"
    whole = next((one for one in others if not one.lost), None)
    if whole is not None:
        return [
            f"This plan does not tell {apart}; a plan of {whole.plan.count()} bakes "
            f"({made_of(whole.plan, named=False)}) would, but all in all less surely."
        ]
    if cost is None:
        return [f"{lost}. No budget up to 128 bakes was found that would."]
    size, said = cost
    seen = f", and say of {said:.1f} points that they matter" if said < float("inf") else ""
    return [f"{lost}. {size} bakes would{seen}."]


def _assumed(best: Promise, answers: Answers) -> str:
    """Return what was taken for granted and what was said."""
    words = {
        "tasters": f"{answers.tasters} taster{'' if answers.tasters == 1 else 's'}",
        "worth_noticing": f"{answers.worth:g} points worth noticing",
    }
    assumed = [word for name, word in words.items() if name in answers.assumed]
    given = [word for name, word in words.items() if name not in answers.assumed]
    said = f"As you said: {in_words(given)}. " if given else ""
    spreads = f"Weighed with {best.spreads}." if best.spreads else ""
    taken = f"Assumed: {in_words(assumed)}. " if assumed else ""
    return f"{said}{taken}{spreads}".strip()


def _runners_up(best: Promise, others: Sequence[Promise]) -> list[str]:
    """Return the two next best of other kinds, with what they would give up."""
    seen = {(best.plan.family, best.plan.count())}
    named = {str(best.plan.details.get("of", best.plan.family))}
    said: list[str] = []
    for one in others:
        family = one.plan.family
        if (family, one.plan.count()) in seen or len(said) == 2:
            continue
        seen.add((family, one.plan.count()))
        base = str(one.plan.details.get("of", family))
        made = made_of(one.plan, named=base not in named)
        named.add(base)
        said.append(f"{one.plan.count()} bakes, {made}: {_weighed(one)}")
    if not said:
        return []
    return [f"Weighed and left: {'; '.join(said)}. The plan chosen sees one {_times(best)}."]


def _weighed(one: Promise) -> str:
    told, asked = len(one.told), len(one.table)
    apart = f"all {asked} effects" if told == asked else f"{told} of {asked} effects"
    shows = f", {one.said:.1f} points said to matter" if one.said < float("inf") else ""
    return f"{apart} told apart{shows}, a difference worth noticing seen {_times(one)}"


def _times(one: Promise) -> str:
    return f"{100 * one.score:.0f} times in 100"


# -- From a budget and an aim to a plan: every family that fits is made, weighed and compared.


TOO_LITTLE = "If that is too little"  # before the question to leave out first
WORTH, TASTERS = 0.7, 6  # points of liking, and friends at the table, when nothing is said
ALIKE = 0.02  # plans whose chances differ by less are alike: then the one that uses all bakes wins
# The mean distance of two draws from one normal, in standard deviations: 2 / sqrt(pi)
APART = 2 / np.pi**0.5
# Bakes up to which it is rehearsed whether a part of them is better chosen later, and up to which
# it is said what so few can do
SMALL = 16
SCALE = 8.0  # points that liking has, from 1 to 9
LARGE = 1 / 3  # of the scale, from which a change is more than most changes of a recipe make
TOLD = 0.1  # points from which two estimates are told apart
SIZES = (8, 12, 16, 20, 24, 28, 32, 36, 40, 48, 56, 64, 80, 96, 128)


@checked_types(PlanError)
def propose(
    factors: Sequence[Varied],
    bakes: int,
    *,
    aim: str = "screen",
    days: int = 1,
    loads: Loads = None,
    references: int = 0,
    exclude: Exclude = None,
    keep: Plan | pd.DataFrame | None = None,
    seed: int | None = None,
    tasters: int | Sequence[Any] | None = None,
    worth_noticing: float | None = None,
    alike: float | None = None,
    later: int = 0,
    doughs: int | None = None,
    bakes_a_dough: int = 1,
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
    references : int
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
        The smallest difference worth noticing, in points; assumed when left out.
    alike : float, optional
        How far apart two bakes of one recipe usually come out, in points; assumed when left out.
    later : int
        How many more bakes a second round may have. Then these are the first part of the plan for
        both together, and the second round (`next_round`) does what these speak for: finish it,
        where it is of low and high settings, or better. Over several days, or where bakes share an
        oven heat or an oil fill, the first part is planned by itself.
    doughs : int, optional
        The most doughs that can be mixed in all; as many as `bakes` for a dough each. Left out,
        and where what changes in the dough is crossed with a way of cooking, each dough is
        divided over those ways if that tells every single change. What is in the dough is judged
        between doughs, all else within them (a split-plot).
    bakes_a_dough : int
        The fewest bakes that one dough makes, where less of it can not be mixed well.

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
    See :func:`trials.design.promise.promise` and the families themselves; for divided doughs
    Cochran & Cox 1957, Experimental Designs, ch. 7 (split plots).

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> factors = [Numeric(name, 0, 1) for name in ("rest", "fat", "salt", "malt", "milk")]
    >>> plan = propose(factors, 16, aim="interactions", seed=1)
    >>> plan.family, plan.count()
    ('two-level fraction', 16)
    """
    wish = _wish(factors, bakes, aim, days, loads, references, exclude, keep, seed)
    answers = _answers(tasters, worth_noticing, alike)
    later = whole_number("later", later, least=0)
    wish, beside = _with_doughs(wish, checked_doughs(doughs, bakes_a_dough), answers)
    plan = _in_two_parts(wish, later, answers) if later else _explained(wish, answers)
    return plan.because(*beside)


def _with_doughs(wish: Wish, doughs: Doughs, answers: Answers) -> tuple[Wish, list[str]]:
    """Return the wish, doughs divided where that tells every single change, and a word on it."""
    divided = divided_wishes(wish, doughs)
    if divided and doughs.most is not None:
        fitting = next((one for one in divided if _fits(one, answers)), None)
        if fitting is None:
            raise refused_doughs(wish, doughs, lambda one: _fits(one, answers))
        return fitting, equally_words(wish, fitting)
    tried = []
    for one in divided:
        try:
            best = _ranked(one, answers)[0]
        except PlanError:
            continue
        if not any(name in best.lost for name in (factor.name for factor in one.factors)):
            return one, equally_words(wish, one)
        tried.append(best)
    return wish, undivided_words(wish, tried)


def _fits(wish: Wish, answers: Answers) -> bool:
    try:
        return bool(_ranked(wish, answers))
    except PlanError:
        return False


def _explained(wish: Wish, answers: Answers, *, offered: bool = True) -> Plan:
    ranked = _ranked(wish, answers)
    best = _searched_in_full(ranked[0], wish, answers)
    each = _ranked(apart(wish), answers)[0] if is_divided(best.plan) else None
    reasons = spoken(best, ranked[1:], wish, answers, _cost(best, ranked, wish, answers), each)
    offer = _in_two_sittings(best.plan, wish, answers) if offered else None
    details = dict(best.plan.details)
    if offer is not None:
        # Before the runners-up, which come last
        place = len(reasons) - len(_runners_up(best, ranked[1:]))
        said = _sittings_words(offer, wish)
        reasons = (*reasons[:place], said, *reasons[place:])
        details["two sittings"] = asdict(offer)
    return replace(best.plan, reasons=reasons, details=details)


def _in_two_sittings(plan: Plan, wish: Wish, answers: Answers) -> TwoSittings | None:
    """Return what a small kitchen gains by choosing a part of its bakes later, if it does."""
    count = plan.count()
    shared = bool(plan.groups) or wish.blend or wish.keep is not None or wish.days > 2
    singles = sum(len(factor.levels) - 1 for factor in wish.factors)
    first = max(4 * round(count / 6), 4 * -(-(singles + 1) // 4))
    if shared or wish.aim == "optimise" or count > SMALL or count - first < 2:
        return None
    one_day = replace(plan, rows=plan.rows[plan.rows["role"] != Role.REFERENCE].assign(day=1))
    try:
        part = first_part(one_day, first, model="interactions")
    except PlanError:
        return None
    found = two_sittings(
        one_day,
        part,
        worth=answers.worth,
        tasters=answers.tasters,
        sd_bake=answers.sd_bake,
        exclude=wish.exclude,
    )
    return found if found.worth_it else None


def _sittings_words(offer: TwoSittings, wish: Wish) -> str:
    when = "You have two days" if wish.days > 1 else "If you can bake on another day too"
    return (
        f"{when}: {offer.first} bakes now, and {offer.later} more chosen when these are tasted, "
        f"would end {offer.gain:.2f} points better than {offer.first + offer.later} at once "
        f"(± {offer.error:.2f}, rehearsed in {offer.kitchens:,} invented kitchens). Ask for it "
        f"with {offer.first} bakes and later = {offer.later}."
    )


def _ranked(wish: Wish, answers: Answers) -> list[Promise]:
    """Return what every plan that fits promises, the best one first."""
    plans, _ = textbook(wish)
    plans += [one for plan in plans for one in filled(wish, plan)]
    weighed = [_weighed_plans(plan, wish, answers) for plan in plans]
    if not any(_can_not_be_better(one, wish) for one in weighed):
        found, refusals = searched(wish)
        if wish.aim == "optimise" and wish.bakes > 2:
            # So that one bake more never tunes worse than one less
            fewer, _ = searched(replace(wish, bakes=wish.bakes - 1))
            found += [one for plan in fewer for one in filled(wish, plan)]
        weighed += [_weighed_plans(plan, wish, answers) for plan in found]
        if not weighed:
            raise PlanError(f"no plan fits {wish.bakes} bakes: {_why(refusals)}")
    return sorted(weighed, key=lambda one: _place(one, wish))


def _in_two_parts(wish: Wish, later: int, answers: Answers) -> Plan:
    """Return what to bake first of the plan for all bakes, this round's and those of later."""
    if wish.blend or wish.keep is not None:
        why = (
            "the blends of a first part would not be the corners that a whole plan of blends needs"
            if wish.blend
            else "bakes that are kept are a first part already"
        )
        raise PlanError(
            f"later is {later}, but {why}. Leave later out; more bakes can be planned after any "
            "round."
        )
    if wish.loads is not None or group_names(wish.factors) or wish.days > 1:
        held = "days" if wish.days > 1 else plural(kitchen_group("load", wish.factors))
        left = "the 1 bake" if later == 1 else f"the {later} bakes"
        return _explained(wish, answers, offered=False).because(
            f"These bakes are planned to stand by themselves, as they share {held}; what {left} "
            "of a later round should be is decided when these are tasted."
        )
    together = replace(wish, bakes=wish.bakes + later, references=0)
    ranked = _ranked(together, answers)
    if wish.aim == "optimise" and all(one.lost for one in ranked):
        # Ends come first, as they tell what works together: whose middle is worth a bake is known
        # once they are tasted, and middles of all would cost the pairs
        together = replace(together, aim="interactions")
        ranked = _ranked(together, answers)
    # What is left for later should tell what these can not
    whole = next((one for one in ranked if not one.lost), ranked[0])
    whole = _searched_in_full(whole, together, answers)
    alone = next((one for one in ranked if one.plan.count() <= wish.bakes and not one.lost), None)
    if alone is not None and alone.score >= whole.score - ALIKE:
        said = f"{together.bakes} bakes would tell hardly more, so none of it is left for later."
        return _explained(wish, answers).because(said)
    model = "interactions" if wish.model == "main" else wish.model
    part = first_part(whole.plan, wish.bakes, model=model, references=wish.references)
    best = _weighed_plans(part, wish, answers)
    found = (whole.plan.count(), whole.said)
    cost = _cost(whole, ranked, together, answers) if whole.lost else found
    reasons = spoken(best, [], wish, answers, cost)
    return replace(part, reasons=(*reasons, part_of(whole, part)))


def _wish(
    factors: Sequence[Varied],
    bakes: int,
    aim: str,
    days: int,
    loads: Loads,
    references: int,
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
        references=whole_number("references", references, least=0),
        exclude=exclude,
        keep=keep,
        seed=new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**53),
    )


def _answers(
    tasters: int | Sequence[Any] | None, worth_noticing: float | None, alike: float | None
) -> Answers:
    """Return who tastes, what matters and how alike bakes are, and what of that was assumed."""
    count = tasters if tasters is None or isinstance(tasters, int | np.integer) else len(tasters)
    named = {"tasters": count, "worth_noticing": worth_noticing, "alike": alike}
    return Answers(
        tasters=TASTERS if count is None else whole_number("tasters", count, least=1),
        worth=WORTH
        if worth_noticing is None
        else between("worth_noticing", worth_noticing, 0, 1e9),
        sd_bake=None if alike is None else between("alike", alike, 0, 1e9) / APART,
        assumed=tuple(name for name, value in named.items() if value is None),
    )


def _weighed_plans(plan: Plan, wish: Wish, answers: Answers) -> Promise:
    return promise(
        plan,
        wish.targets,
        worth=answers.worth,
        tasters=answers.tasters,
        sd_bake=answers.sd_bake,
    )


def _place(one: Promise, wish: Wish) -> tuple[float, ...]:
    """Return a plan's place: what the aim asks, all bakes used, then the textbook's before others.

    Someone who tunes wants bends: a plan that tells them all comes before any that does not, and
    the one that names the right side of a peak most often first.
    """
    tuned: tuple[float, ...] = ()
    if wish.aim == "optimise" and one.tuning is not None:
        lost = one.table.loc[one.table["bend"], "judged_on"] == ""
        tuned = (float(lost.sum()), -round(one.tuning, 3))
    # A bake at the middle tells of bends and of chance, and little of what was asked otherwise
    middles = 0 if wish.aim == "optimise" else one.plan.count(Role.CENTRE)
    searched = one.plan.family in (OPTIMAL, FILLED)
    alike = -round(one.score / ALIKE)
    return (*tuned, alike, -one.plan.count(), float(middles), float(searched))


def _can_not_be_better(one: Promise, wish: Wish) -> bool:
    """Say whether a plan spends all bakes, at the ends, on effects that are wholly unrelated."""
    if one.plan.count() < wish.bakes or one.lost or one.table["mixed"].max() > 1e-9:
        return False
    if one.plan.days > 1 or one.plan.groups:
        return False
    bakes = one.plan.table
    bakes = bakes[bakes["role"] != Role.REFERENCE]
    X = model_matrix(model_terms(wish.model, wish.factors), wish.factors, bakes).X
    return bool(np.abs(X.T @ X - len(X) * np.eye(X.shape[1])).max() < 1e-9 * len(X))


def _searched_in_full(one: Promise, wish: Wish, answers: Answers) -> Promise:
    """Return the plan, searched for longer if a search found it and that tells more."""
    if one.plan.family != OPTIMAL or one.plan.details["starts"] != QUICK:
        return one
    longer = _weighed_plans(in_full(wish, one.plan), wish, answers)
    return min(longer, one, key=lambda found: (*_place(found, wish), -round(found.score, 9)))


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
            told = _weighed_plans(plan, wish, answers)
            if not told.lost:
                return size, told.said
    return None


def _like(loads: Loads, bakes: int, size: int) -> Loads:
    """Return as many loads as keep their size, where their number was given."""
    if isinstance(loads, int):
        return size * loads // bakes if size * loads % bakes == 0 else loads
    if loads is not None and all(size * count % bakes == 0 for count in loads.values()):
        return {name: size * count // bakes for name, count in loads.items()}
    return loads
