"""The command line: exit statuses, messages without tracebacks, the way through a round."""

import re
import shlex
import subprocess
import sys

import pandas as pd
import pytest

from tests.deciding.small_development import first_round, scored
from trials.deciding import replanning as following
from trials.deciding.next_bakes import NothingToGainError
from trials.doors.cli import run
from trials.rounds.round import Round
from trials.rounds.scores import record_scores
from trials.show.sheets import write_sheets


def test_help_lists_the_commands(capsys):
    with pytest.raises(SystemExit) as left:
        run(["--help"])
    assert left.value.code == 0
    said = capsys.readouterr().out
    commands = "demo new plan sheets shopping timetable check fit next replan story report lab"
    for command in commands.split():
        assert re.search(rf"^ +{command}\b", said, re.MULTILINE)


def test_wrong_use_leaves_with_two(capsys):
    with pytest.raises(SystemExit) as left:
        run(["bake"])
    assert left.value.code == 2
    assert "invalid choice" in capsys.readouterr().err


def test_a_folder_without_a_round(tmp_path, capsys):
    assert run(["check", str(tmp_path)]) == 1
    assert "is not a round folder" in capsys.readouterr().err


def test_no_traceback_reaches_the_screen(tmp_path):
    table = tmp_path / "scores.csv"
    table.write_text("rest,liking\n20,n/a\n60,7\n")
    words = [sys.executable, "-m", "trials", "fit", str(table), "liking", "--factors", "rest"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    # However wide the window is
    assert " ".join(done.stderr.split()) == (
        "scores.csv, row 2, \"liking\": 'n/a' is not a number. Correct the cell, or leave it "
        "empty if nothing was scored."
    )


def test_a_table_of_ones_own(tmp_path, capsys):
    rows = [
        f"{rest},{fat},{5 + 0.05 * rest + noise}"
        for rest in (20, 60)
        for fat in ("butter", "oil")
        for noise in (0.0, 0.1, -0.1)
    ]
    table = tmp_path / "mine.csv"
    table.write_text("rest,fat,liking\n" + "\n".join(rows) + "\n")
    words = [
        "fit",
        str(table),
        "liking",
        "--factors",
        "rest",
        "--kinds",
        "fat",
        "--csv",
        str(tmp_path / "effects.csv"),
    ]
    assert run(words) == 0
    said = capsys.readouterr().out
    assert "Rest, 60 over 20: +2.0" in said
    assert (tmp_path / "effects.csv").read_text().startswith("term,level,reference,estimate")


def test_kinds_alone_and_shares_that_sum_to_one(tmp_path, capsys):
    """Columns named as kinds need not be named as factors too; shares are told by their sum."""
    rows = [
        f"{day},{rye},{100 - rye},{5 + 0.02 * rye + noise}"
        for day in (1, 2, 3)
        for rye in (10, 30, 50)
        for noise in (0.0, 0.1)
    ]
    table = tmp_path / "mine.csv"
    table.write_text("run,rye,wheat,liking\n" + "\n".join(rows) + "\n")
    assert run(["fit", str(table), "liking", "--kinds", "run"]) == 0
    assert "Run, " in capsys.readouterr().out
    assert run(["fit", str(table), "liking", "--factors", "rye", "wheat", "--kinds", "run"]) == 0
    said = capsys.readouterr().out
    assert "share" in said.lower()
    assert run(["fit", str(table), "liking", "--factors", "ryee"]) == 1
    assert 'did you mean "rye"?' in capsys.readouterr().err


def test_a_round_from_idea_to_sheets(tmp_path, capsys):
    home = str(tmp_path / "mine")
    assert run(["new", home]) == 0
    assert run(["new", home]) == 1
    assert run(["plan", home]) == 0
    assert "The plan is in" in capsys.readouterr().out
    assert run(["sheets", home]) == 0
    assert run(["check", home]) == 0
    assert "still to be entered" in capsys.readouterr().out


def test_an_idea_with_a_mistake_says_where(tmp_path, capsys):
    home = tmp_path / "mine"
    run(["new", str(home)])
    idea = home / "idea.toml"
    idea.write_text(idea.read_text(encoding="utf-8").replace("low = 16", "low = 30"), "utf-8")
    assert run(["plan", str(home)]) == 1
    said = capsys.readouterr().err
    assert said.startswith("idea.toml: ")
    assert "the low setting must be below the high one" in said


def test_scores_off_the_scale_are_refused_with_their_place(demo_copy, capsys):
    sheet = demo_copy / "tastings.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("liking")
    cells = lines[1].split(",")
    cells[place] = "11"
    lines[1] = ",".join(cells)
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert run(["check", str(demo_copy)]) == 1
    said = capsys.readouterr().err
    assert 'tastings.csv, row 2, "liking"' in said
    assert "11 is off the scale 1 to 9" in said
    assert run(["fit", str(demo_copy)]) == 1
    assert sheet.read_text(encoding="utf-8").splitlines()[1] == lines[1]


def test_fit_and_report_of_a_round(demo_copy, capsys):
    assert run(["fit", str(demo_copy), "liking"]) == 0
    assert "mattered most" in capsys.readouterr().out
    assert run(["report", str(demo_copy), "--to", str(demo_copy / "other.html")]) == 0
    assert "other.html" in capsys.readouterr().out


@pytest.fixture
def small(tmp_path, monkeypatch):
    """A small round with its scores in, seen from the folder beside it."""
    monkeypatch.chdir(tmp_path)
    return scored(first_round(tmp_path / "my round-1"))


def test_next_names_the_command_that_follows_and_it_works(small, capsys):
    assert run(["next", "my round-1", "--bakes", "4", "--action", "confirm"]) == 0
    said = capsys.readouterr().out
    assert Round.open("my round-2").plan.family == "confirmation bakes"
    command = re.search(r"Next: trials (.*)", said).group(1)
    assert shlex.split(command) == ["sheets", "my round-2"]
    assert run(shlex.split(command)) == 0
    assert run(["next", "my round-1", "--bakes", "4", "--action", "pray"]) == 1
    assert 'action is "pray"' in capsys.readouterr().err


def test_nothing_left_to_gain_is_no_failure(small, capsys, monkeypatch):
    def write_next(*_, action=None):
        raise NothingToGainError('"round 3" has confirmed rest 60 min. A round is not worth it.')

    monkeypatch.setattr(following, "write_next", write_next)
    assert run(["next", "my round-1", "--bakes", "8"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out.startswith('"round 3" has confirmed rest 60 min. A round is not worth it.')
    assert "Stop here: trials story 'my round-1'" in said.out
    assert "trials next 'my round-1' --bakes 8 --action \"fill the gaps\"" in said.out


def test_the_story_is_told_and_written(small, capsys):
    assert run(["story", "my round-1"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Spent: 1 round, 8 bakes on 1 day")
    assert "RYE GINGER SNAP" in said
    path = small.folder / "story.html"
    assert said.splitlines()[-1] == str(path.relative_to(path.parents[1]))
    page = path.read_text("utf-8")
    for piece in ("<h2>Round by round</h2>", "<h2>The recipe now</h2>", "invented"):
        assert piece in page
    assert "data:image" not in page  # one round is a point, and a point is no picture
    assert not re.search(r"(src|href)=.?https?:", page)


def test_a_story_without_scores_says_what_is_missing(tmp_path, capsys):
    one = first_round(tmp_path / "round-1")
    write_sheets(one)
    assert run(["story", str(one.folder)]) == 1
    assert capsys.readouterr().err.strip()
    assert not (one.folder / "story.html").exists()


def test_a_round_goes_on_after_a_slip(tmp_path, capsys):
    one = first_round(tmp_path / "round-1")
    write_sheets(one)
    home = str(one.folder)
    assert run(["replan", home]) == 0
    assert "--record" not in capsys.readouterr().out
    table = pd.DataFrame({"bake": ["B01"], "status": ["failed"], "reason": ["spilled half of it"]})
    record_scores(one, table.assign(taster=pd.NA, liking=float("nan")))
    assert run(["replan", home]) == 0
    said = capsys.readouterr().out
    assert "A slip, baked again: B01 (spilled half of it)." in said
    assert f"Next: trials replan {home} --record" in said
    assert len(Round.open(home).plan.rows) == 8
    assert run(["replan", home, "--record"]) == 0
    assert f"Next: trials sheets {home}" in capsys.readouterr().out
    assert len(Round.open(home).plan.rows) == 9
    assert run(["replan", home]) == 0
    assert capsys.readouterr().out == "Nothing new was entered: the plan stands as it is.\n"


def test_a_round_is_told_in_brief_and_whole_when_asked(demo_round, capsys):
    assert run(["fit", str(demo_round.folder)]) == 0
    said = capsys.readouterr().out
    assert len(said.splitlines()) < 25
    for measure in demo_round.measures:
        assert f" {measure.name}" in said
    assert "--all" in said
    assert run(["fit", str(demo_round.folder), "--all"]) == 0
    assert len(capsys.readouterr().out.splitlines()) > 25
