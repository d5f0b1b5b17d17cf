"""Which effects to put on days and loads: two-level fractions with blocks and whole plots.

The bakes of a regular plan are numbered by bits. The lowest bits say the day, the next the load
within the day, further ones a second group crossed with the loads (a dough split over several oil
fills). A factor whose column is made of the bits of a group alone is constant within its loads;
so days and loads stay as they are, and the search is for the columns of the factors.
"""

from dataclasses import dataclass
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
from trials.errors import PlanError
from trials.tables import in_words

STARTS = 12
TRANSFORMS = 300


@dataclass(frozen=True)
class Structure:
    """The days and loads of a regular plan.

    Parameters
    ----------
    runs : int
        Bakes, a power of two.
    days : int
        Days of equal size, a power of two.
    groups : tuple of (str, int)
        What bakes share and how many there are in all, powers of two; each nested in days, and
        two of them crossed within days.

    Raises
    ------
    PlanError
        When a count is not a power of two or there are more crossings than bakes.

    Examples
    --------
    >>> four_days = Structure(32, 4, (("load", 8),))
    >>> four_days.ids("load")[:9].tolist(), four_days.ids("day")[:5].tolist()
    ([0, 1, 2, 3, 4, 5, 6, 7, 0], [0, 1, 2, 3, 0])
    """

    runs: int
    days: int = 1
    groups: tuple[tuple[str, int], ...] = ()

    def __post_init__(self) -> None:
        for name, count in (("day", self.days), *self.groups):
            if count < 1 or count & (count - 1) or count > self.runs:
                sizes = [2**bit for bit in range(self.runs.bit_length())]
                raise PlanError(
                    f"{'days' if name == 'day' else 'loads'} is {count}; a regular plan shares "
                    f"{self.runs} bakes out evenly over {in_words(sizes, 'or')}. For other numbers "
                    "use trials.design.optimal."
                )
        crossings = self.days
        for name, count in self.groups:
            if count < self.days:
                raise PlanError(
                    f"loads is {count} ({name}) over {self.days} days; each belongs to one day, so "
                    f"{self.days} or more would work."
                )
            crossings *= count // self.days
        if crossings > self.runs:
            raise PlanError(
                f"loads: {in_words(how_many(count, name) for name, count in self.groups)} crossed "
                f"within {how_many(self.days, 'day')} need {crossings} bakes at least; there are "
                f"{self.runs}. Ask for fewer of them, or use trials.design.optimal."
            )

    def bits(self, name: str) -> int:
        """Return the bits that tell one day or one load from another, as a mask."""
        mask = place = self.days - 1
        if name == "day":
            return mask
        for group, count in self.groups:
            own = (count // self.days - 1) * (place + 1)
            if group == name:
                return mask | own
            place |= own
        raise PlanError(f'there is no group "{name}".')

    def ids(self, name: str) -> np.ndarray:
        """Return which day or load each bake belongs to, numbered from 0."""
        shared = np.arange(self.runs) & self.bits(name)
        return np.unique(shared, return_inverse=True)[1]

    def candidates(self, owner: str | None) -> np.ndarray:
        """Return the columns that a factor may have: constant in its own group, in no other."""
        columns = np.arange(1, self.runs)
        if owner is not None:
            own = columns[columns & ~self.bits(owner) == 0]
            within = own[own >= self.days]
            return within if len(within) else own
        shared = self.bits("day")
        for group, _ in self.groups:
            shared |= self.bits(group)
        free = columns[columns & ~shared != 0]
        if len(free):
            return free
        apart = [columns & ~self.bits(group) != 0 for group, _ in self.groups]
        return columns[np.all(apart, axis=0)] if apart else free

    def on_group(self) -> np.ndarray:
        """Return, for every column, whether it is judged between loads and not within them."""
        columns = np.arange(self.runs)
        within = [columns & ~self.bits(group) == 0 for group, _ in self.groups]
        return np.any(within, axis=0) if within else np.zeros(self.runs, dtype=bool)


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
    answer every time, best known rather than proved.

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
    return _described(best[1], owners, structure)


def _no_room(wanted: int, room: int, owner: str | None, structure: Structure) -> PlanError:
    parts = [how_many(structure.runs, "bake"), how_many(structure.days, "day")]
    parts += [how_many(count, name) for name, count in structure.groups]
    kind = f' that are hard to change ("{owner}")' if owner else ""
    return PlanError(
        f"{how_many(wanted, 'two-level factor')}{kind}, but {in_words(parts)} leave room for "
        f"{room}. Give more bakes, fewer days{', more loads' if owner else ''} or fewer factors."
    )


def how_many(count: int, noun: str) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> how_many(1, "day"), how_many(4, "dough batch")
    ('1 day', '4 dough batches')
    """
    return f"{count} {noun}" + ("" if count == 1 else "es" if noun.endswith("ch") else "s")


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


def _described(
    columns: tuple[int, ...], owners: tuple[str | None, ...], structure: Structure
) -> Arrangement:
    _, lost, on_days, on_loads = (found[0] for found in _pairs(np.array([columns]), structure))
    pairs = list(combinations(range(len(owners)), 2))

    def those(flags: np.ndarray) -> tuple[tuple[int, int], ...]:
        return tuple(pair for pair, flag in zip(pairs, flags, strict=True) if flag)

    return Arrangement(
        Fraction(columns, structure.runs),
        structure,
        those(lost),
        those(on_days),
        those(on_loads),
    )
