"""What varies: numbers, kinds and shares of a blend, what each changes, and where each exists."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from trials.base.arguments import checked_types
from trials.base.errors import FactorError
from trials.base.words import InWords, in_words, number, tidy_number
from trials.recipe.formula import Formula
from trials.recipe.units import WEIGHTS

# -- What a factor may be called, set to, change and depend on, before there is a factor.


# Columns every plan or table of scores has; a factor of the same name would hide one of them.
RESERVED = ("day", "load", "bake", "role", "taster", "status")
NO_SETTING = "–"  # shown where a nested factor does not exist
_FURTHEST = 1e50  # ranges from the middle: the third power of anything further can not be squared
WEIGHED = 4  # digits of what is weighed, as scales of 0.1 g in 500 show
CHANGES = ("total", "percent", "swap", "grams", "flour share", "cross")
_OF_FLOUR = ("total", "percent", "flour share")  # these count in percent of the flour

Setting = float | int | str
Change = tuple[Any, ...]
OnlyWhen = tuple[str, Sequence[Setting]]


def check_name(name: str) -> None:
    """Refuse a name that no factor can have; a FactorError says why."""
    if not isinstance(name, str) or not name.strip():
        raise FactorError(f"a factor needs a name; found {name!r}.")
    if name != name.strip() or any(mark in name for mark in "\n\r\t"):
        raise FactorError(f"the name {name!r} starts or ends with a space or holds a line break.")
    if name.casefold() in RESERVED:
        raise FactorError(
            f'"{name}" is a column that every plan has; choose another name, such as "{name} kind".'
        )


def group_of(hard_to_change: bool | str) -> str | None:
    """Return what bakes share when a factor is hard to change, "load" unless it is named.

    Examples
    --------
    >>> group_of(True), group_of("dough"), group_of(False)
    ('load', 'dough', None)
    """
    if isinstance(hard_to_change, str):
        return hard_to_change.strip() or None
    return "load" if hard_to_change else None


def checked_change(name: str, change: Change | None) -> Change | None:
    """Return what a factor changes in the formula once it is one of the changes there are."""
    if change is None:
        return None
    if isinstance(change, str) or len(change) not in (2, 3) or change[0] not in CHANGES:
        raise FactorError(
            f'"{name}" changes {change!r}; expected two or three parts, the first being '
            f'{in_words(CHANGES, "or")}, as in ("total", "hydration").'
        )
    if (change[0] == "cross") != isinstance(change[1], Formula):
        raise FactorError(f'"{name}": a ("cross", formula) needs the other parent\'s formula.')
    return tuple(change)


def checked_when(name: str, when: OnlyWhen | None) -> OnlyWhen | None:
    """Return for which kinds of which factor something exists, once that can be.

    Examples
    --------
    >>> checked_when("fry heat", ["method", ["fried"]])
    ('method', ('fried',))
    """
    if when is None:
        return None
    shaped = isinstance(when, Sequence) and not isinstance(when, str) and len(when) == 2
    if not shaped or isinstance(when[1], str) or not len(when[1]):
        raise FactorError(
            f'"{name}" has only_when {when!r}; expected a factor and some of its kinds, as '
            'in ("method", ["fried"]).'
        )
    return str(when[0]), tuple(plain(kind) for kind in when[1])


def is_blank(value: object) -> bool:
    """Say whether a cell holds no setting.

    Examples
    --------
    >>> is_blank(""), is_blank(float("nan")), is_blank(0)
    (True, True, False)
    """
    if isinstance(value, str):
        return value.strip() in ("", NO_SETTING)
    return value is None or type(value).__name__ in ("NAType", "NaTType") or value != value


def _check_flags(name: str, **flags: object) -> None:
    for flag, value in flags.items():
        if not isinstance(value, bool):
            raise FactorError(f'"{name}" has {flag} {value!r}; true or false was expected.')


def _measures_named(name: str, way: str, given: Sequence[str]) -> tuple[str, ...]:
    """Return the measures that a factor is known to raise or lower, as a tuple of names."""
    for one in given:
        if not one.strip():
            raise FactorError(f'"{name}" has {way} {one!r}; the name of a measure was expected.')
    return tuple(given)


def finite(name: str, value: Any) -> float:
    """Return a finite number; a FactorError, naming the factor, for anything else."""
    try:
        found = float(value)
    except (TypeError, ValueError):
        raise FactorError(f'"{name}" has {value!r} where a number was expected.') from None
    if not np.isfinite(found):
        raise FactorError(f'"{name}" has {value!r} where a finite number was expected.')
    return found


def checked_range(name: str, low: Any, high: Any) -> tuple[float, float]:
    """Return the limits of a factor as numbers; a FactorError for none that can be used.

    Examples
    --------
    >>> checked_range("rest", 20, 60)
    (20.0, 60.0)
    """
    low, high = finite(name, low), finite(name, high)
    told = f'"{name}" runs from {tidy_number(low)} to {tidy_number(high)}; '
    if not low < high:
        raise FactorError(f"{told}the low setting must be below the high one.")
    if not np.isfinite(high - low):
        raise FactorError(f"{told}no computer reckons that far. Write it in a larger unit.")
    return low, high


def coded_settings(name: str, real: np.ndarray, low: float, high: float) -> np.ndarray:
    """Return settings coded -1 at the low limit and +1 at the high one.

    Examples
    --------
    >>> coded_settings("rest", np.array([20.0, 40.0]), 20, 60)
    array([-1.,  0.])
    """
    with np.errstate(over="ignore"):
        coded = 2 * (real - low) / (high - low) - 1
    beyond = np.flatnonzero(np.abs(coded) > _FURTHEST)
    if len(beyond):
        raise FactorError(
            f'"{name}" has the setting {tidy_number(real[beyond[0]])}, too far outside '
            f"{tidy_number(low)} to {tidy_number(high)} to be reckoned with; correct the setting, "
            "or the range of the factor."
        )
    return coded


def plain(level: object) -> Setting:
    """Return a level as Python's own text or number, whatever table it came from."""
    if isinstance(level, np.generic):
        level = level.item()
    return level.strip() if isinstance(level, str) else level  # type: ignore[return-value]


