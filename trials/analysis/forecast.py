"""What a fit expects at any settings, quick enough to be asked a hundred thousand times."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from trials.analysis.draws import DRAWS, coefficient_draws, one_more, usable
from trials.analysis.results import (
    Findings,
    bakes_drawn,
    drawn_intervals,
    measured_spread,
    spread_left,
)
from trials.base.errors import FitError
from trials.base.words import in_words
from trials.core.factors import Factor, Numeric
from trials.core.measures import Measure, measure_named
from trials.core.terms import Basis, Term, basis, coded_settings

# -- Model rows of a fit from arrays of settings, quick enough for a search.


def fast_basis(terms: Sequence[Term], factors: Sequence[Factor]) -> Basis:
    """Return the columns of a fit for arrays of settings: kinds sum to zero, as the fits do."""
    made = basis(terms, factors)
    coded = tuple(
        np.vstack([np.eye(one.shape[1]), -np.ones(one.shape[1])])
        if isinstance(one, np.ndarray)
        else one
        for one in made.contrasts
    )
    return replace(made, contrasts=coded)


# -- What a fit expects at any settings, quick enough to be asked a hundred thousand times.


@dataclass(frozen=True, eq=False)
class Forecast:
    """One measure's expectation over the settings of all factors.

    Parameters
    ----------
    measure : Measure
    findings : Findings
    places : ndarray of int
        Which of all factors the fit holds.
    basis : Basis
        Of the fit's own factors.
    mean : ndarray, shape (columns,)
    draws : ndarray, shape (columns, draws)
        Joint draws of the coefficients, those of different measures in an order of their own.
    own : float
        The variance of one new bake around what is expected.
    own_df : float
        How well that variance is known; infinite when it is taken as it is.
    errors_known : bool
        Whether the fit measured any error at all.
    told : tuple of str
        Factors whose best amount lies inside by the cook's word alone, as no bake tried it.
    leaning : tuple of str
        Those of which bakes inside leave it open, so that the word still counts beside them.
    held, refuted : tuple of str
        Factors that the cook knows to raise or lower the measure: those whose direction the bakes
        leave open, so that the word counts, and those that the bakes are against.
    """

    measure: Measure
    findings: Findings
    places: np.ndarray
    basis: Basis = field(repr=False)
    mean: np.ndarray = field(repr=False)
    draws: np.ndarray = field(repr=False)
    own: float
    own_df: float
    errors_known: bool
    told: tuple[str, ...] = ()
    leaning: tuple[str, ...] = ()
    held: tuple[str, ...] = ()
    refuted: tuple[str, ...] = ()

    def expect(self, X: np.ndarray) -> np.ndarray:
        """Return the expected response at an array of settings (..., factors)."""
        return self.basis.rows(X[..., self.places]) @ self.mean

    def drawn(self, X: np.ndarray, most: int = DRAWS) -> np.ndarray:
        """Return draws of the expected response, shape (settings, draws)."""
        return self.basis.rows(X[:, self.places]) @ self.draws[:, :most]

    def new_bakes(self, X: np.ndarray, seed: int) -> np.ndarray:
        """Return draws of one new bake at each setting, its own spread included."""
        return bakes_drawn(self.drawn(X), self.of_a_bake, seed)

    @property
    def moved(self) -> bool:
        """Whether what a cook said moved what is expected from what the bakes say by themselves."""
        return bool(self.told or self.leaning or self.held)

    @property
    def of_a_bake(self) -> tuple[float, float]:
        """The variance of one bake's score and its degrees of freedom, as bakes are told with."""
        found = self.findings
        if found.judge is not None and found.again is not None:
            return found.again
        return self.own, self.own_df

    def intervals(self, X: np.ndarray, table: pd.DataFrame, seed: int) -> dict[str, float]:
        """Return estimate, low, high, new_low, new_high at one setting.

        As the bakes are told where the error of the kitchen is known; else by the fit's own
        degrees of freedom; where explanations are averaged, the middle 95 % of the draws; missing
        where no error was measured.
        """
        estimate = float(self.expect(X)[0])
        if self.moved:
            found = drawn_intervals(self.drawn(X), self.of_a_bake, seed).iloc[0]
        elif self.findings.judge is not None:
            found = one_more(self.findings, table).iloc[0]
        elif self.findings.averaged is None or self.findings.by_draws:
            found = self.findings.predict(table).iloc[0]
        else:
            found = drawn_intervals(self.drawn(X), (self.own, self.own_df), seed).iloc[0]
        names = ("low", "high", "new_low", "new_high")
        return {"estimate": estimate} | {name: float(found[name]) for name in names}


