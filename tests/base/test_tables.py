"""Plain tables: what is typed is what is read; files are whole or not there."""

import os

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.base.errors import SheetError
from trials.base.files import plain_cell, read_csv, safe_cell, write_csv, write_text
from trials.base.words import in_words, number, tidy_number

TEXT = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=20).map(str.strip)


@given(st.lists(st.tuples(TEXT, TEXT), min_size=1, max_size=6))
def test_what_is_written_is_what_is_read(tmp_path_factory, rows):
    table = pd.DataFrame(rows, columns=["bake", "note %"])
    path = write_csv(table, tmp_path_factory.mktemp("t") / "t.csv")
    kept = table[(table != "").any(axis=1)].reset_index(drop=True)
    assert read_csv(path).reset_index(drop=True).astype(str).equals(kept.astype(str))


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_a_number_keeps_every_digit(tmp_path_factory, value):
    path = write_csv(pd.DataFrame({"x": [value]}), tmp_path_factory.mktemp("n") / "n.csv")
    assert float(read_csv(path)["x"].iloc[0]) == value


@given(st.text(max_size=12))
def test_no_cell_runs_as_a_formula(text):
    safe = safe_cell(text)
    assert number(str(safe)) is not None or not str(safe).startswith(("=", "+", "-", "@"))
    assert plain_cell(str(safe)) == text or number(text) is not None


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_any_separator_and_a_byte_order_mark(tmp_path, separator):
    path = tmp_path / "t.csv"
    path.write_bytes(
        (
            "\ufeff"
            + separator.join(["bake", "liking"])
            + "\n"
            + separator.join(["B01", "n/a"])
            + "\n"
        ).encode()
    )
    table = read_csv(path)
    assert list(table.columns) == ["bake", "liking"]
    assert table.loc[2, "liking"] == "n/a"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty"),
        (b"a,a\n1,2\n", "appears twice"),
        (b"a,b\n1,2,3\n", "row 2: 3 cells"),
        (b"PK\x03\x04\x00\x00", "not a plain table"),
    ],
)
def test_what_is_not_a_table_is_refused_in_words(tmp_path, content, message):
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    with pytest.raises(SheetError, match=message):
        read_csv(path)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(SheetError, match=r"gone\.csv: there is no such file"):
        read_csv(tmp_path / "gone.csv")


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = write_text(tmp_path / "t.txt", "old")

    def broken(*_args):
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(OSError, match="disk full"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["t.txt"]


def test_numbers_in_words():
    assert [number(text) for text in ("7,5", "-3", "1e3", "7½", "1.000,5", "nan", "inf")] == [
        7.5,
        -3.0,
        1000.0,
        None,
        None,
        None,
        None,
    ]
    assert tidy_number(1234567.0) == "1234567"
    assert in_words([]) == ""
    assert in_words(["fat", "salt"], "or") == "fat or salt"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (2.5e-12, "2.5e-12"),
        (1.23456789e-12, "1.23457e-12"),
        (1e9, "1000000000"),
        (999999.7, "1000000"),
        (123456789.4, "123456789"),
        (1.5e300, "1.5e+300"),
        (-0.0, "0"),
    ],
)
def test_a_number_of_any_size_is_written_shortly(value, text):
    assert tidy_number(value) == text
