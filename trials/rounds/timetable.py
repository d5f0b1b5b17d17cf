"""A bake day hour by hour: what needs the hands, the pot and the oven, and when all is over."""

import re
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
from trials.base.words import how_many, in_words, tidy_number
from trials.core.factors import holds, is_blank
from trials.core.plan import MIXED_ONCE, Plan, kitchen_group
from trials.rounds.forms import read_serving
from trials.rounds.kitchen import (
    HANDS,
    SAFE_MINUTES,
    Heat,
    Kitchen,
    Step,
    check_steps,
    clock,
    clock_minutes,
    heat_to_write,
    is_weighing,
)
from trials.rounds.round import FRESH, Round, opened
from trials.rounds.stove import (
    heated_things,
    is_heated,
    is_hot_work,
    is_preheating,
    is_tended,
    stood_at,
)
from trials.tasting.serving import WARM_UP

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
    heated : bool
        Whether it is on the heat: its time is then the plan's order and the heat's, and is kept.
    tended : bool
        Whether somebody stays with the heat meanwhile.
    """

    chain: int
    name: str
    minutes: int
    needs: tuple[str, ...] = ()
    wait: int | None = None
    heated: bool = False
    tended: bool = False


@dataclass(frozen=True)
class Heating:
    """Heat that somebody stays with, from switching it on until its task begins.

    Between two uses it is off, for hands may be elsewhere: the longer it cooled, the longer it
    takes to come back, though never longer than from cold.

    Parameters
    ----------
    at : int
        The place in its chain of the task that begins once it is hot.
    thing : str
    name : str
        What is done, in words.
    minutes : int
        At least; all that it takes where it is cold.
    most : int
        From cold.
    rise, up, down : int
        Degrees to rise from where it was left, and those a minute when heating and when cooling,
        in hundredths; 0 where they are not known.
    since : int or None
        The task of its own chain that used the thing before; None where a chain before did.
    """

    at: int
    thing: str
    name: str
    minutes: int
    most: int = 0
    rise: int = 0
    up: int = 0
    down: int = 0
    since: int | None = None

    def lasts(self, gap: int | None) -> int:
        """Return its minutes, so long after the thing was used; None where it was not yet.

        Examples
        --------
        >>> back = Heating(0, "pan", "back", 3, most=26, up=600, down=150)
        >>> back.lasts(None), back.lasts(3), back.lasts(40), back.lasts(500)
        (3, 3, 8, 26)
        """
        if gap is None or not self.up:
            return self.minutes
        back = -(-(self.rise + self.down * gap) // (self.up + self.down))
        return max(self.minutes, min(self.most, back))


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
    heatings : tuple of Heating
        What takes hands while it is heated for one of the tasks, in the order of those.
    name : str
        What it is for, as a refusal says it.
    """

    tasks: tuple[Task, ...]
    after: tuple[int, ...]
    setups: Mapping[str, int]
    resting: bool = False
    in_turn: bool = True
    heatings: tuple[Heating, ...] = ()
    name: str = ""


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
        for _, first, last in _stays(chain, placed, free_from):
            busy[HANDS][first:last] += 1
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


def _stays(
    chain: Chain, starts: Sequence[int], free_from: Mapping[str, int]
) -> list[tuple[Heating, int, int]]:
    """Return from when until when somebody stays with what is heated for a chain."""
    found = []
    for one in chain.heatings:
        begins = starts[one.at]
        found.append((one, begins - one.lasts(_gap(chain, one, starts, free_from, begins)), begins))
    return found


def _gap(
    chain: Chain,
    heating: Heating,
    starts: Sequence[int],
    free_from: Mapping[str, int],
    begins: int,
) -> int | None:
    """Return the minutes since the thing was used, at the minute when its task begins."""
    if heating.since is not None:
        return begins - _ended(chain, starts, heating.since)
    return begins - free_from[heating.thing] if heating.thing in free_from else None


def stays_of(
    chains: Sequence[Chain], starts: Sequence[Sequence[int]]
) -> list[list[tuple[Heating, int, int]]]:
    """Return from when until when somebody stays with what is heated, chain by chain.

    Examples
    --------
    >>> pan = Chain((Task(0, "fry", 5, ("pan", "hands")),), (), {"pan": 9},
    ...     heatings=(Heating(0, "pan", "heat", 9),))
    >>> [(first, last) for _, first, last in stays_of([pan], [[12]])[0]]
    [(3, 12)]
    """
    free_from: dict[str, int] = {}
    found = []
    for chain, own in zip(chains, starts, strict=True):
        found.append(_stays(chain, own, free_from))
        for name in chain.setups:
            if spots := uses(chain, name):
                free_from[name] = _ended(chain, own, spots[-1])
    return found


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
        heating = next((one for one in chain.heatings if one.at == at), None)
        if heating is None:
            found = _first_gap(task, earliest, busy, capacity)
        else:
            found = _first_hot(chain, heating, starts, earliest, busy, capacity, free_from)
        if found is None:
            raise RoundError(_no_place(chain, at, heating, capacity))
        starts[at] = found
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
) -> int | None:
    """Return the first start for which things are free; None where there is none in three days."""
    start = earliest
    while start + task.minutes <= LONGEST_DAY:
        window = slice(start, start + max(task.minutes, 1))
        full = [np.flatnonzero(busy[name][window] >= capacity[name]) for name in task.needs]
        clashes = [taken[-1] for taken in full if len(taken)]
        if not clashes:
            return start
        start += int(max(clashes)) + 1
    return None


def _no_place(chain: Chain, at: int, heating: Heating | None, capacity: Mapping[str, int]) -> str:
    """Return why a task can not be placed, and what to mend."""
    said = f'{chain.name}: "{chain.tasks[at].name}" finds no place within three days'
    if heating is None:
        return f"{said}; check its minutes."
    hands = capacity[HANDS]
    takes = f"{heating.minutes} min"
    if heating.most > heating.minutes:
        takes = f"{heating.minutes} to {heating.most} min, as it cools between"
    there = "is one pair" if hands == 1 else f"are {hands} pairs"
    return (
        f'{said}: heating takes {takes} ("{heating.name}"), somebody stays with it, and there '
        f"{there} of hands. Let what comes before wait longer (wait = ...), or name one more "
        f"person: hands = {hands + 1} under things in [kitchen]."
    )


