"""`Round`: one plan carried out, kept as a folder of plain files."""

import contextlib
import csv
import io
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pandas as pd
import tomli_w
from markupsafe import Markup

from trials.base.arguments import checked_types
from trials.base.errors import (
    MeasureError,
    Place,
    RoundError,
    SheetError,
    TastingError,
    TrialsError,
)
from trials.base.files import plain_cell, read_csv, write_csv, write_text
from trials.base.html import answer
from trials.base.keeping import (
    RECEIVED,
    copy_of,
    digest_of,
    finished,
    one_step,
    sound_path,
    staged,
)
from trials.base.version import __version__
from trials.base.words import how_many, in_words, number, tidy_number
from trials.core.factors import (
    Categorical,
    Factor,
    check_nested,
    factor_from,
    factor_record,
    group_names,
)
from trials.core.measures import Measure, measure_from, measure_record, measures_named
from trials.core.plan import FIXED_COLUMNS, Plan, new_seed
from trials.core.roles import Role
from trials.recipe.formula import Formula
from trials.rounds.kitchen import (
    Batch,
    Kitchen,
    Prices,
    Step,
    batch_from,
    batch_record,
    check_steps,
    kitchen_from,
    kitchen_record,
    prices_from,
    prices_record,
    step_from,
    step_record,
)
from trials.rounds.mixing import formulas_of
from trials.tasting.panel import (
    Taster,
    check_avoided,
    check_panel,
    taster_from,
    taster_record,
)

# -- The plain files of a round folder: settings in `round.toml`, tables in CSV.
#
# `round.toml` holds what can not stand in a table (factors, measures, tasters, the formula, how
# the plan was made); `plan.csv` holds the planned bakes and is the authority on them.


TOGETHER, FRESH = "together", "fresh"  # when pieces are tasted
FORMAT = 2
OLD_FORMAT = 1  # still read; what is written is written anew
SETTINGS = "round.toml"
PLAN = "plan.csv"
SERVING = "serving.csv"


def write_settings(folder: Path, settings: Mapping[str, Any]) -> Path:
    """Write `round.toml`, with the format's number and the program's version in front.

    Examples
    --------
    >>> import tempfile
    >>> print(write_settings(Path(tempfile.mkdtemp()), {"name": "one"}).read_text().split()[:3])
    ['format', '=', '2']
    """
    content = {"format": FORMAT, "written_by": f"trials {__version__}", **settings}
    return write_text(folder / SETTINGS, tomli_w.dumps(_without_none(content)))


def read_settings(folder: Path) -> dict[str, Any]:
    """Read `round.toml`.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = write_settings(folder, {"name": "one"})
    >>> read_settings(folder)["name"]
    'one'
    """
    return _read_settings(folder)[0]


def _read_settings(folder: Path) -> tuple[dict[str, Any], str]:
    from trials.rounds.schema import line_of_key, read_toml

    path = folder / SETTINGS
    if not path.is_file():
        raise RoundError(f'"{folder}" is not a round folder: it holds no {SETTINGS}.')
    settings, text = read_toml(sound_path(path, folder))
    found = settings.get("format")
    here = Place(SETTINGS, line=line_of_key(text, ["format"]))
    if not isinstance(found, int) or isinstance(found, bool) or found < OLD_FORMAT:
        raise RoundError(f"format = {FORMAT} was expected, {found!r} was found.", here)
    if found > FORMAT:
        raise RoundError(
            f"the folder has format {found}; this program knows formats up to {FORMAT}. "
            "Update trials to open it; nothing was changed.",
            here,
        )
    return settings, text


