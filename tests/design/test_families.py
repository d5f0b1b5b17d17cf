"""What every family owes, whatever its geometry."""

import subprocess
import sys

import numpy as np
import pytest

from tests.design.naming import numbers, parts
from trials import design
from trials.core.factors import Categorical, Component, Numeric
from trials.design.families import keys, made_of

OIL = Numeric("oil: heat", 165, 180, "°C", centre=172, hard_to_change=True)
FAT = Categorical('"best" fat', ["beurre salé", "lard 50%", "oil: sunflower"])
SQUARE = [Categorical(name, ["a b", "c%", "é"]) for name in ("fat", "shelf: 1", "side")]
FAMILIES = {
    "full": lambda seed: design.full_factorial([OIL, FAT, *numbers(2)], references=2, seed=seed),
    "fraction": lambda seed: design.fractional_factorial(
        [OIL, *numbers(5)], bakes=32, days=4, references=4, seed=seed
    ),
    "mirror": lambda seed: design.fold_over(
        design.fractional_factorial(numbers(5), bakes=8, seed=seed), seed=seed
    ),
    "hadamard": lambda seed: design.plackett_burman(numbers(9), references=1, seed=seed),
    "definitive": lambda seed: design.conference_screening(numbers(6), days=2, seed=seed),
    "composite": lambda seed: design.central_composite(numbers(3), axial="rotatable", seed=seed),
    "three-level": lambda seed: design.box_behnken(numbers(4), days=3, seed=seed),
    "lattice": lambda seed: design.simplex_lattice([*parts(3), OIL], seed=seed),
    "centroid": lambda seed: design.simplex_centroid(parts(3), seed=seed),
    "vertices": lambda seed: design.extreme_vertices(
        [Component("rye", 0.1, 0.5), Component("oat", 0, 0.4), Component("wheat", 0.2, 0.8)],
        seed=seed,
    ),
    "latin": lambda seed: design.latin_square(SQUARE, seed=seed),
    "graeco-latin": lambda seed: design.graeco_latin_square(
        [*SQUARE, Categorical("flour", ["x", "y", "z"])], seed=seed
    ),
}


@pytest.mark.parametrize("name", FAMILIES)
def test_a_plan_has_the_columns_of_the_contract(name):
    plan = FAMILIES[name](1)
    table = plan.table
    assert list(table.columns[:4]) == ["bake", "day", "load", "role"]
    assert list(table.columns[4 : 4 + len(plan.factors)]) == [f.name for f in plan.factors]
    assert table["bake"].is_unique
    assert set(table["role"]) <= {"trial", "centre", "reference"}
    assert not table.drop(columns="load").isna().any().any()
    assert plan.reasons


@pytest.mark.parametrize("name", FAMILIES)
def test_the_same_seed_gives_the_same_plan_and_another_seed_another_order(name):
    first, again, other = (FAMILIES[name](seed).table for seed in (11, 11, 12))
    assert first.equals(again)
    assert not first.equals(other)


@pytest.mark.parametrize("name", FAMILIES)
def test_coded_settings_decode_and_encode_to_themselves(name):
    plan = FAMILIES[name](1)
    for factor in plan.factors:
        if isinstance(factor, Categorical):
            assert [factor.read(value) for value in plan.table[factor.name]] == list(
                plan.table[factor.name]
            )
            continue
        coded = factor.code(plan.table[factor.name])
        assert np.array_equal(factor.decode(coded), plan.table[factor.name])
        assert np.array_equal(factor.code(factor.decode(coded)), coded)


@pytest.mark.parametrize("name", FAMILIES)
def test_a_load_holds_one_heat_for_all_but_reference_bakes(name):
    plan = FAMILIES[name](1)
    bakes = plan.table[plan.table["role"] != "reference"]
    for factor in plan.factors:
        if factor.group:
            assert (bakes.groupby(factor.group)[factor.name].nunique() == 1).all()


def test_every_family_is_reached_by_its_name():
    for name in design.__all__:
        assert callable(getattr(design, name))
        assert name in dir(design)
    with pytest.raises(AttributeError, match="no attribute 'taguchi'"):
        design.taguchi  # noqa: B018


def test_the_table_of_names_costs_nothing():
    code = "import sys, trials.design; sys.exit('pandas' in sys.modules or 'numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("family", FAMILIES)
def test_a_plan_says_the_key_of_a_registered_family_and_no_more(family):
    plan = FAMILIES[family](3)
    assert plan.family in keys()
    # The words of the key, and nothing of how it was made: that stands in the details
    assert "{of}" not in made_of(plan)
    assert plan.family in made_of(plan) or plan.details["of"] in made_of(plan)
