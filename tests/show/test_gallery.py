"""Every public picture with hard cases: no text over text, none cut, none too small to read."""

from itertools import combinations

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

import trials
from tests.benchmarks.gallery import pictures
from trials.base.errors import TrialsError
from trials.show.style import NARROW, WIDE

LEAST = 11.0  # pixels of a letter's height, at 100 pixels an inch of page
HARD = list(pictures())
# A picture can say that there is nothing to draw: one bake moves nothing, all failed has no score,
# one taster has nobody to agree with, one round has no course, unlike errors have no half-normal
EMPTY = ("one bake", "all failed", "one taster", "1 rounds", "half_normal")
PRINTED = {"bake_day": 9.7}  # 7 points: the timetable is a sheet to print across a page
LINE = 1.2  # of a letter's height: how far lines lie apart
SHARE = 0.12  # of a line's height that boxes may share: it holds the room below its letters


def drawn_texts(figure, monkeypatch):
    """Draw a figure, and return every text that was drawn with its corners in pixels."""
    found = {}  # the last drawing counts: saving lays the figure out first
    real = Text.draw

    def draw(self, renderer):
        real(self, renderer)
        if self.get_visible() and self.get_text().strip():
            found[self] = corners(self, renderer)

    with monkeypatch.context() as patch:
        patch.setattr(Text, "draw", draw)
        figure.savefig(_Nowhere(), format="png", dpi=100)
    return list(found.items())


class _Nowhere:
    """Takes what is written, and keeps nothing."""

    def write(self, data):
        return len(data)

    def flush(self):
        pass


def corners(text, renderer):
    """Return the corners of a text, turned as it is drawn; the line that leads to it is no text."""
    turned = text.get_rotation()
    if turned % 90 == 0:
        box = Text.get_window_extent(text, renderer)
        return np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    text.set_rotation(0)
    box = Text.get_window_extent(text, renderer)
    text.set_rotation(turned)
    flat = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    middle, angle = flat.mean(axis=0), np.deg2rad(turned)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return middle + (flat - middle) @ turn.T


def overlap(one, other, room):
    """Say whether two boxes share more than the room that a line keeps around its letters.

    Two convex shapes are apart where some side of either parts them.
    """
    for shape in (one, other):
        for start, end in zip(shape, np.roll(shape, -1, axis=0), strict=True):
            across = np.array([end[1] - start[1], start[0] - end[0]])
            size = np.hypot(*across)
            if not size:
                continue
            a, b = one @ across / size, other @ across / size
            shared = min(a.max(), b.max()) - max(a.min(), b.min())
            if shared <= room:
                return False
    return True


def faults(figure, monkeypatch, least=LEAST):
    """Return what is wrong with the texts of a figure."""
    texts = drawn_texts(figure, monkeypatch)
    width, height = figure.get_size_inches() * 100
    wrong = []
    for text, box in texts:
        words = text.get_text()[:40]
        pixels = text.get_fontsize() / 72 * 100
        if round(pixels, 1) < least:
            wrong.append(f"{pixels:.1f} pixels: {words}")
        (x0, y0), (x1, y1) = box.min(axis=0), box.max(axis=0)
        if x0 < -0.5 or y0 < -0.5 or x1 > width + 0.5 or y1 > height + 0.5:
            wrong.append(f"cut off: {words}")
    for (one, a), (other, b) in combinations(texts, 2):
        room = SHARE * min(text.get_fontsize() for text in (one, other)) / 72 * 100 * LINE
        if overlap(a, b, room):
            wrong.append(f"overlap: {one.get_text()[:30]} | {other.get_text()[:30]}")
    return wrong


def drawn_or_why(draw):
    """Return a picture, or none and the sentence that says why there is none."""
    try:
        return draw(), ""
    except TrialsError as error:
        return None, str(error)


@pytest.mark.slow
@pytest.mark.parametrize(("case", "name", "draw"), HARD, ids=[f"{c}: {n}" for c, n, _ in HARD])
def test_texts_are_apart_whole_and_large_enough(case, name, draw, monkeypatch):
    picture, why = drawn_or_why(draw)
    if picture is None:
        assert any(word in f"{case} {name}" for word in EMPTY), why
        assert why.endswith(".")
        return
    assert faults(picture.figure, monkeypatch, PRINTED.get(name, LEAST)) == []
    assert picture.figure.get_size_inches()[0] <= WIDE or name in PRINTED
    assert picture.title
    assert picture.text.endswith(".")
    if picture.narrow is not None:
        assert faults(picture.narrow, monkeypatch) == []
        assert picture.narrow.get_size_inches()[0] <= NARROW


def test_every_public_picture_hangs_in_the_gallery():
    hung = {name.split(" ")[0] for _, name, _ in HARD}
    assert hung == set(trials.pictures.__all__)


def test_a_text_over_another_is_found(monkeypatch):
    figure = Figure(figsize=(3, 2))
    figure.text(0.3, 0.5, "butter and lard")
    figure.text(0.35, 0.5, "sugar and salt")
    figure.text(0.9, 0.2, "far too long for its place")
    figure.text(0.1, 0.9, "small", fontsize=7)
    figure.text(0.1, 0.1, "apart", rotation=30, ha="center", va="center")
    found = faults(figure, monkeypatch)
    assert sorted(one.split(":")[0] for one in found) == ["9.7 pixels", "cut off", "overlap"]


def test_turned_texts_are_judged_by_their_own_corners(monkeypatch):
    figure = Figure(figsize=(4, 4))
    look = {"ha": "center", "va": "center", "rotation": 45}
    figure.text(0.4, 0.6, "a line that climbs", **look)
    figure.text(0.5, 0.5, "a line beside it", **look)
    # Their upright boxes overlap, their letters do not
    assert faults(figure, monkeypatch) == []


def test_pictures_can_be_drawn_into_axes_that_were_given():
    with matplotlib.rc_context():
        figure = Figure(figsize=(8, 5), layout="constrained")
        axes = figure.subplots()
    hill = next(draw for case, name, draw in HARD if (case, name) == ("filtration", "half_normal"))
    assert hill().figure is not figure
    from tests.benchmarks.gallery import filtration

    made = trials.pictures.half_normal(filtration(), ax=axes)
    assert made.figure is figure
    assert made.narrow is None
    assert "What stands out" in axes.get_title(loc="left")
    assert not figure.get_suptitle()
