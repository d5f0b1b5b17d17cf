"""A round after a flop: slips are baked again, results stay, nothing that was made is moved."""

import pandas as pd
import pytest

import trials
from tests.deciding.small_development import first_round
from trials.deciding.following import replan
from trials.deciding.replanning import is_slip, record_replan, replanned
from trials.errors import RoundError


@pytest.fixture
def round_(tmp_path):
    return first_round(tmp_path / "round-1")


@pytest.fixture
def plan(round_):
    return replanned(round_, states(round_))


def states(round_):
    """Three made, one slip, one result, one not served, two left."""
    table = round_.plan.table[["bake"]].copy()
    status = ["made", "failed", "made", "failed", "not served", "made", "", ""]
    reason = ["", "mis-weighed the butter", "", "raw core", "", "", "", ""]
    return pd.DataFrame({"bake": table["bake"], "status": status, "reason": reason})


def test_what_was_done_stays(round_, plan):
    before, after = round_.plan.table, plan.table
    assert after.iloc[:6].equals(before.iloc[:6])
    assert sorted(after["bake"].iloc[:8]) == sorted(before["bake"])


def test_slips_are_baked_again_and_results_are_not(round_, plan):
    assert plan.details["rebaked"] == {"B09": "B05", "B10": "B02"}
    names = [factor.name for factor in plan.factors]
    rows = plan.table.set_index("bake")[names]
    assert rows.loc["B10"].tolist() == rows.loc["B02"].tolist()
    said = " ".join(plan.reasons)
    assert "A slip, baked again: B05 (not served) and B02 (mis-weighed the butter)." in said
    assert "A result, not baked again: B04 (raw core)." in said


def test_it_says_what_can_still_be_told(plan):
    assert "7 bakes instead of 8" in " ".join(plan.reasons)


@pytest.mark.parametrize(
    ("reason", "slip"),
    [
        ("forgot the salt", True),
        ("spilled half of it", True),
        ("power cut", True),
        ("crust dark before the core was done", False),
        ("torn while turning", False),
        ("", False),
    ],
)
def test_reasons_of_the_bench(reason, slip):
    assert is_slip(reason) is slip


def test_the_change_is_recorded_and_the_old_plan_kept(round_, plan):
    changed = record_replan(round_, plan)
    assert changed.plan.table.astype(str).equals(plan.table.astype(str))
    assert changed.plan.reasons == plan.reasons
    kept = [path.name for path in (round_.folder / "received").iterdir()]
    assert any(name.endswith("plan.csv") for name in kept)
    assert any(name.endswith("round.toml") for name in kept)


def test_a_plan_that_leaves_out_a_bake_is_refused(round_):
    fewer = trials.design.drop(round_.plan, "B01")
    with pytest.raises(RoundError, match="leaves out B01"):
        record_replan(round_, fewer)


def test_nothing_entered_changes_nothing_but_the_order(round_):
    trials.write_sheets(round_)
    plan = replan(round_)
    assert sorted(plan.table["bake"]) == sorted(round_.plan.table["bake"])
    assert "Nothing is lost" in " ".join(plan.reasons)
