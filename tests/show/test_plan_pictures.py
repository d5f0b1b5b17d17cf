"""Pictures of plans show the numbers they are made from, and say them in words."""

import html
import itertools
import re

import numpy as np
import pytest

from trials import pictures
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.design.exchange import optimal
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.power import power, smallest_effect
from trials.design.quality import quality
from trials.design.screening import conference_screening, plackett_burman
from trials.doors import large_demo as demo

FIVE = [Numeric(name, 0, 1) for name in ("rest", "fat", "salt", "malt", "milk")]
TWELVE = plackett_burman(FIVE, bakes=12, seed=1)
FULL = full_factorial([FIVE[0], FIVE[1]], replicates=4, seed=1)
FILLS = optimal(
    [Numeric("oil heat", 165, 180, hard_to_change=True), *FIVE[:2]],
    model="main",
    bakes=24,
    criterion="D",
    loads=6,
    seed=1,
)
DRAWN = {
    "errors": lambda: pictures.plan_errors(FILLS),
    "relations": lambda: pictures.plan_relations(TWELVE),
    "predictions": lambda: pictures.plan_predictions({"a": FULL, "b": TWELVE}, "main"),
    "chance": lambda: pictures.chance_by_bakes(FILLS, effect=0.7),
    "efficiency": lambda: pictures.plan_efficiency(TWELVE),
    "leverage": lambda: pictures.plan_leverage(FILLS),
    "error sources": lambda: pictures.plan_error_sources(FILLS),
    "map": lambda: pictures.plan_map(conference_screening(FIVE, seed=1)),
}


@pytest.mark.parametrize("name", DRAWN)
def test_every_picture_is_drawn_and_described(name):
    picture = DRAWN[name]()
    assert picture.png(60)[:4] == b"\x89PNG"
    assert picture.title
    assert picture.text.endswith(".")
    assert "nan" not in picture.text
    assert picture.text.split(". ")[0] in html.unescape(str(picture._repr_html_()))


def test_errors_stand_where_quality_puts_them():
    axes = pictures.plan_errors(FILLS).figure.axes[0]
    drawn = [line.get_xdata()[0] for line in axes.lines if len(line.get_xdata()) == 1]
    assert np.allclose(drawn, quality(FILLS).effects["se"])
    # Told apart without colour: a mark of its own for each level
    marks = {line.get_marker() for line in axes.lines if len(line.get_xdata()) == 1}
    assert len(marks) == 2


def test_a_third_of_every_pair_shows_up_as_a_change_that_it_does_not_hold():
    # Plackett & Burman 1946: a third of each pair that a single change is not part of
    names = [factor.name for factor in FIVE]
    for first, second in itertools.combinations(names, 2):
        picture = pictures.plan_relations(TWELVE, [*names, f"{first}:{second}"])
        axes = picture.figure.axes[0]
        bars = [bar.get_width() for bar in axes.patches]
        assert bars == pytest.approx([1 / 3] * 3)
        listed = [label.get_text().split("\n") for label in axes.get_yticklabels()]
        assert {one for one, _ in listed} == set(names) - {first, second}
        assert {other for _, other in listed} == {f"and {first} with {second}"}
        assert "(0.33)" in picture.text


def test_the_kinds_of_one_factor_are_no_pair_to_confuse():
    kinds = [Categorical("fat", ["butter", "lard", "oil"]), FIVE[0]]
    picture = pictures.plan_relations(full_factorial(kinds, replicates=2, seed=1))
    assert "None of the 3 effects is related" in picture.text
    assert not picture.figure.axes[0].patches


def test_pairs_that_can_not_be_told_apart_come_first():
    # Half of 2^3, c = ab: each factor is the pair of the other two
    half = fractional_factorial(FIVE[:3], bakes=4, seed=1)
    axes = pictures.plan_relations(half).figure.axes[0]
    told = [text.get_text() for text in axes.texts]
    assert told == ["can not be told apart"] * 3
    assert [bar.get_width() for bar in axes.patches] == pytest.approx([1] * 3)


def test_an_unrelated_plan_says_so():
    assert "None of the 3 effects is related" in pictures.plan_relations(FULL).text


def test_the_chance_at_the_plan_s_own_size_is_its_power():
    picture = pictures.chance_by_bakes(FILLS, effect=0.7, tasters=6)
    marks = [line for line in picture.figure.axes[0].lines if len(line.get_xdata()) == 1]
    table = power(FILLS, effect=0.7, tasters=6).set_index("judged_on")["power"]
    assert [mark.get_xdata()[0] for mark in marks] == [24, 24]
    wanted = sorted([table["oil fills"], table.loc[["bakes"]].min()])
    assert sorted(mark.get_ydata()[0] for mark in marks) == pytest.approx(wanted, abs=1e-6)


