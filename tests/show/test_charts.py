"""Pictures show the numbers they are made of, and say them in words."""

import io
import re
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

from trials.analysis.fitting import fit
from trials.base.errors import FitError
from trials.show.effects import effects, interactions


@pytest.fixture(scope="module")
def found(demo_round):
    return fit(demo_round, "liking")


def test_the_largest_effect_stands_first_with_its_number(found):
    picture = effects(found)
    axes = picture.figure.axes[0]
    table = found.spoken[~found.spoken["term"].str.contains(r"[:^]")]
    top = table.loc[table["estimate"].abs().idxmax()]
    names = [label.get_text() for label in axes.get_yticklabels()]
    assert names[0] == "one change by itself"
    assert names[1].startswith(top["term"])
    dots = [line.get_xdata()[0] for line in axes.lines if line.get_marker() not in ("None", None)]
    assert dots[0] == pytest.approx(top["estimate"])


def test_a_pair_is_the_effect_of_one_change_at_each_setting_of_the_other(found):
    picture = effects(found)
    axes = picture.figure.axes[0]
    names = [re.sub(r"\s", " ", label.get_text()) for label in axes.get_yticklabels()]
    apart = names.index("one change, at each setting of another")
    assert [name.split(", with ")[1] for name in names[apart + 1 :]] == [
        "hydration 92 %",
        "hydration 108 %",
    ]
    dots = [line.get_xdata()[0] for line in axes.lines if line.get_marker() not in ("None", None)]
    means = found.means(["oil temperature", "hydration"])
    for place, hydration in ((-2, 92), (-1, 108)):
        own = means[means["hydration"] == hydration].set_index("oil temperature")["mean"]
        assert dots[place] == pytest.approx(own[180] - own[165])


def test_the_picture_says_which_side_is_better_and_what_its_marks_mean(found):
    for figure in (effects(found).figure, effects(found).narrow):
        assert "better to the right" in figure.axes[0].get_xlabel()
        said = [text.get_text() for text in figure.legends[0].get_texts()]
        assert said[:2] == ["matters", "not settled"]
        assert "not worth noticing" in said[-1]
        assert "liking" in figure.get_suptitle()


def test_labels_do_not_overlap(found):
    figure = effects(found).figure
    FigureCanvasAgg(figure).draw()
    boxes = [label.get_window_extent() for label in figure.axes[0].get_yticklabels()]
    assert all(not a.overlaps(b) for a, b in pairwise(boxes))
    inside = figure.bbox
    assert all(inside.x0 <= box.x0 and box.x1 <= inside.x1 for box in boxes)


def test_lines_are_told_apart_without_colour(found):
    axes = interactions(found).figure.axes[0]
    styles = {
        (line.get_marker(), line.get_linestyle())
        for line in axes.lines
        if len(line.get_xdata()) > 1
        and line.get_linestyle() not in ("None", "none")
        and line.get_marker() not in ("None", "_", "|")
    }
    assert len(styles) >= 2


def test_the_picture_is_a_picture(found):
    image = np.asarray(Image.open(io.BytesIO(effects(found).png())).convert("L"))
    assert image.shape[1] > 800
    assert 0.005 < (image < 128).mean() < 0.5


def test_the_same_findings_give_the_same_bytes(found):
    assert effects(found).png() == effects(found).png()


def test_a_pair_that_is_not_there_is_refused(found):
    with pytest.raises(FitError, match='no factor "salt"'):
        interactions(found, [("salt", "fat")])
