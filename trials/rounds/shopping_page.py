"""What to buy for a round and what each day uses, as a page to print."""

import html

import pandas as pd

from trials.printing import PRINT_STYLE, page
from trials.rounds.batch import Batch
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

TABLE_STYLE = """
.two { display: flex; gap: 7mm; align-items: flex-start; }
.two > div { flex: 1; min-width: 0; }
.two > .wide { flex: 1.25; }
.grid { width: 100%; }
.grid th { font-size: 9pt; font-weight: normal; color: #333; padding: 0 2mm .5mm 0;
           border-bottom: .3mm solid #000;
           vertical-align: bottom; }
.grid td { border-bottom: .15mm solid #888; padding: .5mm 2mm .5mm 0; }
.grid td.right, .grid th.right { white-space: nowrap; }
.grid .sum td { border-bottom: 0; border-top: .3mm solid #000; font-weight: bold; }
.grid .part td { border-bottom: 0; font-weight: bold; padding-top: 2mm; }
.weigh { font-size: 13pt; font-weight: bold; }
"""


def shopping_page(round_: Round) -> str:
    """Return the shopping list of a round as a page to print.

    Parameters
    ----------
    round_ : Round

    Returns
    -------
    str
        A whole HTML page, A4, that opens without a network.

    Raises
    ------
    RoundError
        When the round has no formula, or a price is for something that it does not use.
    """
    oil = per_day(round_)["oil"].sum()
    needed = pieces_needed(max(1, len(round_.tasters)))
    said = [
        round_.plan.sentence() + ".",
        batch_sentence(round_, round_.batch),
        pieces_sentence(round_, round_.batch, needed),
    ]
    if oil:
        said.append(f"Frying oil for fresh fills: {tidy_number(oil / 1000)} kg in all.")
    note = "<p><b>All of this round is invented, to show the way.</b></p>"
    words = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in said)
    body = (
        f"<h1>To buy: {html.escape(round_.name)}</h1>{note if round_.invented else ''}{words}"
        f"{buy_table(shopping_list(round_))}<h2>Each day</h2>{days_table(round_)}"
    )
    return page(f"To buy: {round_.name}", body, PRINT_STYLE + TABLE_STYLE)


def days_table(round_: Round, batch: Batch | None = None) -> str:
    """Return what each day uses as markup: flour, dough, and frying oil where a fill is known.

    Parameters
    ----------
    round_ : Round
    batch : Batch, optional
    """
    days = per_day(round_, batch)
    oil = bool(days["oil"].sum())
    lines = "".join(
        f'<tr><td>{row["day"]}</td><td class="right">{row["bakes"]}</td>'
        f'<td class="right">{tidy_number(row["flour"])} g</td>'
        f'<td class="right">{tidy_number(row["dough"])} g</td>'
        + (f'<td class="right">{tidy_number(row["oil"])} g</td></tr>' if oil else "</tr>")
        for row in days.to_dict("records")
    )
    head = '<th class="right">frying oil</th>' if oil else ""
    return (
        '<table class="grid"><tr><th>day</th><th class="right">bakes</th>'
        f'<th class="right">flour</th><th class="right">dough</th>{head}</tr>{lines}</table>'
    )


def buy_table(table: pd.DataFrame) -> str:
    """Return the shopping list as markup, summed where prices are known.

    Parameters
    ----------
    table : DataFrame
        As :func:`trials.rounds.shopping.shopping_list` returns it.
    """
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
        '<table class="grid"><tr><th>ingredient</th><th class="right">in bakes</th>'
        f'<th class="right">used</th><th class="right">with {tidy_number(SPILL)} % to spare</th>'
        f"{head}</tr>{''.join(lines)}</table>"
        '<p class="quiet">One lot of each flour and fat for the whole round. Add what no formula '
        "holds: frying oil, crackers, water and cups.</p>"
    )
