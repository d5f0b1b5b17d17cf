"""Why a plan is proposed, in kitchen words with numbers."""

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from trials.design.contenders import Wish
from trials.design.first_part import PART
from trials.design.plan import Plan, kitchen_group, plural, reference_setting
from trials.design.promise import Promise
from trials.design.terms import kitchen_names
from trials.tables import in_words

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
# What a family of plans makes, for those who do not know its textbook name
FAMILY_WORDS = {
    "full factorial": "every combination of the settings",
    "two-level fraction": "a chosen part of all combinations of low and high",
    "Hadamard screening": "a few combinations of low and high for many changes",
    "conference-matrix screening": "a few bakes at low, middle and high for many changes",
    "central composite": "all ends together, each end alone, and middles",
    "three-level surface": "the ends of two or three changes at a time, the rest at the middle",
    "optimal plan": "picked one by one for what you ask",
    "simplex lattice": "blends in even steps",
    "simplex centroid": "each alone and in equal parts",
    "extreme vertices": "blends at the limits of what may be mixed",
    "mirror bakes": "the bakes made so far and their mirror images",
    "Latin square": "each kind once in every row and column",
    "Graeco-Latin square": "each kind once in every row and column",
    "whole variants": "whole recipes side by side",
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
) -> tuple[str, ...]:
    """Return the reasons for a plan: what it tells, what it can not, what was assumed, what lost.

    Parameters
    ----------
    best : Promise
    others : sequence of Promise
        The best of them first.
    wish : Wish
    answers : Answers
    cost : (int, float) or None
        Bakes that would tell every effect, and the difference they would show.
    """
    return (
        *_told(best, wish, answers),
        *_hard_words(best),
        *_lost_words(best, others, wish, cost),
        _assumed(best, answers),
        *_runners_up(best, others),
    )


def part_of(whole: Promise, part: Plan) -> str:
    """Return what a first part belongs to, and what becomes of the bakes left out."""
    left = whole.plan.count() - part.count()
    rest = "the last one" if left == 1 else f"the other {left}"
    return (
        f"They are the part to bake first of a plan of {whole.plan.count()} bakes. What {rest} "
        "should be is decided when these are tasted."
    )


def _told(best: Promise, wish: Wish, answers: Answers) -> list[str]:
    told = best.told
    what = "effects of the blend" if wish.blend else EFFECT_WORDS[wish.aim]
    said = [
        f"To {AIM_WORDS[wish.aim]} with {wish.bakes} bakes: {best.plan.sentence()}, "
        f"{made_of(best.plan.family)}."
    ]
    if told.empty:
        return [*said, f"None of the {len(best.table)} {what} can be told apart from the others."]
    if len(told) < len(best.table):
        apart = f"Of {len(best.table)} {what}, {len(told)} can be told apart"
    elif len(told) == 1:
        apart = "The one change can be judged"
    else:
        apart = f"All {len(told)} {what} can be told apart from one another"
    if wish.aim == "screen" and len(told) > 1 and not wish.blend:
        apart += _pair_words(told)
    return [*said, f"{apart}.", _seen_words(best, answers)]


def _seen_words(best: Promise, answers: Answers) -> str:
    if not best.smallest < float("inf"):
        return (
            "No bake is left to tell a difference from chance: repeat some of them, or plan more."
        )
    return (
        f"Smallest difference it would likely show: {best.smallest:.1f} points, for at least half "
        f"of the effects; you want to see {answers.worth:g}."
    )


def _pair_words(told: pd.DataFrame) -> str:
    mixed = told.loc[told["mixed"] > 1e-9, "mixed"]
    if mixed.empty:
        return ", and from every pair"
    which = "one of them holds" if len(mixed) == 1 else f"{len(mixed)} of them hold"
    return f"; but {which} something of pairs, adding up to {mixed.max():.1f} of one at worst"


def made_of(family: str, *, named: bool = True) -> str:
    """Return what a family of plans makes, its textbook name in brackets where that is wanted.

    Examples
    --------
    >>> made_of("full factorial")
    'every combination of the settings (full factorial)'
    >>> made_of("two-level fraction, with mirror bakes", named=False)
    'a chosen part of all combinations of low and high, with mirror bakes'
    >>> made_of("full factorial, first part")
    'the first part of every combination of the settings (full factorial)'
    """
    if family.endswith(PART):
        return f"the first part of {made_of(family.removesuffix(PART), named=named)}"
    base, _, added = family.partition(", with ")
    found = next((known for known in FAMILY_WORDS if base.startswith(known)), None)
    if found is None:
        return family
    words = f"{FAMILY_WORDS[found]}, with {added}" if added else FAMILY_WORDS[found]
    return f"{words} ({base})" if named else words


def _hard_words(best: Promise) -> list[str]:
    """Return a word on each hard-to-change factor: on what it is judged, or that it can not be."""
    said = []
    table = best.table.set_index("term")
    unsettled = [one.name for one in best.plan.factors if one.group and _unsettled(best, one.name)]
    for factor in best.plan.factors:
        if not factor.group or factor.name not in table.index:
            continue
        own = table.loc[factor.name]
        units = best.plan.rows.loc[best.plan.rows["role"] != "control"].get(factor.group)
        count = 0 if units is None else int(units.nunique())
        if count == best.plan.count():
            continue
        fills = str(own["judged_on"] or plural(kitchen_group(factor.group)))
        if factor.name in unsettled:
            held = factor.show(reference_setting(best.plan.factors)[factor.name])
            said.append(
                f"{best.plan.count()} bakes in {count} {fills} can not settle {factor.name}: hold "
                f"it at {held}{_others(best, unsettled)}, or plan more {fills}."
            )
        else:
            said.append(
                f"{factor.name[0].upper()}{factor.name[1:]} is set afresh only {count} times, so "
                f"it is judged on {count} {fills}: it would likely show {own['smallest']:.1f} "
                "points."
            )
    return said


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
    apart = f"{kitchen_names(best.lost, wish.factors)} apart from the rest"
    lost = f"{best.plan.count()} bakes can not tell {apart}"
    whole = next((one for one in others if not one.lost), None)
    if whole is not None:
        return [
            f"This plan does not tell {apart}; a plan of {whole.plan.count()} bakes "
            f"({made_of(whole.plan.family, named=False)}) would, but all in all less surely."
        ]
    if cost is None:
        return [f"{lost}. No budget up to 128 bakes was found that would."]
    size, smallest = cost
    seen = f", and likely show {smallest:.1f} points" if smallest < float("inf") else ""
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
    named = {best.plan.family}
    said: list[str] = []
    for one in others:
        family = one.plan.family
        if (family, one.plan.count()) in seen or len(said) == 2:
            continue
        seen.add((family, one.plan.count()))
        made = made_of(family, named=family not in named)
        named.add(family)
        said.append(f"{one.plan.count()} bakes, {made}: {_weighed(one)}")
    if not said:
        return []
    return [f"Weighed and left: {'; '.join(said)}. The plan chosen sees one {_times(best)}."]


def _weighed(one: Promise) -> str:
    told, asked = len(one.told), len(one.table)
    apart = f"all {asked} effects" if told == asked else f"{told} of {asked} effects"
    shows = f", {one.smallest:.1f} points likely shown" if one.smallest < float("inf") else ""
    return f"{apart} told apart{shows}, a difference worth noticing seen {_times(one)}"


def _times(one: Promise) -> str:
    return f"{100 * one.score:.0f} times in 100"