def forecasts(
    findings: Findings | Mapping[str, Findings],
    measures: Measure | str | Sequence[Measure | str] | Mapping[str, Measure],
) -> tuple[Forecast, ...]:
    """Return a forecast for every measure that has a goal."""
    if not isinstance(findings, Findings | Mapping):
        raise FitError(
            f"a setting is chosen by averages, and {type(findings).__name__} holds none. Give what "
            "trials.fit says of a liking, a line or a number, or several of them by name."
        )
    fits = {findings.response: findings} if isinstance(findings, Findings) else dict(findings)
    wanted = _with_goal(_listed(measures, fits))
    for measure in wanted:
        if measure.name not in fits:
            raise FitError(
                f'there are no findings for "{measure.name}"; there are for '
                f"{in_words(fits) or 'nothing'}. Fit it first, or leave it out of the measures."
            )
    factors = all_factors([fits[measure.name] for measure in wanted])
    found = [
        _one_way(_forecast(fits[measure.name], measure, factors, place))
        for place, measure in enumerate(wanted)
    ]
    # A cook speaks of the best amount of what is wanted first
    return (_with_peaks(found[0]), *found[1:])


def forecast_of(findings: Findings) -> Forecast:
    """Return the forecast of one fit by itself, with or without a goal."""
    measure = findings.measure or Measure(findings.response, "number")
    return _forecast(findings, measure, findings.factors, 0)


def _listed(measures: Any, fits: Mapping[str, Findings]) -> list[Measure]:
    """Return the measures as a list; a name stands for the measure that its fit was of."""
    if isinstance(measures, Measure | str):
        measures = [measures]
    given = list(measures.values()) if isinstance(measures, Mapping) else list(measures)
    own = {name: one.measure for name, one in fits.items()}
    found = [own.get(one) or measure_named(one) if isinstance(one, str) else one for one in given]
    for one in found:
        if not isinstance(one, Measure):
            raise FitError(f"measures holds {one!r}; expected trials.Measure(name, scale, goal=).")
    names = [one.name for one in found]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise FitError(f'the measure "{twice[0]}" is given twice.')
    return found


def _with_goal(measures: Sequence[Measure]) -> list[Measure]:
    with_goal = [measure for measure in measures if measure.goal is not None]
    wanted = [measure for measure in with_goal if measure.averaged]
    if with_goal and not wanted:
        raise FitError(counted_goals(with_goal))
    if not wanted:
        names = in_words(f'"{one.name}"' for one in measures) or "the measures"
        raise FitError(
            f"{names}: no goal was set, so no setting is better than another. Give the measure "
            'goal="higher", "lower", ("target", x, tolerance) or ("between", a, b).'
        )
    return wanted


def counted_goals(measures: Sequence[Measure]) -> str:
    """Return why no setting can be chosen by measures that are counted.

    Examples
    --------
    >>> counted_goals([Measure("torn", "passed", goal="lower")])
    '"torn" is counted, not averaged: look at its shares, and give a goal to a measure of liking, a
    line or a number to choose a setting by.'
    """
    names = in_words(f'"{one.name}"' for one in measures)
    are = "is" if len(measures) == 1 else "are"
    return (
        f"{names} {are} counted, not averaged: look at {'its' if are == 'is' else 'their'} shares, "
        "and give a goal to a measure of liking, a line or a number to choose a setting by."
    )


