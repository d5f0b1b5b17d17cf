"""The forms used as a person would, in a real browser on a real JupyterLab."""

import json
import shutil
from pathlib import Path

import trials
from tests.browser import needs_browser
from tests.lab import ran
from tests.rounds.ginger_round import make_round
from tests.show.test_graphics_contrast import edges
from trials.base.files import read_csv
from trials.doors.cli import run

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
        assert edges(page, ".trials-form") == []
    kept = read_csv(round_.folder / "incoming/entered-ida-tastings.csv")
    assert kept["liking"].tolist() == ["6,5"]
    assert kept["code"].tolist() == [code]
    scored = trials.scores(round_)
    assert scored.loc[scored["code"] == code, "liking"].tolist() == [6.5]


WIDTHS = (1280, 820)  # a laptop's screen and a tablet's


def looked_at(page, form, folder, name):
    """Take a picture of a form as a laptop and as a tablet show it; nothing may be cut off."""
    folder.mkdir(exist_ok=True)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 1000})
        page.wait_for_timeout(300)
        form.screenshot(path=folder / f"{name}-{width}.png")
        cut = form.evaluate(
            """one => [...one.querySelectorAll(
                'input, select, textarea, button, p, caption, table')]
              // A table that scrolls has to fit itself; what it holds is reached by scrolling
              .filter(part => part.tagName === 'TABLE' || !(part.closest('table')
                && getComputedStyle(part.closest('table')).overflowX === 'auto'))
              .filter(part => part.getBoundingClientRect().right
                > one.getBoundingClientRect().right + 1).map(part => part.outerHTML.slice(0, 80))"""
        )
        assert cut == [], f"{name} is cut off at {width}"
    page.set_viewport_size({"width": 1400, "height": 1000})


@needs_browser
def test_from_idea_to_printed_sheets_by_the_form_alone(tmp_path):
    work, home = tmp_path / "work", tmp_path / "home"
    work.mkdir()
    home.mkdir()
    folder = work / "my-round"
    assert run(["new", str(folder)]) == 0
    notebook(work / "idea.ipynb", 'import trials\ntrials.forms.idea("my-round")')
    with ran(work, home, "idea.ipynb") as page:
        form = page.locator(".trials-form").first
        form.get_by_label("What are you working on?").fill("oat farl")
        bakes = form.get_by_label("How many bakes can you afford")
        bakes.fill("many")
        form.get_by_text("is not a whole number").wait_for(timeout=15_000)
        bakes.fill("8")
        form.get_by_text("8 bakes, ").wait_for(timeout=15_000)
        page.keyboard.press("Tab")
        form.get_by_label("What do you want to vary").fill(
            "rest: 20 to 60 min\nfat: butter, lard\noven: 190 to 220 °C"
        )
        form.get_by_label("Who tastes").fill("Ada\nBen: sesame")
        form.get_by_text("8 bakes, rest, fat and oven").wait_for(timeout=15_000)
        looked_at(page, form, tmp_path / "shots", "idea")
        form.get_by_role("button", name="Plan it").click()
        form.get_by_text("over 2 days").first.wait_for(timeout=60_000)
        form.get_by_role("button", name="Rehearse it").click()
        form.get_by_text("Rehearsed 20 times").wait_for(timeout=120_000)
        form.get_by_role("button", name="Write the sheets").focus()
        page.keyboard.press("Enter")
        form.get_by_text("bake-sheets.html").wait_for(timeout=120_000)
        looked_at(page, form, tmp_path / "shots", "sheets")
    round_ = trials.Round.open(folder)
    assert round_.name == "oat farl"
    assert round_.plan.count() == 8
    assert [one.name for one in round_.plan.factors] == ["rest", "fat", "oven"]
    assert [one.name for one in round_.tasters] == ["Ada", "Ben"]
    assert (folder / "bake-sheets.html").is_file()
    assert list((folder / "ballots").glob("*"))


def small_round(folder):
    """Four bakes and one taster, with sheets."""
    factors = [trials.Numeric("rest", 20, 60, "min"), trials.Categorical("fat", ["butter", "lard"])]
    round_ = trials.Round.create(
        folder,
        plan=trials.design.full_factorial(factors, seed=2),
        measures=["liking"],
        tasters=["Ada"],
        seed=4,
    )
    trials.write_sheets(round_)
    return round_


def scores_of(form):
    return form.locator("table.entries tbody tr")


@needs_browser
def test_from_entering_to_findings_and_two_people_merged(tmp_path):
    work, home = tmp_path / "work", tmp_path / "home"
    work.mkdir()
    home.mkdir()
    round_ = small_round(work / "one")
    shutil.copytree(work / "one", work / "two")
    entering = 'trials.forms.enter("{}", "{}")'
    notebook(
        work / "day.ipynb",
        f"import trials\n{entering.format('one', 'Ada')}",
        entering.format("two", "Ben"),
    )
    with ran(work, home, "day.ipynb") as page:
        first, second = (page.locator(".trials-form").nth(place) for place in (0, 1))
        for place, text in enumerate(["6,5", "4", "7", "5"]):
            scores_of(first).nth(place).locator("input").first.fill(text)
            page.keyboard.press("Tab")
        scores_of(second).nth(0).locator("input").first.fill("12")
        page.keyboard.press("Tab")
        scores_of(second).first.locator("[aria-invalid=true]").wait_for(timeout=15_000)
        for place, text in enumerate(["6.5", "5"]):  # the second one is not what Ada typed
            scores_of(second).nth(place).locator("input").first.fill(text)
            page.keyboard.press("Tab")
        second.get_by_text("saved in entered-ben-tastings.csv").wait_for(timeout=15_000)
        page.wait_for_timeout(500)
        # The copy comes back: its entries are dropped beside the others
        theirs = work / "two/incoming/entered-ben-tastings.csv"
        shutil.copy(theirs, work / "one/incoming/entered-ben-tastings.csv")
        first.get_by_label("Which?").select_option("the bakes")
        scores_of(first).first.locator("select").wait_for(timeout=15_000)
        for place in range(4):
            scores_of(first).nth(place).locator("select").first.select_option("made")
        first.get_by_label("Which?").select_option("Ada's scores")
        first.locator(".conflict").wait_for(timeout=15_000)
        assert first.locator(".conflict").count() == 1, "what both say alike is no conflict"
        looked_at(page, first, tmp_path / "shots", "conflict")
        first.get_by_role("button", name="What mattered so far?").click()
        first.get_by_text("Which is right").wait_for(timeout=30_000)
        first.get_by_role("button", name="take 5").click()
        first.get_by_text("5 was chosen; both entries are kept").wait_for(timeout=15_000)
        assert first.locator(".conflict").count() == 0
        first.get_by_role("button", name="What mattered so far?").click()
        first.locator(".told p").first.wait_for(timeout=60_000)
        assert first.locator(".told p").first.inner_text().startswith("liking: ")
        assert "Which is right" not in first.locator(".told").inner_text()
        looked_at(page, first, tmp_path / "shots", "findings")
    assert len(trials.check(round_)) == 0
    scored = trials.scores(round_)
    assert sorted(scored["liking"].dropna()) == [5.0, 5.0, 6.5, 7.0]
    kept = "".join(one.read_text("utf-8") for one in (round_.folder / "received").glob("*entered*"))
    assert ",4" in kept, "what was not chosen is kept"
