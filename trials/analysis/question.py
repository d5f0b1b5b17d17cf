"""From a round or a table to the question put to it.

Rows, factors, groups, response, model, blocks.
"""

from collections.abc import Container, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.as_baked import as_baked, planned_of
from trials.analysis.mixed import RandomTerm, dependent_columns
from trials.analysis.slips import looked_over
from trials.base.arguments import checked_types
from trials.base.errors import FitError, MeasureError, Place, TrialsError
from trials.base.words import in_words, number, tidy_number
from trials.core.evidence import CONFIRMATION, ROUND, Evidence, Part, joined, levels_apart
from trials.core.factors import (
    RESERVED,
    Categorical,
    Component,
    Factor,
    Numeric,
    Varied,
    check_factors,
    check_name,
    group_names,
    is_blank,
)
from trials.core.measures import Measure, as_decided, measures_named
from trials.core.roles import STATUSES, WITHOUT_SCORE, Role
from trials.core.terms import Model, ModelMatrix, model_matrix, model_terms, parse_term
from trials.design.layout import FEW_DAYS
from trials.rounds.gathering import Gathered, gathered
from trials.rounds.round import Round, line_of
from trials.rounds.scores import keep_line, scores

# -- Columns as factors: a number over its range, or kinds, every setting read and checked.


MOST_KINDS = 12  # a text column with more kinds than this is hardly a factor


def chosen_factors(
    table: pd.DataFrame,
    factors: Sequence[Factor | str] | None,
    response: str,
    others: Iterable[str],
) -> tuple[Factor, ...]:
    """Return the factors that columns stand for; their settings in the table are read in place.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 60], "fat": ["lard", "butter"], "row": [1, 2]})
    >>> [type(one).__name__ for one in chosen_factors(table, ["rest", "fat"], "liking", ())]
    ['Numeric', 'Categorical']
    """
    if factors is None or isinstance(factors, str):
        taken = {response, "row", *others}
        known = in_words([name for name in table.columns if name not in taken], "or")
        raise FitError(f"say which columns are the factors: factors=[...] of {known}.")
    # A reference bake is a recipe of its own: its settings say nothing of what was varied
    own = table[table["role"] != Role.REFERENCE] if "role" in table else table
    own = table if own.empty else own
    chosen = tuple(_factor(own, one) if isinstance(one, str) else one for one in factors)
    check_factors(chosen)
    for factor in chosen:
        if factor.name == response:
            raise FitError(f'"{response}" can not explain itself; leave it out of the factors.')
        if factor.name not in table:
            raise FitError(f'there is no column "{factor.name}" for the factor of that name.')
        settings = _read_settings(own, factor)
        if settings.nunique() < 2:
            raise FitError(
                f'"{factor.name}" never moved: every row with a score has '
                f"{factor.show(settings.iloc[0])}. Score a bake at another setting, or leave it "
                "out of the factors."
            )
        rest = table[factor.name].drop(own.index)
        table[factor.name] = pd.concat([settings.astype(object), rest]).sort_index().infer_objects()
    return chosen


MOST_SHARES = 10  # columns of which every choice is looked at


def shares_recognised(
    table: pd.DataFrame, factors: Sequence[Factor | str] | None, notes: list[str]
) -> Sequence[Factor | str] | None:
    """Return the factors, columns that sum to one (or to 100) in every row as shares of a blend.

    Of such columns each is what the others leave, so as plain numbers one would have to go. Shares
    in per cent are read in place as parts of one. Columns of only noughts and ones name kinds.

    References
    ----------
    Scheffe 1958, J. R. Stat. Soc. B 20:344.

    Examples
    --------
    >>> rows = pd.DataFrame({"rye": [20, 40, 60], "oat": [30, 30, 10], "wheat": [50, 30, 30]})
    >>> shares_recognised(rows, ["rye", "oat", "wheat"], [])[0].levels
    (0.2, 0.6)
    """
    if factors is None or isinstance(factors, str):
        return factors
    if any(isinstance(one, Component) for one in factors):
        return factors
    own = table[table["role"] != Role.REFERENCE] if "role" in table else table
    named = [one for one in factors if isinstance(one, str) and one in table]
    columns = {name: pd.to_numeric(own[name], errors="coerce") for name in named}
    columns = {name: one for name, one in columns.items() if len(one) and (one >= 0).all()}
    if len(columns) > MOST_SHARES:
        return factors
    for size in range(len(columns), 1, -1):
        for chosen in combinations(columns, size):
            parts = pd.DataFrame({name: columns[name] for name in chosen})
            whole = next((one for one in (1.0, 100.0) if _sums_to(parts, one)), None)
            if whole is None or parts.isin([0.0, whole]).all(axis=None):
                continue
            for name in chosen:
                table[name] = pd.to_numeric(table[name], errors="coerce") / whole
            notes.append(
                f"{in_words(chosen)} sum to {whole:g} in every row, so they were taken as shares "
                "of a blend: one can only grow where the others shrink."
            )
            made = {name: Component(name, *_range(parts[name] / whole)) for name in chosen}
            return [made.get(one, one) if isinstance(one, str) else one for one in factors]
    return factors


def _sums_to(parts: pd.DataFrame, whole: float) -> bool:
    moved = bool((parts.max() > parts.min()).all())
    return moved and bool((abs(parts.sum(axis=1) - whole) < 1e-6 * whole).all())


def _range(shares: pd.Series) -> tuple[float, float]:
    low, high = float(shares.min()), float(shares.max())
    return float(f"{low:.12g}"), min(1.0, float(f"{high:.12g}"))


def in_order(settings: pd.Series, factor: Factor) -> list[Any]:
    """Return the settings that occur: numbers from low to high, kinds as the factor lists them.

    Examples
    --------
    >>> in_order(pd.Series(["lard", "butter"]), Categorical("fat", ["butter", "lard", "oil"]))
    ['butter', 'lard']
    """
    found = settings.drop_duplicates().tolist()
    if isinstance(factor, Categorical):
        return [level for level in factor.levels if level in found]
    return sorted(found)


def _read_settings(table: pd.DataFrame, factor: Factor) -> pd.Series:
    settings = []
    for row, value in zip(table["row"], table[factor.name], strict=True):
        try:
            settings.append(factor.read(value))
        except TrialsError as error:
            place = Place(row=int(row) + 1, column=factor.name)
            raise FitError(error.message, place) from None
    return pd.Series(settings, index=table.index)


def _is_infinite(value: object) -> bool:
    return str(value).strip().casefold().lstrip("+-") in ("inf", "infinity")


def _factor(table: pd.DataFrame, name: str) -> Factor:
    """Return the factor that a column is: a number over its range, or kinds."""
    check_name(name)
    if name not in table:
        known = in_words([str(column) for column in table.columns if column != "row"], "or")
        raise FitError(f'there is no column "{name}" for a factor; expected {known}.')
    column = table[name]
    if column.isna().any() or (column.astype(str).str.strip() == "").any():
        row = int(table["row"][column.isna() | (column.astype(str).str.strip() == "")].iloc[0])
        raise FitError("the setting is missing.", Place(row=row + 1, column=name))
    endless = column.map(_is_infinite).to_numpy(dtype=bool)
    if endless.any():
        row = int(table["row"][endless].iloc[0])
        raise FitError("the setting is infinite.", Place(row=row + 1, column=name))
    listed = ~column.map(lambda value: isinstance(value, Hashable)).to_numpy(dtype=bool)
    if listed.any():
        row = int(table["row"][listed].iloc[0])
        raise FitError(
            f"{column[listed].iloc[0]!r} is no setting; a number or a kind was expected.",
            Place(row=row + 1, column=name),
        )
    kinds = list(dict.fromkeys(column.tolist()))
    if not kinds:
        raise FitError(f'the table has no row, so "{name}" has no setting.')
    if len(kinds) < 2:
        raise FitError(f'"{name}" never moved: every row has {kinds[0]}. Leave it out.')
    numbers = [number(str(kind)) for kind in kinds]
    as_kinds = isinstance(column.dtype, pd.CategoricalDtype) or column.dtype == bool
    if not as_kinds and None not in numbers:
        values = [float(value) for value in numbers if value is not None]
        return Numeric(name, min(values), max(values))
    if len(kinds) > MOST_KINDS:
        raise FitError(
            f'"{name}" has {len(kinds)} different texts; a factor of kinds has a few. '
            "If it names tasters or bakes, give it as a group."
        )
    ordered = sorted(kinds, key=str)
    return Categorical(name, ordered)


# -- Repeat tastings: a second score of one bake by one taster is neither a bake nor a person.


OWN_VIEW = "taster/bake"  # the group: what one taster thinks of one bake
TASTING, READING = "tasting", "reading"  # one score of a bake: by someone, or off an instrument


