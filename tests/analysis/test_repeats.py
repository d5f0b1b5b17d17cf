"""Repeat tastings: told apart from bakes and people, and never counted as either."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials.analysis.fitting import fit
from trials.analysis.question import OWN_VIEW
from trials.core.measures import Measure

SPREADS = {"bake": 0.5, "taster": 0.8, OWN_VIEW: 0.6, "tasting": 0.9}


def tasted(rng, *, bakes=12, tasters=6, times=2, effect=0.0, repeated=None):
    """Scores of bakes at two hydrations; `repeated` bakes are tasted `times`, the others once."""
    repeated = bakes if repeated is None else repeated
    of_bake = rng.normal(0, SPREADS["bake"], bakes)
    of_taster = rng.normal(0, SPREADS["taster"], tasters)
    rows = []
    for bake in range(bakes):
        high = bake % 2
        for taster in range(tasters):
            view = rng.normal(0, SPREADS[OWN_VIEW])
            for _ in range(times if bake < repeated else 1):
                score = 6 + effect * (high - 0.5) + of_bake[bake] + of_taster[taster] + view
                score += rng.normal(0, SPREADS["tasting"])
                rows.append((f"B{bake:02d}", f"T{taster}", 96 + 12 * high, score))
    return pd.DataFrame(rows, columns=["bake", "taster", "hydration", "liking"])


def test_the_spreads_come_back():
    rng = np.random.default_rng(5)
    found = [
        fit(tasted(rng, bakes=24, tasters=8), "liking", ["hydration"], model="main").variance
        for _ in range(20)
    ]
    mean = pd.concat(found).groupby("source")["variance"].mean()
    for source, sd in SPREADS.items():
        assert mean[source] == pytest.approx(sd**2, rel=0.2), source


def test_repeats_everywhere_change_no_degree_of_freedom():
    """Twelve bakes stay twelve bakes, whoever tastes them and however often."""
    rng = np.random.default_rng(8)
    for times in (1, 2, 3):
        data = tasted(rng, times=times)
        found = fit(data, "liking", ["hydration"], model="main")
        assert found.effects["df"].iloc[0] == pytest.approx(10)
        exact = data.groupby(["bake", "hydration"])["liking"].mean().reset_index()
        low, high = (exact["liking"][exact["hydration"] == level] for level in (96, 108))
        pooled = np.sqrt((low.var() + high.var()) / 2 * (2 / 6))
        if "bake" not in found.engine.fit.at_boundary:
            assert found.effects["se"].iloc[0] == pytest.approx(pooled, rel=1e-4)


@pytest.mark.slow
def test_no_more_false_findings_with_a_few_hidden_repeats():
    """At 5 %, 300 rounds without any effect: at most 8 % rejected (three standard errors)."""
    rng = np.random.default_rng(21)
    p = [
        fit(tasted(rng, bakes=8, tasters=4, repeated=2), "liking", ["hydration"], model="main")
        .effects["p"]
        .iloc[0]
        for _ in range(300)
    ]
    assert np.mean(np.array(p) < 0.05) < 0.088


def test_repeats_that_only_echo_count_once():
    rng = np.random.default_rng(3)
    data = tasted(rng, times=1)
    echoed = pd.concat([data, data[data["bake"] == "B01"]], ignore_index=True)
    once, again = (fit(one, "liking", ["hydration"], model="main") for one in (data, echoed))
    assert again.effects["se"].iloc[0] == pytest.approx(once.effects["se"].iloc[0])
    assert any("repeat tasting" in note for note in again.notes)


@pytest.mark.parametrize("step", [0, 1])
def test_two_tasters_who_only_copy_count_once(step):
    """The second says nothing: what is spoken is what the first alone lets one say."""
    data = tasted(np.random.default_rng(11), bakes=8, tasters=1, times=1).round()
    liking = Measure("liking", "hedonic 9", goal="higher")
    both = pd.concat([data, data.assign(taster="T9", liking=data["liking"] + step)])
    alone, told = (fit(one, "liking", ["hydration"], measure=liking) for one in (data, both))
    pd.testing.assert_frame_equal(told.spoken, alone.spoken)
    pd.testing.assert_frame_equal(told.bakes, alone.bakes)
    said = [note for note in told.notes if "T0 and T9" in note]
    assert len(said) == 1
    assert "typed twice?" in said[0]
    assert not any("typed twice" in note for note in alone.notes)


def test_two_who_copy_among_three_are_seen_and_the_third_stays():
    data = tasted(np.random.default_rng(11), bakes=8, tasters=2, times=1).round()
    liking = Measure("liking", "hedonic 9", goal="higher")
    copied = data[data["taster"] == "T0"].assign(taster="T9")
    two, told = (
        fit(one, "liking", ["hydration"], measure=liking)
        for one in (data, pd.concat([data, copied]))
    )
    pd.testing.assert_frame_equal(told.spoken, two.spoken)
    assert set(told.residuals["taster"]) == {"T0", "T1"}
    assert [note.split(" are ")[0] for note in told.notes if "typed twice?" in note] == [
        "The scores of T0 and T9"
    ]


@pytest.mark.parametrize("step", [0, 1])
def test_copies_who_each_missed_a_bake_count_once_and_every_bake_stays(step):
    """Without noise nothing is lost: each bake is told at the level of the one they count as."""
    data = tasted(np.random.default_rng(11), bakes=8, tasters=1, times=1).round()
    copy = data.assign(taster="T9", liking=data["liking"] + step)
    both = pd.concat([data.drop(index=[3]), copy.drop(index=[1])], ignore_index=True)
    liking = Measure("liking", "hedonic 9", goal="higher")
    alone, told = (fit(one, "liking", ["hydration"], measure=liking) for one in (data, both))
    pd.testing.assert_frame_equal(told.spoken, alone.spoken)
    assert set(told.residuals["taster"]) == {"T0"}
    said = [note for note in told.notes if "T0 and T9" in note]
    assert len(said) == 1
    assert "on every bake they share (typed twice?); they count as one taster" in said[0]


@pytest.mark.parametrize(
    "met",
    [
        {"Ben": {0: 5}, "Cy": {1: 5}, "Di": {2: 7}, "Eva": {3: 7}},
        {"Ben": {0: 5, 1: 7}},
        {"Ben": {0: 5, 1: 7, 2: 6}},
    ],
)
def test_tasters_who_meet_on_few_bakes_do_not_copy(met):
    """One bake is always one step apart, and two or three often are: every score counts."""
    one = pd.DataFrame({"bake": [f"B{n}" for n in range(8)], "rest": [20, 60] * 4})
    one = one.assign(taster="Ada", liking=[4.0, 6, 5, 7, 4, 6, 4, 8])
    guests = pd.DataFrame(
        [
            {**one.iloc[place].to_dict(), "taster": name, "liking": float(score)}
            for name, scores in met.items()
            for place, score in scores.items()
        ]
    )
    liking = Measure("liking", "hedonic 9", goal="higher")
    found = fit(pd.concat([one, guests]), "liking", ["rest"], measure=liking)
    assert len(found.residuals) == len(one) + len(guests)
    assert not any("typed twice" in note for note in found.notes)


def test_a_measure_of_the_bake_on_several_rows_names_no_taster():
    height = Measure("height", "number", per="bake", unit="mm", worth_noticing=3)
    one = pd.DataFrame({"bake": [f"B{n}" for n in range(6)], "rest": [20, 60] * 3})
    one = one.assign(height=[40.0, 52, 41, 55, 43, 51])
    both = pd.concat([one.assign(taster=name) for name in ("Ada", "Ben")])
    alone, told = (fit(each, "height", ["rest"], measure=height) for each in (one, both))
    pd.testing.assert_frame_equal(told.effects, alone.effects)
    said = " ".join(told.notes)
    assert "Height is the same in every row of a bake" in said
    assert "typed twice" not in said
    assert "Ada" not in said


def test_rows_that_copy_without_a_name_count_once():
    data = tasted(np.random.default_rng(11), bakes=8, tasters=1, times=1).drop(columns="taster")
    liking = Measure("liking", "hedonic 9", goal="higher")
    alone, told = (
        fit(one, "liking", ["hydration"], measure=liking) for one in (data, pd.concat([data] * 2))
    )
    pd.testing.assert_frame_equal(told.spoken, alone.spoken)
    assert any("typed twice" in note for note in told.notes)


def test_bakes_alike_within_their_oil_fill_are_answered_for():
    """Nothing between bakes was measured: no verdict, and a sentence instead of a refusal."""
    heats = np.repeat([165, 180, 165, 180], 2)
    data = pd.DataFrame({"bake": [f"B{i}" for i in range(8)], "load": np.repeat(range(4), 2)})
    data = data.assign(heat=heats, liking=np.repeat([4, 6, 5, 8], 2))
    liking = Measure("liking", "hedonic 9", goal="higher")
    found = fit(data, "liking", ["heat"], measure=liking)
    assert np.isfinite(found.spoken[["low", "high"]]).all(axis=None)
    assert found.effects["low"].isna().all()
    assert any("all scored the same" in note for note in found.notes)


def test_one_taster_repeats_within_the_bake():
    """With one taster the bake already holds the repeats together."""
    rng = np.random.default_rng(4)
    found = fit(tasted(rng, tasters=1, repeated=6), "liking", ["hydration"], model="main")
    assert set(found.variance["source"]) == {"bake", "tasting"}
    assert found.effects["df"].iloc[0] < 11


def test_a_new_bake_is_as_sure_as_its_own_spread_and_no_tasting_makes_it_less():
    rng = np.random.default_rng(6)
    found = fit(tasted(rng), "liking", ["hydration"], model="main")
    row = found.predict({"hydration": 96}).iloc[0]
    reach = row["new_high"] - row["estimate"]
    # Never surer than if the bakes' spread were known, nor as wide as one more tasting would be
    assert reach > stats.norm.ppf(0.975) * np.sqrt(row["se"] ** 2 + found.spread["bake"])
    assert reach < stats.norm.ppf(0.975) * np.sqrt(found.spread["bake"] + found.spread["tasting"])


def test_a_plan_that_spends_every_bake_is_judged_on_bake_means():
    rng = np.random.default_rng(7)
    data = tasted(rng, bakes=8, repeated=3)
    for name, period in (("fat", 4), ("sugar", 2)):
        data[name] = [int(bake[1:]) // period % 2 for bake in data["bake"]]
    model = ["hydration", "fat", "sugar", "hydration:fat", "hydration:sugar", "fat:sugar"]
    model += ["hydration:fat:sugar"]
    found = fit(data, "liking", ["hydration", "fat", "sugar"], model=model)
    assert found.method == "Lenth's method"
    assert found.averaged is not None


def test_who_agree_on_yes_and_no_did_not_copy():
    """Two who both saw what held its shape: of two words honest people often say the same."""
    one = pd.DataFrame({"bake": [f"B{n}" for n in range(8)], "rest": [20, 60] * 4})
    one = one.assign(held=[0.0, 1, 0, 1, 1, 1, 0, 1])
    both = pd.concat([one.assign(taster=name) for name in ("Ada", "Ben")])
    found = fit(both, "held", ["rest"], measure=Measure("held", "passed", goal="higher"))
    assert not any("typed twice" in note for note in found.notes)
