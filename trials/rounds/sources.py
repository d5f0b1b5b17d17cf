"""Where scores come from: the round's own sheets and what people dropped into `incoming/`."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from trials.errors import Place, SheetError
from trials.rounds.cells import Grid, Note
from trials.rounds.entries import Reading
from trials.rounds.forms import BAKES, TASTINGS, Form
from trials.rounds.opening import check_lines
from trials.rounds.reading import holds_entries, kind_of, read_grid, table_grid
from trials.rounds.round import Round
from trials.rounds.workbook import read_workbook
from trials.tables import read_csv

INCOMING = "incoming"
PASTED = ".txt"  # a ballot that was sent as text and put into a file
OTHER_SHEETS = (".xls", ".xlsm", ".xlsb", ".xltx", ".xltm", ".ods", ".fods", ".tsv", ".numbers")
WHOSE = {BAKES: "the cook's sheet", TASTINGS: "the tasters' sheet"}


@dataclass(frozen=True)
class Source:
    """One file to read.

    Parameters
    ----------
    path : Path
    shown : str
        What messages call it.
    expected : str
        "bakes" or "tastings" when the file may be only that.
    whole : bool
        Whether every row of the form must be in it.
    """

    path: Path
    shown: str
    expected: str = ""
    whole: bool = False


def sources(round_: Round) -> list[Source]:
    """Return the files of a round that may hold entries, those of `incoming/` last."""
    found = [
        Source(round_.folder / name, name, kind, whole=True)
        for kind in (BAKES, TASTINGS)
        for name in (f"{kind}.xlsx", f"{kind}.csv")
        if (round_.folder / name).is_file()
    ]
    folder = round_.folder / INCOMING
    dropped = sorted(folder.iterdir()) if folder.is_dir() else []
    found += [
        Source(path, f"{INCOMING}/{path.name}")
        for path in dropped
        # A spreadsheet keeps a locked shadow of a file that is open.
        if path.is_file() and not path.name.startswith((".", "~$"))
    ]
    return found


def read_source(source: Source, forms: Mapping[str, Form]) -> tuple[Reading, bool]:
    """Return what a file holds, and whether anything was entered in it.

    A file that can not be read is a problem of its own; the other files are read all the same.
    """
    reading, here = Reading(), Place(source.shown)
    suffix = source.path.suffix.casefold()
    if suffix == PASTED and not _is_ballot(source.path):
        reading.note(here, "this text is no ballot, and was not read.")
        return reading, True
    if suffix not in (".xlsx", ".csv", PASTED, *OTHER_SHEETS):
        reading.note(here, "this is neither a workbook nor CSV, and was not read.")
        return reading, True
    try:
        grid = _opened(source, suffix)
    except SheetError as error:
        place = error.place or here
        place = Place(source.shown, place.sheet, place.row, place.column)
        mend = "The other files were read."
        reading.refuse(place, error.message.rstrip("."), "", mend)
        return reading, True
    kind = kind_of(grid)
    if kind not in forms:
        _refuse_kind(source, grid, kind, reading)
        return reading, True
    if source.expected and kind != source.expected:
        reading.refuse(
            grid.place(),
            f"this is {WHOSE[kind]}",
            WHOSE[source.expected],
            f"Put the right file here; {WHOSE[kind]} belongs into {kind}{suffix}.",
        )
        return reading, True
    return read_grid(grid, forms[kind], whole=source.whole), holds_entries(grid, forms[kind])


def _is_ballot(path: Path) -> bool:
    """Say whether a text that was pasted into a file holds the head of a ballot early on."""
    with path.open("rb") as file:
        return b"taster," in file.read(500)


def _opened(source: Source, suffix: str) -> Grid:
    if suffix in (".csv", PASTED):
        check_lines(source.path, source.shown)
        grid = table_grid(source.shown, read_csv(source.path))
        return replace(grid, notes=_letters_guessed(source))
    if suffix in OTHER_SHEETS:
        raise SheetError(
            f"files that end in {suffix} are not opened. Save it as a workbook (.xlsx) without "
            "macros or as CSV, and read again.",
            Place(source.shown),
        )
    return read_workbook(source.path, source.shown, source.expected)


def _letters_guessed(source: Source) -> tuple[Note, ...]:
    try:
        source.path.read_bytes().decode("utf-8")
    except UnicodeDecodeError:
        said = "not saved as UTF-8; its letters were read as Windows-1252. Look at names and notes."
        return (Note(Place(source.shown), said),)
    return ()


def _refuse_kind(source: Source, grid: Grid, kind: str, reading: Reading) -> None:
    if kind:
        mend = "Take it out of the folder, or write the sheets anew."
        reading.refuse(grid.place(), "nothing is tasted in this round", "", mend)
    else:
        reading.refuse(
            grid.place(1),
            "this is neither the cook's nor the tasters' sheet",
            'the column "bake", or the columns "taster" and "code"',
            "Give the columns their names back and read again; nothing of it was read.",
        )
