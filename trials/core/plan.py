"""`Plan`: a frozen record of which bakes, in which order, on which day and in which load."""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import PlanError
from trials.core.factors import NO_SETTING, Categorical, Component, Factor, Numeric, exists
from trials.core.roles import Role

ROLES = (Role.TRIAL, Role.CENTRE, Role.REFERENCE)
KITCHEN_ROLES = {
    "trial": "trial bake",
    "centre": "middle-setting bake",
    Role.REFERENCE: "reference bake",
}
# What a hard-to-change factor's name says of the load it is set for
_SIGNS = {"oil": "oil fill", "fry": "oil fill", "frying": "oil fill", "oven": "oven heat"}
# What bakes that share one of these share is one mixture, made once
MIXED_ONCE = ("dough", "batter", "paste", "mix")
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
    >>> from trials.core.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> from trials.design.layout import lay_out
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

        `bake` is text that no spreadsheet alters; `role` is trial, centre or reference; `load` is
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
        return int((roles == role).sum() if role else (roles != Role.REFERENCE).sum())

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
        for role, name in (
            (Role.CENTRE, "middle-setting bake"),
            (Role.REFERENCE, "reference bake"),
        ):
            count = self.count(role)
            if count:
                words.append(f"{count} {name}{'' if count == 1 else 's'}")
        shared = [self._shared(name) for name in self.groups]
        days = f"{self.days} day{'' if self.days == 1 else 's'}"
        return f"{' and '.join(words)}{' in ' + ' and '.join(shared) if shared else ''} over {days}"

    def _shared(self, group: str) -> str:
        """Return how many of what bakes share there are, those of reference bakes alone apart."""
        count = self.rows[group].nunique()
        own = count - self.rows.loc[self.rows["role"] != Role.REFERENCE, group].nunique()
        beside = f" ({own} for reference bake{'' if own == 1 else 's'} alone)" if own else ""
        word = kitchen_group(group, self.factors)
        return f"{count} {word if count == 1 else plural(word)}{beside}"

    def __repr__(self) -> str:
        return f"{self.sentence()} ({self.family}).\n" + "\n".join(self.reasons)

    def _repr_html_(self) -> str:
        reasons = "".join(f"<p>{html.escape(reason)}</p>" for reason in self.reasons)
        shown = self.rows.dropna(axis=1, how="all").rename(
            columns={name: kitchen_group(name, self.factors) for name in self.groups}
        )
        shown["role"] = shown["role"].map(KITCHEN_ROLES)
        for factor in self.factors:
            if isinstance(factor, Numeric) and factor.is_share:
                shown[factor.name] = [factor.show(value) for value in self.rows[factor.name]]
        shown = shown.rename(columns={"role": "kind"})
        table = shown.to_html(index=False, border=0, escape=True, na_rep=NO_SETTING)
        return f"<p><b>{html.escape(self.sentence())}.</b></p>{reasons}{table}"


def kitchen_group(name: str, factors: Sequence[Factor] = ()) -> str:
    """Return what bakes share, as the baker says it.

    Examples
    --------
    >>> from trials.core.factors import Numeric
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
    >>> from trials.core.factors import Numeric
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
