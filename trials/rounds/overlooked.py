"""What a cook is told of a plan before anything is weighed: what nothing follows, what is lost."""

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from trials.base.errors import FormulaError, RoundError
from trials.base.words import in_words
from trials.core.factors import Categorical, Component, Factor, Numeric, is_blank
from trials.core.roles import Role
from trials.design.divided import LONG_REST, OVERNIGHT, outlasts_a_day
from trials.recipe.crossing import LIFTED, RAISES, WITHOUT
from trials.recipe.formula import TOTALS, Formula, natural_match
from trials.recipe.units import is_set
from trials.rounds.amounts import ample_words, batch_sentence
from trials.rounds.idea import IDEA
from trials.rounds.kitchen import HANDS, SAFE_MINUTES, Kitchen
from trials.rounds.mixing import formula_of
from trials.rounds.round import FRESH, Round
from trials.rounds.safe import kept_from, kept_sentences
from trials.rounds.stove import is_way_of_cooking
from trials.rounds.timetable import timetable
from trials.tasting.panel import avoided_things

# Of the saltier, what is tasted: a tenth (about 15 % is just told apart; Schutz & Pilgrim 1957,
# Food Research 22, from memory)
_TASTED = 0.1
_LEAST = (
    0.05  # percent of the flour: less salt than this nobody tastes (common practice, no source)
)
_MOVES = 5.0  # percent of the flour: less water or fat than this a dough takes (common practice)
_IF_THERE = "where a bake has it"
_WEIGHED = 0.5  # percent of the flour: more water than this on a sheet wants a reason
# What a step is called in which a dough rises (common practice, no source)
_RISES = re.compile(
    r"\b(ris(e|es|ing)|proof|prov(e|es|ing)\b|ferment|bulk|rest|retard|overnight|stand|leav|swell)",
    re.I,
)
_MORE = frozenset(
    {"leavening", "leavener", "fat", "oil", "soak", "syrup", "flour", "hydration", "liquid"}
    | {"sweetener"}
)
_SODA = re.compile(r"baking soda|bicarb", re.I)
# What a dough holds that is sour enough for baking soda to work on (common practice, no source)
_SOUR = re.compile(
    r"buttermilk|yogh?urt|sour|kefir|molasses|honey|treacle|brown|cream of tartar|vinegar|lemon"
    r"|orange|juice|apple|berr|banana|apricot|marmalade|cocoa(?!.*alkal)|miso|beer|wine|golden",
    re.I,
)


def overlooked(round_: Round) -> list[str]:
    """Return what is to be pointed out of a plan, in sentences; nothing for most.

    Examples
    --------
    >>> import tempfile, pandas as pd
    >>> from trials.core.factors import Numeric
    >>> from trials.core.measures import Measure
    >>> from trials.design.layout import lay_out
    >>> syrup = Numeric("syrup", 60, 70, "%")
    >>> plan = lay_out([syrup], pd.DataFrame({"syrup": [60, 70]}), family="ends", model="main")
    >>> cake = Formula("cake", {"dough": {"bread flour": 100}, "syrup": {"sugar": 60, "water": 40}})
    >>> one = Round.create(tempfile.mkdtemp() + "/one", plan=plan, formula=cake,
    ...     measures=[Measure("liking", "hedonic 9")])
    >>> print(overlooked(one)[0])
    Nothing that is weighed follows "syrup", and no step does: every bake weighs the same. ...
    """
    told = [*_kept(round_), *_the_evening_before(round_), *_heats_nothing(round_)]
    told += [*_sittings(round_), *_seen(round_)]
    if round_.formula is None:
        return told
    told += [_unweighed(factor) for factor in _followed_by_nothing(round_)]
    told += [
        sentence
        for factor in round_.plan.factors
        if factor.changes is not None
        for sentence in lost(round_.formula, factor, round_.plan.factors)
        if not (LIFTED in round_.plan.reasons and _IF_THERE in sentence)
    ]
    told += [*_gone_with(round_), *_water_weighed(round_), *_soda_alone(round_)]
    told += _unrisen(round_)
    size = batch_sentence(round_, round_.batch)
    if "too little" in size.casefold():
        return [*told, size]
    return [*told, *filter(None, [ample_words(round_, round_.batch)])]


