"""Is the new one different? Exact tests of difference, likeness, preference and rank order."""

import math
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from trials.base.arguments import checked_types
from trials.base.errors import TastingError
from trials.base.html import answer
from trials.core.proportions import exact_interval
from trials.core.verdicts import CONFIDENCE
from trials.tasting.panel import Taster, check_panel
from trials.tasting.serving import draw_codes, whole_number

# -- How often people are right who can tell a difference, and who guess: the models of the tests.
#
# For each test: the chance of a right answer when guessing, and the chance as a function of
# d-prime, the distance of two samples in standard deviations of one impression (Thurstone, equal
# spreads).


_LARGEST_D_PRIME = 20.0  # beyond it a right answer is certain in floating point


@dataclass(frozen=True)
class GuessingModel:
    """One kind of difference test.

    Parameters
    ----------
    name : str
    guess : float
        Chance of a right answer when nothing can be told.
    chance : callable
        Chance of a right answer at a d-prime of 0 or more.

    Examples
    --------
    >>> model = guessing_model("triangle")
    >>> round(model.chance(0.0), 6), round(model.chance(1.0), 3)
    (0.333333, 0.418)
    """

    name: str
    guess: float
    chance: Callable[[float], float]

    def d_prime(self, share: float) -> float:
        """Return the d-prime at which a share of answers is right: 0 at guessing, inf at 1.

        Examples
        --------
        >>> round(guessing_model("paired").d_prime(0.76), 2)
        1.0
        """
        if share <= self.guess:
            return 0.0
        if share >= 1 or share > self.chance(_LARGEST_D_PRIME):
            return float("inf")
        return float(
            optimize.brentq(
                lambda d: self.chance(d) - share, 0.0, _LARGEST_D_PRIME, xtol=1e-12, rtol=1e-12
            )
        )

    def discriminators(self, share: float) -> float:
        """Return the share of people who can tell, if the others guess and never err otherwise.

        Examples
        --------
        >>> round(guessing_model("triangle").discriminators(0.6), 3)
        0.4
        """
        return max(0.0, (share - self.guess) / (1 - self.guess))


def _triangle(d: float) -> float:
    # The odd one x is picked when it lies farther from y and z than they from each other. With
    # u = (y - z) / sqrt(2) and v = (2x - y - z) / sqrt(6), independent with variance 1 and v with
    # mean d sqrt(2/3), that is v^2 / u^2 > 3: a non-central F with 1 and 1 degrees of freedom.
    return float(stats.ncf.sf(3, 1, 1, d * d * 2 / 3)) if d > 0 else 1 / 3


def _duo_trio(d: float) -> float:
    a, b = stats.norm.cdf(d / np.sqrt(2)), stats.norm.cdf(d / np.sqrt(6))
    return float(1 - a - b + 2 * a * b)


def _paired(d: float) -> float:
    return float(stats.norm.cdf(d / np.sqrt(2)))


# Where one sample's impression lies: far enough that what is beyond does not show in a double
_IMPRESSIONS = np.linspace(-9, 9, 3601)


def _mean_over(impressions: np.ndarray, chances: np.ndarray) -> float:
    """Return the mean of chances over one impression; even steps are exact for such bells."""
    step = _IMPRESSIONS[1] - _IMPRESSIONS[0]
    return float(step * (stats.norm.pdf(impressions) * chances).sum())


def _three_afc(d: float) -> float:
    # The stronger one is picked when it lies above both of the others
    return _mean_over(_IMPRESSIONS, stats.norm.cdf(_IMPRESSIONS + d) ** 2)


def _tetrad(d: float) -> float:
    # The four are grouped rightly when both of one kind lie on one side of both of the other
    x = _IMPRESSIONS
    same, other = stats.norm.cdf(x), stats.norm.cdf(x - d)
    return 1 - 2 * _mean_over(x, 2 * same * other - other**2)


_MODELS = {
    "triangle": GuessingModel("triangle", 1 / 3, _triangle),
    "3-AFC": GuessingModel("3-AFC", 1 / 3, _three_afc),
    "tetrad": GuessingModel("tetrad", 1 / 3, _tetrad),
    "duo-trio": GuessingModel("duo-trio", 1 / 2, _duo_trio),
    "paired": GuessingModel("paired", 1 / 2, _paired),
}


