"""Forms in a notebook, where a form beats code: try a setting, enter the day's scores.

Each form shows the code that does the same, works by keyboard, and stands as a still table where
widgets can not run. What is typed goes through the very readers of the sheets.
"""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import pandas as pd
import traitlets

from trials.analysis.results import Findings
from trials.base.errors import FitError, Place, RoundError
from trials.base.files import read_csv, write_csv
from trials.base.words import decimals, in_words, rounded
from trials.core.factors import Categorical, Factor, is_blank
from trials.core.roles import STATUSES, Role
from trials.rounds.forms import (
    BAKES,
    LEFT,
    ROUND,
    TASTINGS,
    Column,
    Form,
    cook_form,
    read_serving,
    scored_servings,
    tasting_form,
)
from trials.rounds.gathering import INCOMING, Source, keep, read_source, sources
from trials.rounds.reading import EMPTY, Address, Cell, Reading, Value, exact, read_cell
from trials.rounds.round import Round

_HERE = Path(__file__).parent
NEVER = "never tried"


class NotebookForm(anywidget.AnyWidget):
    """A form: what it shows is one plain record, what is typed comes back as small messages."""

    _esm = _HERE / "forms.js"
    _css = _HERE / "forms.css"
    view = traitlets.Dict().tag(sync=True)

    def __init__(self) -> None:
        super().__init__()
        self.view = self.shown()
        self.on_msg(lambda _, told, __: self.heard(told))

    def shown(self) -> dict[str, Any]:
        """Return what the form shows now."""
        raise NotImplementedError

    def still(self) -> str:
        """Return the form as a still table, for where widgets can not run."""
        raise NotImplementedError

    def heard(self, told: Mapping[str, Any]) -> None:
        """Take one message of the page, and show what became of it."""
        raise NotImplementedError

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        bundle = super()._repr_mimebundle_(**kwargs)
        data, *rest = bundle if isinstance(bundle, tuple) else (bundle,)
        data = {**(data or {}), "text/html": self.still(), "text/plain": self.view["code"]}
        return (data, *rest) if rest else data


def _table_html(caption: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(str(cell))}</td>" for cell in row) + "</tr>"
        for row in rows
    )
    return f"<table><caption>{html.escape(caption)}</caption><tr>{head}</tr>{body}</table>"


# -- A setting tried out: every measure with its interval, the reference and the best beside it.


def explore(findings: Findings | Mapping[str, Findings]) -> "Explore":
    """Try settings by sliders and choices, with what to expect of each.

    Parameters
    ----------
    findings : Findings, or mapping of measure name to Findings
        What was fitted, as :func:`trials.fit` returns it.

    Returns
    -------
    Explore
        A form to show in a notebook; `settings` and `expected` hold what it shows.

    Raises
    ------
    FitError
        When there are no findings, or they are of different factors.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 60] * 4, "fat": ["butter", "butter", "oil", "oil"] * 2,
    ...                       "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2]})
    >>> from trials.analysis.fitting import fit
    >>> form = explore(fit(table, "liking", ["rest", "fat"], model="main"))
    >>> form.settings
    {'rest': 40.0, 'fat': 'butter'}
    >>> form.set("rest", 60).expected.round(1)[["measure", "expect"]]
      measure  expect
    0  liking     6.2
    """
    found = {findings.response: findings} if isinstance(findings, Findings) else dict(findings)
    if not found:
        raise FitError("there are no findings to try settings with; fit a measure first.")
    first = next(iter(found.values()))
    names = [factor.name for factor in first.factors]
    for one in found.values():
        if [factor.name for factor in one.factors] != names:
            raise FitError(
                f'"{one.response}" was fitted with other factors than "{first.response}"; '
                "fit both from the same round."
            )
    return Explore(found)


