"""Leaving one out, against the textbook's formula and against plain refits."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.diagnostics import effects_without, leave_each_out, with_columns
from trials.analysis.fitting import fit
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import full_factorial

LIKING = Measure("liking", "hedonic 9")


def line(rng, count=12):
    rest = np.linspace(20, 60, count)
    return pd.DataFrame(
        {
            "bake": [f"B{n:02d}" for n in range(count)],
            "rest": rest,
            "spread": 60 + 0.1 * rest + rng.normal(0, 1, count),
        }
    )


def test_one_row_by_the_formula():
    """Belsley, Kuh & Welsch 1980, eq. 2.1: the change is (X'X)^-1 x e / (1 - h)."""
    table = line(np.random.default_rng(2))
    found = fit(table, "spread", ["rest"])
    X, y = found.engine.fit.X, found.engine.fit.y
    inverse = np.linalg.inv(X.T @ X)
    left = y - X @ inverse @ X.T @ y
    changes = leave_each_out(found, "bake").table["change"]
    for row, change in enumerate(changes):
        h = X[row] @ inverse @ X[row]
        assert change == pytest.approx(-2 * (inverse @ X[row])[1] * left[row] / (1 - h), rel=1e-8)


@pytest.fixture(scope="module")
def panel():
    factors = [Numeric("hydration", 96, 108, "%"), Categorical("fat", ["butter", "oil"])]
    plan = full_factorial(factors, replicates=4, days=2, references=2, seed=3)
    return rehearse(
        plan,
        {"hydration": 1.0, "fat": -0.8},
        tasters=["Ada", "Ben", "Cy", "Dee"],
        spreads=Spreads(),
        seed=4,
    )


def test_without_a_taster_as_if_never_there(panel):
    factors = [Numeric("hydration", 96, 108, "%"), Categorical("fat", ["butter", "oil"])]
    whole = fit(panel, "liking", factors, measure=LIKING)
    after = effects_without(whole, (whole.residuals["taster"] == "Ada").to_numpy())
    alone = fit(panel[panel["taster"] != "Ada"], "liking", factors, measure=LIKING).effects
    for column in ("estimate", "se", "df", "p"):
        assert after[column].to_numpy() == pytest.approx(alone[column].to_numpy(), rel=1e-5)
    assert after["verdict"].tolist() == alone["verdict"].tolist()


def test_a_bake_that_carries_an_effect_alone_is_named():
    table = line(np.random.default_rng(3), 8).assign(fat=["butter"] * 7 + ["lard"])
    found = fit(table, "spread", ["rest", "fat"], model="main")
    assert leave_each_out(found, "bake").carriers == ("B07",)


def test_a_column_that_says_nothing_new():
    table = line(np.random.default_rng(4), 8)
    found = fit(table, "spread", ["rest"])
    assert with_columns(found, table[["rest"]].to_numpy()) is None
    engine, places = with_columns(found, np.square(table[["rest"]].to_numpy(dtype=float)))
    assert places.tolist() == [2]
    assert len(engine.beta) == 3


def test_without_error_there_is_nothing_to_refit():
    table = pd.DataFrame({"bake": list("ABCDEFGH"), "a": [0, 1] * 4, "b": [0, 0, 1, 1] * 2})
    table["c"], table["y"] = [0] * 4 + [1] * 4, [3.0, 5, 4, 7, 2, 6, 4, 9]
    model = ["a", "b", "c", "a:b", "a:c", "b:c", "a:b:c"]
    found = fit(table, "y", ["a", "b", "c"], model=model)
    assert leave_each_out(found, "bake").table.empty
