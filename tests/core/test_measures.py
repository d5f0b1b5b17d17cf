"""What is scored: scales, goals, the margin worth noticing, mistakes in words."""

import pytest

from trials.base.errors import MeasureError
from trials.core.measures import Measure, measure_from, measure_record


@pytest.mark.parametrize(
    ("measure", "text", "value"),
    [
        (Measure("liking", "hedonic 9"), "7,5", 7.5),
        (Measure("liking", "hedonic 9"), " 9 ", 9.0),
        (Measure("crisp", ("intensity", 0, 10)), "0", 0.0),
        (Measure("salt", "just about right 5"), "3", 3.0),
        (Measure("uptake", "number"), "-2.5", -2.5),
        (Measure("holds", "passed"), "yes", 1.0),
        (Measure("holds", "passed"), "N", 0.0),
        (Measure("words", "check all", words=("nutty", "burnt")), "burnt; nutty", "nutty; burnt"),
    ],
)
def test_what_may_be_entered(measure, text, value):
    assert measure.read(text) == value


@pytest.mark.parametrize(
    ("measure", "text", "message"),
    [
        (Measure("liking", "hedonic 9"), "11", "11 is off the scale 1 to 9"),
        (Measure("liking", "hedonic 9"), "0", "off the scale"),
        (Measure("liking", "hedonic 9"), "n/a", "'n/a' is not a number"),
        (Measure("liking", "hedonic 9"), "7½", "is not a number"),
        (Measure("crisp", ("intensity", 0, 10)), "10.1", "off the scale 0 to 10"),
        (Measure("salt", "just about right 5"), "2.5", "between two points"),
        (Measure("holds", "passed"), "maybe", "yes or no"),
        (Measure("words", "check all", words=("nutty",)), "sour", "not among the words"),
    ],
)
def test_what_may_not(measure, text, message):
    with pytest.raises(MeasureError, match=message):
        measure.read(text)


def test_the_margin_says_where_it_comes_from():
    assert Measure("liking", "hedonic 9").margin == 0.7
    assert "default" in Measure("liking", "hedonic 9").margin_source
    assert Measure("crisp", ("intensity", 0, 10)).margin == pytest.approx(1.0)
    assert Measure("uptake", "number").margin is None
    own = Measure("uptake", "number", worth_noticing=1.5)
    assert own.margin_source == "1.5, as you said"


@pytest.mark.parametrize("goal", ["higher", "lower", ("target", 5, 1), ("between", 2, 4), None])
def test_a_record_gives_the_measure_back(goal):
    measure = Measure("liking", ("intensity", 0, 10), goal=goal, anchors=("little", "much"))
    assert measure_record(measure_from(measure_record(measure))) == measure_record(measure)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"scale": "stars"}, "has the scale"),
        ({"scale": ("intensity", 5, 5)}, "has the scale"),
        ({"scale": "number", "goal": "best"}, "has the goal"),
        ({"scale": "number", "goal": ("between", 4, 2)}, "has the goal"),
        ({"scale": "number", "per": "day"}, 'expected "tasting" or "bake"'),
        ({"scale": "number", "worth_noticing": 0}, "must be above 0"),
        ({"scale": "check all"}, "give the words"),
    ],
)
def test_mistakes_are_said_in_words(fields, message):
    with pytest.raises(MeasureError, match=message):
        Measure("liking", **fields)
