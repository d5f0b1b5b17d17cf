"""The forms used as a person would, in a real browser on a real JupyterLab."""

import json
from pathlib import Path

import trials
from tests.browser import needs_browser
from tests.lab import ran
from tests.rounds.ginger_round import make_round
from trials.base.files import read_csv

ENTER = 'import trials\nform = trials.forms.enter(trials.Round.open("snaps"))\nform'
EXPLORE = """import pandas, trials
table = pandas.DataFrame({"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2,
                          "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2]})
rest, fat = trials.Numeric("rest", 20, 60, "min"), trials.Categorical("fat", ["butter", "oil"])
trials.forms.explore(trials.fit(table, "liking", [rest, fat], model="main"))"""


def notebook(path: Path, *cells: str) -> None:
    """Write a notebook of code cells."""
    code = [
        {
            "cell_type": "code",
            "execution_count": None,
            "id": f"cell-{place}",
            "metadata": {},
            "outputs": [],
            "source": text,
        }
        for place, text in enumerate(cells)
    ]
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    body = {"cells": code, "metadata": kernel, "nbformat": 4, "nbformat_minor": 5}
    path.write_text(json.dumps(body), encoding="utf-8")


@needs_browser
def test_scores_are_entered_and_settings_tried_by_keyboard(tmp_path):
    work, home = tmp_path / "work", tmp_path / "home"
    work.mkdir()
    home.mkdir()
    round_ = make_round(work / "snaps")
    notebook(work / "day.ipynb", ENTER, EXPLORE)
    with ran(work, home, "day.ipynb") as page:
        form = page.locator(".trials-form").nth(0)
        form.get_by_label("Who enters?").fill("Ida")
        page.keyboard.press("Tab")
        first = form.locator("table.entries tbody tr").first
        code = first.locator("td").nth(2).inner_text()
        liking = first.locator("input").first
        liking.fill("11")
        page.keyboard.press("Tab")
        first.locator("[aria-invalid=true]").wait_for(timeout=15_000)
        assert "1 to 9" in first.inner_text()
        assert not list((round_.folder / "incoming").glob("*"))
        liking = form.locator("table.entries tbody tr").first.locator("input").first
        liking.fill("6,5")
        page.keyboard.press("Tab")
        form.get_by_text("read as 6.5").wait_for(timeout=15_000)
        assert page.evaluate("document.activeElement.closest('table.entries') !== null")

        tried = page.locator(".trials-form").nth(1)
        slider = tried.get_by_label("rest")
        before = tried.locator("tbody td").first.inner_text()
        slider.focus()
        page.keyboard.press("End")
        tried.get_by_text("rest 60 min, fat butter").wait_for(timeout=15_000)
        assert tried.locator("tbody td").first.inner_text() != before
        tried.get_by_label("fat").select_option("oil")
        tried.get_by_text("rest 60 min, fat oil").wait_for(timeout=15_000)
        page.screenshot(path=tmp_path / "forms.png", full_page=True)
    kept = read_csv(round_.folder / "incoming/entered-ida-tastings.csv")
    assert kept["liking"].tolist() == ["6,5"]
    assert kept["code"].tolist() == [code]
    scored = trials.scores(round_)
    assert scored.loc[scored["code"] == code, "liking"].tolist() == [6.5]
