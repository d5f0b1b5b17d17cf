"""The first part of a plan tells most by itself."""

import itertools

import numpy as np
import pytest

from tests.design.naming import numbers
from trials.base.errors import PlanError
from trials.core.factors import Categorical
from trials.core.terms import model_matrix, model_terms
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.propose import first_part
from trials.design.surface import central_composite


def coded(plan):
    return plan.coded[[factor.name for factor in plan.factors]].to_numpy(float)


def test_half_of_all_combinations_of_four_is_the_fraction_of_resolution_four():
    # Box & Hunter 1961: of eight bakes of four factors, I = ABCD keeps single factors clear of
    # pairs; DuMouchel & Jones 1994 made potential terms for just this
    part = first_part(full_factorial(numbers(4), seed=1), 8, model="interactions")
    assert len(set(coded(part).prod(axis=1))) == 1


@pytest.mark.parametrize("bakes", [10, 12, 14])
def test_no_other_part_tells_more(bakes):
    whole = fractional_factorial(numbers(5), bakes=16, seed=1)
    terms = model_terms("interactions", whole.factors)

    def told(table):
        X = model_matrix(terms, whole.factors, table).X
        potential = np.diag([0.0] * 6 + [1.0] * 10)
        return np.linalg.slogdet(X.T @ X + potential)[1]

    part = first_part(whole, bakes, model="interactions")
    every = [
        told(whole.table.iloc[list(chosen)]) for chosen in itertools.combinations(range(16), bakes)
    ]
    assert told(part.table) == pytest.approx(max(every), abs=1e-4)
    assert set(map(tuple, coded(part))) <= set(map(tuple, coded(whole)))


def test_kinds_reference_bakes_and_the_seed_of_the_whole_are_kept():
    kinds = [Categorical(name, ["butter", "lard"]) for name in "abcde"]
    whole = fractional_factorial(kinds, bakes=16, seed=7)
    part = first_part(whole, 12, model="interactions", references=2)
    assert (part.count(), part.count("reference"), part.seed) == (12, 2, 7)
    again = first_part(whole, 12, model="interactions", references=2)
    assert again.table.equals(part.table)


def test_too_small_a_part_is_refused():
    whole = fractional_factorial(numbers(5), bakes=16, seed=1)
    with pytest.raises(PlanError, match="the single changes alone need 6"):
        first_part(whole, 5, model="interactions")


def test_as_many_bakes_as_the_single_changes_need_tell_them():
    whole = fractional_factorial(numbers(5), bakes=16, seed=1)
    part = first_part(whole, 6, model="interactions")
    single = np.column_stack([np.ones(6), coded(part)])
    assert np.linalg.matrix_rank(single) == 6


@pytest.mark.parametrize("bakes", [0, 16, 20])
def test_a_part_is_less_than_the_whole(bakes):
    whole = fractional_factorial(numbers(5), bakes=16, seed=1)
    with pytest.raises(PlanError, match="expected fewer bakes than it has"):
        first_part(whole, bakes, model="interactions")


def test_a_plan_of_two_days_has_no_first_part():
    whole = fractional_factorial(numbers(5), bakes=16, days=2, seed=1)
    with pytest.raises(PlanError, match="of a plan of one day"):
        first_part(whole, 8, model="interactions")


def test_enough_bakes_tell_all_that_is_asked():
    whole = central_composite(numbers(2), seed=1)
    part = first_part(whole, 7, model="quadratic")
    X = model_matrix(model_terms("quadratic", part.factors), part.factors, part.table).X
    assert np.linalg.matrix_rank(X) == X.shape[1] == 6
    assert part.model == whole.model


def test_the_model_of_the_whole_stays_where_the_part_can_tell_it():
    four = fractional_factorial(numbers(4), bakes=16, seed=1)
    five = fractional_factorial(numbers(5), bakes=16, seed=1)
    assert first_part(four, 12, model="interactions").model == "interactions"
    assert first_part(five, 12, model="interactions").model == "main"
