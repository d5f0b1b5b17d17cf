"""The score workbook: drawn with one library, read cell by cell with another.

The only file that knows what a workbook looks like inside. Nothing in a tasters' workbook gives
a bake away: no setting, no bake, no day, neither in hidden sheets nor in the file's properties.
"""

import math
import warnings
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import xlsxwriter

from trials.errors import Place, SheetError
from trials.rounds.cells import EMPTY, Cell, Grid, Note, cell_of
from trials.rounds.entries import LONGEST_TEXT, Address, Value
from trials.rounds.folder import received
from trials.rounds.forms import BAKES, LEFT, ROUND, TASTINGS, Column, Form, cook_form, tasting_form
from trials.rounds.layout import (
    CAUTIONS,
    GUIDE_WIDTHS,
    LINE_HEIGHT,
    NOT_NEEDED,
    ROW_HEIGHT,
    Row,
    SpelledOut,
    colours,
    column_letters,
    count_formula,
    count_left,
    filled,
    guarded,
    guide,
    guide_lines,
    holds_numbers,
    text_lines,
    title_lines,
    width,
    without_score,
    written_value,
)
from trials.rounds.opening import check_extent, looked_over
from trials.rounds.reading import holds_entries, read_grid, table_grid
from trials.rounds.round import Round
from trials.tables import read_csv, write_bytes, write_csv

FORM_VERSION = 1
SCHEMA, GUIDE = "_schema", "Guide"
_CREATED = datetime(2000, 1, 1)  # fixed, so that the same form is the same file
_PAGE_WIDTH = 125  # characters across one landscape page that still reads well


@dataclass(frozen=True, eq=False)
class _Looks:
    """The formats of a book, made once."""

    title: Any
    given: Any
    number: Any
    text: Any
    missing: Any
    not_needed: Any
    guide: Any


def draw_workbook(
    form: Form, values: Mapping[Address, Value], closed: Collection[Row] = frozenset()
) -> bytes:
    """Return the workbook of a form as a file's content; the same form gives the same bytes.

    Parameters
    ----------
    form : Form
    values : mapping
        What is already entered, by form, row and column.
    closed : collection of row keys
        Rows of the tasters' form that need no score; see :func:`without_score`.

    Raises
    ------
    SheetError
        When a text is longer than a cell can hold.
    """
    content = BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(content, options) as book:
        book.set_properties({"title": form.sheet, "author": "", "created": _CREATED})
        looks = _looks(book)
        sheet = book.add_worksheet(form.sheet)
        _draw_rows(sheet, form, values, looks)
        _draw_count(sheet, form, values, closed, looks)
        if len(form.blank):
            _guard(sheet, form)
            _colour_empty(sheet, form, closed, looks)
        _set_up_page(sheet, form)
        _draw_guide(book.add_worksheet(GUIDE), form, looks)
        schema = book.add_worksheet(SCHEMA)
        for row, pair in enumerate(
            (("form", form.kind), ("round", form.round_id), ("version", str(FORM_VERSION)))
        ):
            schema.write_string(row, 0, pair[0])
            schema.write_string(row, 1, pair[1])
        schema.very_hidden()
    return content.getvalue()


def _looks(book: Any) -> _Looks:
    edge = {"border": 1, "border_color": "#7F7F7F", "valign": "vcenter"}
    return _Looks(
        title=book.add_format(
            {**edge, "bold": True, "text_wrap": True, "bg_color": "#E3E3E3", "quote_prefix": True}
        ),
        given=book.add_format(
            {**edge, "bg_color": "#F2F2F2", "align": "center", "quote_prefix": True}
        ),
        number=book.add_format({**edge, "locked": False, "align": "center"}),
        text=book.add_format(
            {**edge, "locked": False, "num_format": "@", "text_wrap": True, "quote_prefix": True}
        ),
        missing=book.add_format({"bg_color": "#FFE9A8"}),
        not_needed=book.add_format({"bg_color": "#BFBFBF"}),
        guide=book.add_format({"text_wrap": True, "valign": "top"}),
    )


def _draw_rows(sheet: Any, form: Form, values: Mapping[Address, Value], looks: _Looks) -> None:
    for at, column in enumerate(form.columns):
        sheet.write_string(0, at, column.title or column.name, looks.title)
        sheet.set_column(at, at, width(column, form))
    sheet.set_row(0, LINE_HEIGHT * max(title_lines(column, form) for column in form.columns))
    sheet.set_default_row(ROW_HEIGHT)
    rows = form.blank.to_dict("records")
    for key, position in form.rows().items():
        for at, column in enumerate(form.columns):
            entered = values.get((form.kind, key, column.name))
            given = rows[position][column.name]
            if entered is not None:
                given = written_value(column, entered)
            _draw_cell(sheet, position + 1, at, column, given, looks)
    if form.kind == TASTINGS:
        sheet.ignore_errors({"number_stored_as_text": f"A2:{column_letters(4)}{len(rows) + 1}"})


