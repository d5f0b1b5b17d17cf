"""Blocks for when there are more bakes than a sitting allows, and what a set of blocks is worth.

A balanced incomplete block design puts each pair of bakes side by side equally often. The known
ones are kept as a few base blocks, each turned through all its shifts (Bose 1939); a resolvable
one falls into groups of blocks that hold every bake once, a group for each taster.
"""

from collections.abc import Sequence
from itertools import combinations
from math import comb

import numpy as np

from trials.tasting.orders import least_sum_of_squares

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

    Parameters
    ----------
    bakes, size : int
        How many bakes in all, and how many in a block.

    Returns
    -------
    list of list of tuple of int
        Each group holds every bake once.

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

    Parameters
    ----------
    bakes, size : int
        How many bakes in all, and how many in a block.

    Returns
    -------
    list of tuple of int

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

    Parameters
    ----------
    blocks : sequence of sequence of int
        The bakes at each sitting of each taster.
    bakes : int

    Returns
    -------
    tuple of float
        The average efficiency factor (harmonic mean of the canonical ones), 0 to 1, 0 when some
        bakes can not be compared within sittings; and the upper bound, their arithmetic mean,
        which for equal blocks is bakes (size - 1) / (size (bakes - 1)) and is reached by a
        balanced design only. Bakes never served are left out.

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
