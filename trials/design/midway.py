"""A round that changes midway: bakes dropped, added or repeated, and what the rest still tells.

A bake fails at noon, an ingredient runs out, a taster stays home. Plans are never changed: each
step gives a new one, the bakes that stay keeping their names, days and loads.
"""

import html
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.design.basis import coded_settings
from trials.design.exclusion import Exclusion
from trials.design.plan import Plan, whole_number
from trials.design.promise import Promise, promise
from trials.design.terms import kitchen_names, model_terms
from trials.errors import PlanError
from trials.factors import Factor
from trials.tables import in_words


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
    >>> from trials.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> drop(plan, "B02", "burned").count()
    5
    """
    gone = _known(plan, bakes)
    rows = plan.table
    rows = rows[~rows["bake"].isin(gone)].reset_index(drop=True)
    if not (rows["role"] != "control").any():
        raise PlanError("no bake is left; keep at least one.")
    reason = f"Dropped {in_words(gone)}{f': {why}' if why else ''}."
    return replace(plan, rows=rows, reasons=(*plan.reasons, reason))


def repeat(plan: Plan, bakes: Sequence[str] | str, *, day: int | None = None) -> Plan:
    """Return a plan in which some bakes are made once more.

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
    >>> from trials.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> repeat(plan, "B02").table["rest"].iloc[[1, -1]].nunique()
    1
    """
    rows = plan.table.set_index("bake")
    names = [factor.name for factor in plan.factors]
    for bake in _known(plan, bakes):
        plan = add(plan, rows.loc[bake, names].to_dict(), day=day)
    return plan


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
    >>> from trials.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> add(plan, {"rest": 40}).table["bake"].iloc[-1]
    'B07'
    """
    setting = _read(plan, settings)
    day = int(plan.rows["day"].max()) if day is None else whole_number("day", day, least=1)
    homes = {group: _home(plan, group, setting, day) for group in plan.groups}
    return placed(plan, setting, {"day": day, **homes})


def placed(plan: Plan, setting: Mapping[str, Any], place: Mapping[str, int]) -> Plan:
    """Return a plan with one bake more, on a day and in loads that are known."""
    rows = plan.table
    number = max(int("".join(filter(str.isdigit, name)) or 0) for name in rows["bake"]) + 1
    row = {"bake": f"B{number:02d}", "role": "trial", **setting, **place}
    new = pd.DataFrame([row]).reindex(columns=rows.columns).astype(rows.dtypes.to_dict())
    grown = pd.concat([rows, new], ignore_index=True)
    return replace(plan, rows=grown)


def _known(plan: Plan, bakes: Sequence[str] | str) -> list[str]:
    names = [bakes] if isinstance(bakes, str) else list(bakes)
    there = plan.rows["bake"].tolist()
    unknown = [name for name in names if name not in there]
    if unknown or not names:
        found = in_words(unknown) if unknown else "no name"
        raise PlanError(f"bakes names {found}; the plan has {in_words(there[:3])} to {there[-1]}.")
    return names


def _read(plan: Plan, settings: Mapping[str, Any]) -> dict[str, Any]:
    missing = [factor.name for factor in plan.factors if factor.name not in settings]
    if missing:
        raise PlanError(f"the bake to add has no setting for {in_words(missing)}.")
    setting = {factor.name: factor.read(settings[factor.name]) for factor in plan.factors}
    rules = Exclusion(plan.factors, list(plan.excluded) or None)
    coded = coded_settings(plan.factors, pd.DataFrame([setting]))
    if not rules.allows(coded).all():
        raise PlanError(
            f"this plan leaves out {shown_setting(plan.factors, setting)}: it is excluded."
        )
    return setting


def _home(plan: Plan, group: str, setting: Mapping[str, Any], day: int) -> int:
    """Return a load of the day that has the settings, the last such; else a new one."""
    hard = [factor.name for factor in plan.factors if factor.group == group]
    rows = plan.rows
    there = rows[(rows["day"] == day) & rows[group].notna() & (rows["role"] != "control")]
    for name in hard:
        there = there[there[name] == setting[name]]
    if len(there):
        return int(there[group].iloc[-1])
    return int(rows[group].max()) + 1


def shown_setting(factors: Sequence[Factor], setting: Mapping[str, Any]) -> str:
    """Return a setting in words."""
    return ", ".join(f"{factor.name} {factor.show(setting[factor.name])}" for factor in factors)


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
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        factors = self.after.plan.factors
        shown = pd.DataFrame(
            {"effect": [kitchen_names([one], factors) for one in self.table["term"]]}
        )
        for when in ("before", "after"):
            pairs = zip(self.table[f"told_{when}"], self.table[f"smallest_{when}"], strict=True)
            shown[f"smallest shown {when}"] = [_shown_size(told, size) for told, size in pairs]
        return said + shown.to_html(index=False, border=0)


def _shown_size(told: bool, size: float) -> str:
    if not told:
        return "not told apart"
    return f"{size:.1f} points" if np.isfinite(size) else "none for sure"


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
    >>> from trials.factors import Numeric
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
    tasting = f"{left} tasters" if left == tasters else f"{left} tasters instead of {tasters}"
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
