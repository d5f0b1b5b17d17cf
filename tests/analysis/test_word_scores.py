"""Ticked words, just-about-right scales and rankings through their doors."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials.analysis.counted import AHEAD, just_right, rankings, word_scores
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.factorial import full_factorial
from trials.rounds.round import Round
from trials.rounds.scores import record_scores
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster

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


class TestWords:
    def test_settings_that_call_up_words(self):
        found = word_scores(tastings(), "words", FACTORS, liking="liking")
        clear = found.effects[found.effects["q"] < 0.05]
        assert set(zip(clear["word"], clear["term"], strict=True)) == {
            ("crisp", "fat"),
            ("sweet", "rest"),
        }
        assert found.with_liking["word"].iloc[0] == "crisp"
        assert '"crisp" is ticked' in found.sentences[0] + found.sentences[1]
        assert "<table" in found._repr_html_()

    def test_estimates_are_differences_of_shares(self):
        scores = tastings()
        found = word_scores(scores, "words", FACTORS)
        share = scores["words"].str.contains("crisp").groupby(scores["fat"]).mean()
        row = found.effects.query("word == 'crisp' and term == 'fat'").iloc[0]
        assert row["estimate"] == pytest.approx(share["lard"] - share["butter"])
        by = found.by_setting.query("word == 'crisp' and factor == 'fat'").set_index("setting")
        assert by["share"].to_dict() == pytest.approx(share.to_dict())

    def test_the_bake_is_the_unit(self):
        """Without bakes between two settings nothing is shown, however many taste."""
        scores = tastings(tasters=40, replicates=1)
        scores["words"] = np.where(scores["bake"] == "B01", "crisp", "none")
        found = word_scores(scores, "words", FACTORS)
        assert not (found.effects["q"] < 0.05).any()

    def test_q_is_that_of_benjamini_and_hochberg(self):
        found = word_scores(tastings(), "words", FACTORS).effects
        order = found["p"].to_numpy().argsort()
        by_hand = np.minimum.accumulate((found["p"].to_numpy()[order] * 6 / np.arange(1, 7))[::-1])
        assert found["q"].to_numpy()[order] == pytest.approx(np.minimum(by_hand[::-1], 1))

    def test_false_finds_are_rare(self):
        named = 0
        for seed in range(40):
            scores = tastings(tasters=5, replicates=2, seed=seed)
            rng = np.random.default_rng(seed)
            shares = scores["bake"].map(
                dict(zip(scores["bake"].unique(), rng.random(8), strict=True))
            )
            scores["words"] = np.where(rng.random(len(scores)) < shares, "dry", "none")
            named += bool((word_scores(scores, "words", FACTORS).effects["q"] < 0.05).any())
        # 40 rounds at 5 %: the binomial puts 99.9 % at 8 or fewer
        assert named <= stats.binom.ppf(0.999, 40, 0.05) + 1

    def test_what_was_not_ticked_and_not_filled_in(self):
        scores = tastings()
        scores.loc[:3, "words"] = None
        found = word_scores(scores, "words", FACTORS, words=["crisp", "sweet", "pale", "burnt"])
        assert len(found.ticks) == len(scores) - 4
        assert any("Nobody ticked burnt" in note for note in found.notes)
        with pytest.raises(FitError, match="not among the words"):
            word_scores(scores, "words", FACTORS, words=["crisp"])
        with pytest.raises(FitError, match="no word"):
            word_scores(scores.assign(words="none"), "words", FACTORS)
        with pytest.raises(FitError, match="no column taster"):
            word_scores(scores.drop(columns="taster"), "words", FACTORS)

    def test_cochran_q_is_over_tasters_who_had_every_bake(self):
        scores = tastings()
        scores = scores[~((scores["taster"] == "taster 0") & (scores["bake"] == "B01"))]
        found = word_scores(scores, "words", FACTORS)
        assert set(found.differences["tasters"]) == {7}
        assert (found.differences["bakes"] == 16).all()


def sweetness(tasters):
    scores = tastings(tasters=tasters)
    rating = np.where(scores["rest"] == 60, 4, 3)
    rating[::5] = 2
    return scores.assign(sweetness=rating, liking=7.0 - 1.5 * (rating != 3))


class TestJustRight:
    def test_penalty_analysis(self):
        scores = sweetness(12)
        found = just_right(scores, "sweetness", FACTORS, liking="liking")
        table = found.penalties.set_index("side")
        assert table.loc["too much", "drop"] == pytest.approx(1.5)
        assert table["share"].sum() == pytest.approx(1)
        assert any("too much" in one and "rest 60 min" in one for one in found.sentences)
        assert any("worth heeding" in one for one in found.sentences)

    def test_counts_only_under_ten_tasters(self):
        found = just_right(sweetness(9), "sweetness", FACTORS, liking="liking")
        assert list(found.penalties.columns) == ["side", "count"]
        assert any("9 tasters are too few" in note for note in found.notes)

    def test_counts_add_up(self):
        scores = sweetness(3)
        counts = just_right(scores, "sweetness", FACTORS).counts
        sides = counts[["too little", "just about right", "too much"]].sum(axis=1)
        assert (sides == counts["tastings"]).all()
        assert counts.groupby("factor", sort=False)["tastings"].sum().tolist() == [len(scores)] * 3

    def test_off_the_scale(self):
        with pytest.raises(FitError, match="whole number from 1 to 5"):
            just_right(sweetness(3).assign(sweetness=6), "sweetness", FACTORS)

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
        found = just_right(round_, "sweetness")
        assert found.penalties.set_index("side").loc["too much", "drop"] == pytest.approx(1)
        words = word_scores(round_, "words", liking="liking")
        by = words.by_setting.query("factor == 'fat'").set_index("setting")["share"]
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
        found = rankings(table, "place", order=["B01", "B02", "B03"])
        wide = table.pivot(index="taster", columns="bake", values="place")
        expected = stats.friedmanchisquare(*wide.to_numpy().T).statistic
        assert found.together[0].statistic == pytest.approx(expected)
        assert "B01 comes first" in found.sentences[0]
        assert found.together[0].page_p < 0.01

    def test_settings_that_come_out_in_front(self):
        scores = tastings(tasters=6)
        scores["sitting"] = scores.groupby("taster").cumcount() // 4
        crisp = (scores["fat"] == "lard") + np.linspace(0, 0.5, len(scores))
        scores["place"] = crisp.groupby([scores["taster"], scores["sitting"]]).rank(ascending=False)
        found = rankings(scores, "place", FACTORS)
        row = found.findings.effects.set_index("term").loc["fat"]
        assert row["estimate"] > 0
        assert row["p"] < 0.01
        assert any(one.startswith("Fat, lard over butter: ahead of") for one in found.sentences)
        assert found.places.groupby(["taster", "sitting"])[
            AHEAD
        ].mean().to_numpy() == pytest.approx(0.5)

    def test_nothing_ranked_together(self):
        table = self.table().assign(sitting=range(18))
        with pytest.raises(FitError, match="no taster ranked two samples together"):
            rankings(table, "place")
