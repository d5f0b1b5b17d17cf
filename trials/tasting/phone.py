"""A ballot for the phone: one file per taster that needs no network and keeps what was entered."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from typing import Any, assert_never

import pandas as pd

from trials.base.html import held, render
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
    TEMPLATES,
    allergen_sentence,
    asked_measures,
    asks_blindness,
    avoided_sentence,
    check_serving,
    in_order,
    is_warm_up,
    question_words,
    tick_words,
    without_reference,
)

SEND_TO = "answers"  # where a page that a server gives out sends its answers


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
    Peryam & Pilgrim 1957 (words of liking); ISO 4121 (line scales).

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
    warned = allergen_sentence(allergens)
    made: dict[str, str] = {}
    served = serving if reference_named else without_reference(serving)
    for taster in tasters:
        own = served[served["taster"] == taster.name].sort_values(["sitting", "place"])
        if len(own):
            ballot = _ballot(round_name, own, measures, taster, mark or round_name)
            ballot["columns"] = result_columns(measures, blind=asks_blindness(tasters))
            ballot["send"] = SEND_TO if sends else ""
            made[taster.name] = render(
                TEMPLATES,
                "phone_ballot.html",
                title=f"{round_name}: {taster.name}",
                round_name=round_name,
                taster=taster.name,
                allergens=warned,
                avoided=avoided_sentence(taster),
                notice=notice.strip(),
                agreement=AGREEMENT,
                data=held(ballot),
                sends=sends,
            )
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
        case OneOf():
            return record | {"way": "choice", "points": in_order(asked)}
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
