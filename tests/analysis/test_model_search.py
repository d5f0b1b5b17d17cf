import numpy as np
import pytest

from trials.analysis import explanations as model_search
from trials.analysis.explanations import Priors, Problem, search_models
from trials.base.errors import FitError


def problem(y, X, covariances=None):
    terms = X.shape[1]
    return Problem(
        y,
        X,
        np.arange(terms),
        np.zeros((terms, terms), dtype=bool),
        np.ones((len(y), 1)),
        covariances or (np.eye(len(y)),),
    )


def noisy(terms=6, bakes=12):
    generator = np.random.default_rng(1)
    X = generator.choice([-1.0, 1.0], (bakes, terms))
    return generator.normal(size=bakes) + X[:, 0], X


def test_prior_shares_are_products_of_even_odds():
    y, X = noisy(3)
    found = search_models(problem(y, X), Priors(main=0.2), largest=3)
    sizes = found.members.sum(axis=1)
    np.testing.assert_allclose(found.prior_shares(), 0.2**sizes * 0.8 ** (3 - sizes), rtol=1e-12)


def test_a_trimmed_search_says_so_and_keeps_the_best(monkeypatch):
    y, X = noisy()
    full = search_models(problem(y, X), Priors(), largest=4)
    monkeypatch.setattr(model_search, "WIDEST", 8)
    trimmed = search_models(problem(y, X), Priors(), largest=4)
    assert full.complete
    assert not trimmed.complete
    best = full.members[full.model_shares().argmax()]
    assert (trimmed.members[trimmed.model_shares().argmax()] == best).all()


def test_the_covariance_that_made_the_bakes_is_found_more_likely():
    generator = np.random.default_rng(6)
    loads = np.repeat(np.eye(10), 4, axis=0)
    y = loads @ generator.normal(0, 3, 10) + generator.normal(0, 1, 40)
    X = generator.choice([-1.0, 1.0], (40, 2))
    shapes = (np.eye(40), np.eye(40) + 9 * loads @ loads.T)
    found = search_models(problem(y, X, shapes), Priors(), largest=2)
    by_shape = found.weights.sum(axis=1).reshape(2, -1).sum(axis=1)
    assert by_shape[1] > 0.999


def test_a_covariance_that_is_none_is_refused():
    y, X = noisy()
    with pytest.raises(FitError, match="repeat each other exactly"):
        search_models(problem(y, X, (np.ones((12, 12)),)), Priors(), largest=2)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"main": 1.0}, "main is 1.0"),
        ({"sizes": (1.0,)}, "equally many"),
        ({"sizes": (0.0,), "size_weights": (1.0,)}, "above zero"),
    ],
)
def test_priors_that_can_not_be_are_refused(options, words):
    with pytest.raises(FitError, match=words):
        Priors(**options)
