"""Units at the edges: what is read or shown. Inside, everything is grams, percent, °C, minutes.

A dozen exact factors need no unit library: the set is closed, each factor is a definition, and a
word that is not in it is refused.
"""

import math
import re
from numbers import Real

from trials.base.errors import FormulaError
from trials.base.words import in_words, tidy_number

# Grams. The avoirdupois pound is 453.59237 g by definition (international agreement of 1959).
WEIGHTS = {"mg": 0.001, "g": 1.0, "kg": 1000.0, "oz": 453.59237 / 16, "lb": 453.59237}
# Millilitres. The US gallon is 231 cubic inches, 3785.411784 ml, by definition; a cup is its 16th.
VOLUMES = {
    "ml": 1.0,
    "l": 1000.0,
    "tsp": 3785.411784 / 768,
    "tbsp": 3785.411784 / 256,
    "fl oz": 3785.411784 / 128,
    "cup": 3785.411784 / 16,
}
TIMES = {"s": 1 / 60, "min": 1.0, "h": 60.0}
TEMPERATURES = ("°C", "°F")
_KINDS = (WEIGHTS, VOLUMES, TIMES)
_SPELLINGS = {
    "c": "°C",
    "f": "°F",
    "degc": "°C",
    "degf": "°F",
    "gram": "g",
    "grams": "g",
    "ounce": "oz",
    "ounces": "oz",
    "pound": "lb",
    "pounds": "lb",
    "lbs": "lb",
    "cups": "cup",
    "teaspoon": "tsp",
    "tablespoon": "tbsp",
    "minute": "min",
    "minutes": "min",
    "hour": "h",
    "hours": "h",
    "litre": "l",
    "liter": "l",
}
# What is taken from a set of spoons for so many eighths; three eighths are two spoons.
_EIGHTHS = ("", "1/8", "1/4", "1/4 + 1/8", "1/2", "1/2 + 1/8", "3/4", "3/4 + 1/8")


def unit(word: str) -> str:
    """Return the unit a word means; a FormulaError for one that is not known.

    Examples
    --------
    >>> unit("F"), unit("Pounds"), unit("ml")
    ('°F', 'lb', 'ml')
    """
    known = {name: name for kind in _KINDS for name in kind}
    known |= {name.casefold(): name for name in TEMPERATURES} | _SPELLINGS
    key = word.strip().casefold().rstrip(".") if isinstance(word, str) else ""
    if key not in known:
        names = [name for kind in _KINDS for name in kind] + list(TEMPERATURES)
        raise FormulaError(f"{word!r} is not a unit; {in_words(names, 'or')} was expected.")
    return known[key]


def convert(value: float, given: str, wanted: str, *, density: float | None = None) -> float:
    """Return a quantity in another unit.

    References
    ----------
    NIST Special Publication 811, Appendix B (pound, US gallon, degree Fahrenheit).

    Examples
    --------
    >>> convert(180, "C", "F"), convert(1, "lb", "g"), convert(90, "min", "h")
    (356.0, 453.59237, 1.5)
    >>> round(convert(100, "ml", "g", density=1.433), 1)                            # honey
    143.3
    """
    if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(value):
        raise FormulaError(f"{value!r} is not a quantity; a number was expected.")
    given, wanted = unit(given), unit(wanted)
    value = float(value)
    if given in TEMPERATURES and wanted in TEMPERATURES:
        return _temperature(value, given, wanted)
    for kind in _KINDS:
        if given in kind and wanted in kind:
            return value if given == wanted else value * kind[given] / kind[wanted]
    if given in VOLUMES and wanted in WEIGHTS:
        return value * VOLUMES[given] * _density(density) / WEIGHTS[wanted]
    if given in WEIGHTS and wanted in VOLUMES:
        return value * WEIGHTS[given] / _density(density) / VOLUMES[wanted]
    raise FormulaError(f"{given} can not be turned into {wanted}; they measure different things.")


