"""What scales show: rounding within what is stated, and how small a batch may be."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.recipe.formulas import drop_doughnut, formulas, ginger_snap
from trials.base.errors import FormulaError
from trials.recipe.formula import Formula
from trials.recipe.weighing import smallest_batch, weigh

quick = settings(deadline=None, max_examples=60)
scale_sets = st.sampled_from([(1,), (0.1,), (1, 0.1), (0.1, 1), (5, 1, 0.01)])


@quick
@given(formulas(), st.floats(50, 20000), scale_sets)
def test_rounding_error_is_within_what_is_stated(formula, dough, scales):
    grams = formula.grams(dough=dough)
    found = weigh(grams, scales, within=0.1, relative=0.05)
    flour = dough * 100 / formula.totals()["dough"]
    off = found["weighed"] - found["grams"]
    assert found["error"].tolist() == pytest.approx((100 * off / flour).tolist(), abs=1e-9)
    # half a step of the scale used, whatever else
    assert (off.abs() <= found["scale"] / 2 * (1 + 1e-9)).all()
    little = off.abs() <= 0.005 * found["grams"]  # half a gram of 100
    assert ((found["error"].abs() <= 0.1) | little)[found["within"]].all()
    assert (off.abs() <= 0.05 * found["grams"])[found["within"]].all()
    # what is not within is so on the finest scale only
    assert (found.loc[~found["within"], "scale"] == min(scales)).all()


@quick
@given(formulas(), st.floats(50, 20000), scale_sets)
def test_weights_are_ones_that_the_scale_shows(formula, dough, scales):
    found = weigh(formula.grams(dough=dough), scales)
    steps = found["weighed"] / found["scale"]
    assert (steps - steps.round()).abs().max() < 1e-6


def test_coarsest_scale_that_will_do_is_used():
    # 2.31 g yeast on a 1 g scale errs by 13 %; 10.79 g salt by 2 %, 0.03 points
    dough = {"bread flour": 100, "water": 58, "salt": 1.75, "sugar": 2, "instant yeast": 0.375}
    found = weigh(Formula("pizza", dough).grams(dough=1000)).set_index("ingredient")
    assert found.loc["instant yeast", ["weighed", "scale"]].tolist() == [2.3, 0.1]
    assert found.loc["salt", ["weighed", "scale"]].tolist() == [11, 1]
    assert found.loc["salt", "error"] == pytest.approx(100 * (11 - 10.794) / 616.81, abs=1e-3)


@pytest.mark.parametrize(
    ("exact", "shown"), [(295.65, [296, 1]), (149.6, [150, 1]), (7.4, [7.4, 0.1])]
)
def test_what_weighs_a_hundred_grams_and_more_is_weighed_in_whole_ones(exact, shown):
    # half a gram of 295.65 g of flour is 0.17 points of the flour, of 100 g half a percent
    table = pd.DataFrame({"ingredient": ["bread flour", "other"], "percent": [100, 50]})
    found = weigh(table.assign(grams=[295.65, exact]))
    assert found[["weighed", "scale"]].iloc[1].tolist() == shown
    assert found["within"].all()


def test_half_a_step_is_rounded_up_on_any_machine():
    table = pd.DataFrame({"ingredient": ["a", "b"], "percent": [100, 0.5], "grams": [450, 2.25]})
    assert weigh(table, (0.1,))["weighed"].tolist() == [450, 2.3]


def test_too_small_a_batch_is_said():
    # 0.27 g yeast shows as 0; 15.4 g water as 15, 1.76 points of 22.6 g flour
    found = weigh(drop_doughnut().grams(dough=50), (1,)).set_index("ingredient")
    assert not found.loc[["instant yeast", "water"], "within"].any()
    assert found.loc["water", "error"] == pytest.approx(-1.76)


@pytest.mark.parametrize("scales", [(), (0,), (-1, 1), (float("nan"),), (float("inf"),)])
def test_scale_that_shows_nothing(scales):
    with pytest.raises(FormulaError, match="grams above 0"):
        weigh(drop_doughnut().grams(dough=500), scales)


def test_table_that_is_not_one_of_grams():
    with pytest.raises(FormulaError, match="percent and grams missing"):
        weigh(pd.DataFrame({"ingredient": ["a"]}))


def test_smallest_batch_by_hand():
    # 1.2 % yeast of 220.8 %: at 5 % error a 1 g scale needs 10 g yeast, a 0.1 g scale 1 g
    for scales, yeast in (((1,), 10), ((1, 0.1), 1)):
        batch = smallest_batch(drop_doughnut(), scales)
        assert batch.ingredient == "instant yeast"
        assert batch.grams == pytest.approx(yeast)
        assert batch.dough == pytest.approx(yeast * 220.8 / 1.2)
    # the trade sheet: under 2 g on a 1 g scale errs by more than 25 %
    assert smallest_batch(drop_doughnut(), (1,), relative=0.25).grams == 2


@pytest.mark.parametrize("formula", [drop_doughnut(), ginger_snap()])
def test_smallest_batch_can_be_weighed_as_said(formula):
    batch = smallest_batch(formula, (0.1,), relative=0.05)
    off = weigh(formula.grams(dough=batch.dough), (0.1,), within=1, relative=0.05)
    assert off["within"].all()
    assert batch.ingredient in str(batch)


def test_smallest_batch_needs_a_share():
    with pytest.raises(FormulaError, match="between 0 and 1"):
        smallest_batch(drop_doughnut(), relative=5)


@pytest.mark.parametrize(
    ("exact", "shown"),
    [(1.0, [1.0, 0.1]), (2.0, [2.0, 0.1]), (9.9, [9.9, 0.1]), (10.0, [10, 1]), (30.0, [30, 1])],
)
def test_a_round_figure_is_not_weighed_on_a_scale_that_may_be_a_quarter_off(exact, shown):
    """A scale that shows steps of d errs by up to d / 2: 5 % of 10 g, and 25 % of 2 g."""
    grams = pd.DataFrame({"ingredient": ["flour", "salt"], "percent": [100, exact / 2]})
    grams["grams"] = [200.0, exact]
    found = weigh(grams, (1, 0.1)).set_index("ingredient")
    assert found.loc["salt", ["weighed", "scale"]].tolist() == shown
    assert found.loc["flour", "scale"] == 1
    # Where there is no other scale, that one is used
    assert weigh(grams, (1,))["scale"].tolist() == [1, 1]