def _first_hot(
    chain: Chain,
    heating: Heating,
    starts: Sequence[int],
    earliest: int,
    busy: Mapping[str, np.ndarray],
    capacity: Mapping[str, int],
    free_from: Mapping[str, int],
) -> int | None:
    """Return the first start of a task for which somebody can stay with what is heated for it.

    None where there is none in three days.
    """
    task = chain.tasks[heating.at]
    own = [
        (starts[at], _ended(chain, starts, at))
        for at, one in enumerate(chain.tasks[: heating.at])
        if HANDS in one.needs
    ]
    own += [
        (first, last)
        for one, first, last in _stays(chain, starts, free_from)
        if one.at < heating.at
    ]
    start = earliest
    if heating.since is not None:
        start = max(earliest, _ended(chain, starts, heating.since) + heating.minutes)
    # When it was used is settled: in a chain before, or where the tasks since may wait
    settled = heating.since is None or any(
        one.wait is None for one in chain.tasks[heating.since : heating.at]
    )
    work = work_before(chain, heating.at) if settled and capacity[HANDS] == 1 else None
    while (gap := _first_gap(task, start, busy, capacity)) is not None:
        start = gap
        on = start - heating.lasts(_gap(chain, heating, starts, free_from, start))
        if work is not None and start - on > work.room:
            return None  # what was used before only cools further
        if on >= 0:
            taken = busy[HANDS][on:start].copy()
            for first, last in own:
                taken[max(first - on, 0) : max(last - on, 0)] += 1
            clashes = np.flatnonzero(taken >= capacity[HANDS])
            if not len(clashes):
                return start
            start = max(start + 1, on + int(clashes[-1]) + 1 + heating.minutes)
        else:
            start -= on
    return None


@dataclass(frozen=True)
class Work:
    """The place of the last work before a task, and the most minutes from its end to the task."""

    at: int
    room: int


def work_before(chain: Chain, at: int) -> Work | None:
    """Return the last work before a task; None where there is none, or the task may wait.

    Examples
    --------
    >>> mix, rest = Task(0, "mix", 10, ("hands",), 0), Task(0, "rest", 20, (), 5)
    >>> work_before(Chain((mix, rest, Task(0, "fry", 5, ("pan", "hands"))), (), {}), 2)
    Work(at=0, room=25)
    """
    room = 0
    for place in reversed(range(at)):
        task = chain.tasks[place]
        if task.wait is None:
            return None
        room += task.wait
        if HANDS in task.needs:
            return Work(place, room)
        room += task.minutes
    return None


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
        lead = min(
            0 if name == HANDS and chains[at].heatings else heads[at] + _before(chains[at], name)
            for at in users
        )
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
    heating = sum(one.minutes for one in chain.heatings) if name == HANDS else 0
    return heating + sum(task.minutes for task in chain.tasks if name in task.needs)


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
# wherever the orders tried hold the best. At last what comes before the heat is moved as late as it
# can be: dough that stands is another dough, and it would stand the longer the later its turn.


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
        When the list schedule finishes; where that finds no place, the finish.
    """

    starts: tuple[tuple[int, ...], ...]
    finish: int
    bound: int
    listed: int


def schedule(
    chains: Sequence[Chain], capacity: Mapping[str, int], *, effort: float = EFFORT
) -> Schedule:
    """Return when each task starts so that the day is over early, and nothing is begun too soon.

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
    listed, as_listed = _listed(chains, capacity)
    finish = finish_of(chains, listed)
    bound = lower_bound(chains, capacity)
    if effort <= 0:
        return Schedule(listed, finish, bound, finish)
    found = as_late(chains, capacity, _other_orders(chains, capacity, listed, bound))
    if cp_model is not None and (finish_of(chains, found) > bound or _overrun(chains, found)):
        found, proved = _solved(chains, capacity, found, effort)
        found, bound = as_late(chains, capacity, found), max(bound, proved)
    over = finish_of(chains, found)
    return Schedule(found, over, bound, finish if as_listed else over)


def _listed(
    chains: Sequence[Chain], capacity: Mapping[str, int]
) -> tuple[tuple[tuple[int, ...], ...], bool]:
    """Return the starts of working down the list, or of another order, and whether it is the list.

    Between two bakes heat cools too far for a short rest while hands weigh one and prepare the
    other: all is then prepared, cooked one bake after the other, and weighed.
    """
    try:
        return list_schedule(chains, capacity), True
    except RoundError as refused:
        parts, places = _parted(chains)
        follows = [_follows(parts, at) for at in range(len(parts))]
        cooked = [at for at, part in enumerate(parts) if part.heatings]
        last = {places[at][0]: at for at in cooked}
        left = sorted(
            range(len(parts)),
            key=lambda at: 1 if at in cooked else 2 * (at > last.get(places[at][0], -1)),
        )
        order: list[int] = []
        while left:
            order.append(next(at for at in left if follows[at] <= {*order}))
            left.remove(order[-1])
        try:
            return _together(chains, places, list_schedule(parts, capacity, order)), False
        except RoundError:
            raise refused from None


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
        try:
            starts = _together(chains, places, list_schedule(parts, capacity, order))
        except RoundError:  # what is used too late for a short rest cools too far: no such order
            return (LONGEST_DAY, 0, 0), listed
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


def as_late(
    chains: Sequence[Chain], capacity: Mapping[str, int], starts: Sequence[Sequence[int]]
) -> tuple[tuple[int, ...], ...]:
    """Return the starts with what comes before the heat, or the last step, as late as it can be.

    What is on the heat stays where it is, and so does what follows it: the day is as long as
    before, and every bake is over when it was. No rest runs on for longer than it did, and what
    may only wait so long does not wait longer. What is due last is moved first; then what is
    further along goes before what is less so, for dough that stands is worse off than flour.

    Parameters
    ----------
    chains : sequence of Chain
    capacity : mapping
    starts : sequence of sequence of int

    Examples
    --------
    >>> bakes = [Chain((Task(i, "mix", 15, ("hands",)), Task(i, "bake", 30, ("oven",))), (),
    ...     {"oven": 0}) for i in range(2)]
    >>> as_late(bakes, {"hands": 1, "oven": 1}, [(0, 15), (15, 45)])
    ((0, 15), (30, 45))
    """
    found = [list(own) for own in starts]
    stretches = _stretches(chains)
    moved = True
    while moved:
        busy = _busy(chains, capacity, found)
        moved = _all_later(chains, capacity, found, busy, stretches) or any(
            _exchanged(chains, capacity, found, busy, stretches, one, other)
            for one in stretches
            for other in stretches
        )
    return tuple(map(tuple, found))


