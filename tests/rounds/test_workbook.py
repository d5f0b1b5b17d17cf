import io
import re
import shutil
import subprocess
import time
import tracemalloc
import zipfile

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rounds.ginger_round import (
    FACTORS,
    MEASURES,
    edit_book,
    enter,
    make_round,
    serving,
    tidy_scores,
)
from trials.base.errors import SheetError
from trials.base.files import read_csv, write_csv
from trials.core.scales import Decimal, Line, ManyOf, Number, OneOf, Summary
from trials.rounds.forms import cook_form, cook_sheet, tasting_form, tasting_sheet
from trials.rounds.reading import LARGEST_FILE, MOST_ROWS, read_grid, table_grid
from trials.rounds.scores import check, record_scores, scores
from trials.rounds.workbook import (
    count_left,
    draw_workbook,
    filled,
    read_workbook,
    text_lines,
    write_workbooks,
)

SOFFICE = shutil.which("soffice") or shutil.which("libreoffice")
needs_soffice = pytest.mark.skipif(SOFFICE is None, reason="LibreOffice is not installed here")


@pytest.fixture
def blank(tmp_path):
    return make_round(tmp_path / "ginger snap")


@pytest.fixture(scope="module")
def forms(tmp_path_factory):
    round_ = make_round(tmp_path_factory.mktemp("rounds") / "ginger snap")
    return {"bakes": cook_form(round_), "tastings": tasting_form(round_, serving())}


def parts(path):
    """Every text inside a workbook, by the name of its part."""
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name).decode("utf-8") for name in archive.namelist()}


def only(problems):
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


# What is given out


def test_the_cooks_sheet_shows_settings_and_boxes(blank):
    table = cook_sheet(blank)
    assert list(table.columns) == [
        "bake", "day", "load", "oven heat", "fat", "hydration", "spread", "kept its shape",
        "status", "reason", "note", "actual oven heat", "actual fat", "actual hydration", "round",
    ]  # fmt: skip
    assert table["bake"].tolist() == blank.plan.table["bake"].tolist()
    assert table["oven heat"].tolist() == blank.plan.table["oven heat"].tolist()
    assert (table[["spread", "status", "actual fat"]] == "").all(axis=None)


def test_the_tasters_sheet_has_a_row_per_taster_and_code_and_no_warm_up(blank):
    table = tasting_sheet(blank, serving())
    assert list(table.columns) == [
        "taster", "sitting", "place", "code", "liking", "ginger heat", "sweetness",
        "said of it", "note", "round",
    ]  # fmt: skip
    assert len(table) == 16
    assert not {"984", "985"} & set(table["code"])


def test_nothing_a_taster_sees_gives_a_bake_away(blank):
    # Hidden sheets, names, comments and properties are parts of the archive like any other.
    hidden = [*blank.plan.rows["bake"], *(factor.name for factor in FACTORS), "butter", "lard"]
    hidden += ["165", "190", "warm-up", "trial", "spread", "°C", blank.name, str(blank.folder)]
    texts = parts(blank.folder / "tastings.xlsx")
    texts["csv"] = (blank.folder / "tastings.csv").read_text("utf-8")
    for name, text in texts.items():
        shown = re.sub(r"<(cols|sheetView|pageMargins|row |c |fonts|col )[^>]*>", "", text)
        for word in hidden:
            if word.isdigit() and name.endswith(("styles.xml", "theme1.xml")):
                continue
            assert not re.search(rf"(?<!\w){re.escape(word)}(?!\w)", shown), (name, word)
        for title in ("day", "load", "role", "status", "bake"):
            assert not re.search(rf"(?<![\w/]){title}(?!\w)", shown), (name, title)


def test_the_cooks_book_would_be_caught_by_the_same_look(blank):
    assert any("butter" in text for text in parts(blank.folder / "bakes.xlsx").values())


def test_the_same_form_is_the_same_file(blank):
    before = {path.name: path.read_bytes() for path in blank.folder.glob("*.xlsx")}
    write_workbooks(blank, serving())
    assert {path.name: path.read_bytes() for path in blank.folder.glob("*.xlsx")} == before


