"""Paper ballots: what a taster sees at the table, and nothing that gives a bake away."""

import html
from collections.abc import Iterable, Sequence

import pandas as pd

from trials.measures import Measure
from trials.printing import PRINT_STYLE, page
from trials.tables import in_words
from trials.tasting.panel import Taster
from trials.tasting.questions import (
    AGREEMENT,
    BLIND,
    BLIND_POINTS,
    LINE_LENGTH,
    REFERENCE,
    allergen_sentence,
    asked_measures,
    check_serving,
    is_warm_up,
    point_words,
    ranking_question,
    tick_words,
    without_reference,
)

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

    Parameters
    ----------
    round_name : str
        What the tasters may know the round by; it must not say what varies.
    serving : DataFrame
        One row per serving with the columns taster, sitting, position, code and kind. Nothing
        else of it is shown.
    measures : sequence of Measure
        Those scored at every tasting are asked, liking first.
    tasters : iterable of Taster
        In the order of the ballots.
    allergens : iterable of str
        Everything that any piece of the round may contain; told to all before the first bite.
    notice : str
        A sentence of your own for the same box.
    reference_named : bool
        True when tasters are told which piece is the reference; otherwise it is one among others.

    Returns
    -------
    dict
        Taster's name to a whole HTML page, A4.

    Raises
    ------
    TastingError
        When nothing is asked, a serving names somebody who is not a taster, or a code is missing.

    References
    ----------
    Peryam & Pilgrim 1957 (nine words of liking); ISO 4121 (line scales); ISO 13299 (three-digit
    codes). The notice before a blind tasting is common practice, no source.

    Examples
    --------
    >>> serving = pd.DataFrame([["Ida", 1, 1, "583", "trial"]],
    ...     columns=["taster", "sitting", "position", "code", "kind"])
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
    """Return all ballots as one page to print at once; see :func:`ballots`.

    Examples
    --------
    >>> serving = pd.DataFrame([["Ida", 1, 1, "583", "trial"], ["Bo", 1, 1, "914", "trial"]],
    ...     columns=["taster", "sitting", "position", "code", "kind"])
    >>> book = ballot_book("Round 1", serving, [Measure("liking", "hedonic 9")],
    ...     [Taster("Ida"), Taster("Bo")])
    >>> book.count('class="sheet"')
    2
    """
    asked = asked_measures(measures)
    tasters = tuple(tasters)
    check_serving(serving, tasters)
    box = _notice(allergens, notice)
    told = serving if reference_named else without_reference(serving)
    sheets = [_sheets(round_name, told, asked, taster, box) for taster in tasters]
    return page(f"Ballots: {round_name}", "\n".join(filter(None, sheets)), _STYLE)


# Millimetres that a question takes at ease, measured in print, and what a page has for pieces
_TAKES = {
    "hedonic": 20.0,
    "just about right": 17.0,
    "intensity": 10.3,
    "check all": 13.0,
    "number": 13.0,
    "passed": 11.0,
    "ranking": 13.0,
    "words": 13.0,
}
_PIECE_TAKES, _PAGE_HAS = 11.0, 222.0


def _sheets(
    round_name: str, serving: pd.DataFrame, asked: Sequence[Measure], taster: Taster, box: str
) -> str:
    own = serving[serving["taster"] == taster.name].sort_values(["sitting", "position"])
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
    piece = _PIECE_TAKES + sum(_TAKES[measure.kind] for measure in asked)
    piece += _TAKES["passed"] if taster.cooks else 0
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
    if any(measure.kind == "intensity" for measure in asked):
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
    name = html.escape(measure.name)
    if measure.kind == "check all":
        return (
            f'<div class="ask"><b>{name}: tick all that fit</b>{_ticks(tick_words(measure))}</div>'
        )
    if measure.kind == "words":
        return f'<div class="ask"><b>{name}</b><div class="write"></div></div>'
    if measure.kind == "ranking":
        asked = html.escape(ranking_question(measure))
        return f'<div class="ask"><b>{asked}</b><div class="write number"></div></div>'
    if measure.kind == "passed":
        return f'<div class="ask"><b>{name}</b>{_ticks(("yes", "no"))}</div>'
    if measure.kind == "number":
        unit = html.escape(measure.unit)
        return f'<div class="ask"><b>{name}</b><div class="write number">{unit}</div></div>'
    if measure.kind == "intensity":
        low, high = (html.escape(word) for word in (measure.points()[0], measure.points()[-1]))
        return (
            f'<div class="ask"><div class="ends"><span>{low}</span><b>{name}</b>'
            f'<span class="right">{high}</span></div><div class="line"></div></div>'
        )
    return f'<div class="ask"><b>{name}</b>{_points(measure)}</div>'


def _points(measure: Measure) -> str:
    cells = "".join(
        f'<span class="point"><i>{number}</i>{html.escape(word)}</span>'
        for number, word in enumerate(point_words(measure), start=1)
    )
    return f'<div class="points">{cells}</div>'


def _ticks(words: Iterable[str]) -> str:
    marks = "".join(f"<span><i></i>{html.escape(word)}</span>" for word in words)
    return f'<div class="ticks">{marks}</div>'
