"""The setting to go for: what all that is known speaks for, and what was confirmed.

A setting that held in bakes of its own stays the one to go for, unless another is expected to be
better by more than is worth noticing.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from trials.analysis.answers import Answer, Answers
from trials.analysis.choice import (
    Choice,
    FewFindings,
    Measures,
    Recommendation,
    choice,
    chosen_setting,
    recommendation,
    staying,
)
from trials.analysis.failing import Failure
from trials.analysis.region import coded
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import FitError, TrialsError
from trials.core.exclusion import Exclude
from trials.deciding.confirmation import held_settings
from trials.deciding.gain import findings_to_choose


# Answers that are counted may lie among those given: they are set aside, or named
@checked_types(FitError, findings=Answer | Mapping[str, Answer])
def recommend(
    findings: FewFindings,
    measures: Measures,
    *,
    exclude: Exclude = None,
    failure: Failure | bool = None,
    failure_limit: float = 0.1,
    weights: Mapping[str, float] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
    enough: Mapping[str, float] | None = None,
    wobble: Mapping[str, float] | None = None,
    exact: bool = False,
) -> Recommendation:
    """Choose the setting that is expected to meet the goals best.

    With one measure that should be higher or lower, the setting with the best expected value. With
    several, the first measure leads: among the settings within worth noticing of the best in it,
    the others choose, by the overall desirability of what is expected. Where you weigh the goals
    yourself (`weights`, `limits`), the largest overall desirability of all. Never outside a
    factor's limits, never an excluded setting, never one where failing is likely; and where the
    reference bake is expected above all that, the reference.

    Parameters
    ----------
    findings : Findings or mapping of measure name to Findings
        Where bakes of their own confirmed a setting it stays the choice, unless another is expected
        to be better by more than is worth noticing.
    measures : Measure, sequence of Measure or mapping of name to Measure
        Those with a goal count; the others are left aside.
    exclude : callable, DataFrame or sequence of mappings, optional
        Settings that never go together; the plan's are in `plan.excluded`.
    failure : callable, Failing, Failures or False, optional
        The chance that a bake fails: a function of a bake (a dict of real settings), or what the
        failed bakes said. When left out, what the failed bakes in the findings say, if there are
        enough for a model; False leaves them aside.
    failure_limit : float
        The chance must stay below this.
    weights : mapping of measure name to number, optional
        How much each goal counts; 1 when left out.
    limits : mapping of measure name to (start, end), optional
        For "higher" and "lower": where desirability starts, and where nothing is left to wish. When
        left out, the ends of the scale, else the lowest and highest expected.
    enough : mapping of measure name to number, optional
        From where one bake meets a goal "higher" (up to where, "lower"). When left out: the start
        of `limits` if given, else what is worth noticing better than the reference setting.
    wobble : mapping of factor name to number, optional
        How far the kitchen errs in each setting (a standard deviation in its unit): then what is
        expected under such errors counts, and a flat spot may beat a peak.
    exact : bool
        Do not set numbers as a kitchen can (a factor's own step or settings are kept always).

    Returns
    -------
    Recommendation

    Raises
    ------
    FitError, PlanError
        When no goal is set, a measure was not fitted, goals contradict their limits, or nothing is
        allowed.

    References
    ----------
    Derringer & Suich 1980, J. Qual. Technol. 12:214-219.

    Examples
    --------
    >>> import pandas as pd
    >>> from trials.analysis.fitting import fit
    >>> from trials.core.measures import Measure
    >>> table = pd.DataFrame({"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2,
    ...                       "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2]})
    >>> liking = Measure("liking", "hedonic 9", goal="higher")
    >>> best = recommend(fit(table, "liking", ["rest", "fat"], model="main"), liking)
    >>> best.settings
    {'rest': 60.0, 'fat': 'butter'}
    """
    asked = choice(
        findings, measures, exclude, failure, failure_limit, weights, limits, enough, exact
    )
    fits = [findings] if isinstance(findings, Findings) else list(findings.values())
    known = next((one.evidence for one in fits if isinstance(one, Findings) and one.evidence), None)
    held = held_settings(Answers(known)) if known is not None and known.confirmed else ()
    return _stayed(asked, held, wobble)


def best_so_far(answers: Answers) -> Recommendation:
    """Return the setting that all rounds together speak for: the one that the next round names."""
    found: Recommendation = answers.once("setting to go for", work=lambda: _best(answers))
    return found


def _best(answers: Answers) -> Recommendation:
    found = findings_to_choose(answers)
    wanted = [one for one in answers.evidence.measures if one.name in found]
    asked = choice(found, wanted, list(answers.evidence.exclusions) or None)
    return _stayed(asked, held_settings(answers), None)


def _stayed(
    asked: Choice, held: tuple[Mapping[str, Any], ...], wobble: Mapping[str, float] | None
) -> Recommendation:
    """Return the best setting, or the confirmed one where that is not noticeably worse."""
    chosen = chosen_setting(asked, wobble)
    for settings in held:
        known = confirmed_place(asked, settings)
        if known is None:
            continue
        worth = asked.score(np.vstack([chosen, known]))
        notice = asked.noticeable(asked.means(known[None]))
        if worth[0] - worth[1] > notice:
            continue
        found = recommendation(asked, known[None], wobble)
        told = _held_words(chosen, known)
        return replace(found, held=told, notes=(told, *found.notes))
    stays = staying(asked, chosen[None], wobble)
    return recommendation(asked, chosen[None], wobble) if stays is None else stays


def _held_words(chosen: np.ndarray, known: np.ndarray) -> str:
    same = bool(np.allclose(chosen, known, atol=1e-6))
    more = "" if same else "; no other is expected to be better by more than is worth noticing"
    return f"This setting was baked again, and it held{more}."


def confirmed_place(asked: Choice, settings: Mapping[str, Any]) -> np.ndarray | None:
    """Return a confirmed setting as the choice counts it; None where it may not be baked."""
    factors = asked.region.factors
    if any(factor.name not in settings for factor in factors):
        return None
    try:
        place = coded(factors, settings)
    except TrialsError:
        return None
    place = place.reshape(-1)
    return place if bool(asked.region.allows(place[None])[0]) else None
