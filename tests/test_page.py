"""The page: whole, offline, with every picture described, and names never becoming markup."""

import re

from trials.page import page


def test_the_page_asks_for_nothing(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    assert not re.search(r"""(src|href)=["'](?!data:)""", text)
    assert "http" not in re.sub(r"http-equiv", "", text)
    assert "default-src 'none'" in text


def test_every_picture_is_described(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    described = re.findall(r'<img alt="([^"]*)"', text)
    assert len(described) == text.count("<img")
    assert all(len(words) > 40 for words in described)


def test_what_a_baker_reads(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    for words in ("invented", "Liking", "mattered most", "Cautions", "hot oil", "failed"):
        assert words in text


def test_a_title_is_never_markup():
    assert "<script>" not in page("<script>alert(1)</script>", [])
