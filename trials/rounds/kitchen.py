"""What a kitchen has: batch, scales, prices, steps, things, heat, the working day."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from math import ceil, isfinite
from numbers import Real
from typing import Any

from trials.base.arguments import checked_types
from trials.base.errors import RoundError
from trials.base.words import InWords, in_words, tidy_number
from trials.core.factors import Numeric, OnlyWhen, check_host, checked_when, holds, is_blank
from trials.core.plan import MIXED_ONCE, Plan

# -- How much of a bake is made, on which scales it is weighed, and what its ingredients cost.


DOUGH = 500.0  # grams of a batch when nothing is said; common practice, no source
SCALES = (1.0, 0.1)  # what kitchen scales show, grams


def said(table: str, record: Any, names: Sequence[str]) -> dict[str, Any]:
    """Return what a table of a settings file says, once every word in it is known.

    Examples
    --------
    >>> said("batch", {"piece": 40}, ("pieces", "piece"))
    {'piece': 40}
    """
    if not isinstance(record, Mapping):
        raise RoundError(f"[{table}] is {record!r}; a table with {in_words(names, 'or')} is meant.")
    strange = [name for name in record if name not in names]
    if strange:
        raise RoundError(f'[{table}] says "{strange[0]}"; it may say {in_words(names, "or")}.')
    return dict(record)


def amount(value: Any) -> float | None:
    """Return a finite number as it is, and nothing for whatever is none.

    Examples
    --------
    >>> amount(3), amount("3"), amount(True)
    (3.0, None, None)
    """
    good = isinstance(value, Real) and not isinstance(value, bool) and isfinite(float(value))
    return float(value) if good else None


@checked_types(RoundError, scales=float | Sequence[float])
@dataclass(frozen=True)
class Batch(InWords):
    """How much of a bake is made, and on which scales it is weighed.

    Parameters
    ----------
    dough : float, optional
        Grams of dough; 500 when neither this nor pieces are given.
    pieces, piece : int, float, optional
        How many, and grams of each.
    loss : float
        Percent lost on the way: in the bowl, on the bench, and in the oven or oil where the
        weight of a baked piece is given.
    scales : sequence of float
        What each scale shows, grams.
    smallest : float, optional
        Grams of the least dough that can be mixed well; a bake that takes less is divided from a
        larger dough, or so much is mixed and the rest of it left over.

    Raises
    ------
    RoundError
        When both a dough weight and pieces are given, or pieces without their weight.

    Examples
    --------
    >>> Batch(pieces=12, piece=40).grams, Batch().grams
    (480.0, 500.0)
    """

    dough: float | None = None
    pieces: int | None = None
    piece: float | None = None
    loss: float = 0.0
    scales: Sequence[float] = SCALES
    smallest: float | None = None

    def __post_init__(self) -> None:
        if self.pieces is not None and (self.piece is None or self.dough is not None):
            raise RoundError("say a dough weight, or pieces with the weight of one; not both.")
        for name in ("dough", "pieces", "piece", "smallest"):
            value = getattr(self, name)
            if value is not None and not (amount(value) or 0) > 0:
                raise RoundError(f"{name} is {value!r}; a number above 0 was expected.")
        if self.pieces is not None and self.pieces != int(self.pieces):
            raise RoundError(f"pieces is {self.pieces!r}; a whole number was expected.")
        if amount(self.loss) is None or not 0 <= self.loss < 100:
            raise RoundError(f"loss is {self.loss!r} %; 0 to less than 100 was expected.")
        scales = self.scales if isinstance(self.scales, Sequence) else (self.scales,)
        if not scales or not all((amount(step) or 0) > 0 for step in scales):
            raise RoundError(f"scales is {self.scales!r}; grams above 0 were expected: [1, 0.1].")
        object.__setattr__(self, "scales", tuple(float(step) for step in scales))

    @property
    def grams(self) -> float:
        """Grams of dough that are to come out of the bowl."""
        if self.pieces is not None and self.piece is not None:
            return float(self.pieces * self.piece)
        return float(DOUGH if self.dough is None else self.dough)

    @property
    def count(self) -> int | None:
        """How many whole pieces the dough makes; None when a piece's weight is not said."""
        if self.pieces is not None:
            return int(self.pieces)
        return None if self.piece is None else int(self.grams // self.piece)

    @property
    def bakes_a_dough(self) -> int:
        """The fewest bakes that the smallest dough which can be mixed well makes.

        Examples
        --------
        >>> Batch(dough=200, smallest=500).bakes_a_dough
        3
        """
        return ceil((self.smallest or 0) / self.grams - 1e-9) or 1


@checked_types(RoundError)
@dataclass(frozen=True)
class Prices(InWords):
    """What ingredients cost.

    Parameters
    ----------
    per_kilogram : mapping of str to float
    currency : str
        Such as "EUR"; a price without one is refused.

    Raises
    ------
    RoundError
        When the currency is missing or a price is no number of 0 or more.
    """

    per_kilogram: Mapping[str, float]
    currency: str

    def __post_init__(self) -> None:
        if self.per_kilogram and not str(self.currency).strip():
            raise RoundError('prices need a currency, such as "EUR"; none was given.')
        for name, price in self.per_kilogram.items():
            if amount(price) is None or not price >= 0:
                raise RoundError(f'"{name}" costs {price!r} a kilogram; 0 or more was expected.')


def batch_record(batch: Batch) -> dict[str, Any]:
    """Return a batch as plain data for a settings file; see :func:`batch_from`.

    Examples
    --------
    >>> batch_record(Batch(pieces=12, piece=40))
    {'pieces': 12, 'piece': 40}
    """
    record = {name: getattr(batch, name) for name in ("dough", "pieces", "piece", "smallest")}
    kept = {name: value for name, value in record.items() if value is not None}
    if batch.loss:
        kept["loss"] = batch.loss
    return kept | ({} if batch.scales == SCALES else {"scales": list(batch.scales)})


def batch_from(record: Mapping[str, Any]) -> Batch:
    """Return the batch that :func:`batch_record` wrote, or that a person wrote by hand.

    Examples
    --------
    >>> batch_from({"pieces": 12, "piece": 40}).grams
    480.0
    """
    known = ("dough", "pieces", "piece", "smallest", "loss", "scales")
    return Batch(**said("batch", record, known))


def prices_record(prices: Prices) -> dict[str, Any]:
    """Return prices as plain data for a settings file; see :func:`prices_from`.

    Examples
    --------
    >>> prices_record(Prices({"butter": 9.5}, "EUR"))
    {'currency': 'EUR', 'per_kilogram': {'butter': 9.5}}
    """
    return {"currency": prices.currency, "per_kilogram": dict(prices.per_kilogram)}


def prices_from(record: Mapping[str, Any]) -> Prices:
    """Return the prices that :func:`prices_record` wrote.

    Examples
    --------
    >>> prices_from({"currency": "EUR", "per_kilogram": {"butter": 9.5}}).currency
    'EUR'
    """
    known = said("prices", record, ("currency", "per_kilogram"))
    return Prices(known.get("per_kilogram", {}), known.get("currency", ""))


# -- What a kitchen has and what a bake goes through: steps, things, heating, the working day.


# Two hours at room temperature is the common consumer advice (from memory, no source at hand);
# it is counted from the moment a bake leaves the heat, as if it were cool at once.
SAFE_MINUTES = 120
HANDS = "hands"
ANY_OF_IT = ("with",)  # of an amount that bakes may be without: a step of those that have some
DAY = 24 * 60


@checked_types(RoundError)
@dataclass(frozen=True)
class Step(InWords):
    """One step that a bake, a load or a day goes through.

    Parameters
    ----------
    name : str
        As the sheet says it: "mix the batter".
    minutes : float or str
        How long; or the name of a factor in minutes, and each bake takes its own setting.
    needs : sequence of str or str
        What it occupies all the while: "hands", "pot", "oven" or a thing of your own; nothing
        for rests and soaks. Frying, and what stands on a griddle or in a pan, always has hands.
    per : str
        "bake", "day", or what bakes share ("load", "dough"): done once for all of them, before
        their own steps.
    wait : float, optional
        The most minutes the next step may keep it waiting: 0 for a proof that must not run on.
        Any when left out; the timetable then does it as late as the heat allows.
    only_when : tuple, optional
        A factor and the kinds of it for which there is the step, as in ("method", ["fried"]); of
        an amount, the bakes that have any: ("dry yeast", ["with"]).

    Examples
    --------
    >>> Step("fry", 6, ("pot", "hands")).needs
    ('pot', 'hands')
    """

    name: str
    minutes: float | str
    needs: Sequence[str] | str = ()
    per: str = "bake"
    wait: float | None = None
    only_when: OnlyWhen | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise RoundError(f"a step is called {self.name!r}; say what is done, in a few words.")
        needs = (self.needs,) if isinstance(self.needs, str) else tuple(self.needs)
        object.__setattr__(self, "needs", tuple(one for one in needs if one and one != "none"))
        if not isinstance(self.minutes, str) and not _length(self.minutes):
            raise RoundError(
                f'"{self.name}" takes {self.minutes!r} minutes; 0 or more was expected.'
            )
        if self.wait is not None and not _length(self.wait):
            raise RoundError(
                f'"{self.name}" may wait {self.wait!r} minutes; 0 or more was expected.'
            )
        object.__setattr__(self, "only_when", checked_when(self.name, self.only_when))

    def is_for(self, settings: Mapping[str, Any]) -> bool:
        """Whether a bake of these settings has the step: not when its minutes do not exist there.

        Examples
        --------
        >>> Step("fry", "frying time").is_for({"frying time": ""})
        False
        >>> Step("fry", 6, only_when=("method", ["fried"])).is_for({"method": "baked"})
        False
        >>> Step("rise", 60, only_when=("dry yeast", ["with"])).is_for({"dry yeast": 0.0})
        False
        """
        if isinstance(self.minutes, str) and is_blank(settings[self.minutes]):
            return False
        if self.only_when and self.only_when[1] == ANY_OF_IT:
            there = amount(settings[self.only_when[0]])
            if there is not None:
                return there > 0
        return holds(self.only_when, settings)


@checked_types(RoundError)
@dataclass(frozen=True)
class Heat(InWords):
    """Something that is brought to a setting and holds it for a load: a pot of oil, an oven.

    Somebody stays with oil, a pan or a griddle from the moment it is switched on; it is switched
    off whenever nobody does, cools meanwhile, and is brought back.

    Parameters
    ----------
    thing : str
        What it is among the things of the kitchen: "pot", "oven".
    factor : str
        The factor that sets it; empty when it is always the same.
    setting : float
        Its setting without a factor, in the factor's unit.
    room : float
        Where it starts in the morning.
    up, down : float
        Degrees a minute when heating and when cooling. Time yours once; the defaults, and the
        two below, are common practice, no source.
    between_loads, between_bakes : float
        Minutes for a fresh fill, and for the heat to come back after a bake.
    only_when : tuple, optional
        As for a step: an oven that is heated only for what is baked in it.

    Examples
    --------
    >>> oil = Heat("pot", "oil temperature", up=6, down=1.5)
    >>> oil.minutes(180, 165), oil.minutes(165, 180), oil.minutes(None, 180)
    (10, 3, 27)
    """

    thing: str
    factor: str = ""
    setting: float = 180.0
    room: float = 20.0
    up: float = 6.0
    down: float = 1.5
    between_loads: float = 0.0
    between_bakes: float = 3.0
    only_when: OnlyWhen | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "only_when", checked_when(self.thing, self.only_when))
        if not (amount(self.up) or 0) > 0 or not (amount(self.down) or 0) > 0:
            raise RoundError(f"the {self.thing} needs degrees a minute above 0, up and down.")
        for name in ("setting", "room", "between_loads", "between_bakes"):
            value = getattr(self, name)
            if amount(value) is None or (name.startswith("between") and value < 0):
                raise RoundError(f"the {self.thing} has {name} = {value!r}; a number is meant.")

    def minutes(self, before: float | None, after: float) -> int:
        """Return the minutes from one setting to the next; from cold when there is none before."""
        change = after - (self.room if before is None else before)
        return ceil(change / self.up if change > 0 else -change / self.down)


