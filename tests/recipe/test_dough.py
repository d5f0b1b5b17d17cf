"""Dough temperature against published worked examples."""

import pytest

from trials.base.errors import FormulaError
from trials.recipe.dough import friction_factor, water_temperature


def test_three_terms_in_fahrenheit():
    # Pizza Today: 3 x 80 - 65 - 75 - 35 = 65; a pizza forum: 3 x 78 - 60 - 70 - 16 = 88
    assert water_temperature(80, flour=65, room=75, friction=35, scale="°F") == 65
    assert water_temperature(78, flour=60, room=70, friction=16, scale="F") == 88


def test_four_terms_in_celsius():
    # calculated: 4 x 24 - 21 - 20 - 22 - 14
    assert water_temperature(24, flour=21, room=20, preferment=22, friction=14) == 19


def test_friction_is_the_same_rule_turned_round():
    assert friction_factor(80, flour=65, room=75, water=65) == 35
    assert friction_factor(24, flour=21, room=20, preferment=22, water=19) == 14


@pytest.mark.parametrize(("dough", "says"), [(20, "below freezing"), (70, "above boiling")])
def test_water_that_can_not_be(dough, says):
    with pytest.raises(FormulaError, match=says):
        water_temperature(dough, flour=28, room=30, friction=14)


def test_unknown_scale():
    with pytest.raises(FormulaError, match="is not a unit"):
        water_temperature(24, flour=20, room=20, friction=14, scale="K")
