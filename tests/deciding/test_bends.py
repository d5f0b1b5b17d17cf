"""Bends: what the cook says of a best amount, and middles only of what is at work."""

import numpy as np
import pandas as pd
import pytest

import trials
from trials.analysis.forecast import forecasts
from trials.base.errors import FactorError, MeasureError
from trials.core.factors import factor_from, factor_record
from trials.deciding.actions import actions, likely_bent
from trials.deciding.first_lines import first_lines
from trials.deciding.gain import known

LIKING = trials.Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.7)
NAMES = ["salt", "rest", "fat", "malt"]


def kitchen(*told):
    return [trials.Numeric(name, 0, 100, peak=name in told) for name in NAMES]


def baked(factors, *, middles=False, seed=3, noise=0.1):
    """All ends of four numbers; the best salt lies at 65, rest is best long, the others idle."""
    plan = trials.design.full_factorial(factors, centre_bakes=2 if middles else 0, seed=1)
    table = plan.table
    x = (table["salt"] - 50) / 50
    truth = 6 + 0.6 * x - 0.95 * x**2 + 0.8 * (table["rest"] - 50) / 50
    rng = np.random.default_rng(seed)
    return table.assign(liking=truth + rng.normal(0, noise, len(table)))


def chosen(factors, table):
    found = trials.fit(table, "liking", factors, measure=LIKING)
    return found, trials.recommend(found, LIKING)


def test_ends_alone_send_the_choice_to_an_end_and_the_word_of_the_cook_inwards():
    plain = chosen(kitchen(), baked(kitchen()))[1]
    told = chosen(kitchen("salt"), baked(kitchen("salt")))[1]
    assert plain.settings["salt"] == 100
    assert 50 < told.settings["salt"] < 100
    # What nothing was said of stays where it was
    assert told.settings["rest"] == plain.settings["rest"] == 100
    # The truth: a peak at 50 + 50 * 0.6 / (2 * 0.95), nearer to the told choice
    assert abs(told.settings["salt"] - 65.8) < abs(plain.settings["salt"] - 65.8)


def test_what_the_word_decided_is_shown_and_nothing_is_said_where_it_did_not():
    plain = chosen(kitchen(), baked(kitchen()))[1]
    told = chosen(kitchen("salt"), baked(kitchen("salt")))[1]
    assert any("You said that salt has a best amount inside" in one for one in told.sentences)
    assert not any("You said" in one for one in plain.sentences)


def test_of_what_has_a_best_amount_inside_it_is_not_believed_that_it_does_nothing():
    found = {name: chosen(kitchen(*name), baked(kitchen(*name)))[0] for name in ((), ("fat",))}
    idle, told = (forecasts(found[name], LIKING)[0] for name in found)
    at = idle.basis.owner.tolist().index(NAMES.index("fat"))
    assert (idle.draws[at] == 0).mean() > 0.3
    assert (told.draws[at] != 0).all()


def test_the_table_of_effects_is_the_bakes_alone():
    plain = chosen(kitchen(), baked(kitchen()))[0]
    told = chosen(kitchen("salt"), baked(kitchen("salt")))[0]
    pd.testing.assert_frame_equal(plain.effects, told.effects)
    pd.testing.assert_frame_equal(plain.spoken, told.spoken)


def test_the_next_round_checks_it_inside():
    found, _ = chosen(kitchen("salt"), baked(kitchen("salt"), noise=0.6))
    plan = trials.next_round(found, 3, action="repeat", seed=1).plan
    new = plan.table[~plan.table["bake"].isin(plan.details["kept"])]
    assert new["salt"].between(1, 99).any()
    assert len(new) <= 3


def test_once_bakes_lie_inside_they_decide_and_not_the_word():
    rows = []
    for factors in (kitchen(), kitchen("salt")):
        table = baked(factors, middles=True)
        pair = [f"{a}:{b}" for n, a in enumerate(NAMES) for b in NAMES[n + 1 :]]
        found = trials.fit(
            table, "liking", factors, model=[*NAMES, *pair, "salt^2"], measure=LIKING
        )
        rows.append(trials.recommend(found, LIKING))
    assert rows[0].settings == rows[1].settings
    assert not any("You said" in one for one in rows[1].sentences)


