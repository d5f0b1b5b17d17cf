import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.tasting.orders import (
    balanced_blocks,
    balanced_groups,
    balanced_orders,
    concurrences,
    efficiency,
    is_balanced,
    least_sum_of_squares,
    served_counts,
    williams,
)
from trials.tasting.serving import Task, allocate

REFERENCE = Path(__file__).parents[1] / "reference"


def count(orders, n):
    """Places (sample x place) and neighbours (before x after), counted one by one."""
    places, after = np.zeros((n, n), dtype=int), np.zeros((n, n), dtype=int)
    for order in orders:
        for place, sample in enumerate(order):
            places[sample, place] += 1
        for a, b in pairwise(order):
            after[a, b] += 1
    return places, after


@pytest.mark.parametrize("n", range(2, 13))
def test_williams_squares_have_the_properties_of_1949(n):
    # Williams (1949): n orders (even n) or 2n (odd n); each sample once (twice) at each place and
    # once (twice) right after each other
    orders = williams(n)
    times = 1 if n % 2 == 0 else 2
    places, after = count(orders.tolist(), n)
    assert orders.shape == (times * n, n)
    assert (places == times).all()
    assert (after == times * (1 - np.eye(n, dtype=int))).all()


def blocks_of(n, tasters):
    return [{i: i for i in range(n)} for _ in range(tasters)]


@pytest.mark.parametrize("tasters", range(2, 13))
@pytest.mark.parametrize("n", range(2, 9))
def test_whole_sittings_are_even_to_within_one(n, tasters):
    orders = balanced_orders(blocks_of(n, tasters), np.random.default_rng(n * tasters))
    places, after = count(orders, n)
    between = after[~np.eye(n, dtype=bool)]
    assert [sorted(order) for order in orders] == [list(range(n))] * tasters
    assert places.max() - places.min() <= 1
    if n % 2 == 0 or tasters % (2 * n) == 0:  # Williams squares and parts of them
        assert between.max() - between.min() <= 1


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_equal_sittings_of_any_bakes_have_even_places(data):
    bakes = data.draw(st.integers(2, 9))
    size = data.draw(st.integers(1, min(bakes, 6)))
    sets = st.permutations(range(bakes)).map(lambda p: p[:size])
    blocks = data.draw(st.lists(sets, min_size=1, max_size=12))
    orders = balanced_orders(
        [{i: i for i in block} for block in blocks], np.random.default_rng(1), proposals=300
    )
    assert [sorted(order) for order in orders] == [sorted(block) for block in blocks]
    places, _ = count(orders, bakes)
    # de Werra (1971): an even colouring always exists
    assert (np.ptp(places[:, :size], axis=1) <= 1).all()


def test_the_search_leaves_neighbours_no_worse_than_its_start():
    for seed in range(5):
        rng = np.random.default_rng(seed)
        blocks = [{int(i): int(i) for i in rng.permutation(9)[:5]} for _ in range(12)]
        start = balanced_orders(blocks, np.random.default_rng(seed), proposals=0)
        found = balanced_orders(blocks, np.random.default_rng(seed))
        before, after = ((count(orders, 9)[1] ** 2).sum() for orders in (start, found))
        assert after <= before


def test_orders_that_stand_are_counted():
    kept = [[(0, 0), (1, 1)]] * 3
    assert balanced_orders([{0: 0, 1: 1}] * 3, np.random.default_rng(1), kept=kept) == [[1, 0]] * 3


def test_a_repeat_does_not_stand_beside_its_twin():
    blocks = [{0: 0, 1: 1, 2: 2, 3: i % 3} for i in range(6)]
    for order, block in zip(balanced_orders(blocks, np.random.default_rng(2)), blocks, strict=True):
        assert all(block[a] != block[b] for a, b in pairwise(order))


@pytest.mark.parametrize(("total", "cells"), [(0, 3), (7, 3), (6, 3), (5, 9)])
def test_the_least_sum_of_squares_is_that_of_dealing_round(total, cells):
    counts = [len(range(i, total, cells)) for i in range(cells)]
    assert least_sum_of_squares(total, cells) == sum(c * c for c in counts)


# --- incomplete blocks ---


