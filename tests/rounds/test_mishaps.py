"""Ordinary mishaps told in words that are true."""

import re

import pandas as pd
import pytest

import trials
from tests.rounds.small_idea import begun
from trials.doors.cli import run
from trials.rounds.forms import read_serving


@pytest.fixture
def folder(tmp_path, capsys):
    """Ten bakes made and scored by a taster who does not cook."""
    folder = tmp_path / "r"
    begun(folder)
    idea = folder / "idea.toml"
    text = idea.read_text(encoding="utf-8").replace("cooks = true", "cooks = false")
    idea.write_text("seed = 1\n" + text, encoding="utf-8")
    assert run(["plan", str(folder)]) == run(["sheets", str(folder)]) == 0
    change(folder / "bakes.csv", status="made")
    scored = [str(6 + place % 2) for place in range(len(pd.read_csv(folder / "tastings.csv")))]
    change(folder / "tastings.csv", liking=scored)
    assert run(["check", str(folder)]) == 0
    capsys.readouterr()
    return folder


def change(path, row=None, **values):
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    for name, value in values.items():
        table.loc[slice(None) if row is None else row, name.replace("_", " ")] = value
    table.to_csv(path, index=False)


def test_a_sheet_that_is_gone_is_called_so_and_put_back(folder, capsys):
    content = (folder / "bakes.csv").read_bytes()
    (folder / "bakes.csv").unlink()
    assert run(["check", str(folder)]) == 1
    said = capsys.readouterr().err
    assert "bakes.csv: gone; a copy lies in received/" in said
    kept = said.split("received/")[1].split()[0].rstrip(".;,")
    assert (folder / "received" / kept).read_bytes() == content
    assert run(["sheets", str(folder)]) == 0
    assert run(["check", str(folder)]) == 0
    assert set(trials.scores(trials.Round.open(folder))["status"]) == {"made"}


def test_a_sheet_whose_entries_stand_elsewhere_is_not_missed(folder):
    (folder / "incoming").mkdir(exist_ok=True)
    (folder / "bakes.csv").rename(folder / "incoming" / "from-the-cook.csv")
    assert run(["check", str(folder)]) == 0


def test_a_serving_table_that_is_gone_comes_back_with_the_same_codes(folder):
    round_ = trials.Round.open(folder)
    trials.replan(round_, record=True, joins="Cy")
    before = read_serving(trials.Round.open(folder))
    (folder / "serving.csv").unlink()
    assert run(["check", str(folder)]) == 0
    assert run(["sheets", str(folder)]) == 0
    assert read_serving(trials.Round.open(folder)).equals(before)
    assert (folder / "serving.csv").is_file()


def test_a_plan_edited_by_hand_says_what_differs(folder, capsys):
    plan = pd.read_csv(folder / "plan.csv", dtype=str, keep_default_na=False)
    at = plan.index[plan["hydration"] == "24"][0]
    change(folder / "plan.csv", at, hydration="21")
    assert run(["check", str(folder)]) == 1
    said = capsys.readouterr().err
    assert f'plan.csv, row {at + 2}, "hydration"' in said
    assert "'21' stands where '24' was written" in said
    # Meant: the line is taken out, and the sheets of before name the one cell that differs
    path = folder / "round.toml"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(x for x in lines if not x.startswith('"plan.csv"')), encoding="utf-8")
    assert run(["check", str(folder)]) == 1
    said = capsys.readouterr().err
    assert "another round" not in said
    assert "was changed to '24'; expected 21" in said


@pytest.mark.parametrize("word", ["n/a", "-", "?", "–", "N/A"])
def test_a_word_for_nothing_counts_as_empty_with_a_note(folder, capsys, word):
    change(folder / "tastings.csv", 0, liking=word)
    assert run(["check", str(folder)]) == 0
    said = capsys.readouterr().out
    assert f"'{word}' counts as empty." in said
    assert "1 still to be entered" in said


def test_a_workbook_that_is_open_is_named_and_not_written_over(folder, capsys):
    (folder / ".~lock.tastings.xlsx#").write_text("somebody", encoding="utf-8")
    assert run(["check", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "tastings.xlsx: this is open in a spreadsheet" in said
    assert run(["replan", str(folder), "--joins", "Cy", "--record"]) == 1
    assert "close it" in capsys.readouterr().err
    (folder / ".~lock.tastings.xlsx#").unlink()
    assert run(["replan", str(folder), "--joins", "Cy", "--record"]) == 0


def test_the_album_shows_what_was_really_done(folder):
    plan = pd.read_csv(folder / "plan.csv")
    at = plan.index[plan["hydration"] == 24][0]
    change(folder / "bakes.csv", at, actual_hydration="21")
    assert run(["album", str(folder)]) == 0
    page = (folder / "album.html").read_text(encoding="utf-8")
    assert "hydration 21 % (planned 24 %)" in page


def test_counts_of_failed_bakes_agree_on_a_page(folder):
    """Two failed and one was not baked: two of the seven that were made, wherever it stands."""
    round_ = trials.Round.open(folder)
    own = list(round_.plan.table.index[round_.plan.table["role"] == "trial"])
    lost = round_.plan.table.loc[own[:3], "bake"].tolist()
    change(folder / "bakes.csv", own[:2], status="failed", reason="raw core")
    change(folder / "bakes.csv", own[2], status="not baked", reason="no time")
    bake_of = read_serving(round_).set_index("code")["bake"]
    codes = pd.read_csv(folder / "tastings.csv", dtype=str)["code"]
    change(folder / "tastings.csv", [bake_of[code] in lost for code in codes], liking="")
    assert run(["check", str(folder)]) == 0
    page = trials.report(round_).read_text(encoding="utf-8")
    told = " ".join([page, *trials.fit(round_, "liking").summary()])
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", told))
    counts = re.findall(r"(\d+) of (\d+) bakes failed", text)
    assert set(counts) == {("2", "7")}
    assert len(counts) > 1