def all_factors(fits: Sequence[Findings]) -> tuple[Factor, ...]:
    """Return the factors of several fits, each once.

    Examples
    --------
    >>> all_factors([])
    ()
    """
    known: dict[str, Factor] = {}
    for found in fits:
        for factor in found.factors:
            other = known.setdefault(factor.name, factor)
            if other.levels != factor.levels:
                raise FitError(
                    f'"{factor.name}" runs over {in_words(map(other.show, other.levels))} in one '
                    f"fit and over {in_words(map(factor.show, factor.levels))} in another; fit "
                    "both with the same factors."
                )
    return tuple(known.values())


def _forecast(
    found: Findings, measure: Measure, factors: tuple[Factor, ...], place: int
) -> Forecast:
    names = [factor.name for factor in factors]
    averaged = found.averaged
    wide = fast_basis(averaged.terms if averaged else found.terms, found.factors)
    known = averaged is not None or bool(np.isfinite(found.engine.cov[: wide.size]).all())
    if averaged is not None:
        draws, mean = averaged.draws, averaged.draws.mean(axis=1)
    else:
        mean = found.engine.beta[: wide.size]
        draws = np.repeat(mean[:, None], DRAWS, axis=1)
        if usable(found.engine, wide.size):
            cov = found.engine.cov[: wide.size, : wide.size]
            draws = coefficient_draws(mean, cov, found.level_df)
    # All fits draw from one seed; shuffled, two measures are not alike by accident
    order = np.random.default_rng(place).permutation(draws.shape[1])
    own, own_df = _own_spread(found, wide, draws)
    return Forecast(
        measure=measure,
        findings=found,
        places=np.array([names.index(factor.name) for factor in found.factors]),
        basis=wide,
        mean=mean,
        draws=draws[:, order],
        own=own,
        own_df=own_df,
        errors_known=known,
    )


# How far a middle beats the mean of the ends, about, in what is worth noticing: as far as a change
# worth noticing lifts one end above that mean. Sized larger, choices end too far inside
PEAK_SIZE = 0.5
_PEAK_SEED = 1669


def _with_peaks(one: Forecast) -> Forecast:
    """Return a forecast with the peaks that the cook told of and no bake has tried.

    In every draw the bend of such a factor is as if drawn from a half normal distribution half as
    wide as what is worth noticing, given that the peak which it makes with the slope of that draw
    lies inside. What the ends were is left as the bakes said.

    References
    ----------
    Our own; a stated prior that is shown wherever it decides (O'Hagan et al. 2006, Uncertain
    Judgements, on what experts know of a curve).
    """
    goal, terms = one.measure.goal, one.findings.terms
    if one.findings.averaged is not None:
        terms = one.findings.averaged.terms
    held = {term.name for term in terms}
    one = _given_inside(one, terms)
    told = [
        factor.name
        for factor in one.findings.factors
        if isinstance(factor, Numeric) and factor.peak and f"{factor.name}^2" not in held
    ]
    if not told or goal not in ("higher", "lower") or one.basis.owner[0] >= 0:
        return one
    margin = one.measure.margin or one.findings.margin
    width = PEAK_SIZE * (margin or float(one.findings.residuals["observed"].std()))
    rng = np.random.default_rng(_PEAK_SEED)
    places = {term.name: place for place, term in enumerate(terms)}
    owned = [np.flatnonzero(one.basis.owner == places.get(name, len(terms))) for name in told]
    one = _doing_something(one, [int(columns[0]) for columns in owned if len(columns)])
    bends = []
    for columns in owned:
        slope = one.draws[columns[0]] if len(columns) else np.zeros(one.draws.shape[1])
        # The peak of b x - c x^2 lies inside where c is above half of |b|
        least = np.minimum(np.abs(slope) / 2 / width, 6.0)
        beyond = special.ndtr(-least) * rng.random(len(slope))
        bends.append(-np.maximum(-special.ndtri(beyond), least) * width)
    bent = np.array(bends) * (1.0 if goal == "higher" else -1.0)
    draws = np.vstack([one.draws, bent])
    # At both ends a square is one: their level is what the bakes said it is
    draws[0] = draws[0] - bent.sum(axis=0)
    mean = np.concatenate([one.mean, bent.mean(axis=1)])
    mean[0] -= bent.mean(axis=1).sum()
    added = tuple(Term(((name, 2),)) for name in told)
    return replace(
        one,
        basis=fast_basis((*terms, *added), one.findings.factors),
        mean=mean,
        draws=draws,
        told=tuple(told),
    )