def tasted_twice(table: pd.DataFrame) -> bool:
    """Say whether any taster scored any bake more than once.

    Examples
    --------
    >>> tasted_twice(pd.DataFrame({"taster": ["Ada", "Ada"], "bake": ["B01", "B01"]}))
    True
    """
    if not {"taster", "bake"} <= set(table.columns):
        return False
    pairs = table[["taster", "bake"]]
    return bool(pairs.notna().all(axis=None) and pairs.duplicated().any())


def without_echoes(table: pd.DataFrame, response: str, notes: list[str]) -> pd.DataFrame:
    """Return the scores without repeats, if every repeat only says again what was said.

    Repeats that agree to the last digit would make a taster look free of noise; each then counts
    once, and a note says so.

    Examples
    --------
    >>> said = pd.DataFrame({"taster": ["Ada"] * 3, "bake": ["B01", "B01", "B02"],
    ...                      "liking": [6.0, 6.0, 7.0]})
    >>> len(without_echoes(said, "liking", []))
    2
    """
    if not tasted_twice(table):
        return table
    spread = table.groupby(["taster", "bake"])[response].agg(np.ptp)
    if spread.max() > 0:
        return table
    notes.append("Every repeat tasting got the score of the first one; each counts once.")
    return table.drop_duplicates(["taster", "bake"]).reset_index(drop=True)


COPIED = "typed twice"  # what a note asks of scores that only copy others
FEWEST_COPIED = 4  # bakes on which two tasters agree in every step before it is no chance


def without_copies(
    table: pd.DataFrame, response: str, notes: list[str], measure: Measure | None = None
) -> pd.DataFrame:
    """Return the scores without those of tasters who only copy another, up to a step of their own.

    Two tasters are compared on the bakes that both scored, at least four: tasters who meet on
    fewer agree too often by chance. Every doubling of the pairs compared asks for one bake more,
    as about every second pair of near tasters agrees on one more bake too. What only a copy scored
    counts less its step. Of scores that are the same on every row of a bake one is left, whoever
    gave them: the others tell no error.

    Examples
    --------
    >>> said = pd.DataFrame({"taster": ["Ada", "Bo"] * 4, "bake": [1, 1, 2, 2, 3, 3, 4, 4],
    ...                      "liking": [6.0, 6.0, 7.0, 7.0, 5.0, 5.0, 7.0, 7.0]})
    >>> notes = []
    >>> without_copies(said, "liking", notes)["taster"].tolist()
    ['Ada', 'Ada', 'Ada', 'Ada']
    >>> notes[0].split(";")[0]
    'The scores of Ada and Bo are the same in every row (typed twice?)'
    """
    if "bake" not in table or table["bake"].isna().any() or table["bake"].is_unique:
        return table
    tasted = "taster" in table and bool(table["taster"].notna().all())
    # Of yes and no two honest tasters often say the same
    told = table[response].nunique() > 2
    named = tasted and told and (measure is None or measure.per == "tasting")
    if named:
        table = _without_copiers(table, response, notes)
    often = table.groupby("taster" if tasted else "bake")[response].transform("size")
    order = often.sort_values(ascending=False, kind="stable").index
    once = table.loc[order].drop_duplicates("bake").sort_index()
    apart = table.groupby("bake")[response].agg(np.ptp)
    if len(once) == len(table) or apart.max() > 0 or once[response].nunique() == 1:
        return table
    slip = "" if tasted else f" ({COPIED}, or one measure repeated?)"
    notes.append(
        f"{response[:1].upper()}{response[1:]} is the same in every row of a bake{slip}, so each "
        "bake counts with one score."
    )
    return once.reset_index(drop=True)


def _without_copiers(table: pd.DataFrame, response: str, notes: list[str]) -> pd.DataFrame:
    """Return the scores with tasters who copy one another as one taster; notes name them."""
    who, names = pd.factorize(table["taster"])
    bake, time = pd.factorize(table["bake"])[0], table.groupby(["taster", "bake"]).cumcount()
    tasted = np.zeros((bake.max() + 1, len(names)))
    tasted[bake, who] = 1
    met = tasted.T @ tasted
    pairs = int((np.triu(met, 1) >= FEWEST_COPIED).sum())
    if not pairs:
        return table
    enough = FEWEST_COPIED + np.ceil(np.log2(pairs))
    what = pd.factorize(pd.MultiIndex.from_arrays([bake, time]))[0]
    scores = np.full((what.max() + 1, len(names)), np.nan)
    scores[what, who] = table[response]
    table, gone, copies = table.copy(), np.zeros(len(table), dtype=bool), set[int]()
    for first in np.argsort(np.isnan(scores).sum(axis=0), kind="stable"):
        if first in copies:
            continue
        steps, more = {first: 0.0}, False
        for other in np.flatnonzero(met[first] >= enough):
            step = _step(scores[:, first], scores[:, other])
            if other == first or other in copies or step is None:
                continue
            steps[other] = step
            # What only the copy scored counts too, at the level of the taster they count as
            missed = (who == other) & np.isnan(scores[what, first])
            table.loc[missed, response] -= step
            table.loc[missed, "taster"] = names[first]
            scores[what[missed], first] = table.loc[missed, response]
            gone |= (who == other) & ~missed
            more |= bool(missed.any())
        copies |= set(steps)
        if len(steps) > 1:
            notes.append(_copied_words([str(names[one]) for one in sorted(steps)], steps, more))
    return table[~gone].reset_index(drop=True)


def _step(first: np.ndarray, other: np.ndarray) -> float | None:
    """Return how far one taster lies from another wherever both scored, if that is told."""
    both = ~np.isnan(first) & ~np.isnan(other)
    apart = other[both] - first[both]
    rounding = 1e-9 * max(float(np.abs(first[both]).max(initial=0)), 1.0)
    same = both.any() and np.ptp(first[both]) > 0 and np.ptp(apart) <= rounding
    return float(apart[0]) if same else None


def _copied_words(names: list[str], steps: Mapping[int, float], more: bool) -> str:
    how = "the same step apart" if any(steps.values()) else "the same"
    where = "on every bake they share" if more else "in every row"
    says = "the second says" if len(names) == 2 else "the others say"
    beyond = "" if more else f" {says} nothing that the first does not say, so"
    return (
        f"The scores of {in_words(names)} are {how} {where} ({COPIED}?);{beyond} they count as one "
        "taster."
    )


def tasters_apart(table: pd.DataFrame, response: str) -> bool:
    """Say whether how high each taster scores can be told from how single tastings differ.

    It can not where one level per bake and one per taster give back every score, as of guests who
    scored one bake each.

    Examples
    --------
    >>> said = pd.DataFrame({"taster": ["Ada", "Ada", "Bo"], "bake": [1, 2, 2],
    ...                      "liking": [6.0, 7.0, 5.0]})
    >>> tasters_apart(said, "liking")
    False
    """
    rounding = 1e-9 * max(float(table[response].abs().max()), 1.0)
    links: dict[tuple[str, Hashable], list[tuple[tuple[str, Hashable], float]]] = {}
    for bake, taster, score in zip(table["bake"], table["taster"], table[response], strict=True):
        here, who = ("bake", bake), ("taster", taster)
        links.setdefault(here, []).append((who, score))
        links.setdefault(who, []).append((here, score))
    level: dict[tuple[str, Hashable], float] = {}
    for start in links:
        waiting = [] if start in level else [start]
        level.setdefault(start, 0.0)
        while waiting:
            here = waiting.pop()
            for there, score in links[here]:
                left = score - level[here]
                if there not in level:
                    level[there] = left
                    waiting.append(there)
                elif abs(level[there] - left) > rounding:
                    return True
    return False


def own_views(table: pd.DataFrame, groups: Iterable[str]) -> tuple[str, ...]:
    """Return the group that keeps repeats within their taster and bake, where one is needed.

    Examples
    --------
    >>> twice = pd.DataFrame({"taster": list("AABBAB"), "bake": [1, 1, 1, 1, 2, 2]})
    >>> own_views(twice, ["bake", "taster"])
    ('taster/bake',)
    """
    if not ({"taster", "bake"} <= set(groups) and tasted_twice(table)):
        return ()
    pairs = len(table[["taster", "bake"]].drop_duplicates())
    alone = pairs in (table["bake"].nunique(), table["taster"].nunique())
    return () if alone else (OWN_VIEW,)


def is_of_tasting(source: str) -> bool:
    """Say whether a source of spread belongs to the scoring of a bake and not to the bake.

    Examples
    --------
    >>> is_of_tasting("taster"), is_of_tasting(READING), is_of_tasting("bake")
    (True, True, False)
    """
    # "single reading": what is left where a group is called "reading"
    return source.removeprefix("single ") in ("taster", TASTING, READING, OWN_VIEW)


