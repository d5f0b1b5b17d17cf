from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.design.naming import ODD, numbers, parts
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.core.terms import model_matrix, model_terms
from trials.design.factorial import fractional_factorial, full_factorial

OIL = Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True)
FAT = Categorical("fat", ["butter", "lard", "sunflower oil"])
DEMO = [OIL, *numbers(5)]


def trial(plan):
    return plan.table[plan.table["role"] == "trial"]


def test_the_demo_plan_has_a_hot_and_a_cool_load_of_four_each_day():
    plan = fractional_factorial(DEMO, bakes=32, days=4, loads=8, references=4, seed=4)
    assert plan.sentence() == "32 bakes and 4 reference bakes in 8 oil fills over 4 days"
    bakes = trial(plan)
    assert set(bakes.groupby("load").size()) == {4}
    assert (bakes.groupby("load")[OIL.name].nunique() == 1).all()
    assert all(set(day[OIL.name]) == {165.0, 180.0} for _, day in bakes.groupby("day"))
    references = plan.table[plan.table["role"] == "reference"]
    assert sorted(references["day"]) == [1, 2, 3, 4]
    assert set(references[OIL.name]) == {172.0}
    assert len(plan.details["on days"]) == len(plan.details["on loads"]) == 1
    assert len(plan.model) == 6 + 14
    X = model_matrix(model_terms(plan.model, plan.factors), plan.factors, bakes).X
    assert np.linalg.matrix_rank(X) == X.shape[1] == 21


def test_loads_left_out_give_every_setting_a_load_a_day_and_two_at_least():
    assert trial(fractional_factorial(DEMO, bakes=32, days=4, seed=1))["load"].nunique() == 8
    assert trial(fractional_factorial(DEMO, bakes=32, seed=1))["load"].nunique() == 4
    plan = fractional_factorial(DEMO, bakes=8, seed=1)
    assert trial(plan)["load"].nunique() == 2
    assert any("nothing tells a difference from luck" in reason for reason in plan.reasons)


def test_middle_bakes_get_loads_of_their_own_where_heat_is_shared():
    plan = fractional_factorial(DEMO, bakes=36, days=4, loads=8, centre_bakes=4, seed=1)
    assert (plan.count("trial"), plan.count("centre"), plan.table["load"].nunique()) == (32, 4, 12)
    assert (plan.table.groupby("load")[OIL.name].nunique() == 1).all()
    assert sorted(plan.table.loc[plan.table["role"] == "centre", "day"]) == [1, 2, 3, 4]


def test_middle_bakes_turn_through_the_kinds():
    plan = full_factorial([FAT, *numbers(1)], centre_bakes=3, days=1, seed=1)
    assert sorted(plan.table.loc[plan.table["role"] == "centre", "fat"]) == sorted(FAT.levels)


def test_a_dough_split_over_oil_fills_is_crossed():
    dough = Numeric("hydration", 92, 108, "%", hard_to_change="dough")
    plan = fractional_factorial(
        [OIL, dough, *numbers(4)], bakes=32, loads={"load": 4, "dough": 4}, seed=2
    )
    assert plan.groups == ("load", "dough")
    assert (plan.table.groupby(["load", "dough"]).size() == 2).all()
    assert (plan.table.groupby("dough")["hydration"].nunique() == 1).all()


def test_a_full_factorial_bakes_every_combination_as_often():
    oven = Numeric("oven", 160, 200, settings=(160, 180, 200))
    plan = full_factorial([FAT, oven, *numbers(2)], replicates=2, days=2, seed=3)
    counts = trial(plan).groupby([factor.name for factor in plan.factors]).size()
    assert len(counts) == 3 * 3 * 2 * 2
    assert set(counts) == {2}
    # Replicates go to different days first
    assert set(trial(plan).groupby(["day", "fat", "oven"]).size()) == {4}
    assert set(trial(plan).groupby(["day", *(f.name for f in plan.factors)]).size()) == {1}
    assert "oven^2" in plan.model


@pytest.mark.parametrize(("days", "loads"), [(1, 6), (2, 12)])
def test_a_kind_with_three_levels_can_be_hard_to_change(days, loads):
    fat = Categorical("fat", FAT.levels, hard_to_change=True)
    plan = full_factorial([fat, *numbers(3)], days=days, loads=loads, seed=1)
    assert (plan.table.groupby("load")["fat"].nunique() == 1).all()
    assert all(set(day["fat"]) == set(FAT.levels) for _, day in plan.table.groupby("day"))
    for name in ODD[:3]:
        assert (plan.table.groupby("load")[name].mean() == 5).all()


