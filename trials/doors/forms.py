"""Forms in a notebook, where a form beats code: try a setting, enter the day's scores.

Each form shows the code that does the same, works by keyboard, and stands as a still table where
widgets can not run. What is typed goes through the very readers of the sheets.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import pandas as pd
import tomlkit
import traitlets
from markupsafe import Markup
from scipy import stats
from tomlkit.items import Array

from trials.analysis.draws import one_more
from trials.analysis.failing import Failing, failing
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import FitError, Place, RoundError, TrialsError
from trials.base.files import read_csv, write_csv, write_text
from trials.base.html import answer, table
from trials.base.keeping import one_step
from trials.base.words import decimals, in_words, number, percent, rounded
from trials.core.factors import Categorical, Factor, is_blank, kind_of
from trials.core.measures import Measure
from trials.core.roles import STATUSES, Role
from trials.core.verdicts import POWERED, UPPER
from trials.design.power import USUAL
from trials.doors.start import planned_round
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
from trials.rounds.gathering import INCOMING, Source, read_source, sources
from trials.rounds.idea import IDEA, LIKING, Idea, read_idea, understood
from trials.rounds.reading import EMPTY, Address, Cell, Reading, Value, exact, read_cell
from trials.rounds.round import Round, opened, writing
from trials.tasting.panel import Taster

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


def _table_html(caption: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> Markup:
    return table(pd.DataFrame(list(rows), columns=list(columns), dtype=object), caption=caption)


# -- A setting tried out: every measure with its interval, the reference and the best beside it.


@checked_types(RoundError)
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


_RANGES = ("low", "high", "new_low", "new_high")


class Explore(NotebookForm):
    """Settings tried out on what was fitted; see :func:`explore`."""

    def __init__(self, found: Mapping[str, Findings]) -> None:
        self.found = dict(found)
        self.factors = next(iter(self.found.values())).factors
        self._failing = _failing(self.found)
        self.settings: dict[str, Any] = {one.name: _start(one) for one in self.factors}
        super().__init__()

    @property
    def expected(self) -> pd.DataFrame:
        """What to expect of the setting: measure, expect, low, high, new_low, new_high, outside."""
        table = pd.DataFrame([self._row()])
        rows = []
        for name, one in self.found.items():
            told = one.predict(table).iloc[0]
            if one.judge is not None:  # as every page tells it, not by the measured error alone
                told = pd.concat([told.drop(list(_RANGES)), one_more(one, table).iloc[0]])
            rows.append(
                (
                    name,
                    *(float(told[c]) for c in ("estimate", "low", "high", "new_low", "new_high")),
                    str(told["outside_tried"]),
                )
            )
        names = ["measure", "expect", "low", "high", "new_low", "new_high", "outside"]
        return pd.DataFrame(rows, columns=names)

    @property
    def chance_of_failing(self) -> float | None:
        """The chance that a bake of the setting fails; None where no bake failed so far."""
        if self._failing is None:
            return None
        own = {one.name: self._row()[one.name] for one in self._failing.factors}
        return float(self._failing.chance(pd.DataFrame([own]))[0])

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
                    f"{rounded(_on_scale(one.measure, row.expect), digits)}{unit}",
                    _between(row.low, row.high, digits, one.measure),
                    _between(row.new_low, row.new_high, digits, one.measure),
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
            "fails": self._fails(),
            "code": f"findings.predict({self._said()!r})",
        }

    def _fails(self) -> str:
        chance = self.chance_of_failing
        return "" if chance is None else f"The chance that such a bake fails: {percent(chance)}."

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
        said = [*self.view["warnings"], *filter(None, [self.view["fails"]])]
        shown = _table_html(self.view["caption"], self.view["columns"], self.view["rows"])
        return shown + answer(said)


def _failing(found: Mapping[str, Findings]) -> Failing | None:
    """Return what the failed bakes say, where any failed and can be told apart by the factors."""
    known = next((one.evidence for one in found.values() if one.evidence is not None), None)
    if known is None or not any(len(one.failed) for one in found.values()):
        return None
    try:
        told = failing(known)
    except TrialsError:
        return None
    names = {factor.name for one in found.values() for factor in one.factors}
    return told if {factor.name for factor in told.factors} <= names else None


def _start(factor: Factor) -> Any:
    if isinstance(factor, Categorical):
        return factor.levels[0]
    centre = getattr(factor, "centre", None)
    return float((factor.low + factor.high) / 2 if centre is None else centre)


def _typed(factor: Factor, value: Any) -> Any:
    return factor.levels[int(value)] if isinstance(factor, Categorical) else float(value)


def _between(low: float, high: float, digits: int, measure: Measure | None) -> str:
    if not (np.isfinite(low) and np.isfinite(high)):
        return "not known"
    low, high = _on_scale(measure, low), _on_scale(measure, high)
    return f"{rounded(low, digits)} and {rounded(high, digits)}"


def _on_scale(measure: Measure | None, value: float) -> float:
    """Return what is expected within the ends of its scale: no score can lie off it."""
    return value if measure is None else float(measure.on_scale(value))


def _words(factors: Sequence[Factor], row: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{one.name} {one.show(row[one.name])}" for one in factors if not is_blank(row[one.name])
    )


# -- The day's scores and weights, typed into a table that is checked as one types.


@checked_types(RoundError)
def enter(round_: Round | str | Path, who: str = "") -> "Enter":
    """Enter scores and what became of each bake, checked as one types and saved as one goes.

    What is entered goes into `incoming/` under the name of whoever enters it, where the readers of
    the sheets find it. Where two people's entries differ, both stand side by side.

    Parameters
    ----------
    round_ : Round, or its folder
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
        When there is no round.

    Examples
    --------
    >>> enter("no such folder")
    Traceback (most recent call last):
    trials.base.errors.RoundError: "no such folder" is not a round folder: it holds no round.toml.
    """
    return Enter(opened(round_), who)


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
        self.told: tuple[str, ...] = ()
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
        for kind in self.forms:
            self.texts |= self._own(kind)

    def _own(self, kind: str) -> dict[Address, str]:
        """Return what the same person's file holds, as it was typed."""
        form, found = self.forms[kind], dict[Address, str]()
        if self.who and self._path(kind).is_file():
            for row in read_csv(self._path(kind)).to_dict("records"):
                key = tuple(str(row.get(name, "")) for name in form.keys)
                for column in form.columns:
                    text = str(row.get(column.name, ""))
                    if column.entered and text:
                        found[kind, key, column.name] = text
        return found

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
        self.told = ()  # what was found of the entries of before
        if what == "who":
            self.who = str(told["value"]).strip()
            self._read_own()
            self.said = f"{self.who} enters." if self.who else "Say who enters."
        elif what == "page":
            self.page = str(told["value"])
        elif what == "findings":
            self.told = self._findings()
        else:
            kind = next(kind for name, kind, _ in self.pages if name == self.page)
            address = (kind, tuple(map(str, told["key"])), str(told["column"]))
            self.put(address, str(told["text"]))
            if what == "choose":
                self._settle(address, str(told["text"]))
        self.view = self.shown()

    def _findings(self) -> tuple[str, ...]:
        """Return what the scores so far say, measure by measure, or what must be mended first."""
        from trials.analysis.answers import Answers
        from trials.analysis.brief import in_brief
        from trials.analysis.question import evidence

        try:
            answers = Answers(evidence(self.round))
        except TrialsError as error:
            return (str(error),)
        lines: list[str] = []
        for measure in self.round.measures:
            try:
                found = answers.on(measure.name)
            except TrialsError as error:
                lines.append(f"{measure.name}: {error}")
                continue
            brief = in_brief(found) if isinstance(found, Findings) else found.sentences[:2]
            lines += [f"{measure.name}: {brief[0]}", *brief[1:]]
        return tuple(lines)

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
            place, then = Place(self._path(kind).name, column=name), self.forms[kind].limits
            value = read_cell(column, cell, place, reading, then.get(key))
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
        saved = self._save(address, cell.text)
        self.said = f"{' '.join(key)}, {name}: saved in {saved.name}."
        return value

    def _save(self, address: Address, text: str) -> Path:
        """Put one entry into the person's file, beside what stands there by now."""
        kind = address[0]
        form, path = self.forms[kind], self._path(kind)
        with writing(self.round.folder):
            # The same person may have the form open twice
            own = self._own(kind)
            own.pop(address, None)
            if text:
                own[address] = text
            table = form.blank.astype(object)
            keys = list(form.rows())
            for column in form.columns:
                if column.entered:
                    table[column.name] = [own.get((kind, key, column.name), "") for key in keys]
            filled = [any(one[:2] == (kind, key) for one in own) for key in keys]
            write_csv(table[filled].drop(columns=LEFT, errors="ignore"), path)
        kept = {at: one for at, one in self.texts.items() if at[0] != kind}
        self.texts = kept | own
        return path

    def _settle(self, address: Address, text: str) -> None:
        """Let other forms' entries of a cell say what was chosen; the step keeps their files."""
        kind, key, name = address
        form = self.forms[kind]
        kept = []
        with writing(self.round.folder):
            for other in self._others().get(address, []):
                if other.text == text:
                    continue
                if not other.changeable:
                    kept.append(f"{other.where} still says {other.text}; change it there")
                    continue
                table = read_csv(other.path)
                rows = [
                    tuple(str(row[one]) for one in form.keys) == key
                    for row in table.to_dict("records")
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
            "buttons": [{"name": "findings", "label": "What mattered so far?"}],
            "told": list(self.told),
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


# -- The questions of `idea.toml`, with the plan's first words beside them.


@checked_types(RoundError)
def idea(folder: str | Path = ".") -> "IdeaForm":
    """Answer the questions of an idea, with a plan's first words beside them.

    Answers go into `idea.toml`, its remarks kept; what can not be understood is said and not saved.

    Parameters
    ----------
    folder : str or Path
        Where `idea.toml` lies, as `trials new` writes it.

    Returns
    -------
    IdeaForm
        A form to show in a notebook.

    Raises
    ------
    RoundError
        When there is no idea, or it can not be read.

    Examples
    --------
    >>> import tempfile
    >>> from trials.rounds.idea import write_idea
    >>> form = idea(write_idea(Path(tempfile.mkdtemp())).parent)
    >>> form.put("bakes", "12")
    >>> form.idea.bakes
    12
    """
    return IdeaForm(Path(folder))


REHEARSED = 20  # rounds on paper of each size, which takes about half a minute
_WHOLE = {
    "bakes": "How many bakes can you afford, reference bakes apart?",
    "days": "Over how many days?",
    "references": "Reference bakes, always the same?",
}
_BY_HAND = "by hand:"  # before what no table of ingredients knows
_VARIED, _TASTERS, _WORTH = "factors", "tasters", "worth_noticing"
_RANGE = re.compile(r"(?P<low>[-−]?[\d.,]+)\s*(?:to|–|-)\s*(?P<high>[-−]?[\d.,]+)\s*(?P<unit>\S*)$")


class IdeaForm(NotebookForm):
    """The questions of an idea; see :func:`idea`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.idea = read_idea(folder)
        self.problems: dict[str, str] = {}
        self.said: tuple[str, ...] = ()
        super().__init__()

    @property
    def path(self) -> Path:
        """The file that holds the answers."""
        return self.folder / IDEA

    def heard(self, told: Mapping[str, Any]) -> None:
        """Take an answer, or plan the idea as it stands."""
        what = str(told["what"])
        if what == "field":
            self.put(str(told["name"]), str(told["value"]))
        else:
            try:
                self.said = {
                    "plan": self._plan,
                    "rehearse": self._rehearse,
                    "sheets": self._sheets,
                }[what]()
                self.problems.pop("plan", None)
            except TrialsError as error:
                self.problems["plan"] = str(error)
        self.view = self.shown()

    def put(self, name: str, text: str) -> None:
        """Take one answer: saved when the whole idea can be understood with it."""
        try:
            read_idea(self.folder)  # an editor may have changed it meanwhile
            with one_step(self.folder):
                answers = tomlkit.parse(self.path.read_text(encoding="utf-8-sig"))
                _answered(answers, name, text)
                self.idea = understood(answers.unwrap(), self.folder)
                write_text(self.path, tomlkit.dumps(answers))
        except TrialsError as error:
            self.problems[name] = f"{_label(name)} {error.message} Not saved."
            return
        self.problems.pop(name, None)
        self.said = ()

    def _plan(self) -> tuple[str, ...]:
        planned = planned_round(self.folder)
        return (planned.plan.sentence() + ".", *planned.plan.reasons)

    def _rehearse(self) -> tuple[str, ...]:
        """Bake the planned round many times on paper, as `trials plan --rehearse` does."""
        from trials.deciding.foretelling import foretell

        planned = planned_round(self.folder)
        liked = next((one for one in planned.measures if one.liking), None)
        tasters = max(len(planned.tasters), 1)
        return foretell(planned.plan, tasters=tasters, measure=liked, rounds=REHEARSED).sentences

    def _sheets(self) -> tuple[str, ...]:
        from trials.show.sheets import write_sheets

        written = write_sheets(planned_round(self.folder))
        names = [path.relative_to(self.folder).as_posix() for path in written]
        return ("Written, to be printed:", *names)

    def shown(self) -> dict[str, Any]:
        """Return the questions with their answers, and what a plan of them would tell."""
        one = self.idea
        fields: list[dict[str, Any]] = [
            {"name": "name", "label": "What are you working on?", "value": one.name, "hint": ""}
        ]
        fields += [
            {"name": name, "label": label, "value": str(getattr(one, name)), "hint": ""}
            for name, label in _WHOLE.items()
        ]
        fields.append(
            {
                "name": _VARIED,
                "label": _label(_VARIED),
                "value": "\n".join(map(_factor_line, one.factors)),
                "hint": "one a line: oven: 165 to 190 °C, or fat: butter, lard",
                "lines": max(len(one.factors) + 1, 3),
            }
        )
        fields.append(
            {
                "name": _TASTERS,
                "label": _label(_TASTERS),
                "value": "\n".join(map(_taster_line, one.tasters)),
                "hint": "one a line: Ada, or Ben: sesame, milk; by hand: what no table knows",
                "lines": max(len(one.tasters) + 1, 2),
            }
        )
        goal = _goal(one.measures)
        if goal is not None:
            fields.append(
                {
                    "name": _WORTH,
                    "label": f"What difference in {goal.name} would change what you do?",
                    "value": "" if goal.margin is None else exact(goal.margin),
                    "hint": "",
                }
            )
        return {
            "kind": "idea",
            "title": "The idea",
            "fields": fields,
            "buttons": [
                {"name": "plan", "label": "Plan it"},
                {"name": "rehearse", "label": "Rehearse it"},
                {"name": "sheets", "label": "Write the sheets"},
            ],
            "problems": list(self.problems.values()),
            "said": list(self.said or first_words(one)),
            "code": f"# the answers are in {self.path}\n"
            f"trials.workplace({str(self.folder)!r}).plan()",
        }

    def still(self) -> str:
        """Return the questions and answers as a still table."""
        rows = [[field["label"], field["value"]] for field in self.view["fields"]]
        return _table_html("The idea", ["question", "answer"], rows)


def first_words(one: Idea) -> tuple[str, ...]:
    """Return what a round of this size can tell, by a plain formula that takes no time.

    The least difference that 8 of 10 rounds would show: two halves of the bakes against each
    other, the error of a bake and of its tasters' mean as usual in a kitchen, straight effects
    only. The plan's own promise, effect by effect, follows once it is planned.
    """
    count, effects = one.bakes, sum(_size(factor) for factor in one.factors)
    left = count - 1 - effects - (one.days - 1)
    goal = _goal(one.measures)
    kept = f"{count} bakes, {in_words(factor.name for factor in one.factors)}."
    if left < 1:
        return (
            kept,
            f"So many changes leave no bake to measure how alike two bakes are: bake "
            f"{effects + one.days + 2} or vary less.",
        )
    if goal is None or not one.tasters:
        return (kept,)
    bake, tasting = USUAL["bake"], USUAL["tasting"]
    se = 2 * math.sqrt((bake**2 + tasting**2 / len(one.tasters)) / count)
    seen = se * float(stats.t.ppf(UPPER, left) + stats.t.ppf(POWERED, left))
    tasters = f"{len(one.tasters)} taster{'s' if len(one.tasters) > 1 else ''}"
    said = (
        f"With {tasters} a change of about {seen:.1f} points of {goal.name} would likely show (in "
        "8 of 10 such rounds); to be said to matter it has to be larger, as the plan says."
    )
    if goal.margin is not None and seen > goal.margin:
        said += (
            f" Worth noticing is {exact(goal.margin)}: such a round finds good bakes, "
            "it does not prove small differences."
        )
    return (kept, said)


def _goal(measures: Sequence[Measure]) -> Measure | None:
    asked = (one for one in measures if one.goal is not None and one.per == "tasting")
    return next((one for one in asked if one.averaged), None)


def _size(factor: Factor) -> int:
    return len(factor.levels) - 1 if isinstance(factor, Categorical) else 1


def _label(name: str) -> str:
    known = {
        _VARIED: "What do you want to vary, and how far?",
        _TASTERS: "Who tastes, and what must they never be served?",
        _WORTH: "What difference would change what you do?",
    }
    return known.get(name) or _WHOLE.get(name) or f"{name}:"


def _factor_line(factor: Factor) -> str:
    if isinstance(factor, Categorical):
        return f"{factor.name}: {', '.join(map(str, factor.levels))}"
    unit = f" {factor.unit}" if factor.unit else ""
    return f"{factor.name}: {exact(factor.low)} to {exact(factor.high)}{unit}"


def _taster_line(taster: Taster) -> str:
    avoided, by_hand = ", ".join(taster.avoids), ", ".join(taster.also_avoids)
    told = [avoided] if avoided else []
    told += [f"{_BY_HAND} {by_hand}"] if by_hand else []
    return f"{taster.name}: {'; '.join(told)}" if told else taster.name


def _answered(answers: Any, name: str, text: str) -> None:
    """Put one answer into the questions, leaving every other line as it is."""
    if name == "name":
        answers["name"] = text.strip()
    elif name in _WHOLE:
        value = number(text)
        if value is None or value != int(value):
            raise RoundError(f"{text!r} is not a whole number.")
        answers[name] = int(value)
    elif name == _WORTH:
        value = number(text)
        if value is None or value <= 0:
            raise RoundError(f"{text!r} is no difference; write a number such as 0.7.")
        if "measures" not in answers:
            _listed(answers, "measures", [LIKING])
        measures = answers["measures"]
        next(one for one in measures if "goal" in one)["worth_noticing"] = value
    elif name == _VARIED:
        _listed(answers, _VARIED, [_factor_answer(line) for line in _lines(text)])
    elif name == _TASTERS:
        _listed(answers, _TASTERS, [_taster_answer(line) for line in _lines(text)])


def _lines(text: str) -> list[tuple[str, str]]:
    found = []
    for line in text.splitlines():
        if line.strip():
            name, _, rest = line.partition(":")
            found.append((name.strip(), rest.strip()))
    return found


def _factor_answer(line: tuple[str, str]) -> dict[str, Any]:
    name, rest = line
    span = _RANGE.fullmatch(rest)
    if span:
        low, high = (number(span[end].replace("−", "-")) for end in ("low", "high"))
        if low is None or high is None:
            raise RoundError(f'"{name}: {rest}" is no range; write it as "oven: 165 to 190 °C".')
        unit = {"unit": span["unit"]} if span["unit"] else {}
        low, high = (int(end) if end == int(end) else end for end in (low, high))
        return {"kind": "numeric", "name": name, "low": low, "high": high, **unit}
    levels = [level.strip() for level in rest.split(",") if level.strip()]
    if len(levels) < 2:
        raise RoundError(
            f'"{name}" has neither a range nor two kinds; write "{name}: 165 to 190 °C" or '
            f'"{name}: butter, lard".'
        )
    return {"kind": "categorical", "name": name, "levels": levels}


def _taster_answer(line: tuple[str, str]) -> dict[str, Any]:
    name, rest = line
    known, _, by_hand = rest.partition(_BY_HAND)
    avoids, also = (
        [one.strip() for one in words.split(",") if one.strip()]
        for words in (known.strip().removesuffix(";"), by_hand)
    )
    return {"name": name, "avoids": avoids, "also_avoids": also}


def _listed(answers: Any, what: str, wanted: Sequence[Mapping[str, Any]]) -> None:
    """Let a list of questions hold what is wanted; what a kept one says besides stays."""
    held = answers.get(what, ())
    if isinstance(held, Array):
        _listed_by_line(held, wanted)
        return
    kept = {str(one["name"]): one for one in held}
    anew = tomlkit.aot()
    for one in wanted:
        old = kept.get(str(one["name"]))
        table = tomlkit.table()
        if old is not None and kind_of(old) == kind_of(one):
            table.update(old)
        _put(table, one)
        anew.append(table)
    answers[what] = anew


def _listed_by_line(held: Array, wanted: Sequence[Mapping[str, Any]]) -> None:
    """Let a list that stands line by line hold what is wanted, the remarks between kept."""
    kinds = {str(one["name"]): kind_of(one) for one in wanted}
    for at in reversed(range(len(held))):
        if kinds.get(str(held[at]["name"])) != kind_of(held[at]):
            del held[at]
    kept = {str(one["name"]): one for one in held}
    for one in wanted:
        old = kept.get(str(one["name"]))
        table = tomlkit.inline_table() if old is None else old
        _put(table, one)
        kept[str(one["name"])] = table
        if old is None:
            held.append(table)
    if [str(one["name"]) for one in held] != list(kinds):
        # In another order the lines are written anew, remarks behind them left out
        held.clear()
        for name in kinds:
            held.append(kept[name])


def _put(table: Any, one: Mapping[str, Any]) -> None:
    """Write what is wanted of a question into it, where it says something else."""
    for key, value in one.items():
        same = key == "kind" and kind_of(table) == value
        if not same and table.get(key, []) != value:
            table[key] = value
