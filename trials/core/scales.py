"""The kinds of scales: one class each, which reads what was entered and says what it is as data.

A kind tells the layers above everything through three plain records: its `field` (what the answer
looks like: one of some points, several words, a line, an order, a number, words of one's own), the
`rule` of a cell that holds it, and its `summary` (how many answers become one finding). Layers
match on these with `typing.assert_never`; nobody asks for the name of a kind. A ninth kind is a
class here and its place in `KINDS`; a new field or summary is shown by the type checker wherever a
layer has no branch for it.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, ClassVar, Self

from trials.base.words import in_words, number, tidy_number

# -- What an answer looks like, as plain data.


@dataclass(frozen=True)
class Point:
    """One point of a scale: its value, how it stands in a sheet, and what it means."""

    value: float
    written: str
    word: str = ""


@dataclass(frozen=True)
class OneOf:
    """One of a few points, lowest first; `spelled` where a sheet holds words instead of numbers."""

    points: tuple[Point, ...]
    spelled: bool = False


@dataclass(frozen=True)
class ManyOf:
    """Any of some words; `none` stands for none of them, and is empty where the words hold one."""

    words: tuple[str, ...]
    none: str


@dataclass(frozen=True)
class Line:
    """Anywhere between two ends, which have words."""

    low: float
    high: float
    ends: tuple[str, str]


@dataclass(frozen=True)
class Order:
    """A place among the pieces of one sitting, 1 for the first."""

    first: str
    last: str


@dataclass(frozen=True)
class Number:
    """A number in a unit, or several readings of one bake at once."""

    unit: str
    several: bool


@dataclass(frozen=True)
class Text:
    """Words of one's own."""


Field = OneOf | ManyOf | Line | Order | Number | Text


# -- What a cell of a sheet takes.


@dataclass(frozen=True)
class Choices:
    """One of some texts, picked from a list."""

    texts: tuple[str, ...]


@dataclass(frozen=True)
class Whole:
    """A whole number."""

    low: int
    high: int


@dataclass(frozen=True)
class Decimal:
    """Any number; where `asks`, something else is let in once it is confirmed."""

    low: float
    high: float
    asks: bool = False


@dataclass(frozen=True)
class Anything:
    """Any text."""


Rule = Choices | Whole | Decimal | Anything


class Summary(Enum):
    """How many answers become one finding."""

    MEAN = "means by the mixed model"
    SIDES = "shares of too little, just about right and too much"
    SHARE = "the share of yes"
    TICKS = "how often each word is ticked"
    PLACES = "mean places"
    QUOTES = "counts of words, and quotes"


@dataclass(frozen=True)
class Refusal:
    """Why an entry is not on a scale: what was found, what was expected, how to mend it."""

    found: str
    expected: str = ""
    mend: str = ""

    def __str__(self) -> str:
        told = f"{self.found}; expected {self.expected}." if self.expected else f"{self.found}."
        return f"{told} {self.mend}".strip()


# -- The kinds.


# Peryam & Pilgrim 1957, wording as quoted in the trade reference.
LIKING_WORDS = (
    "dislike extremely",
    "dislike very much",
    "dislike moderately",
    "dislike slightly",
    "neither like nor dislike",
    "like slightly",
    "like moderately",
    "like very much",
    "like extremely",
)
JUST_RIGHT_WORDS = (
    "much too little",
    "too little",
    "just about right",
    "too much",
    "much too much",
)
# Half a step to one step of the nine is what bakers call worth a change (common practice).
LIKING_WORTH_NOTICING = 0.7
SHARE_WORTH_NOTICING = 0.1  # of a line's length (common practice, no source)
LIKED_FROM = 6.0  # "like slightly", the first point that says so
NONE = "none"  # of a check-all: looked at, and nothing fits; an empty cell was not looked at
MOST_PLACES = 504  # of a ranking: no round has more codes
LARGEST = 1e12  # of a number in a sheet, either way


@dataclass(frozen=True)
class Told:
    """What a measure tells of its scale beside its kind."""

    unit: str = ""
    per: str = "tasting"
    words: tuple[str, ...] = ()
    anchors: tuple[str, ...] = ()