def _draw_cell(sheet: Any, row: int, at: int, column: Column, value: Any, looks: _Looks) -> None:
    look = looks.given
    if column.entered:
        look = looks.number if holds_numbers(column) else looks.text
    if value is None or value is pd.NA or value == "":
        sheet.write_blank(row, at, None, look)
    elif isinstance(value, str):
        if len(value) > LONGEST_TEXT:
            place = Place("", "", row + 1, column.name)
            raise SheetError(f"{len(value)} characters are more than a cell can hold.", place)
        sheet.write_string(row, at, value, look)
    elif math.isfinite(float(value)):
        sheet.write_number(row, at, SpelledOut(value), look)
    else:
        sheet.write_blank(row, at, None, look)


def _draw_count(
    sheet: Any,
    form: Form,
    values: Mapping[Address, Value],
    closed: Collection[Row],
    looks: _Looks,
) -> None:
    """Show how many scores are left to enter, above a column of its own."""
    if not form.scores or not len(form.blank):
        return
    at = len(form.columns)
    said = f"{LEFT}: {count_left(form, values, closed)}"
    sheet.write_formula(0, at, f'="{LEFT}: "&{count_formula(form, closed)}', looks.title, said)
    sheet.set_column(at, at, 14)


def _guard(sheet: Any, form: Form) -> None:
    """Let every cell say what it takes, and refuse what it does not take."""
    for at, column in enumerate(form.columns):
        if column.entered:
            sheet.data_validation(1, at, len(form.blank), at, guarded(column))
    sheet.protect("", {"format_columns": True, "format_rows": True})


def _colour_empty(sheet: Any, form: Form, closed: Collection[Row], looks: _Looks) -> None:
    for cells, when, look in colours(form, closed):
        shown = looks.not_needed if look == NOT_NEEDED else looks.missing
        sheet.conditional_format(cells, {"type": "formula", "criteria": when, "format": shown})


def _set_up_page(sheet: Any, form: Form) -> None:
    printed = [at for at, column in enumerate(form.columns) if column.name != ROUND]
    across = sum(width(form.columns[at], form) for at in printed)
    last_key = max(at for at, column in enumerate(form.columns) if column.role == "key")
    sheet.freeze_panes(1, last_key + 1)
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    sheet.print_area(0, 0, max(len(form.blank), 1), printed[-1])
    sheet.fit_to_pages(math.ceil(across / _PAGE_WIDTH), 0)
    sheet.repeat_rows(0)
    sheet.repeat_columns(0, last_key if form.kind == TASTINGS else 0)
    sheet.set_footer("&L&A&Rpage &P of &N")


def _draw_guide(sheet: Any, form: Form, looks: _Looks) -> None:
    for at, wide in enumerate(GUIDE_WIDTHS):
        sheet.set_column(at, at, wide)
    titles, *lines = guide(form)
    for at, title in enumerate(titles):
        sheet.write_string(0, at, title, looks.title)
    for row, texts in enumerate(lines, start=1):
        for at, text in enumerate(texts):
            sheet.write_string(row, at, text, looks.guide)
        sheet.set_row(row, LINE_HEIGHT * guide_lines(texts))
    for row, caution in enumerate(CAUTIONS[form.kind], start=len(lines) + 2):
        sheet.merge_range(row, 0, row, len(titles) - 1, caution, looks.guide)
        sheet.set_row(row, LINE_HEIGHT * text_lines(caution, sum(GUIDE_WIDTHS)))
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.protect("")


def read_workbook(path: Path, shown: str, expected: str = "") -> Grid:
    """Return the form's sheet of a workbook, every cell as it was found.

    Parameters
    ----------
    path : Path
        The file.
    shown : str
        What the person calls it.
    expected : str
        "bakes" or "tastings" when only that will do.

    Raises
    ------
    SheetError
        When the file can not be opened safely, or has no such sheet.
    """
    content = looked_over(path, shown)
    formulas = _loaded(content, shown, data_only=False)
    values = _loaded(content, shown, data_only=True)
    marks = _marks(values)
    kind = marks.get("form", "") or expected
    here = Place(shown)
    if marks.get("version", str(FORM_VERSION)) != str(FORM_VERSION):
        raise SheetError(
            f"the form has version {marks['version']}, this program reads version "
            f"{FORM_VERSION}. Update trials, or write the sheets anew; nothing was read.",
            here,
        )
    names = [kind.capitalize()] if kind else [TASTINGS.capitalize(), BAKES.capitalize()]
    name = next((one for one in names if one in values.sheetnames), None)
    if name is None:
        found = ", ".join(repr(one) for one in values.sheetnames if one != SCHEMA)
        raise SheetError(
            f'there is no sheet "{names[0]}"; found {found}. '
            "Give the sheet its name back and read again; nothing of the file was read.",
            Place(shown, names[0]),
        )
    return _grid(values[name], formulas[name], shown, marks, _other_sheets(values, name, shown))


