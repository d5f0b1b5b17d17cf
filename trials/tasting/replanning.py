"""A serving plan mended between sittings: somebody came late, left, joined or missed one.

What was served stays as it was, code and all, and so does everything still to come for people
whom nothing happened to: their ballots are printed. Only the others are planned anew, around it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import TastingError
from trials.tasting.panel import Taster, check_panel
from trials.tasting.serving import (
    SAMPLE,
    Day,
    ServingPlan,
    ServingRequest,
    check_avoid,
    draw_codes,
    finished,
    in_serving_order,
    plan_day,
    whole_number,
)


@dataclass(frozen=True, eq=False)
class _State:
    """Where the round stands: what stays, who is planned anew, what may still be held."""

    stays: pd.DataFrame
    anew: tuple[str, ...]
    coming: tuple[tuple[int, Day], ...]


@checked_types(TastingError)
def replan_servings(
    plan: ServingPlan,
    *,
    served: Iterable[str],
    next_sitting: int,
    joins: Iterable[Taster | str] = (),
    leaves: Iterable[str] = (),
    avoid: Mapping[str, Iterable[str]] | None = None,
    extra_sittings: int = 0,
    seed: int,
) -> ServingPlan:
    """Plan the rest of a round anew for those to whom something happened.

    Parameters
    ----------
    plan : ServingPlan
    served : iterable of str
        The codes that were really served; they are never touched.
    next_sitting : int
        The first sitting still to come. What was planned for an earlier one and not served was
        missed (somebody was late, or left early, or stayed away) and is planned again for later,
        on the day of the bake.
    joins, leaves : iterable
        Who comes new from the next sitting on, and who does not come again.
    avoid : mapping of taster to bakes, optional
        What is kept from the new ones, and what turned out to be kept from the others.
    extra_sittings : int
        Sittings added at the end, on the last day.
    seed : int

    Returns
    -------
    ServingPlan
        The served rows as they were, the rest after them; its notes say what can no longer be
        tasted. Codes that were given out and dropped are not used again.

    Raises
    ------
    TastingError
        For codes and tasters the plan does not know, for what contradicts it, and when nothing is
        left to taste.

    Examples
    --------
    >>> from trials.tasting.serving import serving_plan
    >>> plan = serving_plan(["Ida", "Bo"], ["B01", "B02", "B03", "B04"], per_sitting=2, seed=3)
    >>> first = plan.table[plan.table["sitting"] == 1]
    >>> bo_missed = first.loc[first["taster"] == "Ida", "code"]
    >>> new = replan_servings(plan, served=bo_missed, next_sitting=2, extra_sittings=1, seed=4)
    >>> new.table.groupby(["taster", "sitting"]).size().to_dict()
    {('Bo', 2): 2, ('Bo', 3): 2, ('Ida', 1): 2, ('Ida', 2): 2}
    """
    served = _checked_served(plan, served)
    leaves = (leaves,) if isinstance(leaves, str) else tuple(leaves)
    newcomers = _newcomers(joins)
    request = _new_request(plan.request, newcomers, leaves, avoid)
    sitting_days = _with_extra(plan.sitting_days, whole_number("extra_sittings", extra_sittings, 0))
    state = _state_of(plan, request, served, next_sitting, sitting_days, leaves)
    tables, notes = [state.stays], []
    for turn, (day, bakes) in enumerate(request.days):
        numbers = [number for number, its_day in state.coming if its_day == day]
        wanted = _still_wanted(state, request, day, bakes)
        if not numbers or not wanted:
            notes += _too_late(wanted, day)
            continue
        today = {number for number, its_day in sitting_days if its_day == day}
        kept = state.stays[state.stays["sitting"].isin(today)]
        rng = np.random.default_rng([whole_number("seed", seed, 0), turn])
        rows = plan_day(request, day, wanted, numbers, rng, kept)
        notes += _crowded_out(wanted, rows)
        tables.append(rows)
    tables = [part for part in tables if len(part)]
    if not tables:
        raise TastingError(
            "Nothing was served and nothing is left to taste. Set next_sitting to a sitting still "
            "to come, or add extra_sittings."
        )
    table = pd.concat(tables, ignore_index=True)
    given = list(zip(plan.table["sitting"], plan.table["code"], strict=True))
    table = _with_codes(table, [*given, *plan.retired], seed)
    dropped = tuple((s, code) for s, code in given if code not in set(table["code"]))
    everybody = [*plan.request.tasters, *(taster.name for taster in newcomers)]
    return finished(
        in_serving_order(table, everybody),
        sitting_days,
        request,
        notes,
        (*plan.retired, *dropped),
    )


def _checked_served(plan: ServingPlan, served: Iterable[str]) -> set[str]:
    if isinstance(served, str):
        raise TastingError(f'served is the text "{served}"; give a list of codes.')
    codes = {str(code) for code in served}
    unknown = sorted(codes - set(plan.table["code"]))
    if unknown:
        raise TastingError(
            f"Code {', '.join(unknown)} was not planned in this round. Read the labels again."
        )
    return codes


def _newcomers(joins: Iterable[Taster | str]) -> tuple[Taster, ...]:
    joins = [joins] if isinstance(joins, (str, Taster)) else list(joins)
    return check_panel(joins) if joins else ()


def _new_request(
    request: ServingRequest,
    newcomers: tuple[Taster, ...],
    leaves: tuple[str, ...],
    avoid: Mapping[str, Iterable[str]] | None,
) -> ServingRequest:
    check_panel([*request.tasters, *newcomers])  # newcomers must not be there already
    for name in leaves:
        if name not in request.tasters:
            raise TastingError(
                f'"{name}" leaves, and is not a taster. The tasters are '
                f"{', '.join(request.tasters)}."
            )
    everybody = [*request.tasters, *(taster.name for taster in newcomers)]
    known = {*request.bakes, *dict(request.reference).values(), *dict(request.warm_up).values()}
    new = check_avoid(everybody, avoid or {}, known)
    for taster in newcomers:
        if taster.avoids and taster.name not in new:
            raise TastingError(
                f"{taster.name} avoids {', '.join(taster.avoids)}, and nothing says which bakes "
                f"contain it. Give avoid={{'{taster.name}': [...]}} with those bakes."
            )
    merged = dict(request.avoid)
    for name, bakes in new.items():
        merged[name] = merged.get(name, frozenset()) | bakes
    comes = (*request.comes, *((one.name, tuple(one.days)) for one in newcomers if one.days))
    return replace(request, tasters=tuple(everybody), avoid=tuple(merged.items()), comes=comes)


def _with_extra(
    sitting_days: tuple[tuple[int, Day], ...], extra: int
) -> tuple[tuple[int, Day], ...]:
    last, day = sitting_days[-1]
    return (*sitting_days, *((last + 1 + i, day) for i in range(extra)))


def _state_of(
    plan: ServingPlan,
    request: ServingRequest,
    served: set[str],
    next_sitting: int,
    sitting_days: tuple[tuple[int, Day], ...],
    leaves: tuple[str, ...],
) -> _State:
    table = plan.table
    is_served = table["code"].isin(served)
    to_come = table["sitting"] >= whole_number("next_sitting", next_sitting, 1)
    if (is_served & to_come).any():
        found = table.loc[is_served & to_come].iloc[0]
        raise TastingError(
            f"Code {found['code']} was served, and its sitting {found['sitting']} is said to be "
            f"still to come. Set next_sitting to {int(found['sitting']) + 1} once it is over."
        )
    missed = set(table.loc[~is_served & ~to_come & (table["kind"] == SAMPLE), "taster"])
    forbidden = {
        taster
        for taster, bake in zip(
            table.loc[to_come, "taster"], table.loc[to_come, "bake"], strict=True
        )
        if not request.may_have(taster, bake)
    }
    newcomers = set(request.tasters) - set(plan.request.tasters)
    changed = (missed | forbidden | newcomers) - set(leaves)
    stays = is_served | (to_come & ~table["taster"].isin(changed | set(leaves)))
    return _State(
        stays=table[stays],
        anew=tuple(name for name in request.tasters if name in changed),
        coming=tuple(pair for pair in sitting_days if pair[0] >= next_sitting),
    )


def _still_wanted(
    state: _State, request: ServingRequest, day: Day, bakes: Iterable[str]
) -> dict[str, list[str]]:
    samples = state.stays[state.stays["kind"] == SAMPLE]
    eaten = set(zip(samples["taster"], samples["bake"], strict=True))
    wanted = {
        taster: [
            bake for bake in bakes if request.may_have(taster, bake) and (taster, bake) not in eaten
        ]
        for taster in state.anew
        if request.is_there(taster, day)
    }
    return {taster: mine for taster, mine in wanted.items() if mine}


def _too_late(wanted: Mapping[str, list[str]], day: Day) -> list[str]:
    when = f"day {day} is over" if day != "" else "no sitting is to come"
    return [f"{taster} can not taste {', '.join(mine)}: {when}." for taster, mine in wanted.items()]


def _crowded_out(wanted: Mapping[str, list[str]], rows: pd.DataFrame) -> list[str]:
    planned = set(zip(rows["taster"], rows["bake"], strict=True))
    notes = []
    for taster, mine in wanted.items():
        left_out = [bake for bake in mine if (taster, bake) not in planned]
        if left_out:
            notes.append(
                f"{taster} does not taste {', '.join(left_out)}: the sittings to come have no "
                "place. Add extra_sittings to make room."
            )
    return notes


def _with_codes(table: pd.DataFrame, taken: list[tuple[int, str]], seed: int) -> pd.DataFrame:
    table = table.copy()
    bare = table["code"] == ""
    table.loc[bare, "code"] = draw_codes(
        table.loc[bare, "sitting"].tolist(), seed=seed, taken=taken
    )
    return table