class Explore(NotebookForm):
    """Settings tried out on what was fitted; see :func:`explore`."""

    def __init__(self, found: Mapping[str, Findings]) -> None:
        self.found = dict(found)
        self.factors = next(iter(self.found.values())).factors
        self.settings: dict[str, Any] = {one.name: _start(one) for one in self.factors}
        super().__init__()

    @property
    def expected(self) -> pd.DataFrame:
        """What to expect of the setting: measure, expect, low, high, new_low, new_high, outside."""
        table = pd.DataFrame([self._row()])
        rows = []
        for name, one in self.found.items():
            told = one.predict(table).iloc[0]
            rows.append(
                (
                    name,
                    *(float(told[c]) for c in ("estimate", "low", "high", "new_low", "new_high")),
                    str(told["outside_tried"]),
                )
            )
        names = ["measure", "expect", "low", "high", "new_low", "new_high", "outside"]
        return pd.DataFrame(rows, columns=names)

    def set(self, name: str, value: Any) -> "Explore":
        """Set one factor, and return the form."""
        factor = next((one for one in self.factors if one.name == name), None)
        if factor is None:
            known = in_words((one.name for one in self.factors), "or")
            raise FitError(f'there is no factor "{name}"; expected {known}.')
        self.settings[name] = factor.read(value)
        self.view = self.shown()
        return self

    def heard(self, told: Mapping[str, Any]) -> None:
        """Take a slider's or a choice's new place."""
        self.set(str(told["name"]), _typed(self._factor(str(told["name"])), told["value"]))

    def _factor(self, name: str) -> Factor:
        return next(one for one in self.factors if one.name == name)

    def _row(self) -> dict[str, Any]:
        """Return the setting as it could be baked: what does not exist for a kind is left out."""
        return {
            one.name: None if self._absent(one) else self.settings[one.name] for one in self.factors
        }

    def _absent(self, factor: Factor) -> bool:
        host = getattr(factor, "only_when", None)
        return host is not None and self.settings.get(host[0]) not in host[1]

    def shown(self) -> dict[str, Any]:
        """Return the controls, the table of what to expect, and the code."""
        found = self.expected
        beside = self._beside()
        rows = []
        for place, row in enumerate(found.itertuples(index=False)):
            one = self.found[row.measure]
            digits = max(decimals(pd.Series([(row.high - row.low) / 4])), 0)
            unit = f" {one.measure.unit}" if one.measure and one.measure.unit else ""
            rows.append(
                [
                    row.measure,
                    f"{rounded(row.expect, digits)}{unit}",
                    _between(row.low, row.high, digits),
                    _between(row.new_low, row.new_high, digits),
                    *(rounded(values[place], digits) for values in beside.values()),
                ]
            )
        outside = list(dict.fromkeys(text for text in found["outside"] if text))
        names = ["measure", "expect", "the mean lies between", "one new bake between", *beside]
        return {
            "kind": "explore",
            "title": "Try a setting",
            "controls": [self._control(one) for one in self.factors],
            "caption": f"What to expect of {_words(self.factors, self._row())}",
            "columns": names,
            "rows": rows,
            "numbers": list(range(1, len(names))),
            "warnings": [f"{NEVER}: {text}. Here the model only guesses." for text in outside],
            "code": f"findings.predict({self._said()!r})",
        }

    def _said(self) -> dict[str, Any]:
        return {name: value for name, value in self._row().items() if value is not None}

    def _beside(self) -> dict[str, list[float]]:
        """Return the reference bake's and the best bake's mean scores, by what they are called."""
        columns: dict[str, list[float]] = {}
        scored = [one.residuals for one in self.found.values()]
        if all("role" in rows and (rows["role"] == Role.REFERENCE).any() for rows in scored):
            columns["reference bake scored"] = [
                float(rows.loc[rows["role"] == Role.REFERENCE, "observed"].mean())
                for rows in scored
            ]
        lead = next(iter(self.found.values()))
        if "bake" in lead.residuals:
            means = lead.residuals.groupby("bake")["observed"].mean()
            lower = lead.measure is not None and lead.measure.goal == "lower"
            best = means.idxmin() if lower else means.idxmax()
            columns[f"{best} scored"] = [
                float(rows.loc[rows["bake"] == best, "observed"].mean()) for rows in scored
            ]
        return columns

    def _control(self, factor: Factor) -> dict[str, Any]:
        value = self.settings[factor.name]
        one = {"name": factor.name, "hint": "", "absent": self._absent(factor)}
        if isinstance(factor, Categorical):
            levels = [
                {"value": str(place), "label": factor.show(level)}
                for place, level in enumerate(factor.levels)
            ]
            place = str(list(factor.levels).index(value))
            return {**one, "kind": "choice", "levels": levels, "value": place}
        low, high = float(factor.low), float(factor.high)
        step = float(getattr(factor, "step", None) or (high - low) / 100)
        number = {"low": low, "high": high, "step": step, "value": float(value)}
        return {**one, "kind": "number", **number, "shown": factor.show(value)}

    def still(self) -> str:
        """Return what to expect of the setting as a still table."""
        return _table_html(self.view["caption"], self.view["columns"], self.view["rows"])


