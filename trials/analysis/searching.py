"""The best allowed setting: all kinds, a grid of numbers, refined, then set as a kitchen can."""

from collections.abc import Callable, Sequence

import numpy as np
from scipy import optimize

from trials.analysis.kitchen_settings import summed
from trials.analysis.region import Region
from trials.factors import Categorical, Component, Factor

Score = Callable[[np.ndarray], np.ndarray]

STARTS, REFINED = 6, 3
DIGITS = 10  # scores are compared after rounding, so that ties break alike on any machine
_STRIDES = (1, 2, 5, 12)
_SHARE_STRIDES = (1, 2, 5, 20)
_WORST = 1e300


def best_setting(region: Region, candidates: np.ndarray, score: Score) -> np.ndarray:
    """Return the allowed setting with the largest score.

    Every combination of kinds is among the candidates. The best few are refined between the
    settings tried (Nelder & Mead 1965, which needs no slopes and so stands the corners of a
    desirability), set to what a kitchen can make, and then moved setting by setting as long as
    that helps.

    Parameters
    ----------
    region : Region
    candidates : ndarray, shape (settings, factors)
        Allowed, all over the region.
    score : callable
        Of an array of settings; the larger the better.

    Returns
    -------
    ndarray, shape (factors,)

    References
    ----------
    Nelder & Mead 1965, Comput. J. 7:308-313.

    Examples
    --------
    >>> best_setting.__name__
    'best_setting'
    """
    scores = _rounded(score(candidates))
    found = []
    for place, start in enumerate(_starts(region, candidates, scores)):
        points = [start, _refined(region, start, score)] if place < REFINED else [start]
        for point in points:
            made = region.snapped(point[None])
            if region.allows(made)[0]:
                found.append(_climbed(region, made[0], score))
    values = _rounded(score(np.array(found)))
    return found[int(np.argmax(values))]


def _rounded(values: np.ndarray) -> np.ndarray:
    top = np.abs(values).max()
    digits = DIGITS - int(np.floor(np.log10(top))) if top > 0 else DIGITS
    return np.round(values, min(digits, 200))


def _starts(region: Region, candidates: np.ndarray, scores: np.ndarray) -> list[np.ndarray]:
    """Return the best candidates, at most two with the same kinds, lowest place first on ties."""
    kinds = [n for n, factor in enumerate(region.factors) if isinstance(factor, Categorical)]
    counts: dict[bytes, int] = {}
    chosen: list[np.ndarray] = []
    for place in np.argsort(-scores, kind="stable"):
        key = candidates[place, kinds].tobytes()
        near = any(_alike(candidates[place], other, kinds) for other in chosen)
        if (counts.get(key, 0) >= 2 and kinds) or near:
            continue
        counts[key] = counts.get(key, 0) + 1
        chosen.append(candidates[place])
        if len(chosen) == STARTS:
            break
    return chosen


def _alike(one: np.ndarray, other: np.ndarray, kinds: Sequence[int]) -> bool:
    same = bool((one[kinds] == other[kinds]).all())
    return same and float(np.abs(one - other).max()) < 0.3


def _refined(region: Region, start: np.ndarray, score: Score) -> np.ndarray:
    """Return a better point near a start, between the settings that a kitchen can make."""
    free = [n for n, f in enumerate(region.factors) if not isinstance(f, Categorical)]
    parts = region.parts
    if not free:
        return start
    low, high = region.low, region.high

    def placed(values: np.ndarray) -> np.ndarray:
        point = start.copy()
        point[free] = np.clip(values, low[free], high[free])
        if len(parts):
            point[parts] = summed(point[parts], low[parts], high[parts])
        return point

    def cost(values: np.ndarray) -> float:
        point = placed(values)[None]
        return -float(score(point)[0]) if region.allows(point)[0] else _WORST

    best = start[free]
    for width in (0.2, 0.02):
        span = width * (high - low)[free]
        inward = np.where(best > ((low + high) / 2)[free], -span, span)
        simplex = np.vstack([best, best + np.diag(inward)])
        options = {
            "initial_simplex": simplex,
            "maxfev": 120 * len(free),
            "xatol": 1e-7,
            "fatol": 1e-12,
        }
        best = optimize.minimize(cost, best, method="Nelder-Mead", options=options).x
    return placed(best)


def _climbed(region: Region, start: np.ndarray, score: Score) -> np.ndarray:
    """Return the setting reached by moves between kitchen settings, as long as they help."""
    here, value = start, float(_rounded(score(start[None]))[0])
    for _ in range(200):
        moves = _moves(region, here)
        moves = moves[region.allows(moves)] if len(moves) else moves
        if not len(moves):
            return here
        scores = _rounded(score(moves))
        place = int(np.argmax(scores))
        if scores[place] <= value:
            return here
        here, value = moves[place], float(scores[place])
    return here


