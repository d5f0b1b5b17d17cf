"""What a bake's settings make of a formula: all changes at once, in one fixed order."""

from collections.abc import Sequence
from typing import Any

from trials.errors import FormulaError
from trials.recipe.crossing import cross, largest
from trials.recipe.formula import Formula
from trials.recipe.mix import Mix
from trials.recipe.moves import swapped, with_flour_shares, with_percents, with_totals
from trials.tables import in_words

ORDER = ("cross", "flour share", "percent", "swap", "total")

Change = tuple[Any, ...]


def apply_changes(formula: Formula, changes: Sequence[tuple[Change, Any]]) -> Formula:
    """Return the formula of a bake from what its factors change and their settings.

    Applied in the order cross, flour share, percent, swap, totals, whatever order they are given
    in; otherwise a fat factor would be a hydration factor too. Totals are solved for together, so
    what the fat brings of water is made up for by the hydration. After a crossing of whole
    formulas a swap takes the place of what either parent has of its kind, so that one is left.

    Parameters
    ----------
    formula : Formula
        The recipe that the round starts from.
    changes : sequence of (change, setting)
        ("total", "hydration") and a percent; ("percent", ingredient) and a percent;
        ("flour share", flour) and its percent of the total flour; ("swap", ingredient) and the
        name of what takes its place (itself: nothing changes); ("cross", other formula) and its
        share, 0 to 1. Each change may name a part as its third element.

    Raises
    ------
    FormulaError
        When two changes move the same thing, or a target can not be met.

    Examples
    --------
    >>> batter = Formula("drop doughnut", {"bread flour": 75, "buckwheat flour": 25, "water": 80,
    ...                                    "egg": 20, "butter": 10, "sugar": 8})
    >>> bake = apply_changes(batter, [(("total", "hydration"), 92), (("swap", "butter"), "lard")])
    >>> bake.totals().round(6)["hydration"].item(), round(bake.parts["lard"], 3)
    (92.0, 8.111)
    """
    groups = _grouped(formula, changes)
    for (other, part), share in groups["cross"].items():
        formula = cross(formula, other, share, part)
    mix = with_flour_shares(formula.mix, groups["flour share"])
    mix = with_percents(mix, groups["percent"])
    hydration_follows = ("hydration", None) in groups["total"]
    for (old, part), new in groups["swap"].items():
        if not isinstance(new, str):
            raise FormulaError(f'"{old}" is to be swapped for {new!r}; a name was expected.')
        emptied = groups["percent"].get((old, part)) == 0
        if not emptied:
            parents = [other for other, place in groups["cross"] if place is None]
            for one in _of_its_kind(mix, old, new, parents):
                mix = swapped(mix, one, new, part=part, hydrate=not hydration_follows)
    return formula.of_mix(with_totals(mix, groups["total"]))


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
