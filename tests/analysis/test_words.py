from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest

from trials.analysis.counted import cochran_q, penalties, word_effects
from trials.base.errors import FitError

ROWS = ["110", "100", "110", "111", "100", "110", "000", "110", "101", "110", "111", "100"]
TICKS = pd.DataFrame([[int(tick) for tick in row] for row in ROWS], columns=["A", "B", "C"])


def test_the_worked_example():
    # Worked by hand: totals 11, 7, 3, mean 7; 3 * 2 * 32 = 192 over sum of rows * (3 - rows) = 18.
    found = cochran_q(TICKS)
    assert found.statistic == pytest.approx(192 / 18, rel=1e-12)
    assert found.df == 2
    assert found.p == pytest.approx(np.exp(-192 / 36), rel=1e-9)  # chi-square of 2 df
    assert found.counts.to_dict() == {"A": 11, "B": 7, "C": 3}


def test_two_bakes_are_mcnemars_test():
    # McNemar 1947: with two columns Q is (b - c)^2 / (b + c); exact: binomial, two-sided.
    ticks = pd.DataFrame([[1, 0]] * 9 + [[0, 1]] * 2 + [[1, 1]] * 4, columns=["A", "B"])
    found = cochran_q(ticks)
    assert found.statistic == pytest.approx((9 - 2) ** 2 / 11, rel=1e-12)
    assert found.p_exact == pytest.approx(2 * (1 + 11 + 55) / 2**11, rel=1e-12)


def test_the_exact_chance_is_that_of_all_deals():
    rows = ["110", "100", "101", "011", "100"]
    table = np.array([[int(tick) for tick in row] for row in rows])
    deals = [sorted(set(permutations(row))) for row in table.tolist()]
    observed = (table.sum(axis=0) ** 2).sum()
    every = [(np.sum(deal, axis=0) ** 2).sum() for deal in product(*deals)]
    expected = np.mean([each >= observed for each in every])
    assert cochran_q(pd.DataFrame(table)).p_exact == pytest.approx(expected, rel=1e-12)


def test_large_panels_are_drawn_and_agree_with_chi_square():
    generator = np.random.default_rng(2)
    ticks = pd.DataFrame((generator.random((60, 4)) < [0.5, 0.5, 0.4, 0.6]).astype(int))
    found = cochran_q(ticks, seed=1)
    assert found.p_exact == cochran_q(ticks, seed=1).p_exact
    assert found.p_exact == pytest.approx(found.p, abs=0.02)


@pytest.mark.parametrize(
    ("ticks", "words"),
    [
        (pd.DataFrame({"A": [1, 0]}), "two bakes"),
        (pd.DataFrame({"A": [1, 0], "B": [1, np.nan]}), "neither 0 nor 1"),
        (pd.DataFrame({"A": [1, 0], "B": [1, 0]}), "nothing differs"),
    ],
)
def test_ticks_that_can_not_be_compared_are_refused(ticks, words):
    with pytest.raises(FitError, match=words):
        cochran_q(ticks)


def test_a_word_is_judged_within_each_taster():
    at = pd.MultiIndex.from_product([["Ada", "Ben", "Cy"], ["B01", "B02", "B03"]])
    # Cy likes everything and ticks everything: no evidence for the word.
    ticks = pd.DataFrame({"crisp": [1, 0, 0, 0, 1, 1, 1, 1, 1], "oily": [0] * 9}, index=at)
    liking = pd.Series([6.0, 5.0, 5.0, 4.0, 6.0, 5.0, 9.0, 9.0, 9.0], index=at)
    found = word_effects(ticks, liking).set_index("word")
    # Ada 6 - 5 = 1, Ben 5.5 - 4 = 1.5; mean 1.25.
    assert found.loc["crisp", "difference"] == pytest.approx(1.25, rel=1e-12)
    assert found.loc["crisp", "tasters"] == 2
    assert np.isnan(found.loc["crisp", "low"])
    assert found.loc["oily", ["ticked", "tasters"]].tolist() == [0, 0]


def test_few_tasters_get_counts_and_no_advice():
    found = penalties([3, 3, 3, 3, 2, 2, 4, 5], [8, 8, 7, 8, 4, 5, 6, 5])
    assert found["count"].tolist() == [2, 4, 2]
    assert found.loc[0, "drop"] == pytest.approx(7.75 - 4.5, rel=1e-12)
    assert not found["heed"].any()


def test_a_side_that_nobody_chose_has_no_drop():
    found = penalties([3, 3, 4], [7, 8, 6])
    assert np.isnan(found.loc[0, "drop"])
    assert found.loc[0, "share"] == 0


@pytest.mark.parametrize(
    ("rating", "liking", "words"),
    [([3, 6], [7, 7], "6.0 is not"), ([3, 2], [7], "expected one"), ([3], [np.nan], "missing")],
)
def test_ratings_that_can_not_be_used_are_refused(rating, liking, words):
    with pytest.raises(FitError, match=words):
        penalties(rating, liking)
