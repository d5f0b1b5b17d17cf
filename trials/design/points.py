"""From the points of a family's geometry to bakes: real settings, middle bakes, what is refused."""

from collections.abc import Sequence
from itertools import product

import numpy as np
import pandas as pd

from trials.errors import PlanError
from trials.factors import Categorical, Component, Factor, Numeric, check_factors
from trials.tables import in_words, tidy_number


def real_settings(factors: Sequence[Factor], coded: np.ndarray) -> pd.DataFrame:
    """Return the settings that coded points mean in the kitchen.

    Parameters
    ----------
    factors : sequence of Numeric or two-level Categorical
    coded : ndarray, shape (bakes, factors)
        -1 is the low setting or first kind, +1 the high setting or second kind, 0 the middle one;
        anything between is taken to the nearest setting that can be made.

    Returns
    -------
    DataFrame
        One column per factor.

    Examples
    --------
    >>> factors = [Numeric("oil", 165, 180, centre=172), Categorical("fat", ["butter", "lard"])]
    >>> real_settings(factors, np.array([[-1, 1], [0, -1]])).to_numpy().tolist()
    [[165.0, 'lard'], [172.0, 'butter']]
    """
    return pd.DataFrame(
        {
            factor.name: _real(factor, coded[:, place].astype(float))
            for place, factor in enumerate(factors)
        }
    )


def _real(factor: Factor, coded: np.ndarray) -> list:
    if isinstance(factor, Categorical):
        return [factor.levels[int(value > 0)] for value in coded]
    ends = factor.levels[0], factor.levels[-1]
    middle = nearest_setting(factor, factor.middle) if isinstance(factor, Numeric) else 0.0
    known = {-1.0: ends[0], 0.0: middle, 1.0: ends[1]}
    return [
        known[value] if value in known else nearest_setting(factor, float(real))
        for value, real in zip(coded.tolist(), factor.decode(coded), strict=True)
    ]


def nearest_setting(factor: Factor, value: float) -> float:
    """Return the setting nearest to a value that the kitchen can make.

    Examples
    --------
    >>> nearest_setting(Numeric("oil", 165, 180, step=5), 172)
    170.0
    """
    if isinstance(factor, Numeric) and factor.settings:
        return min(factor.settings, key=lambda setting: (abs(setting - value), setting))
    if isinstance(factor, Numeric) and factor.step and value != factor.middle:
        steps = round((value - factor.low) / factor.step)
        return float(f"{factor.low + steps * factor.step:.14g}")
    return float(value)


def middle_settings(factors: Sequence[Factor], count: int) -> pd.DataFrame:
    """Return the settings of middle bakes, turning through the kinds of categorical factors.

    Raises
    ------
    PlanError
        When no factor is a number, so that there is no middle.

    Examples
    --------
    >>> factors = [Numeric("oil", 165, 180), Categorical("fat", ["butter", "lard"])]
    >>> middle_settings(factors, 2).to_numpy().tolist()
    [[172.5, 'butter'], [172.5, 'lard']]
    """
    if count and not any(isinstance(factor, Numeric) for factor in factors):
        raise PlanError(
            f"centre_bakes is {count}, but no factor is a number, so there is no middle setting; "
            "0 works, and replicates or controls repeat bakes."
        )
    kinds = [factor for factor in factors if isinstance(factor, Categorical)]
    turns = list(product(*(factor.levels for factor in kinds)))
    rows = []
    for place in range(count):
        row = {factor.name: factor.middle for factor in factors}
        row |= dict(zip((f.name for f in kinds), turns[place % len(turns)], strict=True))
        rows.append(row)
    return pd.DataFrame(rows, columns=[factor.name for factor in factors])


def with_middle_bakes(factors: Sequence[Factor], frame: pd.DataFrame, count: int) -> pd.DataFrame:
    """Return the bakes with middle bakes added, spread over days first.

    A load holds one setting of what is hard to change, so where that is a factor of the plan the
    middle bakes of a day get loads of their own, no larger than the others.

    Parameters
    ----------
    factors : sequence of Factor
    frame : DataFrame
        Trial bakes with the column `day` and the columns of what they share.
    count : int

    Returns
    -------
    DataFrame
        With the column `role`.

    Examples
    --------
    >>> oil = Numeric("oil", 165, 180, hard_to_change=True)
    >>> frame = pd.DataFrame({"oil": [165, 180], "day": 1, "load": [1, 2]})
    >>> with_middle_bakes([oil], frame, 1)["load"].tolist()
    [1, 2, 3]
    """
    frame = frame.assign(role="trial")
    if not count:
        return frame
    extra = middle_settings(factors, count).assign(role="centre")
    days = sorted(frame["day"].unique())
    extra["day"] = [days[place % len(days)] for place in range(count)]
    names = [factor.name for factor in factors]
    for group in frame.columns.difference([*names, "day", "role"], sort=False):
        hard = [factor.name for factor in factors if factor.group == group]
        extra[group] = (_own_loads if hard else _given_loads)(extra, frame, group, hard)
    return pd.concat([frame, extra], ignore_index=True)


