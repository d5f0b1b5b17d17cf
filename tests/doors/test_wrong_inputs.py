"""Whatever is handed to a public name by mistake is refused in words: what, where and how.

Swept is every public function and every record that a person makes: each argument is given things
that are not of its kind, an argument is misnamed, one is left out. What no type can tell (an empty
list, a shape, a name that is not there) stands in a table below.
"""

import inspect
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence, Sized
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trials
from trials.base.errors import TrialsError

ROOMS = {
    "trials": trials,
    "design": trials.design,
    "pictures": trials.pictures,
    "difference": trials.difference,
    "instruments": trials.instruments,
    "crossing": trials.crossing,
    "lamination": trials.lamination,
    "forms": trials.forms,
}
MADE_BY_PEOPLE = (
    "Batch Categorical Component Formula Heat Kitchen Measure Numeric Prices Step Taster"
)
# What stands for itself: nothing is asked of it, or whatever it is given it reads
NOT_ASKED = {"first_words"}
TABLE = pd.DataFrame({"bake": ["B01", "B02"], "rest": [20, 60]})


def offered():
    """Return every public callable that takes anything, by the name a person writes."""
    found = {}
    for room, module in ROOMS.items():
        own = [
            name
            for name, one in vars(module).items()
            if not name.startswith("_") and getattr(one, "__module__", "") == module.__name__
        ]
        for name in getattr(module, "__all__", own):
            one = getattr(module, name)
            if inspect.isfunction(one) and inspect.signature(one).parameters:
                found[f"{room}.{name}"] = one
    found |= {f"trials.{name}": getattr(trials, name) for name in MADE_BY_PEOPLE.split()}
    found |= {"Round.create": trials.Round.create, "Round.open": trials.Round.open}
    found["Plan.from_table"] = trials.Plan.from_table
    return {name: one for name, one in found.items() if name.split(".")[1] not in NOT_ASKED}


OFFERED = offered()


# A record keeps several; one word or number alone is taken too
WIDER = {
    trials.Batch: {"scales": float | Sequence[float]},
    trials.Formula: dict.fromkeys(("also_flour", "aside"), str | Sequence[str]),
    trials.Taster: dict.fromkeys(("avoids", "also_avoids"), str | Sequence[str])
    | {"days": int | Sequence[int]},
}


def hints_of(one) -> dict[str, object]:
    inner = inspect.unwrap(one.__init__ if inspect.isclass(one) else one)
    hints = typing.get_type_hints(inner) | (WIDER.get(one, {}) if inspect.isclass(one) else {})
    return {name: hints[name] for name in inspect.signature(one).parameters if name in hints}


def choices(hint):
    """Return the types that would do, None among them."""
    inner = typing.get_args(hint)
    union = typing.get_origin(hint) in (typing.Union, type(int | str))
    return [kind for one in inner for kind in choices(one)] if union else [hint]


class Strange:
    """Something that belongs nowhere."""


def wrong_for(hint):
    """Return things that can not be of a kind; nothing where anything may be."""
    kinds = [typing.get_origin(one) or one for one in choices(hint)]
    if any(kind in (typing.Any, object) for kind in kinds):
        return []
    wrong = [Strange(), Strange] + ([] if datetime in kinds else [datetime(2026, 5, 7)])
    lists = any(kind in (Sequence, Iterable, tuple, Sized) for kind in kinds)
    wrong += [] if float in kinds else [7.5, float("nan")]
    wrong += [] if {float, int} & set(kinds) else [7]
    wrong += [] if bool in kinds else [True]
    wrong += [] if str in kinds else ["Benjamin"]
    wrong += [float("nan"), np.nan, "0.5"] if float in kinds and str not in kinds else []
    wrong += [] if type(None) in kinds else [None]
    wrong += [] if lists else [[Strange()], [None]]
    wrong += [] if pd.DataFrame in kinds else [TABLE]
    wrong += [] if Mapping in kinds else [{"rest": Strange()}]
    return [one for one in wrong if not (Callable in kinds and callable(one))]


