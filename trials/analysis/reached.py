"""What the bakes reach: where a model speaks between bakes, and where it only guesses."""

from collections.abc import Sequence
from itertools import combinations
from typing import Any, Protocol

import numpy as np
import pandas as pd

from trials.base.words import in_words
from trials.core.factors import Categorical, Factor, is_blank
from trials.core.roles import Role

_NEAR = 1e-9


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
    if any(is_blank(setting[factor.name].iloc[0]) for factor in (one, two)):
        return True
    baked = baked[[one.name, two.name]].dropna()
    for factor, other in ((one, two), (two, one)):
        if isinstance(factor, Categorical):
            baked = baked[baked[factor.name] == setting[factor.name].iloc[0]]
            if baked.empty:
                return False
            if isinstance(other, Categorical):
                return bool((baked[other.name] == setting[other.name].iloc[0]).any())
            value = float(setting[other.name].iloc[0])
            span = _NEAR * (other.high - other.low)
            return bool(baked[other.name].min() - span <= value <= baked[other.name].max() + span)
    points = [
        np.column_stack([factor.code(table[factor.name]) for factor in (one, two)])
        for table in (baked, setting)
    ]
    return not outside(*points)[0]


def outside_words(findings: Fitted, settings: pd.DataFrame) -> list[str]:
    """Return for each row of settings, in words, what of it lies outside what was baked."""
    baked = baked_settings(findings)
    said = []
    for place in range(len(settings)):
        row = settings.iloc[[place]]
        alone = beyond_tried(findings, row)
        within = [factor for factor in findings.factors if factor.name not in alone]
        together = [
            f"{_with_setting(one, row)} with {_with_setting(two, row)} never baked together"
            for one, two in combinations(within, 2)
            if not reached(baked, one, two, row)
        ]
        said.append("; ".join([*alone.values(), *together]))
    return said


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
