"""The plain files of a round folder: settings in `round.toml`, tables in CSV.

`round.toml` holds what can not stand in a table (factors, measures, tasters, the formula, how
the plan was made); `plan.csv` holds the planned bakes and is the authority on them.
"""

import glob
import hashlib
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import tomli_w

from trials.design.plan import FIXED_COLUMNS, Plan
from trials.errors import Place, RoundError, SheetError, TrialsError
from trials.factor_records import factor_from
from trials.factors import Factor, group_names
from trials.nesting import check_nested
from trials.tables import in_words, number, read_csv, write_bytes, write_csv, write_text
from trials.version import __version__

FORMAT = 1
SETTINGS = "round.toml"
PLAN = "plan.csv"


def write_settings(folder: Path, settings: Mapping[str, Any]) -> Path:
    """Write `round.toml`, with the format's number and the program's version in front.

    Parameters
    ----------
    folder : Path
    settings : mapping
        Plain data; entries that are None are left out.

    Returns
    -------
    Path
        The file written.

    Examples
    --------
    >>> import tempfile
    >>> print(write_settings(Path(tempfile.mkdtemp()), {"name": "one"}).read_text().split()[:3])
    ['format', '=', '1']
    """
    content = {"format": FORMAT, "written_by": f"trials {__version__}", **settings}
    return write_text(folder / SETTINGS, tomli_w.dumps(_without_none(content)))


def read_settings(folder: Path) -> dict[str, Any]:
    """Read `round.toml`.

    Raises
    ------
    RoundError
        When it is missing, is not TOML, or was written by a newer program.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = write_settings(folder, {"name": "one"})
    >>> read_settings(folder)["name"]
    'one'
    """
    path = folder / SETTINGS
    here = Place(SETTINGS)
    if not path.is_file():
        raise RoundError(f'"{folder}" is not a round folder: it holds no {SETTINGS}.')
    try:
        settings = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RoundError(f"this file can not be read: {error}.", here) from None
    found = settings.get("format")
    if not isinstance(found, int) or isinstance(found, bool) or found < FORMAT:
        raise RoundError(f"format = {FORMAT} was expected, {found!r} was found.", here)
    if found > FORMAT:
        raise RoundError(
            f"the folder has format {found}; this program knows formats up to {FORMAT}. "
            "Update trials to open it; nothing was changed.",
            here,
        )
    return settings


def plan_record(plan: Plan) -> dict[str, Any]:
    """Return what `round.toml` keeps of a plan; its bakes go to `plan.csv`.

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60)
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main")
    >>> plan_record(plan)["family"]
    'ends'
    """
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
    """Return the plan of a folder: the bakes of `plan.csv` with what `round.toml` says of them.

    Raises
    ------
    SheetError
        When `plan.csv` is missing, lacks a column, or holds a setting that is none of its factor's.
    """
    factors = tuple(factor_from(record) for record in settings["factors"])
    record = settings["plan"]
    model = record["model"]
    return Plan(
        factors=factors,
        rows=read_bakes(folder / PLAN, factors),
        family=record["family"],
        model=model if isinstance(model, str) else tuple(model),
        seed=record["seed"],
        reasons=tuple(record.get("reasons", ())),
        excluded=tuple(record.get("excluded", ())),
        details=record.get("details", {}),
    )


def read_bakes(path: Path, factors: tuple[Factor, ...]) -> pd.DataFrame:
    """Return the bakes of a plan file, settings being read as their factors understand them.

    Parameters
    ----------
    path : Path
        A CSV with the columns bake, day, load, role and one per factor.
    factors : tuple of Factor

    Returns
    -------
    DataFrame

    Raises
    ------
    SheetError
        Naming the file, the row and the column.
    """
    text = read_csv(path)
    groups = [name for name in group_names(factors) if name != "load" and name in text]
    wanted = [*FIXED_COLUMNS, *(factor.name for factor in factors), *groups]
    missing = [name for name in wanted if name not in text]
    if missing:
        raise SheetError(f"no column {in_words(map(repr, missing))}.", Place(path.name))
    bakes = text[wanted].reset_index(drop=True).astype({"bake": str, "role": str})
    rows = list(text.index)
    for name in ("day", "load", *groups):
        bakes[name] = [
            _count(value, Place(path.name, row=row, column=name))
            for value, row in zip(bakes[name], rows, strict=True)
        ]
        bakes[name] = bakes[name].astype(int if name == "day" else "Int64")
    for factor in factors:
        bakes[factor.name] = [
            _setting(factor, value, Place(path.name, row=row, column=factor.name))
            for value, row in zip(bakes[factor.name], rows, strict=True)
        ]
    try:
        check_nested(factors, bakes)
    except TrialsError as error:
        raise SheetError(error.message, Place(path.name)) from None
    twice = bakes["bake"][bakes["bake"].duplicated()]
    if len(twice):
        row = rows[twice.index[0]]
        place = Place(path.name, row=row, column="bake")
        raise SheetError(f'"{twice.iloc[0]}" stands here a second time.', place)
    return bakes


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


def received(folder: Path, path: Path, now: datetime | None = None) -> Path:
    """Keep a file exactly as it came, under `received/`, named by time and content.

    Parameters
    ----------
    folder : Path
        The round folder.
    path : Path
        The file that came.
    now : datetime, optional
        When; now if left out.

    Returns
    -------
    Path
        The kept copy; the same content is kept once.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> came = write_text(folder / "tastings.csv", "bake,liking\\n")
    >>> received(folder, came) == received(folder, came)
    True
    """
    content = path.read_bytes()
    digest = hashlib.sha256(content).hexdigest()[:16]
    kept = sorted((folder / "received").glob(f"*-{digest}-{glob.escape(path.name)}"))
    if kept:
        return kept[0]
    stamp = (now or datetime.now(UTC)).strftime("%Y%m%dT%H%M%SZ")
    return write_bytes(folder / "received" / f"{stamp}-{digest}-{path.name}", content)


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
