"""From questions a person can answer to a plan with its reasons."""

import re
import time

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.design.naming import numbers, parts
from trials.base.errors import TrialsError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.terms import model_terms
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.families import keys
from trials.design.power import promise
from trials.design.propose import propose
from trials.design.surface import central_composite

OIL = Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True)
FATS = Categorical("fat", ["butter", "lard", "sunflower oil"])


def said(plan):
    return " ".join(plan.reasons)


def squares(count, levels):
    return [Categorical(f"kind {n}", [f"{n}{m}" for m in range(levels)]) for n in range(count)]


LIMITED = [Component("rye", 0.1, 0.5), Component("oat", 0, 0.4), Component("wheat", 0.2, 0.8)]
REACHED = {
    "full factorial": (numbers(3), 8, {}),
    "two-level fraction": (numbers(5), 16, {"aim": "interactions"}),
    "Hadamard screening": (numbers(9), 12, {}),
    "conference-matrix screening": (numbers(6), 13, {"aim": "optimise"}),
    "central composite": (numbers(2), 12, {"aim": "optimise"}),
    "three-level surface": (numbers(4), 27, {"aim": "optimise"}),
    "simplex lattice": (parts(3), 12, {}),
    "simplex centroid": (parts(3), 14, {}),
    "extreme vertices": (LIMITED, 14, {}),
    "Latin square": (squares(3, 4), 16, {}),
    "Graeco-Latin square": (squares(4, 4), 16, {}),
    "optimal plan": ([*numbers(3), FATS], 14, {"aim": "interactions"}),
}


@pytest.mark.parametrize("family", REACHED)
def test_every_family_is_weighed_where_it_suits(family):
    factors, bakes, wishes = REACHED[family]
    plan = propose(factors, bakes, seed=1, **wishes)
    assert family in plan.family or family in plan.reasons[-1], plan.reasons
    assert plan.count() <= bakes


@pytest.mark.parametrize(
    ("factors", "bakes", "wishes", "family"),
    [
        (numbers(3), 8, {}, "full factorial"),
        (numbers(5), 16, {"aim": "interactions"}, "two-level fraction"),
        (numbers(7), 16, {}, "two-level fraction"),
        (squares(3, 4), 16, {}, "Latin square"),
        ([*numbers(2), FATS], 12, {"aim": "interactions"}, "full factorial"),
    ],
)
def test_the_textbooks_plan_is_proposed_where_nothing_tells_more(factors, bakes, wishes, family):
    assert propose(factors, bakes, seed=1, **wishes).family == family


def test_it_needs_no_statistics_and_says_what_it_assumed():
    plan = propose(numbers(4), 16, seed=1)
    assert "Assumed: 6 tasters and 0.7 points worth noticing" in said(plan)
    assert "between two bakes of one recipe" in said(plan)
    assert "common practice, no source" in said(plan)


def test_answers_replace_what_was_assumed():
    plan = propose(
        numbers(4), 16, seed=1, tasters=["Ada", "Ben", "Cleo"], worth_noticing=0.5, alike=0.3
    )
    assert "As you said: 3 tasters and 0.5 points worth noticing." in said(plan)
    assert "Assumed" not in said(plan)
    # The mean distance of two bakes is 2 / sqrt(pi) standard deviations
    assert "0.266 between two bakes of one recipe" in said(plan)


def test_bakes_less_alike_show_less():
    def shown(alike):
        line = next(one for one in propose(numbers(3), 16, seed=1, alike=alike).reasons
                    if one.startswith("A change of "))  # fmt: skip
        return float(line.split(" ")[3])

    assert shown(0.1) < shown(1.5)


def test_reasons_speak_the_words_of_the_kitchen():
    plan = propose([*numbers(4), OIL], 24, loads=6, days=3, seed=1)
    text = said(plan)
    assert "6 oil fills over 3 days" in text
    assert "Oil temperature is set afresh only 6 times, so it is judged on 6 oil fills" in text
    for word in ("trial", "criterion", "seed", "coded", "nan", "  ", "inf "):
        assert word not in text
    assert all(one.endswith(".") for one in plan.reasons)


def test_a_hard_factor_that_can_not_be_judged_is_said_before_shopping():
    plan = propose([*numbers(4), OIL], 12, loads=2, seed=1)
    line = next(one for one in plan.reasons if "can not settle" in one)
    assert line.startswith("12 bakes in 2 oil fills can not settle oil temperature: hold it at 172")
    assert "these 4 can be judged: " in line
    assert all(factor.name in line for factor in numbers(4))
    # With the fills that it names it can be judged, and the sentence goes
    named = int(re.search(r"plan (\d+) oil fills \(loads = \1\)", line)[1])
    assert "can not settle" not in said(propose([*numbers(4), OIL], 12, loads=named, seed=1))
    assert "or set oil temperature anew for each bake (leave hard_to_change out)" in line


