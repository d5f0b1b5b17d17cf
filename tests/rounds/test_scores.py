import datetime
import shutil

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.rounds.ginger_round import (
    cell,
    edit_book,
    enter,
    make_round,
    serving,
    tidy_scores,
)
from trials.base.errors import MeasureError, Place, SheetError
from trials.base.files import read_csv, write_csv, write_text
from trials.core.measures import Measure
from trials.rounds.gathering import merge
from trials.rounds.reading import Entry, Reading
from trials.rounds.round import Round, read_actual
from trials.rounds.scores import check, rebuild, record_scores, scores
from trials.rounds.workbook import write_workbooks


@pytest.fixture
def blank(tmp_path):
    return make_round(tmp_path / "ginger snap")


@pytest.fixture
def filled(blank):
    record_scores(blank, tidy_scores())
    return blank


def only(problems):
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


# What is there, what is missing


def test_blank_sheets_hold_no_problem_and_everything_is_left(blank):
    assert not check(blank)
    assert not check(blank).notes
    assert check(blank).left == 2 * 8 * 4 + 8 * 2
    assert set(check(blank).missing["who"]) == {"Ida", "Bo", "the cook"}
    assert scores(blank)["liking"].isna().all()


def test_every_value_comes_back_exactly(filled):
    back = scores(filled)
    given = tidy_scores()
    tasted = back[back["taster"].notna()].set_index(["taster", "code"])
    baked = back[back["taster"].isna()].set_index("bake")
    for _, row in given.iterrows():
        here = tasted.loc[row["taster"], row["code"]] if row["taster"] == row["taster"] else None
        here = baked.loc[row["bake"]] if here is None else here
        for name in ("liking", "ginger heat", "sweetness", "said of it", "spread"):
            wanted = row.get(name)
            if pd.isna(wanted):
                assert pd.isna(here[name])
            else:
                assert here[name] == wanted
    assert check(filled).left == 0


def test_a_bake_has_its_row_settings_status_and_no_score_when_it_failed(filled):
    back = scores(filled)
    lost = back[back["bake"] == "B08"]
    assert len(lost) == 3
    assert set(lost["status"]) == {"failed"}
    assert set(lost["reason"]) == {"scorched"}
    assert lost[["liking", "spread", "kept its shape"]].isna().all(axis=None)
    plan = filled.plan.table.set_index("bake")
    for row in back.itertuples():
        assert row.day == plan.loc[row.bake, "day"]
        assert row.load == plan.loc[row.bake, "load"]
    assert list(back.columns[:9]) == [
        "taster", "sitting", "place", "kind", "code", "bake", "day", "load", "role",
    ]  # fmt: skip
    assert "warm-up" not in set(back["kind"])


def test_a_bake_with_a_score_and_no_status_was_made(blank):
    enter(blank.folder / "tastings.xlsx", 2, "liking", 7)
    back = scores(blank)
    made = back["bake"] == serving()["bake"][8]
    assert set(back.loc[made, "status"]) == {"made"}
    assert set(back.loc[~made, "status"]) == {""}


def test_actual_settings_replace_planned_ones_where_asked(blank):
    enter(blank.folder / "bakes.xlsx", 3, "actual oven heat", 170)
    enter(blank.folder / "bakes.xlsx", 3, "actual fat", "lard")
    back = scores(blank)
    assert set(back.loc[back["bake"] == "B02", "oven heat"]) == {170.0}
    assert set(back.loc[back["bake"] == "B02", "fat"]) == {"lard"}
    planned = scores(blank, actual=False)
    plan = blank.plan.table.set_index("bake")
    assert set(planned.loc[planned["bake"] == "B02", "oven heat"]) == {plan.loc["B02", "oven heat"]}
    assert not check(blank)
    actual = read_actual(blank).set_index("bake")
    assert actual.loc["B02", "oven heat"] == "170"
    assert actual.loc["B01", "oven heat"] == ""


