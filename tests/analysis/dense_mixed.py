"""The same mixed model written out with matrices of scores by scores, for comparison only."""

import numpy as np


def pieces(fit, variances=None):
    """V, its derivatives G_i (residual last) and P of a fit."""
    variances = fit.variances if variances is None else variances
    G = []
    for term in fit.terms:
        Z = np.zeros((len(fit.y), term.levels))
        Z[np.arange(len(fit.y)), term.codes] = term.weights
        G.append(Z @ Z.T)
    G.append(np.eye(len(fit.y)))
    V = sum(v * g for v, g in zip(variances, G, strict=True))
    inverse = np.linalg.inv(V)
    cov = np.linalg.inv(fit.X.T @ inverse @ fit.X)
    P = inverse - inverse @ fit.X @ cov @ fit.X.T @ inverse
    return V, inverse, cov, P, G


def log_likelihood(fit, variances=None):
    V, inverse, _, P, _ = pieces(fit, variances)
    n, p = fit.X.shape
    reml = fit.method == "REML"
    twice = np.linalg.slogdet(V)[1] + fit.y @ P @ fit.y + (n - p * reml) * np.log(2 * np.pi)
    if reml:
        twice += np.linalg.slogdet(fit.X.T @ inverse @ fit.X)[1]
    return -twice / 2


def gradient(fit):
    """Twice the derivative of the log-likelihood by each variance."""
    _, inverse, _, P, G = pieces(fit)
    inner = P if fit.method == "REML" else inverse
    return np.array([fit.y @ P @ g @ P @ fit.y - np.trace(inner @ g) for g in G])


def kenward_roger(fit):
    """Covariance before and after the adjustment, variances' covariance, P_i (1997, section 2)."""
    _, inverse, cov, P, G = pieces(fit)
    X, k = fit.X, len(G)
    information = np.array([[np.trace(P @ a @ P @ b) / 2 for b in G] for a in G])
    W = np.linalg.inv(information)
    first = [-X.T @ inverse @ g @ inverse @ X for g in G]
    total = np.zeros_like(cov)
    for i in range(k):
        for j in range(k):
            Q = X.T @ inverse @ G[i] @ inverse @ G[j] @ inverse @ X
            total += W[i, j] * (Q - first[i] @ cov @ first[j])
    return cov, cov + 2 * cov @ total @ cov, W, first


def kenward_roger_test(fit, L):
    """F, denominator df and lambda (1997, section 3, with E* and V* as printed)."""
    cov, adjusted, W, first = kenward_roger(fit)
    q = len(L)
    theta = L.T @ np.linalg.inv(L @ cov @ L.T) @ L
    pieces_of = [theta @ cov @ p @ cov for p in first]
    A1 = sum(
        W[i, j] * np.trace(a) * np.trace(b)
        for i, a in enumerate(pieces_of)
        for j, b in enumerate(pieces_of)
    )
    A2 = sum(
        W[i, j] * np.trace(a @ b) for i, a in enumerate(pieces_of) for j, b in enumerate(pieces_of)
    )
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    c = np.array([g, q - g, q + 2 - g]) / (3 * q + 2 * (1 - g))
    E = 1 / (1 - A2 / q)
    V = 2 / q * (1 + c[0] * B) / ((1 - c[1] * B) ** 2 * (1 - c[2] * B))
    rho = V / (2 * E**2)
    m = 4 + (q + 2) / (q * rho - 1)
    scale = m / (E * (m - 2))
    value = L @ fit.beta
    return scale / q * value @ np.linalg.solve(L @ adjusted @ L.T, value), m, scale
