"""The published data sets that mixed models and least squares are held against, as plain arrays."""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from trials.analysis.mixed import RandomTerm

HERE = Path(__file__).parent


def expected(name: str) -> dict:
    return json.loads((HERE / name).read_text("utf-8"))


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(HERE / name)


def column(rows: list[dict], name: str) -> np.ndarray:
    return np.array([row[name] for row in rows])


def codes(*columns: pd.Series) -> np.ndarray:
    """One code per combination of levels."""
    return (
        pd.DataFrame(dict(enumerate(columns)))
        .groupby(list(range(len(columns))))
        .ngroup()
        .to_numpy()
    )


def sum_to_zero(levels: pd.Series) -> np.ndarray:
    """R's contr.sum: the last level is minus the sum of the others."""
    dummies = pd.get_dummies(levels).to_numpy(float)
    return dummies[:, :-1] - dummies[:, -1:]


def treatment(levels: pd.Series) -> np.ndarray:
    """R's contr.treatment: the first level is the reference."""
    return pd.get_dummies(levels).to_numpy(float)[:, 1:]


def crossed(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Intercept, both factors and their products; in products the first factor runs fastest."""
    products = [a[:, i] * b[:, j] for j in range(b.shape[1]) for i in range(a.shape[1])]
    return np.column_stack([np.ones(len(a)), a, b, *products])


# columns of the cake model by term, in the order of R's coefficients
CAKE_TERMS = {"recipe": [1, 2], "temperature": list(range(3, 8))}
CAKE_TERMS["recipe:temperature"] = list(range(8, 18))


def cake(coding=sum_to_zero) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    data = table("cake.csv")
    X = crossed(coding(data["recipe"]), coding(data["temperature"]))
    return data["angle"].to_numpy(float), X, cake_groups()


def cake_groups() -> list[RandomTerm]:
    data = table("cake.csv")
    whole_plot = RandomTerm("recipe:replicate", codes(data["recipe"], data["replicate"]))
    return [RandomTerm("replicate", codes(data["replicate"])), whole_plot]


def wine(interaction: bool = True) -> tuple[np.ndarray, np.ndarray, dict[str, RandomTerm]]:
    """Response, model matrix (temp, contact, their product) and the groups by name."""
    data = table("wine.csv")
    X = crossed(sum_to_zero(data["temp"]), sum_to_zero(data["contact"]))
    groups = {
        "judge": codes(data["judge"]),
        "bottle": codes(data["bottle"]),
        "judge:temp": codes(data["judge"], data["temp"]),
        "judge:contact": codes(data["judge"], data["contact"]),
    }
    terms = {name: RandomTerm(name, levels) for name, levels in groups.items()}
    return data["response"].to_numpy(float), X if interaction else X[:, :3], terms
