"""The extremes of a round baked once before it begins, so that its limits can still move."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from trials.base.errors import Place, RoundError, TrialsError
from trials.base.files import read_csv, write_csv
from trials.base.keeping import sound_path
from trials.base.words import in_words, number
from trials.core.factors import Numeric, is_blank
from trials.core.plan import Plan
from trials.core.roles import Role
from trials.design.divided import ways_of_cooking
from trials.design.midway import shown_setting
from trials.recipe.cautions import is_frying
from trials.recipe.formula import Formula
from trials.rounds.mixing import in_place_of
from trials.rounds.reading import EMPTY_WORDS, Note, Problem
from trials.rounds.round import Round

EXTREMES = "extremes.csv"
COLUMNS = ("bake", "settings", "status", "reason", "limit")
FEWEST = 6  # bakes of a round, for which a bake beforehand pays
Limits = Mapping[str, tuple[float | None, float | None]]  # by factor; None for an end that stays
INWARDS = 0.25  # of its range that a limit moves where nobody says how far
# Which end of a number is the bolder one: wetter, hotter, richer, longer bakes spread, tear, burn
# or fall; less flour or egg does so too (common practice, no source)
_BOLD_LOW = re.compile(r"flour|starch|egg", re.IGNORECASE)
_BOLD = "likeliest to spread, tear, burn or fall"
_MEEK = "likeliest to stay hard, pale, raw or dense"
_MEEK_FRIED = "likeliest to stay hard or dense"
_ENDS = {
    "hydration": ("the driest", "the wettest"),
    "fat": ("the leanest", "the richest"),
    "heat": ("the coolest", "the hottest"),
}
_VARIES = 1.0  # percent of the flour: less of water or fat makes no bake an extreme


@dataclass(frozen=True, eq=False)
class Tried:
    """What came of the extremes.

    Parameters
    ----------
    table : DataFrame
        As `extremes.csv` holds it: bake, settings, status, reason, limit.
    failed : tuple of str
        The bakes that failed.
    limits : mapping of str to (low, high)
        Where the limits are to move to.
    problems, notes : tuple
    """

    table: pd.DataFrame
    failed: tuple[str, ...] = ()
    limits: Limits = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    notes: tuple[Note, ...] = ()


def extremes(plan: Plan, formulas: Mapping[str, Formula] | None = None) -> tuple[str, ...]:
    """Return the planned bakes that are the likeliest to fail: the boldest and the meekest.

    None where nothing is a number, or the round is too short for a bake beforehand. Where the
    formula of each bake is given, the water and the fat of its dough count too, whatever brings
    them; so does whether it is fried.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> wet, heat = Numeric("hydration", 50, 60, "%"), Numeric("oven", 180, 220, "°C")
    >>> plan = full_factorial([wet, heat], replicates=2, seed=1)
    >>> rows = plan.table.set_index("bake").loc[list(extremes(plan)), ["hydration", "oven"]]
    >>> rows.values.tolist()
    [[60.0, 220.0], [50.0, 180.0]]
    """
    numbers = [factor for factor in plan.factors if isinstance(factor, Numeric)]
    rows = plan.rows[plan.rows["role"] != Role.REFERENCE]
    if not numbers or len(rows) < FEWEST:
        return ()
    doughs = _of_the_dough(plan, formulas or {})
    bold = {
        str(row["bake"]): sum(_boldness(factor, row[factor.name]) for factor in numbers)
        + sum(held[str(row["bake"])] for held in doughs.values())
        + _fried(plan, row)
        for row in rows.to_dict("records")
    }
    most, least = max(bold, key=bold.__getitem__), min(bold, key=bold.__getitem__)
    return (most, least) if bold[most] > bold[least] else ()


def _boldness(factor: Numeric, value: Any) -> float:
    if is_blank(value):
        return 0.0
    coded = float(factor.code([value])[0])
    named = " ".join([factor.name, *map(str, (factor.changes or ())[1:2])])
    return -coded if _BOLD_LOW.search(named) else coded


def _of_the_dough(plan: Plan, formulas: Mapping[str, Formula]) -> dict[str, dict[str, float]]:
    """Return the water and the fat of each planned bake's dough, from -1 to 1, where they vary.

    What a number sets itself is counted with that number.
    """
    rows = plan.rows[plan.rows["role"] != Role.REFERENCE]
    found = {}
    for total in ("hydration", "fat"):
        if any((factor.changes or ())[:2] == ("total", total) for factor in plan.factors):
            continue
        held = {
            str(bake): float(formulas[bake].totals()[total])
            for bake in rows["bake"]
            if bake in formulas
        }
        low, high = min(held.values(), default=0.0), max(held.values(), default=0.0)
        if high - low > _VARIES:
            found[total] = {bake: 2 * (own - low) / (high - low) - 1 for bake, own in held.items()}
    return found


def _fried(plan: Plan, row: Mapping[str, Any]) -> int:
    """Return 1 for a bake that is fried and -1 for one that is not, 0 where none or all are."""
    for way in ways_of_cooking(plan.factors):
        fried = [is_frying(str(kind)) for kind in way.levels]
        if any(fried) and not all(fried):
            return 1 if is_frying(str(row[way.name])) else -1
    return 0


def _named(round_: Round, bake: str, end: int, *, known: bool = False) -> str:
    """Return what makes a bake an extreme, and what it may do where that is not known."""
    plan = round_.plan
    row = plan.rows.set_index("bake").loc[bake].to_dict()
    said = [
        _ENDS[total][end > 0]
        for total, held in _of_the_dough(plan, _mixed(round_)).items()
        if held[bake] == end
    ]
    for factor in plan.factors:
        if isinstance(factor, Numeric) and not is_blank(row[factor.name]):
            what = (factor.changes or ("", ""))[1] if (factor.changes or "")[:1] else ""
            kind = "heat" if factor.unit.strip("°").casefold() in ("c", "f") else what
            at = float(factor.code([row[factor.name]])[0])
            if kind in _ENDS and at == end:
                said.append(_ENDS[kind][end > 0])
    fried = _fried(plan, row)
    shown = in_words([*said, *(["fried"] if fried > 0 else [])])
    if known:
        return shown or "one of the extremes"
    tail = _BOLD if end > 0 else _MEEK_FRIED if fried > 0 else _MEEK
    if shown and (said or end > 0):
        return f"{shown}: {tail}"
    return tail


def suggested(round_: Round) -> list[str]:
    """Return why and how the extremes are baked before the round begins; nothing where not."""
    done = round_.parent or round_.plan.details.get("tried")
    found = () if done else extremes(round_.plan, _mixed(round_))
    if not found:
        return []
    rows = round_.plan.rows.set_index("bake")
    parents = _parents(round_, found)
    told = [
        f"{bake} ({_made_as(round_, rows.loc[bake].to_dict())}), {_named(round_, bake, end)}"
        for bake, end in zip(found, (1, -1), strict=True)
        if bake not in parents
    ]
    known = [
        f"{bake}, {_named(round_, bake, end, known=True)}, is {parents[bake]} itself"
        for bake, end in zip(found, (1, -1), strict=True)
        if bake in parents
    ]
    spared = [f"{'; '.join(known)}: you know how that comes out."] if known else []
    if not told:
        return [f"Nothing needs baking before the round. {spared[0]}"]
    extreme = "extremes" if len(told) > 1 else "other extreme" if known else "extreme"
    return [
        *spared,
        f"Before the round, bake its {extreme} once, small, just to look at: {'; '.join(told)}.",
        f"Write what came of them into {EXTREMES}; if one failed, trials replan moves the limits.",
    ]


def _made_as(round_: Round, row: Mapping[str, Any]) -> str:
    """Return the settings of a bake, with what is mixed in place of an ingredient that is set."""
    factors = round_.plan.factors
    said = shown_setting(factors, row)
    instead = in_place_of(round_.formula, factors, row) if round_.formula else {}
    for name, new in instead.items():
        one = f"{name} {round_.plan.factor(name).show(row[name])}"
        said = said.replace(one, f"{one} as {new}")
    return said


def _mixed(round_: Round) -> Mapping[str, Formula]:
    """Return what each bake is mixed of; nothing where a round has no formula."""
    return round_.formulas if round_.formula else {}


def baked_first(round_: Round) -> tuple[str, ...]:
    """Return the extremes that are to be baked before the round: those that no parent is."""
    if round_.parent or round_.plan.details.get("tried"):
        return ()
    found = extremes(round_.plan, _mixed(round_))
    return tuple(bake for bake in found if bake not in _parents(round_, found))


def _parents(round_: Round, bakes: Sequence[str]) -> dict[str, str]:
    """Return which of some bakes are as a parent is, whole: by bake, the parent's name."""
    plan = round_.plan
    names = [factor.name for factor in plan.factors]
    rows = plan.rows.set_index("bake")[names].astype(str)
    nearly = plan.details.get("nearly", ())
    return {
        bake: name
        for name, own in plan.details.get("parents", {}).items()
        for bake in bakes
        if name not in nearly and own and rows.loc[bake].equals(rows.loc[own[0]])
    }


