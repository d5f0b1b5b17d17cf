"""Where a search may look: limits, steps, blends, kinds, exclusions, nested settings."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.analysis.choice import best_setting, neighbours
from trials.analysis.fitting import fit
from trials.analysis.forecast import fast_basis
from trials.analysis.region import kitchen_step, region, summed
from trials.base.errors import FitError, PlanError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure
from trials.core.terms import model_matrix, model_terms
from trials.deciding.choosing import recommend

FACTORS = [
    Numeric("oil", 165, 180, "°C", step=2.5),
    Numeric("water", 92, 108, settings=(92, 96, 108)),
    Numeric("rest", 20, 60, centre=30),
    Categorical("fat", ["butter", "lard", "oil"]),
    Component("rye", 0.1, 0.5),
    Component("wheat", 0.2, 0.8),
    Component("spelt", 0, 0.3),
]


def test_candidates_are_what_a_kitchen_can_set():
    made = region(FACTORS)
    table = made.frame(made.candidates())
    assert set(table["oil"]) <= {165, 167.5, 170, 172.5, 175, 177.5, 180}
    assert set(table["water"]) == {92, 96, 108}
    assert set(table["rest"]) <= {*range(20, 61, 2)}
    assert set(table["fat"]) == {"butter", "lard", "oil"}
    shares = table[["rye", "wheat", "spelt"]]
    assert np.allclose(shares.sum(axis=1), 1, atol=1e-9)
    assert np.allclose(shares * 100, np.round(shares * 100), atol=1e-6)
    for part in FACTORS[4:]:
        assert shares[part.name].between(part.low - 1e-9, part.high + 1e-9).all()


def test_neighbours_stay_inside():
    made = region(FACTORS, exclude=[{"fat": "lard"}])
    start = made.candidates()[:20]
    near = neighbours(made, start)
    assert len(near) > 100
    assert made.allows(near).all()
    assert "lard" not in set(made.frame(near)["fat"])
    assert np.allclose(near[:, 4:].sum(axis=1), 1, atol=1e-9)


@settings(max_examples=80, deadline=None)
@given(
    shares=st.lists(st.floats(-1, 2), min_size=3, max_size=3),
    low=st.lists(st.floats(0, 0.3), min_size=3, max_size=3),
    reach=st.lists(st.floats(0.35, 1), min_size=3, max_size=3),
)
def test_shares_summed_to_one_are_the_nearest(shares, low, reach):
    low, high = np.array(low), np.minimum(np.array(low) + reach, 1)
    found = summed(np.array(shares), low, high)
    assert found.sum() == pytest.approx(1, abs=1e-9)
    assert (found >= low - 1e-12).all()
    assert (found <= high + 1e-12).all()
    # Nearest: no share taken from one component and given to another comes nearer
    distance = ((found - shares) ** 2).sum()
    for one in range(3):
        for other in range(3):
            if one == other:
                continue
            moved = found.copy()
            step = min(1e-3, found[one] - low[one], high[other] - found[other])
            moved[one], moved[other] = moved[one] - step, moved[other] + step
            assert ((moved - shares) ** 2).sum() >= distance - 1e-9


def test_the_rows_of_a_search_are_the_rows_of_the_fit():
    terms = model_terms(["oil", "water", "fat", "oil:fat", "oil^2", "oil:water"], FACTORS[:4])
    made = region(FACTORS[:4])
    X = made.candidates()[::37]
    wanted = model_matrix(terms, FACTORS[:4], made.frame(X)).X
    assert fast_basis(terms, FACTORS[:4]).rows(X) == pytest.approx(wanted, abs=1e-12)


def test_the_best_of_everything_by_trying_everything():
    factors = FACTORS[:4]
    made = region(factors, exclude=lambda bake: bake["oil"] > 176 and bake["fat"] == "lard")
    rng = np.random.default_rng(12)
    for _ in range(5):
        slopes, bends, kinds = rng.normal(size=3), rng.normal(size=3), rng.normal(size=3)

        def score(X, slopes=slopes, bends=bends, kinds=kinds):
            numbers = X[:, :3]
            pair = X[:, 0] * X[:, 2] * (X[:, 3] - 1)
            return numbers @ slopes + numbers**2 @ bends + kinds[X[:, 3].astype(int)] + pair

        axes = [one for one in made.values if one is not None]
        every = np.array(np.meshgrid(*axes, indexing="ij")).reshape(4, -1).T
        every = every[made.allows(every)]
        found = best_setting(made, made.candidates(), score)
        assert score(found[None])[0] == pytest.approx(score(every).max(), rel=1e-9)


def test_settings_that_exist_only_for_some_kinds():
    method = Categorical("method", ["fried", "baked"])
    heat = Numeric("fry heat", 165, 180, "°C", only_when=("method", ["fried"]))
    rest = Numeric("rest", 20, 60, "min")
    rng = np.random.default_rng(2)
    rows = [("fried", h, r) for h in (165, 180) for r in (20, 60)] * 3
    rows += [("baked", "", r) for r in (20, 60)] * 6
    bakes = pd.DataFrame(rows, columns=["method", "fry heat", "rest"])
    fried = bakes["method"] == "fried"
    hot = pd.to_numeric(bakes["fry heat"]).fillna(172.5)
    liking = Measure("liking", "hedonic 9", goal="higher")
    for better in ("fried", "baked"):
        scores = 6 + 1.0 * (fried == (better == "fried")) + 0.05 * (hot - 172.5)
        found = fit(
            bakes.assign(liking=scores + rng.normal(0, 0.1, len(bakes))),
            "liking",
            [method, heat, rest],
            model="main",
        )
        best = recommend(found, liking)
        assert best.settings["method"] == better
        if better == "fried":
            assert best.settings["fry heat"] == 180
        else:
            assert np.isnan(best.settings["fry heat"])
        assert "fry heat" in repr(best)


def test_steps_of_a_dial():
    assert kitchen_step(15) == 1
    assert kitchen_step(30) == 2
    assert kitchen_step(0.8) == 0.05
    assert kitchen_step(1500) == 100


def test_bad_input():
    with pytest.raises(PlanError, match="only component"):
        region([Component("rye")])
    with pytest.raises(FitError, match="expected a function"):
        region(FACTORS, failure=3)
    with pytest.raises(FitError, match="no chance between 0 and 1"):
        region(FACTORS, failure=lambda bake: 7).candidates()
    with pytest.raises(PlanError, match="exclude names"):
        region(FACTORS, exclude=[{"oven": 200}])
