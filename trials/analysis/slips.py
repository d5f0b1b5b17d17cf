"""A table of one's own looked over before it is believed: what is refused, what is pointed out.

The sheets of a round are read with the same eyes in `rounds/reading.py` and `rounds/gathering.py`.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import FitError, Place, TrialsError
from trials.base.words import number, tidy_number, two_meanings
from trials.core.factors import Categorical, Factor, is_blank
from trials.core.measures import Measure
from trials.core.roles import Role
from trials.core.scales import Number
from trials.core.slips import SHORTEST, alike, far_readings, far_settings, rare_kinds

_IDS = ("bake", "taster", "day", "load")
# Columns of every table of scores that hold no reading
_NO_READING = frozenset(
    {*_IDS, "round", "role", "status", "reason", "sitting", "place", "code", "kind", "note", "row"}
)
_SHORTEST_NAME = 3  # of a taster: Ben is not Benn
_MIRRORED = 0.01  # of the range: what rounding moves a star point by
_OUTSIDE = "trials.evidence(table, factors, outside_range=True)"


def looked_over(
    table: pd.DataFrame,
    factors: Iterable[Factor | str] = (),
    measures: Iterable[Measure] = (),
    *,
    scored: str = "",
    groups: Iterable[str] = (),
    outside_range: bool = False,
    called: str = "",
) -> tuple[tuple[str, str], ...]:
    """Return what stands out in a table of scores: the column it is about, and what is said.

    A note on a setting, a name or a status is about no column in particular: it touches all that
    is asked. Rows count as a spreadsheet counts them, the header being row 1.

    Raises
    ------
    FitError
        When a setting is outside the range its factor was given, yes or no stands for a score, a
        number has two meanings, or two names differ in capitals or spaces alone.
    """
    over = _Look(table.reset_index(drop=True), called)
    if table.columns.duplicated().any():
        return ()  # said by whoever reads the table
    found: list[tuple[str, str]] = []
    chosen = list(factors)
    names = {one if isinstance(one, str) else one.name for one in chosen}
    for name in dict.fromkeys([*_IDS, *groups]):
        if name in table and name not in names:
            over.check_names(name, "name")
    for one in chosen:
        if (one if isinstance(one, str) else one.name) in table:
            found += over.settings(one, outside_range=outside_range)
    if "taster" in table and "taster" not in names:
        found += over.kinds("taster", "tasters")
    asked = {one.name: one for one in measures if one.name in table}
    for name in {*asked, scored} & set(table):
        measure = asked.get(name)
        if measure is None or measure.averaged:
            over.check_scores(name)
    for name in table:
        measure = asked.get(name)
        plain = measure is None or isinstance(measure.field, Number)
        if plain and name not in names and name not in _NO_READING and name not in groups:
            found += over.readings(name, measure)
    return (*found, *over.reasons())


class _Look:
    """One table, and what its cells hold."""

    def __init__(self, table: pd.DataFrame, called: str) -> None:
        self.table = table
        self.called = called
        self._held: dict[str, pd.Series] = {}
        reference = table["role"] == Role.REFERENCE if "role" in table else None
        self.varied = table.index if reference is None else table.index[~reference]

    def place(self, at: Any, column: str) -> Place:
        return Place(self.called, row=int(at) + 2, column=column)

    def said(self, at: Any, column: str, words: str) -> str:
        return f"{self.place(at, column)}: {words}"

    def held(self, name: str) -> pd.Series:
        """Return the cells of a column that hold anything."""
        if name not in self._held:
            column = self.table[name]
            self._held[name] = column[~column.map(is_blank).astype(bool)]
        return self._held[name]

    def one_a_bake(self, cells: pd.Series) -> pd.Series:
        """Return one cell of each bake, where bakes are named; the first of each value."""
        if "bake" not in self.table or self.table["bake"].map(is_blank).any():
            return cells
        bakes = self.table.loc[cells.index, "bake"].astype(str)
        seen = pd.DataFrame({"bake": bakes, "value": cells.astype(str)}).duplicated()
        return cells[~seen]

    def check_names(self, name: str, what: str) -> None:
        """Refuse two names that differ in capitals or spaces alone."""
        cells = self.held(name)
        if not cells.map(lambda one: isinstance(one, str)).any():
            return
        pair = alike(cells.tolist())
        if pair is None:
            return
        at = next(at for at, one in cells.items() if one == pair[0] and type(one) is type(pair[0]))
        raise FitError(
            f"{pair[0]!r} stands here and {pair[1]!r} elsewhere, the same but for capitals or "
            f"spaces. Write one {what} one way; if they are two, call one of them otherwise.",
            self.place(at, name),
        )

    def check_meanings(self, name: str) -> None:
        """Refuse a number like 1,250, unless the column shows that its commas are decimal ones."""
        texts = {at: one for at, one in self.held(name).items() if isinstance(one, str)}
        odd = [at for at, one in texts.items() if two_meanings(one)]
        commas = any("," in one and not two_meanings(one) for one in texts.values())
        if not odd or (commas and not any("." in one for one in texts.values())):
            return
        at = odd[0]
        text = texts[at].strip()
        raise FitError(
            f"{text!r} may mean {tidy_number(number(text) or 0)} or {two_meanings(text)}. Write "
            "it without a comma.",
            self.place(at, name),
        )

    def check_scores(self, name: str) -> None:
        """Refuse yes and no as scores, and numbers of two meanings."""
        for at, one in self.held(name).items():
            if isinstance(one, bool | np.bool_):
                raise FitError(
                    f"{one} is yes or no, and not a score. Correct the cell; where all are yes or "
                    f'no, name what was asked: measure=trials.Measure("{name}", "passed").',
                    self.place(at, name),
                )
        self.check_meanings(name)

    def numbers(self, name: str) -> pd.Series | None:
        """Return a column as numbers, empty cells left out; None where any cell holds none."""
        cells = self.held(name)
        read = [number(one) if isinstance(one, str) else _plain(one) for one in cells]
        if not read or None in read:
            return None
        return pd.Series([float(one) for one in read if one is not None], index=cells.index)

    def settings(self, factor: Factor | str, *, outside_range: bool) -> list[tuple[str, str]]:
        """Look at the settings of one factor: refuse what can not be, say what stands out."""
        name = factor if isinstance(factor, str) else factor.name
        if isinstance(factor, Categorical):
            return []  # its kinds were named: anything else is refused where it is read
        values = self.numbers(name)
        if isinstance(factor, str):
            if values is None:
                self.check_names(name, "kind")
                return self.kinds(name, "kinds")
            self.check_meanings(name)
            return self.far_settings(name, values[values.index.isin(self.varied)])
        self.check_meanings(name)
        return self.range(factor, outside_range=outside_range)

    def range(self, factor: Any, *, outside_range: bool) -> list[tuple[str, str]]:
        """Refuse settings outside the range that was given, or say that they are used."""
        found = []
        cells = self.held(factor.name)
        slack = 1e-9 * (factor.high - factor.low)
        known = self.numbers(factor.name)
        # The star points of a plan lie outside on both sides alike; a slip has no mirror image
        mirrored = [] if known is None else (factor.low + factor.high - known).tolist()
        near = _MIRRORED * (factor.high - factor.low)
        for at, one in self.one_a_bake(cells[cells.index.isin(self.varied)]).items():
            try:
                value = float(factor.read(one))
            except TrialsError:
                continue  # said, with its place, where settings are read
            if factor.low - slack <= value <= factor.high + slack:
                continue
            if any(abs(value - other) <= near for other in mirrored):
                continue
            limits = f"{factor.show(factor.low)} to {factor.show(factor.high)}"
            outside = f"{factor.show(value)} is outside {limits}, the range of {factor.name}"
            if not outside_range:
                raise FitError(
                    f"{outside}. Correct the cell, or give the factor its range; if it was really "
                    f"so, say so: {_OUTSIDE}.",
                    self.place(at, factor.name),
                )
            told = self.said(at, factor.name, f"{outside}; it is used as it stands.")
            found.append(("", told))
        return found

    def far_settings(self, name: str, values: pd.Series) -> list[tuple[str, str]]:
        own = self.one_a_bake(values)
        far = far_settings(own.tolist())
        others = own.drop(own.index[far])
        return [
            (
                "",
                self.said(
                    own.index[at],
                    name,
                    f"{tidy_number(own.iloc[at])} is far from all other settings, "
                    f"{tidy_number(others.min())} to {tidy_number(others.max())}. It is used as "
                    "it stands; correct it if it was a slip.",
                ),
            )
            for at in far
        ]

    def kinds(self, name: str, what: str) -> list[tuple[str, str]]:
        """Say which kind stands alone, one letter from one that several bakes had."""
        cells = self.held(name)
        own = self.one_a_bake(cells) if name != "taster" else cells
        shortest = _SHORTEST_NAME if name == "taster" else SHORTEST
        return [
            (
                "",
                self.said(
                    own.index[own == rare][0],
                    name,
                    f'"{rare}" stands here alone, one letter from "{near}". Both count as {what} '
                    "of their own; correct it if it was a slip.",
                ),
            )
            for rare, near in rare_kinds(own.tolist(), shortest).items()
        ]

    def readings(self, name: str, measure: Measure | None) -> list[tuple[str, str]]:
        """Say which readings stand far from all others of a column."""
        values = self.numbers(name)
        if values is None:
            return []
        far = far_readings(values.tolist())
        near = values.drop(values.index[far])
        unit = f" {measure.unit}" if measure is not None and measure.unit else ""
        return [
            (
                name,
                self.said(
                    values.index[at],
                    name,
                    f"{tidy_number(values.iloc[at])}{unit} is far from all other readings, "
                    f"{tidy_number(near.min())} to {tidy_number(near.max())}{unit}. It is used as "
                    "it stands; correct it if it was a slip.",
                ),
            )
            for at in far
        ]

    def reasons(self) -> list[tuple[str, str]]:
        """Say of which bakes a reason is written and no status."""
        if "reason" not in self.table:
            return []
        stated = set(self.held("status").index) if "status" in self.table else set()
        bakes = self.held("bake").astype(str) if "bake" in self.table else pd.Series(dtype=object)
        told = {bakes[at] for at in stated if at in bakes}
        found = []
        for at, reason in self.held("reason").items():
            who = bakes.get(at, "this bake")
            if at in stated or who in told:
                continue
            if at in bakes:
                told.add(who)
            words = (
                f"{who} has the reason {str(reason)[:60]!r} and no status: it counts as made. If "
                'it failed, write "failed" in the column status.'
            )
            found.append(("", self.said(at, "reason", words)))
        return found


def _plain(value: object) -> float | None:
    """Return a cell as a number; None for yes and no, dates, and whatever else is none."""
    if isinstance(value, bool | np.bool_) or not isinstance(value, int | float | np.number):
        return None
    if isinstance(value, complex | np.complexfloating) or not np.isfinite(value):
        return None
    return float(value)
