"""One question, one answer: whoever asks about two and three rounds gets the same.

Python, the command line, the page, the next round, the story and the round's own notebook are asked
about the same scores;
the numbers and the setting to go for must be the same in all of them. And what one command shows
rests on one reading of each sheet and one fit of each question.
"""

import ast
import html
import json
import re
import shutil
from collections import Counter

import pandas as pd
import pytest

import trials
from tests.deciding.small_development import LIKING, SHARP, first_round, scored
from trials.analysis import fitting
from trials.base.words import minus, tidy_number
from trials.deciding.replanning import write_next
from trials.doors.cli import run
from trials.doors.workplace import write_notebook
from trials.rounds import scores


@pytest.fixture(scope="module")
def line(tmp_path_factory):
    """Two rounds of sharp scores, and a third whose bakes confirm their best setting."""
    home = tmp_path_factory.mktemp("answers")
    one = scored(first_round(home / "round-1"), spreads=SHARP)
    two = scored(write_next(one, 8, action="decide"), seed=2, spreads=SHARP)
    three = scored(write_next(two, 8), seed=3, spreads=SHARP)
    assert three.plan.family == "confirmation bakes"
    return one, two, three


@pytest.fixture(params=[1, 2], ids=["two rounds", "three rounds"])
def last(request, line):
    return line[request.param]


def plain(path):
    return html.unescape(re.sub(r"<[^>]*>", " ", path.read_text(encoding="utf-8")))


def answer(round_):
    found = trials.fit(round_, "liking")
    return found, trials.recommend(found, LIKING)


def test_the_command_line_fits_what_python_fits(last, tmp_path, capsys):
    found, _ = answer(last)
    run(["fit", str(last.folder), "liking", "--csv", str(tmp_path / "effects.csv")])
    said = capsys.readouterr().out
    assert f"From {len(found.evidence.rounds)} rounds, " in said
    assert all(sentence in said for sentence in found.sentences)
    assert f"Evidence {found.evidence.digest}" in said
    written = pd.read_csv(tmp_path / "effects.csv")
    for name in ("estimate", "se", "df"):
        assert written[name].tolist() == pytest.approx(found.effects[name].tolist(), rel=1e-9)


def test_the_page_says_what_python_finds(last, tmp_path):
    found, best = answer(last)
    # On a page a minus is a minus sign, and a number keeps its unit on its line
    text = plain(trials.report(last, tmp_path / "page.html")).replace("\u00a0", " ")
    assert [one for one in found.sentences if minus(one) not in text] == []
    assert best.sentences[0] in text
    headline = text.split("What to do.")[1].split("Next.")[0].replace("\u00a0", " ")
    setting = best.sentences[0].removeprefix("Setting to go for: ").removesuffix(".")
    assert all(one in headline for one in setting.split(", "))
    assert f"Evidence {found.evidence.digest}" in text


def test_the_story_ends_with_the_setting_and_the_number_that_python_gives(last, tmp_path):
    found, best = answer(last)
    told = trials.tell(last)
    assert told.settings == best.settings
    estimate = tidy_number(float(best.expected["estimate"].iloc[0]), 2)
    assert f"liking is expected at {estimate}" in told.sentences[1]
    assert f"Evidence {found.evidence.digest}" in plain(trials.story(last, tmp_path / "story.html"))


def test_the_next_round_starts_from_the_same_setting_and_number(last):
    _, best = answer(last)
    reasons = trials.next_round(last, 8, action="fill").reasons
    estimate = tidy_number(float(best.expected["estimate"].iloc[0]), 2)
    words = best.sentences[0].removeprefix("Setting to go for: ").removesuffix(".")
    assert reasons[0].startswith(f"Setting to go for: {words}, with liking expected at {estimate}")


