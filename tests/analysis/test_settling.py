"""The chance that one more such round settles an effect, held against really baking it."""

import re

import numpy as np
import pandas as pd
import pytest

from trials.analysis.settling import chance_settled, settling_table, settling_words


def test_an_effect_that_surely_lies_at_the_limit_is_too_close_to_call():
    assert chance_settled(0.7, 0.05, 30, 0.7, 16, 16) is None
    assert chance_settled(-0.72, 0.08, 30, 0.7, 16, 16) is None


@pytest.mark.parametrize("se", [0.0, float("nan"), float("inf"), -1.0])
def test_no_error_no_answer(se):
    assert chance_settled(1.0, se, 10, 0.7, 8, 8) is None


def test_more_noise_settles_less():
    asked = [chance_settled(1.6, se, 10, 0.7, 16, 16) for se in (0.45, 0.6, 0.8, 1.0)]
    assert asked == sorted(asked, reverse=True)


def test_only_what_is_not_settled_is_foretold():
    effects = pd.DataFrame(
        {
            "term": ["a", "b", "c"],
            "level": ["1", "1", "1"],
            "estimate": [2.0, 0.7, 3.0],
            "se": [0.7, 0.01, 0.2],
            "df": [10.0, 30.0, 10.0],
            "low": [0.44, 0.68, 2.6],
            "high": [3.6, 0.72, 3.4],
            "verdict": ["not settled", "not settled", "matters"],
        }
    )
    units = dict.fromkeys("abc", ("bakes", 16))
    table = settling_table(effects, 0.7, units).set_index("term")
    assert 0 < table.loc["a", "chance"] < 1
    assert pd.isna(table.loc["b", "chance"])
    assert "c" not in table.index


@pytest.mark.parametrize(("estimate", "bakes"), [(1.1, 16), (0.4, 16), (0.9, 24), (-0.1, 12)])
def test_as_many_more_bakes_settle_it_as_often_as_is_said(estimate, bakes):
    """Draw what is possible, bake as many again, and judge anew (df large, spread known)."""
    rng = np.random.default_rng(5)
    sd, margin, draws = 0.7, 0.7, 20_000
    se = 2 * sd / np.sqrt(bakes)
    said = chance_settled(estimate, se, 1000, margin, bakes, bakes)
    truth = estimate + se * rng.standard_normal(draws)
    mean = (estimate + truth + se * rng.standard_normal(draws)) / 2
    reach = 1.96 * se / np.sqrt(2)
    beyond, inside = np.abs(mean) - reach > margin, np.abs(mean) + reach < margin
    # Four standard errors of the simulation, and the two hundred values that are looked at
    assert (beyond | inside).mean() == pytest.approx(said, abs=0.02)


def told(estimate, se, df=8.0):
    reach = 2.306 * se
    effects = pd.DataFrame(
        {
            "term": ["salt"],
            "level": ["2 %"],
            "estimate": [estimate],
            "se": [se],
            "df": [df],
            "low": [estimate - reach],
            "high": [estimate + reach],
            "verdict": ["not settled"],
        }
    )
    table = settling_table(effects, 0.7, {"salt": ("bakes", 8)})
    return settling_words(table, " points", {("salt", "2 %"): "salt"}), table.iloc[0]


@pytest.mark.parametrize("estimate", [0.0, 0.3, 0.7, 1.5, 2.4])
@pytest.mark.parametrize("se", [0.3, 0.7, 1.2])
def test_too_small_for_the_kitchen_only_where_all_that_is_possible_lies_below_what_shows(
    estimate, se
):
    said, row = told(estimate, se)
    # Student's t of 8 degrees of freedom, 97.5 % and 80 %: any table of it
    ends, shows = abs(estimate) + 2.306 * se, (2.306 + 0.889) * se
    if "too small to show in your kitchen" in said:
        assert ends < shows
        assert f"show {shows:.1f} points or more" in said
    elif "too close" not in said:
        assert row["chance"] >= 0.05 or ends >= shows
        assert re.fullmatch(r"one more such round settles salt in .*cases", said)


def test_one_round_after_several_is_of_their_usual_size():
    effects = pd.DataFrame(
        {"term": ["a"], "level": ["1"], "estimate": [1.6], "se": [0.5], "df": [20.0]}
    ).assign(low=0.6, high=2.6, verdict="not settled")
    units = {"a": ("bakes", 24)}
    one, three = (settling_table(effects, 0.7, units, rounds)["chance"][0] for rounds in (1, 3))
    assert one == chance_settled(1.6, 0.5, 20, 0.7, 24, 24)
    assert three == chance_settled(1.6, 0.5, 20, 0.7, 24, 8) < one
