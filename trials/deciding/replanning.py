"""A round that goes on after a failed bake or a change, and the round that follows one."""

import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.question import kept_evidence
from trials.base.arguments import checked_types
from trials.base.errors import Place, PlanError, RoundError, SheetError, TastingError, TrialsError
from trials.base.files import write_bytes, write_csv
from trials.base.keeping import take_away
from trials.base.words import in_words
from trials.core.factors import Numeric, factor_record, is_blank
from trials.core.measures import Measure
from trials.core.plan import Plan, whole_number
from trials.core.roles import Role
from trials.core.scales import LIKING_WORTH_NOTICING
from trials.deciding.next_bakes import new_bakes, next_round
from trials.design.midway import (
    add,
    best_extra,
    drop,
    leave_out,
    limited,
    moved,
    placed,
    repeat,
    shown_setting,
    still_tells,
)
from trials.rounds.extremes import joined, read_extremes
from trials.rounds.forms import (
    SERVING,
    TASTINGS,
    cook_form,
    read_serving,
    tasting_form,
)
from trials.rounds.gathering import (
    INCOMING,
    Gathered,
    Source,
    gathered,
    is_table,
    open_elsewhere,
    sources,
)
from trials.rounds.round import (
    FolderHeldError,
    Round,
    change_settings,
    check_people,
    checked_round,
    opened,
    plan_record,
    write_plan,
    writing,
)
from trials.rounds.scores import keep_read, scores
from trials.rounds.serving import LOST, Mended, mended, write_notes
from trials.rounds.workbook import draw_workbook, filled
from trials.tasting.panel import Taster, check_panel, taster_record

# -- A round that goes on after a failed bake: what was done stays, the rest is laid out again.


# Words of a mistake at the bench, which says nothing about the setting; anything else is a result
_SLIPS = re.compile(
    r"mis-?weigh|mis-?measur|mis-?read|wrong|forg[oe]t|left out|spil|dropp?ed|knocked|"
    r"mix(ed)? ?up|swapped by|mistake|blackout|no time|mislabel|cat |dog ",
    re.IGNORECASE,
)
# Words that tell of the bench only where nothing beside them tells how the bake itself came out
_MAYBE_SLIPS = re.compile(
    r"fell|slip|power|broke down|breakdown|thermometer|scale|timer|ran out|too late|lost",
    re.IGNORECASE,
)
_CAME_OUT = re.compile(
    r"apart|\b(tore|torn|tear)|burst|hold|held|\braw\b|collaps|leak|crumbl|shape|stuck|"
    r"disintegr|dissolv|split|crack|filling ran out|in the (oil|pan|middle)",
    re.IGNORECASE,
)
_NONE_YET, _NONE_LOST = "Nothing is entered yet", "Nothing is lost"


def is_slip(reason: str) -> bool:
    """Say whether a reason tells of a mistake at the bench rather than of the setting.

    Examples
    --------
    >>> is_slip("mis-weighed the sugar"), is_slip("fell apart in the oil"), is_slip("")
    (True, False, False)
    """
    if _SLIPS.search(reason):
        return True
    return bool(_MAYBE_SLIPS.search(reason)) and not _CAME_OUT.search(reason)


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
    said += _lost_words(states, slips, results, len(plan.rows))
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
        return f"{_NONE_YET}: every bake is still to be made, in the order planned."
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


def _lost_words(
    states: pd.DataFrame, slips: Sequence[str], results: Sequence[str], planned: int
) -> list[str]:
    reasons = states.set_index("bake")["reason"]
    said = []
    if slips:
        shown = in_words(f"{bake} ({reasons[bake] or 'not served'})" for bake in slips)
        said.append(f"A slip, baked again: {shown}.")
        more = "one bake" if len(slips) == 1 else f"{len(slips)} bakes"
        said.append(
            f"That is {more} more than planned, {planned + len(slips)} instead of {planned}. What "
            "fails by its own formula or settings should not be baked again: then give it the "
            "status failed and write what happened as the reason, such as fell apart or raw."
        )
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
        return [f"{_NONE_LOST}: the round tells what it was planned to tell."]
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