class Scale(ABC):
    """A kind of scale: reads what was entered, and says as plain data what it is.

    `place` is where a ballot asks it: liking first, so that judging the parts does not colour it
    (common practice, no source). `liking` says whether it asks how well something is liked,
    `ordered` whether an answer can be better than another, so that a goal makes sense, and
    `at_the_table` whether it can only be answered there.
    """

    text: ClassVar[str]
    place: ClassVar[int]
    summary: ClassVar[Summary]
    liking: ClassVar[bool] = False
    at_the_table: ClassVar[bool] = False
    ordered: ClassVar[bool] = True

    @classmethod
    @abstractmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale that a measure names in this way, or None when it names another kind."""

    @classmethod
    def takes_words(cls) -> bool:
        """Say whether a measure names the words that can be ticked."""
        return False

    @classmethod
    def anchors(cls) -> tuple[int, ...]:
        """Return how many words of your own it takes: for its ends, or for all its points."""
        return ()

    @property
    def low(self) -> float | None:
        """The lowest score there is, where there is one."""
        return None

    @property
    def high(self) -> float | None:
        """The highest score there is, where there is one."""
        return None

    @property
    def margin(self) -> float | None:
        """The smallest difference worth noticing where a measure names none."""
        return None

    @property
    def unit_word(self) -> str:
        """The unit as it stands behind a number."""
        return ""

    @property
    @abstractmethod
    def field(self) -> Field:
        """What an answer looks like."""

    @property
    @abstractmethod
    def rule(self) -> Rule:
        """What a cell takes."""

    @abstractmethod
    def expects(self) -> str:
        """Return in words what may be entered."""

    @abstractmethod
    def read(self, text: str) -> float | str | Refusal:
        """Return the value of what was typed, or why it is none."""


def _read_number(scale: Scale, text: str, *, whole: bool = False) -> float | Refusal:
    value = number(text)
    if value is None:
        return Refusal(f"{text!r} is not a number", scale.expects())
    if scale.low is not None and scale.high is not None and not scale.low <= value <= scale.high:
        ends = f"{tidy_number(scale.low)} to {tidy_number(scale.high)}"
        return Refusal(f"{tidy_number(value)} is off the scale {ends}")
    if whole and value != int(value):
        return Refusal(f"{tidy_number(value)} is between two points", scale.expects())
    return value


def _numbered(words: Sequence[str], count: int) -> OneOf:
    """Return points 1, 2, 3 ... with a word each; two words stand at the ends alone."""
    if len(words) == 2:
        words = [words[0], *[""] * (count - 2), words[1]]
    points = tuple(Point(float(at), str(at), word) for at, word in enumerate(words, start=1))
    return OneOf(points)


@dataclass(frozen=True)
class Hedonic(Scale):
    """How well it is liked, 1 to 9; a score between two points is read as it is."""

    own: tuple[str, ...] = ()
    text = "hedonic 9"
    place = 0
    summary = Summary.MEAN
    liking = True
    low = 1.0
    high = 9.0
    margin = LIKING_WORTH_NOTICING
    unit_word = "points"

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale with the words of its points."""
        return cls(told.anchors) if given == cls.text else None

    @classmethod
    def anchors(cls) -> tuple[int, ...]:
        """Return nine, or two for the ends."""
        return (9, 2)

    @property
    def field(self) -> OneOf:
        """Nine points."""
        return _numbered(self.own or LIKING_WORDS, 9)

    @property
    def rule(self) -> Decimal:
        """A number from 1 to 9."""
        return Decimal(self.low, self.high)

    def expects(self) -> str:
        """Return in words what may be entered."""
        return "a number from 1 to 9"

    def read(self, text: str) -> float | Refusal:
        """Return the score."""
        return _read_number(self, text)


