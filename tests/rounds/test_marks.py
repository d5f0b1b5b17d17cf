"""The mark of a round: blind to how things are shown, true to what was planned."""

from dataclasses import replace

import pandas as pd
import pytest

import trials
from tests.deciding.small_development import LIKING, first_round
from tests.rounds.tasted_round import data_of, page_of
from trials.core.factors import Categorical, Numeric
from trials.deciding.replanning import replan
from trials.doors.server import Expected, refusal
from trials.rounds import forms as marks
from trials.rounds.forms import added_bakes, older_marks, read_serving, round_mark
from trials.rounds.scores import check, record_scores, scores

HYDRATION = "hydration"


@pytest.fixture
def one(tmp_path):
    made = first_round(tmp_path / "round-1")
    trials.write_sheets(made)
    return made


def sheet(round_, kind="tastings"):
    return (round_.folder / f"{kind}.csv").read_text("utf-8")


def drop(round_, text, name="from-Ada.csv"):
    folder = round_.folder / "incoming"
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(text, "utf-8")


def scored(text, lost=()):
    """The tasters' sheet as it was handed out, with 7 entered for each code that was not lost."""
    head, *lines = text.splitlines()
    code, liking = (head.split(",").index(name) for name in ("code", "liking"))
    rows = [line.split(",") for line in lines]
    for row in rows:
        row[liking] = "" if row[code] in lost else "7"
    return "\n".join([head, *(",".join(row) for row in rows)]) + "\n"


def slipped(round_):
    """The round after two bakes, one of which was a slip, with its change recorded."""
    bakes = round_.plan.table["bake"].tolist()[:2]
    own = pd.DataFrame({"bake": bakes, "taster": pd.NA, "liking": float("nan")})
    own["status"], own["reason"] = ["made", "failed"], ["", "mis-weighed the butter"]
    record_scores(round_, own)
    replan(round_, record=True)
    return trials.Round.open(round_.folder)


def test_how_settings_are_shown_does_not_matter(one, monkeypatch):
    before = round_mark(one)
    monkeypatch.setattr(Numeric, "show", lambda self, value: f"{value} of {self.unit}")
    monkeypatch.setattr(Categorical, "show", lambda self, value: f"kind {value}")
    assert round_mark(one) == before


def test_the_order_of_the_bakes_does_not_matter(one):
    turned = replace(one.plan, rows=one.plan.table.iloc[::-1].reset_index(drop=True))
    assert round_mark(replace(one, plan=turned)) == round_mark(one)


@pytest.mark.parametrize("change", ["setting", "factor", "seed", "name", "bakes"])
def test_any_other_plan_has_another_mark(one, change):
    rows = one.plan.table
    changed = {
        "setting": lambda: replace(
            one,
            plan=replace(one.plan, rows=rows.assign(hydration=rows[HYDRATION].iloc[::-1].values)),
        ),
        "factor": lambda: replace(
            one,
            plan=replace(
                one.plan,
                factors=(replace(one.plan.factors[0], name="water"), *one.plan.factors[1:]),
                rows=rows.rename(columns={HYDRATION: "water"}),
            ),
        ),
        "seed": lambda: replace(one, seed=one.seed + 1),
        "name": lambda: replace(one, name="another"),
        "bakes": lambda: replace(one, plan=trials.design.repeat(one.plan, "B02")),
    }[change]()
    assert round_mark(changed) != round_mark(one)
    assert round_mark(changed) not in older_marks(one)


def test_a_sheet_of_another_plan_is_refused(one, tmp_path):
    rows = one.plan.table
    other = trials.Round.create(
        tmp_path / "other",
        plan=replace(one.plan, rows=rows.assign(rest=rows["rest"].iloc[::-1].to_numpy())),
        measures=[LIKING],
        tasters=one.tasters,
        seed=one.seed,
        name=one.name,
    )
    trials.write_sheets(other)
    drop(one, sheet(other))
    (problem,) = check(one)
    assert "belongs to another round" in str(problem)


def test_a_replanned_round_keeps_its_mark(one):
    before = round_mark(one)
    changed = slipped(one)
    assert added_bakes(changed.plan) == {"B09"}
    assert round_mark(changed) == before


