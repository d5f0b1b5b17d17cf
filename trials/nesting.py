"""Settings that exist only for some kinds of another factor: a fry heat only where it is fried."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from trials.errors import FactorError
from trials.factors import Factor, is_blank
from trials.tables import in_words


def exists(factor: Factor, table: Mapping[str, Any]) -> np.ndarray | None:
    """Return at which rows of a table a factor has a setting; None where at all of them.

    Parameters
    ----------
    factor : Factor
    table : DataFrame or mapping of columns
        With the column of the factor that `only_when` names.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> heat = Numeric("fry heat", 165, 180, only_when=("method", ["fried"]))
    >>> exists(heat, {"method": ["fried", "baked"]})
    array([ True, False])
    """
    if factor.only_when is None:
        return None
    host, kinds = factor.only_when
    names = set(map(str, kinds))
    return np.array([str(value) in names for value in table[host]])


def check_nested(factors: Iterable[Factor], table: Mapping[str, Any]) -> None:
    """Refuse settings that stand where there is none, or lack where there must be one.

    Raises
    ------
    FactorError
        Naming the factor and the place in the table, counted from 1.
    """
    for factor in factors:
        there = exists(factor, table)
        if there is None or factor.only_when is None:
            continue
        given = ~np.array([is_blank(value) for value in table[factor.name]])
        wrong = np.flatnonzero(given != there)
        if len(wrong):
            host, kinds = factor.only_when
            told = "has no setting" if there[wrong[0]] else "has a setting"
            raise FactorError(
                f'"{factor.name}" {told} in row {wrong[0] + 1}, where "{host}" is '
                f"{list(table[host])[wrong[0]]}; it is set only where that is "
                f"{in_words(kinds, 'or')}."
            )


def can_meet(factors: Iterable[Factor]) -> bool:
    """Say whether factors can work together.

    A nested one can not with the factor it is nested in, nor two that never exist in one bake.

    Examples
    --------
    >>> from trials.factors import Categorical, Numeric
    >>> method = Categorical("method", ["fried", "baked"])
    >>> heat = Numeric("fry heat", 165, 180, only_when=("method", ["fried"]))
    >>> can_meet([method, heat]), can_meet([heat, Numeric("rest", 20, 60)])
    (False, True)
    """
    held = list(factors)
    names = {factor.name for factor in held}
    shared: dict[str, set] = {}
    for factor in held:
        if factor.only_when is None:
            continue
        host, kinds = factor.only_when
        shared[host] = shared.get(host, set(kinds)) & set(kinds)
        if host in names or not shared[host]:
            return False
    return True
