"""The story of a development as one page, with its picture and its recipe."""

import html
from pathlib import Path

from trials.deciding.story import Story, story
from trials.page import page
from trials.pictures.story_chart import story as story_picture
from trials.rounds.round import Round
from trials.tables import write_text
from trials.version import __version__


def write_story(round_: Round, path: str | Path, *, units: str = "grams") -> tuple[Story, Path]:
    """Tell a development on one page that needs no other file and no network.

    Parameters
    ----------
    round_ : Round
        Its last round; those before it come along.
    path : str or Path
        Where to.
    units : {"grams", "ounces", "household"}
        Of the recipe.

    Returns
    -------
    (Story, Path)
        What is told, and the file written.

    Raises
    ------
    FitError, SheetError
        When a round can not be read or fitted.

    Examples
    --------
    >>> write_story.__name__
    'write_story'
    """
    told = story(round_, units=units)
    title = f"{round_.name}: the story"
    body = [
        f"<h1>{html.escape(title)}</h1>",
        "".join(f"<p>{html.escape(one)}</p>" for one in told.sentences),
        story_picture(told).html(),
        "<h2>Round by round</h2>",
        f'<div class="scroll">{told.shown().to_html(border=0, escape=True)}</div>',
        f"<h2>The recipe now</h2>{told.card._repr_html_()}" if told.card else "",
        f"<footer>Made with trials {__version__}.</footer>",
    ]
    return told, write_text(path, page(title, body))
