"""The better day: it can be worked, is proved or bounded, and is never later than the list."""

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rounds.test_scheduling import CAPACITY, TIMES, bakes, check
from trials.doors.large_demo import KITCHEN, STEPS, plan
from trials.rounds import timetable as day_solver
from trials.rounds.kitchen import clock_minutes
from trials.rounds.timetable import lower_bound, schedule, timetable

needs_solver = pytest.mark.skipif(
    day_solver.cp_model is None, reason="OR-tools is not installed; pip install trials[timetable]"
)


@settings(max_examples=25, deadline=None)
@given(times=TIMES, wait=st.sampled_from([0, 3, None]))
def test_the_solver_s_day_can_be_worked_and_is_never_later_than_the_list(times, wait):
    chains = bakes(times, wait=wait)
    made = schedule(chains, CAPACITY, effort=0.2)
    check(chains, made.starts)
    assert made.bound <= made.finish <= made.listed


@needs_solver
@settings(max_examples=12, deadline=None)
@given(times=st.lists(st.tuples(*[st.integers(1, 4)] * 3), min_size=3, max_size=3))
def test_a_proved_finish_is_the_best_of_all_there_are(times):
    """Without waits a bake is rigid, so three first minutes are all there is to try."""
    chains = bakes(times)
    made = schedule(chains, CAPACITY, effort=1)
    assert made.finish == made.bound
    horizon = made.listed - min(sum(one) for one in times) + 1
    best = made.listed
    for firsts in product(range(horizon), repeat=3):
        starts = [
            (first, first + mix, first + mix + rest)
            for first, (mix, rest, _) in zip(firsts, times, strict=True)
        ]
        finish = max(own[-1] + one[-1] for own, one in zip(starts, times, strict=True))
        if finish < best:
            try:
                check(chains, starts)
            except AssertionError:
                continue
            best = finish
    assert made.finish == best


def test_the_same_day_is_laid_out_the_same_way_twice():
    chains = bakes([(12, 40, 10), (12, 70, 10), (12, 40, 10), (12, 70, 10)])
    assert (
        schedule(chains, CAPACITY, effort=0.5).starts
        == schedule(chains, CAPACITY, effort=0.5).starts
    )


def test_without_the_solver_the_list_schedule_and_our_bound_are_used(monkeypatch):
    monkeypatch.setattr(day_solver, "cp_model", None)
    chains = bakes([(12, 40, 10), (12, 70, 10)])
    made = schedule(chains, CAPACITY)
    check(chains, made.starts)
    assert made.finish == made.listed
    assert made.bound == lower_bound(chains, CAPACITY)


def test_the_demo_s_days_are_never_worse_than_a_list_and_bounded_without_the_solver():
    days = timetable(plan(), STEPS, KITCHEN, effort=0).days
    assert (days["finish"] == days["in simple order"]).all()
    assert (days["minutes to gain"] >= 0).all()


@needs_solver
def test_the_demo_s_days_are_proved_to_end_as_early_as_they_can():
    made = timetable(plan(), STEPS, KITCHEN)
    days = made.days
    assert (days["finish"].map(clock_minutes) <= days["in simple order"].map(clock_minutes)).all()
    assert (days["minutes to gain"] == 0).all()
    assert all("at the earliest" in sentence for sentence in made.sentences())
    assert days["fits"].all()
