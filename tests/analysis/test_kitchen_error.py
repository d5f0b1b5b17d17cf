"""What is said of few bakes rests on the usual error of a kitchen; the effects do not."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.kitchen_error import CarefulFit, KitchenError
from trials.core.measures import Measure

LIKING = Measure("liking", "hedonic 9", goal="higher")
REST = [20, 60] * 3


def six(scores, **columns):
    """Six bakes by one taster."""
    return pd.DataFrame(
        {
            "bake": [f"B0{n}" for n in range(1, 7)],
            "rest": REST,
            "taster": "Ada",
            "liking": scores,
            **columns,
        }
    )


def test_scores_that_agree_by_chance_are_no_proof():
    """Noise that happens to repeat: the fit has no error, and nothing of it is spoken."""
    found = fit(six([4, 6, 4, 6, 4, 6]), "liking", ["rest"], measure=LIKING)
    assert found.effects["estimate"].iloc[0] == pytest.approx(2)
    assert set(found.effects["verdict"]) == {"not settled"}
    spoken = found.spoken.iloc[0]
    assert spoken["low"] < 0 < spoken["high"]
    assert not any("Matters" in one for one in found.sentences)
    assert any("usual in a kitchen" in note for note in found.notes)


def test_what_is_spoken_is_measured_and_usual_together():
    """Four degrees of freedom each way, by Student's t on both (Box & Tiao 1973, section 2.4)."""
    scores = np.array([4.0, 6, 5, 7, 4, 8])
    found = fit(six(scores), "liking", ["rest"], measure=LIKING)
    low, high = scores[::2], scores[1::2]
    left = ((low - low.mean()) ** 2).sum() + ((high - high.mean()) ** 2).sum()
    usual = 0.25**2 + 0.5**2 + 1.1**2  # a bake, a taster's own view of it, a score
    se = np.sqrt((left + 4 * usual) / 8 * (1 / 3 + 1 / 3))
    assert found.spoken["se"].iloc[0] == pytest.approx(se, rel=1e-9)
    assert found.spoken["df"].iloc[0] == pytest.approx(8)
    assert found.effects["se"].iloc[0] == pytest.approx(np.sqrt(left / 4 * 2 / 3), rel=1e-9)


def test_it_fades_as_bakes_are_added():
    rng = np.random.default_rng(5)
    rows = pd.concat([six(0.0)] * 20, ignore_index=True)
    rows["bake"] = [f"B{n}" for n in range(len(rows))]
    rows["liking"] = np.clip(np.round(5 + rng.normal(0, 1.2, len(rows))), 1, 9)
    found = fit(rows, "liking", ["rest"], measure=LIKING)
    assert found.spoken["se"].iloc[0] == pytest.approx(found.effects["se"].iloc[0], rel=0.03)


def test_a_number_has_no_usual_error_and_no_verdict_without_one():
    weighed = Measure("liking", "number", unit="g", per="bake", worth_noticing=0.5)
    found = fit(six([4, 6, 4, 6, 4, 6]), "liking", ["rest"], measure=weighed)
    assert set(found.spoken["verdict"]) == {"not settled"}
    assert found.spoken[["low", "high"]].isna().all(axis=None)
    assert not any("usual in a kitchen" in note for note in found.notes)


def test_without_a_margin_nothing_matters_though_its_direction_may_be_sure():
    number = Measure("liking", "number", per="bake")
    found = fit(six([4.0, 8.1, 4.2, 8, 4.1, 8.2]), "liking", ["rest"], measure=number)
    assert found.spoken["low"].iloc[0] > 0
    assert found.spoken["verdict"].iloc[0] == "not settled"
    assert any("direction is sure" in one for one in found.sentences)


def test_a_contrast_of_nothing_is_known_and_not_missing():
    """A usual variance that rounding leaves below nothing is nothing: no root of it is missing."""

    class Exact:
        """A fit whose contrast of nothing has next to no error."""

        beta = np.zeros(1)

        def estimate(self, contrast):
            return 0.0, 1e-12, 3.0

    kitchen = KitchenError({"bake": 0.1, "taste": 0.1, "score": 0.5}, tasters=1, least=0.0)
    below = CarefulFit(Exact(), kitchen, usual=np.array([[-1e-17]]), least=np.zeros((1, 1)))
    value, se, df = below.estimate(np.ones(1))
    assert (value, df) == (0.0, 3.0 + kitchen.df)
    assert 0 <= se < 1e-11
