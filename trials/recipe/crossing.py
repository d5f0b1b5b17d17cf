"""Two parents crossed, trait by trait, and what the settings of a bake make of a formula."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from numbers import Real
from typing import Any

import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import FormulaError
from trials.base.words import InWords, in_words, tidy_number
from trials.recipe.formula import (
    TOTALS,
    Formula,
    Mix,
    Parts,
    brings,
    normalised,
    swapped,
    totals,
    with_flour_shares,
    with_grams,
    with_percents,
    with_totals,
)
from trials.recipe.ingredients import Ingredient, Ingredients

__all__ = [
    "Trait",
    "distance",
    "side_by_side",
    "traits",
]

# -- Crossing two parents, and what differs between them, trait by trait.


# Traits that are a total, and the change that sets each.
_TRAIT_TOTALS = ("fat", "sugar", "salt", "hydration")
SAME = 1e-9  # of a parent's dough: closer than any scale could tell


@dataclass(frozen=True)
class Trait(InWords):
    """One thing in which two parents differ: what one chose and what the other did.

    Parameters
    ----------
    name : str
        As it would be named as a factor: "buckwheat flour", "fat".
    kind : {"flour", "fat", "sweetener", "leavening", "part", "total", "process", "amount"}
        What sort of choice it is.
    a, b : float, int or str
        The first and the second parent's choice.
    unit : str
        "% of flour", "" for names.
    changes : tuple or None
        What setting it changes in the first parent's formula, as a factor takes it; None for
        the process.
    """

    name: str
    kind: str
    a: Any
    b: Any
    unit: str = ""
    changes: tuple[Any, ...] | None = None

    def __repr__(self) -> str:
        both = [
            tidy_number(one, 4) if isinstance(one, float) else str(one) for one in (self.a, self.b)
        ]
        return f"{self.name}: {both[0]} and {both[1]} {self.unit}".rstrip()

    @property
    def is_number(self) -> bool:
        """Whether there is something between the two choices."""
        return all(isinstance(x, Real) and not isinstance(x, bool) for x in (self.a, self.b))


@checked_types(FormulaError)
def cross(a: Formula, b: Formula, share: float, part: str | None = None) -> Formula:
    """Mix two parents: each amount lies that share of the way from one to the other.

    Both are taken on their own flour = 100 %, so every total in baker's percentages is affine in
    the share, whatever parts and flours each parent has.

    Parameters
    ----------
    a, b : Formula
        The parents.
    share : float
        Share of `b`, 0 to 1; at 0 and 1 the parents themselves.
    part : str, optional
        Cross this part only and keep the rest of `a`; the part may hold no flour, or as much in
        both, since otherwise the whole would move with it.

    Raises
    ------
    FormulaError
        When the share is outside 0 to 1, or the parents count flour differently or have
        different own rows for an ingredient of the same name.

    Examples
    --------
    >>> doughnut = Formula("doughnut", {"bread flour": 100, "water": 60, "butter": 10})
    >>> crepe = Formula("crepe", {"buckwheat flour": 100, "milk": 200})
    >>> half = cross(doughnut, crepe, 0.5)
    >>> half.parts
    {'bread flour': 50.0, 'water': 30.0, 'butter': 5.0, 'buckwheat flour': 50.0, 'milk': 100.0}
    """
    if isinstance(share, bool) or not isinstance(share, Real) or not 0 <= share <= 1:
        raise FormulaError(f"the share of the second parent is {share!r}; 0 to 1 was expected.")
    table = _one_table(a, b)
    if {word.casefold() for word in a.also_flour} != {word.casefold() for word in b.also_flour}:
        raise FormulaError(
            f'"{a.name}" and "{b.name}" count different things as flour; give both the same '
            "also_flour before crossing."
        )
    if part is None and share in (0, 1):
        return (a, b)[int(share)].of_mix((a, b)[int(share)].mix)
    parts = _blended(a.mix, _spelled_as(a.mix, b.mix), float(share), part)
    mix = Mix(parts, table, a.also_flour, tuple(dict.fromkeys([*a.mix.aside, *b.mix.aside])))
    _check_flour(mix, part)
    amount = f"{tidy_number(100 * share)} % {b.name}"
    name = f"{a.name} × {amount}" if part is None else f"{a.name} × {amount} in {part}"
    child = a.of_mix(mix, name, _origin(a, b))
    return replace(child, only_when={**b.only_when, **a.only_when})


def _origin(a: Formula, b: Formula) -> str:
    both = [f"{each.name} ({each.origin or 'origin not said'})" for each in (a, b)]
    return f"crossing of {both[0]} and {both[1]}"


def _one_table(a: Formula, b: Formula) -> Ingredients:
    mine = a.table_of_ingredients
    new: list[Ingredient] = []
    for row in b.table_of_ingredients.own:
        if row in mine:
            continue
        if any(row.name.casefold() == own.name.casefold() for own in mine.own):
            raise FormulaError(
                f'"{a.name}" and "{b.name}" have different rows for "{row.name}"; keep one.'
            )
        new.append(row)
    return mine.with_ingredients(tuple(new))


def _spelled_as(a: Mix, b: Mix) -> Parts:
    """Return b's parts with the part and ingredient names that a uses for the same thing."""
    parts: Parts = {}
    for part, amounts in b.parts.items():
        own_part = next((own for own in a.parts if own.casefold() == part.casefold()), part)
        spelling = {a.find(name).name: name for name in a.parts.get(own_part, {})}
        parts[own_part] = {
            spelling.get(b.find(name).name, name): percent for name, percent in amounts.items()
        }
    return parts


