"""`Plan`: a frozen record of which bakes, in which order, on which day and in which load."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError, TrialsError
from trials.base.html import answer
from trials.base.words import in_words, number, tidy_number
from trials.core.factors import (
    NO_SETTING,
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
from trials.core.roles import Role
from trials.core.terms import model_matrix, model_terms

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
GIVEN = "given"  # the family of a plan made elsewhere
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
        The key of the family that it was made by, such as "full factorial"; `details` says more.
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

    @classmethod
    @checked_types(PlanError)
    def from_table(cls, frame: pd.DataFrame, factors: Sequence[Varied]) -> "Plan":
        """Return a plan that was made elsewhere, its bakes in the order of the table.

        Parameters
        ----------
        frame : DataFrame
            One row per bake in baking order: a column for each factor in real units. Columns
            bake, day, load, role and those of other groups are kept; without them bakes are
            named B01, B02 ..., made on one day, trial bakes all, and share a load for as long as
            its setting stays. Other columns are left out, and said in the reasons.
        factors : sequence of Factor
            What varies.

        Returns
        -------
        Plan
            Its family is "given", its model the widest of pairs and single changes (of a blend:
            blends and single shares) that the bakes can tell.

        Raises
        ------
        PlanError
            When a column is missing, a setting can not be read or lies outside its limits, a
            bake is named twice, a role, day or load is none, a load holds two settings, or
            shares do not sum to one; with the row.

        Examples
        --------
        >>> from trials.core.factors import Numeric
        >>> made = pd.DataFrame({"rest": [60, 20, 40]})
        >>> plan = Plan.from_table(made, [Numeric("rest", 20, 60, "min")])
        >>> plan.family, plan.table["bake"].tolist(), plan.table["rest"].tolist()
        ('given', ['B01', 'B02', 'B03'], [60.0, 20.0, 40.0])
        """
        factors = check_factors(factors)
        rows, left = given_rows(frame, factors)
        said = "The plan was made elsewhere; the order of its bakes is kept."
        more = (f"Left out, as no factor: the columns {in_words(left)}.",) if left else ()
        return cls(factors, rows, GIVEN, _widest(factors, rows), reasons=(said, *more))

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

    @checked_types(PlanError)
    def count(self, role: str | None = None) -> int:
        """Return the number of bakes, of one role or but for the reference bakes."""
        roles = self.rows["role"]
        return int((roles == role).sum() if role else (roles != Role.REFERENCE).sum())

    @checked_types(PlanError)
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
        shown = self.rows.dropna(axis=1, how="all").rename(
            columns={name: kitchen_group(name, self.factors) for name in self.groups}
        )
        shown["role"] = shown["role"].map(KITCHEN_ROLES)
        for factor in self.factors:
            if isinstance(factor, Numeric) and factor.is_share:
                shown[factor.name] = [factor.show(value) for value in self.rows[factor.name]]
        shown = shown.rename(columns={"role": "kind"})
        shown = shown.astype(object).where(shown.notna(), NO_SETTING)
        return answer([f"{self.sentence()}.", *self.reasons], [shown])


def given_rows(
    frame: pd.DataFrame, factors: Sequence[Factor]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the bakes of a table as a plan holds them, and the columns that say nothing of them.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> given_rows(pd.DataFrame({"rest": [20, 75]}), [rest])
    Traceback (most recent call last):
    trials.base.errors.PlanError: row 3: rest is 75 min; from 20 min to 60 min was expected.
    """
    if not len(frame):
        raise PlanError("the plan holds no bake.")
    names = [factor.name for factor in factors]
    missing = [name for name in names if name not in frame]
    if missing:
        raise PlanError(f"the table has no column {in_words(map(repr, missing))}.")
    given = frame.reset_index(drop=True)
    rows = pd.DataFrame({"bake": _bake_names(given), "day": _counts(given, "day", 1)})
    rows["load"] = pd.array([pd.NA] * len(given), dtype="Int64")
    rows["role"] = _roles(given)
    for factor in factors:
        rows[factor.name] = [
            _setting(factor, value, row) for row, value in enumerate(given[factor.name], _FIRST)
        ]
    check_nested(factors, rows)
    _check_shares(factors, rows)
    groups = dict.fromkeys(("load", *group_names(factors)))
    for group in groups:
        own = [factor for factor in factors if factor.group == group]
        if group in given:
            rows[group] = pd.array(_counts(given, group, None), dtype="Int64")
            _check_group(group, own, rows)
        elif own:
            rows[group] = pd.array(_runs(own, rows), dtype="Int64")
    known = {"bake", "day", "role", *groups, *names}
    return rows, tuple(str(name) for name in frame if name not in known)


