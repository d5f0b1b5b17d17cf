"""When each task of one day starts: a list schedule, and a proved or bounded better one.

Whole minutes throughout. The order of bakes on what is heated (the pot, the oven) belongs to the
plan's randomisation and is never changed; only hands may turn to whatever is ready.

The list schedule places bake after bake at the first minute that suits all their tasks. Hands that
wait for a proof could have mixed the next bake, so it can be improved; where OR-tools is installed
its constraint solver does so and proves how far from the earliest finish the day can be at most.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trials.errors import RoundError

try:
    from ortools.sat.python import cp_model
except ImportError:  # the list schedule is then used, with a bound of our own
    cp_model = None  # type: ignore[assignment]

LONGEST_DAY = 3 * 24 * 60  # minutes that a list schedule may run to before it is called hopeless
EFFORT = 1.0  # the solver's deterministic seconds: the same answer on any machine
TIDYING = 0.25  # the share of it spent on needless waits once the finish is known


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


@dataclass(frozen=True)
class Schedule:
    """When the tasks start, in minutes from the start of the day.

    Parameters
    ----------
    starts : tuple of tuple of int
        One per chain and task.
    finish : int
    bound : int
        No schedule finishes before this minute.
    listed : int
        When the list schedule finishes.
    """

    starts: tuple[tuple[int, ...], ...]
    finish: int
    bound: int
    listed: int


def schedule(
    chains: Sequence[Chain], capacity: Mapping[str, int], *, effort: float = EFFORT
) -> Schedule:
    """Return when each task starts so that the day is over early.

    Parameters
    ----------
    chains : sequence of Chain
        In the plan's order.
    capacity : mapping of str to int
        How many tasks each thing can hold at once.
    effort : float
        Deterministic seconds of the solver; 0 gives the list schedule.

    Returns
    -------
    Schedule
        Never later than the list schedule.

    Raises
    ------
    RoundError
        When a task can not be placed at all.

    References
    ----------
    Kolisch 1996, Eur J Oper Res 90:320 (serial schedule generation); the solver is OR-tools'
    CP-SAT, whose bound proves the rest.

    Examples
    --------
    >>> bake = [Chain((Task(i, "mix", 10, ("hands",)), Task(i, "proof", 30, (), 0),
    ...     Task(i, "fry", 5, ("pot", "hands"))), (), {"pot": 0}) for i in range(2)]
    >>> schedule(bake, {"hands": 1, "pot": 1}, effort=0).finish
    55
    """
    listed = list_schedule(chains, capacity)
    finish = _finish(chains, listed)
    bound = lower_bound(chains, capacity)
    if cp_model is None or effort <= 0 or finish == bound:
        return Schedule(listed, finish, bound, finish)
    starts, proved = _solved(chains, capacity, listed, effort)
    return Schedule(starts, _finish(chains, starts), max(bound, proved), finish)


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


def _uses(chain: Chain, name: str) -> list[int]:
    return [at for at, task in enumerate(chain.tasks) if name in task.needs]


def _before(chain: Chain, name: str) -> int:
    return sum(task.minutes for task in chain.tasks[: _uses(chain, name)[0]])


def _behind(chain: Chain, name: str) -> int:
    return sum(task.minutes for task in chain.tasks[_uses(chain, name)[-1] + 1 :])


def _span(chain: Chain, name: str) -> int:
    first, last = _uses(chain, name)[0], _uses(chain, name)[-1]
    return sum(task.minutes for task in chain.tasks[first : last + 1])


def _ended(chain: Chain, starts: Sequence[int], at: int) -> int:
    return starts[at] + chain.tasks[at].minutes


def _end(chain: Chain, starts: Sequence[int]) -> int:
    return _ended(chain, starts, len(chain.tasks) - 1)


def _finish(chains: Sequence[Chain], starts: Sequence[Sequence[int]]) -> int:
    return max(_end(chain, own) for chain, own in zip(chains, starts, strict=True))


def _solved(
    chains: Sequence[Chain],
    capacity: Mapping[str, int],
    listed: Sequence[Sequence[int]],
    effort: float,
) -> tuple[tuple[tuple[int, ...], ...], int]:
    """Return better starts and the proved bound: first the finish, then no idle waiting."""
    model, variables = _model(chains, capacity, _finish(chains, listed))
    finish = model.new_int_var(0, _finish(chains, listed), "finish")
    ends = [own[-1] + chain.tasks[-1].minutes for chain, own in zip(chains, variables, strict=True)]
    model.add_max_equality(finish, ends)
    _hint(model, variables, listed)
    model.minimize(finish)
    solver = _solver(effort)
    if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return tuple(map(tuple, listed)), 0
    best = _values(solver, variables)
    bound = int(np.ceil(solver.best_objective_bound - 1e-6))
    model.add(finish <= _finish(chains, best))
    model.clear_hints()
    _hint(model, variables, best)
    model.minimize(sum(end - own[0] for end, own in zip(ends, variables, strict=True)))
    second = _solver(TIDYING * effort)
    if second.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        best = _values(second, variables)
    return best, bound


def _model(
    chains: Sequence[Chain], capacity: Mapping[str, int], horizon: int
) -> tuple[Any, list[list[Any]]]:
    model = cp_model.CpModel()
    variables: list[list[Any]] = []
    used: dict[str, list[Any]] = {name: [] for name in capacity}
    last: dict[str, Any] = {}
    for number, chain in enumerate(chains):
        own = [model.new_int_var(0, horizon, f"{number} {at}") for at, _ in enumerate(chain.tasks)]
        variables.append(own)
        for before in chain.after:
            model.add(own[0] >= variables[before][-1] + chains[before].tasks[-1].minutes)
        for at, task in enumerate(chain.tasks):
            end = own[at] + task.minutes
            if at + 1 < len(chain.tasks):
                model.add(own[at + 1] >= end)
                if task.wait is not None:
                    model.add(own[at + 1] <= end + task.wait)
            interval = model.new_fixed_size_interval_var(own[at], task.minutes, f"{number} {at}")
            for name in task.needs:
                used[name].append(interval)
        for name, minutes in chain.setups.items():
            spots = _uses(chain, name)
            if spots:
                model.add(own[spots[0]] >= last.get(name, 0) + minutes)
                last[name] = own[spots[-1]] + chain.tasks[spots[-1]].minutes
    for name, intervals in used.items():
        model.add_cumulative(intervals, [1] * len(intervals), capacity[name])
    return model, variables


def _hint(model: Any, variables: list[list[Any]], starts: Sequence[Sequence[int]]) -> None:
    for own, values in zip(variables, starts, strict=True):
        for variable, value in zip(own, values, strict=True):
            model.add_hint(variable, value)


def _solver(effort: float) -> Any:
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = effort
    return solver


def _values(solver: Any, variables: list[list[Any]]) -> tuple[tuple[int, ...], ...]:
    return tuple(tuple(int(solver.value(start)) for start in own) for own in variables)
