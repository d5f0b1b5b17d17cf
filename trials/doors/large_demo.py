"""The large demo: a buckwheat drop doughnut in 30 bakes, tasted by eight, round by round.

Formula, bakes, scores, tasters: all invented.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from trials.analysis.fitting import fit
from trials.base.errors import RoundError
from trials.core.factors import Categorical, Factor, Numeric
from trials.core.measures import Measure
from trials.core.plan import Plan
from trials.deciding.rehearsal import Failure, Spreads, true_means
from trials.design.exchange import optimal
from trials.doors.invented import Truth, drawn_scores, from_plan_to_scores
from trials.doors.notebook import data_home, hand_out, refuse_mistyped, run_notebooks
from trials.doors.workplace import NOTEBOOK, write_notebook
from trials.recipe.formula import Formula
from trials.rounds.kitchen import Batch, Heat, Kitchen, Prices, Step
from trials.rounds.round import SETTINGS, Round
from trials.rounds.scores import check, record_scores
from trials.show.page import report
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster

# -- The demo: a buckwheat drop doughnut. All of it is invented: formula, bakes, scores, tasters.
#
# The truth that the invented scores are drawn from is known (:data:`TRUTH`), so anyone can see
# whether the findings come near it.


__all__ = [
    "BATCH",
    "FACTORS",
    "FORMULA",
    "KITCHEN",
    "MEASURES",
    "PRICES",
    "STEPS",
    "TASTERS",
    "TRUTH",
    "bake",
    "baked",
    "cake",
    "enter_scores",
    "plan",
    "planned",
    "true",
]

SEED = 2026  # of the plan, the codes and the serving orders
SCORE_SEED = 1  # of the invented scores
NAME = "Buckwheat drop doughnut, round 1"

FACTORS: tuple[Factor, ...] = (
    Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True),
    Numeric("hydration", 92, 108, "%", changes=("total", "hydration")),
    Numeric("buckwheat share", 15, 35, "%", changes=("flour share", "buckwheat flour")),
    Categorical("fat", ["butter", "lard", "sunflower oil"], changes=("swap", "butter")),
    Numeric("sugar", 4, 12, "%", changes=("percent", "sugar")),
    Numeric("proof", 40, 70, "min"),
)
MEASURES = (
    Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.5),
    Measure("crispness", ("intensity", 0, 10), goal="higher", worth_noticing=0.7),
    Measure("greasiness", ("intensity", 0, 10), goal="lower", worth_noticing=0.7),
    Measure("oil uptake", "number", unit="%", per="bake", goal="lower", worth_noticing=1.0),
)
TASTERS = (
    Taster("Ada"),
    Taster("Ben"),
    Taster("Cleo"),
    Taster("Dev", ("peanut",)),
    Taster("Eli"),
    Taster("Fay", ("sesame",)),
    Taster("Gus"),
    Taster("Hana"),
)
FORMULA = Formula(
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
    origin="own, invented for the demo",
)

# How much of each bake, what it goes through, what it costs: invented as well
BATCH = Batch(pieces=12, piece=40)
STEPS = (
    Step("weigh dry goods", 20, "hands", per="day"),
    Step("mix the batter", 12, "hands", wait=0),
    Step("proof", "proof", wait=5),
    Step("shape and fry", 10, ("pot", "hands"), wait=0),
    Step("drain and cool", 10),
    Step("weigh and measure", 4, "hands"),
)
# One person stays with the oil, the other mixes
KITCHEN = Kitchen({"hands": 2, "pot": 1}, (Heat("pot", "oil temperature"),), oil_fill=1500)
PRICES = Prices(
    {
        "bread flour": 1.2,
        "buckwheat flour": 3.4,
        "milk": 1.3,
        "egg": 4.8,
        "butter": 9.5,
        "frying oil": 2.6,
    },
    "EUR",
)

# What the scores are drawn from: term -> effect as the table of effects gives it, the middle
# under MEAN. Numbers of the scenario: invented.
MEAN = {"liking": 6.1, "crispness": 5.2, "greasiness": 4.4, "oil uptake": 17.0}
TRUTH: Mapping[str, Mapping[str, Any]] = {
    "liking": {
        "oil temperature": 0.7,
        "hydration": 0.6,
        "buckwheat share": -0.3,
        "fat": {"butter": 0.35, "lard": 0.05, "sunflower oil": -0.4},
        "sugar": 0.4,
        "oil temperature:hydration": -0.9,
        "buckwheat share:fat": {"butter": 0.6, "lard": -0.3, "sunflower oil": -0.3},
        "hydration^2": -0.5,
        "buckwheat share^2": -0.3,
    },
    "crispness": {
        "oil temperature": 1.8,
        "hydration": -1.2,
        "buckwheat share": 1.0,
        "sugar": 0.6,
    },
    "greasiness": {
        "oil temperature": -1.0,
        "hydration": 1.4,
        "proof": 0.6,
        "fat": {"butter": 0.0, "lard": 0.3, "sunflower oil": -0.3},
    },
    "oil uptake": {"oil temperature": -1.6, "hydration": 3.2, "proof": 1.8, "sugar": 1.0},
}
SPREADS = {
    "liking": Spreads(),
    "crispness": Spreads(),
    "greasiness": Spreads(),
    "oil uptake": Spreads(bake=0.9, load=0.3, day=0.3),
}
REASON = "crust dark before the core was done"
FAILURES = (
    Failure({"oil temperature": 180.0, "hydration": 108.0, "sugar": 12.0}, 0.9, REASON),
    Failure({"oil temperature": 180.0, "hydration": 108.0}, 0.7, REASON),
    Failure({}, 0.02, "torn while turning"),
)


KITCHEN_TRUTH = Truth(MEASURES, TRUTH, MEAN, SPREADS, TASTERS, FAILURES)

# What the plan is to judge: every factor, and two pairs that a cook would suspect
MODEL = (
    *(factor.name for factor in FACTORS),
    "oil temperature:hydration",
    "buckwheat share:fat",
)
CORNER = {"oil temperature": (176, 180), "hydration": (104, 108)}


def plan(*, leave_out_corner: bool = False) -> Plan:
    """Return the demo's plan: 24 bakes and 6 reference bakes in six oil fills over six days.

    Examples
    --------
    >>> plan().sentence()
    '24 bakes and 6 reference bakes in 6 oil fills over 6 days'
    """
    return optimal(
        FACTORS,
        model=MODEL if not leave_out_corner else MODEL[:-2] + MODEL[-1:],
        bakes=24,
        criterion="D",
        days=6,
        loads=6,
        references=6,
        exclude=[CORNER] if leave_out_corner else None,
        seed=SEED,
    )


def own_round(folder: Path, name: str) -> Round:
    """Return the demo's round that a folder holds; anybody else's is refused, and not touched."""
    found = Round.open(folder)
    if not found.invented or not found.name.startswith(name.split(",")[0]):
        raise RoundError(
            f'"{folder}" holds the round "{found.name}", which is not the demo\'s; invented scores '
            "would spoil it. Give the demo a folder of its own."
        )
    return found


def new_round(folder: Path) -> Path:
    """Return a folder that may become a round of the demo, and say that it does.

    A name like that of a real round beside it is a slip of the pen: it is refused.
    """
    refuse_mistyped(folder)
    _say_invented(folder)
    return folder


def there(folder: Path, name: str) -> Round:
    """Return the demo's round that is there already, said to be invented as when it was new.

    So a notebook that is run again says what it said the first time.
    """
    found = own_round(folder, name)
    _say_invented(folder)
    return found


def _say_invented(folder: Path) -> None:
    print(f'"{folder}" is a round of the demo: all in it is invented.')


def planned(folder: str | Path) -> Round:
    """Return the demo's round in a folder, planned but not baked; made there if need be.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Round
    """
    if (Path(folder) / SETTINGS).exists():
        return there(Path(folder), NAME)
    return Round.create(
        new_round(Path(folder)),
        plan=plan(),
        measures=MEASURES,
        formula=FORMULA,
        tasters=TASTERS,
        seed=SEED,
        name=NAME,
        sitting=5,
        invented=True,
        batch=BATCH,
        steps=STEPS,
        kitchen=KITCHEN,
        prices=PRICES,
    )


def baked(folder: str | Path) -> Round:
    """Return the demo's round with its sheets written and invented scores entered in them.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Round
    """
    round_ = planned(folder)
    if not (round_.folder / "scores.csv").exists():
        write_sheets(round_)
        enter_scores(round_)
        check(round_)
    return round_


def enter_scores(round_: Round) -> list[Path]:
    """Enter invented scores in the sheets of a demo round, as cook and tasters would.

    Parameters
    ----------
    round_ : Round
        With its sheets written.

    Returns
    -------
    list of Path
        The workbooks filled in.
    """
    own_round(round_.folder, NAME)
    return record_scores(round_, invented_scores(round_.plan))


def invented_scores(plan_: Plan) -> pd.DataFrame:
    """Return invented scores for every measure of the demo, one row per tasting or bake.

    Examples
    --------
    >>> sorted(set(invented_scores(plan())["status"]))
    ['failed', 'made']
    """
    return drawn_scores(plan_, KITCHEN_TRUTH, SCORE_SEED)


def true(settings: Mapping[str, Any], measure: str = "liking") -> float:
    """Return what the demo's truth, which no scores show, gives a measure at a setting.

    Examples
    --------
    >>> middle = {factor.name: factor.middle for factor in FACTORS}
    >>> round(true(middle), 2)
    6.43
    """
    table = pd.DataFrame([settings])
    return float(true_means(table, FACTORS, TRUTH[measure], MEAN[measure])[0])


def cake() -> pd.DataFrame:
    """Return a published table: the breaking angle of chocolate cakes (data/README.md).

    Examples
    --------
    >>> cake().shape
    (270, 4)
    """
    return pd.read_csv(data_home() / "cake.csv")


def run(folder: Path, tell: Callable[[str], None]) -> Round:
    """Carry the demo's round from plan to page, saying at each step what is done."""
    home = folder / "round-1"
    round_ = from_plan_to_scores(folder, planned, enter_scores, tell)
    tell("4/6  Working out what mattered ...")
    found = fit(round_, "liking")
    tell("5/6  Writing the page to share ...")
    page = report(round_, home / "page.html")
    tell("6/6  Running the round's notebook ...")
    if not (home / NOTEBOOK).exists():
        hand_out(run_notebooks([write_notebook(home, round_.name)]))
    tell("\nWhat mattered:\n")
    for sentence in found.summary():
        tell(f"  {sentence}")
    tell(f"\nThe round is in {home}, the page in {page}.")
    tell(f"Its notebook, already run: trials lab {home}")
    return round_


# -- The demo goes on: later rounds of the buckwheat doughnut, with invented scores entered.


def bake(round_: Round) -> Round:
    """Write the sheets of a demo round and enter invented scores, drawn from the demo's truth.

    Raises
    ------
    RoundError
        When the round is a real one.
    """
    if not round_.invented:
        own_round(round_.folder, NAME)
    if not (round_.folder / "scores.csv").exists():
        write_sheets(round_)
        record_scores(round_, invented_scores(round_.plan))
        check(round_)
    return round_
