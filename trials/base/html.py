"""Pages: templates of one shell and one look, each a file that needs no network; and PDF."""

import base64
import hashlib
import json
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from pandas.api.types import is_bool_dtype, is_numeric_dtype, is_scalar

from trials.base.errors import SheetError
from trials.base.files import write_bytes, write_text
from trials.base.words import in_words, kept_together, minus, tidy_number

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "msedge")
SECONDS_TO_PRINT = 60

SHARED = Path(__file__).parent / "templates"  # the shell, the styles and the pieces of all pages


def digest(text: str) -> str:
    """Return what a page's security policy calls a piece of script or style.

    References
    ----------
    W3C, Content Security Policy Level 3, section 6.7 ("hash-source").

    Examples
    --------
    >>> digest("")
    "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
    """
    found = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()
    return f"'sha256-{found}'"


def _as_read(told: Any) -> Any:
    """Return what is filled in as it is read: a minus is a minus sign; markup stays as it is."""
    return minus(told) if isinstance(told, str) and not isinstance(told, Markup) else told


@cache
def _templates(room: Path) -> Environment:
    found = Environment(
        loader=FileSystemLoader([room, SHARED]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_as_read,
    )

    def as_it_is(name: str) -> Markup:
        """Return a style or a script of the room, in which nothing is filled in."""
        source, _, _ = found.loader.get_source(found, name)  # type: ignore[union-attr]
        return Markup(source)

    found.globals |= {"as_it_is": as_it_is, "digest": digest, "table": table}
    found.filters |= {"in_words": in_words, "figure": tidy_number, "kept": kept_together}
    return found


def render(room: Path, template: str, **told: Any) -> str:
    """Fill in a template that lies beside a room; whatever is told is text, never markup.

    A template may stand on those that all rooms share: `shell.html` is a whole page, with one
    policy, one skip link and one `main`, that asks the network for nothing.

    Examples
    --------
    >>> print(render(SHARED, "answer.html", sentences=["salt < sugar"], notes=[], tables=[]))
    <p>salt &lt; sugar</p>
    """
    return _templates(room).get_template(template).render(told)


def held(record: Any) -> Markup:
    """Return plain data for a page's own script: nothing in it can end it, and it never runs.

    Examples
    --------
    >>> "<" in held({"name": "</script>"})
    False
    """
    return Markup(json.dumps(record, ensure_ascii=False).replace("<", "\\u003c"))


def page(title: str, body: str, style: str = "", *, pictures: bool = False) -> str:
    """Return a sheet to print around markup: it opens without a network and runs nothing.

    Examples
    --------
    >>> "<title>salt &amp; rye</title>" in page("salt & rye", "<p>one</p>")
    True
    """
    return render(
        SHARED, "plain.html", title=title, body=Markup(body), own=Markup(style), pictures=pictures
    )


def answer(
    sentences: Iterable[str] = (), tables: Iterable[Any] = (), notes: Iterable[str] = ()
) -> Markup:
    """Return what a record shows of itself in a notebook: sentences, tables, notes.

    Examples
    --------
    >>> print(answer(["Salt matters."], notes=["8 bakes."]))
    <p>Salt matters.</p>
    <ul><li>8 bakes.</li></ul>
    """
    told = {"sentences": list(sentences), "tables": [_aligned(table(one)) for one in tables]}
    return Markup(render(SHARED, "answer.html", notes=list(notes), **told))


def _aligned(made: Markup) -> Markup:
    """Return a table that a notebook aligns too, which has none of the pages' styles."""
    text = str(made).replace('class="right"', 'style="text-align: right; white-space: nowrap"')
    text = text.replace('class="short"', 'style="text-align: left; white-space: nowrap"')
    for plain in ("<td>", '<th scope="col">', '<th scope="row">'):
        text = text.replace(plain, f'{plain[:-1]} style="text-align: left">')
    return Markup(text)


def table(frame: pd.DataFrame, *, names: bool = False, caption: str = "") -> Markup:
    """Return a table as markup: headings that say what they head, figures to the right.

    Parameters
    ----------
    frame : DataFrame
        Rounded as it is to be read; what is missing is left empty.
    names : bool
        Whether the index holds the names of the rows.
    caption : str
        What it shows; left out when empty.

    Examples
    --------
    >>> one = table(pd.DataFrame({"bake": ["B01"], "liking": [6.5]}))
    >>> '<th scope="col">bake</th>' in one, '<td class="right">6.5</td>' in one
    (True, True)
    """
    right = [_holds_figures(frame.iloc[:, at]) for at in range(frame.shape[1])]
    rows = [
        [("" if _is_missing(value) else str(value)) for value in row]
        for row in frame.itertuples(index=False, name=None)
    ]
    heads = [str(name) for name in frame.columns]
    told = {"heads": heads, "rows": rows, "right": right, "caption": caption}
    own = [str(name) for name in frame.index] if names else []
    return Markup(render(SHARED, "table.html", own=own, **told))


_FIGURE = re.compile(r"[−+-]?\d+(\.\d+)?")


def _holds_figures(column: pd.Series) -> bool:
    """Say whether a column is of figures, written out or not; a dash may stand for some."""
    if is_numeric_dtype(column.dtype):
        return not is_bool_dtype(column.dtype)
    known = [str(one) for one in column if not _is_missing(one) and not isinstance(one, bool)]
    figures = [bool(_FIGURE.fullmatch(one)) for one in known]
    dashes = [len(one) < 2 for one in known]
    return any(figures) and all(one or dash for one, dash in zip(figures, dashes, strict=True))


def _is_missing(value: Any) -> bool:
    return value is None or (is_scalar(value) and bool(pd.isna(value)))


def find_browser() -> str | None:
    """Return the path of an installed browser that can print, or None.

    Examples
    --------
    >>> found = find_browser()
    >>> found is None or Path(found).exists()
    True
    """
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def pdf(markup: str, path: str | Path, *, browser: str | None = None) -> Path:
    """Print a page to PDF with an installed browser, without a network."""
    command = shutil.which(browser) if browser else find_browser()
    if command is None:
        wanted = f'"{browser}"' if browser else in_words(BROWSERS, "or")
        raise SheetError(
            f"no browser was found to print the PDF; looked for {wanted}. Install one, or open "
            "the HTML file in any browser and print it from there."
        )
    with tempfile.TemporaryDirectory() as folder:
        source = write_text(Path(folder) / "page.html", markup)
        target = Path(folder) / "page.pdf"
        _print(command, source, target, Path(folder) / "profile")
        if not target.is_file():
            raise SheetError(
                f'"{command}" printed nothing; open the HTML file in a browser and print it there.'
            )
        return write_bytes(path, target.read_bytes())


def _print(command: str, source: Path, target: Path, profile: Path) -> None:
    arguments = [
        command,
        "--headless=new",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        f"--user-data-dir={profile}",
        "--no-pdf-header-footer",
        f"--print-to-pdf={target}",
    ]
    # Chromium refuses its sandbox to the superuser, as in a container
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        arguments.append("--no-sandbox")
    try:
        subprocess.run(
            [*arguments, source.as_uri()],
            check=False,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=SECONDS_TO_PRINT,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise SheetError(f'"{command}" could not print: {type(error).__name__}.') from None
