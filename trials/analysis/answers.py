"""One door to an answer: scores that are averaged are fitted, all others are counted."""

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from trials.analysis.counted import Counted, counted, measures_of
from trials.analysis.fitting import fit as fit_scores
from trials.analysis.results import Findings
from trials.base.errors import FitError
from trials.base.words import number
from trials.core.factors import Factor, is_blank
from trials.core.measures import Measure
from trials.core.terms import Model

Answer = Findings | Counted


def fit(
    data: Any,
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    method: str = "kenward-roger",
) -> Answer:
    """Learn what changed a response: averages by the right error, all else by counts.

    Liking, lines and numbers are averaged; just about right, yes or no, ticked words, rankings and
    words of one's own are counted. Both read alike: `.sentences`, `.notes`, `.summary()`.

    Parameters
    ----------
    data : Round or DataFrame
        A round whose scores are in, or any tidy table with one row per score.
    response : str
        The measure, or the column, to explain.
    factors : sequence of Factor or str, optional
        Needed for a table; a name stands for the column as it is.
    model : str, list of str or None
        "main", "interactions", "quadratic", "blend", or terms such as "fat with hydration". None
        takes the plan's own, else "interactions". Of scores that are averaged.
    groups : iterable of str or None
        One random intercept each; "day/load" is load within day and does not add "day". None
        takes those of day, load, bake and taster that the table has; () is for none. Of scores
        that are averaged.
    measure : Measure, optional
        The scale, and what is worth noticing; of a table that is not of numbers it is needed.
    method : "kenward-roger" or "satterthwaite"
        How degrees of freedom are found.

    Returns
    -------
    Findings or Counted
        By what was asked: means of scores, or counts.

    Raises
    ------
    FitError
        When the table can not answer: what was found, and what would help.
    SheetError
        When the sheets of a round hold mistakes.

    References
    ----------
    Patterson & Thompson 1971 (REML); Kenward & Roger 1997, Biometrics 53:983; Lenth 1989 where
    every bake was spent on an effect. Of counts: see `Counted.method`.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2,
    ...                       "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2]})
    >>> found = fit(table, "liking", ["rest", "fat"], model="main")
    >>> found.effects[["term", "level", "reference", "verdict"]]
       term level reference      verdict
    0  rest    60        20      matters
    1   fat   oil    butter  not settled
    >>> torn = table.assign(torn=["no", "no", "yes", "no"] * 2, bake=range(8))
    >>> fit(torn, "torn", ["fat"], measure=Measure("torn", "passed", per="bake")).sentences[0]
    'Torn: yes for 2 of 8 bakes: 25 %, which fits a chance of 3 % to 65 %.'
    """
    asked = measure or next((one for one in measures_of(data) if one.name == response), None)
    if isinstance(asked, Measure) and asked.name == response and not asked.averaged:
        if model is not None or groups is not None:
            raise FitError(
                f'"{response}" is counted, not averaged; it takes no model and no groups.'
            )
        return counted(data, response, factors, measure=measure)
    if asked is None and isinstance(data, pd.DataFrame) and _holds_words(data, response):
        raise FitError(
            f'"{response}" holds words, not numbers. Name what was asked: measure='
            f'trials.Measure("{response}", "check all", words=[...]) for words that were ticked, '
            f'trials.Measure("{response}", "words") for words of one\'s own, or '
            f'trials.Measure("{response}", "passed") for yes and no.'
        )
    return fit_scores(
        data, response, factors, model=model, groups=groups, measure=measure, method=method
    )


def _holds_words(table: pd.DataFrame, response: str) -> bool:
    """Say whether a column holds texts and no number at all."""
    if response not in table or table.columns.duplicated().any():
        return False
    held = [value for value in table[response] if not is_blank(value)]
    return bool(held) and all(isinstance(one, str) and number(one) is None for one in held)
