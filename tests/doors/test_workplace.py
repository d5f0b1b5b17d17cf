"""A round's own notebook: it runs in whatever state the round is, and the bundle gives it on."""

import json
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import trials
from trials.doors.cli import run
from trials.doors.notebook import run_notebooks


@pytest.fixture(autouse=True)
def same_package(monkeypatch):
    """Let kernels import the very package that the tests do, installed or not."""
    monkeypatch.setenv("PYTHONPATH", str(Path(trials.__file__).parents[1]))


@pytest.fixture
def started(tmp_path):
    folder = tmp_path / "my-round"
    assert run(["new", str(folder)]) == 0
    return folder


def test_a_new_round_has_a_notebook_of_its_own(started):
    notebook = json.loads((started / "round.ipynb").read_text(encoding="utf-8"))
    code = ["".join(one["source"]) for one in notebook["cells"] if one["cell_type"] == "code"]
    assert "work.findings()" in code
    assert all(one.get("outputs", []) == [] for one in notebook["cells"])
    assert not any(str(started) in text for text in code), "no path to edit"


def test_a_new_round_is_good_to_share_by_git(started):
    ignored = (started / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert "links.csv" in ignored
    assert "received/** -text" in (started / ".gitattributes").read_text(encoding="utf-8")


def test_the_invented_example_is_not_planned_by_running_all(started):
    work = trials.workplace(started)
    assert "invented example" in repr(work.plan())
    assert not (started / "round.toml").exists()
    assert "First plan the round" in repr(work.sheets())


def test_each_step_says_what_comes_first(started):
    (started / "idea.toml").write_text(
        (started / "idea.toml").read_text(encoding="utf-8") + "\n# mine\n", encoding="utf-8"
    )
    work = trials.workplace(started)
    assert work.plan().table["bake"].iloc[0] == "B01"
    assert "to do  sheets" in repr(work)
    first = work.sheets()
    assert any(path.name == "bake-sheets.html" for path in first.paths)
    assert "anew=True" in repr(work.sheets())
    assert "no score" in repr(work.findings()["liking"])
    assert "enter" in repr(work.explore())


def planned(folder):
    idea = folder / "idea.toml"
    idea.write_text(idea.read_text(encoding="utf-8") + "\n# mine\n", encoding="utf-8")
    work = trials.workplace(folder)
    assert work.plan().table["bake"].iloc[0] == "B01"
    return work


def test_a_note_is_written_once_by_a_cell_and_each_time_by_a_person(started):
    work = planned(started)
    for _ in range(2):
        work.note("the oil foamed", bake="B03")
    shown = work.note("we like it salty", about="liking")
    assert shown.notes["note"].tolist() == ["the oil foamed", "we like it salty"]
    assert "we like it salty" in shown._repr_html_()
    for _ in range(2):
        assert run(["note", str(started), "too hot", "--about", "liking"]) == 0
    assert work.note().notes["note"].tolist().count("too hot") == 2


def test_a_note_is_of_what_the_round_has(started, capsys):
    work = planned(started)
    assert "no bake of this round" in repr(work.note("odd", bake="B99"))
    assert run(["note", str(started), "odd", "--about", "salt"]) == 1
    said = capsys.readouterr().err
    assert '"salt"' in said
    assert "liking" in said
    assert "Nothing was noted" in repr(work.note())


def test_asking_what_is_to_do_writes_nothing(demo_copy):
    before = {path: path.stat().st_mtime_ns for path in demo_copy.rglob("*")}
    repr(trials.workplace(demo_copy))
    assert {path: path.stat().st_mtime_ns for path in demo_copy.rglob("*")} == before


def test_a_folder_without_a_round_is_said(tmp_path):
    with pytest.raises(trials.TrialsError, match="trials new"):
        trials.workplace(tmp_path)


@pytest.mark.notebook
def test_the_notebook_runs_before_and_after(started, demo_copy):
    run_notebooks([started / "round.ipynb"])
    from trials.doors.workplace import write_notebook

    run_notebooks([write_notebook(demo_copy, "demo")])
    whole = json.loads((demo_copy / "round.ipynb").read_text(encoding="utf-8"))
    shown = json.dumps([one.get("outputs") for one in whole["cells"]])
    assert "Try a setting" in shown or "What to expect of" in shown
    assert "Traceback" not in shown


@pytest.mark.notebook
def test_the_bundle_gives_the_same_numbers_with_letters_for_names(demo_copy, tmp_path):
    round_ = trials.Round.open(demo_copy)
    path = trials.bundle(round_, tmp_path / "shared.zip")
    with zipfile.ZipFile(path) as file:
        file.extractall(tmp_path / "opened")
    opened = tmp_path / "opened"
    texts = "".join(
        one.read_text(encoding="utf-8", errors="replace")
        for one in opened.rglob("*")
        if one.suffix in (".html", ".csv", ".toml", ".txt", ".ipynb", ".json")
    )
    texts = re.sub(r"data:[^\"']+|\"image/png\": \"[^\"]+", "", texts)  # pictures are letters too
    for taster in round_.tasters:
        assert not re.search(rf"\b{taster.name}\b", texts)
    assert "Taster A" in texts
    assert not (opened / demo_copy.name / "received").exists()
    other = trials.Round.open(opened / demo_copy.name)
    before, after = (trials.fit(one, "liking").effects for one in (round_, other))
    assert before.equals(after)
    assert str(tmp_path) not in (opened / "HOW-TO.txt").read_text(encoding="utf-8")
    with pytest.raises(trials.TrialsError, match="there already"):
        trials.bundle(round_, path)


def test_options_go_on_to_jupyterlab(tmp_path):
    home = tmp_path / "lab"
    done = subprocess.run(
        [sys.executable, "-m", "trials", "lab", str(home), "--version"],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert any(line.strip()[:1].isdigit() for line in done.stdout.splitlines())
    shutil.rmtree(home)
