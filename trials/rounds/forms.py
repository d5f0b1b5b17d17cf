"""The forms of a round.

Their columns and rows, the mark on every sheet, the name that tasters see.
"""

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import MeasureError, Place, SheetError
from trials.base.files import read_csv
from trials.base.keeping import sound_path
from trials.base.words import in_words, number, tidy_number
from trials.core.factors import Categorical, Factor
from trials.core.measures import Measure
from trials.core.plan import Plan, kitchen_group
from trials.core.roles import STATUSES
from trials.core.scales import Text
from trials.recipe.formula import Formula
from trials.rounds.mixing import in_place_of
from trials.rounds.round import SERVING, Round, check_written, kept_copy, plan_before, read_settings

# -- The mark on every sheet of a round, by which a sheet of another round is told and refused.


# Letters that make no word, no month and no number, so that no spreadsheet alters the mark.
_LETTERS = "bcdfghjklmnpqrstvwxz"
_DIGITS = 12  # of a setting: more than any kitchen sets, fewer than a double holds


def round_mark(round_: Round) -> str:
    """Return the mark that tells this round's sheets from those of any other round.

    It covers the round's name, its seed (and so its codes), its factors by name, and each bake's
    name with its settings. It does not cover the order of the bakes, their days and loads, how
    settings are displayed, or bakes that were added to make a lost one again: a round that is
    replanned keeps its mark, and sheets handed out before stay good for the bakes they name.
    """
    rows = first_planned(round_.plan)
    settings = [[f.name, *map(_raw, rows[f.name].tolist())] for f in round_.plan.factors]
    return _mark(round_, rows, settings)


def added_bakes(plan: Plan) -> frozenset[str]:
    """Return the bakes that a replanned round makes again under new names, or makes as well."""
    return frozenset(
        map(str, [*plan.details.get("rebaked", {}), *plan.details.get("made besides", ())])
    )


def first_planned(plan: Plan) -> pd.DataFrame:
    """Return the bakes that a plan had from the start, by name and as they were planned then."""
    rows = plan.rows[~plan.rows["bake"].isin(added_bakes(plan))]
    rows = rows.sort_values("bake", kind="stable", ignore_index=True)
    for bake, own in plan.details.get("was", {}).items():
        here = rows.index[rows["bake"] == bake]
        for factor in plan.factors:
            if factor.name in own and len(here):
                rows.loc[here[0], factor.name] = factor.read(own[factor.name])
    return rows


def older_marks(round_: Round) -> frozenset[str]:
    """Return the marks that earlier versions would have put on this round's sheets.

    They covered the bakes in their order, and the settings as they were displayed: per cent once
    without a space.
    """
    plan, found = round_.plan, set()
    before = plan_before(round_)
    if before is not None:
        # Edited by hand: the cells that differ are named, one by one
        before = first_planned(replace(plan, rows=before))
        own = [[one.name, *map(_raw, before[one.name].tolist())] for one in plan.factors]
        found.add(_mark(round_, before, own))
    for rows in (plan.rows, first_planned(plan)):
        shown = [
            [factor.show(value) for value in rows[factor.name].tolist()] for factor in plan.factors
        ]
        close = [[_close(text) for text in own] for own in shown]
        found |= {_mark(round_, rows, settings) for settings in (shown, close)}
    return frozenset(found)


def _close(text: str) -> str:
    return f"{text.removesuffix(' %')}%" if text.endswith(" %") else text


def _raw(value: Any) -> str:
    """Return a setting as it is, not as it is shown; nothing where a bake has none."""
    if pd.isna(value):
        return ""
    if isinstance(value, int | float | np.number) and not isinstance(value, bool):
        return tidy_number(float(value), _DIGITS)
    return str(value)


def _mark(round_: Round, rows: pd.DataFrame, settings: Iterable[Iterable[str]]) -> str:
    named = [round_.name, str(round_.seed), "|".join(rows["bake"])]
    return _letters([*named, *map("|".join, settings)])


def _letters(lines: Iterable[str]) -> str:
    digest = hashlib.sha256("\n".join(lines).encode("utf-8")).digest()
    return "r" + "".join(_LETTERS[byte % len(_LETTERS)] for byte in digest[:8])


# -- What a round is called where tasters see it: never by what varies or what is mixed.


BLIND_NAME = "Tasting"
# "round 2" alone gives nothing away
_NUMBER = re.compile(r"\bround \d+\b", re.IGNORECASE)
# Words of settings and ingredients that are in every kitchen's mouth and tell nothing
_EMPTY = frozenset({"and", "for", "with", "the", "all", "per", "from", "first", "second", "round"})


