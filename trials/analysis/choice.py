"""The best setting for one or several goals.

What it rests on, the search, its words, what one goal costs another.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize

from trials.analysis.failing import Failure, recorded_failures
from trials.analysis.forecast import Forecast, all_factors, forecasts
from trials.analysis.goals import (
    SHARE_OF_RANGE,
    Goal,
    goal_for,
    in_notices,
    led,
    met_together,
    noticeable,
    overall,
    score,
)
from trials.analysis.question import is_of_tasting
from trials.analysis.reached import UNTRIED, beyond_tried, unbaked_pairs, untried
from trials.analysis.region import Region, coded, region, setting_words, summed
from trials.analysis.results import Findings
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import decimals, figure, in_words, percent, readable, rounded, tidy_number
from trials.core.exclusion import Exclude
from trials.core.factors import NO_SETTING, Categorical, Component, Factor
from trials.core.measures import Measure
from trials.core.plan import reference_setting
from trials.core.roles import Role
from trials.core.verdicts import CONFIDENCE

# -- Everything a choice rests on: what is expected, what is allowed, what is wanted.


FewFindings = Findings | Mapping[str, Findings]
Measures = Measure | str | Sequence[Measure | str] | Mapping[str, Measure]


_NEAR_THE_LEAST = 0.25
_TOLD = 0.1  # share of what is worth noticing from which a give and take is told


@dataclass(frozen=True)
class Reference:
    """What the reference bake is expected to score again.

    Parameters
    ----------
    settings : dict
        Factor name -> setting of every reference bake.
    mean, low, high : float
        Of one more, 95 %.
    """

    settings: Mapping[str, Any]
    mean: float
    low: float
    high: float


def reference_again(found: Findings) -> Reference | None:
    """Return what one more reference bake is expected to score; None without one setting."""
    rows, names = found.residuals, [factor.name for factor in found.factors]
    if "role" not in rows or "bake" not in rows:
        return None
    own = rows[rows["role"] == Role.REFERENCE]
    if own.empty or len(own[names].drop_duplicates()) != 1:
        return None
    again = found.bakes[found.bakes["bake"].isin(own["bake"])]
    if again.empty or not np.isfinite(again["mean"].iloc[0]):
        return None
    top = again.iloc[0]
    settings = own[names].iloc[0].to_dict()
    return Reference(settings, float(top["mean"]), float(top["low"]), float(top["high"]))


def made_again(found: Findings, settings: Mapping[str, Any]) -> dict[str, float]:
    """Return the range of a bake that was made at a setting, as bakes are told; {} where none."""
    rows = found.bakes_scored()
    if "bake" not in rows:
        return {}
    here = setting_words(found.factors, settings)
    for row in rows.drop_duplicates("bake").to_dict("records"):
        if setting_words(found.factors, row) == here:
            top = found.bakes[found.bakes["bake"] == row["bake"]]
            if len(top) and np.isfinite(top["low"].iloc[0]):
                low, high = top[["low", "high"]].iloc[0].astype(float)
                return {"new_low": low, "new_high": high}
    return {}


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
    together : bool
        Whether somebody weighed the goals against one another. If not, the first one leads.
    reference : Reference or None
        What the reference bake is expected to score again in the first measure.
    """

    forecasts: tuple[Forecast, ...]
    region: Region
    candidates: np.ndarray
    goals: tuple[Goal, ...]
    notes: tuple[str, ...] = ()
    together: bool = False
    reference: Reference | None = None

    @property
    def leads(self) -> bool:
        """Whether the first goal leads, and the others choose among what is as good in it."""
        return len(self.goals) > 1 and not self.together

    def worth(self, means: Sequence[np.ndarray]) -> np.ndarray:
        """Return how good expected responses are, one number each."""
        return led(self.goals, means) if self.leads else score(self.goals, means)

    def noticeable(self, here: Sequence[np.ndarray]) -> float:
        """Return how much that worth drops when all turn worse by what is worth noticing."""
        return noticeable(self.goals, here, led if self.leads else score)

    def means(self, X: np.ndarray) -> list[np.ndarray]:
        """Return what is expected of each measure."""
        return [one.expect(X) for one in self.forecasts]

    def score(self, X: np.ndarray) -> np.ndarray:
        """Return what the search makes as large as it can."""
        return self.worth(self.means(X))

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
    """Return everything a choice rests on; arguments as for `recommend`."""
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
    again = reference_again(known[0].findings)
    beside = reference_setting(factors)
    if again is not None and all(factor.name in again.settings for factor in factors):
        beside = dict(again.settings)
    reference = coded(factors, beside)
    goals = tuple(
        goal_for(
            one.measure,
            one.expect(candidates),
            float(one.expect(reference)[0]),
            limits=(limits or {}).get(one.measure.name),
            enough=(enough or {}).get(one.measure.name),
            weight=(weights or {}).get(one.measure.name, 1.0),
        )
        for one in known
    )
    return Choice(
        known,
        allowed,
        candidates,
        goals,
        notes,
        together=bool(weights or limits),
        reference=again,
    )


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

    Examples
    --------
    >>> from trials.core.factors import Numeric
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


