"""The diary of a project and the photos of its bakes, in plain files."""

import re
import warnings
from collections.abc import Iterable, Sequence
from datetime import datetime
from io import BytesIO
from pathlib import Path

import pandas as pd
from PIL import Image, ImageOps, UnidentifiedImageError

from trials.base.arguments import checked_types
from trials.base.errors import Place, SheetError
from trials.base.files import read_csv, write_bytes, write_csv
from trials.base.keeping import one_step
from trials.base.words import in_words
from trials.rounds.round import SETTINGS, Round, opened, writing

# -- The diary of a project: dated notes on a round, a day or a bake, in one plain file.


DIARY = "diary.csv"
LONGEST_NOTE = 10_000  # letters
ABOUT = "about"  # the measure whose findings a note is about; diaries of before have no such column
_COLUMNS = ("time", "day", "bake", ABOUT, "note")


@checked_types(SheetError)
def write_note(
    folder: str | Path,
    note: str,
    *,
    day: int | None = None,
    bake: str = "",
    about: str = "",
    bakes: Iterable[str] = (),
    now: datetime | None = None,
    once: bool = False,
) -> Path:
    """Add a dated note to the diary of a round's or a project's folder.

    The page and the album of the round show it: beside the bake, or below the findings, that it is
    about.

    Parameters
    ----------
    folder : str or Path
    note : str
        Kept word for word.
    day : int, optional
        The bake day it is about.
    bake : str
        The bake it is about.
    about : str
        The measure whose findings it is about, such as "liking".
    bakes : iterable of str
        The bakes there are, where only those will do; those of the round that the folder holds
        when left out.
    now : datetime, optional
        When; now when left out.
    once : bool
        Whether to leave out a note that stands there already, word for word and of the same thing:
        so that a cell of a notebook can be run again.

    Returns
    -------
    Path
        The diary.

    Raises
    ------
    SheetError
        When the note is empty or far too long, or the bake or the measure is none of the round's.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> _ = write_note(folder, "Oil foamed.", bake="B03", now=datetime(2026, 5, 7, 14, 30))
    >>> read_diary(folder).iloc[0].tolist()
    ['2026-05-07 14:30', '', 'B03', '', 'Oil foamed.']
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
    _check_known(Path(folder), here, bake, about, tuple(bakes))
    time = (now or datetime.now()).strftime("%Y-%m-%d %H:%M")
    row = [time, "" if day is None else str(day), bake, about, note.strip()]
    path = Path(folder) / DIARY
    if not path.parent.is_dir():
        raise SheetError(
            f'there is no folder "{folder}", so nothing was written. Name the folder of a round or '
            "a project; trials new makes one."
        )
    with one_step(path.parent):
        before = _whole_diary(path)
        there = before[list(_COLUMNS[1:])].itertuples(index=False, name=None)
        if once and tuple(row[1:]) in set(there):
            return path
        new = pd.DataFrame([dict(zip(_COLUMNS, row, strict=True))], dtype=object)
        table = pd.concat([before, new], ignore_index=True).reindex(columns=before.columns)
        return write_csv(table, path)


def _check_known(
    folder: Path, here: Place, bake: str, about: str, bakes: Sequence[str] = ()
) -> None:
    """Refuse a bake or a measure that the round of the folder, if it holds one, does not have."""
    if not bake and not about:
        return
    round_ = Round.open(folder) if (folder / SETTINGS).is_file() else None
    known = bakes or (() if round_ is None else tuple(round_.plan.table["bake"]))
    if bake and known and bake not in known:
        raise SheetError(f'"{bake}" is no bake of this round.', here)
    measures = () if round_ is None else tuple(one.name for one in round_.measures)
    if about and measures and about not in measures:
        raise SheetError(
            f'"{about}" is nothing that this round scores; expected {in_words(measures, "or")}.',
            here,
        )


def read_diary(
    folder: str | Path,
    *,
    day: int | None = None,
    bake: str | None = None,
    about: str | None = None,
) -> pd.DataFrame:
    """Return the notes of a folder's diary, oldest first."""
    table = _whole_diary(Path(folder) / DIARY)[list(_COLUMNS)].reset_index(drop=True)
    if day is not None:
        table = table[table["day"] == str(day)]
    if bake is not None:
        table = table[table["bake"] == bake]
    if about is not None:
        table = table[table[ABOUT] == about]
    return table.reset_index(drop=True)


