"""How often the variant called best is the best, by the chance that was said.

Run with `python -m tests.benchmarks.best_variant`; it writes results/best_variant.md.
"""

from itertools import pairwise
from pathlib import Path

import numpy as np

from tests.analysis.test_comparisons import variants
from trials.analysis.comparing import chances_best, mean_rows, rival_draws
from trials.analysis.fitting import fit

KINDS = list("ABCD")
SPREADS = (0.2, 0.5, 1.0)  # standard deviation of the true means, liking points
ROUNDS = 400
EDGES = (0.0, 0.6, 0.85, 1.0)
OUT = Path(__file__).parent / "results" / "best_variant.md"


def said_and_true(spread, rng):
    """One round of four variants, four bakes each, three tasters."""
    truth = {kind: 6 + rng.normal(0, spread) for kind in KINDS}
    found = fit(variants(rng, truth), "liking", ["variant"])
    chances = chances_best(rival_draws(found, mean_rows(found, "variant", KINDS)))
    best = int(np.argmax(chances))
    return chances[best], KINDS[best] == max(truth, key=truth.get)


def main():
    rng = np.random.default_rng(5)
    lines = [
        "# The chance to be the best variant",
        "",
        "Four variants, four bakes each (bake sd 0.4), three tasters (sd 0.8); true means normal.",
        f"{ROUNDS} rounds a row; said: mean chance of the variant called best; true: how often.",
        "",
        "| sd of true means | chance said | rounds | said | true |",
        "|---|---|---|---|---|",
    ]
    for spread in SPREADS:
        said, true = np.array([said_and_true(spread, rng) for _ in range(ROUNDS)], dtype=float).T
        for low, high in pairwise(EDGES):
            own = (said > low) & (said <= high)
            if own.any():
                numbers = f"{own.sum()} | {said[own].mean():.2f} | {true[own].mean():.2f}"
                lines.append(f"| {spread} | {low:.2f} to {high:.2f} | {numbers} |")
    OUT.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
