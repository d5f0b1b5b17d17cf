"""A round that goes on after a failed bake, and the round that follows one."""

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from trials.analysis.question import kept_evidence
from trials.base.errors import RoundError
from trials.base.files import write_bytes, write_csv
from trials.base.keeping import take_away
from trials.base.words import in_words
from trials.core.measures import Measure
from trials.core.plan import Plan
from trials.core.scales import LIKING_WORTH_NOTICING
from trials.deciding.next_bakes import new_bakes, next_round
from trials.design.midway import drop, repeat, still_tells
from trials.rounds.forms import (
    SERVING,
    SERVING_COLUMNS,
    TASTINGS,
    cook_form,
    read_serving,
    scored_servings,
    tasting_form,
)
from trials.rounds.gathering import INCOMING, Gathered, gather, is_table, sources
from trials.rounds.round import (
    Round,
    change_settings,
    plan_record,
    write_plan,
    writing,
)
from trials.rounds.scores import keep_read, scores
from trials.rounds.workbook import draw_workbook, filled
from trials.tasting.panel import Taster
from trials.tasting.serving import SAMPLE, draw_codes

# -- A round that goes on after a failed bake: what was done stays, the rest is laid out again.


# Words of a mistake at the bench, which says nothing about the setting; anything else is a result
_SLIPS = re.compile(
    r"mis-?weigh|mis-?measur|mis-?read|wrong|forg[oe]t|left out|spil|dropp?ed|fell|knocked|"
    r"mix(ed)? ?up|swapped by|mistake|slip|power|blackout|broke down|breakdown|thermometer|scale|"
    r"timer|ran out|no time|too late|mislabel|lost|cat |dog ",
    re.IGNORECASE,
)
LOST = ("failed", "not served")


def is_slip(reason: str) -> bool:
    """Say whether a reason tells of a mistake at the bench rather than of the setting.

    Examples
    --------
    >>> is_slip("mis-weighed the sugar"), is_slip("raw core"), is_slip("")
    (True, False, False)
    """
    return bool(_SLIPS.search(reason))


def replanned(round_: Round, table: pd.DataFrame | None = None) -> Plan:
    """Return the plan of a round that goes on; see :func:`trials.replan`."""
    states = _states(round_.plan, scores(round_) if table is None else table)
    plan = round_.plan
    stands = {row.bake: [row.status, row.reason] for row in states.itertuples() if row.status}
    if plan.details.get("stands") == stands:
        return plan
    again = dict(plan.details.get("rebaked", {}))
    lost = states[states["status"].isin(LOST)]
    slips = [row.bake for row in lost.itertuples() if row.status == "not served"]
    slips += [row.bake for row in lost.itertuples() if row.status == "failed"]
    slips = [bake for bake in slips if _rebake(states, bake)]
    results = [bake for bake in lost["bake"] if bake not in slips]
    # What is baked again already is not baked a third time for the same slip
    slips = [bake for bake in slips if bake not in again.values()]
    left = states.loc[~states["status"].isin(["made", *LOST]), "bake"].tolist()
    upset = bool(slips or results or (states["status"] == "not baked").any())
    rng = np.random.default_rng(plan.seed + len(left) + 1)
    laid = _reordered(plan, left, rng) if upset else plan
    rebaked = repeat(laid, slips) if slips else laid
    said = [_count_words(states, left, upset)]
    said += _lost_words(states, slips, results)
    gone = [*again.values(), *slips, *results]
    said += _told(round_, plan, rebaked, gone)
    names = rebaked.rows["bake"].tolist()[len(plan.rows) :]
    again |= dict(zip(names, slips, strict=True))
    details = {**plan.details, "rebaked": again, "left": left, "stands": stands}
    reasons = tuple(dict.fromkeys((*plan.reasons, *said)))
    return replace(rebaked, reasons=reasons, details=details)


def _count_words(states: pd.DataFrame, left: Sequence[str], upset: bool) -> str:
    made = int((states["status"] == "made").sum())
    if not states["status"].any():
        return "Nothing is entered yet: every bake is still to be made, in the order planned."
    if not left:
        return f"{_counted(made)} made and stay as they are; none is left."
    order = "given a new order by chance" if upset else "left in their order"
    return f"{_counted(made)} made and stay as they are; {_counted(len(left))} left, {order}."


