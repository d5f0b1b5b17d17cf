"""A formula in baker's percentages.

Its parts, its totals, its grams, and every change that keeps it honest.
"""

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from numbers import Integral, Real
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import FormulaError
from trials.base.html import answer
from trials.base.words import in_words, tidy_number
from trials.recipe.ingredients import Ingredient, Ingredients, shipped

# -- What is mixed, part by part, in percent of the whole formula's flour.
#
# Whatever a baker writes (percentages, grams, a pre-ferment that the dough takes in) becomes one
# plain table here: {part: {ingredient: percent}}, the flours of all parts summing to 100.


Parts = dict[str, dict[str, float]]

ONLY_PART = "dough"  # the part that a formula of one part is
DRY = ("flour", "starch", "nut")  # groups whose own water does not count for hydration
TOTALS = ("hydration", "added water", "water", "fat", "sugar", "salt", "protein", "alcohol")
COOKS = 3  # figures of a percentage that a cook can do something with
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
    also_flour: Sequence[str] = (),
    aside: Sequence[str] = (),
) -> Mix:
    """Return the mix that a baker wrote down, in percent of total flour."""
    nested = _nested(parts)
    _check_names("parts", nested)
    for part, amounts in nested.items():
        _check_names(f'part "{part}"', amounts)
        for name, amount in amounts.items():
            check_percent(f'part "{part}", "{name}"', amount)
    taken_in = _taken_in(nested, table)
    amounts_of = {part: _own_amounts(nested, part, taken_in) for part in nested}
    resolved = {part: amounts for part, amounts in amounts_of.items() if amounts}
    mix = Mix(resolved, table, tuple(also_flour), tuple(part for part in resolved if part in aside))
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


# -- Changes of a mix that keep baker's percentages honest: each says what moves and what is held.
#
# All amounts are percent of the whole formula's flour. A target that can not be met is an error
# that says by how much.


MATCHES = ("fat", "sugar", "water", "yeast", "weight")
CORRECTED = ("fat", "sugar", "yeast")  # swaps after which hydration is made equal again
# Grams that raise as much as 1 g of fresh yeast: common practice, no source. Instant yeast shares
# its row with active dry yeast and is told by its name.
_YEAST = {"yeast, compressed fresh": 1.0, "yeast, active dry": 0.4, "instant yeast": 0.33}
# What moves a total when nothing is said: an ingredient, added if need be, or a group's largest.
_CARRIES = {"hydration": "water", "added water": "water", "water": "water", "salt": "salt"}
_CARRIED_BY_GROUP = ("fat", "sugar")

Target = tuple[str, str | None]  # a total and the part it is of; None is the whole formula


def with_totals(
    mix: Mix, targets: Mapping[Target, float], by: Mapping[Target, str] | None = None
) -> Mix:
    """Set totals together, each by moving one ingredient.

    Butter moves fat and water, honey sugar and water; so the amounts are solved for together and
    no target depends on the order in which it was named.
    """
    if not targets:
        return mix
    for (total, _), percent in targets.items():
        if total not in TOTALS:
            raise FormulaError(f'there is no total "{total}"; there are {in_words(TOTALS)}.')
        check_percent(f'"{total}"', percent)
    carriers = [_carrier(mix, *target, (by or {}).get(target)) for target in targets]
    if len(set(carriers)) < len(carriers):
        raise FormulaError(
            f"{in_words(total for total, _ in targets)} would be moved by the same ingredient; "
            "name another for one of them."
        )
    targets = {
        (total, None if part is None else mix.named(part)): percent
        for (total, part), percent in targets.items()
    }
    rest = mix
    for part, name in carriers:
        rest = rest.put(part, name, 0.0)
    amounts = _solved(mix, rest, targets, carriers)
    for (part, name), amount in zip(carriers, amounts, strict=True):
        mix = _placed(mix, part, name, amount)
    return mix