def _start(factor: Factor) -> Any:
    if isinstance(factor, Categorical):
        return factor.levels[0]
    centre = getattr(factor, "centre", None)
    return float((factor.low + factor.high) / 2 if centre is None else centre)


def _typed(factor: Factor, value: Any) -> Any:
    return factor.levels[int(value)] if isinstance(factor, Categorical) else float(value)


def _between(low: float, high: float, digits: int) -> str:
    if not (np.isfinite(low) and np.isfinite(high)):
        return "not known"
    return f"{rounded(low, digits)} and {rounded(high, digits)}"


def _words(factors: Sequence[Factor], row: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{one.name} {one.show(row[one.name])}" for one in factors if not is_blank(row[one.name])
    )


# -- The day's scores and weights, typed into a table that is checked as one types.


def enter(round_: Round, who: str = "") -> "Enter":
    """Enter scores and what became of each bake, checked as one types and saved as one goes.

    What is entered goes into `incoming/` under the name of whoever enters it, where the readers of
    the sheets find it. Where two people's entries differ, both stand side by side.

    Parameters
    ----------
    round_ : Round
        With its sheets written, where anything is tasted.
    who : str
        Who enters; asked for in the form when empty.

    Returns
    -------
    Enter
        A form to show in a notebook; `saved` says which file holds the entries.

    Raises
    ------
    RoundError
        When it is given anything but a round.

    Examples
    --------
    >>> enter("my-round")
    Traceback (most recent call last):
    trials.base.errors.RoundError: 'my-round' is no round; give trials.Round.open("my-round").
    """
    if not isinstance(round_, Round):
        raise RoundError(f'{round_!r} is no round; give trials.Round.open("{round_}").')
    return Enter(round_, who)


@dataclass(frozen=True)
class Other:
    """What another file says of a cell."""

    text: str
    where: str
    path: Path

    @property
    def changeable(self) -> bool:
        """Whether it was entered by a form, so that the form may change it."""
        return self.path.name.startswith(ENTERED)


ENTERED = "entered-"


