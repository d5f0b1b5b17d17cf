import json
import time
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest

from tests.design.naming import numbers
from trials.base.errors import PlanError
from trials.design.fractions import (
    GENERATORS,
    generator_sets,
    minimum_aberration,
    rank,
    signs,
    unfinished,
    word_lengths,
)
from trials.design.screening import plackett_burman

REFERENCE = Path(__file__).parents[1] / "reference" / "min_aberration.json"
CASES = [case for case in json.loads(REFERENCE.read_text()).values() if "runs" in case]


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['factors']} in {case['runs']}")
def test_fractions_have_the_published_word_lengths(case):
    fraction = minimum_aberration(case["factors"], case["runs"])
    assert list(fraction.wlp) == case["wlp_from_A3"]
    full = case["factors"] + 1
    assert (fraction.resolution or full) == case["resolution"]


def test_the_reference_covers_all_but_the_largest_fractions():
    known = {(case["factors"], case["runs"]) for case in CASES}
    assert set(GENERATORS) - known == {(3, 4), *((count, 64) for count in (12, 13, 14, 15))}


@pytest.mark.parametrize(("factors", "runs"), sorted(GENERATORS))
def test_words_are_products_of_columns_that_give_nothing(factors, runs):
    # The second route: list the words instead of counting distances between bakes
    columns = minimum_aberration(factors, runs).columns
    counted = [0] * (factors - 2)
    for length in range(3, factors + 1):
        for chosen in combinations(columns, length):
            counted[length - 3] += np.bitwise_xor.reduce(chosen) == 0
        if length == 6:
            break
    kept = min(4, factors - 2)
    assert list(word_lengths(columns, runs))[:kept] == counted[:kept]


@pytest.mark.parametrize(("factors", "runs"), sorted(GENERATORS))
def test_columns_are_balanced_orthogonal_and_obey_their_generators(factors, runs):
    fraction = minimum_aberration(factors, runs)
    coded = signs(fraction.columns, runs)
    assert np.array_equal(coded.T @ coded, runs * np.eye(factors))
    assert not coded.sum(axis=0).any()
    assert len(np.unique(coded, axis=0)) == runs
    assert rank(fraction.columns) == runs.bit_length() - 1
    for added, made_of in generator_sets(fraction.columns).items():
        assert np.array_equal(coded[:, added], coded[:, list(made_of)].prod(axis=1))


def test_every_fraction_comes_at_once():
    start = time.perf_counter()
    for factors, runs in GENERATORS:
        minimum_aberration(factors, runs)
    assert time.perf_counter() - start < 1.0


@pytest.mark.parametrize(
    ("factors", "runs", "said"),
    [
        (5, 12, "bakes is 12; .* 8, 16 or 32 bakes"),
        (5, 4, "bakes is 4; .* 8, 16 or 32"),
        (5, 64, "bakes is 64"),
        (16, 32, "16 two-level factors; .* 2 to 15"),
        (1, 4, "1 two-level factors"),
        (5, 0, "bakes is 0"),
        (5, -8, "bakes is -8"),
    ],
)
def test_what_does_not_exist_is_refused(factors, runs, said):
    with pytest.raises(PlanError, match=said):
        minimum_aberration(factors, runs)


def as_set(rows):
    return {tuple(row) for row in np.asarray(rows, dtype=int).tolist()}


def twelve(count):
    plan = plackett_burman(numbers(count), bakes=12, seed=1)
    return plan.coded[[factor.name for factor in plan.factors]].to_numpy()


@pytest.mark.parametrize(("factors", "runs"), [case for case in GENERATORS if case[1] <= 32])
def test_the_missing_bakes_of_published_fractions_are_found(factors, runs):
    # Fractions of Fries & Hunter 1980 and Chen, Sun & Wu 1993
    whole = signs(minimum_aberration(factors, runs).columns, runs)
    # Every bake is a product of the first and those that differ in one basic column
    basic = [0, *(2**place for place in range(runs.bit_length() - 1))]
    made = whole[sorted({*basic, *range(runs // 2)})]
    missing = as_set(whole) - as_set(made)
    assert as_set(unfinished(made)) == missing
    assert not len(unfinished(whole))


def test_a_plan_that_is_part_of_no_fraction_lacks_all_other_combinations():
    # Plackett & Burman 1946: twelve bakes hold no defining word
    made = twelve(5)
    every = as_set(list(product((-1, 1), repeat=5)))
    assert as_set(unfinished(made)) == every - as_set(made)


def test_a_very_large_fraction_is_not_finished():
    assert not len(unfinished(twelve(11)))