@contextlib.contextmanager
def writing(folder: Path, *, new: bool = False) -> Iterator[None]:
    """Write into a round's folder as one step, in the format of today, and note what was written.

    The digests of `plan.csv` and `serving.csv` go into `round.toml`: without them nobody could see
    that one column was sorted by itself. A folder that was renamed meanwhile is not made anew.
    """
    if not new and staged(folder / SETTINGS) is None and not (folder / SETTINGS).is_file():
        raise RoundError(
            f'the round is not in "{folder}" any more. If the folder was renamed or moved, open '
            "the round where it is now; nothing was written."
        )
    with one_step(folder):
        if (folder / SETTINGS).is_file():
            _upgrade(folder)
        yield
        _note_written(folder)


def _upgrade(folder: Path) -> None:
    """Write the files of a folder of an older format anew; the step keeps them as they were."""
    settings = read_settings(folder)
    if settings["format"] == FORMAT or staged(folder / SETTINGS) is not None:
        return
    for name in (PLAN, SERVING):
        if (folder / name).is_file():
            write_csv(_renamed(read_csv(folder / name)), folder / name)
    own = {key: value for key, value in settings.items() if key not in _WRITTEN_ANEW}
    write_settings(folder, own)


def _renamed(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table of format 1 in the words of format 2."""
    table = table.rename(columns={"position": "place"})
    if "role" in table:
        table["role"] = table["role"].replace({"control": Role.REFERENCE.value})
    return table


_WRITTEN_ANEW = ("format", "written_by")
_DIGESTS = re.compile(r"^\[written\]\n.*?(?=^\[|\Z)", re.MULTILINE | re.DOTALL)


def _note_written(folder: Path) -> None:
    new = {name: staged(folder / name) for name in (PLAN, SERVING)}
    digests = {name: _digest(content) for name, content in new.items() if content is not None}
    path = folder / SETTINGS
    content = staged(path)
    if not digests or (content is None and not path.is_file()):
        return
    text = (path.read_bytes() if content is None else content).decode("utf-8-sig")
    known = tomllib.loads(text).get("written", {})
    if {**known, **digests} == known:
        return
    section = tomli_w.dumps({"written": {**known, **digests}})
    text = _DIGESTS.sub("", text).rstrip("\n")
    write_text(path, f"{text}\n\n{section}")
    for name in digests:
        # A copy to put back from, should somebody sort a column by itself
        copy_of(folder, name, new[name] or b"")


def _digest(content: bytes) -> str:
    """Return the digest of a table, whoever saved it: rows and cells, not quotes or line ends."""
    rows = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
    return _digest_of([[_cell(cell) for cell in row] for row in rows])


def _digest_of(rows: list[list[str]]) -> str:
    lines = "\n".join("\x1f".join(row).rstrip("\x1f") for row in rows)
    return digest_of(lines.encode("utf-8"))[:32]


def _cell(text: str) -> str:
    text = plain_cell(text.strip())
    value = number(text) if text[:1].isdigit() or text[:1] == "-" else None
    return text if value is None else tidy_number(value, 10)


def check_written(
    folder: Path, name: str, table: pd.DataFrame, settings: Mapping[str, Any]
) -> None:
    """Refuse a table of the program's own that was changed since it was written."""
    wanted = settings.get("written", {}).get(name)
    header = [str(one) for one in table.columns]
    body = [[_cell(str(cell)) for cell in row] for row in table.to_numpy().tolist()]
    if wanted is None or _digest_of([header, *body]) == wanted:
        return
    copies = sorted((folder / RECEIVED).glob(f"*-{name}"), reverse=True)
    found = ((one, _first_change(table, one, wanted)) for one in copies)
    copy, (place, differs) = next(((one, at) for one, at in found if at), (None, (None, "")))
    whence = f"received/{copy.name}" if copy else "a copy of yours"
    raise SheetError(
        f"this was changed since the program wrote it{differs}, and bakes may stand beside codes "
        f"and settings that are not theirs. If it was not meant, put back {whence}; if it was, "
        f'take the line "{name}" out of [written] in {SETTINGS}, and it counts as it stands.',
        place or Place(name),
    )


def kept_copy(folder: Path, name: str) -> Path | None:
    """Return the copy of a table of the program's own as it was written last; None without one."""
    wanted = read_settings(folder).get("written", {}).get(name)
    copies = sorted((folder / RECEIVED).glob(f"*-{name}"), reverse=True)
    return next((one for one in copies if wanted and _digest(one.read_bytes()) == wanted), None)


def plan_before(round_: "Round") -> pd.DataFrame | None:
    """Return the bakes as the program wrote them, where the plan now counts as edited by hand."""
    path = round_.folder / SETTINGS
    if not path.is_file() or PLAN in read_settings(round_.folder).get("written", {}):
        return None
    for copy in sorted((round_.folder / RECEIVED).glob(f"*-{PLAN}"), reverse=True):
        with contextlib.suppress(SheetError):
            return _bakes(_renamed(read_csv(copy)), PLAN, round_.plan.factors)
    return None


def _first_change(table: pd.DataFrame, copy: Path, wanted: str) -> tuple[Place, str] | None:
    """Return where a table first differs from a copy of it as it was written, and in what."""
    if _digest(copy.read_bytes()) != wanted:
        return None
    before, name = read_csv(copy), copy.name.split("-", 2)[2]
    for column in before:
        if column not in table:
            return Place(name, column=str(column)), f" (no column {column!r})"
        pairs = zip(table.index, table[column], before[column], strict=False)
        found = next(((at, new, old) for at, new, old in pairs if _cell(new) != _cell(old)), None)
        if found is not None:
            row, new, old = found
            here = Place(name, row=int(row), column=str(column))
            return here, f" ({new[:60]!r} stands where {old[:60]!r} was written)"
    count = len(table) - len(before)
    more = f" ({abs(count)} row{'' if abs(count) == 1 else 's'} {'more' if count > 0 else 'less'})"
    return Place(name), more if count else ""


def change_settings(folder: Path, changed: Mapping[str, Any]) -> Path:
    """Write `round.toml` with some of its settings changed and all others as they are."""
    settings = {k: v for k, v in read_settings(folder).items() if k not in _WRITTEN_ANEW}
    written = settings.pop("written", None)  # stands last
    return write_settings(folder, {**settings, **changed, "written": written})


def plan_record(plan: Plan) -> dict[str, Any]:
    """Return what `round.toml` keeps of a plan; its bakes go to `plan.csv`."""
    return {
        "family": plan.family,
        "model": plan.model if isinstance(plan.model, str) else list(plan.model),
        "seed": plan.seed,
        "reasons": list(plan.reasons),
        "excluded": [_plain(rule) for rule in plan.excluded],
        "details": _plain(plan.details),
    }


def write_plan(folder: Path, plan: Plan) -> Path:
    """Write the planned bakes to `plan.csv`."""
    return write_csv(plan.table, folder / PLAN)


def read_plan(folder: Path, settings: Mapping[str, Any]) -> Plan:
    """Return the plan of a folder: the bakes of `plan.csv` with what `round.toml` says of them."""
    factors = tuple(factor_from(record) for record in settings["factors"])
    record = settings["plan"]
    model = record["model"]
    table = read_csv(sound_path(folder / PLAN, folder))
    if settings["format"] == OLD_FORMAT:
        table = _renamed(table)
    rows = _bakes(table, PLAN, factors)
    check_written(folder, PLAN, table, settings)
    return Plan(
        factors=factors,
        rows=rows,
        family=_family_key(record["family"]),
        model=model if isinstance(model, str) else tuple(model),
        seed=record["seed"],
        reasons=tuple(record.get("reasons", ())),
        excluded=tuple(record.get("excluded", ())),
        details=record.get("details", {}),
    )


def _family_key(told: str) -> str:
    """Return the key of a plan's family; format 1 told it as a sentence."""
    return re.split(r",| \(| of degree ", told)[0].strip()


def _bakes(text: pd.DataFrame, file: str, factors: tuple[Factor, ...]) -> pd.DataFrame:
    """Return the bakes of a plan file, settings being read as their factors understand them."""
    groups = [name for name in group_names(factors) if name != "load" and name in text]
    wanted = [*FIXED_COLUMNS, *(factor.name for factor in factors), *groups]
    missing = [name for name in wanted if name not in text]
    if missing:
        raise SheetError(f"no column {in_words(map(repr, missing))}.", Place(file))
    bakes = text[wanted].reset_index(drop=True).astype({"bake": str, "role": str})
    rows = list(text.index)
    for name in ("day", "load", *groups):
        bakes[name] = [
            _count(value, Place(file, row=row, column=name))
            for value, row in zip(bakes[name], rows, strict=True)
        ]
        bakes[name] = bakes[name].astype(int if name == "day" else "Int64")
    for factor in factors:
        bakes[factor.name] = [
            _setting(factor, value, Place(file, row=row, column=factor.name))
            for value, row in zip(bakes[factor.name], rows, strict=True)
        ]
    try:
        check_nested(factors, bakes, rows)
    except TrialsError as error:
        raise SheetError(error.message, Place(file)) from None
    for row, bake in zip(rows, bakes["bake"], strict=True):
        if not _BAKE.fullmatch(bake):
            place = Place(file, row=row, column="bake")
            raise SheetError(
                f"a bake is called {bake[:60]!r}; expected a short name of letters and digits.",
                place,
            )
    for row, role in zip(rows, bakes["role"], strict=True):
        if role not in set(Role):
            place = Place(file, row=row, column="role")
            raise SheetError(f"{role[:60]!r} was found; expected {in_words(Role, 'or')}.", place)
    twice = bakes["bake"][bakes["bake"].duplicated()]
    if len(twice):
        row = rows[twice.index[0]]
        place = Place(file, row=row, column="bake")
        raise SheetError(f'"{twice.iloc[0]}" stands here a second time.', place)
    return bakes


# Photos and pages are called after bakes
_BAKE = re.compile(r"[^\W_][\w .+-]{0,39}")


def _count(text: str, place: Place) -> int | None:
    if not text and place.column != "day":
        return None
    value = number(text)
    if value is None or value != int(value):
        raise SheetError(f"{text!r} was found; a whole number was expected.", place)
    return int(value)


def _setting(factor: Factor, text: str, place: Place) -> Any:
    try:
        return factor.read(text)
    except TrialsError as error:
        raise SheetError(error.message, place) from None


def _plain(value: Any) -> Any:
    """Return nested data as TOML can hold it."""
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple | set):
        return [_plain(inner) for inner in value]
    if hasattr(value, "tolist"):
        return value.tolist()
    return value


