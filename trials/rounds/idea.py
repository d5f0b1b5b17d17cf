"""An idea, written down as answers to kitchen questions, and the plan proposed for it."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import FormulaError, Place, PlanError, RoundError, TrialsError
from trials.base.files import write_text
from trials.base.words import in_words, number, tidy_number
from trials.core.factors import Categorical, Factor, Numeric, factor_from, is_blank
from trials.core.measures import Measure, measure_from
from trials.core.plan import MIXED_ONCE, Plan
from trials.design.crossings import (
    WORDS,
    crossed_by_word,
    crossed_means,
    crossing_factors,
    not_crossed,
    parent_settings,
    parents_among,
    with_parents,
)
from trials.design.propose import propose
from trials.recipe.crossing import LIFTED, WITH, WITHOUT, Trait, lifting
from trials.recipe.formula import Formula
from trials.recipe.ingredients import Ingredient, Ingredients, shipped
from trials.recipe.units import TEMPERATURES, WEIGHTS, unit
from trials.rounds.kitchen import (
    HANDS,
    Batch,
    Heat,
    Kitchen,
    Prices,
    Step,
    batch_from,
    heat_to_write,
    is_mixing,
    is_weighing,
    kitchen_from,
    prices_from,
    said,
    step_from,
)
from trials.rounds.mixing import formula_of
from trials.rounds.questions import QUESTIONS
from trials.rounds.stove import usual_heat
from trials.tasting.panel import Taster, taster_from

IDEA = "idea.toml"
OWN_INGREDIENTS = "ingredients.csv"
# What is scored where the idea says nothing of it
LIKING = {"name": "liking", "scale": "hedonic 9", "goal": "higher"}
MIXING = 15.0  # minutes of hands to mix and shape one bake (common practice, no source)


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
    doughs : int or None
        The most doughs that can be mixed; each is divided over the ways of cooking.
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
    second : Formula or None
        The other parent, where two are crossed; `formula` is the first.
    cross : tuple of str
        What is crossed, in kitchen words; the factors it means are among `factors`.
    process : tuple of Process
        What no formula holds, with each parent's choice.
    parents : int
        How many of the bakes are of each parent; on top only where a plan has no place for them.
    taste : "together" or "fresh"
        All pieces of a sitting at once, held alike; or each as it is ready.
    assumed : tuple of Heat
        Those of the kitchen of which nobody said how fast they heat.
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
    second: Formula | None = None
    cross: tuple[str, ...] = ()
    process: tuple["Process", ...] = ()
    parents: int = 0
    taste: str = "together"
    doughs: int | None = None
    assumed: tuple[Heat, ...] = ()


@dataclass(frozen=True)
class Process:
    """What no formula holds, and each parent's choice of it: how it is cooked, folded, rested.

    Parameters
    ----------
    name : str
    first, second : str or number
        The choice of either parent.
    also : sequence
        Further kinds to try.
    unit : str
    hard_to_change : bool or str
        As for a factor.
    heat : sequence of str
        What each choice is cooked at, in the cook's words; printed on the sheets.
    minutes : sequence of float
        How long each choice takes, in minutes: the steps of the sheets and the timetable.
    """

    name: str
    first: Any
    second: Any
    also: Sequence[Any] = ()
    unit: str = ""
    hard_to_change: bool | str = False
    heat: Sequence[str] = ()
    minutes: Sequence[float] = ()

    @property
    def choices(self) -> tuple[Any, ...]:
        """Both parents' choices, and the further ones."""
        return (self.first, self.second, *self.also)


def write_idea(folder: Path, questions: str = "short") -> Path:
    """Write questions to a new folder, with an invented idea as the answers.

    Parameters
    ----------
    folder : Path
    questions : {"short", "all", "cross"}
        What a first round needs, every question there is, or two parents crossed.

    Examples
    --------
    >>> import tempfile
    >>> write_idea(Path(tempfile.mkdtemp())).name
    'idea.toml'
    """
    path = folder / IDEA
    if path.exists():
        raise RoundError(f"{path} is already there; change it, or choose another folder.")
    return write_text(path, QUESTIONS[questions])


def untouched(folder: Path) -> bool:
    """Say whether the answers are still those of the invented example."""
    path = folder / IDEA
    return path.is_file() and path.read_text(encoding="utf-8") in QUESTIONS.values()


def read_idea(folder: Path) -> Idea:
    """Read the answers in `idea.toml`.

    Examples
    --------
    >>> import tempfile
    >>> folder = write_idea(Path(tempfile.mkdtemp())).parent
    >>> [factor.name for factor in read_idea(folder).factors]
    ['oven', 'sugar', 'fat']
    """
    path = folder / IDEA
    here = Place(IDEA)
    if not path.is_file():
        raise RoundError(f"{path} is missing; write one with: trials new {folder}")
    from trials.rounds.schema import read_toml

    answers, text = read_toml(path)
    if "controls" in answers and "references" not in answers:
        # What reference bakes were called before
        answers["references"] = answers.pop("controls")
    try:
        return understood(answers, folder, text)
    except TrialsError as error:
        raise RoundError(error.message, error.place or here) from None


