"""What the data say of the variances of a mixed model, and what the fixed effects owe to them.

``V = sum of v_i G_i`` with ``G_i = Z_i Z_i'`` and ``G_0 = I``. Whatever involves ``G_0`` follows
from ``I = H - sum of g_i G_i`` (``H = V / v_0``, ``g_i = v_i / v_0``): with the matrices of the
random levels at hand nothing of the size of the scores is formed.
"""

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from trials.analysis.mixed import MixedFit

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
