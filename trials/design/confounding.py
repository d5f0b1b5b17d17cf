"""Which effects to put on days and loads: two-level fractions with blocks and whole plots.

Days and loads stay as they are, and the search is for the columns of the factors.
"""

from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations

import numpy as np

from trials.design.regular import (
    MOST_FACTORS,
    Fraction,
    minimum_aberration,
    rank,
    word_counts,
)
from trials.design.structure import Structure, how_many
from trials.errors import PlanError
from trials.tables import in_words

STARTS = 12
TRANSFORMS = 300


@dataclass(frozen=True)
class Arrangement:
    """A fraction laid over days and loads, and what that costs.

    Parameters
    ----------
    fraction : Fraction
    structure : Structure
    lost : tuple of (int, int)
        Pairs of factors whose interaction can not be told from a main effect, another pair or
        the days.
    on_days, on_loads : tuple of (int, int)
        Pairs that go with the days; pairs judged between loads.
    """

    fraction: Fraction
    structure: Structure
    lost: tuple[tuple[int, int], ...]
    on_days: tuple[tuple[int, int], ...]
    on_loads: tuple[tuple[int, int], ...]


@cache
def arrange(owners: tuple[str | None, ...], structure: Structure) -> Arrangement:
    """Return the best two-level plan for some factors over given days and loads.

    Of the plans where no main effect goes with the days, hard-to-change factors are constant in
    their loads and the others are not, it looks for: as much of the full factorial as fits; the
    fewest pairs confused with main effects; the fewest pairs lost (with main effects, days or each
    other); the fewest pairs of easy factors judged between loads; then the least word-length
    pattern, and then the fewest pairs, threes, ... on days. A search with fixed starts: the same
    answer every time, best known rather than proved; where the choices can be counted,
    tests/benchmarks/confounding.py holds it against every one.

    Parameters
    ----------
    owners : tuple of str or None
        For each factor the group that it belongs to, None when it is easy to change.
    structure : Structure

    Returns
    -------
    Arrangement

    Raises
    ------
    PlanError
        When there are more factors than columns for them.

    References
    ----------
    Sitter, Chen & Feder 1997, Technometrics 39:382 (words of blocks beside words of treatments);
    Bingham & Sitter 1999, Technometrics 41:62 (split-plot fractions); Fries & Hunter 1980.

    Examples
    --------
    >>> best = arrange(("load", *[None] * 5), Structure(32, 4, (("load", 8),)))
    >>> best.fraction.wlp, len(best.lost), len(best.on_days), len(best.on_loads)
    ((0, 0, 1, 0), 1, 1, 1)
    """
    pools = [structure.candidates(owner) for owner in owners]
    for owner in dict.fromkeys(owners):
        pool, wanted = structure.candidates(owner), owners.count(owner)
        if wanted > len(pool):
            raise _no_room(wanted, len(pool), owner, structure)
    easy = tuple(position for position, owner in enumerate(owners) if owner is None)
    best: tuple[tuple[int, ...], tuple[int, ...]] | None = None
    for start in _starts(owners, pools, structure, easy):
        columns, key = _exchanged(start, pools, structure, easy)
        if best is None or key < best[0]:
            best = (key, columns)
    assert best is not None
    if any(best[0][1:3]):
        raise _no_room(len(owners), len(owners) - 1, None, structure)
    return _described(best[1], structure)


def partly_confounded(
    arrangement: Arrangement, owners: tuple[str | None, ...], copies: int
) -> tuple[Arrangement, list[tuple[int, ...]]]:
    """Return columns for copies of a plan that lose different pairs, and what all of them lose.

    Factors of the same owner take turns with each other's columns, so that a pair lost to the
    days of one copy can be judged from another.

    Parameters
    ----------
    arrangement : Arrangement
    owners : tuple of str or None
        As for :func:`arrange`.
    copies : int

    Returns
    -------
    Arrangement
        With the pairs that are lost, on days or on loads in every copy.
    list of tuple of int
        The columns of each copy.

    References
    ----------
    Yates 1937, The Design and Analysis of Factorial Experiments (partial confounding).

    Examples
    --------
    >>> owners = (None,) * 4
    >>> once = arrange(owners, Structure(16, 4))
    >>> twice, _ = partly_confounded(once, owners, 2)
    >>> len(once.lost), len(twice.lost)
    (1, 0)
    """
    columns = arrangement.fraction.columns
    turned = []
    for turn in range(copies):
        own = list(columns)
        for owner in dict.fromkeys(owners):
            places = [place for place, found in enumerate(owners) if found == owner]
            for step, place in enumerate(places):
                own[place] = columns[places[(step + turn) % len(places)]]
        turned.append(tuple(own))
    each = [_described(own, arrangement.structure) for own in turned]

    def always(kind: str) -> tuple[tuple[int, int], ...]:
        found = set.intersection(*(set(getattr(one, kind)) for one in each))
        return tuple(sorted(found))

    every = replace(
        arrangement, lost=always("lost"), on_days=always("on_days"), on_loads=always("on_loads")
    )
    return every, turned


def _no_room(wanted: int, room: int, owner: str | None, structure: Structure) -> PlanError:
    parts = [how_many(structure.runs, "bake"), how_many(structure.days, "day")]
    parts += [how_many(count, name) for name, count in structure.groups]
    kind = f' that are hard to change ("{owner}")' if owner else ""
    return PlanError(
        f"{how_many(wanted, 'two-level factor')}{kind}, but {in_words(parts)} leave room for "
        f"{room}. Give more bakes, fewer days{', more loads' if owner else ''} or fewer factors."
    )


