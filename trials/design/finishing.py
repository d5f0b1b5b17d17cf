"""The last touches to an optimal plan: settings between the grid's, and bakes made twice."""

from dataclasses import replace

import numpy as np

from trials.design.candidates import Candidates
from trials.design.coordinate_exchange import Search, climb
from trials.design.plan import whole_number
from trials.design.starts import Found
from trials.errors import PlanError
from trials.factors import Numeric

# Continuous settings are refined in these steps, coded; the last is a hundredth of the range
STEPS = (0.32, 0.16, 0.08, 0.04, 0.02)


def refined(search: Search, options: Candidates, found: Found) -> Found:
    """Return the plan with numbers moved between the grid's settings, in ever smaller steps."""
    settings = found.settings[None]
    for step in STEPS:
        settings = climb(search, settings, options.nudges(step))
    settings = _to_steps(options, settings)
    score = float(search.score(settings)[0])
    return Found(settings[0], score) if score > found.score else found


def _to_steps(options: Candidates, settings: np.ndarray) -> np.ndarray:
    """Return settings rounded to what the kitchen can set, where that may be baked."""
    rounded = settings.copy()
    for place, factor in enumerate(options.factors):
        if isinstance(factor, Numeric) and not factor.settings:
            step = factor.step or (factor.high - factor.low) / 100
            coded = 2 * step / (factor.high - factor.low)
            moved = np.round((settings[..., place] + 1) / coded) * coded - 1
            rounded[..., place] = np.clip(moved, -1, 1)
    barred = ~options.exclusion.allows(rounded)
    rounded[barred] = settings[barred]
    return rounded


def repeated(search: Search, options: Candidates, found: Found, kept: int, wanted: int) -> Found:
    """Return the plan with some bakes made copies of others, the rest climbing around them."""
    wanted = whole_number("replicates", wanted, least=1)
    own = [place for place, factor in enumerate(options.factors) if not factor.group]
    hard = [place for place, factor in enumerate(options.factors) if factor.group]
    settings = found.settings.copy()
    held: set[int] = set(range(kept))
    for _ in range(wanted):
        pairs = [
            (copy, of)
            for copy in range(kept, len(settings))
            for of in range(len(settings))
            if copy not in held
            and copy != of
            and (settings[copy, hard] == settings[of, hard]).all()
        ]
        tries = np.repeat(settings[None], len(pairs), axis=0)
        for trial, (copy, of) in zip(tries, pairs, strict=True):
            trial[copy, own] = settings[of, own]
        scores = search.score(tries) if pairs else np.array([-np.inf])
        best = int(np.argmax(np.round(scores, 9)))
        if not np.isfinite(scores[best]):
            raise PlanError(
                f"replicates is {wanted}, more than {len(settings)} bakes can spare for this "
                f"model. {len(held) - kept and (len(held) - kept) // 2} works, or more bakes."
            )
        settings = tries[best]
        held |= set(pairs[best])
    free = tuple((bake, place) for bake, place in search.free if bake not in held)
    rest = replace(search, free=free, shared=())
    settings = climb(rest, settings[None], options.moves)
    return Found(settings[0], float(search.score(settings)[0]), found.interrupted)
