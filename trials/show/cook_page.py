"""The cook's page: one file for a phone with messy hands; it is never shown to tasters."""

from collections.abc import Mapping, Sequence
from typing import Any, assert_never

import pandas as pd

from trials.base.html import held, render
from trials.base.words import in_words
from trials.core.factors import Categorical, Factor, is_blank
from trials.core.measures import Measure
from trials.core.roles import STATUSES
from trials.core.scales import Line, ManyOf, Number, OneOf, Order, Text
from trials.recipe.formula import Formula
from trials.recipe.weighing import shown_grams
from trials.rounds.amounts import (
    Otherwise,
    dough_weights,
    shared_doughs,
    weighed_otherwise,
    weighed_words,
    weights,
)
from trials.rounds.forms import ACTUAL, cook_form
from trials.rounds.gathering import gathered
from trials.rounds.kitchen import Batch
from trials.rounds.mixing import mixture_word
from trials.rounds.overlooked import overnight
from trials.rounds.round import Round
from trials.rounds.safe import never_added, notices
from trials.rounds.scores import statuses
from trials.show.bake_sheets import (
    ROLE_WORDS,
    TEMPLATES,
    cautions_of,
    shared_words,
)
from trials.tasting.paper import NONE_OF_THESE, in_order, tick_words

FILE = "bakes-from-phone.csv"
REASONS = ("tore", "leaked", "burned", "raw inside", "stuck", "collapsed", "mis-weighed")


def cook_page(round_: Round, batch: Batch | None = None) -> str:
    """Return the cook's page: the next bake, its grams and settings, and what came of it.

    It begins with how far the round's sheets say that it is. What is entered stays on the phone
    through a reload. The file it saves has the columns of the
    cook's sheet and is read back from the round's `incoming` folder.
    """
    formulas = round_.formulas if round_.formula else {}
    grams = _to_weigh(round_, batch, formulas) if formulas else None
    rows = round_.plan.table.to_dict("records")
    form = cook_form(round_)
    known = statuses(gathered(round_))
    named, never = notices(round_), never_added(round_)
    early = overnight(round_)
    record: dict[str, Any] = {
        "mark": form.round_id,
        "key": f"cook {form.round_id}",
        "file": FILE,
        "actual": ACTUAL,
        "columns": [
            column.name
            for column in form.columns
            if column.entered or column.name in ("bake", "round")
        ],
        "measures": [_measured(one) for one in round_.measures if one.per == "bake"],
        "bakes": [
            _bake(round_, row, place, len(rows), grams, early.get(row["bake"], ""))
            | {"known": known.get(row["bake"], "")}
            | {"cautions": _mind(round_, row, formulas.get(row["bake"]), named, never)}
            for place, row in enumerate(rows, start=1)
        ],
    }
    return render(
        TEMPLATES,
        "cook_page.html",
        title=f"For the cook: {round_.name}",
        round_name=round_.name,
        invented=round_.invented,
        statuses=[status for status in STATUSES if status != "made"],
        reasons=REASONS,
        shared=any(factor.group is not None for factor in round_.plan.factors),
        mixture=mixture_word(round_.formula, round_.steps),
        data=held(record),
    )


def _to_weigh(round_: Round, batch: Batch | None, formulas: Mapping[str, Formula]) -> pd.DataFrame:
    """Return the weighings of every bake; a dough made once comes before its first bake's own."""
    tables = [weights(round_, batch)]
    doughs = shared_doughs(round_, formulas)
    made = dough_weights(round_, batch) if doughs else pd.DataFrame()
    for dough in doughs:
        part = f"{dough.name}: once, for {in_words(dough.bakes)}"
        own = made[made["dough"] == dough.name].assign(bake=dough.bakes[0], part=part)
        tables.insert(0, own[list(tables[-1].columns)])
    return pd.concat(tables, ignore_index=True)


def _bake(
    round_: Round,
    row: Mapping[str, Any],
    place: int,
    count: int,
    grams: pd.DataFrame | None,
    early: str,
) -> dict[str, Any]:
    role = ROLE_WORDS.get(row["role"], "")
    where = [
        f"{place} of {count}",
        f"day {row['day']}",
        *shared_words(round_, row),
        *([role] if role else []),
        *([f"mix this the evening before ({early})"] if early else []),
    ]
    own = None if grams is None else grams[grams["bake"] == row["bake"]]
    here = {} if own is None else weighed_otherwise(round_, row, own)
    settings = [
        _setting(factor, row[factor.name], own is not None, here.get(factor.name))
        for factor in round_.plan.factors
        if not (factor.only_when and is_blank(row[factor.name]))
    ]
    return {
        "bake": row["bake"],
        "where": ", ".join(where),
        "settings": [one for one in settings if not one["weighed"]],
        "mixed": [one for one in settings if one["weighed"]],
        "grams": [
            {
                "name": one["ingredient"],
                "part": one["part"],
                "key": f"{one['part']} {one['ingredient']}",
                "grams": shown_grams(one["grams"], one["scale"]),
            }
            for one in ([] if own is None else own.to_dict("records"))
        ],
    }


def _mind(
    round_: Round,
    row: Mapping[str, Any],
    formula: Formula | None,
    named: Mapping[str, Sequence[str]],
    never: Mapping[str, Mapping[str, Sequence[str]]],
) -> list[list[str]]:
    found = cautions_of(round_, formula, row, [row["bake"]], named, never)
    return [[one.subject, one.text] for one in found]


def _setting(
    factor: Factor, value: Any, mixed: bool, otherwise: Otherwise | None
) -> dict[str, Any]:
    """Return a setting: what is set, or what is in the grams already and is not added again."""
    weighed = mixed and factor.changes is not None
    record: dict[str, Any] = {
        "name": factor.name,
        "shown": weighed_words(factor, value, otherwise) if weighed else factor.show(value),
        "shared": factor.group is not None and not weighed,
        "weighed": weighed,
    }
    if isinstance(factor, Categorical):
        record["levels"] = [[factor.show(level)] * 2 for level in factor.levels]
    return record


def _measured(measure: Measure) -> dict[str, Any]:
    """Return a measure as the page's script takes it: chosen, ticked, or typed."""
    record: dict[str, Any] = {"name": measure.name, "unit": measure.unit}
    match measure.field:
        case OneOf() as asked:
            return record | {"levels": in_order(asked)}
        case ManyOf(none=said) as asked:
            words = {"words": list(tick_words(asked)), "none": NONE_OF_THESE, "said": said}
            return record | words
        case Line() | Number() | Order():
            return record
        case Text():
            return record | {"free": True}
        case never:
            assert_never(never)
