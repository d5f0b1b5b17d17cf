"""Intervals held to the truth: how often does a 95 % interval hold what it is about?

    python -m tests.benchmarks.calibration [rounds per row, default 100] [minutes at most]

Writes ``results/calibration.csv`` and ``results/calibration.md``. A run goes on from the rounds
that the table holds already, so that it can be made longer. Rounds of 8, 12, 16 and 24 bakes of
every structure in `STRUCTURES`, in two kitchens of invented spreads: effects between low and high,
means at the settings of a factor and at one setting, and one bake that was not made yet. Where days
(or rounds) are fixed blocks, a mean is that of these blocks. All through `fit` and its findings.
"""

import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import trials
from trials.base.files import read_csv, write_csv, write_text
from trials.core.proportions import exact_interval

RESULTS = Path(__file__).parent / "results"
SIZES = (8, 12, 16, 24)
TRIED = ("effects", "means", "new bakes")
MEAN, SIZE, SEED = 5.5, 0.5, 93
# Standard deviations of what bakes differ by, liking points; view: a taster's own of one bake
KITCHENS = {
    "usual": {"day": 0.2, "load": 0.25, "dough": 0.25, "bake": 0.25, "taster": 0.8, "view": 0.5,
              "score": 1.1},
    "wide": {"day": 1.0, "load": 1.0, "dough": 1.0, "bake": 1.5, "taster": 0.8, "view": 0.5,
             "score": 0.8},
}  # fmt: skip
BLEND = np.vstack([np.eye(3), (1 - np.eye(3)) / 2, np.full((1, 3), 1 / 3)])
LEAST, MOST, SELDOM = 0.93, 0.97, 0.05


@dataclass(frozen=True)
class Structure:
    """A kind of round: who reads each bake how often, and what bakes share."""

    name: str
    readings: int = 1
    tasters: int = 0
    day: int = 0  # bakes a day; 0 for one day
    halves: bool = False  # two days
    load: bool = False  # the first factor goes by loads of two bakes
    dough: bool = False  # the second one by doughs that cross the loads
    blend: bool = False
    rounds: int = 1


STRUCTURES = (
    Structure("one reading a bake"),
    Structure("three readings a bake", readings=3),
    Structure("four tasters, one score each", tasters=4),
    Structure("three tasters, two scores each", readings=2, tasters=3),
    Structure("days of two bakes, four tasters", tasters=4, day=2),
    Structure("loads of two bakes, four tasters", tasters=4, load=True),
    Structure("loads of two bakes, one reading", load=True),
    Structure("doughs of two within days of four, four tasters", tasters=4, day=4, load=True),
    Structure("loads and doughs crossed, four tasters", tasters=4, load=True, dough=True),
    Structure("blends of three, four tasters", tasters=4, blend=True),
    Structure("two days as blocks, one reading", halves=True),
    Structure("two days as blocks, four tasters", tasters=4, halves=True),
    Structure("two rounds, four tasters", tasters=4, rounds=2, halves=True),
)


def factors_of(one):
    """Return what varies."""
    if one.blend:
        return [trials.Component(name) for name in "abc"]
    return [trials.Numeric("a", 0, 1), trials.Numeric("b", 0, 1)]


