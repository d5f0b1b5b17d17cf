"""A real browser for the tests that need one; no network, touch like a phone's where asked."""

import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest

from trials.base.html import find_browser, pdf

AXE = "axe-core@4"  # Deque, Mozilla Public License 2.0; used by tests alone
PHONE = {"width": 390, "height": 844}


def needs_browser(test: Callable) -> Callable:
    """Mark a test that drives a real browser; it is left out, with the reason, where none is."""
    missing = pytest.mark.skipif(find_browser() is None, reason="no Chromium is installed")
    return pytest.mark.browser(missing(test))


@contextmanager
def opened(path: Path, *, phone: bool = False, dark: bool = False, width: int = 900) -> Iterator:
    """Open a file in headless Chromium; fail on script errors, refusals and network requests."""
    playwright = pytest.importorskip("playwright.sync_api")
    trouble: list[str] = []
    with playwright.sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=find_browser())
        context = browser.new_context(
            viewport=PHONE if phone else {"width": width, "height": 1200},
            has_touch=phone,
            is_mobile=phone,
            accept_downloads=True,
            color_scheme="dark" if dark else "light",
            offline=True,
        )
        page = context.new_page()
        page.on("console", lambda message: trouble.append(message.text))
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on(
            "request",
            lambda asked: (
                None if asked.url.startswith(("file:", "blob:")) else trouble.append(asked.url)
            ),
        )
        page.goto(path.as_uri())
        yield page
        browser.close()
    if trouble:
        raise AssertionError("; ".join(trouble))


def until(page: object, script: str, seconds: float = 15) -> None:
    """Wait until a script is true of the page.

    The browser's own way of waiting runs text inside the page, which the pages' policy refuses.
    """
    end = time.monotonic() + seconds
    while not page.evaluate(script):  # type: ignore[attr-defined]
        assert time.monotonic() < end, f"never true within {seconds} s: {script}"
        time.sleep(0.05)


def printed(markup: str, folder: Path) -> Path:
    """Return the PDF of a page."""
    return pdf(markup, folder / "printed.pdf")


def overlaps_and_clips(page: object) -> list[str]:
    """Return what is wrong with the layout: text over text, cut off, or wider than the screen."""
    return page.evaluate(_LAYOUT)  # type: ignore[attr-defined]


def broken_words(page: object) -> list[str]:
    """Return the words that are broken over two lines without a hyphen of their own."""
    return page.evaluate(_BROKEN)  # type: ignore[attr-defined]


_BROKEN = """() => {
  const broken = new Set();
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const node = texts.currentNode;
    if (node.parentElement.closest('script, style, pre, code, option')) continue;
    for (const word of node.data.matchAll(/[^\\s\\-\u2013\u2014\\/]+/g)) {
      const range = document.createRange();
      range.setStart(node, word.index);
      range.setEnd(node, word.index + word[0].length);
      const lines = [...range.getClientRects()].filter((one) => one.width > 0.5);
      if (new Set(lines.map((one) => Math.round(one.top))).size > 1) broken.add(word[0]);
    }
  }
  return [...broken];
}"""


_LAYOUT = """() => {
  const wrong = [];
  const wide = document.documentElement.clientWidth;
  const words = [];
  for (const el of document.querySelectorAll('body *')) {
    const style = getComputedStyle(el);
    if (style.display === 'none' || style.visibility === 'hidden') continue;
    const box = el.getBoundingClientRect();
    if (!box.width || !box.height) continue;
    if (box.right > wide + 1) wrong.push('too wide: ' + el.className + ' ' + el.tagName);
    const cut = style.overflow !== 'visible' && !['INPUT', 'TEXTAREA'].includes(el.tagName);
    if (cut && el.scrollWidth > el.clientWidth + 1) wrong.push('cut: ' + el.className);
    if (el.closest('.foot, select')) continue;  // fixed at the bottom, the page scrolls under it
    for (const node of el.childNodes) {
      if (node.nodeType !== Node.TEXT_NODE || !node.textContent.trim()) continue;
      const range = document.createRange();
      range.selectNodeContents(node);
      for (const line of range.getClientRects()) words.push([line, node.textContent.trim()]);
    }
  }
  words.sort((one, other) => one[0].top - other[0].top);
  words.forEach(([box, text], at) => {
    for (let next = at + 1; next < words.length && words[next][0].top < box.bottom; next += 1) {
      const [other, others] = words[next];
      const across = Math.min(box.right, other.right) - Math.max(box.left, other.left);
      const down = Math.min(box.bottom, other.bottom) - other.top;
      // A line's box is taller than its letters: a quarter of it may be shared
      if (across > 1 && down > 0.25 * Math.min(box.height, other.height)) {
        wrong.push('overlap: ' + text.slice(0, 30) + ' | ' + others.slice(0, 30));
      }
    }
  });
  return wrong;
}"""


def accessibility(page: object) -> list[str]:
    """Return what a checker of accessibility finds wrong, with the elements it names."""
    page.evaluate(_checker())  # type: ignore[attr-defined]
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")  # type: ignore[attr-defined]
    return [
        f"{one['id']}: {one['help']} ({node['html'][:120]})"
        for one in found["violations"]
        for node in one["nodes"][:3]
    ]


@cache
def _checker() -> str:
    """Return the checker's script; it is fetched once, by the ordinary client, and kept."""
    kept = Path(os.environ.get("TRIALS_AXE", Path.home() / ".cache" / "trials-tests"))
    script = kept / "node_modules" / "axe-core" / "axe.min.js"
    if not script.is_file():
        client = shutil.which("npm")
        if client is None:
            missing("npm, which brings the checker of accessibility, is not installed")
        asked = [str(client), "install", "--no-audit", "--no-fund", "--prefix", str(kept), AXE]
        made = subprocess.run(asked, check=False, capture_output=True, timeout=300)
        if made.returncode:
            missing("the checker of accessibility could not be fetched")
    return script.read_text("utf-8")


def missing(why: str) -> None:
    """Leave a test out, with the reason; where browsers are required, it fails."""
    (pytest.fail if os.environ.get("TRIALS_BROWSER") == "required" else pytest.skip)(why)


def page_count(path: Path) -> int:
    """Return how many pages a PDF has."""
    return len(re.findall(rb"/Type\s*/Page\b", path.read_bytes()))
