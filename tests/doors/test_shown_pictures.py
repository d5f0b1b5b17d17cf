"""A timetable and a story show themselves in a notebook as pictures, each told in words."""

import re
import subprocess
import sys
from html import unescape

import pytest
from IPython.core.interactiveshell import InteractiveShell

import trials
from tests.deciding.small_development import first_round, scored
from trials.base.offered import shown_by
from trials.show.notebook import findings_html, story_html

SHOWN = """
from IPython.core.interactiveshell import InteractiveShell
shell = InteractiveShell.instance()
import sys, trials
heavy = {"matplotlib", "pandas"} & set(sys.modules)
plan = trials.design.full_factorial([trials.Numeric("rest", 20, 60, "min")], replicates=4, days=2,
                                    seed=1)
made = trials.timetable(plan, [trials.Step("bake", 20, "oven")], trials.Kitchen())
print(sorted(heavy))
print(shell.display_formatter.format(made)[0]["text/html"])
"""


def test_a_timetable_shows_a_picture_of_every_day():
    done = subprocess.run([sys.executable, "-c", SHOWN], capture_output=True, text=True, check=True)
    heavy, html = done.stdout.split("\n", 1)
    assert heavy == "[]", "importing the package in a notebook loads nothing of weight"
    told = [unescape(one) for one in re.findall(r'<img alt="([^"]*)"[^>]* src="data:image', html)]
    assert [one.split(":")[0] for one in told] == ["Day 1", "Day 2"]
    assert "<table" in html


@pytest.fixture(scope="module")
def shell():
    made = InteractiveShell()
    shown_by(made, {("trials.deciding.story", "Story"): story_html})
    return made


def test_findings_show_each_change_at_each_setting_of_the_other(tmp_path):
    found = trials.fit(scored(first_round(tmp_path / "round-1")), "liking")
    html = findings_html(found)
    assert len(re.findall('<img alt="', html)) == 1
    assert "half the change" not in html
    text = re.sub("<[^>]+>", " ", html)
    assert all(" ".join(one.split()) in " ".join(unescape(text).split()) for one in found.sentences)


def test_a_story_shows_its_course_from_the_second_round_on(shell, tmp_path):
    first = scored(first_round(tmp_path / "round-1"))
    alone = trials.tell(first)
    assert "<img" not in story_html(alone)
    second = scored(trials.write_next(first, 4), seed=2)
    told = trials.tell(second)
    html = shell.display_formatter.format(told)[0]["text/html"]
    (alt,) = re.findall(r'<img alt="([^"]*)"', html)
    assert unescape(alt).startswith("After round 1")
    assert told.sentences[0].split(" ")[0] in html
    assert html.count("<table") >= 1
