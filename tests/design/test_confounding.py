from itertools import combinations

import numpy as np
import pytest

from trials.base.errors import PlanError
from trials.design.fractions import Structure, _keys, arrange, signs

FOUR_DAYS = Structure(32, 4, (("load", 8),))


def within(columns, ids):
    """The largest mean of a column over the bakes of one day or load."""
    return max(np.abs(columns[ids == one].mean(axis=0)).max() for one in np.unique(ids))


def test_the_plan_with_one_hot_and_one_cool_load_a_day_is_the_best_there_is():
    # Every choice of columns: the hard one up to relabelling of loads, five easy ones of 24
    easy = FOUR_DAYS.candidates(None).tolist()
    every = np.array([(4, *chosen) for chosen in combinations(easy, 5)])
    keys = _keys(every, FOUR_DAYS, (1, 2, 3, 4, 5))
    best = keys[np.lexsort(keys.T[::-1])[0]]
    found = arrange(("load", *[None] * 5), FOUR_DAYS)
    key = _keys(np.array([found.fraction.columns]), FOUR_DAYS, (1, 2, 3, 4, 5))[0]
    assert tuple(key) == tuple(best)
    assert (len(found.on_days), len(found.on_loads), len(found.lost)) == (1, 1, 1)


def test_that_plan_keeps_its_promises():
    found = arrange(("load", *[None] * 5), FOUR_DAYS)
    coded = signs(found.fraction.columns, 32)
    days, loads = FOUR_DAYS.ids("day"), FOUR_DAYS.ids("load")
    assert within(coded, days) == 0
    assert within(coded[:, 1:], loads) == 0
    for load in range(8):
        assert len(set(coded[loads == load, 0])) == 1
    pairs = list(combinations(range(6), 2))
    made = {pair: coded[:, pair[0]] * coded[:, pair[1]] for pair in pairs}
    assert not any((coded.T @ column).any() for column in made.values())
    on_days = [pair for pair in pairs if within(made[pair][:, None], days) == 1]
    on_loads = [pair for pair in pairs if within(made[pair][:, None], loads) == 1]
    assert tuple(on_days) == found.on_days
    assert set(on_loads) - set(on_days) == set(found.on_loads)


@pytest.mark.parametrize(
    ("factors", "runs", "blocks", "lost_to_days"),
    [
        # 2^3 in 2 and 2^4 in 2: the highest interaction; 2^5 in 4: one pair at least; 2^6 in 4:
        # none; Box, Hunter & Hunter 2005, ch. 5, and Cochran & Cox 1957, plan 6.1 on
        (3, 8, 2, 0),
        (4, 16, 2, 0),
        (4, 16, 4, 1),
        (5, 32, 4, 0),
        (6, 64, 4, 0),
        (6, 64, 8, 0),
    ],
)
def test_full_factorials_in_blocks_lose_as_few_pairs_as_the_textbooks_say(
    factors, runs, blocks, lost_to_days
):
    found = arrange((None,) * factors, Structure(runs, blocks))
    assert len(found.on_days) == lost_to_days
    assert found.fraction.resolution is None


@pytest.mark.parametrize(("factors", "runs", "blocks"), [(6, 16, 2), (7, 32, 2), (8, 32, 2)])
def test_blocks_do_not_lower_the_resolution(factors, runs, blocks):
    found = arrange((None,) * factors, Structure(runs, blocks))
    assert found.fraction.resolution == 4
    coded = signs(found.fraction.columns, runs)
    assert within(coded, found.structure.ids("day")) == 0


def test_crossed_groups_keep_their_own_factor_and_no_other():
    crossed = Structure(32, 2, (("load", 8), ("dough", 8)))
    found = arrange(("load", "dough", None, None, None), crossed)
    coded = signs(found.fraction.columns, 32)
    loads, doughs = crossed.ids("load"), crossed.ids("dough")
    assert all(len(set(coded[loads == one, 0])) == 1 for one in range(8))
    assert all(len(set(coded[doughs == one, 1])) == 1 for one in range(8))
    assert within(coded[:, 1:], loads) == 0
    assert within(coded[:, [0, 2, 3, 4]], doughs) == 0


def test_a_search_gives_the_same_answer_again():
    structure = Structure(64, 4, (("load", 16),))
    first = arrange.__wrapped__(("load", *[None] * 11), structure)
    assert first == arrange.__wrapped__(("load", *[None] * 11), structure)


@pytest.mark.parametrize(
    ("structure", "said"),
    [
        (lambda: Structure(16, 3), "days is 3; .* 1, 2, 4, 8 or 16"),
        (lambda: Structure(16, 1, (("load", 6),)), "loads is 6"),
        (lambda: Structure(16, 4, (("load", 2),)), "loads is 2 .* 4 or more"),
        (lambda: Structure(16, 1, (("load", 8), ("dough", 4))), "8 loads and 4 doughs crossed"),
    ],
)
def test_days_and_loads_that_do_not_divide_are_refused(structure, said):
    with pytest.raises(PlanError, match=said):
        structure()


def test_too_many_factors_are_refused_with_the_room_there_is():
    with pytest.raises(PlanError, match=r"5 two-level factors, but 16 bakes and 16 days .* for 0"):
        arrange((None,) * 5, Structure(16, 16))
    with pytest.raises(PlanError, match="hard to change"):
        arrange(("load",) * 4, Structure(16, 1, (("load", 2),)))
