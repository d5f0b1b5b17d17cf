"""From what was entered to one tidy table: scores beside the bake, its status and its settings."""

from typing import Any

import pandas as pd

from trials.rounds.forms import ACTUAL, BAKES, BLIND, TASTINGS, scored_servings
from trials.rounds.gathering import MADE, Gathered
from trials.rounds.round import Round


def bake_of(found: Gathered, kind: str, key: tuple[str, ...]) -> str:
    """Return the bake of a row of a form."""
    return key[0] if kind == BAKES else found.bake_of[key]


def status(found: Gathered, bake: str) -> str:
    """Return the status that was entered for a bake; empty when none was."""
    return str(found.value(BAKES, (bake,), "status") or "")


def statuses(found: Gathered) -> dict[str, str]:
    """Return the status of each bake; one that has a score and no status was made."""
    scored = {
        bake_of(found, kind, key)
        for kind, key, column in found.entries
        if column in {one.name for one in found.forms[kind].scores}
    }
    return {
        bake: status(found, bake) or (MADE if bake in scored else "")
        for (bake,) in found.forms[BAKES].rows()
    }


def tidied(
    round_: Round, found: Gathered, serving: pd.DataFrame, *, actual: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tidy scores, and apart from them those of a cook who knew the bake.

    Parameters
    ----------
    round_ : Round
    found : Gathered
    serving : DataFrame
    actual : bool
        Whether a setting that was not as planned replaces the planned one.
    """
    served = scored_servings(serving).sort_values(["taster", "sitting", "position", "code"])
    rows = [
        {
            **{name: getattr(one, name) for name in ("taster", "sitting", "position", "kind")},
            "code": str(one.code),
            "bake": str(one.bake),
            **_entered(found, TASTINGS, (str(one.taster), str(one.code))),
        }
        for one in served.itertuples(index=False)
    ]
    weighed = any(measure.per == "bake" for measure in round_.measures)
    status_of = statuses(found)
    for (bake,) in found.forms[BAKES].rows():
        own = _entered(found, BAKES, (bake,))
        # A bake that has nothing of its own to tell is told by its tastings
        if weighed or own or status_of[bake] not in ("", MADE):
            rows.append({"bake": bake, **own})
    columns = ["taster", "sitting", "position", "kind", "code", "bake"]
    measures = [measure.name for measure in round_.measures]
    table = pd.DataFrame(rows).reindex(columns=[*columns, *measures, "note", BLIND])
    table = table.merge(_bakes(round_, found, actual=actual), on="bake", how="left", sort=False)
    table, known = _typed(round_, table), table[BLIND] == "no"
    return table[~known].reset_index(drop=True), table[known].reset_index(drop=True)


def _entered(found: Gathered, kind: str, key: tuple[str, ...]) -> dict[str, Any]:
    columns = [
        column.name
        for column in found.forms[kind].columns
        if column.role in ("score", "words", "note", "blind")
    ]
    values = {name: found.value(kind, key, name) for name in columns}
    return {name: value for name, value in values.items() if value is not None}


def _bakes(round_: Round, found: Gathered, *, actual: bool) -> pd.DataFrame:
    """Return the plan's bakes with their status, and their settings as planned or as made."""
    table = round_.plan.table
    status_of = statuses(found)
    table["status"] = [status_of[bake] for bake in table["bake"]]
    table["reason"] = [str(found.value(BAKES, (bake,), "reason") or "") for bake in table["bake"]]
    for factor in round_.plan.factors if actual else ():
        made = [found.value(BAKES, (bake,), ACTUAL + factor.name) for bake in table["bake"]]
        table[factor.name] = [
            planned if value is None else factor.read(value)
            for planned, value in zip(table[factor.name], made, strict=True)
        ]
    return table


def _typed(round_: Round, table: pd.DataFrame) -> pd.DataFrame:
    table = table.copy()
    for name in ("sitting", "position"):
        table[name] = table[name].astype("Int64")
    for name in ("taster", "kind", "code"):
        table[name] = table[name].astype(object).where(table[name].notna(), None)
    for measure in round_.measures:
        text = not measure.in_numbers
        column = table[measure.name]
        table[measure.name] = (
            column.astype(object).where(column.notna(), None) if text else column.astype(float)
        )
    table["note"] = table["note"].astype(object).where(table["note"].notna(), "")
    groups = [name for name in round_.plan.groups if name != "load"]
    factors = [factor.name for factor in round_.plan.factors]
    measures = [measure.name for measure in round_.measures]
    first = ["taster", "sitting", "position", "kind", "code", "bake", "day", "load", *groups]
    return table[[*first, "role", "status", "reason", *factors, *measures, "note"]]
