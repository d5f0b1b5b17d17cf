"""Optimal plans reach what can be reached, never break a rule, and say what can not be."""

import itertools
from dataclasses import replace

import joblib
import numpy as np
import pandas as pd
import pytest
from dask.distributed import Client, LocalCluster
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.design.attainable import cases, planned, share_reached
from trials.base import progress
from trials.base.errors import PlanError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.plan import Plan
from trials.core.terms import basis, coded_settings, model_terms
from trials.design import search as starts_module
from trials.design.exchange import add_bakes, optimal

OIL = Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True)
WATER = Numeric("hydration", 92, 108, "%")
FLOUR = Numeric("buckwheat", 15, 35, "%")
FAT = Categorical("fat", ["butter", "lard", "sunflower oil"])
SUGAR = Numeric("sugar", 4, 12, "%")
PROOF = Numeric("proof", 40, 70, "min")
DOUGHNUT = [OIL, WATER, FLOUR, FAT, SUGAR, PROOF]
DOUGHNUT_MODEL = [
    *(factor.name for factor in DOUGHNUT),
    "oil temperature:hydration",
    "buckwheat:fat",
]
QUICK = ("a", "b", "c", "c2", "s1", "s2", "s3", "s4")


def hot_and_wet(bake: dict) -> bool:
    return bake["oil temperature"] > 172 and bake["hydration"] > 100


def demo(**changes):
    asked = {
        "model": DOUGHNUT_MODEL,
        "bakes": 24,
        "days": 6,
        "loads": 6,
        "criterion": "D",
        "seed": 1,
    }
    return optimal(DOUGHNUT, **(asked | changes))


def trials_of(plan):
    table = plan.table
    return table[table["role"] == "trial"]


@pytest.mark.parametrize(
    "case",
    [case for case in cases() if case["case"] in QUICK],
    ids=lambda case: f"{case['case']}-{case['criterion']}-{case['variance_ratio']}",
)
def test_reaches_the_reference_run(case):
    # Issue's bar: 99.5 % of the reference run's figures, 99 % for split plots
    bar = 99.0 if case["loads"] else 99.5
    assert share_reached(case, planned(case).details["value"]) >= bar


def test_seven_factors_in_twelve_bakes_meet_hadamards_bound():
    case = next(case for case in cases() if case["case"] == "a")
    plan = planned(case)
    X = np.column_stack([np.ones(12), plan.coded])
    assert np.allclose(X.T @ X, 12 * np.eye(8))


def test_value_is_the_determinant_of_the_plan_returned():
    plan = demo()
    table = trials_of(plan)
    factors = list(plan.factors)
    X = basis(model_terms(DOUGHNUT_MODEL, factors), factors).rows(coded_settings(factors, table))
    shared = table["load"].to_numpy()[:, None] == table["load"].to_numpy()
    M = X.T @ np.linalg.inv(np.eye(24) + shared) @ X
    by_hand = 100 * np.linalg.det(M) ** (1 / X.shape[1]) / 24
    assert plan.details["value"] == pytest.approx(by_hand, rel=1e-9)


def test_best_of_all_plans_is_found_where_all_can_be_tried():
    # Every choice of 5 of the 9 settings of two numbers, repeats allowed
    factors = [WATER, FLOUR]
    model = ["hydration", "buckwheat", "hydration^2", "buckwheat^2"]
    grid = np.array(list(itertools.product([-1.0, 0, 1], repeat=2)))
    columns = basis(model_terms(model, factors), factors)
    chosen = itertools.combinations_with_replacement(range(9), 5)
    X = columns.rows(grid[np.array(list(chosen))])
    best = np.abs(np.linalg.det(X)).max() ** (2 / 5) / 5 * 100
    plan = optimal(factors, model=model, bakes=5, criterion="D", seed=3)
    assert plan.details["value"] == pytest.approx(best, rel=1e-9)