def test_scores_are_written_and_can_be_rebuilt_from_what_was_received(filled):
    back = scores(filled)
    assert not check(filled)
    assert len(read_csv(filled.folder / "scores.csv")) == len(back)
    for name in ("bakes.xlsx", "tastings.xlsx", "bakes.csv", "tastings.csv", "serving.csv"):
        (filled.folder / name).unlink()
    pd.testing.assert_frame_equal(rebuild(filled), back)


def test_the_last_reading_is_the_one_rebuilt_even_when_it_goes_back(filled):
    path = filled.folder / "tastings.xlsx"
    first = path.read_bytes()
    before = scores(filled)
    for change in (None, 2.5, None):
        path.write_bytes(first)
        if change is not None:
            enter(path, 2, "liking", change)
        assert not check(filled)
        assert scores(filled).equals(before) == (change is None)
    pd.testing.assert_frame_equal(rebuild(filled), before)


def test_a_kept_file_that_was_changed_is_said(filled):
    check(filled)
    kept = next((filled.folder / "received").glob("*-bakes.xlsx"))
    kept.write_bytes(kept.read_bytes() + b" ")
    with pytest.raises(SheetError, match="was changed"):
        rebuild(filled)


def test_nothing_read_so_far_is_said(blank):
    with pytest.raises(SheetError, match="no scores were read"):
        rebuild(blank)


# Cells that can not be used, in either kind of file

UNUSABLE = [
    ("liking", "none", "'none' is not a number"),
    ("liking", "seven", "'seven' is not a number"),
    ("liking", "7½", "'7½' is not a number"),
    ("liking", "TRUE", "is not a number"),
    ("liking", "#N/A", ""),
    ("liking", "=1+1", ""),
    ("liking", "75%", "is not a number"),
    ("ginger heat", 11, "11 is off the scale 0 to 10"),
    ("ginger heat", -0.5, "-0.5 is off the scale"),
    ("ginger heat", "1e400", "is not a number"),
    ("sweetness", 2.5, "between two points"),
    ("sweetness", 6, "off the scale"),
    ("said of it", "snappy; gooey", "'gooey' is not among the words"),
]


@pytest.mark.parametrize("file", ["tastings.xlsx", "tastings.csv"])
@pytest.mark.parametrize(("column", "typed", "said"), UNUSABLE)
def test_an_unusable_cell_is_reported_with_its_place(blank, file, column, typed, said):
    enter(blank.folder / file, 5, column, typed)
    problem = only(check(blank))
    assert problem.place.file == file
    assert (problem.place.row, problem.place.column) == (5, column)
    assert problem.place.sheet == ("Tastings" if file.endswith("xlsx") else "")
    assert said in str(problem)
    with pytest.raises(SheetError, match=f"{file}.*row 5"):
        scores(blank)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (datetime.datetime(2026, 5, 7), "the date 2026-05-07"),
        (datetime.time(7, 5), "the time 07:05"),
        (True, "TRUE"),
        ("=cmd|'/C calc'!A0", "the formula"),
        ("=SUM(E2:E4)", "the formula =SUM(E2:E4)"),
        ("#DIV/0!", "the error #DIV/0!"),
    ],
)
@pytest.mark.parametrize("column", ["liking", "ginger heat", "sweetness", "said of it"])
def test_what_a_spreadsheet_makes_of_entries_is_not_believed(blank, column, value, said):
    enter(blank.folder / "tastings.xlsx", 3, column, value)
    problem = only(check(blank))
    assert problem.place == Place("tastings.xlsx", "Tastings", 3, column)
    assert said in str(problem)


def test_a_percentage_is_not_read_as_its_hundredth(blank):
    def typed(book):
        here = cell(book["Bakes"], 2, "spread")
        here.value, here.number_format = 0.17, "0%"

    edit_book(blank.folder / "bakes.xlsx", typed)
    assert "17%" in str(only(check(blank)))


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("status", "perfect", "'perfect' is no status"),
        ("kept its shape", "maybe", "not a number"),
        ("kept its shape", 2, "off the scale"),
        ("spread", "wide", "'wide' is not a number"),
        ("spread", "1,250", "may mean 1.25 or 1250"),
        ("actual fat", "margarine", "no level 'margarine'"),
        ("actual oven heat", "hot", "'hot' is not a number"),
        ("reason", datetime.datetime(2026, 3, 4), "the date 2026-03-04"),
        ("note", "=1+1", "the formula =1+1"),
    ],
)
def test_the_cooks_cells_are_looked_at_too(blank, column, value, said):
    enter(blank.folder / "bakes.xlsx", 4, column, value)
    problem = only(check(blank))
    assert (problem.place.row, problem.place.column) == (4, column)
    assert said in str(problem)