@dataclass(frozen=True)
class Intensity(Scale):
    """How strong it is, on a line from little to much."""

    start: float
    end: float
    own: tuple[str, ...] = ()
    text = "intensity"
    place = 1
    summary = Summary.MEAN
    unit_word = "points"

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the line that ("intensity", low, high) names."""
        named = isinstance(given, Sequence) and not isinstance(given, str) and len(given) == 3
        if not named or given[0] != cls.text:
            return None
        low, high = (number(str(end)) for end in given[1:])
        return (
            None if low is None or high is None or not low < high else cls(low, high, told.anchors)
        )

    @classmethod
    def anchors(cls) -> tuple[int, ...]:
        """Return two for the ends."""
        return (2,)

    @property
    def low(self) -> float:
        """The left end."""
        return self.start

    @property
    def high(self) -> float:
        """The right end."""
        return self.end

    @property
    def margin(self) -> float:
        """A tenth of the line."""
        return SHARE_WORTH_NOTICING * (self.high - self.low)

    @property
    def field(self) -> Line:
        """The line."""
        first, last = self.own or ("not at all", "extremely")
        return Line(self.low, self.high, (first, last))

    @property
    def rule(self) -> Decimal:
        """A number on the line."""
        return Decimal(self.low, self.high)

    def expects(self) -> str:
        """Return in words what may be entered."""
        return f"a number from {tidy_number(self.low)} to {tidy_number(self.high)}"

    def read(self, text: str) -> float | Refusal:
        """Return the score."""
        return _read_number(self, text)


@dataclass(frozen=True)
class JustAboutRight(Scale):
    """Whether there is too little or too much of it, 1 to 5."""

    own: tuple[str, ...] = ()
    text = "just about right 5"
    place = 2
    summary = Summary.SIDES
    low = 1.0
    high = 5.0

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale with the words of its points."""
        return cls(told.anchors) if given == cls.text else None

    @classmethod
    def anchors(cls) -> tuple[int, ...]:
        """Return five, or two for the ends."""
        return (5, 2)

    @property
    def field(self) -> OneOf:
        """Five points."""
        return _numbered(self.own or JUST_RIGHT_WORDS, 5)

    @property
    def rule(self) -> Whole:
        """A whole number from 1 to 5."""
        return Whole(1, 5)

    def expects(self) -> str:
        """Return in words what may be entered."""
        return "a whole number from 1 to 5"

    def read(self, text: str) -> float | Refusal:
        """Return the point."""
        return _read_number(self, text, whole=True)


@dataclass(frozen=True)
class CheckAll(Scale):
    """Which of some words apply."""

    words: tuple[str, ...]
    text = "check all"
    place = 3
    summary = Summary.TICKS
    ordered = False

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale with its words."""
        return cls(told.words) if given == cls.text else None

    @classmethod
    def takes_words(cls) -> bool:
        """Say that it does."""
        return True

    @property
    def field(self) -> ManyOf:
        """The words, and what stands for none of them."""
        own = NONE in {word.casefold() for word in self.words}
        return ManyOf(self.words, "" if own else NONE)

    @property
    def rule(self) -> Anything:
        """Any text: a list in a cell takes one word only."""
        return Anything()

    def expects(self) -> str:
        """Return in words what may be entered."""
        told = f"some of {in_words(self.words)}, separated by semicolons"
        return f'{told}; "{NONE}" when none fits' if self.field.none else told

    def read(self, text: str) -> str | Refusal:
        """Return the ticked words in the order of the measure, or "none"."""
        known = {word.casefold(): word for word in self.words}
        chosen = [word.strip().casefold() for word in text.split(";") if word.strip()]
        if self.field.none and chosen == [NONE]:
            return NONE
        unknown = [word for word in chosen if word not in known]
        if unknown:
            return Refusal(f"{unknown[0]!r} is not among the words", self.expects())
        return "; ".join(word for key, word in known.items() if key in chosen)


@dataclass(frozen=True)
class Amount(Scale):
    """A number, weighed or measured."""

    unit: str = ""
    several: bool = False
    text = "number"
    place = 4
    summary = Summary.MEAN

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale in its unit; several readings of one bake are averaged."""
        return cls(told.unit, told.per == "bake") if given == cls.text else None

    @property
    def unit_word(self) -> str:
        """The unit."""
        return self.unit

    @property
    def field(self) -> Number:
        """A number in its unit."""
        return Number(self.unit, self.several)

    @property
    def rule(self) -> Decimal:
        """Any number; several readings are text, which the spreadsheet lets in once confirmed."""
        return Decimal(-LARGEST, LARGEST, asks=self.several)

    def expects(self) -> str:
        """Return in words what may be entered."""
        unit = f" in {self.unit}" if self.unit else ""
        return f"a number{unit}{', or several readings: 1; 2.5' if self.several else ''}"

    def read(self, text: str) -> float | Refusal:
        """Return the number."""
        return _read_number(self, text)


