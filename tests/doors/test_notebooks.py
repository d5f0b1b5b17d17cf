"""Each notebook runs from top to bottom, and is kept without output."""

import json
import shutil
import time

import pytest

from trials.doors.notebook import copy_notebooks, notebooks_home, run_notebooks

MOST_ROWS = 40
NOTEBOOKS = sorted(path.name for path in notebooks_home().glob("*.ipynb"))


def test_there_are_notebooks():
    assert {
        "1_plan_a_round.ipynb",
        "2_record_and_check.ipynb",
        "3_what_mattered.ipynb",
        "bring_your_own_table.ipynb",
        "cross_two_parents.ipynb",
    } <= set(NOTEBOOKS)


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_kept_without_output(name):
    notebook = json.loads((notebooks_home() / name).read_text(encoding="utf-8"))
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None


@pytest.mark.notebook
@pytest.mark.parametrize("name", NOTEBOOKS)
def test_runs_alone_from_top_to_bottom(name, tmp_path):
    whole = copy_notebooks(tmp_path / "all")
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copytree(whole / "data", alone / "data")
    shutil.copy(whole / name, alone)
    start = time.monotonic()
    run_notebooks([alone / name])
    assert time.monotonic() - start < 60
    notebook = json.loads((alone / name).read_text(encoding="utf-8"))
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert all(cell["execution_count"] for cell in code)
    kinds = {one.get("name") for cell in code for one in cell["outputs"]}
    assert "stderr" not in kinds
    shown = [
        "".join(one.get("data", {}).get("text/html", "")) for c in code for one in c["outputs"]
    ]
    # Nobody reads a table much longer than a plan of thirty bakes
    assert max((table.count("<tr") for table in shown), default=0) <= MOST_ROWS
