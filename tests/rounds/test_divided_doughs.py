"""One dough, several ways of cooking: from the idea to the next round."""

import html
import json
import re

import numpy as np
import pandas as pd
import pytest

from tests.browser import needs_browser, page_count, printed
from tests.deciding.small_development import scored
from tests.reference.mixed_models import HERE as REFERENCE
from trials.analysis.fitting import fit
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.next_bakes import new_bakes, next_round
from trials.design.crossings import with_parents
from trials.design.midway import repeat
from trials.design.propose import propose
from trials.doors.start import planned_round
from trials.rounds.amounts import dough_weights, weights
from trials.rounds.scores import check, scores
from trials.rounds.timetable import timetable
from trials.show.sheets import write_sheets

FAT = Categorical("fat", ["butter", "lard"], changes=("swap", "butter"))
WATER = Numeric("hydration", 50, 58, "%", changes=("total", "hydration"))
LIFT = Numeric("baking powder", 0, 5, "%", changes=("percent", "baking powder"))
COOKING = Categorical("cooking", ["oven", "griddle"])
THREE_WAYS = Categorical("cooking", ["oven", "griddle", "shallow-fry"])

IDEA = """\
name = "griddle scone"
bakes = 8
days = 2
seed = 3

[[factors]]
kind = "categorical"
name = "fat"
levels = ["butter", "lard"]
changes = ["swap", "butter"]

[[factors]]
kind = "numeric"
name = "hydration"
low = 50
high = 58
unit = "%"
changes = ["total", "hydration"]

[[factors]]
kind = "categorical"
name = "cooking"
levels = ["oven", "griddle"]

[[measures]]
name = "liking"
scale = "hedonic 9"
goal = "higher"

[[tasters]]
name = "Ada"

[[tasters]]
name = "Ben"

[formula]
name = "scone"
[formula.parts]
"plain flour" = 100
butter = 24
milk = 40
"baking powder" = 5
salt = 1.5

[batch]
pieces = 5
piece = 40
smallest = 400

[[steps]]
name = "weigh and mix"
minutes = 12
needs = ["hands"]

[[steps]]
name = "shape"
minutes = 5
needs = ["hands"]

[[steps]]
name = "bake"
minutes = 18
needs = ["oven"]
only_when = ["cooking", ["oven"]]

[[steps]]
name = "cook on the griddle"
minutes = 12
needs = ["griddle", "hands"]
only_when = ["cooking", ["griddle"]]

[kitchen]
things = { hands = 1, oven = 1, griddle = 1 }
"""


def idea(folder, old="", new=""):
    folder.mkdir(exist_ok=True)
    assert old in IDEA
    (folder / "idea.toml").write_text(IDEA.replace(old, new) if old else IDEA)
    return folder


def said(plan):
    return " ".join(plan.reasons)


@pytest.fixture(scope="module")
def round_(tmp_path_factory):
    return planned_round(idea(tmp_path_factory.mktemp("divided")))


@pytest.fixture(scope="module")
def sheets(round_):
    write_sheets(round_)
    text = (round_.folder / "bake-sheets.html").read_text()
    parts = text.split('<section class="sheet">')[1:]
    return [" ".join(html.unescape(re.sub(r"<[^>]+>", " ", part)).split()) for part in parts]


# -- What is proposed.


def test_doughs_divided_over_the_ways_of_cooking_are_proposed_first():
    plan = propose([FAT, WATER, COOKING], 8, days=2, tasters=2, seed=1)
    table = plan.table
    assert plan.groups == ("dough",)
    assert table["dough"].nunique() == 4
    for name in ("day", "fat", "hydration"):
        assert (table.groupby("dough")[name].nunique() == 1).all()
    assert (table.groupby("dough")["cooking"].nunique() == 2).all()
    # One dough is baked before the next is
    assert table["dough"].tolist() == sorted(table["dough"])


def test_the_plan_says_what_judges_what_and_what_that_costs():
    plan = propose([FAT, WATER, COOKING], 8, days=2, tasters=2, seed=1)
    assert plan.reasons[0] == (
        "4 doughs, each divided over oven and griddle; what is in the dough (fat and hydration) is "
        "judged by 4 doughs, cooking by 8 bakes."
    )
    assert "can not settle" not in said(plan)
    now, then = map(float, re.search(r"± ([\d.]+) points.*± ([\d.]+)", plan.reasons[1]).groups())
    assert now > then
    assert "doughs = 8" in plan.reasons[1]
    alone = propose([FAT, WATER, COOKING], 8, days=2, tasters=2, seed=1, doughs=8)
    assert alone.groups == ()
    assert "each divided" not in said(alone)


