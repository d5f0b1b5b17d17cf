"""A bake day hour by hour: what needs the hands, the pot and the oven, and when all is over."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import RoundError
from trials.base.html import answer
from trials.base.words import in_words, tidy_number
from trials.core.factors import holds, is_blank
from trials.core.plan import Plan, kitchen_group
from trials.rounds.kitchen import Heat, Kitchen, Step, check_steps, clock, clock_minutes
from trials.rounds.round import FRESH, Round, opened

# -- The work of one day as chains of tasks: a list schedule, and a bound no schedule can beat.
#
# Whole minutes throughout. The order in which bakes go onto the heat (the pot, the oven) belongs to
# the plan's randomisation and is never changed; only hands may turn to whatever is ready.


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
    resting : bool
        Whether its first task is a rest of what the last chain of `after` made: that begins when
        the dough is mixed, whenever somebody has a hand free for what follows.
    in_turn : bool
        Whether its first use of something heated comes no sooner than that of the chain before,
        wherever that is heated: bakes go onto the heat in the order that was drawn by chance.
    """

    tasks: tuple[Task, ...]
    after: tuple[int, ...]
    setups: Mapping[str, int]
    resting: bool = False
    in_turn: bool = True


def list_schedule(
    chains: Sequence[Chain], capacity: Mapping[str, int], order: Sequence[int] | None = None
) -> tuple[tuple[int, ...], ...]:
    """Return the starts when chain after chain is placed as early as it fits.

    Parameters
    ----------
    chains : sequence of Chain
    capacity : mapping
    order : sequence of int, optional
        Which chain is placed first, second ...; those that one comes after stand before it. As
        they are listed when left out.

    Examples
    --------
    >>> two = [Chain((Task(i, "mix", 10, ("hands",)),), (), {}) for i in range(2)]
    >>> list_schedule(two, {"hands": 1})
    ((0,), (10,))
    """
    busy = {name: np.zeros(LONGEST_DAY, dtype=int) for name in capacity}
    free_from: dict[str, int] = {}
    starts: list[tuple[int, ...]] = [()] * len(chains)
    for place in range(len(chains)) if order is None else order:
        chain = chains[place]
        ready = max((_end(chains[at], starts[at]) for at in chain.after), default=0)
        placed = _placed(chain, ready, busy, capacity, free_from)
        for task, start in zip(chain.tasks, placed, strict=True):
            for name in task.needs:
                busy[name][start : start + task.minutes] += 1
                if name in chain.setups:
                    free_from[name] = start + task.minutes
        turn = _first_heated(chain)
        if turn is not None:
            free_from[IN_TURN] = placed[turn]
        starts[place] = placed
    return tuple(starts)


IN_TURN = ""  # no thing is called so: when the last bake went onto the heat


def _first_heated(chain: Chain) -> int | None:
    """Return the task by which a chain goes onto the heat in its turn; None where none does."""
    if not chain.in_turn:
        return None
    return min((uses(chain, name)[0] for name in chain.setups if uses(chain, name)), default=None)


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
    turn = _first_heated(chain)
    if turn is not None:
        least[turn] = max(least[turn], free_from.get(IN_TURN, 0))
    at = 0
    starts = [0] * len(chain.tasks)
    while at < len(chain.tasks):
        task = chain.tasks[at]
        earliest = least[at] if at == 0 else max(least[at], _ended(chain, starts, at - 1))
        starts[at] = _first_gap(task, earliest, busy, capacity)
        before = chain.tasks[at - 1] if at > chain.resting else None
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


# -- When each task of one day starts: the list schedule made better, and proved or bounded.
#
# The list schedule places bake after bake at the first minute that suits all their tasks. Hands
# that wait for a proof could have mixed the next bake, so other orders of placing are tried. Where
# OR-tools is installed its constraint solver proves how far from the earliest finish the day can be
# at most, and takes over where it finds a better one: a day is the same with and without it
# wherever the orders tried hold the best.


try:
    from ortools.sat.python import cp_model
except ImportError:  # the list schedule is then used, with a bound of our own
    cp_model = None  # type: ignore[assignment]