def key_of(level: object) -> str:
    """Return the text by which a level is known: 10, 10.0 and "10" are one level."""
    if isinstance(level, bool):
        return str(level)
    return tidy_number(float(level), 15) if isinstance(level, int | float) else str(level)


# -- What varies: numbers, kinds and shares of a blend, and what each changes in the bake.
#
# Inside a plan a numeric factor is coded so that its low setting is -1 and its high setting +1; a
# blend component stays the share it is; a categorical factor stays the kind it is.


_ROUNDED_CODE = 1e-9  # of the range: what rounding a code to nine decimals moves a setting by


class Varied(InWords):
    """What numbers, kinds and shares have in common: a list of several of them is a list of these.

    Without it a type checker would take such a list for one of just anything. What can be done
    with each kind stands in its own class; :data:`Factor` is any one of them.
    """


@checked_types(FactorError)
@dataclass(frozen=True)
class Numeric(Varied):
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
        ("grams", ingredient), ("flour share", flour) or ("cross", other formula), each with an
        optional part of the formula as a third element. None for a process setting. ("grams",
        ingredient) is its amount as the formula is written, in grams of a recipe in grams and in
        percent of one in percent, everything else staying the same grams: less flour, or none.
    settings : sequence of float, optional
        The only settings that can be made, when not every one between the limits can.
    step : float, optional
        The finest step that the kitchen can set, in `unit`.
    only_when : tuple, optional
        For a setting that exists only for some kinds of another factor (nested in it): that
        factor's name and those kinds, as in ("method", ["fried"]). Elsewhere it has no setting,
        changes nothing and shares nothing: a baked piece is in no oil fill.
    peak : bool
        True when you know that the best amount lies somewhere inside the limits, as bakers know of
        salt. Bakes at the ends alone say nothing of it; then the choice leans inwards by this
        word, says so, and a bake inside checks it.
    raises, lowers : sequence of str
        Measures of which you know that more of this raises, or lowers, them: less syrup is less
        sweet. What is expected keeps to it while the bakes leave it open, and says so; it is set
        aside, which is said too, where they are against it.
    by_hand : bool
        True when you see to it yourself, though it sounds like something that is weighed.

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
    peak: bool = field(default=False, repr=False)
    by_hand: bool = field(default=False, repr=False)
    raises: Sequence[str] = field(default=(), repr=False)
    lowers: Sequence[str] = field(default=(), repr=False)

    def __post_init__(self) -> None:
        check_name(self.name)
        _check_flags(self.name, peak=self.peak, by_hand=self.by_hand)
        for way in ("raises", "lowers"):
            object.__setattr__(self, way, _measures_named(self.name, way, getattr(self, way)))
        both = next((one for one in self.raises if one in self.lowers), None)
        if both is not None:
            raise FactorError(f'"{self.name}" both raises and lowers "{both}"; name it once.')
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
        changes = checked_change(self.name, self.changes)
        if changes and changes[0] in _OF_FLOUR and self.unit.strip().casefold() in WEIGHTS:
            raise FactorError(
                f'"{self.name}" is in {self.unit}, but ("{changes[0]}", "{changes[1]}") counts '
                f'percent of the flour: its unit is "%". The grams of an ingredient, as the recipe '
                'has them, are set by changes=("grams", its name).'
            )
        object.__setattr__(self, "changes", changes)
        object.__setattr__(self, "only_when", checked_when(self.name, self.only_when))

    @property
    def group(self) -> str | None:
        """The name of what bakes share when the factor is hard to change, else None."""
        return group_of(self.hard_to_change)

    @property
    def is_share(self) -> bool:
        """Whether it is the share of the other parent: 0 to 1 to reckon with, shown in percent."""
        crossed = self.changes is not None and self.changes[0] == "cross"
        return crossed and not self.unit and self.low >= 0 and self.high <= 1

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
        kind = getattr(values, "dtype", None)
        real = np.array([np.nan])
        if isinstance(kind, np.dtype) and kind.kind in "fiu":
            real = np.asarray(values, dtype=float)
        if not np.isfinite(real).all():
            # Finite numbers need no reading, which takes long for thousands of settings
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
        percent = self.is_share and isinstance(value, str) and value.strip().endswith("%")
        text = value.strip().rstrip("%") if percent and isinstance(value, str) else value
        found = number(text) if isinstance(text, str) else text
        if isinstance(found, bool | np.bool_) or found is None:
            raise FactorError(f'"{self.name}" has the setting {value!r}; a number was expected.')
        return finite(self.name, found) / (100 if percent else 1)

    def show(self, value: Setting) -> str:
        """Return a setting in words, with its unit; a share of the other parent in percent.

        Nothing of an ingredient that is counted by the flour is none of it.

        Examples
        --------
        >>> yeast = Numeric("yeast", 0, 7 / 3, "% of flour", changes=("percent", "dry yeast"))
        >>> yeast.show(7 / 3), yeast.show(0)
        ('2.33 % of flour', 'none')
        """
        if self.only_when and is_blank(value):
            return NO_SETTING
        if self.is_share:
            return f"{tidy_number(100 * self.read(value))} %"
        setting = self.read(value)
        if self.changes is None:
            return f"{tidy_number(setting)} {self.unit}".rstrip()
        if setting == 0 and self.unit == "% of flour" and self.changes[0] == "percent":
            return "none"
        return f"{_as_weighed(setting)} {self.unit}".rstrip()


