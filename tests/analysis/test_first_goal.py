"""Several goals: the first leads, the others choose among what is as good in it.

All tables are invented: eight bakes, two of them reference bakes where it says so.
"""

import re

import numpy as np
import pandas as pd
import pytest

import trials
from tests.doors.test_one_answer import plain
from trials import Categorical, Measure, Numeric
from trials.doors import demo
from trials.doors.cli import run
from trials.rounds.scores import record_scores

COOKING = Categorical("cooking", ["oven", "shallow-fry"])
FAT = Categorical("fat", ["butter", "lard"])
LIKING = Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.7)
GREASY = Measure("greasiness", ("intensity", 0, 10), goal="lower", worth_noticing=1.0)
OIL = Measure("oil uptake", "number", unit="%", per="bake", goal="lower", worth_noticing=1.0)


def eight_bakes(liking, greasy, oil):
    """Every combination twice; each function gives a score of a bake, errors as listed."""
    bakes = [(way, fat) for way in COOKING.levels for fat in FAT.levels] * 2
    errors = [0.1, -0.1, 0.1, -0.1, -0.1, 0.1, -0.1, 0.1]
    table = pd.DataFrame(bakes, columns=["cooking", "fat"])
    table["bake"] = [f"B{n:02d}" for n in range(1, 9)]
    for name, truth in (("liking", liking), ("greasiness", greasy), ("oil uptake", oil)):
        table[name] = [truth(*bake) + error for bake, error in zip(bakes, errors, strict=True)]
    return table


def fitted(table, *measures):
    return {
        one.name: trials.fit(table, one.name, [COOKING, FAT], model="main", measure=one)
        for one in measures
    }


def test_what_takes_up_no_oil_is_not_chosen_over_what_is_liked():
    # Counted alike, no oil and no grease at all outweigh 1.4 points of liking
    table = eight_bakes(
        lambda way, _: 6.5 if way == "shallow-fry" else 5.1,
        lambda way, _: 6.0 if way == "shallow-fry" else 1.0,
        lambda way, _: 12.0 if way == "shallow-fry" else 0.2,
    )
    best = trials.recommend(fitted(table, LIKING, GREASY, OIL), [LIKING, GREASY, OIL])
    assert best.settings["cooking"] == "shallow-fry"
    assert best.given_up == ""


def test_among_what_is_as_good_the_other_goals_choose_and_it_is_said_what_that_gives_up():
    table = eight_bakes(
        lambda way, fat: 5.0 + (way == "shallow-fry") * 2 - (fat == "lard") * 0.3,
        lambda way, fat: 6.0 - (fat == "lard") * 3,
        lambda way, fat: 9.0 - (fat == "lard") * 2,
    )
    best = trials.recommend(fitted(table, LIKING, GREASY), [LIKING, GREASY])
    alone = trials.recommend(fitted(table, LIKING), LIKING)
    assert alone.settings == {"cooking": "shallow-fry", "fat": "butter"}
    assert best.settings == {"cooking": "shallow-fry", "fat": "lard"}
    lost = alone.expected["estimate"].iloc[0] - best.expected["estimate"].iloc[0]
    assert 0 < lost <= LIKING.margin
    assert best.given_up in best.sentences
    assert best.given_up.startswith(f"It gives up {lost:.1g} of liking for less greasiness (")


@pytest.mark.parametrize("dearer", [0.8, 1.5])
def test_more_than_worth_noticing_of_the_first_goal_is_never_given_up(dearer):
    table = eight_bakes(
        lambda way, fat: 6.0 - (fat == "lard") * dearer,
        lambda way, fat: 9.0 - (fat == "lard") * 8,
        lambda way, fat: 9.0,
    )
    best = trials.recommend(fitted(table, LIKING, GREASY), [LIKING, GREASY])
    top = trials.recommend(fitted(table, LIKING), LIKING).expected["estimate"].iloc[0]
    assert top - best.expected["estimate"].iloc[0] <= LIKING.margin


def test_goals_that_somebody_weighed_are_counted_together():
    table = eight_bakes(
        lambda way, _: 6.0 if way == "shallow-fry" else 5.0,
        lambda way, _: 9.0 if way == "shallow-fry" else 1.0,
        lambda way, _: 9.0,
    )
    found = fitted(table, LIKING, GREASY)
    assert trials.recommend(found, [LIKING, GREASY]).settings["cooking"] == "shallow-fry"
    weighed = trials.recommend(found, [LIKING, GREASY], weights={"greasiness": 3})
    assert weighed.settings["cooking"] == "oven"


