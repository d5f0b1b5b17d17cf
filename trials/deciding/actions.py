"""What could be baked next: candidate actions, each a set of settings with a word why."""

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pandas as pd

from trials.analysis.no_error import unit_means
from trials.analysis.results import Averaged, Findings
from trials.deciding.action import Action
from trials.deciding.beliefs import Belief, Knowledge, chance_best, coded_made, numbers_of
from trials.deciding.discrimination import Rival, forecasts_of, telling_apart
from trials.deciding.expected_gain import contest, gaining, narrowing
from trials.deciding.unmixing import completed, mirrored
from trials.design.basis import coded_settings
from trials.design.plan import reference_setting
from trials.design.terms import kitchen_names
from trials.factors import Categorical
from trials.tables import in_words

MOST_POOL = 300  # settings that bakes are taken from
MOST_RIVALS = 6
MOST_EXCHANGED = 20_000  # settings x pool x bakes up to which every exchange is tried in seconds
SURE = 0.9  # a factor is held at a setting that is the better one with this chance
NEAR = 0.5  # a narrowed range is this share of the whole
FEWEST_RIVAL_SHARE = 0.02


def actions(knowledge: Knowledge, bakes: int) -> list[Action]:
    """Return every action that fits the budget and the findings.

    Parameters
    ----------
    knowledge : Knowledge
    bakes : int
        How many there may be.

    Returns
    -------
    list of Action
        None breaks an exclusion or goes where failing is likely.

    Examples
    --------
    >>> actions.__name__
    'actions'
    """
    pool = _pool(knowledge)
    chances = chance_best(knowledge)
    missing = [one for one in completed(knowledge, bakes) if knowledge.region.allows(one.X).all()]
    makers: tuple[Callable[[], Iterator[Action]], ...] = (
        lambda: _contested(knowledge, pool, chances, bakes, missing),
        lambda: _mapped(knowledge, pool, bakes),
        lambda: _told_apart(knowledge, pool, bakes),
        lambda: iter(missing),
        lambda: mirrored(knowledge, bakes),
        lambda: _repeated(knowledge, bakes),
        lambda: _held(knowledge, pool, chances, bakes),
        lambda: _narrowed(knowledge, bakes),
        lambda: _bent(knowledge, bakes),
        lambda: _path(knowledge, bakes),
    )
    found: list[Action] = []
    for maker in makers:
        found += [one for one in maker() if len(one.X) and knowledge.region.allows(one.X).all()]
    return found


def _pool(knowledge: Knowledge) -> np.ndarray:
    """Return allowed settings to bake: kinds, and numbers at their ends and middles."""
    region, factors = knowledge.region, knowledge.factors
    numbers = numbers_of(factors)
    places = 3 if len(numbers) and _combinations(knowledge, 3) <= MOST_POOL else 2
    axes = [
        np.arange(len(f.levels), dtype=float)
        if isinstance(f, Categorical)
        else np.linspace(-1, 1, places)
        for f in factors
    ]
    if len(region.parts) or _combinations(knowledge, 2) > 4 * MOST_POOL:
        settings = region.grid(MOST_POOL)
    else:
        grid = np.meshgrid(*axes, indexing="ij")
        settings = region.snapped(np.stack(grid, axis=-1).reshape(-1, len(factors)))
    made = coded_made(knowledge)
    settings = np.vstack([settings, made[region.allows(made)], knowledge.best])
    if places == 2 and numbers:
        middle = np.repeat(knowledge.best[None], len(numbers), axis=0)
        middle[np.arange(len(numbers)), numbers] = 0.0
        settings = np.vstack([settings, region.snapped(middle), _reference(knowledge)])
    settings = np.unique(np.round(settings, 9), axis=0)
    return settings[region.allows(settings)]


def _reference(knowledge: Knowledge) -> np.ndarray:
    """Return the reference setting, coded, and the same with the best kinds, as rows."""
    setting = reference_setting(knowledge.factors)
    own = coded_settings(knowledge.factors, pd.DataFrame([setting]))
    best = knowledge.best[None].copy()
    numbers = numbers_of(knowledge.factors)
    best[:, numbers] = own[:, numbers]
    return np.vstack([own, best])


def _combinations(knowledge: Knowledge, places: int) -> float:
    counts = [len(f.levels) if isinstance(f, Categorical) else places for f in knowledge.factors]
    return float(np.prod(counts, dtype=float))


