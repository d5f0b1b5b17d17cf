"""Several rounds as one, against least squares with a column per round and planted truths."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.rounds_together import fit_rounds
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.factorial import full_factorial
from trials.rounds.round import Round
from trials.rounds.scores import record_scores
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster

LIKING = Measure("liking", "hedonic 9")
NAMES = ["Ada", "Ben", "Cy", "Dee"]


def test_a_block_per_round_by_least_squares():
    """Effects per minute by numpy's least squares, times the widest range, 20 to 60."""
    rng = np.random.default_rng(1)
    tables = []
    for shift, settings in ((0.0, (20, 40)), (5.0, (30, 60)), (-3.0, (20, 60))):
        rest = np.tile(np.array(settings, dtype=float), 5)
        spread = 60 + shift + 0.1 * rest + rng.normal(0, 0.5, 10)
        tables.append(pd.DataFrame({"rest": rest, "spread": spread}))
    found = fit_rounds(tables, "spread", ["rest"])
    whole = pd.concat(tables)
    X = np.column_stack([np.repeat(np.eye(3), 10, axis=0), whole["rest"]])
    beta, left, *_ = np.linalg.lstsq(X, whole["spread"], rcond=None)
    one = found.effects.iloc[0]
    assert one["estimate"] == pytest.approx(40 * beta[3])
    se = np.sqrt(left[0] / 26 * np.linalg.inv(X.T @ X)[3, 3])
    assert one["se"] == pytest.approx(40 * se)
    assert one["df"] == pytest.approx(26)
    assert found.predict({"rest": 60}).shape[0] == 1


@pytest.fixture(scope="module")
def two_rounds(tmp_path_factory):
    """Two invented rounds: the second wetter, without lard, with sugar, and liked 1.5 less."""
    home = tmp_path_factory.mktemp("rounds")
    first = [Numeric("hydration", 96, 104, "%"), Categorical("fat", ["butter", "lard"])]
    second = [
        Numeric("hydration", 100, 108, "%"),
        Categorical("fat", ["butter", "oil"]),
        Numeric("sugar", 8, 12, "%"),
    ]
    made = []
    for place, factors in enumerate((first, second)):
        effects = {"hydration": 1.6, "fat": -0.8} | ({"sugar": 0.5} if place else {})
        plan = full_factorial(factors, replicates=3 - place, days=2, references=2, seed=place)
        round_ = Round.create(
            home / f"round-{place + 1}",
            plan=plan,
            measures=[LIKING],
            tasters=[Taster(name) for name in NAMES],
            seed=5,
        )
        write_sheets(round_)
        mean = 5.5 - 0.7 * place
        spreads = Spreads(tasting=0.4, taster_by_bake=0.1)
        tidy = rehearse(
            plan, effects, mean=mean, measure=LIKING, tasters=NAMES, spreads=spreads, seed=9 + place
        )
        record_scores(round_, tidy)
        made.append(round_)
    return made


def test_rounds_with_changed_ranges_kinds_and_factors(two_rounds):
    found = fit_rounds(two_rounds, "liking", held={"sugar": 10}, model="main")
    effects = found.effects.set_index(["term", "level"])
    hydration = effects.loc[("hydration", "108 %")]
    assert hydration["reference"] == "96 %"
    assert hydration["low"] < 1.6 * 12 / 8 < hydration["high"]
    assert set(effects.loc["fat"].index) == {"lard", "oil"}
    assert found.residuals["bake"].nunique() == sum(len(r.plan.rows) for r in two_rounds)
    assert found.residuals["bake"].iloc[0].startswith("round-1 ")
    assert any("taken as blocks" in note for note in found.notes)


def test_a_setting_nobody_told_is_asked_for(two_rounds):
    with pytest.raises(FitError, match="held"):
        fit_rounds(two_rounds, "liking")


def test_the_default_model_is_that_of_the_plans(two_rounds):
    found = fit_rounds(two_rounds, "liking", held={"sugar": 10})
    assert {"hydration", "fat", "sugar", "hydration:fat"} <= {term.name for term in found.terms}


def test_common_reference_bakes_are_a_bridge():
    """Seen by their own column, references of one setting tell the rounds apart."""
    rng = np.random.default_rng(4)
    tables = []
    for shift in (0.0, 2.0):
        plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, references=3, seed=2)
        table = plan.table
        bend = np.where(table["role"] == "reference", 1.0, 0.0)
        table["spread"] = shift + 0.05 * table["rest"] + bend + rng.normal(0, 0.2, len(table))
        tables.append(table)
    found = fit_rounds(tables, "spread", [Numeric("rest", 20, 60)])
    assert "3 settings baked in more than one round tie them." in " ".join(found.notes)
    tables[1].loc[tables[1]["role"] == "reference", "rest"] = 50.0
    moved = fit_rounds(tables, "spread", [Numeric("rest", 20, 60)])
    assert (moved.residuals["role"] == "trial").all()


def test_one_round_twice_is_no_better_known_than_its_bakes():
    """The same table as two rounds: the same estimate, error over root two, blocks counted."""
    rng = np.random.default_rng(6)
    table = pd.DataFrame({"rest": [20, 60] * 6, "spread": rng.normal(60, 1, 12)})
    once = fit(table, "spread", ["rest"]).effects.iloc[0]
    twice = fit_rounds({"a": table, "b": table}, "spread", ["rest"]).effects.iloc[0]
    assert twice["estimate"] == pytest.approx(once["estimate"])
    assert twice["se"] == pytest.approx(once["se"] * np.sqrt(10 / 21))
    assert twice["df"] == pytest.approx(21)


def test_what_can_not_be_put_together(two_rounds):
    with pytest.raises(FitError, match="two rounds or more"):
        fit_rounds(two_rounds[:1], "liking")
    with pytest.raises(FitError, match="a Round or a table"):
        fit_rounds([two_rounds[0], "round-2"], "liking")
    with pytest.raises(FitError, match="which columns are the factors"):
        fit_rounds([two_rounds[0], pd.DataFrame({"liking": [1.0]})], "liking")
