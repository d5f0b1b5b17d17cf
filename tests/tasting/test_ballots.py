"""Paper ballots: what they show, what they must not show, and how they print."""

import html
import re
import zlib

import pandas as pd
import pytest

from tests.browser import (
    broken_words,
    needs_browser,
    opened,
    overlaps_and_clips,
    page_count,
    printed,
)
from trials.base.errors import MeasureError, TastingError
from trials.core.measures import Measure
from trials.core.scales import LIKING_WORDS
from trials.tasting.panel import Taster
from trials.tasting.paper import (
    AGREEMENT,
    LINE_LENGTH,
    asked_measures,
    ballot_book,
    ballots,
    line_score,
)
from trials.tasting.phone import phone_ballots

POINTS_PER_MM = 72 / 25.4
LIKING = Measure("liking", "hedonic 9")
CRISP = Measure("crispness", ("intensity", 0, 10), anchors=["soft", "shatters"])
EVERY = [
    CRISP,
    Measure("sweetness", "just about right 5"),
    Measure("words", "check all", words=["nutty", "yeasty", "burnt"]),
    Measure("again", "passed"),
    Measure("bites", "number", unit="bites"),
    LIKING,
    Measure("spread", "number", unit="mm", per="bake"),
]
CODES = {"Ida": ["946", "583", "914", "276", "639", "748"], "Bo": ["853", "491", "627", "286"]}


def serving() -> pd.DataFrame:
    rows = [
        (taster, 1, place, f"B{place + 7:02d}", code, "trial" if place else "warm-up")
        for taster, codes in CODES.items()
        for place, code in enumerate(codes)
    ]
    names = ["taster", "sitting", "place", "bake", "code", "kind"]
    return pd.DataFrame(rows, columns=names)


PANEL = [Taster("Ida"), Taster("Bo", ("hazelnut",))]


def test_a_ballot_holds_its_tasters_codes_in_serving_order_and_nobody_elses():
    pages = ballots("Round 1", serving(), [LIKING], PANEL)
    assert list(pages) == ["Ida", "Bo"]
    shown = re.findall(r'class="code">(\d{3})<', pages["Ida"])
    assert shown == CODES["Ida"][1:]
    assert not any(code in pages["Ida"] for code in CODES["Bo"])


def test_the_warm_up_is_named_first_and_not_scored():
    page = ballots("Round 1", serving(), [LIKING], PANEL)["Ida"]
    assert "First taste <b>946</b>" in page
    assert 'class="code">946' not in page


def test_a_reference_is_named_only_when_asked():
    rows = serving()
    rows.loc[rows["code"] == "583", "kind"] = "reference"
    blind = ballots("Round 1", rows, [LIKING], PANEL)["Ida"]
    assert "reference" not in blind
    assert blind == ballots("Round 1", serving(), [LIKING], PANEL)["Ida"]
    named = ballots("Round 1", rows, [LIKING], PANEL, reference_named=True)["Ida"]
    assert "<b>583</b> is the reference" in named


def test_shuffled_rows_make_the_same_ballot():
    mixed = serving().sample(frac=1, random_state=3)
    assert ballots("R", mixed, EVERY, PANEL) == ballots("R", serving(), EVERY, PANEL)


def test_every_scale_is_asked_liking_first_and_what_is_measured_on_bakes_is_not():
    assert [measure.name for measure in asked_measures(EVERY)] == [
        "liking",
        "crispness",
        "sweetness",
        "words",
        "bites",
        "again",
    ]
    page = ballots("Round 1", serving(), EVERY, PANEL)["Ida"]
    assert all(word in page for word in LIKING_WORDS)
    assert "soft" in page
    assert "just about right" in page
    assert "spread" not in page


def test_everybody_is_told_the_allergens_and_asked_to_agree():
    for page in ballots(
        "Round 1", serving(), [LIKING], PANEL, allergens=["wheat", "milk"], notice="Fried in oil."
    ).values():
        assert "Any piece may contain: milk and wheat." in page
        assert AGREEMENT in page
        assert "Fried in oil." in page


def test_what_people_typed_never_becomes_markup():
    name = "<img src=x onerror=alert(1)>"
    rows = serving().assign(taster=name)
    measure = Measure("<b>liking</b>", "hedonic 9", anchors=["<i>bad</i>", "good"])
    page = ballots(
        "<script>1</script>", rows, [measure], [Taster(name)], allergens=["<u>milk</u>"]
    )[name]
    body = page.split("<body>")[1]
    assert not re.search(r"<(img|script|b>liking|i>bad|u>)", body)


def test_a_ballot_tells_nothing_of_the_bakes():
    rows = serving().assign(day=3, load=5, fat="lard", hydration=108)
    for page in ballots("Round 1", rows, EVERY, PANEL).values():
        words = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.S)
        assert not re.search(r"B\d\d|lard|108|hydration|\bday\b|\bload\b|trial|control", words)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"taster": "Stranger"}, '"Stranger" is served but is not among the tasters'),
        ({"code": ""}, "Sample 0 of Ida has no code"),
    ],
)
def test_a_serving_table_that_can_not_be_used_is_refused(change, message):
    with pytest.raises(TastingError, match=message):
        ballots("Round 1", serving().assign(**change), [LIKING], PANEL)


