"""Two ways of judging effects where no error was measured, side by side."""

import pandas as pd

from trials.analysis.model_search import Priors
from trials.analysis.results import Averaged, Findings
from trials.analysis.verdicts import kitchen_term
from trials.analysis.wording import LIKELY
from trials.errors import FitError
from trials.tables import in_words, percent

_LEVEL = 0.05


def side_by_side(findings: Findings) -> pd.DataFrame:
    """Return every effect as it comes, and averaged over all explanations.

    Parameters
    ----------
    findings : Findings
        Of a round in which few bakes were left for error.

    Returns
    -------
    DataFrame
        term, level, reference; estimate, low, high, verdict of the effect as it comes (by Lenth's
        method where every bake was spent); averaged, averaged_low, averaged_high, chance (that the
        term is at work at all) and averaged_verdict. An effect that can not be told apart from
        others has no estimate of its own.

    Raises
    ------
    FitError
        When enough bakes were left for error, so that nothing was averaged.

    References
    ----------
    Lenth 1989, Technometrics 31:469-473; Box & Meyer 1993, J. Qual. Technol. 25:94-105.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"a": [0, 1] * 4, "b": [0, 0, 1, 1] * 2, "c": [0] * 4 + [1] * 4,
    ...                       "liking": [4.1, 7.0, 4.3, 7.1, 4.0, 6.8, 4.2, 7.2]})
    >>> both = side_by_side(fit(table, "liking", ["a", "b", "c"]))
    >>> both[["term", "estimate", "averaged", "chance"]].head(2).round(2)
      term  estimate  averaged  chance
    0    a      2.87      2.77    1.00
    1    b      0.22      0.04    0.18
    """
    found = findings.averaged
    if found is None:
        raise FitError(
            "nothing was averaged: the model was named, or so many bakes were left for the error "
            "that it could change nothing; the table of effects says it all."
        )
    alone = findings.effects[["term", "level", "reference", "estimate", "low", "high", "verdict"]]
    averaged = found.table.rename(
        columns={
            "estimate": "averaged",
            "low": "averaged_low",
            "high": "averaged_high",
            "verdict": "averaged_verdict",
        }
    ).drop(columns="sd")
    return averaged.merge(alone, on=["term", "level", "reference"], how="left")[
        [*alone.columns, "averaged", "averaged_low", "averaged_high", "chance", "averaged_verdict"]
    ]


def both_ways(effects: pd.DataFrame, found: Averaged) -> str:
    """Return one sentence on what Lenth's method and averaging over explanations say.

    Parameters
    ----------
    effects : DataFrame
        As findings hold them, judged by Lenth's method.
    found : Averaged

    Examples
    --------
    >>> both_ways.__name__
    'both_ways'
    """
    out = [kitchen_term(term) for term in effects["term"][effects["p"] < _LEVEL].unique()]
    chances = term_chances(found)
    likely = sorted((t for t in chances if chances[t] >= LIKELY), key=lambda t: -chances[t])
    stand = "stands" if len(out) < 2 else "stand"
    said = (
        f"Judged by the smaller effects (Lenth's method), {in_words(out) or 'nothing'} {stand} out"
    )
    if not likely:
        return f"{said}; averaged over all explanations nothing is more likely at work than not."
    named = in_words(f"{kitchen_term(term)} {percent(chances[term])}" for term in likely)
    return f"{said}; averaged over all explanations, the chance to be at work is {named}."


def kitchen_explanations(found: Averaged) -> tuple[str, ...]:
    """Return which explanations fit about as well, pairs and bends in kitchen words.

    Examples
    --------
    >>> kitchen_explanations.__name__
    'kitchen_explanations'
    """
    said = list(found.explanations)
    for term in found.terms:
        if term.order > 1:
            said = [one.replace(term.name, kitchen_term(term.name)) for one in said]
    return tuple(said)


def term_chances(found: Averaged) -> dict[str, float]:
    """Return the chance that each term is at work at all.

    Examples
    --------
    >>> term_chances.__name__
    'term_chances'
    """
    return {str(row.term): float(row.chance) for row in found.table.itertuples()}


def beliefs(priors: Priors | None = None) -> str:
    """Return in words what averaging takes for granted beforehand.

    Examples
    --------
    >>> beliefs().startswith("Before the bakes each factor")
    True
    """
    held = priors or Priors()
    return (
        f"Before the bakes each factor is given a chance of {percent(held.main)} to be at work, a "
        f"pair beside two such factors {percent(held.all_parents)} and beside one "
        f"{percent(held.some_parents)}."
    )
