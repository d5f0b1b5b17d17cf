"""The album: each bake's photos and notes beside its settings and scores, on one page."""

import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from trials.base.html import render
from trials.base.words import tidy_number
from trials.core.scales import Text
from trials.rounds.diary import diary_lines, photos, read_diary
from trials.rounds.round import Round
from trials.show.bake_sheets import TEMPLATES


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
    return render(
        TEMPLATES,
        "album.html",
        title=f"Album: {round_.name}",
        round_name=round_.name,
        invented=round_.invented,
        of_no_bake=diary_lines(read_diary(round_.folder, bake="")),
        bakes=[_bake(round_, row, table) for row in rows.to_dict("records")],
        pictures=True,
    )


def _bake(round_: Round, row: Mapping[str, Any], table: pd.DataFrame | None) -> dict[str, Any]:
    bake = row["bake"]
    return {
        "bake": bake,
        "settings": ", ".join(
            f"{factor.name} {factor.show(row[factor.name])}" for factor in round_.plan.factors
        ),
        "scores": _scores(round_, bake, table),
        "photos": [_data(photo) for photo in photos(round_, bake)],
        "notes": diary_lines(read_diary(round_.folder, bake=bake)),
    }


def _scores(round_: Round, bake: str, table: pd.DataFrame | None) -> list[str]:
    if table is None:
        return []
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
    return ["; ".join(part) for part in (said, quoted) if part]


def _data(photo: Path) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(photo.read_bytes()).decode()}"