def understood(answers: Mapping[str, Any], folder: Path, text: str = "") -> Idea:
    """Return the idea that answers describe; a folder may hold ingredients of its own.

    With the text that they stand in, a mistake names its line.
    """
    from trials.rounds.schema import check_shape

    in_grams = _is_in_grams(answers.get("formula"))
    answers = {**answers, **_recipes_in_words(answers)}
    check_shape("idea", answers, text, IDEA)
    table = _ingredients(folder)
    _check_known(answers, table or shipped())
    formula, second = (
        Formula.from_dict(answers[name], table) if answers.get(name) else None
        for name in ("formula", "second")
    )
    process = tuple(_process(record) for record in answers.get("process", ()))
    cross = tuple(answers.get("cross", ()))
    factors = (
        tuple(factor_from(record) for record in answers["factors"])
        if ("factors" in answers)
        else ()
    )
    if formula is not None:
        tunes = answers.get("aim") == "optimise"
        factors = tuple(_as_named(factor, formula, tunes) for factor in factors)
    both = f"{formula.name} × {second.name}" if formula and second else folder.name
    steps = tuple(step_from(record) for record in answers.get("steps", ()))
    kitchen = kitchen_from(answers["kitchen"]) if "kitchen" in answers else None
    steps, kitchen = _cooked(steps, process, cross, kitchen)
    kitchen, assumed = _heated(factors, steps, process, kitchen)
    return Idea(
        name=str(answers.get("name", both)),
        bakes=answers["bakes"],
        days=answers.get("days", 1),
        references=answers.get("references", 0),
        loads=answers.get("loads"),
        doughs=answers.get("doughs"),
        aim=answers.get("aim", "screen"),
        factors=(*_crossed(formula, second, cross, process), *factors),
        measures=tuple(measure_from(record) for record in answers.get("measures", (LIKING,))),
        tasters=tuple(_taster(record) for record in answers.get("tasters", ())),
        formula=formula,
        seed=answers.get("seed"),
        batch=_batch(answers, formula, in_grams),
        steps=steps,
        kitchen=kitchen,
        assumed=assumed,
        prices=prices_from(answers["prices"]) if "prices" in answers else None,
        exclude=tuple(_rule(record) for record in answers.get("exclude", ())),
        later=answers.get("later", 0),
        second=second,
        cross=cross,
        process=process,
        parents=answers.get("parents", 0),
        taste=answers.get("taste", "together"),
    )


def _as_named(factor: Factor, formula: Formula, tunes: bool) -> Factor:
    """Return a factor that is named as what a weighed recipe holds, with what it then changes.

    Grams of an ingredient, with or without it, or one thing in the place of another: nobody need
    say twice what the name and the kinds say already.
    """
    if factor.changes is not None or getattr(factor, "by_hand", False):
        return factor
    if isinstance(factor, Numeric):
        named = _meant(formula, factor.name)
        if factor.unit.strip() != "g" or named is None:
            return factor
        factor = replace(factor, changes=("grams", named))
        if tunes or factor.centre is not None or factor.settings:
            return factor  # a plan that tunes needs its middle half-way
        # The reference bake has the recipe's own amount, where that is within the limits
        own = _as_written(formula, named)
        return replace(factor, centre=own) if factor.low <= own <= factor.high else factor
    if not isinstance(factor, Categorical):
        return factor
    kinds = [str(level).casefold() for level in factor.levels]
    if {*kinds} <= {*WITH, *WITHOUT} and (named := _meant(formula, factor.name)) is not None:
        return replace(factor, changes=("grams", named))
    held = [str(level) for level in factor.levels if _weighs(formula, str(level))]
    if len(held) == 1 and all(str(level) in formula.mix.table for level in factor.levels):
        return replace(factor, changes=("swap", held[0]))
    return factor


def _as_written(formula: Formula, name: str) -> float:
    """Return the amount of an ingredient as the recipe has it."""
    ((part, own),) = formula.mix.places(name)
    return round(formula.mix.parts[part][own] / formula.written(own, part), _DIGITS)


def _meant(formula: Formula, name: str) -> str | None:
    """Return the ingredient that a name means: "sugar" is the brown sugar where no other is in."""
    if _weighs(formula, name):
        return name
    words = set(re.findall(r"\w+", name.casefold()))
    held = dict.fromkeys(own for _, own, _ in formula.mix.rows())
    found = [own for own in held if words and words <= set(re.findall(r"\w+", own.casefold()))]
    return found[0] if len(found) == 1 and _weighs(formula, found[0]) else None


