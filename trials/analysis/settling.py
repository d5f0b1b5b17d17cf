"""Whether one more such round would likely settle what is not settled, in one set of words.

`fit`, the page and `next` take them from here, so that they never say two things of one round.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import ndtr

from trials.base.words import in_words
from trials.core.verdicts import CONFIDENCE, NOT_SETTLED, POWERED, UPPER

LEAST_CHANCE = 0.05  # of lying more than half a margin from the limit
_VALUES = 200


def chance_settled(
    estimate: float, se: float, df: float, margin: float | None, units: int, more: int
) -> float | None:
    """Return the chance that more units place an interval on one side of the margin.

    The chance is over what the effect may be by what is known, old and new units taken together.
    None where nothing but effects within half a margin of the limit are possible: it is too close
    to call, and to settle it would take more than it is worth.

    References
    ----------
    Spiegelhalter, Abrams & Myles 2004, Bayesian Approaches to Clinical Trials, ch. 6 (chances
    foretold at an interim look); the zone set aside as in Bechhofer 1954, Ann. Math. Stat. 25:16.

    Examples
    --------
    >>> round(chance_settled(2.0, 0.7, 6, 0.7, 8, 8), 1)
    0.7
    """
    limit = margin or 0.0
    if not np.isfinite(se) or se <= 0 or df <= 0:
        return None
    chances = (np.arange(_VALUES) + 0.5) / _VALUES
    possible = estimate + se * stats.t.ppf(chances, df)
    apart = np.abs(np.abs(possible) - limit) >= limit / 2
    if apart.mean() < LEAST_CHANCE:
        return None
    total = units + more
    reach = stats.t.ppf((1 + CONFIDENCE) / 2, max(df + more, 1)) * se * np.sqrt(units / total)
    mean = (units * estimate + more * possible) / total
    spread = se * np.sqrt(units * more) / total
    beyond = ndtr((mean - limit - reach) / spread) + ndtr((-mean - limit - reach) / spread)
    inside = ndtr((limit - reach - mean) / spread) - ndtr((reach - limit - mean) / spread)
    return float((beyond + np.maximum(inside, 0)).mean())


def settling_table(
    effects: pd.DataFrame,
    margin: float | None,
    units: Mapping[str, tuple[str, int]],
    rounds: int = 1,
) -> pd.DataFrame:
    """Return for every effect not settled the chance that one more such round settles it.

    Parameters
    ----------
    effects : DataFrame
        As they are spoken of.
    margin : float or None
    units : mapping
        Term -> the unit it is judged on, in words, and how many there are of it so far.
    rounds : int
        Those were made in; one more is of their usual size.

    Returns
    -------
    DataFrame
        term, level, unit, now, chance (missing where it is too close to call), shows (the
        difference that what is known of so many units shows four times in five), hidden (whether
        all that is possible lies below that).
    """
    rows = []
    for effect in effects[effects["verdict"] == NOT_SETTLED].itertuples():
        unit, now = units[effect.term]
        more = max(1, round(now / max(rounds, 1)))
        chance = chance_settled(effect.estimate, effect.se, effect.df, margin, now, more)
        shows = float(shown(effect.se, effect.df))
        hidden = max(abs(effect.low), abs(effect.high)) < shows
        rows.append((effect.term, effect.level, unit, now, chance, shows, hidden))
    names = ["term", "level", "unit", "now", "chance", "shows", "hidden"]
    return pd.DataFrame(rows, columns=names).astype({"chance": float, "hidden": bool})


def shown(se: pd.Series | float, df: pd.Series | float) -> pd.Series | float:
    """Return the difference that is seen four times in five where it is judged by such an error.

    References
    ----------
    Usual two-quantile approximation of power, as in Cochran & Cox 1957, section 2.2.
    """
    return (stats.t.ppf(UPPER, df) + stats.t.ppf(POWERED, df)) * se


# -- The words.


SUCH_ROUND = "one more such round settles"


def too_small_for_the_kitchen(chance: float, hidden: bool) -> bool:
    """Say whether an effect can hardly be settled here, all that it may be lying below what shows.

    Examples
    --------
    >>> too_small_for_the_kitchen(0.01, True), too_small_for_the_kitchen(0.01, False)
    (True, False)
    """
    return bool(hidden) and round(10 * chance) < 1


def small_words(shows: float, unit: str) -> str:
    """Return that an effect is too small to be seen here, and what can be seen.

    Examples
    --------
    >>> small_words(2.44, " points")
    'too small to show in your kitchen: so many bakes show 2.4 points or more'
    """
    return f"too small to show in your kitchen: so many bakes show {shows:.1f}{unit} or more"


def of_ten(chance: float) -> str:
    """Return a chance as a count of cases.

    Examples
    --------
    >>> of_ten(0.42), of_ten(0.01)
    ('4 of 10 cases', 'fewer than 1 of 10 cases')
    """
    count = round(10 * chance)
    if count < 1:
        return "fewer than 1 of 10 cases"
    return f"{count} of 10 cases" if count < 10 else "nearly all cases"


def settling_words(to_settle: pd.DataFrame, unit: str, names: Mapping[tuple[str, str], str]) -> str:
    """Return what one more such round would settle, without a stop; empty where nothing is open.

    Parameters
    ----------
    to_settle : DataFrame
        As :func:`settling_table` returns it.
    unit : str
        Of the measure, with a space before it.
    names : mapping
        (term, level) -> what it is called; only these are spoken of.

    Examples
    --------
    >>> table = pd.DataFrame({"term": ["fat", "salt", "rest"], "level": "more",
    ...     "chance": [0.42, 0.02, np.nan], "shows": 2.5, "hidden": [False, True, False]})
    >>> settling_words(table, " points", {(one, "more"): one for one in table["term"]})
    'one more such round settles fat in 4 of 10 cases; rest is too close to call; what salt ...
    """
    cases: dict[str, list[str]] = {}
    close: list[str] = []
    small: dict[str, list[str]] = {}
    for row in to_settle.sort_values("chance", ascending=False, kind="stable").itertuples():
        name = names.get((row.term, row.level))
        if name is None or not np.isfinite(row.shows):
            continue
        if pd.isna(row.chance):
            close.append(name)
        elif too_small_for_the_kitchen(row.chance, row.hidden):
            small.setdefault(small_words(row.shows, unit), []).append(name)
        else:
            cases.setdefault(of_ten(row.chance), []).append(name)
    said = []
    if cases:
        told = [f"{in_words(own)} in {count}" for count, own in cases.items()]
        said.append(f"{SUCH_ROUND} {', '.join(told)}")
    if close:
        said.append(f"{in_words(close)} {_are(close)} too close to call")
    said += [
        f"what {in_words(own)} {'does' if len(own) == 1 else 'do'} is {told}"
        for told, own in small.items()
    ]
    return "; ".join(said)


def _are(names: list[str]) -> str:
    return "is" if len(names) == 1 else "are"
