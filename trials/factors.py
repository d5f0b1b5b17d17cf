"""What varies: numbers, kinds and shares of a blend, and what each changes in the bake.

Inside a plan a numeric factor is coded so that its low setting is -1 and its high setting +1;
a blend component stays the share it is; a categorical factor stays the kind it is.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from trials.errors import FactorError
from trials.factor_checks import (
    NO_SETTING,
    Change,
    OnlyWhen,
    Setting,
    check_name,
    checked_change,
    checked_range,
    checked_when,
    coded_settings,
    finite,
    group_of,
    is_blank,
    key_of,
    plain,
)
from trials.tables import in_words, number, tidy_number

_ROUNDED_CODE = 1e-9  # of the range: what rounding a code to nine decimals moves a setting by


@dataclass(frozen=True)
class Numeric:
    """A factor that is a number: a temperature, a time, a percentage.

    Parameters
    ----------
    name : str
        As the baker says it; any characters.
    low, high : float
        The limits of what is tried, in `unit`: as far as you would dare and still serve it.
    unit : str
        Shown behind every setting.
    centre : float, optional
        The setting of middle and reference bakes; half-way when left out.
    hard_to_change : bool or str
        True when several bakes share one setting (one pot of oil: the group "load"); a name of
        its own when they share something else ("dough").
    changes : tuple, optional
        What it changes in the formula: ("total", "hydration"), ("percent", ingredient),
        ("flour share", flour) or ("cross", other formula), each with an optional part of the
        formula as a third element. None for a process setting.
    settings : sequence of float, optional
        The only settings that can be made, when not every one between the limits can.
    step : float, optional
        The finest step that the kitchen can set, in `unit`.
    only_when : tuple, optional
        For a setting that exists only for some kinds of another factor (nested in it): that
        factor's name and those kinds, as in ("method", ["fried"]). Elsewhere it has no setting.

    Raises
    ------
    FactorError
        When the limits are equal, reversed or not finite, or the name can not be used.

    References
    ----------
    ISO 3534-3, "factor", "level", "coded value".

    Examples
    --------
    >>> oil = Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True)
    >>> oil.group, oil.middle, oil.show(172)
    ('load', 172.0, '172 °C')
    >>> oil.code([165, 172.5, 180])
    array([-1.,  0.,  1.])
    """

    name: str
    low: float
    high: float
    unit: str = ""
    centre: float | None = None
    hard_to_change: bool | str = False
    changes: Change | None = None
    settings: Sequence[float] = ()
    step: float | None = None
    only_when: OnlyWhen | None = None

    def __post_init__(self) -> None:
        check_name(self.name)
        low, high = checked_range(self.name, self.low, self.high)
        settings = tuple(sorted({finite(self.name, value) for value in self.settings}))
        if settings and (settings[0] < low or settings[-1] > high or len(settings) < 2):
            raise FactorError(
                f'"{self.name}" has the settings {in_words(map(tidy_number, settings))}; at least '
                f"two were expected, between {tidy_number(low)} and {tidy_number(high)}."
            )
        if self.centre is not None and not low <= finite(self.name, self.centre) <= high:
            raise FactorError(
                f'"{self.name}" has its middle at {tidy_number(self.centre)}, outside '
                f"{tidy_number(low)} to {tidy_number(high)}."
            )
        if self.step is not None and not 0 < finite(self.name, self.step) <= high - low:
            raise FactorError(f'"{self.name}" has the step {self.step}; it must be above 0.')
        object.__setattr__(self, "low", low)
        object.__setattr__(self, "high", high)
        object.__setattr__(self, "settings", settings)
        object.__setattr__(self, "changes", checked_change(self.name, self.changes))
        alone = not (self.hard_to_change or self.changes)
        object.__setattr__(self, "only_when", checked_when(self.name, self.only_when, alone=alone))

    @property
    def group(self) -> str | None:
        """The name of what bakes share when the factor is hard to change, else None."""
        return group_of(self.hard_to_change)

    @property
    def levels(self) -> tuple[float, ...]:
        """The settings of a factorial plan: those that can be made, else low and high."""
        return tuple(self.settings) or (self.low, self.high)

    @property
    def middle(self) -> float:
        """The setting of middle and reference bakes."""
        half_way = (self.low + self.high) / 2
        return float(half_way if self.centre is None else self.centre)

    def code(self, values: Iterable[Setting]) -> np.ndarray:
        """Return coded values: -1 at the low setting, +1 at the high one."""
        real = np.asarray([self.read(value) for value in values], dtype=float)
        return coded_settings(self.name, real, self.low, self.high)

    def decode(self, coded: Iterable[float]) -> np.ndarray:
        """Return real settings in `unit` of coded values.

        The sum is weighted so that -1, 0 and +1 give the limits and their mean exactly.
        """
        coded = np.asarray(coded, dtype=float)
        share = (coded + 1) / 2
        real = self.low * (1 - share) + self.high * share
        # 15 digits: the same setting must be the same number, however its code was come by
        full = np.array([float(f"{value:.14g}") for value in real.ravel()]).reshape(real.shape)
        # A code that was rounded on its way must not make 171.9999999975 of 172
        span = self.high - self.low
        short = np.round(full, 4 - int(np.floor(np.log10(span))))
        settled = np.where(np.abs(full - short) <= _ROUNDED_CODE * span, short, full)
        return np.where(coded == 1, self.high, np.where(coded == -1, self.low, settled))

    def read(self, value: object) -> float:
        """Return a setting as a number; a FactorError when it is not one."""
        if self.only_when and is_blank(value):
            return float("nan")
        found = number(value) if isinstance(value, str) else value
        if isinstance(found, bool | np.bool_) or found is None:
            raise FactorError(f'"{self.name}" has the setting {value!r}; a number was expected.')
        return finite(self.name, found)

    def show(self, value: Setting) -> str:
        """Return a setting in words, with its unit."""
        if self.only_when and is_blank(value):
            return NO_SETTING
        return f"{tidy_number(self.read(value))} {self.unit}".rstrip()


@dataclass(frozen=True)
class Categorical:
    """A factor that is a kind: which fat, which flour, which method.

    Parameters
    ----------
    name : str
        As the baker says it; any characters.
    levels : sequence of str or number
        At least two, all different. The first is the kind of the reference bake.
    hard_to_change, changes, only_when
        As for :class:`Numeric`; the change is usually ("swap", ingredient), the levels being
        the ingredients it is swapped for.
    unit : str
        Shown behind every level that is a number.

    Raises
    ------
    FactorError
        When there are fewer than two levels or one appears twice.

    References
    ----------
    ISO 3534-3, "factor", "level".

    Examples
    --------
    >>> fat = Categorical("fat", ["butter", "lard", "sunflower oil"], changes=("swap", "butter"))
    >>> fat.middle, fat.read("lard")
    ('butter', 'lard')
    """

    name: str
    levels: Sequence[Setting]
    hard_to_change: bool | str = False
    changes: Change | None = None
    unit: str = ""
    only_when: OnlyWhen | None = None

    def __post_init__(self) -> None:
        check_name(self.name)
        if isinstance(self.levels, str):
            raise FactorError(f'"{self.name}": give the levels as a list, not as one word.')
        levels = tuple(plain(level) for level in self.levels)
        keys = [key_of(level).casefold() for level in levels]
        if len(levels) < 2:
            raise FactorError(f'"{self.name}" has {len(levels)} level; at least two are needed.')
        if "" in keys or len(set(keys)) < len(keys):
            raise FactorError(f'"{self.name}" has an empty level, or the same level twice.')
        object.__setattr__(self, "levels", levels)
        object.__setattr__(self, "changes", checked_change(self.name, self.changes))
        alone = not (self.hard_to_change or self.changes)
        object.__setattr__(self, "only_when", checked_when(self.name, self.only_when, alone=alone))

    @property
    def group(self) -> str | None:
        """The name of what bakes share when the factor is hard to change, else None."""
        return group_of(self.hard_to_change)

    @property
    def middle(self) -> Setting:
        """The level of reference bakes: the first."""
        return self.levels[0]

    def code(self, values: Iterable[Setting]) -> np.ndarray:
        """Return the position of each value among the levels; -1 where there is no setting."""
        places = {level: place for place, level in enumerate(self.levels)}
        return np.array([places.get(self.read(value), -1) for value in values], dtype=int)

    def read(self, value: object) -> Setting:
        """Return the level that is meant; a FactorError when there is none."""
        if self.only_when and is_blank(value):
            return ""
        for level in self.levels:
            if key_of(level) == key_of(plain(value)):
                return level
        raise FactorError(
            f'"{self.name}" has no level {value!r}; expected {in_words(self.levels, "or")}.'
        )

    def show(self, value: Setting) -> str:
        """Return a level in words."""
        if self.only_when and is_blank(value):
            return NO_SETTING
        text = key_of(value)
        return f"{text} {self.unit}" if self.unit and number(text) is not None else text


@dataclass(frozen=True)
class Component:
    """A share of a blend; the components of one plan sum to 1.

    Parameters
    ----------
    name : str
        The ingredient or mixture.
    low, high : float
        The limits of its share, 0 to 1.

    References
    ----------
    ISO 3534-3, "blend component"; Scheffe 1958.

    Examples
    --------
    >>> Component("rye flour", 0.1, 0.4).show(0.25)
    '25 %'
    """

    name: str
    low: float = 0.0
    high: float = 1.0
    changes: Change | None = None

    def __post_init__(self) -> None:
        check_name(self.name)
        low, high = (finite(self.name, value) for value in (self.low, self.high))
        if not 0 <= low < high <= 1:
            raise FactorError(
                f'"{self.name}" has shares from {tidy_number(low)} to {tidy_number(high)}; '
                "0 <= low < high <= 1 was expected."
            )
        object.__setattr__(self, "low", low)
        object.__setattr__(self, "high", high)
        object.__setattr__(self, "changes", checked_change(self.name, self.changes))

    group: None = None
    unit: str = ""
    only_when: None = None

    @property
    def levels(self) -> tuple[float, float]:
        """The limits of the share."""
        return (self.low, self.high)

    @property
    def middle(self) -> float:
        """The share half-way between the limits; a blend's centre is found over all of them."""
        return (self.low + self.high) / 2

    def code(self, values: Iterable[Setting]) -> np.ndarray:
        """Return the shares as they are."""
        return np.array([self.read(value) for value in values], dtype=float)

    def decode(self, coded: Iterable[float]) -> np.ndarray:
        """Return the shares as they are."""
        return np.array([float(f"{float(value):.14g}") for value in coded])

    def read(self, value: object) -> float:
        """Return a share as a number; a FactorError when it is not one."""
        found = number(value) if isinstance(value, str) else value
        if isinstance(found, bool | np.bool_) or found is None:
            raise FactorError(f'"{self.name}" has the share {value!r}; a number was expected.')
        return finite(self.name, found)

    def show(self, value: Setting) -> str:
        """Return a share in per cent."""
        return f"{tidy_number(100 * self.read(value))} %"


