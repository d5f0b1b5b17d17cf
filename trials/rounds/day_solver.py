"""When each task of one day starts: the list schedule made better, and proved or bounded.

The list schedule places bake after bake at the first minute that suits all their tasks. Hands that
wait for a proof could have mixed the next bake, so it can be improved; where OR-tools is installed
its constraint solver does so and proves how far from the earliest finish the day can be at most.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trials.rounds.scheduling import Chain, finish_of, list_schedule, lower_bound, uses

try:
    from ortools.sat.python import cp_model
except ImportError:  # the list schedule is then used, with a bound of our own
    cp_model = None  # type: ignore[assignment]

EFFORT = 1.0  # the solver's deterministic seconds: the same answer on any machine
TIDYING = 0.25  # the share of it spent on needless waits once the finish is known


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
    >>> from trials.rounds.scheduling import Task
    >>> bake = [Chain((Task(i, "mix", 10, ("hands",)), Task(i, "proof", 30, (), 0),
    ...     Task(i, "fry", 5, ("pot", "hands"))), (), {"pot": 0}) for i in range(2)]
    >>> schedule(bake, {"hands": 1, "pot": 1}, effort=0).finish
    55
    """
    listed = list_schedule(chains, capacity)
    finish = finish_of(chains, listed)
    bound = lower_bound(chains, capacity)
    if cp_model is None or effort <= 0 or finish == bound:
        return Schedule(listed, finish, bound, finish)
    starts, proved = _solved(chains, capacity, listed, effort)
    return Schedule(starts, finish_of(chains, starts), max(bound, proved), finish)


def _solved(
    chains: Sequence[Chain],
    capacity: Mapping[str, int],
    listed: Sequence[Sequence[int]],
    effort: float,
) -> tuple[tuple[tuple[int, ...], ...], int]:
    """Return better starts and the proved bound: first the finish, then no idle waiting."""
    model, variables = _model(chains, capacity, finish_of(chains, listed))
    finish = model.new_int_var(0, finish_of(chains, listed), "finish")
    ends = [own[-1] + chain.tasks[-1].minutes for chain, own in zip(chains, variables, strict=True)]
    model.add_max_equality(finish, ends)
    _hint(model, variables, listed)
    model.minimize(finish)
    solver = _solver(effort)
    if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return tuple(map(tuple, listed)), 0
    best = _values(solver, variables)
    bound = int(np.ceil(solver.best_objective_bound - 1e-6))
    model.add(finish <= finish_of(chains, best))
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
            spots = uses(chain, name)
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
