"""`Picture`: a figure with its text description, and the look that all figures share.

Colours are told apart by colour-blind readers and in grey; shapes and words carry the meaning,
colour only helps.
"""

import base64
import io
from dataclasses import dataclass, field
from typing import Any

import matplotlib
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trials.base.html import SHARED, render

INK, PALE, BAND = "#222222", "#8a8a8a", "#e9e4d8"
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
        A short heading.

    Examples
    --------
    >>> Picture(Figure(figsize=(1, 1)), "nothing yet", "Empty")
    Empty: nothing yet
    """

    figure: Figure = field(repr=False)
    text: str
    title: str = ""

    def png(self, dpi: int = 144) -> bytes:
        """Return the picture as PNG."""
        out = io.BytesIO()
        with matplotlib.rc_context(STYLE):
            self.figure.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
        return out.getvalue()

    def html(self) -> str:
        """Return the picture as one piece of HTML that needs no network."""
        return render(SHARED, "picture.html", data=self.data(), text=self.text, title=self.title)

    def data(self, dpi: int = 144) -> str:
        """Return the picture as an address that holds all of it."""
        return f"data:image/png;base64,{base64.b64encode(self.png(dpi)).decode('ascii')}"

    def save(self, path: str) -> None:
        """Write the picture to a file; its ending says in which form."""
        with matplotlib.rc_context(STYLE):
            self.figure.savefig(path, dpi=144)

    def _repr_html_(self) -> str:
        return self.html()

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
    """Return a figure with several axes side by side, three a row at the most.

    Examples
    --------
    >>> len(blanks(4, 3, 2.5)[1])
    4
    """
    across = min(count, 3)
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


def colours(count: int) -> list[tuple[float, float, float]]:
    """Return colours that colour-blind readers tell apart.

    Examples
    --------
    >>> len(colours(3))
    3
    """
    palette = sns.color_palette("colorblind", max(count, 1))
    return [(float(red), float(green), float(blue)) for red, green, blue in palette[:count]]