def test_ids_are_locked_and_entries_are_not(blank):
    for name in ("bakes", "tastings"):
        sheet = openpyxl.load_workbook(blank.folder / f"{name}.xlsx")[name.capitalize()]
        assert sheet.protection.sheet
        form = cook_form(blank) if name == "bakes" else tasting_form(blank, serving())
        for column, one in zip(form.columns, sheet[2], strict=False):
            assert one.protection.locked != column.entered, column.name


def validations(path, sheet):
    """What each column takes, by its title, as the workbook says it; a list has no upper limit."""
    page = openpyxl.load_workbook(path)[sheet]
    titles = {one.column: one.value for one in page[1]}
    return {
        titles[area.min_col]: (
            rule.type,
            _limit(rule.formula1),
            _limit(rule.formula2) if rule.type != "list" else None,
            rule.error,
        )
        for rule in page.data_validations.dataValidation
        for area in rule.sqref.ranges
    }


def _limit(text):
    return text if text is None or text.startswith('"') else float(text)


def test_every_entry_says_what_it_takes(blank):
    rules = validations(blank.folder / "tastings.xlsx", "Tastings")
    assert rules["liking"] == ("decimal", 1, 9, "Enter a number from 1 to 9.")
    assert rules["ginger heat"] == ("decimal", 0, 10, "Enter a number from 0 to 10.")
    # Just about right has five points and nothing between them.
    assert rules["sweetness"][0] == "whole"
    cooks = validations(blank.folder / "bakes.xlsx", "Bakes")
    assert cooks["status"][:2] == ("list", '"made,failed,not served,not baked"')
    assert cooks["kept its shape"][:2] == ("list", '"yes,no"')
    assert cooks["actual fat"][:2] == ("list", '"butter,lard"')


def test_the_page_is_set_up_to_be_printed_and_read_on_a_screen(blank):
    for name in ("Bakes", "Tastings"):
        book = openpyxl.load_workbook(blank.folder / f"{name.casefold()}.xlsx")
        sheet = book[name]
        assert sheet.page_setup.orientation == "landscape"
        assert str(sheet.page_setup.paperSize) == "9"
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.freeze_panes == ("B2" if name == "Bakes" else "E2")
        assert book["_schema"].sheet_state == "veryHidden"
        assert sheet.conditional_formatting


def test_what_is_left_is_counted_with_a_value_that_needs_no_recalculation(blank):
    path = blank.folder / "tastings.xlsx"
    last = openpyxl.load_workbook(path, data_only=True)["Tastings"][1][-1].value
    assert last == "left to enter: 64"
    record_scores(blank, tidy_scores())
    last = openpyxl.load_workbook(path, data_only=True)["Tastings"][1][-1].value
    # The failed bake's two pieces need no score
    assert last == "left to enter: 0"


def test_empty_cells_of_a_failed_bake_are_grey_and_those_still_to_come_are_not(blank):
    enter(blank.folder / "bakes.xlsx", 9, "status", "failed")
    write_workbooks(blank, serving())
    book = openpyxl.load_workbook(blank.folder / "tastings.xlsx")["Tastings"]
    codes = {cell.row: (book.cell(cell.row, 1).value, cell.value) for cell in book["D"][1:]}
    served = serving().astype({"code": str})
    lost = served[served["bake"] == "B08"]
    shut = set(zip(lost["taster"], lost["code"], strict=True))
    grey = {
        row
        for area, rules in book.conditional_formatting._cf_rules.items()
        for rule in rules
        if rule.dxf.fill.bgColor.rgb == "FFBFBFBF"
        for part in area.sqref.ranges
        for row in range(part.min_row, part.max_row + 1)
    }
    assert {codes[row] for row in grey} == shut
    assert len(shut) == 2
    formula = book[1][-1].value
    assert formula.count("-COUNTBLANK(") == 2
    assert check(blank).left == 7 * 2 * 4 + 7 * 2


def test_the_count_leaves_out_bakes_that_were_not_served(forms):
    values = {("bakes", ("B01",), "status"): "failed", ("bakes", ("B02",), "spread"): 60.0}
    assert count_left(forms["bakes"], values) == 7 * 2 - 1


