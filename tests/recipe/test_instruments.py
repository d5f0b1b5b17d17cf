"""Instruments: worked values of the trade, published colour pairs, and what can not be."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trials.base.errors import MeasureError
from trials.recipe.instruments import (
    bake_loss,
    bake_readings,
    break_force,
    cie76,
    ciede2000,
    colour_difference,
    height,
    moisture,
    oil_uptake,
    snap_stress,
    specific_volume,
    spread_factor,
)

PAIRS = pd.read_csv(Path(__file__).parents[1] / "reference" / "ciede2000_pairs.csv")


# Worked values of the trade reference, section 4 and 8


def test_spread_volume_loss_and_stress_are_the_worked_values():
    assert spread_factor(78.4, 9.8).value == pytest.approx(8.0)
    assert specific_volume(1650, 440).value == pytest.approx(3.75)
    assert bake_loss(500, 440).value == pytest.approx(12.0)
    assert snap_stress(28, 40, 60, 8).value == pytest.approx(437.5)
    assert break_force(1).value == pytest.approx(9.81)


def test_oil_uptake_is_the_worked_balance():
    asked = (60, 0.36, 63.5, 0.24)
    assert oil_uptake(*asked, of="grams").value == pytest.approx(9.86)
    assert round(oil_uptake(*asked).value, 1) == 15.5
    assert round(oil_uptake(*asked, of="raw").value, 1) == 16.4


@pytest.mark.parametrize("pair", list(PAIRS.itertuples(index=False)), ids=str)
def test_ciede2000_is_the_published_difference_either_way_round(pair):
    one, other = tuple(pair[:3]), tuple(pair[3:6])
    assert ciede2000(one, other) == pytest.approx(pair.difference, abs=5e-5)
    assert ciede2000(other, one) == pytest.approx(pair.difference, abs=5e-5)


def test_all_published_pairs_are_there():
    assert len(PAIRS) == 34


def test_a_crust_like_pair_is_the_worked_value():
    """Trade reference, section 4, calculated there apart from this code."""
    assert ciede2000((65, 8, 30), (58, 11, 32)) == pytest.approx(6.4089, abs=5e-5)
    assert cie76((65, 8, 30), (58, 11, 32)) == pytest.approx(math.sqrt(62))


# Repeated readings


def test_readings_are_averaged_and_their_spread_is_kept():
    found = height([31, 33, 32])
    assert (found.value, found.sd, found.count) == (32.0, 1.0, 3)
    assert "spread 1 mm over 3 readings" in found.sentence
    assert height(31).sentence == "height 31 mm, one reading."


def test_spread_is_carried_through_a_formula():
    """First order by hand: (sd of W/T)² = (sW/T)² + (W sT/T²)²."""
    wide, thick = [78, 80, 82], [9.5, 10, 10.5]
    found = spread_factor(wide, thick)
    by_hand = math.hypot(2 / 10, 80 * 0.5 / 100)
    assert found.value == pytest.approx(8.0)
    assert found.sd == pytest.approx(by_hand, rel=1e-6)
    assert found.count == 3


def test_carried_spread_is_what_simulation_gives():
    rng = np.random.default_rng(5)
    dough, baked = rng.normal(500, 4, 200_000), rng.normal(440, 3, 200_000)
    simulated = np.std(100 * (dough - baked) / dough)
    found = bake_loss([496, 500, 504], [437, 440, 443])
    assert found.sd == pytest.approx(simulated, rel=0.02)


def test_spots_of_a_crust_are_averaged():
    found = colour_difference([(60, 8, 30), (62, 8, 30)], (61, 8, 30), formula="CIE 1976")
    assert found.value == 0
    assert found.sd == pytest.approx(math.sqrt(2))


def test_readings_of_a_table_are_averaged_by_bake():
    table = pd.DataFrame({"bake": ["B02", "B01", "B01"], "height": ["30,5", "31", ""]})
    found = bake_readings(table, "height")
    assert found["bake"].tolist() == ["B01", "B02"]
    assert found["height"].tolist() == [31.0, 30.5]
    assert found["spread"].isna().all()
    with pytest.raises(MeasureError, match="row 1"):
        bake_readings(table.assign(height=["1", "tall", "2"]), "height")
    with pytest.raises(MeasureError, match="no column"):
        bake_readings(table, "width")


# What can not be


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: spread_factor(0, 9.8),
        lambda: spread_factor(78, -1),
        lambda: spread_factor([], 1),
        lambda: spread_factor("wide", 1),
        lambda: spread_factor(True, 1),
        lambda: spread_factor(math.nan, 1),
        lambda: spread_factor([78, math.inf], 1),
        lambda: specific_volume(1650, 4400000),
        lambda: specific_volume(1650, 44),
        lambda: bake_loss(440, 500),
        lambda: moisture(5, 6),
        lambda: oil_uptake(60, 36, 63.5, 24),
        lambda: oil_uptake(60, 0.24, 55, 0.36),
        lambda: oil_uptake(60, 0.36, 63.5, 0.24, of="flour"),
        lambda: snap_stress(28, 8, 60, 40),
        lambda: break_force(-1),
        lambda: colour_difference((101, 0, 0), (50, 0, 0)),
        lambda: colour_difference((50, 0), (50, 0, 0)),
        lambda: colour_difference((50, 0, 0), (50, 0, "red")),
        lambda: colour_difference((50, 0, 0), (50, 0, 0), formula="by eye"),
    ],
)
def test_an_impossible_reading_is_refused(wrong):
    with pytest.raises(MeasureError):
        wrong()


# Force over distance
