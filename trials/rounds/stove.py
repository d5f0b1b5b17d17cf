"""Who works at the stove: what is on the heat, what heats first, what is never left.

The words are common practice, no source.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

from trials.recipe.cautions import is_frying
from trials.recipe.units import convert
from trials.rounds.kitchen import HANDS, Heat, Step

# Oil, pan and griddle are never left while they are hot; an oven is closed, and what stands in it.
_OVEN = re.compile(r"(?<!dutch[ -])\boven", re.IGNORECASE)
_STOVE = re.compile(
    r"\b(pans?|skillets?|griddles?|girdles?|bakestones?|planchas?|tavas?|tawas?|comals?|grills?"
    r"|woks?|hot.?plates?|stoves?|hobs?)\b",
    re.IGNORECASE,
)
_TIN = re.compile(
    r"\b(loaf|cake|tart|pie|bun|roll|bread|muffin|bundt|tube|flan|quiche|brownie|madeleine"
    r"|sheet|baking|roasting|spring.?form|pullman|sponge|sandwich|pizza) pans?\b",
    re.IGNORECASE,
)
_LIDDED = re.compile(r"\b(casseroles?|cocottes?|dutch.ovens?)\b", re.IGNORECASE)
_POT = re.compile(rf"\b(pots?|kettles?|saucepans?|vessels?)\b|{_LIDDED.pattern}", re.IGNORECASE)
_OIL = re.compile(r"\b(oil|frying fat)$", re.IGNORECASE)
_IN_OIL = re.compile(r"\boil\b", re.IGNORECASE)
_WATERY = re.compile(r"\b(water|milk|cream|syrup|sugar|steam|paste|roux|bath|lye)\b", re.IGNORECASE)
_FATS = r"(oil|fat|lard|ghee|tallow|dripping|shortening)"
_NOT_YET = re.compile(
    r"\b(before|after|until|for|ready to) (the )?(deep.|shallow.|pan.)?fry(ing)?\b"
    r"|^(mix|make|rest|chill|shape|roll|cut|knead|weigh|prepare|divide)\b.*\bfrying "
    r"(batter|dough)\b"
    r"|\bfried (onions?|shallots?)\b",
    re.IGNORECASE,
)
_FRIES = re.compile(
    rf"\bfry(ing)?\b|\bfried\b|\bdeep.fat\b|\bhot {_FATS}\b"
    r"|\b(cook|drop|lower|slide|slip|dip|put|place|crisp|brown|turn)(ing)?\b.* (in|into) "
    rf"((the|a|your) )*{_FATS}\b"
    r"|\b(cook|brown|turn)\b.* (fritter|doughnut|donut)s?\b",
    re.IGNORECASE,
)
_PREHEATS = re.compile(
    r"\b((pre.?|re.?)?heat(ing)?|warm(ing)?)( up)? ((the|your|a|fresh|frying) )*"
    rf"({_FATS}|pans?|pots?|skillets?|griddles?|woks?|fryers?)\b"
    rf"|\b(bring|get) ((the|your|frying) )*{_FATS} (to|hot|up)\b",
    re.IGNORECASE,
)
_COOKED = re.compile(
    r"(^|\b(and|then) |, )(deep.|shallow.|pan.|stir.|re.?)?"
    r"(bake|fry|griddle|grill|toast|roast|steam|boil|poach|simmer)\b",
    re.IGNORECASE,
)
_IN_A_WAY = re.compile(
    r"\b(baked|griddled|grilled|toasted|roasted|steamed|boiled)\b", re.IGNORECASE
)
_BAKES = re.compile(r"\b(bak(e|ing)|roast(ing)?)\b", re.IGNORECASE)
_PLACE = r"(in|on) (the|a|an|its|their) (cold )?(pans?|tins?|skillets?|pots?|racks?|moulds?|ovens?)"
_RESTS = re.compile(  # the whole of a name: whatever more is said may be done on the heat
    r"(let |leave to |leave )?(it |them )?(bulk |final |cold |first |second )?"
    r"(rest|proof|prov|ris|rise|set|sett|cool|chill|stand|soak|ferment|stay|warm|keep|hold)e?(ing)?"
    rf"( completely| fully| down| off| warm| up)?( {_PLACE})?(,? covered)?( {_PLACE})?"
    r"( for \d+ ?(min|minutes?|h|hours?)| overnight| again"
    rf"| until (cold|cool|lukewarm|set|firm|doubled|risen|puffy))?( {_PLACE})?"
    r"( with the door (open|ajar))?",
    re.IGNORECASE,
)
_READIES = re.compile(
    r"(line|grease|butter|oil|brush|fill|wash|dust|weigh|scale)\b(?!.*(,|\band\b|\bthen\b))",
    re.IGNORECASE,
)
# What is cooked for a bake and is not the bake, and what is done to a bake that was on the heat
_BESIDE = re.compile(
    r"\b(boil|cook|simmer|toast|heat|melt|warm|brown|make|reduce|scald|roast|caramelise|caramelize)"
    r" (the |a |your )?((?!in |into |with |on |and )\w+ )?"
    r"(syrup|glaze|icing|nut|seed|almond|walnut|hazelnut|pecan|pistachio|cream|custard|filling|sauce"
    r"|sugar|caramel|milk|water|jam|compote|butter|topping|roux|tangzhong|crumb|oat|spice|fruit"
    r"|apple|potato)(e?s)?( in .*| on .*|,.*|\W*)$",
    re.IGNORECASE,
)
_FINISHES = re.compile(r"(glaze|ice|coat|drizzle|soak|dip|dust|brush|drain|weigh)\b", re.IGNORECASE)
_HOT_THING = re.compile(
    rf"{_STOVE.pattern}|{_POT.pattern}|{_OIL.pattern}|\b(fryers?|steamers?|kilns?|stones?)\b",
    re.IGNORECASE,
)
_NO_WATER = 120  # °C; no pot of water is as hot


def is_tended(step: Step, heats: Sequence[Heat] = ()) -> bool:
    """Say whether somebody stays at the stove for a step: hot oil, a pan or a griddle.

    Words that leave it open count as hot.

    Examples
    --------
    >>> is_tended(Step("fry", 6, "pot")), is_tended(Step("dry griddle, medium", 14, "dry griddle"))
    (True, True)
    >>> is_tended(Step("bake", 12, ("oven", "loaf pan"))), is_tended(Step("rest before frying", 9))
    (False, False)
    >>> is_tended(Step("drop into hot oil", 6)), is_tended(Step("proof in the pan", 60, "pan"))
    (True, False)
    """
    things = stood_at(step)
    open_fire = [one for one in things if not _OVEN.search(one)]
    if things and not open_fire:
        return False
    if any(_OIL.search(one) or is_frying(one) for one in open_fire):
        return True
    if any(_holds_oil(heat, step) for heat in heats if heat.thing in open_fire):
        return True
    if _RESTS.fullmatch(step.name.strip()):
        return False
    if _FRIES.search(_NOT_YET.sub("", step.name)):
        return True
    if _READIES.match(step.name):
        return False
    at_the_stove = [one for one in open_fire if _STOVE.search(one) and not _TIN.search(one)]
    return open_fire == things and bool(at_the_stove)


def stood_at(step: Step) -> list[str]:
    """Return the things that a step occupies beside hands."""
    return [one for one in step.needs if one != HANDS]


def _holds_oil(heat: Heat, step: Step) -> bool:
    """Say whether a pot is heated as oil is: hotter than water boils, and set for no water."""
    if _IN_OIL.search(heat.factor):
        return True
    if not _POT.search(heat.thing) or _WATERY.search(heat.factor):
        return False
    if _LIDDED.search(heat.thing) and (
        _BAKES.search(step.name) or step.name.startswith(heat.thing)
    ):
        return False  # bread under a lid stands in the oven
    return bool(heat.factor) or heat.setting >= _NO_WATER


def is_preheating(step: Step) -> bool:
    """Say whether a step heats oil, a pan or a griddle for what comes next.

    Examples
    --------
    >>> [is_preheating(Step(name, 10)) for name in ("heat the oil", "preheat the oven", "fry")]
    [True, False, False]
    """
    ovens = [one for one in step.needs if _OVEN.search(one)]
    if (
        ovens
        or _WATERY.search(step.name)
        or _FRIES.search(step.name.replace("frying", "").replace("hot", ""))
    ):
        return False
    return bool(_PREHEATS.search(step.name))


def is_heated(step: Step, heats: Sequence[Heat] = ()) -> bool:
    """Say whether the bake itself is on the heat during a step.

    How long a bake keeps is counted from there, so what is cooked for it, rests where it was
    baked, or finishes it does not count.

    Examples
    --------
    >>> [is_heated(one) for one in (Step("bake", 9, "stone"), Step("weigh the bake", 3, "hands"))]
    [True, False]
    >>> [is_heated(one) for one in (Step("boil the syrup", 9, "pot"), Step("cool", 9, "oven"))]
    [False, False]
    """
    if _BESIDE.search(step.name) or _RESTS.fullmatch(step.name.strip()):
        return False
    if any(map(_OVEN.search, step.needs)) or _COOKED.search(step.name):
        return True
    if _FINISHES.match(step.name) and not _FRIES.search(step.name):
        return False
    return is_tended(step, heats) or any(_is_hot_thing(one, heats) for one in stood_at(step))


def is_hot_work(step: Step, heats: Sequence[Heat] = ()) -> bool:
    """Say whether anything is on the heat during a step, the bake or what is cooked for it.

    Examples
    --------
    >>> is_hot_work(Step("boil the syrup", 9)), is_hot_work(Step("mix", 9, "hands"))
    (True, False)
    """
    at_it = any(_is_hot_thing(one, heats) for one in stood_at(step))
    return at_it or bool(_COOKED.search(step.name) or _BESIDE.search(step.name))


def is_way_of_cooking(kind: str) -> bool:
    """Say whether a kind of a factor is a way of cooking: what it is cooked in, or how.

    Examples
    --------
    >>> [is_way_of_cooking(one) for one in ("oven", "fried in oil", "dry griddle", "butter")]
    [True, True, True, False]
    """
    return bool(
        is_frying(kind)
        or _OVEN.search(kind)
        or _HOT_THING.search(kind)
        or _COOKED.search(kind)
        or _IN_A_WAY.search(kind)
    )


def heated_things(step: Step, heats: Sequence[Heat] = ()) -> list[str]:
    """Return what a bake is on the heat at: bakes go there in the order that was drawn by chance.

    Examples
    --------
    >>> heated_things(Step("bake", 30, ("deck oven", "loaf tin", "hands")))
    ['deck oven']
    """
    if not (is_tended(step, heats) or is_heated(step, heats)):
        return []
    return [one for one in stood_at(step) if _is_hot_thing(one, heats)]


# Degrees Celsius a minute by which a home oven warms and cools, and oil (as of any heat)
_OVEN_UP, _OVEN_DOWN = 10.0, 3.0
_FAHRENHEIT = 1.8  # degrees in one degree Celsius
_IN_AIR = re.compile(r"\bair\b", re.IGNORECASE)


def usual_heat(thing: str, unit: str = "°C") -> Heat | None:
    """Return how fast an oven or frying oil warms and cools at home; None of anything else.

    Examples
    --------
    >>> usual_heat("oven").up, usual_heat("fried in oil").up, usual_heat("dry griddle")
    (10.0, 6.0, None)
    """
    if _IN_AIR.search(thing):
        return None
    heat = Heat(thing)
    if not (is_frying(thing) or _OIL.search(thing)):
        if not (_OVEN.search(thing) or _LIDDED.search(thing)):
            return None
        heat = replace(heat, up=_OVEN_UP, down=_OVEN_DOWN)
    times = _FAHRENHEIT if unit == "°F" else 1.0
    room = convert(heat.room, "°C", unit)
    return replace(heat, room=room, up=heat.up * times, down=heat.down * times)


def _is_hot_thing(thing: str, heats: Sequence[Heat]) -> bool:
    if any(thing == heat.thing for heat in heats) or _OVEN.search(thing) or is_frying(thing):
        return True
    return bool(_HOT_THING.search(_TIN.sub("", thing)))
