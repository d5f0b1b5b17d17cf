"""Two thousand score sheets damaged at random: no crash, no silent change, always a place.

Run by ``python -m tests.benchmarks.damaged_sheets``; writes results/damaged_sheets.md. All
scores are invented. A value that was not there before may only be read when the damaged file
itself spells it out; a value that was there may only be missing when something is said.
"""

import datetime
import io
import sys
import tempfile
import zipfile
from collections import Counter
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd

from tests.rounds.ginger_round import make_round, serving, tidy_scores
from trials.base.files import write_csv
from trials.rounds.forms import cook_form, tasting_form
from trials.rounds.gathering import Source, read_source
from trials.rounds.reading import exact
from trials.rounds.scores import record_scores
from trials.rounds.workbook import entries_of, filled

FILES = 2_000
SEED = 20260507
RESULT = Path(__file__).parent / "results" / "damaged_sheets.md"
ODD = [
    "n/a", "seven", "7½", "7,5", " 8 ", "=1+1", "#N/A", True, False, 11, -1, 99, 2.5, "1,250",
    datetime.datetime(2026, 5, 7), datetime.time(7, 5), datetime.date(2026, 1, 7), "75%", "'",
    "😀", "x" * 40_000, "1e400", "NaN", "inf", "٧", "=cmd|'/C calc'!A0", "<b>7</b>", "7;8", "\t7",
]  # fmt: skip


# Damage to bytes, of any file


def cut_short(raw, rng):
    return raw[: rng.integers(len(raw))]


def flip_bytes(raw, rng):
    found = bytearray(raw)
    for at in rng.integers(len(raw), size=rng.integers(1, 20)):
        found[at] = rng.integers(256)
    return bytes(found)


def drop_a_slice(raw, rng):
    start = rng.integers(len(raw))
    return raw[:start] + raw[start + rng.integers(1, 200) :]


def repeat_a_slice(raw, rng):
    start = rng.integers(len(raw))
    end = start + rng.integers(1, 200)
    return raw[:end] + raw[start:end] + raw[end:]


def noise(raw, rng):
    return rng.bytes(rng.integers(1, 2_000))


def of_another_kind(raw, rng):
    return [b"", b"\x00" * 100, b"%PDF-1.7\n", b"\xd0\xcf\x11\xe0" + b"\x00" * 999, b"{}"][
        rng.integers(5)
    ]


BYTES = (cut_short, flip_bytes, drop_a_slice, repeat_a_slice, noise, of_another_kind)


# Damage to the XML of a workbook, the archive around it being whole


def spoil_a_part(raw, rng):
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    name = sorted(parts)[rng.integers(len(parts))]
    spoil = (cut_short, flip_bytes, drop_a_slice, repeat_a_slice, noise)[rng.integers(5)]
    if rng.random() < 0.1:
        del parts[name]
    else:
        parts[name] = spoil(parts[name], rng)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


# Damage that a person does in a spreadsheet


def odd_entry(sheet, rng):
    row, column = rng.integers(2, sheet.max_row + 1), rng.integers(1, sheet.max_column + 1)
    sheet.cell(row=int(row), column=int(column)).value = ODD[rng.integers(len(ODD))]


def lose_a_row(sheet, rng):
    sheet.delete_rows(int(rng.integers(2, sheet.max_row + 1)))


def lose_a_column(sheet, rng):
    sheet.delete_cols(int(rng.integers(1, sheet.max_column + 1)))


def copy_a_row(sheet, rng):
    sheet.append([one.value for one in sheet[int(rng.integers(2, sheet.max_row + 1))]])


def add_totals(sheet, rng):
    sheet.append([None] * int(rng.integers(0, sheet.max_column)) + ["=SUM(E2:E9)"])


def push_a_column_in(sheet, rng):
    at = int(rng.integers(1, sheet.max_column + 1))
    sheet.insert_cols(at)
    sheet.cell(row=1 if rng.random() < 0.5 else 3, column=at).value = "mine"


