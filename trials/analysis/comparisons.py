"""Whole variants: their means, every pair or all against the reference, and which is best."""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.level_means import chances_best, level_draws, mean_rows, rival_draws
from trials.analysis.results import Findings
from trials.analysis.setting_rows import shown_settings
from trials.analysis.simultaneous import (
    range_factor,
    range_p,
    reference_factor,
    reference_p,
)
from trials.analysis.verdicts import NOT_SETTLED, decimals, readable, rounded, signed, verdict
from trials.analysis.wording import unit_of
from trials.errors import FitError
from trials.factors import Categorical, Component, Factor
from trials.tables import in_words, percent

CLEARLY_BEST = 0.9
_PAIR_COLUMNS = [
    "level",
    "reference",
    "difference",
    "se",
    "df",
    "low",
    "high",
    "p",
    "verdict",
]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Variants compared as wholes.

    Parameters
    ----------
    factor, response : str
    means : DataFrame
        level, mean, se, df, low, high (95 %, each by itself), chance_best.
    pairs : DataFrame
        level, reference, difference, se, df, low, high, p, verdict; intervals and p values hold
        for all pairs of the table together.
    method : str
        The adjustment, for the methods section.
    sentences : tuple of str
    """

    factor: str
    response: str
    means: pd.DataFrame = field(repr=False)
    pairs: pd.DataFrame = field(repr=False)
    method: str
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        tables = (self.means.drop(columns=["se", "df"]), self.pairs.drop(columns=["se", "df", "p"]))
        shown = (readable(t).to_html(index=False, border=0, escape=True) for t in tables)
        return said + "".join(shown)


def compare(findings: Findings, factor: str, *, reference: Any = None) -> Comparison:
    """Compare the levels of a factor as whole variants.

    Parameters
    ----------
    findings : Findings
    factor : str
    reference : level, optional
        Compare the others with this one alone (Dunnett); left out, all pairs (Tukey-Kramer).

    Returns
    -------
    Comparison

    Raises
    ------
    FitError
        When there is no such factor, or the reference is none of its levels.

    References
    ----------
    Kramer 1956, Biometrics 12:307; Dunnett 1955, JASA 50:1096; both on the adjusted covariance
    of Kenward & Roger 1997, Biometrics 53:983.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"fat": ["butter", "lard", "oil"] * 3,
    ...                       "spread": [60, 63, 71, 61, 64, 70, 62, 65, 72.0]})
    >>> compare(fit(table, "spread", ["fat"]), "fat", reference="butter")
    For spread, oil is best so far (mean 71.0; over 99 % sure).
    Oil over butter: +10.0 (+7.7 to +12.3). Matters.
    Lard over butter: +3.0 (+0.7 to +5.3). Matters.
    """
    chosen = _factor(findings, factor)
    levels = _levels(chosen, findings.residuals)
    rows = mean_rows(findings, factor, levels)
    names = [chosen.show(level) for level in levels]
    if reference is None:
        chosen_pairs = list(combinations(range(len(levels)), 2))
        pairs = _all_pairs(findings, rows, names, chosen_pairs, len(levels))
        method = "Tukey-Kramer" if len(levels) > 2 else "Student's t (one pair)"
    else:
        base = _place(chosen, levels, reference)
        pairs = _against(findings, rows, names, base)
        method = "Dunnett" if len(levels) > 2 else "Student's t (one pair)"
    means = _means(findings, rows, names).assign(
        chance_best=_chances(findings, factor, levels, rows, np.eye(len(levels)))
    )
    return Comparison(
        factor=factor,
        response=findings.response,
        means=means,
        pairs=pairs,
        method=method,
        sentences=_sentences(findings, means, pairs),
    )


def compare_nested(
    findings: Findings, factor: str, methods: Mapping[str, Sequence[Any]]
) -> Comparison:
    """Compare methods that each have settings of their own, and the settings within each.

    An oven has no oil temperature. So method and setting stand together as the levels of one
    factor ("fried hot", "fried cool", "baked"); a method's mean is that over its own levels, and
    settings are compared within their method only.

    Parameters
    ----------
    findings : Findings
    factor : str
        The factor whose levels are a method with its setting.
    methods : mapping
        Method -> its levels of the factor.

    Returns
    -------
    Comparison
        `means` has the methods first, then the settings; `pairs` all pairs of methods, then all
        pairs of settings within each method, each family adjusted by itself (Tukey-Kramer).

    Raises
    ------
    FitError
        When a level is unknown or in two methods.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"way": ["fried cool", "fried hot", "baked"] * 3,
    ...                       "spread": [60, 62, 71, 61, 63, 70, 62, 64, 72.0]})
    >>> way = {"fried": ["fried cool", "fried hot"], "baked": ["baked"]}
    >>> pairs = compare_nested(fit(table, "spread", ["way"]), "way", way).pairs
    >>> pairs["difference"].round(6).tolist()
    [9.0, 2.0]
    """
    chosen = _factor(findings, factor)
    levels = _levels(chosen, findings.residuals)
    members = [[_place(chosen, levels, one) for one in own] for own in methods.values()]
    used = [place for own in members for place in own]
    if len(set(used)) < len(used) or not all(members):
        raise FitError("each method needs levels of its own, and no level belongs to two methods.")
    rows = mean_rows(findings, factor, levels)
    names = [chosen.show(level) for level in levels]
    heads = np.array([rows[own].mean(axis=0) for own in members])
    between = list(combinations(range(len(members)), 2))
    tables = [_all_pairs(findings, heads, list(methods), between, len(members))]
    for own in members:
        within = list(combinations(own, 2))
        tables.append(_all_pairs(findings, rows, names, within, len(own)))
    means = pd.concat(
        [_means(findings, heads, list(methods)), _means(findings, rows[used], _at(names, used))],
        ignore_index=True,
    )
    share = np.array([np.bincount(own, minlength=len(rows)) / len(own) for own in members])
    chances = _chances(findings, factor, levels, rows, share)
    settings = _chances(findings, factor, levels, rows, np.eye(len(rows))[used])
    means["chance_best"] = [*chances, *settings]
    pairs = pd.concat([t for t in tables if len(t)], ignore_index=True)
    said = _sentences(findings, means.iloc[: len(members)], pairs)
    return Comparison(factor, findings.response, means, pairs, "Tukey-Kramer in each family", said)


def _chances(
    findings: Findings, factor: str, levels: Sequence[Any], rows: np.ndarray, share: np.ndarray
) -> np.ndarray:
    """Return the chances to be best of means that are shares of the levels' means."""
    if findings.told is not None:  # shrunk already
        draws = share @ level_draws(findings, factor, levels)
    else:
        draws = rival_draws(findings, share @ rows)
    return chances_best(draws, findings.measure)


