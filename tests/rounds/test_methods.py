"""Methods: what exists for some kinds only, and less of one thing at the same grams of the rest.

Checks are arithmetic on what a baker writes down, by hand; no other source is needed.
"""

import numpy as np
import pandas as pd
import pytest

import trials
from trials import Batch, Categorical, Formula, Heat, Kitchen, Measure, Numeric, Round, Step
from trials.base.errors import FactorError, FormulaError, RoundError
from trials.design.layout import lay_out
from trials.rounds.amounts import per_day, shopping_list, weights
from trials.rounds.timetable import timetable
from trials.show.bake_sheets import bake_sheets, round_cautions

FRIED = ("cooking", ["shallow-fry", "deep-fry"])
OVEN = ("cooking", ["oven"])
FACTORS = (
    Categorical("cooking", ["oven", "shallow-fry", "deep-fry"]),
    Numeric("oil temperature", 165, 185, "°C", hard_to_change=True, only_when=FRIED),
    Numeric("flour", 80, 100, "%", changes=("grams", "bread flour")),
    Categorical("leavening", ["with", "without"], changes=("grams", "baking powder")),
    Numeric("syrup", 40, 60, "%", changes=("percent", "sugar", "soak"), only_when=OVEN),
)
FARL = Formula(
    "farl",
    {
        "dough": {"bread flour": 100, "water": 60, "butter": 12, "baking powder": 5, "salt": 1.5},
        "soak": {"sugar": 50, "water": 50},
        "frying oil": {"sunflower oil": 200},
    },
    only_when={"soak": OVEN, "frying oil": FRIED},
)
STEPS = (
    Step("mix", 10, "hands"),
    Step("bake", 20, "oven", only_when=OVEN),
    Step("pour the syrup", 5, "hands", only_when=OVEN),
    Step("fry", 4, ("pot", "hands"), only_when=FRIED),
)
KITCHEN = Kitchen(
    heats=(Heat("pot", "oil temperature"), Heat("oven", setting=180, only_when=OVEN)),
    oil_fill=1500,
)


def planned(bakes=12, loads=4, references=2, seed=1):
    asked = {"days": 2, "loads": loads, "references": references, "seed": seed}
    # A dough for each bake: what is weighed for each is looked at here
    return trials.propose(FACTORS, bakes, doughs=bakes, **asked)