def test_the_demo_round():
    plan = demo(references=6)
    table = plan.table
    assert plan.sentence().startswith("24 bakes and 6 reference bakes in 6 oil fills")
    per_load = table[table["role"] == "trial"].groupby("load")
    assert (per_load.size() == 4).all()
    assert (per_load["oil temperature"].nunique() == 1).all()
    assert sorted(per_load["oil temperature"].first()) == [165.0] * 3 + [180.0] * 3
    references = table[table["role"] == "reference"]
    assert (references["oil temperature"] == 172).all()
    assert references["load"].nunique() == 6


def test_an_excluded_corner_is_left_out_and_remembered():
    plan = demo(exclude=hot_and_wet)
    assert not trials_of(plan).apply(lambda bake: hot_and_wet(dict(bake)), axis=1).any()
    assert plan.excluded
    assert all(set(row) == {"oil temperature", "hydration"} for row in plan.excluded)


@settings(max_examples=5, deadline=None)
@given(
    low=st.floats(93, 107),
    heat=st.floats(166, 179),
    kind=st.sampled_from(FAT.levels),
    criterion=st.sampled_from("ID"),
    seed=st.integers(0, 10**6),
)
def test_an_exclusion_is_never_broken(low, heat, kind, criterion, seed):
    def rule(bake):
        return bake["hydration"] > low and bake["oil temperature"] > heat and bake["fat"] == kind

    ranges = {"hydration": [(low, 108)], "oil temperature": [(heat, 180)]}
    table = pd.DataFrame(ranges | {"fat": [kind]})
    for exclude in (rule, table):
        plan = optimal(
            [OIL, WATER, FAT], model="main", bakes=12, loads=6, criterion=criterion,
            exclude=exclude, seed=seed, starts=2, continuous=True,
        )  # fmt: skip
        assert not plan.table.apply(lambda bake: rule(dict(bake)), axis=1).any()


@settings(max_examples=3, deadline=None)
@given(seed=st.integers(0, 10**9))
def test_same_seed_same_plan(seed):
    one, other = (
        optimal([OIL, WATER, FAT], model="interactions", bakes=12, loads=6, seed=seed, starts=2)
        for _ in range(2)
    )
    pd.testing.assert_frame_equal(one.table, other.table)


@settings(max_examples=3, deadline=None)
@given(highs=st.lists(st.floats(0.5, 1.0), min_size=3, max_size=3), seed=st.integers(0, 999))
def test_blends_keep_their_limits_and_sum_to_one(highs, seed):
    flours = [
        Component(name, 0.05, high)
        for name, high in zip(("wheat", "rye", "buckwheat"), highs, strict=True)
    ]
    plan = optimal(flours, model="blend", bakes=8, seed=seed, starts=2)
    shares = plan.table[["wheat", "rye", "buckwheat"]].astype(float)
    assert np.allclose(shares.sum(axis=1), 1)
    for flour in flours:
        assert shares[flour.name].between(flour.low - 1e-9, flour.high + 1e-9).all()


def test_a_free_blend_is_the_simplex_lattice():
    # Kiefer 1961: the D-optimal quadratic blend puts equal weight on the corners and edge middles
    flours = [Component(name) for name in ("wheat", "rye", "buckwheat")]
    plan = optimal(flours, model="blend", bakes=6, criterion="D", seed=1)
    rows = {tuple(np.round(row, 6)) for row in plan.table[["wheat", "rye", "buckwheat"]].to_numpy()}
    corners = {(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)}
    middles = {(0.5, 0.5, 0.0), (0.5, 0.0, 0.5), (0.0, 0.5, 0.5)}
    assert rows == corners | middles


def test_a_dough_split_over_every_oil_fill():
    dough = Numeric("water", 60, 70, "%", hard_to_change="dough")
    plan = optimal(
        [OIL, dough, FAT], model="interactions", criterion="D", bakes=24,
        loads={"load": 6, "dough": 4}, seed=2,
    )  # fmt: skip
    table = plan.table
    assert (table.groupby(["load", "dough"]).size() == 1).all()
    assert len(table.groupby(["load", "dough"])) == 24
    assert (table.groupby("dough")["water"].nunique() == 1).all()
    assert (table.groupby("load")["oil temperature"].nunique() == 1).all()


