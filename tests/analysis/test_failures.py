import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from trials.analysis.explanations import Candidate
from trials.analysis.failures import (
    count_failures,
    explain_failures,
    fit_failures,
    maximise_penalised,
)
from trials.base.errors import FitError
from trials.core.factors import Numeric

REFERENCE = Path(__file__).parents[1] / "reference"
EXPECTED = json.loads((REFERENCE / "more_expected.json").read_text())["firth"]
ENDOMETRIAL = pd.read_csv(REFERENCE / "endometrial.csv")
COLUMNS = ["NV", "PI", "EH"]


@pytest.fixture(scope="module")
def endometrial():
    return fit_failures(ENDOMETRIAL["HG"], ENDOMETRIAL[COLUMNS])


def test_separated_data_of_the_paper(endometrial):
    # Heinze & Schemper 2002; R 4.2.2, brglm2 0.9 (stops at a gradient of 1e-6): 1e-7 relative.
    found = endometrial.coefficients.set_index("column")
    for name, estimate in EXPECTED["coef"].items():
        row = found.loc["" if name == "(Intercept)" else name]
        assert row["estimate"] == pytest.approx(estimate, rel=1e-7)
        assert row["se"] == pytest.approx(EXPECTED["se"][name], rel=1e-7)


def test_profile_intervals_of_the_paper(endometrial):
    # Heinze & Schemper 2002, table II, two decimals, from memory.
    found = endometrial.coefficients.set_index("column")
    for name, low, high in (("NV", 0.61, 7.85), ("PI", -0.12, 0.04), ("EH", -4.37, -1.23)):
        assert found.loc[name, "low"] == pytest.approx(low, abs=0.006)
        assert found.loc[name, "high"] == pytest.approx(high, abs=0.006)


def test_the_ends_of_an_interval_are_where_the_likelihood_has_fallen_enough(endometrial):
    X = np.column_stack([np.ones(len(ENDOMETRIAL)), ENDOMETRIAL[COLUMNS]])
    y = ENDOMETRIAL["HG"].to_numpy(dtype=float)
    for at, row in endometrial.coefficients.iterrows():
        for end in (row["low"], row["high"]):
            profile = maximise_penalised(X, y, fixed={at: end})
            fallen = 2 * (endometrial.log_likelihood - profile.log_likelihood)
            assert fallen == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-7)


def test_corrected_chances_add_up_to_the_failures(endometrial):
    # Puhr et al. 2017: the mean corrected chance is the observed share; the plain one is not.
    slopes = endometrial.coefficients["estimate"].to_numpy()
    m = ENDOMETRIAL[COLUMNS].to_numpy() @ slopes[1:]
    failed = ENDOMETRIAL["HG"].sum()
    assert special.expit(endometrial.intercept + m).sum() == pytest.approx(failed, rel=1e-9)
    assert abs(special.expit(slopes[0] + m).sum() - failed) > 0.1


def test_a_table_of_two_groups_has_half_a_bake_added_to_each_cell():
    # Firth 1993: in a saturated 2 x 2 table the penalty is half a count in every cell.
    oil = np.repeat([0.0, 1.0], [9, 7])
    failed = np.concatenate([np.repeat([1.0, 0.0], [2, 7]), np.repeat([1.0, 0.0], [7, 0])])
    found = fit_failures(failed, pd.DataFrame({"oil": oil})).coefficients["estimate"]
    assert found[0] == pytest.approx(np.log(2.5 / 7.5), rel=1e-9)
    assert found[0] + found[1] == pytest.approx(np.log(7.5 / 0.5), rel=1e-9)


def test_units_of_the_settings_do_not_matter():
    oil = np.array([165, 165, 180, 180, 165, 180, 172, 172.0])
    failed = [0, 0, 1, 1, 0, 0, 0, 1]
    plain = fit_failures(failed, pd.DataFrame({"oil": oil}))
    huge = fit_failures(failed, pd.DataFrame({"oil": oil * 1e100}))
    here, there = (fit.coefficients.iloc[1] for fit in (plain, huge))
    for name in ("estimate", "low", "high"):
        assert there[name] * 1e100 == pytest.approx(here[name], rel=1e-5)
    assert there["p"] == pytest.approx(here["p"], rel=1e-5)


