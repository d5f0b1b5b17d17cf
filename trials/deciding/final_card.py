"""The recipe that a development ends with, as a card ready to publish."""

import html
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from trials.errors import RoundError
from trials.factors import Categorical, Factor
from trials.recipe.card import Card, card
from trials.recipe.cautions import cautions
from trials.recipe.formula import Formula
from trials.recipe.units import VOLUMES, convert, household
from trials.rounds.mixing import bake_formulas
from trials.rounds.round import Round
from trials.tables import in_words, percent, tidy_number

EGG = 50.0  # grams of a middling egg without its shell (common practice, no source)
_EGG_NAMES = ("egg", "eggs", "whole egg")


@dataclass(frozen=True, eq=False)
class FinalCard:
    """A recipe ready to publish.

    Parameters
    ----------
    card : Card
        Amounts, percentages of the flour, allergens.
    settings : dict
        Every factor with its setting, in words.
    process : tuple of str
        The settings that are no ingredient, then the steps of the round.
    cautions : tuple of str
    evidence : tuple of str
        How many bakes and tasters it rests on, and whether it was confirmed.
    notes : tuple of str
        Where rounding leaves what was tried, and what is invented.
    formula : Formula
        As exact as it was baked.
    """

    card: Card
    settings: Mapping[str, str]
    process: tuple[str, ...]
    cautions: tuple[str, ...]
    evidence: tuple[str, ...]
    notes: tuple[str, ...] = ()
    formula: Formula | None = field(default=None, repr=False)

    def text(self) -> str:
        """Return the card as plain text."""
        amounts = self.card.amounts.copy()
        amounts["percent"] = [f"{tidy_number(value, 3)} %" for value in amounts["percent"]]
        lines = [self.card.name.upper(), "", amounts.to_string(index=False, header=False), ""]
        lines += [*self.process, "", f"Allergens: {in_words(self.card.allergens) or 'none known'}."]
        lines += [*self.cautions, "", *self.evidence, self.card.note, *self.notes]
        if self.card.origin:
            lines.append(f"Origin: {self.card.origin}.")
        return "\n".join(lines)

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        amounts = self.card.amounts.copy()
        amounts["percent"] = [f"{tidy_number(value, 3)} %" for value in amounts["percent"]]
        table = amounts.to_html(index=False, border=0, escape=True)
        pieces = [f"<h3>{html.escape(self.card.name)}</h3>", table]
        pieces += [_list(self.process), f"<p><b>Allergens:</b> {_allergens(self.card)}</p>"]
        pieces.append(_list(self.cautions))
        small = [*self.evidence, self.card.note, *self.notes]
        if self.card.origin:
            small.append(f"Origin: {self.card.origin}.")
        pieces.append(f"<p><small>{html.escape(' '.join(small))}</small></p>")
        return "".join(pieces)