def test_loads_that_were_left_to_it_are_filled_evenly():
    plan = propose([*numbers(4), OIL], 13, seed=1)
    sizes = plan.table.groupby("load").size()
    assert sizes.nunique() == 1
    assert plan.count() <= 13
    assert "optimal plan" in plan.family


def test_a_heat_set_afresh_for_every_bake_needs_no_word():
    assert "set afresh only" not in said(propose([*numbers(3), OIL], 12, loads=12, seed=1))


def test_what_the_budget_can_not_tell_is_said_with_its_price():
    plan = propose(numbers(6), 16, aim="interactions", seed=1)
    line = next(one for one in plan.reasons if "can not tell" in one)
    assert line.startswith("16 bakes can not tell")
    price = int(line.split(". ")[1].split(" bakes")[0])
    # Six singles and fifteen pairs beside the mean need 22 bakes
    assert 22 <= price <= 32
    dearer = propose(numbers(6), price, aim="interactions", seed=1)
    assert "can not tell" not in said(dearer)


def test_the_runners_up_are_two_other_plans_with_their_numbers():
    last = propose(numbers(4), 30, aim="optimise", seed=1).reasons[-1]
    assert last.startswith("Weighed and left: ")
    assert last.count("all 14 effects told apart") == 2
    assert last.count("a difference worth noticing seen") == 2
    assert re.search(r"The plan chosen sees one \d+ times in 100\.$", last)


@pytest.mark.parametrize("aim", ["screen", "interactions", "optimise"])
def test_every_family_is_said_in_plain_words_and_named_once(aim):
    reasons = propose(numbers(4), 16, aim=aim, seed=1).reasons
    names = [name for name in keys() if f"({name})" in " ".join(reasons)]
    assert names
    for name in names:
        assert " ".join(reasons).count(name) == " ".join(reasons).count(f"({name}") == 1


def test_bakes_made_already_are_kept():
    before = full_factorial(numbers(3), seed=1)
    plan = propose(numbers(3), 14, aim="optimise", keep=before, seed=2)
    names = [factor.name for factor in before.factors]
    assert plan.count() == 14
    assert plan.table[names].iloc[:8].equals(before.table[names])


@pytest.mark.parametrize(("first", "bakes", "aim"), [(8, 16, "screen"), (16, 24, "interactions")])
def test_mirror_bakes_are_weighed_for_a_fraction_that_is_kept(first, bakes, aim):
    before = fractional_factorial(numbers(6), bakes=first, seed=1)
    plan = propose(numbers(6), bakes, aim=aim, keep=before, seed=2)
    assert "mirror bakes" in plan.family + plan.reasons[-1]
    assert plan.table["bake"].iloc[:first].tolist() == before.table["bake"].tolist()


def test_reference_bakes_come_on_top():
    plan = propose(numbers(3), 8, references=3, seed=1)
    assert plan.count() == 8
    assert plan.count("reference") == 3


@pytest.mark.parametrize("aim", ["screen", "interactions", "optimise"])
def test_the_same_seed_gives_the_same_plan(aim):
    first, again = (propose([*numbers(3), FATS], 14, aim=aim, seed=5) for _ in range(2))
    assert first.table.equals(again.table)
    assert first.reasons == again.reasons


@settings(max_examples=8, deadline=None)
@pytest.mark.slow
@given(
    edge=st.floats(0.1, 0.9),
    bakes=st.integers(8, 18),
    aim=st.sampled_from(["screen", "interactions", "optimise"]),
    seed=st.integers(0, 1000),
)
def test_an_exclusion_is_never_broken(edge, bakes, aim, seed):
    water, rest = Numeric("water", 0, 1), Numeric("rest", 0, 1)
    asked = []

    def rule(bake):
        asked.append(bake)
        return bake["water"] > edge and bake["fat"] == "lard"

    plan = propose([water, rest, FATS], bakes, aim=aim, exclude=rule, seed=seed)
    table = plan.table
    assert not ((table["water"] > edge) & (table["fat"] == "lard")).any()
    assert asked
    assert plan.excluded


def test_a_table_of_exclusions_goes_with_the_plan_whatever_its_family():
    table = pd.DataFrame({"fat": ["lard"], "rest": [20.0]})
    rest = Numeric("rest", 20, 60)
    plan = propose([rest, FATS], 10, exclude=table, seed=1)
    assert plan.excluded == ({"fat": "lard", "rest": 20.0},)
    bakes = plan.table
    assert not ((bakes["fat"] == "lard") & (bakes["rest"] == 20)).any()


