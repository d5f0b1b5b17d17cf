"""Which settings explain failed bakes: single terms, two settings together, and what fits alike.

Few failures rarely part two settings that were mostly baked together. Picking one of them would
hang on the order in which they are written, so all explanations that fit alike are kept, each with
a weight.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype
from scipy import stats

from trials.analysis.penalised_logistic import PenalisedFit, maximise_penalised
from trials.analysis.rival_models import Candidate
from trials.factors import Component, Factor, is_blank
from trials.tables import in_words, tidy_number

ALIKE = 2.0  # units of the criterion: "substantial support" (Burnham & Anderson 2002, 2.6)
LEAST_GAIN = 0.2
TOGETHER = 0.8  # of the failed bakes (of those that stood, if fewer) have both settings


@dataclass(frozen=True, eq=False)
class Part:
    """One thing that may explain failures: a term, or two settings together.

    Parameters
    ----------
    term : str
        The term it belongs to, such as "oil" or "oil:hydration".
    words : str
        For a sentence.
    key : tuple of str
        What it is, whatever order the factors have.
    needs : tuple of str
        The terms whose columns it is made of.
    labels : tuple of str
        Those columns.
    mix : ndarray, shape (1 + labels, own columns)
        How its own columns are made: a constant, then a share of each label.
    own : tuple of str
        Names of its own columns.
    columns : ndarray, shape (bakes, own columns)
    parents : tuple of str
        The terms that must be in beside it.
    rivals : int
        How many of its kind there are.
    """

    term: str
    words: str
    key: tuple[str, ...]
    needs: tuple[str, ...]
    labels: tuple[str, ...]
    mix: np.ndarray = field(repr=False)
    own: tuple[str, ...]
    columns: np.ndarray = field(repr=False)
    parents: tuple[str, ...]
    rivals: int


@dataclass(frozen=True, eq=False)
class _Model:
    parts: tuple[Part, ...]
    criterion: float
    p: float

    @property
    def key(self) -> tuple[tuple[str, ...], ...]:
        return tuple(sorted(part.key for part in self.parts))


def parts_of(
    y: np.ndarray,
    settings: pd.DataFrame,
    candidates: Sequence[Candidate],
    factors: Sequence[Factor] = (),
) -> list[Part]:
    """Return all that may explain failures: every term, and two settings where failures meet.

    Two settings together are one column: 1 where a bake has both, 0 at the other end of either,
    in between on the way.

    Parameters
    ----------
    y : ndarray of 0 and 1
    settings : DataFrame, one row per bake
    candidates : sequence of Candidate
    factors : sequence of Factor
        For the words of settings.

    Examples
    --------
    >>> oil, wet = np.array([-1.0, 1, -1, 1]), np.array([-1.0, -1, 1, 1])
    >>> terms = [Candidate("oil", oil), Candidate("wet", wet),
    ...          Candidate("oil:wet", oil * wet, ("oil", "wet"))]
    >>> table = pd.DataFrame({"oil": 172 + 8 * oil, "wet": 100 + 8 * wet})
    >>> [part.words for part in parts_of(np.array([0, 0, 0, 1]), table, terms)]
    ['oil', 'wet', 'oil with wet', 'oil 180 and wet 108 together']
    """
    singles = sum(not candidate.parents for candidate in candidates)
    found = [
        _term(one, len(candidates) - singles if one.parents else singles) for one in candidates
    ]
    known = {candidate.name: candidate for candidate in candidates}
    rare = y if 2 * y.sum() <= len(y) else 1 - y
    corners = [
        corner
        for candidate in candidates
        for corner in _corners(candidate, known, settings, factors)
    ]
    total = len(corners)
    return found + [_together(corner, total) for corner in corners if _holds_most(corner, rare > 0)]


def _term(one: Candidate, rivals: int) -> Part:
    width = one.columns.shape[1]
    words = " with ".join(one.parents) if len(one.parents) > 1 else one.name
    key = tuple(sorted(one.parents)) if len(one.parents) > 1 else (one.name,)
    return Part(
        term=one.name,
        words=words,
        key=(*key, "") if one.parents else key,
        needs=(one.name,),
        labels=one.labels,
        mix=np.vstack([np.zeros(width), np.eye(width)]),
        own=one.labels,
        columns=one.columns,
        parents=one.parents,
        rivals=rivals,
    )


@dataclass(frozen=True, eq=False)
class _Corner:
    pair: Candidate
    held: tuple[Candidate, Candidate]
    ends: tuple[np.ndarray, np.ndarray]  # each: a constant, then a share of each column
    closeness: tuple[np.ndarray, np.ndarray]  # of each bake to either setting, 0 to 1
    settings: tuple[str, str]


def _corners(
    pair: Candidate,
    known: dict[str, Candidate],
    settings: pd.DataFrame,
    factors: Sequence[Factor],
) -> Iterator[_Corner]:
    """Yield the combinations of a pair's settings; none where a factor has ends that are no 0/1."""
    if len(set(pair.parents)) != 2 or not set(pair.parents) <= set(known) & set(settings):
        return
    shares = {factor.name for factor in factors if isinstance(factor, Component)}
    if shares & set(pair.parents) or any(
        settings[name].map(is_blank).any() for name in pair.parents
    ):
        return
    one, two = (known[name] for name in pair.parents)
    crossed = (one.columns[:, :, None] * two.columns[:, None, :]).reshape(len(settings), -1)
    if crossed.shape != pair.columns.shape or not np.allclose(crossed, pair.columns):
        return
    for ends in product(_ends(one), _ends(two)):
        near = tuple(
            end[0] + own.columns @ end[1:] for own, end in zip((one, two), ends, strict=True)
        )
        words = [
            _setting(own.name, settings[own.name], closeness, factors)
            for own, closeness in zip((one, two), near, strict=True)
        ]
        yield _Corner(pair, (one, two), ends, (near[0], near[1]), (words[0], words[1]))


