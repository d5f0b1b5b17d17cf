"""The best setting against the published desirability example, and what it must never do."""

import json
import re
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import trials
from trials.analysis.choice import frontier, not_dominated, weight_sensitivity
from trials.analysis.draws import expected_draws
from trials.analysis.explanations import Candidate
from trials.analysis.failing import failing
from trials.analysis.failures import explain_failures
from trials.analysis.fitting import fit
from trials.base.errors import FitError, PlanError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure
from trials.deciding.choosing import recommend

REFERENCE = Path(__file__).parents[1] / "reference"
OIL = Numeric("oil", 165, 180, "°C", step=1)
WATER = Numeric("water", 92, 108, "%")
FAT = Categorical("fat", ["butter", "lard", "sunflower oil"])
LIKING = Measure("liking", "hedonic 9", goal="higher")


def scored(factors, truth, repeats=2, noise=0.3, seed=1, levels=3):
    """Invented scores of every combination of settings."""
    axes = [
        factor.levels if isinstance(factor, Categorical)
        else np.linspace(factor.low, factor.high, levels)
        for factor in factors
    ]  # fmt: skip
    names = [factor.name for factor in factors]
    table = pd.DataFrame(
        np.array(np.meshgrid(*axes, indexing="ij"), dtype=object).reshape(len(axes), -1).T,
        columns=names,
    )
    table = pd.concat([table] * repeats, ignore_index=True)
    rng = np.random.default_rng(seed)
    table["liking"] = [truth(row) for row in table.to_dict("records")]
    table["liking"] = table["liking"] + rng.normal(0, noise, len(table))
    return table


class TestTyreTread:
    """Derringer & Suich 1980, J. Qual. Technol. 12:214-219; optimum computed with R 4.2.2."""

    known = json.loads((REFERENCE / "tyre_tread_expected.json").read_text(encoding="utf-8"))
    factors = tuple(Numeric(name, -1.633, 1.633) for name in ("x1", "x2", "x3"))
    measures = (
        Measure("y1", "number", goal="higher"),
        Measure("y2", "number", goal="higher"),
        Measure("y3", "number", goal=("target", 500, 100)),
        Measure("y4", "number", goal=("target", 67.5, 7.5)),
    )

    def recommended(self, **more):
        table = pd.read_csv(REFERENCE / "tyre_tread.csv")
        fits = {
            one.name: fit(table, one.name, self.factors, model="quadratic", groups=())
            for one in self.measures
        }
        return recommend(
            fits,
            self.measures,
            limits={"y1": (120, 170), "y2": (1000, 1300)},
            exclude=lambda bake: sum(value**2 for value in bake.values()) > 1.633**2,
            **more,
        )

    def test_overall_desirability(self):
        found = self.recommended(exact=True)
        best = self.known["best_found"]
        # The surface is flat to the sixth digit around its kink
        assert found.desirability == pytest.approx(best["D"], abs=1e-6)
        assert [found.settings[name] for name in ("x1", "x2", "x3")] == pytest.approx(
            best["x"], abs=2e-3
        )
        detail = self.known["best_found_detail"]
        assert found.expected["estimate"].tolist() == pytest.approx(detail["pred"], rel=1e-3)
        assert found.expected["desirability"].tolist() == pytest.approx(detail["d"], abs=5e-3)
        # As printed in the paper, from memory: 0.583
        assert round(found.desirability, 3) == 0.583

    def test_the_goals_at_the_published_setting(self):
        found = self.recommended(exact=True)
        known = self.known["desirability_at_published_x"]
        own = [
            float(goal.desirability(np.array([value])).item())
            for goal, value in zip(found.goals, known["pred"], strict=True)
        ]
        assert own == pytest.approx(known["d"], abs=1e-9)
        assert np.prod(own) ** 0.25 == pytest.approx(known["D"], abs=1e-9)

    def test_what_a_kitchen_can_set_costs_little(self):
        found = self.recommended()
        steps = np.array(list(found.settings.values())) / 0.2
        assert np.allclose(steps, np.round(steps))
        assert 0.57 < found.desirability < self.known["best_found"]["D"]


def bent(row):
    """A peak at 170 °C and 96 %, lard best by 0.5, all the same to within 0.1 along one line."""
    oil, water = (row["oil"] - 170) / 7.5, (row["water"] - 96) / 8
    return 7 - oil**2 - water**2 + 0.5 * (row["fat"] == "lard")


