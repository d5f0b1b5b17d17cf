"""Ballots on paper and the key to their codes.

What a taster sees, and nothing that gives a bake away.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, assert_never

import pandas as pd

from trials.base.errors import TastingError
from trials.base.html import render
from trials.base.words import in_words, tidy_number
from trials.core.measures import Measure
from trials.core.scales import Field, Line, ManyOf, Number, OneOf, Order, Text
from trials.tasting.panel import Taster, avoided_things

# -- What a ballot asks and tells, on paper and on a phone alike.


TEMPLATES = Path(__file__).parent / "templates"
LINE_LENGTH = 140  # millimetres between the end marks of a line scale on paper
SAMPLE, REFERENCE, REPEAT = "sample", "reference", "repeat"  # kinds of a serving plan
BLIND = "blind"
BLIND_POINTS = (("yes", "I did not know which bake it was"), ("no", "I knew which bake it was"))
RESERVED = ("taster", "sitting", "place", "code", "kind", "note", "round", BLIND)
NONE_OF_THESE = "none of these"
AGREEMENT = (
    "I was asked about allergies, intolerances, pregnancy, alcohol, beliefs and medicines. "
    "I taste of my own free will and may stop at any time."
)
NO_ALLERGENS_NAMED = "Ask the cook what the pieces of this sitting may contain before you taste."


def line_score(mark: float, measure: Measure, length: float = LINE_LENGTH) -> float:
    """Return the score of a mark on a paper line.

    References
    ----------
    ISO 4121, unstructured line scale: the distance from the end as a share of the line.

    Examples
    --------
    >>> line_score(98, Measure("crispness", ("intensity", 0, 10)))
    7.0
    """
    line = measure.field
    if not isinstance(line, Line):
        raise TastingError(f'"{measure.name}" is not scored on a line.')
    if not length > 0 or not 0 <= mark <= length:
        raise TastingError(
            f"The mark is at {tidy_number(mark)} mm; a line of {tidy_number(length)} mm was named."
        )
    return float(line.low + mark / length * (line.high - line.low))


def asked_measures(measures: Sequence[Measure]) -> list[Measure]:
    """Return what a ballot asks, in its order: liking first, then the parts.

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
    return sorted(asked, key=lambda measure: measure.place)