def _all_later(
    chains: Sequence[Chain],
    capacity: Mapping[str, int],
    starts: list[list[int]],
    busy: Mapping[str, np.ndarray],
    stretches: Sequence["_Stretch"],
) -> bool:
    """Move each stretch as late as things are free for it, and say whether that is any later."""
    moved, left = False, list(stretches)
    while left:
        free = [one for one in left if not any(_follow(chains, one, other) for other in left)]
        due = max(free, key=lambda one: (_due(chains, starts, one), one.chain))
        left.remove(due)
        _occupy(chains, starts, busy, due, -1)
        by = max(_latest(chains, capacity, starts, busy, due), 0)
        _put(chains, starts, due, by)
        _occupy(chains, starts, busy, due, 1)
        moved |= by > 0
    return moved


def _exchanged(
    chains: Sequence[Chain],
    capacity: Mapping[str, int],
    starts: list[list[int]],
    busy: Mapping[str, np.ndarray],
    stretches: Sequence["_Stretch"],
    one: "_Stretch",
    other: "_Stretch",
) -> bool:
    """Do one stretch later and another that was in its way before it, where that is better."""
    begins, due = starts[one.chain][one.first], _due(chains, starts, one)
    after = {*chains[one.chain].after}, {*chains[other.chain].after}
    if (
        one.chain == other.chain
        or not begins < starts[other.chain][other.first] < due
        or other.chain in after[0]
        or one.chain in after[1]
    ):
        return False
    before = [list(own) for own in starts]
    worth = _standing(chains, starts, stretches)
    _occupy(chains, starts, busy, one, -1)
    _occupy(chains, starts, busy, other, -1)
    _put(chains, starts, one, max(_latest(chains, capacity, starts, busy, one), 0))
    _occupy(chains, starts, busy, one, 1)
    _put(chains, starts, other, _latest(chains, capacity, starts, busy, other))
    early = starts[other.chain][other.first] < _made(chains, starts, other)
    if not early and _standing(chains, starts, stretches) < worth:
        _occupy(chains, starts, busy, other, 1)
        return True
    _occupy(chains, starts, busy, one, -1)
    starts[:] = before
    _occupy(chains, starts, busy, one, 1)
    _occupy(chains, starts, busy, other, 1)
    return False


def _made(chains: Sequence[Chain], starts: Sequence[Sequence[int]], one: "_Stretch") -> int:
    """Return the minute at which what comes before a stretch is over."""
    chain = chains[one.chain]
    if one.first:
        return _ended(chain, starts[one.chain], one.first - 1)
    return max((_end(chains[at], starts[at]) for at in chain.after), default=0)


def _standing(
    chains: Sequence[Chain], starts: Sequence[Sequence[int]], stretches: Sequence["_Stretch"]
) -> tuple[int, ...]:
    """Return how badly things stand about: rests that run on, then what is furthest along first.

    By the square, for a wait of half an hour and none are worse than two of a quarter.
    """
    followed = {at for chain in chains for at in chain.after}
    most = max(len(chain.tasks) for chain in chains)
    waits = [0] * (2 * most)
    for one in stretches:
        over = _ended(chains[one.chain], starts[one.chain], one.last - 1)
        waits[one.behind + most * (one.chain in followed)] += (
            _due(chains, starts, one) - over
        ) ** 2
    return _overrun(chains, starts), *waits, -sum(map(sum, starts))


@dataclass(frozen=True)
class _Stretch:
    """Tasks of a chain that are moved as one: from the first to before the last.

    And how many stretches of that chain come behind it.
    """

    chain: int
    first: int
    last: int
    behind: int


def _stretches(chains: Sequence[Chain]) -> list[_Stretch]:
    """Return what can be done later: up to the heat, or where there is none to the last step.

    What a rest comes before takes along what comes before that rest, which runs on otherwise.
    """
    parts, places = _parted(chains)
    hot = {name for chain in chains for name in chain.setups}
    followed = {at for chain in chains for at in chain.after}
    found = []
    for number, chain in enumerate(chains):
        own = [(part, at) for part, (of, at) in zip(parts, places, strict=True) if of == number]
        heated = [
            place
            for place, (part, _) in enumerate(own)
            if part.heatings or any(one.heated or hot & {*one.needs} for one in part.tasks)
        ]
        stop = len(own) if number in followed else max(heated, default=len(own) - 1)
        first: int | None = None
        for place, (_, tasks) in enumerate(own[:stop]):
            rested = place > 0 and not own[place - 1][0].tasks[-1].needs
            first = first if rested else tasks.start
            if place in heated or (chain.resting and not place):
                first = None
            if first is not None:
                found.append(_Stretch(number, first, tasks.stop, stop - place - 1))
    return found


def _busy(
    chains: Sequence[Chain], capacity: Mapping[str, int], starts: Sequence[Sequence[int]]
) -> dict[str, np.ndarray]:
    """Return how much of each thing is in use, minute by minute."""
    busy = {name: np.zeros(LONGEST_DAY, dtype=int) for name in capacity}
    stays = stays_of(chains, starts)
    for chain, own, hot in zip(chains, starts, stays, strict=True):
        for task, start in zip(chain.tasks, own, strict=True):
            for name in task.needs:
                busy[name][start : start + task.minutes] += 1
        for _, first, last in hot:
            busy[HANDS][first:last] += 1
    return busy


def _follow(chains: Sequence[Chain], one: _Stretch, other: _Stretch) -> bool:
    """Say whether another stretch comes after one, and so gives it room."""
    later = other.chain == one.chain and other.last > one.last
    return later or one.chain in chains[other.chain].after


def _due(chains: Sequence[Chain], starts: Sequence[Sequence[int]], one: _Stretch) -> int:
    """Return the minute by which a stretch must be over."""
    chain, own = chains[one.chain], starts[one.chain]
    over = _ended(chain, own, one.last - 1)
    due = [own[one.last]] if one.last < len(chain.tasks) else []
    if not due:
        for later, begins in zip(chains, starts, strict=True):
            if _rests_of(later, one.chain):
                # The rest of what is made begins at once: it has the room that it leaves
                runs_on = begins[1] - _ended(later, begins, 0) if len(begins) > 1 else 0
                due.append(over + runs_on)
            elif one.chain in later.after:
                due.append(begins[0])
    return min(due)


