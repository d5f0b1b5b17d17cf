"""The work of one day as chains of tasks: a list schedule, and a bound no schedule can beat.

Whole minutes throughout. The order of bakes on what is heated (the pot, the oven) belongs to the
plan's randomisation and is never changed; only hands may turn to whatever is ready.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trials.errors import RoundError

LONGEST_DAY = 3 * 24 * 60  # minutes that a list schedule may run to before it is called hopeless


@dataclass(frozen=True)
class Task:
    """One stretch of work that is not interrupted.

    Parameters
    ----------
    chain : int
        Which chain it belongs to: the tasks of one chain follow one another.
    name : str
    minutes : int
    needs : tuple of str
        What it occupies.
    wait : int or None
        The most minutes the next task of the chain may keep it waiting; None for any.
    """

    chain: int
    name: str
    minutes: int
    needs: tuple[str, ...] = ()
    wait: int | None = None


@dataclass(frozen=True)
class Chain:
    """Tasks that follow one another, after other chains.

    Parameters
    ----------
    tasks : tuple of Task
    after : tuple of int
        Chains that must be finished first.
    setups : mapping of str to int
        Minutes that a heated thing needs before this chain may use it, counted from the end of
        the chain before it there, or from the start of the day.
    """

    tasks: tuple[Task, ...]
    after: tuple[int, ...]
    setups: Mapping[str, int]


def list_schedule(
    chains: Sequence[Chain], capacity: Mapping[str, int]
) -> tuple[tuple[int, ...], ...]:
    """Return the starts when chain after chain is placed as early as it fits.

    Examples
    --------
    >>> two = [Chain((Task(i, "mix", 10, ("hands",)),), (), {}) for i in range(2)]
    >>> list_schedule(two, {"hands": 1})
    ((0,), (10,))
    """
    busy = {name: np.zeros(LONGEST_DAY, dtype=int) for name in capacity}
    free_from: dict[str, int] = {}
    starts: list[tuple[int, ...]] = []
    for chain in chains:
        ready = max((_end(chains[at], starts[at]) for at in chain.after), default=0)
        placed = _placed(chain, ready, busy, capacity, free_from)
        for task, start in zip(chain.tasks, placed, strict=True):
            for name in task.needs:
                busy[name][start : start + task.minutes] += 1
                if name in chain.setups:
                    free_from[name] = start + task.minutes
        starts.append(placed)
    return tuple(starts)


def _placed(
    chain: Chain,
    ready: int,
    busy: Mapping[str, np.ndarray],
    capacity: Mapping[str, int],
    free_from: Mapping[str, int],
) -> tuple[int, ...]:
    """Return the first starts that suit all tasks of a chain, waits included."""
    least = [ready] * len(chain.tasks)
    for at, task in enumerate(chain.tasks):
        for name in task.needs:
            if name in chain.setups:
                least[at] = max(least[at], free_from.get(name, 0) + chain.setups[name])
    at = 0
    starts = [0] * len(chain.tasks)
    while at < len(chain.tasks):
        task = chain.tasks[at]
        earliest = least[at] if at == 0 else max(least[at], _ended(chain, starts, at - 1))
        starts[at] = _first_gap(task, earliest, busy, capacity)
        before = chain.tasks[at - 1] if at else None
        if before is not None and before.wait is not None:
            late = starts[at] - _ended(chain, starts, at - 1) - before.wait
            if late > 0:  # the task before must start later, so that nothing over-proofs
                least[at - 1] = starts[at - 1] + late
                at -= 1
                continue
        at += 1
    return tuple(starts)


def _first_gap(
    task: Task, earliest: int, busy: Mapping[str, np.ndarray], capacity: Mapping[str, int]
) -> int:
    start = earliest
    while start + task.minutes <= LONGEST_DAY:
        window = slice(start, start + max(task.minutes, 1))
        full = [np.flatnonzero(busy[name][window] >= capacity[name]) for name in task.needs]
        clashes = [taken[-1] for taken in full if len(taken)]
        if not clashes:
            return start
        start += int(max(clashes)) + 1
    raise RoundError(f'"{task.name}" finds no place within three days; check its minutes.')


def lower_bound(chains: Sequence[Chain], capacity: Mapping[str, int]) -> int:
    """Return a minute before which no schedule can finish.

    The longest chain with what it follows; and for each thing, the shortest lead to its first
    use, its whole work (set-ups included where the order is fixed) and the shortest tail.

    Examples
    --------
    >>> two = [Chain((Task(i, "mix", 10, ("hands",)),), (), {}) for i in range(2)]
    >>> lower_bound(two, {"hands": 1})
    20
    """
    heads: list[int] = []
    for chain in chains:
        heads.append(max((heads[at] + _length(chains[at]) for at in chain.after), default=0))
    bounds = [head + _length(chain) for head, chain in zip(heads, chains, strict=True)]
    for name, count in capacity.items():
        users = [at for at, chain in enumerate(chains) if _work(chain, name)]
        if not users:
            continue
        lead = min(heads[at] + _before(chains[at], name) for at in users)
        tail = min(_behind(chains[at], name) for at in users)
        bounds.append(lead + -(-sum(_work(chains[at], name) for at in users) // count) + tail)
        bounds.append(_ordered_bound(chains, heads, name))
    return max(bounds)


def _ordered_bound(chains: Sequence[Chain], heads: Sequence[int], name: str) -> int:
    """Return when the last chain is over, each waiting for the one before on a heated thing."""
    free, over = 0, 0
    for head, chain in zip(heads, chains, strict=True):
        if name in chain.setups and _work(chain, name):
            start = max(free + chain.setups[name], head + _before(chain, name))
            free = start + _span(chain, name)
            over = max(over, free + _behind(chain, name))
    return over


def _length(chain: Chain) -> int:
    return sum(task.minutes for task in chain.tasks)


def _work(chain: Chain, name: str) -> int:
    return sum(task.minutes for task in chain.tasks if name in task.needs)


def uses(chain: Chain, name: str) -> list[int]:
    """Return the positions of the tasks of a chain that need something.

    Examples
    --------
    >>> uses(Chain((Task(0, "mix", 10, ("hands",)), Task(0, "rest", 20)), (), {}), "hands")
    [0]
    """
    return [at for at, task in enumerate(chain.tasks) if name in task.needs]


def _before(chain: Chain, name: str) -> int:
    return sum(task.minutes for task in chain.tasks[: uses(chain, name)[0]])


def _behind(chain: Chain, name: str) -> int:
    return sum(task.minutes for task in chain.tasks[uses(chain, name)[-1] + 1 :])


def _span(chain: Chain, name: str) -> int:
    first, last = uses(chain, name)[0], uses(chain, name)[-1]
    return sum(task.minutes for task in chain.tasks[first : last + 1])


def _ended(chain: Chain, starts: Sequence[int], at: int) -> int:
    return starts[at] + chain.tasks[at].minutes


def _end(chain: Chain, starts: Sequence[int]) -> int:
    return _ended(chain, starts, len(chain.tasks) - 1)


def finish_of(chains: Sequence[Chain], starts: Sequence[Sequence[int]]) -> int:
    """Return the minute at which the last chain is over.

    Examples
    --------
    >>> finish_of([Chain((Task(0, "mix", 10),), (), {})], [[5]])
    15
    """
    return max(_end(chain, own) for chain, own in zip(chains, starts, strict=True))
