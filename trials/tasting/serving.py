"""The serving plan.

What each taster gets, at which sitting, in which place, under which code, how evenly.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations, pairwise, permutations
from math import comb
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import TastingError
from trials.base.html import answer
from trials.tasting.orders import (
    average_factor,
    balanced_blocks,
    balanced_groups,
    balanced_orders,
    concurrences,
    efficiency,
    information,
    is_balanced,
    least_concurrence,
    least_sum_of_squares,
    served_counts,
)
from trials.tasting.panel import Taster, check_panel, never_served, served_nothing

# -- Blind codes: three digits that say nothing and that nobody takes for another.
#
# The rule -------- A code is three different digits from 1 to 9 (504 of them). Left out for good
# are those people read as something else: three digits in step (123, 975, 258 and every other even
# step), heats of an oven or of oil (145 to 265 ending in 5, and 275 to 475 in steps of 25), and a
# few numbers that everybody knows (listed in ``KNOWN_NUMBERS``).
#
# Two codes look alike on a hand-written label when they differ only by 1 for 7 or 6 for 9, or when
# one is the other upside down (1, 6, 8 and 9 survive being turned). Look-alikes are kept apart in
# the whole round as long as there are codes enough, and in one sitting always. No code comes twice
# in a round.
#
# That three-digit random numbers are used, new ones each session, is from ISO 13299; what is left
# out here is common practice, no source.


KNOWN_NUMBERS = frozenset({"128", "168", "187", "192", "247", "256", "314", "365", "512", "786"})
_UPSIDE_DOWN = {"1": "1", "6": "9", "8": "8", "9": "6"}


def reads_as_something(code: str) -> bool:
    """Say whether people take a code for a count, a heat or a number they know.

    Examples
    --------
    >>> [code for code in ("456", "175", "314", "583") if reads_as_something(code)]
    ['456', '175', '314']
    """
    first, second, third = (int(digit) for digit in code)
    in_step = second - first == third - second
    number = int(code)
    heat = (145 <= number <= 265 and number % 10 == 5) or (
        275 <= number <= 475 and number % 25 == 0
    )
    return in_step or heat or code in KNOWN_NUMBERS


def look(code: str) -> str:
    """Return how a code looks in a hurry: codes with the same look are look-alikes.

    Examples
    --------
    >>> look("734") == look("134"), look("168") == look("891"), look("234") == look("243")
    (True, True, False)
    """
    readings = [code]
    if all(digit in _UPSIDE_DOWN for digit in code):
        readings.append("".join(_UPSIDE_DOWN[digit] for digit in reversed(code)))
    return min(reading.replace("7", "1").replace("9", "6") for reading in readings)


@cache
def all_codes() -> tuple[str, ...]:
    """Return every code under the rule, in rising order.

    Examples
    --------
    >>> len(all_codes()), all_codes()[:3]
    (448, ('124', '125', '126'))
    """
    every = ("".join(digits) for digits in permutations("123456789", 3))
    return tuple(sorted(code for code in every if not reads_as_something(code)))


def draw_codes(
    sittings: Sequence[int],
    *,
    seed: int | np.random.Generator,
    taken: Iterable[tuple[int, str]] = (),
) -> list[str]:
    """Draw one code for each serving; codes already given out stay as they are.

    Examples
    --------
    >>> draw_codes([1, 1, 2], seed=4) == draw_codes([1, 1, 2], seed=4)
    True
    """
    rng = np.random.default_rng(seed)
    taken = [(int(sitting), str(code)) for sitting, code in taken]
    used = {code for _, code in taken}
    looks_of_round = {look(code) for code in used}
    looks_of_sitting: dict[int, set[str]] = {}
    for sitting, code in taken:
        looks_of_sitting.setdefault(sitting, set()).add(look(code))
    pool = [code for code in rng.permutation(all_codes()).tolist() if code not in used]
    drawn = []
    for sitting in sittings:
        here = looks_of_sitting.setdefault(int(sitting), set())
        unlike = [c for c in pool if look(c) not in looks_of_round]
        unlike = unlike or [c for c in pool if look(c) not in here]
        if not unlike:
            raise TastingError(_run_out(len(sittings) + len(taken), int(sitting), bool(pool)))
        code = unlike[0]
        pool.remove(code)
        looks_of_round.add(look(code))
        here.add(look(code))
        drawn.append(code)
    return drawn


def _run_out(wanted: int, sitting: int, some_left: bool) -> str:
    looks = len({look(code) for code in all_codes()})
    where = f"sitting {sitting}" if some_left else "the round"
    return (
        f"The codes run out: {wanted} servings ask for one, and {where} has no more. Of the 504 "
        f"numbers of three different digits, {len(all_codes())} are fit for labels in one round, "
        f"and {looks} of them can stand side by side at one sitting. Serve fewer samples, "
        "or make two rounds of it."
    )


# -- What is asked of a serving plan: who, which bakes, how many at once, what is kept from whom.


Day = object  # whatever the plan calls its days: 1, 2, "Saturday"
ALL_DAYS = ""  # the name of the one day when no days are told apart


@dataclass(frozen=True)
class ServingRequest:
    """What a serving plan was asked for, checked.

    Parameters
    ----------
    tasters, bakes : tuple of str
    per_sitting : int
        Most scored samples at one sitting: bakes, reference and hidden repeats. A warm-up comes
        on top.
    sittings : tuple of (day, int)
        How many sittings there are on each day.
    days : tuple of (day, tuple of str)
        The bakes of each day, in order.
    avoid : tuple of (taster, frozenset of str)
        The bakes each taster is never served.
    reference, warm_up : tuple of (day, str)
        The reference bake and the warm-up of each day; empty when there is none.
    reference_named : bool
        True when tasters are told which sample is the reference; it then stands first.
    repeats : int
        Hidden repeats for each taster at each sitting.
    seed : int
    comes : tuple of (taster, tuple of days)
        The days of those who do not come every day.
    """

    tasters: tuple[str, ...]
    bakes: tuple[str, ...]
    per_sitting: int
    sittings: tuple[tuple[Day, int], ...]
    days: tuple[tuple[Day, tuple[str, ...]], ...]
    avoid: tuple[tuple[str, frozenset[str]], ...]
    reference: tuple[tuple[Day, str], ...]
    warm_up: tuple[tuple[Day, str], ...]
    reference_named: bool
    repeats: int
    seed: int
    comes: tuple[tuple[str, tuple[Day, ...]], ...] = ()

    @property
    def room(self) -> int:
        """Most bakes at one sitting, when reference and repeats have their places."""
        return self.per_sitting - bool(self.reference) - self.repeats

    def may_have(self, taster: str, bake: str) -> bool:
        """Say whether a bake may be served to a taster."""
        return bake not in dict(self.avoid).get(taster, frozenset())

    def is_there(self, taster: str, day: Day) -> bool:
        """Say whether a taster comes on a day."""
        return day in dict(self.comes).get(taster, (day,))


def check_request(
    tasters: Iterable[Taster | str],
    bakes: Iterable[str],
    *,
    per_sitting: int,
    sittings: int | None,
    days: Mapping[str, Day] | None,
    avoid: Mapping[str, Iterable[str]] | None,
    reference: str | Mapping[Day, str] | None,
    warm_up: str | Mapping[Day, str] | None,
    reference_named: bool,
    repeats: int,
    seed: int,
) -> ServingRequest:
    """Check what is asked of a serving plan; see ``serving_plan`` for the parameters.

    Examples
    --------
    >>> check_request(["Ida"], ["B01", "B02"], per_sitting=6, sittings=None, days=None, avoid=None,
    ...     reference=None, warm_up=None, reference_named=False, repeats=0, seed=1).sittings
    (('', 1),)
    """
    panel = check_panel(tasters)
    names = tuple(taster.name for taster in panel)
    ids = _checked_bakes(bakes)
    by_day = _bakes_by_day(ids, days)
    labels = [day for day, _ in by_day]
    references = _for_each_day("reference", reference, labels)
    warm_ups = _for_each_day("warm_up", warm_up, labels)
    _check_reference(references, ids)
    _check_warm_up_day(warm_ups, dict(by_day))
    per_sitting = whole_number("per_sitting", per_sitting, 1)
    repeats = whole_number("repeats", repeats, 0)
    room = per_sitting - bool(references) - repeats
    if room < 1:
        raise TastingError(
            f"A sitting of {per_sitting} has no place for a bake beside the reference and "
            f"{repeats} hidden repeats. Raise per_sitting, or ask for fewer repeats."
        )
    known = {*ids, *dict(references).values(), *dict(warm_ups).values()}
    kept_from = _checked_avoid(panel, avoid, known, set(ids))
    wanted = None if sittings is None else whole_number("sittings", sittings, 1)
    fewest = min(len(of_day) for _, of_day in by_day)
    if wanted is not None and wanted > fewest:
        raise TastingError(
            f"{wanted} sittings are more than the {fewest} bakes of a day. Ask for fewer sittings."
        )
    return ServingRequest(
        tasters=names,
        bakes=ids,
        per_sitting=per_sitting,
        sittings=tuple((day, wanted or -(-len(of_day) // room)) for day, of_day in by_day),
        days=by_day,
        avoid=kept_from,
        reference=references,
        warm_up=warm_ups,
        reference_named=bool(reference_named),
        repeats=repeats,
        seed=whole_number("seed", seed, 0),
        comes=_checked_presence(panel, labels),
    )


def _check_reference(references: tuple[tuple[Day, str], ...], bakes: tuple[str, ...]) -> None:
    for bake in dict(references).values():
        if bake in bakes:
            raise TastingError(
                f'The reference "{bake}" is also one of the bakes. Leave it out of bakes: it is '
                "served to everybody at each sitting."
            )


def _checked_presence(
    panel: tuple[Taster, ...], days: list[Day]
) -> tuple[tuple[str, tuple[Day, ...]], ...]:
    comes = tuple((one.name, tuple(one.days)) for one in panel if one.days)
    for name, own in comes:
        unknown = [str(day) for day in own if day not in days]
        if unknown:
            raise TastingError(
                f"{name} comes on day {', '.join(unknown)}, and nothing is baked for that day. "
                f"The days are {', '.join(map(str, days)) or 'not named'}."
            )
    for day in days:
        if not any(day in dict(comes).get(one.name, (day,)) for one in panel):
            raise TastingError(
                f"Nobody comes on day {day}, so its bakes would never be tasted. Let one taster "
                "come every day: that person and the reference bridge the days."
            )
    return comes


def check_avoid(
    tasters: Iterable[str], avoid: Mapping[str, Iterable[str]], known: Iterable[str]
) -> dict[str, frozenset[str]]:
    """Check which bakes are kept from whom: known tasters, known bakes.

    Examples
    --------
    >>> check_avoid(["Ida"], {"Ida": ["B02"]}, ["B01", "B02"])
    {'Ida': frozenset({'B02'})}
    """
    tasters, known = list(tasters), set(known)
    checked = {}
    for name, bakes in avoid.items():
        if name not in tasters:
            raise TastingError(
                f'avoid speaks of "{name}", who is not a taster. The tasters are '
                f"{', '.join(tasters)}."
            )
        if isinstance(bakes, str):
            bakes = [bakes]
        checked[name] = frozenset(bakes)
        for bake in sorted(checked[name] - known, key=str):
            raise TastingError(
                f'avoid keeps "{bake}" from {name}, and there is no such bake. '
                f"Known are {', '.join(sorted(known))}."
            )
    return checked


def _checked_avoid(
    panel: Iterable[Taster],
    avoid: Mapping[str, Iterable[str]] | None,
    known: set[str],
    bakes: set[str],
) -> tuple[tuple[str, frozenset[str]], ...]:
    panel = list(panel)
    checked = check_avoid([taster.name for taster in panel], avoid or {}, known)
    for taster in panel:
        if taster.avoids and taster.name not in checked:
            raise TastingError(
                f"{taster.name} avoids {', '.join(taster.avoids)}, and nothing says which bakes "
                f"contain it. Give avoid={{'{taster.name}': [...]}} with those bakes, "
                "an empty list when none does."
            )
        mine = checked.get(taster.name, frozenset())
        if mine >= bakes:
            raise TastingError(served_nothing(taster.name))
    return tuple((name, bakes) for name, bakes in checked.items() if bakes)


def _checked_bakes(bakes: Iterable[str]) -> tuple[str, ...]:
    if isinstance(bakes, str):
        raise TastingError(f'bakes is the text "{bakes}"; give a list of bakes.')
    ids = tuple(bakes)
    if not ids:
        raise TastingError("There is no bake to serve. Name at least one.")
    for bake in ids:
        if not isinstance(bake, str) or not bake.strip():
            raise TastingError(f"{bake!r} is no name of a bake. Bakes are named by text, as B01.")
    doubled = sorted({bake for bake in ids if ids.count(bake) > 1})
    if doubled:
        raise TastingError(
            f"Bake {', '.join(doubled)} is named more than once. Name each bake once; hidden "
            "repeats are asked for by repeats."
        )
    return ids


def _bakes_by_day(
    bakes: tuple[str, ...], days: Mapping[str, Day] | None
) -> tuple[tuple[Day, tuple[str, ...]], ...]:
    if days is None:
        return ((ALL_DAYS, bakes),)
    missing = [bake for bake in bakes if bake not in days]
    if missing:
        raise TastingError(
            f"days says nothing of {', '.join(missing)}. Give the day of every bake: a bake is "
            "served on its day only."
        )
    grouped: dict[Day, list[str]] = {}
    for bake in bakes:
        grouped.setdefault(days[bake], []).append(bake)
    return tuple((day, tuple(of_day)) for day, of_day in grouped.items())


def _for_each_day(
    what: str, given: str | Mapping[Day, str] | None, days: list[Day]
) -> tuple[tuple[Day, str], ...]:
    if given is None:
        return ()
    if isinstance(given, str):
        given = dict.fromkeys(days, given)
    missing = [str(day) for day in days if day not in given]
    if missing:
        raise TastingError(
            f"{what} names none for day {', '.join(missing)}. Give one bake for each day."
        )
    for day in days:
        if not isinstance(given[day], str) or not given[day].strip():
            raise TastingError(f"{what} is {given[day]!r}; name a bake by text, as C01.")
    return tuple((day, given[day]) for day in days)


def _check_warm_up_day(
    warm_ups: tuple[tuple[Day, str], ...], by_day: Mapping[Day, tuple[str, ...]]
) -> None:
    for day, bake in warm_ups:
        baked = [other for other, bakes in by_day.items() if bake in bakes]
        if baked and day not in baked:
            raise TastingError(
                f'The warm-up "{bake}" is baked on day {baked[0]} and can not be served on day '
                f"{day}. Name one for each day: warm_up={{{baked[0]!r}: {bake!r}, ...}}."
            )


def whole_number(what: str, value: object, least: int) -> int:
    """Return a whole number that was given, or say why it is none.

    Examples
    --------
    >>> whole_number("repeats", 2, 0)
    2
    """
    number = isinstance(value, (int, float, np.integer)) and not isinstance(value, bool)
    if not number or not float(value).is_integer() or value < least:  # type: ignore[arg-type, operator]
        raise TastingError(f"{what} is {value!r}; give a whole number from {least} up.")
    return int(value)  # type: ignore[call-overload]


# -- Which bakes each taster gets at which sitting, before anything is put in order.
#
# Each sitting of each taster is a block. Bakes are compared best inside a block, so the bakes that
# meet in one are chosen to make all comparisons equally sharp.


# One taster's sittings: a list of bakes for each.
Sittings = list[list[int]]

# Serving all bakes equally often comes before evening out the pairs.
_UNEVEN_SERVING = 50


@dataclass(frozen=True)
class Task:
    """What is to be shared out on one day.

    Parameters
    ----------
    choices : sequence of sequence of int
        For each taster the bakes they may be given.
    sittings : sequence of int
        For each taster how many sittings there are.
    room : int
        Most bakes at one sitting.
    bakes : int
        How many bakes there are.
    kept : sequence of sequence of int
        Blocks that stand already: counted, not touched.
    """

    choices: Sequence[Sequence[int]]
    sittings: Sequence[int]
    room: int
    bakes: int
    kept: Sequence[Sequence[int]] = field(default=())

    def sizes(self, taster: int) -> list[int]:
        """Return how many bakes a taster gets at each sitting, as even as can be."""
        count = self.sittings[taster]
        if count == 0:
            return []
        low, more = divmod(min(len(self.choices[taster]), count * self.room), count)
        return [low + (i < more) for i in range(count)]


def allocate(task: Task, rng: np.random.Generator, *, proposals: int = 2500) -> list[Sittings]:
    """Share the bakes out over tasters and sittings.

    References
    ----------
    Eccleston, J. A. & Hedayat, A. (1974). On the theory of connected designs: characterization
    and optimality. Annals of Statistics 2, 1238-1255.

    Examples
    --------
    >>> task = Task(choices=[range(4)] * 3, sittings=[2] * 3, room=2, bakes=4)
    >>> is_balanced([b for taster in allocate(task, np.random.default_rng(1)) for b in taster], 4)
    True
    """
    starts = [start for start in (_known(task, rng), _dealt(task, rng)) if start is not None]
    best: list[Sittings] = []
    best_worth = (-float("inf"), -1.0)
    for start in starts:
        shares = start
        if _can_improve(task, shares):
            shares = _exchange(task, shares, rng, proposals)
            shares = _sharpen(task, shares, rng, proposals // 3)
        worth = (-_unevenness(task, shares), efficiency(_blocks(task, shares), task.bakes)[0])
        if worth > best_worth:
            best, best_worth = shares, worth
        if is_balanced(_blocks(task, best), task.bakes):
            break
    if best_worth[1] == 0 and (chain := _chained(task, rng)) is not None:
        factor = efficiency(_blocks(task, chain), task.bakes)[0]
        if (-_unevenness(task, chain), factor) > best_worth:
            best = chain
    return _even_sittings(best, task.bakes, rng)


def _blocks(task: Task, shares: Sequence[Sittings]) -> list[Sequence[int]]:
    return [*(block for taster in shares for block in taster if block), *task.kept]


def _unevenness(task: Task, shares: Sequence[Sittings]) -> float:
    return float(np.sum(served_counts(_blocks(task, shares), task.bakes) ** 2))


def _known(task: Task, rng: np.random.Generator) -> list[Sittings] | None:
    """Return a known balanced design dealt out to the tasters, when one fits the numbers."""
    count = set(task.sittings)
    whole = all(len(choice) == task.bakes for choice in task.choices)
    if not whole or len(count) != 1 or task.kept:
        return None
    sittings, sizes = count.pop(), set(task.sizes(0))
    if len(sizes) != 1 or sittings == 0:
        return None
    size = sizes.pop()
    label = rng.permutation(task.bakes)
    if groups := balanced_groups(task.bakes, size):
        turns = [groups[i % len(groups)] for i in range(len(task.choices))]
        if sittings == len(groups[0]) or len(task.choices) % len(groups) == 0:
            return [
                [label[list(block)].tolist() for block in _some(group, sittings, rng)]
                for group in turns
            ]
    blocks = balanced_blocks(task.bakes, size)
    if not blocks or sittings > 1:
        return None
    picked = [i for _ in range(len(task.choices) // len(blocks)) for i in range(len(blocks))]
    picked += rng.permutation(len(blocks))[: len(task.choices) - len(picked)].tolist()
    return [[label[list(blocks[i])].tolist()] for i in picked]


def _chained(task: Task, rng: np.random.Generator) -> list[Sittings] | None:
    """Lay single sittings round the bakes so that each shares a bake with the next."""
    whole = all(len(choice) == task.bakes for choice in task.choices)
    if not whole or set(task.sittings) != {1} or task.kept:
        return None
    label, tasters = rng.permutation(task.bakes), len(task.choices)
    starts = [i * task.bakes // tasters for i in range(tasters)]
    size = task.sizes(0)[0]
    return [[[int(label[(at + j) % task.bakes]) for j in range(size)]] for at in starts]


def _some(group: Sequence[tuple[int, ...]], count: int, rng: np.random.Generator) -> list:
    return [group[i] for i in rng.permutation(len(group))[:count]]


def _dealt(task: Task, rng: np.random.Generator) -> list[Sittings]:
    """Deal bakes at random, each taster getting those that were dealt least so far."""
    served = served_counts(task.kept, task.bakes)
    fussy_first = sorted(range(len(task.choices)), key=lambda t: len(task.choices[t]))
    dealt: dict[int, Sittings] = {}
    for taster in fussy_first:
        sizes = task.sizes(taster)
        choice = np.array(list(task.choices[taster]), dtype=int)
        rank = np.lexsort((rng.random(len(choice)), served[choice]))
        mine = rng.permutation(choice[rank][: sum(sizes)])
        served[mine] += 1
        ends = np.cumsum(sizes)
        dealt[taster] = [
            mine[end - size : end].tolist() for end, size in zip(ends, sizes, strict=True)
        ]
    return [dealt[taster] for taster in range(len(task.choices))]


def _can_improve(task: Task, shares: Sequence[Sittings]) -> bool:
    movable = any(
        len(sittings) > 1 or sum(map(len, sittings)) < len(choice)
        for sittings, choice in zip(shares, task.choices, strict=True)
    )
    return movable and not is_balanced(_blocks(task, shares), task.bakes)


def _exchange(
    task: Task, start: list[Sittings], rng: np.random.Generator, proposals: int
) -> list[Sittings]:
    """Even out servings and concurrences by threshold accepting, in whole numbers."""
    shares = [[list(block) for block in taster] for taster in start]
    together = concurrences(_blocks(task, shares), task.bakes).tolist()
    least = least_concurrence(_blocks(task, shares), task.bakes)
    pairs = sum(together[a][b] ** 2 for a, b in combinations(range(task.bakes), 2))
    now = best = 0
    best_shares = [[list(block) for block in taster] for taster in shares]
    draws = rng.random((proposals, 5)).tolist()
    for step, draw in enumerate(draws):
        move = _draw_move(task, shares, draw)
        if move is None:
            continue
        threshold = (4, 2, 0)[3 * step // proposals]
        change = _make_move(shares, together, move)
        if change > threshold:
            _make_move(shares, together, _back(move))
            continue
        now += change
        if now < best:
            best, best_shares = now, [[list(block) for block in taster] for taster in shares]
            if len(set(map(len, task.choices))) == 1 and pairs + best <= least:
                break
    return best_shares


@dataclass(frozen=True)
class _Move:
    """Bake out of a taster's sitting, bake into it; the other sitting takes the opposite way."""

    taster: int
    sitting: int
    out: int
    into: int
    other: int | None


