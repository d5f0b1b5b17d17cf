import numpy as np
import pytest

from trials.analysis.ordinal import Groupings


def crossed():
    generator = np.random.default_rng(3)
    member = tuple(np.concatenate([np.arange(k), generator.integers(0, k, 20)]) for k in (4, 4))
    Z = np.hstack([np.eye(4)[each] for each in member])
    return Groupings(member), Z, generator


def test_products_are_those_of_the_indicator_matrix():
    groups, Z, generator = crossed()
    scores, effects = generator.normal(size=(24, 3)), generator.normal(size=8)
    weights = generator.random(24)
    np.testing.assert_allclose(groups.each(effects), Z @ effects, rtol=1e-12)
    np.testing.assert_allclose(groups.sums(scores), Z.T @ scores, rtol=1e-12)
    np.testing.assert_allclose(groups.cross(weights), Z.T @ np.diag(weights) @ Z, rtol=1e-12)


def test_diagonals_are_those_of_the_full_product():
    groups, Z, generator = crossed()
    inner, scale = generator.normal(size=(8, 8)), generator.random(8)
    for place, part in enumerate(groups.parts):
        full = Z[:, part] @ (inner @ np.diag(scale) @ Z.T)[part]
        found = groups.diagonals(inner, scale)[place]
        np.testing.assert_allclose(found, np.diag(full), rtol=1e-12)


@pytest.mark.parametrize("columns", [1, 2])
def test_no_grouping_gives_nothing(columns):
    groups = Groupings(())
    assert groups.sums(np.ones((5, columns))).shape == (0, columns)
    assert groups.total == 0