def heat_to_write(heat: Heat) -> str:
    """Return how a heat is written in the file of answers, in short.

    Examples
    --------
    >>> print(heat_to_write(Heat("fried in oil", setting=175)))
    [[kitchen.heats]], thing = "fried in oil", setting = 175, up = 6 (degrees a minute; a line each)
    """
    said = [f'thing = "{heat.thing}"']
    said += [f'factor = "{heat.factor}"' if heat.factor else _says(heat, "setting")]
    usual = Heat(heat.thing)
    said += [_says(heat, "room")] if heat.room != usual.room else []
    said += [_says(heat, "up")]
    said += [_says(heat, "down")] if heat.down != usual.down else []
    return f"[[kitchen.heats]], {', '.join(said)} (degrees a minute; a line each)"


def _says(heat: Heat, name: str) -> str:
    return f"{name} = {tidy_number(getattr(heat, name))}"


@checked_types(RoundError)
@dataclass(frozen=True)
class Kitchen(InWords):
    """What there is to work with, and when.

    Parameters
    ----------
    things : mapping of str to int
        How many of each: hands are people.
    heats : tuple of Heat
    start, until : str
        The working day, on a 24-hour clock.
    safe : int
        Minutes from leaving the heat to the last safe bite; of what is not heated, from ready.
    fresh : int, optional
        Minutes from ready within which you want it tasted, if that is sooner.
    oil_fill : float
        Grams of frying oil in a fresh fill, one for each load; 0 where nothing is fried.
    """

    things: Mapping[str, int] = field(default_factory=lambda: {"hands": 1, "pot": 1, "oven": 1})
    heats: Sequence[Heat] = ()
    start: str = "9:00"
    until: str = "18:00"
    safe: int = SAFE_MINUTES
    fresh: int | None = None
    oil_fill: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "heats", tuple(self.heats))
        for thing, count in self.things.items():
            if isinstance(count, bool) or not isinstance(count, int) or count < 0:
                raise RoundError(f'there are {count!r} of "{thing}"; a whole number is meant.')
        if not clock_minutes(self.start) < clock_minutes(self.until):
            raise RoundError(f"the day runs from {self.start} to {self.until}; say when it ends.")
        for name in ("safe", "fresh"):
            minutes = getattr(self, name)
            if minutes is not None and not (amount(minutes) or 0) > 0:
                raise RoundError(f"{name} is {minutes!r} minutes; a number above 0 is meant.")
        if amount(self.oil_fill) is None or self.oil_fill < 0:
            raise RoundError(f"oil_fill is {self.oil_fill!r} g; 0 or more was expected.")


