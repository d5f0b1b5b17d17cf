"""The cook alone: blind where they blinded themselves, else told as not blind, never silently."""

import re

import openpyxl
import pandas as pd
import pytest

import trials
from tests.rounds.small_idea import begun
from trials.doors.cli import run
from trials.rounds.forms import read_serving

EFFECT = {"butter": 8.0, "lard": 3.0}  # invented: far apart, so that it would matter


@pytest.fixture
def folder(tmp_path):
    """The short questions as they come: eight bakes and two references, the cook tastes alone."""
    folder = tmp_path / "r"
    begun(folder)
    idea = folder / "idea.toml"
    idea.write_text("seed = 1\n" + idea.read_text(encoding="utf-8"), encoding="utf-8")
    assert run(["plan", str(folder)]) == run(["sheets", str(folder)]) == 0
    return folder


def entered(folder, blind):
    """Enter a score for every piece, and what is said of its blindness."""
    round_ = trials.Round.open(folder)
    bake_of = read_serving(round_).set_index("code")["bake"]
    fat = round_.plan.table.set_index("bake")["fat"]
    path = folder / "tastings.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    scores = [EFFECT[fat[bake_of[code]]] + (place % 3 - 1) for place, code in enumerate(table.code)]
    table["liking"] = [f"{score:g}" for score in scores]
    table["blind"] = [blind(place) for place in range(len(table))]
    table.to_csv(path, index=False)
    assert run(["check", str(folder)]) == 0
    return round_


def test_what_was_tasted_blind_is_told_as_ever(folder, capsys):
    round_ = entered(folder, lambda place: "yes")
    found = trials.fit(round_, "liking")
    assert "matters" in set(found.spoken["verdict"])
    assert "blind" not in " ".join(found.sentences).casefold()


def test_known_bakes_are_told_and_marked_and_nothing_matters(folder, capsys):
    round_ = entered(folder, lambda place: "no")
    table = trials.scores(round_)
    assert len(table[table["liking"].notna()]) == len(read_serving(round_))
    assert not table["blind"].any()
    found = trials.fit(round_, "liking")
    assert found.sentences[0].startswith("Not blind: Taster 1 knew which bake it was")
    for told in (found.spoken, found.effects):
        assert set(told["verdict"]) == {"not settled"}
    fat = found.spoken.query("term == 'fat'")
    assert abs(float(fat["estimate"].iloc[0])) > 4
    capsys.readouterr()
    assert run(["fit", str(folder)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Not blind:")
    assert "Matters" not in said
    page = trials.report(round_).read_text(encoding="utf-8")
    assert "Not blind: Taster 1" in page


def test_the_next_step_is_a_blind_pair(folder, capsys):
    entered(folder, lambda place: "no")
    capsys.readouterr()
    assert run(["next", str(folder), "--bakes", "4"]) == 0
    said = capsys.readouterr().out
    assert "not given blind" in said
    assert "a blind pair" in said
    after = trials.Round.open(folder.parent / "r-2")
    assert after.plan.count("reference") == 2 == after.plan.count()


def test_an_unanswered_question_does_not_count_as_blind(folder, capsys):
    round_ = entered(folder, lambda place: "")
    said = capsys.readouterr().out
    assert "it is not said whether it was blind" in said
    assert 'write "yes" beside each that was' in said
    count = len(trials.scores(round_)["code"].dropna())
    assert f"{count} things are still to be said: whether " in said
    assert "Nothing to mend" not in said
    assert trials.fit(round_, "liking").sentences[0].startswith("Not blind:")


def test_where_some_were_blind_the_others_are_kept_apart(folder, capsys):
    round_ = entered(folder, lambda place: ["yes", "no", ""][min(place, 2)] if place < 3 else "yes")
    table = trials.scores(round_)
    assert "blind" not in table
    apart = pd.read_csv(folder / "scores-not-blind.csv")
    assert len(apart) == 2
    assert len(table[table["liking"].notna()]) == len(read_serving(round_)) - 2


def test_the_sheets_show_how_to_blind_oneself(folder):
    key = (folder / "code-sheet.html").read_text(encoding="utf-8")
    assert "Blind yourself" in key
    # To the cook who is alone, "stop here" would be the end of it
    assert key.index("shows how to blind yourself") < key.index("Blind yourself")
    assert key.index("Shuffle the plates") < key.index(">B01<")
    ballot = (folder / "ballots" / "ballot-Taster-1.html").read_text(encoding="utf-8")
    assert "did you plate it yourself?" in ballot
    notes = (folder / "serving-notes.txt").read_text(encoding="utf-8")
    assert "codes under the plates, shuffled, tasted before looking" in notes


def test_scores_handed_on_stay_blind(folder):
    round_ = entered(folder, lambda place: "yes")
    table = trials.scores(round_)
    from trials.rounds.scores import record_scores

    record_scores(round_, table)
    assert trials.scores(round_).equals(table)


def together(pairs, path):
    """Return the bakes and codes that a file names side by side, whatever it is written in."""
    if path.suffix == ".xlsx":
        pages = openpyxl.load_workbook(path, read_only=True).worksheets
        rows = [row for page in pages for row in page.iter_rows(values_only=True)]
        text = "\n".join(" ".join(str(one) for one in row if one is not None) for row in rows)
    else:
        text = re.sub(r"<[^>]+>", " ", path.read_bytes().decode("utf-8", "replace"))
    return [
        (bake, code)
        for bake, code in pairs
        if re.search(rf"\b{bake}\W{{1,80}}{code}\b|\b{code}\W{{1,80}}{bake}\b", text)
    ]


def test_what_is_to_be_printed_stands_first_and_the_key_last_and_closed(folder, capsys):
    assert run(["sheets", str(folder)]) == 0
    listed = [one for one in capsys.readouterr().out.splitlines() if one.startswith(str(folder))]
    names = [one.removeprefix(f"{folder}/").split("  ")[0] for one in listed]
    assert names[0] == "bake-sheets.html"
    assert names.index("ballots/ballot-Taster-1.html") < names.index("tastings.xlsx")
    assert names.index("tastings.xlsx") < names.index("tastings.csv")
    assert names[-2:] == ["code-sheet.html", "serving.csv"]
    assert "keep closed until the scores are in" in listed[-1]
    # Whatever else is written names no bake beside its code
    keys = read_serving(trials.Round.open(folder))
    pairs = list(zip(keys["bake"].astype(str), keys["code"].astype(str), strict=True))
    told = {name: together(pairs, folder / name) for name in names}
    assert all(told[name] for name in names[-2:])  # where the key is, it is found
    assert {name: both for name, both in told.items() if both and name not in names[-2:]} == {}
