"""Scores that are counted, not averaged: ticked words, just-about-right, rankings."""

import html
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
import pandas as pd
from scipy import special, stats

from trials.analysis.fitting import fit
from trials.analysis.no_error import unit_means
from trials.analysis.question import check_settings, chosen_factors, in_order, tidy_table
from trials.analysis.results import Findings
from trials.base.errors import FitError
from trials.base.words import in_words, percent
from trials.core.factors import Factor
from trials.core.roles import Role
from trials.core.scales import NONE
from trials.rounds.round import Round
from trials.tasting.difference import RankingResult, ranking

# -- Words that tasters tick, and just-about-right scales: counts first, tests where they hold.


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

    References
    ----------
    Cochran 1950, Biometrika 37:256-266. Exact chance by permutation within tasters: Patil 1975,
    J. Am. Stat. Assoc. 70:186-189.
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

    References
    ----------
    ASTM MNL 63 for the method; the 20 % limit is its tradition (from memory), a drop of 1 common
    practice.
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


# -- One value per bake, corrected for who happened to taste it.


_ROUNDING = 12  # decimals of a share that are more than rounding


def bake_means(
    table: pd.DataFrame, values: np.ndarray, response: str, keep: Sequence[str]
) -> pd.DataFrame:
    """Return one row per bake with its mean, tasters being given equal weight."""
    bakes = pd.factorize(table["bake"])[0]
    tasters = pd.factorize(table["taster"])[0]
    crossed = [tasters] if tasters.max() > 0 else []
    means, first = unit_means(np.asarray(values, dtype=float), bakes, crossed)
    rows = table.iloc[first][["bake", *keep]].reset_index(drop=True)
    return rows.assign(**{response: np.round(means, _ROUNDING)})


# -- Too little, just about right, too much: counts by setting, and what being off costs in liking.


FEWEST_TASTERS = 10  # below this a share is two or three people: counts only (common practice)
SIDES = ("too little", "just about right", "too much")
_COLUMNS = ("day", "load", "bake", "role", "taster", "status", "reason", "note", "code")


@dataclass(frozen=True, eq=False)
class JustRight:
    """What a just-about-right scale says.

    Parameters
    ----------
    response : str
    counts : DataFrame
        One row per factor and setting: tastings, and how many said too little, just about right
        and too much; all tastings first.
    penalties : DataFrame
        side, count, share, liking, drop, weighted, heed, over all tastings; only side and count
        with fewer than ten tasters, or where no liking was named.
    tasters : int
    sentences, notes : tuple of str
    """

    response: str
    counts: pd.DataFrame = field(repr=False)
    penalties: pd.DataFrame = field(repr=False)
    tasters: int
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    def summary(self) -> tuple[str, ...]:
        """Return what was found as sentences, then what was assumed."""
        return self.sentences + self.notes

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(one)}</p>" for one in self.summary())
        return said + self.counts.to_html(index=False, border=0, escape=True)


def just_right(
    data: Round | pd.DataFrame,
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    liking: str | None = None,
) -> JustRight:
    """Say at which settings there is too little or too much, and what that costs in liking.

    References
    ----------
    ASTM MNL 63, penalty analysis; see :func:`trials.analysis.words.penalties` for its limits.
    """
    table, used = tidy_table(data, factors)
    if isinstance(data, Round) and liking is None:
        hedonic = [measure.name for measure in data.measures if measure.liking]
        liking = hedonic[0] if hedonic else None
    table = _scored(table, response, liking)
    chosen = chosen_factors(table, used, response, _COLUMNS)
    check_settings(table, chosen, "bake")
    tasters = int(table["taster"].nunique())
    costs = _penalties(table, response, liking, tasters)
    counts = _counts(table, response, chosen)
    return JustRight(
        response=response,
        counts=counts,
        penalties=costs,
        tasters=tasters,
        sentences=_sentences(response, counts, costs, liking),
        notes=_notes(tasters, liking),
    )


