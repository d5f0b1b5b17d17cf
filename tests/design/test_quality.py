"""What a plan can tell: against sums by hand and textbook properties."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.core.factors import Categorical, Component, Numeric
from trials.design.aliasing import aliases
from trials.design.factorial import fractional_factorial
from trials.design.layout import lay_out
from trials.design.quality import quality
from trials.design.screening import plackett_burman


def numbers(names: str) -> list:
    return [Numeric(name, -1, 1) for name in names]


def half_fraction():
    table = pd.DataFrame(
        [(a, b, c, a * b * c) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)], columns=[*"abcd"]
    )
    return lay_out(numbers("abcd"), table, family="half", model="main", seed=1)


def rotatable():
    a = 2**0.5
    points = [(x, y) for x in (-1, 1) for y in (-1, 1)]
    points += [(a, 0), (-a, 0), (0, a), (0, -a)] + [(0, 0)] * 5
    factors = [Numeric("x", -2, 2), Numeric("y", -2, 2)]
    table = pd.DataFrame(points, columns=["x", "y"])
    return lay_out(factors, table, family="rotatable", model="quadratic", seed=1)


def test_words_of_a_half_fraction():
    # I = ABCD: every pair is the other pair, no main effect is a pair
    table = aliases(half_fraction())
    pairs = {frozenset(row) for row in table[["term", "aliased_with"]].to_numpy().tolist()}
    assert pairs == {
        frozenset(("a:b", "c:d")),
        frozenset(("a:c", "b:d")),
        frozenset(("a:d", "b:c")),
    }
    assert (table["coefficient"] == 1).all()
    assert table["complete"].all()
    triples = aliases(half_fraction(), order=3)
    mains = triples[triples["term"].str.len() == 1].set_index("term")["aliased_with"].to_dict()
    assert mains == {"a": "b:c:d", "b": "a:c:d", "c": "a:b:d", "d": "a:b:c"}


def test_the_sign_of_a_word():
    table = pd.DataFrame({"a": [-1, 1, -1, 1], "b": [-1, -1, 1, 1]})
    table["c"] = -table["a"] * table["b"]
    plan = lay_out(numbers("abc"), table, family="half", model="main", seed=1)
    assert (aliases(plan)["coefficient"] == -1).all()


def test_twelve_bakes_share_every_pair_in_thirds():
    # Design theory: with 12 bakes a main effect holds a third of every pair it is not in
    table = aliases(plackett_burman(numbers("abcdefghijk"), seed=1))
    mains = table[table["term"].str.len() == 1]
    assert len(mains) == 11 * 45
    assert np.allclose(mains["coefficient"].abs(), 1 / 3)
    assert not mains["complete"].any()


def test_alias_matrix_by_hand():
    # A line through three settings holds nothing of the square; the mean does
    table = pd.DataFrame({"a": [-1, 0, 1, 1], "b": [-1, 1, -1, 1]})
    plan = lay_out(numbers("ab"), table, family="any", model="main", seed=1)
    X = np.column_stack([np.ones(4), table])
    other = np.column_stack([table["a"] ** 2, table["a"] * table["b"]])
    by_hand = np.linalg.inv(X.T @ X) @ X.T @ other
    found = aliases(plan).set_index(["term", "aliased_with"])["coefficient"]
    assert found["a", "a^2"] == pytest.approx(by_hand[1, 0])
    assert found["b", "a:b"] == pytest.approx(by_hand[2, 1])


def test_a_factorial_is_all_that_can_be_had():
    plan = fractional_factorial(numbers("abcd"), bakes=16, seed=1)
    found = quality(plan, "interactions")
    assert found.efficiency["percent"].tolist() == pytest.approx([100] * 4)
    assert found.effects["se"].tolist() == pytest.approx([2 / 4] * 10)  # 2 / sqrt(16)
    assert found.effects["inflation"].tolist() == pytest.approx([1] * 10)
    assert found.leverage["leverage"].tolist() == pytest.approx([11 / 16] * 16)
    assert found.levels["df"].tolist() == [5]
    assert found.pure_error == 0
    assert np.allclose(found.correlations, np.eye(10))


def test_prediction_variance_of_a_rotatable_plan():
    # Five centre bakes: variance 1/5 at the centre (Box & Hunter 1957, uniform precision)
    found = quality(rotatable())
    assert found.pure_error == 4
    assert found.space["variance"].is_monotonic_increasing
    assert found.leverage["leverage"].sum() == pytest.approx(6)
    centre = found.leverage["leverage"].nsmallest(5)
    assert centre.tolist() == pytest.approx([0.2] * 5)


def test_the_curve_is_the_variance_over_the_region():
    # Two numbers, main effects, 2^2 twice: variance (1 + x^2 + y^2) / 8, from 1/8 to 3/8
    table = pd.DataFrame({"a": [-1, 1, -1, 1] * 2, "b": [-1, -1, 1, 1] * 2})
    found = quality(lay_out(numbers("ab"), table, family="all", model="main", seed=1))
    curve = found.space.set_index("share")["variance"]
    # Four thousand points drawn by chance come this near to the middle and the corners
    assert curve[0.0] == pytest.approx(1 / 8, abs=0.01)
    assert curve[1.0] == pytest.approx(3 / 8, abs=0.01)
    # Where x^2 + y^2 < 1, pi/4 of the square, the variance is below 2/8
    assert np.interp(2 / 8, curve, curve.index) == pytest.approx(np.pi / 4, abs=0.03)


def test_which_effects_sit_on_loads():
    oil = Numeric("oil temperature", 165, 180, hard_to_change=True)
    table = pd.DataFrame(
        {
            "oil temperature": [165, 165, 180, 180] * 2,
            "rest": [20, 60] * 4,
            "load": [1, 1, 2, 2, 3, 3, 4, 4],
        }
    )
    plan = lay_out(
        [oil, Numeric("rest", 20, 60)], table, family="split", model="interactions", seed=1
    )
    found = quality(plan)
    on = found.effects.set_index("term")["judged_on"].to_dict()
    assert on == {
        "oil temperature": "oil fills",
        "rest": "bakes",
        "oil temperature:rest": "bakes",
    }
    # Variance ratio 1: 4 (1 / 4 + 1 / 8) and 4 / 8
    assert found.effects["se"].tolist() == pytest.approx([1.5**0.5, 0.5**0.5, 0.5**0.5])
    assert found.levels.set_index("level")["df"].to_dict() == {"oil fills": 2, "bakes": 2}
    assert any("oil fills" in sentence for sentence in found.sentences)


def test_what_can_not_be_judged_is_said():
    plan = fractional_factorial(numbers("abcdef"), bakes=8, seed=1)
    found = quality(plan, "interactions")
    assert found.sentences[1].startswith("This plan can not judge")
    assert np.isinf(found.space["variance"]).all()
    assert (found.efficiency["percent"] == 0).all()


def test_names_are_shown_as_text():
    factors = [Numeric("<b>rest</b>", 20, 60)]
    table = pd.DataFrame({"<b>rest</b>": [20, 60] * 2})
    page = quality(lay_out(factors, table, family="two", model="main", seed=1))._repr_html_()
    assert "<b>rest" not in page.casefold()


def test_blends_have_a_quality_too():
    flours = [Component(name) for name in ("wheat", "rye", "buckwheat")]
    corners = np.vstack([np.eye(3), (np.eye(3) + np.eye(3)[[1, 2, 0]]) / 2, [[1 / 3] * 3]])
    table = pd.DataFrame(corners, columns=[flour.name for flour in flours])
    found = quality(lay_out(flours, table, family="lattice", model="blend", seed=1))
    assert len(found.effects) == 6
    assert np.isfinite(found.effects["se"]).all()


@settings(max_examples=10, deadline=None)
@given(order=st.permutations([*"abc"]), seed=st.integers(0, 10**6))
def test_relabelling_factors_does_not_change_quality(order, seed):
    rng = np.random.default_rng(seed)
    settings_ = rng.choice([-1.0, 0.0, 1.0], (14, 3))
    kinds = rng.permutation(["u", "v"] * 7)
    fat = Categorical("fat", ["u", "v"])

    def made(names):
        table = pd.DataFrame(settings_, columns=list(names)).assign(fat=kinds)
        factors = [*(Numeric(name, -1, 1) for name in sorted(names)), fat]
        plan = lay_out(factors, table, family="any", model="main", seed=1)
        return quality(plan).efficiency["percent"].round(6).tolist()

    assert made("abc") == pytest.approx(made(order))
