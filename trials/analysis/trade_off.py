"""The best setting for one or several goals, and what one goal costs another."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from trials.analysis.chance_of_failure import Failure
from trials.analysis.choosing import Choice, FewFindings, Measures, choice, wobble_sd
from trials.analysis.recommendation import Recommendation, recommendation
from trials.analysis.searching import Score, best_setting, expected_under_wobble, neighbours
from trials.design.exclusion import Exclude
from trials.errors import FitError

PASSES, MOST_MOVED = 3, 150  # of the search for a tighter frontier, from its own settings


def recommend(
    findings: FewFindings,
    measures: Measures,
    *,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
    enough: Mapping[str, float] | None = None,
    wobble: Mapping[str, float] | None = None,
    exact: bool = False,
) -> Recommendation:
    """Choose the setting that is expected to meet the goals best.

    With one measure that should be higher or lower, the setting with the best expected value;
    otherwise the one with the largest overall desirability of what is expected. Never outside a
    factor's limits, never an excluded setting, never one where failing is likely.

    Parameters
    ----------
    findings : Findings or mapping of measure name to Findings
    measures : Measure, sequence of Measure or mapping of name to Measure
        Those with a goal count; the others are left aside.
    exclude : callable, DataFrame or sequence of mappings, optional
        Settings that never go together; the plan's are in `plan.excluded`.
    failure : callable, Failing, Failures or False, optional
        The chance that a bake fails: a function of a bake (a dict of real settings), or what the
        failed bakes said. When left out, what the failed bakes in the findings say, if there are
        enough for a model; False leaves them aside.
    failure_limit : float
        The chance must stay below this.
    weights : mapping of measure name to number, optional
        How much each goal counts; 1 when left out.
    limits : mapping of measure name to (start, end), optional
        For "higher" and "lower": where desirability starts, and where nothing is left to wish. When
        left out, the ends of the scale, else the lowest and highest expected.
    enough : mapping of measure name to number, optional
        From where one bake meets a goal "higher" (up to where, "lower"). When left out: the start
        of `limits` if given, else what is worth noticing better than the reference setting.
    wobble : mapping of factor name to number, optional
        How far the kitchen errs in each setting (a standard deviation in its unit): then what is
        expected under such errors counts, and a flat spot may beat a peak.
    exact : bool
        Do not set numbers as a kitchen can (a factor's own step or settings are kept always).

    Returns
    -------
    Recommendation

    Raises
    ------
    FitError, PlanError
        When no goal is set, a measure was not fitted, goals contradict their limits, or nothing is
        allowed.

    References
    ----------
    Derringer & Suich 1980, J. Qual. Technol. 12:214-219.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> from trials.measures import Measure
    >>> table = pd.DataFrame({"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2,
    ...                       "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2]})
    >>> liking = Measure("liking", "hedonic 9", goal="higher")
    >>> best = recommend(fit(table, "liking", ["rest", "fat"], model="main"), liking)
    >>> best.settings
    {'rest': 60.0, 'fat': 'butter'}
    """
    asked = choice(
        findings, measures, exclude, failure, failure_limit, weights, limits, enough, exact
    )
    searched: Score = asked.score
    if wobble:
        spread = wobble_sd(asked.region, wobble)
        searched = expected_under_wobble(searched, asked.region.factors, spread)
    chosen = best_setting(asked.region, asked.candidates, searched)[None]
    return recommendation(asked, chosen, wobble)


def frontier(
    findings: FewFindings,
    measures: Measures,
    *,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
) -> pd.DataFrame:
    """Return the settings where improving one measure costs another.

    A setting is left out when another is expected to be at least as good in every measure and
    better in one (Pareto 1906).

    Parameters
    ----------
    findings, measures, exclude, failure, failure_limit, weights, limits
        As for :func:`recommend`.

    Returns
    -------
    DataFrame
        A column per factor, what is expected of every measure, and the overall `desirability`;
        from the best to the worst in the first measure.

    Raises
    ------
    FitError, PlanError
        As for :func:`recommend`; also with a single goal, which has no trade-off.

    Examples
    --------
    >>> frontier.__name__
    'frontier'
    """
    asked = choice(findings, measures, exclude, failure, failure_limit, weights, limits)
    return frontier_of(asked)


def frontier_of(asked: Choice) -> pd.DataFrame:
    """Return the frontier of what a choice rests on; see :func:`frontier`.

    Examples
    --------
    >>> frontier_of.__name__
    'frontier_of'
    """
    if len(asked.goals) < 2:
        raise FitError(
            f"only {asked.goals[0].name} has a goal, so nothing is traded off; set a goal for "
            "another measure."
        )
    X = asked.candidates
    kept = not_dominated(asked.losses(X))
    for _ in range(PASSES):
        nearby = np.vstack([X[kept], neighbours(asked.region, X[kept][:MOST_MOVED])])
        X = nearby[np.sort(np.unique(np.round(nearby, 9), axis=0, return_index=True)[1])]
        kept = not_dominated(asked.losses(X))
    losses, means = asked.losses(X), asked.means(X)
    table = asked.region.frame(X[kept])
    for goal, own in zip(asked.goals, means, strict=True):
        table[goal.name] = own[kept]
    table["desirability"] = asked.desirability(X[kept])
    order = np.lexsort(losses[kept].T[::-1])
    return table.iloc[order].reset_index(drop=True)


def not_dominated(losses: np.ndarray) -> np.ndarray:
    """Return the rows that no other row beats: at least as small everywhere, smaller somewhere.

    Parameters
    ----------
    losses : ndarray, shape (settings, measures)

    Returns
    -------
    ndarray of int

    Examples
    --------
    >>> not_dominated(np.array([[1.0, 3.0], [2.0, 2.0], [2.0, 3.0]])).tolist()
    [0, 1]
    """
    span = np.ptp(losses, axis=0)
    scaled = np.round(losses / np.where(span > 0, span, 1), 9)
    # Sorted so that nothing later can beat anything earlier: each is held to those kept so far
    order = np.lexsort(scaled.T[::-1])
    kept: list[int] = []
    for place in order:
        row, before = scaled[place], scaled[kept]
        beaten = (before <= row).all(axis=1) & (before < row).any(axis=1)
        if not beaten.any():
            kept.append(int(place))
    return np.array(sorted(kept))


def weight_sensitivity(
    findings: FewFindings,
    measures: Measures,
    *,
    factor: float = 2.0,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
) -> pd.DataFrame:
    """Return how the choice moves when one goal counts for more or for less.

    Parameters
    ----------
    findings, measures, exclude, failure, failure_limit, weights, limits
        As for :func:`recommend`.
    factor : float
        How many times more and less.

    Returns
    -------
    DataFrame
        measure, counts ("as it is", "more", "less"), a column per factor with the setting then
        chosen, what is expected of every measure there, and `noticeable`: whether any measure is
        then expected to differ by more than is worth noticing.

    Raises
    ------
    FitError, PlanError
        As for :func:`recommend`.

    Examples
    --------
    >>> weight_sensitivity.__name__
    'weight_sensitivity'
    """
    if not factor > 1:
        raise FitError(f"factor is {factor}; how many times more a goal counts is above 1.")
    asked = choice(findings, measures, exclude, failure, failure_limit, weights, limits)
    given = {goal.name: goal.weight for goal in asked.goals}
    runs = [("all", "as it is", given)]
    for name in given:
        runs.append((name, "more", given | {name: given[name] * factor}))
        runs.append((name, "less", given | {name: given[name] / factor}))
    rows, settled = [], []
    for name, counts, used in runs:
        goals = tuple(replace(goal, weight=used[goal.name]) for goal in asked.goals)
        trial = replace(asked, goals=goals)
        chosen = best_setting(trial.region, trial.candidates, trial.score)[None]
        means = {
            goal.name: float(own[0]) for goal, own in zip(goals, trial.means(chosen), strict=True)
        }
        settled.append(means)
        moved = any(abs(means[g.name] - settled[0][g.name]) > g.notice for g in goals)
        setting = asked.region.frame(chosen).iloc[0].to_dict()
        rows.append({"measure": name, "counts": counts} | setting | means | {"noticeable": moved})
    return pd.DataFrame(rows)
