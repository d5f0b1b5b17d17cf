"""Plan, folder, workbook filled by simulation, read, fit: what went in comes out."""

import numpy as np
import pytest

from trials.analysis.fitting import fit
from trials.core.measures import Measure
from trials.deciding.rehearsal import Spreads, rehearse
from trials.doors import large_demo as demo
from trials.rounds.round import Round
from trials.rounds.scores import check, record_scores, scores
from trials.show.sheets import write_sheets

LIKING = Measure("liking", "number", worth_noticing=0.5)
TRUTH = {
    "oil temperature": 0.7,
    "hydration": 0.6,
    "fat": {"butter": 0.35, "lard": 0.05, "sunflower oil": -0.4},
    "sugar": 0.4,
    "oil temperature:hydration": -0.9,
}
# As the table of effects gives them: kinds are compared with butter
EXPECTED = {
    ("oil temperature", "180 °C"): 0.7,
    ("hydration", "108 %"): 0.6,
    ("fat", "lard"): -0.3,
    ("fat", "sunflower oil"): -0.75,
    ("sugar", "12 %"): 0.4,
    ("oil temperature:hydration", "180 °C, 108 %"): -0.9,
}
NO_SPREAD = Spreads(0, 0, 0, 0, 0, 0)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A planned round with its sheets written, ready to be filled in."""
    round_ = Round.create(
        tmp_path_factory.mktemp("trip") / "round",
        plan=demo.plan(),
        measures=[LIKING],
        formula=demo.FORMULA,
        tasters=demo.TASTERS[:4],
        seed=11,
        sitting=5,
    )
    write_sheets(round_)
    return round_


def test_effects_come_back_through_the_workbook(served):
    names = [taster.name for taster in served.tasters]
    invented = rehearse(
        served.plan, TRUTH, measure=LIKING, tasters=names, spreads=NO_SPREAD, seed=1
    )
    record_scores(served, invented)
    assert not check(served)
    tidy = scores(served)
    assert len(tidy) == 4 * len(served.plan.table)
    found = fit(Round.open(served.folder), "liking")
    for effect in found.effects.itertuples():
        truth = EXPECTED.get((effect.term, effect.level), 0.0)
        assert effect.estimate == pytest.approx(truth, abs=1e-9)


def test_the_serving_is_balanced_and_blind(served):
    serving = served.folder / "serving.csv"
    assert serving.is_file()
    for path in served.folder.glob("ballots/**/*.html"):
        page = path.read_text(encoding="utf-8")
        for factor in served.plan.factors:
            assert factor.name not in page
        for bake in served.plan.table["bake"]:
            assert f">{bake}<" not in page


def test_intervals_cover_the_truth_over_fifty_rounds():
    plan = demo.plan()
    hits = []
    for seed in range(50):
        data = rehearse(plan, TRUTH, tasters=8, measure=LIKING, rounded=False, seed=seed)
        found = fit(data, "liking", plan.factors, model=plan.model)
        keys = zip(found.effects["term"], found.effects["level"], strict=True)
        truth = np.array([EXPECTED.get(key, 0.0) for key in keys])
        hits += ((found.effects["low"] <= truth) & (truth <= found.effects["high"])).tolist()
    assert 0.90 <= np.mean(hits) <= 0.99
