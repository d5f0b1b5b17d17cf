"""Mixed models on plain arrays: which spread belongs to which level, and what is left over.

The model is ``y = X beta + sum of Z_i u_i + e``, ``V = sum of v_i Z_i Z_i' + v_0 I``. Nothing is
ever as large as scores by scores: with ``g_i = v_i / v_0`` and ``H = V / v_0`` the matrix inversion
lemma of Woodbury gives ``Z'H^-1 = (I + Z'Z G)^-1 Z'``, so that all that is needed lives in the
space of the random levels.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.linalg.lapack import dgesv
from scipy.optimize import nnls

from trials.analysis.cross_products import CrossProducts, RandomTerm, checked, cross_products
from trials.errors import FitError

_STEPS = 200
_NO_RESIDUAL = 1e-11  # a part of the spread that rounding alone can leave
_EPS = float(np.finfo(float).eps)


@dataclass(frozen=True, eq=False)
class GroupMatrices:
    """The likelihood's small matrices at given variance ratios, ``H = I + Z G Z'``.

    With ``P = H^-1 - H^-1 Q F^-1 Q'H^-1`` the projected inverse.
    """

    ratios: np.ndarray  # one per term
    zhz: np.ndarray  # Z'H^-1 Z
    zhq: np.ndarray  # Z'H^-1 Q
    qhq: np.ndarray  # F = Q'H^-1 Q
    qhq_inverse: np.ndarray
    zpz: np.ndarray  # Z'P Z
    zpr: np.ndarray  # Z'P r
    coefficients: np.ndarray  # on Q, of r
    rpr: float  # r'P r
    log_det_h: float
    log_det_f: float


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fitted mixed model.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Response.
    X : ndarray, shape (n, p)
        Fixed part.
    terms : tuple of RandomTerm
        Random part.
    beta : ndarray, shape (p,)
        Generalised least squares estimates.
    cov : ndarray, shape (p, p)
        ``(X'V^-1 X)^-1`` at the estimated variances, without any small-sample adjustment.
    variances : ndarray, shape (number of terms + 1,)
        One per term in order, the residual last. ``nan`` where the fixed part leaves nothing to
        estimate it from.
    loglik : float
        Restricted or full log-likelihood, in the units of ``y`` and ``X``.
    method : str
        ``"REML"`` or ``"ML"``.
    converged : bool
        Whether the best start reached a stationary point.
    unidentified : tuple of str
        Terms of which the fixed part uses every level.
    products, matrices : CrossProducts, GroupMatrices
        Small matrices that the small-sample step needs.
    """

    y: np.ndarray
    X: np.ndarray
    terms: tuple[RandomTerm, ...]
    beta: np.ndarray
    cov: np.ndarray
    variances: np.ndarray
    loglik: float
    method: str
    converged: bool
    unidentified: tuple[str, ...]
    products: CrossProducts
    matrices: GroupMatrices

    @property
    def fitted(self) -> np.ndarray:
        """The fixed part, X beta."""
        return self.X @ self.beta

    @property
    def residuals(self) -> np.ndarray:
        """What the fixed part leaves."""
        return self.y - self.fitted

    @property
    def blups(self) -> dict[str, np.ndarray]:
        """Predicted random effects, by term."""
        effects = self.products.scale * self.matrices.ratios[self.products.level_term]
        parts = np.split(effects * self.matrices.zpr, self.products.starts[1:])
        return {term.name: part for term, part in zip(self.terms, parts, strict=False)}

    @property
    def conditional_residuals(self) -> np.ndarray:
        """What the fixed part and the predicted random effects leave."""
        left = self.residuals
        for term in self.terms:
            left = left - term.weights * self.blups[term.name][term.codes]
        return left

    @property
    def at_boundary(self) -> tuple[str, ...]:
        """Names of the terms whose variance is estimated as zero."""
        named = zip(self.terms, self.variances, strict=False)
        return tuple(term.name for term, variance in named if variance == 0)

    @property
    def error_df(self) -> dict[str, int]:
        """Independent comparisons left for error at each level, ``"residual"`` last.

        For a term: how many dimensions its levels add to the fixed part and to all terms that are
        not nested in it. Zero means that the fixed part, or another term, uses every level.
        """
        names = [term.name for term in self.terms]
        left = {}
        for i, name in enumerate(names):
            others = [j for j in range(len(names)) if j != i and not _finer(self.products, j, i)]
            left[name] = _rank(self.products, [*others, i]) - _rank(self.products, others)
        everything = _rank(self.products, list(range(len(names))))
        return left | {"residual": self.products.n - self.products.p - everything}