@pytest.mark.parametrize(
    ("wishes", "named"),
    [
        ({"bakes": 0}, "bakes is 0"),
        ({"bakes": -4}, "bakes is -4"),
        ({"bakes": 10**9}, "bakes is 1000000000"),
        ({"bakes": 8.5}, '"bakes" is 8.5'),
        ({"bakes": 3}, "bakes is 3"),
        ({"aim": "learn"}, "aim is 'learn'"),
        ({"days": 0}, "days is 0"),
        ({"references": -1}, "references is -1"),
        ({"loads": 5}, "loads is 5"),
        ({"loads": {"dough": 4}}, '"dough"'),
        ({"tasters": 0}, "tasters is 0"),
        ({"tasters": []}, "tasters is 0"),
        ({"worth_noticing": 0}, "worth_noticing is 0"),
        ({"worth_noticing": -1.0}, "worth_noticing is -1.0"),
        ({"alike": 0}, "alike is 0"),
        ({"exclude": lambda bake: True}, "exclude leaves nothing"),
        ({"exclude": [{"salt": 3}]}, 'exclude names "salt"'),
        ({"seed": -1}, "seed is -1"),
    ],
)
def test_bad_answers_are_refused_with_a_word(wishes, named):
    wishes = {"bakes": 8, "seed": 1} | wishes
    with pytest.raises(TrialsError) as error:
        propose(numbers(4), **wishes)
    assert named in str(error.value)


def test_blends_that_can_not_sum_to_one_are_refused():
    with pytest.raises(TrialsError, match="60 % at most"):
        propose([Component("rye", 0, 0.3), Component("wheat", 0, 0.3)], 8, seed=1)


def test_an_exclusion_that_hides_an_effect_is_refused_by_name():
    water, rest = (factor.name for factor in numbers(2))
    with pytest.raises(TrialsError, match="they always change together") as error:
        propose(numbers(2), 8, exclude=lambda bake: bake[water] != bake[rest], seed=1)
    assert water in str(error.value)
    assert rest in str(error.value)


def test_six_factors_on_an_idle_core_take_less_than_five_seconds():
    start = time.process_time()
    propose([*numbers(5), OIL], 32, aim="interactions", days=4, loads=8, seed=1)
    assert time.process_time() - start < 5


def test_relabelling_the_factors_does_not_change_what_is_promised():
    first = propose(numbers(5), 16, aim="interactions", seed=1)
    other = [Numeric(name, 10, 30) for name in ("zinc", "yam", "xylitol", "water", "vanilla")]
    again = propose(other, 16, aim="interactions", seed=1)
    assert first.family == again.family
    assert np.array_equal(first.coded.to_numpy(), again.coded.to_numpy())


def test_bakes_left_for_later_make_this_round_a_part_of_the_plan_for_both():
    whole = propose(numbers(5), 16, aim="interactions", seed=1)
    part = propose(numbers(5), 12, aim="interactions", later=4, references=2, seed=1)
    names = [factor.name for factor in whole.factors]
    settings = set(map(tuple, part.table.loc[part.table["role"] != "reference", names].to_numpy()))
    assert len(settings) == 12
    assert settings < set(map(tuple, whole.table[names].to_numpy()))
    assert (part.count(), part.count("reference"), part.days) == (12, 2, 1)
    assert "the part to bake first of a plan of 16 bakes" in part.reasons[-1]
    assert "16 bakes would" in said(part)


def test_where_more_bakes_would_tell_hardly_more_nothing_is_left_for_later():
    plan = propose(numbers(3), 24, aim="interactions", later=1, seed=1)
    assert plan.table.equals(propose(numbers(3), 24, aim="interactions", seed=1).table)
    assert "none of it is left for later" in plan.reasons[-1]


@pytest.mark.parametrize(
    ("factors", "wishes"),
    [(parts(3), {}), (numbers(5), {"keep": full_factorial(numbers(5), seed=1)})],
)
def test_later_says_where_it_can_not_be_and_why(factors, wishes):
    with pytest.raises(TrialsError, match=r"later is 4, but .* Leave later out"):
        propose(factors, 12, later=4, seed=1, **wishes)


@pytest.mark.parametrize(
    ("factors", "wishes"),
    [(numbers(5), {"days": 2}), ([*numbers(4), OIL], {"loads": 4})],
)
def test_later_works_over_days_and_with_shared_heats(factors, wishes):
    plan = propose(factors, 12, later=4, seed=1, **wishes)
    assert plan.count() == 12
    assert plan.days == wishes.get("days", 1)
    assert "what the 4 bakes of a later round should be is decided when" in plan.reasons[-1]


