"""The usual error of a kitchen: what is known of a bake's error before it is measured.

One or two bakes left for error hardly measure it: by chance two bakes of one formula agree, and
every difference then seems sure. What is *spoken* therefore rests on the measured error together
with a weak prior, centred on what bakes and tastings usually differ by, for the scales of which
that is known (liking, intensity). It is worth a few bakes and fades as bakes are added. The table
of effects and the tests stay the fit's own.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import stats

from trials.analysis.explanations import ErrorPrior, Priors
from trials.analysis.no_error import KnownErrorFit
from trials.analysis.question import OWN_VIEW, Question
from trials.analysis.results import Estimator
from trials.analysis.small_sample import SmallSample
from trials.base.words import tidy_number
from trials.core.measures import Measure
from trials.core.scales import Line
from trials.core.verdicts import CONFIDENCE
from trials.design.power import SCORE_SD, TASTE_SD, USUAL, USUAL_DF

TASTER_SD = 0.8  # in level; differences between bakes do not hang on it where all taste all
LIKING_LENGTH = 8.0  # of the scale that the usual spreads are known for, 1 to 9
STEPS = (1.0, 0.5)  # whole and half points; finer than that, rounding is nothing
# What is at work is beforehand two to four times a bake's error. So wide, what the bakes show is
# hardly shrunk, and what they hardly show is taken for nothing (calibrated: see the benchmark)
SPOKEN_BELIEFS = Priors(sizes=(2.0, 3.0, 4.0))
SURE_AT_WORK = 0.9  # from this chance on an interval is that of an effect that is at work


@dataclass(frozen=True)
class KitchenError:
    """What bakes of a kitchen usually differ by, in units of the measure.

    Parameters
    ----------
    usual : mapping
        Source -> variance: bake, load, day, taster, taste (one taster's own view of one bake)
        and score (one score of one piece).
    tasters : float
        Scores per bake.
    least : float
        Variance of the rounding of one score.
    df : float
        How many degrees of freedom the knowledge is worth.
    """

    usual: Mapping[str, float]
    tasters: float
    least: float
    df: float = USUAL_DF

    @property
    def variance(self) -> float:
        """The usual variance of the mean score of one bake."""
        return self.usual["bake"] + (self.usual["taste"] + self.usual["score"]) / self.tasters

    def prior(self) -> ErrorPrior:
        """Return the same as averaging over explanations takes it."""
        return ErrorPrior(self.df, self.variance, self.least / self.tasters)

    def words(self) -> str:
        """Return the note that says what was taken for known."""
        scored = f"{tidy_number(self.tasters, 2)} score{'' if self.tasters == 1 else 's'} each"
        apart = tidy_number(float(np.sqrt(2 * self.variance)), 2)
        return (
            "How sure things are rests on how alike bakes were here, together with what is usual "
            f"in a kitchen: that two bakes of one formula, {scored}, differ by about {apart} "
            f"points by chance. That counts as {self.df:.0f} bakes left for error, so it fades as "
            "you bake more, and scores count as no more alike than their rounding lets them be. "
            "(Usual spreads: common practice, no source; the table of effects in the numbers is "
            "without them.)"
        )


def kitchen_error(asked: Question) -> KitchenError | None:
    """Return what is known beforehand of the error of the scores; None where nothing is.

    A number that was weighed, and scores that are means over nobody knows how many tasters, have
    no usual spread.
    """
    length = _length(asked.measure)
    if asked.measure is None or length is None:
        return None
    tasted = "taster" in asked.table and bool(asked.table["taster"].notna().any())
    step = next((s for s in STEPS if _on_steps(asked.y, s)), 0.0)
    if not tasted and asked.measure.per != "bake" and not step:
        return None
    scale = (length / LIKING_LENGTH) ** 2
    usual = {name: USUAL[name] ** 2 * scale for name in ("bake", "load", "day")}
    usual["taster"] = TASTER_SD**2 * scale
    usual["taste"], usual["score"] = TASTE_SD**2 * scale, SCORE_SD**2 * scale
    return KitchenError(usual, _tasters(asked), step**2 / 12)


def _tasters(asked: Question) -> float:
    """Return how many scores a bake has; a taster's hidden repeat is no further taster."""
    if "bake" not in asked.table:
        return 1.0
    named = "taster" in asked.table and bool(asked.table["taster"].notna().all())
    scores = asked.table.drop_duplicates(["bake", "taster"]) if named else asked.table
    return len(scores) / asked.table["bake"].nunique()


def _length(measure: Measure | None) -> float | None:
    """Return how long a scale is whose usual spread is known."""
    if measure is None or not (measure.liking or isinstance(measure.field, Line)):
        return None
    assert measure.low is not None
    assert measure.high is not None
    return measure.high - measure.low


def _on_steps(y: np.ndarray, step: float) -> bool:
    return bool(np.abs(y / step - np.round(y / step)).max() < 1e-9)


@dataclass(frozen=True, eq=False)
class CarefulFit:
    """A fit judged by its measured error and by what is usual, together.

    Parameters
    ----------
    fit : Estimator
    kitchen : KitchenError
    usual, least : ndarray, shape (p, p)
        The covariance of the coefficients were every spread as usual, and were rounding all.
    either : bool
        Whether the error of the fit was borrowed from its smaller effects: then the more careful
        of the two judges alone.

    References
    ----------
    Box & Tiao 1973, Bayesian Inference in Statistical Analysis, section 2.4 (Student's t on the
    degrees of freedom of prior and data together).
    """

    fit: Estimator
    kitchen: KitchenError
    usual: np.ndarray
    least: np.ndarray
    either: bool = False

    @property
    def beta(self) -> np.ndarray:
        """The coefficients of the fit."""
        return self.fit.beta

    @property
    def cov(self) -> np.ndarray:
        """Their covariance, measured and usual together."""
        known = np.isfinite(self.fit.cov).all() and bool(self.fit.cov.any())
        df = self._median_df() if known else 0.0
        if not df:
            return self.usual
        return np.asarray(
            (df * self.fit.cov + self.kitchen.df * self.usual) / (df + self.kitchen.df)
        )

    def _median_df(self) -> float:
        dfs = [self.fit.estimate(row)[2] for row in np.eye(len(self.beta))]
        return float(np.median([df for df in dfs if np.isfinite(df)] or [0.0]))

    def estimate(self, contrast: np.ndarray) -> tuple[float, float, float]:
        """Return the estimate, its standard error and its degrees of freedom."""
        value, se, df = self.fit.estimate(contrast)
        rows = np.asarray(contrast, dtype=float)
        # A contrast of nothing may come out a rounding below nothing
        usual = max(float(rows @ self.usual @ rows), 0.0)
        if not np.isfinite(usual):
            return value, se, df
        least = float(np.sqrt(max(rows @ self.least @ rows, 0.0)))
        if not np.isfinite(se) or not se or not np.isfinite(df) or df <= 0:
            return value, max(float(np.sqrt(usual)), least), self.kitchen.df
        if self.either:
            known = (se, df), (float(np.sqrt(usual)), self.kitchen.df)
            se, df = max(known, key=lambda one: one[0] * stats.t.ppf((1 + CONFIDENCE) / 2, one[1]))
            return value, max(se, least), df
        both = (df * se**2 + self.kitchen.df * usual) / (df + self.kitchen.df)
        return value, max(float(np.sqrt(both)), least), df + self.kitchen.df


def careful(
    asked: Question,
    engine: Estimator,
    kitchen: KitchenError,
    *,
    on_bakes: bool = False,
    either: bool = False,
) -> CarefulFit:
    """Return a fit with the usual error beside its own; `on_bakes`: it is one of bake means."""
    share = 1 / kitchen.tasters if on_bakes else 1.0
    by_source = _by_source(asked, engine)
    usual = sum(_usual(name, kitchen, asked, share) * part for name, part in by_source.items())
    least = kitchen.least * share * by_source["residual"]
    return CarefulFit(engine, kitchen, np.asarray(usual), np.asarray(least), either)


def _by_source(asked: Question, engine: Estimator) -> dict[str, np.ndarray]:
    """Return what a unit of variance of each source adds to the covariance of the coefficients."""
    if isinstance(engine, SmallSample):
        fit, to_beta = engine.fit, engine.fit.products.to_beta
        parts = engine.derivatives / engine.variance_unit[:, None, None]
        names = [*(term.name for term in fit.terms), "residual"]
        return {n: to_beta @ one @ to_beta.T for n, one in zip(names, parts, strict=True)}
    X = asked.X
    A = np.linalg.pinv(X)
    parts = {"residual": A @ A.T}
    for group in asked.groups:
        marks = np.eye(int(group.codes.max()) + 1)[group.codes]
        parts[group.name] = (A @ marks) @ (A @ marks).T
    # What the rows can not tell at all has no error either
    told = np.abs(np.eye(X.shape[1]) - A @ X).max(axis=1) < 1e-6
    unknown = np.where(np.outer(told, told), 0.0, np.nan)
    return {name: part + unknown for name, part in parts.items()}


def _usual(source: str, kitchen: KitchenError, asked: Question, share: float) -> float:
    """Return the usual variance of one source of a fit."""
    usual, names = kitchen.usual, [group.name for group in asked.groups]
    if source == "residual":
        own = 0.0 if OWN_VIEW in names else usual["taste"]
        return (usual["score"] + own) * share + (0.0 if _has_bakes(names) else usual["bake"])
    if source == OWN_VIEW:
        return usual["taste"]
    # Every group of bakes is taken to differ as loads do
    return usual.get(source.rsplit("/", 1)[-1], usual["load"])


def _has_bakes(names: list[str]) -> bool:
    return any(name.rsplit("/", 1)[-1] == "bake" and name != OWN_VIEW for name in names)


def without_width(engine: Estimator) -> bool:
    """Say whether a fit claims to have no error at all."""
    return isinstance(engine, KnownErrorFit) and not engine.cov.any()