def _scored(table: pd.DataFrame, response: str, liking: str | None) -> pd.DataFrame:
    missing = [name for name in ("taster", response, liking) if name and name not in table.columns]
    if missing:
        raise FitError(f"the table has no column {in_words(missing)}.")
    values = pd.to_numeric(table[response], errors="coerce")
    off = table[response].notna() & ~values.isin([1, 2, 3, 4, 5])
    if off.any():
        raise FitError(
            f'"{response}" holds {table[response][off].iloc[0]!r}; a just-about-right score is a '
            "whole number from 1 to 5."
        )
    kept = table[values.notna()].assign(row=np.flatnonzero(values.notna()) + 1)
    if "role" in kept:
        kept = kept[kept["role"] != Role.REFERENCE]
    if kept.empty:
        raise FitError(f'there is no score in "{response}".')
    kept[response] = values[kept.index]
    return kept.reset_index(drop=True)


def _sides(values: pd.Series) -> list[int]:
    return [int((values < 3).sum()), int((values == 3).sum()), int((values > 3).sum())]


def _counts(table: pd.DataFrame, response: str, factors: Sequence[Factor]) -> pd.DataFrame:
    rows: list[tuple] = [("", "all", len(table), *_sides(table[response]))]
    for factor in factors:
        for value in in_order(table[factor.name], factor):
            own = table[response][table[factor.name] == value]
            rows.append((factor.name, factor.show(value), len(own), *_sides(own)))
    return pd.DataFrame(rows, columns=["factor", "setting", "tastings", *SIDES])


def _penalties(
    table: pd.DataFrame, response: str, liking: str | None, tasters: int
) -> pd.DataFrame:
    counts = pd.DataFrame({"side": SIDES, "count": _sides(table[response])})
    if liking is None or tasters < FEWEST_TASTERS:
        return counts
    both = table[pd.to_numeric(table[liking], errors="coerce").notna()]
    if both.empty:
        return counts
    return penalties(both[response], both[liking].astype(float))


def _sentences(
    response: str, counts: pd.DataFrame, costs: pd.DataFrame, liking: str | None
) -> tuple[str, ...]:
    every = counts.iloc[0]
    name = response[:1].upper() + response[1:]
    said = [
        f"{name}: of {every['tastings']} tastings {every[SIDES[0]]} said too little, "
        f"{every[SIDES[1]]} just about right, {every[SIDES[2]]} too much."
    ]
    own = counts.iloc[1:]
    if len(own):
        lean = (own[SIDES[2]] - own[SIDES[0]]) / own["tastings"]
        for place, words in ((lean.idxmin(), SIDES[0]), (lean.idxmax(), SIDES[2])):
            row = own.loc[place]
            if (lean[place] < 0) == (words == SIDES[0]) and lean[place] != 0:
                said.append(
                    f"Most often {words} at {row['factor']} {row['setting']}: {row[words]} of "
                    f"{row['tastings']}."
                )
    if "heed" in costs:
        said += [
            f"{row.side.capitalize()} ({percent(row.share)}) costs {row.drop:.1f} points of "
            f"{liking}: worth heeding."
            for row in costs[costs["heed"]].itertuples()
        ]
        if not costs["heed"].any():
            said.append(f"Neither side is common and costly enough in {liking} to heed.")
    return tuple(said)


def _notes(tasters: int, liking: str | None) -> tuple[str, ...]:
    if tasters < FEWEST_TASTERS:
        people = "taster" if tasters == 1 else "tasters"
        return (
            f"{tasters} {people} are too few for shares and penalties, so only counts are given; "
            f"from {FEWEST_TASTERS} on there is more to say.",
        )
    if liking is None:
        return ("No liking was named, so what it costs to be off is not known.",)
    return (
        "A penalty goes with the people who said so as much as with the setting: it points to what "
        "to try, the effects of the settings themselves are in their own fit.",
    )


