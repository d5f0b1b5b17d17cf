"""Every file that was read is kept as it came, and which of them the scores were made of.

`received/readings.csv` lists each reading: when, which files, and the kept copy of each. The last
reading is what the scores are, and they can be made again from the kept copies alone.
"""

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from trials.errors import Place, SheetError
from trials.rounds.folder import received
from trials.rounds.opening import LARGEST_FILE
from trials.rounds.round import Round
from trials.rounds.sources import Source
from trials.tables import read_csv, write_csv

READINGS = "readings.csv"
_COLUMNS = ("reading", "time", "file", "expected", "whole", "kept")


def keep(round_: Round, files: Iterable[Source]) -> list[Source]:
    """Keep the files under `received/` and return them as kept; absurdly large ones are left."""
    return [
        Source(received(round_.folder, file.path), file.shown, file.expected, file.whole)
        for file in files
        if file.path.is_file() and file.path.stat().st_size <= LARGEST_FILE
    ]


def record_reading(round_: Round, kept: Iterable[Source]) -> Path:
    """Write down that these kept files are what the scores were made of.

    The same files read again are not written down again.
    """
    path = round_.folder / "received" / READINGS
    before = _readings(path)
    rows = pd.DataFrame(
        [
            [file.shown, file.expected, "yes" if file.whole else "no", file.path.name]
            for file in kept
        ],
        columns=["file", "expected", "whole", "kept"],
    ).sort_values("file", ignore_index=True)
    last = before[before["reading"] == before["reading"].max()]
    if len(last) and last[list(rows.columns)].reset_index(drop=True).equals(rows):
        return path
    number = int(before["reading"].max()) + 1 if len(before) else 1
    time = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = rows.assign(reading=number, time=time)[list(_COLUMNS)]
    return write_csv(pd.concat([before, rows], ignore_index=True) if len(before) else rows, path)


def last_reading(round_: Round) -> list[Source]:
    """Return the kept files of the last reading.

    Raises
    ------
    SheetError
        When nothing was read so far, or a kept file is missing or was changed.
    """
    path = round_.folder / "received" / READINGS
    readings = _readings(path)
    if readings.empty:
        raise SheetError("no scores were read so far.", Place(f"received/{READINGS}"))
    last = readings[readings["reading"] == readings["reading"].max()]
    return [
        Source(_unchanged(path.parent / row.kept), row.file, row.expected, row.whole == "yes")
        for row in last.itertuples(index=False)
    ]


def _readings(path: Path) -> pd.DataFrame:
    if not path.is_file():
        return pd.DataFrame(columns=list(_COLUMNS))
    return read_csv(path).astype({"reading": int}).reset_index(drop=True)


def _unchanged(path: Path) -> Path:
    here = Place(f"received/{path.name}")
    if not path.is_file():
        raise SheetError("this kept file is missing.", here)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    if not path.name.split("-")[1:2] == [digest[:16]]:
        raise SheetError("this kept file was changed after it was kept.", here)
    return path
