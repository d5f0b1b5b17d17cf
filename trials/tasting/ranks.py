"""Rank order: whether bakes differ, whether they follow the order expected, and which differ."""

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

import numpy as np
import pandas as pd
from scipy import stats

from trials.errors import TastingError

_LARGEST_STEP = 400_000  # sums of ranks handled at once; beyond it the chi-square is used
_LARGEST_PERMUTED = 8  # bakes whose every order is listed


@dataclass(frozen=True, eq=False)
class RankingResult:
    """What a ranking found.

    Parameters
    ----------
    rank_sums : Series
        Sum of ranks of each bake.
    tasters : int
    statistic, p : float
        Friedman's, corrected for ties.
    exact : bool
        True when p is from the permutations of everybody's ranks; False when from chi-square.
    least_difference : float
        Rank sums that lie farther apart than this differ, if the bakes differ at all.
    page, page_p : float or None
        Page's L and its p for the order expected; None when none was said.
    page_exact : bool
    level : float
    """

    rank_sums: pd.Series
    tasters: int
    statistic: float
    p: float
    exact: bool
    least_difference: float
    page: float | None
    page_p: float | None
    page_exact: bool
    level: float

    @property
    def differing(self) -> pd.DataFrame:
        """Pairs of bakes that differ: lower, higher, difference of rank sums."""
        rows: list[tuple[object, object, float]] = []
        if self.p <= self.level:
            ordered = self.rank_sums.sort_values(kind="stable")
            for (low, a), (high, b) in combinations(ordered.items(), 2):
                if b - a > self.least_difference:
                    rows.append((low, high, float(b - a)))
        return pd.DataFrame(rows, columns=["lower", "higher", "difference"])

    @property
    def sentence(self) -> str:
        """The finding in plain words."""
        who = f"{self.tasters} tasters ranked {len(self.rank_sums)} bakes."
        if self.page is not None and self.page_p is not None:
            order = (
                f"They follow the order you expected (p = {self.page_p:.2g})."
                if self.page_p <= self.level
                else f"Not settled that they follow the order you expected (p = {self.page_p:.2g})."
            )
            who = f"{who} {order}"
        if self.p > self.level:
            return f"{who} Not settled that any two differ (p = {self.p:.2g})."
        pairs = "; ".join(
            f"{row.lower} below {row.higher}" for row in self.differing.itertuples(index=False)
        )
        return f"{who} The bakes differ (p = {self.p:.2g}): {pairs or 'no two clearly'}."

    def _repr_html_(self) -> str:
        sums = self.rank_sums.rename("sum of ranks").to_frame().to_html(escape=True)
        return f"<p>{html.escape(self.sentence)}</p>{sums}"


def ranking(
    table: pd.DataFrame, *, order: Sequence[object] | None = None, level: float = 0.05
) -> RankingResult:
    """Test whether tasters' rankings agree on a difference.

    Parameters
    ----------
    table : DataFrame
        One row a taster, one column a bake: ranks, 1 for the lowest, ties given equal numbers.
        Each row is ranked again, so that scores do as well.
    order : sequence, optional
        The bakes from lowest to highest, as expected before tasting: adds Page's test.
    level : float
        Error allowed.

    Returns
    -------
    RankingResult

    Raises
    ------
    TastingError
        When a cell is empty or is no number, or there are fewer than two tasters or bakes.

    References
    ----------
    ISO 8587, Sensory analysis: ranking. Friedman, M. (1937). Journal of the American Statistical
    Association 32, 675-701. Page, E. B. (1963). Journal of the American Statistical Association
    58, 216-230. Exact null distributions: all permutations within tasters, ties as they stand.

    Examples
    --------
    >>> table = pd.DataFrame([[1, 2, 3]] * 5, columns=["B01", "B02", "B03"])
    >>> found = ranking(table, order=["B01", "B02", "B03"])
    >>> found.statistic, round(found.p, 6), found.page
    (10.0, 0.000772, 70.0)
    """
    ranks = _checked_ranks(table)
    tasters, bakes = ranks.shape
    sums = ranks.sum(axis=0)
    spread = float(((ranks - (bakes + 1) / 2) ** 2).sum()) / (bakes - 1)
    squares = float(((sums - sums.mean()) ** 2).sum())
    statistic = squares / spread if spread > 0 else 0.0
    p = _exact_friedman(ranks)
    page, page_p, page_exact = _page(ranks, table.columns.tolist(), order)
    return RankingResult(
        rank_sums=pd.Series(sums, index=table.columns),
        tasters=tasters,
        statistic=statistic,
        p=float(stats.chi2.sf(statistic, bakes - 1)) if p is None else p,
        exact=p is not None,
        least_difference=float(stats.norm.isf(level / 2)) * math.sqrt(2 * spread),
        page=page,
        page_p=page_p,
        page_exact=page_exact,
        level=level,
    )