def _counted(count: int) -> str:
    return f"{count} bake is" if count == 1 else f"{count} bakes are"


def _states(plan: Plan, table: pd.DataFrame) -> pd.DataFrame:
    """Return one row per bake of the plan, in its order: bake, status, reason; blank where open."""
    states = pd.DataFrame({"bake": plan.rows["bake"], "status": "", "reason": ""})
    if table.empty:
        return states
    known = table.drop_duplicates("bake").set_index("bake")[["status", "reason"]].fillna("")
    for name in ("status", "reason"):
        states[name] = states["bake"].map(known[name]).fillna("")
    return states


def _rebake(states: pd.DataFrame, bake: str) -> bool:
    row = states[states["bake"] == bake].iloc[0]
    return row["status"] == "not served" or is_slip(str(row["reason"]))


def _reordered(plan: Plan, left: Sequence[str], rng: np.random.Generator) -> Plan:
    """Return the plan with the bakes that are left in a new order within what they share."""
    rows = plan.table
    own = rows["bake"].isin(left).to_numpy()
    # The kitchen goes through loads, else through doughs, one after the other
    shared = rows[plan.groups[0]] if plan.groups else pd.Series("", index=rows.index)
    keys = rows["day"].astype(str) + "/" + shared.astype(str)
    order = np.arange(len(rows))
    for key in keys[own].unique():
        places = np.flatnonzero(own & (keys == key).to_numpy())
        order[places] = rng.permutation(places)
    return replace(plan, rows=rows.iloc[order].reset_index(drop=True))


def _lost_words(states: pd.DataFrame, slips: Sequence[str], results: Sequence[str]) -> list[str]:
    reasons = states.set_index("bake")["reason"]
    said = []
    if slips:
        shown = in_words(f"{bake} ({reasons[bake] or 'not served'})" for bake in slips)
        said.append(f"A slip, baked again: {shown}.")
    waiting = states.loc[states["status"] == "not baked", "bake"].tolist()
    if waiting:
        said.append(
            f"Not baked so far, and still to be made: {in_words(waiting)}. Change the status of "
            "each when it is."
        )
    if results:
        shown = in_words(f"{bake} ({reasons[bake] or 'no reason given'})" for bake in results)
        said.append(
            f"A result, not baked again: {shown}. That a setting fails is a finding; it stays."
        )
    return said


def _told(round_: Round, before: Plan, after: Plan, lost: Sequence[str]) -> list[str]:
    """Return what can still be told, as sentences."""
    if not lost:
        return ["Nothing is lost: the round tells what it was planned to tell."]
    try:
        change = still_tells(
            before,
            drop(after, list(lost)),
            tasters=max(1, len(round_.tasters)),
            worth_noticing=_worth(round_.measures),
        )
    except RoundError:
        return []
    return list(change.sentences)


def _worth(measures: Sequence[Measure]) -> float:
    """Return what is worth noticing of the liking, which the usual spreads are those of."""
    liked = (one.margin for one in measures if one.liking)
    return next(liked, None) or LIKING_WORTH_NOTICING


def record_replan(round_: Round, plan: Plan) -> Round:
    """Write a changed plan into a round's folder; what stood there is kept under `received/`.

    All that was entered goes over into workbooks of the changed plan, and a bake made again is
    served to those whom the lost one was meant for. Bake sheets and ballots are to be written
    again: bakes that were added have no line on the old ones.
    """
    with writing(round_.folder):
        return _recorded(round_, plan)


def _recorded(round_: Round, plan: Plan) -> Round:
    missing = set(round_.plan.rows["bake"]) - set(plan.rows["bake"])
    if missing:
        raise RoundError(
            f"the new plan leaves out {min(missing)}; a replanned round keeps every bake, made or "
            "not."
        )
    serving = read_serving(round_)
    came = sources(round_)
    found = gather(round_, serving, came)
    keep_read(found)
    if found.problems:
        scores(found)  # says what is to be mended first
    changed = replace(round_, plan=plan)
    write_plan(round_.folder, plan)
    change_settings(round_.folder, {"plan": plan_record(plan)})
    _carry_over(changed, _served_again(changed, serving, found), found)
    for source in came:
        if source.shown.startswith(f"{INCOMING}/") and is_table(source.path):
            # Kept under received/ as it came, and now in the workbook
            take_away(source.path)
    return changed


