"""Contrasts.

Effects between real settings, F tests, the unit each is judged against, one factor at each
setting of another.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any, Protocol

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.draws import expected_draws
from trials.analysis.results import EFFECT_COLUMNS, Estimator, Findings
from trials.analysis.settings import compared, shown_settings
from trials.analysis.small_sample import FTest
from trials.analysis.wording import unit_of
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import decimals, in_words, readable, signed
from trials.core.factors import Categorical, Component, Factor, Numeric, exists
from trials.core.plan import reference_setting
from trials.core.terms import ModelMatrix, Term
from trials.core.verdicts import CONFIDENCE, verdict

# -- Effects between real settings, F tests, and the unit that each is judged against.


BLENDED = ("half and half", "mean of both alone")
EQUAL_PARTS = ("equal parts", "what smaller mixtures make")


class Tester(Estimator, Protocol):
    """An estimator that can also test several sums of coefficients together."""

    def test(self, contrasts: np.ndarray, /) -> FTest:
        """Return the F test that all the sums are zero."""
        ...


@dataclass(frozen=True, eq=False)
class Contrast:
    """A difference between two settings, as weights on the model's columns.

    Parameters
    ----------
    term : Term
    level, reference : str
        The two settings in words.
    weights : ndarray, shape (columns,)
    """

    term: Term
    level: str
    reference: str
    weights: np.ndarray


def contrasts(matrix: ModelMatrix, factors: Sequence[Factor], columns: int) -> list[Contrast]:
    """Return the differences that a table of effects shows, term by term.

    A number is compared high with low; a kind with the first kind; a square is the height of the
    ends over the middle; an interaction is half the difference between two effects (so that in
    a two-level plan it is the textbook's effect). A blend component goes from its least to its
    greatest share, the others keeping their proportions (Cox 1971, Biometrika 58:155), numbers in
    the middle and over all kinds alike; with a process factor, half of how much that differs
    between the factor's settings. Two components: what half and half makes beyond the mean of
    both alone (Scheffe 1958).
    """
    known = {factor.name: factor for factor in factors}
    found = []
    for term in matrix.terms:
        if any(isinstance(known[name], Component) for name in term.factors):
            found += _blend_contrasts(term, matrix, factors, columns)
        else:
            found += _plain_contrasts(term, matrix, known, columns)
    return found


def _plain_contrasts(
    term: Term, matrix: ModelMatrix, known: Mapping[str, Factor], columns: int
) -> list[Contrast]:
    choices = [compared(known[name], power) for name, power in term.powers]
    place = matrix.of(term)
    found = []
    for combination in product(*choices):
        weights = np.ones(1)
        for own, _, _ in combination:
            weights = np.outer(weights, own).ravel()
        row = np.zeros(columns)
        row[place] = weights / 2 ** (len(term.powers) - 1)
        level = ", ".join(high for _, high, _ in combination)
        reference = ", ".join(low for _, _, low in combination)
        found.append(Contrast(term, level, reference, row))
    return found


def _blend_contrasts(
    term: Term, matrix: ModelMatrix, factors: Sequence[Factor], columns: int
) -> list[Contrast]:
    """Return the contrasts of a term with shares in it, its process factors as everywhere."""
    known = {factor.name: factor for factor in factors}
    process = _process(term, known)
    shares = [f for f in map(known.__getitem__, term.factors) if isinstance(f, Component)]
    if len(shares) == 1:
        values = _along_the_blend(shares[0], matrix, factors)
        words = {shares[0].name: (shares[0].show(shares[0].high), shares[0].show(shares[0].low))}
    else:
        # The most that shares in equal parts add to what the smaller terms make of them
        values = {term: len(shares) ** -len(shares)}
        words = {shares[0].name: BLENDED if len(shares) == 2 else EQUAL_PARTS}
    found = []
    for combination in product(*(compared(known[name], power) for name, power in process)):
        weights = np.ones(1)
        for own, _, _ in combination:
            weights = np.outer(weights, own).ravel()
        row = np.zeros(columns)
        for one, value in values.items():
            if _process(one, known) == process:
                row[matrix.of(one)] = value * weights / 2 ** len(process)
        ends = words | {
            name: (high, low)
            for (name, _), (_, high, low) in zip(process, combination, strict=True)
        }
        said = [ends[name] for name in term.factors if name in ends]
        level, reference = (", ".join(pair[side] for pair in said) for side in (0, 1))
        found.append(Contrast(term, level, reference, row))
    return found


def _process(term: Term, known: Mapping[str, Factor]) -> list[tuple[str, int]]:
    """Return the powers of a term's process factors."""
    return [pair for pair in term.powers if not isinstance(known[pair[0]], Component)]


def _along_the_blend(
    component: Component, matrix: ModelMatrix, factors: Sequence[Factor]
) -> dict[Term, float]:
    """Return how much the product of shares in every term changes from a least to a greatest."""
    low, high = (along(component, share, factors) for share in component.levels)
    names = {factor.name for factor in factors if isinstance(factor, Component)}

    def product_of(term: Term, setting: Mapping[str, Any]) -> float:
        own = [float(setting[name]) ** power for name, power in term.powers if name in names]
        return float(np.prod(own)) if own else 0.0

    return {term: product_of(term, high) - product_of(term, low) for term in matrix.terms}


def along(component: Component, share: float, factors: Sequence[Factor]) -> dict[str, Any]:
    """Return the setting with one share changed and the others in the same proportions.

    Examples
    --------
    >>> along(Component("rye"), 0.5, [Component("rye"), Component("oat")])
    {'rye': 0.5, 'oat': 0.5}
    """
    setting = reference_setting(factors)
    others = [f.name for f in factors if isinstance(f, Component) and f.name != component.name]
    rest = 1 - setting[component.name]
    for name in others:
        setting[name] *= (1 - share) / rest
    setting[component.name] = share
    for factor in factors:
        if isinstance(factor, Numeric):
            setting[factor.name] = (factor.low + factor.high) / 2
    return setting


def effects_table(
    found: Sequence[Contrast], engine: Estimator, margin: float | None
) -> pd.DataFrame:
    """Return the table of effects with intervals and verdicts.

    Examples
    --------
    >>> effects_table([], None, 0.7).columns[0]
    'term'
    """
    rows = []
    for one in found:
        estimate, se, df = engine.estimate(one.weights)
        low, high, p = interval(estimate, se, df)
        judged = verdict(low, high, margin)
        rows.append(
            (one.term.name, one.level, one.reference, estimate, se, df, low, high, p, judged)
        )
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS))


