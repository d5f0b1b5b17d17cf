"""The chance that power() foretells beside the share of rehearsed rounds that see the effect.

Run by ``python -m tests.benchmarks.rehearsed_power``; writes results/rehearsed_power.md. Scores
are not rounded, as the noncentral F test takes them; every round is really fitted.
"""

from pathlib import Path

import joblib
import numpy as np

from trials.core.factors import Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import rehearse
from trials.design.exchange import optimal
from trials.design.factorial import full_factorial
from trials.design.power import power

RESULT = Path(__file__).parent / "results" / "rehearsed_power.md"
ROUNDS = 400
EFFECT = 0.9
MEASURE = Measure("softness", "number", worth_noticing=0.5)
REST, SALT, WATER = Numeric("rest", 20, 60), Numeric("salt", 1, 3), Numeric("water", 92, 108)
OIL = Numeric("oil", 165, 180, hard_to_change=True)
DOUGH = Numeric("proof", 40, 70, hard_to_change="dough")
PLANS = {
    "full factorial, each bake twice": lambda: full_factorial([REST, SALT], replicates=4, seed=1),
    "full factorial over two days": lambda: full_factorial(
        [REST, SALT, WATER], replicates=2, days=2, seed=1
    ),
    "eight oil fills of four": lambda: optimal(
        [OIL, REST, SALT], model="main", bakes=32, criterion="D", loads=8, seed=1
    ),
    "six oil fills crossed with six doughs": lambda: optimal(
        [OIL, DOUGH, REST],
        model="main",
        bakes=36,
        criterion="D",
        loads={"load": 6, "dough": 6},
        seed=1,
    ),
}


def rows(name: str) -> list[str]:
    plan = PLANS[name]()
    foretold = power(plan, effect=EFFECT, tasters=6).set_index("term")
    singles = [term for term in foretold.index if ":" not in term]
    found = rehearse(
        plan, dict.fromkeys(singles, EFFECT), rounds=ROUNDS, measure=MEASURE, tasters=6, seed=1
    )
    seen = found.effects.set_index("term")
    lines = []
    for term in singles:
        chance, share = foretold.loc[term, "power"], seen.loc[term, "seen"]
        error = np.sqrt(chance * (1 - chance) / found.rounds)
        lines.append(
            f"| {name} | {term} | {foretold.loc[term, 'judged_on']} | {chance:.3f} | {share:.3f} | "
            f"{(share - chance) / error:+.1f} | {seen.loc[term, 'covered']:.3f} |"
        )
    return lines


def main() -> None:
    found = joblib.Parallel(n_jobs=2)(joblib.delayed(rows)(name) for name in PLANS)
    lines = [
        "# Power against rehearsed rounds",
        "",
        f"{ROUNDS} rounds per plan, a true effect of {EFFECT} points of every single factor, six "
        "tasters, the usual spreads. The last but one column is the difference in Monte Carlo "
        "standard errors; the last the share of 95 % intervals that held the truth.",
        "",
        "| plan | effect of | judged on | power() | rounds that saw it | errors apart | covered |",
        "|---|---|---|---|---|---|---|",
        *(line for part in found for line in part),
    ]
    RESULT.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
