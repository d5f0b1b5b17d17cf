"""An idea, written down as answers to kitchen questions, and the plan proposed for it."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from trials.base.errors import Place, PlanError, RoundError, TrialsError
from trials.base.files import write_text
from trials.base.words import in_words
from trials.core.factors import Factor, factor_from
from trials.core.measures import Measure, measure_from
from trials.core.plan import Plan
from trials.design.propose import propose
from trials.recipe.formula import Formula
from trials.recipe.ingredients import Ingredients, shipped
from trials.rounds.kitchen import (
    Batch,
    Kitchen,
    Prices,
    Step,
    batch_from,
    kitchen_from,
    prices_from,
    step_from,
)
from trials.tasting.panel import Taster, taster_from

IDEA = "idea.toml"
OWN_INGREDIENTS = "ingredients.csv"

_QUESTIONS = """\
# An idea for a round of test bakes. Change the answers, keep the words in front of them.
# Text behind a # is for reading only.

name = "rye ginger snap, first round"   # what are you working on?
bakes = 16                  # how many bakes can you afford, reference bakes apart?
days = 2                    # over how many days?
# later = 4                 # how many more in a second round?
# loads = 4                 # how many oven heats or oil fills, if bakes share them?
#                           # Several kinds of them: loads = { load = 4, dough = 4 }
references = 2                # reference bakes, on top: they see days drift; one day can do without
aim = "interactions"        # "screen": find what matters; "interactions": see what works
                            # together; "optimise": tune

# What do you want to vary, and how far would you dare and still serve it?
[[factors]]
kind = "numeric"
name = "oven"
low = 165
high = 190
unit = "°C"
hard_to_change = true       # several bakes share one oven heat

[[factors]]
kind = "numeric"
name = "hydration"
low = 16
high = 24
unit = "%"
changes = ["total", "hydration"]

[[factors]]
kind = "numeric"
name = "rye"
low = 0
high = 40
unit = "%"
changes = ["flour share", "medium rye flour"]

[[factors]]
kind = "categorical"
name = "fat"
levels = ["butter", "lard"]
changes = ["swap", "butter"]

# Which settings must never go together? (Take the # away to leave such bakes out.)
# [[exclude]]
# oven = [185, 190]
# hydration = [22, 24]

# What is scored or measured?
[[measures]]
name = "liking"
scale = "hedonic 9"         # also "number", "passed", "just about right 5", "ranking", "words"
goal = "higher"
worth_noticing = 0.7        # what difference would change your mind?

[[measures]]
name = "snap"
scale = ["intensity", 0, 10]

[[measures]]
name = "bake loss"
scale = "number"
unit = "%"
per = "bake"                # once per bake, not once per taster

# Who tastes, and what must they never be served? A cook who tastes adds: cooks = true
# Somebody who comes on some days only adds: days = [2]
[[tasters]]
name = "Taster 1"
avoids = []

[[tasters]]
name = "Taster 2"
avoids = ["sesame"]

# The formula, in baker's percentages: all flour together is 100. An ingredient that the table
# does not have can stand in a file ingredients.csv beside this one: name, group, water_g, fat_g ...
# (grams in 100 g).
[formula]
name = "rye ginger snap"

[formula.parts.dough]
"bread flour" = 80
"medium rye flour" = 20
butter = 50
sugar = 45
molasses = 15
water = 8
ginger = 2
"baking soda" = 1
salt = 1

# From here on all may be left out.

# How much of each bake: dough = 500, or the number of pieces and what one weighs, in grams.
[batch]
pieces = 30
piece = 14
scales = [1, 0.1]           # what your scales show, in grams

# What a bake goes through, in order, for the timetable. A rest needs nothing.
[[steps]]
name = "mix"
minutes = 12                # or the name of a factor in minutes
needs = ["hands"]

[[steps]]
name = "chill"
minutes = 40

[[steps]]
name = "roll and cut"
minutes = 8
needs = ["hands"]

[[steps]]
name = "bake"
minutes = 14
needs = ["oven"]

[kitchen]
start = "9:00"
until = "18:00"
things = { hands = 1, oven = 1 }

[[kitchen.heats]]           # what is heated, and the factor that sets it
thing = "oven"
factor = "oven"
up = 10                     # degrees a minute; time yours once
down = 3

