"""What varies: coding there and back, names of any kind, mistakes in words."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.base.errors import FactorError
from trials.core.factors import (
    Categorical,
    Component,
    Numeric,
    check_factors,
    factor_from,
    factor_record,
)
from trials.recipe.formula import Formula

REAL = st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 4))


@given(REAL, REAL, st.floats(0, 1))
def test_coded_and_real_are_one(low, span, share):
    low, high = low, low + abs(span) + 0.01
    factor = Numeric("rest", low, high)
    assert factor.code([factor.low, factor.high]).tolist() == [-1.0, 1.0]
    value = low + share * (high - low)
    again = factor.decode(factor.code([value]))[0]
    # A setting a hair off a short number is taken for it
    assert again == pytest.approx(value, rel=1e-12, abs=1.1e-9 * (high - low))


def test_a_setting_whose_code_was_rounded_is_the_setting():
    oil = Numeric("oil", 165, 180)
    assert oil.decode(np.round(oil.code([172, 165, 180]), 9)).tolist() == [172.0, 165.0, 180.0]


@given(st.text(min_size=1, max_size=15).map(str.strip).filter(lambda text: text.isprintable()))
def test_any_name_will_do_but_the_plans_own(name):
    reserved = {"day", "load", "bake", "role", "taster", "status"}
    if not name or name.casefold() in reserved:
        with pytest.raises(FactorError):
            Numeric(name, 0, 1)
    else:
        assert Numeric(name, 0, 1).name == name


@pytest.mark.parametrize(
    "factor",
    [
        Numeric("oil", 0, 180, "°C", centre=0, hard_to_change=True, settings=(0, 90, 180), step=5),
        Numeric("rest", -5, 0),
        Numeric("syrup", 0, 9, raises=["sweetness"], lowers=["snap", "colour"]),
        Categorical("fat %", ["butter", "lard"], changes=("swap", "butter", "dough")),
        Categorical("heat", [165, 180.5], unit="°C", hard_to_change="oven"),
        Component("rye", 0, 0.4, changes=("flour share", "rye")),
        Numeric(
            "share", 0, 1, changes=("cross", Formula("other", {"bread flour": 100, "water": 60}))
        ),
    ],
)
def test_a_record_gives_the_factor_back(factor):
    again = factor_from(factor_record(factor))
    assert factor_record(again) == factor_record(factor)
    assert type(again) is type(factor)


def test_what_has_levels_is_of_kinds_and_what_has_limits_is_a_number():
    assert factor_from({"name": "oven", "low": 165, "high": 190}) == Numeric("oven", 165, 190)
    assert factor_from({"name": "tin", "levels": ["dark", "light"]}) == Categorical(
        "tin", ["dark", "light"]
    )
    for unclear in ({"name": "tin"}, {"name": "tin", "low": 1, "high": 2, "levels": [1, 2]}):
        with pytest.raises(FactorError, match="'tin' has no kind; expected low and high"):
            factor_from(unclear)


@pytest.mark.parametrize("change", ["percent", "total", "flour share"])
def test_grams_are_not_taken_for_percent_of_the_flour(change):
    with pytest.raises(FactorError, match=r"is in g, but .* counts percent of the flour"):
        Numeric("sugar", 70, 100, "g", changes=(change, "hydration"))
    assert Numeric("sugar", 70, 100, "g", changes=("grams", "sugar")).unit == "g"


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Numeric("rest", 60, 20), "low setting must be below"),
        (lambda: Numeric("rest", 20, 20), "low setting must be below"),
        (lambda: Numeric("rest", 20, np.inf), "finite"),
        (lambda: Numeric("rest", "a", 60), '"low" is the text "a"; expected a number'),
        (lambda: Numeric("rest", 20, 60, centre=70), "outside"),
        (lambda: Numeric("rest", 20, 60, settings=(20,)), "at least two"),
        (lambda: Numeric("day", 0, 1), "column that every plan has"),
        (lambda: Numeric("", 0, 1), "needs a name"),
        (lambda: Numeric("rest", 0, 1, changes=("water", "x")), "expected two or three parts"),
        (lambda: Numeric("rest", 0, 1, changes=("cross", "other")), "other parent"),
        (lambda: Categorical("fat", ["butter"]), "at least two"),
        (lambda: Categorical("fat", ["butter", "Butter"]), "twice"),
        (lambda: Categorical("fat", "butter"), r'write \["butter"\]'),
        (lambda: Component("rye", 0.5, 0.2), "0 <= low < high <= 1"),
        (lambda: check_factors([]), "nothing varies"),
        (lambda: check_factors(["rest"]), "is not a factor"),
        (lambda: check_factors([Numeric("a", 0, 1), Numeric("A", 0, 1)]), "appears twice"),
        (
            lambda: check_factors(
                [Numeric("dough", 0, 1), Numeric("b", 0, 1, hard_to_change="dough")]
            ),
            "both a factor and what its bakes share",
        ),
        (lambda: Categorical("fat", ["butter", "lard"]).read("oil"), "no level 'oil'"),
        (lambda: Numeric("rest", 0, 1).read("n/a"), "a number was expected"),
        (lambda: Numeric("rest", 0, 1).read(True), "a number was expected"),
        (lambda: Numeric("rest", 0, 1).code(np.array([0.5, np.nan])), "finite number"),
        (lambda: Numeric("syrup", 0, 1, raises="sweetness"), "expected a list"),
        (lambda: Numeric("syrup", 0, 1, lowers=[3]), "expected a text"),
        (lambda: Numeric("syrup", 0, 1, lowers=[" "]), "the name of a measure was expected"),
        (lambda: Numeric("syrup", 0, 1, raises=["s"], lowers=["s"]), "both raises and lowers"),
    ],
)
def test_mistakes_are_said_in_words(make, message):
    with pytest.raises(FactorError, match=message):
        make()


def test_settings_past_all_reckoning_are_refused_with_a_word():
    with pytest.raises(FactorError, match=r"-1e\+308 to 1e\+308.*larger unit"):
        Numeric("rest", -1e308, 1e308)
    with pytest.raises(FactorError, match=r'"rest" has the setting -1e\+308, too far outside'):
        Numeric("rest", 20, 60).code([20, -1e308])
    with pytest.raises(FactorError, match="too far outside"):
        Numeric("rest", 0, 1e-300).code([1e300])


def test_levels_that_are_numbers_are_found_as_text():
    heat = Categorical("heat", [165, 180])
    assert [heat.read(value) for value in ("165", 180.0, np.int64(165))] == [165, 180, 165]
