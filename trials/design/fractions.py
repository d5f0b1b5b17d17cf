"""Two-level regular fractions as vectors of bits: words, aberration, days and groups."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from math import comb

import numpy as np

from trials.base.errors import PlanError
from trials.base.words import how_many, in_words

# -- The days and loads of a regular plan, as bits.
#
# The bakes are numbered by bits. The lowest bits say the day, the next the load within the day,
# further ones a second group crossed with the loads (a dough split over several oil fills). A
# factor whose column is made of the bits of a group alone is constant within its loads.


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


# -- Two-level regular fractions as vectors of bits: words, aberration, the best for a budget.
#
# A plan of 2^r bakes has r basic columns. Every column that can be made by multiplying them is an
# integer of r bits, column a being set high in bake x when the bits that a and x share are odd in
# number; so multiplying columns is XOR, and a defining word is a set of columns whose XOR is zero.


LETTERS = "ABCDEFGHJKLMNOPQ"
MOST_FACTORS = 15
MOST_FRACTION = 128  # bakes of a fraction that is still worth finishing

# Added columns of the fractions of minimum aberration, (factors, bakes): products of the basic
# columns. Word-length patterns as in Fries & Hunter 1980 (Technometrics 22:601) and Chen, Sun & Wu
# 1993 (Int. Stat. Rev. 61:131); every one is proved minimal by tests/benchmarks/fractions.py.
GENERATORS = {
    (3, 4): "AB",
    (4, 8): "ABC",
    (5, 8): "AB AC",
    (6, 8): "AB AC BC",
    (7, 8): "AB AC BC ABC",
    (5, 16): "ABCD",
    (6, 16): "ABC ABD",
    (7, 16): "ABC ABD ACD",
    (8, 16): "ABC ABD ACD BCD",
    (9, 16): "AB AC AD BCD ABCD",
    (10, 16): "AB AC BC AD BCD ABCD",
    (11, 16): "AB AC BC AD BD ACD BCD",
    (12, 16): "AB AC BC AD BD ACD BCD ABCD",
    (13, 16): "AB AC BC ABC AD BD ABD CD ACD",
    (14, 16): "AB AC BC ABC AD BD ABD CD ACD BCD",
    (15, 16): "AB AC BC ABC AD BD ABD CD ACD BCD ABCD",
    (6, 32): "ABCDE",
    (7, 32): "ABCD ABDE",
    (8, 32): "ABC ABD BCDE",
    (9, 32): "BCDE ACDE ABDE ABCE",
    (10, 32): "ABCD ABCE ABDE ACDE BCDE",
    (11, 32): "ABC BCD CDE ACD ADE BDE",
    (12, 32): "ACD ABD ABC BCD CDE ADE BDE",
    (13, 32): "ABC ABD ACD BCD ABE ACE ADE ABCDE",
    (14, 32): "ABC ABD ACD BCD ABE ACE BCE ADE ABCDE",
    (15, 32): "ABC ABD ACD BCD ABE ACE BCE ADE BDE ABCDE",
    (7, 64): "ABCDEF",
    (8, 64): "ABCD ABEF",
    (9, 64): "ABCD ACEF CDEF",
    (10, 64): "BCDF ACDF ABDE ABCE",
    (11, 64): "CDE ABCD ABF BDEF ADEF",
    (12, 64): "ABCD ACE BCDE BDF ABEF ADEF",
    (13, 64): "ABCD ACE BCE ABDE ADF BCDF ABEF",
    (14, 64): "ABCD ACE BCE ABDE ADF BDF CDF ABEF",
    (15, 64): "ABCD ACE BCE ABDE ADF BDF CDF ABEF CEF",
}


@dataclass(frozen=True)
class Fraction:
    """A two-level regular fraction.

    Parameters
    ----------
    columns : tuple of int
        One column per factor, as bits over the basic columns.
    runs : int
        Bakes, a power of two.
    proved : bool
        True when no fraction of this size has less aberration, proved by search.

    References
    ----------
    Fries & Hunter 1980, Technometrics 22:601; Box, Hunter & Hunter 2005, ch. 6.

    Examples
    --------
    >>> fraction = Fraction((1, 2, 4, 7), 8)
    >>> fraction.wlp, fraction.resolution, fraction.generators
    ((0, 1), 4, ('D=ABC',))
    """

    columns: tuple[int, ...]
    runs: int
    proved: bool = False

    @property
    def wlp(self) -> tuple[int, ...]:
        """The number of defining words of length 3, 4, 5, ..."""
        return word_lengths(self.columns, self.runs)

    @property
    def resolution(self) -> int | None:
        """The length of the shortest defining word; None for the full factorial."""
        return next((length for length, count in enumerate(self.wlp, start=3) if count), None)

    @property
    def generators(self) -> tuple[str, ...]:
        """The columns that are products of others, factors lettered in order (I is left out)."""
        return tuple(
            f"{LETTERS[factor]}={''.join(LETTERS[part] for part in parts)}"
            for factor, parts in generator_sets(self.columns).items()
        )


def signs(columns: Sequence[int], runs: int) -> np.ndarray:
    """Return the settings of a fraction, shape (runs, factors), -1 and +1 in standard order.

    Examples
    --------
    >>> signs((1, 2), 4).tolist()
    [[-1, -1], [1, -1], [-1, 1], [1, 1]]
    """
    flips = np.bitwise_count(np.arange(runs)[:, None] & np.asarray(columns)[None, :]) % 2
    # An even product of low settings is high, so that "D=ABC" holds for the signs as they stand
    size = np.bitwise_count(np.asarray(columns))
    return np.where((flips + size) % 2 == 0, 1, -1).astype(int)


def word_lengths(columns: Sequence[int], runs: int) -> tuple[int, ...]:
    """Return the word-length pattern from words of three factors on.

    Examples
    --------
    >>> word_lengths((1, 2, 4, 7), 8)
    (0, 1)
    """
    return tuple(int(count) for count in word_counts(np.array([columns]), runs)[0, 3:])


def word_counts(columns: np.ndarray, runs: int) -> np.ndarray:
    """Return the number of words of each length for many fractions at once.

    The words are counted from the distances between bakes, without listing them.

    References
    ----------
    MacWilliams & Sloane 1977, The Theory of Error-Correcting Codes, ch. 5 (MacWilliams identity);
    Xu & Wu 2001, Ann. Stat. 29:1066, for its use on fractions.

    Examples
    --------
    >>> word_counts(np.array([[1, 2, 3]]), 4)
    array([[1, 0, 0, 1]])
    """
    count, factors = columns.shape
    weights = parity(runs)[columns].sum(axis=1, dtype=np.int64)
    places = weights + (factors + 1) * np.arange(count)[:, None]
    spread = np.bincount(places.ravel(), minlength=count * (factors + 1))
    return spread.reshape(count, factors + 1) @ _krawtchouk(factors) // runs


@cache
def parity(runs: int) -> np.ndarray:
    """Return a table of 0 and 1, shape (runs, runs): whether column a is flipped in bake x.

    Examples
    --------
    >>> parity(2).tolist()
    [[0, 0], [0, 1]]
    """
    numbers = np.arange(runs)
    table = (np.bitwise_count(numbers[:, None] & numbers[None, :]) % 2).astype(np.uint8)
    table.setflags(write=False)
    return table


@cache
def _krawtchouk(factors: int) -> np.ndarray:
    """Return the polynomials that turn distances into words, rows weights, columns lengths."""
    return np.array(
        [
            [
                sum(
                    (-1) ** part * comb(weight, part) * comb(factors - weight, length - part)
                    for part in range(length + 1)
                )
                for length in range(factors + 1)
            ]
            for weight in range(factors + 1)
        ],
        dtype=np.int64,
    )


def generator_sets(columns: Sequence[int]) -> dict[int, tuple[int, ...]]:
    """Return which factors are products of which others.

    Examples
    --------
    >>> generator_sets((1, 2, 4, 7))
    {3: (0, 1, 2)}
    """
    reduced: list[tuple[int, int]] = []
    found: dict[int, tuple[int, ...]] = {}
    for position, column in enumerate(columns):
        rest, parts = column, 1 << position
        for vector, made_of in reduced:
            if rest ^ vector < rest:
                rest, parts = rest ^ vector, parts ^ made_of
        if rest:
            reduced = sorted([*reduced, (rest, parts)], reverse=True)
        else:
            found[position] = tuple(other for other in range(position) if parts >> other & 1)
    return found


def rank(columns: Sequence[int]) -> int:
    """Return how many columns are not products of earlier ones.

    Examples
    --------
    >>> rank((1, 2, 3))
    2
    """
    return len(columns) - len(generator_sets(columns))


def product(letters: str) -> int:
    """Return the column that a product of basic columns is.

    Examples
    --------
    >>> product("ABD")
    11
    """
    return sum(1 << LETTERS.index(letter) for letter in letters)


def minimum_aberration(factors: int, runs: int) -> Fraction:
    """Return the fraction of minimum aberration for a number of factors and bakes.

    Of all regular fractions it has the fewest words of length three, then four, and so on: main
    effects are confused with as few pairs as can be, then pairs with as few pairs as can be.

    References
    ----------
    Fries & Hunter 1980, Technometrics 22:601; Franklin 1984, Technometrics 26:225; Chen, Sun &
    Wu 1993, Int. Stat. Rev. 61:131.

    Examples
    --------
    >>> minimum_aberration(7, 32).wlp
    (0, 1, 2, 0, 0)
    >>> minimum_aberration(7, 32).generators
    ('F=ABCD', 'G=ABDE')
    """
    sizes = [size for size in (4, 8, 16, 32, 64) if size > factors and size <= 2**factors]
    if not 2 <= factors <= MOST_FACTORS:
        raise PlanError(
            f"{factors} two-level factors; a regular fraction is made for 2 to {MOST_FACTORS}."
        )
    if runs not in sizes:
        raise PlanError(
            f"bakes is {runs}; a regular fraction of {factors} two-level factors has "
            f"{in_words(sizes, 'or')} bakes."
        )
    basic = runs.bit_length() - 1
    added = GENERATORS.get((factors, runs), "").split()
    columns = [1 << bit for bit in range(basic)] + [product(word) for word in added]
    return Fraction(tuple(columns), runs, proved=True)


def unfinished(coded: np.ndarray) -> np.ndarray:
    """Return the bakes that finish the smallest two-level fraction that holds those made.

    References
    ----------
    Box & Hunter 1961, Technometrics 3:311 (defining words: products of factors that are the same
    in every bake).

    Examples
    --------
    >>> unfinished(np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1]])).tolist()
    [[-1.0, -1.0, 1.0]]
    """
    places = np.arange(coded.shape[1])
    made = [int(number) for number in (coded > 0) @ (1 << places)]
    # Bakes as numbers of bits: a fraction holds with any three bakes their product, bit by bit
    fraction = {made[0]}
    for number in made:
        if number not in fraction:
            fraction |= {one ^ number ^ made[0] for one in fraction}
        if len(fraction) > MOST_FRACTION:
            return np.empty((0, len(places)))
    rest = np.array(sorted(fraction - set(made)), dtype=int)
    return 2.0 * (rest[:, None] >> places & 1) - 1


# -- Which effects to put on days and loads: two-level fractions with blocks and whole plots.
#
# Days and loads stay as they are, and the search is for the columns of the factors.


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
