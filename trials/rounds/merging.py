"""What several files say together: agreement, completion, or a question.

The entries of several people's files agree, complete each other, or contradict each other; a
contradiction is asked about and never settled by which file came last.
"""

import math
from collections.abc import Iterable

from trials.rounds.cells import Problem, exact, in_order, shortened
from trials.rounds.entries import Address, Entry, Reading, Value


def merge(readings: Iterable[Reading]) -> tuple[dict[Address, Entry], list[Problem]]:
    """Return what all files say together, and where they contradict each other.

    The outcome is the same in whichever order the files come.

    Parameters
    ----------
    readings : iterable of Reading

    Returns
    -------
    (dict, list of Problem)
        Entries by form, row and column, contradicted ones left out; a question for each of those.
    """
    together: dict[Address, list[Entry]] = {}
    for reading in readings:
        for entry in reading.entries:
            together.setdefault(entry.address, []).append(entry)
    agreed: dict[Address, Entry] = {}
    questions = []
    for address in sorted(together):
        entries = sorted(together[address], key=_entry_order)
        other = next((e for e in entries if not _equal(e.value, entries[0].value)), None)
        if other is None:
            agreed[address] = Entry(address, _fullest(entries), entries[0].place)
        else:
            questions.append(_question(entries[0], other))
    return agreed, in_order(questions)


def _question(first: Entry, other: Entry) -> Problem:
    kept, said = (_shown(entry.value) for entry in (first, other))
    return Problem(
        first.place,
        f"{kept} stands here, but {said} in {other.place}",
        "one value",
        "Which is right? Make both the same or empty one, and read again; nothing was overwritten.",
    )


def _shown(value: Value) -> str:
    return shortened(value) if isinstance(value, str) else exact(value)


def _equal(one: Value, other: Value) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return one == other
    # A spreadsheet keeps fifteen to sixteen digits of a number.
    return math.isclose(one, other, rel_tol=1e-14, abs_tol=0)


def _fullest(entries: Iterable[Entry]) -> Value:
    """Return the value with the most digits among those that agree."""
    values = [entry.value for entry in entries]
    return max(values, key=lambda value: (len(str(value)), str(value)))


def _entry_order(entry: Entry) -> tuple[str, str, int, str]:
    place = entry.place
    return (place.file, place.sheet, place.row or 0, str(entry.value))