def blind_name(round_: Round) -> str:
    """Return the round's name for tasters: its own, or a neutral one where that would tell.

    A name tells when it shares a word with a factor, a level, a part of the formula or an
    ingredient. What is left of it then is its number.
    """
    if not _words([round_.name]) & _telling(round_):
        return round_.name
    number = _NUMBER.search(round_.name)
    return f"{BLIND_NAME}, {number.group().lower()}" if number else BLIND_NAME


def _telling(round_: Round) -> set[str]:
    """Return every word that would tell a taster something."""
    said = [factor.name for factor in round_.plan.factors]
    for factor in round_.plan.factors:
        if isinstance(factor, Categorical):
            said += [str(level) for level in factor.levels]
        said += [one for one in (factor.changes or ())[1:] if isinstance(one, str)]
        formulas = [one for one in factor.changes or () if isinstance(one, Formula)]
        said += [word for formula in formulas for word in _of_formula(formula)]
    if round_.formula:
        said += _of_formula(round_.formula)
    return _words(said)


def _of_formula(formula: Formula) -> list[str]:
    return [*formula.mix.parts, *formula.table["ingredient"]]


def _words(said: list[str]) -> set[str]:
    """Return the words of some names, singular, without those that tell nothing."""
    found = re.findall(r"[^\W\d_]{3,}", " ".join(said).casefold())
    return {word.removesuffix("s") for word in found} - _EMPTY


# -- The forms of a round: which columns the cook's and the tasters' sheets have, and their rows.
#
# Everything about a sheet but its looks: the workbook is drawn from a form, its plain twin is
# written from it, and what comes back is read against it.


SERVING_COLUMNS = ("taster", "sitting", "place", "bake", "code", "kind")
BAKES, TASTINGS = "bakes", "tastings"
ROUND = "round"  # the column that says which round a sheet belongs to, copies included
BLIND = "blind"  # the column, and its role; only where a cook tastes
LEFT = "left to enter"
ACTUAL = "actual "


@dataclass(frozen=True, eq=False)
class Column:
    """One column of a form.

    Parameters
    ----------
    name : str
        What it is called in the tables.
    role : str
        key (which row this is), shown (for reading only), score, words (of one's own, never
        missed), status, reason, note, blind (whether a cook who tastes did not know the bake), or
        setting (what a factor really was, where not as planned).
    title : str
        What stands above it in the sheet: the name and the unit.
    measure : Measure or None
        What is scored.
    factor : Factor or None
        What was set.
    """

    name: str
    role: str
    title: str = ""
    measure: Measure | None = None
    factor: Factor | None = None

    @property
    def entered(self) -> bool:
        """Whether a person fills it."""
        return self.role not in ("key", "shown")

    def names(self) -> tuple[str, ...]:
        """Return what may stand above it."""
        # Format 1 called the place a position
        older = ("position",) if self.name == "place" and self.role == "shown" else ()
        return (self.name, self.title or self.name, *older)

    def expects(self) -> str:
        """Return in words what may be entered."""
        if self.measure is not None:
            return self.measure.expects()
        if self.role == "status":
            return in_words(STATUSES, "or")
        if self.role == BLIND:
            return "yes, or no when you knew which bake it was"
        if self.factor is not None and hasattr(self.factor, "levels") and self.role == "setting":
            return _setting_words(self.factor)
        return "words of your own"


@dataclass(frozen=True, eq=False)
class Form:
    """The cook's or the tasters' form of one round.

    Parameters
    ----------
    kind : str
        "bakes" or "tastings"; the files are called after it.
    columns : tuple of Column
    blank : DataFrame
        One row per bake or tasting; keys and what is shown, the rest empty.
    round_id : str
        Which round it belongs to; see :func:`trials.rounds.marks.round_mark`.
    older_ids : frozenset of str
        What earlier versions called the same round; sheets that carry one are read as well.
    added : frozenset of tuple of str
        The keys of rows that came in when the round was replanned; sheets handed out before lack
        them.
    moved : dict
        By how many places a row came to stand later in its sitting since then, by its key.
    was : dict
        What stood in a given cell before a replan, by the row's key and the column.
    off : frozenset of tuple of str
        The keys of rows that a replan took off; sheets handed out before have them.
    limits : dict
        The limits of a factor, low and high, that held when a row was made, by its key; where a
        replan has brought them closer since.
    instead : dict
        What a swap put in the place of an ingredient whose amount a column gives, by the row's key
        and the column.
    """

    kind: str
    columns: tuple[Column, ...]
    blank: pd.DataFrame = field(repr=False)
    round_id: str
    older_ids: frozenset[str] = frozenset()
    added: frozenset[tuple[str, ...]] = frozenset()
    moved: Mapping[tuple[str, ...], int] = field(default_factory=dict, repr=False)
    was: Mapping[tuple[str, ...], Mapping[str, Any]] = field(default_factory=dict, repr=False)
    off: frozenset[tuple[str, ...]] = frozenset()
    limits: Mapping[tuple[str, ...], Mapping[str, Sequence[float]]] = field(
        default_factory=dict, repr=False
    )
    instead: Mapping[tuple[str, ...], Mapping[str, str]] = field(default_factory=dict, repr=False)

    @property
    def sheet(self) -> str:
        """The name of the sheet."""
        return self.kind.capitalize()

    @property
    def ids(self) -> frozenset[str]:
        """All marks that a sheet of this round may carry."""
        return self.older_ids | {self.round_id}

    @property
    def keys(self) -> tuple[str, ...]:
        """The columns that tell the rows apart."""
        return tuple(column.name for column in self.columns if column.role == "key")

    @property
    def scores(self) -> tuple[Column, ...]:
        """The columns that are scored or measured."""
        return tuple(column for column in self.columns if column.role == "score")

    @cached_property
    def records(self) -> list[dict[str, Any]]:
        """What each row gives out."""
        found: list[dict[str, Any]] = self.blank.to_dict("records")
        return found

    def rows(self) -> dict[tuple[str, ...], int]:
        """Return the position of each row by its keys."""
        return dict(self._positions)

    @cached_property
    def _positions(self) -> dict[tuple[str, ...], int]:
        keys = self.blank[list(self.keys)].itertuples(index=False, name=None)
        return {tuple(map(str, key)): position for position, key in enumerate(keys)}