EFFORT = 1.0  # the solver's deterministic seconds: the same answer on any machine
TIDYING = 0.25  # the share of it spent on needless waits once the finish is known
TRIES, SEED = 600, 1990  # orders of placing that are tried, drawn by chance


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

    References
    ----------
    Kolisch 1996, Eur J Oper Res 90:320 (serial schedule generation); Kolisch & Hartmann 1999, in
    Project Scheduling, ch. 7 (search over the orders in which it places); the solver is
    OR-tools' CP-SAT, whose bound proves the rest.

    Examples
    --------
    >>> from trials.rounds.timetable import Task
    >>> bake = [Chain((Task(i, "mix", 10, ("hands",)), Task(i, "proof", 30, (), 0),
    ...     Task(i, "fry", 5, ("pot", "hands"))), (), {"pot": 0}) for i in range(2)]
    >>> schedule(bake, {"hands": 1, "pot": 1}, effort=0).finish
    55
    """
    listed = list_schedule(chains, capacity)
    finish = finish_of(chains, listed)
    bound = lower_bound(chains, capacity)
    if effort <= 0:
        return Schedule(listed, finish, bound, finish)
    found = _other_orders(chains, capacity, listed, bound)
    if cp_model is not None and (finish_of(chains, found) > bound or _overrun(chains, found)):
        found, proved = _solved(chains, capacity, found, effort)
        bound = max(bound, proved)
    return Schedule(found, finish_of(chains, found), bound, finish)


def _overrun(chains: Sequence[Chain], starts: Sequence[Sequence[int]]) -> int:
    """Return by how many minutes rests run on, as nobody is there for what follows."""
    return sum(
        own[at + 1] - _ended(chain, own, at)
        for chain, own in zip(chains, starts, strict=True)
        for at, task in enumerate(chain.tasks[:-1])
        if not task.needs
    )


def _waiting(chains: Sequence[Chain], starts: Sequence[Sequence[int]]) -> int:
    """Return the minutes that things wait between their steps, rests that run on among them."""
    return sum(
        _end(chain, own) - own[0] - _length(chain)
        for chain, own in zip(chains, starts, strict=True)
    )


def _other_orders(
    chains: Sequence[Chain],
    capacity: Mapping[str, int],
    listed: tuple[tuple[int, ...], ...],
    bound: int,
) -> tuple[tuple[int, ...], ...]:
    """Return the best starts that other orders of placing give.

    Best is over early, then with rests that are kept, then with few waits. What may wait is placed
    by itself, so that hands can turn to whatever is ready; one part at a time is moved, by chance,
    and stays there where that is no worse.
    """
    parts, places = _parted(chains)
    follows = [_follows(parts, at) for at in range(len(parts))]
    rng = np.random.default_rng(SEED)

    def tried(order: Sequence[int]) -> tuple[tuple[int, int, int], tuple[tuple[int, ...], ...]]:
        starts = _together(chains, places, list_schedule(parts, capacity, order))
        return _worth(chains, starts), starts

    order = list(range(len(parts)))
    value, best = min((_worth(chains, listed), listed), tried(order), key=lambda one: one[0])
    for _ in range(TRIES):
        if value[:2] == (bound, 0):
            break
        part = int(rng.integers(len(parts)))
        rest = [one for one in order if one != part]
        first = max((rest.index(one) + 1 for one in follows[part]), default=0)
        last = min((at for at, one in enumerate(rest) if part in follows[one]), default=len(rest))
        place = int(rng.integers(first, last + 1))
        moved = [*rest[:place], part, *rest[place:]]
        found, starts = tried(moved)
        if found <= value:
            order, value, best = moved, found, starts
    return best


def _worth(chains: Sequence[Chain], starts: Sequence[Sequence[int]]) -> tuple[int, int, int]:
    return finish_of(chains, starts), _overrun(chains, starts), _waiting(chains, starts)


def _parted(chains: Sequence[Chain]) -> tuple[list[Chain], list[tuple[int, range]]]:
    """Return chains parted where something may wait, and which tasks of which chain each part is.

    What is heated is not given to another bake between two uses.
    """
    parts: list[Chain] = []
    places: list[tuple[int, range]] = []
    ends: list[int] = []
    for number, chain in enumerate(chains):
        used = [uses(chain, name) for name in chain.setups]
        held = {at for own in used if own for at in range(own[0], own[-1])}
        cuts = [at + 1 for at, task in enumerate(chain.tasks) if task.wait is None]
        cuts = [at for at in cuts if at - 1 not in held and at < len(chain.tasks)]
        after = tuple(ends[at] for at in chain.after)
        for first, last in pairwise([0, *cuts, len(chain.tasks)]):
            own = chain.tasks[first:last]
            setups = {
                name: minutes
                for name, minutes in chain.setups.items()
                if any(name in task.needs for task in own)
            }
            turn = _first_heated(chain)
            in_turn = turn is not None and first <= turn < last
            parts.append(Chain(own, after, setups, chain.resting and not first, in_turn))
            places.append((number, range(first, last)))
            after = (len(parts) - 1,)
        ends.append(len(parts) - 1)
    return parts, places


def _together(
    chains: Sequence[Chain],
    places: Sequence[tuple[int, range]],
    starts: Sequence[Sequence[int]],
) -> tuple[tuple[int, ...], ...]:
    """Return the starts of whole chains from those of their parts."""
    found = [[0] * len(chain.tasks) for chain in chains]
    for (number, tasks), own in zip(places, starts, strict=True):
        for at, start in zip(tasks, own, strict=True):
            found[number][at] = start
    return tuple(map(tuple, found))


def _follows(chains: Sequence[Chain], at: int) -> set[int]:
    """Return which chains stay before one: what it comes after, and who is before it on a heat."""
    heats = {name for name in chains[at].setups if _work(chains[at], name)}
    turn = _first_heated(chains[at]) is not None
    before = (
        other
        for other in range(at)
        if any(name in chains[other].setups and _work(chains[other], name) for name in heats)
        or (turn and _first_heated(chains[other]) is not None)
    )
    return {*chains[at].after, *before}


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
    if finish_of(chains, best) == finish_of(chains, listed):
        best = tuple(map(tuple, listed))  # the same day with and without the solver
    model.add(finish <= finish_of(chains, best))
    model.clear_hints()
    _hint(model, variables, best)
    model.minimize(sum(end - own[0] for end, own in zip(ends, variables, strict=True)))
    second = _solver(TIDYING * effort)
    if _overrun(chains, best) and second.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        tidied = _values(second, variables)
        best = min(best, tidied, key=lambda one: _overrun(chains, one))
    return best, bound


def _model(
    chains: Sequence[Chain], capacity: Mapping[str, int], horizon: int
) -> tuple[Any, list[list[Any]]]:
    model = cp_model.CpModel()
    variables: list[list[Any]] = []
    used: dict[str, list[Any]] = {name: [] for name in capacity}
    last: dict[str, Any] = {}
    turns: list[Any] = []
    for number, chain in enumerate(chains):
        own = [model.new_int_var(0, horizon, f"{number} {at}") for at, _ in enumerate(chain.tasks)]
        variables.append(own)
        for before in chain.after:
            model.add(own[0] >= variables[before][-1] + chains[before].tasks[-1].minutes)
        if chain.resting:
            made = chain.after[-1]
            model.add(own[0] == variables[made][-1] + chains[made].tasks[-1].minutes)
        for at, task in enumerate(chain.tasks):
            end = own[at] + task.minutes
            if at + 1 < len(chain.tasks):
                model.add(own[at + 1] >= end)
                if task.wait is not None and (at or not chain.resting):
                    model.add(own[at + 1] <= end + task.wait)
            interval = model.new_fixed_size_interval_var(own[at], task.minutes, f"{number} {at}")
            for name in task.needs:
                used[name].append(interval)
        for name, minutes in chain.setups.items():
            spots = uses(chain, name)
            if spots:
                model.add(own[spots[0]] >= last.get(name, 0) + minutes)
                last[name] = own[spots[-1]] + chain.tasks[spots[-1]].minutes
        turn = _first_heated(chain)
        if turn is not None:
            turns.append(own[turn])
    for before, after in pairwise(turns):
        model.add(after >= before)
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


# -- A bake day hour by hour: what needs the hands, the pot and the oven, and when all is over.


# The plan drew the order of bakes by chance, and what is shared and hot keeps it.
WHOLE_DAY = "whole day"
IN_ORDER = ("pot", "oven", "pan", "griddle", "fryer", "grill", "steamer", "wok")


@dataclass(frozen=True, eq=False)
class Timetable:
    """When what is done, and whether the days can be worked.

    Parameters
    ----------
    tasks : DataFrame
        Columns day, bake (or the load the step is for), load, step, needs, start, end (minutes
        after midnight), from, to (clock); rests for: the minutes until the next step begins,
        where a step that needs nothing runs longer than was planned, else missing.
    ready : DataFrame
        One row per bake: day, bake, ready, taste by (clock), sitting (which bakes of a day can be
        tasted together: 1, 2 ...).
    days : DataFrame
        One row per day: bakes, start, finish, in simple order (when working down the list of
        bakes would end), no earlier than (the proved bound), minutes to gain (between finish and
        bound), fits, would fit (bakes), taste from, taste until.
    fresh : bool
        Whether each piece is tasted as it is ready, and not all of a sitting at once.
    """

    tasks: pd.DataFrame = field(repr=False)
    ready: pd.DataFrame = field(repr=False)
    days: pd.DataFrame
    fresh: bool = False

    def sentences(self) -> list[str]:
        """Return what the days ask of the kitchen, in words."""
        said = []
        for day in self.days.to_dict("records"):
            ready = self.ready[self.ready["day"] == day["day"]]
            tasting = _fresh_words(ready) if self.fresh else _together_words(ready, day)
            said.append(f"{_day_words(day)} {tasting}")
        return said

    def __repr__(self) -> str:
        return "\n".join(self.sentences())

    def _repr_html_(self) -> str:
        return answer(self.sentences(), [self.days])


@checked_types(RoundError)
def timetable(
    planned: Round | Plan | str | Path,
    steps: Sequence[Step] | None = None,
    kitchen: Kitchen | None = None,
    *,
    effort: float = EFFORT,
) -> Timetable:
    """Return the bake days of a round or a plan hour by hour.

    The order of bakes and loads is the plan's and is kept wherever something is heated, so that
    sheets, timetable and oven agree on it.

    Parameters
    ----------
    planned : Round or Plan, or its folder
    steps : sequence of Step, optional
        In the order they are done; those of a day or a load come before those of a bake. The
        round's own when left out.
    kitchen : Kitchen, optional
        The round's own when left out; where it has none, one pair of hands, one pot, one oven,
        nine to six.
    effort : float
        How long the solver may think, in its own deterministic seconds; 0 for the list schedule.

    Returns
    -------
    Timetable

    Raises
    ------
    RoundError
        When no step is named, needs what the kitchen does not have, takes its minutes from what
        is no factor, or stands in the wrong place.

    References
    ----------
    Kolisch 1996, Eur J Oper Res 90:320 (how each day is laid out: :func:`schedule`).

    Examples
    --------
    >>> from trials.design.layout import lay_out
    >>> from trials.core.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> bakes = pd.DataFrame({"rest": [20, 60]})
    >>> plan = lay_out([rest], bakes, family="ends", model="main", seed=2)
    >>> steps = [Step("mix", 10, "hands"), Step("rest", "rest", wait=0), Step("bake", 12, "oven")]
    >>> timetable(plan, steps, effort=0).days[["start", "finish", "fits"]]
      start finish  fits
    0  9:00  10:32  True
    """
    planned = planned if isinstance(planned, Plan) else opened(planned)
    plan, steps, kitchen = _asked(planned, steps, kitchen)
    check_steps(plan, steps, kitchen)
    start = clock_minutes(kitchen.start)
    tasks, ready, days = [], [], []
    for day, bakes in plan.table.groupby("day", sort=True):
        chains, labels = _chains(plan, bakes, steps, kitchen)
        made = schedule(chains, kitchen.things, effort=effort)
        tasks += _task_rows(day, chains, labels, made, start)
        done = _ready_rows(day, chains, labels, made, start, kitchen)
        ready += done
        days.append(_day_row(plan, day, bakes, steps, kitchen, made, done))
    clocks = ["ready", "taste by"]
    ready_table = pd.DataFrame(ready)
    ready_table[clocks] = ready_table[clocks].map(clock)
    fresh = isinstance(planned, Round) and planned.taste == FRESH
    return Timetable(pd.DataFrame(tasks), ready_table, pd.DataFrame(days), fresh)


def _asked(
    planned: Round | Plan, steps: Sequence[Step] | None, kitchen: Kitchen | None
) -> tuple[Plan, Sequence[Step], Kitchen]:
    if isinstance(planned, Round):
        steps = planned.steps if steps is None else steps
        kitchen = kitchen or planned.kitchen
        planned = planned.plan
    if not steps:
        raise RoundError(
            "no step is named, so no day can be laid out; name the steps of a bake with their "
            "minutes, as steps= of the round or as [[steps]] in idea.toml."
        )
    return planned, steps, kitchen or Kitchen()


@dataclass(frozen=True)
class _Label:
    """What a chain is for: its bake, its load, and what to do to each heated thing first."""

    bake: str
    load: Any
    heating: Mapping[str, str]


def _chains(
    plan: Plan, bakes: pd.DataFrame, steps: Sequence[Step], kitchen: Kitchen
) -> tuple[list[Chain], list[_Label]]:
    """Return one chain per bake and per shared piece of work, with what each is for."""
    chains: list[Chain] = []
    labels: list[_Label] = []
    made: dict[tuple[str, Any], int] = {}
    heated: dict[str, tuple[float, Any]] = {}
    shared = list(dict.fromkeys(step.per for step in steps if step.per != "bake"))
    for row in bakes.to_dict("records"):
        after: list[int] = []
        for per in shared:
            key = (per, row[per])
            if per != "day" and pd.isna(row[per]):
                continue  # a baked piece waits for no oil fill
            if key not in made:
                work = _resting_at_once(
                    _task(len(chains), step, row)
                    for step in steps
                    if step.per == per and step.is_for(row)
                )
                if not work:
                    continue
                made[key] = len(chains)
                chains.append(Chain(work, tuple(after), {}))
                labels.append(_Label(shared_name(plan, per, row), row["load"], {}))
            after.append(made[key])
        own = _resting_at_once(
            _task(len(chains), step, row)
            for step in steps
            if step.per == "bake" and step.is_for(row)
        )
        if not own:
            raise RoundError(f"bake {row['bake']} has no step with minutes; name one that it has.")
        heats = [one for one in kitchen.heats if any(one.thing in task.needs for task in own)]
        setups = _setups(plan, row, heats, heated)
        minutes = dict.fromkeys(IN_ORDER, 0) | {thing: one[0] for thing, one in setups.items()}
        resting = bool(after) and not own[0].needs and labels[after[-1]].bake != WHOLE_DAY
        chains.append(Chain(own, tuple(after), minutes, resting))
        words = {thing: one[1] for thing, one in setups.items()}
        labels.append(_Label(row["bake"], row["load"], words))
    return chains, labels


def shared_name(plan: Plan, per: str, row: Mapping[str, Any]) -> str:
    """Return what a step of a bake is done to: the bake, the dough or fill it shares, the day."""
    if per in ("bake", "day"):
        return str(row["bake"]) if per == "bake" else WHOLE_DAY
    return f"{kitchen_group(per, plan.factors)} {row[per]}"


def _task(chain: int, step: Step, row: Mapping[str, Any]) -> Task:
    minutes = row[step.minutes] if isinstance(step.minutes, str) else step.minutes
    wait = None if step.wait is None else int(step.wait)
    if wait is None and isinstance(step.minutes, str) and not step.needs:
        wait = 0  # a rest that the plan varies is kept to the minute, or it varies otherwise
    return Task(chain, step.name, ceil(float(minutes)), tuple(step.needs), wait)


def _resting_at_once(tasks: Iterable[Task]) -> tuple[Task, ...]:
    """Return the tasks of a chain with each rest beginning when the step before it ends."""
    own = tuple(tasks)
    rests = [not task.needs for task in own[1:]] + [False]
    return tuple(
        replace(task, wait=0) if then_rests else task
        for task, then_rests in zip(own, rests, strict=True)
    )


def _setups(
    plan: Plan,
    row: Mapping[str, Any],
    heats: Sequence[Heat],
    heated: dict[str, tuple[float, Any]],
) -> dict[str, tuple[int, str]]:
    """Return minutes and words of what each heated thing needs first; note what it is set to."""
    setups = {}
    for heat in heats:
        factor = plan.factor(heat.factor) if heat.factor else None
        if (factor and is_blank(row[heat.factor])) or not holds(heat.only_when, row):
            continue  # nothing of this bake is heated there
        load = row.get((factor.group if factor else None) or "load")
        load = None if load is None or pd.isna(load) else load
        setting = float(row[heat.factor]) if factor else heat.setting
        shown = factor.show(setting) if factor else f"{tidy_number(setting)}°"
        before, same = heated.get(heat.thing, (None, load))
        minutes = heat.minutes(before, setting)
        if same != load:
            minutes += ceil(heat.between_loads)
        words = f"{heat.thing}: {'cool' if before and before > setting else 'heat'} to {shown}"
        if before is not None and minutes <= heat.between_bakes:
            minutes = ceil(heat.between_bakes)
            words = f"{heat.thing}: back to {shown}" if before == setting else words
        setups[heat.thing] = (minutes, words)
        heated[heat.thing] = (setting, load)
    return setups


def _task_rows(
    day: Any,
    chains: Sequence[Chain],
    labels: Sequence[_Label],
    made: Schedule,
    start: int,
) -> list[dict[str, Any]]:
    rows = []
    for number, (chain, label, begins) in enumerate(zip(chains, labels, made.starts, strict=True)):
        bake, load = label.bake, label.load
        for thing, minutes in chain.setups.items():
            used = [at for at, task in enumerate(chain.tasks) if thing in task.needs]
            if used and minutes:
                first = begins[used[0]]
                rows.append(
                    _row(
                        day,
                        bake,
                        load,
                        label.heating[thing],
                        (thing,),
                        start + first - minutes,
                        minutes,
                    )
                )
        after = [*begins[1:], _taken_up(chains, made.starts, number)]
        for task, begin, following in zip(chain.tasks, begins, after, strict=True):
            row = _row(day, bake, load, task.name, task.needs, start + begin, task.minutes)
            rests = 0 if following is None or task.needs else following - begin
            row["rests for"] = rests if rests > task.minutes else None
            rows.append(row)
    return sorted(rows, key=lambda row: (row["start"], row["end"]))


def _taken_up(chains: Sequence[Chain], starts: Sequence[Sequence[int]], number: int) -> int | None:
    """Return when the first of those that come right after a chain begins; None of the last."""
    return min(
        (
            own[0]
            for chain, own in zip(chains, starts, strict=True)
            if chain.after and chain.after[-1] == number
        ),
        default=None,
    )


def _row(
    day: Any, bake: str, load: Any, step: str, needs: Sequence[str], start: int, minutes: int
) -> dict[str, Any]:
    return {
        "day": day,
        "bake": bake,
        "load": load,
        "step": step,
        "needs": in_words(needs),
        "start": start,
        "end": start + minutes,
        "from": clock(start),
        "to": clock(start + minutes),
    }


def _ready_rows(
    day: Any,
    chains: Sequence[Chain],
    labels: Sequence[_Label],
    made: Schedule,
    start: int,
    kitchen: Kitchen,
) -> list[dict[str, Any]]:
    keeps = min(kitchen.safe, kitchen.fresh or kitchen.safe)
    before = {at for chain in chains for at in chain.after}
    rows = []
    for at, (chain, label) in enumerate(zip(chains, labels, strict=True)):
        if at not in before:
            ready = start + made.starts[at][-1] + chain.tasks[-1].minutes
            rows.append({"day": day, "bake": label.bake, "ready": ready, "taste by": ready + keeps})
    return _in_sittings(rows)


def _in_sittings(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return bakes with the sitting at which they can be tasted together, as few as there may be.

    The one ready first is joined by all that are ready before it is too old, and so on.
    """
    sitting, until = 0, -1
    of: dict[str, int] = {}
    for row in sorted(rows, key=lambda row: row["ready"]):
        if row["ready"] > until:
            sitting, until = sitting + 1, row["taste by"]
        of[row["bake"]] = sitting
    return [{**row, "sitting": of[row["bake"]]} for row in rows]


