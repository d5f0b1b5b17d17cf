"""Scores as ordered categories.

A cumulative link model with the effects of groups integrated out.
"""

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from trials.base.errors import FitError
from trials.base.words import in_words

# -- The chance of a score in ordered categories, and its derivatives.
#
# A score falls into category j when a hidden value lies between two thresholds. With m the linear
# predictor, P(score <= j) = F(threshold_j - m).


_SMALLEST = 1e-300


@dataclass(frozen=True)
class Link:
    """A distribution of the hidden value: its F, and the first three derivatives of F."""

    name: str
    cumulative: Callable[[np.ndarray], np.ndarray]
    derivatives: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]


def _logit_derivatives(t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    F, rest = special.expit(t), special.expit(-t)
    f = F * rest
    return f, f * (rest - F), f * (1 - 6 * f)


def _probit_derivatives(t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    # Beyond 39 the density is zero in double precision; the products must not become 0 * inf.
    t = np.clip(t, -40, 40)
    f = np.exp(-0.5 * t**2) / np.sqrt(2 * np.pi)
    return f, -t * f, (t**2 - 1) * f


LINKS = {
    "logit": Link("logit", special.expit, _logit_derivatives),
    "probit": Link("probit", special.ndtr, _probit_derivatives),
}


@dataclass(frozen=True, eq=False)
class Scores:
    """Scores in categories with everything that may explain them, as plain arrays.

    Parameters
    ----------
    category : ndarray of int, shape (scores,)
        0 to categories - 1, each of them taken at least once.
    X : ndarray, shape (scores, columns)
        Without an intercept: the thresholds take its place.
    member : tuple of ndarray of int, shape (scores,)
        For each grouping, which of its groups a score belongs to.
    link : Link
    """

    category: np.ndarray
    X: np.ndarray
    member: tuple[np.ndarray, ...]
    link: Link

    @property
    def thresholds(self) -> int:
        """How many thresholds part the categories."""
        return int(self.category.max())


@dataclass(frozen=True, eq=False)
class ScoreDerivatives:
    """Derivatives of each score's log-likelihood by m and by the thresholds above and below it.

    ``slope`` is the first by m and ``weight`` minus the second; a suffix names one more derivative.
    """

    log_likelihood: np.ndarray
    slope: np.ndarray
    weight: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    slope_upper: np.ndarray
    slope_lower: np.ndarray
    weight_m: np.ndarray
    weight_upper: np.ndarray
    weight_lower: np.ndarray


def chance_between(link: Link, upper: np.ndarray, lower: np.ndarray) -> np.ndarray:
    """Return F(upper) - F(lower), never quite zero.

    Examples
    --------
    >>> float(chance_between(LINKS["logit"], np.array([np.inf]), np.array([0.0]))[0])
    0.5
    """
    # In the upper tail the difference is taken from above, where it does not cancel.
    high = lower > 0
    top = np.where(high, -lower, upper)
    bottom = np.where(high, -upper, lower)
    return np.maximum(link.cumulative(top) - link.cumulative(bottom), _SMALLEST)


def score_derivatives(scores: Scores, edges: np.ndarray, m: np.ndarray) -> ScoreDerivatives:
    """Return the derivatives at some thresholds and linear predictors."""
    upper, lower = edges[scores.category + 1] - m, edges[scores.category] - m
    P = chance_between(scores.link, upper, lower)
    f_up, g_up, h_up = (each / P for each in _at(scores.link, upper))
    f_low, g_low, h_low = (each / P for each in _at(scores.link, lower))
    A, B, C = f_up - f_low, g_up - g_low, h_up - h_low
    return ScoreDerivatives(
        log_likelihood=np.log(P),
        slope=-A,
        weight=np.maximum(A**2 - B, 0.0),
        upper=f_up,
        lower=-f_low,
        slope_upper=-(g_up - A * f_up),
        slope_lower=g_low - A * f_low,
        weight_m=2 * A**3 - 3 * A * B + C,
        weight_upper=2 * A * (g_up - A * f_up) - (h_up - B * f_up),
        weight_lower=-2 * A * (g_low - A * f_low) + (h_low - B * f_low),
    )


def _at(link: Link, t: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return the derivatives of F; the outer edges of the scale are infinite and give zeros."""
    finite = np.isfinite(t)
    found = link.derivatives(np.where(finite, t, 0.0))
    return tuple(np.where(finite, each, 0.0) for each in found)


# -- Sums over crossed or nested groups, without ever forming their indicator matrix.
#
# With Z the matrix that says which groups a score belongs to (all groupings side by side), every
# product below takes a number of steps in proportion to the scores.


class Groupings:
    """Which groups each score belongs to.

    Parameters
    ----------
    member : tuple of ndarray of int, shape (scores,)
        One per grouping, groups numbered from 0.
    """

    def __init__(self, member: tuple[np.ndarray, ...]) -> None:
        self.sizes = [int(each.max()) + 1 for each in member]
        ends = np.cumsum([0, *self.sizes])
        self.total = int(ends[-1])
        self.parts = [slice(a, b) for a, b in pairwise(ends)]
        self.at = [first + each for first, each in zip(ends[:-1], member, strict=True)]

    def each(self, values: np.ndarray) -> np.ndarray:
        """Return Z times values of groups, shape (groups,) or (groups, columns)."""
        if not self.at:
            return np.zeros(values.shape[1:])
        return sum(values[at] for at in self.at)

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Return Z' times values of scores, shape (scores,) or (scores, columns)."""
        if values.ndim == 2:
            columns = [self.sums(column) for column in values.T]
            return np.column_stack(columns) if columns else np.zeros((self.total, 0))
        found = np.zeros(self.total)
        for at in self.at:
            found += np.bincount(at, weights=values, minlength=self.total)
        return found

    def cross(self, weights: np.ndarray) -> np.ndarray:
        """Return Z' diag(weights) Z."""
        found = np.zeros((self.total, self.total))
        for one in self.at:
            for other in self.at:
                place = one * self.total + other
                counts = np.bincount(place, weights=weights, minlength=self.total**2)
                found += counts.reshape(self.total, self.total)
        return found

    def diagonals(self, inner: np.ndarray, scale: np.ndarray) -> list[np.ndarray]:
        """Return, per grouping g, the diagonal of Z_g inner diag(scale) Z', one value per score."""
        scaled = inner * scale
        return [sum(scaled[one, other] for other in self.at) for one in self.at]


# -- The likelihood of scores in ordered categories, with the effects of groups integrated out.
#
# The effects of tasters, bakes and loads enter the linear predictor as independent normal values.


_STEPS = 100
_AT_REST = 1e-5  # gradient per score
# A group's effect this large leaves a score no doubt: the spread is on its way to infinity.
_WIDEST_SPREAD = 25.0


@dataclass(frozen=True, eq=False)
class Estimate:
    """Where the likelihood is highest.

    Parameters
    ----------
    thresholds, slopes, spreads : ndarray
        Spreads are the standard deviations of the groupings.
    effects : ndarray
        Most likely effect of every group, groupings one after the other.
    log_likelihood : float
    covariance : ndarray
        Of thresholds and slopes, from the observed information.
    steepest : float
        Largest absolute gradient that is left, per score.
    """

    thresholds: np.ndarray
    slopes: np.ndarray
    spreads: np.ndarray
    effects: np.ndarray
    log_likelihood: float
    covariance: np.ndarray
    steepest: float


class Likelihood:
    """The log-likelihood of some scores and its gradient.

    Parameters of the search are the first threshold, the logarithms of the steps to the next
    ones, the slopes, and the spread of each grouping (its sign does not matter).

    Parameters
    ----------
    scores : Scores
    nodes : int
        1 for the Laplace approximation; more for adaptive quadrature, one grouping only.
    """

    def __init__(self, scores: Scores, nodes: int = 1) -> None:
        self.scores = scores
        self.nodes = nodes
        self.groupings = Groupings(scores.member)
        self.effects = np.zeros(self.groupings.total)

    def split(self, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return thresholds, slopes and spreads."""
        K, p = self.scores.thresholds, self.scores.X.shape[1]
        steps = np.exp(np.clip(parameters[1:K], -50, 50))
        thresholds = parameters[0] + np.concatenate([[0.0], np.cumsum(steps)])
        return thresholds, parameters[K : K + p], parameters[K + p :]

    def value_and_gradient(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        """Return minus the log-likelihood, and its gradient."""
        if self.nodes > 1:
            return self._quadrature(parameters), self._differences(parameters)
        return self._laplace(parameters)

    def _mode(
        self, edges: np.ndarray, fixed: np.ndarray, scale: np.ndarray
    ) -> tuple[np.ndarray, ScoreDerivatives, np.ndarray]:
        """Return the most likely effects, the derivatives there, and the curvature."""
        v, height, groups = self.effects.copy(), -np.inf, self.groupings
        tried, length, step = v, 1.0, np.zeros_like(v)
        for _ in range(_STEPS):
            at = score_derivatives(self.scores, edges, fixed + groups.each(scale * tried))
            new = at.log_likelihood.sum() - 0.5 * tried @ tried
            if new < height - 1e-10 * (1 + abs(height)):
                length /= 2
                tried = v + length * step
                continue
            v, height, length = tried, new, 1.0
            slope = scale * groups.sums(at.slope) - v
            H = np.eye(len(v)) + scale[:, None] * groups.cross(at.weight) * scale
            step = np.linalg.solve(H, slope)
            if slope @ step < 1e-18 * (1 + abs(height)):
                break
            tried = v + step
        self.effects = v
        return v, at, H

    def _laplace(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        scores, K, p = self.scores, self.scores.thresholds, self.scores.X.shape[1]
        thresholds, slopes, spreads = self.split(parameters)
        edges = np.concatenate([[-np.inf], thresholds, [np.inf]])
        groups = self.groupings
        scale = np.repeat(spreads, groups.sizes)
        v, at, H = self._mode(edges, scores.X @ slopes, scale)
        half_log = np.log(np.diag(np.linalg.cholesky(H))).sum()
        value = at.log_likelihood.sum() - 0.5 * v @ v - half_log
        # How m moves with each parameter: the effects held, and with the effects following.
        held = np.column_stack(
            [np.zeros((len(scores.category), K)), scores.X, *(v[at_g] for at_g in groups.at)]
        )
        inverse = np.linalg.inv(H)
        following = inverse @ self._pull(at, scale, held)
        moved = held + groups.each(scale[:, None] * following)
        turned = groups.diagonals(inverse, scale)
        leverage = sum((s * t for s, t in zip(spreads, turned, strict=True)), np.zeros(len(held)))
        weight_change = at.weight_m[:, None] * moved
        weight_change[:, :K] += self._by_threshold(at.weight_upper, at.weight_lower)
        gradient = at.slope @ held - 0.5 * (leverage @ weight_change)
        gradient[:K] += self._by_threshold(at.upper, at.lower).sum(axis=0)
        gradient[K + p :] -= [at.weight @ each for each in turned]
        return -float(value), -self._to_steps(parameters, gradient)

    def _pull(self, at: ScoreDerivatives, scale: np.ndarray, held: np.ndarray) -> np.ndarray:
        """Return how each parameter pulls on the effects (implicit differentiation)."""
        K, p = self.scores.thresholds, self.scores.X.shape[1]
        change = -at.weight[:, None] * held
        change[:, :K] += self._by_threshold(at.slope_upper, at.slope_lower)
        pull = scale[:, None] * self.groupings.sums(change)
        own = self.groupings.sums(at.slope)
        for place, part in enumerate(self.groupings.parts):
            pull[part, K + p + place] += own[part]
        return pull

    def _by_threshold(self, upper: np.ndarray, lower: np.ndarray) -> np.ndarray:
        """Return, for each score, what belongs to each threshold."""
        rows, category = np.arange(len(upper)), self.scores.category
        found = np.zeros((len(upper), self.scores.thresholds + 2))
        found[rows, category + 1] += upper
        found[rows, category] += lower
        return found[:, 1:-1]

    def _to_steps(self, parameters: np.ndarray, gradient: np.ndarray) -> np.ndarray:
        """Turn a gradient by thresholds into one by the first and the logarithms of the steps."""
        K = self.scores.thresholds
        tails = np.cumsum(gradient[:K][::-1])[::-1]
        turned = gradient.copy()
        turned[0] = tails[0]
        turned[1:K] = tails[1:] * np.exp(np.clip(parameters[1:K], -50, 50))
        return turned

    def _quadrature(self, parameters: np.ndarray) -> float:
        scores = self.scores
        thresholds, slopes, spreads = self.split(parameters)
        edges = np.concatenate([[-np.inf], thresholds, [np.inf]])
        fixed, spread = scores.X @ slopes, spreads[0]
        v, _, H = self._mode(edges, fixed, np.full(self.groupings.total, spread))
        scale = 1 / np.sqrt(np.diag(H))
        nodes, weights = np.polynomial.hermite.hermgauss(self.nodes)
        terms = np.empty((self.nodes, len(v)))
        member = scores.member[0]
        for place, (node, weight) in enumerate(zip(nodes, weights, strict=True)):
            at = v + np.sqrt(2) * scale * node
            m = fixed + spread * at[member]
            upper, lower = edges[scores.category + 1] - m, edges[scores.category] - m
            each = np.log(chance_between(scores.link, upper, lower))
            sums = np.bincount(member, weights=each, minlength=len(v))
            terms[place] = np.log(weight) + node**2 + sums - 0.5 * at**2
        value = special.logsumexp(terms, axis=0) + np.log(scale / np.sqrt(np.pi))
        return -float(value.sum())

    def _differences(self, parameters: np.ndarray) -> np.ndarray:
        gradient = np.empty(len(parameters))
        for place in range(len(parameters)):
            step = np.zeros(len(parameters))
            step[place] = 1e-5 * max(1.0, abs(parameters[place]))
            ahead, behind = self._quadrature(parameters + step), self._quadrature(parameters - step)
            gradient[place] = (ahead - behind) / (2 * step[place])
        return gradient


def maximise(
    scores: Scores, nodes: int = 1, start: np.ndarray | None = None, *, height_only: bool = False
) -> Estimate:
    """Find the parameters that make the scores most likely.

    References
    ----------
    McCullagh 1980, J. R. Stat. Soc. B 42:109-142. Laplace approximation and adaptive quadrature:
    Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12-35.
    """
    laplace = Likelihood(scores)
    parameters = _first_guess(scores) if start is None else start
    found = optimize.minimize(
        laplace.value_and_gradient, parameters, jac=True, method="BFGS", options={"gtol": 1e-4}
    )
    parameters, free = _rest_at_zero(laplace, found.x)
    H = np.full((free.sum(), free.sum()), np.nan)
    if not height_only:
        parameters, H = _newton(laplace, parameters, free)
    likelihood = laplace
    if nodes > 1:
        # Quadrature moves the summit a little; the curvature of the approximation leads there.
        likelihood = Likelihood(scores, nodes)
        parameters = _approach(likelihood, parameters, free, H)
        H = _information(likelihood, parameters, free)
    value, gradient = likelihood.value_and_gradient(parameters)
    steepest = float(np.abs(gradient[free]).max() / len(scores.category))
    thresholds, slopes, spreads = likelihood.split(parameters)
    number = len(thresholds) + len(slopes)
    turn = np.eye(len(parameters))
    for place in range(1, len(thresholds)):
        turn[place : len(thresholds), place] = np.exp(parameters[place])
    turn[: len(thresholds), 0] = 1.0
    covariance = np.zeros((len(parameters), len(parameters)))
    covariance[np.ix_(free, free)] = H if height_only else np.linalg.pinv(H, hermitian=True)
    covariance = (turn @ covariance @ turn.T)[:number, :number]
    effects = likelihood.effects * np.repeat(spreads, likelihood.groupings.sizes)
    endless = np.abs(spreads).max(initial=0) > _WIDEST_SPREAD
    if not np.isfinite(value) or (not height_only and (endless or steepest > _AT_REST)):
        raise FitError(
            "the fit of the scores as categories did not come to rest: groups or settings part "
            "the categories nearly without overlap. Use fewer terms, or read the fit of the "
            "scores as numbers."
        )
    return Estimate(thresholds, slopes, np.abs(spreads), effects, -value, covariance, steepest)


def _first_guess(scores: Scores) -> np.ndarray:
    counts = np.bincount(scores.category)
    shares = np.cumsum(counts)[:-1] / counts.sum()
    quantile = special.logit(shares) if scores.link.name == "logit" else special.ndtri(shares)
    slopes, spreads = np.zeros(scores.X.shape[1]), np.ones(len(scores.member))
    return np.concatenate([quantile[:1], np.log(np.diff(quantile)), slopes, spreads])


def _rest_at_zero(likelihood: Likelihood, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the parameters with needless spreads at zero, and which are free to move.

    The likelihood is even in a spread, so a spread of zero is a point of rest; it is taken when
    the likelihood is no lower there.
    """
    free = np.ones(len(parameters), dtype=bool)
    value = likelihood.value_and_gradient(parameters)[0]
    for place in range(len(parameters) - len(likelihood.groupings.sizes), len(parameters)):
        tried = parameters.copy()
        tried[place] = 0.0
        zero = likelihood.value_and_gradient(tried)[0]
        if abs(parameters[place]) < 0.05 and zero <= value + 1e-7 * (1 + abs(value)):
            parameters, value, free[place] = tried, zero, False
    return parameters, free


def _newton(
    likelihood: Likelihood, parameters: np.ndarray, free: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the parameters after Newton steps, and the observed information there."""
    value, gradient = likelihood.value_and_gradient(parameters)
    H = _information(likelihood, parameters, free)
    for _ in range(10):
        try:
            step = np.linalg.solve(H, gradient[free])
        except np.linalg.LinAlgError:
            break
        if abs(gradient[free] @ step) < 1e-18 * (1 + abs(value)):
            break
        tried = parameters.copy()
        tried[free] -= step
        new, new_gradient = likelihood.value_and_gradient(tried)
        if not new <= value + 1e-10 * (1 + abs(value)):
            break
        parameters, value, gradient = tried, new, new_gradient
        H = _information(likelihood, parameters, free)
    return parameters, H


def _approach(
    likelihood: Likelihood, parameters: np.ndarray, free: np.ndarray, H: np.ndarray
) -> np.ndarray:
    for _ in range(_STEPS):
        gradient = likelihood.value_and_gradient(parameters)[1]
        step = np.linalg.lstsq(H, gradient[free], rcond=None)[0]
        parameters = parameters.copy()
        parameters[free] -= step
        if abs(gradient[free] @ step) < 1e-13 * len(likelihood.scores.category):
            break
    return parameters


def _information(likelihood: Likelihood, parameters: np.ndarray, free: np.ndarray) -> np.ndarray:
    places = np.flatnonzero(free)
    H = np.empty((len(places), len(places)))
    width = 1e-4 if likelihood.nodes == 1 else 1e-3
    for row, place in enumerate(places):
        step = np.zeros(len(parameters))
        step[place] = width * max(1.0, abs(parameters[place]))
        ahead = likelihood.value_and_gradient(parameters + step)[1]
        behind = likelihood.value_and_gradient(parameters - step)[1]
        H[row] = ((ahead - behind) / (2 * step[place]))[places]
    return (H + H.T) / 2


# -- Scores as ordered categories: a 9-point scale has words, not centimetres.
#
# The steps of the scale are estimated instead of being taken as equal. Tasters, bakes and loads
# enter as in the fit of scores as numbers, each with its own spread: without the bake, every
# tasting would count as a bake.


@dataclass(frozen=True, eq=False)
class OrdinalFit:
    """A cumulative link model, fitted.

    Parameters
    ----------
    slopes : DataFrame
        column, estimate, se; on the hidden scale (log odds for the logit link), higher is more
        liked. Judge a term by :func:`likelihood_ratio`, not by estimate over se.
    thresholds : DataFrame
        between (such as "6|7"), estimate, se.
    spreads : Series
        Standard deviation of each grouping on the hidden scale.
    effects : dict of Series
        For each grouping, the most likely effect of each of its groups.
    log_likelihood : float
    categories : tuple
        The scores that were given, in order.
    link : str
    quadrature : int
        Nodes of adaptive quadrature; 1 is the Laplace approximation.
    notes : tuple of str
        What was done with categories that nobody used.
    """

    slopes: pd.DataFrame
    thresholds: pd.DataFrame
    spreads: pd.Series
    effects: dict[str, pd.Series]
    log_likelihood: float
    categories: tuple[Hashable, ...]
    link: str
    quadrature: int
    notes: tuple[str, ...]

    def chances(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the chance of each category for a middling taster and bake."""
        names = self.slopes["column"].to_list()
        m = X[names].to_numpy(dtype=float) @ self.slopes["estimate"].to_numpy()
        edges = self.thresholds["estimate"].to_numpy()[None, :] - m[:, None]
        below = LINKS[self.link].cumulative(edges)
        shares = np.diff(below, axis=1, prepend=0.0, append=1.0)
        return pd.DataFrame(shares, index=X.index, columns=list(self.categories))


@dataclass(frozen=True, eq=False)
class OrdinalTest:
    """A model with some columns against the same model without them.

    Parameters
    ----------
    columns : tuple of str
        The columns in question.
    statistic, df, p : float
        Twice the gain in log-likelihood; its degrees of freedom; chance by chi-square.
    p_bootstrap : float or None
        Chance by the parametric bootstrap: scores drawn from the model without the columns.
    bootstraps : int
        How many sets of scores were drawn.
    """

    columns: tuple[str, ...]
    statistic: float
    df: int
    p: float
    p_bootstrap: float | None
    bootstraps: int


def fit_ordinal(
    scores: Sequence[Hashable] | pd.Series,
    X: pd.DataFrame,
    groups: Mapping[str, Sequence[Hashable] | pd.Series] | None = None,
    *,
    scale: Sequence[Hashable] | None = None,
    link: str = "logit",
    quadrature: int = 1,
) -> OrdinalFit:
    """Fit scores as ordered categories.

    References
    ----------
    McCullagh 1980, J. R. Stat. Soc. B 42:109-142; Tutz & Hennevogl 1996, Comput. Stat. Data Anal.
    22:537-557, for random effects. Separation: Albert & Anderson 1984, Biometrika 71:1-10.
    """
    data, categories, notes, levels = _prepare(scores, X, groups, scale, link)
    names = [str(column) for column in X.columns]
    if quadrature > 1 and len(data.member) != 1:
        raise FitError(
            f"quadrature works with one grouping, and there are {len(data.member)}; leave it at 1."
        )
    parting = separating_columns(data)
    if len(parting):
        raise FitError(
            f"the scores at one end of {in_words(names[at] for at in parting)} never overlap "
            "those at the other, so the steps of the scale can not be measured there. "
            "Read the fit of the scores as numbers, or leave the column out here."
        )
    estimate = maximise(data, quadrature)
    return _record(estimate, names, categories, notes, levels, link, quadrature)


def likelihood_ratio(
    scores: Sequence[Hashable] | pd.Series,
    X: pd.DataFrame,
    columns: Sequence[str],
    groups: Mapping[str, Sequence[Hashable] | pd.Series] | None = None,
    *,
    scale: Sequence[Hashable] | None = None,
    link: str = "logit",
    bootstraps: int = 0,
    seed: int = 0,
) -> OrdinalTest:
    """Test whether some columns help to explain scores as categories.

    References
    ----------
    Wilks 1938, Ann. Math. Stat. 9:60-62; Davison & Hinkley 1997, Bootstrap Methods and their
    Application, ch. 4, for the parametric bootstrap.

    Examples
    --------
    >>> butter = pd.DataFrame({"butter": [-1, 1] * 4})
    >>> found = likelihood_ratio([6, 7, 5, 7, 7, 8, 6, 7], butter, ["butter"])
    >>> found.df, bool(found.p < 0.05)
    (1, True)
    """
    absent = [column for column in columns if column not in X.columns]
    if absent or not len(columns):
        raise FitError(
            f"there is no column {in_words(absent)} to test; the columns are {in_words(X.columns)}."
        )
    data, *_ = _prepare(scores, X, groups, scale, link)
    kept = ~X.columns.isin(columns)
    statistic, null = _gain(data, kept)
    chance, drawn = None, 0
    if bootstraps > 0:
        generator = np.random.default_rng(seed)
        beyond = 0
        for _ in range(bootstraps):
            beyond += _gain(_simulated(data, null, kept, generator), kept)[0] >= statistic - 1e-9
        chance, drawn = (beyond + 1) / (bootstraps + 1), bootstraps
    df = int((~kept).sum())
    p = float(stats.chi2.sf(statistic, df))
    return OrdinalTest(tuple(columns), statistic, df, p, chance, drawn)


def separating_columns(data: Scores) -> np.ndarray:
    """Return which columns take part in a direction along which the likelihood never falls.

    References
    ----------
    Albert & Anderson 1984, Biometrika 71:1-10; found by linear programming as in Konis 2007
    (thesis, Oxford).
    """
    p, K = data.X.shape[1], data.thresholds
    width = np.ptp(data.X, axis=0)
    X = data.X / np.where(width > 0, width, 1)
    top = np.hstack([_edge(data.category, K), -X])[data.category < K]
    low = np.hstack([-_edge(data.category - 1, K), X])[data.category > 0]
    rows = np.unique(np.vstack([top, low]), axis=0)
    # Each row is a gap that must not close; the sum of the gaps opens only when they are parted.
    found = optimize.linprog(
        -rows.sum(axis=0), A_ub=-rows, b_ub=np.zeros(len(rows)), bounds=[(-1, 1)] * (K + p)
    )
    # Any open gap has a size of the order of 1 because the bounds are 1.
    if not found.success or -found.fun < 1e-6:
        return np.array([], dtype=int)
    return np.flatnonzero(np.abs(found.x[K:]) > 1e-6)


def _edge(place: np.ndarray, thresholds: int) -> np.ndarray:
    held = np.zeros((len(place), thresholds))
    inside = (place >= 0) & (place < thresholds)
    held[np.flatnonzero(inside), place[inside]] = 1.0
    return held


def _gain(data: Scores, kept: np.ndarray) -> tuple[float, Estimate]:
    """Return twice the gain in log-likelihood over the model with the kept columns only."""
    narrow = Scores(data.category, data.X[:, kept], data.member, data.link)
    null = maximise(narrow, height_only=True)
    # A spread of zero is a point of rest, so the wider model starts a little off it.
    spread = np.where(null.spreads > 0, null.spreads, 0.1)
    slopes = np.zeros(len(kept))
    slopes[kept] = null.slopes
    steps = np.log(np.diff(null.thresholds))
    start = np.concatenate([null.thresholds[:1], steps, slopes, spread])
    full = maximise(data, start=start, height_only=True)
    return max(0.0, 2 * (full.log_likelihood - null.log_likelihood)), null


def _simulated(
    data: Scores, null: Estimate, kept: np.ndarray, generator: np.random.Generator
) -> Scores:
    """Draw scores from a fitted model; categories that nobody drew close up."""
    m = data.X[:, kept] @ null.slopes
    for member, spread in zip(data.member, null.spreads, strict=True):
        m = m + spread * generator.standard_normal(int(member.max()) + 1)[member]
    while True:
        below = data.link.cumulative(null.thresholds[None, :] - m[:, None])
        drawn = (generator.random(len(m))[:, None] > below).sum(axis=1)
        _, category = np.unique(drawn, return_inverse=True)
        if category.max() > 0:
            return Scores(category, data.X, data.member, data.link)


def _prepare(
    scores: Sequence[Hashable] | pd.Series,
    X: pd.DataFrame,
    groups: Mapping[str, Sequence[Hashable] | pd.Series] | None,
    scale: Sequence[Hashable] | None,
    link: str,
) -> tuple[Scores, tuple[Hashable, ...], tuple[str, ...], dict[str, pd.Index]]:
    if link not in LINKS:
        raise FitError(f'there is no link "{link}"; expected {in_words(LINKS, "or")}.')
    values = pd.Series(scores).reset_index(drop=True)
    if values.isna().any():
        raise FitError("a score is missing; leave tastings without a score out.")
    order = list(scale) if scale is not None else sorted(values.unique().tolist())
    off = [value for value in values.unique() if value not in order]
    if off:
        raise FitError(f"{in_words(off)} is not on the scale {in_words(order)}.")
    category_of = {value: at for at, value in enumerate(order)}
    used, category = np.unique(values.map(category_of).to_numpy(), return_inverse=True)
    if len(used) < 2:
        raise FitError(f"every score is {order[used[0]]}; there is nothing to explain.")
    empty = [value for at, value in enumerate(order) if at not in set(used.tolist())]
    note = (f"Nobody gave {in_words(empty, 'or')}; merged with the next score that was given.",)
    columns = _checked_columns(X, len(values))
    members, levels = [], {}
    for name, labels in (groups or {}).items():
        codes, index = pd.factorize(pd.Series(labels).reset_index(drop=True), sort=True)
        if len(codes) != len(values) or (codes < 0).any():
            raise FitError(f'"{name}" must name a group for each of the {len(values)} scores.')
        if len(index) < 2:
            raise FitError(f'"{name}" has only one group, so its spread can not be measured.')
        members.append(codes)
        levels[name] = index
    data = Scores(category, columns, tuple(members), LINKS[link])
    return data, tuple(order[at] for at in used), note if empty else (), levels


def _checked_columns(X: pd.DataFrame, number: int) -> np.ndarray:
    columns = X.to_numpy(dtype=float)
    if len(columns) != number:
        raise FitError(f"there are {number} scores and {len(columns)} rows of settings.")
    if not np.isfinite(columns).all():
        raise FitError("a setting is not a finite number.")
    centred = columns - columns.mean(axis=0)
    length = np.linalg.norm(centred, axis=0)
    still = length <= 1e-12 * np.abs(columns).max(axis=0, initial=0)
    if still.any():
        raise FitError(f"nothing changes in {in_words(X.columns[still])}; leave it out.")
    _, R = np.linalg.qr(centred / length)
    repeated = np.abs(np.diag(R)) < 1e-9
    if repeated.any() or columns.shape[1] >= number:
        named = in_words(X.columns[repeated]) or "too many columns"
        raise FitError(f"{named}: can not be told apart from the columns before; leave out.")
    return columns


def _record(
    estimate: Estimate,
    names: list[str],
    categories: tuple[Hashable, ...],
    notes: tuple[str, ...],
    levels: dict[str, pd.Index],
    link: str,
    quadrature: int,
) -> OrdinalFit:
    se = np.sqrt(np.maximum(np.diag(estimate.covariance), 0))
    K = len(estimate.thresholds)
    between = [f"{low}|{high}" for low, high in pairwise(categories)]
    effects, first = {}, 0
    for name, index in levels.items():
        effects[name] = pd.Series(estimate.effects[first : first + len(index)], index=index)
        first += len(index)
    return OrdinalFit(
        slopes=pd.DataFrame({"column": names, "estimate": estimate.slopes, "se": se[K:]}),
        thresholds=pd.DataFrame(
            {"between": between, "estimate": estimate.thresholds, "se": se[:K]}
        ),
        spreads=pd.Series(estimate.spreads, index=list(levels)),
        effects=effects,
        log_likelihood=estimate.log_likelihood,
        categories=categories,
        link=link,
        quadrature=quadrature,
        notes=notes,
    )
