"""How sure a mixed model is of its fixed effects when bakes are few."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular, svd
from scipy.special import chdtrc, chdtri, fdtrc, ndtr, ndtri, stdtrit
from scipy.stats import qmc

from trials.analysis.mixed import MixedFit
from trials.base.errors import FitError

# -- What the data say of the variances of a mixed model, and what the fixed effects owe to them.
#
# ``V = sum of v_i G_i`` with ``G_i = Z_i Z_i'`` and ``G_0 = I``. Whatever involves ``G_0`` follows
# from ``I = H - sum of g_i G_i`` (``H = V / v_0``, ``g_i = v_i / v_0``): with the matrices of the
# random levels at hand nothing of the size of the scores is formed.


_NO_INFORMATION = 1e-9  # smallest eigenvalue of the information, each variance on its own scale


def _with_residual(
    inner: np.ndarray, edge: np.ndarray, total: np.ndarray, ratios: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Complete sums over pairs of G_i by those with G_0 = I = H - sum of g_i G_i.

    ``total`` is the sum with H in place of both, ``edge`` those with H and G_j, ``inner`` those
    with G_i and G_j. Returned are the sums with H and each of G_1 .. G_k, G_0, and of all pairs.
    """
    k = len(ratios)
    last = np.asarray(total - np.tensordot(ratios, edge, 1))
    row = edge - np.tensordot(ratios, inner, 1)
    column = edge - np.tensordot(ratios, inner, axes=(0, 1))
    pairs = np.empty((k + 1, k + 1, *last.shape))
    pairs[:k, :k], pairs[k, :k], pairs[:k, k] = inner, row, column
    pairs[k, k] = last - np.tensordot(ratios, row, 1)
    return np.concatenate([edge, last[None]]), pairs


def _trace_pairs(fit: MixedFit, matrix: np.ndarray, total: float) -> np.ndarray:
    """tr(A G_i A G_j) for A = P or H^-1, from Z'AZ and tr(AH)."""
    if not fit.terms:
        return np.array([[total]])
    inner = fit.products.block_sums(np.square(matrix))
    edge = fit.products.term_sums(np.diag(matrix))
    return _with_residual(inner, edge, np.asarray(total), fit.matrices.ratios)[1]


def products_with_x(fit: MixedFit) -> tuple[np.ndarray, np.ndarray]:
    """X'H^-1 G_i H^-1 X and X'H^-1 G_i H^-1 G_j H^-1 X, for X on its orthonormal basis."""
    at, products = fit.matrices, fit.products
    k, p = len(fit.terms), products.p
    levels = np.split(np.arange(len(products.level_term)), products.starts[1:]) if k else []
    edge, inner = np.empty((k, p, p)), np.empty((k, k, p, p))
    for i, rows in enumerate(levels):
        edge[i] = at.zhq[rows].T @ at.zhq[rows]
        for j, columns in enumerate(levels):
            inner[i, j] = at.zhq[rows].T @ at.zhz[np.ix_(rows, columns)] @ at.zhq[columns]
    return _with_residual(inner, edge, at.qhq, at.ratios)


