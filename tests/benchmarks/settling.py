"""How many more bakes would settle an effect: what `fit` says against the analytic answer.

    python -m tests.benchmarks.settling [rounds per row, default 300]

Writes ``results/settling.md``. Five factors by themselves, effects from -2.2 to 2.2 points, margin
0.7. The analytic answer knows the true effect and the true spread. Counted are effects at least
half a margin from the limit in truth and not settled by the round.
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
MOST_TIMES = 20


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


def analytic(effect, sd, df, bakes):
    """Return how many more bakes bring half the interval under the distance from the limit."""
    distance = abs(abs(effect) - MARGIN)
    for total in range(bakes + 1, MOST_TIMES * bakes + 1):
        reach = stats.t.ppf(0.975, df + total - bakes) * 2 * sd / np.sqrt(total)
        if reach < distance:
            return total - bakes
    return None


def judge(settings, bake_sd, tasters, score_sd, rounds, seed):
    """Return the ratios of what is said to the analytic answer."""
    generator = np.random.default_rng(seed)
    bakes, df = len(settings), len(settings) - 6
    sd = np.sqrt(bake_sd**2 + (score_sd**2 / tasters if tasters else 0))
    found = []
    for _ in range(rounds):
        effects = generator.uniform(-2.2, 2.2, 5)
        means = 5.5 + settings @ effects / 2 + generator.normal(0, bake_sd, bakes)
        table = rows_of(settings, means, tasters, score_sd, generator)
        fitted = fit(table, "liking", FACTORS, model="main", measure=LIKING)
        told = fitted.to_settle.set_index("term")["more"]
        for name, effect in zip(NAMES, effects, strict=True):
            if name not in told or abs(abs(effect) - MARGIN) < MARGIN / 2:
                continue
            known = analytic(effect, sd, df, bakes)
            said = np.inf if pd.isna(told[name]) else float(told[name])
            row = fitted.effects.set_index("term").loc[name]
            done = _settled(row["estimate"], effect, sd, df, bakes, said, generator)
            found.append((said / known, (said + bakes) / (known + bakes), np.isinf(said), done))
    return pd.DataFrame(found, columns=["more", "total", "none", "settled"])


def _settled(estimate, effect, sd, df, bakes, more, generator):
    """Say whether that many more bakes settle an effect, old and new taken together."""
    if np.isinf(more):
        return False
    new = effect + 2 * sd / np.sqrt(more) * generator.standard_normal()
    total = bakes + more
    mean = abs(bakes * estimate + more * new) / total
    reach = stats.t.ppf(0.975, df + more) * 2 * sd / np.sqrt(total)
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
        quarters = table["more"].quantile([0.25, 0.75])
        rows.append(
            {
                "round": name,
                "effects": len(table),
                "more bakes, median ratio": table["more"].median(),
                "quarter below": quarters.iloc[0],
                "quarter above": quarters.iloc[1],
                "bakes in all, median ratio": table["total"].median(),
                "settled by them": table["settled"].mean(),
                "said that more bakes may not do": table["none"].mean(),
            }
        )
        print(rows[-1], flush=True)
    words = (
        "# Bakes that would settle an effect, against the analytic answer\n\n"
        "Ratio of what `fit` says to what would be needed if effect and spread were known, for "
        "effects at least half a margin from the limit in truth that the round did not settle. "
        "Target for all bakes together: the median between 0.67 and 1.5. More bakes are asked for "
        "than a fresh start would need, as effects are not settled above all where chance has "
        "moved them towards the limit, and the bakes that were unlucky keep counting. Settled: how "
        "often that many more bakes really settle the effect (promised: about one half).\n\n"
    )
    write_text(RESULT, words + "\n".join(lines(pd.DataFrame(rows))) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
