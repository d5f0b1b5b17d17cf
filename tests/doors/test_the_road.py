"""The README's road at the size it is for: two parents in eight bakes, two tasters, two days.

Commands, a spreadsheet and a phone; no step needs Python, the source, or a key that the page of
questions does not tell. The scores are invented: a dry griddle is worth three points to both.
"""

import re
import shlex

import openpyxl
import pandas as pd
import pytest

import trials
from tests.browser import find_browser, needs_browser
from tests.doors.test_ballot_server import running
from trials.doors.cli import run
from trials.rounds.forms import read_serving

LIKED = {"dry griddle": 7, "oven": 4}


class Kitchen:
    """A folder, and a person at the command line who reads what it prints."""

    def __init__(self, home, capsys):
        self.home, self.capsys = home, capsys

    def types(self, words, status=0):
        """Type a command; return what it printed."""
        self.capsys.readouterr()
        assert run(shlex.split(words)[1:]) == status, self.capsys.readouterr()
        said = self.capsys.readouterr()
        text = said.out + said.err
        assert "Traceback" not in text
        return text

    @staticmethod
    def told(text):
        """Return the command that a text says comes next."""
        return re.findall(r"(?:Next|then): (trials .+)", text)[-1]


@pytest.fixture
def kitchen(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return Kitchen(tmp_path, capsys)


def fill(path, sheet, values):
    """Enter values in a workbook as a spreadsheet does: {row's key: {column: value}}."""
    book = openpyxl.load_workbook(path)
    page = book[sheet]
    titles = {cell.value: cell.column for cell in page[1]}
    key = titles["bake" if sheet == "Bakes" else "code"]
    for row in range(2, page.max_row + 1):
        for title, value in values.get(str(page.cell(row, key).value), {}).items():
            page.cell(row, titles[title]).value = value
    book.save(path)


def liking(round_):
    """What each code is liked, by how it was cooked."""
    cooked = round_.plan.table.set_index("bake")["cooking"]
    served = read_serving(round_)
    return {
        row.code: (row.taster, row.bake, LIKED[cooked[row.bake]] + row.place % 2)
        for row in served.itertuples(index=False)
    }


def phone(round_, taster, sitting, failed=()):
    """Let a taster answer one sitting on a phone, and send it."""
    from playwright.sync_api import sync_playwright

    scores = liking(round_)
    with running(round_) as (_, port, links), sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=find_browser())
        # The phone keeps what it was given the first time
        keeps = round_.folder.parent / f"{taster}.json"
        known = {"storage_state": str(keeps)} if keeps.exists() else {}
        context = browser.new_context(viewport={"width": 390, "height": 844}, **known)
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{port}{links[taster]}")
        if not known:
            page.get_by_role("button", name=f"I am {taster}").click()
        page.get_by_label("I agree").check()
        page.locator("#sittings button").nth(sitting).click()
        own = read_serving(round_).query("taster == @taster")
        own = own[own["sitting"] == sorted(own["sitting"].unique())[sitting]]
        for row in own.sort_values("place").itertuples(index=False):
            assert page.get_by_text(row.code).first.is_visible()
            if row.bake not in failed:
                page.locator(f"input[type=radio][value='{scores[row.code][2]}']").first.check()
            page.locator("#next").click()
        page.get_by_role("button", name="Send to the cook").click()
        page.get_by_text("it arrived").wait_for()
        context.storage_state(path=str(keeps))
        browser.close()