def _loaded(content: bytes, shown: str, *, data_only: bool) -> Any:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return openpyxl.load_workbook(BytesIO(content), data_only=data_only, keep_links=False)
    except Exception as error:  # a damaged file may break the library at any line
        raise SheetError(
            f"the workbook is damaged and can not be opened ({type(error).__name__}). "
            "Fetch the file once more or save it again; nothing of it was read.",
            Place(shown),
        ) from None


def _marks(book: Any) -> dict[str, str]:
    if SCHEMA not in book.sheetnames:
        return {}
    pairs = book[SCHEMA].iter_rows(min_row=1, max_row=3, max_col=2, values_only=True)
    return {str(pair[0]): str(pair[1]) for pair in pairs if len(pair) == 2 and None not in pair}


def _other_sheets(book: Any, name: str, shown: str) -> tuple[Note, ...]:
    return tuple(
        Note(Place(shown, other), "this sheet is none of the form's and was not read.")
        for other in book.sheetnames
        if other not in (name, GUIDE, SCHEMA)
    )


def _grid(
    values: Any, formulas: Any, shown: str, marks: Mapping[str, str], notes: tuple[Note, ...]
) -> Grid:
    place = Place(shown, str(values.title))
    if not hasattr(values, "iter_rows"):
        raise SheetError("this is a chart, where a form was expected.", place)
    check_extent(values.max_row, values.max_column, place)
    rows = []
    pairs = zip(values.iter_rows(), formulas.iter_rows(), strict=False)
    for number, (found, behind) in enumerate(pairs, start=1):
        cells = tuple(_cell(one, other) for one, other in zip(found, behind, strict=False))
        if number == 1 or any(cell.kind != "empty" for cell in cells):
            rows.append((number, cells))
    header = tuple(_title(cell) for cell in rows[0][1]) if rows else ()
    merged = tuple((str(area), int(area.min_row)) for area in values.merged_cells.ranges)
    kind, mark = marks.get("form", ""), marks.get("round", "")
    return Grid(shown, str(values.title), header, tuple(rows[1:]), merged, kind, mark, notes)


def _title(cell: Cell) -> str:
    return LEFT if cell.kind == "formula" and LEFT in cell.text else cell.text


def _cell(found: Any, behind: Any) -> Cell:
    if behind.data_type == "f":
        formula = behind.value
        text = formula if isinstance(formula, str) else getattr(formula, "text", None)
        return cell_of(None, str(text or "of an array"))
    if found.data_type == "e":
        return Cell("error", str(found.value))
    if found.value is None:
        return EMPTY
    return cell_of(found.value, percent="%" in str(found.number_format))


def write_workbooks(round_: Round, serving: pd.DataFrame) -> list[Path]:
    """Write the cook's and the tasters' workbooks and their plain twins into the round's folder.

    What was already entered in files of the same name is carried over, and the file as it was is
    kept under `received/`. Tastings of a bake that the cook's sheets say failed, was not served or
    not baked are greyed: they need no score.

    Parameters
    ----------
    round_ : Round
    serving : DataFrame
        Who is served which bake under which code; columns taster, sitting, position, bake, code
        and kind. Without a serving there is no tasters' workbook.

    Returns
    -------
    list of Path
        `bakes.xlsx`, `bakes.csv`, `tastings.xlsx` and `tastings.csv`.

    Raises
    ------
    SheetError
        When a file of that name holds entries that can not be carried over.
    """
    forms = [cook_form(round_)]
    if len(serving):
        forms.append(tasting_form(round_, serving))
    written = []
    closed: Collection[Row] = frozenset()
    for form in forms:
        book, twin = (round_.folder / f"{form.kind}{end}" for end in (".xlsx", ".csv"))
        # Both are read before either is written: an entry that can not be kept stops it all.
        in_book, in_twin = entries_of(form, book), entries_of(form, twin)
        for path, entered in ((book, in_book), (twin, in_twin)):
            if entered:
                received(round_.folder, path)
        written.append(write_bytes(book, draw_workbook(form, in_book, closed)))
        written.append(write_csv(filled(form, in_twin), twin))
        closed = without_score(serving, in_twin | in_book)
    return written


def entries_of(form: Form, path: Path) -> dict[Address, Value]:
    """Return what is entered in a workbook or its plain twin; nothing when there is no file.

    Raises
    ------
    SheetError
        When it holds an entry that can not be read, so that writing anew would lose it.
    """
    if not path.is_file():
        return {}
    book = path.suffix == ".xlsx"
    grid = read_workbook(path, path.name) if book else table_grid(path.name, read_csv(path))
    if not holds_entries(grid, form):
        return {}
    reading = read_grid(grid, form, whole=False)
    if reading.problems:
        first = reading.problems[0]
        raise SheetError(
            f"its entries can not be carried over to a new sheet: {first.message} "
            "Or move the file out of the folder first.",
            first.place,
        )
    return {entry.address: entry.value for entry in reading.entries}
