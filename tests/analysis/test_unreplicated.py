import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trials.analysis.no_error import half_normal_scores, lenth, null_ratios
from trials.base.errors import FitError

REFERENCE = Path(__file__).parents[1] / "reference"
EXPECTED = json.loads((REFERENCE / "two_level_expected.json").read_text())


def published_effects(name):
    # The zero of the pilot plant is stored as -3e-15, as the computer that made it left it.
    return pd.Series(EXPECTED[name]["effects"])


@pytest.mark.parametrize("name", ["pilot_plant", "filtration"])
def test_pseudo_standard_error_and_margins_are_the_published_ones(name):
    # Lenth 1989; numbers from R 4.2.2.
    expected = EXPECTED[name]["lenth"]
    found = lenth(published_effects(name))
    assert found.pse == pytest.approx(expected["PSE"], rel=1e-12)
    assert found.df == pytest.approx(expected["df"], rel=1e-12)
    assert found.margin == pytest.approx(expected["ME"], rel=1e-9)
    assert found.simultaneous_margin == pytest.approx(expected["SME"], rel=1e-9)


def test_effects_of_the_filtration_data_from_its_scores():
    data = pd.read_csv(REFERENCE / "filtration_2p4.csv")
    for term, effect in published_effects("filtration").items():
        contrast = data[term.split(":")].prod(axis=1)
        assert 2 * (contrast * data["y"]).mean() == pytest.approx(effect, rel=1e-12)


@pytest.mark.parametrize(("number", "single", "every"), [(7, 2.30, 4.87), (15, 2.16, 4.24)])
def test_simulated_critical_values_are_those_of_the_published_table(number, single, every):
    # Ye & Hamada 2000, 5 % critical values for one effect and for all; the values from memory.
    # Two decimals are printed; our simulation error is about 0.01 and 0.03.
    ratios, largest = null_ratios(number)
    assert np.quantile(ratios, 0.95) == pytest.approx(single, abs=0.02)
    assert np.quantile(largest, 0.95) == pytest.approx(every, abs=0.08)


def test_the_effects_that_montgomery_keeps_stand_out():
    found = lenth(published_effects("filtration"))
    kept = found.table.loc[found.table["stands_out"], "term"]
    assert set(kept) == {"A", "C", "D", "A:C", "A:D"}


def test_simulated_chances_agree_with_simulated_margins():
    found = lenth(published_effects("filtration"))
    beyond = found.table["estimate"].abs() > found.simulated_simultaneous_margin
    assert (beyond == (found.table["p_simultaneous"] < 0.05)).all()
    assert (found.table["p_simultaneous"] >= found.table["p_simulated"]).all()


@pytest.mark.parametrize("unit", [1e-300, 1e300])
def test_the_unit_does_not_matter(unit):
    plain, scaled = (
        lenth(published_effects("filtration")),
        lenth(published_effects("filtration") * unit),
    )
    assert scaled.pse / unit == pytest.approx(plain.pse, rel=1e-12)
    np.testing.assert_allclose(scaled.table["p"], plain.table["p"], rtol=1e-12)


def test_half_normal_scores_are_in_order_and_of_the_right_law():
    scores = half_normal_scores(published_effects("filtration"))
    assert scores["term"].iloc[-1] == "A"
    assert scores["size"].is_monotonic_increasing
    # Daniel 1959: the middle of 15 effects stands at the median of a half-normal, 0.67449.
    assert scores["score"].iloc[7] == pytest.approx(0.674489750196, rel=1e-10)


@pytest.mark.parametrize(
    ("effects", "words"),
    [
        ({"oil": 1.0, "rest": 2.0}, "at least 3"),
        ({"oil": 1.0, "rest": 2.0, "fat": float("nan")}, "fat"),
        ({"oil": 0.0, "rest": 0.0, "fat": 0.0}, "exactly zero"),
        ({"oil": 1.0, "rest": 1e-17, "fat": 0.0, "sugar": 0.0}, "exactly zero"),
    ],
)
def test_effects_that_can_not_be_judged_are_refused_in_words(effects, words):
    with pytest.raises(FitError, match=words):
        lenth(effects)