def rename_a_title(sheet, rng):
    at = int(rng.integers(1, sheet.max_column + 1))
    sheet.cell(row=1, column=at).value = ["Crisp", "", "bake", "liking", 7][rng.integers(5)]


def merge_cells(sheet, rng):
    row, column = int(rng.integers(1, 8)), int(rng.integers(1, sheet.max_column))
    sheet.merge_cells(start_row=row, end_row=row + 2, start_column=column, end_column=column + 1)


def rename_the_sheet(sheet, rng):
    sheet.title = ["Sheet1", "tastings (2)", "x"][rng.integers(3)]


def shift_a_column(sheet, rng):
    """One cell too many at the top of a column pushes the ids down by one."""
    column = int(rng.integers(1, 5))
    values = [sheet.cell(row=row, column=column).value for row in range(2, sheet.max_row + 1)]
    for row, value in enumerate(values, start=3):
        sheet.cell(row=row, column=column).value = value


SHEET = (
    odd_entry, odd_entry, odd_entry, lose_a_row, lose_a_column, copy_a_row, add_totals,
    push_a_column_in, rename_a_title, merge_cells, rename_the_sheet, shift_a_column,
)  # fmt: skip


def in_a_spreadsheet(damage):
    def damaged(raw, rng):
        book = openpyxl.load_workbook(io.BytesIO(raw))
        damage(book.worksheets[0], rng)
        out = io.BytesIO()
        book.save(out)
        return out.getvalue()

    damaged.__name__ = damage.__name__
    return damaged


# Damage to the lines of a plain table


def lines_of(raw):
    return raw.decode("utf-8").splitlines()


def joined(lines):
    return ("\n".join(lines) + "\n").encode("utf-8")


def lose_a_line(raw, rng):
    lines = lines_of(raw)
    del lines[rng.integers(len(lines))]
    return joined(lines)


def copy_a_line(raw, rng):
    lines = lines_of(raw)
    lines.insert(rng.integers(len(lines)), lines[rng.integers(1, len(lines))])
    return joined(lines)


def join_two_lines(raw, rng):
    lines = lines_of(raw)
    at = rng.integers(len(lines) - 1)
    return joined([*lines[:at], lines[at] + lines[at + 1], *lines[at + 2 :]])


def lose_a_comma(raw, rng):
    lines = lines_of(raw)
    at = rng.integers(len(lines))
    places = [place for place, mark in enumerate(lines[at]) if mark == ","]
    place = places[rng.integers(len(places))]
    lines[at] = lines[at][:place] + lines[at][place + 1 :]
    return joined(lines)


def open_a_quote(raw, rng):
    text = raw.decode("utf-8")
    at = rng.integers(len(text))
    return (text[:at] + '"' + text[at:]).encode("utf-8")


def odd_cell(raw, rng):
    lines = lines_of(raw)
    at = rng.integers(1, len(lines))
    cells = lines[at].split(",")
    cells[rng.integers(len(cells))] = str(ODD[rng.integers(len(ODD))]).replace(",", ".")
    lines[at] = ",".join(cells)
    return joined(lines)


def in_utf_16(raw, rng):
    return raw.decode("utf-8").encode("utf-16")


LINES = (
    lose_a_line, copy_a_line, join_two_lines, lose_a_comma, open_a_quote, odd_cell, odd_cell,
    in_utf_16,
)  # fmt: skip


def spelled_out(raw, suffix):
    """All text of a damaged file, in which a value that was read must stand."""
    if suffix == ".csv":
        return raw.decode("utf-8", errors="replace")
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        texts = [
            archive.read(name).decode("utf-8", errors="replace") for name in archive.namelist()
        ]
    return "\n".join(texts)


def stands_there(value, text):
    # .667 is read as 0.667
    wanted = value if isinstance(value, str) else exact(value).removeprefix("0")
    return wanted in text or wanted.replace(".", ",") in text


