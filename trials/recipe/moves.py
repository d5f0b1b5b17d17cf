"""Changes of a mix that keep baker's percentages honest: each says what moves and what is held.

All amounts are percent of the whole formula's flour. A target that can not be met is an error that
says by how much.
"""

import math
from collections.abc import Mapping

import numpy as np

from trials.errors import FormulaError
from trials.recipe.mix import NEGLIGIBLE, TOTALS, Mix, brings, check_percent, normalised, totals
from trials.tables import in_words, tidy_number

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

    Parameters
    ----------
    targets : mapping of (total, part) to percent of total flour
        With a part, only what that part brings is counted.
    by : mapping of (total, part) to ingredient, optional
        What moves each total.
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
                f"{total}{where} can not be {tidy_number(value)} %: without any "
                f'"{carriers[at][1]}" in part "{carriers[at][0]}" it is already '
                f"{tidy_number(value + short)} %, {tidy_number(short)} too much."
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
    """Set ingredients, none of them flour, in percent of total flour.

    Parameters
    ----------
    percents : mapping of (ingredient, part) to percent
        Without a part the ingredient may stand in one part only; one that is nowhere goes to the
        part with the most flour.
    """
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
            f'part "{part}" holds {tidy_number(room)} % of the flour, {tidy_number(-left)} less '
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
) -> Mix:
    """Put one ingredient in the place of another, and correct the water that this brings or takes.

    Parameters
    ----------
    match : {"fat", "sugar", "water", "yeast", "weight"}, optional
        What stays equal; yeast is what raises as much (fresh 1, active dry 0.4, instant 0.33).
        For fat, sugar and yeast the ingredient water makes hydration equal again; for water it is
        equal already; for weight nothing is corrected, the dough weighs the same. Left out: fat
        for fats, sugar for sugars, water for liquids, yeast for yeasts, else weight.
    part : str, optional
        Where; every part that holds the ingredient when left out.
    hydrate : bool
        False leaves the water as it comes, for a hydration that is set next anyway.
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
            mix = _rehydrated(mix, hydration - totals(mix)["hydration"], at)
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


def _rehydrated(mix: Mix, water: float, part: str) -> Mix:
    """Add water, or take it away, where the swap was made or else where water is."""
    here = mix.places("water", part)
    at, name = here[0] if here else mix.place("water")
    amount = mix.parts[at].get(name, 0.0) + water
    if amount < -NEGLIGIBLE * mix.weight():
        raise FormulaError(
            f'the swap brings {tidy_number(-water)} % of water and part "{at}" has only '
            f"{tidy_number(mix.parts[at].get(name, 0.0))} % to take away: {tidy_number(-amount)} "
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
