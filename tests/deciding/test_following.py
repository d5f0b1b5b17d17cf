"""The next round: what it keeps, what it never breaks, what it says, and where it is written."""

import re

import numpy as np
import pytest

import trials
from tests.deciding.small_development import LIKING, first_round, kitchen, scored
from trials.deciding.actions import actions
from trials.deciding.beliefs import coded_made, known
from trials.deciding.continuing import new_bakes
from trials.deciding.following import write_next
from trials.design.exclusion import Exclusion
from trials.errors import PlanError, RoundError

EXCLUDE = [{"a": "high", "b": "low"}]


def sentences(text):
    return len(re.findall(r"[.!?](?=\s|$)", text))


@pytest.fixture(scope="module")
def findings():
    return kitchen()


@pytest.fixture(scope="module")
def plan(findings):
    return trials.next_round(findings, 8)


def test_the_plan_keeps_what_was_done(plan, findings):
    made = known({"liking": findings}, [LIKING]).made
    names = list(made.columns)
    assert plan.table.iloc[:8][names].astype(str).equals(made[names].astype(str))
    assert plan.details["kept"] == made["bake"].tolist()
    assert plan.table["day"].tolist() == [1] * 8 + [2] * 8
    assert plan.table["bake"].is_unique
    assert new_bakes(plan).count() == 8


def test_it_says_why_in_five_sentences_or_fewer(plan):
    assert 1 <= sentences(" ".join(plan.reasons)) <= 5
    assert "expected to better the choice by" in " ".join(plan.reasons)


def test_every_action_is_weighed_and_the_one_that_gains_most_taken(plan):
    weighed = plan.details["weighed"]
    names = [row["action"] for row in weighed]
    assert {"decide between the best", "fill the gaps", "tell explanations apart"} <= set(names)
    top = max(row["gain"] for row in weighed)
    chosen = next(row for row in weighed if row["action"] == plan.details["action"])
    assert chosen["gain"] >= 0.98 * top


def test_the_same_findings_give_the_same_plan(plan, findings):
    assert trials.next_round(findings, 8).table.equals(plan.table)


def test_mirror_bakes_are_the_fold_over(findings):
    # Box, Hunter & Hunter 2005, ch. 6: all signs changed frees main effects from pairs
    knowledge = known({"liking": findings}, [LIKING])
    found = {one.name: one.X for one in actions(knowledge, 8)}
    made = coded_made(knowledge)
    mirror = np.unique(found["mirror bakes of every factor"], axis=0)
    assert np.array_equal(mirror, np.unique(1 - made, axis=0))
    single = found["mirror bakes of a"]
    assert np.array_equal(
        np.unique(single, axis=0), np.unique(made * [-1, 1, 1, 1, 1] + [1, 0, 0, 0, 0], axis=0)
    )


def test_half_of_the_mirror_bakes_frees_a_pair():
    # Mee & Peralta 2000: a semi-fold of half the bakes
    knowledge = known({"liking": kitchen(bakes=16)}, [LIKING])
    found = [one for one in actions(knowledge, 8) if one.name.startswith("mirror half")]
    assert all(len(one.X) == 8 for one in found)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_no_action_breaks_an_exclusion(seed):
    findings = kitchen(seed=seed, bakes=12, exclude=EXCLUDE)
    knowledge = known({"liking": findings}, [LIKING], exclude=EXCLUDE)
    rules = Exclusion(findings.factors, EXCLUDE)
    found = actions(knowledge, 8)
    assert len(found) >= 4
    assert all(rules.allows(one.X).all() for one in found)
    plan = trials.next_round(findings, 8, exclude=EXCLUDE)
    assert not ((plan.table["a"] == "high") & (plan.table["b"] == "low")).any()
    assert plan.excluded == ({"a": "high", "b": "low"},)


def test_a_rule_is_kept_as_what_it_leaves_out():
    findings = kitchen(bakes=12, exclude=EXCLUDE)
    rule = lambda bake: bake["a"] == "high" and bake["b"] == "low"  # noqa: E731
    plan = trials.next_round(findings, 4, exclude=rule)
    assert plan.excluded == ({"a": "high", "b": "low"},)


def test_where_nothing_is_to_gain_the_best_is_confirmed():
    table = kitchen(bakes=16).residuals.rename(columns={"observed": "liking"})
    a, b = (table[name].map({"low": -1, "high": 1}) for name in ("a", "b"))
    rng = np.random.default_rng(2)
    table["liking"] = 5 + a + b / 2 + 0.05 * rng.standard_normal(len(table))
    factors = [trials.Categorical(name, ["low", "high"]) for name in "abcde"]
    found = trials.fit(table, "liking", factors, measure=LIKING)
    plan = trials.next_round(found, 8)
    fresh = new_bakes(plan)
    assert plan.details["action"] == "confirmation bakes"
    assert fresh.count("control") == fresh.count("trial") == 4
    trial = fresh.table[fresh.table["role"] == "trial"]
    assert set(trial["a"]) == set(trial["b"]) == {"high"}
    assert "a further round is not worth it" in " ".join(plan.reasons)
    assert sentences(" ".join(plan.reasons)) <= 5


def test_going_on_the_same_day(findings):
    plan = trials.next_round(findings, 8, same_day=True)
    assert plan.table["day"].tolist() == [1] * 16


def test_what_can_not_be_asked_is_refused(findings):
    with pytest.raises(PlanError, match="bakes is 0"):
        trials.next_round(findings, 0)
    with pytest.raises(PlanError, match=r'action is "pray"; expected .*confirmation bakes'):
        trials.next_round(findings, 8, action="pray")


def test_write_next_makes_a_linked_folder(tmp_path):
    one = scored(first_round(tmp_path / "round-1"))
    two = write_next(one.folder, 6)
    assert two.folder == tmp_path / "round-2"
    assert two.parent == "../round-1"
    assert two.name == "Ginger snap, round 2"
    assert not set(two.plan.table["bake"]) & set(one.plan.table["bake"])
    assert two.plan.table["day"].min() == 1
    assert sentences(" ".join(two.plan.reasons)) <= 5
    assert trials.Round.open(two.folder).plan.table.equals(two.plan.table)
    with pytest.raises(RoundError, match="already holds another round"):
        write_next(one.folder, 4)


def test_a_hard_to_change_setting_stays_within_its_load():
    oil = trials.Numeric("oil", 165, 180, hard_to_change=True)
    rest = trials.Numeric("rest", 20, 60)
    plan = trials.design.full_factorial([oil, rest], replicates=4, days=2, loads=4, seed=1)
    table = trials.rehearse(plan, {"oil": 0.4, "rest": 0.6}, tasters=3, seed=2)
    found = trials.fit(table, "liking", [oil, rest], measure=LIKING)
    fresh = new_bakes(trials.next_round(found, 8, action="fill")).table
    assert fresh["load"].notna().all()
    assert (fresh.groupby("load")["oil"].nunique() == 1).all()
    assert (fresh.groupby("load")["day"].nunique() == 1).all()
    assert fresh.groupby("load").size().max() <= plan.table.groupby("load").size().max()
