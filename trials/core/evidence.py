"""`Evidence`: everything that is known, as one table, and the one rule by which rounds join.

Rounds come in as parts (:class:`Part`), read by whoever can read them; nothing here knows of files.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import FitError, TrialsError
from trials.base.html import answer
from trials.base.words import how_many, in_words, number, readable, tidy_number
from trials.core.factors import (
    Categorical,
    Component,
    Factor,
    Numeric,
    exists,
    factor_record,
    is_blank,
    key_of,
    plain,
)
from trials.core.measures import Measure
from trials.core.roles import Role, Status
from trials.core.terms import Model, model_terms
from trials.recipe.formula import Formula

ROUND = "round"
CONFIRMATION = "confirmation bakes"  # the family of a plan that holds one setting to the reference
# What a table of a round begins with; groups follow the day, factors and measures the rest
_BEFORE = (ROUND, "bake", "day")
_AFTER = ("role", "status", "reason", "taster", "sitting", "place", "kind", "code", "blind")
# Levels of a number nearer than this share of its range are one: a slip of the kitchen is no bend
_ONE_LEVEL = 0.1
_DIGITS = 12  # of a number in the digest: what every machine agrees on


@dataclass(frozen=True, eq=False)
class Part:
    """One round, or one table of one's own, as it is before it joins others.

    Parameters
    ----------
    name : str
    table : DataFrame
        Tidy scores, settings as they were really baked.
    factors : tuple of Factor or str
        Of its plan; of a table those that were given.
    measures : tuple of Measure
    planned : DataFrame or None
        The bakes as planned, one row each; None for a table.
    model : str, tuple of str or None
        The terms its plan was made to judge.
    groups : tuple of str
        The columns, beside the day, that say what bakes share.
    formula : Formula or None
        What its factors change.
    excluded : tuple of mappings
        Settings that never go together.
    confirms : bool
        Whether its trial bakes are all of one setting, to see whether it holds.
    same_day : bool
        Whether it was baked on the last day of the round before.
    slips : tuple of (str, str)
        What stands out in it: the measure it is about, or "" for all, and what is said.
    outside_range : bool
        Of a table, whether settings outside the range of their factor were really so.
    parents : mapping of str to sequence of str
        The bakes that are a parent of what is crossed, by its name.
    """

    name: str
    table: pd.DataFrame = field(repr=False)
    factors: tuple[Factor | str, ...] = ()
    measures: tuple[Measure, ...] = ()
    planned: pd.DataFrame | None = field(default=None, repr=False)
    model: Model = None
    groups: tuple[str, ...] = ()
    formula: Formula | None = field(default=None, repr=False)
    excluded: tuple[Mapping[str, Any], ...] = ()
    confirms: bool = False
    same_day: bool = False
    slips: tuple[tuple[str, str], ...] = ()
    outside_range: bool = False
    parents: Mapping[str, Sequence[str]] = field(default_factory=dict)

    @property
    def baked(self) -> bool:
        """Whether anything of it is known: a bake that was made or failed, or a table."""
        if self.planned is None or "status" not in self.table:
            return True
        return bool(was_baked(self.table["status"]).any())

    def has(self, factor: str) -> bool:
        """Say whether it tells the settings of a factor."""
        return factor in self.table


@dataclass(frozen=True, eq=False)
class Evidence:
    """Everything that is known: the scores of one round or of several joined, or of a table.

    Made once by :func:`trials.evidence` and passed on: every fit, picture, page and next step takes
    it. Frozen; asking it writes nothing.

    Parameters
    ----------
    table : DataFrame
        One row per tasting or bake measure. Of rounds: round, bake, day, what bakes share, role,
        status, reason, taster, sitting, place, kind, code, blind, one column per factor as really
        baked, one per measure, note. Of a table of one's own: round, then its own columns.
    factors : tuple of Factor
        Over the widest range of all rounds.
    measures : tuple of Measure
    groups : tuple of str
        The columns, beside day, bake and taster, that say what bakes share.
    rounds : tuple of str
        The rounds that speak, the first one first.
    exclusions : tuple of mappings
        Settings that never go together: factor -> level, or (low, high).
    confirmed : dict
        Round -> the setting whose bakes it held against the reference.
    waiting : tuple of str
        Rounds of which nothing is baked yet: they say nothing.
    left_out : tuple of str
        Rounds left out, each with its reason, as sentences; said before anything else.
    notes : tuple of str
        All that was left out, changed or renamed, and what stands out as a slip.
    slips : tuple of str
        Of the notes those on cells that deserve a look before any answer is believed.
    about : dict
        Measure -> notes that concern it alone.
    terms : str, tuple of str or None
        What the plans were made to judge; None where no plan said so.
    varied : tuple of str
        The factors that were planned to vary, within or between rounds.
    planned : DataFrame
        The bakes of all plans, settings as they were planned; empty for tables.

    Examples
    --------
    >>> one = pd.DataFrame({"bake": ["B1", "B2"], "rest": [20, 60], "liking": [5.0, 6.0]})
    >>> two = pd.DataFrame({"bake": ["B1", "B2"], "rest": [20, 40], "liking": [5.5, 6.0]})
    >>> from trials.core.factors import Numeric
    >>> made = joined([Part("1", one), Part("2", two)], [Numeric("rest", 20, 60, "min")])
    >>> made
    2 rounds, 4 bakes: rest 20 to 60 min. Evidence 43625505.
    Bakes of several rounds are called "B1" and "B2"; there the round stands in front of the name.
    1 setting baked in more than one round ties them together.
    >>> made.table["bake"].tolist()
    ['1 B1', '1 B2', '2 B1', '2 B2']
    """

    table: pd.DataFrame = field(repr=False)
    factors: tuple[Factor, ...]
    measures: tuple[Measure, ...] = ()
    groups: tuple[str, ...] = ()
    rounds: tuple[str, ...] = ()
    exclusions: tuple[Mapping[str, Any], ...] = ()
    confirmed: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    waiting: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    slips: tuple[str, ...] = ()
    about: Mapping[str, tuple[str, ...]] = field(default_factory=dict, repr=False)
    terms: Model = None
    varied: tuple[str, ...] = ()
    planned: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    parts: tuple[Part, ...] = field(default=(), repr=False)
    own_roles: tuple[str, ...] = field(default=(), repr=False)
    held: Mapping[str, Any] = field(default_factory=dict, repr=False)
    given: tuple[Factor | str, ...] | None = field(default=None, repr=False)

    @property
    def parents(self) -> dict[str, dict[str, Any]]:
        """The setting that each parent was baked at, by its name; none where nothing is crossed."""
        names = [factor.name for factor in self.factors]
        found: dict[str, dict[str, Any]] = {}
        for part in self.parts:
            if part.planned is None or not part.parents:
                continue
            # As all rounds together have them: a factor that came later stood at its usual setting
            rows = self.planned[self.planned[ROUND] == part.name]
            if len(rows) != len(part.planned):
                continue  # nothing of that round is baked yet
            bakes = rows.set_index(pd.Index(part.planned["bake"]))[names]
            for name, own in part.parents.items():
                if own and own[0] in bakes.index:
                    found.setdefault(name, bakes.loc[own[0]].to_dict())
        return found

    @property
    def failed(self) -> pd.DataFrame:
        """The bakes that failed, were not served or not baked, with their reasons."""
        if "status" not in self.table or "bake" not in self.table:
            return self.table.iloc[:0]
        lost = self.table["status"].isin([Status.FAILED, Status.NOT_SERVED, Status.NOT_BAKED])
        return self.table[lost].drop_duplicates("bake").reset_index(drop=True)

    @property
    def rows(self) -> pd.DataFrame:
        """The table without the round, unless that is a column of its own."""
        if self.parts and ROUND in self.parts[0].table:
            return self.table.copy()
        return self.table.drop(columns=ROUND)

    @property
    def several(self) -> bool:
        """Whether more than one round speaks."""
        return len(self.rounds) > 1

    @property
    def of_rounds(self) -> bool:
        """Whether plans stand behind it; a table of one's own has none."""
        return any(part.planned is not None for part in self.parts)

    def measure(self, name: str) -> Measure | None:
        """Return a measure by its name; None where it is not known."""
        return next((one for one in self.measures if one.name == name), None)

    def of(self, round_: str) -> pd.DataFrame:
        """Return the rows of one round."""
        return self.table[self.table[ROUND] == round_].reset_index(drop=True)

    def part(self, round_: str) -> Part:
        """Return what one round was before it was joined."""
        return next(one for one in self.parts if one.name == round_)

    def bakes(self, response: str | None = None) -> int:
        """Return how many bakes were made or failed: all, or in the rounds that asked this."""
        table = self.table
        if response is not None and response in table:
            scored = table.loc[table[response].map(lambda cell: not is_blank(cell)), ROUND]
            table = table[table[ROUND].isin(scored)]
        if "status" in table and self.of_rounds:
            table = table[was_baked(table["status"])]
        return int(table["bake"].nunique()) if "bake" in table else len(table)

    @property
    def unbaked(self) -> frozenset[str]:
        """The bakes that were planned and of which it is not said that they were made."""
        made = self.table.loc[was_baked(self.table["status"]), "bake"]
        return frozenset(self.planned["bake"]) - frozenset(made)

    def before(self, round_: str) -> "Evidence":
        """Return the evidence of the rounds before one, joined anew as if it had never been."""
        return self.first(self.rounds.index(round_))

    def first(self, count: int) -> "Evidence":
        """Return the evidence of the first rounds alone."""
        if count >= len(self.rounds):
            return self
        if count < 1:
            raise FitError(f'no round came before "{self.rounds[0]}".')
        last = self.rounds[count - 1]
        place = next(n for n, part in enumerate(self.parts) if part.name == last)
        return joined(self.parts[: place + 1], self.given, held=self.held)

    def opening(self, response: str) -> tuple[str, ...]:
        """Return what an answer rests on, said before anything else; nothing for one round.

        That it was not blind comes first of all.
        """
        known = self.blindness(response)
        if not self.several and not self.left_out:
            return known
        rounds = [one for one in self.rounds if self._speaks(one, response)]
        bakes = self.bakes(response)
        told = f"From {_count(len(rounds), 'round')}, {_count(bakes, 'bake')}."
        return (*known, *self.left_out, told)

    def blind(self, response: str) -> bool:
        """Whether nobody who scored a response knew which bake it was."""
        return not self._not_blind(response)

    def _not_blind(self, response: str) -> dict[str, list[str]]:
        """Return the tasters of each round who knew which bake they scored."""
        table = self.table
        if "blind" not in table or response not in table or "taster" not in table:
            return {}
        knew = table["blind"].astype("boolean").eq(False).fillna(False).astype(bool)
        rows = table[knew & ~table[response].map(is_blank) & table["taster"].notna()]
        return {
            str(name): list(dict.fromkeys(map(str, own["taster"])))
            for name, own in rows.groupby(ROUND, sort=False)
        }

    def wants_blind_pair(self, *responses: str) -> bool:
        """Whether a blind pair comes next: somebody knew the bake, and no blind round followed."""
        if all(map(self.blind, responses)):
            return False
        last = self.table[self.table[ROUND] == self.rounds[-1]]
        followed = "blind" in last and not last["blind"].eq(False).any()
        return not (followed and len(self.rounds) > 1)

    def blindness(self, response: str) -> tuple[str, ...]:
        """Return who knew which bake they scored, and what that means; nothing where nobody did."""
        found = self._not_blind(response)
        if not found:
            return ()
        people = list(dict.fromkeys(name for own in found.values() for name in own))
        where = f" in {in_words(found)}" if len(self.rounds) > 1 else ""
        pair = " Next: a blind pair, the best beside the reference bake."
        return (
            f"Not blind: {in_words(people)} knew which bake it was{where}, or did not say "
            "otherwise. What follows is what was scored; whether anything matters can not be told "
            f"from it.{pair if self.wants_blind_pair(response) else ''}",
        )

    def notes_on(self, response: str) -> tuple[str, ...]:
        """Return the notes that concern one response."""
        others = {note for name, own in self.about.items() if name != response for note in own}
        return tuple(note for note in self.notes if note not in others)

    def _speaks(self, round_: str, response: str) -> bool:
        own = self.table.loc[self.table[ROUND] == round_]
        return response in own and not own[response].map(is_blank).all()

    @cached_property
    def digest(self) -> str:
        """A short hash of the table, the factors and the measures.

        It does not depend on where a folder lies, nor on what rounds, bakes, days, loads and
        tasters are called.
        """
        columns: list[list[str]] = []
        for name in (ROUND, "bake", "day", *self.groups, "taster"):
            if name in self.table:
                codes = pd.factorize(self.table[name].where(self.table[name].notna(), None))[0]
                columns.append([name, *map(str, codes)])
        kept = ["role", "status", "place", *(one.name for one in self.factors)]
        measured = [one.name for one in self.measures] or self._numbers()
        told = [name for name in dict.fromkeys([*kept, *measured]) if name in self.table]
        columns += [[name, *map(_key, self.table[name])] for name in told]
        records = [factor_record(one) for one in self.factors]
        scales = [(one.name, str(one.scale), one.unit) for one in self.measures]
        whole = repr((columns, [_plainly(one) for one in records], scales))
        return hashlib.sha256(whole.encode()).hexdigest()[:8]

    def _numbers(self) -> list[str]:
        """Return the columns of a table without measures that may be responses."""
        taken = {ROUND, "bake", "day", "taster", "row", *self.groups}
        return [
            str(name)
            for name in self.table
            if name not in taken and pd.api.types.is_numeric_dtype(self.table[name])
        ]

    def sentence(self) -> str:
        """Return what is known, in one sentence."""
        ranges = in_words(f"{one.name} {_range_words(one)}" for one in self.factors)
        count = f"{_count(len(self.rounds), 'round')}, {_count(self.bakes(), 'bake')}"
        return f"{count}: {ranges}." if ranges else f"{count}."

    def __repr__(self) -> str:
        said = [f"{self.sentence()} Evidence {self.digest}.", *self.left_out, *self.notes]
        return "\n".join(said)

    def _repr_html_(self) -> str:
        shown = readable(self.table.dropna(axis=1, how="all").head(MOST_ROWS))
        left = len(self.table) - len(shown)
        more = [f"and {how_many(left, 'more row')}."] if left else []
        said = [self.sentence(), *self.left_out, *self.notes]
        return answer(said, [shown]) + answer([*more, f"Evidence {self.digest}."])


