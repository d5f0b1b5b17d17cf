"""How the bakes of a factorial plan are shared out over days and loads."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from math import gcd, prod

import pandas as pd

from trials.design.confounding import Arrangement, arrange, partly_confounded
from trials.design.plan import kitchen_group, whole_number
from trials.design.points import real_settings
from trials.design.regular import rank, signs
from trials.design.structure import Structure, how_many
from trials.errors import PlanError
from trials.factors import Factor, group_names
from trials.tables import in_words

Loads = int | Mapping[str, int] | None
MOST_SHARED_OUT = 1024


def group_counts(
    factors: Sequence[Factor], loads: Loads, bakes: int, days: int
) -> Iterator[dict[str, int]]:
    """Yield how many of each thing there could be that bakes share, best first.

    What is given is kept. Left out, every hard-to-change setting gets a load a day and two at
    least; where two bakes would not share a load then, a load a day; else one load in all.

    Parameters
    ----------
    factors : sequence of Factor
    loads : int, dict or None
        As the plans take it.
    bakes, days : int

    Raises
    ------
    PlanError
        When a count does not divide the bakes or names what nothing is hard to change by.

    Examples
    --------
    >>> from trials.factors import Numeric
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
                f'loads names "{in_words(unknown)}", but no factor is hard to change by that; '
                f"the factors share {in_words(names) if names else 'nothing'}."
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

    Parameters
    ----------
    factors : sequence of Numeric and Categorical
    replicates, days : int
    groups : mapping
        What bakes share -> how many over all days.

    Returns
    -------
    DataFrame, Arrangement or None
        Settings with `day` and a column per group; how the two-level factors were arranged.

    Raises
    ------
    PlanError
        When days or loads can not be confounded with interactions.

    Examples
    --------
    >>> from trials.factors import Numeric
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
    >>> from trials.factors import Categorical
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
    >>> from trials.factors import Categorical
    >>> frame = days_by_remainder([Categorical(name, [1, 2, 3]) for name in "xy"], 1, 3, 3)
    >>> frame[frame["day"] == 1].to_numpy().tolist()
    [[1, 1, 1], [2, 3, 1], [3, 2, 1]]
    """
    sets = days // modulus
    rows = []
    for copy in range(replicates):
        for levels in product(*(range(len(factor.levels)) for factor in factors)):
            total = sum(
                level
                for level, factor in zip(levels, factors, strict=True)
                if len(factor.levels) == modulus
            )
            setting = {f.name: f.levels[level] for f, level in zip(factors, levels, strict=True)}
            rows.append(setting | {"day": 1 + total % modulus + modulus * (copy % sets)})
    return pd.DataFrame(rows)


def workable_days(factors: Sequence[Factor], replicates: int) -> str:
    """Return in words the numbers of days that the combinations can be shared out over.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> workable_days([Numeric("rest", 20, 60), Numeric("proof", 40, 70)], 1)
    '1 or 2'
    """
    twos = sum(len(factor.levels) == 2 for factor in factors)
    shares = [d for d in range(1, replicates + 1) if replicates % d == 0]
    powers = [2**bit for bit in range(max(1, twos))]
    return in_words(sorted({share * power for share in shares for power in powers})[:8], "or")