REST = Numeric("rest", 20, 60, "min")


@pytest.fixture(scope="module")
def ahead(tmp_path_factory):
    """Six bakes, none of them as good as the reference bakes beside them: a round, baked."""
    home = tmp_path_factory.mktemp("ahead") / "round-1"
    plan = trials.propose([FAT, REST], 6, days=2, references=2, seed=3)
    liking = Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.7)
    round_ = trials.Round.create(
        home,
        plan=plan,
        measures=[liking],
        tasters=[trials.Taster("Ada"), trials.Taster("Ben")],
        formula=trials.Formula("bun", {"bread flour": 100, "water": 60, "butter": 20, "salt": 2}),
        seed=3,
        invented=True,
    )
    trials.write_sheets(round_)
    rows = [
        {
            "bake": bake,
            "taster": taster,
            "liking": (7 if role == "reference" else 4) + (place // by) % 2,
            "status": "made",
            "reason": "",
        }
        for place, (bake, role) in enumerate(plan.table[["bake", "role"]].itertuples(index=False))
        for taster, by in (("Ada", 1), ("Ben", 2))
    ]
    record_scores(round_, pd.DataFrame(rows))
    trials.check(round_)
    return round_


def test_what_is_expected_below_the_reference_is_not_the_setting_to_go_for(ahead):
    found = trials.fit(ahead, "liking")
    best = trials.recommend(found, ahead.measures)
    again = found.bakes[
        found.bakes["bake"].isin(ahead.plan.table.query("role == 'reference'")["bake"])
    ]
    expected = float(best.expected["estimate"].iloc[0])
    assert expected == pytest.approx(float(again["mean"].iloc[0]))
    assert best.settings["rest"] == REST.middle
    assert best.to_learn is not None
    learned = float(found.expected(pd.DataFrame([dict(best.to_learn)]))[0])
    assert learned < expected
    assert any("Stay with the reference bake for now" in one for one in best.sentences)


def test_every_door_stays_with_the_reference(ahead, tmp_path, capsys):
    best = trials.recommend(trials.fit(ahead, "liking"), ahead.measures)
    stay = best.sentences[1]
    assert run(["fit", str(ahead.folder)]) == 0
    shown = capsys.readouterr().out
    assert stay in shown
    assert "Go for" not in shown
    assert stay in plain(trials.report(ahead, tmp_path / "page.html"))
    following = trials.next_round(ahead, 4)
    assert following.reasons[0].startswith(f"{stay.removesuffix('.')}; the best of the others")
    told = trials.tell(ahead)
    assert told.settings == best.settings
    assert stay in told.table["decided"].iloc[0]


def test_the_next_round_tries_the_best_of_the_others_beside_the_reference(ahead):
    best = trials.recommend(trials.fit(ahead, "liking"), ahead.measures)
    plan = trials.next_round(ahead, 4, action="confirm").plan
    new = plan.table[~plan.table["bake"].isin(ahead.plan.table["bake"])]
    tried = new[new["role"] == "trial"]
    assert (tried["fat"] == best.to_learn["fat"]).all()
    assert np.allclose(tried["rest"], best.to_learn["rest"])
    assert (new["role"] == "reference").any()


def test_fit_names_the_setting_and_the_best_bake_first(tmp_path, capsys):
    round_ = demo.baked(tmp_path / "farl")
    capsys.readouterr()
    assert run(["fit", str(round_.folder)]) == 0
    shown = capsys.readouterr().out.splitlines()
    found = trials.fit(round_, "liking")
    best = trials.recommend(
        {one: trials.fit(round_, one) for one in ("liking", "tenderness")}, demo.MEASURES[:2]
    )
    settings = [factor.show(best.settings[factor.name]) for factor in best.factors]
    assert all(one in shown[0] for one in settings)
    # A repeat can not score off the scale, however little is known of it
    least, most = (
        float(one) for one in re.findall(r"between ([\d.−-]+) and ([\d.]+) for", shown[0])[0]
    )
    assert 1 <= least < most <= 9
    top = found.bakes.iloc[0]
    assert shown[2].startswith("1 of 10 bakes failed")
    assert shown[4].startswith(f"Best bake so far for liking: {top['bake']} scored ")
    assert f"expect about {top['mean']:.1f} again" in shown[4]
