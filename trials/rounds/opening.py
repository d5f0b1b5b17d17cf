"""Looking a file over before it is opened: its size, its kind, and what hides inside.

A workbook is a zip archive of XML; one that was cut short, carries macros, swells to gigabytes
or defines XML entities is refused here, before any reader touches it.
"""

import functools
import math
import re
import zipfile
import zlib
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree

from trials.errors import Place, SheetError

LARGEST_FILE = 20_000_000  # bytes; a round's workbook is under one hundred thousand
LARGEST_XML = 20_000_000  # bytes of XML once unpacked, all parts together
MOST_TAGS = 250_000  # of one part; the largest form has some seventy thousand
MOST_PARTS = 500
MOST_ROWS = 2_000  # a round has at most 504 codes
MOST_COLUMNS = 200
MOST_CELLS = 100_000  # of one merged area
MOST_LINES = 100_000  # of a plain table; notes may hold line breaks
_CORNERS = re.compile(r"([A-Z]{1,3})([0-9]{1,7})(?::([A-Z]{1,3})([0-9]{1,7}))?")
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
_XML = (".xml", ".rels", ".vml")
_SAVE_AGAIN = "Save it again as a workbook (.xlsx) or as CSV, and read again."


def looked_over(path: Path, shown: str) -> bytes:
    """Return the content of a workbook that is safe to open.

    Parameters
    ----------
    path : Path
        The file.
    shown : str
        What the person calls it.

    Raises
    ------
    SheetError
        When it is missing, too large, no workbook, cut short, protected by a password, carries
        macros, or would swell when unpacked.
    """
    here = Place(shown)
    if not path.is_file():
        raise SheetError("there is no such file.", here)
    if path.stat().st_size > LARGEST_FILE:
        raise SheetError(
            f"the file has {path.stat().st_size // 1_000_000} MB, too large for a score sheet. "
            "Copy the entries into the workbook as it was given out; this file was not read.",
            here,
        )
    content = path.read_bytes()
    if content.startswith(_OLD_WORKBOOK):
        raise SheetError(
            f"the file has a password or the format of an old spreadsheet. {_SAVE_AGAIN}", here
        )
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            _check_parts(archive, here)
    except SheetError:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError):
        raise _damaged(here) from None
    return content


def _damaged(here: Place) -> SheetError:
    return SheetError(
        "this is not a workbook, or it is damaged or was cut short. "
        "Fetch the file once more or save it again; nothing of it was read.",
        here,
    )


def _check_parts(archive: zipfile.ZipFile, here: Place) -> None:
    parts = archive.infolist()
    names = {part.filename for part in parts}
    if "[Content_Types].xml" not in names or len(names) < len(parts):
        raise zipfile.BadZipFile
    if any(part.flag_bits & 1 for part in parts):
        raise SheetError(f"the file is protected by a password. {_SAVE_AGAIN}", here)
    if any(name.casefold().endswith("vbaproject.bin") for name in names):
        raise SheetError(
            f"the workbook carries macros, which are never opened. {_SAVE_AGAIN}", here
        )
    xml = [part for part in parts if part.filename.casefold().endswith(_XML)]
    if len(parts) > MOST_PARTS or sum(part.file_size for part in xml) > LARGEST_XML:
        raise _swollen(here)
    for part in xml:
        content = archive.read(part)
        _check_xml(content, here)
        _check_areas(content, here)


def _swollen(here: Place) -> SheetError:
    return SheetError(
        "the workbook unpacks to far more than a score sheet holds (perhaps a million empty "
        "rows). Copy the entries into the workbook as it was given out; nothing was read.",
        here,
    )


def _check_xml(content: bytes, here: Place) -> None:
    plain = content.replace(b"\x00", b"")  # also finds it in UTF-16
    if b"<!DOCTYPE" in plain or b"<!ENTITY" in plain:
        raise SheetError(
            f"the workbook defines XML entities, which no spreadsheet writes. {_SAVE_AGAIN}", here
        )
    if plain.count(b"<") > MOST_TAGS:
        raise _swollen(here)


def _check_areas(content: bytes, here: Place) -> None:
    """Refuse merged cells and links over areas so large that listing their cells never ends."""
    if not any(mark in content.replace(b"\x00", b"") for mark in (b"mergeCell", b"hyperlink")):
        return
    try:
        for _, element in ElementTree.iterparse(BytesIO(content)):
            name = element.tag.rpartition("}")[2]
            if name in ("mergeCell", "hyperlink") and _cells(element.get("ref", "")) > MOST_CELLS:
                raise SheetError(
                    f"the cells {element.get('ref')} are one area, far larger than a form. "
                    "Undo the merging or the link, save, and read again; nothing was read.",
                    here,
                )
            element.clear()
    except ElementTree.ParseError:
        raise _damaged(here) from None


def _cells(area: str) -> float:
    """Return how many cells an area has; whole columns and what is no area are endless."""
    corners = _CORNERS.fullmatch(area.replace("$", ""))
    if not corners:
        return math.inf
    left, top, right, bottom = (corner or "" for corner in corners.groups())
    if not right:
        return 1
    high = abs(int(bottom) - int(top)) + 1
    return high * (abs(_column(right) - _column(left)) + 1)


def _column(letters: str) -> int:
    return functools.reduce(lambda sum_, letter: 26 * sum_ + ord(letter) - 64, letters, 0)


def check_lines(path: Path, shown: str) -> None:
    """Refuse a plain table with far more lines than any form has.

    Raises
    ------
    SheetError
    """
    if not path.is_file() or path.stat().st_size > LARGEST_FILE:
        return  # said by whoever reads it
    content = path.read_bytes()
    lines = max(content.count(b"\n"), content.count(b"\r"))
    if lines > MOST_LINES:
        raise SheetError(
            f"the file has {lines} lines, far more than a form. Delete the empty lines below "
            "the entries and read again; nothing was read.",
            Place(shown),
        )


def check_extent(rows: int, columns: int, place: Place) -> None:
    """Refuse a sheet that reaches far beyond any form.

    Raises
    ------
    SheetError

    Examples
    --------
    >>> check_extent(65, 12, Place("tastings.xlsx", "Tastings"))
    """
    if rows > MOST_ROWS or columns > MOST_COLUMNS:
        raise SheetError(
            f"the sheet reaches to row {rows} and column {columns}; a form has at most "
            f"{MOST_ROWS} rows and {MOST_COLUMNS} columns. Delete the empty rows and columns "
            "below and beside the form, save, and read again; nothing was read.",
            place,
        )
