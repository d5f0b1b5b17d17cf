"""Answers that are counted, not averaged: shares, ticked words, places, words of one's own.

One door, `counted`, and one record, `Counted`, whatever the scale: what the settings show, what
each bake had, sentences and notes. Settings are described with exact ranges in which each bake
counts once, however many tasted it. Tests that compare single bakes (Friedman, Page, Cochran) say
whether tasters agree that bakes differ; they give no verdict on what was varied.
"""

import re
import unicodedata
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any, NoReturn, assert_never

import numpy as np
import pandas as pd
from markupsafe import Markup
from pandas.api.types import is_numeric_dtype
from scipy import special, stats

from trials.analysis.failing import candidates, chances_sentences
from trials.analysis.failures import explain_failures
from trials.analysis.fitting import fit
from trials.analysis.no_error import unit_means
from trials.analysis.question import (
    check_settings,
    chosen_factors,
    evidence,
    in_order,
)
from trials.base.arguments import checked_types
from trials.base.errors import FitError, Place
from trials.base.html import answer
from trials.base.words import in_words, percent, signed, tidy_number
from trials.core.evidence import Evidence
from trials.core.factors import Component, Factor, Varied, is_blank
from trials.core.measures import Measure
from trials.core.roles import WITHOUT_SCORE, Role
from trials.core.scales import NONE, Refusal, Summary
from trials.core.terms import model_matrix, model_terms
from trials.core.verdicts import UPPER
from trials.tasting.difference import RankingResult, ranking

# -- What is said of counted answers, whatever the scale.


_OF_FINDINGS = ("effects", "spoken", "tests", "ranking", "variance", "means", "predict")


@dataclass(frozen=True, eq=False)
class Counted:
    """What counted answers say: read like findings.

    Parameters
    ----------
    response : str
    measure : Measure
    factors : tuple of Factor
        Those that moved among the answers.
    table : DataFrame
        One row per setting of each factor, all bakes first; columns factor, setting and bakes, then
        what the scale counts: tastings too little, just about right, too much (or yes) with the
        share, low and high (exact, 95 %, each bake counting once); each word with the share of
        tastings that have it; or the mean place.
    bakes : DataFrame
        One row per bake that was answered, reference bakes too: bake, role, settings, answers and
        what the scale counts.
    details : dict of DataFrame
        What else was worked out, by its name: "penalty", "effects", "agreement", "quotes" ...
    answers : int
        How many there are, reference bakes aside.
    sentences, notes : tuple of str
        What was found; what was assumed and left out.
    method : str
        How it was worked out, with its source.
    """

    response: str
    measure: Measure
    factors: tuple[Factor, ...]
    table: pd.DataFrame = field(repr=False)
    bakes: pd.DataFrame = field(repr=False)
    details: Mapping[str, pd.DataFrame] = field(repr=False)
    answers: int
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    method: str

    def summary(self) -> tuple[str, ...]:
        """Return what was found as sentences, then what was assumed."""
        return self.sentences + self.notes

    def shown(self) -> dict[str, pd.DataFrame]:
        """Return the tables a baker reads, by their titles."""
        return _shown(self)

    def __getattr__(self, name: str) -> NoReturn:
        if name in _OF_FINDINGS:
            raise AttributeError(
                f"{self.response} is counted, not averaged, so it has no {name}; look at .table, "
                ".bakes and .details."
            )
        raise AttributeError(name)

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        shown = (answer([title], [table]) for title, table in self.shown().items())
        return answer(self.summary()) + Markup().join(shown)


def counted(
    data: Any,
    response: str,
    factors: Sequence[Varied | str] | None = None,
    *,
    measure: Measure | None = None,
    goal: Measure | None = None,
    order: Sequence[str] | None = None,
    seed: int = 0,
    held: Mapping[str, Any] | None = None,
    alone: bool = False,
    outside_range: bool = False,
) -> Counted:
    """Say what answers that are counted show, the bake being the unit.

    Parameters
    ----------
    data : whatever :func:`trials.fit` takes
        A table needs the columns bake and taster where tasters answered; with a column `round` it
        holds several rounds.
    response : str
    factors : sequence of Factor or str, optional
        Of a table; without any, bakes are compared and no settings.
    measure : Measure, optional
        Of a table: what was asked.
    goal : Measure, optional
        What being off costs, and what words go with; the first with a goal, else the first liking,
        when left out.
    order : sequence of str, optional
        Of a ranking: the bakes as expected beforehand, for Page's test.
    seed : int
        For the chance of Cochran's Q, where it is drawn.
    held, alone, outside_range
        How rounds join; see :func:`trials.evidence`.

    Returns
    -------
    Counted

    Raises
    ------
    FitError
        When nothing was answered, or an answer is not on the scale.

    References
    ----------
    Clopper & Pearson 1934 (exact ranges); ASTM MNL 63 (penalties); Firth 1993 (chance of yes);
    Cochran 1950 (words); ISO 8587 (ranking).

    Examples
    --------
    >>> table = pd.DataFrame({"bake": ["B1", "B2", "B3", "B4"], "oil": [165, 165, 180, 180],
    ...     "holds": ["yes", "yes", "no", "yes"]})
    >>> found = counted(table, "holds", ["oil"], measure=Measure("holds", "passed", per="bake"))
    >>> found.table[["setting", "bakes", "yes"]].values.tolist()
    [['all', 4, 3.0], ['165', 2, 2.0], ['180', 2, 1.0]]
    """
    known = evidence(data, factors, measure, held=held, alone=alone, outside_range=outside_range)
    asked = _asked(known, response, goal)
    match asked.measure.summary:
        case Summary.SIDES:
            return _sides(asked)
        case Summary.SHARE:
            return _passed(asked)
        case Summary.TICKS:
            return _ticked(asked, seed)
        case Summary.PLACES:
            return _placed(asked, order)
        case Summary.QUOTES:
            return _quoted(asked)
        case Summary.MEAN:
            raise FitError(f'"{response}" is averaged, not counted; ask trials.fit.')
        case never:
            assert_never(never)


