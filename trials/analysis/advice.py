"""A recommendation in a baker's words."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.choosing import Choice
from trials.analysis.desirability import Goal
from trials.analysis.forecast import Forecast
from trials.analysis.reached import beyond_tried, unbaked_pairs
from trials.analysis.region import setting_words
from trials.analysis.repeats import is_of_tasting
from trials.analysis.verdicts import CONFIDENCE, decimals, rounded
from trials.factors import Categorical, Factor
from trials.tables import in_words, percent, tidy_number


def sentences_on(
    asked: Choice,
    table: pd.DataFrame,
    expected: pd.DataFrame,
    chance: float,
    good: pd.DataFrame,
    ranges: pd.DataFrame,
    looked_at: int,
    filled: float,
) -> tuple[str, ...]:
    """Return a recommendation in sentences: the setting, what to expect, how clear the choice is.

    Examples
    --------
    >>> sentences_on.__name__
    'sentences_on'
    """
    said = [f"Best so far: {setting_words(asked.region.factors, table)}."]
    said += failed_there(asked, table)
    for row, one, goal in zip(expected.itertuples(), asked.forecasts, asked.goals, strict=True):
        said.append(_expected_words(row, one, goal))
    said.append(_chance_words(chance, asked.goals))
    said.append(_how_many(good, ranges, looked_at, filled))
    return tuple(said)


def _chance_words(chance: float, goals: Sequence[Goal]) -> str:
    met = "meet the goal" if len(goals) == 1 else "meet every goal"
    if len(goals) == 1 and not goals[0].named:
        met = "come out noticeably better than is expected at the reference setting"
    if np.isnan(chance):
        return f"How likely one new bake would {met} can not be said."
    return f"One new bake there would {met} with a chance of {percent(chance)}."


def _expected_words(row: Any, one: Forecast, goal: Goal) -> str:
    unit = f" {one.measure.unit}" if one.measure.unit else ""
    if not np.isfinite(row.low):
        return (
            f"{row.measure}: {tidy_number(row.estimate, 3)}{unit} expected; no error was "
            "measured, so how sure that is can not be said."
        )
    digits = decimals(pd.Series([(row.high - row.low) / 4]))
    # A score can not lie off its scale, however little is known
    least = -np.inf if one.measure.low is None else one.measure.low
    most = np.inf if one.measure.high is None else one.measure.high
    low, high, new_low, new_high = np.clip(
        [row.low, row.high, row.new_low, row.new_high], least, most
    )
    return (
        f"{row.measure}: {rounded(row.estimate, digits)}{unit} expected "
        f"({rounded(low, digits)} to {rounded(high, digits)}); one new bake "
        f"{rounded(new_low, digits)} to {rounded(new_high, digits)} (goal: {goal_words(goal)})."
    )


def goal_words(goal: Goal) -> str:
    """Return a goal as it is told in a sentence.

    Examples
    --------
    >>> goal_words(Goal("fat", "lower", 0, 0, 2, 9, -np.inf, 5.61, 1.0, 0.1, "you"))
    'lower, counts as met up to 5.61'
    """
    met = "counts as met" if goal.named else "noticeably better than the reference setting"
    if goal.kind == "higher":
        return f"higher, {met} from {tidy_number(goal.enough_from, 3)} upward"
    if goal.kind == "lower":
        return f"lower, {met} up to {tidy_number(goal.enough_to, 3)}"
    return goal.words()


def out_of_reach(asked: Choice, chosen: np.ndarray) -> list[str]:
    """Return for each goal that no allowed setting is expected to meet how near any comes to it.

    Only where the goal was named from some value on: one nobody named can not be missed.

    Examples
    --------
    >>> out_of_reach.__name__
    'out_of_reach'
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
            and _alike(factor, row[factor.name], table[factor.name].iloc[0])
            for factor in factors
        )
    }
    if not failed:
        return ()
    return (
        f"Bake it again before you trust it: {in_words(sorted(failed))} had this setting, or one "
        "next to it, and failed.",
    )


def _alike(factor: Factor, one: Any, other: Any) -> bool:
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
    """Return what a recommendation took for granted, and what it could not know.

    Examples
    --------
    >>> notes_on.__name__
    'notes_on'
    """
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
        "to what is worth noticing better than the reference setting; enough= takes your own."
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
        if not one.own:
            zero = not all(map(is_of_tasting, one.findings.spread))
            how = "came out as no difference at all" if zero else "was not measured"
            said.append(
                f"How alike two bakes are {how} for {one.measure.name}; the chances leave it out "
                "and are somewhat too sure."
            )
    return said
