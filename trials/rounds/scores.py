"""Scores: checked, kept, and handed on as one tidy table; words counted by setting."""

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from trials.base.errors import FitError, Place, SheetError
from trials.base.files import write_bytes, write_csv
from trials.base.words import in_words
from trials.core.roles import WITHOUT_SCORE, Status
from trials.rounds.forms import (
    ACTUAL,
    BAKES,
    BLIND,
    SERVING,
    TASTINGS,
    Form,
    cook_form,
    read_serving,
    scored_servings,
    tasting_form,
)
from trials.rounds.gathering import (
    Gathered,
    Source,
    gather,
    keep,
    last_reading,
    record_reading,
    sources,
)
from trials.rounds.reading import Address, Note, Problem, Value, exact
from trials.rounds.round import Round, blank_actual, read_actual, write_actual
from trials.rounds.workbook import draw_workbook, entries_of, filled, without_score

# -- From what was entered to one tidy table: scores beside the bake, its status and its settings.


def bake_of(found: Gathered, kind: str, key: tuple[str, ...]) -> str:
    """Return the bake of a row of a form."""
    return key[0] if kind == BAKES else found.bake_of[key]


def status(found: Gathered, bake: str) -> str:
    """Return the status that was entered for a bake; empty when none was."""
    return str(found.value(BAKES, (bake,), "status") or "")


def statuses(found: Gathered) -> dict[str, str]:
    """Return the status of each bake; one that has a score and no status was made."""
    scored = {
        bake_of(found, kind, key)
        for kind, key, column in found.entries
        if column in {one.name for one in found.forms[kind].scores}
    }
    return {
        bake: status(found, bake) or (Status.MADE.value if bake in scored else "")
        for (bake,) in found.forms[BAKES].rows()
    }


