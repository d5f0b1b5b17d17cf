"""Tables that no one should have to fear: each is fitted, or refused with a word.

Warnings count as errors in these tests, so a warning from a library underneath fails them too.
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trials.analysis.as_categories import as_categories
from trials.analysis.counted import counted
from trials.analysis.failing import failing
from trials.analysis.fitting import fit
from trials.base.errors import FitError, TrialsError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure


def table(**columns):
    base = {
        "rest": [20, 60] * 8,
        "fat": ["butter", "butter", "oil", "oil"] * 4,
        "liking": [5.0, 6, 5, 7, 5, 6, 4, 6, 5, 7, 5, 6, 4, 7, 6, 6],
    }
    return pd.DataFrame({**base, **columns})


def tasted(tasters=4, bakes=8):
    rng = np.random.default_rng(3)
    rows = [
        {
            "bake": f"B{b:02d}",
            "taster": f"taster {t}",
            "rest": 20 + 40 * (b % 2),
            "fat": ["butter", "oil"][b // 2 % 2],
            "liking": float(rng.integers(3, 9)),
        }
        for b in range(bakes)
        for t in range(tasters)
    ]
    return pd.DataFrame(rows)


class TestTooLittle:
    def test_an_empty_table(self):
        with pytest.raises(FitError, match="no score"):
            fit(table().iloc[:0], "liking", ["rest"])

    def test_one_row(self):
        with pytest.raises(FitError):
            fit(table().iloc[:1], "liking", ["rest"])

    def test_two_rows(self):
        found = fit(table().iloc[:2], "liking", ["rest"], model="main")
        assert found.effects["verdict"].tolist() == ["not settled"]

    def test_one_bake_tasted_by_many_is_no_experiment(self):
        with pytest.raises(FitError, match="never moved"):
            fit(tasted(bakes=1), "liking", ["rest", "fat"])

    def test_two_bakes_tasted_by_many_are_two_bakes(self):
        found = fit(tasted(tasters=12, bakes=2), "liking", ["rest"], model="main")
        assert found.effects["verdict"].tolist() == ["not settled"]
        assert any("no error was measured" in note for note in found.notes)

    def test_one_day_and_one_load(self):
        found = fit(table(day=[1] * 16, load=[1] * 16), "liking", ["rest"], model="main")
        assert "day" not in set(found.variance["source"])

    def test_one_taster(self):
        found = fit(tasted(tasters=1, bakes=16), "liking", ["rest", "fat"], model="main")
        assert any("one taster" in note for note in found.notes)

    def test_all_failed(self):
        bakes = table(bake=[f"B{n:02d}" for n in range(16)], status="failed", reason="torn")
        with pytest.raises(FitError, match="every bake failed"):
            fit(bakes.assign(liking=np.nan), "liking", ["rest"])

    def test_all_but_one_setting_failed(self):
        bakes = table(bake=[f"B{n:02d}" for n in range(16)], status="made", reason="")
        bakes.loc[bakes["rest"] == 60, ["status", "liking"]] = ["failed", np.nan]
        with pytest.raises(FitError, match='"rest" never moved'):
            fit(bakes, "liking", ["rest"])

    def test_no_factors_at_all(self):
        with pytest.raises(FitError, match="say which columns"):
            fit(table(), "liking")
        with pytest.raises(TrialsError):
            fit(table(), "liking", [])


class TestSettings:
    @pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, "", None])
    def test_a_setting_that_is_none(self, value):
        rest = pd.Series([20, 60] * 8, dtype=object)
        rest[3] = value
        with pytest.raises(TrialsError, match=r"row 5|infinite|finite"):
            fit(table(rest=rest), "liking", [Numeric("rest", 20, 60)])

    @pytest.mark.parametrize("value", [np.inf, -np.inf, "inf"])
    def test_an_infinite_setting_of_a_column_given_by_name(self, value):
        rest = pd.Series([20, 60] * 8, dtype=object)
        rest[3] = value
        with pytest.raises(FitError, match=r'row 5, "rest": the setting is infinite'):
            fit(table(rest=rest), "liking", ["rest"])

    def test_a_list_is_no_setting(self):
        with pytest.raises(FitError, match=r'row 2, "rest": \[1\] is no setting'):
            fit(table(rest=[[1], [2]] * 8), "liking", ["rest"])

    def test_settings_past_all_reckoning(self):
        with pytest.raises(TrialsError, match=r'"rest" runs from -1e\+308.*larger unit'):
            fit(table(rest=[-1e308, 1e308] * 8), "liking", ["rest"])
        with pytest.raises(TrialsError, match=r'"rest" has the setting 1e\+308, too far outside'):
            fit(
                table(rest=[20, 1e308] * 8),
                "liking",
                [Numeric("rest", 20, 60)],
                outside_range=True,
            )

    def test_one_slip_in_the_settings_of_a_bake_is_named(self):
        data = tasted()
        assert (data.loc[data["bake"] == "B01", "fat"] == "butter").all()
        data.loc[5, "fat"] = "oil"
        told = r'row 7, "fat": this row has oil, but bake B01 has butter in its other rows'
        with pytest.raises(FitError, match=told):
            fit(data, "liking", ["rest", "fat"])
        data = tasted().astype({"rest": float})
        data.loc[12, "rest"] = 20.5
        with pytest.raises(FitError, match=r'row 14, "rest": .* 20.5, but bake B03 has 60'):
            fit(data, "liking", ["rest", "fat"])

    def test_what_varies_within_the_bakes_belongs_to_the_tasting(self):
        data = tasted()
        data["icing"] = (["with", "without"] * 2 + ["without", "with"] * 2) * 4
        found = fit(data, "liking", ["fat", "icing"], model="main")
        judged = found.tests.set_index("term")["judged_against"]
        assert judged.to_dict() == {"fat": "bakes", "icing": "tastings"}

    def test_bakes_that_start_again_each_day_are_told_apart_by_it(self):
        data = pd.concat([tasted().assign(day="Sat"), tasted().assign(day="Sun")])
        swapped = data["fat"].map({"butter": "oil", "oil": "butter"})
        # On Sunday the ids of half of the bakes stand for the other fat
        other = (data["day"] == "Sun") & data["bake"].isin(["B00", "B01", "B02"])
        data["fat"] = data["fat"].mask(other, swapped)
        groups = ("day/bake", "taster")
        fit(data.reset_index(drop=True), "liking", ["rest", "fat"], groups=groups)
        data = data.reset_index(drop=True)
        data.loc[33, "fat"] = {"butter": "oil", "oil": "butter"}[data.loc[33, "fat"]]
        with pytest.raises(FitError, match=r'row 35, "fat": this row has'):
            fit(data, "liking", ["rest", "fat"], groups=groups)

    def test_settings_that_differ_by_a_slip_are_not_told_apart(self):
        sugar = np.array([10.0, 20, 30, 40] * 4)
        data = table(sugar=sugar, salt=sugar + 1e-9 * (np.arange(16) == 5))
        with pytest.raises(FitError, match='can not tell "salt" apart'):
            fit(data, "liking", ["sugar", "salt"], model="main")
        far = data.assign(sugar=1e6 * data["sugar"], salt=1e-6 * data["salt"])
        with pytest.raises(FitError, match='can not tell "salt" apart'):
            fit(far, "liking", ["sugar", "salt"], model="main")

    @pytest.mark.parametrize("model", [None, "main", "interactions", ["x", "z", "w"]])
    def test_two_settings_that_moved_together_are_named_and_the_rest_is_fitted(self, model):
        rng = np.random.default_rng(1)
        x, w = rng.uniform(0, 1, 12), np.tile([0, 1], 6)
        data = pd.DataFrame({"x": x, "z": 2 * x + 1e-4 * rng.normal(size=12), "w": w})
        data["liking"] = 5 + x + rng.normal(0, 0.3, 12)
        found = fit(data, "liking", ["x", "z", "w"], model=model)
        note = next(one for one in found.notes if "moved together" in one)
        assert '"x"' in note
        assert '"z"' in note
        # What can be told is what the table without the second of them tells (least squares)
        alone = fit(
            data, "liking", ["x", "w"], model=["x", "w"] if model == ["x", "z", "w"] else model
        )
        pd.testing.assert_frame_equal(found.effects, alone.effects)
        assert found.effects["estimate"].abs().max() < 5
        assert not found.to_settle["term"].str.contains("z").any()
        told = found.ranking.dropna()
        assert set(told["factor"]) == {"x", "w"}
        assert told["chance_largest"].sum() == pytest.approx(1)

    def test_columns_as_alike_as_those_of_a_published_table_are_kept(self):
        """Longley 1967 (NIST): columns with variance inflation of 1,788 are still told apart."""
        rng = np.random.default_rng(2)
        x = rng.uniform(0, 1, 40)
        data = pd.DataFrame({"x": x, "z": x + 0.007 * rng.normal(size=40)})
        data["liking"] = 5 + x + rng.normal(0, 0.3, 40)
        found = fit(data, "liking", ["x", "z"], model="main")
        assert found.effects["term"].tolist() == ["x", "z"]

    def test_settings_that_differ_a_little_are_told_apart_wherever_they_lie(self):
        sugar = np.array([10.0, 20, 30, 40] * 4)
        data = table(sugar=1e5 + sugar, salt=1e5 + sugar + (np.arange(16) % 3 == 0))
        wide = [Numeric("sugar", 0, 1e9), Numeric("salt", 0, 1e9)]
        found = fit(data, "liking", wide, model="main")
        assert np.isfinite(found.effects["se"]).all()

    def test_a_setting_far_outside_its_range_is_taken_as_it_is_when_it_was_really_so(self):
        rest = [20, 60] * 7 + [20, 1e6]
        asked = {"factors": [Numeric("rest", 20, 60)], "model": "main", "outside_range": True}
        found = fit(table(rest=rest), "liking", **asked)
        assert np.isfinite(found.effects["estimate"]).all()

    def test_a_kind_that_is_not_its_own(self):
        with pytest.raises(TrialsError, match="lard"):
            fit(table(fat=["lard", "oil"] * 8), "liking", [Categorical("fat", ["butter", "oil"])])

    def test_factors_that_say_the_same(self):
        twin = table()["rest"].map({20: "short", 60: "long"})
        with pytest.raises(FitError, match='"twin"'):
            fit(table(twin=twin), "liking", ["rest", "twin"], model="main")

    def test_left_to_itself_the_twin_is_left_out_with_a_word(self):
        twin = table()["rest"].map({20: "short", 60: "long"})
        found = fit(table(twin=twin), "liking", ["rest", "twin"])
        assert any('"twin"' in note and "left out" in note for note in found.notes)

    def test_shares_that_do_not_add_up(self):
        flours = [Component("rye"), Component("wheat")]
        blend = table(rye=[0.2, 0.9] * 8, wheat=[0.3, 0.9] * 8)
        with pytest.raises(TrialsError):
            fit(blend, "liking", flours, model="blend")

    @pytest.mark.parametrize("low_high", [(1e-300, 2e-300), (1e300, 1.7e300), (1e-9, 2e-9)])
    def test_settings_of_any_size(self, low_high):
        found = fit(table(rest=list(low_high) * 8), "liking", ["rest"], model="main")
        plain = fit(table(), "liking", ["rest"], model="main")
        assert found.effects["estimate"].iloc[0] == pytest.approx(plain.effects["estimate"].iloc[0])

    @pytest.mark.parametrize(
        "name",
        [
            "a:b",
            "a^2",
            "x + y",
            "C(rest)",
            "__import__('os').system('true')",
            "1",
            "für Öl",
            "Intercept",
            "a b:c^2",
            "{rest}",
            "%s",
            "np.inf",
            "<b>rest</b>",
        ],
    )
    def test_names_are_only_names(self, name):
        data = table().rename(columns={"rest": name})
        found = fit(data, "liking", [name, "fat"])
        terms = set(found.effects["term"])
        assert name in terms
        assert any(name in term and "fat" in term and term != name for term in terms)
        assert "<b>" not in found._repr_html_()

    @pytest.mark.parametrize("name", ["day", "bake", "role", "taster", "status"])
    def test_reserved_names_are_refused_with_a_word(self, name):
        with pytest.raises(TrialsError, match=name):
            fit(table().rename(columns={"rest": name}), "liking", [name])


class TestScores:
    @pytest.mark.parametrize("scale", [1e-300, 1e300])
    def test_past_all_reckoning(self, scale):
        with pytest.raises(FitError, match="unit"):
            fit(table(liking=table()["liking"] * scale), "liking", ["rest"], model="main")

    def test_past_all_reckoning_both_ways(self):
        scores = [1e308, -1e308] * 8
        with pytest.raises(FitError, match=r'row 2, "liking": 1e\+308 is too large.*larger unit'):
            fit(table(liking=scores), "liking", ["rest"])

    @pytest.mark.parametrize(
        "value", [pd.Timestamp("2024-05-01"), 5 + 1j, np.complex128(5), pd.Timedelta(1), (5,)]
    )
    def test_what_is_no_number(self, value):
        scores = table()["liking"].astype(object)
        scores[4] = value
        with pytest.raises(FitError, match=r'row 6, "liking".*is not a number'):
            fit(table(liking=scores), "liking", ["rest"])

    @pytest.mark.parametrize("value", [95, -3, 0.5])
    def test_off_the_scale(self, value):
        scores = table()["liking"]
        scores[4] = value
        with pytest.raises(FitError, match=r'row 6, "liking": .*off the scale of "liking", 1 to 9'):
            fit(table(liking=scores), "liking", ["rest"], measure=Measure("liking", "hedonic 9"))

    def test_the_measure_of_another_response(self):
        with pytest.raises(FitError, match='the measure is "crispness" but the response is "liki'):
            fit(table(), "liking", ["rest"], measure=Measure("crispness", "hedonic 9"))

    def test_scores_of_failed_bakes_are_left_out_with_a_word(self):
        data = tasted().assign(status="made")
        data.loc[data["bake"] == "B03", "status"] = "failed"
        found = fit(data, "liking", ["rest", "fat"], model="main")
        assert (
            "4 scores were left out, as the bake failed or was not served: B03 (failed)."
            in found.notes
        )

    def test_failed_bakes_without_scores_need_no_word(self):
        data = tasted().assign(status="made")
        data.loc[data["bake"] == "B03", ["status", "liking"]] = ["failed", np.nan]
        found = fit(data, "liking", ["rest", "fat"], model="main")
        assert not any("left out" in note for note in found.notes)

    def test_a_bake_of_two_statuses(self):
        data = tasted().assign(status="made")
        data.loc[14, "status"] = "failed"
        with pytest.raises(FitError, match='row 16, "status": bake B03 is failed here and made'):
            fit(data, "liking", ["rest", "fat"])

    def test_a_bake_that_failed_on_one_day_is_not_that_of_the_other(self):
        data = pd.concat([tasted().assign(day="Sat"), tasted().assign(day="Sun")])
        failed = (data["day"] == "Sat") & (data["bake"] == "B03")
        data["status"] = np.where(failed, "failed", "made")
        found = fit(data, "liking", ["rest", "fat"], groups=("day/bake", "taster"))
        assert len(found.residuals) == 64 - 4

    @pytest.mark.parametrize("value", [np.inf, -np.inf])
    def test_infinite(self, value):
        scores = table()["liking"]
        scores[4] = value
        with pytest.raises(FitError, match=r"row 6.*infinite"):
            fit(table(liking=scores), "liking", ["rest"])

    def test_one_huge_slip_is_fitted_as_it_stands(self):
        scores = table()["liking"]
        scores[4] = 6e9
        found = fit(table(liking=scores), "liking", ["rest"], model="main")
        assert np.isfinite(found.effects["estimate"]).all()

    def test_constant(self):
        with pytest.raises(FitError, match="nothing varies"):
            fit(table(liking=[5] * 16), "liking", ["rest"])

    def test_constant_within_every_setting(self):
        found = fit(table(liking=[5, 7] * 8), "liking", ["rest"], model="main")
        assert found.effects["estimate"].iloc[0] == pytest.approx(2)
        assert any("exactly" in note for note in found.notes)

    def test_rounding_is_no_effect(self):
        found = fit(table(liking=[3.3, 3.4] * 8), "liking", ["rest", "fat"])
        effects = found.effects.set_index("term")
        assert effects.loc["rest", "estimate"] == pytest.approx(0.1)
        # Scores that follow the model exactly measured no error, so nothing is settled
        assert effects.loc["rest", "verdict"] == "not settled"
        assert found.effects[["low", "high"]].isna().all(axis=None)
        for nothing in ("fat", "rest:fat"):
            assert effects.loc[nothing, "estimate"] == 0
            assert effects.loc[nothing, "verdict"] == "not settled"
        assert not any(said.startswith("Fat") and "Matters" in said for said in found.summary())

    def test_every_taster_gives_every_bake_the_same(self):
        """They count as one taster, whose scores alone say the same, and are named."""
        scores = tasted()
        scores["liking"] = scores["bake"].str[1:].astype(int) % 5 + 3.0
        one = scores[scores["taster"] == scores["taster"].iloc[0]]
        told, alone = (fit(each, "liking", ["rest", "fat"], model="main") for each in (scores, one))
        pd.testing.assert_frame_equal(told.effects, alone.effects)
        assert any("the same in every row (typed twice?)" in note for note in told.notes)
        with pytest.raises(FitError, match="no residual spread"):
            fit(scores, "liking", ["rest", "fat"], model="main", groups=["bake", "taster"])

    def test_a_tiny_spread_on_a_large_mean(self):
        scores = 1e9 + table()["liking"] * 1e-3
        found = fit(table(liking=scores), "liking", ["rest"], model="main")
        plain = fit(table(), "liking", ["rest"], model="main")
        assert found.tests["F"].iloc[0] == pytest.approx(plain.tests["F"].iloc[0], rel=1e-3)


class TestModels:
    def test_more_terms_than_bakes(self):
        data = table().head(6)
        with pytest.raises(FitError, match="can not tell"):
            fit(data, "liking", ["rest", "fat"], model=["rest", "fat", "rest:fat", "rest^2"])

    def test_an_empty_cell(self):
        data = table()
        data = data[~((data["rest"] == 60) & (data["fat"] == "oil"))]
        with pytest.raises(FitError, match='"rest:fat"'):
            fit(data, "liking", ["rest", "fat"], model="interactions")

    def test_unknown_terms_and_groups(self):
        with pytest.raises(FitError, match="salt"):
            fit(table(), "liking", ["rest"], model=["rest", "salt"])
        with pytest.raises(FitError, match="oven"):
            fit(table(), "liking", ["rest"], groups=("oven",))

    def test_the_bake_is_never_left_out(self):
        with pytest.raises(FitError, match="count as a bake"):
            fit(tasted(), "liking", ["rest"], groups=("taster",))


class TestQuestions:
    """What is asked with is of its kind, or refused in a sentence."""

    @pytest.mark.parametrize(
        ("asked", "said"),
        [
            ({"factors": [1]}, 'factors holds 1.*as text, such as "1"'),
            ({"factors": 5}, "factors is 5; expected a list"),
            ({"response": 3}, 'the response is 3.*as text, such as "3"'),
            ({"measure": "liking"}, r'measure is \'liking\'.*trials.Measure\("liking"'),
            ({"model": 2}, "model is 2; expected"),
            ({"model": [2]}, "model holds 2"),
            ({"model": []}, "at least one"),
            ({"groups": 7}, "groups is 7; expected"),
            ({"groups": [7]}, "groups holds 7"),
        ],
    )
    def test_arguments_of_another_kind(self, asked, said):
        usual = {"response": "liking", "factors": ["rest"]}
        with pytest.raises(FitError, match=said):
            fit(table().rename(columns={"fat": 1}), **{**usual, **asked})

    @pytest.mark.parametrize("data", [None, 5, {"liking": 5}, {"a": [1], "b": [1, 2]}])
    def test_no_table(self, data):
        with pytest.raises(FitError, match=r"no table.*one row per score"):
            fit(data, "liking", ["rest"])

    @pytest.mark.parametrize("settings_", [5, "rest", object()])
    def test_no_settings(self, settings_):
        found = fit(table(), "liking", ["rest"], model="main")
        with pytest.raises(FitError, match="no setting"):
            found.predict(settings_)

    def test_a_factor_named_like_a_pair(self):
        data = table(a=[1, 2] * 8, b=[1, 1, 2, 2] * 4).rename(columns={"fat": "a:b"})
        with pytest.raises(FitError, match='the factor "a:b" has the name of "a" and "b" toget'):
            fit(data, "liking", ["a", "b", "a:b"])


@st.composite
def tables(draw):
    """Return a small table in which anything may be missing, equal, alone or spent."""
    bakes = draw(st.integers(1, 7))
    tasters = draw(st.integers(0, 3))
    kinds = draw(st.lists(st.sampled_from([2, 3]), min_size=1, max_size=3))
    rows = []
    settings = [[draw(st.integers(0, kind - 1)) for kind in kinds] for _ in range(bakes)]
    scores = st.one_of(st.integers(1, 9), st.sampled_from([None, 5, 5.5]))
    days = draw(st.integers(1, 3))
    for bake, own in enumerate(settings):
        for taster in range(max(tasters, 1)):
            row = {f"factor {n}": value for n, value in enumerate(own)}
            row |= {"liking": draw(scores), "bake": f"B{bake}", "day": bake % days}
            if tasters:
                row["taster"] = f"taster {taster}"
            rows.append(row)
    found = pd.DataFrame(rows)
    if draw(st.booleans()):
        found["factor 0"] = found["factor 0"].map({0: "butter", 1: "lard", 2: "oil"})
    return found, [f"factor {n}" for n in range(len(kinds))]


def answered(ask):
    """Return what a question gives, or None where it was refused in a sentence."""
    try:
        return ask()
    except TrialsError as error:
        said = str(error)
    assert len(said.split()) > 4
    return None


MODELS = st.sampled_from([None, "main", "interactions"])
USUAL = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


@USUAL
@given(tables(), MODELS, st.booleans())
def test_any_small_table_is_fitted_or_refused_with_a_word(given_, model, measured):
    data, factors = given_
    measure = Measure("liking", "hedonic 9") if measured else None
    found = answered(lambda: fit(data, "liking", factors, model=model, measure=measure))
    if found is None:
        return
    assert set(found.effects["verdict"]) <= {"matters", "too small to matter", "not settled"}
    assert np.isfinite(found.effects["estimate"].astype(float)).all()
    known = found.ranking["chance_largest"].notna()
    # Where a factor was lost to another or to the days, neither its size nor its chance is known
    assert found.ranking["size"].notna().equals(known)
    assert not known.all() or found.ranking["chance_largest"].sum() == pytest.approx(1)
    assert len(found.summary()) > 1
    assert "nan" not in " ".join(found.summary())


@settings(USUAL, max_examples=25)
@given(tables())
def test_any_small_table_as_categories(given_):
    data, factors = given_
    found = answered(lambda: as_categories(data, "liking", factors, model="main"))
    if found is None:
        return
    assert set(found.tests["verdict"]) <= {"shown", "hinted at", "not shown"}


@settings(USUAL, max_examples=40)
@given(tables(), st.data())
def test_any_failures(given_, data):
    table_, factors = given_
    bakes = table_["bake"].unique()
    statuses = st.sampled_from(["made", "failed", "not served", "not baked", ""])
    drawn = {bake: data.draw(statuses) for bake in bakes}
    found = answered(lambda: failing(table_.assign(status=table_["bake"].map(drawn)), factors))
    if found is None:
        return
    assert ((found.counts["low"] <= found.counts["share"]) & (found.counts["share"] <= 1)).all()
    chance = found.chance(found.bakes)
    assert ((chance >= 0) & (chance <= 1)).all()


@pytest.mark.parametrize(
    "measure",
    [
        Measure("sweet", "just about right 5"),
        Measure("words", "check all", words=["dry", "soft"]),
    ],
)
def test_a_bake_of_two_settings_is_refused_in_counted_scores_too(measure):
    words = ["dry", "soft", "dry; soft", "none"] * 8
    scores = tasted().assign(sweet=[1, 3, 3, 5] * 8, words=words)
    scores.loc[5, "fat"] = "oil" if scores["fat"][5] == "butter" else "butter"
    with pytest.raises(FitError, match=r"row 7.*a bake has one setting"):
        counted(scores, measure.name, ["fat"], measure=measure)
