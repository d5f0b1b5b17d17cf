"""What to bake next.

Every action weighed by what it is expected to gain, one chosen, or the end.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.answers import Answers
from trials.analysis.brief import failed_words, more_would_settle
from trials.analysis.choice import untried_words
from trials.analysis.question import evidence
from trials.analysis.region import coded, setting_words
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import PlanError, RoundError
from trials.base.progress import steps
from trials.base.words import how_many, in_words, percent, tidy_number
from trials.core.exclusion import Exclude, Exclusion
from trials.core.factors import Categorical, Component, Factor, group_names
from trials.core.measures import Measure, measure_named
from trials.core.plan import MIXED_ONCE, Plan, whole_number
from trials.core.roles import Role, Status
from trials.core.terms import real_settings
from trials.deciding.actions import SURE, Action, actions, settled
from trials.deciding.choosing import best_so_far, recommend
from trials.deciding.confirmation import CONFIRMATION, confirmation
from trials.deciding.gain import (
    Knowledge,
    chance_best,
    expected_gain,
    findings_to_choose,
    known,
    made_of,
    with_goal,
)
from trials.design.layout import after, lay_out

# -- New bakes after those already made: on days and in loads of their own, in the kitchen's order.


def continued(
    factors: Sequence[Factor],
    made: pd.DataFrame,
    X: np.ndarray,
    *,
    family: str,
    model: Sequence[str] | str,
    references: int = 0,
    reference: Mapping[str, Any] | None = None,
    exclude: Exclude = None,
    same_day: bool = False,
    mixed: bool = False,
    seed: int,
) -> Plan:
    """Return a plan of the bakes made so far, as they are, followed by new ones."""
    frame = pd.DataFrame(real_settings(factors, X))
    frame = _in_groups(factors, made, frame, halved=mixed and len(frame) > 1)
    frame["day"] = _days(made, frame)
    new = lay_out(
        factors,
        frame,
        family=family,
        model=model,
        references=references,
        reference=reference,
        seed=seed,
    )
    if mixed and not new.groups:
        new = _shuffled(new)
    rules = Exclusion(factors, exclude)
    whole = after(made, new) if len(made) else new
    if same_day and len(made):
        rows = whole.rows.copy()
        rows.loc[rows.index[len(made) :], "day"] -= 1
        whole = replace(whole, rows=rows)
    excluded = () if rules.empty else rules.record([_places(factor) for factor in factors])
    details: dict[str, Any] = {"kept": made["bake"].tolist()}
    if same_day and len(made):
        details["same_day"] = True
    return replace(whole, excluded=excluded, details=details, reasons=())


def new_bakes(plan: Plan) -> Plan:
    """Return the bakes of a plan that are not made yet, days and loads counted from one."""
    kept = set(plan.details.get("kept", ()))
    rows = plan.rows[~plan.rows["bake"].isin(kept)].reset_index(drop=True)
    for name in ("day", *(group for group in plan.groups if rows[group].notna().any())):
        numbers = rows[name].dropna().drop_duplicates()
        order = {value: place for place, value in enumerate(numbers, start=1)}
        rows[name] = rows[name].map(order).astype(int if name == "day" else "Int64")
    return replace(plan, rows=rows, details={**plan.details, "kept": []})


def _places(factor: Factor) -> np.ndarray:
    """Return the coded settings at which a rule is asked what it leaves out."""
    if isinstance(factor, Categorical):
        return np.arange(len(factor.levels), dtype=float)
    ends = (factor.low, factor.high) if isinstance(factor, Component) else (-1.0, 1.0)
    return np.linspace(*ends, 5)


def _shuffled(plan: Plan) -> Plan:
    """Return a plan with all its bakes, reference bakes too, in an order by chance in each day."""
    rows = plan.table
    rng = np.random.default_rng(plan.seed)
    order = rng.permutation(len(rows))
    order = order[np.argsort(rows["day"].to_numpy()[order], kind="stable")]
    return replace(plan, rows=rows.iloc[order].assign(bake=rows["bake"].to_numpy()))


def _in_groups(
    factors: Sequence[Factor], made: pd.DataFrame, frame: pd.DataFrame, halved: bool = False
) -> pd.DataFrame:
    """Return bakes with the loads that hard-to-change factors need, none larger than before."""
    frame = frame.copy()
    for group in group_names(factors):
        names = [factor.name for factor in factors if factor.group == group]
        size = _usual_size(made, group)
        if halved:
            size = min(size, -(-len(frame) // 2))
        ids = np.zeros(len(frame), dtype=int)
        count = 0
        for places in frame.groupby(names, sort=True).indices.values():
            loads = -(-len(places) // size)
            # Equal shares rather than full loads and a remainder
            ids[places] = count + np.sort(np.arange(len(places)) % loads)
            count += loads
        frame[group] = ids + 1
    return frame


def divided(factors: Sequence[Factor], made: pd.DataFrame, X: np.ndarray) -> np.ndarray:
    """Return bakes as doughs divided as those so far were: fewer doughs, each for several bakes.

    The doughs wanted most often are kept, each with the bakes that were wanted of it and then with
    the ways that the other bakes were to be made.

    Parameters
    ----------
    factors : sequence of Factor
    made : DataFrame
        The bakes so far.
    X : ndarray, shape (bakes, factors)
        Coded settings.
    """
    group = next((one for one in group_names(factors) if one in MIXED_ONCE), None)
    size = 1 if group is None or group not in made else _usual_size(made, group)
    own = np.array([factor.group == group for factor in factors])
    if size < 2 or own.all() or len(X) < 2:
        return X
    doughs, dough_of, wanted = _alike(X[:, own])
    ways, way_of, asked = _alike(X[:, ~own])
    if len(doughs) == 1 or len(ways) == 1:
        return X  # nothing to divide, or nothing to divide it over
    count = max(1, len(X) // min(size, len(ways)))
    chosen = np.resize(np.argsort(-wanted, kind="stable")[:count], count)
    often = np.argsort(-asked, kind="stable")
    rows: list[np.ndarray] = []
    for place, dough in enumerate(chosen):
        most = len(X) * (place + 1) // count - len(rows)
        there = [*dict.fromkeys(way_of[dough_of == dough]), *often]
        for way in list(dict.fromkeys(there))[:most]:
            row = np.zeros(X.shape[1])
            row[own], row[~own] = doughs[dough], ways[way]
            rows.append(row)
    return np.array(rows)


def _alike(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the different rows as they first come, which of them each is, and how often each."""
    _, first, place, often = np.unique(
        np.round(np.nan_to_num(rows, nan=1e9), 9),
        axis=0,
        return_index=True,
        return_inverse=True,
        return_counts=True,
    )
    order = np.argsort(first)
    rank = np.argsort(order)
    return rows[first[order]], rank[place.ravel()], often[order]