def check_steps(plan: Plan, steps: Sequence[Step], kitchen: Kitchen) -> None:
    """Raise a RoundError when steps can not be done in a kitchen, naming the first that can not."""
    factors = {factor.name: factor for factor in plan.factors}
    for heat in kitchen.heats:
        check_host(heat.thing, heat.only_when, plan.factors)
    for step in steps:
        host, kinds = step.only_when or ("", ())
        if kinds != ANY_OF_IT or not isinstance(factors.get(host), Numeric):
            check_host(step.name, step.only_when, plan.factors)
    own = False
    for step in steps:
        _check_step(plan, step, kitchen)
        if own and step.per != "bake":
            raise RoundError(
                f'"{step.name}" is done once per {step.per}; name it before the steps of a bake.'
            )
        own = own or step.per == "bake"
    if not own:
        raise RoundError("no step is done per bake; name at least the one that bakes it.")
    for heat in kitchen.heats:
        if heat.factor and not isinstance(factors.get(heat.factor), Numeric):
            raise RoundError(
                f'the {heat.thing} is set by "{heat.factor}", which is no factor that is a number.'
            )


# How a step that is done to the whole dough is called
_MIXING = re.compile(
    r"\b(mix|knead|whisk|cream|rub in|stir|make the (dough|batter))", re.IGNORECASE
)


