import pytest

from trials.base.errors import TastingError
from trials.tasting.difference import servings

TWELVE = [f"Taster {letter}" for letter in "ABCDEFGHIJKL"]


@pytest.mark.parametrize(("test", "orders"), [("triangle", 6), ("duo-trio", 4), ("paired", 2)])
def test_every_order_comes_equally_often(test, orders):
    table = servings(test, TWELVE, seed=5)
    counts = table.groupby("taster")["sample"].agg("".join).value_counts()
    assert len(counts) == orders
    assert set(counts) == {12 // orders}


def test_a_right_answer_is_the_odd_one_or_the_twin():
    for _, own in servings("triangle", TWELVE, times=2, seed=5).groupby(["taster", "set"]):
        odd = own.loc[own["right"], "sample"]
        assert len(odd) == 1
        assert list(own["sample"]).count(odd.iloc[0]) == 1
    for _, own in servings("duo-trio", TWELVE, seed=5).groupby("taster"):
        assert own["right"].sum() == 1
        assert own.loc[own["right"], "sample"].iloc[0] == own["sample"].iloc[0]
        assert own["code"].iloc[0] == ""


def test_codes_are_unique_and_the_same_seed_gives_the_same_table():
    table = servings("triangle", TWELVE, times=2, seed=5)
    assert table["code"].is_unique
    assert table.equals(servings("triangle", TWELVE, times=2, seed=5))
    assert not table.equals(servings("triangle", TWELVE, times=2, seed=6))


@pytest.mark.parametrize(
    "asked",
    [{"test": "pentagon"}, {"samples": ("a", "a")}, {"times": 0}, {"times": 20}, {"tasters": []}],
)
def test_what_can_not_be_served_is_refused(asked):
    whole = {"test": "triangle", "tasters": TWELVE, "seed": 1} | asked
    with pytest.raises(TastingError):
        servings(**whole)
