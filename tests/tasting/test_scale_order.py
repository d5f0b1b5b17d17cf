"""Every kind of scale is asked in one order on paper and on the phone, as it stands there."""

import pandas as pd
import pytest

from tests.browser import needs_browser, opened
from trials.core.measures import Measure
from trials.core.scales import KINDS
from trials.tasting.panel import Taster
from trials.tasting.paper import ballots
from trials.tasting.phone import phone_ballots

EVERY = [
    Measure("liking", "hedonic 9"),
    Measure("look", "hedonic 9", anchors=["ugly", "beautiful"]),
    Measure("crispness", ("intensity", 0, 10), anchors=["soft", "shatters"]),
    Measure("oiliness", ("intensity", 0, 15)),
    Measure("sweetness", "just about right 5"),
    Measure("salt", "just about right 5", anchors=["bland", "flat", "right", "salty", "briny"]),
    Measure("said of it", "check all", words=["nutty", "yeasty", "burnt"]),
    Measure("smell", "check all", words=["none", "fruity"]),
    Measure("bites", "number", unit="bites"),
    Measure("again", "passed"),
    Measure("melts", "passed", anchors=["stays", "melts"]),
    Measure("greasiest", "ranking", anchors=["the greasiest", "the driest"]),
    Measure("smells of", "words"),
]
NAMES = ["taster", "sitting", "place", "code", "kind"]
SERVING = pd.DataFrame(
    [["Ida", 1, 1, "583", "trial"], ["Ida", 1, 2, "914", "trial"]], columns=NAMES
)
PANEL = [Taster("Ida", cooks=True)]

# Every question with its answers as eyes meet them: row by row from above, from left to right
_SEEN = """([questions, title, answers]) => {
  const placed = (elements) => [...elements].map((one) => {
    const box = one.getBoundingClientRect();
    const words = one.innerText.split(/\\s+/).join(' ').trim();
    return { words, left: box.left, top: box.top };
  });
  const met = (one, other) => Math.abs(one.top - other.top) > 6 ? one.top - other.top
    : one.left - other.left;
  return [...document.querySelectorAll(questions)]
    .sort((one, other) => one.getBoundingClientRect().top - other.getBoundingClientRect().top)
    .map((one) => [one.querySelector(title).innerText,
      placed(one.querySelectorAll(answers)).sort(met).map((found) => found.words)]);
}"""
PAPER = [".how + .sample .ask", "b, .write", ".point, .ticks span, .ends span"]
PHONE = ["#questions fieldset", "legend", ".choice, .ends span"]


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """What is asked on paper and on the phone: each a list of titles with their answers."""
    home = tmp_path_factory.mktemp("ballots")
    paper, phone = home / "paper.html", home / "phone.html"
    paper.write_text(ballots("Round 1", SERVING, EVERY, PANEL)["Ida"], "utf-8")
    phone.write_text(phone_ballots("Round 1", SERVING, EVERY, PANEL)["Ida"], "utf-8")
    with opened(paper) as page:
        on_paper = page.evaluate(_SEEN, PAPER)
    with opened(phone, phone=True) as page:
        page.get_by_label("I agree").check()
        page.get_by_role("button", name="Start").tap()
        on_phone = page.evaluate(_SEEN, PHONE)
    return on_paper, on_phone


def title(asked):
    """A title without its unit, which paper has where the number is written."""
    return asked.split(",")[0].rstrip("?")


def test_here_is_every_kind():
    assert {type(one._kind) for one in EVERY} == set(KINDS)


@needs_browser
def test_questions_come_in_one_order(seen):
    on_paper, on_phone = ([title(asked) for asked, _ in own] for own in seen)
    assert on_paper == on_phone
    assert len(on_paper) == len(EVERY) + 2  # blind, and words of one's own


@needs_browser
@pytest.mark.parametrize("at", range(len(EVERY) + 2))
def test_answers_come_in_one_order(seen, at):
    (asked, on_paper), (_, on_phone) = seen[0][at], seen[1][at]
    if "place within this sitting" in asked:
        # On paper a place is written; on the phone it is picked, the first above
        assert (on_paper, on_phone) == ([], ["1", "2"])
        return
    assert on_paper == on_phone


@needs_browser
def test_low_comes_first(seen):
    asked = {title(name): found for name, found in seen[0]}
    assert asked["liking"][0] == "1 dislike extremely"
    assert asked["liking"][-1] == "9 like extremely"
    assert asked["sweetness"][0] == "1 much too little"
    assert asked["crispness"] == ["soft", "shatters"]
    assert asked["said of it: tick all that fit"][-1] == "none of these"