def _back(move: _Move) -> _Move:
    return _Move(move.taster, move.sitting, move.into, move.out, move.other)


def _draw_move(task: Task, shares: Sequence[Sittings], draw: Sequence[float]) -> _Move | None:
    taster = int(draw[0] * len(shares))
    sittings = shares[taster]
    filled = [i for i, block in enumerate(sittings) if block]
    if not filled:
        return None
    sitting = filled[int(draw[1] * len(filled))]
    out = sittings[sitting][int(draw[2] * len(sittings[sitting]))]
    spare = len(task.choices[taster]) - sum(map(len, sittings))
    if spare and (len(filled) == 1 or draw[3] < 0.5):
        eaten = {bake for block in sittings for bake in block}
        unused = [bake for bake in task.choices[taster] if bake not in eaten]
        return _Move(taster, sitting, out, unused[int(draw[4] * len(unused))], None)
    if len(filled) == 1:
        return None
    others = [i for i in filled if i != sitting]
    other = others[int(draw[3] * 997) % len(others)]
    into = sittings[other][int(draw[4] * len(sittings[other]))]
    return _Move(taster, sitting, out, into, other)


def _make_move(shares: Sequence[Sittings], together: list[list[int]], move: _Move) -> int:
    """Exchange the bakes; return what it adds to the criterion."""
    change = _replace(shares[move.taster][move.sitting], together, move.out, move.into)
    if move.other is not None:
        change += _replace(shares[move.taster][move.other], together, move.into, move.out)
    return change


