"""What to buy, what a day uses, and whether the pieces reach."""

import pytest

from tests.rounds.rounds_to_bake import doughnut
from trials.base.errors import RoundError
from trials.rounds.amounts import per_day, pieces_needed, pieces_sentence, shopping_list, weights
from trials.rounds.kitchen import Batch, Prices


@pytest.fixture
def round_(tmp_path):
    return doughnut(tmp_path)


def test_the_list_is_the_sum_of_all_sheets_and_a_tenth(round_):
    table = shopping_list(round_).set_index("ingredient")
    sums = weights(round_).groupby("ingredient")["grams"].sum()
    for name, row in table.iterrows():
        assert row["grams"] == pytest.approx(sums[name])
        assert 0 <= row["buy"] - 1.1 * row["grams"] < 1
    assert table.loc["bread flour", "bakes"] == len(round_.plan.table)
    fats = round_.plan.table["fat"].value_counts()
    assert table.loc["butter", "bakes"] == fats["butter"]


def test_prices_give_a_cost_in_their_currency(round_):
    table = shopping_list(round_, prices=Prices({"Butter": 10.0}, "EUR"))
    table = table.set_index("ingredient")
    assert table.loc["butter", "cost (EUR)"] == pytest.approx(table.loc["butter", "buy"] / 100)
    assert table["cost (EUR)"].isna().sum() == len(table) - 1


def test_a_price_without_a_currency_or_a_use_is_refused(round_):
    with pytest.raises(RoundError, match="need a currency"):
        Prices({"butter": 10}, " ")
    with pytest.raises(RoundError, match='"butter" costs -1'):
        Prices({"butter": -1}, "EUR")
    with pytest.raises(RoundError, match='"saffron" has a price but is not used'):
        shopping_list(round_, prices=Prices({"saffron": 5000}, "EUR"))
    with pytest.raises(RoundError, match="spill is -1 %"):
        shopping_list(round_, spill=-1)


def test_days_add_up_to_the_round(round_):
    days = per_day(round_, oil_fill=1500)
    grams = weights(round_)
    flour = grams[grams["ingredient"].isin(["bread flour", "buckwheat flour"])]["grams"].sum()
    assert days["flour"].sum() == pytest.approx(flour)
    assert days["dough"].sum() == pytest.approx(grams["grams"].sum())
    assert list(days["oil"]) == [3000, 3000]  # two loads a day, a fresh fill for each
    assert days["bakes"].sum() == len(round_.plan.table)


def test_pieces_are_counted_up_and_compared(round_):
    # 8 tasters x 1/2 piece + 4 measured + 1 kept = 9, a tenth more = 9.9, so 10
    assert pieces_needed(8, share=0.5, measured=4) == 10
    assert pieces_needed(10, kept=0) == 11
    with pytest.raises(RoundError, match="0 or more"):
        pieces_needed(-1)
    assert "say what a piece weighs" in pieces_sentence(round_, Batch(), 10)
    assert "12 pieces a bake; 10 are needed" in pieces_sentence(
        round_, Batch(pieces=12, piece=40), 10
    )
    assert "Make 400 g of dough" in pieces_sentence(round_, Batch(dough=320, piece=40), 10)