def variance_information(fit: MixedFit, method: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Root of each variance's information were all else known, covariance, empty directions."""
    products, at = fit.products, fit.matrices
    unit = np.sqrt(np.diag(_trace_pairs(fit, at.zhz, float(products.n))))
    scale = np.outer(unit, unit)
    expected = _trace_pairs(fit, at.zpz, float(products.n - products.p)) / scale
    if method == "satterthwaite" and fit.terms and np.all(fit.variances > 0):
        observed = _observed_information(fit, expected * scale) / scale
        if np.linalg.eigvalsh(observed)[0] > _NO_INFORMATION:
            expected = observed
    values, vectors = np.linalg.eigh((expected + expected.T) / 2)
    seen = values > _NO_INFORMATION
    covariance = (2 * vectors[:, seen] / values[seen]) @ vectors[:, seen].T
    return unit, covariance, vectors[:, ~seen]


def _observed_information(fit: MixedFit, traces: np.ndarray) -> np.ndarray:
    """2 y'P G_i P G_j P y - tr(P G_i P G_j), with P of V."""
    products, at = fit.products, fit.matrices
    residual = at.rpr / (products.n - products.p)
    inner = products.block_sums(at.zpz * np.outer(at.zpr, at.zpr)) / residual
    edge = products.term_sums(np.square(at.zpr)) / residual
    total = np.asarray(float(products.n - products.p))
    return 2 * _with_residual(inner, edge, total, at.ratios)[1] - traces


def whitened(plain: np.ndarray, derivatives: np.ndarray) -> np.ndarray:
    """Return the derivatives of the contrasts' covariance in the metric of that covariance."""
    lower = cholesky((plain + plain.T) / 2, lower=True)
    inverse = solve_triangular(lower, np.eye(len(lower)), lower=True)
    return inverse @ derivatives @ inverse.T


# -- How sure a mixed model is of its fixed effects when bakes are few.
#
# Kenward and Roger (1997) widen the covariance by what estimating the variances costs, and find
# the degrees of freedom that match the mean and variance of the F statistic. As ``V`` is linear in
# the variances no second derivative enters. A variance estimated as zero keeps its place in the
# information, so its bakes stay bakes.


_METHODS = ("kenward-roger", "satterthwaite", "none")
_LEANS_ON = 1e-6  # share of a contrast's derivative that may lie where there is no information


@dataclass(frozen=True)
class FTest:
    """An F test of one or more contrasts.

    Parameters
    ----------
    num_df, den_df : float
        Degrees of freedom. ``den_df`` is 0 where nothing is left to measure the error from (``F``
        and ``p`` are then ``nan``) and infinite under method ``"none"``.
    F, p : float
        Scaled statistic and its tail probability.
    scale : float
        Kenward and Roger's lambda, already in ``F``; 1 under the other methods.
    """

    num_df: float
    den_df: float
    F: float
    p: float
    scale: float


@dataclass(frozen=True, eq=False)
class SmallSample:
    """The fixed effects of a fit with small-sample covariance and degrees of freedom.

    The last three arrays refer to coefficients on an orthonormal basis of ``X`` and to a residual
    variance of 1.

    Parameters
    ----------
    fit : MixedFit
        The fit.
    method : str
        ``"kenward-roger"``, ``"satterthwaite"`` or ``"none"``.
    cov : ndarray, shape (p, p)
        Covariance of ``fit.beta``; adjusted under Kenward-Roger.
    variance_unit : ndarray, shape (k + 1,)
        Standard error of each variance over the square root of 2, were all else known.
    variance_cov : ndarray, shape (k + 1, k + 1)
        Asymptotic covariance of the estimated variances in those units; a generalised inverse of
        the information where some variances cannot be told apart.
    no_information : ndarray, shape (k + 1, m)
        Directions among the variances, in those units, of which the data say nothing; mostly m = 0.
    derivatives : ndarray, shape (k + 1, p, p)
        Derivative of the unadjusted covariance by each variance in those units.
    plain_cov, adjusted_cov : ndarray, shape (p, p)
        Covariance before and after the adjustment.
    """

    fit: MixedFit
    method: str
    cov: np.ndarray
    variance_unit: np.ndarray
    variance_cov: np.ndarray
    no_information: np.ndarray
    derivatives: np.ndarray
    plain_cov: np.ndarray
    adjusted_cov: np.ndarray

    def __repr__(self) -> str:
        return f"{self.fit!r}, {self.method}"

    @property
    def beta(self) -> np.ndarray:
        """The estimates, one per column of the fixed part."""
        return self.fit.beta

    def estimate(self, contrast: Sequence[float] | np.ndarray) -> tuple[float, float, float]:
        """Return the estimate, standard error and degrees of freedom of one contrast."""
        row = _contrasts(contrast, self.fit.products.p)
        if len(row) != 1:
            raise FitError("One contrast is expected here; use estimates for several.")
        value, se, df = self.estimates(row)
        return float(value[0]), float(se[0]), float(df[0])

    def estimates(self, contrasts: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return estimates, standard errors and degrees of freedom, one per row of contrasts."""
        rows = _contrasts(contrasts, self.fit.products.p)
        m = rows @ self.fit.products.to_beta
        value = rows @ self.fit.beta
        variance = np.einsum("ij,jk,ik->i", m, self.adjusted_cov, m)
        unit = _unit(self.fit)
        if self.method == "none":
            return value, unit * np.sqrt(variance), np.full(len(rows), np.inf)
        plain = np.einsum("ij,jk,ik->i", m, self.plain_cov, m)
        df, known = self._matched_df(plain, self._slopes(m))
        return value, np.where(known, unit * np.sqrt(variance), np.nan), df

    def variance_weights(self, contrasts: np.ndarray) -> np.ndarray:
        """Give how much each variance adds to a contrast's variance, per unit of that variance."""
        rows = _contrasts(contrasts, self.fit.products.p)
        return self._slopes(rows @ self.fit.products.to_beta).T / self.variance_unit

    def test(self, contrasts: np.ndarray) -> FTest:
        """Test that all contrasts are zero together."""
        rows = _contrasts(contrasts, self.fit.products.p)
        mixing, basis = _row_space(rows @ self.fit.products.to_beta)
        q = float(len(basis))
        value = mixing @ (rows @ self.fit.beta) / _unit(self.fit)
        wald = float(value @ np.linalg.solve(basis @ self.adjusted_cov @ basis.T, value))
        if self.method == "none":
            return FTest(q, np.inf, wald / q, float(chdtrc(q, wald)), 1.0)
        plain = basis @ self.plain_cov @ basis.T
        shares = whitened(plain, basis @ self.derivatives @ basis.T)
        entries = shares.reshape(len(shares), -1)
        if self._lean(entries).max() > _LEANS_ON**2 * np.square(entries).sum(axis=0).max():
            return FTest(q, 0.0, np.nan, np.nan, np.nan)
        df, scale = self._directions(basis, plain), 1.0
        if self.method == "kenward-roger":
            df, scale = _kenward_roger_df(shares, self.variance_cov, df)
        statistic = scale * wald / q
        return FTest(q, df, statistic, float(fdtrc(q, df, statistic)), scale)

    def _slopes(self, m: np.ndarray) -> np.ndarray:
        return np.einsum("ij,rjk,ik->ri", m, self.derivatives, m)

    def _lean(self, slopes: np.ndarray) -> np.ndarray:
        """Squared part of each column that lies where there is no information."""
        return np.square(self.no_information.T @ slopes).sum(axis=0)

    def _matched_df(
        self, variance: np.ndarray, slopes: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Satterthwaite's df, 2 v^2 / var(v), and whether the data tell v at all."""
        known = self._lean(slopes) <= _LEANS_ON**2 * np.square(slopes).sum(axis=0)
        spread = np.einsum("ri,rs,si->i", slopes, self.variance_cov, slopes)
        return np.where(known, 2 * np.square(variance) / spread, 0.0), known

    def _directions(self, basis: np.ndarray, plain: np.ndarray) -> float:
        """Fai and Cornelius' df: the independent directions' F statistics averaged."""
        variance, directions = np.linalg.eigh(plain)
        df, _ = self._matched_df(variance, self._slopes(directions.T @ basis))
        if np.ptp(df) <= 1e-8 * df.max():
            return float(df.mean())
        if df.min() <= 2:
            return float(df.min())
        mean = float((df / (df - 2)).sum())
        return 2 * mean / (mean - len(df))


def small_sample(fit: MixedFit, *, method: str = "kenward-roger") -> SmallSample:
    """Return small-sample inference for the fixed effects of a fit.

    References
    ----------
    Kenward & Roger (1997), Biometrics 53, 983-997 (adjusted covariance, lambda and df).
    Satterthwaite (1946), Biometrics Bulletin 2, 110-114; Giesbrecht & Burns (1985), Biometrics 41,
    477-486; Fai & Cornelius (1996), J. Stat. Comput. Simul. 54, 363-378 (several contrasts).
    """
    if method not in _METHODS:
        raise FitError(f'The method is "{method}"; it can be {", ".join(_METHODS)}.')
    if method != "none" and fit.method != "REML":
        raise FitError(f"{method.title()} needs a fit by REML; this one is by {fit.method}.")
    plain = fit.matrices.qhq_inverse
    unit, variance_cov, no_information = variance_information(fit, method)
    first, second = products_with_x(fit)
    adjusted = plain
    if method == "kenward-roger":
        weights = variance_cov / np.outer(unit, unit)
        pairs = first[:, None] @ plain @ first[None, :]
        cost = np.tensordot(weights, second - pairs, axes=2)
        adjusted = plain + plain @ (cost + cost.T) @ plain
    to_beta = fit.products.to_beta
    return SmallSample(
        fit=fit,
        method=method,
        cov=_unit(fit) ** 2 * (to_beta @ adjusted @ to_beta.T),
        variance_unit=1 / unit,
        variance_cov=variance_cov,
        no_information=no_information,
        derivatives=plain @ first @ plain / unit[:, None, None],
        plain_cov=plain,
        adjusted_cov=adjusted,
    )


def predict_mean(
    fit: MixedFit, small: SmallSample, x_new: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the mean at new settings, all random effects at their average."""
    return _of(fit, small).estimates(x_new)


def predict_new(
    fit: MixedFit, small: SmallSample, x_new: np.ndarray, sources: Sequence[str]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a prediction for something new: a bake, or a new taster's score of it."""
    names = [*(term.name for term in fit.terms), "residual"]
    for source in sources:
        if source not in names:
            raise FitError(f'"{source}" is no spread of this model; it has {", ".join(names)}.')
    fresh = np.array([name in sources for name in names], float)
    value, se, df = _of(fit, small).estimates(x_new)
    ratios = np.append(np.where(np.isnan(fit.variances[:-1]), np.nan, fit.matrices.ratios), 1.0)
    added = float(ratios[fresh > 0].sum())
    unit = _unit(fit)
    total = np.square(se / unit) + added
    if small.method == "none":
        return value, unit * np.sqrt(total), df
    m = _contrasts(x_new, fit.products.p) @ fit.products.to_beta
    slopes = small._slopes(m) + (fresh * small.variance_unit)[:, None]
    plain = np.einsum("ij,jk,ik->i", m, small.plain_cov, m) + added
    df, known = small._matched_df(plain, slopes)
    return value, np.where(known, unit * np.sqrt(total), np.nan), df


_DRAWS = 512  # of the variances, spread evenly over what they may be
_DRAWN_FROM = 1997  # seed of those draws: the same data give the same interval


def reach_of_new(
    fit: MixedFit, small: SmallSample, x_new: np.ndarray, sources: Sequence[str], level: float
) -> np.ndarray:
    """Return half the width of the interval that holds something new with a given chance.

    A spread between bakes that is told by few bakes may well be larger than its estimate, and the
    more so where it is the difference of two mean squares. Neither Satterthwaite's degrees of
    freedom for the sum (far too wide) nor those of the mean (too narrow) follow that; drawing the
    variances does. From the scores outwards each estimate is freed of what it shares with those
    inside it, which leaves independent mean squares, each with its chi-square distribution.

    References
    ----------
    Weerahandi 1993, J. Am. Stat. Assoc. 88:899 (generalized intervals: the variances drawn from
    their mean squares); Patterson & Thompson 1971 for the information on each variance.
    """
    if not fit.terms:
        _, se, df = predict_new(fit, small, x_new, sources)
        return np.asarray(stdtrit(df, (1 + level) / 2) * se)
    names = [*(term.name for term in fit.terms), "residual"]
    fresh = np.array([name in sources for name in names], float)
    drawn = _variances_drawn(fit, small)
    _, _, df = _of(fit, small).estimates(x_new)
    means = np.maximum(small.variance_weights(x_new) @ drawn, 0)
    spread = np.sqrt(means + fresh @ drawn)
    return np.where(df > 0, _holding(spread, level), np.nan)


_STEPS = 60  # at most; a handful is enough
_AT_ONCE = 64  # settings, so that their draws stay in the processor's own memory
_SOME = 8  # every so many of the draws, for a start
# A step leaves about the square of itself: after one of 1e-5 a ten-thousand-millionth
_NEARLY, _SETTLED = 1e-2, 1e-5


def _holding(spread: np.ndarray, level: float) -> np.ndarray:
    """Return the half width that holds a normal of any of some spreads with a chance on average.

    The chance is concave in the width, so Newton's steps close in from below.
    """
    parts = np.array_split(spread, max(1, -(-len(spread) // _AT_ONCE)))
    # Draws that stand for all, from small to large spreads
    some = np.argsort(spread.mean(axis=0))[_SOME // 2 :: _SOME]
    return np.concatenate([_held(part, level, some) for part in parts])


def _held(spread: np.ndarray, level: float, some: np.ndarray) -> np.ndarray:
    turned = 1 / np.maximum(spread, np.finfo(float).tiny)
    reach = float(ndtri((1 + level) / 2)) * np.sqrt(np.square(spread).mean(axis=1))
    # A few of the draws bring it near; all of them then need two steps or so
    return _stepped(turned, _stepped(turned[:, some], reach, level, _NEARLY), level, _SETTLED)


def _stepped(turned: np.ndarray, reach: np.ndarray, level: float, close: float) -> np.ndarray:
    for _ in range(_STEPS):
        scaled = reach[:, None] * turned
        short = level - (2 * ndtr(scaled).mean(axis=1) - 1)
        steep = (np.exp(-0.5 * np.square(scaled)) * turned).mean(axis=1) * np.sqrt(2 / np.pi)
        step = np.divide(short, steep, out=np.zeros_like(short), where=steep > 0)
        reach = np.maximum(reach + step, reach / 2)
        if np.abs(step).max(initial=0) <= close * reach.max(initial=0):
            break
    return reach


def _variances_drawn(fit: MixedFit, small: SmallSample) -> np.ndarray:
    """Return draws of every variance, shape (k + 1, draws), the one of the scores last."""
    estimates = np.nan_to_num(np.asarray(fit.variances, float))
    unit = small.variance_unit * fit.variances[-1]
    count = len(estimates)
    inside_first = [count - 1, *sorted(range(count - 1), key=lambda n: -fit.terms[n].levels)]
    cov = (small.variance_cov * np.outer(unit, unit))[np.ix_(inside_first, inside_first)]
    mixing, spread = _one_by_one(cov)
    squares = np.maximum(np.linalg.solve(mixing, estimates[inside_first]), 0)
    even = qmc.LatinHypercube(count, seed=_DRAWN_FROM).random(_DRAWS).T
    for place, (square, variance) in enumerate(zip(squares, spread, strict=True)):
        df = 2 * square**2 / variance if variance > 0 else np.inf
        even[place] = square * df / chdtri(df, even[place]) if 0 < df < 1e9 else square
    drawn = np.empty_like(even)
    drawn[inside_first] = np.maximum(mixing @ even, 0)
    return drawn


def _one_by_one(cov: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return M and d with cov = M diag(d) M', M having ones on its diagonal and none above it."""
    left, count = cov.copy(), len(cov)
    mixing, spread = np.eye(count), np.zeros(count)
    for n in range(count):
        # Where the data say nothing of a variance, nothing is freed of it
        if left[n, n] <= 1e-12 * max(cov[n, n], 1e-300):
            continue
        spread[n] = left[n, n]
        mixing[n:, n] = left[n:, n] / left[n, n]
        left = left - spread[n] * np.outer(mixing[:, n], mixing[:, n])
    return mixing, spread


def _of(fit: MixedFit, small: SmallSample) -> SmallSample:
    if small.fit is not fit:
        raise FitError("The small-sample inference belongs to another fit.")
    return small


def _unit(fit: MixedFit) -> float:
    """The residual standard deviation: what one unit of the standardised problem is worth."""
    return float(np.sqrt(fit.variances[-1]))


def _contrasts(contrasts: Sequence[float] | np.ndarray, p: int) -> np.ndarray:
    rows = np.atleast_2d(np.asarray(contrasts, float))
    if rows.ndim != 2 or rows.shape[1] != p or not np.isfinite(rows).all():
        raise FitError(f"A contrast must give one finite weight for each of {p} fixed effects.")
    return rows


def _row_space(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return orthonormal rows that span the same space, and how the rows mix into them."""
    size = np.linalg.norm(rows, axis=1, keepdims=True)
    if not size.any():
        raise FitError("The contrasts are zero throughout; there is nothing to test.")
    weights = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0)
    left, values, right = svd(rows * weights, full_matrices=False)
    kept = values > 1e-10 * values[0]
    return (left[:, kept] / values[kept]).T * weights.T, right[kept]


def _kenward_roger_df(
    shares: np.ndarray, variance_cov: np.ndarray, directions_df: float
) -> tuple[float, float]:
    """Return Kenward and Roger's m and lambda (their section 3, in the later names A1, A2, B, g).

    The moments do not exist where the error has about two degrees of freedom or fewer and the
    contrasts lean on several variances; those of the directions, unscaled, then stand in.
    """
    q = shares.shape[1]
    traces = np.trace(shares, axis1=1, axis2=2)
    a1 = float(traces @ variance_cov @ traces)
    a2 = float(np.einsum("rab,rs,sba->", shares, variance_cov, shares))
    if q == 1:
        return 2 / a2, 1.0
    b = (a1 + 6 * a2) / (2 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    weight = 3 * q + 2 * (1 - g)
    v0 = 1 + g / weight * b
    v1 = 1 - (q - g) / weight * b
    v2 = 1 - (q + 2 - g) / weight * b
    lost = 1 - a2 / q
    ratio = 1.0 if max(abs(lost), abs(v1)) < 1e-8 else lost / v1 if v1 else np.inf
    moment = ratio**2 * v0  # q rho = moment / v2
    df = 4 + (q + 2) * v2 / (moment - v2) if moment != v2 else np.inf
    scale = 1.0 if abs(df - 2) < 1e-2 else df * lost / (df - 2)
    if not (np.isfinite(df) and df > 0 and scale > 0):
        return directions_df, 1.0
    return float(df), float(scale)
