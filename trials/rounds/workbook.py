"""The score workbook: laid out, drawn with one library, read cell by cell with another."""

import math
import re
import textwrap
import warnings
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from io import BytesIO
from itertools import groupby
from pathlib import Path
from typing import Any, assert_never

import openpyxl
import pandas as pd
import xlsxwriter

from trials.base.errors import Place, SheetError
from trials.base.files import read_csv, write_bytes, write_csv
from trials.base.keeping import written_by_us
from trials.base.words import in_words, tidy_number
from trials.core.factors import Categorical
from trials.core.roles import STATUSES
from trials.core.scales import (
    LARGEST,
    Anything,
    Choices,
    Decimal,
    Line,
    ManyOf,
    Number,
    OneOf,
    Order,
    Rule,
    Text,
    Whole,
)
from trials.rounds.forms import (
    BAKES,
    BLIND,
    LEFT,
    ROUND,
    TASTINGS,
    Column,
    Form,
    cook_form,
    tasting_form,
)
from trials.rounds.reading import (
    EMPTY,
    LONGEST_TEXT,
    Address,
    Cell,
    Grid,
    Note,
    Value,
    cell_of,
    check_extent,
    holds_entries,
    holds_more,
    looked_over,
    read_grid,
    table_grid,
)
from trials.rounds.round import Round, writing

# -- How a form is laid out, whichever library draws it: widths, areas, what each cell takes.


LINE_HEIGHT, ROW_HEIGHT = 15.5, 19  # points; a row leaves room for handwriting
GUIDE_WIDTHS = (30, 44, 44)  # characters
CAUTIONS = {
    BAKES: (
        "A bake that tore, leaked, burned or was raw inside gets a status and a reason, and no "
        "score: never 0. Its cells turn grey.",
        "Never taste raw dough or batter (raw flour, raw egg). Never leave hot oil alone; never "
        "put water on burning oil.",
    ),
    TASTINGS: (
        "Find the code that stands with the piece; leave a cell empty where you have no score. "
        "Grey cells need none: that piece was not served.",
        "Tell the cook before tasting what you must avoid, and do not taste it.",
    ),
}
NOT_NEEDED = "not needed"
_LONGEST_LIST = 255  # characters a drop-down may hold

Row = tuple[str, ...]  # the keys of a form's row


class SpelledOut(float):
    """A number that a writer spells out in full, where it would stop at sixteen digits."""

    def __format__(self, form: str) -> str:
        return repr(float(self))


def column_letters(position: int) -> str:
    """Return what a spreadsheet calls a column, the first being 1.

    Examples
    --------
    >>> column_letters(1), column_letters(26), column_letters(27)
    ('A', 'Z', 'AA')
    """
    letters = ""
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def holds_numbers(column: Column) -> bool:
    """Say whether numbers are entered in a column."""
    if column.measure is not None:
        return isinstance(column.measure.rule, Whole | Decimal)
    return column.role == "setting" and not isinstance(column.factor, Categorical)