def _blended(a: Mix, b: Parts, share: float, part: str | None) -> Parts:
    crossed = [*a.parts, *(own for own in b if own not in a.parts)]
    if part is not None:
        found = [own for own in crossed if own.casefold() == part.casefold()]
        if not found:
            raise FormulaError(f'neither parent has a part "{part}".')
        crossed = found
    blended: Parts = {}
    for own in dict.fromkeys([*a.parts, *crossed]):
        mine, other = a.parts.get(own, {}), b.get(own, {})
        amounts = {
            name: (1 - share) * mine.get(name, 0.0) + share * other.get(name, 0.0)
            for name in dict.fromkeys([*mine, *other])
        }
        amounts = amounts if own in crossed else mine
        blended[own] = {name: percent for name, percent in amounts.items() if percent > 0}
    return {own: amounts for own, amounts in blended.items() if amounts}


def _check_flour(mix: Mix, part: str | None) -> None:
    if not math.isclose(totals(mix)["flour"], 100.0, rel_tol=SAME):
        raise FormulaError(
            f'part "{part}" holds another share of the flour in each parent, so it can not be '
            "crossed by itself. Cross the whole formulas."
        )


@checked_types(FormulaError)
def side_by_side(a: Formula, b: Formula, share: float | None = None) -> pd.DataFrame:
    """Return parents, and their cross, beside one another.

    Parameters
    ----------
    a, b : Formula
    share : float, optional
        Of `b` in a cross of the two, 0 to 1; no cross is shown when left out.

    Returns
    -------
    DataFrame
        part, ingredient, a column for each formula in percent of its flour, the difference of
        the parents; the totals below.

    Raises
    ------
    FormulaError
        When both have one name.

    Examples
    --------
    >>> side_by_side(Formula("A", {"bread flour": 100, "water": 60}),
    ...              Formula("B", {"bread flour": 100, "water": 70})).head(2)
        part   ingredient      A      B  difference
    0  dough  bread flour  100.0  100.0         0.0
    1  dough        water   60.0   70.0        10.0
    """
    if a.name == b.name:
        raise FormulaError(f'both parents are called "{a.name}"; give one another name.')
    columns = {a.name: a.mix.parts, b.name: _spelled_as(a.mix, b.mix)}
    formulas = [a, b]
    if share is not None:
        child = cross(a, b, share)
        if child.name not in columns:
            columns[child.name] = _spelled_as(a.mix, child.mix)
            formulas.append(child)
    rows: list[list[Any]] = [
        [part, name, *(parts.get(part, {}).get(name, 0.0) for parts in columns.values())]
        for part in dict.fromkeys(part for parts in columns.values() for part in parts)
        for name in dict.fromkeys(n for parts in columns.values() for n in parts.get(part, {}))
    ]
    sums = [totals(formula.mix) for formula in formulas]
    rows += [["total", total, *(each[total] for each in sums)] for total in (*TOTALS, "dough")]
    table = pd.DataFrame(rows, columns=["part", "ingredient", *columns])
    table["difference"] = table[b.name] - table[a.name]
    return table


