"""How much earlier the solver's day is over than a simple list schedule, and how near the bound.

Run with ``python -m tests.benchmarks.timetable``. The days are those of the demo: the buckwheat
drop doughnut (invented), one pot, two people: one stays with the oil.
"""

import time
from pathlib import Path

import pandas as pd

from trials.doors.large_demo import KITCHEN, STEPS, plan
from trials.rounds.timetable import timetable

RESULT = Path(__file__).parent / "results" / "timetable.md"
COLUMNS = ["day", "bakes", "start", "in simple order", "finish"]
COLUMNS += ["no earlier than", "minutes to gain"]


def main() -> None:
    """Lay out the demo's days with growing effort and write the table."""
    lines = [
        "# Bake days of the demo: list schedule, solver, bound",
        "",
        "Minutes to gain lie between the finish found and the proved bound; 0 is proved earliest.",
        "Effort is the solver's deterministic time; seconds are wall-clock, on one thread.",
    ]
    for effort in (0.0, 0.5, 1.0, 2.0):
        began = time.perf_counter()
        days = timetable(plan(), STEPS, KITCHEN, effort=effort).days[COLUMNS]
        seconds = time.perf_counter() - began
        lines += ["", f"## effort {effort:g}: {seconds:.1f} s for {len(days)} days", ""]
        lines += _table(days)
    RESULT.write_text("\n".join(lines) + "\n", "utf-8")
    print(RESULT.read_text("utf-8"))


def _table(days: pd.DataFrame) -> list[str]:
    rows = [list(days.columns), ["---"] * len(days.columns), *days.astype(str).to_numpy().tolist()]
    return ["| " + " | ".join(row) + " |" for row in rows]


if __name__ == "__main__":
    main()