def _usual_size(made: pd.DataFrame, group: str) -> int:
    if group not in made or made[group].isna().all():
        return 4
    judged = made[made["role"] != Role.REFERENCE]
    return max(1, int(judged.groupby(group).size().max()))


def _days(made: pd.DataFrame, frame: pd.DataFrame) -> np.ndarray:
    """Return the day of each new bake: no more a day than before, no load or dough parted."""
    most = int(made.groupby("day").size().max()) if len(made) else len(frame)
    shared = _shared(frame)
    loads = pd.Series(range(len(frame)), index=frame.index) if shared is None else shared
    sizes = loads.value_counts(sort=False).sort_index()
    days = max(1, -(-len(frame) // most))
    filled = [0] * days
    day_of = {}
    for load, size in sorted(sizes.items(), key=lambda pair: (-pair[1], pair[0])):
        day = int(np.argmin(filled))
        day_of[load] = day + 1
        filled[day] += int(size)
    return np.array([day_of[load] for load in loads])


def _shared(frame: pd.DataFrame) -> pd.Series | None:
    """Return what bakes share that must not be parted: their load, else their dough."""
    return next((frame[name] for name in ("load", *MIXED_ONCE) if name in frame), None)


def groups_of(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray | None]:
    """Return the day and the load of each row as numbers, loads None where there are none.

    Examples
    --------
    >>> groups_of(pd.DataFrame({"day": [1, 2], "load": [pd.NA, pd.NA]}))
    (array([0, 1]), None)
    """
    days = pd.factorize(frame["day"])[0]
    if frame["load"].isna().all():
        return days, None
    return days, pd.factorize(frame["load"])[0]


# -- When a further round can no longer be expected to move the choice.


# A round that is expected to better the choice by less than this share of what is worth noticing,
# and to move it by that much with less than this chance, is not asked for (our own limits)
NOTICED_LEAST, MOVED_LEAST = 0.2, 0.05


class NothingToGainError(PlanError):
    """There is no next round: the best setting is confirmed, and no bakes can better it.

    Not a mistake; the end that a development is baked for.

    Parameters
    ----------
    why : str
        What was confirmed, and why a further round is not worth it.
    """

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(
            f"{why} Stop here, or say what you still want to know: "
            'trials.next_round(round, bakes, action="fill the gaps").'
        )


@dataclass(frozen=True, eq=False)
class Weighed:
    """An action with what it is expected to gain.

    Parameters
    ----------
    action : Action
    gain : float
        Expected improvement of the choice, in the units in which it is judged.
    noticed : float
        The same as a share of what is worth noticing.
    moved : float
        The chance that the choice improves by more than is worth noticing.
    """

    action: Action
    gain: float
    noticed: float
    moved: float

    @property
    def bakes(self) -> int:
        """How many bakes it takes."""
        return len(self.action.X)

    @property
    def per_bake(self) -> float:
        """What is gained by each bake."""
        return self.gain / max(1, self.bakes)


def enough(weighed: list[Weighed]) -> bool:
    """Say whether no action is likely to move the choice by more than is worth noticing.

    Examples
    --------
    >>> enough([])
    True
    """
    return all(one.moved < MOVED_LEAST and one.noticed < NOTICED_LEAST for one in weighed)


def stop_words(knowledge: Knowledge, weighed: list[Weighed], bakes: int) -> str:
    """Return why a further round is not asked for, in a sentence."""
    moved = max((one.moved for one in weighed), default=0.0)
    share = max((one.noticed for one in weighed), default=0.0)
    if len(knowledge.goals) == 1:
        amount = tidy_number(share * knowledge.noticeable, 2)
        gain = f"{amount} points of {knowledge.goals[0].name}"
    else:
        gain = f"{percent(share)} of a difference worth noticing"
    more = "1 more bake is" if bakes == 1 else f"{bakes} more bakes are"
    return (
        f"A further round is not worth it: {more} expected to better the choice by {gain} at "
        f"most, and to change it noticeably with a chance of {percent(moved)}."
    )


def gains_table(weighed: list[Weighed]) -> pd.DataFrame:
    """Return all actions side by side, the most expected first.

    Examples
    --------
    >>> list(gains_table([]).columns)
    ['action', 'bakes', 'gain', 'per_bake', 'noticed', 'moved']
    """
    rows = [
        (one.action.name, one.bakes, one.gain, one.per_bake, one.noticed, one.moved)
        for one in sorted(weighed, key=lambda one: -round(one.gain, 9))
    ]
    return pd.DataFrame(rows, columns=["action", "bakes", "gain", "per_bake", "noticed", "moved"])


# -- What to bake next: every action weighed by what it is expected to gain, one chosen, said why.


# Imagined outcomes tell a gain to about this share, so that within it actions are alike: then the
# one that stands first wins
ALIKE = 0.1
# What is expected of bakes is of no use where the last ones belied what was expected
_UNEXPECTED = (
    "Why it came out otherwise is not understood yet, so how much they will better the choice can "
    "not be said."
)
NEXT_BAKES = "next bakes"  # the family of a plan that goes on from what was learned
Known = Any  # a Round, a list of rounds, Evidence, Findings, or findings by measure


@dataclass(frozen=True, eq=False)
class _Request:
    """What is asked, read and checked."""

    knowledge: Knowledge
    answers: Answers | None
    bakes: int
    exclude: Exclude
    same_day: bool
    seed: int
    stay: str  # why the reference is stayed with; nothing where it is not

    @property
    def last(self) -> str:
        """The name of the last round that speaks."""
        return self.answers.rounds[-1] if self.answers else ""


@dataclass(frozen=True, eq=False)
class NextStep:
    """What to bake next, and why.

    Parameters
    ----------
    plan : Plan
        The bakes so far, then the new ones.
    reasons : tuple of str
        In sentences, the first one first.
    action : str
        What the new bakes are for, such as "fill the gaps".
    weighed : DataFrame
        Every action that was weighed, with its expected gain.
    """

    plan: Plan
    reasons: tuple[str, ...]
    action: str
    weighed: pd.DataFrame = field(repr=False)

    def __repr__(self) -> str:
        return "\n".join(self.reasons)

    def _repr_html_(self) -> str:
        # The plan carries the reasons and the table of bakes
        return self.plan._repr_html_()


@checked_types(RoundError)
def next_round(
    round_or_findings: Known,
    bakes: int,
    *,
    measures: Measure | str | Sequence[Measure | str] | None = None,
    exclude: Exclude = None,
    action: str | None = None,
    same_day: bool = False,
    seed: int | None = None,
) -> NextStep:
    """Return what to bake next, with the reasons.

    Repeats, mirror bakes, bakes that tell explanations apart, bakes between the settings that may
    be best, narrower ranges, ends and middles, the path of steepest ascent, settled factors held:
    each is weighed by how much better the choice is expected to be after it. Where none is likely
    to move the choice by what is worth noticing, the best setting is confirmed against the
    reference instead.

    Parameters
    ----------
    round_or_findings : Round, sequence of rounds, Evidence, Findings or mapping of them
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
    NextStep
        Its plan holds the bakes so far, as they are, then the new ones on days of their own;
        ``plan.details["kept"]`` names the bakes so far.

    Raises
    ------
    PlanError
        When there is room for no bake, or no such action. `NothingToGainError`, a kind of it, when
        the last round has confirmed the best setting and nothing is left to gain.
    FitError
        When nothing was fitted, or no measure has a goal.

    References
    ----------
    Raiffa & Schlaifer 1961, Applied Statistical Decision Theory (preposterior analysis); Meyer,
    Steinberg & Box 1996 (bakes that tell explanations apart); Box & Wilson 1951 (steepest ascent).
    """
    asked = _request(round_or_findings, bakes, measures, exclude, same_day, seed)
    plan = _next_plan(asked, action)
    weighed = pd.DataFrame(plan.details.get("weighed", []))
    return NextStep(plan, plan.reasons, plan.details["action"], weighed)


def _next_plan(asked: _Request, action: str | None) -> Plan:
    """Return the plan of the action asked for, else of the one that gains most."""
    if action is not None and CONFIRMATION.startswith(action):
        return _confirming(asked, "Whether it holds is tried now, as you asked.", [])
    if action is None and _wants_blind_pair(asked):
        return _confirming(asked, NOT_BLIND, [])
    weighed = _weighed(asked)
    unlike = ""
    if action is not None:
        chosen = next((one for one in weighed if one.action.name.startswith(action)), None)
        if chosen is None:
            names = in_words([one.action.name for one in weighed] + [CONFIRMATION], "or")
            raise PlanError(f'action is "{action}"; expected {names}.')
    elif enough(weighed):
        why = stop_words(asked.knowledge, weighed, asked.bakes)
        tried = _confirmed_last(asked)
        if tried:
            held = f'was baked again in "{asked.last}", and it held: {_setting(asked.knowledge)}.'
            said = [f"The setting to go for {held}", why, *_settles(asked.knowledge)]
            raise NothingToGainError(" ".join(said))
        if tried is None:
            return _confirming(asked, why, weighed)
        chosen = _best(weighed)
        unlike = _unlike(asked)
    else:
        chosen = _best(weighed)
        unlike = _unlike(asked) if _refuted(asked) else ""
    plan = _plan(asked, chosen.action)
    beside = _references(asked.knowledge.made, new_bakes(plan).days)
    if beside:
        plan = _plan(asked, chosen.action, beside, reference=_held_to(asked)[1])
    return _explained(asked, plan, chosen, weighed, unlike)


NOT_BLIND = (
    "The scores so far were not given blind, so they can not say what matters. First a blind pair: "
    "the best of them beside the reference bake, plates shuffled, tasted before looking."
)


def _wants_blind_pair(asked: _Request) -> bool:
    """Say whether anything that decides was scored by somebody who knew the bake."""
    if asked.answers is None:
        return False
    names = [one.measure.name for one in asked.knowledge.beliefs]
    return asked.answers.evidence.wants_blind_pair(*names)


def _references(made: pd.DataFrame, days: int) -> int:
    """Return how many reference bakes some new days get: as many a day as it was usual so far."""
    if made.empty:
        return 0
    a_day = (made["role"] == Role.REFERENCE).groupby(made["day"]).sum()
    return int(a_day.median()) * days


def _request(
    data: Known,
    bakes: int,
    measures: Measure | str | Sequence[Measure | str] | None,
    exclude: Exclude,
    same_day: bool,
    seed: int | None,
) -> _Request:
    bakes = whole_number("bakes", bakes, least=1)
    answers = _answers_on(data)
    made, chosen = None, None
    if answers is not None:
        known_so_far = answers.evidence
        found = findings_to_choose(answers)
        exclude = list(known_so_far.exclusions) or None if exclude is None else exclude
        made = made_of(known_so_far)
        if measures is None and exclude == (list(known_so_far.exclusions) or None):
            chosen = best_so_far(answers)
    else:
        found = {data.response: data} if isinstance(data, Findings) else dict(data)
    wanted = _measures(found, measures)
    if chosen is None:
        chosen = recommend(found, wanted, exclude=exclude)
    best = chosen.settings if chosen.to_learn is None else chosen.to_learn
    knowledge = known(found, wanted, exclude=exclude, made=made, same_day=same_day, best=best)
    if made is not None and answers is not None:
        knowledge = replace(knowledge, unbaked=answers.evidence.unbaked)
    own = int(len(knowledge.made) * 7919 + bakes) if seed is None else int(seed)
    return _Request(knowledge, answers, bakes, exclude, same_day, own, chosen.stay)


def _answers_on(data: Known) -> Answers | None:
    """Return the answers of what was given; None for findings, which speak for themselves."""
    if isinstance(data, Findings | Mapping):
        return None
    answers = data if isinstance(data, Answers) else Answers(evidence(data))
    known = answers.evidence
    if known.waiting and known.parts[-1].name in known.waiting:
        raise PlanError(
            f'"{known.waiting[0]}" is planned and nothing of it is entered yet, so what follows it '
            f'can not be said. Enter its bakes first, or go on from "{known.rounds[-1]}".'
        )
    return answers


def _measures(
    found: Mapping[str, Findings], measures: Measure | str | Sequence[Measure | str] | None
) -> list[Measure]:
    if measures is not None:
        given = [measures] if isinstance(measures, Measure | str) else measures
        own = {name: one.measure for name, one in found.items() if one.measure is not None}
        return [
            own[one] if isinstance(one, str) and one in own else measure_named(one) for one in given
        ]
    return [
        with_goal(one.measure or Measure(name, "number", worth_noticing=one.margin))
        for name, one in found.items()
    ]


def _weighed(asked: _Request) -> list[Weighed]:
    """Return every action with its gain; only the one that is chosen is laid out as a plan."""
    factors, made = asked.knowledge.factors, asked.knowledge.made
    weighed = []
    for one in steps(actions(asked.knowledge, asked.bakes), "Weighing what to bake next"):
        in_doughs = divided(factors, made, one.X)
        if asked.knowledge.region.allows(in_doughs).all():
            one = replace(one, X=in_doughs)
        frame = pd.DataFrame(real_settings(factors, one.X))
        frame = _in_groups(factors, made, frame)
        days, loads = groups_of(frame.assign(day=_days(made, frame), load=_shared(frame)))
        gain = expected_gain(asked.knowledge, one.X, days, loads)
        weighed.append(Weighed(one, gain.worth, gain.noticed, gain.moved))
    return weighed


def _plan(
    asked: _Request,
    action: Action,
    references: int = 0,
    *,
    reference: Mapping[str, Any] | None = None,
    mixed: bool = False,
) -> Plan:
    return continued(
        asked.knowledge.factors,
        asked.knowledge.made,
        action.X,
        family=CONFIRMATION if action.name == CONFIRMATION else NEXT_BAKES,
        model="interactions",
        references=references,
        reference=reference,
        exclude=asked.exclude,
        same_day=asked.same_day,
        mixed=mixed,
        seed=asked.seed,
    )


def _best(weighed: Sequence[Weighed]) -> Weighed:
    """Return the action that gains most; of those alike the one with fewest bakes, then first."""
    top = max(one.gain for one in weighed)
    near = [one for one in weighed if one.gain >= top * (1 - ALIKE)]
    return min(near, key=lambda one: one.bakes)


def _explained(
    asked: _Request, plan: Plan, chosen: Weighed, weighed: Sequence[Weighed], unlike: str
) -> Plan:
    knowledge = asked.knowledge
    said = [
        _best_words(asked),
        f"Next{unlike}: {chosen.action.name}. {chosen.action.why}",
        _UNEXPECTED if unlike else _gain_words(knowledge, chosen, weighed),
    ]
    fresh = new_bakes(plan)
    before = len(knowledge.made) - len(knowledge.unbaked)
    so_far = [f"{before} made so far", *_what_failed(knowledge)]
    so_far += _as_what_failed(knowledge, fresh)
    said += _settles(knowledge)
    said.append(f"{fresh.sentence()} follow the {'; '.join(so_far)}.")
    return replace(
        plan,
        reasons=tuple(said),
        details={**plan.details, **_details(chosen.action.name, weighed)},
    )


def _settles(knowledge: Knowledge) -> list[str]:
    """Return what one more round like those so far would settle, in the words of `fit`."""
    one = knowledge.findings[0]
    more = more_would_settle(one)
    return [f"Of what is not settled for {one.response}: {more}."] if more else []


def _what_failed(knowledge: Knowledge) -> list[str]:
    """Return how many bakes failed, without a stop; nothing where none did."""
    told = next(filter(None, map(failed_words, knowledge.findings)), "")
    return [told.removesuffix(".")] if told else []


def _failed_settings(knowledge: Knowledge) -> dict[str, str]:
    """Return the bake that failed at each setting, in words."""
    return {
        setting_words(knowledge.factors, row): str(row["bake"])
        for one in knowledge.findings
        for row in one.failed.to_dict("records")
        if row.get("status") == Status.FAILED
        if "bake" in row and all(factor.name in row for factor in knowledge.factors)
    }


def _as_what_failed(knowledge: Knowledge, fresh: Plan) -> list[str]:
    """Return which of the new bakes are made as one that failed was."""
    failed = _failed_settings(knowledge)
    rows = fresh.rows.to_dict("records")
    again: dict[str, list[str]] = {}
    for row in rows:
        words = setting_words(knowledge.factors, row)
        if words in failed:
            again.setdefault(failed[words], []).append(str(row["bake"]))
    return [
        f"{in_words(new)} {'is' if len(new) == 1 else 'are'} made as {old} was"
        for old, new in again.items()
    ]


def _details(name: str, weighed: Sequence[Weighed]) -> dict[str, Any]:
    table = gains_table(list(weighed)).round(6)
    return {"action": name, "weighed": table.to_dict("records")}


def _best_words(asked: _Request) -> str:
    """Return the best setting, and whether it was ever baked."""
    knowledge = asked.knowledge
    setting = _setting(knowledge)
    never = untried_words(knowledge.choice, knowledge.best[None])
    words = (
        f"{asked.stay.removesuffix('.')}; the best of the others, to learn from: {setting}."
        if asked.stay
        else f"Setting to go for: {setting}."
    )
    return f"{words} {never}".rstrip()


def _setting(knowledge: Knowledge) -> str:
    words = setting_words(knowledge.factors, knowledge.region.frame(knowledge.best[None]))
    one, goal = knowledge.beliefs[0], knowledge.goals[0]
    expected = float((one.rows(knowledge.best[None]) @ one.mean)[0])
    return f"{words}, with {goal.name} expected at {tidy_number(expected, 2)}"


def _gain_words(knowledge: Knowledge, chosen: Weighed, weighed: Sequence[Weighed]) -> str:
    others = sorted(
        (one for one in weighed if one is not chosen), key=lambda one: -round(one.gain, 9)
    )[:2]
    alike = chosen.gain >= max(one.gain for one in weighed) * (1 - ALIKE)
    ahead = [one for one in others if alike and one.gain > chosen.gain]
    fewer = any(one.bakes > chosen.bakes for one in ahead)
    near = ", so near that they count as alike" if ahead else ""
    near += " and these are fewer bakes" if fewer else ""
    gains = in_words([f"{_amount(knowledge, one)} ({one.action.name})" for one in others])
    beside = f", where other ideas would bring {gains}{near}" if others else ""
    simple = _one_way(knowledge)
    unit = f" points of {knowledge.goals[0].name}" if simple else " of a difference worth noticing"
    return (
        f"They are expected to better the choice by {_amount(knowledge, chosen)}{unit}{beside}; "
        f"the chance that they change it noticeably is {percent(chosen.moved)}."
    )


def _amount(knowledge: Knowledge, one: Weighed) -> str:
    return tidy_number(one.gain, 2) if _one_way(knowledge) else percent(one.noticed)


def _one_way(knowledge: Knowledge) -> bool:
    """Say whether one measure alone is wanted, the higher or the lower the better."""
    return len(knowledge.goals) == 1 and knowledge.goals[0].kind in ("higher", "lower")


def _unlike(asked: _Request) -> str:
    return f', as "{asked.last}" did not come out as foretold'


def _refuted(asked: _Request) -> bool:
    """Say whether the last round was to confirm a setting, and did not."""
    if asked.answers is None or asked.answers.rounds[-1] not in asked.answers.evidence.confirmed:
        return False
    found = confirmation(asked.answers)
    return found is not None and not found.confirmed


def _confirmed_last(asked: _Request) -> bool | None:
    """Say whether the last round confirmed what is the best now; None: that was not tried.

    A setting that is not noticeably worse than the best counts as tried with it: to hold its twin
    to the reference as well would not tell why it came out otherwise.
    """
    if asked.answers is None:
        return None
    trial = asked.answers.evidence.confirmed.get(asked.answers.rounds[-1])
    if trial is None:
        return None
    knowledge = asked.knowledge
    if any(one.name not in trial for one in knowledge.factors):
        return None
    X = np.vstack([knowledge.best[None], coded(knowledge.factors, trial)])
    worth = knowledge.worth([one.rows(X) @ one.mean for one in knowledge.beliefs])
    if worth[0] - worth[1] > knowledge.noticeable:
        return None
    return confirmation(asked.answers).confirmed


def _held_to(asked: _Request) -> tuple[str, Mapping[str, Any] | None]:
    """Return the parent to hold the best setting to; no name where the reference is another.

    The parent that the reference bakes so far were. Else, of parents that are another setting and
    did not fail, the one that is expected to be the best.
    """
    knowledge = asked.knowledge
    known = {} if asked.answers is None else asked.answers.evidence.parents
    if not known:
        return "", None
    named = {setting_words(knowledge.factors, own): name for name, own in known.items()}
    rows = knowledge.made[knowledge.made["role"] == Role.REFERENCE]
    if len(rows):
        last = setting_words(knowledge.factors, rows.iloc[-1].to_dict())
        return (named[last], known[named[last]]) if last in named else ("", None)
    best = knowledge.region.frame(knowledge.best[None]).iloc[0].to_dict()
    not_these = {setting_words(knowledge.factors, best), *_failed_settings(knowledge)}
    others = {name: known[name] for words, name in named.items() if words not in not_these}
    if not others:
        return "", None
    X = np.vstack([coded(knowledge.factors, own) for own in others.values()])
    worth = knowledge.worth([one.rows(X) @ one.mean for one in knowledge.beliefs])
    name = list(others)[int(np.argmax(worth))]
    return name, others[name]


def _confirming(asked: _Request, why: str, weighed: Sequence[Weighed]) -> Plan:
    """Return a plan that holds the best setting to the reference, half of the bakes each."""
    knowledge = asked.knowledge
    count = max(1, asked.bakes // 2)
    references = max(1, asked.bakes - count)
    action = Action(CONFIRMATION, np.repeat(knowledge.best[None], count, axis=0), why, references)
    name, setting = _held_to(asked)
    plan = _plan(asked, action, references, reference=setting, mixed=True)
    held = [knowledge.factors[at].name for at in settled(knowledge, chance_best(knowledge))]
    said = [
        _best_words(asked),
        why,
        f"So it is held to {name or 'the reference'}: {count} bake{'s' if count > 1 else ''} of it "
        f"and {f'{references} of {name}' if name else how_many(references, 'reference bake')}, "
        "tasted blind.",
        *(f"{told}." for told in _what_failed(knowledge)),
        *_settles(knowledge),
    ]
    if held:
        where = "its better setting" if len(held) == 1 else "their better settings"
        verb = "is" if len(held) == 1 else "are"
        words = in_words(held)
        said.append(
            f"{words[0].upper()}{words[1:]} {verb} at {where} with at least {percent(SURE)} "
            "certainty."
        )
    details = {**plan.details, **_details(CONFIRMATION, weighed)}
    details |= {"reference": name} if name else {}
    return replace(plan, reasons=tuple(said), details=details)