def interval(estimate: float, se: float, df: float) -> tuple[float, float, float]:
    """Return the 95 % interval and the two-sided p value of an estimate, by Student's t.

    Where the scores follow the model exactly there is no interval: no error was measured.

    Examples
    --------
    >>> [round(value, 3) for value in interval(1.0, 0.2, 10)]
    [0.554, 1.446, 0.001]
    """
    if not np.isfinite(se) or df <= 0:
        return float("nan"), float("nan"), float("nan")
    if se == 0:
        return float("nan"), float("nan"), float(estimate == 0)
    reach = float(stats.t.ppf((1 + CONFIDENCE) / 2, df)) * se
    return estimate - reach, estimate + reach, float(2 * stats.t.sf(abs(estimate) / se, df))


def tests_table(
    matrix: ModelMatrix, engine: Tester, columns: int, against: Mapping[str, str]
) -> pd.DataFrame:
    """Return the F test of every term, each adjusted for all others."""
    rows = []
    for term in matrix.terms:
        L = np.eye(columns)[matrix.of(term)]
        test = engine.test(L)
        words = against[term.name]
        rows.append((term.name, float(len(L)), test.den_df, test.F, test.p, words))
    return pd.DataFrame(rows, columns=["term", "df", "error_df", "F", "p", "judged_against"])


