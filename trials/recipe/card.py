"""The recipe as it is handed on: where it came from, and its amounts in the reader's units."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import FormulaError
from trials.base.html import render
from trials.base.words import in_words, tidy_number
from trials.recipe.cautions import Caution, cautions, may_hold
from trials.recipe.formula import Formula
from trials.recipe.units import WEIGHTS, convert, household, ounces
from trials.recipe.weighing import shown_grams, shown_percent, weigh

READERS_UNITS = {
    "grams": "Grams, and percent of the flour.",
    "ounces": "Ounces, rounded; less than one in spoons, about. Percent of the flour.",
    "household": "Cups and spoons are approximate; weigh where you can. Percent of the flour.",
}
UNSAID = "not said"
TEMPLATES = Path(__file__).parent / "templates"
OUNCE = WEIGHTS["oz"]


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
    settings : tuple of (str, str)
        How it is made: name and setting, in the reader's units.
    cautions : tuple of Caution
        What applies to it; none can be left out.
    """

    name: str
    origin: str
    amounts: pd.DataFrame
    allergens: tuple[str, ...]
    note: str
    settings: tuple[tuple[str, str], ...] = ()
    cautions: tuple[Caution, ...] = ()

    def __repr__(self) -> str:
        lines = [f"{self.name}. From: {self.origin or UNSAID}."]
        for row in self.rows():
            lines += [f"{row['begins']}:"] if row["begins"] else []
            lines.append(f"{row['amount']} {row['ingredient']} ({row['percent']})")
        lines += [f"{name}: {setting}" for name, setting in self.settings]
        lines += [self.note, *(f"{one.subject}: {one.text}" for one in self.cautions)]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return render(TEMPLATES, "card.html", card=self, rows=self.rows(), unsaid=UNSAID)

    def rows(self) -> list[dict[str, str]]:
        """Return the amounts as they are read; a part is named where it begins."""
        rows, part = [], ""
        for row in self.amounts.to_dict("records"):
            begins = row.get("part", "") if row.get("part", "") != part else ""
            part = row.get("part", "")
            shown = {name: str(row[name]) for name in ("ingredient", "amount")}
            rows.append(shown | {"begins": str(begins), "percent": _percent(row)})
        return rows


@checked_types(FormulaError)
def card(
    formula: Formula,
    grams: pd.DataFrame,
    units: str = "grams",
    settings: Mapping[str, tuple[Any, str]] | None = None,
    scales: Sequence[float] = (1, 0.1),
) -> Card:
    """Return the card of a recipe.

    Parameters
    ----------
    formula : Formula
        The recipe; its origin goes with it.
    grams : DataFrame
        The batch, as the formula's `grams` returns it.
    units : {"grams", "ounces", "household"}
        What the reader weighs or measures with. In household units an ingredient whose density
        is not in the table is given in ounces, as less than an ounce is in spoons. With ounces
        and household units degrees are °F.
    settings : mapping of str to (value, unit), optional
        How it is made: {"oven": (190, "°C"), "fat": ("butter", "")}.
    scales : sequence of float
        What each of the reader's scales shows, grams.

    Raises
    ------
    FormulaError
        When the units are none of these.

    Examples
    --------
    >>> snap = Formula("snap", {"rice flour": 100, "honey": 20}, origin="own, invented")
    >>> found = card(snap, snap.grams(flour=300), "household", {"oven": (190, "°C")})
    >>> found.amounts["amount"].tolist()
    ['about 1 3/4 cups + 2 tbsp', 'about 2 tbsp + 2 1/2 tsp']
    >>> found.origin, found.settings
    ('own, invented', (('oven', '374 °F'),))
    """
    if units not in READERS_UNITS:
        raise FormulaError(f'a card shows {in_words(READERS_UNITS, "or")}, not "{units}".')
    settings = dict(settings or {})
    made = {name: value for name, (value, _) in settings.items()}
    amounts = grams.copy()
    amounts["amount"] = _amounts(formula, grams, units, scales)
    columns = [name for name in ("part", "ingredient", "amount", "percent") if name in amounts]
    return Card(
        formula.name,
        formula.origin,
        amounts[columns],
        may_hold([formula], made),
        READERS_UNITS[units],
        tuple((name, _setting(*said, units)) for name, said in settings.items()),
        tuple(cautions(formula, made)),
    )


def _amounts(
    formula: Formula, grams: pd.DataFrame, units: str, scales: Sequence[float]
) -> list[str]:
    """Return every amount as its reader weighs or measures it."""
    if units == "grams":
        weighed = weigh(grams, scales)[["weighed", "scale"]].to_numpy()
        return [shown_grams(*one) for one in weighed]
    named = zip(grams["ingredient"], grams["grams"], strict=True)
    found = ((formula.mix.find(name).density, weight) for name, weight in named)
    if units == "household":
        return [household(weight, density) for density, weight in found]
    return [
        ounces(weight) if weight >= OUNCE or density is None else household(weight, density)
        for density, weight in found
    ]


def _setting(value: Any, unit: str, units: str) -> str:
    if unit == "°C" and units != "grams":
        value, unit = convert(float(value), "°C", "°F"), "°F"
    shown = value if isinstance(value, str) else tidy_number(float(value), 4)
    return f"{shown}{'' if unit in ('', '%') else ' '}{unit}"


def _percent(row: Mapping[str, Any]) -> str:
    return shown_percent(row["percent"])
