"""The page: whole, offline, with every picture described, and names never becoming markup."""

import html
import re
import subprocess
from itertools import pairwise

import pytest

import trials
from tests.benchmarks.gallery import filtration
from tests.browser import accessibility, needs_browser, opened, printed
from trials.analysis.brief import in_brief
from trials.base.html import render
from trials.deciding.replanning import write_next
from trials.doors import large_demo as demo_rounds
from trials.show.bake_sheets import TEMPLATES
from trials.show.page import report


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
    return html.unescape(re.sub(r"<[^>]*>", " ", text)).replace("\u00a0", " ")


def first_lines(text):
    """The three lines that the page opens with."""
    return said_on(text.split('<div class="answer">')[1].split("</div>")[0])


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
    assert all(len(html.unescape(words).split()) < 40 for words in described)


def test_what_a_baker_reads(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    for words in ("invented", "Liking", "mattered most", "Cautions", "hot oil", "failed"):
        assert words in text


def test_a_title_is_never_markup():
    told = {"title": "<script>alert(1)</script>", "sentences": ["<b>x</b>"], "version": "1"}
    told |= {"picture": "", "rounds": "", "card": "", "mark": ""}
    made = render(TEMPLATES, "story.html", **told)
    assert "<script>alert" not in made
    assert "<b>" not in made


@pytest.mark.slow
def test_a_later_page_speaks_from_all_rounds(later, later_page):
    said = said_on(later_page)
    assert "from 2 rounds, 40 bakes" in said
    assert "of 32 bakes failed" in said  # 24 and 8, reference bakes apart
    both = trials.fit(later, "liking")
    assert in_brief(both)[0] in said
    assert f"Evidence {both.evidence.digest}" in said


@pytest.mark.parametrize("place", [0, 1])
@pytest.mark.slow
def test_the_page_names_the_best_that_the_next_round_names(place, demo_round, later, later_page):
    round_ = (demo_round, later)[place]
    path = demo_round.folder / "page.html"
    text = (path.read_text(encoding="utf-8"), later_page)[place]
    reason = trials.next_round(round_, 2, action="confirm").reasons[0]
    # Or, where the reference bake is the better one, the best of the others to learn from
    best = re.split(r"Setting to go for: |to learn from: ", reason)[1].split(", with ")[0]
    said = first_lines(text)
    assert all(setting in said for setting in best.split(", "))
    for head in ("What to do.", "Next.", "How sure."):
        assert head in said
    assert re.search(r"\d+ bakes?", said.split("Next.")[1])
    assert re.search(r"\d+ %", said.split("How sure.")[1])


def test_words_of_the_trade_are_folded_away(demo_round, later_page):
    first = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    for text in (first, later_page):
        for word in ("searches", "seed", "2026", "REML", "Kenward", "heredity", "esirab", "flop"):
            assert word not in said_on(text), word
        assert "seed" in text
        assert text.count("2026") <= 2
        assert "seed" not in text[text.index("<footer>") :]


def test_what_holds_for_all_measures_is_said_once(demo_round):
    said = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    assert said.count("do not speak for a market") == 1
    assert said.count("Little or nothing here speaks for that corner") == 1


@pytest.mark.slow
def test_confirmation_bakes_are_judged_on_their_page(later, tmp_path):
    third = demo_rounds.bake(write_next(later, 4, action="confirm"))
    said = said_on(report(third, tmp_path / "page.html").read_text(encoding="utf-8"))
    assert re.search(r"Does it hold\?\s+Baked again, and it (held|did not hold)\.", said)
    assert "from 3 rounds" in said


def test_the_reference_bake_is_explained_where_it_is_first_named(demo_round):
    said = said_on((demo_round.folder / "page.html").read_text(encoding="utf-8"))
    rows = demo_round.plan.rows
    setting = rows[rows["role"] == "reference"].iloc[0]
    first = " ".join(said.split("What to do.")[0].split())
    assert "is what every other bake is compared with" in first
    for factor in demo_round.plan.factors:
        assert f"{factor.name} {factor.show(setting[factor.name])}" in first


@pytest.mark.slow
def test_bakes_that_wait_are_called_planned(demo_round, tmp_path):
    waits = write_next(demo_round, 8, tmp_path / "round-2", action="fill")
    said = said_on(report(waits, tmp_path / "page.html").read_text(encoding="utf-8"))
    assert "not baked yet. What follows is from the round" in said
    assert "What is planned in this round" in said


def test_a_page_before_any_bake_says_what_is_planned(tmp_path):
    round_ = demo_rounds.planned(tmp_path / "round-1")
    said = said_on(report(round_, tmp_path / "page.html").read_text(encoding="utf-8"))
    assert "planned and not baked yet" in said
    assert "What is planned" in said
    assert "Bake what is planned" in said.split("Next.")[1]
    assert "was baked" not in said
    assert "every cell is empty" not in said


def test_the_answer_comes_before_the_first_fold_and_is_short(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8").split("<main")[1]
    assert len(said_on(text.split("<details")[0]).split()) < 700
    for measure in demo_round.measures:
        part = text.split(f"<h2>{measure.name.capitalize()}</h2>")[1].split("<details")[0]
        assert part.count("<p>") <= 3, measure.name
        assert part.count("<img") == 1, measure.name


def test_what_was_baked_has_its_result_and_failures_are_marked(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    part = text.split("<h2>What was baked")[1].split("</details>")[0]
    rows = part.split("<tr>")[2:]
    assert len(rows) == len(demo_round.plan.table)
    failed = [row for row in rows if "failed: " in row]
    assert len(failed) == 4
    assert all("liking " in row for row in rows if row not in failed)


def test_what_a_statistician_asks_for_is_folded_into_the_methods(demo_round):
    text = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    methods = text.split("<summary>How it was worked out")[1].split("</details>")[0]
    told = [html.unescape(one) for one in re.findall(r'<img alt="([^"]*)"', methods)]
    # A factor of three kinds: no half-normal plot, as its effects are not alike in their errors
    starts = ("What the model leaves", "How much each bake", "Standard errors", "Leverage", "Effic")
    assert all(one.startswith(start) for one, start in zip(told, starts, strict=True))
    before = text.split("<summary>How it was worked out")[0]
    assert not any(start in before for start in starts[1:])


def test_every_picture_for_a_statistician_says_how_it_is_read(demo_round):
    draw, found = trials.pictures, trials.fit(demo_round, "liking")
    checked, plan = trials.diagnostics(found), demo_round.plan
    made = [draw.residuals(checked), draw.influence(checked), draw.half_normal(filtration())]
    made += [draw.plan_errors(plan), draw.plan_leverage(plan), draw.plan_efficiency(plan)]
    for one in made:
        said = [text.get_text() for text in one.figure.texts]
        assert sum(text.startswith("How to read it:") for text in said) == 1, one.title


@pytest.mark.slow
def test_a_later_plan_is_not_drawn_as_if_it_stood_alone(later_page):
    methods = later_page.split("<summary>How it was worked out")[1].split("</details>")[0]
    assert "How much each bake alone moves" in methods
    assert "Leverage of" not in methods


@needs_browser
@pytest.mark.parametrize("width", [1280, 768, 375])
def test_the_page_fits_every_screen_and_is_accessible(demo_round, width):
    with opened(demo_round.folder / "page.html", width=width, dark=width == 768) as page:
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        levels = page.evaluate(
            "[...document.querySelectorAll('h1,h2,h3')].map((h) => +h.tagName[1])"
        )
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))
        assert accessibility(page) == []


@needs_browser
def test_nothing_is_lost_in_print(demo_round, tmp_path):
    """Read back from the PDF by poppler's pdftotext."""
    markup = (demo_round.folder / "page.html").read_text(encoding="utf-8")
    path = printed(markup, tmp_path)
    said = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True)
    pages = [" ".join(one.split()) for one in said.stdout.decode().split("\f") if one.strip()]
    whole = " ".join(pages)
    for factor in demo_round.plan.factors:
        assert factor.name.split()[0] in whole
    # Folded notes are open on paper, and the last page holds more than the footer
    for words in ("REML", "seed", "failed: "):
        assert words in whole
    assert len(pages[-1].split()) > 40
    # The table of bakes keeps its last column
    for bake in demo_round.plan.table["bake"]:
        assert bake in whole
    assert whole.count("crispness") > len(demo_round.plan.table) - 5
    # A heading stands on the page of what it heads
    heads = {
        " ".join(html.unescape(re.sub(r"<[^>]*>", "", one)).split())
        for one in re.findall(r"<(?:h[1-3]|summary)>(.*?)</", markup)
    }
    assert len(heads) > 10
    last = [one.strip().splitlines()[-1] for one in said.stdout.decode().split("\f") if one.strip()]
    assert not heads & {" ".join(line.split()) for line in last}
