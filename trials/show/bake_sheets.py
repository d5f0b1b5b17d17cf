"""The sheets of the cook: what to weigh and set for each bake, each day, and what to buy."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import ceil
from pathlib import Path
from typing import Any

import pandas as pd

from trials.base.html import render
from trials.base.words import how_many, in_words, tidy_number
from trials.core.factors import Categorical, Factor, is_blank
from trials.core.measures import Measure
from trials.core.plan import kitchen_group
from trials.core.roles import STATUSES, Role
from trials.design.divided import ways_of_cooking
from trials.recipe.avoided import ingredients_in
from trials.recipe.cautions import (
    ALLERGENS,
    HOT_OIL,
    Caution,
    cautions,
    cautions_of_all,
    is_frying,
)
from trials.recipe.formula import Formula
from trials.recipe.ingredients import shipped
from trials.recipe.weighing import shown_grams
from trials.rounds.amounts import (
    FRYING_OIL,
    SPILL,
    Dough,
    ample_words,
    batch_sentence,
    bowl_words,
    dough_weights,
    fried_bakes,
    left_over_words,
    per_day,
    pieces_needed,
    pieces_sentence,
    process_settings,
    shared_doughs,
    shopping_list,
    used,
    weighed_otherwise,
    weighed_words,
    weights,
)
from trials.rounds.extremes import baked_first, suggested
from trials.rounds.kitchen import Batch, Step
from trials.rounds.mixing import mixture_word
from trials.rounds.overlooked import overnight, swapped_words, water_moved
from trials.rounds.round import Round
from trials.rounds.safe import never_added, notices, said_by_hand, to_look_for
from trials.rounds.timetable import Timetable, shared_name
from trials.tasting.panel import clashing

# -- What to weigh for one bake or one dough, as a table to print.


TEMPLATES = Path(__file__).parent / "templates"
WHOLE = 100  # grams from which a list needs no tenths


def weigh_table(grams: pd.DataFrame, aside: Sequence[str] = ()) -> dict[str, Any]:
    """Return what to weigh, part by part, with its sum, and on which scale where there are two."""
    several = grams["part"].nunique() > 1
    rows: list[dict[str, str]] = []
    for part, own in grams.groupby("part", sort=False):
        if several:
            rows.append({"part": str(part)})
        rows += [_ingredient(row) for row in own.to_dict("records")]
    mixed = grams[~grams["part"].isin(aside)]
    return {
        "of": "",
        "rows": rows,
        "total": tidy_number(round(mixed["grams"].sum(), 6)),
        "notes": _on_scales(grams),
    }


def _ingredient(row: Mapping[str, Any]) -> dict[str, str]:
    return {
        "name": f"{row['ingredient']}{'' if row['within'] else ' *'}",
        "grams": shown_grams(row["grams"], row["scale"]),
    }


def _on_scales(grams: pd.DataFrame) -> list[str]:
    """Return what goes on the finer of two scales, and what is too little for either."""
    words = []
    finest = tidy_number(grams["scale"].min())
    if "." in finest and grams["scale"].nunique() > 1:
        words.append(f"What has a decimal is weighed on the scale that shows {finest} g.")
    if not grams["within"].astype(bool).all():
        words.append("* too little to weigh well on this scale: make a larger batch, or premix it.")
    return words


_ONE_WEIGHT = 1.005  # of the lightest bake: as heavy but for rounding


def _to_one_weight(grams: pd.DataFrame) -> list[str]:
    """Return why bakes differ in what nobody varied: each is mixed to the same weight."""
    counted = grams[grams["percent"] > 0]
    flour = (counted["exact"] / counted["percent"] * 100).groupby(counted["bake"]).median()
    whole = counted.groupby("bake")["exact"].sum()
    # Of what is set in grams the rest keeps its own grams, and bakes differ in weight
    if flour.round().nunique() < 2 or whole.max() > _ONE_WEIGHT * whole.min():
        return []
    return [
        "Every bake is mixed to the same weight: with more of one thing there is a little less of "
        "all the others."
    ]


# -- What to buy for a round and what each day uses, as a page to print.


def shopping_page(round_: Round) -> str:
    """Return the sheet for the round: the order of bakes, what to buy, what each day uses."""
    return render(
        TEMPLATES,
        "shopping.html",
        title=f"To buy: {round_.name}",
        round_name=round_.name,
        invented=round_.invented,
        said=[
            round_.plan.sentence() + ".",
            *to_look_for(round_),
            batch_sentence(round_, round_.batch),
            *filter(None, [ample_words(round_, round_.batch)]),
            pieces_sentence(round_, round_.batch, pieces_needed(max(1, len(round_.tasters)))),
            *suggested(round_),
        ],
        order=_order(round_),
        buy=to_buy(round_),
        on_top=for_the_extremes(round_),
        oil=frying_oil_avoided(round_),
        besides=in_words([*not_weighed(round_), "crackers", "water", "cups"]),
        spill=tidy_number(SPILL),
        days=each_day(round_),
        cautions=[one for one in round_cautions(round_) if one.subject == ALLERGENS],
    )


def to_buy(round_: Round) -> pd.DataFrame:
    """Return the shopping list as it is read: with its units, summed where prices are known."""
    table = shopping_list(round_)
    shown = pd.DataFrame(
        {
            "ingredient": table["ingredient"],
            "in bakes": table["bakes"].astype(str),
            "used": [_bought(grams) for grams in table["grams"]],
            f"with {tidy_number(SPILL)} % to spare": [f"{grams} g" for grams in table["buy"]],
        }
    )
    cost = next((str(name) for name in table if str(name).startswith("cost")), "")
    if cost:
        shown[cost] = ["" if pd.isna(one) else f"{one:.2f}" for one in table[cost]]
        total = ["all that has a price", "", "", "", f"{table[cost].sum():.2f}"]
        shown.loc[len(shown)] = total
    return shown


def not_weighed(round_: Round) -> list[str]:
    """Return what bakes take and nothing says how much of: frying oil, what is brushed on."""
    parts = [
        part
        for one in (round_.formulas if round_.formula else {}).values()
        for part in one.mix.parts
    ]
    filled = round_.kitchen is not None and round_.kitchen.oil_fill > 0
    found: dict[str, str] = {}
    if HOT_OIL in round_cautions(round_) and not filled and not any(map(is_frying, parts)):
        found[FRYING_OIL] = "oil_fill under [kitchen] in idea.toml says how much"
    table = round_.formula.mix.table if round_.formula else shipped()
    for row in round_.plan.table.to_dict("records"):
        for thing, place in said_by_hand(round_, row):
            for one in ingredients_in([thing], table):
                if one.water < _ALL_WATER:
                    found.setdefault(one.name, place)
    return [f"{name} (not weighed: {why})" for name, why in found.items()]


def frying_oil_avoided(round_: Round) -> list[str]:
    """Return who can not have which oil or fat for frying, where nothing says which it is."""
    formulas = round_.formulas if round_.formula else {}
    table = round_.formula.mix.table if round_.formula else shipped()
    rows = {row["bake"]: row for row in round_.plan.table.to_dict("records")}
    unnamed = [
        bake
        for bake in fried_bakes(round_)
        if not any(map(is_frying, formulas[bake].mix.parts if bake in formulas else ()))
        and not any(
            one.group == "fat"
            for one in ingredients_in(
                [thing for thing, _ in said_by_hand(round_, rows[bake])], table
            )
        )
    ]
    told = []
    for taster in round_.tasters if unnamed else ():
        never: dict[str, None] = {}
        avoided: dict[str, None] = {}
        for name in FRIED_IN:
            held = table.find(name).allergens if name in table else ()
            for word in dict.fromkeys([*taster.avoids, *taster.also_avoids]):
                # Oils are told apart by what stands before the word
                alone = replace(taster, avoids=[_of_what(word)], also_avoids=[])
                if clashing(alone, held, [_of_what(name)]):
                    never[name] = None
                    avoided[word] = None
        if never:
            told.append(
                f"{FRYING_OIL[0].upper()}{FRYING_OIL[1:]} for {taster.name}, who avoids "
                f"{in_words(avoided)}: no {in_words(never, 'or')}. Read the label of any other."
            )
    return told


# Fats and oils that things are fried in and that somebody may avoid (common practice, no source)
FRIED_IN = (
    "peanut oil",
    "walnut oil",
    "hazelnut oil",
    "almond oil",
    "coconut oil",
    "sesame oil",
    "soybean oil",
    "mustard oil",
    "sunflower oil",
    "rapeseed oil",
    "olive oil",
    "maize oil",
    "butter",
    "ghee",
    "lard",
    "beef dripping",
)


def _of_what(oil: str) -> str:
    return re.sub(r"\s+oils?$", "", oil.strip(), flags=re.IGNORECASE)


_ALL_WATER = 100  # percent: water itself is bought nowhere


def for_the_extremes(round_: Round) -> str:
    """Return what the extremes take that are baked before the round; empty where none are."""
    bakes = baked_first(round_)
    own = used(round_)
    grams = own[own["bake"].isin(bakes)].groupby("ingredient", sort=False)["grams"].sum()
    if grams.empty:
        return ""
    listed = in_words(
        f"{name} {ceil(round(one * (1 + SPILL / 100), 6))} g"
        for name, one in grams.sort_values(ascending=False).items()
    )
    return (
        f"On top, where the {'extremes' if len(bakes) > 1 else 'extreme'} ({in_words(bakes)}) "
        f"{'are' if len(bakes) > 1 else 'is'} baked whole before the round, with "
        f"{tidy_number(SPILL)} % to spare: {listed}. Baked small, just to look at, less does."
    )


def each_day(round_: Round) -> pd.DataFrame:
    """Return what each day uses as it is read: frying oil only where a fill is known."""
    word = mixture_word(round_.formula, round_.steps)
    days = per_day(round_).rename(columns={"oil": FRYING_OIL, "dough": word})
    used = ["flour", word, *([FRYING_OIL] if days[FRYING_OIL].sum() else [])]
    shown = days[["day", "bakes"]].astype(str)
    return shown.assign(**{name: [_bought(grams) for grams in days[name]] for name in used})


def _bought(grams: float) -> str:
    return f"{tidy_number(round(grams, 0 if grams >= WHOLE else 1))} g"


def _order(round_: Round) -> dict[str, Any]:
    """Return what a load is called, and the bakes of each day and load, one line each."""
    table = round_.plan.table
    keys = ["day", "load"] if table["load"].notna().any() else ["day"]
    lines = []
    for key, bakes in table.groupby(keys, sort=False, dropna=False):
        names = " ".join(
            f"{bake}{' (reference bake)' if role == Role.REFERENCE else ''}"
            for bake, role in bakes[["bake", "role"]].to_numpy()
        )
        group = "" if pd.isna(key[-1]) else key[-1]
        lines.append({"day": key[0], "group": group, "bakes": names})
    group = kitchen_group("load", round_.plan.factors) if len(keys) > 1 else ""
    return {"group": group, "rows": lines}


def round_cautions(round_: Round) -> list[Caution]:
    """Return what any bake calls for, each once: a swapped fat may bring another allergen."""
    table = round_.plan.table
    settings = {
        factor.name: [value for value in table[factor.name].unique() if not is_blank(value)]
        for factor in round_.plan.factors
        if factor.changes is None
    }
    settings |= {step.name: [""] for step in round_.steps}
    formulas = round_.formulas.values() if round_.formula else [None]
    named = {name for bake in notices(round_).values() for name in bake}
    return cautions_of_all(formulas, settings, named)


# -- The sheet for each bake: what to weigh and set, and boxes for what was really done.


ROLE_WORDS = {"trial": "", Role.CENTRE: "middle-setting bake", Role.REFERENCE: "reference bake"}
ROWS_AT_EASE = 14  # more ingredients than these are set closer, so that a bake keeps to one page
Clocks = dict[tuple[str, str], list[tuple[str, str]]]  # by bake or dough, and step
RESTED = "rested"  # as a dough is, and a batter hardly ever
BLANK_STEPS = ("mixed", RESTED, "baked or fried")


def bake_sheets(
    round_: Round,
    batch: Batch | None = None,
    *,
    steps: Sequence[Step] = (),
    made: Timetable | None = None,
) -> str:
    """Give the sheets of a round to print: one for each bake and for each dough that they share.

    With the timetable of the days each step has its clock time, and a rest that somebody has no
    hands to end in time its real minutes beside those planned.
    """
    batch = batch or round_.batch
    clocks = _clocks(made)
    steps = steps or round_.steps
    formulas = round_.formulas if round_.formula else {}
    grams = weights(round_, batch) if formulas else None
    sheets: list[dict[str, Any]] = []
    rows = round_.plan.table.to_dict("records")
    doughs = shared_doughs(round_, formulas) if formulas else []
    mixed = dough_weights(round_, batch) if doughs else pd.DataFrame()
    named, never = notices(round_), never_added(round_)
    early = overnight(round_)
    one_weight = [] if grams is None else _to_one_weight(grams)
    for place, row in enumerate(rows, start=1):
        bake = row["bake"]
        sheets += [
            _dough_sheet(
                round_, dough, row, mixed[mixed["dough"] == dough.name], one_weight, steps, clocks
            )
            | {"shares": _shares(round_, dough, grams), "bowl": bowl_words(round_, batch, dough)}
            | {"cautions": cautions_of(round_, dough.formula, row, dough.bakes, named, never)}
            | {"early": next((early[one] for one in dough.bakes if one in early), "")}
            for dough in doughs
            if dough.bakes[0] == bake
        ]
        own = None if grams is None else grams[grams["bake"] == bake]
        sheets.append(
            _head(round_, row, place, len(rows))
            | _body(round_, row, own, formulas.get(bake), one_weight, steps, batch, clocks)
            | {"cautions": cautions_of(round_, formulas.get(bake), row, [bake], named, never)}
            | {"early": early.get(bake, "")}
        )
    title = f"Bake sheets: {round_.name}"
    return render(TEMPLATES, "bake_sheets.html", title=title, sheets=sheets)


def _dough_sheet(
    round_: Round,
    dough: Dough,
    row: Mapping[str, Any],
    grams: pd.DataFrame,
    one_weight: Sequence[str],
    steps: Sequence[Step],
    clocks: Clocks,
) -> dict[str, Any]:
    """Return the sheet of a dough that is made once, before its first bake."""
    factors = [one for one in round_.plan.factors if one.group == dough.group]
    invented = ", invented" if round_.invented else ""
    weigh = weigh_table(grams)
    return {
        "kind": "dough",
        "name": dough.name[0].upper() + dough.name[1:],
        "day": row["day"],
        "bake": row["bake"],
        "round_name": f"{round_.name}{invented}",
        "bakes": in_words(dough.bakes),
        "weigh": weigh
        | {
            "of": f", for {how_many(len(dough.bakes), 'bake')}",
            "notes": [*weigh["notes"], *_swaps(round_, row, grams), *one_weight],
        },
        "settings": _settings_table([one for one in factors if not one.changes], row, marked=False),
        "mixed": _mixed(round_, factors, row, grams),
        "times": _steps_table(round_, row, steps, (dough.group,), clocks),
    }


def cautions_of(
    round_: Round,
    formula: Formula | None,
    row: Mapping[str, Any],
    bakes: Sequence[str],
    named: Mapping[str, Sequence[str]],
    never: Mapping[str, Mapping[str, Sequence[str]]],
) -> list[Caution]:
    """Return what a bake, or the dough of several, calls for.

    Its notice names all that its bakes are kept back for, and what nobody may add to them.
    """
    held = {name for bake in bakes for name in named[bake]}
    sake: dict[str, dict[str, None]] = {}
    for bake in bakes:
        for thing, names in never[bake].items():
            sake.setdefault(thing, {}).update(dict.fromkeys(names))
    found = cautions(formula, process_settings(round_, row), held)
    if not sake:
        return found
    told = in_words(f"{thing} ({in_words(names)})" for thing, names in sake.items())
    return [
        Caution(one.subject, f"Nobody adds: {told}. {one.text}")
        if one.subject == ALLERGENS
        else one
        for one in found
    ]


def _shares(round_: Round, dough: Dough, grams: pd.DataFrame) -> str:
    """Return what each bake gets of a dough, and how it is cooked where that is a kind."""
    table = round_.plan.table.set_index("bake")
    ways = [one.name for one in ways_of_cooking(round_.plan.factors)]
    own = grams[grams["ingredient"] == dough.name].set_index("bake")
    shares = []
    for bake in dough.bakes:
        how = ", ".join(str(table.loc[bake, name]) for name in ways)
        weighed = shown_grams(own.loc[bake, "grams"], own.loc[bake, "scale"])
        shares.append(f"{weighed} for {bake}{f' ({how})' if how else ''}")
    return in_words(shares)


def _head(round_: Round, row: Mapping[str, Any], place: int, count: int) -> dict[str, Any]:
    where = ", ".join([f"day {row['day']}", *shared_words(round_, row)])
    told = [f"bake {place} of {count}, {round_.name}", ROLE_WORDS.get(row["role"], "")]
    told += ["invented"] if round_.invented else []
    told = [line for line in told if line]
    return {"kind": "bake", "bake": row["bake"], "where": where, "told": told}


def shared_words(round_: Round, row: Mapping[str, Any]) -> list[str]:
    """Return what a bake shares with others, in kitchen words; who shares a dough is named."""
    words = []
    for group in round_.plan.groups:
        if pd.isna(row[group]):
            continue
        name = f"{kitchen_group(group, round_.plan.factors)} {row[group]}"
        if group == "load":
            words.append(name)
            continue
        others, apart = _sharers(round_, row, group)
        if apart and others:
            # A round of before, when such a bake was listed under a dough that it is not of
            words.append(f"{kitchen_group(group, round_.plan.factors)} of its own")
        elif apart:
            words.append(f"{name}, for this reference bake alone")
        else:
            words.append(f"{name} (one for this and {in_words(others)})" if others else name)
    return words


def _sharers(round_: Round, row: Mapping[str, Any], group: str) -> tuple[list[str], bool]:
    """Return the other bakes of a mixture, and whether this one, a reference bake, is apart."""
    table = round_.plan.table
    set_by = [factor.name for factor in round_.plan.factors if factor.group == group]
    fellows = table[table[group] == row[group]]
    trial = fellows[fellows["role"] != Role.REFERENCE]
    setting = (trial if len(trial) else fellows)[set_by].iloc[0]
    alike = (fellows[set_by] == setting).all(axis=1)
    others = fellows.loc[alike & (fellows["bake"] != row["bake"]), "bake"]
    apart = trial.empty or any(row[name] != setting[name] for name in set_by)
    return list(others), apart


def _body(
    round_: Round,
    row: Mapping[str, Any],
    grams: pd.DataFrame | None,
    formula: Formula | None,
    one_weight: Sequence[str],
    steps: Sequence[Step],
    batch: Batch,
    clocks: Clocks,
) -> dict[str, Any]:
    weigh, dense = None, False
    if grams is not None and formula is not None:
        weigh, dense = weigh_table(grams, formula.aside), len(grams) > ROWS_AT_EASE
        moved = water_moved(round_.formula, round_.plan.factors, row) if round_.formula else []
        over = left_over_words(round_, batch, row["bake"])
        swaps = _swaps(round_, row, grams)
        # Of a bake divided from a dough the dough's own sheet says it
        alike = one_weight if len(grams) > 1 else []
        weigh["notes"] = [*weigh["notes"], *swaps, *moved, *filter(None, [over]), *alike]
    return {
        "settings": _settings_table(
            round_.plan.factors if grams is None else _process(round_),
            row,
            apart=_apart(round_, row),
        ),
        "mixed": [] if grams is None else _mixed(round_, round_.plan.factors, row, grams),
        "times": _steps_table(round_, row, steps, ("bake", *_by_itself(round_, row)), clocks),
        "went": _outcome(round_.measures),
        "weigh": weigh,
        "dense": dense,
    }


def _swaps(round_: Round, row: Mapping[str, Any], grams: pd.DataFrame) -> list[str]:
    """Return why what is swapped in weighs otherwise, where it is weighed here."""
    if round_.formula is None:
        return []
    here = {name.casefold() for name in grams["ingredient"]}
    own = [
        one
        for one in round_.plan.factors
        if one.changes is None or one.changes[0] != "swap" or str(row[one.name]).casefold() in here
    ]
    return swapped_words(round_.formula, own, row)


def _apart(round_: Round, row: Mapping[str, Any]) -> bool:
    """Return whether this reference bake has its own setting of what its group shares."""
    shared = [group for group in round_.plan.groups if pd.notna(row[group])]
    return any(_sharers(round_, row, group)[1] for group in shared)


def _by_itself(round_: Round, row: Mapping[str, Any]) -> list[str]:
    """Return the groups, loads apart, of which this bake is the only one: their work is its own."""
    groups = [one for one in round_.plan.groups if one != "load" and pd.notna(row[one])]
    sharers = {group: _sharers(round_, row, group) for group in groups}
    return [group for group, (others, apart) in sharers.items() if apart or not others]


def _mixed(
    round_: Round, factors: Sequence[Factor], row: Mapping[str, Any], grams: pd.DataFrame
) -> list[tuple[str, str]]:
    """Return the settings that are in what is weighed: nobody sets, or adds, anything for them."""
    here = weighed_otherwise(round_, row, grams)
    return [
        (one.name, weighed_words(one, row[one.name], here.get(one.name)))
        for one in factors
        if one.changes is not None and not is_blank(row[one.name])
    ]


def _settings_table(
    factors: Sequence[Factor], row: Mapping[str, Any], marked: bool = True, apart: bool = False
) -> dict[str, Any] | None:
    own = [one for one in factors if not (one.only_when and is_blank(row[one.name]))]
    if not own:
        return None
    rows = [
        {
            "name": factor.name + ("\u00a0▪" if factor.group and marked else ""),
            "shown": factor.show(row[factor.name]),
            "number": not isinstance(factor, Categorical),
        }
        for factor in own
    ]
    kinds = {kitchen_group(factor.group, factors) for factor in own if factor.group and marked}
    note = ""
    if kinds:
        whole = " or ".join(sorted(kinds))
        note = f"one for the whole {whole}; set it afresh for the next."
        if apart:
            note = f"for this reference bake alone; the other bakes of the {whole} have their own."
    return {"rows": rows, "note": note}


def _clocks(made: Timetable | None) -> Clocks:
    """Return when each step of each bake and dough begins, and how long a rest really is."""
    if made is None:
        return {}
    found: Clocks = {}
    for task in made.tasks.sort_values("start", kind="stable").to_dict("records"):
        really = "" if pd.isna(task["rests for"]) else tidy_number(task["rests for"])
        found.setdefault((task["bake"], task["step"]), []).append((task["from"], really))
    return found


def _steps_table(
    round_: Round,
    row: Mapping[str, Any],
    steps: Sequence[Step],
    per: Sequence[str],
    clocks: Clocks,
) -> dict[str, Any] | None:
    own = [step for step in steps if step.per in per and step.is_for(row)]
    seen: dict[str, int] = {}
    named = []
    for step in own:
        times = clocks.get((shared_name(round_.plan, step.per, row), step.name), [])
        at = seen.setdefault(step.name, 0)
        seen[step.name] += 1
        begins, really = times[at] if at < len(times) else ("", "")
        longer = f" ({really})" if really else ""
        named.append((step.name, f"{_minutes(step, row)}{longer}", begins))
    whole = "bake" in per
    if not whole and not named:
        return None
    rests = mixture_word(round_.formula, round_.steps) == "dough"
    blank = [(name, "", "") for name in BLANK_STEPS if rests or name != RESTED]
    return {
        "rows": named or blank,
        "core": whole,
        "clocks": any(one[2] for one in named),
        "longer": any("(" in one[1] for one in named),
    }


def _minutes(step: Step, row: Mapping[str, Any]) -> str:
    minutes = row[step.minutes] if isinstance(step.minutes, str) else step.minutes
    return f"{tidy_number(float(minutes))} min"


def _outcome(measures: Sequence[Measure]) -> dict[str, Any]:
    measured = [
        f"{measure.name}{f', {measure.unit}' if measure.unit else ''}"
        for measure in measures
        if measure.per == "bake"
    ]
    return {"statuses": list(STATUSES), "measured": measured}


def _process(round_: Round) -> list[Factor]:
    return [factor for factor in round_.plan.factors if factor.changes is None]
