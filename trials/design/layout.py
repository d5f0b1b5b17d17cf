"""From the points of a plan to bakes in a kitchen: days, shared groups, order by chance, names."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import FactorError, PlanError
from trials.base.words import in_words, tidy_number
from trials.core.factors import (
    Categorical,
    Component,
    Factor,
    Numeric,
    Varied,
    check_factors,
    check_nested,
    exists,
    group_names,
    is_blank,
)
from trials.core.plan import (
    FIXED_COLUMNS,
    MIXED_ONCE,
    Plan,
    kitchen_group,
    new_seed,
    plural,
    reference_setting,
    whole_number,
)
from trials.core.roles import Role
from trials.core.terms import Basis, coded_settings

# -- Which bakes share a day, a load or a dough, before anything is set: the kitchen's own order.


# Fewer days than this are taken out as they are, not treated as drawn by chance
FEW_DAYS = 5

Loads = int | Mapping[str, int] | None
Ratios = float | Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Kitchen:
    """Who shares what.

    Parameters
    ----------
    frame : DataFrame
        One row per bake: `day` and a column of numbers for each group.
    groups : tuple of str
        The groups, "load" first.
    """

    frame: pd.DataFrame
    groups: tuple[str, ...]

    def shared(self, factors: Sequence[Factor]) -> list[tuple[np.ndarray, int]]:
        """Return the bakes that share each setting of the hard-to-change factors."""
        result = []
        for place, factor in enumerate(factors):
            if factor.group:
                ids = self.frame[factor.group].to_numpy(dtype=float, na_value=np.nan)
                known = pd.unique(ids[~np.isnan(ids)])
                result += [(np.flatnonzero(ids == value), place) for value in known]
        return result

    def covariance(self, ratios: Ratios, days: bool) -> np.ndarray:
        """Return the covariance of the bakes in units of one bake's variance."""
        result = np.eye(len(self.frame))
        for name in (*self.groups, *(("day",) if days else ())):
            ratio = ratios.get(name, 1.0) if isinstance(ratios, Mapping) else ratios
            result += ratio * same(self.frame[name])
        return result


def same(ids: pd.Series) -> np.ndarray:
    """Return 1 where two bakes have the same number, else 0; a missing number is like no other.

    Examples
    --------
    >>> same(pd.Series([1, 1, 2]))
    array([[1., 1., 0.],
           [1., 1., 0.],
           [0., 0., 1.]])
    """
    codes = pd.factorize(ids)[0]
    alone = np.arange(len(codes)) + len(codes)
    codes = np.where(codes < 0, alone, codes)
    return (codes[:, None] == codes).astype(float)


def set_up(factors: Sequence[Factor], bakes: int, days: int | None, loads: Loads) -> Kitchen:
    """Return the kitchen's order of some bakes.

    Days and loads hold equally many bakes, one after another. A group that is not "load" is
    crossed with it when the bakes of a day fill every combination equally often (a dough split
    over several oil fills: a strip-plot), else nested: the finer within the coarser.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> oil = Numeric("oil", 165, 180, hard_to_change=True)
    >>> set_up([oil], 4, 2, 2).frame["load"].tolist()
    [1, 1, 2, 2]
    """
    days = whole_number("days", 1 if days is None else days, least=1)
    counts = _counts(factors, loads, bakes, days)
    for name, count in counts.items():
        if count % days:
            raise PlanError(
                f"{_argument(name)} is {count}, which {days} days can not share equally; a "
                f"{kitchen_group(name)} belongs to one day. {_multiples(days, count)} would work."
            )
    if days > bakes:
        raise PlanError(f"days is {days}, more than the {bakes} bakes; at most {bakes} works.")
    for name, count in counts.items():
        if bakes % count:
            raise PlanError(
                f"{_argument(name)} is {count}, which does not divide {bakes} bakes. "
                f"{_divisors(bakes, days)} {name}s, or {_multiples(count, bakes)} bakes, would "
                "work."
            )
    frame = pd.DataFrame({"day": _in_turn(bakes, days)})
    groups = tuple(counts)
    for name in groups:
        others = {other: counts[other] for other in groups[: groups.index(name)]}
        frame[name] = _numbers(name, counts[name], others, frame, days)
    return Kitchen(frame, groups)