def overnight(round_: Round) -> dict[str, str]:
    """Return, for each bake that is to be mixed the evening before its day, why in words.

    A kind or a step that says overnight, or a rest of six hours and more: a step that needs
    nothing, or a time that the bakes are set to and no step needs anything for.
    """
    found: dict[str, str] = {}
    busy = {step.minutes for step in round_.steps if step.needs}
    for row in round_.plan.table.to_dict("records"):
        for factor in round_.plan.factors:
            setting = row[factor.name]
            if is_blank(setting):
                continue
            if factor.name not in busy and outlasts_a_day(factor, setting):
                found.setdefault(row["bake"], f"{factor.name}: {factor.show(setting)}")
        for step in round_.steps:
            if not step.is_for(row) or isinstance(step.minutes, str):
                continue
            rest = not step.needs and float(step.minutes) >= LONG_REST
            if rest or OVERNIGHT.search(step.name):
                found.setdefault(row["bake"], step.name)
    return found


def _heats_nothing(round_: Round) -> Iterator[str]:
    """Yield what is said to be heated and no step needs, with what the steps need."""
    needed = dict.fromkeys(
        f'"{thing}"' for step in round_.steps for thing in step.needs if thing != HANDS
    )
    heats = round_.kitchen.heats if round_.kitchen and round_.steps else ()
    for thing in dict.fromkeys(f'"{heat.thing}"' for heat in heats):
        if thing not in needed:
            have = f"steps need {in_words(needed)}" if needed else "steps need nothing but hands"
            yield (
                f"[[kitchen.heats]] heats the thing {thing}, which no step needs, so it is left "
                f"out: {have}. Write the same word in both."
            )


SOON = 1.0  # seconds a day that a plan may take to see whether its bakes can be tasted together


def _sittings(round_: Round) -> list[str]:
    """Return how many sittings days need where what is baked does not keep until all is ready."""
    if not (round_.steps and round_.tasters) or round_.taste == FRESH:
        return []
    try:
        made = timetable(round_, effort=0)
        if (made.ready["part"] > 1).any():  # a better order may do with fewer
            made = timetable(round_, effort=SOON)
    except RoundError as refused:
        return [refused.message]
    parts = made.ready.groupby("day")["part"].max()
    days = [str(day) for day in parts.index[parts > 1]]
    if not days:
        return []
    if len(days) == len(parts):
        who = "Each day needs" if len(days) > 1 else "The day needs"
    else:
        who = f"Day {days[0]} needs" if len(days) == 1 else f"Days {in_words(days)} need"
    up_to = "up to " if parts[parts > 1].nunique() > 1 else ""
    said = f"{who} {up_to}{parts.max()} sittings"
    kitchen = round_.kitchen or Kitchen()
    keeps = min(kitchen.safe, kitchen.fresh or kitchen.safe)
    if keeps != SAFE_MINUTES:
        name = "safe" if keeps == kitchen.safe else "fresh"
        return [f"{said}, as a bake keeps {keeps} min ({name}, under [kitchen])."]
    needed = made.safe_for_one_sitting
    path = round_.folder / IDEA
    text = path.read_text("utf-8") if path.is_file() else ""
    where = (
        "write under [kitchen]"
        if re.search(r"^\s*\[kitchen\]", text, re.MULTILINE)
        else "write at the end of idea.toml a line [kitchen] and below it"
    )
    return [
        f"{said}, as a bake is assumed to keep two hours at room temperature. If yours keep "
        f"{needed} min by your food-safety code, {where} safe = {needed}."
    ]


def _the_evening_before(round_: Round) -> list[str]:
    """Return which bakes are begun the evening before their day."""
    early = overnight(round_)
    if not early:
        return []
    day_of = round_.plan.rows.set_index("bake")["day"]
    bakes: dict[Any, list[str]] = {}
    for bake in early:
        bakes.setdefault(day_of[bake], []).append(bake)
    when = in_words(f"{in_words(own)} before day {day}" for day, own in sorted(bakes.items()))
    whys = in_words(dict.fromkeys(early.values()))
    return [f"Mix these the evening before ({whys}): {when}."]


def _seen(round_: Round) -> list[str]:
    """Return what tasters see and so do not taste blind: in which way a piece was cooked."""
    if not round_.tasters:
        return []
    return [
        f"Tasters see how a piece was cooked ({in_words(factor.levels, 'or')}): what they say of "
        f"{factor.name} is not blind, of all else it is."
        for factor in round_.plan.factors
        if isinstance(factor, Categorical)
        and factor.changes is None
        and len(factor.levels) > 1
        and all(is_way_of_cooking(str(kind)) for kind in factor.levels)
    ]


