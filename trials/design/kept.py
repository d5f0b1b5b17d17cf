"""Bakes already made, put before the new ones with their own names, days and loads."""

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from trials.design.basis import coded_settings
from trials.design.kitchen import Kitchen
from trials.design.plan import Plan
from trials.errors import FactorError, PlanError
from trials.factors import Categorical, Component, Factor, group_names
from trials.tables import in_words


def read_kept(factors: Sequence[Factor], keep: Plan | pd.DataFrame | None) -> pd.DataFrame:
    """Return kept bakes as the rows of a plan.

    Parameters
    ----------
    factors : sequence of Factor
    keep : Plan, DataFrame or None
        Real settings, one column per factor; `bake`, `day`, `load`, `role` and other groups where
        there are any. Bakes without a day were made on one day, those without a load each alone.

    Raises
    ------
    PlanError
        When a factor has no column or a setting is off its scale, naming the bake.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> read_kept([rest], pd.DataFrame({"rest": [20, 90]}))
    Traceback (most recent call last):
    trials.errors.PlanError: keep: bake B02 has "rest" at 90 min, off its scale 20 min to 60 min...
    """
    names = [factor.name for factor in factors]
    if keep is None:
        return pd.DataFrame({name: [] for name in ("bake", "day", "load", "role", *names)})
    table = keep.table if isinstance(keep, Plan) else keep
    if not isinstance(table, pd.DataFrame):
        raise PlanError("keep is not a Plan or a table of bakes with a column per factor.")
    missing = [name for name in names if name not in table]
    if missing:
        raise PlanError(f"keep has no column for {in_words(missing)}; every factor needs one.")
    table = table.reset_index(drop=True)
    width = max(2, len(str(len(table))))
    frame = pd.DataFrame(index=table.index)
    frame["bake"] = [
        str(name)
        for name in table.get("bake", [f"B{n:0{width}d}" for n in range(1, len(table) + 1)])
    ]
    frame["day"] = pd.Series(table.get("day", 1), index=table.index).astype(int)
    frame["load"] = pd.Series(table.get("load", pd.NA), index=table.index).astype("Int64")
    frame["role"] = pd.Series(table.get("role", "trial"), index=table.index)
    for factor in factors:
        frame[factor.name] = [
            _on_scale(factor, value, bake)
            for value, bake in zip(table[factor.name], frame["bake"], strict=True)
        ]
    for name in group_names(factors):
        if name != "load" and name in table:
            frame[name] = table[name]
    return frame


def _on_scale(factor: Factor, value: object, bake: str) -> object:
    try:
        found = factor.read(value)
    except FactorError as error:
        raise PlanError(f"keep: bake {bake}: {error}") from None
    if isinstance(factor, Categorical):
        return found
    reach = 1e-9 * (factor.high - factor.low)
    if not factor.low - reach <= float(found) <= factor.high + reach:
        raise PlanError(
            f'keep: bake {bake} has "{factor.name}" at {factor.show(found)}, off its scale '
            f"{factor.show(factor.low)} to {factor.show(factor.high)}. Leave the bake out or "
            "widen the factor's limits."
        )
    return found


def judged(kept: pd.DataFrame) -> pd.DataFrame:
    """Return the kept bakes that a model is fitted to: all but reference bakes."""
    return kept[kept["role"] != "control"].reset_index(drop=True)


def kept_settings(factors: Sequence[Factor], kept: pd.DataFrame, bakes: int) -> np.ndarray:
    """Return settings of all bakes, those of new ones missing.

    Raises
    ------
    PlanError
        When the shares of a kept bake do not sum to one.
    """
    settings = np.full((bakes, len(factors)), np.nan)
    if not len(kept):
        return settings
    settings[: len(kept)] = coded_settings(factors, kept)
    parts = [factor.name for factor in factors if isinstance(factor, Component)]
    if parts:
        total = kept[parts].astype(float).sum(axis=1)
        for bake in kept["bake"][(total - 1).abs() > 1e-6]:
            raise PlanError(f"keep: the shares of bake {bake} do not sum to 100 %.")
    return settings


def joined(kept: pd.DataFrame, kitchen: Kitchen) -> Kitchen:
    """Return the kitchen's order of kept and new bakes, the new on days and loads of their own.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> from trials.design.kitchen import set_up
    >>> kept = read_kept([rest], pd.DataFrame({"rest": [20, 60]}))
    >>> joined(kept, set_up([rest], 2, None, None)).frame["day"].tolist()
    [1, 1, 2, 2]
    """
    if not len(kept):
        return kitchen
    parts = {}
    for name in kitchen.frame:
        before = kept[name] if name in kept else pd.Series(pd.NA, index=kept.index)
        new = kitchen.frame[name] + _last(before)
        parts[name] = pd.concat([before.astype("Int64"), new.astype("Int64")], ignore_index=True)
    return Kitchen(pd.DataFrame(parts), kitchen.groups)


def _last(numbers: pd.Series) -> int:
    known = numbers.dropna()
    return int(known.max()) if len(known) else 0


def after(kept: pd.DataFrame, plan: Plan) -> Plan:
    """Return a plan of the kept bakes followed by those of a plan."""
    rows = plan.table
    for name in ("day", *plan.groups):
        rows[name] = rows[name] + (_last(kept[name]) if name in kept else 0)
    marks = [re.search(r"\d+$", name) for name in kept["bake"]]
    first = 1 + max([int(mark.group()) for mark in marks if mark] or [0])
    width = max([len(mark.group()) for mark in marks if mark] or [2])
    rows["bake"] = [f"B{first + place:0{width}d}" for place in range(len(rows))]
    both = pd.concat([kept, rows], ignore_index=True)[list(rows.columns)]
    both["load"] = both["load"].astype("Int64")
    both["day"] = both["day"].astype(int)
    return replace(plan, rows=both)
