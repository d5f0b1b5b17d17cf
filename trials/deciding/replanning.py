"""A round that goes on after a flop: what was done stays, what is left is laid out again."""

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from trials.design.midway import drop, repeat, still_tells
from trials.design.plan import Plan
from trials.errors import RoundError
from trials.rounds.folder import (
    PLAN,
    plan_record,
    read_settings,
    received,
    write_plan,
    write_settings,
)
from trials.rounds.round import Round
from trials.rounds.scores import scores
from trials.tables import in_words

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

    Parameters
    ----------
    reason : str
        As the cook wrote it; nothing written counts as a result, because the setting may be why.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_slip("mis-weighed the sugar"), is_slip("raw core"), is_slip("")
    (True, False, False)
    """
    return bool(_SLIPS.search(reason))


def replanned(round_: Round, table: pd.DataFrame | None = None) -> Plan:
    """Return the plan of a round that goes on; see :func:`trials.replan`.

    Parameters
    ----------
    round_ : Round
    table : DataFrame, optional
        Its scores, read from the sheets when left out.

    Returns
    -------
    Plan

    Examples
    --------
    >>> replanned.__name__
    'replanned'
    """
    states = _states(scores(round_) if table is None else table)
    plan = round_.plan
    lost = states[states["status"].isin(LOST)]
    slips = [row.bake for row in lost.itertuples() if row.status == "not served"]
    slips += [row.bake for row in lost.itertuples() if row.status == "failed"]
    slips = [bake for bake in slips if _rebake(states, bake)]
    results = [bake for bake in lost["bake"] if bake not in slips]
    left = states.loc[~states["status"].isin(["made", *LOST]), "bake"].tolist()
    rng = np.random.default_rng(plan.seed + len(left) + 1)
    laid = _reordered(plan, left, rng)
    rebaked = repeat(laid, slips) if slips else laid
    said = [
        f"{int((states['status'] == 'made').sum())} bakes are made and stay as they are; "
        f"{len(left)} are left and were given a new order by chance."
    ]
    said += _flop_words(states, slips, results)
    said += _told(round_, plan, rebaked, [*slips, *results])
    names = rebaked.rows["bake"].tolist()[len(plan.rows) :]
    details = {**plan.details, "rebaked": dict(zip(names, slips, strict=True)), "left": left}
    return replace(rebaked, reasons=(*plan.reasons, *said), details=details)


def _states(table: pd.DataFrame) -> pd.DataFrame:
    """Return one row per bake: bake, status, reason."""
    states = table.drop_duplicates("bake")[["bake", "status", "reason"]].copy()
    scored = table.groupby("bake", sort=False)["status"].agg(lambda column: (column != "").any())
    states["status"] = states["status"].where(states["bake"].map(scored), "")
    return states.fillna("").reset_index(drop=True)


def _rebake(states: pd.DataFrame, bake: str) -> bool:
    row = states[states["bake"] == bake].iloc[0]
    return row["status"] == "not served" or is_slip(str(row["reason"]))


def _reordered(plan: Plan, left: Sequence[str], rng: np.random.Generator) -> Plan:
    """Return the plan with the bakes that are left in a new order within their loads and days."""
    rows = plan.table
    own = rows["bake"].isin(left).to_numpy()
    loads = rows["load"].map(lambda value: "" if pd.isna(value) else str(value))
    keys = rows["day"].astype(str) + "/" + loads
    order = np.arange(len(rows))
    for key in keys[own].unique():
        places = np.flatnonzero(own & (keys == key).to_numpy())
        order[places] = rng.permutation(places)
    return replace(plan, rows=rows.iloc[order].reset_index(drop=True))


def _flop_words(states: pd.DataFrame, slips: Sequence[str], results: Sequence[str]) -> list[str]:
    reasons = states.set_index("bake")["reason"]
    said = []
    if slips:
        shown = in_words(f"{bake} ({reasons[bake] or 'not served'})" for bake in slips)
        said.append(f"A slip, baked again: {shown}.")
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
            worth_noticing=round_.measures[0].margin or 0.7,
        )
    except RoundError:
        return []
    return list(change.sentences)


def record_replan(round_: Round, plan: Plan) -> Round:
    """Write a changed plan into a round's folder; what stood there is kept under `received/`.

    The sheets are to be written again: bakes that were added have no line on the old ones.

    Parameters
    ----------
    round_ : Round
    plan : Plan
        As :func:`trials.replan` returns it.

    Returns
    -------
    Round

    Raises
    ------
    RoundError
        When the plan leaves out a bake of the round.

    Examples
    --------
    >>> record_replan.__name__
    'record_replan'
    """
    missing = set(round_.plan.rows["bake"]) - set(plan.rows["bake"])
    if missing:
        raise RoundError(
            f"the new plan leaves out {min(missing)}; a replanned round keeps every bake, made or "
            "not."
        )
    received(round_.folder, round_.folder / PLAN)
    received(round_.folder, round_.folder / "round.toml")
    write_plan(round_.folder, plan)
    settings = read_settings(round_.folder)
    settings = {key: value for key, value in settings.items() if key not in _WRITTEN_ANEW}
    write_settings(round_.folder, {**settings, "plan": plan_record(plan)})
    return Round.open(round_.folder)


_WRITTEN_ANEW = ("format", "written_by")