def shown_by_its_notebook(round_):
    """Run the cells of a round's own notebook in their order; return what each shows."""
    path = write_notebook(round_.folder, round_.name)
    names, shown = {}, {}
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            source = "".join(cell["source"])
            *before, last = ast.parse(source).body
            assert isinstance(last, ast.Expr)
            exec(compile(ast.Module(before, []), str(path), "exec"), names)
            shown[source] = eval(compile(ast.Expression(last.value), str(path), "eval"), names)
    return shown


def test_the_notebook_of_the_round_shows_what_python_finds(last, line, tmp_path, monkeypatch):
    found, best = answer(last)
    for one in line[: line.index(last) + 1]:
        shutil.copytree(one.folder, tmp_path / one.folder.name)
    monkeypatch.chdir(tmp_path / last.folder.name)
    shown = shown_by_its_notebook(trials.Round.open(tmp_path / last.folder.name))
    told = shown["work.findings()"]["liking"]
    assert told.evidence.digest == found.evidence.digest
    pd.testing.assert_frame_equal(told.effects, found.effects)
    pd.testing.assert_frame_equal(told.spoken, found.spoken)
    assert trials.recommend(told, LIKING).settings == best.settings
    page = plain(next(iter(shown["work.share()"].paths))).replace("\u00a0", " ")
    assert best.sentences[0] in page


def test_a_list_of_rounds_is_the_line_of_the_last(line):
    listed = trials.fit(list(line), "liking")
    found = trials.fit(line[-1], "liking")
    assert listed.evidence.digest == found.evidence.digest
    pd.testing.assert_frame_equal(listed.effects, found.effects)
    pd.testing.assert_frame_equal(listed.spoken, found.spoken)


def test_a_confirmed_setting_is_the_headline_of_its_round(line, tmp_path):
    three = line[-1]
    rows = three.plan.rows[three.plan.rows["role"] == "trial"]
    tried = {name: rows[name].iloc[0] for name in ("hydration", "fat", "rest")}
    _, best = answer(three)
    assert best.settings == tried
    assert trials.tell(three).settings == tried
    text = plain(trials.report(three, tmp_path / "page.html"))
    assert "Baked again, and it held." in text
    lines = text.split("What to do.")[1].split("Next.")[0]
    assert "This setting was baked again, and it held" in lines
    assert "onfirmed" not in text


class TestTheSameScores:
    """Changes that say nothing new of the bakes change no answer."""

    def test_an_empty_round_appended(self, line, tmp_path):
        for one in line[:2]:
            shutil.copytree(one.folder, tmp_path / one.folder.name)
        two = trials.Round.open(tmp_path / line[1].folder.name)
        before = trials.fit(two, "liking")
        waits = write_next(two, 6, action="fill")
        after = trials.fit(waits, "liking")
        assert after.evidence.digest == before.evidence.digest
        assert after.sentences == before.sentences
        pd.testing.assert_frame_equal(after.effects, before.effects)
        pd.testing.assert_frame_equal(after.spoken, before.spoken)

    def test_the_line_of_rounds_copied_elsewhere(self, line, tmp_path):
        for one in line:
            shutil.copytree(one.folder, tmp_path / "elsewhere" / one.folder.name)
        copied = trials.Round.open(tmp_path / "elsewhere" / line[-1].folder.name)
        here, there = trials.fit(line[-1], "liking"), trials.fit(copied, "liking")
        assert here.evidence.digest == there.evidence.digest
        assert here.summary() == there.summary()
        pd.testing.assert_frame_equal(here.spoken, there.spoken)

    def test_bakes_renamed(self, line):
        known = trials.evidence(line[-1])
        names = {bake: f"loaf {n}" for n, bake in enumerate(known.table["bake"].unique())}
        tables = [
            known.of(name).assign(bake=known.of(name)["bake"].map(names)) for name in known.rounds
        ]
        plainly = [known.of(name) for name in known.rounds]
        first, second = (
            trials.fit(given, "liking", known.factors, measure=LIKING)
            for given in (plainly, tables)
        )
        assert first.evidence.digest == second.evidence.digest
        pd.testing.assert_frame_equal(first.effects, second.effects)
        pd.testing.assert_frame_equal(first.ranking, second.ranking)

    def test_units_changed(self, line):
        """Minutes told in hours: the same effects, and the same chances."""
        known = trials.evidence(line[1])
        tables = [known.of(name) for name in known.rounds]
        rest = known.factors[2]
        hours = trials.Numeric("rest", rest.low / 60, rest.high / 60, "h")
        told = [table.assign(rest=table["rest"] / 60) for table in tables]
        first = trials.fit(tables, "liking", known.factors, measure=LIKING)
        second = trials.fit(told, "liking", [*known.factors[:2], hours], measure=LIKING)
        names = ["term", "estimate", "se", "df", "verdict"]
        pd.testing.assert_frame_equal(first.effects[names], second.effects[names], rtol=1e-6)
        pd.testing.assert_frame_equal(first.spoken[names], second.spoken[names], rtol=1e-6)
        pd.testing.assert_frame_equal(first.ranking, second.ranking, rtol=1e-6)