def hot_and_wet(failures):
    """24 bakes of three factors; the hot and wet ones fail, up to a number."""
    oil, wet, rest = (np.tile(np.repeat([-1.0, 1.0], k), 12 // k) for k in (1, 2, 4))
    oil, wet, rest = oil[:24], wet[:24], rest[:24]
    failed = (oil > 0) & (wet > 0)
    failed[np.flatnonzero(failed)[failures:]] = False
    terms = [
        Candidate("oil", oil),
        Candidate("wet", wet),
        Candidate("rest", rest),
        Candidate("oil:wet", oil * wet, ("oil", "wet")),
    ]
    settings = pd.DataFrame({"oil": 172.5 + 7.5 * oil, "wet": 100 + 8 * wet, "rest": rest})
    return failed, settings, terms


@pytest.mark.parametrize(("failures", "allowed"), [(3, 1), (5, 1), (6, 1)])
def test_five_failures_carry_one_term(failures, allowed):
    failed, settings, terms = hot_and_wet(failures)
    found = explain_failures(failed, settings, terms)
    assert found.allowed == allowed
    assert all(len(one.parts) <= allowed for one in found.explanations)
    assert set(found.terms) <= {"oil", "wet", "oil:wet"}
    assert found.explanations[0].words == "oil 180 and wet 108 together"


def test_the_corner_that_fails_is_counted_exactly():
    failed, settings, terms = hot_and_wet(6)
    counts = explain_failures(failed, settings, terms).counts.set_index("region")
    corner = counts.loc["oil 180, wet 108"]
    assert (corner["bakes"], corner["failed"]) == (6, 6)
    # Clopper & Pearson 1934: 6 of 6 leaves 0.025^(1/6) as the lower end, worked by hand.
    assert corner["low"] == pytest.approx(0.025 ** (1 / 6), rel=1e-9)
    assert corner["high"] == 1
    # 0 of 6 elsewhere: the upper end is 1 - 0.025^(1/6).
    elsewhere = counts.loc["oil 165, wet 92"]
    assert (elsewhere["failed"], elsewhere["low"]) == (0, 0)
    assert elsewhere["high"] == pytest.approx(1 - 0.025 ** (1 / 6), rel=1e-9)


def test_exact_intervals_of_a_textbook():
    # 10 of 100: 4.90 % to 17.62 % (Clopper & Pearson interval, as R's binom.test; from memory).
    counts = count_failures([1] * 10 + [0] * 90, pd.DataFrame({"oil": [165] * 100}))
    assert counts.loc[0, "low"] == pytest.approx(0.0490, abs=5e-5)
    assert counts.loc[0, "high"] == pytest.approx(0.1762, abs=5e-5)


@pytest.mark.parametrize(
    ("failures", "words"), [(0, "None of 24"), (1, "Only 1 of 24"), (2, "Only 2 of 24")]
)
def test_under_three_failures_there_are_only_counts(failures, words):
    failed, settings, terms = hot_and_wet(failures)
    found = explain_failures(failed, settings, terms)
    assert found.fit is None
    assert words in found.notes[0]
    assert found.counts.loc[0, ["bakes", "failed"]].tolist() == [24, failures]


def test_all_failed_and_nearly_all_failed_have_only_counts():
    _, settings, terms = hot_and_wet(0)
    assert "All 24 bakes failed" in explain_failures([1] * 24, settings, terms).notes[0]
    assert "All but 1" in explain_failures([1] * 23 + [0], settings, terms).notes[0]


def test_failures_without_a_pattern_choose_no_term():
    oil = np.tile([-1.0, 1.0], 8)
    failed = np.zeros(16)
    failed[[0, 1, 6, 7]] = 1
    found = explain_failures(failed, pd.DataFrame({"oil": oil}), [Candidate("oil", oil)])
    assert found.fit is None
    assert found.terms == ()
    assert "better than chance" in found.notes[1]


def test_numbers_of_many_values_are_parted_in_the_middle_and_kinds_are_kept():
    settings = pd.DataFrame({"oil": [165, 170, 175, 185], "fat": ["lard", "butter"] * 2})
    regions = count_failures([0, 0, 1, 1], settings)["region"].tolist()
    assert regions[1:5] == ["oil up to 175", "oil above 175", "fat lard", "fat butter"]
    # A corner without a bake is not counted: nothing is known there.
    assert "oil above 175, fat lard" not in regions


def test_regions_carry_the_units_of_their_factors():
    oil = Numeric("oil", 165, 180, "°C")
    heat = Numeric("heat", 180, 240, "°C", only_when=("method", ["baked"]))
    settings = pd.DataFrame(
        {"oil": [165, 180, 165, 180, 165], "heat": [180.0, 200, 220, 240, np.nan]}
    )
    counts = count_failures([0, 0, 0, 1, 1], settings, factors=[oil, heat]).set_index("region")
    assert counts.index[1:5].tolist() == [
        "oil 165 °C",
        "oil 180 °C",
        "heat up to 210 °C",
        "heat above 210 °C",
    ]
    # The fifth bake has no heat: it lies in neither region of it
    assert counts.loc["heat above 210 °C", "bakes"] == 2
    assert counts.loc["heat up to 210 °C", "bakes"] == 2


@pytest.mark.parametrize(
    ("failed", "oil", "words"),
    [
        ([0, 0, 0, 0], [0, 1, 0, 1], "none of 4 bakes failed"),
        ([1, 1, 1, 1], [0, 1, 0, 1], "all of 4 bakes failed"),
        ([0, 1, 0, 1], [5, 5, 5, 5], "never changes"),
        ([0, 1, 0, 2], [0, 1, 0, 1], "yes or no"),
        ([0, 1, 0, 1], [0, 1, 0, np.inf], "not a finite"),
    ],
)
def test_bakes_that_can_not_answer_are_refused(failed, oil, words):
    with pytest.raises(FitError, match=words):
        fit_failures(failed, pd.DataFrame({"oil": oil}, dtype=float))


@pytest.mark.parametrize("start", [1, 101, 114, 205])
def test_profiles_along_a_ridge_come_to_rest(start):
    # Few bakes, three levels, failures on one side of one factor: ridges and near separation.
    generator = np.random.default_rng(start)
    bakes, factors = int(generator.integers(12, 24)), int(generator.integers(2, 5))
    X = pd.DataFrame(generator.choice([-1.0, 0.0, 1.0], (bakes, factors)))
    failed = (X[0] > 0) & (generator.random(bakes) < 0.8)
    table = fit_failures(failed, X).coefficients
    assert (table["low"] < table["estimate"]).all()
    assert (table["estimate"] < table["high"]).all()
    assert np.isfinite(table[["low", "high"]].to_numpy()).all()
