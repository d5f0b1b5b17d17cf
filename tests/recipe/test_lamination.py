"""Layers against what pastry schools count."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.base.errors import FormulaError
from trials.recipe.lamination import layer_thickness, layers


@pytest.mark.parametrize(
    ("folds", "total", "fat"),
    [
        ((), 3, 1),  # dough, fat, dough
        ((3,), 7, 3),  # 7 and 19: pastry school
        ((3, 3), 19, 9),
        ((3, 3, 3), 55, 27),  # calculated from the rule, as are those below
        ((3,) * 6, 1459, 729),
        ((4, 4), 33, 16),
        ((4, 3), 25, 12),
    ],
)
def test_layers_of_fold_sequences(folds, total, fat):
    found = layers(folds)
    assert (found.total, found.fat, found.dough) == (total, fat, fat + 1)


@given(st.lists(st.integers(2, 5), max_size=6), st.integers(1, 4))
def test_layers_that_touch_merge(folds, at_lock_in):
    # the other form of the rule: L' = m (L - 1) + 1
    total = 2 * at_lock_in + 1
    for fold in folds:
        total = fold * (total - 1) + 1
    assert layers(folds, at_lock_in).total == total


@given(st.floats(0.5, 50), st.lists(st.integers(2, 4), max_size=5), st.floats(0.01, 0.99))
def test_thicknesses_add_up_to_the_sheet(sheet, folds, share):
    found, counted = layer_thickness(sheet, folds, share), layers(folds)
    assert found["layer"] * counted.total == pytest.approx(sheet)
    stacked = found["fat"] * counted.fat + found["dough"] * counted.dough
    assert stacked == pytest.approx(sheet)


@pytest.mark.parametrize("folds", [(1,), (0,), (3, 2.5), (True,), ("3",)])
def test_fold_that_is_none(folds):
    with pytest.raises(FormulaError, match=r"fold"):
        layers(folds)


@pytest.mark.parametrize(("sheet", "share"), [(0, None), (-1, 0.3), (5, 0), (5, 1), (5, 30)])
def test_sheet_that_is_none(sheet, share):
    with pytest.raises(FormulaError, match="was expected"):
        layer_thickness(sheet, (3, 3), share)
