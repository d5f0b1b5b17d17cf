"""Each notebook runs from top to bottom, is kept without output, and is handed out as it ran."""

import json
import re
import resource
import shutil
from pathlib import Path

import nbformat
import pytest

from tests.browser import needs_browser, opened, overlaps_and_clips
from trials.doors.notebook import (
    as_kept,
    copy_notebooks,
    data_home,
    hand_out,
    notebooks_home,
    run_notebooks,
)
from trials.doors.workplace import write_notebook

MOST_ROWS = 40
NOTEBOOKS = sorted(path.name for path in notebooks_home().glob("*.ipynb"))


def test_the_notebooks_are_few():
    assert set(NOTEBOOKS) == {
        "bring_your_own_table.ipynb",
        "choose_a_plan.ipynb",
        "cross_two_parents.ipynb",
        "is_it_different.ipynb",
        "share.ipynb",
        "small_kitchen.ipynb",
    }


@pytest.fixture
def of_a_new_round(tmp_path):
    return write_notebook(tmp_path, "a new round")


def clean(path):
    """What keeps a notebook from being good to keep under git."""
    wrong = []
    text = path.read_text(encoding="utf-8")
    notebook = nbformat.reads(text, as_version=4)
    nbformat.validate(notebook)
    for cell in notebook.cells:
        if cell.cell_type == "code" and (cell.outputs or cell.execution_count is not None):
            wrong.append(f"{cell.id}: ran")
        if set(cell.metadata) - {"tags", "jupyter"}:
            wrong.append(f"{cell.id}: {dict(cell.metadata)}")
        if re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f-]+)?", cell.id):
            wrong.append(f"{cell.id}: drawn by chance, a new one at each writing")
    if len({cell.id for cell in notebook.cells}) < len(notebook.cells):
        wrong.append("two cells of one id")
    if set(notebook.metadata) != {"kernelspec", "language_info"}:
        wrong.append(f"{set(notebook.metadata)}")
    if set(notebook.metadata.language_info) != {"name"}:
        wrong.append("the version of Python")
    if text != as_kept(notebook):
        wrong.append("not written as JupyterLab writes it, so that saving it would change it")
    return wrong


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_kept_clean(name):
    assert clean(notebooks_home() / name) == []


def test_the_notebook_of_a_new_round_is_clean(of_a_new_round):
    assert clean(of_a_new_round) == []


def test_the_check_finds_what_is_not_clean(of_a_new_round):
    notebook = nbformat.read(of_a_new_round, as_version=4)
    notebook.cells[1].execution_count = 3
    notebook.cells[2].metadata["execution"] = {"iopub.status.busy": "2026-05-07T12:00:00Z"}
    notebook.cells[3].id = "0f3c9a1e"
    notebook.metadata.language_info["version"] = "3.12.1"
    nbformat.write(notebook, of_a_new_round)
    assert len(clean(of_a_new_round)) == 4


def ran(name, folder):
    """A notebook alone in a folder, run; and the seconds of work that it took."""
    folder.mkdir()
    shutil.copytree(data_home(), folder / "data")
    path = Path(shutil.copy(notebooks_home() / name, folder))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    run_notebooks([path])
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return path, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.notebook
@pytest.mark.parametrize("name", NOTEBOOKS)
def test_runs_alone_from_top_to_bottom(name, tmp_path):
    path, seconds = ran(name, tmp_path / "alone")
    assert 0 < seconds < 60, "of work: how long it takes beside others is not the notebook's doing"
    notebook = json.loads(path.read_text(encoding="utf-8"))
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert all(cell["execution_count"] for cell in code)
    kinds = {one.get("name") for cell in code for one in cell["outputs"]}
    assert "stderr" not in kinds
    told = [
        one.get("data", {"text/plain": one.get("text", "")}) for c in code for one in c["outputs"]
    ]
    assert str(tmp_path) not in json.dumps(told), "where it ran is nobody's business"
    shown = ["".join(one.get("text/html", "")) for one in told]
    # Nobody reads a table much longer than a plan of thirty bakes
    assert max((table.count("<tr") for table in shown), default=0) <= MOST_ROWS


@pytest.mark.notebook
@pytest.mark.parametrize("name", ["is_it_different.ipynb", "small_kitchen.ipynb"])
def test_a_rerun_of_the_same_changes_nothing(name, tmp_path):
    path, _ = ran(name, tmp_path / "alone")
    before = path.read_bytes()
    run_notebooks([path])
    assert path.read_bytes() == before


@pytest.mark.notebook
def test_what_was_alive_is_kept_still_or_not_at_all(tmp_path):
    notebook = nbformat.v4.new_notebook()
    notebook.metadata = {"kernelspec": {"name": "python3", "display_name": "Python 3"}}
    bar = "from ipywidgets import IntProgress\nIntProgress()"
    slow = (
        "import time\nfrom trials.base.progress import under_way\n"
        "with under_way('Baking', 2) as done:\n    time.sleep(2.5)\n    done(1)\n    time.sleep(1)"
    )
    notebook.cells = [nbformat.v4.new_code_cell(one) for one in (bar, slow, "print('done')")]
    path = tmp_path / "alive.ipynb"
    nbformat.write(notebook, path)
    run_notebooks([path])
    shown = [cell.outputs for cell in nbformat.read(path, as_version=4).cells]
    assert shown[:2] == [[], []]
    assert shown[2][0].text == "done\n"


@needs_browser
def test_what_ran_is_read_without_python_or_network(tmp_path):
    path, _ = ran("bring_your_own_table.ipynb", tmp_path / "alone")
    for width in (1280, 820):
        with opened(hand_out([path])[0], width=width) as page:
            assert page.locator("h1").inner_text() == "Bring your own table"
            picture = page.locator("img").first
            assert picture.evaluate("image => image.naturalWidth") > 300
            assert "replicate" in page.locator("main").inner_text()
            assert not page.locator("pre code").first.is_visible(), "the code is folded away"
            page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            assert overlaps_and_clips(page) == []


@pytest.mark.notebook
def test_an_exporter_that_keeps_no_markup_keeps_the_pictures(tmp_path):
    from nbconvert import MarkdownExporter

    path, _ = ran("bring_your_own_table.ipynb", tmp_path / "alone")
    _, told = MarkdownExporter().from_filename(str(path))
    pictures = [one for name, one in told["outputs"].items() if name.endswith(".png")]
    assert pictures
    assert all(one.startswith(b"\x89PNG") for one in pictures)


def test_what_is_copied_is_what_is_kept(tmp_path):
    copied = copy_notebooks(tmp_path / "mine")
    assert sorted(path.name for path in copied.glob("*.ipynb")) == NOTEBOOKS
    assert (copied / "data" / "cake.csv").is_file()