def _replace(block: list[int], together: list[list[int]], out: int, into: int) -> int:
    change = 0
    for bake in block:
        if bake != out:
            change += _add(together, out, bake, -1) + _add(together, into, bake, 1)
    for bake, by in ((out, -1), (into, 1)):
        before = together[bake][bake]
        together[bake][bake] = before + by
        change += _UNEVEN_SERVING * by * (2 * before + by)
    block[block.index(out)] = into
    return change


def _add(together: list[list[int]], a: int, b: int, by: int) -> int:
    before = together[a][b]
    together[a][b] = together[b][a] = before + by
    return by * (2 * before + by)


def _sharpen(
    task: Task, start: list[Sittings], rng: np.random.Generator, proposals: int
) -> list[Sittings]:
    """Raise the average efficiency factor by exchanges that leave the servings as even."""
    shares = [[list(block) for block in taster] for taster in start]
    blocks = _blocks(task, shares)
    if is_balanced(blocks, task.bakes):
        return shares
    total, served = information(blocks, task.bakes), served_counts(blocks, task.bakes)
    worth = average_factor(total, served)[0]
    for draw in rng.random((proposals, 5)).tolist():
        move = _draw_move(task, shares, draw)
        if move is None or (move.other is None and served[move.into] + 1 > served[move.out]):
            continue
        before, after = total.copy(), served.copy()
        total -= information(_touched(shares, move), task.bakes)
        _swap(shares, move)
        total += information(_touched(shares, move), task.bakes)
        if move.other is None:
            after[[move.out, move.into]] += (-1, 1)
        new_worth = average_factor(total, after)[0]
        if new_worth > worth:
            worth, served = new_worth, after
        else:
            total = before
            _swap(shares, _back(move))
    return shares


