"""A ballot for the phone: one file per taster that needs no network and keeps what was entered."""

import hashlib
import html
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, assert_never

import pandas as pd

from trials.base.html import page
from trials.base.words import in_words
from trials.core.measures import Measure
from trials.core.scales import Line, ManyOf, Number, OneOf, Order, Text
from trials.tasting.panel import Taster, name_in_files
from trials.tasting.paper import (
    AGREEMENT,
    BLIND,
    BLIND_POINTS,
    NONE_OF_THESE,
    REFERENCE,
    allergen_sentence,
    asked_measures,
    asks_blindness,
    check_serving,
    is_warm_up,
    question_words,
    tick_words,
    without_reference,
)

SEND_TO = "answers"  # where a page that a server gives out sends its answers
_HERE = Path(__file__).parent


def phone_ballots(
    round_name: str,
    serving: pd.DataFrame,
    measures: Sequence[Measure],
    tasters: Iterable[Taster],
    *,
    allergens: Iterable[str] = (),
    notice: str = "",
    reference_named: bool = False,
    mark: str = "",
    sends: bool = False,
) -> dict[str, str]:
    """Return a phone ballot for each taster: one static page that works without a network.

    What is entered stays on the phone through a reload. A scale that was not touched shows no
    mark and is written empty. The result is a CSV with the columns of the tastings sheet and one
    more, `round`; see :func:`result_columns`.

    References
    ----------
    Peryam & Pilgrim 1957 (words of liking, the highest on top); ISO 4121 (line scales).

    Examples
    --------
    >>> serving = pd.DataFrame([["Ida", 1, 1, "583", "trial"]],
    ...     columns=["taster", "sitting", "place", "code", "kind"])
    >>> pages = phone_ballots("Round 1", serving, [Measure("liking", "hedonic 9")], [Taster("Ida")])
    >>> "default-src 'none'" in pages["Ida"]
    True
    """
    asked_measures(measures)
    tasters = tuple(tasters)
    check_serving(serving, tasters)
    told = (allergen_sentence(allergens), notice.strip(), AGREEMENT)
    style, script = ((_HERE / f"phone.{kind}").read_text("utf-8") for kind in ("css", "js"))
    made = {}
    served = serving if reference_named else without_reference(serving)
    for taster in tasters:
        own = served[served["taster"] == taster.name].sort_values(["sitting", "place"])
        if len(own):
            ballot = _ballot(round_name, own, measures, taster, mark or round_name)
            ballot["columns"] = result_columns(measures, blind=asks_blindness(tasters))
            ballot["send"] = SEND_TO if sends else ""
            body = _body(round_name, taster, told, ballot)
            title = f"{round_name}: {taster.name}"
            made[taster.name] = page(title, body, style, script, sends=sends)
    return made


def result_columns(measures: Sequence[Measure], *, blind: bool = False) -> list[str]:
    """Return the columns of the file that a phone ballot saves.

    Examples
    --------
    >>> result_columns([Measure("liking", "hedonic 9")])
    ['taster', 'sitting', 'place', 'code', 'liking', 'note', 'round']
    """
    names = [measure.name for measure in measures if measure.per == "tasting"]
    names += [BLIND] if blind else []
    return ["taster", "sitting", "place", "code", *names, "note", "round"]


def ballot_file(taster: str, ending: str = "html") -> str:
    """Return a file name for a taster's ballot that every system can store.

    Examples
    --------
    >>> ballot_file("Bo & Ida / Øst"), ballot_file("Ida", "csv")
    ('ballot-Bo-Ida-Øst.html', 'ballot-Ida.csv')
    """
    return f"ballot-{name_in_files(taster)}.{ending}"


def _ballot(
    round_name: str, own: pd.DataFrame, measures: Sequence[Measure], taster: Taster, mark: str
) -> dict[str, Any]:
    ballot: dict[str, Any] = {
        "mark": mark,
        "taster": taster.name,
        "file": ballot_file(taster.name, "csv"),
        "measures": [_asked(measure) for measure in asked_measures(measures)],
        "samples": _samples(own),
    }
    if taster.cooks:
        asked = {"name": BLIND, "title": BLIND, "unit": "", "needed": True}
        ballot["measures"].append(asked | {"way": "choice", "points": list(BLIND_POINTS)})
    # Files opened from one phone share a store: another round or a new order must not meet this one
    content = json.dumps([round_name, ballot], sort_keys=True)
    ballot["key"] = f"ballot {hashlib.sha256(content.encode()).hexdigest()[:16]}"
    return ballot


