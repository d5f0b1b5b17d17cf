"""One dough made once and divided between bakes: all sheets, the plan and the fit know it."""

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.browser import needs_browser, page_count, printed
from tests.rounds.rounds_to_bake import DOUGHNUT, doughnut
from trials.analysis.fitting import fit
from trials.base.errors import FormulaError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.exchange import optimal
from trials.design.layout import lay_out
from trials.recipe.formula import Formula
from trials.rounds.amounts import (
    batch_sentence,
    dough_weights,
    per_day,
    shared_doughs,
    shopping_list,
    used,
    weights,
)
from trials.rounds.kitchen import Batch, Step
from trials.rounds.scores import record_scores, scores
from trials.rounds.timetable import timetable
from trials.show.bake_sheets import bake_sheets
from trials.show.cook_page import cook_page
from trials.show.sheets import write_sheets

WATER = Numeric("hydration", 92, 108, "%", hard_to_change="dough", changes=("total", "hydration"))
PROOF = Numeric("proof", 40, 70, "min")
BATCH = Batch(pieces=12, piece=40)


@pytest.fixture(scope="module")
def round_(tmp_path_factory):
    plan = optimal(
        [WATER, PROOF],
        model="interactions",
        criterion="D",
        bakes=12,
        loads={"dough": 6},
        days=3,
        references=2,
        seed=3,
    )
    height = Measure("height", "number", unit="mm", per="bake")
    return doughnut(
        tmp_path_factory.mktemp("doughs"), plan=plan, measures=[height], tasters=(), batch=BATCH
    )


def test_the_plan_keeps_a_dough_to_one_hydration(round_):
    trial = round_.plan.table.query("role == 'trial'")
    assert trial["dough"].nunique() == 6
    assert (trial.groupby("dough")["hydration"].nunique() == 1).all()
    assert (trial.groupby("dough")["proof"].nunique() == 2).all()


def test_a_reference_bake_of_another_formula_is_a_dough_of_its_own(round_):
    """The middle, 100 %, is none of the trial doughs' 92 and 108 %: two more doughs are mixed."""
    table = round_.plan.table
    references = table[table["role"] == "reference"]
    assert set(references["hydration"]) == {100.0}
    assert not set(references["dough"]) & set(table.loc[table["role"] != "reference", "dough"])
    assert references["dough"].is_unique
    assert table["dough"].nunique() == 8
    assert "8 dough batches (2 for reference bakes alone)" in round_.plan.sentence()


def test_a_reference_bake_of_the_same_formula_is_divided_from_its_home_dough():
    bakes = pd.DataFrame({"hydration": [100.0] * 2, "proof": [40.0, 70.0], "dough": [1, 1]})
    plan = lay_out([WATER, PROOF], bakes, family="one", model=["proof"], references=1, seed=1)
    assert plan.table["dough"].tolist() == [1, 1, 1]


def test_a_heated_load_keeps_its_reference_bake_and_a_load_that_is_only_mixed_does_not():
    fat = Categorical("fat", ["butter", "lard"], hard_to_change=True, changes=("swap", "butter"))
    oil = Numeric("oil", 165, 180, "°C", hard_to_change=True)
    bakes = pd.DataFrame(
        {"fat": ["lard"] * 2, "oil": [165.0] * 2, "proof": [40.0, 70.0], "load": [1, 1]}
    )
    asked = {"family": "one", "model": ["proof"], "references": 1, "seed": 1}
    heated = lay_out([fat, oil, PROOF], bakes, **asked)
    assert heated.table["load"].tolist() == [1, 1, 1]
    mixed = lay_out([fat, PROOF], bakes, **asked).table.set_index("role")
    assert mixed["load"].nunique() == 2
    assert mixed.loc["trial", "load"].nunique() == 1


def test_each_dough_is_weighed_once_for_all_its_bakes(round_):
    own, made = weights(round_), dough_weights(round_)
    assert made["dough"].nunique() == 6
    # Two bakes of 480 g each from every dough, of which 3 % stay in the bowl
    mixed = 960 / 0.97
    assert made.groupby("dough")["exact"].sum().to_numpy() == pytest.approx(mixed, rel=1e-12)
    formulas = round_.formulas
    for dough in shared_doughs(round_, formulas):
        rows = made[made["dough"] == dough.name].set_index("ingredient")
        for bake in dough.bakes:
            bake_rows = own[own["bake"] == bake]
            assert list(bake_rows["ingredient"]) == [dough.name]
            assert bake_rows["grams"].item() == 480
            whole = formulas[bake].grams(dough=mixed).set_index("ingredient")
            assert rows["exact"].to_numpy() == pytest.approx(
                whole.loc[rows.index, "grams"].to_numpy()
            )


