"""What bakes are expected to gain, against closed forms and full enumeration."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trials
from tests.deciding.small_development import LIKING, kitchen
from trials.deciding.actions import settled
from trials.deciding.gain import (
    chance_best,
    contest,
    error_covariance,
    expected_gain,
    known,
    narrowing,
)


@pytest.fixture(scope="module")
def two_settings():
    """One factor of two kinds, four bakes of each, by one taster."""
    liking = [4.1, 5.6, 6.3, 6.2, 5.7, 4.5, 5.2, 5.3]
    table = pd.DataFrame({"fat": ["butter", "lard"] * 4, "liking": liking})
    fat = trials.Categorical("fat", ["butter", "lard"])
    found = trials.fit(table, "liking", [fat], model="main", measure=LIKING)
    return known({"liking": found}, [LIKING], same_day=True)


def test_gain_between_two_settings_is_the_unit_normal_loss(two_settings):
    # Raiffa & Schlaifer 1961, section 5.4: s * L(d / s), L(u) = phi(u) - u * (1 - Phi(u))
    one = two_settings.beliefs[0]
    rows = one.rows(two_settings.settings)
    apart = rows[0] - rows[np.abs(rows - rows[0]).max(axis=1) > 0][0]
    lead = apart @ one.mean
    X = np.repeat(np.array([[0.0], [1.0]]), 4, axis=0)
    new = one.rows(X)
    toward = apart @ one.cov @ new.T
    spread = new @ one.cov @ new.T + one.bake * np.eye(len(X))
    s = np.sqrt(toward @ np.linalg.solve(spread, toward))
    loss = s * (stats.norm.pdf(lead / s) - lead / s * stats.norm.sf(lead / s))
    gain = expected_gain(two_settings, X)
    assert loss > 0
    # 400 imagined outcomes, mirrored in pairs
    assert gain.worth == pytest.approx(loss, rel=0.15)
    assert gain.noticed == pytest.approx(gain.worth / 0.7)


def test_no_bake_gains_nothing_and_more_bakes_gain_more(two_settings):
    both = np.array([[0.0], [1.0]])
    gains = [expected_gain(two_settings, np.repeat(both, n, axis=0)).worth for n in (0, 1, 4, 40)]
    assert gains[0] == 0
    assert gains == sorted(gains)
    assert gains[1] > 0


def test_bakes_of_one_setting_on_a_new_day_tell_nothing_of_the_other():
    findings = kitchen()
    fresh = known({"liking": findings}, [LIKING])
    alike = np.repeat(fresh.best[None], 8, axis=0)
    assert expected_gain(fresh, alike).noticed < 0.1


def test_a_new_day_is_a_level_that_all_its_bakes_share(two_settings):
    one = two_settings.beliefs[0]
    assert error_covariance(one, np.array([0, 0]), None)[0, 1] == 0
    fresh = known({"liking": kitchen()}, [LIKING]).beliefs[0]
    covariance = error_covariance(fresh, np.array([0, 0, 1]), None)
    assert covariance[0, 1] > 0 == covariance[0, 2]


def test_narrowing_finds_the_best_of_all_pairs():
    knowledge = known({"liking": kitchen()}, [LIKING])
    one = knowledge.beliefs[0]
    pool = knowledge.settings[1:13]
    weight = contest(one, knowledge.settings, np.full(len(knowledge.settings), 1 / 33))

    def left(places):
        rows = one.rows(pool[list(places)])
        spread = rows @ one.cov @ rows.T + error_covariance(one, np.zeros(2, dtype=int), None)
        after = one.cov - one.cov @ rows.T @ np.linalg.solve(spread, rows @ one.cov)
        return np.trace(weight @ after)

    best = min(left(pair) for pair in itertools.combinations_with_replacement(range(12), 2))
    assert left(narrowing(one, pool, weight, 2)) <= best * (1 + 0.02)


def test_settings_that_are_alike_share_the_chance_of_being_the_best():
    table = pd.DataFrame(
        {"fat": ["butter", "lard"] * 4, "rest": [20, 20, 60, 60] * 2, "liking": [4.0, 6.0] * 4}
    )
    table["liking"] += [0.1, -0.2, 0.3, 0.1, -0.1, 0.2, -0.3, 0.0]
    factors = [trials.Categorical("fat", ["butter", "lard"]), trials.Numeric("rest", 20, 60)]
    found = trials.fit(table, "liking", factors, model="main", measure=LIKING)
    before = known({"liking": found}, [LIKING], same_day=True)
    one = before.beliefs[0]
    draws = np.zeros_like(one.draws)
    draws[1] = one.draws[1]
    # Only fat does anything in these draws, so no rest is better than another
    inert = replace(before, beliefs=(replace(one, draws=draws),))
    chances = chance_best(inert)
    assert chances.sum() == pytest.approx(1)
    names = [factor.name for factor in factors]
    # The setting chosen today stands first, and again among all settings
    shares = pd.DataFrame(np.round(inert.settings, 9), columns=names).assign(chance=chances)
    by_fat = shares.groupby("fat")["chance"]
    assert by_fat.max().to_numpy() == pytest.approx(by_fat.min().to_numpy())
    assert settled(inert, chances) == [0]
