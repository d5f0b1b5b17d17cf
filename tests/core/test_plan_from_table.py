"""A plan made elsewhere: kept as it is, filled up where it says nothing, refused where it errs."""

import pandas as pd
import pytest

import trials

REST = trials.Numeric("rest", 20, 60, "min")
OIL = trials.Numeric("oil", 165, 180, "°C", hard_to_change=True)
FAT = trials.Categorical("fat", ["butter", "lard"])
FACTORS = [OIL, REST, FAT]
TABLE = pd.DataFrame(
    {
        "fat": ["lard", "butter", "butter", "lard", "lard"],
        "rest": [60, 20, 40, "20", 60],
        "oil": [180, 180, 165, 180, 180],
        "day": [1, 1, 1, 1, 2],
        "who": ["Ida"] * 5,
    }
)


def test_order_names_days_and_roles_are_kept():
    named = TABLE.assign(bake=["x", "y", "z", "7", "w"], role=["trial"] * 4 + ["reference"])
    plan = trials.Plan.from_table(named, FACTORS)
    assert plan.family == "given"
    assert plan.table["bake"].tolist() == ["x", "y", "z", "7", "w"]
    assert plan.table["rest"].tolist() == [60.0, 20.0, 40.0, 20.0, 60.0]
    assert plan.table["day"].tolist() == [1, 1, 1, 1, 2]
    assert (plan.count(), plan.count("reference")) == (4, 1)
    assert list(plan.table.columns) == ["bake", "day", "load", "role", "oil", "rest", "fat"]


def test_what_is_missing_is_filled():
    plan = trials.Plan.from_table(TABLE.drop(columns="day"), FACTORS)
    assert plan.table["bake"].tolist() == ["B01", "B02", "B03", "B04", "B05"]
    assert set(plan.table["day"]) == {1}
    assert set(plan.table["role"]) == {"trial"}
    assert any("who" in reason for reason in plan.reasons)


def test_a_load_lasts_as_long_as_its_setting_and_its_day():
    loads = trials.Plan.from_table(TABLE, FACTORS).table["load"]
    # 180, 180 | 165 | 180 | and a new day's oil is set afresh, though it is as hot
    assert loads.tolist() == [1, 1, 2, 3, 4]


def test_the_plan_can_be_judged_and_baked(tmp_path):
    factors = [REST, FAT]
    table = pd.DataFrame({"rest": [20, 60, 20, 60] * 2, "fat": ["butter", "lard"] * 4})
    plan = trials.Plan.from_table(
        table.assign(fat=["butter", "butter", "lard", "lard"] * 2), factors
    )
    assert plan.model == "interactions"
    assert set(trials.power(plan, effect=1.0)["term"]) == {"rest", "fat", "rest:fat"}
    liking = trials.Measure("liking", "hedonic 9")
    made = trials.Round.create(tmp_path / "one", plan=plan, measures=[liking], seed=1)
    again = trials.Round.open(made.folder).plan
    assert again.family == "given"
    assert again.table.equals(plan.table)
    # Rest and fat in step: the bakes tell no pair
    assert trials.Plan.from_table(table, factors).model == "main"


@pytest.mark.parametrize(
    ("change", "row", "says"),
    [
        ({"rest": [60, 20, 75, 20, 60]}, 4, "75 min"),
        ({"rest": [60, "long", 40, 20, 60]}, 3, "long"),
        ({"fat": ["lard", "butter", "ghee", "lard", "lard"]}, 4, "ghee"),
        ({"bake": ["a", "b", "c", "b", "d"]}, 5, "second time"),
        ({"bake": ["a", "b", "c", "", "d"]}, 5, "no name"),
        ({"role": ["trial", "trial", "control", "trial", "trial"]}, 4, "control"),
        ({"day": [1, 1, 1, 1, 1.5]}, 6, "1.5"),
        ({"load": [1, 1, 1, 2, 3]}, 4, "oil"),
        ({"load": [1, 1, 2, 3, 3]}, 6, "day"),
    ],
)
def test_what_can_not_be_is_refused_with_its_row(change, row, says):
    """Rows are counted as in every message about a table: the headings are row 1."""
    with pytest.raises(trials.TrialsError, match=f"row {row}: .*{says}"):
        trials.Plan.from_table(TABLE.assign(**change), FACTORS)


def test_a_column_that_is_missing_or_a_table_of_nothing_is_refused():
    with pytest.raises(trials.TrialsError, match="rest"):
        trials.Plan.from_table(TABLE.drop(columns="rest"), FACTORS)
    with pytest.raises(trials.TrialsError, match="no bake"):
        trials.Plan.from_table(TABLE.iloc[:0], FACTORS)


def test_shares_of_a_blend_must_sum_to_one():
    parts = [trials.Component("rye"), trials.Component("wheat")]
    fine = pd.DataFrame({"rye": [1, 0, 0.5], "wheat": [0, 1, 0.5]})
    assert trials.Plan.from_table(fine, parts).model == "blend"
    with pytest.raises(trials.TrialsError, match="row 4"):
        trials.Plan.from_table(fine.assign(rye=[1, 0, 0.4]), parts)