@dataclass(frozen=True)
class Passed(Scale):
    """Yes or no."""

    own: tuple[str, ...] = ()
    text = "passed"
    place = 5
    summary = Summary.SHARE
    low = 0.0
    high = 1.0

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale with its two words."""
        return cls(told.anchors) if given == cls.text else None

    @classmethod
    def anchors(cls) -> tuple[int, ...]:
        """Return two, for no and for yes."""
        return (2,)

    @property
    def field(self) -> OneOf:
        """No and yes."""
        no, yes = self.own or ("no", "yes")
        points = (Point(0.0, "no", no), Point(1.0, "yes", yes))
        return OneOf(points, spelled=True)

    @property
    def rule(self) -> Choices:
        """Yes or no."""
        return Choices(("yes", "no"))

    def expects(self) -> str:
        """Return in words what may be entered."""
        return "yes or no"

    def read(self, text: str) -> float | Refusal:
        """Return 1 for yes and 0 for no."""
        if text.casefold() in ("yes", "y", "no", "n"):
            return float(text.casefold().startswith("y"))
        return _read_number(self, text, whole=True)


@dataclass(frozen=True)
class Ranking(Scale):
    """The pieces of a sitting in order, 1 for the first."""

    own: tuple[str, ...] = ()
    text = "ranking"
    place = 6
    summary = Summary.PLACES
    at_the_table = True

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale with words for the first and the last place."""
        return cls(told.anchors) if given == cls.text else None

    @classmethod
    def anchors(cls) -> tuple[int, ...]:
        """Return two, for the first and the last place."""
        return (2,)

    @property
    def field(self) -> Order:
        """A place."""
        first, last = self.own or ("the most", "the least")
        return Order(first, last)

    @property
    def rule(self) -> Whole:
        """A place."""
        return Whole(1, MOST_PLACES)

    def expects(self) -> str:
        """Return in words what may be entered."""
        told = self.field
        return (
            f"a place: 1 for {told.first}, then 2, 3 and so on to {told.last}, within one sitting"
        )

    def read(self, text: str) -> float | Refusal:
        """Return the place."""
        value = _read_number(self, text, whole=True)
        if not isinstance(value, Refusal) and value < 1:
            return Refusal(f"{tidy_number(value)} is no place", self.expects())
        return value


@dataclass(frozen=True)
class OwnWords(Scale):
    """Words of a person's own."""

    text = "words"
    place = 7
    summary = Summary.QUOTES
    ordered = False

    @classmethod
    def made(cls, given: Any, told: Told) -> Self | None:
        """Return the scale."""
        return cls() if given == cls.text else None

    @property
    def field(self) -> Text:
        """Text."""
        return Text()

    @property
    def rule(self) -> Anything:
        """Any text."""
        return Anything()

    def expects(self) -> str:
        """Return in words what may be entered."""
        return "words of your own"

    def read(self, text: str) -> str:
        """Return the words."""
        return text


KINDS: tuple[type[Scale], ...] = (
    Hedonic,
    Intensity,
    JustAboutRight,
    Amount,
    Passed,
    CheckAll,
    Ranking,
    OwnWords,
)


def scale_of(given: Any, told: Told) -> Scale | None:
    """Return the scale that a measure names, or None when there is no such kind.

    Examples
    --------
    >>> scale_of("just about right 5", Told()).read("2.5").found
    '2.5 is between two points'
    >>> scale_of(("intensity", 0, 10), Told(anchors=("soft", "crisp"))).field
    Line(low=0.0, high=10.0, ends=('soft', 'crisp'))
    """
    return next((made for kind in KINDS if (made := kind.made(given, told)) is not None), None)
