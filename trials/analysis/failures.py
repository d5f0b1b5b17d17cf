"""Failed bakes.

Which settings explain them, counted and modelled, and how little few failures say.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype
from scipy import optimize, special, stats

from trials.analysis.explanations import Candidate
from trials.base.errors import FitError
from trials.base.words import in_words, tidy_number
from trials.core.factors import Component, Factor, is_blank
from trials.core.proportions import exact_interval
from trials.core.verdicts import CONFIDENCE

# -- Logistic regression with Firth's penalty: maxima and profiles, on plain arrays.


_STEPS = 1_000  # nearly always under 20; along a ridge of the penalty some hundreds
_ROUNDING = 1e-14  # a gain this small that no longer shrinks fast is rounding
_MANY = 50
_FLATTEST = 1e-3  # of Fisher's information
_FARTHEST = 60  # doublings of a standard error; the penalised likelihood always falls in the end


@dataclass(frozen=True, eq=False)
class PenalisedFit:
    """Where the penalised likelihood is highest.

    Parameters
    ----------
    beta : ndarray
        Log odds, intercept and all.
    log_likelihood : float
        Penalised: log-likelihood plus half the log determinant of the information.
    information : ndarray
        Fisher's, X'WX.
    """

    beta: np.ndarray
    log_likelihood: float
    information: np.ndarray


def maximise_penalised(
    X: np.ndarray,
    y: np.ndarray,
    *,
    fixed: Mapping[int, float] | None = None,
    start: np.ndarray | None = None,
) -> PenalisedFit:
    """Maximise the penalised likelihood, some coefficients held if asked.

    The penalty is that of all columns, also where one is held (Heinze & Schemper 2002).

    References
    ----------
    Firth 1993, Biometrika 80:27-38; Heinze & Schemper 2002, Stat. Med. 21:2409-2419.

    Examples
    --------
    Of 4 bakes 1 failed; the penalty adds half a failure and half a success (Firth 1993, 3.3):

    >>> fit = maximise_penalised(np.ones((4, 1)), np.array([1, 0, 0, 0.0]))
    >>> bool(np.isclose(special.expit(fit.beta[0]), 1.5 / 5))
    True
    """
    held = dict(fixed or {})
    free = np.array([at for at in range(X.shape[1]) if at not in held], dtype=int)
    beta = np.zeros(X.shape[1]) if start is None else start.copy()
    for at, value in held.items():
        beta[at] = value
    height, information, score = _penalised(X, y, beta)
    curvature, before = information[np.ix_(free, free)], np.inf
    for taken in range(_STEPS):
        slope = score[free]
        step = np.linalg.solve(curvature, slope)
        # Twice the gain in log-likelihood that is left; about the square of what is left in beta.
        gain = float(slope @ step)
        if gain < 1e-20 or (gain < _ROUNDING and (gain >= before or taken > _MANY)):
            return PenalisedFit(beta, height, information)
        before = gain
        # Far leaps leave the region where the information can be inverted.
        length = min(1.0, 5.0 / np.abs(X[:, free] @ step).max())
        while True:
            tried = beta.copy()
            tried[free] += length * step
            new, new_information, new_score = _penalised(X, y, tried)
            if new >= height - 1e-13 * (1 + abs(height)) or length < 1e-12:
                break
            length /= 2
        beta, height, information, score = tried, new, new_information, new_score
        curvature = _curvature(X, y, beta, information, free, near=gain < 0.1)
    raise FitError("the model of failures did not come to rest; use fewer terms.")


def _penalised(
    X: np.ndarray, y: np.ndarray, beta: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    m = X @ beta
    chance, rest = special.expit(m), special.expit(-m)
    weight = chance * rest
    information = X.T @ (weight[:, None] * X)
    sign, log_determinant = np.linalg.slogdet(information)
    if sign <= 0:
        return -np.inf, information, np.zeros_like(beta)
    height = float(np.sum(special.log_expit(np.where(y > 0, m, -m))) + 0.5 * log_determinant)
    leverage = weight * np.einsum("ij,ji->i", X, np.linalg.solve(information, X.T))
    return height, information, X.T @ (y - chance + leverage * (0.5 - chance))


def _curvature(
    X: np.ndarray,
    y: np.ndarray,
    beta: np.ndarray,
    information: np.ndarray,
    free: np.ndarray,
    *,
    near: bool,
) -> np.ndarray:
    """Return Fisher's information far off, and near the summit the curvature, penalty and all."""
    expected = information[np.ix_(free, free)]
    if not near:
        return expected
    observed = np.empty_like(expected)
    for row, at in enumerate(free):
        step = np.zeros(len(beta))
        step[at] = 1e-5 / np.sqrt(information[at, at])
        ahead, behind = _penalised(X, y, beta + step)[2], _penalised(X, y, beta - step)[2]
        observed[row] = (behind - ahead)[free] / (2 * step[at])
    observed = (observed + observed.T) / 2
    length = np.sqrt(np.diag(expected))
    values, vectors = np.linalg.eigh(observed / np.outer(length, length))
    # On a ridge or a saddle the size of the bend still says how far to go.
    bent = (vectors * np.maximum(np.abs(values), _FLATTEST)) @ vectors.T
    return bent * np.outer(length, length)


