"""The timetable and the shopping list to print, and the files that one call writes."""

import re

import pandas as pd
import pytest

from tests.browser import needs_browser, opened, overlaps_and_clips, page_count, printed
from tests.design.test_crossings import PLAIN, SWEET
from tests.rounds.rounds_to_bake import KITCHEN, STEPS, doughnut
from trials.base.errors import RoundError
from trials.base.files import read_csv
from trials.design.crossings import crossing_factors, share_name
from trials.design.exchange import optimal
from trials.doors.cli import run
from trials.recipe.cautions import HOT_OIL
from trials.rounds.amounts import shopping_list
from trials.rounds.kitchen import Batch, Heat, Kitchen, Prices, Step
from trials.rounds.timetable import timetable
from trials.show.bake_sheets import shopping_page
from trials.show.sheets import write_sheets, write_shopping, write_timetable
from trials.show.timetable import timetable_sheet


@pytest.fixture
def round_(tmp_path):
    kitchen = Kitchen(heats=KITCHEN.heats, oil_fill=1500)
    prices = Prices({"butter": 9.5}, "EUR")
    batch = Batch(pieces=12, piece=40)
    return doughnut(tmp_path, steps=STEPS, kitchen=kitchen, prices=prices, batch=batch)


@pytest.fixture
def laminated(tmp_path):
    """Seven bakes a day of a crossing that rests between its folds."""
    oven = {"oven": 215}, {"oven": 190}
    factors = crossing_factors(
        PLAIN, SWEET, *oven, only=[share_name(SWEET), "oven"], hard_to_change={"oven": True}
    )
    plan = optimal(factors, model="main", bakes=14, criterion="D", days=2, loads=2, seed=4)
    steps = [
        Step("mix", 12, "hands"),
        Step("rest cold", 30),
        Step("lock in and fold", 12, "hands"),
        Step("rest cold again", 30),
        Step("fold to the end, roll, shape", 14, "hands", wait=0),
        Step("proof", 60, wait=15),
        Step("bake", 18, "oven"),
        Step("cool", 20),
    ]
    kitchen = Kitchen({"hands": 1, "oven": 1}, (Heat("oven", "oven", down=3),), until="22:00")
    return doughnut(tmp_path, plan=plan, formula=PLAIN, steps=steps, kitchen=kitchen)


def text(markup: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", markup.split("<body>")[1]))


def test_each_day_is_a_sheet_with_every_step_and_the_cautions(round_):
    made = timetable(round_)
    markup = timetable_sheet(round_, made)
    sheets = markup.split('<section class="sheet">')[1:]
    assert len(sheets) == round_.plan.days
    for day, sheet in zip(made.days.to_dict("records"), sheets, strict=True):
        tasks = made.tasks[(made.tasks["day"] == day["day"]) & (made.tasks["end"] > 0)]
        said = text("<body>" + sheet)
        for task in tasks.to_dict("records"):
            if task["end"] > task["start"]:
                assert f"{task['from']}–{task['to']} {task['bake']}: {task['step']}" in said
        gain = f"so at most {day['minutes to gain']} min could still be gained"
        assert (gain in said) == (day["minutes to gain"] > 0)
        bound = f"No order can end before {day['no earlier than']}"
        assert (bound in said) == (day["minutes to gain"] > 0)
        simple = f"Working down the list of bakes would end at {day['in simple order']}"
        assert (simple in said) == (day["in simple order"] != day["finish"])
        assert HOT_OIL.text in said
        assert 'alt="Bars of what is busy when' in sheet


def test_the_shopping_page_holds_the_list_its_cost_and_the_oil(round_):
    said = text(shopping_page(round_))
    table = shopping_list(round_)
    for row in table.to_dict("records"):
        assert f"{row['ingredient']} {row['bakes']} " in said
        assert f"{row['buy']} g" in said
    assert f"{table['cost (EUR)'].sum():.2f}" in said
    assert "frying oil 18 6000 g 6600 g" in said  # four fills of 1500 g, for all bakes
    assert "nan" not in said.casefold()


def test_one_call_writes_all_of_it_and_the_tables_read_back(round_):
    names = {path.name for path in write_sheets(round_)}
    assert {"bake-sheets.html", "cook-page.html", "shopping-list.html", "timetable.html"} <= names
    assert {"bakes.xlsx", "code-sheet.html", "shopping-list.csv", "timetable.csv"} <= names
    bought = read_csv(round_.folder / "shopping-list.csv")
    assert list(bought["buy"].astype(int)) == list(shopping_list(round_)["buy"])
    steps = read_csv(round_.folder / "timetable.csv")
    assert set(steps["bake"]) >= set(round_.plan.table["bake"])


def test_a_round_without_steps_has_no_timetable_and_says_why(tmp_path, capsys):
    made = doughnut(tmp_path)
    assert "timetable.html" not in {path.name for path in write_sheets(made)}
    with pytest.raises(RoundError, match="no step is named"):
        write_timetable(made)
    assert run(["timetable", str(made.folder)]) == 1
    assert "[[steps]]" in capsys.readouterr().err


def test_a_round_without_a_formula_has_nothing_to_buy(tmp_path):
    made = doughnut(tmp_path, formula=None)
    assert "shopping-list.html" not in {path.name for path in write_sheets(made)}
    with pytest.raises(RoundError, match="nothing to weigh"):
        write_shopping(made)


def test_one_command_each(round_, capsys):
    assert run(["shopping", str(round_.folder)]) == 0
    said = capsys.readouterr().out
    assert "bread flour" in said
    assert "shopping-list.html" in said
    assert run(["timetable", str(round_.folder)]) == 0
    said = capsys.readouterr().out
    assert "Day 1:" in said
    assert re.search(r"no earlier than\s+minutes to gain", said)
    assert "timetable.html" in said


@needs_browser
def test_pdf_on_request(round_, capsys):
    for command in ("sheets", "shopping", "timetable"):
        assert run([command, str(round_.folder), "--pdf"]) == 0
    pages = {
        name: page_count(round_.folder / f"{name}.pdf")
        for name in ("bake-sheets", "shopping-list", "timetable")
    }
    bakes = len(round_.plan.table)
    assert pages == {"bake-sheets": bakes, "shopping-list": 1, "timetable": round_.plan.days}


@needs_browser
def test_a_laminated_day_of_seven_bakes_keeps_to_one_page(laminated, tmp_path):
    assert page_count(printed(timetable_sheet(laminated), tmp_path)) == laminated.plan.days


@needs_browser
def test_nothing_lies_over_anything_on_the_screen(round_, tmp_path):
    for name, markup in (("day", timetable_sheet(round_)), ("buy", shopping_page(round_))):
        path = tmp_path / f"{name}.html"
        path.write_text(markup, "utf-8")
        with opened(path) as page:
            assert overlaps_and_clips(page) == []
            shown = page.evaluate("[...document.images].every(one => one.naturalWidth > 300)")
            assert shown


def test_a_day_that_can_not_be_worked_is_refused_when_the_round_is_made(tmp_path):
    with pytest.raises(RoundError, match='"bake" needs "stone"'):
        doughnut(tmp_path, steps=[Step("bake", 5, "stone")], kitchen=KITCHEN)


def test_names_never_become_markup(tmp_path):
    made = doughnut(tmp_path, name="<script>1</script>", steps=STEPS, kitchen=KITCHEN)
    for markup in (timetable_sheet(made), shopping_page(made)):
        assert "<script" not in markup
    assert isinstance(timetable(made, effort=0).days, pd.DataFrame)
