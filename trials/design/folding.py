"""Mirror bakes: a second round that frees effects the first could not tell apart."""

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from trials.design.laying_out import lay_out
from trials.design.plan import Plan, new_seed, whole_number
from trials.errors import PlanError
from trials.factors import Categorical, Component, Factor, Setting
from trials.tables import in_words


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
    >>> from trials.factors import Numeric
    >>> six = [Numeric(name, 0, 1) for name in "abcdef"]
    >>> first = fractional_factorial(six, bakes=8, seed=1)
    >>> fold_over(first, seed=1).sentence()
    '16 bakes over 2 days'
    >>> first = fractional_factorial(six, bakes=16, seed=1)
    >>> fold_over(first, pair=("a", "b"), seed=1).sentence()
    '24 bakes over 2 days'
    """
    trial = plan.table[plan.table["role"] == "trial"]
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
        family="mirror bakes",
        model=plan.model,
        seed=seed,
    )
    rows = _following(plan, mirror)
    details: dict[str, Any] = {"mirrored": list(mirrored)}
    if half is not None:
        details["half"] = f"{half[0]} = {plan.factor(half[0]).show(half[1])}"
    mains, pairs = _free(plan, rows)
    folded = Plan(
        factors=plan.factors,
        rows=rows,
        family=f"{plan.family}, with mirror bakes",
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
            "trials.design.augment adds bakes to any plan."
        )
    names = (names,) if isinstance(names, str) else tuple(names)
    if not names:
        raise PlanError("factors is empty; name at least one factor to mirror.")
    for name in names:
        factor = plan.factor(name)
        levels = plan.table.loc[plan.table["role"] == "trial", name].nunique()
        two_kinds = isinstance(factor, Categorical) and len(factor.levels) > 2
        if isinstance(factor, Component) or two_kinds or levels > 3:
            raise PlanError(
                f'factors names "{name}", which has no mirror setting; a number or a factor with '
                "two kinds has one. trials.design.augment adds bakes to any plan."
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
    trial = rows[rows["role"] == "trial"]
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
