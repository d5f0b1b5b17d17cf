"""Which bakes each taster gets at which sitting, before anything is put in order.

Each sitting of each taster is a block. Bakes are compared best inside a block, so the bakes that
meet in one are chosen to make all comparisons equally sharp.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import comb

import numpy as np

from trials.tasting.incomplete import (
    average_factor,
    balanced_blocks,
    balanced_groups,
    concurrences,
    efficiency,
    information,
    is_balanced,
    least_concurrence,
    served_counts,
)

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

    Parameters
    ----------
    task : Task
    rng : Generator
    proposals : int
        How many exchanges are tried from each start.

    Returns
    -------
    list of list of list of int
        For each taster, for each sitting, the bakes (in no order of serving).

    Notes
    -----
    Starts: a known balanced design where one fits the numbers, and bakes dealt at random (and,
    where these leave bakes unconnected, single sittings that overlap in a ring). From
    each start bakes are exchanged between a taster's sittings, and with bakes the taster would
    not get, first to serve all bakes equally often and to even out the sum of squared
    concurrences, the (M,S)-criterion, then to raise the average efficiency factor. The start
    that ends with the highest efficiency wins, the first of equals.

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
