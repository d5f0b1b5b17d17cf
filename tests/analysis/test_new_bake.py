"""The interval of a new bake, where every bake is read or tasted several times."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials import fit

BAKES, READINGS, SD_BAKE, SD_READING = 8, 3, 1.0, 1.0
ROUNDS = 120


def heights(rng, *, readings=READINGS, tasters=False, sd_bake=SD_BAKE):
    """One round: eight bakes, each measured several times; nothing changes the height."""
    bakes = 50 + sd_bake * rng.standard_normal(BAKES)
    return pd.DataFrame(
        {
            "bake": f"B{bake:02d}",
            "rest": 20 + 40 * (bake % 2),
            "height": bakes[bake] + SD_READING * rng.standard_normal(),
        }
        | ({"taster": f"P{reading}"} if tasters else {})
        for bake in range(BAKES)
        for reading in range(readings)
    )


def test_every_source_of_spread_has_one_row_and_they_are_those_of_the_analysis_of_variance():
    """Searle, Casella & McCulloch 1992, ch. 3: MSW within bakes, (MSB - MSW) / r between them."""
    table = heights(np.random.default_rng(1), sd_bake=3.0)
    found = fit(table, "height", ["rest"], model="main")
    assert found.variance["source"].tolist() == ["bake", "reading"]
    grouped = table.groupby("bake")["height"]
    within = grouped.var().mean()
    means = grouped.mean().to_frame().assign(rest=table.groupby("bake")["rest"].first())
    left = means["height"] - means.groupby("rest")["height"].transform("mean")
    between = READINGS * (left**2).sum() / (BAKES - 2)
    expected = [(between - within) / READINGS, within]
    assert found.variance["variance"].tolist() == pytest.approx(expected, rel=1e-6)
    assert found.spread == pytest.approx(dict(zip(["bake", "reading"], expected, strict=True)))


def test_a_group_of_ones_own_called_reading_takes_no_other_row():
    rng = np.random.default_rng(2)
    table = heights(rng).assign(reading=np.tile(["first", "second", "third"], BAKES))
    found = fit(table, "height", ["rest"], model="main", groups=("bake", "reading"))
    assert found.variance["source"].is_unique
    assert len(found.spread) == len(found.variance) == 3


@pytest.mark.parametrize("tasters", [False, True])
def test_the_interval_of_a_new_bake_holds_it_as_often_as_it_says(tasters):
    """Of 95 % intervals, 120 rounds miss at most 15 with a chance of 999 in 1,000 (binomial)."""
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(ROUNDS):
        found = fit(heights(rng, tasters=tasters), "height", ["rest"], model="main")
        told = found.predict({"rest": 20}).iloc[0]
        held += told["new_low"] <= 50 + SD_BAKE * rng.standard_normal() <= told["new_high"]
    assert held >= stats.binom.ppf(0.001, ROUNDS, 0.95)
    # Nor is it bought with intervals that hold everything
    assert held < ROUNDS


def test_with_one_reading_a_bake_it_is_the_textbook_prediction_interval():
    """Student's t on the residual: Draper & Smith 1998, section 1.4."""
    table = heights(np.random.default_rng(4), readings=1)
    told = fit(table, "height", ["rest"], model="main").predict({"rest": 20}).iloc[0]
    own = table.groupby("rest")["height"]
    left = (table["height"] - own.transform("mean")) ** 2
    spread = np.sqrt(left.sum() / (BAKES - 2) * (1 + 2 / BAKES))
    reach = stats.t.ppf(0.975, BAKES - 2) * spread
    assert told["new_high"] - told["estimate"] == pytest.approx(reach, rel=1e-9)
