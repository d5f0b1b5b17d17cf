"""What is scored or measured on a bake: its scale, its goal and what is worth noticing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from trials.base.errors import MeasureError
from trials.base.words import in_words, number, tidy_number

# Peryam & Pilgrim 1957, wording as quoted in the trade reference; 9 first on the ballot.
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
NONE = "none"  # of a check-all: looked at, and nothing fits; an empty cell was not looked at
SHARE_WORTH_NOTICING = 0.1  # of an intensity scale's length (common practice, no source)


@dataclass(frozen=True)
class Measure:
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
        "higher", "lower", ("target", x, tolerance) or ("between", a, b).
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

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise MeasureError(f"a measure needs a name; found {self.name!r}.")
        if self.name.casefold() in ("day", "load", "bake", "role", "taster", "status", "code"):
            raise MeasureError(f'"{self.name}" is a column that every table of scores has.')
        object.__setattr__(self, "scale", _checked_scale(self.name, self.scale))
        object.__setattr__(self, "goal", _checked_goal(self.name, self.goal))
        object.__setattr__(self, "words", tuple(self.words))
        object.__setattr__(self, "anchors", tuple(self.anchors))
        if self.per not in ("tasting", "bake"):
            raise MeasureError(f'"{self.name}" is per {self.per!r}; expected "tasting" or "bake".')
        if self.worth_noticing is not None and not float(self.worth_noticing) > 0:
            raise MeasureError(f'"{self.name}": worth_noticing must be above 0.')
        if self.kind == "check all" and len(set(self.words)) < 1:
            raise MeasureError(
                f'"{self.name}" is a "check all"; give the words that can be ticked.'
            )
        if self.kind == "ranking" and (self.per != "tasting" or len(self.anchors) not in (0, 2)):
            raise MeasureError(
                f'"{self.name}" is a ranking: it is made at the table, per tasting, and takes two '
                "words of your own, for the first and the last place."
            )

    @property
    def kind(self) -> str:
        """The scale's kind: its name without the number of its points."""
        scale = self.scale if isinstance(self.scale, str) else self.scale[0]
        return scale.removesuffix(" 9").removesuffix(" 5")

    @property
    def low(self) -> float | None:
        """The lowest score of the scale; None for a number."""
        return self._ends()[0]

    @property
    def high(self) -> float | None:
        """The highest score of the scale; None for a number."""
        return self._ends()[1]

    def _ends(self) -> tuple[float | None, float | None]:
        if self.kind == "intensity":
            return float(self.scale[1]), float(self.scale[2])
        ends = {"hedonic": (1.0, 9.0), "just about right": (1.0, 5.0), "passed": (0.0, 1.0)}
        return ends.get(self.kind, (None, None))

    @property
    def margin(self) -> float | None:
        """The smallest difference worth noticing, the default where none was given."""
        if self.worth_noticing is not None:
            return float(self.worth_noticing)
        if self.kind == "hedonic":
            return LIKING_WORTH_NOTICING
        if self.kind == "intensity":
            return SHARE_WORTH_NOTICING * (self.scale[2] - self.scale[1])
        return None

    @property
    def margin_source(self) -> str:
        """Where the margin comes from, in words."""
        if self.worth_noticing is not None:
            return f"you said {tidy_number(self.worth_noticing)} would change your mind"
        if self.margin is None:
            return "no smallest difference was named"
        return f"{tidy_number(self.margin)} is the usual default; name your own if it differs"

    def points(self) -> tuple[str, ...]:
        """Return the words of the scale's points, or of the ends of a line, lowest first."""
        if self.anchors:
            return tuple(self.anchors)
        words = {
            "hedonic": LIKING_WORDS,
            "just about right": JUST_RIGHT_WORDS,
            "intensity": ("not at all", "extremely"),
            "passed": ("no", "yes"),
            "ranking": ("the most", "the least"),
        }
        return words.get(self.kind, ())

    @property
    def in_numbers(self) -> bool:
        """Whether its values are numbers; ticked words and words of one's own are text."""
        return self.kind not in ("check all", "words")

    def expects(self) -> str:
        """Return in words what may be entered."""
        if self.kind == "passed":
            return "yes or no"
        if self.kind == "check all":
            told = f"some of {in_words(self.words)}, separated by semicolons"
            return told if _has_none(self.words) else f'{told}; "{NONE}" when none fits'
        if self.kind == "words":
            return "words of your own"
        if self.kind == "ranking":
            first, last = self.points()
            return f"a place: 1 for {first}, then 2, 3 and so on to {last}, within one sitting"
        if self.kind == "number":
            several = ", or several readings: 1; 2.5" if several_readings(self) else ""
            return "a number" + (f" in {self.unit}" if self.unit else "") + several
        whole = "a whole number" if self.kind == "just about right" else "a number"
        low, high = self._ends()
        return f"{whole} from {tidy_number(low or 0)} to {tidy_number(high or 0)}"

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
        text = text.strip()
        if self.kind == "check all":
            return self._ticked(text)
        if self.kind == "words":
            return text
        if self.kind == "passed" and text.casefold() in ("yes", "y", "no", "n"):
            return float(text.casefold().startswith("y"))
        value = number(text)
        if value is None:
            raise MeasureError(f"{text!r} is not a number; expected {self.expects()}.")
        low, high = self._ends()
        if low is not None and high is not None and not low <= value <= high:
            raise MeasureError(
                f"{tidy_number(value)} is off the scale {tidy_number(low)} to {tidy_number(high)}."
            )
        if self.kind == "ranking" and value < 1:
            raise MeasureError(f"{tidy_number(value)} is no place; expected {self.expects()}.")
        whole = self.kind in ("just about right", "passed", "ranking")
        if whole and value != int(value):
            raise MeasureError(f"{tidy_number(value)} is between two points; {self.expects()}.")
        return value

    def _ticked(self, text: str) -> str:
        known = {word.casefold(): word for word in self.words}
        chosen = [word.strip().casefold() for word in text.split(";") if word.strip()]
        if chosen == [NONE] and not _has_none(self.words):
            return NONE
        unknown = [word for word in chosen if word not in known]
        if unknown:
            raise MeasureError(f"{unknown[0]!r} is not among the words; expected {self.expects()}.")
        return "; ".join(word for key, word in known.items() if key in chosen)


def several_readings(measure: Measure) -> bool:
    """Say whether several readings of one bake may be entered at once, to be averaged.

    Examples
    --------
    >>> several_readings(Measure("height", "number", unit="mm", per="bake"))
    True
    """
    return measure.kind == "number" and measure.per == "bake"


def _has_none(words: Sequence[str]) -> bool:
    """Say whether the baker's own words hold one for none."""
    return NONE in {word.casefold() for word in words}


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


def _checked_scale(name: str, scale: Any) -> Any:
    plain = (
        "hedonic 9",
        "just about right 5",
        "number",
        "passed",
        "check all",
        "ranking",
        "words",
    )
    if isinstance(scale, str) and scale in plain:
        return scale
    if isinstance(scale, Sequence) and len(scale) == 3 and scale[0] == "intensity":
        low, high = float(scale[1]), float(scale[2])
        if low < high:
            return ("intensity", low, high)
    raise MeasureError(
        f'"{name}" has the scale {scale!r}; expected {in_words(map(repr, plain), "or")}, '
        'or ("intensity", low, high).'
    )


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
