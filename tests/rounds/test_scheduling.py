"""A day as chains of tasks: the list schedule can be worked, and the bound is true."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.base.errors import RoundError
from trials.rounds.timetable import Chain, Task, finish_of, list_schedule, lower_bound

CAPACITY = {"hands": 1, "pot": 1, "oven": 1}


def bakes(times, *, wait=0, setup=2):
    """One chain per bake: mix with the hands, rest, fry with pot and hands."""
    return [
        Chain(
            (
                Task(at, "mix", mix, ("hands",), wait),
                Task(at, "rest", rest, (), wait),
                Task(at, "fry", fry, ("pot", "hands")),
            ),
            (),
            {"pot": setup},
        )
        for at, (mix, rest, fry) in enumerate(times)
    ]


def check(chains, starts, capacity=CAPACITY):
    """Assert that a schedule can be worked, minute by minute."""
    for chain, own in zip(chains, starts, strict=True):
        assert len(own) == len(chain.tasks)
        assert own[0] >= 0
        for before in chain.after:
            assert own[0] >= starts[before][-1] + chains[before].tasks[-1].minutes
        for task, start, later in zip(chain.tasks, own, own[1:], strict=False):
            assert later >= start + task.minutes
            assert task.wait is None or later <= start + task.minutes + task.wait
    end = max(own[-1] + chain.tasks[-1].minutes for chain, own in zip(chains, starts, strict=True))
    for minute in range(end):
        for name, count in capacity.items():
            busy = sum(
                start <= minute < start + task.minutes
                for chain, own in zip(chains, starts, strict=True)
                for task, start in zip(chain.tasks, own, strict=True)
                if name in task.needs
            )
            assert busy <= count
    free = {}
    for chain, own in zip(chains, starts, strict=True):
        for name, setup in chain.setups.items():
            used = [at for at, task in enumerate(chain.tasks) if name in task.needs]
            if used:
                assert own[used[0]] >= free.get(name, 0) + setup
                free[name] = own[used[-1]] + chain.tasks[used[-1]].minutes


TIMES = st.lists(
    st.tuples(st.integers(1, 12), st.integers(0, 30), st.integers(1, 12)), min_size=1, max_size=6
)


@settings(max_examples=60, deadline=None)
@given(times=TIMES, wait=st.sampled_from([0, 3, None]), setup=st.integers(0, 8))
def test_the_list_schedule_can_be_worked_and_respects_the_bound(times, wait, setup):
    chains = bakes(times, wait=wait, setup=setup)
    starts = list_schedule(chains, CAPACITY)
    check(chains, starts)
    finish = max(
        own[-1] + chain.tasks[-1].minutes for chain, own in zip(chains, starts, strict=True)
    )
    assert finish >= lower_bound(chains, CAPACITY)


def test_two_pairs_of_hands_work_at_once():
    chains = [Chain((Task(at, "mix", 10, ("hands",)),), (), {}) for at in range(4)]
    assert finish_of(chains, list_schedule(chains, {"hands": 2})) == 20
    assert lower_bound(chains, {"hands": 2}) == 20


def test_what_comes_first_is_waited_for():
    chains = [
        Chain((Task(0, "scale", 15, ("hands",)),), (), {}),
        Chain((Task(1, "mix", 10, ("hands",)),), (0,), {}),
    ]
    assert list_schedule(chains, CAPACITY) == ((0,), (15,))


def test_a_task_longer_than_three_days_is_refused():
    with pytest.raises(RoundError, match='"age" finds no place within three days'):
        list_schedule([Chain((Task(0, "age", 5000),), (), {})], CAPACITY)