class Enter(NotebookForm):
    """A table of the day's entries; see :func:`enter`."""

    def __init__(self, round_: Round, who: str) -> None:
        self.round = round_
        self.who = who.strip()
        serving = read_serving(round_)
        self.forms: dict[str, Form] = {BAKES: cook_form(round_)}
        if len(scored_servings(serving)):
            self.forms[TASTINGS] = tasting_form(round_, serving)
        self.pages = self._pages()
        self.page = self.pages[0][0]
        self.texts: dict[Address, str] = {}
        self.refused: dict[Address, tuple[str, str]] = {}
        self.noted: dict[Address, str] = {}
        self.said = "" if self.who else "Say who enters, then what is typed is saved as you go."
        self._read_own()
        super().__init__()

    def _pages(self) -> list[tuple[str, str, str]]:
        """Return the pages of the form: what each is called, its sheet, and whose rows it has."""
        pages = [
            (f"{taster}'s scores", TASTINGS, taster)
            for taster in dict.fromkeys(key[0] for key in self._keys(TASTINGS))
        ]
        return [*pages, ("the bakes", BAKES, "")]

    def _keys(self, kind: str) -> list[tuple[str, ...]]:
        return list(self.forms[kind].rows()) if kind in self.forms else []

    @property
    def saved(self) -> list[Path]:
        """The files that hold what was entered here so far."""
        return [path for path in map(self._path, self.forms) if path.is_file()]

    def _path(self, kind: str) -> Path:
        plain = "".join(letter if letter.isalnum() else "-" for letter in self.who.casefold())
        return self.round.folder / INCOMING / f"{ENTERED}{plain}-{kind}.csv"

    def _read_own(self) -> None:
        """Take up what was entered here before by the same person."""
        self.texts, self.refused, self.noted = {}, {}, {}
        for kind, form in self.forms.items():
            if self.who and self._path(kind).is_file():
                table = read_csv(self._path(kind))
                for row in table.to_dict("records"):
                    key = tuple(str(row[name]) for name in form.keys)
                    for column in form.columns:
                        text = str(row.get(column.name, ""))
                        if column.entered and text:
                            self.texts[kind, key, column.name] = text

    def _others(self) -> dict[Address, list[Other]]:
        """Return what all other files of the round say, by cell."""
        said: dict[Address, list[Other]] = {}
        own = {self._path(kind) for kind in self.forms} if self.who else set()
        for source in sources(self.round):
            if source.path in own:
                continue
            reading, _ = read_source(source, self.forms)
            for entry in reading.entries:
                other = Other(_text(entry.value), _whose(source), source.path)
                said.setdefault(entry.address, []).append(other)
        return said

    def heard(self, told: Mapping[str, Any]) -> None:
        """Take one entry, a choice between two, or a change of page or person."""
        what = told["what"]
        if what == "who":
            self.who = str(told["value"]).strip()
            self._read_own()
            self.said = f"{self.who} enters." if self.who else "Say who enters."
        elif what == "page":
            self.page = str(told["value"])
        else:
            kind = next(kind for name, kind, _ in self.pages if name == self.page)
            address = (kind, tuple(map(str, told["key"])), str(told["column"]))
            self.put(address, str(told["text"]))
            if what == "choose":
                self._settle(address, str(told["text"]))
        self.view = self.shown()

    def put(self, address: Address, text: str) -> Value | None:
        """Enter one cell: read as the sheets are, saved when it can be used.

        Returns
        -------
        str, float or None
            The value read; None where nothing was entered or it can not be used.
        """
        kind, key, name = address
        column = next(one for one in self.forms[kind].columns if one.name == name)
        reading = Reading()
        cell = Cell("text", text.strip()) if text.strip() else EMPTY
        value = None
        if cell != EMPTY:
            value = read_cell(column, cell, Place(self._path(kind).name, column=name), reading)
        self.refused.pop(address, None)
        self.noted.pop(address, None)
        if reading.problems:
            first = reading.problems[0]
            expected = f"; expected {first.expected}" if first.expected else ""
            self.refused[address] = (text, f"Not saved: {first.found}{expected}.")
            self.said = f"{' '.join(key)}, {name}: not saved."
            return None
        if reading.notes:
            self.noted[address] = reading.notes[0].said
        if not self.who:
            self.refused[address] = (text, "Not saved: say who enters first.")
            self.said = "Say who enters, above the table."
            return None
        self.texts.pop(address, None)
        if cell != EMPTY:
            self.texts[address] = cell.text
        self.said = f"{' '.join(key)}, {name}: saved in {self._save(kind).name}."
        return value

    def _save(self, kind: str) -> Path:
        form, path = self.forms[kind], self._path(kind)
        table = form.blank.astype(object)
        keys = list(form.rows())
        for column in form.columns:
            if column.entered:
                table[column.name] = [self.texts.get((kind, key, column.name), "") for key in keys]
        filled = [any(address[:2] == (kind, key) for address in self.texts) for key in keys]
        if path.is_file():
            keep(self.round, [Source(path, path.name)])
        return write_csv(table[filled].drop(columns=LEFT, errors="ignore"), path)

    def _settle(self, address: Address, text: str) -> None:
        """Let other forms' entries of a cell say what was chosen; their files are kept first."""
        kind, key, name = address
        form = self.forms[kind]
        kept = []
        for other in self._others().get(address, []):
            if other.text == text:
                continue
            if not other.changeable:
                kept.append(f"{other.where} still says {other.text}; change it there")
                continue
            keep(self.round, [Source(other.path, other.path.name)])
            table = read_csv(other.path)
            rows = [
                tuple(str(row[one]) for one in form.keys) == key for row in table.to_dict("records")
            ]
            table.loc[rows, name] = text
            write_csv(table, other.path)
        chosen = f"{' '.join(key)}, {name}: {text} was chosen"
        self.said = f"{chosen}; {in_words(kept)}." if kept else f"{chosen}; both entries are kept."

    def shown(self) -> dict[str, Any]:
        """Return the page of the form with what was entered, here and elsewhere."""
        title, kind, whose = next(one for one in self.pages if one[0] == self.page)
        form = self.forms[kind]
        columns = [one for one in form.columns if one.name != ROUND]
        others = self._others()
        rows = []
        for key, place in form.rows().items():
            if whose and key[0] != whose:
                continue
            blank = form.blank.iloc[place]
            rows.append(
                {
                    "key": list(key),
                    "name": " ".join(key),
                    "cells": [
                        self._cell((kind, key, one.name), others)
                        if one.entered
                        else ""
                        if is_blank(blank[one.name])
                        else _text(blank[one.name])
                        for one in columns
                    ],
                }
            )
        return {
            "kind": "enter",
            "title": "Enter scores",
            "who": self.who,
            "page": title,
            "pages": [name for name, _, _ in self.pages],
            "table": {
                "caption": f"{self.round.name}: {title}",
                "columns": [_column(one) for one in columns],
                "rows": rows,
            },
            "status": self.said,
            "code": f"# the same, by file: {INCOMING}/{ENTERED}NAME-{kind}.csv, then\n"
            f"trials.check(trials.Round.open({str(self.round.folder)!r}))",
        }

    def _cell(self, address: Address, others: Mapping[Address, list[Other]]) -> dict[str, Any]:
        own, problem = self.texts.get(address, ""), ""
        if address in self.refused:
            own, problem = self.refused[address]
        said = others.get(address, [])
        values = {other.text for other in said} | ({own} if own and not problem else set())
        same = len({_value(text) for text in values}) < 2
        return {
            "text": own,
            "problem": problem,
            "note": self.noted.get(address, ""),
            "conflict": not same,
            "others": [
                {"text": one.text, "where": one.where, "changeable": one.changeable}
                for one in said
                if not own or not same
            ],
        }

    def still(self) -> str:
        """Return the page of the form as a still table."""
        table = self.view["table"]
        rows = [
            [cell["text"] if isinstance(cell, dict) else cell for cell in row["cells"]]
            for row in table["rows"]
        ]
        return _table_html(table["caption"], [column["title"] for column in table["columns"]], rows)


def _column(column: Column) -> dict[str, Any]:
    scale = column.measure
    return {
        "name": column.name,
        "title": column.title or column.name,
        "entered": column.entered,
        "hint": column.expects() if column.entered else "",
        "choices": list(STATUSES) if column.role == "status" else [],
        "numeric": bool(scale and scale.in_numbers),
    }


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    return exact(float(value))


def _value(text: str) -> str | float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text.casefold()


def _whose(source: Source) -> str:
    name = source.path.name
    if name.startswith(ENTERED):
        return name.removeprefix(ENTERED).rsplit("-", 1)[0].capitalize()
    return source.shown