# -- Columns that say what scores share: gaps in them filled, ids that name two things refused.


_ABOUT_AS_OFTEN = 2  # a number that stands more than twice as often as another is a score
NEVER_BLANK = ("day", "bake")  # a score without one of these belongs to no known bake
_OUTER = (("bake", "load"), ("bake", "day"), ("load", "day"))


def group_codes(table: pd.DataFrame, name: str) -> np.ndarray:
    """Return whole numbers for the levels of a group; "day/load" is load within day.

    Examples
    --------
    >>> group_codes(pd.DataFrame({"day": [1, 1, 2], "load": [1, 2, 1]}), "day/load")
    array([0, 1, 2])
    """
    columns = columns_of(table, name)
    return table.groupby(columns, sort=False, dropna=False).ngroup().to_numpy()


def columns_of(table: pd.DataFrame, name: str) -> list[str]:
    """Return the columns that a group is made of.

    Examples
    --------
    >>> columns_of(pd.DataFrame({"day": [1], "load": [1]}), "day/load")
    ['day', 'load']
    """
    if name in table:
        return [name]
    parts = name.split("/")
    missing = [part for part in parts if part not in table]
    if missing:
        known = in_words(map(str, table.columns), "or")
        raise FitError(f'groups names "{missing[0]}", which is no column; expected {known}.')
    return parts


def plain_groups(groups: Iterable[str], table: pd.DataFrame) -> tuple[str, ...]:
    """Return group names as the table has them: "Day/Load" is "day/load".

    Examples
    --------
    >>> plain_groups(["Bake", "oven"], pd.DataFrame({"bake": [1], "oven": [1]}))
    ('bake', 'oven')
    """
    return tuple(
        name
        if name in table
        else "/".join(
            part.strip().casefold() if part.strip().casefold() in RESERVED else part
            for part in name.split("/")
        )
        for name in groups
    )


def bake_group(groups: Iterable[str] | None) -> str:
    """Return the group whose levels are the bakes: "day/bake" where it was named so.

    Examples
    --------
    >>> bake_group(["day/bake", "taster"]), bake_group(None)
    ('day/bake', 'bake')
    """
    names = list(groups or ())
    within = [name for name in names if name.endswith("/bake") and name != OWN_VIEW]
    return within[0] if within and "bake" not in names else "bake"


def with_own_groups(table: pd.DataFrame, names: Iterable[str], notes: list[str]) -> pd.DataFrame:
    """Return the table with every gap in a group filled by a group of its own.

    A group with a few gaps must not vanish: its effects would be judged against the wrong unit.
    Columns without any entry stay as they are, as no groups at all.
    """
    filled = table.copy()
    for name in names:
        if name not in table:
            continue
        gaps = table[name].map(is_blank).to_numpy(dtype=bool)
        if not gaps.any() or gaps.all():
            continue
        if name in NEVER_BLANK:
            raise FitError(
                f"the {name} is missing, where other scores have one; fill it in.",
                Place(row=int(table["row"][gaps].iloc[0]) + 1, column=name),
            )
        unit = "bake" if name != "taster" and "bake" in table else "row"
        alone = table.loc[gaps, unit]
        filled[name] = table[name].astype(object)
        filled.loc[gaps, name] = [f"alone: {value}" for value in alone]
        notes.append(_gap_words(name, unit, alone.nunique()))
    return filled


def _gap_words(name: str, unit: str, count: int) -> str:
    things = {"bake": "bake", "row": "score"}[unit] + ("s" if count > 1 else "")
    verb = "name" if count > 1 else "names"
    return f"{count} {things} {verb} no {name}; each is taken as a {name} of its own."


def check_labels(table: pd.DataFrame) -> None:
    """Refuse a bake that stands in two loads, and ids that start again each day.

    Examples
    --------
    >>> check_labels(pd.DataFrame({"day": [1, 1, 2], "bake": ["B01", "B02", "B03"]}))
    """
    for inner, outer in _OUTER:
        if not {inner, outer} <= set(table.columns):
            continue
        pairs = table[[inner, outer]].dropna().drop_duplicates()
        twice = pairs[inner][pairs[inner].duplicated()]
        if len(twice):
            raise FitError(
                f'the {inner} "{twice.iloc[0]}" stands in more than one {outer}; a {inner} belongs '
                f"to one. If they are numbered anew in each {outer}, give every {inner} an id of "
                f"its own, or name the groups, as in {_example(table.columns, inner, outer)}."
            )


def _example(columns: Sequence[str], inner: str, outer: str) -> str:
    names = [name for name in ("day", "load", "bake", "taster") if name in columns]
    named = [f"{outer}/{inner}" if name == inner else name for name in names]
    return "groups=(" + ", ".join(f'"{name}"' for name in named) + ")"


def check_settings(table: pd.DataFrame, factors: Sequence[Factor], bake: str) -> None:
    """Refuse a bake whose rows disagree about a setting that belongs to the bake.

    A factor that varies within most of the bakes that have several rows belongs to the tasting
    (every bake served with and without icing), and may.

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> fat = Categorical("fat", ["butter", "oil"])
    >>> served = pd.DataFrame({"bake": ["B01", "B01"], "fat": ["butter", "oil"], "row": [1, 2]})
    >>> check_settings(served, [fat], "bake")
    """
    if "bake" not in table or table["bake"].map(is_blank).any():
        return
    bakes = group_codes(table, bake)
    several = np.bincount(bakes)[bakes] > 1
    own, bakes = table[several], bakes[several]
    for factor in factors:
        kinds = own[factor.name].groupby(bakes).nunique(dropna=False)
        differing = kinds.index[kinds > 1]
        if not 0 < len(differing) <= len(kinds) / 2:
            continue
        rows = own[bakes == differing[0]]
        shown = rows[factor.name].map(factor.show)
        usual = shown.mode(dropna=False)
        usual = shown.iloc[0] if shown.iloc[0] in set(usual) else usual.iloc[0]
        odd = rows[shown != usual]
        others = "its other rows" if len(odd) == 1 else "others of its rows"
        raise FitError(
            f"this row has {shown[odd.index[0]]}, but bake {rows['bake'].iloc[0]} has {usual} in "
            f"{others}; a bake has one setting. Correct the cell, or the bake.",
            Place(row=int(odd["row"].iloc[0]) + 1, column=factor.name),
        )


def unknown_bakes(
    table: pd.DataFrame, factors: Sequence[Factor], response: str, used: Sequence[str]
) -> str | None:
    """Return a warning where rows share settings, and nothing says which bake each came from."""
    if "bake" in table and not table["bake"].map(is_blank).all():
        return None
    own = table[table["role"] != Role.REFERENCE] if "role" in table else table
    settings = own.groupby([one.name for one in factors], dropna=False, sort=False).ngroup()
    shared = int(settings.duplicated(keep=False).sum())
    held = [group_codes(own, name) for name in used]
    if not shared or any(settings.groupby(unit).nunique().max() == 1 for unit in held):
        return None
    spare = {response, "row", *RESERVED, *(one.name for one in factors)}
    spare |= {part for name in used for part in columns_of(table, name)}
    labels = [name for name in own if name not in spare and _is_label(own[name], settings)]
    told = (
        f"{shared} rows share their settings with other rows, and no column says which bake each "
        "came from, so each row was taken as a bake of its own"
    )
    if not labels:
        return f'{told}. If a row is a tasting, add a column "bake": else verdicts are too sure.'
    named = ", ".join(f'"{name}"' for name in dict.fromkeys([*labels, *used]))
    return (
        f"{told}; {in_words(labels)} {'were' if len(labels) > 1 else 'was'} not used. If a row is "
        f"a tasting, verdicts are too sure: write groups=({named}{',' * (',' not in named)}), or "
        'call the column that names the bake "bake".'
    )


def _is_name(cell: object) -> bool:
    return isinstance(cell, Hashable) and not is_blank(cell)


def _is_label(column: pd.Series, settings: pd.Series) -> bool:
    """Say whether a column looks like the names of things that rows share, such as bottles.

    A label stands in several rows, about as often as any other, and does not only say a setting
    in other words.
    """
    if pd.api.types.is_bool_dtype(column) or not column.map(_is_name).all():
        return False
    counts = column.value_counts()
    if len(counts) < 2 or counts.min() < 2:
        return False
    if pd.api.types.is_numeric_dtype(column) and (
        (column % 1 != 0).any() or counts.max() > _ABOUT_AS_OFTEN * counts.min()
    ):
        return False
    by_setting = column.groupby(settings).nunique().max()
    return bool(by_setting > 1 or len(counts) == settings.nunique())


