"""New bakes after those already made: on days and in loads of their own, in the kitchen's order."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from trials.design.basis import real_settings
from trials.design.exclusion import Exclude, Exclusion
from trials.design.kept import after
from trials.design.laying_out import lay_out
from trials.design.plan import Plan
from trials.factors import Categorical, Component, Factor, group_names


def continued(
    factors: Sequence[Factor],
    made: pd.DataFrame,
    X: np.ndarray,
    *,
    family: str,
    model: Sequence[str] | str,
    controls: int = 0,
    exclude: Exclude = None,
    same_day: bool = False,
    mixed: bool = False,
    seed: int,
) -> Plan:
    """Return a plan of the bakes made so far, as they are, followed by new ones.

    Parameters
    ----------
    factors : sequence of Factor
    made : DataFrame
        Rows of a plan.
    X : ndarray, shape (bakes, factors)
        Coded settings of the new bakes.
    family, model, seed
        As for :func:`trials.design.laying_out.lay_out`.
    controls : int
        Reference bakes beside the new ones.
    exclude : optional
        Settings that never go together, kept with the plan.
    same_day : bool
        Go on on the last day instead of on a new one.
    mixed : bool
        Whether reference bakes are to be compared with the new ones: then they stand among them
        by chance, or in two loads at least where a setting is hard to change.

    Returns
    -------
    Plan
        ``details["kept"]`` names the bakes made so far.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> made = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main").table
    >>> plan = continued([rest], made, np.array([[0.0]]), family="more", model="main", seed=1)
    >>> plan.table["bake"].tolist(), plan.table["day"].tolist()
    (['B01', 'B02', 'B03'], [1, 1, 2])
    """
    frame = pd.DataFrame(real_settings(factors, X))
    frame = _in_groups(factors, made, frame, halved=mixed and len(frame) > 1)
    frame["day"] = _days(made, frame)
    new = lay_out(factors, frame, family=family, model=model, controls=controls, seed=seed)
    if mixed and not new.groups:
        new = _shuffled(new)
    rules = Exclusion(factors, exclude)
    whole = after(made, new) if len(made) else new
    if same_day and len(made):
        rows = whole.rows.copy()
        rows.loc[rows.index[len(made) :], "day"] -= 1
        whole = replace(whole, rows=rows)
    excluded = () if rules.empty else rules.record([_places(factor) for factor in factors])
    details: dict[str, Any] = {"kept": made["bake"].tolist()}
    return replace(whole, excluded=excluded, details=details, reasons=())


def new_bakes(plan: Plan) -> Plan:
    """Return the bakes of a plan that are not made yet, days and loads counted from one.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> made = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main").table
    >>> plan = continued([rest], made, np.array([[0.0]]), family="more", model="main", seed=1)
    >>> new_bakes(plan).table[["bake", "day"]].to_numpy().tolist()
    [['B03', 1]]
    """
    kept = set(plan.details.get("kept", ()))
    rows = plan.rows[~plan.rows["bake"].isin(kept)].reset_index(drop=True)
    for name in ("day", *(group for group in plan.groups if rows[group].notna().any())):
        numbers = rows[name].dropna().drop_duplicates()
        order = {value: place for place, value in enumerate(numbers, start=1)}
        rows[name] = rows[name].map(order).astype(int if name == "day" else "Int64")
    return replace(plan, rows=rows, details={**plan.details, "kept": []})


def _places(factor: Factor) -> np.ndarray:
    """Return the coded settings at which a rule is asked what it leaves out."""
    if isinstance(factor, Categorical):
        return np.arange(len(factor.levels), dtype=float)
    ends = (factor.low, factor.high) if isinstance(factor, Component) else (-1.0, 1.0)
    return np.linspace(*ends, 5)


def _shuffled(plan: Plan) -> Plan:
    """Return a plan with all its bakes, reference bakes too, in an order by chance in each day."""
    rows = plan.table
    rng = np.random.default_rng(plan.seed)
    order = rng.permutation(len(rows))
    order = order[np.argsort(rows["day"].to_numpy()[order], kind="stable")]
    return replace(plan, rows=rows.iloc[order].assign(bake=rows["bake"].to_numpy()))


def _in_groups(
    factors: Sequence[Factor], made: pd.DataFrame, frame: pd.DataFrame, halved: bool = False
) -> pd.DataFrame:
    """Return bakes with the loads that hard-to-change factors need, none larger than before."""
    frame = frame.copy()
    for group in group_names(factors):
        names = [factor.name for factor in factors if factor.group == group]
        size = _usual_size(made, group)
        if halved:
            size = min(size, -(-len(frame) // 2))
        ids = np.zeros(len(frame), dtype=int)
        count = 0
        for places in frame.groupby(names, sort=True).indices.values():
            loads = -(-len(places) // size)
            # Equal shares rather than full loads and a remainder
            ids[places] = count + np.sort(np.arange(len(places)) % loads)
            count += loads
        frame[group] = ids + 1
    return frame


def _usual_size(made: pd.DataFrame, group: str) -> int:
    if group not in made or made[group].isna().all():
        return 4
    judged = made[made["role"] != "control"]
    return max(1, int(judged.groupby(group).size().max()))


def _days(made: pd.DataFrame, frame: pd.DataFrame) -> np.ndarray:
    """Return the day of each new bake: no more a day than before, no load parted."""
    most = int(made.groupby("day").size().max()) if len(made) else len(frame)
    loads = frame["load"] if "load" in frame else pd.Series(range(len(frame)), index=frame.index)
    sizes = loads.value_counts(sort=False).sort_index()
    days = max(1, -(-len(frame) // most))
    filled = [0] * days
    day_of = {}
    for load, size in sorted(sizes.items(), key=lambda pair: (-pair[1], pair[0])):
        day = int(np.argmin(filled))
        day_of[load] = day + 1
        filled[day] += int(size)
    return np.array([day_of[load] for load in loads])


def groups_of(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray | None]:
    """Return the day and the load of each row as numbers, loads None where there are none.

    Examples
    --------
    >>> groups_of(pd.DataFrame({"day": [1, 2], "load": [pd.NA, pd.NA]}))
    (array([0, 1]), None)
    """
    days = pd.factorize(frame["day"])[0]
    if frame["load"].isna().all():
        return days, None
    return days, pd.factorize(frame["load"])[0]
