"""What a plan promises: quickly reckoned, and rehearsed with the analysis that will be used."""

import numpy as np
import pandas as pd
import pytest

import trials
from tests.rounds.small_idea import begun
from trials.deciding.foretelling import _advice, foretell
from trials.doors.cli import run

FACTORS = (
    trials.Numeric("oats", 0, 40, "%"),
    trials.Numeric("rest", 20, 60, "min"),
    trials.Categorical("fat", ["butter", "lard"]),
    trials.Categorical("cooking", ["oven", "pan"]),
)


def promised(count, bakes, tasters=2):
    plan = trials.propose(FACTORS[:count], bakes, days=2, tasters=tasters, seed=1)
    (said,) = (one for one in plan.reasons if one.startswith("A change of "))
    return float(said.split()[3])


def test_fewer_questions_are_never_promised_less():
    # Four factors were promised 5.9 points, three of the same 10.3
    assert promised(2, 8) <= promised(3, 8) <= promised(4, 8) < 5


def test_more_bakes_and_more_tasters_are_promised_more():
    assert promised(3, 12) < promised(3, 8) < promised(3, 8, tasters=1)


def test_a_promise_holds_a_change_to_what_is_worth_noticing():
    plan = trials.propose(FACTORS[:3], 8, days=2, tasters=2, worth_noticing=1.7, seed=1)
    (said,) = (one for one in plan.reasons if one.startswith("A change of "))
    assert float(said.split()[3]) == pytest.approx(promised(3, 8) + 1.0, abs=0.051)


def test_it_is_said_what_a_small_round_can_do_and_what_would_help():
    reasons = " ".join(trials.propose(FACTORS[:3], 8, days=2, tasters=2, seed=1).reasons)
    assert reasons.count("can find a good bake") == 1
    assert "too small to matter takes about 25 bakes with 2 tasters" in reasons
    # sd of a bake 0.25, own view 0.5, one score 1.1: (0.79 / 0.55) and (0.79 / 0.49) times eight
    assert "With one more taster these 8 tell as much as about 12 would;" in reasons
    assert "tasted twice, blind, as about 13" in reasons


def test_worth_noticing_is_said_to_be_the_usual_where_nobody_named_it(tmp_path):
    usual = "worth noticing is 0.7, the usual, as none was named"
    assert usual in " ".join(trials.propose(FACTORS[:3], 8, seed=1).reasons)
    named = " ".join(trials.propose(FACTORS[:3], 8, worth_noticing=0.7, seed=1).reasons)
    assert "worth noticing is 0.7." in named
    # And so from an idea, which names one or does not
    for own, word in (("", True), ("worth_noticing = 0.7\n", False)):
        folder = tmp_path / f"r{len(own)}"
        idea = begun(folder)
        text = idea.read_text(encoding="utf-8")
        text = text.replace('goal = "higher"\n', f'goal = "higher"\n{own}', 1)
        idea.write_text(text, encoding="utf-8")
        assert run(["plan", str(folder)]) == 0
        assert (usual in " ".join(trials.Round.open(folder).plan.reasons)) == word


def test_a_change_as_large_as_much_of_the_scale_is_said_to_be_so():
    large = []
    for bakes, tasters in [(8, 1), (8, 2), (32, 8)]:
        plan = trials.propose(FACTORS[:3], bakes, tasters=tasters, seed=1)
        (said,) = (one for one in plan.reasons if one.startswith("A change of "))
        points = float(said.split()[3])
        large.append(points > 8 / 3)  # a third of 1 to 9
        assert ("will hardly prove that a smaller change did it" in said) == large[-1]
        # What the plan keeps apart and what its size lets one prove are said as two things
        apart = next(one for one in plan.reasons if "can be told apart from one another" in one)
        assert ("though only a large one will be proven" in apart) == large[-1]
        assert ("most of what liking can change" in said) == (points > 4)
    assert set(large) == {True, False}


def test_what_pairs_do_is_said_in_one_reading():
    factors = [trials.Numeric(name, 0, 1) for name in ("syrup", "rye", "egg", "rest")]
    plan = trials.propose(factors, 5, tasters=2, seed=1)
    (said,) = (one for one in plan.reasons if "apart" in one)
    assert "What two changes do only together would be put down to" in said
    assert "may in part" not in said