def is_mixing(name: str) -> bool:
    """Say whether a step makes the dough.

    Examples
    --------
    >>> [is_mixing(name) for name in ("mix and shape", "knead", "roll out")]
    [True, True, False]
    """
    return bool(_MIXING.search(name))


_WEIGHING = re.compile(r"\b(weigh|scale|measure)\b", re.IGNORECASE)


def is_weighing(name: str) -> bool:
    """Say whether a step only weighs what is mixed later.

    Examples
    --------
    >>> [is_weighing(name) for name in ("weigh dry goods", "weigh and mix", "shape")]
    [True, False, False]
    """
    return bool(_WEIGHING.search(name)) and not is_mixing(name)


def steps_of_doughs(steps: Sequence[Step], plan: Plan) -> tuple[tuple[Step, ...], list[str]]:
    """Return steps with those of the mixing done once for each dough, and a word on them.

    Only where doughs are divided and no step says so itself; where each bake is a dough of its
    own, a step that is said to be done per dough is done per bake.

    Parameters
    ----------
    steps : sequence of Step
    plan : Plan
    """
    if not set(MIXED_ONCE) & set(plan.groups):
        return tuple(replace(s, per="bake") if s.per in MIXED_ONCE else s for s in steps), []
    if any(step.per in MIXED_ONCE for step in steps):
        return tuple(steps), []
    group = next(one for one in plan.groups if one in MIXED_ONCE)
    mixing = [at for at, step in enumerate(steps) if is_mixing(step.name)]
    last = next((at for at in mixing if at + 1 not in mixing), -1)
    own = [at for at in range(last + 1) if steps[at].per == "bake"]
    if not own or any(steps[at].only_when or isinstance(steps[at].minutes, str) for at in own):
        return tuple(steps), []
    names = in_words(steps[at].name for at in own)
    said = f'Once for each dough: {names}. Another step of the dough says per = "{group}".'
    return tuple(replace(s, per=group) if at in own else s for at, s in enumerate(steps)), [said]