@pytest.fixture(scope="module")
def farl(tmp_path_factory):
    return Round.create(
        tmp_path_factory.mktemp("farl") / "one",
        plan=planned(),
        measures=[Measure("liking", "hedonic 9"), Measure("oil uptake", "number", per="bake")],
        formula=FARL,
        tasters=["Ida", "Bo"],
        steps=STEPS,
        kitchen=KITCHEN,
        batch=Batch(dough=400),
        seed=1,
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("references", [0, 2])
def test_a_baked_piece_has_no_frying_temperature_and_is_in_no_oil_fill(seed, references):
    table = planned(references=references, seed=seed).table
    fried = table["cooking"] != "oven"
    assert (table["oil temperature"].notna() == fried).all()
    assert (table["load"].notna() == fried).all()
    assert (table["syrup"].notna() == ~fried).all()
    assert (table[fried].groupby("load")["oil temperature"].nunique() == 1).all()
    numbers = table["load"].dropna()
    assert sorted(numbers.unique()) == list(range(1, numbers.nunique() + 1))


def test_a_fried_reference_gets_a_fill_of_its_own():
    cooking = Categorical("cooking", ["deep-fry", "oven"])
    heat = Numeric(
        "oil temperature", 165, 185, "°C", hard_to_change=True, only_when=("cooking", ["deep-fry"])
    )
    rows = pd.DataFrame(
        {
            "cooking": ["oven", "oven", "deep-fry", "deep-fry"],
            "oil temperature": [np.nan, np.nan, 165, 185],
            "day": [1, 1, 2, 2],
            "load": [1, 1, 2, 3],
        }
    )
    plan = lay_out([cooking, heat], rows, family="test", model="main", references=2, seed=4)
    references = plan.table[plan.table["role"] == "reference"]
    assert references["load"].notna().all()
    frying_day = plan.table.loc[plan.table["oil temperature"] == 165, "day"].iloc[0]
    alone = references[references["day"] != frying_day].iloc[0]
    assert (plan.table["load"] == alone["load"]).sum() == 1


def test_the_round_comes_back_from_its_folder(farl):
    again = Round.open(farl.folder)
    assert again.steps == farl.steps
    assert again.kitchen.heats == farl.kitchen.heats
    assert again.formula.only_when == {
        "soak": ("cooking", ("oven",)),
        "frying oil": ("cooking", ("shallow-fry", "deep-fry")),
    }
    assert again.plan.table.equals(farl.plan.table)


def test_each_method_has_its_own_steps_and_things(farl):
    tasks = timetable(farl, effort=0).tasks
    for row in farl.plan.table.to_dict("records"):
        own = tasks[tasks["bake"] == row["bake"]]
        words = " ".join(own["step"]) + " " + " ".join(own["needs"])
        baked = row["cooking"] == "oven"
        assert ("pot" in words) is not baked
        assert ("fry" in words) is not baked
        assert ("oven" in words) is baked
        assert ("syrup" in words) is baked


def test_sheets_and_cautions_follow_the_method(farl):
    sheets = bake_sheets(farl).split('<section class="sheet">')[1:]
    for sheet, row in zip(sheets, farl.plan.table.to_dict("records"), strict=True):
        baked = row["cooking"] == "oven"
        assert ("hot oil:" in sheet) is not baked
        assert ("oil temperature" in sheet) is not baked
        assert ("sunflower oil" in sheet) is not baked
        assert ("oil fill" in sheet) is not baked
        assert ("syrup: " in sheet) is baked
    assert "hot oil" in [one.subject for one in round_cautions(farl)]


def test_a_soak_is_weighed_for_the_batch_and_is_no_water_of_the_dough(farl):
    table = farl.plan.table.set_index("bake")
    for bake, formula in farl.formulas.items():
        baked = table.loc[bake, "cooking"] == "oven"
        assert ("soak" in formula.mix.parts) is baked
        without = "baking powder" not in formula.mix.parts["dough"]
        flour = table.loc[bake, "flour"]
        water = 60 + 12 * 0.1794 + (0 if without else 5 * 0.038)  # USDA: butter 17.94 g of water
        assert formula.totals()["hydration"] == pytest.approx(100 * water / flour, abs=0.3)
        if baked:
            assert formula.mix.parts["soak"]["sugar"] == pytest.approx(
                table.loc[bake, "syrup"] * 100 / flour
            )


def test_less_flour_is_the_same_grams_of_everything_else(farl):
    table = farl.plan.table.set_index("bake")
    whole = 100 + 60 + 12 + 5 + 1.5
    per_percent = 400 / whole
    for bake, grams in weights(farl).groupby("bake"):
        exact = grams[grams["part"] == "dough"].set_index("ingredient")["exact"]
        assert exact["bread flour"] == pytest.approx(table.loc[bake, "flour"] * per_percent)
        assert exact["water"] == pytest.approx(60 * per_percent)
        assert exact["salt"] == pytest.approx(1.5 * per_percent)
        there = table.loc[bake, "leavening"] == "with"
        assert ("baking powder" in exact) is there


def test_pieces_that_are_counted_stay_as_heavy(farl):
    for _, grams in weights(farl, Batch(pieces=8, piece=45)).groupby("bake"):
        assert grams.loc[grams["part"] == "dough", "exact"].sum() == pytest.approx(8 * 45)


def test_grams_are_the_figures_of_the_formula_as_it_was_written():
    batch = Formula("batch", {"bread flour": 500, "water": 300, "salt": 10})
    less = batch.with_grams("bread flour", 400)
    assert less.parts == pytest.approx({"bread flour": 100, "water": 75, "salt": 2.5})
    assert batch.with_grams("salt", 0).parts == pytest.approx({"bread flour": 100, "water": 60})
    with pytest.raises(FormulaError, match="flour is zero"):
        batch.with_grams("bread flour", 0)
    with pytest.raises(FormulaError, match="0 up"):
        batch.with_grams("salt", -1)


def test_oil_is_filled_in_only_where_something_is_fried(farl):
    days = per_day(farl).set_index("day")["oil"]
    fills = farl.plan.table.groupby("day")["load"].nunique()
    assert days.to_dict() == {day: 1500 * count for day, count in fills.items()}
    oil = shopping_list(farl).set_index("ingredient").loc["sunflower oil", "bakes"]
    assert oil == (farl.plan.table["cooking"] != "oven").sum()


def test_such_a_round_can_be_judged(farl):
    rehearsed = trials.rehearse(farl.plan, {"cooking": 2.0}, tasters=2, seed=3)
    found = trials.fit(rehearsed, "liking", farl.plan.factors)
    assert set(found.effects["term"]) >= {"cooking", "oil temperature", "syrup"}
    assert np.isfinite(found.spoken["estimate"]).all()


@pytest.mark.parametrize(
    ("wrong", "kind", "said"),
    [
        (lambda: Step("fry", 4, only_when=("cooking",)), RoundError, 'Step "fry": "only_when"'),
        (lambda: Heat("pot", only_when=("cooking", "oven")), RoundError, '"only_when" is the text'),
        (lambda: Numeric("x", 1, 2, only_when="cooking"), FactorError, "only_when"),
        (lambda: Numeric("x", 1, 2, peak="yes"), FactorError, "peak"),
    ],
)
def test_what_can_not_be_understood_is_refused(wrong, kind, said):
    with pytest.raises(kind, match=said):
        wrong()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"steps": [Step("fry", 4, only_when=("cookin", ["oven"])), STEPS[0]]}, "cookin"),
        ({"steps": [Step("fry", 4, only_when=("cooking", ["grill"])), STEPS[0]]}, "grill"),
        ({"kitchen": Kitchen(heats=(Heat("oven", only_when=("flour", [80])),))}, "flour"),
        (
            {"formula": Formula("f", FARL.parts, only_when={"soak": ("cooking", ["grill"])})},
            "grill",
        ),
    ],
)
def test_a_method_that_is_not_there_is_refused_at_the_plan(tmp_path, change, said):
    asked = {"plan": planned(), "measures": [Measure("liking", "hedonic 9")], "formula": FARL}
    with pytest.raises(trials.TrialsError, match=said):
        Round.create(tmp_path / "one", **(asked | {"steps": STEPS, "kitchen": KITCHEN} | change))
    assert not (tmp_path / "one").exists()


def test_what_can_not_be_settled_is_held_where_it_exists():
    said = " ".join(planned(loads=6).reasons)
    assert "hold it at –" not in said