@pytest.fixture(scope="module")
def peaked():
    return fit(scored([OIL, WATER, FAT], bent), "liking", [OIL, WATER, FAT], model="quadratic")


def test_one_measure_is_the_best_expected_value(peaked):
    found = recommend(peaked, LIKING)
    grid = pd.DataFrame(
        [(o, w, f) for o in range(165, 181) for w in range(92, 109) for f in FAT.levels],
        columns=["oil", "water", "fat"],
    )
    values = peaked.expected(grid)
    best = grid.iloc[int(np.argmax(values))].to_dict()
    assert found.settings == best
    assert found.expected["estimate"].iloc[0] == pytest.approx(values.max(), rel=1e-12)
    assert found.settings["fat"] == "lard"


def test_averaged_explanations_choose_by_their_mean():
    # Eight bakes of a half fraction: nothing is left for error, so explanations are averaged
    names = ["a", "b", "c", "d"]
    factors = [Numeric(name, -1, 1) for name in names]
    half = np.array(list(product([-1, 1], repeat=3)))
    bakes = pd.DataFrame(np.column_stack([half, half.prod(axis=1)]), columns=names)
    rng = np.random.default_rng(7)
    bakes["liking"] = 6 + bakes["a"] - 0.4 * bakes["a"] * bakes["b"] + rng.normal(0, 0.2, 8)
    found = fit(bakes, "liking", factors)
    assert found.averaged is not None
    corners = pd.DataFrame(list(product([-1.0, 1.0], repeat=4)), columns=names)
    means = expected_draws(found, corners).mean(axis=1)
    best = recommend(found, LIKING)
    assert best.expected["estimate"].iloc[0] == pytest.approx(means.max(), rel=1e-9)
    assert best.settings["a"] == 1
    drawn = expected_draws(found, pd.DataFrame([best.settings]))[0]
    row = best.expected.iloc[0]
    assert (row["low"], row["high"]) == pytest.approx(tuple(np.quantile(drawn, [0.025, 0.975])))
    # A new bake adds its own spread, taken from what the explanations leave
    assert row["new_low"] < row["low"] < row["high"] < row["new_high"]


def test_the_same_figures_as_predict(peaked):
    found = recommend(peaked, LIKING)
    row, wanted = found.expected.iloc[0], peaked.predict(found.settings).iloc[0]
    for name in ("estimate", "low", "high", "new_low", "new_high"):
        assert row[name] == pytest.approx(wanted[name], rel=1e-12)


def test_the_chance_of_a_goal_follows_from_the_interval_of_a_new_bake(peaked):
    # Student's t of the new bake: with its own spread, at the fit's degrees of freedom
    found = recommend(peaked, LIKING, enough={"liking": 7.3})
    wanted = peaked.predict(found.settings).iloc[0]
    scale = np.sqrt(wanted["se"] ** 2 + sum(peaked.spread.values()))
    chance = stats.t.sf((7.3 - wanted["estimate"]) / scale, wanted["df"])
    assert found.chance_all_goals == pytest.approx(chance, abs=0.03)  # 4000 draws: +-0.016


def test_public_name_and_words(peaked):
    found = trials.recommend(peaked, [LIKING])
    assert "Setting to go for: oil 170 °C" in repr(found)
    assert "equally good" in repr(found)
    assert "<table" in found._repr_html_()
    assert list(found.expected.columns)[:6] == [
        "measure", "estimate", "low", "high", "new_low", "new_high",
    ]  # fmt: skip


def test_good_settings_are_within_what_is_worth_noticing(peaked):
    found = recommend(peaked, LIKING)
    good = found.good_settings
    assert good.iloc[0][["oil", "water", "fat"]].to_dict() == found.settings
    assert (good["chance_as_good"] >= 0.5).all()
    loss = found.expected["estimate"].iloc[0] - peaked.expected(good)
    assert loss.max() < LIKING.margin + 0.05  # half of the draws lie on either side of the mean
    assert len(good) > 20
    assert len(set(good["fat"])) > 1


def test_lower_and_targets(peaked):
    low = recommend(peaked, Measure("liking", "hedonic 9", goal="lower"))
    assert low.settings["oil"] == 180
    assert low.settings["water"] == 108
    assert low.settings["fat"] != "lard"
    aimed = recommend(peaked, Measure("liking", "hedonic 9", goal=("target", 6.0, 0.5)))
    assert aimed.expected["estimate"].iloc[0] == pytest.approx(6.0, abs=0.05)
    between = recommend(peaked, Measure("liking", "hedonic 9", goal=("between", 5, 5.5)))
    # Anywhere between is as desirable; the middle is where one bake errs out of it least
    assert between.expected["estimate"].iloc[0] == pytest.approx(5.25, abs=0.05)
    assert between.desirability == 1