class TestBudgetsAreUsed:
    @pytest.mark.parametrize("aim", ["screen", "interactions"])
    @pytest.mark.parametrize("bakes", [9, 10, 11, 14])
    def test_every_bake_that_was_asked_for_is_planned(self, bakes, aim):
        plan = propose(numbers(4), bakes, aim=aim, tasters=2, seed=1)
        assert plan.count() == bakes

    def test_the_bakes_added_tell_more_and_lie_within_what_may_be_baked(self):
        factors = numbers(4)
        corner = pd.DataFrame([{one.name: one.high for one in factors}])
        eight = propose(factors, 8, tasters=2, exclude=corner, seed=1)
        ten = propose(factors, 10, tasters=2, exclude=corner, seed=1)
        assert ten.count() == 10
        names = [one.name for one in factors]
        assert not (ten.table[names] == corner.iloc[0]).all(axis=1).any()
        asked = {"worth": 0.7, "tasters": 2}
        assert promise(ten, names, **asked).smallest < promise(eight, names, **asked).smallest

    def test_eight_and_then_two_is_offered_with_its_gain(self):
        plan = propose(numbers(4), 10, aim="interactions", tasters=2, seed=1)
        line = next(one for one in plan.reasons if "8 bakes now, and 2 more" in one)
        offer = plan.details["two sittings"]
        assert (offer["first"], offer["later"]) == (8, 2)
        assert f"{offer['gain']:.2f} points better than 10 at once" in line
        assert "rehearsed" in line

    def test_a_second_sitting_is_not_offered_where_the_bakes_already_tell_all(self):
        plan = propose(numbers(3), 16, aim="interactions", tasters=12, seed=1)
        assert "two sittings" not in plan.details

    def test_a_reference_bake_is_on_top_and_one_day_can_do_without(self):
        one = propose(numbers(4), 8, references=1, tasters=2, seed=1)
        assert (one.count(), one.count("reference")) == (8, 1)
        line = next(said for said in one.reasons if said.startswith("The reference bake"))
        assert "leave it out" in line
        two = propose(numbers(4), 8, references=2, days=2, tasters=2, seed=1)
        line = next(said for said in two.reasons if said.startswith("The 2 reference bakes"))
        assert "what the days differ by" in line
        assert "leave" not in line


QUADRATIC = [term.name for term in model_terms("quadratic", numbers(3))]


class TestTuning:
    """Three factors told bends with 13, 14, 15 and 18 to 22 bakes, not with 12, 16 or 24."""

    def tuned(self, bakes):
        plan = propose(numbers(3), bakes, aim="optimise", seed=1)
        found = promise(plan, QUADRATIC, worth=0.7, tasters=6)
        bends = found.table[found.table["bend"]]
        assert plan.count() == bakes
        assert (bends["judged_on"] != "").all()
        return found.tuning

    def test_bends_are_told_whatever_the_budget_and_a_bake_more_never_tunes_worse(self):
        tuned = [self.tuned(bakes) for bakes in (9, 11, 12, 13, 16, 24)]
        assert (np.diff(tuned) > -1e-3).all()

    def test_the_right_side_is_named_as_often_as_rounds_that_are_played_out_name_it(self):
        plan = central_composite(numbers(2), seed=1)
        found = promise(plan, [t.name for t in model_terms("quadratic", plan.factors)],
                        worth=0.7, tasters=6)  # fmt: skip
        bakes = plan.coded[[one.name for one in plan.factors]].to_numpy(float)
        x, other = bakes.T
        X = np.column_stack([np.ones(len(x)), x, other, x * other, x**2, other**2])
        rng = np.random.default_rng(5)
        # The usual spreads: bakes 0.25, a taster's own taste 0.5, one score 1.1
        error = np.sqrt(0.25**2 + (0.5**2 + 1.1**2) / 6)
        # A peak half-way to the high end, 0.7 above the mean of the ends: 0.7 x - 0.7 x^2
        y = (0.7 * x - 0.7 * x**2)[:, None] + error * rng.standard_normal((len(x), 20_000))
        slope, bend = np.linalg.lstsq(X, y, rcond=None)[0][[1, 4]]
        peak = -slope / (2 * bend)
        named = ((bend < 0) & (peak > 0) & (peak < 1)).mean()
        chance = found.table.set_index("term")["chance"].filter(like="^2").iloc[0]
        assert abs(chance - named) < 4 * np.sqrt(named * (1 - named) / 20_000)

    def test_a_plan_without_middles_never_names_it(self):
        plan = full_factorial(numbers(3), replicates=2, seed=1)
        assert promise(plan, QUADRATIC, worth=0.7, tasters=6).tuning == 0