def published_blocks():
    with open(REFERENCE / "bib_parameters.csv", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_table_of_parameters_is_whole():
    assert len(published_blocks()) == 39


@pytest.mark.parametrize("row", published_blocks(), ids=lambda row: f"{row['t']}-{row['k']}")
def test_published_incomplete_blocks_are_built(row):
    t, k, b, r, shared = (int(row[name]) for name in ("t", "k", "b", "r", "lambda"))
    blocks = balanced_blocks(t, k)
    times, rest = divmod(b, len(blocks))
    assert rest == 0
    assert times == (2 if (t, k, b) == (6, 3, 20) else 1)
    blocks = blocks * times
    counts = concurrences(blocks, t)
    assert len(blocks) == b
    assert {len(set(block)) for block in blocks} == {k}
    assert (np.diag(counts) == r).all()
    assert (counts[~np.eye(t, dtype=bool)] == shared).all()
    factor, bound = efficiency(blocks, t)
    assert factor == pytest.approx(float(row["efficiency"]), abs=5e-7)
    assert bound == pytest.approx(float(row["efficiency"]), abs=5e-7)


def test_resolvable_designs_hold_every_bake_in_each_group():
    found = {
        (bakes, size): balanced_groups(bakes, size)
        for bakes in range(4, 21)
        for size in range(2, bakes)
        if balanced_groups(bakes, size)
    }
    assert {(9, 3), (8, 4), (12, 4), (15, 3), (16, 4)} < set(found)
    for (bakes, _), groups in found.items():
        for group in groups:
            assert sorted(bake for block in group for bake in block) == list(range(bakes))
        assert is_balanced([block for group in groups for block in group], bakes)


def test_efficiency_of_a_worked_case():
    # three bakes in pairs 01, 12: information [[.5,-.5,0],[-.5,1,-.5],[0,-.5,.5]], served 1, 2, 1;
    # scaled, its eigenvalues are 0, 1/2, 1: harmonic mean 2 / (2 + 1) = 2/3, mean 3/4
    assert efficiency([(0, 1), (1, 2)], 3) == pytest.approx((2 / 3, 3 / 4))


@pytest.mark.parametrize(("tasters", "bakes", "room"), [(4, 4, 2), (9, 9, 2), (10, 20, 3)])
def test_bakes_are_connected_where_the_places_just_allow_it(tasters, bakes, room):
    task = Task([range(bakes)] * tasters, [1] * tasters, room, bakes)
    shares = allocate(task, np.random.default_rng(1))
    blocks = [block for taster in shares for block in taster]
    assert efficiency(blocks, bakes)[0] > 0
    assert np.ptp(served_counts(blocks, bakes)) <= 1


def test_bakes_that_never_meet_have_no_efficiency():
    assert efficiency([(0, 1), (2, 3)], 4)[0] == 0.0


@pytest.mark.parametrize(
    ("bakes", "room", "tasters", "sittings"),
    [
        (4, 2, 3, 2),
        (6, 2, 5, 3),
        (7, 3, 7, 1),
        (7, 4, 7, 1),
        (5, 3, 10, 1),
        (9, 3, 4, 3),
        (9, 3, 8, 3),
        (11, 5, 11, 1),
        (12, 4, 11, 3),
        (15, 3, 7, 5),
        (16, 4, 5, 4),
    ],
)
def test_balanced_designs_are_found_where_they_exist(bakes, room, tasters, sittings):
    task = Task([range(bakes)] * tasters, [sittings] * tasters, room, bakes)
    shares = allocate(task, np.random.default_rng(1))
    blocks = [block for taster in shares for block in taster]
    assert is_balanced(blocks, bakes)


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_bakes_are_shared_out_evenly_and_only_to_who_may_have_them(data):
    bakes = data.draw(st.integers(2, 12))
    tasters = data.draw(st.integers(1, 8))
    room = data.draw(st.integers(1, 6))
    sittings = data.draw(st.integers(1, bakes))
    task = Task([range(bakes)] * tasters, [sittings] * tasters, room, bakes)
    shares = allocate(task, np.random.default_rng(2), proposals=300)
    for taster in shares:
        eaten = [bake for block in taster for bake in block]
        assert len(eaten) == len(set(eaten)) == min(bakes, sittings * room)
        assert np.ptp([len(block) for block in taster]) <= 1
    served = served_counts([block for taster in shares for block in taster], bakes)
    assert np.ptp(served) <= 1
