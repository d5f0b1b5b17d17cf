"""Terms by name: any characters, nothing evaluated, sum-to-zero coding."""

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.base.errors import FitError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.terms import is_blend, model_matrix, model_terms, parse_term

NAME = st.text(min_size=1, max_size=8).map(str.strip).filter(lambda text: bool(text))


@given(st.lists(NAME, min_size=1, max_size=4, unique=True))
def test_a_name_alone_is_its_own_term(names):
    for name in names:
        assert parse_term(name, names).name == name


def test_names_with_the_signs_of_terms():
    names = ["a:b", "a", "b^2", "liking (1-9) ~ butter %", "os.remove('x')"]
    assert parse_term("a:b:a", names).factors == ("a:b", "a")
    assert parse_term("b^2", names).powers == (("b^2", 1),)
    assert parse_term("b^2^2", names).powers == (("b^2", 2),)
    assert parse_term("os.remove('x') : liking (1-9) ~ butter %", names).order == 2


def test_the_same_factor_twice_is_a_square():
    assert parse_term("rest:rest", ["rest"]).name == "rest^2"


@pytest.mark.parametrize("text", ["", "fat:", "fat*rest", "I(fat)", "sugar", "fat:sugar"])
def test_what_is_not_made_of_the_names_is_refused(text):
    with pytest.raises(FitError, match="is not made of the factors"):
        parse_term(text, ["fat", "rest"])


def test_models_by_name():
    factors = [Numeric("rest", 0, 1), Categorical("fat", ["a", "b", "c"]), Numeric("salt", 0, 1)]
    names = [term.name for term in model_terms("quadratic", factors)]
    assert names == ["rest", "fat", "salt", "rest:fat", "rest:salt", "fat:salt", "rest^2", "salt^2"]
    assert model_terms(None, factors) == model_terms("interactions", factors)
    with pytest.raises(FitError, match='no model "cubic"'):
        model_terms("cubic", factors)
    with pytest.raises(FitError, match="has no square"):
        model_terms(["fat^2"], factors)


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["a", "b", "a:b"], '"a:b" has the name of "a" and "b" together'),
        (["a^2", "a"], '"a^2" has the name of a power of "a"'),
        (["a", "b:c", "a:b", "c"], '"a" and "b:c" together have the same name as'),
    ],
)
def test_a_factor_named_like_others_together_is_refused(names, said):
    with pytest.raises(FitError, match=re.escape(said)):
        model_terms("main", [Numeric(name, 0, 1) for name in names])


def test_a_model_without_a_term_is_refused():
    with pytest.raises(FitError, match="at least one"):
        model_terms([], [Numeric("rest", 20, 60)])


def test_kinds_sum_to_zero_and_numbers_run_from_minus_one_to_one():
    factors = [Numeric("rest", 20, 60), Categorical("fat", ["a", "b", "c"])]
    table = pd.DataFrame(
        [(rest, fat) for rest in (20, 40, 60) for fat in "abc"], columns=["rest", "fat"]
    )
    matrix = model_matrix(model_terms("interactions", factors), factors, table)
    assert matrix.X.shape == (9, 1 + 1 + 2 + 2)
    assert np.allclose(matrix.X[:, 1:].sum(axis=0), 0)
    assert matrix.columns[-1] == "rest:fat = b"


def test_a_blend_has_no_intercept_and_its_quadratic_terms():
    flours = [Component("rye"), Component("wheat"), Numeric("oven", 160, 190)]
    terms = model_terms("blend", flours)
    assert is_blend(terms, flours)
    assert [term.name for term in terms] == [
        "rye",
        "wheat",
        "rye:wheat",
        "rye:oven",
        "wheat:oven",
    ]
    table = pd.DataFrame({"rye": [0.25], "wheat": [0.75], "oven": [190]})
    assert model_matrix(terms, flours, table).X.tolist() == [[0.25, 0.75, 0.1875, 0.25, 0.75]]
