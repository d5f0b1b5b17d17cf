"""Model columns from arrays of settings, quick enough to be asked a million times.

A setting is a row of numbers, one per factor: the coded value of a number, the position of a
kind among its levels, the share of a component. Kinds get orthogonal contrasts of mean square
one, so that a criterion does not depend on how their levels are ordered.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from trials.design.terms import Term, is_blend
from trials.factors import Categorical, Component, Factor
from trials.nesting import exists


@dataclass(frozen=True, eq=False)
class Basis:
    """The columns of a model as products of one function per factor.

    Parameters
    ----------
    contrasts : tuple
        Per factor: a table (levels, levels - 1) for a kind, the highest power for a number.
    index : ndarray of int, shape (columns, factors)
        Which function of each factor a column holds; 0 is the constant 1.
    owner : ndarray of int, shape (columns,)
        Which term a column belongs to; -1 for the intercept.
    nested : tuple of (int, int, ndarray)
        A factor that exists only for some kinds of another: its place, the other's, those kinds.
    """

    contrasts: tuple[np.ndarray | int, ...]
    index: np.ndarray
    owner: np.ndarray
    nested: tuple[tuple[int, int, np.ndarray], ...] = ()

    @property
    def size(self) -> int:
        """The number of columns."""
        return len(self.index)

    def touched(self, factor: int) -> np.ndarray:
        """Return the columns that change when one factor changes."""
        own = [factor, *(place for place, host, _ in self.nested if host == factor)]
        return np.flatnonzero((self.index[:, own] > 0).any(axis=1))

    def rows(self, settings: np.ndarray, columns: np.ndarray | None = None) -> np.ndarray:
        """Return model rows.

        Parameters
        ----------
        settings : ndarray, shape (..., factors)
        columns : ndarray of int, optional
            Only these columns.

        Returns
        -------
        ndarray, shape (..., columns)
        """
        places = self.places if columns is None else self.places[columns]
        functions = self.functions(settings)
        result = functions[..., places[:, 0]]
        for place in range(1, places.shape[1]):
            result = result * functions[..., places[:, place]]
        return result

    def functions(self, settings: np.ndarray) -> np.ndarray:
        """Return the constant 1 and every function of every factor, one after another."""
        parts = [np.ones((*settings.shape[:-1], 1))]
        numbers, kinds = self.numbers
        parts += [settings[..., numbers] ** power for power in range(1, self.highest + 1)]
        parts += [self.contrasts[kind][settings[..., kind].astype(int)] for kind in kinds]
        result = np.concatenate(parts, axis=-1)
        for host, kinds, functions in self.silenced:
            there = np.isin(settings[..., host], kinds)
            result[..., functions] *= there[..., None]
        return result

    @cached_property
    def silenced(self) -> list[tuple[int, np.ndarray, np.ndarray]]:
        """The kinds of a host at which nested factors exist, and the functions of those."""
        found = []
        for factor, host, kinds in self.nested:
            own = {
                int(self.places[column, np.flatnonzero(np.flatnonzero(row) == factor)[0]])
                for column, row in enumerate(self.index)
                if row[factor]
            }
            found.append((host, kinds, np.array(sorted(own), dtype=int)))
        return found

    @cached_property
    def numbers(self) -> tuple[np.ndarray, np.ndarray]:
        """Which factors are numbers or shares, and which are kinds."""
        is_kind = np.array([isinstance(contrast, np.ndarray) for contrast in self.contrasts])
        return np.flatnonzero(~is_kind), np.flatnonzero(is_kind)

    @cached_property
    def highest(self) -> int:
        """The highest power of any number."""
        return max([c for c in self.contrasts if not isinstance(c, np.ndarray)], default=0)

    @cached_property
    def places(self) -> np.ndarray:
        """The functions that each column multiplies, shape (columns, most factors in a term)."""
        numbers, kinds = self.numbers
        first_of_kind, place = {}, 1 + self.highest * len(numbers)
        for kind in kinds:
            first_of_kind[kind] = place
            place += self.contrasts[kind].shape[1]
        order = {factor: position for position, factor in enumerate(numbers)}
        width = max(1, int((self.index > 0).sum(axis=1).max(initial=1)))
        places = np.zeros((self.size, width), dtype=int)
        for column, held in enumerate(self.index):
            for slot, factor in enumerate(np.flatnonzero(held)):
                if factor in first_of_kind:
                    places[column, slot] = first_of_kind[factor] + held[factor] - 1
                else:
                    places[column, slot] = 1 + (held[factor] - 1) * len(numbers) + order[factor]
        return places

    def moments(self) -> np.ndarray:
        """Return the mean of f(x) f(x)' over all settings, each equally likely.

        For numbers between -1 and 1 and for kinds; a blend is averaged over points instead.
        """
        result = np.ones((self.size, self.size))
        for factor, contrast in enumerate(self.contrasts):
            used = self.index[:, factor]
            result *= _mean_products(contrast)[np.ix_(used, used)]
        return result


def basis(terms: Sequence[Term], factors: Sequence[Factor]) -> Basis:
    """Return the columns of a model, in the order of :func:`trials.design.terms.model_matrix`.

    Examples
    --------
    >>> from trials.design.terms import model_terms
    >>> from trials.factors import Numeric
    >>> factors = [Numeric("rest", 20, 60), Numeric("salt", 1, 3)]
    >>> basis(model_terms("quadratic", factors), factors).rows(np.array([[0.5, -1.0]]))
    array([[ 1.  ,  0.5 , -1.  , -0.5 ,  0.25,  1.  ]])
    """
    names = [factor.name for factor in factors]
    contrasts = tuple(_contrast(factor, terms) for factor in factors)
    index, owner = [], []
    if not is_blend(terms, factors):
        index, owner = [np.zeros(len(factors), dtype=int)], [-1]
    for position, term in enumerate(terms):
        columns = [np.zeros(len(factors), dtype=int)]
        for name, power in term.powers:
            factor, grown = names.index(name), []
            for column in columns:
                for function in _chosen(contrasts[factor], power):
                    longer = column.copy()
                    longer[factor] = function
                    grown.append(longer)
            columns = grown
        index += columns
        owner += [position] * len(columns)
    return Basis(
        contrasts,
        np.array(index).reshape(-1, len(factors)),
        np.array(owner, dtype=int),
        _nested(factors),
    )


def _nested(factors: Sequence[Factor]) -> tuple[tuple[int, int, np.ndarray], ...]:
    names = [factor.name for factor in factors]
    found = []
    for place, factor in enumerate(factors):
        if factor.only_when is not None:
            host = names.index(factor.only_when[0])
            found.append((place, host, factors[host].code(factor.only_when[1])))
    return tuple(found)


def _contrast(factor: Factor, terms: Sequence[Term]) -> np.ndarray | int:
    if isinstance(factor, Categorical):
        return orthogonal_contrasts(len(factor.levels))
    return max(
        [power for term in terms for name, power in term.powers if name == factor.name] or [1]
    )


def _chosen(contrast: np.ndarray | int, power: int) -> range:
    if isinstance(contrast, np.ndarray):
        return range(1, contrast.shape[1] + 1)
    return range(power, power + 1)


def orthogonal_contrasts(levels: int) -> np.ndarray:
    """Return contrasts between levels: orthogonal, summing to zero, of mean square one.

    Examples
    --------
    >>> orthogonal_contrasts(2)
    array([[ 1.],
           [-1.]])
    """
    table = np.zeros((levels, levels - 1))
    for column in range(levels - 1):
        table[: column + 1, column] = 1.0
        table[column + 1, column] = -(column + 1.0)
    return table / np.sqrt((table**2).mean(axis=0))


def _mean_products(contrast: np.ndarray | int) -> np.ndarray:
    if isinstance(contrast, np.ndarray):
        full = np.column_stack([np.ones(len(contrast)), contrast])
        return full.T @ full / len(full)
    powers = np.add.outer(np.arange(contrast + 1), np.arange(contrast + 1))
    return np.where(powers % 2 == 0, 1 / (powers + 1), 0.0)


def coded_settings(factors: Sequence[Factor], table: pd.DataFrame) -> np.ndarray:
    """Return a table of real settings as an array: one row per bake, one column per factor.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> fat = Categorical("fat", ["butter", "lard"])
    >>> bakes = pd.DataFrame({"rest": [20, 60], "fat": ["lard", "butter"]})
    >>> coded_settings([Numeric("rest", 20, 60), fat], bakes)
    array([[-1.,  1.],
           [ 1.,  0.]])
    """
    coded = [factor.code(table[factor.name]).astype(float) for factor in factors]
    for values, factor in zip(coded, factors, strict=True):
        if factor.only_when is not None:
            values[np.isnan(values) | (exists(factor, table) == 0)] = 0.0
    return np.column_stack(coded)


def real_settings(factors: Sequence[Factor], settings: np.ndarray) -> dict[str, list]:
    """Return an array of settings in real units, one list per factor.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> real_settings([Numeric("rest", 20, 60, "min")], np.array([[-1.0], [0.0]]))
    {'rest': [20.0, 40.0]}
    """
    columns: dict[str, list] = {}
    for position, factor in enumerate(factors):
        values = settings[:, position]
        if isinstance(factor, Categorical):
            columns[factor.name] = [factor.levels[int(value)] for value in values]
        else:
            columns[factor.name] = factor.decode(values).tolist()
    for factor in factors:
        there = exists(factor, columns)
        if there is not None:
            pairs = zip(columns[factor.name], there, strict=True)
            columns[factor.name] = [factor.read(value if set_ else "") for value, set_ in pairs]
    return columns


def component_positions(factors: Sequence[Factor]) -> np.ndarray:
    """Return which factors are shares of the blend.

    Examples
    --------
    >>> component_positions([Component("rye"), Categorical("fat", ["butter", "lard"])])
    array([0])
    """
    return np.flatnonzero([isinstance(factor, Component) for factor in factors])