@pytest.mark.parametrize("each", [False, True], ids=["divided", "a dough each"])
def test_the_fit_is_as_unsure_of_the_dough_as_was_foretold(each):
    """Rounds of the usual kitchen, nothing at work: the fit of single changes says how sure."""
    asked = {"days": 2, "tasters": 2, "seed": 1}
    foretold = re.search(
        r"± ([\d.]+) points.*± ([\d.]+)", said(propose([FAT, WATER, COOKING], 8, **asked))
    )
    # Divided, no error is left: what is usual in a kitchen counts for 4 degrees of freedom (t is
    # 2.776), over 2 doughs, 4 bakes and 8 scores a side
    usual = 2.776 * np.sqrt(2 * (0.25**2 / 2 + 0.25**2 / 4 + 1.21**2 / 8))
    assert float(foretold[1]) == pytest.approx(usual, abs=0.05)
    plan = propose([FAT, WATER, COOKING], 8, **asked, **({"doughs": 8} if each else {}))
    doughs = plan.table["dough"].astype(int) if not each else np.arange(1, 9)
    rng = np.random.default_rng(7)
    widths = []
    for _ in range(9):
        mean = 5.5 + rng.normal(0, 0.25, 9)[doughs] + rng.normal(0, 0.25, 8)
        table = pd.concat([plan.table.assign(taster=one) for one in "AB"], ignore_index=True)
        liking = np.tile(mean, 2) + rng.normal(0, 1.21, len(table))
        table["liking"] = np.clip(np.round(liking), 1, 9)
        liked = Measure("liking", "hedonic 9")
        found = fit(table, "liking", plan.factors, model="main", measure=liked)
        own = found.spoken.set_index("term").loc["fat"]
        widths.append((own["high"] - own["low"]) / 2)
    # A tenth is what the sentence rounds to; the rest is that a spread is measured on three bakes
    assert np.median(widths) == pytest.approx(float(foretold[1 + each]), abs=0.2)


def test_three_ways_are_all_made_of_each_dough():
    plan = propose([FAT, WATER, THREE_WAYS], 12, days=2, tasters=2, seed=1)
    assert (plan.table.groupby("dough")["cooking"].nunique() == 3).all()
    assert "4 doughs, each divided over oven, griddle and shallow-fry" in plan.reasons[0]


@pytest.mark.parametrize("fills", [None, 4])
def test_what_is_fried_of_a_dough_goes_into_an_oil_fill_of_its_own_count(fills):
    cooking = Categorical("cooking", ["oven", "fried"])
    oil = Numeric("oil", 165, 180, "°C", hard_to_change=True, only_when=("cooking", ["fried"]))
    plan = propose([FAT, WATER, cooking, oil], 8, days=2, loads=fills, tasters=2, seed=1)
    table = plan.table
    assert plan.groups == ("load", "dough")
    assert (table.groupby("dough")["cooking"].nunique() == 2).all()
    assert (table["load"].notna() == (table["cooking"] == "fried")).all()
    assert (table.dropna(subset="load").groupby("load")["oil"].nunique() == 1).all()
    assert "cooking by 8 bakes" in plan.reasons[0]


def test_doughs_that_could_not_be_told_apart_are_not_divided_unasked():
    """Four doughs on two days hold a mean, a day and two changes: a third has no dough left."""
    factors = [FAT, WATER, LIFT, COOKING]
    plan = propose(factors, 8, days=2, tasters=2, seed=1)
    assert plan.groups == ()
    assert "type doughs = 4; but 4 doughs could not tell baking powder apart from" in said(plan)
    asked = propose(factors, 8, days=2, tasters=2, seed=1, doughs=4)
    assert asked.table["dough"].nunique() == 4
    assert "can not tell baking powder apart" in said(asked)
    # With twelve bakes six doughs are mixed, and tell all three
    more = propose(factors, 12, days=2, tasters=2, seed=1)
    assert more.table["dough"].nunique() == 6
    assert "can not tell" not in said(more)


