"""The days and loads of a regular plan, as bits.

The bakes are numbered by bits. The lowest bits say the day, the next the load within the day,
further ones a second group crossed with the loads (a dough split over several oil fills). A factor
whose column is made of the bits of a group alone is constant within its loads.
"""

from dataclasses import dataclass

import numpy as np

from trials.errors import PlanError
from trials.tables import in_words


@dataclass(frozen=True)
class Structure:
    """The days and loads of a regular plan.

    Parameters
    ----------
    runs : int
        Bakes, a power of two.
    days : int
        Days of equal size, a power of two.
    groups : tuple of (str, int)
        What bakes share and how many there are in all, powers of two; each nested in days, and
        two of them crossed within days.

    Raises
    ------
    PlanError
        When a count is not a power of two or there are more crossings than bakes.

    Examples
    --------
    >>> four_days = Structure(32, 4, (("load", 8),))
    >>> four_days.ids("load")[:9].tolist(), four_days.ids("day")[:5].tolist()
    ([0, 1, 2, 3, 4, 5, 6, 7, 0], [0, 1, 2, 3, 0])
    """

    runs: int
    days: int = 1
    groups: tuple[tuple[str, int], ...] = ()

    def __post_init__(self) -> None:
        for name, count in (("day", self.days), *self.groups):
            if count < 1 or count & (count - 1) or count > self.runs:
                sizes = [2**bit for bit in range(self.runs.bit_length())]
                raise PlanError(
                    f"{'days' if name == 'day' else 'loads'} is {count}; a regular plan shares "
                    f"{self.runs} bakes out evenly over {in_words(sizes, 'or')}. For other numbers "
                    "use trials.design.optimal."
                )
        crossings = self.days
        for name, count in self.groups:
            if count < self.days:
                raise PlanError(
                    f"loads is {count} ({name}) over {self.days} days; each belongs to one day, so "
                    f"{self.days} or more would work."
                )
            crossings *= count // self.days
        if crossings > self.runs:
            raise PlanError(
                f"loads: {in_words(how_many(count, name) for name, count in self.groups)} crossed "
                f"within {how_many(self.days, 'day')} need {crossings} bakes at least; there are "
                f"{self.runs}. Ask for fewer of them, or use trials.design.optimal."
            )

    def bits(self, name: str) -> int:
        """Return the bits that tell one day or one load from another, as a mask."""
        mask = place = self.days - 1
        if name == "day":
            return mask
        for group, count in self.groups:
            own = (count // self.days - 1) * (place + 1)
            if group == name:
                return mask | own
            place |= own
        raise PlanError(f'there is no group "{name}".')

    def ids(self, name: str) -> np.ndarray:
        """Return which day or load each bake belongs to, numbered from 0."""
        shared = np.arange(self.runs) & self.bits(name)
        return np.unique(shared, return_inverse=True)[1]

    def candidates(self, owner: str | None) -> np.ndarray:
        """Return the columns that a factor may have: constant in its own group, in no other."""
        columns = np.arange(1, self.runs)
        if owner is not None:
            own = columns[columns & ~self.bits(owner) == 0]
            within = own[own >= self.days]
            return within if len(within) else own
        shared = self.bits("day")
        for group, _ in self.groups:
            shared |= self.bits(group)
        free = columns[columns & ~shared != 0]
        if len(free):
            return free
        apart = [columns & ~self.bits(group) != 0 for group, _ in self.groups]
        return columns[np.all(apart, axis=0)] if apart else free

    def on_group(self) -> np.ndarray:
        """Return, for every column, whether it is judged between loads and not within them."""
        columns = np.arange(self.runs)
        within = [columns & ~self.bits(group) == 0 for group, _ in self.groups]
        return np.any(within, axis=0) if within else np.zeros(self.runs, dtype=bool)


def how_many(count: int, noun: str) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> how_many(1, "day"), how_many(4, "dough batch")
    ('1 day', '4 dough batches')
    """
    return f"{count} {noun}" + ("" if count == 1 else "es" if noun.endswith("ch") else "s")
