"""The album: each bake's photos and notes beside its settings and scores, on one page."""

import base64
import html
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from trials.base.html import PRINT_STYLE, page
from trials.base.words import tidy_number
from trials.core.scales import Text
from trials.rounds.diary import diary_markup, photos, read_diary
from trials.rounds.round import Round

_STYLE = (
    PRINT_STYLE
    + """
.bake { break-inside: avoid; border-top: .3mm solid #000; padding: 3mm 0; }
.shots { display: flex; flex-wrap: wrap; gap: 3mm; }
.shots img { max-width: 88mm; max-height: 70mm; }
"""
)


def album(round_: Round, table: pd.DataFrame | None = None, *, bake: str | None = None) -> str:
    """Return photos and notes of a round beside settings and mean scores.

    Parameters
    ----------
    round_ : Round
    table : DataFrame, optional
        Tidy scores as :func:`trials.scores` returns them; without it only settings are shown.
    bake : str, optional
        One bake alone.

    Returns
    -------
    str
        A whole HTML page that opens without a network: for the cook, never for tasters before
        the scores are in.
    """
    plan = round_.plan.table
    rows = plan if bake is None else plan[plan["bake"] == bake]
    parts = [f"<h1>{html.escape(round_.name)}</h1>", diary_markup(_of_no_bake(round_))]
    if round_.invented:
        parts.insert(1, "<p>All scores are invented.</p>")
    parts += [_bake(round_, row, table) for row in rows.to_dict("records")]
    return page(f"Album: {round_.name}", "\n".join(parts), _STYLE, pictures=True)


def _of_no_bake(round_: Round) -> pd.DataFrame:
    return read_diary(round_.folder, bake="")


def _bake(round_: Round, row: Mapping[str, Any], table: pd.DataFrame | None) -> str:
    settings = ", ".join(
        f"{factor.name} {factor.show(row[factor.name])}" for factor in round_.plan.factors
    )
    shots = "".join(
        f'<img src="{_data(photo)}" alt="{html.escape(row["bake"])}">'
        for photo in photos(round_, row["bake"])
    )
    notes = diary_markup(read_diary(round_.folder, bake=row["bake"]))
    return (
        f'<section class="bake"><h2>{html.escape(row["bake"])}</h2>'
        f"<p>{html.escape(settings)}</p>{_scores(round_, row['bake'], table)}"
        f'<div class="shots">{shots}</div>{notes}</section>'
    )


def _scores(round_: Round, bake: str, table: pd.DataFrame | None) -> str:
    if table is None:
        return ""
    own = table[table["bake"] == bake]
    status = next((one for one in own["status"] if one and one != "made"), "")
    said = [status, *dict.fromkeys(own["reason"])] if status else []
    for measure in round_.measures:
        values = own[measure.name].dropna()
        if measure.in_numbers and len(values):
            unit = f" {measure.unit}" if measure.unit else ""
            several = f" (mean of {len(values)})" if len(values) > 1 else ""
            said.append(f"{measure.name} {tidy_number(values.mean(), 3)}{unit}{several}")
    of_words = [one.name for one in round_.measures if isinstance(one.field, Text)]
    words = [word for name in ("note", *of_words) for word in own[name]]
    quoted = [f"“{word}”" for word in words if isinstance(word, str) and word.strip()]
    return "".join(f"<p>{html.escape('; '.join(part))}</p>" for part in (said, quoted) if part)


def _data(photo: Path) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(photo.read_bytes()).decode()}"
