"""Plans for tuning: three and more settings, for surfaces with bends."""

from collections.abc import Sequence
from itertools import combinations, product

import numpy as np
import pandas as pd
import pyDOE3

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import in_words, tidy_number
from trials.core.factors import Numeric, Varied
from trials.core.plan import Plan, new_seed, whole_number
from trials.core.roles import Role
from trials.design.fractions import Structure, arrange, minimum_aberration, signs
from trials.design.layout import lay_out, only_numbers, real_settings

AXIAL = ("face", "rotatable", "orthogonal blocks", "beyond")
# Middle bakes for uniform precision, Box & Hunter 1957, by factorial bakes (from memory)
UNIFORM_PRECISION = {4: 5, 8: 6, 16: 7, 32: 9, 64: 14}

# Which factors vary together, the others at their middle; Box & Behnken 1960, Technometrics 2:455
THREE_LEVEL = {
    3: ((1, 2), (1, 3), (2, 3)),
    4: ((1, 2), (3, 4), (1, 4), (2, 3), (1, 3), (2, 4)),
    5: ((1, 2), (2, 3), (3, 4), (4, 5), (1, 5), (1, 3), (3, 5), (2, 5), (2, 4), (1, 4)),
    6: ((1, 2, 4), (2, 3, 5), (3, 4, 6), (1, 4, 5), (2, 5, 6), (1, 3, 6)),
    7: ((4, 5, 6), (1, 6, 7), (2, 5, 7), (1, 2, 4), (3, 4, 7), (1, 3, 5), (2, 3, 6)),
}
THREE_LEVEL_MIDDLES = {3: 3, 4: 3, 5: 6, 6: 6, 7: 6}
THREE_LEVEL_DAYS = {3: (1,), 4: (1, 3), 5: (1, 2), 6: (1, 2), 7: (1, 2)}