def test_reference_bakes_of_another_hydration_are_mixed_by_themselves(round_):
    own = weights(round_)
    for bake in round_.plan.table.query("role == 'reference'")["bake"]:
        assert "bread flour" in set(own.loc[own["bake"] == bake, "ingredient"])


def test_shopping_and_days_count_the_flour_of_shared_doughs(round_):
    flour = used(round_).query("ingredient == 'bread flour'")["grams"].sum()
    made = dough_weights(round_).query("ingredient == 'bread flour'")["grams"].sum()
    apart = weights(round_).query("ingredient == 'bread flour'")["grams"].sum()
    assert flour == pytest.approx(made + apart)
    table = shopping_list(round_).set_index("ingredient")
    assert table.loc["bread flour", "grams"] == pytest.approx(flour)
    assert table.loc["bread flour", "bakes"] == len(round_.plan.table)
    assert not any(name.startswith("dough batch") for name in table.index)
    assert per_day(round_)["dough"].sum() == pytest.approx(used(round_)["grams"].sum())


def test_the_sheets_hold_one_page_for_each_dough_before_its_first_bake(round_):
    steps = (Step("mix the dough", 15, "hands", per="dough"), Step("fry", 6, "pot"))
    markup = bake_sheets(round_, steps=steps)
    shown = re.findall(r'class="(?:dough|bake)">([^<]+)<', markup)
    for dough in shared_doughs(round_, round_.formulas):
        title = dough.name.capitalize()
        assert shown.count(title) == 1
        assert shown[shown.index(title) + 1] == dough.bakes[0]
        assert f"(one for this and {dough.bakes[1]})" in markup
    # Six doughs for two bakes each, and one for each of the two reference bakes
    assert markup.count("mix the dough") == 8
    assert markup.count("for this reference bake alone</b>") == 2


def test_a_dough_s_sheet_shows_what_is_set_for_the_dough_and_nothing_else(round_):
    hydration = round_.plan.table.set_index("bake")["hydration"]
    sheets = re.split(r'<h1 class="(?=dough|bake)', bake_sheets(round_))[1:]
    doughs = {dough.name.capitalize(): dough for dough in shared_doughs(round_, round_.formulas)}
    seen = 0
    for sheet in sheets:
        kind, title = re.match(r'(dough|bake)">([^<]+)<', sheet).groups()
        shown = re.sub(r"<[^>]+>", " ", sheet)
        if kind == "bake":
            assert re.search(r"proof\b[^%]*?(40|70|55) min", shown)
        elif title in doughs:
            seen += 1
            own = hydration[doughs[title].bakes[0]]
            assert re.search(rf"hydration\W+{own:g} %", shown)
            assert "proof" not in shown
    assert seen == 6


@needs_browser
def test_each_dough_and_bake_prints_on_one_page(round_, tmp_path):
    assert page_count(printed(bake_sheets(round_), tmp_path)) == 6 + len(round_.plan.table)


def test_the_cook_s_page_weighs_a_dough_with_its_first_bake(round_):
    record = json.loads(re.search(r'id="round">(.*?)</script>', cook_page(round_), re.S).group(1))
    bakes = {one["bake"]: one["grams"] for one in record["bakes"]}
    for dough in shared_doughs(round_, round_.formulas):
        first, second = (bakes[bake] for bake in dough.bakes)
        assert [one["name"] for one in second] == [dough.name]
        assert {one["name"] for one in first} >= {"bread flour", dough.name}
        assert f"once, for {dough.bakes[0]} and {dough.bakes[1]}" in first[0]["part"]


def test_a_day_mixes_each_dough_once(round_):
    steps = (Step("mix the dough", 15, "hands", per="dough"), Step("fry", 6, "pot"))
    tasks = timetable(round_.plan, steps, effort=0).tasks
    # Those of the two reference bakes are mixed as well
    assert (tasks["step"] == "mix the dough").sum() == 8


def test_the_fit_judges_what_is_set_per_dough_by_doughs(round_):
    """Doughs differ by chance ten times as much as bakes do: hydration is judged by doughs."""
    write_sheets(round_)
    table = round_.plan.table
    noise = np.random.default_rng(4)
    of_dough = noise.normal(0, 2.0, 9)[table["dough"].astype(int)]
    height = 30 + of_dough + noise.normal(0, 0.2, len(table))
    entered = pd.DataFrame({"bake": table["bake"], "taster": pd.NA, "status": "made", "reason": ""})
    record_scores(round_, entered.assign(height=height.round(2)))
    assert "dough" in scores(round_)
    tests = fit(round_, "height").tests.set_index("term")
    assert tests.loc["hydration", "judged_against"] == "dough batches"
    assert tests.loc["proof", "judged_against"] == "bakes"
    # Eight doughs over three days, two of them of reference bakes: 8 - 1 - 2 (days)
    # - 1 (hydration) - 1 (the level of reference bakes) = 3
    assert tests.loc["hydration", "error_df"] == pytest.approx(3, abs=0.2)