def fit_mixed(
    y: np.ndarray, X: np.ndarray, terms: Sequence[RandomTerm] = (), *, method: str = "REML"
) -> MixedFit:
    """Fit a linear mixed model with crossed or nested independent random terms.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Response, finite.
    X : ndarray, shape (n, p)
        Fixed part, of full column rank.
    terms : sequence of RandomTerm
        Random part; empty for ordinary least squares.
    method : {"REML", "ML"}
        Restricted or full maximum likelihood.

    Returns
    -------
    MixedFit

    Raises
    ------
    FitError
        If a value is not finite or out of range, columns of ``X`` are collinear, or no spread is
        left to measure an error from.

    References
    ----------
    Patterson & Thompson (1971), Biometrika 58, 545-554 (restricted likelihood).
    Harville (1977), JASA 72, 320-338 (derivatives of the profiled likelihood).

    Examples
    --------
    Two bakes of each of two recipes, each scored by two tasters:

    >>> y = np.array([6.0, 7, 5, 6, 8, 9, 7, 7])
    >>> X = np.column_stack([np.ones(8), np.repeat([-1.0, 1], 4)])
    >>> bake = RandomTerm("bake", np.repeat(np.arange(4), 2))
    >>> taster = RandomTerm("taster", np.tile(np.arange(2), 4))
    >>> fit = fit_mixed(y, X, [bake, taster])
    >>> fit.beta.round(4).tolist(), fit.variances.round(4).tolist()
    ([6.875, 0.875], [0.75, 0.25, 0.125])
    """
    if method not in ("REML", "ML"):
        raise FitError(f'The method is "{method}"; it can be "REML" or "ML".')
    y, X, terms = checked(y, X, tuple(terms))
    products = cross_products(y, X, terms)
    seen = _identified(products)
    reml = method == "REML"
    best, converged = _best_start(products, seen, reml)
    residual = best.rpr / (products.n - products.p if reml else products.n)
    unit = products.scale**2 * residual
    to_beta = products.to_beta
    return MixedFit(
        y=y,
        X=X,
        terms=terms,
        beta=products.beta_ols + products.scale * (to_beta @ best.coefficients),
        cov=unit * (to_beta @ best.qhq_inverse @ to_beta.T),
        variances=unit * np.append(np.where(seen, best.ratios, np.nan), 1.0),
        loglik=_log_likelihood(products, best, unit, reml),
        method=method,
        converged=converged,
        unidentified=tuple(t.name for t, is_seen in zip(terms, seen, strict=True) if not is_seen),
        products=products,
        matrices=best,
    )


def _identified(products: CrossProducts) -> np.ndarray:
    """Return, for each term, whether the fixed part leaves anything of its levels."""
    whole = products.term_sums(np.diag(products.zz)) if len(products.zz) else np.empty(0)
    used = products.term_sums(np.square(products.zq).sum(axis=1)) if len(whole) else whole
    return whole - used > 1e-10 * whole


