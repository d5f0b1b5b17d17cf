"""Cautions, chosen from what is mixed and how hot it is made. There is no switch to leave one out.

Short words of our own. They defer to local food-safety and fire codes, which come first.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from numbers import Real
from typing import Any

from trials.base.words import in_words, tidy_number
from trials.recipe.avoided import BUCKWHEAT, avoidable_in, done_by_hand, ingredients_in
from trials.recipe.formula import Formula, allergens, labels_to_read
from trials.recipe.ingredients import Ingredient, Ingredients, shipped

USUAL_FRYING = (160, 190)  # °C; trade manuals (160-180 in general, doughnuts 190)
# Smoke points in °C, from encyclopedia tables that disagree by 20 to 40 °C: ranges, not limits.
SMOKE_POINTS = {
    "butter, unsalted": (150, 176),
    "butter, salted": (150, 176),
    "cultured butter, European style 82 % fat": (150, 176),
    "lard": (188, 193),
    "shortening, household vegetable": (183, 183),
    "coconut oil": (177, 177),
    "peanut oil": (225, 232),
    "sunflower oil": (225, 232),
    "soybean oil": (225, 232),
    "corn oil": (225, 232),
    "butter oil, anhydrous (ghee / clarified butter)": (250, 250),
}
FRESH_REFINED = 215  # °C, for any other oil: fresh, refined, 0.05 % free fatty acid (trade text)
ALLERGENS = "allergens"
# A frying pan is a pan: what is done in it, and what is in it, says whether it is fried
_FRIES = re.compile(
    r"\b(fry(?![ -]?pans?\b)|fries|fryer|fried|frying(?![ -]pans?\b)|fritters?|deep.fat)\b"
    r"|\boil (fill|temp|heat)|hot oil"
    r"|\b(?<!loaf )(?<!cake )(pan|pot|skillet|wok)s? (with|of) "
    r"[\w ]*\b(oil|fat|lard|ghee|dripping)\b"
)
_HOT = 100  # °C; a setting of oil from here up is a temperature, not an amount


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    subject : str
        What it is about, in a word or two.
    text : str
        What to do, in one to three sentences.
    """

    subject: str
    text: str


KIT = Caution(
    "before all",
    "This kit plans and records trials. It does not make food safe or legal. Your food-safety "
    "code, your fire code and your licensed adviser come first; where they differ from this "
    "sheet, follow them.",
)
HOT_OIL = Caution(
    "hot oil",
    "Stay with hot oil and watch a thermometer. Fill the pot one third at most, keep a lid and "
    "the right extinguisher at hand, never use water, never carry a hot pot. Smoke means too "
    "hot: heat off at once. Wet or sealed pieces can burst: slide in few at a time.",
)
RAW = "Do not taste raw dough or batter: {what} can make ill. Wash hands and bench afterwards."
CORE = Caution(
    "serving",
    "Serve only pieces that are done to the core, whatever the plan says. Usual for bread, in the "
    "thickest place: 85 to 91\u00a0°C where it is enriched, 93 to 98\u00a0°C where it is lean. "
    "Where your code asks for more, it goes first.",
)
CORE_OF_A_BATTER = Caution(
    CORE.subject,
    "Serve only pieces that are done to the core, whatever the plan says: a skewer in the thickest "
    "place comes out without wet batter. Where your code asks for a core temperature, it goes "
    "first.",
)
COOLING = Caution(
    "cooling",
    "With milk, egg or a moist filling: taste within 2 hours at room temperature (common advice), "
    "or as your code says. What is kept longer: cold below 5 °C or hot above 57 °C; cool it from "
    "57 to 21 °C within 2 hours and to 5 °C within 6 hours in all, or as your code says.",
)
ALCOHOL = Caution(
    "alcohol",
    "Holds alcohol ({names}), which does not bake out fully. Ask before serving; not for minors, "
    "drivers or in pregnancy.",
)
HONEY = Caution(
    "honey and infants",
    "Holds honey: never for infants under 12 months, baked in or not.",
)