def test_one_noisy_bake_inside_does_not_drop_the_word_and_it_is_shown():
    tables = []
    for factors in (kitchen(), kitchen("salt")):
        first = baked(factors, noise=0.5)
        check = first.head(1).assign(salt=50.0, bake="C1", liking=first["liking"].mean() - 0.2)
        found = trials.fit(trials.evidence([first, check], factors, [LIKING]), "liking")
        tables.append(trials.recommend(found, LIKING))
    assert tables[1].settings["salt"] < 100
    assert tables[1].settings["salt"] <= tables[0].settings["salt"]
    if tables[1].settings["salt"] != tables[0].settings["salt"]:
        assert any("You said" in one for one in tables[1].sentences)


def test_a_lower_goal_has_its_best_amount_inside_too():
    lower = trials.Measure("greasiness", "hedonic 9", goal="lower", worth_noticing=0.7)
    table = baked(kitchen("salt")).rename(columns={"liking": "greasiness"})
    table["greasiness"] = 10 - table["greasiness"]
    found = trials.fit(table, "greasiness", kitchen("salt"), measure=lower)
    assert 50 < trials.recommend(found, lower).settings["salt"] < 100


SWEET = trials.Measure("sweetness", ["intensity", 0, 10], goal=("target", 5, 1))


def sweetened(way, slope, *, noise, seed):
    """Eight bakes of three numbers in which syrup changes the sweetness by so much."""
    said = {way: ["sweetness"]} if way else {}
    factors = [trials.Numeric("syrup", 0, 100, **said)]
    factors += [trials.Numeric(name, 0, 100) for name in ("rest", "fat")]
    table = trials.design.full_factorial(factors, seed=1).table
    rng = np.random.default_rng(seed)
    sweetness = 5 + slope * (table["syrup"] - 50) / 50 + rng.normal(0, noise, len(table))
    found = trials.fit(table.assign(sweetness=sweetness), "sweetness", factors, measure=SWEET)
    return forecasts(found, SWEET)[0], trials.recommend(found, SWEET)


def syrup(one):
    return one.draws[one.basis.owner.tolist().index(0)]


class TestAKnownDirection:
    """Less syrup is less sweet: it counts while the bakes leave it open, and is never hidden."""

    def test_what_is_expected_keeps_to_it_while_the_bakes_leave_it_open_and_says_so(self):
        plain, silent = sweetened(None, 0.1, noise=1.0, seed=2)
        told, choice = sweetened("raises", 0.1, noise=1.0, seed=2)
        assert 0.02 < (syrup(plain) < 0).mean() < 0.98
        assert (syrup(told) >= 0).all()
        said = [one for one in choice.sentences if one.startswith("You said that more syrup")]
        assert said == [
            "You said that more syrup raises sweetness: what is expected keeps to it, as the bakes "
            "leave it open."
        ]
        assert not any("You said" in one for one in silent.sentences)

    def test_a_bake_of_it_is_foretold_with_what_was_said_though_the_setting_was_baked(self):
        """The range of the bake alone would lie about what the bakes say by themselves."""
        sweet = trials.Measure("sweetness", ["intensity", 0, 10], goal="higher", worth_noticing=1)
        opened = {}
        for way in (None, "raises"):
            one, _ = sweetened(way, 0.1, noise=1.0, seed=2)
            choice = trials.recommend(one.findings, sweet)
            at = one.findings.bakes_scored().set_index("bake")[list(choice.settings)]
            made = at.index[(at == pd.Series(choice.settings)).all(axis=1)]
            row = one.findings.bakes.set_index("bake").loc[made[0]]
            alone = choice.expected[["new_low", "new_high"]].iloc[0].tolist() == [
                row["low"],
                row["high"],
            ]
            opened[way] = alone, first_lines({"sweetness": one.findings}, choice, "nothing").do
        assert [alone for alone, _ in opened.values()] == [True, False]
        assert "Baked again it would score between" in opened[None][1]
        assert "One bake of it would come out between" in opened["raises"][1]

    def test_where_the_bakes_are_against_it_it_is_set_aside_and_that_is_said(self):
        plain, _ = sweetened(None, 3.0, noise=0.1, seed=2)
        told, choice = sweetened("lowers", 3.0, noise=0.1, seed=2)
        assert (syrup(told) == syrup(plain)).all()
        assert any("against it, so it was set aside" in one for one in choice.sentences)

    def test_where_the_bakes_say_it_themselves_it_changes_nothing(self):
        plain, _ = sweetened(None, 3.0, noise=0.1, seed=2)
        told, choice = sweetened("raises", 3.0, noise=0.1, seed=2)
        assert (syrup(told) == syrup(plain)).all()
        assert not any("You said" in one for one in choice.sentences)

    def test_a_measure_that_is_not_scored_is_named(self, tmp_path):
        factors = [trials.Numeric("syrup", 0, 100, raises=["sweetnes"])]
        plan = trials.design.full_factorial(factors, replicates=2, seed=1)
        with pytest.raises(MeasureError, match='raises "sweetnes", which is not scored'):
            trials.Round.create(tmp_path / "one", plan=plan, measures=[SWEET])


