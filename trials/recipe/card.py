"""The recipe as it is handed on: where it came from, and its amounts in the reader's units."""

import html
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trials.base.errors import FormulaError
from trials.base.words import in_words, tidy_number
from trials.recipe.cautions import Caution, cautions
from trials.recipe.formula import Formula, allergens
from trials.recipe.units import convert, household

READERS_UNITS = {
    "grams": "Grams, and percent of the flour.",
    "ounces": "Ounces, rounded; percent of the flour.",
    "household": "Cups and spoons are approximate; weigh where you can. Percent of the flour.",
}
UNSAID = "not said"


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
        part = ""
        for row in self.amounts.to_dict("records"):
            if row.get("part", "") != part:
                part = row["part"]
                lines.append(f"{part}:")
            lines.append(f"{row['amount']} {row['ingredient']} ({_percent(row)})")
        lines += [f"{name}: {setting}" for name, setting in self.settings]
        lines += [self.note, *(f"{one.subject}: {one.text}" for one in self.cautions)]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        rows, part = [], ""
        for row in self.amounts.to_dict("records"):
            if row.get("part", "") != part:
                part = row["part"]
                rows.append(f'<tr><th colspan="3">{html.escape(part)}</th></tr>')
            cells = (row["ingredient"], row["amount"], _percent(row))
            rows.append(
                "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
            )
        made = "".join(
            f"<tr><td>{html.escape(name)}</td><td>{html.escape(setting)}</td><td></td></tr>"
            for name, setting in self.settings
        )
        made = f'<tr><th colspan="3">how it is made</th></tr>{made}' if made else ""
        minded = "".join(
            f"<p><b>{html.escape(one.subject)}:</b> {html.escape(one.text)}</p>"
            for one in self.cautions
        )
        return (
            f"<h3>{html.escape(self.name)}</h3><p>From: {html.escape(self.origin or UNSAID)}.</p>"
            f"<table>{''.join(rows)}{made}</table><p>{html.escape(self.note)}</p>{minded}"
        )


def card(
    formula: Formula,
    grams: pd.DataFrame,
    units: str = "grams",
    settings: Mapping[str, tuple[Any, str]] | None = None,
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
        is not in the table is given in ounces. With ounces and household units degrees are °F.
    settings : mapping of str to (value, unit), optional
        How it is made: {"oven": (190, "°C"), "fat": ("butter", "")}.

    Raises
    ------
    FormulaError
        When the units are none of these.

    Examples
    --------
    >>> snap = Formula("snap", {"rice flour": 100, "honey": 20}, origin="own, invented")
    >>> found = card(snap, snap.grams(flour=300), "household", {"oven": (190, "°C")})
    >>> found.amounts["amount"].tolist(), found.origin, found.settings
    (['10.6 oz', 'about 2 7/8 tbsp'], 'own, invented', (('oven', '374 °F'),))
    """
    if units not in READERS_UNITS:
        raise FormulaError(f'a card shows {in_words(READERS_UNITS, "or")}, not "{units}".')
    settings = dict(settings or {})
    amounts = grams.copy()
    amounts["amount"] = [
        _amount(formula, name, weight, units)
        for name, weight in zip(grams["ingredient"], grams["grams"], strict=True)
    ]
    columns = [name for name in ("part", "ingredient", "amount", "percent") if name in amounts]
    return Card(
        formula.name,
        formula.origin,
        amounts[columns],
        allergens(formula),
        READERS_UNITS[units],
        tuple((name, _setting(*said, units)) for name, said in settings.items()),
        tuple(cautions(formula, {name: value for name, (value, _) in settings.items()})),
    )


def _amount(formula: Formula, name: str, grams: float, units: str) -> str:
    if units == "household":
        return household(grams, formula.mix.find(name).density)
    if units == "ounces":
        return f"{tidy_number(convert(grams, 'g', 'oz'), 3)} oz"
    return f"{tidy_number(round(grams, 1 if grams >= 1 else 2))} g"


def _setting(value: Any, unit: str, units: str) -> str:
    if unit == "°C" and units != "grams":
        value, unit = convert(float(value), "°C", "°F"), "°F"
    shown = value if isinstance(value, str) else tidy_number(float(value), 4)
    return f"{shown}{'' if unit in ('', '%') else ' '}{unit}"


def _percent(row: Mapping[str, Any]) -> str:
    return f"{tidy_number(row['percent'], 4)} %"