@dataclass(frozen=True, eq=False)
class _Asked:
    """The answers: one row each, read; the factors that moved; and the goal they are held to."""

    response: str
    measure: Measure
    table: pd.DataFrame
    factors: tuple[Factor, ...]
    goal: Measure | None
    opening: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def own(self) -> pd.DataFrame:
        """The answers on the bakes that were varied: reference bakes are no setting of a factor."""
        return self.table[self.table["role"] != Role.REFERENCE].reset_index(drop=True)

    @property
    def name(self) -> str:
        """The response as a sentence begins with it."""
        return self.response[:1].upper() + self.response[1:]

    @property
    def tasters(self) -> int:
        """How many people answered."""
        return int(self.own["taster"].nunique())

    def many(self, count: int) -> str:
        """Return a number of answers in words."""
        word = "tasting" if self.measure.per == "tasting" else "bake"
        return f"{count} {word}{'' if count == 1 else 's'}"


def _asked(known: Evidence, response: str, goal: Measure | None) -> _Asked:
    measure = known.measure(response)
    if measure is None:
        raise FitError(
            f'what "{response}" was asked as is not known; name it: measure='
            f'trials.Measure("{response}", "check all", words=[...]), or the scale it was.'
        )
    if response not in known.table:
        raise FitError(f'the table has no column "{response}".')
    table = known.table.assign(row=range(1, len(known.table) + 1))
    if measure.summary is Summary.PLACES and "taster" not in table:
        raise FitError("the table has no column taster, so nobody knows who ranked what.")
    lost = (
        table["status"].isin(WITHOUT_SCORE) if "status" in table else pd.Series(False, table.index)
    )
    blank = table[response].map(is_blank)
    of_tasters = "taster" in table and measure.per == "tasting"
    rows = table["taster"].notna() if of_tasters else pd.Series(True, table.index)
    gaps = int((rows & blank & ~lost).sum()) if of_tasters else 0
    kept = table[~lost & ~blank & rows].copy()
    if kept.empty:
        empty = "; a ballot without a tick says none" if measure.summary is Summary.TICKS else ""
        raise FitError(f'nobody answered "{response}" yet{empty}.')
    kept[response] = [
        _read(measure, value, int(row))
        for value, row in zip(kept[response], kept["row"], strict=True)
    ]
    for name, value in (("role", Role.TRIAL.value), ("taster", ""), ("sitting", 1)):
        if name not in kept:
            kept[name] = value
    if "bake" not in kept:
        kept["bake"] = [f"row {row}" for row in kept["row"]]
    used = [one for one in known.factors if one.name in known.varied or not known.of_rounds]
    chosen, unmoved = _moved(kept, used, response)
    check_settings(kept, chosen, "bake")
    notes = _gap_notes(gaps, response)
    held = goal or _first_goal(known.measures)
    return _Asked(
        response=response,
        measure=measure,
        table=_with_goal(kept.reset_index(drop=True), table, held),
        factors=chosen,
        goal=held,
        opening=known.opening(response),
        notes=(*known.notes_on(response), *notes, *unmoved),
    )


def _gap_notes(gaps: int, response: str) -> list[str]:
    if not gaps:
        return []
    told = "1 tasting holds" if gaps == 1 else f"{gaps} tastings hold"
    return [f"{told} no answer for {response}."]


def _read(measure: Measure, value: Any, row: int) -> float | str:
    text = value if isinstance(value, str) else tidy_number(float(value), 15)
    found = measure.entry(text)
    if isinstance(found, Refusal):
        raise FitError(str(found), Place(row=row + 1, column=measure.name))
    return found


def _moved(
    table: pd.DataFrame, used: Sequence[Factor], response: str
) -> tuple[tuple[Factor, ...], list[str]]:
    """Return the factors that moved among the answers, and what is said of the others."""
    own = table[table["role"] != Role.REFERENCE]
    own = table if own.empty else own
    still = [one.name for one in used if own[one.name].nunique() < 2]
    moved = [one for one in used if one.name not in still]
    said = [f"All that was answered has one {name}, so nothing is said of it." for name in still]
    return (chosen_factors(table, moved, response, _COLUMNS) if moved else ()), said


_COLUMNS = ("day", "load", "bake", "role", "taster", "status", "reason", "note", "code", "round")


def _first_goal(measures: Sequence[Measure]) -> Measure | None:
    """Return the first measure with a goal that is averaged, else the first liking."""
    averaged = [one for one in measures if one.averaged]
    with_goal = [one for one in averaged if one.goal is not None]
    return next(iter([*with_goal, *(one for one in averaged if one.liking)]), None)


def _with_goal(kept: pd.DataFrame, table: pd.DataFrame, goal: Measure | None) -> pd.DataFrame:
    """Return the answers with what the same tasting, or the bake, has for the goal."""
    if goal is None or goal.name not in table:
        return kept
    values = pd.to_numeric(table[goal.name], errors="coerce")
    if goal.per == "bake" and "bake" in table:
        values = kept["bake"].map(values.groupby(table["bake"]).mean())
        return kept.assign(**{goal.name: values})
    return kept.assign(**{goal.name: pd.to_numeric(kept[goal.name], errors="coerce")})


def _settings(asked: _Asked) -> list[tuple[str, str, pd.Series]]:
    """Return all answers, then those of each round and of each setting, as masks."""
    own = asked.own
    found = [("", "all", pd.Series(True, own.index))]
    if own["round"].nunique() > 1:
        found += [("round", str(one), own["round"] == one) for one in own["round"].unique()]
    for factor in asked.factors:
        values = own[factor.name]
        levels = in_order(values.dropna(), factor)
        if is_numeric_dtype(values) and len(levels) > MOST_LEVELS:
            middle = (values.min() + values.max()) / 2
            found.append((factor.name, f"up to {factor.show(middle)}", values <= middle))
            found.append((factor.name, f"above {factor.show(middle)}", values > middle))
            continue
        found += [(factor.name, factor.show(level), values == level) for level in levels]
    return found