def _rests_of(chain: Chain, made: int) -> bool:
    return chain.resting and chain.after[-1] == made


def _occupy(
    chains: Sequence[Chain],
    starts: Sequence[Sequence[int]],
    busy: Mapping[str, np.ndarray],
    one: _Stretch,
    by: int,
) -> None:
    for name, start, minutes in _used(chains, starts, one):
        busy[name][start : start + minutes] += by


def _used(
    chains: Sequence[Chain], starts: Sequence[Sequence[int]], one: _Stretch
) -> list[tuple[str, int, int]]:
    chain, own = chains[one.chain], starts[one.chain]
    places = range(one.first, one.last)
    return [
        (name, own[at], chain.tasks[at].minutes) for at in places for name in chain.tasks[at].needs
    ]


def _latest(
    chains: Sequence[Chain],
    capacity: Mapping[str, int],
    starts: Sequence[Sequence[int]],
    busy: Mapping[str, np.ndarray],
    one: _Stretch,
) -> int:
    """Return by how many minutes a stretch can be done later; below 0 where it must be earlier.

    It is the latest for which things are free; before the day began they all are.
    """
    chain, own = chains[one.chain], starts[one.chain]
    used = _used(chains, starts, one)
    by = _due(chains, starts, one) - _ended(chain, own, one.last - 1)
    clash = True
    while clash and own[one.first] + by >= 0:
        clash = False
        for name, start, minutes in used:
            window = busy[name][start + by : start + by + minutes]
            taken = np.flatnonzero(window >= capacity[name])
            if len(taken):
                by, clash = by + int(taken[0]) - minutes, True
                break
    return by


def _put(chains: Sequence[Chain], starts: list[list[int]], one: _Stretch, by: int) -> None:
    """Move a stretch, and the rests that begin when it is over."""
    for at in range(one.first, one.last):
        starts[one.chain][at] += by
    if one.last == len(chains[one.chain].tasks):
        for later, begins in zip(chains, starts, strict=True):
            if _rests_of(later, one.chain):
                begins[0] += by


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
            heatings = tuple(
                replace(
                    one,
                    at=one.at - first,
                    since=None if one.since is None else one.since - first,
                )
                for one in chain.heatings
                if first <= one.at < last
            )
            resting = chain.resting and not first
            parts.append(Chain(own, after, setups, resting, in_turn, heatings, chain.name))
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
    used: dict[str, list[Any]] = {name: [] for name in (*capacity, HANDS)}
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
        used[HANDS] += [_stay(model, chain, one, own, last) for one in chain.heatings]
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
        if intervals:
            model.add_cumulative(intervals, [1] * len(intervals), capacity[name])
    return model, variables


def _stay(
    model: Any, chain: Chain, heating: Heating, own: Sequence[Any], last: Mapping[str, Any]
) -> Any:
    """Return the stretch in which somebody stays with what is heated, as a model has it."""
    begins = own[heating.at]
    if heating.since is not None:
        used = own[heating.since] + chain.tasks[heating.since].minutes
        model.add(begins >= used + heating.minutes)
    else:
        used = last.get(heating.thing)
    if used is None or not heating.up:
        model.add(begins >= heating.minutes)
        first = begins - heating.minutes
        return model.new_fixed_size_interval_var(first, heating.minutes, heating.thing)
    on = model.new_int_var(0, LONGEST_DAY, "on")
    minutes = model.new_int_var(heating.minutes, max(heating.minutes, heating.most), "minutes")
    model.add(on + minutes == begins)
    cold = model.new_bool_var("cold")
    model.add(minutes >= heating.most).only_enforce_if(cold)
    back = heating.rise + heating.down * (begins - used)
    model.add((heating.up + heating.down) * minutes >= back).only_enforce_if(cold.negated())
    return model.new_interval_var(on, minutes, begins, heating.thing)


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


@dataclass(frozen=True)
class Unheated:
    """The bakes before which a day has no time for heating what they are cooked in.

    And whether it has none for any bake.
    """

    bakes: tuple[str, ...]
    never: bool


@dataclass(frozen=True, eq=False)
class Timetable:
    """When what is done, and whether the days can be worked.

    Parameters
    ----------
    tasks : DataFrame
        Columns day, bake (or the load the step is for), load, step, needs, start, end (minutes
        after midnight), from, to (clock); rests for: the minutes until the next step begins,
        where a step that needs nothing runs longer than was planned, else missing; waited: the
        minutes from the end of the step before, missing after a rest, after mere weighing and
        where none is before.
    ready : DataFrame
        One row per bake: day, bake, ready, taste by (clock), part (which bakes of its day can be
        tasted together: 1, 2 ...), sittings (the numbers of those at which it is served; before
        servings are drawn, one for each part, counted on from day to day).
    days : DataFrame
        One row per day: bakes, start, finish, in simple order (when working down the list of
        bakes would end; the finish where it can not be worked so), no earlier than (the proved
        bound), minutes to gain (between finish and bound), fits, would fit (bakes), taste from,
        taste until.
    fresh : bool
        Whether each piece is tasted as it is ready, and not all of a sitting at once.
    tended : mapping
        For each day, what somebody stays with while it is hot, and of each the bakes before which
        there is no time for heating it.
    safe : int
        Minutes from leaving the heat to the last safe bite, as the kitchen says.
    """

    tasks: pd.DataFrame = field(repr=False)
    ready: pd.DataFrame = field(repr=False)
    days: pd.DataFrame
    fresh: bool = False
    tended: Mapping[Any, Mapping[str, Unheated]] = field(default_factory=dict, repr=False)
    safe: int = SAFE_MINUTES

    @property
    def safe_for_one_sitting(self) -> int:
        """The minutes that a bake would have to keep for one sitting a day, in tens."""
        needed = [
            self.safe
            + int(_minutes(own["ready"]).max() - _minutes(own["taste by"]).min())
            + TASTING
            for _, own in self.ready.groupby("day")
        ]
        return 10 * ceil(max(needed) / 10)

    def sentences(self) -> list[str]:
        """Return what the days ask of the kitchen, in words."""
        said = []
        needed = self.safe_for_one_sitting
        for day in self.days.to_dict("records"):
            ready = self.ready[self.ready["day"] == day["day"]]
            tasting = _fresh_words(ready) if self.fresh else _together_words(ready, day, needed)
            stays = _stay_words(self.tended.get(day["day"], {}))
            waits = _wait_words(self.tasks[self.tasks["day"] == day["day"]])
            words = [_day_words(day), stays, waits, tasting, _late(ready)]
            said.append(" ".join(filter(None, words)))
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
    made = _laid_out(planned, steps, kitchen, effort)
    return replace(made, ready=_with_sittings(made.ready, planned))