def _group_matrices(products: CrossProducts, ratios: np.ndarray) -> GroupMatrices:
    q, p = products.zq.shape
    by_level = ratios[products.level_term] if q else np.empty(0)
    solved, log_det_h = np.empty((0, p + 1)), 0.0
    if q:
        right = np.column_stack([products.zz, products.zq, products.zr])
        lu, _, solved, singular = dgesv(np.eye(q) + products.zz * by_level, right)
        if singular:
            raise FitError(_no_residual_message())
        log_det_h = float(np.log(np.abs(np.diag(lu))).sum())
    zhz, zhq, zhr = solved[:, :q], solved[:, q : q + p], solved[:, q + p]
    weighted = by_level[:, None] * products.zq
    qhq = np.eye(p) - weighted.T @ zhq
    try:
        factor = cho_factor((qhq + qhq.T) / 2, lower=True)
    except np.linalg.LinAlgError:
        raise FitError(_no_residual_message()) from None
    inverse = cho_solve(factor, np.eye(p))
    qhr = -weighted.T @ zhr
    coefficients = inverse @ qhr
    rpr = products.rr - float((by_level * products.zr) @ zhr + qhr @ coefficients)
    if rpr <= _NO_RESIDUAL * products.rr:
        raise FitError(_no_residual_message())
    zpz = zhz - zhq @ inverse @ zhq.T
    return GroupMatrices(
        ratios=ratios,
        zhz=(zhz + zhz.T) / 2,
        zhq=zhq,
        qhq=(qhq + qhq.T) / 2,
        qhq_inverse=(inverse + inverse.T) / 2,
        zpz=(zpz + zpz.T) / 2,
        zpr=zhr - zhq @ coefficients,
        coefficients=coefficients,
        rpr=rpr,
        log_det_h=log_det_h,
        log_det_f=float(2 * np.log(np.diag(factor[0])).sum()),
    )


def _no_residual_message() -> str:
    return (
        "The groups give back every value exactly: there is no residual spread. If one measure of "
        "a bake was repeated on every row, give it once per bake and leave that group out."
    )


def _criterion(products: CrossProducts, at: GroupMatrices, reml: bool) -> float:
    """Minus twice the profiled log-likelihood, less its constants."""
    if reml:
        return (products.n - products.p) * np.log(at.rpr) + at.log_det_h + at.log_det_f
    return products.n * np.log(at.rpr) + at.log_det_h


def _log_likelihood(
    products: CrossProducts, at: GroupMatrices, residual: float, reml: bool
) -> float:
    count = products.n - products.p if reml else products.n
    twice = count * (np.log(2 * np.pi * residual) + 1) + at.log_det_h
    return -float(twice + (at.log_det_f + 2 * products.log_det_r if reml else 0.0)) / 2