def profile_interval(
    X: np.ndarray, y: np.ndarray, fit: PenalisedFit, at: int, level: float
) -> tuple[float, float]:
    """Return the values of one coefficient that the penalised likelihood does not rule out.

    References
    ----------
    Heinze & Schemper 2002, Stat. Med. 21:2409-2419.
    """
    drop = stats.chi2.ppf(level, 1) / 2
    se = float(np.sqrt(np.linalg.inv(fit.information)[at, at]))

    def above(value: float) -> float:
        profile = maximise_penalised(X, y, fixed={at: value}, start=fit.beta)
        return profile.log_likelihood - fit.log_likelihood + drop

    ends = []
    for side in (-1.0, 1.0):
        reach = se
        for _ in range(_FARTHEST):
            if above(fit.beta[at] + side * reach) < 0:
                break
            reach *= 1.5
        found = optimize.brentq(
            lambda distance, side=side: above(fit.beta[at] + side * distance),
            0.0,
            reach,
            xtol=1e-10 * se,
            rtol=1e-10,
        )
        ends.append(float(fit.beta[at] + side * found))
    return ends[0], ends[1]


# -- Failed bakes counted by region, with exact intervals: the least that can be said.


MOST_SHOWN = 8  # regions in a short view; pairs of settings soon make fifty


def count_failures(
    failed: Sequence[bool] | np.ndarray,
    settings: pd.DataFrame,
    *,
    factors: Sequence[Factor] = (),
    level: float = CONFIDENCE,
) -> pd.DataFrame:
    """Count failures by region: each setting of each factor, and each pair of settings.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> count_failures([0, 0, 0, 1], pd.DataFrame({"oil": [165, 165, 180, 180]})).round(2)
             region  bakes  failed  share   low  high
    0     all bakes      4       1   0.25  0.01  0.81
    1  oil 165           2       0   0.00  0.00  0.84
    2  oil 180           2       1   0.50  0.01  0.99
    """
    y = as_failed(failed)
    if len(settings) != len(y):
        raise FitError(f"there are {len(y)} bakes and {len(settings)} rows of settings.")
    rows = [
        (name, int(mask.sum()), int(y[mask].sum())) for name, mask in regions(settings, factors)
    ]
    table = pd.DataFrame(rows, columns=["region", "bakes", "failed"])
    table["share"] = table["failed"] / table["bakes"]
    table["low"], table["high"] = exact_interval(
        table["failed"].to_numpy(), table["bakes"].to_numpy(), level
    )
    return table