def write_extremes(round_: Round) -> list[Any]:
    """Write `extremes.csv` where it helps and is not there; what was entered stays."""
    path = round_.folder / EXTREMES
    found = () if path.exists() else baked_first(round_)
    if not found:
        return []
    rows = round_.plan.rows.set_index("bake")
    told = [
        [bake, shown_setting(round_.plan.factors, rows.loc[bake].to_dict()), "", "", ""]
        for bake in found
    ]
    return [write_csv(pd.DataFrame(told, columns=list(COLUMNS)), path)]


def read_extremes(round_: Round) -> Tried:
    """Return what came of the extremes, and where the limits are to move; nothing is written."""
    path = round_.folder / EXTREMES
    if not path.is_file():
        return Tried(pd.DataFrame(columns=list(COLUMNS)))
    table = read_csv(sound_path(path, round_.folder))
    missing = [name for name in ("bake", "status") if name not in table]
    if missing:
        mend = "Take the file away and write the sheets again; then enter it anew."
        here = Place(EXTREMES)
        return Tried(table, problems=(Problem(here, f"no column {in_words(missing)}", "", mend),))
    table = table.reindex(columns=list(COLUMNS), fill_value="")
    problems, notes = [], []
    failed: list[str] = []
    limits: Limits = {}
    before = set(round_.plan.details.get("tried", ()))  # they have moved the limits already
    rows = round_.plan.rows.set_index("bake")
    for at, row in zip(table.index, table.to_dict("records"), strict=True):
        status = str(row["status"]).strip().casefold()
        bake = str(row["bake"]).strip()
        if status in EMPTY_WORDS or bake in before:
            continue
        if bake not in rows.index or status not in ("made", "failed"):
            where = Place(
                EXTREMES, row=int(at), column="bake" if bake not in rows.index else "status"
            )
            found = bake if bake not in rows.index else status
            expected = "a bake of the plan" if bake not in rows.index else "made or failed"
            problems.append(Problem(where, f"{found!r} was found", expected))
            continue
        if status == "made":
            continue
        failed.append(bake)
        here = Place(EXTREMES, row=int(at), column="limit")
        try:
            own = _limits_of(round_.plan, rows.loc[bake].to_dict(), row)
        except TrialsError as error:
            problems.append(Problem(here, error.message.rstrip("."), "a limit such as oven=..180"))
            continue
        limits = joined(limits, own)
        if own:
            notes.append(Note(here, f"{bake} failed before the round: {_move_words(round_, own)}"))
    if table["status"].astype(str).str.strip().ne("").any() and not (failed or problems or before):
        notes.append(Note(Place(EXTREMES), "the extremes came out; the limits stay as planned."))
    return Tried(table, tuple(failed), limits, tuple(problems), tuple(notes))


