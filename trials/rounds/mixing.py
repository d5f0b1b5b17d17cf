"""What each bake is mixed of: a plan's settings worked into a formula."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from trials.base.errors import FormulaError
from trials.core.factors import Component, Factor, Numeric, check_host, holds, is_blank
from trials.core.plan import Plan
from trials.recipe.crossing import WITHOUT, apply_changes
from trials.recipe.formula import Formula


def formulas_of(formula: Formula, plan: Plan) -> dict[str, Formula]:
    """Return the formula of every bake; refuses what can not be mixed, in a cook's figures."""
    for part, when in formula.only_when.items():
        check_host(f'part "{part}" of the formula', when, plan.factors)
    for factor in plan.factors:
        _check_grams(formula, factor)
    formulas = {}
    for row in plan.table.to_dict("records"):
        try:
            formulas[row["bake"]] = formula_of(formula, plan.factors, row)
        except FormulaError as error:
            shown = ", ".join(
                f"{factor.name} {factor.show(row[factor.name])}"
                for factor in plan.factors
                if factor.changes is not None and not is_blank(row[factor.name])
            )
            said = f"bake {row['bake']} ({shown}) can not be mixed: {error.message}"
            raise FormulaError(said, error.place) from None
    return formulas


def mixture_word(formula: Formula | None, steps: Sequence[Any] = ()) -> str:
    """Return what a round's bowl holds, in a word: "batter" or "dough".

    A step that names one of them says so; else the formula does.

    Examples
    --------
    >>> mixture_word(Formula("honey cake", {"bread flour": 100, "milk": 60}))
    'batter'
    """
    named = " ".join(step.name.casefold() for step in steps)
    said = [word for word in ("batter", "dough") if word in named]
    if len(said) == 1 or formula is None:
        return said[0] if len(said) == 1 else "dough"
    return formula.mixture


def _check_grams(formula: Formula, factor: Factor) -> None:
    """Refuse a percentage that would be weighed as so many grams of a recipe in grams."""
    if not isinstance(factor, Numeric) or not factor.changes or factor.changes[0] != "grams":
        return
    _, name, *part = factor.changes
    if factor.unit.strip() == "%" and not math.isclose(formula.written(name, *part), 1):
        raise FormulaError(
            f'"{factor.name}" is in %, but the recipe is in grams, and changes=("grams", "{name}") '
            f'sets grams of it: say the limits in grams, with the unit "g"; or changes=("percent", '
            f'"{name}") for percent of the flour.'
        )


def formula_of(
    formula: Formula,
    factors: Sequence[Factor],
    settings: Mapping[str, Any],
    *,
    leaving: Sequence[str] = (),
) -> Formula:
    """Return the formula of a bake: the round's own with what its settings change.

    What exists only for some kinds changes nothing elsewhere, and a part of the formula that does
    (a soak, the frying oil) is not there.

    Parameters
    ----------
    formula : Formula
    factors : sequence of Factor
    settings : mapping
        By factor, in real units.
    leaving : sequence of str
        Factors to leave as the formula has them.
    """
    changes = [
        (factor.changes, _amount(factor, settings[factor.name]))
        for factor in factors
        if factor.changes is not None
        and factor.name not in leaving
        and not is_blank(settings[factor.name])
    ]
    gone = [part for part, when in formula.only_when.items() if not holds(when, settings)]
    return apply_changes(formula, changes, without=gone)


_AMOUNTS = ("percent", "grams", "flour share")  # what sets how much of one ingredient there is


def in_place_of(
    formula: Formula, factors: Sequence[Factor], settings: Mapping[str, Any]
) -> dict[str, str]:
    """Return what is mixed in place of an ingredient whose amount is set, by the factor of it.

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> loaf = Formula("loaf", {"cake flour": 100, "olive oil": 50})
    >>> oil = Numeric("oil", 40, 60, "% of flour", changes=("percent", "olive oil"))
    >>> fat = Categorical("fat", ["olive oil", "butter"], changes=("swap", "olive oil"))
    >>> in_place_of(loaf, [oil, fat], {"oil": 60, "fat": "butter"})
    {'oil': 'butter'}
    """
    found = {}
    for swap in factors:
        kind, old, *at = swap.changes or ("", "")
        new = settings[swap.name]
        if kind != "swap" or is_blank(new) or _one_thing(formula, old, new):
            continue
        for factor in factors:
            what, name, *own = factor.changes or ("", "")
            here = not at or not own or at[0].casefold() == own[0].casefold()
            there = not is_blank(settings[factor.name]) and not _is_none(settings[factor.name])
            if what in _AMOUNTS and here and there and _one_thing(formula, name, old):
                found[factor.name] = str(new)
    return found


def _is_none(amount: Any) -> bool:
    return str(amount).casefold() in WITHOUT if isinstance(amount, str) else amount == 0


def _one_thing(formula: Formula, one: str, other: str) -> bool:
    """Say whether two names are of one ingredient."""
    table = formula.mix.table
    if one in table and other in table:
        return table.find(one) == table.find(other)
    return one.casefold() == other.casefold()


def _amount(factor: Factor, setting: Any) -> Any:
    # A blend's share runs from 0 to 1; a formula counts in percent
    in_percent = isinstance(factor, Component) and factor.changes[0] != "cross"  # type: ignore[index]
    return 100.0 * setting if in_percent else setting
