"""The terms of a model, by name, and their columns.

For tables, and for arrays asked a million times.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
import pandas as pd

from trials.base.errors import FitError
from trials.base.words import in_words
from trials.core.factors import (
    Categorical,
    Component,
    Factor,
    Numeric,
    can_meet,
    check_nested,
    exists,
)

# -- The terms of a model, by name, and their matrix.
#
# A term is written with the factors' own names, whatever characters they hold: ``"fat"``,
# ``"fat:hydration"``, ``"hydration^2"``. The text is compared with the names and never evaluated.


Model = str | Sequence[str] | None


@dataclass(frozen=True)
class Term:
    """One term: the factors it holds, each with its power.

    Parameters
    ----------
    powers : tuple of (str, int)
        Factor names with their powers, in the order of the factors.

    Examples
    --------
    >>> Term((("fat", 1), ("hydration", 2))).name
    'fat:hydration^2'
    """

    powers: tuple[tuple[str, int], ...]

    @property
    def name(self) -> str:
        """The term as it is written and shown."""
        return ":".join(name if power == 1 else f"{name}^{power}" for name, power in self.powers)

    @property
    def factors(self) -> tuple[str, ...]:
        """The names of the factors it holds."""
        return tuple(name for name, _ in self.powers)

    @property
    def order(self) -> int:
        """The sum of its powers: 1 for a main effect, 2 for a pair or a square."""
        return sum(power for _, power in self.powers)


@dataclass(frozen=True, eq=False)
class ModelMatrix:
    """The columns of a model for some bakes.

    Parameters
    ----------
    X : ndarray, shape (bakes, columns)
        An intercept first, unless the model is a blend; then the columns of each term.
    terms : tuple of Term
        In order.
    owner : ndarray of int, shape (columns,)
        Which term each column belongs to; -1 for the intercept.
    columns : tuple of str
        A name for each column.
    """

    X: np.ndarray
    terms: tuple[Term, ...]
    owner: np.ndarray
    columns: tuple[str, ...]

    def of(self, term: Term) -> np.ndarray:
        """Return the positions of a term's columns."""
        return np.flatnonzero(self.owner == self.terms.index(term))


def parse_term(text: str, names: Iterable[str]) -> Term:
    """Return the term that a text means, given the names it may use.

    Examples
    --------
    >>> parse_term("hydration^2:fat : kind", ["fat : kind", "hydration"]).name
    'fat : kind:hydration^2'
    >>> parse_term("fat with hydration", ["hydration", "fat"]).name
    'hydration:fat'
    """
    names = tuple(names)
    found = _split(text.strip(), sorted(names, key=len, reverse=True))
    if not found:
        raise FitError(
            f'the term "{text}" is not made of the factors {in_words(names)}; '
            'write it like "fat", "fat with hydration" or "hydration^2".'
        )
    powers: dict[str, int] = {}
    for name, power in found:
        powers[name] = powers.get(name, 0) + power
    return Term(tuple((name, powers[name]) for name in names if name in powers))


def _split(text: str, names: Sequence[str]) -> list[tuple[str, int]] | None:
    for name in names:
        if not text.startswith(name):
            continue
        rest, power = text[len(name) :].lstrip(), 1
        if rest.startswith("^") and rest[1:2].isdigit():
            power, rest = int(rest[1]), rest[2:].lstrip()
        if not rest:
            return [(name, power)]
        # As formulas of models are written, and as it is said
        for joint in (":", "with "):
            tail = _split(rest[len(joint) :].strip(), names) if rest.startswith(joint) else None
            if tail:
                return [(name, power), *tail]
    return None