def cook_form(round_: Round) -> Form:
    """Return the cook's form: a row per bake, with its settings and boxes for what came of it."""
    plan = round_.plan
    shown = [Column("day", "shown")]
    shown += [Column(group, "shown", _group_title(round_, group)) for group in plan.groups]
    shown += [
        Column(factor.name, "shown", _titled(factor.name, factor.unit), factor=factor)
        for factor in plan.factors
    ]
    scored = [_score_column(measure) for measure in round_.measures if measure.per == "bake"]
    told = [Column(name, name) for name in ("status", "reason", "note")]
    actual = [
        Column(
            ACTUAL + factor.name,
            "setting",
            _titled(ACTUAL + factor.name, factor.unit),
            factor=factor,
        )
        for factor in plan.factors
    ]
    columns = (Column("bake", "key"), *shown, *scored, *told, *actual, Column(ROUND, "shown"))
    mark = round_mark(round_)
    blank = _blank(columns, plan.table, mark)
    added = frozenset((bake,) for bake in added_bakes(plan))
    was: dict[tuple[str, ...], Mapping[str, Any]] = {
        (str(bake),): dict(own) for bake, own in plan.details.get("was", {}).items()
    }
    limits: dict[tuple[str, ...], Mapping[str, Sequence[float]]]
    limits = {(str(bake),): dict(own) for bake, own in plan.details.get("limits", {}).items()}
    formula = round_.formula
    instead: dict[tuple[str, ...], Mapping[str, str]] = {
        (str(row["bake"]),): in_place_of(formula, plan.factors, row) if formula else {}
        for row in plan.table.to_dict("records")
    }
    return Form(
        BAKES,
        _distinct(columns),
        blank,
        mark,
        older_marks(round_),
        added,
        was=was,
        limits=limits,
        instead=instead,
    )


def _group_title(round_: Round, group: str) -> str:
    """Return what bakes share in kitchen words, or its plain name where a column is called so."""
    title = kitchen_group(group, round_.plan.factors)
    named = [*round_.plan.factors, *round_.measures]
    return group if title in {one.name.casefold() for one in named} else title


def tasting_form(round_: Round, serving: pd.DataFrame) -> Form:
    """Return the tasters' form: a row per taster and code, and nothing that gives a bake away."""
    scored = [_score_column(measure) for measure in round_.measures if measure.per == "tasting"]
    columns = (
        Column("taster", "key"),
        Column("sitting", "shown"),
        Column("place", "shown"),
        Column("code", "key"),
        *scored,
        *([Column(BLIND, BLIND)] if any(taster.cooks for taster in round_.tasters) else []),
        Column("note", "note", "words of your own"),
        Column(ROUND, "shown"),
    )
    served = scored_servings(serving).sort_values(["taster", "sitting", "place", "code"])
    mark = round_mark(round_)
    blank = _blank(columns, served, mark)
    details = round_.plan.details
    added, moved = _served_later(served, added_bakes(round_.plan), details.get("joined", ()))
    was: dict[tuple[str, ...], Mapping[str, Any]] = {}
    for name, (sitting, place) in details.get("stood", {}).items():
        taster, _, code = name.rpartition(" ")
        was[taster, code] = {"sitting": sitting, "place": place}
    return Form(
        TASTINGS,
        _distinct(columns),
        blank,
        mark,
        older_marks(round_),
        added,
        moved,
        was,
        frozenset((taster, code) for taster, _, code in details.get("retired", ())),
    )


