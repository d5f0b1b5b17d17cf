"""Rehearsed rounds: what is obvious is found, what is not there is not, and power is met."""

import numpy as np
import pytest

from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Failure, Spreads, rehearse
from trials.design.factorial import full_factorial
from trials.design.power import power

REST, SALT = Numeric("rest", 20, 60, "min"), Numeric("salt", 1, 3, "%")
FAT = Categorical("fat", ["butter", "lard"])
QUIET = Spreads(tasting=0.1, taster_by_bake=0.05, taster=0.1, bake=0.05, load=0, day=0)
PLAN = full_factorial([REST, SALT, FAT], replicates=2, seed=1)
FREE = Measure("softness", "number", goal="higher", worth_noticing=0.5)


def test_what_is_plain_to_see_is_named_and_the_best_setting_found():
    found = rehearse(
        PLAN, {"rest": 2.0, "fat": 1.0}, rounds=8, tasters=6, measure=FREE, spreads=QUIET, seed=1
    )
    assert found.right_first == 1.0
    assert found.wrong == 0.0
    assert found.factors["factor"].tolist() == ["rest", "fat", "salt"]
    assert found.factors["true_size"].tolist() == [2.0, 1.0, 0.0]
    assert found.shortfall.max() == 0.0
    effects = found.effects.set_index("term")
    assert effects.loc["rest", "matters"] == effects.loc["fat", "matters"] == 1.0
    assert effects.loc["salt", "too_small"] == 1.0
    assert effects.loc["rest", "true"] == 2.0
    assert effects.loc["rest", "estimate"] == pytest.approx(2.0, abs=0.1)


def test_the_shortfall_is_what_the_wrong_end_costs():
    # Nothing but noise to go by: half the rounds pick the wrong end of the only factor
    plan = full_factorial([REST], replicates=4, seed=1)
    loud = Spreads(tasting=1.0, taster_by_bake=0, taster=0, bake=50.0, load=0, day=0)
    found = rehearse(plan, {"rest": 0.4}, rounds=60, tasters=6, measure=FREE, spreads=loud, seed=1)
    wrong_end = found.shortfall > 0.2
    assert np.allclose(found.shortfall[wrong_end], 0.4)
    # Four standard errors of a share of a half
    assert wrong_end.mean() == pytest.approx(0.5, abs=4 * np.sqrt(0.25 / 60))


def test_the_share_of_rounds_that_see_an_effect_is_the_power():
    wanted = power(PLAN, effect=0.9, tasters=4, model="main").set_index("term")
    plan = full_factorial([REST, SALT, FAT], replicates=2, seed=1)
    plan = type(plan)(**{**plan.__dict__, "model": ("rest", "salt", "fat")})
    measure = Measure("softness", "number", worth_noticing=0.5)
    rounds = 80
    found = rehearse(plan, {"rest": 0.9}, rounds=rounds, measure=measure, tasters=4, seed=2)
    seen = found.effects.set_index("term")["seen"]
    chance = wanted.loc["rest", "power"]
    assert seen["rest"] == pytest.approx(chance, abs=4 * np.sqrt(chance * (1 - chance) / rounds))
    for nothing in ("salt", "fat"):
        assert seen[nothing] == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / rounds))
    covered = found.effects["covered"].mean()
    assert covered == pytest.approx(0.95, abs=4 * np.sqrt(0.05 * 0.95 / (3 * rounds)))
    assert np.isnan(found.shortfall).all()


def test_lower_goals_and_targets_are_judged_by_their_own_measure():
    low = Measure("greasiness", "number", goal="lower", worth_noticing=0.5)
    found = rehearse(PLAN, {"rest": 2.0}, rounds=3, tasters=6, measure=low, spreads=QUIET, seed=1)
    assert found.shortfall.max() == 0.0
    middle = Measure("colour", "number", goal=("target", 6.5, 0.1), worth_noticing=0.5)
    found = rehearse(
        PLAN, {"rest": 2.0}, rounds=3, tasters=6, measure=middle, spreads=QUIET, seed=1
    )
    # Within a tenth is on target; what is left is the error of the estimates
    assert found.shortfall.max() < 0.15


def test_the_record_speaks_and_shows_its_tables():
    found = rehearse(PLAN, {"rest": 1.0}, rounds=3, tasters=6, seed=1)
    text = repr(found)
    assert text.startswith("3 rehearsals of 16 bakes over 1 day, liking scored by 6 tasters.")
    assert "What matters most, rest, was named first in" in text
    assert "The setting recommended was the best one in nine rounds of ten or more." in text
    page = found._repr_html_()
    assert page.count("<table") == 2
    assert "nan" not in text


def test_bakes_that_fail_cost_terms_not_the_round():
    failures = [Failure({"rest": 60.0, "salt": 3.0}, 1.0, "torn")]
    found = rehearse(PLAN, {"rest": 1.0}, rounds=2, tasters=6, failures=failures, seed=1)
    assert found.rounds == 2
    assert "rest:salt" not in set(found.effects["term"])


def test_the_same_seed_rehearses_the_same_rounds():
    first, again = (rehearse(PLAN, {"rest": 1.0}, rounds=2, tasters=6, seed=6) for _ in range(2))
    assert first.effects.equals(again.effects)
    assert first.sentences == again.sentences


def test_rounds_that_can_not_be_fitted_are_refused_with_the_reason():
    with pytest.raises(PlanError, match="none of 2 rehearsed rounds"):
        rehearse(PLAN, {}, rounds=2, tasters=6, failures=[Failure({}, 1.0)], seed=1)
    with pytest.raises(PlanError, match="rounds is 0"):
        rehearse(PLAN, {}, rounds=0)
