"""A round with every kind of scale: its page, its album and the command line show each rightly."""

import html
import re

import pytest

from tests.browser import needs_browser, opened, overlaps_and_clips
from tests.rounds.tasted_round import EVERY_SCALE, tasted_through
from trials.analysis.answers import Answers, fit
from trials.analysis.as_categories import as_categories
from trials.analysis.question import evidence
from trials.base.errors import FitError
from trials.core.measures import Measure
from trials.core.scales import KINDS, Summary
from trials.deciding.choosing import recommend
from trials.deciding.gain import findings_to_choose
from trials.doors.cli import run
from trials.rounds.scores import scores
from trials.show.album import album
from trials.show.page import report


@pytest.fixture(scope="module", params=[("Ida", "Bo"), ("Ida",)], ids=["two", "one"])
def round_(request, tmp_path_factory):
    return tasted_through(tmp_path_factory.mktemp("every") / "scale", request.param)


@pytest.fixture(scope="module")
def page(round_):
    return report(round_, round_.folder / "page.html")


def said_under(page, name):
    """What a reader sees under one measure, tags apart."""
    text = page.read_text(encoding="utf-8")
    part = text.split(f"<h2>{html.escape(name.capitalize())}</h2>")[1].split("<h2>")[0]
    return html.unescape(re.sub(r"<[^>]*>", " ", re.sub(r"<img[^>]*>", " ", part)))


def test_this_round_has_every_kind():
    kinds = {type(one._kind) for one in EVERY_SCALE}
    assert kinds == set(KINDS)
    assert {one.summary for one in EVERY_SCALE} == set(Summary)


SHOWN = {
    "liking": ["Worth noticing", "points"],
    "crispness": ["points"],
    "bites": ["bites"],
    "oil uptake": ["%"],
    "sweetness": ["said too little", "just about right", "which fits a chance of", "liking"],
    "said of it": ["nutty (", "greasy (", "In how many tastings each word stands"],
    "greasiest": ["nearest to the greasiest", "mean place", "By bake, the first in front"],
    "smells of": ["yeast (", "not sour", "In their own words", "crumbly, not sour"],
    "again": ["yes for", "which fits a chance of"],
    "held its shape": ["yes for 8 of 16 bakes", "By oil temperature, the chance of yes"],
}


@pytest.mark.parametrize("measure", EVERY_SCALE, ids=lambda one: one.name)
def test_the_page_shows_each_kind(measure, page):
    said = said_under(page, measure.name)
    for words in SHOWN[measure.name]:
        assert words in said, words
    assert "is not a number" not in said
    assert "see the table of scores" not in said


@pytest.mark.parametrize("name", ["sweetness", "said of it", "smells of", "again"])
def test_a_gap_is_told(name, page):
    assert f"1 tasting holds no answer for {name}" in said_under(page, name)


@needs_browser
def test_the_page_opens_in_a_browser(page):
    with opened(page) as shown:
        heads = shown.locator("h2").all_inner_texts()
        assert [one.name.capitalize() for one in EVERY_SCALE] == [
            head for head in heads if head.lower() in {one.name for one in EVERY_SCALE}
        ]
        quotes = shown.locator("details", has_text="In their own words")
        quotes.locator("summary").first.click()
        shown.evaluate(
            "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
        )
        assert quotes.locator("td", has_text="crumbly, not sour").first.is_visible()
        assert shown.locator("th", has_text="“nutty”").is_visible()
        assert not overlaps_and_clips(shown)


def test_the_command_line_says_the_same(round_, capsys):
    assert run(["fit", str(round_.folder), "--all"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    for measure in EVERY_SCALE:
        assert " ".join(fit(round_, measure.name).sentences[0].split()) in told
    assert "is not a number" not in told


def test_a_table_of_words_at_the_command_line(round_, tmp_path, capsys):
    table = scores(round_)
    path = tmp_path / "scores.csv"
    table[table["taster"].notna()].to_csv(path, index=False)
    asked = ["fit", str(path), "said of it", "--kinds", "fat", "--factors", "proof"]
    assert run(asked) == 1
    assert "holds words, not numbers" in capsys.readouterr().err
    assert run([*asked, "--scale", "check all"]) == 0
    assert "nutty (" in capsys.readouterr().out


def test_the_album_tells_each_bake_in_its_own_words(round_):
    text = html.unescape(album(round_, scores(round_)))
    assert "held its shape no" in text
    assert "held its shape yes" in text
    assert re.search(r"said of it [^;]*nutty", text)
    assert re.search(r"greasiest place \d", text)
    assert "“crumbly, not sour”" in text


def test_good_words_are_never_called_wrong_numbers(round_):
    with pytest.raises(FitError, match="counted, not averaged"):
        as_categories(round_, "said of it")


def test_only_what_is_averaged_is_chosen_by(tmp_path):
    """A goal on a share is the baker's wish; a setting is chosen by averages and by places."""
    goals = {"liking": "higher", "again": "higher", "greasiest": "higher"}
    measures = [
        Measure(one.name, one.scale, unit=one.unit, per=one.per, words=one.words,
                anchors=one.anchors, goal=goals.get(one.name))
        for one in EVERY_SCALE
    ]  # fmt: skip
    made = tasted_through(tmp_path / "goals", ("Ida",), measures=measures)
    assert set(findings_to_choose(Answers(evidence(made)))) == {"liking", "greasiest"}
    answers = {one.name: fit(made, one.name) for one in measures if one.name != "oil uptake"}
    best = recommend(answers, measures)
    assert list(best.expected["measure"]) == ["liking"]
    with pytest.raises(FitError, match="chosen by averages"):
        recommend(answers["again"], measures)
    with pytest.raises(FitError, match='"again" is counted, not averaged'):
        recommend(answers, [one for one in measures if one.name == "again"])