class TestOnce:
    """A command reads each sheet once and fits each question once, whatever it then shows."""

    @pytest.fixture
    def counted(self, line, tmp_path, monkeypatch):
        for one in line:
            shutil.copytree(one.folder, tmp_path / one.folder.name)
        read, asked = Counter(), Counter()
        reads = scores.gathered

        def gathered(round_):
            read[round_.folder.name] += 1
            return reads(round_)

        monkeypatch.setattr(scores, "gathered", gathered)
        whole = fitting.answered

        def answered(question, *, method="kenward-roger"):
            terms = tuple(term.name for term in question.proposed.terms)
            # Without a bake it is another question: whether a finding hangs on that one
            bakes = tuple(dict.fromkeys(question.table["bake"]))
            asked[question.evidence.rounds, question.response, terms, bakes] += 1
            return whole(question, method=method)

        monkeypatch.setattr(fitting, "answered", answered)
        return tmp_path / line[-1].folder.name, read, asked

    @pytest.mark.parametrize("command", ["fit", "report", "story", "next"])
    def test_one_reading_and_one_fit(self, counted, command):
        folder, read, asked = counted
        more = ["--bakes", "4"] if command == "next" else []
        assert run([command, str(folder), *more]) == 0
        assert len(asked) >= 1
        assert set(asked.values()) == {1}
        assert read == {"round-1": 1, "round-2": 1, "round-3": 1}


SUCH = re.compile(
    r"(one more such round settles|too close to call|too small to show in your kitchen)"
)


def test_every_door_says_alike_what_one_more_such_round_settles(tmp_path, capsys):
    """`fit` in brief and whole, the page, and `next`, of one and the same round."""
    round_ = scored(first_round(tmp_path / "round-1"), seed=4)
    found = trials.fit(round_, "liking")
    step = trials.next_round(round_, 8, action="fill")
    (line,) = (one for one in step.reasons if SUCH.search(one))
    clause = line.removeprefix("Of what is not settled for liking: ").removesuffix(".")
    run(["fit", str(round_.folder)])
    assert clause in " ".join(capsys.readouterr().out.split())
    page = plain(trials.report(round_, tmp_path / "page.html")).replace("\u00a0", " ")
    assert clause in page
    # And what the whole answer says of each change is the same for it
    for row in found.to_settle.itertuples():
        own = [one for one in found.sentences if one.startswith(f"{row.term.capitalize()}, ")]
        for sentence in (one for one in own if SUCH.search(one)):
            count = re.search(r"settles it in (.*? cases)", sentence)
            kind = count[1] if count else SUCH.search(sentence)[1]
            assert re.search(rf"{row.term}\b[^;]*{re.escape(kind)}", clause)
    assert not re.search(r"\d+ more bakes would", " ".join([*found.sentences, *step.reasons]))
