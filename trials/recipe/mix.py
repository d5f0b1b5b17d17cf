"""What is mixed, part by part, in percent of the whole formula's flour.

Whatever a baker writes (percentages, grams, a pre-ferment that the dough takes in) becomes one
plain table here: {part: {ingredient: percent}}, the flours of all parts summing to 100.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from numbers import Real
from typing import Any

from trials.errors import FormulaError
from trials.recipe.ingredients import Ingredient, Ingredients
from trials.tables import in_words, tidy_number

Parts = dict[str, dict[str, float]]

ONLY_PART = "dough"  # the part that a formula of one part is
DRY = ("flour", "starch", "nut")  # groups whose own water does not count for hydration
TOTALS = ("hydration", "added water", "water", "fat", "sugar", "salt", "protein", "alcohol")
NEGLIGIBLE = 1e-12  # of the dough: what is left of an amount by rounding in the arithmetic


@dataclass(frozen=True, eq=False)
class Mix:
    """Parts in percent of total flour, with what is needed to count them.

    Parameters
    ----------
    parts : dict of dict
        Percent of total flour by part and ingredient; the flours sum to 100.
    table : Ingredients
        Where ingredients are looked up.
    also_flour : tuple of str
        Ingredients or groups that count as flour besides the group flour.
    aside : tuple of str
        Parts that are neither in the totals nor in the dough weight (frying oil).
    """

    parts: Parts
    table: Ingredients
    also_flour: tuple[str, ...] = ()
    aside: tuple[str, ...] = ()

    def find(self, name: str) -> Ingredient:
        """Return the ingredient a name means."""
        return self.table.find(name)

    def is_flour(self, name: str) -> bool:
        """Say whether an ingredient is among those that make the 100 %."""
        found = self.find(name)
        return found.group in self._flour_groups or found in self._flour_rows

    @cached_property
    def _flour_groups(self) -> frozenset[str]:
        groups = {row.group for row in self.table.rows} if self.also_flour else set()
        return frozenset({"flour"} | {word.casefold() for word in self.also_flour} & groups)

    @cached_property
    def _flour_rows(self) -> tuple[Ingredient, ...]:
        words = (word for word in self.also_flour if word.casefold() not in self._flour_groups)
        return tuple(self.find(word) for word in words)

    def rows(self, part: str | None = None) -> Iterator[tuple[str, str, float]]:
        """Yield part, ingredient and percent of what counts: one part, or all not set aside."""
        for where, amounts in self.parts.items():
            counts = where not in self.aside if part is None else where == part
            if counts:
                for name, percent in amounts.items():
                    yield where, name, percent

    def weight(self) -> float:
        """Return the dough in percent of its flour."""
        return math.fsum(percent for _, _, percent in self.rows())

    def named(self, part: str) -> str:
        """Return a part's own spelling; a FormulaError when there is none."""
        for own in self.parts:
            if isinstance(part, str) and own.casefold() == part.casefold():
                return own
        raise FormulaError(f'there is no part "{part}"; the formula has {in_words(self.parts)}.')

    def main_part(self) -> str:
        """Return the part that holds the most flour, of equals the last: the final dough."""
        flour = dict.fromkeys(self.parts, 0.0)
        for part, name, percent in self.rows():
            flour[part] += percent if self.is_flour(name) else 0.0
        most = max(flour.values())
        return [part for part, held in flour.items() if held == most][-1]

    def places(self, name: str, part: str | None = None) -> list[tuple[str, str]]:
        """Return every part that holds an ingredient, with the spelling used there."""
        wanted = self.find(name)
        parts = list(self.parts) if part is None else [self.named(part)]
        return [
            (where, own)
            for where in parts
            for own in self.parts[where]
            if self.find(own) == wanted and (part is not None or where not in self.aside)
        ]

    def place(self, name: str, part: str | None = None) -> tuple[str, str]:
        """Return where an ingredient is, or is to go: the main part rather than another."""
        places = self.places(name, part)
        main = self.main_part() if part is None else self.named(part)
        if not places:
            return main, name
        return max(places, key=lambda at: (at[0] == main, self.parts[at[0]][at[1]]))

    def put(self, part: str, name: str, percent: float) -> "Mix":
        """Return the mix with one amount set; an amount of 0 takes the ingredient out."""
        amounts = {**self.parts[part], name: percent}
        if percent == 0:
            del amounts[name]
        return self.with_parts({**self.parts, part: amounts})

    def with_parts(self, parts: Parts) -> "Mix":
        """Return the mix with other parts."""
        return replace(self, parts=parts)


def brings(mix: Mix, name: str) -> dict[str, float]:
    """Return what 1 % of an ingredient adds to each total, the flour and the dough weight.

    Hydration counts all water but that of flours, starches and nuts; the ingredient water counts
    as water wholly.

    References
    ----------
    Common practice, no source (effective hydration, total flour).
    """
    found = mix.find(name)
    flour = mix.is_flour(name)
    added = 1.0 if found.group == "water" else 0.0
    water = added or found.water / 100
    return {
        "flour": 1.0 if flour else 0.0,
        "hydration": 0.0 if flour or found.group in DRY else water,
        "added water": added,
        "water": water,
        "fat": found.fat / 100,
        "sugar": found.sugar / 100,
        "salt": found.salt / 100,
        "protein": found.protein / 100,
        "alcohol": found.alcohol / 100,
        "dough": 1.0,
    }


def totals(mix: Mix, part: str | None = None) -> dict[str, float]:
    """Return the totals of all that counts, or of one part, in percent of total flour."""
    rows = [(percent, brings(mix, name)) for _, name, percent in mix.rows(part)]
    names = ("flour", *TOTALS, "dough")
    return {total: math.fsum(percent * each[total] for percent, each in rows) for total in names}


