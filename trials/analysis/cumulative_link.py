"""The likelihood of scores in ordered categories, with the effects of groups integrated out.

The effects of tasters, bakes and loads enter the linear predictor as independent normal values.
"""

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from trials.analysis.groupings import Groupings
from trials.analysis.links import ScoreDerivatives, Scores, chance_between, score_derivatives
from trials.errors import FitError

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

    Parameters
    ----------
    scores : Scores
    nodes : int
        1 for the Laplace approximation, more for adaptive Gauss-Hermite quadrature.
    start : ndarray, optional
        Parameters to start from, as :class:`Likelihood` takes them.
    height_only : bool
        When only the height of the likelihood is wanted, which may be reached at infinity: no
        covariance, and the last digits of the estimates are not chased.

    Returns
    -------
    Estimate

    Raises
    ------
    FitError
        When the search does not come to rest.

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
