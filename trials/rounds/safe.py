"""What each bake holds, and that nobody is served what they avoid."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from trials.base.errors import Place, TastingError
from trials.core.factors import Categorical, Factor, is_blank
from trials.recipe.formula import Formula, allergens
from trials.rounds.forms import ACTUAL as DONE
from trials.rounds.forms import BAKES, SERVING, read_serving
from trials.rounds.gathering import gather, sources
from trials.rounds.round import Round, check_people
from trials.tasting.panel import bakes_to_avoid, why_not

Contents = dict[str, tuple[tuple[str, ...], tuple[str, ...]]]
SHOWN = 3  # servings that a refusal spells out
_ABSENT = frozenset(
    {"without", "no", "none", "off", "0"}
)  # kinds that say that a thing is not there


def contents(round_: Round) -> Contents:
    """Return the allergens and the things that each bake holds, as it was planned.

    Things are ingredients, by the name used and by the table's own; settings that change no
    formula, in words (a coating of sesame); and the steps (brush with egg wash).
    """
    formulas = round_.formulas if round_.formula else {}
    found = {}
    for row in round_.plan.table.to_dict("records"):
        formula = formulas.get(row["bake"])
        things = [*(_mixed(formula) if formula else []), *_done_by_hand(round_, row)]
        found[row["bake"]] = (
            allergens(formula) if formula else (),
            tuple(dict.fromkeys(things)),
        )
    return found


def _mixed(formula: Formula) -> list[str]:
    """Return what is mixed, by the name used and by the table's own: besan is chickpea flour."""
    names = list(formula.table["ingredient"])
    return [one for name in names for one in (name, formula.mix.find(name).name)]


def _done_by_hand(round_: Round, row: Mapping[str, Any]) -> list[str]:
    """Return what no formula holds: kinds that are done by hand, and steps."""
    things = []
    for factor in round_.plan.factors:
        setting = row[factor.name]
        if factor.changes is not None or not isinstance(factor, Categorical) or is_blank(setting):
            continue
        if str(setting).casefold() not in _ABSENT:
            things += [factor.name, str(setting)]
    return things + [step.name for step in round_.steps if step.is_for(row)]


def kept_from(round_: Round) -> dict[str, frozenset[str]]:
    """Return for each taster the bakes that are never served to them."""
    check_people(round_)
    return bakes_to_avoid(round_.tasters, _held(round_, read_serving(round_)))


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
                things.append(thing)
                if round_.formula and thing in round_.formula.mix.table:
                    named += round_.formula.mix.find(thing).allergens
    return bakes


def _brought(round_: Round, factor: Factor, done: float | str) -> list[str]:
    """Return what a setting may bring into a bake, in words."""
    if isinstance(factor, Categorical):
        return [str(done)]
    kind, what = factor.changes[:2] if factor.changes else ("", "")
    if not float(done):
        return []
    if kind == "cross":
        return _mixed(what)
    return [what] if kind in ("percent", "flour share", "grams") else []
