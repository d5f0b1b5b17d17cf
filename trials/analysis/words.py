"""Words that tasters tick, and just-about-right scales: counts first, tests where they hold."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy import special, stats

from trials.errors import FitError
from trials.tables import in_words

# Above this many arrangements the exact chance is drawn instead of counted.
MOST_ARRANGEMENTS = 200_000
DRAWN_ARRANGEMENTS = 20_000
HEED_SHARE = 0.20  # tradition of ASTM MNL 63, from memory
HEED_DROP = 1.0  # common practice, no source
FEWEST_FOR_SHARES = 20  # below this, 20 % is fewer than four people: counts only; our choice


@dataclass(frozen=True, eq=False)
class CochranQ:
    """Whether a word is ticked as often for each bake.

    Parameters
    ----------
    counts : Series
        Ticks per bake.
    tasters : int
        Who judged all bakes.
    statistic, df, p : float
        Q, and its chance by chi-square (for large panels).
    p_exact : float
        Chance when each taster's ticks are dealt out to the bakes anew.
    """

    counts: pd.Series
    tasters: int
    statistic: float
    df: int
    p: float
    p_exact: float


def cochran_q(ticks: pd.DataFrame, *, seed: int = 0) -> CochranQ:
    """Test whether the bakes differ in how often a word is ticked for them.

    Parameters
    ----------
    ticks : DataFrame, one row per taster, one column per bake
        1 where the word was ticked, 0 where not.
    seed : int
        For the exact chance, when the ways to deal the ticks are too many to count.

    Returns
    -------
    CochranQ

    Raises
    ------
    FitError
        When a cell is neither 0 nor 1, there is one bake, or every taster ticks all or none.

    References
    ----------
    Cochran 1950, Biometrika 37:256-266. Exact chance by permutation within tasters: Patil 1975,
    J. Am. Stat. Assoc. 70:186-189.

    Examples
    --------
    Twelve tasters and three bakes (invented):

    >>> rows = "110 100 110 111 100 110 000 110 101 110 111 100".split()
    >>> ticks = pd.DataFrame([[int(tick) for tick in row] for row in rows], columns=["A", "B", "C"])
    >>> found = cochran_q(ticks)
    >>> round(found.statistic, 3), found.df, round(found.p, 4)
    (10.667, 2, 0.0048)
    """
    table = ticks.to_numpy(dtype=float)
    if table.ndim != 2 or table.shape[1] < 2 or not len(table):
        raise FitError("a word is compared between two bakes or more, by one taster or more.")
    if not np.isin(table, (0.0, 1.0)).all():
        raise FitError(
            "a tick is neither 0 nor 1; a taster who missed a bake must be left out of this test."
        )
    rows = table.sum(axis=1)
    torn = (rows > 0) & (rows < table.shape[1])
    if not torn.any():
        raise FitError("every taster ticked the word for all bakes or for none: nothing differs.")
    statistic = _q(table.sum(axis=0), rows)
    df = table.shape[1] - 1
    return CochranQ(
        counts=pd.Series(table.sum(axis=0).astype(int), index=ticks.columns),
        tasters=len(table),
        statistic=statistic,
        df=df,
        p=float(stats.chi2.sf(statistic, df)),
        p_exact=_exact_chance(table[torn], np.random.default_rng(seed)),
    )


def _q(columns: np.ndarray, rows: np.ndarray) -> float:
    k = len(columns)
    spread = k * (k - 1) * np.sum((columns - columns.mean()) ** 2)
    return float(spread / np.sum(rows * (k - rows)))


def _exact_chance(table: np.ndarray, generator: np.random.Generator) -> float:
    """Return the chance of totals at least as uneven, each taster's ticks dealt out anew.

    Q is a fixed multiple of the sum of squared totals, so whole numbers are compared.
    """
    k = table.shape[1]
    rows = table.sum(axis=1).astype(int)
    observed = int(np.sum(table.sum(axis=0) ** 2))
    if np.prod(special.comb(k, rows)) <= MOST_ARRANGEMENTS:
        ways: dict[tuple[int, ...], int] = {(0,) * k: 1}
        for ticked in rows:
            deals = [deal for deal in product((0, 1), repeat=k) if sum(deal) == ticked]
            longer: dict[tuple[int, ...], int] = {}
            for totals, number in ways.items():
                for deal in deals:
                    reached = tuple(a + b for a, b in zip(totals, deal, strict=True))
                    longer[reached] = longer.get(reached, 0) + number
            ways = longer
        beyond = sum(
            number for totals, number in ways.items() if sum(t * t for t in totals) >= observed
        )
        return beyond / sum(ways.values())
    order = generator.random((DRAWN_ARRANGEMENTS, *table.shape)).argsort(axis=2)
    totals = (order < rows[None, :, None]).sum(axis=1)
    beyond = int(((totals**2).sum(axis=1) >= observed).sum())
    return (beyond + 1) / (DRAWN_ARRANGEMENTS + 1)


def word_effects(ticks: pd.DataFrame, liking: pd.Series) -> pd.DataFrame:
    """Return how much better or worse bakes are liked where a word is ticked.

    Each taster is compared with themselves, so that a generous taster who ticks much does not
    make a word look good.

    Parameters
    ----------
    ticks : DataFrame, indexed by (taster, bake), one column per word
        1 where ticked, 0 where not.
    liking : Series, indexed the same

    Returns
    -------
    DataFrame
        word, ticked (times), tasters (who used it for some bakes and not for others), difference
        (mean liking with less mean liking without, averaged over those tasters), low, high (95 %, t
        over tasters; not a number with fewer than three). Most helpful first. It shows what goes
        together, not what causes what.

    Raises
    ------
    FitError
        When the tables do not match or a cell is neither 0 nor 1.

    References
    ----------
    Within-taster version of the mean impact of check-all words; common practice, no source.

    Examples
    --------
    >>> at = pd.MultiIndex.from_product([["Ada", "Ben", "Cy"], ["B01", "B02"]])
    >>> ticks = pd.DataFrame({"crisp": [1, 0, 1, 0, 0, 1]}, index=at)
    >>> word_effects(ticks, pd.Series([7, 5, 8, 5, 6, 7], index=at)).round(2)
        word  ticked  tasters  difference   low  high
    0  crisp       3        3         2.0 -0.48  4.48
    """
    if not ticks.index.equals(liking.index) or ticks.index.nlevels != 2:
        raise FitError("ticks and liking must be indexed by the same tasters and bakes.")
    if not np.isin(ticks.to_numpy(dtype=float), (0.0, 1.0)).all():
        raise FitError("a tick is neither 0 nor 1; leave tastings without a ballot out.")
    rows = []
    for word in ticks.columns:
        ticked = ticks[word].astype(bool)
        owner = liking.index.get_level_values(0)
        means = liking.groupby([owner, ticked.to_numpy()]).mean().unstack()
        both = means.dropna() if means.shape[1] == 2 else means.iloc[:0]
        drops = (both[True] - both[False]).to_numpy() if len(both) else np.array([])
        rows.append((word, int(ticked.sum()), len(drops), *_mean_interval(drops)))
    columns = ["word", "ticked", "tasters", "difference", "low", "high"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values("difference", ascending=False, kind="stable", ignore_index=True)


def _mean_interval(values: np.ndarray) -> tuple[float, float, float]:
    if len(values) == 0:
        return float("nan"), float("nan"), float("nan")
    mean = float(values.mean())
    if len(values) < 3:
        return mean, float("nan"), float("nan")
    reach = stats.t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values))
    return mean, float(mean - reach), float(mean + reach)


def penalties(
    rating: Sequence[int] | pd.Series, liking: Sequence[float] | pd.Series
) -> pd.DataFrame:
    """Return what it costs in liking to be too little or too much of something.

    Parameters
    ----------
    rating : sequence of int, one per tasting
        1 to 5, the middle 3 being just about right.
    liking : sequence of float, one per tasting

    Returns
    -------
    DataFrame
        Rows "too little", "just about right", "too much": side, count, share, liking (mean), drop
        (liking where right less liking here), weighted (drop times share), heed (a share of 20 %
        or more and a drop of 1 or more; never with fewer than 20 tastings, where 20 % is a
        person or three: look at the counts).

    Raises
    ------
    FitError
        For ratings off the scale, missing values or tables of unequal length.

    References
    ----------
    ASTM MNL 63 for the method; the 20 % limit is its tradition (from memory), a drop of 1 common
    practice.

    Examples
    --------
    >>> rating = [3] * 30 + [2] * 12 + [4] * 18
    >>> liking = [7.2] * 30 + [5.4] * 12 + [6.1] * 18
    >>> penalties(rating, liking)[["side", "share", "drop", "weighted", "heed"]].round(2)
                   side  share  drop  weighted   heed
    0        too little    0.2   1.8      0.36   True
    1  just about right    0.5   0.0      0.00  False
    2          too much    0.3   1.1      0.33   True
    """
    rates = np.asarray(rating, dtype=float)
    likes = np.asarray(liking, dtype=float)
    if len(rates) != len(likes) or not len(rates):
        raise FitError(
            f"there are {len(rates)} just-about-right ratings and {len(likes)} likings; "
            "expected one of each per tasting."
        )
    off = sorted({str(rate) for rate in rates[~np.isin(rates, (1, 2, 3, 4, 5))]})
    if off:
        raise FitError(f"{in_words(off)} is not on the just-about-right scale 1 to 5.")
    if not np.isfinite(likes).all():
        raise FitError("a liking is missing; leave that tasting out.")
    sides: list[tuple[Hashable, np.ndarray]] = [
        ("too little", rates < 3),
        ("just about right", rates == 3),
        ("too much", rates > 3),
    ]
    table = pd.DataFrame(
        {
            "side": [name for name, _ in sides],
            "count": [int(mask.sum()) for _, mask in sides],
            "share": [float(mask.mean()) for _, mask in sides],
            "liking": [float(likes[mask].mean()) if mask.any() else np.nan for _, mask in sides],
        }
    )
    table["drop"] = table.loc[1, "liking"] - table["liking"]
    table["weighted"] = table["drop"] * table["share"]
    # A share of exactly 20 % counts, whatever the last binary digit says.
    common = table["share"] >= HEED_SHARE - 1e-12
    costly = table["drop"] >= HEED_DROP - 1e-9
    table["heed"] = common & costly & (len(rates) >= FEWEST_FOR_SHARES)
    return table
