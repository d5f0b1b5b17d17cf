"""What each bake holds, and that nobody is served what they avoid."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import pandas as pd

from trials.base.errors import FormulaError, Place, TastingError
from trials.base.words import in_words
from trials.core.factors import Categorical, Factor, is_blank
from trials.recipe.avoided import avoidable_in, done_by_hand
from trials.recipe.formula import Formula, allergens, labels_to_read
from trials.recipe.ingredients import Ingredients, shipped
from trials.recipe.units import is_set
from trials.rounds.forms import ACTUAL as DONE
from trials.rounds.forms import BAKES, SERVING, read_serving
from trials.rounds.gathering import gather, sources
from trials.rounds.mixing import formula_of
from trials.rounds.round import Round, check_people
from trials.tasting.panel import (
    Taster,
    bakes_to_avoid,
    clashing,
    named_for,
    never_served,
    served_nothing,
    why_not,
)

Contents = dict[str, tuple[tuple[str, ...], tuple[str, ...]]]
SHOWN = 3  # servings that a refusal spells out


def contents(round_: Round) -> Contents:
    """Return the allergens and the things that each bake holds, as it was planned.

    Things are ingredients, by the name used and by the table's own; settings that change no
    formula, in words (a coating of sesame); and the steps (brush with egg wash). Allergens are
    those of the formula and those that such words bring.
    """
    formulas = round_.formulas if round_.formula else {}
    found = {}
    for row in round_.plan.table.to_dict("records"):
        formula = formulas.get(row["bake"])
        by_hand = [thing for thing, _ in said_by_hand(round_, row)]
        mixed = allergens(formula) if formula else ()
        brought = avoidable_in(by_hand, _table(round_))
        found[row["bake"]] = (
            tuple(dict.fromkeys([*mixed, *brought])),
            tuple(dict.fromkeys([*(_mixed(formula) if formula else []), *by_hand])),
        )
    return found


def _table(round_: Round) -> Ingredients:
    return round_.formula.mix.table if round_.formula else shipped()


def _mixed(formula: Formula) -> list[str]:
    """Return what is mixed, by the name used and by the table's own: besan is chickpea flour."""
    names = list(formula.table["ingredient"])
    return [one for name in names for one in (name, formula.mix.find(name).name)]


