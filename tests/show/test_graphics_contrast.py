"""Lines, dots, bars, edges and fields reach 3:1 against what lies behind them, by day and by night.

WCAG 2.2, success criterion 1.4.11 (non-text contrast), with the relative luminance of its glossary.
"""

from pathlib import Path

import pytest
from matplotlib.collections import Collection
from matplotlib.colors import to_rgba
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from playwright.sync_api import Page

import trials
from tests.benchmarks.gallery import hill, pictures
from tests.browser import needs_browser, opened
from trials.base.errors import TrialsError
from trials.rounds.scores import scores
from trials.show import style
from trials.show.album import album
from trials.show.page import story

LEAST = 3.0
HARD = list(pictures())
WHITE = (1.0, 1.0, 1.0)


def luminance(colour):
    red, green, blue = (
        one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in colour[:3]
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def over(colour, behind, alpha=None):
    """A colour as it is seen, laid over another."""
    red, green, blue, own = to_rgba(colour, alpha)
    return tuple(
        own * one + (1 - own) * other for one, other in zip((red, green, blue), behind, strict=True)
    )


def colours_of(mark):
    """The colours in which one mark is drawn: its line, its face, its edge, its hatching."""
    if isinstance(mark, Line2D):
        found = [mark.get_color()] if mark.get_linestyle() not in ("None", "none", "", " ") else []
        if mark.get_marker() not in ("None", "none", "", " ", None):
            found.append(mark.get_markeredgecolor())
            found.append(mark.get_markerfacecolor())
        found = [one for one in found if not (isinstance(one, str) and one == "none")]
        return [over(one, WHITE, mark.get_alpha()) for one in found]
    if isinstance(mark, Patch):
        edged = mark.get_linewidth() > 0 and mark.get_edgecolor()[3] > 0
        found = [mark.get_facecolor(), *([mark.get_edgecolor()] if edged else [])]
        return [over(one, WHITE) for one in found]
    found = [*mark.get_facecolor(), *(mark.get_edgecolor() if any(mark.get_linewidth()) else ())]
    return [over(one, WHITE) for one in found]


def marks(figure):
    """Everything that is drawn and is no text: in the axes and in what explains them."""
    for axes in figure.axes:
        if not axes.axison and not axes.has_data():
            continue
        yield from (one for one in axes.get_children() if one is not axes.patch and drawn(one))
        if axes.get_legend():
            yield from axes.get_legend().legend_handles
    for legend in figure.legends:
        yield from legend.legend_handles


def drawn(one):
    if isinstance(one, ContourSet) and one.filled:
        return False  # told apart by the lines between its shades
    if isinstance(one, Patch | Line2D):
        return one.get_visible() and len(one.get_path().vertices) > 0
    return isinstance(one, Collection) and one.get_visible() and len(one.get_paths()) > 0


def faint(figure):
    """The marks of a figure of which no line, face or edge reaches 3:1 on its paper."""
    return [
        f"{type(mark).__name__} {getattr(mark, 'get_label', str)()}: {max(reached):.2f}"
        for mark in marks(figure)
        if (reached := [contrast(one, WHITE) for one in colours_of(mark)]) and max(reached) < LEAST
    ]


@pytest.mark.slow
@pytest.mark.parametrize(("case", "name", "draw"), HARD, ids=[f"{c}: {n}" for c, n, _ in HARD])
def test_marks_of_every_picture_stand_out_from_its_paper(case, name, draw):
    try:
        picture = draw()
    except TrialsError:
        return  # nothing is drawn; the gallery's own test says for which cases
    for figure in (picture.figure, picture.narrow):
        if figure is not None:
            assert figure.get_facecolor()[:3] == WHITE
            assert faint(figure) == []


def test_what_is_drawn_over_bands_and_maps_stands_out_there():
    for colour in (*style.COLOURS, style.INK, style.PALE):
        for behind in (WHITE, to_rgba(style.BAND)[:3]):
            assert contrast(to_rgba(colour), behind) >= LEAST, (colour, behind)


@pytest.mark.slow
def test_lines_and_hatching_of_a_map_stand_out_from_every_shade():
    figure = trials.pictures.contours(hill()).figure
    shades = [one for one in figure.axes[0].collections if isinstance(one, ContourSet)]
    filled = [tuple(own[:3]) for one in shades if one.filled for own in one.get_facecolor()]
    lines = [own for one in shades if not one.filled for own in one.get_edgecolor()]
    assert filled
    assert lines
    assert min(contrast(line, shade) for line in lines for shade in filled) >= LEAST


def test_a_faint_mark_is_found():
    figure = Figure(figsize=(3, 2))
    axes = figure.subplots()
    axes.plot([0, 1], [0, 1], color="#222222", alpha=0.2)
    axes.axvspan(0, 0.3, color=style.BAND, linewidth=0)
    axes.scatter([0.5], [0.5], color="#eeeeee", edgecolor=style.INK)
    axes.plot([0.2], [0.2], "o", markerfacecolor="white", markeredgecolor=style.INK)
    found = faint(figure)
    assert sorted(one.split()[0] for one in found) == ["Line2D", "Rectangle"]


# -- Pages: borders, rules, bars to slide along, the ring of focus, pictures by night.

_EDGES = """(within) => {
  const canvas = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
  const rgba = (text) => {
    canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = '#000'; canvas.fillStyle = text;
    canvas.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = canvas.getImageData(0, 0, 1, 1).data;
    return [r / 255, g / 255, b / 255, a / 255];
  };
  const over = (top, under) => [0, 1, 2].map((at) => top[3] * top[at] + (1 - top[3]) * under[at]);
  const paper = (el) => {
    if (!el) return [1, 1, 1];
    const own = rgba(getComputedStyle(el).backgroundColor);
    return own[3] > 0.99 ? own.slice(0, 3) : over(own, paper(el.parentElement));
  };
  const light = (colour) => {
    const linear = (one) => one <= 0.04045 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4;
    const [r, g, b] = colour.map(linear);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (one, other) => {
    const [low, high] = [light(one), light(other)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  };
  const found = {seen: 0, faint: []};
  const judge = (el, what, colour) => {
    const behind = paper(el.parentElement);
    const reached = contrast(over(rgba(colour), behind), behind);
    found.seen += 1;
    if (reached < 3) {
      const name = `${el.tagName.toLowerCase()}.${el.className} ${what}`;
      found.faint.push(`${name}: ${reached.toFixed(2)}`);
    }
  };
  for (const el of document.querySelectorAll(within + ' *')) {
    const box = el.getBoundingClientRect();
    const style = getComputedStyle(el);
    if (!box.width || !box.height || style.visibility === 'hidden') continue;
    if (el.matches(':disabled')) continue;  // what can not be used is exempt
    for (const side of ['Top', 'Right', 'Bottom', 'Left']) {
      const none = ['none', 'hidden'].includes(style[`border${side}Style`]);
      if (!none && parseFloat(style[`border${side}Width`]) > 0) {
        judge(el, `border ${side}`, style[`border${side}Color`]);
      }
    }
    for (const part of ['::before', '::after']) {
      const own = getComputedStyle(el, part);
      if (own.content === '""' && own.backgroundColor !== 'rgba(0, 0, 0, 0)') {
        judge(el, part, own.backgroundColor);
      }
    }
    if (el === document.activeElement && style.outlineStyle !== 'none') {
      judge(el, 'focus', style.outlineColor);
    }
  }
  return found;
}"""


def edges(page: Page, within: str = "body") -> list[str]:
    """The edges of a page that are fainter than 3:1; there are some edges at all."""
    found = page.evaluate(_EDGES, within)
    assert found["seen"]
    return sorted(set(found["faint"]))


@pytest.fixture(scope="module")
def pages(demo_round, tmp_path_factory) -> dict[str, Path]:
    home = tmp_path_factory.mktemp("pages")
    album_page = home / "album.html"
    album_page.write_text(album(demo_round, scores(demo_round)), encoding="utf-8")
    sheets = ("page", "cook-page", "bake-sheets", "code-sheet", "shopping-list", "timetable")
    made = {name: demo_round.folder / f"{name}.html" for name in sheets}
    ballots = demo_round.folder / "ballots"
    return made | {
        "story": story(demo_round, home / "story.html"),
        "album": album_page,
        "paper ballot": next(ballots.glob("*.html")),
        "phone ballot": next((ballots / "phone").glob("*.html")),
    }


@needs_browser
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize(
    "name",
    ["page", "story", "album", "cook-page", "bake-sheets", "code-sheet", "shopping-list",
     "timetable", "paper ballot"],
)  # fmt: skip
def test_edges_of_every_page_stand_out(pages, name, dark):
    with opened(pages[name], dark=dark) as page:
        page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        page.keyboard.press("Tab")
        assert edges(page) == []


@needs_browser
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_edges_of_the_phone_ballot_stand_out_at_every_step(pages, dark):
    with opened(pages["phone ballot"], phone=True, dark=dark) as page:
        page.get_by_label("I agree").check()
        assert edges(page) == []
        page.get_by_role("button", name="Start").tap()
        while not page.locator("#check").is_visible():
            assert edges(page) == []
            page.locator("#next").tap()
        assert edges(page) == []


@needs_browser
def test_pictures_keep_their_white_paper_on_a_dark_page(pages):
    # Every picture is drawn for white paper: by night it brings that paper along
    shown = """() => [...document.querySelectorAll('img')].map((img) => {
      const canvas = document.createElement('canvas');
      canvas.width = img.naturalWidth; canvas.height = img.naturalHeight;
      const context = canvas.getContext('2d');
      context.fillStyle = getComputedStyle(img).backgroundColor;
      context.fillRect(0, 0, canvas.width, canvas.height);
      context.drawImage(img, 0, 0);
      return [...context.getImageData(1, 1, 1, 1).data];
    })"""
    for name in ("page", "story", "timetable"):
        with opened(pages[name], dark=True) as page:
            page.evaluate(
                "document.querySelectorAll('details').forEach((one) => (one.open = true))"
            )
            found = page.evaluate(shown)
        assert found or name == "story", name  # of one round, which has no picture
        assert all(one == [255, 255, 255, 255] for one in found), name


@needs_browser
def test_a_faint_edge_on_a_page_is_found(tmp_path):
    path = tmp_path / "faint.html"
    path.write_text(
        "<!doctype html><html lang=en><title>x</title><body>"
        "<p style='border: 1px solid #ddd'>a</p><p style='border: 1px solid #666'>b</p>"
    )
    with opened(path) as page:
        assert [one.split(":")[0] for one in edges(page)] == [
            f"p. border {side}" for side in ("Bottom", "Left", "Right", "Top")
        ]