def read(
    parts: Mapping[str, Any],
    table: Ingredients,
    also_flour: tuple[str, ...] = (),
    aside: tuple[str, ...] = (),
) -> Mix:
    """Return the mix that a baker wrote down, in percent of total flour.

    Parameters
    ----------
    parts : mapping
        {ingredient: amount} or {part: {ingredient: amount}}. A part may take in another by its
        name ("poolish": 104): that much of its whole weight, as final doughs are written.

    Raises
    ------
    FormulaError
        For amounts below 0 or not numbers, names that differ only in capitals, unknown
        ingredients, and a total flour of zero.
    """
    nested = _nested(parts)
    _check_names("parts", nested)
    for part, amounts in nested.items():
        _check_names(f'part "{part}"', amounts)
        for name, amount in amounts.items():
            check_percent(f'part "{part}", "{name}"', amount)
    taken_in = _taken_in(nested, table)
    amounts_of = {part: _own_amounts(nested, part, taken_in) for part in nested}
    resolved = {part: amounts for part, amounts in amounts_of.items() if amounts}
    mix = Mix(resolved, table, also_flour, tuple(part for part in resolved if part in aside))
    _check_twins(mix)
    return normalised(mix)


def normalised(mix: Mix) -> Mix:
    """Return the mix with its flours summing to 100."""
    flour = math.fsum(percent for _, name, percent in mix.rows() if mix.is_flour(name))
    if flour <= 0:
        raise FormulaError(
            "the total flour is zero, so there is nothing that percentages could be of. Add a "
            "flour, or say which ingredient counts as flour (also_flour)."
        )
    if math.isclose(flour, 100.0, rel_tol=NEGLIGIBLE):
        return mix
    return mix.with_parts(
        {
            part: {name: percent * 100.0 / flour for name, percent in amounts.items()}
            for part, amounts in mix.parts.items()
        }
    )


def check_percent(what: str, amount: object) -> None:
    """Raise a FormulaError when an amount is not a number from 0 up."""
    if isinstance(amount, bool) or not isinstance(amount, Real) or not math.isfinite(amount):
        raise FormulaError(f"{what} is {amount!r}; a percentage, a number from 0 up, was expected.")
    if amount < 0:
        raise FormulaError(
            f"{what} is {tidy_number(float(amount))} %; a percentage from 0 up is needed."
        )


def _nested(parts: object) -> dict[str, dict[str, Any]]:
    if not isinstance(parts, Mapping) or not parts:
        raise FormulaError(
            "a formula needs its parts: {ingredient: percent}, or {part: {ingredient: percent}}."
        )
    inner = [isinstance(value, Mapping) for value in parts.values()]
    if not any(inner):
        return {ONLY_PART: dict(parts)}
    if not all(inner):
        loose = [str(name) for name, value in parts.items() if not isinstance(value, Mapping)]
        raise FormulaError(
            f"{in_words(loose)} stand beside whole parts; put each ingredient into a part."
        )
    empty = [str(part) for part, amounts in parts.items() if not amounts]
    if empty:
        raise FormulaError(f"{in_words(empty)}: the part is empty; give its ingredients.")
    return {part: dict(amounts) for part, amounts in parts.items()}


def _check_names(where: str, names: Mapping[str, Any]) -> None:
    seen: dict[str, str] = {}
    for name in names:
        if not isinstance(name, str) or not name.strip():
            raise FormulaError(f"{where}: {name!r} is not a name; text was expected.")
        twin = seen.setdefault(" ".join(name.casefold().split()), name)
        if twin != name:
            raise FormulaError(
                f'{where}: "{twin}" and "{name}" differ only in capitals or spaces. '
                "Keep one of them, with the whole amount."
            )


def _check_twins(mix: Mix) -> None:
    for part, amounts in mix.parts.items():
        seen: dict[str, str] = {}
        for name in amounts:
            twin = seen.setdefault(mix.find(name).name, name)
            if twin != name:
                raise FormulaError(
                    f'part "{part}": "{twin}" and "{name}" are the same ingredient '
                    f"({mix.find(name).name}). Keep one of them, with the whole amount."
                )


def _taken_in(nested: dict[str, dict[str, Any]], table: Ingredients) -> dict[str, tuple[str, str]]:
    """Return which part is taken in by which, and under which spelling."""
    taken: dict[str, tuple[str, str]] = {}
    for part, amounts in nested.items():
        for name in amounts:
            found = [own for own in nested if own.casefold() == name.casefold()]
            if not found or found[0] == part or name in table:
                continue
            if found[0] in taken:
                raise FormulaError(
                    f'the part "{found[0]}" is taken in twice, by "{taken[found[0]][0]}" and '
                    f'"{part}". Make a part for each.'
                )
            taken[found[0]] = (part, name)
    return taken


def _own_amounts(
    nested: dict[str, dict[str, Any]], part: str, taken_in: dict[str, tuple[str, str]]
) -> dict[str, float]:
    """Return a part's own ingredients, on the scale of the part that takes it in at the end."""
    scale, at, seen = 1.0, part, [part]
    while at in taken_in:
        whole = math.fsum(nested[at].values())
        at, name = taken_in[at][0], taken_in[at][1]
        if at in seen or whole <= 0:
            raise FormulaError(
                f"the parts {in_words(seen)} take in one another, or weigh nothing; "
                "no amount can be worked out."
            )
        scale *= nested[at][name] / whole
        seen.append(at)
    others = {name for taker, name in taken_in.values() if taker == part}
    return {
        name: float(amount) * scale for name, amount in nested[part].items() if name not in others
    }
