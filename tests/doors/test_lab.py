"""A real browser on what a person opens: a notebook in JupyterLab, the page with no network."""

import json
import shutil

from tests.browser import needs_browser, opened
from tests.lab import ran
from trials.doors.notebook import notebooks_home


@needs_browser
def test_a_notebook_runs_in_jupyterlab(tmp_path):
    work, home = tmp_path / "work", tmp_path / "home"
    work.mkdir()
    home.mkdir()
    name = "bring_your_own_table.ipynb"
    shutil.copy(notebooks_home() / name, work)
    with ran(work, home, name) as page:
        pictures = page.locator(".jp-NotebookPanel figure img")
        pictures.first.wait_for(timeout=30_000)
        assert pictures.count() >= 1
    saved = json.loads((work / name).read_text(encoding="utf-8"))
    code = [cell for cell in saved["cells"] if cell["cell_type"] == "code"]
    kinds = {output["output_type"] for cell in code for output in cell["outputs"]}
    assert all(cell["execution_count"] for cell in code)
    assert "error" not in kinds
    html = "".join(
        "".join(output.get("data", {}).get("text/html", ""))
        for c in code
        for output in c["outputs"]
    )
    assert html.count("<img alt=") >= 1, "the picture is there, with its description"


@needs_browser
def test_the_page_needs_no_network(demo_round):
    page_file = demo_round.folder / "page.html"
    with opened(page_file) as page:
        assert page.locator("h1").inner_text() == demo_round.name
        pictures = page.locator("img")
        assert pictures.count() >= 4
        for place in range(pictures.count()):
            picture = pictures.nth(place)
            assert picture.evaluate("image => image.naturalWidth") > 300
            assert len(picture.get_attribute("alt")) > 40
        assert "invented" in page.locator("body").inner_text()