def _ends(one: Candidate) -> list[np.ndarray]:
    """Return how close a bake is to each end of a number, or to each kind, as sums of columns.

    Kinds sum to zero, and two of them are coded as a number is: 1 and -1.
    """
    width = one.columns.shape[1]
    share = np.full(width + 1, -1.0 / (width + 1))
    share[0] = 1.0 / (width + 1)
    own = np.hstack([np.zeros((width, 1)), np.eye(width)])
    return [*(share + own), share]


def _setting(name: str, values: pd.Series, closeness: np.ndarray, factors: Sequence[Factor]) -> str:
    value = values.iloc[int(np.argmax(closeness))]
    for factor in factors:
        if factor.name == name:
            return f"{name} {factor.show(value)}"
    number = is_numeric_dtype(values) and not is_bool_dtype(values)
    return f"{name} {tidy_number(value) if number else value}"


def _holds_most(corner: _Corner, rare: np.ndarray) -> bool:
    one, two = corner.closeness
    inside = (one > 0.5 + 1e-9) & (two > 0.5 + 1e-9)
    return bool((inside & rare).sum() >= TOGETHER * rare.sum())


def _together(corner: _Corner, rivals: int) -> Part:
    one, two = corner.held
    (c, a), (d, b) = ((end[0], end[1:]) for end in corner.ends)
    # (c + Aa)(d + Bb) in the columns of the factors and of the pair
    mix = np.concatenate([[c * d], d * a, c * b, np.kron(a, b)])
    words = f"{in_words(corner.settings)} together"
    return Part(
        term=corner.pair.name,
        words=words,
        key=tuple(sorted(corner.settings)),
        needs=(one.name, two.name, corner.pair.name),
        labels=(*one.labels, *two.labels, *corner.pair.labels),
        mix=mix[:, None],
        own=(words,),
        columns=(corner.closeness[0] * corner.closeness[1])[:, None],
        parents=(),
        rivals=rivals,
    )


