import json
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from tests.design.naming import numbers, parts
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.design.screening import (
    conference_matrix,
    conference_screening,
    hadamard_columns,
    plackett_burman,
)

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "design_theory.json").read_text())
KINDS = [Categorical("fat: kind", ["butter", "lard"]), Categorical("pan", ["steel", "stone"])]


def pairs_of(coded):
    return np.column_stack([coded[:, a] * coded[:, b] for a, b in pair_list(coded.shape[1])])


def pair_list(count):
    return list(combinations(range(count), 2))


def codes(plan, role=None):
    rows = plan.table["role"] == role if role else plan.table["role"] != "reference"
    coded = plan.coded[rows].copy()
    for factor in plan.factors:
        if isinstance(factor, Categorical):
            coded[factor.name] = 2 * factor.code(coded[factor.name]) - 1
    return coded.to_numpy(float)


@pytest.mark.parametrize("runs", [12, 20, 24, 28, 36])
def test_hadamard_columns_are_orthogonal_and_balanced(runs):
    X = hadamard_columns(runs - 1, runs)
    assert np.array_equal(X.T @ X, runs * np.eye(runs - 1))
    assert not X.sum(axis=0).any()


@pytest.mark.parametrize("runs", ["12", "20", "24"])
def test_hadamard_columns_are_those_of_the_published_first_row(runs):
    known = REFERENCE["plackett_burman"][runs]
    X = hadamard_columns(int(runs) - 1, int(runs))
    assert "".join("+" if sign > 0 else "-" for sign in X[0]) == known["first_row"]
    # Each row is the one before turned by a place, and the last is all low
    assert all(np.array_equal(X[place + 1], np.roll(X[place], 1)) for place in range(len(X) - 2))
    assert set(X[-1]) == {-1}
    counts = X.T @ pairs_of(X)
    own = np.array([a not in pair for a in range(X.shape[1]) for pair in pair_list(X.shape[1])])
    assert set(np.unique(counts.ravel()[own])) == set(known["inner_products_main_vs_2fi"])


def test_twelve_bakes_hold_every_combination_of_any_three_factors():
    # Projectivity 3: Box & Tyssedal 1996, Biometrika 83:950
    X = hadamard_columns(11, 12)
    for chosen in combinations(range(11), 3):
        assert len(np.unique(X[:, chosen], axis=0)) == 8


def test_seven_factors_in_twelve_bakes_reach_the_hadamard_bound():
    plan = plackett_burman(numbers(7), seed=1)
    X = np.column_stack([np.ones(12), codes(plan)])
    assert round(100 * np.linalg.det(X.T @ X / 12) ** (1 / 8), 9) == 100


@pytest.mark.parametrize(
    ("count", "bakes"), [(2, 12), (11, 12), (12, 20), (19, 20), (20, 24), (24, 28), (35, 36)]
)
def test_the_fewest_bakes_that_hold_the_factors_are_chosen(count, bakes):
    assert plackett_burman(numbers(count), seed=1).count() == bakes


@pytest.mark.parametrize("bakes", [8, 16, 32])
def test_powers_of_two_give_the_regular_fraction(bakes):
    X = codes(plackett_burman(numbers(6), bakes=bakes, seed=1))
    assert np.array_equal(X.T @ X, bakes * np.eye(6))
    if bakes == 16:
        assert not (X.T @ pairs_of(X)).any()


def test_two_days_use_a_column_that_is_left():
    plan = plackett_burman([*numbers(6), KINDS[0]], days=2, centre_bakes=2, references=2, seed=1)
    assert plan.sentence().endswith(
        "12 bakes and 2 middle-setting bakes and 2 reference bakes over 2 days"
    )
    days = plan.table.loc[plan.table["role"] == "trial", "day"].to_numpy()
    X = codes(plan, "trial")
    assert not X[days == 1].sum(axis=0).any()
    assert sorted(plan.table.loc[plan.table["role"] == "centre", "day"]) == [1, 2]


@pytest.mark.parametrize("order", [4, 6, 8, 10, 12, 14, 18])
def test_conference_matrices_are_orthogonal(order):
    C = conference_matrix(order)
    assert np.array_equal(C.T @ C, (order - 1) * np.eye(order))
    assert not np.diag(C).any()
    assert np.count_nonzero(C) == order * (order - 1)