def test_it_is_kept_in_the_settings_file_and_read_back():
    salt = trials.Numeric("salt", 1, 3, "%", peak=True)
    assert factor_record(salt)["peak"] is True
    assert factor_from(factor_record(salt)) == salt
    assert "peak" not in factor_record(trials.Numeric("salt", 1, 3, "%"))
    with pytest.raises(FactorError, match="expected True or False"):
        trials.Numeric("salt", 1, 3, peak="yes")


@pytest.fixture(scope="module")
def knowledge():
    found = chosen(kitchen(), baked(kitchen()))[0]
    return known({"liking": found}, [LIKING])


class TestSecondRound:
    """Ends tell what works together; a middle is worth a bake only in what is at work."""

    def test_only_what_is_at_work_may_be_tried_in_the_middle(self, knowledge):
        names = {knowledge.factors[at].name for at in likely_bent(knowledge)}
        assert {"salt", "rest"} <= names
        idle = [at for at, one in enumerate(knowledge.factors) if one.name not in names]
        assert idle
        for one in actions(knowledge, 4):
            if one.name != "move along the path":
                assert (np.abs(one.X[:, idle]) > 1 - 1e-9).all(), one.name

    def test_a_bend_that_nobody_looked_for_is_no_likelier_than_one_that_is_looked_for(
        self, knowledge
    ):
        one = knowledge.beliefs[0]
        columns = [at for at, term in enumerate(one.basis.owner) if term >= 0]
        assert set(one.bends) == set(NAMES)
        guesses = one.draws[columns[-len(NAMES) :]]
        # A pair beside both its factors is at work with 0.4 beforehand, and so is a bend
        assert (guesses != 0).mean(axis=1).max() == pytest.approx(0.4, abs=0.05)
        assert (guesses != 0).mean(axis=1).min() < 0.4

    def test_ranges_are_narrowed_only_once_bakes_lie_inside(self, knowledge):
        assert not any(one.name == "narrow the ranges" for one in actions(knowledge, 4))
        factors = kitchen()
        first = baked(factors)
        inside = [first.head(4).assign(**{name: 50.0}) for name in ("salt", "rest")]
        second = pd.concat(inside, ignore_index=True)
        second["bake"] = [f"C{at}" for at in range(len(second))]
        found = trials.fit(trials.evidence([first, second], factors, [LIKING]), "liking")
        after = actions(known({"liking": found}, [LIKING]), 4)
        assert any(one.name == "narrow the ranges" for one in after)

    def test_with_more_bakes_to_come_the_first_ones_are_at_the_ends(self):
        """Five numbers: sixteen bakes can not tell pairs and bends, so twelve look for pairs."""
        five = [trials.Numeric(name, 0, 100) for name in "abcde"]
        plan = trials.propose(five, 12, aim="optimise", later=4, tasters=6, seed=1)
        assert plan.table[list("abcde")].isin([0, 100]).all(axis=None)
        assert not any("of ," in said for said in plan.reasons)

    def test_ends_come_first(self, knowledge):
        found = next(one for one in actions(knowledge, 8) if one.name.startswith("ends, and"))
        inside = (np.abs(found.X) < 1 - 1e-9).any(axis=1)
        assert 0 < inside.sum() <= len(found.X) / 2

    def test_two_rounds_keep_the_pairs_beside_the_bends(self):
        factors = kitchen()
        first = baked(factors)
        second = first.head(4).assign(salt=50.0, bake=["C1", "C2", "C3", "C4"])
        found = trials.fit(trials.evidence([first, second], factors, [LIKING]), "liking")
        terms = {term.name for term in (found.averaged.terms if found.averaged else found.terms)}
        assert {"salt^2", "salt:rest", "fat:malt"} <= terms
