"""Handed on to statsmodels: in balanced rounds the same estimates and errors as `effects`."""

import pandas as pd
import pytest

import trials
from tests.analysis.test_joined_by_r import HOME, SCENARIOS, fitted
from trials.base.errors import FitError


def test_balanced_rounds_have_the_estimates_of_their_effects():
    found = fitted(SCENARIOS["two_rounds"])
    other = found.to_statsmodels()
    names = ["Intercept", "oven", "sesame", "fat = butter", "oven:sesame", "oven:fat = butter"]
    assert list(other.params.index[:6]) == names
    assert list(other.params.index[-1:]) == ["block [1]"]
    effects = found.effects.set_index("term")
    for term in ("oven", "sesame", "oven:sesame"):
        # From low to high, -1 to 1, is two coefficients; of a pair half of that and twice that
        assert 2 * other.params[term] == pytest.approx(effects.loc[term, "estimate"], rel=1e-6)
        assert 2 * other.bse[term] == pytest.approx(effects.loc[term, "se"], rel=1e-6)
    # Each kind less the first: the first is +1, the last -1
    assert -2 * other.params["fat = butter"] == pytest.approx(effects.loc["fat", "estimate"])


def test_the_covariance_is_that_of_loads_and_bakes():
    found = fitted(SCENARIOS["days_and_loads"])
    other = found.to_statsmodels()
    spread = found.variance.set_index("source")["variance"]
    sigma = other.model.sigma
    table = pd.read_csv(HOME / "days_and_loads_input.csv").drop_duplicates("bake")
    loads = table["load"].to_numpy()
    pair = next((i, j) for i in range(9) for j in range(9) if i != j and loads[i] == loads[j])
    assert sigma[pair] == pytest.approx(spread["load"])
    assert sigma[0, 0] > spread["load"] + spread["bake"]


def test_without_error_there_is_nothing_to_hand_on():
    table = pd.DataFrame({"a": [0, 1, 0, 1], "b": [0, 0, 1, 1], "y": [1.0, 2, 4, 3]})
    with pytest.raises(FitError, match="no error"):
        trials.fit(table, "y", ["a", "b"]).to_statsmodels()
