"""Mixed models on plain arrays: which spread belongs to which level, and what is left over."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve, qr, solve_triangular
from scipy.linalg.lapack import dgesv
from scipy.optimize import nnls

from trials.base.errors import FitError

# -- The rows of a mixed model, summed up once: what its likelihood needs of them.
#
# The response is centred on its least squares fit and scaled, and the columns of ``X`` are made
# orthonormal, before any sum is taken: units and large offsets cost no digits. What remains has
# the size of the random levels, however many scores there are.


_EPS = float(np.finfo(float).eps)
_EXTREME = 1e150  # squares of anything beyond leave the range of a double
_EXTREME_SLOPE = 1e60  # fourth powers of the slope variable enter


class NothingLeftError(FitError):
    """The groups give back every value: there is no residual to measure an error from."""


@dataclass(frozen=True, eq=False)
class RandomTerm:
    """One random term: a random intercept per level, or a random slope per level.

    Parameters
    ----------
    name : str
        What the levels are: ``"bake"``, ``"taster"``, ``"day"``.
    codes : ndarray of int, shape (n,)
        The level of each row, 0, 1, 2 ...
    slope : ndarray, shape (n,), optional
        The variable whose slope differs by level (independent of the intercepts); left out, a
        random intercept.

    Examples
    --------
    >>> RandomTerm("taster", np.array([0, 1, 2, 0, 1, 2])).levels
    3
    """

    name: str
    codes: np.ndarray
    slope: np.ndarray | None = None

    @property
    def levels(self) -> int:
        """How many levels there are."""
        return int(np.max(self.codes)) + 1

    @property
    def weights(self) -> np.ndarray:
        """The entry of each row in its level's column of Z."""
        return np.ones(len(self.codes)) if self.slope is None else np.asarray(self.slope, float)

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Return Z'values for values of shape (n, m)."""
        width = values.shape[1]
        cells = np.asarray(self.codes)[:, None] * width + np.arange(width)
        weighted = values if self.slope is None else values * self.weights[:, None]
        total = np.bincount(cells.ravel(), weighted.ravel(), minlength=self.levels * width)
        return total.reshape(self.levels, width)


@dataclass(frozen=True, eq=False)
class CrossProducts:
    """The standardised problem: all that the likelihood needs of the rows.

    ``X = Q R`` with orthonormal ``Q``; ``y = X beta_ols + scale * r`` with ``r'r = n - p``.
    """

    n: int
    p: int
    scale: float
    beta_ols: np.ndarray
    to_beta: np.ndarray  # R^-1: coefficients on Q to coefficients on X
    log_det_r: float
    starts: np.ndarray  # first column of each term in Z
    level_term: np.ndarray  # the term of each column of Z
    zz: np.ndarray
    zq: np.ndarray
    zr: np.ndarray
    rr: float

    def block_sums(self, square: np.ndarray) -> np.ndarray:
        """Return the sums of a (q, q) matrix over each pair of terms."""
        return np.add.reduceat(np.add.reduceat(square, self.starts, 0), self.starts, 1)

    def term_sums(self, levels: np.ndarray) -> np.ndarray:
        """Return the sums of a (q,) vector over each term."""
        return np.add.reduceat(levels, self.starts)


def dependent_columns(X: np.ndarray) -> list[int]:
    """Return the columns that repeat what the columns before them already say.

    Examples
    --------
    >>> dependent_columns(np.array([[1.0, 2, 3], [1, 4, 5], [1, 7, 8], [1, 0, 1]]))
    [2]
    """
    X = np.asarray(X, float)
    top = np.abs(X).max(axis=0, initial=0.0)
    columns = X / np.where(top > 0, top, 1.0)
    basis = np.empty((len(X), 0))
    repeated = []
    for j, column in enumerate(columns.T):
        left = column - basis @ (basis.T @ column)
        left = left - basis @ (basis.T @ left)
        size, whole = np.linalg.norm(left), np.linalg.norm(column)
        if size <= _rank_tolerance(X) * whole or whole == 0:
            repeated.append(j)
        else:
            basis = np.column_stack([basis, left / size])
    return repeated


