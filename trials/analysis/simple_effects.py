"""What a factor does at each setting of another, with intervals and in words."""

import html
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.contrasts import interval
from trials.analysis.drawing import expected_draws
from trials.analysis.results import EFFECT_COLUMNS, Findings
from trials.analysis.setting_rows import shown_settings
from trials.analysis.verdicts import CONFIDENCE, decimals, readable, signed, verdict
from trials.analysis.wording import unit_of
from trials.errors import FitError
from trials.factors import Categorical, Component, Factor
from trials.nesting import exists
from trials.tables import in_words


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
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        shown = self.table[["at", "level", "reference", "estimate", "low", "high", "verdict"]]
        return said + readable(shown).to_html(index=False, border=0, escape=True)


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
    Fat changes spread only at 165: lard over butter +5.8 (+5.0 to +6.5), but -0.4 (-1.1 to +0.4) \
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