def parts_of_days(round_: Round) -> pd.DataFrame:
    """Return of each bake of a round the day, and the part of it that keeps long enough together.

    Nothing is read of servings: they are drawn from it.
    """
    return _laid_out(round_, None, None, EFFORT).ready[["day", "bake", "part"]]


def _laid_out(
    planned: Round | Plan, steps: Sequence[Step] | None, kitchen: Kitchen | None, effort: float
) -> Timetable:
    plan, steps, kitchen = _asked(planned, steps, kitchen)
    check_steps(plan, steps, kitchen)
    start = clock_minutes(kitchen.start)
    tasks, ready, days = [], [], []
    tended: dict[Any, Mapping[str, Unheated]] = {}
    for day, bakes in plan.table.groupby("day", sort=True):
        chains, labels = _chains(plan, bakes, steps, kitchen)
        made = schedule(chains, _capacity(kitchen), effort=effort)
        tended[day] = _tended(chains, labels, made)
        tasks += _task_rows(day, chains, labels, made, start)
        done = _ready_rows(day, chains, labels, made, start, kitchen)
        ready += done
        days.append(_day_row(plan, day, bakes, steps, kitchen, made, done))
    clocks = ["ready", "taste by"]
    ready_table = pd.DataFrame(ready)
    ready_table[clocks] = ready_table[clocks].map(clock)
    fresh = isinstance(planned, Round) and planned.taste == FRESH
    days_table = pd.DataFrame(days)
    return Timetable(pd.DataFrame(tasks), ready_table, days_table, fresh, tended, kitchen.safe)


def _with_sittings(ready: pd.DataFrame, planned: Round | Plan) -> pd.DataFrame:
    """Return bakes with the sittings at which they are served, in the numbers of the servings."""
    serving = read_serving(planned) if isinstance(planned, Round) else pd.DataFrame()
    if serving.empty:
        parts = ready.groupby(["day", "part"], sort=True).ngroup() + 1
        return ready.assign(sittings=[(int(one),) for one in parts])
    own = serving[serving["kind"] != WARM_UP].groupby("bake")["sitting"]
    of = {bake: tuple(sorted({int(one) for one in numbers})) for bake, numbers in own}
    return ready.assign(sittings=[of.get(bake, ()) for bake in ready["bake"]])


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


def _capacity(kitchen: Kitchen) -> dict[str, int]:
    """Return how many of each thing there are; somebody is always there."""
    return {**kitchen.things, HANDS: max(1, kitchen.things.get(HANDS, 1))}


@dataclass(frozen=True)
class _Label:
    """What a chain is for: its bake, its load, what to do to each heated thing first.

    And the last of its tasks that is on the heat; None where none is; and what it is done per.
    """

    bake: str
    load: Any
    heating: Mapping[str, str]
    hot: int | None = None
    per: str = "bake"


def _chains(
    plan: Plan, bakes: pd.DataFrame, steps: Sequence[Step], kitchen: Kitchen
) -> tuple[list[Chain], list[_Label]]:
    """Return one chain per bake and per shared piece of work, with what each is for."""
    chains: list[Chain] = []
    labels: list[_Label] = []
    made: dict[tuple[str, Any], int] = {}
    heated: dict[str, tuple[float, Any]] = {}
    shared = list(dict.fromkeys(step.per for step in steps if step.per != "bake"))
    pulled: dict[tuple[str, Any], list[Step]] = {}
    for row in bakes.to_dict("records"):
        after: list[int] = []
        first: list[Step] = []
        for per in shared:
            key = (per, row[per])
            if per != "day" and pd.isna(row[per]):
                continue  # a baked piece waits for no oil fill
            own = [step for step in steps if step.per == per and step.is_for(row)]
            if key not in pulled:
                fellows = bakes if per == "day" else bakes[bakes[per] == row[per]]
                pulled[key] = [one for one in own if _heats_for(one, fellows, steps, kitchen)]
                own = [one for one in own if one not in pulled[key]]
                if own:
                    made[key] = len(chains)
                    work = _resting_at_once(_task(len(chains), one, row, kitchen) for one in own)
                    name = shared_name(plan, per, row)
                    chains.append(Chain(work, tuple(after), {}, name=name))
                    labels.append(_Label(name, row["load"], {}, _last_hot(own, kitchen), per))
            if _is_fried(row, steps, kitchen):
                first += pulled[key]
                pulled[key] = []
            if key in made:
                after.append(made[key])
        own = [step for step in steps if step.per == "bake" and step.is_for(row)]
        if not own:
            raise RoundError(f"bake {row['bake']} has no step with minutes; name one that it has.")
        needed = {thing for step in own for thing in step.needs}
        heats = [one for one in kitchen.heats if one.thing in needed]
        setups = _setups(plan, row, heats, heated)
        chain, last_hot = _bake_chain(len(chains), row, [*first, *own], setups, kitchen)
        chain = replace(chain, name=str(row["bake"]))
        if _capacity(kitchen)[HANDS] == 1:
            chain, last_hot = _alone(row["bake"], chain, last_hot, setups)
        resting = bool(after) and not chain.tasks[0].needs
        resting = resting and labels[after[-1]].bake != WHOLE_DAY
        chains.append(replace(chain, after=tuple(after), resting=resting))
        words = {thing: one.words for thing, one in setups.items()}
        labels.append(_Label(row["bake"], row["load"], words, last_hot))
    return chains, labels


def _is_hot(step: Step, kitchen: Kitchen) -> bool:
    return is_tended(step, kitchen.heats) or is_preheating(step)


