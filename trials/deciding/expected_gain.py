"""What bakes are expected to gain before they are made: preposterior analysis."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.deciding.beliefs import Belief, Knowledge

IMAGINED = 400  # outcomes imagined for every set of bakes
PASSES = 2  # through the bakes of a set when settings are exchanged
NEW_DAY = 3.0  # a new day's level is taken as unknown: this many spreads of a bake
_SEED = 1961


@dataclass(frozen=True)
class Gain:
    """What a set of bakes is expected to gain.

    Parameters
    ----------
    worth : float
        Expected improvement of the choice, in the units in which the choice is judged.
    noticed : float
        The same as a share of what is worth noticing.
    moved : float
        The chance that the choice moves by anything worth noticing.
    """

    worth: float
    noticed: float
    moved: float


def expected_gain(
    knowledge: Knowledge,
    X: np.ndarray,
    days: np.ndarray | None = None,
    loads: np.ndarray | None = None,
    *,
    settings: np.ndarray | None = None,
) -> Gain:
    """Return what a set of bakes is expected to gain for the choice.

    Outcomes are drawn from what is believed now; after each the belief is brought up to date (to
    first and second moments) and the best setting chosen anew. The gain is how much better that
    setting is then expected to be than the one chosen today. The level of every new day is taken
    as unknown.

    Parameters
    ----------
    knowledge : Knowledge
    X : ndarray, shape (bakes, factors)
        Coded settings of the bakes.
    days, loads : ndarray of int, shape (bakes,), optional
        Which day and load each belongs to; one day, and no loads, when left out.
    settings : ndarray, shape (settings, factors), optional
        The settings that may be chosen afterwards; those of the knowledge when left out.

    Returns
    -------
    Gain

    References
    ----------
    Raiffa & Schlaifer 1961, section 4.5 (expected value of sample information); Frazier, Powell
    & Dayanik 2009, INFORMS J. Comput. 21:599 (correlated normal beliefs); Goldstein & Wooff 2007,
    Bayes Linear Statistics, ch. 3 (updating by two moments).

    Examples
    --------
    >>> expected_gain.__name__
    'expected_gain'
    """
    if not len(X):
        return Gain(0.0, 0.0, 0.0)
    open_to = knowledge.settings if settings is None else settings
    days = np.zeros(len(X), dtype=int) if days is None else days
    at = [one.rows(open_to) for one in knowledge.beliefs]
    gained = _gained(knowledge, at, X, days, loads, _SEED)
    noticeable = knowledge.noticeable
    return Gain(
        worth=float(gained.mean()),
        noticed=float(gained.mean() / noticeable),
        moved=float((gained > noticeable).mean()),
    )


def gaining(knowledge: Knowledge, starts: Sequence[np.ndarray], pool: np.ndarray) -> np.ndarray:
    """Return the bakes that are expected to gain most, exchanged one by one from the best start.

    Parameters
    ----------
    knowledge : Knowledge
    starts : sequence of ndarray, shape (bakes, factors)
        Coded settings to start from; those of them that gain most are taken.
    pool : ndarray, shape (settings, factors)
        Settings that may take the place of any of them.

    Returns
    -------
    ndarray, shape (bakes, factors)

    References
    ----------
    Wu & Frazier 2016, Adv. Neural Inf. Process. Syst. 29 (the parallel knowledge gradient: the
    gain of a whole batch); Fedorov 1972, ch. 3 (exchange).

    Examples
    --------
    >>> gaining.__name__
    'gaining'
    """
    at = [one.rows(knowledge.settings) for one in knowledge.beliefs]
    days = np.zeros(len(starts[0]), dtype=int)

    def gain(X: np.ndarray) -> float:
        # Outcomes of their own, so that the choice is not flattered where it is judged
        return round(float(_gained(knowledge, at, X, days, None, _SEED + 1).mean()), 9)

    gains = [gain(X) for X in starts]
    first = int(np.argmax(gains))
    chosen, reached = starts[first].copy(), gains[first]
    for _ in range(PASSES):
        before = reached
        for turn in range(len(chosen)):
            for setting in pool:
                tried = chosen.copy()
                tried[turn] = setting
                value = gain(tried)
                if value > reached:
                    chosen, reached = tried, value
        if reached == before:
            break
    return chosen


def _gained(
    knowledge: Knowledge,
    at: Sequence[np.ndarray],
    X: np.ndarray,
    days: np.ndarray,
    loads: np.ndarray | None,
    seed: int,
) -> np.ndarray:
    """Return for every imagined outcome how much better the best setting then is than today's."""
    rng = np.random.default_rng(seed)
    after = [
        rows @ (one.mean[:, None] + _moves(one, X, days, loads, rng))
        for one, rows in zip(knowledge.beliefs, at, strict=True)
    ]
    shape = after[0].shape
    worth = knowledge.worth([values.ravel() for values in after]).reshape(shape)
    # The first setting is the one chosen today
    return worth.max(axis=0) - worth[0]


