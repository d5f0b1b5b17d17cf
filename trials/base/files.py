"""Plain tables in and out; the only file that opens CSV.

Cells are read as the text that was typed, so that nothing is lost before it has been looked at
(``n/a``, ``007`` and ``7,5`` stay what they are); numbers are made of them by :func:`number`.
Files are written whole or not at all.
"""

import csv
import io
import math
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from trials.base.errors import Place, SheetError
from trials.base.keeping import put
from trials.base.words import is_number

# A spreadsheet runs a cell that starts with one of these as a formula.
_RUNS_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r")
LARGEST_TABLE = 20_000_000  # bytes; a round is some kilobytes


def write_bytes(path: str | Path, content: bytes) -> Path:
    """Write a file whole or not at all; one that holds these very bytes is left alone.

    Examples
    --------
    >>> import tempfile
    >>> write_bytes(Path(tempfile.mkdtemp()) / "note.txt", b"salt").read_bytes()
    b'salt'
    """
    return put(Path(path), content)


def write_text(path: str | Path, text: str) -> Path:
    """Write a text file whole or not at all, in UTF-8.

    Examples
    --------
    >>> import tempfile
    >>> write_text(Path(tempfile.mkdtemp()) / "note.txt", "salé").read_text("utf-8")
    'salé'
    """
    return write_bytes(path, text.encode("utf-8"))


def safe_cell(value: object) -> object:
    """Return the value, text being made harmless to a spreadsheet that would run it.

    Text that starts with a sign a spreadsheet takes for a formula gets an apostrophe in front;
    text that already starts with one gets another, so that :func:`plain_cell` gives back
    exactly what was typed. Numbers stay numbers.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("very crisp"), safe_cell(-3.5)
    ("'=1+1", 'very crisp', -3.5)
    """
    if (
        isinstance(value, str)
        and value.startswith((*_RUNS_AS_FORMULA, "'"))
        and not is_number(value)
    ):
        return "'" + value
    return value


def plain_cell(text: str) -> str:
    """Return what was typed, taking away the apostrophe that :func:`safe_cell` put in front.

    Examples
    --------
    >>> plain_cell("'=1+1"), plain_cell("'tis crisp")
    ('=1+1', "'tis crisp")
    """
    if text.startswith("'") and text[1:].startswith((*_RUNS_AS_FORMULA, "'")):
        return text[1:]
    return text


def write_csv(table: pd.DataFrame, path: str | Path) -> Path:
    """Write a table as CSV: commas, UTF-8, full precision, harmless to spreadsheets.

    Examples
    --------
    >>> import tempfile
    >>> table = pd.DataFrame({"bake": ["B01"], "note": ["=1+1"]})
    >>> write_csv(table, tempfile.mkdtemp() + "/t.csv").read_text()
    "bake,note\\nB01,'=1+1\\n"
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([safe_cell(str(name)) for name in table.columns])
    for row in table.itertuples(index=False, name=None):
        writer.writerow([_written(value) for value in row])
    return write_text(path, text.getvalue())


def _written(value: object) -> object:
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    if isinstance(value, float):
        return repr(float(value))
    return safe_cell(value)


def read_csv(path: str | Path, needed: Iterable[str] = ()) -> pd.DataFrame:
    """Read a CSV as the text that was typed, whichever separator a spreadsheet chose.

    A table that lacks one of the columns needed is refused.
    """
    path = Path(path)
    here = Place(path.name)
    rows = _rows(_decoded(path, here), here)
    if not rows:
        raise SheetError("the file is empty; a header row was expected.", here)
    header = [plain_cell(name.strip()) for name in rows[0][1]]
    _check_header(header, here)
    body, numbers = [], []
    for number_, cells in rows[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(header) :]):
            where = Place(path.name, row=number_)
            raise SheetError(
                f"{len(cells)} cells, but the header names {len(header)} columns. "
                "Put text that holds the separator in double quotes.",
                where,
            )
        cells = [plain_cell(cell.strip()) for cell in cells[: len(header)]]
        body.append(cells + [""] * (len(header) - len(cells)))
        numbers.append(number_)
    missing = [name for name in needed if name not in header]
    if missing:
        raise SheetError(f'no column "{missing[0]}".', here)
    return pd.DataFrame(body, columns=header, index=pd.Index(numbers), dtype=object)


def _decoded(path: Path, here: Place) -> str:
    if not path.is_file():
        folder = "this folder" if path.parent == Path() else str(path.parent)
        raise SheetError(f"there is no such file in {folder}.", here)
    if path.stat().st_size > LARGEST_TABLE:
        raise SheetError("the file is over 20 MB, too large for a round's table.", here)
    raw = path.read_bytes()
    if b"\x00" in raw:
        raise SheetError("this is not a plain table (CSV); save it as CSV and try again.", here)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _rows(text: str, here: Place) -> list[tuple[int, list[str]]]:
    header = text.split("\n", 1)[0]
    separator = max(",;\t", key=header.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    rows, start = [], 1
    try:
        for cells in reader:
            rows.append((start, cells))
            start = reader.line_num + 1
    except csv.Error as error:
        raise SheetError(f"this is not a plain table: {error}.", here) from None
    return rows


def _check_header(header: list[str], here: Place) -> None:
    seen: set[str] = set()
    for name in header:
        if name and name in seen:
            raise SheetError(f'the column "{name}" appears twice; each name may appear once.', here)
        seen.add(name)
