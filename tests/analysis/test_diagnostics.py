"""Checks against the textbook, and each against a fault that was put there."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trials
from trials.analysis.diagnostics import (
    diagnostics,
    hangs_on,
    lack_of_fit,
    leading,
    level_residuals,
)
from trials.analysis.fitting import fit
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import full_factorial
from trials.doors import large_demo as demo

REFERENCE = Path(__file__).parents[1] / "reference"
FACTORS = [Numeric("hydration", 96, 108, "%"), Categorical("fat", ["butter", "oil"])]
LIKING = Measure("liking", "hedonic 9")


def row(found, name):
    return found.table.set_index("check").loc[name]


def scored(seed=4, centre=0, days=1, **columns):
    plan = full_factorial(FACTORS, replicates=5, centre_bakes=centre, days=days, seed=3)
    effects = {"hydration": 1.0, "fat": -0.8}
    return rehearse(plan, effects, tasters=5, spreads=Spreads(), seed=seed).assign(**columns)


def test_lack_of_fit_of_the_textbook_surface():
    """Montgomery 2001, example 11-1, p. 431 (F 1.78); R 4.2.2 as in rsm_expected.json: 1e-9."""
    known = json.loads((REFERENCE / "rsm_expected.json").read_text(encoding="utf-8"))
    table = pd.read_csv(REFERENCE / "ccd_yield.csv")
    factors = [Numeric("x1", -1, 1), Numeric("x2", -1, 1)]
    found = lack_of_fit(fit(table[["x1", "x2", "y"]], "y", factors, model="quadratic"))
    assert found.value == pytest.approx(known["montgomery_yield"]["F_lof"], rel=1e-9)
    assert found.p == pytest.approx(known["montgomery_yield"]["p_lof"], rel=1e-9)
    assert not found.heed


def test_lack_of_fit_judges_tasted_bakes_on_bakes():
    """Balanced: the F of a mixed model is the F of the bakes' means."""
    table = scored()
    table["liking"] += np.where((table["fat"] == "oil") & (table["hydration"] == 108), 3.0, 0.0)
    tasted = lack_of_fit(fit(table, "liking", FACTORS, model="main"))
    means = table.groupby(["bake", "hydration", "fat"], as_index=False)["liking"].mean()
    plain = lack_of_fit(fit(means, "liking", FACTORS, model="main", groups=()))
    assert tasted.value == pytest.approx(plain.value, rel=1e-5)
    assert tasted.heed


def test_a_sound_round_asks_for_nothing():
    found = diagnostics(fit(scored(), "liking", FACTORS, measure=LIKING))
    assert not row(found, "bakes far out")["heed"]
    assert not row(found, "ranks")["heed"]
    assert "No verdict hangs on a single bake." in found.sentences
    assert "curvature" not in set(found.table["check"])
    assert found.bakes["leverage"].sum() == pytest.approx(4)


def test_every_bake_of_a_usual_round_is_left_out_in_turn():
    found = diagnostics(fit(scored(), "liking", FACTORS, measure=LIKING))
    assert len(found.bakes) == 20
    assert found.bakes["influence"].notna().all()


@pytest.mark.parametrize("asked", [{"model": "main"}, {"groups": ("bake",)}])
def test_what_a_finding_hangs_on_is_asked_as_it_was_asked_itself(asked):
    """The default model would take both together, and the default groups each taster's level."""
    rng = np.random.default_rng(8 if "model" in asked else 1)
    table = pd.DataFrame({"bake": [f"B{n + 1:02d}" for n in range(8)], "rest": [20, 60] * 4})
    table["fat"] = ["butter", "butter", "oil", "oil"] * 2
    level = 0.0
    if "groups" in asked:
        table = table.merge(pd.DataFrame({"taster": ["Ada", "Ben", "Cy"]}), how="cross")
        rng.normal(0, 0.7, 8)
        table = table[rng.random(len(table)) < 0.75].reset_index(drop=True)
        level = table["taster"].map({"Ada": -1.0, "Ben": 0.0, "Cy": 1.5})
    noise = rng.normal(0, 0.8, len(table))
    table["liking"] = np.clip(np.round(5 + 1.4 * (table["rest"] == 60) + level + noise), 1, 9)

    def said(rows, **given):
        return trials.fit(
            rows, "liking", [Numeric("rest", 20, 60), FACTORS[1]], measure=LIKING, **given
        )

    found = said(table, **asked)
    term = leading(found)["term"]
    turning = []
    for bake in table["bake"].unique():
        spoken = said(table[table["bake"] != bake], **asked).spoken.set_index("term")
        if term not in spoken.index or spoken.loc[term, "verdict"] != "matters":
            turning.append(bake)
    assert hangs_on(found) == tuple(turning)
    assert hangs_on(replace(found, asked={})) != tuple(turning)


