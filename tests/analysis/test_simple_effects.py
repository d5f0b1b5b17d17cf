"""What a factor does at each setting of another: by hand, and in the words it earns."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.simple_effects import simple_effects
from trials.errors import FitError
from trials.factors import Categorical, Component, Numeric
from trials.measures import Measure

FACTORS = [
    Numeric("oil", 165, 180, "°C"),
    Categorical("fat", ["butter", "lard", "oil"]),
    Categorical("glaze", ["none", "sugar"]),
]


def baked(effects, sd=0.3, each=2, seed=1):
    """`effects`: (oil, fat) -> what it adds."""
    rng = np.random.default_rng(seed)
    rows = [
        (oil, fat, glaze, 60 + effects.get((oil, fat), 0.0) + rng.normal(0, sd))
        for oil in (165, 180)
        for fat in FACTORS[1].levels
        for glaze in FACTORS[2].levels
        for _ in range(each)
    ]
    return pd.DataFrame(rows, columns=["oil", "fat", "glaze", "spread"])


def found(table, **more):
    return fit(table, "spread", FACTORS, **more)


def test_cell_means_by_hand():
    """A full crossing: each simple effect is a difference of cell means."""
    table = baked({(165, "lard"): 4.0, (180, "oil"): -2.0})
    model = ["oil", "fat", "glaze", "oil:fat", "oil:glaze", "fat:glaze", "oil:fat:glaze"]
    simple = simple_effects(found(table, model=model), "fat", "oil").table
    means = table.groupby(["oil", "fat"])["spread"].mean()
    within = table.groupby(["oil", "fat", "glaze"])["spread"].var().mean()
    for row in simple.itertuples():
        oil = int(row.at.split()[0])
        assert row.estimate == pytest.approx(means[oil, row.level] - means[oil, "butter"])
        assert row.se == pytest.approx(np.sqrt(within * 2 / 4))
        assert row.df == pytest.approx(12)


@pytest.mark.parametrize(
    ("effects", "words"),
    [
        ({(165, "lard"): 5.0}, "changes spread only at 165 °C: lard over butter +"),
        ({(165, "lard"): 5.0, (180, "lard"): -5.0}, "turns round: lard over butter makes +"),
        ({(165, "lard"): 5.0, (180, "lard"): 5.0}, "works the same way throughout: lard over"),
        ({}, "at no setting sure"),
    ],
)
def test_words_follow_the_intervals(effects, words):
    said = simple_effects(found(baked(effects, each=3)), "fat", "oil").sentences
    assert words in said[0]


def test_averaged_explanations_speak_where_few_bakes_are_left():
    table = baked({(165, "lard"): 5.0}, each=1)
    findings = found(table, measure=Measure("spread", "number", worth_noticing=1.0))
    assert findings.averaged is not None
    simple = simple_effects(findings, "fat", "oil").table
    lard = simple[(simple["at"] == "165 °C") & (simple["level"] == "lard")].iloc[0]
    assert lard["low"] < 5.0 < lard["high"]
    assert np.isnan(lard["p"])


def test_what_can_not_be_asked():
    findings = found(baked({}))
    with pytest.raises(FitError, match="its own settings"):
        simple_effects(findings, "fat", "fat")
    with pytest.raises(FitError, match="no factor"):
        simple_effects(findings, "fat", "proof")
    shares = pd.DataFrame({"rye": [1.0, 0, 0.5] * 3, "wheat": [0, 1, 0.5] * 3})
    shares["spread"] = np.random.default_rng(2).normal(60, 1, 9)
    blend = fit(shares, "spread", [Component("rye"), Component("wheat")])
    with pytest.raises(FitError, match="change alone"):
        simple_effects(blend, "rye", "wheat")
