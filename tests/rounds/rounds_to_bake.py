"""Invented rounds for the sheets: the buckwheat drop doughnut and a laminated pair."""

from pathlib import Path

import pandas as pd

from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.core.plan import Plan
from trials.design.layout import lay_out
from trials.recipe.formula import Formula
from trials.rounds.kitchen import Heat, Kitchen, Step
from trials.rounds.round import Round
from trials.tasting.panel import Taster

FACTORS = (
    Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True),
    Numeric("hydration", 92, 108, "%", changes=("total", "hydration")),
    Categorical("fat", ["butter", "sunflower oil"], changes=("swap", "butter")),
    Numeric("proof", 40, 70, "min"),
)
DOUGHNUT = Formula(
    "buckwheat drop doughnut",
    {
        "bread flour": 75,
        "buckwheat flour": 25,
        "milk": 60,
        "egg": 25,
        "water": 25,
        "butter": 12,
        "sugar": 8,
        "salt": 1.6,
        "instant yeast": 1.2,
    },
)
MEASURES = (
    Measure("liking", "hedonic 9"),
    Measure("oil uptake", "number", unit="%", per="bake"),
    Measure("held its shape", "passed", per="bake"),
)
STEPS = (
    Step("weigh dry goods", 20, "hands", per="day"),
    Step("mix the batter", 12, "hands", wait=0),
    Step("proof", "proof", wait=5),
    Step("shape and fry", 10, ("pot", "hands"), wait=0),
    Step("drain and cool", 10),
)
KITCHEN = Kitchen(heats=(Heat("pot", "oil temperature"),))


def doughnut_plan(loads: int = 4, seed: int = 3, references: int = 2) -> Plan:
    rows = [
        {
            "oil temperature": (165, 180)[load % 2],
            "hydration": (92, 108)[bake % 2],
            "fat": ("butter", "sunflower oil")[bake // 2],
            "proof": (40, 70)[(bake + load) % 2],
            "day": load // 2 + 1,
            "load": load + 1,
        }
        for load in range(loads)
        for bake in range(4)
    ]
    return lay_out(
        FACTORS, pd.DataFrame(rows), family="test", model="main", references=references, seed=seed
    )


def doughnut(folder: Path, **changes: object) -> Round:
    asked = {
        "plan": doughnut_plan(),
        "measures": MEASURES,
        "formula": DOUGHNUT,
        "tasters": [Taster("Ida"), Taster("Bo")],
        "seed": 1,
        "name": "Buckwheat drop doughnut, round 1",
        "invented": True,
    }
    return Round.create(folder / "round", **(asked | changes))  # type: ignore[arg-type]