def test_goals_that_nothing_meets_are_missed_by_the_least(peaked):
    high = Measure("liking", "hedonic 9", goal=("between", 8.5, 9))
    found = recommend({"liking": peaked}, {"liking": high})
    assert found.desirability == 0
    assert found.settings["oil"] == recommend(peaked, LIKING).settings["oil"]
    assert "misses" in repr(found)


def test_a_goal_out_of_reach_is_named_with_how_near_any_setting_comes(peaked):
    top = recommend(peaked, LIKING).expected["estimate"].iloc[0]
    found = recommend(peaked, LIKING, limits={"liking": (8.5, 9)})
    said = [note for note in found.notes if "to bring liking to its goal" in note]
    assert said == [
        "No setting is expected to bring liking to its goal (higher, counts as met from "
        f"8.5 upward); the nearest that any comes is {top:.3g}."
    ]
    easy = recommend(peaked, LIKING, enough={"liking": 3.0})
    assert not any("to bring liking" in note for note in easy.notes)


def test_a_goal_that_nobody_named_is_not_missed():
    # Nothing but noise: no setting is expected to be noticeably better than the middle
    table = scored([OIL, WATER], lambda row: 5.0, repeats=3)
    found = recommend(fit(table, "liking", [OIL, WATER], model="main"), LIKING)
    goal = found.goals[0]
    assert found.expected["estimate"].iloc[0] < goal.enough_from
    assert not goal.named
    said = repr(found)
    assert "to its goal" not in said
    assert "meet the goal" not in said
    assert "the ends of its scale" in said
    assert "You named no value from which liking is good enough" in said
    for own in ({"enough": {"liking": 8.0}}, {"limits": {"liking": (8.0, 9.0)}}):
        named = recommend(fit(table, "liking", [OIL, WATER], model="main"), LIKING, **own)
        assert named.goals[0].named
        assert "No setting is expected to bring liking to its goal" in repr(named)
        assert "You named no value" not in repr(named)


def test_ranges_are_not_read_as_freedom_in_each_factor():
    # Lard is as good cool as butter hot: all of both ranges, half of their combinations
    two = Categorical("fat", ["butter", "lard"])

    def truth(row):
        return 6 + (1 if row["fat"] == "butter" else -1) * (row["oil"] - 172.5) / 7.5

    table = scored([OIL, two], truth, repeats=4, noise=0.05)
    found = recommend(fit(table, "liking", [OIL, two], model="interactions"), LIKING)
    assert found.good_ranges["all_of_it"].all()
    within = found.sentences[-1]
    assert "any oil and fat" in within
    # Every setting looked at lies in those ranges
    looked_at = int(within.split(" settings looked at")[0].split(" of ")[-1])
    share = 100 * len(found.good_settings) / looked_at
    assert 20 < share < 60
    assert f"Not all combinations of these: {share:.0f} % " in within
    plain = fit(
        scored([OIL, two], lambda row: 6.0, repeats=4, noise=0.05), "liking", [OIL, two],
        model="main",
    )  # fmt: skip
    assert "Not all" not in recommend(plain, LIKING).sentences[-1]


FIVE = [Numeric(name, 10, 20, "%") for name in ("salt", "milk", "malt", "rye")]
FIVE += [Categorical("fat", ["butter", "lard"])]


def half_of_five(effect, noise, seed):
    """The 16 bakes of resolution V: an effect of every pair, and none left for error."""
    table = pd.DataFrame(list(product((-1, 1), repeat=5)), columns=[one.name for one in FIVE])
    table = table[table.prod(axis=1) == 1].reset_index(drop=True)
    rng = np.random.default_rng(seed)
    liking = 5 + effect * table["salt"] + rng.normal(0, noise, 16)
    table = table.assign(**{one.name: 15 + 5 * table[one.name] for one in FIVE[:4]}, liking=liking)
    return table.assign(fat=np.where(table["fat"] > 0, "lard", "butter"))


