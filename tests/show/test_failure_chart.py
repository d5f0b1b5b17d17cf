"""The picture of where failures live: words and marks that hold for any factors."""

import pytest

from trials.analysis.failing import failing
from trials.core.factors import Categorical, Numeric
from trials.deciding.rehearsal import Failure, rehearse
from trials.design.factorial import full_factorial
from trials.show.bakes import failure_map

FACTORS = [
    Numeric("oil", 165, 180, "°C"),
    Numeric("hydration", 92, 108, "%"),
    Categorical("fat", ["butter", "lard", "sunflower oil"]),
]


def doughnuts(where):
    plan = full_factorial(FACTORS, replicates=2, seed=2)
    return rehearse(plan, {}, tasters=1, failures=(Failure(where, 1.0),), seed=1)


def test_it_shows_the_pair_that_parts_them_best():
    picture = failure_map(failing(doughnuts({"oil": 180.0, "fat": "lard"}), FACTORS))
    assert picture.text.startswith("4 of 24 bakes failed, by oil and fat: 4 at oil 180")
    marks = {one.get_label(): len(one.get_offsets()) for one in picture.figure.axes[0].collections}
    assert marks == {"made": 20, "failed": 4}
    said = [text.get_text() for text in picture.figure.texts]
    assert any("means\nnothing" in one or "means nothing" in one for one in said)


def test_every_mark_stands_alone():
    axes = failure_map(failing(doughnuts({"oil": 180.0}), FACTORS)).figure.axes[0]
    places = [tuple(place) for one in axes.collections for place in one.get_offsets().round(6)]
    assert len(set(places)) == 24


@pytest.mark.parametrize("factors", [FACTORS[:1], FACTORS[2:], FACTORS[1:]])
def test_one_factor_or_two(factors):
    picture = failure_map(failing(doughnuts({"fat": "lard"}), factors))
    assert picture.png().startswith(b"\x89PNG")
    said = [one.get_text() for one in picture.figure.axes[0].texts]
    assert all("failed" in one and "chance" in one for one in said)


def test_many_settings_lie_along_a_line():
    scores = doughnuts({"fat": "lard"})
    scores["oil"] += scores["bake"].str[1:].astype(int) / 10
    picture = failure_map(failing(scores, ["oil", "hydration"]))
    assert picture.png().startswith(b"\x89PNG")


def test_none_failed():
    picture = failure_map(failing(doughnuts({"fat": "nothing"}).assign(status="made"), FACTORS))
    assert picture.text.startswith("None of 24 bakes failed")