# -- The best allowed setting: all kinds, a grid of numbers, refined, then set as a kitchen can.


Score = Callable[[np.ndarray], np.ndarray]

STARTS, REFINED = 6, 3
DIGITS = 10  # scores are compared after rounding, so that ties break alike on any machine
_STRIDES = (1, 2, 5, 12)
_SHARE_STRIDES = (1, 2, 5, 20)
_WORST = 1e300


def best_setting(region: Region, candidates: np.ndarray, score: Score) -> np.ndarray:
    """Return the allowed setting with the largest score.

    Every combination of kinds is among the candidates. The best few are refined between the
    settings tried (Nelder & Mead 1965, which needs no slopes and so stands the corners of a
    desirability), set to what a kitchen can make, and then moved setting by setting as long as
    that helps.

    References
    ----------
    Nelder & Mead 1965, Comput. J. 7:308-313.
    """
    scores = _rounded(score(candidates))
    found = []
    for place, start in enumerate(_starts(region, candidates, scores)):
        points = [start, _refined(region, start, score)] if place < REFINED else [start]
        for point in points:
            made = region.snapped(point[None])
            if region.allows(made)[0]:
                found.append(_climbed(region, made[0], score))
    values = _rounded(score(np.array(found)))
    return found[int(np.argmax(values))]


def _rounded(values: np.ndarray) -> np.ndarray:
    top = np.abs(values).max()
    digits = DIGITS - int(np.floor(np.log10(top))) if top > 0 else DIGITS
    return np.round(values, min(digits, 200))


def _starts(region: Region, candidates: np.ndarray, scores: np.ndarray) -> list[np.ndarray]:
    """Return the best candidates, at most two with the same kinds, lowest place first on ties."""
    kinds = [n for n, factor in enumerate(region.factors) if isinstance(factor, Categorical)]
    counts: dict[bytes, int] = {}
    chosen: list[np.ndarray] = []
    for place in np.argsort(-scores, kind="stable"):
        key = candidates[place, kinds].tobytes()
        near = any(_alike(candidates[place], other, kinds) for other in chosen)
        if (counts.get(key, 0) >= 2 and kinds) or near:
            continue
        counts[key] = counts.get(key, 0) + 1
        chosen.append(candidates[place])
        if len(chosen) == STARTS:
            break
    return chosen


def _alike(one: np.ndarray, other: np.ndarray, kinds: Sequence[int]) -> bool:
    same = bool((one[kinds] == other[kinds]).all())
    return same and float(np.abs(one - other).max()) < 0.3


def _refined(region: Region, start: np.ndarray, score: Score) -> np.ndarray:
    """Return a better point near a start, between the settings that a kitchen can make."""
    free = [n for n, f in enumerate(region.factors) if not isinstance(f, Categorical)]
    parts = region.parts
    if not free:
        return start
    low, high = region.low, region.high

    def placed(values: np.ndarray) -> np.ndarray:
        point = start.copy()
        point[free] = np.clip(values, low[free], high[free])
        if len(parts):
            point[parts] = summed(point[parts], low[parts], high[parts])
        return point

    def cost(values: np.ndarray) -> float:
        point = placed(values)[None]
        return -float(score(point)[0]) if region.allows(point)[0] else _WORST

    best = start[free]
    for width in (0.2, 0.02):
        span = width * (high - low)[free]
        inward = np.where(best > ((low + high) / 2)[free], -span, span)
        simplex = np.vstack([best, best + np.diag(inward)])
        options = {
            "initial_simplex": simplex,
            "maxfev": 120 * len(free),
            "xatol": 1e-7,
            "fatol": 1e-12,
        }
        best = optimize.minimize(cost, best, method="Nelder-Mead", options=options).x
    return placed(best)


def _climbed(region: Region, start: np.ndarray, score: Score) -> np.ndarray:
    """Return the setting reached by moves between kitchen settings, as long as they help."""
    here, value = start, float(_rounded(score(start[None]))[0])
    for _ in range(200):
        moves = _moves(region, here)
        moves = moves[region.allows(moves)] if len(moves) else moves
        if not len(moves):
            return here
        scores = _rounded(score(moves))
        place = int(np.argmax(scores))
        if scores[place] <= value:
            return here
        here, value = moves[place], float(scores[place])
    return here