def _touched(shares: Sequence[Sittings], move: _Move) -> list[list[int]]:
    sittings = shares[move.taster]
    return [sittings[i] for i in (move.sitting, move.other) if i is not None]


def _swap(shares: Sequence[Sittings], move: _Move) -> None:
    first = shares[move.taster][move.sitting]
    first[first.index(move.out)] = move.into
    if move.other is not None:
        second = shares[move.taster][move.other]
        second[second.index(move.into)] = move.out


def _even_sittings(
    shares: Sequence[Sittings], bakes: int, rng: np.random.Generator
) -> list[Sittings]:
    """Swap whole sittings of a taster, so that each bake is met early and late alike."""
    shares = [[list(block) for block in taster] for taster in shares]
    counts = np.zeros((bakes, max(map(len, shares), default=0)), dtype=int)
    for taster in shares:
        for sitting, block in enumerate(taster):
            counts[block, sitting] += 1
    several = [t for t, taster in enumerate(shares) if len(taster) > 1]
    for draw in rng.random((300 if several else 0, 2)).tolist():
        taster = shares[several[int(draw[0] * len(several))]]
        pairs = list(combinations(range(len(taster)), 2))
        a, b = pairs[int(draw[1] * comb(len(taster), 2))]
        if len(taster[a]) != len(taster[b]):
            continue
        moved = counts.copy()
        for block, source, target in ((taster[a], a, b), (taster[b], b, a)):
            moved[block, source] -= 1
            moved[block, target] += 1
        if np.sum(moved**2) <= np.sum(counts**2):
            counts = moved
            taster[a], taster[b] = taster[b], taster[a]
    return shares


