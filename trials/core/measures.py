"""What is scored or measured on a bake: its scale, its goal and what is worth noticing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, assert_never

import numpy as np

from trials.base.arguments import checked_types
from trials.base.errors import MeasureError
from trials.base.words import InWords, in_words, tidy_number
from trials.core.scales import (
    KINDS,
    Field,
    Intensity,
    Line,
    ManyOf,
    Number,
    OneOf,
    Order,
    Refusal,
    Rule,
    Scale,
    Summary,
    Text,
    Told,
    scale_of,
)


@checked_types(MeasureError)
@dataclass(frozen=True)
class Measure(InWords):
    """Something scored at the table or measured on a bake.

    Parameters
    ----------
    name : str
        As the ballot and the sheets show it.
    scale : str or tuple
        "hedonic 9" (liking, 1 to 9), ("intensity", low, high) (a line from little to much),
        "just about right 5", "number" (weighed or measured), "passed" (yes or no),
        "check all" (which of `words` apply), "ranking" (the pieces of a sitting in order, 1 for
        the first) or "words" (a person's own).
    unit : str
        Of a number.
    per : "tasting" or "bake"
        Scored by every taster, or once on each bake.
    goal : optional
        "higher", "lower", ("target", x, tolerance) or ("between", a, b). A ranking with a goal
        decides: "higher" where the first place is the best, "lower" where the last is; it is then
        reckoned as the share of the others at the sitting that a bake was ahead of.
    worth_noticing : float, optional
        The smallest difference, in units of the scale, that would change what you do. When left
        out it is 0.7 for liking and a tenth of the line for an intensity, and the findings say
        so; for a number there is no default, and nothing is then called too small to matter.
    words : sequence of str
        What can be ticked on a "check all".
    anchors : sequence of str
        Your own words for the ends of a line, or for every point of a scale, lowest first; of a
        ranking for the first and the last place.

    Raises
    ------
    MeasureError
        When the scale, the goal or the difference can not be used.

    References
    ----------
    ISO 5492, "hedonic", "intensity", "scale"; Peryam & Pilgrim 1957 for the nine words;
    ISO 8587 for ranking.

    Examples
    --------
    >>> liking = Measure("liking", "hedonic 9", goal="higher")
    >>> liking.low, liking.high, liking.margin
    (1.0, 9.0, 0.7)
    >>> Measure("crispness", ("intensity", 0, 10)).read("7,5")
    7.5
    """

    name: str
    scale: Any
    unit: str = ""
    per: str = "tasting"
    goal: Any = None
    worth_noticing: float | None = None
    words: Sequence[str] = ()
    anchors: Sequence[str] = ()
    _kind: Scale = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise MeasureError(f"a measure needs a name; found {self.name!r}.")
        if self.name.casefold() in ("day", "load", "bake", "role", "taster", "status", "code"):
            raise MeasureError(f'"{self.name}" is a column that every table of scores has.')
        if self.per not in ("tasting", "bake"):
            raise MeasureError(f'"{self.name}" is per {self.per!r}; expected "tasting" or "bake".')
        if self.worth_noticing is not None and not float(self.worth_noticing) > 0:
            raise MeasureError(f'"{self.name}": worth_noticing must be above 0.')
        for told in ("words", "anchors"):
            object.__setattr__(self, told, _listed_words(self.name, told, getattr(self, told)))
        kind = _kind(self)
        object.__setattr__(self, "_kind", kind)
        if isinstance(kind, Intensity):
            object.__setattr__(self, "scale", (kind.text, kind.low, kind.high))
        object.__setattr__(self, "goal", _checked_goal(self.name, self.goal))
        if self.goal is not None and not kind.ordered:
            raise MeasureError(
                f'"{self.name}" has the goal {self.goal!r}, but of a {kind.text!r} no answer is '
                "better than another. Leave the goal out, or score it on a scale."
            )

    @property
    def field(self) -> Field:
        """What an answer looks like, as plain data; see :mod:`trials.core.scales`."""
        return self._kind.field

    @property
    def rule(self) -> Rule:
        """What a cell of a sheet takes, as plain data."""
        return self._kind.rule

    @property
    def summary(self) -> Summary:
        """How many answers become one finding."""
        return self._kind.summary

    @property
    def averaged(self) -> bool:
        """Whether its findings are means, so that a setting can be chosen by its goal."""
        return self.summary is Summary.MEAN

    @property
    def liking(self) -> bool:
        """Whether it asks how well something is liked."""
        return self._kind.liking

    @property
    def place(self) -> int:
        """Where a ballot asks it: liking first, then the parts."""
        return self._kind.place

    @property
    def low(self) -> float | None:
        """The lowest score of the scale; None for a number."""
        return self._kind.low

    @property
    def high(self) -> float | None:
        """The highest score of the scale; None for a number."""
        return self._kind.high

    @property
    def span(self) -> float:
        """How far apart the ends of its scale are; endless where one is open."""
        if self.low is None or self.high is None:
            return float("inf")
        return self.high - self.low

    def on_scale(self, values: Any) -> Any:
        """Return what is expected, within the ends of the scale: a score can not lie off it.

        Examples
        --------
        >>> Measure("liking", "hedonic 9").on_scale([-3.0, 6.0, 12.0]).tolist()
        [1.0, 6.0, 9.0]
        """
        least = -np.inf if self.low is None else self.low
        most = np.inf if self.high is None else self.high
        return np.clip(values, least, most)

    @property
    def unit_word(self) -> str:
        """The unit as it stands behind a number: points, or the unit of what is measured."""
        return self._kind.unit_word

    @property
    def margin(self) -> float | None:
        """The smallest difference worth noticing, the default where none was given."""
        if self.worth_noticing is not None:
            return float(self.worth_noticing)
        return self._kind.margin

    @property
    def margin_source(self) -> str:
        """Where the margin comes from, in words."""
        if self.worth_noticing is not None:
            return f"{tidy_number(self.worth_noticing)}, as you said"
        if self.margin is None:
            return "no smallest difference was named"
        return f"{tidy_number(self.margin)}, the usual default; name your own if it differs"

    @property
    def in_numbers(self) -> bool:
        """Whether its values are numbers; ticked words and words of one's own are text."""
        match self.field:
            case OneOf() | Line() | Order() | Number():
                return True
            case ManyOf() | Text():
                return False
            case never:
                assert_never(never)

    def expects(self) -> str:
        """Return in words what may be entered."""
        return self._kind.expects()

    def read(self, text: str) -> float | str:
        """Return the value of what was entered.

        Parameters
        ----------
        text : str
            As typed; a decimal comma is read as a point.

        Returns
        -------
        float or str
            A number (1 and 0 for yes and no); for a "check all" the ticked words in the order
            of `words`, joined by "; ", or "none" where none was ticked on purpose.

        Raises
        ------
        MeasureError
            When it is not on the scale.
        """
        found = self.entry(text)
        if isinstance(found, Refusal):
            raise MeasureError(str(found))
        return found

    def entry(self, text: str) -> float | str | Refusal:
        """Return the value of what was entered, or why it is none, as plain data."""
        return self._kind.read(text.strip())


def measure_named(one: Measure | str) -> Measure:
    """Return a measure; of a name alone the one that everybody scores alike, which is liking.

    Examples
    --------
    >>> measure_named("liking").goal
    'higher'
    >>> measure_named("crispness")
    Traceback (most recent call last):
    trials.base.errors.MeasureError: "crispness" needs its scale, such as trials.Measure(...
    """
    if isinstance(one, Measure):
        return one
    if one.strip().casefold() == "liking":
        return Measure(one.strip(), "hedonic 9", goal="higher")
    raise MeasureError(
        f'"{one}" needs its scale, such as trials.Measure("{one}", ("intensity", 0, 10)) for a '
        f'line or trials.Measure("{one}", "number", unit="mm") for what is measured; only '
        '"liking" is known by its name.'
    )


def measures_named(given: Measure | str | Sequence[Measure | str] | None) -> tuple[Measure, ...]:
    """Return one measure or several as a tuple; a name stands for what it names."""
    if isinstance(given, Measure | str):
        given = [given]
    return tuple(map(measure_named, given or ()))


AHEAD = "% of the others"  # the unit in which a ranking decides
RANKED_NOTICE = 25.0  # of a hundred others that a bake is ahead of; a quarter of a sitting


def as_decided(measure: Measure) -> Measure:
    """Return a measure as settings are chosen by it: a ranking with a goal as the share ahead of.

    Examples
    --------
    >>> as_decided(Measure("again", "ranking", goal="higher")).unit
    '% of the others'
    >>> as_decided(Measure("again", "ranking")).summary.name
    'PLACES'
    """
    if measure.summary is not Summary.PLACES or measure.goal is None:
        return measure
    notice = measure.worth_noticing or RANKED_NOTICE
    return Measure(measure.name, "number", unit=AHEAD, goal=measure.goal, worth_noticing=notice)


def measure_record(measure: Measure) -> dict[str, Any]:
    """Return a measure as plain data for a settings file; see :func:`measure_from`.

    Examples
    --------
    >>> measure_record(Measure("liking", "hedonic 9", goal="higher"))
    {'name': 'liking', 'scale': 'hedonic 9', 'per': 'tasting', 'goal': 'higher'}
    """
    record = {
        "name": measure.name,
        "scale": _listed(measure.scale),
        "unit": measure.unit,
        "per": measure.per,
        "goal": _listed(measure.goal),
        "worth_noticing": measure.worth_noticing,
        "words": list(measure.words),
        "anchors": list(measure.anchors),
    }
    return {key: value for key, value in record.items() if value not in (None, "", [])}


def measure_from(record: Mapping[str, Any]) -> Measure:
    """Return the measure that :func:`measure_record` wrote.

    Examples
    --------
    >>> measure_from({"name": "liking", "scale": "hedonic 9"}).high
    9.0
    """
    fields: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in record.items()
    }
    try:
        return Measure(**fields)
    except TypeError as error:
        raise MeasureError(f"the measure {record.get('name')!r}: {error}.") from None


