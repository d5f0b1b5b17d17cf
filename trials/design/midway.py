"""A round that changes midway.

Bakes dropped, added or repeated, limits lowered, kinds left out, days moved, and the one bake more
that mends most.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import FactorError, PlanError
from trials.base.html import answer
from trials.base.words import in_words, tidy_number
from trials.core.exclusion import Exclusion
from trials.core.factors import Categorical, Factor, Numeric, exists, holds, is_blank
from trials.core.plan import MIXED_ONCE, Plan, kitchen_group, whole_number
from trials.core.roles import Role
from trials.core.terms import (
    Model,
    basis,
    coded_settings,
    kitchen_names,
    model_terms,
    real_settings,
)
from trials.design.candidates import candidates
from trials.design.layout import Ratios, same
from trials.design.power import Promise, promise

# -- A round that changes midway: bakes dropped, added or repeated, and what the rest still tells.
#
# A bake fails at noon, an ingredient runs out, a taster stays home. Plans are never changed: each
# step gives a new one, the bakes that stay keeping their names, days and loads.


@checked_types(PlanError)
def drop(plan: Plan, bakes: Sequence[str] | str, why: str = "") -> Plan:
    """Return a plan without some bakes.

    Parameters
    ----------
    plan : Plan
    bakes : str or sequence of str
        Their names, as "B03".
    why : str
        Kept with the plan's reasons.

    Raises
    ------
    PlanError
        When a name is none of the plan's, or nothing is left.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> drop(plan, "B02", "burned").count()
    5
    """
    gone = _known(plan, bakes)
    rows = plan.table
    rows = rows[~rows["bake"].isin(gone)].reset_index(drop=True)
    if not (rows["role"] != Role.REFERENCE).any():
        raise PlanError("no bake is left; keep at least one.")
    reason = f"Dropped {in_words(gone)}{f': {why}' if why else ''}."
    return replace(plan, rows=rows, reasons=(*plan.reasons, reason))


@checked_types(PlanError)
def repeat(plan: Plan, bakes: Sequence[str] | str, *, day: int | None = None) -> Plan:
    """Return a plan in which some bakes are made once more.

    A dough that was divided is mixed anew, once for those of its bakes that are made again.

    Parameters
    ----------
    plan : Plan
    bakes : str or sequence of str
        Their names.
    day : int, optional
        The last day when left out.

    Raises
    ------
    PlanError
        When a name is none of the plan's.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> repeat(plan, "B02").table["rest"].iloc[[1, -1]].nunique()
    1
    """
    rows = plan.table.set_index("bake")
    names = [factor.name for factor in plan.factors]
    last = {group: int(rows[group].max()) for group in plan.groups if group in MIXED_ONCE}
    anew: dict[tuple[str, int], int] = {}
    for bake in _known(plan, bakes):
        plan = add(plan, rows.loc[bake, names].to_dict(), day=day)
        for group in last:
            dough = (group, int(rows.loc[bake, group]))
            if dough not in anew:
                last[group] = anew[dough] = last[group] + 1
            table = plan.table
            table.loc[table.index[-1], group] = anew[dough]
            plan = replace(plan, rows=table)
    return plan


@checked_types(PlanError)
def add(plan: Plan, settings: Mapping[str, Any], *, day: int | None = None) -> Plan:
    """Return a plan with one bake more, at the end.

    It goes into a load of that day that has its hard-to-change settings, else into a new one.

    Parameters
    ----------
    plan : Plan
    settings : mapping
        A setting for every factor.
    day : int, optional
        The last day when left out.

    Raises
    ------
    PlanError, FactorError
        When a factor has no setting or one that is not its own, or the setting is excluded.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> add(plan, {"rest": 40}).table["bake"].iloc[-1]
    'B07'
    """
    setting = _read(plan, settings)
    day = int(plan.rows["day"].max()) if day is None else whole_number("day", day, least=1)
    homes = {group: _home(plan, group, setting, day) for group in plan.groups}
    there = {group: home for group, home in homes.items() if home is not None}
    return placed(plan, setting, {"day": day, **there})


def placed(plan: Plan, setting: Mapping[str, Any], place: Mapping[str, int]) -> Plan:
    """Return a plan with one bake more, on a day and in loads that are known."""
    rows = plan.table
    number = max(int("".join(filter(str.isdigit, name)) or 0) for name in rows["bake"]) + 1
    row = {"bake": f"B{number:02d}", "role": Role.TRIAL.value, **setting, **place}
    new = pd.DataFrame([row]).reindex(columns=rows.columns).astype(rows.dtypes.to_dict())
    grown = pd.concat([rows, new], ignore_index=True)
    return replace(plan, rows=grown)


# -- What can no longer be set as planned: what is left is set anew, bakes keeping their names.


def limited(
    plan: Plan,
    factor: str,
    low: float | None = None,
    high: float | None = None,
    *,
    made: Iterable[str] = (),
) -> Plan:
    """Return a plan in which a number no longer goes as low or as high as was planned.

    Bakes that are left and lie outside go to the new limit; what was made stays as it was made.

    Parameters
    ----------
    plan : Plan
    factor : str
    low, high : float, optional
        The new limits, in its unit; as before when left out.
    made : iterable of str
        Bakes that were made already, or failed.

    Raises
    ------
    PlanError
        When it is no number, the limits are wider than they were or leave nothing to vary, or a
        bake would be set to what is excluded.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> plan = full_factorial([Numeric("oil", 165, 190, "°C")], replicates=2, seed=1)
    >>> limited(plan, "oil", high=180).table["oil"].max()
    np.float64(180.0)
    """
    old = plan.factor(factor)
    if not isinstance(old, Numeric):
        raise PlanError(f'"{factor}" is no number, so it has no limits; leave out a kind of it.')
    new = _narrowed(old, low, high)
    made = tuple(made)
    left = plan.rows[~plan.rows["bake"].isin(set(made))]
    to = {
        str(bake): {factor: _nearest(new, float(value))}
        for bake, value in zip(left["bake"], left[factor], strict=True)
        if not is_blank(value) and not new.low <= value <= new.high
    }
    factors = tuple(new if one.name == factor else one for one in plan.factors)
    # What was made then was made within the limits of then
    then = {bake: dict(own) for bake, own in plan.details.get("limits", {}).items()}
    for bake in map(str, made):
        then.setdefault(bake, {}).setdefault(factor, [old.low, old.high])
    details = {**plan.details, "limits": then} if then else plan.details
    return _set_anew(replace(plan, factors=factors, details=details), to, made)


def _narrowed(old: Numeric, low: float | None, high: float | None) -> Numeric:
    low, high = old.low if low is None else low, old.high if high is None else high
    if low < old.low or high > old.high:
        raise PlanError(
            f'"{old.name}" was planned from {old.show(old.low)} to {old.show(old.high)}; midway '
            "its limits can only come closer. Plan wider limits as the next round."
        )
    settings = tuple(one for one in old.settings if low <= one <= high)
    inside = old.centre is not None and low <= old.centre <= high
    try:
        return replace(
            old,
            low=low,
            high=high,
            settings=settings if len(settings) > 1 else (),
            centre=old.centre if inside else None,
            step=old.step if old.step and old.step <= high - low else None,
        )
    except FactorError as error:
        raise PlanError(error.message) from None


def _nearest(factor: Numeric, value: float) -> float:
    if factor.settings:
        return min(factor.settings, key=lambda one: abs(one - value))
    return min(max(value, factor.low), factor.high)


def leave_out(plan: Plan, factor: str, level: Any, *, made: Iterable[str] = ()) -> Plan:
    """Return a plan in which a kind is baked no more.

    Each bake that is left of that kind becomes the other kind of which most is learned, all else
    staying as it was; what was made stays.

    Parameters
    ----------
    plan : Plan
    factor : str
    level : str or float
        The kind.
    made : iterable of str
        Bakes that were made already, or failed.

    Raises
    ------
    PlanError
        When there is no such kind, or no other is left.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> fat = Categorical("fat", ["butter", "lard", "oil"])
    >>> plan = full_factorial([fat, Numeric("rest", 20, 60)], seed=1)
    >>> sorted(leave_out(plan, "fat", "oil").table["fat"].unique())
    ['butter', 'lard']
    """
    own = plan.factor(factor)
    if not isinstance(own, Categorical):
        raise PlanError(f'"{factor}" is a number and has no kinds; lower its limit instead.')
    try:
        gone = own.read(level)
    except FactorError as error:
        raise PlanError(error.message) from None
    known = [one.get(factor) for one in plan.excluded if len(one) == 1]
    others = [one for one in own.levels if one != gone and one not in known]
    if not others:
        raise PlanError(f'"{factor}" has no kind left beside {own.show(gone)}.')
    plan = replace(plan, excluded=(*plan.excluded, {factor: gone}))
    left = plan.rows[~plan.rows["bake"].isin(set(made)) & (plan.rows[factor] == gone)]
    for names in _together(left, own):
        tried = _instead(plan, own, names, others)
        plan = _set_anew(plan, max(tried, key=lambda one: _worth_of(plan, one, made)), made)
    return plan


def _together(left: pd.DataFrame, factor: Factor) -> list[list[str]]:
    """Return the bakes that must be set alike: those of a load, where the factor is set for one."""
    if not factor.group or not len(left):
        return [[str(bake)] for bake in left["bake"]]
    keys = left[factor.group].astype(object).where(left[factor.group].notna(), left["bake"])
    return [[str(bake) for bake in own] for _, own in left.groupby(keys, sort=False)["bake"]]


def _instead(
    plan: Plan, factor: Factor, names: Sequence[str], others: Sequence[Any]
) -> list[dict[str, dict[str, Any]]]:
    """Return the settings to try: each other kind, with whatever then exists at either end."""
    rows = plan.rows.set_index("bake")
    nested = [one for one in plan.factors if one.only_when and one.only_when[0] == factor.name]
    tried = []
    for level in others:
        ends: list[list[Any]] = []
        for one in nested:
            there = level in (one.only_when or ("", ()))[1]
            ends.append(list(one.levels) if there else [one.read("")])
        for values in product(*ends):
            own = {one.name: value for one, value in zip(nested, values, strict=True)}
            kept = {
                bake: {
                    name: rows.loc[bake, name]
                    if not is_blank(rows.loc[bake, name]) and not is_blank(value)
                    else value
                    for name, value in own.items()
                }
                for bake in names
            }
            setting = {bake: {factor.name: level, **kept[bake]} for bake in names}
            if setting not in tried and _may_be(plan, setting):
                tried.append(setting)
    if not tried:
        raise PlanError(
            f"{in_words(names)} can not be baked otherwise: every other setting is excluded."
        )
    return tried


def _may_be(plan: Plan, to: Mapping[str, Mapping[str, Any]]) -> bool:
    rows = _with_settings(plan.rows, to)
    rules = Exclusion(plan.factors, list(plan.excluded) or None)
    coded = coded_settings(plan.factors, rows[rows["bake"].isin(to)].reset_index(drop=True))
    return bool(rules.allows(coded).all())


def _worth_of(
    plan: Plan, to: Mapping[str, Mapping[str, Any]], made: Iterable[str]
) -> tuple[float, int]:
    """Return how much the plan would tell; of two that tell as much, the rarer setting first."""
    tried = _set_anew(plan, to, made)
    bakes = tried.table
    bakes = bakes[bakes["role"] != Role.REFERENCE].reset_index(drop=True)
    made_of = basis(model_terms(tried.model, tried.factors), tried.factors)
    X = made_of.rows(coded_settings(tried.factors, bakes))
    _, inverse = _information(tried, bakes, X, 1.0)
    names = [factor.name for factor in plan.factors]
    own = bakes[names].astype(str)
    here = own[bakes["bake"].isin(to)]
    alike = sum(int((own == row).all(axis=1).sum()) for _, row in here.iterrows())
    return round(-float(np.linalg.slogdet(inverse)[1]), 6), -alike


def moved(plan: Plan, days: Mapping[str, int], *, made: Iterable[str] = ()) -> Plan:
    """Return a plan in which bakes that are left are made on another day.

    Bakes that move together go on sharing what they share; else they come into a load of that day
    with their settings, or a new one.

    Parameters
    ----------
    plan : Plan
    days : mapping of str to int
        The day of each bake that moves.
    made : iterable of str
        Bakes that were made already, or failed.

    Raises
    ------
    PlanError
        When a bake is none of the plan's, or was made.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=2, seed=1)
    >>> moved(plan, {"B02": 2}).table["day"].tolist()
    [1, 1, 1, 2]
    """
    names = _known(plan, list(days))
    done = [bake for bake in names if bake in set(made)]
    if done:
        raise PlanError(f"{in_words(done)} can not be moved to another day: made already.")
    rows = plan.table
    new = rows["bake"].map({bake: whole_number("day", day, least=1) for bake, day in days.items()})
    to = {
        str(bake): {"day": int(day)}
        for bake, day, before in zip(rows["bake"], new, rows["day"], strict=True)
        if pd.notna(day) and day != before
    }
    return _set_anew(plan, to, made)


def _set_anew(plan: Plan, to: Mapping[str, Mapping[str, Any]], made: Iterable[str]) -> Plan:
    """Return a plan with some bakes set anew, sharing what fits; it remembers how they were."""
    if not to:
        return plan
    if not _may_be(plan, to):
        raise PlanError(f"{in_words(to)} would be set to what is excluded; bake something else.")
    before = plan.rows
    rows = _with_settings(before, to)
    for group in plan.groups:
        rows[group] = _homes(plan, group, before, rows, to, set(made))
    rows = _in_baking_order(plan, rows)
    was = {bake: dict(own) for bake, own in plan.details.get("was", {}).items()}
    old = before.set_index("bake")
    new = rows.set_index("bake")
    for bake in to:
        own = was.setdefault(bake, {})
        for name in ("day", *plan.groups, *(factor.name for factor in plan.factors)):
            if not _alike(old.loc[bake, name], new.loc[bake, name]):
                value = old.loc[bake, name]
                own.setdefault(name, "" if is_blank(value) else _plain(value))
    return replace(plan, rows=rows, details={**plan.details, "was": was})


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value


def _alike(one: Any, other: Any) -> bool:
    return (is_blank(one) and is_blank(other)) or (
        not is_blank(one) and not is_blank(other) and one == other
    )


def _with_settings(rows: pd.DataFrame, to: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
    rows = rows.copy()
    for bake, setting in to.items():
        here = rows.index[rows["bake"] == bake][0]
        for name, value in setting.items():
            rows.loc[here, name] = value
    return rows


def _homes(
    plan: Plan,
    group: str,
    before: pd.DataFrame,
    rows: pd.DataFrame,
    to: Mapping[str, Mapping[str, Any]],
    made: set[str],
) -> pd.Series:
    """Return what each bake shares now: as before where it fits, else with its like, else anew."""
    hard = [factor.name for factor in plan.factors if factor.group == group]
    found = before[group].copy()
    keys = _sharing(group, hard, rows)
    fresh: dict[Any, int] = {}
    last = int(found.max()) if found.notna().any() else 0
    for at in rows.index[rows["bake"].isin(to)]:
        if keys[at] is None:
            found[at] = pd.NA
            continue
        old = before.loc[at, group]
        apart = rows.loc[at, "role"] == Role.REFERENCE
        mates = [] if pd.isna(old) else rows.index[(found == old).fillna(False)].drop(at)
        if pd.notna(old) and all(_fellow(rows, keys, at, one, apart) for one in mates):
            continue
        # Those of one load that move alike stay together in a new one
        way = (None if pd.isna(old) else int(old), keys[at])
        if way not in fresh:
            like = [
                int(found[one])
                for one in rows.index
                if rows.loc[one, "bake"] not in {*to, *made}
                and pd.notna(found[one])
                and keys[one] == keys[at]
                and rows.loc[one, "role"] != Role.REFERENCE
            ]
            last += not like
            fresh[way] = like[-1] if like else last
        found[at] = fresh[way]
    return found


def _fellow(rows: pd.DataFrame, keys: Mapping[Any, Any], at: Any, other: Any, apart: bool) -> bool:
    """Say whether two bakes may share: one setting on one day; a reference bake has its own."""
    if apart or rows.loc[other, "role"] == Role.REFERENCE:
        return bool(rows.loc[at, "day"] == rows.loc[other, "day"])
    return bool(keys[at] == keys[other])


def _sharing(
    group: str, hard: Sequence[str], rows: pd.DataFrame
) -> dict[Any, tuple[Any, ...] | None]:
    """Return day and settings of what each bake would share; None for one that shares nothing."""
    keys: dict[Any, tuple[Any, ...] | None] = {}
    for at, row in rows.iterrows():
        values = [None if is_blank(row[name]) else row[name] for name in hard]
        nowhere = bool(hard) and all(value is None for value in values)
        keys[at] = None if nowhere else (int(row["day"]), *values)
        if not hard and pd.isna(row[group]):
            keys[at] = None
    return keys


def _in_baking_order(plan: Plan, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the bakes day by day, what shares a load beside its fellows, in their order else."""
    shared = rows[plan.groups[0]] if plan.groups else pd.Series(pd.NA, index=rows.index)
    first: dict[Any, int] = {}
    place = []
    for at, (day, one) in enumerate(zip(rows["day"], shared, strict=True)):
        place.append(at if pd.isna(one) else first.setdefault((day, int(one)), at))
    order = sorted(range(len(rows)), key=lambda at: (rows["day"].iloc[at], place[at], at))
    return rows.iloc[order].reset_index(drop=True)