def _served_later(
    served: pd.DataFrame, bakes: frozenset[str], joined: Iterable[str]
) -> tuple[frozenset[tuple[str, ...]], dict[tuple[str, ...], int]]:
    """Return the rows that came in by a replan, and how far they moved the others of a sitting."""
    keys = list(zip(served["taster"].astype(str), served["code"].astype(str), strict=True))
    new = served["bake"].isin(bakes)
    before = new.groupby([served["taster"], served["sitting"]]).cumsum() - new
    late = new | served["taster"].isin(list(joined))
    added = frozenset(key for key, is_new in zip(keys, late, strict=True) if is_new)
    return added, {key: int(count) for key, count in zip(keys, before, strict=True) if count}


def cook_sheet(round_: Round) -> pd.DataFrame:
    """Return the cook's blank table, one row per bake in baking order."""
    return cook_form(round_).blank.copy()


def tasting_sheet(round_: Round, serving: pd.DataFrame) -> pd.DataFrame:
    """Return the tasters' blank table, one row per taster and code."""
    return tasting_form(round_, serving).blank.copy()


def scored_servings(serving: pd.DataFrame) -> pd.DataFrame:
    """Return the servings without the warm-ups, ids as text."""
    scored = ~serving["kind"].astype(str).str.casefold().str.startswith("warm")
    return serving.loc[scored, list(SERVING_COLUMNS)].reset_index(drop=True)


def read_serving(round_: Round, path: Path | None = None) -> pd.DataFrame:
    """Return who is served which bake under which code, from `serving.csv`."""
    own, path = path is None, path or round_.folder / SERVING
    if own and not path.is_file():
        # Taken away: what was drawn stands, and the sheets write it again
        path = kept_copy(round_.folder, SERVING) or path
    if not path.is_file():
        return pd.DataFrame(columns=list(SERVING_COLUMNS))
    # Format 1 called the place a position
    table = read_csv(sound_path(path, round_.folder)).rename(columns={"position": "place"})
    missing = [name for name in SERVING_COLUMNS if name not in table]
    if missing:
        raise SheetError(f"no column {in_words(map(repr, missing))}.", Place(SERVING))
    _check_serving(table, set(round_.plan.rows["bake"]))
    if own:
        check_written(round_.folder, SERVING, table, read_settings(round_.folder))
    return (
        table[list(SERVING_COLUMNS)].astype({"sitting": int, "place": int}).reset_index(drop=True)
    )


def _check_serving(table: pd.DataFrame, bakes: set[str]) -> None:
    for name in ("sitting", "place"):
        for row, text in table[name].items():
            value = number(text)
            if value is None or value != int(value):
                place = Place(SERVING, row=int(str(row)), column=name)
                raise SheetError(f"{text!r} was found; a whole number was expected.", place)
    for row, bake in table["bake"].items():
        if bake not in bakes:
            place = Place(SERVING, row=int(str(row)), column="bake")
            raise SheetError(f"{bake!r} is no bake of this round's plan.", place)
    twice = table.duplicated(["taster", "code"])
    if twice.any():
        place = Place(SERVING, row=int(table.index[twice][0]), column="code")
        raise SheetError("the taster has this code a second time.", place)


def _score_column(measure: Measure) -> Column:
    role = "words" if isinstance(measure.field, Text) else "score"
    return Column(measure.name, role, _titled(measure.name, measure.unit), measure=measure)


def _titled(name: str, unit: str) -> str:
    return f"{name} ({unit})" if unit else name


def _setting_words(factor: Factor) -> str:
    if isinstance(factor.levels[0], str) or not hasattr(factor, "low"):
        return (
            in_words((factor.show(level) for level in factor.levels), "or") + ", if not as planned"
        )
    return f"a number{f' in {factor.unit}' if factor.unit else ''}, if not as planned"


def _blank(columns: Iterable[Column], rows: pd.DataFrame, mark: str) -> pd.DataFrame:
    blank = pd.DataFrame(index=range(len(rows)))
    for column in columns:
        if column.name == ROUND:
            blank[column.name] = mark
        elif column.entered:
            blank[column.name] = ""
        else:
            values = rows[column.name].reset_index(drop=True)
            blank[column.name] = values.astype(str) if column.role == "key" else values
    return blank


def _distinct(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    taken: dict[str, str] = {LEFT: LEFT}
    for column in columns:
        for name in {name.casefold() for name in column.names()}:
            if name in taken:
                raise MeasureError(
                    f'two columns of a sheet would be called "{name}"; give the measure or the '
                    "factor of that name another one."
                )
            taken[name] = column.name
    return columns
