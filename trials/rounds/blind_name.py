"""What a round is called where tasters see it: never by what varies or what is mixed."""

import re

from trials.factors import Categorical
from trials.recipe.formula import Formula
from trials.rounds.round import Round

BLIND = "Tasting"
# "round 2" alone gives nothing away
_NUMBER = re.compile(r"\bround \d+\b", re.IGNORECASE)
# Words of settings and ingredients that are in every kitchen's mouth and tell nothing
_EMPTY = frozenset({"and", "for", "with", "the", "all", "per", "from", "first", "second", "round"})


def blind_name(round_: Round) -> str:
    """Return the round's name for tasters: its own, or a neutral one where that would tell.

    A name tells when it shares a word with a factor, a level, a part of the formula or an
    ingredient. What is left of it then is its number.

    Parameters
    ----------
    round_ : Round

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> from trials.measures import Measure
    >>> share = Numeric("buckwheat share", 15, 35, "%")
    >>> bakes = pd.DataFrame({"buckwheat share": [15, 35]})
    >>> round_ = Round.create(
    ...     tempfile.mkdtemp() + "/one",
    ...     plan=lay_out([share], bakes, family="ends", model="main", seed=1),
    ...     measures=[Measure("liking", "hedonic 9")],
    ...     name="Buckwheat drop doughnut, round 1",
    ... )
    >>> blind_name(round_)
    'Tasting, round 1'
    """
    if not _words([round_.name]) & _telling(round_):
        return round_.name
    number = _NUMBER.search(round_.name)
    return f"{BLIND}, {number.group().lower()}" if number else BLIND


def _telling(round_: Round) -> set[str]:
    """Return every word that would tell a taster something."""
    said = [factor.name for factor in round_.plan.factors]
    for factor in round_.plan.factors:
        if isinstance(factor, Categorical):
            said += [str(level) for level in factor.levels]
        said += [one for one in (factor.changes or ())[1:] if isinstance(one, str)]
        formulas = [one for one in factor.changes or () if isinstance(one, Formula)]
        said += [word for formula in formulas for word in _of_formula(formula)]
    if round_.formula:
        said += _of_formula(round_.formula)
    return _words(said)


def _of_formula(formula: Formula) -> list[str]:
    return [*formula.mix.parts, *formula.table["ingredient"]]


def _words(said: list[str]) -> set[str]:
    """Return the words of some names, singular, without those that tell nothing."""
    found = re.findall(r"[^\W\d_]{3,}", " ".join(said).casefold())
    return {word.removesuffix("s") for word in found} - _EMPTY
