"""All that was entered in a round, merged, with what must be mended or looked at."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import pandas as pd

from trials.errors import Place
from trials.rounds.cells import Note, Problem, exact, in_order, shortened
from trials.rounds.entries import Address, Entry, Reading, Value
from trials.rounds.forms import (
    BAKES,
    BLIND,
    TASTINGS,
    Form,
    cook_form,
    scored_servings,
    tasting_form,
)
from trials.rounds.merging import merge
from trials.rounds.round import WITHOUT_SCORE, Round
from trials.rounds.sources import Source, read_source

MADE = "made"


@dataclass(frozen=True, eq=False)
class Gathered:
    """What all files of a round say together.

    Parameters
    ----------
    forms : dict
        The forms by their kind.
    bake_of : dict
        The bake behind each taster and code.
    entries : dict
        Every agreed entry by form, row and column.
    problems, notes : list
        What must be mended, and what was read not quite as it stood.
    used : list of Source
        The files that held anything.
    """

    forms: Mapping[str, Form]
    bake_of: Mapping[tuple[str, ...], str]
    entries: Mapping[Address, Entry]
    problems: list[Problem] = field(repr=False)
    notes: list[Note] = field(repr=False)
    used: list[Source] = field(repr=False)

    def value(self, kind: str, key: tuple[str, ...], column: str) -> float | str | None:
        """Return one entry's value; None where nothing was entered."""
        entry = self.entries.get((kind, key, column))
        return None if entry is None else entry.value


def gather(round_: Round, serving: pd.DataFrame, files: Iterable[Source]) -> Gathered:
    """Return what the files say together, read against the round's forms.

    Parameters
    ----------
    round_ : Round
    serving : DataFrame
        Who is served which bake under which code.
    files : iterable of Source
        In any order: the outcome is the same.
    """
    served = scored_servings(serving)
    forms = {BAKES: cook_form(round_)}
    if len(served):
        forms[TASTINGS] = tasting_form(round_, serving)
    bake_of: dict[tuple[str, ...], str] = {
        (str(row.taster), str(row.code)): str(row.bake) for row in served.itertuples(index=False)
    }
    readings: list[Reading] = []
    used = []
    for source in files:
        reading, holds_any = read_source(source, forms)
        readings.append(reading)
        if holds_any or reading.entries or reading.problems:
            used.append(source)
    entries, questions = merge(readings)
    problems = [problem for reading in readings for problem in reading.problems] + questions
    notes = [note for reading in readings for note in reading.notes]
    problems += _scored_though_not_made(forms, entries, bake_of)
    problems += _shared_places(forms, entries)
    notes += _notes_on_bakes(forms, entries, bake_of)
    notes += _notes_on_blindness(round_, forms, entries)
    return Gathered(forms, bake_of, entries, in_order(problems), in_order(notes), used)


def _bake(address: Address, bake_of: Mapping[tuple[str, ...], str]) -> str:
    kind, key, _ = address
    return key[0] if kind == BAKES else bake_of[key]


def _scores(
    forms: Mapping[str, Form],
    entries: Mapping[Address, Entry],
    bake_of: Mapping[tuple[str, ...], str],
) -> dict[str, list[Entry]]:
    """Return the scores of each bake: what is neither told in words nor a setting."""
    scored = {kind: {column.name for column in form.scores} for kind, form in forms.items()}
    scores: dict[str, list[Entry]] = {}
    for address, entry in entries.items():
        if address[2] in scored[address[0]]:
            scores.setdefault(_bake(address, bake_of), []).append(entry)
    return scores


def _shared_places(forms: Mapping[str, Form], entries: Mapping[Address, Entry]) -> list[Problem]:
    """Return the places of a ranking that one taster gave twice, or that no sitting has."""
    if TASTINGS not in forms:
        return []
    form = forms[TASTINGS]
    sitting = form.blank["sitting"].tolist()
    pieces: dict[tuple[str, int], list[tuple[str, ...]]] = {}
    for key, row in form.rows().items():
        pieces.setdefault((key[0], sitting[row]), []).append(key)
    problems = []
    for column in form.scores:
        if column.measure is None or column.measure.kind != "ranking":
            continue
        for keys in pieces.values():
            found = [entries.get((TASTINGS, key, column.name)) for key in keys]
            problems += _places([entry for entry in found if entry is not None], len(keys))
    return problems