def cautions(
    formula: Formula | None = None,
    settings: Mapping[str, Any] | None = None,
    held: Iterable[str] = (),
) -> list[Caution]:
    """Return every caution that a formula and its settings call for.

    What a kind or a step says in words counts as what is mixed does: a brush of butter, a
    topping of sesame. `held` names what is known to be in besides.

    References
    ----------
    US Food Code 3-501.14 and 3-501.16 as adopted in Delaware and Washington (cooling, holding);
    INSPQ (honey); state fire offices (hot oil, one third full); CDC (raw flour); the bread-bakers
    digest (core of bread). Smoke points and
    frying range: trade texts that disagree, hence ranges.

    Examples
    --------
    >>> batter = Formula("drop doughnut", {"bread flour": 100, "milk": 90, "egg": 20})
    >>> [caution.subject for caution in cautions(batter, {"oil temperature": [165, 195]})]
    ['before all', 'hot oil', 'frying temperature', 'raw dough', 'serving', 'cooling', 'allergens']
    """
    settings = dict(settings or {})
    by_hand = done_by_hand(settings)
    table = _table([formula])
    rows = list(dict.fromkeys([*_rows(formula), *ingredients_in(by_hand, table)]))
    found = [KIT]
    if is_fried(formula, settings):
        found += [HOT_OIL, *_frying_heat(_frying_fats(formula, settings), settings)]
    named = may_hold([formula], settings, held)
    return [*found, *_eaten(formula, rows), _allergen_caution(named, [formula], settings)]


def _rows(formula: Formula | None) -> list[Ingredient]:
    if formula is None:
        return []
    return [formula.mix.find(name) for name in dict.fromkeys(formula.table["ingredient"])]


def _eaten(formula: Formula | None, rows: list[Ingredient]) -> list[Caution]:
    groups = {row.group for row in rows}
    raw = [word for word, group in (("raw flour", "flour"), ("raw egg", "egg")) if group in groups]
    found = []
    if raw or formula is None:
        what = in_words(raw or ["raw flour", "raw egg"], "or")
        poured = formula is not None and formula.mixture == "batter"
        core = CORE_OF_A_BATTER if poured else CORE
        found += [Caution("raw dough", RAW.format(what=what)), core]
    if groups & {"egg", "dairy", "fruit", "plant milk"}:
        found.append(COOLING)
    strong = [row.name for row in rows if row.alcohol > 0]
    if strong:
        found.append(Caution(ALCOHOL.subject, ALCOHOL.text.format(names=in_words(strong))))
    if any("honey" in row.name.casefold() for row in rows):
        found.append(HONEY)
    return found


def cautions_of_all(
    formulas: Iterable[Formula | None],
    settings: Mapping[str, Any] | None = None,
    held: Iterable[str] = (),
) -> list[Caution]:
    """Return what any of several formulas calls for, each caution once, all allergens in one.

    Examples
    --------
    >>> two = [Formula("a", {"bread flour": 100, "milk": 60}),
    ...        Formula("b", {"bread flour": 100, "egg": 50})]
    >>> cautions_of_all(two)[-1].text.partition(".")[0]
    'May hold egg, gluten, milk and wheat'
    """
    made = list(formulas)
    found = [one for formula in made for one in cautions(formula, settings)]
    kept = [one for one in dict.fromkeys(found) if one.subject != ALLERGENS]
    return [*kept, _allergen_caution(may_hold(made, settings, held), made, settings)]


def may_hold(
    formulas: Iterable[Formula | None],
    settings: Mapping[str, Any] | None = None,
    held: Iterable[str] = (),
) -> tuple[str, ...]:
    """Return what a notice names: of the formulas, of what is done by hand, and what is known.

    Examples
    --------
    >>> bread = Formula("griddle bread", {"rice flour": 100, "water": 70})
    >>> may_hold([bread], {"cooking": "dry griddle, brushed with butter"}, ["sesame"])
    ('milk', 'sesame')
    """
    made = list(formulas)
    named = {name for formula in made if formula is not None for name in allergens(formula)}
    named |= {*avoidable_in(done_by_hand(settings or {}), _table(made)), *held}
    return tuple(sorted(named))


def _table(formulas: Sequence[Formula | None]) -> Ingredients:
    """Return the table that formulas are mixed from."""
    return next((one.mix.table for one in formulas if one is not None), shipped())


def _has_buckwheat(formulas: Iterable[Formula | None]) -> bool:
    return any(
        BUCKWHEAT in one.casefold()
        for formula in formulas
        if formula is not None
        for name in formula.table["ingredient"]
        for one in (name, formula.mix.find(name).name)
    )


BESIDE_WHEAT = "Buckwheat is no wheat, but is often ground beside it: its label says whether."


