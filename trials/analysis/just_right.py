"""Too little, just about right, too much: counts by setting, and what being off costs in liking."""

import html
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trials.analysis.asking import tidy_table
from trials.analysis.factor_columns import chosen_factors, in_order
from trials.analysis.group_columns import check_settings
from trials.analysis.words import penalties
from trials.errors import FitError
from trials.factors import Factor
from trials.rounds.round import Round
from trials.tables import in_words, percent

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

    Parameters
    ----------
    data : Round or DataFrame
        A round whose scores are in, or a table with one row per tasting and a column taster.
    response : str
        Scores from 1 to 5, 3 being just about right.
    factors : sequence of Factor or str, optional
        Needed for a table.
    liking : str, optional
        The score that a penalty is taken from; for a round its first measure of liking.

    Returns
    -------
    JustRight

    Raises
    ------
    FitError
        When a column is missing, nothing was scored, or a score is off the scale.

    References
    ----------
    ASTM MNL 63, penalty analysis; see :func:`trials.analysis.words.penalties` for its limits.

    Examples
    --------
    >>> table = pd.DataFrame({"sugar": [4, 12] * 3, "taster": ["Ada", "Ada", "Ben", "Ben", "Cleo",
    ...     "Cleo"], "sweetness": [2, 4, 3, 4, 1, 3]})
    >>> found = just_right(table, "sweetness", ["sugar"])
    >>> found.counts[["setting", "too little", "just about right", "too much"]]
      setting  too little  just about right  too much
    0     all           2                 2         2
    1       4           2                 1         0
    2      12           0                 1         2
    """
    table, used = tidy_table(data, factors)
    if isinstance(data, Round) and liking is None:
        hedonic = [measure.name for measure in data.measures if measure.kind == "hedonic"]
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
        kept = kept[kept["role"] != "control"]
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