def _rank_tolerance(X: np.ndarray) -> float:
    return 10 * max(X.shape) * _EPS


def checked(
    y: np.ndarray, X: np.ndarray, terms: tuple[RandomTerm, ...]
) -> tuple[np.ndarray, np.ndarray, tuple[RandomTerm, ...]]:
    """Return copies of the response, model matrix and terms, or say what is wrong with them."""
    y, X = np.array(y, float), np.array(X, float)
    if y.ndim != 1 or X.ndim != 2 or len(X) != len(y) or X.shape[1] == 0:
        raise FitError(
            f"The response has shape {y.shape} and the model matrix {X.shape}; "
            "one row per score and at least one column are needed."
        )
    n, p = X.shape
    if not (np.isfinite(y).all() and np.isfinite(X).all()):
        raise FitError("A score or a setting is missing or infinite; leave those rows out.")
    if max(np.abs(y).max(initial=0), np.abs(X).max(initial=0)) > _EXTREME:
        raise FitError("Values beyond 1e150 cannot be squared; write them in a larger unit.")
    if n <= p:
        raise FitError(
            f"{n} values for {p} fixed effects leave nothing to measure an error from; "
            "leave terms out of the model or bake more."
        )
    for term in terms:
        codes = np.asarray(term.codes)
        if codes.shape != (n,) or codes.dtype.kind not in "iu" or codes.min() < 0:
            raise FitError(f'The levels of "{term.name}" must be {n} whole numbers from 0 up.')
        slope = term.weights
        size = float(np.abs(slope).max(initial=0.0))
        if slope.shape != (n,) or not 1 / _EXTREME_SLOPE < size < _EXTREME_SLOPE:
            raise FitError(
                f'The slope variable of "{term.name}" must be {n} finite numbers, not all zero and '
                "within 1e-60 and 1e60 in size."
            )
    return y, X, terms


def cross_products(y: np.ndarray, X: np.ndarray, terms: tuple[RandomTerm, ...]) -> CrossProducts:
    """Return the standardised problem; refuse collinear columns and a response without spread."""
    n, p = X.shape
    Q, to_beta, log_det_r = _orthonormal(X)
    centre = _centre(y, X)
    r, on_q, scale = _standardised(y - X @ centre, Q)
    sizes = [term.levels for term in terms]
    q = sum(sizes)
    ends = np.cumsum([0, *sizes])
    zz, zx = np.zeros((q, q)), np.zeros((q, p + 1))
    for i, term in enumerate(terms):
        rows = slice(ends[i], ends[i + 1])
        zx[rows] = term.sums(np.column_stack([Q, r]))
        for j in range(i, len(terms)):
            cells = np.asarray(term.codes) * sizes[j] + terms[j].codes
            both = term.weights * terms[j].weights
            block = np.bincount(cells, both, minlength=sizes[i] * sizes[j])
            columns = slice(ends[j], ends[j + 1])
            zz[rows, columns] = block.reshape(sizes[i], sizes[j])
            zz[columns, rows] = zz[rows, columns].T
    return CrossProducts(
        n=n,
        p=p,
        scale=scale,
        beta_ols=centre + to_beta @ on_q,
        to_beta=to_beta,
        log_det_r=log_det_r,
        starts=ends[:-1],
        level_term=np.repeat(np.arange(len(terms)), sizes),
        zz=zz,
        zq=zx[:, :p],
        zr=zx[:, p],
        rr=float(n - p),
    )