def neighbours(region: Region, X: np.ndarray) -> np.ndarray:
    """Return the allowed settings one move away from any of some settings."""
    moved = np.vstack([_moves(region, row) for row in X])
    moved = region.snapped(moved)
    return moved[region.allows(moved)]


def _moves(region: Region, here: np.ndarray) -> np.ndarray:
    single = [
        (place, _steps(values, here[place]))
        for place, (values, factor) in enumerate(zip(region.values, region.factors, strict=True))
        if values is not None and not isinstance(factor, Component)
    ]
    moved = [_with(here, {place: value}) for place, values in single for value in values]
    numbers = [
        (place, values[:2])
        for place, values in single
        if not isinstance(region.factors[place], Categorical)
    ]
    for position, (one, ones) in enumerate(numbers):
        for two, twos in numbers[position + 1 :]:
            moved += [_with(here, {one: a, two: b}) for a in ones for b in twos]
    moved += _transfers(region, here)
    return np.array(moved).reshape(-1, len(here))


def _steps(values: np.ndarray, at: float) -> list[float]:
    """Return the settings one step up and down first, then farther ones; for a kind, all."""
    place = int(np.abs(values - at).argmin())
    wanted = [place + sign * stride for stride in _STRIDES for sign in (1, -1)]
    wanted += [0, len(values) - 1]
    kept = dict.fromkeys(n for n in wanted if 0 <= n < len(values) and n != place)
    return [float(values[n]) for n in kept]


def _with(here: np.ndarray, changes: dict[int, float]) -> np.ndarray:
    moved = here.copy()
    for place, value in changes.items():
        moved[place] = value
    return moved


def _transfers(region: Region, here: np.ndarray) -> list[np.ndarray]:
    """Return the blends that give one component what another loses."""
    parts = region.parts
    moved: list[np.ndarray] = []
    if not len(parts) or region.values[parts[0]] is None:
        return moved
    values = region.values[parts[0]]
    assert values is not None
    step = float(values[1] - values[0])
    for one in parts:
        for other in parts:
            room = min(region.high[one] - here[one], here[other] - region.low[other])
            for stride in _SHARE_STRIDES:
                if one != other and stride * step <= room + 1e-12:
                    change = {
                        int(one): round(float(here[one]) + stride * step, 12),
                        int(other): round(float(here[other]) - stride * step, 12),
                    }
                    moved.append(_with(here, change))
    return moved


def expected_under_wobble(score: Score, factors: Sequence[Factor], sd: np.ndarray) -> Score:
    """Return the mean of a score when every setting errs by its own spread.

    Two points per factor, at a distance of the spread times the root of the number of factors
    that err: exact for anything up to the third power, so for the squares and pairs of a fit; for
    a desirability, with its corners, a fair approximation.

    References
    ----------
    Stroud 1957, Math. Tables Aids Comput. 11:257-261 (a rule of degree three with 2 n points).

    Examples
    --------
    >>> from trials.core.factors import Numeric
    >>> bent = expected_under_wobble(lambda X: -X[:, 0] ** 2, [Numeric("a", 0, 1)], np.array([0.5]))
    >>> bent(np.array([[0.0]]))
    array([-0.25])
    """
    moved = np.flatnonzero(sd > 0)
    if not len(moved):
        return score
    shifts = np.zeros((2 * len(moved), len(sd)))
    for place, factor in enumerate(moved):
        shifts[2 * place : 2 * place + 2, factor] = (
            sd[factor] * np.sqrt(len(moved)) * np.array([1, -1])
        )
    parts = [n for n, factor in enumerate(factors) if isinstance(factor, Component)]

    def mean(X: np.ndarray) -> np.ndarray:
        spread = X[:, None, :] + shifts
        if parts:
            # What is weighed wrong changes the other shares in proportion; none is below nothing
            spread[..., parts] = np.maximum(spread[..., parts], 0)
            spread[..., parts] /= spread[..., parts].sum(axis=-1, keepdims=True)
        return score(spread.reshape(-1, X.shape[1])).reshape(len(X), -1).mean(axis=1)

    return mean


# -- A recommendation in a baker's words.


def sentences_on(
    asked: Choice,
    table: pd.DataFrame,
    expected: pd.DataFrame,
    chance: float,
    good: pd.DataFrame,
    ranges: pd.DataFrame,
    looked_at: int,
    filled: float,
    given_up: str = "",
) -> tuple[str, ...]:
    """Give a recommendation in sentences: the setting, what to expect, how clear the choice is."""
    said = [f"Setting to go for: {setting_words(asked.region.factors, table)}."]
    said += failed_there(asked, table)
    said += _by_your_word(asked, table)
    said += [words for one in asked.forecasts for words in _as_you_know(one)]
    for row, one, goal in zip(expected.itertuples(), asked.forecasts, asked.goals, strict=True):
        said.append(_expected_words(row, one, goal))
    if given_up:
        said.append(given_up)
    said.append(chance_words(chance, asked.goals))
    said.append(_how_many(good, ranges, looked_at, filled))
    return tuple(said)


