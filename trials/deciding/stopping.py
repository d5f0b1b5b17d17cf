"""When a further round can no longer be expected to move the choice."""

from dataclasses import dataclass

import pandas as pd

from trials.deciding.action import Action
from trials.deciding.beliefs import Knowledge
from trials.errors import PlanError
from trials.tables import percent, tidy_number

# A round that is expected to better the choice by less than this share of what is worth noticing,
# and to move it by that much with less than this chance, is not asked for (our own limits)
NOTICED_LEAST, MOVED_LEAST = 0.2, 0.05


class NothingToGainError(PlanError):
    """There is no next round: the best setting is confirmed, and no bakes can better it.

    Not a mistake; the end that a development is baked for.

    Parameters
    ----------
    why : str
        What was confirmed, and why a further round is not worth it.
    """

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(
            f"{why} Stop here, or say what you still want to know: "
            'trials.next_round(round, bakes, action="fill the gaps").'
        )


@dataclass(frozen=True, eq=False)
class Weighed:
    """An action with what it is expected to gain.

    Parameters
    ----------
    action : Action
    gain : float
        Expected improvement of the choice, in the units in which it is judged.
    noticed : float
        The same as a share of what is worth noticing.
    moved : float
        The chance that the choice improves by more than is worth noticing.
    """

    action: Action
    gain: float
    noticed: float
    moved: float

    @property
    def bakes(self) -> int:
        """How many bakes it takes."""
        return len(self.action.X)

    @property
    def per_bake(self) -> float:
        """What is gained by each bake."""
        return self.gain / max(1, self.bakes)


def enough(weighed: list[Weighed]) -> bool:
    """Say whether no action is likely to move the choice by more than is worth noticing.

    Examples
    --------
    >>> enough([])
    True
    """
    return all(one.moved < MOVED_LEAST and one.noticed < NOTICED_LEAST for one in weighed)


def stop_words(knowledge: Knowledge, weighed: list[Weighed], bakes: int) -> str:
    """Return why a further round is not asked for, in a sentence.

    Examples
    --------
    >>> stop_words.__name__
    'stop_words'
    """
    moved = max((one.moved for one in weighed), default=0.0)
    share = max((one.noticed for one in weighed), default=0.0)
    if len(knowledge.goals) == 1:
        amount = tidy_number(share * knowledge.noticeable, 2)
        gain = f"{amount} points of {knowledge.goals[0].name}"
    else:
        gain = f"{percent(share)} of a difference worth noticing"
    more = "1 more bake is" if bakes == 1 else f"{bakes} more bakes are"
    return (
        f"{more} expected to better the choice by {gain} at most, and to change it "
        f"noticeably with a chance of {percent(moved)}: a further round is not worth it."
    )


def gains_table(weighed: list[Weighed]) -> pd.DataFrame:
    """Return all actions side by side, the most expected first.

    Examples
    --------
    >>> list(gains_table([]).columns)
    ['action', 'bakes', 'gain', 'per_bake', 'noticed', 'moved']
    """
    rows = [
        (one.action.name, one.bakes, one.gain, one.per_bake, one.noticed, one.moved)
        for one in sorted(weighed, key=lambda one: -round(one.gain, 9))
    ]
    return pd.DataFrame(rows, columns=["action", "bakes", "gain", "per_bake", "noticed", "moved"])
