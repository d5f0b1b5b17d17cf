"""What to weigh for one bake or one dough, as a table to print."""

import html
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from trials.tables import tidy_number

SHOWN = 0.005  # percent of the flour: smaller errors would be shown as none


def weigh_table(grams: pd.DataFrame, aside: Sequence[str] = ()) -> str:
    """Return what to weigh as markup, with a box for what it really was and the rounding error.

    Parameters
    ----------
    grams : DataFrame
        Of one bake or dough, as :func:`trials.rounds.weights.weights` returns them.
    aside : sequence of str
        Parts that are not summed: frying oil.
    """
    several = grams["part"].nunique() > 1
    lines = []
    for part, rows in grams.groupby("part", sort=False):
        if several:
            lines.append(f'<tr class="part"><td colspan="4">{html.escape(str(part))}</td></tr>')
        lines += [_ingredient(row) for row in rows.to_dict("records")]
    mixed = grams[~grams["part"].isin(aside)]
    total = tidy_number(round(mixed["grams"].sum(), 6))
    percent = tidy_number(mixed["percent"].sum(), 4)
    lines.append(
        f'<tr class="sum"><td>in all</td><td class="right">{percent} %</td>'
        f'<td class="right">{total} g</td><td></td></tr>'
    )
    return (
        '<h2>Weigh</h2><table class="grid"><tr><th></th><th class="right">of flour</th>'
        '<th class="right">weigh</th><th class="box">really was, g</th></tr>'
        f"{''.join(lines)}</table>{_rounding(grams)}"
    )


def _ingredient(row: Mapping[str, Any]) -> str:
    coarse = "" if row["within"] else " *"
    shown = shown_grams(row["grams"], row["scale"])
    return (
        f"<tr><td>{html.escape(row['ingredient'])}{coarse}</td>"
        f'<td class="right">{tidy_number(row["percent"], 4)} %</td>'
        f'<td class="right weigh">{shown}</td><td class="box"></td></tr>'
    )


def shown_grams(grams: float, scale: float) -> str:
    """Return grams with as many decimals as the scale shows; 12.0 is weighed on the finer one.

    Examples
    --------
    >>> shown_grams(12, 1), shown_grams(12, 0.1)
    ('12 g', '12.0 g')
    """
    decimals = len(tidy_number(scale).partition(".")[2])
    return f"{grams:.{decimals}f} g"


def _rounding(grams: pd.DataFrame) -> str:
    worst = grams.loc[grams["error"].abs().idxmax()]
    words = "Rounded to the scale."
    if abs(worst["error"]) >= SHOWN:
        words = (
            f"Rounded to the scale; furthest off is {worst['ingredient']}, by "
            f"{worst['error']:+.2f} % of the flour."
        )
    coarse = list(grams.loc[~grams["within"].astype(bool), "ingredient"])
    if coarse:
        words += " * too little to weigh well on this scale: make a larger batch, or premix it."
    return f'<p class="quiet">{html.escape(words)}</p>'
