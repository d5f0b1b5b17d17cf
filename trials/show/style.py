"""`Picture`: a figure with its text description, and the look that all figures share.

Colours are told apart by colour-blind readers and in grey; shapes and words carry the meaning,
colour only helps.
"""

import base64
import io
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import matplotlib
import seaborn as sns
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from trials.base.html import SHARED, render
from trials.base.words import kept_together
from trials.core.factors import Factor

MOST_WORDS = 38  # of a description that is read out
WIDE = 7.6  # inches that a page has for a picture, on a screen of 768 pixels too
NARROW = 3.4  # inches of a phone's screen of 360 pixels, its margins taken off
LETTERS_AN_INCH = 10.0  # of a title
SMALL_LETTERS = 15.0  # an inch, of the smallest
INK, PALE, BAND = "#222222", "#767676", "#e9e4d8"
# A band is too pale to be seen by all: the line around it says where it begins and ends
BANDED: dict[str, Any] = {"facecolor": BAND, "edgecolor": PALE, "linewidth": 0.8}
FONT = 10.0
SMALL = 8.5  # points: 11 pixels of a page and a little, the least that is drawn
STYLE: dict[Any, Any] = {
    "font.size": FONT,
    "font.family": "DejaVu Sans",
    "axes.edgecolor": PALE,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.hashsalt": "trials",  # the same picture is the same file
}
STAR: dict[str, Any] = {"marker": "*", "markersize": 15, "color": INK, "markeredgecolor": "white"}
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
DASHES: tuple[Any, ...] = (
    "-",
    "--",
    ":",
    "-.",
    (0, (5, 1)),
    (0, (1, 1)),
    (0, (3, 1, 1, 1)),
    (0, (8, 2)),
)


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure with its text description.

    Parameters
    ----------
    figure : matplotlib Figure
    text : str
        What the picture shows, in words, for those who do not see it.
    title : str
        A short heading, written inside.
    narrow : matplotlib Figure, optional
        The same for a screen as narrow as a phone's.
    ax : matplotlib Axes, optional
        Those of somebody else's figure that it was drawn into: the title stands above them.

    Examples
    --------
    >>> Picture(Figure(figsize=(1, 1)), "nothing yet", "Empty")
    Empty: nothing yet
    """

    figure: Figure = field(repr=False)
    text: str
    title: str = ""
    narrow: Figure | None = field(default=None, repr=False)
    ax: Axes | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if self.ax is not None:
            own = textwrap.fill(self.title, max(int(_inches(self.ax) * LETTERS_AN_INCH), 20))
            self.ax.set_title(own, loc="left", fontsize=11, weight="bold", color=INK)
            return
        # A saved picture stands alone: its title is inside
        for figure in (self.figure, self.narrow):
            if figure is not None and self.title and not figure.get_suptitle():
                width = int(figure.get_size_inches()[0] * LETTERS_AN_INCH)
                title = textwrap.fill(self.title, max(width, 20))
                with matplotlib.rc_context(STYLE):
                    figure.suptitle(title, x=0.01, ha="left", fontsize=11, weight="bold", color=INK)

    @property
    def alt(self) -> str:
        """The description for a screen reader: short, as the numbers stand in a table."""
        words = self.text.split()
        if len(words) <= MOST_WORDS:
            return self.text
        said = " ".join(words[:MOST_WORDS])
        ends = [said.rfind(mark) for mark in (". ", "; ", ", ")]
        return said[: max(ends)].rstrip(",;. ") + " ..." if max(ends) > 0 else f"{said} ..."

    def png(self, dpi: int = 144, figure: Figure | None = None) -> bytes:
        """Return the picture as PNG."""
        out = io.BytesIO()
        with matplotlib.rc_context(STYLE):
            (figure or self.figure).savefig(out, format="png", dpi=dpi, metadata={"Software": None})
        return out.getvalue()

    def html(self) -> str:
        """Return the picture as one piece of HTML that needs no network."""
        narrow = self.data(figure=self.narrow) if self.narrow is not None else ""
        wide = round(96 * self.figure.get_size_inches()[0])  # CSS pixels, so that letters keep 11
        told = {"data": self.data(), "text": self.alt, "narrow": narrow, "wide": wide}
        return Markup(render(SHARED, "picture.html", **told))

    def data(self, dpi: int = 144, figure: Figure | None = None) -> str:
        """Return the picture as an address that holds all of it."""
        made = base64.b64encode(self.png(dpi, figure)).decode("ascii")
        return f"data:image/png;base64,{made}"

    def save(self, path: str) -> None:
        """Write the picture to a file; its ending says in which form."""
        with matplotlib.rc_context(STYLE):
            self.figure.savefig(path, dpi=144)

    def _repr_html_(self) -> str:
        return self.html()

    def _repr_png_(self) -> tuple[bytes, dict[str, Any]]:
        # For what keeps no markup: a notebook made into a document, or shown by another program
        return self.png(), {"width": round(96 * self.figure.get_size_inches()[0])}

    def __repr__(self) -> str:
        return f"{self.title}: {self.text}" if self.title else self.text


def _inches(ax: Axes) -> float:
    whole = ax.get_figure(root=True)
    assert whole is not None
    return float(whole.get_size_inches()[0] * ax.get_position().width)


def blank(width: float, height: float) -> tuple[Figure, Axes]:
    """Return an empty figure of a size in inches, with one set of axes in the house's look.

    Examples
    --------
    >>> blank(4, 3)[0].get_size_inches().tolist()
    [4.0, 3.0]
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(width, height), layout="constrained", facecolor="white")
        axes = figure.subplots()
    sns.despine(ax=axes)
    return figure, axes


