"""What the bakes reach: where a model speaks between bakes, and where it only guesses."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from trials.analysis.results import Findings
from trials.factors import Categorical, Factor, is_blank

_NEAR = 1e-9


def outside(baked: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return which points lie outside the convex hull of the bakes, in a plane.

    Seen from inside or from the edge, no half of the horizon is without a bake.

    Parameters
    ----------
    baked : ndarray, shape (bakes, 2)
    points : ndarray, shape (points, 2)

    Returns
    -------
    ndarray of bool, shape (points,)

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


def baked_settings(findings: Findings) -> pd.DataFrame:
    """Return the settings that were baked and scored, each once.

    Examples
    --------
    >>> baked_settings.__name__
    'baked_settings'
    """
    made = findings.residuals
    if "role" in made:
        made = made[made["role"] != "control"]
    return made[[factor.name for factor in findings.factors]].drop_duplicates(ignore_index=True)


def unbaked_pairs(
    fits: Sequence[Findings], factors: Sequence[Factor], setting: pd.DataFrame
) -> list[str]:
    """Return, in words, which pairs of one setting no bake reaches.

    Two numbers are reached between the bakes; a number and a kind between the bakes of that kind;
    two kinds where one bake has both.

    Parameters
    ----------
    fits : sequence of Findings
    factors : sequence of Factor
    setting : DataFrame
        One row.

    Returns
    -------
    list of str

    Examples
    --------
    >>> unbaked_pairs([], [], pd.DataFrame())
    []
    """
    said = []
    known = {factor.name: factor for factor in factors}
    for found in fits:
        baked = baked_settings(found)
        for one, two in combinations([factor.name for factor in found.factors], 2):
            if not reached(baked, known[one], known[two], setting):
                said.append(
                    f"{one} {known[one].show(setting[one].iloc[0])} with "
                    f"{two} {known[two].show(setting[two].iloc[0])}"
                )
    return list(dict.fromkeys(said))


def reached(baked: pd.DataFrame, one: Factor, two: Factor, setting: pd.DataFrame) -> bool:
    """Say whether the bakes reach a pair of settings; see :func:`unbaked_pairs`.

    Examples
    --------
    >>> from trials.factors import Numeric
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
