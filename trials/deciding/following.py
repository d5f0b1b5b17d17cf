"""What to bake next, and how a round goes on after a failed bake."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from trials.deciding.continuing import new_bakes
from trials.deciding.next_bakes import next_round as next_round
from trials.deciding.replanning import record_replan, replanned
from trials.design.plan import Plan
from trials.rounds.round import Round
from trials.tables import in_words
from trials.tasting.panel import Taster


def replan(round_: Round, *, record: bool = False) -> Plan:
    """Return how a round goes on when something went wrong.

    What was made stays. A bake that failed for a reason of the bench (mis-weighed, spilled,
    forgotten) is a slip, and is baked again under a new name; any other failure is a result, and
    stays as one. Where anything was lost, the bakes that are left get a new order by chance within
    their days and loads. Asked again while nothing new was entered, it answers the same.

    Parameters
    ----------
    round_ : Round
        With the statuses of its bakes entered so far.
    record : bool
        Write the change into the folder: `plan.csv` and the reasons in `round.toml`; what stood
        there is kept under `received/`, and what was entered goes over into the new workbooks.
        Bake sheets and ballots are to be written again.

    Returns
    -------
    Plan
        Its reasons say what changed, why, and what can still be told. ``details["rebaked"]``
        names each new bake with the one that it repeats.

    Raises
    ------
    SheetError
        When the sheets hold mistakes.

    Examples
    --------
    >>> replan.__name__
    'replan'
    """
    plan = replanned(round_)
    if record:
        record_replan(round_, plan)
    return plan


def write_next(
    folder: str | Path,
    bakes: int,
    to: str | Path = "",
    *,
    action: str | None = None,
    seed: int | None = None,
) -> Round:
    """Write the next round beside the one in a folder.

    Parameters
    ----------
    folder : str or Path
        A round with its scores in.
    bakes : int
        How many bakes there may be; reference bakes come on top.
    to : str or Path
        The new folder; one number up (`round-1` -> `round-2`) when left out.
    action, seed
        As for :func:`next_round`.

    Returns
    -------
    Round
        With the new bakes only; the round before is recorded as its parent. Formula, batch,
        steps, kitchen, prices, measures and tasters are those of the round before.

    Raises
    ------
    RoundError
        When the new folder already holds another round.
    PlanError
        When the round before has confirmed its setting and nothing is left to gain.

    Examples
    --------
    >>> write_next.__name__
    'write_next'
    """
    before = Round.open(folder)
    whole = next_round(before, bakes, action=action, seed=seed)
    plan, tasters = _days_anew(new_bakes(whole), before.tasters)
    home = Path(to) if str(to) else _beside(before.folder)
    return Round.create(
        home,
        plan=plan,
        measures=before.measures,
        formula=before.formula,
        tasters=tasters,
        seed=before.seed + 1,
        name=_next_name(before.name, home.name),
        parent=_from(home, before.folder),
        sitting=before.sitting,
        invented=before.invented,
        batch=before.batch,
        steps=before.steps,
        kitchen=before.kitchen,
        prices=before.prices,
    )


def _days_anew(plan: Plan, tasters: Sequence[Taster]) -> tuple[Plan, tuple[Taster, ...]]:
    """Return the tasters as coming on every day: the days that were named are over."""
    some = [one.name for one in tasters if one.days]
    if not some:
        return plan, tuple(tasters)
    came = "comes" if len(some) == 1 else "come"
    *reasons, last = plan.reasons
    last = f"{last.removesuffix('.')}; say in round.toml on which days {in_words(some)} {came} now."
    return replace(plan, reasons=(*reasons, last)), tuple(replace(one, days=()) for one in tasters)


def _beside(folder: Path) -> Path:
    """Return the folder one number up, round-1 -> round-2."""
    name = folder.resolve().name
    stem = name.rstrip("0123456789")
    number = int(name[len(stem) :]) + 1 if len(stem) < len(name) else 2
    start = stem if len(stem) < len(name) else f"{name}-"
    return folder.resolve().parent / f"{start}{number}"


def _next_name(name: str, folder: str) -> str:
    """Return a round's name with its number one up, or the folder's."""
    stem = name.rstrip("0123456789")
    return f"{stem}{int(name[len(stem) :]) + 1}" if len(stem) < len(name) else f"{name}, {folder}"


def _from(home: Path, parent: Path) -> str:
    """Return where the parent is, seen from a new round's folder if they lie side by side."""
    if home.resolve().parent == parent.resolve().parent:
        return f"../{parent.resolve().name}"
    return parent.resolve().as_posix()