@pytest.mark.parametrize("count", range(3, 13))
def test_main_effects_are_clear_of_each_other_and_of_all_second_order_terms(count):
    plan = conference_screening(numbers(count), seed=1)
    X = codes(plan)
    assert len(X) == (2 * count + 1 if count % 2 == 0 else 2 * count + 3)
    assert np.array_equal(X.T @ X, np.diag(np.diag(X.T @ X)))
    assert not (X.T @ np.column_stack([X**2, pairs_of(X)])).any()
    assert np.linalg.matrix_rank(np.column_stack([np.ones(len(X)), X, X**2])) == 2 * count + 1


@pytest.mark.parametrize("count", ["4", "6", "8", "12"])
def test_definitive_screening_has_the_published_properties(count):
    known = REFERENCE["definitive_screening_even_k"][count]
    plan = conference_screening(numbers(int(count)), seed=1)
    X = codes(plan)
    assert len(X) == known["runs"]
    assert set(np.diag(X.T @ X)) == {known["main_diag"]}
    squares = np.corrcoef((X**2).T)
    expected = 1 / 3 - 1 / (int(count) - 1)
    assert np.allclose(squares[np.triu_indices(int(count), 1)], expected, atol=1e-12)


@pytest.mark.parametrize("days", [1, 2, 3])
@pytest.mark.parametrize("count", [5, 6])
def test_kinds_leave_main_effects_clear_of_second_order_terms_but_not_of_each_other(days, count):
    plan = conference_screening([*numbers(count - 2), *KINDS], days=days, seed=1)
    X = codes(plan)
    assert len(X) == 2 * (count + count % 2) + 2 * days
    assert not (X.T @ np.column_stack([X[:, : count - 2] ** 2, pairs_of(X)])).any()
    assert set(X[:, -2:].ravel()) == {-1, 1}
    assert any("overlap" in reason for reason in plan.reasons)
    day = plan.table["day"].to_numpy()
    assert all(not X[day == one].sum(axis=0).any() for one in range(1, days + 1))


def test_the_days_of_a_definitive_screening_do_not_touch_main_effects():
    plan = conference_screening(numbers(8), days=3, references=3, seed=1)
    table = plan.table[plan.table["role"] != "reference"]
    coded = plan.coded[plan.table["role"] != "reference"]
    assert np.allclose(coded.groupby(table["day"]).sum(), 0)
    assert table[table["role"] == "centre"].groupby("day").size().tolist() == [1, 1, 1]


def test_the_same_seed_gives_the_same_plan():
    for family in (plackett_burman, conference_screening):
        assert family(numbers(6), seed=3).table.equals(family(numbers(6), seed=3).table)
        assert not family(numbers(6), seed=3).table.equals(family(numbers(6), seed=4).table)


def test_a_stated_middle_is_kept():
    oil = Numeric("oil", 165, 180, centre=172)
    assert set(conference_screening([oil, *numbers(3)], seed=1).table["oil"]) == {165, 172, 180}


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: plackett_burman(numbers(36)), "36 factors; .* up to 35"),
        (lambda: plackett_burman(numbers(6), bakes=14), "bakes is 14; .* 8, 12, 16, 20, 24, 28"),
        (lambda: plackett_burman(numbers(12), bakes=12), "bakes is 12; 12 factors take 16, 20"),
        (lambda: plackett_burman(numbers(6), bakes=0), "bakes is 0"),
        (lambda: plackett_burman(numbers(6), days=3), "days is 3; .* 1 or 2"),
        (lambda: plackett_burman(numbers(6, hard_to_change=True)), "hard to change"),
        (lambda: plackett_burman(parts(3)), "shares of a blend"),
        (lambda: conference_screening(numbers(2)), "2 factors; .* 3 to 12"),
        (lambda: conference_screening(numbers(13)), "13 factors; .* 3 to 12"),
        (lambda: conference_screening([*numbers(1), *KINDS]), "2 of 3 factors have two kinds"),
        (lambda: conference_screening(numbers(4), days=5), "days is 5; .* up to 2 days"),
        (lambda: conference_screening(numbers(4), centre_bakes=-1), "centre_bakes is -1"),
        (lambda: conference_screening(numbers(4, settings=(0, 10))), "two settings"),
        (
            lambda: conference_screening([*numbers(3), Categorical("fat", ["abc", "b", "c"])]),
            '"fat" has 3 levels',
        ),
    ],
)  # fmt: skip
def test_what_can_not_be_screened_is_refused_in_words(make, said):
    with pytest.raises(PlanError, match=said):
        make()