def bakes_of(one, count):
    """Return the bakes of a round: settings, and what they share."""
    n = np.arange(count)
    table = pd.DataFrame({"bake": [f"B{at:02d}" for at in n]})
    if one.blend:
        table[list("abc")] = BLEND[n % len(BLEND)]
    elif one.load:
        table["a"], table["b"] = (n // 2) % 2, n % 2
    else:
        table["a"], table["b"] = n % 2, (n ^ (n // 2)) % 2
    days = n // one.day if one.day else n // (count // 2) if one.halves else 0 * n
    if one.day or one.halves:
        table["day"] = [f"day {at}" for at in days]
    if one.load:
        table["load"] = [f"load {at}" for at in n // 2]
    if one.dough:
        table["dough"] = [f"dough {at}" for at in n % (count // 2)]
    return table


def scored(one, bakes, sd, truth, rng):
    """Return the scores of a round, and what each day added."""
    total = MEAN + bakes[list(truth)].to_numpy(float) @ np.array(list(truth.values()))
    added = {}
    for name in ("day", "load", "dough", "bake"):
        if name in bakes:
            codes = pd.factorize(bakes[name])[0]
            added[name] = sd[name] * rng.standard_normal(codes.max() + 1)
            total = total + added[name][codes]
    people = max(one.tasters, 1)
    shape = (len(bakes), people, one.readings)
    scores = total[:, None, None] + sd["score"] * rng.standard_normal(shape)
    if one.tasters:
        scores = scores + sd["taster"] * rng.standard_normal((1, people, 1))
        scores = scores + sd["view"] * rng.standard_normal((len(bakes), people, 1))
    table = bakes.loc[bakes.index.repeat(people * one.readings)].reset_index(drop=True)
    if one.tasters:
        who = np.tile(np.repeat(np.arange(people), one.readings), len(bakes))
        table["taster"] = [f"taster {at}" for at in who]
    return table.assign(liking=scores.ravel()), added.get("day", np.zeros(1))


def fitted(one, table):
    """Fit a round, or its two halves as rounds, the public way."""
    factors, model = factors_of(one), "main"
    if one.rounds > 1:
        parts = [own.reset_index(drop=True) for _, own in table.groupby("day")]
        known = trials.evidence(parts, factors)
        return trials.fit(known, "liking", model=model)
    groups = ("load", "dough", "bake", "taster") if one.dough else None
    return trials.fit(table, "liking", factors, model=model, groups=groups)


def tried(one, count, kitchen, number):
    """Return which intervals of one round hold the truth, and whether a variance came out zero."""
    sd = KITCHENS[kitchen]
    rng = np.random.default_rng([SEED, STRUCTURES.index(one), count, kitchen == "wide", number])
    bakes = bakes_of(one, count)
    names = [factor.name for factor in factors_of(one)]
    truth = dict(zip(names, SIZE * rng.standard_normal(len(names)), strict=True))
    table, days = scored(one, bakes, sd, truth, rng)
    found = fitted(one, table)
    # Blocks are those that were baked; days that are random stand for all days
    level = MEAN + (0.0 if "day" in found.spread else days.mean())
    at = dict.fromkeys(names, 1 / 3) if one.blend else {"a": 0.0, "b": 1.0}
    expected = level + sum(truth[name] * at[name] for name in names)
    told = found.predict(at).iloc[0]
    means = [told["low"] <= expected <= told["high"]]
    effects = []
    if not one.blend:
        rows = found.effects.set_index("term")
        effects = [rows.loc[n, "low"] <= truth[n] <= rows.loc[n, "high"] for n in names]
        for row in found.means("a").itertuples():
            mean = level + truth["a"] * row.a + truth["b"] / 2
            means.append(row.low <= mean <= row.high)
    own = sum(sd[name] ** 2 for name in ("bake", "load", "dough", "day") if name in found.spread)
    if not one.tasters and one.readings == 1:
        # One reading of a bake is the bake
        own += sd["score"] ** 2
    bake = expected + np.sqrt(own) * rng.standard_normal()
    zero = float(min(found.spread.values()) <= 1e-9 * max(found.spread.values()))
    return {
        "rounds": 1,
        "zero": zero,
        "effects": sum(effects),
        "effects of": len(effects),
        "means": sum(means),
        "means of": len(means),
        "new bakes": int(told["new_low"] <= bake <= told["new_high"]),
        "new bakes of": 1,
    }


KEYS = ["structure", "spreads", "bakes"]


def earlier():
    """Return the counts of the rounds before, by structure, spreads and bakes."""
    path = RESULTS / "calibration.csv"
    if not path.exists():
        return {}
    table = read_csv(path)
    counts = table.columns.difference(KEYS)
    table[[*counts, "bakes"]] = table[[*counts, "bakes"]].astype(float)
    return {
        (row["structure"], row["spreads"], int(row["bakes"])): {n: row[n] for n in counts}
        for _, row in table.iterrows()
    }


def table_of(counts):
    """Return the counts as a table, in the order of the structures."""
    rows = [
        dict(zip(KEYS, key, strict=True)) | counts[key]
        for key in ((one.name, k, n) for one in STRUCTURES for k in KITCHENS for n in SIZES)
        if key in counts
    ]
    return pd.DataFrame(rows)


def ends_of(held, of, rounds):
    """Return the ends of the exact 95 % interval of a coverage, intervals of a round as one."""
    return exact_interval(round(held / of * rounds), int(rounds))


def share(held, of, rounds):
    """Return a coverage in percent with its exact 95 % interval."""
    if not of:
        return ""
    low, high = ends_of(held, of, rounds)
    return f"{100 * held / of:.1f} ({100 * low:.0f} to {100 * high:.0f})"


WORDS = """# Intervals held to the truth

How many in 100 of the 95 % intervals hold what they are about, with exact 95 % intervals of that
share (as if the effects, and the means, of one round were one, as they go together). Zero: rounds
in 100 in which some variance came out as zero; there intervals are wider than they need be, as
bakes stay bakes. Asked: at least 93; at most 97 where zero is below 5. Usual: days, loads, doughs
and bakes differ by little beside tasters. Wide: they differ by as much as a point and more. Off:
what misses what is asked by more than chance (its interval lies beyond). All of it is invented.

"""


def lines_of(table):
    """Return the table in words: one line a row, and one over all bakes of a structure."""
    lines = ["| structure | spreads | bakes | rounds | zero | effects | means | new bakes | off |"]
    lines.append("|" + "---|" * 9)
    for keys, own in table.groupby(KEYS[:2], sort=False):
        for bakes, part in [*own.groupby("bakes"), ("all", own)]:
            sums = part.drop(columns=KEYS).sum()
            zero = sums["zero"] / sums["rounds"]
            counts = {name: (sums[name], sums[f"{name} of"], sums["rounds"]) for name in TRIED}
            cells = [share(*counts[name]) for name in TRIED]
            off = [name for name in TRIED if missed(*counts[name], zero)]
            bakes = bakes if isinstance(bakes, str) else f"{bakes:.0f}"
            row = [*keys, bakes, f"{sums['rounds']:.0f}", f"{100 * zero:.0f}", *cells]
            lines.append("| " + " | ".join([*row, ", ".join(off)]) + " |")
    return lines


def missed(held, of, rounds, zero):
    """Say whether a coverage is off by more than chance."""
    if not of:
        return False
    low, high = ends_of(held, of, rounds)
    return high < LEAST or (low > MOST and zero < SELDOM)


def main(rounds, minutes):
    """Go on with the rounds of every row until all have so many, or time is over."""
    counts, started = earlier(), time.process_time()
    every = [(one, k, n) for one in STRUCTURES for k in KITCHENS for n in SIZES]
    for goal in range(10, rounds + 10, 10):
        for one, kitchen, count in every:
            own = counts.setdefault((one.name, kitchen, count), {"rounds": 0.0})
            for number in range(int(own["rounds"]), min(goal, rounds)):
                for name, value in tried(one, count, kitchen, number).items():
                    own[name] = own.get(name, 0.0) + value
        table = table_of(counts)
        write_csv(table, RESULTS / "calibration.csv")
        write_text(RESULTS / "calibration.md", WORDS + "\n".join(lines_of(table)) + "\n")
        if time.process_time() - started > 60 * minutes:
            break
    print("\n".join(line for line in lines_of(table) if "| all |" in line), flush=True)


if __name__ == "__main__":
    arguments = sys.argv[1:]
    main(
        int(arguments[0]) if arguments else 100,
        float(arguments[1]) if arguments[1:] else np.inf,
    )