@pytest.mark.parametrize("file", ["tastings.xlsx", "tastings.csv"])
def test_a_decimal_comma_is_read_and_said(blank, file):
    enter(blank.folder / file, 2, "liking", "7,5")
    assert not check(blank)
    note = only(check(blank).notes)
    assert str(note).endswith("\"liking\": '7,5' was read as 7.5.")
    assert note.place.row == 2
    assert scores(blank)["liking"].max() == 7.5


def test_a_table_saved_where_decimals_have_commas_is_read(blank):
    path = blank.folder / "bakes.csv"
    enter(path, 2, "spread", "61,5")
    write_text(path, "\ufeff" + path.read_text("utf-8").replace('"61,5"', "61.5").replace(",", ";"))
    write_text(path, path.read_text("utf-8").replace("61.5", "61,5"))
    assert not check(blank)
    assert scores(blank)["spread"].max() == 61.5


def test_the_message_reads_as_a_sentence(blank):
    enter(blank.folder / "tastings.xlsx", 14, "ginger heat", 11)
    assert str(only(check(blank))) == (
        'tastings.xlsx, sheet Tastings, row 14, "ginger heat": 11 is off the scale 0 to 10. '
        "Correct the cell and read again; everything else was kept."
    )


# Rows, columns and files


def test_a_duplicate_row_is_reported_and_names_the_first(blank):
    path = blank.folder / "tastings.csv"
    table = read_csv(path)
    write_csv(pd.concat([table, table.iloc[[2]]]), path)
    assert "a second time, first in row 4" in str(only(check(blank)))


@pytest.mark.parametrize("file", ["bakes.csv", "bakes.xlsx"])
def test_a_foreign_bake_and_the_missing_one_are_reported(blank, file):
    enter(blank.folder / file, 2, "bake", "B99")
    foreign, missing = sorted(check(blank), key=lambda problem: -(problem.place.row or 0))
    assert "'B99' is no bake of this round" in str(foreign)
    assert foreign.place.row == 2
    assert "1 of 8 rows can not be found: B01" in str(missing)


def test_a_code_of_somebody_else_is_reported_as_such(blank):
    theirs = serving().query("taster == 'Ida'")["code"].iloc[0]
    enter(blank.folder / "tastings.xlsx", 2, "code", theirs)
    assert any("is no code of Bo's; it is Ida's" in str(problem) for problem in check(blank))


def test_a_code_or_taster_gone_missing_is_reported(blank):
    enter(blank.folder / "tastings.xlsx", 2, "code", None)
    enter(blank.folder / "tastings.xlsx", 3, "taster", "Nobody")
    said = [str(problem) for problem in check(blank)]
    assert any("row 2" in text and "nothing stands here" in text for text in said)
    assert any("nobody called 'Nobody' tastes here" in text for text in said)


def test_codes_that_became_numbers_are_matched_and_said(blank):
    code = int(cell(_sheet(blank, "tastings.xlsx"), 2, "code").value)
    enter(blank.folder / "tastings.xlsx", 2, "code", code)
    enter(blank.folder / "tastings.xlsx", 2, "liking", 6)
    assert not check(blank)
    assert "made numbers of these" in str(only(check(blank).notes))
    assert scores(blank)["liking"].max() == 6


def _sheet(round_, file):
    import openpyxl

    return openpyxl.load_workbook(round_.folder / file).worksheets[0]


