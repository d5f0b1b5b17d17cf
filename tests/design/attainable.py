"""The cases of tests/reference/attainable_plans.csv as calls of the real planner."""

import csv
from pathlib import Path

import numpy as np

from trials.core.factors import Categorical, Numeric
from trials.core.plan import Plan
from trials.design.exchange import optimal

PATH = Path(__file__).parents[1] / "reference" / "attainable_plans.csv"


def cases() -> list[dict[str, str]]:
    with PATH.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def factors_of(case: dict[str, str]) -> list:
    """Kinds first, so that the hard-to-change factors of a case are its first ones."""
    hard, kinds = int(case["hard"]), int(case["kinds"])
    kind = [Categorical("kind", ["a", "b", "c"], hard_to_change=hard > 0)] * kinds
    hard -= kinds if hard else 0
    numbers = [
        Numeric(f"x{n}", -1, 1, hard_to_change=n < hard) for n in range(int(case["factors"]))
    ]
    return [*kind, *numbers]


def planned(case: dict[str, str], seed: int = 1) -> Plan:
    fine = np.linspace(-1, 1, 21).tolist()
    factors = factors_of(case)
    return optimal(
        factors,
        model=case["model"],
        bakes=int(case["bakes"]),
        criterion=case["criterion"],
        loads=int(case["loads"]) if case["loads"] else None,
        variance_ratio=float(case["variance_ratio"] or 1),
        settings={f.name: fine for f in factors} if case["case"] == "b21" else None,
        seed=seed,
    )


def share_reached(case: dict[str, str], value: float) -> float:
    """Per cent of the reference; above 100 is better than it."""
    goal = float(case["value"])
    return 100 * (value / goal if case["criterion"] == "D" else goal / value)