def neighbours(region: Region, X: np.ndarray) -> np.ndarray:
    """Return the allowed settings one move away from any of some settings.

    Examples
    --------
    >>> neighbours.__name__
    'neighbours'
    """
    moved = np.vstack([_moves(region, row) for row in X])
    moved = region.snapped(moved)
    return moved[region.allows(moved)]


def _moves(region: Region, here: np.ndarray) -> np.ndarray:
    single = [
        (place, _steps(values, here[place]))
        for place, (values, factor) in enumerate(zip(region.values, region.factors, strict=True))
        if values is not None and not isinstance(factor, Component)
    ]
    moved = [_with(here, {place: value}) for place, values in single for value in values]
    numbers = [
        (place, values[:2])
        for place, values in single
        if not isinstance(region.factors[place], Categorical)
    ]
    for position, (one, ones) in enumerate(numbers):
        for two, twos in numbers[position + 1 :]:
            moved += [_with(here, {one: a, two: b}) for a in ones for b in twos]
    moved += _transfers(region, here)
    return np.array(moved).reshape(-1, len(here))


def _steps(values: np.ndarray, at: float) -> list[float]:
    """Return the settings one step up and down first, then farther ones; for a kind, all."""
    place = int(np.abs(values - at).argmin())
    wanted = [place + sign * stride for stride in _STRIDES for sign in (1, -1)]
    wanted += [0, len(values) - 1]
    kept = dict.fromkeys(n for n in wanted if 0 <= n < len(values) and n != place)
    return [float(values[n]) for n in kept]


def _with(here: np.ndarray, changes: dict[int, float]) -> np.ndarray:
    moved = here.copy()
    for place, value in changes.items():
        moved[place] = value
    return moved


def _transfers(region: Region, here: np.ndarray) -> list[np.ndarray]:
    """Return the blends that give one component what another loses."""
    parts = region.parts
    moved: list[np.ndarray] = []
    if not len(parts) or region.values[parts[0]] is None:
        return moved
    values = region.values[parts[0]]
    assert values is not None
    step = float(values[1] - values[0])
    for one in parts:
        for other in parts:
            room = min(region.high[one] - here[one], here[other] - region.low[other])
            for stride in _SHARE_STRIDES:
                if one != other and stride * step <= room + 1e-12:
                    change = {
                        int(one): round(float(here[one]) + stride * step, 12),
                        int(other): round(float(here[other]) - stride * step, 12),
                    }
                    moved.append(_with(here, change))
    return moved


def expected_under_wobble(score: Score, factors: Sequence[Factor], sd: np.ndarray) -> Score:
    """Return the mean of a score when every setting errs by its own spread.

    Two points per factor, at a distance of the spread times the root of the number of factors
    that err: exact for anything up to the third power, so for the squares and pairs of a fit; for
    a desirability, with its corners, a fair approximation.

    Parameters
    ----------
    score : callable
    factors : sequence of Factor
    sd : ndarray, shape (factors,)
        In the units of settings (coded); 0 for what does not err.

    References
    ----------
    Stroud 1957, Math. Tables Aids Comput. 11:257-261 (a rule of degree three with 2 n points).

    Examples
    --------
    >>> from trials.factors import Numeric
    >>> bent = expected_under_wobble(lambda X: -X[:, 0] ** 2, [Numeric("a", 0, 1)], np.array([0.5]))
    >>> bent(np.array([[0.0]]))
    array([-0.25])
    """
    moved = np.flatnonzero(sd > 0)
    if not len(moved):
        return score
    shifts = np.zeros((2 * len(moved), len(sd)))
    for place, factor in enumerate(moved):
        shifts[2 * place : 2 * place + 2, factor] = (
            sd[factor] * np.sqrt(len(moved)) * np.array([1, -1])
        )
    parts = [n for n, factor in enumerate(factors) if isinstance(factor, Component)]

    def mean(X: np.ndarray) -> np.ndarray:
        spread = X[:, None, :] + shifts
        if parts:
            # What is weighed wrong changes the other shares in proportion; none is below nothing
            spread[..., parts] = np.maximum(spread[..., parts], 0)
            spread[..., parts] /= spread[..., parts].sum(axis=-1, keepdims=True)
        return score(spread.reshape(-1, X.shape[1])).reshape(len(X), -1).mean(axis=1)

    return mean
