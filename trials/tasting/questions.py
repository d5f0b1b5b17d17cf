"""What a ballot asks and tells, on paper and on a phone alike."""

from collections.abc import Iterable, Sequence

import pandas as pd

from trials.errors import TastingError
from trials.measures import NONE, Measure
from trials.tables import in_words, tidy_number
from trials.tasting.panel import Taster

LINE_LENGTH = 140  # millimetres between the end marks of a line scale on paper
SAMPLE, REFERENCE = "sample", "reference"  # kinds of a serving plan
BLIND = "blind"
BLIND_POINTS = (("yes", "I did not know which bake it was"), ("no", "I knew which bake it was"))
RESERVED = ("taster", "sitting", "position", "code", "kind", "note", "round", BLIND)
# Liking first, so that judging the parts does not colour it (common practice, no source).
_FIRST_TO_LAST = (
    "hedonic",
    "intensity",
    "just about right",
    "check all",
    "number",
    "passed",
    "ranking",
    "words",
)
NONE_OF_THESE = "none of these"
AGREEMENT = (
    "I was asked about allergies, intolerances, pregnancy, alcohol, beliefs and medicines. "
    "I taste of my own free will and may stop at any time."
)
NO_ALLERGENS_NAMED = "Ask the cook what the pieces of this sitting may contain before you taste."


def line_score(mark: float, measure: Measure, length: float = LINE_LENGTH) -> float:
    """Return the score of a mark on a paper line.

    Parameters
    ----------
    mark : float
        Millimetres from the left end to where the mark crosses the line.
    measure : Measure
        With an intensity scale.
    length : float
        Millimetres of the printed line; measure it, for printers shrink pages.

    Returns
    -------
    float
        On the measure's scale.

    Raises
    ------
    TastingError
        When the mark is off the line or the measure has no line.

    References
    ----------
    ISO 4121, unstructured line scale: the distance from the end as a share of the line.

    Examples
    --------
    >>> line_score(98, Measure("crispness", ("intensity", 0, 10)))
    7.0
    """
    if measure.kind != "intensity":
        raise TastingError(f'"{measure.name}" is not scored on a line.')
    if not length > 0 or not 0 <= mark <= length:
        raise TastingError(
            f"The mark is at {tidy_number(mark)} mm; a line of {tidy_number(length)} mm was named."
        )
    low, high = measure.scale[1:]
    return float(low + mark / length * (high - low))


def asked_measures(measures: Sequence[Measure]) -> list[Measure]:
    """Return what a ballot asks, in its order: liking first, then the parts.

    Raises
    ------
    TastingError
        When no measure is scored at the table, or one has the name of another column.

    Examples
    --------
    >>> crisp = Measure("crispness", ("intensity", 0, 10))
    >>> [one.name for one in asked_measures([crisp, Measure("liking", "hedonic 9")])]
    ['liking', 'crispness']
    """
    asked = [measure for measure in measures if measure.per == "tasting"]
    if not asked:
        raise TastingError("Nothing is scored at the table, so there is nothing to ask tasters.")
    taken = [one.name for one in asked if one.name.casefold() in RESERVED]
    if taken:
        raise TastingError(f'"{taken[0]}" is a column that every ballot has; rename that measure.')
    return sorted(asked, key=lambda measure: _FIRST_TO_LAST.index(measure.kind))


def check_serving(serving: pd.DataFrame, tasters: Sequence[Taster]) -> None:
    """Raise a TastingError when ballots can not be made of a serving table."""
    missing = [
        name for name in ("taster", "sitting", "position", "code", "kind") if name not in serving
    ]
    if missing:
        raise TastingError(f"The serving table has no column {in_words(map(repr, missing))}.")
    known = {taster.name for taster in tasters}
    strangers = [name for name in serving["taster"].unique() if name not in known]
    if strangers:
        raise TastingError(f'"{strangers[0]}" is served but is not among the tasters.')
    blank = serving["code"].isna() | (serving["code"].astype(str).str.strip() == "")
    if blank.any():
        row = serving[blank].iloc[0]
        raise TastingError(f"Sample {row['position']} of {row['taster']} has no code.")


def is_warm_up(serving: pd.DataFrame) -> pd.Series:
    """Return which servings only warm the palate and are not scored.

    Examples
    --------
    >>> list(is_warm_up(pd.DataFrame({"kind": ["warm-up", "trial"]})))
    [True, False]
    """
    return serving["kind"].astype(str).str.casefold().str.startswith("warm")


def without_reference(serving: pd.DataFrame) -> pd.DataFrame:
    """Return the servings with the reference as one sample among others.

    Examples
    --------
    >>> list(without_reference(pd.DataFrame({"kind": ["reference", "repeat"]}))["kind"])
    ['sample', 'repeat']
    """
    return serving.assign(kind=serving["kind"].replace(REFERENCE, SAMPLE))


def allergen_sentence(allergens: Iterable[str]) -> str:
    """Return what every taster is told before the first bite, for the sitting as a whole.

    Examples
    --------
    >>> allergen_sentence(["wheat", "milk"])
    'Any piece may contain: milk and wheat. If you avoid one of them, tell the cook now.'
    """
    named = sorted({str(one).strip() for one in allergens} - {""}, key=str.casefold)
    if not named:
        return NO_ALLERGENS_NAMED
    return f"Any piece may contain: {in_words(named)}. If you avoid one of them, tell the cook now."


def tick_words(measure: Measure) -> tuple[str, ...]:
    """Return what can be ticked on a check-all, with a tick of its own for none.

    Examples
    --------
    >>> tick_words(Measure("said of it", "check all", words=["nutty"]))
    ('nutty', 'none of these')
    """
    own = tuple(measure.words)
    return own if NONE in {word.casefold() for word in own} else (*own, NONE_OF_THESE)


def asks_blindness(tasters: Iterable[Taster]) -> bool:
    """Say whether the sheets of a round ask if a score was blind: only where a cook tastes.

    Examples
    --------
    >>> asks_blindness([Taster("Ida")]), asks_blindness([Taster("Ida", cooks=True)])
    (False, True)
    """
    return any(taster.cooks for taster in tasters)


def ranking_question(measure: Measure) -> str:
    """Return how the places of a ranking are asked for.

    Examples
    --------
    >>> ranking_question(Measure("crispness", "ranking", anchors=["crispest", "softest"]))
    'crispness: place within this sitting, 1 for crispest'
    """
    return f"{measure.name}: place within this sitting, 1 for {measure.points()[0]}"


def point_words(measure: Measure) -> list[str]:
    """Return a word for each point of a liking or just-about-right scale, empty where none is.

    Your own words may stand at every point, or at the ends alone.

    Examples
    --------
    >>> point_words(Measure("size", "just about right 5", anchors=["too small", "too big"]))
    ['too small', '', '', '', 'too big']
    """
    words = list(measure.points())
    points = int(measure.high or 0)
    if len(words) == points:
        return words
    if len(words) == 2:
        return [words[0], *[""] * (points - 2), words[1]]
    raise TastingError(
        f'"{measure.name}" has {len(words)} words; its scale takes {points}, or 2 for the ends.'
    )