def _without_none(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _without_none(inner) for key, inner in value.items() if inner is not None}
    if isinstance(value, list | tuple):
        return [_without_none(inner) for inner in value if inner is not None]
    return value


# -- `Round`: one plan carried out, kept as a folder of plain files.


ACTUAL = "actual.csv"
# Columns that every sheet has beside the factors and measures
SHEET_COLUMNS = frozenset({"sitting", "place", "kind", "code", "reason", "note", "round"})


@dataclass(frozen=True, eq=False)
class Round:
    """One plan carried out: what is baked, what is scored, who tastes, in one folder.

    Parameters
    ----------
    folder : Path
        Where its files are.
    plan : Plan
    measures : tuple of Measure
    formula : Formula or None
    tasters : tuple of Taster
    seed : int
        For codes and serving orders.
    name : str
        As the folder is called, unless another name is given.
    parent : str
        The folder of the round before, or empty.
    sitting : int or None
        The most samples a taster meets in one sitting.
    invented : bool
        True where the scores are made up to show the way, and every page says so.
    batch : Batch
        How much of each bake is made; 500 g of dough when nothing is said.
    steps : tuple of Step
        What a bake, a load or a day goes through, in order; empty where nothing is said.
    kitchen : Kitchen or None
        What there is to work with, and when.
    prices : Prices or None
        What the ingredients cost.
    taste : "together" or "fresh"
        When pieces are tasted: all of a sitting at once, held alike; or each as it is ready.

    Examples
    --------
    >>> import tempfile
    >>> from trials.design.layout import lay_out
    >>> from trials.core.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main")
    >>> folder = tempfile.mkdtemp() + "/one"
    >>> round_ = Round.create(folder, plan=plan, measures=[Measure("liking", "hedonic 9")])
    >>> Round.open(folder).plan.table.equals(plan.table)
    True
    """

    folder: Path
    plan: Plan
    measures: tuple[Measure, ...]
    formula: Formula | None = None
    tasters: tuple[Taster, ...] = ()
    seed: int = 0
    name: str = ""
    parent: str = ""
    sitting: int | None = None
    invented: bool = False
    batch: Batch = field(default_factory=Batch)
    steps: tuple[Step, ...] = ()
    kitchen: Kitchen | None = None
    prices: Prices | None = None
    taste: str = TOGETHER

    @cached_property
    def formulas(self) -> Mapping[str, Formula]:
        """The formula of every bake: the round's own with what its settings change.

        Raises
        ------
        RoundError
            When the round has no formula.
        FormulaError
            When a bake's settings can not be mixed.
        """
        if self.formula is None:
            raise RoundError("this round has no formula, so there is nothing to weigh; name one.")
        return MappingProxyType(formulas_of(self.formula, self.plan))

    @staticmethod
    @checked_types(RoundError)
    def create(
        folder: str | Path,
        *,
        plan: Plan,
        measures: Measure | str | Sequence[Measure | str],
        formula: Formula | None = None,
        tasters: Sequence[Taster | str] = (),
        seed: int | None = None,
        name: str = "",
        parent: str = "",
        sitting: int | None = None,
        invented: bool = False,
        batch: Batch | None = None,
        steps: Sequence[Step] = (),
        kitchen: Kitchen | None = None,
        prices: Prices | None = None,
        taste: str = TOGETHER,
    ) -> "Round":
        """Make the folder of a new round; an existing round is never overwritten.

        The very same round made again is opened as it stands, so a notebook can be run anew.

        Raises
        ------
        RoundError
            When the folder already holds another round, or a step can not be done in the kitchen.
        MeasureError
            When nothing is scored, or two columns of the sheets would have one name.
        FormulaError
            When the settings of a bake can not be mixed.
        TastingError
            When two tasters can not be kept apart, or one avoids something that nothing knows.
        """
        round_ = checked_round(
            Round(
                folder=Path(folder),
                plan=plan,
                measures=measures_named(measures),
                formula=formula,
                tasters=check_panel(tasters) if tasters else (),
                seed=new_seed() if seed is None else int(seed),
                name=name or Path(folder).name,
                parent=str(parent),
                sitting=sitting,
                invented=invented,
                batch=batch or Batch(),
                steps=tuple(steps),
                kitchen=kitchen,
                prices=prices,
                taste=taste,
            )
        )
        with writing(round_.folder, new=True):
            if (round_.folder / SETTINGS).exists():
                return _same(round_, Round.open(round_.folder))
            save_round(round_)
        return round_

    @staticmethod
    @checked_types(RoundError)
    def open(folder: str | Path) -> "Round":
        """Open the round of a folder.

        Raises
        ------
        RoundError, SheetError
            When the folder holds no round, a newer one, or one that was damaged.
        """
        folder = Path(folder)
        finished(folder)
        from trials.rounds.schema import check_shape

        settings, text = _read_settings(folder)
        check_shape("round", settings, text, SETTINGS)
        try:
            return Round(
                folder=folder,
                plan=read_plan(folder, settings),
                measures=tuple(measure_from(record) for record in settings["measures"]),
                formula=Formula.from_dict(settings["formula"]) if "formula" in settings else None,
                tasters=tuple(taster_from(record) for record in settings.get("tasters", ())),
                seed=settings["seed"],
                name=settings.get("name", folder.name),
                parent=settings.get("parent", ""),
                sitting=settings.get("sitting"),
                invented=settings.get("invented", False),
                batch=batch_from(settings.get("batch", {})),
                steps=tuple(step_from(record) for record in settings.get("steps", ())),
                kitchen=kitchen_from(settings["kitchen"]) if "kitchen" in settings else None,
                prices=prices_from(settings["prices"]) if "prices" in settings else None,
                taste=settings.get("taste", TOGETHER),
            )
        except TrialsError as error:
            if isinstance(error, SheetError):
                raise
            raise RoundError(error.message, error.place or Place(SETTINGS)) from None
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
            raise RoundError(f"something in it can not be: {error}.", Place(SETTINGS)) from None

    def measure(self, name: str) -> Measure:
        """Return a measure by its name; a MeasureError when there is none."""
        for measure in self.measures:
            if measure.name == name:
                return measure
        known = in_words((measure.name for measure in self.measures), "or")
        raise MeasureError(f'nothing called "{name}" is scored; expected {known}.')

    def __repr__(self) -> str:
        scored = in_words(measure.name for measure in self.measures)
        tasters = how_many(len(self.tasters), "taster") if self.tasters else "no tasters named"
        return f"{self.name}: {self.plan.sentence()}; {scored}; {tasters}."

    def _repr_html_(self) -> str:
        said = [repr(self), *(["All scores are invented."] if self.invented else [])]
        return answer(said) + Markup(self.plan._repr_html_())