def _counts(factors: Sequence[Factor], loads: Loads, bakes: int, days: int) -> dict[str, int]:
    needed = group_names(factors)
    if loads is None:
        given: dict[str, int] = {}
    elif isinstance(loads, Mapping):
        given = dict(loads)
    else:
        own = needed[0] if len(needed) == 1 else "load"
        given = {own: loads}
    unknown = [name for name in given if name != "load" and name not in needed]
    if unknown:
        raise PlanError(
            f'loads names "{unknown[0]}", but nothing that varies is set for a whole '
            f"{kitchen_group(unknown[0], factors)}. Leave it out of loads, or write "
            f'hard_to_change="{unknown[0]}" for each factor that is.'
        )
    missing = [name for name in needed if name not in given]
    if missing:
        names = [factor.name for factor in factors if factor.group == missing[0]]
        works = [n for n in range(days, bakes // 2 + 1) if bakes % n == 0 and n % days == 0]
        shown = {**given, missing[0]: max(works, default=6)}
        example = ", ".join(f'"{name}": {count}' for name, count in shown.items())
        raise PlanError(
            f"{in_words(names)} is hard to change, but loads does not say how many "
            f"{plural(kitchen_group(missing[0], factors))} there are. Say it, as in "
            f"loads={{{example}}}."
        )
    order = sorted(given, key=lambda name: name != "load")
    return {name: whole_number(_argument(name), given[name], least=1) for name in order}


def _argument(name: str) -> str:
    return "loads" if name == "load" else f'loads["{name}"]'


def _in_turn(bakes: int, count: int) -> np.ndarray:
    return np.arange(bakes) * count // bakes + 1


def _numbers(
    name: str, count: int, others: Mapping[str, int], frame: pd.DataFrame, days: int
) -> np.ndarray:
    bakes = len(frame)
    if not others:
        return _in_turn(bakes, count)
    within, cells = count // days, bakes // days
    for size in others.values():
        cells //= max(size // days, 1)
    filled = days * within * int(np.prod([size // days for size in others.values()]))
    if bakes % filled == 0 and cells >= within:
        place = frame.groupby(["day", *others]).cumcount().to_numpy()
        return place % within + (frame["day"].to_numpy() - 1) * within + 1
    for other, size in others.items():
        if count % size and size % count:
            raise PlanError(
                f"{bakes} bakes in {size} {other}s and {count} {name}s: a {kitchen_group(name)} "
                f"can be split over every {other} when the bakes are a multiple of {filled}, or "
                "lie within them when one number is a multiple of the other. "
                f"{_multiples(filled, bakes)} bakes would work."
            )
    return _in_turn(bakes, count)


def _divisors(bakes: int, days: int) -> str:
    works = [n for n in range(days, bakes + 1) if bakes % n == 0 and n % days == 0]
    return in_words(works[:8], "or") or "No number of"


def _multiples(step: int, near: int) -> str:
    below = near // step * step
    return in_words([n for n in (below, below + step) if n > 0], "or")


def group_columns(basis: Basis, factors: Sequence[Factor], group: str) -> int:
    """Return how many columns of a model change only with a group: its own terms."""
    own = np.array([factor.group == group for factor in factors])
    held = basis.index > 0
    return int((held.any(axis=1) & ~held[:, ~own].any(axis=1)).sum())


# -- From the points of a family's geometry to bakes: real settings, middle bakes, what is refused.


def real_settings(factors: Sequence[Factor], coded: np.ndarray) -> pd.DataFrame:
    """Return the settings that coded points mean in the kitchen.

    Examples
    --------
    >>> factors = [Numeric("oil", 165, 180, centre=172), Categorical("fat", ["butter", "lard"])]
    >>> real_settings(factors, np.array([[-1, 1], [0, -1]])).to_numpy().tolist()
    [[165.0, 'lard'], [172.0, 'butter']]
    """
    return pd.DataFrame(
        {
            factor.name: _real(factor, coded[:, place].astype(float))
            for place, factor in enumerate(factors)
        }
    )


def _real(factor: Factor, coded: np.ndarray) -> list:
    if isinstance(factor, Categorical):
        return [factor.levels[int(value > 0)] for value in coded]
    ends = factor.levels[0], factor.levels[-1]
    middle = nearest_setting(factor, factor.middle) if isinstance(factor, Numeric) else 0.0
    known = {-1.0: ends[0], 0.0: middle, 1.0: ends[1]}
    return [
        known[value] if value in known else nearest_setting(factor, float(real))
        for value, real in zip(coded.tolist(), factor.decode(coded), strict=True)
    ]


def nearest_setting(factor: Factor, value: float) -> float:
    """Return the setting nearest to a value that the kitchen can make.

    Examples
    --------
    >>> nearest_setting(Numeric("oil", 165, 180, step=5), 172)
    170.0
    """
    if isinstance(factor, Numeric) and factor.settings:
        return min(factor.settings, key=lambda setting: (abs(setting - value), setting))
    if isinstance(factor, Numeric) and factor.step and value != factor.middle:
        steps = round((value - factor.low) / factor.step)
        return float(f"{factor.low + steps * factor.step:.14g}")
    return float(value)


def middle_settings(factors: Sequence[Factor], count: int) -> pd.DataFrame:
    """Return the settings of middle bakes, turning through the kinds of categorical factors.

    Examples
    --------
    >>> factors = [Numeric("oil", 165, 180), Categorical("fat", ["butter", "lard"])]
    >>> middle_settings(factors, 2).to_numpy().tolist()
    [[172.5, 'butter'], [172.5, 'lard']]
    """
    if count and not any(isinstance(factor, Numeric) for factor in factors):
        raise PlanError(
            f"centre_bakes is {count}, but no factor is a number, so there is no middle setting; "
            "0 works, and replicates or references repeat bakes."
        )
    kinds = [factor for factor in factors if isinstance(factor, Categorical)]
    turns = list(product(*(factor.levels for factor in kinds)))
    rows = []
    for place in range(count):
        row = {factor.name: factor.middle for factor in factors}
        row |= dict(zip((f.name for f in kinds), turns[place % len(turns)], strict=True))
        rows.append(row)
    return pd.DataFrame(rows, columns=[factor.name for factor in factors])


def with_middle_bakes(factors: Sequence[Factor], frame: pd.DataFrame, count: int) -> pd.DataFrame:
    """Return the bakes with middle bakes added, spread over days first.

    A load holds one setting of what is hard to change, so where that is a factor of the plan the
    middle bakes of a day get loads of their own, no larger than the others.

    Examples
    --------
    >>> oil = Numeric("oil", 165, 180, hard_to_change=True)
    >>> frame = pd.DataFrame({"oil": [165, 180], "day": 1, "load": [1, 2]})
    >>> with_middle_bakes([oil], frame, 1)["load"].tolist()
    [1, 2, 3]
    """
    frame = frame.assign(role=Role.TRIAL.value)
    if not count:
        return frame
    extra = middle_settings(factors, count).assign(role=Role.CENTRE.value)
    days = sorted(frame["day"].unique())
    extra["day"] = [days[place % len(days)] for place in range(count)]
    names = [factor.name for factor in factors]
    for group in frame.columns.difference([*names, "day", "role"], sort=False):
        hard = [factor.name for factor in factors if factor.group == group]
        extra[group] = (_own_loads if hard else _given_loads)(extra, frame, group, hard)
    return pd.concat([frame, extra], ignore_index=True)


def _own_loads(extra: pd.DataFrame, frame: pd.DataFrame, group: str, hard: list[str]) -> list[int]:
    size = frame.groupby(group).size().max()
    same = extra.groupby(["day", *hard], sort=False)
    key = list(zip(same.ngroup(), same.cumcount() // size, strict=True))
    numbers = {load: place for place, load in enumerate(dict.fromkeys(key), start=1)}
    return [int(frame[group].max()) + numbers[load] for load in key]


def _given_loads(
    extra: pd.DataFrame, frame: pd.DataFrame, group: str, hard: list[str]
) -> list[int]:
    turn = extra.groupby("day").cumcount()
    loads = {day: sorted(part[group].unique()) for day, part in frame.groupby("day")}
    return [
        int(loads[day][place % len(loads[day])])
        for day, place in zip(extra["day"], turn, strict=True)
    ]


def only_numbers(
    factors: Sequence[Varied], family: str, *, three_settings: bool = True
) -> tuple[Numeric, ...]:
    """Return the factors once all are numbers that are easy to change.

    Examples
    --------
    >>> [factor.name for factor in only_numbers([Numeric("rest", 20, 60)], "box_behnken")]
    ['rest']
    """
    factors = check_factors(factors)
    for factor in factors:
        if not isinstance(factor, Numeric):
            raise PlanError(
                f'"{factor.name}" is not a number; {family} takes numeric factors only. '
                "trials.design.optimal mixes numbers with kinds and blends."
            )
        if three_settings and 0 < len(factor.settings) < 3:
            raise PlanError(
                f'"{factor.name}" can only be set to {in_words(map(tidy_number, factor.settings))};'
                f" {family} needs a setting between them."
            )
    refuse_hard_to_change(factors, family)
    return tuple(factor for factor in factors if isinstance(factor, Numeric))


def refuse_hard_to_change(factors: Sequence[Factor], family: str) -> None:
    """Raise a PlanError when a factor is hard to change, which the family can not heed.

    Examples
    --------
    >>> refuse_hard_to_change([Numeric("rest", 20, 60)], "plackett_burman")
    """
    hard = [f'"{factor.name}"' for factor in factors if factor.group]
    if hard:
        raise PlanError(
            f"{in_words(hard)} {'is' if len(hard) == 1 else 'are'} hard to change, and "
            f"{family} would set it anew for every bake. trials.design.optimal(..., loads=) keeps "
            "it within loads, and so does fractional_factorial; or say hard_to_change=False."
        )


def refuse_components(factors: Sequence[Factor], family: str) -> None:
    """Raise a PlanError when a factor is the share of a blend.

    Examples
    --------
    >>> refuse_components([Numeric("rest", 20, 60)], "full_factorial")
    """
    shares = [f'"{factor.name}"' for factor in factors if isinstance(factor, Component)]
    if shares:
        raise PlanError(
            f"{in_words(shares)}: shares of a blend can not be set one by one, so {family} does "
            "not serve. Use trials.design.simplex_lattice, simplex_centroid or extreme_vertices."
        )


def only_two_levels(factors: Sequence[Varied], family: str) -> tuple[Factor, ...]:
    """Return the factors once each is a number or has two kinds; numbers use their end settings.

    Examples
    --------
    >>> len(only_two_levels([Categorical("fat", ["butter", "lard"])], "fractional_factorial"))
    1
    """
    factors = check_factors(factors)
    refuse_components(factors, family)
    for factor in factors:
        if isinstance(factor, Categorical) and len(factor.levels) > 2:
            raise PlanError(
                f'"{factor.name}" has {len(factor.levels)} levels; {family} takes factors with '
                "two. full_factorial and trials.design.optimal take any number."
            )
    return factors


# -- From bakes to a plan: their order by chance, their reference bakes, their names.


def lay_out(
    factors: Sequence[Factor],
    settings: pd.DataFrame,
    *,
    family: str,
    model: Sequence[str] | str,
    references: int = 0,
    reference: Mapping[str, Any] | None = None,
    seed: int | None = None,
    excluded: Sequence[Mapping[str, Any]] = (),
    details: Mapping[str, Any] | None = None,
) -> Plan:
    """Return a plan of the given bakes in an order drawn by chance.

    Days are drawn, then the loads of each day, then the bakes of each load; so every bake has
    the same chance of every place that the kitchen leaves it. Reference bakes have the setting
    `reference`, else the middle of every factor.

    References
    ----------
    Cochran & Cox 1957, Experimental Designs, ch. 7 (split plots: randomise whole plots, then
    within them).
    """
    factors = check_factors(factors)
    seed = new_seed() if seed is None else int(seed)
    rng = np.random.default_rng(seed)
    frame = _complete(factors, settings)
    shared = [name for name in group_names(factors) if name in frame and frame[name].notna().any()]
    frame = _shared_by_those_that_can(factors, frame)
    _check_loads(factors, frame)
    references = whole_number("references", references, least=0)
    frame = _shuffled(factors, frame, rng)
    if references:
        setting = reference_setting(factors) if reference is None else reference
        frame = _with_references(factors, frame, references, setting, rng)
        frame = _shared_by_those_that_can(factors, frame, shared)
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
    for name, default in (("day", 1), ("load", pd.NA), ("role", Role.TRIAL.value)):
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


def _shared_by_those_that_can(
    factors: Sequence[Factor], frame: pd.DataFrame, shared: Sequence[str] = ()
) -> pd.DataFrame:
    """Return the bakes so that only those are in a group that have one of its settings.

    A baked piece shares no oil fill with fried ones, though it lay among them in the search; a
    fried reference bake that was put beside baked pieces gets a fill of its own, in a group that
    is `shared` also where no other bake is in it.
    """
    frame = frame.copy()
    for group in group_names(factors):
        own = [factor for factor in factors if factor.group == group]
        if group not in frame or not all(factor.only_when for factor in own):
            continue
        there = np.zeros(len(frame), dtype=bool)
        for factor in own:
            there |= np.asarray(exists(factor, frame))
        frame[group] = frame[group].astype("Int64").where(there)
        alone = np.flatnonzero(there & frame[group].isna().to_numpy())
        if frame[group].notna().any() or group in shared:
            last = int(frame[group].max()) if frame[group].notna().any() else 0
            frame.loc[frame.index[alone], group] = last + 1 + np.arange(len(alone))
    return frame


def _within(factor: Factor, value: float) -> bool:
    # Axial bakes "beyond" the limits are kept by the families that make them, up to twice the range
    reach = 1.0 if not isinstance(factor, Component) else 1e-9
    span = factor.high - factor.low  # type: ignore[union-attr]
    return factor.low - reach * span <= value <= factor.high + reach * span  # type: ignore[union-attr]


def _check_loads(factors: Sequence[Factor], frame: pd.DataFrame) -> None:
    if frame["load"].notna().any() and (frame.groupby("load")["day"].nunique() > 1).any():
        raise PlanError("a load is spread over two days; a load belongs to one day.")
    trial = frame[frame["role"] == Role.TRIAL]
    for factor in factors:
        if not factor.group or factor.group not in frame or trial[factor.group].isna().all():
            continue
        held = trial[[not is_blank(value) for value in trial[factor.name]]]
        if (held.groupby(factor.group)[factor.name].nunique() > 1).any():
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
        found = frame[name]
        if found.notna().any() and found.isna().any():
            # What shares no oil fill with others has a place of its own among the fills
            found = found.where(found.notna(), -np.arange(1, len(found) + 1))
        ids = found.drop_duplicates().sort_values().to_numpy()
        place = dict(zip(ids, rng.permutation(len(ids)), strict=True))
        keys = [place[value] if not pd.isna(value) else 0 for value in found]
        frame = frame.iloc[np.argsort(keys, kind="stable")]
    return frame.reset_index(drop=True)


def _with_references(
    factors: Sequence[Factor],
    frame: pd.DataFrame,
    references: int,
    setting: Mapping[str, Any],
    rng: np.random.Generator,
) -> pd.DataFrame:
    homes = _homes(frame, references, rng)
    mixtures = _mixtures(factors, frame)
    last = {group: int(frame[group].max()) for group in mixtures}
    pieces = []
    for home, load in frame.groupby(_home_keys(frame), sort=False):
        count = homes.get(home, 0)
        if not count:
            pieces.append(load)
            continue
        reference = load.iloc[[0] * count].assign(role=Role.REFERENCE.value, **setting)
        for group, set_by in mixtures.items():
            alike = load.loc[_alike(load, set_by, setting), group]
            reference[group] = [
                last[group] + place if alike.empty else alike.iloc[0]
                for place in range(1, count + 1)
            ]
            last[group] += count if alike.empty else 0
        before = _goes_first(factors, load, setting, rng)
        pieces += [reference, load] if before else [load, reference]
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


def _homes(frame: pd.DataFrame, references: int, rng: np.random.Generator) -> dict[str, int]:
    """Return how many reference bakes each load gets: spread over days first, then over loads."""
    keys = _home_keys(frame)
    by_day = {day: list(dict.fromkeys(keys[frame["day"] == day])) for day in frame["day"].unique()}
    for loads in by_day.values():
        rng.shuffle(loads)
    turns = [loads[turn % len(loads)] for turn in range(references) for loads in by_day.values()]
    homes: dict[str, int] = {}
    for home in turns[:references]:
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
            held = load[factor.name].dropna()
            own = float(held.iloc[0]) if len(held) else setting[factor.name]
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


# -- Bakes already made, put before the new ones with their own names, days and loads.


def read_kept(factors: Sequence[Factor], keep: Plan | pd.DataFrame | None) -> pd.DataFrame:
    """Return kept bakes as the rows of a plan.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> read_kept([rest], pd.DataFrame({"rest": [20, 90]}))
    Traceback (most recent call last):
    trials.base.errors.PlanError: keep: bake B02 has "rest" at 90 min, off its scale 20 min...
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
    frame["role"] = pd.Series(table.get("role", Role.TRIAL.value), index=table.index)
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
    return kept[kept["role"] != Role.REFERENCE].reset_index(drop=True)


def kept_settings(factors: Sequence[Factor], kept: pd.DataFrame, bakes: int) -> np.ndarray:
    """Return settings of all bakes, those of new ones missing."""
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
    """Return the kitchen's order of kept and new bakes, the new on days and loads of their own."""
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
