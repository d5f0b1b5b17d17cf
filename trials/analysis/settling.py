"""How many more bakes would likely settle what is not settled."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.results import CONFIDENCE, NOT_SETTLED

MOST_TIMES = 20  # beyond twenty times the work done, the answer is "not by baking more"
LEAST_CHANCE = 0.05  # of lying more than half a margin from the limit
_POSSIBLE = 400


def units_to_settle(
    estimate: float, se: float, df: float, margin: float | None, units: int
) -> int | None:
    """Return how many more units would likely place an interval on one side of the margin.

    How far the effect lies from the limit is not known but within what the bakes leave possible.
    Effects within half a margin of the limit are set aside, as to settle those would take more than
    they are worth; of the rest the middle distance counts, while the error shrinks with
    the square root of the number of units.

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
        None when no reasonable number would do (the effect surely lies near the limit).

    References
    ----------
    Sample-size iteration with Student's t, as in Cochran & Cox 1957, section 2.2; the zone set
    aside as in Bechhofer 1954, Ann. Math. Stat. 25:16-39.

    Examples
    --------
    >>> units_to_settle(1.0, 0.3, 6, 0.7, 8)
    5
    """
    distance = _middle_distance(estimate, se, df, margin or 0.0)
    if distance <= 0:
        return None
    totals = np.arange(units + 1, MOST_TIMES * units + 1)
    quantile = stats.t.ppf((1 + CONFIDENCE) / 2, np.maximum(df + totals - units, 1))
    enough = quantile * se * np.sqrt(units / totals) < distance
    return int(totals[np.argmax(enough)] - units) if enough.any() else None


def _middle_distance(estimate: float, se: float, df: float, limit: float) -> float:
    """Return the middle of the distances from the limit that are possible; 0 for none to count."""
    if not np.isfinite(se) or se <= 0 or df <= 0:
        return 0.0
    chances = (np.arange(_POSSIBLE) + 0.5) / _POSSIBLE
    possible = np.abs(np.abs(estimate + se * stats.t.ppf(chances, df)) - limit)
    counted = possible[possible >= limit / 2]
    return float(np.median(counted)) if len(counted) >= LEAST_CHANCE * _POSSIBLE else 0.0


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