_FIRST = 2  # rows are counted as a spreadsheet does, the headings being row 1


def _bake_names(given: pd.DataFrame) -> list[str]:
    if "bake" not in given:
        return [f"B{place:02d}" for place in range(1, len(given) + 1)]
    names = [str(name).strip() for name in given["bake"]]
    for row, name in enumerate(names, _FIRST):
        if is_blank(given["bake"].iloc[row - _FIRST]) or not name:
            raise PlanError(f"row {row}: the bake has no name; give each one of its own.")
        if name in names[: row - _FIRST]:
            raise PlanError(f'row {row}: bake "{name}" stands here a second time.')
    return names


def _counts(given: pd.DataFrame, name: str, default: int | None) -> list[int | None]:
    if name not in given:
        return [default] * len(given)
    found: list[int | None] = []
    for row, value in enumerate(given[name], _FIRST):
        if is_blank(value) and default is None:
            found.append(None)
            continue
        count = number(str(value))
        if count is None or count != int(count) or count < 1:
            raise PlanError(f"row {row}: {name} is {value!r}; a whole number from 1 was expected.")
        found.append(int(count))
    return found


def _roles(given: pd.DataFrame) -> list[str]:
    if "role" not in given:
        return [Role.TRIAL.value] * len(given)
    known = [str(role.value) for role in ROLES]
    for row, role in enumerate(given["role"], _FIRST):
        if role not in known:
            raise PlanError(f"row {row}: role is {role!r}; {in_words(known, 'or')} was expected.")
    return [str(role) for role in given["role"]]


def _setting(factor: Factor, value: Any, row: int) -> Any:
    try:
        found = factor.read(value)
    except TrialsError as error:
        raise PlanError(f"row {row}: {error.message}") from None
    if not isinstance(factor, Categorical):
        slack, value = 1e-9 * (factor.high - factor.low), float(found)
        if not (np.isnan(value) or factor.low - slack <= value <= factor.high + slack):
            raise PlanError(
                f"row {row}: {factor.name} is {factor.show(found)}; from "
                f"{factor.show(factor.low)} to {factor.show(factor.high)} was expected."
            )
    return found


def _check_shares(factors: Sequence[Factor], rows: pd.DataFrame) -> None:
    parts = [factor.name for factor in factors if isinstance(factor, Component)]
    for row, total in enumerate(rows[parts].sum(axis=1), _FIRST) if parts else ():
        if abs(total - 1) > 1e-6:
            raise PlanError(
                f"row {row}: the shares of {in_words(parts)} sum to {tidy_number(total, 6)}; 1 was "
                "expected."
            )


def _check_group(group: str, own: Sequence[Factor], rows: pd.DataFrame) -> None:
    """Raise a PlanError when what bakes share lies over two days or holds two settings."""
    first: dict[int, int] = {}
    for place, value in enumerate(rows[group]):
        if pd.isna(value):
            continue
        start = first.setdefault(int(value), place)
        for name in ["day", *(factor.name for factor in own)]:
            before, here = rows[name].iloc[start], rows[name].iloc[place]
            if before != here and not (is_blank(before) and is_blank(here)):
                raise PlanError(
                    f"row {place + _FIRST}: {group} {value} has {name} {here}, and {before} in row "
                    f"{start + _FIRST}; one {group} has one."
                )


def _runs(own: Sequence[Factor], rows: pd.DataFrame) -> list[int]:
    """Return what bakes share, counted: a new one with every day and every other setting."""
    keys = rows[["day", *(factor.name for factor in own)]].astype(object).fillna("")
    return [int(one) for one in (keys != keys.shift()).any(axis=1).cumsum()]


def _widest(factors: Sequence[Factor], rows: pd.DataFrame) -> str:
    blend = any(isinstance(factor, Component) for factor in factors)
    wide = "blend" if blend else "interactions"
    judged = rows[rows["role"] != Role.REFERENCE]
    X = model_matrix(model_terms(wide, factors), factors, judged).X
    return wide if np.linalg.matrix_rank(X) == X.shape[1] else "main"


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
