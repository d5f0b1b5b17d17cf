"""Everything a choice rests on: what is expected, what is allowed, what is wanted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from numbers import Real

import numpy as np

from trials.analysis.chance_of_failure import Failure, recorded_failures
from trials.analysis.desirability import Goal, goal_for, overall, score
from trials.analysis.forecast import Forecast, all_factors, forecasts
from trials.analysis.region import Region, coded, region
from trials.analysis.results import Findings
from trials.design.exclusion import Exclude
from trials.design.plan import reference_setting
from trials.errors import FitError
from trials.factors import Categorical, Component, Factor
from trials.measures import Measure
from trials.tables import in_words, percent

FewFindings = Findings | Mapping[str, Findings]
Measures = Measure | Sequence[Measure] | Mapping[str, Measure]


_NEAR_THE_LEAST = 0.25


@dataclass(frozen=True, eq=False)
class Choice:
    """Everything a choice rests on.

    Parameters
    ----------
    forecasts : tuple of Forecast
        One per measure with a goal.
    region : Region
    candidates : ndarray, shape (settings, factors)
        Allowed settings all over the region.
    goals : tuple of Goal
    notes : tuple of str
        What had to be given up.
    """

    forecasts: tuple[Forecast, ...]
    region: Region
    candidates: np.ndarray
    goals: tuple[Goal, ...]
    notes: tuple[str, ...] = ()

    def means(self, X: np.ndarray) -> list[np.ndarray]:
        """Return what is expected of each measure."""
        return [one.expect(X) for one in self.forecasts]

    def score(self, X: np.ndarray) -> np.ndarray:
        """Return what the search makes as large as it can."""
        return score(self.goals, self.means(X))

    def losses(self, X: np.ndarray) -> np.ndarray:
        """Return how far each measure is from its best, shape (settings, measures)."""
        pairs = zip(self.goals, self.means(X), strict=True)
        return np.column_stack([goal.loss(own) for goal, own in pairs])

    def desirability(self, X: np.ndarray) -> np.ndarray:
        """Return the overall desirability of what is expected."""
        return overall(self.goals, self.means(X))


def choice(
    findings: FewFindings,
    measures: Measures,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
    enough: Mapping[str, float] | None = None,
    exact: bool = False,
) -> Choice:
    """Return everything a choice rests on; arguments as for `recommend`.

    Examples
    --------
    >>> choice.__name__
    'choice'
    """
    known = forecasts(findings, measures)
    names = [one.measure.name for one in known]
    for argument, given in (("weights", weights), ("limits", limits), ("enough", enough)):
        strange = [name for name in given or {} if name not in names]
        if strange:
            raise FitError(
                f'{argument} names "{strange[0]}", which is no measure with a goal; expected '
                f"{in_words(names, 'or')}."
            )
    factors = all_factors([one.findings for one in known])
    allowed, candidates, notes = _allowed(known, factors, exclude, failure, failure_limit, exact)
    middle = coded(factors, reference_setting(factors))
    goals = tuple(
        goal_for(
            one.measure,
            one.expect(candidates),
            float(one.expect(middle)[0]),
            limits=(limits or {}).get(one.measure.name),
            enough=(enough or {}).get(one.measure.name),
            weight=(weights or {}).get(one.measure.name, 1.0),
        )
        for one in known
    )
    return Choice(known, allowed, candidates, goals, notes)


def _allowed(
    known: Sequence[Forecast],
    factors: tuple[Factor, ...],
    exclude: Exclude,
    failure: Failure | bool,
    failure_limit: float,
    exact: bool,
) -> tuple[Region, np.ndarray, tuple[str, ...]]:
    """Return where to look; failures that the findings hold give way where they forbid all."""
    if isinstance(failure, bool):
        if failure:
            raise FitError("failure=True says nothing; leave it out, or give the chance itself.")
        made = region(factors, exclude, None, failure_limit, exact=exact)
        return made, made.candidates(), ()
    own = recorded_failures([one.findings for one in known], factors) if failure is None else None
    made = region(factors, exclude, failure or own, failure_limit, exact=exact)
    if own is None or made.chance_of_failure is None:
        return made, made.candidates(), ()
    free = replace(made, chance_of_failure=None).candidates()
    chances = made.chance_of_failure(free)
    bakes, lost = (int(own.counts[name].iloc[0]) for name in ("bakes", "failed"))
    judged = f"judged by {own.words} from {lost} failed bakes of {bakes}"
    if (chances < failure_limit).any():
        note = (
            f"Only settings where a bake fails with a chance below {percent(failure_limit)} were "
            f"looked at, {judged}; so few failures can not say more."
        )
        return made, made.candidates(), (note,)
    least = float(chances.min())
    note = (
        f"No setting keeps the chance that a bake fails below {percent(failure_limit)} ({judged}), "
        f"so only those near the least, {percent(least)}, were looked at."
    )
    made = replace(made, failure_limit=least * (1 + _NEAR_THE_LEAST))
    return made, made.candidates(), (note,)


def wobble_sd(allowed: Region, wobble: Mapping[str, float]) -> np.ndarray:
    """Return kitchen errors in the units of coded settings.

    Raises
    ------
    FitError
        When an error is named for no factor, for a kind, or is not above 0.

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> wobble_sd(region([Numeric("oil", 165, 180)]), {"oil": 3})
    array([0.4])
    """
    names = [factor.name for factor in allowed.factors]
    sd = np.zeros(len(names))
    for name, value in wobble.items():
        if name not in names:
            raise FitError(
                f'wobble names "{name}", which is no factor; expected {in_words(names)}.'
            )
        factor = allowed.factors[names.index(name)]
        if isinstance(factor, Categorical):
            raise FitError(f'wobble names "{name}", but it has kinds: it can not be a little off.')
        if isinstance(value, bool) or not isinstance(value, Real) or not 0 <= value < np.inf:
            raise FitError(f'wobble gives "{name}" {value!r}; a spread of 0 or more is expected.')
        span = 1.0 if isinstance(factor, Component) else (factor.high - factor.low) / 2
        sd[names.index(name)] = value / span
    return sd
