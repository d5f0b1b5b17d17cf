"""Plan, folder, workbook filled by simulation, read, fit: what went in comes out."""

import numpy as np
import pytest

from trials import demo
from trials.analysis.fitting import fit
from trials.measures import Measure
from trials.rehearsal import Spreads, rehearse
from trials.rounds.round import Round
from trials.rounds.scores import check, record_scores, scores
from trials.rounds.sheets import write_sheets

LIKING = Measure("liking", "number", worth_noticing=0.5)
TRUTH = {
    "oil temperature": 0.7,
    "hydration": 0.6,
    "fat": -0.75,
    "sugar": 0.4,
    "oil temperature:hydration": -0.9,
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
        sitting=4,
    )
    write_sheets(round_)
    return round_


def test_effects_come_back_through_the_workbook(served):
    names = [taster.name for taster in served.tasters]
    invented = rehearse(
        served.plan, TRUTH, measure=LIKING, tasters=names, spreads=NO_SPREAD, seed=1
    )
    record_scores(served, invented)
    assert check(served) == []
    tidy = scores(served)
    assert len(tidy) == 4 * served.plan.count()
    found = fit(Round.open(served.folder), "liking")
    for effect in found.effects.itertuples():
        assert effect.estimate == pytest.approx(TRUTH.get(effect.term, 0.0), abs=1e-9)


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
        truth = np.array([TRUTH.get(term, 0.0) for term in found.effects["term"]])
        hits += ((found.effects["low"] <= truth) & (truth <= found.effects["high"])).tolist()
    assert 0.90 <= np.mean(hits) <= 0.99