def test_days_are_taken_out():
    plan = optimal([WATER, FLOUR, SUGAR], model="main", bakes=8, days=2, criterion="D", seed=1)
    assert plan.details["days_fixed"]
    # Eight bakes of three factors and a day: a half fraction in which nothing is mixed with days
    assert plan.details["value"] == pytest.approx(100.0)
    assert (plan.coded.groupby(plan.table["day"]).sum().abs() < 1e-9).all(axis=None)


def test_kept_bakes_stay_as_they_are():
    plan = optimal([WATER, FLOUR], model="main", bakes=4, criterion="D", references=1, seed=1)
    longer = add_bakes(plan, 5, model="quadratic", seed=2)
    pd.testing.assert_frame_equal(longer.table.iloc[:5], plan.table)
    assert longer.count() == 9
    assert longer.table["bake"].is_unique
    assert (longer.table["day"].iloc[5:] == 2).all()
    X = basis(model_terms("quadratic", plan.factors), plan.factors).rows(
        coded_settings(plan.factors, trials_of(longer))
    )
    assert np.linalg.matrix_rank(X) == 6


def test_new_loads_after_kept_ones():
    longer = add_bakes(demo(references=6), 4, seed=5)
    table = longer.table
    assert table["load"].nunique() == 7
    assert (table.groupby("load")["day"].nunique() == 1).all()


def _d_value_with_days_fixed(plan: Plan, model: str) -> float:
    """log |X'X| with the intercept, the model and sum-to-zero columns of the days, written out."""
    X = basis(model_terms(model, plan.factors), plan.factors).rows(
        coded_settings(plan.factors, plan.table)
    )
    days = pd.get_dummies(plan.table["day"]).to_numpy(dtype=float)
    X = np.hstack([X, days[:, 1:] - days[:, :1]])
    return float(np.linalg.slogdet(X.T @ X)[1])


def test_new_bakes_beside_kept_ones_are_chosen_for_the_fit_with_few_days_as_they_are():
    """Every way to add 3 bakes on a second day is tried: none serves the fit's own days better."""
    kept = pd.DataFrame({"hydration": [92, 108, 92, 108], "buckwheat": [15, 15, 35, 35]})
    plan = optimal([WATER, FLOUR], model="main", bakes=7, keep=kept, criterion="D", seed=1)
    assert plan.details["days_fixed"]
    corners = list(itertools.product([92.0, 108.0], [15.0, 35.0]))
    tried = []
    for chosen in itertools.combinations_with_replacement(corners, 3):
        rows = plan.table
        rows.loc[4:, ["hydration", "buckwheat"]] = chosen
        tried.append(_d_value_with_days_fixed(replace(plan, rows=rows), "main"))
    assert _d_value_with_days_fixed(plan, "main") == pytest.approx(max(tried), rel=1e-12)


def test_with_five_days_the_fit_takes_them_by_chance_and_so_does_the_plan():
    kept = pd.DataFrame({"hydration": [92, 108] * 4, "buckwheat": [15, 35, 35, 15] * 2})
    kept["day"] = [1, 1, 2, 2, 3, 3, 4, 4]
    asked = {"model": "main", "bakes": 12, "keep": kept, "criterion": "D", "seed": 1}
    assert not optimal([WATER, FLOUR], **asked).details["days_fixed"]


def test_a_bake_alone_on_its_day_is_still_chosen_and_the_plan_says_on_what_terms():
    kept = pd.DataFrame({"hydration": [92, 108, 92, 108], "buckwheat": [15, 15, 35, 35]})
    plan = optimal([WATER, FLOUR], model="main", bakes=5, keep=kept, criterion="D", seed=1)
    assert not plan.details["days_fixed"]
    assert "as if days differed by chance alone" in plan.reasons[-1]