@dataclass(frozen=True, eq=False)
class Asked:
    """What is asked of a round that goes on, beside what its sheets tell.

    Parameters
    ----------
    joins : tuple of Taster
        Who comes new.
    leaves : tuple of str
        Who tastes no more.
    add : tuple of mapping
        Settings of bakes to make as well.
    more : int
        How many bakes more, those of which most is learned.
    limits : mapping of str to (low, high)
        What can no longer be reached; None for an end that stays.
    without : mapping of str to sequence
        Kinds that are baked no more, by factor.
    move : mapping of str to int
        To which day a bake goes, or all that is left of a day ("day 2").
    held : int or None
        The last sitting that was held; the last with scores when left out.
    """

    joins: tuple[Taster, ...] = ()
    leaves: tuple[str, ...] = ()
    add: tuple[Mapping[str, Any], ...] = ()
    more: int = 0
    limits: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    without: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    move: Mapping[str, int] = field(default_factory=dict)
    held: int | None = None

    @property
    def anything(self) -> bool:
        """Whether anything is asked."""
        plan = (self.add, self.more, self.limits, self.without, self.move)
        return any((self.joins, self.leaves, *plan))


def gone_on(round_: Round, asked: Asked, *, record: bool = False) -> Round:
    """Return a round as it goes on, written into its folder where asked; see :func:`replan`."""
    if record:
        with writing(round_.folder):
            return _gone_on(round_, asked, None, record=True)
    return _gone_on(round_, asked, None, record=False)


def record_replan(round_: Round, plan: Plan) -> Round:
    """Write a changed plan into a round's folder; what stood there is kept under `received/`.

    All that was entered goes over into workbooks of the changed plan, and a bake made again is
    served to those whom the lost one was meant for. Bake sheets and ballots are to be written
    again: bakes that were added have no line on the old ones.
    """
    with writing(round_.folder):
        return _gone_on(round_, Asked(), plan, record=True)


def _gone_on(round_: Round, asked: Asked, plan: Plan | None, *, record: bool) -> Round:
    missing = set(round_.plan.rows["bake"]) - set(plan.rows["bake"]) if plan else set()
    if missing:
        raise RoundError(
            f"the new plan leaves out {min(missing)}; a replanned round keeps every bake, made or "
            "not."
        )
    serving = read_serving(round_)
    came = sources(round_)
    found = gathered(round_)
    if record:
        _refuse_open(came)
        keep_read(found)
    table = scores(found)  # says what is to be mended first
    states = _states(round_.plan, table)
    asked, failed = _with_extremes(round_, asked)
    plan = plan or replanned(round_, table)
    if asked.anything:
        # What is asked is the news; that nothing went wrong is none
        told = [one for one in plan.reasons if not one.startswith((_NONE_YET, _NONE_LOST))]
        plan = replace(plan, reasons=tuple(told))
    plan, said = _as_asked(round_, plan, asked, states)
    if failed:
        said.insert(0, f"Failed before the round began: {in_words(failed)}.")
        before = plan.details.get("tried", ())
        plan = replace(plan, details={**plan.details, "tried": [*before, *failed]})
    tasters = _tasters_now(round_, asked, serving)
    after = replace(round_, plan=plan, tasters=tasters)
    check_people(after)
    entered = {key for kind, key, _ in found.entries if kind == TASTINGS}
    lost = states.loc[states["status"].isin(LOST), "bake"]
    served = mended(
        round_,
        after,
        serving,
        [(key[0], key[1]) for key in entered],
        leaves=asked.leaves,
        held=asked.held,
        lost=lost,
    )
    tasters = _days_of_those_gone(after, asked, served.table)
    after = replace(after, plan=_remembering(plan, asked, served, said), tasters=tasters)
    if asked.anything:
        after = checked_round(after)
    if record:
        _record(after, served.table, found, came)
    return after


def _refuse_open(came: Sequence[Source]) -> None:
    for source in came:
        if open_elsewhere(source.path):
            raise RoundError(
                "this is open in a spreadsheet, which would write its old rows over the new ones. "
                "Save it, close it, and try again; nothing was changed.",
                Place(source.shown),
            )


def _with_extremes(round_: Round, asked: Asked) -> tuple[Asked, tuple[str, ...]]:
    """Return what is asked with the limits that extremes which failed call for, each once."""
    tried = read_extremes(round_)
    if tried.problems:
        raise SheetError(tried.problems[0].message, tried.problems[0].place)
    return replace(asked, limits=joined(tried.limits, asked.limits)), tried.failed


