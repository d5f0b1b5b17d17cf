"""Scores drawn from a truth that is written down: for demos, where everything is invented."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from trials.base.errors import RoundError
from trials.core.measures import Measure
from trials.core.plan import Plan
from trials.core.roles import Status
from trials.deciding.rehearsal import Failure, Spreads, simulated
from trials.rounds.forms import read_serving, scored_servings
from trials.rounds.idea import IDEA
from trials.rounds.round import SETTINGS, Round
from trials.rounds.scores import check, scores
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster
from trials.tasting.serving import REPEAT


@dataclass(frozen=True, eq=False)
class Truth:
    """What the scores of an invented kitchen are drawn from.

    Parameters
    ----------
    measures : sequence of Measure
        The first one decides which bakes fail.
    effects : mapping
        Measure -> term -> effect, as :func:`trials.rehearse` takes them.
    mean : mapping
        Measure -> its value at the middle of everything.
    spreads : mapping
        Measure -> how unlike bakes, days, tasters and scores are.
    tasters : sequence of Taster
    failures : sequence of Failure
    """

    measures: Sequence[Measure]
    effects: Mapping[str, Mapping[str, Any]]
    mean: Mapping[str, float]
    spreads: Mapping[str, Spreads]
    tasters: Sequence[Taster]
    failures: Sequence[Failure] = ()


def repeats_of(round_: Round) -> list[tuple[str, str]]:
    """Return the taster and the bake of every hidden repeat that a round serves."""
    served = scored_servings(read_serving(round_))
    twice = served[served["kind"] == REPEAT]
    return list(zip(twice["taster"].astype(str), twice["bake"].astype(str), strict=True))


def drawn_scores(
    plan: Plan, truth: Truth, seed: int, again: Sequence[tuple[str, str]] = ()
) -> pd.DataFrame:
    """Return invented scores for every measure, one row per tasting, hidden repeat or bake."""
    tables = [
        simulated(
            plan,
            truth.effects[measure.name],
            mean=truth.mean[measure.name],
            measure=measure,
            tasters=[taster.name for taster in truth.tasters],
            spreads=truth.spreads[measure.name],
            failures=truth.failures if place == 0 else (),
            seed=seed + place,
            again=again,
        )
        for place, measure in enumerate(truth.measures)
    ]
    return _together(truth.measures, tables)


def _together(measures: Sequence[Measure], tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return one table of several measures, a failed bake having no score in any."""
    first = tables[0]
    outcome = first.drop_duplicates("bake").set_index("bake")[["status", "reason"]]
    names = ["bake", "taster", "time"]
    tasted = _in_time(first)[[*names, measures[0].name]]
    own = pd.DataFrame({"bake": outcome.index, "taster": pd.NA})
    for measure, table in zip(measures[1:], tables[1:], strict=True):
        values = table[["bake", measure.name]].assign(**{measure.name: _entered(table, measure)})
        if measure.per == "tasting":
            own_tastings = _in_time(values.assign(taster=table["taster"]))
            tasted = tasted.merge(own_tastings, on=names)
        else:
            own = own.merge(values, on="bake")
    tasted = tasted.drop(columns="time")
    whole = pd.concat([tasted, own], ignore_index=True).join(outcome, on="bake")
    failed = whole["status"] == Status.FAILED
    whole.loc[failed, [measure.name for measure in measures]] = float("nan")
    return whole


def _in_time(table: pd.DataFrame) -> pd.DataFrame:
    """Return tastings with which time it was that the taster had this bake."""
    return table.assign(time=table.groupby(["bake", "taster"]).cumcount())


def _entered(table: pd.DataFrame, measure: Measure) -> pd.Series:
    """Return values as a person writes them: to one decimal, and on the scale."""
    return table[measure.name].clip(measure.low, measure.high).round(1)


def from_plan_to_scores(
    folder: Path,
    planned: Callable[[Path], Round],
    enter: Callable[[Round], Any],
    tell: Callable[[str], None],
) -> Round:
    """Carry a demo's first round to scores that are entered and checked, saying what is done."""
    if (folder / SETTINGS).exists() or (folder / IDEA).exists():
        raise RoundError(f'"{folder}" is a round of yours. Give the demo a folder of its own.')
    home = folder / "round-1"
    tell("Everything in this demo is invented: the formula, the bakes, the tasters, the scores.\n")
    tell("1/6  Planning the round ...")
    round_ = planned(home)
    tell(f"     {round_.plan.sentence()}.")
    tell("2/6  Writing bake sheets, ballots and score sheets ...")
    files = write_sheets(round_) if not (home / "scores.csv").exists() else []
    tell(f"     {len(files)} files written." if files else "     already there.")
    tell("3/6  Entering the invented scores and checking the sheets ...")
    if files:
        enter(round_)
    problems = check(round_)
    tell(f"     {len(scores(round_))} rows of scores, {len(problems)} problems.")
    return round_
