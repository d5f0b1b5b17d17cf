"""Answers that a taster sent: looked over, and put into `incoming/` once and whole."""

import csv
import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from trials.rounds.sources import INCOMING
from trials.tables import plain_cell, write_bytes
from trials.tasting.phone_ballot import ballot_file

LARGEST_ANSWERS = 300_000  # bytes; some forty pieces with a thousand letters each
MOST_FILES = 60  # of one taster: nobody sends more often


@dataclass(frozen=True)
class Expected:
    """What one taster's answers must be.

    Parameters
    ----------
    taster : str
    columns : tuple of str
    marks : frozenset of str
        Of the round, older ones too; any of them will do.
    codes : frozenset of str
        What this taster is served.
    """

    taster: str
    columns: tuple[str, ...]
    marks: frozenset[str]
    codes: frozenset[str] = field(repr=False)


def refusal(content: bytes, expected: Expected) -> str:
    """Return why answers are not taken, in a sentence; empty when they are.

    Only what could do harm is refused here: a score that is off its scale is kept and asked
    about when the scores are read.

    Examples
    --------
    >>> columns, codes = ("taster", "code", "liking", "round"), frozenset({"583"})
    >>> ida = Expected("Ida", columns, frozenset({"rbcd"}), codes)
    >>> refusal(b"taster,code,liking,round\\nIda,583,7,rbcd\\n", ida)
    ''
    >>> refusal(b"taster,code,liking,round\\nBo,583,7,rbcd\\n", ida)
    'These answers are not of Ida. Nothing was kept.'
    """
    if len(content) > LARGEST_ANSWERS:
        return "These answers are too long. Shorten the words and send them again."
    try:
        text = content.decode("utf-8")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error):
        return "These answers can not be read. Nothing was kept."
    if "\x00" in text or not rows or [plain_cell(name) for name in rows[0]] != [*expected.columns]:
        return "This is no ballot of this round. Nothing was kept."
    return _refused_rows([[plain_cell(cell) for cell in row] for row in rows[1:]], expected)


def _refused_rows(rows: Sequence[Sequence[str]], expected: Expected) -> str:
    at = {name: expected.columns.index(name) for name in ("taster", "code", "round")}
    if not rows or any(len(row) != len(expected.columns) for row in rows):
        return "These answers were cut short. Send them again."
    if any(row[at["round"]] not in expected.marks for row in rows):
        return "This ballot is of another round. Ask the cook for the new one."
    if any(row[at["taster"]] != expected.taster for row in rows):
        return f"These answers are not of {expected.taster}. Nothing was kept."
    codes = [row[at["code"]] for row in rows]
    if len(set(codes)) < len(codes) or not set(codes) <= expected.codes:
        return "These codes are not the ones you were served. Nothing was kept."
    return ""


def store(folder: Path, content: bytes, taster: str) -> Path | None:
    """Write answers into the round's `incoming/`: whole or not at all, never over others.

    Parameters
    ----------
    folder : Path
        The round's.
    content : bytes
    taster : str

    Returns
    -------
    Path or None
        The file, named by its content, so that the same answers sent twice are kept once; None
        when this taster sent too often.
    """
    stem = ballot_file(taster, "csv").removesuffix(".csv")
    digest = hashlib.sha256(content).hexdigest()
    whose = hashlib.sha256(taster.encode()).hexdigest()[:8]  # names may differ by a sign only
    path = folder / INCOMING / f"{stem}-{whose}-{digest[:16]}.csv"
    if path.is_file():
        return path
    if len(list(path.parent.glob(f"*-{whose}-*.csv"))) >= MOST_FILES:
        return None
    return write_bytes(path, content)
