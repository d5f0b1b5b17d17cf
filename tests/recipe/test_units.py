"""Conversions against definitions and the trade's own figures."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.base.errors import FormulaError
from trials.recipe.ingredients import shipped
from trials.recipe.units import (
    TIMES,
    VOLUMES,
    WEIGHTS,
    convert,
    household,
    measured,
    temperature_difference,
    unit,
)


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"),
    # the trade sheet's table, whole degrees
    [(165, 329), (175, 347), (180, 356), (190, 374), (5, 41), (0, 32), (100, 212), (-40, -40)],
)
def test_temperatures(celsius, fahrenheit):
    assert convert(celsius, "C", "F") == pytest.approx(fahrenheit)
    assert convert(fahrenheit, "°F", "°C") == pytest.approx(celsius)


def test_hot_holding_limit():
    assert convert(57, "C", "F") == pytest.approx(134.6)  # food codes round it to 135


@pytest.mark.parametrize(
    ("value", "given_", "wanted", "expected"),
    [
        (1, "lb", "g", 453.59237),  # NIST SP 811, appendix B: exact
        (1, "oz", "g", 28.349523125),  # exact
        (1, "cup", "ml", 236.5882365),  # NIST SP 811: 2.365 882 E-04 m3
        (1, "tbsp", "ml", 14.78676478125),  # 1.478 676 E-05 m3
        (1, "tsp", "ml", 4.92892159375),  # 4.928 922 E-06 m3
        (1, "fl oz", "ml", 29.5735295625),  # 2.957 353 E-05 m3
        (2.5, "kg", "g", 2500),
        (1.5, "h", "min", 90),
        (90, "s", "min", 1.5),
    ],
)
def test_factors_are_the_defined_ones(value, given_, wanted, expected):
    assert convert(value, given_, wanted) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "cup"),
    # USDA release 26, grams of a US cup (weights from memory)
    [("honey", 339), ("milk", 244), ("lard", 205), ("maple syrup", 315)],
)
def test_cups_by_density(name, cup):
    density = shipped().find(name).density
    assert convert(1, "cup", "g", density=density) == pytest.approx(cup, abs=0.5)


@given(
    st.floats(0.001, 1e6),
    st.sampled_from([*WEIGHTS, *VOLUMES]),
    st.sampled_from([*WEIGHTS, *VOLUMES]),
    st.floats(0.2, 3),
)
def test_there_and_back(value, given_, wanted, density):
    there = convert(value, given_, wanted, density=density)
    assert convert(there, wanted, given_, density=density) == pytest.approx(value)


@pytest.mark.parametrize("word", [*WEIGHTS, *VOLUMES, *TIMES, "°C", "°F", " Pounds ", "OZ."])
def test_known_words(word):
    assert convert(7, word, word) == 7


@pytest.mark.parametrize("word", ["stick", "", "gg", None, 5, "K"])
def test_unknown_unit(word):
    with pytest.raises(FormulaError, match="is not a unit"):
        unit(word)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((1, "g", "min"), "different things"),
        ((1, "C", "g"), "different things"),
        ((1, "ml", "g"), "need the density"),
        ((float("nan"), "g", "kg"), "not a quantity"),
        (("a", "g", "kg"), "not a quantity"),
    ],
)
def test_conversion_that_can_not_be_made(arguments, says):
    with pytest.raises(FormulaError, match=says):
        convert(*arguments)


def test_density_of_nothing():
    with pytest.raises(FormulaError, match="above 0"):
        convert(1, "ml", "g", density=0)


def test_difference_has_no_32():
    # friction factor: Fahrenheit value / 1.8
    assert temperature_difference(18, "F", "C") == 10
    assert temperature_difference(10, "C", "F") == 18
    assert temperature_difference(10, "C", "C") == 10
    with pytest.raises(FormulaError, match="°C or °F"):
        temperature_difference(1, "g", "C")


@pytest.mark.parametrize(
    ("grams", "density", "says"),
    [
        (236.59, 1.0, "about 1 cup"),
        (473.2, 1.0, "about 2 cups"),
        (118.3, 1.0, "about 1/2 cup"),
        (14.8, 1.0, "about 1 tbsp"),
        (4.93, 1.0, "about 1 tsp"),
        (0.2, 1.0, "less than 1/8 tsp"),
        (283.5, None, "10.0 oz"),
    ],
)
def test_household_measures_are_marked_approximate(grams, density, says):
    assert household(grams, density) == says


def volume(said):
    """Return the millilitres that cups and spoons in words hold."""
    total, count = 0.0, Fraction(0)
    for word in said.removeprefix("about ").replace("+", " ").split():
        if word[0].isdigit():
            count += Fraction(word)
        else:
            total += float(count) * VOLUMES[word.removesuffix("s")]
            count = Fraction(0)
    return total


@given(st.floats(3, 3000), st.floats(0.2, 1.5))
def test_household_measures_are_near(grams, density):
    # the coarsest step is a tablespoon of a quarter cup: half of it is an eighth
    if grams / density > VOLUMES["tsp"] / 2:
        assert volume(household(grams, density)) * density == pytest.approx(grams, rel=1 / 8)
        told = measured(grams, density)
        assert told == pytest.approx(volume(household(grams, density)) * density, rel=1e-9)


# USDA release 26, grams of a teaspoon (weights from memory)
@pytest.mark.parametrize(
    ("name", "teaspoon"),
    [("salt", 6.0), ("baking soda", 4.6), ("ginger", 1.8), ("yeast, active dry", 4.0)],
)
@pytest.mark.parametrize(("spoons", "says"), [(0.5, "1/2"), (1, "1"), (1.25, "1 1/4")])
def test_a_pinch_is_spoons_of_a_set(name, teaspoon, spoons, says):
    density = shipped().find(name).density
    assert household(spoons * teaspoon, density) == f"about {says} tsp"


def test_salt_of_a_small_batch_is_half_a_teaspoon():
    assert household(3.3, shipped().find("salt").density) == "about 1/2 tsp"