def _starts(
    owners: tuple[str | None, ...],
    pools: list[np.ndarray],
    structure: Structure,
    easy: tuple[int, ...],
) -> np.ndarray:
    """Return the columns to improve on: turned fractions of minimum aberration, and random ones."""
    rng = np.random.default_rng(1997)
    runs, factors = structure.runs, len(owners)
    basic = runs.bit_length() - 1
    turned = [_random(pools, rng) for _ in range(STARTS)]
    if basic <= factors <= MOST_FACTORS and 4 <= runs <= 64:
        plain = np.array(minimum_aberration(factors, runs).columns)
        for _ in range(TRANSFORMS):
            maps = _invertible(basic, rng)
            columns = _mapped(plain, maps)[rng.permutation(factors)]
            turned.append(_repaired(columns, pools, rng))
    starts = np.array(turned)
    keys = _keys(starts, structure, easy)
    order = np.lexsort(keys.T[::-1])
    chosen = [*order[:STARTS].tolist(), *range(STARTS)]
    return starts[list(dict.fromkeys(chosen))]


def _random(pools: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    return _repaired(np.zeros(len(pools), dtype=int), pools, rng)


def _repaired(columns: np.ndarray, pools: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Return the columns with every one that a factor may not have replaced by chance."""
    columns = columns.copy()
    for position, pool in enumerate(pools):
        others = np.delete(columns, position)
        if columns[position] not in pool or columns[position] in others:
            free = np.setdiff1d(pool, others)
            columns[position] = rng.choice(free if len(free) else pool)
    return columns


def _invertible(size: int, rng: np.random.Generator) -> list[int]:
    while True:
        maps = rng.integers(1, 1 << size, size).tolist()
        if rank(maps) == size:
            return maps


def _mapped(columns: np.ndarray, maps: list[int]) -> np.ndarray:
    turned = np.zeros_like(columns)
    for bit, image in enumerate(maps):
        turned ^= np.where(columns >> bit & 1, image, 0)
    return turned


def _exchanged(
    columns: np.ndarray,
    pools: list[np.ndarray],
    structure: Structure,
    easy: tuple[int, ...],
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return columns that no exchange of a single one improves, and their key."""
    best = _keys(columns[None, :], structure, easy)[0]
    improved = True
    while improved:
        improved = False
        for position, pool in enumerate(pools):
            trials = np.repeat(columns[None, :], len(pool), axis=0)
            trials[:, position] = pool
            keys = _keys(trials, structure, easy)
            first = int(np.lexsort(keys.T[::-1])[0])
            if tuple(keys[first]) < tuple(best):
                columns, best, improved = trials[first], keys[first], True
    return tuple(columns.tolist()), tuple(best.tolist())


def _keys(columns: np.ndarray, structure: Structure, easy: tuple[int, ...]) -> np.ndarray:
    """Return what is compared, first things first, for many sets of columns at once."""
    runs, factors = structure.runs, columns.shape[1]
    words = word_counts(columns, runs)
    # Words double with every column that is a product of others
    deficit = np.log2(words.sum(axis=1)).astype(int) - max(0, factors - (runs.bit_length() - 1))
    with_main, lost, _, on_loads = _pairs(columns, structure)
    one, other = _pair_positions(factors)
    both_easy = np.isin(one, easy) & np.isin(other, easy)
    blocked = word_counts(columns // structure.days, runs // structure.days) - words
    return np.column_stack(
        [
            deficit,
            words[:, 1:3],
            with_main.sum(axis=1),
            lost.sum(axis=1),
            (on_loads & both_easy).sum(axis=1),
            words[:, 3:],
            blocked[:, 1:],
        ]
    ).astype(int)


@cache
def _pair_positions(factors: int) -> tuple[np.ndarray, np.ndarray]:
    return np.triu_indices(factors, 1)


def _pairs(columns: np.ndarray, structure: Structure) -> tuple[np.ndarray, ...]:
    """Return for every pair: with a main effect, lost, with the days, judged between loads."""
    runs, (count, factors) = structure.runs, columns.shape
    one, other = _pair_positions(factors)
    pairs = columns[:, one] ^ columns[:, other]
    rows = runs * np.arange(count)[:, None]
    main = np.zeros(count * runs, dtype=bool)
    main[(columns + rows).ravel()] = True
    with_main = main[pairs + rows]
    shared = np.bincount((pairs + rows).ravel(), minlength=count * runs)[pairs + rows] > 1
    on_days = pairs < structure.days
    on_loads = structure.on_group()[pairs] & ~on_days
    return with_main, with_main | shared | on_days, on_days, on_loads


def _described(columns: tuple[int, ...], structure: Structure) -> Arrangement:
    _, lost, on_days, on_loads = (found[0] for found in _pairs(np.array([columns]), structure))
    pairs = list(combinations(range(len(columns)), 2))

    def those(flags: np.ndarray) -> tuple[tuple[int, int], ...]:
        return tuple(pair for pair, flag in zip(pairs, flags, strict=True) if flag)

    return Arrangement(
        Fraction(columns, structure.runs),
        structure,
        those(lost),
        those(on_days),
        those(on_loads),
    )
