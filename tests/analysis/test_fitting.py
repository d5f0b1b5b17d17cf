"""The fit against published analyses, and what it must never let pass."""

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import fractional_factorial, full_factorial

REFERENCE = Path(__file__).parents[1] / "reference"
TEMPERATURES = [175, 185, 195, 205, 215, 225]


def table(name):
    return pd.read_csv(REFERENCE / name)


def expected(name):
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def cake():
    factors = ["recipe", Categorical("temperature", TEMPERATURES)]
    return fit(table("cake.csv"), "angle", factors, groups=("replicate", "replicate/recipe"))


class TestCake:
    """Cook 1938 in Cochran & Cox 1957, p. 300; R 4.2.2 with lme4 1.1-31 and pbkrtest 0.5.2."""

    known = expected("cake_expected.json")

    def test_variance_components(self, cake):
        wanted = self.known["crossed_model"]["variance_components"]
        found = dict(zip(cake.variance["source"], cake.variance["variance"], strict=True))
        assert found["replicate"] == pytest.approx(wanted["replicate"], rel=1e-4)
        assert found["replicate/recipe"] == pytest.approx(wanted["recipe:replicate"], rel=1e-4)
        assert found["row"] == pytest.approx(wanted["Residual"], rel=1e-4)

    def test_tests_of_terms(self, cake):
        wanted = self.known["crossed_model"]["anova_kenward_roger"]
        for row, own in zip(cake.tests.itertuples(), wanted, strict=True):
            assert row.df == own["NumDF"]
            assert row.error_df == pytest.approx(own["DenDF"], rel=1e-4)
            assert pytest.approx(own["F value"], rel=1e-4) == row.F
            assert row.p == pytest.approx(own["Pr(>F)"], rel=1e-3)

    def test_the_same_f_from_the_textbook_table(self, cake):
        # Mean squares over error: recipe 67.5444 / 42.8024, temperature 420.06 / 20.4709
        F = cake.tests.set_index("term")["F"]
        assert F["recipe"] == pytest.approx(67.5444 / 42.8024, rel=1e-4)
        assert F["temperature"] == pytest.approx(420.06 / 20.4709, rel=1e-4)

    def test_recipes_are_judged_on_batches(self, cake):
        against = cake.tests.set_index("term")["judged_against"]
        assert against["recipe"] == "recipes within replicates"
        assert against["temperature"] == "rows"

    @pytest.mark.parametrize("by", ["recipe", "temperature"])
    def test_means(self, cake, by):
        for row, own in zip(cake.means(by).itertuples(), self.known[f"emm_{by}"], strict=True):
            assert row.mean == pytest.approx(own["emmean"], rel=1e-6)
            assert row.se == pytest.approx(own["SE"], rel=1e-4)
            assert row.df == pytest.approx(own["df"], rel=1e-4)
            assert row.low == pytest.approx(own["lower.CL"], rel=1e-4)
            assert row.high == pytest.approx(own["upper.CL"], rel=1e-4)

    def test_effects_by_treatment_coding(self, cake):
        # R's coefficient for recipe B compares at 175; the mean effect is the difference of means
        means = cake.means("recipe").set_index("recipe")["mean"]
        row = cake.effects.query("term == 'recipe' and level == 'B'").iloc[0]
        assert row["estimate"] == pytest.approx(means["B"] - means["A"], rel=1e-9)
        pair = self.known["pairs_recipe_tukey"][0]
        assert row["se"] == pytest.approx(pair["SE"], rel=1e-4)
        assert row["df"] == pytest.approx(pair["df"], rel=1e-4)

    def test_temperature_as_a_number(self):
        known = self.known["linear_temp_model"]
        found = fit(
            table("cake.csv"),
            "angle",
            ["recipe", "temperature"],
            groups=("replicate", "replicate/recipe"),
            model="main",
        )
        own = dict(zip(found.variance["source"], found.variance["variance"], strict=True))
        wanted = known["variance_components"]
        assert own["replicate"] == pytest.approx(wanted["replicate"], rel=1e-4)
        assert own["replicate/recipe"] == pytest.approx(wanted["recipe:replicate"], rel=1e-4)
        for row, test in zip(found.tests.itertuples(), known["anova_kenward_roger"], strict=True):
            assert row.error_df == pytest.approx(test["DenDF"], rel=1e-4)
            assert pytest.approx(test["F value"], rel=1e-4) == row.F
        slope = known["fixed_kenward_roger"][3]
        hot = found.effects.set_index("term").loc["temperature"]
        assert hot["estimate"] == pytest.approx(50 * slope["Estimate"], rel=1e-6)
        assert hot["se"] == pytest.approx(50 * slope["Std. Error"], rel=1e-4)


