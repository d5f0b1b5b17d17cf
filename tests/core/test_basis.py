"""The quick columns span what the named model matrix spans, and their means are exact."""

import numpy as np
import pandas as pd
import pytest

from trials.core.factors import Categorical, Component, Numeric
from trials.core.terms import (
    basis,
    coded_settings,
    model_matrix,
    model_terms,
    orthogonal_contrasts,
    real_settings,
)

FACTORS = [
    Numeric("rest", 20, 60),
    Categorical("fat", ["butter", "lard", "oil"]),
    Numeric("salt", 1, 3),
    Categorical("flour", ["rye", "wheat"]),
]


def drawn(count: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    columns = [rng.uniform(-1, 1, count), rng.integers(3, size=count)]
    return np.column_stack([*columns, rng.uniform(-1, 1, count), rng.integers(2, size=count)])


@pytest.mark.parametrize(
    "model", ["main", "interactions", "quadratic", ["fat:flour", "rest^3:fat"]]
)
def test_same_space_as_the_named_columns(model):
    terms = model_terms(model, FACTORS)
    settings = drawn(60)
    quick = basis(terms, FACTORS)
    table = pd.DataFrame(real_settings(FACTORS, settings))
    named = model_matrix(terms, FACTORS, table)
    assert quick.owner.tolist() == named.owner.tolist()
    X = quick.rows(settings)
    there = named.X @ np.linalg.lstsq(named.X, X, rcond=None)[0]
    assert np.allclose(there, X)
    assert np.allclose(coded_settings(FACTORS, table), settings)


def test_chosen_columns_are_those_of_the_whole():
    quick = basis(model_terms("quadratic", FACTORS), FACTORS)
    settings = drawn(7)
    for factor in range(4):
        columns = quick.touched(factor)
        assert (quick.rows(settings, columns) == quick.rows(settings)[:, columns]).all()
        other = settings.copy()
        other[:, factor] = 0.0
        changed = ~np.isclose(quick.rows(other), quick.rows(settings)).all(axis=0)
        assert set(np.flatnonzero(changed)) <= set(columns)


def test_means_over_the_region_against_quadrature():
    # Gauss-Legendre with four nodes is exact for the fourth powers of a quadratic model
    nodes, weights = np.polynomial.legendre.leggauss(4)
    quick = basis(model_terms("quadratic", FACTORS), FACTORS)
    axes = [nodes, np.arange(3.0), nodes, np.arange(2.0)]
    shares = [weights / 2, np.full(3, 1 / 3), weights / 2, np.full(2, 1 / 2)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
    weight = np.prod(np.stack(np.meshgrid(*shares, indexing="ij"), axis=-1), axis=-1).ravel()
    X = quick.rows(points)
    assert np.allclose(quick.moments(), (X * weight[:, None]).T @ X)


@pytest.mark.parametrize("levels", [2, 3, 5])
def test_contrasts_are_orthogonal(levels):
    full = np.column_stack([np.ones(levels), orthogonal_contrasts(levels)])
    assert np.allclose(full.T @ full, levels * np.eye(levels))


def test_a_blend_has_no_mean_of_its_own():
    flours = [Component("rye"), Component("wheat")]
    quick = basis(model_terms("blend", flours), flours)
    assert quick.rows(np.array([[0.25, 0.75]])).tolist() == [[0.25, 0.75, 0.1875]]