def _known(plan: Plan, bakes: Sequence[str] | str) -> list[str]:
    names = [bakes] if isinstance(bakes, str) else list(bakes)
    there = plan.rows["bake"].tolist()
    unknown = [name for name in names if name not in there]
    if unknown or not names:
        found = in_words(unknown) if unknown else "no name"
        raise PlanError(f"bakes names {found}; the plan has {in_words(there[:3])} to {there[-1]}.")
    return names


def _read(plan: Plan, settings: Mapping[str, Any]) -> dict[str, Any]:
    missing = [
        factor.name
        for factor in plan.factors
        if factor.name not in settings and _there(factor, settings)
    ]
    if missing:
        raise PlanError(f"the bake to add has no setting for {in_words(missing)}.")
    unknown = [name for name in settings if name not in {one.name for one in plan.factors}]
    if unknown:
        known = in_words((factor.name for factor in plan.factors), "or")
        raise PlanError(f'the bake to add has a setting for "{unknown[0]}"; expected {known}.')
    setting = {factor.name: factor.read(settings.get(factor.name, "")) for factor in plan.factors}
    rules = Exclusion(plan.factors, list(plan.excluded) or None)
    coded = coded_settings(plan.factors, pd.DataFrame([setting]))
    if not rules.allows(coded).all():
        raise PlanError(
            f"this plan leaves out {shown_setting(plan.factors, setting)}: it is excluded."
        )
    return setting