def test_predictions_without_an_error_go_by_what_recommends():
    found = fit(half_of_five(0.6, 0.5, 3), "liking", FIVE, measure=LIKING)
    assert found.by_draws
    best = recommend(found, LIKING)
    row, told = found.predict(best.settings).iloc[0], best.expected.iloc[0]
    for name in ("estimate", "low", "high", "new_low", "new_high"):
        assert row[name] == pytest.approx(told[name], rel=1e-9), name
    draws = expected_draws(found, pd.DataFrame([best.settings]))[0]
    assert row["estimate"] == pytest.approx(draws.mean())
    assert [row["low"], row["high"]] == pytest.approx(np.quantile(draws, [0.025, 0.975]).tolist())
    assert row["new_high"] - row["new_low"] > row["high"] - row["low"]
    # The fit's own numbers stay the textbook's: 16 coefficients run through all 16 bakes
    bakes = half_of_five(0.6, 0.5, 3)
    assert found.expected(bakes) == pytest.approx(bakes["liking"].to_numpy())


def test_predictions_with_an_error_are_the_fits_own(peaked):
    assert not peaked.by_draws
    at = {"oil": 172, "water": 96, "fat": "lard"}
    own = peaked.expected(pd.DataFrame([at]))[0]
    assert peaked.predict(at)["estimate"].iloc[0] == pytest.approx(own)


def test_where_the_whole_model_says_something_else_it_is_noted():
    found = fit(half_of_five(0.6, 0.5, 3), "liking", FIVE, measure=LIKING)
    best = recommend(found, LIKING)
    whole = found.expected(pd.DataFrame([best.settings]))[0]
    told = best.expected.iloc[0]
    assert abs(whole - told["estimate"]) > found.margin
    less = "less" if told["estimate"] < whole else "more"
    assert (
        f"liking: the whole model taken as it comes would expect {whole:.3g} there; simpler "
        f"explanations that fit as well expect {less}."
    ) in best.notes


def test_where_both_agree_nothing_is_noted():
    # Both factors and their pair matter beyond doubt, so every explanation holds all of them
    table = scored(
        [OIL, WATER],
        lambda row: 6 + (row["oil"] - 172.5) / 7.5 * (1.2 + (row["water"] - 100) / 8),
        repeats=3, noise=0.1, levels=2,
    )  # fmt: skip
    found = fit(table, "liking", [OIL, WATER], measure=LIKING)
    assert found.averaged is not None
    assert "whole model" not in repr(recommend(found, LIKING))


def test_a_choice_never_goes_beyond_what_was_baked():
    # The limits run to 190 °C, but nothing hotter than 180 °C was scored
    oil = Numeric("oil", 160, 190, "°C")
    bakes = pd.DataFrame({"oil": [165.0, 172.5, 180.0] * 4})
    bakes["liking"] = 5 + (bakes["oil"] - 165) / 10 + np.tile([0.1, -0.1, 0, 0.1], 3)
    fitted = fit(bakes, "liking", [oil], model="main")
    assert any("only 165 °C to 180 °C was baked" in note for note in fitted.notes)
    assert recommend(fitted, LIKING).settings["oil"] == 180
    kept = recommend(fit(bakes, "liking", ["oil"], model="main"), LIKING)
    assert not any("Outside" in note for note in kept.notes)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"limits": {"liking": 7}}, r"'liking' of \"limits\" is 7; expected"),
        (
            {"limits": {"liking": (7, float("nan"))}},
            r"'liking', number 2, of \"limits\" is not a number",
        ),
        ({"limits": {"liking": ("7", 9)}}, r"number 1, of \"limits\" is the text \"7\""),
        ({"enough": {"liking": float("nan")}}, r"'liking' of \"enough\" is not a number"),
        ({"enough": {"liking": "six"}}, r"of \"enough\" is the text \"six\""),
        ({"weights": {"liking": "much"}}, r"of \"weights\" is the text \"much\""),
        ({"weights": {"liking": True}}, r"of \"weights\" is True"),
        ({"failure_limit": "low"}, r"\"failure_limit\" is the text \"low\""),
        ({"wobble": {"oil": "a bit"}}, r"'oil' of \"wobble\" is the text \"a bit\""),
        ({"wobble": {"oil": float("inf")}}, r"wobble gives \"oil\" inf"),
    ],
)
def test_what_is_no_number_is_refused_in_words(peaked, given, said):
    with pytest.raises(FitError, match=said):
        recommend(peaked, LIKING, **given)