def test_what_changes_a_shared_dough_between_its_bakes_is_refused(tmp_path):
    sugar = Numeric("sugar", 4, 12, "%", changes=("percent", "sugar"))
    bakes = pd.DataFrame(
        {"hydration": [92, 92, 108, 108], "sugar": [4, 12, 4, 12], "dough": [1, 1, 2, 2]}
    )
    plan = lay_out([WATER, sugar], bakes, family="two doughs", model="main", seed=1)
    with pytest.raises(FormulaError, match=r"divided from one dough batch 1, yet B01 and B02"):
        weights(doughnut(tmp_path, plan=plan))


def test_what_is_worked_in_later_stands_in_a_part_of_its_own(tmp_path):
    dough = dict(DOUGHNUT.parts)
    parts = Formula("filled", {"dough": dough, "filling": {"milk": 30, "sugar": 6}})
    sweet = Numeric("filling sugar", 4, 12, "%", changes=("percent", "sugar", "filling"))
    bakes = pd.DataFrame(
        {"hydration": [92, 92, 108, 108], "filling sugar": [4, 12, 4, 12], "dough": [1, 1, 2, 2]}
    )
    wet = Numeric(
        "hydration", 92, 108, "%", hard_to_change="dough", changes=("total", "hydration", "dough")
    )
    plan = lay_out([wet, sweet], bakes, family="two doughs", model="main", seed=1)
    made = doughnut(tmp_path, plan=plan, formula=parts, batch=BATCH)
    table = weights(made)
    for bake, rows in table.groupby("bake"):
        assert rows["exact"].sum() == pytest.approx(480), bake
        assert set(rows["part"]) == {"dough", "filling"}
    shared = table.loc[table["part"] == "dough", "exact"].sum()  # of which 3 % more is mixed
    mixed = 4 * 480 + shared / 0.97 - shared
    assert used(made)["grams"].sum() == pytest.approx(mixed, abs=3)


def test_a_load_with_one_fat_is_one_dough_only_where_nothing_else_changes_it(tmp_path):
    fat = Categorical(
        "fat", ["butter", "sunflower oil"], hard_to_change=True, changes=("swap", "butter")
    )
    bakes = pd.DataFrame(
        {"fat": ["butter"] * 2 + ["sunflower oil"] * 2, "proof": [40, 70] * 2, "load": [1, 1, 2, 2]}
    )
    plan = lay_out([fat, PROOF], bakes, family="two fats", model="main", seed=1)
    assert set(dough_weights(doughnut(tmp_path / "one", plan=plan))["bakes"]) == {2}
    sugar = Numeric("sugar", 4, 12, "%", changes=("percent", "sugar"))
    bakes = bakes.rename(columns={"proof": "sugar"}).assign(sugar=[4, 12] * 2)
    plan = lay_out([fat, sugar], bakes, family="two fats", model="main", seed=1)
    assert dough_weights(doughnut(tmp_path / "two", plan=plan)).empty


def test_the_batch_sentence_weighs_yeast_for_the_whole_dough(round_):
    # 480 g hold 2.5 g of yeast, too little for a scale of 1 g; two bakes of it, 5 g, are as well
    assert "instant yeast" in batch_sentence(round_, Batch(pieces=12, piece=40, scales=(1,)))
    assert "weighed well" in batch_sentence(round_, BATCH)


def test_the_shares_come_out_of_the_bowl_with_something_left_in_it(round_):
    """Common practice: 2 to 5 % of a dough stay in the bowl and on the bench."""
    own, made = weights(round_), dough_weights(round_).groupby("dough")["grams"].sum()
    bought = used(round_).groupby("bake")["grams"].sum()
    for dough in shared_doughs(round_, round_.formulas):
        shares = own.loc[own["ingredient"] == dough.name, "grams"].sum()
        assert 0.95 * made[dough.name] < shares < 0.98 * made[dough.name]
        assert bought[list(dough.bakes)].sum() == pytest.approx(made[dough.name])


def test_a_sheet_says_what_a_dough_is_more_than_its_shares_for(round_):
    assert bake_sheets(round_).count("3 % of the dough is for what stays in the bowl.") == 6
    least = bake_sheets(round_, replace(round_.batch, smallest=1500))
    assert "3 % of the dough" not in least
    assert least.count("It is the smallest dough that mixes well: some of it is left over.") == 6
