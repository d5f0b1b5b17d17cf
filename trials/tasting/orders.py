"""Orders of serving.

Who gets what first, what comes after what, and blocks where not all fits a sitting.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import comb

import numpy as np
from scipy.optimize import linear_sum_assignment

# -- Orders of serving: who gets what first, and what comes after what.
#
# A sample scores differently in first place, and differently after a rich one than after a plain
# one. Both are evened out: each bake stands at each place equally often (exactly, where that can
# be), and each follows each other equally often (Williams squares where they fit, a search where
# they do not).


Row = list[int]

# A sample straight after itself is counted as so many unwanted neighbours, so that a hidden
# repeat stands next to its twin only where a sitting leaves no other place.
_TWINS = 20


def williams(n: int) -> np.ndarray:
    """Return the orders of a Williams square: n rows when n is even, 2n when it is odd.

    References
    ----------
    Williams, E. J. (1949). Experimental designs balanced for the estimation of residual effects
    of treatments. Australian Journal of Scientific Research A 2, 149-168.

    Examples
    --------
    >>> williams(4).tolist()
    [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]
    """
    steps = np.arange(n)
    first = np.where(steps % 2 == 1, (steps + 1) // 2, (n - steps // 2) % max(n, 1))
    square = (first[None, :] + steps[:, None]) % max(n, 1)
    return square if n % 2 == 0 or n < 3 else np.vstack([square, square[:, ::-1]])


def least_sum_of_squares(total: int, cells: int) -> int:
    """Return the sum of squares of counts spread as evenly as whole numbers allow.

    Examples
    --------
    >>> least_sum_of_squares(7, 3)     # 3, 2, 2
    17
    """
    if cells == 0:
        return 0
    low, more = divmod(total, cells)
    return more * (low + 1) ** 2 + (cells - more) * low**2


def balanced_orders(
    blocks: Sequence[Mapping[int, int]],
    rng: np.random.Generator,
    *,
    kept: Sequence[Sequence[tuple[int, int]]] = (),
    proposals: int = 5000,
) -> list[Row]:
    """Put the samples of each sitting in an order, evening out places and neighbours.

    References
    ----------
    MacFie, H. J., Bratchell, N., Greenhoff, K. & Vallis, L. V. (1989). Designs to balance the
    effect of order of presentation and first-order carry-over effects in hall tests. Journal of
    Sensory Studies 4, 129-148.
    de Werra, D. (1971). Balanced schedules. INFOR 9, 230-237 (even colourings always exist).
    Dueck, G. & Scheuer, T. (1990). Threshold accepting. Journal of Computational Physics 90,
    161-175.

    Examples
    --------
    >>> balanced_orders([{0: 0, 1: 1}, {0: 0, 1: 1}], np.random.default_rng(1))
    [[1, 0], [0, 1]]
    """
    same = len({tuple(sorted(block)) for block in blocks}) == 1 and not kept
    samples = [list(block) for block in blocks]
    standing = [[sample for sample, _ in row] for row in kept]
    rows = _from_squares(samples, rng) if same else _from_colouring(samples, standing, rng)
    return _search(_Tally.of(rows, [*blocks, *map(dict, kept)], standing), rng, proposals)


def _from_squares(blocks: Sequence[Sequence[int]], rng: np.random.Generator) -> list[Row]:
    """Return as many orders as there are sittings, from whole Williams squares and part of one."""
    samples = rng.permutation(sorted(blocks[0]))
    pool = williams(len(samples))
    n = len(samples)
    whole, rest = divmod(len(blocks), len(pool))
    picked = [pool] * whole
    if rest > n:
        picked.append(pool[:n])
    start = n if rest > n else 0
    picked.append(pool[start : start + n][np.sort(rng.permutation(n)[: rest - start])])
    orders = np.vstack(picked)
    return [samples[row].tolist() for row in orders[rng.permutation(len(orders))]]


def _from_colouring(
    blocks: Sequence[Sequence[int]], kept: Sequence[Sequence[int]], rng: np.random.Generator
) -> list[Row]:
    """Fill the places from last to first; each time the samples share it as evenly as can be."""
    n = 1 + max((sample for block in [*blocks, *kept] for sample in block), default=-1)
    left = [rng.permutation(sorted(block)).tolist() for block in blocks]
    longest = max((len(block) for block in [*blocks, *kept]), default=0)
    orders: list[Row] = [[] for _ in blocks]
    seats = _seats(kept, n, longest)
    for place in reversed(range(longest)):
        here = [i for i, block in enumerate(left) if len(block) == place + 1]
        if not here:
            continue
        share = _share_of_place(left, kept, place, n)
        chosen = _assign([left[i] for i in here], share, seats[:, place])
        for i, sample in zip(here, chosen, strict=True):
            left[i].remove(sample)
            orders[i].insert(0, sample)
    return orders


def _share_of_place(
    left: Sequence[Sequence[int]], kept: Sequence[Sequence[int]], place: int, n: int
) -> np.ndarray:
    """Return how often each sample should stand at a place, in parts of what is still open."""
    open_rows = [*left, *(row[: place + 1] for row in kept)]
    to_come = np.bincount([s for row in open_rows for s in row], minlength=n)
    sittings = sum(len(row) > place for row in open_rows)
    return to_come * sittings / max(1, to_come.sum())


def _assign(choices: list[Row], share: np.ndarray, already: np.ndarray) -> list[int]:
    """Choose one sample for each row, the counts as near to their share as can be."""
    samples = sorted({sample for row in choices for sample in row})
    seats = [(s, j) for s in samples for j in range(sum(s in row for row in choices))]
    impossible = 1e6
    price = {
        (s, j): 2 * (already[s] + j - share[s]) + 1  # what the j-th seat adds to the squares
        for s, j in seats
    }
    cost = np.array(
        [[price[seat] if seat[0] in row else impossible for seat in seats] for row in choices]
    )
    _, columns = linear_sum_assignment(cost)
    return [seats[column][0] for column in columns]


def _seats(rows: Sequence[Sequence[int]], n: int, places: int) -> np.ndarray:
    counts = np.zeros((n, places), dtype=int)
    for row in rows:
        counts[list(row), range(len(row))] += 1
    return counts


@dataclass
class _Tally:
    """The orders being worked on, with their counts kept up to date at each swap."""

    rows: list[Row]
    bake_of: Sequence[Mapping[int, int]]  # for each row, the bake of each sample
    seats: list[list[int]]  # sample x place
    fair: list[list[int]]  # even counts, times the number of places served
    served: int
    after: list[list[int]]  # bake x bake right after it
    least: int  # squares of neighbours when spread as evenly as can be

    @classmethod
    def of(
        cls, rows: list[Row], bake_of: Sequence[Mapping[int, int]], kept: Sequence[Row]
    ) -> "_Tally":
        every = [*rows, *kept]
        places = max((len(row) for row in every), default=0)
        seats = _seats(every, 1 + max((s for row in every for s in row), default=-1), places)
        named = {bake for bakes in bake_of for bake in bakes.values()}
        after = np.zeros((max(named, default=-1) + 1,) * 2, dtype=int)
        for row, bake in zip(every, bake_of, strict=True):
            for first, second in pairwise(row):
                after[bake[first], bake[second]] += 1
        return cls(
            rows=[list(row) for row in rows],
            bake_of=bake_of,
            seats=seats.tolist(),
            fair=np.outer(seats.sum(axis=1), seats.sum(axis=0)).tolist(),
            served=int(seats.sum()),
            after=after.tolist(),
            least=least_sum_of_squares(int(after.sum()), len(named) * (len(named) - 1)),
        )

    def neighbours(self) -> int:
        return sum(
            count * count + (_TWINS * count if a == b else 0)
            for a, row in enumerate(self.after)
            for b, count in enumerate(row)
        )

    def swap(self, row_number: int, p: int, q: int) -> tuple[int, int]:
        """Swap two places of one row; return what it adds to both sums of squares."""
        row, bake = self.rows[row_number], self.bake_of[row_number]
        beside = sorted({p - 1, p, q - 1, q} & set(range(len(row) - 1)))
        change = 0
        for i in beside:
            change += self._count_pair(bake[row[i]], bake[row[i + 1]], -1)
        places = self._move(row[p], p, q) + self._move(row[q], q, p)
        row[p], row[q] = row[q], row[p]
        for i in beside:
            change += self._count_pair(bake[row[i]], bake[row[i + 1]], 1)
        return places, change

    def _count_pair(self, a: int, b: int, by: int) -> int:
        before = self.after[a][b]
        self.after[a][b] = before + by
        return by * (2 * before + by) + (_TWINS * by if a == b else 0)

    def _move(self, sample: int, p: int, q: int) -> int:
        counts, fair = self.seats[sample], self.fair[sample]
        off_p, off_q = counts[p] * self.served - fair[p], counts[q] * self.served - fair[q]
        counts[p] -= 1
        counts[q] += 1
        return 2 * self.served * (self.served - off_p + off_q)


def _search(tally: _Tally, rng: np.random.Generator, proposals: int) -> list[Row]:
    best, current = tally.neighbours(), tally.neighbours()
    best_rows, best_places, places = [list(row) for row in tally.rows], 0, 0
    movable = [i for i, row in enumerate(tally.rows) if len(row) > 1]
    draws = rng.random((proposals, 4)).tolist()
    for step in range(proposals if movable else 0):
        if best <= tally.least and best_places <= places == 0:
            break
        threshold = (4, 2, 0)[3 * step // proposals]
        swapped, p, q, (more_places, more) = _propose(tally, movable, draws[step])
        if more_places > 0 or (more_places == 0 and more > threshold):
            for row_number in reversed(swapped):
                tally.swap(row_number, p, q)
            continue
        places, current = places + more_places, current + more
        if (places, current) < (best_places, best):
            best_places, best = places, current
            best_rows = [list(row) for row in tally.rows]
    return best_rows


def _propose(
    tally: _Tally, movable: list[int], draw: list[float]
) -> tuple[list[int], int, int, tuple[int, int]]:
    """Swap two places in one row, then in others until the places are even again."""
    start = movable[int(draw[0] * len(movable))]
    size = len(tally.rows[start])
    p = int(draw[1] * size)
    q = (p + 1 + int(draw[2] * (size - 1))) % size
    swapped = [start]
    places, change = tally.swap(start, p, q)
    row = tally.rows[start]
    crowded = [(row[q], q, p), (row[p], p, q)]
    turn = int(draw[3] * len(tally.rows))
    while crowded and places > 0:
        sample, at, to = crowded.pop()
        other = _row_with(tally.rows, sample, at, to, swapped, turn)
        if other is None:
            continue
        crowded.append((tally.rows[other][to], at, to))
        more_places, more = tally.swap(other, p, q)
        places, change = places + more_places, change + more
        swapped.append(other)
    return swapped, p, q, (places, change)


def _row_with(
    rows: list[Row], sample: int, at: int, to: int, swapped: list[int], turn: int
) -> int | None:
    for k in range(len(rows)):
        i = (k + turn) % len(rows)
        row = rows[i]
        if len(row) > at and len(row) > to and row[at] == sample and i not in swapped:
            return i
    return None


# -- Blocks for when there are more bakes than a sitting allows, and what a set of blocks is worth.
#
# A balanced incomplete block design puts each pair of bakes side by side equally often. The known
# ones are kept as a few base blocks, each turned through all its shifts (Bose 1939); a resolvable
# one falls into groups of blocks that hold every bake once, a group for each taster.


Block = tuple[int, ...]

# (bakes, size): the modulus, and the base blocks. Point p is residue p % modulus of copy
# p // modulus; the last point stays where it is when it is one over. Found by search, and checked
# by counting pairs in the tests.
_BASE_BLOCKS: dict[tuple[int, int], tuple[int, list[Block]]] = {
    (6, 3): (5, [(0, 1, 5), (0, 1, 3)]),
    (7, 3): (7, [(0, 1, 3)]),
    (9, 4): (9, [(0, 1, 2, 4), (0, 3, 4, 7)]),
    (10, 3): (5, [(0, 2, 3), (3, 4, 6), (3, 5, 9), (3, 6, 8), (3, 7, 9), (4, 8, 9)]),
    (10, 4): (5, [(0, 1, 3, 9), (1, 2, 6, 9), (2, 7, 8, 9)]),
    (10, 5): (9, [(0, 2, 3, 4, 8), (2, 4, 5, 7, 9)]),
    (11, 5): (11, [(1, 3, 4, 5, 9)]),
    (13, 3): (13, [(0, 1, 4), (0, 2, 7)]),
    (13, 4): (13, [(0, 1, 3, 9)]),
    (15, 7): (15, [(0, 1, 2, 4, 5, 8, 10)]),
    (19, 9): (19, [(1, 4, 5, 6, 7, 9, 11, 16, 17)]),
}

# As above; the base blocks together hold every bake once, so each shift is a group of its own.
_BASE_GROUPS: dict[tuple[int, int], tuple[int, list[Block]]] = {
    (8, 4): (7, [(0, 1, 2, 4), (3, 5, 6, 7)]),
    (12, 3): (11, [(0, 2, 7), (1, 4, 5), (3, 6, 8), (9, 10, 11)]),
    (12, 4): (11, [(0, 1, 3, 8), (2, 4, 9, 11), (5, 6, 7, 10)]),
    (12, 6): (11, [(0, 1, 5, 8, 10, 11), (2, 3, 4, 6, 7, 9)]),
    (15, 3): (7, [(0, 11, 13), (1, 8, 9), (2, 12, 14), (3, 4, 6), (5, 7, 10)]),
    (16, 4): (5, [(0, 2, 8, 9), (1, 6, 11, 15), (3, 4, 10, 12), (5, 7, 13, 14)]),
    (16, 8): (15, [(0, 1, 3, 5, 6, 9, 13, 14), (2, 4, 7, 8, 10, 11, 12, 15)]),
}
_AFFINE_PLANE_9: list[list[Block]] = [
    [(0, 1, 2), (3, 4, 5), (6, 7, 8)],
    [(0, 3, 6), (1, 4, 7), (2, 5, 8)],
    [(0, 4, 8), (1, 5, 6), (2, 3, 7)],
    [(0, 5, 7), (1, 3, 8), (2, 4, 6)],
]


def balanced_groups(bakes: int, size: int) -> list[list[Block]]:
    """Return a known resolvable balanced design, group by group; empty when none is kept here.

    References
    ----------
    Kirkman, T. P. (1850) for 15 bakes by threes; Lucas (1883) for pairs (a round-robin).
    Bose, R. C. (1942). A note on the resolvability of balanced incomplete block designs.
    Sankhya 6, 105-110.

    Examples
    --------
    >>> balanced_groups(4, 2)
    [[(0, 3), (1, 2)], [(1, 3), (0, 2)], [(2, 3), (0, 1)]]
    """
    if size < 2 or bakes % size or size >= bakes:
        return []
    if size == 2:
        last = bakes - 1
        pairs = [(0, last), *((i, last - i) for i in range(1, bakes // 2))]
        return [_shifted(pairs, bakes, last, by) for by in range(last)]
    if (bakes, size) == (9, 3):
        return _AFFINE_PLANE_9
    if (bakes, size) not in _BASE_GROUPS:
        return []
    modulus, base = _BASE_GROUPS[bakes, size]
    return [_shifted(base, bakes, modulus, by) for by in range(modulus)]


def balanced_blocks(bakes: int, size: int) -> list[Block]:
    """Return a known balanced design with few blocks; empty when none is kept here.

    References
    ----------
    Bose, R. C. (1939). On the construction of balanced incomplete block designs. Annals of
    Eugenics 9, 353-399. Cochran, W. G. & Cox, G. M. (1957). Experimental Designs, 2nd ed.,
    chapter 11 (parameters).

    Examples
    --------
    >>> balanced_blocks(7, 3)[:2], len(balanced_blocks(7, 3))
    ([(0, 1, 3), (1, 2, 4)], 7)
    """
    if not 2 <= size < bakes:
        return []
    if (bakes, size) in _BASE_BLOCKS:
        modulus, base = _BASE_BLOCKS[bakes, size]
        return [block for by in range(modulus) for block in _shifted(base, bakes, modulus, by)]
    groups = balanced_groups(bakes, size)
    if groups:
        return [block for group in groups for block in group]
    if size > bakes / 2:
        others = balanced_blocks(bakes, bakes - size) if bakes - size > 1 else _singles(bakes)
        return [tuple(i for i in range(bakes) if i not in block) for block in others]
    if comb(bakes, size) <= 120:
        return list(combinations(range(bakes), size))
    return []


def _singles(bakes: int) -> list[Block]:
    return [(i,) for i in range(bakes)]


def _shifted(base: Sequence[Block], bakes: int, modulus: int, by: int) -> list[Block]:
    """Turn each point within its copy of the residues; an odd one out stays where it is."""
    still = bakes - 1 if bakes % modulus == 1 else None

    def moved(point: int) -> int:
        if point == still:
            return point
        return point // modulus * modulus + (point % modulus + by) % modulus

    return [tuple(sorted(moved(point) for point in block)) for block in base]


def concurrences(blocks: Sequence[Sequence[int]], bakes: int) -> np.ndarray:
    """Return how often each two bakes share a block; on the diagonal, how often each is served.

    Examples
    --------
    >>> concurrences([(0, 1), (0, 2)], 3).tolist()
    [[2, 1, 1], [1, 1, 0], [1, 0, 1]]
    """
    present = np.zeros((len(blocks), bakes), dtype=int)
    for i, block in enumerate(blocks):
        present[i, list(block)] = 1
    return present.T @ present


def efficiency(blocks: Sequence[Sequence[int]], bakes: int) -> tuple[float, float]:
    """Return how much the blocks tell of the bakes, against whole servings, and the bound on it.

    References
    ----------
    James, A. T. & Wilkinson, G. N. (1971). Factorization of the residual operator and canonical
    decomposition of nonorthogonal factors. Biometrika 58, 279-294.
    John, J. A. & Williams, E. R. (1995). Cyclic and Computer Generated Designs, chapter 2.

    Examples
    --------
    >>> efficiency(balanced_blocks(7, 3), 7) == (0.7777777778, 0.7777777778)
    True
    """
    return average_factor(information(blocks, bakes), served_counts(blocks, bakes))


def served_counts(blocks: Sequence[Sequence[int]], bakes: int) -> np.ndarray:
    """Return how often each bake is served.

    Examples
    --------
    >>> served_counts([(0, 1), (0, 2)], 3).tolist()
    [2, 1, 1]
    """
    return np.bincount([bake for block in blocks for bake in block], minlength=bakes)


def information(blocks: Sequence[Sequence[int]], bakes: int) -> np.ndarray:
    """Return the information matrix of the bakes, each block having a level of its own.

    Examples
    --------
    >>> information([(0, 1)], 2).tolist()
    [[0.5, -0.5], [-0.5, 0.5]]
    """
    total = np.zeros((bakes, bakes))
    for block in blocks:
        if len(block) > 0:
            total[np.ix_(list(block), list(block))] += np.eye(len(block)) - 1 / len(block)
    return total


def average_factor(total: np.ndarray, served: np.ndarray) -> tuple[float, float]:
    """Return the average efficiency factor and its bound from an information matrix.

    Examples
    --------
    >>> average_factor(information([(0, 1)], 2), served_counts([(0, 1)], 2))
    (1.0, 1.0)
    """
    seen = served > 0
    if seen.sum() < 2:
        return 1.0, 1.0
    scale = 1 / np.sqrt(served[seen])
    scaled = total[np.ix_(seen, seen)] * np.outer(scale, scale)
    factors = np.linalg.eigvalsh(scaled)[1:]
    bound = round(float(np.trace(scaled)) / len(factors), 10)
    if factors[0] < 1e-9:  # the factors lie between 0 and 1 whatever the plan
        return 0.0, bound
    return round(float(len(factors) / np.sum(1 / factors)), 10), bound


def is_balanced(blocks: Sequence[Sequence[int]], bakes: int) -> bool:
    """Say whether every two bakes share a block equally often, and all are served alike.

    Examples
    --------
    >>> is_balanced(balanced_blocks(6, 3), 6), is_balanced([(0, 1), (1, 2)], 3)
    (True, False)
    """
    shared = concurrences(blocks, bakes)
    pairs = shared[np.triu_indices(bakes, 1)]
    sizes = {len(block) for block in blocks}
    served = np.diag(shared)
    even = np.ptp(served) == 0 and (len(pairs) == 0 or np.ptp(pairs) == 0)
    return len(sizes) == 1 and bool(even)


def least_concurrence(blocks: Sequence[Sequence[int]], bakes: int) -> int:
    """Return the sum of squared concurrences if they were as even as whole numbers allow.

    Examples
    --------
    >>> least_concurrence([(0, 1, 2), (0, 1, 3)], 4)
    6
    """
    pairs = sum(comb(len(block), 2) for block in blocks)
    return least_sum_of_squares(pairs, comb(bakes, 2))
