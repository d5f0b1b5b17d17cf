"""Several rounds as one: rounds are blocks, common bakes are bridges, ranges keep real units."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.fitting import answered
from trials.analysis.question import question
from trials.analysis.results import Findings
from trials.base.errors import FitError, TrialsError
from trials.base.words import in_words
from trials.core.factors import Categorical, Component, Factor, Numeric
from trials.core.measures import Measure
from trials.core.roles import Role
from trials.core.terms import Model, model_terms
from trials.rounds.round import Round
from trials.rounds.scores import scores

ROUND = "round"
_OWN_NUMBERS = ("day", "load", "bake")  # numbered anew in every round


def fit_rounds(
    rounds: Sequence[Round | pd.DataFrame] | Mapping[str, Round | pd.DataFrame],
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    held: Mapping[str, Any] | None = None,
) -> Findings:
    """Fit several rounds together.

    Every round is a block: what its flour, weather and mood did to all of its bakes is taken out.
    Settings stay in grams, minutes and degrees, so a range may move from round to round; the
    effects are told over the widest range tried. Reference bakes of one and the same setting, and
    any setting baked in more than one round, tie the rounds together.

    Parameters
    ----------
    rounds : sequence or mapping of name to Round or DataFrame
        Tables need a column for each factor.
    response : str
    factors : sequence of Factor or str, optional
        Needed for tables.
    model : str, list of str or None
        None takes the terms of all the plans, else "interactions".
    groups : iterable of str or None
        As for :func:`trials.fit`.
    measure : Measure, optional
    held : mapping, optional
        Factor -> its setting in rounds whose plan does not have it.

    Returns
    -------
    Findings
        The rows of its residuals are numbered through all rounds.

    Raises
    ------
    FitError
        When there are fewer than two rounds, a factor changes its kind or unit, a measure its
        scale, or a setting that was not varied is not told.

    References
    ----------
    Cochran & Cox 1957, Experimental Designs, ch. 14 (series of experiments).

    Examples
    --------
    >>> one = pd.DataFrame({"rest": [20, 40] * 3, "spread": [60, 62, 61, 63, 60, 62.5]})
    >>> two = pd.DataFrame({"rest": [30, 60] * 3, "spread": [66, 69, 67, 70, 66, 69.5]})
    >>> found = fit_rounds([one, two], "spread", ["rest"])
    >>> found.effects[["level", "reference", "estimate"]].round(1)
      level reference  estimate
    0    60        20       4.3
    """
    named = _named(rounds)
    chosen = factors if factors is not None else _union(named, held or {})
    tables = [_own_table(name, data, chosen, held or {}) for name, data in named.items()]
    table = _one_role(pd.concat(tables, ignore_index=True), chosen)
    extra = list(dict.fromkeys(name for data in named.values() for name in _extra_groups(data)))
    asked = question(
        _without_gaps(table, ["load", *extra]),
        response,
        chosen,
        model=model,
        groups=groups,
        measure=measure or _measure(named, response),
        planned=_terms(named, chosen) if factors is None else None,
        extra_groups=extra,
        blocks=[ROUND],
    )
    notes = (*asked.notes, _bridges(asked.table, [one.name for one in asked.factors]))
    return answered(replace(asked, notes=notes))


def _named(rounds: Any) -> dict[str, Round | pd.DataFrame]:
    if isinstance(rounds, Mapping):
        named = {str(name): data for name, data in rounds.items()}
    else:
        named = {}
        for place, data in enumerate(rounds, start=1):
            name = data.name if isinstance(data, Round) else str(place)
            named[name if name not in named else f"{name} ({place})"] = data
    if len(named) < 2:
        raise FitError("two rounds or more can be fitted together; for one use fit.")
    for name, data in named.items():
        if not isinstance(data, Round | pd.DataFrame):
            raise FitError(f'round "{name}" is a {type(data).__name__}; give a Round or a table.')
    return named


def _union(named: Mapping[str, Round | pd.DataFrame], held: Mapping[str, Any]) -> list[Factor]:
    """Return every factor of any plan over the widest range, kinds put together."""
    plans = {name: data.plan for name, data in named.items() if isinstance(data, Round)}
    if len(plans) < len(named):
        raise FitError("say which columns are the factors: factors=[...]; a table does not tell.")
    found: dict[str, Factor] = {}
    for name, plan in plans.items():
        for factor in plan.factors:
            known = found.get(factor.name)
            found[factor.name] = factor if known is None else _wider(known, factor, name)
    return [_reaching(factor, held) for factor in found.values()]


def _wider(known: Factor, other: Factor, name: str) -> Factor:
    if type(known) is not type(other):
        raise FitError(f'"{other.name}" is of another kind in round "{name}" than before.')
    if isinstance(known, Categorical) and isinstance(other, Categorical):
        new = [level for level in other.levels if level not in known.levels]
        return replace(known, levels=(*known.levels, *new))
    if isinstance(known, Numeric) and isinstance(other, Numeric):
        if known.unit != other.unit:
            raise FitError(
                f'"{other.name}" is in {other.unit or "no unit"} in round "{name}" and in '
                f"{known.unit or 'no unit'} before; bring the rounds to one unit."
            )
        return _stretched(known, other.low, other.high)
    if isinstance(known, Component) and isinstance(other, Component):
        low, high = min(known.low, other.low), max(known.high, other.high)
        return replace(known, low=low, high=high)
    return known


def _stretched(factor: Numeric, low: float, high: float) -> Numeric:
    low, high = min(factor.low, low), max(factor.high, high)
    return replace(factor, low=low, high=high, centre=None, settings=(), step=None)


def _reaching(factor: Factor, held: Mapping[str, Any]) -> Factor:
    """Return a factor that also reaches where it was held in rounds that did not vary it."""
    if factor.name not in held:
        return factor
    if isinstance(factor, Numeric):
        value = factor.read(held[factor.name])
        return _stretched(factor, value, value)
    if isinstance(factor, Categorical) and held[factor.name] not in factor.levels:
        return replace(factor, levels=(*factor.levels, held[factor.name]))
    return factor


def _own_table(
    name: str,
    data: Round | pd.DataFrame,
    factors: Sequence[Factor | str],
    held: Mapping[str, Any],
) -> pd.DataFrame:
    table = scores(data) if isinstance(data, Round) else pd.DataFrame(data).copy()
    for factor in factors:
        column = factor if isinstance(factor, str) else factor.name
        if column in table:
            continue
        if column not in held:
            raise FitError(
                f'round "{name}" has no "{column}"; say at what it stood there: '
                f'held={{"{column}": ...}}.'
            )
        table[column] = held[column]
    for column in (*_OWN_NUMBERS, *_extra_groups(data)):
        if column in table:
            known = table[column].notna()
            labels = name + " " + table[column].astype(str)
            table[column] = labels.where(known, None)
    return table.assign(**{ROUND: name})


def _extra_groups(data: Round | pd.DataFrame) -> list[str]:
    if not isinstance(data, Round):
        return []
    return [group for group in data.plan.groups if group != "load"]


def _without_gaps(table: pd.DataFrame, groups: Sequence[str]) -> pd.DataFrame:
    """Let every bake be a load of its own in rounds without loads."""
    if "bake" not in table:
        return table
    filled = table.copy()
    for group in groups:
        if group in filled and filled[group].notna().any():
            filled[group] = filled[group].where(filled[group].notna(), filled["bake"])
    return filled


def _one_role(table: pd.DataFrame, factors: Sequence[Factor | str]) -> pd.DataFrame:
    """Let reference and middle bakes whose setting moved between rounds speak by their settings."""
    if "role" not in table:
        return table
    names = [one if isinstance(one, str) else one.name for one in factors]
    roles = table["role"].fillna(Role.TRIAL.value).copy()
    for role in (Role.REFERENCE, Role.CENTRE):
        own = roles == role
        if len(table.loc[own, names].astype(str).drop_duplicates()) > 1:
            roles[own] = Role.TRIAL.value
    return table.assign(role=roles)


def _measure(named: Mapping[str, Round | pd.DataFrame], response: str) -> Measure | None:
    found = [data.measure(response) for data in named.values() if isinstance(data, Round)]
    for one in found[1:]:
        if (one.scale, one.unit) != (found[0].scale, found[0].unit):
            raise FitError(
                f'"{response}" is on the scale {found[0].scale} in one round and {one.scale} in '
                "another; scores on two scales can not be put together."
            )
    return found[-1] if found else None


def _terms(named: Mapping[str, Round | pd.DataFrame], factors: Sequence[Any]) -> list[str]:
    """Return the terms of all plans, every factor by itself first."""
    terms = [factor.name for factor in factors]
    for data in named.values():
        if isinstance(data, Round):
            try:
                own = model_terms(data.plan.model, data.plan.factors)
            except TrialsError:
                continue
            terms += [term.name for term in own]
    return list(dict.fromkeys(terms))


def _bridges(table: pd.DataFrame, names: Sequence[str]) -> str:
    """Say what ties the rounds together."""
    rounds = list(dict.fromkeys(table[ROUND]))
    many = table.groupby(list(names), dropna=False)[ROUND].nunique()
    common = int(np.sum(many > 1))
    said = (
        f"Rounds {in_words(rounds)} are taken as blocks: what all bakes of one share is taken out."
    )
    if common:
        noun = "setting" if common == 1 else "settings"
        return f"{said} {common} {noun} baked in more than one round tie{'s' * (common == 1)} them."
    return (
        f"{said} No setting was baked in more than one round, so a change made only between rounds "
        "can not be told from the round itself; bake a reference in each."
    )
