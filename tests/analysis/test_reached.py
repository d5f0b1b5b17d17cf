"""Where bakes reach, against linear programming."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from trials.analysis.fitting import fit
from trials.analysis.reached import outside, unbaked_pairs
from trials.core.factors import Categorical, Numeric

WET = Numeric("water", 92, 108, "%").show(108)
PLACE = st.tuples(st.integers(-4, 4), st.integers(-4, 4))


@settings(max_examples=150, deadline=None)
@given(baked=st.lists(PLACE, min_size=1, max_size=8), point=PLACE)
def test_outside_is_what_no_mixture_of_bakes_reaches(baked, point):
    # Inside the hull: some weights, none below 0 and summing to 1, mix the bakes into the point
    A = np.vstack([np.array(baked, dtype=float).T, np.ones(len(baked))])
    mixed = optimize.linprog(np.zeros(len(baked)), A_eq=A, b_eq=[*point, 1.0])
    found = outside(np.array(baked), np.array([point]))[0]
    assert bool(found) == (mixed.status == 2)


def test_pairs_that_were_never_baked_are_named():
    oil, water = Numeric("oil", 165, 180, "°C"), Numeric("water", 92, 108, "%")
    fat = Categorical("fat", ["butter", "lard"])
    bakes = pd.DataFrame(
        {
            "oil": [165, 165, 180, 180, 165, 180, 172] * 2,
            "water": [92, 108, 92, 92, 92, 92, 100] * 2,
            "fat": ["butter", "butter", "butter", "butter", "lard", "lard", "butter"] * 2,
        }
    )
    bakes["liking"] = np.random.default_rng(0).normal(6, 1, len(bakes))
    found = fit(bakes, "liking", [oil, water, fat], model="main")

    def said(**setting):
        return unbaked_pairs([found], [oil, water, fat], pd.DataFrame([setting]))

    assert said(oil=180, water=108, fat="butter") == ["oil 180 °C with water 108 %"]
    assert said(oil=170, water=100, fat="butter") == []
    assert said(oil=165, water=108, fat="lard") == ["water 108 % with fat lard"]


@pytest.fixture(scope="module")
def fried():
    oil, water = Numeric("oil", 160, 190, "°C"), Numeric("water", 92, 108, "%")
    fat = Categorical("fat", ["butter", "lard", "suet"])
    bakes = pd.DataFrame(
        {
            "oil": [165, 165, 180, 180, 165, 180] * 3,
            "water": [92, 108, 92, 92, 92, 92] * 3,
            "fat": ["butter", "butter", "butter", "butter", "lard", "lard"] * 3,
            "role": "trial",
        }
    )
    # What a reference bake had was not tried: it stands apart from the model
    bakes.loc[len(bakes)] = [190, 108, "lard", "reference"]
    bakes["liking"] = np.random.default_rng(0).normal(6, 1, len(bakes))
    return fit(bakes, "liking", [oil, water, fat], model=["oil", "water"])


@pytest.mark.parametrize(
    ("oil", "water", "fat", "said"),
    [
        (180, 92, "butter", ""),
        (172, 92, "lard", ""),
        (190, 92, "butter", "oil: 165 °C to 180 °C tried, 190 °C asked"),
        (170, 92, "suet", "fat: butter and lard tried, suet asked"),
        (180, 108, "butter", f"oil 180 °C with water {WET} never baked together"),
        (
            190,
            108,
            "lard",
            f"oil: 165 °C to 180 °C tried, 190 °C asked; water {WET} with fat lard never baked "
            "together",
        ),
    ],
)
def test_predict_says_what_was_never_tried(fried, oil, water, fat, said):
    # 160 and 190 are the factor's limits, not what was baked
    row = fried.predict({"oil": oil, "water": water, "fat": fat}).iloc[0]
    assert row["outside_tried"] == said
    assert np.isfinite(row[["estimate", "low", "new_high"]].astype(float)).all()


def test_a_setting_that_does_not_exist_is_not_outside():
    method = Categorical("method", ["baked", "fried"])
    heat = Numeric("heat", 165, 180, "°C", only_when=("method", ["fried"]))
    bakes = pd.DataFrame({"method": ["baked", "fried", "fried"] * 3, "heat": ["", 165, 180] * 3})
    bakes["liking"] = np.random.default_rng(1).normal(6, 1, len(bakes))
    found = fit(bakes, "liking", [method, heat], model="main")
    asked = [{"method": "baked", "heat": ""}, {"method": "fried", "heat": 200}]
    assert found.predict(asked)["outside_tried"].tolist() == [
        "",
        "heat: 165 °C to 180 °C tried, 200 °C asked",
    ]
