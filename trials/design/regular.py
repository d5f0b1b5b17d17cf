"""Two-level regular fractions as vectors of bits: words, aberration, the best for a budget.

A plan of 2^r bakes has r basic columns. Every column that can be made by multiplying them is an
integer of r bits, column a being set high in bake x when the bits that a and x share are odd in
number; so multiplying columns is XOR, and a defining word is a set of columns whose XOR is zero.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import comb

import numpy as np

from trials.errors import PlanError
from trials.tables import in_words

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

    Parameters
    ----------
    columns : ndarray of int, shape (fractions, factors)
    runs : int

    Returns
    -------
    ndarray of int, shape (fractions, factors + 1)
        Words of length 0 (always one), 1, 2, ...

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

    Parameters
    ----------
    columns : sequence of int

    Returns
    -------
    dict
        Position of an added factor -> positions of the basic factors whose product it is.

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

    Parameters
    ----------
    factors : int
        Two-level factors, 2 to 15.
    runs : int
        Bakes: 4, 8, 16, 32 or 64.

    Returns
    -------
    Fraction
        With as many factors as basic columns it is the full factorial.

    Raises
    ------
    PlanError
        When there is no such fraction; the message says which bakes would work.

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

    Parameters
    ----------
    coded : ndarray, shape (bakes, factors)
        -1 and +1.

    Returns
    -------
    ndarray, shape (bakes, factors)
        No row when the bakes made are a whole fraction, or when it would be very large.

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