class TestTextbookFactorials:
    """Box, Hunter & Hunter 1978 (2^3) and Montgomery (2^4), with Lenth 1989; see the JSON."""

    known = expected("two_level_expected.json")

    def test_pilot_plant(self):
        data = table("pilot_plant_2p3.csv")
        model = ["T", "C", "K", "T:C", "T:K", "C:K", "T:C:K"]
        found = fit(data, "y", ["T", "C", "K"], model=model, groups=())
        estimates = found.effects.set_index("term")["estimate"]
        for term, effect in self.known["pilot_plant"]["effects"].items():
            assert estimates[term] == pytest.approx(effect, abs=1e-9)

    def test_filtration_with_lenth(self):
        data = table("filtration_2p4.csv")
        known = self.known["filtration"]
        model = list(known["effects"])
        found = fit(data, "y", list("ABCD"), model=model, groups=())
        effects = found.effects.set_index("term")
        for term, effect in known["effects"].items():
            assert effects.loc[term, "estimate"] == pytest.approx(effect, abs=1e-9)
            assert effects.loc[term, "se"] == pytest.approx(known["lenth"]["PSE"], rel=1e-9)
            reach = effects.loc[term, "high"] - effects.loc[term, "estimate"]
            assert reach == pytest.approx(known["lenth"]["ME"], rel=1e-6)
        named = set(effects.index[(effects["low"] > 0) | (effects["high"] < 0)])
        assert named == {"A", "C", "D", "A:C", "A:D"}
        # Nothing said what difference would matter
        assert set(effects["verdict"]) == {"not settled"}
        assert any("no error was measured" in note for note in found.notes)

    def test_filtration_reduced(self):
        data = table("filtration_2p4.csv")
        known = self.known["filtration_reduced_ACD"]
        model = ["A", "C", "D", "A:C", "A:D"]
        found = fit(data, "y", ["A", "C", "D"], model=model, groups=())
        for row, own in zip(found.effects.itertuples(), known["coef"][1:], strict=True):
            assert row.estimate == pytest.approx(2 * own["Estimate"], rel=1e-9)
            assert row.se == pytest.approx(2 * own["Std. Error"], rel=1e-9)
            assert row.p == pytest.approx(own["Pr(>|t|)"], rel=1e-6)
        assert found.variance["sd"].iloc[0] == pytest.approx(known["sigma"], rel=1e-9)
        for row, own in zip(found.tests.itertuples(), known["anova"][:-1], strict=True):
            assert pytest.approx(own["F value"], rel=1e-9) == row.F


