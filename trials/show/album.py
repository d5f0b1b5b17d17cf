"""The album: each bake's photos and notes beside its settings and scores, on one page."""

import base64
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from trials.analysis.counted import answers_in_words
from trials.base.arguments import checked_types
from trials.base.errors import RoundError
from trials.base.html import render
from trials.core.factors import is_blank
from trials.core.scales import Summary
from trials.rounds.diary import diary_lines, photos, read_diary
from trials.rounds.round import Round, opened
from trials.show.bake_sheets import TEMPLATES


@checked_types(RoundError)
def album(
    round_: Round | str | Path, table: pd.DataFrame | None = None, *, bake: str | None = None
) -> str:
    """Return photos and notes of a round beside settings and mean scores.

    Parameters
    ----------
    round_ : Round, or its folder
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
    round_ = opened(round_)
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
        "settings": ", ".join(_settings(round_, row, table)),
        "scores": _scores(round_, bake, table),
        "photos": [_data(photo) for photo in photos(round_, bake)],
        "notes": diary_lines(read_diary(round_.folder, bake=bake)),
    }


def _settings(round_: Round, row: Mapping[str, Any], table: pd.DataFrame | None) -> Iterator[str]:
    """Yield the settings of a bake as it was made, and what was planned where that differs."""
    own = None if table is None else table[table["bake"] == row["bake"]]
    for factor in round_.plan.factors:
        planned = row[factor.name]
        done = planned if own is None or own.empty else own[factor.name].iloc[0]
        if is_blank(planned) and is_blank(done):
            continue
        said = f"{factor.name} {factor.show(done)}"
        same = not is_blank(planned) and not is_blank(done) and planned == done
        yield said if same else f"{said} (planned {factor.show(planned)})"


def _scores(round_: Round, bake: str, table: pd.DataFrame | None) -> list[str]:
    if table is None:
        return []
    own = table[table["bake"] == bake]
    status = next((one for one in own["status"] if one and one != "made"), "")
    said = [status, *dict.fromkeys(own["reason"])] if status else []
    for measure in round_.measures:
        values = own[measure.name].dropna()
        if len(values) and measure.summary is not Summary.QUOTES:
            said.append(f"{measure.name} {answers_in_words(measure, values)}")
    of_words = [one.name for one in round_.measures if one.summary is Summary.QUOTES]
    words = [word for name in ("note", *of_words) for word in own[name]]
    quoted = [f"“{word}”" for word in words if isinstance(word, str) and word.strip()]
    return ["; ".join(part) for part in (said, quoted) if part]


def _data(photo: Path) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(photo.read_bytes()).decode()}"