# -- Words that tasters ticked: which settings call them up, and what goes with liking.


LEVEL = 0.05


@dataclass(frozen=True, eq=False)
class WordScores:
    """What the ticked words say.

    Parameters
    ----------
    ticks : DataFrame
        One row per tasting, indexed by taster and bake: 1 where a word was ticked.
    by_setting : DataFrame
        word, factor, setting, tastings, ticked, share.
    differences : DataFrame
        word, bakes, tasters, statistic, df, p (Cochran's Q, exact): whether the bakes differ at
        all, among tasters who had every bake. Empty when fewer than two had.
    effects : DataFrame
        word, term, level, reference, estimate (change of the share ticked, 0 to 1), low, high, p,
        judged on bakes, and q (the share of false finds to expect among effects as clear as it).
    with_liking : DataFrame
        word, ticked, tasters, difference (liking where ticked less where not, within tasters), low,
        high. Empty when no liking was named.
    sentences, notes : tuple of str
    """

    ticks: pd.DataFrame = field(repr=False)
    by_setting: pd.DataFrame = field(repr=False)
    differences: pd.DataFrame = field(repr=False)
    effects: pd.DataFrame = field(repr=False)
    with_liking: pd.DataFrame = field(repr=False)
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    def summary(self) -> tuple[str, ...]:
        """Return what was found as sentences, then what was assumed."""
        return self.sentences + self.notes

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(one)}</p>" for one in self.summary())
        shares = self.by_setting.pivot_table(
            index="word", columns=["factor", "setting"], values="share", sort=False
        )
        return said + shares.round(2).to_html(border=0, escape=True)


def word_scores(
    data: Round | pd.DataFrame,
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    words: Sequence[str] = (),
    liking: str | None = None,
    seed: int = 0,
) -> WordScores:
    """Say which settings call up which words, the bake being the unit.

    References
    ----------
    Cochran 1950, Biometrika 37:256-266. Effects: :func:`trials.fit` on the share of each bake.
    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289-300, for q.
    """
    table, used = tidy_table(data, factors)
    if isinstance(data, Round):
        words = words or data.measure(response).words
    table = _tasted(table, response, liking)
    chosen = chosen_factors(table, used, response, _COLUMNS)
    check_settings(table, chosen, "bake")
    ticked, lost = _ticks(table, response, words)
    table = table.reset_index(drop=True)
    factors_only = table[[factor.name for factor in chosen]]
    by_setting = _by_setting(ticked, factors_only, chosen)
    effects = _effects(table, response, ticked, chosen)
    differences = _differences(table, ticked, seed)
    at = pd.MultiIndex.from_frame(table[["taster", "bake"]])
    ticks = ticked.set_axis(at)
    beside = _with_liking(table, ticks, liking)
    return WordScores(
        ticks=ticks,
        by_setting=by_setting,
        differences=differences,
        effects=effects,
        with_liking=beside,
        sentences=_tick_sentences(effects, beside, liking),
        notes=_tick_notes(lost, effects, differences),
    )


def _tasted(table: pd.DataFrame, response: str, liking: str | None) -> pd.DataFrame:
    missing = [
        name for name in ("taster", "bake", response, liking) if name and name not in table.columns
    ]
    if missing:
        raise FitError(f"the table has no column {in_words(missing)}.")
    table = table.assign(row=range(1, len(table) + 1))
    kept = table[table[response].notna() & table["taster"].notna()]
    kept = kept[kept[response].astype(str).str.strip() != ""].copy()
    if "role" in kept:
        kept = kept[kept["role"] != Role.REFERENCE]
    if kept.empty:
        raise FitError(f'nobody filled in "{response}"; a ballot without a tick says "none".')
    return kept


