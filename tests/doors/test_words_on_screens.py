"""What a baker reads: all commands, sheets and pages of two rounds, searched for words now gone.

The words are those of the house's list: one thing has one word, and no name of a column, no code
and no figure of a computer stands before a baker.
"""

import html
import re
import shutil

import pytest

from tests.rounds.small_idea import begun
from trials.deciding.rehearsal import Spreads
from trials.doors.cli import run
from trials.doors.invented import Truth, drawn_scores
from trials.doors.large_demo import record_scores
from trials.doors.start import planned_round
from trials.rounds.round import Round
from trials.show.sheets import write_sheets

GONE = (
    "columns to estimate",
    "aliased",
    "heavy tails",
    "lack of fit",
    "something of pairs",
    "picked one by one",
    "half a difference",
    "change your mind",
    "too small to notice",
    "control bake",
    "PosixPath",
    "Traceback",
    "NaN",
    "None ",
    "enough=",
)
RAW = {
    "a number below zero with a hyphen": r"(?:^|[ (])-\d",
    "more decimals than a kitchen knows": r"(?<![\w./])\d+\.\d{5,}",
    "the name of a column": r"(?<![\w./\[\"-])[a-z]+_[a-z_]+\b(?![\w.(\"\]])",
    "a back-tick": "`",
    "one of something as many": r"(?<![\d.,])(?<!round )1 (?:tasters|bakes|days|pieces|scores)\b",
    "an agreement as a figure": r"agreement \d",
    "a number that is none": r"\bnan\b|\binf\b",
}
AFTER = (
    ["check"],
    ["fit"],
    ["fit", "--all"],
    ["shopping"],
    ["timetable"],
    ["story"],
    ["story", "--units", "household"],
    ["story", "--units", "ounces"],
    ["replan"],
    ["report"],
    ["album"],
)
REFUSED = (
    ["fit", "crunch"],
    ["fit", "liking", "--model", "sugar with salt"],
    ["fit", "--held", "x"],
    ["note", "x", "--bake", "B99"],
    ["photo", "B01", "none.jpg"],
    ["serve", "--address", "1.2.3.4"],
    ["next", "--bakes", "0"],
    ["next", "--bakes", "4", "--action", "dance"],
)
COMMANDS = (
    "demo new plan sheets shopping timetable check serve note photo album fit replan next story "
    "report share lab"
).split()


def found_in(text: str) -> list[str]:
    """Return what a baker should not have to read, with the words around it."""
    said = text.replace("\u00a0", " ")
    wrong = [word for word in GONE if word in said]
    for what, pattern in RAW.items():
        for hit in re.finditer(pattern, said, re.M):
            near = said[max(0, hit.start() - 30) : hit.end() + 30].replace("\n", " ")
            wrong.append(f"{what}: ...{near}...")
    return wrong


def words_of(markup: str) -> str:
    """Return the words of a page, descriptions of pictures included, scripts and styles not."""
    shown = re.sub(r"<(style|script)\b.*?</\1>|<head>.*?</head>", " ", markup, flags=re.S)
    told = " ".join(re.findall(r'(?:alt|aria-label|placeholder)="([^"]*)"', shown))
    return html.unescape(re.sub(r"<[^>]*>", " ", shown) + " " + told)


def said_by(words: list[str], capsys) -> str:
    status = run(words)
    told = capsys.readouterr()
    assert status in (0, 1), words
    return told.out + told.err


def read_all(folder, capsys) -> dict[str, list[str]]:
    wrong = {}
    for first, *rest in AFTER + REFUSED:
        said = said_by([first, str(folder), *rest], capsys).replace(str(folder), "round")
        wrong[" ".join([first, *rest])] = found_in(re.sub(r"\S*/\S*", "", said))
    for page in sorted(folder.rglob("*.html")):
        wrong[page.name] = found_in(words_of(page.read_text("utf-8")))
    return {name: found for name, found in wrong.items() if found}


@pytest.fixture(scope="module")
def six(tmp_path_factory):
    """Six bakes and a reference bake, one of them failed; a setting below zero; invented scores."""
    home = tmp_path_factory.mktemp("six") / "snap"
    path = begun(home)
    idea = path.read_text("utf-8")
    for old, new in (
        ("bakes = 8 ", "bakes = 6 "),
        ("days = 2 ", "days = 1 "),
        ("references = 2", "references = 1"),
        (
            'name = "hydration"\nlow = 16\nhigh = 24\nunit = "%"',
            'name = "rest"\nlow = -18\nhigh = 4\nunit = "°C"',
        ),
        ('changes = ["total", "hydration"]', ""),
    ):
        assert old in idea, old
        idea = idea.replace(old, new)
    path.write_text(idea, "utf-8")
    round_ = planned_round(home)
    write_sheets(round_)
    truth = Truth(
        round_.measures,
        {"liking": {"rest": 1.2, "fat": {"butter": 0.3, "lard": -0.3}}},
        {"liking": 6.0},
        {"liking": Spreads()},
        round_.tasters,
    )
    record_scores(round_, drawn_scores(round_.plan, truth, seed=3))
    return Round.open(home)


def test_a_small_round_is_told_in_the_words_of_a_kitchen(six, capsys):
    assert read_all(six.folder, capsys) == {}


@pytest.mark.slow
def test_the_demo_is_told_in_the_words_of_a_kitchen(demo_round, tmp_path, capsys):
    folder = shutil.copytree(demo_round.folder, tmp_path / "round-1")
    assert read_all(folder, capsys) == {}


def test_help_is_told_in_the_words_of_a_kitchen(capsys):
    for command in COMMANDS:
        with pytest.raises(SystemExit):
            run([command, "--help"])
        said = capsys.readouterr().out
        assert found_in(said) == [], command
        assert not re.search(r"\w:\w", said.replace("default:", "")), command


def test_the_search_sees_what_is_wrong():
    for bad in (
        "aliased",
        "x -1.5",
        "0.1234567",
        "worth_noticing",
        "`x`",
        "is nan",
        "agreement 0.76",
    ):
        assert found_in(bad), bad
    assert found_in("for 1 tasters")
    assert found_in("−1.5 to 2.0 on 2026-11-29 in round-1/page.html, trials next --bakes 4") == []