# What a kilogram costs.
# [prices]
# currency = "EUR"
# per_kilogram = { butter = 9.5, "bread flour" = 1.2 }
"""


@dataclass(frozen=True, eq=False)
class Idea:
    """An idea: what varies, what is scored, and what the kitchen can do.

    Parameters
    ----------
    name : str
    bakes, days, references : int
    later : int
        How many more bakes a second round may have.
    loads : int, mapping or None
        How many of what bakes share: 4, or { load = 4, dough = 6 }.
    aim : str
    factors : tuple of Factor
    measures : tuple of Measure
    tasters : tuple of Taster
    formula : Formula or None
    seed : int or None
    batch : Batch or None
    steps : tuple of Step
    kitchen : Kitchen or None
    prices : Prices or None
    exclude : tuple of dict
        Settings that never go together: factor -> level, or (low, high).
    """

    name: str
    bakes: int
    days: int
    references: int
    loads: int | Mapping[str, int] | None
    aim: str
    factors: tuple[Factor, ...]
    measures: tuple[Measure, ...]
    tasters: tuple[Taster, ...]
    formula: Formula | None
    seed: int | None
    batch: Batch | None = None
    steps: tuple[Step, ...] = ()
    kitchen: Kitchen | None = None
    prices: Prices | None = None
    exclude: tuple[Mapping[str, Any], ...] = ()
    later: int = 0


def write_idea(folder: Path) -> Path:
    """Write the questions to a new folder, with an invented idea as the answers.

    Examples
    --------
    >>> import tempfile
    >>> write_idea(Path(tempfile.mkdtemp())).name
    'idea.toml'
    """
    path = folder / IDEA
    if path.exists():
        raise RoundError(f"{path} is already there; change it, or choose another folder.")
    return write_text(path, _QUESTIONS)


def untouched(folder: Path) -> bool:
    """Say whether the answers are still those of the invented example."""
    path = folder / IDEA
    return path.is_file() and path.read_text(encoding="utf-8") == _QUESTIONS


def read_idea(folder: Path) -> Idea:
    """Read the answers in `idea.toml`.

    Examples
    --------
    >>> import tempfile
    >>> folder = write_idea(Path(tempfile.mkdtemp())).parent
    >>> [factor.name for factor in read_idea(folder).factors]
    ['oven', 'hydration', 'rye', 'fat']
    """
    path = folder / IDEA
    here = Place(IDEA)
    if not path.is_file():
        raise RoundError(f"{path} is missing; write one with: trials new {folder}")
    try:
        answers = tomllib.loads(path.read_text(encoding="utf-8"))
        return understood(answers, folder)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RoundError(
            f"this file can not be read: {error}. Each line is a name, an = and an answer; a "
            'number stands bare (16), words stand in quotes ("butter"), a list in square brackets.',
            here,
        ) from None
    except TrialsError as error:
        raise RoundError(error.message, error.place or here) from None


def understood(answers: Mapping[str, Any], folder: Path) -> Idea:
    """Return the idea that answers describe; a folder may hold ingredients of its own."""
    known = [one.name for one in fields(Idea)]
    for name in answers:
        if name not in known:
            near = get_close_matches(name, known, n=1)
            meant = f'; is "{near[0]}" meant?' if near else f"; expected {in_words(known, 'or')}."
            raise RoundError(f'"{name}" is not among the questions{meant}')
    for name in ("bakes", "factors", "measures"):
        if name not in answers:
            raise RoundError(f'nothing is said about "{name}".')
    formula = answers.get("formula")
    return Idea(
        name=str(answers.get("name", folder.name)),
        bakes=answers["bakes"],
        days=answers.get("days", 1),
        references=answers.get("references", 0),
        loads=answers.get("loads"),
        aim=answers.get("aim", "screen"),
        factors=tuple(factor_from(record) for record in answers["factors"]),
        measures=tuple(measure_from(record) for record in answers["measures"]),
        tasters=tuple(_taster(record) for record in answers.get("tasters", ())),
        formula=Formula.from_dict(formula, _ingredients(folder)) if formula else None,
        seed=answers.get("seed"),
        batch=batch_from(answers["batch"]) if "batch" in answers else None,
        steps=tuple(step_from(record) for record in answers.get("steps", ())),
        kitchen=kitchen_from(answers["kitchen"]) if "kitchen" in answers else None,
        prices=prices_from(answers["prices"]) if "prices" in answers else None,
        exclude=tuple(_rule(record) for record in answers.get("exclude", ())),
        later=answers.get("later", 0),
    )


def _rule(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return settings that never go together; two numbers in brackets are a range."""
    return {
        name: tuple(value) if isinstance(value, list) else value for name, value in record.items()
    }


def _ingredients(folder: Path) -> Ingredients | None:
    """Return the shipped table with the baker's own rows, where the folder holds any."""
    path = folder / OWN_INGREDIENTS
    return shipped().with_rows(path) if path.is_file() else None


def _taster(record: Mapping[str, Any]) -> Taster:
    if "name" not in record:
        raise RoundError("a taster has no name.")
    return taster_from(record)


def plan_of(idea: Idea) -> Plan:
    """Return the plan proposed for an idea."""
    try:
        return propose(
            idea.factors,
            idea.bakes,
            aim=idea.aim,
            days=idea.days,
            loads=idea.loads,
            references=idea.references,
            exclude=list(idea.exclude) or None,
            seed=idea.seed,
            tasters=idea.tasters or None,
            worth_noticing=_worth(idea.measures),
            later=idea.later,
        )
    except PlanError as error:
        raise PlanError(as_in_the_file(error.message), error.place or Place(IDEA)) from None


def as_in_the_file(message: str) -> str:
    """Return a message with what it says of loads written as the file writes it.

    Examples
    --------
    >>> as_in_the_file('Say it, as in loads={"load": 6}.')
    'Say it, as in loads = 6.'
    >>> as_in_the_file('loads["dough"] is 3; say loads={"load": 6, "dough": ...}.')
    '"dough" of loads is 3; say loads = { load = 6, dough = ... }.'
    """
    message = re.sub(r'loads\["([^"]*)"\]', r'"\1" of loads', message)
    return re.sub(r"loads=\{(.*?)\}", lambda found: f"loads = {_in_toml(found[1])}", message)


def _in_toml(pairs: str) -> str:
    said = dict(re.findall(r'"([^"]*)": ([^,]+)', pairs))
    if list(said) == ["load"]:
        return said["load"]
    bare = re.compile(r"[A-Za-z0-9_-]+")
    names = {name: name if bare.fullmatch(name) else f'"{name}"' for name in said}
    return "{ " + ", ".join(f"{names[name]} = {count}" for name, count in said.items()) + " }"


def _worth(measures: Sequence[Measure]) -> float | None:
    """Return what difference in liking would change the baker's mind, if liking is scored."""
    return next((one.margin for one in measures if one.liking), None)