def test_missing_columns_nothing_to_ask_and_taken_names_are_refused():
    with pytest.raises(TastingError, match="no column 'code'"):
        ballots("Round 1", serving().drop(columns="code"), [LIKING], PANEL)
    with pytest.raises(TastingError, match="nothing to ask"):
        ballots("Round 1", serving(), [EVERY[-1]], PANEL)
    with pytest.raises(TastingError, match='"note" is a column'):
        ballots("Round 1", serving(), [Measure("note", "hedonic 9")], PANEL)


def test_words_for_the_wrong_number_of_points_are_refused():
    with pytest.raises(MeasureError, match="takes 9 words, or 2 for the ends"):
        Measure("liking", "hedonic 9", anchors=["bad", "so-so", "good"])


def test_a_mark_on_a_shrunken_line_scores_by_its_share():
    scale = Measure("crispness", ("intensity", 1, 9))
    assert line_score(0, scale) == 1
    assert line_score(140, scale) == 9
    assert line_score(35, scale, length=70) == 5  # half of the line is half of the scale
    with pytest.raises(TastingError, match="141 mm; a line of 140 mm"):
        line_score(141, scale)
    with pytest.raises(TastingError, match="not scored on a line"):
        line_score(10, LIKING)


@needs_browser
def test_five_pieces_with_two_questions_fit_one_page_per_taster(tmp_path):
    book = ballot_book("Round 1", serving(), [LIKING, CRISP], PANEL, allergens=["wheat", "milk"])
    assert page_count(printed(book, tmp_path)) == 2


@needs_browser
def test_five_pieces_with_three_questions_are_set_closer_and_still_fit_one_page(tmp_path):
    greasy = Measure("greasiness", ("intensity", 0, 10))
    book = ballot_book("R", serving(), [LIKING, CRISP, greasy], PANEL, allergens=["wheat", "milk"])
    assert 'class="sheet ballot close"' in book
    assert 'class="sheet ballot"' in book  # Bo has three pieces, which stand at ease
    assert page_count(printed(book, tmp_path)) == 2


@needs_browser
def test_what_finds_no_room_runs_on_to_the_back(tmp_path):
    raw = printed(ballots("R", serving(), EVERY, PANEL)["Ida"], tmp_path)
    assert page_count(raw) > 1


@needs_browser
def test_a_line_prints_140_mm_long(tmp_path):
    """The lengths of what is drawn are read from the PDF itself: 1 mm is 72/25.4 points."""
    raw = printed(ballots("R", serving(), [CRISP], PANEL)["Ida"], tmp_path).read_bytes()
    lengths = [width / POINTS_PER_MM for width in _drawn_widths(raw)]
    lines = [length for length in lengths if abs(length - LINE_LENGTH) < 0.6]
    assert len(lines) >= 5, sorted({round(length, 1) for length in lengths})


@needs_browser
def test_nothing_is_cut_off_on_the_screen(tmp_path):
    path = tmp_path / "ballot.html"
    long = [Taster("Wilhelmina-Alexandrina Featherstonehaugh of the Far North")]
    rows = serving().query("taster == 'Ida'").assign(taster=long[0].name)
    path.write_text(ballots("A round with quite a long name", rows, EVERY, long)[long[0].name])
    with opened(path) as page:
        assert overlaps_and_clips(page) == []


@needs_browser
def test_no_word_of_a_point_is_broken(tmp_path):
    few = serving().query("taster == 'Bo'")  # stand at ease, in larger letters
    path = tmp_path / "ballot.html"
    path.write_text(ballots("R", few, [*EVERY[:2], LIKING], PANEL)["Bo"], "utf-8")
    with opened(path) as page:
        assert broken_words(page) == []
        page.evaluate("document.documentElement.style.setProperty('--line', '60mm')")
        assert broken_words(page) == []
        page.evaluate(
            "for (const one of document.querySelectorAll('*')) one.style.overflowWrap = 'anywhere'"
        )
        assert "moderately" in broken_words(page)  # where a word is broken, it is seen


def _drawn_widths(raw: bytes) -> list[float]:
    """Return the widths, in points, of every box filled in the PDF's page streams."""
    widths = []
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", raw, re.S):
        try:
            text = zlib.decompress(stream).decode("latin-1")
        except zlib.error:
            continue
        page, body = (
            re.search(rf"([\d.]+) 0 0 {sign}[\d.]+ [\d.]+ [\d.]+ cm", text) for sign in ("-", "")
        )
        if page and body:
            factor = float(page.group(1)) * float(body.group(1))
            boxes = re.findall(r"-?[\d.]+ -?[\d.]+ ([\d.]+) [\d.]+ re\nf\n", text)
            widths += [float(width) * factor for width in boxes]
    return widths


@pytest.mark.parametrize("made", [ballots, phone_ballots])
def test_a_taster_is_told_that_what_they_avoid_was_seen_to(made):
    """Also where no piece of the sitting holds it, so that no notice names it."""
    name, other = list(CODES)[:2]
    tasters = [Taster(name, avoids=["nuts"], also_avoids=["aunt's pickle"]), Taster(other)]
    pages = made("R", serving(), [LIKING], tasters, allergens=["milk"])
    said = html.unescape(pages[name])
    assert "You avoid nuts: no piece of yours is known to hold any." in said
    assert "You told the cook of aunt's pickle, which no table knows: ask before you taste." in said
    assert "The labels of the packs go before this." in said
    assert "You avoid" not in pages[other]