def _as_asked(
    round_: Round, plan: Plan, asked: Asked, states: pd.DataFrame
) -> tuple[Plan, list[str]]:
    """Return the plan with all that was asked of it, and what changed, in sentences."""
    made = states.loc[states["status"].isin(["made", *LOST]), "bake"].tolist()
    said: list[str] = []
    before = plan
    for name, (low, high) in asked.limits.items():
        plan, told = _limit(plan, name, low, high, made)
        said += told
    for name, kinds in asked.without.items():
        for kind in kinds:
            plan, told = _leave(plan, name, kind, made)
            said += told
    if asked.move:
        days = _days_of(plan, asked.move, made)
        plan = moved(plan, days, made=made)
        shown = (f"{bake} to day {day}" for bake, day in days.items())
        said.append(f"Moved: {in_words(shown)}.")
    known = set(plan.rows["bake"])
    for settings in asked.add:
        plan = add(plan, settings)
    for _ in range(asked.more):
        lost = states.loc[states["status"].isin(LOST), "bake"].tolist()
        left = drop(plan, lost) if lost else plan
        best = best_extra(left, tasters=max(1, len(round_.tasters)))
        row = best.plan.rows.iloc[-1]
        home = {name: int(row[name]) for name in ("day", *plan.groups) if pd.notna(row[name])}
        plan = placed(plan, best.settings, home)
    new = [str(bake) for bake in plan.rows["bake"] if bake not in known]
    if new:
        rows = plan.rows.set_index("bake")
        shown = (
            f"{bake} ({shown_setting(plan.factors, rows.loc[bake].to_dict())}, day "
            f"{rows.loc[bake, 'day']})"
            for bake in new
        )
        said.append(f"Baked as well: {in_words(shown)}.")
        added = [*plan.details.get("made besides", ()), *new]
        plan = replace(plan, details={**plan.details, "made besides": added})
    if said or asked.leaves or asked.joins:
        said += _changed_tells(round_, before, plan, asked)
    return plan, said


def _limit(
    plan: Plan, name: str, low: float | None, high: float | None, made: Sequence[str]
) -> tuple[Plan, list[str]]:
    new = limited(plan, name, low, high, made=made)
    own = new.factor(name)
    assert isinstance(own, Numeric)
    said = [f"{name}: {own.show(own.low)} to {own.show(own.high)} from here on."]
    said += _set_otherwise(plan, new, name)
    rows = plan.rows
    beyond = [
        f"{bake} ({own.show(value)})"
        for bake, value in zip(rows["bake"], rows[name], strict=True)
        if bake in made and not is_blank(value) and not own.low <= value <= own.high
    ]
    if beyond:
        said.append(
            f"{in_words(beyond)} stay{'s' if len(beyond) == 1 else ''} as baked; write what was "
            f'really set into "actual {name}" if it was less.'
        )
    return new, said


def _leave(plan: Plan, name: str, kind: Any, made: Sequence[str]) -> tuple[Plan, list[str]]:
    new = leave_out(plan, name, kind, made=made)
    shown = plan.factor(name).show(kind)
    return new, [f"{name}: {shown} is baked no more.", *_set_otherwise(plan, new, name)]


def _set_otherwise(before: Plan, after: Plan, name: str) -> list[str]:
    old, new = before.rows.set_index("bake"), after.rows.set_index("bake")
    changed = [
        bake
        for bake in old.index
        if not (is_blank(old.loc[bake, name]) and is_blank(new.loc[bake, name]))
        and old.loc[bake, name] != new.loc[bake, name]
    ]
    if not changed:
        return ["No bake that is left was planned otherwise."]
    own = after.factor(name)
    shown = (
        f"{bake} {own.show(new.loc[bake, name])} instead of "
        f"{before.factor(name).show(old.loc[bake, name])}"
        for bake in changed
    )
    said = [f"Set anew: {in_words(shown)}."]
    roles = new["role"]
    if any(roles[bake] == Role.REFERENCE for bake in changed):
        said.append(
            "A reference bake is among them: those made before no longer compare with those made "
            "from here on."
        )
    return said