def _solved(
    mix: Mix, rest: Mix, targets: Mapping[Target, float], carriers: list[tuple[str, str]]
) -> list[float]:
    """Return the carriers' amounts that meet the targets."""
    moved = np.array(
        [
            [brings(mix, name)[total] if of in (None, part) else 0.0 for part, name in carriers]
            for total, of in targets
        ]
    )
    for (total, _), row, (_, name) in zip(targets, np.diag(moved), carriers, strict=True):
        if row == 0:
            raise FormulaError(f'"{name}" brings no {total}, so it can not move it.')
    missing = [value - totals(rest, part)[total] for (total, part), value in targets.items()]
    if np.linalg.matrix_rank(moved) < len(carriers):
        raise FormulaError(
            f"{in_words(total for total, _ in targets)} can not be set apart from one another by "
            f"{in_words(name for _, name in carriers)}; name other ingredients."
        )
    amounts = np.linalg.solve(moved, np.array(missing))
    for at, (total, part) in enumerate(targets):
        short = -amounts[at] * moved[at, at]
        if amounts[at] < -NEGLIGIBLE * mix.weight():
            where = "" if part is None else f' of part "{part}"'
            value = targets[total, part]
            raise FormulaError(
                f"{total}{where} can not be {tidy_number(value, COOKS)} %: without any "
                f'"{carriers[at][1]}" in part "{carriers[at][0]}" it is already '
                f"{tidy_number(value + short, COOKS)} %, {tidy_number(short, COOKS)} too much. "
                f'To set the "{carriers[at][1]}" that is weighed, not all {total} there is, say '
                f'changes = ["percent", "{carriers[at][1]}"].'
            )
    return [max(0.0, float(amount)) for amount in amounts]


def _carrier(mix: Mix, total: str, part: str | None, by: str | None) -> tuple[str, str]:
    if by is None and total in _CARRIED_BY_GROUP:
        rows = [(at, name, percent) for at, name, percent in _rows(mix, part)]
        held = [row for row in rows if mix.find(row[1]).group == total]
        if held:
            at, name, _ = max(held, key=lambda row: row[2] * brings(mix, row[1])[total])
            return at, name
        by = "sugar" if total == "sugar" else None
    by = by or _CARRIES.get(total)
    if by is None:
        raise FormulaError(f"say which ingredient is to move {total}: by=...")
    if mix.is_flour(by):
        raise FormulaError(f'"{by}" is flour, the 100 %; name another ingredient to move {total}.')
    return mix.place(by, part)


def _rows(mix: Mix, part: str | None) -> list[tuple[str, str, float]]:
    return list(mix.rows(None if part is None else mix.named(part)))


def _placed(mix: Mix, part: str, name: str, amount: float) -> Mix:
    """Set an amount; what the arithmetic's rounding leaves of nothing is nothing."""
    dust = amount <= NEGLIGIBLE * mix.weight()
    if dust and name not in mix.parts[part]:
        return mix
    return mix.put(part, name, 0.0 if dust else amount)


def with_percents(mix: Mix, percents: Mapping[Target, float]) -> Mix:
    """Set ingredients, none of them flour, in percent of total flour."""
    for (name, part), percent in percents.items():
        check_percent(f'"{name}"', percent)
        if mix.is_flour(name):
            raise FormulaError(f'"{name}" is flour; set its share of the flour instead.')
        _check_one_place(mix, name, part)
        at, own = mix.place(name, part)
        mix = _placed(mix, at, own, float(percent))
    return mix


def _check_one_place(mix: Mix, name: str, part: str | None) -> None:
    places = mix.places(name, part)
    if len(places) > 1:
        raise FormulaError(
            f'"{name}" is in the parts {in_words(at for at, _ in places)}; say which part.'
        )


def with_flour_shares(mix: Mix, shares: Mapping[Target, float]) -> Mix:
    """Set flours in percent of total flour; the others of the same part shrink in proportion.

    Several shares are set together, so that none shrinks another.
    """
    placed: dict[str, dict[str, float]] = {}
    for (name, part), share in shares.items():
        check_percent(f'the share of "{name}"', share)
        if not mix.is_flour(name):
            raise FormulaError(
                f'"{name}" does not count as flour here; name a flour, or say that it counts '
                "(also_flour)."
            )
        _check_one_place(mix, name, part)
        at, own = mix.place(name, part)
        placed.setdefault(at, {})[own] = float(share)
    for part, flours in placed.items():
        mix = _with_part_flours(mix, part, flours)
    return mix


def _with_part_flours(mix: Mix, part: str, flours: dict[str, float]) -> Mix:
    held = {name: percent for name, percent in mix.parts[part].items() if mix.is_flour(name)}
    room = math.fsum(held.values())
    left = room - math.fsum(flours.values())
    others = {name: percent for name, percent in held.items() if name not in flours}
    total = math.fsum(others.values())
    if left < -NEGLIGIBLE * room:
        raise FormulaError(
            f'part "{part}" holds {tidy_number(room, COOKS)} % of the flour, '
            f"{tidy_number(-left, COOKS)} less "
            f"than the {in_words(flours)} asked for."
        )
    if total == 0 and left > NEGLIGIBLE * room:
        raise FormulaError(
            f'part "{part}" has no flour but {in_words(flours)} to fill up {tidy_number(left)} %; '
            "put the other flour into the formula first."
        )
    for name, percent in others.items():
        mix = _placed(mix, part, name, percent * max(left, 0.0) / total)
    for name, percent in flours.items():
        mix = _placed(mix, part, name, percent)
    return mix


