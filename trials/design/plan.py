"""`Plan`: a frozen record of which bakes, in which order, on which day and in which load."""

import html
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.errors import PlanError
from trials.factors import NO_SETTING, Categorical, Component, Factor, check_factors, group_names
from trials.nesting import check_nested, exists

ROLES = ("trial", "centre", "control")
# What a hard-to-change factor's name says of the load it is set for
_SIGNS = {"oil": "oil fill", "fry": "oil fill", "frying": "oil fill", "oven": "oven heat"}
FIXED_COLUMNS = ("bake", "day", "load", "role")


@dataclass(frozen=True, eq=False)
class Plan:
    """Which bakes to make, in baking order.

    Parameters
    ----------
    factors : tuple of Factor
        What varies.
    rows : DataFrame
        One row per bake in baking order; see :attr:`table`.
    family : str
        How the plan was made, in words.
    model : tuple of str or str
        The terms that the plan was made to judge.
    seed : int
        The same seed gives the same plan.
    reasons : tuple of str
        Why this plan, in sentences.
    excluded : tuple of dict
        Settings that never go together: factor name -> level, or (low, high).
    details : dict
        What the family wants remembered (generators, word-length pattern, axial distance).

    References
    ----------
    ISO 3534-3, "designed experiment", "experimental unit", "block", "whole plot".

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="both ends", model="main")
    >>> list(plan.table.columns), len(plan.coded)
    (['bake', 'day', 'load', 'role', 'rest'], 2)
    """

    factors: tuple[Factor, ...]
    rows: pd.DataFrame = field(repr=False)
    family: str
    model: tuple[str, ...] | str
    seed: int = 0
    reasons: tuple[str, ...] = ()
    excluded: tuple[Mapping[str, Any], ...] = ()
    details: Mapping[str, Any] = field(default_factory=dict, repr=False)

    @property
    def table(self) -> pd.DataFrame:
        """One row per bake in baking order: bake, day, load, role, then the factors.

        `bake` is text that no spreadsheet alters; `role` is trial, centre or control; `load` is
        missing where bakes share nothing; groups other than "load" follow the factors.
        """
        return self.rows.copy()

    @property
    def coded(self) -> pd.DataFrame:
        """The factor columns, numbers from -1 (low) to 1 (high), kinds and shares as they are."""
        return pd.DataFrame(
            {
                factor.name: self.rows[factor.name]
                if isinstance(factor, Categorical)
                else factor.code(self.rows[factor.name])
                for factor in self.factors
            }
        )

    @property
    def groups(self) -> tuple[str, ...]:
        """The columns that say what bakes share, "load" first; empty when they share nothing."""
        names = list(self.rows.columns[4 + len(self.factors) :])
        return ("load", *names) if self.rows["load"].notna().any() else tuple(names)

    @property
    def days(self) -> int:
        """The number of days."""
        return int(self.rows["day"].nunique())

    def count(self, role: str | None = None) -> int:
        """Return the number of bakes, of one role or but for the reference bakes."""
        roles = self.rows["role"]
        return int((roles == role).sum() if role else (roles != "control").sum())

    def factor(self, name: str) -> Factor:
        """Return a factor by its name; a PlanError when there is none."""
        for factor in self.factors:
            if factor.name == name:
                return factor
        raise PlanError(f'this plan has no factor "{name}".')

    def because(self, *reasons: str) -> "Plan":
        """Return the same plan with reasons added."""
        return replace(self, reasons=self.reasons + reasons)

    def sentence(self) -> str:
        """Return what the plan is, in one sentence of kitchen words."""
        words = [f"{self.count('trial')} bakes"]
        for role, name in (("centre", "middle-setting bake"), ("control", "reference bake")):
            count = self.count(role)
            if count:
                words.append(f"{count} {name}{'' if count == 1 else 's'}")
        shared = [
            f"{self.rows[name].nunique()} {plural(kitchen_group(name, self.factors))}"
            for name in self.groups
        ]
        days = f"{self.days} day{'' if self.days == 1 else 's'}"
        return f"{' and '.join(words)}{' in ' + ' and '.join(shared) if shared else ''} over {days}"

    def __repr__(self) -> str:
        return f"{self.sentence()} ({self.family}).\n" + "\n".join(self.reasons)

    def _repr_html_(self) -> str:
        reasons = "".join(f"<p>{html.escape(reason)}</p>" for reason in self.reasons)
        shown = self.rows.dropna(axis=1, how="all")
        table = shown.to_html(index=False, border=0, escape=True, na_rep=NO_SETTING)
        return f"<p><b>{html.escape(self.sentence())}.</b></p>{reasons}{table}"


