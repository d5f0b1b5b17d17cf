"""Where another program may say something else: zero variances, fixed blocks, shares in a table."""

import numpy as np
import pandas as pd
import pytest

from trials import Component, Measure, fit
from trials.analysis.brief import in_brief
from trials.base.errors import FitError


def test_a_variance_at_zero_leaves_the_bakes_their_degrees_of_freedom():
    """Six bakes of three tastings: 6 - 2 = 4 by the design (R's lmerTest drops the term: 16)."""
    rng = np.random.default_rng(2)
    table = pd.DataFrame(
        {"bake": f"B{bake}", "rest": 20 + 40 * (bake % 2), "liking": 5 + rng.normal()}
        for bake in range(6)
        for _ in range(3)
    )
    found = fit(table, "liking", ["rest"], model="main", method="satterthwaite", groups=("bake",))
    assert found.variance.set_index("source").loc["bake", "variance"] == 0
    assert found.effects["df"].iloc[0] == pytest.approx(4)


def test_with_fixed_days_what_is_expected_lies_at_the_mean_of_the_days():
    """Least squares with a column for each day, averaged over the days (Searle 1980)."""
    rng = np.random.default_rng(3)
    table = pd.DataFrame({"rest": [20, 60, 40] * 4, "day": np.repeat(["Sat", "Sun"], [8, 4])})
    table["liking"] = (
        5 + 0.02 * table["rest"] + 3 * (table["day"] == "Sun") + rng.normal(0, 0.2, 12)
    )
    days = np.column_stack([table["day"] == "Sat", table["day"] == "Sun", table["rest"]]) * 1.0
    sat, sun, slope = np.linalg.lstsq(days, table["liking"].to_numpy(), rcond=None)[0]
    found = fit(table, "liking", ["rest"], model="main")
    told = found.predict({"rest": 50})["estimate"].iloc[0]
    assert told == pytest.approx((sat + sun) / 2 + 50 * slope, rel=1e-9)


class TestShares:
    def flours(self, whole=1.0, seed=4):
        rng = np.random.default_rng(seed)
        rows = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)] * 2
        table = pd.DataFrame(rows, columns=["rye", "oat", "wheat"]) * whole
        blend = 4 * table["rye"] + 5 * table["oat"] + 6 * table["wheat"]
        return table.assign(liking=blend / whole + rng.normal(0, 0.1, len(table)))

    @pytest.mark.parametrize("whole", [1.0, 100.0])
    @pytest.mark.parametrize("model", [None, "blend", "main"])
    def test_columns_that_sum_to_one_are_a_blend(self, whole, model):
        names = ["rye", "oat", "wheat"]
        found = fit(self.flours(whole), "liking", names, model=model)
        said = fit(self.flours(), "liking", [Component(name) for name in names], model=model)
        pd.testing.assert_frame_equal(found.effects, said.effects)
        assert any("blend" in note for note in found.notes)

    def test_beside_a_number_and_in_a_round_of_their_own(self):
        table = self.flours().assign(rest=[20, 60, 40, 60, 20, 40] * 2)
        found = fit(table, "liking", ["rye", "oat", "wheat", "rest"], model="main")
        assert [type(one).__name__ for one in found.factors] == ["Component"] * 3 + ["Numeric"]

    def test_noughts_and_ones_name_kinds_and_are_no_blend(self):
        table = pd.DataFrame(
            {"lard": [0, 1] * 4, "butter": [1, 0] * 4, "rest": [20, 60, 60, 20] * 2}
        )
        table["liking"] = [5.0, 6, 5.5, 6.2, 5.1, 6.3, 5.2, 5.9]
        with pytest.raises(FitError, match="apart"):
            fit(table, "liking", ["lard", "butter", "rest"], model="main")

    def test_shares_that_miss_one_row_are_numbers(self):
        table = self.flours()
        table.loc[0, "rye"] = 0.9
        found = fit(table, "liking", ["rye", "oat", "wheat"], model="main")
        assert [type(one).__name__ for one in found.factors] == ["Numeric"] * 3


def test_what_may_remain_ends_where_the_scale_ends():
    # One taster, four bakes, scores from end to end: nothing of nine points can be ruled out
    table = pd.DataFrame(
        {"bake": list("abcd"), "fat": ["butter", "butter", "lard", "lard"], "liking": [1, 9, 9, 2]}
    )
    liking = Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.7)
    found = fit(table, "liking", ["fat"], measure=liking)
    assert found.spoken["high"].max() - found.spoken["low"].min() > 8
    said = " ".join(in_brief(found))
    assert "all that the scale allows, either way, remains possible" in said
    assert "up to" not in said
