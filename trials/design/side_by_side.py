"""Whole variants or methods side by side: the plainest round of all."""

from collections.abc import Iterator, Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import in_words
from trials.core.factors import (
    Categorical,
    Factor,
    Setting,
    Varied,
    can_meet,
    check_factors,
    exists,
)
from trials.core.plan import Plan, new_seed, whole_number
from trials.design.layout import lay_out

FEWEST, MOST = 2, 6


@checked_types(PlanError)
def variants(
    kinds: Categorical | Sequence[Setting],
    *,
    repeats: int = 3,
    reference: bool = True,
    within: Sequence[Varied] = (),
    days: int = 1,
    name: str = "variant",
    seed: int | None = None,
) -> Plan:
    """Plan two to six whole variants, or cooking methods, side by side.

    Parameters
    ----------
    kinds : Categorical or sequence
        The variants, the reference (the recipe as it is) first.
    repeats : int
        Bakes of each variant, or of each of its settings.
    reference : bool
        Whether the first variant is what all others are held against: it is then baked as often
        as makes those comparisons surest, about the square root of the number of others times
        as often as each of them.
    within : sequence of Factor, optional
        Settings that exist only for some kinds (`only_when`), as a fry heat only where it is
        fried: each kind is baked at every combination of its own.
    days : int
        Every day gets each variant as often as the other days, or once more or less.
    name : str
        What the kinds are called, when they are given as a list.
    seed : int, optional

    Returns
    -------
    Plan

    Raises
    ------
    PlanError, FactorError
        When there are not two to six variants, a setting in `within` is not nested in them, or
        there are more days than repeats.

    References
    ----------
    Dunnett 1955, J. Am. Stat. Assoc. 50:1096 (how often to repeat a reference); Cochran & Cox
    1957, ch. 4 (randomised blocks: the days).

    Examples
    --------
    >>> plan = variants(["as it is", "with malt", "with rye"], repeats=4, days=2, seed=1)
    >>> plan.table["variant"].value_counts().to_dict()
    {'as it is': 6, 'with malt': 4, 'with rye': 4}
    """
    host = kinds if isinstance(kinds, Categorical) else Categorical(name, list(kinds))
    factors = check_factors([host, *within])
    within = factors[1:]
    if not FEWEST <= len(host.levels) <= MOST:
        raise PlanError(
            f"{len(host.levels)} variants were given; {FEWEST} to {MOST} stand side by side in one "
            "round. Screen the ideas behind them as factors of their own: trials.propose."
        )
    foreign = [f.name for f in within if not f.only_when or f.only_when[0] != host.name]
    if foreign:
        raise PlanError(
            f'within holds {in_words(foreign)}, not set by only_when=("{host.name}", [...]). For '
            "settings that every variant has, use trials.propose."
        )
    repeats = whole_number("repeats", repeats, least=1)
    days = whole_number("days", days, least=1)
    if days > repeats:
        raise PlanError(
            f"days is {days}, but each variant is baked {repeats} times; up to {repeats} days work."
        )
    seed = new_seed() if seed is None else int(seed)
    often = _often(host, within, repeats, reference)
    bakes = _over_days(_settings(factors, often), days, np.random.default_rng(seed))
    plan = lay_out(
        factors,
        bakes,
        family="whole variants",
        model=_model(factors),
        seed=seed,
        details={"reference": str(host.levels[0])} if reference else {},
    )
    return plan.because(*_words(plan, host, within, repeats, often, reference))


def _often(
    host: Categorical, within: Sequence[Factor], repeats: int, reference: bool
) -> dict[Setting, int]:
    """Return how often each setting of each kind is baked."""
    often = dict.fromkeys(host.levels, repeats)
    first = host.levels[0]
    if reference and not any(first in factor.only_when[1] for factor in within if factor.only_when):
        often[first] = round(repeats * np.sqrt(len(host.levels) - 1))
    return often


def _settings(factors: Sequence[Factor], often: dict[Setting, int]) -> pd.DataFrame:
    """Return the bakes: every kind at every combination of its own settings."""
    host, *inner = factors
    rows: list[dict[str, Any]] = []
    for kind, count in often.items():
        here = {host.name: [kind]}
        own = [
            list(factor.levels) if exists(factor, here) else [factor.read("")] for factor in inner
        ]
        for values in product(*own):
            setting = dict(zip((factor.name for factor in inner), values, strict=True))
            rows += [{host.name: kind, **setting}] * count
    return pd.DataFrame(rows)


def _over_days(bakes: pd.DataFrame, days: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return the bakes with days: alike settings dealt out in turn, the start drawn by chance."""
    return bakes.assign(day=(np.arange(len(bakes)) + rng.integers(days)) % days + 1)


def _model(factors: Sequence[Factor]) -> list[str]:
    host, *inner = factors
    pairs = [
        f"{one.name}:{other.name}"
        for place, one in enumerate(inner)
        for other in inner[place + 1 :]
        if can_meet([one, other])
    ]
    return [host.name, *(factor.name for factor in inner), *pairs]


def _words(
    plan: Plan,
    host: Categorical,
    within: Sequence[Factor],
    repeats: int,
    often: dict[Setting, int],
    reference: bool,
) -> Iterator[str]:
    first = host.levels[0]
    others = len(host.levels) - 1
    if reference:
        yield f"{host.show(first)} is the reference: every other {host.name} is held against it."
    if often[first] > repeats:
        yield (
            f"It is baked {often[first]} times, the others {repeats} times each: that makes the "
            f"{others} comparisons with it surest for the work."
        )
    else:
        yield f"Every {host.name} is baked {repeats} times{' at each setting' if within else ''}."
    for factor in within:
        if factor.only_when:
            yield (
                f"{factor.name[0].upper()}{factor.name[1:]} is set only where {host.name} is "
                f"{in_words(factor.only_when[1], 'or')}, and judged on those bakes alone."
            )
    if plan.days > 1:
        yield f"Each of the {plan.days} days holds every {host.name}, so days favour none."
