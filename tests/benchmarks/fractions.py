"""Prove that the built-in fractions are of minimum aberration, and time pyDOE3 beside them.

    python -m tests.benchmarks.fractions

How the proof goes. Fractions of 8 and 16 bakes, and those with words of length three: every set of
columns is looked at. Those of 32 and 64 bakes for up to 15 factors have no word of length three,
so only sets without three columns that multiply to nothing (caps) can be better. They are built
column by column. Taking a column away at random leaves a word of length four with chance
(n - 4) / n, so a set of n columns with at most w such words holds one of n - 1 columns with at most
w (n - 4) / n of them: nothing above that bound need be kept. Sets that are the same but for a
change of basic columns are kept once, after an exact check (a mapping of one onto the other).
"""

import time
from collections import defaultdict
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from trials.design.fractions import GENERATORS, minimum_aberration, rank, word_counts, word_lengths

RESULTS = Path(__file__).parent / "results" / "fractions.md"
CAP_SECONDS = 20


def best_of_all(factors: int, runs: int) -> tuple[int, ...]:
    """The least word-length pattern over every set of columns of full rank."""
    basic = runs.bit_length() - 1
    sets = np.array(list(combinations(range(1, runs), factors)))
    counts = word_counts(sets, runs)[:, 3:]
    for row in np.lexsort(counts.T[::-1]):
        if rank(sets[row].tolist()) == basic:
            return tuple(int(count) for count in counts[row])
    raise AssertionError("no set of full rank")


def fours_through(columns: tuple[int, ...]) -> dict[int, int]:
    """How many words of length four hold each column."""
    held: dict[int, int] = dict.fromkeys(columns, 0)
    pairs = defaultdict(list)
    for one, other in combinations(columns, 2):
        pairs[one ^ other].append((one, other))
    for same in pairs.values():
        for one, other in same:
            held[one] += len(same) - 1
            held[other] += len(same) - 1
    return {column: count // 3 for column, count in held.items()}


def profile(columns: tuple[int, ...], runs: int) -> dict[int, tuple[int, ...]]:
    """What stays the same for a column under a change of basic columns."""
    whole = np.array([columns])
    others = np.array([[c for c in columns if c != gone] for gone in columns])
    lost = word_counts(whole, runs)[0, :-1] - word_counts(others, runs)
    return {column: tuple(row.tolist()) for column, row in zip(columns, lost, strict=True)}


def same_but_for_basis(one: dict, other: dict) -> bool:
    """Whether an invertible linear map takes one set of columns onto the other."""
    rare = defaultdict(int)
    for mark in one.values():
        rare[mark] += 1
    order = sorted(one, key=lambda column: (rare[one[column]], one[column], column))

    def extend(position: int, span: dict[int, int]) -> bool:
        if position == len(order):
            return True
        column = order[position]
        if column in span:
            image = span[column]
            return other.get(image) == one[column] and extend(position + 1, span)
        taken = set(span.values())
        for image, mark in other.items():
            if mark == one[column] and image not in taken:
                wider = span | {point ^ column: to ^ image for point, to in span.items()}
                if extend(position + 1, wider):
                    return True
        return False

    return extend(0, {0: 0})


def least_cap(factors: int, runs: int, fours: int) -> tuple[tuple[int, ...], int]:
    """The least word-length pattern of all caps with at most `fours` words of length four."""
    bounds = {factors: fours}
    for size in range(factors - 1, 3, -1):
        bounds[size] = bounds[size + 1] * (size - 3) // (size + 1)
    classes: list[tuple[int, ...]] = [(1,)]
    kept = 0
    for size in range(2, factors + 1):
        classes = distinct(grown(classes, runs, bounds.get(size, 0)), runs)
        kept += len(classes)
    basic = runs.bit_length() - 1
    patterns = [word_lengths(columns, runs) for columns in classes if rank(columns) == basic]
    return min(patterns), kept


def grown(classes: list[tuple[int, ...]], runs: int, bound: int) -> list[tuple[int, ...]]:
    """Every cap made by one more column that stays within the bound."""
    found = {}
    for columns in classes:
        spanned = 1 << max(column.bit_length() for column in columns)
        sums = {one ^ other for one, other in combinations(columns, 2)}
        now = sum(fours_through(columns).values()) // 4
        triples = np.bincount(
            [a ^ b ^ c for a, b, c in combinations(columns, 3)], minlength=2 * runs
        )
        for column in range(1, min(2 * spanned, runs)):
            new = column >= spanned
            if column in columns or column in sums or (new and column != spanned):
                continue
            if now + triples[column] <= bound:
                found[tuple(sorted((*columns, column)))] = None
    return list(found)


def distinct(sets: list[tuple[int, ...]], runs: int) -> list[tuple[int, ...]]:
    """One of every kind, kinds told apart exactly."""
    kinds: dict[tuple, list[tuple[tuple[int, ...], dict]]] = defaultdict(list)
    for columns in sets:
        marks = profile(columns, runs)
        key = (rank(columns), word_lengths(columns, runs), tuple(sorted(marks.values())))
        if not any(same_but_for_basis(marks, known) for _, known in kinds[key]):
            kinds[key].append((columns, marks))
    return [columns for kind in kinds.values() for columns, _ in kind]


def prove(factors: int, runs: int) -> tuple[bool, str]:
    """Whether the built-in fraction is minimal, and how that was seen."""
    built_in = minimum_aberration(factors, runs).wlp
    if runs <= 16:
        return best_of_all(factors, runs) == built_in, "every set of columns"
    best, kept = least_cap(factors, runs, built_in[1])
    return best == built_in, f"every cap within the bound ({kept} kinds kept)"


def time_pydoe3(factors: int, runs: int) -> str:
    """Seconds of pyDOE3's search for the same case, stopped at the cap."""
    context = get_context("spawn")
    process = context.Process(target=_fracfact_opt, args=(factors, runs.bit_length() - 1))
    start = time.perf_counter()
    process.start()
    process.join(CAP_SECONDS)
    seconds = time.perf_counter() - start
    if process.is_alive():
        process.terminate()
        process.join()
        return f"stopped at {CAP_SECONDS} s"
    return f"{seconds:.1f} s" if process.exitcode == 0 else "an error"


def _fracfact_opt(factors: int, basic: int) -> None:
    from pyDOE3 import fracfact_opt

    fracfact_opt(factors, factors - basic)


def main() -> None:
    """Prove every case and write the table."""
    lines = [
        "# Fractions of minimum aberration",
        "",
        "| bakes | factors | words from length 3 | proved | how | proof | built in | pyDOE3 |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for factors, runs in GENERATORS:
        start = time.perf_counter()
        fraction = minimum_aberration(factors, runs)
        call = time.perf_counter() - start
        start = time.perf_counter()
        proved, how = prove(factors, runs)
        proof = time.perf_counter() - start
        beside = time_pydoe3(factors, runs)
        lines.append(
            f"| {runs} | {factors} | {' '.join(map(str, fraction.wlp))} | "
            f"{'yes' if proved else 'NO'} | {how} | {proof:.1f} s | {1000 * call:.2f} ms | "
            f"{beside} |"
        )
        print(lines[-1], flush=True)
    lines += ["", f"pyDOE3: `fracfact_opt`, start-up included, stopped at {CAP_SECONDS} s."]
    RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