def _labels(formulas: Sequence[Formula | None], settings: Mapping[str, Any] | None) -> str:
    """Return whose label is to be read before all others, and what it may name."""
    found = labels_to_read(one for one in formulas if one is not None)
    mixed = {one.mix.find(name) for one in formulas if one for name in one.table["ingredient"]}
    for row in ingredients_in(done_by_hand(settings or {}), _table(formulas)):
        if row.label and row not in mixed:
            found[re.split("[,(]", row.name)[0].strip()] = row.may_hold_more
    if not found:
        return ""
    more = in_words(dict.fromkeys(one for own in found.values() for one in own))
    they = "it" if len(found) == 1 else "they"
    such = f", such as {more}" if more else ""
    return f"Read the label of {in_words(found)}: {they} may hold more{such}. "


def _allergen_caution(
    held: Sequence[str],
    formulas: Sequence[Formula | None],
    settings: Mapping[str, Any] | None,
) -> Caution:
    says = f"May hold {in_words(held)}. " if held else ""
    says += _labels(formulas, settings)
    says += f"{BESIDE_WHEAT} " if _has_buckwheat(formulas) else ""
    return Caution(
        ALLERGENS,
        f"{says}Read the label of every pack in hand: it prevails. Bowls, boards, fat and hot "
        "surfaces carry traces from one bake to the next. A blind code hides the recipe, "
        "so the cook checks each sample for each taster, and an allergen notice for the whole "
        "sitting is shown before it. Label claims need a qualified person.",
    )


def is_fried(formula: Formula | None, settings: Mapping[str, Any]) -> bool:
    """Say whether a bake of such settings is fried: by its parts, kinds and steps, or hot oil.

    Examples
    --------
    >>> is_fried(None, {"cooking": "fried in oil"}), is_fried(None, {"cooking": "oven"})
    (True, False)
    """
    words = [] if formula is None else list(formula.mix.parts)
    words += [*settings, *(str(value) for values in settings.values() for value in _each(values))]
    return any(map(is_frying, words)) or bool(_temperatures(settings))


def is_frying(words: str) -> bool:
    """Say whether words speak of frying: a kind, a step, a part of a formula.

    Examples
    --------
    >>> is_frying("shallow-fry"), is_frying("frying pan with oil"), is_frying("oven")
    (True, True, False)
    >>> is_frying("covered frying pan"), is_frying("fried in a frying pan")
    (False, True)
    """
    return bool(_FRIES.search(words.casefold()))


def _temperatures(settings: Mapping[str, Any]) -> list[float]:
    """Return the settings of the oil that are temperatures."""
    return [
        float(value)
        for name, values in settings.items()
        if _FRIES.search(name.casefold()) or re.search(r"\boil\b", name.casefold())
        for value in _each(values)
        if isinstance(value, Real) and float(value) >= _HOT
    ]


def _each(values: Any) -> list[Any]:
    if isinstance(values, Iterable) and not isinstance(values, str):
        return list(values)
    return [values]


def _frying_fats(formula: Formula | None, settings: Mapping[str, Any]) -> list[str]:
    """Return the table's names of what the pot holds, as far as it is said."""
    if formula is None:
        return []
    pots = [part for part in formula.mix.parts if _FRIES.search(part.casefold())]
    named = [name for part in pots for name in formula.mix.parts[part]]
    named += [
        value
        for name, values in settings.items()
        if _FRIES.search(name.casefold())
        for value in _each(values)
        if isinstance(value, str) and value in formula.mix.table
    ]
    return list(dict.fromkeys(formula.mix.find(name).name for name in named))


def _frying_heat(fats: list[str], settings: Mapping[str, Any]) -> list[Caution]:
    heats = _temperatures(settings)
    if not heats:
        return []
    hottest, found = max(heats), []
    if hottest > USUAL_FRYING[1]:
        found.append(
            Caution(
                "frying temperature",
                f"{tidy_number(hottest)} °C is above the usual frying range, {USUAL_FRYING[0]} to "
                f"{USUAL_FRYING[1]} °C. Check that °C is meant, and lower it if you can.",
            )
        )
    for fat in fats or ["the oil"]:
        low, high = SMOKE_POINTS.get(fat, (FRESH_REFINED, FRESH_REFINED))
        if hottest > low:
            span = f"about {low} °C" if low == high else f"about {low} to {high} °C"
            found.append(
                Caution(
                    "smoke point",
                    f"At {tidy_number(hottest)} °C {fat} may smoke ({span}, lower as it is used). "
                    "Choose another fat or a lower setting.",
                )
            )
    return found