def fitting(hint):
    """Return something of a kind, for the arguments that are not asked about."""
    for one in choices(hint):
        kind = typing.get_origin(one) or one
        plain = {str: "rest", float: 1.0, int: 2, bool: True, Path: Path("nowhere")}
        if kind in (typing.Any, object):
            return None
        if kind in plain:
            return plain[kind]
        if kind in (Sequence, Iterable, Sized):
            return []
        if kind is tuple:
            inner = [own for own in typing.get_args(one) if own is not Ellipsis]
            return tuple(fitting(own) for own in inner)
        if kind is Mapping:
            return {}
        if kind is pd.DataFrame:
            return TABLE
        if inspect.isclass(kind):
            return object.__new__(kind)  # never looked into: the door is as far as it comes
    raise AssertionError(hint)


def needed(one) -> dict[str, object]:
    hints = hints_of(one)
    return {
        name: fitting(hints[name])
        for name, parameter in inspect.signature(one).parameters.items()
        if parameter.default is parameter.empty
        and parameter.kind is not parameter.VAR_POSITIONAL
        and name in hints
    }


@pytest.mark.parametrize("name", OFFERED)
def test_an_argument_of_another_kind_is_refused_by_its_name(name):
    one = OFFERED[name]
    for argument, hint in hints_of(one).items():
        for wrong in wrong_for(hint):
            with pytest.raises(TrialsError) as refused:
                one(**{**needed(one), argument: wrong})
            said = str(refused.value)
            assert f'"{argument}"' in said, (argument, wrong, said)
            assert "expected" in said


@pytest.mark.parametrize("name", OFFERED)
def test_a_mistyped_argument_is_refused_and_the_right_one_named(name):
    one = OFFERED[name]
    last = list(inspect.signature(one).parameters)[-1]
    with pytest.raises(TrialsError) as refused:
        one(**{**needed(one), f"{last}x": 1})
    assert f'"{last}x"' in str(refused.value)
    assert f'did you mean "{last}"?' in str(refused.value)


@pytest.mark.parametrize("name", [name for name, one in OFFERED.items() if needed(one)])
def test_an_argument_left_out_is_said(name):
    with pytest.raises(TrialsError, match="missing"):
        OFFERED[name]()


def test_the_sweep_leaves_nothing_out():
    assert len(OFFERED) > 120
    swept = sum(len(wrong_for(hint)) for one in OFFERED.values() for hint in hints_of(one).values())
    assert swept > 3000


# -- What no type can tell, and names where records are expected.


REST, FAT = trials.Numeric("rest", 20, 60, "min"), trials.Categorical("fat", ["butter", "lard"])
ROWS = pd.DataFrame(
    {
        "bake": [f"B{n:02d}" for n in range(1, 9)],
        "rest": [20, 60] * 4,
        "fat": ["butter", "butter", "lard", "lard"] * 2,
        "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2],
    }
)


@pytest.fixture(scope="module")
def plan():
    return trials.design.full_factorial([REST, FAT], seed=1)


@pytest.fixture(scope="module")
def found():
    return trials.fit(ROWS, "liking", [REST, FAT], model="main")


