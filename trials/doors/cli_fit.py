"""`trials fit`: what mattered, for a round or for any table."""

import argparse
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from trials.analysis.fitting import fit
from trials.analysis.results import Findings
from trials.base.errors import FitError, TrialsError
from trials.base.files import read_csv, write_csv
from trials.core.factors import Categorical
from trials.core.measures import Measure
from trials.deciding.lineage import baked_so_far, fit_together, line_of
from trials.rounds.round import Round
from trials.rounds.scores import keep_line

MODELS = ("main", "interactions", "quadratic", "blend")


def fit_command(asked: argparse.Namespace) -> None:
    """Fit what was asked for, say what mattered, and write the effects where they are wanted."""
    found = _of_round(asked) if Path(asked.data).is_dir() else [_of_table(asked)]
    for one in found:
        print("\n".join(one.summary()), end="\n\n")
    if asked.csv:
        tables = [one.effects.assign(response=one.response) for one in found]
        print(f"Effects in {write_csv(pd.concat(tables), asked.csv)}")


def _of_table(asked: argparse.Namespace) -> Findings:
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
    measure = None
    if asked.worth is not None:
        measure = Measure(asked.response, "number", worth_noticing=asked.worth)
    return fit(
        table,
        asked.response,
        factors,
        model=_model(asked.model),
        groups=asked.groups,
        measure=measure,
    )


def _model(words: Sequence[str] | None) -> str | list[str] | None:
    if words and len(words) == 1 and words[0] in MODELS:
        return words[0]
    return None if words is None else list(words)


def _of_round(asked: argparse.Namespace) -> list[Findings]:
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
                found.append(fit_together(line, name))
            else:
                found.append(fit(round_, name, groups=asked.groups, model=_model(asked.model)))
        except FitError as error:
            if asked.response:
                raise
            print(f"{name}: {error}\n")
    return found
