"""Whether one more such round settles an effect: what `fit` says against really baking it.

    python -m tests.benchmarks.settling [rounds per row, default 300]

Writes ``results/settling.md``. Five factors by themselves, effects from -2.2 to 2.2 points, margin
0.7. Every effect that a round did not settle and that is not called too close is baked once more,
with its true effect and spread, and old and new bakes are judged together.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from tests.benchmarks.chance_largest import lines
from tests.benchmarks.kitchens import CORNERS, FACTORS, NAMES, half_fraction, twelve
from trials.analysis.fitting import fit
from trials.base.files import write_text
from trials.core.measures import Measure

RESULT = Path(__file__).parent / "results" / "settling.md"
MARGIN = 0.7
LIKING = Measure("liking", "number", worth_noticing=MARGIN)


def rows_of(settings, means, tasters, score_sd, generator):
    """Return a tidy table of one round, tasted by some or measured once per bake."""
    table = pd.DataFrame(settings, columns=list(NAMES))
    table["bake"] = [f"B{n:02d}" for n in range(1, len(settings) + 1)]
    if not tasters:
        return table.assign(liking=means)
    names = pd.DataFrame({"taster": [f"taster {n}" for n in range(1, tasters + 1)]})
    levels = generator.normal(0, 0.8, tasters)
    table = table.assign(liking=means).merge(names, how="cross")
    noise = generator.normal(0, score_sd, len(table)) + np.tile(levels, len(settings))
    return table.assign(liking=table["liking"] + noise)


def judge(settings, bake_sd, tasters, score_sd, rounds, seed):
    """Return what was said of each effect, and whether one more such round settled it."""
    generator = np.random.default_rng(seed)
    bakes, df = len(settings), len(settings) - 6
    sd = np.sqrt(bake_sd**2 + (score_sd**2 / tasters if tasters else 0))
    found = []
    for _ in range(rounds):
        effects = generator.uniform(-2.2, 2.2, 5)
        means = 5.5 + settings @ effects / 2 + generator.normal(0, bake_sd, bakes)
        table = rows_of(settings, means, tasters, score_sd, generator)
        fitted = fit(table, "liking", FACTORS, model="main", measure=LIKING)
        told = fitted.to_settle.set_index("term")["chance"]
        for name, effect in zip(NAMES, effects, strict=True):
            if name not in told:
                continue
            row = fitted.effects.set_index("term").loc[name]
            done = _settled(row["estimate"], effect, sd, df, bakes, generator)
            found.append((told[name], done))
    return pd.DataFrame(found, columns=["said", "settled"])


def _settled(estimate, effect, sd, df, bakes, generator):
    """Say whether as many bakes again settle an effect, old and new taken together."""
    new = effect + 2 * sd / np.sqrt(bakes) * generator.standard_normal()
    mean = abs(estimate + new) / 2
    reach = stats.t.ppf(0.975, df + bakes) * 2 * sd / np.sqrt(2 * bakes)
    return mean - reach > MARGIN or mean + reach < MARGIN


def main(rounds):
    """Write the table."""
    cases = [
        ("12 bakes, measured once", twelve(), 0.7, 0, 0.0),
        ("16 bakes, measured once", half_fraction(), 0.7, 0, 0.0),
        ("16 bakes, 6 tasters", half_fraction(), 0.5, 6, 1.2),
        ("32 bakes, measured once", CORNERS, 1.0, 0, 0.0),
        ("32 bakes, 6 tasters", CORNERS, 0.9, 6, 1.2),
    ]
    rows = []
    for place, (name, settings, bake_sd, tasters, score_sd) in enumerate(cases):
        table = judge(settings, bake_sd, tasters, score_sd, rounds, place)
        named = table.dropna(subset="said")
        row = {"round": name, "effects": len(table), "too close": table["said"].isna().mean()}
        for low, high in ((0, 0.25), (0.25, 0.5), (0.5, 1.001)):
            own = named[(named["said"] >= low) & (named["said"] < high)]
            row[f"said {low:g} to {min(high, 1):g}"] = own["said"].mean()
            row[f"so ({low:g} to {min(high, 1):g})"] = own["settled"].mean()
        rows.append(row)
        print(rows[-1], flush=True)
    words = (
        "# One more such round: the chance said that it settles an effect, and what it does\n\n"
        "For effects that a round did not settle: the mean chance said by `fit`, in three classes, "
        "and beside it how often one more such round settled them, by the true spread.\n\n"
    )
    write_text(RESULT, words + "\n".join(lines(pd.DataFrame(rows))) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