def above_expectation(counts: pd.DataFrame, most: int = MOST_SHOWN) -> tuple[pd.DataFrame, int]:
    """Return the regions where more bakes failed than their number would lead one to expect.

    Examples
    --------
    >>> oil = pd.DataFrame({"oil": [165, 165, 180, 180]})
    >>> shown, left_out = above_expectation(count_failures([0, 0, 0, 1], oil))
    >>> shown["region"].tolist(), left_out
    (['all bakes', 'oil 180'], 0)
    """
    if not isinstance(most, int) or most < 1:
        raise FitError(f"most is {most!r}; how many regions to show is a whole number from 1.")
    every, inner = counts.iloc[:1], counts.iloc[1:]
    hit = inner[inner["failed"] > inner["bakes"] * every["share"].iloc[0] * (1 + 1e-9)]
    ranked = hit.sort_values("low", ascending=False, kind="stable")
    shown = pd.concat([every, ranked.iloc[:most]]).reset_index(drop=True)
    return shown, max(len(ranked) - most, 0)


def regions(settings: pd.DataFrame, factors: Sequence[Factor] = ()) -> list[tuple[str, np.ndarray]]:
    """Return every region with a bake in it: each setting of each factor, and each pair.

    Examples
    --------
    >>> [name for name, _ in regions(pd.DataFrame({"oil": [165, 180]}))]
    ['all bakes', 'oil 165', 'oil 180']
    """
    known = {factor.name: factor for factor in factors}
    found = {
        name: _regions(str(name), settings[name], known.get(name)) for name in settings.columns
    }
    masks = [("all bakes", np.ones(len(settings), dtype=bool))]
    masks += [region for own in found.values() for region in own]
    masks += [
        (f"{name}, {other_name}", mask & other)
        for one, two in combinations(found.values(), 2)
        for name, mask in one
        for other_name, other in two
    ]
    return [(name, mask) for name, mask in masks if mask.any()]


def _regions(name: str, values: pd.Series, factor: Factor | None) -> list[tuple[str, np.ndarray]]:
    """Return the regions of one factor; where it has no setting (nested), it has no region."""
    distinct = [value for value in values.unique() if not is_blank(value)]
    numeric = is_numeric_dtype(values) and not is_bool_dtype(values)
    if numeric and len(distinct) > 3:
        middle = (values.min() + values.max()) / 2
        said = factor.show(middle) if factor else tidy_number(middle)
        low, high = (values <= middle).to_numpy(), (values > middle).to_numpy()
        return [(f"{name} up to {said}", low), (f"{name} above {said}", high)]
    ordered = sorted(distinct) if numeric else distinct
    return [
        (f"{name} {_shown(value, factor, numeric)}", (values == value).to_numpy())
        for value in ordered
    ]


def _shown(value: Any, factor: Factor | None, numeric: bool) -> str:
    if factor:
        return factor.show(value)
    return tidy_number(value) if numeric else str(value)


def as_failed(failed: Sequence[bool] | np.ndarray) -> np.ndarray:
    """Return 1 for every bake that failed and 0 for every other.

    Examples
    --------
    >>> as_failed([True, False])
    array([1., 0.])
    """
    y = np.asarray(failed, dtype=float)
    if not len(y):
        raise FitError("there are no bakes.")
    if not np.isin(y, (0.0, 1.0)).all():
        raise FitError("failed must be yes or no for every bake; leave out those never baked.")
    return y


# -- Which settings explain failed bakes: single terms, two settings together, and what fits alike.
#
# Few failures rarely part two settings that were mostly baked together. Picking one of them would
# hang on the order in which they are written, so all explanations that fit alike are kept, each
# with a weight.


ALIKE = 2.0  # units of the criterion: "substantial support" (Burnham & Anderson 2002, 2.6)
LEAST_GAIN = 0.2
TOGETHER = 0.8  # of the failed bakes (of those that were made, if fewer) have both settings


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

    References
    ----------
    Weights and the limit of 2: Burnham & Anderson 2002, Model Selection and Multimodel Inference,
    2nd ed., sections 2.6 and 2.9. AICc: Hurvich & Tsai 1989, Biometrika 76:297-307. Number of
    rivals: Chen & Chen 2008, Biometrika 95:759-771. Leaving out what is far below the best:
    Madigan & Raftery 1994, J. Am. Stat. Assoc. 89:1535-1546.
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
    """Return twice the penalised log-likelihood that some columns gain."""
    without = maximise_penalised(X, y, fixed=dict.fromkeys(at, 0.0))
    return max(0.0, 2 * (fit.log_likelihood - without.log_likelihood))