# -- What a factor does at each setting of another, with intervals and in words.


@dataclass(frozen=True, eq=False)
class SimpleEffects:
    """The effect of one factor at each setting of another.

    Parameters
    ----------
    factor, at, response : str
    table : DataFrame
        at (the setting of the other), then the columns of findings' effects but for term.
    sentences : tuple of str
    """

    factor: str
    at: str
    response: str
    table: pd.DataFrame = field(repr=False)
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        shown = self.table[["at", "level", "reference", "estimate", "low", "high", "verdict"]]
        return answer(self.sentences, [readable(shown)])


@checked_types(FitError)
def simple_effects(findings: Findings, factor: str, at: str) -> SimpleEffects:
    """Tell what a factor does at each setting of another.

    Other numbers are held at the middle of their range, other kinds averaged. Where few bakes are
    left for error the averaged explanations speak, as everywhere.

    Parameters
    ----------
    findings : Findings
    factor, at : str

    Returns
    -------
    SimpleEffects

    Raises
    ------
    FitError
        When a factor is unknown, a share of a blend, both are the same, or one exists only for
        one kind of the other.

    References
    ----------
    Winer, Brown & Michels 1991, Statistical Principles in Experimental Design, ch. 6 (simple
    effects).

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"oil": [165, 165, 180, 180] * 4, "fat": ["butter", "lard"] * 8,
    ...     "spread": [60, 66, 61, 60.5, 60.5, 66, 61.5, 61, 59.5, 65, 60, 60.5, 60, 66, 61, 60]})
    >>> simple_effects(fit(table, "spread", ["oil", "fat"]), "fat", "oil")
    Fat changes spread only at 165: lard over butter +5.8 (+5.0 to +6.5), but −0.4 (−1.1 to +0.4) \
at 180.
    """
    one, other = (_factor(findings, name) for name in (factor, at))
    if factor == at:
        raise FitError(f'"{factor}" can not be looked at by its own settings; name another factor.')
    levels, places = list(shown_settings(one)), list(shown_settings(other))
    grid = _grid(findings, one, levels, other, places)
    levels, places = (
        [setting for setting in own if (grid[factor.name] == setting).any()]
        for factor, own in ((one, levels), (other, places))
    )
    if len(levels) < 2 or len(places) < 2:
        raise FitError(_nested_words(one, other))
    rows = []
    for place in places:
        for level in levels[1:]:
            numbers = _difference(findings, grid, (level, place), (levels[0], place))
            low, high = numbers[3:5]
            judged = verdict(low, high, findings.margin)
            shown = (other.show(place), one.show(level), one.show(levels[0]))
            rows.append((*shown, *numbers, judged))
    names = ["at", *EFFECT_COLUMNS[1:]]
    table = pd.DataFrame(rows, columns=names)
    return SimpleEffects(factor, at, findings.response, table, _words(findings, factor, table))


def _factor(findings: Findings, name: str) -> Factor:
    for factor in findings.factors:
        if factor.name == name and not isinstance(factor, Component):
            return factor
    known = in_words((f.name for f in findings.factors if not isinstance(f, Component)), "or")
    raise FitError(f'there is no factor "{name}" that can change alone; expected {known}.')


