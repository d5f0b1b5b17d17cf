"""Side tests at the bench: order, page, reading, sentence, diary, and what is never tried."""

import numpy as np
import pytest
from scipy import stats

from tests.browser import needs_browser, opened, overlaps_and_clips, page_count, printed
from tests.rounds.rounds_to_bake import doughnut_plan
from trials.base.errors import MeasureError, PlanError, RoundError, SheetError
from trials.base.files import read_csv, write_csv
from trials.core.measures import Measure
from trials.rounds.bench import extreme_corners, read_side_test, side_test
from trials.rounds.diary import read_diary

DENT = Measure("dent", "number", unit="mm")
FATS = ["lard", "butter", "clarified butter"]
ASKED = "Which fat stays firm at room heat?"


def fill(test, values):
    """Enter values by thing, in turn."""
    path = test.folder / "answers.csv"
    table = read_csv(path)
    for thing, own in values.items():
        table.loc[table["thing"] == thing, "found"] = own
    write_csv(table, path)


def test_each_thing_comes_once_before_any_comes_again_in_a_new_order(tmp_path):
    test = side_test(tmp_path, ASKED, FATS, DENT, times=6, seed=3)
    turns = [test.order[at : at + 3] for at in range(0, 18, 3)]
    assert all(sorted(turn) == sorted(FATS) for turn in turns)
    assert len(set(turns)) > 1
    assert side_test(tmp_path, ASKED, FATS, DENT, times=6, seed=3).order == test.order
    assert read_csv(test.folder / "answers.csv")["thing"].tolist() == list(test.order)


def test_what_is_entered_is_read_told_and_kept_in_the_diary(tmp_path):
    test = side_test(tmp_path, ASKED, FATS, DENT, seed=3)
    values = {"lard": ["2,0", "2.2", "1.8"], "butter": ["5", "5.2", "4.9"],
              "clarified butter": ["4.8", "5.1", "5.0"]}  # fmt: skip
    fill(test, values)
    found = read_side_test(test)
    assert found.table["thing"].tolist() == ["butter", "clarified butter", "lard"]
    assert found.table["times"].tolist() == [3, 3, 3]
    numbers = [[float(one.replace(",", ".")) for one in values[name]] for name in FATS]
    interval = stats.tukey_hsd(*map(np.array, numbers)).confidence_interval(0.95)
    assert interval.low[1, 2] < 0 < interval.low[1, 0]
    assert "butter over lard by 3 mm" in found.sentence
    assert "butter over clarified butter" not in found.sentence
    assert read_diary(tmp_path)["note"].tolist() == [found.reason]


@pytest.mark.slow
def test_false_alarms_are_as_rare_as_they_say(tmp_path):
    """Three things that are alike: some pair is called clear in at most 5 % of tests."""
    rng = np.random.default_rng(2)
    test, alarms = side_test(tmp_path, ASKED, FATS, DENT, seed=3), 0
    for _ in range(300):
        fill(test, {name: [repr(float(one)) for one in rng.normal(5, 1, 3)] for name in FATS})
        alarms += "Clear of each other" in read_side_test(test, diary=False).sentence
    assert alarms <= stats.binom.ppf(0.999, 300, 0.05)


def test_one_try_each_says_that_nothing_shows_the_spread(tmp_path):
    test = side_test(tmp_path, ASKED, FATS[:2], DENT, times=1, seed=3)
    fill(test, {"lard": ["2"], "butter": ["5"]})
    assert "tried once" in read_side_test(test).sentence


def test_equal_tries_and_yes_or_no_are_not_made_more_of_than_they_are(tmp_path):
    test = side_test(tmp_path, ASKED, FATS[:2], DENT, seed=3)
    fill(test, {"lard": ["2"] * 3, "butter": ["5"] * 3})
    assert "measure finer" in read_side_test(test).sentence
    tears = side_test(
        tmp_path, "Which dough tears?", ["rested", "fresh"], Measure("tore", "passed")
    )
    fill(tears, {"rested": ["no"] * 3, "fresh": ["yes"] * 3})
    assert "a hint, no more" in read_side_test(tears).sentence


