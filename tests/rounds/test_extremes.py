"""A bake of the extremes first: suggested, its outcome read, the limits moved before the round."""

import re
from dataclasses import replace

import pandas as pd
import pytest

import trials
from tests.rounds.small_idea import begun
from trials.design.crossings import with_parents
from trials.design.layout import lay_out
from trials.doors.cli import run
from trials.rounds.extremes import extremes, limit_of, suggested
from trials.show.bake_sheets import for_the_extremes


@pytest.fixture
def folder(tmp_path, capsys):
    folder = tmp_path / "r"
    begun(folder)
    idea = folder / "idea.toml"
    idea.write_text("seed = 1\n" + idea.read_text(encoding="utf-8"), encoding="utf-8")
    assert run(["plan", str(folder)]) == 0
    return folder


def outcome(folder, bake, status, reason="", limit=""):
    path = folder / "extremes.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    row = table["bake"] == bake
    table.loc[row, ["status", "reason", "limit"]] = [status, reason, limit]
    table.to_csv(path, index=False)


def test_the_plan_names_the_wettest_and_the_driest(folder, capsys):
    said = capsys.readouterr().out
    plan = trials.Round.open(folder).plan
    most, least = extremes(plan)
    rows = plan.table.set_index("bake")["hydration"]
    assert (rows[most], rows[least]) == (24, 16)
    assert f"{most} (hydration 24 %" in said
    assert f"{least} (hydration 16 %" in said
    assert run(["sheets", str(folder)]) == 0
    sheet = (folder / "shopping-list.html").read_text(encoding="utf-8")
    assert "bake its extremes once" in sheet
    # Each bake weighs 500 g, and a tenth is to spare; every amount is rounded up to a gram
    capsys.readouterr()
    assert run(["shopping", str(folder)]) == 0
    (line,) = (one for one in capsys.readouterr().out.splitlines() if one.startswith("On top"))
    assert line in sheet
    assert f"({most} and {least})" in line
    listed = dict(re.findall(r"([a-z][a-z ]+?) (\d+) g", line.partition("spare: ")[2]))
    assert sum(map(int, listed.values())) == pytest.approx(2 * 500 * 1.1, abs=len(listed))
    table = pd.read_csv(folder / "extremes.csv")
    assert list(table["bake"]) == [most, least]


def test_less_flour_is_the_bold_end():
    flour = trials.Numeric("flour", 80, 100, "%", changes=("grams", "bread flour"))
    plan = trials.design.full_factorial([flour], replicates=3, seed=1)
    most, _ = extremes(plan)
    assert plan.table.set_index("bake")["flour"][most] == 80


@pytest.mark.parametrize("seed", range(1, 5))
def test_the_mildest_is_not_one_that_is_fried_and_each_is_named_for_what_it_is(tmp_path, seed):
    """Potato brings the water, rye and the cooking vary: a dry dough in hot fat is not mild."""
    potato = trials.Numeric("potato", 0, 60, "%", changes=("percent", "potatoes"))
    cooking = trials.Categorical("cooking", ["oven", "deep-fried"])
    plan = trials.design.full_factorial([potato, cooking], replicates=2, seed=seed)
    roll = trials.Formula("roll", {"bread flour": 100, "water": 60, "potatoes": 30, "salt": 2})
    one = trials.Round.create(
        tmp_path / "one", plan=plan, measures=[trials.Measure("liking", "hedonic 9")], formula=roll
    )
    most, least = extremes(one.plan, one.formulas)
    rows = one.plan.table.set_index("bake")
    assert tuple(rows.loc[most, ["potato", "cooking"]]) == (60, "deep-fried")
    assert tuple(rows.loc[least, ["potato", "cooking"]]) == (0, "oven")
    water = {bake: formula.totals()["hydration"] for bake, formula in one.formulas.items()}
    assert water[most] == max(water.values())
    said = suggested(one)[0]
    assert re.search(rf"{most} \([^)]*\), the wettest and fried: ", said)
    assert re.search(rf"{least} \([^)]*\), the driest: ", said)


def test_a_round_without_a_formula_has_its_extremes_too(tmp_path):
    oven = trials.Numeric("oven", 180, 220, "°C")
    plan = trials.design.full_factorial([oven], replicates=3, seed=1)
    liking = [trials.Measure("liking", "hedonic 9")]
    one = trials.Round.create(tmp_path / "one", plan=plan, measures=liking)
    assert "the hottest: " in suggested(one)[0]


def test_a_failed_extreme_moves_the_limit_before_the_round(folder, capsys):
    assert run(["sheets", str(folder)]) == 0
    most, _ = extremes(trials.Round.open(folder).plan)
    outcome(folder, most, "failed", "too wet, ran off the tray")
    capsys.readouterr()
    assert run(["check", str(folder)]) == 0
    assert "hydration would end at 22 %" in capsys.readouterr().out
    assert run(["replan", str(folder), "--record"]) == 0
    said = capsys.readouterr().out
    assert f"Failed before the round began: {most}." in said
    assert "hydration: 16 % to 22 % from here on." in said
    plan = trials.Round.open(folder).plan
    assert plan.table["hydration"].max() == 22
    assert run(["sheets", str(folder)]) == 0
    capsys.readouterr()
    assert run(["check", str(folder)]) == 0
    assert "would end" not in capsys.readouterr().out
    # Asked again, nothing moves twice; and the idea does not take the change back
    assert run(["replan", str(folder), "--record"]) == 0
    assert trials.Round.open(folder).plan.table.equals(plan.table)
    assert run(["plan", str(folder)]) == 1
    assert "extremes.csv" in capsys.readouterr().err