def judge(reading, truth, raw, suffix):
    """Return what came of one damaged file, in a word."""
    said = [*reading.problems, *reading.notes]
    if any(not problem.place.file for problem in reading.problems):
        return "a problem without a place"
    found = {entry.address: entry.value for entry in reading.entries}
    lost = [address for address in truth if address not in found]
    changed = [address for address in found if found[address] != truth.get(address)]
    if lost and not said:
        return "silently lost"
    if changed:
        text = spelled_out(raw, suffix)
        noted = {(note.place.row, note.place.column) for note in reading.notes}
        unsaid = [
            entry
            for entry in reading.entries
            if entry.address in changed
            and (entry.place.row, entry.place.column) not in noted
            and not (isinstance(entry.value, str) and (None, "") in noted)  # letters were guessed
        ]
        if not all(stands_there(entry.value, text) for entry in unsaid):
            return "silently changed"
        if not said:
            return "read as it stands there"
    if reading.problems:
        return "problems, the rest read" if found else "refused whole"
    return "read with a note" if reading.notes else "read, nothing harmed"


def main():
    rng = np.random.default_rng(SEED)
    home = Path(tempfile.mkdtemp())
    round_ = make_round(home / "ginger snap")
    # Three decimals: the library that spoils the sheets writes no more than sixteen digits.
    record_scores(round_, tidy_scores().round(3))
    forms = {"bakes": cook_form(round_), "tastings": tasting_form(round_, serving())}
    given = {}
    for kind, form in forms.items():
        book = round_.folder / f"{kind}.xlsx"
        truth = entries_of(form, book)
        twin = write_csv(filled(form, truth), round_.folder / f"{kind}.csv")
        given |= {book.name: (book.read_bytes(), truth), twin.name: (twin.read_bytes(), truth)}
    books = (*BYTES, spoil_a_part, spoil_a_part, *map(in_a_spreadsheet, SHEET))
    damages = {".xlsx": books, ".csv": (*BYTES, *LINES)}
    outcomes, crashes, failures = Counter(), [], []
    for at in range(FILES):
        name = sorted(given)[at % len(given)]
        raw, truth = given[name]
        path = home / name
        choices = damages[path.suffix]
        damage = choices[(at // len(given)) % len(choices)]
        damaged = damage(raw, rng)
        path.write_bytes(damaged)
        source = Source(path, name, name.split(".")[0], whole=True)
        try:
            reading, _ = read_source(source, forms)
            outcome = judge(reading, truth, damaged, path.suffix)
        except Exception as error:
            outcome = "crashed"
            crashes.append(f"{at} {damage.__name__} {name}: {error!r}")
        outcomes[path.suffix[1:], damage.__name__.replace("_", " "), outcome] += 1
        if outcome in ("silently lost", "silently changed", "a problem without a place"):
            failures.append(f"{at} {damage.__name__} {name}: {outcome}")
            (home / f"failed-{at}-{name}").write_bytes(damaged)
    write_result(outcomes)
    print("\n".join([*crashes, *failures, str(home)]))
    return 1 if crashes or failures else 0


def write_result(outcomes):
    table = pd.Series(outcomes).unstack(fill_value=0)
    wanted = [
        "refused whole", "problems, the rest read", "read with a note", "read, nothing harmed",
        "read as it stands there", "silently lost", "silently changed",
        "a problem without a place", "crashed",
    ]  # fmt: skip
    table = table.reindex(columns=wanted, fill_value=0)
    lines = [
        "# Damaged score sheets",
        "",
        f"{FILES} sheets of an invented round, damaged at random (seed {SEED}), read one by one.",
        "`python -m tests.benchmarks.damaged_sheets`. *Read as it stands there*: the damage is "
        "itself a valid entry that the file spells out, as if it had been typed.",
        "",
        "| file | damage | " + " | ".join(wanted) + " |",
        "|---|---|" + "---:|" * len(wanted),
    ]
    lines += [
        f"| {file} | {damage} | " + " | ".join(map(str, row)) + " |"
        for (file, damage), row in zip(table.index, table.to_numpy(), strict=True)
    ]
    lines.append("| all | | " + " | ".join(map(str, table.sum())) + " |")
    RESULT.parent.mkdir(exist_ok=True)
    RESULT.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