def _there(factor: Factor, settings: Mapping[str, Any]) -> bool:
    when = factor.only_when
    return when is None or (when[0] in settings and holds(when, settings))


def _home(plan: Plan, group: str, setting: Mapping[str, Any], day: int) -> int | None:
    """Return a load of the day that has the settings, the last such; else a new one, or none."""
    hard = [factor.name for factor in plan.factors if factor.group == group]
    if hard and all(is_blank(setting[name]) for name in hard):
        return None
    rows = plan.rows
    there = rows[(rows["day"] == day) & rows[group].notna() & (rows["role"] != Role.REFERENCE)]
    for name in hard:
        alike = [_alike(value, setting[name]) for value in there[name]]
        there = there[np.array(alike, dtype=bool)]
    if len(there):
        return int(there[group].iloc[-1])
    return int(rows[group].max()) + 1


def shown_setting(factors: Sequence[Factor], setting: Mapping[str, Any]) -> str:
    """Return a setting in words."""
    return ", ".join(
        f"{factor.name} {factor.show(setting[factor.name])}"
        for factor in factors
        if not (factor.only_when and is_blank(setting[factor.name]))
    )


@dataclass(frozen=True, eq=False)
class Change:
    """What a change of plan costs or brings.

    Parameters
    ----------
    before, after : Promise
    table : DataFrame
        term, smallest_before, smallest_after (the difference seen with 80 % chance), told_before,
        told_after (whether it can be told from the others at all).
    sentences : tuple of str
    """

    before: Promise = field(repr=False)
    after: Promise = field(repr=False)
    table: pd.DataFrame
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        factors = self.after.plan.factors
        shown = pd.DataFrame(
            {"effect": [kitchen_names([one], factors) for one in self.table["term"]]}
        )
        for when in ("before", "after"):
            pairs = zip(self.table[f"told_{when}"], self.table[f"smallest_{when}"], strict=True)
            shown[f"smallest shown {when}"] = [_shown_size(told, size) for told, size in pairs]
        return answer(self.sentences, [shown])