@pytest.mark.parametrize(
    ("value", "said"),
    [("n/a", "not a number"), ("=1+1", "not a number"), ("", "nothing is entered for lard")],
)
def test_a_cell_that_can_not_be_read_is_said_with_its_place(tmp_path, value, said):
    test = side_test(tmp_path, ASKED, FATS, DENT, seed=3)
    fill(test, {name: ["1", "2", "3"] for name in FATS})
    fill(test, {"lard": [value] * 3})
    with pytest.raises(SheetError, match=f"answers.csv.*{said}"):
        read_side_test(test)
    assert read_diary(tmp_path).empty


@pytest.mark.parametrize(
    ("question", "things", "word"),
    [
        ("Which oil smokes last?", ["sunflower oil", "lard"], "ask the supplier"),
        ("How hot until it smokes", ["butter", "lard"], "ask the supplier"),
        ("What is the smoke point?", ["one", "other"], "ask the supplier"),
        ("When does it ignite?", ["butter", "lard"], "ask the supplier"),
        ("How does the raw dough taste?", ["rye", "wheat"], "not tasted"),
        ("Tasting raw batter", ["sweet", "plain"], "not tasted"),
        ("A drop of water in hot oil", ["much", "little"], "never brought together"),
        ("How long until it is unsafe", ["custard", "cream"], "food-safety code"),
    ],
)
def test_what_is_not_safe_is_not_offered_and_says_whom_to_ask(tmp_path, question, things, word):
    with pytest.raises(PlanError, match=word):
        side_test(tmp_path, question, things, DENT)
    assert not (tmp_path / "side-tests").exists()


def test_smoked_things_are_fine(tmp_path):
    side_test(tmp_path, "Which is crisper?", ["smoked paprika", "butter"], DENT)


@pytest.mark.parametrize(
    ("asked", "error"),
    [
        ({"things": ["one"]}, PlanError),
        ({"things": list("abcdefg")}, PlanError),
        ({"things": ["Lard", "lard"]}, PlanError),
        ({"things": "lard"}, RoundError),
        ({"things": ["", "lard"]}, PlanError),
        ({"times": 0}, PlanError),
        ({"question": " "}, PlanError),
        ({"measure": Measure("said", "words")}, MeasureError),
    ],
)
def test_what_can_not_be_compared_is_refused(tmp_path, asked, error):
    whole = {"question": ASKED, "things": FATS, "measure": DENT} | asked
    with pytest.raises(error):
        side_test(tmp_path, **whole)


def test_names_are_never_markup_nor_run_in_a_spreadsheet(tmp_path):
    things = ["=cmd|'/C calc'!A0", "<script>alert(1)</script>"]
    test = side_test(tmp_path, "<b>which</b>", things, DENT)
    markup = (test.folder / "page.html").read_text("utf-8")
    assert "<script" not in markup
    assert "<b>which" not in markup
    assert ",=cmd" not in (test.folder / "answers.csv").read_text("utf-8")
    fill(test, {things[0]: ["1"] * 3, things[1]: ["2"] * 3})
    assert set(read_side_test(test).table["thing"]) == set(things)


def test_the_extreme_corners_are_the_farthest_apart():
    plan = doughnut_plan()
    corners = extreme_corners(plan, 4)
    first, second = (corners.iloc[at][[one.name for one in plan.factors]] for at in (0, 1))
    differing = sum(first[name] != second[name] for name in first.index)
    rows = plan.table.query("role == 'trial'")[list(first.index)].drop_duplicates().to_numpy()
    most = max((one != other).sum() for one in rows for other in rows)
    assert differing == most
    assert corners["corner"].is_unique
    assert "165 °C" in corners["corner"].str.cat()
    with pytest.raises(PlanError, match="fit one line-up"):
        extreme_corners(plan, 7)


@needs_browser
def test_the_page_is_one_page(tmp_path):
    test = side_test(tmp_path, ASKED, [*FATS, "sunflower oil, chilled overnight"], DENT, times=4)
    markup = (test.folder / "page.html").read_text("utf-8")
    assert page_count(printed(markup, tmp_path)) == 1
    with opened(test.folder / "page.html") as page:
        assert overlaps_and_clips(page) == []
