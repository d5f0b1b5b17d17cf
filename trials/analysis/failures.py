"""Failed bakes: which settings make failure likely, and how little few failures say.

Failures are few and often all lie in one corner, where ordinary logistic regression has no finite
answer. Firth's penalty gives one; its intercept is then set right, so that the mean chance is the
share that failed. Under three failures there is no model, only counts.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from trials.analysis.failure_counts import as_failed, count_failures
from trials.analysis.penalised_logistic import PenalisedFit, maximise_penalised, profile_interval
from trials.analysis.rival_models import Candidate
from trials.errors import FitError
from trials.factors import Factor
from trials.tables import in_words

FEWEST_FAILURES = 3
FAILURES_PER_TERM = 5
LEAST_GAIN = 0.2


@dataclass(frozen=True, eq=False)
class FirthFit:
    """A penalised logistic model of failure.

    Parameters
    ----------
    coefficients : DataFrame
        column ("" for the intercept), estimate and se (log odds), low and high (profile
        penalised-likelihood interval), p (penalised likelihood ratio).
    intercept : float
        The corrected intercept, for chances.
    log_likelihood : float
        Penalised.
    level : float
        Of the intervals.
    """

    coefficients: pd.DataFrame
    intercept: float
    log_likelihood: float
    level: float
    failed: np.ndarray
    X: np.ndarray

    def chances(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the chance of failure at some settings.

        Parameters
        ----------
        X : DataFrame
            The columns of the fit, one row per setting.

        Returns
        -------
        DataFrame
            chance, low, high. The interval is that of the penalised likelihood, moved by the same
            correction as the chance (our choice: the source corrects the chance only).
        """
        names = self.coefficients["column"].iloc[1:]
        rows = X[names.to_list()].to_numpy(dtype=float)
        slopes = self.coefficients["estimate"].to_numpy()
        moved = self.intercept - slopes[0]
        found = []
        for row in rows:
            # With the settings measured from here, the intercept is the log odds here.
            shifted = np.column_stack([np.ones(len(self.X)), self.X - row])
            fit = maximise_penalised(shifted, self.failed)
            ends = profile_interval(shifted, self.failed, fit, 0, self.level)
            found.append(special.expit(moved + np.array([fit.beta[0], *ends])))
        return pd.DataFrame(found, columns=["chance", "low", "high"], index=X.index)


@dataclass(frozen=True, eq=False)
class Failures:
    """What the failed bakes say.

    Parameters
    ----------
    counts : DataFrame
        One row per region: region, bakes, failed, share, low, high (exact interval).
    fit : FirthFit or None
        None when there are too few failures, or none.
    terms : tuple of str
        The terms that the fit holds.
    allowed : int
        How many it could hold.
    notes : tuple of str
        How the terms were chosen and what can not be said.
    """

    counts: pd.DataFrame
    fit: FirthFit | None
    terms: tuple[str, ...]
    allowed: int
    notes: tuple[str, ...]


def fit_failures(
    failed: Sequence[bool] | np.ndarray, X: pd.DataFrame, *, level: float = 0.95
) -> FirthFit:
    """Fit a penalised logistic model of failure.

    Parameters
    ----------
    failed : sequence of bool, one per bake
        Made or failed; bakes that were never baked are left out.
    X : DataFrame, one row per bake
        Coded columns without an intercept.
    level : float
        Of the intervals.

    Returns
    -------
    FirthFit

    Raises
    ------
    FitError
        When all bakes failed or none, or columns repeat each other.

    References
    ----------
    Firth 1993, Biometrika 80:27-38; Heinze & Schemper 2002, Stat. Med. 21:2409-2419, for
    separated data and profile intervals; Puhr, Heinze, Nold, Lusa & Geroldinger 2017, Stat. Med.
    36:2302-2317, for the corrected intercept.

    Examples
    --------
    Every hot bake failed and no cool one (invented), and the answer is still finite:

    >>> oil = pd.DataFrame({"oil": [-1, -1, -1, -1, 1, 1, 1, 1]})
    >>> found = fit_failures([0, 0, 0, 0, 1, 1, 1, 1], oil)
    >>> found.chances(pd.DataFrame({"oil": [-1, 1]})).round(2)
       chance   low  high
    0     0.1  0.00  0.51
    1     0.9  0.49  1.00
    """
    y, columns = _checked(failed, X)
    full = np.column_stack([np.ones(len(y)), columns])
    fit = maximise_penalised(full, y)
    ends = [profile_interval(full, y, fit, at, level) for at in range(full.shape[1])]
    table = pd.DataFrame(
        {
            "column": ["", *map(str, X.columns)],
            "estimate": fit.beta,
            "se": np.sqrt(np.diag(np.linalg.inv(fit.information))),
            "low": [low for low, _ in ends],
            "high": [high for _, high in ends],
            "p": [_gain_p(full, y, fit, [at]) for at in range(full.shape[1])],
        }
    )
    return FirthFit(
        coefficients=table,
        intercept=_corrected_intercept(y, columns @ fit.beta[1:]),
        log_likelihood=fit.log_likelihood,
        level=level,
        failed=y,
        X=columns,
    )