def _shown_size(told: bool, size: float) -> str:
    if not told:
        return "not told apart"
    return f"{size:.1f} points" if np.isfinite(size) else "none for sure"


@checked_types(PlanError)
def still_tells(
    before: Plan,
    after: Plan,
    *,
    tasters: int = 6,
    tasters_left: int | None = None,
    worth_noticing: float = 0.7,
    sd_bake: float | None = None,
) -> Change:
    """Return what a changed plan still tells, beside what it told before.

    Parameters
    ----------
    before, after : Plan
        The same one twice when only a taster stays home.
    tasters : int
        Who was to taste.
    tasters_left : int, optional
        Who will taste now; all when left out.
    worth_noticing : float
        In points.
    sd_bake : float, optional
        Spread between bakes of one recipe; the usual one when left out.

    Returns
    -------
    Change

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60), Numeric("salt", 1, 3)], seed=1)
    >>> still_tells(plan, drop(plan, "B01")).table["told_after"].tolist()
    [True, True, False]
    """
    terms = [term.name for term in model_terms(before.model, before.factors)]
    left = whole_number("tasters_left", tasters if tasters_left is None else tasters_left, least=1)
    first = promise(before, terms, worth=worth_noticing, tasters=tasters, sd_bake=sd_bake)
    then = promise(after, terms, worth=worth_noticing, tasters=left, sd_bake=sd_bake)
    table = pd.DataFrame(
        {
            "term": terms,
            "smallest_before": first.table["smallest"],
            "smallest_after": then.table["smallest"],
            "told_before": ~first.table["term"].isin(first.lost),
            "told_after": ~then.table["term"].isin(then.lost),
        }
    )
    counts = (before.count(), after.count(), tasters, left)
    said = list(_change_words(first, then, table, counts))
    return Change(first, then, table, tuple(said))