def _grid(
    findings: Findings, one: Factor, levels: list[Any], other: Factor, places: list[Any]
) -> pd.DataFrame:
    """Return both factors crossed with all kinds of the others; numbers at the middle.

    Only where both exist, if they are nested; other nested factors have no setting elsewhere.
    """
    choices: dict[str, list[Any]] = {one.name: levels, other.name: places}
    for factor in findings.factors:
        if factor.name in choices:
            continue
        if isinstance(factor, Categorical):
            choices[factor.name] = list(factor.levels)
        else:
            choices[factor.name] = [(factor.low + factor.high) / 2]
    table = pd.DataFrame(list(product(*choices.values())), columns=list(choices))
    keys = list(zip(table[one.name], table[other.name], strict=True))
    table = table.assign(_cell=pd.Series(keys, index=table.index, dtype=object))
    for factor in findings.factors:
        there = exists(factor, table)
        if there is None:
            continue
        if factor.name in (one.name, other.name):
            table = table[there].reset_index(drop=True)
        else:
            table[factor.name] = [
                factor.read(value if set_ else "")
                for value, set_ in zip(table[factor.name], there, strict=True)
            ]
    return table


def _nested_words(one: Factor, other: Factor) -> str:
    """Return why two factors have no settings in common to be compared at."""
    where = [
        f'"{factor.name}" is set only where {factor.only_when[0]} is '
        f"{in_words(factor.only_when[1], 'or')}"
        for factor in (one, other)
        if factor.only_when
    ]
    return f'{in_words(where)}, so "{one.name}" can not be compared across "{other.name}".'


def _difference(
    findings: Findings, grid: pd.DataFrame, high: tuple[Any, Any], low: tuple[Any, Any]
) -> tuple[float, float, float, float, float, float]:
    """Return estimate, se, df, low, high and p of one cell of the grid over another."""
    upper, lower = (
        grid[[cell == wanted for cell in grid["_cell"]]].drop(columns="_cell")
        for wanted in (high, low)
    )
    if findings.told is not None:
        draws = expected_draws(findings, upper).mean(axis=0)
        draws = draws - expected_draws(findings, lower).mean(axis=0)
        edges = np.quantile(draws, ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2))
        bottom, top = float(edges[0]), float(edges[1])
        return float(draws.mean()), float(draws.std()), np.nan, bottom, top, np.nan
    weights = findings.rows(upper).mean(axis=0) - findings.rows(lower).mean(axis=0)
    weights = np.concatenate([weights, np.zeros(len(findings.engine.beta) - len(weights))])
    estimate, se, df = findings.engine.estimate(weights)
    return estimate, se, df, *interval(estimate, se, df)


def _words(findings: Findings, factor: str, table: pd.DataFrame) -> tuple[str, ...]:
    digits, unit = decimals(table["se"]), unit_of(findings.measure)
    name = f"{factor[:1].upper()}{factor[1:]}"
    said = []
    for (level, reference), own in table.groupby(["level", "reference"], sort=False):
        sizes = {
            str(row.at): f"{signed(row.estimate, digits)}{unit} "
            f"({signed(row.low, digits)} to {signed(row.high, digits)})"
            for row in own.itertuples()
        }
        up, down = (own["at"][side].tolist() for side in (own["low"] > 0, own["high"] < 0))
        open_ = [place for place in own["at"] if place not in (*up, *down)]
        pair = f"{level} over {reference}"
        if not np.isfinite(own["low"]).all():
            said.append(f"{name}, {pair}: no error was measured, so no setting can be told apart.")
        elif up and down:
            turns = in_words(f"{sizes[place]} at {place}" for place in own["at"])
            said.append(f"{name} turns round: {pair} makes {turns}.")
        elif (up or down) and open_:
            sure = in_words(f"{sizes[place]}" for place in (up or down))
            rest = in_words(f"{sizes[place]} at {place}" for place in open_)
            where = in_words(up or down)
            said.append(
                f"{name} changes {findings.response} only at {where}: {pair} {sure}, but {rest}."
            )
        elif open_:
            rest = in_words(f"{sizes[place]} at {place}" for place in own["at"])
            said.append(f"{name}, {pair}: {rest}; at no setting sure.")
        else:
            every = in_words(f"{sizes[place]} at {place}" for place in own["at"])
            said.append(f"{name} works the same way throughout: {pair} {every}.")
    return tuple(said)
