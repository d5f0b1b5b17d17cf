import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from trials.base.errors import TastingError
from trials.tasting.panel import Taster
from trials.tasting.replanning import replan_servings
from trials.tasting.serving import COLUMNS, balance_in_words, look, serving_plan

PEOPLE = ["Ida", "Bo", "Mia", "Jon", "Eva", "Ole", "Pia", "Kai"]
BAKES = [f"B{i:02}" for i in range(1, 13)]


def samples(plan):
    return plan.table[plan.table["kind"] == "sample"]


@st.composite
def requests(draw):
    people = PEOPLE[: draw(st.integers(1, 6))]
    bakes = BAKES[: draw(st.integers(2, 10))]
    days = None
    if draw(st.booleans()):
        days = {bake: draw(st.sampled_from(["Saturday", "Sunday"])) for bake in bakes}
    avoid = {
        person: draw(st.sets(st.sampled_from([*bakes, "C01", "W01"]), max_size=4))
        for person in people
        if draw(st.booleans())
    }
    avoid = {p: kept for p, kept in avoid.items() if not kept >= set(bakes)}
    return people, {
        "bakes": bakes,
        "per_sitting": draw(st.integers(3, 8)),
        "sittings": draw(st.sampled_from([None, 1])),
        "days": days,
        "avoid": avoid,
        "reference": draw(st.sampled_from([None, "C01"])) if not _names(avoid, "C01") else "C01",
        "warm_up": draw(st.sampled_from([None, "W01"])) if not _names(avoid, "W01") else "W01",
        "reference_named": draw(st.booleans()),
        "repeats": draw(st.integers(0, 1)),
        "seed": draw(st.integers(0, 999)),
    }


def _names(avoid, bake):
    return any(bake in kept for kept in avoid.values())


@settings(max_examples=25, deadline=None)
@given(requests())
def test_every_plan_keeps_its_promises(request):
    people, asked = request
    plan = serving_plan(people, **asked)
    table = plan.table
    assert tuple(table.columns) == COLUMNS
    # nothing avoided is served, whatever its kind
    for person, kept in asked["avoid"].items():
        assert not set(table.loc[table["taster"] == person, "bake"]) & kept
    # a bake is served on its day
    if asked["days"]:
        day_of = dict(plan.sitting_days)
        for row in samples(plan).itertuples():
            assert day_of[row.sitting] == asked["days"][row.bake]
    # codes: one a serving, none twice, none alike in a sitting
    assert table["code"].is_unique
    for _, sitting in table.groupby("sitting"):
        assert sitting["code"].map(look).is_unique
    # nobody gets a bake twice but as a hidden repeat, of a bake of that sitting
    assert not samples(plan).duplicated(["taster", "bake"]).any()
    for (_, _), sitting in table.groupby(["taster", "sitting"]):
        kinds = sitting.groupby("kind")["bake"].agg(set)
        scored = sitting[sitting["kind"] != "warm-up"]
        assert sorted(scored["place"]) == list(range(1, len(scored) + 1))
        assert len(scored) <= asked["per_sitting"]
        assert set(sitting.loc[sitting["kind"] == "warm-up", "place"]) <= {0}
        if asked["repeats"]:
            assert kinds["repeat"] <= kinds["sample"]
    # everybody meets all they may, when sittings were left free
    if asked["sittings"] is None:
        for person in people:
            mine = set(samples(plan).loc[samples(plan)["taster"] == person, "bake"])
            assert mine == set(asked["bakes"]) - set(asked["avoid"].get(person, ()))
    again = serving_plan(people, **asked)
    assert_frame_equal(table, again.table)


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 12), st.integers(2, 20), st.integers(2, 8), st.booleans(), st.integers(0, 99))
def test_places_are_even_to_within_one(tasters, bakes, per_sitting, one_sitting, seed):
    plan = serving_plan(
        [f"T{i}" for i in range(tasters)],
        [f"B{i}" for i in range(bakes)],
        per_sitting=per_sitting,
        sittings=1 if one_sitting else None,
        seed=seed,
    )
    places = pd.crosstab(plan.table["bake"], plan.table["place"])
    if not one_sitting or tasters * per_sitting >= bakes:
        assert len(places) == bakes
    counted = int(np.ptp(places, axis=0).max())
    assert counted <= plan.position_gap <= 1