class TestTheBakeIsTheUnit:
    """Randall 1989, Biom. J. 31:781: eight bottles, nine judges; R with pbkrtest 0.5.2."""

    def test_wine_with_the_bottle_as_the_unit(self):
        wine = table("wine.csv").rename(columns={"bottle": "bake", "judge": "taster"})
        found = fit(wine, "response", ["temp", "contact"])
        own = found.tests.set_index("term").loc["temp"]
        assert own["F"] == pytest.approx(61.7059, rel=1e-4)
        assert own["error_df"] == pytest.approx(4, rel=1e-6)
        assert own["p"] == pytest.approx(0.00142, abs=1e-5)
        assert own["judged_against"] == "bakes"

    def test_leaving_the_bake_out_is_refused(self):
        wine = table("wine.csv").rename(columns={"bottle": "bake", "judge": "taster"})
        for groups in (("taster",), ()):
            with pytest.raises(FitError, match="every tasting would count as a bake"):
                fit(wine, "response", ["temp", "contact"], groups=groups)

    def test_without_the_bottle_the_judge_alone_gives_sixty_df(self):
        # R: lmer(response ~ temp * contact + (1 | judge)): F 61.7059 on (1, 60)
        found = fit(table("wine.csv"), "response", ["temp", "contact"], groups=("judge",))
        own = found.tests.set_index("term").loc["temp"]
        assert own["F"] == pytest.approx(61.7059, rel=1e-4)
        assert own["error_df"] == pytest.approx(60, rel=1e-6)

    def test_a_bake_saturated_plan_falls_back_to_bake_means(self):
        factors = [Numeric(name, 0, 1) for name in ("rest", "fat", "salt")]
        plan = full_factorial(factors, seed=1)
        data = rehearse(plan, {"rest": 2.0}, tasters=6, seed=3, spreads=Spreads(bake=0.0))
        model = ["rest", "fat", "salt", "rest:fat", "rest:salt", "fat:salt", "rest:fat:salt"]
        found = fit(data, "liking", factors, model=model)
        means = data.groupby(["bake", "rest"])["liking"].mean().groupby("rest").mean()
        effect = found.effects.set_index("term").loc["rest"]
        assert effect["estimate"] == pytest.approx(means[1.0] - means[0.0])
        assert effect["df"] == pytest.approx(7 / 3)
        assert "Lenth" in found.method


def doughnut():
    return [
        Numeric("oil temperature", 165, 180, "°C", hard_to_change=True),
        Numeric("hydration", 92, 108, "%"),
        Numeric("buckwheat", 15, 35, "%"),
        Categorical("fat", ["butter", "sunflower oil"]),
        Numeric("sugar", 4, 12, "%"),
        Numeric("proof", 40, 70, "min"),
    ]


TRUTH = {
    "oil temperature": 0.7,
    "hydration": 0.6,
    "fat": -0.75,
    "sugar": 0.4,
    "oil temperature:hydration": -0.9,
    "buckwheat:fat": -0.6,
}
NO_SPREAD = Spreads(0, 0, 0, 0, 0, 0)
OPEN_SCALE = Measure("liking", "number", worth_noticing=0.5)


class TestRoundTrip:
    def plan(self):
        return fractional_factorial(doughnut(), bakes=32, days=4, loads=8, seed=5)

    def test_effects_come_back_without_noise(self):
        plan = self.plan()
        data = rehearse(plan, TRUTH, tasters=3, spreads=NO_SPREAD, measure=OPEN_SCALE, seed=1)
        found = fit(data, "liking", plan.factors, model=plan.model, measure=OPEN_SCALE)
        for effect in found.effects.itertuples():
            assert effect.estimate == pytest.approx(TRUTH.get(effect.term, 0.0), abs=1e-9)

    def test_tasters_of_different_mood_change_nothing_without_noise(self):
        plan = self.plan()
        moody = Spreads(tasting=0, taster_by_bake=0, taster=1, bake=0, load=0, day=0)
        data = rehearse(plan, TRUTH, tasters=4, spreads=moody, measure=OPEN_SCALE, seed=2)
        data = data.drop(index=[3, 40, 77])
        found = fit(data, "liking", plan.factors, model=plan.model)
        for effect in found.effects.itertuples():
            assert effect.estimate == pytest.approx(TRUTH.get(effect.term, 0.0), abs=1e-9)

    @pytest.mark.slow
    def test_intervals_cover_the_truth(self):
        plan = self.plan()
        hits = []
        for seed in range(50):
            data = rehearse(plan, TRUTH, tasters=8, measure=OPEN_SCALE, rounded=False, seed=seed)
            found = fit(data, "liking", plan.factors, model=plan.model)
            truth = [TRUTH.get(term, 0.0) for term in found.effects["term"]]
            hits += list((found.effects["low"] <= truth) & (truth <= found.effects["high"]))
        assert 0.90 <= np.mean(hits) <= 0.99