def guessing_model(test: str) -> GuessingModel:
    """Return the model of a test.

    References
    ----------
    Ennis, D. M. (1993). The power of sensory discrimination methods. Journal of Sensory Studies
    8, 353-370. Ennis, J. M. & Jesionka, V. (2011). The power of sensory discrimination methods
    revisited. Journal of Sensory Studies 26, 371-382 (tetrad).

    Examples
    --------
    >>> guessing_model("duo-trio").guess
    0.5
    """
    if test not in _MODELS:
        raise TastingError(f'"{test}" is no test known here; choose one of {", ".join(_MODELS)}.')
    return _MODELS[test]


# -- Rank order: whether bakes differ, whether they follow the order expected, and which differ.


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
        sums = self.rank_sums.rename("sum of ranks").rename_axis("bake").reset_index()
        return answer([self.sentence], [sums])


@checked_types(TastingError)
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
    sums = pd.Series(ranks.sum(axis=0), index=table.columns)
    return _ranked(ranks, sums, order, level)


@checked_types(TastingError)
def rank_sums(
    sums: Mapping[Hashable, float] | pd.Series,
    tasters: int,
    *,
    order: Sequence[object] | None = None,
    level: float = 0.05,
) -> RankingResult:
    """Test whether tasters' rankings agree, from the sums of ranks alone.

    For results that were written down as sums, without who ranked what where. Every taster is
    taken to have ranked all bakes without ties; with ties the test is a little too careful.

    Parameters
    ----------
    sums : mapping or Series
        Bake -> sum of its ranks, 1 for the lowest.
    tasters : int
        How many ranked.
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
        When the sums can not be those of so many rankings.

    References
    ----------
    ISO 8587; Friedman 1937; Page 1963: as in `ranking`.

    Examples
    --------
    >>> found = rank_sums({"B01": 5, "B02": 10, "B03": 15}, 5, order=["B01", "B02", "B03"])
    >>> found.statistic, round(found.p, 6), found.page
    (10.0, 0.000772, 70.0)
    """
    tasters = whole_number("tasters", tasters, 2)
    table = pd.Series(sums, dtype=object)
    bakes = len(table)
    numbers = pd.to_numeric(table, errors="coerce").to_numpy(dtype=float)
    if bakes < 2 or not table.index.is_unique or not np.isfinite(numbers).all():
        raise TastingError(
            "sums gives the sum of ranks of each of two or more bakes, as "
            '{"B01": 12, "B02": 18}; a name twice, or something that is no number, was found.'
        )
    whole = tasters * bakes * (bakes + 1) / 2
    least, most = tasters, tasters * bakes
    if abs(numbers.sum() - whole) > 1e-9 or numbers.min() < least or numbers.max() > most:
        raise TastingError(
            f"The sums add up to {numbers.sum():g}. {tasters} tasters who each rank {bakes} bakes "
            f"from 1 to {bakes} give {whole:g}, each bake between {least} and {most}. Look for a "
            "taster who left one out, or a slip in the sums."
        )
    ranks = np.tile(np.arange(1.0, bakes + 1), (tasters, 1))
    return _ranked(ranks, pd.Series(numbers, index=table.index), order, level)