def _samples(own: pd.DataFrame) -> list[dict[str, str]]:
    samples = []
    several = own["sitting"].nunique() > 1
    for sitting, group in own.groupby("sitting", sort=True):
        warming = is_warm_up(group)
        scored, warm = group[~warming], in_words(group.loc[warming, "code"])
        for place, row in enumerate(scored.to_dict("records"), start=1):
            where = f"Piece {place} of {len(scored)}"
            before = f"First taste {warm} to warm up; no score. " if place == 1 and warm else ""
            named = "This is the reference; score it too." if row["kind"] == REFERENCE else ""
            samples.append(
                {
                    "sitting": str(row["sitting"]),
                    "place": str(row["place"]),
                    "code": str(row["code"]),
                    "where": f"Sitting {sitting}. {where}" if several else where,
                    "told": f"{before}{named}".strip(),
                }
            )
    return samples


def _asked(measure: Measure) -> dict[str, Any]:
    """Return a measure as the page's script takes it: the way it is asked, and with what."""
    asked = measure.field
    record = {
        "name": measure.name,
        "title": question_words(measure),
        "unit": measure.unit,
        "needed": not isinstance(asked, Text),
    }
    match asked:
        case OneOf(points=points, spelled=spelled, highest_on_top=down):
            shown = [
                [one.written, one.word if spelled else f"{one.written}  {one.word}".strip()]
                for one in points
            ]
            return record | {"way": "choice", "points": shown[::-1] if down else shown}
        case Line(low=low, high=high, ends=ends):
            return record | {"way": "bar", "low": low, "high": high, "ends": list(ends)}
        case ManyOf(none=said):
            words = {"words": list(tick_words(asked)), "none": NONE_OF_THESE, "said": said}
            return record | {"way": "ticks"} | words
        case Order():
            return record | {"way": "place"}
        case Number():
            return record | {"way": "typed"}
        case Text():
            return record | {"way": "written"}
        case never:
            assert_never(never)


def _body(
    round_name: str, taster: Taster, told: tuple[str, str, str], ballot: dict[str, Any]
) -> str:
    allergens, own, agreement = (html.escape(sentence) for sentence in told)
    # A closing tag inside the data would end it; the data itself never runs
    data = json.dumps(ballot, ensure_ascii=False).replace("<", "\\u003c")
    own = f"<p>{own}</p>" if own else ""
    return f"""<p id="forgets" class="notice" hidden>This phone does not keep what you enter.
Leave this page open until you have saved or copied your answers.</p>
<section id="start">
<h1>{html.escape(round_name)}: {html.escape(taster.name)}</h1>
<div class="notice"><p><b>{allergens}</b></p>{own}<p>{agreement}</p></div>
<label class="choice"><input type="checkbox" id="agreed"><span>I agree</span></label>
<p>Taste in the order shown. Rinse with water and eat some plain cracker before each piece.
Answer before you talk. Leave empty what you did not taste.</p>
</section>
<section id="sample" hidden>
<p id="where" class="quiet"></p><p id="told" hidden></p><p id="code" class="code"></p>
<div id="questions"></div>
</section>
<section id="check" hidden>
<h1>Thank you, {html.escape(taster.name)}</h1>
<p id="complete">Everything is answered.</p>
<div id="incomplete"><p>Not answered yet. Go back, or send it as it is:</p>
<ul id="open" class="open"></ul></div>
<div class="stack"><button id="save" class="main" type="button">Save as a file</button>
<button id="copy" type="button">Copy as text</button>
<button id="send" class="main" type="button" hidden>Send to the cook</button></div>
<p id="done" role="status"></p>
<textarea id="result" readonly aria-label="Your answers"></textarea>
</section>
<div class="foot"><div><button id="back" type="button">Back</button>
<button id="next" class="main" type="button">Next</button></div></div>
<script type="application/json" id="ballot">{data}</script>"""