def _days_of(plan: Plan, move: Mapping[str, int], made: Sequence[str]) -> dict[str, int]:
    """Return the new day of each bake; all that is left of a day may be named at once."""
    days: dict[str, int] = {}
    rows = plan.rows
    for what, to in move.items():
        whole = re.fullmatch(r"day\s*(\d+)", str(what).strip(), re.IGNORECASE)
        if not whole:
            days[str(what)] = int(to)
            continue
        own = rows.loc[(rows["day"] == int(whole[1])) & ~rows["bake"].isin(made), "bake"]
        if own.empty:
            raise PlanError(f"nothing is left to bake on day {whole[1]}.")
        days |= {str(bake): int(to) for bake in own}
    return days


def _changed_tells(round_: Round, before: Plan, after: Plan, asked: Asked) -> list[str]:
    count = max(1, len(round_.tasters))
    try:
        change = still_tells(
            before,
            after,
            tasters=count,
            tasters_left=max(1, count + len(asked.joins) - len(asked.leaves)),
            worth_noticing=_worth(round_.measures),
        )
    except TrialsError:
        return []
    return list(change.sentences)


def _tasters_now(round_: Round, asked: Asked, serving: pd.DataFrame) -> tuple[Taster, ...]:
    """Return the tasters with whom comes new; who stands there by hand already comes as written."""
    names = [one.name for one in round_.tasters]
    drawn = set(serving["taster"])
    new = []
    for one in asked.joins:
        if one.name in drawn or (one.name in names and serving.empty):
            raise TastingError(f"{one.name} tastes in this round already.")
        if one.name not in names:
            new.append(one)
    for name in asked.leaves:
        if name not in names:
            raise TastingError(
                f'"{name}" leaves, and is not a taster. The tasters are {in_words(names)}.'
            )
    if asked.leaves and set(asked.leaves) >= {*names, *(one.name for one in new)}:
        raise TastingError("nobody would be left to taste; let somebody join first.")
    known = check_panel([*round_.tasters, *new]) if round_.tasters or new else ()
    if serving.empty:
        return tuple(one for one in known if one.name not in asked.leaves)
    return known


def _days_of_those_gone(after: Round, asked: Asked, serving: pd.DataFrame) -> tuple[Taster, ...]:
    """Return the tasters, whoever left keeping the days they came, or going altogether."""
    day_of = after.plan.rows.set_index("bake")["day"]
    found = []
    for one in after.tasters:
        if one.name in asked.leaves:
            own = serving.loc[serving["taster"] == one.name, "bake"] if len(serving) else []
            came = sorted({int(day_of[bake]) for bake in own})
            if not came:
                continue
            one = replace(one, days=tuple(came))
        found.append(one)
    return tuple(found)


def _remembering(plan: Plan, asked: Asked, served: Mended, said: Sequence[str]) -> Plan:
    """Return the plan with the reasons, and with what sheets handed out before may still say."""
    details = dict(plan.details)
    joined = [*details.get("joined", ()), *(one.name for one in asked.joins)]
    retired = [*details.get("retired", ()), *map(list, served.retired)]
    stood = {**served.stood, **details.get("stood", {})}
    new = {"joined": joined, "retired": retired, "stood": stood}
    details |= {key: value for key, value in new.items() if value}
    reasons = tuple(dict.fromkeys((*plan.reasons, *said, *served.said)))
    return replace(plan, reasons=reasons, details=details)


def _record(after: Round, serving: pd.DataFrame, found: Gathered, came: Sequence[Source]) -> None:
    write_plan(after.folder, after.plan)
    change_settings(
        after.folder,
        {
            "plan": plan_record(after.plan),
            "factors": [factor_record(factor) for factor in after.plan.factors],
            "tasters": [taster_record(one) for one in after.tasters],
        },
    )
    _carry_over(after, serving, found)
    for source in came:
        if source.shown.startswith(f"{INCOMING}/") and is_table(source.path):
            # Kept under received/ as it came, and now in the workbook
            take_away(source.path)


def _carry_over(round_: Round, serving: pd.DataFrame, found: Gathered) -> None:
    """Write all that was entered into sheets of the changed plan, which the old ones are not."""
    forms = [cook_form(round_)]
    if len(serving):
        write_csv(serving, round_.folder / SERVING)
        write_notes(round_, serving)
        forms.append(tasting_form(round_, serving))
    for form in forms:
        path = round_.folder / f"{form.kind}.xlsx"
        values = {at: one.value for at, one in found.entries.items() if at[0] == form.kind}
        if not (values or path.is_file()):
            continue
        write_bytes(path, draw_workbook(form, values))
        write_csv(filled(form, {}), path.with_suffix(".csv"))


