"""From the idea of a folder to its round, again and again until something was entered."""

import shlex
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from trials.base.errors import Place, RoundError, TrialsError
from trials.base.keeping import RECEIVED, WRITTEN, finished, take_away
from trials.base.words import in_words, tidy_number
from trials.core.factors import Categorical, Numeric
from trials.core.plan import Plan, new_seed
from trials.rounds.diary import ABOUT, DIARY, PHOTOS, read_diary
from trials.rounds.extremes import EXTREMES, read_extremes
from trials.rounds.forms import (
    BAKES,
    SERVING,
    TASTINGS,
    cook_form,
    read_serving,
    scored_servings,
    tasting_form,
)
from trials.rounds.gathering import INCOMING, READINGS, read_source, sources
from trials.rounds.idea import IDEA, Idea, assumed_words, plan_of, read_idea
from trials.rounds.kitchen import Batch, steps_of_doughs
from trials.rounds.round import (
    ACTUAL,
    PLAN,
    SETTINGS,
    Round,
    checked_round,
    read_actual,
    same_round,
    save_round,
    writing,
)
from trials.rounds.scores import NOT_BLIND, SCORES
from trials.rounds.serving import CODES, SERVING_NOTES
from trials.show.serving_sheets import FOR_PHONES, FOR_TASTERS
from trials.show.sheets import BAKE_SHEETS, COOK_PAGE, SHOPPING, TIMETABLE
from trials.tasting.phone import ballot_file

# What is kept there though nobody entered it
_NOT_ENTERED = (PLAN, SETTINGS, SERVING, READINGS, WRITTEN, EXTREMES)
_WRITTEN = (
    *(f"{name}.{end}" for name in (BAKES, TASTINGS) for end in ("xlsx", "csv")),
    *(f"{BAKE_SHEETS}.{end}" for end in ("html", "pdf")),
    *(f"{name}.{end}" for name in (SHOPPING, TIMETABLE) for end in ("html", "pdf", "csv")),
    *(COOK_PAGE, EXTREMES, CODES, SERVING, SERVING_NOTES, SCORES, NOT_BLIND),
)


def planned_round(folder: Path, tell: Callable[[str], None] | None = None) -> Round:
    """Turn the idea of a folder into a planned round in the same folder.

    An idea that was changed is planned again while nothing was entered: the earlier plan, its
    settings and its codes are kept under `received/`, and the sheets written from them are taken
    away. An idea that was not changed gives the plan that is there.

    Examples
    --------
    >>> import tempfile
    >>> from trials.rounds.idea import write_idea
    >>> folder = write_idea(Path(tempfile.mkdtemp())).parent
    >>> planned_round(folder).plan.table.equals(planned_round(folder).plan.table)
    True
    """
    idea = read_idea(folder)
    finished(folder)
    if not (folder / SETTINGS).exists():
        new = _asked(idea, folder, plan_of(idea), new_seed())
        save_round(new)
        return new
    before = Round.open(folder)
    plan = plan_of(idea if idea.seed is not None else replace(idea, seed=before.plan.seed))
    new = _asked(idea, folder, plan, before.seed)
    if same_round(new, before):
        with suppress(OSError):  # asked again and found the same: from now on it is of this idea
            (folder / PLAN).touch()
        return before
    with writing(folder):
        _refuse_if_entered(before, new)
        sheets = _sheets_of(before)
        for path in sheets:
            take_away(path)
        save_round(new)
    if tell:
        gone = " and its sheets taken away; write them again" if sheets else ""
        tell(
            f"Nothing was entered yet, so the earlier plan was replaced (kept in {RECEIVED}/)"
            f"{gone}."
        )
    return Round.open(folder)


def _asked(idea: Idea, folder: Path, plan: Plan, seed: int) -> Round:
    """Return the round that an idea asks for; nothing is written."""
    steps, once = steps_of_doughs(idea.steps, plan)
    try:
        return checked_round(
            Round(
                folder=folder,
                plan=plan.because(*once, *assumed_words(idea.assumed)),
                measures=idea.measures,
                formula=idea.formula,
                tasters=idea.tasters,
                seed=seed if idea.seed is None else idea.seed,
                name=idea.name,
                batch=idea.batch or Batch(),
                steps=steps,
                kitchen=idea.kitchen,
                prices=idea.prices,
                taste=idea.taste,
            )
        )
    except TrialsError as error:
        raise type(error)(error.message, error.place or Place(IDEA)) from None


