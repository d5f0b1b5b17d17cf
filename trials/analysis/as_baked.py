"""Factors as they were really baked: no number for what never was.

A level that was planned and never baked, or a part of a range that was never reached, has no
effect: it is named, and the rest is compared.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from trials.base.errors import TrialsError
from trials.base.words import in_words
from trials.core.factors import Categorical, Component, Factor, Numeric, is_blank
from trials.core.roles import WITHOUT_SCORE, Role
from trials.core.terms import Model, parse_term

# A setting this near an end, as a share of the range, reaches it: oil set to 165 °C stood at 166
_REACHES = 0.1


def as_baked(
    table: pd.DataFrame,
    factors: Sequence[Factor | str] | None,
    notes: list[str],
    model: Model = None,
) -> Sequence[Factor | str] | None:
    """Return the factors with the levels and the range that the bakes have.

    A factor that a named model says nothing of stays as it is.

    All bakes that were made count, so that all measures of a round speak of the same factors.

    Examples
    --------
    >>> rows = pd.DataFrame({"cooking": ["oven", "pan"], "liking": [5, 6]})
    >>> notes = []
    >>> as_baked(rows, [Categorical("cooking", ["oven", "pan", "deep-fry"])], notes)[0].levels
    ('oven', 'pan')
    >>> notes
    ['cooking: deep-fry was never baked, so what is said is of oven and pan.']
    """
    if factors is None or isinstance(factors, str):
        return factors
    own = table[table["role"] != Role.REFERENCE] if "role" in table else table
    if "status" in own:
        own = own[~own["status"].isin(WITHOUT_SCORE)]
    own = table if own.empty else own
    names = [one if isinstance(one, str) else one.name for one in factors]
    asked = set(names)
    if model is not None and not isinstance(model, str):
        asked = {name for text in model for name in parse_term(text, names).factors}
    kept: list[Factor | str] = []
    for factor, name in zip(factors, names, strict=True):
        made: Factor | str | None = factor
        if isinstance(factor, Categorical) and name in own and name in asked:
            made = _kinds(factor, own, notes)
        elif isinstance(factor, Numeric) and name in own and name in asked:
            made = _range(factor, own, notes)
        if made is not None:
            kept.append(made)
    several = [one for one in factors if not isinstance(one, str)]
    if not kept or len(several) < 2:
        kept = kept or list(factors)
    alone = {
        one.name: _read(one, own)[0]
        for one in several
        if isinstance(one, Categorical) and one.name in own and len(set(_read(one, own))) == 1
    }
    return _hosts(kept, {one.name for one in several}, alone, notes)


def _read(factor: Factor, own: pd.DataFrame) -> list[Any]:
    """Return the settings that were baked; empty where one can not be read, which is said later."""
    try:
        settings = [factor.read(value) for value in own[factor.name].drop_duplicates()]
    except TrialsError:
        return []
    return [value for value in settings if not is_blank(value)]


def _kinds(factor: Categorical, own: pd.DataFrame, notes: list[str]) -> Factor | None:
    found = _read(factor, own)
    levels = [level for level in factor.levels if level in found]
    if not levels or len(levels) == len(factor.levels):
        return factor
    gone = [factor.show(level) for level in factor.levels if level not in levels]
    were = "was" if len(gone) == 1 else "were"
    shown = in_words(map(factor.show, levels))
    if len(levels) == 1:
        notes.append(
            f"{factor.name}: only {shown} was baked, {in_words(gone)} never {were}, so "
            f"nothing is said of {factor.name}."
        )
        return None
    notes.append(
        f"{factor.name}: {in_words(gone)} {were} never baked, so what is said is of {shown}."
    )
    return replace(factor, levels=levels)


def _range(factor: Numeric, own: pd.DataFrame, notes: list[str]) -> Factor | None:
    found = [float(value) for value in _read(factor, own)]
    if not found:
        return factor
    low, high = min(found), max(found)
    near = _REACHES * (factor.high - factor.low)
    low = factor.low if low <= factor.low + near else low
    high = factor.high if high >= factor.high - near else high
    if (low, high) == (factor.low, factor.high):
        return factor
    if min(found) == max(found):
        notes.append(
            f"{factor.name}: every bake had {factor.show(found[0])}, so nothing is "
            f"said of {factor.name}."
        )
        return None
    notes.append(
        f"{factor.name}: {factor.show(factor.low)} to {factor.show(factor.high)} was planned, and "
        f"only {factor.show(low)} to {factor.show(high)} was baked; nothing is said of "
        "the rest."
    )
    centre = factor.centre if factor.centre is not None and low < factor.centre < high else None
    return replace(factor, low=low, high=high, centre=centre)


def _hosts(
    kept: list[Factor | str], known: set[str], alone: dict[str, Any], notes: list[str]
) -> list[Factor | str]:
    """Return factors that exist for some kinds only, those kinds as they were baked."""
    left = {one.name: one for one in kept if isinstance(one, Categorical)}
    found: list[Factor | str] = []
    for one in kept:
        when = None if isinstance(one, str | Component) else one.only_when
        if isinstance(one, str | Component) or when is None or when[0] not in known:
            found.append(one)
            continue
        host = left.get(when[0])
        levels = host.levels if host is not None else [alone.get(when[0])]
        kinds = [kind for kind in when[1] if kind in levels]
        if not kinds:
            notes.append(f"{one.name}: no bake had it, so nothing is said of it.")
        elif len(kinds) == len(levels):
            found.append(replace(one, only_when=None))
        else:
            found.append(replace(one, only_when=(when[0], kinds)))
    return found


def planned_of(
    planned: Model, before: Sequence[Factor | str] | None, chosen: Sequence[Factor]
) -> Model:
    """Return the planned terms of the factors that are left.

    Examples
    --------
    >>> both = [Numeric("rest", 20, 60), Numeric("oil", 165, 180)]
    >>> planned_of(["rest", "oil", "rest:oil"], both, both[:1])
    ['rest']
    """
    if planned is None or isinstance(planned, str) or before is None:
        return planned
    names = [one if isinstance(one, str) else one.name for one in before]
    left = {one.name for one in chosen}
    if set(names) <= left:
        return planned
    terms = [parse_term(text, names) for text in planned]
    return [term.name for term in terms if set(term.factors) <= left] or None
