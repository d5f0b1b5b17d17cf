"""From bakes to a plan: their order by chance, their reference bakes, their names."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.design.plan import (
    FIXED_COLUMNS,
    MIXED_ONCE,
    Plan,
    new_seed,
    reference_setting,
    whole_number,
)
from trials.errors import PlanError
from trials.factors import Categorical, Component, Factor, check_factors, group_names
from trials.nesting import check_nested


def lay_out(
    factors: Sequence[Factor],
    settings: pd.DataFrame,
    *,
    family: str,
    model: Sequence[str] | str,
    controls: int = 0,
    seed: int | None = None,
    excluded: Sequence[Mapping[str, Any]] = (),
    details: Mapping[str, Any] | None = None,
) -> Plan:
    """Return a plan of the given bakes in an order drawn by chance.

    Days are drawn, then the loads of each day, then the bakes of each load; so every bake has
    the same chance of every place that the kitchen leaves it.

    Parameters
    ----------
    factors : sequence of Factor
    settings : DataFrame
        One row per bake with a column of real settings per factor, and where they apply the
        columns `day`, `load` and other groups (integers; a load belongs to one day) and `role`.
    family, model, excluded, details
        As :class:`Plan` keeps them.
    controls : int
        Reference bakes to add; see :func:`reference_setting`. They are spread over days and
        loads and go first into a load that is hotter than they are and last into one that is
        cooler, so that nothing has to cool down. One of another formula than the doughs of its
        place is mixed by itself: it gets a dough number of its own.
    seed : int, optional
        Drawn and recorded when left out.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        When a setting is off a factor's limits, a load spans two days or holds two settings of
        a hard-to-change factor, or a count is negative.

    References
    ----------
    Cochran & Cox 1957, Experimental Designs, ch. 7 (split plots: randomise whole plots, then
    within them).

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min", centre=30)
    >>> bakes = pd.DataFrame({"rest": [20, 60, 20, 60], "day": [1, 1, 2, 2]})
    >>> plan = lay_out([rest], bakes, family="twice", model="main", controls=2, seed=1)
    >>> plan.sentence()
    '4 bakes and 2 reference bakes over 2 days'
    """
    factors = check_factors(factors)
    seed = new_seed() if seed is None else int(seed)
    rng = np.random.default_rng(seed)
    frame = _complete(factors, settings)
    _check_loads(factors, frame)
    controls = whole_number("controls", controls, least=0)
    frame = _shuffled(factors, frame, rng)
    if controls:
        frame = _with_controls(factors, frame, controls, rng)
    frame = _renumbered(factors, frame)
    return Plan(
        factors=factors,
        rows=_ordered(factors, frame),
        family=family,
        model=model if isinstance(model, str) else tuple(model),
        seed=seed,
        excluded=tuple(excluded),
        details=dict(details or {}),
    )


def _complete(factors: Sequence[Factor], settings: pd.DataFrame) -> pd.DataFrame:
    """Return the bakes with every column, their settings read and checked."""
    if settings.empty:
        raise PlanError("the plan holds no bake.")
    frame = pd.DataFrame(index=range(len(settings)))
    for name, default in (("day", 1), ("load", pd.NA), ("role", "trial")):
        column = settings[name].to_numpy() if name in settings else [default] * len(settings)
        frame[name] = column
    frame["day"] = frame["day"].astype(int)
    frame["load"] = frame["load"].astype("Int64")
    for factor in factors:
        values = [factor.read(value) for value in settings[factor.name]]
        frame[factor.name] = values
        if not isinstance(factor, Categorical):
            outside = [v for v in values if v == v and not _within(factor, float(v))]
            if outside:
                raise PlanError(
                    f'"{factor.name}" is set to {factor.show(outside[0])}, outside '
                    f"{factor.show(factor.low)} to {factor.show(factor.high)}."
                )
    check_nested(factors, frame)
    for name in group_names(factors):
        if name != "load" and name in settings:
            frame[name] = settings[name].to_numpy()
    return frame


def _within(factor: Factor, value: float) -> bool:
    # Axial bakes "beyond" the limits are kept by the families that make them, up to twice the range
    reach = 1.0 if not isinstance(factor, Component) else 1e-9
    span = factor.high - factor.low  # type: ignore[union-attr]
    return factor.low - reach * span <= value <= factor.high + reach * span  # type: ignore[union-attr]


def _check_loads(factors: Sequence[Factor], frame: pd.DataFrame) -> None:
    if frame["load"].notna().any() and (frame.groupby("load")["day"].nunique() > 1).any():
        raise PlanError("a load is spread over two days; a load belongs to one day.")
    trial = frame[frame["role"] == "trial"]
    for factor in factors:
        if not factor.group or factor.group not in frame or trial[factor.group].isna().all():
            continue
        if (trial.groupby(factor.group)[factor.name].nunique() > 1).any():
            raise PlanError(
                f'"{factor.name}" is hard to change, yet one {factor.group} holds two settings.'
            )


def _shuffled(
    factors: Sequence[Factor], frame: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the bakes in an order drawn by chance: days, loads within days, bakes within."""
    frame = frame.iloc[rng.permutation(len(frame))]
    own = "load" if frame["load"].notna().any() else next(_own_groups(factors, frame), "load")
    for name in (own, "day"):
        ids = frame[name].drop_duplicates().sort_values().to_numpy()
        place = dict(zip(ids, rng.permutation(len(ids)), strict=True))
        keys = [place[value] if not pd.isna(value) else 0 for value in frame[name]]
        frame = frame.iloc[np.argsort(keys, kind="stable")]
    return frame.reset_index(drop=True)


