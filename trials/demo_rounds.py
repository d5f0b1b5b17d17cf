"""The demo goes on: later rounds of the buckwheat doughnut, with invented scores entered."""

from pathlib import Path

from trials.demo import FACTORS, FORMULA, MEASURES, SEED, TASTERS, invented_scores
from trials.design.propose import propose
from trials.rounds.folder import SETTINGS
from trials.rounds.round import Round
from trials.rounds.scores import record_scores, scores
from trials.rounds.sheets import write_sheets

WANTED = MEASURES[:1]  # liking alone
SCREENING = 16  # bakes of the first round of the walk through three rounds


def screening(folder: str | Path) -> Round:
    """Return a first round of the demo that is smaller than the demo's own, planned.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Round

    Examples
    --------
    >>> screening.__name__
    'screening'
    """
    if (Path(folder) / SETTINGS).exists():
        return Round.open(folder)
    plan = propose(
        FACTORS,
        SCREENING,
        aim="screen",
        days=2,
        loads=4,
        seed=SEED,
        tasters=TASTERS,
        worth_noticing=MEASURES[0].margin,
    )
    return Round.create(
        folder,
        plan=plan,
        measures=WANTED,
        formula=FORMULA,
        tasters=TASTERS,
        seed=SEED,
        name="Buckwheat drop doughnut, round 1",
        sitting=4,
        invented=True,
    )


def bake(round_: Round) -> Round:
    """Write the sheets of a demo round and enter invented scores, drawn from the demo's truth.

    Parameters
    ----------
    round_ : Round
        Any round of the demo's factors; one that has scores stays as it is.

    Returns
    -------
    Round

    Examples
    --------
    >>> bake.__name__
    'bake'
    """
    if not (round_.folder / "scores.csv").exists():
        write_sheets(round_)
        record_scores(round_, invented_scores(round_.plan))
        scores(round_)
    return round_