@pytest.mark.parametrize(("doughs", "bakes"), [(2, 6), (4, 7), (3, 8), (1, 5)])
def test_doughs_too_few_for_what_is_in_them_are_refused_with_numbers_that_work(doughs, bakes):
    factors = [FAT, WATER, LIFT, COOKING]
    with pytest.raises(PlanError) as refused:
        propose(factors, bakes, tasters=2, seed=1, doughs=doughs)
    told = str(refused.value)
    assert told.startswith(f"doughs is {doughs} and bakes is {bakes}: ")
    assert "loads" not in told
    works = told.partition("What works: ")[2]
    named = [dict(re.findall(r"(doughs|bakes) = (\d+)", one)) for one in works.split("; or ")]
    assert named
    for one in named:
        wish = {"bakes": bakes} | {name: int(count) for name, count in one.items()}
        made = propose(factors, tasters=2, seed=1, **wish)
        assert made.table.get("dough", made.table["bake"]).nunique() == wish["doughs"]


@pytest.mark.parametrize(
    ("factors", "wishes", "expected"),
    [
        ([FAT, COOKING], {"loads": {"dough": 4}}, 'hard_to_change="dough"'),
        (
            [FAT, COOKING, Numeric("oven", 165, 190, hard_to_change=True)],
            {"doughs": 4},
            "bakes share oven heats too (oven)",
        ),
    ],
)
def test_doughs_said_in_two_ways_are_refused_in_kitchen_words(factors, wishes, expected):
    with pytest.raises(PlanError) as refused:
        propose(factors, 8, tasters=2, seed=1, **wishes)
    assert expected in str(refused.value)
    assert "expected load" not in str(refused.value)
    assert ("loads" in str(refused.value)) == ("loads" in wishes)


@pytest.mark.parametrize(
    "rest",
    [Categorical("rest", ["none", "overnight"]), Numeric("rest", 0, 16, "h")],
)
def test_no_dough_is_divided_over_a_rest_that_outlasts_the_day(rest):
    for factors in ([FAT, rest, COOKING], [rest, COOKING]):
        table = propose(factors, 8, tasters=2, seed=1).table
        if "dough" in table:
            assert (table.groupby("dough")["rest"].nunique() == 1).all()
    assert "dough" in propose([FAT, rest, COOKING], 8, tasters=2, seed=1).groups


def test_what_can_not_be_told_apart_is_told_by_name_from_what():
    """The fourth dough goes with the days: fat times hydration, which stands for a day."""
    plan = propose([FAT, WATER, LIFT, COOKING], 8, days=2, tasters=2, seed=1, doughs=4)
    lift = plan.table.groupby("day")["baking powder"].nunique()
    assert ("apart from the days" in said(plan)) == (lift == 1).all()
    assert "the rest" not in said(plan)


@pytest.mark.parametrize("bakes", [6, 8, 9, 12])
@pytest.mark.parametrize("days", [2, 3])
def test_no_day_has_one_dough_alone(bakes, days):
    """A day's only dough can not be told from its day."""
    plan = propose([WATER, COOKING], bakes, days=days, tasters=2, seed=1)
    if "dough" in plan.table:
        assert plan.table.groupby("day")["dough"].nunique().min() >= 2
    own = plan.table.groupby("day")["hydration"].nunique()
    assert own.min() > 1


@pytest.mark.parametrize(("doughs", "works"), [(2, ["4", "8"]), (3, ["4", "8"])])
def test_a_dough_a_day_is_refused_for_what_it_is(doughs, works):
    with pytest.raises(PlanError, match="which can not be told from its day") as refused:
        propose([FAT, COOKING], 8, days=2, tasters=2, seed=1, doughs=doughs)
    assert re.findall(r"doughs = (\d+)", str(refused.value)) == works
    for count in map(int, works):
        made = propose([FAT, COOKING], 8, days=2, tasters=2, seed=1, doughs=count)
        assert made.table.get("dough", made.table["bake"]).nunique() == count


def test_what_can_not_be_divided_equally_is_said():
    plan = propose([FAT, WATER, COOKING], 10, days=2, tasters=2, seed=1)
    assert plan.count() == 8
    assert "You asked for 10 bakes; 8 are planned" in said(plan)


def test_the_smallest_dough_sets_how_many_bakes_one_makes():
    plan = propose([FAT, COOKING], 8, days=1, tasters=2, seed=1, bakes_a_dough=4)
    assert (plan.table.groupby("dough").size() >= 4).all()


@pytest.mark.parametrize(
    "factors",
    [
        [FAT, WATER, Numeric("proof", 40, 70, "min")],
        [Numeric("rest", 20, 60, "min"), COOKING],
        [FAT, Categorical("cooking", ["oven", "griddle"], hard_to_change=True)],
        [Numeric("syrup", 50, 70, "%", changes=("percent", "sugar", "syrup")), COOKING],
    ],
)
def test_nothing_is_divided_where_no_dough_is_crossed_with_a_way_of_cooking(factors):
    assert "dough" not in propose(factors, 8, tasters=2, seed=1).groups


