"""The picture of a bake day: every task is drawn, no label lies over another, grey will do."""

from itertools import pairwise

import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from trials.core.factors import Categorical
from trials.design.layout import lay_out
from trials.doors.large_demo import KITCHEN, STEPS, plan
from trials.rounds.kitchen import Kitchen, Step
from trials.rounds.timetable import timetable
from trials.show.timetable import LOOKS, bake_day


@pytest.fixture(scope="module")
def made():
    return timetable(plan(), STEPS, KITCHEN, effort=0)


@pytest.fixture(scope="module", params=[1, 4])
def drawn(made, request):
    return request.param, bake_day(made, request.param)


def test_every_task_is_a_bar_for_each_thing_it_needs(made, drawn):
    day, picture = drawn
    tasks = made.tasks[made.tasks["day"] == day]
    wanted = sorted(
        (row["start"], row["end"])
        for row in tasks.to_dict("records")
        for _ in range(max(1, len([one for one in row["needs"].split(" and ") if one])))
    )
    bars = [bar for bar in picture.figure.axes[0].patches if bar.get_width() > 0]
    found = sorted((round(bar.get_x()), round(bar.get_x() + bar.get_width())) for bar in bars)
    assert found == wanted


def test_bars_of_one_row_never_lie_over_one_another(drawn):
    rows = {}
    for bar in drawn[1].figure.axes[0].patches:
        rows.setdefault(round(bar.get_y(), 3), []).append((bar.get_x(), bar.get_width()))
    for bars in rows.values():
        for (start, width), (after, _) in pairwise(sorted(bars)):
            assert start + width <= after


def test_no_label_lies_over_another(drawn):
    figure = drawn[1].figure
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    axes = figure.axes[0]
    texts = [*axes.texts, *axes.get_yticklabels(), *axes.get_xticklabels()]
    boxes = [one.get_window_extent(canvas.get_renderer()) for one in texts if one.get_text()]
    assert len(boxes) > 20
    for place, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[place + 1 :])


def test_labels_can_be_read_on_paper_whatever_the_bar_looks_like(drawn):
    """A page is 7 inches wide between its margins and the picture 9.6: 7.2 points become 5.25."""
    axes = drawn[1].figure.axes[0]
    width = drawn[1].figure.get_size_inches()[0]
    sizes = [one.get_fontsize() * 7 / width for one in axes.texts if one.get_text()]
    assert min(sizes) >= 5.2
    bars = [bar for bar in axes.patches if bar.get_width() > 0]
    for text in axes.texts:
        x, y = text.get_position()
        within = [bar for bar in bars if bar.get_x() < x < bar.get_x() + bar.get_width()]
        if any(bar.get_y() < y < bar.get_y() + bar.get_height() for bar in within):
            assert text.get_bbox_patch().get_facecolor() == (1, 1, 1, 1)


def test_a_way_of_frying_is_hot_oil_that_hands_stay_with():
    """Its row does not say the same words as the row of the hands."""
    ways = Categorical("cooking", ["oven", "fried in oil"])
    rows = pd.DataFrame({"cooking": ways.levels})
    steps = (
        Step("mix", 10, "hands"),
        Step("fried in oil, 175 °C", 14, ("fried in oil", "hands"), only_when=FRIED),
        Step("oven, 210 °C", 18, "oven", only_when=("cooking", ["oven"])),
    )
    things = {"hands": 1, "oven": 1, "fried in oil": 1}
    day = lay_out([ways], rows, family="test", model="main", seed=1)
    drawn = bake_day(timetable(day, steps, Kitchen(things=things), effort=0))
    axes = drawn.figure.axes[0]
    named = [text.get_text().split("   ") for text in axes.get_yticklabels()]
    assert named == [
        ["HANDS", "mix"], ["stays with the hot oil"], ["HOT OIL", "175 °C"], ["OVEN", "210 °C"]
    ]  # fmt: skip
    assert axes.get_xlabel() == "grey: hands, striped: hot oil, dotted: oven"


FRIED = ("cooking", ["fried in oil"])


def test_things_are_told_apart_by_pattern_and_by_words():
    greys = {(look["facecolor"], look.get("hatch", "")) for look in LOOKS}
    assert len(greys) == len(LOOKS)
    for look in LOOKS:
        red, green, blue = (look["facecolor"][at : at + 2] for at in (1, 3, 5))
        assert red == green == blue


def test_the_words_say_when_the_day_ends(made, drawn):
    day, picture = drawn
    finish = made.days.set_index("day").loc[day, "finish"]
    assert finish in picture.text
    assert finish in picture.title


def test_every_box_has_its_label_and_the_shading_is_explained(drawn):
    axes = drawn[1].figure.axes[0]
    boxes = [bar for bar in axes.patches if bar.get_width() > 0]
    assert len([text for text in axes.texts if text.get_text()]) == len(boxes)
    assert axes.get_xlabel() == "grey: hands, striped: pot, white: goes by itself"