def _day_row(
    plan: Plan,
    day: Any,
    bakes: pd.DataFrame,
    steps: Sequence[Step],
    kitchen: Kitchen,
    made: Schedule,
    done: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    start, until = clock_minutes(kitchen.start), clock_minutes(kitchen.until)
    fits = start + made.finish <= until
    first, last = max(row["ready"] for row in done), min(row["taste by"] for row in done)
    return {
        "day": day,
        "bakes": len(bakes),
        "start": kitchen.start,
        "finish": clock(start + made.finish),
        "in simple order": clock(start + made.listed),
        "no earlier than": clock(start + made.bound),
        "minutes to gain": made.finish - made.bound,
        "fits": fits,
        "would fit": len(bakes) if fits else _would_fit(plan, bakes, steps, kitchen),
        "until": kitchen.until,
        "taste from": clock(first),
        "taste until": clock(last),
        "together": first <= last,
    }


def _would_fit(plan: Plan, bakes: pd.DataFrame, steps: Sequence[Step], kitchen: Kitchen) -> int:
    """Return how many bakes of the day, from the first, are over in time."""
    room = clock_minutes(kitchen.until) - clock_minutes(kitchen.start)
    for count in range(len(bakes) - 1, 0, -1):
        chains, _ = _chains(plan, bakes.iloc[:count], steps, kitchen)
        if schedule(chains, kitchen.things, effort=0).finish <= room:
            return count
    return 0


def _day_words(day: Mapping[str, Any]) -> str:
    proved = not day["minutes to gain"]
    words = f"Day {day['day']}: {day['bakes']} bakes, {day['start']} to {day['finish']}" + (
        ", at the earliest." if proved else f" (not before {day['no earlier than']})."
    )
    if not day["fits"]:
        words += (
            f" That is later than {day['until']}: the first {day['would fit']} bakes would fit; "
            "move the rest to another day, or start earlier."
        )
    return words


def _together_words(ready: pd.DataFrame, day: Mapping[str, Any]) -> str:
    if day["together"]:
        return (
            f"Hold all pieces alike, and taste all of them between {day['taste from']} and "
            f"{day['taste until']}."
        )
    told = []
    for sitting, own in ready.groupby("sitting", sort=True):
        first, last = _minutes(own["ready"]).max(), _minutes(own["taste by"]).min()
        told.append(
            f"sitting {sitting} ({in_words(own['bake'])}) between {clock(first)} and {clock(last)}"
        )
    return (
        f"They can not be tasted together: the first bake keeps until {day['taste until']}, the "
        f"last is ready at {day['taste from']}. Taste in {len(told)} sittings, the pieces of each "
        f"held alike: {'; '.join(told)}."
    )


def _fresh_words(ready: pd.DataFrame) -> str:
    order = ready.iloc[_minutes(ready["ready"]).argsort(kind="stable")]
    told = (f"{row['bake']} {row['ready']}" for row in order.to_dict("records"))
    by = int((_minutes(ready["taste by"]) - _minutes(ready["ready"])).min())
    return (
        f"Taste each as it is ready, all of them at the same age: {in_words(told)}; within {by} "
        "min."
    )


def _minutes(clocks: pd.Series) -> pd.Series:
    """Return minutes after midnight of clock times, those of the next days included."""
    return clocks.map(_on_the_clock).astype(int)


def _on_the_clock(text: str) -> int:
    time, _, later = str(text).partition(" ")
    days = 0 if not later else 1 if later == "next day" else int(later.split()[0])
    return days * 24 * 60 + clock_minutes(time)
