"""The settings that an effect compares, and where it does so, in a baker's words."""

from collections.abc import Sequence
from itertools import product

import numpy as np

from trials.analysis.verdicts import kitchen_term
from trials.design.terms import Term
from trials.factors import Categorical, Component, Factor, Numeric
from trials.tables import in_words

Comparison = tuple[np.ndarray, str, str]


def compared(factor: Factor, power: int = 1) -> list[Comparison]:
    """Return what a factor's own effect compares: weights on its columns, the setting, with which.

    A number is compared high with low, its square the ends with the middle; a kind with the first.

    Examples
    --------
    >>> from trials.factors import Numeric
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

    Parameters
    ----------
    name : str
        The term's.
    level, reference : str
        As in the table of effects.
    terms : sequence of Term
    factors : sequence of Factor

    Returns
    -------
    tuple of three str

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> oil, fat = Numeric("oil", 165, 180, "°C"), Categorical("fat", ["butter", "lard"])
    >>> both = Term((("fat", 1), ("oil", 1)))
    >>> effect_words(both.name, "lard, 180 °C", "butter, 165 °C", [both], [oil, fat])
    ('fat with oil (half the change)', 'lard over butter at oil 165 °C', 'lard over butter at oil \
180 °C')
    >>> effect_words("fat", "lard", "butter", [Term((("fat", 1),)), both], [oil, fat])
    ('fat (at oil 172.5 °C)', 'butter', 'lard')
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