def _own_loads(extra: pd.DataFrame, frame: pd.DataFrame, group: str, hard: list[str]) -> list[int]:
    size = frame.groupby(group).size().max()
    same = extra.groupby(["day", *hard], sort=False)
    key = list(zip(same.ngroup(), same.cumcount() // size, strict=True))
    numbers = {load: place for place, load in enumerate(dict.fromkeys(key), start=1)}
    return [int(frame[group].max()) + numbers[load] for load in key]


def _given_loads(
    extra: pd.DataFrame, frame: pd.DataFrame, group: str, hard: list[str]
) -> list[int]:
    turn = extra.groupby("day").cumcount()
    loads = {day: sorted(part[group].unique()) for day, part in frame.groupby("day")}
    return [
        int(loads[day][place % len(loads[day])])
        for day, place in zip(extra["day"], turn, strict=True)
    ]


def only_numbers(
    factors: Sequence[Factor], family: str, *, three_settings: bool = True
) -> tuple[Numeric, ...]:
    """Return the factors once all are numbers that are easy to change.

    Raises
    ------
    PlanError
        When one is a kind, a share, hard to change, or has only two settings that can be made.

    Examples
    --------
    >>> [factor.name for factor in only_numbers([Numeric("rest", 20, 60)], "box_behnken")]
    ['rest']
    """
    factors = check_factors(factors)
    for factor in factors:
        if not isinstance(factor, Numeric):
            raise PlanError(
                f'"{factor.name}" is not a number; {family} takes numeric factors only. '
                "trials.design.optimal mixes numbers with kinds and blends."
            )
        if three_settings and 0 < len(factor.settings) < 3:
            raise PlanError(
                f'"{factor.name}" can only be set to {in_words(map(tidy_number, factor.settings))};'
                f" {family} needs a setting between them."
            )
    refuse_hard_to_change(factors, family)
    return tuple(factor for factor in factors if isinstance(factor, Numeric))


def refuse_hard_to_change(factors: Sequence[Factor], family: str) -> None:
    """Raise a PlanError when a factor is hard to change, which the family can not heed.

    Examples
    --------
    >>> refuse_hard_to_change([Numeric("rest", 20, 60)], "plackett_burman")
    """
    hard = [f'"{factor.name}"' for factor in factors if factor.group]
    if hard:
        raise PlanError(
            f"{in_words(hard)} {'is' if len(hard) == 1 else 'are'} hard to change, and "
            f"{family} would set it anew for every bake. trials.design.optimal(..., loads=) keeps "
            "it within loads, and so does fractional_factorial; or say hard_to_change=False."
        )


def refuse_components(factors: Sequence[Factor], family: str) -> None:
    """Raise a PlanError when a factor is the share of a blend.

    Examples
    --------
    >>> refuse_components([Numeric("rest", 20, 60)], "full_factorial")
    """
    shares = [f'"{factor.name}"' for factor in factors if isinstance(factor, Component)]
    if shares:
        raise PlanError(
            f"{in_words(shares)}: shares of a blend can not be set one by one, so {family} does "
            "not serve. Use trials.design.simplex_lattice, simplex_centroid or extreme_vertices."
        )


def only_two_levels(factors: Sequence[Factor], family: str) -> tuple[Factor, ...]:
    """Return the factors once each is a number or has two kinds; numbers use their end settings.

    Raises
    ------
    PlanError
        When a kind has more than two levels or a factor is the share of a blend.

    Examples
    --------
    >>> len(only_two_levels([Categorical("fat", ["butter", "lard"])], "fractional_factorial"))
    1
    """
    factors = check_factors(factors)
    refuse_components(factors, family)
    for factor in factors:
        if isinstance(factor, Categorical) and len(factor.levels) > 2:
            raise PlanError(
                f'"{factor.name}" has {len(factor.levels)} levels; {family} takes factors with '
                "two. full_factorial and trials.design.optimal take any number."
            )
    return factors