def test_neighbours_are_counted_as_reported():
    plan = serving_plan(PEOPLE, BAKES[:6], per_sitting=3, seed=5)
    after = pd.DataFrame(0, index=BAKES[:6], columns=BAKES[:6])
    for _, sitting in plan.table.groupby(["taster", "sitting"]):
        order = sitting.sort_values("place")["bake"].tolist()
        for i in range(len(order) - 1):
            after.loc[order[i], order[i + 1]] += 1
    between = after.to_numpy()[~np.eye(6, dtype=bool)]
    row = plan.balance.iloc[0]
    assert (row["follows_least"], row["follows_most"]) == (between.min(), between.max())
    # 8 tasters x 2 sittings x 2 neighbours = 32 over 30 ordered pairs: 28 ones and 2 twos at best
    assert row["follows_excess"] == pytest.approx((between**2).sum() / 36 - 1)


def test_another_seed_gives_another_plan():
    one, other = (serving_plan(PEOPLE, BAKES[:5], per_sitting=5, seed=seed) for seed in (1, 2))
    assert one.table["bake"].tolist() != other.table["bake"].tolist()
    assert one.table["code"].tolist() != other.table["code"].tolist()


def test_hidden_repeats_are_spread_over_the_bakes():
    plan = serving_plan(PEOPLE, BAKES[:4], per_sitting=5, repeats=1, seed=3)
    repeats = plan.table[plan.table["kind"] == "repeat"]
    assert repeats["bake"].value_counts().tolist() == [2, 2, 2, 2]
    assert repeats["place"].value_counts().max() <= 2


def test_one_taster_is_a_plan():
    plan = serving_plan(["Ida"], BAKES[:4], per_sitting=6, repeats=1, reference="C01", seed=2)
    assert plan.table["kind"].value_counts().to_dict() == {"sample": 4, "repeat": 1, "reference": 1}


def test_the_blind_reference_takes_its_turn_and_the_named_one_stands_first():
    blind = serving_plan(PEOPLE[:5], BAKES[:4], per_sitting=5, reference="C01", seed=1)
    places = blind.table.loc[blind.table["kind"] == "reference", "place"]
    assert sorted(places) == [1, 2, 3, 4, 5]
    named = serving_plan(
        PEOPLE[:5], BAKES[:4], per_sitting=5, reference="C01", reference_named=True, seed=1
    )
    assert set(named.table.loc[named.table["kind"] == "reference", "place"]) == {1}


def test_a_reference_of_each_day_is_served_on_its_day():
    days = dict(zip(BAKES[:6], [1, 1, 1, 2, 2, 2], strict=True))
    plan = serving_plan(
        PEOPLE[:3], BAKES[:6], per_sitting=4, days=days, reference={1: "C01", 2: "C02"}, seed=1
    )
    by_sitting = plan.table[plan.table["kind"] == "reference"].groupby("sitting")["bake"].agg(set)
    assert by_sitting.to_dict() == {1: {"C01"}, 2: {"C02"}}


def test_what_can_not_be_had_is_said():
    plan = serving_plan(["Ida", "Bo"], BAKES, per_sitting=3, sittings=1, seed=1)
    assert any(note.startswith("Nobody tastes") for note in plan.notes)
    assert any("only across sittings" in note for note in plan.notes)
    assert plan.efficiency == 0.0


def test_the_page_holds_no_markup_of_names():
    plan = serving_plan(["<script>"], ["<b>", "B02"], per_sitting=2, seed=1)
    assert "<script>" not in plan._repr_html_()
    assert "<b>" not in plan._repr_html_()


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"bakes": []}, "no bake"),
        ({"bakes": ["B01", "B01"]}, "more than once"),
        ({"bakes": "B01"}, '"bakes" is the text "B01"'),
        ({"bakes": ["B01", 2]}, "number 2 of"),
        ({"per_sitting": 0}, "per_sitting"),
        ({"per_sitting": 2.5}, "per_sitting"),
        ({"per_sitting": True}, "per_sitting"),
        ({"per_sitting": "many"}, "per_sitting"),
        ({"per_sitting": float("nan")}, "per_sitting"),
        ({"sittings": 9}, "more than the 3 bakes"),
        ({"days": {"B01": 1}}, "B02, B03"),
        ({"avoid": {"Zed": ["B01"]}}, "not a taster"),
        ({"avoid": {"Ida": ["B99"]}}, "no such bake"),
        ({"avoid": {"Ida": ["B01", "B02", "B03"]}}, "none of the bakes"),
        ({"reference": "B01"}, "Leave it out of bakes"),
        ({"reference": {2: "C01"}, "days": {"B01": 1, "B02": 1, "B03": 1}}, "none for day 1"),
        ({"warm_up": "B01", "days": {"B01": 1, "B02": 2, "B03": 2}}, "baked on day 1"),
        ({"repeats": 3}, "no place for a bake"),
        ({"repeats": -1}, "repeats"),
        ({"seed": None}, "seed"),
        ({"tasters": [Taster("Ida", "milk"), "Bo"]}, "nothing says which bakes"),
    ],
)
def test_what_can_not_be_is_refused(changed, says):
    asked = {"tasters": ["Ida", "Bo"], "bakes": BAKES[:3], "per_sitting": 3, "seed": 1} | changed
    with pytest.raises(TastingError, match=says):
        serving_plan(asked.pop("tasters"), asked.pop("bakes"), **asked)