def _change_words(
    first: Promise, then: Promise, table: pd.DataFrame, counts: tuple[int, int, int, int]
) -> Iterator[str]:
    bakes, now, tasters, left = counts
    here = f"{now} bakes" if now == bakes else f"{now} bakes instead of {bakes}"
    people = f"{left} taster{'' if left == 1 else 's'}"
    tasting = people if left == tasters else f"{people} instead of {tasters}"
    yield f"{here}, {tasting}."
    lost = table.loc[table["told_before"] & ~table["told_after"], "term"].tolist()
    won = table.loc[~table["told_before"] & table["told_after"], "term"].tolist()
    factors = then.plan.factors
    if lost:
        rest = (
            " The others are judged as if that were nothing." if table["told_after"].any() else ""
        )
        yield f"No longer told apart from the others: {kitchen_names(lost, factors)}.{rest}"
    if won:
        yield f"Now told as well: {kitchen_names(won, factors)}."
    if not lost and not won:
        yield f"The same {int(table['told_after'].sum())} effects are told apart."
    if np.isfinite(first.smallest) and np.isfinite(then.smallest):
        yield (
            f"Smallest difference it would likely show: {then.smallest:.1f} points, "
            f"{first.smallest:.1f} before."
        )
    elif np.isfinite(first.smallest):
        yield "No bake is left to tell a difference from chance."