def _weighs(formula: Formula, name: str) -> bool:
    """Say whether one part of a recipe alone holds an ingredient, so that its name says which."""
    return name in formula.mix.table and len(formula.mix.places(name)) == 1


def _heated(
    factors: Sequence[Factor],
    steps: Sequence[Step],
    process: Sequence[Process],
    kitchen: Kitchen | None,
) -> tuple[Kitchen | None, tuple[Heat, ...]]:
    """Return a kitchen whose oven and oil take their time to heat, and what that is assumed for.

    A bake can not follow another at once when the oven is hotter for it. What a factor sets is
    heated to that, else to what its way of cooking says; what a person says of a thing stands.
    """
    written = kitchen.heats if kitchen else ()
    things = dict.fromkeys(thing for step in steps for thing in step.needs)
    by_factor = _set_by_factor(factors, things, written)
    said = {
        str(choice).casefold(): heat
        for one in process
        for choice, heat in zip(one.choices, one.heat, strict=False)
    }
    found = (by_factor.get(one) or _as_said(one, said.get(one.casefold(), "")) for one in things)
    known = {heat.thing for heat in written}
    assumed = tuple(heat for heat in found if heat and heat.thing not in known)
    if not assumed:
        return kitchen, ()
    return replace(kitchen or Kitchen(), heats=(*written, *assumed)), assumed


def _set_by_factor(
    factors: Sequence[Factor], things: Iterable[str], written: Sequence[Heat]
) -> dict[str, Heat]:
    """Return how the one oven heats that the one factor of its heat sets."""
    ovens = [one for one in things if re.search(r"\boven\b", one, re.I)]
    set_ = [
        one
        for one in factors
        if isinstance(one, Numeric)
        and re.search(r"\boven\b", one.name, re.I)
        and one.unit.strip() in TEMPERATURES
        and all(one.name != heat.factor for heat in written)
    ]
    if len(ovens) != 1 or len(set_) != 1:
        return {}
    (thing,), (factor,) = ovens, set_
    heat = usual_heat(thing, factor.unit.strip())
    return {thing: replace(heat, factor=factor.name, only_when=factor.only_when)} if heat else {}


_DEGREES = re.compile(r"(\d+(?:[.,]\d+)?) ?(?:°|degrees|deg)? ?([CF])\b")


def _as_said(thing: str, words: str) -> Heat | None:
    """Return how a thing heats of which it is said how hot it is; None where no degrees are."""
    found = _DEGREES.search(words)
    heat = usual_heat(thing, f"°{found[2]}") if found else None
    return replace(heat, setting=float(found[1].replace(",", "."))) if found and heat else None


def assumed_words(heats: Sequence[Heat]) -> list[str]:
    """Return how fast things are taken to heat of which nobody said so, and how to say otherwise.

    Examples
    --------
    >>> print(*assumed_words([Heat("oven", setting=190, up=10), Heat("fried in oil")]))
    Taken as usual (common practice): oven heats 10 degrees a minute and fried in oil 6. Time ...
    """
    if not heats:
        return []
    first, *others = heats
    rates = [f"{first.thing} heats {tidy_number(first.up)} degrees a minute"]
    rates += [f"{one.thing} {tidy_number(one.up)}" for one in others]
    return [
        f"Taken as usual (common practice): {in_words(rates)}.",
        f"Time yours once; if it differs, write {heat_to_write(heats[-1])}.",
    ]


def _batch(answers: Mapping[str, Any], formula: Formula | None, in_grams: bool) -> Batch | None:
    """Return how much a bake is: what is said; else a recipe in grams just as it is written."""
    batch = batch_from(answers["batch"]) if "batch" in answers else None
    said = batch is not None and (batch.dough is not None or batch.pieces is not None)
    if formula is None or said:
        return batch
    dough = formula.weight_as_written()
    # Flours that do not sum to 100 were weighed: percentages of the flour are no batch
    if not in_grams and abs(dough - formula.mix.weight()) < _AS_PERCENT * dough:
        return batch
    return replace(batch or Batch(), dough=round(dough, _DIGITS))


_AS_PERCENT = 1e-6  # of a dough: flours that sum to 100 but for rounding
_DIGITS = 6  # after the point, of grams


def _is_in_grams(recipe: Any) -> bool:
    """Say whether a recipe that is written as a text is weighed."""
    found = map(_AMOUNT.fullmatch, (one.strip(" ,\t\r") for one in _items(recipe)))
    return any(_weighed(one["rest"], one[0], "formula")[0] == "g" for one in found if one)


def _items(recipe: Any) -> list[str]:
    return _BETWEEN.split(recipe.partition(":")[2]) if isinstance(recipe, str) else []


