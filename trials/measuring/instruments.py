"""What instruments and kitchen stand-ins say of a bake: formulas with units, readings averaged.

Every argument may be one reading or several of one bake; several are averaged and their spread
is kept. A reading that can not be is refused.
"""

from trials.errors import MeasureError
from trials.measuring.readings import Given, Reading, averaged, worked_out

GRAVITY = 9.81  # newton a kilogram, as kitchen scales are good for
_LONGEST = 2_000  # mm
_HEAVIEST = 100_000  # g


def spread_factor(width: Given, thickness: Given) -> Reading:
    """Return how far biscuits spread: width over thickness.

    Parameters
    ----------
    width, thickness : float or sequence of float
        Millimetres, of one biscuit or as the mean of a row of six and a stack of six.

    Returns
    -------
    Reading
        A bare ratio; some reports print ten times it.

    References
    ----------
    AACC method 10-50.05 (width over thickness of six cookies), as summarised by the society.

    Examples
    --------
    >>> round(spread_factor(78.4, 9.8).value, 6)
    8.0
    """
    wide = averaged("width", width, "mm", 0, _LONGEST)
    thick = averaged("thickness", thickness, "mm", 0, _LONGEST)
    return worked_out("spread factor", "", lambda w, t: w / t, wide, thick)


def height(readings: Given) -> Reading:
    """Return the mean height of pieces, in millimetres.

    Examples
    --------
    >>> height([31, 33]).value
    32.0
    """
    return averaged("height", readings, "mm", 0, _LONGEST)


def specific_volume(volume: Given, weight: Given) -> Reading:
    """Return millilitres a gram, from seeds displaced and the scale.

    Parameters
    ----------
    volume : float or sequence of float
        Millilitres: seeds that fill the empty box, less those that fill it around the piece.
    weight : float or sequence of float
        Grams, of the cool piece.

    Raises
    ------
    MeasureError
        When the piece would be denser than packed flour or lighter than foam.

    References
    ----------
    Seed displacement, AACC method 10-05.01 (title from memory).

    Examples
    --------
    >>> specific_volume(1650, 440).value
    3.75
    """
    room = averaged("volume", volume, "ml", 0, 100_000)
    mass = averaged("weight", weight, "g", 0, _HEAVIEST)
    found = worked_out("specific volume", "ml/g", lambda v, w: v / w, room, mass)
    return _possible(found, 0.5, 20)


def bake_loss(dough: Given, baked: Given) -> Reading:
    """Return what was lost in the oven, in per cent of the dough's weight.

    Parameters
    ----------
    dough, baked : float or sequence of float
        Grams before and after.

    Raises
    ------
    MeasureError
        When the baked piece weighs more than its dough: a fried one does so by its oil, see
        :func:`oil_uptake`.

    Examples
    --------
    >>> round(bake_loss(500, 440).value, 6)
    12.0
    """
    before = averaged("dough", dough, "g", 0, _HEAVIEST)
    after = averaged("baked", baked, "g", 0, _HEAVIEST)
    found = worked_out("bake loss", "%", lambda d, b: 100 * (d - b) / d, before, after)
    return _possible(found, 0, 95)