@checked_types(FormulaError)
def distance(a: Formula, b: Formula) -> float:
    """Return how much of the dough differs, from 0 (the same) to 100 percent (nothing in common).

    Half the summed differences of the ingredients' shares of the dough, part by part.

    Parameters
    ----------
    a, b : Formula

    Returns
    -------
    float
        Percent of the weight.

    References
    ----------
    Bray & Curtis 1957, Ecological Monographs 27:325 (percentage dissimilarity).

    Examples
    --------
    >>> round(distance(Formula("A", {"bread flour": 100, "water": 60}),
    ...                Formula("B", {"bread flour": 100, "water": 100})), 2)
    12.5
    """
    whole = [formula.mix.weight() for formula in (a, b)]
    mine, other = a.mix.parts, _spelled_as(a.mix, b.mix)
    gap = [
        abs(
            mine.get(part, {}).get(name, 0.0) / whole[0]
            - other.get(part, {}).get(name, 0.0) / whole[1]
        )
        for part in {*mine, *other} - {*a.mix.aside, *b.mix.aside}
        for name in {*mine.get(part, {}), *other.get(part, {})}
    ]
    return 50.0 * math.fsum(gap)


@checked_types(FormulaError)
def traits(
    a: Formula,
    b: Formula,
    process_a: Mapping[str, Any] | None = None,
    process_b: Mapping[str, Any] | None = None,
) -> tuple[Trait, ...]:
    """Return what differs between two parents, each with the two choices.

    A trait can become a factor whose settings are one parent's choice and the other's; changes
    work on the first parent. The share of a whole crossing is a factor of its own.

    Parameters
    ----------
    a, b : Formula
    process_a, process_b : mapping, optional
        How each is made: setting of the process -> value.

    Returns
    -------
    tuple of Trait
        Flours, fats and sweeteners, parts, totals, then the process.

    Examples
    --------
    >>> a = Formula("A", {"bread flour": 100, "butter": 20})
    >>> b = Formula("B", {"bread flour": 100, "lard": 20})
    >>> [(trait.name, trait.a, trait.b) for trait in traits(a, b)][0]
    ('kind of fat', 'butter', 'lard')
    """
    found = [*_flour_traits(a, b)]
    for group, name, kind in (("fat", "kind of fat", "fat"), ("sugar", "sweetener", "sweetener")):
        mine, other = largest(a.mix, group), largest(b.mix, group)
        if mine and other and a.mix.find(mine) != b.mix.find(other):
            found.append(Trait(name, kind, mine, other, changes=("swap", mine)))
    found += [*_leavening_traits(a, b), *_part_traits(a, b)]
    sums = totals(a.mix), totals(b.mix)
    found += [
        Trait(total, "total", sums[0][total], sums[1][total], "% of flour", ("total", total))
        for total in _TRAIT_TOTALS
        if _differ(sums[0][total], sums[1][total])
    ]
    first, second = dict(process_a or {}), dict(process_b or {})
    found += [
        Trait(name, "process", first[name], second[name])
        for name in first
        if name in second and first[name] != second[name]
    ]
    return tuple(found)


def _differ(one: float, other: float) -> bool:
    return abs(one - other) > SAME * 100


def largest(mix: Mix, group: str) -> str | None:
    """Return the ingredient of a group (fat, sugar) that brings most of it; None without any.

    Examples
    --------
    >>> largest(Formula("a", {"bread flour": 100, "butter": 10, "lard": 20}).mix, "fat")
    'lard'
    """
    held: dict[str, float] = {}
    for _, name, percent in mix.rows():
        if mix.find(name).group == group:
            held[name] = held.get(name, 0.0) + percent * brings(mix, name)[group]
    return max(held, key=lambda name: held[name]) if held else None


def _flour_traits(a: Formula, b: Formula) -> list[Trait]:
    """Return flours whose shares differ; the first parent's main flour fills up, so not it."""
    shares: list[dict[str, float]] = []
    names: dict[str, str] = {}
    for formula in (a, b):
        held: dict[str, float] = {}
        for _, name, percent in formula.mix.rows():
            if formula.mix.is_flour(name):
                key = formula.mix.find(name).name
                names.setdefault(key, name)
                held[key] = held.get(key, 0.0) + percent
        shares.append(held)
    main = max(shares[0], key=lambda key: shares[0][key])
    return [
        Trait(
            names[key],
            "flour",
            shares[0].get(key, 0.0),
            shares[1].get(key, 0.0),
            "% of flour",
            ("flour share", names[key]),
        )
        for key in names
        if key != main and _differ(shares[0].get(key, 0.0), shares[1].get(key, 0.0))
    ]


