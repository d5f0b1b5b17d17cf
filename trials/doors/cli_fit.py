"""`trials fit`: what mattered, for a round or for any table."""

import argparse
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from trials.analysis.answers import Answer, fit
from trials.analysis.counted import Counted
from trials.base.errors import FitError, TrialsError
from trials.base.files import read_csv, write_csv
from trials.core.factors import Categorical
from trials.core.measures import Measure
from trials.core.scales import NONE, CheckAll
from trials.deciding.lineage import answered_together, baked_so_far, line_of
from trials.rounds.round import Round
from trials.rounds.scores import keep_line

MODELS = ("main", "interactions", "quadratic", "blend")


def fit_command(asked: argparse.Namespace) -> None:
    """Fit what was asked for, say what mattered, and write the effects where they are wanted."""
    found = _of_round(asked) if Path(asked.data).is_dir() else [_of_table(asked)]
    for one in found:
        print("\n".join(one.summary()), end="\n\n")
        for title, table in one.shown().items() if isinstance(one, Counted) else ():
            print(f"{title}:\n{table.to_string(index=False)}", end="\n\n")
    if asked.csv:
        tables = [
            (one.table if isinstance(one, Counted) else one.effects).assign(response=one.response)
            for one in found
        ]
        print(f"Effects in {write_csv(pd.concat(tables), asked.csv)}")


def _of_table(asked: argparse.Namespace) -> Answer:
    table = read_csv(asked.data)
    if asked.response is None or not asked.factors:
        raise TrialsError(
            "for a table say what to explain and which columns are the factors: "
            f"trials fit {asked.data} COLUMN --factors NAME NAME. Its columns: "
            + ", ".join(table.columns)
        )
    factors = [
        Categorical(name, sorted(set(table[name]))) if name in asked.kinds else name
        for name in [*asked.factors, *(one for one in asked.kinds if one not in asked.factors)]
    ]
    return fit(
        table,
        asked.response,
        factors,
        model=_model(asked.model),
        groups=asked.groups,
        measure=_measure(asked, table),
    )


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


def _alone(round_: Round, name: str, asked: argparse.Namespace) -> Answer:
    """Return the answer of one round; a model for all its measures is for those it can be of."""
    if not asked.response and not round_.measure(name).averaged:
        return fit(round_, name)
    return fit(round_, name, groups=asked.groups, model=_model(asked.model))


def _of_round(asked: argparse.Namespace) -> list[Answer]:
    round_ = Round.open(asked.data)
    names = [asked.response] if asked.response else [one.name for one in round_.measures]
    plain = asked.groups is None and asked.model is None
    line = line_of(round_) if round_.parent and plain else (round_,)
    keep_line(line)
    if baked_so_far(line)[1]:
        print(f'"{round_.name}" is not baked yet; what follows is from the rounds before it.\n')
    elif len(line) > 1:
        print(f"From {len(line)} rounds together, this one and those before it:\n")
    found = []
    for name in names:
        try:
            if len(line) > 1:
                found.append(answered_together(line, name))
            else:
                found.append(_alone(round_, name, asked))
        except FitError as error:
            if asked.response:
                raise
            print(f"{name}: {error}\n")
    return found
