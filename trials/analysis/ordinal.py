"""Scores as ordered categories: a 9-point scale has words, not centimetres.

The steps of the scale are estimated instead of being taken as equal. Tasters, bakes and loads
enter as in the fit of scores as numbers, each with its own spread: without the bake, every tasting
would count as a bake.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trials.analysis.cumulative_link import Estimate, maximise
from trials.analysis.links import LINKS, Scores
from trials.errors import FitError
from trials.tables import in_words


@dataclass(frozen=True, eq=False)
class OrdinalFit:
    """A cumulative link model, fitted.

    Parameters
    ----------
    slopes : DataFrame
        column, estimate, se; on the hidden scale (log odds for the logit link), higher is more
        liked. Judge a term by :func:`likelihood_ratio`, not by estimate over se.
    thresholds : DataFrame
        between (such as "6|7"), estimate, se.
    spreads : Series
        Standard deviation of each grouping on the hidden scale.
    effects : dict of Series
        For each grouping, the most likely effect of each of its groups.
    log_likelihood : float
    categories : tuple
        The scores that were given, in order.
    link : str
    quadrature : int
        Nodes of adaptive quadrature; 1 is the Laplace approximation.
    notes : tuple of str
        What was done with categories that nobody used.
    """

    slopes: pd.DataFrame
    thresholds: pd.DataFrame
    spreads: pd.Series
    effects: dict[str, pd.Series]
    log_likelihood: float
    categories: tuple[Hashable, ...]
    link: str
    quadrature: int
    notes: tuple[str, ...]

    def chances(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the chance of each category for a middling taster and bake.

        Parameters
        ----------
        X : DataFrame
            The columns of the fit, one row per setting.

        Returns
        -------
        DataFrame
            One column per category; rows as in X.
        """
        names = self.slopes["column"].to_list()
        m = X[names].to_numpy(dtype=float) @ self.slopes["estimate"].to_numpy()
        edges = self.thresholds["estimate"].to_numpy()[None, :] - m[:, None]
        below = LINKS[self.link].cumulative(edges)
        shares = np.diff(below, axis=1, prepend=0.0, append=1.0)
        return pd.DataFrame(shares, index=X.index, columns=list(self.categories))


@dataclass(frozen=True, eq=False)
class OrdinalTest:
    """A model with some columns against the same model without them.

    Parameters
    ----------
    columns : tuple of str
        The columns in question.
    statistic, df, p : float
        Twice the gain in log-likelihood; its degrees of freedom; chance by chi-square.
    p_bootstrap : float or None
        Chance by the parametric bootstrap: scores drawn from the model without the columns.
    bootstraps : int
        How many sets of scores were drawn.
    """

    columns: tuple[str, ...]
    statistic: float
    df: int
    p: float
    p_bootstrap: float | None
    bootstraps: int


def fit_ordinal(
    scores: Sequence[Hashable] | pd.Series,
    X: pd.DataFrame,
    groups: Mapping[str, Sequence[Hashable] | pd.Series] | None = None,
    *,
    scale: Sequence[Hashable] | None = None,
    link: str = "logit",
    quadrature: int = 1,
) -> OrdinalFit:
    """Fit scores as ordered categories.

    Parameters
    ----------
    scores : sequence, one per tasting
        Numbers, or words whose order ``scale`` gives.
    X : DataFrame, one row per tasting
        Coded columns without an intercept.
    groups : mapping of str to sequence, optional
        A random intercept each: {"taster": ..., "bake": ...}, crossed or nested.
    scale : sequence, optional
        Every category, lowest first; left out, the scores in sorted order.
    link : str
        "logit" or "probit".
    quadrature : int
        Nodes of adaptive Gauss-Hermite quadrature, for one grouping; 1 is Laplace.

    Returns
    -------
    OrdinalFit

    Raises
    ------
    FitError
        For scores off the scale or all alike, columns that repeat each other, a grouping of one,
        or columns that part the categories without overlap (the estimates would be infinite).

    References
    ----------
    McCullagh 1980, J. R. Stat. Soc. B 42:109-142; Tutz & Hennevogl 1996, Comput. Stat. Data Anal.
    22:537-557, for random effects. Separation: Albert & Anderson 1984, Biometrika 71:1-10.

    Examples
    --------
    Invented likings of two fats by four tasters:

    >>> liking = [6, 7, 5, 7, 7, 8, 6, 7]
    >>> butter = pd.DataFrame({"butter": [-1, 1] * 4})
    >>> found = fit_ordinal(liking, butter)
    Traceback (most recent call last):
    ...
    trials.errors.FitError: the scores ... butter ...
    >>> found = fit_ordinal([6, 7, 5, 7, 7, 6, 6, 7], butter)
    >>> found.categories, bool(found.slopes["estimate"][0] > 0)
    ((5, 6, 7), True)
    """
    data, categories, notes, levels = _prepare(scores, X, groups, scale, link)
    names = [str(column) for column in X.columns]
    if quadrature > 1 and len(data.member) != 1:
        raise FitError(
            f"quadrature works with one grouping, and there are {len(data.member)}; leave it at 1."
        )
    parting = separating_columns(data)
    if len(parting):
        raise FitError(
            f"the scores at one end of {in_words(names[at] for at in parting)} never overlap "
            "those at the other, so the steps of the scale can not be measured there. "
            "Read the fit of the scores as numbers, or leave the column out here."
        )
    estimate = maximise(data, quadrature)
    return _record(estimate, names, categories, notes, levels, link, quadrature)


