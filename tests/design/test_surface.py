import json
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from tests.design.naming import numbers, parts
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.core.terms import model_matrix, model_terms
from trials.design.surface import box_behnken, central_composite

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "design_theory.json").read_text())

FAT = Categorical("fat", ["butter", "lard"])


def matrix(plan):
    table = plan.table[plan.table["role"] != "reference"]
    return model_matrix(model_terms("quadratic", plan.factors), plan.factors, table).X


def in_days(days, middles):
    return central_composite(numbers(3), axial="orthogonal blocks", days=days, centre_bakes=middles)


def second_order(coded):
    pairs = [coded[:, a] * coded[:, b] for a, b in combinations(range(coded.shape[1]), 2)]
    return np.column_stack([coded, coded**2, *pairs])


def variance_at(plan, radius):
    """Prediction variance in 500 directions, axes in units of the core."""
    rng = np.random.default_rng(1)
    directions = rng.normal(size=(500, len(plan.factors)))
    directions *= radius / np.linalg.norm(directions, axis=1, keepdims=True)
    unit = plan.details["axial distance"] if plan.coded.to_numpy().max() < 1.01 else 1.0
    X, Z = (
        np.column_stack([np.ones(len(coded)), second_order(coded)])
        for coded in (plan.coded.to_numpy() * unit, directions)
    )
    return np.einsum("ij,jk,ik->i", Z, np.linalg.inv(X.T @ X), Z)


@pytest.mark.parametrize("case", ["k=2,F=4", "k=3,F=8", "k=4,F=16", "k=5,F=16", "k=6,F=32"])
def test_the_rotatable_distance_is_the_published_one(case):
    known = REFERENCE["central_composite"][case]
    for axial in ("rotatable", "beyond"):
        plan = central_composite(numbers(known["k"]), axial=axial, seed=1)
        assert plan.details["core bakes"] == known["factorial_runs"]
        assert plan.details["axial distance"] == pytest.approx(known["alpha_rotatable"], rel=1e-12)
        assert plan.details["rotatable"]


def test_a_rotatable_plan_is_as_sharp_in_every_direction():
    known = REFERENCE["ccd_rotatable_check_k3_r1_n0_6"]
    for axial in ("rotatable", "beyond"):
        plan = central_composite(numbers(3), axial=axial, centre_bakes=6, seed=1)
        variance = variance_at(plan, 1.0)
        assert variance.min() == pytest.approx(known["min"], rel=1e-9)
        assert variance.max() == pytest.approx(known["max"], rel=1e-9)
    assert np.ptp(variance_at(central_composite(numbers(3), seed=1), 1.0)) > 0.01


@pytest.mark.parametrize(
    ("count", "days", "middles", "distance"),
    # Box & Hunter 1957, Ann. Math. Stat. 28:195, table of blocking arrangements (from memory)
    [(2, 2, 6, 1.414), (3, 3, 6, 1.633), (4, 3, 6, 2.0), (5, 2, 7, None), (6, 3, 12, None)],
)
def test_days_do_not_touch_an_orthogonally_blocked_surface(count, days, middles, distance):
    centre = middles if distance else days * 2
    plan = central_composite(
        numbers(count), axial="orthogonal blocks", days=days, centre_bakes=centre, seed=1
    )
    assert plan.days == days
    if distance:
        assert round(plan.details["axial distance"], 3) == distance
    means = [
        second_order(plan.coded[plan.table["day"] == day].to_numpy()).mean(axis=0)
        for day in range(1, days + 1)
    ]
    assert np.allclose(means, means[0], atol=1e-12)
    assert plan.details["orthogonal blocks"]


def test_rotatable_and_orthogonal_are_said_only_where_true():
    both = central_composite(numbers(4), axial="orthogonal blocks", days=3, centre_bakes=6, seed=1)
    assert (both.details["rotatable"], both.details["orthogonal blocks"]) == (True, True)
    one = central_composite(numbers(3), axial="orthogonal blocks", days=3, centre_bakes=6, seed=1)
    assert (one.details["rotatable"], one.details["orthogonal blocks"]) == (False, True)


@pytest.mark.parametrize("axial", ["face", "rotatable", "orthogonal blocks", "beyond"])
@pytest.mark.parametrize("count", range(2, 9))
def test_low_and_high_are_limits_and_the_surface_can_be_fitted(count, axial):
    plan = central_composite(numbers(count), axial=axial, seed=1)
    reach = plan.details["axial distance"] if axial == "beyond" else 1.0
    assert plan.coded.to_numpy().max() == pytest.approx(reach, rel=1e-12)
    X = matrix(plan)
    assert np.linalg.matrix_rank(X) == X.shape[1]
    settings = {2 * round(value, 9) for value in plan.coded.to_numpy().ravel().tolist()}
    assert len(settings) == (3 if plan.details["axial distance"] == 1.0 else 5)


