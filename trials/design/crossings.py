"""Two parents made into factors, trait by trait, and both baked whole as references."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import FactorError, PlanError
from trials.base.words import in_words
from trials.core.exclusion import Exclude, Exclusion
from trials.core.factors import (
    Categorical,
    Factor,
    Numeric,
    Varied,
    check_factors,
    check_nested,
    exists,
    is_blank,
)
from trials.core.plan import MIXED_ONCE, Plan, whole_number
from trials.core.roles import Role
from trials.core.terms import coded_settings
from trials.recipe.crossing import Trait, amounts, traits
from trials.recipe.formula import Formula, totals

CLOSE = 0.5  # percent of the flour: totals that no one would bake a round for
Process = Mapping[str, Any]


@checked_types(FactorError)
def crossing_factors(
    a: Formula,
    b: Formula,
    process_a: Process | None = None,
    process_b: Process | None = None,
    *,
    only: Sequence[str] | None = None,
    share: bool = True,
    units: Mapping[str, str] | None = None,
    hard_to_change: Mapping[str, bool | str] | None = None,
) -> tuple[Factor, ...]:
    """Return what differs between two parents as factors: one parent's choice, and the other's.

    The share of the second parent in the whole formula is one of them. Whatever else is a factor
    (a flour, the kind of fat, a total, a setting of the process) is then set on the crossing, and
    the share moves the rest.

    Parameters
    ----------
    a, b : Formula
        The parents. The round is given `a` as its formula; what the factors change starts from it.
    process_a, process_b : mapping, optional
        Settings that no formula holds (oven, rest, folds), by name.
    only : sequence of str, optional
        The names to keep, in this order; an ingredient may be named too, of which the parents
        hold different amounts. All traits when left out, but for totals closer than half a
        percent of the flour.
    share : bool
        Whether the share is offered. Without it a part that only one parent has is.
    units : mapping of str to str, optional
        Units of the settings of the process.
    hard_to_change : mapping, optional
        By name, as factors take it.

    Returns
    -------
    tuple of Factor

    Raises
    ------
    FactorError
        When the parents do not differ, or a name is none of what differs.

    References
    ----------
    See :func:`trials.recipe.crossing.cross` and :func:`trials.recipe.crossing.traits`.

    Examples
    --------
    >>> roll = Formula("roll", {"bread flour": 100, "water": 60, "butter": 10})
    >>> bun = Formula("bun", {"bread flour": 70, "buckwheat flour": 30, "water": 60, "lard": 4})
    >>> found = crossing_factors(roll, bun, {"oven": 210}, {"oven": 190}, units={"oven": "°C"})
    >>> for factor in found:
    ...     print(factor.name, *(factor.show(round(level, 1) if isinstance(level, float) else level)
    ...                          for level in factor.levels))
    share of bun 0 % 100 %
    buckwheat flour 0 % of flour 30 % of flour
    kind of fat butter lard
    fat 6.1 % of flour 9.8 % of flour
    sugar 0.3 % of flour 1 % of flour
    hydration 60 % of flour 61.8 % of flour
    oven 190 °C 210 °C
    """
    found = {
        trait.name: _factor(trait, (units or {}).get(trait.name, trait.unit))
        for trait in traits(a, b, process_a, process_b)
        if not share or trait.kind != "part"
    }
    if share and a.mix.parts != b.mix.parts:
        name = share_name(b)
        found = {name: Numeric(name, 0, 1, changes=("cross", b)), **found}
    by_amount = {trait.name: _factor(trait, trait.unit) for trait in amounts(a, b)}
    if not found and not (only and by_amount):
        raise FactorError(f'"{a.name}" and "{b.name}" do not differ; there is nothing to vary.')
    if only is None:
        only = [name for name in found if _offered(found[name])]
    found = {**by_amount, **found}
    asked = [*only, *(hard_to_change or {})]
    strange = [name for name in asked if name not in found]
    if strange:
        raise FactorError(
            f'"{strange[0]}" is not what differs between the parents; expected '
            f"{in_words(found, 'or')}."
        )
    hard = hard_to_change or {}
    kept = [found[name] for name in only]
    return tuple(
        replace(one, hard_to_change=hard[one.name]) if one.name in hard else one for one in kept
    )


# What a cook crosses, in a word -> sorts of trait, and names of what no formula holds or of parts.
_SORTS = {
    "fat": ("fat",),
    "flour": ("flour",),
    "sugar": ("sweetener",),
    "leavening": ("leavening",),
}
_TOTALS = {"fat": "fat", "water": "hydration", "sugar": "sugar", "salt": "salt"}
_NAMES = {
    "lamination": re.compile(r"lamin|fold|turn|roll.?in", re.IGNORECASE),
    "cooking": re.compile(r"cook|method|oven|bak|fry|heat|pan\b|griddle|steam", re.IGNORECASE),
    "soak": re.compile(r"soak|syrup|glaze|dip|coat", re.IGNORECASE),
}
WORDS = ("share", "fat", "flour", "water", "sugar", "salt", "leavening", *_NAMES)


def crossed_by_word(
    words: Sequence[str],
    a: Formula,
    b: Formula,
    process_a: Process | None = None,
    process_b: Process | None = None,
) -> list[str]:
    """Return the names of the traits that words of the kitchen mean.

    Parameters
    ----------
    words : sequence of str
        share, fat, flour, water, sugar, salt, leavening, lamination, cooking, soak; or the name of
        a trait as :func:`trials.crossing.traits` gives it; or an ingredient of which the parents
        hold different amounts.
    a, b, process_a, process_b
        As for :func:`crossing_factors`.

    Raises
    ------
    FactorError
        When a word is none of these, or the parents do not differ in it.

    Examples
    --------
    >>> roll = Formula("roll", {"bread flour": 100, "water": 60, "butter": 10})
    >>> bun = Formula("bun", {"bread flour": 100, "water": 70, "lard": 4, "baking powder": 3})
    >>> crossed_by_word(["fat", "water", "leavening"], roll, bun)
    ['kind of fat', 'fat', 'hydration', 'baking powder']
    """
    there = traits(a, b, process_a, process_b)
    by_amount = {trait.name for trait in amounts(a, b)}
    found: list[str] = []
    for word in words:
        own = [share_name(b)] if word == "share" else []
        own += [
            trait.name
            for trait in there
            if trait.name == word
            or trait.kind in _SORTS.get(word, ())
            or (trait.kind == "total" and trait.name == _TOTALS.get(word) and _wide(trait))
            or (trait.kind in ("process", "part") and crossed_means(word, trait.name))
        ]
        own = own or [word] * (word in by_amount)
        if not own:
            known = [trait.name for trait in told_apart(a, b, process_a, process_b)]
            raise FactorError(
                f'"{word}" is to be crossed, but "{a.name}" and "{b.name}" do not differ in it, as '
                f"far as is said; they differ in {in_words(known) or 'nothing'}. The words are "
                f"{in_words(WORDS, 'or')}."
            )
        found += [name for name in own if name not in found]
    return found


def crossed_means(word: str, name: str) -> bool:
    """Say whether a word of the kitchen means what no formula holds under a name.

    Examples
    --------
    >>> crossed_means("cooking", "oven heat"), crossed_means("soak", "oven heat")
    (True, False)
    """
    return word in _NAMES and bool(_NAMES[word].search(name))


def told_apart(
    a: Formula,
    b: Formula,
    process_a: Process | None = None,
    process_b: Process | None = None,
) -> tuple[Trait, ...]:
    """Return what parents differ in as their recipes are written, each thing once.

    A total is among them where what brings it was given at different amounts; not what a flour
    happens to hold of fat or sugar. Any other ingredient stands for itself.

    Parameters
    ----------
    a, b, process_a, process_b
        As for :func:`crossing_factors`.

    Examples
    --------
    >>> roll = Formula("roll", {"bread flour": 100, "water": 60, "butter": 10, "salt": 2})
    >>> bun = Formula("bun", {"chickpea flour": 100, "water": 70, "butter": 20, "salt": 2})
    >>> [trait.name for trait in told_apart(roll, bun)]
    ['chickpea flour', 'fat', 'water']
    """
    own = amounts(a, b)
    groups = {
        trait.name: (a if _holds(a, trait.name) else b).mix.find(trait.name).group for trait in own
    }
    there = [
        trait
        for trait in traits(a, b, process_a, process_b)
        if trait.kind != "total"
        or (trait.name in _BY_TOTAL and trait.name in groups.values() and _wide(trait))
    ]
    rest = [trait for trait in own if groups[trait.name] not in _BY_TOTAL]
    return (
        *(trait for trait in there if trait.kind != "process"),
        *rest,
        *(trait for trait in there if trait.kind == "process"),
    )


_BY_TOTAL = ("fat", "sugar")  # groups whose ingredients are told as their kind and their total


def _holds(formula: Formula, name: str) -> bool:
    return any(own == name for _, own, _ in formula.mix.rows())


def not_crossed(
    factors: Sequence[Factor],
    a: Formula,
    b: Formula,
    process_a: Process | None = None,
    process_b: Process | None = None,
) -> tuple[Trait, ...]:
    """Return what parents differ in that no factor changes: every bake has the first parent's.

    Parameters
    ----------
    factors : sequence of Factor
    a, b, process_a, process_b
        As for :func:`crossing_factors`.

    Examples
    --------
    >>> roll = Formula("roll", {"bread flour": 100, "water": 60, "butter": 10})
    >>> bun = Formula("bun", {"bread flour": 100, "water": 70, "lard": 10})
    >>> not_crossed(crossing_factors(roll, bun, only=["kind of fat", "fat"]), roll, bun)
    (water: 60 and 70 % of flour,)
    """
    names = {factor.name for factor in factors}
    set_by = [factor.changes[:2] for factor in factors if factor.changes]
    changed = {what for kind, what in set_by if kind != "cross"}
    moved = {what for kind, what in set_by if kind == "total"}
    whole = share_name(b) in names
    return tuple(
        trait
        for trait in told_apart(a, b, process_a, process_b)
        if trait.name not in names
        and not (trait.changes and trait.changes[0] != "cross" and trait.changes[1] in changed)
        and not (whole and trait.kind != "process")
        and not (trait.kind == "amount" and _moved_by(trait, a, b) & moved)
    )


def _moved_by(trait: Trait, a: Formula, b: Formula) -> set[str]:
    """Return the totals that an ingredient is told by when they are set."""
    group = (a if _holds(a, trait.name) else b).mix.find(trait.name).group
    return {"hydration"} if group in ("water", "dairy", "plant milk") else {group}


def _wide(trait: Trait) -> bool:
    return abs(float(trait.a) - float(trait.b)) >= CLOSE


def _offered(factor: Factor) -> bool:
    total = (factor.changes or ("",))[0] == "total"
    return not (total and isinstance(factor, Numeric) and factor.high - factor.low < CLOSE)


def share_name(b: Formula) -> str:
    """Return what the share of the second parent is called as a factor.

    Examples
    --------
    >>> share_name(Formula("bun", {"bread flour": 100}))
    'share of bun'
    """
    return f"share of {b.name}"


def _factor(trait: Trait, unit: str) -> Numeric | Categorical:
    if not trait.is_number:
        return Categorical(trait.name, [trait.a, trait.b], changes=trait.changes, unit=unit)
    low, high = sorted((float(trait.a), float(trait.b)))
    if trait.kind == "part":
        unit = ""  # a share of the other parent, which is shown in percent
    return Numeric(trait.name, low, high, unit, changes=trait.changes)


@checked_types(FactorError)
def parent_settings(
    factors: Sequence[Varied],
    a: Formula,
    b: Formula,
    process_a: Process | None = None,
    process_b: Process | None = None,
) -> pd.DataFrame:
    """Return the settings at which a bake is the first parent, and the second.

    Where the share is among the factors, both come out whole; without it the second is as near
    as the factors bring the first to it. A factor that is no trait but sets an amount stands at
    what the parent has, or the nearest to it of its range; any other at its middle, and at
    nothing where it does not exist.

    Parameters
    ----------
    factors : sequence of Factor
    a, b : Formula
    process_a, process_b : mapping, optional
        As for :func:`crossing_factors`.

    Returns
    -------
    DataFrame
        Two rows, named as the parents are, and a column per factor.

    Examples
    --------
    >>> roll = Formula("roll", {"bread flour": 100, "water": 60, "butter": 10})
    >>> bun = Formula("bun", {"bread flour": 100, "water": 60, "lard": 10})
    >>> factors = crossing_factors(roll, bun, only=["share of bun", "kind of fat"])
    >>> parent_settings(factors, roll, bun)
          share of bun kind of fat
    roll           0.0      butter
    bun            1.0        lard
    """
    if a.name == b.name:
        raise FactorError(f'both parents are called "{a.name}"; give one another name.')
    there = (*amounts(a, b), *traits(a, b, process_a, process_b))
    choices = {trait.name: (trait.a, trait.b) for trait in there} | {share_name(b): (0.0, 1.0)}
    held = check_factors(factors)
    columns = {
        factor.name: [
            _nearest(factor, choice)
            for choice in choices.get(factor.name, (_own(factor, a), _own(factor, b)))
        ]
        for factor in held
    }
    for factor in held:
        found = exists(factor, columns)
        if found is not None:
            columns[factor.name] = [
                value if is_there else factor.read("")
                for value, is_there in zip(columns[factor.name], found, strict=True)
            ]
    return pd.DataFrame(columns, index=[a.name, b.name])


def _own(factor: Factor, parent: Formula) -> Any:
    """Return what a parent has of what a factor sets; its middle where the recipe says nothing."""
    kind, what, *part = factor.changes or ("", "")
    if not isinstance(factor, Numeric) or part or kind not in ("percent", "flour share", "total"):
        return factor.middle
    mix = parent.mix
    if kind == "total":
        return float(totals(mix)[what])
    row = parent.mix.find(what)
    return float(sum(percent for _, name, percent in mix.rows() if mix.find(name) == row))


def _nearest(factor: Factor, choice: Any) -> Any:
    """Return the setting of a factor that is nearest to a choice."""
    if not isinstance(factor, Numeric):
        return factor.read(choice)
    value = factor.read(choice)
    if factor.settings:
        return min(factor.settings, key=lambda one: abs(one - value))
    return min(max(value, factor.low), factor.high)


@checked_types(PlanError)
def with_parents(plan: Plan, parents: pd.DataFrame, *, each: int = 1) -> Plan:
    """Return a plan with the parents baked among its bakes, as references to compare with.

    They are bakes as any other for the fit: their settings are settings of the plan. Each goes,
    by chance, into a load that has its hard-to-change settings, on the days with the fewest bakes
    first, and to a place in it drawn by chance. Where bakes are divided from doughs, it is one more
    bake of a dough that is as the parent's, else a dough of its own.

    Parameters
    ----------
    plan : Plan
    parents : DataFrame
        One row per parent, as :func:`parent_settings` returns them.
    each : int
        How often each is baked, on as many days as there are loads for it.

    Returns
    -------
    Plan
        Bakes are numbered anew; which of them are parents is among its reasons and details.

    Raises
    ------
    PlanError
        When no load of the plan has a parent's hard-to-change settings, a factor is missing, or
        has a setting where it does not exist.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> parents = pd.DataFrame({"rest": [20.0, 60.0]}, index=["roll", "bun"])
    >>> longer = with_parents(full_factorial([rest], seed=1), parents)
    >>> longer.sentence(), longer.details["parents"]
    ('4 bakes over 1 day', {'roll': ['B02'], 'bun': ['B03']})
    """
    missing = [factor.name for factor in plan.factors if factor.name not in parents]
    if missing:
        raise PlanError(f"the parents have no setting for {in_words(missing)}.")
    try:
        check_nested(plan.factors, parents)
    except FactorError as error:
        raise PlanError(f"the parents: {error.message}") from None
    each = whole_number("each", each, least=1, most=100)
    rng = np.random.default_rng([plan.seed, each])
    rows = plan.table.assign(parent="")
    for _ in range(each):
        for name, setting in parents.iterrows():
            rows = _baked_too(plan, rows, str(name), dict(setting), rng)
    for group in _mixtures(plan):
        rows[group] = (pd.factorize(rows[group])[0] + 1).astype("int64")
    width = max(2, len(str(len(rows))))
    rows["bake"] = [f"B{place:0{width}d}" for place in range(1, len(rows) + 1)]
    where = {
        str(name): list(rows.loc[rows["parent"] == str(name), "bake"]) for name in parents.index
    }
    said = in_words(f"{name}: {in_words(bakes)}" for name, bakes in where.items())
    count, both = plan.count(), len(rows) - len(plan.rows)
    more = [
        f"For a parent that is of no such dough, one more is mixed: {rows[group].nunique()} doughs "
        "in all."
        for group in _mixtures(plan)
        if rows[group].nunique() > plan.rows[group].nunique()
    ]
    return replace(
        plan,
        rows=rows.drop(columns="parent"),
        details={**plan.details, "parents": where},
        reasons=(
            f"{count} crossings and the settings of both parents ({said}) make {count + both} "
            "bakes.",
            *more,
            *plan.reasons,
        ),
    )


def parents_among(
    plan: Plan, parents: pd.DataFrame, *, each: int = 1, exclude: Exclude = None
) -> Plan | None:
    """Return the plan with bakes of its own that are the parents; None where it has none such.

    What a plan tells does not hang on which of two kinds or ends it calls which: they change places
    where that makes its bakes the parents.

    Parameters
    ----------
    plan : Plan
    parents : DataFrame
        One row per parent, as :func:`parent_settings` returns them.
    each : int
        How often each is to be among the bakes.
    exclude : optional
        Settings that never go together; see :class:`trials.core.exclusion.Exclusion`.

    Returns
    -------
    Plan or None
        The same bakes on the same days; which of them are parents is among its reasons and details.

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> from trials.design.factorial import full_factorial
    >>> fat, way = Categorical("fat", ["butter", "lard"]), Categorical("way", ["oven", "pan"])
    >>> both = pd.DataFrame({"fat": ["butter", "lard"], "way": ["oven", "pan"]}, index=["a", "b"])
    >>> found = parents_among(full_factorial([fat, way], seed=1), both)
    >>> found.count(), sorted(found.details["parents"])
    (4, ['a', 'b'])
    """
    names = [factor.name for factor in plan.factors]
    rules = Exclusion(plan.factors, exclude)
    first = dict(parents[names].iloc[0])
    trials = plan.rows["role"] == Role.TRIAL
    best: tuple[list[str], pd.DataFrame] | None = None
    for start in plan.rows[trials].drop_duplicates(names).to_dict("records"):
        moved = [one for one in plan.factors if not _same_setting(start[one.name], first[one.name])]
        if best is not None and len(moved) >= len(best[0]):
            continue
        rows = _swapped(plan, trials, moved, start, first)
        if rows is None or any(
            _alike(rows[trials], dict(one)).sum() < each for _, one in parents[names].iterrows()
        ):
            continue
        try:
            check_nested(plan.factors, rows)
        except FactorError:
            continue
        if rules.allows(coded_settings(plan.factors, rows)).all():
            best = ([one.name for one in moved], rows)
    if best is None:
        return None
    rows = best[1].astype(plan.rows.dtypes.to_dict())
    where = {
        str(name): list(rows.loc[trials & _alike(rows, dict(one)), "bake"])[:each]
        for name, one in parents[names].iterrows()
    }
    (first_name, as_first), *others = where.items()
    told = [f"{in_words(as_first)} ({first_name})"]
    told += [f"{in_words(bakes)} (what is crossed of {name})" for name, bakes in others]
    words = plan.details.get("generators", [])
    turned = {"generators": [_turned(one, best[0]) for one in words]} if words else {}
    return replace(
        plan,
        rows=rows,
        details={**plan.details, **turned, "parents": where},
        reasons=(f"Both sides are among the bakes: {in_words(told)}.", *plan.reasons),
    )


def _swapped(
    plan: Plan,
    trials: pd.Series,
    factors: Sequence[Factor],
    start: Mapping[str, Any],
    first: Mapping[str, Any],
) -> pd.DataFrame | None:
    """Return the bakes with settings changed about so that one becomes the first parent.

    None where a setting can not change places without the plan telling less.
    """
    rows = plan.rows.copy()
    for factor in factors:
        here, there = start[factor.name], first[factor.name]
        own = plan.rows.loc[trials, factor.name]
        if not _mirrored(factor, here, there, own):
            return None
        places = {_key(here): there, _key(there): here}
        rows.loc[trials, factor.name] = [places.get(_key(one), one) for one in own]
    return rows


def _mirrored(factor: Factor, one: Any, other: Any, settings: Iterable[Any]) -> bool:
    """Say whether a plan tells as much when two settings change places: kinds, or both ends.

    Of a number all that lies between its ends has to lie in their middle.
    """
    if isinstance(factor, Numeric):
        ends = {_key(factor.low), _key(factor.high)}
        still = {*ends, _key((factor.low + factor.high) / 2), None}
        return {_key(one), _key(other)} == ends and {_key(own) for own in settings} <= still
    return isinstance(factor, Categorical)


def _turned(generator: str, moved: Sequence[str]) -> str:
    """Return a generator as it is once some factors have their settings the other way round."""
    made, _, of = generator.partition(" = ")
    odd = sum(name in moved for name in (made, *of.removeprefix("−").split(" × "))) % 2
    if not odd:
        return generator
    return f"{made} = {of.removeprefix('−') if of.startswith('−') else f'−{of}'}"


def _alike(rows: pd.DataFrame, settings: Mapping[str, Any]) -> pd.Series:
    """Return which bakes have such settings."""
    same = pd.Series(True, index=rows.index)
    for name, setting in settings.items():
        same &= rows[name].map(lambda one, own=setting: _same_setting(one, own))
    return same


def _same_setting(one: Any, other: Any) -> bool:
    return bool(_key(one) == _key(other))


def _key(setting: Any) -> Any:
    """Return a setting to compare by: blank ones are alike, and so are figures but for rounding."""
    if is_blank(setting):
        return None
    return round(float(setting), 9) if isinstance(setting, Real) else setting


def _mixtures(plan: Plan) -> list[str]:
    """Return the groups of bakes that are divided from one mixture."""
    return [group for group in plan.groups if group in MIXED_ONCE]


def _baked_too(
    plan: Plan, rows: pd.DataFrame, name: str, setting: dict[str, Any], rng: np.random.Generator
) -> pd.DataFrame:
    """Return the bakes with a parent at a place drawn by chance."""
    mixtures = _mixtures(plan)
    trial, alike = rows["role"] != Role.REFERENCE, pd.Series(True, index=rows.index)
    for factor in plan.factors:
        if factor.group in plan.groups:
            own = setting[factor.name]
            same = rows[factor.name].map(is_blank) if is_blank(own) else rows[factor.name] == own
            if factor.group in mixtures:
                alike &= same
            else:
                trial &= same
    homes = rows[trial & alike] if (trial & alike).any() else rows[trial]
    if homes.empty:
        hard = in_words(
            factor.show(setting[factor.name])
            for factor in plan.factors
            if factor.group and not is_blank(setting[factor.name])
        )
        raise PlanError(f'no load of this plan is at {hard}, where "{name}" is baked.')
    # First the days that have not had this parent yet, and of them those with the fewest bakes
    fresh = homes[~homes["day"].isin(rows.loc[rows["parent"] == name, "day"])]
    homes = fresh if len(fresh) else homes
    sizes = homes["day"].map(rows["day"].value_counts())
    homes = homes[sizes == sizes.min()]
    home = int(rng.choice(homes.index.to_numpy()))
    new = rows.loc[[home]].assign(parent=name, role=Role.TRIAL.value, **setting)
    place = home + int(rng.integers(2))
    if mixtures and not alike[home]:
        beside = np.flatnonzero((rows[mixtures] == rows.loc[home, mixtures]).all(axis=1))
        place = int(rng.choice([beside.min(), beside.max() + 1]))
        new = new.assign(**{group: int(rows[group].max()) + 1 for group in mixtures})
    return pd.concat([rows.iloc[:place], new, rows.iloc[place:]], ignore_index=True)