def _check_step(plan: Plan, step: Step, kitchen: Kitchen) -> None:
    factors = [factor.name for factor in plan.factors if isinstance(factor, Numeric)]
    for thing in step.needs:
        if kitchen.things.get(thing, 0) < 1:
            have = in_words((name for name, count in kitchen.things.items() if count), "or")
            raise RoundError(
                f'"{step.name}" needs "{thing}", which this kitchen does not have; it has '
                f"{have}. A rest needs nothing."
            )
    if isinstance(step.minutes, str) and step.minutes not in factors:
        raise RoundError(
            f'"{step.name}" takes its minutes from "{step.minutes}", which is no factor; '
            f"expected a number or one of {in_words(sorted(factors), 'or')}."
        )
    shares = ("bake", "day", *plan.groups)
    if step.per not in shares:
        raise RoundError(f'"{step.name}" is per "{step.per}"; expected {in_words(shares, "or")}.')


def _length(minutes: Any) -> bool:
    found = amount(minutes)
    return found is not None and found >= 0


def step_record(step: Step) -> dict[str, Any]:
    """Return a step as plain data for a settings file; see :func:`step_from`.

    Examples
    --------
    >>> step_record(Step("fry", 6, ("pot", "hands")))
    {'name': 'fry', 'minutes': 6, 'needs': ['pot', 'hands'], 'per': 'bake'}
    """
    record = {"name": step.name, "minutes": step.minutes, "needs": list(step.needs)}
    record["per"] = step.per
    record |= {} if step.wait is None else {"wait": step.wait}
    return record | ({"only_when": _when_record(step.only_when)} if step.only_when else {})