@pytest.mark.parametrize("count", ["3", "4", "5", "6", "7"])
def test_three_level_surfaces_have_the_published_bakes(count):
    known = REFERENCE["box_behnken"][count]
    plan = box_behnken(numbers(int(count)), seed=1)
    assert (plan.count("trial"), plan.count()) == (known["runs_no_centre"], known["total_1960"])
    coded = plan.coded.to_numpy()
    sets = {frozenset(np.flatnonzero(row) + 1) for row in coded} - {frozenset()}
    assert sets == {frozenset(block) for block in known["blocks"]}
    assert set(np.abs(coded).sum(axis=0)) == {known["replication_each_factor"]}
    X = matrix(plan)
    assert np.linalg.matrix_rank(X) == X.shape[1] == known["n_params"]
    assert len({tuple(row) for row in coded.tolist()}) == known["runs_no_centre"] + 1


@pytest.mark.parametrize(("count", "days"), [(4, 3), (5, 2), (6, 2), (7, 2)])
def test_days_do_not_touch_a_three_level_surface(count, days):
    plan = box_behnken(numbers(count), days=days, seed=1)
    means = [
        second_order(plan.coded[plan.table["day"] == day].to_numpy()).mean(axis=0)
        for day in range(1, days + 1)
    ]
    assert np.allclose(means, means[0], atol=1e-12)
    assert plan.table.groupby("day").size().nunique() == 1


def test_settings_that_can_be_made_are_kept_to():
    oven = Numeric("oven", 160, 200, step=5)
    plan = central_composite([oven, *numbers(2)], axial="rotatable", seed=1)
    assert not (plan.table["oven"] % 5).any()
    assert any("nearest settings" in reason for reason in plan.reasons)
    stated = Numeric("oil", 165, 180, centre=172)
    assert set(box_behnken([stated, *numbers(2)], seed=1).table["oil"]) == {165, 172, 180}


def test_the_same_seed_gives_the_same_plan_and_it_decodes_to_itself():
    for make in (central_composite, box_behnken):
        plan = make(numbers(4), seed=5)
        assert plan.table.equals(make(numbers(4), seed=5).table)
        for factor in plan.factors:
            assert np.array_equal(factor.decode(plan.coded[factor.name]), plan.table[factor.name])


def test_relabelling_factors_does_not_change_quality():
    for make in (central_composite, box_behnken):
        sizes = [
            np.linalg.slogdet(matrix(plan).T @ matrix(plan))[1]
            for plan in (make(numbers(5), seed=1), make(numbers(5)[::-1], seed=1))
        ]
        assert sizes[0] == pytest.approx(sizes[1], rel=1e-12)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: central_composite(numbers(1)), "1 factor; .* 2 to 8"),
        (lambda: central_composite(numbers(9)), "9 factors; .* 2 to 8"),
        (lambda: central_composite(numbers(3), axial="star"), 'axial is "star"; face, rotatable'),
        (lambda: central_composite(numbers(3), days=2), "days is 2, .*orthogonal blocks"),
        (
            lambda: in_days(5, None),
            "days is 5: .* 2 always",
        ),
        (
            lambda: in_days(3, 4),
            "centre_bakes is 4; .* multiple of 3",
        ),
        (lambda: central_composite(numbers(3), centre_bakes=-1), "centre_bakes is -1"),
        (lambda: central_composite(numbers(3, hard_to_change=True)), "hard to change"),
        (lambda: central_composite(parts(3)), "is not a number"),
        (
            lambda: central_composite(numbers(3, settings=(0, 5, 10)), axial="rotatable"),
            "needs five settings",
        ),
        (lambda: central_composite(numbers(3, settings=(0, 10))), "needs a setting between"),
        (lambda: box_behnken(numbers(2)), "2 factors; box_behnken takes 3 to 7"),
        (lambda: box_behnken(numbers(8)), "8 factors"),
        (lambda: box_behnken([*numbers(2), FAT]), '"fat" is not a number'),
        (lambda: box_behnken(numbers(3), days=2), "days is 2; with 3 factors 1 keeps"),
        (lambda: box_behnken(numbers(4), days=3, centre_bakes=4), "multiple of 3"),
        (lambda: box_behnken(numbers(4), centre_bakes=10**9), "centre_bakes is 1000000000"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_words(make, said):
    with pytest.raises(PlanError, match=said):
        make()