def test_too_many_servings_run_out_of_codes():
    people = [f"T{i}" for i in range(12)]
    with pytest.raises(TastingError, match="codes run out"):
        serving_plan(people, [f"B{i}" for i in range(20)], per_sitting=2, repeats=1, seed=1)


# --- mending a plan ---


def codes_of(plan, **where):
    table = plan.table
    for column, value in where.items():
        table = table[table[column].isin(value if isinstance(value, list) else [value])]
    return set(table["code"])


def rows_with(plan, codes):
    return plan.table[plan.table["code"].isin(codes)].sort_values("code").reset_index(drop=True)


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_what_was_served_is_never_touched(data):
    plan = serving_plan(
        PEOPLE[:5],
        BAKES[:9],
        per_sitting=4,
        reference="C01",
        repeats=0,
        seed=data.draw(st.integers(0, 99)),
    )
    over = data.draw(st.integers(1, 3))
    held = sorted(codes_of(plan, sitting=list(range(1, over + 1))))
    served = set(data.draw(st.lists(st.sampled_from(held), unique=True)))
    leaves = data.draw(st.sets(st.sampled_from(PEOPLE[:5]), max_size=2))
    joins = data.draw(st.sampled_from([[], ["Kai"]]))
    extra = data.draw(st.integers(0, 2))
    assume(served or over + 1 <= plan.table["sitting"].max())
    new = replan_servings(
        plan,
        served=served,
        next_sitting=over + 1,
        joins=joins,
        leaves=leaves,
        extra_sittings=extra,
        avoid={"Kai": ["B02"]} if joins else None,
        seed=7,
    )
    assert_frame_equal(rows_with(plan, served), rows_with(new, served))
    assert new.table["code"].is_unique
    past = new.table[new.table["sitting"] <= over]
    assert set(past["code"]) == served
    fresh = new.table[~new.table["code"].isin(plan.table["code"])]
    assert not set(fresh["code"]) & {code for _, code in new.retired}
    assert not samples(new).duplicated(["taster", "bake"]).any()
    assert "B02" not in set(new.table.loc[new.table["taster"] == "Kai", "bake"])
    to_come = new.table[~new.table["code"].isin(served)]
    assert not leaves & set(to_come["taster"])


def test_who_missed_a_sitting_catches_up_and_the_others_keep_their_ballots():
    plan = serving_plan(PEOPLE[:4], BAKES[:8], per_sitting=4, seed=2)
    served = codes_of(plan, sitting=1, taster=PEOPLE[1:4])
    new = replan_servings(plan, served=served, next_sitting=2, extra_sittings=1, seed=3)
    others = codes_of(plan, taster=PEOPLE[1:4])
    assert_frame_equal(rows_with(plan, others), rows_with(new, others))
    ida = new.table[new.table["taster"] == "Ida"]
    assert set(ida["bake"]) == set(BAKES[:8])
    assert set(ida["sitting"]) == {2, 3}
    assert new.notes == ()


def test_a_bake_whose_day_is_over_is_not_served_late():
    days = dict(zip(BAKES[:6], [1, 1, 1, 2, 2, 2], strict=True))
    plan = serving_plan(PEOPLE[:3], BAKES[:6], per_sitting=3, days=days, seed=2)
    served = codes_of(plan, sitting=1, taster=PEOPLE[1:3])
    new = replan_servings(plan, served=served, next_sitting=2, seed=3)
    assert set(new.table.loc[new.table["taster"] == "Ida", "bake"]) == set(BAKES[3:6])
    assert any("Ida can not taste B01, B02, B03: day 1 is over." in note for note in new.notes)


