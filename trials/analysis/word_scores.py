"""Words that tasters ticked: which settings call them up, and what goes with liking."""

import html
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.asking import tidy_table
from trials.analysis.bake_means import bake_means
from trials.analysis.factor_columns import chosen_factors, in_order
from trials.analysis.fitting import fit
from trials.analysis.group_columns import check_settings
from trials.analysis.words import cochran_q, word_effects
from trials.errors import FitError
from trials.factors import Factor
from trials.measures import NONE
from trials.rounds.round import Round
from trials.tables import in_words

LEVEL = 0.05
_COLUMNS = ("day", "load", "bake", "role", "taster", "status", "reason", "note", "code")


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

    Parameters
    ----------
    data : Round or DataFrame
        A round whose scores are in, or a table with one row per tasting and columns taster and
        bake.
    response : str
        The "check all" measure: ticked words joined by semicolons, "none" where none was ticked;
        an empty cell is a tasting without a ballot.
    factors : sequence of Factor or str, optional
        Needed for a table.
    words : sequence of str
        The words on the ballot; a round knows its own. Left out, those that were ticked.
    liking : str, optional
        A score to hold the words against.
    seed : int
        For exact chances where the ways to deal the ticks are too many to count.

    Returns
    -------
    WordScores

    Raises
    ------
    FitError
        When a column is missing, no word was ticked, or a word is not on the ballot.

    References
    ----------
    Cochran 1950, Biometrika 37:256-266. Effects: :func:`trials.fit` on the share of each bake.
    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289-300, for q.

    Examples
    --------
    >>> table = pd.DataFrame({"bake": ["B01", "B02", "B03", "B04"] * 3, "rest": [20, 60] * 6,
    ...     "taster": ["Ada"] * 4 + ["Ben"] * 4 + ["Cleo"] * 4, "words": ["dry", "soft", "dry",
    ...     "soft; sweet", "dry", "none", "sweet", "soft", "dry", "soft", "dry", "sweet; soft"]})
    >>> found = word_scores(table, "words", ["rest"])
    >>> found.by_setting.query("word == 'soft'")[["setting", "ticked", "share"]].round(2)
      setting  ticked  share
    2      20       0   0.00
    3      60       5   0.83
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
        sentences=_sentences(effects, beside, liking),
        notes=_notes(lost, effects, differences),
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
        kept = kept[kept["role"] != "control"]
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


def _sentences(effects: pd.DataFrame, beside: pd.DataFrame, liking: str | None) -> tuple[str, ...]:
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


def _notes(lost: list[str], effects: pd.DataFrame, differences: pd.DataFrame) -> tuple[str, ...]:
    notes = [f"Nobody ticked {in_words(lost, 'or')}."] if lost else []
    if len(effects):
        notes.append(
            f"{len(effects)} effects were looked at; those named are such that no more than one in "
            "twenty of them would be chance."
        )
    if differences.empty:
        notes.append("Too few tasters had every bake to compare single bakes word by word.")
    return tuple(notes)