def with_grams(mix: Mix, grams: Mapping[Target, float]) -> Mix:
    """Set amounts, of flours too, while everything else stays the same grams.

    An amount is in percent of the flour that the mix has before: 85 of a flour that was all of it
    is 15 % less flour, and everything else is then more in percent of what is left.
    """
    for (name, part), amount in grams.items():
        check_percent(f'"{name}"', amount)
        _check_one_place(mix, name, part)
        at, own = mix.place(name, part)
        if not amount and not mix.places(name, part):
            continue
        mix = _placed(mix, at, own, float(amount))
    return normalised(mix)


def natural_match(mix: Mix, name: str) -> str:
    """Return what a swap of an ingredient keeps equal when nothing is said.

    Examples
    --------
    >>> from trials.recipe.ingredients import shipped
    >>> names = ("butter", "honey", "milk", "fresh yeast", "oats")
    >>> [natural_match(Mix({}, shipped()), name) for name in names]
    ['fat', 'sugar', 'water', 'yeast', 'weight']
    """
    found = mix.find(name)
    if found.name in _YEAST:
        return "yeast"
    if found.group in ("fat", "sugar"):
        return found.group
    return "water" if found.water > 50 and not mix.is_flour(name) else "weight"


def swapped(
    mix: Mix,
    old: str,
    new: str,
    match: str | None = None,
    part: str | None = None,
    *,
    hydrate: bool = True,
    wetter: bool = False,
) -> Mix:
    """Put one ingredient in the place of another, and correct the water it brings or takes.

    Where it brings more than there is to take away, that is refused; or else the mix gets wetter.
    """
    match = natural_match(mix, old) if match is None else match
    if match not in MATCHES:
        raise FormulaError(f'a swap can match {in_words(MATCHES, "or")}, not "{match}".')
    places = mix.places(old, part)
    if not places:
        where = "the formula" if part is None else f'part "{part}"'
        raise FormulaError(f'"{old}" is not in {where}, so nothing can take its place.')
    if mix.find(old) == mix.find(new):
        return mix
    if mix.is_flour(old) != mix.is_flour(new) and match != "weight":
        raise FormulaError(
            f'"{old}" and "{new}": only one is flour; swap them with match="weight".'
        )
    for at, own in places:
        hydration = totals(mix)["hydration"]
        mix = _replaced(mix, at, own, new, _exchange(mix, own, new, match))
        if hydrate and match in CORRECTED:
            mix = _rehydrated(mix, hydration - totals(mix)["hydration"], at, wetter=wetter)
    return normalised(mix)


def _exchange(mix: Mix, old: str, new: str, match: str) -> float:
    """Return how much of the new ingredient stands for 1 of the old."""
    if match == "weight":
        return 1.0
    if match == "yeast":
        before, after = _raises(mix, old), _raises(mix, new)
    else:
        total = "hydration" if match == "water" else match
        before, after = (brings(mix, name)[total] for name in (old, new))
    if before == 0 or after == 0:
        without = old if before == 0 else new
        raise FormulaError(
            f'"{without}" has no {match}, so "{old}" and "{new}" can not be swapped at equal '
            f"{match}. Match {in_words([m for m in MATCHES if m != match], 'or')}."
        )
    return before / after


def _raises(mix: Mix, name: str) -> float:
    """Return how many grams of fresh yeast 1 g of an ingredient is worth; 0 when it is no yeast."""
    grams = _YEAST.get(name.casefold()) or _YEAST.get(mix.find(name).name)
    return 1 / grams if grams else 0.0


def _replaced(mix: Mix, part: str, old: str, new: str, exchange: float) -> Mix:
    there = mix.places(new, part)
    name = there[0][1] if there else new
    amounts: dict[str, float] = {}
    for own, percent in mix.parts[part].items():
        goes_to, amount = (name, percent * exchange) if own == old else (own, percent)
        amounts[goes_to] = amounts.get(goes_to, 0.0) + amount
    return mix.with_parts({**mix.parts, part: amounts})


def _rehydrated(mix: Mix, water: float, part: str, *, wetter: bool) -> Mix:
    """Add water, or take it away, where the swap was made or else where water is."""
    here = mix.places("water", part)
    at, name = here[0] if here else mix.place("water")
    amount = mix.parts[at].get(name, 0.0) + water
    if amount < -NEGLIGIBLE * mix.weight() and not wetter:
        raise FormulaError(
            f'the swap brings {tidy_number(-water, COOKS)} % of water and part "{at}" has only '
            f"{tidy_number(mix.parts[at].get(name, 0.0), COOKS)} % to take away: "
            f"{tidy_number(-amount, COOKS)} "
            'too much. Lower another liquid first, or match "weight".'
        )
    return _placed(mix, at, name, max(amount, 0.0))


