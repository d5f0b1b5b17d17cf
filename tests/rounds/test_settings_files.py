"""Settings files: an older format is read and brought up to date, and no file breaks a command."""

import contextlib
import os
import shutil
from dataclasses import fields
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import trials
from tests.rounds.test_queries import snapshot
from trials.base.errors import RoundError, SheetError, TrialsError
from trials.base.files import read_csv, write_csv
from trials.doors.cli import run
from trials.rounds import schema
from trials.rounds.idea import Idea, read_idea, write_idea
from trials.rounds.round import Round
from trials.rounds.schema import line_of_key

FORMAT_1 = Path(__file__).parent / "format_1"


@pytest.fixture
def old(tmp_path):
    """The demo's first round as the format before wrote it, with its scores entered."""
    return Path(shutil.copytree(FORMAT_1, tmp_path / "round-1"))


# Format 1


def test_a_round_of_format_1_is_read_as_it_was_scored_and_nothing_is_written(old):
    before = snapshot(old)
    table = trials.scores(Round.open(old))
    assert snapshot(old) == before
    told = read_csv(old / "scores.csv").rename(columns={"position": "place"})
    assert set(told["role"]) == {"trial", "control"}
    told["role"] = told["role"].replace("control", "reference")
    assert list(table["role"]) == list(told["role"])
    for name in ("taster", "code", "bake", "status", "reason"):
        assert list(table[name].fillna("")) == list(told[name])
    for name in ("liking", "crispness", "greasiness", "oil uptake"):
        assert table[name].to_numpy(float) == pytest.approx(
            pd.to_numeric(told[name]).to_numpy(float), nan_ok=True
        )


def test_the_first_that_writes_brings_it_up_to_date_and_keeps_the_old_files(old):
    names = ("round.toml", "plan.csv", "serving.csv")
    came = [(old / name).read_bytes() for name in names]
    before = trials.scores(Round.open(old))
    assert not trials.check(Round.open(old))
    kept = [path.read_bytes() for path in (old / "received").iterdir()]
    assert all(content in kept for content in came)
    assert (old / "round.toml").read_text("utf-8").startswith("format = 2")
    assert "control" not in (old / "plan.csv").read_text("utf-8")
    assert "place" in (old / "serving.csv").read_text("utf-8").splitlines()[0]
    pd.testing.assert_frame_equal(trials.scores(Round.open(old)), before)
    once = snapshot(old)
    trials.check(Round.open(old))
    assert snapshot(old) == once


def test_a_newer_format_is_refused_and_nothing_is_changed(old, capsys):
    path = old / "round.toml"
    path.write_text(path.read_text("utf-8").replace("format = 1", "format = 3"), "utf-8")
    before = snapshot(old)
    for words in (["check"], ["fit"], ["sheets"], ["report"], ["note"], ["replan"]):
        assert run([*words, str(old), *(["It rained."] if words == ["note"] else [])]) in (0, 1)
        if words != ["note"]:
            assert "Update trials" in capsys.readouterr().err
    assert {k: v for k, v in snapshot(old).items() if k != "diary.csv"} == before


# A table of the program's own that was changed


@pytest.mark.parametrize(("file", "column"), [("serving.csv", "bake"), ("plan.csv", "hydration")])
def test_a_column_that_was_sorted_by_itself_is_caught(old, file, column, capsys):
    trials.check(Round.open(old))
    table = read_csv(old / file)
    table[column] = sorted(table[column])
    write_csv(table, old / file)
    assert run(["fit", str(old), "liking"]) == 1
    said = capsys.readouterr().err
    assert file in said
    assert f'"{column}"' in said
    copy = next(word for word in said.split() if word.startswith("received/")).rstrip(";.,")
    shutil.copy(old / copy, old / file)
    assert len(trials.scores(Round.open(old)))