def opened(round_: Round | str | Path) -> Round:
    """Return a round; of a folder the one that lies in it."""
    return round_ if isinstance(round_, Round) else Round.open(round_)


def check_people(round_: Round) -> None:
    """Refuse a round whose tasters can not be kept apart, or avoid what nothing could check.

    A plan made anew, another formula or a line changed by hand may make it so: asked before
    anything is planned, printed or served.
    """
    tasters = check_panel(round_.tasters) if round_.tasters else ()
    formula = round_.formula
    levels = [
        str(level)
        for factor in round_.plan.factors
        if isinstance(factor, Categorical)
        for level in factor.levels
    ]
    check_avoided(tasters, formula.table_of_ingredients if formula else None, levels)
    careful = next((one for one in tasters if one.avoids), None)
    if careful is not None and formula is None:
        raise TastingError(
            f"{careful.name} avoids {in_words(careful.avoids)}, and this round has no formula, so "
            "nothing says which bakes hold it. Give the round its formula; or write it into "
            "also_avoids, and check every plate by hand."
        )


def checked_round(round_: Round) -> Round:
    """Return a round that can be carried out; nothing is written."""
    if round_.taste not in (TOGETHER, FRESH):
        raise RoundError(f'taste is {round_.taste!r}; expected "{TOGETHER}" or "{FRESH}".')
    _check_measures(round_.measures, round_.plan)
    if round_.tasters:
        round_ = replace(round_, tasters=check_panel(round_.tasters))
    check_people(round_)
    if round_.formula is not None:
        _ = round_.formulas
    if round_.steps:
        check_steps(round_.plan, round_.steps, round_.kitchen or Kitchen())
    return round_