@checked_types(PlanError)
def central_composite(
    factors: Sequence[Varied],
    *,
    axial: str = "face",
    centre_bakes: int | None = None,
    days: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan a two-level core, bakes along each axis and middle bakes, for a quadratic surface.

    Low and high are limits: the outermost bakes lie at them, and the core lies inside where the
    axial bakes reach further. Only `axial="beyond"` keeps the core at low and high and goes past.

    Parameters
    ----------
    factors : sequence of Numeric
        2 to 8. From 5 factors on the core is a fraction of resolution V or more.
    axial : str
        "face": axial bakes at low and high, as the core; three settings; not rotatable.
        "rotatable": as sharp in every direction; five settings.
        "orthogonal blocks": days do not touch the surface; rotatable only where the two distances
        coincide. "beyond": rotatable, the core at low and high.
    centre_bakes : int, optional
        Middle bakes, spread over days. Left out: 4 for "face", the number of uniform precision
        when rotatable, 2 a day for "orthogonal blocks".
    days : int
        More than 1 with "orthogonal blocks" only: a day for the axial bakes, the others for
        the core; 2 when left at 1.
    references, seed
        As for the other plans.

    Returns
    -------
    Plan
        `details` holds the axial distance in units of the core, whether the plan is rotatable,
        and, with several days, whether its blocks are orthogonal.

    Raises
    ------
    PlanError
        When a factor is not a number, is hard to change, or the days do not suit.

    References
    ----------
    Box & Wilson 1951, J. R. Stat. Soc. B 13:1; Box & Hunter 1957, Ann. Math. Stat. 28:195
    (rotatability, orthogonal blocks, uniform precision).

    Examples
    --------
    >>> factors = [Numeric(name, -1, 1) for name in "ab"]
    >>> plan = central_composite(factors, axial="orthogonal blocks", centre_bakes=6, seed=1)
    >>> round(plan.details["axial distance"], 4), plan.details["rotatable"], plan.days
    (1.4142, True, 2)
    """
    factors = only_numbers(factors, "central_composite", three_settings=True)
    if not 2 <= len(factors) <= 8:
        raise PlanError(
            f"{len(factors)} factor{'' if len(factors) == 1 else 's'}; central_composite takes 2 "
            "to 8. trials.design.optimal takes any number."
        )
    if axial not in AXIAL:
        raise PlanError(f'axial is "{axial}"; {in_words(AXIAL, "or")} was expected.')
    days = _composite_days(axial, whole_number("days", days, least=1))
    if centre_bakes is not None:
        centre_bakes = whole_number("centre_bakes", centre_bakes, least=0)
    core, core_days = _core(len(factors), max(1, days - 1))
    middles = _middles(axial, len(core), days, centre_bakes)
    distance = _distance(axial, core, core_days, middles, len(factors))
    _check_five_settings(factors, distance)
    coded, day, role = _composite(core, core_days, middles, distance, len(factors))
    scale = 1.0 if axial == "beyond" else max(1.0, distance)
    plan = _surface_plan(
        factors,
        coded / scale,
        day,
        role,
        family="central composite",
        references=references,
        seed=seed,
        details={
            "axial": axial,
            "axial distance": distance,
            "rotatable": bool(np.isclose(distance**4, len(core), rtol=1e-9)),
            "core bakes": len(core),
        },
    )
    return plan.because(*_composite_words(plan, days))


def _composite_days(axial: str, days: int) -> int:
    if axial == "orthogonal blocks":
        return max(2, days)
    if days > 1:
        raise PlanError(
            f'days is {days}, but with axial="{axial}" differences between days would be mixed '
            'into the surface; axial="orthogonal blocks" or trials.design.optimal(days=...) works.'
        )
    return days


def _core(count: int, days: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the two-level core and its days: resolution V or more, no pair on the days."""
    runs = 2**count if count < 5 else 2 ** (count - 1) if count < 8 else 64
    fraction = minimum_aberration(count, runs)
    if days == 1:
        return signs(fraction.columns, runs), np.ones(runs, dtype=int)
    arranged = None
    if days & (days - 1) == 0 and days < runs:
        try:
            arranged = arrange((None,) * count, Structure(runs, days))
        except PlanError:
            arranged = None
    if arranged is None or arranged.lost:
        raise PlanError(
            f"days is {days + 1}: one for the axial bakes and {days} for the core of {runs}, which "
            "would mix pairs into the days; fewer days work, 2 always."
        )
    return signs(arranged.fraction.columns, runs), arranged.structure.ids("day") + 1


def _middles(axial: str, core: int, days: int, given: int | None) -> list[int]:
    """Return the middle bakes of each day."""
    if given is None:
        given = {"face": 4, "orthogonal blocks": 2 * days}.get(axial, UNIFORM_PRECISION[core])
    return [given // days + (day < given % days) for day in range(days)]


def _distance(
    axial: str, core: np.ndarray, core_days: np.ndarray, middles: list[int], count: int
) -> float:
    """Return how far the axial bakes lie from the middle, in units of the core."""
    if axial == "face":
        return 1.0
    if axial in ("rotatable", "beyond"):
        return float(len(core) ** 0.25)
    blocks = core_days.max()
    sizes = [np.sum(core_days == day + 1) + middles[day] for day in range(blocks)]
    if len(set(sizes)) > 1:
        raise PlanError(
            f"centre_bakes is {sum(middles)}; over {blocks} days of core bakes and one of axial "
            f"bakes, a multiple of {blocks + 1} is needed so that the days stay out of the surface."
        )
    axial_day = 2 * count + middles[-1]
    return float(np.sqrt(len(core) / blocks * axial_day / (2 * sizes[0])))


def _check_five_settings(factors: Sequence[Numeric], distance: float) -> None:
    for factor in factors:
        if distance != 1.0 and 0 < len(factor.settings) < 5:
            raise PlanError(
                f'"{factor.name}" can only be set to '
                f"{in_words(map(tidy_number, factor.settings))}; this plan needs five settings. "
                'axial="face" or box_behnken needs three.'
            )


def _composite(
    core: np.ndarray, core_days: np.ndarray, middles: list[int], distance: float, count: int
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    star, _ = pyDOE3.doe_star.star(count)
    axes = distance * np.vstack([star[1::2], star[::2]])
    points = np.vstack([core, axes, np.zeros((sum(middles), count))])
    axial_day = len(middles)
    middle_days = np.repeat(np.arange(1, len(middles) + 1), middles)
    day = np.concatenate([core_days, np.full(2 * count, axial_day), middle_days])
    role = [Role.TRIAL.value] * (len(core) + 2 * count) + [Role.CENTRE.value] * sum(middles)
    return points, day, role


def _blocks_are_orthogonal(coded: np.ndarray, day: np.ndarray) -> bool:
    """Say whether every linear and second-order column has the same mean on every day."""
    count = coded.shape[1]
    pairs = [coded[:, a] * coded[:, b] for a, b in combinations(range(count), 2)]
    X = np.column_stack([coded, coded**2, *pairs])
    means = [X[day == one].mean(axis=0) for one in np.unique(day)]
    return bool(np.allclose(means, means[0], atol=1e-9))


def _composite_words(plan: Plan, days: int) -> list[str]:
    details = plan.details
    core, distance = details["core bakes"], details["axial distance"]
    sentences = [
        f"{core} core bakes, {2 * len(plan.factors)} along the axes at {distance:.3g} times the "
        "core's distance from the middle, and middle bakes, whose spread says how alike two bakes "
        "of one recipe are."
    ]
    rotatable = (
        "as sharp in every direction"
        if details["rotatable"]
        else ("not equally sharp in every direction")
    )
    sentences.append(f"The surface is {rotatable}.")
    if days > 1:
        sentences.append("Differences between days do not touch the surface.")
    return sentences


@checked_types(PlanError)
def box_behnken(
    factors: Sequence[Varied],
    *,
    centre_bakes: int | None = None,
    days: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan a quadratic surface with three settings and no bake at a corner.

    Good where all factors at their extremes together would fail.

    Parameters
    ----------
    factors : sequence of Numeric
        3 to 7.
    centre_bakes : int, optional
        Middle bakes; the published number (3, 3, 6, 6, 6) when left out.
    days : int
        3 for four factors, 2 for five to seven, so that days do not touch the surface.
    references, seed
        As for the other plans.

    Returns
    -------
    Plan
        15, 27, 46, 54 or 62 bakes for 3 to 7 factors.

    Raises
    ------
    PlanError
        When a factor is not a number, is hard to change, or the days do not suit.

    References
    ----------
    Box & Behnken 1960, Technometrics 2:455, tables and blocking.

    Examples
    --------
    >>> box_behnken([Numeric(name, 0, 1) for name in "abcd"], days=3, seed=1).sentence()
    '24 bakes and 3 middle-setting bakes over 3 days'
    """
    factors = only_numbers(factors, "box_behnken", three_settings=True)
    count = len(factors)
    if count not in THREE_LEVEL:
        raise PlanError(
            f"{count} factor{'' if count == 1 else 's'}; box_behnken takes 3 to 7. "
            "central_composite takes 2 to 8, trials.design.optimal any number."
        )
    days = whole_number("days", days, least=1)
    if days not in THREE_LEVEL_DAYS[count]:
        raise PlanError(
            f"days is {days}; with {count} factors {in_words(THREE_LEVEL_DAYS[count], 'or')} keeps "
            "the days out of the surface. trials.design.optimal(days=...) takes any number."
        )
    middles = THREE_LEVEL_MIDDLES[count] if centre_bakes is None else centre_bakes
    middles = whole_number("centre_bakes", middles, least=0)
    if middles % days:
        raise PlanError(
            f"centre_bakes is {middles}; over {days} days a multiple of {days} is needed so that "
            "the days stay out of the surface."
        )
    coded, day = _three_level(count, days)
    coded = np.vstack([coded, np.zeros((middles, count))])
    day = np.concatenate([day, np.arange(middles) % days + 1])
    role = [Role.TRIAL.value] * (len(coded) - middles) + [Role.CENTRE.value] * middles
    plan = _surface_plan(
        factors,
        coded,
        day,
        role,
        family="three-level surface",
        references=references,
        seed=seed,
        details={},
    )
    return plan.because(
        "Three settings of every factor, and never all at their extremes together.",
        *(["Differences between days do not touch the surface."] if days > 1 else []),
    )


def _three_level(count: int, days: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the bakes but for middle ones, and their days.

    Factors that vary two at a time share days by which factors vary, every factor as often on
    every day; three at a time, by the product of their signs.
    """
    sets = THREE_LEVEL[count]
    if len(sets[0]) == 2:
        rows = pyDOE3.bbdesign(count, center=0)
    else:
        # pyDOE3's six and seven factors take 60 and 84 bakes, the published plans 48 and 56
        rows = np.zeros((8 * len(sets), count))
        for place, members in enumerate(sets):
            cube = np.array(list(product((-1, 1), repeat=3)))
            rows[8 * place : 8 * place + 8, np.array(members) - 1] = cube
    day = np.ones(len(rows), dtype=int)
    for place, row in enumerate(rows if days > 1 else []):
        varied = np.flatnonzero(row)
        by_set = sets.index(tuple((varied + 1).tolist())) * days // len(sets)
        day[place] += by_set if len(varied) == 2 else int(row[varied].prod() > 0)
    return rows, day


def _surface_plan(
    factors: tuple[Numeric, ...],
    coded: np.ndarray,
    day: np.ndarray,
    role: list[str],
    *,
    family: str,
    references: int,
    seed: int | None,
    details: dict,
) -> Plan:
    """Return the plan of coded points, saying so where a stated middle is not half-way."""
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    frame: pd.DataFrame = real_settings(factors, coded)
    if len(np.unique(day)) > 1:
        details = details | {"orthogonal blocks": _blocks_are_orthogonal(coded, day)}
    plan = lay_out(
        factors,
        frame.assign(day=day, role=role),
        family=family,
        model="quadratic",
        references=references,
        seed=seed,
        details=details,
    )
    return plan.because(*_moved(factors, coded, frame))


def _moved(factors: tuple[Numeric, ...], coded: np.ndarray, frame: pd.DataFrame) -> list[str]:
    """Return sentences on settings that are not where the geometry wants them."""
    off = [factor.name for factor in factors if factor.middle != (factor.low + factor.high) / 2]
    rounded = [
        factor.name
        for place, factor in enumerate(factors)
        if factor.name not in off
        and not np.allclose(factor.code(frame[factor.name]), coded[:, place], atol=1e-6)
    ]
    sentences = []
    if off:
        sentences.append(
            f"The middle of {in_words(off)} is not half-way between its limits, which costs a "
            "little sharpness."
        )
    if rounded:
        sentences.append(
            f"{in_words(rounded)}: taken to the nearest settings that can be made, which costs a "
            "little sharpness."
        )
    return sentences
