from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.design.naming import numbers, parts
from trials.base.errors import FactorError, PlanError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.terms import model_matrix, model_terms
from trials.design.blend import (
    extreme_vertices,
    faces_of,
    simplex_centroid,
    simplex_lattice,
    vertices_of,
)

# McLean & Anderson 1966, Technometrics 8:447: the flare (limits and table from memory)
FLARE = [
    Component("magnesium", 0.40, 0.60),
    Component("sodium nitrate", 0.10, 0.50),
    Component("strontium nitrate", 0.10, 0.50),
    Component("binder", 0.03, 0.08),
]
FLARE_VERTICES = {
    (0.40, 0.10, 0.47, 0.03), (0.40, 0.10, 0.42, 0.08), (0.60, 0.10, 0.27, 0.03),
    (0.60, 0.10, 0.22, 0.08), (0.40, 0.47, 0.10, 0.03), (0.40, 0.42, 0.10, 0.08),
    (0.60, 0.27, 0.10, 0.03), (0.60, 0.22, 0.10, 0.08),
}  # fmt: skip


def shares(plan):
    names = [factor.name for factor in plan.factors if isinstance(factor, Component)]
    return plan.table[names].to_numpy()


@pytest.mark.parametrize(("count", "degree"), [(2, 2), (3, 2), (3, 3), (4, 2), (4, 3)])
def test_a_lattice_has_all_blends_of_its_steps(count, degree):
    found = shares(simplex_lattice(parts(count), degree, seed=1))
    assert len(found) == len(np.unique(found.round(9), axis=0)) == comb(count + degree - 1, degree)
    assert np.allclose(found * degree, (found * degree).round(), atol=1e-9)
    assert np.allclose(found.sum(axis=1), 1, atol=1e-12)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_a_centroid_plan_has_every_equal_blend(count):
    found = shares(simplex_centroid(parts(count), seed=1))
    assert len(found) == 2**count - 1
    for row in found:
        held = row[row > 0]
        assert np.allclose(held, 1 / len(held))


def test_the_flare_has_the_published_corners_and_middles():
    plan = extreme_vertices(FLARE, seed=1)
    found = {tuple(row) for row in shares(plan).round(9).tolist()}
    assert len(found) == 15
    assert found >= FLARE_VERTICES
    assert (0.5, 0.2225, 0.2225, 0.055) in found
    centroids = {
        (0.5, 0.1, 0.345, 0.055), (0.5, 0.345, 0.1, 0.055), (0.4, 0.2725, 0.2725, 0.055),
        (0.6, 0.1725, 0.1725, 0.055), (0.5, 0.235, 0.235, 0.03), (0.5, 0.21, 0.21, 0.08),
    }  # fmt: skip
    assert found == FLARE_VERTICES | centroids | {(0.5, 0.2225, 0.2225, 0.055)}
    assert plan.model == "blend"


def test_a_simplex_has_its_own_corners_edges_and_faces():
    for count in (3, 4):
        corners, active = vertices_of(parts(count))
        assert np.allclose(np.sort(corners, axis=0), np.sort(np.eye(count), axis=0))
        assert len(faces_of(corners, active, 1)) == comb(count, 2)
        if count == 4:
            assert len(faces_of(corners, active, 2)) == 4


def test_a_limit_on_a_sum_is_kept_and_reached():
    limit = ({"rye": 1, "spelt %": 2}, 0.2, 0.9)
    plan = extreme_vertices(parts(3), constraints=[limit], points=("vertices", "edges"), seed=1)
    sums = plan.table["rye"] + 2 * plan.table["spelt %"]
    assert sums.min() == pytest.approx(0.2, abs=1e-9)
    assert sums.max() == pytest.approx(0.9, abs=1e-9)


@given(
    lows=st.lists(st.integers(0, 20), min_size=3, max_size=5),
    widths=st.lists(st.integers(5, 80), min_size=5, max_size=5),
)
@settings(max_examples=40, deadline=None)
def test_corners_keep_every_limit_and_span_the_body(lows, widths):
    limits = [
        (low / 100, min(1.0, (low + wide) / 100)) for low, wide in zip(lows, widths, strict=False)
    ]
    if sum(low for low, _ in limits) > 0.95 or sum(high for _, high in limits) < 1.05:
        return
    blend = [Component(f"part {place}", *limit) for place, limit in enumerate(limits)]
    corners, _ = vertices_of(blend)
    low, high = np.array(limits).T
    assert np.all(corners >= low - 1e-9)
    assert np.all(corners <= high + 1e-9)
    assert np.allclose(corners.sum(axis=1), 1)
    # The extreme share of each component over the body is a corner's, by arithmetic
    for place in range(len(blend)):
        rest = np.delete(np.arange(len(blend)), place)
        assert corners[:, place].max() == pytest.approx(min(high[place], 1 - low[rest].sum()))
        assert corners[:, place].min() == pytest.approx(max(low[place], 1 - high[rest].sum()))