def check_serving(serving: pd.DataFrame, tasters: Sequence[Taster]) -> None:
    """Raise a TastingError when ballots can not be made of a serving table."""
    missing = [
        name for name in ("taster", "sitting", "place", "code", "kind") if name not in serving
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
        raise TastingError(f"Sample {row['place']} of {row['taster']} has no code.")


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


def avoided_sentence(taster: Taster) -> str:
    """Return what a taster told and how far it was seen to; empty where nothing was told.

    Examples
    --------
    >>> avoided_sentence(Taster("Ida", avoids=["nuts"])).partition(".")[0]
    'You avoid nuts: no piece of yours is known to hold any'
    """
    things = avoided_things(taster)
    others = [one for one in taster.avoids if one not in things]
    said = [f"You avoid {in_words(things)}: no piece of yours is known to hold any."] * bool(things)
    if others:
        said.append(
            f"You told the cook: {in_words(others)}. No piece of yours is known to go against it."
        )
    if taster.also_avoids:
        said.append(
            f"You told the cook of {in_words(taster.also_avoids)}, which no table knows: ask "
            "before you taste."
        )
    return " ".join([*said, "The labels of the packs go before this."] if said else [])


def in_order(asked: OneOf) -> list[list[str]]:
    """Return what is written for each point and its words, as every ballot shows them.

    The lowest point comes first on paper and on a phone alike; of yes and no, yes does.
    """
    if asked.spelled:
        return [[one.written, one.word] for one in reversed(asked.points)]
    return [[one.written, f"{one.written}  {one.word}".strip()] for one in asked.points]


def tick_words(asked: ManyOf) -> tuple[str, ...]:
    """Return what can be ticked of some words, with a tick of its own for none.

    Examples
    --------
    >>> tick_words(ManyOf(("nutty",), none="none"))
    ('nutty', 'none of these')
    """
    return (*asked.words, NONE_OF_THESE) if asked.none else asked.words


def asks_blindness(tasters: Iterable[Taster]) -> bool:
    """Say whether the sheets of a round ask if a score was blind: only where a cook tastes.

    Examples
    --------
    >>> asks_blindness([Taster("Ida")]), asks_blindness([Taster("Ida", cooks=True)])
    (False, True)
    """
    return any(taster.cooks for taster in tasters)


def question_words(measure: Measure) -> str:
    """Return how a measure is asked for.

    Examples
    --------
    >>> question_words(Measure("crispness", "ranking", anchors=["crispest", "softest"]))
    'crispness: place within this sitting, 1 for crispest'
    """
    match measure.field:
        case ManyOf():
            return f"{measure.name}: tick all that fit"
        case Order(first=first):
            return f"{measure.name}: place within this sitting, 1 for {first}"
        case OneOf() | Line() | Number() | Text():
            return measure.name
        case never:
            assert_never(never)


# -- Paper ballots: what a taster sees at the table, and nothing that gives a bake away.


def ballots(
    round_name: str,
    serving: pd.DataFrame,
    measures: Sequence[Measure],
    tasters: Iterable[Taster],
    *,
    allergens: Iterable[str] = (),
    notice: str = "",
    reference_named: bool = False,
) -> dict[str, str]:
    """Return a printable ballot for each taster: a page for each of their sittings.

    Many questions are set closer; what still finds no room runs on to the back of the sheet,
    never splitting a sample.

    References
    ----------
    Peryam & Pilgrim 1957 (nine words of liking); ISO 4121 (line scales); ISO 13299 (three-digit
    codes). The notice before a blind tasting is common practice, no source.

    Examples
    --------
    >>> serving = pd.DataFrame([["Ida", 1, 1, "583", "trial"]],
    ...     columns=["taster", "sitting", "place", "code", "kind"])
    >>> pages = ballots("Round 1", serving, [Measure("liking", "hedonic 9")], [Taster("Ida")])
    >>> "583" in pages["Ida"], "like extremely" in pages["Ida"]
    (True, True)
    """
    panel = tuple(tasters)
    printed = _printer(round_name, serving, measures, panel, allergens, notice, reference_named)
    return {
        taster.name: printed(f"Ballot: {round_name}, {taster.name}", [taster])
        for taster in panel
        if (serving["taster"] == taster.name).any()
    }


def ballot_book(
    round_name: str,
    serving: pd.DataFrame,
    measures: Sequence[Measure],
    tasters: Iterable[Taster],
    *,
    allergens: Iterable[str] = (),
    notice: str = "",
    reference_named: bool = False,
) -> str:
    """Return all ballots as one page to print at once; see :func:`ballots`."""
    panel = tuple(tasters)
    printed = _printer(round_name, serving, measures, panel, allergens, notice, reference_named)
    return printed(f"Ballots: {round_name}", panel)


def _printer(
    round_name: str,
    serving: pd.DataFrame,
    measures: Sequence[Measure],
    tasters: Sequence[Taster],
    allergens: Iterable[str],
    notice: str,
    reference_named: bool,
) -> Callable[[str, Sequence[Taster]], str]:
    """Return what makes a page of the ballots of some tasters, once all is known to be right."""
    asked = asked_measures(measures)
    check_serving(serving, tasters)
    told = serving if reference_named else without_reference(serving)
    warned = allergen_sentence(allergens)

    def printed(title: str, whose: Sequence[Taster]) -> str:
        return render(
            TEMPLATES,
            "ballot.html",
            title=title,
            line_length=LINE_LENGTH,
            allergens=warned,
            notice=notice.strip(),
            agreement=AGREEMENT,
            sheets=[sheet for one in whose for sheet in _sheets(round_name, told, asked, one)],
        )

    return printed


# Millimetres: of a piece, what a page has for pieces below its notice, and of a line of that
_PIECE_TAKES, _PAGE_HAS, _LINE_TAKES = 9.7, 216.0, 5.5


def _takes(asked: Field) -> float:
    """Return the millimetres that a question takes at ease, measured in print."""
    match asked:
        case OneOf(spelled=True):
            return 12.6
        case OneOf(points=points):
            return 10.4 + 1.625 * len(points)
        case Line():
            return 12.1
        case ManyOf():
            return 13.0
        case Number() | Order() | Text():
            return 14.0
        case never:
            assert_never(never)


def _sheets(
    round_name: str, serving: pd.DataFrame, asked: Sequence[Measure], taster: Taster
) -> list[dict[str, Any]]:
    own = serving[serving["taster"] == taster.name].sort_values(["sitting", "place"])
    several = own["sitting"].nunique() > 1
    return [
        _sheet(round_name, group, asked, taster, several)
        for _, group in own.groupby("sitting", sort=True)
    ]


def _sheet(
    round_name: str,
    servings: pd.DataFrame,
    asked: Sequence[Measure],
    taster: Taster,
    several: bool,
) -> dict[str, Any]:
    warming = is_warm_up(servings)
    scored = servings[~warming]
    sitting = [f"sitting {servings['sitting'].iloc[0]}"] if several else []
    questions = [_question(measure) for measure in asked]
    piece = _PIECE_TAKES + sum(_takes(measure.field) for measure in asked)
    if taster.cooks:
        words = [word for _, word in BLIND_POINTS]
        questions.append({"way": "ticks", "title": f"{BLIND}?", "words": words})
        piece += _takes(Measure(BLIND, "passed").field)
    avoided = avoided_sentence(taster)
    has = _PAGE_HAS - (_LINE_TAKES if avoided else 0)
    return {
        "taster": taster.name,
        "avoided": avoided,
        "cooks": taster.cooks,
        "where": ", ".join([round_name, *sitting]),
        "warm": in_words(str(code) for code in servings.loc[warming, "code"]),
        "reference": in_words(
            str(code) for code in servings.loc[servings["kind"] == REFERENCE, "code"]
        ),
        "lines": any(one["way"] == "line" for one in questions),
        "codes": [str(code) for code in scored["code"]],
        "questions": questions,
        "close": len(scored) * piece > has,
    }


def _question(measure: Measure) -> dict[str, Any]:
    """Return how a measure is asked on paper: the way, its title, and the words of that way."""
    told = {"title": question_words(measure)}
    asked = measure.field
    match asked:
        case OneOf(spelled=True):
            return told | {"way": "ticks", "words": [word for _, word in in_order(asked)]}
        case OneOf():
            words = [point.word for point in asked.points]
            return told | {"way": "points", "words": words}
        case ManyOf():
            return told | {"way": "ticks", "words": tick_words(asked)}
        case Line(ends=(low, high)):
            return told | {"way": "line", "low": low, "high": high}
        case Order():
            return told | {"way": "number"}
        case Number(unit=unit):
            return told | {"way": "number", "unit": unit}
        case Text():
            return told | {"way": "written"}
        case never:
            assert_never(never)


# -- The key to the codes: for whoever plates and labels, never for tasters.


COLUMNS = ("taster", "sitting", "place", "bake", "code", "kind")


def code_sheet(
    round_name: str,
    serving: pd.DataFrame,
    *,
    sealed_for: Sequence[str] = (),
    by_hand: Mapping[str, Sequence[str]] | None = None,
    may_hold: Mapping[str, Sequence[str]] | None = None,
) -> str:
    """Return who gets which bake under which code, a page for each sitting, to print.

    Once by taster in serving order, for the table; once by bake, for labelling, with what each
    may hold. What `by_hand` says a taster avoids, and nothing could check, stands above both in
    capitals.

    Examples
    --------
    >>> serving = pd.DataFrame([["Ida", 1, 1, "B07", "583", "sample"]],
    ...     columns=["taster", "sitting", "place", "bake", "code", "kind"])
    >>> "B07" in code_sheet("Round 1", serving)
    True
    """
    missing = [name for name in COLUMNS if name not in serving]
    if missing:
        raise TastingError(f"The serving table has no column {in_words(map(repr, missing))}.")
    return render(
        TEMPLATES,
        "code_sheet.html",
        title=f"Key to the codes: {round_name}",
        round_name=round_name,
        cooks=in_words(sealed_for),
        many=len(sealed_for) > 1,
        cook=next(iter(sealed_for), ""),
        guests=_guests(serving, sealed_for),
        repeats=bool((serving["kind"] == REPEAT).any()),
        sittings=[
            {
                "sitting": sitting,
                "places": sorted(rows["place"].unique()),
                "tasters": _by_taster(rows),
                "bakes": _by_bake(rows, may_hold or {}),
                "by_hand": _by_hand(by_hand or {}, set(rows["taster"])),
            }
            for sitting, rows in serving.groupby("sitting", sort=True)
        ],
    )


def _guests(serving: pd.DataFrame, cooks: Sequence[str]) -> list[str]:
    """Return who tastes beside the cook who labels the plates."""
    return [one for one in dict.fromkeys(serving["taster"].map(str)) if one not in cooks[:1]]


def _by_hand(avoided: Mapping[str, Sequence[str]], here: set[str]) -> list[str]:
    """Return what has to be checked by hand, in capitals."""
    return [
        f"CHECK BY HAND: {name.upper()} NEVER EATS {in_words(things, 'or').upper()}."
        for name, things in avoided.items()
        if things and name in here
    ]


def _by_taster(rows: pd.DataFrame) -> list[tuple[str, list[dict[str, Any] | None]]]:
    """Return what each taster gets, a cell for each place of the sitting."""
    places = sorted(rows["place"].unique())
    lines = []
    for taster, own in rows.groupby("taster", sort=False):
        at = {row["place"]: row for row in own.to_dict("records")}
        lines.append((str(taster), [at.get(place) for place in places]))
    return lines


def _by_bake(
    rows: pd.DataFrame, may_hold: Mapping[str, Sequence[str]]
) -> list[tuple[str, str, str]]:
    """Return the codes of each bake, and what it may hold, in words."""
    return [
        (
            str(bake),
            ", ".join(f"{row.code} ({row.taster})" for row in own.itertuples()),
            in_words(may_hold.get(str(bake), ())),
        )
        for bake, own in rows.groupby("bake", sort=True)
    ]
