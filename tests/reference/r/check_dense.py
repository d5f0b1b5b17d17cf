"""Work the same models out once more, densely in numpy, and say how far R's numbers are off.

Nothing here is shared with the R scripts (nor with the package): the effects are weights on the
columns of a sum-to-zero coded matrix, not differences of predictions; the likelihood is in the
variances themselves and climbed by Newton steps to rounding; covariance, degrees of freedom and F
are those of Kenward & Roger (1997), Biometrics 53, 983-997, written with whole matrices. Run it in
this folder with numpy and pandas:

    python check_dense.py
"""

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent


def sum_to_zero(levels: int) -> np.ndarray:
    return np.vstack([np.eye(levels - 1), -np.ones(levels - 1)])


def shown(factor: dict, value: float) -> str:
    return f"{value:g} {factor['unit']}".strip()


def columns(factor: dict, data: pd.DataFrame, power: int) -> np.ndarray:
    if factor["kind"] == "categorical":
        places = data[factor["name"]].map({one: n for n, one in enumerate(factor["levels"])})
        return sum_to_zero(len(factor["levels"]))[places.to_numpy()]
    middle, half = (factor["low"] + factor["high"]) / 2, (factor["high"] - factor["low"]) / 2
    return (((data[factor["name"]].to_numpy(float) - middle) / half) ** power)[:, None]


def compared(factor: dict, power: int) -> list[tuple[np.ndarray, str, str]]:
    """Weights on a factor's own columns, the setting and what it is compared with."""
    if factor["kind"] == "categorical":
        codes, levels = sum_to_zero(len(factor["levels"])), factor["levels"]
        return [(codes[n] - codes[0], levels[n], levels[0]) for n in range(1, len(levels))]
    low, high = (shown(factor, factor[end]) for end in ("low", "high"))
    if power == 2:
        middle = shown(factor, (factor["low"] + factor["high"]) / 2)
        return [(np.ones(1), f"{low} or {high}", middle)]
    return [(np.array([2.0]), high, low)]


def parsed(term: str, factors: dict) -> list[tuple[dict, int]]:
    pairs = [part.partition("^") for part in term.split(":")]
    return [(factors[name], int(power or 1)) for name, _, power in pairs]


def model(spec: dict, data: pd.DataFrame) -> tuple[np.ndarray, dict[str, slice]]:
    factors = {one["name"]: one for one in spec["factors"]}
    own_term = spec.get("reference_bakes") == "one term of their own"
    silent = (data["role"] == "reference").to_numpy() & own_term
    parts, places, width = [np.ones((len(data), 1))], {}, 1
    for term in spec["terms"]:
        block = np.ones((len(data), 1))
        for factor, power in parsed(term, factors):
            own = columns(factor, data, power)
            block = (block[:, :, None] * own[:, None, :]).reshape(len(data), -1)
        block[silent] = 0
        places[term] = slice(width, width + block.shape[1])
        width += block.shape[1]
        parts.append(block)
    for name in spec["fixed"]:
        codes = pd.factorize(data[name])[0]
        parts.append(sum_to_zero(codes.max() + 1)[codes])
    if own_term:
        parts.append(silent[:, None].astype(float))
    return np.hstack(parts), places


def contrasts(spec: dict, places: dict, width: int) -> list[tuple[str, str, str, np.ndarray]]:
    factors = {one["name"]: one for one in spec["factors"]}
    rows = []
    for term, place in places.items():
        parts = parsed(term, factors)
        for choice in product(*(compared(*part) for part in parts)):
            weights = np.ones(1)
            for own, _, _ in choice:
                weights = np.outer(weights, own).ravel()
            row = np.zeros(width)
            row[place] = weights / 2 ** (len(parts) - 1)
            level, reference = (", ".join(one[side] for one in choice) for side in (1, 2))
            rows.append((term, level, reference, row))
    return rows


def covariances(spec: dict, data: pd.DataFrame) -> list[np.ndarray]:
    """What one unit of each variance adds to the scores' covariance, the residual last."""
    found = []
    for name in spec["random"]:
        codes = pd.factorize(data[name])[0]
        found.append((codes[:, None] == codes[None, :]).astype(float))
    return [*found, np.eye(len(data))]


def reml(y: np.ndarray, X: np.ndarray, K: list[np.ndarray]) -> np.ndarray:
    """The variances of zero or more at which the restricted likelihood is largest."""
    v = np.full(len(K), np.var(y) / len(K))

    def climb(v: np.ndarray) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
        V = sum(one * k for one, k in zip(v, K, strict=True))
        inverse = np.linalg.inv(V)
        XVX = X.T @ inverse @ X
        P = inverse - inverse @ X @ np.linalg.solve(XVX, X.T @ inverse)
        Py = P @ y
        value = -0.5 * (np.linalg.slogdet(V)[1] + np.linalg.slogdet(XVX)[1] + y @ Py)
        PK = [P @ k for k in K]
        KPy = [k @ Py for k in K]
        score = np.array([-0.5 * np.trace(a) + 0.5 * Py @ b for a, b in zip(PK, KPy, strict=True)])
        expected = 0.5 * np.array([[np.sum(a * b.T) for b in PK] for a in PK])
        observed = np.array([[a @ P @ b for b in KPy] for a in KPy]) - expected
        return value, score, expected, observed

    for _ in range(200):
        value, score, expected, observed = climb(v)
        free = (v > 0) | (score > 0)
        pick = np.ix_(free, free)
        curve = observed[pick]
        if np.linalg.eigvalsh(curve).min() <= 0:
            curve = expected[pick]
        move = np.zeros_like(v)
        move[free] = np.linalg.solve(curve, score[free])
        if np.abs(move).max() < 1e-14 * v.sum():
            break
        for halvings in range(40):
            new = np.maximum(v + 0.5**halvings * move, 0)
            if new[-1] > 0 and climb(new)[0] >= value - 1e-12:
                break
        v = new
    return v


