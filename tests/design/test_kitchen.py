"""Days, loads and doughs hold equally many bakes and cross or nest as they should."""

import numpy as np
import pytest

from trials.base.errors import PlanError
from trials.core.factors import Numeric
from trials.design.layout import set_up

OIL = Numeric("oil", 165, 180, hard_to_change=True)
DOUGH = Numeric("water", 60, 70, hard_to_change="dough")
REST = Numeric("rest", 20, 60)


def test_loads_of_equal_size_on_days_of_equal_size():
    frame = set_up([OIL, REST], 24, 3, 6).frame
    assert frame.groupby("load").size().tolist() == [4] * 6
    assert frame.groupby("day")["load"].nunique().tolist() == [2] * 3


def test_crossed_when_every_combination_is_filled():
    frame = set_up([OIL, DOUGH], 24, None, {"load": 6, "dough": 4}).frame
    assert (frame.groupby(["load", "dough"]).size() == 1).all()


def test_crossed_within_each_day():
    frame = set_up([OIL, DOUGH], 16, 2, {"load": 4, "dough": 4}).frame
    assert (frame.groupby("dough")["day"].nunique() == 1).all()
    assert (frame.groupby(["load", "dough"]).size() == 2).all()
    assert frame.groupby("load")["dough"].nunique().tolist() == [2] * 4


def test_nested_when_combinations_are_too_many():
    frame = set_up([OIL, DOUGH], 24, None, {"load": 4, "dough": 12}).frame
    assert (frame.groupby("dough")["load"].nunique() == 1).all()
    assert frame.groupby("dough").size().tolist() == [2] * 12


def test_a_dough_that_neither_crosses_nor_nests_is_refused_with_the_reason():
    words = "can be split over every load when the bakes are a multiple of 24"
    with pytest.raises(PlanError, match=words):
        set_up([OIL, DOUGH], 12, None, {"load": 6, "dough": 4})


def test_covariance_of_a_strip_plot():
    kitchen = set_up([OIL, DOUGH], 6, None, {"load": 2, "dough": 3})
    V = kitchen.covariance({"load": 2.0, "dough": 0.5}, days=False)
    load, dough = (kitchen.frame[name].to_numpy() for name in ("load", "dough"))
    by_hand = np.eye(6) + 2.0 * np.equal.outer(load, load) + 0.5 * np.equal.outer(dough, dough)
    assert np.allclose(V, by_hand)


@pytest.mark.parametrize(
    ("bakes", "days", "loads", "words"),
    [
        (24, 1, 5, "1, 2, 3, 4, 6, 8, 12 or 24 loads, or 20 or 25 bakes, would work"),
        (24, 4, 6, "4 or 8 would work"),
        (4, 5, None, "loads does not say how many oil fills"),
        (24, 0, 6, "days is 0"),
        (24, 1, {"load": -6}, "loads is -6"),
        (24, 1, {"load": 6, "oven": 2}, 'loads names "oven"'),
    ],
)
def test_what_does_not_divide_is_refused(bakes, days, loads, words):
    with pytest.raises(PlanError, match=words):
        set_up([OIL, REST], bakes, days, loads)
