"""What never goes together, said as a rule or as a table, means the same."""

import pickle

import numpy as np
import pandas as pd
import pytest

from trials.base.errors import PlanError
from trials.core.exclusion import Exclusion
from trials.core.factors import Categorical, Numeric

FACTORS = [
    Numeric("oil", 165, 180, "°C"),
    Numeric("water", 92, 108, "%"),
    Categorical("fat", ["butter", "lard"]),
]
GRID = [np.linspace(-1, 1, 5), np.linspace(-1, 1, 5), np.arange(2.0)]


def everything() -> np.ndarray:
    return np.stack(np.meshgrid(*GRID, indexing="ij"), axis=-1).reshape(-1, 3)


def test_rule_table_and_record_agree():
    rule = Exclusion(
        FACTORS, lambda b: b["oil"] >= 172.5 and b["water"] >= 104 and b["fat"] == "lard"
    )
    table = pd.DataFrame({"oil": [(172.5, 180)], "water": [(104, 108)], "fat": ["lard"]})
    ranges = Exclusion(FACTORS, table)
    points = everything()
    assert (rule.allows(points) == ranges.allows(points)).all()
    assert (~rule.allows(points)).sum() == 3 * 2
    for first in (rule, ranges):
        again = Exclusion(FACTORS, first.record(GRID))
        assert (again.allows(points) == rule.allows(points)).all()


def test_factors_a_rule_does_not_look_at_are_not_recorded():
    rule = Exclusion(FACTORS, lambda bake: bake["fat"] == "lard" and bake["oil"] > 179)
    assert rule.record(GRID) == ({"oil": 180.0, "fat": "lard"},)


def test_empty_cells_mean_any_setting():
    table = pd.DataFrame({"oil": [180, None], "water": [None, 108]})
    allowed = Exclusion(FACTORS, table).allows(everything())
    points = everything()
    assert (allowed == ((points[:, 0] < 1) & (points[:, 1] < 1))).all()


def test_a_table_survives_a_trip_to_another_process():
    ranges = Exclusion(FACTORS, [{"oil": (170, 180), "fat": "lard"}])
    again = pickle.loads(pickle.dumps(ranges))
    assert (again.allows(everything()) == ranges.allows(everything())).all()


@pytest.mark.parametrize(
    ("exclude", "words"),
    [
        ([{"oil": (180, 170)}], "low comes first"),
        ([{"oil": (170, 175, 180)}], r"expected \(low, high\)"),
        ([{"fat": ("butter", "lard")}], "it has kinds; name one kind"),
        ([{"fat": "dripping"}], "no level 'dripping'"),
        ([{"sugar": 4}], '"sugar", which is not a factor'),
        (["hot"], "expected a function of a bake"),
    ],
)
def test_what_can_not_be_is_refused(exclude, words):
    with pytest.raises(PlanError, match=words):
        Exclusion(FACTORS, exclude)