def test_a_table_that_a_spreadsheet_saved_again_is_the_same_table(old):
    trials.check(Round.open(old))
    for file in ("plan.csv", "serving.csv"):
        text = (old / file).read_text("utf-8")
        (old / file).write_text(text.replace(",", ";").replace("\n", "\r\n"), "utf-8-sig")
    assert len(trials.scores(Round.open(old)))


def test_a_change_on_purpose_counts_once_its_line_is_taken_out(old):
    trials.check(Round.open(old))
    table = read_csv(old / "plan.csv")
    table.loc[3, "sugar"] = "9"
    write_csv(table, old / "plan.csv")
    with pytest.raises(SheetError, match="row 3"):
        Round.open(old)
    path = old / "round.toml"
    lines = path.read_text("utf-8").splitlines(keepends=True)
    path.write_text("".join(line for line in lines if '"plan.csv" =' not in line), "utf-8")
    assert 9.0 in set(Round.open(old).plan.table["sugar"])


# The schema


RECORDS = {
    "_Factor": (trials.Numeric, trials.Categorical, trials.Component),
    "_Measure": (trials.Measure,),
    "_Taster": (trials.Taster,),
    "_Batch": (trials.Batch,),
    "_Step": (trials.Step,),
    "_Heat": (trials.Heat,),
    "_Kitchen": (trials.Kitchen,),
    "_Prices": (trials.Prices,),
    "_Idea": (Idea,),
}


NOT_ANSWERED = {"assumed"}  # what the kit takes for granted where the file says nothing


@pytest.mark.parametrize("shape", RECORDS)
def test_the_schema_knows_all_that_a_record_holds(shape):
    known = set(getattr(schema, shape).model_fields)
    held = {one.name for record in RECORDS[shape] for one in fields(record) if one.init}
    assert held - NOT_ANSWERED <= known


def test_the_schema_knows_all_that_a_formula_writes():
    aside = trials.demo.FORMULA.to_dict()
    assert set(aside) <= set(schema._Formula.model_fields)


@pytest.mark.parametrize("questions", ["short", "all", "cross"])
def test_every_set_of_questions_can_be_answered_as_it_stands(tmp_path, questions):
    assert read_idea(write_idea(tmp_path, questions).parent).bakes > 0


# Hostile and mistaken settings


def test_a_mistake_names_its_line(tmp_path):
    path = write_idea(tmp_path / "mine", "all")
    text = path.read_text("utf-8")
    path.write_text(text.replace("high = 190", 'high = "hot"'), "utf-8")
    line = 1 + text.splitlines().index("high = 190")
    with pytest.raises(RoundError, match=f"line {line}"):
        read_idea(path.parent)


def test_lines_are_found_in_tables_and_lists():
    text = 'a = 1\n\n[[f]]\nname = "x"\n[[f]]\n"my key" = 2\n[f.inner]\nz.y = 3\n'
    assert line_of_key(text, ["f", 1, "my key"]) == 6
    assert line_of_key(text, ["f", 1, "inner", "z", "y"]) == 8
    assert line_of_key(text, ["f", 0, "gone"]) == 3
    assert line_of_key(text, ["nowhere"]) is None


def test_the_mark_that_editors_put_in_front_is_accepted(old, tmp_path):
    path = old / "round.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert len(trials.scores(Round.open(old)))
    idea = write_idea(tmp_path / "mine")
    bakes = read_idea(idea.parent).bakes
    idea.write_bytes(b"\xef\xbb\xbf" + idea.read_bytes())
    assert read_idea(idea.parent).bakes == bakes