def _doing_something(one: Forecast, rows: Sequence[int]) -> Forecast:
    """Return a forecast without the draws in which such a factor is idle, where others are left.

    What has a best amount inside is at work, and that it lies just half-way would be an accident.
    """
    kept = (one.draws[list(rows)] != 0).all(axis=0)
    if kept.all() or kept.mean() < AGAINST:
        return one
    return _keeping(one, kept)


def _keeping(one: Forecast, kept: np.ndarray, **told: Any) -> Forecast:
    """Return a forecast that rests on some of its draws, repeated to as many as there were."""
    draws = one.draws[:, np.resize(np.flatnonzero(kept), len(kept))]
    return replace(one, draws=draws, mean=draws.mean(axis=1), **told)


# Where the draws agree with the cook's word more often than this it changes nothing; where less
# often than that, the bakes are against it and it is set aside (limits of ours)
AGREED, AGAINST = 0.95, 0.02


def _one_way(one: Forecast) -> Forecast:
    """Return a forecast whose draws keep to the directions that the cook knows of the measure.

    References
    ----------
    Gelfand, Smith & Lee 1992, J. Am. Stat. Assoc. 87:523-532 (draws that break an order are left
    out). When the word counts and when it is set aside is ours, as for a peak.
    """
    found = one.findings
    terms = found.averaged.terms if found.averaged is not None else found.terms
    places = {term.name: place for place, term in enumerate(terms)}
    kept = np.ones(one.draws.shape[1], dtype=bool)
    held, refuted = [], []
    for factor in found.factors:
        ways = (factor.raises, factor.lowers) if isinstance(factor, Numeric) else ((), ())
        known = [
            sign for sign, names in zip((1, -1), ways, strict=True) if one.measure.name in names
        ]
        if not known or factor.name not in places:
            continue
        slope = one.draws[np.flatnonzero(one.basis.owner == places[factor.name])[0]]
        along = known[0] * slope >= 0
        agreed = (along & kept).sum() / kept.sum()
        if agreed < AGAINST:
            refuted.append(factor.name)
        elif agreed < AGREED:
            kept &= along
            held.append(factor.name)
    if not held:
        return replace(one, refuted=tuple(refuted))
    return _keeping(one, kept, held=tuple(held), refuted=tuple(refuted))


def _given_inside(one: Forecast, terms: Sequence[Term]) -> Forecast:
    """Return a forecast whose draws keep to the cook's word where bakes inside leave it open."""
    if one.measure.goal not in ("higher", "lower") or one.findings.averaged is None:
        return one
    sign = 1.0 if one.measure.goal == "higher" else -1.0
    places = {term.name: place for place, term in enumerate(terms)}
    kept = np.ones(one.draws.shape[1], dtype=bool)
    leaning = []
    for factor in one.findings.factors:
        both = [places.get(name) for name in (factor.name, f"{factor.name}^2")]
        if not (isinstance(factor, Numeric) and factor.peak) or None in both:
            continue
        slope, bend = (one.draws[np.flatnonzero(one.basis.owner == at)[0]] for at in both)
        inside = (sign * bend < 0) & (np.abs(slope) < 2 * np.abs(bend))
        if AGAINST < (inside & kept).mean() / kept.mean() < AGREED:
            kept &= inside
            leaning.append(factor.name)
    if not leaning:
        return one
    return _keeping(one, kept, leaning=tuple(leaning))


def _own_spread(found: Findings, wide: Basis, draws: np.ndarray) -> tuple[float, float]:
    """Return the variance of one new bake, and how many degrees of freedom it rests on."""
    known = measured_spread(found.spread, found.level_df)
    if known is not None:
        return known
    if found.averaged is None:
        return 0.0, float("inf")
    baked = found.bakes_scored()
    names = [factor.name for factor in found.factors]
    fitted = wide.rows(coded_settings(found.factors, baked[names])) @ draws
    return spread_left(baked["observed"].to_numpy(), fitted)
