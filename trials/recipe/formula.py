"""A formula in baker's percentages: its totals, its grams, and what can be changed in it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from numbers import Integral, Real
from typing import Any

import pandas as pd

from trials.errors import FormulaError
from trials.recipe.ingredients import Ingredient, Ingredients, shipped
from trials.recipe.mix import ONLY_PART, TOTALS, Mix, read, totals
from trials.recipe.moves import (
    left_out,
    scaled_part,
    swapped,
    with_flour_shares,
    with_percents,
    with_totals,
)
from trials.tables import in_words, tidy_number

ASIDE = ("frying oil",)  # parts that no one eats whole, unless said otherwise
FIRST_TOTALS = ("hydration", "fat", "sugar", "salt")


@dataclass(frozen=True)
class Formula:
    """A formula, of one part or several, in percent of its flour.

    Parameters
    ----------
    name : str
        As the baker says it.
    parts : mapping
        {ingredient: percent}, or {part: {ingredient: percent}} for dough, filling, soak ...
        Whatever the flours of all parts sum to is the 100 %, so grams of a batch can be written
        as well. A part may take in another by name, as final doughs take in a pre-ferment
        ("poolish": 104): that much of the other's whole weight.
    origin : str
        Where it came from, in free words: own, adapted from a book or link, a date.
    ingredients : Ingredients, optional
        The table to look up; the shipped one when left out.
    also_flour : tuple of str
        Ingredients or groups (starch, nut, chocolate) that count as flour too.
    aside : tuple of str
        Parts that count neither in the totals nor in the dough weight: frying oil, a dip.

    Raises
    ------
    FormulaError
        For unknown or ambiguous ingredients, amounts below 0 or not numbers, names that differ
        only in capitals, and a total flour of zero.

    References
    ----------
    Gisslen, Professional Baking (baker's percentage, yield). Which flours make the 100 %, and
    what counts for hydration: common practice, no source.

    Examples
    --------
    >>> batter = Formula("drop doughnut", {"bread flour": 75, "buckwheat flour": 25, "milk": 90,
    ...                  "egg": 20, "butter": 10, "sugar": 8, "salt": 1.6, "instant yeast": 1.2})
    >>> batter.totals().round(1)[["hydration", "fat", "sugar", "salt"]].tolist()
    [96.4, 15.0, 13.5, 1.8]
    >>> batter.grams(pieces=24, piece=40).round(1).head(3)
            ingredient  percent  grams
    0      bread flour     75.0  312.0
    1  buckwheat flour     25.0  104.0
    2             milk     90.0  374.4
    """

    name: str
    parts: Mapping[str, Any]
    origin: str = ""
    ingredients: Ingredients | None = field(default=None, repr=False)
    also_flour: tuple[str, ...] = ()
    aside: tuple[str, ...] = ASIDE

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise FormulaError("a formula needs a name, as you would say it in the kitchen.")
        for words in ("also_flour", "aside"):
            given = getattr(self, words)
            object.__setattr__(self, words, (given,) if isinstance(given, str) else tuple(given))
        object.__setattr__(self, "ingredients", self.ingredients or shipped())
        try:
            mix = self.mix
        except FormulaError as error:
            raise FormulaError(f'formula "{self.name}": {error.message}', error.place) from None
        object.__setattr__(self, "parts", _plain(self.parts))
        object.__setattr__(self, "aside", mix.aside)

    def __hash__(self) -> int:
        return hash((self.name, self.origin, len(self.parts)))

    @cached_property
    def mix(self) -> Mix:
        """The parts in percent of the whole formula's flour, pre-ferments worked out."""
        return read(self.parts, self.table_of_ingredients, self.also_flour, self.aside)

    @property
    def table_of_ingredients(self) -> Ingredients:
        """Where this formula's ingredients are looked up."""
        return self.ingredients or shipped()

    @property
    def table(self) -> pd.DataFrame:
        """Part, ingredient and percent of total flour, one row each."""
        rows = [
            (part, name, percent)
            for part, amounts in self.mix.parts.items()
            for name, percent in amounts.items()
        ]
        return pd.DataFrame(rows, columns=["part", "ingredient", "percent"])

    @property
    def flours(self) -> tuple[str, ...]:
        """The ingredients that make the 100 %."""
        names = dict.fromkeys(name for _, name, _ in self.mix.rows() if self.mix.is_flour(name))
        return tuple(names)

    def totals(self, part: str | None = None, of: str = "flour") -> pd.Series:
        """Return hydration, fat, sugar, salt and further totals.

        Parameters
        ----------
        part : str, optional
            Count only what this part brings.
        of : {"flour", "dough"}
            Percent of the total flour, or of the whole dough (of the part when one is named).

        Returns
        -------
        Series
            hydration (all water but that of flours, starches and nuts), fat, sugar, salt, added
            water (the ingredient alone), water (all, flour's own included), protein, alcohol,
            flour and dough, in percent.
        """
        if of not in ("flour", "dough"):
            raise FormulaError(f'totals are percent of "flour" or of "dough", not of "{of}".')
        found = totals(self.mix, None if part is None else self.mix.named(part))
        scale = 1.0 if of == "flour" else 100.0 / found["dough"]
        rest = [total for total in (*TOTALS, "flour", "dough") if total not in FIRST_TOTALS]
        order = [*FIRST_TOTALS, *rest]
        return pd.Series({total: found[total] * scale for total in order}, name=self.name)

    def grams(
        self,
        *,
        dough: float | None = None,
        flour: float | None = None,
        pieces: int | None = None,
        piece: float | None = None,
        loss: float = 0.0,
    ) -> pd.DataFrame:
        """Return what to weigh for a dough weight, a flour weight or a number of pieces.

        Parameters
        ----------
        dough, flour : float
            Grams of the whole dough (without parts set aside), or of the flours together.
        pieces, piece : int, float
            How many, and grams of each.
        loss : float
            Percent lost on the way (bowl and bench, oven); the weight asked for is what is left
            after it.

        Returns
        -------
        DataFrame
            Columns ingredient, percent (of total flour), grams; and part when there are several.

        Examples
        --------
        >>> dough = Formula("pizza", {"bread flour": 100, "water": 58, "salt": 1.75, "sugar": 2,
        ...                           "instant yeast": 0.375})
        >>> dough.grams(dough=1000)["grams"].round(2).tolist()
        [616.81, 357.75, 10.79, 12.34, 2.31]
        """
        of_flour = self._flour_grams(dough, flour, pieces, piece, loss)
        table = self.table
        table["grams"] = table["percent"] * of_flour / 100.0
        return table if len(self.mix.parts) > 1 else table.drop(columns="part")

    def _flour_grams(
        self,
        dough: float | None,
        flour: float | None,
        pieces: int | None,
        piece: float | None,
        loss: float,
    ) -> float:
        if sum(given is not None for given in (dough, flour, pieces)) != 1 or (
            (pieces is None) != (piece is None)
        ):
            raise FormulaError(
                "say how much: dough=grams, flour=grams, or pieces=number with piece=grams."
            )
        if flour is not None:
            if loss:
                raise FormulaError("loss goes with dough= or pieces=; flour= is weighed as it is.")
            return _positive("flour", flour)
        if not isinstance(loss, Real) or not 0 <= loss < 100:
            raise FormulaError(f"loss is {loss!r}; a percentage from 0 to below 100 was expected.")
        whole = (
            _positive("pieces", pieces) * _positive("piece", piece)
            if dough is None
            else _positive("dough", dough)
        )
        return whole / (1 - loss / 100) * 100.0 / self.mix.weight()

    def with_total(
        self, total: str, percent: float, *, by: str | None = None, part: str | None = None
    ) -> "Formula":
        """Set one total by moving the ingredient that carries it.

        Parameters
        ----------
        total : str
            hydration, fat, sugar, salt, added water, water, protein or alcohol.
        percent : float
            What it is to be, percent of total flour.
        by : str, optional
            What moves. Left out: water for hydration, salt for salt, the largest fat or sugar
            for fat and sugar. Whatever else it brings moves too (butter brings water), so set
            hydration last, or all together with `with_totals`.
        part : str, optional
            Count, and move, only within this part.

        Raises
        ------
        FormulaError
            When the rest already brings more than the target; it says by how much.

        Examples
        --------
        >>> short = Formula("shortbread", {"bread flour": 100, "butter": 66.7, "sugar": 33.3})
        >>> short.with_total("hydration", 16).parts["water"]                # 16 - 11.97
        4.02736...
        >>> short.with_total("hydration", 10)                       # doctest: +ELLIPSIS
        Traceback (most recent call last):
        trials.errors.FormulaError: hydration can not be 10 %: ... 11.9726 %, 1.97264 too much.
        """
        moved = {} if by is None else {(total, part): by}
        return self.of_mix(with_totals(self.mix, {(total, part): percent}, moved))

    def with_totals(self, percents: Mapping[str, float]) -> "Formula":
        """Set several totals together, whatever each one's ingredient brings to the others."""
        return self.of_mix(with_totals(self.mix, {(key, None): percents[key] for key in percents}))

    def with_percent(
        self, ingredient: str, percent: float, *, part: str | None = None
    ) -> "Formula":
        """Set one ingredient, not a flour, in percent of total flour."""
        return self.of_mix(with_percents(self.mix, {(ingredient, part): percent}))

    def with_flour_share(self, flour: str, share: float, *, part: str | None = None) -> "Formula":
        """Set a flour in percent of total flour; the part's others shrink in proportion."""
        return self.of_mix(with_flour_shares(self.mix, {(flour, part): share}))

    def swap(
        self, old: str, new: str, match: str | None = None, *, part: str | None = None
    ) -> "Formula":
        """Put one ingredient in the place of another, correcting the water that this disturbs.

        Parameters
        ----------
        match : {"fat", "sugar", "water", "yeast", "weight"}, optional
            What stays equal; hydration does too, but for weight. Left out: fat for fats, sugar
            for sugars, water for liquids, yeast (what raises as much) for yeasts, weight for the
            rest.

        Examples
        --------
        >>> short = Formula("shortbread", {"bread flour": 100, "butter": 66.7, "sugar": 33.3})
        >>> short.swap("butter", "clarified butter", match="fat").table["percent"].round(2).tolist()
        [100.0, 54.38, 33.3, 11.84]
        """
        return self.of_mix(swapped(self.mix, old, new, match, part))

    def without(self, name: str, *, part: str | None = None) -> "Formula":
        """Leave out an ingredient, everywhere or in one part, or a whole part."""
        return self.of_mix(left_out(self.mix, name, part))

    def halved(self, part: str) -> "Formula":
        """Cut a part by half."""
        return self.of_mix(scaled_part(self.mix, part, 0.5))

    def part(self, name: str) -> "Formula":
        """Return one part as a formula of its own flour; a FormulaError when it has none."""
        own = self.mix.named(name)
        mix = replace(self.mix, parts={own: self.mix.parts[own]}, aside=())
        if totals(mix)["flour"] == 0:
            raise FormulaError(
                f'part "{own}" has no flour of its own; its percentages are of the whole '
                "formula's flour: totals(part=...)."
            )
        return replace(self, name=f"{self.name}, {own}", parts=mix.parts, aside=())

    def of_mix(self, mix: Mix, name: str | None = None, origin: str | None = None) -> "Formula":
        """Return a formula like this one, origin included, with other amounts."""
        flat = ONLY_PART not in self.parts and list(mix.parts) == [ONLY_PART]
        return replace(
            self,
            name=self.name if name is None else name,
            parts=mix.parts[ONLY_PART] if flat else mix.parts,
            origin=self.origin if origin is None else origin,
            ingredients=mix.table,
            aside=mix.aside,
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for a settings file, own ingredient rows included."""
        data: dict[str, Any] = {"name": self.name, "origin": self.origin, "parts": self.parts}
        data["also_flour"] = list(self.also_flour)
        data["ingredients"] = [row.to_dict() for row in self.table_of_ingredients.own]
        filled = {key: value for key, value in data.items() if value not in ("", [])}
        return filled | {"aside": list(self.aside)}

    @classmethod
    def from_dict(
        cls, data: Mapping[str, Any], ingredients: Ingredients | None = None
    ) -> "Formula":
        """Rebuild a formula from plain data.

        Parameters
        ----------
        data : mapping
            As :meth:`to_dict` returns it.
        ingredients : Ingredients, optional
            The table to look up, beside the data's own rows; the shipped one when left out.
        """
        known = {"name", "origin", "parts", "also_flour", "aside", "ingredients"}
        unknown = [str(key) for key in data if key not in known]
        if unknown or not {"name", "parts"} <= set(data):
            raise FormulaError(
                f"a formula as saved has {in_words(sorted(known))}; found {in_words(data)}."
            )
        own = tuple(Ingredient.from_dict(row) for row in data.get("ingredients", ()))
        return cls(
            data["name"],
            data["parts"],
            origin=data.get("origin", ""),
            ingredients=(ingredients or shipped()).with_ingredients(own),
            also_flour=tuple(data.get("also_flour", ())),
            aside=tuple(data.get("aside", ASIDE)),
        )

    def _repr_html_(self) -> str:
        table = self.table.assign(percent=self.table["percent"].map(lambda x: tidy_number(x, 4)))
        table = table if len(self.mix.parts) > 1 else table.drop(columns="part")
        return table.to_html(index=False, border=0)


def allergens(formula: Formula) -> tuple[str, ...]:
    """Return what a formula may hold that some must not eat, frying oil and dips included.

    A prompt, not a declaration: the label of each pack in hand prevails.

    Examples
    --------
    >>> allergens(Formula("batter", {"bread flour": 100, "milk": 90, "lard": 8}))
    ('gluten', 'milk', 'wheat')
    """
    rows = [formula.mix.find(name) for name in formula.table["ingredient"]]
    return tuple(sorted({allergen for row in rows for allergen in row.allergens}))


def _plain(amount: Any) -> Any:
    """Return a copy with plain numbers, as a settings file can hold."""
    if isinstance(amount, Mapping):
        return {key: _plain(value) for key, value in amount.items()}
    return int(amount) if isinstance(amount, Integral) else float(amount)


def _positive(what: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, Real) or not 0 < float(value) < math.inf:
        raise FormulaError(f"{what} is {value!r}; a number above 0 was expected.")
    return float(value)