Factor = Numeric | Categorical | Component


def check_factors(factors: Iterable[Factor]) -> tuple[Factor, ...]:
    """Return the factors as a tuple once they can stand in one plan.

    Raises
    ------
    FactorError
        When there is none, one appears twice, or a name is one the plan itself needs.

    Examples
    --------
    >>> [factor.name for factor in check_factors([Numeric("rest", 20, 60, "min")])]
    ['rest']
    """
    factors = tuple(factors)
    if not factors:
        raise FactorError("nothing varies; name at least one factor.")
    for factor in factors:
        if not isinstance(factor, Numeric | Categorical | Component):
            raise FactorError(
                f"{factor!r} is not a factor; expected trials.Numeric(name, low, high), "
                "trials.Categorical(name, levels) or trials.Component(name)."
            )
    seen: set[str] = set()
    groups = {group.casefold() for group in group_names(factors)}
    for factor in factors:
        name = factor.name.casefold()
        if name in seen:
            raise FactorError(f'the factor "{factor.name}" appears twice.')
        if name in groups:
            raise FactorError(f'"{factor.name}" is both a factor and what its bakes share.')
        seen.add(name)
    for factor in factors:
        _check_host(factor, factors)
    return factors


def group_names(factors: Iterable[Factor]) -> tuple[str, ...]:
    """Return what hard-to-change factors share ("load", "dough"), in order of first use.

    Examples
    --------
    >>> group_names([Numeric("rest", 1, 2), Numeric("oil", 165, 180, hard_to_change=True)])
    ('load',)
    """
    return tuple(dict.fromkeys(factor.group for factor in factors if factor.group))


def _check_host(factor: "Factor", factors: Sequence["Factor"]) -> None:
    """Refuse a nested factor whose host is not there, is no kind, or has not those kinds."""
    if factor.only_when is None:
        return
    name, kinds = factor.only_when
    host = next((one for one in factors if one.name == name), None)
    if not isinstance(host, Categorical) or host.only_when:
        raise FactorError(
            f'"{factor.name}" exists only for some kinds of "{name}", which is no factor of kinds '
            "that is always set."
        )
    for kind in kinds:
        host.read(kind)
    if len({key_of(kind) for kind in kinds}) >= len(host.levels):
        raise FactorError(
            f'"{factor.name}" exists for every kind of "{name}"; leave only_when out.'
        )