def weighed(
    y: np.ndarray, parts: Sequence[Part], allowed: int
) -> list[tuple[tuple[Part, ...], float]]:
    """Return the explanations that fit alike, with weights that sum to one, the likeliest first.

    Parts are added one at a time to every explanation that is still alike, a pair of factors only
    after both, while a gain is more than chance would give in one of five tries (fewer tries, the
    more of their kind there are beside the single factors). The criterion is AICc of the penalised
    likelihood ratio against no part at all, and twice the log of how many of its kind each part was
    picked from, so that the many combinations do not win by their number.

    Parameters
    ----------
    y : ndarray of 0 and 1
    parts : sequence of Part
    allowed : int
        The most parts of one explanation.

    Returns
    -------
    list of (tuple of Part, float)
        Those within 2 units of the best, in an order that does not hang on that of the parts;
        empty when no part gains anything.

    References
    ----------
    Weights and the limit of 2: Burnham & Anderson 2002, Model Selection and Multimodel Inference,
    2nd ed., sections 2.6 and 2.9. AICc: Hurvich & Tsai 1989, Biometrika 76:297-307. Number of
    rivals: Chen & Chen 2008, Biometrika 95:759-771. Leaving out what is far below the best:
    Madigan & Raftery 1994, J. Am. Stat. Assoc. 89:1535-1546.

    Examples
    --------
    Oil and rest were always changed together, so nothing parts them:

    >>> oil = np.tile([-1.0, 1.0], 6)
    >>> y = np.array([0, 1] * 4 + [0] * 4)
    >>> table = pd.DataFrame({"oil": oil, "rest": oil})
    >>> found = weighed(y, parts_of(y, table, [Candidate("rest", oil), Candidate("oil", oil)]), 1)
    >>> [(model[0].words, round(weight, 3)) for model, weight in found]
    [('oil', 0.5), ('rest', 0.5)]
    """
    seen: dict[tuple[tuple[str, ...], ...], _Model] = {}
    alike = [_Model((), np.inf, 1.0)]
    fewest = min((part.rivals for part in parts), default=1)
    for _ in range(allowed):
        wider = {}
        for model in alike:
            for part in parts:
                if _ready(part, model, parts):
                    made = _wider(y, model, part)
                    limit = LEAST_GAIN * fewest / part.rivals
                    if made is not None and round(made.p - limit, 9) <= 0:
                        wider[made.key] = made
        if not wider:
            break
        seen |= wider
        alike = _alike(list(wider.values()))
    kept = _alike(list(seen.values()))
    if not kept:
        return []
    least = min(model.criterion for model in kept)
    weights = np.array([np.exp(-(model.criterion - least) / 2) for model in kept])
    weights /= weights.sum()
    order = sorted(range(len(kept)), key=lambda n: (-round(float(weights[n]), 9), kept[n].key))
    return [(kept[n].parts, float(weights[n])) for n in order]


def _ready(part: Part, model: _Model, parts: Sequence[Part]) -> bool:
    terms = {own.term for own in model.parts if own.needs == (own.term,)}
    known = {own.term for own in parts if own.needs == (own.term,)}
    return set(part.parents) & known <= terms and part.key not in model.key


def _wider(y: np.ndarray, model: _Model, part: Part) -> _Model | None:
    parts = (*model.parts, part)
    X = np.hstack([np.ones((len(y), 1)), *(own.columns for own in parts)])
    size, spare = X.shape[1], len(y) - X.shape[1] - 1
    if spare <= 0 or not independent(X):
        return None
    fit = maximise_penalised(X, y)
    added = list(range(size - part.columns.shape[1], size))
    gain = likelihood_gain(X, y, fit, list(range(1, size)))
    criterion = -gain + 2 * size + 2 * size * (size + 1) / spare
    criterion += 2 * sum(float(np.log(own.rivals)) for own in parts)
    p = gain_p(X, y, fit, added)
    return _Model(parts, criterion, p)


def _alike(models: Sequence[_Model]) -> list[_Model]:
    least = min((model.criterion for model in models), default=np.inf)
    return [model for model in models if round(model.criterion - least, 9) <= ALIKE]


def likelihood_gain(X: np.ndarray, y: np.ndarray, fit: PenalisedFit, at: list[int]) -> float:
    """Return twice the penalised log-likelihood that some columns gain.

    Examples
    --------
    >>> likelihood_gain.__name__
    'likelihood_gain'
    """
    without = maximise_penalised(X, y, fixed=dict.fromkeys(at, 0.0))
    return max(0.0, 2 * (fit.log_likelihood - without.log_likelihood))


def gain_p(X: np.ndarray, y: np.ndarray, fit: PenalisedFit, at: list[int]) -> float:
    """Return how often chance would let some columns gain as much (penalised likelihood ratio).

    Examples
    --------
    >>> gain_p.__name__
    'gain_p'
    """
    return float(stats.chi2.sf(likelihood_gain(X, y, fit, at), len(at)))


def independent(X: np.ndarray) -> bool:
    """Say whether no column is zero or a sum of others.

    Examples
    --------
    >>> independent(np.array([[1.0, 2.0], [1.0, 2.0]]))
    False
    """
    length = np.linalg.norm(X, axis=0)
    if (length == 0).any():
        return False
    return bool(np.linalg.matrix_rank(X / length, tol=1e-8) == X.shape[1])
