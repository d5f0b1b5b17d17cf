"""The recipe as it is handed on: where it came from, and its amounts in the reader's units."""

from dataclasses import dataclass

import pandas as pd

from trials.errors import FormulaError
from trials.recipe.formula import Formula, allergens
from trials.recipe.units import convert, household
from trials.tables import in_words, tidy_number

READERS_UNITS = {
    "grams": "Grams, and percent of the flour.",
    "ounces": "Ounces, rounded; percent of the flour.",
    "household": "Cups and spoons are approximate; weigh where you can. Percent of the flour.",
}


@dataclass(frozen=True, eq=False)
class Card:
    """A recipe to hand on.

    Parameters
    ----------
    name, origin : str
        What it is, and where it came from.
    amounts : DataFrame
        Columns part (when several), ingredient, amount (text), percent.
    allergens : tuple of str
        A prompt: the labels of the packs in hand prevail.
    note : str
        What the amounts are worth.
    """

    name: str
    origin: str
    amounts: pd.DataFrame
    allergens: tuple[str, ...]
    note: str


def card(formula: Formula, grams: pd.DataFrame, units: str = "grams") -> Card:
    """Return the card of a recipe.

    Parameters
    ----------
    formula : Formula
        The recipe; its origin goes with it.
    grams : DataFrame
        The batch, as the formula's `grams` returns it.
    units : {"grams", "ounces", "household"}
        What the reader weighs or measures with. In household units an ingredient whose density
        is not in the table is given in ounces.

    Examples
    --------
    >>> snap = Formula("snap", {"rice flour": 100, "honey": 20}, origin="own, invented")
    >>> found = card(snap, snap.grams(flour=300), "household")
    >>> found.amounts["amount"].tolist(), found.origin
    (['10.6 oz', 'about 2 7/8 tbsp'], 'own, invented')
    """
    if units not in READERS_UNITS:
        raise FormulaError(f'a card shows {in_words(READERS_UNITS, "or")}, not "{units}".')
    amounts = grams.copy()
    amounts["amount"] = [
        _amount(formula, name, weight, units)
        for name, weight in zip(grams["ingredient"], grams["grams"], strict=True)
    ]
    columns = [name for name in ("part", "ingredient", "amount", "percent") if name in amounts]
    return Card(
        formula.name, formula.origin, amounts[columns], allergens(formula), READERS_UNITS[units]
    )


def _amount(formula: Formula, name: str, grams: float, units: str) -> str:
    if units == "household":
        return household(grams, formula.mix.find(name).density)
    if units == "ounces":
        return f"{tidy_number(convert(grams, 'g', 'oz'), 3)} oz"
    return f"{tidy_number(grams, 4)} g"