def test_three_days_take_a_part_of_the_interaction_of_three_level_factors():
    nine = [Categorical(name, [1, 2, 3]) for name in ("a", "b")]
    plan = full_factorial(nine, days=3, seed=1)
    for name in ("a", "b"):
        assert (plan.table.groupby(["day", name]).size() == 1).all()


@given(
    count=st.integers(2, 5),
    power=st.integers(0, 2),
    seed=st.integers(0, 10**6),
    copies=st.integers(1, 3),
)
@settings(max_examples=40, deadline=None)
def test_main_effects_never_go_with_days(count, power, seed, copies):
    days = 2 ** min(power, count - 1)
    plan = full_factorial(numbers(count), days=days, replicates=copies, seed=seed)
    assert np.allclose(plan.coded.groupby(plan.table["day"]).mean(), 0)
    again = full_factorial(numbers(count), days=days, replicates=copies, seed=seed)
    assert plan.table.equals(again.table)


def test_the_same_seed_gives_the_same_plan_and_another_another():
    first, again, other = (
        fractional_factorial(DEMO, bakes=32, days=4, references=4, seed=seed).table
        for seed in (7, 7, 8)
    )
    assert first.equals(again)
    assert not first.equals(other)


def test_coded_settings_decode_and_encode_to_themselves():
    plan = fractional_factorial(DEMO, bakes=36, days=4, centre_bakes=4, references=3, seed=7)
    for factor in plan.factors:
        coded = plan.coded[factor.name]
        assert np.array_equal(factor.decode(coded), plan.table[factor.name])
        assert np.array_equal(factor.code(factor.decode(coded)), coded)


def test_relabelling_factors_changes_nothing_that_counts():
    names = [factor.name for factor in numbers(6)]
    plans = [
        fractional_factorial([Numeric(name, 0, 10) for name in order], bakes=16, days=2, seed=1)
        for order in (names, names[::-1])
    ]
    first, second = (plan.details for plan in plans)
    assert first["words of length 3, 4, ..."] == second["words of length 3, 4, ..."]
    assert len(first["lost"]) == len(second["lost"])
    ranks = [
        np.linalg.matrix_rank(
            model_matrix(model_terms("interactions", p.factors), p.factors, p.table).X
        )
        for p in plans
    ]
    assert ranks[0] == ranks[1]


def test_the_fewest_bakes_that_reach_a_resolution_are_chosen():
    sizes = {
        (5, 5): 16, (5, 3): 8, (6, 5): 32, (7, 4): 16, (8, 5): 64, (9, 4): 32, (15, 3): 16
    }  # fmt: skip
    for (count, resolution), bakes in sizes.items():
        plan = fractional_factorial(numbers(count), resolution=resolution, seed=1)
        assert (plan.count(), plan.details["resolution"] >= resolution) == (bakes, True)
    assert fractional_factorial(numbers(7), seed=1).count() == 16


def test_pairs_of_the_model_are_those_that_are_clear():
    plan = fractional_factorial(numbers(7), bakes=32, seed=1)
    assert len(plan.details["lost"]) == 6
    named = set(plan.model) & {f"{a}:{b}" for a, b in combinations(ODD, 2)}
    assert not named & set(plan.details["lost"])
    X = model_matrix(model_terms(plan.model, plan.factors), plan.factors, plan.table).X
    assert np.array_equal(X.T @ X, 32 * np.eye(1 + 7 + 15))


BAD_FRACTIONS = [
    ({"bakes": 12}, "bakes is 12; .* 8, 16 or 32"),
    ({"bakes": 4}, "bakes is 4; .* 8, 16 or 32"),
    ({"bakes": 64}, "bakes is 64; .*replicates"),
    ({"bakes": 0}, "bakes is 0; a whole number"),
    ({"bakes": -8}, "bakes is -8; a whole number"),
    ({"bakes": 10**12}, "bakes is 1000000000000; a whole number"),
    ({"bakes": 16.5}, '"bakes" is 16.5; expected a whole number'),
    ({"bakes": 16, "centre_bakes": 4}, "of which 4 are middle bakes; .* 12, 20 or 36"),
    ({"bakes": 16, "resolution": 6}, "resolution is 6, .*reach 5. 32 bakes would"),
    ({"resolution": 2}, "resolution is 2; a whole number from 3"),
    ({"bakes": 16, "days": 3}, "days is 3; .* 1, 2, 4, 8 or 16"),
    ({"bakes": 16, "days": 0}, "days is 0; a whole number"),
    ({"bakes": 16, "days": 16}, "16 bakes and 16 days leave room for 0"),
    ({"bakes": 16, "loads": 6}, "loads is 6 .* 1, 2, 4, 8 or 16"),
    ({"bakes": 16, "loads": 0}, "loads .* is 0; a whole number"),
    ({"bakes": 16, "loads": {"dough": 4}}, 'loads names "dough"'),
    ({"bakes": 16, "references": -1}, "references is -1"),
    ({"bakes": 16, "centre_bakes": -1}, "centre_bakes is -1"),
    ({"bakes": 16, "seed": -1}, "seed is -1"),
]