def _by_your_word(asked: Choice, table: pd.DataFrame) -> list[str]:
    """Say where the setting lies inside only because the cook said that a best amount does."""
    known = {factor.name: factor for factor in asked.region.factors}
    one = asked.forecasts[0]
    inside = [
        known[name]
        for name in (*one.told, *one.leaning)
        if abs(float(known[name].code([table[name].iloc[0]])[0])) < 1 - 1e-9
    ]
    if not inside:
        return []
    names, held = in_words(one.name for one in inside), len(inside) == 1
    where = in_words(one.show(table[one.name].iloc[0]) for one in inside)
    tried = all(factor.name in one.leaning for factor in inside)
    why = (
        "the bakes inside leave it open. More bakes there would check it."
        if tried
        else "no bake has tried what lies between the ends. A bake there checks it."
    )
    return [
        f"You said that {names} {'has a best amount' if held else 'have best amounts'} inside the "
        f"limits: {where} {'is' if held else 'are'} chosen by that word, as {why}"
    ]


def _as_you_know(one: Forecast) -> list[str]:
    """Say where what is expected keeps to a direction that the cook knows, or could not."""
    known = {factor.name: factor for factor in one.findings.factors}
    said = []
    for name in (*one.held, *one.refuted):
        raises = one.measure.name in getattr(known[name], "raises", ())
        word = f"You said that more {name} {'raises' if raises else 'lowers'} {one.measure.name}"
        said.append(
            f"{word}: what is expected keeps to it, as the bakes leave it open."
            if name in one.held
            else f"{word}, but the bakes are against it, so it was set aside."
        )
    return said


def chance_words(chance: float, goals: Sequence[Goal]) -> str:
    """Return how likely one new bake of a setting is to be what was wished for, in a sentence."""
    met = "meet the goal" if len(goals) == 1 else "meet every goal"
    if not any(goal.named for goal in goals):
        alike = "" if len(goals) == 1 else ", by every goal,"
        met = (
            f"come out noticeably better{alike} than is expected at the reference setting, which "
            "every other is compared with,"
        )
    if np.isnan(chance):
        return f"How likely one new bake would {met} can not be said."
    return f"One new bake of it would {met} with a chance of {percent(chance)}."


def _expected_words(row: Any, one: Forecast, goal: Goal) -> str:
    unit = f" {one.measure.unit}" if one.measure.unit else ""
    if not np.isfinite(row.low):
        return (
            f"{row.measure}: {tidy_number(row.estimate, 3)}{unit} expected; no error was "
            "measured, so how sure that is can not be said."
        )
    digits = decimals(pd.Series([(row.high - row.low) / 4]))
    low, high, new_low, new_high = one.measure.on_scale(
        [row.low, row.high, row.new_low, row.new_high]
    )
    return (
        f"{row.measure}: {rounded(row.estimate, digits)}{unit} expected "
        f"(the mean of many bakes {rounded(low, digits)} to {rounded(high, digits)}); one new bake "
        f"{rounded(new_low, digits)} to {rounded(new_high, digits)} (goal: {goal_words(goal)})."
    )


def goal_words(goal: Goal) -> str:
    """Return a goal as it is told in a sentence.

    Examples
    --------
    >>> goal_words(Goal("fat", "lower", 0, 0, 2, 9, -np.inf, 5.61, 1.0, 0.1, "you"))
    'lower, counts as met up to 5.6'
    """
    met = "counts as met" if goal.named else "noticeably better than the reference setting"
    if goal.kind == "higher":
        return f"higher, {met} from {figure(goal.enough_from)} upward"
    if goal.kind == "lower":
        return f"lower, {met} up to {figure(goal.enough_to)}"
    return goal.words()


def out_of_reach(asked: Choice, chosen: np.ndarray) -> list[str]:
    """Return for each goal that no allowed setting is expected to meet how near any comes to it.

    Only where the goal was named from some value on: one nobody named can not be missed.
    """
    said = []
    settings = np.vstack([asked.candidates, chosen])
    for goal, own, one in zip(asked.goals, asked.means(settings), asked.forecasts, strict=True):
        if not goal.named or goal.met(own).any():
            continue
        ends = np.clip(own, goal.enough_from, goal.enough_to)
        nearest = float(own[np.argmin(np.abs(own - ends))])
        unit = f" {one.measure.unit}" if one.measure.unit else ""
        said.append(
            f"No setting is expected to bring {goal.name} to its goal ({goal_words(goal)}); the "
            f"nearest that any comes is {tidy_number(nearest, 3)}{unit}."
        )
    return said