def tidied(
    round_: Round, found: Gathered, serving: pd.DataFrame, *, actual: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tidy scores, and apart from them those of a cook who knew the bake."""
    served = scored_servings(serving).sort_values(["taster", "sitting", "place", "code"])
    rows = [
        {
            **{name: getattr(one, name) for name in ("taster", "sitting", "place", "kind")},
            "code": str(one.code),
            "bake": str(one.bake),
            **_entered(found, TASTINGS, (str(one.taster), str(one.code))),
        }
        for one in served.itertuples(index=False)
    ]
    weighed = any(measure.per == "bake" for measure in round_.measures)
    status_of = statuses(found)
    for (bake,) in found.forms[BAKES].rows():
        own = _entered(found, BAKES, (bake,))
        # A bake that has nothing of its own to tell is told by its tastings
        if weighed or own or status_of[bake] not in ("", Status.MADE):
            rows.append({"bake": bake, **own})
    columns = ["taster", "sitting", "place", "kind", "code", "bake"]
    measures = [measure.name for measure in round_.measures]
    table = pd.DataFrame(rows).reindex(columns=[*columns, *measures, "note", BLIND])
    table = table.merge(_bakes(round_, found, actual=actual), on="bake", how="left", sort=False)
    table, known = _typed(round_, table), table[BLIND] == "no"
    return table[~known].reset_index(drop=True), table[known].reset_index(drop=True)


def _entered(found: Gathered, kind: str, key: tuple[str, ...]) -> dict[str, Any]:
    columns = [
        column.name
        for column in found.forms[kind].columns
        if column.role in ("score", "words", "note", "blind")
    ]
    values = {name: found.value(kind, key, name) for name in columns}
    return {name: value for name, value in values.items() if value is not None}


def _bakes(round_: Round, found: Gathered, *, actual: bool) -> pd.DataFrame:
    """Return the plan's bakes with their status, and their settings as planned or as made."""
    table = round_.plan.table
    status_of = statuses(found)
    table["status"] = [status_of[bake] for bake in table["bake"]]
    table["reason"] = [str(found.value(BAKES, (bake,), "reason") or "") for bake in table["bake"]]
    for factor in round_.plan.factors if actual else ():
        made = [found.value(BAKES, (bake,), ACTUAL + factor.name) for bake in table["bake"]]
        table[factor.name] = [
            planned if value is None else factor.read(value)
            for planned, value in zip(table[factor.name], made, strict=True)
        ]
    return table


def _typed(round_: Round, table: pd.DataFrame) -> pd.DataFrame:
    table = table.copy()
    for name in ("sitting", "place"):
        table[name] = table[name].astype("Int64")
    for name in ("taster", "kind", "code"):
        table[name] = table[name].astype(object).where(table[name].notna(), None)
    for measure in round_.measures:
        text = not measure.in_numbers
        column = table[measure.name]
        table[measure.name] = (
            column.astype(object).where(column.notna(), None) if text else column.astype(float)
        )
    table["note"] = table["note"].astype(object).where(table["note"].notna(), "")
    groups = [name for name in round_.plan.groups if name != "load"]
    factors = [factor.name for factor in round_.plan.factors]
    measures = [measure.name for measure in round_.measures]
    first = ["taster", "sitting", "place", "kind", "code", "bake", "day", "load", *groups]
    return table[[*first, "role", "status", "reason", *factors, *measures, "note"]]


# -- Scores: read back from the sheets, checked, kept, and handed on as one tidy table.


SCORES = "scores.csv"
NOT_BLIND = "scores-not-blind.csv"
_LISTED = 3  # problems that an error spells out


def check(round_: Round) -> list[Problem]:
    """Return what must be mended before the scores can be used.

    Every sheet of the round is read: its own workbooks and plain twins, and what was dropped
    into `incoming/`. A score that is not entered yet is no problem; see :func:`left`.

    Parameters
    ----------
    round_ : Round

    Returns
    -------
    list of Problem
        Each with its file, sheet, row and column; empty when all is well.

    Raises
    ------
    SheetError
        When `serving.csv` is damaged, so that no code can be looked up.

    Examples
    --------
    >>> import tempfile
    >>> from trials.design.layout import lay_out
    >>> from trials.core.factors import Numeric
    >>> from trials.core.measures import Measure
    >>> from trials.rounds.workbook import write_workbooks
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main")
    >>> spread = Measure("spread", "number", unit="mm", per="bake")
    >>> one = Round.create(tempfile.mkdtemp() + "/one", plan=plan, measures=[spread])
    >>> _ = write_workbooks(one, pd.DataFrame())
    >>> check(one), left(one)
    ([], 2)
    """
    return _read(round_).problems


def notes(round_: Round) -> list[Note]:
    """Return what was read, but not quite as it stood, and what deserves a look."""
    return _read(round_).notes


def left(round_: Round) -> int:
    """Return how many scores are still to be entered; see :func:`left_by_person`."""
    return int(left_by_person(round_)["left"].sum())


def left_by_person(round_: Round) -> pd.DataFrame:
    """Return how many scores each taster and the cook have still to enter."""
    found = _read(round_)
    counts: dict[tuple[str, str], int] = {}
    for kind, form in found.forms.items():
        for key in form.rows():
            if status(found, bake_of(found, kind, key)) in WITHOUT_SCORE:
                continue
            who = key[0] if kind == TASTINGS else "the cook"
            for column in form.scores:
                if found.value(kind, key, column.name) is None:
                    counts[who, column.name] = counts.get((who, column.name), 0) + 1
    rows = [[who, measure, count] for (who, measure), count in counts.items()]
    return pd.DataFrame(rows, columns=["who", "measure", "left"])


def scores(round_: Round, *, actual: bool = True) -> pd.DataFrame:
    """Return all scores of a round as one tidy table.

    Every file that was read is kept under `received/`, the table is written to `scores.csv`, and
    what was really done to `actual.csv`. Scores of a cook who knew which bake it was are kept
    apart, in `scores-not-blind.csv`.

    Parameters
    ----------
    round_ : Round
    actual : bool
        Whether a setting that was not as planned replaces the planned one.

    Returns
    -------
    DataFrame
        One row per tasting and, with the taster missing, one per bake that was measured, noted on
        or not made. Columns taster, sitting,
        position, kind, code, bake, day, load and other groups, role, status, reason, one per
        factor, one per measure (missing where there is no score; ticked words stay text), note.
        A bake that failed, was not served or not baked has its row and no score.

    Raises
    ------
    SheetError
        When anything must be mended first: the first problems with their places.
    """
    found = _read(round_)
    if found.problems:
        raise _refusal(found.problems)
    record_reading(round_, _with_serving(round_, found.used))
    serving = read_serving(round_)
    _record_actual(round_, found)
    table, known = tidied(round_, found, serving, actual=actual)
    write_csv(table, round_.folder / SCORES)
    if len(known) or (round_.folder / NOT_BLIND).exists():
        write_csv(known, round_.folder / NOT_BLIND)
    return table


def rebuild(round_: Round, *, actual: bool = True) -> pd.DataFrame:
    """Return the scores made again from the files kept under `received/` alone."""
    kept = last_reading(round_)
    plan_of_serving = next((file.path for file in kept if file.shown == SERVING), None)
    serving = read_serving(round_, plan_of_serving or round_.folder / "received" / SERVING)
    found = gather(round_, serving, [file for file in kept if file.shown != SERVING])
    if found.problems:
        raise _refusal(found.problems)
    return tidied(round_, found, serving, actual=actual)[0]


def record_scores(round_: Round, tidy: pd.DataFrame) -> list[Path]:
    """Fill the workbooks from a table of scores, as if they had been entered by hand."""
    serving = read_serving(round_)
    forms = [cook_form(round_)]
    if len(scored_servings(serving)):
        forms.append(tasting_form(round_, serving))
    tidy = tidy.reset_index(drop=True)
    tasted = tidy["taster"].notna() if "taster" in tidy else pd.Series(False, index=tidy.index)
    written = []
    closed: frozenset[tuple[str, ...]] = frozenset()
    for form in forms:
        rows = tidy[tasted if form.kind == TASTINGS else ~tasted]
        if form.kind == TASTINGS and "code" not in rows:
            rows = _with_codes(rows, serving)
        values = _values(form, rows)
        path = round_.folder / f"{form.kind}.xlsx"
        _check_room(form, path, values)
        written.append(write_bytes(path, draw_workbook(form, values, closed)))
        closed = without_score(serving, values)
        twin = path.with_suffix(".csv")
        if not twin.exists():
            write_csv(filled(form, {}), twin)
    return written


def _read(round_: Round) -> Gathered:
    found = gather(round_, read_serving(round_), sources(round_))
    keep(round_, found.used)
    return found


def _with_serving(round_: Round, used: list[Source]) -> list[Source]:
    path = round_.folder / SERVING
    return keep(round_, [*used, Source(path, SERVING)] if path.is_file() else used)


def _refusal(problems: list[Problem]) -> SheetError:
    first, *others = problems
    lines = [first.message, *(str(problem) for problem in others[: _LISTED - 1])]
    if others[_LISTED - 1 :]:
        lines.append(f"And {len(others) - _LISTED + 1} more; checking the round lists them all.")
    return SheetError("\n".join(lines), first.place)


def _record_actual(round_: Round, found: Gathered) -> None:
    """Write what was really done; a table of it that says anything else is kept first."""
    table = blank_actual(round_.plan)
    status_of = statuses(found)
    told = ("reason", "note")
    for at, bake in enumerate(table["bake"]):
        table.loc[at, "status"] = status_of[bake]
        for name in told:
            table.loc[at, name] = found.value(BAKES, (bake,), name) or ""
        for factor in round_.plan.factors:
            value = found.value(BAKES, (bake,), ACTUAL + factor.name)
            if value is not None:
                table.loc[at, factor.name] = value if isinstance(value, str) else exact(value)
    path = round_.folder / "actual.csv"
    if path.is_file():
        before = read_actual(round_)
        if before.drop(columns="bake").ne("").any(axis=None):
            keep(round_, [Source(path, path.name)])
    write_actual(round_, table)


def _with_codes(rows: pd.DataFrame, serving: pd.DataFrame) -> pd.DataFrame:
    served = scored_servings(serving).sort_values(["sitting", "place"])
    pair = ["taster", "bake"]
    served, rows = (table.assign(time=table.groupby(pair).cumcount()) for table in (served, rows))
    return rows.merge(served[[*pair, "time", "code"]], on=[*pair, "time"]).drop(columns="time")


def _values(form: Form, rows: pd.DataFrame) -> dict[Address, Value]:
    known = form.rows()
    values: dict[Address, Value] = {}
    names = [column for column in form.columns if column.entered and column.name in rows]
    for row in rows.to_dict("records"):
        key = tuple(str(row[name]) for name in form.keys)
        if key not in known:
            raise SheetError(f"{in_words(key)} is no row of this round's {form.kind}.", Place())
        for column in names:
            value = row[column.name]
            if value is None or value is pd.NA or value == "" or _is_nan(value):
                continue
            if column.measure is not None:
                value = column.measure.read(value if isinstance(value, str) else exact(value))
            values[form.kind, key, column.name] = value
    return values


def _is_nan(value: Any) -> bool:
    return not isinstance(value, str) and math.isnan(float(value))


def _check_room(form: Form, path: Path, values: Mapping[Address, Value]) -> None:
    """Refuse to write over what somebody entered."""
    for address, value in entries_of(form, path).items():
        if values.get(address) != value:
            _, key, column = address
            raise SheetError(
                f"{value!r} is entered already for {in_words(key)}; move the file out of the "
                "folder first, so that nothing is lost.",
                Place(path.name, form.sheet, column=column),
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