def _kept(round_: Round) -> list[str]:
    """Return who is never served which bakes, as the servings will keep to."""
    avoid = {one.name: (*one.avoids, *one.also_avoids) for one in round_.tasters}
    kept = kept_from(round_)
    told = kept_sentences(round_, kept)
    return [
        f"{name} avoids {in_words(avoid[name])}{_can_taste(round_, name, kept)}. {said}"
        for name, said in told.items()
    ]


def held_by_nothing(round_: Round) -> list[str]:
    """Return who avoids what no bake is known to hold, and may so be served all of them.

    Examples
    --------
    >>> import tempfile, pandas as pd
    >>> from trials.core.measures import Measure
    >>> from trials.design.layout import lay_out
    >>> from trials.tasting.panel import Taster
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main")
    >>> roll, liking = Formula("roll", {"bread flour": 100}), Measure("liking", "hedonic 9")
    >>> one = Round.create(tempfile.mkdtemp() + "/one", plan=plan, tasters=[Taster("Bo", "nuts")],
    ...     measures=[liking], formula=roll)
    >>> held_by_nothing(one)
    ['Bo avoids nuts, which no bake is known to hold: the labels say.']
    """
    if round_.formula is None:
        return []
    kept = kept_from(round_)
    return [
        f"{one.name} avoids {in_words(things, 'or')}, which no bake is known to hold: the labels "
        "say."
        for one in round_.tasters
        if (things := avoided_things(one)) and not kept.get(one.name)
    ]


def _can_taste(round_: Round, name: str, kept: Mapping[str, Collection[str]]) -> str:
    """Say of somebody who can taste some bakes only that the promise counts on them for all."""
    count = len(round_.plan.rows)
    left = count - len(kept[name])
    if not 0 < left < count:
        return ""
    return (
        f" and can taste {left} of the {count} bakes, though what is said above counts on {name} "
        f"for all: without what {name} avoids each bake would have one taster more"
    )


def _baked(round_: Round) -> list[dict[str, Any]]:
    """Return the bakes that the plan chose: a parent or a reference is baked as it is."""
    rows = round_.plan.rows
    return list(rows[rows["role"] != Role.REFERENCE].to_dict("records"))


def _totals_set(factors: Sequence[Factor]) -> set[tuple[Any, ...]]:
    return {tuple(one.changes) for one in factors if one.changes and one.changes[0] == "total"}


def _leaving(
    formula: Formula, factors: Sequence[Factor], row: Mapping[str, Any], name: str
) -> Formula | None:
    """Return a bake's formula without one factor; None where that can not be mixed."""
    try:
        return formula_of(formula, factors, row, leaving=[name])
    except FormulaError:
        return None


def _gone_with(round_: Round) -> Iterator[str]:
    """Yield what water or fat of the whole dough goes, or comes, with an ingredient."""
    assert round_.formula is not None
    formula, factors, rows = round_.formula, round_.plan.factors, _baked(round_)
    formulas = round_.formulas
    for total, what, ends in (
        ("hydration", "water", ("driest", "wettest")),
        ("fat", "fat", ("leanest", "richest")),
    ):
        if ("total", total) in _totals_set(factors):
            continue  # what goes with an ingredient is made up for
        whole = {row["bake"]: formulas[row["bake"]].totals()[total] for row in rows}
        told = []
        for factor in factors:
            kind, named = (factor.changes or ("", ""))[:2]
            if kind not in ("percent", "grams") or named not in formula.mix.table:
                continue
            if formula.mix.find(named).group == what:
                continue  # that is what was asked for
            moved = {
                row["bake"]: whole[row["bake"]] - left.totals()[total]
                for row in rows
                if (left := _leaving(formula, factors, row, factor.name)) is not None
            }
            bake = max(moved, key=lambda one: abs(moved[one]), default="")
            if abs(moved.get(bake, 0.0)) < _MOVES:
                continue
            way = "goes" if moved[bake] < 0 else "comes"
            amount = {row["bake"]: row[factor.name] for row in rows}[bake]
            none = str(amount).casefold() in WITHOUT or amount == 0
            told.append(
                f"{'Without' if none else 'With less' if way == 'goes' else 'With'} {named} its "
                f"{what} {way} too: {whole[bake]:.0f} % {what} instead of "
                f"{whole[bake] - moved[bake]:.0f} %."
            )
        if told:
            low, high = min(whole, key=whole.__getitem__), max(whole, key=whole.__getitem__)
            cross = "water" if what == "water" else "fat"
            yield (
                f"{' '.join(told)} The {ends[0]} would be {low} ({whole[low]:.0f} % of the flour), "
                f"the {ends[1]} {high} ({whole[high]:.0f} %). To keep the {what}, cross "
                f'"{cross}" too, or add a factor with changes = ["total", "{total}"].'
            )


