"""The question put to a round or to a table of one's own: the door to every analysis."""

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from trials.analysis.preparing import Question, question
from trials.analysis.scored_rows import as_table
from trials.design.terms import Model
from trials.errors import FitError
from trials.factors import Categorical, Component, Factor, Numeric
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
    factors, groups = _checked(response, factors, model, groups, measure)
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
        return as_table(data), factors
    plan = data.plan
    moved = tuple(one for one in plan.factors if plan.rows[one.name].nunique() > 1)
    return scores(data), factors or moved


def _checked(
    response: Any, factors: Any, model: Any, groups: Any, measure: Any
) -> tuple[Sequence[Factor | str] | None, Iterable[str] | None]:
    """Return the factors and groups as lists, once all that was asked with is of its kind."""
    if not isinstance(response, str):
        raise FitError(
            f"the response is {response!r}; give the name of its column as text, such as "
            f'"{response if isinstance(response, int) else "liking"}".'
        )
    if measure is not None and not isinstance(measure, Measure):
        raise FitError(
            f"measure is {measure!r}; give a measure, such as "
            f'trials.Measure("{response}", "hedonic 9"), or leave it out.'
        )
    if measure is not None and measure.name.casefold() != response.casefold():
        raise FitError(
            f'the measure is "{measure.name}" but the response is "{response}"; its scale and '
            "what is worth noticing on it are those of another. Give the response's own."
        )
    _listed("model", model, str, '"interactions", or a list of terms such as ["fat"]')
    kinds = (str, Numeric, Categorical, Component)
    chosen = _listed("factors", factors, kinds, 'a list of columns or factors, such as ["fat"]')
    # One word of groups is refused, with its mending, where the table is read
    return chosen, _listed("groups", groups, str, 'a list of names, such as ("bake", "taster")')


def _listed(name: str, given: Any, kinds: Any, expected: str) -> Any:
    """Return what was given as a list (one word or None as it is), each of the right kind."""
    if given is None or isinstance(given, str):
        return given
    if not isinstance(given, Iterable):
        raise FitError(f"{name} is {given!r}; expected {expected}.")
    found = list(given)
    for one in found:
        if not isinstance(one, kinds):
            raise FitError(
                f"{name} holds {one!r}, where a name was expected; write names as text, such as "
                f'"{one if isinstance(one, int) else "fat"}".'
            )
    return found
