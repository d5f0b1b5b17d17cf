"""Pages for the printer: one self-contained HTML file, and PDF through an installed browser."""

import base64
import hashlib
import html
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from trials.base.errors import SheetError
from trials.base.files import write_bytes, write_text
from trials.base.words import in_words

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "msedge")
SECONDS_TO_PRINT = 60

# Black on white, no fill that carries meaning: a grey printer and a wet thumb leave it readable.
PRINT_STYLE = """
@page { size: A4; margin: 12mm; }
* { box-sizing: border-box; }
html { font: 11pt/1.35 "Helvetica Neue", Arial, "Liberation Sans", "DejaVu Sans", sans-serif;
       color: #000; background: #fff; }
body { margin: 0 auto; max-width: 186mm; }
h1 { font-size: 17pt; margin: 0 0 2mm; line-height: 1.15; }
h2 { font-size: 12.5pt; margin: 4mm 0 1.5mm; line-height: 1.2; }
p { margin: 0 0 1.5mm; }
table { border-collapse: collapse; }
th, td { text-align: left; vertical-align: baseline; padding: 1mm 2.5mm 1mm 0;
         overflow-wrap: anywhere; }
.right { text-align: right; }
.quiet { color: #444; font-size: 9.5pt; }
@media screen { body { padding: 8mm 5mm; } }
"""


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


def page(
    title: str,
    body: str,
    style: str = PRINT_STYLE,
    script: str = "",
    *,
    pictures: bool = False,
    sends: bool = False,
) -> str:
    """Return a whole HTML page that opens without a network and runs nothing but its own script.

    Examples
    --------
    >>> "<title>salt &amp; rye</title>" in page("salt & rye", "<p>one</p>")
    True
    """
    allowed = [f"style-src {digest(style)}"]
    if script:
        allowed.append(f"script-src {digest(script)}")
    if pictures:
        allowed.append("img-src data:")
    if sends:
        allowed.append("connect-src 'self'")
    policy = "; ".join(["default-src 'none'", *allowed, "base-uri 'none'", "form-action 'none'"])
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{html.escape(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n{body}\n"
        + (f"<script>{script}</script>\n" if script else "")
        + "</body>\n</html>\n"
    )


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
