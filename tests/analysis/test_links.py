import numpy as np
import pytest
from scipy import stats

from trials.analysis.ordinal import LINKS, Scores, chance_between, score_derivatives

EDGES = np.array([-np.inf, -1.2, 0.3, 1.9, np.inf])


def log_chances(link, edges, m, category):
    law = {"logit": stats.logistic, "probit": stats.norm}[link]
    return np.log(law.cdf(edges[category + 1] - m) - law.cdf(edges[category] - m))


def slope(function, step=1e-5):
    return (function(step) - function(-step)) / (2 * step)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_derivatives_are_the_slopes_of_the_textbook_likelihood(link):
    category, m = np.array([0, 1, 2, 3, 1]), np.array([0.2, -0.6, 0.9, 1.1, 0.0])
    scores = Scores(category, np.zeros((5, 0)), (), LINKS[link])
    at = score_derivatives(scores, EDGES, m)
    np.testing.assert_allclose(at.log_likelihood, log_chances(link, EDGES, m, category), rtol=1e-12)
    by_m = slope(lambda h: log_chances(link, EDGES, m + h, category))
    np.testing.assert_allclose(at.slope, by_m, rtol=1e-6)
    by_weight = slope(lambda h: score_derivatives(scores, EDGES, m + h).slope)
    np.testing.assert_allclose(at.weight, -by_weight, rtol=1e-6)
    by_third = slope(lambda h: score_derivatives(scores, EDGES, m + h).weight)
    np.testing.assert_allclose(at.weight_m, by_third, rtol=1e-5, atol=1e-7)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_derivatives_by_the_threshold_between_two_categories(link):
    # Threshold 1 is the upper edge of category 0 and the lower edge of category 1.
    push = np.array([0, 1, 0, 0, 0.0])
    for category, name in ((0, "upper"), (1, "lower")):
        scores = Scores(np.array([category, 3]), np.zeros((2, 0)), (), LINKS[link])
        m = np.array([0.4, 0.0])

        def at(h, scores=scores, m=m):
            return score_derivatives(scores, EDGES + h * push, m)

        here = at(0.0)
        for value, field in (
            (f"{name}", "log_likelihood"),
            (f"slope_{name}", "slope"),
            (f"weight_{name}", "weight"),
        ):
            expected = slope(lambda h, field=field: getattr(at(h), field)[0])
            assert getattr(here, value)[0] == pytest.approx(expected, rel=1e-6)


def test_chances_far_in_the_upper_tail_do_not_cancel():
    # 1 - F(40) of the logistic law is exp(-40); a difference of two numbers near 1 would be 0.
    found = chance_between(LINKS["logit"], np.array([np.inf]), np.array([40.0]))
    assert found[0] == pytest.approx(np.exp(-40), rel=1e-12)