# -- The one bake more that would mend a plan most, of all that could still be made today.


# What holds up a direction that no bake tells about, as a share of one bake's information: far
# below what any bake brings, so that a bake that tells about it always comes first
UNTOLD = 1e-8
SHOWN = 5


@dataclass(frozen=True, eq=False)
class ExtraBake:
    """The single bake that would mend a plan most.

    Parameters
    ----------
    plan : Plan
        With that bake added.
    settings : dict
    choices : DataFrame
        The best few: one column per factor, day and groups, and gain: how many times the
        information on all effects together grows; a very large one means that the bake tells of
        what was lost altogether.
    change : Change
        What it brings.
    sentences : tuple of str
    """

    plan: Plan
    settings: Mapping[str, Any]
    choices: pd.DataFrame
    change: Change
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        shown = self.choices.assign(gain=[_times(float(gain)) for gain in self.choices["gain"]])
        return answer(self.sentences, [shown])


@checked_types(PlanError)
def best_extra(
    plan: Plan,
    *,
    model: Model = None,
    tasters: int = 6,
    variance_ratio: Ratios = 1.0,
) -> ExtraBake:
    """Return the one bake more, of all that may be made on the last day, that mends most.

    Parameters
    ----------
    plan : Plan
        As it is now, failed bakes dropped.
    model : str or list of str, optional
        What is to be judged; the plan's own when left out.
    tasters : int
    variance_ratio : float or mapping
        Variance between loads over that between the bakes of a load.

    Returns
    -------
    ExtraBake

    Raises
    ------
    PlanError
        When exclusions leave nothing to bake.

    Notes
    -----
    Every setting is tried in every load of the last day that allows it, and in a new one. Given
    the bakes before it, a bake with row x adds x*x*'/s to the information, x* being what they
    do not foresee of x, and s of its variance; so one product weighs each of them exactly.

    References
    ----------
    Dykstra 1971, Technometrics 13:682 (augmentation); Harville 1997, Matrix Algebra, 18.1
    (determinant of a rank-one change).

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.design.midway import drop
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60), Numeric("salt", 1, 3)], seed=1)
    >>> lost = plan.table.iloc[0][["rest", "salt"]].to_dict()
    >>> best_extra(drop(plan, "B01")).settings == lost
    True
    """
    terms = model_terms(plan.model if model is None else model, plan.factors)
    rules = Exclusion(plan.factors, list(plan.excluded) or None)
    options = candidates(plan.factors, terms, rules)
    points = options.listed(np.random.default_rng(0))
    made = basis(terms, plan.factors)
    bakes = plan.table
    bakes = bakes[bakes["role"] != Role.REFERENCE].reset_index(drop=True)
    X, inverse = _information(
        plan, bakes, made.rows(coded_settings(plan.factors, bakes)), variance_ratio
    )
    tried = []
    for place in _places(plan, bakes):
        fits = points[_fitting(plan, bakes, points, place)]
        gains = _gains(plan, bakes, X, inverse, made.rows(fits), place, variance_ratio)
        frame = pd.DataFrame(real_settings(plan.factors, fits)).assign(**place, gain=gains)
        tried.append(frame)
    every = pd.concat(tried, ignore_index=True)
    # Rounded, so that rounding errors never choose between settings that are alike
    order = np.argsort(-np.round(np.log(every["gain"]), 6), kind="stable")
    # Where a factor does not exist, its ends are one setting
    choices = every.iloc[order].drop_duplicates(ignore_index=True).head(SHOWN)
    return _mended(plan, choices, tasters)