def said_by_hand(round_: Round, row: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what no formula holds, and where it is said: kinds, amounts by hand, and steps."""
    found = []
    for factor in round_.plan.factors:
        setting = row[factor.name]
        if factor.changes is not None or is_blank(setting):
            continue
        if isinstance(factor, Categorical):
            things = done_by_hand({factor.name: factor.show(setting)})
            found += [(thing, f'"{setting}", a kind of {factor.name}') for thing in things]
        elif float(setting) and _is_amount(factor):
            found.append((factor.name, f"{factor.name}, done by hand"))
    steps = [step.name for step in round_.steps if step.is_for(row)]
    return [*found, *((name, f'the step "{name}"') for name in steps)]


def _is_amount(factor: Factor) -> bool:
    """Say whether a number is an amount of something; heats and times bring nothing in.

    With a unit that is neither, it may be a count of what is put in: held until said otherwise.
    """
    return not is_set(factor.unit)


def kept_from(round_: Round) -> dict[str, frozenset[str]]:
    """Return for each taster the bakes that are never served to them."""
    check_people(round_)
    return bakes_to_avoid(round_.tasters, _held(round_, read_serving(round_)))


def to_look_for(round_: Round) -> list[str]:
    """Return what is to be looked for on the labels that are bought, and for whom, in words."""
    return [
        f"Read every label you buy for the sake of {one.name}, who told you: "
        f"{in_words([*one.avoids, *one.also_avoids])}."
        for one in round_.tasters
        if one.avoids or one.also_avoids
    ]


def never_added(round_: Round) -> dict[str, dict[str, tuple[str, ...]]]:
    """Return, for each bake, what nobody may add to it on the day, and for whose sake.

    What those avoid who are served it; no ingredient of it holds that, so no notice names it.
    """
    kept = kept_from(round_)
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for bake in round_.plan.rows["bake"]:
        own = found.setdefault(bake, {})
        for taster in round_.tasters:
            if bake in kept.get(taster.name, ()):
                continue
            for thing in dict.fromkeys([*taster.avoids, *taster.also_avoids]):
                own[thing] = (*own.get(thing, ()), taster.name)
    return found


def notices(round_: Round) -> dict[str, tuple[str, ...]]:
    """Return what every notice of each bake names: all that keeps the bake from anybody.

    Of one source with :func:`kept_from`: what bakes hold as they were planned, and as they were
    made where that was entered.
    """
    return {
        bake: named_for(round_.tasters, *held)
        for bake, held in _held(round_, read_serving(round_)).items()
    }


def told_to_tasters(round_: Round) -> dict[str, tuple[str, ...]]:
    """Return what tasters are told of each bake: what notices name, and what labels may add."""
    formulas = round_.formulas if round_.formula else {}
    return {
        bake: (*named, *_by_label(formulas.get(bake))) for bake, named in notices(round_).items()
    }


def _by_label(formula: Formula | None) -> list[str]:
    """Return in words what the labels of ingredients may name that no notice does."""
    known = set(allergens(formula)) if formula else set()
    unread = labels_to_read([formula] if formula else [])
    return [
        f"what the label of {name} names"
        for name, more in unread.items()
        if not more or set(more) - known
    ]


def named_as_planned(round_: Round) -> dict[str, tuple[str, ...]]:
    """Return what the notice of each bake names, whatever was typed of how it was made."""
    return {bake: named_for(round_.tasters, *held) for bake, held in contents(round_).items()}


def who_tastes_nothing(round_: Round, kept: Mapping[str, Collection[str]]) -> dict[str, str]:
    """Return, for each taster from whom every bake is kept, the sentence that says so and why."""
    every = set(round_.plan.rows["bake"])
    alone = len(round_.tasters) == 1
    return {
        one.name: served_nothing(one.name, _where(round_, one), alone=alone)
        for one in round_.tasters
        if every <= set(kept.get(one.name, ()))
    }


def _where(round_: Round, taster: Taster) -> list[str]:
    """Return what bakes hold of what a taster avoids, each with its place, in words."""
    found = [
        one
        for row in round_.plan.table.to_dict("records")
        for one in _held_of(round_, taster, row, _planned(round_, row))
    ]
    return list(dict.fromkeys(place for place, _, _ in found))


def _planned(round_: Round, row: Mapping[str, Any]) -> Formula | None:
    return round_.formulas.get(row["bake"]) if round_.formula else None


def not_for(round_: Round, settings: Mapping[str, Any]) -> str:
    """Return who can not taste a bake of such settings, and what of it they avoid; in words.

    Empty where everybody can, and where a setting of the round is not among them or no formula
    has it: then nobody can bake it either.

    Parameters
    ----------
    round_ : Round
    settings : mapping
        By factor, in real units.
    """
    factors = round_.plan.factors
    if not {factor.name for factor in factors} <= set(settings):
        return ""
    try:
        formula = formula_of(round_.formula, factors, settings) if round_.formula else None
    except FormulaError:
        return ""
    told = []
    for taster in round_.tasters:
        held = _in_words(_held_of(round_, taster, settings, formula))
        if held:
            told.append(f"{taster.name} can not taste it ({held})")
    return f"{'; '.join(told)}." if told else ""


def _in_words(held: Sequence[tuple[str, str, list[str]]]) -> str:
    """Return what is held of what a taster avoids: butter: milk."""
    return "; ".join(
        dict.fromkeys(
            name if avoided == [name] else f"{name}: {in_words(avoided)}"
            for _, name, avoided in held
        )
    )


def _held_of(
    round_: Round, taster: Taster, row: Mapping[str, Any], formula: Formula | None
) -> list[tuple[str, str, list[str]]]:
    """Return what a bake holds of what a taster avoids: its place, its name, what is avoided."""
    found = []
    for name in dict.fromkeys(formula.table["ingredient"] if formula else ()):
        own = _table(round_).find(name)
        if avoided := clashing(taster, own.allergens, [name, own.name]):
            found.append((f"{name}, in the formula", name, avoided))
    for thing, place in said_by_hand(round_, row):
        if avoided := clashing(taster, avoidable_in([thing], _table(round_)), [thing]):
            found.append((place, place, avoided))
    return found


def kept_words(round_: Round, kept: Mapping[str, Collection[str]]) -> dict[str, str]:
    """Return, for each taster from whom bakes are kept, which and what each of them holds."""
    rows = round_.plan.table.to_dict("records")
    told = {}
    for taster in round_.tasters:
        why: dict[str, list[str]] = {}
        for row in rows:
            if row["bake"] not in kept.get(taster.name, ()):
                continue
            held = _in_words(_held_of(round_, taster, row, _planned(round_, row)))
            why.setdefault(held or "as it was made", []).append(row["bake"])
        if why:
            told[taster.name] = never_served(taster.name, why)
    return told


def kept_sentences(round_: Round, kept: Mapping[str, Collection[str]]) -> dict[str, str]:
    """Return, for each taster from whom bakes are kept, which and why; or that all of them are."""
    return kept_words(round_, kept) | who_tastes_nothing(round_, kept)


def _held(round_: Round, serving: pd.DataFrame) -> Contents:
    """Return what each bake holds as it was planned, and as it was made where that was entered."""
    held = contents(round_)
    for bake, (named, things) in _made_otherwise(round_, serving).items():
        held[bake] = ((*held[bake][0], *named), (*held[bake][1], *things))
    return held


def check_served(round_: Round, serving: pd.DataFrame) -> None:
    """Refuse servings that put before a taster what they avoid.

    Servings that were drawn once stay; a formula that was changed since, a taster who has told of
    an allergy meanwhile, or a bake that was made with another fat than planned must not slip
    through.
    """
    check_people(round_)
    careful = {one.name: one for one in round_.tasters if one.avoids or one.also_avoids}
    if serving.empty or not careful:
        return
    held = _held(round_, serving)
    told = []
    for row in serving.to_dict("records"):
        taster, bake = careful.get(str(row["taster"])), str(row["bake"])
        reasons = why_not(taster, *held.get(bake, ((), ()))) if taster else ()
        if reasons:
            told.append(f"code {row['code']} is {bake}: {reasons[0]}")
    if told:
        more = f" And {len(told) - SHOWN} more." if len(told) > SHOWN else ""
        raise TastingError(
            f"a taster would get what they avoid: {' '.join(told[:SHOWN])}{more} Do not serve "
            f"{'it' if len(told) == 1 else 'them'}. To draw the servings anew without, put "
            f"{SERVING} away (out of this folder) and write the sheets again.",
            Place(SERVING),
        )


def _made_otherwise(round_: Round, serving: pd.DataFrame) -> dict[str, tuple[list[str], list[str]]]:
    """Return what bakes that were made otherwise than planned hold beside what was planned."""
    found = gather(round_, serving, sources(round_))
    bakes: dict[str, tuple[list[str], list[str]]] = {}
    for bake in round_.plan.rows["bake"]:
        for factor in round_.plan.factors:
            done = found.value(BAKES, (bake,), DONE + factor.name)
            for thing in () if done is None else _brought(round_, factor, done):
                named, things = bakes.setdefault(bake, ([], []))
                table = _table(round_)
                things += [thing, table.find(thing).name] if thing in table else [thing]
                named += avoidable_in([thing], table)
    return bakes


def _brought(round_: Round, factor: Factor, done: float | str) -> list[str]:
    """Return what a setting may bring into a bake, in words."""
    if isinstance(factor, Categorical):
        # What replaces an ingredient is named by itself; a kind done by hand may say "none"
        return [str(done)] if factor.changes else done_by_hand({factor.name: str(done)})
    kind, what = factor.changes[:2] if factor.changes else ("", "")
    if not float(done):
        return []
    if kind == "cross":
        return _mixed(what)
    if factor.changes is None:
        return [factor.name] if _is_amount(factor) else []
    return [what] if kind in ("percent", "flour share", "grams") else []