def test_one_more_bake_goes_where_it_tells_most():
    # A 2^2 without its fourth corner: for main effects and their pair only that corner helps
    table = pd.DataFrame({"hydration": [92, 108, 92], "buckwheat": [15, 15, 35]})
    plan = optimal([WATER, FLOUR], model="interactions", bakes=4, keep=table, criterion="D", seed=1)
    assert plan.table.iloc[3][["hydration", "buckwheat"]].tolist() == [108, 35]


def test_bakes_repeated_on_request():
    plan = optimal([WATER, FLOUR], model="quadratic", bakes=12, replicates=4, seed=1)
    assert len(plan.table[["hydration", "buckwheat"]].drop_duplicates()) <= 8


def test_settings_that_can_be_made():
    water = Numeric("hydration", 92, 108, "%", settings=[92, 96, 108])
    plan = optimal(
        [water, FLOUR], model="quadratic", bakes=10, settings={"buckwheat": [15, 20, 35]}, seed=1
    )
    assert set(plan.table["hydration"]) <= {92, 96, 108}
    assert set(plan.table["buckwheat"]) <= {15, 20, 35}


def test_settings_between_the_grids_are_at_least_as_good():
    grid = optimal([WATER, FLOUR, SUGAR], model="quadratic", bakes=12, seed=1)
    anywhere = optimal([WATER, FLOUR, SUGAR], model="quadratic", bakes=12, seed=1, continuous=True)
    assert anywhere.details["value"] < grid.details["value"]
    assert not set(anywhere.table["hydration"]) <= {92, 100, 108}


def test_more_terms_than_bakes():
    numbers = [Numeric(f"x{n}", 0, 1) for n in range(6)]
    plan = optimal(numbers, model="main", potential="interactions", bakes=12, criterion="D", seed=1)
    # 7 of 22 columns must be judged; the rest keep main effects clear of pairs if they can
    X = np.column_stack([np.ones(12), plan.coded])
    assert np.linalg.matrix_rank(X) == 7
    alone = optimal(numbers, model="main", bakes=12, criterion="D", seed=1)

    def mixed(coded):
        pairs = [
            coded.iloc[:, i] * coded.iloc[:, j] for i, j in itertools.combinations(range(6), 2)
        ]
        return np.square(coded.to_numpy().T @ np.column_stack(pairs)).sum()

    assert mixed(plan.coded) < mixed(alone.coded)


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize(
    ("kinds", "said"), [(["rye", "wheat"], "Not looked for"), (["rye", "oat", "wheat"], "in part")]
)
def test_a_pair_that_an_exclusion_takes_away_is_not_looked_for(criterion, kinds, said):
    """Without lard and wheat, 2 by 2 kinds leave 3 settings: a mean, two effects, and no pair."""
    factors = [Categorical("fat", ["butter", "lard"]), Categorical("flour", kinds), WATER]
    never = [{"fat": "lard", "flour": "wheat"}]
    plan = optimal(
        factors, model="main", potential="interactions", bakes=8, criterion=criterion,
        exclude=never, seed=1,
    )  # fmt: skip
    assert not ((plan.table["fat"] == "lard") & (plan.table["flour"] == "wheat")).any()
    assert plan.details["potential_left_out"] == ["fat:flour"]
    assert said in plan.reasons[-1]
    assert "fat with flour" in plan.reasons[-1]
    # The pairs that can be judged still count: the plan is the one that asking for them alone gives
    if len(kinds) == 2:
        rest = ["fat:hydration", "flour:hydration"]
        same = optimal(
            factors, model="main", potential=rest, bakes=8, criterion=criterion, exclude=never,
            seed=1,
        )  # fmt: skip
        assert same.table.equals(plan.table)
        assert "potential_left_out" not in same.details