@pytest.mark.parametrize(
    ("factors", "wishes", "named"),
    [
        ([Numeric("rest", 20, 60), COOKING], {"doughs": 4}, "nothing that varies is in the dough"),
        ([FAT, COOKING], {"doughs": 1, "days": 2}, "doughs is 1"),
        ([FAT, COOKING], {"doughs": 0}, "doughs is 0"),
        ([FAT, COOKING], {"bakes_a_dough": 0}, "bakes_a_dough is 0"),
    ],
)
def test_doughs_that_make_no_sense_are_refused_with_a_word(factors, wishes, named):
    with pytest.raises(PlanError, match=re.escape(named)):
        propose(factors, 8, seed=1, **wishes)


def test_a_parent_is_one_more_bake_of_a_dough_like_its_own_or_of_one_of_its_own():
    plan = propose([FAT, WATER, COOKING], 8, days=2, tasters=2, seed=1)
    parents = pd.DataFrame(
        {"fat": ["butter", "lard"], "hydration": [50.0, 54.0], "cooking": ["oven", "griddle"]},
        index=["scone", "farl"],
    )
    both = with_parents(plan, parents)
    table = both.table.set_index("bake")
    assert both.table["dough"].tolist() == sorted(both.table["dough"])
    (like,), (other,) = both.details["parents"]["scone"], both.details["parents"]["farl"]
    assert (table["dough"] == table.loc[like, "dough"]).sum() == 3
    assert (table["dough"] == table.loc[other, "dough"]).sum() == 1
    assert (table.groupby("dough")[["fat", "hydration"]].nunique() == 1).all(axis=None)


# -- From the idea to the sheets.


def test_the_idea_is_planned_so_without_a_word_on_groups(round_):
    assert "4 doughs, each divided over oven and griddle" in said(round_.plan)
    assert "Once for each dough: weigh and mix." in said(round_.plan)
    again = planned_round(round_.folder)
    assert again.plan.table.equals(round_.plan.table)


def test_a_dough_each_is_an_answer_of_the_idea(tmp_path):
    made = planned_round(idea(tmp_path / "each", "bakes = 8", "bakes = 8\ndoughs = 8"))
    assert made.plan.groups == ()
    # Less than 400 g can not be mixed well: so much is mixed, and 200 g of it baked
    grams = weights(made).groupby("bake")["exact"].sum()
    assert grams.to_numpy() == pytest.approx(400)
    write_sheets(made)
    shown = (made.folder / "bake-sheets.html").read_text()
    assert shown.count("The least that is mixed well, 400 g: bake 200 g of it.") == 8


def test_each_dough_is_weighed_once_and_its_pieces_are_weighed_out(round_, sheets):
    made = dough_weights(round_).groupby("dough")["exact"].sum()
    assert len(made) == 4
    assert made.to_numpy() == pytest.approx(400 / 0.97)  # two shares, and what stays in the bowl
    doughs = [one for one in sheets if one.startswith("Dough batch")]
    assert len(doughs) == 4
    for one in doughs:
        assert re.search(r"weigh out 200 g for B\d\d \(\w+\) and 200 g for B\d\d \(\w+\)", one)
        assert "3 % of the dough is for what stays in the bowl." in one
        assert "weigh and mix" in one
        assert "cook on the griddle" not in one
    cooking = round_.plan.table.set_index("bake")["cooking"]
    for bake, way in cooking.items():
        (own,) = (one for one in sheets if one.startswith(bake))
        assert re.search(r"dough batch \d 200 g", own)
        assert ("cook on the griddle 12 min" in own) == (way == "griddle")
        assert ("bake 18 min" in own) == (way == "oven")
        assert "weigh and mix" not in own


@needs_browser
def test_a_sheet_a_dough_and_a_page_a_bake(round_, sheets, tmp_path):
    markup = (round_.folder / "bake-sheets.html").read_text()
    assert page_count(printed(markup, tmp_path)) == len(sheets) == 4 + 8


def test_the_day_mixes_each_dough_once_before_its_bakes(round_):
    tasks = timetable(round_, effort=0).tasks
    mixed = tasks[tasks["step"] == "weigh and mix"].set_index("bake")["end"]
    assert len(mixed) == 4
    shaped = tasks[tasks["step"] == "shape"].set_index("bake")["start"]
    for row in round_.plan.table.to_dict("records"):
        assert shaped[row["bake"]] >= mixed[f"dough batch {row['dough']}"]


