"""What may stand in `idea.toml` and in `round.toml`, told once, and every mistake with its line.

The shapes are pydantic models, loaded only where a file is read; what a value means (a scale, a
level, a flour) is left to the records that are made of it.
"""

import re
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from trials.base.errors import Place, RoundError, TrialsError
from trials.base.words import in_words

LARGEST = 1_000_000  # bytes; the settings of a large round are some tens of thousands
DEEPEST = 12  # tables and lists within each other

Text = Annotated[str, Field(max_length=2_000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Number = Annotated[float, Field(allow_inf_nan=False, ge=-1e12, le=1e12)]
Count = Annotated[int, Field(ge=0, le=10_000)]
Seed = Annotated[int, Field(ge=0, le=2**63 - 1)]
Level = Annotated[str, Field(max_length=200)] | Number | bool
Nested = dict[str, Any]


class _Shape(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")


# A factor and those of its kinds that something exists for
OnlyWhen = Annotated[list[Name | list[Level]], Field(min_length=2, max_length=2)]


class _Factor(_Shape):
    kind: Literal["numeric", "categorical", "component"] | None = None
    name: Name
    low: Number | None = None
    high: Number | None = None
    unit: Text = ""
    levels: Annotated[list[Level], Field(max_length=200)] | None = None
    hard_to_change: bool | Name = False
    centre: Number | None = None
    settings: list[Number] | None = None
    step: Number | None = None
    changes: Annotated[list[Name | Nested], Field(max_length=5)] | None = None
    only_when: OnlyWhen | None = None
    peak: bool = False
    raises: list[Name] = []
    lowers: list[Name] = []
    by_hand: bool = False
    group: Text = ""


class _Measure(_Shape):
    name: Name
    scale: Name | Annotated[list[Name | Number], Field(max_length=5)]
    unit: Text = ""
    per: Text = "tasting"
    goal: Name | Annotated[list[Name | Number], Field(max_length=5)] | None = None
    worth_noticing: Number | None = None
    words: list[Text] = []
    anchors: list[Text] = []


class _Taster(_Shape):
    name: Name
    avoids: Text | list[Text] = []
    also_avoids: Text | list[Text] = []
    days: list[Count] = []
    cooks: bool = False


class _Batch(_Shape):
    dough: Number | None = None
    pieces: Number | None = None
    piece: Number | None = None
    smallest: Number | None = None
    loss: Number | None = None
    scales: Annotated[list[Number], Field(max_length=10)] | None = None


class _Step(_Shape):
    name: Name
    minutes: Number | Name
    needs: Text | list[Text] = []
    per: Name = "bake"
    wait: Number | None = None
    only_when: OnlyWhen | None = None


class _Heat(_Shape):
    thing: Name
    factor: Text = ""
    setting: Number = 0
    room: Number = 0
    up: Number = 1
    down: Number = 1
    between_loads: Number = 0
    between_bakes: Number = 0
    only_when: OnlyWhen | None = None


class _Kitchen(_Shape):
    things: dict[Name, Count] = {}
    heats: list[_Heat] = []
    start: Text = ""
    until: Text = ""
    safe: Number = 0
    fresh: Number | None = None
    oil_fill: Number = 0


class _Prices(_Shape):
    currency: Text = ""
    per_kilogram: dict[Name, Number] = {}


Parts = dict[Name, Number | dict[Name, Number]]


class _Formula(_Shape):
    name: Name
    parts: Parts
    origin: Text = ""
    also_flour: list[Text] = []
    aside: list[Text] = []
    ingredients: list[Nested] = []
    only_when: dict[Name, OnlyWhen] = {}


class _Process(_Shape):
    name: Name
    first: Level
    second: Level
    unit: Text = ""
    also: Annotated[list[Level], Field(max_length=50)] = []
    hard_to_change: bool | Name = False
    heat: Annotated[list[Text], Field(max_length=52)] = []
    minutes: Annotated[list[Number], Field(max_length=52)] = []


class _Both(_Shape):
    factors: Annotated[list[_Factor], Field(min_length=1, max_length=50)]
    measures: Annotated[list[_Measure], Field(min_length=1, max_length=50)]
    tasters: Annotated[list[_Taster], Field(max_length=500)] = []
    formula: _Formula | None = None
    batch: _Batch | None = None
    steps: Annotated[list[_Step], Field(max_length=200)] = []
    kitchen: _Kitchen | None = None
    prices: _Prices | None = None
    taste: Literal["together", "fresh"] = "together"


class _Idea(_Both):
    name: Text = ""
    bakes: Count
    days: Count = 1
    references: Count = 0
    loads: Count | dict[Name, Count] | None = None
    doughs: Count | None = None
    aim: Text = ""
    seed: Seed | None = None
    exclude: list[dict[Name, Level | list[Level]]] = []
    later: Count = 0
    # Where nothing is said, liking is scored
    measures: Annotated[list[_Measure], Field(min_length=1, max_length=50)] = []
    second: _Formula | None = None
    cross: Annotated[list[Name], Field(max_length=50)] = []
    process: Annotated[list[_Process], Field(max_length=50)] = []
    parents: Count = 0


class _Plan(_Shape):
    family: Text
    model: Text | list[Text]
    seed: Seed
    reasons: list[str] = []
    excluded: list[Nested] = []
    details: Nested = {}


class _Round(_Both):
    format: int
    written_by: Text = ""
    name: Text = ""
    seed: Seed
    parent: Text = ""
    sitting: Count | None = None
    invented: bool = False
    plan: _Plan
    written: dict[Name, Text] = {}


_NO_FACTORS = [{"kind": "categorical", "name": "crossed", "levels": ["one", "other"]}]
SHAPES: Mapping[str, type[_Both]] = {"idea": _Idea, "round": _Round}


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """Return what stands in a settings file, and its text; a RoundError where it can not be read.

    The mark that some editors put in front of a text is no part of it.
    """
    here = Place(path.name)
    try:
        if path.stat().st_size > LARGEST:
            raise RoundError("this file is far larger than any settings; nothing was read.", here)
        text = path.read_bytes().decode("utf-8-sig")
        found = tomllib.loads(text)
    except UnicodeDecodeError:
        raise RoundError(
            "this file is not saved as UTF-8. Save it so (editors call it the encoding), and try "
            "again.",
            here,
        ) from None
    except RecursionError:
        raise _too_deep(here) from None
    except (tomllib.TOMLDecodeError, ValueError, OverflowError) as error:
        if isinstance(error, TrialsError):
            raise
        raise RoundError(
            f"this file can not be read: {error}. Each line is a name, an = and an answer; a "
            'number stands bare (16), words stand in quotes ("butter"), a list in square brackets '
            "with a comma behind each of its entries.",
            here,
        ) from None
    if _deeper(found, DEEPEST):
        raise _too_deep(here)
    return found, text


def _too_deep(here: Place) -> RoundError:
    return RoundError("its tables and lists stand in each other far too deep.", here)


def _deeper(value: Any, left: int) -> bool:
    level = [value]
    for _ in range(left):
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
        ]
        if not level:
            return False
    return any(isinstance(one, dict | list) for one in level)


def check_shape(kind: str, found: Mapping[str, Any], text: str, file: str) -> None:
    """Refuse settings that are not of the shape they must have, naming the line of the first."""
    shape = SHAPES[kind]
    if kind == "idea" and "cross" in found and "factors" not in found:
        # What is crossed says what varies
        found = {**found, "factors": _NO_FACTORS}
    try:
        shape.model_validate(found)
    except ValidationError as error:
        # What stands in the way of the most comes first: a name that nothing knows, then the rest
        first = min(error.errors(include_url=False), key=lambda one: one["type"] != _UNKNOWN)
        names = [one for one in first["loc"] if not _of_a_choice(one)]
        raise RoundError(
            _said(shape, first, names), Place(file, line=line_of_key(text, names))
        ) from None


_UNKNOWN = "extra_forbidden"


def _of_a_choice(part: Any) -> bool:
    """Say whether a part of a place names one of several types, which is nothing in the file."""
    return isinstance(part, str) and bool(
        re.search(r"\[|^constrained-|^(str|int|float|bool|_\w+)$", part)
    )


def _said(shape: type[BaseModel], problem: Any, names: list[Any]) -> str:
    *before, last = names or ["?"]
    where = f" ({_path(before)})" if before else ""
    if problem["type"] == _UNKNOWN:
        known = _known(shape, before)
        near = get_close_matches(str(last), known, n=1)
        meant = f'; is "{near[0]}" meant?' if near else f"; expected {in_words(known, 'or')}."
        among = "among the questions" if shape is _Idea and not before else "known here"
        return f'"{last}"{where} is not {among}{meant}'
    if problem["type"] == "missing":
        if shape is _Idea and not before:
            return f'nothing is said about "{last}".'
        return f'"{last}"{where} is missing; put it in.'
    given = repr(problem["input"])
    given = given if len(given) <= 60 else f"{given[:59]}…"
    asked = problem["msg"].removeprefix("Input should be ").replace("a valid ", "a ")
    asked = asked.replace("dictionary", "table").replace("string", "text in quotes")
    asked = asked.replace("list", "list in square brackets")
    asked = re.sub(
        r"^(a table) or instance of _\w+$", rf"\1 in curly brackets, as in {SUCH}", asked
    )
    which = (
        f"number {last + 1} {where.strip(' ()')}" if isinstance(last, int) else f'"{last}"{where}'
    )
    return f"{which} is {given}; expected {asked}."


SUCH = '{ name = "..." }'


def _path(names: list[Any]) -> str:
    said = ""
    for one in names:
        said += f", number {one + 1}" if isinstance(one, int) else f"{'.' if said else ''}{one}"
    return f"of {said}"


def _known(shape: type[BaseModel], path: list[Any]) -> list[str]:
    for name in path:
        if isinstance(name, int):
            continue
        field = shape.model_fields.get(name)
        inner = next(iter(_shapes_in(field.annotation)), None) if field else None
        if inner is None:
            return []
        shape = inner
    own = [name for name in shape.__annotations__ if name in shape.model_fields]
    names = dict.fromkeys([*own, *shape.model_fields])
    return [name for name in names if name not in ("format", "written_by", "written")]


def _shapes_in(kind: Any) -> list[type[BaseModel]]:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return [kind]
    return [one for part in getattr(kind, "__args__", ()) for one in _shapes_in(part)]


_HEADER = re.compile(r"\s*(\[\[?)(.+?)\]\]?\s*(?:#.*)?$")
_PART = r"""(?:"(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)"""
_OPENS = re.compile(r"=\s*\[\s*(?:#.*)?$")
_KEY = re.compile(rf"\s*({_PART}(?:\s*\.\s*{_PART})*)\s*=")


def line_of_key(text: str, names: list[Any]) -> int | None:
    """Return the line where something stands in a settings file, or what it stands in.

    Examples
    --------
    >>> text = '[[factors]]\\nname = "x"\\n[[factors]]\\nlow = 2'
    >>> line_of_key(text, ["factors", 1, "low"])
    4
    >>> line_of_key('factors = [\\n  { name = "x" },\\n  { low = 2 },\\n]', ["factors", 1, "low"])
    3
    """
    counts: dict[tuple[Any, ...], int] = {}
    table: tuple[Any, ...] = ()
    in_list: tuple[Any, ...] = ()  # tables that stand in a list, one to a line
    best, length = None, 0
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header and (parts := _names(header[2])):
            table = ()
            for place, part in enumerate(parts):
                table = (*table, part)
                if header[1] == "[[" and place == len(parts) - 1:
                    counts[table] = counts.get(table, -1) + 1
                if table in counts:
                    table = (*table, counts[table])
            here = table
        elif in_list and line.lstrip().startswith("{"):
            counts[in_list] = counts.get(in_list, -1) + 1
            here = (*in_list, counts[in_list])
        else:
            key = _KEY.match(line)
            parts = _names(key[1]) if key else ()
            if not parts:
                continue
            here = (*table, *parts)
            in_list = here if _OPENS.search(line) else ()
        if here == tuple(names[: len(here)]) and len(here) > length:
            best, length = number, len(here)
    return best


def _names(written: str) -> tuple[str, ...]:
    try:
        found: Any = tomllib.loads(f"{written} = 0")
    except (tomllib.TOMLDecodeError, RecursionError):
        return ()
    names = []
    while isinstance(found, dict):
        ((name, found),) = found.items()
        names.append(name)
    return tuple(names)
