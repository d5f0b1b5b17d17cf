"""Pictures of plans show the numbers they are made from, and say them in words."""

import html
import re

import numpy as np
import pytest

from trials import pictures
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Numeric
from trials.design.exchange import optimal
from trials.design.factorial import full_factorial
from trials.design.power import power, smallest_effect
from trials.design.quality import quality
from trials.design.screening import conference_screening, plackett_burman
from trials.doors import large_demo as demo
from trials.show.style import FONT

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


def test_the_map_shows_a_third_for_every_pair_of_the_others():
    # Plackett & Burman 1946: a third of each pair that a single change is not part of
    image = pictures.plan_relations(TWELVE).figure.axes[0].images[0].get_array()
    singles = np.asarray(image)[:5, 5:]
    assert np.allclose(np.unique(np.round(singles, 9)), [0, 1 / 3])
    assert (singles > 0).sum() == 5 * 6
    assert "(0.33)" in pictures.plan_relations(TWELVE).text


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
    kinds = full_factorial([Categorical("a", ["x", "y"]), FIVE[0]], seed=1)
    with pytest.raises(PlanError, match="two factors that are numbers"):
        pictures.plan_map(kinds)


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
    assert "None lies far above" in text
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
    assert all(re.fullmatch(r" \d+ %", share) for share in shares)


def test_names_on_the_map_of_relations_are_as_large_as_other_words():
    axes = pictures.plan_relations(demo.plan()).figure.axes[0]
    rows, columns = axes.get_yticklabels(), axes.get_xticklabels()
    assert min(label.get_fontsize() for label in [*rows, *columns]) >= FONT
    assert axes.figure.get_size_inches()[0] <= 12
    assert [label.get_text() for label in columns] == [str(n) for n in range(1, len(rows) + 1)]
    names = [label.get_text() for label in rows]
    assert names[0] == "oil temperature  1"
    assert "oil temperature with fat lard  11" in names