def lost_codes(round_):
    """The codes of the second bake, which comes to nothing in these tests."""
    serving = read_serving(round_)
    return set(serving.loc[serving["bake"] == round_.plan.table["bake"][1], "code"])


def test_ballots_handed_out_before_a_replan_are_read_after_it(one):
    lost = lost_codes(one)
    handed_out = scored(sheet(one), lost)
    before = read_serving(one).set_index(["taster", "code"])["place"]
    changed = slipped(one)
    trials.write_sheets(changed)
    after = read_serving(changed).set_index(["taster", "code"])["place"]
    stay = before.index.intersection(after.index)
    assert {code for _, code in before.index.difference(stay)} == lost  # nobody is asked for them
    assert (after.loc[stay] != before.loc[stay]).any()  # others moved to make room
    drop(changed, handed_out)
    assert not check(changed)
    assert sum("before the round was replanned" in str(note) for note in check(changed).notes) == 1
    found = scores(changed).dropna(subset="liking")
    assert sorted(found["code"]) == sorted(set(before.reset_index()["code"]) - lost)


def test_a_place_that_no_plan_ever_gave_is_refused_after_a_replan(one):
    changed = slipped(one)
    trials.write_sheets(changed)
    head, *lines = scored(sheet(changed), lost_codes(changed)).splitlines()
    place = head.split(",").index("place")
    last = lines[-1].split(",")
    last[place] = str(int(last[place]) - 2)
    drop(changed, "\n".join([head, *lines[:-1], ",".join(last)]) + "\n")
    (problem,) = check(changed)
    assert problem.place.column == "place"


def test_the_cooks_sheet_from_before_a_replan_is_read_in_place_of_the_new_one(one):
    old = sheet(one, "bakes")
    changed = slipped(one)
    trials.write_sheets(changed)
    (changed.folder / "bakes.xlsx").unlink()
    (changed.folder / "bakes.csv").write_text(old, "utf-8")
    # What was entered went with the workbook, and that alone is to be mended
    (gone,) = check(changed)
    assert "bakes.xlsx: gone; a copy lies in received/" in str(gone)
    assert any("no row for B09" in str(note) for note in check(changed).notes)
    lines = old.splitlines(keepends=True)
    (changed.folder / "bakes.csv").write_text("".join(lines[:-1]), "utf-8")
    gone, rows = sorted(map(str, check(changed)), key=lambda one: "rows can not" in one)
    assert "bakes.xlsx: gone" in gone
    assert "rows can not be found" in rows


def test_phone_ballots_sent_after_a_replan_are_taken(one):
    ballot = data_of(page_of(one, "Ada").read_text("utf-8"))
    changed = slipped(one)
    expected = Expected(
        "Ada",
        tuple(ballot["columns"]),
        older_marks(changed) | {round_mark(changed)},
        frozenset(read_serving(changed).query("taster == 'Ada'")["code"]),
    )
    head, line = ",".join(ballot["columns"]), dict.fromkeys(ballot["columns"], "")
    line |= {"taster": "Ada", "code": ballot["samples"][0]["code"], "round": ballot["mark"]}
    assert refusal(f"{head}\n{','.join(line.values())}\n".encode(), expected) == ""
    line["round"] = "rbbbbbbbb"
    assert "another round" in refusal(f"{head}\n{','.join(line.values())}\n".encode(), expected)


@pytest.mark.parametrize("close", [False, True])
def test_sheets_that_an_earlier_version_wrote_are_read(one, monkeypatch, close):
    # That version hashed name, seed, bakes in their order and settings as shown, "60%" or "60 %"
    rows = one.plan.rows
    lines = [one.name, str(one.seed), "|".join(rows["bake"])]
    for factor in one.plan.factors:
        shown = [factor.show(value) for value in rows[factor.name]]
        lines.append("|".join(text.replace(" %", "%") if close else text for text in shown))
    older = marks._letters(lines)
    assert older != round_mark(one)
    handed_out = scored(sheet(one)).replace(round_mark(one), older)
    drop(one, handed_out)
    assert not check(one)
    found = scores(one)
    assert (found["liking"] == 7).sum() == handed_out.count("\n") - 1
