from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from tests.design.naming import numbers, parts
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.design.blend import simplex_centroid
from trials.design.exchange import optimal
from trials.design.factorial import fold_over, fractional_factorial, full_factorial


def products(plan):
    """Main effects, pairs by name, and a column for each day, trial bakes only."""
    rows = plan.table["role"] == "trial"
    coded = plan.coded[rows]
    pairs = {(a, b): coded[a] * coded[b] for a, b in combinations(coded.columns, 2)}
    days = pd.get_dummies(plan.table.loc[rows, "day"]).to_numpy(float)
    return coded, pd.DataFrame(pairs), days


def explained(column, others):
    fitted = others @ np.linalg.lstsq(others, column, rcond=None)[0]
    return np.allclose(fitted, column)


def test_mirroring_everything_frees_main_effects_from_pairs():
    first = fractional_factorial(numbers(7), bakes=8, seed=1)
    folded = fold_over(first, seed=2)
    coded, pairs, days = products(folded)
    assert np.abs(coded.T @ pairs).to_numpy().max() == 0
    assert np.abs(coded.T @ days).to_numpy().max() == 0
    assert len(coded.drop_duplicates()) == 16
    before = products(first)
    assert np.abs(before[0].T @ before[1]).to_numpy().max() == 8


def test_mirroring_one_factor_frees_all_its_pairs():
    # Box, Hunter & Hunter 2005, ch. 6: the fold of a single column
    first = fractional_factorial(numbers(6), bakes=16, seed=1)
    name = numbers(6)[2].name
    folded = fold_over(first, factors=[name], seed=2)
    _, pairs, _ = products(folded)
    for pair in pairs.columns:
        if name in pair:
            others = [other for other in pairs.columns if other != pair]
            assert np.abs(pairs[pair] @ pairs[others]).max() == 0
    freed = {f"{a}:{b}" for a, b in pairs.columns if name in (a, b)}
    assert freed <= set(folded.model)


@pytest.mark.parametrize("pair", list(combinations(range(6), 2)))
def test_half_the_mirror_bakes_free_any_named_pair(pair):
    first = fractional_factorial(numbers(6), bakes=16, seed=1)
    names = tuple(numbers(6)[place].name for place in pair)
    folded = fold_over(first, pair=names[::-1], seed=2)
    coded, pairs, days = products(folded)
    assert folded.count("trial") == 24
    others = np.column_stack([days, coded, pairs.drop(columns=[names])])
    assert not explained(pairs[names].to_numpy(float), others)
    before = products(first)
    assert explained(before[1][names].to_numpy(float), before[1].drop(columns=[names]).to_numpy())
    assert f"{names[0]}:{names[1]}" in folded.model


def test_the_first_bakes_stay_and_days_and_loads_go_on():
    oil = Numeric("oil", 165, 180, hard_to_change=True)
    first = fractional_factorial(
        [oil, *numbers(5)], bakes=16, days=2, loads=4, references=2, seed=1
    )
    folded = fold_over(first, seed=2)
    kept = folded.table.head(len(first.table))
    assert kept.equals(first.table)
    later = folded.table.iloc[len(first.table) :]
    assert set(later["day"]) == {3, 4}
    assert set(later["load"]) == {5, 6, 7, 8}
    assert (later.groupby("load")["oil"].nunique() == 1).all()
    assert folded.table["bake"].is_unique
    assert folded.table.equals(fold_over(first, seed=2).table)


def test_crossed_groups_go_on_too():
    oil = Numeric("oil", 165, 180, hard_to_change=True)
    dough = Categorical("flour", ["rye", "wheat"], hard_to_change="dough")
    first = full_factorial([oil, dough, *numbers(2)], seed=1)
    later = fold_over(first, factors=["oil"], seed=2).table.iloc[16:]
    assert set(later["dough"]) == {5, 6, 7, 8}
    assert set(later["load"]) == {5, 6, 7, 8}


def test_a_mirror_that_frees_nothing_says_so():
    first = fractional_factorial(numbers(6), bakes=16, seed=1)
    assert "mirror a single factor" in fold_over(first, seed=1).reasons[-1]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"factors": []}, "factors is empty"),
        ({"factors": ["salt"]}, 'no factor "salt"'),
        ({"pair": ("x", "y")}, 'no factor "x"'),
        ({"pair": ("hydration %", "hydration %")}, "names of two factors"),
        ({"half": ("hydration %", 5)}, "but the bakes have it at 0 and 10"),
        ({"half": "hydration %"}, '"half" is the text "hydration %"'),
        ({"pair": ("hydration %", "épeautre"), "factors": ["épeautre"]}, "leave them out"),
    ],
    ids=lambda value: str(value)[:30],
)
def test_a_mirror_that_can_not_be_is_refused_in_words(asked, said):
    with pytest.raises(PlanError, match=said):
        fold_over(fractional_factorial(numbers(6), bakes=16, seed=1), **asked)


def test_what_has_no_mirror_is_refused():
    with pytest.raises(PlanError, match="no mirror setting"):
        fold_over(simplex_centroid(parts(3), seed=1))
    with pytest.raises(PlanError, match='"fat", which has no mirror'):
        fold_over(full_factorial([Categorical("fat", ["a", "b", "c"]), *numbers(1)], seed=1))


def test_a_setting_that_exists_for_some_kinds_only_has_no_mirror():
    glaze = Categorical("glaze", ["no", "yes"])
    kind = Categorical("kind", ["egg", "milk"], only_when=("glaze", ["yes"]))
    plan = optimal([glaze, kind, Numeric("rest", 20, 60)], model="main", bakes=6, seed=1)
    with pytest.raises(PlanError, match="kind can not be set in every bake"):
        fold_over(plan, seed=1)
