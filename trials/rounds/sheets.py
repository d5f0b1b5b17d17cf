"""All the sheets of a round in one go: for the cook, for the tasters, for the scores."""

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from trials.recipe.formula import Formula, allergens
from trials.rounds.bake_sheets import bake_sheets
from trials.rounds.cook_page import cook_page
from trials.rounds.forms import SERVING, read_serving, round_mark
from trials.rounds.mixing import bake_formulas
from trials.rounds.round import Round
from trials.rounds.workbook import write_workbooks
from trials.tables import write_csv, write_text
from trials.tasting.ballots import ballots
from trials.tasting.panel import bakes_to_avoid
from trials.tasting.phone_ballot import ballot_file, phone_ballots
from trials.tasting.serving import serving_plan

RICH_SITTING = 6  # samples at once that a palate takes when they are rich (common practice)
FOR_TASTERS, FOR_PHONES = "ballots", "ballots/phone"


def write_sheets(round_: Round) -> list[Path]:
    """Write every sheet of a round into its folder.

    For the cook: `bake-sheets.html` (one page a bake), `cook-page.html` (for the phone),
    `bakes.xlsx` and its plain twin, and `serving.csv` (who gets what under which code). For the
    tasters: a ballot each on paper and for the phone, `tastings.xlsx` and its plain twin.
    Serving orders and codes that were drawn once stay as they are.

    Parameters
    ----------
    round_ : Round

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    TastingError
        When tasters, sittings and codes can not be arranged.
    FormulaError
        When the settings of a bake can not be mixed.

    Examples
    --------
    >>> write_sheets.__name__
    'write_sheets'
    """
    formulas = bake_formulas(round_) if round_.formula else {}
    serving = _serving(round_, formulas)
    written = [write_text(round_.folder / "bake-sheets.html", bake_sheets(round_))]
    written.append(write_text(round_.folder / "cook-page.html", cook_page(round_)))
    written += write_workbooks(round_, serving)
    if len(serving):
        written.append(round_.folder / SERVING)
        written += _ballots(round_, serving, formulas)
    return written


def _serving(round_: Round, formulas: Mapping[str, Formula]) -> pd.DataFrame:
    """Return who is served what, drawn now if it was not drawn before."""
    if not round_.tasters or not any(one.per == "tasting" for one in round_.measures):
        return pd.DataFrame()
    if (round_.folder / SERVING).exists():
        return read_serving(round_)
    bakes = round_.plan.table
    contents = {
        bake: (allergens(formula), tuple(formula.table["ingredient"]))
        for bake, formula in formulas.items()
    }
    serving = serving_plan(
        round_.tasters,
        bakes["bake"],
        per_sitting=round_.sitting or RICH_SITTING,
        days=dict(zip(bakes["bake"], bakes["day"], strict=True)),
        avoid=bakes_to_avoid(round_.tasters, contents),
        seed=round_.seed,
    ).table
    write_csv(serving, round_.folder / SERVING)
    return serving


def _ballots(round_: Round, serving: pd.DataFrame, formulas: Mapping[str, Formula]) -> list[Path]:
    present = sorted({name for formula in formulas.values() for name in allergens(formula)})
    paper = ballots(round_.name, serving, round_.measures, round_.tasters, allergens=present)
    phone = phone_ballots(
        round_.name,
        serving,
        round_.measures,
        round_.tasters,
        allergens=present,
        mark=round_mark(round_),
    )
    written = []
    for folder, pages in ((FOR_TASTERS, paper), (FOR_PHONES, phone)):
        for taster, page in pages.items():
            written.append(write_text(round_.folder / folder / ballot_file(taster), page))
    return written
