"""What stands out as a slip of the pen, though it can be read: never changed, only said."""

import statistics
from collections import Counter
from collections.abc import Hashable, Sequence
from difflib import SequenceMatcher

FEWEST = 6  # of a column, to tell what is usual
# Times the usual distance from the middle reading (the median of the distances, times 1.4826 as
# for a normal spread); by it a decimal point that slipped stands out, and a wild day does not
FAR = 8.0
SHORTEST = 4  # letters of a word in which one letter may be a slip; "T45" beside "T55" is none


def far_readings(values: Sequence[float]) -> list[int]:
    """Return the places of readings that stand far from all others.

    Examples
    --------
    >>> far_readings([61, 63, 60, 62, 59, 615]), far_readings([61, 63, 60, 62, 59, 75])
    ([5], [])
    >>> far_readings([0, 0, 0, 0, 1, 2, 0]), far_readings([0, 0, 0, 0, 1, 2, 999])
    ([], [6])
    """
    if len(values) < FEWEST:
        return []
    middle = statistics.median(values)
    apart = [abs(value - middle) for value in values]
    # Where most readings are alike, a tenth of them is what may be usual
    reach = FAR * max(1.4826 * statistics.median(apart), 0.1 * abs(middle) / FAR)
    if reach:
        return [at for at, distance in enumerate(apart) if distance > reach]
    # Most readings are nought: those that are not tell how far is usual
    some = sorted(distance for distance in apart if distance)
    return [at for at, one in enumerate(apart) if len(some) > 2 and one > FAR * some[-2]]


def far_settings(values: Sequence[float]) -> list[int]:
    """Return the place of a setting that one bake alone had, far from those of all others.

    Examples
    --------
    >>> far_settings([16, 24, 16, 24, 20, 167, 24]), far_settings([1, 10, 100, 1, 10, 100])
    ([5], [])
    """
    if len(values) < FEWEST:
        return []
    found = []
    # Only the smallest and the largest can lie further from all others than these lie apart
    for value in {min(values), max(values)}:
        others = sorted(values)
        others.remove(value)
        usual = max(others[-1] - others[0], 0.1 * abs(statistics.median(others)))
        nearest = min(abs(value - others[0]), abs(value - others[-1]))
        if usual and nearest > FAR * usual:
            found.append(list(values).index(value))
    return sorted(found)


def rare_kinds(kinds: Sequence[Hashable], shortest: int = SHORTEST) -> dict[str, str]:
    """Return kinds that one bake alone had, one letter from a kind that several had.

    Examples
    --------
    >>> rare_kinds(["butter", "lard", "buter", "butter", "lard"])
    {'buter': 'butter'}
    >>> rare_kinds(["type A", "type B", "type B"]), rare_kinds(["T45", "T55", "T55"])
    ({}, {})
    """
    texts = [one for one in kinds if isinstance(one, str)]
    counts = Counter(texts)
    often = [one for one, count in counts.items() if count > 1]
    found = {}
    for rare in (one for one, count in counts.items() if count == 1):
        near = next((one for one in often if one_letter_apart(rare, one, shortest)), None)
        if near is not None:
            found[rare] = near
    return found


def one_letter_apart(one: str, other: str, shortest: int = SHORTEST) -> bool:
    """Say whether two names differ by a letter too many, too few, wrong, or two that changed place.

    Examples
    --------
    >>> [one_letter_apart("butter", two) for two in ("buter", "buttre", "buffer", "batter", "oil")]
    [True, True, False, True, False]
    """
    if min(len(one), len(other)) < shortest:
        return False
    pairs = [
        (one[a:b], other[c:d])
        for tag, a, b, c, d in SequenceMatcher(None, one, other, autojunk=False).get_opcodes()
        if tag != "equal"
    ]
    letters = "".join(old + new for old, new in pairs)
    if not letters or not letters.isalpha() or not _in_long_words(one, other, shortest):
        return False
    if len(pairs) == 1:
        return max(map(len, pairs[0])) == 1
    # Two that changed place: one letter goes in here, the same comes out there
    moved = [old or new for old, new in pairs]
    return len(pairs) == 2 and moved[0] == moved[1] and len(moved[0]) == 1


def _in_long_words(one: str, other: str, shortest: int) -> bool:
    """Say whether the words that differ are long enough for a letter of them to be a slip."""
    first, second = one.split(), other.split()
    if len(first) != len(second):
        return True  # a space too many or too few
    apart = [(a, b) for a, b in zip(first, second, strict=True) if a != b]
    return all(min(len(a), len(b)) >= shortest for a, b in apart)


def alike(labels: Sequence[Hashable]) -> tuple[Hashable, Hashable] | None:
    """Return two names that differ in capitals or spaces alone, the rarer one first.

    Examples
    --------
    >>> alike(["B01", "B02", "b01", "B01"]), alike(["B01", "B02"])
    (('b01', 'B01'), None)
    """
    named: dict[str, Hashable] = {}
    for label in dict.fromkeys(labels):
        fold = " ".join(str(label).split()).casefold()
        if fold in named:
            first = named[fold]
            count = list(labels).count
            return (label, first) if count(label) <= count(first) else (first, label)
        named[fold] = label
    return None
