"""Settings.

As tables, as rows of a model, and those that an effect compares in a baker's words.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import near
from trials.base.errors import FitError
from trials.base.words import in_words, kitchen_term, tidy_number
from trials.core.factors import Categorical, Component, Factor, Numeric, check_nested, exists
from trials.core.terms import Term, model_matrix

# -- Settings as tables, and a model's rows at settings.


SHARES_ROUNDED = 1e-6  # by how much shares may miss 1, as they do when they were rounded


def averaged_rows(
    terms: Sequence[Term], factors: Sequence[Factor], settings: pd.DataFrame
) -> np.ndarray:
    """Return a model's rows at some settings, averaged over the kinds of the other factors.

    Other numbers are held at the middle of their range.

    Examples
    --------
    >>> fat = Categorical("fat", ["butter", "lard"])
    >>> rest = Numeric("rest", 20, 60)
    >>> both = [Term((("rest", 1),)), Term((("fat", 1),))]
    >>> averaged_rows(both, [rest, fat], pd.DataFrame({"rest": [60.0]}))
    array([[1., 1., 0.]])
    """
    table = settings.copy()
    others = [factor for factor in factors if factor.name not in settings]
    for factor in others:
        table[factor.name] = _held(factor)
    matrix = model_matrix(terms, factors, table)
    # The kinds of a factor are coded to sum to zero, so averaged over them its columns vanish
    kinds = {factor.name for factor in others if isinstance(factor, Categorical)}
    gone = [own >= 0 and bool(kinds & set(matrix.terms[own].factors)) for own in matrix.owner]
    return np.where(gone, 0.0, matrix.X)


def settings_table(settings: Any, factors: Sequence[Factor]) -> pd.DataFrame:
    """Return settings as a table with one column per factor, each setting read and checked.

    Examples
    --------
    >>> settings_table({"rest": "20"}, [Numeric("rest", 10, 30)])
       rest
    0  20.0
    """
    rows = [settings] if isinstance(settings, Mapping) else settings
    names = [factor.name for factor in factors]
    for row in rows if isinstance(rows, list | tuple) else ():
        strange = [key for key in row if key not in names] if isinstance(row, Mapping) else []
        if strange:
            raise FitError(
                f'there is no factor "{strange[0]}" here; {near(str(strange[0]), names)}'
            )
    try:
        table = pd.DataFrame(rows).reset_index(drop=True)
    except (ValueError, TypeError):
        example = {factor.name: factor.middle for factor in factors}
        raise FitError(f"{settings!r} is no setting; one for each factor: {example!r}.") from None
    if not len(table):
        raise FitError("no setting was given; give one for each factor.")
    missing = [factor.name for factor in factors if factor.name not in table]
    if missing:
        raise FitError(f"no setting was given for {in_words(missing)}.")
    read = pd.DataFrame(
        {factor.name: [factor.read(value) for value in table[factor.name]] for factor in factors}
    )
    check_nested(factors, read)
    check_shares(factors, read)
    return read


def check_shares(factors: Sequence[Factor], table: pd.DataFrame) -> None:
    """Refuse settings in which the shares of the blend do not sum to 1.

    Examples
    --------
    >>> check_shares([Component("rye"), Component("wheat")], pd.DataFrame({"rye": [1], "wheat": 0}))
    """
    parts = [factor.name for factor in factors if isinstance(factor, Component)]
    if not parts:
        return
    total = table[parts].astype(float).sum(axis=1)
    wrong = np.flatnonzero((total - 1).abs() > SHARES_ROUNDED)
    if len(wrong):
        raise FitError(
            f"the shares of {in_words(parts)} sum to {tidy_number(total.iloc[wrong[0]])} in row "
            f"{wrong[0] + 1}; the shares of a blend sum to 1 (a quarter is 0.25)."
        )


def shown_settings(factor: Factor) -> tuple[Any, ...]:
    """Return the settings at which a factor's means are shown.

    Examples
    --------
    >>> shown_settings(Numeric("rest", 20, 60))
    (20.0, 60.0)
    """
    return tuple(factor.levels)


def host_names(factors: Iterable[Factor]) -> list[str]:
    """Return the factors that others of these are nested in."""
    return [factor.only_when[0] for factor in factors if factor.only_when]


def only_existing(settings: pd.DataFrame, factors: Sequence[Factor]) -> pd.DataFrame:
    """Return the settings in which every nested factor exists.

    Examples
    --------
    >>> heat = Numeric("fry heat", 165, 180, only_when=("method", ["fried"]))
    >>> table = pd.DataFrame({"method": ["baked", "fried"], "fry heat": [165, 165]})
    >>> only_existing(table, [heat])["method"].tolist()
    ['fried']
    """
    for factor in factors:
        there = exists(factor, settings)
        if there is not None:
            settings = settings[there].reset_index(drop=True)
    return settings


def _held(factor: Factor) -> Any:
    """Return the setting that codes to the middle, or any kind (its columns are dropped)."""
    if isinstance(factor, Numeric):
        return (factor.low + factor.high) / 2
    return factor.middle


# -- The settings that an effect compares, and where it does so, in a baker's words.


Comparison = tuple[np.ndarray, str, str]


def compared(factor: Factor, power: int = 1) -> list[Comparison]:
    """Return what a factor's own effect compares: weights on its columns, the setting, with which.

    A number is compared high with low, its square the ends with the middle; a kind with the first.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> [(high, low) for _, high, low in compared(Numeric("rest", 20, 60, "min"), 2)]
    [('20 min or 60 min', '40 min')]
    """
    if isinstance(factor, Categorical):
        codes = np.vstack([np.eye(len(factor.levels) - 1), -np.ones(len(factor.levels) - 1)])
        first = factor.show(factor.levels[0])
        return [
            (codes[place] - codes[0], factor.show(level), first)
            for place, level in enumerate(factor.levels)
            if place
        ]
    assert isinstance(factor, Numeric)
    low, high = factor.show(factor.low), factor.show(factor.high)
    if power % 2:
        return [(np.array([2.0]), high, low)]
    return [(np.array([1.0]), f"{low} or {high}", _middle(factor))]


def effect_words(
    name: str, level: str, reference: str, terms: Sequence[Term], factors: Sequence[Factor]
) -> tuple[str, str, str]:
    """Return what changed, from what and to what, one row of a table of effects.

    An effect of several factors is no difference between two settings: it is half of how much the
    effect of all but the last changes between the last one's settings, and is said so. An effect
    of one factor that works together with others holds in the middle of their numbers and averaged
    over their kinds; one of a nested factor where that factor exists.
    """
    known = {factor.name: factor for factor in factors}
    term = next((one for one in terms if one.name == name), None)
    shares = [one for one in term.factors if isinstance(known[one], Component)] if term else []
    if term is None or len(shares) > 1:
        return kitchen_term(name), reference, level
    where = _where(term, terms, factors)
    if len(term.powers) == 1:
        return kitchen_term(name) + (f" ({where})" if where else ""), reference, level
    parts = _parted(term, level, reference, known)
    others = " with ".join(f"{high} over {low}" for high, low in parts[:-1])
    last = term.powers[-1][0]
    start, end = (f"{others} at {last} {parts[-1][side]}" for side in (1, 0))
    half = ", ".join(filter(None, ("half the change", where)))
    return f"{kitchen_term(name)} ({half})", start, end


def _parted(
    term: Term, level: str, reference: str, known: dict[str, Factor]
) -> list[tuple[str, str]]:
    """Return the pair of settings of each factor that a row of several factors compares."""
    choices = [_pairs(known[name], power) for name, power in term.powers]
    return next(
        list(pairs)
        for pairs in product(*choices)
        if ", ".join(high for high, _ in pairs) == level
        and ", ".join(low for _, low in pairs) == reference
    )


def _pairs(factor: Factor, power: int) -> list[tuple[str, str]]:
    if isinstance(factor, Component):
        return [(factor.show(factor.high), factor.show(factor.low))]
    return [(high, low) for _, high, low in compared(factor, power)]


def _where(term: Term, terms: Sequence[Term], factors: Sequence[Factor]) -> str:
    """Return at which settings of the other factors an effect holds; empty text: at any."""
    there = [
        f"only where {factor.only_when[0]} is {in_words(factor.only_when[1], 'or')}"
        for factor in factors
        if factor.name in term.factors and factor.only_when
    ]
    beside = [one for one in _beside(term, terms, factors) if one.name not in term.factors]
    held = [f"{one.name} {_middle(one)}" for one in beside if isinstance(one, Numeric)]
    over = [one.name for one in beside if isinstance(one, Categorical)]
    said = there + ([f"at {in_words(held)}"] if held else [])
    return ", ".join(said + ([f"averaged over {in_words(over)}"] if over else []))


def _beside(term: Term, terms: Sequence[Term], factors: Sequence[Factor]) -> list[Factor]:
    """Return the factors on whose settings an effect depends: in a larger term, or nested in it."""
    own = set(term.factors)
    larger = {name for one in terms if own <= set(one.factors) for name in one.factors}
    return [
        factor
        for factor in factors
        if factor.name in larger or (factor.only_when and factor.only_when[0] in own)
    ]


def _middle(factor: Factor) -> str:
    assert isinstance(factor, Numeric)
    return factor.show((factor.low + factor.high) / 2)