def _process(record: Mapping[str, Any]) -> Process:
    known = said("process", record, tuple(one.name for one in fields(Process)))
    missing = [name for name in ("name", "first", "second") if name not in known]
    if missing:
        raise RoundError(f"[[process]] says nothing of {in_words(missing)}; each parent has one.")
    found = Process(**known)
    for name in ("heat", "minutes"):
        given = getattr(found, name)
        if given and len(given) != len(found.choices):
            raise RoundError(
                f'{name} of [[process]] "{found.name}" says {len(given)}; one each for '
                f"{in_words(map(str, found.choices))} was expected, in this order."
            )
    return found


def _cooked(
    written: tuple[Step, ...],
    process: Sequence[Process],
    cross: Sequence[str],
    kitchen: Kitchen | None,
) -> tuple[tuple[Step, ...], Kitchen | None]:
    """Return the steps that are written, then those that the times of a process make.

    And a kitchen with a place for each. What is not crossed is done as with the first parent; a
    process that the written steps do themselves makes none.
    """
    timed = [one for one in process if one.minutes and not _is_done_by(one, written)]
    if not timed:
        return written, kitchen
    steps = list(written)
    made = _made(written)
    if made:
        # Of a dough that is divided, and rests as one, the mixing is done once too
        per = next((step.per for step in written if step.per in MIXED_ONCE), "bake")
        own = [
            at
            for at, step in enumerate(written)
            if step.per in (per, "bake") and not is_weighing(step.name)
        ]
        steps.insert(min(own, default=len(written)), Step(made, MIXING, HANDS, per=per))
    things = dict((kitchen or Kitchen()).things)
    for one in timed:
        varied = {one.name, *(word for word in WORDS if crossed_means(word, one.name))} & {*cross}
        choices = one.choices if varied else one.choices[:1]
        heats = [*one.heat] or [""] * len(choices)
        for choice, heat, minutes in zip(choices, heats, one.minutes, strict=False):
            thing = str(choice)
            things.setdefault(thing, 1)
            said = f"{thing}, {heat}" if heat else thing
            when = (one.name, [choice]) if varied else None
            steps.append(Step(said, minutes, thing, only_when=when))
    return tuple(steps), replace(kitchen or Kitchen(), things=things)


def _made(written: Sequence[Step]) -> str:
    """Return the step that makes the dough; empty where the written steps do.

    They do where one mixes, or takes hands before anything rises or is shaped. A dough that is to
    rise or to be shaped is only mixed before.
    """
    first = next(
        (at for at, step in enumerate(written) if _RISES_OR_SHAPED.search(step.name)), len(written)
    )
    by_hand = (HANDS in step.needs and not is_weighing(step.name) for step in written[:first])
    if any(is_mixing(step.name) for step in written) or any(by_hand):
        return ""
    return "mix" if written[first:] else "mix and shape"


# How a step is called in which a dough rises, or takes its shape (common practice, no source)
_RISES_OR_SHAPED = re.compile(
    r"\b(ris(e|es|ing)|proof(ing)?|prov(e|es|ing)|ferment\w*|bulk|retard|leaven"
    r"|(pre.?)?shap(e|es|ing)|form|mould|divide|portion|roll|cut|braid|plait|twist|pat)\b",
    re.IGNORECASE,
)


def _is_done_by(process: Process, written: Sequence[Step]) -> bool:
    """Say whether a written step does what a process gives the minutes of.

    One that needs one of its kinds, takes its minutes from it, or is there only for some of them;
    a rest that some kinds alone have is no cooking.
    """
    kinds = {str(choice).casefold() for choice in process.choices}
    cooking = crossed_means("cooking", process.name)
    return any(
        kinds & {thing.casefold() for thing in step.needs}
        or step.minutes == process.name
        or (step.only_when and step.only_when[0] == process.name and step.needs)
        or (cooking and _COOKS.match(step.name))
        for step in written
    )


# How a step is called that cooks, whatever it is done in
_COOKS = re.compile(r"((deep|shallow|pan|stir).)?(bake|fry|griddle)\b(?! blind)", re.IGNORECASE)


# -- A recipe as it stands on a card: its name, a colon, and what goes into it by weight.


# A comma within a number is its decimal sign, and one before a word may belong to a name: "wheat
# flour, bread"
_BETWEEN = re.compile(r"[;\n]|(?<!\d),(?=\s*\d)|,(?=\s+\d)")
_IN_THOUSANDS = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")
_AMOUNT = re.compile(r"(?P<amount>\d+(?:[.,]\d+)?)\s*(?P<rest>\S.*)")


