"""Scores: checked, kept, and handed on as one tidy table."""

import errno
import math
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, overload

import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import Place, RoundError, SheetError
from trials.base.files import write_bytes, write_csv
from trials.base.html import answer
from trials.base.words import in_words
from trials.core.roles import WITHOUT_SCORE, Status
from trials.rounds.extremes import EXTREMES, read_extremes
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
    gathered,
    keep,
    last_reading,
    record_reading,
)
from trials.rounds.reading import Address, Note, Problem, Value, exact
from trials.rounds.round import SETTINGS, Round, blank_actual, opened, write_actual, writing
from trials.rounds.serving import unheeded
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
    """Return the tidy scores, and apart from them those of a cook who knew the bake.

    Where nobody tasted blind nothing is kept apart: the scores are all there is, and a column
    `blind` says that they are not.
    """
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
    known = not_blind(round_, table)
    table = _typed(round_, table)
    if len(known) and known.any() and not (_tasted(round_, table) & ~known).any():
        blind = pd.Series(pd.NA, index=table.index, dtype="boolean")
        blind[table["taster"].notna()] = False
        table.insert(list(table.columns).index("kind") + 2, BLIND, blind)
        return table, table.iloc[:0]
    return table[~known].reset_index(drop=True), table[known].reset_index(drop=True)


def not_blind(round_: Round, table: pd.DataFrame) -> pd.Series:
    """Return which rows a cook tasted knowing the bake, or without saying that it was blind."""
    cooks = [taster.name for taster in round_.tasters if taster.cooks]
    told = table[BLIND].astype(object)
    return (told == "no") | (table["taster"].isin(cooks) & (told != "yes") & _tasted(round_, table))


def _tasted(round_: Round, table: pd.DataFrame) -> pd.Series:
    """Return which rows hold a score of a taster."""
    names = [one.name for one in round_.measures if one.per == "tasting" and one.name in table]
    return table["taster"].notna() & table[names].notna().any(axis=1)


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
YES_NO = ("yes", "no")
_LISTED = 3  # problems that an error spells out
_ASKED = 6  # of what is still to be said, how many the verdict spells out


@dataclass(frozen=True, eq=False)
class Check(Sequence[Problem]):
    """What must be mended in a round, what deserves a look, and what is still to be entered.

    Its length is the number of problems, and going through it gives them one by one.

    Parameters
    ----------
    problems : tuple of Problem
        Each with its file, sheet, row and column.
    notes : tuple of Note
        What was read, but not quite as it stood, and what deserves a look.
    missing : DataFrame
        How many scores each taster and the cook have still to enter: columns who, measure, left.
    """

    problems: tuple[Problem, ...]
    notes: tuple[Note, ...]
    missing: pd.DataFrame = field(repr=False)

    @property
    def left(self) -> int:
        """How many scores are still to be entered; none of them is a problem."""
        return int(self.missing["left"].sum())

    @property
    def verdict(self) -> str:
        """What is still to be said, and how much there is to mend and to enter, in words."""
        count = len(self.problems)
        asks = [one for note in self.notes for one in note.asks]
        first = ""
        if asks:
            be = "thing is" if len(asks) == 1 else "things are"
            more = [f"{len(asks) - _ASKED} more"] if len(asks) > _ASKED else []
            first = f"{len(asks)} {be} still to be said: {in_words([*asks[:_ASKED], *more])}. "
        if count:
            return f"{first}{count} thing{'s' if count > 1 else ''} to mend; all is kept."
        nothing = "Nothing else" if asks else "Nothing"
        return f"{first}{nothing} to mend; {self.left} still to be entered."

    def __len__(self) -> int:
        return len(self.problems)

    @overload
    def __getitem__(self, at: int) -> Problem: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Problem, ...]: ...
    def __getitem__(self, at: int | slice) -> Problem | tuple[Problem, ...]:
        return self.problems[at]

    def __str__(self) -> str:
        return "\n".join(map(str, (*self.notes, *self.problems, self.verdict)))

    __repr__ = __str__

    def _repr_html_(self) -> str:
        problems = pd.DataFrame(
            [[str(one.place), one.found, one.expected, one.mend] for one in self.problems],
            columns=["to mend", "found", "expected", "how to mend it"],
        )
        notes = pd.DataFrame(
            [[str(one.place), one.said] for one in self.notes], columns=["to look at", "what"]
        )
        left = self.missing if self.left else self.missing.iloc[:0]
        return answer([self.verdict], [one for one in (problems, notes, left) if len(one)])


@checked_types(RoundError)
def check(round_: Round | str | Path) -> Check:
    """Read every sheet of a round, keep each as it is, and say what must be mended.

    Read are the round's own workbooks and plain twins, what was dropped into `incoming/`, and
    what came of the extremes that were baked before the round (`extremes.csv`).
    Each file that holds anything is kept under `received/`; where nothing is to be mended, the
    scores are written to `scores.csv` (those of a cook who knew the bake to
    `scores-not-blind.csv`) and what was really done to `actual.csv`.

    Parameters
    ----------
    round_ : Round, or its folder

    Returns
    -------
    Check
        Problems and notes, each with its place; its length is the number of problems.

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
    >>> check(one)
    Nothing to mend; 2 still to be entered.
    """
    round_ = opened(round_)
    found = read_and_kept(round_)
    told = checked(found)
    tried = read_extremes(round_)
    return replace(
        told,
        problems=(*told.problems, *tried.problems),
        notes=(*told.notes, *tried.notes),
    )


