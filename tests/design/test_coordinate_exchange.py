"""The updates agree with matrices made anew, and no single change is left that would help."""

import numpy as np
import pytest

from trials.core.exclusion import Exclusion
from trials.core.factors import Categorical, Numeric
from trials.core.terms import basis, model_terms
from trials.design.candidates import candidates
from trials.design.search import Search, climb

FACTORS = [
    Numeric("heat", 165, 180, hard_to_change=True),
    Numeric("rest", 20, 60),
    Categorical("fat", ["butter", "lard", "oil"]),
]
LOADS = np.repeat(np.arange(4), 3)


def search_of(criterion: str, ratio: float) -> tuple[Search, object]:
    terms = model_terms("interactions", FACTORS)
    columns = basis(terms, FACTORS)
    options = candidates(FACTORS, terms, Exclusion(FACTORS, None))
    V = np.eye(12) + ratio * (LOADS[:, None] == LOADS)
    search = Search(
        columns,
        np.zeros((12, 0)),
        np.linalg.inv(V),
        np.zeros(columns.size),
        columns.moments() if criterion == "I" else None,
        tuple((bake, place) for bake in range(12) for place in (1, 2)),
        tuple((np.flatnonzero(load == LOADS), 0) for load in range(4)),
    )
    return search, options


def starts_of(options, count: int) -> np.ndarray:
    rng = np.random.default_rng(4)
    settings = options.draw(rng, 12 * count).reshape(count, 12, 3)
    settings[:, :, 0] = rng.choice([-1.0, 1.0], (count, 4))[:, LOADS]
    return settings


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("ratio", [0.0, 1.0, 10.0])
def test_nothing_that_helps_is_left(criterion, ratio):
    search, options = search_of(criterion, ratio)
    before = starts_of(options, 6)
    after = climb(search, before, options.moves)
    score = search.score(after)
    assert (score >= search.score(before)).all()
    assert np.isfinite(score).all()
    for bake, place in search.free:
        for level in options.levels[place]:
            tried = after.copy()
            tried[:, bake, place] = level
            assert (search.score(tried) <= score + 1e-7).all()
    for bakes, place in search.shared:
        for level in options.levels[place]:
            tried = after.copy()
            tried[:, bakes, place] = level
            assert (search.score(tried) <= score + 1e-7).all()
    # What a load shares stays shared
    assert all(len(np.unique(after[0, load == LOADS, 0])) == 1 for load in range(4))


def test_starts_do_not_lean_on_each_other():
    search, options = search_of("D", 1.0)
    starts = starts_of(options, 5)
    together = climb(search, starts, options.moves)
    alone = np.concatenate([climb(search, start[None], options.moves) for start in starts])
    assert np.allclose(search.score(together), search.score(alone))


def test_a_singular_plan_is_worth_nothing():
    search, options = search_of("D", 1.0)
    start = starts_of(options, 1)
    start[:, :, 1] = 1.0
    assert search.score(start)[0] == -np.inf
    assert np.isfinite(search.score(climb(search, start, options.moves))[0])
