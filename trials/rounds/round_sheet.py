"""The sheet for a whole round: the order of bakes, each day, what to buy, how many pieces."""

import html
from collections.abc import Iterable

from trials.design.plan import kitchen_group
from trials.recipe.cautions import Caution, cautions_of_all
from trials.rounds.batch import Batch, Prices
from trials.rounds.mixing import bake_formulas
from trials.rounds.round import Round
from trials.rounds.shopping import pieces_needed, pieces_sentence, shopping_list
from trials.rounds.shopping_page import buy_table, days_table
from trials.rounds.weights import batch_sentence

CAUTION_STYLE = """
.cautions { border: .3mm solid #000; padding: 1.5mm 3mm; margin-top: 3mm; break-inside: avoid; }
.cautions p { font-size: 8.5pt; line-height: 1.25; margin: 0 0 .8mm; }
"""


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
        days = f"<div><h2>Each day</h2>{days_table(round_, batch)}</div>"
        words += [batch_sentence(round_, batch), pieces_sentence(round_, batch, needed)]
        buy = f"<h2>To buy</h2>{buy_table(shopping_list(round_, batch, prices=prices))}"
    note = (
        "<p><b>All of this round is invented, to show the way.</b></p>" if round_.invented else ""
    )
    said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in words)
    return (
        f'<section class="sheet"><h1>{html.escape(round_.name)}</h1>{note}{said}'
        f'<div class="two"><div class="wide"><h2>In this order</h2>{_order(round_)}</div>'
        f"{days}</div>{buy}"
        f"{caution_box(round_cautions(round_))}</section>"
    )


def _order(round_: Round) -> str:
    """Return the bakes of each day and load, one line each."""
    table = round_.plan.table
    keys = ["day", "load"] if table["load"].notna().any() else ["day"]
    group = kitchen_group("load", round_.plan.factors)
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


def round_cautions(round_: Round) -> list[Caution]:
    """Return what any bake calls for, each once: a swapped fat may bring another allergen.

    Parameters
    ----------
    round_ : Round
    """
    table = round_.plan.table
    settings = {
        factor.name: list(table[factor.name].unique())
        for factor in round_.plan.factors
        if factor.changes is None
    }
    formulas = bake_formulas(round_).values() if round_.formula else [None]
    return cautions_of_all(formulas, settings)


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