def oil_uptake(
    raw: Given, raw_moisture: Given, fried: Given, fried_moisture: Given, *, of: str = "fried"
) -> Reading:
    """Return the oil a piece took up, from weights and moistures before and after frying.

    The change of weight alone says nothing: water lost and oil gained cancel each other.

    Parameters
    ----------
    raw, fried : float or sequence of float
        Grams of the same piece before and after, drained and cool. Never weigh or move hot oil.
    raw_moisture, fried_moisture : float or sequence of float
        Water as a share of the weight, 0 to 1.
    of : {"fried", "raw", "grams"}
        What it is told in: per cent of the fried or of the raw weight, or grams.

    Raises
    ------
    MeasureError
        When less dry matter came out than went in.

    Notes
    -----
    fried (1 - fried_moisture) - raw (1 - raw_moisture); what solids the oil washed out is ignored.

    Examples
    --------
    >>> round(oil_uptake(60, 0.36, 63.5, 0.24).value, 1)
    15.5
    """
    parts = (
        averaged("raw weight", raw, "g", 0, _HEAVIEST),
        averaged("raw moisture", raw_moisture, "", 0, 0.95, above=False),
        averaged("fried weight", fried, "g", 0, _HEAVIEST),
        averaged("fried moisture", fried_moisture, "", 0, 0.95, above=False),
    )
    told = {"fried": lambda r, f: 100 / f, "raw": lambda r, f: 100 / r, "grams": lambda r, f: 1.0}
    if of not in told:
        raise MeasureError(f'oil uptake is told of {of!r}; expected "fried", "raw" or "grams".')
    share = told[of]
    found = worked_out(
        "oil uptake",
        "g" if of == "grams" else f"% of {of} weight",
        lambda r, mr, f, mf: (f * (1 - mf) - r * (1 - mr)) * share(r, f),
        *parts,
    )
    if found.value < 0:
        raise MeasureError(
            "less dry matter came out of the oil than went in, which can not be. Weigh the same "
            "piece before and after, and give moistures as shares from 0 to 1."
        )
    return found


def moisture(wet: Given, dry: Given) -> Reading:
    """Return the water in a sample as a share of its weight, from drying it.

    Parameters
    ----------
    wet, dry : float or sequence of float
        Grams before and after drying to constant weight.

    Examples
    --------
    >>> round(moisture(10, 7.6).value, 3)
    0.24
    """
    before = averaged("wet weight", wet, "g", 0, _HEAVIEST)
    after = averaged("dry weight", dry, "g", 0, _HEAVIEST)
    return _possible(worked_out("moisture", "", lambda w, d: (w - d) / w, before, after), 0, 0.95)


def break_force(mass: Given) -> Reading:
    """Return the force that broke a piece, from the mass that hung or stood on it.

    Parameters
    ----------
    mass : float or sequence of float
        Kilograms, of a bottle filled slowly until the piece breaks, say.

    Examples
    --------
    >>> round(break_force([2.8, 3.0]).value, 3)
    28.449
    """
    hung = averaged("mass", mass, "kg", 0, 200)
    return worked_out("break force", "N", lambda kilograms: kilograms * GRAVITY, hung)


def snap_stress(force: Given, span: float, width: Given, thickness: Given) -> Reading:
    """Return the stress at which a bar snaps in three-point bending.

    Parameters
    ----------
    force : float or sequence of float
        Newtons at the break.
    span : float
        Millimetres between the two supports.
    width, thickness : float or sequence of float
        Millimetres of the bar.

    Returns
    -------
    Reading
        Kilopascals: 3 F L / (2 b h²).

    Raises
    ------
    MeasureError
        When the bar is thicker than the span is wide: it is then crushed and not bent.

    References
    ----------
    Textbook formula of a simply supported beam (from memory).

    Examples
    --------
    >>> round(snap_stress(28, 40, 60, 8).value, 3)
    437.5
    """
    pressed = averaged("force", force, "N", 0, 10_000)
    between = averaged("span", span, "mm", 0, _LONGEST)
    wide = averaged("width", width, "mm", 0, _LONGEST)
    thick = averaged("thickness", thickness, "mm", 0, _LONGEST)
    if thick.value >= between.value:
        raise MeasureError("the bar is thicker than the span; set the supports farther apart.")
    return worked_out(
        "snap stress",
        "kPa",
        lambda f, s, b, h: 1000 * 3 * f * s / (2 * b * h * h),
        pressed,
        between,
        wide,
        thick,
    )


def _possible(found: Reading, low: float, high: float) -> Reading:
    if not low <= found.value <= high:
        raise MeasureError(
            f"{found.name} would be {found.value:.3g} {found.unit}".rstrip()
            + f", which can not be (from {low:g} to {high:g}). Look at the weights and units again."
        )
    return found