def _contested(
    knowledge: Knowledge,
    pool: np.ndarray,
    chances: np.ndarray,
    bakes: int,
    missing: Sequence[Action],
) -> Iterator[Action]:
    """Yield bakes at and between the settings that may be the best."""
    one = knowledge.beliefs[0]
    places = narrowing(one, pool, contest(one, knowledge.settings, chances), bakes)
    X = pool[places]
    if len(knowledge.settings) * len(pool) * bakes <= MOST_EXCHANGED:
        X = gaining(knowledge, [X, *(rest.X for rest in missing if len(rest.X) == bakes)], pool)
    count = int((chances >= 0.02).sum())
    rivals = (
        f"{count} settings may still be the best"
        if count > 1
        else "Beside the likeliest setting others have a small chance each of being the best"
    )
    yield Action("decide between the best", X, f"{rivals}; these bakes decide most between them.")


def _mapped(knowledge: Knowledge, pool: np.ndarray, bakes: int) -> Iterator[Action]:
    """Yield bakes that narrow what is believed of all settings alike."""
    one = knowledge.beliefs[0]
    even = np.full(len(pool), 1 / len(pool))
    X = pool[narrowing(one, pool, contest(one, pool, even), bakes)]
    yield Action(
        "fill the gaps",
        X,
        "These bakes sharpen what is expected of every setting alike.",
    )


def _told_apart(knowledge: Knowledge, pool: np.ndarray, bakes: int) -> Iterator[Action]:
    """Yield the bakes that best tell rival explanations apart."""
    found = _rivals(knowledge, pool)
    if found is None:
        return
    y, rivals, named = found
    places, _ = telling_apart(forecasts_of(y, rivals), bakes, starts=1)
    yield Action(
        "tell explanations apart",
        pool[places],
        f"{len(rivals)} explanations are likeliest ({named}); these bakes tell them apart best.",
    )


def _rivals(knowledge: Knowledge, pool: np.ndarray) -> tuple[np.ndarray, list[Rival], str] | None:
    """Return the bakes' scores and the explanations that the averaged draws hold."""
    found, one = knowledge.findings[0], knowledge.beliefs[0]
    if found.averaged is None:
        return None
    y, settings = _bake_scores(knowledge)
    width = len(found.averaged.draws)
    patterns, counts = np.unique(found.averaged.draws[1:].T != 0, axis=0, return_counts=True)
    order = np.argsort(-counts, kind="stable")[:MOST_RIVALS]
    shares = counts[order] / counts.sum()
    order, shares = order[shares >= FEWEST_RIVAL_SHARE], shares[shares >= FEWEST_RIVAL_SHARE]
    if len(order) < 2:
        return None
    at_bakes, at_pool = one.rows(settings)[:, :width], one.rows(pool)[:, :width]
    rivals = []
    for place, share in zip(order, shares, strict=True):
        columns = np.flatnonzero(np.concatenate([[True], patterns[place]]))
        rivals.append(Rival(float(share), at_bakes[:, columns], at_pool[:, columns]))
    names = [_explained(found, found.averaged, patterns[place], one) for place in order[:2]]
    return y, rivals, "; ".join(names)


def _explained(found: Findings, averaged: Averaged, pattern: np.ndarray, one: Belief) -> str:
    owner = one.basis.owner[1 : len(pattern) + 1]
    held = [term.name for place, term in enumerate(averaged.terms) if pattern[owner == place].any()]
    return kitchen_names(held, found.factors) or "nothing but chance"


def _bake_scores(knowledge: Knowledge) -> tuple[np.ndarray, np.ndarray]:
    """Return one score per bake, corrected for who tasted it and the day, and its settings."""
    left = knowledge.findings[0].residuals
    if "role" in left:
        left = left[left["role"] != "control"]
    bakes = left["bake"] if "bake" in left else pd.Series(range(len(left)), index=left.index)
    crossed = [
        pd.factorize(left[name])[0]
        for name in ("taster",)
        if name in left and left[name].notna().all() and left[name].nunique() > 1
    ]
    y, first = unit_means(left["observed"].to_numpy(float), pd.factorize(bakes)[0], crossed)
    rows = left.iloc[first]
    if "day" in rows and rows["day"].nunique() > 1:
        y = y - pd.Series(y).groupby(rows["day"].to_numpy()).transform("mean").to_numpy() + y.mean()
    return y, coded_settings(knowledge.factors, rows)


