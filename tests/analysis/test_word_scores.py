"""Ticked words, just-about-right scales and rankings through their doors."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials.analysis.answers import fit
from trials.analysis.counted import counted
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.factorial import full_factorial
from trials.rounds.round import Round
from trials.rounds.scores import record_scores
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster

LIKING = Measure("liking", "hedonic 9")
SWEETNESS = Measure("sweetness", "just about right 5")
PLACE = Measure("place", "ranking")
FACTORS = [Categorical("fat", ["butter", "lard"]), Numeric("rest", 20, 60, "min")]


def tastings(tasters=8, replicates=4, seed=1):
    """Invented: lard is crisp, a long rest is sweet, and crisp is liked."""
    plan = full_factorial(FACTORS, replicates=replicates, seed=2)
    rng = np.random.default_rng(seed)
    table = plan.table.merge(
        pd.DataFrame({"taster": [f"taster {n}" for n in range(tasters)]}), how="cross"
    )
    crisp = rng.random(len(table)) < np.where(table["fat"] == "lard", 0.85, 0.15)
    sweet = rng.random(len(table)) < np.where(table["rest"] == 60, 0.8, 0.3)
    pale = rng.random(len(table)) < 0.4
    held = [
        "; ".join(w for w, on in zip(("crisp", "sweet", "pale"), own, strict=True) if on) or "none"
        for own in zip(crisp, sweet, pale, strict=True)
    ]
    liking = np.clip(np.round(5 + 1.5 * crisp + rng.normal(0, 1, len(table))), 1, 9)
    return table.assign(words=held, liking=liking)


def word_scores(scores, words=("crisp", "sweet", "pale", "dry"), liking=None):
    asked = Measure("words", "check all", words=list(words))
    return counted(scores, "words", FACTORS, measure=asked, goal=liking)


class TestWords:
    def test_settings_that_call_up_words(self):
        found = word_scores(tastings(), liking=LIKING)
        effects = found.details["effects"]
        clear = effects[effects["q"] < 0.05]
        assert set(zip(clear["word"], clear["term"], strict=True)) == {
            ("crisp", "fat"),
            ("sweet", "rest"),
        }
        assert found.details["with goal"]["word"].iloc[0] == "crisp"
        assert '"crisp" is ticked' in " ".join(found.sentences)
        assert "<table" in found._repr_html_()

    def test_estimates_are_differences_of_shares(self):
        scores = tastings()
        found = word_scores(scores)
        share = scores["words"].str.contains("crisp").groupby(scores["fat"]).mean()
        row = found.details["effects"].query("word == 'crisp' and term == 'fat'").iloc[0]
        assert row["estimate"] == pytest.approx(share["lard"] - share["butter"])
        by = found.table.query("word == 'crisp' and factor == 'fat'").set_index("setting")
        assert by["share"].to_dict() == pytest.approx(share.to_dict())

    def test_the_bake_is_the_unit(self):
        """Without bakes between two settings nothing is shown, however many taste."""
        scores = tastings(tasters=40, replicates=1)
        scores["words"] = np.where(scores["bake"] == "B01", "crisp", "none")
        found = word_scores(scores)
        assert not (found.details["effects"]["q"] < 0.05).any()

    def test_q_is_that_of_benjamini_and_hochberg(self):
        found = word_scores(tastings()).details["effects"]
        order = found["p"].to_numpy().argsort()
        by_hand = np.minimum.accumulate((found["p"].to_numpy()[order] * 6 / np.arange(1, 7))[::-1])
        assert found["q"].to_numpy()[order] == pytest.approx(np.minimum(by_hand[::-1], 1))

    @pytest.mark.slow
    def test_false_finds_are_rare(self):
        named = 0
        for seed in range(40):
            scores = tastings(tasters=5, replicates=2, seed=seed)
            rng = np.random.default_rng(seed)
            shares = scores["bake"].map(
                dict(zip(scores["bake"].unique(), rng.random(8), strict=True))
            )
            scores["words"] = np.where(rng.random(len(scores)) < shares, "dry", "none")
            named += bool((word_scores(scores).details["effects"]["q"] < 0.05).any())
        # 40 rounds at 5 %: the binomial puts 99.9 % at 8 or fewer
        assert named <= stats.binom.ppf(0.999, 40, 0.05) + 1

    def test_what_was_not_ticked_and_not_filled_in(self):
        scores = tastings()
        scores.loc[:3, "words"] = None
        found = word_scores(scores, ["crisp", "sweet", "pale", "burnt"])
        assert found.answers == len(scores) - 4
        assert any("4 tastings hold no answer" in note for note in found.notes)
        assert any("Nobody ticked burnt" in note for note in found.notes)
        with pytest.raises(FitError, match="not among the words"):
            word_scores(scores, ["crisp"])
        nothing = word_scores(scores.assign(words="none"))
        assert "nothing was ticked" in nothing.sentences[0]
        with pytest.raises(FitError, match="nobody answered"):
            word_scores(scores.assign(words=""))

    def test_cochran_q_is_over_tasters_who_had_every_bake(self):
        scores = tastings()
        scores = scores[~((scores["taster"] == "taster 0") & (scores["bake"] == "B01"))]
        found = word_scores(scores)
        assert set(found.details["agreement"]["tasters"]) == {7}
        assert (found.details["agreement"]["bakes"] == 16).all()


def sweetness(tasters):
    scores = tastings(tasters=tasters)
    rating = np.where(scores["rest"] == 60, 4, 3)
    rating[::5] = 2
    return scores.assign(sweetness=rating, liking=7.0 - 1.5 * (rating != 3))


class TestJustRight:
    def test_penalty_analysis(self):
        scores = sweetness(12)
        found = counted(scores, "sweetness", FACTORS, measure=SWEETNESS, goal=LIKING)
        table = found.details["penalty"].set_index("side")
        assert table.loc["too much", "drop"] == pytest.approx(1.5)
        assert table["share"].sum() == pytest.approx(1)
        assert any("too much" in one and "rest 60 min" in one for one in found.sentences)
        assert any("worth heeding" in one for one in found.sentences)

    def test_a_hint_only_under_ten_tasters(self):
        found = counted(sweetness(9), "sweetness", FACTORS, measure=SWEETNESS, goal=LIKING)
        assert not found.details["penalty"]["heed"].any()
        assert any("a hint, no more" in one for one in found.sentences)
        assert any("9 tasters are too few" in note for note in found.notes)

    def test_counts_add_up(self):
        scores = sweetness(3)
        counts = counted(scores, "sweetness", FACTORS, measure=SWEETNESS).table
        sides = counts[["too little", "just about right", "too much"]].sum(axis=1)
        assert (sides == counts["answers"]).all()
        assert counts.groupby("factor", sort=False)["answers"].sum().tolist() == [len(scores)] * 3

    def test_off_the_scale(self):
        with pytest.raises(FitError, match=r'row 2, "sweetness": 6 is off the scale 1 to 5'):
            counted(sweetness(3).assign(sweetness=6), "sweetness", FACTORS, measure=SWEETNESS)

    def test_a_round_knows_its_liking(self, tmp_path):
        plan = full_factorial(FACTORS, replicates=2, seed=1)
        measures = [
            Measure("sweetness", "just about right 5"),
            Measure("liking", "hedonic 9"),
            Measure("words", "check all", words=["crisp", "sweet"]),
        ]
        tasters = [Taster(f"Taster {n}") for n in range(10)]
        round_ = Round.create(tmp_path / "one", plan=plan, measures=measures, tasters=tasters)
        write_sheets(round_)
        rows = plan.table.merge(
            pd.DataFrame({"taster": [one.name for one in tasters]}), how="cross"
        )
        rows["sweetness"] = np.where(rows["rest"] == 60, 4.0, 3.0)
        rows["liking"] = 10.0 - rows["sweetness"]
        rows["words"] = np.where(rows["fat"] == "lard", "crisp", "none")
        record_scores(round_, rows)
        found = fit(round_, "sweetness")
        assert found.details["penalty"].set_index("side").loc["too much", "drop"] == pytest.approx(
            1
        )
        words = fit(round_, "words").table.query("word == 'crisp'")
        by = words.query("factor == 'fat'").set_index("setting")["share"]
        assert by.to_dict() == {"butter": 0, "lard": 1}


class TestRankings:
    def table(self):
        # Friedman 1937's form: six tasters, three bakes, one sitting each
        places = [[1, 2, 3], [1, 3, 2], [1, 2, 3], [2, 1, 3], [1, 2, 3], [1, 2, 3]]
        return pd.DataFrame(
            [
                {
                    "taster": f"taster {row}",
                    "bake": f"B0{column + 1}",
                    "place": place,
                    "rest": 20 + 20 * column,
                }
                for row, own in enumerate(places)
                for column, place in enumerate(own)
            ]
        )

    def test_friedman(self):
        table = self.table()
        found = counted(table, "place", measure=PLACE, order=["B01", "B02", "B03"])
        wide = table.pivot(index="taster", columns="bake", values="place")
        expected = stats.friedmanchisquare(*wide.to_numpy().T).statistic
        agreement = found.details["agreement"]
        assert agreement["statistic"].tolist() == pytest.approx([expected])
        assert "B01 comes first" in " ".join(found.notes)
        assert agreement["page_p"].iloc[0] < 0.01
        assert found.bakes.set_index("bake")["place"].to_dict() == pytest.approx(
            wide.mean().to_dict()
        )

    def test_a_test_of_bakes_gives_no_verdict_on_a_factor(self):
        """All agree on an order of the bakes that has nothing to do with the rest."""
        plan = pd.DataFrame(
            {"bake": ["B1", "B2", "B3", "B4"], "rest": [20, 20, 60, 60], "place": [1, 4, 2, 3]}
        )
        people = pd.DataFrame({"taster": [f"taster {n}" for n in range(8)]})
        found = counted(plan.merge(people, how="cross"), "place", [FACTORS[1]], measure=PLACE)
        assert found.details["agreement"]["p"].iloc[0] < 0.001
        assert "agree on an order" in " ".join(found.notes)
        assert "No setting is shown to come out in front" in " ".join(found.sentences)

    def test_settings_that_come_out_in_front(self):
        scores = tastings(tasters=6)
        scores["sitting"] = scores.groupby("taster").cumcount() // 4
        crisp = (scores["fat"] == "lard") + np.linspace(0, 0.5, len(scores))
        scores["place"] = crisp.groupby([scores["taster"], scores["sitting"]]).rank(ascending=False)
        found = counted(scores, "place", FACTORS, measure=PLACE)
        row = found.details["effects"].set_index("term").loc["fat"]
        assert row["estimate"] > 0
        assert row["p"] < 0.01
        assert any(one.startswith("Fat, lard over butter: ahead of") for one in found.sentences)
        # Over all that was ranked together, a piece is ahead of half of the others
        shares = found.bakes["ahead"] * found.bakes["answers"]
        assert shares.sum() / found.bakes["answers"].sum() == pytest.approx(0.5)

    def test_nothing_ranked_together(self):
        table = self.table().assign(sitting=range(18))
        with pytest.raises(FitError, match="no taster ranked two samples together"):
            counted(table, "place", measure=PLACE)


class TestYesAndNo:
    PASSED = Measure("holds", "passed", per="bake")

    def table(self, torn):
        plan = full_factorial(FACTORS, replicates=4, seed=2).table
        return plan.assign(holds=np.where(torn(plan), "no", "yes"))

    def test_the_range_is_that_of_clopper_and_pearson(self):
        # Clopper & Pearson 1934 by the beta distribution, here from scipy's own exact test
        table = self.table(lambda plan: plan["bake"].isin(["B01", "B02", "B03"]))
        found = counted(table, "holds", FACTORS, measure=self.PASSED).table.iloc[0]
        expected = stats.binomtest(13, 16).proportion_ci(method="exact")
        assert (found["low"], found["high"]) == pytest.approx((expected.low, expected.high))

    def test_what_it_hangs_on(self):
        table = self.table(lambda plan: (plan["fat"] == "lard") & (plan["bake"] != "B01"))
        found = counted(table, "holds", FACTORS, measure=self.PASSED)
        assert any("By fat, the chance of yes for holds" in one for one in found.sentences)
        assert found.table.query("setting == 'butter'")["share"].tolist() == [1]

    def test_tasters_of_one_bake_are_not_bakes(self):
        table = self.table(lambda plan: plan["fat"] == "lard")
        people = pd.DataFrame({"taster": [f"taster {n}" for n in range(10)]})
        many = table.merge(people, how="cross")
        one = counted(table, "holds", FACTORS, measure=self.PASSED).table
        ten = counted(many, "holds", FACTORS, measure=Measure("holds", "passed")).table
        assert ten["low"].tolist() == pytest.approx(one["low"].tolist())
        assert ten["high"].tolist() == pytest.approx(one["high"].tolist())


class TestOwnWords:
    SAID = Measure("said", "words")

    def test_counts_and_quotes(self):
        scores = tastings(tasters=2, replicates=1)
        scores["said"] = np.where(scores["fat"] == "lard", "very crisp, not greasy", "dry")
        scores.loc[0, "said"] = ""
        found = counted(scores, "said", FACTORS, measure=self.SAID, goal=LIKING)
        lard = found.table.query("word == 'not greasy' and setting == 'lard'").iloc[0]
        assert lard["said"] == lard["answers"]
        assert "dry (" in found.sentences[0]
        assert any("1 tasting holds no answer" in note for note in found.notes)
        quotes = found.details["quotes"]
        assert len(quotes) == len(scores) - 1
        means = scores.groupby("bake")["liking"].mean()
        assert means[quotes["bake"].iloc[0]] >= means[quotes["bake"].iloc[-1]]


EVERY = {
    "sweetness": (SWEETNESS, [2, 3, 3, 4]),
    "words": (Measure("words", "check all", words=["crisp", "dry"]), ["crisp", "dry", "none", ""]),
    "place": (PLACE, [1, 2, 3, 4]),
    "said": (Measure("said", "words"), ["crisp", "", "dry as dust", "crisp"]),
    "again": (Measure("again", "passed"), ["yes", "no", "no", "yes"]),
}


@pytest.mark.parametrize("name", EVERY)
class TestEveryCount:
    def rounds(self, name, tasters=1):
        """Two invented rounds of four bakes that have the same names."""
        measure, values = EVERY[name]
        plan = full_factorial(FACTORS, seed=1).table
        people = pd.DataFrame({"taster": [f"taster {n}" for n in range(tasters)]})
        one = plan.merge(people, how="cross").sort_values("taster", ignore_index=True)
        one[name] = values * tasters
        return measure, pd.concat(
            [one.assign(round=1, sitting=1), one.assign(round=2, sitting=1)], ignore_index=True
        )

    def test_one_taster_a_gap_and_two_rounds(self, name):
        measure, table = self.rounds(name)
        table[name] = table[name].astype(object)
        table.loc[1, name] = None
        found = counted(table, name, FACTORS, measure=measure, goal=LIKING)
        assert found.table.query("factor == 'round'")["setting"].unique().tolist() == ["1", "2"]
        answered = table[name].map(lambda cell: cell not in (None, "")).sum()
        assert found.answers == answered
        assert found.bakes["bake"].is_unique
        assert found.bakes["answers"].sum() == answered
        assert any("hold" in note and "no answer" in note for note in found.notes)
        assert "nan" not in " ".join(found.summary())
        assert "<table" in found._repr_html_()

    def test_places_of_two_rounds_do_not_meet(self, name):
        measure, table = self.rounds(name, tasters=2)
        both = counted(table, name, FACTORS, measure=measure)
        first = counted(table[table["round"] == 1], name, FACTORS, measure=measure)
        own = both.bakes.query("round == '1'").reset_index(drop=True)
        kept = [one for one in first.bakes.columns if one not in ("bake", "round")]
        pd.testing.assert_frame_equal(own[kept], first.bakes[kept])

    def test_bakes_renamed_say_the_same(self, name):
        measure, table = self.rounds(name, tasters=3)
        found = counted(table, name, FACTORS, measure=measure)
        other = counted(table.assign(bake="x" + table["bake"]), name, FACTORS, measure=measure)
        pd.testing.assert_frame_equal(found.table, other.table)

    def test_the_one_door(self, name):
        measure, table = self.rounds(name)
        found = fit(table, name, FACTORS, measure=measure)
        assert found.summary() == counted(table, name, FACTORS, measure=measure).summary()
        with pytest.raises(FitError, match="no model"):
            fit(table, name, FACTORS, measure=measure, model="main")


def test_words_without_a_measure_are_asked_for_one():
    table = tastings(tasters=1)
    with pytest.raises(FitError, match='"words" holds words, not numbers'):
        fit(table, "words", FACTORS)