def _water_weighed(round_: Round) -> Iterator[str]:
    """Yield that a swap weighs more or less water, so that the dough keeps what it had.

    And how much wetter it gets where there is none to leave out.
    """
    assert round_.formula is not None
    formula, factors, formulas = round_.formula, round_.plan.factors, round_.formulas
    for factor in factors:
        if factor.changes is None or factor.changes[0] != "swap":
            continue
        if ("total", "hydration") in _totals_set(factors):
            return  # the water of each bake is what was asked for
        old = factor.changes[1]
        weighed: dict[str, list[float]] = {}
        wetter: dict[str, list[float]] = {}
        spare: dict[str, float] = {}
        for row in _baked(round_):
            new = row[factor.name]
            if is_blank(new) or new == old:
                continue
            left = _leaving(formula, factors, row, factor.name)
            if left is None:
                continue
            whole = formulas[row["bake"]]
            water = [sum(map(_water, one.mix.parts.values())) for one in (whole, left)]
            total = [one.totals()["hydration"] for one in (whole, left)]
            weighed.setdefault(new, []).append(water[0] - water[1])
            wetter.setdefault(new, []).append(total[0] - total[1])
            spare[new] = max(water[0], spare.get(new, 0.0))
        for new in weighed:
            yield from _water_words(new, old, weighed[new], wetter[new], spare[new])


def _water_words(
    new: str, old: str, weighed: Sequence[float], wetter: Sequence[float], spare: float
) -> Iterator[str]:
    """Yield how much water is weighed more or less for a swap, and how much wetter bakes get.

    Where there is water to spare none was left out: only what stands for the same fat, sugar or
    yeast is made up for, and the rest is swapped gram for gram.
    """
    more, wet = sum(weighed) > 0, max(wetter) > _WEIGHED
    moved = max(map(abs, weighed)) > _WEIGHED
    told = []
    if moved:
        way = "more" if more else "less"
        told.append(f"{_from_to(weighed)} % of the flour {way} water is weighed")
    if wet:
        none = "of which too little is in the recipe" if moved else "and none is in the recipe"
        why = "gram for gram" if spare > _WEIGHED else f"{none} to leave out"
        told.append(
            f"{why}: with {new} a bake is {_from_to(wetter)} % of the flour wetter, "
            f"and that counts as part of what {new} does"
        )
    if told:
        brings = f"{new[0].upper()}{new[1:]} brings {'less' if more else 'more'} water"
        sign = ":" if moved else ","
        yield f"{brings} than the {old} it replaces{sign} {', '.join(told)}."


def _from_to(amounts: Sequence[float]) -> str:
    """Return amounts as one figure, or as the two between which they lie."""
    low, high = (f"{abs(one):.2g}" for one in sorted((min(amounts), max(amounts)), key=abs))
    return low if low == high else f"{low} to {high}"


def _unrisen(round_: Round) -> Iterator[str]:
    """Yield that a yeasted dough has no step in which it rises."""
    raised = any(
        RAISES.search(name)
        for one in (round_.formula, *round_.formulas.values())
        if one is not None
        for name in (*one.table["ingredient"], *one.mix.parts)
    )
    said = [*(step.name for step in round_.steps), *(one.name for one in round_.plan.factors)]
    if raised and not any(map(_RISES.search, said)):
        when = _without_yeast(round_.plan.factors)
        step = f'name = "rise", minutes = 90{when}'
        where = f"add to the steps {{ {step} }}, with your recipe's minutes."
        if "parents" in round_.plan.details:
            where = (
                f"write at the end of idea.toml, a line each, [[steps]], {step}, with your "
                "recipe's minutes. The heat and minutes that [[process]] gives stay, and come "
                "after it."
            )
        yield f"Nothing says when the dough rises: {where}"