class KenwardRoger:
    def __init__(self, y: np.ndarray, X: np.ndarray, K: list[np.ndarray]) -> None:
        self.v = reml(y, X, K)
        inverse = np.linalg.inv(sum(one * k for one, k in zip(self.v, K, strict=True)))
        self.plain = plain = np.linalg.inv(X.T @ inverse @ X)
        self.beta = plain @ X.T @ inverse @ y
        VK = [inverse @ k for k in K]
        self.P = P = [-X.T @ a @ inverse @ X for a in VK]
        Q = [[X.T @ a @ b @ inverse @ X for b in VK] for a in VK]
        r = range(len(K))
        information = 0.5 * np.array(
            [
                [
                    np.sum(VK[i] * VK[j].T)
                    - 2 * np.trace(plain @ Q[i][j])
                    + np.trace(plain @ P[i] @ plain @ P[j])
                    for j in r
                ]
                for i in r
            ]
        )
        self.W = W = np.linalg.inv(information)
        cost = sum(W[i, j] * (Q[i][j] - P[i] @ plain @ P[j]) for i in r for j in r)
        self.cov = plain + 2 * plain @ cost @ plain

    def contrast(self, row: np.ndarray) -> tuple[float, float, float]:
        own = row @ self.plain
        share = np.array([own @ p @ own for p in self.P]) / (own @ row)
        return row @ self.beta, np.sqrt(row @ self.cov @ row), 2 / (share @ self.W @ share)

    def test(self, L: np.ndarray) -> tuple[float, float, float]:
        """Denominator degrees of freedom, scale and scaled F."""
        q, plain = len(L), self.plain
        theta = L.T @ np.linalg.solve(L @ plain @ L.T, L)
        T = [theta @ plain @ p @ plain for p in self.P]
        r = range(len(T))
        A1 = sum(self.W[i, j] * np.trace(T[i]) * np.trace(T[j]) for i in r for j in r)
        A2 = sum(self.W[i, j] * np.trace(T[i] @ T[j]) for i in r for j in r)
        B = (A1 + 6 * A2) / (2 * q)
        g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
        weight = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / weight, (q - g) / weight, (q + 2 - g) / weight
        mean = 1 / (1 - A2 / q)
        variance = 2 / q * (1 + c1 * B) / ((1 - c2 * B) ** 2 * (1 - c3 * B))
        rho = variance / (2 * mean**2)
        m = 4 + (q + 2) / (q * rho - 1)
        scale = m / (mean * (m - 2))
        value = L @ self.beta
        return m, scale, scale * value @ np.linalg.solve(L @ self.cov @ L.T, value) / q


def far(found: np.ndarray, known: np.ndarray) -> float:
    found, known = np.asarray(found, float), np.asarray(known, float)
    return float(np.max(np.abs(found - known) / np.maximum(np.abs(known), 1e-3)))


def checked(spec: dict) -> dict:
    """The largest relative differences between R's tables and the dense computation."""
    data = pd.read_csv(HERE / spec["input"])
    name, y = spec["name"], data["liking"].to_numpy(float)
    X, places = model(spec, data)
    assert np.linalg.matrix_rank(X) == X.shape[1]
    fit = KenwardRoger(y, X, covariances(spec, data))
    rows = contrasts(spec, places, X.shape[1])
    output = pd.read_csv(HERE / f"{name}_output.csv")
    known = [tuple(row) for row in output[["term", "level", "reference"]].to_numpy()]
    assert known == [row[:3] for row in rows], (known, [row[:3] for row in rows])
    found = np.array([fit.contrast(row[3]) for row in rows])
    variance = pd.read_csv(HERE / f"{name}_variance.csv")
    assert variance["source"].tolist() == [*spec["random"], "tasting"]
    tests = pd.read_csv(HERE / f"{name}_tests.csv")
    assert tests["term"].tolist() == spec["terms"]
    joint = np.array([fit.test(np.eye(X.shape[1])[place]) for place in places.values()])
    return {
        "name": name,
        "estimate": far(output["estimate"], found[:, 0]),
        "se": far(output["se"], found[:, 1]),
        "df_kr": far(output["df_kr"], found[:, 2]),
        "variance": far(variance["variance"], fit.v),
        "test df": far(tests["den_df"], joint[:, 0]),
        "test scale": far(tests["scale"], joint[:, 1]),
        "test F": far(tests["F"], joint[:, 2]),
    }


if __name__ == "__main__":
    scenarios = json.loads((HERE / "scenarios.json").read_text("utf-8"))
    result = pd.DataFrame([checked(spec) for spec in scenarios])
    print(result.to_string(index=False, float_format="{:.1e}".format))
