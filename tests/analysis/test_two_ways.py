"""Spent plans: two ways of judging side by side, in words, and what beliefs do to them."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trials.analysis.averaging import side_by_side
from trials.analysis.fitting import fit
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import fractional_factorial

REFERENCE = Path(__file__).parents[1] / "reference"
FACTORS = [
    Numeric("oil temperature", 165, 180, "°C"),
    Numeric("hydration", 92, 108, "%"),
    Numeric("buckwheat", 15, 35, "%"),
    Categorical("fat", ["butter", "sunflower oil"]),
    Numeric("sugar", 4, 12, "%"),
]
LIKING = Measure("liking", "hedonic 9", goal="higher")
TRUTH = {"oil temperature": 0.9, "fat": -1.2, "oil temperature:hydration": -0.9}


def doughnuts(effects=TRUTH, *, bakes=16, seed=1):
    plan = fractional_factorial(FACTORS, bakes=bakes, seed=1)
    return rehearse(plan, effects, tasters=6, seed=seed, spreads=Spreads(bake=0.5))


@pytest.fixture(scope="module")
def spent():
    return fit(doughnuts(), "liking", FACTORS, measure=LIKING)


class TestSpentPlan:
    def test_an_error_was_not_measured(self, spent):
        assert any("no error was measured" in note for note in spent.notes)
        assert any("average over every simpler explanation" in note for note in spent.notes)
        assert any("a chance of 50 % to be at work" in note for note in spent.notes)

    def test_both_ways_are_named(self, spent):
        said = next(one for one in spent.sentences if "Lenth" in one)
        assert "oil temperature, fat and oil temperature with hydration stand out" in said
        assert "the chance to be at work is" in said

    def test_rivals_say_what_they_share(self, spent):
        said = next(one for one in spent.sentences if "explanations fit about as well" in one)
        shared = "All of them hold oil temperature, fat and oil temperature with hydration"
        assert shared in said
        assert ":" not in said.split("besides:")[1].split("(")[0]

    def test_a_likely_pair_is_spoken_of_though_not_settled(self, spent):
        said = [one for one in spent.sentences if one.startswith("Oil temperature depends on hyd")]
        assert len(said) == 1
        row = spent.spoken.set_index("term").loc["oil temperature:hydration"]
        if row["high"] >= 0:
            assert "sure that there is something), not settled" in said[0]

    def test_the_next_round_is_foretold_and_no_count_of_bakes(self, spent):
        assert spent.to_settle["chance"].dropna().between(0, 1).all()
        said = " ".join(spent.sentences)
        assert "more bakes" not in said
        assert "one more such round settles it in" in said or "too close to call" in said

    def test_a_tie_is_said_to_be_a_tie(self):
        flat = fit(doughnuts({}, seed=4), "liking", FACTORS, measure=LIKING)
        assert "it is a tie" in flat.sentences[0]

    def test_pairs_that_can_not_be_parted_are_named_as_such(self):
        scores = doughnuts({"oil temperature": 1.5, "fat": -1.5}, bakes=8)
        found = fit(scores, "liking", FACTORS, measure=LIKING)
        assert any("can not be told apart from" in one for one in found.summary())


class TestSideBySide:
    def test_filtration(self):
        # Montgomery, filtration rate 2^4; Lenth 1989 by R (see the reference's README)
        known = json.loads((REFERENCE / "two_level_expected.json").read_text(encoding="utf-8"))
        table = pd.read_csv(REFERENCE / "filtration_2p4.csv")
        model = list(known["filtration"]["effects"])
        both = side_by_side(fit(table, "y", list("ABCD"), model=model, groups=()))
        own = both.set_index("term")
        for term, effect in known["filtration"]["effects"].items():
            assert own.loc[term, "estimate"] == pytest.approx(effect, abs=1e-9)
        # What stands out by Lenth's method is what averaging finds likely
        assert set(own.index[own["chance"] > 0.5]) == {"A", "C", "D", "A:C", "A:D"}
        apart = (own["low"] > 0) | (own["high"] < 0)
        assert set(own.index[apart]) == {"A", "C", "D", "A:C", "A:D"}
        assert (own["averaged"].abs() <= own["estimate"].abs() + 1.0).all()

    def test_nothing_was_averaged(self):
        table = pd.DataFrame({"rest": [20, 60] * 10, "y": np.random.default_rng(1).normal(size=20)})
        with pytest.raises(FitError, match="nothing was averaged"):
            side_by_side(fit(table, "y", ["rest"], model="main"))