@pytest.mark.parametrize(("asked", "said"), BAD_FRACTIONS, ids=lambda value: str(value)[:30])
def test_a_fraction_that_can_not_be_is_refused_in_words(asked, said):
    with pytest.raises(PlanError, match=said):
        fractional_factorial(numbers(5), **asked)


def test_what_a_fraction_does_not_take_is_said():
    with pytest.raises(PlanError, match='"fat" has 3 levels'):
        fractional_factorial([FAT, *numbers(2)], bakes=8)
    with pytest.raises(PlanError, match="shares of a blend"):
        fractional_factorial(parts(3), bakes=8)
    with pytest.raises(PlanError, match=r"1 factor; .* 2 to 15"):
        fractional_factorial(numbers(1), bakes=4)
    with pytest.raises(PlanError, match=r"16 factors; .* 2 to 15"):
        fractional_factorial(numbers(16), bakes=32)
    two = [OIL, Numeric("dough rest", 1, 2, hard_to_change="dough"), *numbers(3)]
    with pytest.raises(PlanError, match="say how many of each"):
        fractional_factorial(two, bakes=16, loads=4)


@pytest.mark.parametrize(
    ("factors", "asked", "said"),
    [
        (numbers(3), {"replicates": 0}, "replicates is 0"),
        (numbers(3), {"days": 3}, "days is 3, .* 1, 2 or 4 would work"),
        (numbers(2), {"days": 4}, "days is 4, .* 1 or 2 would work"),
        ([FAT], {"centre_bakes": 2}, "centre_bakes is 2, but no factor is a number"),
        ([FAT, *numbers(1)], {"days": 3}, "days is 3, .* 1 would work"),
        (numbers(14), {}, "16384 bakes; the most is 10000"),
        (parts(2), {}, "shares of a blend"),
        ([OIL, *numbers(2)], {"loads": 3}, "loads is 3"),
        ([OIL], {"days": 2}, "hard to change"),
    ],
    ids=lambda value: str(value)[:25],
)
def test_a_full_factorial_that_can_not_be_is_refused_in_words(factors, asked, said):
    with pytest.raises(PlanError, match=said):
        full_factorial(factors, **asked)


def test_every_small_case_of_days_and_loads_is_right_or_refused():
    made = 0
    for count, days, loads in product((2, 3, 4), (1, 2, 4), (None, 2, 4, 8)):
        try:
            plan = full_factorial([OIL, *numbers(count - 1)], days=days, loads=loads, seed=1)
        except PlanError:
            continue
        made += 1
        bakes = plan.table
        assert len(bakes.drop_duplicates([f.name for f in plan.factors])) == 2**count
        assert (bakes.groupby("load")[OIL.name].nunique() == 1).all()
        assert (bakes.groupby("load")["day"].nunique() == 1).all()
        assert bakes.groupby("day").size().nunique() == 1
        easy = plan.coded.drop(columns=OIL.name)
        assert np.allclose(easy.groupby(bakes["load"]).mean(), 0)
    assert made >= 12


def test_replicates_lose_different_pairs_to_the_days():
    once = full_factorial(numbers(4), days=4, seed=1)
    twice = full_factorial(numbers(4), days=8, replicates=2, seed=1)
    assert len(once.details["lost"]) == 1
    assert not twice.details["lost"]
    assert twice.model == "interactions"
    days = np.eye(8)[twice.table["day"] - 1]
    X = model_matrix(model_terms("interactions", twice.factors), twice.factors, twice.table).X
    both = np.column_stack([days, X[:, 1:]])
    assert np.linalg.matrix_rank(both) == both.shape[1]