def check_unit(table: pd.DataFrame, used: tuple[str, ...], groups: Iterable[str] | None) -> None:
    """Refuse a fit that would take every tasting of one bake for a bake of its own."""
    if groups is None or "bake" not in table or table["bake"].isna().any():
        return
    columns = {part for name in used for part in columns_of(table, name)}
    if "bake" not in columns and table["bake"].duplicated().any():
        raise FitError(
            f"{table['bake'].nunique()} bakes were scored {len(table)} times; without the group "
            '"bake" every tasting would count as a bake. Add "bake" to groups, leave groups out, '
            "or average the scores of each bake first."
        )


# -- Which rows of a table hold a score, and which bakes gave none.


_LARGEST = 1e150  # squares of anything beyond leave the range of a double
_LISTED = 5  # bakes that a note names


def as_table(data: Any, but: str = "") -> pd.DataFrame:
    """Return a copy of what was given as a table, its names as text.

    The columns that every table of scores has (day, load, bake, role, taster, status) are known
    however they are written: "Bake", "TASTER".

    Examples
    --------
    >>> as_table({"Bake": ["B01"], "liking": [6]}).columns.tolist()
    ['bake', 'liking']
    """
    try:
        table = pd.DataFrame(data).copy()
    except (ValueError, TypeError):
        raise FitError(
            f"{_shown(data)} is no table of scores; give a round, or a table with one row per "
            "score and every column of one length, such as a pandas DataFrame."
        ) from None
    if not len(table.columns):
        raise FitError("there is no table: one row per score was expected, with named columns.")
    table.columns = _plainly_named([str(name) for name in table.columns], but)
    return table


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:40]}..."


def _plainly_named(names: Sequence[str], but: str) -> list[str]:
    """Return column names with those that every table of scores has in small letters."""
    plain: dict[str, str] = {}
    for kept in RESERVED:
        same = [name for name in names if name.strip().casefold() == kept and name != but]
        if len(same) > 1 and kept not in same:
            raise FitError(
                f"the columns {in_words(repr(name) for name in same)} could each be the {kept}; "
                "rename all but one."
            )
        if kept not in same:
            plain |= dict.fromkeys(same, kept)
    return [plain.get(name, name) for name in names]


def with_columns(
    table: pd.DataFrame, response: str, groups: Iterable[str] | None, *, numbered: bool = False
) -> pd.DataFrame:
    """Return a copy of a table with its names as text and `row`, the place of each score.

    Examples
    --------
    >>> with_columns(pd.DataFrame({"liking": [6, 7]}), "liking", None)["row"].tolist()
    [1, 2]
    """
    table = as_table(table, but=response)
    if response not in table:
        known = in_words(map(str, table.columns), "or")
        raise FitError(f'there is no column "{response}" to explain; expected {known}.')
    twice = table.columns[table.columns.duplicated()]
    if len(twice):
        raise FitError(f'the column "{twice[0]}" appears twice; give each its own name.')
    if groups is not None and isinstance(groups, str):
        raise FitError(f'groups is {groups!r}; give a list of names, such as ("bake", "taster").')
    if not numbered:
        table["row"] = range(1, len(table) + 1)
    return table.reset_index(drop=True)


def check_row(response: str, factors: Sequence[Factor | str], groups: Iterable[str]) -> None:
    """Refuse the name `row` for anything that was varied, scored or shared.

    Examples
    --------
    >>> check_row("liking", ["rest"], ["day"])
    """
    names = {response, *groups, *(one if isinstance(one, str) else one.name for one in factors)}
    if "row" in names:
        raise FitError(
            'the name "row" is kept for the place of a score in the table; call that column '
            'something else, such as "tray row".'
        )