# What is asked, and the words that its refusal must hold
REFUSED = {
    "a table for a plan": (lambda plan, found, at: trials.power(ROWS, effect=1), "Plan.from_table"),
    "a round for findings": (lambda plan, found, at: trials.diagnostics(plan), "trials.fit"),
    "a name for a number of tasters": (
        lambda plan, found, at: trials.propose([REST, FAT], 8, tasters="Benjamin"),
        r'"tasters" is the text "Benjamin"; expected a whole number or a list',
    ),
    "one name where several are tasters": (
        lambda plan, found, at: trials.rehearse(plan, {"rest": 1}, tasters="Benjamin"),
        r'write \["Benjamin"\] for one',
    ),
    "no kind": (
        lambda plan, found, at: trials.Categorical("fat", ["a", None]),
        r'"fat": number 2 of "levels" is None',
    ),
    "a kind that is no number": (
        lambda plan, found, at: trials.Categorical("fat", [1, float("nan")]),
        "number 2 of .* is not a number",
    ),
    "quotes around a number": (
        lambda plan, found, at: trials.Measure("spread", "number", worth_noticing="0.5"),
        'the text "0.5"; expected a number: leave the quotes away',
    ),
    "a limit that is no number": (
        lambda plan, found, at: trials.Numeric("rest", float("nan"), 60),
        '"low" is not a number',
    ),
    "no factors": (lambda plan, found, at: trials.propose([], 8), "nothing varies"),
    "no levels": (lambda plan, found, at: trials.Categorical("fat", []), "at least two"),
    "no name": (lambda plan, found, at: trials.Numeric("", 20, 60), "needs a name"),
    "no parts": (lambda plan, found, at: trials.Formula("snap", {}), "needs its parts"),
    "no note": (lambda plan, found, at: trials.write_note(at, " "), "empty"),
    "no bakes": (lambda plan, found, at: trials.propose([REST, FAT], 0), "bakes is 0"),
    "fewer than none": (lambda plan, found, at: trials.propose([REST, FAT], -4), "bakes is -4"),
    "no rows": (
        lambda plan, found, at: trials.fit(ROWS.iloc[:0], "liking", [REST, FAT]),
        "no score|no row|nothing",
    ),
    "a table without its columns": (
        lambda plan, found, at: trials.Plan.from_table(ROWS[["fat"]], [REST, FAT]),
        "rest",
    ),
    "columns of a wrong shape": (
        lambda plan, found, at: trials.instruments.spread_factor([[60, 61]], [9, 9]),
        "expected a number",
    ),
    "a response that is not there": (
        lambda plan, found, at: trials.fit(ROWS, "likng", [REST, FAT]),
        "likng",
    ),
    "a factor that is not there": (
        lambda plan, found, at: trials.compare(found, "sugar"),
        "sugar",
    ),
    "an aim that is not there": (
        lambda plan, found, at: trials.propose([REST, FAT], 8, aim="scren"),
        "scren",
    ),
    "a setting too many": (
        lambda plan, found, at: found.predict({"rest": 20, "fat": "lard", "oven": 180}),
        'no factor "oven" here; expected rest or fat',
    ),
    "a setting mistyped": (
        lambda plan, found, at: found.predict([{"rset": 20, "fat": "lard"}]),
        'no factor "rset" here; did you mean "rest"',
    ),
    "no setting": (lambda plan, found, at: found.predict([]), "no setting"),
    "a setting that is no number": (
        lambda plan, found, at: found.predict({"rest": float("nan"), "fat": "lard"}),
        "rest",
    ),
    "a folder mistyped": (
        lambda plan, found, at: trials.write_note(at / "mispelt", "hot"),
        "there is no folder",
    ),
    "a folder that is none": (lambda plan, found, at: trials.check("mispelt"), "mispelt"),
    "a measure without its scale": (
        lambda plan, found, at: trials.Round.create(at / "r", plan=plan, measures=["crispness"]),
        r'"crispness" needs its scale, such as trials.Measure\("crispness"',
    ),
    "a table for the plan of a round": (
        lambda plan, found, at: trials.Round.create(at / "r", plan=ROWS, measures=["liking"]),
        "Plan.from_table",
    ),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_no_type_can_tell_is_refused_too(what, plan, found, tmp_path):
    asked, words = REFUSED[what]
    with pytest.raises(TrialsError, match=words):
        asked(plan, found, tmp_path)
    assert not list(tmp_path.iterdir()), "nothing is written"


def test_names_are_taken_where_records_are_expected(plan, found, tmp_path):
    round_ = trials.Round.create(
        tmp_path / "round", plan=plan, measures=["liking"], tasters=["Ada", "Ben"]
    )
    assert [one.name for one in round_.tasters] == ["Ada", "Ben"]
    assert round_.measures[0] == trials.Measure("liking", "hedonic 9", goal="higher")
    assert len(trials.check(str(round_.folder))) == 0
    assert trials.scores(round_.folder).equals(trials.scores(round_))
    known = trials.Measure("liking", "hedonic 9", goal="higher")
    by_name = trials.fit(ROWS, "liking", ["rest", "fat"], model="main", measure="liking")
    assert by_name.measure == known
    best = trials.recommend(by_name, "liking")
    assert best.settings == trials.recommend(by_name, [known]).settings