def test_a_line_of_totals_is_reported(blank):
    def add(book):
        sheet = book["Bakes"]
        cell(sheet, 12, "note").value = "total"
        cell(sheet, 12, "spread").value = "=SUM(E2:E9)"

    edit_book(blank.folder / "bakes.xlsx", add)
    problem = only(check(blank))
    assert problem.place.row == 12
    assert "a line of totals?" in str(problem)


def test_an_extra_column_is_reported(blank):
    def add(book):
        sheet = book["Bakes"]
        sheet.cell(row=1, column=sheet.max_column + 1).value = "weight"
        sheet.cell(row=2, column=sheet.max_column).value = 12

    edit_book(blank.folder / "bakes.xlsx", add)
    assert only(check(blank)).place.column == "weight"


def test_a_value_beside_the_form_is_reported(blank):
    edit_book(
        blank.folder / "bakes.xlsx",
        lambda book: setattr(book["Bakes"].cell(row=3, column=40), "value", 7),
    )
    problem = only(check(blank))
    assert problem.place.row == 3
    assert "beside the form" in str(problem)


def test_a_renamed_column_is_reported_twice_over(blank):
    edit_book(
        blank.folder / "tastings.xlsx",
        lambda book: setattr(cell(book["Tastings"], 1, "liking"), "value", "like"),
    )
    said = " ".join(str(problem) for problem in check(blank))
    assert '"like": this column is none of the form' in said
    assert '"liking": there is no such column' in said


def test_moved_columns_and_sorted_rows_are_read_all_the_same(filled):
    before = scores(filled)
    for name in ("bakes", "tastings"):
        (filled.folder / f"{name}.xlsx").rename(filled.folder / f"{name}.old")
    record_scores(filled, tidy_scores())

    def shuffle(book):
        sheet = book.worksheets[0]
        rows = [list(row) for row in sheet.iter_rows(values_only=True)]
        rows = [rows[0][:-1]] + [row[:-1] for row in sorted(rows[1:], key=str, reverse=True)]
        for row in sheet.iter_rows():
            for one in row:
                one.value = None
        for at, row in enumerate(rows, start=1):
            for place, value in enumerate(reversed(row), start=1):
                sheet.cell(row=at, column=place).value = value

    for name in ("bakes.xlsx", "tastings.xlsx"):
        edit_book(filled.folder / name, shuffle)
    assert not check(filled)
    pd.testing.assert_frame_equal(scores(filled), before)


def test_merged_cells_are_reported(blank):
    edit_book(blank.folder / "tastings.xlsx", lambda book: book["Tastings"].merge_cells("E3:E6"))
    problem = only(check(blank))
    assert problem.place.row == 3
    assert "E3:E6 are merged" in str(problem)


def test_a_row_torn_from_its_given_cells_is_reported(blank):
    enter(
        blank.folder / "bakes.xlsx",
        3,
        "fat",
        "lard" if _planned(blank, 3) == "butter" else "butter",
    )
    assert "this cell is given and was changed" in str(only(check(blank)))


def _planned(round_, row):
    return round_.plan.rows["fat"][row - 2]


def test_a_plain_table_cut_short_is_reported(filled):
    table = read_csv(filled.folder / "tastings.csv")
    table["liking"] = "7.25"
    path = write_csv(table, filled.folder / "tastings.csv")
    (filled.folder / "tastings.xlsx").unlink()
    text = path.read_text("utf-8").rstrip()
    for cut in range(1, 60):
        path.write_text(text[:-cut], "utf-8")
        assert check(filled), text[-cut - 10 :]


def test_a_renamed_sheet_is_reported_with_what_was_found(blank):
    edit_book(
        blank.folder / "tastings.xlsx", lambda book: setattr(book["Tastings"], "title", "Sheet1")
    )
    problem = only(check(blank))
    assert problem.place == Place("tastings.xlsx", "Tastings")
    assert "found 'Sheet1'" in str(problem)


def test_the_cooks_sheet_in_the_tasters_place_is_reported(blank):
    for end in ("xlsx", "csv"):
        shutil.copy(blank.folder / f"bakes.{end}", blank.folder / f"tastings.{end}")
    book, twin = sorted(check(blank), key=lambda problem: problem.place.file, reverse=True)
    assert "this is the cook's sheet" in str(book)
    assert "this is the cook's sheet" in str(twin)


