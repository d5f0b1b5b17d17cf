"""Maps, frontiers and good regions: what is on the axes, and what the words say."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trials import pictures
from trials.analysis.choice import frontier
from trials.analysis.fitting import fit
from trials.analysis.surface import canonical
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.choosing import recommend

REFERENCE = Path(__file__).parents[1] / "reference"
LIKING = Measure("liking", "hedonic 9", goal="higher")
CRISP = Measure("crispness", ("intensity", 0, 10), goal="higher")


@pytest.fixture(scope="module")
def yields():
    bakes = pd.read_csv(REFERENCE / "ccd_yield.csv")
    factors = [Numeric("time", 80, 90, "min"), Numeric("temperature", 170, 180, "°F")]
    bakes = bakes.assign(time=85 + 5 * bakes["x1"], temperature=175 + 5 * bakes["x2"])
    return fit(bakes, "y", factors, model="quadratic", groups=())


@pytest.fixture(scope="module")
def fits():
    factors = [
        Numeric("oil", 165, 180, "°C"),
        Numeric("water", 92, 108, "%"),
        Categorical("fat", ["butter", "lard"]),
    ]
    rng = np.random.default_rng(6)
    rows = [
        (o, w, f) for o in (165, 172.5, 180) for w in (92, 100, 108) for f in ("butter", "lard")
    ] * 2
    bakes = pd.DataFrame(rows, columns=["oil", "water", "fat"])
    bakes = bakes[~((bakes["oil"] == 180) & (bakes["water"] == 108))]
    oil, water = (bakes["oil"] - 172.5) / 7.5, (bakes["water"] - 100) / 8
    bakes["liking"] = 6 - oil**2 - water**2 + 0.3 * (bakes["fat"] == "lard")
    bakes["liking"] += rng.normal(0, 0.2, len(bakes))
    bakes["crispness"] = 5 + 1.5 * oil + rng.normal(0, 0.2, len(bakes))
    names = ("liking", "crispness")
    return {name: fit(bakes, name, factors, model="quadratic") for name in names}


def test_a_map_peaks_where_the_surface_does(yields):
    picture = pictures.contours(yields)
    peak = canonical(yields).stationary
    # On a map of 81 places over 14 units, the highest place lies within half a step of the peak
    said = r"highest 80.2 at time (\S+) min and temperature (\S+) °F"
    time, temperature = map(float, re.search(said, str(picture)).groups())
    assert time == pytest.approx(peak["time"], abs=0.1)
    assert temperature == pytest.approx(peak["temperature"], abs=0.1)


def test_the_bakes_lie_on_top_with_their_means(yields):
    axes = pictures.contours(yields).figure.axes[0]
    dots = axes.lines[0]
    bakes = pd.read_csv(REFERENCE / "ccd_yield.csv")
    coded = zip(bakes["x1"], bakes["x2"], strict=True)
    wanted = {(round(85 + 5 * a, 6), round(175 + 5 * b, 6)) for a, b in coded}
    drawn = set(zip(np.round(dots.get_xdata(), 6), np.round(dots.get_ydata(), 6), strict=True))
    assert drawn == wanted
    texts = {text.get_text() for text in axes.texts}
    assert "79.9" in texts  # mean of the five middle bakes: 79.5, 80.3, 80, 79.7, 79.8 is 79.86
    assert axes.get_xlabel() == "time (min)"


def test_what_no_bake_reaches_is_hatched_and_said(fits, yields):
    picture = pictures.contours(fits["liking"])
    # The corner beyond the line from (180, 100) to (172.5, 108) is an eighth of the map
    said = re.search(r"(\d+) % of the map is beyond the bakes", str(picture))
    assert int(said.group(1)) == pytest.approx(12.5, abs=1)
    sets = picture.figure.axes[0].collections
    assert any("////" in (getattr(one, "hatches", None) or []) for one in sets)
    assert any(text.get_text().startswith("hatched: beyond the bakes") for text in _legend(picture))
    square = pictures.contours(fits["liking"], at={"fat": "lard"})
    assert "fat lard" in str(square)


@pytest.mark.parametrize("power", [-9, -3, 3, 9])
def test_a_map_reads_in_any_unit(yields, power):
    table = yields.residuals.assign(**{"yield": yields.residuals["observed"] * 10.0**power})
    other = fit(table, "yield", list(yields.factors), model="quadratic", groups=())
    lines, bakes = (np.array(found) / 10.0**power for found in _numbers(pictures.contours(other)))
    plain_lines, plain_bakes = map(np.array, _numbers(pictures.contours(yields)))
    # Both are rounded, to a tenth at the coarsest
    assert np.abs(bakes - plain_bakes).max() <= 0.1 + 1e-9
    assert len(set(lines)) >= 5
    assert all(np.abs(plain_lines - line).min() <= 0.1 + 1e-9 for line in set(lines))
    said = re.search(r"highest (\S+) at", str(pictures.contours(other))).group(1)
    assert float(said) / 10.0**power == pytest.approx(80.2, abs=0.1)


def _numbers(picture):
    """The numbers on a map's lines, and those beside its bakes."""
    texts = picture.figure.axes[0].texts
    bakes = [float(text.get_text()) for text in texts if text.get_fontweight() == "bold"]
    return [float(text.get_text()) for text in texts if text.get_fontweight() != "bold"], bakes