def _leavening_traits(a: Formula, b: Formula) -> list[Trait]:
    """Return what lifts and differs in its amount: baking powder here, yeast there, or none."""
    names: dict[str, str] = {}
    amounts: list[dict[str, float]] = []
    for formula in (a, b):
        held: dict[str, float] = {}
        for _, name, percent in formula.mix.rows():
            row = formula.mix.find(name)
            if row.group == "leavener":
                held[row.name] = held.get(row.name, 0.0) + percent
                names.setdefault(row.name, name)
        amounts.append(held)
    pairs = {key: (amounts[0].get(key, 0.0), amounts[1].get(key, 0.0)) for key in names}
    return [
        Trait(names[key], "leavening", *pair, "% of flour", ("percent", names[key]))
        for key, pair in pairs.items()
        if abs(pair[0] - pair[1]) > SAME * 100
    ]


# What raises a dough in its own time, what lifts though it is no leavener of the table, and what is
# one and lifts nothing by itself (common practice, no source)
RAISES = re.compile(r"yeast|starter|levain|sourdough|poolish|biga|pre-?ferment", re.I)
_LIFTS = re.compile(rf"{RAISES.pattern}|self.r(ai|i)s", re.I)
_LIFTS_NOT = re.compile(r"cream of tartar", re.I)
# Said of a plan that leaves such bakes out; then each leavening's own absence needs no word
LIFTED = "No bake is left without any leavening."


def lifting(formula: Formula) -> list[str]:
    """Return what a formula rises by: ingredients, and parts such as a poolish.

    Examples
    --------
    >>> lifting(Formula("bun", {"bread flour": 100, "dry yeast": 1, "cream of tartar": 1}))
    ['dry yeast']
    """
    found: list[str] = []
    for part, name, percent in formula.mix.rows():
        row = formula.mix.find(name)
        leavens = row.group == "leavener" or _LIFTS.search(row.name) or _LIFTS.search(name)
        if percent > 0:
            found += [part] if _LIFTS.search(part) else []
            found += [name] if leavens and not _LIFTS_NOT.search(row.name) else []
    return list(dict.fromkeys(found))


def amounts(a: Formula, b: Formula) -> tuple[Trait, ...]:
    """Return ingredients of which two parents hold different amounts, or only one holds any.

    What is no flour and nothing that lifts, which are traits, and stands in one part at most.

    Parameters
    ----------
    a, b : Formula

    Returns
    -------
    tuple of Trait
        In percent of each parent's flour, as the first parent spells and orders them.

    Examples
    --------
    >>> amounts(Formula("A", {"bread flour": 100, "water": 60, "carrot": 20}),
    ...         Formula("B", {"bread flour": 100, "water": 60, "carrot": 40}))
    (carrot: 20 and 40 % of flour,)
    """
    held: dict[str, list[list[float]]] = {}
    names: dict[str, str] = {}
    for at, mix in enumerate((a.mix, b.mix)):
        for _, name, percent in mix.rows():
            row = mix.find(name)
            if not mix.is_flour(name) and row.group != "leavener":
                names.setdefault(row.name, name)
                held.setdefault(row.name, [[], []])[at].append(percent)
    found = []
    for key, both in held.items():
        mine, other = (math.fsum(own) for own in both)
        if max(map(len, both)) == 1 and _differ(mine, other):
            name = names[key]
            found.append(Trait(name, "amount", mine, other, "% of flour", ("percent", name)))
    return tuple(found)


def _part_traits(a: Formula, b: Formula) -> list[Trait]:
    mine = {part.casefold(): part for part in a.mix.parts}
    other = {part.casefold(): part for part in b.mix.parts}
    only = [mine[key] for key in mine if key not in other]
    only += [other[key] for key in other if key not in mine]
    return [
        Trait(part, "part", 0.0, 1.0, f"share of {b.name}", ("cross", b, part))
        for part in only
        if totals((a if part in a.mix.parts else b).mix, part)["flour"] == 0
    ]


# -- What a bake's settings make of a formula: all changes at once, in one fixed order.


ORDER = ("cross", "flour share", "percent", "grams", "swap", "total")
WITH, WITHOUT = ("with", "yes"), ("without", "no", "none")  # what a kitchen says for all, and for 0

Change = tuple[Any, ...]


