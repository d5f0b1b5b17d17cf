"""The answer first: what to do, what to bake next and what it costs, and how sure that is."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.brief import changes, failed_words
from trials.analysis.choice import Recommendation, chance_words, made_again
from trials.analysis.diagnostics import hangs_on, leading
from trials.analysis.failing import kinds_that_fail
from trials.analysis.question import COPIED
from trials.analysis.results import Findings
from trials.base.words import figure, in_words, kitchen_term, percent, tidy_number
from trials.core.evidence import CONFIRMATION
from trials.core.factors import Factor
from trials.core.roles import Role
from trials.core.verdicts import MATTERS
from trials.deciding.next_bakes import NextStep, new_bakes

# What an action is for, where its name alone does not say so
_PURPOSES = {
    CONFIRMATION: "see whether that holds when it is baked again",
    "decide between the best": "tell the settings apart that look best",
}
FEW = "fewer than 1"
FEW_BAKES = 3  # that a line names
MANY = 20  # settings: more than anybody would go through


@dataclass(frozen=True)
class FirstLines:
    """Three lines for a whole round.

    Parameters
    ----------
    do, bake_next, how_sure : str
        What to do; what to bake next, and what it costs; how sure that is.
    """

    do: str
    bake_next: str
    how_sure: str

    @property
    def all(self) -> tuple[str, str, str]:
        """The three, in their order."""
        return (self.do, self.bake_next, self.how_sure)


def first_lines(
    found: Mapping[str, Any],
    best: Recommendation | str,
    step: NextStep | str,
    *,
    cost_of_a_bake: tuple[float, str] | None = None,
) -> FirstLines:
    """Return the three lines that a page and the command line open with.

    Parameters
    ----------
    found : mapping of str to Findings, to other answers or to str
        Of every measure, or why there are none.
    best : Recommendation or str
        The setting to go for, or why there is none.
    step : NextStep or str
        What to bake next, or why nothing.
    cost_of_a_bake : (float, str), optional
        Ingredients of one bake, and the currency.
    """
    known = {name: one for name, one in found.items() if isinstance(one, Findings)}
    return FirstLines(
        f"{what_to_do(known, best)}{_top_bake(known, best)}",
        _next(step, cost_of_a_bake),
        _how_sure(known, best),
    )


def what_to_do(known: Mapping[str, Findings], best: Recommendation | str) -> str:
    """Return the line that says what to do: the setting to go for, and what to expect there."""
    if isinstance(best, str):
        return f"No setting can be named to go for: {best}"
    shown = _named(best.factors, best)
    if best.to_learn is not None:
        return f"{best.stay} {best.learn}"
    sure = {name for one in known.values() for name in _mattering(one)}
    own = [factor for factor in best.factors if factor.name in sure]
    away = _kept_away_from(known, best)
    if best.held or len(own) == len(best.factors):
        go_for = f"Go for {shown}."
    elif own:
        rest = [factor for factor in best.factors if factor.name not in sure]
        go_for = f"Go for {_named(own, best)}. Besides, but not settled: {_named(rest, best)}."
    else:
        go_for = f"Nothing is settled yet; the best guess so far is {shown}."
    never = f" {best.untried}" if best.untried and not best.held else ""
    first = f"{best.held} " if best.held else ""
    return f"{first}{away}{go_for}{never} {_expected(known, best)}"


def _named(factors: Sequence[Factor], best: Recommendation) -> str:
    return in_words(
        f"{factor.name} {factor.show(best.settings[factor.name])}" for factor in factors
    )


def _mattering(one: Findings) -> list[str]:
    """Return the factors that matter, alone or with another."""
    alone, pairs = changes(one)
    found = [change for change in (*alone, *pairs) if change.verdict == MATTERS]
    return [name for change in found for name in (change.pair or (change.factor,))]


def _kept_away_from(known: Mapping[str, Findings], best: Recommendation) -> str:
    """Return which kinds failed in most of their bakes, where the setting to go for avoids them."""
    one = next((one for one in known.values() if len(one.failed)), None)
    if one is None:
        return ""
    said = []
    for factor in best.factors:
        for kind, bakes, failed in kinds_that_fail(one, factor):
            if kind != best.settings[factor.name]:
                said.append(
                    f"Keep off {factor.name} {factor.show(kind)} for now: {failed} of its "
                    f"{bakes} bakes failed. "
                )
    return "".join(said)


def _expected(known: Mapping[str, Findings], best: Recommendation) -> str:
    """Return what is expected there, beside the reference bakes, and the range of one new bake."""
    units = {one.name: f" {one.unit}" if one.unit else "" for one in best.measures}
    table = best.expected.set_index("measure")
    sizes = [f"{name} {figure(row.estimate)}{units[name]}" for name, row in table.iterrows()]
    beside = {name: _reference(known[name]) for name in table.index if name in known}
    had = [f"{figure(value)}{units[name]}" for name, value in beside.items() if np.isfinite(value)]
    reference = f" (the reference bake: {in_words(had)})" if len(had) == len(sizes) else ""
    again = f" {best.given_up}" if best.given_up else ""
    name = str(table.index[0])
    again += range_words(known.get(name), best, name if len(table) > 1 else "")
    return f"Expected: {in_words(sizes)}{reference}.{again}"


def range_words(one: Findings | None, best: Recommendation, name: str) -> str:
    """Return the range of one bake of the setting; of its score again where it was baked."""
    of = f" for {name}" if name else ""
    top = best.expected.iloc[0]
    if not np.isfinite(top["new_low"]):
        return ""
    low, high = best.measures[0].on_scale([top["new_low"], top["new_high"]])
    made = {} if one is None else made_again(one, best.settings)
    again = made.get("new_low") == top["new_low"]
    would = "Baked again it would score" if again else "One bake of it would come out"
    return f" {would} between {figure(low)} and {figure(high)}{of}."


def _top_bake(known: Mapping[str, Findings], best: Recommendation | str) -> str:
    """Return what the best bake scored where a repeat is expected to come out noticeably lower."""
    one = None if isinstance(best, str) else known.get(best.measures[0].name)
    if one is None or one.measure is None or one.measure.goal not in ("higher", "lower"):
        return ""
    made = one.bakes[one.bakes["status"] == "made"] if len(one.bakes) else one.bakes
    if made.empty:
        return ""
    sign = 1 if one.measure.goal == "higher" else -1
    scored = made["scores"].map(np.mean).astype(float)
    top = (sign * scored).idxmax()
    fall = sign * (scored[top] - float(made.loc[top, "mean"]))
    if one.measure.margin is None or not fall > one.measure.margin:
        return ""
    return (
        f" The best bake so far, {made.loc[top, 'bake']}, scored {figure(scored[top])}: partly "
        f"luck; expect about {figure(made.loc[top, 'mean'])} if it is baked again."
    )


def _reference(one: Findings) -> float:
    rows = one.residuals
    if "role" not in rows:
        return float("nan")
    own = rows[rows["role"] == Role.REFERENCE]
    return float(own["observed"].mean()) if len(own) else float("nan")


def _next(step: NextStep | str, cost_of_a_bake: tuple[float, str] | None) -> str:
    if isinstance(step, str):
        return step
    new = new_bakes(step.plan)
    bakes = f"{new.sentence().split(' (')[0].rstrip('.')}"
    if "reference" in step.plan.details:
        beside = f" of {step.plan.details['reference']}"
        bakes = re.sub(" reference bakes?", lambda _: beside, bakes)
    cost = ""
    if cost_of_a_bake is not None:
        each, currency = cost_of_a_bake
        cost = f", about {tidy_number(round(each * len(new.table)))} {currency} of ingredients"
    moved = _moved(step.weighed, step.action)
    chance = "" if moved is None else f"; they change the choice noticeably in {moved} of 10 cases"
    spare = ": they would make it surer rather than better" if moved == FEW else ""
    purpose = _PURPOSES.get(step.action, step.action)
    return f"{purpose[0].upper()}{purpose[1:]}: {bakes}{cost}{chance}{spare}."


def _moved(weighed: pd.DataFrame, action: str) -> str | None:
    if weighed.empty or "moved" not in weighed:
        return None
    own = weighed.loc[weighed["action"] == action, "moved"]
    if own.empty or not np.isfinite(own.iloc[0]):
        return None
    cases = round(10 * float(own.iloc[0]))
    return FEW if cases == 0 else str(cases)


def _how_sure(known: Mapping[str, Findings], best: Recommendation | str) -> str:
    hangs = _hangs(known)
    said = [*_rests_on(known), *_copied(known), *_sure(known, bool(hangs)), *hangs]
    if not isinstance(best, str):
        # Of several directions without a limit nobody asked that all be met at once
        asked = len(best.goals) == 1 or any(goal.named for goal in best.goals)
        if asked and np.isfinite(best.chance_all_goals):
            said.append(chance_words(best.chance_all_goals, best.goals))
        alike = len(best.good_settings) - 1
        if alike > 0:
            many = "Many" if alike > MANY else str(alike)
            said.append(f"{many} other settings look about as good so far.")
        risk = best.chance_of_failure
        if risk is not None:
            said.append(f"A bake of the setting named above may fail too: {percent(risk)}.")
    return " ".join(said) if said else "Nothing was measured that could say how sure."


def _copied(known: Mapping[str, Findings]) -> list[str]:
    """Return which tasters only copy one another: a slip may be the first thing to mend."""
    return list(dict.fromkeys(n for one in known.values() for n in one.notes if COPIED in n))


def _hangs(known: Mapping[str, Findings]) -> list[str]:
    """Return that the leading finding would not be settled without one bake, or any of a few."""
    for one in known.values():
        top = leading(one)
        if top is None:
            continue
        bakes = sorted(hangs_on(one))
        settled = (
            "it would not be settled that "
            f"{kitchen_term(str(top['term']))} matters for {one.response}"
        )
        if len(bakes) > FEW_BAKES:
            return [f"Leave out any one of {len(bakes)} bakes, and {settled}."]
        if bakes:
            again = "that" if len(bakes) == 1 else "them"
            return [f"Without {in_words(bakes, 'or')} {settled}: bake {again} again."]
        return []
    return []


def _rests_on(known: Mapping[str, Findings]) -> list[str]:
    """Return how many bakes were scored, and which failed."""
    if not known:
        return []
    most = max(known.values(), key=lambda one: len(set(one.bakes_scored().get("bake", []))))
    bakes = len(set(most.bakes_scored().get("bake", [])))
    failed = next(filter(None, map(failed_words, known.values())), "")
    return [*([f"From {bakes} scored bakes."] if bakes else []), *([failed] if failed else [])]


def _sure(known: Mapping[str, Findings], hangs: bool) -> list[str]:
    """Return what is known to matter, by measure; what does not is said where it is measured."""
    said = []
    for name, one in known.items():
        named = dict.fromkeys(_mattering(one))
        if named:
            said.append(
                f"{in_words(named)} {'matters' if len(named) == 1 else 'matter'} for {name}"
            )
    counted = ", with every bake counted" if hangs else ""
    return [f"Sure so far{counted}: {in_words(said)}."] if said else []