def save_round(round_: Round) -> None:
    """Write a round's plan and settings into its folder, with nothing done so far."""
    with writing(round_.folder, new=True):
        write_plan(round_.folder, round_.plan)
        write_actual(round_, blank_actual(round_.plan))
        write_settings(round_.folder, _settings(round_))


def blank_actual(plan: Plan) -> pd.DataFrame:
    """Return the table of what was really done, with nothing entered yet.

    Columns are bake, status (made, failed, not served or not baked), reason, note, and one per
    factor for a setting that was not as planned.
    """
    names = ["bake", "status", "reason", "note", *(factor.name for factor in plan.factors)]
    table = pd.DataFrame("", index=plan.rows.index, columns=names, dtype=object)
    table["bake"] = plan.rows["bake"]
    return table


def write_actual(round_: Round, table: pd.DataFrame) -> Path:
    """Write what was really done to `actual.csv`."""
    return write_csv(table, round_.folder / ACTUAL)


def read_actual(round_: Round) -> pd.DataFrame:
    """Return what was really done, as text; see :func:`blank_actual`."""
    return read_csv(round_.folder / ACTUAL)


class FolderHeldError(RoundError):
    """The folder of a new round holds another one already."""


def same_round(one: Round, other: Round) -> bool:
    """Say whether two rounds are the same in all but where their files are."""
    table, its = one.plan.table, other.plan.table
    return _settings(one) == _settings(other) and table.astype(str).equals(its.astype(str))


