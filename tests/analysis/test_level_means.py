"""The chance to be the best: shrunk as it should be, and right about as often as it says."""

from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from tests.analysis.test_comparisons import variants
from trials.analysis.comparing import chances_best, level_draws, mean_rows, rival_draws
from trials.analysis.fitting import fit

KINDS = list("ABCD")


def test_two_means_far_apart_are_what_student_says():
    """With the difference far beyond the error, shrinking fades: the t tail comes back."""
    rng = np.random.default_rng(2)
    found = fit(variants(rng, {"A": 5.0, "B": 7.0}), "liking", ["variant"])
    row = found.effects.iloc[0]
    draws = level_draws(found, "variant", ["A", "B"])
    known = stats.t.sf(-row["estimate"] / row["se"], row["df"])
    assert chances_best(draws)[1] == pytest.approx(known, abs=0.02)
    rows = mean_rows(found, "variant", ["A", "B"])
    assert chances_best(rival_draws(found, rows))[1] > 0.97


def test_shrinking_changes_no_order_and_lowers_the_winner():
    rng = np.random.default_rng(3)
    found = fit(variants(rng, dict.fromkeys(KINDS, 6.0)), "liking", ["variant"])
    plain = chances_best(level_draws(found, "variant", KINDS))
    shrunk = chances_best(rival_draws(found, mean_rows(found, "variant", KINDS)))
    # Chances are shares of 4,000 draws: an error of 0.008 at most each, so 0.03 is four apart
    for one, other in permutations(range(len(KINDS)), 2):
        if plain[one] - plain[other] > 0.03:
            assert shrunk[one] > shrunk[other]
    assert shrunk.max() < plain.max()
    assert shrunk.sum() == pytest.approx(1)