def _moves(
    one: Belief,
    X: np.ndarray,
    days: np.ndarray,
    loads: np.ndarray | None,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return how far the believed mean may move, shape (columns, outcomes)."""
    rows = one.rows(X)
    toward = one.cov @ rows.T
    spread = rows @ toward + error_covariance(one, days, loads)
    root = np.linalg.cholesky(spread)
    noise = rng.standard_normal((len(X), IMAGINED // 2))
    # Mirrored outcomes keep the mean where it is believed to be
    noise = np.hstack([noise, -noise])
    return toward @ np.linalg.solve(root.T, noise)


def error_covariance(one: Belief, days: np.ndarray, loads: np.ndarray | None) -> np.ndarray:
    """Return the covariance of new bakes around what is expected of them.

    Examples
    --------
    >>> error_covariance.__name__
    'error_covariance'
    """
    covariance = one.bake * np.eye(len(days)) + new_day(one) * np.equal.outer(days, days)
    if loads is not None:
        covariance = covariance + one.load * np.equal.outer(loads, loads)
    return covariance


def new_day(one: Belief) -> float:
    """Return the variance of the level of a new day: unknown, unless it is the day of before."""
    return 0.0 if one.same_day else NEW_DAY**2 * (one.bake + one.load)


def narrowing(
    one: Belief, pool: np.ndarray, weight: np.ndarray, bakes: int, start: Sequence[int] = ()
) -> list[int]:
    """Return the bakes that narrow a weighted belief most, one after another, then exchanged.

    Parameters
    ----------
    one : Belief
    pool : ndarray, shape (settings, factors)
        From which the bakes are taken, any of them more than once.
    weight : ndarray, shape (columns, columns)
        The criterion is the trace of weight times the belief's covariance afterwards.
    bakes : int
    start : sequence of int
        Bakes taken in any case, by their place in the pool.

    Returns
    -------
    list of int
        Places in the pool.

    References
    ----------
    Chaloner 1984, Ann. Stat. 12:283-300 (Bayesian linear optimality); Fedorov 1972, Theory of
    Optimal Experiments, ch. 3 (exchange).

    Examples
    --------
    >>> narrowing.__name__
    'narrowing'
    """
    rows, cov, weights = _with_day(one, pool, weight)
    chosen = list(start)
    for place in chosen:
        cov = _updated(cov, rows[place], one.bake)
    for _ in range(bakes - len(chosen)):
        place = _best_next(rows, cov, weights, one.bake)
        chosen.append(place)
        cov = _updated(cov, rows[place], one.bake)
    for _ in range(2):
        before = list(chosen)
        for turn in range(len(start), len(chosen)):
            cov = _updated(cov, rows[chosen[turn]], -one.bake)
            chosen[turn] = _best_next(rows, cov, weights, one.bake)
            cov = _updated(cov, rows[chosen[turn]], one.bake)
        if chosen == before:
            break
    return chosen


def _with_day(
    one: Belief, pool: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rows, covariance and weights with the unknown level of the new day added."""
    size = len(one.mean)
    rows = np.column_stack([one.rows(pool), np.ones(len(pool))])
    cov, weights = np.zeros((size + 1, size + 1)), np.zeros((size + 1, size + 1))
    cov[:size, :size] = one.cov
    cov[size, size] = new_day(one)
    weights[:size, :size] = weight
    return rows, cov, weights


def _best_next(rows: np.ndarray, cov: np.ndarray, weights: np.ndarray, error: float) -> int:
    toward = rows @ cov
    drop = np.einsum("ij,jk,ik->i", toward, weights, toward)
    drop /= error + np.einsum("ij,ij->i", toward, rows)
    top = np.abs(drop).max()
    return int(np.argmax(np.round(drop / top, 9))) if top > 0 else 0


def _updated(cov: np.ndarray, row: np.ndarray, error: float) -> np.ndarray:
    """Return the covariance after a bake; with a negative error, as it was before it."""
    toward = cov @ row
    return cov - np.outer(toward, toward) / (error + row @ toward)


def contest(one: Belief, settings: np.ndarray, chances: np.ndarray) -> np.ndarray:
    """Return the weight of a belief's columns in the contest for the best setting.

    Parameters
    ----------
    one : Belief
    settings : ndarray, shape (settings, factors)
    chances : ndarray, shape (settings,)
        How likely each is the best.

    Returns
    -------
    ndarray, shape (columns, columns)
        The spread of the settings' rows around their mean, each weighed by its chance.

    Examples
    --------
    >>> contest.__name__
    'contest'
    """
    rows = one.rows(settings)
    centred = rows - chances @ rows
    return centred.T @ (chances[:, None] * centred)


def as_table(gains: Sequence[tuple[str, int, Gain]]) -> pd.DataFrame:
    """Return candidate actions side by side, the most expected per bake first.

    Examples
    --------
    >>> as_table([("repeat", 4, Gain(0.2, 0.4, 0.1))])["per_bake"].tolist()
    [0.05]
    """
    table = pd.DataFrame(
        [
            (name, bakes, gain.worth, gain.noticed, gain.moved, gain.worth / max(bakes, 1))
            for name, bakes, gain in gains
        ],
        columns=["action", "bakes", "gain", "noticed", "moved", "per_bake"],
    )
    return table.sort_values("per_bake", ascending=False, kind="stable", ignore_index=True)
