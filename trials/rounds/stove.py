"""Who works at the stove: what is on the heat, what heats first, what is never left.

The words are common practice, no source.
"""

import re
from collections.abc import Sequence

from trials.recipe.cautions import is_frying
from trials.rounds.kitchen import HANDS, Heat, Step

# Oil, pan and griddle are never left while they are hot; an oven is closed.
_OVEN = re.compile(r"(?<!dutch )\boven", re.IGNORECASE)
_STOVE = re.compile(
    r"\b(pans?|skillets?|griddles?|girdles?|bakestones?|planchas?|tavas?|tawas?|comals?|grills?"
    r"|woks?|fryers?|hot.?plates?|stoves?|hobs?)\b",
    re.IGNORECASE,
)
_POT = re.compile(r"\b(pots?|kettles?|casseroles?|saucepans?|dutch ovens?)\b", re.IGNORECASE)
_WATERY = re.compile(r"\b(water|milk|cream|syrup|sugar|steam|paste|roux|bath|lye)\b", re.IGNORECASE)
_NOT_YET = re.compile(
    r"\b(before|after|until|for|ready to) (the )?(deep.|shallow.|pan.)?fry(ing)?\b", re.IGNORECASE
)
_FRIES = re.compile(r"\b(fry|frying|deep.fat|hot oil)\b", re.IGNORECASE)
_FRIES_NOW = re.compile(r"\bfry\b", re.IGNORECASE)
_PREHEATS = re.compile(
    r"\b(pre.?|re.?)?heat(ing)?( up)? ((the|your|a|fresh|frying) )*"
    r"(oil|fat|lard|ghee|tallow|dripping|shortening|pans?|pots?|skillets?|griddles?|woks?|fryers?)\b",
    re.IGNORECASE,
)
_COOKED = re.compile(
    r"(^|\b(and|then) )(deep.|shallow.|pan.|stir.|re.?)?"
    r"(bake|fry|griddle|grill|toast|roast|steam|boil|poach|simmer)\b",
    re.IGNORECASE,
)
IN_ORDER = ("pot", "oven", "pan", "griddle", "fryer", "grill", "steamer", "wok")


def is_tended(step: Step, heats: Sequence[Heat] = ()) -> bool:
    """Say whether somebody stays at the stove for a step: hot oil, a pan or a griddle.

    Examples
    --------
    >>> is_tended(Step("fry", 6, "pot")), is_tended(Step("dry griddle, medium", 14, "dry griddle"))
    (True, True)
    >>> is_tended(Step("bake", 12, ("oven", "loaf pan"))), is_tended(Step("rest before frying", 9))
    (False, False)
    """
    things = [one for one in step.needs if one != HANDS]
    open_fire = [one for one in things if not _OVEN.search(one)]
    if things and not open_fire:
        return False
    if any(map(is_frying, open_fire)):
        return True
    if open_fire == things and any(map(_STOVE.search, things)):
        return True
    if any(_holds_oil(heat) for heat in heats if heat.thing in open_fire):
        return True
    said = _NOT_YET.sub("", step.name)
    return bool((_FRIES if things else _FRIES_NOW).search(said))


def _holds_oil(heat: Heat) -> bool:
    """Say whether a pot is heated as oil is: hotter than water boils, and set for no water."""
    if not _POT.search(heat.thing) or _WATERY.search(heat.factor):
        return False
    return bool(heat.factor) or heat.setting >= _NO_WATER


_NO_WATER = 120  # °C; no pot of water is as hot


def is_preheating(step: Step) -> bool:
    """Say whether a step heats oil, a pan or a griddle for what comes next.

    Examples
    --------
    >>> [is_preheating(Step(name, 10)) for name in ("heat the oil", "preheat the oven", "fry")]
    [True, False, False]
    """
    ovens = [one for one in step.needs if _OVEN.search(one)]
    if ovens or _WATERY.search(step.name) or _FRIES.search(step.name.replace("frying", "")):
        return False
    return bool(_PREHEATS.search(step.name))


def is_heated(step: Step, heats: Sequence[Heat] = ()) -> bool:
    """Say whether a bake is on the heat during a step.

    Examples
    --------
    >>> [is_heated(one) for one in (Step("bake", 9, "stone"), Step("weigh the bake", 3, "hands"))]
    [True, False]
    """
    hot = {*IN_ORDER, *(heat.thing for heat in heats)}
    return (
        is_tended(step, heats)
        or any(one in hot or _OVEN.search(one) for one in step.needs)
        or bool(_COOKED.search(step.name))
    )