def kitchen_group(name: str, factors: Sequence[Factor] = ()) -> str:
    """Return what bakes share, as the baker says it.

    Parameters
    ----------
    name : str
        The group.
    factors : sequence of Factor, optional
        A load is an oil fill or an oven heat where one of these that is set for it says so.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> oil = Numeric("oil temperature", 165, 180, hard_to_change=True)
    >>> kitchen_group("load"), kitchen_group("dough"), kitchen_group("load", [oil])
    ('load', 'dough batch', 'oil fill')
    """
    words = {"dough": "dough batch", "oil": "oil fill", "oven": "oven heat"}
    if name == "load":
        set_for = " ".join(one.name.casefold() for one in factors if one.group == name)
        found = [word for sign, word in _SIGNS.items() if sign in set_for.replace("-", " ").split()]
        return found[0] if found else name
    return words.get(name, name)


def plural(word: str) -> str:
    """Return the plural of what bakes share.

    Examples
    --------
    >>> plural("load"), plural("dough batch")
    ('loads', 'dough batches')
    """
    if word.endswith("s"):
        return word
    return f"{word}es" if word.endswith(("ch", "sh", "x")) else f"{word}s"


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
        cooler, so that nothing has to cool down.
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


def new_seed() -> int:
    """Return a seed drawn by the machine, small enough to be typed again.

    Examples
    --------
    >>> 0 <= new_seed() < 10**9
    True
    """
    return int(np.random.default_rng().integers(10**9))


def whole_number(argument: str, value: Any, *, least: int, most: int = 10_000) -> int:
    """Return a count once it is a whole number within reason.

    Raises
    ------
    PlanError
        When it is not, naming the argument, what was found and what would work.

    Examples
    --------
    >>> whole_number("bakes", 16, least=1)
    16
    """
    whole = not isinstance(value, bool) and isinstance(value, int | float | np.number)
    if not whole or float(value) != int(value) or not least <= int(value) <= most:
        raise PlanError(f"{argument} is {value!r}; a whole number from {least} to {most} works.")
    return int(value)


def reference_setting(factors: Sequence[Factor]) -> dict[str, Any]:
    """Return the setting of reference bakes: the middles, and the first kind of each kind.

    The components of a blend are placed between their limits so that they sum to one.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> fat = Categorical("fat", ["butter", "lard"])
    >>> reference_setting([Numeric("oil", 165, 180, centre=172), fat])
    {'oil': 172.0, 'fat': 'butter'}
    """
    setting: dict[str, Any] = {factor.name: factor.middle for factor in factors}
    parts = [factor for factor in factors if isinstance(factor, Component)]
    room = sum(part.high - part.low for part in parts)
    spare = 1 - sum(part.low for part in parts)
    for part in parts:
        setting[part.name] = part.low + spare * (part.high - part.low) / room
    for factor in factors:
        there = exists(factor, {name: [value] for name, value in setting.items()})
        if there is not None and not there[0]:
            setting[factor.name] = factor.read("")
    return setting


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
    pieces = []
    for home, load in frame.groupby(_home_keys(frame), sort=False):
        count = homes.get(home, 0)
        if not count:
            pieces.append(load)
            continue
        control = load.iloc[[0] * count].assign(role="control", **setting)
        before = _goes_first(factors, load, setting, rng)
        pieces += [control, load] if before else [load, control]
    return pd.concat(pieces, ignore_index=True)


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
