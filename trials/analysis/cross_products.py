"""The rows of a mixed model, summed up once: what its likelihood needs of them.

The response is centred on its least squares fit and scaled, and the columns of ``X`` are made
orthonormal, before any sum is taken: units and large offsets cost no digits. What remains has the
size of the random levels, however many scores there are.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr, solve_triangular

from trials.errors import FitError

_EPS = float(np.finfo(float).eps)
_EXTREME = 1e150  # squares of anything beyond leave the range of a double
_EXTREME_SLOPE = 1e60  # fourth powers of the slope variable enter


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

    Parameters
    ----------
    X : ndarray, shape (n, p)
        A model matrix.

    Returns
    -------
    list of int
        Positions, ascending; empty where ``X`` has full column rank.

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
