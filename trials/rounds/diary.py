"""The diary of a project: dated notes on a round, a day or a bake, in one plain file."""

import html
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import pandas as pd

from trials.errors import Place, SheetError
from trials.tables import read_csv, write_csv

DIARY = "diary.csv"
LONGEST_NOTE = 10_000  # letters
_COLUMNS = ("time", "day", "bake", "note")


def write_note(
    folder: str | Path,
    note: str,
    *,
    day: int | None = None,
    bake: str = "",
    bakes: Iterable[str] = (),
    now: datetime | None = None,
) -> Path:
    """Add a dated note to the diary of a round's or a project's folder.

    Parameters
    ----------
    folder : str or Path
    note : str
        Kept word for word.
    day : int, optional
        The bake day it is about.
    bake : str
        The bake it is about.
    bakes : iterable of str
        The bakes there are, where only those will do.
    now : datetime, optional
        When; now when left out.

    Returns
    -------
    Path
        The diary.

    Raises
    ------
    SheetError
        When the note is empty or far too long, or the bake is none of the round's.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> _ = write_note(folder, "Oil foamed.", bake="B03", now=datetime(2026, 5, 7, 14, 30))
    >>> read_diary(folder).iloc[0].tolist()
    ['2026-05-07 14:30', '', 'B03', 'Oil foamed.']
    """
    here = Place(DIARY)
    if not note.strip():
        raise SheetError("the note is empty; write what happened.", here)
    if len(note) > LONGEST_NOTE:
        raise SheetError(
            f"the note has {len(note)} letters; keep it under {LONGEST_NOTE}, or put the text into "
            "a file of its own.",
            here,
        )
    known = tuple(bakes)
    if bake and known and bake not in known:
        raise SheetError(f'"{bake}" is no bake of this round.', here)
    time = (now or datetime.now()).strftime("%Y-%m-%d %H:%M")
    row = [time, "" if day is None else str(day), bake, note.strip()]
    before = read_diary(folder)
    rows = [*before.to_numpy().tolist(), row]
    return write_csv(pd.DataFrame(rows, columns=list(_COLUMNS)), Path(folder) / DIARY)


def read_diary(
    folder: str | Path, *, day: int | None = None, bake: str | None = None
) -> pd.DataFrame:
    """Return the notes of a folder's diary, oldest first.

    Parameters
    ----------
    folder : str or Path
    day, bake : optional
        Only the notes on that day or bake.

    Returns
    -------
    DataFrame
        Columns time, day, bake and note, all text.

    Raises
    ------
    SheetError
        When the diary was spoiled.
    """
    path = Path(folder) / DIARY
    if not path.is_file():
        return pd.DataFrame(columns=list(_COLUMNS), dtype=object)
    table = read_csv(path)
    missing = [name for name in _COLUMNS if name not in table]
    if missing:
        raise SheetError(f'no column "{missing[0]}".', Place(DIARY))
    table = table[list(_COLUMNS)].reset_index(drop=True)
    if day is not None:
        table = table[table["day"] == str(day)]
    if bake is not None:
        table = table[table["bake"] == bake]
    return table.reset_index(drop=True)


def diary_markup(notes: pd.DataFrame) -> str:
    """Return notes as markup; what people wrote stays words.

    Examples
    --------
    >>> note = pd.DataFrame([["2026-05-07 14:30", "2", "", "<b>hot</b>"]], columns=list(_COLUMNS))
    >>> diary_markup(note)
    '<ul><li>2026-05-07 14:30, day 2: &lt;b&gt;hot&lt;/b&gt;</li></ul>'
    """
    lines = []
    for one in notes.itertuples(index=False):
        where = [one.time, f"day {one.day}" if one.day else "", one.bake]
        said = ", ".join(part for part in where if part)
        lines.append(f"<li>{html.escape(said)}: {html.escape(one.note)}</li>")
    return f"<ul>{''.join(lines)}</ul>" if lines else ""