@pytest.mark.parametrize("file", ["bakes.xlsx", "bakes.csv", "tastings.xlsx", "tastings.csv"])
def test_a_sheet_of_another_round_is_refused_whole(blank, tmp_path, file):
    other = make_round(tmp_path / "another", seed=8)
    path = other.folder / file
    enter(path, 2, "liking" if "tastings" in file else "spread", 5)
    shutil.copy(path, blank.folder / file)
    assert "belongs to another round" in str(only(check(blank)))
    assert check(blank).left == 80


def test_a_scratch_sheet_is_noted(blank):
    edit_book(blank.folder / "bakes.xlsx", lambda book: book.create_sheet("my sums"))
    assert not check(blank)
    assert only(check(blank).notes).place.sheet == "my sums"


def test_letters_that_were_lost_are_reported(blank):
    path = blank.folder / "tastings.csv"
    enter(path, 2, "note", "crème")
    path.write_bytes(path.read_bytes().replace("è".encode(), b"\x81"))
    assert "letters that were lost" in str(only(check(blank)))


def test_a_table_in_another_code_is_read_and_said(blank):
    path = blank.folder / "tastings.csv"
    enter(path, 2, "note", "crème")
    path.write_bytes(path.read_text("utf-8").encode("cp1252"))
    assert not check(blank)
    assert "read as Windows-1252" in str(only(check(blank).notes))
    assert "crème" in set(scores(blank)["note"])


# Status and scores


@pytest.mark.parametrize("status", ["failed", "not served", "not baked"])
def test_a_score_for_a_bake_without_one_is_a_problem_never_a_zero(blank, status):
    enter(blank.folder / "bakes.xlsx", 2, "status", status)
    enter(blank.folder / "tastings.csv", 2, "liking", 0)
    assert "off the scale" in str(only(check(blank)))
    enter(blank.folder / "tastings.csv", 2, "liking", 5)
    problem = only(check(blank))
    assert problem.place.file == "tastings.csv"
    became = status if status == "failed" else f"was {status}"
    assert f"B01, which {became} (bakes.xlsx, sheet Bakes, row 2" in str(problem)


def test_a_wrong_status_is_one_problem_however_many_scores_stand_against_it(filled):
    enter(filled.folder / "bakes.xlsx", 4, "status", "not baked")
    assert str(only(check(filled))) == (
        'bakes.xlsx, sheet Bakes, row 4, "status": B03 was not baked, yet 10 scores stand for it, '
        'the first in bakes.xlsx, sheet Bakes, row 4, "kept its shape"; expected no score for such '
        'a bake, not even 0. Set the status of B03 to "made", or take its scores out, and read '
        "again."
    )


def test_a_word_that_is_no_status_is_one_problem_beside_all_scores(filled):
    enter(filled.folder / "bakes.xlsx", 4, "status", "perfect")
    problem = only(check(filled))
    assert (problem.place.row, problem.place.column) == (4, "status")


def test_bakes_that_were_not_served_are_not_counted_as_left(blank):
    enter(blank.folder / "bakes.xlsx", 2, "status", "failed")
    assert check(blank).left == 7 * 2 * 4 + 7 * 2
    assert "no reason is given" in str(only(check(blank).notes))
    assert check(blank).verdict.startswith("1 thing is still to be said: why B01 failed. ")


def test_a_bake_made_and_never_scored_is_noted_once_others_are_in(blank):
    enter(blank.folder / "bakes.xlsx", 2, "status", "made")
    assert not check(blank).notes
    enter(blank.folder / "bakes.xlsx", 3, "spread", 61)
    assert "B01 was made, yet nothing was scored" in str(only(check(blank).notes))


def test_a_setting_far_outside_is_noted(blank):
    enter(blank.folder / "bakes.xlsx", 2, "actual oven heat", 1650)
    assert not check(blank)
    assert "far outside the" in str(only(check(blank).notes))


# Several people's files


