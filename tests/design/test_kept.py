"""Bakes already made keep their names, days and loads; new ones go on after them."""

import numpy as np
import pandas as pd
import pytest

from trials.base.errors import PlanError
from trials.core.factors import Component, Numeric
from trials.design.layout import after, joined, judged, kept_settings, lay_out, read_kept, set_up

OIL = Numeric("oil", 165, 180, "°C", hard_to_change=True)


def made(**more):
    table = pd.DataFrame({"oil": [165, 165, 180, 180], "load": [1, 1, 2, 2]})
    return lay_out([OIL], table, family="split", model="main", seed=1, **more)


def test_new_loads_and_days_follow():
    kept = read_kept([OIL], made())
    kitchen = joined(kept, set_up([OIL], 4, 2, 2))
    assert kitchen.frame["load"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4]
    assert kitchen.frame["day"].tolist() == [1, 1, 1, 1, 2, 2, 3, 3]
    both = after(kept, made())
    assert both.table["bake"].tolist() == [f"B{n:02d}" for n in range(1, 9)]
    assert both.table["load"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4]


def test_reference_bakes_are_kept_but_not_judged():
    kept = read_kept([OIL], made(references=2))
    assert len(kept) == 6
    assert len(judged(kept)) == 4
    settings = kept_settings([OIL], judged(kept), 5)
    assert np.isnan(settings[4]).all()
    assert sorted(settings[:4, 0]) == [-1, -1, 1, 1]


def test_bakes_from_a_plain_table():
    kept = read_kept([OIL], pd.DataFrame({"oil": ["165", 180]}))
    assert kept["bake"].tolist() == ["B01", "B02"]
    assert kept["load"].isna().all()


def test_shares_that_do_not_sum_to_one_are_refused():
    flours = [Component("rye"), Component("wheat")]
    kept = read_kept(flours, pd.DataFrame({"rye": [0.5, 0.3], "wheat": [0.5, 0.6]}))
    with pytest.raises(PlanError, match="the shares of bake B02 do not sum to 100 %"):
        kept_settings(flours, kept, 3)


def test_what_is_no_table_is_refused():
    with pytest.raises(PlanError, match="keep is not a Plan or a table"):
        read_kept([OIL], [165, 180])
    with pytest.raises(PlanError, match=r"keep: bake B01: .*a number was expected"):
        read_kept([OIL], pd.DataFrame({"oil": ["hot"]}))