def _recipes_in_words(answers: Mapping[str, Any]) -> dict[str, Any]:
    """Return the recipes that are written as a text, as tables."""
    return {
        key: recipe_in_words(answers[key], key)
        for key in ("formula", "second")
        if isinstance(answers.get(key), str)
    }


def recipe_in_words(text: str, key: str = "formula") -> dict[str, Any]:
    """Return a recipe that is written as on a card: its name and its amounts, by weight.

    Parameters
    ----------
    text : str
        The name, a colon, and the amounts with a comma or a new line between them: in grams, in
        another weight, or in percent of the flour.
    key : str
        The question it answers, for what is refused.

    Returns
    -------
    dict
        Its `name` and its `parts`; the flours of a recipe are the 100 % whatever they weigh.

    Raises
    ------
    RoundError
        When there is no name, an amount is missing, or something is not weighed.

    Examples
    --------
    >>> recipe_in_words("flat bread: 200 g bread flour, 120 g water, 2,5 g salt")
    {'name': 'flat bread', 'parts': {'bread flour': 200.0, 'water': 120.0, 'salt': 2.5}}
    """
    name, colon, amounts = text.partition(":")
    if not (colon and name.strip() and amounts.strip()):
        raise RoundError(
            f"{key} is {_shortened(text)}; the name of the recipe, a colon and its amounts were "
            'expected, as in "flat bread: 200 g bread flour, 120 g water, 4 g salt".'
        )
    parts: dict[str, float] = {}
    measured: dict[str, str] = {}
    for item in filter(None, (one.strip(" ,\t\r") for one in _BETWEEN.split(amounts))):
        found = _AMOUNT.fullmatch(item)
        if found is None:
            raise RoundError(f'{key}: "{item}" has no amount in front, as in "120 g {item}".')
        if _IN_THOUSANDS.fullmatch(found["amount"]):
            plain = re.sub("[.,]", "", found["amount"])
            raise RoundError(
                f'{key}: "{item}" can be read as {plain} and as a fraction; write '
                f"{plain}, or the fraction with one or two figures behind the point."
            )
        sort, factor, what = _weighed(found["rest"], item, key)
        if "," in what and what not in shipped():
            what = what.partition(",")[2].strip()
            raise RoundError(f'{key}: "{what}" has no amount in front, as in "120 g {what}".')
        measured.setdefault(sort, item)
        parts[what] = parts.get(what, 0.0) + (number(found["amount"]) or 0.0) * factor
    if len(measured) > 1:
        one, other = list(measured.values())[:2]
        raise RoundError(
            f'{key}: "{one}" and "{other}" are not measured alike; give all of it in grams, or '
            "all of it in percent of the flour."
        )
    return {"name": name.strip(), "parts": parts}


def _weighed(rest: str, item: str, key: str) -> tuple[str, float, str]:
    """Return how something is measured, in grams or not, and what it is called."""
    word, _, what = rest.partition(" ")
    if word.startswith("%"):
        return "%", 1.0, f"{word[1:]} {what}".strip()
    try:
        known = unit(word) if what.strip() else ""
    except FormulaError:
        known = ""
    if known in WEIGHTS:
        return "g", WEIGHTS[known], what.strip()
    if known or word.casefold() == "eggs" or what.casefold().endswith(" eggs"):
        raise RoundError(
            f'{key}: "{item}" is not a weight; weigh it once and give grams (a hen\'s egg without '
            "its shell is about 50 g)."
        )
    return "", 1.0, rest.strip()


def _shortened(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:39]}…")