def failed_there(asked: Choice, table: pd.DataFrame) -> tuple[str, ...]:
    """Return a warning where a bake of this very setting failed; nothing where none did."""
    factors = asked.region.factors
    failed = {
        str(row["bake"])
        for one in asked.forecasts
        for _, row in one.findings.failed.iterrows()
        if all(
            factor.name in row.index
            and _alike_words(factor, row[factor.name], table[factor.name].iloc[0])
            for factor in factors
        )
    }
    if not failed:
        return ()
    return (
        f"Bake it again before you trust it: {in_words(sorted(failed))} had this setting, or one "
        "next to it, and failed.",
    )


def _alike_words(factor: Factor, one: Any, other: Any) -> bool:
    """Say whether two settings are next to each other: within a tenth of the range."""
    if isinstance(factor, Categorical):
        return bool(one == other)
    return bool(abs(float(one) - float(other)) <= 0.1 * (factor.high - factor.low))


def _how_many(good: pd.DataFrame, ranges: pd.DataFrame, looked_at: int, filled: float) -> str:
    if len(good) < 2:
        return (
            f"Of {looked_at} settings looked at, no other is more likely than not as good: "
            "the choice is clear."
        )
    free = ranges[ranges["all_of_it"]]["factor"].tolist()
    bound = ranges[~ranges["all_of_it"]]
    kept = [f"{row.factor} {row.good}" for row in bound.itertuples()]
    where = f": {in_words(kept)}" if kept else ""
    any_ = f"{',' if kept else ':'} any {in_words(free)}" if free else ""
    not_all = (
        f" Not all combinations of these: {percent(filled)} of those looked at are as good, so "
        "take a setting as a whole and not each factor by itself."
    )
    return (
        f"Several equally good, no single best: {len(good)} of {looked_at} settings looked at are "
        f"more likely than not as good, within{where}{any_}.{not_all if filled < 1 else ''}"
    )


def notes_on(
    asked: Choice,
    chosen: np.ndarray,
    desirability: float,
    chance_of_failure: float | None,
    wobble: Mapping[str, float] | None,
) -> tuple[str, ...]:
    """Return what a recommendation took for granted, and what it could not know."""
    notes = list(asked.notes)
    notes += out_of_reach(asked, chosen)
    if desirability == 0:
        notes.append(_nothing_met(asked, chosen))
    notes += _whole_model(asked, chosen)
    notes += _never_tried(asked, chosen) + _bakes_alike(asked)
    if chance_of_failure is not None:
        notes.append(
            f"Chance that a bake fails there: {tidy_number(100 * chance_of_failure, 2)} %."
        )
    if wobble:
        units = {factor.name: factor.unit for factor in asked.region.factors}
        errs = in_words(
            f"{name} by {tidy_number(value)}{units[name] and ' ' + units[name]}"
            for name, value in wobble.items()
        )
        notes.append(f"Chosen for what is expected when the kitchen errs: {errs}.")
    return (*notes, _limits_words(asked.goals))


def _nothing_met(asked: Choice, chosen: np.ndarray) -> str:
    pairs = zip(asked.goals, asked.means(chosen), strict=True)
    missed = [goal for goal, own in pairs if goal.desirability(own)[0] == 0]
    if any(goal.named for goal in missed):
        goals = "the goal" if len(asked.goals) == 1 else "every goal"
        return f"No setting is expected to meet {goals}; this one misses by the least."
    names = in_words(goal.name for goal in missed)
    return f"No setting is expected to bring {names} off the worst end of its limits."


def _limits_words(goals: Sequence[Goal]) -> str:
    limits = in_words(f"{goal.name}: {goal.limits_from}" for goal in goals)
    own = [goal.name for goal in goals if not goal.named]
    unnamed = (
        f" You named no value from which {in_words(own, 'or')} is good enough, so a bake is held "
        "to what is worth noticing better than the reference setting; name your own if you know it."
        if own
        else ""
    )
    if len(goals) == 1:
        return f"Desirability, from 0 to 1, is judged between limits ({limits}).{unnamed}"
    return (
        f"How well all goals are met together is judged between limits ({limits}); the "
        f"measures' errors are taken as unrelated.{unnamed}"
    )


