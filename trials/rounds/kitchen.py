"""What a kitchen has and what a bake goes through: steps, things, heating, the working day."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil

from trials.errors import RoundError

# Two hours at room temperature is the common consumer advice (from memory, no source at hand);
# it is counted from the moment a bake is ready, as if it were cool at once.
SAFE_MINUTES = 120
DAY = 24 * 60


@dataclass(frozen=True)
class Step:
    """One step that a bake, a load or a day goes through.

    Parameters
    ----------
    name : str
        As the sheet says it: "mix the batter".
    minutes : float or str
        How long; or the name of a factor in minutes, and each bake takes its own setting.
    needs : sequence of str or str
        What it occupies all the while: "hands", "pot", "oven" or a thing of your own; nothing
        for rests and soaks.
    per : str
        "bake", "day", or what bakes share ("load", "dough"): done once for all of them, before
        their own steps.
    wait : float, optional
        The most minutes the next step may keep it waiting: 0 for a proof that must not run on.
        Any when left out.

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

    def __post_init__(self) -> None:
        needs = (self.needs,) if isinstance(self.needs, str) else tuple(self.needs)
        object.__setattr__(self, "needs", tuple(one for one in needs if one and one != "none"))
        if not isinstance(self.minutes, str) and not float(self.minutes) >= 0:
            raise RoundError(f'"{self.name}" takes {self.minutes} minutes; 0 or more was expected.')
        if self.wait is not None and not float(self.wait) >= 0:
            raise RoundError(f'"{self.name}" may wait {self.wait} minutes; 0 or more was expected.')


@dataclass(frozen=True)
class Heat:
    """Something that is brought to a setting and holds it for a load: a pot of oil, an oven.

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

    def __post_init__(self) -> None:
        if not self.up > 0 or not self.down > 0:
            raise RoundError(f"the {self.thing} needs degrees a minute above 0, up and down.")

    def minutes(self, before: float | None, after: float) -> int:
        """Return the minutes from one setting to the next; from cold when there is none before."""
        change = after - (self.room if before is None else before)
        return ceil(change / self.up if change > 0 else -change / self.down)


@dataclass(frozen=True)
class Kitchen:
    """What there is to work with, and when.

    Parameters
    ----------
    things : mapping of str to int
        How many of each: hands are people.
    heats : tuple of Heat
    start, until : str
        The working day, on a 24-hour clock.
    safe : int
        Minutes from ready to the last safe bite.
    fresh : int, optional
        Minutes within which you want it tasted, if shorter.
    """

    things: Mapping[str, int] = field(default_factory=lambda: {"hands": 1, "pot": 1, "oven": 1})
    heats: tuple[Heat, ...] = ()
    start: str = "9:00"
    until: str = "18:00"
    safe: int = SAFE_MINUTES
    fresh: int | None = None


def clock_minutes(text: str) -> int:
    """Return the minutes after midnight of a time on a 24-hour clock.

    Raises
    ------
    RoundError
        When it is not a time.

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
