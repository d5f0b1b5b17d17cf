"""What a factor does at each setting of another: by hand, and in the words it earns."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.contrasts import simple_effects
from trials.analysis.fitting import fit
from trials.base.errors import FactorError, FitError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure

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


def test_a_nested_factor_is_looked_at_only_where_it_exists():
    method = Categorical("method", ["baked", "fried"])
    heat = Numeric("heat", 165, 180, "°C", only_when=("method", ["fried"]))
    rack = Categorical("rack", ["top", "bottom"], only_when=("method", ["baked"]))
    rest = Numeric("rest", 20, 60, "min")
    cells = [("baked", "", "top"), ("baked", "", "bottom"), ("fried", 165, ""), ("fried", 180, "")]
    rows = [(m, h, k, r) for _ in range(4) for r in (20, 60) for m, h, k in cells]
    table = pd.DataFrame(rows, columns=["method", "heat", "rack", "rest"])
    table["spread"] = np.random.default_rng(3).normal(60, 1, len(table))
    terms = ["method", "heat", "rack", "rest", "method:rest", "heat:rest", "rack:rest"]
    findings = fit(table, "spread", [method, heat, rack, rest], model=terms)
    # Every cell has its own mean in this model, so differences are those of plain means
    means = table.groupby(["method", "heat", "rack", "rest"])["spread"].mean()
    by_rest = simple_effects(findings, "heat", "rest").table
    assert by_rest["estimate"].tolist() == pytest.approx(
        [means["fried", 180, "", r] - means["fried", 165, "", r] for r in (20, 60)]
    )
    by_heat = simple_effects(findings, "rest", "heat").table
    assert by_heat["estimate"].tolist() == pytest.approx(
        [means["fried", h, "", 60] - means["fried", h, "", 20] for h in (165, 180)]
    )
    with pytest.raises(FitError, match='"heat" is set only where method is fried, so'):
        simple_effects(findings, "heat", "method")
    with pytest.raises(FitError, match="is baked, so"):
        simple_effects(findings, "heat", "rack")
    with pytest.raises(FitError, match="never have a setting in the same bake"):
        findings.means(["heat", "rack"])
    with pytest.raises(FactorError, match='"heat" has a setting in row 2, where "method" is baked'):
        findings.predict({"method": "baked", "heat": 170, "rack": "top", "rest": 40})


def test_a_prediction_needs_shares_that_make_a_whole():
    shares = pd.DataFrame({"rye": [1.0, 0, 0.5] * 3, "wheat": [0, 1, 0.5] * 3})
    shares["spread"] = np.random.default_rng(2).normal(60, 1, 9)
    blend = fit(shares, "spread", [Component("rye"), Component("wheat")])
    with pytest.raises(FitError, match="the shares of rye and wheat sum to 100 in row 2"):
        blend.predict([{"rye": 1 / 3, "wheat": 2 / 3}, {"rye": 40, "wheat": 60}])
    assert len(blend.predict({"rye": 0.3333333, "wheat": 0.6666666})) == 1
