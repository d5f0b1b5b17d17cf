"""Which unit each effect is judged against: loads, bakes or tastings."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trials.analysis.cross_products import RandomTerm
from trials.design.plan import kitchen_group, plural
from trials.design.terms import ModelMatrix
from trials.factors import Factor

MOSTLY = 0.9  # of what a term varies lies between the units of the group it belongs to
_ROUNDING = 1e-18  # of a sum of squares: what rounding coded settings leaves of it


def levels_of_terms(
    matrix: ModelMatrix, groups: Sequence[RandomTerm], silent: np.ndarray
) -> dict[str, str | None]:
    """Return for each term the coarsest group that it belongs to, or None.

    A term belongs to a group when over nine tenths of what it varies lies between the groups'
    units and not within them: one bake at 181 °C in a load set to 180 °C does not make the heat of
    the oil a thing of single bakes. The share is of the centred sum of squares, each part per
    degree of freedom (epsilon squared, the adjusted share), so that loads of one bake each do not
    count as evidence. Only the word follows this rule; standard errors and degrees of freedom are
    worked out from the settings as they were.

    Parameters
    ----------
    matrix : ModelMatrix
    groups : sequence of RandomTerm
    silent : ndarray of bool, shape (rows,)
        Rows whose factor columns were silenced (reference bakes).

    Returns
    -------
    dict
        Term name -> name of the group, None where the term moves from row to row.

    References
    ----------
    Kelley 1935, Proc. Natl. Acad. Sci. 21:554-559 (epsilon squared). The limit of nine tenths is a
    convention of ours.

    Examples
    --------
    >>> from trials.design.terms import Term
    >>> oil = Term((("oil", 1),))
    >>> X = np.array([[1, -1], [1, -1], [1, 1.0]])
    >>> matrix = ModelMatrix(X, (oil,), np.array([-1, 0]), ("", "oil"))
    >>> levels_of_terms(matrix, [RandomTerm("load", np.array([0, 0, 1]))], np.zeros(3, bool))
    {'oil': 'load'}
    """
    coarse_first = sorted(groups, key=lambda group: int(group.codes.max()))
    found: dict[str, str | None] = {}
    for term in matrix.terms:
        block = matrix.X[:, matrix.of(term)][~silent]
        codes = {group.name: group.codes[~silent] for group in coarse_first}
        units = _units(block, list(codes.values()))
        shares = {name: share_between(block[units], own[units]) for name, own in codes.items()}
        found[term.name] = next((n for n, share in shares.items() if share > MOSTLY), None)
    return found


def _units(block: np.ndarray, coarse_first: Sequence[np.ndarray]) -> np.ndarray:
    """Return one row of each unit that a term was set for: a bake, however often it was tasted."""
    for codes in reversed(coarse_first):
        _, first, own = np.unique(codes, return_index=True, return_inverse=True)
        if np.abs(block - block[first][own]).max(initial=0) < 1e-9:
            return np.asarray(first)
    return np.arange(len(block))


def share_between(block: np.ndarray, codes: np.ndarray) -> float:
    """Return how much of what some columns vary lies between groups, adjusted for chance.

    Parameters
    ----------
    block : ndarray, shape (units, columns)
    codes : ndarray of int, shape (units,)

    Returns
    -------
    float
        1 where nothing varies within a group, about 0 where units were dealt out by chance.

    Examples
    --------
    >>> oil = np.array([[165.0], [165], [180], [181]])
    >>> round(share_between(oil, np.array([0, 0, 1, 1])), 4)
    0.9969
    """
    _, own, sizes = np.unique(codes, return_inverse=True, return_counts=True)
    means = np.array([block[own == place].mean(axis=0) for place in range(len(sizes))])
    within = float(((block - means[own]) ** 2).sum())
    total = float(((block - block.mean(axis=0)) ** 2).sum())
    if within <= _ROUNDING * total:
        return 1.0
    return 1 - (within / (len(block) - len(sizes))) / (total / (len(block) - 1))


def unit_words(level: str | None, table: pd.DataFrame, factors: Sequence[Factor] = ()) -> str:
    """Return the unit of a level in words, in the plural.

    Examples
    --------
    >>> unit_words("load", pd.DataFrame()), unit_words(None, pd.DataFrame({"bake": [1, 2]}))
    ('loads', 'bakes')
    >>> unit_words("replicate/recipe", pd.DataFrame())
    'recipes within replicates'
    >>> unit_words(None, pd.DataFrame({"bake": [1, 2], "taster": ["Ada", "Ada"]}))
    'bakes'
    """
    if level is not None:
        outer_first = [plural(kitchen_group(name, factors)) for name in level.split("/")]
        return " within ".join(reversed(outer_first))
    once = "bake" in table and bool(table["bake"].notna().all() and table["bake"].is_unique)
    if not once and "taster" in table and table["taster"].notna().any():
        return "tastings"
    return "bakes" if "bake" in table else "rows"


def unit_count(level: str | None, groups: Sequence[RandomTerm], rows: int) -> int:
    """Return how many units a level has.

    Examples
    --------
    >>> unit_count(None, [], 16)
    16
    """
    sizes: Mapping[str, int] = {group.name: int(group.codes.max()) + 1 for group in groups}
    return sizes[level] if level is not None else rows