def test_a_bake_gone_wrong_is_named():
    table = scored()
    table.loc[table["bake"] == "B07", "liking"] -= 5
    found = diagnostics(fit(table, "liking", FACTORS, measure=LIKING))
    assert "B07 (−" in row(found, "bakes far out")["said"]
    assert found.bakes.set_index("bake")["influence"].idxmax() == "B07"
    levels = found.levels
    bakes = levels[levels["source"] == "bake"].set_index("level")["value"]
    assert bakes.idxmin() == "B07"


def test_a_slip_of_the_pen_is_named():
    table = scored()
    table.loc[10, "liking"] = 60.0
    found = diagnostics(fit(table, "liking", FACTORS))
    one = table.loc[10]
    assert f"{one['taster']} on {one['bake']}" in row(found, "scores far out")["said"]
    assert row(found, "heavy tails")["heed"]


def test_drift_while_baking_comes_back():
    """0.1 a bake over twenty bakes is 1.9 from the first to the last."""
    rng = np.random.default_rng(3)
    table = scored()
    order = table["bake"].str[1:].astype(int)
    for end, heed in ((0.0, False), (0.1, True)):
        table["spread"] = 60 + end * order + rng.normal(0, 0.3, len(table))
        found = row(diagnostics(fit(table, "spread", FACTORS)), "baking order")
        assert found["low"] < 19 * end < found["high"]
        assert found["heed"] == heed


def test_days_that_differ():
    table = scored(days=2)
    table["liking"] += np.where(table["day"] == 2, 1.5, 0.0)
    found = row(diagnostics(fit(table, "liking", FACTORS)), "days")
    assert found["said"].startswith("Days differ")
    assert found["p"] < 0.01


def test_a_bend_shows_in_the_middle_bakes():
    rest = [Numeric("rest", 20, 60), Numeric("oil", 165, 180)]
    plan = full_factorial(rest, replicates=2, centre_bakes=4, seed=1)
    rng = np.random.default_rng(8)
    table = plan.table.assign(spread=60 + rng.normal(0, 0.5, len(plan.table)))
    table["spread"] += np.where(table["role"] == "centre", 4.0, 0.0)
    found = row(diagnostics(fit(table, "spread", rest, model="interactions")), "curvature")
    centre = table["spread"][table["role"] == "centre"].mean()
    assert found["value"] == pytest.approx(
        centre - table["spread"][table["role"] == "trial"].mean()
    )
    assert found["heed"]


def test_a_weight_that_grows_in_proportion_asks_for_its_logarithm():
    rng = np.random.default_rng(6)
    table = scored().drop_duplicates("bake").drop(columns=["taster", "liking"])
    table["uptake"] = np.exp(rng.normal(2, 0.4, 20)) * np.where(table["fat"] == "oil", 4.0, 1.0)
    found = row(diagnostics(fit(table, "uptake", FACTORS)), "scale")
    assert "its logarithm" in found["said"]


def test_one_bake_that_decides_is_said():
    """By hand: +1 in all bakes, but one at +0.2 holds the interval below what matters."""
    table = scored().groupby(["bake", "hydration", "fat"], as_index=False)["liking"].mean()
    table["liking"] = 6 + np.tile([-0.1, 0.1], 10) + 1.0 * (table["hydration"] == 108)
    table.loc[table.index[table["hydration"] == 108][0], "liking"] -= 2.5
    decides = table.loc[table.index[table["hydration"] == 108][0], "bake"]
    found = diagnostics(fit(table, "liking", FACTORS, measure=LIKING, model="main"))
    assert found.bakes.set_index("bake")["turns"][decides] == "hydration and fat"
    assert f"Without {decides} the verdict on" in row(found, "single bakes")["said"]


def test_what_was_not_as_planned_is_said(tmp_path):
    round_ = demo.baked(tmp_path / "one")
    known = trials.evidence(round_)
    found = fit(known, "liking")
    assert row(diagnostics(found), "as planned")["said"] == "Every bake was made as planned."
    table = known.table.copy()
    table.loc[table["bake"] == "B03", "proof"] = 75.0
    found = fit(replace(known, table=table), "liking")
    said = row(diagnostics(found), "as planned")["said"]
    assert said.startswith("Not as planned: B03 proof 75")


def test_without_error_it_says_so():
    table = pd.DataFrame({"bake": list("ABCDEFGH"), "a": [0, 1] * 4, "b": [0, 0, 1, 1] * 2})
    table["c"], table["y"] = [0] * 4 + [1] * 4, [3.0, 5, 4, 7, 2, 6, 4, 9]
    model = ["a", "b", "c", "a:b", "a:c", "b:c", "a:b:c"]
    found = fit(table, "y", ["a", "b", "c"], model=model)
    assert "no error was measured" in diagnostics(found).sentences[0]
    assert level_residuals(found).empty
    assert "<p>" in diagnostics(found)._repr_html_()
