"""What a public name was handed, held against what it takes; a slip is said in the house's words.

The types stand in the signatures, where editors and type checkers read them; here they are held
against what came, so that a table handed over for a plan is named at the door and not somewhere
deep inside.
"""

import datetime
import difflib
import functools
import inspect
import types
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Sized
from collections.abc import Set as AnySet
from numbers import Integral, Real
from pathlib import Path
from typing import Any, TypeVar

from trials.base.errors import TrialsError
from trials.base.words import in_words, tidy_number

F = TypeVar("F", bound=Callable[..., Any])

# How a person comes by each record, said where one is missing
RECORDS = {
    "Plan": "a plan; trials.propose(...) makes one, trials.Plan.from_table(table, factors) takes "
    "one from a table",
    "Round": 'a round, or its folder as text; trials.Round.open("my-round") opens one',
    "Gathered": "what was read of a round",
    "Findings": 'findings; trials.fit(round_, "liking") gives them',
    "Measure": 'a measure, such as trials.Measure("liking", "hedonic 9")',
    "Numeric": 'a factor: trials.Numeric("rest", 20, 60, "min"), '
    'trials.Categorical("fat", ["butter", "lard"]) or trials.Component("rye", 0, 0.4)',
    "Categorical": 'a factor of kinds: trials.Categorical("fat", ["butter", "lard"])',
    "Formula": 'a formula, such as trials.Formula("snap", {"bread flour": 100, "butter": 50})',
    "Taster": 'a taster, such as trials.Taster("Ada", avoids=["sesame"])',
    "Batch": "a batch, such as trials.Batch(pieces=12, piece=40)",
    "Kitchen": "a kitchen, as trials.Kitchen(...) makes one",
    "Prices": 'prices, such as trials.Prices({"butter": 9.5}, "EUR")',
    "Step": 'a step, such as trials.Step("fry", 6, "pot")',
    "Heat": 'a heat, such as trials.Heat("oven")',
    "Failing": "what trials.failing(round_) returns",
    "Diagnostics": "what trials.diagnostics(found) returns",
    "Tasters": "what trials.describe_tasters(found) returns",
    "Recommendation": "what trials.recommend(found, measures) returns",
    "Story": "what trials.tell(round_) returns",
    "Timetable": "what trials.timetable(round_) returns",
    "SideTest": "what trials.side_test(...) returns",
    "ServingPlan": "what trials.serving_plan(...) returns",
    "Axes": "axes to draw into, such as matplotlib.figure.Figure().subplots() gives",
    "DataFrame": "a table (a pandas DataFrame)",
    "Series": "a column (a pandas Series)",
}
# Whoever takes any factor takes each of its kinds
RECORDS["Component"] = RECORDS["Varied"] = RECORDS["Numeric"]
_LONGEST = 60  # letters of what was found that are shown


def checked_types(error: type[TrialsError], **wider: Any) -> Callable[[F], F]:
    """Hold what a function or a record is made with against its types, before anything is done.

    Parameters
    ----------
    error : type
        The kind of error to raise.
    **wider
        Parameters that take more than their type says, as a record that keeps a tuple takes one
        word: the type of all they take.

    Examples
    --------
    >>> @checked_types(TrialsError)
    ... def rest(minutes: float, places: Sequence[str] = ()) -> float:
    ...     return minutes
    >>> rest(20)
    20
    >>> rest("20")
    Traceback (most recent call last):
    trials.base.errors.TrialsError: rest: "minutes" is the text "20"; expected a number: leave ...
    >>> rest(minuets=20)
    Traceback (most recent call last):
    trials.base.errors.TrialsError: rest does not take "minuets"; did you mean "minutes"?
    """

    def hold(found: F) -> F:
        if inspect.isclass(found):
            setattr(found, "__init__", _held(vars(found)["__init__"], found.__name__, error, wider))  # noqa: B010
            return found
        name = found.__qualname__.split("<locals>.")[-1]
        return typing.cast(F, _held(found, name, error, wider))

    return hold