def _without_yeast(factors: Sequence[Factor]) -> str:
    """Return what makes a rise one of the bakes alone that have yeast, where some have none."""
    for factor in factors:
        kind, what = (factor.changes or ("", ""))[:2]
        may_be_none = isinstance(factor, Numeric) and factor.low == 0
        if kind == "percent" and may_be_none and RAISES.search(str(what)):
            return f', only_when = ["{factor.name}", ["with"]]'
        if kind == "swap" and isinstance(factor, Categorical):
            rising = [str(one) for one in factor.levels if RAISES.search(str(one))]
            if rising and len(rising) < len(factor.levels):
                kinds = ", ".join(f'"{one}"' for one in rising)
                return f', only_when = ["{factor.name}", [{kinds}]]'
    return ""


def _soda_alone(round_: Round) -> list[str]:
    """Return a word on baking soda in bakes that hold nothing sour for it to work on."""
    alone = []
    for bake, formula in round_.formulas.items():
        names = list(formula.table["ingredient"])
        soda = any(_SODA.search(name) for name in names)
        if soda and not any(_SOUR.search(name) for name in names):
            alone.append(bake)
    if not alone:
        return []
    where = "every bake" if len(alone) == len(round_.formulas) else in_words(alone)
    return [
        f"Baking soda lifts where something sour meets it (buttermilk, yogurt, molasses, vinegar); "
        f"{where} would be without: it may stay flat and taste of soap (common practice, no "
        "source). Baking powder brings its own acid."
    ]


def _unweighed(factor: Factor) -> str:
    return (
        f'Nothing that is weighed follows "{factor.name}", and no step does: every bake weighs the '
        'same. Say what it changes, as in changes = ["percent", "sugar", "soak"]; or, if you see '
        "to it yourself, by_hand = true."
    )


def _followed_by_nothing(round_: Round) -> Iterator[Factor]:
    """Yield the factors that sound like something that is weighed, and change nothing."""
    kitchen = round_.kitchen
    followed = {step.minutes for step in round_.steps} | {
        heat.factor for heat in (kitchen.heats if kitchen else ())
    }
    hosts = [one.only_when for one in (*round_.plan.factors, *round_.steps) if one.only_when]
    hosts += [one.only_when for one in (kitchen.heats if kitchen else ()) if one.only_when]
    hosts += list(round_.formula.only_when.values() if round_.formula else ())
    followed |= {host for host, _ in hosts}
    for factor in round_.plan.factors:
        done = factor.changes is not None or factor.name in followed
        if done or getattr(factor, "by_hand", False) or not round_.formula:
            continue
        if _sounds_weighed(factor, round_.formula):
            yield factor


def _sounds_weighed(factor: Factor, formula: Formula) -> bool:
    if is_set(factor.unit):
        return False
    table = formula.table_of_ingredients
    nouns = {*_MORE, *TOTALS, *formula.mix.parts, *formula.table["ingredient"]}
    words = {word for noun in nouns for word in re.findall(r"\w+", noun.casefold())}
    named = set(re.findall(r"\w+", factor.name.casefold()))
    if named & words or isinstance(factor, Component):
        return True
    return isinstance(factor, Categorical) and all(str(kind) in table for kind in factor.levels)


