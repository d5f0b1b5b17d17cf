"""Grams of each bake from its own settings."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rounds.rounds_to_bake import DOUGHNUT, doughnut
from trials.base.errors import FormulaError, RoundError
from trials.core.factors import Component, Numeric
from trials.design.layout import lay_out
from trials.recipe.formula import Formula
from trials.rounds.amounts import ample_words, batch_sentence, weights
from trials.rounds.kitchen import Batch, Step
from trials.rounds.round import Round


@pytest.fixture
def round_(tmp_path):
    return doughnut(tmp_path)


def test_every_bake_weighs_what_was_asked_before_rounding(round_):
    table = weights(round_, Batch(pieces=12, piece=40))
    assert table.groupby("bake")["exact"].sum().to_numpy() == pytest.approx(480, rel=1e-12)
    assert list(table["bake"].unique()) == list(round_.plan.table["bake"])


def test_rounding_stays_within_half_a_step_of_its_scale(round_):
    table = weights(round_)
    assert (abs(table["grams"] - table["exact"]) <= table["scale"] / 2 + 1e-9).all()
    assert set(table["scale"]) <= {1.0, 0.1}
    flour = 500 / table.groupby("bake")["percent"].transform("sum") * 100
    told = 100 * (table["grams"] - table["exact"]) / flour
    assert table["error"].to_numpy() == pytest.approx(told.to_numpy(), abs=1e-9)


def test_settings_reach_the_grams(round_):
    formulas = round_.formulas
    for row in round_.plan.table.to_dict("records"):
        totals = formulas[row["bake"]].totals()
        assert totals["hydration"] == pytest.approx(row["hydration"], rel=1e-9)
        names = set(formulas[row["bake"]].table["ingredient"])
        assert row["fat"] in names
        assert len(names & {"butter", "sunflower oil"}) == 1


def test_a_swapped_fat_brings_as_much_fat(round_):
    """Equal fat: butter of 81.11 % fat by 100 % oil (USDA SR26 01001, 04506)."""
    formulas = round_.formulas
    by_fat = {fat: bakes.iloc[0]["bake"] for fat, bakes in round_.plan.table.groupby("fat")}
    butter = formulas[by_fat["butter"]].parts["butter"]
    oil = formulas[by_fat["sunflower oil"]].parts["sunflower oil"]
    assert oil == pytest.approx(butter * 0.8111, rel=1e-4)


def test_loss_in_the_bowl_is_made_up_for(round_):
    table = weights(round_, Batch(dough=450, loss=10))
    assert table.groupby("bake")["exact"].sum().to_numpy() == pytest.approx(500, rel=1e-12)


def test_a_blend_s_share_becomes_percent_of_the_flour(tmp_path):
    shares = [
        Component("wheat", changes=("flour share", "bread flour")),
        Component("rye", changes=("flour share", "rye flour, medium")),
        Numeric("hydration", 60, 70, "%", changes=("total", "hydration")),
    ]
    bakes = pd.DataFrame({"wheat": [0.25, 0.6], "rye": [0.75, 0.4], "hydration": [60, 70]})
    plan = lay_out(shares, bakes, family="blend", model="main", seed=1)
    snap = Formula("snap", {"bread flour": 50, "rye flour, medium": 50, "water": 60})
    made = doughnut(tmp_path, plan=plan, formula=snap)
    for row in plan.table.to_dict("records"):
        parts = made.formulas[row["bake"]].parts
        assert parts["bread flour"] == pytest.approx(100 * row["wheat"])


def test_a_cross_of_two_laminated_parents_is_each_parent_at_its_end(tmp_path):
    lean = {"dough": {"bread flour": 100, "water": 52, "salt": 2}, "lamination": {"butter": 50}}
    rich = {
        "dough": {"bread flour": 80, "rye flour, medium": 20, "milk": 60, "salt": 2, "sugar": 12},
        "lamination": {"lard": 40},
    }
    plain, sweet = Formula("plain", lean), Formula("sweet", rich)
    share = Numeric("share of the sweet one", 0, 1, changes=("cross", sweet))
    bakes = pd.DataFrame({share.name: [0.0, 0.5, 1.0]})
    plan = lay_out([share], bakes, family="cross", model="main", seed=4)
    made = doughnut(tmp_path, plan=plan, formula=plain)
    formulas = made.formulas
    table = weights(made, Batch(dough=1000))
    for row in plan.table.to_dict("records"):
        totals = formulas[row["bake"]].totals()
        mean = (1 - row[share.name]) * plain.totals() + row[share.name] * sweet.totals()
        assert totals.to_numpy() == pytest.approx(mean.to_numpy(), rel=1e-9)
        assert table[table["bake"] == row["bake"]]["exact"].sum() == pytest.approx(1000)


def test_frying_oil_is_weighed_but_is_no_dough(tmp_path):
    dough = {key: value for key, value in DOUGHNUT.parts.items() if key != "name"}
    parts = Formula("with oil", {"batter": dough, "frying oil": {"sunflower oil": 200}})
    table = weights(doughnut(tmp_path, formula=parts), Batch(dough=300))
    batter = table[table["part"] == "batter"]
    assert batter.groupby("bake")["exact"].sum().to_numpy() == pytest.approx(300, rel=1e-12)
    assert (table["part"] == "frying oil").any()


def test_a_bake_that_can_not_be_mixed_is_named(tmp_path):
    wet = Formula("wet", {"bread flour": 100, "milk": 120, "water": 1, "butter": 5})
    with pytest.raises(FormulaError, match=r"^bake B\d\d \(.*\).*hydration can not be 92 %"):
        doughnut(tmp_path / "wet", formula=wet)
    assert not (tmp_path / "wet").exists()


def test_a_round_without_a_formula_has_nothing_to_weigh(tmp_path):
    with pytest.raises(RoundError, match="no formula"):
        weights(doughnut(tmp_path, formula=None))


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"pieces": 12}, "pieces with the weight of one"),
        ({"pieces": 12, "piece": 40, "dough": 500}, "not both"),
        ({"dough": 0}, "dough is 0"),
        ({"dough": float("nan")}, '"dough" is not a number'),
        ({"loss": 100}, "loss is 100"),
    ],
)
def test_a_batch_that_can_not_be_is_refused(asked, message):
    with pytest.raises(RoundError, match=message):
        Batch(**asked)


@pytest.mark.parametrize("word", ["batter", "dough"])
def test_what_is_mixed_has_one_word_on_all_that_is_said_of_its_amount(tmp_path, word):
    """The recipe alone reads as a dough; the steps say what it is."""
    steps = [Step(f"mix the {word}", 10, "hands"), Step("fry", 8, ("pot", "hands"))]
    round_ = doughnut(tmp_path / word, batch=Batch(dough=607), steps=steps)
    said = [
        ample_words(round_, round_.batch),
        batch_sentence(round_, Batch(dough=2000)),
        batch_sentence(round_, Batch(dough=100)),
        batch_sentence(round_, Batch(dough=100, smallest=300)),
    ]
    other = {"batter": "dough", "dough": "batter"}[word]
    for one in said:
        assert f" g of {word}" in one
        assert f"of {other}" not in one
    assert f"g of {word}: " in said[2]  # the smallest that will do


def test_too_small_a_batch_is_said_with_the_smallest_that_will_do(round_):
    assert "can be weighed well" in batch_sentence(round_, Batch(dough=2000))
    said = batch_sentence(round_, Batch(dough=100))
    assert "too little to weigh well" in said
    assert "instant yeast" in said


@settings(max_examples=25, deadline=None)
@given(dough=st.floats(50, 5000), scale=st.sampled_from([0.1, 0.5, 1.0, 5.0]))
def test_total_rounding_never_exceeds_half_a_step_an_ingredient(tmp_path_factory, dough, scale):
    made = _kept_round(tmp_path_factory)
    table = weights(made, Batch(dough=dough, scales=(scale,)))
    off = (table["grams"] - table["exact"]).groupby(table["bake"]).sum().abs()
    count = table.groupby("bake").size()
    assert np.all(off.to_numpy() <= count.to_numpy() * scale / 2 + 1e-6)


_KEPT: list[Round] = []


def _kept_round(factory):
    if not _KEPT:
        _KEPT.append(doughnut(factory.mktemp("kept")))
    return _KEPT[0]