def width(column: Column, form: Form) -> int:
    """Return the width of a column in characters."""
    if column.role in ("note", "reason") or (
        column.measure is not None and not column.measure.in_numbers
    ):
        return 28
    texts = [
        f"{value}{behind(form, key, column)}"
        for key, value in zip(form.rows(), form.blank[column.name], strict=True)
    ]
    title = column.title or column.name
    wanted = max([len(word) for word in title.split()] + [len(text) for text in texts] + [6])
    return min(max(wanted, len(title) // 3) + 2, 30)


def behind(form: Form, key: Row, column: Column) -> str:
    """Return what is shown behind the figure of a cell: what a swap put in its place."""
    new = "" if column.entered else form.instead.get(key, {}).get(column.name, "")
    return f", as {new}" if new else ""


def title_lines(column: Column, form: Form) -> int:
    """Return how many lines a column's title takes."""
    return text_lines(column.title or column.name, width(column, form) - 1)


def text_lines(text: str, room: int) -> int:
    """Return how many lines a text takes in so many characters, words being kept whole.

    Examples
    --------
    >>> text_lines("actual oil temperature", 12), text_lines("one\\ntwo", 12)
    (2, 2)
    """
    return sum(max(1, len(textwrap.wrap(line, max(room, 1)))) for line in text.split("\n"))


def count_left(
    form: Form, values: Mapping[Address, Value], closed: Collection[Row] = frozenset()
) -> int:
    """Return how many scores of a form are not entered, bakes that were not served aside."""
    return sum(
        (form.kind, key, column.name) not in values
        for key in form.rows()
        if key not in closed and values.get((form.kind, key, "status"), "made") == "made"
        for column in form.scores
    )


def without_score(serving: pd.DataFrame, values: Mapping[Address, Value]) -> frozenset[Row]:
    """Give the tastings, by taster and code, of bakes that failed, or were not served or baked."""
    lost = {
        key[0]
        for (kind, key, column), value in values.items()
        if kind == BAKES and column == "status" and value != "made"
    }
    rows = serving[serving["bake"].isin(lost)] if len(serving) else serving
    return frozenset((str(row.taster), str(row.code)) for row in rows.itertuples(index=False))


def count_formula(form: Form, closed: Collection[Row] = frozenset()) -> str:
    """Return the formula that counts in a sheet what :func:`count_left` counts."""
    names = [column.name for column in form.scores]
    cells = area(form, names)
    if form.kind == BAKES:
        status = area(form, ["status"])
        return f'SUMPRODUCT(({cells}="")*(({status}="")+({status}="made")))'
    shut = _runs(form, names, lambda key: key in closed)
    return "-".join(f"COUNTBLANK({one})" for one in (cells, *shut))


def colours(form: Form, closed: Collection[Row] = frozenset()) -> list[tuple[str, str, str]]:
    """Return which empty scores a sheet colours: cells, the formula for the first, and the look.

    The look is "missing" where a score is still to come, and "not needed" where the bake failed,
    was not served or not baked. The cook's sheet sees that by its own status; the tasters' sheet
    is told it row by row, as nothing in it may say which bake a code is.
    """
    names = [column.name for column in form.scores]
    if not names or not len(form.blank):
        return []
    if form.kind == BAKES:
        cells = area(form, names)
        first, status = cells.split(":")[0], area(form, ["status"]).split("2:")[0]
        open_ = f'OR(${status}2="",${status}2="made")'
        return [
            (cells, f"=AND(ISBLANK({first}),{open_})", "missing"),
            (cells, f"=AND(ISBLANK({first}),NOT({open_}))", NOT_NEEDED),
        ]
    looks = {
        "missing": _runs(form, names, lambda key: key not in closed),
        NOT_NEEDED: _runs(form, names, lambda key: key in closed),
    }
    return [
        (cells, f"=ISBLANK({cells.split(':')[0]})", look)
        for look, runs in looks.items()
        for cells in runs
    ]


def _runs(form: Form, names: list[str], holds: Callable[[Row], bool]) -> list[str]:
    """Return the cells of some columns in each unbroken run of rows for which something holds."""
    first, last = (re.sub(r"\d", "", end) for end in area(form, names).split(":"))
    rows = [(place + 2, holds(key)) for key, place in form.rows().items()]
    runs = [[row for row, _ in run] for held, run in groupby(rows, lambda one: one[1]) if held]
    return [f"{first}{run[0]}:{last}{run[-1]}" for run in runs]


def area(form: Form, names: list[str]) -> str:
    """Return the cells of some columns, from the first of them to the last."""
    positions = [at for at, column in enumerate(form.columns, start=1) if column.name in names]
    first, last = column_letters(min(positions)), column_letters(max(positions))
    return f"{first}2:{last}{len(form.blank) + 1}"


def guarded(column: Column) -> dict[str, Any]:
    """Return what a cell of the column takes and what it says, as a spreadsheet's check."""
    return rule(column) | {
        "input_title": column.name[:32],
        "input_message": column.expects()[:255],
        "error_title": "This can not be read",
        "error_message": f"Enter {column.expects()}."[:255],
    }


def rule(column: Column) -> dict[str, Any]:
    """Return what a cell of the column takes, as a spreadsheet's check of entries."""
    if column.measure is not None:
        return _checked(column.measure.rule)
    if column.role == "status":
        return _checked(Choices(STATUSES))
    if column.role == BLIND:
        return _checked(Choices(("yes", "no")))
    factor = column.factor
    if isinstance(factor, Categorical) and not factor.unit:
        return _checked(Choices(tuple(factor.show(level) for level in factor.levels)))
    return _checked(Decimal(-LARGEST, LARGEST) if holds_numbers(column) else Anything())


def _checked(rule: Rule) -> dict[str, Any]:
    match rule:
        case Choices(texts=texts):
            return _list(list(texts))
        case Whole(low=low, high=high):
            return {"validate": "integer", "criteria": "between", "minimum": low, "maximum": high}
        case Decimal(low=low, high=high, asks=asks):
            ends = {"validate": "decimal", "criteria": "between", "minimum": low, "maximum": high}
            return ends | {"error_type": "warning"} if asks else ends
        case Anything():
            return _any()
        case never:
            assert_never(never)


def _any() -> dict[str, Any]:
    return {"validate": "any"}


def _list(choices: list[str]) -> dict[str, Any]:
    fits = len(",".join(choices)) <= _LONGEST_LIST and not any("," in one for one in choices)
    return {"validate": "list", "source": choices} if fits else _any()


def guide(form: Form) -> list[tuple[str, str, str]]:
    """Return the lines of the guide: a header, then what each column takes and means."""
    lines = [("column", "what to enter", "what the points mean")]
    return lines + [
        (column.title or column.name, column.expects(), points(column))
        for column in form.columns
        if column.entered
    ]


def guide_lines(texts: Iterable[str]) -> int:
    """Return the height of a row of the guide in lines."""
    return max(text_lines(text, wide - 3) for text, wide in zip(texts, GUIDE_WIDTHS, strict=True))


def points(column: Column) -> str:
    """Return what the points of a column's scale mean, a line each; empty where it has none."""
    if column.measure is None:
        return ""
    match column.measure.field:
        case OneOf(points=points, spelled=True):
            return " or ".join(point.word for point in points)
        case OneOf(points=points):
            return "\n".join(f"{one.written}  {one.word}" for one in points if one.word)
        case Line(low=low, high=high, ends=(first, last)):
            return f"{tidy_number(low)}  {first}\n{tidy_number(high)}  {last}"
        case Order(first=first, last=last):
            return f"1  {first}\nlast  {last}"
        case ManyOf() | Number() | Text():
            return ""
        case never:
            assert_never(never)


def filled(form: Form, values: Mapping[Address, Value]) -> pd.DataFrame:
    """Return the table of a form with its entries, as its plain twin holds it."""
    table = form.blank.astype(object)
    keys = list(form.rows())
    for column in form.columns:
        if column.entered:
            table[column.name] = [
                written_value(column, values.get((form.kind, key, column.name), "")) for key in keys
            ]
    return table


def written_value(column: Column, value: Value) -> Value:
    """Return a value as it stands in a sheet: yes and no in words, numbers as they are."""
    if column.measure is None or isinstance(value, str):
        return value
    match column.measure.field:
        case OneOf(points=points, spelled=True):
            return next((one.written for one in points if one.value == value), value)
        case OneOf() | ManyOf() | Line() | Order() | Number() | Text():
            return value
        case never:
            assert_never(never)


# -- The score workbook: drawn with one library, read cell by cell with another.
#
# The only file that knows what a workbook looks like inside. Nothing in a tasters' workbook gives
# a bake away: no setting, no bake, no day, neither in hidden sheets nor in the file's properties.


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
    as_other: Callable[[str], Any]


def draw_workbook(
    form: Form, values: Mapping[Address, Value], closed: Collection[Row] = frozenset()
) -> bytes:
    """Return the workbook of a form as a file's content; the same form gives the same bytes."""
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
    given = {**edge, "bg_color": "#F2F2F2", "align": "center", "quote_prefix": True}

    @cache
    def as_other(words: str) -> Any:
        """Return the look of a figure with words behind it; the cell holds the figure alone."""
        said = words.replace('"', "'")
        return book.add_format(
            given | {"num_format": f'General"{said}";-General;General;@"{said}"'}
        )

    return _Looks(
        as_other=as_other,
        title=book.add_format(
            {**edge, "bold": True, "text_wrap": True, "bg_color": "#E3E3E3", "quote_prefix": True}
        ),
        given=book.add_format(given),
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
            words = behind(form, key, column)
            entered = values.get((form.kind, key, column.name))
            given = rows[position][column.name]
            if entered is not None:
                given = written_value(column, entered)
            look = looks.as_other(words) if words else _look(column, looks)
            _draw_cell(sheet, position + 1, at, column, given, look)
    if form.kind == TASTINGS:
        sheet.ignore_errors({"number_stored_as_text": f"A2:{column_letters(4)}{len(rows) + 1}"})


def _look(column: Column, looks: _Looks) -> Any:
    if not column.entered:
        return looks.given
    return looks.number if holds_numbers(column) else looks.text


def _draw_cell(sheet: Any, row: int, at: int, column: Column, value: Any, look: Any) -> None:
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
    """Return the form's sheet of a workbook, every cell as it was found."""
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
    grid = _grid(values[name], formulas[name], shown, marks, _other_sheets(values, name, shown))
    return replace(grid, own_sheets=_own_sheets(values, name))


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


def _own_sheets(book: Any, name: str) -> tuple[str, ...]:
    """Return the sheets that somebody added and wrote something into."""
    return tuple(
        other
        for other in book.sheetnames
        if other not in (name, GUIDE, SCHEMA)
        and hasattr(book[other], "iter_rows")
        and any(cell is not None for row in book[other].iter_rows(values_only=True) for cell in row)
    )


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
    shown = re.sub(r'"[^"]*"', "", str(found.number_format))  # words in quotes are no percentage
    return cell_of(found.value, percent="%" in shown)


def write_workbooks(round_: Round, serving: pd.DataFrame) -> list[Path]:
    """Write the cook's and the tasters' workbooks and their plain twins into the round's folder.

    What was already entered in files of the same name is carried over, and the file as it was is
    kept under `received/`. Tastings of a bake that the cook's sheets say failed, was not served or
    not baked are greyed: they need no score.
    """
    forms = [cook_form(round_)]
    if len(serving):
        forms.append(tasting_form(round_, serving))
    with writing(round_.folder):
        return _written_books(round_, serving, forms)


def _written_books(round_: Round, serving: pd.DataFrame, forms: Iterable[Form]) -> list[Path]:
    written = []
    closed: Collection[Row] = frozenset()
    for form in forms:
        book, twin = (round_.folder / f"{form.kind}{end}" for end in (".xlsx", ".csv"))
        # Both are read before either is written: an entry that can not be kept stops it all.
        in_book, in_twin = entries_of(form, book), entries_of(form, twin)
        written.append(write_bytes(book, draw_workbook(form, in_book, closed)))
        written.append(write_csv(filled(form, in_twin), twin))
        closed = without_score(serving, in_twin | in_book)
    return written


def entries_of(form: Form, path: Path) -> dict[Address, Value]:
    """Return what is entered in a workbook or its plain twin; nothing when there is no file."""
    if not path.is_file():
        return {}
    book = path.suffix == ".xlsx"
    grid = read_workbook(path, path.name) if book else table_grid(path.name, read_csv(path))
    ours = written_by_us(path.parent, path)
    if not holds_entries(grid, form) and (ours or not holds_more(grid, form)):
        return {}
    reading = read_grid(grid, form, whole=False)
    if grid.own_sheets:
        own = in_words(f'"{name}"' for name in grid.own_sheets)
        reading.refuse(grid.place(), f"somebody's own sheet {own} stands in this file", mend="")
    if reading.problems:
        first = reading.problems[0]
        raise SheetError(
            f"what stands in it can not be carried over to a new sheet: {first.message} "
            "Or move the file out of the folder first. Nothing was changed.",
            first.place,
        )
    return {entry.address: entry.value for entry in reading.entries}
