"""What is tried stays within limits; blends that can not be are refused."""

import numpy as np
import pytest

from trials.base.errors import PlanError
from trials.core.exclusion import Exclusion
from trials.core.factors import Categorical, Component, Numeric
from trials.core.terms import model_terms
from trials.design.candidates import candidates, check_blend, random_blends

FLOURS = [Component("wheat", 0.3, 0.9), Component("rye", 0, 0.5), Component("buckwheat", 0.1, 0.4)]
REST = Numeric("rest", 20, 60)


def options_of(factors, model, exclude=None, **more):
    return candidates(factors, model_terms(model, factors), Exclusion(factors, exclude), **more)


def test_a_number_gets_what_its_model_needs():
    fat = Categorical("fat", ["butter", "lard", "oil"])
    levels = options_of([REST, fat], "main").levels
    assert levels[0].tolist() == [-1, 1]
    assert levels[1].tolist() == [0, 1, 2]
    assert len(options_of([REST], "quadratic").levels[0]) == 3
    assert len(options_of([REST], "main", lambda bake: bake["rest"] == 40).levels[0]) == 5


def test_moves_of_a_blend_stay_blends():
    options = options_of([*FLOURS, REST], "blend")
    settings = options.draw(np.random.default_rng(1), 200)
    limits = np.array([(flour.low, flour.high) for flour in FLOURS])
    for place in range(3):
        tries, may = options.moves(settings, place)
        made = tries[may][:, :3]
        assert np.allclose(made.sum(axis=1), 1)
        assert (made >= limits[:, 0] - 1e-9).all()
        assert (made <= limits[:, 1] + 1e-9).all()
        # The process factor is left alone, and the component does reach its furthest share
        assert (tries[:, :, 3] == settings[:, None, 3]).all()
        assert may.any(axis=1).all()
        reach = np.where(may, tries[:, :, place], -np.inf).max(axis=1)
        assert (reach >= settings[:, place] - 1e-9).all()


def test_the_cox_direction_keeps_the_others_in_proportion():
    free = [Component(name) for name in ("wheat", "rye", "buckwheat")]
    tries, may = options_of(free, "blend").moves(np.array([[0.2, 0.6, 0.2]]), 0)
    line = tries[0, :11]
    assert may[0, :11].all()
    inner = line[line[:, 0] < 1 - 1e-9]
    assert np.allclose(inner[:, 1] / inner[:, 2], 3)
    assert sorted(np.round(line[:, 0], 9))[0] == 0
    assert sorted(np.round(line[:, 0], 9))[-1] == 1


def test_random_blends_within_tight_limits():
    low, high = np.array([0.3, 0.3, 0.0]), np.array([0.36, 0.36, 0.35])
    blends = random_blends(np.random.default_rng(2), 300, low, high)
    assert np.allclose(blends.sum(axis=1), 1)
    assert (blends >= low - 1e-9).all()
    assert (blends <= high + 1e-9).all()


def test_means_over_an_excluded_region():
    # What is left of a unit square without its corner quarter: the mean of x is -1/6
    factors = [REST, Numeric("salt", 1, 3)]
    options = options_of(factors, "main", [{"rest": (40, 60), "salt": (2, 3)}])
    region = options.region()
    assert not ((region > 0).all(axis=1)).any()
    # Standard error of a mean of 8192 points is 0.006
    assert region.mean(axis=0) == pytest.approx([-1 / 6, -1 / 6], abs=0.025)


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ([(0, 0.3), (0, 0.3)], "can reach 60 % at most"),
        ([(0.6, 0.8), (0.5, 0.9)], "are at least 110 % together"),
        ([(0.4, 0.6), (0.3, 0.4)], "leave a single blend"),
        ([(0.0, 1.0)], "is the only component"),
    ],
)
def test_limits_that_can_not_sum_to_one_are_refused(limits, words):
    flours = [Component(f"flour {n}", *pair) for n, pair in enumerate(limits)]
    with pytest.raises(PlanError, match=words):
        check_blend(flours)
