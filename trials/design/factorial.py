"""Factorial plans: every combination, or the fraction that tells most, over days and loads."""

from collections.abc import Sequence
from itertools import combinations
from math import prod

import pandas as pd

from trials.design.confounding import Arrangement, arrange
from trials.design.laying_out import lay_out
from trials.design.plan import Plan, kitchen_group, new_seed, whole_number
from trials.design.points import (
    only_two_levels,
    real_settings,
    refuse_components,
    with_middle_bakes,
)
from trials.design.regular import (
    MOST_FACTORS,
    Fraction,
    generator_sets,
    minimum_aberration,
    signs,
)
from trials.design.sharing import (
    Loads,
    day_modulus,
    days_by_remainder,
    group_counts,
    shared_out,
    workable_days,
)
from trials.design.structure import Structure, how_many
from trials.errors import PlanError
from trials.factors import Factor, Numeric, check_factors, group_names
from trials.tables import in_words

MOST_BAKES = 10_000


def full_factorial(
    factors: Sequence[Factor],
    *,
    replicates: int = 1,
    centre_bakes: int = 0,
    days: int = 1,
    loads: Loads = None,
    controls: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan every combination of the settings.

    Replicates go to different days first. Days and loads beyond that are confounded with
    the highest-order interactions of the two-level factors, with different ones in different
    replicates; where days are a prime number and two
    or more factors have as many levels, with a component of the interaction of those.

    Parameters
    ----------
    factors : sequence of Numeric and Categorical
        A number has two settings, low and high, or those in its `settings`.
    replicates : int
        How often every combination is baked.
    centre_bakes : int
        Bakes with every number at its middle, spread over days and the kinds of categorical
        factors; with a hard-to-change factor they get loads of their own.
    days : int
        Days of equal size.
    loads : int or dict, optional
        Loads over all days, or a number for each group, {"load": 8, "dough": 4}, the groups then
        being crossed within days. Left out, every hard-to-change setting gets a load a day and
        two at least, as long as two bakes share a load.
    controls : int
        Reference bakes, besides the others.
    seed : int, optional
        The same seed gives the same plan; drawn and recorded when left out.

    Returns
    -------
    Plan
        `details` names the pairs that go with days and those judged between loads.

    Raises
    ------
    PlanError
        When days or loads do not divide the bakes, or a count makes no sense.

    References
    ----------
    Yates 1937, The Design and Analysis of Factorial Experiments; Box, Hunter & Hunter 2005,
    Statistics for Experimenters, ch. 5; Kempthorne 1952, ch. 16 (confounding, three levels).

    Examples
    --------
    >>> from trials.factors import Categorical
    >>> factors = [Numeric("rest", 20, 60, "min"), Categorical("fat", ["butter", "lard", "oil"])]
    >>> full_factorial(factors, replicates=2, days=2, seed=1).sentence()
    '12 bakes over 2 days'
    """
    factors = check_factors(factors)
    refuse_components(factors, "full_factorial")
    replicates = whole_number("replicates", replicates, least=1)
    days = whole_number("days", days, least=1)
    centre_bakes = whole_number("centre_bakes", centre_bakes, least=0)
    bakes = replicates * prod(len(factor.levels) for factor in factors)
    if bakes > MOST_BAKES:
        raise PlanError(
            f"every combination takes {bakes} bakes; the most is {MOST_BAKES}. Use "
            "fractional_factorial, trials.design.optimal, or fewer factors and levels."
        )
    if bakes % days:
        raise PlanError(
            f"days is {days}, and {bakes} bakes can not be shared out evenly; "
            f"{workable_days(factors, replicates)} would work."
        )
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    frame, arrangement, lost = _every_combination(factors, replicates, days, loads, bakes)
    twos = [factor for factor in factors if len(factor.levels) == 2]
    plan = lay_out(
        factors,
        with_middle_bakes(factors, frame, centre_bakes),
        family="full factorial",
        model=_model(factors, lost),
        controls=controls,
        seed=seed,
        details=_details(twos, arrangement, None),
    )
    first = f"All {bakes // replicates} combinations, each baked {_times(replicates)}."
    return plan.because(first, *_on_what(twos, arrangement, plan))


def fractional_factorial(
    factors: Sequence[Factor],
    *,
    bakes: int | None = None,
    resolution: int | None = None,
    days: int = 1,
    loads: Loads = None,
    centre_bakes: int = 0,
    controls: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan the two-level fraction that tells most for its size.

    Without days and loads it is the fraction of minimum aberration. With them it is the best
    found for the whole: see :func:`trials.design.confounding.arrange` for what comes first.

    Parameters
    ----------
    factors : sequence of Numeric and two-level Categorical
        At most 15; numbers are used at their lowest and highest setting.
    bakes : int, optional
        Trial and middle bakes together; the trial bakes are 4, 8, 16, 32 or 64. Left out, the
        fewest that reach the resolution.
    resolution : int, optional
        The least acceptable: 3 keeps main effects apart, 4 from pairs too, 5 pairs from pairs.
        Left out along with `bakes`, 4.
    days, loads, centre_bakes, controls, seed
        As for :func:`full_factorial`.

    Returns
    -------
    Plan
        `details` holds the pairs that are lost or go with days and loads and, of a fraction, the
        generators, the word-length pattern, the resolution and whether the aberration is proved
        minimal.

    Raises
    ------
    PlanError
        When there is no such fraction; the message says what would work.

    References
    ----------
    Fries & Hunter 1980, Technometrics 22:601; Chen, Sun & Wu 1993, Int. Stat. Rev. 61:131;
    Sitter, Chen & Feder 1997, Technometrics 39:382; Bingham & Sitter 1999, Technometrics 41:62.

    Examples
    --------
    >>> factors = [Numeric(name, 0, 1) for name in ("rest", "proof", "sugar", "salt", "malt")]
    >>> plan = fractional_factorial(factors, bakes=16, seed=1)
    >>> plan.details["resolution"], plan.details["generators"]
    (5, ['malt = rest × proof × sugar × salt'])
    """
    factors = only_two_levels(factors, "fractional_factorial")
    days = whole_number("days", days, least=1)
    centre_bakes = whole_number("centre_bakes", centre_bakes, least=0)
    runs = _runs(factors, bakes, resolution, centre_bakes)
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    arrangement = _arranged(factors, runs, days, loads)
    fraction, structure = arrangement.fraction, arrangement.structure
    if resolution and fraction.resolution and fraction.resolution < resolution:
        raise PlanError(
            f"resolution {resolution} is not reached with {runs} bakes, {days} days and these "
            f"loads: {fraction.resolution} is. Give more bakes, fewer days or more loads."
        )
    frame = real_settings(factors, signs(fraction.columns, runs))
    frame["day"] = structure.ids("day") + 1
    for group, _ in structure.groups:
        frame[group] = structure.ids(group) + 1
    lost = [(factors[a].name, factors[b].name) for a, b in arrangement.lost]
    plan = lay_out(
        factors,
        with_middle_bakes(factors, frame, centre_bakes),
        family="two-level fraction" if fraction.resolution else "full factorial",
        model=_model(factors, lost),
        controls=controls,
        seed=seed,
        details=_details(factors, arrangement, fraction),
    )
    return plan.because(
        *_what_it_tells(factors, arrangement), *_on_what(factors, arrangement, plan)
    )


def _runs(
    factors: Sequence[Factor], bakes: int | None, resolution: int | None, centre_bakes: int
) -> int:
    """Return the trial bakes of a fraction, asked for or the fewest that serve."""
    count = len(factors)
    if not 2 <= count <= MOST_FACTORS:
        raise PlanError(
            f"{how_many(count, 'factor')}; a two-level fraction takes 2 to {MOST_FACTORS}. "
            "full_factorial takes one, plackett_burman up to 35."
        )
    reached = {
        runs: minimum_aberration(count, runs).resolution or count + 1
        for runs in (4, 8, 16, 32, 64)
        if count < runs <= 2**count
    }
    wanted = 3
    if resolution is not None or bakes is None:
        wanted = whole_number("resolution", resolution or min(4, count + 1), least=3, most=16)
    enough = [runs for runs, found in reached.items() if found >= wanted]
    remedy = (
        f"{enough[0] + centre_bakes} bakes would."
        if enough
        else (
            f"Resolution {max(reached.values())} is the most in 64 bakes; all {2**count} "
            "combinations (full_factorial) tell everything apart."
        )
    )
    if bakes is None:
        if not enough:
            raise PlanError(f"resolution is {wanted}, which no fraction here reaches. {remedy}")
        return enough[0]
    runs = whole_number("bakes", bakes, least=1) - centre_bakes
    if runs not in reached:
        sizes = [size + centre_bakes for size in reached]
        besides = f", of which {centre_bakes} are middle bakes" if centre_bakes else ""
        more = " full_factorial(replicates=...) repeats bakes." if runs > 2**count else ""
        raise PlanError(
            f"bakes is {bakes}{besides}; a regular fraction of {count} two-level factors takes "
            f"{in_words(sizes, 'or')}.{more} Any other number: trials.design.optimal."
        )
    if reached[runs] < wanted:
        raise PlanError(
            f"resolution is {wanted}, but {count} factors in {runs} bakes reach {reached[runs]}. "
            + remedy
        )
    return runs


def _every_combination(
    factors: Sequence[Factor], replicates: int, days: int, loads: Loads, bakes: int
) -> tuple[pd.DataFrame, Arrangement | None, list[tuple[str, str]]]:
    """Return the bakes with days and loads, how they were arranged, and the pairs lost."""
    modulus = day_modulus(factors, replicates, days)
    if modulus and loads is None and not group_names(factors):
        alike = [factor.name for factor in factors if len(factor.levels) == modulus]
        lost = [(alike[0], alike[1])] if len(alike) == 2 else []
        return days_by_remainder(factors, replicates, days, modulus), None, lost
    failure = None
    for groups in group_counts(factors, loads, bakes, days):
        try:
            frame, arrangement = shared_out(factors, replicates, days, groups)
        except PlanError as error:
            failure = failure or error
            continue
        twos = [factor.name for factor in factors if len(factor.levels) == 2]
        pairs = arrangement.lost if arrangement else ()
        return frame, arrangement, [(twos[one], twos[other]) for one, other in pairs]
    raise failure or PlanError("loads do not divide the bakes.")


def _arranged(factors: Sequence[Factor], runs: int, days: int, loads: Loads) -> Arrangement:
    """Return the fraction laid over the first choice of loads that it fits."""
    failure = None
    for groups in group_counts(factors, loads, runs, days):
        try:
            structure = Structure(runs, days, tuple(groups.items()))
            if days == 1 and not groups:
                return _described(minimum_aberration(len(factors), runs), structure)
            return arrange(tuple(factor.group for factor in factors), structure)
        except PlanError as error:
            failure = failure or error
    raise failure or PlanError("loads do not divide the bakes.")


def _described(fraction: Fraction, structure: Structure) -> Arrangement:
    columns = fraction.columns
    pairs = list(combinations(range(len(columns)), 2))
    made = [columns[one] ^ columns[other] for one, other in pairs]
    lost = tuple(
        pair
        for pair, column in zip(pairs, made, strict=True)
        if column in columns or made.count(column) > 1
    )
    return Arrangement(fraction, structure, lost, (), ())


def _model(factors: Sequence[Factor], lost: Sequence[tuple[str, str]]) -> str | list[str]:
    """Return the terms that a plan can judge: main effects, the pairs not lost, squares."""
    squares = [f for f in factors if isinstance(f, Numeric) and len(f.levels) > 2]
    names = [factor.name for factor in factors]
    gone = {frozenset(pair) for pair in lost}
    pairs = [pair for pair in combinations(names, 2) if frozenset(pair) not in gone]
    if not gone and not squares:
        return "interactions" if len(names) > 1 else "main"
    if not pairs and not squares:
        return "main"
    return [*names, *(f"{a}:{b}" for a, b in pairs), *(f"{f.name}^2" for f in squares)]


def _details(
    factors: Sequence[Factor], arrangement: Arrangement | None, fraction: Fraction | None
) -> dict:
    names = [factor.name for factor in factors]
    details: dict = {}
    if arrangement:
        for key in ("lost", "on_days", "on_loads"):
            pairs = getattr(arrangement, key)
            details[key.replace("_", " ")] = [f"{names[a]}:{names[b]}" for a, b in pairs]
    if fraction and fraction.resolution:
        details["generators"] = [
            f"{names[added]} = {' × '.join(names[part] for part in parts)}"
            for added, parts in generator_sets(fraction.columns).items()
        ]
        details["words of length 3, 4, ..."] = list(fraction.wlp)
        details["resolution"] = fraction.resolution
        details["aberration"] = "proved minimal" if fraction.proved else "best found by search"
    return details


def _what_it_tells(factors: Sequence[Factor], arrangement: Arrangement) -> list[str]:
    fraction = arrangement.fraction
    whole = 2 ** len(factors)
    pairs = len(factors) * (len(factors) - 1) // 2
    if not fraction.resolution and not arrangement.lost:
        return [f"All {whole} combinations, so that everything can be told apart."]
    part = f"{fraction.runs} of the" if fraction.resolution else "All"
    sentences = [f"{part} {whole} combinations."]
    if fraction.resolution == 3:
        sentences.append(
            "Some single changes can not be told apart from pairs: what looks like one factor may "
            "be two working together. Mirror bakes (fold_over) would settle it."
        )
    else:
        sentences.append("Every single change can be told apart from every pair.")
    told = pairs - len(arrangement.lost)
    if told == pairs:
        sentences.append(f"All {pairs} pairs can be told apart from each other.")
    else:
        sentences.append(
            f"Of {how_many(pairs, 'pair')}, {told or 'none'} can be told apart from everything but "
            "effects of three factors and more."
        )
    return sentences


def _on_what(factors: Sequence[Factor], arrangement: Arrangement | None, plan: Plan) -> list[str]:
    """Return what is judged on days and loads instead of bakes, in sentences."""
    names = [factor.name for factor in factors]
    sentences = []
    trial = plan.table[plan.table["role"] == "trial"]
    for group in group_names(plan.factors):
        hard = [factor.name for factor in plan.factors if factor.group == group]
        count = trial[group].nunique() if group in trial else 0
        shared = how_many(count, kitchen_group(group))
        daily = ", one a day," if 1 < plan.days == count else ""
        sentences.append(
            f"Set afresh for each of {shared}{daily} and judged on those: {in_words(hard)}."
        )
        if count == trial[hard].drop_duplicates().shape[0]:
            sentences.append(
                f"With one {kitchen_group(group)} a setting, nothing tells a difference from luck; "
                "take twice as many, or hold it."
            )
    if arrangement and arrangement.on_days:
        pairs = in_words(f"{names[a]} with {names[b]}" for a, b in arrangement.on_days)
        sentences.append(f"Can not be told apart from the days: {pairs}.")
    if arrangement and arrangement.on_loads:
        pairs = in_words(f"{names[a]} with {names[b]}" for a, b in arrangement.on_loads)
        sentences.append(f"Judged between loads, so less sharply: {pairs}.")
    return sentences


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