def test_the_baker_says_how_far(folder):
    assert run(["sheets", str(folder)]) == 0
    most, least = extremes(trials.Round.open(folder).plan)
    outcome(folder, most, "failed", "ran", "hydration=..20")
    outcome(folder, least, "made")
    plan = trials.replan(trials.Round.open(folder))
    assert plan.table["hydration"].max() == 20
    assert plan.table["hydration"].min() == 16


def test_extremes_that_came_out_leave_the_limits(folder, capsys):
    assert run(["sheets", str(folder)]) == 0
    for bake in extremes(trials.Round.open(folder).plan):
        outcome(folder, bake, "made")
    capsys.readouterr()
    assert run(["check", str(folder)]) == 0
    assert "the limits stay as planned" in capsys.readouterr().out
    plan = trials.Round.open(folder).plan
    assert trials.replan(trials.Round.open(folder)).table.equals(plan.table)


@pytest.mark.parametrize(
    ("status", "limit", "said"),
    [("eaten", "", "made or failed"), ("failed", "hydration 20", "NAME=..180")],
)
def test_what_can_not_be_read_is_named_with_its_row(folder, capsys, status, limit, said):
    assert run(["sheets", str(folder)]) == 0
    most, _ = extremes(trials.Round.open(folder).plan)
    outcome(folder, most, status, "", limit)
    capsys.readouterr()
    assert run(["check", str(folder)]) == 1
    told = capsys.readouterr().err
    assert "extremes.csv, row 2" in told
    assert said in told
    assert run(["replan", str(folder), "--record"]) == 1


def test_a_limit_is_read_from_words():
    assert limit_of("oil temperature = ..180,5") == ("oil temperature", (None, 180.5))
    with pytest.raises(trials.TrialsError, match="expected"):
        limit_of("oil=hot..")


def crossed(home, **details):
    """Eight bakes between two rolls, and both baked: the bun is the wettest and rested longest."""
    numbers = [
        trials.Numeric("hydration", 50, 60, "%", changes=("total", "hydration")),
        trials.Numeric("rest", 20, 60, "min"),
    ]
    parents = pd.DataFrame({"hydration": [60.0, 55.0], "rest": [60.0, 40.0]}, index=["bun", "roll"])
    plan = with_parents(trials.design.full_factorial(numbers, replicates=2, seed=1), parents)
    return trials.Round.create(
        home,
        plan=replace(plan, details={**plan.details, **details}),
        measures=[trials.Measure("liking", "hedonic 9")],
        formula=trials.Formula("roll", {"bread flour": 100, "water": 60, "salt": 2}),
    )


def test_an_extreme_that_is_a_parent_is_not_baked_twice(tmp_path):
    one = crossed(tmp_path / "one")
    most, least = extremes(one.plan, one.formulas)
    said = " ".join(suggested(one))
    assert f"{most}, the wettest, is bun itself: you know how that comes out." in said
    assert f"bake its other extreme once, small, just to look at: {least}" in said
    trials.write_sheets(one)
    assert pd.read_csv(one.folder / "extremes.csv")["bake"].tolist() == [least]
    assert f"the extreme ({least}) is baked whole" in for_the_extremes(one)


def test_an_extreme_that_is_only_nearly_a_parent_is_baked_first(tmp_path):
    one = crossed(tmp_path / "one", nearly=["bun"])
    assert "bun" not in " ".join(suggested(one))
    trials.write_sheets(one)
    assert len(pd.read_csv(one.folder / "extremes.csv")) == 2


def test_what_stands_in_place_of_an_amount_is_said_with_it(tmp_path):
    """Butter for all the oil: "oil 60" alone would read as oil to pour."""
    factors = [
        trials.Numeric("oil", 40, 60, "%", changes=("percent", "olive oil")),
        trials.Categorical("fat", ["olive oil", "butter"], changes=("swap", "olive oil")),
        trials.Numeric("water", 10, 30, "%", changes=("percent", "water")),
    ]
    bakes = pd.DataFrame(
        {"oil": [60, 40] * 4, "fat": ["butter", "olive oil"] * 4, "water": [30, 10, 10, 30] * 2}
    )
    plan = lay_out(factors, bakes, family="ends", model="main", seed=1)
    loaf = trials.Formula("loaf", {"cake flour": 100, "olive oil": 50, "egg": 60, "water": 20})
    round_ = trials.Round.create(
        tmp_path / "one", plan=plan, formula=loaf, measures=[trials.Measure("liking", "hedonic 9")]
    )
    said = suggested(round_)[0]
    assert "oil 60 % as butter, fat butter" in said
    assert "oil 40 %, fat olive oil" in said