class TestBadInput:
    def data(self, **columns):
        base = {"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2}
        base["liking"] = [5.0, 6, 5, 7, 5, 6, 4, 6]
        return pd.DataFrame({**base, **columns})

    def test_constant_response(self):
        with pytest.raises(FitError, match="nothing varies"):
            fit(self.data(liking=[5] * 8), "liking", ["rest", "fat"])

    def test_a_factor_that_never_moved(self):
        with pytest.raises(FitError, match='"rest" never moved'):
            fit(self.data(rest=[20] * 8), "liking", ["rest", "fat"])

    def test_collinear_columns_are_named(self):
        data = self.data().assign(twin=lambda t: t["rest"] * 2)
        with pytest.raises(FitError, match='can not tell "twin" apart from "rest";'):
            fit(data, "liking", ["rest", "twin"], model="main")

    def test_more_terms_than_rows(self):
        data = self.data().head(4).assign(salt=[1, 2, 2, 1])
        with pytest.raises(FitError, match="can not tell"):
            fit(data, "liking", ["rest", "fat", "salt"], model="interactions")

    def test_left_to_itself_it_says_what_it_left_out(self):
        data = self.data().head(4).assign(salt=[1, 2, 2, 1])
        found = fit(data, "liking", ["rest", "fat", "salt"])
        assert any("can not be told apart" in note for note in found.notes)

    def test_text_in_a_number_cell_has_its_place(self):
        scores = self.data()["liking"].astype(object)
        scores[2] = "n/a"
        with pytest.raises(FitError, match=r"row 4, \"liking\": 'n/a' is not a number"):
            fit(self.data(liking=scores), "liking", ["rest"])

    def test_a_decimal_comma_is_read(self):
        scores = self.data()["liking"].astype(object)
        scores[0] = "5,5"
        found = fit(self.data(liking=scores), "liking", ["rest"], model="main")
        assert found.residuals["observed"].iloc[0] == 5.5

    @pytest.mark.parametrize("value", [np.inf, -np.inf])
    def test_infinite(self, value):
        scores = self.data()["liking"]
        scores[1] = value
        with pytest.raises(FitError, match="infinite"):
            fit(self.data(liking=scores), "liking", ["rest"])

    @pytest.mark.parametrize("scale", [1e-140, 1e-12, 1e12, 1e140])
    def test_any_scale(self, scale):
        plain = fit(self.data(), "liking", ["rest", "fat"], model="main")
        small = fit(
            self.data(liking=self.data()["liking"] * scale), "liking", ["rest", "fat"], model="main"
        )
        assert small.tests["F"].to_numpy() == pytest.approx(plain.tests["F"].to_numpy(), rel=1e-8)

    def test_a_scale_past_all_reckoning_is_named(self):
        with pytest.raises(FitError, match="smaller unit"):
            fit(self.data(liking=self.data()["liking"] * 1e-300), "liking", ["rest"])

    def test_names_that_are_code_or_hold_colons(self):
        data = self.data().rename(columns={"rest": "__import__('os')", "fat": "a:b^2 %"})
        found = fit(data, "liking", ["__import__('os')", "a:b^2 %"])
        assert "__import__('os'):a:b^2 %" in set(found.effects["term"])

    def test_an_empty_cell_in_a_crossing(self):
        data = self.data()
        data = data[~((data["rest"] == 60) & (data["fat"] == "oil"))]
        with pytest.raises(FitError, match='"rest:fat"'):
            fit(data, "liking", ["rest", "fat"], model="interactions")

    def test_all_failed(self):
        data = self.data(bake=[f"B0{n}" for n in range(8)], status=["failed"] * 8)
        with pytest.raises(FitError, match="every bake failed"):
            fit(data.assign(liking=np.nan, reason="torn"), "liking", ["rest"])

    def test_one_taster_is_named(self):
        data = self.data(bake=[f"B0{n}" for n in range(8)], taster=["Ada"] * 8)
        found = fit(data, "liking", ["rest", "fat"], model="main")
        assert any("one taster, Ada" in note for note in found.notes)

    def test_unknown_column(self):
        with pytest.raises(FitError, match='no column "crumb"'):
            fit(self.data(), "crumb", ["rest"])

    def test_no_error_at_the_level_of_the_loads(self):
        data = self.data(load=[1, 2] * 4)
        found = fit(data, "liking", ["rest", "fat"], model="main")
        rest = found.effects.set_index("term").loc["rest"]
        assert np.isnan(rest["se"])
        assert rest["verdict"] == "not settled"
        assert any("No error was measured between loads" in note for note in found.notes)


def test_reference_bakes_inform_days_not_factors():
    factors = [Numeric("rest", 20, 60), Numeric("fat", 5, 15)]
    plan = full_factorial(factors, replicates=2, days=2, references=4, seed=2)
    data = rehearse(plan, {"rest": 1.0}, measure=OPEN_SCALE, spreads=NO_SPREAD, seed=1)
    data.loc[data["role"] == "reference", "liking"] += 3.0
    found = fit(data, "liking", factors, model="main")
    effects = found.effects.set_index("term")["estimate"]
    assert effects["rest"] == pytest.approx(1.0, abs=1e-9)
    assert effects["fat"] == pytest.approx(0.0, abs=1e-9)


def test_centre_bakes_stand_apart():
    factors = [Numeric("rest", 20, 60), Numeric("fat", 5, 15)]
    plan = full_factorial(factors, centre_bakes=3, seed=2)
    data = rehearse(
        plan, {"rest": 1.0, "rest^2": -2.0}, measure=OPEN_SCALE, spreads=NO_SPREAD, seed=1
    )
    found = fit(data, "liking", factors, model="main")
    assert found.effects.set_index("term")["estimate"]["rest"] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.slow
def test_null_rounds_are_not_called_findings():
    """A quick look at what the benchmark measures at length: loads of four, nothing real."""
    plan = full_factorial(
        [Numeric("oil", 165, 180, hard_to_change=True), Numeric("salt", 1, 2)],
        replicates=8,
        loads=8,
        seed=4,
    )
    spreads = Spreads(tasting=0, taster_by_bake=0, taster=0, bake=1, load=1, day=0)
    called = 0
    for seed in range(200):
        data = rehearse(plan, {}, measure=OPEN_SCALE, spreads=spreads, seed=seed)
        found = fit(data, "liking", plan.factors, model="main")
        called += found.tests.set_index("term").loc["oil", "p"] < 0.05
    # 200 rounds at 1 to 6 %: the binomial puts 99.9 % between 0 and 22; least squares gives 46
    assert called <= 22


def half_used(noise=0.01):
    """Eight bakes, y = 6 + x + 0.5 x z, with a little noise of alternating sign."""
    cells = [(x, z, w) for x in (-1, 1) for z in (-1, 1) for w in (-1, 1)]
    table = pd.DataFrame(cells, columns=["x", "z", "w"])
    table["y"] = 6 + table["x"] + 0.5 * table["x"] * table["z"]
    table["y"] += noise * table["x"] * table["z"] * table["w"]
    return table


def test_the_size_of_a_factor_is_that_of_the_fit_whatever_is_averaged():
    # By hand: at z = +1 the difference of x is 2 (1 + 0.5) = 3
    found = fit(half_used(), "y", ["x", "z", "w"], model="interactions")
    assert found.averaged is not None
    own = found.ranking.set_index("factor").loc["x"]
    assert own["size"] == pytest.approx(3.0, abs=1e-9)
    assert found.ranking["chance_largest"].sum() == pytest.approx(1)


def test_a_named_model_is_taken_at_its_word_while_three_bakes_judge_it():
    found = fit(half_used(), "y", ["x", "z", "w"], model=["x", "z", "w", "x:z"])
    assert found.averaged is None
    assert found.spoken.equals(found.effects)


def baked_twice(model=None):
    """Every kind of flour at both rests, four bakes each: rest does 0, 0 and 3 points."""
    worth = {"rye": 0.0, "spelt": 0.0, "wheat": 3.0}
    rows = [
        (flour, rest, 5 + worth[flour] * (rest == 60) + noise)
        for flour in worth
        for rest in (20, 60)
        for noise in (-0.2, 0.2, 0.1, -0.1)
    ]
    table = pd.DataFrame(rows, columns=["flour", "rest", "y"])
    return fit(table, "y", ["rest", "flour"], model=model)


def test_choices_weigh_simpler_models_where_sentences_do_not():
    found = baked_twice()
    assert found.averaged is not None
    assert found.told is None
    assert found.spoken.equals(found.effects)
    assert baked_twice(["rest", "flour", "rest:flour"]).averaged is None


def test_a_pair_of_three_kinds_is_not_told_as_two_halves():
    # By hand: rest makes 0 with rye and spelt and 3 with wheat; the mean of the three is 1
    said = [one for one in baked_twice().sentences if "together" in one or "depends on" in one]
    assert any("work together" in one for one in said)
    assert not any("depends on" in one for one in said)


def test_the_likeliest_largest_comes_first_before_a_size_that_few_bakes_tell():
    found = fit(half_used(), "y", ["x", "z", "w"], model="interactions").ranking
    chances = found["chance_largest"].tolist()
    assert chances == sorted(chances, reverse=True)
    assert found["factor"].iloc[0] == "x"


def tasted(between_bakes, between_scores):
    """Two rests, four bakes each by four tasters; both spreads as given, rest makes 0.9."""
    bakes = [between_bakes * one for one in (-1, 1, 0.5, -0.5)]
    scores = [between_scores * one for one in (1, -1, 1, -1)]
    rows = [
        (f"B{rest}{at}", rest, f"T{turn}", 5 + 0.9 * (rest == 60) + bake + scores[(turn + at) % 4])
        for rest in (20, 60)
        for at, bake in enumerate(bakes)
        for turn in range(4)
    ]
    table = pd.DataFrame(rows, columns=["bake", "rest", "taster", "liking"])
    liking = Measure("liking", "hedonic 9", worth_noticing=0.5)
    return " ".join(fit(table, "liking", ["rest"], measure=liking).sentences)


def test_more_tasters_are_ruled_out_only_where_bakes_differ_by_more_than_their_scores():
    assert re.search(r"one more such round settles it in .*, more tasters", tasted(0.5, 0.2))
    assert "more tasters would not" not in tasted(0.05, 1.5)


def test_what_the_named_model_leaves_out_was_not_asked_for():
    found = fit(half_used(), "y", ["x", "z", "w"], model=["x", "z", "x:z"])
    assert "can not be said" not in found.sentences[0]
    assert found.ranking.set_index("factor").loc["w"].isna().all()


def test_one_factor_is_never_averaged():
    table = pd.DataFrame({"rest": [20, 20, 60, 60], "y": [5.0, 5.2, 6.0, 6.4]})
    assert fit(table, "y", ["rest"]).averaged is None


@pytest.mark.parametrize("method", ["none", "KR", ""])
def test_only_small_sample_methods_are_offered(method):
    with pytest.raises(FitError, match=r"expected 'kenward-roger' or 'satterthwaite'"):
        fit(half_used(), "y", ["x", "z"], method=method)


def test_a_factor_lost_in_the_days_has_no_size_and_nothing_is_called_sure():
    rng = np.random.default_rng(3)
    rows = [(day, day % 2, fat) for day in range(4) for fat in ("butter", "lard") * 3]
    table = pd.DataFrame(rows, columns=["day", "hot", "fat"])
    table["y"] = 5.0 + 2 * (table["fat"] == "lard") + rng.normal(0, 0.3, len(table))
    found = fit(table, "y", ["hot", "fat"])
    own = found.ranking.set_index("factor").loc["hot"]
    assert own[["size", "low", "high", "chance_largest"]].isna().all()
    assert "can not be said, as nothing is known of hot alone" in found.sentences[0]


def test_a_made_bake_without_a_score_is_not_dropped_in_silence():
    table = half_used().assign(status="made", bake=[f"B{n}" for n in range(8)])
    table.loc[2, "y"] = np.nan
    found = fit(table, "y", ["x", "z", "w"], model="main")
    assert "1 row without a score was left out." in found.notes


def test_more_tasters_are_not_advised_and_refused_in_one_breath():
    rng = np.random.default_rng(4)
    rows = [(t, b, "cream" if t < 4 else "plain") for t in range(8) for b in range(6)]
    table = pd.DataFrame(rows, columns=["taster", "bake", "habit"])
    table["y"] = rng.normal(5, 1, 8)[table["taster"]] + rng.normal(0, 1, len(table))
    said = " ".join(fit(table, "y", ["habit"]).sentences)
    assert "more tasters would not" not in said