def fried_or_baked():
    """A weighed and a tasted measure, a heat only where it is fried, a rack where it is baked."""
    method = Categorical("method", ["baked", "fried"])
    heat = Numeric("heat", 165, 180, "°C", only_when=("method", ["fried"]))
    rest = Numeric("rest", 20, 60, "min")
    rack = Categorical("rack", ["top", "bottom"], only_when=("method", ["baked"]))
    cells = [("fried", h, "") for h in (165, 172.5, 180)]
    cells += [("baked", np.nan, rack_) for rack_ in ("top", "bottom")]
    rows = [(m, h, r, k) for _ in range(3) for r in (20, 40, 60) for m, h, k in cells]
    table = pd.DataFrame(rows, columns=["method", "heat", "rest", "rack"])
    rng = np.random.default_rng(3)
    x = np.nan_to_num((table["heat"] - 172.5) / 7.5)
    fried = table["method"] == "fried"
    table["liking"] = 6 + 0.6 * fried + 0.5 * x - 0.6 * x**2 + rng.normal(0, 0.2, len(table))
    table["spread"] = 60 + 3 * x - (table["rest"] - 40) / 10 + rng.normal(0, 0.5, len(table))
    return table, [method, heat, rest, rack]


def test_two_measures_with_nested_settings():
    table, factors = fried_or_baked()
    spread = Measure("spread", "number", unit="mm", per="bake", goal=("target", 60, 3))
    fits = {one: fit(table, one, factors, model="quadratic") for one in ("liking", "spread")}
    found = recommend(fits, [LIKING, spread])
    # Liking is best where x = 0.5 / 1.2, and a longer rest brings the spread back to 60
    assert found.settings["method"] == "fried"
    assert found.settings["rack"] == ""
    assert abs(found.settings["heat"] - (172.5 + 7.5 * 0.5 / 1.2)) < 3
    assert abs(found.expected["estimate"].iloc[1] - 60) < 1
    baked = recommend(fits, [LIKING, spread], exclude=[{"method": "fried"}])
    assert np.isnan(baked.settings["heat"])
    assert "heat –" in baked.sentences[0]
    edge = frontier(fits, [LIKING, spread])
    assert edge.loc[edge["method"] == "fried", "rack"].eq("").all()


def test_nothing_is_recommended_where_bakes_fail(peaked):
    hot = recommend(peaked, LIKING, failure=lambda bake: 0.3 if bake["oil"] < 173 else 0.02)
    assert hot.settings["oil"] == 173
    assert hot.chance_of_failure == 0.02
    with pytest.raises(PlanError, match="least is 30 %"):
        recommend(peaked, LIKING, failure=lambda bake: 0.3)


def test_the_failure_model_is_asked_as_the_bakes_were(peaked):
    table = scored([OIL, WATER, FAT], bent, repeats=1)
    failed = ((table["oil"] < 170) & (table["water"] < 95)).to_numpy() | (table["oil"] < 166)
    oil = OIL.code(table["oil"])
    found = explain_failures(failed, table[["oil", "water"]], [Candidate("oil", oil[:, None])])
    assert found.fit is not None
    best = recommend(peaked, LIKING, failure=found, failure_limit=0.2)
    here = pd.DataFrame({"oil": OIL.code([best.settings["oil"]])})
    assert best.chance_of_failure == pytest.approx(found.fit.chances(here)["chance"].iloc[0])
    assert best.chance_of_failure < 0.2
    assert best.settings["oil"] > recommend(peaked, LIKING).settings["oil"]


def test_failed_bakes_in_the_findings_are_steered_away_from():
    table = scored([OIL, WATER], lambda row: 6 + 0.1 * (row["oil"] - 172), repeats=3, levels=2)
    table["bake"] = [f"B{n:02d}" for n in range(1, len(table) + 1)]
    table["status"] = np.where(table["oil"] == 180, "failed", "made")
    table.loc[table.index[-1], "status"] = "made"
    table["reason"] = ""
    found = fit(table, "liking", [OIL, WATER], model="main")
    best = recommend(found, LIKING)
    assert best.settings["oil"] < 175
    assert any("fails" in note for note in best.notes)
    assert recommend(found, LIKING, failure=False).settings["oil"] == 180


def test_what_failing_says_is_taken_as_it_is(peaked):
    bakes = scored([OIL, WATER, FAT], bent, repeats=1)
    failed = (bakes["oil"] == 165) | ((bakes["oil"] == 172.5) & (bakes["water"] == 92))
    bakes = bakes.assign(
        bake=[f"B{n:02d}" for n in range(1, len(bakes) + 1)],
        status=np.where(failed, "failed", "made"),
        reason="",
    )
    said = failing(bakes, [OIL, WATER, FAT])
    best = recommend(peaked, LIKING, failure=said, failure_limit=0.15)
    assert best.chance_of_failure == pytest.approx(said.chance(best.settings)[0], rel=1e-9)
    assert best.settings["oil"] > 172


