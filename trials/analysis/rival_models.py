"""Several explanations at once: averaging over the models that a few bakes can not part.

Every model that respects heredity (a pair of factors counts only beside a factor of its own) gets
a probability; effects, predictions and choices are averaged over all of them. Where models explain
the bakes about as well, they are shown as rivals instead of one being picked.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trials.analysis.model_search import Posterior, Priors, Problem, search_models
from trials.errors import FitError
from trials.tables import in_words

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
        """Return joint draws of all coefficients, for chances of being largest or best.

        Parameters
        ----------
        number : int
            How many; 4,000 give chances to within 0.02.
        seed : int
            The same seed gives the same draws.

        Returns
        -------
        Draws
        """
        coefficients, blocks, error_sd = self.posterior.draws(number, np.random.default_rng(seed))
        columns = self.coefficients["column"]
        return Draws(pd.DataFrame(coefficients, columns=columns.to_list()), blocks, error_sd)

    def rivals(self, within: float = 3.0) -> pd.DataFrame:
        """Return the explanations that fit about as well as the best.

        Parameters
        ----------
        within : float
            A model is a rival when the best is at most this many times as probable.

        Returns
        -------
        DataFrame
            terms, probability, error_sd, times (how many times as probable the best is).

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
        """Return the rivals in a baker's words.

        Parameters
        ----------
        within : float
            As for :meth:`rivals`.
        most : int
            How many explanations are written out.

        Returns
        -------
        list of str
        """
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
) -> RivalModels:
    """Average over all models that respect heredity.

    In a model each coefficient is beforehand normal around zero, its standard deviation a size
    times that of the error; sizes, and a flat log error, are integrated out. Probabilities of
    terms multiply, and depend on which parents are in.

    Parameters
    ----------
    y : ndarray, shape (bakes,)
        One value per bake: the mean over its tasters, or a measurement.
    candidates : sequence of Candidate
        The terms that may matter.
    blocks : ndarray, shape (bakes, columns), optional
        Columns that are always in: the mean, days. Left out, a column of ones.
    covariances : sequence of ndarray, shape (bakes, bakes)
        Known shapes of the error's covariance, such as the identity plus a ratio times ZZ' for
        loads; several are averaged over, each as likely beforehand. None: independent bakes.
    priors : Priors, optional
    largest : int, optional
        The most terms of a model; left out, 6, or fewer for very few bakes.

    Returns
    -------
    RivalModels

    Raises
    ------
    FitError
        For a response that does not vary, values that are not finite, blocks that repeat each
        other, an unknown parent, or too few bakes.

    References
    ----------
    Box & Meyer 1993, J. Qual. Technol. 25:94-105. Heredity: Chipman 1996, Can. J. Stat.
    24:17-36. Meyer, Steinberg & Box 1996, Technometrics 38:303-313.

    Examples
    --------
    >>> oil, rest = np.array([-1, 1, -1, 1, -1, 1, -1, 1.0]), np.array([-1, -1, 1, 1] * 2)
    >>> terms = [Candidate("oil", oil), Candidate("rest", rest),
    ...          Candidate("oil:rest", oil * rest, ("oil", "rest"))]
    >>> liking = np.array([5.1, 7.0, 5.2, 6.9, 4.8, 6.8, 5.0, 7.1])
    >>> found = average_models(liking, terms)
    >>> found.models["terms"][0]
    ('oil',)
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
    problem = Problem(y, X, owner, lineage, blocks, covariances)
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
    """Return which terms a plan mixes up, once the blocks are taken out.

    Parameters
    ----------
    candidates : sequence of Candidate
    blocks : ndarray, shape (bakes, columns)
        Columns that are always in.

    Returns
    -------
    DataFrame
        term, other, correlation, fully; pairs with a canonical correlation of 0.3 or more.

    Examples
    --------
    >>> oil, rest = np.array([-1, 1, -1, 1.0]), np.array([-1, -1, 1, 1.0])
    >>> terms = [Candidate("oil", oil), Candidate("rest", rest), Candidate("fat", oil * rest),
    ...          Candidate("oil:rest", oil * rest, ("oil", "rest"))]
    >>> find_aliases(terms, np.ones((4, 1)))
      term     other  correlation  fully
    0  fat  oil:rest          1.0   True
    """
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
