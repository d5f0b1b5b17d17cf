"""What is printed at the command line: wrapped to the terminal, a number with its unit."""

import os
import re
import shutil
import sys
import textwrap
from typing import TextIO

NARROWEST = 40  # columns; a narrower window wraps by itself
_TABLE = re.compile(r"\S {3,}\S|^ {3,}\S.* {2,}\S")  # aligned in columns: never wrapped
_PATH = re.compile(r"^\S+$")


def tell(what: object = "", *, end: str = "\n", file: TextIO | None = None) -> None:
    """Print words as they are read: minus signs, and lines as wide as the terminal.

    What goes to a file or to another program keeps its lines whole.
    """
    from trials.base.words import minus  # only here: help is there before numbers are loaded

    to = file or sys.stdout
    text = minus(str(what))
    width = _width(to)
    if width:
        text = "\n".join(wrapped(line, width) for line in text.split("\n"))
    print(text, end=end, file=to, flush=True)


def wrapped(line: str, width: int) -> str:
    """Return one line wrapped between words; tables and paths stay whole.

    Examples
    --------
    >>> print(wrapped("Fry at 180 °C and no hotter than that, as the oil smokes.", 40))
    Fry at 180 °C and no hotter than that,
    as the oil smokes.
    """
    from trials.base.words import kept_together

    if len(line) <= width or _TABLE.search(line) or _PATH.match(line):
        return line
    indent = " " * (len(line) - len(line.lstrip(" ")))
    lines = textwrap.wrap(
        kept_together(line.strip(" ")),
        width,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return "\n".join(lines).replace("\u00a0", " ")


def _width(to: TextIO) -> int:
    """Return the width to wrap to; 0 where nobody reads at a terminal."""
    if not (to.isatty() or os.environ.get("COLUMNS", "").isdigit()):
        return 0
    return max(NARROWEST, shutil.get_terminal_size().columns)
