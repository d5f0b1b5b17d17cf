"""Pages that open without a network, and PDF through an installed browser."""

import re

import pytest

from tests.browser import needs_browser, opened, overlaps_and_clips, page_count, printed
from trials.base.errors import SheetError
from trials.base.html import digest, page, pdf


def test_a_digest_is_the_published_one_of_the_empty_text():
    # SHA-256 of nothing: FIPS 180-4 example value e3b0c442..., in base 64
    assert digest("") == "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"


def test_a_page_forbids_everything_but_its_own_style_and_script():
    markup = page("t", "<p>x</p>", "p { color: red }")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', markup).group(1)
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert "script-src" not in policy


def test_without_a_browser_the_message_says_what_to_do(tmp_path):
    with pytest.raises(SheetError, match=r'looked for "no-such-browser".*print it from there'):
        pdf(page("t", "x"), tmp_path / "a.pdf", browser="no-such-browser")
    assert not (tmp_path / "a.pdf").exists()


def test_a_browser_that_prints_nothing_is_said(tmp_path):
    with pytest.raises(SheetError, match="printed nothing"):
        pdf(page("t", "x"), tmp_path / "a.pdf", browser="true")


@needs_browser
def test_a_page_break_makes_two_a4_pages(tmp_path):
    style = "p { break-after: page } p:last-child { break-after: auto }"
    path = printed(page("t", "<p>one</p><p>two</p>", style), tmp_path)
    raw = path.read_bytes()
    assert raw.startswith(b"%PDF-")
    assert page_count(path) == 2
    width, height = (float(x) for x in re.search(rb"/MediaBox \[0 0 (\S+) (\S+)\]", raw).groups())
    assert (width, height) == pytest.approx((210 * 72 / 25.4, 297 * 72 / 25.4), abs=0.5)


@needs_browser
def test_a_script_that_was_typed_into_a_page_is_refused(tmp_path):
    path = tmp_path / "a.html"
    path.write_text(page("t", "<script>document.title = 'taken'</script><p>x</p>"))
    with pytest.raises(AssertionError, match="Content Security Policy"), opened(path) as shown:
        assert shown.title() == "t"


@needs_browser
def test_the_look_at_a_layout_sees_overlap_width_and_cutting(tmp_path):
    path = tmp_path / "a.html"
    style = (
        "p { margin: 0 } .up { margin-top: -1em } .wide { width: 3000px }"
        ".cut { width: 3em; overflow: hidden; white-space: nowrap }"
    )
    for body, seen in (
        ("<p>one</p><p class='up'>two</p>", "overlap"),
        ("<p class='wide'>x</p>", "too wide"),
        ("<p class='cut'>a long line of words</p>", "cut"),
        ("<p>one</p><p>two</p>", ""),
    ):
        path.write_text(page("t", body, style))
        with opened(path) as shown:
            found = overlaps_and_clips(shown)
        assert bool(found) == bool(seen)
        assert all(seen in one for one in found)