def apply_changes(
    formula: Formula, changes: Sequence[tuple[Change, Any]], *, without: Sequence[str] = ()
) -> Formula:
    """Return the formula of a bake from what its factors change and their settings.

    Applied in the order cross, flour share, percent, grams, swap, totals, whatever order they are
    given in; otherwise a fat factor would be a hydration factor too. Totals are solved for
    together, so what the fat brings of water is made up for by the hydration. After a crossing of
    whole formulas a swap takes the place of what either parent has of its kind, so that one is
    left. Water that a swap brings is left out elsewhere as far as there is any; the rest stays.
    Parts named by `without` are not there for this bake, and changes of them change nothing.

    Examples
    --------
    >>> batter = Formula("drop doughnut", {"bread flour": 75, "buckwheat flour": 25, "water": 80,
    ...                                    "egg": 20, "butter": 10, "sugar": 8})
    >>> bake = apply_changes(batter, [(("total", "hydration"), 92), (("swap", "butter"), "lard")])
    >>> bake.totals().round(6)["hydration"].item(), round(bake.parts["lard"], 3)
    (92.0, 8.111)
    """
    absent = {part.casefold() for part in without}
    changes = [one for one in changes if str((*one[0], "", "")[2]).casefold() not in absent]
    groups = _grouped(formula, changes)
    grams = _in_percent(formula, groups["grams"])
    for (other, part), share in groups["cross"].items():
        formula = cross(formula, other, share, part)
    gone = [part for part in formula.mix.parts if part.casefold() in absent]
    if gone:
        kept = {part: own for part, own in formula.mix.parts.items() if part not in gone}
        formula = formula.of_mix(normalised(formula.mix.with_parts(kept)))
    mix = with_flour_shares(formula.mix, groups["flour share"])
    mix = with_grams(with_percents(mix, groups["percent"]), grams)
    hydration_follows = ("hydration", None) in groups["total"]
    for (old, part), new in groups["swap"].items():
        if not isinstance(new, str):
            raise FormulaError(f'"{old}" is to be swapped for {new!r}; a name was expected.')
        emptied = 0 in (groups["percent"].get((old, part)), grams.get((old, part)))
        if not emptied:
            parents = [other for other, place in groups["cross"] if place is None]
            for one in _of_its_kind(mix, old, new, parents):
                hydrate = not hydration_follows
                mix = swapped(mix, one, new, part=part, hydrate=hydrate, wetter=True)
    return formula.of_mix(with_totals(mix, groups["total"]))


def _in_percent(
    formula: Formula, grams: Mapping[tuple[str, str | None], Any]
) -> dict[tuple[str, str | None], float]:
    """Return amounts in percent of the formula's flour; words say all of it, or nothing."""
    found = {}
    for (name, part), setting in grams.items():
        word = setting.casefold() if isinstance(setting, str) else ""
        if word in WITH:
            continue
        if word and word not in WITHOUT:
            raise FormulaError(
                f'"{name}" is to be {setting!r}; grams, or {in_words((*WITH, *WITHOUT), "or")}, '
                "was expected."
            )
        found[name, part] = 0.0 if word else float(setting) * formula.written(name, part)
    return found


def _of_its_kind(mix: Mix, old: str, new: str, parents: Sequence[Formula]) -> list[str]:
    """Return what a swap replaces: the ingredient named, or what a crossing holds of its kind."""
    if not parents:
        return [old]
    group = mix.find(old).group
    kin = [found for other in parents if (found := largest(other.mix, group))]
    held = [one for one in dict.fromkeys([old, *kin]) if mix.places(one, None)]
    return [one for one in held if mix.find(one) != mix.find(new)]


def _grouped(
    formula: Formula, changes: Sequence[tuple[Change, Any]]
) -> dict[str, dict[tuple[Any, str | None], Any]]:
    """Return settings by kind of change, then by (what, part)."""
    groups: dict[str, dict[tuple[Any, str | None], Any]] = {kind: {} for kind in ORDER}
    seen = set()
    for change, setting in changes:
        kind, what, part = _read(change)
        table = formula.mix.table
        named = table.find(what).name if kind not in ("cross", "total") and what in table else what
        if (kind, named, part) in seen:
            raise FormulaError(
                f'{kind} "{getattr(what, "name", what)}" is set by two factors; keep one of them.'
            )
        seen.add((kind, named, part))
        groups[kind][what, part] = setting
    if len(groups["cross"]) > 1 and any(part is None for _, part in groups["cross"]):
        raise FormulaError("a formula is crossed once as a whole, or part by part, not both.")
    groups["swap"] = dict(sorted(groups["swap"].items(), key=str))
    return groups


def _read(change: Change) -> tuple[str, Any, str | None]:
    if not isinstance(change, tuple | list) or len(change) not in (2, 3) or change[0] not in ORDER:
        raise FormulaError(
            f"{change!r} is not a change; ({in_words(ORDER, 'or')}, what) was expected, and a "
            "part if need be."
        )
    if (change[0] == "cross") != isinstance(change[1], Formula):
        raise FormulaError(f'"{change[0]}" names {change[1]!r}; a cross needs the other formula.')
    return change[0], change[1], change[2] if len(change) == 3 else None