def _ranked(
    ranks: np.ndarray, sums: pd.Series, order: Sequence[object] | None, level: float
) -> RankingResult:
    """Return what sums of ranks say; of the ranks only what each taster gave out counts."""
    tasters, bakes = ranks.shape
    spread = float(((ranks - (bakes + 1) / 2) ** 2).sum()) / (bakes - 1)
    found = sums.to_numpy(dtype=float)
    squares = float(((found - found.mean()) ** 2).sum())
    statistic = squares / spread if spread > 0 else 0.0
    p = _exact_friedman(ranks, found)
    page, page_p, page_exact = _page(ranks, sums, order)
    return RankingResult(
        rank_sums=sums,
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


def _exact_friedman(ranks: np.ndarray, sums: np.ndarray) -> float | None:
    null = friedman_null(ranks)
    if null is None:
        return None
    squares, chances = null
    observed = int((np.rint(2 * sums).astype(np.int64) ** 2).sum())
    return min(1.0, float(chances[squares >= observed].sum()))


def _page(
    ranks: np.ndarray, sums: pd.Series, order: Sequence[object] | None
) -> tuple[float | None, float | None, bool]:
    if order is None:
        return None, None, False
    order, bakes = list(order), sums.index.tolist()
    if len(order) != len(bakes) or set(order) != set(bakes):
        raise TastingError(
            f"order names {', '.join(map(str, order))}; it has to name each of "
            f"{', '.join(map(str, bakes))} once."
        )
    places = np.arange(1, len(bakes) + 1)
    page = float((sums.loc[order].to_numpy(dtype=float) * places).sum())
    # What is possible hangs on the ranks each taster gave out, not on which bake got them
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


# -- Difference tests that each person does several times: what people share and where they differ.
#
# If nobody can tell, every answer is an independent guess, whoever gives it, so the exact test on
# all answers stands (Kunert & Meyners 1999). How many can tell, and how unlike they are, takes a
# model: each person's share of true recognitions is drawn from a beta distribution (Brockhoff
# 2003).


_EDGE = 1e-6  # shares lie between 0 and 1; the fit stays this far inside


@dataclass(frozen=True)
class ReplicatedResult:
    """What a replicated difference test found.

    Parameters
    ----------
    test : str
    right, n, people : int
        Right answers of all answers, given by so many people.
    p : float
        Chance of so many right or more, if nobody could tell.
    recognised, recognised_low, recognised_high : float
        Share of servings truly told apart, beyond guessing, with its 95 % profile interval.
    unlike : float
        How unlike people are: 0 all the same, 1 each either always or never can tell.
    p_unlike : float
        Chance of a spread this large if all people were the same.
    """

    test: str
    right: int
    n: int
    people: int
    p: float
    recognised: float
    recognised_low: float
    recognised_high: float
    unlike: float
    p_unlike: float

    @property
    def sentence(self) -> str:
        """The finding in plain words."""
        told = "They can be told apart" if self.p <= 0.05 else "Not settled"
        spread = (
            "Some people can tell and others can not."
            if self.p_unlike <= 0.05
            else "Nothing shows that some people tell better than others."
        )
        return (
            f"{self.right} of {self.n} answers by {self.people} people were right. {told} "
            f"(p = {self.p:.2g}): about {100 * self.recognised:.0f} % of servings are recognised "
            f"({100 * self.recognised_low:.0f} to {100 * self.recognised_high:.0f} %). {spread}"
        )

    def _repr_html_(self) -> str:
        return answer([self.sentence])


@checked_types(TastingError)
def replicated(test: str, right: Sequence[int], repeats: int | Sequence[int]) -> ReplicatedResult:
    """Test and describe a difference that each person judged several times.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}
    right : sequence of int
        Right answers of each person.
    repeats : int or sequence of int
        Answers of each person.

    Returns
    -------
    ReplicatedResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    Brockhoff, P. B. (2003). The statistical power of replications in difference tests. Food
    Quality and Preference 14, 405-417 (chance-corrected beta-binomial).
    Kunert, J. & Meyners, M. (1999). On the triangle test with replications. Food Quality and
    Preference 10, 477-482.
    Self, S. G. & Liang, K.-Y. (1987). Journal of the American Statistical Association 82, 605-610
    (likelihood ratio at the edge, for ``p_unlike``).

    Examples
    --------
    >>> found = replicated("triangle", [4, 4, 1, 2, 4, 1], 4)
    >>> found.right, found.n, found.p < 0.001
    (16, 24, True)
    """
    model = guessing_model(test)
    hits, trials = _checked_counts(right, repeats)
    fit = _Likelihood(hits, trials, model.guess)
    best_share, best = fit.maximum()
    same_share, same = fit.maximum_if_all_alike()
    if same >= best:
        best_share, best = same_share, same
    ratio = max(0.0, 2 * (best - same))
    low, high = fit.interval(best_share, best)
    return ReplicatedResult(
        test=test,
        right=int(hits.sum()),
        n=int(trials.sum()),
        people=len(hits),
        p=float(stats.binom.sf(hits.sum() - 1, trials.sum(), model.guess)),
        recognised=best_share,
        recognised_low=low,
        recognised_high=high,
        unlike=0.0 if same >= best else fit.profile(best_share)[1],
        p_unlike=float(stats.chi2.sf(ratio, 1)) / 2 if ratio > 0 else 1.0,
    )


@dataclass(frozen=True, eq=False)
class _Likelihood:
    """The chance-corrected beta-binomial likelihood of everybody's counts."""

    hits: np.ndarray
    trials: np.ndarray
    guess: float

    def at(self, share: float, unlike: float) -> float:
        """Return the log-likelihood of a mean share recognised and of how unlike people are."""
        total = 1 / unlike - 1
        a, b = share * total, (1 - share) * total
        people = Counter(zip(self.hits.tolist(), self.trials.tolist(), strict=True))
        return sum(count * self._of_person(x, n, a, b) for (x, n), count in people.items())

    def _of_person(self, x: int, n: int, a: float, b: float) -> float:
        """Sum over how many of the x right answers were true recognitions rather than guesses."""
        j = np.arange(x + 1)
        misses = n - x
        terms = (
            np.log(special.comb(x, j))
            + (misses + j) * np.log(1 - self.guess)
            + (x - j) * np.log(self.guess)
            + special.betaln(a + j, b + misses)
            - special.betaln(a, b)
        )
        return float(special.logsumexp(terms) + np.log(special.comb(n, x)))

    def alike(self, share: float) -> float:
        """Return the log-likelihood if all people recognise the same share."""
        chance = self.guess + (1 - self.guess) * share
        return float(stats.binom.logpmf(self.hits, self.trials, chance).sum())

    def maximum_if_all_alike(self) -> tuple[float, float]:
        share = (self.hits.sum() / self.trials.sum() - self.guess) / (1 - self.guess)
        share = min(1.0, max(0.0, float(share)))
        return share, self.alike(share)

    def profile(self, share: float) -> tuple[float, float]:
        """Return the largest log-likelihood at a share, and how unlike people are there."""
        share = min(1 - _EDGE, max(_EDGE, share))
        found = optimize.minimize_scalar(
            lambda unlike: -self.at(share, unlike),
            bounds=(_EDGE, 1 - _EDGE),
            method="bounded",
            options={"xatol": 1e-7},
        )
        if self.alike(share) >= -found.fun:
            return self.alike(share), 0.0
        return float(-found.fun), float(found.x)

    def maximum(self) -> tuple[float, float]:
        found = optimize.minimize_scalar(
            lambda share: -self.profile(share)[0],
            bounds=(_EDGE, 1 - _EDGE),
            method="bounded",
            options={"xatol": 1e-7},
        )
        return float(found.x), float(-found.fun)

    def interval(self, share: float, best: float) -> tuple[float, float]:
        drop = float(stats.chi2.ppf(CONFIDENCE, 1)) / 2

        def over(at: float) -> float:
            return self.profile(at)[0] - (best - drop)

        inside = min(1 - _EDGE, max(_EDGE, share))
        low = 0.0 if over(_EDGE) >= 0 else optimize.brentq(over, _EDGE, inside, xtol=1e-6)
        high = 1.0 if over(1 - _EDGE) >= 0 else optimize.brentq(over, inside, 1 - _EDGE, xtol=1e-6)
        return float(low), float(high)


def _checked_counts(
    right: Sequence[int], repeats: int | Sequence[int]
) -> tuple[np.ndarray, np.ndarray]:
    hits = np.asarray(right, dtype=float)
    if hits.ndim != 1 or len(hits) < 1:
        raise TastingError("Give the right answers of each person as a list, as [3, 4, 1].")
    trials = np.asarray(repeats, dtype=float)
    if trials.ndim == 0:
        trials = np.full(len(hits), float(trials))
    if trials.shape != hits.shape:
        raise TastingError(
            f"There are right answers of {len(hits)} people and repeats of {trials.size}. "
            "Give one number for all, or one for each."
        )
    for i, (x, n) in enumerate(zip(hits, trials, strict=True), start=1):
        if not (float(x).is_integer() and float(n).is_integer() and 0 <= x <= n and n >= 1):
            raise TastingError(f"Person {i}: {x:g} right answers of {n:g} can not be.")
    return hits.astype(int), trials.astype(int)


# -- How many answers a difference test needs, and how many right ones settle it; all exact.


_STEADY = 60  # a size counts once the power has held for so many sizes in a row
_LARGEST_PANEL = 2000


@checked_types(TastingError)
def critical_number(
    test: str, n: int, *, level: float = 0.05, sided: int = 1, likeness: float | None = None
) -> int | None:
    """Return the number of right answers that settles a test of n answers.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}
    n : int
    level : float
    sided : {1, 2}
    likeness : float, optional

    Returns
    -------
    int or None
        The least number right for a difference; for likeness the most. None when no number does.

    Raises
    ------
    TastingError
        For a test not known here.

    Examples
    --------
    >>> [critical_number("triangle", n) for n in (6, 24, 36)], critical_number("duo-trio", 4)
    ([5, 13, 18], None)
    """
    model = guessing_model(test)
    n = whole_number("n", n, 1)
    if not 0 < level < 1:
        raise TastingError(f"level is {level!r}; give a share between 0 and 1, as 0.05.")
    if sided not in ((1, 2) if test == "paired" else (1,)):
        raise TastingError(f"sided is {sided!r}; a {test} test knows 1, and only a paired test 2.")
    counts = np.arange(n + 1)
    if likeness is not None:
        alike = stats.binom.cdf(counts, n, share_right(model, likeness)) <= level
        if sided == 2:
            alike &= counts >= n / 2
        return int(counts[alike].max()) if alike.any() else None
    settles = sided * stats.binom.sf(counts - 1, n, model.guess) <= level
    return int(counts[settles].min()) if settles.any() else None


@checked_types(TastingError)
def power(
    test: str,
    n: int,
    *,
    discriminators: float | None = None,
    d_prime: float | None = None,
    likeness: float | None = None,
    level: float = 0.05,
    sided: int = 1,
) -> float:
    """Return the chance that n answers settle the question.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}
    n : int
        Answers, one a person.
    discriminators : float, optional
        Share of people who can tell, as things are.
    d_prime : float, optional
        Instead of it: the distance of the samples.
    likeness : float, optional
        For a test of likeness: the share that would still count as alike. The truth is then
        0 discriminators when nothing else is said.
    level : float
    sided : {1, 2}

    Returns
    -------
    float

    Raises
    ------
    TastingError
        When it is not said how large the difference is.

    Examples
    --------
    >>> round(power("triangle", 24, discriminators=0.5), 2)
    0.93
    """
    if likeness is not None and discriminators is None and d_prime is None:
        discriminators = 0.0
    right = _true_share(guessing_model(test), discriminators, d_prime)
    critical = critical_number(test, n, level=level, sided=sided, likeness=likeness)
    if critical is None:
        return 0.0
    if likeness is not None:
        low = n - critical - 1 if sided == 2 else -1
        return float(stats.binom.cdf(critical, n, right) - stats.binom.cdf(low, n, right))
    upper = float(stats.binom.sf(critical - 1, n, right))
    return upper + (float(stats.binom.cdf(n - critical, n, right)) if sided == 2 else 0.0)


@checked_types(TastingError)
def sample_size(
    test: str,
    *,
    discriminators: float | None = None,
    d_prime: float | None = None,
    likeness: float | None = None,
    level: float = 0.05,
    sided: int = 1,
    chance: float = 0.8,
) -> int:
    """Return how many answers it takes.

    Exact power goes up and down from one size to the next: the size returned is the first from
    which on it stays at or above ``chance``.

    Parameters
    ----------
    test, discriminators, d_prime, likeness, level, sided
        As in ``power``.
    chance : float
        Chance wanted of settling the question.

    Returns
    -------
    int

    Raises
    ------
    TastingError
        When not even 2000 answers do.

    Examples
    --------
    >>> sample_size("triangle", discriminators=0.5), sample_size("duo-trio", discriminators=0.5)
    (16, 28)
    """
    if not 0 < chance < 1:
        raise TastingError(f"chance is {chance!r}; give a share between 0 and 1, as 0.8.")
    enough = 0
    for n in range(1, _LARGEST_PANEL + 1):
        reached = power(
            test,
            n,
            discriminators=discriminators,
            d_prime=d_prime,
            likeness=likeness,
            level=level,
            sided=sided,
        )
        enough = enough + 1 if reached >= chance else 0
        if enough == _STEADY:
            return n - _STEADY + 1
    raise TastingError(
        f"Not even {_LARGEST_PANEL} answers settle a difference this small. Ask for a larger one."
    )


def share_right(model: GuessingModel, discriminators: float) -> float:
    """Return the share of right answers when a share of people can tell and the others guess.

    Examples
    --------
    >>> round(share_right(guessing_model("triangle"), 0.4), 3)
    0.6
    """
    if not 0 < discriminators < 1:
        raise TastingError(
            f"likeness is {discriminators!r}; give the share of people able to tell that would "
            "still count as alike, as 0.3."
        )
    return model.guess + (1 - model.guess) * discriminators


def _true_share(model: GuessingModel, discriminators: float | None, d_prime: float | None) -> float:
    if (discriminators is None) == (d_prime is None):
        raise TastingError("Say how large the difference is: discriminators or d_prime, not both.")
    if discriminators is not None:
        if not 0 <= discriminators <= 1:
            raise TastingError(
                f"discriminators is {discriminators!r}; give a share between 0 and 1, as 0.3."
            )
        return model.guess + (1 - model.guess) * discriminators
    if d_prime is None or not d_prime >= 0:
        raise TastingError(f"d_prime is {d_prime!r}; give a number from 0 up, as 1.0.")
    return model.chance(float(d_prime))


# -- Is the new one different? Exact tests of difference, likeness, preference and rank order.
#
# Each test counts right answers and asks how often guessing alone would do as well. All chances
# are exact binomial ones; a test for likeness turns the question round. The people asked are the
# panel: a few tasters speak for themselves and not for a market.


__all__ = [
    "DifferenceResult",
    "RankingResult",
    "ReplicatedResult",
    "critical_number",
    "duo_trio",
    "paired",
    "power",
    "rank_sums",
    "ranking",
    "replicated",
    "sample_size",
    "servings",
    "tetrad",
    "three_afc",
    "triangle",
]


@dataclass(frozen=True)
class DifferenceResult:
    """What a difference test found.

    Parameters
    ----------
    test : str
        ``triangle``, ``3-AFC``, ``tetrad``, ``duo-trio`` or ``paired``.
    right, n : int
        Right answers (paired: times chosen) of so many.
    level : float
        Error allowed.
    sided : int
        1, or 2 for a paired test without an expected direction.
    likeness : float or None
        None in a test for difference; in a test for likeness, the share of people able to tell
        that would still count as alike.
    p : float
        Chance of a result this far or farther, if nobody could tell (likeness: if that share
        could).
    critical : int or None
        Difference: least number right that settles it. Likeness: the most number right that does.
        None when no number does: too few answers.
    d_prime, d_prime_low, d_prime_high : float
        Distance of the samples in standard deviations of one impression, with its 95 % interval
        (exact, Clopper & Pearson 1934, carried over from the share right). Below guessing it is
        0, except in a two-sided paired test, where the sign says which was chosen.
    discriminators : float
        Share of people who can tell, if all others guess.
    """

    test: str
    right: int
    n: int
    level: float
    sided: int
    likeness: float | None
    p: float
    critical: int | None
    d_prime: float
    d_prime_low: float
    d_prime_high: float
    discriminators: float

    @property
    def settled(self) -> bool:
        """Whether the question asked is answered with yes at the level."""
        return self.p <= self.level

    @property
    def sentence(self) -> str:
        """The finding in plain words."""
        counted = f"{self.right} of {self.n} {_VERB[self.test]}"
        if self.likeness is not None:
            return f"{counted}. {_likeness_words(self)}"
        return f"{counted}. {_difference_words(self)}"

    def _repr_html_(self) -> str:
        distance = (
            f"d-prime {self.d_prime:.2f} "
            f"(95 % {self.d_prime_low:.2f} to {self.d_prime_high:.2f}), p = {self.p:.3g}"
        )
        return answer([self.sentence, distance])


_VERB = {
    "triangle": "picked the odd one",
    "3-AFC": "picked the stronger one",
    "tetrad": "grouped the four rightly",
    "duo-trio": "picked the one like the reference",
    "paired": "chose it",
}


@checked_types(TastingError)
def triangle(
    correct: int, n: int, *, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether the odd one of three samples was picked more often than by guessing.

    Parameters
    ----------
    correct, n : int
        Right answers of so many; one answer a person (see ``replicated`` for more).
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ISO 4120, Sensory analysis: triangle test. ASTM E1885.

    Examples
    --------
    >>> found = triangle(13, 24)
    >>> found.critical, round(found.p, 4), round(found.d_prime, 2)
    (13, 0.0284, 1.68)
    >>> print(found.sentence)
    13 of 24 picked the odd one. They can be told apart: guessing alone would do as well 3 times
    in 100.
    """
    return _tested(guessing_model("triangle"), correct, n, 1, likeness, level)


@checked_types(TastingError)
def three_afc(
    correct: int, n: int, *, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether the stronger one of three samples was picked more often than by guessing.

    Three are served, two alike, and the question names what to look for ("which is the
    saltiest?"). Where that can be named it sees a difference with far fewer people than a triangle.

    Parameters
    ----------
    correct, n : int
        Right answers of so many; one answer a person.
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ASTM E2164 (directional difference); Hacker, M. J. & Ratcliff, R. (1979). Perception &
    Psychophysics 26, 168-170 (d-prime of m-alternative forced choice); Ennis, D. M. (1993).

    Examples
    --------
    >>> found = three_afc(13, 24)
    >>> found.critical, round(found.p, 4), round(found.d_prime, 2)
    (13, 0.0284, 0.69)
    """
    return _tested(guessing_model("3-AFC"), correct, n, 1, likeness, level)


@checked_types(TastingError)
def tetrad(
    correct: int, n: int, *, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether four samples, two and two alike, were grouped rightly more often than by chance.

    Nothing need be named, as in a triangle, and about a third of its people do; four samples tire
    a palate more than three.

    Parameters
    ----------
    correct, n : int
        Right answers of so many; one answer a person.
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ASTM E3009, Standard test method for sensory analysis: tetrad test. Ennis, J. M. & Jesionka, V.
    (2011). Journal of Sensory Studies 26, 371-382.

    Examples
    --------
    >>> found = tetrad(13, 24)
    >>> found.critical, round(found.d_prime, 2)
    (13, 1.17)
    """
    return _tested(guessing_model("tetrad"), correct, n, 1, likeness, level)


@checked_types(TastingError)
def duo_trio(
    correct: int, n: int, *, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether the twin of a reference was picked more often than by guessing.

    Parameters
    ----------
    correct, n : int
        Right answers of so many; one answer a person.
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ISO 10399, Sensory analysis: duo-trio test. ASTM E2610.

    Examples
    --------
    >>> duo_trio(24, 36).critical
    24
    """
    return _tested(guessing_model("duo-trio"), correct, n, 1, likeness, level)


@checked_types(TastingError)
def paired(
    chosen: int, n: int, *, sided: int = 1, likeness: float | None = None, level: float = 0.05
) -> DifferenceResult:
    """Test whether one of two samples was chosen more often than by chance.

    Parameters
    ----------
    chosen, n : int
        How often the sample was chosen (as crisper, as preferred), of so many answers.
    sided : {1, 2}
        1 when it was expected beforehand which would be chosen; 2 when either might be.
    likeness : float, optional
        Ask the other way round: are fewer than this share of people able to tell?
    level : float
        Error allowed.

    Returns
    -------
    DifferenceResult

    Raises
    ------
    TastingError
        For counts that can not be.

    References
    ----------
    ISO 5495, Sensory analysis: paired comparison test. ASTM E2164, E2263.

    Examples
    --------
    >>> paired(15, 20, sided=2).critical, paired(15, 20).critical
    (15, 15)
    >>> round(paired(4, 20, sided=2).d_prime, 2)
    -1.19
    """
    if sided not in (1, 2):
        raise TastingError(f"sided is {sided!r}; give 1 (direction expected) or 2 (either way).")
    return _tested(guessing_model("paired"), chosen, n, sided, likeness, level)


def _tested(
    model: GuessingModel, right: int, n: int, sided: int, likeness: float | None, level: float
) -> DifferenceResult:
    right, n = _checked_answers(right, n)
    share = right / n
    ahead = max(right, n - right) if sided == 2 else right
    critical = critical_number(model.name, n, level=level, sided=sided, likeness=likeness)
    if likeness is None:
        p = min(1.0, sided * float(stats.binom.sf(ahead - 1, n, model.guess)))
    else:
        p = float(stats.binom.cdf(ahead, n, share_right(model, likeness)))
    low, high = (float(end) for end in exact_interval(right, n))
    return DifferenceResult(
        test=model.name,
        right=right,
        n=n,
        level=level,
        sided=sided,
        likeness=likeness,
        p=p,
        critical=critical,
        d_prime=_signed_d_prime(model, share, sided),
        d_prime_low=_signed_d_prime(model, low, sided),
        d_prime_high=_signed_d_prime(model, high, sided),
        discriminators=model.discriminators(max(share, 1 - share) if sided == 2 else share),
    )


def _signed_d_prime(model: GuessingModel, share: float, sided: int) -> float:
    if sided == 2 and share < model.guess:
        return -model.d_prime(1 - share)
    return model.d_prime(share)


def _checked_answers(right: int, n: int) -> tuple[int, int]:
    for what, count in (("The number of right answers", right), ("The number of answers", n)):
        if isinstance(count, bool) or not hasattr(count, "__index__"):
            raise TastingError(f"{what} is {count!r}; give a whole number.")
    if not 0 <= right <= n or n < 1:
        raise TastingError(
            f"{right} right answers of {n} can not be. Give the right ones first, then all."
        )
    return int(right), int(n)


def _difference_words(found: DifferenceResult) -> str:
    if found.critical is None:
        answers = "1 answer is" if found.n == 1 else f"{found.n} answers are"
        return f"{answers} too few to settle anything: ask more people."
    by_chance = _in_hundred(found.p)
    what = "One is chosen over the other" if found.test == "paired" else "They can be told apart"
    if found.settled:
        return f"{what}: guessing alone would do as well {by_chance}."
    least = f"{found.critical} or more would have settled it"
    return (
        f"Not settled: guessing alone would do as well {by_chance}; {least}. "
        "That does not show that they are alike."
    )


def _likeness_words(found: DifferenceResult) -> str:
    limit = f"{100 * float(found.likeness or 0):.0f} % of people"
    if found.settled:
        return f"They are alike for your purpose: fewer than {limit} can tell them apart."
    if found.critical is None:
        answers = "1 answer is" if found.n == 1 else f"{found.n} answers are"
        return f"{answers} too few to show that fewer than {limit} can tell."
    return (
        f"Not settled that fewer than {limit} can tell: at most {found.critical} right would "
        "have shown it."
    )


def _in_hundred(p: float) -> str:
    if p < 0.01:
        return "less than once in 100"
    times = math.ceil(100 * p - 0.5)
    return "once in 100" if times == 1 else f"{times} times in 100"


# -- Who gets which samples in a difference test: every order equally often, blind codes on each.


# A is the one sample, B the other; a duo-trio's first is the named reference
_ORDERS = {
    "triangle": ("ABB", "BAA", "AAB", "BBA", "ABA", "BAB"),
    # B is the one that is thought to be stronger
    "3-AFC": ("AAB", "ABA", "BAA"),
    "tetrad": ("AABB", "ABAB", "ABBA", "BBAA", "BABA", "BAAB"),
    "duo-trio": ("AAB", "ABA", "BBA", "BAB"),
    "paired": ("AB", "BA"),
}


@checked_types(TastingError)
def servings(
    test: str,
    tasters: Iterable[Taster | str],
    samples: tuple[str, str] = ("old", "new"),
    *,
    times: int = 1,
    seed: int,
) -> pd.DataFrame:
    """Return the servings of a difference test, for whoever plates.

    In a 3-AFC the second sample is the one thought to be stronger; in a tetrad `right` marks the
    one that belongs with the first.

    Parameters
    ----------
    test : str
        "triangle", "duo-trio", "paired", "3-AFC" or "tetrad".
    tasters : iterable of Taster or str
    samples : tuple of str, length 2
        What is compared.
    times : int
        Sets for each taster.
    seed : int
        Of the orders and the codes.

    Returns
    -------
    DataFrame
        One row per sample served: taster, set, place, sample, code (none on a duo-trio's named
        reference) and right (whether it is the one to be found).

    Raises
    ------
    TastingError
        When there is no such test, no two samples, or nobody to serve.

    References
    ----------
    ISO 4120, 10399, 5495, ASTM E3009: all orders equally often (as even as the number of sets
    allows).

    Examples
    --------
    >>> table = servings("triangle", ["Ida", "Bo", "Mia", "Jon", "Eva", "Tom"], seed=4)
    >>> table.groupby("sample").size().tolist(), table["right"].sum()
    ([9, 9], np.int64(6))
    """
    if test not in _ORDERS:
        raise TastingError(f'no test "{test}"; expected one of {", ".join(_ORDERS)}.')
    if len(samples) != 2 or samples[0] == samples[1]:
        raise TastingError(f"two samples are compared; {samples!r} was given.")
    rng = np.random.default_rng(whole_number("seed", seed, 0))
    names = [taster.name for taster in check_panel(tasters)]
    sets = [
        (name, turn) for turn in range(1, whole_number("times", times, 1) + 1) for name in names
    ]
    rows = []
    for (taster, turn), order in zip(sets, _orders(test, len(sets), rng), strict=True):
        for position, letter in enumerate(order, start=1):
            sample = samples["AB".index(letter)]
            rows.append((taster, turn, position, sample, _is_right(test, order, position)))
    table = pd.DataFrame(rows, columns=["taster", "set", "place", "sample", "right"])
    coded = ~((table["place"] == 1) & (test == "duo-trio"))
    codes = draw_codes(table.loc[coded, "set"].tolist(), seed=rng)
    table.insert(4, "code", "")
    table.loc[coded, "code"] = codes
    return table.sort_values(["set", "taster", "place"], ignore_index=True)


def _orders(test: str, sets: int, rng: np.random.Generator) -> list[str]:
    """Return an order for each set: all of them used up before any comes again."""
    found: list[str] = []
    while len(found) < sets:
        found += [_ORDERS[test][at] for at in rng.permutation(len(_ORDERS[test]))]
    return found[:sets]


def _is_right(test: str, order: str, position: int) -> bool | None:
    letter = order[position - 1]
    if test == "triangle":
        return order.count(letter) == 1
    if test == "3-AFC":
        return letter == "B"
    if test in ("duo-trio", "tetrad"):
        # In a tetrad: the one that belongs with the first
        return position > 1 and letter == order[0]
    return None