def _crossed(
    formula: Formula | None,
    second: Formula | None,
    cross: Sequence[str],
    process: Sequence[Process],
) -> tuple[Factor, ...]:
    """Return the factors that crossing two parents gives, trait by trait."""
    if not (cross or process or second):
        return ()
    if formula is None or second is None:
        raise RoundError(
            "two parents are crossed; give both, as [formula] (the first) and [second]."
        )
    if not cross:
        raise RoundError(f"say what is crossed: cross = [...], of {in_words(WORDS)}.")
    first, other = ({one.name: getattr(one, of) for one in process} for of in ("first", "second"))
    found = crossing_factors(
        formula,
        second,
        first,
        other,
        only=crossed_by_word(cross, formula, second, first, other),
        share="share" in cross,
        units={one.name: one.unit for one in process if one.unit},
        hard_to_change={
            one.name: one.hard_to_change
            for one in process
            if one.hard_to_change
            and one.name in crossed_by_word(cross, formula, second, first, other)
        },
    )
    also = {one.name: tuple(one.also) for one in process if one.also}
    return tuple(
        replace(factor, levels=(*factor.levels, *also[factor.name]))
        if isinstance(factor, Categorical) and factor.name in also
        else factor
        for factor in found
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


def _check_known(answers: Mapping[str, Any], table: Ingredients) -> None:
    """Refuse what no row of the table is called, all of it at once, and say where rows go."""
    recipes = [answers[key] for key in ("formula", "second") if answers.get(key)]
    for recipe in recipes:
        table = table.with_ingredients(
            tuple(Ingredient.from_dict(row) for row in recipe.get("ingredients", ()))
        )
    said: dict[str, str] = {}
    unclear: dict[str, str] = {}
    for recipe in recipes:
        for key, amount in dict(recipe.get("parts") or {}).items():
            for name in amount if isinstance(amount, Mapping) else [key]:
                near = table.nearest(name)
                if near is not None:
                    said[name] = near
                elif name not in table:
                    unclear[name] = _could_be(table, name)
    if unclear and not said:
        raise RoundError(" ".join(unclear.values()))
    if said:
        be = "is" if len(said) == 1 else "are"
        quoted = in_words(f'"{name}"' for name in said)
        groups = in_words(sorted({row.group for row in table.rows}))
        raise RoundError(
            f"{quoted} {be} not in the ingredient table.{''.join(said.values())} Give another "
            f"name; or write what is in 100 g of it into {OWN_INGREDIENTS} beside {IDEA}. First "
            "line: name,group,water_g,fat_g,sugar_g,salt_g,allergens. Second line: "
            f"{next(iter(said))},group,water,fat,sugar,salt,allergens with its group and its "
            "figures in place of the words, from the packet or a table of "
            "foods. A packet names no water: it is 100 less all that the packet names, starch and "
            "protein too. Several allergens stand with / between, as in wheat/milk. The groups are "
            f"{groups}; water of a flour, starch or nut is not counted as added."
            f"{''.join(f' {one}' for one in unclear.values())}"
        )


def _could_be(table: Ingredients, name: str) -> str:
    """Return which rows of the table a name could mean."""
    try:
        table.find(name)
    except FormulaError as error:
        return error.message
    return ""


def _taster(record: Mapping[str, Any]) -> Taster:
    if "name" not in record:
        raise RoundError("a taster has no name.")
    return taster_from(record)


def plan_of(idea: Idea) -> Plan:
    """Return the plan proposed for an idea.

    Where two recipes that rise by different things are crossed, no bake is left without any, as
    far as there is such a plan. Parents are bakes of the plan itself where it can be so; else
    they take the place of as many, or come on top where so few would tell nothing.
    """
    try:
        plan = _with_both_parents(idea)
        return _as_the_first(idea, _risen(idea, plan))
    except PlanError as error:
        raise PlanError(as_in_the_file(error.message), error.place or Place(IDEA)) from None


def _rising(idea: Idea, make: Callable[[Sequence[Mapping[str, Any]]], Plan]) -> Plan:
    """Return the plan whose bakes rise best of those that can be made."""
    for rules in _too_flat(idea):
        try:
            return make([*idea.exclude, *rules])
        except PlanError:
            continue
    return make(idea.exclude)


def _proposed(idea: Idea, exclude: Sequence[Mapping[str, Any]], bakes: int | None = None) -> Plan:
    return propose(
        idea.factors,
        idea.bakes if bakes is None else bakes,
        aim=idea.aim,
        days=idea.days,
        loads=idea.loads,
        references=idea.references,
        exclude=list(exclude) or None,
        seed=idea.seed,
        tasters=idea.tasters or None,
        worth_noticing=_worth(idea.measures),
        later=idea.later,
        doughs=idea.doughs,
        bakes_a_dough=(idea.batch or Batch()).bakes_a_dough,
    )


def _too_flat(idea: Idea) -> list[list[dict[str, Any]]]:
    """Return the settings that leave a bake with too little to rise, then those with nothing.

    Nothing is left out where a recipe does not rise, or where something lifts every bake.
    """
    if idea.formula is None or idea.second is None:
        return []
    own, other = lifting(idea.formula), lifting(idea.second)
    find = idea.formula.table_of_ingredients.find
    absent = {find(factor.changes[1]): factor for factor in _switched(idea) if factor.changes}
    whole = any((factor.changes or ("",))[0] == "cross" for factor in idea.factors)
    table = {*idea.formula.mix.parts, *idea.second.mix.parts}
    left = [
        name
        for name in (*own, *(other if whole else ()))
        if name in table or find(name) not in absent
    ]
    if not (own and other) or left or len(absent) < _EITHER:
        return []
    little = [
        {one.name: (0.0, (_HALF if one is least else _ALL) * one.high) for one in absent.values()}
        for least in absent.values()
    ]
    return [little, [{one.name: (0.0, 0.0) for one in absent.values()}]]


def _switched(idea: Idea) -> list[Numeric]:
    """Return the factors that give a bake all of what lifts one recipe, or nothing of it."""
    assert idea.formula is not None
    assert idea.second is not None
    lifts = (*lifting(idea.formula), *lifting(idea.second))
    return [
        factor
        for factor in idea.factors
        if isinstance(factor, Numeric)
        and factor.changes is not None
        and factor.changes[0] == "percent"
        and factor.changes[1] in lifts
        and factor.low == 0
        and factor.only_when is None
    ]


_EITHER = 2  # things that lift: of one alone, a bake without it is what is to be tried
# Of what a recipe has of it, just under: a bake keeps all of one, or half of each; a quarter of
# one alone lifts hardly anything (common practice, no source)
_HALF, _ALL = 0.49, 0.99


def _risen(idea: Idea, plan: Plan) -> Plan:
    """Return the plan with a word on bakes with nothing that lifts, where both recipes rise."""
    if idea.formula is None or idea.second is None:
        return plan
    formula = idea.formula
    if not (lifting(formula) and lifting(idea.second)):
        return plan
    rows = plan.table.to_dict("records")
    flat = [row["bake"] for row in rows if not lifting(formula_of(formula, plan.factors, row))]
    if flat:
        has, them = ("has", "it") if len(flat) == 1 else ("have", "them")
        return plan.because(
            f"{in_words(flat)} {has} no leavening at all, though both recipes rise: expect {them} "
            "flat."
        )
    if not _too_flat(idea):
        return plan
    raising = _switched(idea)
    both = [row["bake"] for row in rows if all(row[one.name] for one in raising)]
    apart = f"Leavening is crossed as {in_words(one.name for one in raising)}, each by itself"
    return plan.because(LIFTED, f"{apart}: {in_words(both)} rise by both." if both else f"{apart}.")


def _with_both_parents(idea: Idea) -> Plan:
    """Return the plan of an idea, with both parents where two recipes are crossed."""
    if not idea.parents or idea.formula is None or idea.second is None:
        return _rising(idea, lambda exclude: _proposed(idea, exclude))
    first, other = (
        {one.name: getattr(one, of) for one in idea.process} for of in ("first", "second")
    )
    both = parent_settings(idea.factors, idea.formula, idea.second, first, other)

    def crossed(exclude: Sequence[Mapping[str, Any]]) -> Plan:
        plan = _proposed(idea, exclude)
        found = parents_among(plan, both, each=idea.parents, exclude=list(exclude) or None)
        return _beside(idea, plan, exclude, both, first) if found is None else found

    found = _rising(idea, crossed)
    parents = ((idea.formula, first), (idea.second, other))
    whole = {
        parent.name: _how_whole(idea, found, _baked_as(found, parent.name), parent, ways)
        for parent, ways in parents
    }
    nearly = [name for name, said in whole.items() if said != [f"{name} {_WHOLE}."]]
    found = replace(found, details={**found.details, "nearly": nearly}) if nearly else found
    return found.because(*(sentence for said in whole.values() for sentence in said))


def _beside(
    idea: Idea,
    plan: Plan,
    exclude: Sequence[Mapping[str, Any]],
    both: pd.DataFrame,
    first: Mapping[str, Any],
) -> Plan:
    """Return crossings with both parents beside them, in all as many as are asked for if it can be.

    Parameters
    ----------
    idea : Idea
    plan : Plan
        Of as many crossings as bakes are asked for.
    exclude : sequence of mapping
    both : DataFrame
        The settings of the parents, a row each.
    first : mapping
        What no formula holds of the first.
    """
    with suppress(PlanError):
        plan = _proposed(idea, exclude, idea.bakes - len(both) * idea.parents)
    both = both.copy()
    for factor in plan.factors:
        held = factor.group in plan.groups and factor.group not in MIXED_ONCE
        if isinstance(factor, Numeric) and held and factor.name not in first:
            # What several bakes share is set as a load of the plan has it; a dough is mixed anew
            there = np.array([float(one) for one in plan.table[factor.name] if not is_blank(one)])
            both[factor.name] = [
                one if is_blank(one) else float(there[np.abs(there - float(one)).argmin()])
                for one in both[factor.name]
            ]
    return with_parents(plan, both, each=idea.parents)


def _baked_as(plan: Plan, parent: str) -> dict[str, Any]:
    """Return the settings of a parent's bake."""
    rows = plan.rows.set_index("bake")
    return dict(rows.loc[plan.details["parents"][parent][0]])


def _how_whole(
    idea: Idea,
    plan: Plan,
    settings: Mapping[str, Any],
    parent: Formula,
    ways: Mapping[str, Any],
) -> list[str]:
    """Say whether a parent is baked whole, or in what its bake is not as the parent is."""
    assert idea.formula is not None
    baked = formula_of(idea.formula, plan.factors, settings)
    here, own = _amounts(baked), _amounts(parent)
    gaps = {
        name: abs(here.get(name, 0.0) - own.get(name, 0.0)) for name in dict.fromkeys([*here, *own])
    }
    spelled = {
        one.mix.find(name).name: name for one in (baked, parent) for _, name, _ in one.mix.rows()
    }
    apart = [
        f"{spelled[name]} {tidy_number(here.get(name, 0.0), 3)} % (its own: "
        f"{tidy_number(own.get(name, 0.0), 3)} %)"
        for name in sorted(gaps, key=lambda name: -gaps[name])
        if gaps[name] > _ALIKE
    ]
    crossed = {factor.name for factor in plan.factors}
    made_alike = [
        one for one in idea.process if one.name not in crossed and ways[one.name] != one.first
    ]
    apart += [f"{one.name} {one.first} (its own: {ways[one.name]})" for one in made_alike]
    guessed = [
        f"its own {factor.name} is not said, so it is at {factor.show(settings[factor.name])}"
        for factor in plan.factors
        if factor.changes is None
        and factor.name not in ways
        and not is_blank(settings[factor.name])
    ]
    if not apart:
        return [f"{'; '.join([f'{parent.name} {_WHOLE}', *filter(None, [in_words(guessed)])])}."]
    more = [f"{len(apart) - _NAMED} more"] if len(apart) > _NAMED else []
    some = in_words([*apart[:_NAMED], *more])
    rest = f"; {in_words(guessed)}" if guessed else ""
    if parent is not idea.second or "share" in idea.cross:
        return [f"{parent.name} is there as near as what is varied brings it: {some}{rest}."]
    held = sorted((name for name in gaps if gaps[name] > _ALIKE), key=lambda name: -gaps[name])
    firsts = _amounts(idea.formula)
    kept = [spelled[name] for name in held if min(here.get(name, 0), firsts.get(name, 0)) > _ALIKE]
    without = [spelled[name] for name in held if here.get(name, 0.0) <= _ALIKE][:_LACKING]
    return [
        _not_itself(idea, kept[:_NAMED], without, made_alike),
        f"The bake of {parent.name} has {some}{rest}.",
    ]


def _not_itself(
    idea: Idea, kept: Sequence[str], without: Sequence[str], made_alike: Sequence[Process]
) -> str:
    """Say in kitchen words that the second recipe is not baked, and what stands for it."""
    assert idea.formula is not None
    assert idea.second is not None
    first, second = idea.formula.name, idea.second.name
    dough = [in_words(kept)] if kept else []
    dough += [f"no {in_words(without, 'or')}"] if without else []
    says = f": {', '.join(dough)}" if dough else ""
    says += f"; {in_words(f'{one.name} too ({one.first})' for one in made_alike)}" * bool(
        made_alike
    )
    ways = [one.name for one in idea.process if one.first != one.second]
    whole = ", ".join(f'"{one}"' for one in ("share", *ways))
    return (
        f"{second} itself is not baked: its bake takes from it {in_words(idea.cross)}. "
        f"Its dough is {first}'s{says}. To have it whole: cross = [{whole}]."
    )


_WHOLE = "is baked whole"
_NAMED = 3  # of what a parent's bake has otherwise, the widest apart first
_LACKING = 2  # of what the second recipe has and its bake has not
_ALIKE = 0.05  # percent of the flour: less is shown as the same


def _amounts(formula: Formula) -> dict[str, float]:
    """Return what a formula holds, under the names of the table, in percent of its flour."""
    found: dict[str, float] = {}
    for _, name, percent in formula.mix.rows():
        row = formula.mix.find(name).name
        found[row] = found.get(row, 0.0) + percent
    return found


def _as_the_first(idea: Idea, plan: Plan) -> Plan:
    """Return the plan with a word on what is not crossed and so is the first's."""
    if idea.formula is None or idea.second is None:
        return plan
    first, other = (
        {one.name: getattr(one, of) for one in idea.process} for of in ("first", "second")
    )
    same: list[str] = []
    for trait in not_crossed(plan.factors, idea.formula, idea.second, first, other):
        mine, theirs = (_choice(trait, one) for one in (trait.a, trait.b))
        same.append(f"{trait.name} ({mine}, not {theirs})")
    if not same:
        return plan
    said = f"Not crossed, so as in {idea.formula.name} in every crossing: {in_words(same)}."
    return plan.because(said)


def _choice(trait: Trait, choice: Any) -> str:
    if trait.kind == "part":
        has = (choice > 0) == (trait.b > trait.a)
        return "with it" if has else "without it"
    if isinstance(choice, float) and trait.unit:
        return f"{tidy_number(choice, 3)} %"
    return str(choice)


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
    """Return what difference in liking is worth noticing, where the idea names one."""
    return next((one.worth_noticing for one in measures if one.liking), None)
