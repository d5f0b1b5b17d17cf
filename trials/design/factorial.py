"""Factorial plans.

Every combination, or the fraction that tells most, over days and groups; mirror bakes.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, product
from math import gcd, prod
from typing import Any

import numpy as np
import pandas as pd
import pyDOE3

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import how_many, in_words
from trials.core.factors import (
    Categorical,
    Component,
    Factor,
    Numeric,
    Setting,
    Varied,
    check_factors,
    group_names,
)
from trials.core.plan import Plan, kitchen_group, new_seed, whole_number
from trials.core.roles import Role
from trials.design.fractions import (
    MOST_FACTORS,
    Arrangement,
    Fraction,
    Structure,
    arrange,
    generator_sets,
    minimum_aberration,
    partly_confounded,
    rank,
    signs,
)
from trials.design.layout import (
    lay_out,
    only_two_levels,
    real_settings,
    refuse_components,
    with_middle_bakes,
)

# -- How the bakes of a factorial plan are shared out over days and loads.


Loads = int | Mapping[str, int] | None
MOST_SHARED_OUT = 1024
MIRROR_BAKES = "mirror bakes"


def group_counts(
    factors: Sequence[Factor], loads: Loads, bakes: int, days: int
) -> Iterator[dict[str, int]]:
    """Yield how many of each thing there could be that bakes share, best first.

    What is given is kept. Left out, every hard-to-change setting gets a load a day and two at
    least; where two bakes would not share a load then, a load a day; else one load in all.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> list(group_counts([Numeric("oil", 165, 180, hard_to_change=True)], None, 32, 4))
    [{'load': 8}, {'load': 4}]
    """
    names = group_names(factors)
    given = _given(names, loads)
    for name, count in given.items():
        _check_divides(name, whole_number(f'loads ("{name}")', count, least=1), bakes, days)
    rest = [name for name in names if name not in given]
    choices = [_choices(factors, name, bakes, days) for name in rest]
    found = False
    for counts in product(*choices):
        together = given | dict(zip(rest, counts, strict=True))
        if days * prod(count // days for count in together.values()) <= bakes or not rest:
            found = True
            yield together
    if not found:
        raise PlanError(f"{bakes} bakes are too few to cross {in_words(names)}; give more.")


def _given(names: Sequence[str], loads: Loads) -> dict[str, int]:
    if loads is None:
        return {}
    if isinstance(loads, Mapping):
        unknown = [name for name in loads if name not in names and name != "load"]
        if unknown:
            raise PlanError(
                f'loads names "{in_words(unknown)}", but nothing that varies is set for a whole '
                f"{kitchen_group(unknown[0])}; bakes share {in_words(names) or 'nothing'}."
            )
        return dict(loads)
    if len(names) > 1:
        each = ", ".join(f'"{name}": ...' for name in names)
        raise PlanError(
            f"loads is {loads}, but bakes share {in_words(names)}; say how many of each: "
            f"loads={{{each}}}."
        )
    return {names[0] if names else "load": loads}


def _check_divides(name: str, count: int, bakes: int, days: int) -> None:
    if bakes % count or count % days:
        working = [c for c in range(days, bakes + 1) if bakes % c == 0 and c % days == 0]
        raise PlanError(
            f"loads is {count} ({kitchen_group(name)}); {bakes} bakes over {how_many(days, 'day')} "
            f"are shared out evenly with {in_words(working[:6], 'or')}. For other numbers use "
            "trials.design.optimal."
        )


def _choices(factors: Sequence[Factor], name: str, bakes: int, days: int) -> list[int]:
    settings = prod(len(factor.levels) for factor in factors if factor.group == name)
    wanted = (max(days, 2) * settings, days * settings, max(days, settings))
    fitting = [c for c in wanted if 2 * c <= bakes and c % days == 0 and bakes % c == 0]
    if not fitting:
        raise PlanError(
            f"{bakes} bakes over {how_many(days, 'day')} leave no two bakes for each "
            f"{kitchen_group(name)}, and what is hard to change has {settings} settings. Give more "
            "bakes or fewer days, or hold the hard-to-change factor."
        )
    return list(dict.fromkeys(fitting))


def shared_out(
    factors: Sequence[Factor], replicates: int, days: int, groups: Mapping[str, int]
) -> tuple[pd.DataFrame, Arrangement | None]:
    """Return every combination with its day and loads.

    Replicates go over days first: with r replicates and d days there are gcd(r, d) sets of days,
    each holding every combination. Within a set the two-level factors, and as much of the
    replicates as is a power of two, are arranged by bits; everything else is crossed with them.
    Factors take turns between sets, so that no pair is lost in all of them if it can be helped.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> factors = [Numeric("rest", 20, 60), Numeric("proof", 40, 70)]
    >>> shared_out(factors, 1, 2, {})[0].groupby("day")["rest"].agg(sorted).tolist()
    [[20.0, 60.0], [20.0, 60.0]]
    """
    sets = gcd(replicates, days)
    within, left = replicates // sets, days // sets
    even = within & -within
    twos = [factor for factor in factors if len(factor.levels) == 2]
    many = [factor for factor in factors if len(factor.levels) > 2]
    runs = even * 2 ** len(twos)
    structure, arrangement = Structure(runs), None
    columns = [tuple(1 << bit for bit in range(len(twos)))] * sets
    if left > 1 or groups:
        _check_core(factors, replicates, runs, days)
        structure = Structure(runs, left, _core_counts(many, groups, sets))
        if twos:
            owners = tuple(factor.group for factor in twos)
            arrangement = arrange(owners, structure)
            if rank(arrangement.fraction.columns) < len(twos):
                shared = in_words(how_many(n, kitchen_group(name)) for name, n in groups.items())
                raise PlanError(
                    f"{how_many(days, 'day')} and {shared} leave no room for every combination; "
                    f"days={workable_days(factors, replicates)} or more loads would."
                )
            arrangement, columns = partly_confounded(arrangement, owners, sets)
    frames = [
        _crossed(_core(twos, own, structure, groups), many, within // even, groups)
        for own in columns
    ]
    for place, frame in enumerate(frames):
        for name in ("day", *groups):
            frame[name] += place * (left if name == "day" else groups[name] // sets) + 1
    names = [factor.name for factor in factors]
    return pd.concat(frames, ignore_index=True)[[*names, "day", *groups]], arrangement


def _core(
    twos: Sequence[Factor],
    columns: tuple[int, ...],
    structure: Structure,
    groups: Mapping[str, int],
) -> pd.DataFrame:
    """Return the two-level factors of one set of days, with days and loads numbered from 0."""
    core = pd.DataFrame(index=range(structure.runs))
    if twos:
        core = real_settings(twos, signs(columns, structure.runs))
    for name in ("day", *groups):
        core[name] = structure.ids(name)
    return core


def _check_core(factors: Sequence[Factor], replicates: int, runs: int, days: int) -> None:
    left = days // gcd(replicates, days)
    if left & (left - 1) or (left > 1 and left > runs // 2):
        raise PlanError(
            f"days is {days}, which interactions of the two-level factors can not be confounded "
            f"with; {workable_days(factors, replicates)} would work, or any number with "
            "trials.design.optimal."
        )
    if runs > MOST_SHARED_OUT:
        raise PlanError(
            f"{runs} two-level bakes are too many to share out over days and loads; the most is "
            f"{MOST_SHARED_OUT}. Use fractional_factorial."
        )


def _core_counts(
    many: Sequence[Factor], groups: Mapping[str, int], sets: int
) -> tuple[tuple[str, int], ...]:
    """Return the loads of one set of days and one combination of the many-level hard factors."""
    counts = []
    for name, count in groups.items():
        share = sets * prod(len(factor.levels) for factor in many if factor.group == name)
        if count % share:
            raise PlanError(
                f"loads is {count} ({kitchen_group(name)}); a multiple of {share} is needed so "
                "that every hard-to-change setting gets equally many."
            )
        counts.append((name, count // share))
    return tuple(counts)


def _crossed(
    core: pd.DataFrame, many: Sequence[Factor], odd: int, groups: Mapping[str, int]
) -> pd.DataFrame:
    """Return the core crossed with the many-level factors and the odd part of the replicates."""
    pieces = []
    levels = [factor.levels for factor in many]
    for _, kinds in product(range(odd), product(*levels)):
        setting = dict(zip((factor.name for factor in many), kinds, strict=True))
        piece = core.copy()
        for name, value in setting.items():
            piece[name] = [value] * len(piece)
        for group in groups:
            own = tuple(setting[factor.name] for factor in many if factor.group == group)
            piece[group] = [(own, load) for load in core[group]]
        pieces.append(piece)
    frame = pd.concat(pieces, ignore_index=True)
    for group in groups:
        frame[group] = pd.factorize(frame[group])[0]
    return frame


def day_modulus(factors: Sequence[Factor], replicates: int, days: int) -> int:
    """Return the days of each replicate when a sum of levels can tell them, else 0.

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> day_modulus([Categorical(name, [1, 2, 3]) for name in "xy"], 1, 3)
    3
    """
    left = days // gcd(replicates, days)
    prime = left > 2 and all(left % divisor for divisor in range(2, left))
    alike = sum(len(factor.levels) == left for factor in factors)
    return left if prime and alike >= 2 else 0


def days_by_remainder(
    factors: Sequence[Factor], replicates: int, days: int, modulus: int
) -> pd.DataFrame:
    """Return every combination, its day told by the sum of the levels of factors that have as many.

    That confounds days with one component of the highest-order interaction of those factors.

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> frame = days_by_remainder([Categorical(name, [1, 2, 3]) for name in "xy"], 1, 3, 3)
    >>> frame[frame["day"] == 1].to_numpy().tolist()
    [[1, 1, 1], [2, 3, 1], [3, 2, 1]]
    """
    sets = days // modulus
    rows = []
    for copy in range(replicates):
        for levels in every_combination([len(factor.levels) for factor in factors]):
            total = sum(
                level
                for level, factor in zip(levels, factors, strict=True)
                if len(factor.levels) == modulus
            )
            setting = {f.name: f.levels[level] for f, level in zip(factors, levels, strict=True)}
            rows.append(setting | {"day": 1 + total % modulus + modulus * (copy % sets)})
    return pd.DataFrame(rows)


def every_combination(counts: Sequence[int]) -> np.ndarray:
    """Return every combination of levels by number, the last changing fastest.

    Examples
    --------
    >>> every_combination([2, 3]).tolist()
    [[0, 0], [0, 1], [0, 2], [1, 0], [1, 1], [1, 2]]
    """
    return pyDOE3.fullfact(counts[::-1])[:, ::-1].astype(int)


def workable_days(factors: Sequence[Factor], replicates: int) -> str:
    """Return in words the numbers of days that the combinations can be shared out over.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> workable_days([Numeric("rest", 20, 60), Numeric("proof", 40, 70)], 1)
    '1 or 2'
    """
    twos = sum(len(factor.levels) == 2 for factor in factors)
    shares = [d for d in range(1, replicates + 1) if replicates % d == 0]
    powers = [2**bit for bit in range(max(1, twos))]
    return in_words(sorted({share * power for share in shares for power in powers})[:8], "or")


# -- Factorial plans: every combination, or the fraction that tells most, over days and loads.


MOST_BAKES = 10_000


@checked_types(PlanError)
def full_factorial(
    factors: Sequence[Varied],
    *,
    replicates: int = 1,
    centre_bakes: int = 0,
    days: int = 1,
    loads: Loads = None,
    references: int = 0,
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
    references : int
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
    >>> from trials.core.factors import Categorical
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
        references=references,
        seed=seed,
        details=_details(twos, arrangement, None),
    )
    first = f"All {bakes // replicates} combinations, each baked {_times(replicates)}."
    return plan.because(first, *_on_what(twos, arrangement, plan))


@checked_types(PlanError)
def fractional_factorial(
    factors: Sequence[Varied],
    *,
    bakes: int | None = None,
    resolution: int | None = None,
    days: int = 1,
    loads: Loads = None,
    centre_bakes: int = 0,
    references: int = 0,
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
    days, loads, centre_bakes, references, seed
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
        references=references,
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
    trial = plan.table[plan.table["role"] == Role.TRIAL]
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


# -- Mirror bakes: a second round that frees effects the first could not tell apart.


@checked_types(PlanError)
def fold_over(
    plan: Plan,
    *,
    factors: Sequence[str] | None = None,
    half: tuple[str, Setting] | None = None,
    pair: tuple[str, str] | None = None,
    seed: int | None = None,
) -> Plan:
    """Add mirror bakes to a two-level plan: the same bakes with high and low exchanged.

    Mirroring every factor frees main effects from pairs; mirroring one frees that factor and its
    pairs. Half of the mirror bakes (a semi-fold) can free a single pair: name it, and the best
    mirroring and half are searched for.

    Parameters
    ----------
    plan : Plan
        Its bakes are kept as they are; mirror bakes follow on days of their own.
    factors : sequence of str, optional
        The names to mirror; all when left out.
    half : (str, setting), optional
        Only bakes with this setting are mirrored, ("rest", 20).
    pair : (str, str), optional
        The two factors whose working together must be told apart from other pairs, with half
        the bakes. Then `factors` and `half` are found and must be left out.
    seed : int, optional
        For the order of the mirror bakes; drawn when left out.

    Returns
    -------
    Plan
        The first bakes keep their names, order, days and loads.

    Raises
    ------
    PlanError
        When a factor has no mirror setting, a name is unknown, or no half frees the pair.

    References
    ----------
    Box, Hunter & Hunter 2005, ch. 6 (fold-over); Mee & Peralta 2000, Technometrics 42:122
    (semi-folding).

    Examples
    --------
    >>> from trials.design.factorial import fractional_factorial
    >>> from trials.core.factors import Numeric
    >>> six = [Numeric(name, 0, 1) for name in "abcdef"]
    >>> first = fractional_factorial(six, bakes=8, seed=1)
    >>> fold_over(first, seed=1).sentence()
    '16 bakes over 2 days'
    >>> first = fractional_factorial(six, bakes=16, seed=1)
    >>> fold_over(first, pair=("a", "b"), seed=1).sentence()
    '24 bakes over 2 days'
    """
    trial = plan.table[plan.table["role"] == Role.TRIAL]
    if pair is not None:
        if factors is not None or half is not None:
            raise PlanError(
                "pair says what must be freed, and then factors and half are found; leave them out."
            )
        mirrored, half = _half_that_frees(plan, trial, pair)
    else:
        everything = [factor.name for factor in plan.factors]
        mirrored = _checked(plan, everything if factors is None else factors)
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    chosen = trial if half is None else trial[_is_half(plan, trial, half)]
    mirror = lay_out(
        plan.factors,
        _mirror(plan, chosen, mirrored),
        family=MIRROR_BAKES,
        model=plan.model,
        seed=seed,
    )
    rows = _following(plan, mirror)
    details: dict[str, Any] = {"mirrored": list(mirrored), "of": plan.family}
    if half is not None:
        details["half"] = f"{half[0]} = {plan.factor(half[0]).show(half[1])}"
    mains, pairs = _free(plan, rows)
    folded = Plan(
        factors=plan.factors,
        rows=rows,
        family=MIRROR_BAKES,
        model=_freed_model(plan, pairs) if pair is None else _with_pair(plan, pair),
        seed=seed,
        excluded=plan.excluded,
        details=details,
    )
    what = "every factor" if len(mirrored) == len(plan.factors) else in_words(mirrored)
    where = f", for the bakes with {details['half']}" if half is not None else ""
    added = f"{mirror.count()} mirror bakes exchange high and low of {what}{where}."
    return folded.because(added, *_what_they_free(plan, mains, pairs, pair))


def _what_they_free(
    plan: Plan, mains: list[str], pairs: list[str], pair: tuple[str, str] | None
) -> list[str]:
    count = len(plan.factors)
    before = _free(plan, plan.table)
    if pair is not None:
        return [f"{in_words(pair)} working together can now be told apart from every other pair."]
    sentences = [
        f"Now {len(mains)} of {count} single changes can be told apart from every pair, and "
        f"{len(pairs)} of {count * (count - 1) // 2} pairs from everything but effects of three "
        "factors and more."
    ]
    if (len(mains), len(pairs)) <= (len(before[0]), len(before[1])):
        sentences.append("The first bakes told that already: mirror a single factor instead.")
    return sentences


def _checked(plan: Plan, names: Sequence[str]) -> tuple[str, ...]:
    nested = [factor.name for factor in plan.factors if factor.only_when]
    if nested:
        raise PlanError(
            f"{in_words(nested)} can not be set in every bake, so there are no mirror bakes; "
            "trials.design.add_bakes adds bakes to any plan."
        )
    names = (names,) if isinstance(names, str) else tuple(names)
    if not names:
        raise PlanError("factors is empty; name at least one factor to mirror.")
    for name in names:
        factor = plan.factor(name)
        levels = plan.table.loc[plan.table["role"] == Role.TRIAL, name].nunique()
        two_kinds = isinstance(factor, Categorical) and len(factor.levels) > 2
        if isinstance(factor, Component) or two_kinds or levels > 3:
            raise PlanError(
                f'factors names "{name}", which has no mirror setting; a number or a factor with '
                "two kinds has one. trials.design.add_bakes adds bakes to any plan."
            )
    return names


def _is_half(plan: Plan, trial: pd.DataFrame, half: tuple[str, Setting]) -> np.ndarray:
    try:
        name, setting = half
    except (TypeError, ValueError):
        raise PlanError(
            f"half is {half!r}; a factor and one of its settings was expected."
        ) from None
    factor = plan.factor(name)
    value = factor.read(setting)
    found = np.array([factor.read(cell) == value for cell in trial[name]])
    if not found.any() or found.all():
        known = in_words(factor.show(cell) for cell in sorted(trial[name].unique(), key=str))
        raise PlanError(
            f'half says "{name}" at {factor.show(value)}, but the bakes have it at {known}.'
        )
    return found


def _mirror(plan: Plan, chosen: pd.DataFrame, mirrored: Sequence[str]) -> pd.DataFrame:
    """Return the mirror bakes, a mirrored load staying together."""
    mirror = chosen.drop(columns=["bake", "role"]).reset_index(drop=True)
    for name in mirrored:
        mirror[name] = _exchanged(plan.factor(name), mirror[name])
    return mirror.dropna(axis=1, how="all")


def _exchanged(factor: Factor, values: pd.Series) -> list:
    if isinstance(factor, Categorical):
        return [factor.levels[1 - code] for code in factor.code(values)]
    ends = sorted((factor.levels[0], factor.levels[-1]))
    swap = {ends[0]: ends[1], ends[1]: ends[0], factor.middle: factor.middle}
    coded = -factor.code(values)
    decoded = factor.decode(coded)
    return [swap.get(value, other) for value, other in zip(values, decoded, strict=True)]


def _following(plan: Plan, mirror: Plan) -> pd.DataFrame:
    """Return both parts in one table, days, loads and bakes of the second counted on."""
    first, later = plan.table, mirror.table
    for name in ("day", *plan.groups):
        later[name] += int(first[name].max())
    width = max(2, len(str(len(first) + len(later))))
    later["bake"] = [f"B{len(first) + place:0{width}d}" for place in range(1, len(later) + 1)]
    return pd.concat([first, later[first.columns]], ignore_index=True)


def _free(plan: Plan, rows: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Return the main effects and the pairs that nothing of order one or two, nor a day, hides."""
    trial = rows[rows["role"] == Role.TRIAL]
    codes, names = _codes(plan, trial)
    days = pd.get_dummies(trial["day"]).to_numpy(float)
    chosen = list(combinations(range(len(names)), 2))
    made = np.column_stack([codes, *(codes[:, a] * codes[:, b] for a, b in chosen)])
    free = [
        _left(made[:, place], [days, np.delete(made, place, axis=1)]) > 1e-9
        for place in range(made.shape[1])
    ]
    pairs = [f"{names[a]}:{names[b]}" for a, b in chosen]
    return (
        [name for name, told in zip(names, free, strict=False) if told],
        [pair for pair, told in zip(pairs, free[len(names) :], strict=True) if told],
    )