MOST_ROWS = 20  # that a notebook shows of everything known


def was_baked(status: pd.Series) -> pd.Series:
    """Say of every row whether its bake was made, whatever came of it.

    Examples
    --------
    >>> was_baked(pd.Series(["made", "failed", "not baked", ""])).tolist()
    [True, True, False, False]
    """
    said = status.astype(object).where(status.notna(), "")
    return ~said.astype(str).str.strip().isin(["", Status.NOT_BAKED.value])


# -- The rule by which rounds join. One part stays as it is.


def joined(
    parts: Sequence[Part],
    factors: Sequence[Factor | str] | None = None,
    *,
    held: Mapping[str, Any] | None = None,
) -> Evidence:
    """Return several rounds, or tables, as one.

    Factors are those of all plans over the widest range. Where a round did not vary one, it stands
    at `held`, else at what the formula of that round says, else the round is left out. Ids that
    clash get their round in front; days, loads and bakes of two rounds are never taken for one,
    but for a day that goes by the same name, not number, in both. Scores on a scale that changed
    are left out.
    """
    held = dict(held or {})
    given = None if factors is None else tuple(factors)
    named = _named(parts)
    told = [part for part in named if part.baked] or named[:1]
    waiting = tuple(part.name for part in named if part not in told)
    told, left_out = _telling(told, given, held)
    notes: list[str] = [
        f'Nothing of "{name}" is baked yet, so it says nothing here.' for name in waiting
    ]
    whole = given if given is not None else _union(told)
    if len(told) > 1:
        notes += _formula_notes(told)
    placed = [_placed(part, whole, held) for part in told]
    if given is None:
        whole = tuple(
            one if isinstance(one, str) else _reaching(one, placed, told) for one in whole
        )
    measures, tables, about = _one_scale(told, placed)
    groups = tuple(dict.fromkeys(name for part in told for name in part.groups))
    ids = (*dict.fromkeys(["load", *groups]),)
    plans = [_planned(part, table, whole) for part, table in zip(told, tables, strict=True)]
    renamed = _unique(told, tables, plans, ids)
    slips = _slips(told, about)
    notes += [*renamed, *(note for own in about.values() for note in own)]
    notes += [one for one in slips if one not in notes]
    table = _stacked(told, tables)
    names = [_name(one) for one in whole]
    if len(told) > 1:
        notes.append(_bridges(table, [name for name in names if name in table]))
    return Evidence(
        table=_in_columns(table, told, groups, names, measures),
        factors=whole,  # type: ignore[arg-type]  # names are read as factors by whoever can
        measures=measures,
        groups=groups,
        rounds=tuple(part.name for part in told),
        exclusions=told[-1].excluded,
        confirmed=_confirmed(told, plans, names),
        waiting=waiting,
        left_out=left_out,
        notes=tuple(notes),
        slips=slips,
        about=about,
        terms=_terms(told, whole, given),
        varied=_varied(told, placed, names),
        planned=_plans_stacked(told, plans, names, groups),
        parts=tuple(named),
        own_roles=_own_roles(told, placed, names),
        held=held,
        given=given,
    )


