"""The bundle: read without Python, run again elsewhere to the last digit, and naming nobody."""

import json
import os
import re
import shutil
import subprocess
import sys
import venv
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest

import trials
from tests.browser import needs_browser, opened, overlaps_and_clips
from trials.doors import demo
from trials.doors.cli import run
from trials.doors.notebook import run_notebooks

ROOT = Path(__file__).parents[2]
EFFECTS = (
    "import sys, trials; round_ = trials.Round.open(sys.argv[1]); "
    "print(trials.fit(round_, 'liking').effects.to_csv(index=False, float_format=repr))"
)


@pytest.fixture(scope="module")
def kitchen(tmp_path_factory):
    """Two rounds of the small demo, with notes on a bake and on findings."""
    home = tmp_path_factory.mktemp("kitchen")
    first = demo.baked(home / "round-1")
    second = trials.write_next(first, 4)
    trials.write_sheets(second)
    demo.enter_scores(second)
    bake = second.plan.table["bake"].iloc[0]
    trials.write_note(second.folder, "Ada says: shatters.", bake=bake)
    trials.write_note(second.folder, "Ben was hungry & late.", about="liking")
    return second


@pytest.fixture(scope="module")
def shared(kitchen, tmp_path_factory):
    """The bundle of the two rounds, opened in a folder of its own."""
    place = tmp_path_factory.mktemp("elsewhere")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(ROOT))  # kernels import the very package that the tests do
        path = trials.bundle(kitchen, place / "shared.zip")
    with zipfile.ZipFile(path) as file:
        file.extractall(place / "opened")
    return place / "opened"


def effects(round_folder, *, python=sys.executable, where, **environment):
    """The table of effects, to the last digit, by a program that knows nothing but a folder."""
    done = subprocess.run(
        [python, "-c", EFFECTS, str(round_folder)],
        cwd=where,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def outputs(notebook):
    """What each cell of a notebook shows."""
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    return {one["id"]: one["outputs"] for one in cells if one["cell_type"] == "code"}


@pytest.mark.notebook
def test_what_is_in_it(shared):
    for name in ("read-me-first.html", "story.html", "HOW-TO.txt", "versions.txt"):
        assert (shared / name).is_file()
    for name in ("round-1", "round-2"):
        assert (shared / name / "round.html").is_file()
        assert any(outputs(shared / name / "round.ipynb").values())
        assert not (shared / name / "received").exists()
        assert not list((shared / name).glob("links.*"))
    for line in (shared / "versions.txt").read_text("utf-8").splitlines():
        name, number = line.split("==")
        assert version(name) == number
    how = (shared / "HOW-TO.txt").read_text("utf-8")
    assert "trials fit round-2" in how
    assert "pip install -r versions.txt" in how


@pytest.mark.notebook
def test_nobody_is_named_in_it(shared):
    for path in (one for one in shared.rglob("*") if one.is_file()):
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as book:
                text = "".join(
                    book.read(name).decode("utf-8", "replace") for name in book.namelist()
                )
        else:
            text = path.read_text("utf-8")
        # Pictures are letters too
        text = re.sub(r"data:[^\"'\\]+|\"image/png\": \"[^\"]+", "", text)
        assert not re.search(r"\b(Ada|Ben)\b", text), path
        assert not re.search(r"\b(Ada|Ben)\b", path.name)


@pytest.mark.notebook
def test_notes_go_along_and_stand_on_the_page(shared):
    page = (shared / "read-me-first.html").read_text("utf-8")
    assert "Taster A says: shatters." in page
    assert "Taster B was hungry &amp; late." in page
    assert "Taster A says: shatters." in (shared / "round-2" / "diary.csv").read_text("utf-8")


@pytest.mark.notebook
def test_it_runs_again_elsewhere_to_the_last_digit(kitchen, shared, tmp_path, monkeypatch):
    alone = shutil.copytree(shared, tmp_path / "alone")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    before = effects(kitchen.folder, where=tmp_path)
    assert before.count("\n") > 4
    assert effects("round-2", where=alone) == before
    shown = outputs(alone / "round-2" / "round.ipynb")
    assert run_notebooks([alone / "round-2" / "round.ipynb"])
    assert outputs(alone / "round-2" / "round.ipynb") == shown


@needs_browser
@pytest.mark.notebook
@pytest.mark.parametrize(
    "name", ["read-me-first.html", "story.html", "round-1/round.html", "round-2/round.html"]
)
def test_a_person_without_python_reads_it(shared, name):
    for width in (1280, 820):
        with opened(shared / name, width=width) as page:  # no network, no error
            assert page.locator("h1").first.is_visible()
            assert "farl" in page.locator("main").inner_text()
            page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            # A wide table is moved sideways in a frame of its own
            assert set(overlaps_and_clips(page)) <= {"cut: scroll"}


@pytest.mark.notebook
def test_a_persons_own_cells_go_along(kitchen, tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    mine = shutil.copytree(kitchen.folder.parent / "round-1", tmp_path / "mine")
    from trials.doors.workplace import write_notebook

    path = write_notebook(mine, "mine")
    notebook = json.loads(path.read_text("utf-8"))
    code = {"cell_type": "code", "execution_count": 7, "metadata": {}, "id": "own"}
    notebook["cells"] = [code | {"source": "print('Ada', 6 * 7)", "outputs": []}]
    path.write_text(json.dumps(notebook), "utf-8")
    before = path.read_bytes()
    assert run(["share", str(mine)]) == 0
    assert run(["share", str(mine)]) == 1, "one that is there is not written over unasked"
    assert run(["share", str(mine), "--replace"]) == 0
    assert path.read_bytes() == before, "the round itself stays as it is"
    with zipfile.ZipFile(tmp_path / "mine.zip") as file:
        told = file.read("mine/round.html").decode()
        assert "Taster A 42" in told
        assert "Ada" not in told
    assert run(["share", str(mine), "--names", "--to", str(tmp_path / "named.zip")]) == 0
    with zipfile.ZipFile(tmp_path / "named.zip") as file:
        assert "Ada 42" in file.read("mine/round.html").decode()
        assert any(name.startswith("mine/received/") for name in file.namelist())


@pytest.mark.slow
def test_it_runs_again_in_a_fresh_environment(kitchen, shared, tmp_path):
    """Nothing but the bundle, its versions and the package, in an environment made just now."""
    venv.create(tmp_path / "fresh", with_pip=True)
    python = tmp_path / "fresh" / "bin" / "python"
    install = [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*install, "-r", str(shared / "versions.txt"), str(ROOT)], check=True)
    alone = shutil.copytree(shared, tmp_path / "alone")
    fresh = {"python": str(python), "where": alone, "PYTHONPATH": ""}
    assert effects("round-2", **fresh) == effects(
        kitchen.folder, where=tmp_path, PYTHONPATH=str(ROOT)
    )
    shown = outputs(alone / "round-2" / "round.ipynb")
    rerun = "from trials.doors.notebook import run_notebooks as run; from pathlib import Path; "
    rerun += "run([Path('round-2/round.ipynb').resolve()])"
    subprocess.run(
        [str(python), "-c", rerun], cwd=alone, env={**os.environ, "PYTHONPATH": ""}, check=True
    )
    assert outputs(alone / "round-2" / "round.ipynb") == shown