# -- How even a serving plan came out: places, neighbours, servings, and what the blocks tell.


WARM_UP, SAMPLE, REFERENCE, REPEAT = "warm-up", "sample", "reference", "repeat"


def count_places(servings: pd.DataFrame, bakes: Sequence[str]) -> pd.DataFrame:
    """Return how often each bake stands at each place, hidden repeats not counted.

    Examples
    --------
    >>> table = pd.DataFrame({"bake": ["B01", "B02"], "place": [1, 2], "kind": "sample"})
    >>> count_places(table, ["B01", "B02"]).to_numpy().tolist()
    [[1, 0], [0, 1]]
    """
    samples = servings[servings["kind"] == SAMPLE]
    places = range(1, int(servings["place"].max()) + 1) if len(servings) else range(0)
    counts = pd.crosstab(samples["bake"], samples["place"])
    return counts.reindex(index=list(bakes), columns=list(places), fill_value=0)


def count_neighbours(servings: pd.DataFrame) -> pd.DataFrame:
    """Return how often each bake is served right after each other, warm-ups not counted.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": "Ida", "sitting": 1, "place": [1, 2],
    ...     "bake": ["B01", "B02"], "kind": "sample"})
    >>> count_neighbours(table).to_numpy().tolist()
    [[0, 1], [0, 0]]
    """
    scored = servings[servings["kind"] != WARM_UP].sort_values("place")
    bakes = sorted(scored["bake"].unique())
    counts = pd.DataFrame(0, index=bakes, columns=bakes)
    for _, sitting in scored.groupby(["taster", "sitting"], sort=True):
        for before, after in pairwise(sitting["bake"]):
            counts.loc[before, after] += 1
    return counts


def blocks_of(servings: pd.DataFrame, bakes: Sequence[str]) -> list[list[int]]:
    """Return the bakes of each sitting of each taster, by their number in ``bakes``.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": "Ida", "sitting": 1, "bake": ["B02", "B01"],
    ...     "kind": "sample"})
    >>> blocks_of(table, ["B01", "B02"])
    [[1, 0]]
    """
    number = {bake: i for i, bake in enumerate(bakes)}
    samples = servings[servings["kind"] == SAMPLE]
    return [
        [number[bake] for bake in sitting["bake"]]
        for _, sitting in samples.groupby(["taster", "sitting"], sort=True)
    ]