def _places(ranked: list[Entry], pieces: int) -> list[Problem]:
    problems, first = [], dict[Value, Entry]()
    mend = "Give every piece of the sitting a place of its own, and read again; the rest was kept."
    for one in _by_place(ranked):
        taken = first.setdefault(one.value, one)
        found = f"place {exact(float(one.value))}"
        if taken is not one:
            found = f"{found} was given twice in this sitting, first in {taken.place}"
            problems.append(Problem(one.place, found, "each place once", mend))
        elif float(one.value) > pieces:
            expected = f"places 1 to {pieces}, as many as were served"
            problems.append(Problem(one.place, f"{found} is more than there are", expected, mend))
    return problems


def _scored_though_not_made(
    forms: Mapping[str, Form],
    entries: Mapping[Address, Entry],
    bake_of: Mapping[tuple[str, ...], str],
) -> list[Problem]:
    problems = []
    for bake, scored in _scores(forms, entries, bake_of).items():
        status = entries.get((BAKES, (bake,), "status"))
        if status is not None and status.value in WITHOUT_SCORE:
            problems.append(_against_status(bake, status, _by_place(scored)))
    return problems


def _against_status(bake: str, status: Entry, scored: list[Entry]) -> Problem:
    """Return the one problem of a bake: at its score, or with several at the status they deny."""
    first, became = scored[0], _became(status.value)
    expected = "no score for such a bake, not even 0"
    if len(scored) == 1:
        value = shortened(first.value) if isinstance(first.value, str) else exact(first.value)
        found = f"{value} was scored for {bake}, which {became} ({status.place})"
        mend = f'Take the score out, or set the status of {bake} to "made", and read again.'
        return Problem(first.place, found, expected, mend)
    found = f"{bake} {became}, yet {len(scored)} scores stand for it, the first in {first.place}"
    mend = f'Set the status of {bake} to "made", or take its scores out, and read again.'
    return Problem(status.place, found, expected, mend)


def _by_place(entries: Iterable[Entry]) -> list[Entry]:
    return sorted(entries, key=lambda one: (one.place.file, one.place.row or 0, one.place.column))


def _became(status: object) -> str:
    return str(status) if status == "failed" else f"was {status}"


def _notes_on_blindness(
    round_: Round, forms: Mapping[str, Form], entries: Mapping[Address, Entry]
) -> list[Note]:
    """Say which scores of a cook are kept apart, and which say nothing of it."""
    notes = []
    scored = {(kind, key) for kind, key, column in entries if column not in (BLIND, "note")}
    for cook in {taster.name for taster in round_.tasters if taster.cooks}:
        for key in forms[TASTINGS].rows() if TASTINGS in forms else ():
            blind = entries.get((TASTINGS, key, BLIND))
            if key[0] != cook or (TASTINGS, key) not in scored:
                continue
            if blind is None:
                place = Place(f"{TASTINGS}.xlsx", forms[TASTINGS].sheet, column=BLIND)
                said = f"{cook} cooks, and of {key[1]} it is not said whether it was blind."
                notes.append(Note(place, f"{said} It was read as blind."))
            elif blind.value == "no":
                said = f"{cook} knew the bake behind {key[1]}; those scores are kept apart."
                notes.append(Note(blind.place, said))
    return notes


def _notes_on_bakes(
    forms: Mapping[str, Form],
    entries: Mapping[Address, Entry],
    bake_of: Mapping[tuple[str, ...], str],
) -> list[Note]:
    scores = _scores(forms, entries, bake_of)
    expected = set(bake_of.values()) if any(form.scores for form in forms.values()) else set()
    if forms[BAKES].scores:
        expected |= {key[0] for key in forms[BAKES].rows()}
    notes = []
    for (bake,) in forms[BAKES].rows():
        status = entries.get((BAKES, (bake,), "status"))
        place = status.place if status else Place(f"{BAKES}.xlsx", forms[BAKES].sheet)
        if status and status.value in WITHOUT_SCORE:
            if (BAKES, (bake,), "reason") not in entries:
                notes.append(Note(place, f"{bake} {_became(status.value)}; no reason is given."))
        elif status and scores and bake in expected and bake not in scores:
            notes.append(Note(place, f"{bake} was made, yet nothing was scored for it so far."))
    return notes
