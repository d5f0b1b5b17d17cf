"""Blind codes: three digits that say nothing and that nobody takes for another.

The rule
--------
A code is three different digits from 1 to 9 (504 of them). Left out for good are those people
read as something else: three digits in step (123, 975, 258 and every other even step), heats of
an oven or of oil (145 to 265 ending in 5, and 275 to 475 in steps of 25), and a few numbers that
everybody knows (listed in ``KNOWN_NUMBERS``).

Two codes look alike on a hand-written label when they differ only by 1 for 7 or 6 for 9, or when
one is the other upside down (1, 6, 8 and 9 survive being turned). Look-alikes are kept apart
in the whole round as long as there are codes enough, and in one sitting always. No code comes
twice in a round.

That three-digit random numbers are used, new ones each session, is from ISO 13299; what is left
out here is common practice, no source.
"""

from collections.abc import Iterable, Sequence
from functools import cache
from itertools import permutations

import numpy as np

from trials.errors import TastingError

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

    Parameters
    ----------
    sittings : sequence of int
        The sitting of each serving that needs a code.
    seed : int or Generator
    taken : iterable of (sitting, code)
        Codes of this round that exist already; none comes again.

    Returns
    -------
    list of str
        In the order of ``sittings``.

    Raises
    ------
    TastingError
        When the codes run out, for the round or for one sitting.

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