def checked(found: Gathered) -> Check:
    """Return what must be mended in what was gathered; nothing is written."""
    folder = shlex.quote(str(found.round_.folder))
    passed_over = [
        Note(Place(SETTINGS), one.replace("FOLDER", folder)) for one in unheeded(found.round_)
    ]
    return Check(tuple(found.problems), (*found.notes, *passed_over), _missing(found))


def keep_read(found: Gathered) -> Gathered:
    """Keep what was read under `received/`, and write down the scores where none is in doubt.

    A folder that can not be written is read all the same; a note says so.
    """
    try:
        with writing(found.round_.folder):
            _keep_read(found)
    except OSError as error:
        if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS):
            raise
        said = f"the folder can not be written ({error.strerror}), so nothing of it was kept."
        return replace(found, notes=[*found.notes, Note(Place(found.round_.folder.name), said)])
    return found


def _keep_read(found: Gathered) -> None:
    round_ = found.round_
    kept = keep(round_, found.used)
    if read_extremes(round_).table.get("status", pd.Series(dtype=str)).ne("").any():
        keep(round_, [Source(round_.folder / EXTREMES, EXTREMES)])
    if found.problems:
        return
    plan = Source(round_.folder / SERVING, SERVING)
    record_reading(round_, [*kept, *keep(round_, [plan])])
    _record_actual(round_, found)
    table, known = tidied(round_, found, found.serving, actual=True)
    write_csv(table, round_.folder / SCORES)
    if len(known) or (round_.folder / NOT_BLIND).exists():
        write_csv(known, round_.folder / NOT_BLIND)


def read_and_kept(round_: Round) -> Gathered:
    """Read a round once and keep what was read: for whatever then writes or answers a command."""
    return keep_read(gathered(round_))


def keep_line(rounds: Iterable[Round]) -> tuple[Gathered, ...]:
    """Read each round once and keep what was read."""
    return tuple(map(read_and_kept, rounds))


def _missing(found: Gathered) -> pd.DataFrame:
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


@checked_types(RoundError)
def scores(round_: Round | Gathered | str | Path, *, actual: bool = True) -> pd.DataFrame:
    """Return all scores of a round as one tidy table; nothing is written.

    Scores of a cook who knew which bake it was, or did not say that it was blind, are left out;
    :func:`check` keeps them apart, in `scores-not-blind.csv`. Where there are no others they
    stand, with a column `blind` that is false.

    Parameters
    ----------
    round_ : Round or Gathered, or its folder
        A round, or what was gathered from one already.
    actual : bool
        Whether a setting that was not as planned replaces the planned one.

    Returns
    -------
    DataFrame
        One row per tasting and, with the taster missing, one per bake that was measured, noted on
        or not made. Columns taster, sitting,
        place, kind, code, bake, day, load and other groups, role, status, reason, one per
        factor, one per measure (missing where there is no score; ticked words stay text), note.
        A bake that failed, was not served or not baked has its row and no score.

    Raises
    ------
    SheetError
        When anything must be mended first: the first problems with their places.
    """
    round_ = round_ if isinstance(round_, Gathered) else opened(round_)
    found = gathered(round_) if isinstance(round_, Round) else round_
    if found.problems:
        raise _refusal(found.problems)
    return tidied(found.round_, found, found.serving, actual=actual)[0]


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
    with writing(round_.folder):
        return _recorded(round_, tidy)


def _recorded(round_: Round, tidy: pd.DataFrame) -> list[Path]:
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
        if form.kind == TASTINGS:
            rows = _with_blindness(round_, rows)
        values = _values(form, rows)
        path = round_.folder / f"{form.kind}.xlsx"
        _check_room(form, path, values)
        written.append(write_bytes(path, draw_workbook(form, values, closed)))
        closed = without_score(serving, values)
        twin = path.with_suffix(".csv")
        if not twin.exists():
            write_csv(filled(form, {}), twin)
    return written


def _refusal(problems: list[Problem]) -> SheetError:
    first, *others = problems
    lines = [first.message, *(str(problem) for problem in others[: _LISTED - 1])]
    if others[_LISTED - 1 :]:
        lines.append(f"And {len(others) - _LISTED + 1} more; checking the round lists them all.")
    return SheetError("\n".join(lines), first.place)


def _record_actual(round_: Round, found: Gathered) -> None:
    """Write what was really done."""
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
    write_actual(round_, table)


def _with_codes(rows: pd.DataFrame, serving: pd.DataFrame) -> pd.DataFrame:
    served = scored_servings(serving).sort_values(["sitting", "place"])
    pair = ["taster", "bake"]
    served, rows = (table.assign(time=table.groupby(pair).cumcount()) for table in (served, rows))
    return rows.merge(served[[*pair, "time", "code"]], on=[*pair, "time"]).drop(columns="time")


def _with_blindness(round_: Round, rows: pd.DataFrame) -> pd.DataFrame:
    """Return tidy rows with what a cook said of them: blind, unless a column says that not."""
    cooks = [taster.name for taster in round_.tasters if taster.cooks]
    if not cooks or not len(rows) or rows.get(BLIND, pd.Series(dtype=object)).isin(YES_NO).any():
        return rows
    own = _tasted(round_, rows) & rows["taster"].isin(cooks)
    blind = pd.Series("", index=rows.index, dtype=object)
    knew = rows[BLIND].eq(False).fillna(False).astype(bool) if BLIND in rows else own & False
    blind[own & knew] = "no"
    blind[own & ~knew] = "yes"
    return rows.assign(**{BLIND: blind})


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
