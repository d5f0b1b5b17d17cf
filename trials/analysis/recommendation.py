"""`Recommendation`: the best setting so far, and how sure that is, as a baker reads it."""

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.advice import notes_on, sentences_on
from trials.analysis.choosing import Choice
from trials.analysis.desirability import Goal
from trials.analysis.verdicts import readable
from trials.factors import NO_SETTING, Categorical, Factor
from trials.measures import Measure
from trials.tables import in_words

EXPECTED_COLUMNS = (
    "measure",
    "estimate",
    "low",
    "high",
    "new_low",
    "new_high",
    "goal",
    "desirability",
    "chance_goal",
)
MORE_LIKELY_THAN_NOT = 0.5
MOST_SHOWN = 3000
FEW_DRAWS = 1000  # for the chances of thousands of settings
_SEED = 2236


@dataclass(frozen=True, eq=False)
class Recommendation:
    """The best setting so far.

    Parameters
    ----------
    settings : dict
        Factor name -> setting in real units, set as a kitchen can.
    expected : DataFrame
        measure, estimate, low, high (95 % for the mean of many bakes), new_low, new_high (95 %
        for one new bake), goal (in words), desirability (0 to 1), chance_goal (that one new bake
        meets it).
    chance_all_goals : float
        That one new bake meets every goal; missing where no error was measured.
    desirability : float
        Overall, 0 to 1.
    good_settings : DataFrame
        A column per factor, `chance_as_good` and the estimate of every measure: settings that
        more likely than not are as good, no measure being noticeably worse than at the
        recommended setting. The recommended setting comes first.
    good_ranges : DataFrame
        factor, good (settings in words), all_of_it (whether they span its whole range). What the
        good settings hold of each factor by itself; not every combination of these is as good.
    chance_of_failure : float or None
    goals : tuple of Goal
        With the limits that were used.
    factors : tuple of Factor
    measures : tuple of Measure
    sentences, notes : tuple of str
    """

    settings: Mapping[str, Any]
    expected: pd.DataFrame = field(repr=False)
    chance_all_goals: float
    desirability: float
    good_settings: pd.DataFrame = field(repr=False)
    good_ranges: pd.DataFrame = field(repr=False)
    chance_of_failure: float | None
    goals: tuple[Goal, ...]
    factors: tuple[Factor, ...]
    measures: tuple[Measure, ...]
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences + self.notes)

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in self.notes)
        shown = readable(self.expected).to_html(index=False, border=0, escape=True)
        ranges = self.good_ranges[["factor", "good"]]
        region = ranges.to_html(index=False, border=0, escape=True)
        return f"{said}{shown}{region}<ul>{notes}</ul>"


def ranges_of(good: pd.DataFrame, factors: tuple[Factor, ...]) -> pd.DataFrame:
    """Return for each factor the settings that good settings hold, in words.

    Parameters
    ----------
    good : DataFrame
        A column per factor.
    factors : tuple of Factor

    Returns
    -------
    DataFrame
        factor, good, all_of_it (all that the factor's limits leave).

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> made = pd.DataFrame({"rest": [20.0, 40.0]})
    >>> ranges_of(made, (Numeric("rest", 20, 60, "min"),))
      factor              good  all_of_it
    0   rest  20 min to 40 min      False
    """
    rows = []
    for factor in factors:
        own = good[factor.name].dropna()
        if isinstance(factor, Categorical):
            kept = [level for level in factor.levels if (own == level).any()]
            words = in_words([factor.show(level) for level in kept], "or")
            rows.append((factor.name, words, len(kept) == len(factor.levels)))
            continue
        if own.empty:
            rows.append((factor.name, NO_SETTING, False))
            continue
        low, high = float(own.min()), float(own.max())
        words = factor.show(low) if low == high else f"{factor.show(low)} to {factor.show(high)}"
        rows.append((factor.name, words, low <= factor.low and high >= factor.high))
    return pd.DataFrame(rows, columns=["factor", "good", "all_of_it"])