@needs_browser
@pytest.mark.slow
def test_from_two_parents_to_the_story_of_two_rounds(kitchen):
    # The idea: the page as it comes, the two tasters called otherwise, one of them the cook
    said = kitchen.types("trials new farl --cross")
    idea = kitchen.home / "farl" / "idea.toml"
    text = idea.read_text(encoding="utf-8")
    text = text.replace('"Ada"', '"Ida"').replace('"Ben"', '"Bo"')
    idea.write_text("seed = 3\n" + text, encoding="utf-8")

    said = kitchen.types(kitchen.told(said))
    assert "Before the round, bake its extremes once" in said
    kitchen.types(kitchen.told(said))
    round_ = trials.Round.open("farl")
    assert round_.plan.count() == 8
    assert round_.plan.days == 2

    # Day 1: one bake fails, Ida writes into the workbook, Bo uses the phone
    days = round_.plan.table.groupby("day")["bake"].apply(list)
    lost = next(
        bake
        for bake, cooking in round_.plan.table[["bake", "cooking"]].to_numpy()
        if bake in days[1] and cooking == "oven"
    )
    made = {bake: {"status": "made"} for bake in days[1]}
    made[lost] = {"status": "failed", "reason": "raw core"}
    fill("farl/bakes.xlsx", "Bakes", made)
    scores = liking(round_)
    fill("farl/tastings.xlsx", "Tastings", {
        code: {"liking": score, "blind": "yes"}
        for code, (taster, bake, score) in scores.items()
        if taster == "Ida" and bake in days[1] and bake != lost
    })  # fmt: skip
    served = read_serving(round_)
    held = served.loc[served["bake"].isin(days[1]), "sitting"].nunique()
    for sitting in range(held):
        phone(round_, "Bo", sitting, failed=[lost])
    said = kitchen.types("trials check farl")
    assert "Nothing to mend" in said
    assert not re.search(r"\bproblem\b", said)
    before = read_serving(round_)

    # A change midway: somebody joins for the second day
    said = kitchen.types("trials replan farl --joins Cleo")
    assert f"Cleo tastes from sitting {held + 1} on" in said
    said = kitchen.types(kitchen.told(said))
    kitchen.types(kitchen.told(said))
    round_ = trials.Round.open("farl")
    served = read_serving(round_)
    columns = ["taster", "sitting", "place", "bake", "code"]
    # Nobody is asked to taste a bake that failed; all else keeps its code and place
    before = before[before["bake"] != lost]
    assert set(map(tuple, before[columns].to_numpy())) <= set(
        map(tuple, served[columns].to_numpy())
    )

    # Day 2: Cleo and Ida write, Bo uses the phone
    fill("farl/bakes.xlsx", "Bakes", {bake: {"status": "made"} for bake in days[2]})
    scores = liking(round_)
    fill("farl/tastings.xlsx", "Tastings", {
        code: {"liking": score} | ({"blind": "yes"} if taster == "Ida" else {})
        for code, (taster, bake, score) in scores.items()
        if taster in ("Ida", "Cleo") and bake in days[2]
    })  # fmt: skip
    phone(round_, "Bo", held)
    said = kitchen.types("trials check farl")
    assert "Nothing to mend; 0 still to be entered." in said
    table = trials.scores(round_)
    assert set(table.loc[table["liking"].notna(), "taster"]) == {"Ida", "Bo", "Cleo"}
    assert table["liking"].notna().sum() == sum(bake != lost for _, bake, _ in scores.values())

    # What mattered, and what next
    said = kitchen.types("trials fit farl")
    assert "cooking" in said
    assert len(said.splitlines()) < 25
    said = kitchen.types("trials next farl --bakes 4")
    kitchen.types(kitchen.told(said))
    second = trials.Round.open("farl-2")

    # The second round, all by workbook
    bakes = second.plan.table["bake"]
    fill("farl-2/bakes.xlsx", "Bakes", {bake: {"status": "made"} for bake in bakes})
    scores = liking(second)
    fill("farl-2/tastings.xlsx", "Tastings", {
        code: {"liking": score} | ({"blind": "yes"} if taster == "Ida" else {})
        for code, (taster, _, score) in scores.items()
    })  # fmt: skip
    assert "Nothing to mend; 0 still to be entered." in kitchen.types("trials check farl-2")
    said = kitchen.types("trials fit farl-2")
    assert "From 2 rounds" in said
    said = kitchen.types("trials story farl-2")
    assert "dry griddle" in said
    assert "2 rounds" in said
    kitchen.types("trials report farl-2")
    for name in ("story.html", "page.html"):
        page = (kitchen.home / "farl-2" / name).read_text(encoding="utf-8")
        assert "dry griddle" in page
    # One count of what failed, wherever it is told
    page = (kitchen.home / "farl-2" / "story.html").read_text(encoding="utf-8")
    assert set(re.findall(r"(\d+) (?:more|bake|of \d+ bakes) failed", page)) == {"1"}
    effects = trials.fit(second, "liking").effects
    griddle = effects[effects["term"] == "cooking"]["estimate"]
    assert abs(float(griddle.iloc[0])) == pytest.approx(3, abs=1)
    read = trials.scores(second).dropna(subset="liking")
    assert len(pd.read_csv("farl-2/scores.csv").dropna(subset="liking")) == len(read) > 0