def test_a_dask_cluster_gives_the_same_plan():
    asked = {"model": "main", "bakes": 12, "loads": 6, "criterion": "D", "seed": 1, "starts": 205}

    def plan():
        return optimal([OIL, WATER, FAT], exclude=lambda bake: hot_and_wet(bake), **asked)

    here = plan()
    with (
        LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
        ) as there,
        Client(there),
        joblib.parallel_config("dask"),
    ):
        assert joblib.Parallel().n_jobs != 1
        pd.testing.assert_frame_equal(here.table, plan().table)


def test_ctrl_c_returns_the_best_so_far(monkeypatch):
    calls = []
    real = starts_module.climb

    def interrupted(*given):
        calls.append(1)
        if len(calls) > 2:
            raise KeyboardInterrupt
        return real(*given)

    monkeypatch.setattr(starts_module, "climb", interrupted)
    plan = optimal([WATER, FLOUR], model="quadratic", bakes=9, seed=1)
    assert plan.details["interrupted"]
    assert any("stopped before its end" in reason for reason in plan.reasons)
    assert np.isfinite(plan.details["value"])


def test_progress_only_on_a_terminal(monkeypatch, capsys):
    monkeypatch.setattr(progress, "PATIENCE", 0.0)
    optimal([WATER, FLOUR], model="main", bakes=5, seed=1)
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    optimal([WATER, FLOUR], model="main", bakes=5, seed=1)
    assert "Searching for a plan" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bakes": 5}, r"days is 6, more than the 5 bakes"),
        ({"bakes": 6}, r"bakes is 6, but what is asked"),
        ({"bakes": 0}, r"bakes is 0; a whole number from 1"),
        ({"bakes": -4}, r"bakes is -4"),
        ({"bakes": 10**9}, r"bakes is 1000000000; .* to 500 works"),
        ({"loads": 5, "days": 1}, r"loads is 5, which does not divide 24 bakes\. 1, 2, 3, 4, 6"),
        ({"loads": None}, r"oil temperature is hard to change.*loads=\{\"load\": 12\}"),
        ({"days": 4}, r"loads is 6, which 4 days can not share"),
        ({"loads": 1, "days": 1}, r"share 1 oil fill, too few for 1 effect .*2 or more are needed"),
        ({"loads": {"oven": 6}}, r'loads names "oven"'),
        ({"exclude": lambda bake: True}, r"exclude leaves nothing to bake"),
        ({"exclude": lambda bake: bake["fat"] != "lard"}, r"exclude .*can not judge .*fat"),
        ({"exclude": lambda bake: bake["fats"]}, r"exclude fails on the bake .*KeyError"),
        ({"exclude": [{"fats": "lard"}]}, r'exclude names "fats"'),
        ({"variance_ratio": -1.0}, r"variance_ratio is -1"),
        ({"criterion": "Z"}, r"criterion is 'Z'"),
        ({"settings": {"sugar": [8]}}, r'settings gives "sugar" 1 setting'),
        ({"settings": {"sugar": [8, 80]}}, r"expected settings between 4 % and 12 %"),
        ({"replicates": 23}, r"replicates is 23, more than 24 bakes can spare"),
        ({"starts": 0}, r"starts is 0"),
        ({"seed": -1}, r"seed is -1"),
        ({"keep": pd.DataFrame({"sugar": [4]})}, r"keep has no column for oil temperature"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_words(changes, words):
    with pytest.raises(PlanError, match=words):
        demo(**changes)


def test_kept_bakes_off_the_scale_are_refused():
    table = pd.DataFrame({"hydration": [92, 118], "buckwheat": [15, 35]})
    with pytest.raises(
        PlanError, match='bake B02 has "hydration" at 118 %, off its scale 92 % to 108 %'
    ):
        optimal([WATER, FLOUR], model="main", bakes=6, keep=table)
    with pytest.raises(PlanError, match="bakes is 2, but 2 are kept"):
        optimal([WATER, FLOUR], model="main", bakes=2, keep=table.clip(upper=100))