def _when_record(when: OnlyWhen) -> list[Any]:
    return [when[0], list(when[1])]


def step_from(record: Mapping[str, Any]) -> Step:
    """Return the step that :func:`step_record` wrote, or that a person wrote by hand.

    Examples
    --------
    >>> step_from({"name": "rest", "minutes": "rest"}).needs
    ()
    """
    known = said("steps", record, ("name", "minutes", "needs", "per", "wait", "only_when"))
    if not {"name", "minutes"} <= set(known):
        raise RoundError(f"[steps]: a step has a name and minutes; found {in_words(known)}.")
    return Step(**known)


def kitchen_record(kitchen: Kitchen) -> dict[str, Any]:
    """Return a kitchen as plain data for a settings file; see :func:`kitchen_from`.

    Examples
    --------
    >>> kitchen_record(Kitchen())["things"]
    {'hands': 1, 'pot': 1, 'oven': 1}
    """
    record = {"start": kitchen.start, "until": kitchen.until, "safe": kitchen.safe}
    record |= {} if kitchen.fresh is None else {"fresh": kitchen.fresh}
    record |= {"oil_fill": kitchen.oil_fill} if kitchen.oil_fill else {}
    heats = [
        {key: value for key, value in asdict(heat).items() if key != "only_when"}
        | ({"only_when": _when_record(heat.only_when)} if heat.only_when else {})
        for heat in kitchen.heats
    ]
    return record | {"things": dict(kitchen.things)} | ({"heats": heats} if heats else {})


def kitchen_from(record: Mapping[str, Any]) -> Kitchen:
    """Return the kitchen that :func:`kitchen_record` wrote, or that a person wrote by hand.

    Examples
    --------
    >>> kitchen_from({"until": "17:00", "heats": [{"thing": "oven", "factor": "oven"}]}).until
    '17:00'
    """
    known = said("kitchen", record, tuple(one.name for one in fields(Kitchen)))
    words = tuple(one.name for one in fields(Heat))
    heats = [said("kitchen.heats", one, words) for one in known.get("heats", ())]
    if any("thing" not in one for one in heats):
        raise RoundError("[kitchen.heats]: say which thing is heated, such as oven or pot.")
    return Kitchen(**known | {"heats": tuple(Heat(**one) for one in heats)})


def clock_minutes(text: str) -> int:
    """Return the minutes after midnight of a time on a 24-hour clock.

    Examples
    --------
    >>> clock_minutes("9:05")
    545
    """
    hours, colon, minutes = str(text).strip().partition(":")
    if not colon or not (hours + minutes).isdecimal() or not int(hours) < 24:
        raise RoundError(f"{text!r} is not a time; expected one such as 9:30 or 18:00.")
    if len(minutes) != 2 or int(minutes) > 59:
        raise RoundError(f"{text!r} is not a time; the minutes run from 00 to 59.")
    return 60 * int(hours) + int(minutes)


def clock(minutes: int) -> str:
    """Return minutes after midnight as a clock shows them; past midnight the next day is said.

    Examples
    --------
    >>> clock(545), clock(1500)
    ('9:05', '1:00 next day')
    """
    days, left = divmod(int(minutes), DAY)
    later = "" if not days else " next day" if days == 1 else f" {days} days later"
    return f"{left // 60}:{left % 60:02d}{later}"