def _ticks(
    table: pd.DataFrame, response: str, words: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    """Return 1 and 0 for each tasting and word, and the words that nobody ticked."""
    held = [
        {word.strip() for word in str(cell).split(";")} - {"", NONE} for cell in table[response]
    ]
    found = sorted(set().union(*held))
    unknown = [word for word in found if words and word not in words]
    if unknown:
        raise FitError(f"{in_words(unknown)} is not among the words {in_words(words)}.")
    if not found:
        raise FitError(f'no word of "{response}" was ever ticked.')
    used = [word for word in (words or found) if word in found]
    ticked = pd.DataFrame({word: [int(word in own) for own in held] for word in used})
    return ticked, [word for word in words if word not in found]


def _by_setting(
    ticked: pd.DataFrame, settings: pd.DataFrame, factors: Sequence[Factor]
) -> pd.DataFrame:
    rows = []
    for word in ticked.columns:
        for factor in factors:
            values = settings[factor.name]
            for value in in_order(values, factor):
                own = ticked[word][(values == value).to_numpy()]
                shown = factor.show(value)
                rows.append((word, factor.name, shown, len(own), int(own.sum()), own.mean()))
    names = ["word", "factor", "setting", "tastings", "ticked", "share"]
    return pd.DataFrame(rows, columns=names)


def _effects(
    table: pd.DataFrame, response: str, ticked: pd.DataFrame, factors: Sequence[Factor]
) -> pd.DataFrame:
    keep = [name for name in ("day", "load") if name in table]
    keep += [factor.name for factor in factors]
    parts = []
    for word in ticked.columns:
        # The response is no factor, so its name is free for one word after the other
        shares = bake_means(table, ticked[word].to_numpy(), response, keep)
        if shares[response].nunique() > 1:
            found = fit(shares, response, factors, model="main")
            parts.append(found.effects.assign(word=word))
    columns = ["word", "term", "level", "reference", "estimate", "low", "high", "p"]
    if not parts:
        return pd.DataFrame(columns=[*columns, "q"])
    table = pd.concat(parts, ignore_index=True)[columns]
    q = np.full(len(table), np.nan)
    known = table["p"].notna().to_numpy()
    if known.any():
        q[known] = stats.false_discovery_control(table["p"][known].to_numpy())
    return table.assign(q=q)


def _differences(table: pd.DataFrame, ticked: pd.DataFrame, seed: int) -> pd.DataFrame:
    rows = []
    for word in ticked.columns:
        wide = table.assign(ticked=ticked[word].to_numpy()).pivot_table(
            index="taster", columns="bake", values="ticked", aggfunc="max"
        )
        wide = wide.dropna()
        torn = (wide.sum(axis=1) > 0) & (wide.sum(axis=1) < wide.shape[1])
        if len(wide) < 2 or wide.shape[1] < 2 or not torn.any():
            continue
        found = cochran_q(wide, seed=seed)
        rows.append((word, wide.shape[1], len(wide), found.statistic, found.df, found.p_exact))
    return pd.DataFrame(rows, columns=["word", "bakes", "tasters", "statistic", "df", "p"])


def _with_liking(table: pd.DataFrame, ticks: pd.DataFrame, liking: str | None) -> pd.DataFrame:
    if liking is None:
        columns = ["word", "ticked", "tasters", "difference", "low", "high"]
        return pd.DataFrame(columns=columns)
    scored = pd.to_numeric(table[liking], errors="coerce").to_numpy(dtype=float)
    given = np.isfinite(scored)
    return word_effects(ticks[given], pd.Series(scored[given], index=ticks.index[given]))


def _tick_sentences(
    effects: pd.DataFrame, beside: pd.DataFrame, liking: str | None
) -> tuple[str, ...]:
    clear = effects[effects["q"] < LEVEL].sort_values("q", kind="stable")
    said = [
        f'"{row.word}" is ticked {_points(row.estimate)} at {row.term} {row.level} than at '
        f"{row.reference} ({100 * row.low:+.0f} to {100 * row.high:+.0f} points of a hundred)."
        for row in clear.itertuples()
    ]
    if not said:
        said = [
            "No setting calls up a word more clearly than chance would, the bake being the unit."
        ]
    known = beside[(beside["low"] > 0) | (beside["high"] < 0)]
    said += [
        f'Where "{row.word}" is ticked, {liking} is {abs(row.difference):.1f} '
        f"{'higher' if row.difference > 0 else 'lower'} ({row.low:+.1f} to {row.high:+.1f}, "
        f"{row.tasters} tasters); they go together, which is not to say one makes the other."
        for row in known.itertuples()
    ]
    return tuple(said)


def _points(estimate: float) -> str:
    return (
        f"{100 * abs(estimate):.0f} points of a hundred {'more' if estimate > 0 else 'less'} often"
    )


def _tick_notes(
    lost: list[str], effects: pd.DataFrame, differences: pd.DataFrame
) -> tuple[str, ...]:
    notes = [f"Nobody ticked {in_words(lost, 'or')}."] if lost else []
    if len(effects):
        notes.append(
            f"{len(effects)} effects were looked at; those named are such that no more than one in "
            "twenty of them would be chance."
        )
    if differences.empty:
        notes.append("Too few tasters had every bake to compare single bakes word by word.")
    return tuple(notes)


# -- Bakes put in order by tasters: do they agree, and which settings come out in front.


AHEAD = "share of the others it is ahead of"
_OF_TASTING = ("bake", "taster", "sitting", "place", "kind", "code", "note", "ranked", AHEAD)


@dataclass(frozen=True, eq=False)
class Rankings:
    """What rankings of bakes say.

    Parameters
    ----------
    response : str
    together : tuple of RankingResult
        Friedman's test for each set of bakes that two tasters or more ranked together.
    sets : tuple of tuple of str
        The bakes of each of these tests.
    places : DataFrame
        One row per ranked sample: taster, bake, the factors, place, ranked (how many together) and
        the share of the others it is ahead of (1 for the first, 0 for the last).
    findings : Findings or None
        What the settings do to that share, the bake being the unit; None without factors.
    sentences, notes : tuple of str
    """

    response: str
    together: tuple[RankingResult, ...] = field(repr=False)
    sets: tuple[tuple[str, ...], ...]
    places: pd.DataFrame = field(repr=False)
    findings: Findings | None = field(repr=False)
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    def summary(self) -> tuple[str, ...]:
        """Return what was found as sentences, then what was assumed."""
        return self.sentences + self.notes

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        return "".join(f"<p>{html.escape(one)}</p>" for one in self.summary())


def rankings(
    data: Round | pd.DataFrame,
    response: str,
    factors: Sequence[Factor | str] | None = None,
    *,
    order: Sequence[str] | None = None,
) -> Rankings:
    """Say whether tasters put bakes in the same order, and which settings come out in front.

    Places hold within one sitting only, so samples are compared with those ranked beside them.

    References
    ----------
    ISO 8587; Friedman 1937; Page 1963: see :func:`trials.tasting.ranks.ranking`.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": ["Ada"] * 3 + ["Ben"] * 3 + ["Cleo"] * 3,
    ...     "bake": ["B01", "B02", "B03"] * 3, "place": [1, 2, 3, 1, 3, 2, 1, 2, 3]})
    >>> found = rankings(table, "place")
    >>> found.sets, found.together[0].rank_sums.tolist()
    ((('B01', 'B02', 'B03'),), [3.0, 7.0, 8.0])
    """
    table, used = tidy_table(data, factors)
    table = _placed(table, response)
    together, sets = _together(table, response, order)
    findings = None
    if used:
        keep = [name for name in table.columns if name not in _OF_TASTING and name != response]
        ahead = bake_means(table, table[AHEAD].to_numpy(), AHEAD, keep)
        findings = fit(ahead, AHEAD, used, model="main")
    return Rankings(
        response=response,
        together=together,
        sets=sets,
        places=table,
        findings=findings,
        sentences=_ranking_sentences(together, sets, findings),
        notes=_ranking_notes(together),
    )


def _placed(table: pd.DataFrame, response: str) -> pd.DataFrame:
    missing = [name for name in ("taster", "bake", response) if name not in table.columns]
    if missing:
        raise FitError(f"the table has no column {in_words(missing)}.")
    table = table[table[response].notna() & table["taster"].notna()].copy()
    table[response] = pd.to_numeric(table[response], errors="coerce")
    if table[response].isna().any() or table.empty:
        raise FitError(f'"{response}" must hold places: 1, 2, 3 ... for every sample ranked.')
    if "sitting" not in table:
        table["sitting"] = 1
    groups = table.groupby(["taster", "sitting"])[response]
    table["ranked"] = groups.transform("size")
    table = table[table["ranked"] > 1].copy()
    if table.empty:
        raise FitError("no taster ranked two samples together, so there is no order to look at.")
    behind = table["ranked"] - table.groupby(["taster", "sitting"])[response].rank()
    table[AHEAD] = behind / (table["ranked"] - 1)
    return table.reset_index(drop=True)


def _together(
    table: pd.DataFrame, response: str, order: Sequence[str] | None
) -> tuple[tuple[RankingResult, ...], tuple[tuple[str, ...], ...]]:
    """Return a test for every set of bakes that several tasters ranked as a whole."""
    by_set: dict[tuple[str, ...], dict[str, pd.Series]] = {}
    for (taster, _), own in table.groupby(["taster", "sitting"], sort=False):
        if own["bake"].duplicated().any():
            continue
        bakes = tuple(sorted(own["bake"].astype(str)))
        places = own.set_index(own["bake"].astype(str))[response]
        by_set.setdefault(bakes, {}).setdefault(str(taster), places)
    found, sets = [], []
    for bakes, rows in by_set.items():
        if len(rows) < 2:
            continue
        wide = pd.DataFrame(rows).T[list(bakes)]
        expected = list(order) if order is not None and set(order) == set(bakes) else None
        found.append(ranking(wide, order=expected))
        sets.append(bakes)
    return tuple(found), tuple(sets)


def _ranking_sentences(
    together: tuple[RankingResult, ...],
    sets: tuple[tuple[str, ...], ...],
    findings: Findings | None,
) -> tuple[str, ...]:
    said = []
    for result, bakes in zip(together, sets, strict=True):
        first = str(result.rank_sums.sort_values(kind="stable").index[0])
        if result.p < LEVEL:
            said.append(
                f"{result.tasters} tasters agree on an order of {in_words(bakes)} more than chance "
                f"would (p {result.p:.2g}); {first} comes first."
            )
        else:
            said.append(
                f"{result.tasters} tasters do not agree on an order of {in_words(bakes)} more than "
                f"chance would (p {result.p:.2g})."
            )
        if result.page_p is not None:
            kept = "follow" if result.page_p < LEVEL else "are not shown to follow"
            said.append(f"The places {kept} the order expected (p {result.page_p:.2g}).")
    if findings is not None:
        said += [
            f"{row.term[:1].upper()}{row.term[1:]}, {row.level} over {row.reference}: ahead of "
            f"{100 * row.estimate:+.0f} points of a hundred more of the others "
            f"({100 * row.low:+.0f} to {100 * row.high:+.0f})."
            for row in findings.effects.itertuples()
            if row.low > 0 or row.high < 0
        ]
    return tuple(said)


def _ranking_notes(together: tuple[RankingResult, ...]) -> tuple[str, ...]:
    if together:
        return ("Places say which is preferred, not by how much.",)
    return (
        "No two tasters ranked the same bakes together, so their agreement can not be tested; the "
        "settings are compared by the share of the others that a bake is ahead of.",
    )