def _legend(picture):
    return picture.figure.legends[0].get_texts()


def test_failed_bakes_are_crossed(fits):
    lost = pd.DataFrame(
        {"bake": ["B01", "B02"], "status": ["failed", "not baked"], "reason": ["torn", ""]}
        | {"oil": [180.0, 165.0], "water": [108.0, 92.0], "fat": ["lard", "lard"]}
    )
    picture = pictures.contours(replace(fits["liking"], failed=lost))
    crosses = [line for line in picture.figure.axes[0].lines if line.get_marker() == "x"]
    assert crosses[0].get_xdata().tolist() == [180]
    assert crosses[0].get_ydata().tolist() == [108]
    assert "a bake failed" in [text.get_text() for text in _legend(picture)]


def test_chosen_settings_are_marked(fits):
    best = recommend(fits["liking"], LIKING)
    picture = pictures.contours(fits["liking"], at=best.settings)
    axes = picture.figure.axes[0]
    stars = [line for line in axes.lines if line.get_marker() == "*"]
    assert any(text.get_text().startswith("star:") for text in _legend(picture))
    assert stars[0].get_xdata()[0] == best.settings["oil"]
    assert stars[0].get_ydata()[0] == best.settings["water"]


def _line(picture):
    lines = picture.figure.axes[0].lines
    return next((one for one in lines if str(one.get_label()).startswith("nothing beats")), None)


def test_the_frontier_ends_where_going_on_gains_too_little_to_notice(fits):
    wanted = [replace(LIKING, worth_noticing=0.2), replace(CRISP, worth_noticing=0.3)]
    table = frontier(fits, wanted)
    picture = pictures.frontier(fits, wanted)
    liking, crisp = _line(picture).get_data()
    tabulated = set(zip(table["liking"].round(9), table["crispness"].round(9), strict=True))
    assert {(round(a, 9), round(b, 9)) for a, b in zip(liking, crisp, strict=True)} <= tabulated
    star = next(one for one in picture.figure.axes[0].lines if one.get_marker() == "*")
    chosen = dict(zip(("liking", "crispness"), np.ravel(star.get_data()), strict=True))
    # Each end comes within what is worth noticing of the best of one goal, and costs the other
    # least: no setting nearer to the middle does; beyond it the line goes on to the star alone
    for name, other, margin in (("liking", "crispness", 0.2), ("crispness", "liking", 0.3)):
        drawn = max(liking) if name == "liking" else max(crisp)
        near = table[table[name] >= table[name].max() - margin]
        end = near.loc[near[other].idxmax(), name]
        assert end - 1e-9 <= drawn <= max(end, chosen[name]) + 1e-9
    assert max(crisp) < table["crispness"].max()
    assert "more is better" in picture.figure.axes[0].get_xlabel()


def test_where_both_are_had_at_once_there_is_no_line(fits):
    easy = [replace(LIKING, worth_noticing=3.0), replace(CRISP, worth_noticing=4.0)]
    picture = pictures.frontier(fits, easy)
    assert _line(picture) is None
    assert "no trade is worth noticing" in str(picture)


def test_the_good_region_names_every_factor(fits):
    best = recommend(fits["liking"], LIKING)
    picture = pictures.good_region(best)
    labels = [label.get_text() for label in picture.figure.axes[0].get_yticklabels()]
    assert labels == ["oil", "water", "fat"]
    for row in best.good_ranges.itertuples():
        assert f"{row.factor}: {row.good}" in str(picture)
    stars = [line for line in picture.figure.axes[0].lines if line.get_marker() == "*"]
    assert len(stars) == 3


def test_names_stay_functions_once_used(fits):
    pictures.frontier(fits, [LIKING, CRISP])
    assert callable(pictures.frontier)
    assert callable(pictures.contours)
    assert callable(pictures.good_region)


def test_every_picture_is_one_png(fits):
    best = recommend(fits, [LIKING, CRISP])
    for picture in (
        pictures.contours(fits["liking"]),
        pictures.frontier(fits, [LIKING, CRISP]),
        pictures.good_region(best),
    ):
        assert picture.png().startswith(b"\x89PNG")
        assert picture.title
        assert 'alt="' in picture.html()


def test_bad_input(fits):
    with pytest.raises(FitError, match="no factor"):
        pictures.contours(fits["liking"], [("oil", "oven")])
    with pytest.raises(FitError, match="not a number"):
        pictures.contours(fits["liking"], [("oil", "fat")])
    with pytest.raises(FitError, match="named twice"):
        pictures.contours(fits["liking"], [("oil", "oil")])
    with pytest.raises(FitError, match="to hold"):
        pictures.contours(fits["liking"], at={"oven": 200})
    with pytest.raises(FitError, match="only liking has a goal"):
        pictures.frontier(fits, [LIKING])