def _list(lines: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{html.escape(line)}</li>' for line in lines)}</ul>"


def _allergens(found: Card) -> str:
    return html.escape(in_words(found.allergens) or "none known")


def final_card(
    round_: Round,
    settings: Mapping[str, Any],
    *,
    evidence: Sequence[str] = (),
    tried: Mapping[str, tuple[float, float]] | None = None,
    units: str = "grams",
    whole_eggs: bool = False,
    **amount: float,
) -> FinalCard:
    """Return the recipe of a setting as a card ready to publish.

    Parameters
    ----------
    round_ : Round
        Whose formula, steps and batch are used.
    settings : mapping
        A setting for every factor.
    evidence : sequence of str
        What the recipe rests on.
    tried : mapping of factor name to (lowest, highest), optional
        The range that was baked; the factor's limits when left out.
    units : {"grams", "ounces", "household"}
    whole_eggs : bool
        The batch is made so large that its eggs are whole.
    **amount
        dough, flour, pieces and piece, as `Formula.grams` takes them; the round's batch when left
        out.

    Returns
    -------
    FinalCard

    Raises
    ------
    RoundError
        When the round has no formula, or whole eggs are wanted of a recipe without egg.

    Examples
    --------
    >>> final_card.__name__
    'final_card'
    """
    factors = round_.plan.factors
    formula = _formula(round_, settings)
    grams = formula.grams(**(amount or _batch(round_)))
    notes: list[str] = []
    if whole_eggs:
        grams, said = _with_whole_eggs(formula, grams)
        notes.append(said)
    shown = card(formula, grams, units)
    if whole_eggs:
        shown = replace(shown, amounts=_eggs_counted(shown.amounts, grams))
    if units == "household":
        measured = _rounded(formula, grams)
        notes += _outside(measured, factors, settings, tried or {})
    if round_.invented:
        notes.append("Everything on this card is invented to show the way.")
    words = {factor.name: factor.show(settings[factor.name]) for factor in factors}
    process = [f"{f.name}: {words[f.name]}." for f in factors if f.changes is None]
    process += [_step(step, settings) for step in round_.steps]
    found = cautions(formula, {name: settings[name] for name in words})
    return FinalCard(
        card=shown,
        settings=words,
        process=tuple(process),
        cautions=tuple(one.text for one in found),
        evidence=tuple(evidence),
        notes=tuple(notes),
        formula=formula,
    )


def _formula(round_: Round, settings: Mapping[str, Any]) -> Formula:
    """Return the formula of one setting, as a bake of the round would have it."""
    if round_.formula is None:
        raise RoundError("this round has no formula, so there is no recipe to hand on; name one.")
    row = round_.plan.table.iloc[[0]].assign(bake="B01", role="trial", **settings)
    return bake_formulas(replace(round_, plan=replace(round_.plan, rows=row)))["B01"]


def _batch(round_: Round) -> dict[str, Any]:
    return {"dough": round_.batch.grams, "loss": round_.batch.loss}


def _step(step: Any, settings: Mapping[str, Any]) -> str:
    minutes = settings.get(step.minutes, step.minutes)
    return f"{step.name.capitalize()}, {tidy_number(float(minutes), 3)} min."


def _with_whole_eggs(formula: Formula, grams: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Return a batch a little larger or smaller, so that its eggs are whole."""
    eggs = grams["ingredient"].isin(_EGG_NAMES)
    if not eggs.any():
        raise RoundError(f'"{formula.name}" holds no whole egg, so none can be counted.')
    weight = float(grams.loc[eggs, "grams"].sum())
    count = max(1, round(weight / EGG))
    scaled = grams.assign(grams=grams["grams"] * count * EGG / weight)
    return scaled, (
        f"The batch is {percent(count * EGG / weight)} of the one that was baked, so that "
        f"{count} egg{'s go' if count > 1 else ' goes'} in whole ({EGG:.0f} g each, without the "
        "shell); all percentages stay as they were."
    )


def _eggs_counted(amounts: pd.DataFrame, grams: pd.DataFrame) -> pd.DataFrame:
    counted = amounts.copy()
    for at in counted.index[counted["ingredient"].isin(_EGG_NAMES)]:
        count = round(float(grams.loc[at, "grams"]) / EGG)
        counted.loc[at, "amount"] = (
            f"{count} egg{'s' if count > 1 else ''} ({tidy_number(count * EGG, 4)} g)"
        )
    return counted


def _rounded(formula: Formula, grams: pd.DataFrame) -> Formula:
    """Return the formula that the rounded cups and spoons make."""
    parts: dict[str, dict[str, float]] = {}
    for row in grams.to_dict("records"):
        density = formula.mix.find(row["ingredient"]).density
        part = parts.setdefault(str(row.get("part", "")), {})
        part[row["ingredient"]] = _spooned(float(row["grams"]), density)
    return Formula(
        formula.name,
        parts if len(parts) > 1 else next(iter(parts.values())),
        ingredients=formula.ingredients,
        also_flour=formula.also_flour,
        aside=formula.aside,
    )


def _spooned(weight: float, density: float | None) -> float:
    found = re.fullmatch(
        r"about (?:(\d+) ?)?(?:(\d)/(\d) )?(cup|tbsp|tsp)s?", household(weight, density)
    )
    if density is None or not found:
        return weight
    whole, top, bottom, name = found.groups()
    amount = int(whole or 0) + (int(top) / int(bottom) if top else 0.0)
    return convert(amount * VOLUMES[name], "ml", "g", density=density)


def _outside(
    rounded: Formula,
    factors: Sequence[Factor],
    settings: Mapping[str, Any],
    tried: Mapping[str, tuple[float, float]],
) -> list[str]:
    """Return where rounding to cups and spoons leaves what was tried, as sentences."""
    said = []
    for factor in factors:
        if isinstance(factor, Categorical) or factor.changes is None:
            continue
        value = _value(rounded, factor.changes)
        if value is None:
            continue
        low, high = tried.get(factor.name, (factor.low, factor.high))
        if not low - 1e-9 <= value <= high + 1e-9:
            said.append(
                f"Rounded to cups and spoons, {factor.name} becomes {factor.show(round(value, 1))} "
                f"instead of {factor.show(settings[factor.name])}: outside the "
                f"{factor.show(low)} to {factor.show(high)} that were tried. Weigh instead."
            )
    return said


def _value(formula: Formula, change: Any) -> float | None:
    """Return what a factor would be set to in a formula; None for swaps and crossings."""
    kind, name = change[0], change[1]
    if kind == "total":
        return float(formula.totals()[name])
    grams = formula.grams(flour=100.0).groupby("ingredient")["grams"].sum()
    if kind in ("percent", "flour share"):
        return float(grams.get(name, 0.0))
    return None