def gain_p(X: np.ndarray, y: np.ndarray, fit: PenalisedFit, at: list[int]) -> float:
    """Return how often chance would let some columns gain as much (penalised likelihood ratio)."""
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


# -- Failed bakes: which settings make failure likely, and how little few failures say.
#
# Failures are few and often all lie in one corner, where ordinary logistic regression has no
# finite answer. Firth's penalty gives one; its intercept is then set right, so that the mean
# chance is the share that failed. Under three failures there is no model, only counts. Where
# several explanations fit alike, the chance of failing is averaged over them, so that none is
# picked by its place.


FEWEST_FAILURES = 3
FAILURES_PER_TERM = 5
MOST_NAMED = 3  # rival explanations in a sentence


@dataclass(frozen=True, eq=False)
class FirthFit:
    """A penalised logistic model of failure.

    Parameters
    ----------
    coefficients : DataFrame
        column ("" for the intercept), estimate and se (log odds), low and high (profile
        penalised-likelihood interval), p (penalised likelihood ratio).
    intercept : float
        The corrected intercept, for chances.
    log_likelihood : float
        Penalised.
    level : float
        Of the intervals.
    """

    coefficients: pd.DataFrame
    intercept: float
    log_likelihood: float
    level: float
    failed: np.ndarray
    X: np.ndarray

    def chances(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the chance of failure at some settings."""
        names = self.coefficients["column"].iloc[1:]
        rows = X[names.to_list()].to_numpy(dtype=float)
        slopes = self.coefficients["estimate"].to_numpy()
        moved = self.intercept - slopes[0]
        found = []
        for row in rows:
            # With the settings measured from here, the intercept is the log odds here.
            shifted = np.column_stack([np.ones(len(self.X)), self.X - row])
            fit = maximise_penalised(shifted, self.failed)
            ends = profile_interval(shifted, self.failed, fit, 0, self.level)
            found.append(special.expit(moved + np.array([fit.beta[0], *ends])))
        return pd.DataFrame(found, columns=["chance", "low", "high"], index=X.index)


@dataclass(frozen=True, eq=False)
class Explanation:
    """One explanation of the failures, fitted.

    Parameters
    ----------
    parts : tuple of Part
        What it holds: terms, or two settings together.
    weight : float
        Its share of the average.
    fit : FirthFit
        On its own columns.
    """

    parts: tuple[Part, ...]
    weight: float
    fit: FirthFit

    @property
    def words(self) -> str:
        """What the failures hang on, in words."""
        return in_words(part.words for part in self.parts)

    def columns(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return its own columns from those of the model's terms."""
        own = [
            part.mix[0] + X[list(part.labels)].to_numpy(dtype=float) @ part.mix[1:]
            for part in self.parts
        ]
        names = self.fit.coefficients["column"].iloc[1:].to_list()
        return pd.DataFrame(np.hstack(own), columns=names, index=X.index)

    def line(self) -> tuple[float, pd.Series]:
        """Return the log odds as a constant and a slope for each column of the model's terms."""
        slopes = self.fit.coefficients["estimate"].to_numpy()[1:]
        constant, found, start = self.fit.intercept, [], 0
        for part in self.parts:
            weights = part.mix @ slopes[start : start + part.mix.shape[1]]
            start += part.mix.shape[1]
            constant += float(weights[0])
            found.append(pd.Series(weights[1:], index=list(part.labels)))
        return constant, pd.concat(found).groupby(level=0, sort=False).sum()


@dataclass(frozen=True, eq=False)
class Failures:
    """What the failed bakes say.

    Parameters
    ----------
    counts : DataFrame
        One row per region: region, bakes, failed, share, low, high (exact interval).
    explanations : tuple of Explanation
        Those that fit alike, the likeliest first; empty when there are too few failures, or none.
    allowed : int
        How many terms each could hold.
    notes : tuple of str
        How the terms were chosen and what can not be said.
    """

    counts: pd.DataFrame
    explanations: tuple[Explanation, ...]
    allowed: int
    notes: tuple[str, ...]

    @property
    def fit(self) -> FirthFit | None:
        """The fit of the likeliest explanation; None when nothing was fitted."""
        return self.explanations[0].fit if self.explanations else None

    @property
    def terms(self) -> tuple[str, ...]:
        """The terms that any explanation holds."""
        held = (part.term for one in self.explanations for part in one.parts)
        return tuple(dict.fromkeys(held))

    @property
    def needs(self) -> tuple[str, ...]:
        """The terms whose columns the chance of failing is reckoned from."""
        held = (name for one in self.explanations for part in one.parts for name in part.needs)
        return tuple(dict.fromkeys(held))

    @property
    def words(self) -> str:
        """What the failures hang on, in words, all that fits alike."""
        named = [one.words for one in self.explanations[: MOST_NAMED + 1]]
        more = len(self.explanations) - len(named)
        return in_words(named + ([f"{more} more"] if more else []), "or")

    def chance(self, X: pd.DataFrame) -> np.ndarray:
        """Return the chance of failure at rows of the needed terms' columns, averaged."""
        total = np.zeros(len(X))
        for one in self.explanations:
            constant, slopes = one.line()
            odds = constant + X[slopes.index.to_list()].to_numpy(dtype=float) @ slopes.to_numpy()
            total += one.weight * special.expit(odds)
        return total

    def chances(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return chance, low and high at rows of the needed terms' columns.

        The chance is averaged; the interval runs from the lowest to the highest that any of the
        explanations leaves possible (our choice, on the safe side).
        """
        each = [one.fit.chances(one.columns(X)) for one in self.explanations]
        return pd.DataFrame(
            {
                "chance": self.chance(X),
                "low": np.min([one["low"] for one in each], axis=0),
                "high": np.max([one["high"] for one in each], axis=0),
            },
            index=X.index,
        )


def fit_failures(
    failed: Sequence[bool] | np.ndarray, X: pd.DataFrame, *, level: float = CONFIDENCE
) -> FirthFit:
    """Fit a penalised logistic model of failure.

    References
    ----------
    Firth 1993, Biometrika 80:27-38; Heinze & Schemper 2002, Stat. Med. 21:2409-2419, for
    separated data and profile intervals; Puhr, Heinze, Nold, Lusa & Geroldinger 2017, Stat. Med.
    36:2302-2317, for the corrected intercept.
    """
    y, columns = _checked(failed, X)
    full = np.column_stack([np.ones(len(y)), columns])
    fit = maximise_penalised(full, y)
    ends = [profile_interval(full, y, fit, at, level) for at in range(full.shape[1])]
    table = pd.DataFrame(
        {
            "column": ["", *map(str, X.columns)],
            "estimate": fit.beta,
            "se": np.sqrt(np.diag(np.linalg.inv(fit.information))),
            "low": [low for low, _ in ends],
            "high": [high for _, high in ends],
            "p": [gain_p(full, y, fit, [at]) for at in range(full.shape[1])],
        }
    )
    return FirthFit(
        coefficients=table,
        intercept=_corrected_intercept(y, columns @ fit.beta[1:]),
        log_likelihood=fit.log_likelihood,
        level=level,
        failed=y,
        X=columns,
    )


def explain_failures(
    failed: Sequence[bool] | np.ndarray,
    settings: pd.DataFrame,
    candidates: Sequence[Candidate],
    *,
    factors: Sequence[Factor] = (),
    level: float = CONFIDENCE,
) -> Failures:
    """Say where failures live, with a model no larger than the failures can carry.

    One term is allowed per five failures (or per five survivors, if they are fewer), rounded, and
    at least one from three failures on. A term is one or more columns of a factor, or two settings
    together where most failures meet. All explanations that fit alike are kept and averaged (see
    :func:`trials.analysis.failure_terms.weighed`), so the order of the factors decides nothing.

    References
    ----------
    Averages by Akaike weights: Burnham & Anderson 2002, Model Selection and Multimodel Inference.
    Five events per term: Vittinghoff & McCulloch 2007, Am. J. Epidemiol. 165:710-718. Exact
    intervals: Clopper & Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> oil = np.array([-1, 1] * 6)
    >>> made = explain_failures([0, 1] + [0] * 10, pd.DataFrame({"oil": 172 + 8 * oil}),
    ...                         [Candidate("oil", oil)])
    >>> made.fit is None, made.notes[0]
    (True, 'Only 1 of 12 bakes failed: too few for a model, so only counts are given.')
    """
    y = as_failed(failed)
    fewest = int(min(y.sum(), len(y) - y.sum()))
    counts = count_failures(failed, settings, factors=factors, level=level)
    if fewest < FEWEST_FAILURES:
        return Failures(counts, (), 0, (_too_few(y),))
    allowed = max(1, round(fewest / FAILURES_PER_TERM))
    models = weighed(y, parts_of(y, settings, candidates, factors), allowed)
    notes = [
        f"{int(y.sum())} of {len(y)} bakes failed, which can carry {allowed} "
        f"{'term' if allowed == 1 else 'terms'}; the terms were chosen by these same bakes, so "
        "read the intervals as the least that is uncertain."
    ]
    if not models:
        notes.append("No setting parts failed bakes from the others better than chance would.")
    explanations = tuple(
        Explanation(parts, weight, _fitted(y, parts, level)) for parts, weight in models
    )
    if len(explanations) > 1:
        notes.append(_alike_words(explanations))
    return Failures(counts, explanations, allowed, tuple(notes))


def _fitted(y: np.ndarray, parts: Sequence[Part], level: float) -> FirthFit:
    names = [name for part in parts for name in part.own]
    X = pd.DataFrame(np.hstack([part.columns for part in parts]), columns=names)
    return fit_failures(y, X, level=level)


def _alike_words(explanations: Sequence[Explanation]) -> str:
    first, *others = (one.words for one in explanations)
    named = others[:MOST_NAMED]
    more = len(others) - len(named)
    rivals = in_words(named + ([f"{more} more"] if more else []), "or")
    return (
        f"Failing may hang on {first}; it could as well be {rivals}: these fit the bakes alike, so "
        "chances are averaged over them."
    )


def _too_few(y: np.ndarray) -> str:
    failed, bakes = int(y.sum()), len(y)
    if failed == 0:
        return f"None of {bakes} bakes failed; see the counts for how much that rules out."
    if failed == bakes:
        return f"All {bakes} bakes failed, so nothing says which setting would not."
    if failed < FEWEST_FAILURES:
        return (
            f"Only {failed} of {bakes} bakes failed: too few for a model, so only counts are given."
        )
    return f"All but {bakes - failed} of {bakes} bakes failed: too few were made for a model."


def _corrected_intercept(y: np.ndarray, offset: np.ndarray) -> float:
    """Return the intercept at which the chances add up to the failures, the slopes held."""
    low, high = -offset.max() - 40.0, -offset.min() + 40.0
    for _ in range(200):
        middle = (low + high) / 2
        if special.expit(middle + offset).sum() < y.sum():
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _checked(failed: Sequence[bool] | np.ndarray, X: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    y, columns = as_failed(failed), X.to_numpy(dtype=float)
    if len(columns) != len(y):
        raise FitError(f"there are {len(y)} bakes and {len(columns)} rows of settings.")
    if not np.isfinite(columns).all():
        raise FitError("a setting is not a finite number.")
    if y.min() == y.max():
        raise FitError(
            f"{'all' if y[0] else 'none'} of {len(y)} bakes failed, so nothing can be compared; "
            "use the counts."
        )
    if not independent(np.column_stack([np.ones(len(y)), columns])):
        raise FitError(
            f"among {in_words(X.columns)} one never changes or repeats the others; leave it out."
        )
    return y, columns