def _refuse_if_entered(round_: Round, wanted: Round) -> None:
    held = holding(round_)
    if held:
        raise RoundError(
            f"the idea was changed, but something was entered for the plan that is there: see "
            f"{in_words(held)}. Nothing was changed. To go on with this round: "
            f"{shlex.join(['trials', 'replan', str(round_.folder), *_midway(round_, wanted)])}; "
            "to plan the changed idea, copy it to a new folder and plan it there.",
            Place(IDEA),
        )


def _midway(round_: Round, wanted: Round) -> list[str]:
    """Return what a replan is told of a changed idea: tasters, closer limits, kinds left out."""
    words: list[str] = []
    there, asked = ({one.name: one for one in of.tasters} for of in (round_, wanted))
    for name, one in asked.items():
        if name not in there and "--joins" not in words:
            words += ["--joins", name, *(["--avoids", *one.avoids] if one.avoids else [])]
    gone = [name for name in there if name not in asked]
    words += ["--leaves", *gone] if gone else []
    new = {factor.name: factor for factor in wanted.plan.factors}
    limits, without = [], []
    for factor in round_.plan.factors:
        own = new.get(factor.name)
        if isinstance(factor, Numeric) and isinstance(own, Numeric):
            low, high = max(own.low, factor.low), min(own.high, factor.high)
            if (low, high) != (factor.low, factor.high) and low < high:
                limits.append(f"{factor.name}={tidy_number(low)}..{tidy_number(high)}")
        elif isinstance(factor, Categorical) and isinstance(own, Categorical):
            left = [one for one in factor.levels if one not in own.levels]
            without += [f"{factor.name}={one}" for one in left]
    words += ["--limit", *limits] if limits else []
    return words + (["--without", *without] if without else [])


def holding(round_: Round) -> list[str]:
    """Return the files of a round that hold what somebody entered, or may hold it."""
    found = [name for name, filled in _sheets_filled(round_).items() if filled]
    if _actual_filled(round_):
        found.append(ACTUAL)
    if read_extremes(round_).table["status"].astype(str).str.strip().ne("").any():
        found.append(EXTREMES)
    for place in (INCOMING, RECEIVED, PHOTOS):
        folder = round_.folder / place
        names = [one.name for one in folder.iterdir()] if folder.is_dir() else []
        if any(not name.startswith(".") and not _by_the_program(place, name) for name in names):
            found.append(f"{place}/")
    notes = read_diary(round_.folder)
    if notes[["day", "bake", ABOUT]].ne("").any(axis=None):
        found.append(DIARY)
    return found


def _sheets_filled(round_: Round) -> dict[str, bool]:
    try:
        forms = {BAKES: cook_form(round_)}
        served = read_serving(round_)
        if len(scored_servings(served)):
            forms[TASTINGS] = tasting_form(round_, served)
    except TrialsError:
        # Without the codes nothing can be said of the tastings: nothing is risked
        return {source.shown: True for source in sources(round_)}
    filled = {}
    for source in sources(round_):
        if not source.shown.startswith(INCOMING):
            reading, holds_any = read_source(source, forms)
            filled[source.shown] = bool(holds_any or reading.entries or reading.problems)
    return filled


def _actual_filled(round_: Round) -> bool:
    if not (round_.folder / ACTUAL).is_file():
        return False
    return bool(read_actual(round_).drop(columns="bake", errors="ignore").ne("").any(axis=None))


def _by_the_program(place: str, name: str) -> bool:
    """Say whether a kept file is one that the program writes by itself."""
    return place == RECEIVED and any(
        name == own or name.endswith(f"-{own}") for own in _NOT_ENTERED
    )


def _sheets_of(round_: Round) -> list[Path]:
    """Return the files that were written from a plan and say nothing once it is another."""
    ballots = [
        round_.folder / folder / ballot_file(taster.name, end)
        for taster in round_.tasters
        for folder, end in ((FOR_TASTERS, "html"), (FOR_TASTERS, "pdf"), (FOR_PHONES, "html"))
    ]
    paths = [round_.folder / name for name in _WRITTEN] + ballots
    return [path for path in paths if path.is_file()]
