"""Whole variants.

Their means, every pair or all against the reference, each as sure as one alone would be.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq
from scipy.special import ndtr

from trials.analysis.draws import DRAWS, SEED, expected_draws, shares_of_best
from trials.analysis.results import Findings
from trials.analysis.settings import shown_settings
from trials.analysis.wording import unit_of
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import decimals, in_words, percent, readable, rounded, signed
from trials.core.factors import Categorical, Component, Factor
from trials.core.measures import Measure
from trials.core.verdicts import CONFIDENCE, NOT_SETTLED, TOO_SMALL, UPPER, verdict

# -- Several comparisons at once, each as sure as one alone would be.
#
# All pairs by Tukey's range, all against a reference by Dunnett's multivariate t, and a cap on the
# share of false discoveries among many effects.


_SEED = 1955  # of the quadrature over several dimensions alone
_POINTS = 20_000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(160)
_TAIL = 1e-13


def range_p(t: float, df: float, count: int) -> float:
    """Return the p value of one pair out of all pairs of some means.

    References
    ----------
    Tukey 1953; Kramer 1956, Biometrics 12:307 (unequal errors).

    Examples
    --------
    >>> round(range_p(2.306, 8, 2), 3)
    0.05
    """
    if not (np.isfinite(t) and df > 0):
        return float("nan")
    return float(stats.studentized_range.sf(abs(t) * np.sqrt(2), count, df))


def range_factor(df: float, count: int) -> float:
    """Return how many standard errors the interval of each of all pairs reaches.

    Examples
    --------
    >>> round(range_factor(8, 2), 3)
    2.306
    """
    if not df > 0:
        return float("nan")
    if count == 2:
        return float(stats.t.ppf(UPPER, df))
    return float(stats.studentized_range.ppf(CONFIDENCE, count, df) / np.sqrt(2))


def reference_p(t: float, df: float, correlation: np.ndarray) -> float:
    """Return the p value of one of several comparisons with the same reference.

    References
    ----------
    Dunnett 1955, JASA 50:1096: where each correlation is a product of two numbers, as in balanced
    plans, by Gauss-Legendre sums; else by Genz & Bretz 2002, J. Comput. Graph. Stat. 11:950 (as
    scipy carries it out, with a fixed seed: errors below 0.001).

    Examples
    --------
    >>> round(reference_p(2.306, 8, np.eye(1)), 3)
    0.05
    """
    if not (np.isfinite(t) and df > 0 and np.isfinite(correlation).all()):
        return float("nan")
    if len(correlation) == 1:
        return float(2 * stats.t.sf(abs(t), df))
    return float(1 - _within(abs(t), df, correlation))


def reference_factor(df: float, correlation: np.ndarray) -> float:
    """Return how many standard errors the interval of each comparison reaches.

    Examples
    --------
    >>> round(reference_factor(8, np.eye(1)), 3)
    2.306
    """
    if not (df > 0 and np.isfinite(correlation).all()):
        return float("nan")
    alone = float(stats.t.ppf(UPPER, df))
    if len(correlation) == 1:
        return alone
    # Bonferroni's is the widest that any correlation asks for
    widest = float(stats.t.isf((1 - CONFIDENCE) / 2 / len(correlation), df))
    if _within(alone, df, correlation) >= CONFIDENCE:
        return alone

    def short_of(reach: float) -> float:
        return _within(reach, df, correlation) - CONFIDENCE

    return float(brentq(short_of, alone, 1.01 * widest, xtol=1e-4))


def _within(reach: float, df: float, correlation: np.ndarray) -> float:
    """Return the chance that no comparison of no difference goes beyond a reach."""
    factors = _product_factors(correlation)
    if factors is not None:
        z, z_weights = _normal_nodes()
        s, s_weights = _error_nodes(df)
        inside = np.ones((len(s), len(z)))
        for factor in factors:
            own = np.sqrt(1 - factor**2)
            edge = reach * s[:, None]
            inside *= ndtr((edge - factor * z) / own) - ndtr((-edge - factor * z) / own)
        return float(s_weights @ inside @ z_weights)
    edges = np.full(len(correlation), reach)
    return float(
        stats.multivariate_t.cdf(
            edges,
            shape=correlation,
            df=df,
            lower_limit=-edges,
            maxpts=_POINTS * len(correlation),
            random_state=np.random.default_rng(_SEED),
        )
    )


def _product_factors(correlation: np.ndarray) -> np.ndarray | None:
    """Return numbers whose products are the correlations; None when there are none."""
    off = correlation - np.diag(np.diag(correlation))
    if len(off) == 2 and off[0, 1] >= 0:
        factors = np.sqrt(off[0, 1]) * np.ones(2)
    elif len(off) > 2 and (off[np.triu_indices(len(off), 1)] > 0).all():
        logs = np.log(off + np.eye(len(off)))
        total = logs.sum() / (2 * (len(off) - 1))
        factors = np.exp((logs.sum(axis=1) - total) / (len(off) - 2))
    else:
        return None
    rebuilt = np.outer(factors, factors)
    np.fill_diagonal(rebuilt, 0.0)
    fits = np.abs(rebuilt - off).max() < 1e-9 and factors.max() < 1 - 1e-6
    return factors if fits else None


def _normal_nodes() -> tuple[np.ndarray, np.ndarray]:
    """Return points of a normal variable and their chances."""
    z = 9 * _NODES
    return z, 9 * _WEIGHTS * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)


def _error_nodes(df: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points of an estimated over the true standard deviation, and their chances."""
    low, high = stats.chi.ppf([_TAIL, 1 - _TAIL], df) / np.sqrt(df)
    s = low + (high - low) * (_NODES + 1) / 2
    return s, (high - low) / 2 * _WEIGHTS * stats.chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)


