"""How many more bakes would likely settle what is not settled."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import ndtr

from trials.analysis.verdicts import CONFIDENCE, NOT_SETTLED

MOST_TIMES = 20  # beyond twenty times the work done, the answer is "not by baking more"
LEAST_CHANCE = 0.05  # of lying more than half a margin from the limit
LIKELY = 0.5
_VALUES = 200


def units_to_settle(
    estimate: float, se: float, df: float, margin: float | None, units: int
) -> int | None:
    """Return how many more units would likely place an interval on one side of the margin.

    Likely: with a chance of one half or more, over what the effect may be by what is known, old and
    new units taken together. Effects within half a margin of the limit are set aside, as to settle
    those would take more than they are worth.

    Parameters
    ----------
    estimate, se, df : float
        In response units.
    margin : float or None
        The smallest difference worth noticing; None counts as zero.
    units : int
        Bakes, loads or days so far.

    Returns
    -------
    int or None
        None when no reasonable number would do (the effect surely lies near the limit). Exact up
        to as many again as there are, in steps of a few per cent beyond.

    References
    ----------
    Spiegelhalter, Abrams & Myles 2004, Bayesian Approaches to Clinical Trials, ch. 6 (chances
    foretold at an interim look); the zone set aside as in Bechhofer 1954, Ann. Math. Stat. 25:16.

    Examples
    --------
    >>> units_to_settle(2.0, 0.7, 6, 0.7, 8)
    4
    """
    limit = margin or 0.0
    possible = _possible(estimate, se, df, limit)
    if not len(possible):
        return None
    more = _tried(units)
    total = units + more
    quantile = stats.t.ppf((1 + CONFIDENCE) / 2, np.maximum(df + more, 1))
    reach = (quantile * se * np.sqrt(units / total))[:, None]
    mean = (units * estimate + more[:, None] * possible) / total[:, None]
    spread = (se * np.sqrt(units * more) / total)[:, None]
    beyond = ndtr((mean - limit - reach) / spread) + ndtr((-mean - limit - reach) / spread)
    inside = ndtr((limit - reach - mean) / spread) - ndtr((reach - limit - mean) / spread)
    settled = (beyond + np.maximum(inside, 0)).mean(axis=1)
    enough = settled >= LIKELY
    return int(more[np.argmax(enough)]) if enough.any() else None


def _possible(estimate: float, se: float, df: float, limit: float) -> np.ndarray:
    """Return what the effect may be, evenly by chance, near the limit left out; none if all is."""
    if not np.isfinite(se) or se <= 0 or df <= 0:
        return np.empty(0)
    chances = (np.arange(_VALUES) + 0.5) / _VALUES
    values = estimate + se * stats.t.ppf(chances, df)
    counted = values[np.abs(np.abs(values) - limit) >= limit / 2]
    return counted if len(counted) >= LEAST_CHANCE * _VALUES else np.empty(0)


def _tried(units: int) -> np.ndarray:
    """Return the numbers of further units that are looked at, the fewest first."""
    beyond = np.geomspace(units + 1, (MOST_TIMES - 1) * units + 1, 60).round()
    return np.unique(np.concatenate([np.arange(1, units + 1), beyond])).astype(int)


def settling_table(
    effects: pd.DataFrame,
    margin: float | None,
    units: Mapping[str, tuple[str, int]],
    least: int = 1,
) -> pd.DataFrame:
    """Return for every effect not settled what would likely settle it.

    Parameters
    ----------
    effects : DataFrame
        As :class:`trials.analysis.results.Findings` holds them.
    margin : float or None
    units : mapping
        Term -> the unit it is judged on, in words, and how many there are.
    least : int
        The fewest that help at all: where no error was measured, those that measure it.

    Returns
    -------
    DataFrame
        term, level, unit, now, more (missing where no reasonable number would do).
    """
    rows = []
    for effect in effects[effects["verdict"] == NOT_SETTLED].itertuples():
        unit, now = units[effect.term]
        more = units_to_settle(effect.estimate, effect.se, effect.df, margin, now)
        more = more if more is None else max(more, least)
        rows.append((effect.term, effect.level, unit, now, more))
    table = pd.DataFrame(rows, columns=["term", "level", "unit", "now", "more"])
    return table.astype({"more": "Int64"})