def test_titles_keep_words_whole():
    assert text_lines("buckwheat share (% of flour)", 12) == 3
    assert text_lines("Donaudampfschiff", 8) == 2


# What is written is what is read

words = st.text(
    st.characters(exclude_categories=["Cc", "Cs", "Co", "Cn"]), min_size=1, max_size=40
).filter(lambda text: text.strip() == text)
dangerous = st.sampled_from(
    ["=1+1", "=cmd|'/C calc'!A0", "+5", "-x", "@SUM(A1)", "'=1", "''", "7,5", "#N/A", "TRUE",
     "1e5", "007", "<b>&amp;</b>", 'say "so"; then', "a\nb", "_x0041_", "💩" * 9, "n/a"]
)  # fmt: skip
numbers = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def entered(draw, forms):
    values = {}
    for kind, form in forms.items():
        for key in list(form.rows())[:3]:
            for column in form.columns:
                value = None
                if column.role in ("note", "reason"):
                    value = draw(st.none() | words | dangerous)
                elif column.role == "status":
                    value = draw(st.none() | st.just("made"))
                elif column.measure is not None:
                    value = draw(st.none() | _scores_on(column.measure))
                elif column.name == "actual oven heat":
                    value = draw(st.none() | numbers.filter(lambda one: abs(one) < 300))
                if value is not None:
                    values[kind, key, column.name] = value
    return values


def _scores_on(measure):
    match measure.field:
        case ManyOf():
            return st.sampled_from(["snappy", "snappy; scorched", "soapy"])
        case OneOf(points=points) if not isinstance(measure.rule, Decimal):
            return st.sampled_from([point.value for point in points])
        case Number():
            return numbers
    return st.floats(measure.low, measure.high)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_what_is_written_is_what_is_read(forms, tmp_path_factory, data):
    values = data.draw(entered(forms))
    folder = tmp_path_factory.mktemp("sheets")
    for kind, form in forms.items():
        mine = {address: value for address, value in values.items() if address[0] == kind}
        path = folder / f"{kind}.xlsx"
        path.write_bytes(draw_workbook(form, mine))
        twin = write_csv(filled(form, mine), folder / f"{kind}.csv")
        grids = [read_workbook(path, path.name), table_grid(twin.name, read_csv(twin))]
        for grid in grids:
            reading = read_grid(grid, form, whole=True)
            assert reading.problems == []
            assert {entry.address: entry.value for entry in reading.entries} == mine


def test_text_that_looks_like_a_formula_is_text_in_the_file(blank):
    enter(blank.folder / "tastings.csv", 2, "note", "=1+1")
    tidy = tidy_scores()
    tidy.loc[0, "note"] = "=cmd|'/C calc'!A0"
    record_scores(blank, tidy)
    sheet = parts(blank.folder / "tastings.xlsx")["xl/worksheets/sheet1.xml"]
    assert len(re.findall(r"<f>", sheet)) == 1  # the count of what is left
    assert "cmd" not in sheet
    assert "'=1+1" in (blank.folder / "tastings.csv").read_text("utf-8")


def test_a_long_comment_and_pictures_in_letters_are_kept(blank):
    long = "🥐 crisp " * 3000
    enter(blank.folder / "tastings.csv", 2, "note", long.strip())
    assert not check(blank)
    assert long.strip() in set(scores(blank)["note"])
    enter(blank.folder / "tastings.csv", 2, "note", "x" * 100_000)
    assert "100000 characters are more than a cell can hold" in str(only(check(blank)))


# Through a spreadsheet program