def _whole_diary(path: Path) -> pd.DataFrame:
    """Return the diary with the columns that somebody added."""
    if not path.is_file():
        return pd.DataFrame(columns=list(_COLUMNS), dtype=object)
    table = read_csv(path)
    if ABOUT not in table and "note" in table:
        table.insert(table.columns.get_loc("note"), ABOUT, "")
    missing = [name for name in _COLUMNS if name not in table]
    if missing:
        raise SheetError(f'no column "{missing[0]}".', Place(DIARY))
    return table


def diary_lines(notes: pd.DataFrame) -> list[tuple[str, str]]:
    """Return when and of what each note was written, and what it says.

    Examples
    --------
    >>> note = pd.DataFrame([["2026-05-07 14:30", "2", "", "", "too hot"]], columns=[*_COLUMNS])
    >>> diary_lines(note)
    [('2026-05-07 14:30, day 2', 'too hot')]
    """
    lines = []
    for one in notes.itertuples(index=False):
        where = [one.time, f"day {one.day}" if one.day else "", one.bake, one.about]
        lines.append((", ".join(part for part in where if part), str(one.note)))
    return lines


# -- Photos of bakes: kept small, upright and without where they were taken.


PHOTOS = "photos"
LONGEST_SIDE = 1600  # pixels; fills a screen and a page
LARGEST_PHOTO = 50_000_000  # bytes
MOST_PIXELS = 120_000_000
_QUALITY = 85
_READ = ("JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF")


@checked_types(SheetError)
def add_photo(round_: Round | str | Path, bake: str, path: str | Path) -> Path:
    """Copy a photo of a bake into the round's folder.

    Parameters
    ----------
    round_ : Round, or its folder
    bake : str
    path : str or Path
        The photo as the camera or phone made it; it is left as it is.

    Returns
    -------
    Path
        `photos/B03-1.jpg`, `photos/B03-2.jpg` and so on: at most 1600 pixels a side, upright, and
        with nothing in it but the picture (no place, no camera, no time).

    Raises
    ------
    SheetError
        When the bake is none of the round's, or the file is no photo that can be read.
    """
    round_ = opened(round_)
    path = Path(path)
    if bake not in set(round_.plan.table["bake"]):
        raise SheetError(f'"{bake}" is no bake of this round.', Place(path.name))
    content = _small(path)
    with writing(round_.folder):
        taken = [_number(photo) for photo in photos(round_, bake)]
        name = f"{bake}-{max(taken, default=0) + 1}.jpg"
        return write_bytes(round_.folder / PHOTOS / name, content)


def photos(round_: Round, bake: str) -> list[Path]:
    """Return the kept photos of a bake, in the order they came."""
    folder = round_.folder / PHOTOS
    named = re.compile(rf"{re.escape(bake)}-\d+\.jpg")
    found = folder.iterdir() if folder.is_dir() else ()
    return sorted((one for one in found if named.fullmatch(one.name)), key=_number)


def _number(photo: Path) -> int:
    return int(photo.stem.rpartition("-")[2])


def _small(path: Path) -> bytes:
    here = Place(path.name)
    if not path.is_file():
        raise SheetError("there is no such file.", here)
    if path.stat().st_size > LARGEST_PHOTO:
        raise SheetError("the photo has over 50 MB; save it smaller and try again.", here)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # our own limit on pixels is the stricter one
            with Image.open(path, formats=_READ) as found:
                if found.width * found.height > MOST_PIXELS:
                    raise SheetError("the photo has too many pixels; save it smaller.", here)
                picture = _upright(found)
    except UnidentifiedImageError:
        raise SheetError(
            "this is no photo that can be read. Save it as JPEG or PNG and try again (phones may "
            'call that "most compatible").',
            here,
        ) from None
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise SheetError(f"the photo is damaged ({type(error).__name__}).", here) from None
    content = BytesIO()
    picture.save(content, "JPEG", quality=_QUALITY, optimize=True)
    return content.getvalue()


def _upright(found: Image.Image) -> Image.Image:
    found.draft("RGB", (2 * LONGEST_SIDE, 2 * LONGEST_SIDE))
    turned = ImageOps.exif_transpose(found).convert("RGBA")
    turned.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    # On a fresh sheet: whatever else the file carried stays behind
    sheet = Image.new("RGB", turned.size, "white")
    sheet.paste(turned, mask=turned.getchannel("A"))
    return sheet