def lost(formula: Formula, factor: Factor, factors: Sequence[Factor] = ()) -> Iterator[str]:
    """Yield what goes with an ingredient that a factor leaves out or swaps: its lift, its salt.

    What the other factors of a plan put in lifts too.
    """
    kind, what = (factor.changes or ("", ""))[:2]
    if kind in ("percent", "grams") and what in formula.mix.table:
        none = isinstance(factor, Categorical) and any(
            str(level).casefold() in (*WITHOUT, "0") for level in factor.levels
        )
        row = formula.mix.find(what)
        if not (none or (not isinstance(factor, Categorical) and factor.low == 0)):
            return
        if row.group == "leavener":
            varied = [
                one.changes[1]
                for one in factors
                if one.changes is not None and one.changes[0] in ("percent", "grams")
            ]
            rest = [
                name
                for name in dict.fromkeys([*formula.table["ingredient"], *varied])
                if formula.mix.find(name).group == "leavener" and formula.mix.find(name) != row
            ]
            left = f"{rest[0]} alone lifts" if rest else "nothing but steam and beaten air lifts"
            left += f", {_IF_THERE}" if rest and rest[0] in varied else ""
            yield (
                f"Without {what} {left}: it may stay flat or dense, and is less salty too. That is "
                "a finding, not a slip."
            )
        elif row.salt * _most_of(formula, factor) / 100 > _LEAST:
            yield f"Without {what} its salt goes too ({row.salt:.3g} g in 100 g of it)."
    if kind == "swap" and isinstance(factor, Categorical):
        salt = {
            level: formula_of(formula, [factor], {factor.name: level}).totals()["salt"]
            for level in factor.levels
            if not is_blank(level)
        }
        least, most = min(salt, key=salt.__getitem__), max(salt, key=salt.__getitem__)
        if salt[most] - salt[least] > max(_LEAST, _TASTED * salt[most]):
            yield (
                f"With {least} the salt of {most} goes: {salt[least]:.2f} % of the flour instead "
                f"of {salt[most]:.2f} %. Salt it again, or taste the salt as well."
            )


def _most_of(formula: Formula, factor: Factor) -> float:
    """Return the most of an ingredient that a factor leaves in, in percent of the flour."""
    kind, what = (factor.changes or ("", ""))[:2]
    if kind == "percent" and not isinstance(factor, Categorical):
        return float(factor.high)
    mix = formula.mix
    return sum(percent for _, name, percent in mix.rows() if mix.find(name) == mix.find(what))


def water_moved(formula: Formula, factors: Sequence[Factor], row: Mapping[str, Any]) -> list[str]:
    """Return where the water went that a swap in a part of its own brought or took.

    Butter that is folded in brings water to the whole; lard in its place brings none, and what is
    missing goes into the dough, which is then wetter than before.
    """
    told = []
    whole = formula_of(formula, factors, row)
    for factor in factors:
        change = factor.changes or ("",)
        if change[0] != "swap" or is_blank(row[factor.name]) or row[factor.name] == change[1]:
            continue
        before = formula_of(formula, factors, row, leaving=[factor.name])
        at, _ = formula.mix.place(change[1], change[2] if len(change) > 2 else None)
        for part, amounts in whole.mix.parts.items():
            moved = _water(amounts) - _water(before.mix.parts.get(part, {}))
            if part != at and abs(moved) > _LEAST:
                new = row[factor.name]
                why = (
                    f"more water, for what {new} in the {at} does not bring as {change[1]} did."
                    if moved > 0
                    else f"less water, which {new} in the {at} brings and {change[1]} did not."
                )
                told.append(f"{part}: {abs(moved):.2g} % of the flour {why}")
    return told


_KEEPS = {"fat": "fat", "sugar": "sugar", "water": "water"}  # what a swap keeps, in a word


def swapped_words(formula: Formula, factors: Sequence[Factor], row: Mapping[str, Any]) -> list[str]:
    """Return why what a swap puts in weighs otherwise, and where the water of it is."""
    told = []
    whole = formula_of(formula, factors, row)
    for factor in factors:
        kind, old, *part = factor.changes or ("", "")
        new = row[factor.name]
        if kind != "swap" or is_blank(new) or new == old:
            continue
        before = _leaving(formula, factors, row, factor.name)
        keeps = _KEEPS.get(natural_match(formula.mix, old))
        if before is None or keeps is None:
            continue
        at, _ = formula.mix.place(old, *part)
        was, now = before.mix.parts.get(at, {}), whole.mix.parts.get(at, {})
        heavier = sum(now.get(one, 0.0) - was.get(one, 0.0) for one in (old, new))
        water = _water(now) - _water(was)
        why = []
        if abs(heavier) > _WEIGHED:
            why.append(f"it weighs {'more' if heavier > 0 else 'less'}")
        if abs(water) > _WEIGHED:
            holds = old if water > 0 else new
            why.append(f"water is {'added' if water > 0 else 'left out'} for what {holds} holds")
        if why:
            named = f"{new[0].upper()}{new[1:]} for {old} at as much {keeps}"
            told.append(f"{named}: {', and '.join(why)}.")
    return told


def _water(amounts: Mapping[str, float]) -> float:
    return sum(percent for name, percent in amounts.items() if name.casefold() == "water")
