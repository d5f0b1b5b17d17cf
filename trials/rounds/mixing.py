"""What is mixed: the formula of each bake, and the doughs that several bakes are divided from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trials.design.plan import MIXED_ONCE, kitchen_group
from trials.errors import FormulaError, RoundError
from trials.factors import Component, Factor
from trials.recipe.changes import apply_changes
from trials.recipe.formula import Formula
from trials.recipe.mix import totals
from trials.rounds.round import Round
from trials.tables import in_words


def bake_formulas(round_: Round) -> dict[str, Formula]:
    """Return the formula of every bake: the round's own with what its settings change.

    Parameters
    ----------
    round_ : Round

    Returns
    -------
    dict
        Bake to formula, in baking order.

    Raises
    ------
    RoundError
        When the round has no formula.
    FormulaError
        When a bake's settings can not be mixed, naming the bake.
    """
    if round_.formula is None:
        raise RoundError("this round has no formula, so there is nothing to weigh; name one.")
    factors = [factor for factor in round_.plan.factors if factor.changes is not None]
    formulas = {}
    for row in round_.plan.table.to_dict("records"):
        changes = [(factor.changes, _amount(factor, row[factor.name])) for factor in factors]
        try:
            formulas[row["bake"]] = apply_changes(round_.formula, changes)  # type: ignore[arg-type]
        except FormulaError as error:
            raise FormulaError(f"bake {row['bake']}: {error.message}", error.place) from None
    return formulas


def _amount(factor: Factor, setting: Any) -> Any:
    # A blend's share runs from 0 to 1; a formula counts in percent
    in_percent = isinstance(factor, Component) and factor.changes[0] != "cross"  # type: ignore[index]
    return 100.0 * setting if in_percent else setting


@dataclass(frozen=True)
class Dough:
    """One mixture made once and divided between bakes: a load of its own.

    Parameters
    ----------
    name : str
        "dough batch 1".
    group : str
        The column of the plan that says who shares it.
    bakes : tuple of str
        In baking order.
    part : str
        The part of the formula that it is.
    formula : Formula
        Of the first bake; the part is the same in all of them.
    """

    name: str
    group: str
    bakes: tuple[str, ...]
    part: str
    formula: Formula


def shared_doughs(round_: Round, formulas: Mapping[str, Formula]) -> list[Dough]:
    """Return the doughs that are made once and divided between bakes, in baking order.

    Bakes share a dough where they share a "dough" or "batter", or a hard-to-change setting that
    changes the formula, and the part that holds the flour is the same in all of them. Reference
    bakes of another formula are mixed by themselves.

    Parameters
    ----------
    round_ : Round
    formulas : mapping of str to Formula
        As :func:`bake_formulas` returns them.

    Raises
    ------
    FormulaError
        When bakes are planned from one dough, yet their settings change it.
    """
    plan = round_.plan
    found = []
    for group in plan.groups:
        changed = any(one.group == group and one.changes is not None for one in plan.factors)
        if group not in MIXED_ONCE and not changed:
            continue
        for number, rows in plan.table.groupby(group, sort=False):
            name = f"{kitchen_group(group, plan.factors)} {number}"
            found += _doughs(name, group, _fellows(rows, formulas), formulas)
    return found


def _fellows(rows: pd.DataFrame, formulas: Mapping[str, Formula]) -> list[str]:
    """Return the bakes of a group without reference bakes that are mixed otherwise."""
    own = list(rows.loc[rows["role"] != "control", "bake"])
    if not own:
        return []
    first = formulas[own[0]].mix.parts
    return [bake for bake in rows["bake"] if bake in own or formulas[bake].mix.parts == first]


def _doughs(
    name: str, group: str, bakes: Sequence[str], formulas: Mapping[str, Formula]
) -> list[Dough]:
    if len(bakes) < 2:
        return []
    first = formulas[bakes[0]]
    mix = first.mix
    found = []
    for part in mix.parts:
        if part in mix.aside or not totals(mix, part)["flour"]:
            continue
        other = [bake for bake in bakes if not _same(first, formulas[bake], part)]
        if not other:
            found.append(Dough(name, group, tuple(bakes), part, first))
        elif group in MIXED_ONCE:
            raise FormulaError(
                f"{in_words(bakes)} are divided from one {name}, yet {bakes[0]} and {other[0]} "
                f'hold it otherwise mixed. Make what changes it hard to change as "{group}" too, '
                "or put what is worked in later into a part of its own."
            )
    return found if len(found) < 2 else [_named(one) for one in found]


def _same(one: Formula, other: Formula, part: str) -> bool:
    mine, theirs = one.mix.parts[part], other.mix.parts.get(part, {})
    return set(mine) == set(theirs) and all(
        abs(mine[name] - theirs[name]) <= 1e-9 * mine[name] for name in mine
    )


def _named(dough: Dough) -> Dough:
    return Dough(f"{dough.name}, {dough.part}", dough.group, dough.bakes, dough.part, dough.formula)