def check_term_names(names: Sequence[str]) -> None:
    """Refuse a factor that is named like a pair, or a power, of others: terms go by their names.

    Examples
    --------
    >>> check_term_names(["fat", "fat: kind", "rest"])
    """
    for name in names:
        others = sorted((one for one in names if one != name), key=len, reverse=True)
        clash = _split(name, others)
        if clash:
            held = in_words(f'"{one}"' for one in dict.fromkeys(one for one, _ in clash))
            told = f"{held} together" if len(clash) > 1 else f"a power of {held}"
            plain = name.replace(":", " with ").replace("^", " to the ")
            raise FitError(
                f'the factor "{name}" has the name of {told}, so the two could not be told '
                f'apart; rename it, for instance "{plain}".'
            )
    pairs: dict[str, tuple[str, str]] = {}
    for pair in combinations(names, 2):
        other = pairs.setdefault(":".join(pair), pair)
        if other != pair:
            told, also = (in_words(f'"{one}"' for one in two) for two in (other, pair))
            raise FitError(
                f"{told} together have the same name as {also} together; rename one of them, "
                'without the ":".'
            )


def kitchen_names(
    names: Sequence[str], factors: Sequence[Factor], most: int = 4, word: str = "and"
) -> str:
    """Return terms as the baker reads them, the first few of many.

    Examples
    --------
    >>> factors = [Numeric("fat: kind", 0, 1), Numeric("rest", 20, 60)]
    >>> kitchen_names(["fat: kind", "fat: kind:rest", "rest^2"], factors)
    'fat: kind, fat: kind with rest and rest (bend)'
    """
    known = [factor.name for factor in factors]
    shown = [
        " with ".join(
            held if power == 1 else f"{held} (bend)"
            for held, power in parse_term(name, known).powers
        )
        for name in names[:most]
    ]
    more = len(names) - most
    return in_words([*shown, f"{more} more"] if more > 0 else shown, word)


def model_terms(model: Model, factors: Sequence[Factor]) -> tuple[Term, ...]:
    """Return the terms of a model.

    References
    ----------
    Scheffe 1958, J. R. Stat. Soc. B 20:344, for blends.

    Examples
    --------
    >>> factors = [Numeric("rest", 20, 60), Categorical("fat", ["butter", "lard"])]
    >>> [term.name for term in model_terms("quadratic", factors)]
    ['rest', 'fat', 'rest:fat', 'rest^2']
    """
    check_term_names([factor.name for factor in factors])
    if model is None:
        blend = any(isinstance(factor, Component) for factor in factors)
        model = "blend" if blend else "interactions"
    if isinstance(model, str):
        presets = {
            "main": _main,
            "interactions": _pairs,
            "quadratic": _quadratic,
            "blend": _blend,
        }
        if model not in presets:
            raise FitError(
                f'there is no model "{model}"; expected {in_words(presets, "or")}, '
                'or a list of terms such as ["fat", "fat with hydration"].'
            )
        return presets[model](factors)
    names = [factor.name for factor in factors]
    terms = tuple(dict.fromkeys(parse_term(text, names) for text in model))
    if not terms:
        raise FitError(
            "the model has no term; a model needs at least one, such as "
            f'["{names[0] if names else "fat"}"].'
        )
    kinds = {factor.name: factor for factor in factors}
    for term in terms:
        for name, power in term.powers:
            if power > 1 and not isinstance(kinds[name], Numeric):
                raise FitError(f'"{term.name}": "{name}" is not a number, so it has no square.')
    return tuple(sorted(terms, key=lambda term: term.order))


def _main(factors: Sequence[Factor]) -> tuple[Term, ...]:
    return tuple(Term(((factor.name, 1),)) for factor in factors)


def _pairs(factors: Sequence[Factor]) -> tuple[Term, ...]:
    pairs = (pair for pair in combinations(factors, 2) if can_meet(pair))
    return _main(factors) + tuple(Term(((a.name, 1), (b.name, 1))) for a, b in pairs)


def _quadratic(factors: Sequence[Factor]) -> tuple[Term, ...]:
    numeric = [factor.name for factor in factors if isinstance(factor, Numeric)]
    return _pairs(factors) + tuple(Term(((name, 2),)) for name in numeric)


def _blend(factors: Sequence[Factor]) -> tuple[Term, ...]:
    parts = [factor for factor in factors if isinstance(factor, Component)]
    others = [factor for factor in factors if not isinstance(factor, Component)]
    if not parts:
        raise FitError('the model "blend" needs components; none of the factors is one.')
    names = [factor.name for factor in factors]
    crossed = [parse_term(f"{part.name}:{other.name}", names) for other in others for part in parts]
    return _pairs(parts) + tuple(crossed)


