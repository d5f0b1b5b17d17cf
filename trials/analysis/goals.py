"""Goals as numbers: how desirable a response is, and whether it meets its goal.

The same two readings of a goal go everywhere. Its desirability runs from 0 (no use) to 1
(nothing left to wish); it is met or not when one new bake is judged.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from numbers import Real

import numpy as np

from trials.base.errors import FitError
from trials.base.words import tidy_number
from trials.core.measures import Measure

SHARE_OF_RANGE = 0.1  # taken as worth noticing where none was named (common practice, no source)
_TIE = 1e-6  # small enough to decide nothing but between settings that are as good


@dataclass(frozen=True)
class Goal:
    """One measure's goal with its limits.

    Parameters
    ----------
    name : str
    kind : "higher", "lower", "target" or "between"
    none_below, all_from, all_to, none_above : float
        Desirability is 0 up to `none_below` and from `none_above` on, 1 between `all_from` and
        `all_to`, and straight between. Infinite on the side that does not matter.
    enough_from, enough_to : float
        One bake meets the goal between these.
    weight : float
        How much it counts against the other goals.
    notice : float
        A difference worth noticing.
    limits_from : str
        Where the limits come from, in words.
    named : bool
        Whether it was named from where a bake meets the goal. If not, that is where it is
        noticeably better than the reference setting, which no setting need reach.

    References
    ----------
    Derringer & Suich 1980, J. Qual. Technol. 12:214-219 (straight: exponents of one); Harrington
    1965, Ind. Qual. Control 21:494-498, for the scale from 0 to 1.

    Examples
    --------
    >>> goal = Goal("liking", "higher", 1, 9, np.inf, np.inf, 6.8, np.inf, 1.0, 0.7, "the scale")
    >>> goal.desirability(np.array([0.0, 5.0, 9.5])), goal.met(np.array([6.5, 7.0]))
    (array([0. , 0.5, 1. ]), array([False,  True]))
    """

    name: str
    kind: str
    none_below: float
    all_from: float
    all_to: float
    none_above: float
    enough_from: float
    enough_to: float
    weight: float
    notice: float
    limits_from: str
    named: bool = True

    def desirability(self, values: np.ndarray) -> np.ndarray:
        """Return the desirability of responses, 0 to 1."""
        rising = _ramp(values, self.none_below, self.all_from)
        falling = _ramp(-values, -self.none_above, -self.all_to)
        return np.minimum(rising, falling)

    def met(self, values: np.ndarray) -> np.ndarray:
        """Return which responses meet the goal."""
        return (values >= self.enough_from) & (values <= self.enough_to)

    def shortfall(self, values: np.ndarray) -> np.ndarray:
        """Return how far responses lie beyond desirability 0, in widths of its slope."""
        below = _distance(self.none_below - values, self.all_from - self.none_below)
        above = _distance(values - self.none_above, self.none_above - self.all_to)
        return below + above

    def inside(self, values: np.ndarray) -> np.ndarray:
        """Return how far inside a range responses lie: 1 in its middle, 0 at its ends and out."""
        if self.kind != "between":
            return np.zeros(np.shape(values))
        nearest = np.minimum(values - self.all_from, self.all_to - values)
        return np.maximum(nearest, 0) / ((self.all_to - self.all_from) / 2)

    def loss(self, values: np.ndarray) -> np.ndarray:
        """Return how far responses are from the best, in their own units; less is better."""
        if self.kind == "higher":
            return -values
        if self.kind == "lower":
            return values
        return np.maximum(self.all_from - values, 0) + np.maximum(values - self.all_to, 0)

    def words(self) -> str:
        """Return the goal in words."""
        met = "met" if self.named else "noticeably better"
        if self.kind == "higher":
            return f"higher; {met} from {tidy_number(self.enough_from, 3)}"
        if self.kind == "lower":
            return f"lower; {met} up to {tidy_number(self.enough_to, 3)}"
        ends = f"{tidy_number(self.enough_from, 4)} to {tidy_number(self.enough_to, 4)}"
        if self.kind == "target":
            return f"{tidy_number(self.all_from, 4)}, from {ends}"
        return f"between {ends.replace(' to ', ' and ')}"


def _ramp(values: np.ndarray, zero: float, one: float) -> np.ndarray:
    if not np.isfinite(zero) or not np.isfinite(one):
        return np.ones_like(values, dtype=float)
    return np.clip((values - zero) / (one - zero), 0, 1)


def _distance(beyond: np.ndarray, width: float) -> np.ndarray:
    if not np.isfinite(width):
        return np.zeros_like(beyond, dtype=float)
    return np.maximum(beyond, 0) / width


def overall(goals: Sequence[Goal], values: Sequence[np.ndarray]) -> np.ndarray:
    """Return the overall desirability: the weighted geometric mean of all goals.

    References
    ----------
    Derringer & Suich 1980; weights as in Derringer 1994, Qual. Progress 27(6):51-58.

    Examples
    --------
    >>> goal = Goal("a", "higher", 0, 1, np.inf, np.inf, 0, np.inf, 1.0, 0.1, "you")
    >>> overall([goal, goal], [np.array([0.25]), np.array([1.0])])
    array([0.5])
    """
    total = sum(goal.weight for goal in goals)
    result = np.ones(np.shape(values[0]))
    for goal, own in zip(goals, values, strict=True):
        result = result * goal.desirability(own) ** (goal.weight / total)
    return result


def score(goals: Sequence[Goal], values: Sequence[np.ndarray]) -> np.ndarray:
    """Return what a search makes as large as it can.

    One measure that should be higher or lower is taken as it is. Otherwise the overall
    desirability; where that is nothing, the less the goals are missed by the better, so that a
    search finds its way back from settings that meet none. Settings that are equally desirable
    are told apart by how far inside a goal "between" they lie, where one bake errs out of it least.

    Examples
    --------
    >>> goal = Goal("a", "lower", -np.inf, -np.inf, 0, 1, -np.inf, 0, 1.0, 0.1, "you")
    >>> score([goal], [np.array([3.0])])
    array([-3.])
    """
    if len(goals) == 1 and goals[0].kind in ("higher", "lower"):
        return -goals[0].loss(values[0])
    return met_together(goals, values)


def met_together(goals: Sequence[Goal], values: Sequence[np.ndarray]) -> np.ndarray:
    """Return the overall desirability; below nothing by how far the goals are missed."""
    reached = overall(goals, values)
    short = sum(
        (goal.weight * goal.shortfall(own) for goal, own in zip(goals, values, strict=True)),
        start=np.zeros(np.shape(values[0])),
    )
    inside = sum((goal.inside(own) for goal, own in zip(goals, values, strict=True)), start=0.0)
    return np.where(reached > 0, reached + _TIE * inside, -short)


def led(goals: Sequence[Goal], values: Sequence[np.ndarray]) -> np.ndarray:
    """Return how good responses are where the first goal leads.

    In differences worth noticing of the first; from the worst to the best, the others together
    count as one.

    Examples
    --------
    >>> liking = Goal("a", "higher", 1, 9, np.inf, np.inf, 6.8, np.inf, 1.0, 0.5, "the scale")
    >>> oil = Goal("b", "lower", -np.inf, -np.inf, 0, 10, -np.inf, 5, 1.0, 1.0, "the scale")
    >>> led([liking, oil], [np.array([6.0, 5.8]), np.array([8.0, 2.0])])
    array([12.2, 12.4])
    """
    return met_together(goals[1:], values[1:]) - goals[0].loss(values[0]) / in_notices(goals[0])


def in_notices(goal: Goal) -> float:
    """Return what is worth noticing of a goal, as something to divide by."""
    return goal.notice if goal.notice > 0 else 1.0


def noticeable(
    goals: Sequence[Goal],
    here: Sequence[np.ndarray],
    worth: Callable[[Sequence[Goal], Sequence[np.ndarray]], np.ndarray] = score,
) -> float:
    """Return how much a score drops when every measure turns worse by what is worth noticing.

    `here` holds what is expected of each measure at one setting, `worth` is the score.
    """
    if len(goals) == 1 and goals[0].kind in ("higher", "lower"):
        return float(goals[0].notice)
    top = float(worth(goals, here)[0])
    worse = list(here)
    for place, goal in enumerate(goals):
        tried = [
            [*here[:place], here[place] + sign * goal.notice, *here[place + 1 :]]
            for sign in (-1.0, 1.0)
        ]
        worths = [float(worth(goals, means)[0]) for means in tried]
        worse[place] = tried[int(np.argmin(worths))][place]
    drop = top - float(worth(goals, worse)[0])
    return drop if drop > 1e-9 else 1.0


def goal_for(
    measure: Measure,
    expected: np.ndarray,
    reference: float,
    *,
    limits: tuple[float, float] | None = None,
    enough: float | None = None,
    weight: float = 1.0,
) -> Goal:
    """Return a measure's goal with its limits.

    Examples
    --------
    >>> liking = Measure("liking", "hedonic 9", goal="higher")
    >>> goal_for(liking, np.array([5.0, 7.0]), 6.0).words()
    'higher; noticeably better from 6.7'
    """
    weight = _number(weight, measure, "the weight")
    if not weight > 0:
        raise FitError(f'"{measure.name}" has the weight {weight:g}; it must be above 0.')
    notice = measure.margin or SHARE_OF_RANGE * float(np.ptp(expected))
    if measure.goal in ("higher", "lower"):
        return _one_sided(measure, expected, reference, limits, enough, weight, notice)
    if limits is not None or enough is not None:
        raise FitError(
            f'"{measure.name}" has the goal {measure.goal!r}, which holds its own limits; limits '
            'and enough are for "higher" and "lower".'
        )
    kind, first, second = measure.goal
    low, high = (first - second, first + second) if kind == "target" else (first, second)
    _check_reachable(measure, low, high)
    if kind == "target":
        edges = (low, first, first, high)
        source = "the tolerance you named"
    else:
        width = min(notice, (high - low) / 2) or (high - low) / 2
        edges = (low - width, low, high, high + width)
        source = f"your limits, and {tidy_number(width, 3)} beyond them"
    return Goal(measure.name, kind, *edges, low, high, weight, notice, source)


def _number(value: object, measure: Measure, what: str) -> float:
    """Return a finite number, or refuse it by name."""
    if isinstance(value, bool) or not isinstance(value, Real) or not np.isfinite(float(value)):
        raise FitError(f'"{measure.name}" has {what} {value!r}; a number is expected.')
    return float(value)


def _limits(value: object, measure: Measure) -> tuple[float, float]:
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        raise FitError(
            f'"{measure.name}" has the limits {value!r}; two numbers are expected: where it starts '
            "to be of use, and where nothing is left to wish."
        )
    return _number(value[0], measure, "the limit"), _number(value[1], measure, "the limit")


def _check_reachable(measure: Measure, low: float, high: float) -> None:
    ends = measure.low, measure.high
    if ends[0] is None or ends[1] is None:
        return
    if high < ends[0] or low > ends[1]:
        raise FitError(
            f'"{measure.name}" should lie from {tidy_number(low)} to {tidy_number(high)}, but its '
            f"scale runs from {tidy_number(ends[0])} to {tidy_number(ends[1])}. Change the goal."
        )


def _one_sided(
    measure: Measure,
    expected: np.ndarray,
    reference: float,
    limits: tuple[float, float] | None,
    enough: float | None,
    weight: float,
    notice: float,
) -> Goal:
    up = measure.goal == "higher"
    given = limits is not None
    if limits is not None:
        start, end = _limits(limits, measure)
        source = "the limits you named"
        if not (start < end if up else start > end):
            raise FitError(
                f'"{measure.name}" should be {measure.goal}, but its limits go from '
                f"{tidy_number(start)} to {tidy_number(end)}; the first is where it starts to be "
                "of use, the second where nothing is left to wish."
            )
    elif measure.low is not None and measure.high is not None:
        start, end = (measure.low, measure.high) if up else (measure.high, measure.low)
        source = "the ends of its scale"
    else:
        low, high = float(expected.min()), float(expected.max())
        if low == high:
            low, high = low - 1, high + 1
        start, end = (low, high) if up else (high, low)
        source = "the lowest and highest that are expected within the limits"
    named = given or enough is not None
    if enough is None:
        enough = start if given else reference + (notice if up else -notice)
    enough = _number(enough, measure, "as good enough")
    if up:
        return Goal(
            measure.name, "higher", start, end, np.inf, np.inf, enough, np.inf,
            weight, notice, source, named,
        )  # fmt: skip
    return Goal(
        measure.name, "lower", -np.inf, -np.inf, end, start, -np.inf, enough,
        weight, notice, source, named,
    )  # fmt: skip
