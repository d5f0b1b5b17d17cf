"""The next round: what it keeps, what it never breaks, what it says, and where it is written."""

import re
import shlex
from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest

import trials
from tests.deciding.small_development import (
    LIKING,
    SHARP,
    TASTERS,
    first_round,
    kitchen,
    scored,
)
from trials.analysis.answers import Answers
from trials.base.errors import PlanError, RoundError
from trials.core.exclusion import Exclusion
from trials.deciding.actions import actions
from trials.deciding.choosing import best_so_far
from trials.deciding.confirmation import confirmation
from trials.deciding.gain import coded_made, expected_gain, known
from trials.deciding.next_bakes import NothingToGainError, new_bakes
from trials.deciding.replanning import write_next
from trials.doors import large_demo as demo_rounds
from trials.doors.cli import run
from trials.rounds.amounts import shopping_list
from trials.rounds.round import line_of
from trials.rounds.scores import record_scores
from trials.rounds.timetable import timetable

EXCLUDE = [{"a": "high", "b": "low"}]


def sentences(text):
    return len(re.findall(r"[.!?](?=\s|$)", text))


@pytest.fixture(scope="module")
def findings():
    return kitchen()


@pytest.fixture(scope="module")
def plan(findings):
    return trials.next_round(findings, 8).plan


def test_the_plan_keeps_what_was_done(plan, findings):
    made = known({"liking": findings}, [LIKING]).made
    names = list(made.columns)
    assert plan.table.iloc[:8][names].astype(str).equals(made[names].astype(str))
    assert plan.details["kept"] == made["bake"].tolist()
    assert plan.table["day"].tolist() == [1] * 8 + [2] * 8
    assert plan.table["bake"].is_unique
    assert new_bakes(plan).count() == 8


def test_it_says_why_in_six_sentences_or_fewer(plan):
    assert 1 <= sentences(" ".join(plan.reasons)) <= 6
    assert "expected to better the choice by" in " ".join(plan.reasons)


def test_every_action_is_weighed_and_one_that_gains_most_or_as_good_as_most_is_taken(plan):
    weighed = plan.details["weighed"]
    names = [row["action"] for row in weighed]
    assert {"decide between the best", "fill the gaps", "tell explanations apart"} <= set(names)
    top = max(row["gain"] for row in weighed)
    chosen = next(row for row in weighed if row["action"] == plan.details["action"])
    # Four hundred imagined outcomes tell a gain to about a tenth
    assert chosen["gain"] >= 0.9 * top


def test_the_same_findings_give_the_same_plan(plan, findings):
    assert trials.next_round(findings, 8).plan.table.equals(plan.table)


def test_a_part_can_be_completed_or_give_way_to_bakes_that_gain_more():
    # Box & Hunter 1961: the half fraction I = ABCDE holds every pair apart
    kinds = [trials.Categorical(name, ["low", "high"]) for name in "abcde"]
    whole = trials.propose(kinds, 16, aim="interactions", seed=1).table
    part = trials.propose(kinds, 12, aim="interactions", later=4, seed=1)
    found = trials.fit(trials.rehearse(part, {"a": 1.5, "b": 1.0}, seed=3), "liking", kinds)
    knowledge = known({"liking": found}, [LIKING])
    by_name = {one.name: one.X for one in actions(knowledge, 4)}
    rest = by_name["complete the combinations"]
    made = coded_made(knowledge)
    codes = np.column_stack([factor.code(whole[factor.name]) for factor in kinds])
    assert {*map(tuple, made), *map(tuple, rest)} == set(map(tuple, codes))
    decided = expected_gain(knowledge, by_name["decide between the best"])
    assert decided.worth >= expected_gain(knowledge, rest).worth - 0.02
    assert "complete the combinations" not in {one.name for one in actions(knowledge, 3)}


