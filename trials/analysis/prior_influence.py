"""How much the findings of a spent plan depend on what was believed before the bakes."""

import html
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from trials.analysis.averaging import averaged, beliefs, term_chances
from trials.analysis.explanations import Priors
from trials.analysis.importance import averaged_chances
from trials.analysis.question import question_of
from trials.analysis.wording import LIKELY
from trials.base.errors import FitError
from trials.base.words import in_words, kitchen_term, percent
from trials.core.factors import Factor
from trials.core.measures import Measure
from trials.core.terms import Model
from trials.rounds.round import Round

OWN = "as in the findings"
OTHER_BELIEFS: Mapping[str, Priors] = {
    "fewer factors at work": Priors(main=0.25, all_parents=0.25, some_parents=0.10),
    "more factors at work": Priors(main=0.70),
    "fewer pairs": Priors(all_parents=0.25, some_parents=0.10),
    "more pairs": Priors(all_parents=0.60, some_parents=0.40),
    "pairs only of two active factors": Priors(some_parents=0.0),
    "pairs without an active factor too": Priors(no_parents=0.10),
    "small effects": Priors(sizes=(0.5,), size_weights=(1.0,)),
    "large effects": Priors(sizes=(2.0,), size_weights=(1.0,)),
}


@dataclass(frozen=True, eq=False)
class PriorInfluence:
    """The same bakes under other beliefs.

    Parameters
    ----------
    chances : DataFrame
        One row per term, one column per belief: the chance that the term is at work.
    first : DataFrame
        beliefs, factor (the most important), chance_largest.
    sentences : tuple of str
    """

    chances: pd.DataFrame = field(repr=False)
    first: pd.DataFrame = field(repr=False)
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(one)}</p>" for one in self.sentences)
        return said + self.chances.round(2).to_html(border=0, escape=True)


def prior_influence(
    data: Round | pd.DataFrame | Any,
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    others: Mapping[str, Priors] | None = None,
) -> PriorInfluence:
    """Average over explanations anew under other beliefs, and say whether it matters.

    Parameters
    ----------
    data, response, factors, model, groups, measure
        As for :func:`trials.fit`.
    others : mapping of str to Priors, optional
        Beliefs to try; eight of the house's own when left out.

    Returns
    -------
    PriorInfluence

    Raises
    ------
    FitError
        For a blend, or where too few bakes are there to compare explanations.

    References
    ----------
    Box & Meyer 1993, J. Qual. Technol. 25:94-105, section on the choice of the prior.

    Examples
    --------
    >>> table = pd.DataFrame({"a": [0, 1] * 4, "b": [0, 0, 1, 1] * 2, "c": [0] * 4 + [1] * 4,
    ...                       "liking": [4.1, 7.0, 4.3, 7.1, 4.0, 6.8, 4.2, 7.2]})
    >>> found = prior_influence(table, "liking", ["a", "b", "c"])
    >>> found.first["factor"].unique().tolist()
    ['a']
    """
    asked = question_of(data, response, factors, model=model, groups=groups, measure=measure)
    tried = {OWN: Priors(), **(OTHER_BELIEFS if others is None else others)}
    chances, first = {}, []
    for name, priors in tried.items():
        found = averaged(asked, priors)
        if found is None:
            raise FitError(
                "explanations are not averaged here: it is a blend, or the bakes are too few or "
                "all alike."
            )
        chances[name] = term_chances(found)
        largest = averaged_chances(found, asked.factors)
        leader = max(largest, key=largest.__getitem__)
        first.append((name, leader, largest[leader]))
    table = pd.DataFrame(chances)
    leaders = pd.DataFrame(first, columns=["beliefs", "factor", "chance_largest"])
    return PriorInfluence(table, leaders, _sentences(table, leaders))


def _sentences(chances: pd.DataFrame, first: pd.DataFrame) -> tuple[str, ...]:
    own = first["factor"].iloc[0]
    low, high = first["chance_largest"].min(), first["chance_largest"].max()
    kept = first["factor"].eq(own).all()
    said = [
        f"Whatever was believed before the bakes, {own} comes first ({percent(low)} to "
        f"{percent(high)} sure)."
        if kept
        else f"What comes first depends on what was believed before the bakes: {own}, or "
        f"{in_words(dict.fromkeys(one for one in first['factor'] if one != own))}."
    ]
    likely = chances >= LIKELY
    torn = chances.index[likely.any(axis=1) & ~likely.all(axis=1)]
    firm = chances.index[likely.all(axis=1)]
    if len(firm):
        words = in_words(kitchen_term(term) for term in firm)
        said.append(f"More likely at work than not under every belief tried: {words}.")
    if len(torn):
        ends = ((term, chances.loc[term].min(), chances.loc[term].max()) for term in torn)
        words = in_words(
            f"{kitchen_term(term)} ({percent(least)} to {percent(most)})"
            for term, least, most in ends
        )
        said.append(f"That depends on the belief for {words}: bake before you build on it.")
    return (*said, beliefs())
