"""What the bakes reach: where a model speaks between bakes, and where it only guesses."""

from collections.abc import Sequence
from itertools import combinations
from typing import Any, Protocol

import numpy as np
import pandas as pd

from trials.base.words import in_words
from trials.core.factors import Categorical, Factor, Numeric, is_blank
from trials.core.roles import Role

_NEAR = 1e-9
_ALIKE = 0.05  # of a range: settings a kitchen would call the same
UNTRIED = "No bake has tried this setting yet."


class Fitted(Protocol):
    """What is asked here of findings: their factors, and the rows they were fitted to."""

    @property
    def factors(self) -> tuple[Factor, ...]:
        """The factors of the fit."""
        ...

    @property
    def residuals(self) -> pd.DataFrame:
        """A row per score with the settings."""
        ...

    @property
    def failed(self) -> pd.DataFrame:
        """A row per bake that failed, with the settings."""
        ...


def outside(baked: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return which points lie outside the convex hull of the bakes, in a plane.

    Seen from inside or from the edge, no half of the horizon is without a bake.

    Examples
    --------
    >>> corners = np.array([[-1, -1], [-1, 1], [1, -1]])
    >>> outside(corners, np.array([[0, 0], [1, 1], [-1, -1]]))
    array([False,  True, False])
    """
    seen = np.unique(np.round(baked.astype(float), 9), axis=0)[None] - points[:, None].astype(float)
    on_a_bake = (np.abs(seen) < 1e-8).all(axis=2).any(axis=1)
    angles = np.sort(np.arctan2(seen[..., 1], seen[..., 0]), axis=1)
    turned = np.concatenate([angles[:, 1:], angles[:, :1] + 2 * np.pi], axis=1)
    widest = (turned - angles).max(axis=1)
    return (widest > np.pi + 1e-6) & ~on_a_bake


def baked_settings(findings: Fitted) -> pd.DataFrame:
    """Return the settings that were baked and scored, each once."""
    made = findings.residuals
    if "role" in made:
        made = made[made["role"] != Role.REFERENCE]
    return made[[factor.name for factor in findings.factors]].drop_duplicates(ignore_index=True)


def untried(findings: Fitted, setting: pd.DataFrame) -> bool:
    """Say whether no bake, scored or failed, has all that one setting holds together.

    Numbers that lie within a twentieth of their range count as the same.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from trials.core.factors import Numeric
    >>> baked = pd.DataFrame({"a": [0, 1, 0], "b": [0, 0, 1]})
    >>> found = SimpleNamespace(factors=(Numeric("a", 0, 1), Numeric("b", 0, 1)), residuals=baked,
    ...     failed=pd.DataFrame())
    >>> [untried(found, pd.DataFrame({"a": [1], "b": [b]})) for b in (0, 1)]
    [False, True]
    """
    names = [factor.name for factor in findings.factors]
    made, lost = findings.residuals, findings.failed
    if set(names) <= set(lost.columns):
        made = pd.concat([made[names], lost[names]], ignore_index=True)
    alike = np.ones(len(made), dtype=bool)
    for factor in findings.factors:
        asked = setting[factor.name].iloc[0]
        for place, value in enumerate(made[factor.name]):
            if is_blank(asked) or is_blank(value):
                alike[place] &= is_blank(asked) and is_blank(value)
            elif isinstance(factor, Categorical):
                alike[place] &= value == asked
            else:
                near = _ALIKE * (factor.high - factor.low)
                alike[place] &= abs(float(value) - float(asked)) <= near
    return not alike.any()


def unbaked_pairs(
    fits: Sequence[Fitted], factors: Sequence[Factor], setting: pd.DataFrame
) -> list[str]:
    """Return, in words, which pairs of one setting no bake reaches.

    Two numbers are reached between the bakes; a number and a kind between the bakes of that kind;
    two kinds where one bake has both. Factors that are beyond what was tried by themselves are
    left to :func:`beyond_tried`.

    Examples
    --------
    >>> unbaked_pairs([], [], pd.DataFrame())
    []
    """
    said = []
    known = {factor.name: factor for factor in factors}
    for found in fits:
        baked, alone = baked_settings(found), beyond_tried(found, setting)
        within = [factor.name for factor in found.factors if factor.name not in alone]
        for one, two in combinations(within, 2):
            if not reached(baked, known[one], known[two], setting):
                pair = [_with_setting(known[name], setting) for name in (one, two)]
                said.append(" with ".join(pair))
    return list(dict.fromkeys(said))


def reached(baked: pd.DataFrame, one: Factor, two: Factor, setting: pd.DataFrame) -> bool:
    """Say whether the bakes reach a pair of settings; see :func:`unbaked_pairs`.

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> factors = Numeric("a", 0, 1), Numeric("b", 0, 1)
    >>> baked = pd.DataFrame({"a": [0, 1, 0], "b": [0, 0, 1]})
    >>> reached(baked, *factors, pd.DataFrame({"a": [1], "b": [1]}))
    False
    """
    return bool(reached_rows(baked, one, two, setting)[0])


def reached_rows(
    baked: pd.DataFrame, one: Factor, two: Factor, settings: pd.DataFrame
) -> np.ndarray:
    """Return for each row of settings whether the bakes reach its pair."""
    blank = _blanks(settings[one.name]) | _blanks(settings[two.name])
    found = np.ones(len(settings), dtype=bool)
    asked, made = settings[~blank], baked[[one.name, two.name]].dropna()
    for factor, other in ((one, two), (two, one)):
        if isinstance(factor, Categorical):
            found[~blank] = _reached_by_kind(made, factor, other, asked)
            return found
    points = [
        np.column_stack([_place(factor, table[factor.name]) for factor in (one, two)])
        for table in (made, asked)
    ]
    found[~blank] = ~outside(*points)
    return found


def _reached_by_kind(
    baked: pd.DataFrame, factor: Categorical, other: Factor, asked: pd.DataFrame
) -> np.ndarray:
    found = np.zeros(len(asked), dtype=bool)
    for level in factor.levels:
        rows = (asked[factor.name] == level).to_numpy(dtype=bool)
        own, wanted = baked.loc[baked[factor.name] == level, other.name], asked[other.name][rows]
        if own.empty or not rows.any():
            continue
        if isinstance(other, Categorical):
            found[rows] = wanted.isin(own).to_numpy()
            continue
        span = _NEAR * (other.high - other.low)
        values = wanted.to_numpy(dtype=float)
        found[rows] = (own.min() - span <= values) & (values <= own.max() + span)
    return found


def _blanks(column: pd.Series) -> np.ndarray:
    if pd.api.types.is_float_dtype(column):
        return column.isna().to_numpy()
    return column.map(is_blank).to_numpy(dtype=bool)


def _place(factor: Factor, column: pd.Series) -> np.ndarray:
    """Return settings of a number between -1 and 1, of a share as they are."""
    values = column.to_numpy(dtype=float)
    if isinstance(factor, Numeric):
        return np.asarray(2 * (values - factor.low) / (factor.high - factor.low) - 1)
    return np.asarray(values)


def outside_words(findings: Fitted, settings: pd.DataFrame) -> list[str]:
    """Return for each row of settings, in words, what of it lies outside what was baked."""
    baked = baked_settings(findings)
    factors = findings.factors
    beyond = {one.name: _beyond(one, baked[one.name], settings[one.name]) for one in factors}
    apart = {
        (one.name, two.name): ~reached_rows(baked, one, two, settings)
        & ~(beyond[one.name] | beyond[two.name])
        for one, two in combinations(factors, 2)
    }
    said = [""] * len(settings)
    flagged = np.zeros(len(settings), dtype=bool)
    for mask in (*beyond.values(), *apart.values()):
        flagged |= mask
    known = {factor.name: factor for factor in factors}
    for place in np.flatnonzero(flagged):
        row = settings.iloc[[place]]
        alone = [
            _outside_alone(one, baked[one.name], row[one.name].iloc[0])
            for one in factors
            if beyond[one.name][place]
        ]
        together = [
            f"{_with_setting(known[one], row)} with {_with_setting(known[two], row)} never baked "
            "together"
            for (one, two), mask in apart.items()
            if mask[place]
        ]
        said[place] = "; ".join([*alone, *together])
    return said


def _beyond(factor: Factor, baked: pd.Series, asked: pd.Series) -> np.ndarray:
    """Return which settings of one factor lie outside what was baked."""
    blank = _blanks(asked)
    own = baked[~_blanks(baked)]
    if isinstance(factor, Categorical):
        return np.asarray(~asked.isin(own).to_numpy() & ~blank)
    low, high = float(own.min()), float(own.max())
    near = _NEAR * (factor.high - factor.low)
    values = asked.where(~blank, low).to_numpy(dtype=float)
    return np.asarray((values < low - near) | (values > high + near))


def beyond_tried(findings: Fitted, setting: pd.DataFrame) -> dict[str, str]:
    """Return the factors whose setting lies outside what was baked: name -> how, in words."""
    baked = baked_settings(findings)
    said = {
        factor.name: _outside_alone(factor, baked[factor.name], setting[factor.name].iloc[0])
        for factor in findings.factors
    }
    return {name: words for name, words in said.items() if words}


def _outside_alone(factor: Factor, baked: pd.Series, asked: Any) -> str:
    """Return how one setting lies outside what was baked; empty text where it does not."""
    if is_blank(asked):
        return ""
    baked = baked[[not is_blank(value) for value in baked]]
    if isinstance(factor, Categorical):
        tried = [level for level in factor.levels if (baked == level).any()]
        if asked in tried:
            return ""
        return (
            f"{factor.name}: {in_words(map(factor.show, tried))} tried, {factor.show(asked)} asked"
        )
    low, high = float(baked.min()), float(baked.max())
    near = _NEAR * (factor.high - factor.low)
    if low - near <= float(asked) <= high + near:
        return ""
    ends = f"{factor.show(low)} to {factor.show(high)}" if low < high else factor.show(low)
    return f"{factor.name}: {ends} tried, {factor.show(asked)} asked"


def _with_setting(factor: Factor, row: pd.DataFrame) -> str:
    return f"{factor.name} {factor.show(row[factor.name].iloc[0])}"