def _freed_model(plan: Plan, pairs: list[str]) -> tuple[str, ...] | str:
    names = [factor.name for factor in plan.factors]
    if len(pairs) == len(names) * (len(names) - 1) // 2:
        return "interactions"
    return (*names, *pairs) if pairs else "main"


def _with_pair(plan: Plan, pair: tuple[str, str]) -> tuple[str, ...]:
    names = [factor.name for factor in plan.factors]
    one, other = sorted(pair, key=names.index)
    known = names if isinstance(plan.model, str) else plan.model
    return tuple(dict.fromkeys([*known, f"{one}:{other}"]))


def _codes(plan: Plan, table: pd.DataFrame) -> tuple[np.ndarray, list[str]]:
    columns = []
    for factor in plan.factors:
        coded = factor.code(table[factor.name]).astype(float)
        columns.append(2 * coded - 1 if isinstance(factor, Categorical) else coded)
    return np.column_stack(columns), [factor.name for factor in plan.factors]


def _left(column: np.ndarray, others: Sequence[np.ndarray]) -> float:
    """Return the share of a column that the others do not explain."""
    X = np.column_stack(others)
    fitted = X @ np.linalg.lstsq(X, column, rcond=None)[0]
    return float(np.sum((column - fitted) ** 2) / np.sum(column**2))