def test_what_is_beyond_the_scale_can_not_work():
    plan = trials.propose(FACTORS[:2], 4, tasters=1, worth_noticing=5, seed=1)
    assert any("This can not work" in one or "No bake is left" in one for one in plan.reasons)


def test_fewer_bakes_than_asked_for_are_said_first():
    share = trials.Component("rye"), trials.Component("wheat"), trials.Component("spelt")
    for bakes in range(7, 16):
        plan = trials.propose(share, bakes, seed=1)
        if plan.count() < bakes:
            assert plan.reasons[0].startswith(f"You asked for {bakes} bakes; {plan.count()} are")
            return
    for bakes in (9, 13):
        plan = trials.propose(FACTORS, bakes, aim="interactions", days=2, tasters=2, seed=1)
        first = plan.reasons[0]
        assert ("You asked for" in first) == (plan.count() < bakes)


@pytest.fixture(scope="module")
def eight():
    return trials.propose(FACTORS[:2], 8, tasters=2, seed=1)


@pytest.mark.slow
def test_a_rehearsal_says_larger_changes_sooner_and_repeats_itself(eight):
    found = foretell(eight, tasters=2, rounds=12, seed=2)
    own = found.table[found.table["way"] == "as planned"].set_index("points")
    assert own.loc[3.0, "matters"] > own.loc[1.0, "matters"]
    assert own.loc[3.0, "better"] > own.loc[1.0, "better"] > 0
    assert found.false <= 0.1
    again = foretell(eight, tasters=2, rounds=12, seed=2)
    assert again.sentences == found.sentences
    twice = found.table[found.table["way"].str.contains("twice")].iloc[0]
    assert twice["matters"] >= own.loc[2.0, "matters"] - 2 * max(twice["more_error"], 0.1)


@pytest.mark.slow
def test_the_quick_estimate_agrees_with_the_rehearsal(eight):
    (said,) = (one for one in eight.reasons if one.startswith("A change of "))
    quick = float(said.split()[3])
    own = foretell(eight, tasters=2, rounds=24, seed=3).table.iloc[:3]
    share, error = np.interp(quick, own["points"], own["matters"]), own["error"].max()
    assert abs(share - 0.5) < 3 * error


def test_the_command_rehearses_when_asked(tmp_path, capsys):
    folder = tmp_path / "snap"
    assert run(["new", str(folder)]) == 0
    assert run(["plan", str(folder)]) == 0
    shown = capsys.readouterr()
    assert f"trials plan {folder} --rehearse" in shown.out
    assert "Rehearsed" not in shown.out
    assert run(["plan", str(folder), "--rehearse", "2"]) == 0
    shown = capsys.readouterr()
    assert "Rehearsed 2 times for each size" in shown.out
    assert "With each bake tasted twice, blind, 2 points in " in shown.out
    assert shown.out.splitlines()[-3].startswith("What to do: bake it as planned")


def ways(planned, taster, twice, error=0.05):
    """A table as a rehearsal makes it: shares at 2 points, and what either way adds."""
    rows = [("as planned", planned, 0.0), ("one more taster", planned + taster, taster)]
    rows.append(("each bake tasted twice, blind", planned + twice, twice))
    columns = ["way", "points", "matters", "more", "more_error"]
    return pd.DataFrame([(way, 2.0, share, more, error) for way, share, more in rows],
                        columns=columns)  # fmt: skip


def test_a_rehearsal_ends_with_the_one_thing_to_do():
    plan = trials.propose(FACTORS[:3], 8, days=2, tasters=2, seed=1)
    assert _advice(ways(0.85, 0.2, 0.3), plan) == "What to do: bake it as planned."
    assert "with one more taster; that" in _advice(ways(0.4, 0.3, 0.2), plan)
    assert "with each bake tasted twice, blind; that" in _advice(ways(0.4, 0.2, 0.3), plan)
    left = _advice(ways(0.4, 0.05, -0.05), plan)
    assert "to prove more, leave a question out: without" in left
    fewer = trials.propose(FACTORS[:2], 8, days=2, tasters=2, seed=1)
    assert _advice(ways(0.4, 0.05, 0), fewer).endswith("to prove more, plan more bakes.")