def _derivatives(
    products: CrossProducts, at: GroupMatrices, seen: np.ndarray, reml: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gradient of the criterion in the ratios seen, their scale, and a root R of the Hessian.

    The Hessian is ``S R'R S`` with S the scale on its diagonal.
    """
    inner, count = (at.zpz, products.n - products.p) if reml else (at.zhz, products.n)
    pairs = np.ix_(seen, seen)
    trace = products.term_sums(np.diag(inner))[seen]
    traces = products.block_sums(np.square(inner))[pairs]
    once = products.term_sums(np.square(at.zpr))[seen] / at.rpr
    twice = products.block_sums(at.zpz * np.outer(at.zpr, at.zpr))[pairs] / at.rpr
    hessian = count * (2 * twice - np.outer(once, once)) - traces
    size = np.sqrt(np.diag(traces))
    values, vectors = np.linalg.eigh(hessian / np.outer(size, size))
    if values[0] < 1e-6:  # too far from the optimum: use what the Hessian is on average
        hessian = traces - np.outer(trace, trace) / count
        values, vectors = np.linalg.eigh(hessian / np.outer(size, size))
        values = np.maximum(values, 1e-8)
    return trace - count * once, size, np.sqrt(values)[:, None] * vectors.T


def _best_start(
    products: CrossProducts, seen: np.ndarray, reml: bool
) -> tuple[GroupMatrices, bool]:
    starts = [np.zeros(len(seen))]
    if seen.any():  # a group adds as much spread as the residual, whatever the unit of a slope
        starts.append(np.where(seen, products.n / products.term_sums(np.diag(products.zz)), 0.0))
    ends = [_descend(products, start, seen, reml) for start in starts]
    values = [round(float(_criterion(products, at, reml)), 8) for at, _ in ends]
    best, converged = ends[int(np.argmin(values))]
    if best.rpr <= 1e-5 * products.rr:
        _refuse_perfect_fit(products, best)
    return best, converged


def _refuse_perfect_fit(products: CrossProducts, at: GroupMatrices) -> None:
    """Refuse a residual of nothing: groups that fit every value, or values equal within groups."""
    everything = list(range(len(products.starts)))
    left = products.n - products.p - _rank(products, everything)
    if left == 0 or at.rpr <= 10 * _NO_RESIDUAL * products.rr:
        raise FitError(_no_residual_message())


def _descend(
    products: CrossProducts, ratios: np.ndarray, seen: np.ndarray, reml: bool
) -> tuple[GroupMatrices, bool]:
    """Newton steps within the bounds: each minimises the quadratic over ratios of zero or more."""
    at = _group_matrices(products, ratios)
    if not seen.any():
        return at, True
    for _ in range(_STEPS):
        gradient, size, root = _derivatives(products, at, seen, reml)
        move = np.zeros_like(ratios)
        move[seen] = _bounded_newton(at.ratios[seen], gradient, size, root)
        gain = -float(gradient @ move[seen])
        if gain < max(1e-10, _noise(products, at)):
            return _last_step(products, at, move, reml), True
        new = _line_search(products, at, move, gain, reml)
        if new is None:
            return at, False
        at = new
    return at, False


def _last_step(
    products: CrossProducts, at: GroupMatrices, move: np.ndarray, reml: bool
) -> GroupMatrices:
    """Take the whole of a move that promises less than rounding shows, if it does no harm."""
    new = _tried(products, at.ratios + move)
    worst = _criterion(products, at, reml) + _noise(products, at)
    return new if new and _criterion(products, new, reml) <= worst else at


def _line_search(
    products: CrossProducts, at: GroupMatrices, move: np.ndarray, gain: float, reml: bool
) -> GroupMatrices | None:
    """Halve the move until the criterion falls by a fair part of what was promised."""
    value = _criterion(products, at, reml) + _noise(products, at)
    for halvings in range(40):
        length = 0.5**halvings
        new = _tried(products, np.maximum(at.ratios + length * move, 0.0))
        if new and _criterion(products, new, reml) <= value - 1e-4 * length * gain:
            return new
    return None


def _tried(products: CrossProducts, ratios: np.ndarray) -> GroupMatrices | None:
    """The matrices at a trial point, or None where rounding leaves nothing of the residual."""
    try:
        return _group_matrices(products, ratios)
    except FitError:
        return None


def _noise(products: CrossProducts, at: GroupMatrices) -> float:
    """What rounding does to the criterion: r'P r is what remains of r'r."""
    return 100 * _EPS * products.n * products.rr / at.rpr


def _bounded_newton(
    here: np.ndarray, gradient: np.ndarray, size: np.ndarray, root: np.ndarray
) -> np.ndarray:
    """Return the move to the ratios of zero or more that minimise the quadratic model."""
    target = root @ (here * size) - np.linalg.solve(root.T, gradient / size)
    return nnls(root, target)[0] / size - here


def _finer(products: CrossProducts, i: int, j: int) -> bool:
    """Whether each level of term i lies within one level of term j, and not the reverse."""
    block = products.zz[np.ix_(products.level_term == i, products.level_term == j)] != 0
    return bool((block.sum(axis=1) <= 1).all() and not (block.sum(axis=0) <= 1).all())


def _rank(products: CrossProducts, which: list[int]) -> int:
    """Dimensions that the levels of these terms add to the fixed part."""
    if not which:
        return 0
    rows = np.isin(products.level_term, which)
    left = products.zz[np.ix_(rows, rows)] - products.zq[rows] @ products.zq[rows].T
    size = np.sqrt(np.maximum(np.diag(products.zz)[rows], 1e-300))
    return int((np.linalg.eigvalsh(left / np.outer(size, size)) > 1e-9).sum())