def test_what_turns_out_to_be_avoided_is_taken_away():
    plan = serving_plan(PEOPLE[:4], BAKES[:8], per_sitting=4, seed=2)
    served = codes_of(plan, sitting=1)
    ida = plan.table[(plan.table["taster"] == "Ida") & (plan.table["sitting"] == 2)]
    bad = ida["bake"].iloc[0]
    new = replan_servings(plan, served=served, next_sitting=2, avoid={"Ida": [bad]}, seed=3)
    later = new.table[(new.table["taster"] == "Ida") & (new.table["sitting"] == 2)]
    assert set(later["bake"]) == set(ida["bake"]) - {bad}


def test_places_stay_even_around_a_newcomer():
    plan = serving_plan(PEOPLE[:3], BAKES[:4], per_sitting=4, seed=2)
    new = replan_servings(plan, served=[], next_sitting=1, joins=["Kai"], seed=3)
    places = pd.crosstab(new.table["bake"], new.table["place"]).to_numpy()
    assert (places == 1).all()


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"served": ["999"]}, "999 was not planned"),
        ({"served": "124"}, '"served" is the text "124"'),
        ({"leaves": ["Zed"]}, "not a taster"),
        ({"joins": ["ida"]}, "too alike"),
        ({"joins": [Taster("Kai", "milk")]}, "nothing says"),
        ({"next_sitting": 0}, "next_sitting"),
        ({"extra_sittings": -1}, "extra_sittings"),
    ],
)
def test_a_mending_that_can_not_be_is_refused(changed, says):
    plan = serving_plan(PEOPLE[:2], BAKES[:4], per_sitting=2, seed=1)
    with pytest.raises(TastingError, match=says):
        replan_servings(plan, **({"served": [], "next_sitting": 2, "seed": 1} | changed))


def test_a_round_of_which_nothing_is_left_is_refused():
    plan = serving_plan(PEOPLE[:2], BAKES[:4], per_sitting=4, seed=1)
    with pytest.raises(TastingError, match="nothing is left to taste"):
        replan_servings(plan, served=[], next_sitting=2, seed=1)


def test_a_sitting_served_is_not_to_come():
    plan = serving_plan(PEOPLE[:2], BAKES[:4], per_sitting=2, seed=1)
    with pytest.raises(TastingError, match="Set next_sitting to 3"):
        replan_servings(plan, served=codes_of(plan, sitting=2), next_sitting=2, seed=1)


def test_what_small_sittings_cost_is_said_plainly():
    """Three bakes in two sittings of two: efficiency 2/3 by hand, and 3/4 at most."""
    row = {
        "day": "", "sittings": 2, "bakes": 3, "served_least": 1, "served_most": 2,
        "position_gap": 1, "follows_least": 0, "follows_most": 1, "follows_excess": 0.0,
        "efficiency": 2 / 3, "bound": 3 / 4,
    }  # fmt: skip
    said = balance_in_words(row)
    assert "100 tastings tell as much as 67 would in sittings that do" in said
    assert said.endswith("such sittings can not do better than 75.")
    assert "give or take 1." in said
    assert "Every sitting holds every bake" in balance_in_words(
        row | {"efficiency": 1.0, "bound": 1.0}
    )
    assert "never meet in a sitting" in balance_in_words(row | {"efficiency": 0.0})
    assert "Right after any one bake each other is tasted at most once" in said
    never = balance_in_words(row | {"follows_most": 0})
    alone = balance_in_words(row | {"bakes": 1, "day": "1, part 3", "served_least": 2})
    assert "right after" not in f"{never} {alone}".casefold()
    assert alone == "Day 1, part 3: one bake is tasted twice, in 2 sittings."


def test_a_bake_that_everybody_avoids_is_said_to_be_avoided_not_to_lack_room():
    bakes = [f"B{place:02d}" for place in range(1, 7)]
    plan = serving_plan(
        ["Ida", "Bo"], bakes, per_sitting=6, avoid={"Ida": ["B02"], "Bo": ["B02", "B03"]}, seed=1
    )
    said = " ".join(plan.notes)
    assert "Nobody tastes B02: everybody who comes avoids something in it" in said
    assert "too few places" not in said
