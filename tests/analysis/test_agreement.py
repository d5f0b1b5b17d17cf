"""Does everyone agree? Disagreement put there is found, and none is made up."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.tasters import agreement_on
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric

FACTORS = [Numeric("hydration", 96, 108), Categorical("fat", ["butter", "lard", "oil"])]


def scored(rng, *, differs=0.0, view=0.0, bakes=12, tasters=8):
    """Effect of hydration 1.0 on average; `differs` is its standard deviation over tasters."""
    rows = []
    own_bake = rng.normal(0, 0.25, bakes)
    for taster in range(tasters):
        level, slope = rng.normal(0, 0.8), rng.normal(1.0, differs)
        liked = rng.normal(0, view, 3)
        for bake in range(bakes):
            high, fat = bake % 2, bake // 2 % 3
            score = 6 + level + slope * (high - 0.5) + liked[fat] + own_bake[bake]
            score += rng.normal(0, 0.8)
            rows.append(
                (f"T{taster}", f"B{bake:02d}", 96 + 12 * high, FACTORS[1].levels[fat], score)
            )
    return pd.DataFrame(rows, columns=["taster", "bake", "hydration", "fat", "liking"])


def asked(table, factor):
    return agreement_on(fit(table, "liking", FACTORS, model="main"), factor)


def test_disagreement_comes_back():
    rng = np.random.default_rng(1)
    found = [asked(scored(rng, differs=1.2, tasters=12), "hydration") for _ in range(20)]
    assert np.mean([one.sd**2 for one in found]) == pytest.approx(1.44, rel=0.25)
    assert np.mean([one.p < 0.05 for one in found]) > 0.9
    assert "do not agree about hydration" in found[0].sentences[0]


@pytest.mark.slow
def test_no_disagreement_is_made_up():
    """At 5 %, 150 panels that agree: at most 10 % (2.8 standard errors)."""
    rng = np.random.default_rng(2)
    p = np.array([asked(scored(rng), "hydration").p for _ in range(150)])
    assert np.mean(p < 0.05) < 0.1


def test_the_mean_effect_is_judged_on_tasters_when_they_differ():
    table = scored(np.random.default_rng(3), differs=2.0)
    found = fit(table, "liking", FACTORS, model="main")
    plain = found.effects.set_index("term").loc["hydration"]
    own = agreement_on(found, "hydration").effects.iloc[0]
    assert own["estimate"] == pytest.approx(plain["estimate"])
    assert own["se"] > plain["se"]
    assert own["df"] < 12


def test_a_taster_who_differs_is_predicted_so():
    table = scored(np.random.default_rng(4))
    turned = table["taster"] == "T3"
    table.loc[turned, "liking"] -= np.where(table.loc[turned, "hydration"] == 108, 5.0, 0.0)
    found = asked(table, "hydration")
    effects = found.tasters.set_index("taster")["effect"]
    assert effects.idxmin() == "T3"
    assert effects["T3"] < 0
    assert "for 1 of 8 it goes the other way" in found.sentences[1]


def test_kinds_are_views():
    found = asked(scored(np.random.default_rng(5), view=1.5), "fat")
    assert found.p < 0.05
    assert len(found.tasters) == 16
    means = found.tasters.groupby("level")["effect"].mean()
    estimates = found.effects.set_index("level")["estimate"]
    assert means.to_dict() == pytest.approx(estimates.to_dict(), abs=0.05)


def test_what_can_not_be_asked():
    table = scored(np.random.default_rng(6))
    with pytest.raises(FitError, match="no factor"):
        asked(table, "sugar")
    with pytest.raises(FitError, match="three tasters"):
        asked(table[table["taster"].isin(["T0", "T1"])], "hydration")