def false_discovery_p(p: np.ndarray) -> np.ndarray:
    """Return p values adjusted so that a limit caps the expected share of false discoveries.

    References
    ----------
    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289.

    Examples
    --------
    >>> false_discovery_p(np.array([0.01, 0.04, 0.03, np.nan])).round(3).tolist()
    [0.03, 0.04, 0.04, nan]
    """
    known = np.flatnonzero(np.isfinite(p))
    adjusted = np.full(len(p), np.nan)
    if len(known):
        from statsmodels.stats.multitest import multipletests

        values = np.asarray(p, dtype=float)[known]
        adjusted[known] = multipletests(values, method="fdr_bh")[1]
    return adjusted


# -- Many effects at once: a cap on the share of discoveries that are false.


@checked_types(FitError)
def controlled(findings: Findings | Mapping[str, Findings], *, share: float = 0.05) -> pd.DataFrame:
    """Return the effects with a cap on the share of false discoveries among all of them.

    Parameters
    ----------
    findings : Findings or mapping of measure name to Findings
        All effects of all measures count together.
    share : float
        The share of discoveries that may be false, on average.

    Returns
    -------
    DataFrame
        response, term, level, reference, estimate, p, p_controlled, stands (a difference from
        nothing that is still there), low, high (intervals widened for the choice of those that
        stand; missing for the others) and verdict, which is "not settled" for what does not stand
        unless it is too small to matter.

    Raises
    ------
    FitError
        When the share is not between 0 and 1.

    References
    ----------
    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289; intervals: Benjamini & Yekutieli 2005,
    JASA 100:71.
    """
    if not 0 < share < 1:
        raise FitError(f"share is {share}; a number between 0 and 1 was expected, such as 0.05.")
    every = findings if isinstance(findings, Mapping) else {findings.response: findings}
    tables = [one.effects.assign(response=name, margin=one.margin) for name, one in every.items()]
    table = pd.concat(tables, ignore_index=True)
    table["p_controlled"] = false_discovery_p(table["p"].to_numpy(dtype=float))
    table["stands"] = table["p_controlled"] <= share
    confidence = 1 - share * table["stands"].sum() / max(table["p"].notna().sum(), 1)
    reach = stats.t.ppf((1 + confidence) / 2, table["df"]) * table["se"]
    table["low"] = (table["estimate"] - reach).where(table["stands"])
    table["high"] = (table["estimate"] + reach).where(table["stands"])
    table["verdict"] = [_controlled_verdict(row) for row in table.itertuples()]
    names = ["response", "term", "level", "reference", "estimate", "p", "p_controlled"]
    return table[[*names, "stands", "low", "high", "verdict"]]


def _controlled_verdict(row: Any) -> str:
    if row.stands:
        margin = None if pd.isna(row.margin) else row.margin
        return verdict(row.low, row.high, margin)
    return TOO_SMALL if row.verdict == TOO_SMALL else NOT_SETTLED


# -- The mean at each level of a factor: as weights, as joint draws, and the chance to be best.


_SPREADS = 200  # of the spread between levels, equally likely beforehand


def mean_rows(findings: Findings, factor: str, levels: Sequence[Any]) -> np.ndarray:
    """Return weights on the coefficients for the mean at each level of a factor.

    The other numbers are held at the middle, the other kinds averaged.
    """
    grid = _settings(findings, factor, levels)
    X = findings.rows(grid.drop(columns="_place"))
    X = np.hstack([X, np.zeros((len(X), len(findings.engine.beta) - X.shape[1]))])
    return pd.DataFrame(X).groupby(grid["_place"]).mean().to_numpy()


