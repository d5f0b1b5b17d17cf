"""How far a thing is, seen by whoever watches; and a person who stops it loses nothing."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import trials
from trials.base import keeping, progress
from trials.deciding import replanning
from trials.doors.cli import run
from trials.doors.notebook import run_notebooks

REST = trials.Numeric("rest", 20, 60, "min")
FAT = trials.Numeric("fat", 5, 15, "%")


def at_a_terminal(monkeypatch, *, seconds=0.0):
    """Let bars be seen, and after so many seconds."""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setattr(progress, "PATIENCE", seconds)


def rehearsed():
    plan = trials.design.full_factorial([REST, FAT], seed=1)
    return trials.rehearse(plan, {"rest": 1.0}, rounds=3, seed=1)


def test_a_bar_goes_to_the_terminal_and_nowhere_else(monkeypatch, capsys):
    at_a_terminal(monkeypatch)
    rehearsed()
    seen = capsys.readouterr()
    assert "Rehearsing" in seen.err
    assert "%" in seen.err
    assert seen.out == ""
    monkeypatch.setattr("sys.stderr.isatty", lambda: False)
    rehearsed()
    assert capsys.readouterr().err == ""


def test_what_is_quick_shows_no_bar(monkeypatch, capsys):
    at_a_terminal(monkeypatch, seconds=60.0)
    rehearsed()
    assert capsys.readouterr().err == ""


def test_only_the_whole_shows_a_bar_not_its_parts(monkeypatch, capsys):
    at_a_terminal(monkeypatch)
    with progress.under_way("The whole", 2) as done:
        list(progress.steps([1, 2], "A part"))
        done(2)
    said = capsys.readouterr().err
    assert "The whole" in said
    assert "A part" not in said


def test_the_page_says_how_far_it_is(demo_copy, monkeypatch, capsys):
    at_a_terminal(monkeypatch)
    trials.report(demo_copy)
    assert "Writing the page" in capsys.readouterr().err


def contents(folder: Path) -> dict[str, bytes]:
    return {
        one.relative_to(folder).as_posix(): one.read_bytes()
        for one in sorted(folder.rglob("*"))
        if one.is_file()
    }


def test_a_stopped_command_says_what_is_kept_and_leaves_with_130(demo_copy, monkeypatch, capsys):
    monkeypatch.setattr(keeping, "_written", [])
    before = contents(demo_copy)

    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(replanning, "next_round", stop)
    assert run(["next", str(demo_copy), "--bakes", "4"]) == 130
    said = capsys.readouterr().err
    assert "Traceback" not in said
    after = contents(demo_copy)
    new = {name for name in after if name not in before and not name.startswith("received/")}
    if new or any(after[name] != before[name] for name in before):
        assert "Written by then, and whole" in said
        assert all(name in said for name in new)
    else:
        assert "Stopped. Nothing was written; everything is as it was." in said
    assert len(trials.check(demo_copy)) == 0


def test_what_was_written_before_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr(keeping, "_written", [])
    assert "Nothing was written" in keeping.stopped()
    keeping.put(tmp_path / "plan.csv", b"bake")
    assert keeping.stopped() == 'Stopped. Written by then, and whole: "plan.csv".'


def test_a_step_that_is_decided_is_finished_before_the_program_stops(tmp_path, monkeypatch):
    """Ctrl-C between two files of one step leaves both new, never one of them."""
    real, calls = os.replace, []

    def replaced(source, target):
        calls.append(target)
        if Path(target).name == "two.csv" and sum("two.csv" in str(one) for one in calls) == 1:
            raise KeyboardInterrupt
        return real(source, target)

    monkeypatch.setattr(os, "replace", replaced)

    def both():
        with keeping.one_step(tmp_path):
            keeping.put(tmp_path / "one.csv", b"new")
            keeping.put(tmp_path / "two.csv", b"new")

    with pytest.raises(KeyboardInterrupt):
        both()
    assert [(tmp_path / name).read_bytes() for name in ("one.csv", "two.csv")] == [b"new"] * 2
    assert not list(tmp_path.glob(".*step*"))


def test_the_notebook_of_a_round_says_what_is_kept(demo_copy, monkeypatch):
    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(keeping, "_written", [])
    monkeypatch.setattr("trials.rounds.scores.check", stop)
    assert "Stopped. Nothing was written" in repr(trials.workplace(demo_copy).check())


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals of a terminal")
def test_ctrl_c_in_the_middle_of_a_page(demo_copy):
    """A real signal while the page is made: no traceback, the page of before stays whole."""
    page = (demo_copy / "page.html").read_bytes()
    command = [sys.executable, "-m", "trials", "report", str(demo_copy)]
    root = str(Path(trials.__file__).parents[1])
    child = subprocess.Popen(
        command, stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": root}
    )
    # Once what was read is kept, the long part begins
    end = time.monotonic() + 120
    reading = demo_copy / "received"
    count = len(list(reading.iterdir()))
    while child.poll() is None and len(list(reading.iterdir())) == count:
        assert time.monotonic() < end
        time.sleep(0.05)
        if (demo_copy / "scores.csv").exists() and time.monotonic() > end - 118:
            break
    child.send_signal(signal.SIGINT)
    said = child.communicate(timeout=120)[1]
    # While a library is loaded Python itself ends by the signal, which a shell calls 130 as well
    assert child.returncode in (130, -signal.SIGINT), said
    assert "Stopped." in said
    assert "Traceback" not in said
    assert (demo_copy / "page.html").read_bytes() == page
    assert not list(demo_copy.glob(".trials-*"))
    assert len(trials.check(demo_copy)) == 0


def test_no_notebook_is_nothing_to_run():
    assert run_notebooks([]) == []