def incoming(round_, name="Ida.xlsx"):
    (round_.folder / "incoming").mkdir(exist_ok=True)
    return round_.folder / "incoming" / name


def test_copies_complete_each_other_and_agree(blank):
    for name, row in (("Ida.xlsx", 12), ("Bo.csv", 3)):
        path = incoming(blank, name)
        shutil.copy(blank.folder / f"tastings{path.suffix}", path)
        enter(path, row, "liking", 4)
        enter(path, 5, "liking", 6)
    assert not check(blank)
    assert scores(blank)["liking"].dropna().tolist() == [4, 6, 4]
    assert check(blank).left == 77


def test_a_contradiction_is_a_question_that_names_both_places(blank):
    path = incoming(blank)
    shutil.copy(blank.folder / "tastings.xlsx", path)
    enter(blank.folder / "tastings.xlsx", 4, "liking", 5)
    enter(path, 4, "liking", 6)
    problem = only(check(blank))
    assert str(problem).startswith(
        'incoming/Ida.xlsx, sheet Tastings, row 4, "liking": 6 stands here, but 5 in '
        'tastings.xlsx, sheet Tastings, row 4, "liking"; expected one value. Which is right?'
    )
    assert check(blank).left == 80


def test_one_persons_own_rows_are_enough(blank):
    path = incoming(blank, "Ida.csv")
    table = read_csv(blank.folder / "tastings.csv").query("taster == 'Ida'")
    write_csv(table[["taster", "code", "liking", "ginger heat", "sweetness", "said of it"]], path)
    enter(path, 3, "liking", 8)
    assert not check(blank)
    said = " ".join(str(note) for note in check(blank).notes)
    assert "nothing says which round this is of" in said
    assert scores(blank)["liking"].max() == 8


@pytest.mark.parametrize("name", ["old.xls", "macros.xlsm", "free.ods"])
def test_other_formats_are_named_and_not_opened(blank, name):
    incoming(blank, name).write_bytes(b"anything")
    assert "are not opened" in str(only(check(blank)))


def test_shadows_of_open_files_and_other_files_do_no_harm(blank):
    incoming(blank, "~$Ida.xlsx").write_bytes(b"lock")
    incoming(blank, ".~lock.Ida.xlsx#").write_bytes(b"lock")
    incoming(blank, "photo.jpg").write_bytes(b"picture")
    assert not check(blank)
    assert only(check(blank).notes).place.file == "incoming/photo.jpg"


def test_everything_read_is_kept_problems_included(blank):
    incoming(blank, "broken [1].xlsx").write_bytes(b"PK\x03\x04 cut")
    assert check(blank)
    check(blank)
    kept = list((blank.folder / "received").glob("*broken*"))
    assert len(kept) == 1
    assert kept[0].read_bytes() == b"PK\x03\x04 cut"


addresses = st.tuples(
    st.just("tastings"),
    st.tuples(st.sampled_from(["Ida", "Bo"]), st.sampled_from(["212", "513"])),
    st.sampled_from(["liking", "note"]),
)
values = st.one_of(st.sampled_from([5.0, 6.5, 0.1 + 0.2, 0.3]), st.sampled_from(["crisp", "dry"]))


@st.composite
def readings(draw):
    entries = draw(st.lists(st.tuples(addresses, values), max_size=5, unique_by=lambda one: one[0]))
    file = draw(st.sampled_from(["a.xlsx", "b.csv", "c.csv"]))
    return Reading([Entry(at, value, Place(file, column=str(at))) for at, value in entries])


@given(
    st.lists(readings(), max_size=5).flatmap(
        lambda found: st.tuples(st.just(found), st.permutations(found))
    )
)
def test_merging_does_not_depend_on_the_order_of_the_files(pair):
    assert merge(pair[0]) == merge(pair[1])


@given(st.lists(readings(), max_size=4))
def test_merging_loses_no_entry_and_makes_none_up(found):
    agreed, questions = merge(found)
    entered = {entry.address for reading in found for entry in reading.entries}
    assert len(agreed) + len(questions) == len(entered)
    for address, entry in agreed.items():
        same = [e.value for r in found for e in r.entries if e.address == address]
        assert entry.value in same


