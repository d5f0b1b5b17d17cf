"""Failed bakes: which settings make failure likely, and how little few failures say.

Failures are few and often all lie in one corner, where ordinary logistic regression has no finite
answer. Firth's penalty gives one; its intercept is then set right, so that the mean chance is the
share that failed. Under three failures there is no model, only counts. Where several explanations
fit alike, the chance of failing is averaged over them, so that none is picked by its place.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from trials.analysis.failure_counts import as_failed, count_failures
from trials.analysis.failure_terms import Part, gain_p, independent, parts_of, weighed
from trials.analysis.penalised_logistic import maximise_penalised, profile_interval
from trials.analysis.rival_models import Candidate
from trials.errors import FitError
from trials.factors import Factor
from trials.tables import in_words

FEWEST_FAILURES = 3
FAILURES_PER_TERM = 5
MOST_NAMED = 3  # rival explanations in a sentence


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
class Explanation:
    """One explanation of the failures, fitted.

    Parameters
    ----------
    parts : tuple of Part
        What it holds: terms, or two settings together.
    weight : float
        Its share of the average.
    fit : FirthFit
        On its own columns.
    """

    parts: tuple[Part, ...]
    weight: float
    fit: FirthFit

    @property
    def words(self) -> str:
        """What the failures hang on, in words."""
        return in_words(part.words for part in self.parts)

    def columns(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return its own columns from those of the model's terms."""
        own = [
            part.mix[0] + X[list(part.labels)].to_numpy(dtype=float) @ part.mix[1:]
            for part in self.parts
        ]
        names = self.fit.coefficients["column"].iloc[1:].to_list()
        return pd.DataFrame(np.hstack(own), columns=names, index=X.index)

    def line(self) -> tuple[float, pd.Series]:
        """Return the log odds as a constant and a slope for each column of the model's terms."""
        slopes = self.fit.coefficients["estimate"].to_numpy()[1:]
        constant, found, start = self.fit.intercept, [], 0
        for part in self.parts:
            weights = part.mix @ slopes[start : start + part.mix.shape[1]]
            start += part.mix.shape[1]
            constant += float(weights[0])
            found.append(pd.Series(weights[1:], index=list(part.labels)))
        return constant, pd.concat(found).groupby(level=0, sort=False).sum()


@dataclass(frozen=True, eq=False)
class Failures:
    """What the failed bakes say.

    Parameters
    ----------
    counts : DataFrame
        One row per region: region, bakes, failed, share, low, high (exact interval).
    explanations : tuple of Explanation
        Those that fit alike, the likeliest first; empty when there are too few failures, or none.
    allowed : int
        How many terms each could hold.
    notes : tuple of str
        How the terms were chosen and what can not be said.
    """

    counts: pd.DataFrame
    explanations: tuple[Explanation, ...]
    allowed: int
    notes: tuple[str, ...]

    @property
    def fit(self) -> FirthFit | None:
        """The fit of the likeliest explanation; None when nothing was fitted."""
        return self.explanations[0].fit if self.explanations else None

    @property
    def terms(self) -> tuple[str, ...]:
        """The terms that any explanation holds."""
        held = (part.term for one in self.explanations for part in one.parts)
        return tuple(dict.fromkeys(held))

    @property
    def needs(self) -> tuple[str, ...]:
        """The terms whose columns the chance of failing is reckoned from."""
        held = (name for one in self.explanations for part in one.parts for name in part.needs)
        return tuple(dict.fromkeys(held))

    @property
    def words(self) -> str:
        """What the failures hang on, in words, all that fits alike."""
        named = [one.words for one in self.explanations[: MOST_NAMED + 1]]
        more = len(self.explanations) - len(named)
        return in_words(named + ([f"{more} more"] if more else []), "or")

    def chance(self, X: pd.DataFrame) -> np.ndarray:
        """Return the chance of failure at rows of the needed terms' columns, averaged."""
        total = np.zeros(len(X))
        for one in self.explanations:
            constant, slopes = one.line()
            odds = constant + X[slopes.index.to_list()].to_numpy(dtype=float) @ slopes.to_numpy()
            total += one.weight * special.expit(odds)
        return total

    def chances(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return chance, low and high at rows of the needed terms' columns.

        The chance is averaged; the interval runs from the lowest to the highest that any of the
        explanations leaves possible (our choice, on the safe side).
        """
        each = [one.fit.chances(one.columns(X)) for one in self.explanations]
        return pd.DataFrame(
            {
                "chance": self.chance(X),
                "low": np.min([one["low"] for one in each], axis=0),
                "high": np.max([one["high"] for one in each], axis=0),
            },
            index=X.index,
        )


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
            "p": [gain_p(full, y, fit, [at]) for at in range(full.shape[1])],
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
    at least one from three failures on. A term is one or more columns of a factor, or two settings
    together where most failures meet. All explanations that fit alike are kept and averaged (see
    :func:`trials.analysis.failure_terms.weighed`), so the order of the factors decides nothing.

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
    Averages by Akaike weights: Burnham & Anderson 2002, Model Selection and Multimodel Inference.
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
        return Failures(counts, (), 0, (_too_few(y),))
    allowed = max(1, round(fewest / FAILURES_PER_TERM))
    models = weighed(y, parts_of(y, settings, candidates, factors), allowed)
    notes = [
        f"{int(y.sum())} of {len(y)} bakes failed, which can carry {allowed} "
        f"{'term' if allowed == 1 else 'terms'}; the terms were chosen by these same bakes, so "
        "read the intervals as the least that is uncertain."
    ]
    if not models:
        notes.append("No setting parts failed bakes from the others better than chance would.")
    explanations = tuple(
        Explanation(parts, weight, _fitted(y, parts, level)) for parts, weight in models
    )
    if len(explanations) > 1:
        notes.append(_alike_words(explanations))
    return Failures(counts, explanations, allowed, tuple(notes))


def _fitted(y: np.ndarray, parts: Sequence[Part], level: float) -> FirthFit:
    names = [name for part in parts for name in part.own]
    X = pd.DataFrame(np.hstack([part.columns for part in parts]), columns=names)
    return fit_failures(y, X, level=level)


def _alike_words(explanations: Sequence[Explanation]) -> str:
    first, *others = (one.words for one in explanations)
    named = others[:MOST_NAMED]
    more = len(others) - len(named)
    rivals = in_words(named + ([f"{more} more"] if more else []), "or")
    return (
        f"Failing may hang on {first}; it could as well be {rivals}: these fit the bakes alike, so "
        "chances are averaged over them."
    )


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
    if not independent(np.column_stack([np.ones(len(y)), columns])):
        raise FitError(
            f"among {in_words(X.columns)} one never changes or repeats the others; leave it out."
        )
    return y, columns