def test_without_any_error_no_chance_is_made_up():
    parts = [Component(name) for name in ("rye", "wheat", "spelt")]
    lattice = pd.DataFrame(
        [(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)],
        columns=["rye", "wheat", "spelt"],
    )
    found = fit(lattice.assign(liking=[5, 6, 4, 7.2, 5, 5.5]), "liking", parts, model="blend")
    assert not np.isfinite(found.engine.cov).any()
    best = recommend(found, LIKING)
    assert np.isnan(best.chance_all_goals)
    assert best.settings["rye"] + best.settings["wheat"] == pytest.approx(1)
    assert "can not be said" in repr(best)


def test_a_flat_spot_beats_a_peak_when_the_kitchen_errs():
    # A narrow peak at 177 against a broad one: the straight sum of two quadratics by kind
    def truth(row):
        oil = (row["oil"] - 172.5) / 7.5
        return 6.5 - 3 * oil**2 if row["fat"] == "lard" else 6.2 - 0.3 * oil**2

    two = Categorical("fat", ["butter", "lard"])
    found = fit(
        scored([OIL, two], truth, repeats=4, noise=0.05, levels=5),
        "liking",
        [OIL, two],
        model=["oil", "fat", "oil:fat", "oil^2", "oil^2:fat"],
    )
    assert recommend(found, LIKING).settings["fat"] == "lard"
    careful = recommend(found, LIKING, wobble={"oil": 3})
    assert careful.settings["fat"] == "butter"
    # Expected loss of a square under an error of sd s: its coefficient times s squared
    assert 3 * (3 / 7.5) ** 2 > 0.3 + 0.3 * (3 / 7.5) ** 2


class TestBadInput:
    def test_no_goal(self, peaked):
        with pytest.raises(FitError, match="no goal was set"):
            recommend(peaked, Measure("liking", "hedonic 9"))

    def test_a_measure_that_was_not_fitted(self, peaked):
        with pytest.raises(FitError, match='no findings for "crispness"; there are for liking'):
            recommend(peaked, [LIKING, Measure("crispness", "number", goal="higher")])

    def test_a_goal_off_the_scale(self, peaked):
        with pytest.raises(FitError, match="its scale runs from 1 to 9"):
            recommend(peaked, Measure("liking", "hedonic 9", goal=("between", 10, 12)))

    def test_limits_the_wrong_way_round(self, peaked):
        with pytest.raises(FitError, match="should be higher, but its limits go from 8 to 5"):
            recommend(peaked, LIKING, limits={"liking": (8, 5)})

    def test_limits_for_a_target(self, peaked):
        aimed = Measure("liking", "hedonic 9", goal=("target", 6, 1))
        with pytest.raises(FitError, match="holds its own limits"):
            recommend(peaked, aimed, limits={"liking": (5, 8)})

    def test_everything_excluded(self, peaked):
        with pytest.raises(PlanError, match="every setting between the limits is excluded"):
            recommend(peaked, LIKING, exclude=lambda bake: True)

    @pytest.mark.parametrize("argument", ["weights", "limits", "enough"])
    def test_names_that_are_no_measure(self, peaked, argument):
        given = {"weights": 1, "limits": (1, 9), "enough": 6}[argument]
        with pytest.raises(FitError, match=f'{argument} names "taste"'):
            recommend(peaked, LIKING, **{argument: {"taste": given}})

    @pytest.mark.parametrize("weight", [0, -1])
    def test_weights_that_weigh_nothing(self, peaked, weight):
        with pytest.raises(FitError, match="has the weight"):
            recommend(peaked, LIKING, weights={"liking": weight})

    def test_a_weight_that_is_no_number(self, peaked):
        with pytest.raises(FitError, match="'liking' of \"weights\" is not a number"):
            recommend(peaked, LIKING, weights={"liking": float("nan")})

    def test_errors_of_a_kind(self, peaked):
        with pytest.raises(FitError, match="it has kinds"):
            recommend(peaked, LIKING, wobble={"fat": 1})
        with pytest.raises(FitError, match="is no factor"):
            recommend(peaked, LIKING, wobble={"oven": 1})

    def test_a_failure_limit_that_allows_nothing(self, peaked):
        with pytest.raises(FitError, match="failure_limit is 0"):
            recommend(peaked, LIKING, failure_limit=0)


# Boxes that leave something of the plane, whatever they overlap
BOX = st.tuples(st.floats(165, 180), st.floats(165, 180), st.floats(92, 107), st.floats(92, 107))


