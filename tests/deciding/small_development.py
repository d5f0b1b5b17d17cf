"""A small invented development: eight bakes, then what comes next, scored from a known truth."""

import trials
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import full_factorial
from trials.rounds.round import Round
from trials.rounds.scores import record_scores, scores
from trials.show.sheets import write_sheets

FACTORS = (
    trials.Numeric("hydration", 50, 60, "%", changes=("total", "hydration")),
    trials.Categorical("fat", ["butter", "lard"], changes=("swap", "butter")),
    trials.Numeric("rest", 20, 60, "min"),
)
LIKING = trials.Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.7)
FORMULA = trials.Formula(
    "rye ginger snap",
    {"rye flour, light": 100, "butter": 40, "egg": 25, "sugar": 50, "water": 20, "salt": 1},
    origin="own, invented",
)
TASTERS = tuple(trials.Taster(name) for name in ("Ada", "Ben", "Cleo"))
TRUTH = {"hydration": 0.9, "fat": -1.2, "rest": 0.1, "hydration:fat": 0.5}
SPREADS = Spreads(tasting=0.8, taster_by_bake=0.2, taster=0.4, bake=0.3, load=0, day=0.2)
SHARP = Spreads(tasting=0.1, taster_by_bake=0, taster=0.4, bake=0.05, load=0, day=0.1)


def first_round(folder, tasters=TASTERS):
    """Return eight bakes, planned."""
    return Round.create(
        folder,
        plan=full_factorial(FACTORS, seed=3),
        measures=[LIKING],
        formula=FORMULA,
        tasters=tasters,
        seed=5,
        name="Ginger snap, round 1",
        invented=True,
    )


def scored(round_, seed=1, spreads=SPREADS, truth=TRUTH):
    """Enter invented scores in a round of this development."""
    table = rehearse(
        round_.plan,
        truth,
        mean=6.0,
        measure=LIKING,
        tasters=[taster.name for taster in round_.tasters],
        spreads=spreads,
        seed=seed,
    )
    table["status"] = "made"
    write_sheets(round_)
    record_scores(round_, table)
    scores(round_)
    return round_


def kitchen(seed=3, bakes=8, names="abcde", exclude=None):
    """Return findings of a two-level kitchen with five factors of two kinds."""
    factors = [trials.Categorical(name, ["low", "high"]) for name in names]
    if exclude is None:
        plan = trials.propose(factors, bakes, aim="interactions", seed=1, tasters=6)
    else:
        plan = trials.design.optimal(
            factors, model="main", bakes=bakes, criterion="D", exclude=exclude, seed=1
        )
    spreads = Spreads(tasting=1.2, taster_by_bake=0, taster=0.8, bake=0.5, load=0, day=0)
    effects = {"a": 1.2, "b": -0.8, "a:c": 0.8}
    table = rehearse(plan, effects, tasters=6, spreads=spreads, seed=seed)
    return trials.fit(table, "liking", factors, measure=LIKING)