def likelihood_ratio(
    scores: Sequence[Hashable] | pd.Series,
    X: pd.DataFrame,
    columns: Sequence[str],
    groups: Mapping[str, Sequence[Hashable] | pd.Series] | None = None,
    *,
    scale: Sequence[Hashable] | None = None,
    link: str = "logit",
    bootstraps: int = 0,
    seed: int = 0,
) -> OrdinalTest:
    """Test whether some columns help to explain scores as categories.

    Parameters
    ----------
    scores, X, groups, scale, link
        As for :func:`fit_ordinal`.
    columns : sequence of str
        The columns of X to test, together.
    bootstraps : int
        Sets of scores drawn from the model without the columns; chi-square is too hopeful with few
        bakes, so 199 or more are worth their time when a verdict is near.
    seed : int
        The same seed gives the same answer.

    Returns
    -------
    OrdinalTest

    Raises
    ------
    FitError
        As :func:`fit_ordinal`, and for columns that are not in X. A separated column is no
        hindrance here: the gain has a limit where the estimate has none.

    References
    ----------
    Wilks 1938, Ann. Math. Stat. 9:60-62; Davison & Hinkley 1997, Bootstrap Methods and their
    Application, ch. 4, for the parametric bootstrap.

    Examples
    --------
    >>> butter = pd.DataFrame({"butter": [-1, 1] * 4})
    >>> found = likelihood_ratio([6, 7, 5, 7, 7, 8, 6, 7], butter, ["butter"])
    >>> found.df, bool(found.p < 0.05)
    (1, True)
    """
    absent = [column for column in columns if column not in X.columns]
    if absent or not len(columns):
        raise FitError(
            f"there is no column {in_words(absent)} to test; the columns are {in_words(X.columns)}."
        )
    data, *_ = _prepare(scores, X, groups, scale, link)
    kept = ~X.columns.isin(columns)
    statistic, null = _gain(data, kept)
    chance, drawn = None, 0
    if bootstraps > 0:
        generator = np.random.default_rng(seed)
        beyond = 0
        for _ in range(bootstraps):
            beyond += _gain(_simulated(data, null, kept, generator), kept)[0] >= statistic - 1e-9
        chance, drawn = (beyond + 1) / (bootstraps + 1), bootstraps
    df = int((~kept).sum())
    p = float(stats.chi2.sf(statistic, df))
    return OrdinalTest(tuple(columns), statistic, df, p, chance, drawn)


def separating_columns(data: Scores) -> np.ndarray:
    """Return which columns take part in a direction along which the likelihood never falls.

    Parameters
    ----------
    data : Scores

    Returns
    -------
    ndarray of int

    References
    ----------
    Albert & Anderson 1984, Biometrika 71:1-10; found by linear programming as in Konis 2007
    (thesis, Oxford).
    """
    p, K = data.X.shape[1], data.thresholds
    width = np.ptp(data.X, axis=0)
    X = data.X / np.where(width > 0, width, 1)
    top = np.hstack([_edge(data.category, K), -X])[data.category < K]
    low = np.hstack([-_edge(data.category - 1, K), X])[data.category > 0]
    rows = np.unique(np.vstack([top, low]), axis=0)
    # Each row is a gap that must not close; the sum of the gaps opens only when they are parted.
    found = optimize.linprog(
        -rows.sum(axis=0), A_ub=-rows, b_ub=np.zeros(len(rows)), bounds=[(-1, 1)] * (K + p)
    )
    # Any open gap has a size of the order of 1 because the bounds are 1.
    if not found.success or -found.fun < 1e-6:
        return np.array([], dtype=int)
    return np.flatnonzero(np.abs(found.x[K:]) > 1e-6)


def _edge(place: np.ndarray, thresholds: int) -> np.ndarray:
    held = np.zeros((len(place), thresholds))
    inside = (place >= 0) & (place < thresholds)
    held[np.flatnonzero(inside), place[inside]] = 1.0
    return held


def _gain(data: Scores, kept: np.ndarray) -> tuple[float, Estimate]:
    """Return twice the gain in log-likelihood over the model with the kept columns only."""
    narrow = Scores(data.category, data.X[:, kept], data.member, data.link)
    null = maximise(narrow, height_only=True)
    # A spread of zero is a point of rest, so the wider model starts a little off it.
    spread = np.where(null.spreads > 0, null.spreads, 0.1)
    slopes = np.zeros(len(kept))
    slopes[kept] = null.slopes
    steps = np.log(np.diff(null.thresholds))
    start = np.concatenate([null.thresholds[:1], steps, slopes, spread])
    full = maximise(data, start=start, height_only=True)
    return max(0.0, 2 * (full.log_likelihood - null.log_likelihood)), null