def _tended(
    chains: Sequence[Chain], labels: Sequence[_Label], made: Schedule
) -> dict[str, Unheated]:
    """Return what somebody stays with on a day, and the bakes before which nothing heats it.

    What is used right after another use is hot still.
    """
    hot = {
        (number, at): [one for one in task.needs if one != HANDS]
        for number, chain in enumerate(chains)
        for at, task in enumerate(chain.tasks)
        if task.tended
    }
    begins = {place: made.starts[place[0]][place[1]] for place in hot}
    heated = {(number, one.at) for number, chain in enumerate(chains) for one in chain.heatings}
    things = dict.fromkeys(thing for own in hot.values() for thing in own or [""])
    found = {}
    for thing in things:
        if not thing and len(things) > 1:
            continue  # it is the oil of the other uses
        own = [place for place, needs in hot.items() if thing in needs or not needs]
        ends = {begins[number, at] + chains[number].tasks[at].minutes for number, at in own}
        left = [one for one in own if one not in heated and begins[one] not in ends]
        bakes = tuple(dict.fromkeys(labels[number].bake for number, _ in left))
        found[thing] = Unheated(bakes, never=heated.isdisjoint(own))
    return found


def _last_hot(steps: Sequence[Step], kitchen: Kitchen) -> int | None:
    """Return the last step in which a bake is on the heat; if none is known as such, any heat."""
    places = range(len(steps))
    own = [at for at in places if is_heated(steps[at], kitchen.heats)]
    return max(own or [at for at in places if is_hot_work(steps[at], kitchen.heats)], default=None)


def _is_fried(row: Mapping[str, Any], steps: Sequence[Step], kitchen: Kitchen) -> bool:
    return any(
        is_tended(step, kitchen.heats) and not is_preheating(step)
        for step in steps
        if step.per == "bake" and step.is_for(row)
    )


def _heats_for(step: Step, bakes: pd.DataFrame, steps: Sequence[Step], kitchen: Kitchen) -> bool:
    """Say whether a step that is done once heats what some bake is then fried in."""
    rows = bakes.to_dict("records")
    return is_preheating(step) and any(_is_fried(row, steps, kitchen) for row in rows)


@dataclass(frozen=True)
class _Setup:
    """What a heated thing needs before a bake: minutes, in words; rise and minutes from cold."""

    minutes: int
    words: str
    heat: Heat
    rise: float
    most: int
    cold: bool


def _bake_chain(
    number: int,
    row: Mapping[str, Any],
    steps: Sequence[Step],
    setups: Mapping[str, _Setup],
    kitchen: Kitchen,
) -> tuple[Chain, int | None]:
    """Return the chain of a bake, and the last of its tasks that is on the heat.

    What is fried, or stands on a griddle or in a pan, has hands from the moment it is switched on:
    a step that heats it, and what the kitchen's heat says of it, end when the frying begins.
    """
    own: list[Step] = []
    waiting: list[Step] = []
    tasks: list[Task] = []
    heatings: list[Heating] = []
    used: dict[str, int] = {}
    minutes = {thing: 0 for step in steps for thing in heated_things(step, kitchen.heats)}
    minutes |= {thing: one.minutes for thing, one in setups.items()}
    for place, step in enumerate(steps):
        if is_preheating(step) and any(
            is_tended(one, kitchen.heats) and not is_preheating(one) for one in steps[place + 1 :]
        ):
            waiting.append(step)
            continue
        at, things = len(own), stood_at(step)
        own.append(step)
        tasks.append(_task(number, step, row, kitchen))
        if not _is_hot(step, kitchen):
            continue
        before = stood_at(own[at - 1]) if at and _is_hot(own[at - 1], kitchen) else None
        if before is not None and (not things or not before or {*things} & {*before}):
            tasks[at - 1] = replace(tasks[at - 1], wait=0)  # the heat stays on
        else:
            made = [_heating(at, thing, setups, used, waiting, row) for thing in things or [""]]
            heating = max(made, key=lambda one: one.minutes)
            if heating.minutes or heating.up:
                heatings.append(heating)
            if heating.thing and heating.since is None:
                least = max(minutes.get(heating.thing, 0), heating.minutes)
                minutes[heating.thing] = least
            waiting = []
        used |= dict.fromkeys(things, at)
    chain = Chain(_resting_at_once(tasks), (), minutes, heatings=tuple(heatings))
    return chain, _last_hot(own, kitchen)


def _heating(
    at: int,
    thing: str,
    setups: Mapping[str, _Setup],
    used: Mapping[str, int],
    waiting: Sequence[Step],
    row: Mapping[str, Any],
) -> Heating:
    """Return what a thing takes to be hot for a task; of no minutes where nothing says so."""
    minutes = max((_lasting(one, row) for one in waiting), default=0)
    name = waiting[-1].name if waiting else ""
    setup = setups.get(thing)
    if setup is None:
        return Heating(at, thing, name, minutes, since=used.get(thing))
    heat, again = setup.heat, thing in used
    least = max(minutes, ceil(heat.between_bakes) if again else setup.minutes)
    if again and not name:
        name = _back_words(setup)
    return Heating(
        at,
        thing,
        name or setup.words,
        least,
        most=max(least, setup.most),
        rise=0 if again else round(100 * setup.rise),
        up=round(100 * heat.up),
        down=round(100 * heat.down),
        since=used.get(thing),
    )


def _back_words(setup: _Setup) -> str:
    return f"{setup.heat.thing}: back to {setup.words.rpartition(' to ')[2]}"


def _alone(
    bake: str, chain: Chain, last_hot: int | None, setups: Mapping[str, _Setup]
) -> tuple[Chain, int | None]:
    """Return the chain as one cook can work it, or refuse it.

    Where the rests behind the bench work are too short for it, what is cold is heated before that
    work, switched off, and brought back in the last of the rests.
    """
    for number in range(len(chain.heatings)):
        heating = chain.heatings[number]
        setup = setups.get(heating.thing)
        cold = setup is None or setup.cold
        short = _too_short(chain, heating, cold)
        if short and setup and setup.cold and heating.since is None and chain.tasks[0].needs:
            needs = (heating.thing, HANDS)
            before = Task(chain.tasks[0].chain, heating.name, heating.minutes, needs)
            later = [_one_later(one) for one in chain.heatings]
            back = ceil(setup.heat.between_bakes)
            heating = replace(later[number], name=_back_words(setup), minutes=back, since=0)
            later[number] = heating
            chain = replace(
                chain,
                tasks=(before, *chain.tasks),
                setups={**chain.setups, heating.thing: 0},
                heatings=tuple(later),
            )
            last_hot = None if last_hot is None else last_hot + 1
            short = _too_short(chain, heating, cold)
        if short:
            work, takes = short
            raise RoundError(
                f'bake {bake}: "{chain.tasks[heating.at].name}" comes {work.room} min after '
                f'"{chain.tasks[work.at].name}" at the latest, but heating takes {takes} min '
                f'("{heating.name}"), somebody stays with it, and there is one pair of hands. '
                "Let what comes before wait longer (wait = ...), or name a second person: "
                "hands = 2 under things in [kitchen]."
            )
    return chain, last_hot


