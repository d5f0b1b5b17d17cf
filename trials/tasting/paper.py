"""Ballots on paper and the key to their codes.

What a taster sees, and nothing that gives a bake away.
"""

import html
from collections.abc import Iterable, Mapping, Sequence
from typing import assert_never

import pandas as pd

from trials.base.errors import TastingError
from trials.base.html import PRINT_STYLE, page
from trials.base.words import in_words, tidy_number
from trials.core.measures import Measure
from trials.core.scales import Field, Line, ManyOf, Number, OneOf, Order, Text
from trials.tasting.panel import Taster

# -- What a ballot asks and tells, on paper and on a phone alike.


LINE_LENGTH = 140  # millimetres between the end marks of a line scale on paper
SAMPLE, REFERENCE = "sample", "reference"  # kinds of a serving plan
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


_STYLE = (
    PRINT_STYLE
    + f"""
@page {{ margin: 9mm 12mm; }}
.sheet {{ width: 100%; break-after: page; }}
.sheet:last-child {{ break-after: auto; }}
.sheet > thead td {{ border-bottom: .5mm solid #000; padding: 0 0 1.5mm; }}
.head {{ display: flex; justify-content: space-between; align-items: baseline; gap: 6mm; }}
.who {{ font-size: 17pt; font-weight: bold; }}
.notice {{ border: .3mm solid #000; padding: 2mm 3mm; margin: 2.5mm 0 1.5mm; }}
.notice p:last-child {{ margin: 0; }}
.sign {{ display: flex; gap: 6mm; }}
.sign span {{ flex: 1; border-bottom: .3mm solid #000; height: 7mm; font-size: 9.5pt; }}
.how {{ margin: 1.5mm 0 2mm; line-height: 1.25; }}
.sample {{ display: flex; gap: 4mm; border-top: .3mm solid #000; padding: 1.2mm 0 1.6mm;
          break-inside: avoid; }}
.code {{ flex: none; width: 24mm; font-size: 25pt; font-weight: bold; line-height: 1.1;
        letter-spacing: .03em; }}
.asked {{ flex: none; width: 150mm; }}
.ask {{ margin: 0 0 1.3mm; break-inside: avoid; }}
.ask > b {{ display: block; margin: 0 0 .4mm; line-height: 1.15; }}
.points {{ display: flex; width: {LINE_LENGTH + 8}mm; }}
.point {{ flex: 1; text-align: center; font-size: 8.5pt; line-height: 1.1; padding: 0 .5mm; }}
.point i {{ display: block; width: 7mm; height: 7mm; margin: 0 auto .6mm; line-height: 6.6mm;
           border: .35mm solid #000; font: bold 11pt/6.3mm "Helvetica Neue", Arial,
           "Liberation Sans", sans-serif; }}
.line {{ flex: none; width: {LINE_LENGTH}mm; height: 4.5mm; border: solid #000;
        border-width: 0 .35mm .35mm; }}
.ends {{ width: {LINE_LENGTH}mm; display: flex; justify-content: space-between; gap: 6mm;
        align-items: baseline; line-height: 1.15; }}
.ends span {{ flex: 1; font-size: 9.5pt; }}
.ticks {{ display: flex; flex-wrap: wrap; gap: 1.5mm 6mm; }}
.ticks span {{ white-space: nowrap; }}
.ticks i {{ display: inline-block; width: 4.5mm; height: 4.5mm; border: .35mm solid #000;
           vertical-align: -.8mm; margin-right: 1.5mm; }}
.write {{ border-bottom: .3mm solid #000; height: 6.5mm; font-size: 9.5pt; }}
.number {{ width: 60mm; }}
.close .notice {{ margin: 2mm 0 1mm; padding: 1.2mm 3mm; }}
.close .how {{ margin: 1mm 0 1.2mm; line-height: 1.2; }}
.close .sign span {{ height: 6mm; }}
.close .sample {{ padding: .8mm 0 .9mm; }}
.close .ask {{ margin-bottom: .9mm; }}
.close .ask > b {{ margin: 0 0 .2mm; line-height: 1.12; }}
.close .point {{ font-size: 8pt; line-height: 1.02; }}
.close .point i {{ height: 6.2mm; margin-bottom: .3mm; line-height: 5.5mm; }}
.close .line {{ height: 4mm; }}
.close .ends {{ line-height: 1.05; }}
.close .write {{ height: 5.4mm; line-height: 1.1; }}
"""
)


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
    asked = asked_measures(measures)
    tasters = tuple(tasters)
    check_serving(serving, tasters)
    box = _notice(allergens, notice)
    told = serving if reference_named else without_reference(serving)
    return {
        taster.name: page(
            f"Ballot: {round_name}, {taster.name}",
            _sheets(round_name, told, asked, taster, box),
            _STYLE,
        )
        for taster in tasters
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
    asked = asked_measures(measures)
    tasters = tuple(tasters)
    check_serving(serving, tasters)
    box = _notice(allergens, notice)
    told = serving if reference_named else without_reference(serving)
    sheets = [_sheets(round_name, told, asked, taster, box) for taster in tasters]
    return page(f"Ballots: {round_name}", "\n".join(filter(None, sheets)), _STYLE)


_PIECE_TAKES, _PAGE_HAS = 11.0, 222.0  # millimetres: of a piece, and what a page has for pieces


def _takes(asked: Field) -> float:
    """Return the millimetres that a question takes at ease, measured in print."""
    match asked:
        case OneOf(spelled=True):
            return 11.0
        case OneOf(points=points):
            return 13.25 + 0.75 * len(points)
        case Line():
            return 10.3
        case ManyOf() | Number() | Order() | Text():
            return 13.0
        case never:
            assert_never(never)


def _sheets(
    round_name: str, serving: pd.DataFrame, asked: Sequence[Measure], taster: Taster, box: str
) -> str:
    own = serving[serving["taster"] == taster.name].sort_values(["sitting", "place"])
    sittings = list(own["sitting"].unique())
    return "\n".join(
        _sheet(round_name, group, asked, taster, box, len(sittings))
        for _, group in own.groupby("sitting", sort=True)
    )


def _sheet(
    round_name: str,
    servings: pd.DataFrame,
    asked: Sequence[Measure],
    taster: Taster,
    box: str,
    sittings: int,
) -> str:
    scored = servings[~is_warm_up(servings)]
    sitting = f"sitting {servings['sitting'].iloc[0]}" if sittings > 1 else ""
    where = ", ".join(html.escape(part) for part in (round_name, sitting) if part)
    questions = "".join(_question(measure) for measure in asked)
    if taster.cooks:
        words = (word for _, word in BLIND_POINTS)
        questions += f'<div class="ask"><b>{BLIND}?</b>{_ticks(words)}</div>'
    samples = "".join(_sample(str(code), questions) for code in scored["code"])
    piece = _PIECE_TAKES + sum(_takes(measure.field) for measure in asked)
    piece += _takes(Measure(BLIND, "passed").field) if taster.cooks else 0
    close = " close" if len(scored) * piece > _PAGE_HAS else ""
    # The head of a table is printed again on every page that its body runs on to
    return (
        f'<table class="sheet{close}"><thead><tr><td><div class="head"><span class="who">'
        f"{html.escape(taster.name)}</span><span>{where}</span></div></td></tr></thead>"
        f"<tbody><tr><td>{box}{_how(servings, asked)}{samples}</td></tr></tbody></table>"
    )


def _how(servings: pd.DataFrame, asked: Sequence[Measure]) -> str:
    warm = [str(code) for code in servings.loc[is_warm_up(servings), "code"]]
    steps = []
    if warm:
        steps.append(f"First taste <b>{html.escape(in_words(warm))}</b> to warm up; no score.")
    named = [str(code) for code in servings.loc[servings["kind"] == REFERENCE, "code"]]
    if named:
        steps.append(f"<b>{html.escape(in_words(named))}</b> is the reference; score it too.")
    steps.append(
        "Taste from top to bottom. Rinse with water and eat some plain cracker before each piece. "
        "Answer before you talk. Leave empty what you did not taste."
    )
    if any(isinstance(measure.field, Line) for measure in asked):
        steps.append("On a line, cross it with one upright stroke where it fits.")
    return f'<p class="how">{" ".join(steps)}</p>'


def _notice(allergens: Iterable[str], notice: str) -> str:
    own = f"<p>{html.escape(notice)}</p>" if notice.strip() else ""
    return (
        f'<div class="notice"><p><b>{html.escape(allergen_sentence(allergens))}</b></p>{own}'
        f'<p>{html.escape(AGREEMENT)}</p><p class="sign"><span>Signed</span>'
        "<span>Date</span></p></div>"
    )


def _sample(code: str, questions: str) -> str:
    comment = '<div class="ask"><div class="write">In your own words</div></div>'
    return (
        f'<div class="sample"><div class="code">{html.escape(code)}</div>'
        f'<div class="asked">{questions}{comment}</div></div>'
    )


def _question(measure: Measure) -> str:
    title, asked = html.escape(question_words(measure)), measure.field
    match asked:
        case OneOf(spelled=True):
            answer = _ticks(point.word for point in reversed(asked.points))
        case OneOf():
            answer = _points(asked)
        case ManyOf():
            answer = _ticks(tick_words(asked))
        case Line(ends=(low, high)):
            return (
                f'<div class="ask"><div class="ends"><span>{html.escape(low)}</span>'
                f'<b>{title}</b><span class="right">{html.escape(high)}</span></div>'
                '<div class="line"></div></div>'
            )
        case Order():
            answer = '<div class="write number"></div>'
        case Number(unit=unit):
            answer = f'<div class="write number">{html.escape(unit)}</div>'
        case Text():
            answer = '<div class="write"></div>'
        case never:
            assert_never(never)
    return f'<div class="ask"><b>{title}</b>{answer}</div>'


def _points(asked: OneOf) -> str:
    cells = "".join(
        f'<span class="point"><i>{point.written}</i>{html.escape(point.word)}</span>'
        for point in asked.points
    )
    return f'<div class="points">{cells}</div>'


def _ticks(words: Iterable[str]) -> str:
    marks = "".join(f"<span><i></i>{html.escape(word)}</span>" for word in words)
    return f'<div class="ticks">{marks}</div>'


# -- The key to the codes: for whoever plates and labels, never for tasters.


_KEY_STYLE = (
    PRINT_STYLE
    + """
.sheet { break-after: page; }
.cover { min-height: 100vh; border: 1.2mm solid #000; padding: 12mm; font-size: 15pt; }
.cover h1 { font-size: 30pt; }
.sheet:last-child { break-after: auto; }
.hand { border: .9mm solid #000; padding: 2mm 3mm; font-size: 14pt; font-weight: bold; }
.mark { border: .6mm solid #000; padding: 1mm 3mm; font-weight: bold; display: inline-block; }
.grid { width: 100%; margin: 2mm 0 4mm; }
.grid th { font-size: 9pt; font-weight: normal; border-bottom: .3mm solid #000; }
.grid td { border-bottom: .15mm solid #888; }
.grid b { font-size: 14pt; }
"""
)
COLUMNS = ("taster", "sitting", "place", "bake", "code", "kind")


def code_sheet(
    round_name: str,
    serving: pd.DataFrame,
    *,
    sealed_for: Sequence[str] = (),
    by_hand: Mapping[str, Sequence[str]] | None = None,
) -> str:
    """Return who gets which bake under which code, a page for each sitting, to print.

    Once by taster in serving order, for the table; once by bake, for labelling. What `by_hand`
    says a taster avoids, and nothing could check, stands above both in capitals.

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
    sheets = [
        f'<section class="sheet"><h1>{html.escape(round_name)}, sitting {sitting}</h1>'
        '<p class="mark">Key to the codes: not for tasters</p>'
        f"{_by_hand(by_hand or {}, set(rows['taster']))}"
        f"<h2>By taster, in serving order</h2>{_by_taster(rows)}"
        f"<h2>By bake, for the labels</h2>{_by_bake(rows)}</section>"
        for sitting, rows in serving.groupby("sitting", sort=True)
    ]
    if sealed_for:
        sheets.insert(0, _cover(round_name, sealed_for))
    return page(f"Key to the codes: {round_name}", "\n".join(sheets), _KEY_STYLE)


def _cover(round_name: str, cooks: Sequence[str]) -> str:
    names = html.escape(in_words(cooks))
    return (
        f'<section class="sheet cover"><h1>Do not open until the scores are in</h1>'
        f"<p>The key to the codes of {html.escape(round_name)} stands below.</p>"
        f"<p><b>{names}</b> cooks and tastes: stop here. Somebody else reads on, labels the "
        "plates and says nothing. serving.csv holds the same key and stays closed as well.</p>"
        "<p>Nobody else there? Let somebody who does not taste shuffle the plates by this key. "
        'If you have to do it yourself, answer "no" to blind on your ballot: those scores are '
        "kept apart.</p></section>"
    )


def _by_hand(avoided: Mapping[str, Sequence[str]], here: set[str]) -> str:
    return "".join(
        f'<p class="hand">CHECK BY HAND: {html.escape(name.upper())} NEVER EATS '
        f"{html.escape(in_words(things, 'or').upper())}.</p>"
        for name, things in avoided.items()
        if things and name in here
    )


def _by_taster(rows: pd.DataFrame) -> str:
    places = sorted(rows["place"].unique())
    heads = "".join(f"<th>{'warm-up' if place == 0 else place}</th>" for place in places)
    lines = []
    for taster, own in rows.groupby("taster", sort=False):
        at = {row["place"]: row for row in own.to_dict("records")}
        cells = "".join(
            f"<td><b>{html.escape(str(at[place]['code']))}</b><br>"
            f"{html.escape(str(at[place]['bake']))}</td>"
            if place in at
            else "<td></td>"
            for place in places
        )
        lines.append(f"<tr><td>{html.escape(str(taster))}</td>{cells}</tr>")
    return f'<table class="grid"><tr><th></th>{heads}</tr>{"".join(lines)}</table>'


def _by_bake(rows: pd.DataFrame) -> str:
    lines = []
    for bake, own in rows.groupby("bake", sort=True):
        codes = ", ".join(
            f"{code} ({taster})" for code, taster in own[["code", "taster"]].to_numpy()
        )
        lines.append(
            f"<tr><td><b>{html.escape(str(bake))}</b></td><td>{html.escape(codes)}</td></tr>"
        )
    return f'<table class="grid">{"".join(lines)}</table>'
