"""The demo runs no notebook but its own, as it gave it out."""

import json

from trials.doors.notebook import as_given_out, copy_notebooks


def test_only_notebooks_as_they_were_given_out_are_run(tmp_path):
    folder = copy_notebooks(tmp_path)
    given = as_given_out(folder, "[1-3]_*.ipynb")
    assert [path.name[:2] for path in given] == ["1_", "2_", "3_"]
    (folder / "1_mine.ipynb").write_text(given[0].read_text("utf-8"), "utf-8")
    changed = json.loads(given[0].read_text("utf-8"))
    changed["cells"][-1]["source"] = ["import os"]
    given[0].write_text(json.dumps(changed), "utf-8")
    assert [path.name[:2] for path in as_given_out(folder, "[1-3]_*.ipynb")] == ["2_", "3_"]
