"""Bakes that would settle an effect, held against really baking them."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import settling_table, units_to_settle


def test_an_effect_that_surely_lies_at_the_limit_is_not_worth_settling():
    assert units_to_settle(0.7, 0.05, 30, 0.7, 16) is None
    assert units_to_settle(-0.72, 0.08, 30, 0.7, 16) is None


@pytest.mark.parametrize("se", [0.0, float("nan"), float("inf"), -1.0])
def test_no_error_no_answer(se):
    assert units_to_settle(1.0, se, 10, 0.7, 8) is None


def test_more_noise_asks_for_more_bakes():
    asked = [units_to_settle(1.6, se, 10, 0.7, 16) for se in (0.45, 0.6, 0.8, 1.0)]
    assert asked == sorted(asked)


def test_the_fewest_that_help_at_all():
    effects = pd.DataFrame(
        {
            "term": ["a", "b"],
            "level": ["1", "1"],
            "estimate": [2.0, 0.7],
            "se": [0.7, 0.01],
            "df": [10.0, 30.0],
            "verdict": ["not settled", "not settled"],
        }
    )
    units = {"a": ("bakes", 16), "b": ("bakes", 16)}
    table = settling_table(effects, 0.7, units, least=40).set_index("term")
    assert table.loc["a", "more"] == 40
    assert pd.isna(table.loc["b", "more"])


@pytest.mark.parametrize(("estimate", "bakes"), [(1.1, 16), (0.4, 16), (0.9, 24), (-0.1, 12)])
def test_so_many_more_bakes_do_settle_it_more_often_than_not(estimate, bakes):
    """Draw what is possible, bake the bakes asked for, and judge anew (df large, spread known)."""
    rng = np.random.default_rng(5)
    sd, margin, draws = 0.7, 0.7, 4000
    se = 2 * sd / np.sqrt(bakes)
    more = units_to_settle(estimate, se, 1000, margin, bakes)
    truth = estimate + se * rng.standard_normal(draws)
    truth = truth[np.abs(np.abs(truth) - margin) >= margin / 2]
    new = truth + 2 * sd / np.sqrt(more) * rng.standard_normal(len(truth))
    total = bakes + more
    mean = (bakes * estimate + more * new) / total
    reach = 1.96 * 2 * sd / np.sqrt(total)
    beyond, inside = np.abs(mean) - reach > margin, np.abs(mean) + reach < margin
    # Even or a little better, as one bake fewer would not do; simulation error 0.01
    assert 0.47 <= (beyond | inside).mean() <= 0.60