def _one_later(heating: Heating) -> Heating:
    """Return the heating of a chain before which one more task was put."""
    since = None if heating.since is None else heating.since + 1
    return replace(heating, at=heating.at + 1, since=since)


def _too_short(chain: Chain, heating: Heating, cold: bool) -> tuple[Work, int] | None:
    """Return the work that one cook can not be done with before the heating, and what that takes.

    Meanwhile what was used before cools: in this bake, or in one before this work; fried during
    the rest, that one would have been heated in it too.
    """
    work = work_before(chain, heating.at)
    if work is None:
        return None
    first = work.at if heating.since is None else heating.since + 1
    gap = work.room + sum(task.minutes for task in chain.tasks[first : work.at + 1])
    takes = heating.lasts(None if heating.since is None and cold else gap)
    return (work, takes) if work.room < takes else None


def shared_name(plan: Plan, per: str, row: Mapping[str, Any]) -> str:
    """Return what a step of a bake is done to: the bake, the dough or fill it shares, the day."""
    if per in ("bake", "day"):
        return str(row["bake"]) if per == "bake" else WHOLE_DAY
    return f"{kitchen_group(per, plan.factors)} {row[per]}"


def _task(chain: int, step: Step, row: Mapping[str, Any], kitchen: Kitchen) -> Task:
    wait = None if step.wait is None else int(step.wait)
    needs, tended = tuple(step.needs), _is_hot(step, kitchen)
    if tended:
        needs = tuple(dict.fromkeys((*needs, HANDS)))
    if wait is None and isinstance(step.minutes, str) and not needs:
        wait = 0  # a rest that the plan varies is kept to the minute, or it varies otherwise
    heated = is_heated(step, kitchen.heats)
    return Task(chain, step.name, _lasting(step, row), needs, wait, heated, tended)


def _lasting(step: Step, row: Mapping[str, Any]) -> int:
    return ceil(float(row[step.minutes] if isinstance(step.minutes, str) else step.minutes))


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
) -> dict[str, _Setup]:
    """Return what each heated thing needs first; note what it is set to."""
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
        most = heat.minutes(None, setting) + ceil(heat.between_loads)
        rise = 0.0 if before is None else setting - before
        setups[heat.thing] = _Setup(minutes, words, heat, rise, most, before is None)
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
    stays = stays_of(chains, made.starts)
    for number, (chain, label, begins) in enumerate(zip(chains, labels, made.starts, strict=True)):
        bake, load = label.bake, label.load
        for heating, first, last in stays[number]:
            needs = (*filter(None, [heating.thing]), HANDS)
            rows.append(_row(day, bake, load, heating.name, needs, start + first, last - first))
        tended = {one.thing for one in chain.heatings if one.since is None}
        for thing, minutes in chain.setups.items():
            used = [at for at, task in enumerate(chain.tasks) if thing in task.needs]
            if used and minutes and thing not in tended:
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
        waits = _waits(chains, labels, made.starts, number)
        for task, begin, following, waited in zip(chain.tasks, begins, after, waits, strict=True):
            row = _row(day, bake, load, task.name, task.needs, start + begin, task.minutes)
            rests = 0 if following is None or task.needs else following - begin
            row["rests for"] = rests if rests > task.minutes else None
            row["waited"] = waited
            rows.append(row)
    return sorted(rows, key=lambda row: (row["start"], row["end"]))


def _waits(
    chains: Sequence[Chain],
    labels: Sequence[_Label],
    starts: Sequence[Sequence[int]],
    number: int,
) -> list[int | None]:
    """Return the minutes that a bake, or the dough it is made of, waited before each task.

    None after a rest, of which its real minutes are told, and where nothing was made before: what
    is only weighed may stand.
    """
    chain, own = chains[number], starts[number]
    weighed = [is_weighing(task.name) for task in chain.tasks]
    made = next((at for at in reversed(chain.after) if labels[at].per in MIXED_ONCE), None)
    first = None if made is None or chain.resting else own[0] - _end(chains[made], starts[made])
    return [
        first,
        *(
            own[at] - _ended(chain, own, at - 1)
            if chain.tasks[at - 1].needs and not (first is None and all(weighed[:at]))
            else None
            for at in range(1, len(own))
        ),
    ]


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
    before = {at for chain in chains for at in chain.after}
    rows = []
    for at, (chain, label) in enumerate(zip(chains, labels, strict=True)):
        if at not in before:
            ready = start + _end(chain, made.starts[at])
            by = start + _off_the_heat(chains, labels, made.starts, at) + kitchen.safe
            by = by if kitchen.fresh is None else min(by, ready + kitchen.fresh)
            rows.append({"day": day, "bake": label.bake, "ready": ready, "taste by": by})
    return _in_parts(rows)


def _off_the_heat(
    chains: Sequence[Chain], labels: Sequence[_Label], starts: Sequence[Sequence[int]], number: int
) -> int:
    """Return when a bake leaves the heat, or what it is made of where that alone was heated.

    From then on it keeps, whatever is weighed and cooled after; what was never heated keeps from
    its last step.
    """
    for at in (number, *reversed(chains[number].after)):
        hot = labels[at].hot
        if hot is not None:
            return _ended(chains[at], starts[at], hot)
    return _end(chains[number], starts[number])


TASTING = 10  # minutes that a sitting takes at least; common practice, no source