def _whole_model(asked: Choice, chosen: np.ndarray) -> list[str]:
    """Return where the fit itself expects something else than the models that were weighed."""
    table, said = asked.region.frame(chosen), []
    for one in asked.forecasts:
        found = one.findings
        if found.averaged is None:
            continue
        whole, mean = float(found.expected(table)[0]), float(one.expect(chosen)[0])
        edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
        low, high = np.quantile(one.drawn(chosen)[0], edges)
        far = found.margin is not None and abs(whole - mean) > found.margin
        if far or not low <= whole <= high:
            unit = f" {one.measure.unit}" if one.measure.unit else ""
            said.append(
                f"{one.measure.name}: the whole model taken as it comes would expect "
                f"{tidy_number(whole, 3)}{unit} there; simpler explanations that fit as well "
                f"expect {'less' if mean < whole else 'more'}."
            )
    return said


def untried_words(asked: Choice, chosen: np.ndarray) -> str:
    """Return that no bake has tried a setting; empty where one has."""
    table = asked.region.frame(chosen)
    never = all(untried(one.findings, table) for one in asked.forecasts)
    return UNTRIED if never else ""


def _never_tried(asked: Choice, chosen: np.ndarray) -> list[str]:
    table = asked.region.frame(chosen)
    fits = [one.findings for one in asked.forecasts]
    beyond = dict.fromkeys(words for one in fits for words in beyond_tried(one, table).values())
    apart = unbaked_pairs(fits, asked.region.factors, table)
    said = []
    if beyond:
        said.append(f"Outside what was tried ({'; '.join(beyond)}): bake it before you rely on it.")
    if apart:
        said.append(
            f"Never baked: {in_words(apart)}. The model is guessing there, so bake it before you "
            "rely on it."
        )
    return said


def _bakes_alike(asked: Choice) -> list[str]:
    """Return for which measures the spread between bakes is missing from the chances."""
    said = []
    for one in asked.forecasts:
        if not one.of_a_bake[0]:
            zero = not all(map(is_of_tasting, one.findings.spread))
            how = "came out as no difference at all" if zero else "was not measured"
            said.append(
                f"How alike two bakes are {how} for {one.measure.name}; the chances leave it out "
                "and are somewhat too sure."
            )
    return said


# -- `Recommendation`: the best setting so far, and how sure that is, as a baker reads it.


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
    given_up : str
        What it gives up of the first goal, and for what, in a sentence.
    to_learn : dict or None
        Where nothing is expected above the reference bake, `settings` are the reference's: stay
        with it for now. This is the best of the others, to be baked beside it to learn.
    stay, learn : str
        Why to stay with the reference, and what to bake beside it, each in a sentence; empty
        where `settings` are not the reference's.
    held : str
        That bakes of its own have confirmed `settings`, in a sentence; empty where none have.
    untried : str
        That no bake has tried `settings` yet, in a sentence; empty where one has.
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
    given_up: str = ""
    to_learn: Mapping[str, Any] | None = None
    stay: str = ""
    learn: str = ""
    held: str = ""
    untried: str = ""

    def __repr__(self) -> str:
        return "\n".join(self.sentences + self.notes)

    def _repr_html_(self) -> str:
        tables = [readable(self.expected), self.good_ranges[["factor", "good"]]]
        return answer(self.sentences, tables, self.notes)


