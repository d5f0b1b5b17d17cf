"""Which unit each effect is judged against: loads, bakes or tastings."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trials.analysis.cross_products import RandomTerm
from trials.design.plan import kitchen_group, plural
from trials.design.terms import ModelMatrix
from trials.factors import Factor


def levels_of_terms(
    matrix: ModelMatrix, groups: Sequence[RandomTerm], silent: np.ndarray
) -> dict[str, str | None]:
    """Return for each term the coarsest group within which it never moves, or None.

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
        names = [g.name for g in coarse_first if _constant_within(block, g.codes[~silent])]
        found[term.name] = names[0] if names else None
    return found


def _constant_within(block: np.ndarray, codes: np.ndarray) -> bool:
    _, first, own = np.unique(codes, return_index=True, return_inverse=True)
    return bool(np.abs(block - block[first][own]).max(initial=0) < 1e-9)


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
