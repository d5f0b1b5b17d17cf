"""The sheet for a whole round: the order of bakes, each day, what to buy, how many pieces."""

import html
from collections.abc import Iterable

import pandas as pd

from trials.design.plan import kitchen_group
from trials.recipe.cautions import Caution, cautions
from trials.rounds.batch import Batch, Prices
from trials.rounds.mixing import bake_formulas
from trials.rounds.round import Round
from trials.rounds.shopping import (
    SPILL,
    per_day,
    pieces_needed,
    pieces_sentence,
    shopping_list,
)
from trials.rounds.weights import batch_sentence
from trials.tables import tidy_number


def round_sheet(round_: Round, batch: Batch | None = None, prices: Prices | None = None) -> str:
    """Return the sheet for the round as markup: the order of bakes, what to buy, how many pieces.

    Parameters
    ----------
    round_ : Round
    batch : Batch, optional
    prices : Prices, optional
    """
    batch = batch or round_.batch
    words = [round_.plan.sentence() + "."]
    needed = pieces_needed(max(1, len(round_.tasters)))
    buy = days = ""
    if round_.formula:
        days = f"<div><h2>Each day</h2>{_days(round_, batch)}</div>"
        words += [batch_sentence(round_, batch), pieces_sentence(round_, batch, needed)]
        buy = _to_buy(shopping_list(round_, batch, prices=prices))
    note = (
        "<p><b>All of this round is invented, to show the way.</b></p>" if round_.invented else ""
    )
    said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in words)
    return (
        f'<section class="sheet"><h1>{html.escape(round_.name)}</h1>{note}{said}'
        f'<div class="two"><div class="wide"><h2>In this order</h2>{_order(round_)}</div>'
        f"{days}</div>{buy}"
        f"{caution_box(_all_cautions(round_))}</section>"
    )


def _order(round_: Round) -> str:
    """Return the bakes of each day and load, one line each."""
    table = round_.plan.table
    keys = ["day", "load"] if table["load"].notna().any() else ["day"]
    group = kitchen_group("load")
    lines = []
    for key, bakes in table.groupby(keys, sort=False, dropna=False):
        load = f'<td class="right">{html.escape(str(key[1]))}</td>' if len(keys) > 1 else ""
        names = " ".join(
            f"{bake}{' (reference)' if role == 'control' else ''}"
            for bake, role in bakes[["bake", "role"]].to_numpy()
        )
        lines.append(f"<tr><td>{key[0]}</td>{load}<td>{html.escape(names)}</td></tr>")
    head = f'<th class="right">{group}</th>' if len(keys) > 1 else ""
    head = f"<tr><th>day</th>{head}<th>bakes</th></tr>"
    return f'<table class="grid order">{head}{"".join(lines)}</table>'


def _days(round_: Round, batch: Batch) -> str:
    lines = "".join(
        f'<tr><td>{row["day"]}</td><td class="right">{row["bakes"]}</td>'
        f'<td class="right">{tidy_number(row["flour"])} g</td>'
        f'<td class="right">{tidy_number(row["dough"])} g</td></tr>'
        for row in per_day(round_, batch).to_dict("records")
    )
    return (
        '<table class="grid"><tr><th>day</th><th class="right">bakes</th>'
        f'<th class="right">flour</th><th class="right">dough</th></tr>{lines}</table>'
    )


def _to_buy(table: pd.DataFrame) -> str:
    cost = next((str(name) for name in table if str(name).startswith("cost")), "")
    lines = []
    for row in table.to_dict("records"):
        known = cost and not pd.isna(row[cost])
        price = f'<td class="right">{row[cost]:.2f}</td>' if known else "<td></td>"
        lines.append(
            f'<tr><td>{html.escape(row["ingredient"])}</td><td class="right">{row["bakes"]}</td>'
            f'<td class="right">{tidy_number(row["grams"])} g</td>'
            f'<td class="right weigh">{row["buy"]} g</td>{price if cost else ""}</tr>'
        )
    if cost:
        lines.append(
            '<tr class="sum"><td>all that has a price</td><td></td><td></td><td></td>'
            f'<td class="right">{table[cost].sum():.2f}</td></tr>'
        )
    head = f'<th class="right">{html.escape(cost)}</th>' if cost else ""
    return (
        '<h2>To buy</h2><table class="grid"><tr><th>ingredient</th><th class="right">in bakes</th>'
        f'<th class="right">used</th><th class="right">with {tidy_number(SPILL)}% to spare</th>'
        f"{head}</tr>{''.join(lines)}</table>"
        '<p class="quiet">One lot of each flour and fat for the whole round. Add frying oil, '
        "crackers, water and cups.</p>"
    )


def _all_cautions(round_: Round) -> list[Caution]:
    """Return what any bake calls for, each once: a swapped fat may bring another allergen."""
    table = round_.plan.table
    settings = {
        factor.name: list(table[factor.name].unique())
        for factor in round_.plan.factors
        if factor.changes is None
    }
    formulas = bake_formulas(round_).values() if round_.formula else [None]
    found = [one for formula in formulas for one in cautions(formula, settings)]
    return list(dict.fromkeys(found))


def caution_box(found: Iterable[Caution]) -> str:
    """Return cautions as markup.

    Examples
    --------
    >>> "<b>heat:</b> Mind it." in caution_box([Caution("heat", "Mind it.")])
    True
    """
    lines = "".join(
        f"<p><b>{html.escape(one.subject)}:</b> {html.escape(one.text)}</p>" for one in found
    )
    return f'<div class="cautions">{lines}</div>'