MOST_LEVELS = 5  # of a number that are shown one by one; settings as really made scatter


def _exact_range(shares: pd.Series) -> tuple[float, float, float]:
    """Return the mean share of some bakes and its exact range, each bake counting once.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413; with a count that is no whole number as Korn &
    Graubard 1998, Surv. Methodol. 24:193-201, take the answers of one bake as wholly alike, which
    is the careful end.
    """
    from statsmodels.stats.proportion import proportion_confint

    total, bakes = float(shares.sum()), len(shares)
    low, high = proportion_confint(total, bakes, method="beta")
    return total / bakes, max(float(low), 0.0), min(float(high), 1.0)


def _per_bake(asked: _Asked, told: Mapping[str, pd.Series]) -> pd.DataFrame:
    """Return one row per bake: its settings, how many answers, and what is told of it."""
    table = asked.table
    first = table.drop_duplicates("bake").set_index("bake")
    kept = ["round", "role"] if first["round"].nunique() > 1 else ["role"]
    rows = first[[*kept, *(factor.name for factor in asked.factors)]]
    rows = rows.assign(answers=table.groupby("bake", sort=False).size())
    return rows.assign(**{str(name): own for name, own in told.items()}).reset_index()


EXACT = "exact ranges, each bake counting once (Clopper & Pearson 1934)"


def _person_note(asked: _Asked) -> list[str]:
    if asked.measure.per == "tasting" and asked.tasters == 1:
        return ["One person answered: it says what they found, not what others would."]
    return []


def _chance_words(row: Any) -> str:
    once = ", each bake counting once" if row["bakes"] != row["answers"] else ""
    fits = f"which fits a chance of {percent(row['low'])} to {percent(row['high'])}"
    return f"{percent(row['share'])}{once}, {fits}"


def _shown(found: Counted) -> dict[str, pd.DataFrame]:
    """Return the tables of counted answers as a baker reads them."""
    table = found.table
    labels = [
        _label(factor, setting)
        for factor, setting in zip(table["factor"], table["setting"], strict=True)
    ]
    match found.measure.summary:
        case Summary.SIDES | Summary.SHARE:
            asked = SIDES[1] if found.measure.summary is Summary.SIDES else "yes"
            counts = [name for name in (*SIDES, "yes") if name in table]
            shown = table[["bakes", "answers", *counts]].astype(int).astype(str)
            shown.insert(0, "settings", labels)
            shown[f"chance of {asked}"] = [
                f"{percent(row.low)} to {percent(row.high)}" for row in table.itertuples()
            ]
            return {"By setting": shown, **_also(found, "penalty")}
        case Summary.TICKS | Summary.QUOTES:
            quotes = _also(found, "quotes")
            if table.empty:
                return quotes
            most = MOST_WORDS if found.measure.summary is Summary.QUOTES else None
            words = list(dict.fromkeys(table["word"]))[:most]
            told = "tastings" if found.measure.per == "tasting" else "bakes"
            rows = table.assign(settings=labels).groupby("settings", sort=False)
            shown = rows["answers"].first().rename(told).to_frame()
            for word in words:
                own = table.assign(settings=labels)[table["word"] == word]
                shown[f"“{word}”"] = own.set_index("settings")["said"]
            return {f"In how many {told} each word stands": shown.reset_index(), **quotes}
        case Summary.PLACES:
            shown = table[["bakes", "answers"]].astype(str)
            shown.insert(0, "settings", labels)
            shown["mean place"] = [
                f"{place:.1f} of {of:.0f}"
                for place, of in zip(table["place"], table["of"], strict=True)
            ]
            bakes = found.bakes.sort_values("place", kind="stable")
            ranked = bakes[["bake", "answers", "place"]].round({"place": 1})
            return {"By setting": shown, "By bake, the first in front": ranked}
        case Summary.MEAN:
            return {}
        case never:
            assert_never(never)


def _label(factor: str, setting: str) -> str:
    if not factor:
        return "all bakes"
    named = factor == "round" and not setting.isdigit()
    return setting if named else f"{factor} {setting}"


def _also(found: Counted, name: str) -> dict[str, pd.DataFrame]:
    """Return one of the further tables under its title, where it holds anything."""
    titles = {"penalty": "What being off goes with", "quotes": "In their own words"}
    table = found.details.get(name, pd.DataFrame())
    if table.empty:
        return {}
    if name == "penalty":
        table = table.drop(columns=["weighted", "heed"]).round(2).astype(object)
        table = table.where(table.notna(), "")
        table["share"] = [percent(one) for one in table["share"]]
    return {titles[name]: table}


def answers_in_words(measure: Measure, values: pd.Series) -> str:
    """Return the answers of one bake in a few words.

    Examples
    --------
    >>> answers_in_words(Measure("again", "passed"), pd.Series([1.0, 0.0, 1.0]))
    'yes 2 of 3'
    >>> answers_in_words(Measure("height", "number", unit="mm"), pd.Series([31.0, 33.0]))
    '32 mm (mean of 2)'
    """
    count = len(values)
    match measure.summary:
        case Summary.MEAN | Summary.PLACES:
            unit = f" {measure.unit}" if measure.unit else ""
            place = "place " if measure.summary is Summary.PLACES else ""
            several = f" (mean of {count})" if count > 1 else ""
            return f"{place}{tidy_number(values.mean(), 3)}{unit}{several}"
        case Summary.SHARE:
            yes = int(values.sum())
            return f"yes {yes} of {count}" if count > 1 else ("yes" if yes else "no")
        case Summary.SIDES:
            sides = zip(_side_counts(values), SIDES, strict=True)
            if count == 1:
                return next(side for number, side in sides if number)
            return in_words(f"{number} {side}" for number, side in sides if number)
        case Summary.TICKS:
            words = [word.strip() for cell in values for word in str(cell).split(";")]
            totals = (
                pd.Series(words)
                .value_counts(sort=False)
                .sort_values(ascending=False, kind="stable")
            )
            return in_words(f"{word} {n}" if count > 1 else word for word, n in totals.items())
        case Summary.QUOTES:
            return "; ".join(f"“{said}”" for said in values)
        case never:
            assert_never(never)


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
    # Imported where it is used: it costs more than all the rest of this room
    from statsmodels.stats.contingency_tables import cochrans_q

    found = cochrans_q(table)
    return CochranQ(
        counts=pd.Series(table.sum(axis=0).astype(int), index=ticks.columns),
        tasters=len(table),
        statistic=float(found.statistic),
        df=int(found.df),
        p=float(found.pvalue),
        p_exact=_exact_chance(table[torn], np.random.default_rng(seed)),
    )


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
    reach = stats.t.ppf(UPPER, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values))
    return mean, float(mean - reach), float(mean + reach)