def through_soffice(path, into, suffix):
    subprocess.run(
        [SOFFICE, "--headless", f"-env:UserInstallation=file://{into}/profile",
         "--convert-to", suffix, "--outdir", str(into), str(path)],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    return into / f"{path.stem}.{suffix.split(':')[0]}"


@needs_soffice
def test_a_spreadsheet_program_keeps_everything(blank, tmp_path):
    record_scores(blank, tidy_scores())
    before = scores(blank)
    out = tmp_path / "out"
    for name in ("bakes", "tastings"):
        path = blank.folder / f"{name}.xlsx"
        rules = validations(path, name.capitalize())
        saved = through_soffice(path, out, "xlsx")
        # "any" rules only carry a hint; a program may write them as it likes.
        kept = validations(saved, name.capitalize())
        for title, rule in rules.items():
            if rule[0] != "none" and rule[0] is not None:
                assert kept[title] == rule, title
        sheet = openpyxl.load_workbook(saved)[name.capitalize()]
        assert sheet.protection.sheet
        given_out = cook_form(blank) if name == "bakes" else tasting_form(blank, serving())
        for column, one in zip(given_out.columns, sheet[2], strict=False):
            assert one.protection.locked != column.entered, column.name
        assert sheet.conditional_formatting
        shutil.copy(saved, path)
    assert not check(blank)
    assert not check(blank).notes
    pd.testing.assert_frame_equal(scores(blank), before, check_exact=False, rtol=1e-14)


@needs_soffice
def test_a_plain_table_saved_by_a_spreadsheet_program_is_read(blank, tmp_path):
    enter(blank.folder / "tastings.xlsx", 2, "liking", 7.25)
    enter(blank.folder / "bakes.xlsx", 2, "kept its shape", "yes")
    for name in ("bakes", "tastings"):
        book = blank.folder / f"{name}.xlsx"
        shutil.copy(through_soffice(book, tmp_path / "out", "csv"), blank.folder / f"{name}.csv")
        book.unlink()
    assert not check(blank)
    back = scores(blank)
    assert back["liking"].dropna().tolist() == [7.25]
    assert back["kept its shape"].dropna().tolist() == [1.0]


# Files that must not be opened


def rezipped(path, change):
    """Write the workbook again with its parts changed."""
    texts = {name: text.encode() for name, text in parts(path).items()}
    change(texts)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in texts.items():
            archive.writestr(name, text)


SHEET = "xl/worksheets/sheet1.xml"


def add_macros(texts):
    texts["xl/vbaProject.bin"] = b"anything"


def add_entities(texts):
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    texts[SHEET] = texts[SHEET].replace(b"?>", b"?>" + bomb, 1)


def add_zeros(texts):
    texts[SHEET] = texts[SHEET] + b"<!--" + b" " * 50_000_000 + b"-->"


def add_a_million_rows(texts):
    rows = b"".join(b'<row r="%d"/>' % row for row in range(20, 1_000_020))
    texts[SHEET] = texts[SHEET].replace(b"</sheetData>", rows + b"</sheetData>")


def add_a_last_row(texts):
    row = b'<row r="1048576"><c r="A1048576"><v>1</v></c></row>'
    texts[SHEET] = texts[SHEET].replace(b"</sheetData>", row + b"</sheetData>")


def merge_a_column(texts):
    merged = b'<mergeCells><mergeCell ref="F2:F1048576"/></mergeCells>'
    texts[SHEET] = texts[SHEET].replace(b"<printOptions", merged + b"<printOptions")
    texts[SHEET] = texts[SHEET].replace(b"<pageMargins", merged + b"<pageMargins")


def add_many_parts(texts):
    for at in range(1000):
        texts[f"xl/media/{at}.txt"] = b""


def lose_the_workbook(texts):
    del texts["xl/workbook.xml"]


def break_the_sheet(texts):
    texts[SHEET] = texts[SHEET][:-40]


def a_later_version(texts):
    for name in texts:
        texts[name] = texts[name].replace(b"<t>1</t>", b"<t>2</t>")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (add_macros, "carries macros"),
        (add_entities, "XML entities"),
        (add_zeros, "unpacks to far more"),
        (add_a_million_rows, "a million empty"),
        (add_a_last_row, "reaches to row 1048576"),
        (merge_a_column, "F2:F1048576 are one area"),
        (add_many_parts, "unpacks to far more"),
        (lose_the_workbook, "damaged"),
        (break_the_sheet, "damaged"),
        (a_later_version, "the form has version 2"),
    ],
)
def test_a_spoiled_workbook_is_refused_with_its_name_in_bounded_time_and_memory(
    blank, change, said
):
    path = blank.folder / "tastings.xlsx"
    rezipped(path, change)
    enter(blank.folder / "bakes.xlsx", 2, "spread", 61)
    tracemalloc.start()
    start = time.perf_counter()
    problem = only(check(blank))
    elapsed = time.perf_counter() - start
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert problem.place.file == "tastings.xlsx"
    assert said in str(problem)
    assert elapsed < 30
    assert peak < 300_000_000


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "not a workbook"),
        (b"bake,spread\nB01,61\n", "not a workbook"),
        (b"\xd0\xcf\x11\xe0" + bytes(600), "password or the format of an old"),
        (b"PK\x05\x06" + bytes(18), "not a workbook"),
    ],
)
def test_what_is_no_workbook_is_said(blank, content, said):
    (blank.folder / "bakes.xlsx").write_bytes(content)
    problem = only(check(blank))
    assert problem.place.file == "bakes.xlsx"
    assert said in str(problem)