@settings(max_examples=12, deadline=None)
@given(boxes=st.lists(BOX, min_size=1, max_size=3), fat=st.sampled_from(FAT.levels))
def test_no_recommendation_is_excluded_or_off_limits(peaked, boxes, fat):
    table = [{"oil": tuple(sorted(box[:2])), "water": tuple(sorted(box[2:]))} for box in boxes] + [
        {"fat": fat}
    ]
    found = recommend(peaked, LIKING, exclude=table)
    shown = pd.concat([pd.DataFrame([found.settings]), found.good_settings], ignore_index=True)
    assert shown["oil"].between(165, 180).all()
    assert shown["water"].between(92, 108).all()
    assert (shown["fat"] != fat).all()
    assert set(shown["oil"]) <= {*range(165, 181), OIL.middle}
    for box in table[:-1]:
        inside = shown["oil"].between(*box["oil"]) & shown["water"].between(*box["water"])
        assert not inside.any()


@settings(max_examples=12, deadline=None)
@given(edge=st.integers(166, 178), wet=st.floats(92, 108))
def test_a_rule_holds_for_the_very_numbers_that_are_shown(peaked, edge, wet):
    def hot_and_wet(bake):
        return bake["oil"] >= edge and bake["water"] >= wet

    found = recommend(peaked, LIKING, exclude=hot_and_wet)
    shown = pd.concat([pd.DataFrame([found.settings]), found.good_settings], ignore_index=True)
    assert not any(hot_and_wet(bake) for bake in shown.to_dict("records"))


def test_a_rule_that_fails_is_named(peaked):
    with pytest.raises(PlanError, match="exclude fails: KeyError: 'oven'"):
        recommend(peaked, LIKING, exclude=lambda bake: bake["oven"] > 200)


SHARES = st.tuples(st.floats(0, 0.3), st.floats(0, 0.3), st.floats(0, 0.3))


@pytest.fixture(scope="module")
def blend():
    rng = np.random.default_rng(5)
    shares = rng.dirichlet(np.ones(3), 30)
    table = pd.DataFrame(shares, columns=["rye", "wheat", "spelt"])
    table["liking"] = (
        5 + shares @ [0.5, 1.0, 0.0] + 6 * shares[:, 0] * shares[:, 1] + rng.normal(0, 0.1, 30)
    )
    return table


@settings(max_examples=8, deadline=None)
@given(low=SHARES, most=st.floats(0.45, 1))
def test_blends_sum_to_one_within_their_limits(blend, low, most):
    parts = [
        Component(name, share, most)
        for name, share in zip(("rye", "wheat", "spelt"), low, strict=True)
    ]
    found = trials.fit(blend, "liking", parts, model="blend", outside_range=True)
    best = recommend(found, LIKING)
    shown = pd.concat([pd.DataFrame([best.settings]), best.good_settings])[
        ["rye", "wheat", "spelt"]
    ]
    assert np.allclose(shown.sum(axis=1), 1, atol=1e-9)
    for part in parts:
        assert (shown[part.name] >= part.low - 1e-9).all()
        assert (shown[part.name] <= part.high + 1e-9).all()


def test_the_best_blend(blend):
    parts = [Component(name) for name in ("rye", "wheat", "spelt")]
    found = fit(blend, "liking", parts, model="blend")
    best = recommend(found, LIKING)
    places = np.arange(101)
    grid = pd.DataFrame(
        [(a, b, 100 - a - b) for a in places for b in places if a + b <= 100],
        columns=["rye", "wheat", "spelt"],
    ) / 100  # fmt: skip
    assert best.expected["estimate"].iloc[0] == pytest.approx(found.expected(grid).max(), abs=1e-9)


def test_the_same_answer_every_time(peaked):
    one, other = recommend(peaked, LIKING), recommend(peaked, LIKING)
    assert one.settings == other.settings
    assert one.chance_all_goals == other.chance_all_goals
    pd.testing.assert_frame_equal(one.good_settings, other.good_settings)


@pytest.fixture(scope="module")
def rivals():
    table = scored([OIL, WATER, FAT], bent)
    rng = np.random.default_rng(3)
    table["crispness"] = 5 + 0.2 * (table["oil"] - 172) + rng.normal(0, 0.3, len(table))
    factors = [OIL, WATER, FAT]
    return {name: fit(table, name, factors, model="quadratic") for name in ("liking", "crispness")}