def _listed(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def _listed_words(name: str, told: str, given: Any) -> tuple[str, ...]:
    """Return the words of a measure, once they are words."""
    if isinstance(given, str) or not all(isinstance(one, str) for one in given):
        raise MeasureError(f'"{name}" has the {told} {given!r}; give a list of words.')
    return tuple(given)


def _kind(measure: Measure) -> Scale:
    """Return the scale that a measure names, with what the measure tells of it."""
    told = Told(measure.unit, measure.per, tuple(measure.words), tuple(measure.anchors))
    kind, name = scale_of(measure.scale, told), measure.name
    if kind is None:
        plain = in_words((repr(one.text) for one in KINDS if one is not Intensity), "or")
        raise MeasureError(
            f'"{name}" has the scale {measure.scale!r}; expected {plain}, '
            'or ("intensity", low, high).'
        )
    takes, own = kind.anchors(), len(told.anchors)
    if own and own not in takes:
        many = " words, or ".join(map(str, takes))
        raise MeasureError(
            f'"{name}" has {own} anchors; '
            + (f"its scale takes {many} for the ends." if takes else "its scale has no ends.")
        )
    if kind.takes_words() and not told.words:
        raise MeasureError(f'"{name}" is a {kind.text!r}; give the words that can be ticked.')
    if told.words and not kind.takes_words():
        raise MeasureError(
            f'"{name}" has words to tick, which its scale does not take. Words of your own for the '
            'ends of a scale are its anchors; words to tick need the scale "check all".'
        )
    if measure.per == "bake" and kind.at_the_table:
        raise MeasureError(f'"{name}" is a {kind.text}: it is made at the table, per tasting.')
    return kind


def _checked_goal(name: str, goal: Any) -> Any:
    if goal in (None, "higher", "lower"):
        return goal
    if isinstance(goal, Sequence) and not isinstance(goal, str) and len(goal) == 3:
        kind, first, second = goal
        if kind == "target" and float(second) > 0:
            return ("target", float(first), float(second))
        if kind == "between" and float(first) < float(second):
            return ("between", float(first), float(second))
    raise MeasureError(
        f'"{name}" has the goal {goal!r}; expected "higher", "lower", ("target", x, tolerance) '
        'or ("between", a, b).'
    )