def test_what_was_not_baked_is_still_missing(tmp_path):
    factors = [trials.Numeric(name, 0, 10) for name in "abcde"]
    plan = trials.propose(factors, 12, aim="interactions", later=4, seed=1)
    made = trials.Round.create(
        tmp_path / "r1", plan=plan, measures=[LIKING], tasters=TASTERS, seed=5, invented=True
    )
    table = trials.rehearse(
        plan, {"a": 1.5}, measure=LIKING, tasters=[one.name for one in TASTERS], seed=2
    )
    table["status"] = np.where(table["bake"] == "B07", "not baked", "made")
    table.loc[table["bake"] == "B07", "liking"] = np.nan
    trials.write_sheets(made)
    record_scores(made, table)
    trials.scores(made)
    following = trials.next_round(made, 5, action="complete", seed=1).plan
    again = new_bakes(following).table
    names = list("abcde")
    left = plan.table.loc[plan.table["bake"] == "B07", names].to_numpy()[0]
    assert len(again) == 5
    assert (again[names].to_numpy() == left).all(axis=1).any()
    assert "follow the 11 made so far" in following.reasons[-1]


def test_kinds_that_do_not_exist_everywhere_are_not_completed():
    glaze = trials.Categorical("glaze", ["no", "yes"])
    kind = trials.Categorical("kind", ["egg", "milk"], only_when=("glaze", ["yes"]))
    rest = trials.Numeric("rest", 20, 60)
    factors = [glaze, kind, rest]
    part = trials.propose(factors, 5, later=1, seed=1)
    table = trials.rehearse(part, {"rest": 1.0}, measure=LIKING, tasters=4, seed=3)
    knowledge = known({"liking": trials.fit(table, "liking", factors)}, [LIKING])
    assert "complete the combinations" not in {one.name for one in actions(knowledge, 6)}


def test_an_action_asked_for_is_not_called_alike_where_others_gain_much_more(findings):
    weighed = trials.next_round(findings, 8).plan.details["weighed"]
    least = min(weighed, key=lambda row: row["gain"])
    assert least["gain"] < 0.9 * max(row["gain"] for row in weighed)
    asked = trials.next_round(findings, 8, action=least["action"]).plan
    assert "count as alike" not in " ".join(asked.reasons)


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
    plan = trials.next_round(findings, 8, exclude=EXCLUDE).plan
    assert not ((plan.table["a"] == "high") & (plan.table["b"] == "low")).any()
    assert plan.excluded == ({"a": "high", "b": "low"},)


def test_a_rule_is_kept_as_what_it_leaves_out():
    findings = kitchen(bakes=12, exclude=EXCLUDE)
    rule = lambda bake: bake["a"] == "high" and bake["b"] == "low"  # noqa: E731
    plan = trials.next_round(findings, 4, exclude=rule).plan
    assert plan.excluded == ({"a": "high", "b": "low"},)


def test_where_nothing_is_to_gain_the_best_is_confirmed():
    table = kitchen(bakes=16).residuals.rename(columns={"observed": "liking"})
    a, b = (table[name].map({"low": -1, "high": 1}) for name in ("a", "b"))
    rng = np.random.default_rng(2)
    table["liking"] = 5 + a + b / 2 + 0.05 * rng.standard_normal(len(table))
    factors = [trials.Categorical(name, ["low", "high"]) for name in "abcde"]
    found = trials.fit(table, "liking", factors, measure=LIKING)
    plan = trials.next_round(found, 8).plan
    fresh = new_bakes(plan)
    assert plan.details["action"] == "confirmation bakes"
    assert fresh.count("reference") == fresh.count("trial") == 4
    trial = fresh.table[fresh.table["role"] == "trial"]
    assert set(trial["a"]) == set(trial["b"]) == {"high"}
    assert "A further round is not worth it" in " ".join(plan.reasons)
    assert sentences(" ".join(plan.reasons)) <= 6


def test_going_on_the_same_day(findings):
    plan = trials.next_round(findings, 8, same_day=True).plan
    assert plan.table["day"].tolist() == [1] * 16


def test_what_can_not_be_asked_is_refused(findings):
    with pytest.raises(PlanError, match="bakes is 0"):
        trials.next_round(findings, 0)
    with pytest.raises(PlanError, match=r'action is "pray"; expected .*confirmation bakes'):
        trials.next_round(findings, 8, action="pray")


