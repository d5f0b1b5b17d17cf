"""How much a result suffers from normal kitchen error in each setting."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.choice import FewFindings, Measures, expected_under_wobble, wobble_sd
from trials.analysis.forecast import Forecast, all_factors, forecasts
from trials.analysis.goals import SHARE_OF_RANGE
from trials.analysis.reached import outside_words
from trials.analysis.region import Region, coded, region
from trials.analysis.settings import settings_table
from trials.base.errors import FitError
from trials.base.words import in_words
from trials.core.factors import Component, is_blank
from trials.core.verdicts import CONFIDENCE

ALL_TOGETHER = "all together"
DRAWS = 4000
_SEED = 1732


def robustness(
    findings: FewFindings,
    measures: Measures,
    settings: Mapping[str, Any],
    wobble: Mapping[str, float],
) -> pd.DataFrame:
    """Return what kitchen errors around one setting do to every measure.

    Parameters
    ----------
    findings : Findings or mapping of measure name to Findings
    measures : Measure, sequence of Measure or mapping of name to Measure
        Those with a goal count.
    settings : mapping
        Factor name -> setting, such as the `settings` of a recommendation.
    wobble : mapping of factor name to number
        How far the kitchen errs (a standard deviation in the factor's unit), such as
        {"oil": 3, "hydration": 1}.

    Returns
    -------
    DataFrame
        factor (the last rows are "all together"), error, measure, expected (without error),
        with_error (the mean over errors), lost (how much worse that is, in the goal's direction;
        for a target or a range the mean distance from it), low, high (where 95 % of results fall
        through these errors alone), noticeable (whether they spread, to the worse side, by more
        than is worth noticing), outside_tried (what of the setting was never tried, in words).

    Raises
    ------
    FitError
        When no error is named, for no factor or a kind, or only for what has no setting there.

    References
    ----------
    Box & Jones 1992, J. Appl. Stat. 19:3-26 (designing products that are robust to the
    environment): the fitted surface is averaged over the errors.

    Examples
    --------
    >>> robustness.__name__
    'robustness'
    """
    known = forecasts(findings, measures)
    factors = all_factors([one.findings for one in known])
    looked = region(factors)
    if not wobble_sd(looked, wobble).any():
        raise FitError(
            'wobble names no error; give how far the kitchen errs, such as {"oil": 3, "water": 1}.'
        )
    here = coded(factors, settings)
    given = settings_table(dict(settings), factors)
    errs = {name: value for name, value in wobble.items() if not is_blank(given[name].iloc[0])}
    runs = [(name, f"{value:g}", {name: value}) for name, value in errs.items() if value > 0]
    if not runs:
        raise FitError(f"{in_words(wobble)} has no setting there, so nothing can be a little off.")
    if len(runs) > 1:
        runs.append((ALL_TOGETHER, "", errs))
    rows = [
        {"factor": name, "error": error, "measure": one.measure.name}
        | _suffered(one, looked, here, wobble_sd(looked, own))
        | {"outside_tried": outside_words(one.findings, given)[0]}
        for name, error, own in runs
        for one in known
    ]
    return pd.DataFrame(rows)


def _suffered(one: Forecast, looked: Region, here: np.ndarray, sd: np.ndarray) -> dict[str, Any]:
    loss, margin = _loss(one), one.measure.margin
    expected = float(one.expect(here)[0])
    with_error = float(expected_under_wobble(one.expect, looked.factors, sd)(here)[0])
    results = one.expect(_erring(looked, here, sd))
    # A rule for polynomials does for what should be higher or lower; the corner of a distance
    # from a target needs the errors themselves
    missed = float(loss(results).mean())
    if one.measure.goal in ("higher", "lower"):
        missed = float(loss(np.array([with_error]))[0])
    low, high = np.quantile(results, [(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2])
    worse = np.quantile(loss(results), CONFIDENCE) - float(loss(np.array([expected]))[0])
    edge = margin or SHARE_OF_RANGE * float(np.ptp(one.expect(looked.candidates())))
    return {
        "expected": expected,
        "with_error": with_error,
        "lost": missed - float(loss(np.array([expected]))[0]),
        "low": float(low),
        "high": float(high),
        "noticeable": bool(worse > edge),
    }


def _loss(one: Forecast) -> Callable[[np.ndarray], np.ndarray]:
    """Return how much worse than the best a response is, in its own units."""
    goal = one.measure.goal
    if goal in ("higher", "lower"):
        sign = -1.0 if goal == "higher" else 1.0
        return lambda values: sign * values
    kind, first, second = goal
    low, high = (first, first) if kind == "target" else (first, second)
    return lambda values: np.maximum(low - values, 0) + np.maximum(values - high, 0)


def _erring(looked: Region, here: np.ndarray, sd: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(_SEED)
    X = here + sd * rng.standard_normal((DRAWS, len(sd)))
    parts = [n for n, factor in enumerate(looked.factors) if isinstance(factor, Component)]
    if parts:
        X[:, parts] = np.maximum(X[:, parts], 0)
        X[:, parts] /= X[:, parts].sum(axis=1, keepdims=True)
    return X
