"""Numbers as a baker reads them: the same figures in any unit."""

import re

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.results import kitchen_effects
from trials.base.words import decimals, readable, rounded, signed


def figures(text):
    """Return the digits of a written number that say something, its power of ten left out."""
    return re.sub(r"[^0-9]", "", text.split("e")[0]).strip("0")


@pytest.mark.parametrize("unit", [1e-300, 1e-12, 1e-6, 1e-3, 1.0, 1e3, 1e9, 1e15, 1e300])
@pytest.mark.parametrize("value", [1.234, -0.567, 9.96])
def test_a_number_keeps_its_figures_in_any_unit(unit, value):
    # An error of 0.3 deserves one decimal: 1.2, 0.6 and 10.0, whatever the unit
    digits = decimals(pd.Series([0.3 * unit]))
    shown = signed(value * unit, digits)
    assert figures(shown) == {1.234: "12", -0.567: "6", 9.96: "1"}[value]
    assert float(shown.replace("−", "-")) == pytest.approx(round(value, 1) * unit, rel=1e-9)
    assert shown[0] == ("−" if value < 0 else "+")


def test_no_digit_is_made_up_and_no_zero_is_a_number():
    assert signed(2.5e-12, decimals(pd.Series([1e-12]))) == "+2.5e-12"
    assert signed(2.5e9, decimals(pd.Series([1e9]))) == "+2.5e+09"
    assert rounded(4e-14, 12) == "0"
    assert rounded(0.04, 1) == "0.0"
    assert rounded(1234.0, -2) == "1200"


@pytest.mark.parametrize("unit", [1e-12, 1e9])
def test_effects_read_the_same_in_tiny_and_huge_units(unit):
    table = pd.DataFrame({"rest": [20, 60] * 6})
    table["spread"] = (np.where(table["rest"] == 60, 4.0, 1.0) + np.tile([0.5, -0.5, 0], 4)) * unit
    plain = kitchen_effects(fit(table.assign(spread=table["spread"] / unit), "spread", ["rest"]))
    scaled = kitchen_effects(fit(table, "spread", ["rest"]))
    shown = scaled["difference"].iloc[0]
    assert figures(shown) == figures(plain["difference"].iloc[0])
    assert float(shown) == pytest.approx(3 * unit, rel=0.02)  # shown to two figures
    assert scaled["verdict"].tolist() == plain["verdict"].tolist()


def test_a_table_shows_tiny_numbers_and_no_power_of_ten_for_a_hundred():
    table = pd.DataFrame({"se": [2.34567e-12, 999.6, np.nan], "word": ["a", "b", "c"]})
    shown = readable(table)
    assert shown["se"].tolist() == ["2.35e-12", "1000", ""]
    assert shown["word"].tolist() == ["a", "b", "c"]
