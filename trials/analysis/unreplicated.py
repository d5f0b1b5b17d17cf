"""Effects of a plan without repeats: which stand out when no error was measured.

A two-level plan that spends every bake on an effect leaves nothing to judge the effects by, but
most effects of most plans are nearly nothing, so the small ones tell how large chance is.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import stats

from trials.errors import FitError
from trials.tables import in_words

FEWEST_EFFECTS = 3
SIMULATION_SEED = 1989
# Enough plans that a critical value moves by less than about 1 % from one seed to another.
SIMULATED_EFFECTS = 1_500_000
FEWEST_SIMULATED_PLANS = 20_000


@dataclass(frozen=True, eq=False)
class Lenth:
    """What the effects of an unreplicated plan say about themselves.

    Parameters
    ----------
    pse : float
        Pseudo standard error of an effect, in the units of the effects.
    df : float
        Degrees of freedom that go with it: a third of the number of effects.
    alpha : float
        Chance of a false alarm that the margins allow.
    margin, simultaneous_margin : float
        Lenth's margin of error for one effect, and for all effects at once, by Student's t.
    simulated_margin, simulated_simultaneous_margin : float
        The same from the exact behaviour of the method when no effect is real, by simulation;
        Lenth's approximate margin for one effect is known to be too wide.
    table : DataFrame
        One row per effect: term, estimate, t (estimate over pse), p (Student's t), p_simulated
        (one effect), p_simultaneous (the largest of all effects, by simulation), stands_out
        (beyond simulated_margin).
    """

    pse: float
    df: float
    alpha: float
    margin: float
    simultaneous_margin: float
    simulated_margin: float
    simulated_simultaneous_margin: float
    table: pd.DataFrame


def lenth(effects: Mapping[str, float] | pd.Series, *, alpha: float = 0.05) -> Lenth:
    """Judge the effects of a plan without repeats by the smaller ones among them.

    Parameters
    ----------
    effects : Series or mapping
        Term to effect, all with the same standard error (orthogonal two-level plan), in the
        units of the response. Leave the mean and differences between days out.
    alpha : float
        Chance of a false alarm, 0.05 unless said otherwise.

    Returns
    -------
    Lenth

    Raises
    ------
    FitError
        With fewer than three effects, an effect that is not a finite number, or more than half
        of the effects exactly zero.

    References
    ----------
    Lenth 1989, Technometrics 31:469-473. Simulated critical values: Ye & Hamada 2000, J. Qual.
    Technol. 32:57-66.

    Examples
    --------
    Invented effects on the liking of a doughnut, in points:

    >>> found = lenth({"oil": 0.1, "hydration": 1.4, "sugar": -0.2, "oil:hydration": -1.1,
    ...                "oil:sugar": 0.15, "hydration:sugar": 0.05, "rest": -0.1})
    >>> round(found.pse, 3), round(found.margin, 3)
    (0.15, 0.565)
    >>> found.table.loc[found.table.stands_out, "term"].tolist()
    ['hydration', 'oil:hydration']
    """
    if not 0 < alpha < 1:
        raise FitError(f"alpha is {alpha}; expected a chance between 0 and 1, such as 0.05.")
    values = _checked(effects)
    estimates = values.to_numpy()
    # Dividing by the largest first keeps the tiniest and the hugest units safe.
    largest = np.abs(estimates).max()
    relative = _pseudo_standard_error(np.abs(estimates / largest)[None, :])[0] if largest else 0.0
    # Effects that differ from zero by rounding alone are zero.
    if relative <= 16 * np.finfo(float).eps:
        raise FitError(
            "more than half of the effects are exactly zero, so they can not tell how large "
            "chance is. Scores this coarse, or the same for every bake, need repeated bakes."
        )
    pse, number = float(relative * largest), len(values)
    df = number / 3
    single, every = null_ratios(number)
    ratios = estimates / largest / relative
    table = pd.DataFrame(
        {
            "term": values.index.astype(str),
            "estimate": estimates,
            "t": ratios,
            "p": 2 * stats.t.sf(np.abs(ratios), df),
            "p_simulated": _share_beyond(single, np.abs(ratios)),
            "p_simultaneous": _share_beyond(every, np.abs(ratios)),
        }
    )
    simulated = float(np.quantile(single, 1 - alpha))
    table["stands_out"] = np.abs(ratios) > simulated
    each = (1 + (1 - alpha) ** (1 / number)) / 2
    return Lenth(
        pse=pse,
        df=df,
        alpha=alpha,
        margin=float(stats.t.ppf(1 - alpha / 2, df)) * pse,
        simultaneous_margin=float(stats.t.ppf(each, df)) * pse,
        simulated_margin=simulated * pse,
        simulated_simultaneous_margin=float(np.quantile(every, 1 - alpha)) * pse,
        table=table,
    )


def half_normal_scores(effects: Mapping[str, float] | pd.Series) -> pd.DataFrame:
    """Return where each effect stands in a half-normal plot.

    Parameters
    ----------
    effects : Series or mapping
        Term to effect.

    Returns
    -------
    DataFrame
        Smallest effect first: term, estimate, size (without sign), score (the half-normal
        quantile of (rank - 1/2) / number of effects). Effects that are only chance lie on a
        straight line through the origin.

    Raises
    ------
    FitError
        As for :func:`lenth`.

    References
    ----------
    Daniel 1959, Technometrics 1:311-341.

    Examples
    --------
    >>> half_normal_scores({"oil": 0.1, "rest": -0.4, "oil:rest": 0.2}).round(3)
           term  estimate  size  score
    0       oil       0.1   0.1  0.210
    1  oil:rest       0.2   0.2  0.674
    2      rest      -0.4   0.4  1.383
    """
    values = _checked(effects)
    table = pd.DataFrame({"term": values.index.astype(str), "estimate": values.to_numpy()})
    table["size"] = table["estimate"].abs()
    table = table.sort_values("size", kind="stable", ignore_index=True)
    table["score"] = stats.halfnorm.ppf((np.arange(len(table)) + 0.5) / len(table))
    return table


@lru_cache(maxsize=32)
def null_ratios(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Return how far effects lie from zero, in pseudo standard errors, when none is real.

    Parameters
    ----------
    number : int
        How many effects the plan has.

    Returns
    -------
    single, every : ndarray
        Sorted; of one effect, and of the largest effect of a plan.

    Examples
    --------
    >>> single, every = null_ratios(7)
    >>> bool(np.median(single) < np.median(every))
    True
    """
    generator = np.random.default_rng([SIMULATION_SEED, number])
    plans = max(FEWEST_SIMULATED_PLANS, SIMULATED_EFFECTS // number)
    sizes = np.abs(generator.standard_normal((plans, number)))
    ratios = sizes / _pseudo_standard_error(sizes)[:, None]
    single, every = np.sort(ratios, axis=None), np.sort(ratios.max(axis=1))
    single.setflags(write=False)
    every.setflags(write=False)
    return single, every


def _pseudo_standard_error(sizes: np.ndarray) -> np.ndarray:
    """Return 1.5 times the median of the sizes below 2.5 times their first scale, row by row."""
    ordered = np.sort(sizes, axis=1)
    first = 1.5 * np.median(ordered, axis=1)
    kept = np.maximum((ordered < 2.5 * first[:, None]).sum(axis=1), 1)
    rows = np.arange(len(ordered))
    return 0.75 * (ordered[rows, (kept - 1) // 2] + ordered[rows, kept // 2])


def _share_beyond(null: np.ndarray, ratios: np.ndarray) -> np.ndarray:
    """Return Monte Carlo p-values; one is added above and below, so that none is zero."""
    beyond = len(null) - np.searchsorted(null, ratios, side="left")
    return (beyond + 1) / (len(null) + 1)


def _checked(effects: Mapping[str, float] | pd.Series) -> pd.Series:
    values = pd.Series(effects, dtype=float)
    if len(values) < FEWEST_EFFECTS:
        raise FitError(
            f"{len(values)} effects can not tell how large chance is; "
            f"at least {FEWEST_EFFECTS} are needed, and 7 or more is better."
        )
    unusable = values.index[~np.isfinite(values.to_numpy())]
    if len(unusable):
        raise FitError(
            f"the effect of {in_words(unusable)} is not a finite number; "
            "leave it out, or look at the scores that it comes from."
        )
    return values
