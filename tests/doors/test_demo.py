"""The demo: a small kitchen's round from plan to page, and what was put into it."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trials
from trials.analysis.draws import expected_draws
from trials.analysis.tasters import describe_tasters
from trials.deciding.first_lines import first_lines
from trials.deciding.story import crossing_name, final_card
from trials.doors import demo
from trials.doors.cli import run
from trials.doors.invented import drawn_scores
from trials.doors.notebook import notebooks_home
from trials.rounds.forms import read_serving
from trials.rounds.scores import record_scores


@pytest.fixture(scope="module")
def farl(tmp_path_factory):
    return demo.baked(tmp_path_factory.mktemp("farl") / "round-1")


def test_it_is_a_small_kitchen(farl):
    assert 8 <= len(farl.plan.table) <= 10
    assert farl.plan.table["day"].nunique() == 2
    assert len(farl.tasters) == 2
    assert any(taster.cooks for taster in farl.tasters)
    assert 3 <= len(farl.plan.factors) <= 4


def test_both_parents_are_baked_whole_beside_their_crossings(farl):
    ways = {demo.FORMULA.name: "oven", demo.OTHER.name: "shallow-fry"}
    weighed = farl.plan.table.set_index("bake")
    for parent in (demo.FORMULA, demo.OTHER):
        (bake,) = farl.plan.details["parents"][parent.name]
        assert weighed.loc[bake, "cooking"] == ways[parent.name]
        for ingredient in ("potato flakes", "oats"):
            assert weighed.loc[bake, ingredient] == parent.parts["dough"].get(ingredient, 0)


def test_only_what_is_fried_enters_the_pan(farl):
    sheets = (farl.folder / "bake-sheets.html").read_text(encoding="utf-8")
    fried = farl.plan.table["cooking"] == "shallow-fry"
    assert 0 < fried.sum() < len(fried)
    assert sheets.count("sunflower oil") >= fried.sum()
    days = trials.timetable(farl).tasks
    in_pan = set(days.loc[days["step"].str.contains("fry in the pan"), "bake"])
    assert in_pan == set(farl.plan.table.loc[fried, "bake"])


def test_one_bake_fails_and_has_no_score(farl):
    scored = trials.scores(farl)
    failed = scored[scored["status"] == "failed"]
    assert failed["bake"].nunique() == 1
    assert failed["liking"].isna().all()
    assert failed["reason"].str.len().gt(0).all()


def test_it_finds_what_was_put_in_and_nothing_else(farl):
    spoken = trials.fit(farl, "liking").spoken
    said = spoken[spoken["verdict"] == "matters"]
    assert list(zip(said["term"], said["level"], said["reference"], strict=True)) == [
        ("cooking", "shallow-fry", "oven")
    ]
    way = demo.TRUTH["liking"]["cooking"]
    truth = way["shallow-fry"] - way["oven"]
    assert (said["low"] < truth).all()
    assert (said["high"] > truth).all()


def test_the_next_round_is_four_bakes_more(farl):
    following = trials.next_round(farl, 4)
    new = following.plan.table[~following.plan.table["bake"].isin(farl.plan.table["bake"])]
    assert len(new) == 4


def test_the_best_is_held_to_a_parent_by_its_name(farl):
    step = trials.next_round(farl, 4, action="confirm")
    new = step.plan.table[~step.plan.table["bake"].isin(farl.plan.table["bake"])]
    names = [factor.name for factor in farl.plan.factors]
    beside = new[new["role"] == "reference"][names].drop_duplicates().to_dict("records")
    parents = trials.evidence(farl).parents
    assert set(parents) == {demo.FORMULA.name, demo.OTHER.name}
    (name,) = [name for name, own in parents.items() if beside == [own]]
    assert f"So it is held to {name}: 2 bakes of it and 2 of {name}" in repr(step)
    tried = new[new["role"] == "trial"][names].drop_duplicates().to_dict("records")
    assert tried != beside
    assert f"2 of {name} over 1 day" in first_lines({}, "", step).bake_next


def test_a_round_that_leaves_out_what_the_one_before_paid_for_has_its_list(farl):
    confirming = trials.write_next(farl, 4, action="confirm")
    bought = trials.shopping_list(confirming)
    assert farl.prices is not None
    assert set(farl.prices.per_kilogram) - set(bought["ingredient"])
    assert bought["cost (EUR)"].notna().any()


def invented(served):
    """Scores that differ by the bake, for both who taste it, and a little by the tasting."""
    rng = np.random.default_rng(4)
    of_bake = dict(zip(sorted(set(served["bake"])), rng.normal(5, 0.7, 40), strict=False))
    return (served["bake"].map(of_bake) + rng.normal(0, 0.5, len(served))).round(1)


def test_a_parent_stays_the_reference_of_later_rounds(farl, tmp_path):
    second = trials.write_next(farl, 4, action="confirm", to=tmp_path / "two")
    trials.write_sheets(second)
    demo.enter_scores(second, seed=5)
    names = [factor.name for factor in farl.plan.factors]
    table = second.plan.table
    (parent,) = table.loc[table["role"] == "reference", names].drop_duplicates().to_dict("records")
    assert parent in trials.evidence(second).parents.values()
    for action in (None, "fill the gaps", "confirm"):
        step = trials.next_round(second, 4, action=action)
        new = step.plan.table[~step.plan.table["bake"].isin(second.plan.table["bake"])]
        beside = new.loc[new["role"] == "reference", names].drop_duplicates().to_dict("records")
        assert beside in ([], [parent])
        if action == "confirm":
            assert beside
    # And what is noticeably better is better than it, not than a setting half way
    found = trials.fit(second, "liking")
    best = trials.recommend(found, found.measure)
    at_parent = expected_draws(found, pd.DataFrame([parent])).mean()
    assert best.goals[0].enough_from == pytest.approx(at_parent + best.goals[0].notice)


def test_a_parent_that_failed_is_not_held_to(tmp_path):
    round_ = demo.planned(tmp_path / "round-1")
    trials.write_sheets(round_)
    (lost,) = round_.plan.details["parents"][demo.OTHER.name]
    served = read_serving(round_)[["taster", "code", "bake"]]
    table = served.assign(status="made", reason="", liking=invented(served))
    failed = pd.DataFrame([{"bake": lost, "status": "failed", "reason": "tore"}])
    record_scores(round_, pd.concat([table[table["bake"] != lost], failed], ignore_index=True))
    step = trials.next_round(round_, 4, action="confirm")
    assert f"held to {demo.OTHER.name}" not in repr(step)
    assert "held to" in repr(step)
    assert f"1 of 10 bakes failed (tore): bake {lost}." in repr(step)


def test_a_parent_that_is_the_best_bake_is_called_by_its_name(tmp_path):
    round_ = demo.planned(tmp_path / "round-1")
    trials.write_sheets(round_)
    (best,) = round_.plan.details["parents"][demo.OTHER.name]
    served = read_serving(round_)[["taster", "code", "bake"]]
    liking = invented(served) + 2 * served["bake"].eq(best)
    record_scores(round_, served.assign(status="made", reason="", liking=liking))
    found = trials.fit(round_, "liking")
    assert f"Best bake so far for liking: {best} scored" in repr(found)
    assert f"It was {demo.OTHER.name}: cooking shallow-fry" in repr(found)


def test_the_hidden_repeats_are_scored_as_by_a_person(farl):
    """Nothing is left to enter, and the tasters are told with their repeats."""
    assert trials.check(farl).left == 0
    tidy = trials.scores(farl)
    again = tidy[(tidy["kind"] == "repeat") & (tidy["status"] == "made")]
    assert len(again) >= 2
    assert again[["liking", "tenderness"]].notna().all(axis=None)
    said = " ".join(describe_tasters(trials.fit(farl, "liking")).sentences)
    assert "Nobody tasted a bake twice" not in said
    assert "Hidden repeats put a taster's own noise at" in said


def test_a_repeat_changes_no_other_score():
    """It is drawn after all others, from the same view of the same bake."""
    plan, truth = demo.plan(), demo.KITCHEN_TRUTH
    plain = drawn_scores(plan, truth, 1)
    more = drawn_scores(plan, truth, 1, [("Ada", "B08"), ("Ben", "B02")])
    own = more[more["taster"].notna()]
    again = own[own.duplicated(["taster", "bake"])]
    assert sorted(zip(again["taster"], again["bake"], strict=True)) == [
        ("Ada", "B08"),
        ("Ben", "B02"),
    ]
    kept = more.drop(again.index).reset_index(drop=True)
    pd.testing.assert_frame_equal(kept, plain)


def test_a_crossing_is_called_by_what_it_is(farl):
    """No oat scone without oats; the parents by their own names."""
    told = trials.tell(farl)
    assert told.card.card.name == f"cross of {demo.FORMULA.name} and {demo.OTHER.name}"
    assert "OAT SCONE AND POTATO FARL" in told.card.text()
    for parent in (demo.FORMULA, demo.OTHER):
        settings = trials.evidence(farl).parents[parent.name]
        assert crossing_name(trials.evidence(farl), settings) == parent.name


def test_the_oil_in_the_pan_is_no_dough(farl):
    """Six pieces of 45 g are mixed, whether a bake is fried in a pan or not."""
    card = trials.tell(farl).card
    grams = card.formula.grams(dough=demo.BATCH.grams)
    assert (grams["part"] == "pan").any()
    mixed = grams.loc[grams["part"] != "pan", "grams"].sum()
    assert mixed == pytest.approx(6 * 45)
    assert "Makes 6 pieces of 45 g" in card.text()


def test_no_round_of_ones_own_gets_invented_scores(tmp_path):
    folder = tmp_path / "mine"
    assert run(["new", str(folder)]) == 0
    assert run(["plan", str(folder)]) == 0
    mine = trials.Round.open(folder)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    for call in (demo.planned, demo.baked, demo.large.planned, demo.large.baked):
        with pytest.raises(trials.TrialsError, match="not the demo's"):
            call(folder)
    for call in (demo.enter_scores, demo.large.enter_scores):
        with pytest.raises(trials.TrialsError, match="not the demo's"):
            call(mine)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_a_mistyped_folder_does_not_become_a_round(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(["new", "my-round"]) == 0
    for call in (demo.planned, demo.baked, demo.large.planned, demo.large.baked):
        with pytest.raises(trials.TrialsError, match='is "my-round" meant'):
            call("my-rond")
    assert [path.name for path in tmp_path.iterdir()] == ["my-round"]
    capsys.readouterr()
    assert demo.planned("oat-farl").invented
    assert "invented" in capsys.readouterr().out


def test_the_demo_does_not_run_in_a_round_or_beside_a_second_one(tmp_path):
    assert run(["new", str(tmp_path / "mine")]) == 0
    assert run(["plan", str(tmp_path / "mine")]) == 0
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert run(["demo", str(tmp_path / "mine")]) == 1
    (tmp_path / "mine").rename(tmp_path / "round-2")
    assert run(["demo", str(tmp_path)]) == 1
    with pytest.raises(trials.TrialsError, match="not the demo's"):
        demo.large.bake(trials.Round.open(tmp_path / "round-2"))
    after = {path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert after == set(before.values())


def test_the_card_lists_no_step_that_its_setting_does_not_have(farl):
    row = farl.plan.table[farl.plan.table["cooking"] == "oven"].iloc[0]
    settings = {factor.name: row[factor.name] for factor in farl.plan.factors}
    others = [
        step.name
        for step in demo.STEPS
        if step.only_when and settings[step.only_when[0]] not in step.only_when[1]
    ]
    assert others
    told = " ".join(final_card(farl, settings).process).casefold()
    assert "mix and shape" in told
    assert not [name for name in others if f"{name}, " in told]


@pytest.mark.notebook
def test_it_hands_out_notebooks_as_they_ran(tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(trials.__file__).parents[1]))
    said = []
    demo.run(tmp_path / "demo", said.append)
    paths = [*(tmp_path / "demo").glob("*.ipynb"), tmp_path / "demo" / "round-1" / "round.ipynb"]
    assert {path.name for path in paths} >= {path.name for path in notebooks_home().glob("*.ipynb")}
    for path in paths:
        cells = json.loads(path.read_text("utf-8"))["cells"]
        assert any(cell.get("outputs") for cell in cells)
        assert path.with_suffix(".html").is_file()