def measure_balance(servings: pd.DataFrame, day: object, bakes: Sequence[str]) -> dict[str, object]:
    """Return the evenness of one day of a serving plan in a few numbers.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": ["Ida", "Ida", "Bo", "Bo"], "sitting": 1,
    ...     "place": [1, 2, 1, 2], "bake": ["B01", "B02", "B02", "B01"], "kind": "sample"})
    >>> found = measure_balance(table, "", ["B01", "B02"])
    >>> found["position_gap"], found["follows_excess"], found["efficiency"]
    (0, 0.0, 1.0)
    """
    places = count_places(servings, bakes).to_numpy()
    follows = count_neighbours(servings).to_numpy()
    between = follows[~np.eye(len(follows), dtype=bool)]
    blocks = blocks_of(servings, bakes)
    least = least_sum_of_squares(int(between.sum()), len(between))
    factor, bound = efficiency(blocks, len(bakes))
    return {
        "day": day,
        "sittings": int(servings["sitting"].nunique()),
        "bakes": len(bakes),
        "served_least": int(places.sum(axis=1).min()),
        "served_most": int(places.sum(axis=1).max()),
        "position_gap": _position_gap(places, blocks),
        "follows_least": int(between.min()) if len(between) else 0,
        "follows_most": int(between.max()) if len(between) else 0,
        "follows_excess": float((between**2).sum() / least - 1) if least else 0.0,
        "efficiency": factor,
        "bound": bound,
    }


def balance_in_words(row: Mapping[str, Any]) -> str:
    """Say how even one day of a serving plan is.

    Examples
    --------
    >>> balance_in_words({"day": 2, "sittings": 1, "bakes": 3, "served_least": 4, "served_most": 4,
    ...     "position_gap": 1, "follows_least": 1, "follows_most": 2, "follows_excess": 0.0,
    ...     "efficiency": 1.0, "bound": 1.0}).split(".")[0]
    'Day 2: each of 3 bakes is tasted 4 times, in 1 sitting'
    """
    day = f"Day {row['day']}: " if row["day"] != "" else ""
    sittings = f"{row['sittings']} sitting{'s' if row['sittings'] != 1 else ''}"
    if row["bakes"] < 2:
        alone = f"{day}one bake is tasted {_times(row['served_least'], row['served_most'])}"
        return f"{alone[0].upper()}{alone[1:]}, in {sittings}."
    each = f"{day}each of {row['bakes']} bakes is tasted "
    places = f", give or take {row['position_gap']}" if row["position_gap"] else ""
    return (
        f"{each[0].upper()}{each[1:]}"
        f"{_times(row['served_least'], row['served_most'])}, in {sittings}. Every bake stands at "
        f"each place as often as any other{places}.{_followed(row)}{_told(row)}"
    )


def _followed(row: Mapping[str, Any]) -> str:
    """Say how often each bake is tasted right after each other; nothing where none ever is."""
    least, most = row["follows_least"], row["follows_most"]
    if not most:
        return ""
    off = 100 * row["follows_excess"]
    even = "as even as can be" if off == 0 else f"{off:.0f} % off the most even"
    return f" Right after any one bake each other is tasted {_times(least, most)}, {even}."


def _told(row: Mapping[str, Any]) -> str:
    """Say what is lost where a sitting can not hold every bake."""
    told, best = round(100 * row["efficiency"]), round(100 * row["bound"])
    if row["efficiency"] == 0:
        return " Some bakes never meet in a sitting, not even by way of others."
    if told >= 100:
        return " Every sitting holds every bake, so they compare as well as can be."
    most = f"such sittings can not do better than {best}" if told < best else "none do better"
    return (
        f" No sitting holds every bake: 100 tastings tell as much as {told} would in sittings "
        f"that do; {most}."
    )


def _times(least: int, most: int) -> str:
    if least == most:
        return {1: "once", 2: "twice"}.get(least, f"{least} times")
    if not least:
        return f"at most {_times(most, most)}"
    return f"{least} to {most} times"


def _position_gap(places: np.ndarray, blocks: Sequence[Sequence[int]]) -> int:
    places = places[:, places.any(axis=0)]  # a named reference keeps the first place to itself
    if places.size == 0:
        return 0
    gap = int(np.ptp(places, axis=0).max())
    if len({len(block) for block in blocks}) == 1:
        gap = max(gap, int(np.ptp(places, axis=1).max()))
    return gap


# -- The serving plan: what each taster gets, at which sitting, in which place, under which code.


COLUMNS = ("taster", "sitting", "place", "bake", "code", "kind")
_CODES_STREAM = 10_000  # codes are drawn apart from the orders of each day


@dataclass(frozen=True, eq=False)
class ServingPlan:
    """Who gets what, when, in which place and under which code. For the kitchen, not for tasters.

    Parameters
    ----------
    table : DataFrame
        One row a serving: taster, sitting (1, 2, ... over the whole round), position (1, 2, ...;
        a warm-up stands at 0), bake, code (text) and kind (``warm-up``, ``sample``,
        ``reference`` or ``repeat``).
    sitting_days : tuple of (int, day)
        The day of each sitting.
    balance : DataFrame
        One row a day: how even it came out (columns as in ``measure_balance``).
    notes : tuple of str
        What could not be had, in words.
    request : ServingRequest
        What was asked.
    retired : tuple of (int, str)
        Sittings and codes of servings that were planned once and dropped: never used again.
    """

    table: pd.DataFrame
    sitting_days: tuple[tuple[int, Day], ...]
    balance: pd.DataFrame
    notes: tuple[str, ...]
    request: ServingRequest
    retired: tuple[tuple[int, str], ...] = ()

    @property
    def position_gap(self) -> int:
        """The largest difference between two bakes' counts at one place, over all days."""
        return int(self.balance["position_gap"].max())

    @property
    def follows_excess(self) -> float:
        """How far the neighbours are from even: 0 is as even as whole numbers allow."""
        return float(self.balance["follows_excess"].max())

    @property
    def efficiency(self) -> float:
        """The average efficiency factor of the least efficient day."""
        return float(self.balance["efficiency"].min())

    @property
    def bound(self) -> float:
        """The most the efficiency of that day could be."""
        return float(self.balance.loc[self.balance["efficiency"].idxmin(), "bound"])

    @property
    def sentence(self) -> str:
        """How even the plan is, in plain words."""
        return " ".join(balance_in_words(row) for row in self.balance.to_dict("records"))

    def _repr_html_(self) -> str:
        return answer([self.sentence, *self.notes], [self.table])


