"""`trials fit`: what mattered, for a round or for any table."""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from trials.analysis.answers import Answer, Answers, fit
from trials.analysis.best_bakes import BEST_SO_FAR
from trials.analysis.brief import failed_words, in_brief
from trials.analysis.counted import Counted
from trials.analysis.question import kept_evidence
from trials.analysis.results import Findings
from trials.base.arguments import near
from trials.base.errors import FitError, TrialsError
from trials.base.files import read_csv, write_csv
from trials.base.keeping import free_to_write
from trials.base.words import in_words, is_number
from trials.core.factors import Categorical
from trials.core.measures import Measure
from trials.core.scales import NONE, CheckAll
from trials.deciding.choosing import best_so_far
from trials.deciding.first_lines import what_to_do
from trials.doors.terminal import tell
from trials.rounds.round import Round
from trials.rounds.safe import not_for

_REST = "Every number, what failed and how sure it is: add --all, or name one measure."
MODELS = ("main", "interactions", "quadratic", "blend")


def fit_command(asked: argparse.Namespace) -> None:
    """Fit what was asked for, say what mattered, and write the effects where they are wanted."""
    if asked.csv:
        free_to_write(Path(asked.csv), inputs=(Path(asked.data),), replace=asked.replace)
    found = _of_round(asked) if Path(asked.data).is_dir() else [_of_table(asked)]
    brief = asked.response is None and not asked.all
    for one in found:
        tell("\n".join(_in_brief(one) if brief else one.summary()), end="\n\n")
        if brief:
            continue
        for title, table in one.shown().items() if isinstance(one, Counted) else ():
            tell(f"{title}:\n{table.to_string(index=False)}", end="\n\n")
    if brief and found:
        tell(_REST)
    digests = {one.evidence.digest for one in found if isinstance(one, Findings) and one.evidence}
    if digests:
        tell(
            f"Evidence {in_words(sorted(digests))}: a page with this mark rests on the same scores."
        )
    if asked.csv:
        tables = [
            (one.table if isinstance(one, Counted) else one.effects).assign(response=one.response)
            for one in found
        ]
        tell(f"Effects in {write_csv(pd.concat(tables), asked.csv)}")


def _in_brief(one: Answer) -> Sequence[str]:
    """Return at most three sentences on a measure, and where what they rest on is short, why."""
    if isinstance(one, Counted):
        return one.sentences[:3]
    opening = one.evidence.opening(one.response) if one.evidence is not None else ()
    return (*opening, *in_brief(one))


def _of_table(asked: argparse.Namespace) -> Answer:
    table = read_csv(asked.data)
    named = list(dict.fromkeys([*(asked.factors or ()), *asked.kinds]))
    if asked.response is None or not named:
        raise TrialsError(
            "for a table say what to explain and which columns are the factors: "
            f"trials fit {asked.data} COLUMN --factors NAME NAME (--kinds NAME for those that are "
            "kinds though they look like numbers). Its columns: " + ", ".join(table.columns)
        )
    strange = [name for name in named if name not in table]
    if strange:
        raise TrialsError(
            f'{asked.data} has no column "{strange[0]}"; {near(strange[0], table.columns)}'
        )
    try:
        return fit(
            table,
            asked.response,
            [_kinds(table, name) if name in asked.kinds else name for name in named],
            model=_model(asked.model),
            groups=asked.groups,
            measure=_measure(asked, table),
        )
    except TrialsError as error:
        if error.place is None or error.place.file:
            raise
        place = replace(error.place, file=Path(asked.data).name)
        raise type(error)(error.message, place) from None


def _kinds(table: pd.DataFrame, name: str) -> Categorical | str:
    """Return a column as kinds; words are kinds already, and are looked over as they stand."""
    if name not in table or not all(not one or is_number(one) for one in table[name]):
        return name
    return Categorical(name, sorted(set(table[name]) - {""}))


def _measure(asked: argparse.Namespace, table: pd.DataFrame) -> Measure | None:
    """Return what a column of a table was asked as; words that can be ticked are those found."""
    scale = asked.scale or ("number" if asked.worth is not None else None)
    if scale is None:
        return None
    words: list[str] = []
    if scale == CheckAll.text and asked.response in table:
        ticked = (word.strip() for cell in table[asked.response] for word in cell.split(";"))
        words = sorted({word for word in ticked if word} - {NONE})
    return Measure(asked.response, scale, worth_noticing=asked.worth, words=words)


def _model(words: Sequence[str] | None) -> str | list[str] | None:
    if words and len(words) == 1 and words[0] in MODELS:
        return words[0]
    return None if words is None else list(words)


def _answer(answers: Answers, name: str, asked: argparse.Namespace) -> Answer:
    """Return one answer of a round; a model for all its measures is for those it can be of."""
    measure = answers.evidence.measure(name)
    counts = measure is not None and not measure.averaged
    if counts and not asked.response:
        found: Answer = answers.on(name)
        return found
    found = answers.on(name, groups=asked.groups, model=_model(asked.model))
    return found


def _of_round(asked: argparse.Namespace) -> list[Answer]:
    round_ = Round.open(asked.data)
    answers = Answers(kept_evidence(round_, held=_held(asked.held), alone=asked.alone))
    known = answers.evidence
    names = [asked.response] if asked.response else [one.name for one in known.measures]
    if round_.name in known.waiting:
        tell(f'"{round_.name}" is not baked yet; what follows is from the rounds before it.\n')
    if asked.response is None and not asked.all:
        for slip in known.slips:  # elsewhere they stand among the notes of each measure
            tell(f"To look at: {slip}\n")
    found = []
    for name in names:
        try:
            found.append(_answer(answers, name, asked))
        except FitError as error:
            if asked.response:
                raise
            tell(f"{name}: {error}")
    if asked.response is None and not asked.all and asked.model is None and asked.groups is None:
        tell("".join(f"{one}\n\n" for one in _answer_first(round_, answers, found)), end="")
    return found


def _answer_first(round_: Round, answers: Answers, found: Sequence[Answer]) -> list[str]:
    """Return what to do, and the best bake so far: what is looked for first."""
    known = {one.response: one for one in found if isinstance(one, Findings)}
    try:
        best = best_so_far(answers)
    except TrialsError:
        return []
    top = known.get(best.measures[0].name)
    sentences = () if top is None else top.sentences
    bakes = [one for one in sentences if one.startswith(BEST_SO_FAR)]
    failed = next(filter(None, map(failed_words, known.values())), "")
    blind = answers.evidence.blindness(best.measures[0].name)
    do = f"{what_to_do(known, best)} {not_for(round_, best.settings)}".rstrip()
    return [*blind, do, *([failed] if failed else []), *bakes]


def _held(words: Sequence[str] | None) -> dict[str, str]:
    """Return the settings of factors that a round did not vary, as they were typed."""
    pairs = [word.partition("=") for word in words or ()]
    odd = [name for name, sign, value in pairs if not (name.strip() and sign and value.strip())]
    if odd:
        raise TrialsError(f'--held takes NAME=SETTING, such as "sugar=11"; "{odd[0]}" was found.')
    return {name.strip(): value.strip() for name, _, value in pairs}