# -- What to bake next, and how a round goes on after a failed bake.


@checked_types(RoundError)
def replan(
    round_: Round | str | Path,
    *,
    record: bool = False,
    joins: Taster | str | Iterable[Taster | str] = (),
    leaves: str | Iterable[str] = (),
    add: Mapping[str, Any] | Iterable[Mapping[str, Any]] = (),
    more: int = 0,
    limits: Mapping[str, tuple[float | None, float | None]] | None = None,
    without: Mapping[str, Any] | None = None,
    move: Mapping[str, int] | None = None,
    held: int | None = None,
) -> Plan:
    """Return how a round goes on when something went wrong, or changed.

    What was made stays, and so do codes and places that were served and scores that were entered.
    A bake that failed for a reason of the bench (mis-weighed, spilled, forgotten) is a slip, and
    is baked again under a new name; any other failure is a result, and stays as one. Where
    anything was lost, the bakes that are left get a new order by chance within their days and
    loads. Asked again while nothing new was entered, it answers the same.

    Parameters
    ----------
    round_ : Round, or its folder
        With the statuses of its bakes entered so far.
    record : bool
        Write the change into the folder, as one step: `plan.csv`, `serving.csv`, the reasons in
        `round.toml`; what stood there is kept under `received/`, and what was entered goes over
        into the new workbooks. Bake sheets and ballots are to be written again.
    joins, leaves : iterable
        Who tastes from the next sitting on, and who tastes no more.
    add : iterable of mapping
        Bakes to make as well: a setting for every factor.
    more : int
        Bakes to make as well, those of which most is learned.
    limits : mapping of str to (low, high), optional
        A number that can no longer go as far: bakes that are left beyond go to the limit. None
        for an end that stays.
    without : mapping of str to kinds, optional
        Kinds that can be baked no more: each bake left of it becomes another kind.
    move : mapping of str to int, optional
        The new day of a bake ("B03"), or of all that is left of a day ("day 2").
    held : int, optional
        The last sitting that was held; the last for which scores were entered when left out.

    Returns
    -------
    Plan
        Its reasons say what changed, why, and what can still be told. ``details["rebaked"]``
        names each new bake with the one that it repeats.

    Raises
    ------
    SheetError
        When the sheets hold mistakes.
    PlanError, TastingError
        When what is asked can not be: a limit wider than before, a bake moved that was made, a
        taster who tastes already.
    """
    asked = Asked(
        joins=tuple(
            Taster(one) if isinstance(one, str) else one
            for one in ([joins] if isinstance(joins, str | Taster) else joins)
        ),
        leaves=(leaves,) if isinstance(leaves, str) else tuple(leaves),
        add=(add,) if isinstance(add, Mapping) else tuple(add),
        more=whole_number("more", more, least=0),
        limits=dict(limits or {}),
        without={
            name: list(kinds) if isinstance(kinds, list | tuple | set) else [kinds]
            for name, kinds in (without or {}).items()
        },
        move=dict(move or {}),
        held=held,
    )
    return gone_on(opened(round_), asked, record=record).plan


@checked_types(RoundError)
def write_next(
    round_: Round | str | Path,
    bakes: int,
    to: str | Path | None = None,
    *,
    action: str | None = None,
    seed: int | None = None,
) -> Round:
    """Write the next round, ready to be printed, beside the one it follows.

    Parameters
    ----------
    round_ : Round, or its folder
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
    round_ = opened(round_)
    known = kept_evidence(round_)
    whole = next_round(known, bakes, action=action, seed=seed).plan
    plan, tasters = _days_anew(new_bakes(whole), round_.tasters)
    home = Path(to) if to else _beside(round_.folder)
    try:
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
            taste=round_.taste,
        )
    except FolderHeldError:
        free = home
        while free.exists():
            free = _beside(free)
        typed = ["trials", "next", str(round_.folder), "--bakes", str(bakes)]
        typed += ["--action", action] if action else []
        raise FolderHeldError(
            f'"{home}" already holds another round: what was proposed before. To go on with it: '
            f"{shlex.join(['trials', 'sheets', str(home)])}. To write this one beside it: "
            f"{shlex.join([*typed, '--to', str(free)])}."
        ) from None


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
