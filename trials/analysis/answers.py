"""One door to an answer: scores that are averaged are fitted, all others are counted."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from trials.analysis.counted import Counted, counted
from trials.analysis.fitting import fit as fit_scores
from trials.analysis.question import of_folder
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.words import number
from trials.core.evidence import Evidence
from trials.core.factors import Varied, is_blank
from trials.core.measures import Measure, as_decided, measure_named
from trials.core.terms import Model

Answer = Findings | Counted


@checked_types(FitError)
def fit(
    data: Any,
    response: str,
    factors: Sequence[Varied | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | str | None = None,
    method: str = "kenward-roger",
    held: Mapping[str, Any] | None = None,
    alone: bool = False,
    outside_range: bool = False,
) -> Findings | Any:
    """Learn what changed a response: averages by the right error, all else by counts.

    Liking, lines and numbers are averaged; just about right, yes or no, ticked words, rankings and
    words of one's own are counted. Both read alike: `.sentences`, `.notes`, `.summary()`.

    Parameters
    ----------
    data : Round, sequence of rounds or tables, DataFrame, or Evidence
        A round whose scores are in, with the rounds before it; or any tidy table with one row per
        score. See :func:`trials.evidence`.
    response : str
        The measure, or the column, to explain.
    factors : sequence of Factor or str, optional
        Needed for a table; a name stands for the column as it is.
    model : str, list of str or None
        "main", "interactions", "quadratic", "blend", or terms such as "fat with hydration". None
        takes the plan's own, else "interactions"; of several rounds the union of their plans',
        with a bend for every number that had three levels. Of scores that are averaged.
    groups : iterable of str or None
        One random intercept each; "day/load" is load within day and does not add "day". None
        takes those of day, load, bake and taster that the table has; () is for none. Of scores
        that are averaged.
    measure : Measure, optional
        The scale, and what is worth noticing; of a table that is not of numbers it is needed.
    method : "kenward-roger" or "satterthwaite"
        How degrees of freedom are found. Where a variance is estimated at zero it keeps its place
        here, so that bakes stay bakes; programs that drop it and go on hand back the degrees of
        freedom of the tastings (six bakes of three: 4 here, where they say 16).
    held : mapping, optional
        Factor -> its setting in rounds that did not vary it.
    alone : bool
        Take a round without the rounds before it.
    outside_range : bool
        Of a table, settings outside the range that their factor was given were really so; else
        they are refused as slips.

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
    0  rest    60        20  not settled
    1   fat   oil    butter  not settled
    >>> torn = table.assign(torn=["no", "no", "yes", "no"] * 2, bake=range(8))
    >>> fit(torn, "torn", ["fat"], measure=Measure("torn", "passed", per="bake")).sentences[0]
    'Torn: yes for 2 of 8 bakes: 25 %, which fits a chance of 3 % to 65 %.'
    """
    # No type can tell which it is, as the measure is found by its name; a checker sees Findings
    data = of_folder(data)
    measure = None if measure is None else measure_named(measure)
    asked = measure or _measure_of(data, response)
    if isinstance(asked, Measure) and asked.name == response and not asked.averaged:
        if model is not None or groups is not None:
            raise FitError(f'"{response}" is counted, so it takes no model and no groups.')
        return counted(
            data,
            response,
            factors,
            measure=measure,
            held=held,
            alone=alone,
            outside_range=outside_range,
        )
    if asked is None and isinstance(data, pd.DataFrame) and _holds_words(data, response):
        raise FitError(
            f'"{response}" holds words, not numbers. Name what was asked: measure='
            f'trials.Measure("{response}", "check all", words=[...]) for words that were ticked, '
            f'trials.Measure("{response}", "words") for words of one\'s own, or '
            f'trials.Measure("{response}", "passed") for yes and no.'
        )
    return fit_scores(
        data,
        response,
        factors,
        model=model,
        groups=groups,
        measure=measure,
        method=method,
        held=held,
        alone=alone,
        outside_range=outside_range,
    )


def _measure_of(data: Any, response: str) -> Measure | None:
    """Return the measure of that name that a round, evidence or the last of several rounds has."""
    if isinstance(data, list | tuple):
        found = (_measure_of(one, response) for one in reversed(data))
        return next((one for one in found if one is not None), None)
    known = () if isinstance(data, pd.DataFrame) else getattr(data, "measures", ())
    return next((as_decided(one) for one in known if one.name == response), None)


def _holds_words(table: pd.DataFrame, response: str) -> bool:
    """Say whether a column holds texts and no number at all."""
    if response not in table or table.columns.duplicated().any():
        return False
    held = [value for value in table[response] if not is_blank(value)]
    return bool(held) and all(isinstance(one, str) and number(one) is None for one in held)


# -- The answers drawn from one evidence so far: each question put to it is worked out once.


class Answers:
    """An evidence with the findings made of it so far.

    A command makes one and hands it down, so that each (rounds, measure, model) is fitted once
    whatever is then shown. Refusals are answers too.

    Parameters
    ----------
    evidence : Evidence

    Examples
    --------
    >>> import pandas as pd
    >>> from trials.analysis.question import evidence
    >>> table = pd.DataFrame({"rest": [20, 60] * 4, "spread": [60.0, 64, 61, 63, 60, 65, 61, 64]})
    >>> answers = Answers(evidence(table, ["rest"]))
    >>> answers.on("spread") is answers.on("spread")
    True
    """

    def __init__(self, evidence: Evidence, made: dict[Any, Any] | None = None) -> None:
        self.evidence = evidence
        self._made: dict[Any, Any] = {} if made is None else made

    @property
    def rounds(self) -> tuple[str, ...]:
        """The rounds that speak."""
        return self.evidence.rounds

    def on(self, response: str, *, model: Model = None, groups: Iterable[str] | None = None) -> Any:
        """Return what changed a response, as :func:`trials.fit` finds it: averaged or counted."""
        asked = _plain(model), _plain(groups)
        return self.once(
            "fit",
            response,
            *asked,
            work=lambda: fit(self.evidence, response, model=model, groups=groups),
        )

    def once(self, *question: Any, work: Any) -> Any:
        """Return the answer to a question about these rounds, worked out when it is first put."""
        key = (self.rounds, *question)
        if key not in self._made:
            try:
                self._made[key] = work()
            except FitError as error:
                self._made[key] = error
        found = self._made[key]
        if isinstance(found, FitError):
            raise found
        return found

    def first(self, count: int) -> "Answers":
        """Return the answers of the first rounds alone."""
        if count == len(self.rounds):
            return self
        known = self.once("first", count, work=lambda: self.evidence.first(count))
        return Answers(known, self._made)

    def before(self, round_: str) -> "Answers":
        """Return the answers of the rounds before one."""
        place = self.rounds.index(round_)
        if not place:
            raise FitError(f'"{round_}" follows no round, so nothing was known before it.')
        return self.first(place)

    def until(self, round_: str) -> "Answers":
        """Return the answers of one round with those before it."""
        return self.first(self.rounds.index(round_) + 1)


def _plain(given: Any) -> Any:
    return given if given is None or isinstance(given, str) else tuple(given)
