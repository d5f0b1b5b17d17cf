"""Evidence: several rounds as one.

Against least squares with a column per round, planted truths, and the rule as it is written down
(R's mixed models are in `test_joined_by_r.py`).
"""

import numpy as np
import pandas as pd
import pytest

import trials
from trials.base.errors import FitError, RoundError
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
    found = trials.fit(tables, "spread", ["rest"], model="main")
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
    found = trials.fit(two_rounds, "liking", held={"sugar": 10}, model="main")
    effects = found.effects.set_index(["term", "level"])
    hydration = effects.loc[("hydration", "108 %")]
    assert hydration["reference"] == "96 %"
    assert hydration["low"] < 1.6 * 12 / 8 < hydration["high"]
    assert set(effects.loc["fat"].index) == {"lard", "oil"}
    assert found.residuals["bake"].nunique() == sum(len(r.plan.rows) for r in two_rounds)
    assert found.sentences[0].startswith("From 2 rounds, ")


def test_names_get_their_round_in_front_only_where_they_clash(two_rounds):
    bakes = trials.evidence(two_rounds, held={"sugar": 10}).table
    both = set(two_rounds[0].plan.rows["bake"]) & set(two_rounds[1].plan.rows["bake"])
    named = {name for name in bakes["bake"] if " " in name}
    assert named == {f"{one.name} {bake}" for one in two_rounds for bake in both}
    days = bakes.groupby("day")["round"].nunique()
    assert len(days) == 4
    assert (days == 1).all()


def test_a_round_that_does_not_tell_where_a_factor_stood_is_left_out_and_said_first(two_rounds):
    found = trials.fit(two_rounds, "liking")
    assert found.evidence.rounds == ("round-2",)
    assert "round-1" in found.sentences[0]
    assert 'held={"sugar": ...}' in found.sentences[0]
    assert found.sentences[1].startswith("From 1 round, ")
    alone = trials.fit(two_rounds[1], "liking", alone=True)
    pd.testing.assert_frame_equal(found.effects, alone.effects)


def test_two_rounds_that_each_lack_what_the_other_varied_are_refused():
    one = pd.DataFrame({"rest": [20, 60], "salt": [1, 2], "spread": [1.0, 2]})
    two = one.rename(columns={"salt": "fat"})
    with pytest.raises(FitError, match=r"held=\{\"(fat|salt)\": \.\.\.\}"):
        trials.evidence([one, two], ["rest", "salt", "fat"])


def test_the_terms_are_the_union_of_the_plans_with_bends_at_three_levels(two_rounds):
    found = trials.fit(two_rounds, "liking", held={"sugar": 10})
    terms = {term.name for term in found.terms}
    assert {"hydration", "fat", "sugar", "hydration:fat", "hydration^2"} <= terms
    # Sugar stood at 8, 10 and 12, and of all three only 10 in a round of its own
    assert "sugar^2" in terms | set(" ".join(found.notes).split('"'))


def test_a_slip_of_a_degree_is_no_bend():
    rng = np.random.default_rng(3)
    oven = Numeric("oven", 160, 180, "°C")
    tables = [
        pd.DataFrame({"oven": [160, 161, 180, 180] * 3, "spread": rng.normal(60, 1, 12)})
        for _ in range(2)
    ]
    assert [term.name for term in trials.fit(tables, "spread", [oven]).terms] == ["oven"]
    tables[1]["oven"] = [170, 180] * 6
    terms = [term.name for term in trials.fit(tables, "spread", [oven]).terms]
    assert terms == ["oven", "oven^2"]


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
    found = trials.fit(tables, "spread", [Numeric("rest", 20, 60)])
    assert "3 settings baked in more than one round tie them" in " ".join(found.notes)
    assert (found.residuals["role"] == "reference").sum() == 6
    tables[1].loc[tables[1]["role"] == "reference", "rest"] = 50.0
    moved = trials.fit(tables, "spread", [Numeric("rest", 20, 60)])
    assert (moved.residuals["role"] == "trial").all()
    assert (moved.evidence.table["role"] == "reference").sum() == 6


def test_one_round_twice_is_no_better_known_than_its_bakes():
    """The same table as two rounds: the same estimate, error over root two, blocks counted."""
    rng = np.random.default_rng(6)
    table = pd.DataFrame({"rest": [20, 60] * 6, "spread": rng.normal(60, 1, 12)})
    once = trials.fit(table, "spread", ["rest"]).effects.iloc[0]
    twice = trials.fit([table, table], "spread", ["rest"]).effects.iloc[0]
    assert twice["estimate"] == pytest.approx(once["estimate"])
    assert twice["se"] == pytest.approx(once["se"] * np.sqrt(10 / 21))
    assert twice["df"] == pytest.approx(21)


