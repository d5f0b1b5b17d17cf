"""Screening plans: many factors in few bakes, from Hadamard and from conference matrices."""

from collections.abc import Sequence
from itertools import combinations, product

import numpy as np
import pandas as pd
import pyDOE3

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import in_words
from trials.core.factors import Categorical, Factor, Numeric, Varied
from trials.core.plan import Plan, new_seed, whole_number
from trials.core.roles import Role
from trials.design.fractions import MOST_FACTORS, minimum_aberration, signs
from trials.design.layout import (
    lay_out,
    only_two_levels,
    real_settings,
    refuse_hard_to_change,
    with_middle_bakes,
)

HADAMARD = (12, 20, 24, 28, 36)
REGULAR = (8, 16, 32)

# Plackett & Burman 1946. pyDOE3's 24 bakes are another matrix, in which single effects are wholly
# confused with pairs; the published one has none of that. It has no 28 and 36.
FIRST_ROW_OF_24 = "+++++-+-++--++--+-+----"


@checked_types(PlanError)
def plackett_burman(
    factors: Sequence[Varied],
    *,
    bakes: int | None = None,
    centre_bakes: int = 0,
    days: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan a screening of up to 35 two-level factors from a Hadamard matrix.

    Main effects are told apart from each other with the most precision that the bakes allow.
    Each pair is mixed in small parts into many main effects, so it finds large single effects
    and should be followed by mirror bakes or a finer plan.

    Parameters
    ----------
    factors : sequence of Numeric and two-level Categorical
    bakes : int, optional
        Trial and middle bakes: 12, 20, 24, 28 or 36 trial bakes (8, 16 or 32 give the regular
        fraction). Left out, the fewest of the former that hold the factors.
    centre_bakes : int
        Middle bakes, spread over days.
    days : int
        1, or 2 when a column is left for the days.
    references : int
        Reference bakes, besides the others.
    seed : int, optional

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        When the bakes do not hold the factors, or a factor is hard to change.

    References
    ----------
    Plackett & Burman 1946, Biometrika 33:305 (12, 20 and 24 bakes); Paley 1933, J. Math. Phys.
    12:311 (28 and 36).

    Examples
    --------
    >>> factors = [Numeric(name, 0, 1) for name in "abcdefg"]
    >>> plackett_burman(factors, seed=1).sentence()
    '12 bakes over 1 day'
    """
    factors = only_two_levels(factors, "plackett_burman")
    refuse_hard_to_change(factors, "plackett_burman")
    centre_bakes = whole_number("centre_bakes", centre_bakes, least=0)
    days = whole_number("days", days, least=1)
    if days > 2:
        raise PlanError(
            f"days is {days}; plackett_burman is split over 1 or 2 days. fractional_factorial and "
            "trials.design.optimal take more."
        )
    columns = len(factors) + days - 1
    runs = _hadamard_size(len(factors), columns, bakes, centre_bakes)
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    coded = hadamard_columns(columns, runs)
    frame = real_settings(factors, coded[:, : len(factors)])
    frame["day"] = np.where(coded[:, -1] > 0, 2, 1) if days == 2 else 1
    plan = lay_out(
        factors,
        with_middle_bakes(factors, frame, centre_bakes),
        family="Hadamard screening",
        model="main",
        references=references,
        seed=seed,
        details={"trial bakes": runs, "columns left over": runs - 1 - columns},
    )
    return plan.because(
        f"{len(factors)} single changes in {runs} bakes, each told apart from the others as "
        "sharply as so many bakes allow.",
        "Pairs are mixed into the single changes in parts: expect one or two large effects to "
        "stand out, and confirm them.",
    )


def _hadamard_size(count: int, columns: int, bakes: int | None, centre_bakes: int) -> int:
    sizes = [size for size in HADAMARD if size > columns]
    if not sizes:
        raise PlanError(f"{count} factors; plackett_burman takes up to {HADAMARD[-1] - 1}.")
    if bakes is None:
        return sizes[0]
    runs = whole_number("bakes", bakes, least=1) - centre_bakes
    regular = [size for size in REGULAR if size > columns and columns <= MOST_FACTORS]
    if runs not in sizes + regular:
        known = in_words(sorted(size + centre_bakes for size in sizes + regular), "or")
        besides = f", of which {centre_bakes} are middle bakes" if centre_bakes else ""
        raise PlanError(
            f"bakes is {bakes}{besides}; {count} factors take {known}. Any other number: "
            "trials.design.optimal."
        )
    return runs


def hadamard_columns(columns: int, runs: int) -> np.ndarray:
    """Return orthogonal two-level columns, -1 and +1, shape (runs, columns).

    References
    ----------
    As :func:`plackett_burman`.

    Examples
    --------
    >>> X = hadamard_columns(27, 28)
    >>> bool(np.all(X.T @ X == 28 * np.eye(27)))
    True
    """
    if runs in REGULAR:
        basic = runs.bit_length() - 1
        best = (
            minimum_aberration(columns, runs).columns
            if columns > basic
            else tuple(1 << bit for bit in range(columns))
        )
        return signs(best, runs)
    if runs in (12, 20):
        # Turned so that the rows stand as published
        whole = -pyDOE3.pbdesign(runs - 1).astype(int)
        if runs == 12:
            return whole[:, ::-1][:, :columns]
        return np.vstack([np.roll(whole[:-1], 1, axis=0), whole[-1:]])[:, :columns]
    if runs == 24:
        first = np.array([1 if sign == "+" else -1 for sign in FIRST_ROW_OF_24])
        turned = [np.roll(first, places) for places in range(runs - 1)]
        return np.vstack([*turned, -np.ones(runs - 1, dtype=int)])[:, :columns]
    if runs in (28, 36):
        return _paley_double(runs // 2)[:, 1 : columns + 1]
    raise PlanError(f"bakes is {runs}; {in_words(HADAMARD, 'or')} would work.")


def _paley_double(order: int) -> np.ndarray:
    """Return a normalised Hadamard matrix of twice the order of a symmetric conference matrix."""
    C = conference_matrix(order)
    unit = np.eye(order, dtype=int)
    H = np.block([[C + unit, C - unit], [C - unit, -C - unit]])
    H = H * H[:, :1]
    return H * H[:1, :]


@checked_types(PlanError)
def conference_screening(
    factors: Sequence[Varied],
    *,
    centre_bakes: int = 0,
    days: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan a three-level screening of 3 to 12 factors from a conference matrix.

    Main effects are told apart from every pair and square, and with numeric factors only from each
    other too. 2k + 1 bakes for an even number of factors, 2k + 3 for an odd one. With two-level
    categorical factors it is the mirrored extension of Jones & Nachtsheim (2013): one bake more,
    and main effects then overlap a little with each other.

    Parameters
    ----------
    factors : sequence of Numeric and two-level Categorical
        3 to 12, at least one of them a number.
    centre_bakes : int
        Further middle bakes beyond those that belong to the plan.
    days : int
        Days; mirrored bakes stay on one day and every day gets a middle bake (two where a factor
        is categorical), so that main effects stay clear of the days.
    references, seed
        As for :func:`plackett_burman`.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        With fewer than 3 or more than 12 factors, more than half of them categorical, more days
        than pairs of mirrored bakes, or a hard-to-change factor.

    References
    ----------
    Jones & Nachtsheim 2011, J. Qual. Technol. 43:1; Xiao, Lin & Bai 2012, ibid. 44:2 (conference
    matrices); Jones & Nachtsheim 2013, ibid. 45:121 (two-level categorical factors);
    Jones & Nachtsheim 2016, ibid. 48:141 (blocks).

    Examples
    --------
    >>> factors = [Numeric(name, 0, 1) for name in "abcdef"]
    >>> conference_screening(factors, seed=1).sentence()
    '12 bakes and 1 middle-setting bake over 1 day'
    """
    factors = only_two_levels(factors, "conference_screening")
    refuse_hard_to_change(factors, "conference_screening")
    kinds = [place for place, factor in enumerate(factors) if isinstance(factor, Categorical)]
    _check_counts(factors, kinds)
    days = whole_number("days", days, least=1)
    centre_bakes = whole_number("centre_bakes", centre_bakes, least=0)
    order = len(factors) + len(factors) % 2
    if days > order // 2:
        raise PlanError(
            f"days is {days}; {len(factors)} factors make {order} pairs of mirrored bakes, and a "
            f"day needs two of them: up to {order // 2} days would work."
        )
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    coded = _conference_points(len(factors), kinds, days * (2 if kinds else 1))
    frame = real_settings(factors, coded)
    frame["day"] = _days_of_pairs(order, len(coded), days, 2 if kinds else 1)
    middle = np.all(np.delete(coded, kinds, axis=1) == 0, axis=1)
    frame["role"] = np.where(middle, Role.CENTRE.value, Role.TRIAL.value)
    if centre_bakes:
        more = with_middle_bakes(factors, frame.drop(columns="role"), centre_bakes)
        frame = pd.concat([frame, more[more["role"] == Role.CENTRE]], ignore_index=True)
    plan = lay_out(
        factors,
        frame,
        family="conference-matrix screening",
        model="main",
        references=references,
        seed=seed,
        details={"order of the conference matrix": order},
    )
    return plan.because(*_what_it_tells(factors, frame))


def _check_counts(factors: Sequence[Factor], kinds: list[int]) -> None:
    count = len(factors)
    if not 3 <= count <= 12:
        raise PlanError(
            f"{count} factor{'' if count == 1 else 's'}; conference_screening takes 3 to 12. "
            "full_factorial takes fewer, plackett_burman up to 35."
        )
    if 2 * len(kinds) > count:
        raise PlanError(
            f"{len(kinds)} of {count} factors have two kinds; conference_screening serves when "
            "they are at most half. Use fractional_factorial or trials.design.optimal."
        )
    for factor in factors:
        if isinstance(factor, Numeric) and 0 < len(factor.settings) < 3:
            raise PlanError(
                f'"{factor.name}" has two settings that can be made; conference_screening needs '
                "one between them. Give it as a Categorical."
            )


def _conference_points(count: int, kinds: list[int], middles: int) -> np.ndarray:
    """Return the mirrored pairs, then the middle bakes; zeros of kinds filled to tell most.

    A kind has no middle, so the zeros of its column in the one mirrored pair that has them, and
    in the middle bakes, are set high in one and low in the other; which way round is chosen by
    the determinant for main effects.
    """
    order = count + count % 2
    C = conference_matrix(order)[:, :count]
    coded = np.empty((2 * order + middles, count))
    coded[0 : 2 * order : 2], coded[1 : 2 * order : 2] = C, -C
    coded[2 * order :] = 0
    if not kinds:
        return coded
    best, chosen = -np.inf, coded
    for ways in product((1, -1), repeat=2 * len(kinds) - 1):
        trial = coded.copy()
        for position, place in enumerate(kinds):
            pair = 2 * int(np.flatnonzero(C[:, place] == 0)[0])
            trial[pair : pair + 2, place] = np.array([1, -1]) * ways[position]
            way = ways[len(kinds) + position - 1] if position else 1
            turns = np.where(np.arange(middles) % 2 == 0, 1, -1)
            trial[2 * order :, place] = turns * way
        X = np.column_stack([np.ones(len(trial)), trial])
        value = round(float(np.linalg.slogdet(X.T @ X)[1]), 9)
        if value > best:
            best, chosen = value, trial
    return chosen


def _days_of_pairs(order: int, bakes: int, days: int, middles: int) -> np.ndarray:
    pairs = np.repeat(np.arange(order) % days, 2)
    return np.concatenate([pairs, np.arange(bakes - 2 * order) // middles % days]) + 1


def _what_it_tells(factors: Sequence[Factor], frame: pd.DataFrame) -> list[str]:
    sentences = [f"{len(factors)} factors in {len(frame)} bakes, numbers at three settings."]
    coded = np.column_stack([_codes(factor, frame[factor.name]) for factor in factors])
    taken = float(np.abs(_aliases(coded, factors)).max())
    if taken < 1e-9:
        sentences.append(
            "Every single change can be told apart from every pair and from every bend; a few "
            "pairs and bends can be found when most are small."
        )
    else:
        sentences.append(
            f"Up to {taken:.2f} of a pair or bend is taken for a single change; trials.aliases "
            "lists which."
        )
    overlap = float(np.abs(np.corrcoef(coded.T) - np.eye(len(factors))).max())
    if overlap > 1e-9:
        sentences.append(
            f"Single changes overlap with each other: correlations up to {overlap:.2f}."
        )
    return sentences


def _codes(factor: Factor, values: pd.Series) -> np.ndarray:
    coded = factor.code(values).astype(float)
    return 2 * coded - 1 if isinstance(factor, Categorical) else coded


def _aliases(coded: np.ndarray, factors: Sequence[Factor]) -> np.ndarray:
    """Return the alias matrix: how much of every pair and square is taken for a main effect."""
    pairs = combinations(range(coded.shape[1]), 2)
    second = [coded[:, a] * coded[:, b] for a, b in pairs]
    second += [
        coded[:, place] ** 2 for place, factor in enumerate(factors) if isinstance(factor, Numeric)
    ]
    X = np.column_stack([np.ones(len(coded)), coded])
    return np.linalg.lstsq(X, np.column_stack(second), rcond=None)[0][1:]


def conference_matrix(order: int) -> np.ndarray:
    """Return a square matrix C with zeros on the diagonal, +-1 elsewhere and C'C = (order - 1) I.

    References
    ----------
    Paley 1933, J. Math. Phys. 12:311; Goethals & Seidel 1967, Canad. J. Math. 19:1001.

    Examples
    --------
    >>> C = conference_matrix(10)
    >>> bool(np.all(C.T @ C == 9 * np.eye(10)))
    True
    """
    size = order - 1
    character = _quadratic_character(size)
    differences = _differences(size)
    C = np.zeros((order, order), dtype=int)
    C[1:, 1:] = character[differences]
    C[0, 1:] = 1
    # -1 is a square when size is 1 more than a multiple of 4, and then the matrix is symmetric
    C[1:, 0] = 1 if size % 4 == 1 else -1
    return C


def _differences(size: int) -> np.ndarray:
    """Return the difference of every two elements of the field, elements numbered from 0."""
    if size == 9:
        high, low = np.divmod(np.arange(9), 3)
        return 3 * ((high[:, None] - high) % 3) + (low[:, None] - low) % 3
    numbers = np.arange(size)
    return (numbers[:, None] - numbers) % size


def _quadratic_character(size: int) -> np.ndarray:
    """Return 0 for zero, 1 for the squares of the field and -1 for the rest."""
    if size == 9:
        # Elements a i + b over the field of 3, numbered 3 a + b, with i^2 = -1
        squares = {3 * (2 * a * b % 3) + (b * b - a * a) % 3 for a in range(3) for b in range(3)}
    else:
        squares = {number * number % size for number in range(1, size)}
    character = np.array([1 if number in squares else -1 for number in range(size)])
    character[0] = 0
    return character