def test_write_next_makes_a_linked_folder(tmp_path):
    one = scored(first_round(tmp_path / "round-1"))
    two = write_next(one, 6)
    assert two.folder == tmp_path / "round-2"
    assert two.parent == "../round-1"
    assert two.name == "Ginger snap, round 2"
    assert not set(two.plan.table["bake"]) & set(one.plan.table["bake"])
    assert two.plan.table["day"].min() == 1
    assert sentences(" ".join(two.plan.reasons)) <= 6
    assert trials.Round.open(two.folder).plan.table.equals(two.plan.table)
    with pytest.raises(RoundError, match="already holds another round") as refused:
        write_next(one, 4)
    _, *typed = shlex.split(str(refused.value).rpartition(": ")[2].rstrip("."))
    assert run(typed) == 0
    assert trials.Round.open(tmp_path / "round-3").parent == "../round-1"


def test_a_hard_to_change_setting_stays_within_its_load():
    oil = trials.Numeric("oil", 165, 180, hard_to_change=True)
    rest = trials.Numeric("rest", 20, 60)
    plan = trials.design.full_factorial([oil, rest], replicates=4, days=2, loads=4, seed=1)
    table = trials.rehearse(plan, {"oil": 0.4, "rest": 0.6}, tasters=3, seed=2)
    found = trials.fit(table, "liking", [oil, rest], measure=LIKING)
    fresh = new_bakes(trials.next_round(found, 8, action="fill").plan).table
    assert fresh["load"].notna().all()
    assert (fresh.groupby("load")["oil"].nunique() == 1).all()
    assert (fresh.groupby("load")["day"].nunique() == 1).all()
    assert fresh.groupby("load").size().max() <= plan.table.groupby("load").size().max()


@pytest.fixture(scope="module")
def demo_line(demo_round, tmp_path_factory):
    """The demo's round, the one after it with scores, and the confirmation of both."""
    home = tmp_path_factory.mktemp("line")
    second = demo_rounds.bake(write_next(demo_round, 8, home / "round-2", action="decide"))
    third = demo_rounds.bake(write_next(second, 8, action="confirm"))
    return line_of(third)


@pytest.mark.slow
def test_the_next_round_is_made_in_the_same_kitchen(demo_line):
    before, after = demo_line[:2]
    anew = {"folder", "plan", "seed", "name", "parent"}
    for field in fields(trials.Round):
        if field.name not in anew:
            assert repr(getattr(after, field.name)) == repr(getattr(before, field.name)), field.name
    assert after.plan.excluded == before.plan.excluded
    assert {taster.name: taster.avoids for taster in after.tasters}["Dev"] == ("peanut",)


def test_the_next_round_has_all_its_sheets(demo_line):
    _, after, _ = demo_line
    names = {path.name for path in after.folder.iterdir()}
    wanted = {"bake-sheets.html", "code-sheet.html", "timetable.html", "shopping-list.html"}
    assert wanted <= names
    assert len(list((after.folder / "ballots").glob("ballot-*.html"))) == len(after.tasters)
    assert timetable(after).days["bakes"].sum() == len(after.plan.table)
    assert shopping_list(after)["cost (EUR)"].notna().any()
    sheet = (after.folder / "bake-sheets.html").read_text(encoding="utf-8")
    assert "hot oil" in sheet
    assert all(bake in sheet for bake in after.plan.table["bake"])


def test_every_day_has_reference_bakes_as_before(demo_line):
    before, after, _ = demo_line
    for one in (before, after):
        table = one.plan.table
        assert (table["role"] == "reference").groupby(table["day"]).sum().eq(1).all()
    assert after.plan.count("trial") == 8


@pytest.mark.slow
def test_the_best_so_far_is_the_one_the_next_round_names(demo_line):
    for line in (demo_line[:1], demo_line[:2]):
        best = best_so_far(Answers(trials.evidence(line)))
        reasons = trials.next_round(line[-1], 8, action="confirm").reasons
        # Where the reference is stayed with, the best of the others follows it
        named = best.to_learn or best.settings
        shown = ", ".join(f"{one.name} {one.show(named[one.name])}" for one in best.factors)
        start = best.stay.rstrip(".") if best.to_learn else f"Setting to go for: {shown}, with"
        assert reasons[0].startswith(start)
        assert f"{shown}, with" in reasons[0]