# Recording and writing again


def test_recorded_scores_are_never_written_over_others(filled):
    other = tidy_scores()
    other.loc[0, "liking"] = 9.0
    with pytest.raises(SheetError, match="is entered already"):
        record_scores(filled, other)
    record_scores(filled, tidy_scores())


def test_recording_refuses_a_foreign_row_and_a_score_off_the_scale(blank):
    foreign = tidy_scores()
    foreign.loc[0, "code"] = "999"
    with pytest.raises(SheetError, match="999 is no row"):
        record_scores(blank, foreign)
    off = tidy_scores()
    off.loc[0, "ginger heat"] = 11
    with pytest.raises(MeasureError, match="off the scale"):
        record_scores(blank, off)


def test_scores_that_name_taster_and_bake_alone_go_to_their_servings(blank):
    record_scores(blank, tidy_scores().drop(columns="code"))
    by_code = scores(blank)
    wanted = tidy_scores().query("taster == 'Bo' and bake == 'B03'")["liking"].iloc[0]
    row = by_code[(by_code["taster"] == "Bo") & (by_code["bake"] == "B03")]
    assert row["liking"].tolist() == [wanted]


def test_writing_the_sheets_again_keeps_what_was_entered(filled):
    enter(filled.folder / "bakes.csv", 2, "spread", 60 + 1 / 3)
    before = scores(filled)
    write_workbooks(filled, serving())
    pd.testing.assert_frame_equal(scores(filled), before)
    assert read_csv(filled.folder / "bakes.csv")["spread"].iloc[0] == repr(60 + 1 / 3)


def test_writing_the_sheets_again_stops_where_an_entry_would_be_lost(blank):
    path = blank.folder / "tastings.xlsx"
    enter(path, 2, "liking", "none")
    before = path.read_bytes()
    with pytest.raises(SheetError, match="can not be carried over"):
        write_workbooks(blank, serving())
    assert path.read_bytes() == before


def test_an_error_lists_the_first_problems_and_counts_the_rest(blank):
    for row in range(2, 8):
        enter(blank.folder / "tastings.csv", row, "liking", "none")
    with pytest.raises(SheetError) as caught:
        scores(blank)
    text = str(caught.value)
    assert [f"row {row}" in text for row in range(2, 8)] == [True] * 3 + [False] * 3
    assert "And 3 more" in text


def test_names_that_would_hide_a_column_are_refused(tmp_path):
    round_ = make_round(tmp_path / "one")
    twice = Round(round_.folder, round_.plan, (Measure("note", "hedonic 9"),))
    with pytest.raises(MeasureError, match='called "note"'):
        write_workbooks(twice, serving())


def test_a_round_without_tasters_has_the_cooks_sheet_alone(tmp_path):
    round_ = make_round(tmp_path / "one")
    (round_.folder / "serving.csv").unlink()
    for path in round_.folder.glob("tastings.*"):
        path.unlink()
    enter(round_.folder / "bakes.xlsx", 2, "spread", 61.5)
    assert not check(round_)
    back = scores(round_)
    assert len(back) == 8
    assert back["liking"].isna().all()
    pd.testing.assert_frame_equal(rebuild(round_), back)


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**32 - 1))
def test_simulated_scores_come_back_to_the_last_digit(tmp_path_factory, seed):
    round_ = make_round(tmp_path_factory.mktemp("rounds") / "one")
    rng = np.random.default_rng(seed)
    tidy = tidy_scores()
    scored = tidy["liking"].notna()
    tidy.loc[scored, "liking"] = rng.uniform(1, 9, scored.sum())
    tidy.loc[tidy["spread"].notna(), "spread"] = rng.lognormal(0, 30, tidy["spread"].count())
    record_scores(round_, tidy)
    back = scores(round_)
    assert sorted(back["liking"].dropna()) == sorted(tidy["liking"].dropna())
    assert sorted(back["spread"].dropna()) == sorted(tidy["spread"].dropna())
