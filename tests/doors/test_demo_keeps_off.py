"""The demo runs no notebook but its own, as it gave it out."""

import json

from trials.doors.notebook import as_given_out, copy_notebooks, notebooks_home


def test_only_notebooks_as_they_were_given_out_are_run(tmp_path):
    folder = copy_notebooks(tmp_path)
    given = as_given_out(folder)
    names = {path.name for path in notebooks_home().glob("*.ipynb")}
    assert {path.name for path in given} == names
    (folder / "mine.ipynb").write_text(given[0].read_text("utf-8"), "utf-8")
    changed = json.loads(given[0].read_text("utf-8"))
    changed["cells"][-1]["source"] = ["import os"]
    given[0].write_text(json.dumps(changed), "utf-8")
    assert {path.name for path in as_given_out(folder)} == names - {given[0].name}