@checked_types(TastingError)
def serving_plan(
    tasters: Iterable[Taster | str],
    bakes: Iterable[str],
    *,
    per_sitting: int,
    sittings: int | None = None,
    days: Mapping[str, Day] | None = None,
    avoid: Mapping[str, Iterable[str]] | None = None,
    reference: str | Mapping[Day, str] | None = None,
    warm_up: str | Mapping[Day, str] | None = None,
    reference_named: bool = False,
    repeats: int = 0,
    seed: int,
) -> ServingPlan:
    """Plan who tastes what, in which order and under which code.

    Parameters
    ----------
    tasters : iterable of Taster or str
    bakes : iterable of str
        The bakes to be scored, without the reference.
    per_sitting : int
        Most scored samples a taster gets at one sitting, reference and hidden repeats included;
        4 to 6 when rich or fried, 6 to 8 when light (common practice, no source).
    sittings : int, optional
        How many sittings a day. Left out: as many as it takes for every taster to meet every bake.
        Fewer: each taster meets some of the bakes.
    days : mapping of bake to day, optional
        A bake is served only at a sitting of its day. The day may be any label of the time in
        which bakes are fresh together ("Saturday morning").
    avoid : mapping of taster to bakes, optional
        Bakes never served to a taster, reference and warm-up included (``bakes_to_avoid`` works
        them out). Needed for each taster who avoids anything.
    reference, warm_up : str or mapping of day to str, optional
        The reference bake served to everybody at each sitting, and the unscored first sample.
    reference_named : bool
        True when tasters are told which sample is the reference: it then stands first, after the
        warm-up. False: it takes its turn under a code like any other.
    repeats : int
        Bakes served twice to a taster within one sitting, under a second code.
    seed : int
        The same seed gives the same plan.

    Returns
    -------
    ServingPlan

    Raises
    ------
    TastingError
        When something is missing or contradictory, or the codes run out.

    Notes
    -----
    First the bakes are shared out over tasters and sittings (``allocate``), then each sitting is
    put in order (``balanced_orders``), each day for itself.

    References
    ----------
    Williams (1949), MacFie et al. (1989) for orders; ISO 29842 for incomplete blocks.

    Examples
    --------
    >>> plan = serving_plan(["Ida", "Bo", "Mia", "Jon"], ["B01", "B02", "B03", "B04"],
    ...     per_sitting=4, seed=7)
    >>> print(plan.sentence)
    Each of 4 bakes is tasted 4 times, in 1 sitting. Every bake stands at each place as often as
    any other. Right after any one bake each other is tasted once, as even as can be. Every sitting
    holds every bake, so they compare as well as can be.
    """
    request = check_request(
        tasters,
        bakes,
        per_sitting=per_sitting,
        sittings=sittings,
        days=days,
        avoid=avoid,
        reference=reference,
        warm_up=warm_up,
        reference_named=reference_named,
        repeats=repeats,
        seed=seed,
    )
    sitting_days = _number_sittings(request)
    tables = []
    for turn, (day, of_day) in enumerate(request.days):
        numbers = [number for number, its_day in sitting_days if its_day == day]
        wanted = {
            taster: [bake for bake in of_day if request.may_have(taster, bake)]
            for taster in request.tasters
            if request.is_there(taster, day)
        }
        rng = np.random.default_rng([request.seed, turn])
        tables.append(plan_day(request, day, wanted, numbers, rng))
    table = pd.concat(tables, ignore_index=True)
    table = in_serving_order(table, request.tasters)
    codes = draw_codes(
        table["sitting"].tolist(), seed=np.random.default_rng([request.seed, _CODES_STREAM])
    )
    return finished(table.assign(code=codes), sitting_days, request)


