"""The mark on every sheet of a round, by which a sheet of another round is told and refused."""

import hashlib
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from trials.design.plan import Plan
from trials.rounds.round import Round
from trials.tables import tidy_number

# Letters that make no word, no month and no number, so that no spreadsheet alters the mark.
_LETTERS = "bcdfghjklmnpqrstvwxz"
_DIGITS = 12  # of a setting: more than any kitchen sets, fewer than a double holds


def round_mark(round_: Round) -> str:
    """Return the mark that tells this round's sheets from those of any other round.

    It covers the round's name, its seed (and so its codes), its factors by name, and each bake's
    name with its settings. It does not cover the order of the bakes, their days and loads, how
    settings are displayed, or bakes that were added to make a lost one again: a round that is
    replanned keeps its mark, and sheets handed out before stay good for the bakes they name.

    Parameters
    ----------
    round_ : Round

    Returns
    -------
    str
        Nine letters that say nothing about what they cover.

    Examples
    --------
    >>> import tempfile
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> from trials.measures import Measure
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main")
    >>> liking = [Measure("liking", "hedonic 9")]
    >>> one = Round.create(tempfile.mkdtemp() + "/one", plan=plan, measures=liking)
    >>> round_mark(one) == round_mark(Round.open(one.folder)), len(round_mark(one))
    (True, 9)
    """
    rows = first_planned(round_.plan)
    settings = [[f.name, *map(_raw, rows[f.name].tolist())] for f in round_.plan.factors]
    return _mark(round_, rows, settings)


def added_bakes(plan: Plan) -> frozenset[str]:
    """Return the bakes that a replanned round makes again under new names.

    Examples
    --------
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> rest = Numeric("rest", 20, 60, "min")
    >>> plan = lay_out([rest], pd.DataFrame({"rest": [20, 60]}), family="ends", model="main")
    >>> added_bakes(plan)
    frozenset()
    """
    return frozenset(map(str, plan.details.get("rebaked", {})))


def first_planned(plan: Plan) -> pd.DataFrame:
    """Return the bakes that a plan had from the start, by name."""
    rows = plan.rows[~plan.rows["bake"].isin(added_bakes(plan))]
    return rows.sort_values("bake", kind="stable", ignore_index=True)


def older_marks(round_: Round) -> frozenset[str]:
    """Return the marks that earlier versions would have put on this round's sheets.

    They covered the bakes in their order, and the settings as they were displayed: per cent once
    without a space.

    Parameters
    ----------
    round_ : Round
    """
    plan, found = round_.plan, set()
    for rows in (plan.rows, first_planned(plan)):
        shown = [
            [factor.show(value) for value in rows[factor.name].tolist()] for factor in plan.factors
        ]
        close = [[_close(text) for text in own] for own in shown]
        found |= {_mark(round_, rows, settings) for settings in (shown, close)}
    return frozenset(found)


def _close(text: str) -> str:
    return f"{text.removesuffix(' %')}%" if text.endswith(" %") else text


def _raw(value: Any) -> str:
    """Return a setting as it is, not as it is shown; nothing where a bake has none."""
    if pd.isna(value):
        return ""
    if isinstance(value, int | float | np.number) and not isinstance(value, bool):
        return tidy_number(float(value), _DIGITS)
    return str(value)


def _mark(round_: Round, rows: pd.DataFrame, settings: Iterable[Iterable[str]]) -> str:
    named = [round_.name, str(round_.seed), "|".join(rows["bake"])]
    return _letters([*named, *map("|".join, settings)])


def _letters(lines: Iterable[str]) -> str:
    digest = hashlib.sha256("\n".join(lines).encode("utf-8")).digest()
    return "r" + "".join(_LETTERS[byte % len(_LETTERS)] for byte in digest[:8])