def _orthonormal(X: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    top = np.abs(X).max(axis=0)
    if not top.all() or top.min() < 1 / _EXTREME:
        raise FitError(
            f"Column {int(np.argmin(top)) + 1} of the model matrix is zero throughout, or too "
            "small to be squared; leave it out or write it in a smaller unit."
        )
    lengths = top * np.sqrt(np.square(X / top).sum(axis=0))
    Q, R, order = qr(X / lengths, mode="economic", pivoting=True)
    diagonal = np.abs(np.diag(R))
    if diagonal.min() <= _rank_tolerance(X):
        repeated = ", ".join(str(j + 1) for j in dependent_columns(X))
        raise FitError(
            f"Column {repeated} of the model matrix says nothing that the others do not say: "
            "these effects cannot be told apart. Leave a term out or bake what is missing."
        )
    to_beta = np.empty_like(R)
    to_beta[order] = solve_triangular(R, np.eye(len(R)))
    log_det = float(np.log(diagonal).sum() + np.log(lengths).sum())
    return Q, to_beta / lengths[:, None], log_det


def _centre(y: np.ndarray, X: np.ndarray) -> np.ndarray:
    """Return coefficients that take the mean of y away, where a column of X is constant.

    Scores of 1e8 and a tenth keep their tenths: subtracting close numbers is exact, sums are not.
    """
    coefficients = np.zeros(X.shape[1])
    constant = np.flatnonzero(np.all(X[:1] == X, axis=0))
    if len(constant):
        coefficients[constant[0]] = np.mean(y) / X[0, constant[0]]
    return coefficients


def _standardised(y: np.ndarray, Q: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Return y less its projection on Q in unit spread, the projection, and the spread."""
    top = float(np.abs(y).max()) or 1.0
    r, on_q = y / top, np.zeros(Q.shape[1])
    size = np.linalg.norm(r)
    for _ in range(2):  # a second pass takes away what rounding left in the first
        part = Q.T @ r
        r, on_q = r - Q @ part, on_q + part
    spread = float(np.linalg.norm(r))
    if spread <= 50 * _EPS * size:
        raise FitError(
            "The fixed effects give back every value exactly: there is no spread to measure "
            "an error from. Check that the response varies and is not computed from the settings."
        )
    scale = spread / np.sqrt(len(y) - Q.shape[1])
    if scale * top < 1 / _EXTREME:
        raise FitError("The values differ by less than 1e-150; write them in a smaller unit.")
    return r / scale, on_q * top, float(scale * top)


# -- Mixed models on plain arrays: which spread belongs to which level, and what is left over.
#
# The model is ``y = X beta + sum of Z_i u_i + e``, ``V = sum of v_i Z_i Z_i' + v_0 I``. Nothing is
# ever as large as scores by scores: with ``g_i = v_i / v_0`` and ``H = V / v_0`` the matrix
# inversion lemma of Woodbury gives ``Z'H^-1 = (I + Z'Z G)^-1 Z'``, so that all that is needed
# lives in the space of the random levels.


_STEPS = 200
_NO_RESIDUAL = 1e-11  # a part of the spread that rounding alone can leave


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

    def __repr__(self) -> str:
        groups = "".join(f", {term.name}" for term in self.terms)
        return f"{self.method} fit: {len(self.y)} scores, {len(self.beta)} coefficients{groups}"

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

    References
    ----------
    Patterson & Thompson (1971), Biometrika 58, 545-554 (restricted likelihood).
    Harville (1977), JASA 72, 320-338 (derivatives of the profiled likelihood).
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
            raise NothingLeftError(_no_residual_message())
        log_det_h = float(np.log(np.abs(np.diag(lu))).sum())
    zhz, zhq, zhr = solved[:, :q], solved[:, q : q + p], solved[:, q + p]
    weighted = by_level[:, None] * products.zq
    qhq = np.eye(p) - weighted.T @ zhq
    try:
        factor = cho_factor((qhq + qhq.T) / 2, lower=True)
    except np.linalg.LinAlgError:
        raise NothingLeftError(_no_residual_message()) from None
    inverse = cho_solve(factor, np.eye(p))
    qhr = -weighted.T @ zhr
    coefficients = inverse @ qhr
    rpr = products.rr - float((by_level * products.zr) @ zhr + qhr @ coefficients)
    if rpr <= _NO_RESIDUAL * products.rr:
        raise NothingLeftError(_no_residual_message())
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
        raise NothingLeftError(_no_residual_message())


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
