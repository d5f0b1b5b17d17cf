import numpy as np
import pytest

from tests.design.naming import numbers
from trials.base.errors import PlanError
from trials.core.factors import Categorical
from trials.design.squares import graeco_latin_square, latin_square, orthogonal_squares

NAMES = ("fat: kind", "flour %", "shelf", "place")


def kinds(count, size):
    return [Categorical(name, list(range(1, size + 1))) for name in NAMES[-count:]]


@pytest.mark.parametrize("size", range(3, 13))
def test_every_kind_stands_once_in_every_row_and_column(size):
    table = latin_square(kinds(3, size), seed=size).table
    assert len(table) == size**2
    for pair in (NAMES[1:3], (NAMES[1], NAMES[3]), NAMES[2:]):
        assert len(table[list(pair)].drop_duplicates()) == size**2


@pytest.mark.parametrize("size", [3, 4, 5, 7, 8, 9, 11, 12])
def test_two_sets_of_kinds_meet_once(size):
    table = graeco_latin_square(kinds(4, size), seed=size).table
    for one in range(4):
        for other in range(one):
            assert len(table[[NAMES[one], NAMES[other]]].drop_duplicates()) == size**2


def test_squares_repeat_on_days_of_their_own_and_numbers_serve_too():
    plan = latin_square([numbers(1, settings=(0, 5, 10))[0], *kinds(2, 3)], replicates=2, seed=1)
    assert plan.table.groupby("day").size().tolist() == [9, 9]
    assert set(plan.table["oil: temperature"]) == {0, 5, 10}


def test_rows_columns_and_kinds_are_drawn_by_chance_from_the_seed():
    first, again, other = (latin_square(kinds(3, 5), seed=seed).table for seed in (1, 1, 2))
    assert first.equals(again)
    squares = [
        table.pivot_table(index="shelf", columns="place", values="flour %").to_numpy()
        for table in (first, other)
    ]
    assert not np.array_equal(*squares)


def test_there_is_no_second_square_of_six():
    assert len(orthogonal_squares(6)) == 1


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: latin_square(kinds(2, 3)), "2 factors; latin_square takes 3"),
        (lambda: graeco_latin_square(kinds(3, 4)), "3 factors; graeco_latin_square takes 4"),
        (lambda: graeco_latin_square(kinds(4, 6)), "with 6 levels: .*Tarry"),
        (lambda: latin_square(kinds(3, 2)), "3 to 12 levels; found 2"),
        (lambda: latin_square(kinds(3, 13)), "3 to 12 levels; found 13"),
        (lambda: latin_square([*kinds(2, 3), *numbers(1)]), "as many levels of every factor"),
        (lambda: latin_square(kinds(3, 3), replicates=0), "replicates is 0"),
        (
            lambda: latin_square([Categorical("x", [1, 2, 3], hard_to_change=True), *kinds(2, 3)]),
            "hard to change",
        ),
    ],
)  # fmt: skip
def test_squares_that_can_not_be_are_refused_in_words(make, said):
    with pytest.raises(PlanError, match=said):
        make()
