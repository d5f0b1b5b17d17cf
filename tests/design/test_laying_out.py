"""The plan: its columns, its order by chance, its reference bakes, its mistakes in words."""

import numpy as np
import pandas as pd
import pytest

from trials.base.errors import PlanError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.plan import reference_setting
from trials.design.layout import lay_out

OIL = Numeric("oil", 165, 180, "°C", centre=172, hard_to_change=True)
FAT = Categorical("fat", ["butter", "lard"])


def bakes():
    rows = [
        {"day": day, "load": 2 * day + hot, "oil": 165 + 15 * hot, "fat": fat}
        for day in (1, 2)
        for hot in (0, 1)
        for fat in ("butter", "lard")
    ]
    return pd.DataFrame(rows)


def plan(**changes):
    return lay_out([OIL, FAT], bakes(), **{"family": "all", "model": "main", "seed": 3, **changes})


def test_columns_and_ids():
    table = plan().table
    assert list(table.columns) == ["bake", "day", "load", "role", "oil", "fat"]
    assert table["bake"].tolist() == [f"B{n:02d}" for n in range(1, 9)]
    assert table["day"].is_monotonic_increasing
    assert table["load"].tolist() == sorted(table["load"])


def test_the_same_seed_gives_the_same_plan_and_another_another():
    assert plan().table.equals(plan().table)
    assert any(not plan(seed=seed).table.equals(plan().table) for seed in range(4, 10))


def test_every_place_is_as_likely_for_every_bake():
    first = [plan(seed=seed).table.iloc[0] for seed in range(400)]
    share = np.mean([row["fat"] == "butter" for row in first])
    hot = np.mean([row["oil"] == 180 for row in first])
    # Binomial with 400 draws: four standard errors are 0.1
    assert share == pytest.approx(0.5, abs=0.1)
    assert hot == pytest.approx(0.5, abs=0.1)


def test_reference_bakes_spread_and_never_wait_for_cooling():
    table = plan(references=4).table
    references = table[table["role"] == "reference"]
    assert references.groupby("load").size().eq(1).all()
    assert references[["oil", "fat"]].drop_duplicates().to_numpy().tolist() == [[172.0, "butter"]]
    for _, load in table.groupby("load"):
        place = load["role"].tolist().index("reference")
        hot = load.loc[load["role"] == "trial", "oil"].iloc[0] > 172
        assert place == (0 if hot else len(load) - 1)


def test_a_table_handed_out_can_not_change_the_plan():
    one = plan()
    handed = one.table
    handed.loc[0, "fat"] = "lard?"
    assert "lard?" not in set(one.table["fat"])


def test_coded_runs_from_minus_one_to_one():
    coded = plan().coded
    assert sorted(set(coded["oil"])) == [-1.0, 1.0]
    assert set(coded["fat"]) == {"butter", "lard"}


def test_the_reference_of_a_blend_sums_to_one():
    flours = [Component("rye", 0.1, 0.3), Component("wheat", 0.5, 0.9), Component("oat", 0, 0.2)]
    setting = reference_setting(flours)
    assert sum(setting.values()) == pytest.approx(1)
    assert all(part.low <= setting[part.name] <= part.high for part in flours)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.assign(oil=400), "outside"),
        (lambda t: t.assign(fat="suet"), "no level"),
        (lambda t: t.assign(load=1), "spread over two days"),
        (lambda t: t.assign(load=t["day"]), "one load holds two settings"),
        (lambda t: t.head(0), "no bake"),
    ],
)
def test_what_can_not_be_baked_is_refused(change, message):
    with pytest.raises((PlanError, ValueError), match=message):
        lay_out([OIL, FAT], change(bakes()), family="all", model="main")


@pytest.mark.parametrize("references", [-1, 1.5, "two", True])
def test_counts_are_whole(references):
    with pytest.raises(PlanError, match="references is"):
        plan(references=references)
