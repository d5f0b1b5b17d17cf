"""How long `fit` takes from a tidy table to sentences.

    python -m tests.benchmarks.fit_speed

Writes ``results/fit_speed.md``: wall and processor time, the best of three.
"""

import time
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.chance_largest import lines
from trials.analysis.fitting import fit
from trials.base.files import write_text
from trials.core.factors import Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import rehearse
from trials.design.factorial import fractional_factorial, full_factorial

RESULT = Path(__file__).parent / "results" / "fit_speed.md"
LIKING = Measure("liking", "hedonic 9")
SETTINGS = 2500


def timed(table, factors, model):
    """Return the best wall and processor time of three, and the method."""
    walls, processors = [], []
    for _ in range(3):
        wall, processor = time.perf_counter(), time.process_time()
        found = fit(table, "liking", factors, model=model, measure=LIKING)
        walls.append(time.perf_counter() - wall)
        processors.append(time.process_time() - processor)
    return min(walls), min(processors), "yes" if found.averaged else "no", predicted(found)


def predicted(found):
    """Return the best processor time of three that 2,500 settings with their intervals take."""
    rng = np.random.default_rng(1)
    settings = {one.name: rng.uniform(one.low, one.high, SETTINGS) for one in found.factors}
    table, times = pd.DataFrame(settings), []
    for _ in range(3):
        start = time.process_time()
        found.predict(table)
        times.append(time.process_time() - start)
    return min(times)


def main():
    """Write the table."""
    names = ["buckwheat", "fat", "hydration", "oil", "proof", "sugar"]
    factors = [Numeric(name, 0, 1) for name in names]
    half = fractional_factorial(factors[:5], bakes=16, seed=1)
    cases = [
        ("16 bakes x 6 tasters, 5 factors, pairs", half, 6),
        ("32 bakes x 8 tasters, 6 factors, pairs, 8 loads", None, 8),
        ("64 bakes x 12 tasters, 6 factors, pairs", full_factorial(factors, seed=1), 12),
    ]
    rows = []
    for name, plan, tasters in cases:
        if plan is None:
            hard = [*factors[:5], Numeric("sugar", 0, 1, hard_to_change=True)]
            plan = fractional_factorial(hard, bakes=32, days=4, loads=8, seed=1)
        table = rehearse(plan, {"oil": 1.0, "oil:fat": 0.8}, tasters=tasters, seed=1)
        wall, processor, averaged, predicting = timed(table, plan.factors, plan.model)
        rows.append((name, len(table), averaged, wall, processor, predicting))
    columns = ["round", "scores", "averaged", "seconds", "processor seconds"]
    columns.append("processor seconds for 2,500 predictions")
    words = "# Time of `fit`, from a tidy table to sentences\n\n"
    write_text(RESULT, words + "\n".join(lines(pd.DataFrame(rows, columns=columns))) + "\n")


if __name__ == "__main__":
    main()