def level_draws(findings: Findings, factor: str, levels: Sequence[Any]) -> np.ndarray:
    """Return joint draws of the mean at each level of a factor, shape (levels, draws)."""
    grid = _settings(findings, factor, levels)
    draws = expected_draws(findings, grid.drop(columns="_place"))
    return pd.DataFrame(draws).groupby(grid["_place"]).mean().to_numpy()


def rival_draws(findings: Findings, rows: np.ndarray) -> np.ndarray:
    """Return joint draws of several means that know how easily chance makes a winner.

    The best of several looks better than it is, the more so the less they truly differ. So the
    means count as drawn from one normal distribution, whose spread they themselves tell.

    References
    ----------
    Gelman 2006, Bayesian Analysis 1:515 (half-Cauchy spread of a hierarchical model; its scale
    here is the error of a mean).
    """
    basis = _contrast_basis(len(rows))
    weights = basis @ rows
    cov = weights @ np.nan_to_num(findings.engine.cov) @ weights.T
    differences = weights @ findings.engine.beta
    noise, turned = np.linalg.eigh((cov + cov.T) / 2)
    if noise.max(initial=0.0) <= 0 or not len(noise):
        return np.repeat((rows @ findings.engine.beta)[:, None], DRAWS, axis=1)
    noise = np.maximum(noise, 1e-12 * noise.max())
    df = min(findings.engine.estimate(row)[2] for row in weights)
    drawn = _shrunk_draws(turned.T @ differences, noise, df)
    middle, se, _ = findings.engine.estimate(rows.mean(axis=0))
    level = np.random.default_rng(SEED + 1).normal(middle, se if se > 0 else 0.0, DRAWS)
    return level + basis.T @ (turned @ drawn)


def _shrunk_draws(differences: np.ndarray, noise: np.ndarray, df: float) -> np.ndarray:
    """Return draws of independent differences under a normal of unknown spread."""
    rng = np.random.default_rng(SEED)
    at = (np.arange(_SPREADS) + 0.5) / _SPREADS
    spread = noise.mean() * np.tan(np.pi * at / 2) ** 2
    total = noise[:, None] + spread
    logs = -0.5 * (np.log(total) + np.square(differences)[:, None] / total).sum(axis=0)
    chance = np.exp(logs - logs.max())
    picked = spread[rng.choice(_SPREADS, size=DRAWS, p=chance / chance.sum())]
    kept = picked / (noise[:, None] + picked)
    wide = np.sqrt(df / rng.chisquare(df, DRAWS)) if np.isfinite(df) and df > 0 else 1.0
    error = np.sqrt(noise[:, None] * kept) * rng.standard_normal((len(noise), DRAWS))
    return kept * differences[:, None] + error * wide


def _contrast_basis(count: int) -> np.ndarray:
    """Return orthonormal rows that sum to zero."""
    centred = np.eye(count) - 1 / count
    return np.linalg.svd(centred)[2][: count - 1]


def chances_best(draws: np.ndarray, measure: Measure | None = None) -> np.ndarray:
    """Return the chance of each row to be the best in joint draws; ties are shared.

    Examples
    --------
    >>> chances_best(np.array([[1.0, 2.0], [3.0, 2.0]])).tolist()
    [0.25, 0.75]
    """
    return shares_of_best(_worth(draws, measure.goal if measure else None))


def _worth(values: np.ndarray, goal: Any) -> np.ndarray:
    if goal is None or goal == "higher":
        return values
    if goal == "lower":
        return -values
    kind, first, second = goal
    if kind == "target":
        return -np.abs(values - first)
    return -np.maximum(np.maximum(first - values, values - second), 0.0)


def _settings(findings: Findings, factor: str, levels: Sequence[Any]) -> pd.DataFrame:
    """Return every level with all kinds of the other factors; `_place` numbers the levels."""
    table = pd.DataFrame({"_place": range(len(levels)), factor: list(levels)})
    for other in findings.factors:
        if other.name == factor:
            continue
        kinds = list(other.levels) if isinstance(other, Categorical) else [_middle(other)]
        table = table.merge(pd.DataFrame({other.name: kinds}), how="cross")
    return table


def _middle(factor: Factor) -> float:
    low, high = factor.levels
    return (float(low) + float(high)) / 2


# -- Whole variants: their means, every pair or all against the reference, and which is best.


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
        tables = (self.means.drop(columns=["se", "df"]), self.pairs.drop(columns=["se", "df", "p"]))
        return answer(self.sentences, map(readable, tables))


@checked_types(FitError)
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
    Oil over butter: +10.0 (+7.7 to +12.3). The direction is sure, its size is not settled.
    Lard over butter: +3.0 (+0.7 to +5.3). The direction is sure, its size is not settled.
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
