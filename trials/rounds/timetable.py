"""A bake day hour by hour: what needs the hands, the pot and the oven, and when all is over."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Any

import pandas as pd

from trials.design.plan import Plan, kitchen_group
from trials.errors import RoundError
from trials.factors import is_blank
from trials.rounds.day_solver import EFFORT, Schedule, schedule
from trials.rounds.kitchen import Heat, Kitchen, Step, check_steps, clock, clock_minutes
from trials.rounds.round import Round
from trials.rounds.scheduling import Chain, Task
from trials.tables import in_words, tidy_number

# The plan drew the order of bakes by chance, and what is shared and hot keeps it.
IN_ORDER = ("pot", "oven")


@dataclass(frozen=True, eq=False)
class Timetable:
    """When what is done, and whether the days can be worked.

    Parameters
    ----------
    tasks : DataFrame
        Columns day, bake (or the load the step is for), load, step, needs, start, end (minutes
        after midnight), from, to (clock).
    ready : DataFrame
        One row per bake: day, bake, ready, taste by (clock).
    days : DataFrame
        One row per day: bakes, start, finish, in simple order (when working down the list of
        bakes would end), no earlier than (the proved bound), minutes to gain (between finish and
        bound), fits, would fit (bakes), taste from, taste until.
    """

    tasks: pd.DataFrame = field(repr=False)
    ready: pd.DataFrame = field(repr=False)
    days: pd.DataFrame

    def sentences(self) -> list[str]:
        """Return what the days ask of the kitchen, in words."""
        return [_sentence(day) for day in self.days.to_dict("records")]

    def __repr__(self) -> str:
        return "\n".join(self.sentences())


def timetable(
    planned: Round | Plan,
    steps: Sequence[Step] | None = None,
    kitchen: Kitchen | None = None,
    *,
    effort: float = EFFORT,
) -> Timetable:
    """Return the bake days of a round or a plan hour by hour.

    The order of bakes and loads is the plan's and is kept wherever something is heated.

    Parameters
    ----------
    planned : Round or Plan
    steps : sequence of Step, optional
        In the order they are done; those of a day or a load come before those of a bake. The
        round's own when left out.
    kitchen : Kitchen, optional
        The round's own when left out; where it has none, one pair of hands, one pot, one oven,
        nine to six.
    effort : float
        How long the solver may think, in its own deterministic seconds; 0 for the list schedule.

    Returns
    -------
    Timetable

    Raises
    ------
    RoundError
        When no step is named, needs what the kitchen does not have, takes its minutes from what
        is no factor, or stands in the wrong place.

    References
    ----------
    See :func:`trials.rounds.day_solver.schedule`.

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> bakes = pd.DataFrame({"rest": [20, 60]})
    >>> plan = lay_out([rest], bakes, family="ends", model="main", seed=2)
    >>> steps = [Step("mix", 10, "hands"), Step("rest", "rest", wait=0), Step("bake", 12, "oven")]
    >>> timetable(plan, steps, effort=0).days[["start", "finish", "fits"]]
      start finish  fits
    0  9:00  10:32  True
    """
    plan, steps, kitchen = _asked(planned, steps, kitchen)
    check_steps(plan, steps, kitchen)
    start = clock_minutes(kitchen.start)
    tasks, ready, days = [], [], []
    for day, bakes in plan.table.groupby("day", sort=True):
        chains, labels = _chains(plan, bakes, steps, kitchen)
        made = schedule(chains, kitchen.things, effort=effort)
        tasks += _task_rows(day, chains, labels, made, start)
        done = _ready_rows(day, chains, labels, made, start, kitchen)
        ready += done
        days.append(_day_row(plan, day, bakes, steps, kitchen, made, done))
    clocks = ["ready", "taste by"]
    ready_table = pd.DataFrame(ready)
    ready_table[clocks] = ready_table[clocks].map(clock)
    return Timetable(pd.DataFrame(tasks), ready_table, pd.DataFrame(days))


def _asked(
    planned: Round | Plan, steps: Sequence[Step] | None, kitchen: Kitchen | None
) -> tuple[Plan, Sequence[Step], Kitchen]:
    if isinstance(planned, Round):
        steps = planned.steps if steps is None else steps
        kitchen = kitchen or planned.kitchen
        planned = planned.plan
    if not steps:
        raise RoundError(
            "no step is named, so no day can be laid out; name the steps of a bake with their "
            "minutes, as steps= of the round or as [[steps]] in idea.toml."
        )
    return planned, steps, kitchen or Kitchen()


@dataclass(frozen=True)
class _Label:
    """What a chain is for: its bake, its load, and what to do to each heated thing first."""

    bake: str
    load: Any
    heating: Mapping[str, str]


def _chains(
    plan: Plan, bakes: pd.DataFrame, steps: Sequence[Step], kitchen: Kitchen
) -> tuple[list[Chain], list[_Label]]:
    """Return one chain per bake and per shared piece of work, with what each is for."""
    chains: list[Chain] = []
    labels: list[_Label] = []
    made: dict[tuple[str, Any], int] = {}
    heated: dict[str, tuple[float, Any]] = {}
    shared = list(dict.fromkeys(step.per for step in steps if step.per != "bake"))
    for row in bakes.to_dict("records"):
        after: list[int] = []
        for per in shared:
            key = (per, row[per])
            if key not in made:
                work = tuple(_task(len(chains), step, row) for step in steps if step.per == per)
                made[key] = len(chains)
                chains.append(Chain(work, tuple(after), {}))
                labels.append(_Label(_shared_name(plan, per, row[per]), row["load"], {}))
            after.append(made[key])
        own = tuple(
            _task(len(chains), step, row)
            for step in steps
            if step.per == "bake" and step.is_for(row)
        )
        if not own:
            raise RoundError(f"bake {row['bake']} has no step with minutes; name one that it has.")
        setups = _setups(plan, row, kitchen.heats, heated)
        minutes = dict.fromkeys(IN_ORDER, 0) | {thing: one[0] for thing, one in setups.items()}
        chains.append(Chain(own, tuple(after), minutes))
        words = {thing: one[1] for thing, one in setups.items()}
        labels.append(_Label(row["bake"], row["load"], words))
    return chains, labels


def _shared_name(plan: Plan, per: str, value: Any) -> str:
    return "whole day" if per == "day" else f"{kitchen_group(per, plan.factors)} {value}"


def _task(chain: int, step: Step, row: Mapping[str, Any]) -> Task:
    minutes = row[step.minutes] if isinstance(step.minutes, str) else step.minutes
    wait = None if step.wait is None else int(step.wait)
    return Task(chain, step.name, ceil(float(minutes)), tuple(step.needs), wait)


def _setups(
    plan: Plan,
    row: Mapping[str, Any],
    heats: Sequence[Heat],
    heated: dict[str, tuple[float, Any]],
) -> dict[str, tuple[int, str]]:
    """Return minutes and words of what each heated thing needs first; note what it is set to."""
    setups = {}
    for heat in heats:
        factor = plan.factor(heat.factor) if heat.factor else None
        if factor and is_blank(row[heat.factor]):
            continue  # nothing of this bake is heated there
        load = row.get((factor.group if factor else None) or "load")
        load = None if load is None or pd.isna(load) else load
        setting = float(row[heat.factor]) if factor else heat.setting
        shown = factor.show(setting) if factor else f"{tidy_number(setting)}°"
        before, same = heated.get(heat.thing, (None, load))
        minutes = heat.minutes(before, setting)
        if same != load:
            minutes += ceil(heat.between_loads)
        words = f"{heat.thing}: {'cool' if before and before > setting else 'heat'} to {shown}"
        if before is not None and minutes <= heat.between_bakes:
            minutes = ceil(heat.between_bakes)
            words = f"{heat.thing}: back to {shown}" if before == setting else words
        setups[heat.thing] = (minutes, words)
        heated[heat.thing] = (setting, load)
    return setups


def _task_rows(
    day: Any,
    chains: Sequence[Chain],
    labels: Sequence[_Label],
    made: Schedule,
    start: int,
) -> list[dict[str, Any]]:
    rows = []
    for chain, label, begins in zip(chains, labels, made.starts, strict=True):
        bake, load = label.bake, label.load
        for thing, minutes in chain.setups.items():
            used = [at for at, task in enumerate(chain.tasks) if thing in task.needs]
            if used and minutes:
                first = begins[used[0]]
                rows.append(
                    _row(
                        day,
                        bake,
                        load,
                        label.heating[thing],
                        (thing,),
                        start + first - minutes,
                        minutes,
                    )
                )
        for task, begin in zip(chain.tasks, begins, strict=True):
            rows.append(_row(day, bake, load, task.name, task.needs, start + begin, task.minutes))
    return sorted(rows, key=lambda row: (row["start"], row["end"]))


def _row(
    day: Any, bake: str, load: Any, step: str, needs: Sequence[str], start: int, minutes: int
) -> dict[str, Any]:
    return {
        "day": day,
        "bake": bake,
        "load": load,
        "step": step,
        "needs": in_words(needs),
        "start": start,
        "end": start + minutes,
        "from": clock(start),
        "to": clock(start + minutes),
    }


def _ready_rows(
    day: Any,
    chains: Sequence[Chain],
    labels: Sequence[_Label],
    made: Schedule,
    start: int,
    kitchen: Kitchen,
) -> list[dict[str, Any]]:
    keeps = min(kitchen.safe, kitchen.fresh or kitchen.safe)
    before = {at for chain in chains for at in chain.after}
    rows = []
    for at, (chain, label) in enumerate(zip(chains, labels, strict=True)):
        if at not in before:
            ready = start + made.starts[at][-1] + chain.tasks[-1].minutes
            rows.append({"day": day, "bake": label.bake, "ready": ready, "taste by": ready + keeps})
    return rows


def _day_row(
    plan: Plan,
    day: Any,
    bakes: pd.DataFrame,
    steps: Sequence[Step],
    kitchen: Kitchen,
    made: Schedule,
    done: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    start, until = clock_minutes(kitchen.start), clock_minutes(kitchen.until)
    fits = start + made.finish <= until
    first, last = max(row["ready"] for row in done), min(row["taste by"] for row in done)
    return {
        "day": day,
        "bakes": len(bakes),
        "start": kitchen.start,
        "finish": clock(start + made.finish),
        "in simple order": clock(start + made.listed),
        "no earlier than": clock(start + made.bound),
        "minutes to gain": made.finish - made.bound,
        "fits": fits,
        "would fit": len(bakes) if fits else _would_fit(plan, bakes, steps, kitchen),
        "until": kitchen.until,
        "taste from": clock(first),
        "taste until": clock(last),
        "together": first <= last,
    }


def _would_fit(plan: Plan, bakes: pd.DataFrame, steps: Sequence[Step], kitchen: Kitchen) -> int:
    """Return how many bakes of the day, from the first, are over in time."""
    room = clock_minutes(kitchen.until) - clock_minutes(kitchen.start)
    for count in range(len(bakes) - 1, 0, -1):
        chains, _ = _chains(plan, bakes.iloc[:count], steps, kitchen)
        if schedule(chains, kitchen.things, effort=0).finish <= room:
            return count
    return 0


def _sentence(day: Mapping[str, Any]) -> str:
    words = [
        f"Day {day['day']}: {day['bakes']} bakes, {day['start']} to {day['finish']} at the "
        "earliest"
        + (
            " (proved)."
            if not day["minutes to gain"]
            else f" ({day['minutes to gain']} min may be gained)."
        )
    ]
    if not day["fits"]:
        words.append(
            f"That is later than {day['until']}: the first {day['would fit']} bakes would fit; "
            "move the rest to another day, or start earlier."
        )
    if day["together"]:
        words.append(f"Taste all of them between {day['taste from']} and {day['taste until']}.")
    else:
        words.append(
            f"They can not be tasted together: the first bake keeps until {day['taste until']}, "
            f"the last is ready at {day['taste from']}. Taste in two sittings, or chill and warm "
            "all of them alike."
        )
    return " ".join(words)
