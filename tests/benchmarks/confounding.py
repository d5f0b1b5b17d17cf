"""Hold the search for columns over days and loads against every choice of columns.

    python -m tests.benchmarks.confounding

Easy factors are alike, so a choice is a set of their columns, and so are hard-to-change ones. Days
and loads stay as they are: any plan with as many is one of these but for names.
"""

import time
from collections.abc import Iterator
from itertools import chain, combinations, islice, product
from math import comb
from pathlib import Path

import numpy as np

from trials.design.fractions import Structure, _keys, arrange

RESULTS = Path(__file__).parent / "results" / "confounding.md"
MOST = 3_000_000
# bakes, days, loads (0: none), hard-to-change factors, easy factors
CASES = [
    (8, 2, 0, 0, 3), (8, 2, 0, 0, 4), (8, 1, 4, 1, 3), (16, 2, 0, 0, 4), (16, 2, 0, 0, 5),
    (16, 2, 0, 0, 6), (16, 2, 0, 0, 8), (16, 4, 0, 0, 4), (16, 4, 0, 0, 5), (16, 4, 0, 0, 6),
    (16, 1, 4, 1, 4), (16, 1, 4, 1, 6), (16, 2, 4, 1, 4), (16, 2, 4, 1, 5), (16, 2, 8, 2, 4),
    (32, 2, 0, 0, 6), (32, 2, 0, 0, 7), (32, 4, 0, 0, 5), (32, 4, 0, 0, 6), (32, 4, 0, 0, 7),
    (32, 1, 4, 1, 5), (32, 1, 8, 1, 5), (32, 1, 8, 2, 5), (32, 2, 8, 1, 5), (32, 4, 8, 1, 4),
    (32, 4, 8, 1, 5), (32, 4, 8, 1, 6), (32, 4, 16, 2, 4), (64, 4, 0, 0, 4), (64, 4, 16, 1, 4),
]  # fmt: skip


def choices(structure: Structure, hard: int, easy: int) -> Iterator[tuple[int, ...]]:
    """Every set of columns for the easy factors with every one for the hard ones."""
    own = structure.candidates("load").tolist() if hard else []
    free = structure.candidates(None).tolist()
    for ends in product(combinations(own, hard), combinations(free, easy)):
        yield tuple(chain(*ends))


def best_key(structure: Structure, hard: int, easy: int) -> tuple[int, ...]:
    """What the best of all choices reaches."""
    places = tuple(range(hard, hard + easy))
    best: tuple[int, ...] | None = None
    every = choices(structure, hard, easy)
    while part := list(islice(every, 50_000)):
        keys = _keys(np.array(part), structure, places)
        found = tuple(keys[np.lexsort(keys.T[::-1])[0]].tolist())
        best = found if best is None else min(best, found)
    assert best is not None
    return best


def main() -> None:
    """Compare every case and write the table."""
    lines = [
        "# Columns over days and loads: the search against every choice",
        "",
        "| bakes | days | loads | hard | easy | choices | pairs lost | search is best | search |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for runs, days, loads, hard, easy in CASES:
        structure = Structure(runs, days, (("load", loads),) if loads else ())
        free = comb(len(structure.candidates(None)), easy)
        count = free * (comb(len(structure.candidates("load")), hard) if hard else 1)
        assert count <= MOST, (runs, days, loads, hard, easy, count)
        start = time.perf_counter()
        found = arrange(("load",) * hard + (None,) * easy, structure)
        seconds = time.perf_counter() - start
        places = tuple(range(hard, hard + easy))
        key = tuple(_keys(np.array([found.fraction.columns]), structure, places)[0].tolist())
        best = key == best_key(structure, hard, easy)
        lines.append(
            f"| {runs} | {days} | {loads or '-'} | {hard} | {easy} | {count} | {len(found.lost)} | "
            f"{'yes' if best else 'NO'} | {seconds:.2f} s |"
        )
        print(lines[-1], flush=True)
    RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