HOSTILE = {
    "parent is a number": lambda text: text.replace('parent = ""', "parent = 5"),
    "a seed below zero": lambda text: text.replace("seed = 2026", "seed = -1"),
    "a table for a text": lambda text: text.replace('name = "liking"', "name = {a = 1}"),
    "deep lists": lambda text: text + "\nx = " + "[" * 3000 + "]" * 3000,
    "less deep lists": lambda text: text + "\nx = " + "[" * 50 + "]" * 50,
    "absurd numbers": lambda text: text.replace("low = 165.0", f"low = {'9' * 5000}"),
    "no number": lambda text: text.replace("low = 165.0", "low = nan"),
    "a date": lambda text: text.replace("low = 165.0", "low = 2026-01-01"),
    "an unknown table": lambda text: text + "\n[somewhere]\nx = 1\n",
    "cut short": lambda text: text[: len(text) // 2],
    "nothing": lambda text: "",
    "no plan": lambda text: text[: text.index("[plan]")],
    "the format is a text": lambda text: text.replace("format = 1", 'format = "1"'),
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_settings_file_is_refused_in_a_line_and_changes_nothing(old, what, capsys):
    path = old / "round.toml"
    path.write_text(HOSTILE[what](path.read_text("utf-8")), "utf-8")
    before = snapshot(old)
    for command in ("check", "sheets", "fit"):
        assert run([command, str(old)]) == 1, command
        said = capsys.readouterr().err
        assert "round.toml" in said
        assert "Traceback" not in said
    assert snapshot(old) == before


FOLDERS = {
    "a bake called ../../evil": lambda old: _replaced(old / "plan.csv", "B02", "../../evil"),
    "received is a file": lambda old: (old / "received").write_text("mine"),
    "the plan leads out": lambda old: _led_out(old / "plan.csv"),
    "the settings lead out": lambda old: _led_out(old / "round.toml"),
    "a sheet leads out": lambda old: _led_out(old / "tastings.xlsx"),
    "the plan is a folder": lambda old: ((old / "plan.csv").unlink(), (old / "plan.csv").mkdir()),
}


def _replaced(path, one, other):
    path.write_text(path.read_text("utf-8").replace(one, other), "utf-8")


def _led_out(path):
    outside = path.parents[1] / f"outside-{path.name}"
    path.rename(outside)
    path.symlink_to(outside)


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
@pytest.mark.parametrize("what", FOLDERS)
def test_a_hostile_folder_is_refused_in_a_line_and_nothing_outside_is_touched(old, what, capsys):
    FOLDERS[what](old)
    before = snapshot(old.parent)
    assert run(["check", str(old)]) == 1
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    assert said.err.strip()
    # Where only a sheet can not be read, the others are kept as at every check
    inside = "round-1/" if what == "a sheet leads out" else "nothing"
    after = snapshot(old.parent)
    assert {k: v for k, v in after.items() if not k.startswith(inside)} == {
        k: v for k, v in before.items() if not k.startswith(inside)
    }


VALUES = ("-1", "0", '""', "[]", "{}", "true", "1e300", "inf", "5", '"../x"', "[[1]]")


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_no_settings_file_breaks_the_reading(tmp_path, data):
    folder = tmp_path / "mine"
    if not folder.exists():
        shutil.copytree(FORMAT_1, folder)
    text = (FORMAT_1 / "round.toml").read_text("utf-8")
    lines = text.splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    key = lines[at].partition("=")[0]
    value = data.draw(st.sampled_from(VALUES))
    lines[at] = data.draw(
        st.sampled_from([f"{key}= {value}", "", f"[{key.strip() or 'x'}]", value])
    )
    (folder / "round.toml").write_text("\n".join(lines), "utf-8")
    # Anything but a clear word is an error of this test
    with contextlib.suppress(TrialsError):
        Round.open(folder)


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (
            'factors = ["oven, 165 to 185"]',
            "number 1 of factors is 'oven, 165 to 185'; expected a table in curly brackets",
        ),
        (
            'factors = [{ name = "oven", low = 1, high = 2 }]\ntasters = ["Ada", "Bo"]',
            "number 1 of tasters is 'Ada'; expected a table in curly brackets",
        ),
    ],
)
def test_words_where_a_table_belongs_are_answered_without_the_program_s_own_names(
    tmp_path, answers, said
):
    (tmp_path / "idea.toml").write_text(f"bakes = 4\n{answers}\n", "utf-8")
    with pytest.raises(RoundError) as refused:
        read_idea(tmp_path)
    assert said in str(refused.value)
    assert "instance" not in str(refused.value)