# -- What is read, fitted and baked next.


def test_the_serving_is_blind_to_the_dough(round_, sheets):
    served = pd.read_csv(round_.folder / "serving.csv", dtype=str)
    first = served[(served["kind"] == "sample")]
    assert first["code"].is_unique
    for _, own in first.groupby(["taster", "sitting"]):
        assert set(own["bake"]) <= set(round_.plan.table["bake"])
    for path in (round_.folder / "ballots").glob("*.html"):
        assert "dough" not in path.read_text().casefold().replace("raw dough", "")


def test_the_published_split_plot_is_judged_as_published():
    """Recipes by batches of batter, oven heats within them (Cochran & Cox 1957, ch. 7)."""
    table = pd.read_csv(REFERENCE / "cake.csv")
    table["dough"] = table.groupby(["replicate", "recipe"]).ngroup() + 1
    table["bake"] = [f"B{place}" for place in range(len(table))]
    table = table.rename(columns={"replicate": "day"}).astype({"temperature": str})
    factors = [
        Categorical("recipe", list("ABC"), hard_to_change="dough"),
        Categorical("temperature", sorted(table["temperature"].unique())),
    ]
    angle = Measure("angle", "number", per="bake")
    found = fit(table, "angle", factors, model="interactions", measure=angle)
    tests = found.tests.set_index("term")
    assert tests.loc["recipe", "judged_against"] == "dough batches"
    assert tests.loc["temperature", "judged_against"] == "bakes"
    published = json.loads((REFERENCE / "cake_expected.json").read_text())
    strata = published["classical_splitplot_anova"]
    for stratum in ("Error: replicate:recipe", "Error: Within"):
        *terms, left = strata[stratum]
        for row in terms:
            own = tests.loc[row["term"]]
            assert own["F"] == pytest.approx(row["F value"], rel=1e-5)
            assert own["p"] == pytest.approx(row["Pr(>F)"], rel=1e-4)
            assert own["df"] == row["Df"]
            assert own["error_df"] == pytest.approx(left["Df"], rel=1e-4)


@pytest.fixture(scope="module")
def tasted(tmp_path_factory):
    made = planned_round(idea(tmp_path_factory.mktemp("tasted")))
    write_sheets(made)
    return scored(made, seed=3, truth={"cooking": 1.5})


def test_a_tasted_round_is_checked_and_fitted(tasted):
    assert len(check(tasted)) == 0
    assert scores(tasted)["dough"].nunique() == 4
    tests = fit(tasted, "liking").tests.set_index("term")
    assert tests.loc["fat", "judged_against"] == "dough batches"
    assert tests.loc["cooking", "judged_against"] == "bakes"


@pytest.mark.parametrize(("bakes", "doughs"), [(4, 2), (6, 3), (2, 1), (5, 2)])
def test_the_next_round_divides_doughs_too(tasted, bakes, doughs):
    plan = new_bakes(next_round(tasted, bakes, action="fill").plan)
    table = plan.table
    assert len(table) in (bakes, 2 * doughs)
    assert table["dough"].nunique() == doughs
    assert (table.groupby("dough")["cooking"].nunique() == 2).all()
    for name in ("day", "fat", "hydration"):
        assert (table.groupby("dough")[name].nunique() == 1).all()


def test_a_dough_that_failed_is_mixed_anew_once_for_all_of_its_bakes():
    plan = propose([FAT, WATER, COOKING], 8, days=2, tasters=2, seed=1)
    lost = plan.table.loc[plan.table["dough"] == 4, "bake"].tolist()
    assert len(lost) == 2
    again = repeat(plan, lost).table
    assert again["dough"].tolist()[8:] == [5, 5]
    assert again["dough"].tolist()[:8] == plan.table["dough"].tolist()
    # Two bakes of two doughs that slipped are two doughs more
    apart = repeat(plan, [plan.table["bake"].iloc[0], lost[0]]).table
    assert apart["dough"].tolist()[8:] == [5, 6]


def test_as_many_doughs_as_were_asked_for_are_planned_with_a_number_in_them():
    plan = propose([FAT, WATER, COOKING], 12, days=2, tasters=2, doughs=4, seed=1)
    assert plan.table["dough"].nunique() == 4


def test_doughs_that_all_questions_are_of_are_refused_with_what_to_do():
    with pytest.raises(PlanError, match=r"bakes of one dough would be alike.*Say bakes = 4"):
        propose([FAT, WATER], 8, days=2, tasters=2, doughs=4, seed=1)
