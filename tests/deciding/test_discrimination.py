"""Rival explanations: a published example, and the criterion against its definition."""

import itertools

import numpy as np
import pytest
from scipy import stats

from trials.base.errors import FitError
from trials.deciding.actions import Rival, forecasts_of, telling_apart

# Shrinkage of injection moulding, 2^(8-4) in standard order: Box, Hunter & Hunter 1978, p. 398,
# used by Meyer, Steinberg & Box 1996, Technometrics 38:303 (both from memory)
SHRINKAGE = [14.0, 16.8, 15.0, 15.4, 27.6, 24.0, 27.4, 22.6]
SHRINKAGE += [22.3, 17.1, 21.5, 17.5, 15.9, 21.9, 16.7, 20.3]


def columns(table, factors):
    """Return the mean and all interactions up to three factors, as the published models have."""
    terms = [np.ones(len(next(iter(table.values()))))]
    for order in (1, 2, 3):
        for names in itertools.combinations(factors, order):
            terms.append(np.prod([table[name] for name in names], axis=0))
    return np.column_stack(terms)


def moulding():
    """Return the five likeliest models of the published analysis, with the 2^4 in their factors."""
    basic = np.array(list(itertools.product([-1.0, 1.0], repeat=4)))[:, ::-1]
    table = dict(zip("ABCD", basic.T, strict=True))
    table["H"] = table["A"] * table["C"] * table["D"]
    pool = dict(zip("ACDH", basic.T, strict=True))
    models = ("ACD", "ADH", "ACH", "CDH", "ACDH")
    shares = (0.2356, 0.2356, 0.2356, 0.2356, 0.0566)
    return [
        Rival(share, columns(table, model), columns(pool, model))
        for share, model in zip(shares, models, strict=True)
    ]


def test_error_variances_of_the_published_models():
    # 0.5815 (four models) and 0.4412 with a size of 2: Meyer, Steinberg & Box 1996, from memory
    found = forecasts_of(np.array(SHRINKAGE), moulding(), size=2.0)
    assert np.round(1 / found.precision, 4).tolist() == [0.5815] * 4 + [0.4412]


def test_models_that_the_bakes_can_not_part_differ_at_the_next_ones():
    found = forecasts_of(np.array(SHRINKAGE), moulding(), size=2.0)
    places, value = telling_apart(found, 4, starts=8)
    every = max(
        found.md(design) for design in itertools.combinations_with_replacement(range(16), 4)
    )
    assert value == pytest.approx(every, rel=1e-9)
    assert found.md(places) == pytest.approx(value, rel=1e-9)


def test_the_criterion_is_the_weighted_divergence_between_predictions():
    rng = np.random.default_rng(5)
    X = np.column_stack([np.ones(8), rng.choice([-1.0, 1.0], (8, 3))])
    pool = np.column_stack([np.ones(6), rng.choice([-1.0, 1.0], (6, 3))])
    rivals = [
        Rival(0.6, X[:, :2], pool[:, :2]),
        Rival(0.3, X[:, [0, 2]], pool[:, [0, 2]]),
        Rival(0.1, X, pool),
    ]
    found = forecasts_of(rng.normal(size=8), rivals)
    places = [0, 3, 4]
    total = 0.0
    for i, own in enumerate(rivals):
        # Given a model, both predictions share its error variance
        variance = 1 / found.precision[i]
        laws = [
            stats.multivariate_normal(
                found.means[j][places],
                variance * (np.eye(3) + found.spreads[j][np.ix_(places, places)]),
            )
            for j in range(3)
        ]
        drawn = laws[i].rvs(200_000, random_state=np.random.default_rng(7))
        for j, other in enumerate(rivals):
            apart = laws[i].logpdf(drawn) - laws[j].logpdf(drawn)
            total += own.share * other.share * apart.mean()
    assert found.md(places) == pytest.approx(total, rel=0.02)


def test_one_explanation_needs_no_bake():
    with pytest.raises(FitError, match="one explanation alone"):
        forecasts_of(np.zeros(3), [Rival(1.0, np.ones((3, 1)), np.ones((2, 1)))])
