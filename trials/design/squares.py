"""Latin and Graeco-Latin squares: kinds balanced over the rows and columns of a tray or shelf."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.core.factors import Factor, Varied, check_factors
from trials.core.plan import Plan, new_seed, whole_number
from trials.design.layout import lay_out, refuse_components, refuse_hard_to_change

LARGEST = 12
NO_PAIR = {
    2: "there are no two such squares",
    6: "there are no two such squares (Tarry 1900)",
    10: "no pair of such squares is built in",
}
# x * t for the elements of a field of 4 and of 8, numbered by the bits of their polynomials
FIELD_STEP = {4: (0, 2, 3, 1), 8: (0, 2, 4, 6, 3, 1, 7, 5)}


@checked_types(PlanError)
def latin_square(
    factors: Sequence[Varied],
    *,
    replicates: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan every kind once in every row and once in every column.

    Parameters
    ----------
    factors : sequence of three factors
        What is compared, then two places: the shelf and the position on it, the oven and the hour.
        All three have as many levels, 3 to 12.
    replicates : int
        Squares, each on a day of its own.
    references : int
        Reference bakes, besides the others.
    seed : int, optional
        Rows, columns and kinds are drawn by chance.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        When there are not three factors with as many levels each.

    References
    ----------
    Fisher & Yates 1934, Proc. Camb. Phil. Soc. 30:492; Cochran & Cox 1957, ch. 4.

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> fat = Categorical("fat", ["butter", "lard", "oil"])
    >>> places = [Categorical("shelf", [1, 2, 3]), Categorical("side", ["left", "mid", "right"])]
    >>> latin_square([fat, *places], seed=1).sentence()
    '9 bakes over 1 day'
    """
    return _square_plan(factors, 3, "latin_square", replicates, references, seed)


@checked_types(PlanError)
def graeco_latin_square(
    factors: Sequence[Varied],
    *,
    replicates: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan two sets of kinds over rows and columns, each pair of kinds meeting once.

    Parameters
    ----------
    factors : sequence of four factors
        Two that are compared, then two places; all with as many levels: 3, 4, 5, 7, 8, 9, 11, 12.
    replicates, references, seed
        As for :func:`latin_square`.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        When the levels differ in number, or no such square exists or is built in.

    References
    ----------
    Bose 1938, Sankhya 3:323 (prime powers); MacNeish 1922, Ann. Math. 23:221 (products).

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> four = [Categorical(name, [1, 2, 3, 4]) for name in ("fat", "flour", "shelf", "side")]
    >>> graeco_latin_square(four, seed=1).sentence()
    '16 bakes over 1 day'
    """
    return _square_plan(factors, 4, "graeco_latin_square", replicates, references, seed)


def _square_plan(
    factors: Sequence[Varied],
    wanted: int,
    family: str,
    replicates: int,
    references: int,
    seed: int | None,
) -> Plan:
    factors = check_factors(factors)
    size = _checked_size(factors, wanted, family)
    replicates = whole_number("replicates", replicates, least=1, most=100)
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    rng = np.random.default_rng([seed, wanted])
    compared, places = factors[:-2], factors[-2:]
    rows = []
    for day in range(1, replicates + 1):
        squares = _drawn(size, wanted - 2, rng)
        for (row, column), _ in np.ndenumerate(squares[0]):
            setting = {places[0].name: row, places[1].name: column}
            setting |= {
                factor.name: int(square[row, column])
                for factor, square in zip(compared, squares, strict=True)
            }
            levels = {f.name: f.levels[setting[f.name]] for f in factors}
            rows.append(levels | {"day": day})
    plan = lay_out(
        factors,
        pd.DataFrame(rows),
        family="Latin square" if wanted == 3 else "Graeco-Latin square",
        model="main",
        references=references,
        seed=seed,
        details={"size": size},
    )
    return plan.because(
        f"Each kind stands once in every {places[0].name} and once in every {places[1].name}, so "
        "differences between places cancel.",
        "Pairs can not be told apart from single changes: use it where places only add or take "
        "away.",
    )


def _checked_size(factors: Sequence[Factor], wanted: int, family: str) -> int:
    refuse_components(factors, family)
    refuse_hard_to_change(factors, family)
    if len(factors) != wanted:
        raise PlanError(
            f"{len(factors)} factor{'' if len(factors) == 1 else 's'}; {family} takes {wanted}: "
            f"{'one' if wanted == 3 else 'two'} to compare and two for the places."
        )
    sizes = {factor.name: len(factor.levels) for factor in factors}
    size = len(factors[0].levels)
    if len(set(sizes.values())) > 1:
        found = ", ".join(f"{name} {count}" for name, count in sizes.items())
        raise PlanError(f"{family} needs as many levels of every factor; found {found}.")
    if not 3 <= size <= LARGEST:
        raise PlanError(f"{family} takes factors with 3 to {LARGEST} levels; found {size}.")
    if wanted == 4 and size in NO_PAIR:
        raise PlanError(
            f"graeco_latin_square with {size} levels: {NO_PAIR[size]}; 3, 4, 5, 7, 8, 9, 11 and 12 "
            "work, or latin_square."
        )
    return size


def _drawn(size: int, count: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Return squares with rows, columns and each square's kinds drawn by chance."""
    rows, columns = rng.permutation(size), rng.permutation(size)
    return [
        rng.permutation(size)[square[np.ix_(rows, columns)]]
        for square in orthogonal_squares(size)[:count]
    ]


def orthogonal_squares(size: int) -> tuple[np.ndarray, ...]:
    """Return two orthogonal Latin squares, or a single one of 6 or 10.

    References
    ----------
    Bose 1938, Sankhya 3:323; MacNeish 1922, Ann. Math. 23:221.

    Examples
    --------
    >>> first, second = orthogonal_squares(4)
    >>> len(set(zip(first.ravel().tolist(), second.ravel().tolist())))
    16
    """
    row, column = np.indices((size, size))
    if size in FIELD_STEP:
        return row ^ column, row ^ np.array(FIELD_STEP[size])[column]
    if size % 2:
        return (row + column) % size, (row + 2 * column) % size
    if size == 12:
        threes, fours = orthogonal_squares(3), orthogonal_squares(4)
        return tuple(
            4 * three[row // 4, column // 4] + four[row % 4, column % 4]
            for three, four in zip(threes, fours, strict=True)
        )
    return ((row + column) % size,)