CRISP = Measure("crispness", ("intensity", 0, 10), goal="higher")


def test_the_frontier_holds_what_nothing_beats(rivals):
    found = frontier(rivals, [LIKING, CRISP])
    values = found[["liking", "crispness"]].to_numpy()
    for row in values:
        better = (values >= row - 1e-9).all(axis=1) & (values > row + 1e-6).any(axis=1)
        assert not better.any()
    assert found["liking"].is_monotonic_decreasing
    assert found["crispness"].is_monotonic_increasing
    best = recommend(rivals["liking"], LIKING).expected["estimate"].iloc[0]
    assert found["liking"].iloc[0] == pytest.approx(best, abs=0.02)  # candidates are a grid
    assert set(found["fat"]) <= {"lard"} | set(found["fat"].iloc[1:])


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(*[st.integers(0, 5)] * 3), min_size=1, max_size=30))
def test_not_dominated_by_its_definition(rows):
    losses = np.array(rows, dtype=float)
    wanted = [
        n
        for n, row in enumerate(losses)
        if not any((o <= row).all() and (o < row).any() for o in losses)
    ]
    assert not_dominated(losses).tolist() == wanted


def test_a_frontier_needs_two_goals(peaked):
    with pytest.raises(FitError, match="only liking has a goal"):
        frontier(peaked, LIKING)


def test_weights_move_the_choice_towards_what_counts_more(rivals):
    found = weight_sensitivity(rivals, [LIKING, CRISP], factor=4)
    known = found.set_index(["measure", "counts"])["crispness"]
    assert known["crispness", "more"] > known["all", "as it is"] > known["crispness", "less"]
    assert found["noticeable"].dtype == bool
    assert not found["noticeable"].iloc[0]
    heavy = recommend(rivals, [LIKING, CRISP], weights={"crispness": 4})
    assert heavy.expected["estimate"].iloc[1] == pytest.approx(known["crispness", "more"])


def test_the_order_of_the_factors_never_decides_what_failures_rule_out():
    # Hot and wet tore; hot and dry is best, and all four bakes there were made
    axes = [(165, 190), (16, 24), ("butter", "lard"), (20, 60)]
    names = ["oven", "hydration", "fat", "rest"]
    table = pd.DataFrame(list(product(*axes)), columns=names)
    torn = (table["oven"] == 190) & (table["hydration"] == 24)
    rng = np.random.default_rng(5)
    table["liking"] = 5 + (table["oven"] - 177.5) / 12.5 - (table["hydration"] - 20) / 8
    table["liking"] = (table["liking"] + rng.normal(0, 0.2, 16)).where(~torn)
    table = table.assign(bake=[f"B{n:02d}" for n in range(1, 17)], reason="")
    table["status"] = np.where(torn, "failed", "made")
    factors = [Numeric("oven", 165, 190, "°C"), Numeric("hydration", 16, 24, "%")]
    factors += [Categorical("fat", ["butter", "lard"]), Numeric("rest", 20, 60, "min")]
    found = []
    for order in ([0, 1, 2, 3], [1, 0, 2, 3], [3, 2, 1, 0]):
        fitted = fit(table, "liking", [factors[n] for n in order], model="main")
        found.append(recommend(fitted, LIKING))
    for best in found:
        assert (best.settings["oven"], best.settings["hydration"]) == (190, 16)
        assert best.settings == found[0].settings
        assert best.chance_of_failure == pytest.approx(found[0].chance_of_failure, abs=1e-9)
        assert best.chance_of_failure < 0.1


@pytest.mark.parametrize(("noise", "told"), [(0.2, 2), (1.0, 1), (20.0, 0)])
def test_an_expected_score_is_told_no_finer_than_it_is_known(noise, told):
    """A quarter of the interval is about one standard error: half of that is the last digit."""
    firm = Measure("firm", "number", goal="higher")
    table = scored([OIL, WATER], lambda row: 50 + row["oil"] / 10, noise=noise)
    table = table.rename(columns={"liking": "firm"})
    found = recommend(fit(table, "firm", [OIL, WATER], measure=firm), firm)
    row = found.expected.iloc[0]
    assert told == max(0, int(np.ceil(-np.log10((row["high"] - row["low"]) / 8))))
    (sentence,) = [one for one in found.sentences if one.startswith("firm: ")]
    low, high = re.search(r"many bakes ([\d.]+) to ([\d.]+)\)", sentence).groups()
    assert (low, high) == (f"{row['low']:.{told}f}", f"{row['high']:.{told}f}")