def test_one_round_says_what_it_says_alone(demo_line):
    first = demo_line[0]
    alone, line = trials.fit(first, "liking", alone=True), trials.fit([first], "liking")
    assert line.sentences == alone.sentences


def test_more_bakes_do_not_blur_what_was_asked_from_the_start(demo_line):
    # The pair was named in the first plan and matters there; all 15 pairs at once would hide it
    alone, both = (trials.fit(demo_line[:count], "liking") for count in (1, 2))
    pair = "oil temperature:hydration"
    chances = [
        found.averaged.table.set_index("term").loc[pair, "chance"] for found in (alone, both)
    ]
    assert min(chances) > 0.9
    assert "Oil temperature depends on hydration" in " ".join(both.sentences)


def test_references_stand_among_the_bakes_they_are_compared_with(demo_line, tmp_path):
    third = demo_line[-1].plan.table
    # One oil at a time: two fills, each with both kinds
    assert third.groupby("load")["role"].nunique().tolist() == [2, 2]
    one = scored(first_round(tmp_path / "round-1"))
    roles = write_next(one, 8, action="confirm").plan.table["role"].tolist()
    changes = sum(a != b for a, b in pairwise(roles))
    assert changes > 1


def test_days_that_are_over_are_said_anew(tmp_path):
    tasters = [trials.Taster("Ada"), trials.Taster("Ben", ["sesame"], days=[1])]
    one = scored(first_round(tmp_path / "round-1", tasters))
    two = write_next(one, 6)
    assert [taster.days for taster in two.tasters] == [(), ()]
    assert two.tasters[1].avoids == ("sesame",)
    assert "on which days Ben comes" in two.plan.reasons[-1]
    assert sentences(" ".join(two.plan.reasons)) <= 6


def sharply(folder):
    """Return two rounds scored with little noise, then the confirmation of their best setting."""
    one = scored(first_round(folder), spreads=SHARP)
    two = scored(write_next(one, 8, action="decide"), seed=2, spreads=SHARP)
    return write_next(two, 8)


@pytest.mark.slow
def test_a_confirmed_setting_ends_the_development(tmp_path):
    three = scored(sharply(tmp_path / "round-1"), seed=3, spreads=SHARP)
    assert three.plan.family == "confirmation bakes"
    held = r'was baked again in ".*round 3", and it held: .* Stop here'
    with pytest.raises(NothingToGainError, match=held):
        write_next(three, 8)
    assert trials.next_round(three, 8, action="fill").plan.details["action"] == "fill the gaps"


@pytest.mark.slow
def test_where_it_was_not_confirmed_the_search_goes_on(tmp_path):
    # The bakes that were to confirm come out like the reference: nothing of the gain is there
    three = scored(sharply(tmp_path / "round-1"), seed=3, spreads=SHARP, truth={})
    assert not confirmation(Answers(trials.evidence(three))).confirmed
    plan = trials.next_round(three, 8).plan
    assert plan.details["action"] != "confirmation bakes"
    assert any("did not come out as foretold" in one for one in plan.reasons)
    assert sentences(" ".join(plan.reasons)) <= 6


@pytest.mark.slow
def test_the_twin_of_a_refuted_setting_is_not_confirmed_in_its_stead(demo_line):
    # These invented bakes fall short of the reference in liking, which nothing foretold, and what
    # is best now is better than they were by less than is worth noticing
    answers = Answers(trials.evidence(demo_line))
    assert not confirmation(answers).confirmed
    plan = trials.next_round(answers.evidence, 8).plan
    assert plan.details["action"] != "confirmation bakes"
    assert sentences(" ".join(plan.reasons)) <= 6


def test_a_round_that_waits_for_its_bakes_is_followed_by_none(tmp_path):
    one = scored(first_round(tmp_path / "round-1"))
    two = write_next(one, 6)
    with pytest.raises(PlanError, match='go on from "Ginger snap, round 1"'):
        write_next(two, 6)


def test_one_bake_is_held_to_a_reference_too(tmp_path):
    one = scored(first_round(tmp_path / "round-1"))
    plan = trials.next_round(one, 1, action="confirm").plan
    assert "1 bake of it and 1 reference bake, tasted blind" in plan.reasons[2]
