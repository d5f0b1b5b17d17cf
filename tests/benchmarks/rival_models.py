"""Averaging over models in invented kitchens: regret, the factor named first, false pairs.

Five two-level factors; two are active (coefficient 0.35 to 0.9 in either direction), the others
have a standard deviation of 0.08, and one or two pairs 0.3 to 0.7. Six tasters (level sd 0.8, score
sd 1.2), bake sd 0.5, scores rounded to 1 to 9. Every choice here is invented. Run by

    python -m tests.benchmarks.rival_models [kitchens]
"""

import itertools
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from trials.analysis.explanations import Candidate, Priors, average_models
from trials.base.files import write_text

NAMES = "abcde"
PAIRS = tuple(itertools.combinations(range(5), 2))
CORNERS = np.array(list(itertools.product([-1.0, 1.0], repeat=5)))
RESULT = Path(__file__).parent / "results" / "rival_models.md"
OTHER_PRIORS = {
    "fewer active (0.25, 0.25, 0.10)": Priors(main=0.25, all_parents=0.25, some_parents=0.10),
    "more pairs (0.50, 0.50, 0.25)": Priors(all_parents=0.50, some_parents=0.25),
    "fewer pairs (0.50, 0.25, 0.10)": Priors(all_parents=0.25, some_parents=0.10),
    "strong heredity": Priors(some_parents=0.0),
    "no heredity (0.10 without a parent)": Priors(no_parents=0.10),
    "small sizes (0.5 only)": Priors(sizes=(0.5,), size_weights=(1.0,)),
    "large sizes (2 only)": Priors(sizes=(2.0,), size_weights=(1.0,)),
}


@dataclass(frozen=True)
class Truth:
    """How kitchens are drawn."""

    name: str
    pairs: tuple[int, int] = (1, 2)
    heredity: bool = True


def plans():
    """Return 2^(5-1), the 12-run Hadamard plan and 2^(5-2), coded."""
    four, three = (np.array(list(itertools.product([-1.0, 1.0], repeat=k))) for k in (4, 3))
    row = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]
    hadamard = np.vstack([[np.roll(row, k) for k in range(11)], -np.ones(11)])[:, :5]
    return {
        16: np.column_stack([four, four.prod(axis=1)]),
        12: hadamard.astype(float),
        8: np.column_stack([three, three[:, 0] * three[:, 1], three[:, 0] * three[:, 2]]),
    }


def columns(plan):
    """Return the main effects and all pairs of a plan."""
    return np.column_stack([plan, *(plan[:, i] * plan[:, j] for i, j in PAIRS)])


def candidates(plan):
    """Return the terms of a plan."""
    mains = [Candidate(name, plan[:, at]) for at, name in enumerate(NAMES)]
    return mains + [
        Candidate(f"{NAMES[i]}:{NAMES[j]}", plan[:, i] * plan[:, j], (NAMES[i], NAMES[j]))
        for i, j in PAIRS
    ]


def kitchen(truth, generator):
    """Draw true coefficients."""
    mains = generator.normal(0, 0.08, 5)
    active = generator.choice(5, 2, replace=False)
    mains[active] = generator.choice([-1, 1], 2) * generator.uniform(0.35, 0.9, 2)
    pairs = np.zeros(len(PAIRS))
    number = generator.integers(truth.pairs[0], truth.pairs[1] + 1)
    near = [at for at, pair in enumerate(PAIRS) if not truth.heredity or set(pair) & set(active)]
    chosen = generator.choice(near, number, replace=False)
    pairs[chosen] = generator.choice([-1, 1], number) * generator.uniform(0.3, 0.7, number)
    return np.concatenate([mains, pairs])


def bake_means(plan, truth, generator):
    """Draw the mean score of each bake over six tasters."""
    bakes = 5.5 + columns(plan) @ truth + generator.normal(0, 0.5, len(plan))
    scores = bakes[:, None] + generator.normal(0, 0.8, 6) + generator.normal(0, 1.2, (len(plan), 6))
    return np.clip(np.round(scores), 1, 9).mean(axis=1)


def sizes(coefficients):
    """Return the largest difference that each factor makes, at any setting of the others."""
    liking = np.atleast_2d(coefficients) @ columns(CORNERS).T
    differences = [
        np.abs(liking[:, CORNERS[:, at] > 0] - liking[:, CORNERS[:, at] < 0]).max(axis=1)
        for at in range(5)
    ]
    return np.column_stack(differences)


def judge(truth, plan, kitchens, priors=None, average=True):
    """Return one row of the table."""
    generator = np.random.default_rng(2024)
    terms, X, corners = candidates(plan), columns(plan), columns(CORNERS)
    regrets, first, said, false, seconds = [], [], [], [], 0.0
    for _ in range(kitchens):
        coefficients = kitchen(truth, generator)
        y = bake_means(plan, coefficients, generator)
        started = time.perf_counter()
        if average:
            found = average_models(y, terms, priors=priors)
            estimates = found.coefficients["estimate"].to_numpy()
            active = found.activity["probability"].to_numpy() > 0.5
            drawn = sizes(found.draws(500, 1).coefficients.to_numpy()).argmax(axis=1)
        else:
            estimates, active = X.T @ (y - y.mean()) / len(y), np.zeros(15, dtype=bool)
            drawn = np.array([np.nan])
        seconds += time.perf_counter() - started
        liking = corners @ coefficients
        regrets.append(liking.max() - liking[np.argmax(corners @ estimates)])
        named = np.argmax(sizes(estimates))
        first.append(named == np.argmax(sizes(coefficients)))
        said.append(np.mean(drawn == named) if average else np.nan)
        false.append((active & (coefficients == 0)).sum())
    return {
        "truth": truth.name,
        "bakes": len(plan),
        "kitchens": kitchens,
        "regret": np.mean(regrets),
        "regret se": np.std(regrets) / np.sqrt(kitchens),
        "first factor right %": 100 * np.mean(first),
        "chance said %": 100 * np.mean(said),
        "false pairs": np.mean(false) if average else np.nan,
        "ms per fit": 1000 * seconds / kitchens,
    }


def main(kitchens):
    """Write the table."""
    usual, designs = Truth("one or two pairs, weak heredity"), plans()
    rows = [{"priors": "default", **judge(usual, plan, kitchens)} for plan in designs.values()]
    for truth in (Truth("no pairs", (0, 0)), Truth("pairs anywhere", heredity=False)):
        rows.append({"priors": "default", **judge(truth, designs[16], kitchens)})
    for name, priors in OTHER_PRIORS.items():
        rows.append({"priors": name, **judge(usual, designs[16], kitchens // 3, priors)})
    rows.append(
        {"priors": "(all effects as they come)", **judge(usual, designs[16], kitchens, None, False)}
    )
    table = pd.DataFrame(rows).round(3)
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in table.to_numpy()]
    words = (
        "# Averaging over models, in invented kitchens\n\n"
        "Regret: liking lost by baking the setting with the highest averaged prediction, in "
        "points. First factor right: the factor with the largest true size is named first. "
        "Chance said: how sure the draws were of that name, on average; it should match. "
        "False pairs: pairs that are not in the truth with a probability above one half, per "
        "kitchen. se: simulation error.\n\n"
    )
    write_text(RESULT, words + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