def joined(limits: Limits, more: Limits) -> Limits:
    """Return limits with more of them: of two for one end the later stands, and each end counts.

    Examples
    --------
    >>> joined({"oven": (None, 210.0)}, {"oven": (190.0, None), "rest": (20.0, None)})
    {'oven': (190.0, 210.0), 'rest': (20.0, None)}
    """
    found = dict(limits)
    for name, (low, high) in more.items():
        had_low, had_high = found.get(name, (None, None))
        found[name] = (had_low if low is None else low, had_high if high is None else high)
    return found


def _limits_of(plan: Plan, setting: Mapping[str, Any], row: Mapping[str, Any]) -> Limits:
    """Return where limits move after a bake failed: as said, else inwards at each end it was at."""
    words = str(row["limit"]).strip()
    if words.casefold() not in EMPTY_WORDS:
        told = dict(limit_of(one) for one in re.split(r"[;,]\s*(?=[^;,=]+=)", words))
        for name in told:
            if not isinstance(plan.factor(name), Numeric):
                raise RoundError(f'"{name}" is a kind and has no limits; replan it without one.')
        return told
    numbers = [one for one in plan.factors if isinstance(one, Numeric)]
    named = [one for one in numbers if one.name.casefold() in str(row["reason"]).casefold()]
    limits: dict[str, tuple[float | None, float | None]] = {}
    for factor in named or numbers:
        value = setting[factor.name]
        if is_blank(value):
            continue
        step = INWARDS * (factor.high - factor.low)
        if value >= factor.high:
            limits[factor.name] = (None, _round(factor, factor.high - step))
        elif value <= factor.low:
            limits[factor.name] = (_round(factor, factor.low + step), None)
    return limits


def _round(factor: Numeric, value: float) -> float:
    if factor.step:
        return factor.low + factor.step * round((value - factor.low) / factor.step)
    return float(f"{value:.3g}")


def _move_words(round_: Round, limits: Limits) -> str:
    told = []
    for name, (low, high) in limits.items():
        factor = round_.plan.factor(name)
        ends = (factor.show(end) for end in (low, high) if end is not None)
        told.append(f"{name} would {'end at' if high is not None else 'begin at'} {in_words(ends)}")
    return (
        f"{in_words(told)}. To move the limits before the round begins: trials replan; to say "
        "another limit, write it into the column limit, such as oven=..180."
    )


def limit_of(words: str) -> tuple[str, tuple[float | None, float | None]]:
    """Return a factor and its limits from words; None for an end that stays.

    Examples
    --------
    >>> limit_of("oven temperature=..180"), limit_of("rest=20..40")
    (('oven temperature', (None, 180.0)), ('rest', (20.0, 40.0)))
    """
    name, sign, ends = words.rpartition("=")
    low, dots, high = ends.partition("..")
    found = [number(end.strip()) if end.strip() else None for end in (low, high)]
    wrong = any(end.strip() and got is None for end, got in zip((low, high), found, strict=True))
    if not (sign and name.strip() and dots) or wrong or found == [None, None]:
        raise RoundError(
            f"{words!r} was found as a limit; NAME=165..180 was expected, or NAME=..180 where only "
            "the upper one changes."
        )
    return name.strip(), (found[0], found[1])
