"""What to bake next: every action weighed by what it is expected to gain, one chosen, said why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.region import setting_words
from trials.analysis.results import Findings
from trials.deciding.actions import Action, actions, settled
from trials.deciding.beliefs import Knowledge, chance_best, known, with_goal
from trials.deciding.continuing import continued, groups_of, new_bakes
from trials.deciding.expected_gain import expected_gain
from trials.deciding.lineage import findings_together, line_of
from trials.deciding.stopping import Weighed, enough, gains_table, stop_words
from trials.design.exclusion import Exclude
from trials.design.plan import Plan, whole_number
from trials.errors import PlanError
from trials.measures import Measure
from trials.rounds.round import Round
from trials.tables import in_words, tidy_number

CONFIRMATION = "confirmation bakes"
# Actions whose gains differ by less than this share are alike: then the one that stands first wins
ALIKE = 0.02
Known = Round | Findings | Mapping[str, Findings]


@dataclass(frozen=True, eq=False)
class _Request:
    """What is asked, read and checked."""

    knowledge: Knowledge
    rounds: tuple[Round, ...]
    bakes: int
    exclude: Exclude
    same_day: bool
    seed: int


def next_round(
    round_or_findings: Known,
    bakes: int,
    *,
    measures: Measure | Sequence[Measure] | None = None,
    exclude: Exclude = None,
    action: str | None = None,
    same_day: bool = False,
    seed: int | None = None,
) -> Plan:
    """Return what to bake next, with the reasons.

    Repeats, mirror bakes, bakes that tell explanations apart, bakes between the settings that may
    be best, narrower ranges, ends and middles, the path of steepest ascent, settled factors held:
    each is weighed by how much better the choice is expected to be after it. Where none is likely
    to move the choice by what is worth noticing, the best setting is confirmed against the
    reference instead.

    Parameters
    ----------
    round_or_findings : Round, Findings or mapping of measure name to Findings
        A round counts with all rounds before it.
    bakes : int
        How many more there may be; reference bakes come on top.
    measures : Measure or sequence of Measure, optional
        What is wanted; the measures of the findings when left out, "higher" where no goal is set.
    exclude : optional
        Settings that never go together; the round's own when left out.
    action : str, optional
        Take the action whose name starts so, such as "confirm"; the best one when left out.
    same_day : bool
        Whether the new bakes are made on the day of the last ones. A new day has a level of its
        own, which costs some of what the bakes tell.
    seed : int, optional
        For the baking order; one that follows from the bakes so far when left out.

    Returns
    -------
    Plan
        The bakes so far, as they are, then the new ones on days of their own. ``details`` holds
        `kept` (the names of the bakes so far), `action`, and `weighed` (every action with its
        expected gain).

    Raises
    ------
    PlanError
        When there is room for no bake, or no such action.
    FitError
        When nothing was fitted, or no measure has a goal.

    References
    ----------
    Raiffa & Schlaifer 1961, Applied Statistical Decision Theory (preposterior analysis); Meyer,
    Steinberg & Box 1996 (bakes that tell explanations apart); Box & Wilson 1951 (steepest ascent).

    Examples
    --------
    >>> next_round.__name__
    'next_round'
    """
    asked = _request(round_or_findings, bakes, measures, exclude, same_day, seed)
    if action is not None and CONFIRMATION.startswith(action):
        return _confirming(asked, "The best setting is held to the reference, as you asked.", [])
    weighed, plans = _weighed(asked)
    if action is not None:
        chosen = next((one for one in weighed if one.action.name.startswith(action)), None)
        if chosen is None:
            names = in_words([one.action.name for one in weighed] + [CONFIRMATION], "or")
            raise PlanError(f'action is "{action}"; expected {names}.')
    elif enough(weighed):
        return _confirming(asked, stop_words(asked.knowledge, weighed, asked.bakes), weighed)
    else:
        chosen = _best(weighed)
    plan = plans[chosen.action.name]
    return _explained(asked, plan, chosen, weighed)


def _request(
    data: Known,
    bakes: int,
    measures: Measure | Sequence[Measure] | None,
    exclude: Exclude,
    same_day: bool,
    seed: int | None,
) -> _Request:
    bakes = whole_number("bakes", bakes, least=1)
    rounds: tuple[Round, ...] = ()
    made = None
    if isinstance(data, Round):
        rounds = line_of(data)
        found = findings_together(rounds)
        exclude = list(data.plan.excluded) or None if exclude is None else exclude
        made = _made(rounds)
    else:
        found = {data.response: data} if isinstance(data, Findings) else dict(data)
    wanted = _measures(found, measures)
    knowledge = known(found, wanted, exclude=exclude, made=made, same_day=same_day)
    own = int(len(knowledge.made) * 7919 + bakes) if seed is None else int(seed)
    return _Request(knowledge, rounds, bakes, exclude, same_day, own)


def _measures(
    found: Mapping[str, Findings], measures: Measure | Sequence[Measure] | None
) -> list[Measure]:
    if measures is not None:
        return [measures] if isinstance(measures, Measure) else list(measures)
    return [
        with_goal(one.measure or Measure(name, "number", worth_noticing=one.margin))
        for name, one in found.items()
    ]


def _made(rounds: Sequence[Round]) -> pd.DataFrame:
    """Return the bakes of all rounds as rows of one plan."""
    tables: list[pd.DataFrame] = []
    last: dict[str, int] = {}
    for round_ in rounds:
        rows = round_.plan.table
        for name in ("day", *round_.plan.groups):
            rows[name] = rows[name] + last.get(name, 0)
            if rows[name].notna().any():
                last[name] = int(rows[name].max())
        tables.append(rows)
    if len(tables) == 1:
        return tables[0]
    whole = pd.concat([table.astype(object) for table in tables], ignore_index=True)
    for name in tables[-1]:
        whole[name] = whole[name].astype(tables[-1][name].dtype)
    return whole[list(tables[-1].columns)]


def _weighed(asked: _Request) -> tuple[list[Weighed], dict[str, Plan]]:
    weighed, plans = [], {}
    for one in actions(asked.knowledge, asked.bakes):
        plan = _plan(asked, one)
        fresh = new_bakes(plan).table
        fresh = fresh[fresh["role"] != "control"]
        order = fresh[[factor.name for factor in asked.knowledge.factors]]
        days, loads = groups_of(fresh)
        X = _coded(asked, order)
        gain = expected_gain(asked.knowledge, X, days, loads)
        weighed.append(Weighed(one, gain.worth, gain.noticed, gain.moved))
        plans[one.name] = plan
    return weighed, plans


def _coded(asked: _Request, table: pd.DataFrame) -> np.ndarray:
    columns = [factor.code(table[factor.name]) for factor in asked.knowledge.factors]
    return np.column_stack(columns).astype(float)


def _plan(asked: _Request, action: Action, controls: int = 0) -> Plan:
    return continued(
        asked.knowledge.factors,
        asked.knowledge.made,
        action.X,
        family=action.name,
        model="interactions",
        controls=controls,
        exclude=asked.exclude,
        same_day=asked.same_day,
        seed=asked.seed,
    )


def _best(weighed: Sequence[Weighed]) -> Weighed:
    """Return the action that gains most; of those alike the one with fewest bakes, then first."""
    top = max(one.gain for one in weighed)
    near = [one for one in weighed if one.gain >= top * (1 - ALIKE)]
    return min(near, key=lambda one: one.bakes)


def _explained(asked: _Request, plan: Plan, chosen: Weighed, weighed: Sequence[Weighed]) -> Plan:
    knowledge = asked.knowledge
    said = [
        f"Best so far: {_setting(knowledge)}.",
        f"Next: {chosen.action.name}. {chosen.action.why}",
        _gain_words(knowledge, chosen, weighed),
    ]
    fresh = new_bakes(plan)
    said.append(f"{fresh.sentence()} follow the {len(knowledge.made)} made so far.")
    return replace(
        plan,
        reasons=tuple(said),
        details={**plan.details, **_details(chosen.action.name, weighed)},
    )


def _details(name: str, weighed: Sequence[Weighed]) -> dict[str, Any]:
    table = gains_table(list(weighed)).round(6)
    return {"action": name, "weighed": table.to_dict("records")}


def _setting(knowledge: Knowledge) -> str:
    words = setting_words(knowledge.factors, knowledge.region.frame(knowledge.best[None]))
    one, goal = knowledge.beliefs[0], knowledge.goals[0]
    expected = float((one.rows(knowledge.best[None]) @ one.mean)[0])
    return f"{words}, with {goal.name} expected at {tidy_number(expected, 2)}"


def _gain_words(knowledge: Knowledge, chosen: Weighed, weighed: Sequence[Weighed]) -> str:
    simple = len(knowledge.goals) == 1 and knowledge.goals[0].kind in ("higher", "lower")
    unit = f" in {knowledge.goals[0].name}" if simple else " of what is worth noticing"

    def amount(one: Weighed) -> str:
        return tidy_number(one.gain if simple else one.noticed, 2)

    others = sorted(
        (one for one in weighed if one is not chosen), key=lambda one: -round(one.gain, 9)
    )[:2]
    ahead = any(one.gain > chosen.gain for one in others)
    near = "; so near that they count as alike" if ahead else ""
    gains = in_words([f"{one.action.name}: {amount(one)}" for one in others])
    beside = f" ({gains}{near})" if others else ""
    per_bake = (chosen.gain if simple else chosen.noticed) / max(1, chosen.bakes)
    return (
        f"They are expected to better the choice by {amount(chosen)}{unit}, "
        f"{tidy_number(per_bake, 2)} a bake{beside}, and to move it by more than is worth "
        f"noticing with a chance of {chosen.moved:.0%}."
    )


def _confirming(asked: _Request, why: str, weighed: Sequence[Weighed]) -> Plan:
    """Return a plan that holds the best setting to the reference, half of the bakes each."""
    knowledge = asked.knowledge
    count = max(1, asked.bakes // 2)
    references = asked.bakes - count
    action = Action(CONFIRMATION, np.repeat(knowledge.best[None], count, axis=0), why, references)
    plan = _plan(asked, action, references)
    held = [knowledge.factors[at].name for at in settled(knowledge, chance_best(knowledge))]
    said = [
        f"Best so far: {_setting(knowledge)}.",
        why,
        f"So it is confirmed: {count} bake{'s' if count > 1 else ''} of it and {references} "
        f"reference bake{'s' if references != 1 else ''}, tasted blind.",
    ]
    if held:
        verb = "is" if len(held) == 1 else "are"
        words = in_words(held)
        said.append(f"{words[0].upper()}{words[1:]} {verb} settled with at least 90 % certainty.")
    return replace(
        plan,
        reasons=tuple(said),
        details={**plan.details, **_details(CONFIRMATION, weighed)},
    )
