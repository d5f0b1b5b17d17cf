"""Predictions of many settings: those of one at a time, by the formula in full, and quick."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

import trials
from tests.analysis.test_joined_by_r import SCENARIOS, fitted
from trials.analysis.reached import outside_words
from trials.analysis.small_sample import _holding


@pytest.fixture(scope="module")
def found():
    return fitted(SCENARIOS["moved_range_bend"])


def drawn(count):
    rng = np.random.default_rng(7)
    return pd.DataFrame(
        {
            "oil": rng.uniform(155, 190, count),
            "rest": rng.uniform(15, 65, count),
            "glaze": rng.choice(["none", "sugar"], count),
        }
    )


def test_many_settings_are_each_predicted_as_by_themselves(found):
    settings = drawn(25)
    whole = found.predict(settings)
    alone = pd.concat([found.predict(settings.iloc[[n]]) for n in range(25)], ignore_index=True)
    pd.testing.assert_frame_equal(whole, alone, rtol=1e-9)
    assert whole["outside_tried"].tolist() == outside_words(found, settings)
    assert (whole["outside_tried"] != "").any()
    assert (whole["outside_tried"] == "").any()


def test_estimates_are_the_contrasts_one_by_one(found):
    settings = drawn(25)
    whole = found.predict(settings)
    for row, (estimate, se, df) in zip(
        found.rows(settings), whole[["estimate", "se", "df"]].to_numpy(), strict=True
    ):
        padded = np.concatenate([row, np.zeros(len(found.engine.beta) - len(row))])
        assert found.engine.estimate(padded) == pytest.approx((estimate, se, df), rel=1e-12)


def test_the_width_that_holds_a_new_bake_is_the_root_of_its_chance():
    """Against scipy's bracketing root of the mean normal chance, spread by spread."""
    spread = np.abs(np.random.default_rng(3).normal(1, 0.6, (70, 40))) + 0.01
    for own, reach in zip(spread, _holding(spread, 0.95), strict=True):
        chance = lambda x, own=own: (2 * norm.cdf(x / own) - 1).mean() - 0.95  # noqa: E731
        assert reach == pytest.approx(brentq(chance, 0, 50, xtol=1e-13), rel=1e-8)


def test_a_single_setting_may_be_a_dict(found):
    one = found.predict({"oil": 170, "rest": 40, "glaze": "sugar"})
    assert len(one) == 1
    assert isinstance(found, trials.Findings)