def _repeated(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield repeats of bakes already made, those expected to be best first."""
    made = np.unique(np.round(coded_made(knowledge), 9), axis=0)
    made = made[knowledge.region.allows(made)]
    if not len(made):
        return
    means = [one.rows(made) @ one.mean for one in knowledge.beliefs]
    order = np.argsort(-np.round(knowledge.worth(means), 9), kind="stable")
    count = min(bakes, max(2, bakes // 2), len(made))
    X = np.vstack([made[order[:count]]] * (bakes // count))
    yield Action(
        "repeat the best bakes",
        X,
        "Bakes made again show how alike two bakes are, and settle which of the best ones is best.",
    )


def _held(
    knowledge: Knowledge, pool: np.ndarray, chances: np.ndarray, bakes: int
) -> Iterator[Action]:
    """Yield bakes in which settled factors stay at their better setting."""
    held = settled(knowledge, chances)
    if not held or len(held) == len(knowledge.factors):
        return
    kept = np.all([np.abs(pool[:, at] - knowledge.best[at]) < 1e-9 for at in held], axis=0)
    some = pool[kept]
    if len(some) < 2:
        return
    one = knowledge.beliefs[0]
    even = np.full(len(some), 1 / len(some))
    X = some[narrowing(one, some, contest(one, some, even), bakes)]
    names = [knowledge.factors[at].name for at in held]
    yield Action(
        f"hold {in_words(names)}, vary the rest",
        X,
        f"The better setting of {in_words(names)} is sure enough to stay there.",
    )


def settled(knowledge: Knowledge, chances: np.ndarray) -> list[int]:
    """Return the factors whose better setting is sure enough, by their places.

    Examples
    --------
    >>> settled.__name__
    'settled'
    """
    result = []
    for at, factor in enumerate(knowledge.factors):
        near = 1e-9 if isinstance(factor, Categorical) else NEAR / 2
        alike = np.abs(knowledge.settings[:, at] - knowledge.best[at]) <= near
        if chances[alike].sum() >= SURE:
            result.append(at)
    return result


def _narrowed(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield bakes over ranges half as wide, round the best setting."""
    numbers = numbers_of(knowledge.factors)
    if not numbers:
        return
    low = np.clip(knowledge.best[numbers] - NEAR, -1, 1 - 2 * NEAR)
    axes = [np.array([value]) for value in knowledge.best]
    for place, at in enumerate(numbers):
        axes[at] = low[place] + NEAR * np.arange(3)
    if 3.0 ** len(numbers) > MOST_POOL:
        axes = [axis[[0, -1]] if len(axis) == 3 else axis for axis in axes]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    grid = np.unique(np.round(knowledge.region.snapped(grid), 9), axis=0)
    grid = grid[knowledge.region.allows(grid)][: 4 * MOST_POOL]
    if len(grid) < 2:
        return
    one = knowledge.beliefs[0]
    even = np.full(len(grid), 1 / len(grid))
    X = grid[narrowing(one, grid, contest(one, grid, even), bakes)]
    yield Action(
        "narrow the ranges",
        X,
        "The ranges are halved round the best setting, where the next steps are smaller.",
    )


def _bent(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield bakes at the ends and middles of each number, all else as in the best setting."""
    numbers = numbers_of(knowledge.factors)
    if not numbers:
        return
    single = np.repeat(knowledge.best[None], 3 * len(numbers), axis=0)
    for place, at in enumerate(numbers):
        single[3 * place : 3 * place + 3, at] = (-1.0, 0.0, 1.0)
    rows = np.vstack([single, _reference(knowledge)])
    some = np.unique(np.round(knowledge.region.snapped(rows), 9), axis=0)
    some = some[knowledge.region.allows(some)]
    if len(some) < 2:
        return
    one = knowledge.beliefs[0]
    even = np.full(len(some), 1 / len(some))
    X = some[narrowing(one, some, contest(one, some, even), bakes)]
    yield Action(
        "look for a bend",
        X,
        "Middles and ends of one factor at a time, and all middles together, show whether the best "
        "lies in between.",
    )


def _path(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield bakes along the path of steepest ascent from the reference, within the limits."""
    numbers = numbers_of(knowledge.factors)
    if not numbers or len(knowledge.goals) > 1:
        return
    one = knowledge.beliefs[0]
    setting = reference_setting(knowledge.factors)
    start = knowledge.best.copy()
    start[numbers] = coded_settings(knowledge.factors, pd.DataFrame([setting]))[0, numbers]
    steps = np.repeat(start[None], 2 * len(numbers), axis=0)
    for place, at in enumerate(numbers):
        steps[2 * place, at] -= 0.01
        steps[2 * place + 1, at] += 0.01
    worth = knowledge.worth([one.rows(steps) @ one.mean])
    slope = worth[1::2] - worth[::2]
    if np.abs(slope).max() < 1e-12:
        return
    path = np.repeat(start[None], bakes, axis=0)
    ahead = np.linspace(0, 1, bakes + 1)[1:]
    path[:, numbers] += ahead[:, None] * slope / np.abs(slope).max()
    yield Action(
        "move along the path",
        knowledge.region.snapped(path),
        f"These bakes go step by step where {one.measure.name} gets better fastest.",
    )
