"""The key to the codes: for whoever plates and labels, never for tasters."""

import html
from collections.abc import Sequence

import pandas as pd

from trials.errors import TastingError
from trials.printing import PRINT_STYLE, page
from trials.tables import in_words

_STYLE = (
    PRINT_STYLE
    + """
.sheet { break-after: page; }
.cover { min-height: 100vh; border: 1.2mm solid #000; padding: 12mm; font-size: 15pt; }
.cover h1 { font-size: 30pt; }
.sheet:last-child { break-after: auto; }
.mark { border: .6mm solid #000; padding: 1mm 3mm; font-weight: bold; display: inline-block; }
.grid { width: 100%; margin: 2mm 0 4mm; }
.grid th { font-size: 9pt; font-weight: normal; border-bottom: .3mm solid #000; }
.grid td { border-bottom: .15mm solid #888; }
.grid b { font-size: 14pt; }
"""
)
COLUMNS = ("taster", "sitting", "position", "bake", "code", "kind")


def code_sheet(round_name: str, serving: pd.DataFrame, *, sealed_for: Sequence[str] = ()) -> str:
    """Return who gets which bake under which code, a page for each sitting, to print.

    Once by taster in serving order, for the table; once by bake, for labelling.

    Parameters
    ----------
    round_name : str
    serving : DataFrame
        One row per serving with the columns taster, sitting, position, bake, code and kind.
    sealed_for : sequence of str
        Cooks who taste too: a cover then hides the key, and says who must not read on.

    Returns
    -------
    str
        A whole HTML page, A4. It gives every bake away.

    Raises
    ------
    TastingError
        When a column is missing.

    Examples
    --------
    >>> serving = pd.DataFrame([["Ida", 1, 1, "B07", "583", "sample"]],
    ...     columns=["taster", "sitting", "position", "bake", "code", "kind"])
    >>> "B07" in code_sheet("Round 1", serving)
    True
    """
    missing = [name for name in COLUMNS if name not in serving]
    if missing:
        raise TastingError(f"The serving table has no column {in_words(map(repr, missing))}.")
    sheets = [
        f'<section class="sheet"><h1>{html.escape(round_name)}, sitting {sitting}</h1>'
        '<p class="mark">Key to the codes: not for tasters</p>'
        f"<h2>By taster, in serving order</h2>{_by_taster(rows)}"
        f"<h2>By bake, for the labels</h2>{_by_bake(rows)}</section>"
        for sitting, rows in serving.groupby("sitting", sort=True)
    ]
    if sealed_for:
        sheets.insert(0, _cover(round_name, sealed_for))
    return page(f"Key to the codes: {round_name}", "\n".join(sheets), _STYLE)


def _cover(round_name: str, cooks: Sequence[str]) -> str:
    names = html.escape(in_words(cooks))
    return (
        f'<section class="sheet cover"><h1>Do not open until the scores are in</h1>'
        f"<p>The key to the codes of {html.escape(round_name)} stands below.</p>"
        f"<p><b>{names}</b> cooks and tastes: stop here. Somebody else reads on, labels the "
        "plates and says nothing. serving.csv holds the same key and stays closed as well.</p>"
        "<p>Nobody else there? Let somebody who does not taste shuffle the plates by this key. "
        'If you have to do it yourself, answer "no" to blind on your ballot: those scores are '
        "kept apart.</p></section>"
    )


def _by_taster(rows: pd.DataFrame) -> str:
    places = sorted(rows["position"].unique())
    heads = "".join(f"<th>{'warm-up' if place == 0 else place}</th>" for place in places)
    lines = []
    for taster, own in rows.groupby("taster", sort=False):
        at = {row["position"]: row for row in own.to_dict("records")}
        cells = "".join(
            f"<td><b>{html.escape(str(at[place]['code']))}</b><br>"
            f"{html.escape(str(at[place]['bake']))}</td>"
            if place in at
            else "<td></td>"
            for place in places
        )
        lines.append(f"<tr><td>{html.escape(str(taster))}</td>{cells}</tr>")
    return f'<table class="grid"><tr><th></th>{heads}</tr>{"".join(lines)}</table>'


def _by_bake(rows: pd.DataFrame) -> str:
    lines = []
    for bake, own in rows.groupby("bake", sort=True):
        codes = ", ".join(
            f"{code} ({taster})" for code, taster in own[["code", "taster"]].to_numpy()
        )
        lines.append(
            f"<tr><td><b>{html.escape(str(bake))}</b></td><td>{html.escape(codes)}</td></tr>"
        )
    return f'<table class="grid">{"".join(lines)}</table>'
