"""Questions write nothing; what a command reads is kept; where nothing changed nothing grows."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest

import trials
from tests.rounds.ginger_round import enter, make_round, tidy_scores
from trials.deciding.replanning import replan
from trials.rounds.scores import record_scores


@pytest.fixture
def filled(tmp_path):
    round_ = make_round(tmp_path / "ginger snap")
    table, chance = tidy_scores(), np.random.default_rng(7)
    given = table["ginger heat"].notna()
    table.loc[given, "ginger heat"] = chance.uniform(2, 9, int(given.sum())).round(1)
    record_scores(round_, table)
    return round_


def snapshot(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Every file below a folder with its time and its content."""
    return {
        path.relative_to(folder).as_posix(): (path.stat().st_mtime_ns, path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


QUESTIONS = {
    "scores": lambda one: trials.scores(one),
    "scores as planned": lambda one: trials.scores(one, actual=False),
    "fit": lambda one: trials.fit(one, "ginger heat"),
    "failing": lambda one: trials.failing(one),
    "replan": lambda one: replan(one),
    "shopping": lambda one: trials.shopping_list(one) if one.formula else None,
    "album": lambda one: trials.album(one, trials.scores(one)),
}


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_writes_nothing(filled, question):
    before = snapshot(filled.folder)
    QUESTIONS[question](trials.Round.open(filled.folder))
    assert snapshot(filled.folder) == before


def test_the_next_round_is_proposed_without_a_trace(demo_copy):
    before = snapshot(demo_copy)
    trials.next_round(trials.Round.open(demo_copy), 4, seed=1)
    assert snapshot(demo_copy) == before


def test_a_check_keeps_what_it_read_and_writes_the_scores(filled):
    before = snapshot(filled.folder)
    found = trials.check(filled)
    assert len(found) == 0
    assert "othing to mend" in str(found)
    assert "othing to mend" in found._repr_html_()
    new = set(snapshot(filled.folder)) - set(before)
    assert {"scores.csv", "received/readings.csv"} <= new
    assert any(name.endswith("-tastings.xlsx") for name in new)


def test_what_is_to_be_mended_and_looked_at_stands_in_one_record(filled):
    enter(filled.folder / "tastings.csv", 3, "sweetness", 7)
    enter(filled.folder / "bakes.csv", 2, "spread", "61,5")
    found = trials.check(filled)
    assert len(found) == len(list(found)) > 0
    shown = found._repr_html_()
    for one in (*found.problems, *found.notes):
        assert str(one) in str(found)
        assert one.place.file in shown
    assert "to mend" in found.verdict


def test_nothing_grows_where_nothing_changed(filled):
    trials.check(filled)
    before = snapshot(filled.folder)
    for _ in range(2):
        trials.check(filled)
    assert snapshot(filled.folder) == before


COMMANDS = (["fit", "{}"], ["report", "{}"], ["album", "{}"], ["replan", "{}", "--record"])


@pytest.mark.parametrize("command", COMMANDS, ids=lambda words: words[0])
def test_a_command_keeps_what_it_read(filled, command):
    sheet = (filled.folder / "tastings.xlsx").read_bytes()
    done = trials_command([word.format(filled.folder) for word in command])
    assert done.returncode == 0, done.stderr
    assert sheet in [path.read_bytes() for path in (filled.folder / "received").iterdir()]


def trials_command(words: list[str], **asked) -> subprocess.CompletedProcess:
    """Run one command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "trials", *words], capture_output=True, text=True, **asked
    )


@pytest.mark.skipif(os.name == "nt", reason="permissions of folders are those of POSIX")
def test_questions_are_answered_from_a_folder_that_can_not_be_written(filled):
    # Folders of the tests are private; this one is for everybody to read and nobody to write
    folder = Path(shutil.copytree(filled.folder, Path(tempfile.mkdtemp()) / "ginger snap"))
    folder.parent.chmod(0o755)
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = snapshot(folder)
    # Whoever may write anywhere becomes somebody who may not, once all is loaded
    code = """
import os, sys, trials
for _ in range(2):
    one = trials.Round.open(sys.argv[1])
    print(len(trials.scores(one)), len(trials.fit(one, "ginger heat").effects))
    if os.getuid() == 0:
        os.setuid(65534)
"""
    done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout.split()[-2]) > 0
    assert snapshot(folder) == before
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o755)
    shutil.rmtree(folder.parent)
