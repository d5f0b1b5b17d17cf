"""Bakes put in order by tasters: do they agree, and which settings come out in front."""

import html
from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from trials.analysis.asking import tidy_table
from trials.analysis.bake_means import bake_means
from trials.analysis.fitting import fit
from trials.analysis.results import Findings
from trials.errors import FitError
from trials.factors import Factor
from trials.rounds.round import Round
from trials.tables import in_words
from trials.tasting.ranks import RankingResult, ranking

LEVEL = 0.05
AHEAD = "share of the others it is ahead of"
_OF_TASTING = ("bake", "taster", "sitting", "position", "kind", "code", "note", "ranked", AHEAD)


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

    Parameters
    ----------
    data : Round or DataFrame
        A round whose scores are in, or a table with one row per sample and columns taster, bake
        and, where a taster ranked more than once, sitting.
    response : str
        Places, 1 for the first.
    factors : sequence of Factor or str, optional
        For a table: what the settings are; left out, only the agreement is tested.
    order : sequence of str, optional
        Bakes in the order expected before tasting, first to last: adds Page's test.

    Returns
    -------
    Rankings

    Raises
    ------
    FitError
        When a column is missing, or no taster ranked two samples together.

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
        sentences=_sentences(together, sets, findings),
        notes=_notes(together),
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


def _sentences(
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


def _notes(together: tuple[RankingResult, ...]) -> tuple[str, ...]:
    if together:
        return ("Places say which is preferred, not by how much.",)
    return (
        "No two tasters ranked the same bakes together, so their agreement can not be tested; the "
        "settings are compared by the share of the others that a bake is ahead of.",
    )