def _information(
    plan: Plan, bakes: pd.DataFrame, X: np.ndarray, ratio: Ratios
) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows of the bakes, days included, and the inverse of their information."""
    X = np.hstack([X, _day_marks(bakes, bakes["day"])])
    W = np.linalg.inv(_covariance(plan, bakes, ratio))
    M = X.T @ W @ X
    held = UNTOLD * np.trace(M) / len(X) / len(M)
    return X, np.linalg.inv(M + held * np.eye(len(M)))


def _day_marks(bakes: pd.DataFrame, days: pd.Series) -> np.ndarray:
    known = sorted(bakes["day"].unique())
    return np.array([[float(day == other) for other in known[1:]] for day in days]).reshape(
        len(days), len(known) - 1
    )


def _covariance(plan: Plan, bakes: pd.DataFrame, ratio: Ratios) -> np.ndarray:
    V = np.eye(len(bakes))
    for name in plan.groups:
        V += _ratio(ratio, name) * same(bakes[name])
    return V


def _ratio(ratio: Ratios, name: str) -> float:
    return ratio.get(name, 1.0) if isinstance(ratio, Mapping) else float(ratio)


def _places(plan: Plan, bakes: pd.DataFrame) -> list[dict[str, Any]]:
    """Return where a bake may go: the loads of the last day together, and new ones."""
    day = int(bakes["day"].max())
    today = bakes[bakes["day"] == day]
    if not plan.groups:
        return [{"day": day}]
    names = list(plan.groups)
    known = today[names].drop_duplicates().to_dict("records")
    places = [
        {"day": day, **{name: None if is_blank(one[name]) else int(one[name]) for name in names}}
        for one in known
    ]
    for anew in product(*[(True, False) if _nested(plan, name) else (True,) for name in names]):
        fresh = {
            name: int(bakes[name].max()) + 1 if new else None
            for name, new in zip(names, anew, strict=True)
        }
        if {"day": day, **fresh} not in places:
            places.append({"day": day, **fresh})
    return places


def _nested(plan: Plan, group: str) -> bool:
    """Say whether some settings have no part in what a group shares: a baked piece in no oil."""
    own = [factor for factor in plan.factors if factor.group == group]
    return bool(own) and all(factor.only_when is not None for factor in own)


def _fitting(
    plan: Plan, bakes: pd.DataFrame, points: np.ndarray, place: Mapping[str, Any]
) -> np.ndarray:
    """Return which settings a load allows: those that have what it holds already."""
    fits = np.ones(len(points), dtype=bool)
    coded = coded_settings(plan.factors, bakes)
    real = real_settings(plan.factors, points)
    for position, factor in enumerate(plan.factors):
        if not factor.group:
            continue
        there = exists(factor, real)
        if _nested(plan, factor.group) and there is not None:
            fits &= there if place[factor.group] is not None else ~there
        if place[factor.group] is None:
            continue
        inside = np.flatnonzero((bakes[factor.group] == place[factor.group]).fillna(False))
        if len(inside):
            fits &= np.abs(points[:, position] - coded[inside[0], position]) < 1e-9
    return fits


def _gains(
    plan: Plan,
    bakes: pd.DataFrame,
    X: np.ndarray,
    inverse: np.ndarray,
    rows: np.ndarray,
    place: Mapping[str, Any],
    ratio: Ratios,
) -> np.ndarray:
    """Return how many times the determinant of the information grows by each bake."""
    marks = _day_marks(bakes, pd.Series([place["day"]]))
    rows = np.hstack([rows, np.repeat(marks, len(rows), axis=0)])
    shared = np.zeros(len(bakes))
    own = 1.0
    for name in plan.groups:
        size = _ratio(ratio, name)
        own += size
        if place[name] is not None:
            shared += size * (bakes[name] == place[name]).fillna(False).to_numpy(dtype=float)
    foreseen = np.linalg.solve(_covariance(plan, bakes, ratio), shared)
    rows = rows - foreseen @ X
    left = own - shared @ foreseen
    return 1 + np.einsum("ij,jk,ik->i", rows, inverse, rows) / left


def _mended(plan: Plan, choices: pd.DataFrame, tasters: int) -> ExtraBake:
    best = choices.iloc[0]
    settings = {factor.name: factor.read(best[factor.name]) for factor in plan.factors}
    place = {name: int(best[name]) for name in ("day", *plan.groups) if not is_blank(best[name])}
    grown = placed(plan, settings, place)
    change = still_tells(plan, grown, tasters=tasters)
    said = (
        "One bake more would mend most: "
        f"{shown_setting(plan.factors, settings)}{_where(plan, best)}.",
        *change.sentences[1:],
        f"The information on all effects together grows {_times(float(best['gain']))}.",
    )
    return ExtraBake(grown, settings, choices, change, said)


def _where(plan: Plan, best: pd.Series) -> str:
    known = {name: set(plan.rows[name].dropna()) for name in plan.groups}
    said = [
        f"{'' if best[name] in known[name] else 'a new '}{kitchen_group(name, plan.factors)}"
        + (f" {int(best[name])}" if best[name] in known[name] else "")
        for name in plan.groups
        if not is_blank(best[name])
    ]
    return f", in {in_words(said)}" if said else ""


def _times(gain: float) -> str:
    if gain > 1 / (UNTOLD * 1e4):
        return "beyond measure: it tells of what was lost"
    return f"{tidy_number(gain, 2)} times"