def _same(wanted: Round, found: Round) -> Round:
    """Return the round that is there if it is the one wanted."""
    if same_round(wanted, found):
        return found
    raise FolderHeldError(f'"{wanted.folder}" already holds another round; choose another folder.')


def _check_measures(measures: Sequence[Measure], plan: Plan) -> None:
    if not measures:
        raise MeasureError("nothing is scored; name at least one measure.")
    taken = {factor.name.casefold() for factor in plan.factors} | set(plan.groups)
    clash = taken & SHEET_COLUMNS
    if clash:
        raise RoundError(f'a factor is called "{min(clash)}", a column that the sheets need.')
    taken |= SHEET_COLUMNS
    for measure in measures:
        if measure.name.casefold() in taken:
            raise MeasureError(
                f'"{measure.name}" is already a factor, a group, a measure or a column of the '
                "sheets."
            )
        taken.add(measure.name.casefold())
    scored = [measure.name for measure in measures]
    for factor in plan.factors:
        for way in ("raises", "lowers"):
            strange = next((one for one in getattr(factor, way, ()) if one not in scored), None)
            if strange is not None:
                raise MeasureError(
                    f'"{factor.name}" {way} "{strange}", which is not scored; expected '
                    f"{in_words(scored, 'or')}."
                )


def _settings(round_: Round) -> dict[str, Any]:
    tasters = [taster_record(one) for one in round_.tasters]
    return {
        "name": round_.name,
        "seed": round_.seed,
        "parent": round_.parent,
        "sitting": round_.sitting,
        "invented": round_.invented,
        "factors": [factor_record(factor) for factor in round_.plan.factors],
        "measures": [measure_record(measure) for measure in round_.measures],
        "tasters": tasters,
        "formula": round_.formula.to_dict() if round_.formula else None,
        "batch": batch_record(round_.batch) or None,
        "steps": [step_record(step) for step in round_.steps] or None,
        "kitchen": kitchen_record(round_.kitchen) if round_.kitchen else None,
        "prices": prices_record(round_.prices) if round_.prices else None,
        "taste": FRESH if round_.taste == FRESH else None,
        "plan": plan_record(round_.plan),
    }


# -- The line of rounds: each knows the one before.


MOST_ROUNDS = 100


def line_of(round_: Round) -> tuple[Round, ...]:
    """Return a round with all the rounds before it, the first one first."""
    line = [round_]
    while line[0].parent:
        folder = parent_folder(line[0])
        if len(line) > MOST_ROUNDS or any(folder.samefile(one.folder) for one in line):
            raise RoundError(f'"{line[0].folder}" names a round that follows it as the one before.')
        line.insert(0, Round.open(folder))
    return tuple(line)


def parent_folder(round_: Round) -> Path:
    """Return the folder of the round before."""
    folder = round_.folder / round_.parent
    if not folder.is_dir():
        raise RoundError(
            f'"{round_.folder}" follows the round "{round_.parent}", which is not there. Put the '
            "folder back, or take the round by itself: alone=True (on the command line --alone)."
        )
    return folder
