"""Bakes that bring apart what a plan at low and high mixed up: mirror bakes, and missing ones."""

from collections.abc import Iterator

import numpy as np

from trials.deciding.action import Action
from trials.deciding.beliefs import Knowledge, coded_made
from trials.design.basis import coded_settings
from trials.design.folding import fold_over
from trials.design.plan import Plan
from trials.design.regular import unfinished
from trials.errors import TrialsError
from trials.factors import Categorical, Component, Factor

AT_AN_END = 0.1  # a number set this near to its low or high, coded, was meant to be there
OPEN = (0.3, 0.9)  # a pair that matters with a chance between these is not settled yet


def completed(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield the bakes that complete the two-level fraction of which those made are a part.

    Examples
    --------
    >>> completed.__name__
    'completed'
    """
    if not all(_two_settings(one) for one in knowledge.factors):
        return
    kinds = [isinstance(factor, Categorical) for factor in knowledge.factors]
    made = coded_made(knowledge)
    # Kinds are coded 0 and 1, numbers -1 and +1
    signs = np.where(kinds, 2 * made - 1, made)
    signs = signs[(np.abs(np.abs(signs) - 1) <= AT_AN_END).all(axis=1)]
    if not len(signs):
        return
    rest = unfinished(np.sign(signs))
    if len(rest) <= bakes:
        yield Action(
            "complete the combinations",
            np.where(kinds, (rest + 1) / 2, rest),
            "The bakes so far are a part of certain combinations of low and high; with the "
            "missing ones more can be told apart.",
        )


def _two_settings(factor: Factor) -> bool:
    """Say whether a factor has a low and a high, or two kinds, in every bake."""
    if isinstance(factor, Component) or factor.only_when:
        return False
    return not isinstance(factor, Categorical) or len(factor.levels) == 2


def mirrored(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield mirror bakes: of everything, of one factor, and half of them for a mixed-up pair.

    Examples
    --------
    >>> mirrored.__name__
    'mirrored'
    """
    made = knowledge.baked
    made = made[made["role"] == "trial"].reset_index(drop=True)
    plan = Plan(knowledge.factors, made, "the bakes so far", "interactions")
    names = [factor.name for factor in knowledge.factors]
    wanted: list[tuple[str, dict]] = []
    if len(made) <= bakes:
        wanted = [("every factor", {})] + [(name, {"factors": [name]}) for name in names]
    elif len(made) / 2 <= bakes:
        wanted = [(f"{a} with {b}", {"pair": (a, b)}) for a, b in _mixed_pairs(knowledge)[:3]]
    for what, how in wanted:
        try:
            folded = fold_over(plan, seed=1, **how)
        except TrialsError:
            continue
        X = coded_settings(knowledge.factors, folded.table.iloc[len(made) :])
        if len(X) > bakes:
            continue
        yield Action(
            f"mirror bakes of {what}" if "pair" not in how else f"mirror half, for {what}",
            X,
            "Mirror bakes exchange high and low, so that what was mixed up comes apart.",
        )


def _mixed_pairs(knowledge: Knowledge) -> list[tuple[str, str]]:
    """Return the pairs of factors that may matter, the likeliest first, where not yet settled."""
    averaged = knowledge.findings[0].averaged
    if averaged is None:
        return []
    table = averaged.table.drop_duplicates("term")
    table = table[table["chance"].between(*OPEN)]
    pairs = {term.name: term.factors for term in averaged.terms if len(term.factors) == 2}
    ranked = table.sort_values("chance", ascending=False)["term"]
    return [pairs[name] for name in ranked if name in pairs]
