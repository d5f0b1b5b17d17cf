"""`Findings`: what the scores say, with full precision and in the units of the response."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.no_error import unit_means
from trials.analysis.question import is_of_tasting
from trials.analysis.reached import outside_words
from trials.analysis.settings import (
    averaged_rows,
    effect_words,
    host_names,
    only_existing,
    settings_table,
    shown_settings,
)
from trials.analysis.small_sample import SmallSample, reach_of_new
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import decimals, in_words, signed
from trials.core.evidence import Evidence
from trials.core.factors import Factor
from trials.core.measures import Measure
from trials.core.roles import Role
from trials.core.terms import ModelMatrix, Term, model_matrix
from trials.core.verdicts import CONFIDENCE

# -- What joint draws expect of a setting: in the mean, and of one new bake.


FEWEST_TO_ESTIMATE = 3  # bakes from which a spread is taken when the fit measured none
SEED = 2236


def measured_spread(
    spread: Mapping[str, float], level_df: Sequence[float] | np.ndarray
) -> tuple[float, float] | None:
    """Return the variance of one new bake as a fit measured it; None where it did not.

    Day, load and bake spreads add; those of tasters and tastings are no part of a bake.

    Examples
    --------
    >>> measured_spread({"bake": 0.25, "tasting": 1.0}, [6.0])
    (0.25, 6.0)
    """
    known = {name: value for name, value in spread.items() if not is_of_tasting(name)}
    if not known:
        return None
    finite = [float(df) for df in level_df if np.isfinite(df) and df > 0]
    return float(sum(known.values())), min(finite, default=float("inf"))


def spread_left(observed: np.ndarray, fitted: np.ndarray) -> tuple[float, float]:
    """Return the variance of one new bake from what joint draws leave over.

    Where a fit spent every bake, the draws say it: the mean square left by a draw of the
    coefficients is the variance, because its own error makes up for the bakes spent on the fit.

    Examples
    --------
    >>> spread_left(np.array([1.0, 2.0, 3.0]), np.array([[2.0], [2.0], [2.0]]))
    (0.6666666666666666, inf)
    """
    if len(observed) < FEWEST_TO_ESTIMATE:
        return 0.0, float("inf")
    return float(((observed[:, None] - fitted) ** 2).mean()), float("inf")


def bakes_drawn(expected: np.ndarray, own: tuple[float, float], seed: int = SEED) -> np.ndarray:
    """Return draws of one new bake at each setting, its own spread included.

    The same chance strikes at every setting, so that one setting has one range wherever it stands.

    Examples
    --------
    >>> bakes_drawn(np.zeros((1, 4)), (0.0, np.inf)).shape
    (1, 4)
    """
    variance, df = own
    rng = np.random.default_rng(seed)
    noise = np.sqrt(variance) * rng.standard_normal(expected.shape[1])
    if np.isfinite(df):
        # Where an error is hardly measured a draw may round to nothing: huge then, but finite
        drawn = np.maximum(rng.chisquare(df, expected.shape[1]), np.finfo(float).tiny)
        noise *= np.sqrt(df / drawn)
    return np.asarray(expected + noise)


def drawn_intervals(
    expected: np.ndarray, own: tuple[float, float], seed: int = SEED
) -> pd.DataFrame:
    """Return low, high, new_low and new_high: the middle 95 % of what joint draws expect.

    Examples
    --------
    >>> drawn_intervals(np.array([[5.0, 5.0]]), (0.0, np.inf))
       low  high  new_low  new_high
    0  5.0   5.0      5.0       5.0
    """
    edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
    low, high = np.quantile(expected, edges, axis=1)
    new_low, new_high = np.quantile(bakes_drawn(expected, own, seed), edges, axis=1)
    return pd.DataFrame({"low": low, "high": high, "new_low": new_low, "new_high": new_high})


# -- `Findings`: what the scores say, with full precision and in the units of the response.


EFFECT_COLUMNS = (
    "term",
    "level",
    "reference",
    "estimate",
    "se",
    "df",
    "low",
    "high",
    "p",
    "verdict",
)


class Estimator(Protocol):
    """What any of the fits can do: estimate a sum of coefficients, with its error.

    `beta` and `cov` belong to the columns of the model's matrix, the nuisance columns (blocks,
    the reference bakes) behind them.
    """

    @property
    def beta(self) -> np.ndarray:
        """The coefficients."""
        ...

    @property
    def cov(self) -> np.ndarray:
        """Their covariance; NaN where no error was measured."""
        ...

    def estimate(self, contrast: np.ndarray, /) -> tuple[float, float, float]:
        """Return the estimate, its standard error and its degrees of freedom."""
        ...


@dataclass(frozen=True, eq=False)
class Averaged:
    """What all models that respect heredity say together, where few bakes are left for error.

    Parameters
    ----------
    terms : tuple of Term
        All terms that were asked for, those included that the bakes can not part.
    table : DataFrame
        term, level, reference, estimate, sd, low, high (the middle 95 % of what the bakes leave
        possible), chance (that the term is active at all) and verdict.
    draws : ndarray, shape (columns, draws)
        Joint draws of the coefficients of `terms`, the intercept first.
    explanations : tuple of str
        Which explanations fit about as well, in words.
    df : float
        Degrees of freedom of the error, what was known beforehand included.
    """

    terms: tuple[Term, ...]
    table: pd.DataFrame = field(repr=False)
    draws: np.ndarray = field(repr=False)
    explanations: tuple[str, ...]
    df: float = float("nan")


@dataclass(frozen=True, eq=False)
class Findings:
    """What was learned about one response.

    Parameters
    ----------
    response : str
        The column that was explained.
    factors : tuple of Factor
    terms : tuple of Term
        The model, each term once.
    effects, tests, variance, ranking, residuals : DataFrame
        See the attributes of the same names in the design: estimates between real settings in
        response units, F tests, spreads by source, factors by importance, and what is left over.
    engine : Estimator
        Coefficients with their covariance.
    margin : float or None
        The smallest difference worth noticing.
    spread : dict
        Random source -> variance, for the interval of a new bake.
    to_settle : DataFrame
        For each effect not settled, the chance that one more such round settles it.
    failed : DataFrame
        Failed and unserved bakes with their reasons.
    sentences : tuple of str
        The findings in a baker's words, the most important first.
    notes : tuple of str
        What was assumed, left out or not measured.
    method : str
        How it was fitted, for the methods section.
    averaged : Averaged or None
        What the models that respect heredity say together: choices and the chance of being the
        largest go by it. None for a blend, a single factor, a model that was named while bakes
        are left to judge it by, and where bakes are so many that it could change nothing.
    told : Averaged or None
        The same where so few bakes are left for error that sentences and pictures go by it too.
    spoken : DataFrame
        What sentences and pictures speak of, with the columns of `effects`: averaged over simpler
        models where few bakes are left for error, and judged by the measured error together with
        the usual one of a kitchen where that is known (:mod:`trials.analysis.kitchen_error`).
    level_df : ndarray
        Degrees of freedom of the error that each coefficient is judged against.
    evidence : Evidence or None
        What it rests on; None where a question was put without any.
    bakes : DataFrame
        bake, settings, mean, low, high (what a repeat is expected to score), scores (what it did
        score), status, reason: the best to repeat first, those that gave no score last.
    judge : Estimator or None
        The same coefficients with the error that what is spoken rests on; None where nothing is
        known of the error beforehand.
    again : (float, float) or None
        The variance of what one bake made again scores, and its degrees of freedom.
    asked : mapping
        The model, groups and method that `fit` was asked with, to ask the same of fewer bakes.

    References
    ----------
    ISO 3534-3, "effect", "interaction"; verdicts by the position of an interval against the
    smallest effect of interest, as in equivalence testing (Schuirmann 1987).
    """

    response: str
    factors: tuple[Factor, ...]
    terms: tuple[Term, ...]
    effects: pd.DataFrame = field(repr=False)
    tests: pd.DataFrame = field(repr=False)
    variance: pd.DataFrame = field(repr=False)
    ranking: pd.DataFrame = field(repr=False)
    residuals: pd.DataFrame = field(repr=False)
    engine: Estimator = field(repr=False)
    margin: float | None = None
    measure: Measure | None = None
    spread: Mapping[str, float] = field(default_factory=dict)
    to_settle: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    failed: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    sentences: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    method: str = ""
    averaged: Averaged | None = None
    told: Averaged | None = None
    spoken: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    level_df: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    evidence: Evidence | None = field(default=None, repr=False)
    bakes: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    judge: Estimator | None = field(default=None, repr=False)
    again: tuple[float, float] | None = field(default=None, repr=False)
    asked: Mapping[str, Any] = field(default_factory=dict, repr=False)

    def summary(self) -> tuple[str, ...]:
        """Return the findings as sentences, the most important first, then what was assumed."""
        return self.sentences + self.notes

    def means(self, by: str | Sequence[str]) -> pd.DataFrame:
        """Return the mean response at real settings of one or more factors.

        The other numbers are held at the middle of their range, the other kinds are averaged. A
        setting that exists only for some kinds is shown at those.

        Parameters
        ----------
        by : str or sequence of str
            Factor names.

        Returns
        -------
        DataFrame
            The settings, then mean, se, df, low, high in response units.

        Raises
        ------
        FitError
            When a name is not one of the factors, or no bake could have a setting of all.

        References
        ----------
        Searle, Speed & Milliken 1980, Am. Stat. 34:216 (marginal means).
        """
        names = [by] if isinstance(by, str) else list(by)
        names = list(dict.fromkeys([*host_names(self._factor(name) for name in names), *names]))
        chosen = [self._factor(name) for name in names]
        grid = pd.MultiIndex.from_product([shown_settings(one) for one in chosen], names=names)
        settings = only_existing(grid.to_frame(index=False), chosen)
        if settings.empty:
            raise FitError(
                f"{in_words(names)} never have a setting in the same bake; ask for each."
            )
        weights = averaged_rows(self.terms, self.factors, settings)
        return settings.assign(**self._estimates(weights, "mean"))

    def predict(self, settings: Any) -> pd.DataFrame:
        """Return what to expect at given settings.

        By the fit itself where it measured an error. Where so few bakes are left that it could
        measure none (`by_draws`), by the averaged models, as sentences, pictures and choices do:
        their mean, the middle 95 % of their draws, no degrees of freedom. `means` and `expected`
        stay the fit's own. Days (or other blocks) that are fixed count alike: what is expected is
        at the mean of the blocks, not in the first of them.

        Parameters
        ----------
        settings : dict, list of dict or DataFrame
            A setting for every factor.

        Returns
        -------
        DataFrame
            The settings, then estimate, se, df, low, high for the mean over many bakes,
            new_low, new_high for one new bake, its own bake-to-bake spread included, and
            outside_tried: what of the row was never tried, in words; empty where the bakes reach
            it. There the model is guessing, and its interval does not say by how much.

        Raises
        ------
        FitError, FactorError
            When a factor has no setting, or one that is not its own.
        """
        table = settings_table(settings, self.factors)
        if self.by_draws:
            return self._drawn(table).assign(outside_tried=outside_words(self, table))
        weights = self._rows(table)
        answer = table.assign(**self._estimates(weights, "estimate"))
        reach = self._reach_of_new(weights, answer)
        return answer.assign(
            new_low=answer["estimate"] - reach,
            new_high=answer["estimate"] + reach,
            outside_tried=outside_words(self, table),
        )

    def _reach_of_new(self, weights: np.ndarray, answer: pd.DataFrame) -> np.ndarray:
        """Return half the width of the interval of one new bake at each row of the model."""
        own = [source for source in self.spread if not is_of_tasting(source)]
        if isinstance(self.engine, SmallSample) and own:
            # What is left over goes by its kitchen name in the table
            known = {term.name for term in self.engine.fit.terms}
            sources = [source if source in known else "residual" for source in own]
            rows = self._padded(weights)
            return reach_of_new(self.engine.fit, self.engine, rows, sources, CONFIDENCE)
        se = np.sqrt(answer["se"] ** 2 + sum(self.spread[source] for source in own))
        se = se.where(se > 0)
        return np.asarray(stats.t.ppf((1 + CONFIDENCE) / 2, answer["df"]) * se)

    def to_statsmodels(self) -> Any:
        """Return the fit as statsmodels has it, for whoever wants to go on there.

        Generalised least squares on the mean score of each bake, corrected for who tasted it, with
        the covariance that days, loads and bakes were found to have, taken as known. In balanced
        rounds its estimates are those of `effects` (which tell a number from its low setting to its
        high one: twice the coefficient); its degrees of freedom are not Kenward-Roger's.

        Returns
        -------
        statsmodels results
            Of a GLS model with named columns: "Intercept", the terms, then "block [1]" and so on
            for days, rounds and reference bakes.

        Raises
        ------
        FitError
            When no error was measured, or settings differ within a bake.

        References
        ----------
        Aitken 1935, Proc. R. Soc. Edinb. 55:42 (generalised least squares).
        """
        if not isinstance(self.engine, SmallSample):
            raise FitError(
                "no error between bakes was measured here, so there is no covariance to hand on; "
                "repeat some of the settings."
            )
        # Loaded only here: it takes longer than a whole fit
        from statsmodels.regression.linear_model import GLS

        fit = self.engine.fit
        codes = {term.name: term.codes for term in fit.terms}
        bakes = codes.get("bake", np.arange(len(fit.y)))
        crossed = [codes["taster"]] if "bake" in codes and "taster" in codes else []
        y, first = unit_means(fit.y, bakes, crossed)
        if np.abs(fit.X - fit.X[first][bakes]).max(initial=0) > 1e-9:
            raise FitError("settings differ within a bake, so there is no one row for each bake.")
        V = np.diag(fit.variances[-1] / np.bincount(bakes).astype(float))
        for term, variance in zip(fit.terms, np.nan_to_num(fit.variances[:-1]), strict=True):
            if not is_of_tasting(term.name):
                V = V + variance * np.equal.outer(term.codes[first], term.codes[first])
            elif term.name != "taster":
                views = pd.Series(term.codes).groupby(bakes).nunique().to_numpy()
                V = V + np.diag(variance / views)
        names = self._column_names(fit.X.shape[1])
        X = pd.DataFrame(fit.X[first], columns=names)
        return GLS(pd.Series(y, name=self.response), X, sigma=V).fit(cov_type="fixed scale")

    def _column_names(self, count: int) -> list[str]:
        """Return a name for every column of the fit, those of blocks numbered."""
        own = list(self._matrix(self.bakes_scored().iloc[:1]).columns)
        names = [name or "Intercept" for name in own]
        return [*names, *(f"block [{n}]" for n in range(1, count - len(names) + 1))]

    @property
    def by_draws(self) -> bool:
        """Whether only the averaged models know an error, so that predictions go by them."""
        # Only fits with an intercept are averaged; it comes first and is in every prediction
        measured = np.isfinite(self.engine.cov[0, 0]) and self.engine.cov[0, 0] > 0
        return self.told is not None and not measured

    def _drawn(self, table: pd.DataFrame) -> pd.DataFrame:
        assert self.told is not None
        terms, draws = self.told.terms, self.told.draws
        expected = model_matrix(terms, self.factors, table).X @ draws
        own = measured_spread(self.spread, self.level_df)
        if own is None:
            baked = self.bakes_scored()
            fitted = model_matrix(terms, self.factors, baked).X @ draws
            own = spread_left(baked["observed"].to_numpy(), fitted)
        errors = {"se": expected.std(axis=1), "df": np.nan}
        found = table.assign(estimate=expected.mean(axis=1), **errors)
        return found.join(drawn_intervals(expected, own))

    def bakes_scored(self) -> pd.DataFrame:
        """Return the rows that were fitted, those of reference bakes left out."""
        rows = self.residuals
        kept = rows[rows["role"] != Role.REFERENCE] if "role" in rows else rows
        return kept.reset_index(drop=True)

    def expected(self, table: pd.DataFrame) -> np.ndarray:
        """Return the expected response at each row of settings, without errors; fast."""
        weights = self._rows(table)
        return weights @ self.engine.beta[: weights.shape[1]]

    def rows(self, table: pd.DataFrame) -> np.ndarray:
        """Return the model's rows for settings, for sums of coefficients of your own."""
        return self._rows(table)

    def _rows(self, table: pd.DataFrame) -> np.ndarray:
        return self._matrix(table).X

    def _matrix(self, table: pd.DataFrame) -> ModelMatrix:
        return model_matrix(self.terms, self.factors, table)

    def _estimates(self, weights: np.ndarray, name: str) -> dict[str, np.ndarray]:
        engine = self.engine
        if self.judge is not None and not engine.cov.any():
            engine = self.judge  # the scores follow the model exactly: no error was measured
        rows = self._padded(weights)
        if isinstance(engine, SmallSample) and len(rows):
            estimate, se, df = engine.estimates(rows)
        else:
            found = np.array([engine.estimate(row) for row in rows])
            estimate, se, df = found.reshape(-1, 3).T
        # An interval of no width would say that nothing can be otherwise
        reach = stats.t.ppf((1 + CONFIDENCE) / 2, df) * np.where(se > 0, se, np.nan)
        return {
            name: estimate,
            "se": se,
            "df": df,
            "low": estimate - reach,
            "high": estimate + reach,
        }

    def _padded(self, rows: np.ndarray) -> np.ndarray:
        """Return rows of the model with nothing in the columns of blocks and reference bakes."""
        whole = np.zeros((len(rows), len(self.engine.beta)))
        whole[:, : rows.shape[1]] = rows
        return whole

    def _factor(self, name: str) -> Factor:
        for factor in self.factors:
            if factor.name == name:
                return factor
        known = in_words((factor.name for factor in self.factors), "or")
        raise FitError(f'there is no factor "{name}"; expected {known}.')

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        return answer(self.sentences, [kitchen_effects(self)], self.notes)


def kitchen_effects(findings: Findings) -> pd.DataFrame:
    """Return the table of effects as a baker reads it: rounded, in words, without p values.

    Each row says at which settings of the other factors it holds, where that is not all the same.
    """
    shown = findings.spoken
    digits = decimals(shown["se"])
    terms = findings.told.terms if findings.told else findings.terms
    rows = zip(shown["term"], shown["level"], shown["reference"], strict=True)
    words = [effect_words(*row, terms, findings.factors) for row in rows]
    return pd.DataFrame(
        {
            "what changed": [what for what, _, _ in words],
            "from": [start for _, start, _ in words],
            "to": [end for _, _, end in words],
            "difference": [signed(value, digits) for value in shown["estimate"]],
            "likely between": [
                f"{signed(low, digits)} and {signed(high, digits)}"
                if np.isfinite(low)
                else "unknown"
                for low, high in zip(shown["low"], shown["high"], strict=True)
            ],
            "verdict": shown["verdict"],
        }
    )
