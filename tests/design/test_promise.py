"""What a plan promises, held against the formulas it rests on."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from tests.design.naming import numbers, parts
from trials.core.factors import Categorical, Numeric
from trials.design.blend import simplex_lattice
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.midway import drop
from trials.design.power import promise
from trials.design.screening import plackett_burman

TASTING = 1.1**2 + 0.5**2  # variance of one score of one bake, usual spreads


def spread(tasters, sd_bake=0.25):
    return np.sqrt(sd_bake**2 + TASTING / tasters)


@pytest.mark.parametrize(("tasters", "sd_bake"), [(6, None), (2, 0.4)])
def test_the_chance_of_a_clear_plan_is_that_of_the_two_sided_t_test(tasters, sd_bake):
    factors = numbers(3)
    plan = full_factorial(factors, replicates=2, seed=1)
    targets = [factor.name for factor in factors]
    found = promise(plan, targets, worth=0.8, tasters=tasters, sd_bake=sd_bake)
    se = 2 * spread(tasters, sd_bake or 0.25) / np.sqrt(16)
    df = 16 - 4
    edge = stats.t.ppf(0.975, df)
    # The noncentral t's two tails (Student's t test; scipy's own distribution)
    chance = stats.nct.sf(edge, df, 0.8 / se) + stats.nct.cdf(-edge, df, 0.8 / se)
    assert np.allclose(found.table["chance"], chance, atol=1e-8)
    assert found.score == pytest.approx(chance, abs=1e-8)
    assert found.lost == []


def test_a_third_fraction_holds_one_whole_pair_in_every_main_effect():
    # 2^(3-1): I = ABC, so each main effect is one pair (Box & Hunter 1961)
    plan = fractional_factorial(numbers(3), bakes=4, seed=1)
    found = promise(plan, [f.name for f in plan.factors], worth=0.7, tasters=6)
    assert np.allclose(found.table["mixed"], 1.0)


@pytest.mark.parametrize("count", [5, 8, 11])
def test_twelve_bakes_hold_a_third_of_every_pair_of_the_others(count):
    # In the 12-run plan each main effect has a third of each pair it is not part of
    # (Plackett & Burman 1946; Hamada & Wu 1992)
    plan = plackett_burman(numbers(count), bakes=12, seed=1)
    found = promise(plan, [f.name for f in plan.factors], worth=0.7, tasters=6)
    pairs = (count - 1) * (count - 2) / 2
    assert np.allclose(found.table["mixed"], np.sqrt(pairs) / 3)


def test_what_is_asked_about_is_not_held_against_a_plan():
    plan = fractional_factorial(numbers(4), bakes=8, seed=1)
    singles = [factor.name for factor in plan.factors]
    assert (promise(plan, singles, worth=0.7, tasters=6).table["mixed"] == 0).all()


def test_terms_that_can_not_be_told_are_named():
    plan = fractional_factorial(numbers(4), bakes=8, seed=1)
    names = [factor.name for factor in plan.factors]
    pairs = [f"{a}:{b}" for place, a in enumerate(names) for b in names[place + 1 :]]
    found = promise(plan, [*names, *pairs], worth=0.7, tasters=6)
    # 4 singles stay; six pairs share three columns (2^(4-1), I = ABCD)
    assert len(found.told) == 4 or len(found.told) == 7
    assert set(found.lost) <= set(pairs)
    assert found.score < 1


def test_a_plan_without_error_leans_on_the_smaller_effects_but_a_blend_can_not():
    plan = full_factorial(numbers(2), seed=1)
    one, other = (factor.name for factor in plan.factors)
    whole = promise(plan, [one, other, f"{one}:{other}"], worth=3, tasters=6)
    assert (whole.table["df"] == 0).all()
    # Lenth 1989: a third of the effects as degrees of freedom
    se = 2 * spread(6) / np.sqrt(4)
    edge = stats.t.ppf(0.975, 1)
    chance = stats.nct.sf(edge, 1, 3 / se) + stats.nct.cdf(-edge, 1, 3 / se)
    assert whole.score == pytest.approx(chance, abs=1e-8)
    lattice = simplex_lattice(parts(3), degree=2, seed=1)
    names = [part.name for part in lattice.factors]
    pairs = [f"{a}:{b}" for place, a in enumerate(names) for b in names[place + 1 :]]
    found = promise(lattice, [*names, *pairs], worth=3, tasters=6)
    assert found.score == 0
    assert found.lost == []
    assert not np.isfinite(found.smallest)


@pytest.mark.parametrize("tasters", [1, 3, 12])
def test_the_smallest_effect_is_seen_four_times_in_five(tasters):
    plan = full_factorial(numbers(3), replicates=2, seed=1)
    targets = [factor.name for factor in plan.factors]
    first = promise(plan, targets, worth=0.7, tasters=tasters)
    again = promise(plan, targets, worth=first.smallest, tasters=tasters)
    assert again.score == pytest.approx(0.8, abs=1e-6)


def test_more_tasters_and_more_alike_bakes_promise_more():
    plan = full_factorial(numbers(3), replicates=2, seed=1)
    targets = [factor.name for factor in plan.factors]
    few = promise(plan, targets, worth=0.7, tasters=3).score
    more = promise(plan, targets, worth=0.7, tasters=9).score
    alike = promise(plan, targets, worth=0.7, tasters=9, sd_bake=0.05).score
    assert few < more < alike


def test_what_too_few_bakes_can_not_tell_is_left_out_last_first_as_the_analysis_does():
    whole = full_factorial(numbers(3), seed=1)
    names = [factor.name for factor in whole.factors]
    triple = ":".join(names)
    terms = [*names, *(f"{a}:{b}" for a, b in combinations(names, 2)), triple]
    plan = replace(drop(whole, "B04"), model=tuple(terms))
    assert promise(plan, terms, worth=3, tasters=6).lost == [triple]
    # Two factors in three bakes: the corner that is missing tells the pair, which both hold whole
    three = drop(full_factorial(numbers(2), seed=1), "B01")
    one, other = names[:2]
    found = promise(three, [one, other, f"{one}:{other}"], worth=3, tasters=6)
    assert found.lost == [f"{one}:{other}"]
    assert found.told["mixed"].tolist() == pytest.approx([1.0, 1.0])


def test_kinds_are_mixed_with_pairs_as_numbers_are():
    # The same twelve bakes of Plackett & Burman 1946, whatever the two settings are called
    kinds = [Categorical(name, ["soft: a", "firm = b"]) for name in "abcde"]
    ends = [Numeric(name, 0, 1) for name in "abcde"]
    found = [
        promise(
            plackett_burman(factors, bakes=12, seed=1), list("abcde"), worth=0.7, tasters=6
        ).table["mixed"]
        for factors in (kinds, ends)
    ]
    # There each single change holds a third of every pair without it, of six here
    assert found[0].tolist() == pytest.approx([6**0.5 / 3] * 5)
    assert found[1].tolist() == pytest.approx([6**0.5 / 3] * 5)


def test_one_bake_left_for_error_is_no_worse_than_none():
    # Eleven bakes of twelve on effects: Lenth 1989 gives a third of their number, not one
    factors = numbers(11)[:10]
    targets = [factor.name for factor in factors]
    found = promise(plackett_burman(factors, bakes=12, seed=1), targets, worth=0.7, tasters=6)
    se = 2 * spread(6) / np.sqrt(12)
    edge = stats.t.ppf(0.975, 10 / 3)
    seen = found.smallest / se
    chance = stats.nct.sf(edge, 10 / 3, seen) + stats.nct.cdf(-edge, 10 / 3, seen)
    assert chance == pytest.approx(0.8, abs=0.01)