def test_lower_limits_make_every_share_run_from_its_own():
    blend = [Component("rye", 0.1), Component("spelt", 0.2), Component("wheat")]
    found = shares(simplex_lattice(blend, 2, seed=1))
    assert found.min(axis=0).tolist() == [0.1, 0.2, 0.0]
    assert found.max(axis=0).tolist() == pytest.approx([0.8, 0.9, 0.7])


def test_blends_are_crossed_with_process_factors_and_loads_hold_one_heat():
    oil = Numeric("oil", 165, 180, hard_to_change=True)
    fat = Categorical("fat", ["butter", "lard", "oil"])
    factors = [*parts(3), oil, fat]
    plan = simplex_lattice(factors, 2, replicates=2, days=2, references=2, seed=1)
    trial = plan.table[plan.table["role"] == "trial"]
    assert len(trial) == 6 * 2 * 3 * 2
    assert (trial.groupby("load")["oil"].nunique() == 1).all()
    assert trial.groupby("day")["load"].nunique().tolist() == [2, 2]
    X = model_matrix(model_terms(plan.model, plan.factors), plan.factors, trial).X
    assert np.linalg.matrix_rank(X) == X.shape[1]


def test_a_plan_that_can_not_judge_bends_says_so_and_keeps_to_straight_lines():
    plan = simplex_lattice([*parts(3), *numbers(1)], 1, seed=1)
    assert "rye:oil: temperature" in plan.model
    assert any("straight lines" in reason for reason in plan.reasons)
    X = model_matrix(model_terms(plan.model, plan.factors), plan.factors, plan.table).X
    assert np.linalg.matrix_rank(X) == X.shape[1]


def test_the_same_seed_gives_the_same_plan():
    for make in (simplex_lattice, simplex_centroid, extreme_vertices):
        assert make(parts(3), seed=3).table.equals(make(parts(3), seed=3).table)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: simplex_centroid([Component("rye")]), "1 component; a blend has 2 to 10"),
        (lambda: simplex_lattice(parts(3), 0), "degree is 0"),
        (lambda: simplex_lattice(parts(3), 99), "degree is 99"),
        (
            lambda: simplex_lattice([Component("a", 0, 0.6), *parts(2)]),
            "upper limit of a cuts .* extreme_vertices",
        ),
        (
            lambda: extreme_vertices([Component("a", 0.5, 0.7), Component("b", 0.6, 0.8)]),
            "lower limits of a and b sum to 1.1",
        ),
        (
            lambda: extreme_vertices([Component("a", 0, 0.3), Component("b", 0, 0.3)]),
            "upper limits of a and b sum to 0.6",
        ),
        (
            lambda: extreme_vertices(parts(2), constraints=[({"oat": 1}, 0, 0.5)]),
            "constraints names oat; the components are rye",
        ),
        (
            lambda: extreme_vertices(parts(2), constraints=[({"rye": 1}, 1.2, 2)]),
            "leave no blend",
        ),
        (
            lambda: extreme_vertices(parts(2), constraints=[({"rye": 1}, 0.5, 0.2)]),
            "lower one below the upper",
        ),
        (lambda: extreme_vertices(parts(2), constraints=[0.5]), 'number 1 of "constraints" is 0.5'),
        (lambda: extreme_vertices(parts(3), points=["corners"]), "points is .*vertices, edges"),
        (lambda: simplex_centroid(parts(3), days=2), "days is 2 with replicates 1"),
        (lambda: simplex_centroid(parts(3), replicates=0), "replicates is 0"),
        (lambda: simplex_centroid(numbers(3)), "0 components"),
    ],
)
def test_blends_that_can_not_be_are_refused_in_words(make, said):
    with pytest.raises(PlanError, match=said):
        make()


def test_a_share_above_the_whole_is_refused():
    with pytest.raises(FactorError, match="0 <= low < high <= 1"):
        Component("rye", 0.2, 1.4)