def _factor(findings: Findings, name: str) -> Factor:
    for factor in findings.factors:
        if factor.name == name and not isinstance(factor, Component):
            return factor
        if factor.name == name:
            raise FitError(
                f'"{name}" is a share of a blend, and one share can not change alone; '
                "give whole blends to predict instead."
            )
    known = in_words((factor.name for factor in findings.factors), "or")
    raise FitError(f'there is no factor "{name}"; expected {known}.')


def _levels(factor: Factor, residuals: pd.DataFrame) -> list[Any]:
    """Return all kinds, or a number's settings in the bakes when they are few, else its ends."""
    if isinstance(factor, Categorical):
        return list(factor.levels)
    found = sorted(set(residuals[factor.name]))
    return found if len(found) <= 6 else list(shown_settings(factor))


def _place(factor: Factor, levels: Sequence[Any], level: Any) -> int:
    value = factor.read(level)
    if value not in levels:
        known = in_words((factor.show(one) for one in levels), "or")
        raise FitError(f'"{factor.name}" has no level {level}; expected {known}.')
    return list(levels).index(value)


def _at(names: Sequence[str], places: Sequence[int]) -> list[str]:
    return [names[place] for place in places]


def _means(findings: Findings, rows: np.ndarray, names: Sequence[str]) -> pd.DataFrame:
    found = np.array([findings.engine.estimate(row) for row in rows]).reshape(-1, 3)
    mean, se, df = found.T
    reach = np.array([range_factor(one, 2) for one in df]) * se
    columns = {"mean": mean, "se": se, "df": df, "low": mean - reach, "high": mean + reach}
    return pd.DataFrame({"level": list(names), **columns})


