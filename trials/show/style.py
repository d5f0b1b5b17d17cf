"""`Picture`: a figure with its text description, and the look that all figures share.

Colours are told apart by colour-blind readers and in grey; shapes and words carry the meaning,
colour only helps.
"""

import base64
import io
import textwrap
from dataclasses import dataclass, field
from typing import Any

import matplotlib
import seaborn as sns
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from trials.base.html import SHARED, render

MOST_WORDS = 38  # of a description that is read out
MOST_WIDE = 8.7  # inches that a page has for a picture
LETTERS_AN_INCH = 11.0  # of a title
INK, PALE, BAND = "#222222", "#767676", "#e9e4d8"
FONT = 10.0
STYLE: dict[Any, Any] = {
    "font.size": FONT,
    "font.family": "DejaVu Sans",
    "axes.edgecolor": PALE,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.hashsalt": "trials",  # the same picture is the same file
}
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

    Examples
    --------
    >>> Picture(Figure(figsize=(1, 1)), "nothing yet", "Empty")
    Empty: nothing yet
    """

    figure: Figure = field(repr=False)
    text: str
    title: str = ""
    narrow: Figure | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
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


def blanks(count: int, width: float, height: float) -> tuple[Figure, list[Axes]]:
    """Return a figure with several axes side by side, as many a row as keep their letters readable.

    Examples
    --------
    >>> len(blanks(4, 3, 2.5)[1])
    4
    """
    across = max(1, min(count, 3, int(MOST_WIDE / width)))
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
