"""The question put to a round or to a table of one's own: the door to every analysis."""

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from trials.analysis.preparing import Question, question
from trials.design.terms import Model
from trials.factors import Factor
from trials.measures import Measure
from trials.rounds.round import Round
from trials.rounds.scores import scores


def question_of(
    data: Round | pd.DataFrame | Any,
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
) -> Question:
    """Return the question that a round, or any tidy table, is asked about one response.

    A round brings its own factors (those that moved), measure, model and groups.

    Parameters
    ----------
    data : Round or DataFrame
    response : str
    factors, model, groups, measure
        As for :func:`trials.fit`.

    Returns
    -------
    Question

    Raises
    ------
    FitError, SheetError
        What the table lacks or contradicts, or which sheets hold mistakes.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 20, 60, 60], "liking": [5, 6, 7, 8]})
    >>> question_of(table, "liking", ["rest"], model="main").matrix.columns
    ('', 'rest')
    """
    if not isinstance(data, Round):
        return question(data, response, factors, model=model, groups=groups, measure=measure)
    table, used = tidy_table(data, factors)
    return question(
        table,
        response,
        used,
        model=model,
        groups=groups,
        measure=measure or data.measure(response),
        planned=data.plan.model if not factors else None,
        extra_groups=[name for name in data.plan.groups if name != "load"],
    )


def tidy_table(
    data: Round | pd.DataFrame | Any, factors: Sequence[Factor | str] | None = None
) -> tuple[pd.DataFrame, Sequence[Factor | str] | None]:
    """Return the tidy scores and the factors: those given, else those of a round that moved.

    Examples
    --------
    >>> tidy_table(pd.DataFrame({"rest": [20, 60]}), ["rest"])[1]
    ['rest']
    """
    if not isinstance(data, Round):
        return pd.DataFrame(data).copy(), factors
    plan = data.plan
    moved = tuple(one for one in plan.factors if plan.rows[one.name].nunique() > 1)
    return scores(data), factors or moved