def _simulated(
    data: Scores, null: Estimate, kept: np.ndarray, generator: np.random.Generator
) -> Scores:
    """Draw scores from a fitted model; categories that nobody drew close up."""
    m = data.X[:, kept] @ null.slopes
    for member, spread in zip(data.member, null.spreads, strict=True):
        m = m + spread * generator.standard_normal(int(member.max()) + 1)[member]
    while True:
        below = data.link.cumulative(null.thresholds[None, :] - m[:, None])
        drawn = (generator.random(len(m))[:, None] > below).sum(axis=1)
        _, category = np.unique(drawn, return_inverse=True)
        if category.max() > 0:
            return Scores(category, data.X, data.member, data.link)


def _prepare(
    scores: Sequence[Hashable] | pd.Series,
    X: pd.DataFrame,
    groups: Mapping[str, Sequence[Hashable] | pd.Series] | None,
    scale: Sequence[Hashable] | None,
    link: str,
) -> tuple[Scores, tuple[Hashable, ...], tuple[str, ...], dict[str, pd.Index]]:
    if link not in LINKS:
        raise FitError(f'there is no link "{link}"; expected {in_words(LINKS, "or")}.')
    values = pd.Series(scores).reset_index(drop=True)
    if values.isna().any():
        raise FitError("a score is missing; leave tastings without a score out.")
    order = list(scale) if scale is not None else sorted(values.unique().tolist())
    off = [value for value in values.unique() if value not in order]
    if off:
        raise FitError(f"{in_words(off)} is not on the scale {in_words(order)}.")
    category_of = {value: at for at, value in enumerate(order)}
    used, category = np.unique(values.map(category_of).to_numpy(), return_inverse=True)
    if len(used) < 2:
        raise FitError(f"every score is {order[used[0]]}; there is nothing to explain.")
    empty = [value for at, value in enumerate(order) if at not in set(used.tolist())]
    note = (f"Nobody gave {in_words(empty, 'or')}; merged with the next score that was given.",)
    columns = _checked_columns(X, len(values))
    members, levels = [], {}
    for name, labels in (groups or {}).items():
        codes, index = pd.factorize(pd.Series(labels).reset_index(drop=True), sort=True)
        if len(codes) != len(values) or (codes < 0).any():
            raise FitError(f'"{name}" must name a group for each of the {len(values)} scores.')
        if len(index) < 2:
            raise FitError(f'"{name}" has only one group, so its spread can not be measured.')
        members.append(codes)
        levels[name] = index
    data = Scores(category, columns, tuple(members), LINKS[link])
    return data, tuple(order[at] for at in used), note if empty else (), levels


def _checked_columns(X: pd.DataFrame, number: int) -> np.ndarray:
    columns = X.to_numpy(dtype=float)
    if len(columns) != number:
        raise FitError(f"there are {number} scores and {len(columns)} rows of settings.")
    if not np.isfinite(columns).all():
        raise FitError("a setting is not a finite number.")
    centred = columns - columns.mean(axis=0)
    length = np.linalg.norm(centred, axis=0)
    still = length <= 1e-12 * np.abs(columns).max(axis=0, initial=0)
    if still.any():
        raise FitError(f"nothing changes in {in_words(X.columns[still])}; leave it out.")
    _, R = np.linalg.qr(centred / length)
    repeated = np.abs(np.diag(R)) < 1e-9
    if repeated.any() or columns.shape[1] >= number:
        named = in_words(X.columns[repeated]) or "too many columns"
        raise FitError(f"{named}: can not be told apart from the columns before; leave out.")
    return columns


def _record(
    estimate: Estimate,
    names: list[str],
    categories: tuple[Hashable, ...],
    notes: tuple[str, ...],
    levels: dict[str, pd.Index],
    link: str,
    quadrature: int,
) -> OrdinalFit:
    se = np.sqrt(np.maximum(np.diag(estimate.covariance), 0))
    K = len(estimate.thresholds)
    between = [f"{low}|{high}" for low, high in pairwise(categories)]
    effects, first = {}, 0
    for name, index in levels.items():
        effects[name] = pd.Series(estimate.effects[first : first + len(index)], index=index)
        first += len(index)
    return OrdinalFit(
        slopes=pd.DataFrame({"column": names, "estimate": estimate.slopes, "se": se[K:]}),
        thresholds=pd.DataFrame(
            {"between": between, "estimate": estimate.thresholds, "se": se[:K]}
        ),
        spreads=pd.Series(estimate.spreads, index=list(levels)),
        effects=effects,
        log_likelihood=estimate.log_likelihood,
        categories=categories,
        link=link,
        quadrature=quadrature,
        notes=notes,
    )