def temperature_difference(value: float, given: str, wanted: str) -> float:
    """Return a difference of temperatures, such as a friction factor, in another unit.

    The 32 of the Fahrenheit scale is not part of a difference.

    Examples
    --------
    >>> temperature_difference(36, "F", "C")
    20.0
    """
    given, wanted = unit(given), unit(wanted)
    if given not in TEMPERATURES or wanted not in TEMPERATURES:
        raise FormulaError(f"{given} and {wanted}: °C or °F was expected.")
    if given == wanted:
        return float(value)
    return value * 5 / 9 if given == "°F" else value * 9 / 5


def household(grams: float, density: float | None = None) -> str:
    """Return a weight as a home cook measures it: in cups, in spoons, or by an ounce scale.

    Spoons are what a set holds: eighths of a teaspoon, quarters above one, spoons of both sizes
    above a tablespoon, quarter cups and tablespoons above a quarter cup. They are approximate, and
    say so. Where no density is known, ounces; grams below one ounce, which its scale hardly shows.

    Examples
    --------
    >>> household(330, 1.031), household(3.3, 1.217), household(50, 1.217)
    ('about 1 1/4 cups + 2 tbsp', 'about 1/2 tsp', 'about 2 tbsp + 2 1/2 tsp')
    >>> household(250), household(3.3)
    ('8.8 oz', '3.3 g')
    """
    if density is None:
        return ounces(grams)
    words = [_measure(count, name) for count, name in _measures(grams, density)]
    return f"about {' + '.join(words)}" if words else "less than 1/8 tsp"


def ounces(grams: float) -> str:
    """Return a weight for an ounce scale; in grams where a tenth of an ounce says too little.

    Examples
    --------
    >>> ounces(283.5), ounces(3.3)
    ('10.0 oz', '3.3 g')
    """
    if grams < WEIGHTS["oz"]:
        return f"{tidy_number(round(grams, 1 if grams >= 1 else 2))} g"
    return f"{convert(grams, 'g', 'oz'):.1f} oz"


def measured(grams: float, density: float) -> float:
    """Return the grams that the cups and spoons of :func:`household` hold.

    Examples
    --------
    >>> round(measured(3.3, 1.217), 2)
    3.0
    """
    ml = sum(count * VOLUMES[name] for count, name in _measures(grams, density))
    return ml * density


def _measures(grams: float, density: float) -> list[tuple[float, str]]:
    """Return how many of which measure, the largest first; nothing below half an eighth."""
    ml = convert(grams, "g", "ml", density=density)
    spoons = ml / VOLUMES["tsp"]
    if spoons < 3:
        step = 8 if spoons < 1 else 4
        spoons = round(spoons * step) / step
    elif spoons < 12:
        spoons = round(spoons * 2) / 2
    else:
        spoons = 3.0 * round(spoons / 3)
    quarters, rest = divmod(spoons, 12)
    large, small = divmod(rest, 3)
    found = [(quarters / 4, "cup"), (large, "tbsp"), (small, "tsp")]
    return [(count, name) for count, name in found if count]


def _measure(count: float, name: str) -> str:
    whole, eighths = divmod(round(8 * count), 8)
    amount = f"{whole or ''} {_EIGHTHS[eighths]}".strip()
    return f"{amount} {'cups' if name == 'cup' and count > 1 else name}"


def _temperature(value: float, given: str, wanted: str) -> float:
    if given == wanted:
        return value
    return (value - 32) * 5 / 9 if given == "°F" else value * 9 / 5 + 32


def _density(density: float | None) -> float:
    if density is None:
        raise FormulaError("weight and volume need the density (g per ml) to be turned over.")
    if not density > 0:
        raise FormulaError(f"the density is {tidy_number(density)}; above 0 was expected.")
    return density


# Units of what is set and not weighed: nobody weighs a temperature, a time, a length or a turn
_SET = re.compile(
    r"°|^(c|f|s|sec|min|minutes?|h|hours?|days?|mm|cm|rpm|times|turns|folds?|x)$", re.IGNORECASE
)


def is_set(word: str) -> bool:
    """Say whether a unit is of what is set, such as a heat, a time or a length.

    Examples
    --------
    >>> [is_set(word) for word in ("°C", "min", "g", "pieces", "")]
    [True, True, False, False, False]
    """
    return bool(_SET.search(word.strip()))
