"""The rounds of a development: each knows the one before, and all are judged together."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from trials.analysis.answers import Answer
from trials.analysis.answers import fit as answer
from trials.analysis.averaging import averaged
from trials.analysis.choice import Recommendation, recommend
from trials.analysis.fitting import answered, fit
from trials.analysis.forecast import counted_goals
from trials.analysis.question import question
from trials.analysis.results import Findings
from trials.base.errors import FitError, RoundError
from trials.core.factors import Component, Factor, Numeric
from trials.core.measures import Measure
from trials.core.roles import Role
from trials.core.terms import model_terms
from trials.rounds.round import Round
from trials.rounds.scores import scores

MOST_ROUNDS = 100


def line_of(round_: Round) -> tuple[Round, ...]:
    """Return a round with all the rounds before it, the first one first."""
    line = [round_]
    while line[0].parent:
        folder = parent_folder(line[0])
        if len(line) > MOST_ROUNDS or any(folder.samefile(one.folder) for one in line):
            raise RoundError(f'"{line[0].folder}" names a round that follows it as the one before.')
        line.insert(0, Round.open(folder))
    return tuple(line)


def parent_folder(round_: Round) -> Path:
    """Return the folder of the round before."""
    folder = round_.folder / round_.parent
    if not folder.is_dir():
        raise RoundError(
            f'"{round_.folder}" follows the round "{round_.parent}", which is not there. Put the '
            "folder back, or take the line parent out of round.toml."
        )
    return folder


def baked_so_far(line: Sequence[Round]) -> tuple[tuple[Round, ...], tuple[Round, ...]]:
    """Return the rounds up to the last of which something was baked, and those that wait."""
    told = len(line)
    while told > 1 and not is_baked(scores(line[told - 1])["status"]).any():
        told -= 1
    return tuple(line[:told]), tuple(line[told:])


def is_baked(status: pd.Series) -> pd.Series:
    """Say of every row of scores whether its bake was made, whatever came of it.

    Examples
    --------
    >>> is_baked(pd.Series(["made", "failed", "not baked", ""])).tolist()
    [True, True, False, False]
    """
    return ~status.fillna("").isin(["", "not baked"])


def unbaked(rounds: Sequence[Round]) -> frozenset[str]:
    """Return the bakes that were planned and of which it is not said that they were made."""
    table = scores_together(rounds)
    return frozenset(table.loc[~is_baked(table["status"]), "bake"])


def scores_together(rounds: Sequence[Round]) -> pd.DataFrame:
    """Return the scores of several rounds as one tidy table.

    Days, loads and other groups of a later round are counted on, because no day or load of two
    rounds is the same.
    """
    tables: list[pd.DataFrame] = []
    last: dict[str, int] = {}
    taken: set[str] = set()
    for number, round_ in enumerate(rounds, start=1):
        table = scores(round_)
        twice = taken & set(table["bake"])
        if twice:
            raise RoundError(
                f'bake {min(twice)} stands in two rounds, "{round_.folder.name}" being one; bakes '
                "of a development have each a name of their own."
            )
        taken |= set(table["bake"])
        for name in ("day", *round_.plan.groups):
            table[name] = table[name] + last.get(name, 0)
            if table[name].notna().any():
                last[name] = int(table[name].max())
        tables.append(table.assign(round=number))
    whole = pd.concat([table.astype(object) for table in tables], ignore_index=True)
    return _typed(whole, tables)


def _typed(whole: pd.DataFrame, tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    for name in whole:
        kinds = {table[name].dtype for table in tables if name in table}
        if len(kinds) == 1:
            whole[name] = whole[name].astype(kinds.pop())
    return whole[["round", *(name for name in whole if name != "round")]]


def fit_together(rounds: Sequence[Round], response: str) -> Findings:
    """Learn what changed a response from all bakes of several rounds."""
    table = scores_together(rounds)
    measure, factors = rounds[-1].measure(response), _varied(rounds, table)
    found = _fit_as_asked(rounds, table, measure, factors)
    return found or fit_widest(table, measure, factors)


def answered_together(rounds: Sequence[Round], response: str) -> Answer:
    """Return what all rounds say of a response: averaged or counted, as it was asked."""
    last = rounds[-1]
    if len(rounds) > 1 and last.measure(response).averaged:
        return fit_together(rounds, response)
    return answer(last, response)


def _varied(rounds: Sequence[Round], table: pd.DataFrame) -> list[Factor]:
    return [one for one in rounds[-1].plan.factors if table[one.name].nunique() > 1]


def _fit_as_asked(
    rounds: Sequence[Round], table: pd.DataFrame, measure: Measure, factors: Sequence[Factor]
) -> Findings | None:
    """Return the fit of what the plans ask; None where they leave that open.

    What was asked from the start stays the question: all pairs at once would blur its answers.
    """
    if len(rounds) == 1:
        return fit(rounds[0], measure.name)
    asked = _terms_asked(rounds, factors)
    bends = _bends(table, measure, factors)
    models = ([*asked, *bends], asked) if asked else ()
    return next(filter(None, (_fitted(table, measure, factors, one) for one in models)), None)


def _terms_asked(rounds: Sequence[Round], factors: Sequence[Factor]) -> list[str]:
    """Return the terms that the plans of the rounds name, every factor by itself first."""
    names = [factor.name for factor in factors]
    named = [one.plan for one in rounds if not isinstance(one.plan.model, str)]
    terms = [term for plan in named for term in model_terms(plan.model, plan.factors)]
    kept = [term.name for term in terms if set(term.factors) <= set(names)]
    return list(dict.fromkeys([*names, *kept])) if kept else []


def _bends(table: pd.DataFrame, measure: Measure, factors: Sequence[Factor]) -> list[str]:
    """Return the squares of the numbers that trial bakes were set in between with, too."""
    scored = table[table[measure.name].notna()]
    if "role" in scored:
        # Reference bakes have a level of their own, so they show no bend
        scored = scored[scored["role"] != Role.REFERENCE]
    return [
        f"{one.name}^2"
        for one in factors
        if isinstance(one, Numeric) and scored[one.name].nunique() > 2
    ]


def fit_widest(table: pd.DataFrame, measure: Measure, factors: Sequence[Factor]) -> Findings:
    """Return the fit of all pairs, with a bend for every number that was set in between.

    Where the bakes can not tell all of that apart, bends are left out first.
    """
    names = [factor.name for factor in factors]
    bends = _bends(table, measure, factors)
    models = (_widest_terms(table, measure, factors), [*names, *bends]) if bends else ()
    found = next(filter(None, (_fitted(table, measure, factors, one) for one in models)), None)
    found = found or fit(table, measure.name, factors, measure=measure)
    return found if found.averaged else _averaged_too(found, table, measure, factors)


def _widest_terms(table: pd.DataFrame, measure: Measure, factors: Sequence[Factor]) -> list[str]:
    names = [factor.name for factor in factors]
    pairs = [f"{a}:{b}" for place, a in enumerate(names) for b in names[place + 1 :]]
    return [*names, *pairs, *_bends(table, measure, factors)]


def _fitted(
    table: pd.DataFrame, measure: Measure, factors: Sequence[Factor], model: list[str]
) -> Findings | None:
    try:
        asked = question(table, measure.name, factors, model=model, measure=measure)
    except FitError:
        return None
    # The rounds' plans asked for these terms: nobody named them as the whole truth
    return answered(replace(asked, model_named=False))


def _averaged_too(
    found: Findings, table: pd.DataFrame, measure: Measure, factors: Sequence[Factor]
) -> Findings:
    """Return findings with the average over explanations that choices are made by.

    Bakes that crowd round the best settings leave much of a whole model open; taken as they come,
    its effects would send the choice where least is known.
    """
    if any(isinstance(one, Component) for one in factors):
        return found
    terms = _widest_terms(table, measure, factors)
    asked = question(table, measure.name, factors, measure=measure, planned=terms)
    return replace(found, averaged=averaged(asked) or found.averaged)


def findings_together(rounds: Sequence[Round]) -> dict[str, Findings]:
    """Return what all rounds say of every measure with a goal that can be averaged, to choose by.

    Unlike in :func:`fit_together`, explanations with pairs that no plan named are averaged in.
    """
    last = rounds[-1]
    wanted = [one for one in last.measures if one.goal is not None and one.averaged]
    counted = [one for one in last.measures if one.goal is not None and not one.averaged]
    if counted and not wanted:
        raise FitError(counted_goals(counted))
    if not wanted:
        raise FitError(
            'no measure has a goal, so no setting is better than another. Give one goal="higher", '
            '"lower", ("target", x, tolerance) or ("between", a, b).'
        )
    table = scores_together(rounds)
    factors = _varied(rounds, table)
    found: dict[str, Findings] = {}
    refusals: list[FitError] = []
    for measure in wanted:
        try:
            own = _fit_as_asked(rounds, table, measure, factors)
            found[measure.name] = (
                _averaged_too(own, table, measure, factors)
                if own
                else fit_widest(table, measure, factors)
            )
        except FitError as error:
            refusals.append(error)
    if not found:
        raise refusals[0]
    return found


def best_so_far(rounds: Sequence[Round]) -> Recommendation:
    """Return the setting that all rounds together speak for: the one that the next round names."""
    last = rounds[-1]
    found = findings_together(rounds)
    wanted = [last.measure(name) for name in found]
    return recommend(found, wanted, exclude=list(last.plan.excluded) or None)