def is_blend(terms: Iterable[Term], factors: Iterable[Factor]) -> bool:
    """Say whether the intercept is left out because the shares of a blend sum to one.

    Examples
    --------
    >>> flours = [Component("rye"), Component("wheat")]
    >>> is_blend(model_terms("blend", flours), flours)
    True
    """
    parts = {factor.name for factor in factors if isinstance(factor, Component)}
    present = {term.name for term in terms if term.order == 1}
    return bool(parts) and parts <= present


def model_matrix(
    terms: Sequence[Term], factors: Sequence[Factor], table: pd.DataFrame
) -> ModelMatrix:
    """Return the columns of a model for the bakes of a table.

    Numeric factors are coded -1 to +1; the kinds of a categorical factor are coded to sum to
    zero, so that an intercept is the mean over all kinds and each term is judged at the middle
    of all others.

    References
    ----------
    Searle 1971, Linear Models, ch. 8, for sum-to-zero coding.
    """
    terms = tuple(terms)
    held = {name for term in terms for name in term.factors}
    blocks = {factor.name: _block(factor, table) for factor in factors if factor.name in held}
    columns, names, owner = [], [], []
    if not is_blend(terms, factors):
        columns, names, owner = [np.ones((len(table), 1))], [""], [-1]
    for position, term in enumerate(terms):
        block, labels = _product(term, blocks, len(table))
        columns.append(block)
        names += labels
        owner += [position] * len(labels)
    X = np.hstack(columns) if columns else np.empty((len(table), 0))
    return ModelMatrix(X, terms, np.array(owner, dtype=int), tuple(names))


def _block(factor: Factor, table: pd.DataFrame) -> tuple[np.ndarray, list[str]]:
    """Return a factor's columns; 0 where it does not exist, so that it says nothing there."""
    coded = factor.code(table[factor.name])
    if isinstance(factor, Categorical):
        contrasts = np.vstack([np.eye(len(factor.levels) - 1), -np.ones(len(factor.levels) - 1)])
        block, unset = contrasts[coded], coded < 0
        labels = [f"{factor.name} = {level}" for level in factor.levels[:-1]]
    else:
        block, unset, labels = coded[:, None], np.isnan(coded), [factor.name]
    if factor.only_when is None:
        return block, labels
    found = exists(factor, table) if factor.only_when[0] in table else None
    there = ~unset if found is None else found
    if (unset & there).any():
        check_nested([factor], table)
    return np.where(there[:, None], block, 0.0), labels


def _product(
    term: Term, blocks: Mapping[str, tuple[np.ndarray, list[str]]], rows: int
) -> tuple[np.ndarray, list[str]]:
    block, labels = np.ones((rows, 1)), [""]
    for name, power in term.powers:
        values, ends = blocks[name]
        block = (block[:, :, None] * (values**power)[:, None, :]).reshape(rows, -1)
        mark = "" if power == 1 else f"^{power}"
        labels = [f"{one}:{end}{mark}".lstrip(":") for one in labels for end in ends]
    return block, labels


# -- Model columns from arrays of settings, quick enough to be asked a million times.
#
# A setting is a row of numbers, one per factor: the coded value of a number, the position of a
# kind among its levels, the share of a component. Kinds get orthogonal contrasts of mean square
# one, so that a criterion does not depend on how their levels are ordered.


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
        """Return model rows."""
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
    >>> from trials.core.terms import model_terms
    >>> from trials.core.factors import Numeric
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
    """Return a table of real settings as an array: one row per bake, one column per factor."""
    coded = [factor.code(table[factor.name]).astype(float) for factor in factors]
    for values, factor in zip(coded, factors, strict=True):
        if factor.only_when is not None:
            values[np.isnan(values) | (exists(factor, table) == 0)] = 0.0
    return np.column_stack(coded)


def real_settings(factors: Sequence[Factor], settings: np.ndarray) -> dict[str, list]:
    """Return an array of settings in real units, one list per factor.

    Examples
    --------
    >>> from trials.core.factors import Numeric
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
