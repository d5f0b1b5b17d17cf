"""Plans that measure no error: which effects stand out, and fits without noise."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.mixed import RandomTerm
from trials.analysis.small_sample import FTest
from trials.base.errors import FitError
from trials.base.words import in_words

# -- Effects of a plan without repeats: which stand out when no error was measured.
#
# A two-level plan that spends every bake on an effect leaves nothing to judge the effects by, but
# most effects of most plans are nearly nothing, so the small ones tell how large chance is.


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

    References
    ----------
    Lenth 1989, Technometrics 31:469-473. Simulated critical values: Ye & Hamada 2000, J. Qual.
    Technol. 32:57-66.
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


# -- Fits that measure no error: scores without noise, and plans that spend every bake.


_EXACT = 1e-9  # of the spread of the scores: below this, what is left over is rounding
_DIGITS_LOST = 1e-13  # of the size of the scores: what least squares loses of a coefficient
_NAN = float("nan")


@dataclass(frozen=True, eq=False)
class KnownErrorFit:
    """Coefficients with an error that came from elsewhere, or with none.

    Parameters
    ----------
    beta : ndarray, shape (p,)
    cov : ndarray, shape (p, p)
        Zero where the scores follow the model exactly, NaN where no error was measured.
    df : float
        Degrees of freedom of the error.
    rounding : float
        What is no larger, in units of the response, came of rounding and is nothing.

    Examples
    --------
    >>> KnownErrorFit(np.array([5.0, 1.0]), np.eye(2) * 0.04, 5).estimate(np.array([0, 2.0]))
    (2.0, 0.4, 5)
    """

    beta: np.ndarray
    cov: np.ndarray
    df: float
    rounding: float = 0.0

    def __repr__(self) -> str:
        return f"fit: {len(self.beta)} coefficients, an error of {self.df:g} degrees of freedom"

    def estimate(self, weights: np.ndarray) -> tuple[float, float, float]:
        """Return the estimate, its standard error and the degrees of freedom."""
        used = np.flatnonzero(weights)
        own = weights[used]
        variance = float(own @ self.cov[np.ix_(used, used)] @ own)
        se = float(np.sqrt(variance)) if variance >= 0 else _NAN
        value = float(self._settled(weights @ self.beta))
        return value, se, self.df if np.isfinite(se) else 0.0

    def test(self, contrasts: np.ndarray) -> FTest:
        """Return the F test that all the sums of coefficients are zero."""
        rows = np.atleast_2d(contrasts)
        used = np.flatnonzero(np.abs(rows).sum(axis=0))
        cov = rows[:, used] @ self.cov[np.ix_(used, used)] @ rows[:, used].T
        values = self._settled(rows @ self.beta)
        if not np.isfinite(cov).all():
            return FTest(float(len(rows)), 0.0, _NAN, _NAN, 1.0)
        if not cov.any():
            F = float("inf") if values.any() else _NAN
            return FTest(float(len(rows)), self.df, F, 0.0 if values.any() else _NAN, 1.0)
        F = float(values @ np.linalg.solve(cov, values)) / len(rows)
        return FTest(float(len(rows)), self.df, F, float(stats.f.sf(F, len(rows), self.df)), 1.0)

    def _settled(self, values: np.ndarray) -> np.ndarray:
        return np.where(np.abs(values) <= self.rounding, 0.0, values)


def exact_fit(y: np.ndarray, X: np.ndarray, groups: Sequence[RandomTerm]) -> KnownErrorFit | None:
    """Return the fit of scores that follow the model exactly; None when they do not.

    Examples
    --------
    >>> X = np.array([[1.0, -1], [1, 1], [1, -1], [1, 1]])
    >>> exact_fit(np.array([4.0, 6, 4, 6]), X, ()).beta.round(6).tolist()
    [5.0, 1.0]
    >>> exact_fit(np.array([4.0, 6, 4, 7]), X, ()) is None
    True
    """
    spread = np.abs(y - y.mean()).max()
    tried: list[np.ndarray] = [np.empty((len(y), 0))]
    tried += [_centred(group.codes) for group in groups]
    for block in tried:
        whole = np.hstack([X, block])
        if np.linalg.matrix_rank(whole) < whole.shape[1] or whole.shape[1] >= len(y):
            continue
        beta = np.linalg.lstsq(whole, y, rcond=None)[0]
        left = y - whole @ beta
        if np.abs(left).max() <= _EXACT * spread:
            p = X.shape[1]
            df = float(len(y) - whole.shape[1])
            rounding = max(_EXACT * spread, _DIGITS_LOST * np.abs(y).max())
            return KnownErrorFit(beta[:p], np.zeros((p, p)), df, rounding)
    return None


def _centred(codes: np.ndarray) -> np.ndarray:
    """Return columns for the levels of a group that sum to zero over the levels."""
    count = int(codes.max()) + 1
    return np.vstack([np.eye(count - 1), -np.ones(count - 1)])[codes]


def unit_means(
    y: np.ndarray, unit: np.ndarray, crossed: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean score of each unit, corrected for who happened to taste it.

    References
    ----------
    Searle 1971, Linear Models, ch. 7 (two-way least squares means).

    Examples
    --------
    >>> unit_means(np.array([5.0, 7, 6, 8]), np.array([0, 0, 1, 1]), [np.array([0, 1, 0, 1])])[0]
    array([6., 7.])
    """
    first = np.unique(unit, return_index=True)[1]
    count = len(first)
    blocks = [np.eye(count)[unit], *(_centred(codes) for codes in crossed)]
    solution = np.linalg.lstsq(np.hstack(blocks), y, rcond=None)[0]
    return solution[:count], first


def is_orthogonal(X: np.ndarray) -> bool:
    """Say whether all columns are orthogonal and of one length, as in a two-level plan.

    Examples
    --------
    >>> is_orthogonal(np.array([[1, -1], [1, 1.0]])), is_orthogonal(np.array([[1, 0], [1, 1.0]]))
    (True, False)
    """
    gram = X.T @ X
    return bool(np.allclose(gram, np.eye(len(gram)) * gram[0, 0], atol=1e-9 * gram[0, 0]))