def _as_weighed(setting: float) -> str:
    """Return what a formula is brought to, in figures that a cook reads: 85.9872 is none."""
    if abs(setting - round(setting, 2)) < _TYPED:
        return tidy_number(setting, WEIGHED)
    return tidy_number(round(setting, 1), WEIGHED) if setting >= 10 else tidy_number(setting, 3)


_TYPED = 1e-9  # from two decimals: what a baker wrote, which stays as it is


@checked_types(FactorError)
@dataclass(frozen=True)
class Categorical(Varied):
    """A factor that is a kind: which fat, which flour, which method.

    Parameters
    ----------
    name : str
        As the baker says it; any characters.
    levels : sequence of str or number
        At least two, all different. The first is the kind of the reference bake.
    hard_to_change, changes, only_when, by_hand
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
    by_hand: bool = field(default=False, repr=False)

    def __post_init__(self) -> None:
        check_name(self.name)
        _check_flags(self.name, by_hand=self.by_hand)
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
        object.__setattr__(self, "only_when", checked_when(self.name, self.only_when))

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


@checked_types(FactorError)
@dataclass(frozen=True)
class Component(Varied):
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


def check_factors(factors: Iterable[Varied]) -> tuple[Factor, ...]:
    """Return the factors as a tuple once they can stand in one plan.

    Examples
    --------
    >>> [factor.name for factor in check_factors([Numeric("rest", 20, 60, "min")])]
    ['rest']
    """
    known: list[Factor] = []
    for factor in factors:
        if not isinstance(factor, Numeric | Categorical | Component):
            raise FactorError(
                f"{factor!r} is not a factor; expected trials.Numeric(name, low, high), "
                "trials.Categorical(name, levels) or trials.Component(name)."
            )
        known.append(factor)
    if not known:
        raise FactorError("nothing varies; name at least one factor.")
    seen: set[str] = set()
    groups = {group.casefold() for group in group_names(known)}
    for factor in known:
        name = factor.name.casefold()
        if name in seen:
            raise FactorError(f'the factor "{factor.name}" appears twice.')
        if name in groups:
            raise FactorError(f'"{factor.name}" is both a factor and what its bakes share.')
        seen.add(name)
    for factor in known:
        _check_host(factor, known)
    return tuple(known)


def group_names(factors: Iterable[Factor]) -> tuple[str, ...]:
    """Return what hard-to-change factors share ("load", "dough"), in order of first use.

    Examples
    --------
    >>> group_names([Numeric("rest", 1, 2), Numeric("oil", 165, 180, hard_to_change=True)])
    ('load',)
    """
    return tuple(dict.fromkeys(factor.group for factor in factors if factor.group))


def _check_host(factor: "Factor", factors: Sequence["Factor"]) -> None:
    check_host(factor.name, factor.only_when, factors)


def check_host(what: str, when: OnlyWhen | None, factors: Sequence["Factor"]) -> None:
    """Refuse what exists only for some kinds of a factor that is not there or has not those kinds.

    Parameters
    ----------
    what : str
        A factor, a step, a heat or a part of the formula, as messages call it.
    when : tuple or None
    factors : sequence of Factor
    """
    if when is None:
        return
    name, kinds = when
    host = next((one for one in factors if one.name == name), None)
    if not isinstance(host, Categorical) or host.only_when:
        raise FactorError(
            f'"{what}" exists only for some kinds of "{name}", which is no factor of kinds '
            "that is always set."
        )
    for kind in kinds:
        host.read(kind)
    if len({key_of(kind) for kind in kinds}) >= len(host.levels):
        raise FactorError(f'"{what}" exists for every kind of "{name}"; leave only_when out.')


# -- Factors as plain data for a settings file, and back.


def factor_record(factor: Factor) -> dict[str, Any]:
    """Return a factor as plain data for a settings file; see :func:`factor_from`.

    Examples
    --------
    >>> factor_record(Component("rye flour", 0.1, 0.4))
    {'kind': 'component', 'name': 'rye flour', 'low': 0.1, 'high': 0.4}
    """
    record: dict[str, Any] = {"kind": type(factor).__name__.lower(), "name": factor.name}
    if isinstance(factor, Categorical):
        record["levels"] = list(factor.levels)
    else:
        record |= {"low": factor.low, "high": factor.high}
    if not isinstance(factor, Component):
        record |= {"unit": factor.unit, "hard_to_change": factor.hard_to_change}
        record |= {"by_hand": factor.by_hand}
    if isinstance(factor, Numeric):
        record |= {"centre": factor.centre, "settings": list(factor.settings), "step": factor.step}
        record |= {"peak": factor.peak}
        record |= {"raises": list(factor.raises), "lowers": list(factor.lowers)}
    if factor.changes:
        record["changes"] = [
            part.to_dict() if isinstance(part, Formula) else part for part in factor.changes
        ]
    if factor.only_when:
        record["only_when"] = [factor.only_when[0], list(factor.only_when[1])]
    return {key: value for key, value in record.items() if not _left_out(value)}


def _left_out(value: object) -> bool:
    # Not `value in (...)`: a limit of 0 equals False
    return value is None or value is False or value == "" or value == []


def kind_of(record: Mapping[str, Any]) -> str | None:
    """Return the kind of a factor's record; nobody need say that levels are kinds, limits a number.

    Examples
    --------
    >>> kind_of({"name": "fat", "levels": ["butter", "lard"]}), kind_of({"name": "fat"})
    ('categorical', None)
    """
    kinds, limits = "levels" in record, "low" in record or "high" in record
    if "kind" in record or kinds == limits:
        return record.get("kind")
    return "categorical" if kinds else "numeric"


def factor_from(record: Mapping[str, Any]) -> Factor:
    """Return the factor that :func:`factor_record` wrote; its kind follows from what it has.

    Examples
    --------
    >>> factor_from(factor_record(Component("rye flour", 0.1, 0.4))).high
    0.4
    """
    kinds = {"numeric": Numeric, "categorical": Categorical, "component": Component}
    fields = dict(record)
    kind = kind_of(fields)
    fields.pop("kind", None)
    if kind not in kinds:
        found = "no kind" if kind is None else f"the kind {kind!r}"
        raise FactorError(
            f"the factor {record.get('name')!r} has {found}; expected low and high for a number, "
            f"levels for kinds, or a kind ({in_words(kinds, 'or')})."
        )
    if "changes" in fields:
        fields["changes"] = tuple(
            Formula.from_dict(part) if isinstance(part, Mapping) else part
            for part in fields["changes"]
        )
    if "only_when" in fields:
        fields["only_when"] = tuple(fields["only_when"])
    try:
        return kinds[kind](**fields)
    except TypeError as error:
        raise FactorError(f"the factor {record.get('name')!r}: {error}.") from None


# -- Settings that exist only for some kinds of another factor: a fry heat only where it is fried.


def exists(factor: Factor, table: Mapping[str, Any]) -> np.ndarray | None:
    """Return at which rows of a table a factor has a setting; None where at all of them.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> heat = Numeric("fry heat", 165, 180, only_when=("method", ["fried"]))
    >>> exists(heat, {"method": ["fried", "baked"]})
    array([ True, False])
    """
    if factor.only_when is None:
        return None
    return np.array(
        [
            holds(factor.only_when, {factor.only_when[0]: value})
            for value in table[factor.only_when[0]]
        ],
        dtype=bool,
    )


def holds(when: OnlyWhen | None, settings: Mapping[str, Any]) -> bool:
    """Say whether something exists at the settings of a bake: always when nothing is said.

    Examples
    --------
    >>> holds(("method", ("fried",)), {"method": "baked"}), holds(None, {})
    (False, True)
    """
    return when is None or key_of(plain(settings[when[0]])) in set(map(key_of, when[1]))


def check_nested(
    factors: Iterable[Factor], table: Mapping[str, Any], rows: Sequence[int] | None = None
) -> None:
    """Refuse settings that stand where there is none, or lack where there must be one.

    Rows are counted as given, or as a spreadsheet does, the headings being row 1.
    """
    for factor in factors:
        there = exists(factor, table)
        if there is None or factor.only_when is None:
            continue
        given = ~np.array([is_blank(value) for value in table[factor.name]])
        wrong = np.flatnonzero(given != there)
        if len(wrong):
            host, kinds = factor.only_when
            told = "has no setting" if there[wrong[0]] else "has a setting"
            row = wrong[0] + 2 if rows is None else rows[wrong[0]]
            raise FactorError(
                f'"{factor.name}" {told} in row {row}, where "{host}" is '
                f"{list(table[host])[wrong[0]]}; it is set only where that is "
                f"{in_words(kinds, 'or')}."
            )


def can_meet(factors: Iterable[Factor]) -> bool:
    """Say whether factors can work together.

    A nested one can not with the factor it is nested in, nor two that never exist in one bake.

    Examples
    --------
    >>> from trials.core.factors import Categorical, Numeric
    >>> method = Categorical("method", ["fried", "baked"])
    >>> heat = Numeric("fry heat", 165, 180, only_when=("method", ["fried"]))
    >>> can_meet([method, heat]), can_meet([heat, Numeric("rest", 20, 60)])
    (False, True)
    """
    held = list(factors)
    names = {factor.name for factor in held}
    shared: dict[str, set] = {}
    for factor in held:
        if factor.only_when is None:
            continue
        host, kinds = factor.only_when
        shared[host] = shared.get(host, set(kinds)) & set(kinds)
        if host in names or not shared[host]:
            return False
    return True