def penalties(
    rating: Sequence[int] | pd.Series,
    liking: Sequence[float] | pd.Series,
    *,
    costly: float = HEED_DROP,
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
    dear = table["drop"] >= costly - 1e-9
    table["heed"] = common & dear & (len(rates) >= FEWEST_FOR_SHARES)
    return table


# -- One value per bake, corrected for who happened to taste it, and what the settings do to it.


_ROUNDING = 12  # decimals of a share that are more than rounding
LEVEL = 0.05


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


_OF_EFFECTS = ["term", "level", "reference", "estimate", "low", "high", "p"]


def _bake_effects(asked: _Asked, table: pd.DataFrame, values: np.ndarray) -> pd.DataFrame:
    """Return what the factors do to one value of each bake; empty where nothing can be judged."""
    keep = [name for name in ("day", "load") if name in table and table[name].notna().all()]
    names = [factor.name for factor in asked.factors]
    # The response is no factor, so its name is free for the value
    shares = bake_means(table, values, asked.response, [*keep, *names])
    if not asked.factors or shares[asked.response].nunique() < 2:
        return pd.DataFrame(columns=_OF_EFFECTS)
    try:
        found = fit(shares, asked.response, asked.factors, model="main")
    except FitError:
        return pd.DataFrame(columns=_OF_EFFECTS)
    p = found.effects.set_index(["term", "level"])["p"].to_dict()
    spoken = found.spoken[_OF_EFFECTS]
    return spoken.assign(p=[p.get((one.term, one.level)) for one in spoken.itertuples()])


# -- Too little, just about right, too much: shares by setting, and what being off goes with.


FEWEST_TASTERS = 10  # below this a share is two or three people: a hint (common practice)
SIDES = ("too little", "just about right", "too much")


def _sides(asked: _Asked) -> Counted:
    own, response = asked.own, asked.response
    values = own[response].astype(float)
    rows = []
    for factor, setting, mask in _settings(asked):
        right = (values[mask] == MIDDLE).groupby(own.loc[mask, "bake"]).mean()
        counts = _side_counts(values[mask])
        rows.append((factor, setting, len(right), int(mask.sum()), *counts, *_exact_range(right)))
    names = ["factor", "setting", "bakes", "answers", *SIDES, "share", "low", "high"]
    table = pd.DataFrame(rows, columns=names)
    whole = asked.table[response].astype(float).groupby(asked.table["bake"])
    told = {
        side: whole.agg(lambda own, at=at: _side_counts(own)[at]) for at, side in enumerate(SIDES)
    }
    penalty = _penalty(asked, values)
    return Counted(
        response=response,
        measure=asked.measure,
        factors=asked.factors,
        table=table,
        bakes=_per_bake(asked, told),
        details={"penalty": penalty},
        answers=len(own),
        sentences=(
            *asked.opening,
            *_side_sentences(asked, table),
            *_penalty_sentences(asked, penalty),
        ),
        notes=(*asked.notes, *_person_note(asked), *_penalty_notes(asked, penalty)),
        method=f"shares with {EXACT}; penalties as in ASTM MNL 63",
    )


MIDDLE = 3  # just about right


def _side_counts(values: pd.Series) -> tuple[int, int, int]:
    return int((values < MIDDLE).sum()), int((values == MIDDLE).sum()), int((values > MIDDLE).sum())


def _side_sentences(asked: _Asked, table: pd.DataFrame) -> list[str]:
    every, inner = table.iloc[0], table.iloc[1:]
    said = [
        f"{asked.name}: of {asked.many(int(every['answers']))} {every[SIDES[0]]} said too little, "
        f"{every[SIDES[1]]} just about right, {every[SIDES[2]]} too much.",
        f"Just about right in {_chance_words(every)}.",
    ]
    inner = inner[inner["factor"] != "round"]
    if len(inner):
        lean = (inner[SIDES[2]] - inner[SIDES[0]]) / inner["answers"]
        for place, words in ((lean.idxmin(), SIDES[0]), (lean.idxmax(), SIDES[2])):
            row = inner.loc[place]
            if (lean[place] < 0) == (words == SIDES[0]) and lean[place] != 0:
                said.append(
                    f"Most often {words} at {row['factor']} {row['setting']}: {row[words]} of "
                    f"{row['answers']}."
                )
    return said


def _penalty(asked: _Asked, values: pd.Series) -> pd.DataFrame:
    """Return what being off goes with in the goal; empty where no goal was scored beside it."""
    names = ["side", "count", "share", "liking", "drop", "weighted", "heed"]
    goal = asked.goal
    if goal is None or goal.name not in asked.own:
        return pd.DataFrame(columns=names).rename(columns={"liking": "mean"})
    held = asked.own[goal.name].astype(float)
    both = held.notna()
    if not both.any():
        return pd.DataFrame(columns=names).rename(columns={"liking": "mean"})
    # A goal that is lower is missed by what lies above
    turn = -1.0 if goal.goal == "lower" else 1.0
    costly = HEED_DROP if goal.liking else (goal.margin or np.inf)
    found = penalties(values[both], turn * held[both], costly=costly)
    found["heed"] &= asked.tasters >= FEWEST_TASTERS
    return found.assign(liking=turn * found["liking"]).rename(columns={"liking": "mean"})


def _penalty_sentences(asked: _Asked, penalty: pd.DataFrame) -> list[str]:
    if penalty.empty or asked.goal is None:
        return []
    name, unit = asked.goal.name, asked.goal.unit_word
    heeded = penalty[penalty["heed"]]
    said = [
        f"{row.side.capitalize()} ({percent(row.share)}) costs {_amount(row.drop, unit)} of "
        f"{name}: worth heeding."
        for row in heeded.itertuples()
    ]
    if said:
        return said
    if _enough(asked, penalty):
        return [f"Neither side is common and costly enough in {name} to heed."]
    off = penalty[(penalty["side"] != SIDES[1]) & penalty["drop"].notna()]
    right = penalty.loc[1]
    worse = "higher" if asked.goal.goal == "lower" else "lower"
    better = "lower" if worse == "higher" else "higher"
    return [
        f"Where it was {row.side} ({row.count_}), {name} was {_amount(abs(row.drop), unit)} "
        f"{worse if row.drop > 0 else better} than where it was just about right "
        f"({right['count']}): a hint, no more."
        for row in off.rename(columns={"count": "count_"}).itertuples()
    ]


def _amount(value: float, unit: str) -> str:
    return f"{tidy_number(round(value, 2), 3)}{f' {unit}' if unit else ''}"


def _enough(asked: _Asked, penalty: pd.DataFrame) -> bool:
    return asked.tasters >= FEWEST_TASTERS and int(penalty["count"].sum()) >= FEWEST_FOR_SHARES


def _penalty_notes(asked: _Asked, penalty: pd.DataFrame) -> list[str]:
    if asked.goal is None:
        return ["No goal or liking was scored, so what it costs to be off is not known."]
    if penalty.empty:
        return [f"No tasting has {asked.goal.name} too, so what it costs to be off is not known."]
    if not _enough(asked, penalty):
        people = "1 taster is" if asked.tasters == 1 else f"{asked.tasters} tasters are"
        return [
            f"{people} too few to say what it costs to be off; from {FEWEST_TASTERS} on, and "
            f"{FEWEST_FOR_SHARES} tastings, there is more to say."
        ]
    return [
        "A penalty goes with the people who said so as much as with the setting: it points to what "
        "to try, the effects of the settings themselves are in their own fit."
    ]


# -- Yes or no: how often, where, and the chance by penalised likelihood.


def _passed(asked: _Asked) -> Counted:
    own, response = asked.own, asked.response
    values = own[response].astype(float)
    rows = []
    for factor, setting, mask in _settings(asked):
        shares = values[mask].groupby(own.loc[mask, "bake"]).mean()
        counts = len(shares), int(mask.sum()), float(values[mask].sum())
        rows.append((factor, setting, *counts, *_exact_range(shares)))
    names = ["factor", "setting", "bakes", "answers", "yes", "share", "low", "high"]
    table = pd.DataFrame(rows, columns=names)
    whole = asked.table[response].astype(float).groupby(asked.table["bake"])
    effects, said, notes = _chance_of_yes(asked, values)
    every = table.iloc[0]
    first = (
        f"{asked.name}: yes for {int(every['yes'])} of {asked.many(int(every['answers']))}"
        f"{_of_bakes(asked, every)}: {_chance_words(every)}."
    )
    return Counted(
        response=response,
        measure=asked.measure,
        factors=asked.factors,
        table=table,
        bakes=_per_bake(asked, {"yes": whole.sum(), "share": whole.mean()}),
        details={"effects": effects},
        answers=len(own),
        sentences=(*asked.opening, first, *said),
        notes=(*asked.notes, *_person_note(asked), *notes),
        method=f"shares with {EXACT}; chances by penalised likelihood (Firth 1993)",
    )


def _of_bakes(asked: _Asked, every: pd.Series) -> str:
    if asked.measure.per == "bake" or every["bakes"] == every["answers"]:
        return ""
    return f" of {every['bakes']} bakes"


def _chance_of_yes(asked: _Asked, values: pd.Series) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Return what the chance of yes hangs on, as far as so many bakes can tell."""
    columns = ["column", "estimate", "se", "low", "high", "p"]
    nothing = pd.DataFrame(columns=columns)
    if not asked.factors:
        return nothing, [], []
    bakes = asked.own.drop_duplicates("bake").reset_index(drop=True)
    shares = values.groupby(asked.own["bake"]).mean()[bakes["bake"]]
    yes = (shares > 0.5).to_numpy()
    split = int(((shares > 0) & (shares < 1)).sum())
    notes = []
    if split:
        notes.append(
            f"In the chances a bake counts as yes where more than half said so; {split} were split."
        )
    blend = any(isinstance(factor, Component) for factor in asked.factors)
    terms = model_terms("main" if blend else "interactions", asked.factors)
    matrix = model_matrix(terms, asked.factors, bakes)
    settings = bakes[[factor.name for factor in asked.factors]]
    found = explain_failures(yes, settings, candidates(matrix), factors=asked.factors)
    rarer = int(min(yes.sum(), len(yes) - yes.sum()))
    if not found.explanations:
        if found.allowed:
            notes.append(
                f"No setting parts yes from no for {asked.response} better than chance would."
            )
        elif rarer:
            which = "yes" if yes.sum() == rarer else "no"
            notes.append(
                f"Only {rarer} of {len(yes)} bakes are {which} for {asked.response}: too few for "
                "a model."
            )
        return nothing, [], notes
    rivals = len(found.explanations) > 1
    said = [
        one
        for explanation in found.explanations[:3]
        for one in chances_sentences(
            explanation, rivals, asked.factors, f"of yes for {asked.response}"
        )
    ]
    terms_word = "term" if found.allowed == 1 else "terms"
    notes.append(
        f"So many bakes carry {found.allowed} {terms_word}, chosen by these same bakes: read the "
        "ranges as the least that is uncertain."
    )
    fitted = found.explanations[0].fit.coefficients
    return fitted[columns], said, notes


# -- Words that tasters ticked: which settings call them up, and what goes with the goal.


def _ticked(asked: _Asked, seed: int) -> Counted:
    own = asked.own
    words = list(asked.measure.words)
    ticked, everywhere = (
        _ticks(own, asked.response, words),
        _ticks(asked.table, asked.response, words),
    )
    used = [word for word in words if ticked[word].any()]
    effects = _word_effects(asked, ticked[used])
    agreement = _agreement(own, ticked[used], seed)
    beside = _beside_goal(asked, ticked[used])
    return Counted(
        response=asked.response,
        measure=asked.measure,
        factors=asked.factors,
        table=_by_word(asked, ticked[used] if used else ticked),
        bakes=_per_bake(asked, {"ticked": _told_words(asked.table, everywhere)}),
        details={"effects": effects, "agreement": agreement, "with goal": beside},
        answers=len(own),
        sentences=(*asked.opening, *_tick_sentences(asked, ticked, effects, beside)),
        notes=(*asked.notes, *_person_note(asked), *_tick_notes(ticked, effects, agreement)),
        method="share of tastings that tick each word, each bake counting once; effects on it by "
        "the mixed model, held to a false-discovery rate of 5 % (Benjamini & Hochberg 1995)",
    )


def _ticks(table: pd.DataFrame, response: str, words: Sequence[str]) -> pd.DataFrame:
    """Return 1 and 0 for each answer and word."""
    held = [{word.strip() for word in str(cell).split(";")} for cell in table[response]]
    return pd.DataFrame(
        {word: [int(word in own) for own in held] for word in words}, index=table.index
    )


def _told_words(table: pd.DataFrame, ticked: pd.DataFrame) -> pd.Series:
    """Return for each bake its words with how often each was ticked, the most ticked first."""
    counts = ticked.groupby(table["bake"]).sum()
    said = {}
    for bake, own in counts.iterrows():
        own = own[own > 0].sort_values(ascending=False, kind="stable")
        said[bake] = "; ".join(f"{word} {count}" for word, count in own.items()) or NONE
    return pd.Series(said)


def _by_word(asked: _Asked, ticked: pd.DataFrame) -> pd.DataFrame:
    """Return each word at each setting: how many of the answers have it, and the share."""
    own, rows = asked.own, []
    for word in ticked.columns:
        for factor, setting, mask in _settings(asked):
            shares = ticked.loc[mask, word].groupby(own.loc[mask, "bake"]).mean()
            said = int(ticked.loc[mask, word].sum())
            rows.append(
                (word, factor, setting, len(shares), int(mask.sum()), said, *_exact_range(shares))
            )
    names = ["word", "factor", "setting", "bakes", "answers", "said", "share", "low", "high"]
    return pd.DataFrame(rows, columns=names)


def _word_effects(asked: _Asked, ticked: pd.DataFrame) -> pd.DataFrame:
    own = asked.own
    parts = [
        _bake_effects(asked, own, ticked[word].to_numpy()).assign(word=word) for word in ticked
    ]
    parts = [one for one in parts if len(one)]
    columns = ["word", *_OF_EFFECTS]
    if not parts:
        return pd.DataFrame(columns=[*columns, "q"])
    table = pd.concat(parts, ignore_index=True)[columns]
    q = np.full(len(table), np.nan)
    known = table["p"].notna().to_numpy()
    if known.any():
        q[known] = stats.false_discovery_control(table["p"][known].to_numpy())
    return table.assign(q=q)


def _agreement(table: pd.DataFrame, ticked: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Return Cochran's Q of each word, among tasters who had every bake."""
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


def _beside_goal(asked: _Asked, ticked: pd.DataFrame) -> pd.DataFrame:
    own, goal = asked.own, asked.goal
    if goal is None or goal.name not in own or not own[goal.name].notna().any():
        columns = ["word", "ticked", "tasters", "difference", "low", "high"]
        return pd.DataFrame(columns=columns)
    given = own[goal.name].notna().to_numpy()
    at = pd.MultiIndex.from_frame(own.loc[given, ["taster", "bake"]])
    scored = pd.Series(own.loc[given, goal.name].to_numpy(dtype=float), index=at)
    return word_effects(ticked[given].set_axis(at), scored)


def _tick_sentences(
    asked: _Asked, ticked: pd.DataFrame, effects: pd.DataFrame, beside: pd.DataFrame
) -> tuple[str, ...]:
    total = ticked.sum().sort_values(ascending=False, kind="stable")
    told = in_words(f"{word} ({count})" for word, count in total[total > 0].head(4).items())
    said = [
        f"{asked.name}: in {asked.many(len(ticked))} most often {told}."
        if told
        else f"{asked.name}: nothing was ticked in {asked.many(len(ticked))}."
    ]
    known = (effects["low"] > 0) | (effects["high"] < 0)
    clear = effects[known & (effects["q"] < LEVEL)].sort_values("q", kind="stable")
    said += [
        f'"{row.word}" is ticked {_points(row.estimate)} at {row.term} {row.level} than at '
        f"{row.reference} ({signed(100 * row.low, 0)} to {signed(100 * row.high, 0)} points of "
        "a hundred)."
        for row in clear.itertuples()
    ]
    if clear.empty and len(effects):
        said.append(
            f"No setting calls up a word of {asked.response} more clearly than chance would, the "
            "bake being the unit."
        )
    known = beside[(beside["low"] > 0) | (beside["high"] < 0)]
    said += [
        f'Where "{row.word}" is ticked, {asked.goal.name if asked.goal else ""} is '
        f"{abs(row.difference):.1f} {'higher' if row.difference > 0 else 'lower'} "
        f"({signed(row.low, 1)} to {signed(row.high, 1)}, {row.tasters} tasters); they go "
        "together, which is not to say one makes the other."
        for row in known.itertuples()
    ]
    return tuple(said)


def _points(estimate: float) -> str:
    return (
        f"{100 * abs(estimate):.0f} points of a hundred {'more' if estimate > 0 else 'less'} often"
    )


def _tick_notes(ticked: pd.DataFrame, effects: pd.DataFrame, agreement: pd.DataFrame) -> list[str]:
    lost = [word for word in ticked if not ticked[word].any()]
    notes = [f"Nobody ticked {in_words(lost, 'or')}."] if lost else []
    if len(effects):
        notes.append(
            f"{len(effects)} effects were looked at; those named are such that no more than one in "
            "twenty of them would be chance."
        )
    if agreement.empty:
        notes.append("Too few tasters had every bake to compare single bakes word by word.")
    parting = agreement.loc[agreement["p"] < LEVEL, "word"].tolist()
    if parting:
        notes.append(
            f"Tasters agree that bakes differ in {in_words(parting)} (Cochran's Q); that says they "
            "differ, not what makes them."
        )
    return notes


# -- Bakes put in order by tasters: mean places, whether tasters agree, what comes out in front.


AHEAD = "share of the others it is ahead of"


def _placed(asked: _Asked, order: Sequence[str] | None) -> Counted:
    table = _ranked(asked)
    own = table[table["role"] != Role.REFERENCE].reset_index(drop=True)
    rows = []
    for factor, setting, mask in _settings(asked):
        kept = own[own["row"].isin(asked.own.loc[mask, "row"])]
        if len(kept):
            means = kept.groupby("bake")[[asked.response, "ranked", AHEAD]].mean()
            rows.append((factor, setting, len(means), len(kept), *means.mean()))
    names = ["factor", "setting", "bakes", "answers", "place", "of", "ahead"]
    together, sets = _together(table, asked.response, order)
    effects = _bake_effects(asked, own, own[AHEAD].to_numpy())
    ranks = table.groupby("bake")
    told = {"place": ranks[asked.response].mean(), "ahead": ranks[AHEAD].mean()}
    bakes = _per_bake(asked, told)
    return Counted(
        response=asked.response,
        measure=asked.measure,
        factors=asked.factors,
        table=pd.DataFrame(rows, columns=names),
        bakes=bakes[bakes["place"].notna()].reset_index(drop=True),
        details={"effects": effects, "agreement": _agreement_table(together, sets)},
        answers=len(own),
        sentences=(*asked.opening, *_rank_sentences(asked, bakes, effects)),
        notes=(*asked.notes, *_person_note(asked), *_rank_notes(together, sets)),
        method="mean places; effects on the share of the others that a bake is ahead of by the "
        "mixed model; agreement of tasters by Friedman 1937 and Page 1963 (ISO 8587)",
    )


def _ranked(asked: _Asked) -> pd.DataFrame:
    """Return the places with how many pieces were ranked together, and how many it is ahead of."""
    table = asked.table.copy()
    table[asked.response] = table[asked.response].astype(float)
    groups = table.groupby(["round", "taster", "sitting"], dropna=False)[asked.response]
    table["ranked"] = groups.transform("size")
    table["behind"] = table["ranked"] - groups.rank()
    table = table[table["ranked"] > 1].copy()
    if table.empty:
        raise FitError("no taster ranked two samples together, so there is no order to look at.")
    table[AHEAD] = table["behind"] / (table["ranked"] - 1)
    return table.reset_index(drop=True)


def _together(
    table: pd.DataFrame, response: str, order: Sequence[str] | None
) -> tuple[list[RankingResult], list[tuple[str, ...]]]:
    """Return a test for every set of bakes that several tasters ranked as a whole."""
    by_set: dict[tuple[str, ...], dict[str, pd.Series]] = {}
    sitting = ["taster", "round", "sitting"]
    for (taster, *_), own in table.groupby(sitting, sort=False, dropna=False):
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
    return found, sets


def _agreement_table(
    together: Sequence[RankingResult], sets: Sequence[tuple[str, ...]]
) -> pd.DataFrame:
    rows = [
        (in_words(bakes), one.tasters, one.statistic, one.p, one.page_p)
        for one, bakes in zip(together, sets, strict=True)
    ]
    return pd.DataFrame(rows, columns=["bakes", "tasters", "statistic", "p", "page_p"])


def _rank_sentences(asked: _Asked, bakes: pd.DataFrame, effects: pd.DataFrame) -> tuple[str, ...]:
    kind = asked.measure.field
    what = getattr(kind, "first", "first")
    front = bakes[bakes["ahead"].notna()].sort_values("ahead", ascending=False, kind="stable")
    told = in_words(f"{row.bake} ({row.place:.1f})" for row in front.head(3).itertuples())
    said = [f"{asked.name}: nearest to {what} on average {told}, by mean place."]
    clear = effects[(effects["low"] > 0) | (effects["high"] < 0)]
    said += [
        f"{row.term[:1].upper()}{row.term[1:]}, {row.level} over {row.reference}: ahead of "
        f"{signed(100 * row.estimate, 0)} points of a hundred more of the others "
        f"({signed(100 * row.low, 0)} to {signed(100 * row.high, 0)})."
        for row in clear.itertuples()
    ]
    if clear.empty and len(effects):
        said.append(
            f"No setting is shown to come out in front in {asked.response}, the bake being the "
            "unit."
        )
    return tuple(said)


def _rank_notes(together: Sequence[RankingResult], sets: Sequence[tuple[str, ...]]) -> list[str]:
    if not together:
        return [
            "No two tasters ranked the same bakes together, so whether they agree can not be "
            "tested; the settings are compared by the share of the others that a bake is ahead of."
        ]
    said = ["Places say which is in front, not by how much."]
    for result, bakes in zip(together, sets, strict=True):
        first = str(result.rank_sums.sort_values(kind="stable").index[0])
        if result.p < LEVEL:
            said.append(
                f"{result.tasters} tasters agree on an order of {in_words(bakes)} more than chance "
                f"would (p {result.p:.2g}); {first} comes first. That says bakes differ, not what "
                "makes them."
            )
        else:
            said.append(
                f"{result.tasters} tasters do not agree on an order of {in_words(bakes)} more than "
                f"chance would (p {result.p:.2g})."
            )
        if result.page_p is not None:
            kept = "follow" if result.page_p < LEVEL else "are not shown to follow"
            said.append(f"The places {kept} the order expected (p {result.page_p:.2g}).")
    return said


# -- Words of one's own: counted, and quoted bake by bake.


MOST_WORDS = 8  # in a table that a baker reads


def _quoted(asked: _Asked) -> Counted:
    own, response = asked.own, asked.response
    found = own[response].map(words_of)
    words = pd.Series([word for said in found for word in sorted(said)], dtype=object)
    counts = words.value_counts().sort_index().sort_values(ascending=False, kind="stable")
    ticked = pd.DataFrame(
        {word: [int(word in said) for said in found] for word in counts.index}, index=own.index
    )
    quotes = _quotes(asked)
    told = in_words(f"{word} ({count})" for word, count in counts.head(5).items())
    first = f"{asked.name}: words for {asked.many(len(own))}"
    return Counted(
        response=response,
        measure=asked.measure,
        factors=asked.factors,
        table=_by_word(asked, ticked),
        bakes=_per_bake(asked, {"said": quotes.groupby("bake")["words"].agg("; ".join)}),
        details={"quotes": quotes},
        answers=len(own),
        sentences=(
            *asked.opening,
            f"{first}, most often {told}." if told else f"{first}.",
        ),
        notes=(
            *asked.notes,
            *_person_note(asked),
            "Words are counted and quoted, never judged: they say what to look for next.",
        ),
        method="counts of words, a denied one as a word of its own; quotes as they were written",
    )


def _quotes(asked: _Asked) -> pd.DataFrame:
    """Return what was written, bake by bake, the bakes that meet the goal best first."""
    table, goal = asked.table, asked.goal
    rows = table.sort_values("bake", kind="stable")
    if goal is not None and goal.name in table and goal.goal in (None, "higher", "lower"):
        means = table.groupby("bake")[goal.name].mean()
        at = rows["bake"].map(means)
        rows = rows.assign(at=at if goal.goal == "lower" else -at)
        rows = rows.sort_values("at", kind="stable")
    kept = ["bake", "taster"] if asked.measure.per == "tasting" else ["bake"]
    return (
        rows[[*kept, asked.response]]
        .rename(columns={asked.response: "words"})
        .reset_index(drop=True)
    )


# -- Which words fall on which settings: tasters' own words, counted, without any model.


# Words that tell nothing of a bake (our own short list)
_EMPTY = frozenset(
    re.findall(
        r"\w+",
        """a an and are as at be been but by did do does for from had has have he her his i in is it
        its just me more most much my nor of on one or our own piece pieces quite rather really
        she so some than that the their them then there these they this those to too us very was
        we were which with would you your bit little taste tastes tasted""",
    )
)
_NEGATIONS = ("not", "no", "never", "hardly", "without")


@checked_types(FitError)
def word_table(
    table: pd.DataFrame,
    factor: str,
    *,
    words_in: Iterable[str] = ("note",),
    least: int = 2,
) -> pd.DataFrame:
    """Count in how many tastings each word was used, at each setting of a factor.

    Parameters
    ----------
    table : DataFrame
        Tidy scores.
    factor : str
        The column of settings.
    words_in : iterable of str
        The columns of words: notes, free words, ticked words.
    least : int
        Words in fewer tastings are left out.

    Returns
    -------
    DataFrame
        Columns word, one per setting (tastings that used it), and all; the most used first. Its
        ``attrs["tastings"]`` tells how many tastings with any word there are at each setting.
        "Not crisp" is counted as a word of its own. Counts describe; they test nothing.

    Raises
    ------
    FitError
        When a column is missing.

    Examples
    --------
    >>> said = pd.DataFrame({"fat": ["lard", "lard", "oil"],
    ...     "note": ["Crisp, nutty!", "not crisp", "crisp"]})
    >>> word_table(said, "fat", least=1).values.tolist()
    [['crisp', 1, 1, 2], ['not crisp', 1, 0, 1], ['nutty', 1, 0, 1]]
    """
    words_in = tuple(words_in)
    for name in (factor, *words_in):
        if name not in table:
            raise FitError(f'the scores have no column "{name}".')
    rows, with_words = [], []
    for setting, *texts in table[[factor, *words_in]].itertuples(index=False, name=None):
        said = " ; ".join(text for text in texts if isinstance(text, str))
        found = words_of(said)
        rows += [(setting, word) for word in found]
        with_words += [setting] if found else []
    settings = sorted(table[factor].dropna().unique())
    used = pd.DataFrame(rows, columns=["setting", "word"])
    counts = pd.crosstab(used["word"], used["setting"]).reindex(columns=settings, fill_value=0)
    counts["all"] = counts.sum(axis=1)
    counts = counts[counts["all"] >= least].reset_index()
    counts = counts.sort_values(["all", "word"], ascending=[False, True], ignore_index=True)
    counts.columns.name = None
    counts.attrs["tastings"] = {setting: with_words.count(setting) for setting in settings}
    return counts


def words_of(text: str) -> set[str]:
    """Return the telling words of a text in lower case, each once, a denied one with its "not".

    Examples
    --------
    >>> sorted(words_of("Very crisp, but not at all greasy. Crisp!"))
    ['crisp', 'not greasy']
    """
    found: set[str] = set()
    for clause in re.split(r"[.,;:!?\n]", unicodedata.normalize("NFC", text).lower()):
        denied = False
        for word in re.findall(r"[^\W\d_]+(?:[-'’][^\W\d_]+)*", clause):
            if word in _NEGATIONS:
                denied = True
            elif word == "all" and denied:
                continue
            elif word not in _EMPTY and len(word) > 1:
                found.add(f"not {word}" if denied else word)
                denied = False
    return found
