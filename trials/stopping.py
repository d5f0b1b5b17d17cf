"""When a further round can no longer be expected to move the choice."""

from dataclasses import dataclass

import pandas as pd

from trials.actions import Action
from trials.beliefs import Knowledge
from trials.tables import tidy_number

# Below this chance that the choice moves by what is worth noticing, another round is not asked for
# (common practice for "unlikely", no source)
MOVED_LEAST = 0.1


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
    return all(one.moved < MOVED_LEAST for one in weighed)


def stop_words(knowledge: Knowledge, weighed: list[Weighed], bakes: int) -> str:
    """Return why a further round is not asked for, in a sentence.

    Examples
    --------
    >>> stop_words.__name__
    'stop_words'
    """
    most = max((one.moved for one in weighed), default=0.0)
    notice = knowledge.goals[0].notice
    unit = f"{tidy_number(notice, 2)} in {knowledge.goals[0].name}"
    return (
        f"With {bakes} more bakes the chance that another setting turns out better by more than "
        f"{unit} is {most:.0%}: a further round is not expected to move the choice by what is "
        "worth noticing."
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