def ranges_of(good: pd.DataFrame, factors: tuple[Factor, ...]) -> pd.DataFrame:
    """Return for each factor the settings that good settings hold, in words.

    Examples
    --------
    >>> from trials.core.factors import Numeric
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
    """Return what is known about a chosen setting."""
    factors = asked.region.factors
    table = asked.region.frame(chosen)
    expected, chance = _expected(asked, chosen, table)
    looked_at = asked.region.grid(MOST_SHOWN)
    good, ranges, filled = _good_settings(asked, chosen, looked_at)
    failing = asked.region.chance_of_failure
    chance_of_failure = float(failing(chosen)[0]) if failing else None
    desirability = float(asked.desirability(chosen)[0])
    given_up = gives_up(asked, chosen, wobble)
    sentences = sentences_on(
        asked, table, expected, chance, good, ranges, len(looked_at), filled, given_up
    )
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
        given_up=given_up,
        sentences=sentences,
        notes=notes_on(asked, chosen, desirability, chance_of_failure, wobble),
        untried=untried_words(asked, chosen),
    )


def staying(
    asked: Choice, chosen: np.ndarray, wobble: Mapping[str, float] | None = None
) -> Recommendation | None:
    """Return that the reference is stayed with, where the best of the others is not above it.

    Where goals were weighed against one another the first alone does not say which is better.
    """
    known = asked.reference
    if known is None or (asked.together and len(asked.goals) > 1):
        return None
    goal, one = asked.goals[0], asked.forecasts[0]
    best = one.expect(chosen)
    if not float(goal.loss(np.array(known.mean))) < float(goal.loss(best)[0]) - 1e-9:
        return None
    factors = asked.region.factors
    if any(factor.name not in known.settings for factor in factors):
        return None
    here = coded(factors, known.settings)
    found = recommendation(asked, here, wobble)
    expected = found.expected.copy()
    for place, other in enumerate(asked.forecasts):
        own = reference_again(other.findings)
        if own is not None:
            columns = ["estimate", "low", "high", "new_low", "new_high"]
            expected.loc[place, columns] = own.mean, own.low, own.high, own.low, own.high
    unit = f" {one.measure.unit}" if one.measure.unit else ""
    words = setting_words(factors, asked.region.frame(here))
    rival = setting_words(factors, asked.region.frame(chosen))
    stay = (
        "Stay with the reference bake for now: baked again, it is expected at "
        f"{tidy_number(known.mean, 2)}{unit} in {goal.name}, and nothing else above it."
    )
    learn = (
        f"To learn more, bake {rival} beside it, blind: of the others it is the best, expected at "
        f"{tidy_number(float(best[0]), 2)}{unit}."
    )
    return replace(
        found,
        settings=dict(known.settings),
        expected=expected,
        sentences=(f"Setting to go for: {words}.", stay, learn),
        stay=stay,
        learn=learn,
        untried="",
        to_learn=asked.region.frame(chosen).iloc[0].to_dict(),
    )


def _expected(asked: Choice, chosen: np.ndarray, table: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    rows, met = [], []
    for place, (one, goal) in enumerate(zip(asked.forecasts, asked.goals, strict=True)):
        bakes = one.new_bakes(chosen, _SEED + place)[0]
        met.append(goal.met(bakes) if one.errors_known else np.full(len(bakes), np.nan))
        found = one.intervals(chosen, table, _SEED + place)
        if not one.moved:
            found |= made_again(one.findings, table.iloc[0].to_dict())
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


# -- The best setting for one or several goals, and what one goal costs another.


PASSES, MOST_MOVED = 3, 150  # of the search for a tighter frontier, from its own settings


# Giving up all that is worth noticing of the first goal is for something worth noticing
# in the others: a tenth of what they span, as where no margin was named
_FOR_SOMETHING = SHARE_OF_RANGE


def chosen_setting(asked: Choice, wobble: Mapping[str, float] | None = None) -> np.ndarray:
    """Return the setting that a choice makes best, coded; `wobble` is how far the kitchen errs.

    Where several goals were not weighed against one another, the others choose among the settings
    that are within worth noticing of the best in the first goal; but none that is expected below
    the reference bake, where the best one is not.
    """
    if not asked.leads:
        return best_setting(asked.region, asked.candidates, _under(asked, asked.score, wobble))
    first = _under(asked, lambda X: _of_first(asked, X), wobble)
    top = float(first(best_in_first(asked, wobble)[None])[0])
    notice = in_notices(asked.goals[0])
    least = top - notice
    if asked.reference is not None:
        again = -float(asked.goals[0].loss(np.array(asked.reference.mean)))
        least = max(least, again) if top >= again else least

    def others(X: np.ndarray) -> np.ndarray:
        return met_together(asked.goals[1:], asked.means(X)[1:])

    among = _under(asked, others, wobble)
    worst = float(among(asked.candidates).min()) - 1.0

    def both(X: np.ndarray) -> np.ndarray:
        own = first(X)
        inside = among(X) - _FOR_SOMETHING * (top - own) / notice
        return np.where(own >= least - 1e-9 * notice, inside, worst - (least - own) / notice)

    return best_setting(asked.region, asked.candidates, both)


def best_in_first(asked: Choice, wobble: Mapping[str, float] | None = None) -> np.ndarray:
    """Return the setting that is best in the first goal alone, coded."""
    first = _under(asked, lambda X: _of_first(asked, X), wobble)
    return best_setting(asked.region, asked.candidates, first)


def _of_first(asked: Choice, X: np.ndarray) -> np.ndarray:
    return -asked.goals[0].loss(asked.forecasts[0].expect(X))


def _under(asked: Choice, searched: Score, wobble: Mapping[str, float] | None) -> Score:
    """Return a score as it is expected when the kitchen errs."""
    if not wobble:
        return searched
    return expected_under_wobble(searched, asked.region.factors, wobble_sd(asked.region, wobble))


def gives_up(asked: Choice, chosen: np.ndarray, wobble: Mapping[str, float] | None = None) -> str:
    """Return what a choice gives up of the first goal, and for what; nothing where it does not."""
    if not asked.leads:
        return ""
    top = best_in_first(asked, wobble)[None]
    had, got = asked.means(top), asked.means(chosen)
    lost = float((asked.goals[0].loss(got[0]) - asked.goals[0].loss(had[0]))[0])
    if lost < _TOLD * in_notices(asked.goals[0]):
        return ""
    gained = [
        _gained_words(goal, float(before[0]), float(after[0]), one.measure.unit)
        for goal, before, after, one in list(
            zip(asked.goals, had, got, asked.forecasts, strict=True)
        )[1:]
        if float((goal.loss(before) - goal.loss(after))[0]) >= _TOLD * in_notices(goal)
    ]
    if not gained:
        return ""
    unit = f" {asked.forecasts[0].measure.unit}" if asked.forecasts[0].measure.unit else ""
    amount = f"{tidy_number(lost, 2)}{unit} of {asked.goals[0].name}"
    return f"It gives up {amount} for {in_words(gained)}."


def _gained_words(goal: Goal, before: float, after: float, unit: str) -> str:
    numbers = f"{figure(after)} instead of {figure(before)}"
    numbers += f" {unit}" if unit else ""
    if goal.kind in ("higher", "lower"):
        return f"{'more' if goal.kind == 'higher' else 'less'} {goal.name} ({numbers})"
    return f"{goal.name} nearer to its goal ({numbers})"


def frontier(
    findings: FewFindings,
    measures: Measures,
    *,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
) -> pd.DataFrame:
    """Return the settings where improving one measure costs another.

    A setting is left out when another is expected to be at least as good in every measure and
    better in one (Pareto 1906).
    """
    asked = choice(findings, measures, exclude, failure, failure_limit, weights, limits)
    return frontier_of(asked)


def frontier_of(asked: Choice) -> pd.DataFrame:
    """Return the frontier of what a choice rests on; see :func:`frontier`."""
    if len(asked.goals) < 2:
        raise FitError(
            f"only {asked.goals[0].name} has a goal, so nothing is traded off; set a goal for "
            "another measure."
        )
    X = asked.candidates
    kept = not_dominated(asked.losses(X))
    for _ in range(PASSES):
        nearby = np.vstack([X[kept], neighbours(asked.region, X[kept][:MOST_MOVED])])
        X = nearby[np.sort(np.unique(np.round(nearby, 9), axis=0, return_index=True)[1])]
        kept = not_dominated(asked.losses(X))
    losses, means = asked.losses(X), asked.means(X)
    table = asked.region.frame(X[kept])
    for goal, own in zip(asked.goals, means, strict=True):
        table[goal.name] = own[kept]
    table["desirability"] = asked.desirability(X[kept])
    order = np.lexsort(losses[kept].T[::-1])
    return table.iloc[order].reset_index(drop=True)


def not_dominated(losses: np.ndarray) -> np.ndarray:
    """Return the rows that no other row beats: at least as small everywhere, smaller somewhere.

    Examples
    --------
    >>> not_dominated(np.array([[1.0, 3.0], [2.0, 2.0], [2.0, 3.0]])).tolist()
    [0, 1]
    """
    span = np.ptp(losses, axis=0)
    scaled = np.round(losses / np.where(span > 0, span, 1), 9)
    # Sorted so that nothing later can beat anything earlier: each is held to those kept so far
    order = np.lexsort(scaled.T[::-1])
    kept: list[int] = []
    for place in order:
        row, before = scaled[place], scaled[kept]
        beaten = (before <= row).all(axis=1) & (before < row).any(axis=1)
        if not beaten.any():
            kept.append(int(place))
    return np.array(sorted(kept))


def weight_sensitivity(
    findings: FewFindings,
    measures: Measures,
    *,
    factor: float = 2.0,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
) -> pd.DataFrame:
    """Return how the choice moves when one goal counts for more or for less."""
    if not factor > 1:
        raise FitError(f"factor is {factor}; how many times more a goal counts is above 1.")
    asked = choice(findings, measures, exclude, failure, failure_limit, weights, limits)
    given = {goal.name: goal.weight for goal in asked.goals}
    runs = [("all", "as it is", given)]
    for name in given:
        runs.append((name, "more", given | {name: given[name] * factor}))
        runs.append((name, "less", given | {name: given[name] / factor}))
    rows, settled = [], []
    for name, counts, used in runs:
        goals = tuple(replace(goal, weight=used[goal.name]) for goal in asked.goals)
        trial = replace(asked, goals=goals, together=asked.together or name != "all")
        chosen = chosen_setting(trial)[None]
        means = {
            goal.name: float(own[0]) for goal, own in zip(goals, trial.means(chosen), strict=True)
        }
        settled.append(means)
        moved = any(abs(means[g.name] - settled[0][g.name]) > g.notice for g in goals)
        setting = asked.region.frame(chosen).iloc[0].to_dict()
        rows.append({"measure": name, "counts": counts} | setting | means | {"noticeable": moved})
    return pd.DataFrame(rows)