def _with_controls(
    factors: Sequence[Factor], frame: pd.DataFrame, controls: int, rng: np.random.Generator
) -> pd.DataFrame:
    setting = reference_setting(factors)
    homes = _homes(frame, controls, rng)
    mixtures = _mixtures(factors, frame)
    last = {group: int(frame[group].max()) for group in mixtures}
    pieces = []
    for home, load in frame.groupby(_home_keys(frame), sort=False):
        count = homes.get(home, 0)
        if not count:
            pieces.append(load)
            continue
        control = load.iloc[[0] * count].assign(role="control", **setting)
        for group, set_by in mixtures.items():
            alike = load.loc[_alike(load, set_by, setting), group]
            control[group] = [
                last[group] + place if alike.empty else alike.iloc[0]
                for place in range(1, count + 1)
            ]
            last[group] += count if alike.empty else 0
        before = _goes_first(factors, load, setting, rng)
        pieces += [control, load] if before else [load, control]
    return pd.concat(pieces, ignore_index=True)


def _mixtures(factors: Sequence[Factor], frame: pd.DataFrame) -> dict[str, list[str]]:
    """Return the groups that share one mixture, with the factors that are set for it.

    A reference bake of another formula is mixed by itself, so it can not be one of such a group.
    A load that is also heated is a place to bake in, not a mixture: it keeps its reference bakes.
    """
    found = {}
    for group in group_names(factors):
        own = [factor for factor in factors if factor.group == group]
        mixed = group in MIXED_ONCE or all(factor.changes is not None for factor in own)
        if mixed and group in frame and frame[group].notna().all():
            found[group] = [factor.name for factor in own]
    return found


def _alike(load: pd.DataFrame, names: Sequence[str], setting: Mapping[str, Any]) -> pd.Series:
    """Say which bakes hold a setting as the reference bakes do."""
    wanted = pd.Series({name: setting[name] for name in names})
    return (load[list(names)] == wanted).all(axis=1)


def _home_keys(frame: pd.DataFrame) -> pd.Series:
    loads = frame["load"].map(lambda value: "" if pd.isna(value) else str(value))
    return frame["day"].astype(str) + "/" + loads


def _homes(frame: pd.DataFrame, controls: int, rng: np.random.Generator) -> dict[str, int]:
    """Return how many reference bakes each load gets: spread over days first, then over loads."""
    keys = _home_keys(frame)
    by_day = {day: list(dict.fromkeys(keys[frame["day"] == day])) for day in frame["day"].unique()}
    for loads in by_day.values():
        rng.shuffle(loads)
    turns = [loads[turn % len(loads)] for turn in range(controls) for loads in by_day.values()]
    homes: dict[str, int] = {}
    for home in turns[:controls]:
        homes[home] = homes.get(home, 0) + 1
    return homes


def _goes_first(
    factors: Sequence[Factor],
    load: pd.DataFrame,
    setting: Mapping[str, Any],
    rng: np.random.Generator,
) -> bool:
    for factor in factors:
        if factor.group and not isinstance(factor, Categorical):
            own = float(load[factor.name].iloc[0])
            if own != setting[factor.name]:
                return own > setting[factor.name]
    return bool(rng.integers(2))


def _own_groups(factors: Sequence[Factor], frame: pd.DataFrame) -> Iterator[str]:
    """Return the groups of other names than load that the bakes have."""
    return (name for name in group_names(factors) if name != "load" and name in frame)


def _renumbered(factors: Sequence[Factor], frame: pd.DataFrame) -> pd.DataFrame:
    """Return the bakes with days, loads and other groups numbered in baking order."""
    frame = frame.copy()
    for name in ("day", "load", *_own_groups(factors, frame)):
        ids = frame[name].dropna().drop_duplicates()
        order = {value: position for position, value in enumerate(ids, start=1)}
        frame[name] = frame[name].map(order).astype(int if name == "day" else "Int64")
    return frame


def _ordered(factors: Sequence[Factor], frame: pd.DataFrame) -> pd.DataFrame:
    width = max(2, len(str(len(frame))))
    frame = frame.assign(bake=[f"B{place:0{width}d}" for place in range(1, len(frame) + 1)])
    names = [*FIXED_COLUMNS, *(factor.name for factor in factors), *_own_groups(factors, frame)]
    return frame[names].reset_index(drop=True)