def _in_parts(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return bakes with the part of the day that can be tasted together, as few as there may be.

    The one ready first is joined by all that are ready while there is time to taste it, and so on;
    what keeps for less is tasted at once.
    """
    part, until, keeps = 0, -1, 0
    of: dict[str, int] = {}
    for row in sorted(rows, key=lambda row: row["ready"]):
        own = max(row["taste by"] - row["ready"], 0)
        left = min(until, row["taste by"]) - row["ready"]
        if left < min(TASTING, keeps, own):
            part, until, keeps = part + 1, row["taste by"], own
        until, keeps = min(until, row["taste by"]), min(keeps, own)
        of[row["bake"]] = part
    return [{**row, "part": of[row["bake"]]} for row in rows]


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
        "together": first <= last and all(row["part"] == 1 for row in done),
    }


def _would_fit(plan: Plan, bakes: pd.DataFrame, steps: Sequence[Step], kitchen: Kitchen) -> int:
    """Return how many bakes of the day, from the first, are over in time."""
    room = clock_minutes(kitchen.until) - clock_minutes(kitchen.start)
    for count in range(len(bakes) - 1, 0, -1):
        chains, _ = _chains(plan, bakes.iloc[:count], steps, kitchen)
        if schedule(chains, _capacity(kitchen), effort=0).finish <= room:
            return count
    return 0


def _day_words(day: Mapping[str, Any]) -> str:
    proved = not day["minutes to gain"]
    bakes = how_many(day["bakes"], "bake")
    words = f"Day {day['day']}: {bakes}, {day['start']} to {day['finish']}" + (
        ", at the earliest." if proved else f" (not before {day['no earlier than']})."
    )
    if day["fits"]:
        return words
    fit = int(day["would fit"])
    if not fit:
        return f"{words} That is later than {day['until']}: no bake would fit; start earlier."
    first = "the first bake" if fit == 1 else f"the first {fit} bakes"
    return (
        f"{words} That is later than {day['until']}: {first} would fit; move the rest to another "
        "day, or start earlier."
    )


ALIKE = 5  # minutes that waits may lie apart and nothing is said of them; common practice


def _wait_words(tasks: pd.DataFrame) -> str:
    """Return who waits how long before which step, where that is not alike."""
    told = []
    for step, own in tasks.dropna(subset="waited").groupby("step", sort=False):
        if own["waited"].max() - own["waited"].min() > ALIKE:
            rows = own[own["waited"] > 0].sort_values("bake").to_dict("records")
            who = in_words(f"{row['bake']} {row['waited']:.0f} min" for row in rows)
            told.append(f'before "{step}": {who}')
    return f"Not all of them wait alike {'; '.join(told)}." if told else ""


def _stay_words(things: Mapping[str, Unheated]) -> str:
    """Return who stays with what is hot; a way of frying, or no thing at all, is its oil."""
    if not things:
        return ""
    names = {
        thing: f"the {thing}" if thing and not _WAY_OF_FRYING.search(thing) else "the hot oil"
        for thing in things
    }
    said = [
        f"Nobody leaves {in_words(dict.fromkeys(names.values()), 'or')} while it is on: stay from "
        "switching it on until the last piece is out, and switch it off before you turn to "
        "anything else."
    ]
    said += [_unheated_words(names[thing], thing) for thing, one in things.items() if one.never]
    said += [
        f"Before {in_words(one.bakes)} these times hold nobody to {names[thing]} and leave none "
        "for heating it again: where nobody stays, take it off the heat, and heat it again. "
        "[[kitchen.heats]] in idea.toml gives that its minutes."
        for thing, one in things.items()
        if one.bakes and not one.never
    ]
    return " ".join(said)


def _unheated_words(named: str, thing: str) -> str:
    """Return what to write so that a day has minutes for heating something."""
    first = "" if thing else f'let its step say needs = ["{_POT}"], and '
    return (
        f"These times leave none for heating {named}: {first}write "
        f"{heat_to_write(Heat(thing or _POT))}, with your figures, at the end of idea.toml; "
        "or make its step longer."
    )


_POT = "pot"  # a thing of every kitchen that says nothing of its things
_WAY_OF_FRYING = re.compile(r"\b(fry|frying|fried)\b", re.IGNORECASE)


def _late(ready: pd.DataFrame) -> str:
    """Return which bakes are ready only when they should be eaten already."""
    late = ready[_minutes(ready["ready"]) > _minutes(ready["taste by"])]
    if late.empty:
        return ""
    told = in_words(f"{row['bake']} (by {row['taste by']})" for row in late.to_dict("records"))
    return (
        f"Ready only when it should be eaten already, counted from leaving the heat: {told}. "
        "Shorten what follows the heat, or cool and hold it as your code says."
    )


def _together_words(ready: pd.DataFrame, day: Mapping[str, Any], needed: int) -> str:
    if day["together"]:
        return (
            f"Hold all pieces alike, and taste all of them between {day['taste from']} and "
            f"{day['taste until']}."
        )
    told = []
    in_time = ready[_minutes(ready["ready"]) <= _minutes(ready["taste by"])]
    if in_time.empty:
        return ""
    held: set[int] = set()
    for _, own in in_time.groupby("part", sort=True):
        first, last = _minutes(own["ready"]).max(), _minutes(own["taste by"]).min()
        numbers = sorted({one for served in own["sittings"] for one in served})
        if not numbers:
            continue  # nobody is served any of them
        held |= {*numbers}
        told.append(
            f"sitting{'s' if len(numbers) > 1 else ''} {in_words(map(str, numbers))} "
            f"({in_words(own['bake'])}) between {clock(first)} and {clock(last)}"
        )
    if not told:
        return ""
    near = _on_the_clock(day["taste from"]) <= _on_the_clock(day["taste until"])
    return (
        f"They can not be tasted together: the first bake keeps until {day['taste until']}, the "
        f"last is ready at {day['taste from']}{f', under {TASTING} min before' if near else ''}. "
        f"Taste in {how_many(len(held), 'sitting')}, the pieces of each held alike: "
        f"{'; '.join(told)}. If yours keep {needed} min by your food-safety code, write "
        f"safe = {needed} under [kitchen]."
    )


def _fresh_words(ready: pd.DataFrame) -> str:
    ready = ready[_minutes(ready["ready"]) <= _minutes(ready["taste by"])]
    if ready.empty:
        return ""
    order = ready.iloc[_minutes(ready["ready"]).argsort(kind="stable")]
    told = (f"{row['bake']} {row['ready']}" for row in order.to_dict("records"))
    by = int((_minutes(ready["taste by"]) - _minutes(ready["ready"])).min())
    within = f"; within {by} min" if by else ""
    return f"Taste each as it is ready, all of them at the same age: {in_words(told)}{within}."


def _minutes(clocks: pd.Series) -> pd.Series:
    """Return minutes after midnight of clock times, those of the next days included."""
    return clocks.map(_on_the_clock).astype(int)


def _on_the_clock(text: str) -> int:
    time, _, later = str(text).partition(" ")
    days = 0 if not later else 1 if later == "next day" else int(later.split()[0])
    return days * 24 * 60 + clock_minutes(time)
