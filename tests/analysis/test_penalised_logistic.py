import numpy as np
import pytest
from scipy import optimize, special

from trials.analysis.failures import maximise_penalised


def penalised(beta, X, y):
    """The definition of Firth 1993, written out."""
    chance = special.expit(X @ beta)
    information = X.T @ np.diag(chance * (1 - chance)) @ X
    likelihood = np.sum(y * np.log(chance) + (1 - y) * np.log(1 - chance))
    return likelihood + 0.5 * np.linalg.slogdet(information)[1]


@pytest.fixture
def bakes():
    generator = np.random.default_rng(4)
    X = np.column_stack([np.ones(20), generator.choice([-1.0, 1.0], (20, 2))])
    return X, (generator.random(20) < 0.3).astype(float)


def test_it_is_the_maximum_that_a_general_search_finds(bakes):
    found = maximise_penalised(*bakes)
    search = optimize.minimize(lambda beta: -penalised(beta, *bakes), np.zeros(3), tol=1e-10)
    assert found.log_likelihood == pytest.approx(-search.fun, rel=1e-9)
    np.testing.assert_allclose(found.beta, search.x, atol=1e-4)


def test_a_held_coefficient_keeps_the_penalty_of_all_columns(bakes):
    X, y = bakes
    found = maximise_penalised(X, y, fixed={1: 0.7})
    search = optimize.minimize(
        lambda rest: -penalised(np.array([rest[0], 0.7, rest[1]]), X, y), np.zeros(2), tol=1e-10
    )
    assert found.beta[1] == 0.7
    assert found.log_likelihood == pytest.approx(-search.fun, rel=1e-9)


def test_all_held_is_just_the_height(bakes):
    X, y = bakes
    found = maximise_penalised(X, y, fixed={0: -1.0, 1: 0.5, 2: 0.0})
    assert found.log_likelihood == pytest.approx(penalised(found.beta, X, y), rel=1e-12)