def explain_failures(
    failed: Sequence[bool] | np.ndarray,
    settings: pd.DataFrame,
    candidates: Sequence[Candidate],
    *,
    factors: Sequence[Factor] = (),
    level: float = 0.95,
) -> Failures:
    """Say where failures live, with a model no larger than the failures can carry.

    One term is allowed per five failures (or per five survivors, if they are fewer), rounded, and
    at least one from three failures on. Terms are added one at a time, each time the one
    that the penalised likelihood gains most from, a pair only after both its factors; it stops
    early when a gain is no more than chance would give in one of five tries.

    Parameters
    ----------
    failed : sequence of bool, one per bake
    settings : DataFrame, one row per bake
        The factors' real settings, for the counts.
    candidates : sequence of Candidate
        The terms that may matter.
    factors : sequence of Factor
        For the units of the settings.
    level : float
        Of the intervals.

    Returns
    -------
    Failures

    References
    ----------
    Five events per term: Vittinghoff & McCulloch 2007, Am. J. Epidemiol. 165:710-718. Exact
    intervals: Clopper & Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> oil = np.array([-1, 1] * 6)
    >>> made = explain_failures([0, 1] + [0] * 10, pd.DataFrame({"oil": 172 + 8 * oil}),
    ...                         [Candidate("oil", oil)])
    >>> made.fit is None, made.notes[0]
    (True, 'Only 1 of 12 bakes failed: too few for a model, so only counts are given.')
    """
    y = as_failed(failed)
    fewest = int(min(y.sum(), len(y) - y.sum()))
    counts = count_failures(failed, settings, factors=factors, level=level)
    if fewest < FEWEST_FAILURES:
        return Failures(counts, None, (), 0, (_too_few(y),))
    allowed = max(1, round(fewest / FAILURES_PER_TERM))
    chosen = _chosen(y, candidates, allowed)
    notes = [
        f"{int(y.sum())} of {len(y)} bakes failed, which can carry {allowed} "
        f"{'term' if allowed == 1 else 'terms'}; the terms were chosen by these same bakes, so "
        "read the intervals as the least that is uncertain."
    ]
    if not chosen:
        notes.append("No setting parts failed bakes from the others better than chance would.")
        return Failures(counts, None, (), allowed, tuple(notes))
    X = pd.DataFrame(
        np.hstack([term.columns for term in chosen]),
        columns=[label for term in chosen for label in term.labels],
    )
    fit = fit_failures(y, X, level=level)
    return Failures(counts, fit, tuple(term.name for term in chosen), allowed, tuple(notes))


def _too_few(y: np.ndarray) -> str:
    failed, bakes = int(y.sum()), len(y)
    if failed == 0:
        return f"None of {bakes} bakes failed; see the counts for how much that rules out."
    if failed == bakes:
        return f"All {bakes} bakes failed, so nothing says which setting would not."
    if failed < FEWEST_FAILURES:
        return (
            f"Only {failed} of {bakes} bakes failed: too few for a model, so only counts are given."
        )
    return f"All but {bakes - failed} of {bakes} bakes failed: too few stood for a model."


def _chosen(y: np.ndarray, candidates: Sequence[Candidate], allowed: int) -> list[Candidate]:
    known = {candidate.name for candidate in candidates}
    chosen: list[Candidate] = []
    X = np.ones((len(y), 1))
    while len(chosen) < allowed:
        held = {term.name for term in chosen}
        gains: list[tuple[float, int, Candidate, np.ndarray]] = []
        for candidate in candidates:
            ready = set(candidate.parents) & known <= held
            wider = np.hstack([X, candidate.columns])
            if candidate.name in held or not ready or not _independent(wider):
                continue
            fit = maximise_penalised(wider, y)
            added = list(range(X.shape[1], wider.shape[1]))
            gains.append((round(_gain_p(wider, y, fit, added), 9), len(gains), candidate, wider))
        if not gains:
            break
        p, _, best, wider = min(gains, key=lambda gain: gain[:2])
        if p > LEAST_GAIN:
            break
        chosen.append(best)
        X = wider
    return chosen


def _gain_p(X: np.ndarray, y: np.ndarray, fit: PenalisedFit, at: list[int]) -> float:
    without = maximise_penalised(X, y, fixed=dict.fromkeys(at, 0.0))
    gain = max(0.0, 2 * (fit.log_likelihood - without.log_likelihood))
    return float(stats.chi2.sf(gain, len(at)))


def _corrected_intercept(y: np.ndarray, offset: np.ndarray) -> float:
    """Return the intercept at which the chances add up to the failures, the slopes held."""
    low, high = -offset.max() - 40.0, -offset.min() + 40.0
    for _ in range(200):
        middle = (low + high) / 2
        if special.expit(middle + offset).sum() < y.sum():
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _independent(X: np.ndarray) -> bool:
    length = np.linalg.norm(X, axis=0)
    if (length == 0).any():
        return False
    return bool(np.linalg.matrix_rank(X / length, tol=1e-8) == X.shape[1])


def _checked(failed: Sequence[bool] | np.ndarray, X: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    y, columns = as_failed(failed), X.to_numpy(dtype=float)
    if len(columns) != len(y):
        raise FitError(f"there are {len(y)} bakes and {len(columns)} rows of settings.")
    if not np.isfinite(columns).all():
        raise FitError("a setting is not a finite number.")
    if y.min() == y.max():
        raise FitError(
            f"{'all' if y[0] else 'none'} of {len(y)} bakes failed, so nothing can be compared; "
            "use the counts."
        )
    if not _independent(np.column_stack([np.ones(len(y)), columns])):
        raise FitError(
            f"among {in_words(X.columns)} one never changes or repeats the others; leave it out."
        )
    return y, columns