def plan_day(
    request: ServingRequest,
    day: Day,
    wanted: Mapping[str, Sequence[str]],
    sittings: Sequence[int],
    rng: np.random.Generator,
    kept: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Plan the servings of one day, without codes.

    Examples
    --------
    >>> request = check_request(["Ida"], ["B01"], per_sitting=1, sittings=None, days=None,
    ...     avoid=None, reference=None, warm_up=None, reference_named=False, repeats=0, seed=1)
    >>> plan_day(request, "", {"Ida": ["B01"]}, [1], np.random.default_rng(1)).values.tolist()
    [['Ida', 1, 1, 'B01', '', 'sample']]
    """
    bakes = dict(request.days)[day]
    number = {bake: i for i, bake in enumerate(bakes)}
    kept = pd.DataFrame(columns=list(COLUMNS)) if kept is None else kept
    standing = [
        [number[bake] for bake in block["bake"]]
        for _, block in kept[kept["kind"] == SAMPLE].groupby(["taster", "sitting"])
    ]
    task = Task(
        choices=[[number[bake] for bake in mine] for mine in wanted.values()],
        sittings=[len(sittings)] * len(wanted),
        room=request.room,
        bakes=len(bakes),
        kept=standing,
    )
    shares = allocate(task, rng)
    seats = [
        (taster, sitting, block)
        for taster, blocks in zip(wanted, shares, strict=True)
        for sitting, block in zip(sittings, blocks, strict=True)
        if block
    ]
    blocks = _with_extras(request, day, seats, len(bakes), rng)
    orders = balanced_orders(blocks, rng, kept=_standing_orders(kept, number))
    rows = []
    for (taster, sitting, _), block, order in zip(seats, blocks, orders, strict=True):
        servings = [(bakes, block[sample], sample) for sample in order]
        rows += _rows(request, day, taster, sitting, servings)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _with_extras(
    request: ServingRequest,
    day: Day,
    seats: Sequence[tuple[str, int, list[int]]],
    bakes: int,
    rng: np.random.Generator,
) -> list[dict[int, int]]:
    """Add the blind reference (number ``bakes``) and the hidden repeats (the numbers after it)."""
    repeated = np.zeros(bakes, dtype=int)
    blocks = []
    reference = dict(request.reference).get(day)
    for taster, _, block in seats:
        samples = {bake: bake for bake in block}
        if reference and not request.reference_named and request.may_have(taster, reference):
            samples[bakes] = bakes
        twice = sorted(block, key=lambda bake: (repeated[bake], rng.random()))
        for i in range(request.repeats):
            bake = twice[i % len(twice)]
            repeated[bake] += 1
            samples[bakes + 1 + i] = bake
        blocks.append(samples)
    return blocks


def _standing_orders(kept: pd.DataFrame, number: Mapping[str, int]) -> list[list[tuple[int, int]]]:
    reference, orders = len(number), []
    scored = kept[kept["kind"] != WARM_UP].sort_values("place")
    for _, sitting in scored.groupby(["taster", "sitting"]):
        order, repeats = [], 0
        for bake, kind in zip(sitting["bake"], sitting["kind"], strict=True):
            if kind == REPEAT:
                repeats += 1
                order.append((reference + repeats, number[bake]))
            else:
                sample = number.get(bake, reference)
                order.append((sample, sample))
        orders.append(order)
    return orders


def _rows(
    request: ServingRequest,
    day: Day,
    taster: str,
    sitting: int,
    servings: Sequence[tuple[tuple[str, ...], int, int]],
) -> list[tuple]:
    """Write one sitting of one taster: the warm-up, a named reference, then the order."""
    rows: list[tuple] = []
    warm_up, reference = dict(request.warm_up).get(day), dict(request.reference).get(day)
    if warm_up and request.may_have(taster, warm_up):
        rows.append((taster, sitting, 0, warm_up, "", WARM_UP))
    place = 1
    if reference and request.reference_named and request.may_have(taster, reference):
        rows.append((taster, sitting, place, reference, "", REFERENCE))
        place += 1
    for bakes, bake, sample in servings:
        if sample == len(bakes):
            rows.append((taster, sitting, place, reference, "", REFERENCE))
        else:
            kind = SAMPLE if sample < len(bakes) else REPEAT
            rows.append((taster, sitting, place, bakes[bake], "", kind))
        place += 1
    return rows


def _number_sittings(request: ServingRequest) -> tuple[tuple[int, Day], ...]:
    days = [day for day, count in request.sittings for _ in range(count)]
    return tuple(enumerate(days, start=1))


def in_serving_order(table: pd.DataFrame, tasters: Sequence[str]) -> pd.DataFrame:
    """Sort servings by sitting, then as the tasters are named, then by place.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": ["Bo", "Ida"], "sitting": 1, "place": 1})
    >>> in_serving_order(table, ["Ida", "Bo"])["taster"].tolist()
    ['Ida', 'Bo']
    """
    turn = table["taster"].map({name: i for i, name in enumerate(tasters)})
    keys = table.assign(turn=turn).sort_values(["sitting", "turn", "place"], kind="stable")
    return keys.drop(columns="turn").reset_index(drop=True)


def finished(
    table: pd.DataFrame,
    sitting_days: tuple[tuple[int, Day], ...],
    request: ServingRequest,
    notes: Sequence[str] = (),
    retired: tuple[tuple[int, str], ...] = (),
) -> ServingPlan:
    """Return a plan with its balance measured and its shortcomings said.

    Examples
    --------
    >>> plan = serving_plan(["Ida"], ["B01", "B02"], per_sitting=2, seed=1)
    >>> finished(plan.table, plan.sitting_days, plan.request).position_gap
    1
    """
    day_of = dict(sitting_days)
    of_sitting = table["sitting"].map(day_of)
    balance = pd.DataFrame(
        [
            measure_balance(table[of_sitting == day], day, bakes)
            for day, bakes in request.days
            if (of_sitting == day).any()
        ]
    )
    return ServingPlan(
        table=table,
        sitting_days=sitting_days,
        balance=balance,
        notes=(*notes, *_notes(table, balance, request)),
        request=request,
        retired=retired,
    )


def _notes(table: pd.DataFrame, balance: pd.DataFrame, request: ServingRequest) -> tuple[str, ...]:
    notes = [
        f"{taster} comes on day {', '.join(map(str, days))} only: those scores compare the bakes "
        "of a day; who comes every day and the reference bridge the days."
        for taster, days in request.comes
    ]
    for taster, bakes in request.avoid:
        if bakes:
            notes.append(never_served(taster, bakes))
    untasted = [bake for bake in request.bakes if bake not in set(table["bake"])]
    came = dict.fromkeys(table["taster"])
    kept = [one for one in untasted if not any(request.may_have(name, one) for name in came)]
    if kept:
        notes.append(
            f"Nobody tastes {', '.join(kept)}: everybody who comes avoids something in "
            f"{'it' if len(kept) == 1 else 'them'}, so nothing is learned of how "
            f"{'it is' if len(kept) == 1 else 'they are'} liked. Ask somebody who may eat "
            f"{'it' if len(kept) == 1 else 'them'}, or leave that kind out of the plan."
        )
    untasted = [one for one in untasted if one not in kept]
    if untasted:
        notes.append(
            f"Nobody tastes {', '.join(untasted)}: there are too few places at the table. "
            "Add sittings or tasters."
        )
    for row in balance.to_dict("records"):
        if row["bakes"] > 1 and row["efficiency"] == 0:
            where = f" of day {row['day']}" if row["day"] != "" else ""
            parts = f"The bakes{where} fall into parts that are never tasted at one sitting:"
            notes.append(
                f"{parts} the reference, served at every sitting, is what bridges them."
                if row["day"] in dict(request.reference)
                else f"{parts} between the parts they can be told apart only across sittings. Add "
                "sittings, tasters or places, or a reference."
            )
    return tuple(notes)