def _carry_over(round_: Round, serving: pd.DataFrame, found: Gathered) -> None:
    """Write all that was entered into sheets of the changed plan, which the old ones are not."""
    forms = [cook_form(round_)]
    if len(serving):
        write_csv(serving, round_.folder / SERVING)
        forms.append(tasting_form(round_, serving))
    for form in forms:
        path = round_.folder / f"{form.kind}.xlsx"
        values = {at: one.value for at, one in found.entries.items() if at[0] == form.kind}
        if not (values or path.is_file()):
            continue
        write_bytes(path, draw_workbook(form, values))
        write_csv(filled(form, {}), path.with_suffix(".csv"))


def _served_again(round_: Round, serving: pd.DataFrame, found: Gathered) -> pd.DataFrame:
    """Return who is served what, each bake made again going to whom the lost one was meant for.

    It comes at a place by chance in a sitting of its day that is still to be held, or else in one
    more sitting.
    """
    rng = np.random.default_rng(round_.seed + len(serving))
    day_of = round_.plan.rows.set_index("bake")["day"]
    for bake, lost in round_.plan.details.get("rebaked", {}).items():
        if bake in set(serving["bake"]):
            continue
        meant = scored_servings(serving)
        for taster in dict.fromkeys(meant.loc[meant["bake"] == lost, "taster"]):
            sitting = _open_sitting(serving, found, taster, day_of, day_of[bake])
            code = draw_codes([sitting], seed=rng, taken=_taken(serving))[0]
            here = (serving["taster"] == taster) & (serving["sitting"] == sitting)
            position = int(rng.integers(1, int(here.sum()) + 2))
            serving.loc[here & (serving["place"] >= position), "place"] += 1
            row = [taster, sitting, position, bake, code, SAMPLE]
            serving.loc[len(serving)] = dict(zip(SERVING_COLUMNS, row, strict=True))
    order = ["sitting", "place"]
    return serving.sort_values(["taster", *order], kind="stable", ignore_index=True)


def _taken(serving: pd.DataFrame) -> list[tuple[int, str]]:
    return list(zip(serving["sitting"], serving["code"], strict=True))


def _open_sitting(
    serving: pd.DataFrame, found: Gathered, taster: str, day_of: pd.Series, day: int
) -> int:
    """Return the shortest sitting of a day for which a taster has entered nothing yet."""
    held = {key[1] for kind, key, _ in found.entries if kind == TASTINGS and key[0] == taster}
    own = serving[serving["taster"] == taster]
    own = own[own["bake"].map(day_of) == day]
    sizes = {
        int(sitting): len(rows)
        for sitting, rows in own.groupby("sitting")
        if not held & set(rows["code"])
    }
    return min(sizes, key=lambda one: sizes[one]) if sizes else int(serving["sitting"].max()) + 1


# -- What to bake next, and how a round goes on after a failed bake.


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
    """
    plan = replanned(round_)
    if record:
        record_replan(round_, plan)
    return plan


def write_next(
    round_: Round,
    bakes: int,
    to: str | Path | None = None,
    *,
    action: str | None = None,
    seed: int | None = None,
) -> Round:
    """Write the next round, ready to be printed, beside the one it follows.

    Parameters
    ----------
    round_ : Round
        With its scores in.
    bakes : int
        How many more there may be; reference bakes come on top.
    to : str or Path, optional
        Its folder; beside the round's own, one number up, when left out.
    action, seed : optional
        As for :func:`trials.next_round`.

    Returns
    -------
    Round
        With the measures, tasters, formula and kitchen of the round before; tasters who named
        their days come on every day now.

    Raises
    ------
    PlanError
        As :func:`trials.next_round`.
    RoundError
        When a round stands in that folder already.
    """
    known = kept_evidence(round_)
    whole = next_round(known, bakes, action=action, seed=seed).plan
    plan, tasters = _days_anew(new_bakes(whole), round_.tasters)
    home = Path(to) if to else _beside(round_.folder)
    return Round.create(
        home,
        plan=plan,
        measures=round_.measures,
        formula=round_.formula,
        tasters=tasters,
        seed=round_.seed + 1,
        name=_next_name(round_.name, home.name),
        parent=_from(home, round_.folder),
        sitting=round_.sitting,
        invented=round_.invented,
        batch=round_.batch,
        steps=round_.steps,
        kitchen=round_.kitchen,
        prices=round_.prices,
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