def _checked_ranks(table: pd.DataFrame) -> np.ndarray:
    if not isinstance(table, pd.DataFrame) or min(table.shape, default=0) < 2:
        raise TastingError(
            "A ranking needs a table of at least two tasters (rows) and two bakes (columns)."
        )
    numbers = table.apply(pd.to_numeric, errors="coerce").to_numpy(dtype=float)
    if not np.isfinite(numbers).all():
        row, column = np.argwhere(~np.isfinite(numbers))[0]
        raise TastingError(
            f"The rank of {table.columns[column]} by {table.index[row]} is "
            f"{table.iloc[row, column]!r}. Every taster ranks every bake: fill it in, or leave "
            "that taster out."
        )
    return stats.rankdata(numbers, axis=1)


def friedman_null(ranks: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the exact distribution of Friedman's statistic when the bakes do not differ.

    Sums are kept sorted: what the remaining tasters add does not care which bake is which.

    Parameters
    ----------
    ranks : ndarray, shape (tasters, bakes)
        Everybody's ranks; ties stay with their taster.

    Returns
    -------
    (ndarray, ndarray) or None
        Sums of squared rank sums, doubled ranks being summed, and their chances; None when there
        is too much to count.

    Examples
    --------
    >>> squares, chances = friedman_null(np.array([[1, 2], [1, 2]]))
    >>> squares.tolist(), chances.tolist()
    ([72, 80], [0.5, 0.5])
    """
    doubled = np.rint(2 * ranks).astype(np.int64)
    bakes = doubled.shape[1]
    base = int(doubled.sum()) + 1
    if bakes > 6 or base**bakes > 2**62:
        return None
    weights = np.array([base**i for i in range(bakes)], dtype=np.int64)
    sums: np.ndarray = np.sort(doubled[:1], axis=1)
    chances: np.ndarray = np.ones(1)
    for row in doubled[1:]:
        orders = np.array(list(permutations(row.tolist())), dtype=np.int64)
        if len(sums) * len(orders) > _LARGEST_STEP:
            return None
        grown = np.sort((sums[:, None, :] + orders[None, :, :]).reshape(-1, bakes), axis=1)
        keys, where = np.unique(grown @ weights, return_inverse=True)
        chances = np.bincount(where, np.repeat(chances / len(orders), len(orders)))
        sums = np.array([(keys // weight) % base for weight in weights]).T
    squares, where = np.unique((sums**2).sum(axis=1), return_inverse=True)
    return squares, np.bincount(where, chances)


def _exact_friedman(ranks: np.ndarray) -> float | None:
    null = friedman_null(ranks)
    if null is None:
        return None
    squares, chances = null
    observed = int((np.rint(2 * ranks).astype(np.int64).sum(axis=0) ** 2).sum())
    return min(1.0, float(chances[squares >= observed].sum()))


def _page(
    ranks: np.ndarray, bakes: list[object], order: Sequence[object] | None
) -> tuple[float | None, float | None, bool]:
    if order is None:
        return None, None, False
    order = list(order)
    if len(order) != len(bakes) or set(order) != set(bakes):
        raise TastingError(
            f"order names {', '.join(map(str, order))}; it has to name each of "
            f"{', '.join(map(str, bakes))} once."
        )
    ranks = ranks[:, [bakes.index(bake) for bake in order]]
    places = np.arange(1, len(bakes) + 1)
    page = float((ranks.sum(axis=0) * places).sum())
    if len(bakes) <= _LARGEST_PERMUTED:
        return page, _exact_page(ranks, page), True
    centred = ((ranks - ranks.mean(axis=1, keepdims=True)) ** 2).sum()
    deviation = math.sqrt(((places - places.mean()) ** 2).sum() * centred / (len(bakes) - 1))
    mean = len(ranks) * len(bakes) * places.mean() ** 2
    if deviation == 0:
        return page, 1.0, False
    return page, float(stats.norm.sf((page - mean) / deviation)), False


def page_null(ranks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the exact distribution of Page's L when there is no order, for up to eight bakes.

    Parameters
    ----------
    ranks : ndarray, shape (tasters, bakes)

    Returns
    -------
    (ndarray, ndarray)
        Values of L, rising, and their chances.

    Examples
    --------
    >>> values, chances = page_null(np.array([[1, 2]]))
    >>> values[chances > 0].tolist(), chances[chances > 0].tolist()
    ([4.0, 5.0], [0.5, 0.5])
    """
    places = np.arange(1, ranks.shape[1] + 1)
    doubled = np.rint(2 * ranks).astype(np.int64)
    chances, least = np.ones(1), 0
    of_ranks: dict[tuple[int, ...], np.ndarray] = {}
    for row in doubled:
        key = tuple(sorted(row.tolist()))
        if key not in of_ranks:
            of_ranks[key] = np.array(list(permutations(key)), dtype=np.int64) @ places
        values = of_ranks[key]
        chances = np.convolve(chances, np.bincount(values - values.min()) / len(values))
        least += int(values.min())
    return (least + np.arange(len(chances))) / 2, chances


def _exact_page(ranks: np.ndarray, page: float) -> float:
    values, chances = page_null(ranks)
    return min(1.0, float(chances[values >= page].sum()))