def test_naming_a_model_or_groups_does_not_stop_joining(two_rounds):
    found = trials.fit(
        two_rounds, "liking", model=["hydration"], groups=("bake", "taster"), held={"sugar": 10}
    )
    assert found.residuals["bake"].nunique() == sum(len(r.plan.rows) for r in two_rounds)
    # Three columns hold hydration: an intercept, hydration, and the round
    assert len(found.engine.beta) == 3 + 0


def test_what_can_not_be_put_together(two_rounds):
    with pytest.raises(FitError, match="a Round or a table"):
        trials.fit([two_rounds[0], "round-2"], "liking")
    with pytest.raises(FitError, match="which columns are the factors"):
        trials.fit([pd.DataFrame({"liking": [1.0, 2]})] * 2, "liking")


class TestOneOfEverything:
    """A unit, a change of the formula and a scale that changed between rounds."""

    def rounds(self, tmp_path, first, second, measures=(LIKING, LIKING), formulas=(None, None)):
        made = []
        for place, (factors, measure) in enumerate(zip((first, second), measures, strict=True)):
            plan = full_factorial(factors, replicates=2, seed=place)
            parent = "../one" if place else ""
            round_ = Round.create(
                tmp_path / ("two" if place else "one"),
                plan=plan,
                measures=[measure],
                formula=formulas[place],
                tasters=[Taster("Ada")],
                seed=5,
                parent=parent,
            )
            write_sheets(round_)
            scored = rehearse(plan, {}, mean=5, measure=measure, tasters=["Ada"], seed=place)
            record_scores(round_, scored)
            made.append(round_)
        return made

    def test_a_unit_that_changed_is_refused(self, tmp_path):
        first, second = [Numeric("rest", 20, 60, "min")], [Numeric("rest", 1, 2, "h")]
        made = self.rounds(tmp_path, first, second)
        with pytest.raises(FitError, match=r"in h in round .* min before"):
            trials.evidence(made[1])

    def test_a_kind_of_factor_that_changed_is_refused(self, tmp_path):
        made = self.rounds(
            tmp_path, [Numeric("fat", 0, 1)], [Categorical("fat", ["butter", "lard"])]
        )
        with pytest.raises(FitError, match="another kind"):
            trials.evidence(made[1])

    def test_what_a_factor_changes_must_stay(self, tmp_path):
        first = [Numeric("butter", 10, 20, "%", changes=("percent", "butter"))]
        second = [Numeric("butter", 10, 20, "%", changes=("total", "fat"))]
        made = self.rounds(tmp_path, first, second)
        with pytest.raises(FitError, match="alone=True"):
            trials.evidence(made[1])
        assert trials.evidence(made[1], alone=True).rounds == ("two",)

    def test_earlier_scores_on_another_scale_are_left_out(self, tmp_path):
        rest = [Numeric("rest", 20, 60, "min")]
        line = Measure("liking", ("intensity", 0, 10))
        made = self.rounds(tmp_path, rest, rest, (LIKING, line))
        known = trials.evidence(made[1])
        assert known.of("one")["liking"].isna().all()
        assert known.of("two")["liking"].notna().any()
        assert any("another scale" in note and '"one"' in note for note in known.notes)

    def test_a_factor_stands_at_what_the_formula_of_a_round_says(self, tmp_path):
        flour = {"wheat flour, bread": 100, "water": 70, "butter": 12}
        formulas = (trials.Formula("loaf", flour), trials.Formula("loaf", flour | {"butter": 15}))
        rest = Numeric("rest", 20, 60, "min")
        water = Numeric("hydration", 64, 68, "%", changes=("total", "hydration"))
        made = self.rounds(tmp_path, [rest], [rest, water], formulas=formulas)
        known = trials.evidence(made[1])
        assert known.rounds == ("one", "two")
        stood = float(formulas[0].totals()["hydration"])
        assert known.of("one")["hydration"].unique() == pytest.approx([stood])
        assert known.factors[1].high == pytest.approx(max(68, stood))
        assert any("butter 15 % instead of 12 %" in note for note in known.notes)
        told = trials.evidence(made[1], held={"hydration": 66})
        assert set(told.of("one")["hydration"]) == {66.0}

    def test_a_round_before_that_is_gone_is_refused(self, tmp_path):
        rest = [Numeric("rest", 20, 60, "min")]
        made = self.rounds(tmp_path, rest, rest)
        (tmp_path / "one").rename(tmp_path / "elsewhere")
        with pytest.raises(RoundError, match="alone=True"):
            trials.fit(made[1], "liking")
        assert trials.evidence(made[1], alone=True).rounds == ("two",)