def _held(
    found: Callable[..., Any], name: str, error: type[TrialsError], wider: Mapping[str, Any]
) -> Callable[..., Any]:
    signature = inspect.signature(found)
    record = found.__name__ == "__init__"

    @functools.cache
    def hints() -> dict[str, Any]:
        # When it is first called: by then every module that a type names is loaded
        return {**typing.get_type_hints(found), **wider}

    def check(args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
        try:
            bound = signature.bind(*args, **kwargs)
        except TypeError as wrong:
            raise error(_miscalled(name, signature, kwargs, wrong)) from None
        for one, value in bound.arguments.items():
            kind = signature.parameters[one].kind
            if kind is inspect.Parameter.VAR_POSITIONAL or one not in hints():
                continue
            slip = _slip(value, hints()[one])
            if slip is not None and value is not signature.parameters[one].default:
                called = bound.arguments.get("name") if record and one != "name" else None
                which = f'{name} "{called}"' if isinstance(called, str) else name
                raise error(f"{which}: {slip.place(one)} is {slip.found}; expected {slip.wanted}.")

    def called(*args: Any, **kwargs: Any) -> Any:
        check(args, kwargs)
        return found(*args, **kwargs)

    # With the globals of its own module, or a doctest would take it for somebody else's
    own = types.FunctionType(
        called.__code__, found.__globals__, found.__name__, None, called.__closure__
    )
    return functools.wraps(found)(own)


def _miscalled(
    name: str, signature: inspect.Signature, given: Mapping[str, Any], wrong: TypeError
) -> str:
    known = [one for one in signature.parameters if one != "self"]
    strange = [one for one in given if one not in known]
    if strange:
        return f'{name} does not take "{strange[0]}"; {near(strange[0], known)}'
    return f"{name}: {wrong}; it takes {in_words(known)}."


def near(name: str, known: Iterable[str]) -> str:
    """Return what a mistyped name may have meant, or all there are.

    Examples
    --------
    >>> near("likng", ["liking", "spread"]), near("sugar", ["rest", "fat"])
    ('did you mean "liking"?', 'expected rest or fat.')
    """
    names = [str(one) for one in known]
    like = difflib.get_close_matches(str(name), names, n=1)
    return f'did you mean "{like[0]}"?' if like else f"expected {in_words(names, 'or')}."


# -- One value against one type.


class _Slip(typing.NamedTuple):
    """What was found where something else was expected."""

    found: str
    wanted: str
    within: str = ""

    def place(self, name: str) -> str:
        return f'{self.within} of "{name}"' if self.within else f'"{name}"'


def _slip(value: Any, hint: Any) -> _Slip | None:
    """Return what is wrong with a value, or nothing where it is of the type."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if hint in (Any, object) or isinstance(hint, TypeVar):
        return None
    if origin in (typing.Union, types.UnionType):
        return _of_none(value, [one for one in inner if not (one is int and float in inner)])
    if hint is None or hint is types.NoneType:
        return None if value is None else _Slip(described(value), "nothing")
    kind = origin or hint
    if kind is type(Callable) or origin is Callable or kind is Callable:
        fine = callable(value)
    elif kind in _PLAIN:
        fine = _PLAIN[kind](value)
    elif kind in _LISTS:
        return _listed_slip(value, hint, kind, inner)
    elif kind is Mapping:
        return _named_slip(value, hint, inner)
    elif kind is Sized:
        fine = isinstance(value, Sized) and not isinstance(value, str | bytes)
    else:
        fine = isinstance(value, kind)
    return None if fine else _Slip(described(value), _wanted(value, [hint]))


def _of_none(value: Any, choices: Sequence[Any]) -> _Slip | None:
    """Return what is wrong where several types would do; a list's own slip says the most."""
    slips = []
    for one in choices:
        slip = _slip(value, one)
        if slip is None:
            return None
        slips.append(slip)
    deep = [slip for slip in slips if slip.within]
    if len(deep) == 1:
        return deep[0]
    return _Slip(
        described(value), _wanted(value, [one for one in choices if one is not types.NoneType])
    )


def _listed_slip(value: Any, hint: Any, kind: Any, inner: Sequence[Any]) -> _Slip | None:
    text = isinstance(value, str | bytes)
    unordered = isinstance(value, AnySet) and kind is not Iterable
    table = type(value).__name__ == "DataFrame"
    if text or unordered or table or isinstance(value, Mapping) or not _can_be_walked(value):
        return _Slip(described(value), _wanted(value, [hint]))
    if isinstance(value, Iterator) or not inner:
        return None  # walked once only: whoever uses it looks
    fixed = kind is tuple and inner[-1] is not Ellipsis
    if fixed and len(value) != len(inner):
        return _Slip(described(value), _said(hint))
    kinds = inner if fixed else [inner[0]] * len(list(value))
    for at, (one, own) in enumerate(zip(value, kinds, strict=True), start=1):
        slip = _slip(one, own)
        if slip is not None:
            return slip._replace(within=f"number {at}{f', {slip.within},' if slip.within else ''}")
    return None


def _named_slip(value: Any, hint: Any, inner: Sequence[Any]) -> _Slip | None:
    if not isinstance(value, Mapping):
        return _Slip(described(value), _wanted(value, [hint]))
    for key, one in value.items() if inner else ():
        slip = _slip(one, inner[1]) or _slip(key, inner[0])
        if slip is not None:
            return slip._replace(within=f"{key!r}{f', {slip.within},' if slip.within else ''}")
    return None


def _can_be_walked(value: Any) -> bool:
    return isinstance(value, Iterable) and getattr(value, "ndim", 1) > 0


def _is_number(value: Any) -> bool:
    return isinstance(value, Real) and not _is_truth(value) and value == value


def _is_whole(value: Any) -> bool:
    return isinstance(value, Integral) and not _is_truth(value)


def _is_truth(value: Any) -> bool:
    return isinstance(value, bool) or type(value).__name__ in ("bool_", "bool")


_LISTS = (Sequence, Iterable, tuple, list)
_PLAIN: dict[Any, Callable[[Any], bool]] = {
    str: lambda value: isinstance(value, str),
    float: _is_number,
    int: _is_whole,
    bool: _is_truth,
    Path: lambda value: isinstance(value, Path),
}
_SAID = {
    str: "a text",
    float: "a number",
    int: "a whole number",
    bool: "True or False",
    Path: "a path",
    Sized: "a list",
    datetime.datetime: "a date and time",
}


def _wanted(value: Any, choices: Sequence[Any]) -> str:
    said = in_words(dict.fromkeys(_said(one) for one in choices), "or")
    plain = {typing.get_origin(one) or one for one in choices}
    lists = [one for one in choices if _is_list(one)]
    if isinstance(value, str):
        if plain & {float, int} and _typed_number(value):
            return f"{said}: leave the quotes away"
        if any(str in _flat(typing.get_args(one)) for one in lists):
            return f'{said}: write ["{_short(value)}"] for one'
    elif any(isinstance(value, tuple(_classes(one))) for one in lists):
        return f"{said}: put it in [ ]"
    return said


def _is_list(hint: Any) -> bool:
    """Say whether a type is a list of any length; two things of a kind each are none."""
    inner = typing.get_args(hint)
    kind = typing.get_origin(hint) or hint
    return kind in _LISTS and (kind is not tuple or not inner or inner[-1] is Ellipsis)


def _flat(hints: Iterable[Any]) -> list[Any]:
    """Return the types that several hints name, unions taken apart."""
    found = []
    for one in hints:
        inner = typing.get_args(one)
        union = typing.get_origin(one) in (typing.Union, types.UnionType)
        found += _flat(inner) if union else [one]
    return found


def _classes(hint: Any) -> list[type]:
    """Return the records that a list holds."""
    held = _flat(typing.get_args(hint))
    return [one for one in held if inspect.isclass(one) and one is not Any]


def _typed_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _said(hint: Any) -> str:
    """Return a type in words."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return in_words(
            dict.fromkeys(_said(one) for one in inner if one is not types.NoneType), "or"
        )
    kind = origin or hint
    if kind in _SAID:
        return _SAID[kind]
    if kind is tuple and not _is_list(hint):
        return f"({', '.join(map(_said, inner))})"
    if kind in _LISTS:
        own = _said(inner[0]) if inner and inner[0] not in (Any, object) else ""
        return f"a list in which each is {own}" if own else "a list"
    if kind is Mapping:
        of = "setting" if len(inner) < 2 or inner[1] in (Any, object) else _said(inner[1])
        return f"a dict of name: {of.removeprefix('a ')}"
    if kind is Callable:
        return "a function"
    return RECORDS.get(kind.__name__, f"a {kind.__name__}")


def described(value: Any) -> str:
    """Return in words what was handed over.

    Examples
    --------
    >>> described("20"), described(None), described([1, 2]), described(float("nan"))
    ('the text "20"', 'None', 'a list of 2', 'not a number (nan)')
    """
    if value is None or _is_truth(value):
        return repr(value)
    if isinstance(value, str):
        return f'the text "{_short(value)}"'
    if isinstance(value, Real):
        return "not a number (nan)" if value != value else tidy_number(float(value), 12)
    kind = type(value).__name__
    if inspect.isclass(value):
        return f"{value.__name__} itself, without what it is made of"
    if kind == "DataFrame":
        return f"a table of {len(value)} rows and {len(value.columns)} columns"
    if kind in ("Series", "Index", "ndarray"):
        return f"a {kind} of shape {'x'.join(map(str, value.shape))}"
    if isinstance(value, Mapping):
        return f"a dict of {len(value)}"
    if isinstance(value, list | tuple | set | frozenset):
        return f"a {kind} of {len(value)}" if len(value) else f"an empty {kind}"
    if callable(value):
        return "a function"
    return f"{'an' if kind[:1] in 'AEIOU' else 'a'} {kind} ({_short(repr(value))})"


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 3]}..."
