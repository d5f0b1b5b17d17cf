"""Goals as numbers: by their definitions, and what the overall one must keep."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.analysis.goals import goal_for, overall, score
from trials.base.errors import FitError
from trials.core.measures import Measure

SPREAD = np.array([4.0, 6.0, 8.0])


def goal(wanted, **more):
    measure = Measure("weight", "number", goal=wanted, worth_noticing=more.pop("notice", 0.5))
    return goal_for(measure, SPREAD, 6.0, **more)


class TestByDefinition:
    """Derringer & Suich 1980, equations 2 and 3, with exponents of one."""

    def test_one_sided(self):
        made = goal("higher", limits=(120.0, 170.0))
        assert made.desirability(np.array([110, 120, 145, 170, 200])).tolist() == [0, 0, 0.5, 1, 1]
        made = goal("lower", limits=(170.0, 120.0))
        assert made.desirability(np.array([110, 120, 145, 170, 200])).tolist() == [1, 1, 0.5, 0, 0]

    def test_two_sided(self):
        made = goal(("target", 500.0, 100.0))
        found = made.desirability(np.array([390, 400, 450, 500, 575, 600]))
        assert found == pytest.approx([0, 0, 0.5, 1, 0.25, 0])
        assert made.met(np.array([399.9, 400, 600, 600.1])).tolist() == [False, True, True, False]

    def test_between(self):
        made = goal(("between", 5.0, 7.0))
        assert made.desirability(np.array([4.5, 4.75, 5, 6, 7, 7.25])).tolist() == pytest.approx(
            [0, 0.5, 1, 1, 1, 0.5]
        )
        assert made.met(np.array([4.9, 5, 7, 7.1])).tolist() == [False, True, True, False]


def test_limits_come_from_the_scale_or_from_what_is_expected():
    liking = goal_for(Measure("liking", "hedonic 9", goal="higher"), SPREAD, 6.0)
    assert (liking.none_below, liking.all_from) == (1, 9)
    weight = goal("lower")
    assert (weight.all_to, weight.none_above) == (4, 8)
    assert "expected" in weight.limits_from
    level = goal_for(Measure("weight", "number", goal="higher"), np.array([5.0, 5.0]), 5.0)
    assert 0 < level.desirability(np.array([5.0]))[0] < 1


def test_enough_is_worth_noticing_better_than_the_reference():
    assert goal("higher").enough_from == 6.5
    assert goal("lower").enough_to == 5.5
    assert goal("higher", enough=7).enough_from == 7
    assert goal("higher", limits=(5.0, 8.0)).enough_from == 5
    # No smallest difference named: a tenth of the range expected, 4 to 8
    plain = goal_for(Measure("weight", "number", goal="higher"), SPREAD, 6.0)
    assert plain.enough_from == pytest.approx(6.4)


@settings(max_examples=60, deadline=None)
@given(
    first=st.floats(0, 10),
    second=st.floats(0, 10),
    weight=st.floats(0.1, 5),
    better=st.floats(0, 3),
)
def test_the_overall_desirability(first, second, weight, better):
    goals = [goal("higher", limits=(0.0, 10.0), weight=weight), goal("higher", limits=(0.0, 10.0))]
    values = [np.array([first]), np.array([second])]
    found = overall(goals, values)[0]
    single = [one.desirability(own)[0] for one, own in zip(goals, values, strict=True)]
    assert min(single) - 1e-12 <= found <= max(single) + 1e-12
    assert (found == 0) == (min(single) == 0)
    raised = overall(goals, [values[0] + better, values[1]])[0]
    assert raised >= found - 1e-12
    assert score(goals, [values[0] + better, values[1]])[0] >= score(goals, values)[0] - 1e-12


def test_where_nothing_is_met_nearer_is_better():
    goals = [goal(("target", 5.0, 1.0)), goal(("between", 2.0, 3.0))]
    far = score(goals, [np.array([9.0, 7.0, 6.5]), np.array([2.5, 2.5, 2.5])])
    assert (far < 0).all()
    assert far[0] < far[1] < far[2]
    assert score(goals, [np.array([5.5]), np.array([2.5])])[0] > 0


def test_words():
    assert goal("higher", enough=6.5).words() == "higher; met from 6.5"
    assert goal("lower", enough=5.5).words() == "lower; met up to 5.5"
    # Where nobody named a value, nothing is there to be met
    assert goal("higher").words() == "higher; noticeably better from 6.5"
    assert goal("lower").words() == "lower; noticeably better up to 5.5"
    assert goal(("target", 5, 0.5)).words() == "5, from 4.5 to 5.5"
    assert goal(("between", 5, 7)).words() == "between 5 and 7"


def test_a_goal_its_scale_can_not_reach():
    measure = Measure("snap", ("intensity", 0, 10), goal=("target", 15, 2))
    with pytest.raises(FitError, match="scale runs from 0 to 10"):
        goal_for(measure, SPREAD, 6.0)