def test_an_effect_seen_four_times_in_five_crosses_the_line_at_the_plan():
    least = smallest_effect(FULL, tasters=6)["smallest_effect"].iloc[0]
    text = pictures.chance_by_bakes(FULL, effect=least, term="rest", tasters=6).text
    assert "80 % with 16 bakes" in text
    assert "Usual spreads are assumed" in text
    assert (
        "Usual"
        not in pictures.chance_by_bakes(
            FULL, effect=1, sd_bake=0.3, sd_tasting=1, sd_load=0, sd_day=0
        ).text
    )


def test_what_can_not_be_drawn_is_refused():
    with pytest.raises(PlanError, match="5 plans"):
        pictures.plan_predictions({str(n): FULL for n in range(5)})
    with pytest.raises(PlanError, match='term names "salt"'):
        pictures.chance_by_bakes(FULL, effect=1, term="salt")
    with pytest.raises(PlanError, match="varies one"):
        pictures.plan_map(full_factorial(FIVE[:1], replicates=2, seed=1))
    with pytest.raises(PlanError, match='no factor "oven"'):
        pictures.plan_map(FULL, [("oven", "rest")])


def test_effects_that_can_not_be_told_are_said():
    half = full_factorial(FIVE[:2], seed=1)
    text = pictures.plan_errors(half, ["rest", "fat", "rest:fat", "rest^2"]).text
    assert "Not told apart" in text
    assert "rest (bend)" in text
    assert "can not predict" in pictures.plan_predictions(half, "quadratic").text


def test_bars_are_as_long_as_quality_says():
    found = quality(FILLS)
    bars = pictures.plan_efficiency(FILLS).figure.axes[0].patches
    assert [bar.get_width() for bar in bars] == pytest.approx(found.efficiency["percent"] / 100)
    bars = pictures.plan_error_sources(FILLS).figure.axes[0].patches
    # Six fills for the mean and one heat: four left; 24 bakes less six fills and two singles
    assert [bar.get_width() for bar in bars] == [6, 24, 4, 16]


def test_leverage_is_the_columns_over_the_bakes_on_average():
    text = pictures.plan_leverage(FULL).text
    assert f"{4 / 16:.2f} on average" in text
    assert "No bake lies far above" in text
    spent = pictures.plan_leverage(full_factorial(FIVE[:2], seed=1)).text
    assert "Every bake is spent on an effect" in spent


def test_efficiency_is_told_in_words_without_letters():
    picture = pictures.plan_efficiency(FILLS)
    axes = picture.figure.axes[0]
    names = [label.get_text() for label in axes.get_yticklabels()]
    assert len(set(names)) == 4
    for name in names:
        assert not re.search(r"\b[A-Z]\b", name)
        assert name in picture.text
    shares = [text.get_text() for text in axes.texts]
    assert all(re.fullmatch(r" \d+ % ", share) for share in shares)


def test_a_map_leaves_no_factor_out_unless_it_says_so():
    plan = demo.plan()
    picture = pictures.plan_map(plan)
    drawn = " ".join(
        text for axes in picture.figure.axes for text in (axes.get_xlabel(), axes.get_ylabel())
    )
    assert all(factor.name in drawn for factor in plan.factors)
    some = pictures.plan_map(plan, [("hydration", "fat")])
    assert "Not drawn: oil temperature, buckwheat share, sugar and proof." in some.text
    said = [text.get_text() for text in some.figure.texts]
    assert any("Not drawn: oil temperature" in one for one in said)
    bakes = plan.table[plan.table["role"] != "reference"]
    numbers = [int(text.get_text()) for text in some.figure.axes[0].texts]
    assert sum(numbers) == len(bakes)


def test_predictions_are_told_in_points_of_liking():
    picture = pictures.plan_predictions(FULL, tasters=4, sd_bake=0.3, sd_tasting=0.8)
    # One bake's mean over four tasters: 0.3^2 + 0.8^2 / 4 = 0.25, so half a point
    off = picture.figure.axes[0].lines[0].get_ydata()
    assert off == pytest.approx(1.96 * 0.5 * np.sqrt(quality(FULL).space["variance"].to_numpy()))
    # Four bakes at each corner, so that a corner is known to 0.5 / 2, and nothing less surely
    assert off.max() <= 1.96 * 0.25 + 1e-9
    assert "points of liking" in picture.text


def test_curves_that_lie_on_one_another_share_their_name():
    axes = pictures.chance_by_bakes({"a": FULL, "b": FULL}, effect=1).figure.axes[0]
    names = [text.get_text() for text in axes.texts if text.get_text()]
    assert len(names) == 1
    assert "a, " in names[0]
    assert "b, " in names[0].replace("\n", " ")
