"""Levels of error and their degrees of freedom: textbook counts and a published denominator."""

import numpy as np
import pandas as pd
import pytest

from trials.design.plan import lay_out
from trials.design.strata import strata
from trials.factors import Categorical, Numeric


def cake():
    """The plan of the cake data: 3 recipes, 15 batches each, 6 temperatures in every batch."""
    recipe = Categorical("recipe", ["A", "B", "C"], hard_to_change="dough")
    heat = Categorical("temperature", ["175", "185", "195", "205", "215", "225"])
    table = pd.DataFrame(
        [
            {"recipe": name, "temperature": level, "dough": 15 * number + batch}
            for number, name in enumerate(recipe.levels)
            for batch in range(15)
            for level in heat.levels
        ]
    )
    return lay_out([recipe, heat], table, family="split", model="interactions", seed=1)


def test_a_split_plots_denominators():
    # Completely randomised batches (Cochran & Cox 1957, ch. 7): 45 - 3 between, 44 x 5 - 10 within
    levels = strata(cake())
    assert levels.free().set_index("level")["df"].to_dict() == {"dough batches": 42, "bakes": 210}
    judgement = levels.fit({"bake": 20.5, "dough": 42.0})
    recipe, heat, both = (levels.matrix.of(term) for term in levels.matrix.terms)
    assert judgement.df(recipe) == pytest.approx(42, rel=1e-6)
    assert judgement.df(heat) == pytest.approx(210, rel=1e-6)
    assert judgement.df(both) == pytest.approx(210, rel=1e-6)


def test_covariance_of_a_split_plots_means():
    levels = strata(cake())
    judgement = levels.fit({"bake": 20.0, "dough": 40.0})
    recipe = levels.matrix.of(levels.matrix.terms[0])
    contrast = np.array([1.0, -1.0])
    variance = contrast @ judgement.covariance(recipe) @ contrast
    assert variance == pytest.approx(2 * (40 / 15 + 20 / 90))


def test_one_column_too_many_is_not_estimable():
    factors = [Numeric(name, -1, 1) for name in "abc"]
    table = pd.DataFrame({"a": [-1, 1, -1, 1], "b": [-1, -1, 1, 1]})
    table["c"] = table["a"] * table["b"]
    levels = strata(lay_out(factors, table, family="half", model=["a", "b", "c", "a:b"], seed=1))
    where = {term.name: levels.sits_on(term) for term in levels.matrix.terms}
    assert where == {"a": "bakes", "b": "bakes", "c": "nothing", "a:b": "nothing"}


def test_reference_bakes_are_left_out():
    rest = Numeric("rest", 20, 60)
    bakes = pd.DataFrame({"rest": [20, 60, 20, 60]})
    plan = lay_out([rest], bakes, family="both ends", model="main", controls=3, seed=1)
    assert strata(plan).bakes == 4


def test_a_load_that_has_no_error_left_says_so():
    oil = Numeric("oil", 165, 180, hard_to_change=True)
    bakes = pd.DataFrame({"oil": [165] * 4 + [180] * 4, "load": [1] * 4 + [2] * 4})
    levels = strata(lay_out([oil], bakes, family="split", model="main", seed=1))
    assert levels.fit({"bake": 1.0, "load": 1.0}).df(levels.matrix.of(levels.matrix.terms[0])) == 0
