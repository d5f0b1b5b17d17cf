"""Panel size against the trade's table, statsmodels, and rounds that are simulated."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from trials.base.errors import TastingError
from trials.tasting.panel_size import panel_size, people_needed

# Trade reference, section 5: tasting sd, bake sd, tasters, bakes, standard error
TRADE = [
    (1.5, 0.3, 6, 8, 0.48),
    (1.5, 0.3, 8, 8, 0.43),
    (1.5, 0.3, 8, 16, 0.30),
    (1.5, 0.3, 12, 16, 0.26),
    (1.5, 0.5, 8, 16, 0.36),
]


def one(tasting, bake, tasters, bakes, difference=1.0, **asked):
    found = panel_size(
        difference, bakes, tasters=[tasters], repeats=[1], sd_bake=bake, sd_tasting=tasting, **asked
    )
    return found.table.iloc[0]


@pytest.mark.parametrize(("tasting", "bake", "tasters", "bakes", "se"), TRADE)
def test_the_standard_error_is_the_trades(tasting, bake, tasters, bakes, se):
    assert round(one(tasting, bake, tasters, bakes)["se"], 2) == se


@pytest.mark.parametrize(("tasting", "bake", "tasters", "bakes", "se"), TRADE)
def test_the_power_is_that_of_a_two_sample_t_test(tasting, bake, tasters, bakes, se):
    """statsmodels, TTestIndPower: two groups of half the bakes, spread of one bake's mean."""
    spread = math.hypot(bake, tasting / math.sqrt(tasters))
    expected = TTestIndPower().power(1 / spread, bakes // 2, 0.05)
    assert one(tasting, bake, tasters, bakes)["power"] == pytest.approx(expected, abs=1e-9)


def test_the_smallest_difference_is_found_with_the_chance_asked_for():
    row = one(1.5, 0.3, 8, 16)
    assert one(1.5, 0.3, 8, 16, row["smallest"])["power"] == pytest.approx(0.8, abs=1e-6)


def test_simulated_rounds_find_it_as_often_as_foretold():
    rng = np.random.default_rng(11)
    foretold = one(1.5, 0.3, 8, 16, 0.85)["power"]
    rounds = 20_000
    bakes = rng.normal(0, 0.3, (rounds, 16)) + rng.normal(0, 1.5, (rounds, 16, 8)).mean(axis=2)
    bakes[:, :8] += 0.85
    found = (stats.ttest_ind(bakes[:, :8], bakes[:, 8:], axis=1).pvalue < 0.05).mean()
    assert found == pytest.approx(foretold, abs=4 * math.sqrt(0.25 / rounds))


def test_the_published_number_of_people_comes_back():
    """Hough et al. 2006, as the trade reference gives it (n = 112)."""
    assert people_needed(0.1, 0.23) == 112


def test_repeats_never_shrink_a_tasters_own_taste():
    table = panel_size(0.7, 12, tasters=[1], repeats=[1, 2, 10**6]).table
    assert table["se"].is_monotonic_decreasing
    floor = 2 * math.sqrt((0.25**2 + 0.5**2) / 12)
    assert table["se"].iloc[2] == pytest.approx(floor, rel=1e-3)


def test_the_answer_names_tasters_sittings_and_where_spreads_come_from():
    usual = panel_size(0.7, 16)
    assert usual.needed is not None
    assert "usual spread assumed" in usual.sentence
    assert "not for a market" in usual.sentence
    earlier = panel_size(0.7, 16, earlier={"bake": 0.1, "tasting": 0.8})
    assert "from the earlier round" in earlier.sentence
    assert earlier.needed["tasters"] < usual.needed["tasters"]
    none = panel_size(0.7, 8, sd_bake=1.0)
    assert none.needed is None
    assert "More bakes help where more tasters do not" in none.sentence


@pytest.mark.parametrize(
    "asked",
    [
        {"difference": 0},
        {"difference": math.nan},
        {"bakes": 2},
        {"bakes": 8, "changes": 7},
        {"sd_tasting": -1},
        {"chance": 1},
        {"level": 0},
        {"tasters": [0]},
        {"repeats": [1.5]},
        {"per_sitting": 0},
    ],
)
def test_what_can_not_be_is_refused(asked):
    with pytest.raises(TastingError):
        panel_size(**({"difference": 0.7, "bakes": 8} | asked))