def _slips(parts: Sequence[Part], about: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
    """Return what stands out in all parts, and put it to the measures that it is about."""
    found = []
    for part in parts:
        for measure, said in part.slips:
            whole = f"{part.name}, {said}" if len(parts) > 1 and part.planned is not None else said
            found.append(whole)
            if measure:
                about[measure] = (*about.get(measure, ()), whole)
    return tuple(dict.fromkeys(found))


def _named(parts: Sequence[Part]) -> list[Part]:
    """Return the parts, no two of one name."""
    found: list[Part] = []
    for place, part in enumerate(parts, start=1):
        taken = {one.name for one in found}
        found.append(replace(part, name=f"{part.name} ({place})") if part.name in taken else part)
    return found


def _telling(
    parts: list[Part], given: tuple[Factor | str, ...] | None, held: Mapping[str, Any]
) -> tuple[list[Part], tuple[str, ...]]:
    """Return the rounds that tell the setting of every factor, and why others do not."""
    if len(parts) == 1:
        return parts, ()
    factors = given if given is not None else _union(parts)
    missing = {
        part.name: [one for one in factors if _told_by(part, one, held) is _UNTOLD]
        for part in parts
    }
    kept = [part for part in parts if not missing[part.name]]
    if not kept:
        name, lacking = next((name, own) for name, own in missing.items() if own)
        factor = _name(lacking[0])
        raise FitError(
            f'round "{name}" does not say where "{factor}" stood, nor does any other round tell '
            f'all that was varied; say at what it stood there: held={{"{factor}": ...}}.'
        )
    said = tuple(_left_words(name, own) for name, own in missing.items() if own)
    return kept, said


def _left_words(name: str, lacking: Sequence[Factor | str]) -> str:
    names = [_name(one) for one in lacking]
    asked = ", ".join(f'"{one}": ...' for one in names)
    quoted = in_words(f'"{one}"' for one in names)
    return (
        f'Round "{name}" is left out, as it does not say where {quoted} stood; name '
        f"{'it' if len(names) == 1 else 'them'}, as in held={{{asked}}}."
    )


def _name(factor: Factor | str) -> str:
    return factor if isinstance(factor, str) else factor.name


# -- Factors: the union of the plans over the widest range.


def _union(parts: Sequence[Part]) -> tuple[Factor | str, ...]:
    found: dict[str, Factor | str] = {}
    for part in parts:
        for factor in part.factors:
            known = found.get(_name(factor))
            if known is None or isinstance(known, str) or isinstance(factor, str):
                found.setdefault(_name(factor), factor)
            else:
                found[factor.name] = _wider(known, factor, part.name)
    return tuple(found.values())


def _wider(known: Factor, other: Factor, name: str) -> Factor:
    """Return the later factor, its range widened by what was tried before."""
    if type(known) is not type(other):
        raise FitError(f'"{other.name}" is of another kind in round "{name}" than before.')
    if known.changes != other.changes:
        raise FitError(
            f'"{other.name}" changes {_change_words(other)} in round "{name}" and '
            f"{_change_words(known)} before: two things under one name. Rename one of them, or "
            "take the round by itself (alone=True; on the command line --alone)."
        )
    if isinstance(known, Categorical) and isinstance(other, Categorical):
        keys = {key_of(level).casefold() for level in known.levels}
        new = [level for level in other.levels if key_of(level).casefold() not in keys]
        return replace(other, levels=(*known.levels, *new))
    if isinstance(known, Numeric) and isinstance(other, Numeric):
        if known.unit != other.unit:
            raise FitError(
                f'"{other.name}" is in {other.unit or "no unit"} in round "{name}" and in '
                f"{known.unit or 'no unit'} before; bring the rounds to one unit."
            )
        return _stretched(other, known.low, known.high)
    assert isinstance(other, Component)
    assert isinstance(known, Component)
    return replace(other, low=min(known.low, other.low), high=max(known.high, other.high))


def _change_words(factor: Factor) -> str:
    if factor.changes is None:
        return "nothing in the formula"
    kind, what = factor.changes[0], factor.changes[1]
    return f"({kind}, {what.name if isinstance(what, Formula) else what})"


def _stretched(factor: Numeric, low: float, high: float) -> Numeric:
    """Return a number that also reaches other limits; reference bakes stay where they are."""
    if factor.low <= low and high <= factor.high:
        return factor
    low, high = min(factor.low, low), max(factor.high, high)
    return replace(factor, low=low, high=high, centre=factor.middle, settings=())


def _reaching(factor: Factor, tables: Sequence[pd.DataFrame], parts: Sequence[Part]) -> Factor:
    """Return a factor that also reaches where it stood in rounds that did not vary it."""
    for table, part in zip(tables, parts, strict=True):
        if part.has(factor.name) or factor.name not in table:
            continue
        stood = table[factor.name].dropna()
        if stood.empty:
            continue
        value = stood.iloc[0]
        if isinstance(factor, Numeric):
            factor = _stretched(factor, float(value), float(value))
        elif isinstance(factor, Component):
            low, high = min(factor.low, float(value)), max(factor.high, float(value))
            factor = replace(factor, low=low, high=high)
        elif key_of(value) not in {key_of(level) for level in factor.levels}:
            factor = replace(factor, levels=(*factor.levels, value))
    return factor


# -- Where a factor stood in a round that did not vary it.

_UNTOLD = object()


def _told_by(part: Part, factor: Factor | str, held: Mapping[str, Any]) -> Any:
    """Return at what a factor stood in a round; `_UNTOLD` where nothing says so."""
    name = _name(factor)
    if part.has(name):
        return None
    if name in held:
        return held[name] if isinstance(factor, str) else _read_held(factor, held[name])
    if isinstance(factor, str):
        return _UNTOLD
    if _exists_nowhere(part, factor):
        return float("nan")
    return _by_formula(part.formula, factor)


def _read_held(factor: Factor, value: Any) -> Any:
    if isinstance(factor, Categorical):
        known = {key_of(level): level for level in factor.levels}
        return known.get(key_of(plain(value)), plain(value))
    try:
        return factor.read(value)
    except TrialsError as error:
        raise FitError(f"held: {error.message}") from None


def _exists_nowhere(part: Part, factor: Factor) -> bool:
    if factor.only_when is None or factor.only_when[0] not in part.table:
        return False
    there = exists(factor, part.table)
    return there is not None and not there.any()


def _by_formula(formula: Formula | None, factor: Factor) -> Any:
    """Return what a factor that changes the formula was in a formula left as it is."""
    if formula is None or factor.changes is None:
        return _UNTOLD
    kind, what, *rest = factor.changes
    part = rest[0] if rest else None
    if kind == "cross":
        return 0.0
    try:
        if kind == "total":
            value = float(formula.totals(part)[what])
        elif kind == "swap":
            has = _percent(formula, what, part) is not None
            known = {key_of(level).casefold(): level for level in getattr(factor, "levels", ())}
            return known.get(what.casefold(), what) if has else _UNTOLD
        else:
            value = _percent(formula, what, part) or 0.0
    except (TrialsError, KeyError):
        return _UNTOLD
    # A blend's share runs from 0 to 1; a formula counts in percent
    return value / 100 if isinstance(factor, Component) else value


def _percent(formula: Formula, ingredient: str, part: str | None) -> float | None:
    table = formula.grams(flour=100.0)
    own = table[table["ingredient"].str.casefold() == ingredient.casefold()]
    if part is not None and "part" in table:
        own = own[own["part"] == part]
    return float(own["percent"].sum()) if len(own) else None


def _placed(part: Part, factors: Sequence[Factor | str], held: Mapping[str, Any]) -> pd.DataFrame:
    """Return a part's table with a column for every factor of all rounds."""
    table = part.table.copy()
    if part.planned is None and not held:
        return table
    for factor in factors:
        value = _told_by(part, factor, held)
        if part.has(_name(factor)) or value is _UNTOLD:
            continue
        table[_name(factor)] = value
        if not isinstance(factor, str) and factor.only_when and factor.only_when[0] in table:
            there = exists(factor, table)
            table[_name(factor)] = table[_name(factor)].where(there)
    return table


def _formula_notes(parts: Sequence[Part]) -> list[str]:
    """Say where the formula that the factors change is another than in the round before."""
    said = []
    for before, after in pairwise(part for part in parts if part.formula is not None):
        old, new = _percents(before.formula), _percents(after.formula)
        moved = [
            f"{name} {tidy_number(new.get(name, 0.0), 4)} % instead of "
            f"{tidy_number(old.get(name, 0.0), 4)} %"
            for name in dict.fromkeys([*old, *new])
            if abs(old.get(name, 0.0) - new.get(name, 0.0)) > 1e-6
        ]
        if moved:
            said.append(
                f'The formula of "{after.name}" is not that of "{before.name}": {in_words(moved)}. '
                "What that did is part of the difference between the rounds."
            )
    return said


def _percents(formula: Formula | None) -> dict[str, float]:
    if formula is None:
        return {}
    table = formula.grams(flour=100.0)
    names = table["ingredient"]
    if "part" in table and table["part"].nunique() > 1:
        names = names + " (" + table["part"].astype(str) + ")"
    return {str(k): float(v) for k, v in table["percent"].groupby(names, sort=False).sum().items()}


# -- Measures: a scale that changed leaves its earlier scores out.


def _one_scale(
    parts: Sequence[Part], tables: Sequence[pd.DataFrame]
) -> tuple[tuple[Measure, ...], list[pd.DataFrame], dict[str, tuple[str, ...]]]:
    latest: dict[str, tuple[Measure, str]] = {}
    for part in parts:
        for measure in part.measures:
            latest.pop(measure.name, None)
            latest[measure.name] = (measure, part.name)
    order = {one.name: n for n, one in enumerate(parts[-1].measures)}
    names = sorted(latest, key=lambda name: order.get(name, len(order)))
    kept, about = [table.copy() for table in tables], dict[str, list[str]]()
    for place, part in enumerate(parts):
        for measure in part.measures:
            last, where = latest[measure.name]
            if (measure.scale, measure.unit) == (last.scale, last.unit):
                continue
            text = pd.api.types.is_object_dtype(kept[place][measure.name].dtype)
            kept[place][measure.name] = None if text else float("nan")
            about.setdefault(measure.name, []).append(
                f'"{measure.name}" was scored on another scale in round "{part.name}" '
                f'({_scale_words(measure)}) than in "{where}" ({_scale_words(last)}); its scores '
                f'of "{part.name}" are left out.'
            )
        for name in names:
            if name not in {one.name for one in part.measures} and name not in part.table:
                about.setdefault(name, []).append(
                    f'"{name}" was not scored in round "{part.name}".'
                )
    measures = tuple(latest[name][0] for name in names)
    return measures, kept, {name: tuple(own) for name, own in about.items()}


def _scale_words(measure: Measure) -> str:
    scale = measure.scale
    words = scale if isinstance(scale, str) else " ".join(map(_scale_part, scale))
    return f"{words}, {measure.unit}" if measure.unit else words


def _scale_part(value: object) -> str:
    return tidy_number(float(value)) if isinstance(value, int | float) else str(value)


# -- Ids: days, loads and bakes of two rounds are never one by accident.


def _unique(
    parts: Sequence[Part],
    tables: list[pd.DataFrame],
    plans: list[pd.DataFrame],
    groups: Sequence[str],
) -> list[str]:
    """Make the ids in tables and plans unique; say which bakes and days that concerns."""
    if len(parts) < 2:
        return []
    both = [tables, plans]
    said = [note for name in ("day", *groups) for note in _counted_on(parts, both, name)]
    clashing = _in_front(parts, both, "bake")
    if clashing:
        some = in_words([f'"{one}"' for one in clashing[:3]] + ["others"] * (len(clashing) > 3))
        said.append(
            f"Bakes of several rounds are called {some}; there the round stands in front of the "
            "name."
        )
    return said


def _counted_on(parts: Sequence[Part], both: Sequence[list[pd.DataFrame]], name: str) -> list[str]:
    """Count the days or loads of each round on from those before; names of one's own stay.

    Numbers start anew in every round. Any other name of a day, such as a date, is its own: two
    rounds that share it were baked on one and the same day.
    """
    own = [_labels(both, n, name) for n in range(len(parts))]
    held = [n for n, labels in enumerate(own) if len(labels)]
    numbers = {n: _whole(own[n]) for n in held}
    if name == "day" and 0 < len(held) < len(parts):
        own = _with_a_day(parts, both, own, names=any(one is None for one in numbers.values()))
        held = list(range(len(parts)))
        numbers = {n: _whole(own[n]) for n in held}
    if any(found is None for found in numbers.values()):
        if name == "day":
            return _shared_days(parts, own)
        _in_front(parts, both, name)
        return []
    last = 0
    for n in held:
        found = numbers[n]
        assert found is not None
        shift = max(0, last - int(found.min()) + 1)
        if name == "day" and parts[n].same_day and last:
            shift = last - int(found.min())
        for tables in both:
            whole = _whole(tables[n][name]) if name in tables[n] else None
            if whole is not None:
                tables[n][name] = whole + shift
        last = int(found.max()) + shift
    return []


def _with_a_day(
    parts: Sequence[Part],
    both: Sequence[list[pd.DataFrame]],
    labels: Sequence[pd.Series],
    *,
    names: bool,
) -> list[pd.Series]:
    """Take a round that names no day, beside rounds that do, as baked on one day of its own."""
    found = list(labels)
    for n, own in enumerate(labels):
        if len(own):
            continue
        day = parts[n].name if names else 1
        for tables in both:
            if len(tables[n]):
                tables[n]["day"] = day
        found[n] = pd.Series([day], dtype=object)
    return found


def _labels(both: Sequence[list[pd.DataFrame]], n: int, name: str) -> pd.Series:
    columns = [tables[n][name].astype(object) for tables in both if name in tables[n]]
    found = pd.concat(columns, ignore_index=True) if columns else pd.Series(dtype=object)
    return found[~found.map(is_blank).astype(bool)].drop_duplicates()


def _whole(column: pd.Series) -> pd.Series | None:
    """Return ids as whole numbers, gaps staying gaps; None where they are names."""
    values: list[int | None] = []
    for cell in column:
        found = None if is_blank(cell) or isinstance(cell, bool) else number(str(cell))
        if not is_blank(cell) and (found is None or found != int(found)):
            return None
        values.append(None if found is None else int(found))
    whole = pd.Series(pd.array(values, dtype="Int64"), index=column.index)
    return whole if whole.isna().any() else whole.astype(int)


def _shared_days(parts: Sequence[Part], labels: Sequence[pd.Series]) -> list[str]:
    said = []
    known: dict[str, str] = {}
    for part, own in zip(parts, labels, strict=True):
        for day in own.astype(str):
            if day in known:
                said.append(
                    f'Rounds "{known[day]}" and "{part.name}" share the day "{day}" and so its '
                    "level; if these were two days, give each a name of its own."
                )
            known[day] = part.name
    return said


def _in_front(parts: Sequence[Part], both: Sequence[list[pd.DataFrame]], name: str) -> list[str]:
    """Put the round in front of the names that stand in more than one; return those names."""
    seen: dict[str, set[int]] = {}
    for n in range(len(parts)):
        for label in _labels(both, n, name).astype(str):
            seen.setdefault(label, set()).add(n)
    clashing = [label for label, where in seen.items() if len(where) > 1]
    for n in range(len(parts)) if clashing else ():
        for tables in both:
            if name not in tables[n]:
                continue
            column = tables[n][name].astype(object)
            again = column.notna() & column.astype(str).isin(clashing)
            tables[n][name] = column.where(~again, f"{parts[n].name} " + column.astype(str))
    return clashing


# -- The table: one row per score, the round in front.


def _stacked(parts: Sequence[Part], tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    if len(parts) == 1 and ROUND in tables[0]:
        return tables[0].copy()
    named = [
        table.drop(columns=ROUND, errors="ignore").assign(**{ROUND: part.name})
        for part, table in zip(parts, tables, strict=True)
    ]
    if len(named) == 1:
        return named[0]
    whole = pd.concat([table.astype(object) for table in named], ignore_index=True)
    for name in whole:
        kinds = {table[name].dtype for table in named if name in table}
        alike = len(kinds) == 1 and all(name in table for table in named)
        numbers = all(pd.api.types.is_numeric_dtype(kind) for kind in kinds)
        if alike:
            whole[name] = whole[name].astype(kinds.pop())
        elif numbers and not any(pd.api.types.is_bool_dtype(kind) for kind in kinds):
            known = pd.to_numeric(whole[name], errors="coerce")
            of_ids = any(str(kind) == "Int64" for kind in kinds)
            whole[name] = known.astype("Int64") if of_ids else known.astype(float)
    return whole


def _in_columns(
    table: pd.DataFrame,
    parts: Sequence[Part],
    groups: Sequence[str],
    factors: Sequence[str],
    measures: Sequence[Measure],
) -> pd.DataFrame:
    if any(part.planned is None for part in parts):
        return pd.concat([table[[ROUND]], table.drop(columns=ROUND)], axis=1)
    if "blind" not in table and "taster" in table:
        # What a cook knew while tasting is kept apart by whoever reads the sheets
        table = table.assign(blind=pd.array([True] * len(table), dtype="boolean"))
        table["blind"] = table["blind"].where(table["taster"].notna())
    shared = dict.fromkeys(["load", *groups])
    order = [*_BEFORE, *shared, *_AFTER, *factors, *(one.name for one in measures)]
    first = [name for name in dict.fromkeys(order) if name in table]
    return table[[*first, *(name for name in table if name not in first)]]


def _planned(part: Part, table: pd.DataFrame, factors: Sequence[Factor | str]) -> pd.DataFrame:
    """Return the bakes of a part as planned, with a setting for every factor of all rounds."""
    if part.planned is None:
        return pd.DataFrame()
    rows = part.planned.copy()
    for factor in factors:
        name = _name(factor)
        if name not in rows and name in table:
            stood = table.drop_duplicates("bake").set_index("bake")[name]
            rows[name] = rows["bake"].map(stood)
            rows[name] = rows[name].where(rows[name].notna(), stood.iloc[0])
    return rows


def _plans_stacked(
    parts: Sequence[Part],
    plans: Sequence[pd.DataFrame],
    factors: Sequence[str],
    groups: Sequence[str],
) -> pd.DataFrame:
    """Return all plans as the rows of one."""
    named = [(part, rows) for part, rows in zip(parts, plans, strict=True) if len(rows)]
    if not named:
        return pd.DataFrame()
    whole = _stacked([part for part, _ in named], [rows for _, rows in named])
    whole["load"] = whole["load"].astype("Int64") if "load" in whole else pd.NA
    others = [name for name in groups if name != "load" and name in whole]
    return whole[["bake", "day", "load", "role", *factors, *others, ROUND]]


# -- What was asked, what was varied, what stands apart and what was held against the reference.


def _bridges(table: pd.DataFrame, names: Sequence[str]) -> str:
    """Say what ties the rounds together."""
    shown = table[list(names)].map(_key).assign(**{ROUND: table[ROUND]})
    many = shown.groupby(list(names), dropna=False)[ROUND].nunique() if names else pd.Series([0])
    common = int((many > 1).sum())
    if common:
        noun = "setting" if common == 1 else "settings"
        tie = "ties" if common == 1 else "tie"
        return f"{common} {noun} baked in more than one round {tie} them together."
    return (
        "No setting was baked in more than one round, so a change made only between rounds can not "
        "be told from the round itself; bake a reference in each."
    )


def _terms(
    parts: Sequence[Part],
    factors: Sequence[Factor | str],
    given: tuple[Factor | str, ...] | None,
) -> Model:
    """Return the union of the plans' terms, every factor by itself first."""
    if len(parts) == 1:
        return parts[0].model if given is None else None
    names = [_name(one) for one in factors]
    terms: list[str] = []
    for part in parts:
        own = [one for one in part.factors if not isinstance(one, str)]
        if part.planned is None or not own:
            continue
        try:
            found = model_terms(part.model, own)
        except TrialsError:
            continue
        terms += [term.name for term in found if set(term.factors) <= set(names)]
    if not terms:
        return None
    if any(isinstance(one, Component) for one in factors):
        return tuple(dict.fromkeys(terms))
    return tuple(dict.fromkeys([*names, *terms]))


def _varied(
    parts: Sequence[Part], tables: Sequence[pd.DataFrame], names: Sequence[str]
) -> tuple[str, ...]:
    """Return the factors that plans, or rounds beside one another, set to several levels."""
    if all(part.planned is None for part in parts):
        return tuple(names)
    found = []
    for name in names:
        columns = [
            part.planned[name] if part.planned is not None and name in part.planned else table[name]
            for part, table in zip(parts, tables, strict=True)
            if name in table or (part.planned is not None and name in part.planned)
        ]
        if not columns or pd.concat([one.astype(object) for one in columns]).nunique() > 1:
            found.append(name)
    return tuple(found)


def _own_roles(
    parts: Sequence[Part], tables: Sequence[pd.DataFrame], names: Sequence[str]
) -> tuple[str, ...]:
    """Return the roles whose bakes have a term of their own: those at one setting in all rounds.

    A round's reference is the setting that most of its reference bakes had, so that a degree off
    in one of them makes no second reference.
    """
    found = []
    for role in (Role.REFERENCE, Role.CENTRE):
        settings: set[tuple[str, ...]] = set()
        for table in tables if len(tables) > 1 else ():
            if "role" not in table:
                continue
            own = table[table["role"] == role]
            own = own.drop_duplicates("bake") if "bake" in own else own
            shown = [
                tuple(_key(row[name]) for name in names if name in own)
                for row in own.to_dict("records")
            ]
            if shown:
                settings.add(max(dict.fromkeys(shown), key=shown.count))
        if len(settings) < 2:
            found.append(role.value)
    return tuple(found)


def _confirmed(
    parts: Sequence[Part], plans: Sequence[pd.DataFrame], names: Sequence[str]
) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for place, (part, rows) in enumerate(zip(parts, plans, strict=True)):
        if not (part.confirms and place and len(rows)):
            continue
        trial = rows[rows["role"] == Role.TRIAL]
        held = [name for name in names if name in trial]
        if len(trial) and len(trial[held].astype(str).drop_duplicates()) == 1:
            found[part.name] = {name: plain(trial[name].iloc[0]) for name in held}
    return found


def levels_apart(factor: Numeric, settings: Iterable[Any]) -> int:
    """Return how many levels a number had, those nearer than a tenth of its range being one.

    Examples
    --------
    >>> levels_apart(Numeric("oil", 160, 180), [160, 161, 170, 180])
    3
    """
    known = np.array([float(value) for value in settings if not is_blank(value)])
    if not len(known):
        return 0
    steps = np.diff(np.unique(known))
    return 1 + int((steps >= _ONE_LEVEL * (factor.high - factor.low) * (1 - 1e-9)).sum())


def _key(value: object) -> str:
    """Return a cell as the digest knows it: 10, 10.0 and "10" are one."""
    if is_blank(value):
        return ""
    if isinstance(value, bool | np.bool_):
        return str(bool(value))
    if isinstance(value, int | float | np.number):
        return tidy_number(float(value), _DIGITS)
    found = number(str(value))
    return str(value) if found is None else tidy_number(found, _DIGITS)


def _plainly(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    return sorted((key, str(value)) for key, value in record.items() if key != "centre")


def _range_words(factor: Factor) -> str:
    if isinstance(factor, Categorical):
        return in_words([factor.show(level) for level in factor.levels], "or")
    low, high = factor.show(factor.low), factor.show(factor.high)
    unit = getattr(factor, "unit", "")
    return f"{low.removesuffix(unit).rstrip() if unit else low} to {high}"


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
