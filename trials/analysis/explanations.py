"""Rival explanations.

The search through models that respect heredity, and averages over what a few bakes can not part.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trials.base.errors import FitError
from trials.base.words import in_words

# -- The search through models that respect heredity, and the posterior that it leaves.
#
# Marginal likelihoods are closed forms of small matrices, taken for many models at once.


# Above this many models of one size only the most probable are kept and grown further.
WIDEST = 6_000


@dataclass(frozen=True)
class Priors:
    """What is assumed before the bakes.

    Beforehand a factor is as likely to matter as not (a cook varies what may), a pair of two active
    factors a little less, a pair with one of them half of that; and an active coefficient is about
    as large as the error of one bake, give or take a factor of two.

    Parameters
    ----------
    main : float
        Probability that a term without parents (a factor by itself) is active.
    all_parents, some_parents, no_parents : float
        Probability that a pair or a square is active when all, some or none of its parents are.
        ``no_parents = 0`` is weak heredity; ``some_parents = 0`` as well, strong heredity.
    sizes : tuple of float
        Standard deviation of an active coefficient (coded -1 to +1) in units of the error's
        standard deviation; each is tried.
    size_weights : tuple of float
        How likely each size is beforehand; scaled to sum to one.

    References
    ----------
    Box & Meyer 1993, J. Qual. Technol. 25:94-105, for active shares and sizes in units of the
    error; Chipman, Hamada & Wu 1997, Technometrics 39:372-381, for pairs that depend on their
    parents. The numbers are ours: a benchmark shows how little the choice made of the bakes
    depends on them.

    Examples
    --------
    >>> Priors(some_parents=0.0).main  # strong heredity
    0.5
    """

    main: float = 0.50
    all_parents: float = 0.40
    some_parents: float = 0.20
    no_parents: float = 0.0
    sizes: tuple[float, ...] = (0.5, 1.0, 2.0)
    size_weights: tuple[float, ...] = (1.0, 1.0, 1.0)

    def __post_init__(self) -> None:
        for name in ("main", "all_parents", "some_parents", "no_parents"):
            if not 0 <= getattr(self, name) < 1:
                raise FitError(
                    f"{name} is {getattr(self, name)}; expected a probability from 0 to below 1."
                )
        if not self.sizes or len(self.sizes) != len(self.size_weights):
            raise FitError("sizes and size_weights must be equally many, at least one.")
        if min(self.sizes) <= 0 or min(self.size_weights) < 0 or sum(self.size_weights) <= 0:
            raise FitError("sizes must be above zero and their weights not below it.")


@dataclass(frozen=True)
class ErrorPrior:
    """What is known of the error of one bake beforehand; nothing when left out.

    Parameters
    ----------
    df : float
        How many degrees of freedom the knowledge is worth.
    variance : float
        Where it is centred (scaled inverse chi-square), in squared units of the response.
    least : float
        What the variance can not fall short of, as scores are rounded.

    References
    ----------
    Box & Tiao 1973, Bayesian Inference in Statistical Analysis, section 2.3 (scaled inverse
    chi-square).
    """

    df: float = 0.0
    variance: float = 0.0
    least: float = 0.0


@dataclass(frozen=True, eq=False)
class Problem:
    """One response, its terms and its blocks, as plain arrays.

    Parameters
    ----------
    y : ndarray, shape (bakes,)
    X : ndarray, shape (bakes, columns)
    owner : ndarray of int, shape (columns,)
        Which term each column belongs to.
    lineage : ndarray of bool, shape (terms, terms)
        Row is a parent of column.
    blocks : ndarray, shape (bakes, always)
    covariances : tuple of ndarray, shape (bakes, bakes)
    error : ErrorPrior
    """

    y: np.ndarray
    X: np.ndarray
    owner: np.ndarray
    lineage: np.ndarray
    blocks: np.ndarray
    covariances: tuple[np.ndarray, ...]
    error: ErrorPrior = ErrorPrior()


@dataclass(frozen=True, eq=False)
class _Whitened:
    """A problem with a covariance and the blocks taken out, the response scaled to length one."""

    gram: np.ndarray
    cross: np.ndarray
    level: float
    block_fit: np.ndarray
    block_terms: np.ndarray
    block_root: np.ndarray
    length: float


@dataclass(frozen=True, eq=False)
class Posterior:
    """Models, their weights under every assumed size and covariance, and their coefficients.

    Parameters
    ----------
    members : ndarray of bool, shape (models, terms)
    log_prior : ndarray, shape (models,)
    weights : ndarray, shape (assumptions, models)
        Sum to one over everything. An assumption is a covariance with a size, sizes fastest.
    left : ndarray, shape (assumptions, models)
        What a model leaves of the response's square length.
    complete : bool
    """

    members: np.ndarray
    log_prior: np.ndarray
    weights: np.ndarray
    left: np.ndarray
    complete: bool
    whitened: tuple[_Whitened, ...]
    sizes: tuple[float, ...]
    columns: np.ndarray
    unit: np.ndarray
    scale: float
    df: float

    def model_shares(self) -> np.ndarray:
        """Return the probability of each model."""
        return self.weights.sum(axis=0)

    def prior_shares(self) -> np.ndarray:
        """Return the probability of each model before the bakes."""
        shares = np.exp(self.log_prior - self.log_prior.max())
        return shares / shares.sum()

    def size_shares(self) -> np.ndarray:
        """Return the probability of each assumed size."""
        return self.weights.sum(axis=1).reshape(-1, len(self.sizes)).sum(axis=0)

    def model_error_sd(self) -> np.ndarray:
        """Return the spread of one bake by each model, averaged over the assumptions."""
        shares = self.weights / np.maximum(self.weights.sum(axis=0), np.finfo(float).tiny)
        return np.sqrt((shares * self.left).sum(axis=0) / self.df) * self.scale

    def moments(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return averaged coefficients, their standard deviations, and those of the blocks."""
        width = len(self.unit) + 1
        mean, square = np.zeros(width), np.zeros((width, width))
        blocks = np.zeros(self.whitened[0].block_fit.shape)
        variance_factor = self.df / (self.df - 2)
        for place, weights in enumerate(self.weights):
            heavy = np.flatnonzero(weights > 1e-9 * self.weights.max())
            if not len(heavy):
                continue
            world, size = self._assumption(place)
            at = self.columns[heavy]
            inverse = np.linalg.inv(_precision(world.gram, at, size))
            fit = size**2 * np.einsum("mij,mj->mi", inverse, world.cross[at])
            error = variance_factor * self.left[place, heavy] / self.df
            spread = size**2 * error[:, None, None] * inverse + fit[:, :, None] * fit[:, None, :]
            here = np.bincount(at.ravel(), (weights[heavy, None] * fit).ravel(), width)
            pairs = at[:, :, None] * width + at[:, None, :]
            shares = weights[heavy, None, None] * spread
            square += np.bincount(pairs.ravel(), shares.ravel(), width**2).reshape(width, width)
            mean += here
            blocks += weights.sum() * world.block_fit - world.block_terms @ here[:-1]
        mean, square = mean[:-1], square[:-1, :-1]
        estimate = self.unit @ mean
        variance = np.einsum("ij,jk,ik->i", self.unit, square, self.unit) - estimate**2
        sd = np.sqrt(np.maximum(variance, 0))
        return estimate * self.scale, sd * self.scale, blocks * self.scale

    def draws(
        self, number: int, generator: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return joint draws of the coefficients, the blocks and the error's spread."""
        flat = self.weights.ravel()
        picked = generator.choice(flat.size, size=number, p=flat / flat.sum())
        places, models = np.unravel_index(picked, self.weights.shape)
        noise = generator.standard_normal((number, self.columns.shape[1]))
        block_noise = generator.standard_normal((number, len(self.whitened[0].block_fit)))
        error = np.sqrt(self.left[places, models] / generator.chisquare(self.df, number))
        coefficients = np.zeros((number, len(self.unit) + 1))
        blocks = np.empty_like(block_noise)
        for place in np.unique(places):
            rows = np.flatnonzero(places == place)
            world, size = self._assumption(place)
            at = self.columns[models[rows]]
            precision = _precision(world.gram, at, size)
            root = np.linalg.cholesky(precision)
            fit = size**2 * np.linalg.solve(precision, world.cross[at][..., None])[..., 0]
            lift = np.linalg.solve(root.transpose(0, 2, 1), noise[rows][..., None])[..., 0]
            coefficients[rows[:, None], at] = fit + size * error[rows, None] * lift
            drawn = coefficients[rows, :-1]
            blocks[rows] = (
                world.block_fit
                - drawn @ world.block_terms.T
                + error[rows, None] * (block_noise[rows] @ world.block_root.T)
            )
        real = coefficients[:, :-1] @ self.unit.T
        return real * self.scale, blocks * self.scale, error * self.scale

    def _assumption(self, place: int) -> tuple[_Whitened, float]:
        covariance, size = divmod(int(place), len(self.sizes))
        return self.whitened[covariance], self.sizes[size]


def search_models(problem: Problem, priors: Priors, largest: int) -> Posterior:
    """Look at every model that respects heredity, or at the most probable at each number of terms.

    References
    ----------
    Box & Meyer 1993, J. Qual. Technol. 25:94-105, for the marginal likelihood.
    """
    unit = _unit_blocks(problem.X, problem.owner)
    scale = _response_scale(problem)
    worlds = tuple(_whiten(problem, problem.X @ unit, scale, V) for V in problem.covariances)
    # What was known before counts as so many more bakes with their mean square
    before, error = problem.error.df, problem.error
    df = len(problem.y) - problem.blocks.shape[1] + before
    known = before * error.variance / scale / scale, df * error.least / scale / scale
    sizes = np.array(priors.size_weights) / sum(priors.size_weights)
    with np.errstate(divide="ignore"):
        log_sizes = np.log(sizes)
    level = np.zeros((1, len(problem.lineage)), dtype=bool)
    found, complete = [], True
    for terms in range(largest + 1):
        if terms:
            level = _grow(level, problem.lineage, priors)
        if not len(level):
            break
        log_prior = _log_prior(level, problem.lineage, priors)
        at = _positions(level, problem.owner)
        log_weight, left = _score(worlds, priors.sizes, at, df, known)
        log_weight += np.tile(log_sizes, len(worlds))[:, None] + log_prior
        if len(level) > WIDEST:
            complete = False
            best = np.argsort(-np.round(log_weight.max(axis=0), 9), kind="stable")[:WIDEST]
            best = np.sort(best)
            level, log_prior = level[best], log_prior[best]
            log_weight, left = log_weight[:, best], left[:, best]
        found.append((level, log_prior, log_weight, left))
    members = np.concatenate([each[0] for each in found])
    log_weight = np.concatenate([each[2] for each in found], axis=1)
    weights = np.exp(log_weight - log_weight.max())
    return Posterior(
        members=members,
        log_prior=np.concatenate([each[1] for each in found]),
        weights=weights / weights.sum(),
        left=np.concatenate([each[3] for each in found], axis=1),
        complete=complete,
        whitened=worlds,
        sizes=priors.sizes,
        columns=_positions(members, problem.owner),
        unit=unit,
        scale=scale,
        df=df,
    )


def _response_scale(problem: Problem) -> float:
    """Return the length of the response once the blocks are out: the unit of all that follows."""
    largest = float(np.abs(problem.y).max())
    if largest == 0:
        raise FitError("every response is 0; there is nothing to explain.")
    y = problem.y / largest
    basis = np.linalg.qr(problem.blocks)[0]
    length = float(np.linalg.norm(y - basis @ (basis.T @ y)))
    if length <= 1e-12:
        raise FitError(
            "the response is the same for every bake (within a day); there is nothing to explain."
        )
    return length * largest


def _whiten(problem: Problem, X: np.ndarray, scale: float, covariance: np.ndarray) -> _Whitened:
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        raise FitError(
            "a covariance has bakes that repeat each other exactly; give every bake an error."
        ) from None
    white = np.linalg.solve(root, np.column_stack([problem.y / scale, X, problem.blocks]))
    width = problem.blocks.shape[1]
    y, terms, blocks = white[:, 0], white[:, 1:-width], white[:, -width:]
    basis, corner = np.linalg.qr(blocks)
    level = -np.log(np.diag(root)).sum() - np.log(np.abs(np.diag(corner))).sum()
    y_left = y - basis @ (basis.T @ y)
    X_left = terms - basis @ (basis.T @ terms)
    # The last row and column belong to no term: models of unequal width are filled up with it.
    gram = np.zeros((X.shape[1] + 1, X.shape[1] + 1))
    gram[:-1, :-1] = X_left.T @ X_left
    return _Whitened(
        gram=gram,
        cross=np.append(X_left.T @ y_left, 0.0),
        level=float(level),
        block_fit=np.linalg.solve(corner, basis.T @ y),
        block_terms=np.linalg.solve(corner, basis.T @ terms),
        block_root=np.linalg.inv(corner),
        length=float(y_left @ y_left),
    )


def _unit_blocks(X: np.ndarray, owner: np.ndarray) -> np.ndarray:
    """Return the change of columns after which equal priors treat all kinds alike.

    One column is left as it is. The columns of kinds are turned so that what they add has the
    same spread for every kind, as large as that of a numeric factor between its two ends.
    """
    unit = np.eye(X.shape[1])
    for term in np.unique(owner):
        at = np.flatnonzero(owner == term)
        if len(at) > 1:
            rows = np.unique(X[:, at], axis=0)
            moment = rows.T @ rows / len(rows) * len(at)
            values, vectors = np.linalg.eigh(moment)
            usable = values > 1e-9 * values.max()
            inverse = np.where(usable, 1 / np.sqrt(np.where(usable, values, 1)), 1.0)
            unit[np.ix_(at, at)] = (vectors * inverse) @ vectors.T
    return unit


def _parents_in(members: np.ndarray, lineage: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    needed = lineage.sum(axis=0)
    return members.astype(int) @ lineage.astype(int), needed


def _chances(members: np.ndarray, lineage: np.ndarray, priors: Priors) -> np.ndarray:
    """Return how probable each term is beforehand, given the other terms of each model."""
    present, needed = _parents_in(members, lineage)
    chances = np.where(present > 0, priors.some_parents, priors.no_parents)
    chances = np.where(present == needed, priors.all_parents, chances)
    return np.where(needed == 0, priors.main, chances)


def _log_prior(members: np.ndarray, lineage: np.ndarray, priors: Priors) -> np.ndarray:
    chances = _chances(members, lineage, priors)
    return np.log(np.where(members, chances, 1 - chances)).sum(axis=1)


def _grow(members: np.ndarray, lineage: np.ndarray, priors: Priors) -> np.ndarray:
    """Return every model with one more term than these, each once."""
    allowed = (_chances(members, lineage, priors) > 0) & ~members
    parent, term = np.nonzero(allowed)
    grown = members[parent].copy()
    grown[np.arange(len(term)), term] = True
    if not len(grown):
        return grown
    # Eight terms to a byte: the bytes sort as the rows do, and quicker
    packed = np.packbits(grown, axis=1)
    _, first = np.unique(packed.view(f"S{packed.shape[1]}").ravel(), return_index=True)
    return grown[first][::-1]


def _positions(members: np.ndarray, owner: np.ndarray) -> np.ndarray:
    """Return the columns of each model, filled up with the position that belongs to no term."""
    held = members[:, owner]
    widest = max(int(held.sum(axis=1).max()), 1)
    order = np.argsort(~held, axis=1, kind="stable")[:, :widest]
    return np.where(np.take_along_axis(held, order, axis=1), order, len(owner))


def _precision(gram: np.ndarray, at: np.ndarray, size: float) -> np.ndarray:
    return np.eye(at.shape[1]) + size**2 * gram[at[:, :, None], at[:, None, :]]


def _score(
    worlds: tuple[_Whitened, ...],
    sizes: tuple[float, ...],
    at: np.ndarray,
    df: float,
    known: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray]:
    """Return log marginal likelihoods and what is left, shape (assumptions, models).

    `known` is what the prior adds to what is left, and what this can not fall short of.
    """
    more, least = known
    scores, lefts = [], []
    for world in worlds:
        cross = world.cross[at]
        for size in sizes:
            root = np.linalg.cholesky(_precision(world.gram, at, size))
            solved = np.linalg.solve(root, cross[..., None])[..., 0]
            left = world.length - size**2 * (solved**2).sum(axis=1)
            left = np.maximum(left + more, least)
            half_log = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
            scores.append(world.level - half_log - df / 2 * np.log(left))
            lefts.append(left)
    return np.array(scores), np.array(lefts)


# -- Several explanations at once: averaging over the models that a few bakes can not part.
#
# Every model that respects heredity (a pair of factors counts only beside a factor of its own)
# gets a probability; effects, predictions and choices are averaged over all of them. Where models
# explain the bakes about as well, they are shown as rivals instead of one being picked.


FULLY_ALIASED = 1 - 1e-8
PARTLY_ALIASED = 0.3


@dataclass(frozen=True, eq=False)
class Candidate:
    """A term that may matter.

    Parameters
    ----------
    name : str
        The term, such as "fat:hydration".
    columns : ndarray, shape (bakes,) or (bakes, columns)
        Its coded columns, -1 to +1 between low and high.
    parents : tuple of str
        The terms it needs beside it: the two factors of a pair, the factor of a square.
    labels : tuple of str
        A name for each column; left out, the name of the term, numbered if there are several.

    Examples
    --------
    >>> Candidate("fat", np.array([[1, 0], [0, 1], [-1, -1]])).labels
    ('fat [1]', 'fat [2]')
    """

    name: str
    columns: np.ndarray
    parents: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        columns = np.array(self.columns, dtype=float)
        columns = columns[:, None] if columns.ndim == 1 else columns
        object.__setattr__(self, "columns", columns)
        width = columns.shape[1]
        numbered = tuple(f"{self.name} [{place + 1}]" for place in range(width))
        labels = self.labels or ((self.name,) if width == 1 else numbered)
        object.__setattr__(self, "labels", tuple(labels))


@dataclass(frozen=True, eq=False)
class Draws:
    """Joint draws from what the bakes leave possible.

    Parameters
    ----------
    coefficients : DataFrame
        One row per draw, one column per coefficient; zero where the drawn model leaves it out.
    blocks : ndarray, shape (draws, columns)
        The coefficients of the columns that are always in: the mean, differences between days.
    error_sd : ndarray, shape (draws,)
        The spread of one bake around its model.
    """

    coefficients: pd.DataFrame
    blocks: np.ndarray
    error_sd: np.ndarray


@dataclass(frozen=True, eq=False)
class RivalModels:
    """All models looked at, with their probabilities, and what they say together.

    Parameters
    ----------
    models : DataFrame
        Most probable first: terms (tuple), probability, error_sd (of one bake, by that model).
    activity : DataFrame
        One row per term: term, prior (share of the prior models that hold it), probability.
    coefficients : DataFrame
        One row per coefficient: column, term, estimate, sd; averaged over all models, with the
        spread between models in the sd.
    blocks : ndarray
        Averaged coefficients of the columns that are always in.
    aliases : DataFrame
        Pairs of terms that the plan mixes up: term, other, correlation (largest canonical one,
        after the blocks), fully (can not be told apart at all). ``other`` is "blocks" for a term
        that the plan mixes up with the mean or the days: the bakes say nothing about it.
    priors : Priors
        What was assumed beforehand.
    sizes : DataFrame
        size and probability: what the bakes say about the expected size of an active coefficient
        in units of the error.
    complete : bool
        Whether every model within the limits was looked at, or only the best at each size.
    """

    models: pd.DataFrame
    activity: pd.DataFrame
    coefficients: pd.DataFrame
    blocks: np.ndarray
    aliases: pd.DataFrame
    priors: Priors
    sizes: pd.DataFrame
    complete: bool
    posterior: Posterior = field(repr=False)

    def draws(self, number: int, seed: int) -> Draws:
        """Return joint draws of all coefficients, for chances of being largest or best."""
        coefficients, blocks, error_sd = self.posterior.draws(number, np.random.default_rng(seed))
        columns = self.coefficients["column"]
        return Draws(pd.DataFrame(coefficients, columns=columns.to_list()), blocks, error_sd)

    def rivals(self, within: float = 3.0) -> pd.DataFrame:
        """Return the explanations that fit about as well as the best.

        References
        ----------
        Madigan & Raftery 1994, J. Am. Stat. Assoc. 89:1535-1546, for keeping models within a
        factor of the best; the factor 3 is common practice, no source.
        """
        if not within >= 1:
            raise FitError(f"within is {within}; expected 1 or more, such as 3.")
        best = self.models["probability"].iloc[0]
        # Models that the plan can not tell apart differ by rounding only.
        close = self.models["probability"] * within >= best * (1 - 1e-9)
        rivals = self.models[close].reset_index(drop=True)
        return rivals.assign(times=best / rivals["probability"])

    def sentences(self, within: float = 3.0, most: int = 4) -> list[str]:
        """Return the rivals in a baker's words."""
        rivals = self.rivals(within)
        shares = [f"{100 * share:.0f} %" for share in rivals["probability"]]
        if len(rivals) == 1:
            best = in_words(rivals["terms"].iloc[0]) or "nothing but chance"
            said = [f"One explanation fits best ({shares[0]} sure): {best}."]
        else:
            said = [_rivals_in_words(rivals["terms"].tolist(), shares, most)]
        held = {term for terms in rivals["terms"] for term in terms}
        together = self.aliases[self.aliases["fully"]]
        for term, other in zip(together["term"], together["other"], strict=True):
            if term in held or other in held:
                said.append(f"{term} can not be told apart from {other} with these bakes.")
        return said


def _rivals_in_words(rivals: Sequence[tuple[str, ...]], shares: Sequence[str], most: int) -> str:
    """Return what all rivals hold, then what each holds besides."""
    common = [term for term in rivals[0] if all(term in terms for terms in rivals)]
    besides = [in_words(term for term in terms if term not in common) for terms in rivals]
    nothing = "nothing more" if common else "nothing but chance"
    listed = [f"{own or nothing} ({share})" for own, share in zip(besides, shares, strict=True)]
    rest = len(listed) - most
    more = f"; and {rest} more" if rest > 0 else ""
    held = f". All of them hold {in_words(common)}; besides" if common else ""
    listing = "; ".join(listed[:most])
    return f"{len(rivals)} explanations fit about as well{held}: {listing}{more}."


def average_models(
    y: np.ndarray,
    candidates: Sequence[Candidate],
    *,
    blocks: np.ndarray | None = None,
    covariances: Sequence[np.ndarray] = (),
    priors: Priors | None = None,
    largest: int | None = None,
    error: ErrorPrior | None = None,
) -> RivalModels:
    """Average over all models that respect heredity.

    In a model each coefficient is beforehand normal around zero, its standard deviation a size
    times that of the error; sizes, and the error (a flat log error where nothing is known of it),
    are integrated out. Probabilities of terms multiply, and depend on which parents are in.

    References
    ----------
    Box & Meyer 1993, J. Qual. Technol. 25:94-105. Heredity: Chipman 1996, Can. J. Stat.
    24:17-36. Meyer, Steinberg & Box 1996, Technometrics 38:303-313.
    """
    priors = priors or Priors()
    y, blocks, covariances = _checked(y, candidates, blocks, covariances)
    largest = min(6, len(y) - blocks.shape[1] - 1) if largest is None else largest
    names = [candidate.name for candidate in candidates]
    lineage = np.zeros((len(names), len(names)), dtype=bool)
    for child, candidate in enumerate(candidates):
        for parent in candidate.parents:
            if parent not in names:
                raise FitError(f'"{candidate.name}" needs "{parent}", which is not a candidate.')
            lineage[names.index(parent), child] = True
    owner = np.repeat(np.arange(len(names)), [c.columns.shape[1] for c in candidates])
    X = np.hstack([candidate.columns for candidate in candidates])
    problem = Problem(y, X, owner, lineage, blocks, covariances, error or ErrorPrior())
    posterior = search_models(problem, priors, largest)
    return _record(candidates, problem, posterior, priors)


def _record(
    candidates: Sequence[Candidate], problem: Problem, posterior: Posterior, priors: Priors
) -> RivalModels:
    names = np.array([candidate.name for candidate in candidates], dtype=object)
    share = posterior.model_shares()
    # Equal models stay in the order in which they were built: rounding must not order them.
    order = np.argsort(-np.round(share, 12), kind="stable")
    models = pd.DataFrame(
        {
            "terms": [tuple(names[row]) for row in posterior.members[order]],
            "probability": share[order],
            "error_sd": posterior.model_error_sd()[order],
        }
    )
    activity = pd.DataFrame(
        {
            "term": names,
            "prior": posterior.prior_shares() @ posterior.members,
            "probability": share @ posterior.members,
        }
    )
    mean, sd, blocks = posterior.moments()
    coefficients = pd.DataFrame(
        {
            "column": [label for candidate in candidates for label in candidate.labels],
            "term": names[problem.owner],
            "estimate": mean,
            "sd": sd,
        }
    )
    sizes = pd.DataFrame({"size": priors.sizes, "probability": posterior.size_shares()})
    return RivalModels(
        models=models,
        activity=activity,
        coefficients=coefficients,
        blocks=blocks,
        aliases=find_aliases(candidates, problem.blocks),
        priors=priors,
        sizes=sizes,
        complete=posterior.complete,
        posterior=posterior,
    )


def find_aliases(candidates: Sequence[Candidate], blocks: np.ndarray) -> pd.DataFrame:
    """Return which terms a plan mixes up, once the blocks are taken out."""
    basis = np.linalg.qr(blocks)[0]
    found, spaces = [], []
    for candidate in candidates:
        left = candidate.columns - basis @ (basis.T @ candidate.columns)
        before = np.linalg.norm(candidate.columns, ord=2)
        U, sizes, _ = np.linalg.svd(left, full_matrices=False)
        kept = sizes > 1e-9 * max(before, np.finfo(float).tiny)
        if not kept.any():
            found.append((candidate.name, "blocks", 1.0))
        spaces.append(U[:, kept])
    for first, one in enumerate(candidates):
        for second in range(first + 1, len(candidates)):
            if spaces[first].size and spaces[second].size:
                cosine = np.linalg.norm(spaces[first].T @ spaces[second], ord=2)
                found.append((one.name, candidates[second].name, min(float(cosine), 1.0)))
    table = pd.DataFrame(found, columns=["term", "other", "correlation"])
    table = table[table["correlation"] >= PARTLY_ALIASED].reset_index(drop=True)
    return table.assign(fully=table["correlation"] >= FULLY_ALIASED)


def _checked(
    y: np.ndarray,
    candidates: Sequence[Candidate],
    blocks: np.ndarray | None,
    covariances: Sequence[np.ndarray],
) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, ...]]:
    y = np.asarray(y, dtype=float)
    blocks = np.ones((len(y), 1)) if blocks is None else np.asarray(blocks, dtype=float)
    if not candidates:
        raise FitError("there is no term to judge; give at least one candidate.")
    for candidate in candidates:
        if candidate.columns.shape[0] != len(y):
            raise FitError(
                f'"{candidate.name}" has {candidate.columns.shape[0]} rows for {len(y)} bakes; '
                "expected one row per bake."
            )
        if not np.isfinite(candidate.columns).all():
            raise FitError(f'"{candidate.name}" holds a setting that is not a finite number.')
    if not np.isfinite(y).all():
        raise FitError("a response is not a finite number; leave bakes without a score out.")
    if len(y) < blocks.shape[1] + 3:
        raise FitError(
            f"{len(y)} bakes are too few to compare explanations beside {blocks.shape[1]} "
            "columns that are always in; at least three more bakes than those are needed."
        )
    if np.linalg.matrix_rank(blocks) < blocks.shape[1]:
        raise FitError("the blocks repeat each other; leave one of them out.")
    shapes = tuple(np.asarray(each, dtype=float) for each in covariances) or (np.eye(len(y)),)
    for shape in shapes:
        if shape.shape != (len(y), len(y)) or not np.allclose(shape, shape.T):
            raise FitError("a covariance must be a symmetric table of bakes by bakes.")
    return y, blocks, shapes