def test_a_workbook_cut_anywhere_is_refused(blank):
    path = blank.folder / "bakes.xlsx"
    whole = path.read_bytes()
    for share in (0.1, 0.5, 0.9, 0.999):
        path.write_bytes(whole[: int(share * len(whole))])
        assert only(check(blank)).place.file == "bakes.xlsx"


def test_a_file_of_200_mb_is_neither_read_nor_kept(blank):
    for name in ("tastings.xlsx", "tastings.csv"):
        with open(blank.folder / name, "wb") as file:
            file.truncate(200_000_000)
    start = time.perf_counter()
    assert ["too large" in str(problem) for problem in check(blank)] == [True, True]
    assert time.perf_counter() - start < 5
    assert not list(blank.folder.glob("received/*tastings*"))
    assert LARGEST_FILE < 200_000_000


def test_a_plain_table_with_a_million_empty_lines_is_refused(blank):
    path = blank.folder / "bakes.csv"
    path.write_bytes(path.read_bytes() + b"\n" * 1_000_000)
    assert "lines, far more than a form" in str(only(check(blank)))


def test_a_workbook_that_says_it_is_small_and_is_not_is_refused(blank):
    # The size in a zip's list can be made up; what is unpacked stops there, and the sum is wrong.
    path = blank.folder / "tastings.xlsx"
    rezipped(path, add_zeros)
    raw = bytearray(path.read_bytes())
    with zipfile.ZipFile(io.BytesIO(bytes(raw))) as archive:
        size = archive.getinfo(SHEET).file_size
    for at in [match.start() for match in re.finditer(re.escape(size.to_bytes(4, "little")), raw)]:
        raw[at : at + 4] = (1000).to_bytes(4, "little")
    path.write_bytes(bytes(raw))
    assert "damaged" in str(only(check(blank)))


def test_rows_far_below_a_form_are_refused(blank):
    edit_book(
        blank.folder / "bakes.xlsx",
        lambda book: setattr(book["Bakes"].cell(row=MOST_ROWS + 5, column=1), "value", "B01"),
    )
    assert "Delete the empty rows" in str(only(check(blank)))


def test_the_sheet_is_a_chart(blank):
    def swap(book):
        book.remove(book["Bakes"])
        book.create_chartsheet("Bakes")

    edit_book(blank.folder / "bakes.xlsx", swap)
    assert only(check(blank)).place.file == "bakes.xlsx"


def test_a_missing_workbook_is_said(tmp_path):
    with pytest.raises(SheetError, match="no such file"):
        read_workbook(tmp_path / "none.xlsx", "none.xlsx")


def test_the_scales_of_this_round_cover_every_kind():
    asked = {(type(one.field), one.summary) for one in MEASURES}
    assert asked == {
        (OneOf, Summary.MEAN),
        (Line, Summary.MEAN),
        (OneOf, Summary.SIDES),
        (ManyOf, Summary.TICKS),
        (Number, Summary.MEAN),
        (OneOf, Summary.SHARE),
    }