def usable_rows(
    table: pd.DataFrame, response: str, notes: list[str], bake: str = "bake"
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows with a score, and the bakes that gave none with their reasons.

    Examples
    --------
    >>> table = pd.DataFrame({"liking": ["6,5", "", "7"], "row": [1, 2, 3]})
    >>> notes = []
    >>> usable_rows(table, "liking", notes)[0]["liking"].tolist(), notes
    ([6.5, 7.0], ['1 row without a score was left out.'])
    """
    pairs = zip(table[response], table["row"], strict=True)
    values = [_value(value, response, row) for value, row in pairs]
    table[response] = values
    failed = pd.DataFrame({"bake": [], "status": [], "reason": []})
    if "status" in table:
        table, failed = _without_failed(table, response, notes, bake)
    kept = table[table[response].notna()].reset_index(drop=True)
    if kept.empty:
        why = "every bake failed or was not served" if len(failed) else "every cell is empty"
        raise FitError(f'there is no score in "{response}": {why}.')
    if kept[response].nunique() == 1:
        raise FitError(
            f'every score in "{response}" is {kept[response].iloc[0]:g}; '
            "nothing varies, so nothing can be explained."
        )
    gone = _unscored(table, response)
    if gone:
        notes.append(f"{gone} row{'s' if gone > 1 else ''} without a score {_were(gone)} left out.")
    return kept, failed


def _without_failed(
    table: pd.DataFrame, response: str, notes: list[str], bake: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of bakes that were made and served, and one row of each other bake."""
    stated = ~table["status"].map(is_blank).to_numpy(dtype=bool)
    pairs = zip(table["status"], table["row"], strict=True)
    table["status"] = [_status(value, row) for value, row in pairs]
    named, units = table.assign(bake=table["row"].astype(str)), np.arange(len(table))
    if "bake" in table:
        gaps = table["bake"].map(is_blank)
        alone = "row " + (table["row"] + 1).astype(str)
        named = table.assign(bake=table["bake"].astype(object).mask(gaps, alone))
        units = group_codes(named, bake)
    _check_statuses(named[stated], units[stated])
    lost = table["status"].isin(WITHOUT_SCORE).to_numpy(dtype=bool)
    failed = named[lost & ~pd.Series(units).where(lost).duplicated().to_numpy()]
    gone = np.isin(units, units[lost])
    scores = int(table.loc[gone, response].notna().sum())
    if scores:
        notes.append(_lost_words(scores, failed, "bake" in table))
    return table[~gone], failed.reset_index(drop=True)


def _check_statuses(table: pd.DataFrame, units: np.ndarray) -> None:
    """Refuse a bake that is said to be two things; empty cells say nothing."""
    first = table["status"].groupby(units).transform("first")
    differs = (table["status"] != first).to_numpy(dtype=bool)
    if differs.any():
        row = table[differs].iloc[0]
        raise FitError(
            f"bake {row['bake']} is {row['status']} here and {first[differs].iloc[0]} in another "
            "of its rows; a bake has one status.",
            Place(row=int(row["row"]) + 1, column="status"),
        )


def _lost_words(scores: int, failed: pd.DataFrame, has_bakes: bool) -> str:
    names = failed["bake"] if has_bakes else "row " + (failed["row"] + 1).astype(str)
    told = [f"{name} ({said})" for name, said in zip(names, failed["status"], strict=True)]
    more = [f"{len(told) - _LISTED} more"] if len(told) > _LISTED else []
    which = in_words([*told[:_LISTED], *more])
    things = "1 score was" if scores == 1 else f"{scores} scores were"
    return f"{things} left out, as the bake failed or was not served: {which}."


def check_scale(table: pd.DataFrame, response: str, measure: Measure | None) -> None:
    """Refuse a score that is off the scale of its measure; means between two points are not.

    Examples
    --------
    >>> scored = pd.DataFrame({"liking": [6.5, 7], "row": [1, 2]})
    >>> check_scale(scored, "liking", Measure("liking", "hedonic 9"))
    """
    if measure is None or measure.low is None or measure.high is None:
        return
    off = ~table[response].between(measure.low, measure.high)
    if off.any():
        found = table[off].iloc[0]
        scale = f"{tidy_number(measure.low)} to {tidy_number(measure.high)}"
        raise FitError(
            f'{tidy_number(found[response])} is off the scale of "{measure.name}", {scale}. '
            "Correct the cell, or give the measure that it was scored on.",
            Place(row=int(found["row"]) + 1, column=response),
        )


def _unscored(table: pd.DataFrame, response: str) -> int:
    """Return how many rows of bakes that were made should hold this score and do not.

    In a table of tastings and bakes the rows of the other kind hold none by their nature.
    """
    if "taster" in table:
        tasted = table["taster"].notna()
        scored = table[response].notna()
        table = table[tasted == bool((tasted & scored).any())]
    return int(table[response].isna().sum())


def _were(count: int) -> str:
    return "were" if count > 1 else "was"


def _status(value: Any, row: int) -> str:
    """Return the status of a bake; an empty cell is one that was made."""
    said = "made" if is_blank(value) else str(value).strip().casefold()
    if said not in STATUSES:
        raise FitError(
            f"the status is {value!r}; expected {in_words(STATUSES, 'or')}.",
            Place(row=row + 1, column="status"),
        )
    return said


def _value(value: Any, response: str, row: int) -> float:
    if isinstance(value, str):
        found = number(value) if value.strip() else float("nan")
        if found is None:
            raise FitError(
                f"{value!r} is not a number. Correct the cell, or leave it empty if nothing "
                "was scored.",
                Place(row=row + 1, column=response),
            )
        return _reckoned(found, Place(row=row + 1, column=response))
    if value is None or value is pd.NA or value is pd.NaT:
        return float("nan")
    place = Place(row=row + 1, column=response)
    try:
        # A complex number would lose its second part with no more than a warning
        found = float("x" if isinstance(value, complex | np.complexfloating) else value)
    except (TypeError, ValueError):
        raise FitError(f"{_shown(value)} is not a number; scores are.", place) from None
    if np.isinf(found):
        raise FitError("the score is infinite.", place)
    return _reckoned(found, place)


def _reckoned(found: float, place: Place) -> float:
    if abs(found) > _LARGEST:
        raise FitError(
            f"{tidy_number(found)} is too large to be reckoned with; write the scores in a larger "
            "unit.",
            place,
        )
    return found


# -- From a table of scores to the question put to it: response, model, groups, blocks.
#
# Nothing is dropped without a word: what was left out, and why, is in the notes.


USUAL_GROUPS = ("day", "load", "bake", "taster")
_NEARLY_SAID = 1e-6  # of the spread of a column: what the others must leave of it
# Two factors set alike to a thousandth of what they vary: no kitchen sets them finer, so what is
# left between them is slips of the scale and nothing that was tried (a convention of ours)
_SET_ALIKE = 1e-3
REFERENCE_BAKE, CURVATURE = "reference bake", "middle-setting bake"


@dataclass(frozen=True, eq=False)
class Question:
    """A response, the model that is to explain it, and the rows that can.

    Parameters
    ----------
    response : str
    measure : Measure or None
    y : ndarray, shape (rows,)
    table : DataFrame
        The rows used, index 0..rows-1; `row` holds the place in the table that was given.
    factors : tuple of Factor
    matrix : ModelMatrix
        The columns of the terms that the rows can tell.
    proposed : ModelMatrix
        The columns of all terms that were asked for.
    nuisance : ndarray, shape (rows, columns)
        Fixed blocks and the one term of reference and of middle-setting bakes.
    nuisance_names : tuple of str
        Which block each nuisance column belongs to.
    groups : tuple of RandomTerm
        Random groups.
    failed : DataFrame
        Bakes that failed or were not served, with their reasons.
    notes : tuple of str
    model_named : bool
        Whether the model was asked for by name, not taken from the plan or by default.
    block : str or None
        The column whose levels are a fixed block: days, or rounds.
    joined : bool
        Whether several rounds speak.
    evidence : Evidence or None
        What the rows are from.
    """

    response: str
    measure: Measure | None
    y: np.ndarray
    table: pd.DataFrame = field(repr=False)
    factors: tuple[Factor, ...]
    matrix: ModelMatrix = field(repr=False)
    proposed: ModelMatrix = field(repr=False)
    nuisance: np.ndarray = field(repr=False)
    nuisance_names: tuple[str, ...]
    groups: tuple[RandomTerm, ...] = field(repr=False)
    failed: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()
    model_named: bool = False
    block: str | None = None
    joined: bool = False
    evidence: Evidence | None = field(default=None, repr=False)

    @property
    def margin(self) -> float | None:
        """What is worth noticing; None where nothing can be said to matter, as it was not blind."""
        blind = self.evidence is None or self.evidence.blind(self.response)
        return self.measure.margin if self.measure and blind else None

    @property
    def X(self) -> np.ndarray:
        """All fixed columns: the model's, then the nuisance ones."""
        return np.hstack([self.matrix.X, self.nuisance])


def question(
    table: pd.DataFrame,
    response: str,
    factors: Sequence[Factor | str] | None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    planned: Model = None,
    extra_groups: Iterable[str] = (),
    rounds: bool = False,
) -> Question:
    """Return the question that a table of scores can answer.

    With `rounds` its column "round" says from which of several each score is, and `row` where it
    stands among all of them.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 20, 60, 60], "liking": [5, 6, 7, 8]})
    >>> question(table, "liking", ["rest"], model="main").matrix.columns
    ('', 'rest')
    """
    if measure is not None and not measure.in_numbers:
        raise FitError(
            f'"{response}" holds words: they are counted, not averaged. Ask trials.fit what they '
            "say, and a measure in numbers this."
        )
    table = with_columns(table, response, groups, numbered=rounds)
    groups = None if groups is None else plain_groups(groups, table)
    check_row(response, factors or (), groups or ())
    notes: list[str] = []
    bake = bake_group(groups)
    kept, failed = usable_rows(table, response, notes, bake)
    if model is None or model in ("main", "interactions", "blend"):
        factors = shares_recognised(kept, factors, notes)
    check_scale(kept, response, measure)
    kept = with_own_groups(kept, _named_groups(groups, extra_groups), notes)
    if groups is None:
        kept = without_copies(without_echoes(kept, response, notes), response, notes, measure)
        check_labels(kept)
    before, factors = factors, as_baked(table, factors, notes, model)
    chosen = chosen_factors(kept, factors, response, (*USUAL_GROUPS, *extra_groups))
    planned = planned_of(planned, before, chosen)
    check_settings(_varied(kept), chosen, bake)
    matrix, nuisance, names = _fixed_part(kept, chosen, model, planned, notes)
    matrix = _without_twins(matrix, kept, model, notes)
    used = _group_names(kept, groups, extra_groups, chosen)
    if groups is None and {"bake", "taster"} <= set(used) and not tasters_apart(kept, response):
        used = tuple(name for name in used if name not in ("taster", OWN_VIEW))
        notes.append(
            "How high each taster scores can not be told here from how one tasting differs from "
            "the next; both count as the spread of tastings."
        )
    if groups != ():
        notes.extend(filter(None, [unknown_bakes(kept, chosen, response, used)]))
    block = None
    if rounds:
        kept, used, block = _rounds_apart(kept, used, groups, notes)
    elif groups is None:
        used, block = _days_apart(kept, used, notes)
    nuisance, names = _blocked(nuisance, names, block, kept)
    check_unit(kept, used, groups)
    proposed = matrix
    matrix, nuisance, names = _without_aliases(matrix, nuisance, names, kept, chosen, model, notes)
    return Question(
        response=response,
        measure=measure,
        y=kept[response].to_numpy(dtype=float),
        table=kept,
        factors=chosen,
        matrix=matrix,
        proposed=proposed,
        nuisance=nuisance,
        nuisance_names=names,
        groups=tuple(RandomTerm(name, group_codes(kept, name)) for name in used),
        failed=failed,
        notes=tuple(notes),
        model_named=model is not None,
        block=block,
        joined=rounds,
    )


def _varied(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows whose settings count: those of reference bakes do not."""
    return table[table["role"] != Role.REFERENCE] if "role" in table else table


def _named_groups(groups: Iterable[str] | None, extra_groups: Iterable[str]) -> list[str]:
    """Return every column that may be a group."""
    if groups is None:
        return list(dict.fromkeys([*USUAL_GROUPS, *extra_groups]))
    names = list(groups)
    return list(dict.fromkeys([*names, *(part for name in names for part in name.split("/"))]))


def _fixed_part(
    table: pd.DataFrame,
    factors: tuple[Factor, ...],
    model: Model,
    planned: Model,
    notes: list[str],
) -> tuple[ModelMatrix, np.ndarray, tuple[str, ...]]:
    terms = model_terms(planned if model is None else model, factors)
    role = table["role"] if "role" in table else pd.Series(Role.TRIAL.value, index=table.index)
    columns, names = [], []
    reference = (role == Role.REFERENCE).to_numpy()
    rows = np.where(reference & ~reference.all(), (~reference).argmax(), np.arange(len(table)))
    matrix = model_matrix(terms, factors, table.iloc[rows].reset_index(drop=True))
    if reference.any() and not reference.all():
        # A reference bake is its own setting: its factor columns are silenced, one term of its
        # own takes its level up, and only differences between days and loads are left to learn
        X = matrix.X.copy()
        X[np.ix_(reference, matrix.owner >= 0)] = 0
        matrix = ModelMatrix(X, matrix.terms, matrix.owner, matrix.columns)
        columns.append(reference.astype(float))
        names.append(REFERENCE_BAKE)
    centre = (role == Role.CENTRE).to_numpy()
    if centre.any() and not any(power > 1 for term in terms for _, power in term.powers):
        columns.append(centre.astype(float))
        names.append(CURVATURE)
        notes.append(
            "Middle-setting bakes stand apart from the straight-line model: they show whether "
            "the response bends, and how alike two bakes are."
        )
    block = np.column_stack(columns) if columns else np.empty((len(table), 0))
    return matrix, block, tuple(names)


def _group_names(
    table: pd.DataFrame,
    groups: Iterable[str] | None,
    extra_groups: Iterable[str],
    factors: Sequence[Factor],
) -> tuple[str, ...]:
    if groups is not None:
        names = tuple(dict.fromkeys(groups))
        for name in names:
            if pd.Series(group_codes(table, name)).nunique() < 2:
                raise FitError(f'the group "{name}" has one level only; leave it out.')
        return names
    own = {factor.name for factor in factors}
    present = [name for name in (*USUAL_GROUPS, *extra_groups) if name in table and name not in own]
    codes = {
        name: group_codes(table, name)
        for name in dict.fromkeys(present)
        if table[name].notna().all()
    }
    levels = {name: len(set(found)) for name, found in codes.items()}
    usable = [name for name in codes if 1 < levels[name] < len(table)]
    apart = tuple(name for name in usable if not _repeated(name, usable, codes))
    return apart + own_views(table, apart)


def _repeated(name: str, usable: Sequence[str], codes: dict[str, np.ndarray]) -> bool:
    """Say whether a later group splits the rows in the very same way."""
    later = usable[usable.index(name) + 1 :]
    pairs = ((codes[name], codes[other]) for other in later)
    return any(len(set(zip(a, b, strict=True))) == len(set(a)) == len(set(b)) for a, b in pairs)


def _days_apart(
    table: pd.DataFrame, groups: tuple[str, ...], notes: list[str]
) -> tuple[tuple[str, ...], str | None]:
    """Return the random groups, and "day" apart where its days are too few to be random."""
    if "day" in groups and table["day"].nunique() < FEW_DAYS:
        notes.append(
            f"The {table['day'].nunique()} days are taken as they are (a fixed block): "
            "differences between them change no verdict."
        )
        return tuple(name for name in groups if name != "day"), "day"
    return groups, None


def _rounds_apart(
    table: pd.DataFrame,
    used: tuple[str, ...],
    groups: Iterable[str] | None,
    notes: list[str],
) -> tuple[pd.DataFrame, tuple[str, ...], str | None]:
    """Return the random groups, and which column is a fixed block, where several rounds speak.

    Rounds are blocks as days are: fixed under five, random from five. Where days are a fixed block
    rounds need none, each being a sum of days; rounds of one and the same day share its level.
    """
    days = "day" in table and bool(table["day"].notna().all())
    table = table.assign(**{ROUND: _sharing_a_day(table) if days else table[ROUND].astype(str)})
    count = table[ROUND].nunique()
    few_days = days and table["day"].nunique() < FEW_DAYS
    one_to_one = [name for name in used if _alike(table, name, ROUND)]
    if groups is None and few_days:
        used = tuple(name for name in used if name != "day")
        if table["day"].nunique() == 1:
            return table, used, None
        named = ROUND if _alike(table, "day", ROUND) else "day"
        notes.append(_block_words(named, table[named].nunique()))
        return table, used, named
    if count < 2 or ROUND in used or (groups is not None and one_to_one):
        return table, used, None
    if count >= FEW_DAYS and groups != ():
        # With a day each, rounds and days are one grouping
        return table, (ROUND, *(name for name in used if name not in one_to_one)), None
    notes.append(_block_words(ROUND, count))
    return table, used, ROUND


def _block_words(name: str, count: int) -> str:
    return (
        f"The {count} {name}s are taken as they are (a fixed block): differences between them "
        "change no verdict."
    )


def _alike(table: pd.DataFrame, one: str, other: str) -> bool:
    """Say whether two groups split the rows in the very same way."""
    pairs = pd.DataFrame({"one": group_codes(table, one), "other": group_codes(table, other)})
    count = len(pairs.drop_duplicates())
    return count == pairs["one"].nunique() == pairs["other"].nunique()


def _sharing_a_day(table: pd.DataFrame) -> pd.Series:
    """Return the rounds of all rows, those that share a day under one name."""
    label = {name: name for name in table[ROUND].astype(str).unique()}
    for _, own in table[ROUND].astype(str).groupby(table["day"]):
        together = {label[name] for name in own.unique()}
        first = min(together, key=list(label).index)
        label = {name: first if known in together else known for name, known in label.items()}
    return table[ROUND].astype(str).map(label)


def _blocked(
    nuisance: np.ndarray, names: tuple[str, ...], block: str | None, table: pd.DataFrame
) -> tuple[np.ndarray, tuple[str, ...]]:
    if block is None:
        return nuisance, names
    codes = group_codes(table, block)
    count = int(codes.max()) + 1
    contrasts = np.vstack([np.eye(count - 1), -np.ones(count - 1)])[codes]
    return np.hstack([nuisance, contrasts]), names + (block,) * (count - 1)


def _without_aliases(
    matrix: ModelMatrix,
    nuisance: np.ndarray,
    names: tuple[str, ...],
    table: pd.DataFrame,
    factors: tuple[Factor, ...],
    model: Model,
    notes: list[str],
) -> tuple[ModelMatrix, np.ndarray, tuple[str, ...]]:
    """Return columns that the rows can tell apart, the terms that had to go being named."""
    keep = [n for n in range(nuisance.shape[1]) if n not in _told(matrix, nuisance)]
    nuisance, names = nuisance[:, keep], tuple(names[n] for n in keep)
    lead = (matrix.owner < 0).sum()
    whole = np.hstack([matrix.X[:, :lead], nuisance, matrix.X[:, lead:]])
    repeated = [column - nuisance.shape[1] for column in _repeating(whole)]
    gone = {int(matrix.owner[column]) for column in repeated if column >= lead}
    if not gone:
        return matrix, nuisance, names
    lost = [matrix.terms[position] for position in sorted(gone)]
    words = in_words(f'"{term.name}"' for term in lost)
    others = _mixed_with(matrix, nuisance, gone)
    if model is not None:
        raise FitError(
            f"the {_units(table)} can not tell {words} apart from {others}; "
            "leave terms out, or bake the settings that are missing."
        )
    notes.append(f"{words} can not be told apart from {others} in these bakes and was left out.")
    return _less(matrix, gone), nuisance, names


def _mixed_with(matrix: ModelMatrix, nuisance: np.ndarray, gone: Container[int]) -> str:
    """Return by name what the terms that had to go can not be told apart from."""
    went = np.array([int(owner) in gone for owner in matrix.owner])
    kept = matrix.owner[~went]
    beside = np.hstack([matrix.X[:, ~went], nuisance])
    share = np.linalg.lstsq(beside, matrix.X[:, went], rcond=None)[0][: len(kept)]
    held = kept[(np.abs(share).max(axis=1) > 1e-6) & (kept >= 0)]
    names = [f'"{matrix.terms[owner].name}"' for owner in dict.fromkeys(held.tolist())]
    return in_words([*names[:4], f"{len(names) - 4} more"] if len(names) > 4 else names) or (
        "what differs between days, tasters or batches"
    )


def _less(matrix: ModelMatrix, gone: Container[int]) -> ModelMatrix:
    """Return a matrix without some of its terms, which go by their places."""
    kept = [place for place in range(len(matrix.terms)) if place not in gone]
    columns = [n for n, place in enumerate(matrix.owner) if int(place) not in gone]
    places = {old: new for new, old in enumerate(kept)}
    return ModelMatrix(
        matrix.X[:, columns],
        tuple(matrix.terms[place] for place in kept),
        np.array([places.get(int(matrix.owner[c]), -1) for c in columns]),
        tuple(matrix.columns[c] for c in columns),
    )


def _without_twins(
    matrix: ModelMatrix, table: pd.DataFrame, model: Model, notes: list[str]
) -> ModelMatrix:
    """Return the model less every factor that only ever moved together with an earlier one.

    Their two effects would each be the difference of two huge numbers. A model that was named is
    refused further on if it holds one and the same column twice.

    References
    ----------
    Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 3 (what collinear columns do).
    """
    if not (matrix.owner < 0).any():
        return (
            matrix  # without an intercept, as in a blend, shares that fill each other up are told
        )
    moved = (table["role"] != Role.REFERENCE).to_numpy() if "role" in table else slice(None)
    single = [
        (term.factors[0], matrix.X[moved, matrix.of(term)[0]])
        for term in matrix.terms
        if term.order == 1 and len(matrix.of(term)) == 1
    ]
    columns = [(name, column - column.mean()) for name, column in single]
    twins: dict[str, str] = {}
    for place, (name, column) in enumerate(columns):
        for other, before in columns[:place]:
            size = float(np.linalg.norm(column))
            if other in twins or not size or not np.any(before):
                continue
            left = column - before * (before @ column) / (before @ before)
            share = float(np.linalg.norm(left)) / size
            if share < _SET_ALIKE and (model is None or share >= _NEARLY_SAID):
                twins[name] = other
                break
    for name, other in twins.items():
        notes.append(
            f'"{other}" and "{name}" moved together in all {_units(table)}, so their effects can '
            f'not be told apart. "{name}" was left out, and what is said of "{other}" may be its '
            "doing. Bake them apart: one high where the other is low."
        )
    return _less(
        matrix,
        {place for place, term in enumerate(matrix.terms) if set(term.factors) & set(twins)},
    )


def _repeating(X: np.ndarray) -> list[int]:
    """Return the columns that say, but for a millionth, only what those before them say.

    Two columns that differ by one slip of the pen would share an effect of millions between them.
    What is left of a column is set against its spread, so that no offset hides it.
    """
    repeated = dependent_columns(X)
    constant = bool(len(X)) and bool(np.any(np.ptp(X, axis=0) == 0))
    centred = X - X.mean(axis=0) if constant else X
    while True:
        kept = [n for n in range(X.shape[1]) if n not in repeated and np.any(centred[:, n])]
        sizes = np.linalg.norm(centred[:, kept], axis=0)
        left = np.abs(np.diag(np.linalg.qr(centred[:, kept] / sizes, mode="r")))
        near = np.flatnonzero(left < _NEARLY_SAID)
        if not len(near):
            return sorted(repeated)
        repeated.append(kept[near[0]])


def _told(matrix: ModelMatrix, nuisance: np.ndarray) -> set[int]:
    """Return the nuisance columns that the intercept and one another already say."""
    lead = int((matrix.owner < 0).sum())
    block = np.hstack([matrix.X[:, :lead], nuisance])
    return {column - lead for column in dependent_columns(block)}


def _units(table: pd.DataFrame) -> str:
    if "bake" in table and table["bake"].notna().all():
        return f"{table['bake'].nunique()} bakes"
    return f"{len(table)} rows"


# -- Evidence from rounds and tables, and the question put to it: the door to every analysis.


Known = Any  # a Round, a list of rounds or tables, any tidy table, or Evidence


@checked_types(FitError)
def evidence(
    data: Known,
    factors: Sequence[Varied | str] | None = None,
    measures: Measure | str | Sequence[Measure | str] | None = None,
    *,
    held: Mapping[str, Any] | None = None,
    alone: bool = False,
    outside_range: bool = False,
) -> Evidence:
    """Gather everything that is known into one record, rounds joined by one rule.

    A round stands with the rounds before it. Factors are those of all plans over the widest range;
    a factor that a round did not vary stands at `held`, else at what its formula says, else that
    round is left out and said so first. Rounds of which nothing is baked wait. Nothing is written.

    Parameters
    ----------
    data : Round, sequence of rounds or tables, DataFrame, or Evidence
        A list is taken as given, without the rounds before. A table whose column "round" holds
        several is taken as several tables. Evidence comes back as it is.
    factors : sequence of Factor or str, optional
        Needed for tables; a name stands for the column as it is.
    measures : Measure or sequence of Measure, optional
        The scales of a table's columns, with what is worth noticing; rounds bring their own.
    held : mapping, optional
        Factor -> its setting in rounds that did not vary it.
    alone : bool
        Take a round without the rounds before it.
    outside_range : bool
        Of a table, settings outside the range that their factor was given were really so; else
        they are refused as slips. In a round they are used, with a note.

    Returns
    -------
    Evidence
        Its table, factors over their widest ranges, measures, notes on all that was left out, and
        a short digest by which two answers can be told to rest on the same scores.

    Raises
    ------
    FitError
        When a factor changes its kind, its unit or what it changes in the formula, or no round
        tells the settings of all factors. Of a table also for what can only be a slip: a setting
        outside its range, yes for a score, bakes called B01 and b01.
    RoundError
        When the round before is not where it was; `alone=True` does without it.
    SheetError
        When the sheets of a round hold mistakes.

    References
    ----------
    Cochran & Cox 1957, Experimental Designs, ch. 14 (series of experiments).

    Examples
    --------
    >>> one = pd.DataFrame({"rest": [20, 40] * 3, "spread": [60, 62, 61, 63, 60, 62.5]})
    >>> two = pd.DataFrame({"rest": [30, 60] * 3, "spread": [66, 69, 67, 70, 66, 69.5]})
    >>> known = evidence([one, two], ["rest"])
    >>> known.rounds, known.factors[0].high
    (('1', '2'), 60.0)
    """
    found = evidence_of(
        data, listed_factors(factors), measures, held, alone, outside_range=outside_range
    )
    return _read_through(found) if any(isinstance(one, str) for one in found.factors) else found


def kept_evidence(
    round_: Round, *, held: Mapping[str, Any] | None = None, alone: bool = False
) -> Evidence:
    """Return the evidence of a round for a command, which keeps what it read under `received/`."""
    line = (round_,) if alone else line_of(round_)
    return evidence(list(keep_line(line)), held=held)


def of_folder(data: Known) -> Known:
    """Return what is known as it was given; of a folder the round that lies in it."""
    return Round.open(data) if isinstance(data, str | Path) else data


def evidence_of(
    data: Known,
    factors: Sequence[Factor | str] | None = None,
    measures: Measure | str | Sequence[Measure | str] | None = None,
    held: Mapping[str, Any] | None = None,
    alone: bool = False,
    but: str = "",
    outside_range: bool = False,
    groups: Iterable[str] | None = None,
) -> Evidence:
    """Return evidence whose factors may still be the names of columns."""
    if isinstance(data, Evidence):
        if factors is None and not held:
            for one in data.parts if but else ():
                _looked_at(one, data.given, but)
            return data
        chosen = data.given if factors is None else factors
        return joined([_looked_at(one, chosen, but) for one in data.parts], chosen, held=held)
    asked = measures_named(measures)
    data = of_folder(data)
    parts: Sequence[Part]
    if isinstance(data, Round):
        line = (data,) if alone else line_of(data)
        parts = [_part_of(one) for one in line]
    elif isinstance(data, list | tuple) and any(
        isinstance(one, Round | Gathered | pd.DataFrame) for one in data
    ):
        parts = [
            _part_of_any(n, one, factors, asked, but, outside_range)
            for n, one in enumerate(data, start=1)
        ]
    else:
        table = as_table(data, but)
        own = tuple(part for name in groups or () for part in name.split("/"))
        slips = looked_over(
            table,
            factors or (),
            asked,
            scored=but,
            groups=() if isinstance(groups, str) else own,
            outside_range=outside_range,
        )
        first, *more = _parts_of_table(table, factors, asked)
        parts = [replace(first, slips=slips, outside_range=outside_range), *more]
    return joined(parts, factors, held=held)


def _looked_at(part: Part, factors: Sequence[Factor | str] | None, scored: str) -> Part:
    """Return a table's part looked over anew for factors it was not gathered with."""
    if part.planned is not None:
        return part
    slips = looked_over(
        part.table,
        factors or (),
        part.measures,
        scored=scored,
        outside_range=part.outside_range,
    )
    return replace(part, slips=slips)


def _part_of_any(
    place: int,
    data: Any,
    factors: Sequence[Factor | str] | None,
    measures: tuple[Measure, ...],
    scored: str,
    outside_range: bool,
) -> Part:
    if isinstance(data, Round | Gathered):
        return _part_of(data)
    if not isinstance(data, pd.DataFrame):
        raise FitError(
            f"number {place} of the list is a {type(data).__name__}; give a Round or a table."
        )
    table = as_table(data)
    slips = looked_over(
        table,
        factors or (),
        measures,
        scored=scored,
        outside_range=outside_range,
        called=f"table {place}",
    )
    part = _part_of_table(str(place), table, factors, measures)
    return replace(part, slips=slips, outside_range=outside_range)


def _parts_of_table(
    table: pd.DataFrame,
    factors: Sequence[Factor | str] | None,
    measures: tuple[Measure, ...],
) -> list[Part]:
    """Return a table as one part, or as several where it names rounds."""
    known = {one if isinstance(one, str) else one.name for one in factors or ()}
    columns = table.columns
    if ROUND not in columns or ROUND in known or columns.duplicated().any():
        return [_part_of_table("1", table, factors, measures)]
    rounds = table[ROUND]
    if rounds.map(is_blank).any() or rounds.nunique() < 2:
        return [_part_of_table("1", table, factors, measures)]
    return [
        _part_of_table(str(name), own, factors, measures)
        for name, own in table.groupby(ROUND, sort=False)
    ]


def _part_of_table(
    name: str,
    table: pd.DataFrame,
    factors: Sequence[Factor | str] | None,
    measures: tuple[Measure, ...],
) -> Part:
    own = [one for one in factors or () if not isinstance(one, str)]
    groups = tuple(one for one in dict.fromkeys(["load", *group_names(own)]) if one in table)
    kept = tuple(one for one in measures if one.name in table)
    return Part(name, table, tuple(factors or ()), kept, groups=groups)


def _part_of(data: Round | Gathered) -> Part:
    """Return what a round says, read once."""
    found = gathered(data) if isinstance(data, Round) else data
    round_ = found.round_
    plan = round_.plan
    scored = {one.name for one in round_.measures}
    return Part(
        name=round_.name,
        table=_places_as_shares(scores(found), round_.measures),
        factors=plan.factors,
        measures=tuple(map(as_decided, round_.measures)),
        planned=plan.table,
        model=plan.model,
        groups=plan.groups,
        formula=round_.formula,
        excluded=plan.excluded,
        confirms=bool(round_.parent) and plan.family == CONFIRMATION,
        same_day=bool(round_.parent) and bool(plan.details.get("same_day")),
        slips=tuple(
            (note.place.column if note.place.column in scored else "", str(note))
            for note in found.notes
            if note.slip
        ),
        parents=plan.details.get("parents", {}),
    )


def _places_as_shares(table: pd.DataFrame, measures: Sequence[Measure]) -> pd.DataFrame:
    """Return scores with each ranking that decides as the share of the others a piece is ahead of.

    A place says how many pieces of the same sitting stand behind, so sittings of any size compare.
    """
    for measure in measures:
        if as_decided(measure) == measure:
            continue
        ranked = table[table[measure.name].notna()]
        place = ranked[measure.name].astype(float)
        others = place.groupby([ranked["taster"], ranked["sitting"]]).transform("size") - 1
        share = 100 * (others + 1 - place) / others.where(others > 0)
        table = table.assign(**{measure.name: share.reindex(table.index)})
    return table


def _read_through(found: Evidence) -> Evidence:
    """Return evidence whose factors are factors: each name read from its column."""
    own = _varied(found.table.assign(row=range(1, len(found.table) + 1)))
    factors = tuple(_factor(own, one) if isinstance(one, str) else one for one in found.factors)
    return replace(found, factors=check_factors(factors))


def question_of(
    data: Known,
    response: str,
    factors: Sequence[Varied | str] | None = None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    held: Mapping[str, Any] | None = None,
    alone: bool = False,
    outside_range: bool = False,
) -> Question:
    """Return the question that evidence is asked about one response.

    Rounds bring their own factors (those that moved), measures, terms and groups.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 20, 60, 60], "liking": [5, 6, 7, 8]})
    >>> question_of(table, "liking", ["rest"], model="main").matrix.columns
    ('', 'rest')
    """
    factors, groups = _checked(response, factors, model, groups, measure)
    named = None if isinstance(factors, str) else factors
    known = evidence_of(
        data,
        named,
        measure,
        held,
        alone,
        but=response,
        outside_range=outside_range,
        groups=groups,
    )
    measure = measure or known.measure(response)
    if measure is None and known.of_rounds:
        scored = in_words((one.name for one in known.measures), "or")
        raise MeasureError(f'nothing called "{response}" is scored; expected {scored}.')
    table = _table_to_ask(known, response)
    used = factors if factors is not None else _moving(known, table, response)
    asked = question(
        table,
        response,
        used or None,
        model=model,
        groups=groups,
        measure=measure,
        planned=_planned_terms(known, table, used, response) if model is None else None,
        extra_groups=[name for name in known.groups if name != "load"],
        rounds=known.several,
    )
    names = {factor.name: factor for factor in asked.factors}
    whole = tuple(
        names.get(one if isinstance(one, str) else one.name, one) for one in known.factors
    )
    known = replace(known, factors=tuple(one for one in whole if not isinstance(one, str)))
    return replace(asked, evidence=known, notes=(*known.notes_on(response), *asked.notes))


def _table_to_ask(known: Evidence, response: str) -> pd.DataFrame:
    """Return the rows that can answer: of several rounds those that asked the question."""
    if not known.several:
        return known.rows
    table = known.table.reset_index(drop=True)
    if response not in table:
        return table
    table["row"] = range(1, len(table) + 1)
    speaking = table.loc[~table[response].map(is_blank).astype(bool), ROUND].unique()
    table = table[table[ROUND].isin(speaking)].reset_index(drop=True)
    if "role" in table:
        apart = table["role"].isin(known.own_roles) | (table["role"] == Role.TRIAL)
        table["role"] = table["role"].where(apart, Role.TRIAL.value)
    return table


def _moving(known: Evidence, table: pd.DataFrame, response: str) -> Sequence[Factor | str] | None:
    """Return the factors that moved: as planned, and in several rounds among what was scored."""
    if known.given is not None or not known.of_rounds:
        return known.factors or None
    moved = [one for one in known.factors if one.name in known.varied]
    if not known.several or response not in table:
        return moved or None
    own = _varied(table)
    own = own[~own[response].map(is_blank).astype(bool)]
    own = own[~own["status"].isin(WITHOUT_SCORE)] if "status" in own else own
    return [one for one in moved if own[one.name].nunique() > 1] or None


def _planned_terms(
    known: Evidence, table: pd.DataFrame, factors: Sequence[Factor | str] | None, response: str
) -> Model:
    """Return the terms that the plans name; over several rounds with bends at three levels."""
    given = known.given is not None or factors is None
    if not known.several:
        return None if given else known.terms
    if response not in table or not factors:
        return None
    own = _varied(table)
    own = own[~own[response].map(is_blank).astype(bool)]
    own = own[own["role"] != Role.CENTRE] if "role" in own else own
    whole = [_factor(own.assign(row=0), one) if isinstance(one, str) else one for one in factors]
    names = [one.name for one in whole]
    terms: Model = None
    if not given and known.terms is not None and not isinstance(known.terms, str):
        everyone = [one.name for one in known.factors]
        parsed = (parse_term(text, everyone) for text in known.terms)
        terms = [term.name for term in parsed if set(term.factors) <= set(names)]
    planned = [term.name for term in model_terms(terms, whole)]
    if any(isinstance(one, Component) for one in whole):
        return planned
    bends = [
        f"{one.name}^2"
        for one in whole
        if isinstance(one, Numeric) and levels_apart(one, own[one.name]) > 2
    ]
    return list(dict.fromkeys([*planned, *bends]))


def tidy_table(
    data: Known, factors: Sequence[Factor | str] | None = None
) -> tuple[pd.DataFrame, Sequence[Factor | str] | None]:
    """Return the tidy scores and the factors: those given, else those of rounds that moved.

    Examples
    --------
    >>> tidy_table(pd.DataFrame({"rest": [20, 60]}), ["rest"])[1]
    ['rest']
    """
    known = evidence_of(data, None if isinstance(data, Evidence) else factors)
    table = known.table if known.several else known.rows
    if factors is not None:
        return table, factors
    moved = [one for one in known.factors if one.name in known.varied]
    return table, (moved if known.of_rounds else known.factors) or None


def listed_factors(factors: Any) -> Any:
    """Return factors and columns as a list once they are such (one word or None as it is)."""
    kinds = (str, Numeric, Categorical, Component)
    return _listed("factors", factors, kinds, 'a list of columns or factors, such as ["fat"]')


def _checked(
    response: Any, factors: Any, model: Any, groups: Any, measure: Any
) -> tuple[Sequence[Factor | str] | None, Iterable[str] | None]:
    """Return the factors and groups as lists, once all that was asked with is of its kind."""
    if not isinstance(response, str):
        raise FitError(
            f"the response is {response!r}; give the name of its column as text, such as "
            f'"{response if isinstance(response, int) else "liking"}".'
        )
    if measure is not None and not isinstance(measure, Measure):
        raise FitError(
            f"measure is {measure!r}; give a measure, such as "
            f'trials.Measure("{response}", "hedonic 9"), or leave it out.'
        )
    if measure is not None and measure.name.casefold() != response.casefold():
        raise FitError(
            f'the measure is "{measure.name}" but the response is "{response}"; its scale and '
            "what is worth noticing on it are those of another. Give the response's own."
        )
    _listed("model", model, str, '"interactions", or a list of terms such as ["fat"]')
    chosen = listed_factors(factors)
    # One word of groups is refused, with its mending, where the table is read
    return chosen, _listed("groups", groups, str, 'a list of names, such as ("bake", "taster")')


def _listed(name: str, given: Any, kinds: Any, expected: str) -> Any:
    """Return what was given as a list (one word or None as it is), each of the right kind."""
    if given is None or isinstance(given, str):
        return given
    if not isinstance(given, Iterable):
        raise FitError(f"{name} is {given!r}; expected {expected}.")
    found = list(given)
    for one in found:
        if not isinstance(one, kinds):
            raise FitError(
                f"{name} holds {one!r}, where a name was expected; write names as text, such as "
                f'"{one if isinstance(one, int) else "fat"}".'
            )
    return found
