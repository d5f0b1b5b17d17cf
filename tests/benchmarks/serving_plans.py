"""Time, evenness and efficiency of serving plans for every panel that fits a kitchen.

Every number of tasters from 2 to 12, of bakes from 2 to 20 and of places at a sitting from 2 to 8;
once with as many sittings as every taster needs to meet every bake, and, where the bakes do not
fit into one sitting, once with a single sitting. Seconds are those of one processor, so that a
busy machine tells the same. Run: ``python -m tests.benchmarks.serving_plans``.
"""

import sys
import time
from pathlib import Path

import pandas as pd

from trials.base.files import write_csv, write_text
from trials.tasting.serving import serving_plan

RESULTS = Path(__file__).parent / "results"


def measure(tasters, bakes, per_sitting, sittings):
    start = time.process_time()
    plan = serving_plan(
        [f"T{i:02}" for i in range(1, tasters + 1)],
        [f"B{i:02}" for i in range(1, bakes + 1)],
        per_sitting=per_sitting,
        sittings=sittings,
        seed=1,
    )
    seconds = time.process_time() - start
    row = plan.balance.iloc[0]
    return {
        "tasters": tasters,
        "bakes": bakes,
        "per_sitting": per_sitting,
        "kind": "one sitting" if sittings else "all bakes",
        "sittings": row["sittings"],
        "seconds": round(seconds, 3),
        "served_least": row["served_least"],
        "served_most": row["served_most"],
        "position_gap": row["position_gap"],
        "follows_least": row["follows_least"],
        "follows_most": row["follows_most"],
        "follows_excess": round(row["follows_excess"], 4),
        "efficiency": round(row["efficiency"], 4),
        "bound": round(row["bound"], 4),
        "share_of_bound": round(row["efficiency"] / row["bound"], 4),
    }


def all_cases():
    for tasters in range(2, 13):
        for bakes in range(2, 21):
            for per_sitting in range(2, 9):
                yield tasters, bakes, per_sitting, None
                if bakes > per_sitting:
                    yield tasters, bakes, per_sitting, 1


def summary(table):
    lines = [
        "# Serving plans: every case, in short",
        "",
        "Written by `python -m tests.benchmarks.serving_plans`; all cases are in",
        "serving_plans.csv. `share of bound` is the average efficiency factor over its upper",
        "bound, which only balanced designs reach; it is 0 where so few places can not connect",
        "all bakes (the plan says so). Seconds are of one processor.",
        "",
        "| | all bakes over several sittings | one sitting |",
        "|---|---|---|",
    ]
    whole, one = (table[table["kind"] == kind] for kind in ("all bakes", "one sitting"))
    for name, value in {
        "cases": len,
        "longest, seconds": lambda t: t["seconds"].max(),
        "median, seconds": lambda t: t["seconds"].median(),
        "largest position gap": lambda t: t["position_gap"].max(),
        "neighbours as even as can be": lambda t: int((t["follows_excess"] == 0).sum()),
        "median excess of neighbours": lambda t: t["follows_excess"].median(),
        "bound reached": lambda t: int((t["share_of_bound"] == 1).sum()),
        "median share of bound": lambda t: t["share_of_bound"].median(),
        "not connected": lambda t: int((t["share_of_bound"] == 0).sum()),
    }.items():
        lines.append(f"| {name} | {value(whole):.4g} | {value(one):.4g} |")
    lines += [
        "",
        "Share of bound by tasters (median of connected plans, more bakes than places):",
        "",
        "| tasters | all bakes | one sitting |",
        "|---|---|---|",
    ]
    tight = table[(table["bakes"] > table["per_sitting"]) & (table["share_of_bound"] > 0)]
    by = tight.pivot_table("share_of_bound", "tasters", "kind", aggfunc="median")
    for tasters, row in by.iterrows():
        lines.append(f"| {tasters} | {row['all bakes']:.3f} | {row['one sitting']:.3f} |")
    return "\n".join(lines) + "\n"


def main():
    table = pd.DataFrame([measure(*case) for case in all_cases()])
    write_csv(table, RESULTS / "serving_plans.csv")
    write_text(RESULTS / "serving_plans.md", summary(table))
    slow = table[table["seconds"] >= 2]
    uneven = table[(table["position_gap"] > 1)]
    sys.stdout.write(summary(table))
    sys.stdout.write(f"\n2 s or more: {len(slow)}; position gap over 1: {len(uneven)}\n")
    return 1 if len(slow) or len(uneven) else 0


if __name__ == "__main__":
    sys.exit(main())