def left_out(mix: Mix, name: str, part: str | None = None) -> Mix:
    """Leave out an ingredient, everywhere or in one part, or a whole part."""
    if part is None and any(own.casefold() == name.casefold() for own in mix.parts):
        own = mix.named(name)
        if name in mix.table and mix.places(name):
            raise FormulaError(
                f'"{name}" is a part and an ingredient; say part=... to leave out the ingredient.'
            )
        return normalised(mix.with_parts({at: mix.parts[at] for at in mix.parts if at != own}))
    places = mix.places(name, part)
    if not places:
        raise FormulaError(f'"{name}" is not in the formula, so it can not be left out.')
    for at, own in places:
        mix = mix.put(at, own, 0.0)
    kept = {at: amounts for at, amounts in mix.parts.items() if amounts}
    return normalised(mix.with_parts(kept))


def scaled_part(mix: Mix, part: str, factor: float) -> Mix:
    """Make a part larger or smaller as a whole."""
    own = mix.named(part)
    scaled = {name: percent * factor for name, percent in mix.parts[own].items()}
    return normalised(mix.with_parts({**mix.parts, own: scaled}))


# -- A formula in baker's percentages: its totals, its grams, and what can be changed in it.


# Parts that are no dough, unless said otherwise: what no one eats whole, or what is put on or into
# a piece that is already shaped
ASIDE = ("frying oil", "soak", "syrup", "dip", "coating")
# What is poured or spooned and not shaped: by its name, or with more water than a dough holds
_BATTERS = re.compile(r"batter|cake|waffle|blini|cr[eê]pe|muffin", re.IGNORECASE)
_POURS = 110.0  # percent of the flour (common practice, no source)
FIRST_TOTALS = ("hydration", "fat", "sugar", "salt")