def _half_that_frees(
    plan: Plan, trial: pd.DataFrame, pair: tuple[str, str]
) -> tuple[tuple[str, ...], tuple[str, Setting]]:
    """Return what to mirror and which half so that a pair is told apart best from other pairs."""
    if len(tuple(pair)) != 2 or pair[0] == pair[1]:
        raise PlanError(f"pair is {pair!r}; the names of two factors were expected.")
    everything = tuple(factor.name for factor in plan.factors)
    _checked(plan, everything)
    wanted = tuple(everything.index(plan.factor(name).name) for name in pair)
    codes, _ = _codes(plan, trial)
    best, choice = (0.0, 0), None
    for mirrored in _mirrorings(len(everything), wanted):
        for place in range(len(everything)):
            for level in (-1.0, 1.0):
                chosen = codes[codes[:, place] == level]
                if not 0 < len(chosen) < len(codes):
                    continue
                score = _freed(codes, chosen, mirrored, wanted)
                if score > best:
                    best, choice = score, (mirrored, place, level)
    if choice is None:
        raise PlanError(
            f"pair: no half of mirror bakes tells {in_words(pair)} from the other pairs. Mirror "
            f'every bake instead, with factors=["{pair[0]}"].'
        )
    mirrored, place, level = choice
    setting = trial[everything[place]].to_numpy()[codes[:, place] == level][0]
    return tuple(everything[position] for position in mirrored), (everything[place], setting)


def _mirrorings(count: int, wanted: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    """Yield sets of factors to mirror: single ones, pairs of the wanted with others, all."""
    yield from ((position,) for position in range(count))
    yield from (pair for pair in combinations(range(count), 2) if set(pair) & set(wanted))
    yield tuple(range(count))


def _freed(
    codes: np.ndarray, chosen: np.ndarray, mirrored: tuple[int, ...], wanted: tuple[int, ...]
) -> tuple[float, int]:
    """Return how much of the pair is free of all else, then how many other pairs are."""
    mirror = chosen.copy()
    mirror[:, list(mirrored)] *= -1
    both = np.vstack([codes, mirror])
    day = np.repeat([0.0, 1.0], [len(codes), len(mirror)])[:, None]
    pairs = list(combinations(range(codes.shape[1]), 2))
    products = np.column_stack([both[:, a] * both[:, b] for a, b in pairs])
    known = [np.ones((len(both), 1)), day, both]
    target = pairs.index(tuple(sorted(wanted)))  # type: ignore[arg-type]
    left = _left(products[:, target], [*known, np.delete(products, target, axis=1)])
    return (round(left, 6), int(np.linalg.matrix_rank(np.column_stack([*known, products]))))
