"""The demo: two breads of the griddle and the oven crossed, in a small kitchen.

Eight crossings and both parents whole on two days, two tasters, one of them the cook. Formulas,
bakes, scores, tasters: all invented. The truth that the scores are drawn from is known
(:data:`TRUTH`), so anyone can see whether the findings come near it: frying in a little fat beats
the oven by three points, the other three changes make less than is worth noticing, and the crossing
with both the farl's potato and the scone's oats falls apart in the pan. The large demo, `large`, is
a buckwheat doughnut.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from trials.analysis.fitting import fit
from trials.base.arguments import checked_types
from trials.base.errors import RoundError
from trials.core.factors import Factor
from trials.core.measures import Measure
from trials.core.plan import Plan
from trials.deciding.rehearsal import Failure, Spreads, true_means
from trials.deciding.replanning import write_next
from trials.design.crossings import crossing_factors, parent_settings, with_parents
from trials.design.propose import propose
from trials.doors import large_demo as large
from trials.doors.invented import Truth, drawn_scores, from_plan_to_scores, repeats_of
from trials.doors.notebook import as_given_out, copy_notebooks, hand_out, run_notebooks
from trials.doors.workplace import NOTEBOOK, write_notebook
from trials.recipe.formula import Formula
from trials.rounds.kitchen import Batch, Heat, Kitchen, Prices, Step
from trials.rounds.round import SETTINGS, Round
from trials.rounds.scores import check, record_scores
from trials.show.page import report
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster

__all__ = [
    "FACTORS",
    "FORMULA",
    "KITCHEN",
    "MEASURES",
    "OTHER",
    "STEPS",
    "TASTERS",
    "TRUTH",
    "baked",
    "enter_scores",
    "large",
    "plan",
    "planned",
    "true",
]

SEED = 1  # of the plan, the codes and the serving orders
SCORE_SEED = 1  # of the invented scores
NAME = "Oat scone × potato farl, round 1"
OVEN, PAN = "oven", "shallow-fry"
IN_THE_OVEN, IN_THE_PAN = ("cooking", [OVEN]), ("cooking", [PAN])

# The first parent, which the crossings change, and the other. All flour together is 100
FORMULA = Formula(
    "oat scone",
    {
        "dough": {
            "plain flour": 60,
            "oats": 40,
            "butter": 24,
            "buttermilk": 85,
            "sugar": 4,
            "baking powder": 5,
            "salt": 1.5,
        },
        "pan": {"sunflower oil": 12},
    },
    also_flour=("oats", "potato flakes"),
    only_when={"pan": IN_THE_PAN},
    aside=("pan",),
    origin="own, invented for the demo",
)
OTHER = Formula(
    "potato farl",
    {
        "dough": {
            "plain flour": 75,
            "potato flakes": 25,
            "lard": 20,
            "buttermilk": 85,
            "sugar": 4,
            "baking powder": 5,
            "salt": 1.5,
        },
        "pan": {"sunflower oil": 12},
    },
    also_flour=("oats", "potato flakes"),
    only_when={"pan": IN_THE_PAN},
    aside=("pan",),
    origin="own, invented for the demo",
)
WAYS = {"cooking": OVEN}, {"cooking": PAN}  # how each parent is cooked
FACTORS: tuple[Factor, ...] = crossing_factors(
    FORMULA,
    OTHER,
    *WAYS,
    only=["cooking", "potato flakes", "oats", "kind of fat"],
    share=False,
)
MEASURES = (
    Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.7),
    Measure("tenderness", ("intensity", 0, 10), goal="higher", worth_noticing=1.0),
    Measure("bake loss", "number", unit="%", per="bake"),
)
TASTERS = (Taster("Ada", cooks=True), Taster("Ben"))
BLIND = {taster.name: "yes" if taster.cooks else "" for taster in TASTERS}
BATCH = Batch(pieces=6, piece=45)
STEPS = (
    Step("weigh", 6, "hands"),
    Step("mix and shape", 12, "hands", wait=15),
    Step("bake", 22, "oven", only_when=IN_THE_OVEN),
    Step("fry in the pan, turning once", 14, ("pan", "hands"), only_when=IN_THE_PAN),
    Step("cool", 10),
    Step("weigh and measure", 3, "hands"),
)
KITCHEN = Kitchen(
    things={"hands": 1, "oven": 1, "pan": 1},
    heats=(
        Heat("pan", setting=175, up=25, down=8, only_when=IN_THE_PAN),  # a thin layer of oil
        Heat("oven", setting=210, only_when=IN_THE_OVEN),
    ),
)
PRICES = Prices({"plain flour": 1.1, "oats": 1.9, "butter": 9.5, "buttermilk": 1.8}, "EUR")

# What the scores are drawn from, the middle under MEAN. Numbers of the scenario: invented.
MEAN = {"liking": 5.4, "tenderness": 5.0, "bake loss": 9.0}
TRUTH: Mapping[str, Mapping[str, Any]] = {
    "liking": {
        "cooking": {PAN: 1.5, OVEN: -1.5},
        "potato flakes": 0.4,
        "oats": 0.3,
        "kind of fat": {"butter": 0.05, "lard": -0.05},
    },
    "tenderness": {"potato flakes": 1.8, "oats": -0.8, "cooking": {PAN: -0.15, OVEN: 0.15}},
    "bake loss": {"cooking": {OVEN: 1.5, PAN: -1.5}},
}
SPREADS = {
    "liking": Spreads(bake=0.5, taster=0.8, tasting=1.1),
    "tenderness": Spreads(bake=0.5, taster=0.8, tasting=1.1),
    "bake loss": Spreads(bake=0.8),
}
# Neither potato nor oats hold a dough together; in the oven nobody turns it
FAILURES = (
    Failure(
        {"cooking": PAN, "potato flakes": 25.0, "oats": 40.0}, 0.95, "fell apart when it was turned"
    ),
    Failure({}, 0.01, "burnt"),
)
KITCHEN_TRUTH = Truth(MEASURES, TRUTH, MEAN, SPREADS, TASTERS, FAILURES)


def plan() -> Plan:
    """Return the demo's plan.

    Examples
    --------
    >>> plan().sentence()
    '10 bakes over 2 days'
    """
    crossings = propose(FACTORS, 8, aim="screen", days=2, tasters=TASTERS, seed=SEED)
    return with_parents(crossings, parent_settings(FACTORS, FORMULA, OTHER, *WAYS))


@checked_types(RoundError)
def planned(folder: str | Path) -> Round:
    """Return the demo's round in a folder, planned but not baked; made there if need be.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Round

    Raises
    ------
    RoundError
        When the folder holds another round: a round of one's own is never touched. When it is not
        there, and its name is like that of a real round beside it.

    Examples
    --------
    >>> import os, tempfile
    >>> os.chdir(tempfile.mkdtemp())
    >>> planned("round-1").invented
    "round-1" is a round of the demo: all in it is invented.
    True
    """
    if (Path(folder) / SETTINGS).exists():
        return large.there(Path(folder), NAME)
    return Round.create(
        large.new_round(Path(folder)),
        plan=plan(),
        measures=MEASURES,
        formula=FORMULA,
        tasters=TASTERS,
        seed=SEED,
        name=NAME,
        sitting=6,
        invented=True,
        batch=BATCH,
        steps=STEPS,
        kitchen=KITCHEN,
        prices=PRICES,
    )


@checked_types(RoundError)
def baked(folder: str | Path) -> Round:
    """Return the demo's round with its sheets written and invented scores entered in them.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Round

    Raises
    ------
    RoundError
        When the folder holds another round.

    Examples
    --------
    >>> baked.__doc__.splitlines()[0]
    "Return the demo's round with its sheets written and invented scores entered in them."
    """
    round_ = planned(folder)
    if not (round_.folder / "scores.csv").exists():
        write_sheets(round_)
        enter_scores(round_)
        check(round_)
    return round_


@checked_types(RoundError)
def enter_scores(round_: Round, seed: int = SCORE_SEED) -> list[Path]:
    """Enter invented scores in the sheets of a demo round, as cook and tasters would.

    Parameters
    ----------
    round_ : Round
        With its sheets written.
    seed : int
        Of the invented scores.

    Returns
    -------
    list of Path
        The workbooks filled in.

    Raises
    ------
    RoundError
        When the round is not the demo's: a real round never gets invented scores.
    """
    large.own_round(round_.folder, NAME)
    drawn = drawn_scores(round_.plan, KITCHEN_TRUTH, seed, repeats_of(round_))
    # The cook tasted too: by codes that Ben had drawn, so blind as he was
    return record_scores(round_, drawn.assign(blind=drawn["taster"].map(BLIND, na_action="ignore")))


@checked_types(RoundError)
def true(settings: Mapping[str, Any], measure: str = "liking") -> float:
    """Return what the demo's truth, which no scores show, gives a measure at a setting.

    Examples
    --------
    >>> scone = {"cooking": "oven", "potato flakes": 0, "oats": 40, "kind of fat": "butter"}
    >>> farl = {"cooking": "shallow-fry", "potato flakes": 25, "oats": 0, "kind of fat": "lard"}
    >>> round(true(scone), 2), round(true(farl), 2)
    (3.9, 6.9)
    """
    table = pd.DataFrame([settings])
    return float(true_means(table, FACTORS, TRUTH[measure], MEAN[measure])[0])


def run(folder: Path, tell: Callable[[str], None]) -> Round:
    """Carry the demo's round from plan to page and to the plan of the next."""
    home, following = folder / "round-1", folder / "round-2"
    if (following / SETTINGS).exists() and not Round.open(following).invented:
        large.own_round(following, NAME)
    round_ = from_plan_to_scores(folder, planned, enter_scores, tell)
    tell("4/6  Working out what mattered, and writing the page to share ...")
    found = fit(round_, "liking")
    page = report(round_, home / "page.html")
    tell("\nWhat mattered:\n")
    for sentence in found.sentences:
        tell(f"  {sentence}")
    tell(f"\nThe round is in {home}, the page in {page}.\n")
    tell("5/6  Planning the next round, with four bakes ...")
    second = Round.open(following) if following.exists() else write_next(round_, 4, following)
    for reason in second.plan.reasons[:2]:
        tell(f"     {reason}")
    tell("6/6  Running the notebooks, a minute or two ...")
    ran = as_given_out(copy_notebooks(folder))
    if not (home / NOTEBOOK).exists():
        ran.insert(0, write_notebook(home.resolve(), round_.name))
    for notebook in ran:
        tell(f"     {notebook.relative_to(folder.resolve())}")
        hand_out(run_notebooks([notebook]))
    tell(f"\nThe round's own notebook, already run: trials lab {home}")
    tell(f"The others, each with a page to read beside it: trials lab {folder}")
    return round_