@checked_types(FormulaError, also_flour=str | Sequence[str], aside=str | Sequence[str])
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
        Parts that count neither in the totals nor in the dough weight: frying oil, a soak or a
        syrup, a dip, a coating. They are weighed for each batch, in percent of its flour.
    only_when : mapping, optional
        For a part that only some bakes have: the factor and those of its kinds for which there is
        the part, as in {"frying oil": ("method", ["fried"])}.

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
    also_flour: Sequence[str] = ()
    aside: Sequence[str] = ASIDE
    only_when: Mapping[str, tuple[str, Sequence[Any]]] = field(default_factory=dict, repr=False)

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
        object.__setattr__(self, "only_when", _checked_parts(self.only_when, mix))

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

    @property
    def mixture(self) -> str:
        """What is mixed, in a word: "batter" by its name, its parts or its water, else "dough".

        Examples
        --------
        >>> Formula("plain roll", {"bread flour": 100, "water": 62}).mixture
        'dough'
        >>> Formula("plain roll", {"bread flour": 100, "milk": 150}).mixture
        'batter'
        """
        named = any(_BATTERS.search(word) for word in (self.name, *self.parts))
        return "batter" if named or float(self.totals()["hydration"]) > _POURS else "dough"

    @checked_types(FormulaError)
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

    @checked_types(FormulaError)
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

    @checked_types(FormulaError)
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
        trials.base.errors.FormulaError: hydration can not be 10 %: ... 12 %, 1.97 too much. ...
        """
        moved = {} if by is None else {(total, part): by}
        return self.of_mix(with_totals(self.mix, {(total, part): percent}, moved))

    @checked_types(FormulaError)
    def with_totals(self, percents: Mapping[str, float]) -> "Formula":
        """Set several totals together, whatever each one's ingredient brings to the others."""
        return self.of_mix(with_totals(self.mix, {(key, None): percents[key] for key in percents}))

    @checked_types(FormulaError)
    def with_percent(
        self, ingredient: str, percent: float, *, part: str | None = None
    ) -> "Formula":
        """Set one ingredient, not a flour, in percent of total flour."""
        return self.of_mix(with_percents(self.mix, {(ingredient, part): percent}))

    @checked_types(FormulaError)
    def with_grams(self, ingredient: str, amount: float, *, part: str | None = None) -> "Formula":
        """Set one ingredient, a flour too, while everything else stays the same grams.

        Parameters
        ----------
        ingredient : str
        amount : float
            In the figures of the formula as it was written: 85 of a flour that stands there with
            100 is 15 % less flour; 0 leaves it out.

        Examples
        --------
        >>> bun = Formula("bun", {"bread flour": 100, "water": 60, "butter": 10})
        >>> bun.with_grams("bread flour", 80).parts
        {'bread flour': 100.0, 'water': 75.0, 'butter': 12.5}
        """
        target = (ingredient, part)
        return self.of_mix(with_grams(self.mix, {target: amount * self.written(ingredient, part)}))

    def written(self, ingredient: str, part: str | None = None) -> float:
        """Return what 1 of the formula as written is in percent of its flour, in a part of it."""
        at, _ = self.mix.place(ingredient, part)
        as_written = self.parts.get(at, self.parts)
        for name, percent in self.mix.parts[at].items():
            amount = as_written.get(name)
            if isinstance(amount, Real) and float(amount) > 0:
                return percent / float(amount)
        return 1.0

    def weight_as_written(self) -> float:
        """Return the dough in the figures of the formula as it was written, parts aside left out.

        Examples
        --------
        >>> Formula("bun", {"bread flour": 200, "water": 120, "butter": 20}).weight_as_written()
        340.0
        """
        at, name, _ = next(row for row in self.mix.rows() if self.mix.is_flour(row[1]))
        return self.mix.weight() / self.written(name, at)

    @checked_types(FormulaError)
    def with_flour_share(self, flour: str, share: float, *, part: str | None = None) -> "Formula":
        """Set a flour in percent of total flour; the part's others shrink in proportion."""
        return self.of_mix(with_flour_shares(self.mix, {(flour, part): share}))

    @checked_types(FormulaError)
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

    @checked_types(FormulaError)
    def without(self, name: str, *, part: str | None = None) -> "Formula":
        """Leave out an ingredient, everywhere or in one part, or a whole part."""
        return self.of_mix(left_out(self.mix, name, part))

    @checked_types(FormulaError)
    def halved(self, part: str) -> "Formula":
        """Cut a part by half."""
        return self.of_mix(scaled_part(self.mix, part, 0.5))

    @checked_types(FormulaError)
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
        data["only_when"] = {
            part: [factor, list(kinds)] for part, (factor, kinds) in self.only_when.items()
        }
        filled = {key: value for key, value in data.items() if value not in ("", [], {})}
        return filled | {"aside": list(self.aside)}

    @classmethod
    @checked_types(FormulaError)
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
        known = {"name", "origin", "parts", "also_flour", "aside", "ingredients", "only_when"}
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
            only_when=data.get("only_when", {}),
        )

    def _repr_html_(self) -> str:
        table = self.table.assign(percent=self.table["percent"].map(lambda x: tidy_number(x, 4)))
        table = table if len(self.mix.parts) > 1 else table.drop(columns="part")
        return answer(tables=[table])


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


def labels_to_read(formulas: Iterable[Formula]) -> dict[str, tuple[str, ...]]:
    """Return ingredients whose label may name more than is known, each with what that may be.

    Examples
    --------
    >>> labels_to_read([Formula("bun", {"bread flour": 100, "margarine": 15})])
    {'margarine': ('milk',)}
    """
    found: dict[str, tuple[str, ...]] = {}
    for formula in formulas:
        for name in formula.table["ingredient"]:
            row = formula.mix.find(name)
            if row.label:
                found[name] = row.may_hold_more
    return found


def _checked_parts(when: Mapping[str, Any], mix: Mix) -> dict[str, tuple[str, tuple[Any, ...]]]:
    """Return for which kinds a part exists, by the part's own spelling, once that can be read."""
    found = {}
    for part, said in (when or {}).items():
        shaped = isinstance(said, Sequence) and not isinstance(said, str) and len(said) == 2
        if not shaped or isinstance(said[1], str) or not len(said[1]):
            raise FormulaError(
                f'part "{part}" has only_when {said!r}; expected a factor and some of its kinds, '
                'as in ("method", ["fried"]).'
            )
        # A part that a bake's own settings took out stays named: its siblings have it
        own = next((one for one in mix.parts if one.casefold() == str(part).casefold()), str(part))
        found[own] = (str(said[0]), tuple(said[1]))
    return found


def _plain(amount: Any) -> Any:
    """Return a copy with plain numbers, as a settings file can hold."""
    if isinstance(amount, Mapping):
        return {key: _plain(value) for key, value in amount.items()}
    return int(amount) if isinstance(amount, Integral) else float(amount)


def _positive(what: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, Real) or not 0 < float(value) < math.inf:
        raise FormulaError(f"{what} is {value!r}; a number above 0 was expected.")
    return float(value)