def _all_pairs(
    findings: Findings,
    rows: np.ndarray,
    names: Sequence[str],
    pairs: Sequence[tuple[int, int]],
    count: int,
) -> pd.DataFrame:
    """Return differences of pairs out of a family of `count` means, higher means first."""
    reaches: dict[float, float] = {}
    table = []
    for one, other in pairs:
        difference, se, df = findings.engine.estimate(rows[other] - rows[one])
        high, low = (other, one) if difference >= 0 else (one, other)
        key = round(df, 6)
        reach = reaches.setdefault(key, range_factor(df, count))
        p = range_p(_ratio(difference, se), df, count)
        table.append(_row(findings, names[high], names[low], abs(difference), se, df, reach, p))
    return pd.DataFrame(table, columns=_PAIR_COLUMNS)


def _against(findings: Findings, rows: np.ndarray, names: Sequence[str], base: int) -> pd.DataFrame:
    others = [place for place in range(len(rows)) if place != base]
    weights = rows[others] - rows[base]
    cov = weights @ np.nan_to_num(findings.engine.cov) @ weights.T
    size = np.sqrt(np.diag(cov))
    known = bool((size > 0).all())
    correlation = cov / np.outer(size, size) if known else np.full_like(cov, np.nan)
    reaches: dict[float, float] = {}
    table = []
    for place, row in zip(others, weights, strict=True):
        difference, se, df = findings.engine.estimate(row)
        key = round(df, 6)
        if key not in reaches:
            reaches[key] = reference_factor(df, correlation)
        p = reference_p(_ratio(difference, se), df, correlation)
        table.append(_row(findings, names[place], names[base], difference, se, df, reaches[key], p))
    return pd.DataFrame(table, columns=_PAIR_COLUMNS)


def _ratio(difference: float, se: float) -> float:
    return difference / se if se > 0 else float("nan")


def _row(
    findings: Findings,
    level: str,
    reference: str,
    difference: float,
    se: float,
    df: float,
    reach: float,
    p: float,
) -> tuple:
    low, high = difference - reach * se, difference + reach * se
    judged = verdict(low, high, findings.margin)
    return level, reference, difference, se, df, low, high, p, judged


def _sentences(findings: Findings, means: pd.DataFrame, pairs: pd.DataFrame) -> tuple[str, ...]:
    if not np.isfinite(pairs["se"]).any():
        why = "no error was measured, so none can be told from chance; repeat some of the bakes"
        return (f"For {findings.response} the variants can not be ranked: {why}.",)
    digits = decimals(pairs["se"])
    unit = unit_of(findings.measure)
    said = [_best_words(findings, means, digits)]
    order = pairs["difference"].abs().sort_values(ascending=False, kind="stable").index
    for row in pairs.loc[order].itertuples():
        between = f"({signed(row.low, digits)} to {signed(row.high, digits)})"
        size = f"{signed(row.difference, digits)}{unit} {between}"
        judged = f"{row.verdict[:1].upper()}{row.verdict[1:]}."
        if row.verdict == NOT_SETTLED and (row.low > 0 or row.high < 0):
            judged = "The direction is sure, its size is not settled."
        said.append(
            f"{row.level[:1].upper()}{row.level[1:]} over {row.reference}: {size}. {judged}"
        )
    return tuple(said)


def _best_words(findings: Findings, means: pd.DataFrame, digits: int) -> str:
    ranked = means.sort_values("chance_best", ascending=False, kind="stable")
    top, chance = ranked.iloc[0], float(ranked["chance_best"].iloc[0])
    sure = "over 99 %" if chance > 0.99 else f"{percent(chance)}"
    mean = rounded(float(top["mean"]), digits)
    if chance >= CLEARLY_BEST:
        return f"For {findings.response}, {top['level']} is best so far (mean {mean}; {sure} sure)."
    reached = ranked["chance_best"].cumsum().to_numpy()
    names = ranked["level"][: int(np.argmax(reached >= CLEARLY_BEST - 1e-9)) + 1].tolist()
    others = in_words(names[1:], "or")
    return (
        f"For {findings.response}, {top['level']} is ahead so far (mean {mean}), but only {sure} "
        f"sure to be the best; it could still be {others}."
    )