def recommendation(
    asked: Choice, chosen: np.ndarray, wobble: Mapping[str, float] | None
) -> Recommendation:
    """Return what is known about a chosen setting.

    Parameters
    ----------
    asked : Choice
    chosen : ndarray, shape (1, factors)
    wobble : mapping or None

    Examples
    --------
    >>> recommendation.__name__
    'recommendation'
    """
    factors = asked.region.factors
    table = asked.region.frame(chosen)
    expected, chance = _expected(asked, chosen, table)
    looked_at = asked.region.grid(MOST_SHOWN)
    good, ranges, filled = _good_settings(asked, chosen, looked_at)
    failing = asked.region.chance_of_failure
    chance_of_failure = float(failing(chosen)[0]) if failing else None
    desirability = float(asked.desirability(chosen)[0])
    sentences = sentences_on(asked, table, expected, chance, good, ranges, len(looked_at), filled)
    return Recommendation(
        settings=table.iloc[0].to_dict(),
        expected=expected,
        chance_all_goals=chance,
        desirability=desirability,
        good_settings=good,
        good_ranges=ranges,
        chance_of_failure=chance_of_failure,
        goals=asked.goals,
        factors=factors,
        measures=tuple(one.measure for one in asked.forecasts),
        sentences=sentences,
        notes=notes_on(asked, chosen, desirability, chance_of_failure, wobble),
    )


def _expected(asked: Choice, chosen: np.ndarray, table: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    rows, met = [], []
    for place, (one, goal) in enumerate(zip(asked.forecasts, asked.goals, strict=True)):
        bakes = one.new_bakes(chosen, _SEED + place)[0]
        met.append(goal.met(bakes) if one.errors_known else np.full(len(bakes), np.nan))
        found = one.intervals(chosen, table, _SEED + place)
        own = goal.desirability(np.array([found["estimate"]]))
        rows.append(
            {"measure": goal.name, **found, "goal": goal.words()}
            | {"desirability": float(own[0]), "chance_goal": float(met[-1].mean())}
        )
    return pd.DataFrame(rows)[list(EXPECTED_COLUMNS)], float(np.prod(met, axis=0).mean())


def chance_as_good(asked: Choice, X: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Return how likely each setting is as good as the chosen one.

    As good: no measure is worse, in its goal's own direction, by more than is worth noticing.
    Both settings are judged in the same draws, so what they share cancels.

    Parameters
    ----------
    asked : Choice
    X : ndarray, shape (settings, factors)
    chosen : ndarray, shape (1, factors)

    Returns
    -------
    ndarray, shape (settings,)

    Examples
    --------
    >>> chance_as_good.__name__
    'chance_as_good'
    """
    good = np.ones((len(X), FEW_DRAWS), dtype=bool)
    for one, goal in zip(asked.forecasts, asked.goals, strict=True):
        here = goal.loss(one.drawn(chosen, FEW_DRAWS))
        good &= goal.loss(one.drawn(X, FEW_DRAWS)) <= here + goal.notice * (1 + 1e-9)
    return good.mean(axis=1)


def _good_settings(
    asked: Choice, chosen: np.ndarray, looked_at: np.ndarray
) -> tuple[pd.DataFrame, pd.DataFrame, float]:
    others = looked_at[np.abs(looked_at - chosen).max(axis=1) > 1e-9]
    X = np.vstack([chosen, others])
    chance = chance_as_good(asked, X, chosen)
    table = asked.region.frame(X).assign(chance_as_good=chance)
    for one in asked.forecasts:
        table[one.measure.name] = one.expect(X)
    order = np.concatenate([[0], 1 + np.argsort(-np.round(chance[1:], 9), kind="stable")])
    ranked = table.iloc[order]
    good = ranked[ranked["chance_as_good"] >= MORE_LIKELY_THAN_NOT].reset_index(drop=True)
    inside = _within(table, good, asked.region.factors)
    return good, ranges_of(good, asked.region.factors), len(good) / int(inside.sum())


def _within(table: pd.DataFrame, good: pd.DataFrame, factors: tuple[Factor, ...]) -> np.ndarray:
    """Return which settings lie, factor by factor, within the settings that good ones hold."""
    inside = np.ones(len(table), dtype=bool)
    for factor in factors:
        own, held = table[factor.name], good[factor.name]
        if isinstance(factor, Categorical):
            inside &= own.isin(held).to_numpy()
            continue
        among = own.between(held.min(), held.max()) | (own.isna() & bool(held.isna().any()))
        inside &= among.to_numpy()
    return inside
