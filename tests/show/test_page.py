"""The page: whole, offline, with every picture described, and names never becoming markup."""

import html
import re

import pytest

import trials
from trials.deciding.replanning import write_next
from trials.doors import large_demo as demo_rounds
from trials.show.page import page, report


@pytest.fixture(scope="module")
def later(demo_round, tmp_path_factory):
    """A round after the demo's, with scores."""
    folder = tmp_path_factory.mktemp("later") / "round-2"
    return demo_rounds.bake(write_next(demo_round, 8, folder, action="fill"))


@pytest.fixture(scope="module")
def later_page(later):
    return report(later, later.folder / "page.html").read_text(encoding="utf-8")


def said_on(text):
    """What a reader sees without unfolding anything, pictures' descriptions apart."""
    text = re.sub(r"<style>.*?</style>|<details>.*?</details>|<img[^>]*>", " ", text, flags=re.S)
    return html.unescape(re.sub(r"<[^>]*>", " ", text))


def test_the_page_asks_for_nothing(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", text)
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
    assert "<script>alert" not in page("<script>alert(1)</script>", [])


def test_a_later_page_speaks_from_all_rounds(later, later_page):
    said = said_on(later_page)
    assert "from 2 rounds, 40 bakes" in said
    assert "of 32 bakes failed" in said  # 24 and 8, reference bakes apart
    both = trials.fit(later, "liking")
    assert both.sentences[1] in said
    assert f"Evidence {both.evidence.digest}" in said


@pytest.mark.parametrize("place", [0, 1])
def test_the_page_names_the_best_that_the_next_round_names(place, demo_round, later, later_page):
    round_ = (demo_round, later)[place]
    path = demo_round.folder / "page.html"
    text = (path.read_text(encoding="utf-8"), later_page)[place]
    reason = trials.next_round(round_, 2, action="confirm").reasons[0]
    best = reason.removeprefix("Best so far: ").split(", with ")[0]
    assert best[1:] in said_on(text).split("Best so far")[1]


def test_words_of_the_trade_are_folded_away(demo_round, later_page):
    first = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    for text in (first, later_page):
        for word in ("searches", "seed", "2026", "REML", "Kenward", "heredity", "esirab", "flop"):
            assert word not in said_on(text), word
        assert "seed" in text
        assert text.count("2026") <= 2
        assert "seed" not in text[text.index("<footer>") :]


def test_what_holds_for_all_measures_is_said_once(demo_round):
    said = said_on((demo_round.folder / "page.html").read_text(encoding="utf-8"))
    assert said.count("do not speak for a market") == 1
    assert said.count("Little or nothing here speaks for that corner") == 1


def test_confirmation_bakes_are_judged_on_their_page(later, tmp_path):
    third = demo_rounds.bake(write_next(later, 4, action="confirm"))
    said = said_on(report(third, tmp_path / "page.html").read_text(encoding="utf-8"))
    assert re.search(r"Does it hold\?\s+(Confirmed|Not confirmed)\.", said)
    assert "from 3 rounds" in said


def test_bakes_that_wait_are_called_planned(demo_round, tmp_path):
    waits = write_next(demo_round, 8, tmp_path / "round-2", action="fill")
    said = said_on(report(waits, tmp_path / "page.html").read_text(encoding="utf-8"))
    assert "not baked yet. What follows is from the round" in said
    assert "What is to be baked in this round" in said