@contextmanager
def stage(ax: Axes | None, width: float, height: float) -> Iterator[tuple[Figure, Axes]]:
    """Give the axes to draw into, in the house's look: those given, or a new figure's.

    Examples
    --------
    >>> with stage(None, 4, 3) as (figure, axes):
    ...     axes.get_figure() is figure
    True
    """
    with matplotlib.rc_context(STYLE):
        if ax is None:
            yield blank(width, height)
            return
        whole = ax.get_figure(root=True)
        assert isinstance(whole, Figure)
        sns.despine(ax=ax)
        yield whole, ax


def blanks(count: int, width: float, height: float, most: int = 3) -> tuple[Figure, list[Axes]]:
    """Return a figure with several axes side by side, as many a row as keep their letters readable.

    Examples
    --------
    >>> len(blanks(4, 3, 2.5)[1])
    4
    """
    across = max(1, min(count, most, int(WIDE / width)))
    down = -(-count // across)
    with matplotlib.rc_context(STYLE):
        figure = Figure(
            figsize=(width * across, height * down), layout="constrained", facecolor="white"
        )
        axes = figure.subplots(down, across, squeeze=False).ravel().tolist()
    for spare in axes[count:]:
        spare.set_axis_off()
    for one in axes[:count]:
        sns.despine(ax=one)
    return figure, axes[:count]


def foot(
    figure: Figure, handles: Sequence[Any] = (), note: str = "", ax: Axes | None = None
) -> None:
    """Explain the marks once, and say how to read them, below all else; the figure grows by that.

    Into axes that somebody gave, only the marks are explained, where there is room.

    Examples
    --------
    >>> figure, _ = blank(4, 3)
    >>> foot(figure, note="dots are bakes")
    >>> bool(figure.get_size_inches()[1] > 3)
    True
    """
    if ax is not None:
        if handles:
            ax.legend(handles=list(handles), fontsize=SMALL, frameon=False)
        return
    width, height = figure.get_size_inches()
    said = folded(note, int(width * SMALL_LETTERS))
    deep = SMALL * 1.35 / 72 * (said.count("\n") + 1) + 0.08 if said else 0.0
    legend, tall = _legend(figure, handles, width) if handles else (None, 0.0)
    whole = height + deep + tall
    figure.set_size_inches(width, whole)
    if said:
        figure.text(
            0.06 / width, 0.05 / whole, said, fontsize=SMALL, color=INK, va="bottom",
            linespacing=1.3,
        ).set_in_layout(False)  # fmt: skip
    if legend is not None:
        legend.set_bbox_to_anchor((0.5, deep / whole), transform=figure.transFigure)
    engine = figure.get_layout_engine()
    assert engine is not None
    engine.set(  # type: ignore[call-arg]
        rect=(0, (deep + tall) / whole, 1, 1 - (deep + tall) / whole)
    )


def _legend(figure: Figure, handles: Sequence[Any], width: float) -> tuple[Any, float]:
    """Return what explains the marks, in as many columns as fit, and its height in inches."""
    labels = [folded(str(one.get_label()), int((width - 0.6) * SMALL_LETTERS)) for one in handles]
    renderer = FigureCanvasAgg(figure).get_renderer()
    for rows in range(1, len(handles) + 1):
        columns = -(-len(handles) // rows)
        made = figure.legend(
            handles=list(handles), labels=labels, loc="lower center", ncols=columns,
            fontsize=SMALL, frameon=False, handletextpad=0.5, columnspacing=1.4, borderpad=0.2,
        )  # fmt: skip
        box = made.get_window_extent(renderer)
        if box.width <= 0.98 * figure.bbox.width or columns == 1:
            break
        made.remove()
    return made, float(box.height) / figure.dpi + 0.06


def folded(text: str, letters: int) -> str:
    """Return text on as many lines as it needs; a number keeps its unit on its line.

    Examples
    --------
    >>> folded("butter at 180 °C", 12)
    'butter at\\n180\\xa0°C'
    """
    lines = str(text).split("\n")
    return "\n".join(textwrap.fill(kept_together(one), max(letters, 8)) for one in lines)


def spread_apart(wanted: Sequence[float], gaps: Sequence[float]) -> list[float]:
    """Return places near those wanted, in their order, with room around each.

    Parameters
    ----------
    wanted : sequence of float
        Where each would best lie.
    gaps : sequence of float
        How much room each needs.

    Examples
    --------
    >>> spread_apart([1.0, 1.0, 5.0], [1.0, 1.0, 1.0])
    [0.5, 1.5, 5.0]
    """
    order = sorted(range(len(wanted)), key=lambda at: (wanted[at], at))
    blocks: list[tuple[list[int], float, float]] = []  # who, middle, room
    for at in order:
        who, middle, room = [at], float(wanted[at]), float(gaps[at])
        while blocks and blocks[-1][1] + blocks[-1][2] / 2 > middle - room / 2 + 1e-12:
            before, earlier, taken = blocks.pop()
            count = len(before) + len(who)
            middle = (earlier * len(before) + middle * len(who)) / count
            who, room = before + who, taken + room
        blocks.append((who, middle, room))
    places = [0.0] * len(wanted)
    for who, middle, room in blocks:
        edge = middle - room / 2
        for at in who:
            places[at] = edge + gaps[at] / 2
            edge += gaps[at]
    return places


def name_ends(
    axes: Axes, ends: Sequence[tuple[float, float, str]], tints: Sequence[Any], letters: int = 26
) -> None:
    """Write each line's name to the right of all, its own height kept as far as there is room.

    Parameters
    ----------
    axes : Axes
        With its limits set.
    ends : sequence of (float, float, str)
        Where each line ends, and its name.
    tints : sequence of colour
        Of the thin line that leads from a name to its end.
    letters : int
        Of a name on one line.
    """
    if not ends:
        return
    low, high = axes.get_ylim()
    tall = axes.get_window_extent().height / axes.get_figure(root=True).dpi * 0.72  # type: ignore[union-attr]
    step = (SMALL * 1.35 / 72) / max(tall, 0.5) * (high - low)
    names = [folded(name, letters) for _, _, name in ends]
    gaps = [step * (name.count("\n") + 1.15) for name in names]
    places = spread_apart([y for _, y, _ in ends], gaps)
    over = max([place + gap / 2 for place, gap in zip(places, gaps, strict=True)]) - high
    under = low - min([place - gap / 2 for place, gap in zip(places, gaps, strict=True)])
    shift = -over if over > 0 else max(under, 0.0)
    left, right = axes.get_xlim()
    spot = max(x for x, _, _ in ends) + 0.05 * (right - left)
    for (x, y, _), name, place, tint in zip(ends, names, places, tints, strict=True):
        axes.annotate(
            name, (x, y), xytext=(spot, place + shift), textcoords="data", va="center", ha="left",
            fontsize=SMALL, color=INK, annotation_clip=False, linespacing=1.2,
            # From the middle of the name's left side, so that no letter is crossed
            arrowprops={"arrowstyle": "-", "color": tint, "linewidth": 0.8, "shrinkA": 1,
                        "shrinkB": 2, "relpos": (0, 0.5)},
        )  # fmt: skip


def both(draw: Callable[[bool], Figure], ax: Axes | None) -> tuple[Figure, Figure | None]:
    """Return a picture as drawn for a page and for a phone; once, into axes that were given."""
    return draw(False), None if ax is not None else draw(True)


# At least 3:1 on white, and told apart by colour-blind readers: Okabe & Ito 2008, darkened
COLOURS = ("#0072b2", "#b3560b", "#00785a", "#a8437f", "#4d4d4d", "#7a6a00", "#c22f1f", "#5b4bb7")


def colours(count: int) -> list[tuple[float, float, float]]:
    """Return colours that colour-blind readers tell apart; more than there are come round again.

    Examples
    --------
    >>> len(colours(3))
    3
    """
    return [to_rgb(COLOURS[at % len(COLOURS)]) for at in range(count)]


def factor_colours(factors: Sequence[Factor]) -> Mapping[str, tuple[float, float, float]]:
    """Return the colour that belongs to each factor on every picture; ink, where there are no more.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> list(factor_colours([Numeric("rest", 20, 60)]))
    ['rest']
    """
    return {
        factor.name: to_rgb(COLOURS[at] if at < len(COLOURS) else INK)
        for at, factor in enumerate(factors)
    }
