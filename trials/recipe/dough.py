"""The temperature of a dough, and how warm its water has to be."""

from trials.base.errors import FormulaError
from trials.base.words import tidy_number
from trials.recipe.units import convert, unit


def water_temperature(
    dough: float,
    *,
    flour: float,
    room: float,
    friction: float,
    preferment: float | None = None,
    scale: str = "°C",
) -> float:
    """Return how warm the water must be for a dough to come out of the mixer as wanted.

    Parameters
    ----------
    dough : float
        The dough temperature wanted.
    flour, room, preferment : float
        What goes in, and the room; the pre-ferment when there is one.
    friction : float
        What the mixer adds, as a difference of temperatures on the same scale.
    scale : {"°C", "°F"}
        The scale of all of them, and of the answer.

    Raises
    ------
    FormulaError
        When the water would have to be ice, or boiling.

    References
    ----------
    King Arthur Baking, "Determining the friction factor"; Pizza Today, June 2018.

    Examples
    --------
    >>> water_temperature(80, flour=65, room=75, friction=35, scale="F")
    65.0
    >>> water_temperature(24, flour=21, room=20, friction=14, preferment=22)
    19.0
    """
    scale = unit(scale)
    given = [flour, room] + ([] if preferment is None else [preferment])
    water = float((len(given) + 1) * dough - sum(given) - friction)
    celsius = convert(water, scale, "°C")
    if celsius < 0:
        raise FormulaError(
            f"the water would have to be {tidy_number(water)} {scale}, below freezing. "
            "Chill the flour, use ice for part of the water, or mix more gently."
        )
    if celsius > 100:
        raise FormulaError(
            f"the water would have to be {tidy_number(water)} {scale}, above boiling. "
            "Warm the flour or the room, or accept a cooler dough."
        )
    return water


def friction_factor(
    dough: float, *, flour: float, room: float, water: float, preferment: float | None = None
) -> float:
    """Return what a mixer added, from a dough that was made.

    Examples
    --------
    >>> friction_factor(24, flour=21, room=20, water=19, preferment=22)
    14.0
    """
    given = [flour, room] + ([] if preferment is None else [preferment])
    return float((len(given) + 1) * dough - sum(given) - water)
